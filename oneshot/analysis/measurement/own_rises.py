"""Own rises: how far the tails of a drum come up again by themselves.

The two plates of an open hat strike each other on for half a second; partials beat, heads and rooms answer late. Of one
hit nobody can tell such a rise from a soft second stroke: both come from the same place. Of many hits one can: what
more than half of a template's hits do, at this moment, in this band and mic, is how it rings, and the scatter of that
is measured on the same hits. A second stroke under one or a few of them is beyond that. A sound from elsewhere lies
between the mics as none of them does (``from_the_place``).
"""

from __future__ import annotations

import warnings

import numpy as np
from numpy.typing import NDArray

from oneshot.core.grades import GRADE_LIMITS_DB
from oneshot.core.records.session import Floats, Frames

FEWEST = 3
"""Hits from which it is learned what is usual: with three, one that is different does not move the median. Mics from
which a place shows.
"""
DEVIATIONS = 2.0
"""What is usual reaches so many deviations above the median: 98 of 100 hits that ring alike stay below that."""
TO_DEVIATION = 1.4826
"""A standard deviation over a median deviation, of normal errors (Hampel 1974)."""
NONE_DB = GRADE_LIMITS_DB["close"]["A"]
"""Rises that would not keep a hit from the best grade are none."""
PIECE_CELLS = 5
"""Cells over which the moment of a rise is known: 55 ms, as long as grades look at once."""


def decaying(excess: Floats, arrived: Frames, head: int, beating: float, usual: Floats | None = None) -> Floats:
    """The part of what stands out (hits, cells, bands) that begins with a hit and then only decays, beating aside.

    ``arrived``: int64 (hits,), the cell of the arrival; a hit reaches its peak within ``head`` cells; ``beating``: by
    how much a decay may come up again; ``usual``: float64 (hits, cells, bands), what may rise besides, mean squares.
    """
    cell = np.arange(excess.shape[1])[None, :] - arrived[:, None]
    begins = (cell >= -1) & (cell < head)
    peak = np.where(begins[..., None], excess, -1.0).argmax(axis=1)
    out = np.where(begins[..., None], excess, 0.0)
    level = np.full(excess[:, 0].shape, np.inf)
    for c in range(excess.shape[1]):
        more = 0.0 if usual is None else usual[:, c]
        fallen = np.minimum(excess[:, c], np.where(np.isfinite(level), level * beating + more, 0.0))
        out[:, c] = np.where(c > peak, fallen, out[:, c])
        level = np.where(c >= peak, np.minimum(level, np.maximum(out[:, c], 1e-18)), level)
    return out


def usual_rises(excess: Floats, own: Floats, until: Frames, template: Frames) -> Floats:
    """How far above their decay the bands of each hit usually rise in one mic, float64 (hits, cells, bands), mean
    squares; 0 where they usually do not, or where too few hits of its template are known.

    ``excess``, ``own``: float64 (hits, cells, bands), what stands out and the part of it that decays, mean squares;
    ``until``: int64 (hits,), the cell in which the next event begins; ``template``: int64 (hits,).
    """
    cells = excess.shape[1]
    before = (np.arange(cells)[None, :] < until[:, None])[..., None]
    peak = np.maximum((own * before).sum(axis=2).max(axis=1), 1e-30)
    pieces = np.arange(0, cells, PIECE_CELLS)
    rise = np.maximum.reduceat((excess - own) * before, pieces, axis=1) / peak[:, None, None]
    rise_db = np.maximum(10 * np.log10(np.maximum(rise, 1e-30)), NONE_DB)
    out = np.zeros(excess.shape)
    for k in np.unique(template).tolist():
        rows = np.flatnonzero(template == k)
        if len(rows) >= FEWEST:
            limit_db = np.minimum(_up_to(rise_db[rows]), _up_to(rise_db[rows].max(axis=(1, 2))))
            usual = np.median(rise_db[rows], axis=0) > NONE_DB
            limit = np.where(usual, 10 ** (limit_db / 10), 0.0)
            out[rows] = limit[np.arange(cells) // PIECE_CELLS] * peak[rows, None, None]
    return out


def from_the_place(excess: Floats, arrived: Frames, noise: Floats, template: Frames) -> NDArray[np.bool_]:
    """Where what stands out lies between the mics as it does in the tails of a template's other hits, bool (hits,
    cells, bands): a sound from elsewhere does not. Where fewer than ``FEWEST`` mics show it, no place is known.

    ``excess``: float64 (mics, hits, cells, bands), and ``noise``, float64 (mics, bands), mean squares; ``arrived``:
    int64 (mics, hits), the cell of the arrival; ``template``: int64 (hits,).
    """
    cells = excess.shape[2]
    pieces = np.arange(0, cells, PIECE_CELLS)
    level = np.add.reduceat(excess, pieces, axis=2) / np.diff(np.append(pieces, cells))[:, None]
    since = np.arange(cells) - arrived[..., None]
    head = ((since >= 0) & (since < 2 * PIECE_CELLS))[..., None]
    first = (excess * head).sum(axis=2) / np.maximum(head.sum(axis=2), 1)
    known = (level > noise[:, None, None]) & (first > noise[:, None])[:, :, None]
    path_db = np.where(known, 10 * np.log10(np.maximum(level, 1e-30) / np.maximum(first, 1e-30)[:, :, None]), np.nan)
    enough = known.sum(axis=0) >= FEWEST
    out = np.zeros(enough.shape, bool)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # medians of pieces in which nothing is known: NaN
        for k in np.unique(template).tolist():
            rows = template == k
            paths_db = path_db[:, rows] - np.nanmedian(path_db[:, rows], axis=1, keepdims=True)
            scatter_db = np.where(enough[rows], np.nanstd(paths_db, axis=0), np.nan)
            out[rows] = scatter_db <= _up_to(scatter_db)
    return out[:, np.arange(cells) // PIECE_CELLS]


def _up_to(values: Floats) -> Floats:
    """Up to what values (hits, ...) are usual; NaN is not known."""
    middle = np.nanmedian(values, axis=0)
    return np.asarray(middle + DEVIATIONS * TO_DEVIATION * np.nanmedian(np.abs(values - middle), axis=0))
