"""How much further than its own mic each drum is from every other one, read off the first wavefronts of its clear hits.

All delays of a drum are against one mic, the one that most of its hits belong to. Where enough hits have a clear front
in both mics these alone are read, and if they agree, the delay is known to 0.1 ms, 3 cm of way; elsewhere arrivals by a
threshold have to do. A drum is no point: what sounds first decides, a bass drum's batter head behind it or its front
head, a snare's head or its wires.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from oneshot.checking.survey import Survey
from oneshot.checking.wavefronts import fronts
from oneshot.core.records.session import Floats

FEWEST = 4
"""Hits of a drum from which its delay is reported."""
AGREE_MS = 0.1
"""Median deviation up to which hits agree: strokes land some centimetres apart."""


@dataclass(frozen=True, slots=True)
class PathDelay:
    """By how much a drum's hits come later to a mic than to the drum's own: the median of ``hits`` readings and their
    median deviation from it, ms. ``clear``: read off clear fronts that agree.
    """

    ms: float
    spread_ms: float
    hits: int
    clear: bool


Distances = Mapping[str, Mapping[str, PathDelay]]
"""Mic -> drum -> its delay, for the drums with clear hits of their own, in the order of the mics."""


def distances(survey: Survey) -> Distances:
    """Of every mic of a take and every drum that has clear hits there."""
    rate = survey.take.sample_rate
    begins = {n: (fronts(hit, rate), hit.arrival) for n, hit in enumerate(survey.hits)}
    out: dict[str, dict[str, PathDelay]] = {mic.name: {} for mic in survey.mics}
    for drum, home in homes(survey).items():
        mine = [begins[n] for n, hit in enumerate(survey.hits) if survey.mics[hit.owner].drum == drum]
        read, passed = (np.array([each[kind] - each[kind][home] for each in mine]) / rate * 1e3 for kind in (0, 1))
        for row, mic in enumerate(survey.mics):
            found = _delay(read[:, row], passed[:, row])
            if found is not None:
                out[mic.name][drum] = found
    return out


def homes(survey: Survey) -> dict[str, int]:
    """Drum -> the row of the mic that most of its clear hits belong to, the first of several, in the order of mics."""
    count = np.bincount([hit.owner for hit in survey.hits], minlength=len(survey.mics))
    out: dict[str, int] = {}
    for row, mic in enumerate(survey.mics):
        if mic.drum and count[row] and (mic.drum not in out or count[row] > count[out[mic.drum]]):
            out[mic.drum] = row
    return out


def _delay(read: Floats, passed: Floats) -> PathDelay | None:
    """A delay from what was read off fronts, or else by thresholds, ms, NaN where not; None of too few hits."""
    for kind, known in (("front", read[~np.isnan(read)]), ("threshold", passed[~np.isnan(passed)])):
        if len(known) >= FEWEST:
            usual = float(np.median(known))
            spread = float(np.median(np.abs(known - usual)))
            return PathDelay(usual, spread, len(known), kind == "front" and spread <= AGREE_MS)
    return None
