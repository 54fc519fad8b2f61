"""Gain that was moved during a take: from one hit on a mic is louder, or softer, against all others."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from oneshot.checking.finding import Finding, Harm
from oneshot.checking.steps import step
from oneshot.checking.survey import Survey
from oneshot.core.records.session import Floats

SOFTEST = 0.02
"""Share of a mic's time in which there is as little as there is ever: noise, or tails where playing never stops."""
MOVED_DB = 3.0
"""Gain that was moved by less than this is no worry: takes are matched better than that."""


def gain_moved(survey: Survey, left: set[int]) -> Iterator[Finding]:
    """Mics whose gain was moved during the take: from one hit on they are louder, or softer, against all others. The
    one that moved most comes first, and no other is held against it.
    """
    level = np.array([20 * np.log10(np.maximum(hit.peak, 1e-9)) for hit in survey.hits]).reshape(-1, len(survey.mics))
    level[np.isnan(survey.arrivals())] = np.nan
    of = survey.struck()
    rows = [row for row, mic in enumerate(survey.mics) if mic.role.means.judged and row not in left]
    while len(rows) >= 3:
        moved = {row: how for row in rows if (how := _moved(survey, level, of, row, rows)) is not None}
        if not moved:
            return
        row = max(moved, key=lambda each: abs(moved[each][1]))
        at, by = moved[row]
        rows.remove(row)
        yield survey.fault(row, Harm.WRONG, f"was turned {'up' if by > 0 else 'down'} by some {abs(by):.0f} dB during "
                           "the take", "cut the files there into two takes, or record it again",
                           (survey.when(survey.hits[at]),))


def _moved(survey: Survey, level: Floats, of: NDArray[np.str_], row: int, rows: Sequence[int]
           ) -> tuple[int, float] | None:
    """The hit from which a mic is louder against the others of ``rows``, and by how many dB, its noise included;
    ``level``: (hits, mics), dB, NaN where a hit does not stand out.
    """
    others = [other for other in rows if other != row]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # of hits that are clear nowhere else
        moved = step(level[:, row] - np.nanmedian(level[:, others], axis=1), of, MOVED_DB)
    if moved is None or abs(_floor_moved_db(survey, row, survey.hits[moved[0]].frame) - moved[1]) >= MOVED_DB:
        return None
    return moved


def _floor_moved_db(survey: Survey, row: int, frame: int) -> float:
    """By how much more than in the other mics the softest of a mic is louder from a frame on, dB: a preamp takes
    its noise along.
    """
    at = frame // survey.slot
    before, after = (10 * np.log10(np.maximum(np.quantile(part, SOFTEST, axis=1), 1e-12))
                     for part in (survey.level[:, :at], survey.level[:, at:]))
    moved = after - before
    return float(moved[row] - np.median(np.delete(moved, row)))
