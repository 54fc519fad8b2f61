"""Filters: high-pass, low-pass and band filters for prints, and the decay of one band shortened.

Signals are float64 (..., frames). High-pass and low-pass are second-order Butterworth filters and causal: nothing
sounds before the attack. A linear-phase filter would leave the phase of the lows alone but ring before the attack,
where a print begins; the causal one turns 60 Hz by 43 degrees with its corner at 30 Hz, which costs less than 1 of the
6 dB by which a print under its own track raises the lows.

A tail is shaped in one band: the linear-phase band-pass of the signal is faded out from a moment on, and the rest
stays. Up to that moment every sample is unchanged.
"""

from __future__ import annotations

import math

import numpy as np

from oneshot.core.lazy import later
from oneshot.core.records.session import Floats

signal = later("scipy.signal")

ORDER = 2
TAIL_TAPS_S = 0.1
"""Length of the filter that isolates a band: its edges are about 40 Hz wide."""


def filtered(x: Floats, *, high_pass_hz: float, low_pass_hz: float, sample_rate: int) -> Floats:
    """The sound without what lies below and above two corners (Hz, -3 dB); 0 or outside the spectrum: no filter."""
    out = x
    if high_pass_hz > 0:
        out = signal.sosfilt(signal.butter(ORDER, high_pass_hz, "highpass", fs=sample_rate, output="sos"), out, axis=-1)
    if 0 < low_pass_hz < sample_rate / 2:
        out = signal.sosfilt(signal.butter(ORDER, low_pass_hz, "lowpass", fs=sample_rate, output="sos"), out, axis=-1)
    return np.asarray(out, np.float64)


def band(x: Floats, low_hz: float, high_hz: float, sample_rate: int) -> Floats:
    """What lies between two frequencies (Hz), by a linear-phase filter whose delay is compensated; ``low_hz`` 0: all
    the lows, ``high_hz`` at half the rate or above: all the highs; ``low_hz`` there: nothing, as no sound of that rate
    holds any of it.
    """
    if low_hz >= sample_rate / 2:
        return np.zeros_like(x)
    half = round(TAIL_TAPS_S * sample_rate / 2)
    top = high_hz >= sample_rate / 2
    if low_hz <= 0 and top:
        return x
    edges = [hz for hz, there in ((low_hz, low_hz > 0), (high_hz, not top)) if there]
    kind = "bandpass" if len(edges) == 2 else "lowpass" if low_hz <= 0 else "highpass"
    taps = signal.firwin(2 * half + 1, edges, pass_zero=kind, fs=sample_rate)
    shape = (1,) * (x.ndim - 1) + (-1,)
    return np.asarray(signal.fftconvolve(x, taps.reshape(shape), mode="same", axes=-1), np.float64)


def tail_shaped(x: Floats, *, low_hz: float, high_hz: float, start: int, decay_s: float, sample_rate: int) -> Floats:
    """The sound with one band decaying faster from frame ``start`` on, by another 60 dB in ``decay_s``; before it
    bit-identical.

    ``x``: (channels, frames). The band's own decay goes on as well: levels in dB add up, so a band that falls 60 dB in
    1 s does so in 0.5 s with ``decay_s`` 1.
    """
    frames = x.shape[-1]
    if start >= frames:
        return x
    out = x.copy()
    fall = np.exp(-math.log(1000) / (decay_s * sample_rate) * np.arange(frames - start))
    out[..., start:] += (fall - 1.0) * band(x, low_hz, high_hz, sample_rate)[..., start:]
    return out
