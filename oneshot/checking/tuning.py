"""Tuning: drums whose pitch is another one from some hit on, because a lug gave way, a head warmed up or was damped.

A drum's pitch is that of its strongest mode, once the attack is over. It rises with how hard the drum is struck, and
scatters from hit to hit: what counts is a step that is large against both.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from oneshot.checking.finding import Finding, Harm
from oneshot.checking.steps import ENOUGH
from oneshot.checking.survey import ClearHit, Survey
from oneshot.core.records.session import Floats, Problem

LOWEST_HZ, HIGHEST_HZ = 40.0, 400.0
"""Where the lowest modes of kicks, toms and snares lie (common practice, no source)."""
FINER = 8
"""Times by which a spectrum is finer than the ring is long: its maximum is then read from a parabola."""
ONE_MODE = 100.0
"""Cents up to which a hit is of the usual mode: the modes of a circular membrane lie further apart (the lowest two at
1 to 1.593; Rayleigh, The Theory of Sound, from memory), so do a side stick and a rimshot.
"""
AROUND, STRAY = 7, 5.0
"""A hit strays that is so many median deviations (of a cent and more) off the median of so many around it."""
LEAST, SURE = 15.0, 6.0
"""Cents of a step that is worth a word (common practice, no source), and its standard errors: the largest of some fifty
possible steps is looked at. In 55 drums of takes without such a step, generated and of recorded hits, it has up to 3.6.
"""


def tuning(survey: Survey) -> Iterator[Finding]:
    """Drums of one take that go flat or sharp."""
    of = survey.struck()
    for drum in dict.fromkeys(of.tolist()):
        hits = [hit for hit, struck in zip(survey.hits, of.tolist(), strict=True)
                if struck == drum and survey.mics[hit.owner].drum]  # an overhead hears several drums
        found = _moved(hits, survey.take.sample_rate)
        if found is not None:
            hit, cents = found
            yield Finding(Harm.POOR, Problem(
                f"{survey.take.name}/{survey.mics[hit.owner].name}", f"the {drum} is {abs(cents):.0f} cents "
                f"{'sharp' if cents > 0 else 'flat'} from there on", "tune it and play on from there, or play the hits "
                "before it again: hits of two tunings do not belong into one drum"), (survey.when(hit),))


def _moved(hits: list[ClearHit], sample_rate: int) -> tuple[ClearHit, float] | None:
    """The hit from which on a drum has another pitch, and by how many cents; None where it keeps it."""
    hits = [hit for hit in hits if len(hit.ring)]
    if len(hits) < 2 * ENOUGH:
        return None
    cents = 1200 * np.log2(np.array([pitch(hit, sample_rate) for hit in hits]))
    usual = np.abs(cents - np.median(cents)) < ONE_MODE
    if usual.sum() < 2 * ENOUGH:
        return None
    usual[usual] = _like_those_around(cents[usual])
    if usual.sum() < 2 * ENOUGH:
        return None
    kept = [hit for hit, yes in zip(hits, usual.tolist(), strict=True) if yes]
    level = 20 * np.log10(np.array([hit.peak[hit.owner] for hit in kept], np.float64))
    at, by, times = _largest_step(cents[usual], level)
    return (kept[at], by) if abs(by) >= LEAST and times >= SURE else None


def _like_those_around(values: Floats) -> NDArray[np.bool_]:
    """Values that lie near the median of the hits before and after, bool (hits,): into others, another drum rings."""
    around = np.lib.stride_tricks.sliding_window_view(values, AROUND)
    middle = np.clip(np.arange(len(values)) - AROUND // 2, 0, len(around) - 1)
    off = np.abs(values - np.median(around, axis=1)[middle])
    return np.asarray(off <= STRAY * max(float(np.median(off)), 1.0))


def pitch(hit: ClearHit, sample_rate: int) -> float:
    """Frequency at which what rings after a hit is strongest, Hz, in its close mic."""
    size = FINER * len(hit.ring)
    power = np.abs(np.fft.rfft(hit.ring * np.hanning(len(hit.ring)), size)) ** 2 + 1e-30
    hz = sample_rate / hit.ring_every / size
    first, last = int(LOWEST_HZ / hz), int(HIGHEST_HZ / hz)
    top = first + int(power[first:last].argmax())
    a, b, c = np.log(power[top - 1 : top + 2])
    bent = a - 2 * b + c
    return float((top + (0.5 * (a - c) / bent if bent < 0 else 0.0)) * hz)


def _largest_step(values: Floats, level: Floats) -> tuple[int, float, float]:
    """The place, the size and the standard errors of the surest step in values in order of time, given what goes with
    level (dB), as a square: who plays ever harder moves the pitch, too.
    """
    level = (level - level.mean()) / max(float(level.std()), 1e-9)
    beside = np.stack([np.ones(len(values)), level, level**2], axis=1)
    best = (0, 0.0, 0.0)
    for at in range(ENOUGH, len(values) - ENOUGH + 1):
        design = np.column_stack([beside, np.arange(len(values)) >= at])
        found = np.linalg.lstsq(design, values, rcond=None)[0]
        left = float(np.sum((values - design @ found) ** 2)) / (len(values) - 4)
        error = float(np.sqrt(left * np.linalg.pinv(design.T @ design)[3, 3]))
        best = max(best, (at, float(found[3]), abs(float(found[3])) / max(error, 1e-9)), key=lambda each: each[2])
    return best
