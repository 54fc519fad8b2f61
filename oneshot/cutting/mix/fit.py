"""Mix fit: by what lag, with what weights and how well a mix, or any track made from mics, follows them.

*Lag.* Peak of the cross-correlation of first differences. Differencing raises the highs, in which an attack has its
position, over the lows, in which a kick correlates with itself for many frames around; filters, compressors and
saturation then leave the peak where it is. Tried beside it (docs/methods.md): plain cross-correlation, the phase
transform and the half-whitened one (Knapp and Carter, The generalized correlation method for estimation of time delay,
IEEE Trans. ASSP 24, 1976).

*Weights.* A sum of faders is linear, so that the faders follow from least squares of the mics onto the mix (Gauss; any
textbook of linear models), each window weighted by one over its energy in the mix, so that the kick does not dominate.
With an equaliser on each mic the same is true in each band by itself: complex weights in each octave hold its gain and
its phase shift.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from oneshot.core.lazy import later
from oneshot.core.records.session import Floats

fft = later("scipy.fft")

Complexes = NDArray[np.complex128]
OCTAVES_HZ = tuple(1000 * 10 ** (0.3 * n) for n in range(-4, 5))
"""Centres of the octave bands, 63 Hz to 16 kHz: the exact ones of IEC 61260-1:2014, base ten (from memory)."""
NOMINAL_HZ = (63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
"""Their nominal names."""
HALF = 10**0.15
RIDGE = 1e-5
"""Ridge as a share of a mic's own energy: it moves a well-determined fader by a thousandth of a dB."""
WINDOW_FRAMES = 2**14
"""Length of the transform over which octaves are fitted: the windows are shorter."""


def cross_correlation(mix: Floats, parts: Floats) -> Floats:
    """Normalised cross-correlation of first differences of a mix and parts of it, by lag, float64 (parts, 2 pad + 1),
    -1 to 1; its middle is lag 0.

    ``mix``: float64 (frames + 2 pad,); ``parts``: float64 (parts, frames), which begin ``pad`` frames into the mix's
    window. Zeros where either is silent.
    """
    y, x = np.diff(mix, prepend=mix[:1]), np.diff(parts, prepend=parts[:, :1], axis=1)
    count = len(y) - x.shape[1] + 1
    norm = np.sqrt((x**2).sum(axis=1, keepdims=True) * (y**2).sum())
    size = fft.next_fast_len(len(y), real=True)  # shorter than both together: lags that wrap are not asked for
    both = fft.irfft(fft.rfft(y, size) * np.conj(fft.rfft(x, size, axis=1)), size, axis=1)[:, :count]
    out: Floats = np.divide(both, norm, out=np.zeros_like(both), where=norm > 0)
    return out


def gram(x: Floats, y: Floats) -> tuple[Floats, Floats, float]:
    """Products of the mics among themselves (mics, mics) and with the mix (sides, mics), and the mix's energy, over a
    window scaled to energy one; zeros where the mix is silent. ``x``: (mics, frames); ``y``: (sides, frames).
    """
    energy = float((y**2).sum())
    if energy <= 0:
        return np.zeros((len(x), len(x))), np.zeros((len(y), len(x))), 0.0
    return x @ x.T / energy, y @ x.T / energy, 1.0


def solve(a: Floats, b: Floats, lean: Floats) -> Floats:
    """Weights (sides, mics): least squares with a ridge towards ``lean``, scaled to the mix."""
    own = RIDGE * (np.diag(a) + 1e-12 * max(float(np.trace(a)), 1e-30))
    scale = (lean * b).sum() / max(float(np.einsum("cm,mn,cn->", lean, a, lean)), 1e-30)
    return np.asarray(np.linalg.solve(a + np.diag(own), (b + own * scale * lean).T).T, np.float64)


