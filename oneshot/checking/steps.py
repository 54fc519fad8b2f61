"""Steps: from which hit on a value that belongs to a mic, not to a drum, is another one.

What only one drum shows may be that drum, or how it is played; a step is one where all drums agree.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from oneshot.core.records.session import Floats

ENOUGH = 8
"""Hits from which a fault is one: that eight agree by chance happens once in 128 times."""
FEWEST = 4
"""Hits of one drum on each side of a step from which that drum is asked."""


def step(values: Floats, of: NDArray[np.str_], least: float) -> tuple[int, float] | None:
    """The hit from which on values are other ones, and by how much; None where there is no step of ``least`` and more.

    ``values``: float64 (hits,), in order of time, any unit, NaN where not known; ``of``: str (hits,), their drums. Each
    drum has a usual value of its own. The step has to exceed twice the median deviation, and two drums and more have
    to show it, within half of ``least``.
    """
    usual = values.copy()
    for drum in np.unique(of).tolist():
        mine = of == drum
        usual[mine] -= np.nanmedian(values[mine]) if np.any(~np.isnan(values[mine])) else 0.0
    known = np.flatnonzero(~np.isnan(usual))
    if len(known) < 3 * ENOUGH:
        return None
    best: tuple[float, int, float] = (0.0, 0, 0.0)
    for cut in range(ENOUGH, len(known) - ENOUGH + 1):
        before, after = usual[known[:cut]], usual[known[cut:]]
        by = float(np.median(after) - np.median(before))
        spread = float(np.median(np.abs(np.concatenate([before - np.median(before), after - np.median(after)]))))
        best = max(best, (abs(by) - 2 * spread, int(known[cut]), by))
    worth, at, by = best
    return (at, by) if worth > 0 and abs(by) >= least and _all_agree(values, of, at, by, least) else None


def _all_agree(values: Floats, of: NDArray[np.str_], at: int, by: float, least: float) -> bool:
    """Whether each drum that was hit often before and after moved as far."""
    moves = []
    for drum in np.unique(of).tolist():
        mine = np.flatnonzero((of == drum) & ~np.isnan(values))
        before, after = values[mine[mine < at]], values[mine[mine >= at]]
        if len(before) >= FEWEST and len(after) >= FEWEST:
            moves.append(float(np.median(after) - np.median(before)))
    return len(moves) >= 2 and all(abs(move - by) < least / 2 for move in moves)
