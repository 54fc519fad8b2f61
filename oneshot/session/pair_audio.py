"""Whether two mics are left and right of a pair, by what they recorded: for names that leave it open.

Left and right of a pair stand in like places before the same thing: they hear the same hits at about the same levels
and times. Compared are the envelopes of both (rms over 1 ms, its root, so that the loudest hit does not speak alone)
over the loudest of some stretches spread over the take; at most ``STRETCHES`` of ``STRETCH_S`` seconds are read.

The limits are common practice, no source, save for time: mics of a pair stand less than 3 m apart, for which sound
takes 8.7 ms (343.2 m/s at 20 °C, ISO 9613-1); hits come from both sides, so that half of it is the limit of the median.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from oneshot.audio.io import TakeReader
from oneshot.core.air import speed_of_sound
from oneshot.core.records.session import Floats, Mic, Take

STRETCHES, STRETCH_S = 12, 2.0
_COMPARED = 6
_FAINT_DB = 30.0
"""Stretches that are fainter than the loudest by more than this are not compared."""
_BLOCK_MS = 1.0
_WIDEST_MS = 20.0
"""Differences in time are looked for so far."""
_ALIKE = 0.7
MOST_MS, MOST_DB = 3.0 / speed_of_sound(20.0) * 1000 / 2, 3.0


@dataclass(frozen=True, slots=True)
class Likeness:
    """How alike two mics are, as medians over the stretches: ``alike``, the correlation of their envelopes, -1 to 1;
    ``ms``, by how much the second is later; ``db``, by how much it is louder.
    """

    alike: float
    ms: float
    db: float

    @property
    def a_pair(self) -> bool:
        """Whether they are left and right of a pair."""
        return self.alike >= _ALIKE and abs(self.ms) <= MOST_MS and abs(self.db) <= MOST_DB

    @property
    def why(self) -> str:
        """In words, why they are one or are none."""
        if self.alike < _ALIKE:
            return f"they do not hear the same hits (correlation {self.alike:.2f})"
        if abs(self.ms) > MOST_MS:
            return f"one hears the hits {abs(self.ms):.0f} ms later"
        if abs(self.db) > MOST_DB:
            return f"one is {abs(self.db):.0f} dB louder"
        return f"they hear the same hits, {abs(self.ms):.0f} ms and {abs(self.db):.1f} dB apart"


def likeness(root: Path, take: Take, first: Mic, second: Mic) -> Likeness | None:
    """How alike two mics of a take are; None where one of them is silent, or too short, or where they were recorded at
    different times. AudioError as ``TakeReader``.
    """
    start = max(mic.sources[0].at for mic in (first, second))
    stop = min(mic.sources[-1].at + mic.sources[-1].frames for mic in (first, second))
    block = round(_BLOCK_MS / 1000 * take.sample_rate)
    length = min(round(STRETCH_S * take.sample_rate), stop - start) // block * block
    if length < 4 * _WIDEST_MS / _BLOCK_MS * block:
        return None
    count = min(STRETCHES, (stop - start) // length)
    found: list[tuple[float, Floats]] = []
    with TakeReader(root, Take(take.name, take.sample_rate, take.frames, take.subtype, (first, second))) as reader:
        for at in np.linspace(start, stop - length, count).astype(int).tolist():
            x = reader.read(at, at + length).astype(np.float64)
            power = np.mean((x - x.mean(axis=1, keepdims=True)).reshape(2, -1, block) ** 2, axis=2)
            found.append((float(power.mean()), power))
    loudest = max(energy for energy, _ in found)
    kept = [power for energy, power in sorted(found, key=lambda each: -each[0])[:_COMPARED]
            if energy > loudest * 10 ** (-_FAINT_DB / 10) and power.sum(axis=1).all()]
    if not kept:
        return None
    rows = np.array([_compared(power) for power in kept])
    alike, blocks, db = np.median(rows, axis=0).tolist()
    return Likeness(alike, blocks * _BLOCK_MS, db)


def _compared(power: Floats) -> tuple[float, float, float]:
    """Highest correlation of the envelopes of two rows of ``power`` (2, blocks), at how many blocks of delay of the
    second, and its level above the first, dB.
    """
    first, second = power**0.25
    most = int(_WIDEST_MS / _BLOCK_MS)
    inner = slice(most, len(first) - most)
    best = max(((_correlation(first[inner], second[most + lag:len(second) - most + lag]), lag)
                for lag in range(-most, most + 1)), key=lambda each: (each[0], -abs(each[1])))
    return best[0], best[1], float(10 * np.log10(power[1].sum() / power[0].sum()))


def _correlation(a: Floats, b: Floats) -> float:
    """Correlation of two rows, -1 to 1; 0 where one of them does not change."""
    a, b = a - a.mean(), b - b.mean()
    size = float(np.sqrt((a @ a) * (b @ b)))
    return float(a @ b) / size if size > 0 else 0.0
