"""Templates: what one stroke of each drum and articulation sounds like in all mics, learned from hits that stand alone.

Hits that stand alone are clustered by both distances of ``features.py`` (hierarchical clustering, average linkage): a
cluster is one drum struck in one way, and its template the median of its hits, level by level. How many there are is
not given anywhere.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.records import STRETCH_STEPS, Templates
from oneshot.core.arrays import nan_median
from oneshot.core.lazy import later
from oneshot.core.records.session import Floats, Frames

hierarchy = later("scipy.cluster.hierarchy")
distances = later("scipy.spatial.distance")

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

LOW_BANDS = 2
"""Bands of the scan below 280 Hz."""

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
    return Templates(templates.energy[keep], templates.limit[keep], templates.onset_ms[keep],
                     templates.onset_error_ms[keep], templates.drum[keep], templates.members[keep])


def kinds(place_db: Floats, sound_db: Floats, unlike: NDArray[np.bool_] | None = None) -> NDArray[np.int64]:
    """Cluster hits into templates; returns a label, int64 (hits,), from 0 on, numbered by first appearance.

    ``unlike``: bool (hits, hits), which are known to be of different templates.
    """
    if len(place_db) < 2:
        return np.zeros(len(place_db), np.int64)
    distance = distance_db(place_db, sound_db)
    if unlike is not None:
        distance = np.where(unlike, NEVER_DB, distance)
    np.fill_diagonal(distance, 0.0)
    tree = hierarchy.linkage(distances.squareform(distance, checks=False), "average")
    return renumbered(hierarchy.fcluster(tree, KIND_DB, "distance"))


def distance_db(place_db: Floats, sound_db: Floats) -> Floats:
    """The distance by which hits are clustered, float64 (hits, hits), dB, of those in place and in sound."""
    out: Floats = np.hypot(place_db, SOUND_SHARE * sound_db)
    return out


def renumbered(labels: NDArray[np.int64]) -> NDArray[np.int64]:
    """The same clusters, numbered in order of first appearance."""
    _, first, inverse = np.unique(labels, return_index=True, return_inverse=True)
    rank = np.empty(len(first), np.int64)
    rank[np.argsort(first, kind="stable")] = np.arange(len(first))
    return rank[inverse]


def templates_of(level_db: Floats, clear: NDArray[np.bool_], labels: NDArray[np.int64],
                 there: NDArray[np.bool_] | None = None) -> Templates:
    """The median stroke of each template.

    ``level_db``, ``clear``: (hits, mics, bands, stretches) as from ``features.clear_levels_db``; ``labels``: int64
    (hits,), -1 for hits of no template; ``there``: bool (hits, mics), which mics the take of each hit has, all if not
    given: what a mic shows is told by the hits of takes that have it. Hits are aligned in level first, by the median
    difference to the one in which most is measured. A template is scaled so that its energies sum to 1. Nothing is
    known of its onsets yet.
    """
    count = int(labels.max(initial=-1)) + 1
    energy, limit = np.zeros((count, *level_db.shape[1:])), np.zeros((count, *level_db.shape[1:]))
    members, unknown = np.zeros(count, np.int64), np.full((count, level_db.shape[1]), np.nan)
    there = np.ones(level_db.shape[:2], bool) if there is None else there
    for k in range(count):
        rows = np.flatnonzero(labels == k)
        members[k] = len(rows)
        if len(rows) == 0:
            continue
        levels = np.where(clear[rows], level_db[rows], np.nan)
        bound = np.where(there[rows][:, :, None, None], level_db[rows], np.nan).reshape(len(rows), -1)
        median, offset = _median_stroke(levels.reshape(len(rows), -1), bound)
        below = np.nan_to_num(np.fmin.reduce(bound - offset[:, None], axis=0), nan=-np.inf)  # unheard: no limit known
        power = np.where(np.isnan(median), 0.0, 10 ** (np.nan_to_num(median) / 10))
        power = _without_residue(power.reshape(level_db.shape[1:])).reshape(-1)
        energy[k] = (power / max(power.sum(), 1e-15)).reshape(level_db.shape[1:])
        limit[k] = (10 ** (below / 10) / max(power.sum(), 1e-15)).reshape(level_db.shape[1:])
    return Templates(energy, limit, unknown, unknown.copy(), np.arange(count, dtype=np.int64), members)


LATE_STEPS = (3.0, 5.0)
"""How much later the second drum of a mixture may begin, in steps: 8 and 14 ms, as far as hits of one event lie apart.
"""


def overlap(lag: float) -> Floats:
    """Matrix (stretches, stretches): the share of each stretch, ``lag`` steps later, that falls into each stretch of a
    template; a template delayed by as much where ``lag`` is below zero.
    """
    out = np.zeros((len(STRETCH_STEPS), len(STRETCH_STEPS)))
    for to, (a, b) in enumerate(STRETCH_STEPS):
        for of, (c, d) in enumerate(STRETCH_STEPS):
            out[of, to] = max(0.0, min(b + lag, d) - max(a + lag, c)) / (b - a)
    return out


FEWEST_KNOWN, MASKED_DB, LOWER_SHARE = 4, 1.5, 0.1
"""A level of a template is also known where so many hits show it, a fifth at least, and of all hits no more than the
last share is so much lower.
"""


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


def _median_stroke(levels: Floats, bound: Floats) -> tuple[Floats, Floats]:
    """Median levels (values,) of hits (hits, values) that differ in level, and their level offsets (hits,) against it,
    dB.

    NaN where fewer than a third of the hits are measured, unless the others may be as loud there: they stay below
    ``bound`` (hits, values), dB, and where that is no less than the median, something masks them. Hits whose take lacks
    the mic, ``bound`` NaN, count neither way.
    """
    known = ~np.isnan(levels)
    reference = levels[known.sum(axis=1).argmax()]
    offset = np.zeros(len(levels))
    for _ in range(4):
        offset = np.nan_to_num(nan_median(levels - reference, axis=1))
        median = nan_median(levels - offset[:, None], axis=0)
        reference = np.where(np.isnan(median), reference, median)
    count, hits = known.sum(axis=0), (~np.isnan(bound)).sum(axis=0)
    lower = (~known & (bound - offset[:, None] < np.nan_to_num(reference) - MASKED_DB)).sum(axis=0)
    masked = (count >= np.maximum(FEWEST_KNOWN, hits / 5)) & (lower <= LOWER_SHARE * hits)
    enough = (count >= np.maximum(1, hits / 3)) | masked
    return np.where(enough, reference, np.nan), offset
