"""Faults that show between mics: one recording twice, files that are not in time, names and sides that are exchanged,
polarity, gain that was moved.

All is read from the survey's clear hits, each of which belongs to one close mic. A fault is one only where most of many
hits agree: a single hit can be anything.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from oneshot.audio import cross_correlation
from oneshot.checking.finding import Finding, Harm
from oneshot.checking.steps import ENOUGH, step
from oneshot.checking.survey import ClearHit, Survey
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Frames, Mic, Problem

MOST_OF = 0.9
"""The share of hits that has to agree."""
ONE_SOUND = 0.9999
"""Correlation from which two mics hold one recording: 37 dB above what differs. Two capsules side by side differ by
more, if by their noise and position alone.
"""
NEAR_S, OUT_OF_TIME_S, OF_BEGINNINGS = 0.020, 0.025, 0.4
"""Sound needs 20 ms for 7 m: mics in one room hear a hit within that. A file is not in time that lies further off in so
many of its clear beginnings; not every one of these is clear in another mic.
"""
REACH_S = 2.0
ALIKE_BY = 0.2
"""By how much better the levels of a file that is out of time correlate with the others' once it is put in time."""
ONE_DRUM_S = 0.001
"""Two mics of one drum stand no further apart than 0.35 m (common practice, no source); the mic of a drum that is never
played hears others from further away.
"""
ONE_DELAY_S = 0.0002
"""Scatter (median deviation) of a drum's delay from one mic to another: strokes land some centimetres apart."""
LOUD = 4.0
"""A mic's loud hits are those up to so much (12 dB) below its loudest."""
FIRST_S, STEP_S = 0.005, 0.0003
"""How much of a hit is compared, and how far two mics may be out of step once each begins at its arrival: 10 cm."""
ALIKE = 0.5
"""Correlation of two beginnings from which its sign says something."""
TURN_IT = "set polarity = -1 for it in session.toml, or turn it at the preamp"
SOFTEST = 0.02
"""Share of a mic's time in which there is as little as there is ever: noise, or tails where playing never stops."""
MOVED_DB = 3.0
"""Gain that was moved by less than this is no worry: takes are matched better than that."""


LEANS_DB = 1.5
"""A drum lies to one side of a pair where it is so much louder there than the middle one of all drums."""


def mic_faults(survey: Survey, signs: Signs) -> Iterator[Finding]:
    """All that one take shows; ``signs``: as from ``close_polarities``."""
    twice = _same_recording(survey)
    for first, second in twice:
        yield survey.fault(second, Harm.WRONG, f"has the same audio as {survey.mics[first].name}",
                       'find the right file, or give one of them role = "ignore" in session.toml')
    apart = _out_of_time(survey)
    for row, late in apart.items():
        yield survey.fault(row, Harm.WRONG,
                       f"is {abs(late) * 1e3:.0f} ms {'late' if late > 0 else 'early'} against the other mics",
                       "export all files from one start, or give them time stamps")
    left = {second for _, second in twice} | set(apart)
    yield from _polarity(survey, signs, left)
    yield from _sides(survey, left)
    yield from _gain(survey, left)


# -------------------------------------------------------------------------------------------------- one recording twice


def _same_recording(survey: Survey) -> list[tuple[int, int]]:
    """Rows of mics that hold one recording, whatever their gain: (the first, each later one)."""
    if not survey.hits:
        return []
    sound = np.concatenate([hit.sound for hit in survey.hits], axis=1).astype(np.float64)
    product = sound @ sound.T
    norm = np.sqrt(np.diag(product))
    out = []
    done: set[int] = set()
    for a, b in combinations(range(len(sound)), 2):
        if b not in done and norm[a] > 0 and norm[b] > 0 and abs(product[a, b]) > ONE_SOUND * norm[a] * norm[b]:
            out.append((a, b))
            done.add(b)
    return out


# ---------------------------------------------------------------------------------------------------------- out of time


