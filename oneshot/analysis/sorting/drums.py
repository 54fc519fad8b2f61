"""Drums: templates clustered from single hits, and clustered once more into the drums that they are strokes of.

Hits that stand alone are clustered into templates by both distances of ``features.py`` (hierarchical clustering,
average linkage): a template is one drum struck in one way. Templates are then clustered into drums by place alone,
since the strokes of one drum share its place whatever they sound like, together with close-mic assignment (templates
assigned to the same drum's close mic belong together, to different ones never), labels, and arrivals. With few mics
place says less, and only templates that also sound alike are joined. The number of drums is not given anywhere.

Two corrections follow, each for instruments that place splits:

- Open hats (``join_hat_openings``). Energies add: a cymbal that rings goes on under whatever is struck next. Only
  closing it, or a hand, ends it, and a player closes a hat with the very stroke that follows. So a cymbal whose long
  decay breaks off time and again at the next stroke, far faster than it was decaying, is an open hat, and one
  instrument with the closed hat beside it. A crash and an open hat do not differ in their first 200 ms nor, through one
  or two mics, in place; in this they do. Which stroke ends the decay need not be known: where a kick falls with a
  closed hat, the hat is often not detected.
- Side sticks (``join_side_sticks``). A stick laid across the rim sounds like wood and hardly excites the head, so the
  snare's mic picks it up higher above all other mics than centre strokes, and the two look like two drums. But a kit
  has one snare (common practice, no source): where what stands highest in the snare's mic does not sound like a snare,
  and what comes next there does, they are one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.spatial.distance import squareform

from oneshot.analysis.records import STRETCH_STEPS, HitFeatures, Templates
from oneshot.analysis.sorting.naming import kind_by_sound
from oneshot.core.arrays import nan_median
from oneshot.core.records.session import Floats, Frames

CLEAN_S = 0.090
"""A hit is clean for learning where nothing comparable is struck this long before and after it."""

HEARD_SHARE = 0.3
"""A hit is learned from where it stands out in this share of near mics and bands; a tom fills three bands of ten."""

LEARN_FROM = 600
"""Hits learned from at most; the distances grow with the square of it (600 hits of 12 mics: about 3 s)."""

KIND_DB = 2.2
"""Distance up to which hits are of one template: a player's strokes on one spot differ by 1 to 2 dB in these
measures.
"""

NEVER_DB = 50.0
"""Distance of what is known to be different: far beyond any limit, also as a few of many in a mean."""

SOUND_SHARE = 0.5
"""Weight of a decibel of sound against one of place: the spectra of one stroke vary twice as much as its place."""


def clean_rows(first: Frames, rise_db: Floats, rate: int, clear_share: Floats) -> Frames:
    """Rows of the hits of one take that are fit to learn from, int64.

    ``first``: int64 (hits,), earliest arrivals in frames, rising; ``rise_db``: float64 (hits,), onset strength;
    ``clear_share``: float64 (hits,), share of near mics and bands in which the hit stands out, 0 to 1.
    """
    span = round(CLEAN_S * rate)
    keep = np.zeros(len(first), bool)
    begin, end = np.searchsorted(first, first - span, side="right"), np.searchsorted(first, first + span, side="left")
    for i in range(len(first)):
        # earlier hits still decay into this one: they must be softer than what comes after
        masked = (rise_db[begin[i] : i] >= rise_db[i] / 6).any() or (rise_db[i + 1 : end[i]] >= rise_db[i] / 3).any()
        keep[i] = clear_share[i] >= HEARD_SHARE and not masked
    return np.flatnonzero(keep)


def thin(rows: Frames, most: int = LEARN_FROM) -> Frames:
    """At most ``most`` of the rows, evenly spaced."""
    if len(rows) <= most:
        return rows
    return rows[np.linspace(0, len(rows) - 1, most).round().astype(np.int64)]


def select(templates: Templates, keep: NDArray[np.bool_]) -> Templates:
    """Some of the templates, their drums numbered as before; ``keep``: bool (templates,)."""
    return Templates(templates.energy[keep], templates.limit[keep], templates.delay_ms[keep], templates.drum[keep],
                     templates.members[keep])


def kinds(place_db: Floats, sound_db: Floats, unlike: NDArray[np.bool_] | None = None) -> NDArray[np.int64]:
    """Cluster hits into templates; returns a label, int64 (hits,), from 0 on, numbered by first appearance.

    ``unlike``: bool (hits, hits), which are known to be of different templates.
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
    """The same clusters, numbered in order of first appearance."""
    _, first, inverse = np.unique(labels, return_index=True, return_inverse=True)
    rank = np.empty(len(first), np.int64)
    rank[np.argsort(first, kind="stable")] = np.arange(len(first))
    return rank[inverse]


