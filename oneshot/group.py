"""Group: kinds of strokes found among the hits that stand alone, and the drums that they are strokes of.

First the clean hits are gathered into kinds by both distances of ``features.py`` (average linkage): a kind is one drum
struck in one way. Then kinds are put together into drums by place alone, since strokes of one drum share its place whatever
they sound like; kinds owned by the same drum's close mic belong together as well. With few mics place says less, and only kinds
that also sound alike are put together.

Nothing here is told how many drums there are.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.spatial.distance import squareform

from oneshot.model import Floats, Frames, HitFeatures, Templates

CLEAN_S = 0.090
"""A hit is clean for learning where nothing comparable is struck this long before and after it."""

LEARN_FROM = 600
"""Hits learned from at most; distances grow with the square of it (600 hits of 12 mics: about 3 s)."""

KIND_DB = 2.2
"""Distance up to which hits are one kind: strokes of a real player on one spot differ by 1 to 2 dB in these measures."""

SOUND_SHARE = 0.5
"""What a decibel of sound counts beside one of place: spectra of one stroke vary twice as much as its place."""


def clean_rows(first: Frames, rise_db: Floats, rate: int, heard_share: Floats) -> Frames:
    """Rows of the hits of one take that are fit to learn from.

    ``heard_share``: float64 (hits,), share of near mics and bands in which the hit stands out.
    """
    span = round(CLEAN_S * rate)
    keep = np.zeros(len(first), bool)
    for i in range(len(first)):
        around = np.flatnonzero(np.abs(first - first[i]) < span)
        around = around[around != i]
        earlier, later = around[around < i], around[around > i]
        keep[i] = heard_share[i] >= 0.3 and not (rise_db[later] >= rise_db[i] / 3).any() \
            and not (rise_db[earlier] >= rise_db[i] / 6).any()
    return np.flatnonzero(keep)


def thin(rows: Frames) -> Frames:
    """At most ``LEARN_FROM`` of the rows, evenly spread over all of them."""
    if len(rows) <= LEARN_FROM:
        return rows
    return rows[np.linspace(0, len(rows) - 1, LEARN_FROM).round().astype(np.int64)]


def select(templates: Templates, keep: NDArray[np.bool_]) -> Templates:
    """Some of the kinds, their drums numbered as before."""
    return Templates(templates.energy[keep], templates.drum[keep], templates.members[keep])


def kinds(place_db: Floats, sound_db: Floats) -> NDArray[np.int64]:
    """Gather hits into kinds; returns a label (hits,) from 0 on, numbered by first appearance."""
    if len(place_db) < 2:
        return np.zeros(len(place_db), np.int64)
    distance = np.hypot(place_db, SOUND_SHARE * sound_db)
    np.fill_diagonal(distance, 0.0)
    tree = linkage(squareform(distance, checks=False), "average")
    return _renumber(fcluster(tree, KIND_DB, "distance"))


def _renumber(labels: NDArray[np.int64]) -> NDArray[np.int64]:
    """The same groups, numbered in the order in which they first appear."""
    _, first, inverse = np.unique(labels, return_index=True, return_inverse=True)
    rank = np.empty(len(first), np.int64)
    rank[np.argsort(first, kind="stable")] = np.arange(len(first))
    return rank[inverse]


def templates_of(level_db: Floats, heard: NDArray[np.bool_], labels: NDArray[np.int64]) -> Templates:
    """The median stroke of each kind.

    ``level_db``, ``heard``: (hits, mics, bands, stretches) as from ``features.clear_levels_db``; ``labels``: int64 (hits,),
    -1 for hits of no kind. Strengths are taken out first, by the median difference to the hit of the kind in which most is heard. A
    template is scaled so that its energies sum to 1.
    """
    count = int(labels.max(initial=-1)) + 1
    energy = np.zeros((count, *level_db.shape[1:]))
    members = np.zeros(count, np.int64)
    for k in range(count):
        rows = np.flatnonzero(labels == k)
        members[k] = len(rows)
        if len(rows) == 0:
            continue
        levels = np.where(heard[rows], level_db[rows], np.nan)
        middle = _median_stroke(levels.reshape(len(rows), -1)).reshape(level_db.shape[1:])
        power = np.where(np.isnan(middle), 0.0, 10 ** (np.nan_to_num(middle) / 10))
        energy[k] = power / max(power.sum(), 1e-15)
    return Templates(energy, np.arange(count, dtype=np.int64), members)


def _median_stroke(levels: Floats) -> Floats:
    """Median level (values,) of hits (hits, values) of unlike strength; NaN where fewer than a third hear anything."""
    known = ~np.isnan(levels)
    reference = levels[known.sum(axis=1).argmax()]
    for _ in range(4):
        away = np.ma.masked_invalid(levels - reference)
        strength = np.ma.median(away, axis=1).filled(0.0)
        middle = np.ma.median(np.ma.masked_invalid(levels - strength[:, None]), axis=0).filled(np.nan)
        reference = np.where(np.isnan(middle), reference, middle)
    enough = known.sum(axis=0) >= max(1, len(levels) / 3)
    return np.where(enough, reference, np.nan)


def into_drums(place_db: Floats, sound_db: Floats, owner: NDArray[np.int64], mics: int) -> NDArray[np.int64]:
    """Put kinds together into drums; returns a drum number (kinds,).

    ``place_db``, ``sound_db``: (kinds, kinds) between templates; ``owner``: the drum whose close mic owns the kind, -1 where
    none does; ``mics``: how many near mics there are. Kinds with unlike owners are never one drum.
    """
    count = len(place_db)
    if count < 2:
        return np.zeros(count, np.int64)
    if mics >= 4:  # place decides, sound hardly speaks
        distance = np.hypot(place_db, 0.1 * sound_db)
        limit = 2.0
    else:
        distance = np.hypot(place_db, SOUND_SHARE * sound_db)
        limit = 2.6
    both = (owner[:, None] >= 0) & (owner[None, :] >= 0)
    distance = np.where(both & (owner[:, None] == owner[None, :]), 0.0, distance)
    distance = np.where(both & (owner[:, None] != owner[None, :]), 50.0, distance)
    np.fill_diagonal(distance, 0.0)
    tree = linkage(squareform(distance, checks=False), "average")
    return _renumber(fcluster(tree, limit, "distance"))


def owners(templates: Templates, close: NDArray[np.int64], near: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Which drum's close mic owns each kind (kinds,), -1 where none does.

    ``close``: int64 (mics,), number of the drum a close mic stands at, -1 for other mics. A mic's level is compared with the
    near mics' mean of the same kind; the kind that stands highest in a mic is a stroke of its drum, and so is every kind
    within ``OWNED_DB`` of that one which stands higher there than in any other drum's mic by the same measure.
    """
    power = templates.energy[..., 0].sum(axis=2)
    level = 10 * np.log10(np.maximum(power, 1e-15))
    level = np.maximum(level, level.max(axis=1, keepdims=True) - 60)
    relative = level - level[:, near].mean(axis=1, keepdims=True)
    drums = sorted({int(c) for c in close if c >= 0})
    if not drums or not len(relative):
        return np.full(len(relative), -1, np.int64)
    standing = np.stack([relative[:, close == d].max(axis=1) for d in drums], axis=1)
    below = standing - standing.max(axis=0, keepdims=True)
    best = below.argmax(axis=1)
    owned = below[np.arange(len(below)), best] >= -OWNED_DB
    return np.where(owned, np.array(drums)[best], -1)


OWNED_DB = 7.0
"""How far a kind may stand below its drum's strongest in the drum's own mic: rim, edge and centre differ by up to 6 dB."""
