"""Arrivals: when each hit first arrives in each mic (threshold crossing at -30 dB).

The onset of a hit in a mic is the frame at which its own sound first passes -30 dB of the peak of its first 50 ms.
Where the mic was quiet before, that frame can simply be read. Where an earlier sound still decays above -30 dB, the
transient is traced back only as far as it stands clear, and ``depth_db`` says how far that was: 30 is all the
definition asks, 15 is still within a fraction of a millisecond on an attack, less says little.

Sound takes 2.9 ms per metre, so the arrivals of one drum form a fixed delay pattern over the mics, which
``most_agreed`` reads off the hits that stand clear (a mode estimate).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.records import EVENT_S, Arrivals, Onsets
from oneshot.audio.io import TakeReader
from oneshot.core import workers
from oneshot.core.records.session import Floats, Floats32, Frames, Take

ONSET_DB = -30.0
"""An onset is where a hit passes this level relative to the peak of its first 50 ms."""

PEAK_S = 0.050
"""The window in which that peak lies."""

SEARCH_BACK_S = 0.006
"""Candidates lie within a few milliseconds of the onset; the search starts this much earlier."""

SEARCH_AHEAD_NEAR_S = 0.012
SEARCH_AHEAD_FAR_S = 0.040
"""How much later a hit may arrive in a near mic and in a room: 4 m and 13 m."""

QUIET_S = 0.012
"""Window before the search in which the decay of earlier sounds is measured."""

ABOVE_EARLIER = 1.5
"""A sound stands clear from this many times the peak magnitude of the earlier sounds on."""

CLEAR_DEPTH_DB = 20.0
"""From this depth on an arrival is taken as measured, whatever the delay pattern says."""

USABLE_DEPTH_DB = 12.0
"""Below this depth an arrival is no evidence at all."""

AT_ONCE = 256
"""Candidates whose arrivals one worker reads at most before it takes the next ones."""


def first_arrivals(reader: TakeReader, take: Take, onsets: Onsets, near: NDArray[np.bool_]) -> Arrivals:
    """Measure the first arrival of every candidate in every mic.

    ``near``: bool (mics,), the mics that may say when a hit begins. Raises AudioError where a file cannot be read.
    """
    rate, hits, mics = take.sample_rate, len(onsets.frame), len(take.mics)
    ends = np.r_[onsets.frame, np.full(1, np.iinfo(np.int64).max // 2)]
    follower = np.searchsorted(onsets.frame, onsets.frame + round(EVENT_S * rate), side="right")
    until_next = ends[follower] - onsets.frame

    def read(rows: Frames) -> tuple[Frames, Floats]:
        """Frames and depths of some hits."""
        frame, depth = np.full((len(rows), mics), -1, np.int64), np.full((len(rows), mics), np.nan)
        with reader.another() as mine:
            for row, i in enumerate(rows.tolist()):
                start = int(onsets.frame[i]) - round((SEARCH_BACK_S + QUIET_S) * rate)
                stop = int(onsets.frame[i]) + round((SEARCH_AHEAD_FAR_S + PEAK_S) * rate)
                for m, x in enumerate(mine.read(start, stop)):
                    ahead = SEARCH_AHEAD_NEAR_S if near[m] else SEARCH_AHEAD_FAR_S
                    found = trace_onset(x, rate, ahead_s=ahead, until_next=int(until_next[i]))
                    if found is not None:
                        frame[row, m], depth[row, m] = start + found[0], found[1]
        return frame, depth

    parts = workers.spread(read, workers.parted(np.arange(hits), AT_ONCE) or [np.arange(0)])
    frame, depth = (np.concatenate(each) for each in zip(*parts, strict=True))
    first = _earliest(onsets.frame, frame, depth, near, rate)
    return Arrivals(take.name, first, frame, depth, _typical_lag(first, frame, depth))


def trace_onset(x: Floats32, sample_rate: int, *, ahead_s: float, until_next: int) -> tuple[int, float] | None:
    """Where a transient begins in a window, and how far down it could be traced.

    ``x``: float32 (frames,), one mic, starting ``QUIET_S + SEARCH_BACK_S`` before the candidate; ``until_next``: frames
    until the next candidate. Returns the frame in ``x`` and the depth in dB (at most 30), or None where nothing stands
    out of the earlier sounds.
    """
    quiet = round(QUIET_S * sample_rate)
    back = round(SEARCH_BACK_S * sample_rate)
    magnitude = np.abs(x)
    earlier_peak = float(magnitude[:quiet].max(initial=0.0))
    search_frames = min(back + round(ahead_s * sample_rate), back + max(until_next, back))
    searched = magnitude[quiet : quiet + search_frames]
    peak_stop = quiet + min(search_frames + round(PEAK_S * sample_rate), back + max(until_next, 2 * back))
    peak = float(magnitude[quiet:peak_stop].max(initial=0.0))
    if peak <= 0 or len(searched) == 0:
        return None
    limit = max(peak * 10 ** (ONSET_DB / 20), ABOVE_EARLIER * earlier_peak)
    above = searched > limit
    if not above.any():
        return None
    return quiet + int(above.argmax()), float(-20 * np.log10(limit / peak))


def _earliest(candidate: Frames, frame: Frames, depth: Floats, near: NDArray[np.bool_], rate: int) -> Frames:
    """The earliest clear arrival over the near mics, int64 (hits,); the candidate itself where none is clear."""
    never = np.iinfo(np.int64).max
    sure = (depth >= USABLE_DEPTH_DB) & near
    best = np.where(sure, frame, never).min(axis=1, initial=never)
    # A single mic far ahead of the onset in all mics picked up something else.
    plausible = (best < never) & (np.abs(best - candidate) <= SEARCH_BACK_S * rate)
    return np.where(plausible, best, candidate)


def _typical_lag(first: Frames, frame: Frames, depth: Floats) -> Floats:
    """Median arrival (mics,) after the earliest one, in frames, over the hits that stand clear; 0 where none does."""
    out = np.zeros(frame.shape[1])
    for m in range(frame.shape[1]):
        clear = depth[:, m] >= CLEAR_DEPTH_DB
        if clear.any():
            out[m] = max(0.0, float(np.median(frame[clear, m] - first[clear])))
    return out


def clear_delays_ms(arrivals: Arrivals, sample_rate: int) -> Floats:
    """Delay of each hit in each mic after its earliest arrival, float64 (hits, mics), ms; NaN where it is not clear."""
    clear = np.nan_to_num(arrivals.depth_db) >= CLEAR_DEPTH_DB
    return np.where(clear, (arrivals.frame - arrivals.first[:, None]) / sample_rate * 1e3, np.nan)


def most_agreed(values: Floats, width: float) -> tuple[float, float, int]:
    """Mode of values that are wrong in one direction: median, half the interquartile range and count of those in the
    fullest window of ``width``.

    Of equally full windows the latest counts, since other strokes only ever come earlier. A median over all would do if
    readings were wrong at random; they are not, since every wrong one is another stroke's.
    """
    ordered = np.sort(values)
    in_window = np.searchsorted(ordered, ordered + width, side="right") - np.arange(len(ordered))
    first = len(ordered) - 1 - int(in_window[::-1].argmax())
    low, middle, high = np.percentile(ordered[first : first + in_window[first]], [25, 50, 75])
    return float(middle), float((high - low) / 2), int(in_window[first])


def spread(values: Floats, middle: float) -> tuple[float | None, int]:
    """Half the range from the 16th to the 84th percentile of the values within ``AGREE_S`` of the middle, and how many
    they are; None for fewer than two. For a normal distribution that is one standard deviation.
    """
    near = values[np.abs(values - middle) <= AGREE_S]
    if len(near) < 2:
        return None, len(near)
    low, high = np.percentile(near, [16, 84])
    return float((high - low) / 2), len(near)


AGREE_S = 0.0006
"""Delays of one drum that lie within this agree: 20 cm, about the width of the area of a drum head that is struck."""
