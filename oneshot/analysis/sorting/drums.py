"""Drums: templates clustered into the drums that they are strokes of. A drum is a place.

How a drum sounds says how it was struck; where it stands does not change. So the evidence that two templates are
strokes of one drum is added up (Bayes' rule, natural logarithms, taken as independent):

- *arrivals*: their delays agree in all mics (``places.same_place``);
- *levels*: the ratios between the near mics agree, band by band. How far those of other drums lie apart is read off the
  session: through a mix most drums lie as near to each other as strokes of one, and then levels say little; and two
  mics have one ratio, which different drums share by chance more often than the many of eight mics;
- *sound*: counts against, and only where it differs by more than ways to strike one drum do;
- *damping*: two cymbals that are damped are a hat, of which a kit has one (common practice, no source);
- *close mics*: what leads in the same drum's own mic is a stroke of it, whatever arrives earlier beside it; what leads
  in those of two drums, never.

Templates are joined as long as the evidence speaks for it (hierarchical clustering, average linkage). Labels outrank
all of it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.sorting.templates import SOUND_SHARE, renumbered
from oneshot.core.lazy import later
from oneshot.core.records.session import Floats

hierarchy = later("scipy.cluster.hierarchy")
distances = later("scipy.spatial.distance")

PRIOR, HAT_PRIOR = -1.5, 1.5
"""Natural logarithm of the odds before anything is measured: one pair in five or six is of one drum, as on a kit of six
to eight drums struck in one way or two; of damped cymbals most are.
"""

SAME_DB, SAME_SPREAD = 0.95, 0.6
"""Levels of one drum's templates lie up to so far apart without speaking against it, and how the logarithm of the
distance varies above: measured over 72 pairs of templates of one drum, two mics to thirteen.
"""

OTHER_SPREAD = 0.3
RATIO_SPREAD = (1.11, 0.64, 0.49, 0.41, 0.37, 0.33, 0.30, 0.28)
"""How the logarithm of the distance varies between different drums: with where they stand, and with the number of
ratios between near mics, as a chi variate of one to eight degrees of freedom does.
"""

DISTINCT_LN = 0.5
"""Where the usual distance is this much above that of one drum (a factor of 1.6), being alike counts in full."""

LEVEL_WEIGHT, LEVEL_LIMIT = 1.5, 8.0
"""Weight of the levels, which are known in ten bands that vary together, and the most that they say before it."""

SAME_SOUND_DB, SOUND_SPREAD_DB, SOUND_WEIGHT = 7.5, 2.5, 0.5
"""Ways to strike one drum differ by so much in sound, with this spread, an open hat from a closed one most."""

OWNED_LN = 8.0
"""What leading in one drum's close mic adds: it outweighs arrivals, where a softer partner is heard first."""

PARTNER_LN = -4.0
"""Arrivals speak no more than this against two templates that lead in one close mic."""

VARIANT_LN = -4.0
"""A mixture goes with its main drum unless the evidence is worse than this."""

NEVER_LN = 50.0
"""Evidence for what is known: far beyond all that can be measured, also as one of many in a mean."""


def one_drum(place_db: Floats, sound_db: Floats, same_place: Floats, mics: int, damped: NDArray[np.bool_]) -> Floats:
    """Evidence that every two templates are strokes of one drum, float64 (templates, templates): natural logarithm of
    the odds, close mics and labels aside.

    ``place_db``, ``sound_db``: as from ``features.between_db``; ``same_place``: as from ``places.same_place``;
    ``mics``: number of near mics; ``damped``: bool (templates,), as from ``hats.short_cymbals``.
    """
    place = np.log(np.maximum(place_db, SAME_DB / 10))
    pairs = place[np.triu_indices(len(place), 1)]
    usual = max(float(np.median(pairs)), np.log(SAME_DB)) if len(pairs) else np.log(SAME_DB)
    spread = np.hypot(OTHER_SPREAD, RATIO_SPREAD[min(max(mics - 1, 1), len(RATIO_SPREAD)) - 1])
    level = 0.5 * (np.minimum(place - usual, 0) / spread) ** 2
    level *= np.clip((usual - np.log(SAME_DB)) / DISTINCT_LN, 0, 1)  # where no drum differs, to be alike is no evidence
    level -= 0.5 * np.maximum((place - np.log(SAME_DB)) / SAME_SPREAD, 0) ** 2
    sound = -0.5 * (np.maximum(sound_db - SAME_SOUND_DB, 0) / SOUND_SPREAD_DB) ** 2
    prior = np.where(damped[:, None] & damped, HAT_PRIOR, PRIOR)
    out: Floats = (prior + same_place + LEVEL_WEIGHT * np.clip(level, -LEVEL_LIMIT, LEVEL_LIMIT)
                   + SOUND_WEIGHT * sound)
    return out


def with_partners(same_place: Floats, owner: NDArray[np.int64]) -> Floats:
    """Evidence of arrivals, float64 (templates, templates), as far as it may count between templates that lead in one
    close mic: both hold a stroke of its drum, and what speaks against them may be a partner that is heard first.

    ``same_place``: as from ``places.same_place``; ``owner``: int64 (templates,), close-mic assignment, -1 for none.
    """
    one = (owner[:, None] == owner) & (owner >= 0)
    return np.where(one, np.maximum(same_place, PARTNER_LN), same_place)