def _out_of_time(survey: Survey) -> dict[int, float]:
    """Row -> by how many seconds a mic's clear beginnings come after those of the others, where that is no distance."""
    rate = survey.take.sample_rate
    out = {}
    for row, mine in enumerate(survey.begins):
        others = np.sort(np.concatenate([at for other, at in enumerate(survey.begins) if other != row] or [mine[:0]]))
        if len(mine) < ENOUGH or len(others) < ENOUGH or not survey.mics[row].role.means.of_kit:
            continue
        late, share, at_once = _usual_lag(mine, others, rate)
        if abs(late) > OUT_OF_TIME_S and share >= OF_BEGINNINGS and share > 3 * at_once \
                and _alike(survey, row, late) > _alike(survey, row, 0.0) + ALIKE_BY:
            out[row] = late
    return out if 2 * len(out) < len(survey.mics) else {}


def _alike(survey: Survey, row: int, late_s: float) -> float:
    """Correlation, -1 to 1, of a mic's level over time with that of the others, if it comes so much later: bleed goes
    up and down with everything else. Rhythm alone does not tell: a kick that no other mic picks up clearly comes a bar
    after something, too.
    """
    others = [other for other in range(len(survey.mics)) if other != row]
    level = 10 * np.log10(np.maximum(survey.level, 1e-9))
    mine, rest = level[row], level[others].mean(axis=0)
    shift = round(late_s * survey.take.sample_rate / survey.slot)
    a, b = (mine[shift:], rest[: len(rest) - shift]) if shift >= 0 else (mine[:shift], rest[-shift:])
    if len(a) < 2 or a.std() == 0 or b.std() == 0:
        return 0.0
    return float(np.corrcoef(a, b)[0, 1])


def _usual_lag(mine: Frames, others: Frames, rate: int) -> tuple[float, float, float]:
    """The lag (s) at which most of a mic's beginnings have one in another mic, the share that do, and the share that
    have one at once.
    """
    reach, bin_s = round(REACH_S * rate), 0.005
    lags = []
    for at in mine.tolist():
        near = others[np.searchsorted(others, at - reach) : np.searchsorted(others, at + reach)]
        lags.append(np.unique(np.round((at - near) / (bin_s * rate)).astype(np.int64)))
    found, counts = np.unique(np.concatenate(lags), return_counts=True)
    if not len(found):
        return 0.0, 0.0, 0.0
    wide = np.array([counts[np.abs(found - lag) <= 1].sum() for lag in found])
    best = int(wide.argmax())
    at_once = sum(bool(np.any(np.abs(lag) * bin_s <= NEAR_S)) for lag in lags)
    return float(found[best] * bin_s), min(1.0, float(wide[best]) / len(mine)), at_once / len(mine)


# ------------------------------------------------------------------------------------------------------ names and sides


@dataclass(frozen=True, slots=True)
class Led:
    """Of one take: the close mics that hits belong to, and by how much (s) the loud hits of other close mics come after
    the mic that each of them belongs to, of another drum: mic -> that mic -> lags.
    """

    first: frozenset[str]
    lags: Mapping[str, Mapping[str, Sequence[float]]]


def led(survey: Survey) -> Led:
    """Which close mic leads in the hits of a take."""
    lags: dict[str, dict[str, list[float]]] = {}
    loud = survey.peak.max(axis=1) / LOUD
    close = [row for row, mic in enumerate(survey.mics) if mic.role is Role.CLOSE]
    for hit in survey.hits:
        owner = survey.mics[hit.owner]
        for row in close:
            if survey.mics[row].drum != owner.drum and hit.peak[row] > loud[row] \
                    and hit.peak[hit.owner] > loud[hit.owner] and not np.isnan(hit.arrival[row]):
                lag = float(hit.arrival[row] - hit.arrival[hit.owner]) / survey.take.sample_rate
                lags.setdefault(survey.mics[row].name, {}).setdefault(owner.name, []).append(lag)
    return Led(frozenset(survey.mics[hit.owner].name for hit in survey.hits), lags)


