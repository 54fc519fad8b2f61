"""Hidden: the most that may lie under a hit unheard, because the hit itself covers it.

What two sounds put into one mic at one moment cannot be told apart where one of them raises no band by more than
strokes of its kind differ anyway. Such a stroke is not found, is counted as the hit's own, and may have been learned as
part of its kind, where it always falls with it. So bleed as measured is an estimate, and a grade is a promise: it takes
in the strongest stroke of another drum that might have been struck at that moment without being noticed.

It is sought over the whole of the hit's window and in each part of it, since what rings for longer than the hit is
heard when that has died away: no stroke can have put more into a mic than there was.

A drum might have been struck where it plays near by. In strokes played one by one nothing else is in play, and nothing
is held against them. Many mics leave little room: a stroke is noticed in the mic that is nearest to it.

Company: drums that something else falls with which could not be told apart from them.

The way from a drum to each mic is always the same, so its arrivals keep to half a millisecond between two mics (a
cymbal's to one, since it swings). Nobody strikes two drums as exactly as that: players are 5 to 10 ms apart. Where the
arrivals of strokes that seem to be one drum's scatter by more, another drum comes first time and again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from oneshot.analysis.detection import arrivals
from oneshot.analysis.measurement.envelopes import AFTER_S, EDGES, Windows, in_play, mean_heard
from oneshot.analysis.records import Played
from oneshot.analysis.result import Strokes
from oneshot.core.records.session import Floats, Frames, Problem

VARIES_DB = 3.0
"""Strokes of one kind and strength differ by 2 to 3 dB in a band (common practice, no source)."""

NOTICED = 3.0
"""A stroke is noticed where what it raises the bands of all mics by, each over ``VARIES_DB`` and squared, sums to this:
three bands by 3 dB each, or 27 by one."""

HARD = 0.75
"""The stroke that is taken to be there is one harder than this share of its drum's strokes in the take."""

SOFTER_DB = 3.0
"""Nobody is taken to strike a drum softer than this below its softest stroke in the take."""

HALVINGS = 24
"""Steps in which the strength that goes unnoticed is narrowed down, from 80 dB to a hundredth of a decibel and less."""

MOMENTS = (0, 8, 24, 48)
"""Steps after the arrival, 0, 21, 64 and 128 ms, at which moments begin that are looked at by themselves: what rings
for longer than the hit that covers it sticks out of that later on."""
HITS_AT_ONCE = 1024
"""Hits read at once, for the memory's sake."""
ENDLESS = 1e30
"""What stands for the energy of a moment that lies beyond the take: anything may hide there."""

PEAK_STEPS = 20
"""Steps, about 55 ms, over which the loudest band of a stroke is told."""


@dataclass(frozen=True, slots=True, eq=False)
class Hidden:
    """The most that may lie hidden under each hit: ``energy``, float64 (hits, mics), mean squares times steps over the
    200 ms that bleed is told of, all bands; ``peak``, float64 (hits, mics), mean square of its loudest band over its
    first 55 ms. 0 where no other drum is in play.
    """

    energy: Floats
    peak: Floats


def hidden(played: Played, envelopes: Floats, windows: Windows, drum: Frames) -> Hidden:
    """What may lie hidden under the hits of a take, one other drum at a time, the worst of them in each mic.

    ``envelopes``: float64 (kinds, mics, bands, stretches), as ``ringing.learn`` makes them; ``drum``: int64 (kinds,).
    """
    rate = played.scan.sample_rate / played.scan.hop
    length = round(AFTER_S * rate)
    within = _within(envelopes, 0, length)
    loudest = _within(envelopes, 0, PEAK_STEPS) / PEAK_STEPS
    here = _covers(played, windows, length)
    there = (played.rows >= 0)[:, None]
    at = played.start / rate
    drums: list[tuple[int, Frames, float, Floats]] = []
    for number in np.unique(drum).tolist():
        mine = (played.gain[:, drum == number] > 0).any(axis=1)
        if not mine.any():
            continue
        kind, gain, softest = _strengths(played, within, np.flatnonzero(drum == number))
        rows = np.flatnonzero(in_play(at, at[mine]) & ~mine)
        most = np.minimum(gain, _unnoticed(here[rows], np.where(there, within[kind], 0.0)))
        drums.append((kind, rows, softest, most))
    for first, last in pairwise((*(step for step in MOMENTS if step < length), length)):
        heard = _heard(played, first, last)
        for kind, rows, _, most in drums:
            part = np.where(there, _within(envelopes[kind], first, last), 0.0)
            np.minimum(most, _unnoticed(heard[rows], part, within=True), out=most)
    energy, peak = np.zeros((2, len(played.start), len(played.rows)))
    for kind, rows, softest, most in drums:
        most[most < softest] = 0.0
        energy[rows] = np.maximum(energy[rows], most[:, None] * np.where(there, within[kind], 0.0).sum(axis=1))
        peak[rows] = np.maximum(peak[rows], most[:, None] * loudest[kind].max(axis=1))
    return Hidden(energy, peak)


def _within(envelopes: Floats, first: int, last: int) -> Floats:
    """Energy of strokes of 0 dB from step ``first`` to ``last`` after they arrive (..., mics, bands)."""
    part = np.maximum(np.minimum(last, EDGES[1:]) - np.maximum(first, EDGES[:-1]), 0)
    out: Floats = (envelopes * part).sum(axis=-1)
    return out