def templates_of(level_db: Floats, clear: NDArray[np.bool_], arrival_ms: Floats,
                 labels: NDArray[np.int64]) -> Templates:
    """The median stroke of each template.

    ``level_db``, ``clear``: (hits, mics, bands, stretches) as from ``features.clear_levels_db``; ``arrival_ms``:
    float64 (hits, mics), after the earliest mic, NaN where the hit does not stand clear; ``labels``: int64 (hits,), -1
    for hits of no template. Hits are aligned in level first, by the median difference to the one in which most is
    measured. A template is scaled so that its energies sum to 1.
    """
    count = int(labels.max(initial=-1)) + 1
    energy, limit = np.zeros((count, *level_db.shape[1:])), np.zeros((count, *level_db.shape[1:]))
    members, delay = np.zeros(count, np.int64), np.full((count, level_db.shape[1]), np.nan)
    for k in range(count):
        rows = np.flatnonzero(labels == k)
        members[k] = len(rows)
        if len(rows) == 0:
            continue
        levels = np.where(clear[rows], level_db[rows], np.nan)
        median, offset = _median_stroke(levels.reshape(len(rows), -1))
        below = (level_db[rows].reshape(len(rows), -1) - offset[:, None]).min(axis=0)
        power = np.where(np.isnan(median), 0.0, 10 ** (np.nan_to_num(median) / 10))
        power = _without_residue(power.reshape(level_db.shape[1:])).reshape(-1)
        energy[k] = (power / max(power.sum(), 1e-15)).reshape(level_db.shape[1:])
        limit[k] = (10 ** (below / 10) / max(power.sum(), 1e-15)).reshape(level_db.shape[1:])
        often = (~np.isnan(arrival_ms[rows])).sum(axis=0) >= max(2, len(rows) / 3)
        delay[k] = np.where(often, nan_median(arrival_ms[rows], axis=0), np.nan)
    return Templates(energy, limit, delay, np.arange(count, dtype=np.int64), members)


def _without_residue(power: Floats) -> Floats:
    """A stroke (mics, bands, stretches) without low-frequency energy that dominates a mic and is over in its first
    stretch.

    No drum does that: below 280 Hz 11 ms hold one to three periods. It is a fluctuation of the decay before, as of a
    kick under a hat.
    """
    loudest = power[:, :LOW_BANDS, 0] > power[:, LOW_BANDS:].max(axis=(1, 2))[:, None]
    brief = loudest & ~(power[:, :LOW_BANDS, 1:] > 0).any(axis=2)
    out = power.copy()
    out[:, :LOW_BANDS, 0] = np.where(brief, 0.0, power[:, :LOW_BANDS, 0])
    return out


def _median_stroke(levels: Floats) -> tuple[Floats, Floats]:
    """Median levels (values,) of hits (hits, values) that differ in level, and their level offsets (hits,) against it,
    dB.

    NaN where fewer than a third of the hits are measured.
    """
    known = ~np.isnan(levels)
    reference = levels[known.sum(axis=1).argmax()]
    offset = np.zeros(len(levels))
    for _ in range(4):
        offset = np.nan_to_num(nan_median(levels - reference, axis=1))
        median = nan_median(levels - offset[:, None], axis=0)
        reference = np.where(np.isnan(median), reference, median)
    enough = known.sum(axis=0) >= max(1, len(levels) / 3)
    return np.where(enough, reference, np.nan), offset