def misnamed(takes: Sequence[Led]) -> Iterator[Finding]:
    """Close mics that no hit of the session belongs to, while their loud hits all come from another drum's mic by one
    delay: hits of one drum do, drums that are struck together do not. A drum that is not played in one take has hits
    in another.
    """
    first = frozenset[str]().union(*(take.first for take in takes))
    for name in sorted({name for take in takes for name in take.lags} - first):
        lags: dict[str, list[float]] = {}
        for take in takes:
            for other, found in take.lags.get(name, {}).items():
                lags.setdefault(other, []).extend(found)
        other, late = max(lags.items(), key=lambda each: len(each[1]))
        usual = float(np.median(late))
        spread = float(np.median(np.abs(np.array(late) - usual)))
        if len(late) >= ENOUGH and spread < ONE_DELAY_S and usual < ONE_DRUM_S:
            what = f"its {len(late)} loud hits reach {other} {usual * 1e3:.1f} ms before"
            yield Finding(Harm.WRONG, Problem(name, f"hears another drum than its own: {what}",
                                              "see that it is the right file and name, and that its mic stands at its "
                                              "drum"))


def _sides(survey: Survey, left: set[int]) -> Iterator[Finding]:
    """Pairs of overheads and rooms whose left and right disagree: no drum leans to the same side in both."""
    pairs: dict[str, dict[str, int]] = {}
    for row, mic in enumerate(survey.mics):
        if mic.pair and mic.side and mic.role.means.whole_kit and row not in left:
            pairs.setdefault(mic.pair, {})[mic.side] = row
    lean = {name: np.array([_lean(hit, sides) for hit in survey.hits]) for name, sides in pairs.items()
            if set(sides) == {"L", "R"}}
    for one, other in combinations(lean, 2):
        known = ~np.isnan(lean[one]) & ~np.isnan(lean[other])
        of = survey.struck()[known]
        drums = np.unique(of)
        if len(drums) < 3:
            continue
        a, b = (np.array([np.median(lean[name][known][of == drum]) for drum in drums]) for name in (one, other))
        a, b = a - np.median(a), b - np.median(b)
        apart = (np.abs(a) > LEANS_DB) & (np.abs(b) > LEANS_DB)
        if apart.sum() >= 2 and np.all(a[apart] * b[apart] < 0):
            second = pairs[other]
            yield survey.fault(second["L"], Harm.WRONG,
                           f"and {survey.mics[second['R']].name} have left and right exchanged against {one}",
                           "exchange the sides of one pair in session.toml")


def _lean(hit: ClearHit, sides: dict[str, int]) -> float:
    """By how much a hit is louder in the left mic of a pair, dB; NaN where it is not clear in both."""
    left, right = sides["L"], sides["R"]
    if np.isnan(hit.arrival[left]) or np.isnan(hit.arrival[right]):
        return float("nan")
    return 20 * float(np.log10(hit.peak[left] / hit.peak[right]))


# ------------------------------------------------------------------------------------------------------------- polarity


Signs = Mapping[tuple[str, str], int]
"""Two mics of one drum -> 1 where they hear its hits alike, -1 where the other way round, 0 where nobody can tell."""


def close_polarities(survey: Survey) -> Signs:
    """Of all close mics that share a drum."""
    close = [row for row, mic in enumerate(survey.mics) if mic.role is Role.CLOSE]
    return {(survey.mics[a].name, survey.mics[b].name): polarity(survey, a, b) for a, b in combinations(close, 2)
            if survey.mics[a].drum == survey.mics[b].drum}


