"""Group: kinds of strokes found among the hits that stand alone, and the drums that they are strokes of.

First the clean hits are gathered into kinds by both distances of ``features.py`` (average linkage): a kind is one
drum struck in one way. Then kinds are put together into drums by place alone, since strokes of one drum share its
place whatever they sound like; kinds owned by the same drum's close mic belong together as well. With few mics place
says less, and only kinds that also sound alike are put together.

Nothing here is told how many drums there are.

Choked: hats told by how their ring ends.

Energies add: a cymbal that rings goes on under whatever is struck next. Only closing it, or a hand, ends it, and a
player closes a hat with the very stroke that follows. So a cymbal whose long ring stops time and again at the next
stroke, far faster than it was fading, is an open hat, and one instrument with the short hat beside it. A crash is not
told from an open hat by its first 200 ms, nor, through one or two mics, by its place; by this it is. Which stroke ends
the ring need not be known: where a kick falls with a closed hat, the hat is often not heard as one.

Sticks: a snare whose side sticks and centre strokes were taken for two drums.

A stick laid across the rim sounds like wood and hardly wakes the head, so its mic hears it higher above all other mics
than the centre strokes, and the two look like two drums. But a kit has one snare (common practice, no source): where
what stands highest in the snare's mic does not sound like a snare, and what comes next there does, they are one.
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


CYMBAL_BAND = 5
"""From this band on (1.8 kHz) a cymbal's ring is followed."""

CYMBAL_HIGH, CYMBAL_LOW = 0.4, 0.2
"""A cymbal has this share of its first 22 ms above 3.2 kHz at least, and this share below 280 Hz at most."""

RINGING_RATIO = 10.0
"""A ring is followed where it stands this many times (10 dB) above the noise."""

STILL_DB = 20.0
"""And no further than this below the stroke's own attack: what is softer may be anything's."""

FADE_DB = 0.3
"""A ring is taken to fade by no more than this in a step, 60 dB in half a second: faster is an end."""

ENDED_DB = 6.0
"""Ended is a ring that lies this far (a factor of four) below where it was going, 45 to 200 ms after a stroke."""

FEWEST_LEVELS = 4
FEWEST_ENDS, ENDS_SHARE = 2, 0.5
"""So many rings must end so, and this share of those that could be followed to a stroke: a hand may stop a crash."""

LONGEST_S = 1.0
"""Rings are followed for so long."""

SHORT_DB = 0.29
"""A short hat loses this much in a step of the scan, 10.5 dB in a tenth of a second, from its attack to the last that
is known of it; open hats, rides and crashes lose less.
"""

LONG_SHARE = 0.5
"""A hat that rings on loses less than this part of what a short one does."""

FEWEST_STRUCK = 4
"""So many hits of a hat are needed to tell an opening of it, as for any articulation."""

_LATE = (3, 4)
_MIDDLE = np.array([(a + b) / 2 + 4 for a, b in STRETCH_STEPS])


@dataclass(frozen=True, slots=True, eq=False)
class Struck:
    """The strokes of one take in order of time: ``at_s``, float64 (hits,); ``features`` of the hits in all mics;
    ``kind``: int64 (hits,), that of each hit's main stroke.
    """

    at_s: Floats
    features: HitFeatures
    kind: Frames


def drops_db(features: HitFeatures, hit: int, own: Floats) -> float | None:
    """How far what rang before a hit lies below where it was going once the hit is over, dB; None where nothing rings.

    ``own``: mean squares (mics, bands), the attack of the stroke that is followed.
    """
    high = slice(CYMBAL_BAND, None)
    noise, before = features.noise[hit][:, high], features.before[hit][:, high]
    ring = (before > RINGING_RATIO * noise) & (before > own[:, high] * 10 ** (-STILL_DB / 10))
    fade = np.minimum(features.fade_db[hit][:, high], FADE_DB)
    found = []
    for stretch in _LATE:
        cells = ring & features.valid[hit][:, stretch][:, None]
        if cells.sum() < FEWEST_LEVELS:
            continue
        due = (before - noise) * 10 ** (-fade * _MIDDLE[stretch] / 10) + noise
        heard = np.maximum(features.energy[hit][:, high, stretch], 1e-15)
        found.append(float(np.median(10 * np.log10(due[cells] / heard[cells]))))
    return max(found, default=None)


def cymbals(templates: Templates) -> NDArray[np.bool_]:
    """Which kinds (kinds,) sound like cymbals."""
    early = templates.energy[..., :2].sum(axis=(1, 3))
    total = np.maximum(early.sum(axis=1), 1e-15)
    out: NDArray[np.bool_] = (early[:, 6:].sum(axis=1) > CYMBAL_HIGH * total) & (
        early[:, :2].sum(axis=1) < CYMBAL_LOW * total)
    return out


