"""Measures of each mic of a take: how loud, and how noisy."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from oneshot.checking.survey import Survey
from oneshot.core.records.session import SILENT_PEAK


@dataclass(frozen=True, slots=True)
class MicMeasures:
    """``peak_dbfs``: its largest sample; ``noise_dbfs``: rms of its quietest seconds, None where it has none or is
    silent.
    """

    mic: str
    peak_dbfs: float | None
    noise_dbfs: float | None


def measured(survey: Survey) -> tuple[MicMeasures, ...]:
    """Every mic of a take, in its order."""
    return tuple(_of_mic(survey, row) for row in range(len(survey.mics)))


def _of_mic(survey: Survey, row: int) -> MicMeasures:
    peak = float(survey.peak[row].max(initial=0.0))
    power = [float(np.mean(np.square(x - x.mean(), dtype=np.float64))) for x in survey.quiet[row]]
    noise = float(np.median(power)) if power else 0.0
    return MicMeasures(survey.mics[row].name, 20 * float(np.log10(peak)) if peak > SILENT_PEAK else None,
                       10 * float(np.log10(noise)) if noise > 0 else None)