def _covers(played: Played, windows: Windows, steps: int) -> Floats:
    """What is in each hit's window (hits, mics, bands), the steady noise included: all that a stroke can hide under."""
    rows = np.maximum(played.rows, 0)
    noise = np.where((played.rows >= 0)[:, None], 10 ** (played.scan.noise_db[rows] / 10), 0.0) * steps
    out: Floats = np.nan_to_num(windows.own) + np.nan_to_num(windows.other) + noise
    return out


def _heard(played: Played, first: int, last: int) -> Floats:
    """What is heard from step ``first`` to ``last`` after each hit arrives (hits, mics, bands), mean squares times
    steps; ``ENDLESS`` where the take ends before.
    """
    out = np.full((len(played.start), len(played.rows), played.scan.level_db.shape[2]), ENDLESS)
    for m in np.flatnonzero(played.rows >= 0).tolist():
        row, step = int(played.rows[m]), played.step[:, m]
        there = np.flatnonzero((step + first >= 0) & (step + last <= played.scan.level_db.shape[1]))
        for some in np.split(there, np.arange(HITS_AT_ONCE, len(there), HITS_AT_ONCE)):
            out[some, m] = mean_heard(played.scan, row, step[some], first, last) * (last - first)
    return out


def _strengths(played: Played, within: Floats, kinds: Frames) -> tuple[int, float, float]:
    """Kind and strength of a hard stroke of the drum of these kinds, as the take holds it, and the least strength that
    is taken to be struck.
    """
    hit, k = np.nonzero(played.gain[:, kinds])
    gain, each = played.gain[hit, kinds[k]], within.sum(axis=(1, 2))
    order = np.argsort(gain * each[kinds[k]], kind="stable")
    hard, soft = order[int((len(order) - 1) * HARD)], order[0]
    least = gain[soft] * each[kinds[k[soft]]] / max(each[kinds[k[hard]]], 1e-30) * 10 ** (-SOFTER_DB / 10)
    return int(kinds[k[hard]]), float(gain[hard]), float(least)


def _unnoticed(here: Floats, heard: Floats, *, within: bool = False) -> Floats:
    """Strength (hits,) up to which a stroke is not noticed; ``heard``: float64 (mics, bands), of one of 0 dB. It adds
    to what is ``here``, or, ``within`` it, may be all that there is.
    """
    there = heard > 0
    if not there.any() or not len(here):
        return np.full(len(here), np.inf)
    ratio = heard[there] / np.maximum(here[:, there], 1e-30)
    unit = 1 / ratio.max(axis=1)  # doubles the level in the band that it shows in most
    low, high = np.full(len(here), -4.0), np.full(len(here), 4.0)
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        more = (unit * 10**middle)[:, None] * ratio
        rise_db = 10 * np.log10(np.maximum(more, 1.0) if within else 1 + more)
        unheard = ((rise_db / VARIES_DB) ** 2).sum(axis=1) < NOTICED
        low, high = np.where(unheard, middle, low), np.where(unheard, high, middle)
    return np.asarray(unit * 10**low)


SCATTER_MS = 1.5
"""Half the range from the 16th to the 84th percentile beyond which arrivals are not one drum's: half as much again as a
swinging cymbal's."""
FEWEST = 8
"""Clear readings from which a scatter is told."""


def scatter_ms(arrival_ms: Floats, home: int) -> float | None:
    """How far arrivals scatter against the home mic's: the median over mics, ms; None where too few are clear.

    ``arrival_ms``: float64 (hits, mics), NaN where not clear.
    """
    away = np.delete(arrival_ms - arrival_ms[:, [home]], home, axis=1)
    known = [column[~np.isnan(column)] for column in away.T]
    ranges = [np.diff(np.percentile(each, [16, 84]))[0] / 2 for each in known if len(each) >= FEWEST]
    return float(np.median(ranges)) if ranges else None


def in_company(strokes: Strokes, drum: Frames, home_row: Callable[[int], int]) -> dict[int, float]:
    """The drums of a take whose lone strokes, as far as can be told, are not alone: number -> scatter, ms.

    ``drum``: int64 (kinds,); ``home_row``: number of a drum -> row of its home mic.
    """
    take = strokes.heard.take
    clear = arrivals.clear_delays_ms(strokes.heard.arrivals, take.sample_rate)[strokes.rows]
    clear[:, [not mic.role.means.describes for mic in take.mics]] = np.nan
    alone = (strokes.gain > 0).sum(axis=1) == 1
    found = {number: scatter_ms(clear[alone & (drum[strokes.kind] == number)], home_row(number))
             for number in sorted({int(d) for d in drum[strokes.kind]})}
    return {number: value for number, value in found.items() if value is not None and value > SCATTER_MS}


def company_problems(take: str, found: Mapping[int, float], names: Mapping[int, str]) -> list[Problem]:
    """What to tell of the drums that ``in_company`` found in a take; ``names``: of drums by number."""
    return [Problem(f"{take}/{names[number]}",
                    f"its arrivals scatter by {value:.1f} ms between mics, where those of one drum keep to half a "
                    "millisecond: another drum often falls with it and is not told apart",
                    "the bleed table holds that drum with it; no hit of it is graded A, and in overheads and rooms all "
                    "are D; record some strokes of it alone") for number, value in found.items()]