# --------------------------------------------------------------------------------------- templates clustered into drums


def into_drums(place_db: Floats, sound_db: Floats, delay_ms: Floats, *, owner: NDArray[np.int64],
               variant: NDArray[np.int64], mics: int, said: NDArray[np.int64] | None = None) -> NDArray[np.int64]:
    """Cluster templates into drums; returns a drum number, int64 (templates,).

    ``place_db``, ``sound_db``: float64 (templates, templates), as from ``features.between_db``; ``delay_ms``: float64
    (templates, templates), mean difference of the arrivals, NaN where too few are known; ``owner``: int64 (templates,),
    close-mic assignment: the drum whose close mic claims the template, -1 for none; ``variant``: int64 (templates,),
    the template that each is a variant of, -1 for none; ``mics``: number of near mics; ``said``: int64 (templates,),
    the drum that each is labelled as, -1 for none.

    Templates assigned to different close mics are never one drum; templates with one label are one drum, with different
    labels never.
    """
    count = len(place_db)
    said = np.full(count, -1, np.int64) if said is None else said
    if count < 2:
        return np.zeros(count, np.int64)
    distance, limit = _drum_distance(place_db, sound_db, mics)
    both = (owner[:, None] >= 0) & (owner[None, :] >= 0)
    distance = np.where(both & (owner[:, None] == owner[None, :]), SAME_OWNER * distance, distance)
    distance = np.where(both & (owner[:, None] != owner[None, :]), NEVER_DB, distance)
    for k in np.flatnonzero(variant >= 0):  # as near to everything as the template that it is a variant of
        other = int(variant[k])
        distance[k], distance[:, k] = distance[other], distance[:, other]
        distance[k, other] = distance[other, k] = 0.0
    known = (said[:, None] >= 0) & (said[None, :] >= 0)
    agree = said[:, None] == said[None, :]
    distance = np.where(known, np.where(agree, 0.0, NEVER_DB), distance)
    np.fill_diagonal(distance, 0.0)
    drum = fcluster(linkage(squareform(distance, checks=False), "average"), limit, "distance")
    drum = _as_labelled(drum.astype(np.int64), distance, said)
    unlike = (both & (owner[:, None] != owner[None, :])) | (known & ~agree)
    for a, b in np.argwhere((np.nan_to_num(delay_ms, nan=np.inf) <= SAME_DELAY_MS) & ~unlike):
        one, other = said[drum == drum[a]], said[drum == drum[b]]
        if not ((one[:, None] != other) & (one[:, None] >= 0) & (other >= 0)).any():
            drum[drum == drum[b]] = drum[a]
    return _renumber(drum)


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


def _drum_distance(place_db: Floats, sound_db: Floats, mics: int) -> tuple[Floats, float]:
    """Distances between templates as strokes of one drum, and the limit up to which they are one."""
    if mics >= PLACE_MICS:  # place decides, sound hardly counts
        return np.hypot(place_db, 0.1 * sound_db), 2.0
    return np.hypot(place_db, SOUND_SHARE * sound_db), 2.1


def apart(place_db: Floats, sound_db: Floats, mics: int) -> NDArray[np.bool_]:
    """Which templates are surely strokes of different drums, bool (templates, templates)."""
    distance, limit = _drum_distance(place_db, sound_db, mics)
    return distance > limit


