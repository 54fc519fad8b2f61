"""Start, end and fades of a one-shot, and its samples with the fades applied.

Conventions: positions are frames of the take; lengths are frames. One window serves all mics of a hit, so the files of
a one-shot line up sample by sample; only the fade at the end may differ, short for close mics and long for overheads,
rooms and cymbals. Nothing here reads or writes a file.

- The window starts so that every one-shot of a group has its home-mic attack at the same frame (``pre_frames``), with
  the pre-roll before the earliest sound in any exported mic.
- It ends where the longest tail meets its mic's noise floor (``descriptors.tail_end``), or just before the next stroke.
- Fades are raised cosines (0.5·(1-cos πx); -6.02 dB at the middle). Between them the samples are the source's own.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from oneshot.config.recipe import Cutting
from oneshot.core.records.session import Floats

Samples = NDArray[np.int32] | Floats
"""int32, left-justified (the sample's bits at the top), or float64 at full scale 1.0; (channels, frames)."""

GUARD_MS = 2.0
"""Kept free before the next stroke: an onset is where a hit passes -30 dB, so a little of it comes earlier."""
LONGEST_LEAD_MS = 60.0
"""Sound needs 60 ms for 20 m. A hit that seems to reach some mic that long before its home mic is a wrong onset, and
one of those must not push the attack of a whole group back."""
FADE_SHARE_NEXT = 0.2
"""A tail cut by the next stroke fades over at most this share: nine tenths of it come before the -6 dB point."""
FADE_SHARE = 0.3
"""Else a fade takes the last 10 to 30 %. (common practice, no source)"""
SHORTEST_MS = 1.0
LEAST_FADE_MS = 0.25
"""Where some mic already sounds when the window begins, a fade as short as this keeps it from beginning with a step."""


@dataclass(frozen=True, slots=True)
class ByHand:
    """What the user set for a hit's files: end in frames after the attack, fades in frames; None: as computed."""

    end: int | None = None
    fade_in: int | None = None
    fade_out: int | None = None


NOTHING_SAID = ByHand()


@dataclass(frozen=True, slots=True)
class CutPlan:
    """The window [start, stop) of a one-shot in take frames, and its fades.

    ``start`` may be negative, the recording being silent before its first frame. ``onset_frame`` is the home-mic attack
    counted from ``start``; ``fade_outs`` gives each mic's fade at the end; ``ended_by`` says why the window ends there:
    "noise", "next stroke", "other sound" (no stroke, but too loud), "longest" (the recipe's limit), "end of take" or
    "by hand".
    """

    start: int
    stop: int
    onset_frame: int
    fade_in_frames: int
    fade_outs: Mapping[str, int]
    ended_by: str

    @property
    def frames(self) -> int:
        """Length of the window."""
        return self.stop - self.start


def frames_of(milliseconds: float, sample_rate: int) -> int:
    """Milliseconds as a whole number of frames."""
    return round(milliseconds * sample_rate / 1000)


def pre_frames(leads: Iterable[int], *, sample_rate: int, cutting: Cutting) -> int:
    """Frames from the start of a file to the home-mic attack, one number for all one-shots of a group.

    ``leads``: for each hit of the group, home-mic attack minus earliest onset over its exported mics, in frames (0
    where the home mic is first). The largest counts, so each file has at least the recipe's pre-roll.
    """
    longest = frames_of(LONGEST_LEAD_MS, sample_rate)
    lead = max((min(max(0, lead), longest) for lead in leads), default=0)
    return lead + frames_of(cutting.pre_roll_ms, sample_rate)


def plan_cut(*, attack: int, first: int, pre: int, ends: Mapping[str, int], far: Collection[str], limit: int | None,
             take_frames: int, sample_rate: int, cutting: Cutting, by_hand: ByHand = NOTHING_SAID) -> CutPlan:
    """Where to cut one hit.

    Parameters
    ----------
    attack
        Take frame of the attack in the home mic.
    first
        Take frame of the earliest onset over the exported mics.
    pre
        Frames from start to attack, from ``pre_frames`` of the group.
    ends
        For each exported mic, the take frame where its tail meets its noise floor (``measures.tail_end``).
    far
        Those of them that take the long fade (overheads and rooms; all of them for a cymbal).
    limit
        Take frame of the next stroke's earliest onset over the exported mics, or None.
    take_frames, sample_rate
        Of the take.
    cutting
        The recipe's section.
    by_hand
        Outranks what is computed, as far as the take reaches and fades leave the attack alone.

    Raises ValueError where ``ends`` is empty.
    """
    if not ends:
        raise ValueError("a cut needs at least one mic")
    start = attack - pre
    near_fade, far_fade = (frames_of(fade, sample_rate) for fade in (cutting.fade_out_ms, cutting.fade_out_far_ms))
    wanted = {mic: far_fade if mic in far else near_fade for mic in ends}
    # the -6 dB point of a fade lies where the tail meets the noise
    stops = {"noise": max(end + wanted[mic] // 2 for mic, end in ends.items()), "end of take": take_frames}
    if limit is not None:
        stops["next stroke"] = limit - frames_of(GUARD_MS, sample_rate)
    if cutting.longest_s > 0:
        stops["longest"] = start + round(cutting.longest_s * sample_rate)
    if by_hand.end is not None:
        stops = {"by hand": attack + by_hand.end, "end of take": take_frames}
    ended_by = min(stops, key=lambda name: stops[name])
    stop = max(stops[ended_by], max(attack, first) + frames_of(SHORTEST_MS, sample_rate))
    share = FADE_SHARE_NEXT if ended_by == "next stroke" else FADE_SHARE
    longest_fade = int(share * (stop - max(attack, first)))
    fade_in = min(frames_of(cutting.fade_in_ms, sample_rate), pre,
                  max(first - start, frames_of(LEAST_FADE_MS, sample_rate)))
    if by_hand.fade_in is not None:
        fade_in = min(by_hand.fade_in, pre)
    if by_hand.fade_out is not None:
        longest_fade, wanted = stop - attack, dict.fromkeys(ends, by_hand.fade_out)
    return CutPlan(
        start=start, stop=stop, onset_frame=pre, fade_in_frames=fade_in,
        fade_outs={mic: min(frames, longest_fade) for mic, frames in wanted.items()}, ended_by=ended_by)


def fade_in_curve(frames: int) -> Floats:
    """Raised cosine from exactly 0 up, float64 (frames,); the sample after it is untouched."""
    return 0.5 * (1 - np.cos(np.pi * np.arange(frames) / max(frames, 1)))


def fade_out_curve(frames: int) -> Floats:
    """Raised cosine down to exactly 0 on the last sample, float64 (frames,)."""
    return fade_in_curve(frames)[::-1]


def render(x: Samples, *, fade_in: int, fade_out: int, bits: int = 24, gain_db: float = 0.0,
           inverted: bool = False) -> Samples:
    """A copy of ``x`` with its fades, and with gain and inversion where asked.

    ``x``: (channels, frames), int32 left-justified or float64. Between the fades the samples are bit-identical to the
    source's unless a gain or an inversion was asked for. Integers that were changed are rounded to the nearest step of
    ``bits`` (16, 24 or 32) and stopped at full scale. Raises ValueError where the fades overlap.
    """
    frames = x.shape[1]
    if fade_in + fade_out > frames:
        raise ValueError(f"fades of {fade_in} and {fade_out} frames do not fit into {frames}")
    factor = (-1.0 if inverted else 1.0) * 10 ** (gain_db / 20)
    scale = np.full(frames, factor)
    scale[:fade_in] *= fade_in_curve(fade_in)
    scale[frames - fade_out:] *= fade_out_curve(fade_out)
    out = x.copy()
    changed = scale != 1.0
    out[:, changed] = fit(x[:, changed] * scale[changed], bits) if np.issubdtype(x.dtype, np.integer) else (
        x[:, changed] * scale[changed])
    return out


def fit(values: Floats, bits: int) -> NDArray[np.int32]:
    """Left-justified int32 on the grid of ``bits``, stopped at full scale."""
    step = 2 ** (32 - bits)
    steps = np.clip(np.rint(values / step), -(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
    whole: NDArray[np.int32] = (steps * step).astype(np.int32)
    return whole


def as_float(x: Samples) -> Floats:
    """Samples as float64 at full scale 1.0."""
    return x / 2.0**31 if np.issubdtype(x.dtype, np.integer) else x.astype(np.float64)
