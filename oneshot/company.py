"""Company: drums that something else falls with which could not be told apart from them.

The way from a drum to each mic is always the same, so its arrivals keep to half a millisecond between two mics (a
cymbal's to one, since it swings). Nobody strikes two drums as exactly as that: players are 5 to 10 ms apart. Where the
arrivals of strokes that seem to be one drum's scatter by more, another drum comes first time and again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from oneshot import align
from oneshot.found import Strokes
from oneshot.model import Floats, Frames, Problem, Role

SCATTER_MS = 1.5
"""Half the range from the 16th to the 84th percentile beyond which arrivals are not one drum's: half as much again as a
swinging cymbal's."""
FEWEST = 8
"""Clear readings from which a scatter is told."""


def scatter_ms(arrival_ms: Floats, home: int) -> float | None:
    """How far arrivals scatter against the home mic's: the median over mics, ms; None where too few are clear.

    ``arrival_ms``: float64 (hits, mics), NaN where not clear.
    """
    away = np.delete(arrival_ms - arrival_ms[:, [home]], home, axis=1)
    known = [column[~np.isnan(column)] for column in away.T]
    ranges = [np.diff(np.percentile(each, [16, 84]))[0] / 2 for each in known if len(each) >= FEWEST]
    return float(np.median(ranges)) if ranges else None


def in_company(strokes: Strokes, drum: Frames, home_row: Callable[[int], int]) -> dict[int, float]:
    """The drums of a take whose lone strokes, as far as can be told, are not alone: number -> scatter, ms.

    ``drum``: int64 (kinds,); ``home_row``: number of a drum -> row of its home mic.
    """
    take = strokes.heard.take
    clear = align.clear_delays_ms(strokes.heard.arrivals, take.sample_rate)[strokes.rows]
    clear[:, [mic.role in (Role.BUS, Role.TALK, Role.IGNORE) for mic in take.mics]] = np.nan
    alone = (strokes.gain > 0).sum(axis=1) == 1
    found = {number: scatter_ms(clear[alone & (drum[strokes.kind] == number)], home_row(number))
             for number in sorted({int(d) for d in drum[strokes.kind]})}
    return {number: value for number, value in found.items() if value is not None and value > SCATTER_MS}


def company_problems(take: str, found: Mapping[int, float], names: Mapping[int, str]) -> list[Problem]:
    """What to tell of the drums that ``in_company`` found in a take; ``names``: of drums by number."""
    return [Problem(f"{take}/{names[number]}",
                    f"its arrivals scatter by {value:.1f} ms between mics, where those of one drum keep to half a "
                    "millisecond: another drum often falls with it and is not told apart",
                    "the bleed table holds that drum with it; no hit of it is graded A, and in overheads and rooms all "
                    "are D; record some strokes of it alone") for number, value in found.items()]