def octave_rows(size: int, sample_rate: int) -> list[slice]:
    """The bins of a real transform of ``size`` frames that lie in each octave; none where half the rate is below it."""
    width = sample_rate / size
    edges = [(int(np.ceil(hz / HALF / width)), int(np.ceil(hz * HALF / width))) for hz in OCTAVES_HZ]
    return [slice(min(low, size // 2), min(high, size // 2)) for low, high in edges]


def octave_energies(x: Floats, sample_rate: int) -> Floats:
    """Energy in each octave, float64 (octaves,), over all rows of ``x`` (rows, frames), its ends faded over 10 ms."""
    spectrum = fft.rfft(x * _ends(x.shape[1], sample_rate), axis=1)
    power = (spectrum.real**2 + spectrum.imag**2).sum(axis=0)
    return np.array([float(power[rows].sum()) for rows in octave_rows(x.shape[1], sample_rate)])


@dataclass(frozen=True, slots=True, eq=False)
class OctaveFit:
    """Complex weights of mics onto a track, band by band: each (sides, mics), or None where there is no energy."""

    weights: tuple[Complexes | None, ...]
    sample_rate: int

    def gains_db(self, x: Floats, y: Floats, least: float) -> Floats:
        """Gain of the track re the fit in each octave (dB), float64 (octaves,).

        ``x``: (mics, frames), ``y``: (sides, frames), the same short window. Only what is coherent with the mics
        counts; NaN where the coherence of the two (0 to 1) lies below ``least``.
        """
        size = max(2048, y.shape[1])
        window = np.hanning(y.shape[1])
        mics, track = fft.rfft(x * window, size, axis=1), fft.rfft(y * window, size, axis=1)
        out = np.full(len(self.weights), np.nan)
        for k, (rows, weight) in enumerate(zip(octave_rows(size, self.sample_rate), self.weights, strict=True)):
            if weight is None or rows.stop <= rows.start:
                continue
            said, heard = np.einsum("cm,mf->cf", weight, mics[:, rows]), track[:, rows]
            both = float(np.abs((heard * said.conj()).sum()))
            own, seen = float((np.abs(said) ** 2).sum()), float((np.abs(heard) ** 2).sum())
            if own > 0 and seen > 0 and both**2 > least * own * seen:
                out[k] = 20 * np.log10(both / own)
        return out


def fit_octaves(windows: Sequence[tuple[Floats, Floats]], sample_rate: int) -> OctaveFit:
    """Least squares of mics onto a track, octave by octave. ``windows``: (mics (mics, frames), track (sides, frames)),
    both of one length, at most ``WINDOW_FRAMES``; longer ones are cut.
    """
    bands = octave_rows(WINDOW_FRAMES, sample_rate)
    sums: list[tuple[Complexes, Complexes] | None] = [None] * len(bands)
    for x, y in windows:
        frames = min(x.shape[1], WINDOW_FRAMES)
        ends = _ends(frames, sample_rate)
        mics = fft.rfft(x[:, :frames] * ends, WINDOW_FRAMES, axis=1)
        track = fft.rfft(y[:, :frames] * ends, WINDOW_FRAMES, axis=1)
        for k, rows in enumerate(bands):
            part, heard = mics[:, rows], track[:, rows]
            energy = float((np.abs(heard) ** 2).sum())
            if energy > 0:
                a, b = part @ part.conj().T / energy, heard @ part.conj().T / energy
                known = sums[k]
                sums[k] = (a, b) if known is None else (known[0] + a, known[1] + b)
    weights: list[Complexes | None] = []
    for pair in sums:
        if pair is None or not np.trace(pair[0]).real > 0:
            weights.append(None)
            continue
        a, b = pair
        own = RIDGE * np.diag(a).real + 1e-9 * float(np.trace(a).real) / len(a)
        weights.append(np.asarray(np.linalg.solve((a + np.diag(own)).T, b.T).T, np.complex128))
    return OctaveFit(tuple(weights), sample_rate)


def _ends(frames: int, sample_rate: int) -> Floats:
    """A window that is 1 but for raised cosines of 10 ms at both ends."""
    fade = min(round(0.01 * sample_rate), frames // 2)
    rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / max(fade, 1))
    return np.concatenate([rise, np.ones(frames - 2 * fade), rise[::-1]])
