"""Levels of a finished file: sample peak, true peak, momentary and integrated loudness.

Conventions: arrays are float64 (channels, frames), full scale 1.0. Digital silence has no level: ``None``, never -inf.

Methods: ITU-R BS.1770-5. Annex 1 gives K weighting, the 400 ms blocks and the two gates; Annex 2 the true peak on a
signal oversampled to at least 192 kHz. EBU Tech 3341 gives momentary loudness: a sliding rectangle of 400 ms, no gate.

Where this departs from them:

- A drum hit is often shorter than the 400 ms that a block needs. It is padded with silence and its loudest 400 ms are
  reported; the window slides by single frames, so where in a file the hit stands changes nothing. (common practice)
- At rates other than 48 kHz, where the standard tabulates no coefficients and asks for the same response, the filters
  are those of pyloudnorm's "DeMan" class with one gain correction per rate, so that the check tone of Annex 1 reads the
  same at every rate (uncorrected it reads 0.017 dB low at 96 kHz).
- The true peak is never below the sample peak: the interpolator passes the samples themselves through. The order-48
  example filter of Annex 2 has no such phase and can read 0.2 dB below them.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from oneshot.core.lazy import later
from oneshot.core.records.session import Floats

signal = later("scipy.signal")
pyloudnorm = later("pyloudnorm")

BLOCK_S = 0.4
"""Length of the momentary window and of a gating block; BS.1770-5 Annex 1."""
HOP_S = 0.1
ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
OFFSET_DB = -0.691
"""Constant of BS.1770-5 equation 2: a 997 Hz sine of full scale in one channel reads -3.01."""
CHECK_HZ = 997.0
TRUE_PEAK_RATE = 192_000
"""BS.1770-5 Annex 2: the rate that the oversampled signal must reach."""
TAPS_A_PHASE = 24
"""Samples on which an interpolated value rests, twice the twelve of the example filter in Annex 2."""

STRETCH = 4096
"""Frames that are oversampled at a time where sound comes in blocks: between loud strokes it is not."""


@dataclass(frozen=True, slots=True)
class Levels:
    """What the manifest says of a file. Each is None for silence; integrated also for files shorter than 400 ms."""

    peak_dbfs: float | None
    true_peak_dbtp: float | None
    momentary_lufs: float | None
    integrated_lufs: float | None


def measure(x: Floats, sample_rate: int) -> Levels:
    """All four levels of a file, float64 (channels, frames)."""
    weighted = _weighted_energy(x, sample_rate, None)
    return Levels(sample_peak_dbfs(x), true_peak_dbtp(x, sample_rate),
                  _momentary(weighted, sample_rate), _integrated(weighted, sample_rate))


def sample_peak_dbfs(x: Floats) -> float | None:
    """Largest absolute sample over all channels, dBFS; None for silence. ``x``: float64 (channels, frames)."""
    return _db(float(np.max(np.abs(x), initial=0.0)))


def true_peak_dbtp(x: Floats, sample_rate: int) -> float | None:
    """Largest absolute value between and at the samples, over all channels, dBTP; None for silence.

    ``x``: float64 (channels, frames). BS.1770-5 Annex 2: oversampled by 4 below 96 kHz, by 2 below 192 kHz, else not at
    all. Only the stretch that can hold the peak is oversampled: an interpolated value is at most ``bound`` times the
    largest sample it rests on, so samples smaller than the peak over ``bound`` cannot make a new one. For a decaying
    hit that is a few milliseconds instead of seconds, with the same result.
    """
    return _db(true_peak(x, sample_rate))


def true_peak(x: Floats, sample_rate: int) -> float:
    """As ``true_peak_dbtp``, but as a factor of full scale; 0 for silence."""
    peak = float(np.max(np.abs(x), initial=0.0))
    factor = _oversampling(sample_rate)
    if factor > 1 and peak > 0.0:
        for channel in x:
            peak = _between(channel, peak, factor)
    return peak


def _oversampling(sample_rate: int) -> int:
    return 4 if sample_rate < TRUE_PEAK_RATE / 2 else 2 if sample_rate < TRUE_PEAK_RATE else 1


def _between(channel: Floats, peak: float, factor: int, edge: int = 0) -> float:
    """The largest value between the samples of one channel, ``peak`` or more. ``edge``: what lies between so many
    samples at either end is left out, because it rests on samples that are not here.
    """
    taps, bound = _interpolator(factor)
    loud = np.flatnonzero(np.abs(channel) > peak / bound)
    if not loud.size:
        return peak
    first, last = max(0, int(loud[0]) - TAPS_A_PHASE), int(loud[-1]) + TAPS_A_PHASE + 1
    part = channel[first:last]
    between = np.empty(factor * (len(part) - 1) + len(taps))
    for phase in range(factor):
        between[phase::factor] = np.convolve(part, taps[phase::factor])
    if edge:
        middle = len(taps) // 2  # where the first sample comes out
        between = between[max(0, factor * (edge - first) + middle):
                          max(0, factor * (len(channel) - edge - first) + middle)]
    return max(peak, float(np.max(np.abs(between), initial=0.0)))


def momentary_max_lufs(x: Floats, sample_rate: int, *, weights: Sequence[float] | None = None) -> float | None:
    """Loudest 400 ms, LUFS, over the file padded with silence; None for silence.

    ``x``: float64 (channels, frames); ``weights``: a gain per channel (BS.1770-5 Annex 1 table 3), by default 1.0 each.
    """
    return _momentary(_weighted_energy(x, sample_rate, weights), sample_rate)


def integrated_lufs(x: Floats, sample_rate: int, *, weights: Sequence[float] | None = None) -> float | None:
    """Gated loudness of the whole, LUFS; None below 400 ms and where no block passes the gate at -70 LUFS.

    ``x`` and ``weights`` as in ``momentary_max_lufs``. BS.1770-5 Annex 1 equations 3 to 7; an incomplete last block is
    dropped, as the standard has it.
    """
    return _integrated(_weighted_energy(x, sample_rate, weights), sample_rate)


@dataclass(frozen=True, slots=True, eq=False)
class _Energy:
    """Running sum of the K-weighted, channel-weighted squares of a file, followed by one block of silence for the
    filter's tail.
    """

    total: Floats
    frames: int


def _weighted_energy(x: Floats, sample_rate: int, weights: Sequence[float] | None) -> _Energy:
    """Running energy of the K-weighted signal; ``total[i]`` is the sum over frames before i."""
    block = round(BLOCK_S * sample_rate)
    gains = np.ones(len(x)) if weights is None else np.asarray(weights, dtype=np.float64)
    total = np.zeros(x.shape[1] + block + 1)
    sections = k_weighting(sample_rate)
    for gain, channel in zip(gains, x, strict=True):
        padded = np.concatenate([np.asarray(channel, dtype=np.float64), np.zeros(block)])
        total[1:] += gain * np.square(signal.sosfilt(sections, padded))
    np.cumsum(total, out=total)
    return _Energy(total, x.shape[1])


def _momentary(energy: _Energy, sample_rate: int) -> float | None:
    """Largest energy of any window of one block, as LUFS."""
    block = round(BLOCK_S * sample_rate)
    total = np.concatenate([np.zeros(block), energy.total])
    return _lufs(float(np.max(total[block:] - total[:-block])), block)


def _lufs(energy: float, block: int) -> float | None:
    """The loudness of one block of that energy."""
    return None if energy <= 0.0 else OFFSET_DB + 10 * math.log10(energy / block)


def _integrated(energy: _Energy, sample_rate: int) -> float | None:
    """Mean of the blocks above both gates, as LUFS."""
    block = round(BLOCK_S * sample_rate)
    starts = _starts(energy.frames, sample_rate)
    if not starts.size:
        return None
    return _gated((energy.total[starts + block] - energy.total[starts]) / block)


def _starts(frames: int, sample_rate: int) -> NDArray[np.int64]:
    """The first frame of each gating block of a file."""
    block = round(BLOCK_S * sample_rate)
    count = int((frames - block) / (HOP_S * sample_rate)) + 1 if frames >= block else 0
    starts = np.array([round(index * HOP_S * sample_rate) for index in range(count)], dtype=np.int64)
    return starts[starts + block <= frames]


def _gated(power: Floats) -> float | None:
    """Loudness of the blocks of those mean squares, by both gates, as LUFS."""
    power = np.maximum(power, 1e-30)
    loudness = OFFSET_DB + 10 * np.log10(power)
    above = loudness > ABSOLUTE_GATE_LUFS
    if not above.any():
        return None
    gate = OFFSET_DB + 10 * math.log10(float(power[above].mean())) + RELATIVE_GATE_LU
    # blocks above the absolute gate are never all below their own mean minus 10, so something is left
    return OFFSET_DB + 10 * math.log10(float(power[above & (loudness > gate)].mean()))


class TruePeak:
    """The true peak of sound that comes in blocks, as ``true_peak`` gives it of the whole."""

    def __init__(self, channels: int, sample_rate: int) -> None:
        self._factor = _oversampling(sample_rate)
        self._edge = TAPS_A_PHASE // 2
        self._tail = np.zeros((channels, 2 * self._edge))
        self._peak = 0.0

    def add(self, x: Floats) -> None:
        """The next block, float64 (channels, frames)."""
        self._peak = self._with(x)
        self._tail = np.concatenate([self._tail, x], axis=1)[:, -2 * self._edge:]

    @property
    def value(self) -> float:
        """As a factor of full scale, if nothing follows; 0 for silence."""
        return self._with(np.zeros_like(self._tail))

    def _with(self, x: Floats) -> float:
        """The peak so far, with what lies between the samples up to half the taps before the end of ``x``."""
        peak = max(self._peak, float(np.max(np.abs(x), initial=0.0)))
        if self._factor > 1 and peak > 0.0:
            for channel in np.concatenate([self._tail, x], axis=1):
                for at in range(0, len(channel) - 2 * self._edge, STRETCH):
                    peak = _between(channel[at:at + STRETCH + 2 * self._edge], peak, self._factor, self._edge)
        return peak


class Meter:
    """The levels of sound that comes in blocks, as ``measure`` gives them of the whole. Memory: two numbers for each
    tenth of a second.
    """

    def __init__(self, channels: int, sample_rate: int) -> None:
        self._rate, self._block = sample_rate, round(BLOCK_S * sample_rate)
        self._true_peak = TruePeak(channels, sample_rate)
        self._peak, self._frames = 0.0, 0
        self._state = np.zeros((len(k_weighting(sample_rate)), channels, 2))
        self._totals = np.zeros(self._block)
        """Running energy up to the latest frames, of one block."""
        self._loudest = 0.0
        self._from: list[float] = [0.0]
        """Running energy where each gating block begins, and where it ends."""
        self._to: list[float] = []

    def add(self, x: Floats) -> None:
        """The next frames, float64 (channels, frames)."""
        self._true_peak.add(x)
        self._peak = max(self._peak, float(np.max(np.abs(x), initial=0.0)))
        totals, self._state = self._weighted(x)
        self._loudest = max(self._loudest, self._most(totals))
        begun, self._frames = self._frames, self._frames + x.shape[1]
        for known, offset in ((self._from, 0), (self._to, self._block)):
            while (at := round(len(known) * HOP_S * self._rate) + offset) <= self._frames:
                known.append(float(totals[at - begun - 1]))
        self._totals = np.concatenate([self._totals, totals])[-self._block:]

    @property
    def true_peak(self) -> float:
        """The true peak so far as a factor of full scale; 0 for silence."""
        return self._true_peak.value

    @property
    def levels(self) -> Levels:
        """Of what came so far."""
        rest, _ = self._weighted(np.zeros((self._state.shape[1], self._block)))  # the filter's tail
        count = len(_starts(self._frames, self._rate))
        power = (np.array(self._to[:count]) - np.array(self._from[:count])) / self._block
        return Levels(_db(self._peak), _db(self.true_peak), _lufs(max(self._loudest, self._most(rest)), self._block),
                      _gated(power) if count else None)

    def _weighted(self, x: Floats) -> tuple[Floats, Floats]:
        """The running energy after each frame of ``x``, and the state of the filters then."""
        weighted, state = signal.sosfilt(k_weighting(self._rate), x, axis=1, zi=self._state)
        energy = np.square(weighted).sum(axis=0)
        return np.cumsum(np.concatenate([self._totals[-1:], energy]))[1:], state

    def _most(self, totals: Floats) -> float:
        """The largest energy of a block that ends in these frames."""
        joined = np.concatenate([self._totals, totals])
        return float(np.max(joined[self._block:] - joined[:-self._block], initial=0.0))


@functools.lru_cache(maxsize=8)
def k_weighting(sample_rate: int) -> Floats:
    """K weighting as second-order sections (2, 6) for ``scipy.signal.sosfilt``; BS.1770-5 Annex 1 tables 1 and 2."""
    sections = _sections(sample_rate)
    if sample_rate != 48_000:
        sections[1, :3] *= _gain_at(_sections(48_000), 48_000) / _gain_at(sections, sample_rate)
    return sections


def _sections(sample_rate: int) -> Floats:
    meter = pyloudnorm.Meter(sample_rate, filter_class="DeMan")
    filters = meter._filters.values()  # noqa: SLF001 - its only way to coefficients
    return np.array([np.concatenate([stage.b, stage.a]) for stage in filters], dtype=np.float64)


def _gain_at(sections: Floats, sample_rate: int) -> float:
    """Gain of a filter at the frequency of the check tone."""
    _, response = signal.sosfreqz(sections, worN=[CHECK_HZ], fs=sample_rate)
    return float(np.abs(response[0]))


@functools.lru_cache(maxsize=4)
def _interpolator(factor: int) -> tuple[Floats, float]:
    """Windowed-sinc interpolator, and how far a value between samples can exceed the largest sample under its taps."""
    half = TAPS_A_PHASE // 2 * factor
    taps = np.sinc(np.arange(-half, half + 1) / factor) * np.kaiser(2 * half + 1, 5.0)
    # each phase passes a constant unchanged, so a flat top is not read as a higher one; phase 0 stays the samples
    for phase in range(factor):
        taps[phase::factor] /= taps[phase::factor].sum()
    bound = max(float(np.abs(taps[phase::factor]).sum()) for phase in range(factor))
    return taps, bound


def _db(value: float) -> float | None:
    return None if value <= 0.0 else 20 * math.log10(value)
