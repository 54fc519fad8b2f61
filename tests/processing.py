"""What people do to tracks on their way to a mix, for tests: equalisers, a compressor whose gain is known, delays.

The equalisers are the second-order sections of Robert Bristow-Johnson's Audio EQ Cookbook (published by the W3C Audio
Working Group as a note; from memory). The compressor is the feed-forward design with its detector in the log domain of
Giannoulis, Massberg and Reiss, Digital dynamic range compressor design, JAES 60 (2012; from memory), with an instant
or smoothed attack; its gain is drawn at steps of ``STEP`` frames.
"""

from __future__ import annotations

import numpy as np
from scipy.signal import sosfilt

from oneshot.core.records.session import Floats

STEP = 8


def _section(b: tuple[float, float, float], a: tuple[float, float, float]) -> Floats:
    return np.array([[*(v / a[0] for v in b), 1.0, a[1] / a[0], a[2] / a[0]]])


def peaking(x: Floats, rate: int, hz: float, gain_db: float, q: float = 1.0) -> Floats:
    """A bell: float64 (channels, frames) or (frames,)."""
    w, big = 2 * np.pi * hz / rate, 10 ** (gain_db / 40)
    alpha, cos = np.sin(w) / (2 * q), np.cos(w)
    out: Floats = sosfilt(_section((1 + alpha * big, -2 * cos, 1 - alpha * big),
                                   (1 + alpha / big, -2 * cos, 1 - alpha / big)), x)
    return out


def high_pass(x: Floats, rate: int, hz: float, q: float = 0.7071) -> Floats:
    """12 dB an octave."""
    w = 2 * np.pi * hz / rate
    alpha, cos = np.sin(w) / (2 * q), np.cos(w)
    out: Floats = sosfilt(_section(((1 + cos) / 2, -(1 + cos), (1 + cos) / 2), (1 + alpha, -2 * cos, 1 - alpha)), x)
    return out


def high_shelf(x: Floats, rate: int, hz: float, gain_db: float) -> Floats:
    """A shelf of slope 1."""
    w, big = 2 * np.pi * hz / rate, 10 ** (gain_db / 40)
    cos, root = np.cos(w), 2 * np.sqrt(big) * np.sin(w) / 2 * np.sqrt(2)
    out: Floats = sosfilt(_section(
        (big * (big + 1 + (big - 1) * cos + root), -2 * big * (big - 1 + (big + 1) * cos),
         big * (big + 1 + (big - 1) * cos - root)),
        (big + 1 - (big - 1) * cos + root, 2 * (big - 1 - (big + 1) * cos), big + 1 - (big - 1) * cos - root)), x)
    return out


def compressor_gain_db(x: Floats, rate: int, *, threshold_dbfs: float, ratio: float = 4.0, attack_s: float = 0.005,
                       release_s: float = 0.2) -> Floats:
    """Gain, dB (0 or less), float64 (frames,), of a compressor that hears ``x`` (channels, frames), linked."""
    loud = np.abs(np.atleast_2d(x)).max(axis=0)
    blocks = -(-len(loud) // STEP)
    level = 20 * np.log10(np.pad(loud, (0, blocks * STEP - len(loud))).reshape(blocks, STEP).max(axis=1) + 1e-9)
    over = (np.maximum(level - threshold_dbfs, 0.0) * (1 - 1 / ratio)).tolist()
    rise = float(np.exp(-STEP / (rate * attack_s))) if attack_s else 0.0
    fall = float(np.exp(-STEP / (rate * release_s)))
    held, peak, state = np.empty(blocks), 0.0, 0.0
    for k, value in enumerate(over):
        peak = max(value, fall * peak)
        state = rise * state + (1 - rise) * peak
        held[k] = state
    out: Floats = -np.interp(np.arange(len(loud)), np.arange(blocks) * STEP, held)
    return out


def delayed(x: Floats, frames: int) -> Floats:
    """The same, of the same length, later by that many frames (earlier where negative)."""
    out = np.zeros_like(x)
    if frames >= 0:
        out[..., frames:] = x[..., : x.shape[-1] - frames]
    else:
        out[..., :frames] = x[..., -frames:]
    return out
