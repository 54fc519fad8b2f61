"""Dynamics: mics recorded through a compressor or a gate, by level out against level in.

A linear chain keeps ratios: over strokes of one template the level in one mic rises by one dB where it does in the
others. A compressor makes it rise by less, so what such a mic holds says nothing of a drum's share in the next moment,
nor of how hard it was struck. A gate cuts the sound off at once, faster than any room decays.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from oneshot.core.records.session import Floats, Frames

COMPRESSED_SLOPE = 0.8
"""Below so many dB out per dB in a mic counts as compressed (common practice, no source)."""

FEWEST_MICS = 3
"""From so many mics on a slope is compared with the median of them all, else with 1."""

FEWEST_STROKES = 8
"""Strokes of one template from which a slope is estimated."""

LEAST_SPREAD_DB = 2.0
"""Standard deviation in level that strokes of one template must span: round robins of one level vary by half of it."""

FEWEST_CLOSINGS = 8
"""A mic counts as gated where its sound breaks off so many times."""

BREAK_DB, BREAK_STEPS = 20.0, 4
"""A sound breaks off where it falls so far in as many steps (11 ms), having held before: 60 dB in 33 ms, faster than
any drum or room decays.
"""

HELD_DB, STAYS_STEPS = 4.0, 12
"""It held where it had fallen less than this in as many steps, and it stays away for at least 12 (33 ms)."""

PIECE_STEPS = 2**14
"""Steps looked at at once, to limit memory."""


def slopes(out_db: Floats, in_db: Floats, template: Frames) -> Floats:
    """Level out against level in (mics,), dB per dB; NaN where not known.

    ``out_db``: float64 (hits, mics), level of each hit as measured; ``in_db``: the same as predicted from all mics
    together, bleed at that moment included; NaN where a mic is missing. ``template``: int64 (hits,), the template. Both
    sides carry errors, so the slope is the ratio of the standard deviations (reduced major axis regression; Smith 2009,
    Am. J. Phys. Anthropol. 140, from memory), pooled over the templates that span enough. A single mic has nothing to
    be compared with.
    """
    mics = out_db.shape[1]
    slope = np.full(mics, np.nan)
    for m in range(mics if mics > 1 else 0):
        level_in, level_out = [], []
        for k in np.unique(template).tolist():
            rows = (template == k) & np.isfinite(out_db[:, m]) & np.isfinite(in_db[:, m])
            if rows.sum() >= FEWEST_STROKES and in_db[rows, m].std() >= LEAST_SPREAD_DB:
                level_in.append(in_db[rows, m] - in_db[rows, m].mean())
                level_out.append(out_db[rows, m] - out_db[rows, m].mean())
        if level_in:
            slope[m] = np.concatenate(level_out).std() / np.concatenate(level_in).std()
    return slope


def compressing(out_db: Floats, in_db: Floats, template: Frames) -> NDArray[np.bool_]:
    """Which mics are compressed, bool (mics,), by their slopes against the median slope; see ``slopes``."""
    slope = slopes(out_db, in_db, template)
    known = slope[np.isfinite(slope)]
    typical = float(np.median(known)) if len(known) >= FEWEST_MICS else 1.0
    out: NDArray[np.bool_] = np.nan_to_num(slope, nan=typical) < COMPRESSED_SLOPE * typical
    return out


def gated(level_db: Any) -> bool:
    """Whether a mic is gated: its sound breaks off time and again.

    ``level_db``: float16 (steps, bands), in memory or the row of a file.
    """
    steps, closings, last = level_db.shape[0], 0, -STAYS_STEPS
    for start in range(0, steps, PIECE_STEPS):
        lead = max(0, start - BREAK_STEPS)
        piece = level_db[lead : min(start + PIECE_STEPS + BREAK_STEPS + STAYS_STEPS, steps)]
        for at in (each + lead for each in _breaks(piece, start - lead)):
            if at - last >= STAYS_STEPS:
                closings, last = closings + 1, at
        if closings >= FEWEST_CLOSINGS:
            return True
    return False


def _breaks(level_db: NDArray[Any], first: int) -> list[int]:
    """Steps of a piece at which the sound, held before, breaks off and stays away, of the ``PIECE_STEPS`` from
    ``first`` on.
    """
    total = 10 * np.log10((10 ** (level_db.astype(np.float32) / 10)).sum(axis=1) + 1e-30)
    fall = (total[:-BREAK_STEPS] - total[BREAK_STEPS:])[: first + PIECE_STEPS]
    out = []
    for at in (np.flatnonzero(fall[first:] >= BREAK_DB) + first).tolist():
        steady = at < BREAK_STEPS or total[at - BREAK_STEPS] - total[at] < HELD_DB
        after = total[at + BREAK_STEPS : at + BREAK_STEPS + STAYS_STEPS]
        if steady and len(after) == STAYS_STEPS and float(after.max()) <= total[at] - BREAK_DB:
            out.append(at)
    return out