def into_drums(evidence: Floats, *, owner: NDArray[np.int64], variant: NDArray[np.int64],
               said: NDArray[np.int64] | None = None) -> NDArray[np.int64]:
    """Cluster templates into drums; returns a drum number, int64 (templates,).

    ``evidence``: as from ``one_drum``; ``owner``: int64 (templates,), close-mic assignment: the drum whose close mic
    claims the template, -1 for none; ``variant``: int64 (templates,), the template that each is a variant of, -1 for
    none; ``said``: int64 (templates,), the drum that each is labelled as, -1 for none.
    """
    count = len(evidence)
    said = np.full(count, -1, np.int64) if said is None else said
    if count < 2:
        return np.zeros(count, np.int64)
    both = (owner[:, None] >= 0) & (owner[None, :] >= 0)
    alike = owner[:, None] == owner[None, :]
    same = np.where(both, np.where(alike, evidence + OWNED_LN, -NEVER_LN), evidence)
    for k in np.flatnonzero(variant >= 0):  # as near to everything as the template that it is a variant of
        other = int(variant[k])
        if evidence[k, other] >= VARIANT_LN:
            same[k], same[:, k] = same[other], same[:, other]
            same[k, other] = same[other, k] = NEVER_LN
    known = (said[:, None] >= 0) & (said[None, :] >= 0)
    same = np.where(known, np.where(said[:, None] == said[None, :], NEVER_LN, -NEVER_LN), same)
    distance = NEVER_LN - np.clip(same, -NEVER_LN, NEVER_LN)
    np.fill_diagonal(distance, 0.0)
    tree = hierarchy.linkage(distances.squareform(distance, checks=False), "average")
    drum = hierarchy.fcluster(tree, NEVER_LN, "distance")
    return renumbered(_as_labelled(drum.astype(np.int64), distance, said))


def _as_labelled(drum: NDArray[np.int64], distance: Floats, said: NDArray[np.int64]) -> NDArray[np.int64]:
    """The same drums (templates,), made consistent with the labels: a cluster of several labelled drums is split, its
    other templates going to the nearest labelled one, and clusters of one label are joined.
    """
    out = drum.copy()
    for number in np.unique(drum):
        rows = np.flatnonzero(drum == number)
        labelled = rows[said[rows] >= 0]
        if len(np.unique(said[labelled])) > 1:
            nearest = labelled[distance[np.ix_(rows, labelled)].argmin(axis=1)]
            out[rows] = -2 - said[np.where(said[rows] >= 0, rows, nearest)]
    for who in np.unique(said[said >= 0]):
        parts = np.unique(out[said == who])
        out[np.isin(out, parts)] = parts[0]
    return out


SURE_DB, SURE_FEW_DB, PLACE_MICS = 2.0, 2.1, 4
"""Beyond this distance two templates are surely of different drums; with fewer near mics than the last, place and sound
together.
"""


def apart(place_db: Floats, sound_db: Floats, mics: int) -> NDArray[np.bool_]:
    """Which templates are surely strokes of different drums by their levels, bool (templates, templates). Arrivals
    would not do: those of a mixture are the ones of its earliest part.

    ``place_db``, ``sound_db``: as from ``features.between_db``; ``mics``: number of near mics.
    """
    if mics >= PLACE_MICS:  # place decides, sound hardly counts
        return np.asarray(np.hypot(place_db, 0.1 * sound_db) > SURE_DB)
    return np.asarray(np.hypot(place_db, SOUND_SHARE * sound_db) > SURE_FEW_DB)


# ---------------------------------------------------------------------------------------------------------- close mics


def close_mic_assignment(standing_db: Floats, close: NDArray[np.int64]) -> NDArray[np.int64]:
    """Close-mic assignment: the drum whose close mic claims each template, int64 (templates,), -1 for none.

    ``standing_db``: float64 (templates, mics), as from ``features.relative_level_db``; ``close``: int64 (mics,), number
    of the drum that a close mic stands at, -1 for other mics. The template that stands highest in a mic is a stroke of
    its drum, and so is every template within ``OWNED_DB`` of the highest in all of the drum's mics that stands higher
    there than in any other drum's mic by the same measure. (A side stick stands higher in the top mic than the centre,
    which leads in the bottom one.) Where a template's takes lack a mic, its level there is NaN, and it is compared in
    the drum's other mics.
    """
    nearest, below = _nearest_mic(standing_db, close)
    return np.where(below >= -OWNED_DB, nearest, -1)


def _nearest_mic(standing_db: Floats, close: NDArray[np.int64]) -> tuple[NDArray[np.int64], Floats]:
    """The drum in whose close mics each template stands nearest to the highest there, int64 (templates,), -1 without
    close mics, and how far below it that is, dB (templates,), 0 where it leads in one of them. ``standing_db`` and
    ``close`` as for ``close_mic_assignment``.
    """
    drums = sorted({int(c) for c in close if c >= 0})
    if not drums or not len(standing_db):
        return np.full(len(standing_db), -1, np.int64), np.full(len(standing_db), -np.inf)
    below = np.full((len(standing_db), len(drums)), -np.inf)
    for column, d in enumerate(drums):
        standing = standing_db[:, close == d]
        heard = ~np.isnan(standing)
        level = np.where(heard, standing, -np.inf)
        highest = np.where(heard, level.max(axis=0), -np.inf).max(axis=1)  # of all, in the mics that this one knows
        known = heard.any(axis=1)
        below[known, column] = level[known].max(axis=1) - highest[known]
        below[level.argmax(axis=0), column] = 0.0
    best = below.argmax(axis=1)
    return np.array(drums)[best], below[np.arange(len(below)), best]


OWNED_DB = 4.0
"""How far a template may stand below its drum's highest in the drum's own mic: rim, edge and centre differ by less."""
