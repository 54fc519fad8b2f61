"""Later: what else is heard in a hit's tail, from where ``ringing.py`` stops following the hit to the next stroke.

A ring only ever falls, or comes back for a moment as its partials beat. So in each mic, octave band and 55 ms, whatever
rises above all that was there in the 300 ms before is no ring: talk, a click, sticks, a knock, a stroke that was not
found. It counts from there on for as long as it stays above the ring it rose from. What lies below the ring or in the
noise is not heard, here or by ear; a stroke down there that has a mic of its own is found in that one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from oneshot.analysis.measurement.envelopes import BEATS_DB, LOOK_S, VARIES_DB, Windows
from oneshot.analysis.records import EVENT_S, Played, mean_squares
from oneshot.analysis.result import LaterSound
from oneshot.core.records.session import Floats, Frames

LONG_STEPS = 20
"""Steps of the scan that are looked at together, about 55 ms as in grading ..."""
HOP_STEPS = 10
"""... and from one look to the next."""
BEAT_S = 0.3
"""A ring that beats is back within this: partials 3 Hz apart or more. What beats more slowly hardly falls between."""
OVER_DB = 6.0
"""A ring is over where for ``BEAT_S`` it stays within this of the noise, where tails end as a rule, too."""
LONGEST_S = 30.0
"""Nothing rings for longer."""
LEAST_DB = -50.0
"""What stays this far below the hit's loudest 55 ms rules no grade out."""
AHEAD_STEPS = 8
"""Steps before the next arrival in which its own sound may begin: 22 ms, of which 11 are the scan's window."""


@dataclass(frozen=True, slots=True, eq=False)
class Tails:
    """The tails of one take's hits, mic by mic.

    ``sounds``: (hit, mic) -> what else is heard there, in order of time, each louder than those before; ``over``: int64
    (hits, mics), take frame at which the ring has met the noise, or at which it was followed no further.
    """

    sounds: dict[tuple[int, int], tuple[LaterSound, ...]]
    over: Frames


def tails(played: Played, windows: Windows) -> Tails:
    """Follow the tails of a take's hits up to the next stroke."""
    hop, rate = played.scan.hop, played.scan.sample_rate / played.scan.hop
    first = np.round(played.start + LOOK_S * rate).astype(np.int64)
    following = np.searchsorted(played.start, played.start + EVENT_S * rate, side="right")
    there = np.flatnonzero(played.rows >= 0)
    arrives = played.step[:, there].min(axis=1, initial=played.scan.level_db.shape[1])
    stop = np.append(arrives - AHEAD_STEPS, played.scan.level_db.shape[1])[following]
    stop = np.minimum(stop, first + round(LONGEST_S * rate))
    noise = 10 ** (played.scan.noise_db[played.rows[there]] / 10)[:, None, :]
    back, over = round(BEAT_S * rate / HOP_STEPS), np.repeat(stop[:, None] * hop, len(played.rows), axis=1)
    sounds: dict[tuple[int, int], tuple[LaterSound, ...]] = {}
    for i in np.flatnonzero((stop - first >= LONG_STEPS) & (first >= back * HOP_STEPS)).tolist():
        at = np.arange(int(first[i]) - back * HOP_STEPS, int(stop[i]) - LONG_STEPS + 1, HOP_STEPS)
        ring = np.maximum(_levels(played, there, at) - noise, 0.0)
        over[i, there] = np.append(at, stop[i])[_over(ring.sum(axis=2), noise.sum(axis=2), back)] * hop
        for m, rest, local in _risen(ring, noise, back):
            found = _told(at * hop, rest / max(float(windows.own_peak[i, there[m]]), 1e-30), rest / local)
            if found:
                sounds[i, int(there[m])] = found
    return Tails(sounds, over)


def _levels(played: Played, there: Frames, at: Frames) -> Floats:
    """Mean squares (mics, looks, bands) of the ``LONG_STEPS`` from each of ``at`` on."""
    piece = mean_squares(played.scan.level_db[played.rows[there], at[0] : at[-1] + LONG_STEPS])
    total = np.cumsum(np.pad(piece, ((0, 0), (1, 0), (0, 0))), axis=1)
    begin = at - at[0]
    out: Floats = (total[:, begin + LONG_STEPS] - total[:, begin]) / LONG_STEPS
    return out


def _over(ring: Floats, noise: Floats, back: int) -> Frames:
    """The look (mics,) from which each ring is over, ring and noise over all bands (mics, looks); their number where it
    never is. What comes back after ``BEAT_S`` is no ring.
    """
    above = np.pad(ring > noise * (10 ** (OVER_DB / 10) - 1), ((0, 0), (0, back)))
    quiet = np.lib.stride_tricks.sliding_window_view(~above, back + 1, axis=1).min(axis=2)
    quiet[:, :back] = False
    return np.asarray(np.where(quiet.any(axis=1), quiet.argmax(axis=1), quiet.shape[1]), np.int64)


def _risen(ring: Floats, noise: Floats, back: int) -> Iterator[tuple[int, Floats, Floats]]:
    """The mics in which something rises from the ring (mics, looks, bands) after the first ``back`` looks: its row, the
    loudest band of it, and the ring over all bands that it rises from, each (looks,).
    """
    again, varies = 10 ** (BEATS_DB / 10), 10 ** (VARIES_DB / 10) - 1
    before = np.lib.stride_tricks.sliding_window_view(ring, back - 1, axis=1)[:, : ring.shape[1] - back].max(axis=-1)
    rises = ring[:, back:] > np.maximum(again * before, varies * noise)
    for m in np.flatnonzero(rises.any(axis=(1, 2))).tolist():
        own, rest = ring[m].copy(), np.zeros(ring.shape[1])
        for t in range(back, len(own)):
            held = own[t - back : t - 1].max(axis=0)
            more = ring[m, t] > np.maximum(again * held, varies * noise[m, 0])
            rest[t] = np.where(more, ring[m, t] - held, 0.0).max()
            own[t] = np.minimum(own[t], np.maximum(held, varies * noise[m, 0]))
        yield m, rest, np.maximum(own.sum(axis=1), noise[m].sum())


def _told(at: Frames, level: Floats, local: Floats) -> tuple[LaterSound, ...]:
    """What rises above everything before it, from ratios (looks,) against the hit and against its ring."""
    out: list[LaterSound] = []
    loudest = 10 ** (LEAST_DB / 10)
    for t in np.flatnonzero(level > loudest).tolist():
        if level[t] > loudest:
            loudest = float(level[t])
            out.append(LaterSound(int(at[t]), float(10 * np.log10(level[t])), float(10 * np.log10(local[t]))))
    return tuple(out)
