"""Faults that show between mics: one recording twice, files that are not in time, names and sides that are exchanged;
and, of the mics that are none of these, polarity and gain.

All is read from the survey's clear hits, each of which belongs to one close mic. A fault is one only where most of many
hits agree: a single hit can be anything.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from oneshot.checking.finding import Finding, Harm
from oneshot.checking.gain import gain_moved
from oneshot.checking.polarity import Polarities, inverted
from oneshot.checking.steps import ENOUGH
from oneshot.checking.survey import ClearHit, Survey
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Frames, Problem

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
LEANS_DB = 1.5
"""A drum lies to one side of a pair where it is so much louder there than the middle one of all drums."""


def mic_faults(survey: Survey, recorded: Polarities) -> Iterator[Finding]:
    """All that one take shows."""
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
    yield from inverted(survey, recorded, left)
    yield from _sides(survey, left)
    yield from gain_moved(survey, left)


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
