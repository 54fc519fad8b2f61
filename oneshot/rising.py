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

SUDDEN_SHARE = 0.1
"""A stroke comes up at once: one that is 10 dB below the ring is told by that where its level alone tells nothing."""

SUDDEN_CELLS = 3
"""The 35 ms in which a stroke is loudest."""

STEADY_CELLS = 8
"""It stands in some band above all that was heard there in the 90 ms before, by more than sounds vary."""


def risen(own: Floats, other: Floats, laid: Floats, noise: Floats, first: Frames, last: Frames, length: int) -> Floats:
    """Where something rises first in the ring of each hit in one mic.

    ``own``, ``other``: float64 (hits, cells, bands), what was heard as the hit's own and as everything else; ``laid``:
    the same, what strokes are expected to put there; ``noise``: float64 (bands,), the steady noise, all of them mean
    squares; ``first``, ``last``: int64 (hits,), cells from which on and up to which it is looked for; ``length``: cells
    that are looked at together. Returns float64 (hits, 3), the cell before it, its mean square over the cells that
    tell it and that of the ring there; NaN where nothing rises.
    """
    rest, ring = _unexplained(other, laid, noise), own.sum(axis=2)
    sudden = _sudden(own + other, noise, first)
    found = (_grown(rest, ring, first, last, length), _come_up(rest, ring, sudden, first, last))
    later = ~(found[0][:, 0] <= np.nan_to_num(found[1][:, 0], nan=np.inf))
    return np.where(later[:, None], found[1], found[0])


def _grown(rest: Floats, ring: Floats, first: Frames, last: Frames, length: int) -> Floats:
    """Where what nothing explains has grown, and is heard over the ring; as ``risen`` gives it, from (hits, cells)."""
    whole = np.lib.stride_tricks.sliding_window_view(np.stack([rest, ring]), length, axis=2)
    cells, (more, ring) = whole[0], whole.mean(axis=3)
    peak, again = ring.max(axis=1), 10 ** (RISES_DB / 10)
    out = np.full((len(rest), 3), np.nan)
    stop = np.minimum(last, rest.shape[1])
    for i in np.flatnonzero(stop - first >= 2 * length).tolist():
        for c in range(int(first[i]) + length, int(stop[i]) - length + 1):
            least = more[i, max(int(first[i]), c - RISE_CELLS) : c - length + 1].min()
            if more[i, c] > max(HEARD_SHARE * ring[i, c], again * least):
                if more[i, c] <= peak[i]:
                    out[i] = c + int(np.argmax(cells[i, c] >= more[i, c])) - 1, more[i, c], ring[i, c]
                break
    return out


def _come_up(rest: Floats, ring: Floats, sudden: Floats, first: Frames, last: Frames) -> Floats:
    """Where what nothing explains comes up at once; as ``risen`` gives it, from (hits, cells)."""
    more, ring = (np.lib.stride_tricks.sliding_window_view(x, SUDDEN_CELLS, axis=1).mean(axis=2) for x in (rest, ring))
    cells = np.arange(more.shape[1])
    stop = np.minimum(last, rest.shape[1]) - SUDDEN_CELLS
    there = (cells >= first[:, None] + SUDDEN_CELLS) & (cells <= stop[:, None])
    there &= np.minimum(more, sudden[:, : len(cells)]) > SUDDEN_SHARE * ring
    there &= more <= ring.max(axis=1)[:, None]
    at = there.argmax(axis=1)
    told = np.stack([at + 0.0, *(x[np.arange(len(at)), at] for x in (more, ring))], axis=1)
    return np.where(np.any(there, axis=1, keepdims=True), told, np.nan)


def _unexplained(other: Floats, laid: Floats, noise: Floats) -> Floats:
    """What of everything else neither strokes nor the noise can be, over all bands (hits, cells)."""
    varies = 10 ** (VARIES_DB / 10)
    more = np.maximum(other - varies * laid, 0.0)
    return np.asarray(np.where(more > varies * noise, more, 0.0).sum(axis=2))


def _sudden(heard: Floats, noise: Floats, first: Frames) -> Floats:
    """What stands in the next two cells above all that was heard in its band since ``first``, over all bands (hits,
    cells).
    """
    before = np.where(np.arange(heard.shape[1])[None, :, None] < first[:, None, None], 0.0, heard)
    before = np.lib.stride_tricks.sliding_window_view(
        np.pad(before, ((0, 0), (STEADY_CELLS, 0), (0, 0))), STEADY_CELLS, axis=1).max(axis=3)[:, :-1]
    now = np.maximum(heard, np.pad(heard[:, 1:], ((0, 0), (0, 1), (0, 0))))
    up = now > 10 ** (VARIES_DB / 10) * np.maximum(before, noise)
    return np.asarray(np.where(up, now - before, 0.0).sum(axis=2))
