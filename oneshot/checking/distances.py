"""How much further than its own mic each drum is from every other one, read off the first wavefronts of its clear hits.

All delays of a drum are against one mic, the one that most of its hits belong to. Hits of drums without a mic belong to
some mic, too; so only those count that come from one place, that of the loudest in the drum's own mic. Where enough of
them have a clear front in both mics these alone are read, and if they agree, the delay is known to 0.1 ms, 3 cm of way;
in mics without clear fronts arrivals by a threshold have to do. A drum is no point: what sounds first decides, a bass
drum's batter head behind it or its front head, a snare's head or its wires.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from oneshot.checking.survey import Survey
from oneshot.checking.wavefronts import fronts
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats

FEWEST = 4
"""Hits of a drum from which its delay is reported."""
AGREE_MS = 0.1
"""Median deviation up to which hits agree: strokes land some centimetres apart."""
ONE_PLACE_MS, OF_MICS = 0.25, 80.0
"""Hits come from one place whose delays differ by no more than this, 9 cm, in four of five mics: strokes on one drum
lie so near together for most mics, drums side by side do not (common practice, no source).
"""
OVERHEAD_MS = 0.9
"""No drum is less than 0.3 m nearer to its own mic than to an overhead; what is belongs to another drum, or to a cymbal
below that overhead (common practice, no source).
"""
LOUD = 2.0
"""A drum's loudest hits in its own mic are those within 6 dB of the very loudest, which may be two drums at once."""


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
    out: dict[str, dict[str, PathDelay]] = {mic.name: {} for mic in survey.mics}
    for drum, home in _homes(survey).items():
        hits = [hit for hit in survey.hits if survey.mics[hit.owner].drum == drum]
        read = _against(home, np.stack([fronts(hit, survey.take.sample_rate) for hit in hits]), survey)
        passed = _against(home, np.stack([hit.arrival for hit in hits]), survey)
        own = of_one_place(np.where(np.isnan(read), passed, read), np.array([hit.peak[home] for hit in hits]),
                           [row for row, mic in enumerate(survey.mics) if mic.role is Role.OVERHEAD and row != home])
        if np.count_nonzero(~np.isnan(read[own, home])) < FEWEST:
            continue
        for row, mic in enumerate(survey.mics):
            found = _delay(read[own, row], passed[own, row])
            if found is not None:
                out[mic.name][drum] = found
    return out


def _homes(survey: Survey) -> dict[str, int]:
    """Drum -> the row of the mic that most of its clear hits belong to, the first of several, in the order of mics."""
    count = np.bincount([hit.owner for hit in survey.hits], minlength=len(survey.mics))
    out: dict[str, int] = {}
    for row, mic in enumerate(survey.mics):
        if mic.drum and count[row] and (mic.drum not in out or count[row] > count[out[mic.drum]]):
            out[mic.drum] = row
    return out


def _against(home: int, begins: Floats, survey: Survey) -> Floats:
    """Beginnings (hits, mics), frames, as delays against one of the mics, ms."""
    return np.asarray((begins - begins[:, home, None]) / survey.take.sample_rate * 1e3)


def of_one_place(delays: Floats, peak: Floats, overheads: Sequence[int] = ()) -> NDArray[np.bool_]:
    """The hits, bool (hits,), that come from the place of the loudest: of several such places, that of most hits.

    ``delays``: (hits, mics), ms, NaN where not known; ``peak``: (hits,) in the drum's own mic; ``overheads``: rows of
    mics that are not as near to it.
    """
    best = np.zeros(len(delays), np.bool_)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # of two hits that no mic hears both
        for each in np.flatnonzero(peak * LOUD >= peak.max()).tolist():
            same = np.nanpercentile(np.abs(delays - delays[each]), OF_MICS, axis=1) <= ONE_PLACE_MS
            above = np.nanmedian(delays[same][:, list(overheads)], axis=0)
            if same.sum() > best.sum() and not np.any(above < OVERHEAD_MS):
                best = same
    return best


def _delay(read: Floats, passed: Floats) -> PathDelay | None:
    """A delay from what was read off fronts, or else by thresholds, ms, NaN where not; None of too few hits, or of hits
    that do not agree.
    """
    for kind, known in (("front", read[~np.isnan(read)]), ("threshold", passed[~np.isnan(passed)])):
        if len(known) >= FEWEST:
            usual = float(np.median(known))
            spread = float(np.median(np.abs(known - usual)))
            if spread <= ONE_PLACE_MS:
                return PathDelay(usual, spread, len(known), kind == "front" and spread <= AGREE_MS)
    return None
