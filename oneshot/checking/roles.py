"""Roles by sound: what a mic is for whose name says nothing, where distances leave no doubt; and rooms that are none.

A mic at a drum hears it as early as the drum's own mic, and louder than any other; an overhead is further from every
drum than that drum's own mic, by about as much from each; a room mic is further still. A mic at a drum that no
other mic is as near to hears that drum before all of them. What is between is not judged, and of takes that
disagree nothing is said. All limits are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from oneshot.checking.distances import LOUD, Distances, of_one_place
from oneshot.checking.finding import Finding, Harm
from oneshot.checking.survey import Survey
from oneshot.core.air import speed_of_sound
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Problem, Session
from oneshot.session.session_file import FILE, quote

ENOUGH = 8
"""Clear hits of a drum in a mic from which they say what it is."""
AT_DRUM_M = 0.35
"""Two mics of one drum stand no further apart."""
OVERHEAD_M, ROOM_M, FURTHEST_M = (0.6, 2.0), 2.4, 7.0
"""How much further a drum is from an overhead, and from a room mic, than from its own mic; and by how much more no mic
of a kit is further, but a file that is out of time by 20 ms seems to be.
"""
NOT_A_ROOM_M = 1.0
"""A room mic is further than that from some drum."""
KIT_M = 1.5
"""By how much these ways differ between drums: a kit is that wide."""
DRUMS = {Role.OVERHEAD: 3, Role.ROOM: 2}
"""Drums that have to say so: two of them a hat's mic may be as far from as an overhead."""
LOUDER_DB = 9.5
"""A close mic hears its drum so much louder than any other: others are three times as far and more (inverse distance
law). A mic that hears all drums hears none so much louder.
"""
FIRST_MS = 0.5
"""A mic that hits reach so much (17 cm) before every other one stands at their drum, or near it."""


@dataclass(frozen=True, slots=True)
class Fit:
    """What a mic is by its sound, and why. ``role`` None: something else than a mic of the whole kit, nobody knows
    what; ``drum``: where it is a close mic, empty of a drum that no other mic is as near to; ``hits``: that say so.
    """

    role: Role | None
    drum: str = ""
    why: str = ""
    hits: int = 0


def fits(survey: Survey, distances: Distances, air_c: float) -> Mapping[str, Fit]:
    """The mics of a take, by name, whose name says nothing and whose sound does."""
    out: dict[str, Fit] = {}
    for row, mic in enumerate(survey.mics):
        if mic.nameless:
            found = _at_lone_drum(survey, row) or _by_distance(survey, distances, row, speed_of_sound(air_c))
            if found is not None:
                out[mic.name] = found
    return out


def suggested(session: Session, takes: Sequence[Mapping[str, Fit]]) -> Iterator[Finding]:
    """One finding for each mic that all takes which can tell agree about."""
    tables = {mic.name: mic.found or mic.name for take in session.takes for mic in take.mics}
    for name in sorted({name for take in takes for name in take}):
        found = [take[name] for take in takes if name in take]
        best = max(found, key=lambda fit: fit.hits)
        if best.role is None or len({(fit.role, fit.drum) for fit in found}) > 1:
            continue
        what = f"a close mic of the {best.drum}" if best.drum else \
            "a close mic of a drum that no other mic is as near to" if best.role is Role.CLOSE else \
            f"{'an' if best.role is Role.OVERHEAD else 'a'} {best.role} mic"
        line = f'drum = {quote(best.drum or "...")}' if best.role is Role.CLOSE else f'role = "{best.role}"'
        yield Finding(Harm.NOTE, Problem(name, f"by its sound it is {what}: {best.why}",
                                         f"write [mics.{quote(tables[name])}] and {line} into {FILE}"))


def doubted_rooms(survey: Survey, distances: Distances, air_c: float) -> Iterator[Finding]:
    """Mics that count as rooms, though no drum is a metre further from them than from its own mic."""
    for mic in survey.mics:
        known = distances[mic.name]
        ways = {drum: delay.ms / 1e3 * speed_of_sound(air_c) for drum, delay in known.items()}
        drum = max(ways, key=lambda each: ways[each], default="")
        if mic.role is Role.ROOM and drum and ways[drum] < NOT_A_ROOM_M and known[drum].clear \
                and known[drum].hits >= ENOUGH:
            yield Finding(Harm.NOTE, Problem(
                f"{survey.take.name}/{mic.name}", f"counts as a room mic, but the {drum} is only "
                f"{max(ways[drum], 0.0):.1f} m further from it than from its own mic",
                f"give it its role in {FILE}: overhead, or close with the drum it stands at"))


def _by_distance(survey: Survey, distances: Distances, row: int, metres_a_second: float) -> Fit | None:
    """What a mic's distances say; None where they leave a doubt."""
    known = distances[survey.mics[row].name]
    if len(known) < 2:
        return None
    ways = {drum: delay.ms / 1e3 * metres_a_second for drum, delay in known.items()}
    level = {drum: _level_db(survey, row, drum) for drum in ways}
    top, second = sorted(level, key=lambda drum: -level[drum])[:2]
    louder = level[top] - level[second]
    hits = sum(delay.hits for delay in known.values())
    if abs(ways[top]) <= AT_DRUM_M and louder >= LOUDER_DB and known[top].hits >= ENOUGH:
        return Fit(Role.CLOSE, top, f"the {top} is {max(ways[top], 0.0):.1f} m further from it than from its own mic, "
                   f"and {louder:.0f} dB louder in it than any other drum", hits)
    low, high = min(ways.values()), max(ways.values())
    role = Role.OVERHEAD if OVERHEAD_M[0] <= low and high <= OVERHEAD_M[1] else \
        Role.ROOM if low >= ROOM_M and high <= FURTHEST_M else None
    sure = sum(delay.clear and delay.hits >= ENOUGH for delay in known.values())
    if role is None or sure < DRUMS[role] or high - low > KIT_M or louder >= LOUDER_DB:
        return None
    return Fit(role, "", f"{', '.join(ways)} are {low:.1f} to {high:.1f} m further from it than from their own mics",
               hits)


def _level_db(survey: Survey, row: int, drum: str) -> float:
    """How loud a drum's louder hits are in a mic, dBFS."""
    peaks = [hit.peak[row] for hit in survey.hits if survey.mics[hit.owner].drum == drum]
    return 20 * float(np.log10(max(np.percentile(peaks, 90), 1e-9)))


def _at_lone_drum(survey: Survey, row: int) -> Fit | None:
    """Whether hits of one place reach a mic before all others, as those of a drum do that it is nearest to. Of few
    such hits, or of several places, only that it may be so.
    """
    early = []
    for hit in survey.hits:
        others = np.delete(hit.arrival, row)
        if np.count_nonzero(~np.isnan(others)) >= 2:  # of fewer nobody knows where they come from
            lead = float(np.nanmin(others) - hit.arrival[row]) / survey.take.sample_rate * 1e3
            if lead >= FIRST_MS:
                early.append((hit, lead))
    if not early:
        return None
    delays = np.stack([hit.arrival - hit.arrival[row] for hit, _ in early]) / survey.take.sample_rate * 1e3
    peak = np.array([hit.peak[row] for hit, _ in early])
    same = of_one_place(delays, peak)
    if np.count_nonzero(same) < ENOUGH or not same.all() or peak.max() < survey.peak[row].max() / LOUD:
        return Fit(None)
    lead = float(np.median([lead for _, lead in early]))
    return Fit(Role.CLOSE, "", f"{len(early)} hits of one place, its loudest, reach it {lead:.1f} ms before every "
               "other mic", len(early))