def delays_apart_ms(delay_ms: Floats) -> Floats:
    """Mean absolute difference of the arrivals of every two templates over the mics that know both, (templates,
    templates); NaN below ``DELAY_MICS`` of them.

    ``delay_ms``: float64 (templates, mics), NaN where not known. The common part is subtracted by the median, since the
    earliest mic may not be the same.
    """
    count = len(delay_ms)
    out = np.full((count, count), np.nan)
    for k in range(count):
        difference = delay_ms - delay_ms[k]
        enough = (~np.isnan(difference)).sum(axis=1) >= DELAY_MICS
        difference = np.abs(difference - nan_median(difference, axis=1)[:, None])
        total = np.nansum(np.minimum(difference, 3.0), axis=1)
        out[k] = np.where(enough, total / np.maximum((~np.isnan(difference)).sum(axis=1), 1), np.nan)
    return out


LOW_BANDS = 2
"""Bands of the scan below 280 Hz."""

SAME_DELAY_MS = 0.15
"""Templates whose sound takes the same paths to the mics, within 5 cm, are struck on the same drum."""

DELAY_MICS = 5

PLACE_MICS = 4
"""From this many near mics on, place alone tells drums apart."""


def close_mic_assignment(standing_db: Floats, close: NDArray[np.int64]) -> NDArray[np.int64]:
    """Close-mic assignment: the drum whose close mic claims each template, int64 (templates,), -1 for none.

    ``standing_db``: float64 (templates, mics), as from ``features.relative_level_db``; ``close``: int64 (mics,), number
    of the drum that a close mic stands at, -1 for other mics. The template that stands highest in a mic is a stroke of
    its drum, and so is every template within ``OWNED_DB`` of the highest in all of the drum's mics that stands higher
    there than in any other drum's mic by the same measure. (A side stick stands higher in the top mic than the centre,
    which leads in the bottom one.)
    """
    nearest, below = nearest_mic(standing_db, close)
    return np.where(below >= -OWNED_DB, nearest, -1)


def nearest_mic(standing_db: Floats, close: NDArray[np.int64]) -> tuple[NDArray[np.int64], Floats]:
    """The drum in whose close mics each template stands nearest to the highest there, int64 (templates,), -1 without
    close mics, and how far below it that is, dB (templates,), 0 where it leads in one of them. ``standing_db`` and
    ``close`` as for ``close_mic_assignment``.
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
"""How far a template may stand below its drum's highest in the drum's own mic: rim, edge and centre differ by less."""

SAME_OWNER = 0.6
"""Distances between templates of one close-mic assignment are scaled by this: rim and centre reach the mic from
different sides.
"""


# ------------------------------------------------------------------------------------------- open hats, by how they end

CYMBAL_BAND = 5
"""From this band on (1.8 kHz) a cymbal's decay is followed."""

CYMBAL_HIGH, CYMBAL_LOW = 0.4, 0.2
"""A cymbal has the first share of its first 22 ms above 3.2 kHz at least, and the second below 280 Hz at most."""

RINGING_RATIO = 10.0
"""A decay is followed where it stands this many times (10 dB) above the noise."""

MAX_BELOW_ATTACK_DB = 20.0
"""And no further than this below the stroke's own attack: what is softer may be anything's."""

MAX_DECAY_DB = 0.3
"""A tail is taken to decay by no more than this per step, 60 dB in half a second: faster is an end."""

ENDED_DB = 6.0
"""A tail has ended where it lies this far (a factor of four) below the extrapolated decay, 45 to 200 ms after a
stroke.
"""

FEWEST_LEVELS = 4
FEWEST_ENDS, ENDS_SHARE = 2, 0.5
"""So many tails must end so, and this share of those that could be followed to a stroke: a hand may stop a crash."""

LONGEST_S = 1.0
"""Decays are followed for so long."""

SHORT_DECAY_DB = 0.29
"""A closed hat decays by this much per step of the scan, 10.5 dB in a tenth of a second, from its attack to the last
level known; open hats, rides and crashes by less.
"""

LONG_SHARE = 0.5
"""A hat that rings on decays by less than this part of what a closed one does."""

FEWEST_STRUCK = 4
"""Hits of a hat that an articulation needs, as any does."""

