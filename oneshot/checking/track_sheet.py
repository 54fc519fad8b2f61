"""The track sheet: what each mic of a take is, by its name and its user, and what was measured in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from oneshot.checking.distances import Distances, PathDelay
from oneshot.checking.measures import MicMeasures, measured
from oneshot.checking.polarity import Polarities
from oneshot.checking.survey import Survey
from oneshot.core.records.session import Mic


@dataclass(frozen=True, slots=True)
class Polarity:
    """``sign``: 1 where a mic hears hits as the mic ``against`` does, -1 where the other way round."""

    against: str
    sign: int


@dataclass(frozen=True, slots=True)
class Track:
    """One mic: what it is, its levels, how it stands to another mic, None where that was not to be told, and how much
    later each drum comes to it than to the drum's own mic.
    """

    mic: Mic
    measured: MicMeasures
    polarity: Polarity | None
    delays: Mapping[str, PathDelay]


def track_sheet(survey: Survey, recorded: Polarities, distances: Distances) -> tuple[Track, ...]:
    """Every mic of a take, in its order."""
    return tuple(Track(mic, found, _polarity(mic, recorded), distances[mic.name])
                 for mic, found in zip(survey.mics, measured(survey), strict=True))


def _polarity(mic: Mic, recorded: Polarities) -> Polarity | None:
    """Of a close mic against the first of its drum, of an overhead or a room against the first of those."""
    signs = recorded.far if mic.role.means.far else recorded.close
    found = next(((one, sign) for (one, other), sign in signs.items() if other == mic.name), None)
    return Polarity(*found) if found is not None and found[1] else None
