"""A session checked: every take surveyed once, its mics measured, its faults in order of harm."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from oneshot.checking.clocks import clock_faults
from oneshot.checking.compression import compressed
from oneshot.checking.edits import edits
from oneshot.checking.finding import Finding, in_order
from oneshot.checking.measures import MicMeasures, measured, near_rooms
from oneshot.checking.mic_faults import Led, led, mic_faults, misnamed
from oneshot.checking.polarity import Signs, close_polarities, inverted_since
from oneshot.checking.signal_faults import signal_faults
from oneshot.checking.survey import surveyed
from oneshot.checking.tuning import tuning
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
    signs: dict[str, Signs] = {}
    leading: list[Led] = []
    for take in session.takes:  # of a take nothing stays but what later ones are held against
        survey = surveyed(session.root, take, jobs=jobs, progress=progress)
        mics[take.name], signs[take.name] = measured(survey), close_polarities(survey)
        found += [*signal_faults(survey), *compressed(survey), *mic_faults(survey, signs[take.name]),
                  *clock_faults(survey), *edits(survey), *tuning(survey), *near_rooms(survey, session.air_c)]
        leading.append(led(survey))
    first = session.takes[0].name
    for name, now in signs.items():
        found += inverted_since(first, signs[first], name, now)
    return Checked(in_order([*found, *misnamed(leading)]), mics)
