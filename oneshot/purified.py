"""Purified: the drum of kinds that were learned from mixtures, told by the hits that they came to explain.

Where a drum hardly ever stands alone, a kind is learned from hits of it with another one, and stands where neither
does. But it also has to explain the hits in which the other one is missing: the ghost notes of a snare that was learned
with the kick. Of these, most lack a part of what the kind has, by more than strokes differ. So the median of the hits
that one kind explains alone says where the drum really is, and a kind that is of another drum by that is taken as that
median has it. All others stay as they were learned: partners too soft to be told come into such medians.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from oneshot.model import Floats, Frames
from oneshot.stages import Templates

FEWEST_HITS = 6
"""So many hits that a kind explains alone say what it is like."""

FEWEST_LEVELS = 20

LACKING_DB = 6.0
"""A level lacks in the hits where it lies so far below the kind's: strokes of one kind differ by 1 to 2 dB."""

LACKING_SHARE = 0.1
"""A kind of whose energy this share lacks was learned from more than it explains."""


def alone(gain: Floats) -> Frames:
    """The kind that explains each hit (hits,) alone, from strengths (hits, kinds); -1 for those of several strokes."""
    return np.where((gain > 0).sum(axis=1) == 1, gain.argmax(axis=1) if gain.shape[1] else -1, -1).astype(np.int64)


def lacking(templates: Templates, again: Templates, near: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which kinds (kinds,) have what most of the hits that they explain lack.

    ``again``: the same kinds, learned again from those hits; ``near``: bool (mics,), the mics that decide.
    """
    out = np.zeros(len(templates.drum), bool)
    for k in range(min(len(out), len(again.drum))):
        kind, hits, most = (each[k][near] for each in (templates.energy, again.energy, again.limit))
        both = (kind > 0) & (hits > 0)
        if again.members[k] < FEWEST_HITS or both.sum() < FEWEST_LEVELS:
            continue
        scale = 10 ** float(np.median(np.log10(kind[both] / hits[both])))
        there = np.where(hits > 0, hits, most) * scale  # what no hit shows is at most what could go unheard
        lost = (kind > 0) & (there > 0) & (there < kind * 10 ** (-LACKING_DB / 10))
        out[k] = kind[lost].sum() >= LACKING_SHARE * kind.sum()
    return out


def settled(drum: Frames, members: Frames, doubtful: NDArray[np.bool_], together: Frames) -> Frames:
    """The drum of each kind (kinds,), those in doubt given to the drum that they are found together with.

    ``drum``: int64 (kinds,), as it was; ``members``: int64 (kinds,); ``together``: int64 (kinds,), drums as the kinds
    are put together with those in doubt as they were learned again. A doubtful kind that is put with no other stays.
    """
    out = drum.copy()
    for k in np.flatnonzero(doubtful):
        mates = ~doubtful & (together == together[k])
        if mates.any():
            numbers = np.unique(drum[mates])
            out[k] = max(numbers.tolist(), key=lambda n: (int(members[mates & (drum == n)].sum()), -n))
    return out


def mixed(templates: Templates, again: Templates, doubtful: NDArray[np.bool_]) -> Templates:
    """The kinds, those in doubt as they were learned again."""
    pick = doubtful[:, None, None, None]
    count = len(templates.drum) - len(again.drum)
    energy, limit = (np.concatenate([part, np.zeros((count, *part.shape[1:]))]) for part in (again.energy, again.limit))
    return Templates(np.where(pick, energy, templates.energy), np.where(pick, limit, templates.limit),
                     templates.delay_ms, templates.drum, templates.members)