def _polarity(survey: Survey, signs: Signs, left: set[int]) -> Iterator[Finding]:
    """Far mics that are inverted against most others, or against the other one of their pair; mics of one drum that
    hear it from one side and disagree.
    """
    far = [row for row, mic in enumerate(survey.mics) if mic.role.means.far and row not in left]
    for row in far:
        found = {other: polarity(survey, row, other) for other in far if other != row}
        against = [other for other, sign in found.items() if sign == -1]
        pair = [other for other in found if survey.mics[row].pair and survey.mics[other].pair == survey.mics[row].pair]
        inverted = len(against) >= 2 and 1 not in found.values()
        if inverted or (len(far) == 2 and pair and against and survey.mics[row].side == "R"):
            yield survey.fault(row, Harm.WRONG, "has its polarity inverted against "
                           + ("the other far mics" if inverted else survey.mics[against[0]].name), TURN_IT)
    rows = {mic.name: row for row, mic in enumerate(survey.mics)}
    for (one, other), sign in signs.items():
        a, b = rows[one], rows[other]
        if sign == -1 and not {a, b} & left and _same_side(survey.mics[a], survey.mics[b]):
            yield survey.fault(b, Harm.WRONG, f"has its polarity inverted against {one}", TURN_IT)


def inverted_since(first: str, then: Signs, later: str, now: Signs) -> Iterator[Finding]:
    """Mics of one drum that stand to each other in one polarity in the take ``first`` and in the other in ``later``."""
    for (one, other), sign in now.items():
        if sign * then.get((one, other), 0) == -1:
            yield Finding(Harm.WRONG, Problem(
                f"{later}/{other}", f"or {one} has its polarity inverted against {first}",
                f'set polarity = -1 for it in [takes."{later}".mics] of session.toml'))


def _same_side(one: Mic, other: Mic) -> bool:
    """Whether two mics of a drum hear it from one side: top and bottom of a head move against each other."""
    return "bottom" not in (one.place, other.place) or one.place == other.place


def polarity(survey: Survey, a: int, b: int) -> int:
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


# ----------------------------------------------------------------------------------------------------------------- gain


def _gain(survey: Survey, left: set[int]) -> Iterator[Finding]:
    """Mics whose gain was moved during the take: from one hit on they are louder, or softer, against all others. The
    one that moved most comes first, and no other is held against it.
    """
    level = np.array([20 * np.log10(np.maximum(hit.peak, 1e-9)) for hit in survey.hits]).reshape(-1, len(survey.mics))
    level[np.isnan(survey.arrivals())] = np.nan
    of = survey.struck()
    rows = [row for row, mic in enumerate(survey.mics) if mic.role.means.judged and row not in left]
    while len(rows) >= 3:
        moved = {row: how for row in rows if (how := _gain_moved(survey, level, of, row, rows)) is not None}
        if not moved:
            return
        row = max(moved, key=lambda each: abs(moved[each][1]))
        at, by = moved[row]
        rows.remove(row)
        yield survey.fault(row, Harm.WRONG, f"was turned {'up' if by > 0 else 'down'} by some {abs(by):.0f} dB during "
                           "the take", "cut the files there into two takes, or record it again",
                           (survey.when(survey.hits[at]),))


def _gain_moved(survey: Survey, level: Floats, of: NDArray[np.str_], row: int, rows: Sequence[int]
                ) -> tuple[int, float] | None:
    """The hit from which a mic is louder against the others of ``rows``, and by how many dB, its noise included;
    ``level``: (hits, mics), dB, NaN where a hit does not stand out.
    """
    others = [other for other in rows if other != row]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # of hits that are clear nowhere else
        moved = step(level[:, row] - np.nanmedian(level[:, others], axis=1), of, MOVED_DB)
    if moved is None or abs(_floor_moved_db(survey, row, survey.hits[moved[0]].frame) - moved[1]) >= MOVED_DB:
        return None
    return moved


def _floor_moved_db(survey: Survey, row: int, frame: int) -> float:
    """By how much more than in the other mics the softest of a mic is louder from a frame on, dB: a preamp takes
    its noise along.
    """
    at = frame // survey.slot
    before, after = (10 * np.log10(np.maximum(np.quantile(part, SOFTEST, axis=1), 1e-12))
                     for part in (survey.level[:, :at], survey.level[:, at:]))
    moved = after - before
    return float(moved[row] - np.median(np.delete(moved, row)))
