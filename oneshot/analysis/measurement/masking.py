"""Masking: the loudest stroke that may lie masked under a hit, and drums that others co-occur with undetected.

Two sounds in one mic at one moment cannot be separated where one of them raises no band by more than strokes of the
other's template vary anyway. Such a stroke is not detected, is counted as the hit's own, and may have been learned as
part of its template, where the two always co-occur. So measured bleed is an estimate, and a grade is a promise: it
includes the loudest stroke of another drum that might have been struck at that moment without being noticed.

That stroke is searched for over the whole of the hit's window and in each part of it, since what rings for longer than
the hit is unmasked when the hit has decayed: no stroke can have put more into a mic than there was. A drum might have
been struck where it is in play near by. In single hits nothing else is in play, and nothing is held against them. Many
mics leave little room: a stroke is noticed in the mic that is nearest to it.

Co-occurrence shows in the arrivals. The path from a drum to each mic is always the same, so its arrivals agree to half
a millisecond between two mics (a cymbal's to one, since it swings). Nobody strikes two drums as exactly as that:
players are 5 to 10 ms apart. Where the arrivals of hits that seem to be one drum's scatter by more, another drum comes
first time and again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from oneshot.analysis.detection import arrivals
from oneshot.analysis.measurement.envelopes import AFTER_S, EDGES, Windows, in_play, mean_measured
from oneshot.analysis.records import Played
from oneshot.analysis.result import Strokes
from oneshot.analysis.sorting.decompose import SOFTER_DB
from oneshot.core.records.session import Floats, Frames, Problem
from oneshot.core.workers import spread

VARIATION_DB = 3.0
"""Strokes of one template and strength vary by 2 to 3 dB in a band (common practice, no source)."""

NOTICED = 3.0
"""A stroke is noticed where its rises in the bands of all mics, each over ``VARIATION_DB`` and squared, sum to this:
three bands by 3 dB each, or 27 by one.
"""

HARD = 0.75
"""The masked stroke assumed is one harder than this share of its drum's strokes in the take."""

HALVINGS = 24
"""Bisection steps for the masked activation, from 80 dB to a hundredth of a decibel and less."""

MOMENTS = (0, 8, 24, 48)
"""Steps after the arrival, 0, 21, 64 and 128 ms, at which moments begin that are examined by themselves: what rings for
longer than the hit that masks it stands out later on.
"""
HITS_AT_ONCE = 1024
"""Hits read at once, to limit memory."""
ENDLESS = 1e30
"""Stands for the energy of a moment beyond the take: anything may be masked there."""

PEAK_STEPS = 20
"""Steps, about 55 ms, over which the loudest band of a stroke is measured."""


@dataclass(frozen=True, slots=True, eq=False)
class Masked:
    """The most that may be masked by each hit: ``energy``, float64 (hits, mics), mean squares times steps over the 200
    ms in which bleed is measured, all bands; ``peak``, float64 (hits, mics), mean square of its loudest band over its
    first 55 ms. 0 where no other drum is in play.
    """

    energy: Floats
    peak: Floats


def masked(played: Played, envelopes: Floats, windows: Windows, drum: Frames) -> Masked:
    """What may be masked by the hits of a take, one other drum at a time, the worst of them in each mic.

    ``envelopes``: float64 (templates, mics, bands, stretches), as from ``envelopes.learn``; ``drum``: int64
    (templates,).
    """
    rate = played.scan.sample_rate / played.scan.hop
    length = round(AFTER_S * rate)
    within = _within(envelopes, 0, length)
    loudest = _within(envelopes, 0, PEAK_STEPS) / PEAK_STEPS
    masker = _masking_energy(played, windows, length)
    present = (played.rows >= 0)[:, None]
    at = played.start / rate
    drums: list[tuple[int, Frames, float, Floats]] = []
    for number in np.unique(drum).tolist():
        mine = (played.activation[:, drum == number] > 0).any(axis=1)
        if not mine.any():
            continue
        template, gain, softest = _hard_stroke(played, within, np.flatnonzero(drum == number))
        rows = np.flatnonzero(in_play(at, at[mine]) & ~mine)
        upper_bound = np.minimum(gain, _masked_activation(masker[rows], np.where(present, within[template], 0.0)))
        drums.append((template, rows, softest, upper_bound))

    def within_moment(ends: tuple[int, int]) -> list[Floats]:
        """The most that may be masked in one moment, drum by drum."""
        measured = _measured(played, *ends)
        return [_masked_activation(measured[rows], np.where(present, _within(envelopes[template], *ends), 0.0),
                                   within=True) for template, rows, _, _ in drums]

    moments = list(pairwise((*(step for step in MOMENTS if step < length), length)))
    for found in spread(within_moment, moments):
        for (_, _, _, upper_bound), other in zip(drums, found, strict=True):
            np.minimum(upper_bound, other, out=upper_bound)
    energy, peak = np.zeros((2, len(played.start), len(played.rows)))
    for template, rows, softest, upper_bound in drums:
        upper_bound[upper_bound < softest] = 0.0
        energy[rows] = np.maximum(energy[rows],
                                  upper_bound[:, None] * np.where(present, within[template], 0.0).sum(axis=1))
        peak[rows] = np.maximum(peak[rows], upper_bound[:, None] * loudest[template].max(axis=1))
    return Masked(energy, peak)


def _within(envelopes: Floats, first: int, last: int) -> Floats:
    """Energy of strokes at activation 1 from step ``first`` to ``last`` after they arrive (..., mics, bands)."""
    part = np.maximum(np.minimum(last, EDGES[1:]) - np.maximum(first, EDGES[:-1]), 0)
    out: Floats = (envelopes * part).sum(axis=-1)
    return out


