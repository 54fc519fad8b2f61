"""Levelling: sound of any length brought to the loudness of a preview, its peaks held back, block by block."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from oneshot.audio.io import BLOCK
from oneshot.audio.loudness import Levels, Meter
from oneshot.audio.spool import Spool
from oneshot.core.lazy import later
from oneshot.core.records.session import Floats

ndimage = later("scipy.ndimage")
signal = later("scipy.signal")

LOUDNESS_LUFS = -16.0
CEILING_DBTP = -1.0
"""Where previews of free packs usually lie. (common practice, no source)"""
_CEILING = 10 ** ((CEILING_DBTP - 0.01) / 20)
"""A little below, so that rounding cannot pass it."""
HOLD_S = 0.005
"""How far ahead of a peak the level begins to give way."""
ROUNDS = 6
"""Of making up for the loudness that was held back; two or three are the rule."""


@dataclass(frozen=True, slots=True)
class Setting:
    """How sound is to be set: a gain (dB), then no sample above a limit; the levels that it has then; by how much its
    highest peak is held back (dB, 0 or more).
    """

    gain_db: float
    limit: float
    levels: Levels
    held_back_db: float


@dataclass(slots=True)
class Levelling:
    """Sound kept on the disk, and what was measured of it so far. ``plain``: its levels as it is."""

    sound: Spool
    sample_rate: int
    plain: Levels
    _known: dict[tuple[float, float], tuple[float, Levels]] = field(default_factory=dict)

    def to_loudness(self) -> Setting:
        """At -16 LUFS under a true peak of -1 dBTP.

        Held back is only what passes the ceiling, with a gain that gives way smoothly from 5 ms before the peak to 5 ms
        after it. Raises OSError where the sound cannot be read.
        """
        gain_db, limit, levels = 0.0, _CEILING, self.plain
        for turn in range(ROUNDS):  # what is held back is loudness lost, which the next round makes up for
            level = levels.momentary_lufs if levels.integrated_lufs is None else levels.integrated_lufs
            if level is None or abs(LOUDNESS_LUFS - level) < 0.05:
                break
            gain_db += LOUDNESS_LUFS - level
            if turn < 2:  # peaks between samples pass a ceiling on samples: how far, the first rounds find out
                limit = self._sample_limit(gain_db, limit)
            levels = self._at(gain_db, limit)[1]
        limit = self._sample_limit(gain_db, limit)
        peak_db = self.plain.true_peak_dbtp
        over = 0.0 if peak_db is None else peak_db + gain_db - CEILING_DBTP
        return Setting(gain_db, limit, self._at(gain_db, limit)[1], max(0.0, over))

    def blocks(self, gain_db: float, limit: float) -> Iterator[Floats]:
        """The sound set so, in blocks of float64 (channels, frames). Raises OSError where it cannot be read."""
        reach = 4 * round(HOLD_S * self.sample_rate)  # as far as a gain depends on the samples around
        for at in range(0, self.sound.frames, BLOCK):
            stop = min(at + BLOCK, self.sound.frames)
            first, last = max(0, at - reach), min(stop + reach, self.sound.frames)
            made = held(self.sound.read(first, last) * 10 ** (gain_db / 20), limit, self.sample_rate)
            yield made[:, at - first:stop - first]

    def _sample_limit(self, gain_db: float, limit: float) -> float:
        """The limit on samples, ``limit`` or lower, under which no true peak passes the ceiling."""
        while (peak := self._at(gain_db, limit)[0]) > _CEILING:
            limit *= min(_CEILING / peak, 0.995)
        return limit

    def _at(self, gain_db: float, limit: float) -> tuple[float, Levels]:
        """True peak (a factor) and levels of the sound set so; worked out once."""
        if (gain_db, limit) not in self._known:
            meter = Meter(self.sound.channels, self.sample_rate)
            for block in self.blocks(gain_db, limit):
                meter.add(block)
            self._known[gain_db, limit] = (meter.true_peak, meter.levels)
        return self._known[gain_db, limit]


def held(x: Floats, ceiling: float, sample_rate: int) -> Floats:
    """No sample above the ceiling: the gain a peak needs, held over the window's width and smoothed by it.

    ``x``: float64 (channels, frames).
    """
    loudest = np.abs(x).max(axis=0)
    if loudest.max(initial=0.0) <= ceiling:
        return x
    wanted = np.minimum(1.0, ceiling / np.maximum(loudest, 1e-12))
    width = 2 * round(HOLD_S * sample_rate) + 1
    least = ndimage.minimum_filter1d(wanted, width, mode="nearest")
    window = signal.windows.hann(width, sym=True)
    smooth = signal.oaconvolve(np.pad(least, width // 2, mode="edge"), window / window.sum(), mode="valid")
    out: Floats = x * np.minimum(smooth, wanted)
    return out
