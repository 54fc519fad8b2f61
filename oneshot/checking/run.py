"""A session checked: every take surveyed once, its mics measured, its faults in order of harm."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from oneshot.checking.finding import Finding, in_order
from oneshot.checking.measures import MicMeasures, measured, near_rooms
from oneshot.checking.mic_faults import mic_faults, misnamed, polarity_between_takes
from oneshot.checking.signal_faults import signal_faults
from oneshot.checking.survey import Survey, surveyed
from oneshot.core.progress import Progress
from oneshot.core.records.session import Session


@dataclass(frozen=True, slots=True)
class Checked:
    """What was found in a session: faults, the worst first; and take -> its mics as measured."""

    findings: tuple[Finding, ...]
    mics: Mapping[str, tuple[MicMeasures, ...]]


def checked(session: Session, *, jobs: int, progress: Progress) -> Checked:
    """Listen to a whole session once. Raises AudioError where a file cannot be read."""
    found: list[Finding] = []
    mics: dict[str, tuple[MicMeasures, ...]] = {}
    surveys: list[Survey] = []
    for take in session.takes:
        survey = surveyed(session.root, take, jobs=jobs, progress=progress)
        mics[take.name] = measured(survey)
        found += [*signal_faults(survey), *mic_faults(survey), *near_rooms(survey, session.air_c)]
        found += polarity_between_takes(surveys[0], survey) if surveys else []
        surveys.append(survey)
    return Checked(in_order([*found, *misnamed(surveys)]), mics)
