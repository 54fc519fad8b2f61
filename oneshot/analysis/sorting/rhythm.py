"""Rhythm: where the pattern that a player repeats lets a drum's next hit be expected.

A hat that is struck on every eighth goes on under the snare that hides it. So of two intervals beside each other that a
moment makes between a drum's hits before and after it (one interval each side, the two before, the two after) at least
two pairs are equal where the drum goes on. That is no evidence of a hit by itself; it says how little of it is enough.

How evenly people play, and up to which interval they feel a pulse: Repp (2005, Psychonomic Bulletin & Review 12) and
Fraisse (1982, in The Psychology of Music); both from memory.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.records import EVENT_S
from oneshot.core.records.session import Floats

UNEVEN = 0.08
"""Intervals vary by 3 to 4 % (standard deviation) around a pulse; the difference of two by half as much again; twice
that is allowed.
"""

LONGEST_S = 1.8
"""Beyond this interval a pulse is no longer felt."""

ENOUGH = 2
"""Of the three pairs of intervals beside each other so many are equal."""


def expected(at_s: Floats, played: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which drums a moment's neighbours let expect there, bool (hits, drums).

    ``at_s``: float64 (hits,), times in seconds, rising; ``played``: bool (hits, drums), which drums each is known to
    hold. What a drum plays at a moment itself says nothing of it.
    """
    out = np.zeros(played.shape, bool)
    for drum in range(played.shape[1]):
        own = at_s[played[:, drum]]
        if len(own) < ENOUGH + 1:
            continue
        before = np.searchsorted(own, at_s - EVENT_S)
        after = np.searchsorted(own, at_s + EVENT_S, side="right")
        padded = np.concatenate([np.full(2, -np.inf), own, np.full(2, np.inf)])
        second, first = padded[before], padded[before + 1]
        third, fourth = padded[after + 2], padded[after + 3]
        with np.errstate(invalid="ignore"):
            intervals = np.stack([first - second, at_s - first, third - at_s, fourth - third])
            longer, shorter = np.maximum(intervals[:-1], intervals[1:]), np.minimum(intervals[:-1], intervals[1:])
            equal = (longer <= LONGEST_S) & (longer - shorter < UNEVEN * longer)
        out[:, drum] = equal.sum(axis=0) >= ENOUGH
    return out
