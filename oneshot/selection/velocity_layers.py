"""Velocity layers: borders in the gaps between the levels found, and the MIDI velocities of each layer.

Natural breaks (Fisher 1958, the partition of a sorted list that minimises the variance inside its parts, by dynamic
programming; from memory), as many as asked for and the span of levels allows.

MIDI velocities follow the law that General MIDI players use by default, 40·log10(v/127) dB (SoundFont 2.04 section
8.4.1; see docs/methods.md): the border between two layers lies where that law puts the level halfway between theirs, so
that a velocity plays the layer that was recorded at about its level.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from oneshot.core.records.session import Floats, Frames

FINEST_STEP_DB = 0.5
"""Layers that are parted so that fewer hits are spare differ by this much in their mean: half the smallest difference
in level that is heard (common practice, no source), so that the step between them is none.
"""
FEWEST_TO_PART = 3
"""Round robins that take turns without being heard to repeat (common practice, no source)."""


def layer_borders(levels: Floats, most: int, step_db: float) -> list[float]:
    """Borders between velocity layers, rising, in dB; none where one layer is all there is.

    ``levels``: float64 (hits,), rising, dB. At most ``most`` layers, neighbours at least ``step_db`` apart in their
    mean. None is of a single hit, save where the span leaves room for steps three times as large, or where there are
    hardly two hits per layer and that one lies a step from every other: single hits from soft to hard, as cymbals are
    recorded, have a layer each, since hits so far apart could not be round robins of each other.
    """
    span = float(levels[-1] - levels[0])
    count = min(most, len(levels), 1 + int(span / step_db))
    back = _last_starts(levels, count)
    while count > 1:
        starts = _breaks(back, count)
        parts = np.split(levels, starts)
        means = np.array([p.mean() for p in parts])
        peopled = min(len(p) for p in parts) >= 2 or count <= 1 + int(span / (3 * step_db)) or (
            len(levels) <= 2 * count + 1 and _far_apart(parts, step_db))
        if np.diff(means).min() >= step_db and peopled:
            return [float((levels[s - 1] + levels[s]) / 2) for s in starts]
        count -= 1
    return []


def finer_borders(levels: Floats, borders: Sequence[float], most: int, full: int) -> list[float]:
    """The borders, and more inside layers of more than ``full`` hits, rising, dB, so that fewer hits are spare.

    ``levels``: float64 (hits,), rising, dB. The layer with the most hits to spare is parted at the break of its levels
    as long as there are fewer than ``most``, both parts have half of ``full`` hits and ``FEWEST_TO_PART`` at least, and
    their means lie ``FINEST_STEP_DB`` apart.
    """
    out = list(borders)
    while len(out) + 1 < most:
        parts = np.split(levels, np.searchsorted(levels, out))
        parted = [(len(part), at, border) for at, part in enumerate(parts) if len(part) > full
                  and (border := _parted(part, full)) is not None]
        if not parted:
            break
        out = sorted([*out, max(parted, key=lambda each: (each[0], -each[1]))[2]])
    return out


def _parted(levels: Floats, full: int) -> float | None:
    """The border of the best two parts of a layer's levels, that of the smallest variance; None where it has none."""
    least = max(FEWEST_TO_PART, full // 2)
    sums, squares = np.cumsum(levels), np.cumsum(levels**2)
    best, found = None, np.inf
    for n in range(least, len(levels) - least + 1):
        low, high, above = sums[n - 1], sums[-1] - sums[n - 1], len(levels) - n
        if levels[n] <= levels[n - 1] or high / above - low / n < FINEST_STEP_DB:
            continue
        inside = squares[-1] - low**2 / n - high**2 / above
        if inside < found - 1e-9:
            best, found = float((levels[n - 1] + levels[n]) / 2), inside
    return best


def _far_apart(parts: Sequence[Floats], step_db: float) -> bool:
    """Whether every part of a single value lies ``step_db`` from the values of the parts beside it."""
    return all(after[0] - before[-1] >= step_db for before, after in pairwise(parts) if 1 in (len(before), len(after)))


def natural_breaks(values: Floats, count: int) -> list[int]:
    """Where each part but the first starts, for the split of sorted values into ``count`` parts of least variance
    inside.
    """
    return _breaks(_last_starts(values, count), count)


def _breaks(back: Frames, count: int) -> list[int]:
    """The starts of ``count`` parts, read back from the table of ``_last_starts``."""
    out, stop = [], back.shape[1] - 1
    for part in range(count - 1, 0, -1):
        stop = int(back[part, stop])
        out.append(stop)
    return out[::-1]


def _last_starts(values: Floats, most: int) -> Frames:
    """Where the last of ``part + 1`` parts starts in the best split of the first ``stop`` values (part, stop).

    One table serves every number of parts up to ``most``. The best start never moves back as ``stop`` grows, so each
    row is filled middle first and the search halved on both sides: n·log n steps, not n², for the 10,000 hits of a hat
    (Wu 1991, the optimal quantization by matrix searching, J. Algorithms 12; from memory).
    """
    n = len(values)
    total, square = np.r_[0.0, np.cumsum(values)], np.r_[0.0, np.cumsum(values**2)]

    def cost(first: Frames, stop: int) -> Floats:
        """Sum of squares about the mean of the values from each ``first`` to ``stop``."""
        inside = square[stop] - square[first] - (total[stop] - total[first]) ** 2 / (stop - first)
        out: Floats = np.maximum(inside, 0.0)
        return out

    best = np.array([np.inf, *[float(cost(np.zeros(1, np.int64), stop)[0]) for stop in range(1, n + 1)]])
    back = np.zeros((most, n + 1), np.int64)
    for part in range(1, most):
        new = np.full(n + 1, np.inf)
        todo = [(part + 1, n, part, n - 1)]  # stops, and the starts among which their best lies, both ends included
        while todo:
            low, high, first, last = todo.pop()
            if low > high:
                continue
            stop = (low + high) // 2
            starts = np.arange(first, min(last, stop - 1) + 1)
            sums = best[starts] + cost(starts, stop)
            top = int(sums.argmin())
            new[stop], back[part, stop] = sums[top], starts[top]
            todo += [(low, stop - 1, first, int(starts[top])), (stop + 1, high, int(starts[top]), last)]
        best = new
    return back


def velocity_ranges(levels_db: Sequence[float]) -> list[tuple[int, int]]:
    """Inclusive MIDI ranges of layers from soft to hard that tile 1 to 127, by the level of each.

    The hardest layer's level is velocity 127; each range holds at least one velocity.
    """
    top = levels_db[-1]
    middles = [(a + b) / 2 for a, b in pairwise(levels_db)]
    limits = [127 * 10 ** ((m - top) / 40) for m in middles]
    out, low = [], 1
    for k, limit in enumerate(limits):
        last = 127 - (len(limits) - k)
        high = int(min(max(round(limit), low), last))
        out.append((low, high))
        low = high + 1
    return [*out, (low, 127)]
