"""Polarity: mics that hear a hit the other way round than others do, now or against another take.

Hits vote: of one a drum's own radiation, the room or noise may turn the sign.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from oneshot.audio import cross_correlation
from oneshot.checking.finding import Finding, Harm
from oneshot.checking.steps import ENOUGH
from oneshot.checking.survey import ClearHit, Survey
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic, Problem, Take
from oneshot.session.session_file import quote

MOST_OF = 0.9
"""The share of hits that has to agree."""
FIRST_S, STEP_S = 0.005, 0.0003
"""How much of a hit is compared, and how far two mics may be out of step once each begins at its arrival: 10 cm."""
ALIKE = 0.5
"""Correlation of two beginnings from which its sign says something."""

Signs = Mapping[tuple[str, str], int]
"""Two mics, the first one first -> 1 where they hear hits alike, -1 where the other way round, 0 where nobody can tell.
"""


@dataclass(frozen=True, slots=True)
class Polarities:
    """Those of a take's mics as they were recorded: ``close``, of mics that share a drum; ``far``, of overheads and
    rooms.
    """

    close: Signs
    far: Signs


def polarities(survey: Survey) -> Polarities:
    """Of all mics that have one to each other: two of different drums, or of one from near and far, do not."""
    close = [row for row, mic in enumerate(survey.mics) if mic.role is Role.CLOSE]
    far = [row for row, mic in enumerate(survey.mics) if mic.role.means.far]
    at_one_drum = [(a, b) for a, b in combinations(close, 2) if survey.mics[a].drum == survey.mics[b].drum]
    return Polarities(*({(survey.mics[a].name, survey.mics[b].name): _polarity(survey, a, b) for a, b in pairs}
                        for pairs in (at_one_drum, combinations(far, 2))))


def declared(signs: Signs, mics: Sequence[Mic]) -> Signs:
    """The same as session.toml says that they are to be taken."""
    turned = {mic.name: mic.polarity for mic in mics}
    return {(one, other): sign * turned[one] * turned[other] for (one, other), sign in signs.items()}


def inverted(survey: Survey, recorded: Polarities, left: set[int]) -> Iterator[Finding]:
    """Far mics that are inverted against most others, or against the other one of their pair; mics of one drum that
    hear it from one side and disagree.
    """
    far = [row for row, mic in enumerate(survey.mics) if mic.role.means.far and row not in left]
    signs, far_signs = (declared(each, survey.mics) for each in (recorded.close, recorded.far))
    for row in far:
        found = {other: far_signs[survey.mics[min(row, other)].name, survey.mics[max(row, other)].name]
                 for other in far if other != row}
        against = [other for other, sign in found.items() if sign == -1]
        pair = [other for other in found if survey.mics[row].pair and survey.mics[other].pair == survey.mics[row].pair]
        alone = len(against) >= 2 and 1 not in found.values()
        if alone or (len(far) == 2 and pair and against and survey.mics[row].side == "R"):
            yield survey.fault(row, Harm.WRONG, "has its polarity inverted against "
                           + ("the other far mics" if alone else survey.mics[against[0]].name),
                               _turn(survey.take, survey.mics[row]))
    rows = {mic.name: row for row, mic in enumerate(survey.mics)}
    for (one, other), sign in signs.items():
        a, b = rows[one], rows[other]
        if sign == -1 and not {a, b} & left and _same_side(survey.mics[a], survey.mics[b]):
            yield survey.fault(b, Harm.WRONG, f"has its polarity inverted against {one}",
                               _turn(survey.take, survey.mics[b]))


def _turn(take: Take, mic: Mic) -> str:
    """What to do about a mic that is the other way round, as it is declared."""
    if mic.polarity == -1:
        return "take its polarity = -1 out of session.toml"
    return f"write {_table(take, mic)} and polarity = -1 below it into session.toml, or turn it at the preamp"


def _table(take: Take, mic: Mic) -> str:
    """The table of session.toml that speaks of a mic in one take."""
    return f"[takes.{quote(take.found or take.name)}.mics.{quote(mic.found or mic.name)}]"


def inverted_since(first: str, then: Signs, later: Take, now: Signs) -> Iterator[Finding]:
    """Mics of one drum that stand to each other in one polarity in the take ``first`` and in the other in ``later``, as
    declared; not where it is told of ``first`` already.
    """
    for (one, other), sign in now.items():
        before = then.get((one, other), 0)
        told = before == -1 and _same_side(later.mic(one), later.mic(other))
        if sign * before == -1 and not told:
            yield Finding(Harm.WRONG, Problem(
                f"{later.name}/{other}", f"or {one} has its polarity inverted against {first}",
                f"write {_table(later, later.mic(other))} and polarity = -1 below it into session.toml, or the same of "
                "the other mic or take: whichever was turned"))


def _same_side(one: Mic, other: Mic) -> bool:
    """Whether two mics of a drum hear it from one side: top and bottom of a head move against each other."""
    return "bottom" not in (one.place, other.place) or one.place == other.place


def _polarity(survey: Survey, a: int, b: int) -> int:
    """1 where two mics hear hits alike, -1 where the other way round; 0 where the hits do not agree, or are too few.

    Hits of one drum vote together, each by the sign of the largest cross-correlation of its first 5 ms (Jillings,
    Clifford, Reiss 2013, AES 134, from memory). Mics of one drum are held against each other by that drum alone; others
    by two drums or more, since a drum may radiate to two mics in opposite phase.
    """
    of_drum = {survey.mics[a].drum, survey.mics[b].drum} if survey.mics[a].role is Role.CLOSE else set()
    signs: dict[str, list[float]] = {}
    for hit in survey.hits:
        if not np.isnan(hit.arrival[[a, b]]).any() and (not of_drum or survey.mics[hit.owner].drum in of_drum):
            found = correlation(hit, a, b, survey.take.sample_rate)
            if abs(found) > ALIKE:
                signs.setdefault(survey.drum(hit), []).append(np.sign(found))
    votes = []
    for mine in signs.values():
        mean = float(np.mean(mine))
        if len(mine) >= ENOUGH:
            votes.append(int(np.sign(mean)) if abs(mean) >= 2 * MOST_OF - 1 else 0)
    if len(votes) < (1 if of_drum else 2) or len(set(votes)) != 1:
        return 0
    return votes[0]


def correlation(hit: ClearHit, a: int, b: int, sample_rate: int) -> float:
    """The normalised cross-correlation, -1 to 1, of a hit's first 5 ms in two mics, each from its own arrival on, where
    it is largest within 0.3 ms.
    """
    length, reach = round(FIRST_S * sample_rate), round(STEP_S * sample_rate)
    first, second = (int(hit.arrival[row]) - length // 10 for row in (a, b))
    if min(first, second - reach) < 0:
        return 0.0
    inner = hit.sound[a, first : first + length].astype(np.float64)
    other = hit.sound[b, second - reach : second + length + reach].astype(np.float64)
    found, lag = cross_correlation.largest(inner, other)
    met = other[lag : lag + len(inner)]
    return found / float(np.sqrt((inner @ inner) * (met @ met)) + 1e-30)
