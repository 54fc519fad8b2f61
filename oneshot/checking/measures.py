"""Measures of each mic of a take: how loud, how noisy, and how far from the drums that have mics of their own.

A distance here is a path difference: by how much further the mic is from a drum than that drum's own mic.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from oneshot.checking.finding import Finding, Harm
from oneshot.checking.survey import Survey
from oneshot.core.air import speed_of_sound
from oneshot.core.records.roles import Role
from oneshot.core.records.session import SILENT_PEAK, Problem

FEWEST = 4
"""Clear hits of a drum from which a mic's distance from it is reported."""
ENOUGH = 8
"""Hits from which a role is doubted."""
NEAR_S = 0.0029
"""What a room mic is never nearer by: a metre (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class MicMeasures:
    """``peak_dbfs``: its largest sample; ``noise_dbfs``: rms of its quietest seconds, None where it has none or is
    silent; ``delay_ms``: drum -> median delay against the close mic that each of its hits belongs to.
    """

    mic: str
    peak_dbfs: float | None
    noise_dbfs: float | None
    delay_ms: Mapping[str, float]


def measured(survey: Survey) -> tuple[MicMeasures, ...]:
    """Every mic of a take, in its order."""
    return tuple(_of_mic(survey, row) for row in range(len(survey.mics)))


def _of_mic(survey: Survey, row: int) -> MicMeasures:
    peak = float(survey.peak[row].max(initial=0.0))
    power = [float(np.mean(np.square(x - x.mean(), dtype=np.float64))) for x in survey.quiet[row]]
    noise = float(np.median(power)) if power else 0.0
    delays = {}
    for drum in drums(survey):
        found = _delays_ms(survey, row, drum)
        if len(found) >= FEWEST:
            delays[drum] = float(np.median(found))
    return MicMeasures(survey.mics[row].name, 20 * float(np.log10(peak)) if peak > SILENT_PEAK else None,
                       10 * float(np.log10(noise)) if noise > 0 else None, delays)


def drums(survey: Survey) -> list[str]:
    """The drums whose close mics clear hits belong to, in the order of the mics."""
    owners = {hit.owner for hit in survey.hits}
    return list(dict.fromkeys(mic.drum for row, mic in enumerate(survey.mics) if row in owners and mic.drum))


def _delays_ms(survey: Survey, row: int, drum: str) -> list[float]:
    """Delays of the clear hits of a drum in a mic, ms."""
    return [float(hit.arrival[row] - hit.arrival[hit.owner]) / survey.take.sample_rate * 1e3 for hit in survey.hits
            if survey.mics[hit.owner].drum == drum and not np.isnan(hit.arrival[row])]


def near_rooms(survey: Survey, air_c: float) -> Iterator[Finding]:
    """Mics that count as rooms, though no drum is a metre further from them than from its own mic."""
    for row, mic in enumerate(survey.mics):
        if mic.role is not Role.ROOM:
            continue
        of = {drum: _delays_ms(survey, row, drum) for drum in drums(survey)}
        near = {drum: float(np.median(found)) for drum, found in of.items() if len(found) >= ENOUGH}
        if near and max(near.values()) < NEAR_S * 1e3:
            drum = max(near, key=lambda each: near[each])
            metres = max(near[drum], 0.0) / 1e3 * speed_of_sound(air_c)
            what = f"the hits of the {drum} reach it {near[drum]:.1f} ms after its close mic, {metres:.1f} m further on"
            yield Finding(Harm.NOTE, Problem(
                f"{survey.take.name}/{mic.name}", f"counts as a room mic, but {what}",
                "give it its role in session.toml: overhead, or close with the drum it stands at"))
