"""Group: kinds of strokes found among the hits that stand alone, and the drums that they are strokes of.

First the clean hits are gathered into kinds by both distances of ``features.py`` (average linkage): a kind is one
drum struck in one way. Then kinds are put together into drums by place alone, since strokes of one drum share its
place whatever they sound like; kinds owned by the same drum's close mic belong together as well. With few mics place
says less, and only kinds that also sound alike are put together.

Nothing here is told how many drums there are.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.spatial.distance import squareform

from oneshot.medians import nan_median
from oneshot.model import Floats, Frames
from oneshot.stages import Templates

CLEAN_S = 0.090
"""A hit is clean for learning where nothing comparable is struck this long before and after it."""

HEARD_SHARE = 0.3
"""A hit is fit to learn from where it stands out in this share of near mics and bands; a tom fills three bands of
ten.
"""

LEARN_FROM = 600
"""Hits learned from at most; distances grow with the square of it (600 hits of 12 mics: about 3 s)."""

KIND_DB = 2.2
"""Distance up to which hits are one kind: strokes of a real player on one spot differ by 1 to 2 dB in these
measures.
"""

NEVER_DB = 50.0
"""Distance of what is known to be apart: far beyond any limit, also as a few of many in a mean."""

SOUND_SHARE = 0.5
"""What a decibel of sound counts beside one of place: spectra of one stroke vary twice as much as its place."""


def clean_rows(first: Frames, rise_db: Floats, rate: int, heard_share: Floats) -> Frames:
    """Rows of the hits of one take that are fit to learn from.

    ``first``: int64 (hits,), earliest arrivals in frames, rising; ``rise_db``: float64 (hits,); ``heard_share``:
    float64 (hits,), share of near mics and bands in which the hit stands out.
    """
    span = round(CLEAN_S * rate)
    keep = np.zeros(len(first), bool)
    begin, end = np.searchsorted(first, first - span, side="right"), np.searchsorted(first, first + span, side="left")
    for i in range(len(first)):
        # what came before rings on into the hit: it must be fainter than what comes after
        spoilt = (rise_db[begin[i] : i] >= rise_db[i] / 6).any() or (rise_db[i + 1 : end[i]] >= rise_db[i] / 3).any()
        keep[i] = heard_share[i] >= HEARD_SHARE and not spoilt
    return np.flatnonzero(keep)


def thin(rows: Frames, most: int = LEARN_FROM) -> Frames:
    """At most ``most`` of the rows, evenly spread over all of them."""
    if len(rows) <= most:
        return rows
    return rows[np.linspace(0, len(rows) - 1, most).round().astype(np.int64)]


def select(templates: Templates, keep: NDArray[np.bool_]) -> Templates:
    """Some of the kinds, their drums numbered as before."""
    return Templates(templates.energy[keep], templates.limit[keep], templates.delay_ms[keep], templates.drum[keep],
                     templates.members[keep])


def kinds(place_db: Floats, sound_db: Floats, unlike: NDArray[np.bool_] | None = None) -> NDArray[np.int64]:
    """Gather hits into kinds; returns a label (hits,) from 0 on, numbered by first appearance.

    ``unlike``: bool (hits, hits), which are known to be of unlike kinds.
    """
    if len(place_db) < 2:
        return np.zeros(len(place_db), np.int64)
    distance = np.hypot(place_db, SOUND_SHARE * sound_db)
    if unlike is not None:
        distance = np.where(unlike, NEVER_DB, distance)
    np.fill_diagonal(distance, 0.0)
    tree = linkage(squareform(distance, checks=False), "average")
    return _renumber(fcluster(tree, KIND_DB, "distance"))


def _renumber(labels: NDArray[np.int64]) -> NDArray[np.int64]:
    """The same groups, numbered in the order in which they first appear."""
    _, first, inverse = np.unique(labels, return_index=True, return_inverse=True)
    rank = np.empty(len(first), np.int64)
    rank[np.argsort(first, kind="stable")] = np.arange(len(first))
    return rank[inverse]


def templates_of(level_db: Floats, heard: NDArray[np.bool_], arrival_ms: Floats,
                 labels: NDArray[np.int64]) -> Templates:
    """The median stroke of each kind.

    ``level_db``, ``heard``: (hits, mics, bands, stretches) as from ``features.clear_levels_db``; ``arrival_ms``:
    float64 (hits, mics), after the earliest mic, NaN where the hit does not stand clear; ``labels``: int64 (hits,),
    -1 for hits of no kind. Strengths are taken out first, by the median difference to the hit of the kind in which
    most is heard. A template is scaled so that its energies sum to 1.
    """
    count = int(labels.max(initial=-1)) + 1
    energy, limit = np.zeros((count, *level_db.shape[1:])), np.zeros((count, *level_db.shape[1:]))
    members, delay = np.zeros(count, np.int64), np.full((count, level_db.shape[1]), np.nan)
    for k in range(count):
        rows = np.flatnonzero(labels == k)
        members[k] = len(rows)
        if len(rows) == 0:
            continue
        levels = np.where(heard[rows], level_db[rows], np.nan)
        middle, strength = _median_stroke(levels.reshape(len(rows), -1))
        below = (level_db[rows].reshape(len(rows), -1) - strength[:, None]).min(axis=0)
        power = np.where(np.isnan(middle), 0.0, 10 ** (np.nan_to_num(middle) / 10))
        power = _without_waver(power.reshape(level_db.shape[1:])).reshape(-1)
        energy[k] = (power / max(power.sum(), 1e-15)).reshape(level_db.shape[1:])
        limit[k] = (10 ** (below / 10) / max(power.sum(), 1e-15)).reshape(level_db.shape[1:])
        often = (~np.isnan(arrival_ms[rows])).sum(axis=0) >= max(2, len(rows) / 3)
        delay[k] = np.where(often, nan_median(arrival_ms[rows], axis=0), np.nan)
    return Templates(energy, limit, delay, np.arange(count, dtype=np.int64), members)


def _without_waver(power: Floats) -> Floats:
    """A stroke (mics, bands, stretches) without low sound that is the loudest in a mic and over in its first stretch.

    No drum does that: below 280 Hz 11 ms hold one to three periods. It is the waver of what rang before, as of a kick
    under a hat.
    """
    loudest = power[:, :LOW_BANDS, 0] > power[:, LOW_BANDS:].max(axis=(1, 2))[:, None]
    brief = loudest & ~(power[:, :LOW_BANDS, 1:] > 0).any(axis=2)
    out = power.copy()
    out[:, :LOW_BANDS, 0] = np.where(brief, 0.0, power[:, :LOW_BANDS, 0])
    return out


def _median_stroke(levels: Floats) -> tuple[Floats, Floats]:
    """Median level (values,) of hits (hits, values) of unlike strength, and their strengths (hits,) against it.

    NaN where fewer than a third of the hits are heard.
    """
    known = ~np.isnan(levels)
    reference = levels[known.sum(axis=1).argmax()]
    strength = np.zeros(len(levels))
    for _ in range(4):
        strength = np.nan_to_num(nan_median(levels - reference, axis=1))
        middle = nan_median(levels - strength[:, None], axis=0)
        reference = np.where(np.isnan(middle), reference, middle)
    enough = known.sum(axis=0) >= max(1, len(levels) / 3)
    return np.where(enough, reference, np.nan), strength


def into_drums(place_db: Floats, sound_db: Floats, delay_ms: Floats, *, owner: NDArray[np.int64],
               variant: NDArray[np.int64], mics: int, said: NDArray[np.int64] | None = None) -> NDArray[np.int64]:
    """Put kinds together into drums; returns a drum number (kinds,).

    ``place_db``, ``sound_db``: (kinds, kinds) between templates; ``delay_ms``: (kinds, kinds), mean difference of the
    arrivals, NaN where too few are known; ``owner``: the drum whose close mic owns the kind, -1 where none does;
    ``variant``: the kind that each is a variant of, -1 for none; ``mics``: how many near mics there are. Kinds with
    unlike owners are never one drum. ``said``: int64 (kinds,), the drum that each is known to be, -1 for not known:
    kinds that are said to be one drum are, and kinds of unlike ones are never joined.
    """
    count = len(place_db)
    said = np.full(count, -1, np.int64) if said is None else said
    if count < 2:
        return np.zeros(count, np.int64)
    distance, limit = _drum_distance(place_db, sound_db, mics)
    both = (owner[:, None] >= 0) & (owner[None, :] >= 0)
    distance = np.where(both & (owner[:, None] == owner[None, :]), SAME_OWNER * distance, distance)
    distance = np.where(both & (owner[:, None] != owner[None, :]), NEVER_DB, distance)
    for k in np.flatnonzero(variant >= 0):  # as near to everything as the kind that it is a variant of
        other = int(variant[k])
        distance[k], distance[:, k] = distance[other], distance[:, other]
        distance[k, other] = distance[other, k] = 0.0
    known = (said[:, None] >= 0) & (said[None, :] >= 0)
    agree = said[:, None] == said[None, :]
    distance = np.where(known, np.where(agree, 0.0, NEVER_DB), distance)
    np.fill_diagonal(distance, 0.0)
    drum = fcluster(linkage(squareform(distance, checks=False), "average"), limit, "distance")
    drum = _as_said(drum.astype(np.int64), distance, said)
    unlike = (both & (owner[:, None] != owner[None, :])) | (known & ~agree)
    for a, b in np.argwhere((np.nan_to_num(delay_ms, nan=np.inf) <= SAME_DELAY_MS) & ~unlike):
        one, other = said[drum == drum[a]], said[drum == drum[b]]
        if not ((one[:, None] != other) & (one[:, None] >= 0) & (other >= 0)).any():
            drum[drum == drum[b]] = drum[a]
    return _renumber(drum)


def _as_said(drum: NDArray[np.int64], distance: Floats, said: NDArray[np.int64]) -> NDArray[np.int64]:
    """The same drums (kinds,), made to agree with what is known: one of two that were joined splits, its other kinds
    going to the nearer of them, and the parts of one become one.
    """
    out = drum.copy()
    for number in np.unique(drum):
        rows = np.flatnonzero(drum == number)
        heads = rows[said[rows] >= 0]
        if len(np.unique(said[heads])) > 1:
            nearest = heads[distance[np.ix_(rows, heads)].argmin(axis=1)]
            out[rows] = -2 - said[np.where(said[rows] >= 0, rows, nearest)]
    for who in np.unique(said[said >= 0]):
        parts = np.unique(out[said == who])
        out[np.isin(out, parts)] = parts[0]
    return out


def _drum_distance(place_db: Floats, sound_db: Floats, mics: int) -> tuple[Floats, float]:
    """How far kinds are from being one drum, and up to which distance they are one."""
    if mics >= PLACE_MICS:  # place decides, sound hardly speaks
        return np.hypot(place_db, 0.1 * sound_db), 2.0
    return np.hypot(place_db, SOUND_SHARE * sound_db), 2.1


def apart(place_db: Floats, sound_db: Floats, mics: int) -> NDArray[np.bool_]:
    """Which kinds (kinds, kinds) are surely strokes of different drums."""
    distance, limit = _drum_distance(place_db, sound_db, mics)
    return distance > limit


def delays_apart_ms(delay_ms: Floats) -> Floats:
    """Mean difference of the arrivals of every two kinds over the mics that know both, (kinds, kinds); NaN below
    ``DELAY_MICS`` of them. ``delay_ms``: float64 (kinds, mics), NaN where not known.

    The common part is taken out by the median, since the earliest mic may not be the same.
    """
    count = len(delay_ms)
    out = np.full((count, count), np.nan)
    for k in range(count):
        away = delay_ms - delay_ms[k]
        enough = (~np.isnan(away)).sum(axis=1) >= DELAY_MICS
        away = np.abs(away - nan_median(away, axis=1)[:, None])
        total = np.nansum(np.minimum(away, 3.0), axis=1)
        out[k] = np.where(enough, total / np.maximum((~np.isnan(away)).sum(axis=1), 1), np.nan)
    return out


LOW_BANDS = 2
"""Bands of the scan below 280 Hz."""

SAME_DELAY_MS = 0.15
"""Kinds whose sound takes the same ways to the mics, within 5 cm, are struck on the same drum."""

DELAY_MICS = 5

PLACE_MICS = 4
"""From this many near mics on, place tells drums apart alone."""


def owners(standing_db: Floats, close: NDArray[np.int64]) -> NDArray[np.int64]:
    """Which drum's close mic owns each kind (kinds,), -1 where none does.

    ``standing_db``: float64 (kinds, mics), as from ``features.standing_db``; ``close``: int64 (mics,), number of the
    drum a close mic stands at, -1 for other mics. The kind that stands highest in a mic is a stroke of its drum, and
    so is every kind within ``OWNED_DB`` of the highest in all of its mics which stands higher there than in any other
    drum's mic by the same measure. (A side stick stands higher in the top mic than the centre, which leads in the
    bottom one.)
    """
    nearest, below = nearest_mic(standing_db, close)
    return np.where(below >= -OWNED_DB, nearest, -1)


def nearest_mic(standing_db: Floats, close: NDArray[np.int64]) -> tuple[NDArray[np.int64], Floats]:
    """The drum in whose mics each kind stands nearest to the highest there, -1 without close mics, and how far below it
    that is, dB, 0 where it leads in one of them (kinds,). ``standing_db`` and ``close`` as for ``owners``.
    """
    drums = sorted({int(c) for c in close if c >= 0})
    if not drums or not len(standing_db):
        return np.full(len(standing_db), -1, np.int64), np.full(len(standing_db), -np.inf)
    standing = np.stack([standing_db[:, close == d].max(axis=1) for d in drums], axis=1)
    below = standing - standing.max(axis=0, keepdims=True)
    for column, d in enumerate(drums):
        below[standing_db[:, close == d].argmax(axis=0), column] = 0.0
    best = below.argmax(axis=1)
    return np.array(drums)[best], below[np.arange(len(below)), best]


OWNED_DB = 4.0
"""How far a kind may stand below its drum's strongest in the drum's own mic: rim, edge and centre differ by less."""

SAME_OWNER = 0.6
"""Kinds that one drum's close mic owns are taken as so much nearer: rim and centre reach it from different sides."""
