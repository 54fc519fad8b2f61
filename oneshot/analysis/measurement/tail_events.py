"""Tail events: other sounds in a hit's tail, from where ``envelopes.py`` stops following the hit to the next stroke.

A tail only decays, or comes back for a moment as its partials beat. So in each mic, octave band and 55 ms, whatever
rises above all that was there in the 300 ms before is no tail: talk, a click, sticks, a knock, a stroke that was not
detected. It counts from there on for as long as it stays above the tail it rose from. What lies below the tail or in
the noise is not detected, here or by ear; a stroke down there that has a mic of its own is detected in that one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from oneshot.analysis.measurement.envelopes import BEATING_DB, LOOK_S, VARIATION_DB, Windows
from oneshot.analysis.records import EVENT_S, Played, mean_squares
from oneshot.analysis.result import LaterSound
from oneshot.core.records.session import Floats, Frames

LONG_STEPS = 20
"""Length of the analysis frame in steps of the scan, about 55 ms as in grading ..."""
HOP_STEPS = 10
"""... and its hop."""
BEAT_S = 0.3
"""A beating tail is back within this: partials 3 Hz apart or more. What beats more slowly hardly falls in between."""
OVER_DB = 6.0
"""A tail is over where for ``BEAT_S`` it stays within this of the noise, where files end as a rule, too."""
LONGEST_S = 30.0
"""No tail is longer."""
LEAST_DB = -50.0
"""What stays this far below the hit's loudest 55 ms rules no grade out."""
AHEAD_STEPS = 8
"""Steps before the next arrival in which its own sound may begin: 22 ms, of which 11 are the scan's window."""


@dataclass(frozen=True, slots=True, eq=False)
class Tails:
    """The tails of one take's hits, mic by mic.

    ``sounds``: (hit, mic) -> other sounds there, in order of time, each louder than those before; ``over``: int64
    (hits, mics), take frame at which the tail has met the noise, or up to which it was followed.
    """

    sounds: dict[tuple[int, int], tuple[LaterSound, ...]]
    over: Frames


def tails(played: Played, windows: Windows) -> Tails:
    """Follow the tails of a take's hits up to the next stroke."""
    hop, rate = played.scan.hop, played.scan.sample_rate / played.scan.hop
    first = np.round(played.start + LOOK_S * rate).astype(np.int64)
    following = np.searchsorted(played.start, played.start + EVENT_S * rate, side="right")
    mic_rows = np.flatnonzero(played.rows >= 0)
    arrives = played.step[:, mic_rows].min(axis=1, initial=played.scan.level_db.shape[1])
    stop = np.append(arrives - AHEAD_STEPS, played.scan.level_db.shape[1])[following]
    stop = np.minimum(stop, first + round(LONGEST_S * rate))
    noise = 10 ** (played.scan.noise_db[played.rows[mic_rows]] / 10)[:, None, :]
    back, over = round(BEAT_S * rate / HOP_STEPS), np.repeat(stop[:, None] * hop, len(played.rows), axis=1)
    sounds: dict[tuple[int, int], tuple[LaterSound, ...]] = {}
    for i in np.flatnonzero((stop - first >= LONG_STEPS) & (first >= back * HOP_STEPS)).tolist():
        at = np.arange(int(first[i]) - back * HOP_STEPS, int(stop[i]) - LONG_STEPS + 1, HOP_STEPS)
        ring = np.maximum(_levels(played, mic_rows, at) - noise, 0.0)
        over[i, mic_rows] = np.append(at, stop[i])[_decay_end(ring.sum(axis=2), noise.sum(axis=2), back)] * hop
        for m, event, local in _risen(ring, noise, back):
            found = _events(at * hop, event / max(float(windows.own_peak[i, mic_rows[m]]), 1e-30), event / local)
            if found:
                sounds[i, int(mic_rows[m])] = found
    return Tails(sounds, over)


def _levels(played: Played, mic_rows: Frames, at: Frames) -> Floats:
    """Mean squares (mics, frames, bands) of the ``LONG_STEPS`` from each of ``at`` on."""
    piece = mean_squares(played.scan.level_db[played.rows[mic_rows], at[0] : at[-1] + LONG_STEPS])
    total = np.cumsum(np.pad(piece, ((0, 0), (1, 0), (0, 0))), axis=1)
    begin = at - at[0]
    out: Floats = (total[:, begin + LONG_STEPS] - total[:, begin]) / LONG_STEPS
    return out


def _decay_end(ring: Floats, noise: Floats, back: int) -> Frames:
    """The analysis frame (mics,) from which each tail is over, tail and noise over all bands (mics, frames); their
    number where it never is. What comes back after ``BEAT_S`` is no tail.
    """
    above = np.pad(ring > noise * (10 ** (OVER_DB / 10) - 1), ((0, 0), (0, back)))
    quiet = np.lib.stride_tricks.sliding_window_view(~above, back + 1, axis=1).min(axis=2)
    quiet[:, :back] = False
    return np.asarray(np.where(quiet.any(axis=1), quiet.argmax(axis=1), quiet.shape[1]), np.int64)


def _risen(ring: Floats, noise: Floats, back: int) -> Iterator[tuple[int, Floats, Floats]]:
    """The mics in which something rises from the tail (mics, frames, bands) after the first ``back`` frames: its row,
    the loudest band of it, and the tail over all bands that it rises from, each (frames,).
    """
    beating, variation = 10 ** (BEATING_DB / 10), 10 ** (VARIATION_DB / 10) - 1
    before = np.lib.stride_tricks.sliding_window_view(ring, back - 1, axis=1)[:, : ring.shape[1] - back].max(axis=-1)
    rising = ring[:, back:] > np.maximum(beating * before, variation * noise)
    for m in np.flatnonzero(rising.any(axis=(1, 2))).tolist():
        own, event = ring[m].copy(), np.zeros(ring.shape[1])
        for t in range(back, len(own)):
            recent = own[t - back : t - 1].max(axis=0)
            above_recent = ring[m, t] > np.maximum(beating * recent, variation * noise[m, 0])
            event[t] = np.where(above_recent, ring[m, t] - recent, 0.0).max()
            own[t] = np.minimum(own[t], np.maximum(recent, variation * noise[m, 0]))
        yield m, event, np.maximum(own.sum(axis=1), noise[m].sum())


def _events(at: Frames, level: Floats, local: Floats) -> tuple[LaterSound, ...]:
    """What rises above everything before it, from ratios (frames,) to the hit and to its tail."""
    out: list[LaterSound] = []
    loudest = 10 ** (LEAST_DB / 10)
    for t in np.flatnonzero(level > loudest).tolist():
        if level[t] > loudest:
            loudest = float(level[t])
            out.append(LaterSound(int(at[t]), float(10 * np.log10(level[t])), float(10 * np.log10(local[t]))))
    return tuple(out)
