"""Rising: what comes up by itself in the ring of a hit, where no stroke was found.

A ring only falls, and so does what was there before the hit. What neither they nor the noise nor any stroke that was
found can be, and what grows while they fade, is another sound: a soft stroke under a loud one's ring, most of all,
which few mics hear well enough to tell what it was. One that begins with the hit is struck together with it, and ends
no tail; nor does one that is louder than the hit, in a mic that hardly hears the hit.
"""

from __future__ import annotations

import numpy as np

from oneshot.model import Floats, Frames

VARIES_DB = 5.0
"""How far sounds lie from what is expected of them in one band and cell: twice the 2 to 3 dB by which alternates of one
strength differ (common practice, no source). More was something else."""

HEARD_SHARE = 0.25
"""What nothing explains is heard over a ring from this share of it on: it raises the whole by 1 dB, about the least
difference of levels that is heard (common practice, no source)."""

RISES_DB = 6.0
"""By this it grows: beats of a ring come up again by half as much (common practice, no source)."""

RISE_CELLS = 15
"""Over so many cells before, about 170 ms, is looked for what it rises from."""


def risen(own: Floats, other: Floats, laid: Floats, noise: Floats, first: Frames, last: Frames, length: int) -> Floats:
    """Where something rises first in the ring of each hit in one mic.

    ``own``, ``other``: float64 (hits, cells, bands), what was heard as the hit's own and as everything else; ``laid``:
    the same, what strokes are expected to put there; ``noise``: float64 (bands,), the steady noise, all of them mean
    squares; ``first``, ``last``: int64 (hits,), cells from which on and up to which it is looked for; ``length``: cells
    that are looked at together. Returns float64 (hits, 3), the cell before it, its mean square over ``length`` cells
    and that of the ring there; NaN where nothing rises.
    """
    whole = np.lib.stride_tricks.sliding_window_view(
        np.stack([_unexplained(other, laid, noise), own.sum(axis=2)]), length, axis=2)
    cells, (more, ring) = whole[0], whole.mean(axis=3)
    peak, again = ring.max(axis=1), 10 ** (RISES_DB / 10)
    out = np.full((len(own), 3), np.nan)
    for i in np.flatnonzero(np.minimum(last, own.shape[1]) - first >= 2 * length).tolist():
        for c in range(int(first[i]) + length, min(int(last[i]), own.shape[1]) - length + 1):
            least = more[i, max(int(first[i]), c - RISE_CELLS) : c - length + 1].min()
            if more[i, c] > max(HEARD_SHARE * ring[i, c], again * least):
                if more[i, c] <= peak[i]:
                    out[i] = c + int(np.argmax(cells[i, c] >= more[i, c])) - 1, more[i, c], ring[i, c]
                break
    return out


def _unexplained(other: Floats, laid: Floats, noise: Floats) -> Floats:
    """What of everything else neither strokes nor the noise can be, over all bands (hits, cells)."""
    varies = 10 ** (VARIES_DB / 10)
    more = np.maximum(other - varies * laid, 0.0)
    return np.asarray(np.where(more > varies * noise, more, 0.0).sum(axis=2))
