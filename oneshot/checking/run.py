"""A session checked: every take surveyed once, its mics measured, its faults in order of harm."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from oneshot.checking.clocks import clock_faults
from oneshot.checking.compression import compressed
from oneshot.checking.distances import distances
from oneshot.checking.edits import edits
from oneshot.checking.finding import Finding, in_order
from oneshot.checking.mic_faults import Led, led, mic_faults, misnamed
from oneshot.checking.polarity import Signs, declared, inverted_since, polarities
from oneshot.checking.roles import Fit, doubted_rooms, fits, suggested
from oneshot.checking.signal_faults import signal_faults
from oneshot.checking.survey import surveyed
from oneshot.checking.track_sheet import Track, track_sheet
from oneshot.checking.tuning import tuning
from oneshot.core.progress import Progress
from oneshot.core.records.session import Session


@dataclass(frozen=True, slots=True)
class Checked:
    """What was found in a session: faults, the worst first; and take -> its track sheet."""

    findings: tuple[Finding, ...]
    tracks: Mapping[str, tuple[Track, ...]]


def checked(session: Session, *, jobs: int, progress: Progress) -> Checked:
    """Listen to a whole session once. Raises AudioError where a file cannot be read."""
    found: list[Finding] = []
    doubts: list[Finding] = []  # of a role; not where the right one is told
    tracks: dict[str, tuple[Track, ...]] = {}
    signs: dict[str, Signs] = {}
    leading: list[Led] = []
    by_sound: list[Mapping[str, Fit]] = []
    heard = [take for take in session.takes if any(mic.role.means.read for mic in take.mics)]
    for take in heard:  # of a take nothing stays but what later ones are held against
        survey = surveyed(session.root, take, jobs=jobs, progress=progress)
        recorded, ways = polarities(survey), distances(survey)
        signs[take.name] = declared(recorded.close, survey.mics)
        tracks[take.name] = track_sheet(survey, recorded, ways)
        by_sound.append(fits(survey, ways, session.air_c))
        found += [*signal_faults(survey), *compressed(survey), *mic_faults(survey, recorded),
                  *clock_faults(survey), *edits(survey), *tuning(survey)]
        doubts += doubted_rooms(survey, ways, session.air_c)
        leading.append(led(survey))
    for take in heard[1:]:
        found += inverted_since(heard[0].name, signs[heard[0].name], take, signs[take.name])
    roles = list(suggested(session, by_sound))
    known = {f"{take}/{each.problem.where}" for take in tracks for each in roles}
    doubts = [each for each in doubts if each.problem.where not in known]
    return Checked(in_order([*found, *doubts, *misnamed(leading), *roles]), tracks)
