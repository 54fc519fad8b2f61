"""Pairs: what two mics do together: their sum in and out of polarity, the comb of their delay, their low end.

A sum of two mics that hear one drum ``t`` apart is a comb: notches at the odd multiples of 1/(2t), peaks between them
at the multiples of 1/t; turned over in polarity, the other way round. How deep it is follows from the levels alone: a
copy 9.5 dB down makes +2.5 and -3.5 dB, which is what the 3:1 rule asks for (common practice, no source). Sums are of
mics brought to equal level over the same hits, so that no more than the mics' own time and polarity decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from oneshot.comparison.figures import LOW_HZ, MEASURED_S
from oneshot.comparison.windows import Windows
from oneshot.core.lazy import later
from oneshot.core.records.session import Floats

fft = later("scipy.fft")

THREE_TO_ONE_DB = -20 * float(np.log10(3))
"""Level of a copy from three times as far, re the nearer one: -9.54 dB, by the inverse distance law (any textbook)."""
QUARTER_MS = 1000 / (4 * LOW_HZ)
"""Two mics are moved against each other from as they are to in line, and at most a quarter period of the highest low
frequency beyond either.
"""
SHORTEST_MS = 0.02
"""A delay below this is none: its first notch lies above what is heard."""


@dataclass(frozen=True, slots=True)
class Pair:
    """Two mics, on one drum of one take.

    ``delay_ms``: how much later the second hears it, ``path_m``: how much further away it stands, None where unknown;
    ``first_notch_hz``: 1/(2t), None without a delay; ``level_db``: the second re the first as recorded; ``peak_db``,
    ``notch_db``: the comb at those levels; ``three_to_one``: whether one lies at least 9.5 dB below the other.
    ``sum_db``, ``inverted_db``: level of the sum at equal level, re two mics that have nothing to do with each other:
    3 dB where they agree wholly, below 0 where they cancel; ``low_db``, ``low_inverted_db``: the same below 120 Hz.
    ``best_shift_ms``, ``best_polarity``, ``best_low_db``: by how much to move the second mic (earlier where negative)
    and in which polarity for most low end, and what that gives.
    """

    drum: str
    articulation: str
    take: str
    first: str
    second: str
    delay_ms: float | None
    path_m: float | None
    first_notch_hz: float | None
    level_db: float
    peak_db: float
    notch_db: float
    three_to_one: bool
    sum_db: float
    inverted_db: float
    low_db: float
    low_inverted_db: float
    best_shift_ms: float
    best_polarity: int
    best_low_db: float


def notches_hz(delay_ms: float, count: int) -> list[float]:
    """The first notches of a sum of two copies that far apart: the odd multiples of 1/(2t)."""
    return [(2 * n + 1) * 1000 / (2 * abs(delay_ms)) for n in range(count)]


def ripple_db(level_db: float) -> tuple[float, float]:
    """Peaks and notches (dB) of a sound and its copy ``level_db`` above or below it, re the louder of the two; notches
    no deeper than -60 dB.
    """
    ratio = 10 ** (-abs(level_db) / 20)
    return 20 * float(np.log10(1 + ratio)), 20 * float(np.log10(max(1 - ratio, 1e-3)))


def pairs(heard: Windows, delays_ms: Sequence[float | None], metres_per_ms: float) -> list[Pair]:
    """All pairs of a drum's mics that hear it, in the order of the mics.

    ``delays_ms``: of each mic re the home mic, None where unknown; ``metres_per_ms``: speed of sound.
    """
    rate = heard.sample_rate
    length = round((MEASURED_S + max((d for d in delays_ms if d is not None), default=0.0) / 1000) * rate)
    size = int(fft.next_fast_len(2 * length, real=True))
    spectra = [fft.rfft(heard.together(row, length / rate), size, axis=1) for row in range(len(heard.hits))]
    energy = np.sum([_energies(s, slice(None)) for s in spectra], axis=0)
    out = []
    for a, b in combinations(range(len(heard.mics)), 2):
        if min(energy[a], energy[b]) > 0:
            early, late = delays_ms[a], delays_ms[b]
            out.append(_pair(heard, (a, b), spectra, size, energy,
                             None if early is None or late is None else late - early, metres_per_ms))
    return out


def _pair(heard: Windows, rows: tuple[int, int], spectra: Sequence[NDArray[np.complex128]], size: int, energy: Floats,
          delay_ms: float | None, metres_per_ms: float) -> Pair:
    a, b = rows
    gain = np.sqrt(energy[a] / energy[b])
    low = slice(1, int(np.ceil(LOW_HZ * size / heard.sample_rate)))
    cross = np.sum([np.conj(s[a]) * s[b] * gain for s in spectra], axis=0)
    own = np.sum([_energies(s, low)[[a, b]] * (1, gain**2) for s in spectra], axis=0).sum()
    whole = float(2 * energy[a])
    both = float(2 * np.real(cross[1:]).sum())
    aligned = -(delay_ms or 0.0)
    first, last = (round(ms / 1000 * heard.sample_rate) for ms in (min(0.0, aligned) - QUARTER_MS,
                                                                   max(0.0, aligned) + QUARTER_MS))
    shifts = np.arange(first, last + 1)
    bins = np.arange(low.start, low.stop)
    moved = np.array([float(np.real(cross[low] * np.exp(-2j * np.pi * bins * shift / size)).sum()) for shift in shifts])
    best = int(np.argmax(np.abs(moved)))
    here = float(moved[-first])
    level = 10 * float(np.log10(energy[b] / energy[a]))
    peak, notch = ripple_db(level)
    notches = [] if delay_ms is None or abs(delay_ms) < SHORTEST_MS else notches_hz(delay_ms, 1)
    return Pair(
        heard.hits[0].drum, heard.hits[0].articulation, heard.take, heard.mics[a].name, heard.mics[b].name, delay_ms,
        None if delay_ms is None else delay_ms * metres_per_ms, notches[0] if notches else None, level, peak, notch,
        abs(level) >= -THREE_TO_ONE_DB, _re(whole + both, whole), _re(whole - both, whole), _re(own + 2 * here, own),
        _re(own - 2 * here, own), 1000 * float(shifts[best]) / heard.sample_rate, 1 if moved[best] >= 0 else -1,
        _re(own + 2 * abs(float(moved[best])), own))


def _energies(spectra: NDArray[np.complex128], rows: slice) -> Floats:
    """Energy of each mic (mics,) in some bins, the one at 0 Hz left out."""
    power = spectra.real**2 + spectra.imag**2
    power[:, 0] = 0.0
    out: Floats = power[:, rows].sum(axis=1)
    return out


def _re(part: float, whole: float) -> float:
    """A level (dB) against another, no lower than -60 dB."""
    return 10 * float(np.log10(max(part / whole, 1e-6))) if whole > 0 else 0.0