_LATE_STRETCHES = (3, 4)
_CENTRE_STEPS = np.array([(a + b) / 2 + 4 for a, b in STRETCH_STEPS])


@dataclass(frozen=True, slots=True, eq=False)
class Struck:
    """The hits of one take in order of time: ``at_s``, float64 (hits,), seconds; ``features`` of the hits in all mics;
    ``kind``: int64 (hits,), template of each hit's main stroke.
    """

    at_s: Floats
    features: HitFeatures
    kind: Frames


def decay_break_db(features: HitFeatures, hit: int, own: Floats) -> float | None:
    """How far the tail that rings before a hit lies below its extrapolated decay once the hit is over, dB; None where
    nothing rings.

    ``own``: mean squares (mics, bands), the attack of the stroke whose tail is followed.
    """
    high = slice(CYMBAL_BAND, None)
    noise, before = features.noise[hit][:, high], features.before[hit][:, high]
    decaying = (before > RINGING_RATIO * noise) & (before > own[:, high] * 10 ** (-MAX_BELOW_ATTACK_DB / 10))
    decay_db = np.minimum(features.fade_db[hit][:, high], MAX_DECAY_DB)
    found = []
    for stretch in _LATE_STRETCHES:
        cells = decaying & features.valid[hit][:, stretch][:, None]
        if cells.sum() < FEWEST_LEVELS:
            continue
        expected = (before - noise) * 10 ** (-decay_db * _CENTRE_STEPS[stretch] / 10) + noise
        clear = np.maximum(features.energy[hit][:, high, stretch], 1e-15)
        found.append(float(np.median(10 * np.log10(expected[cells] / clear[cells]))))
    return max(found, default=None)


def cymbals(templates: Templates) -> NDArray[np.bool_]:
    """Which templates sound like cymbals, bool (templates,)."""
    early = templates.energy[..., :2].sum(axis=(1, 3))
    total = np.maximum(early.sum(axis=1), 1e-15)
    out: NDArray[np.bool_] = (early[:, 6:].sum(axis=1) > CYMBAL_HIGH * total) & (
        early[:, :2].sum(axis=1) < CYMBAL_LOW * total)
    return out


def _decay_rate_db(templates: Templates) -> Floats:
    """Decay rate of each template (templates,), dB per step; 0 where no more than its attack is known."""
    level = templates.energy.sum(axis=(1, 2))
    known = level > 0
    last = np.where(known.any(axis=1), level.shape[1] - 1 - known[:, ::-1].argmax(axis=1), 0)
    end = np.maximum(level[np.arange(len(level)), last], 1e-15)
    decay_rate = 10 * np.log10(np.maximum(level[:, 0], 1e-15) / end)
    return np.where(known[:, 0] & (last > 0), decay_rate / np.maximum(_CENTRE_STEPS[last] - _CENTRE_STEPS[0], 1.0), 0.0)


def ends(takes: Sequence[Struck], templates: Templates) -> tuple[Frames, Frames]:
    """How many strokes of each template (templates,) could be followed to another stroke, and how many of their tails
    ended there.
    """
    followed, ended = np.zeros((2, len(templates.drum)), np.int64)
    is_cymbal = cymbals(templates)
    for take in takes:
        for i in np.flatnonzero(is_cymbal[take.kind]):
            breaks_db = []
            for j in range(i + 1, len(take.kind)):
                if take.at_s[j] - take.at_s[i] > LONGEST_S:
                    break
                break_db = decay_break_db(take.features, j, take.features.energy[i][..., 0])
                if break_db is None:
                    break
                breaks_db.append(break_db)
                if break_db >= ENDED_DB or is_cymbal[take.kind[j]]:  # over, or another cymbal's from here on
                    break
            followed[take.kind[i]] += bool(breaks_db)
            ended[take.kind[i]] += max(breaks_db, default=0.0) >= ENDED_DB
    return followed, ended