def _lost_db(templates: Templates) -> Floats:
    """How much each kind (kinds,) loses in a step, dB; 0 where no more than its attack is known."""
    level = templates.energy.sum(axis=(1, 2))
    known = level > 0
    last = np.where(known.any(axis=1), level.shape[1] - 1 - known[:, ::-1].argmax(axis=1), 0)
    end = np.maximum(level[np.arange(len(level)), last], 1e-15)
    lost = 10 * np.log10(np.maximum(level[:, 0], 1e-15) / end)
    return np.where(known[:, 0] & (last > 0), lost / np.maximum(_MIDDLE[last] - _MIDDLE[0], 1.0), 0.0)


def ends(takes: Sequence[Struck], templates: Templates) -> tuple[Frames, Frames]:
    """How many strokes of each kind (kinds,) could be followed to another stroke, and how many of them ended there."""
    followed, ended = np.zeros((2, len(templates.drum)), np.int64)
    metal = cymbals(templates)
    for take in takes:
        for i in np.flatnonzero(metal[take.kind]):
            drops = []
            for j in range(i + 1, len(take.kind)):
                if take.at_s[j] - take.at_s[i] > LONGEST_S:
                    break
                drop = drops_db(take.features, j, take.features.energy[i][..., 0])
                if drop is None:
                    break
                drops.append(drop)
                if drop >= ENDED_DB or metal[take.kind[j]]:  # over, or another cymbal's from here on
                    break
            followed[take.kind[i]] += bool(drops)
            ended[take.kind[i]] += max(drops, default=0.0) >= ENDED_DB
    return followed, ended


def open_hats(takes: Sequence[Struck], templates: Templates) -> NDArray[np.bool_]:
    """Which kinds (kinds,) are strokes whose ring ends with the strokes that follow."""
    followed, ended = ends(takes, templates)
    return (ended >= FEWEST_ENDS) & (ended >= ENDS_SHARE * followed)


def join_hat_openings(takes: Sequence[Struck], templates: Templates, named: Sequence[int] = ()) -> Frames:
    """The drum of each kind (kinds,), open hats put to the short one.

    ``named``: numbers of drums that a person named, which stay as they are. Where several cymbals are short, the one
    struck most is the hat; where none is, nothing is joined.
    """
    drum = templates.drum.copy()
    short = cymbals(templates) & (_lost_db(templates) >= SHORT_DB)
    able = np.unique(drum[short])
    if not len(able):
        return drum
    hat = max(able.tolist(), key=lambda n: (int(templates.members[short & (templates.drum == n)].sum()), -n))
    for number in np.unique(templates.drum[open_hats(takes, templates)]).tolist():
        if number not in named and number not in able:
            drum[templates.drum == number] = hat
    return drum


def openings(templates: Templates, kind: Frames) -> Frames:
    """How the hits (hits,) of one hat were struck as far as their kinds tell it: 0 for what is short, 1 for what rings
    on; all 0 where there are not ``FEWEST_STRUCK`` of each.

    For hats of which single hits do not tell it: where short ones are buried soon, most of what says that they are over
    is not known. ``kind``: int64 (hits,), each hit's kind, all of the one drum.
    """
    lost = _lost_db(templates)
    late = templates.energy[..., list(_LATE)].sum(axis=(1, 2, 3))
    long: NDArray[np.bool_] = (late > 0) & (lost < LONG_SHARE * SHORT_DB)
    if min(long[kind].sum(), (lost >= SHORT_DB)[kind].sum()) < FEWEST_STRUCK:
        return np.zeros(len(kind), np.int64)
    return long[kind].astype(np.int64)


NEXT_DB = 8.0
"""How far the centre may stand below the side stick in the snare's mic: it came to 5 dB below, an open hat to 11."""


def join_side_sticks(kinds: Templates, drum: Frames, owner: Frames, said: Frames, standing_db: Floats,
           close: Frames, snares: Sequence[int]) -> Frames:
    """The drums of the kinds (kinds,), the two parts of a snare made one.

    ``drum``: int64 (kinds,), as found; ``owner``: int64 (kinds,), the drum whose close mic owns each, -1 for none;
    ``said``: int64 (kinds,), -1 for those of which no label says what they are: what is labelled is joined to nothing;
    ``standing_db`` and ``close`` as for ``group.owners``; ``snares``: the numbers of snares in ``close``.
    """
    out = drum.copy()
    nearest, below = nearest_mic(standing_db, close)
    for number in snares:
        mine = np.unique(out[owner == number])
        if not len(mine) or any(_sounds_so(kinds, out == d) for d in mine):
            continue
        next_here = (nearest == number) & (below >= -NEXT_DB)
        able = [d for d in np.unique(out[next_here])
                if (owner[out == d] < 0).all() and (said[out == d] < 0).all() and _sounds_so(kinds, out == d)]
        if able:
            most = max(able, key=lambda d: int(kinds.members[out == d].sum()))
            out[np.isin(out, [*mine, most])] = mine[0]
    return out


def _sounds_so(kinds: Templates, of: NDArray[np.bool_]) -> bool:
    """Whether a drum's most frequent kind sounds like a snare."""
    rows = np.flatnonzero(of)
    return kind_by_sound(kinds.energy[rows[kinds.members[rows].argmax()]].sum(axis=0)) == "snare"
