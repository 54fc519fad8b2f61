"""Clocks: mics whose files run at another speed than the rest, or lost samples on the way.

Mics stand still, so the way from a drum to each stays what it is. Where the same way grows from hit to hit, for all
drums alike, no sound does that: two recorders had clocks of their own. Where it grows at once, samples are missing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from oneshot.checking.finding import Finding, Harm
from oneshot.checking.steps import ENOUGH, step
from oneshot.checking.survey import Survey
from oneshot.core.records.session import Floats

LEAST_S = 0.0005
"""By how much a mic's times have to move over a take, or at once: 17 cm, what neither a stroke nor a stand does for all
drums alike.
"""
IN_ANY_ORDER = 0.5
"""Correlation of the ranks of level and time up to which a drum is hit soft and hard in any order."""
SURE, ALONE = 6.0, 3.0
"""Standard errors by which a drift differs from none, for all drums together and for each of two."""
LEAST_SPREAD_S = 2e-5
"""Arrivals scatter by a sample at least, and a drum of which few do by chance is not known better."""
AS_FAST = 0.3
"""Drums drift alike where each, in each half of its hits, is within this share of the whole, or three standard errors
of its own: where hits of two drums count as one's, each half keeps still, or jumps. So do mics.
"""


@dataclass(frozen=True, slots=True)
class _Moved:
    """How one mic's times move against another's: ``rate``, seconds a second; or ``by`` seconds from hit ``at`` on."""

    rate: float = 0.0
    by: float = 0.0
    at: int = 0

    def like(self, other: _Moved | None) -> bool:
        """Whether both move, and alike."""
        if other is None or not (self.rate or self.by):
            return False
        return abs(self.rate - other.rate) <= AS_FAST * abs(self.rate) and \
            abs(self.by - other.by) <= AS_FAST * abs(self.by)


def clock_faults(survey: Survey) -> Iterator[Finding]:
    """Mics that drift against most others, and mics that lost samples, where drums agree that are hit soft and hard in
    any order: a soft hit stands out of the noise later than a hard one.
    """
    at, of = survey.arrivals(), survey.struck()
    at[_goes_with_time(survey, of)] = np.nan
    known = (~np.isnan(at)).sum(axis=0)
    rows = np.flatnonzero(known >= 3 * ENOUGH).tolist()
    if len(rows) < 3:
        return
    span = survey.take.frames / survey.take.sample_rate
    base = int(known.argmax())
    moved = {row: _moved(at, of, row, base, span) for row in rows if row != base}
    accused: dict[int, _Moved] = {}
    for row, how in moved.items():
        if how is None or not (how.rate or how.by):
            continue
        others = [other for other in moved if other != row]
        against_row = sum(how.like(_moved(at, of, row, other, span)) for other in others)
        against_base = sum(how.like(moved[other]) for other in others)
        if against_row > against_base:
            accused[row] = how
        elif against_base > against_row:
            accused[base] = _Moved(-how.rate, -how.by, how.at)
    for row, how in sorted(accused.items()):
        yield _drifts(survey, row, how.rate, span) if how.rate else _jumps(survey, row, how)


def _drifts(survey: Survey, row: int, rate: float, span: float) -> Finding:
    """A mic with a clock of its own."""
    return survey.fault(row, Harm.WRONG, f"drifts against the other mics by {abs(rate) * 1e6:.0f} ppm, "
                        f"{abs(rate) * span * 1e3:.1f} ms {'later' if rate > 0 else 'earlier'} at the end of the take",
                        "run all recorders from one word clock; before you build, resample this file by that, to be "
                        f"{'shorter' if rate > 0 else 'longer'}")


def _jumps(survey: Survey, row: int, how: _Moved) -> Finding:
    """A mic that lost samples, or has some too many."""
    return survey.fault(row, Harm.WRONG, f"is {abs(how.by) * 1e3:.1f} ms {'later' if how.by > 0 else 'earlier'} from "
                        "there on against the other mics: samples were put in or lost",
                        "cut the files there into two takes, or record it again", (survey.when(survey.hits[how.at]),))


def _moved(at: Floats, of: NDArray[np.str_], row: int, base: int, span: float) -> _Moved | None:
    """How a mic moves against another; None where it does, and not in one of the two ways."""
    late = at[:, row] - at[:, base]
    (rate, sure), jump = _drift(at[:, base], late, of), step(late, of, LEAST_S)
    if jump is not None and _left(late - _stepped(late, jump), of) < _left(late - rate * at[:, base], of):
        return _Moved(at=jump[0], by=jump[1])
    if sure and abs(rate) * span >= LEAST_S:
        return _Moved(rate=rate)
    return _Moved() if jump is None else None


def _goes_with_time(survey: Survey, of: NDArray[np.str_]) -> NDArray[np.bool_]:
    """Hits of drums that are hit ever harder, or ever softer, bool (hits,)."""
    peak = np.array([hit.peak[hit.owner] for hit in survey.hits])
    out = np.zeros(len(of), bool)
    for drum in np.unique(of).tolist():
        mine = np.flatnonzero(of == drum)  # in order of time
        ranks = peak[mine].argsort().argsort()
        out[mine] = len(mine) < ENOUGH or abs(np.corrcoef(np.arange(len(mine)), ranks)[0, 1]) > IN_ANY_ORDER
    return out


def _drift(at: Floats, late: Floats, of: NDArray[np.str_]) -> tuple[float, bool]:
    """By how many seconds a second a mic falls behind, and whether drums agree that it does.

    ``at``: when hits arrive, s; ``late``: by how much later in this mic, s; NaN where not known. Each drum's slope is
    the median of those between its hits (Theil 1950, Sen 1968, from memory): no single hit can turn it.
    """
    slopes, errors, halves = [], [], []
    for drum in np.unique(of).tolist():
        mine = (of == drum) & ~np.isnan(late)
        if mine.sum() < ENOUGH:
            continue
        x, y = at[mine], late[mine]
        slope = _slope(x, y)
        left = y - slope * x
        spread = max(1.4826 * float(np.median(np.abs(left - np.median(left)))), LEAST_SPREAD_S)
        slopes.append(slope)
        errors.append(_error(x, spread))
        halves += [(_slope(a, b), _error(a, spread)) for a, b in zip(np.array_split(x, 2), np.array_split(y, 2),
                                                                     strict=True)]
    slope_of, error_of = np.array(slopes), np.array(errors)
    if not slopes:
        return 0.0, False
    weight = error_of**-2.0
    rate = float(np.sum(weight * slope_of) / weight.sum())
    agree = all(abs(slope - rate) <= max(AS_FAST * abs(rate), ALONE * error)
                for slope, error in (*zip(slopes, errors, strict=True), *halves))
    of_two = np.sum(np.abs(slope_of) > ALONE * error_of) >= 2
    return rate, bool(of_two and agree and abs(rate) > SURE * weight.sum() ** -0.5)


def _slope(x: Floats, y: Floats) -> float:
    """The median slope between values that are not neighbours in time, which tell least."""
    a, b = np.triu_indices(len(x), k=max(1, len(x) // 4))
    return float(np.median((y[b] - y[a]) / np.maximum(x[b] - x[a], 1e-3)))


def _error(x: Floats, spread: float) -> float:
    """Standard error of a slope over ``x``."""
    return spread / float(np.sqrt(np.sum((x - x.mean()) ** 2)))


def _stepped(late: Floats, jump: tuple[int, float]) -> Floats:
    """A step as large as ``jump`` says from its hit on."""
    return np.where(np.arange(len(late)) >= jump[0], jump[1], 0.0)


def _left(late: Floats, of: NDArray[np.str_]) -> float:
    """Median deviation of each drum's hits from what is usual for it, s."""
    left = [np.zeros(0)]
    left += [np.abs(each - np.median(each)) for drum in np.unique(of).tolist()
            if len(each := late[(of == drum) & ~np.isnan(late)])]
    return float(np.median(np.concatenate(left))) if len(left) > 1 else 0.0
