"""First wavefronts: when a hit begins in a mic, to a part of a frame.

Where a mic first passes a threshold depends on how steeply the sound rises there: off a mic's axis and behind shells it
rises slowly, and a threshold of 5 % is passed up to 10 cm late. So the beginning is read off the front itself: the
straight line through its crossings of a tenth and three tenths of its own height meets zero where the sound begins
(common practice for travel times, no source). The height is that of the first millisecond: what comes later is the
drum's ring, or the floor.
"""

from __future__ import annotations

import numpy as np

from oneshot.checking.survey import LEAD_S, ClearHit
from oneshot.core.records.session import Floats, Floats32

FRONT_S = 0.001
"""What counts as front after the arrival: sound needs it for 0.34 m, and the floor is further off than that."""
BEFORE_S = 0.004
"""How long before the arrival a front may begin: a membrane of 70 Hz rises for so long."""
LOW, HIGH = 0.1, 0.3
"""Shares of the front's height that the line goes through."""
OVER_NOISE = (3.0, 8.0)
"""The least that these crossings lie above the largest sample before the hit."""
CLEAR = 16.0
"""Fronts so many times (24 dB) above that are read: the upper crossing lies in the lower half of the front."""


def fronts(hit: ClearHit, sample_rate: int) -> Floats:
    """When a hit begins in each mic, float64 (mics,), frames of its window; NaN where its front is not clear."""
    before = round(LEAD_S * sample_rate) // 2
    return np.array([np.nan if np.isnan(at) else front(sound, before, int(at), sample_rate)
                     for sound, at in zip(hit.sound, hit.arrival, strict=True)], np.float64)


def front(sound: Floats32 | Floats, before: int, arrival: int, sample_rate: int) -> float:
    """Where a hit begins in a mic's window (frames,), a frame and its part; NaN where its front is not clear.

    ``before``: frames at the start of the window that hold nothing of the hit; ``arrival``: about where it begins.
    """
    start = max(arrival - round(BEFORE_S * sample_rate), 0)
    size = np.abs(sound[start : arrival + round(FRONT_S * sample_rate)]).astype(np.float64)
    noise = float(np.abs(sound[:before]).max(initial=0.0))
    height = float(size.max(initial=0.0))
    low, high = (max(share * height, over * noise) for share, over in zip((LOW, HIGH), OVER_NOISE, strict=True))
    if height <= CLEAR * noise or not height:
        return np.nan
    upper = int((size > high).argmax())
    under = np.flatnonzero(size[:upper] <= low)
    if not len(under):
        return np.nan
    at_low, at_high = _crossing(size, int(under[-1]), low), _crossing(size, upper - 1, high)
    return start + at_low - (at_high - at_low) * low / (high - low)


def _crossing(size: Floats, frame: int, level: float) -> float:
    """Where the straight line from a frame to the next one has a level."""
    return frame + (level - float(size[frame])) / float(size[frame + 1] - size[frame])
