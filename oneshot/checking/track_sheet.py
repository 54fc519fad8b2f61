"""The track sheet: what each mic of a take is, by its name and its user, and what was measured in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from oneshot.checking.distances import Distances, PathDelay
from oneshot.checking.measures import MicMeasures, measured
from oneshot.checking.polarity import Signs, polarity
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


def track_sheet(survey: Survey, signs: Signs, distances: Distances) -> tuple[Track, ...]:
    """Every mic of a take, in its order. ``signs``: as from ``close_polarities``."""
    return tuple(Track(survey.mics[row], found, _polarity(survey, signs, row), distances[found.mic])
                 for row, found in enumerate(measured(survey)))


def _polarity(survey: Survey, signs: Signs, row: int) -> Polarity | None:
    """Of a close mic against the first of its drum, of an overhead or a room against the first of those: two mics of
    different drums, or of one drum from near and far, have no polarity to each other.
    """
    mic = survey.mics[row]
    if mic.role.means.far:
        first = next(other for other, each in enumerate(survey.mics) if each.role.means.far)
        sign = 0 if first == row else polarity(survey, first, row)
        return Polarity(survey.mics[first].name, sign) if sign else None
    return next((Polarity(one, sign) for (one, other), sign in signs.items() if other == mic.name and sign), None)