def _masking_energy(played: Played, windows: Windows, steps: int) -> Floats:
    """Energy in each hit's window (hits, mics, bands), the steady noise included: all that can mask a stroke."""
    rows = np.maximum(played.rows, 0)
    noise = np.where((played.rows >= 0)[:, None], 10 ** (played.scan.noise_db[rows] / 10), 0.0) * steps
    out: Floats = np.nan_to_num(windows.own) + np.nan_to_num(windows.other) + noise
    return out


def _measured(played: Played, first: int, last: int) -> Floats:
    """Measured energy from step ``first`` to ``last`` after each hit arrives (hits, mics, bands), mean squares times
    steps; ``ENDLESS`` where the take ends before.
    """
    out = np.full((len(played.start), len(played.rows), played.scan.level_db.shape[2]), ENDLESS)
    for m in np.flatnonzero(played.rows >= 0).tolist():
        row, step = int(played.rows[m]), played.step[:, m]
        present = np.flatnonzero((step + first >= 0) & (step + last <= played.scan.level_db.shape[1]))
        for some in np.split(present, np.arange(HITS_AT_ONCE, len(present), HITS_AT_ONCE)):
            out[some, m] = mean_measured(played.scan, row, step[some], first, last) * (last - first)
    return out


def _hard_stroke(played: Played, within: Floats, rows: Frames) -> tuple[int, float, float]:
    """Template and activation of a hard stroke of the drum of these templates, as found in the take, and the least
    activation that is assumed.
    """
    hit, k = np.nonzero(played.activation[:, rows])
    gain, each = played.activation[hit, rows[k]], within.sum(axis=(1, 2))
    order = np.argsort(gain * each[rows[k]], kind="stable")
    hard, soft = order[int((len(order) - 1) * HARD)], order[0]
    least = gain[soft] * each[rows[k[soft]]] / max(each[rows[k[hard]]], 1e-30) * 10 ** (-SOFTER_DB / 10)
    return int(rows[k[hard]]), float(gain[hard]), float(least)


def _masked_activation(masker: Floats, measured: Floats, *, within: bool = False) -> Floats:
    """Activation (hits,) up to which a stroke stays unnoticed; ``measured``: float64 (mics, bands), energy of one at
    activation 1. It adds to the ``masker`` or, ``within`` it, may be all that there is.
    """
    present = measured > 0
    if not present.any() or not len(masker):
        return np.full(len(masker), np.inf)
    ratio = measured[present] / np.maximum(masker[:, present], 1e-30)
    unit = 1 / ratio.max(axis=1)  # doubles the level in the band that it shows in most
    low, high = np.full(len(masker), -4.0), np.full(len(masker), 4.0)
    for _ in range(HALVINGS):
        centre = (low + high) / 2
        more = (unit * 10**centre)[:, None] * ratio
        rise_db = 10 * np.log10(np.maximum(more, 1.0) if within else 1 + more)
        unnoticed = ((rise_db / VARIATION_DB) ** 2).sum(axis=1) < NOTICED
        low, high = np.where(unnoticed, centre, low), np.where(unnoticed, high, centre)
    return np.asarray(unit * 10**low)


# ---------------------------------------------------------------------------- co-occurrence, by the scatter of arrivals

SCATTER_MS = 1.5
"""Half the range from the 16th to the 84th percentile beyond which arrivals are not one drum's: half as much again as a
swinging cymbal's.
"""
FEWEST = 8
"""Clear readings from which a scatter is measured."""


def scatter_ms(arrival_ms: Floats, home: int) -> float | None:
    """Scatter of arrivals against the home mic's: median over mics, ms; None where too few are clear.

    ``arrival_ms``: float64 (hits, mics), NaN where not clear.
    """
    differences = np.delete(arrival_ms - arrival_ms[:, [home]], home, axis=1)
    known = [column[~np.isnan(column)] for column in differences.T]
    ranges = [np.diff(np.percentile(each, [16, 84]))[0] / 2 for each in known if len(each) >= FEWEST]
    return float(np.median(ranges)) if ranges else None


def co_occurring(strokes: Strokes, drum: Frames, home_row: Callable[[int], int]) -> dict[int, float]:
    """The drums of a take whose single hits, as far as known, co-occur with another drum: number -> scatter, ms.

    ``drum``: int64 (templates,); ``home_row``: number of a drum -> row of its home mic.
    """
    take = strokes.detected.take
    clear = arrivals.clear_delays_ms(strokes.detected.arrivals, take.sample_rate)[strokes.rows]
    clear[:, [not mic.role.means.describes for mic in take.mics]] = np.nan
    alone = (strokes.activation > 0).sum(axis=1) == 1
    found = {number: scatter_ms(clear[alone & (drum[strokes.template] == number)], home_row(number))
             for number in sorted({int(d) for d in drum[strokes.template]})}
    return {number: value for number, value in found.items() if value is not None and value > SCATTER_MS}


def co_occurrence_problems(take: str, found: Mapping[int, float], names: Mapping[int, str]) -> list[Problem]:
    """What to report of the drums that ``co_occurring`` found in a take; ``names``: of drums by number."""
    return [Problem(f"{take}/{names[number]}",
                    f"arrival times vary by {value:.1f} ms between mics (one drum keeps within 0.5 ms): another drum "
                    "often falls with it and cannot be told apart",
                    "its bleed figures include that drum, and its grades are limited (no A; D in overheads and rooms): "
                    "record single hits of it") for number, value in found.items()]