def open_hats(takes: Sequence[Struck], templates: Templates) -> NDArray[np.bool_]:
    """Which templates are strokes whose tails end with the strokes that follow, bool (templates,)."""
    followed, ended = ends(takes, templates)
    return (ended >= FEWEST_ENDS) & (ended >= ENDS_SHARE * followed)


def join_hat_openings(takes: Sequence[Struck], templates: Templates, named: Sequence[int] = ()) -> Frames:
    """The drum of each template, int64 (templates,), open hats joined to the closed one.

    ``named``: numbers of drums that the user named, which stay as they are. Where several cymbals are short, the one
    struck most is the hat; where none is, nothing is joined.
    """
    drum = templates.drum.copy()
    short = cymbals(templates) & (_decay_rate_db(templates) >= SHORT_DECAY_DB)
    candidates = np.unique(drum[short])
    if not len(candidates):
        return drum
    hat = max(candidates.tolist(), key=lambda n: (int(templates.members[short & (templates.drum == n)].sum()), -n))
    for number in np.unique(templates.drum[open_hats(takes, templates)]).tolist():
        if number not in named and number not in candidates:
            drum[templates.drum == number] = hat
    return drum


def openings(templates: Templates, template: Frames) -> Frames:
    """Articulation of the hits (hits,) of one hat as far as their templates tell it: 0 for short ones, 1 for those that
    ring on; all 0 where there are not ``FEWEST_STRUCK`` of each.

    For hats whose single hits do not tell it: where closed strokes are soon masked, most of what shows that they are
    over is not known. ``template``: int64 (hits,), each hit's template, all of one drum.
    """
    decay_rate = _decay_rate_db(templates)
    late = templates.energy[..., list(_LATE_STRETCHES)].sum(axis=(1, 2, 3))
    long: NDArray[np.bool_] = (late > 0) & (decay_rate < LONG_SHARE * SHORT_DECAY_DB)
    if min(long[template].sum(), (decay_rate >= SHORT_DECAY_DB)[template].sum()) < FEWEST_STRUCK:
        return np.zeros(len(template), np.int64)
    return long[template].astype(np.int64)


# ---------------------------------------------------------------------------------------------------------- side sticks

NEAREST_DB = 8.0
"""How far the centre may stand below the side stick in the snare's mic: 5 dB was measured, 11 for an open hat."""


def join_side_sticks(templates: Templates, drum: Frames, owner: Frames, said: Frames, standing_db: Floats,
                     close: Frames, snares: Sequence[int]) -> Frames:
    """The drums of the templates, int64 (templates,), the two parts of a snare made one.

    ``drum``: int64 (templates,), as clustered; ``owner``: int64 (templates,), close-mic assignment, -1 for none;
    ``said``: int64 (templates,), -1 where no label says what they are: what is labelled is joined to nothing;
    ``standing_db`` and ``close`` as for ``close_mic_assignment``; ``snares``: the numbers of snares in ``close``.
    """
    out = drum.copy()
    nearest, below = nearest_mic(standing_db, close)
    for number in snares:
        snare_drums = np.unique(out[owner == number])
        if not len(snare_drums) or any(_sounds_like_snare(templates, out == d) for d in snare_drums):
            continue
        nearest_here = (nearest == number) & (below >= -NEAREST_DB)
        candidates = [d for d in np.unique(out[nearest_here])
                      if (owner[out == d] < 0).all() and (said[out == d] < 0).all()
                and _sounds_like_snare(templates, out == d)]
        if candidates:
            most = max(candidates, key=lambda d: int(templates.members[out == d].sum()))
            out[np.isin(out, [*snare_drums, most])] = snare_drums[0]
    return out


def _sounds_like_snare(templates: Templates, of: NDArray[np.bool_]) -> bool:
    """Whether a drum's most frequent template sounds like a snare."""
    rows = np.flatnonzero(of)
    return kind_by_sound(templates.energy[rows[templates.members[rows].argmax()]].sum(axis=0)) == "snare"
