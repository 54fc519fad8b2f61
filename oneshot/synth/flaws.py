"""What else is on a recording: speech, sticks and clicks between strokes, hum, compressors, gates, overdriven inputs.

Signals are float32, (frames,), 1.0 is full scale, or the pressure at one metre for what sounds in the room.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter1d
from scipy.signal import lfilter

from oneshot.core.records.session import Floats32

FORMANTS_HZ = ((730, 1090, 2440), (530, 1840, 2480), (270, 2290, 3010), (570, 840, 2410), (300, 870, 2240))
"""First three formants of five vowels: Peterson and Barney, J. Acoust. Soc. Am. 24(2), 1952, from memory."""


def speech(length_s: float, sample_rate: int, rng: np.random.Generator) -> Floats32:
    """Something like a voice for ``length_s``: glottal pulses through the formants of changing vowels; peak 0.25."""
    out = np.zeros(max(1, int(length_s * sample_rate)))
    at = 0
    while at < len(out):
        n = int(sample_rate * rng.uniform(0.12, 0.28))
        t = np.arange(n) / sample_rate
        pitch = rng.uniform(95, 150) * (1 - 0.15 * t / t[-1])
        phase = np.cumsum(pitch) / sample_rate
        pulses = np.diff(np.floor(phase), prepend=0.0) + 0.02 * rng.standard_normal(n)
        voiced = np.zeros(n)
        for k, f in enumerate(FORMANTS_HZ[rng.integers(len(FORMANTS_HZ))]):
            r = np.exp(-np.pi * (80 + 40 * k) / sample_rate)
            voiced += lfilter([1 - r], [1, -2 * r * np.cos(2 * np.pi * f / sample_rate), r * r], pulses) / (k + 1)
        voiced *= np.abs(np.sin(np.pi * t / t[-1])) ** 0.7
        m = min(n, len(out) - at)
        out[at : at + m] += voiced[:m]
        at += n + int(sample_rate * rng.uniform(0.02, 0.15))
    return np.asarray(0.25 * out / max(float(np.abs(out).max()), 1e-9), dtype=np.float32)


def clicks(bpm: float, frames: int, sample_rate: int) -> Floats32:
    """A metronome as it leaks from headphones, one tick a beat, higher on the first of four; peak about 0.004."""
    out = np.zeros(frames, np.float32)
    n = int(0.03 * sample_rate)
    t = np.arange(n) / sample_rate
    step = 60 / bpm * sample_rate
    for beat in range(int(frames / step) + 1):
        at = round(beat * step)
        tick = 0.004 * np.sin(2 * np.pi * (1760 if beat % 4 == 0 else 1320) * t) * np.exp(-t / 0.006)
        m = min(n, frames - at)
        if m > 0:
            out[at : at + m] += tick[:m].astype(np.float32)
    return out


def sticks(sample_rate: int, rng: np.random.Generator) -> Floats32:
    """Two sticks struck together once: a few short wooden modes; peak about 0.06."""
    t = np.arange(int(0.04 * sample_rate)) / sample_rate
    out = np.zeros(len(t))
    for f, decay, level in ((1480, 0.006, 1.0), (2350, 0.005, 0.8), (4120, 0.003, 0.6), (6900, 0.0015, 0.4)):
        out += level * np.exp(-t / decay) * np.sin(2 * np.pi * f * (1 + rng.normal(0, 0.01)) * t)
    out *= 0.06 * 10 ** (rng.normal(0, 1.0) / 20) / float(np.abs(out).max())
    return out.astype(np.float32)


def knock(sample_rate: int, rng: np.random.Generator) -> Floats32:
    """A foot or stick against a stand, as the mic on it gets it through the metal: a few low modes; peak about 0.1."""
    t = np.arange(int(0.25 * sample_rate)) / sample_rate
    out = np.zeros(len(t))
    for f, decay, level in ((41.0, 0.05, 1.0), (97.0, 0.035, 0.7), (233.0, 0.02, 0.4), (620.0, 0.008, 0.25)):
        out += level * np.exp(-t / decay) * np.sin(2 * np.pi * f * (1 + rng.normal(0, 0.03)) * t)
    out *= 0.1 * 10 ** (rng.normal(0, 2.0) / 20) / float(np.abs(out).max())
    return out.astype(np.float32)


def hum(rms_dbfs: float, mains_hz: float, frames: int, sample_rate: int) -> Floats32:
    """Mains hum: the fundamental and six overtones, ``rms_dbfs`` in all."""
    t = np.arange(frames) / sample_rate
    levels = np.array([1.0, 0.35, 0.5, 0.12, 0.2, 0.06, 0.1])
    levels *= 10 ** (rms_dbfs / 20) / np.sqrt(np.sum(levels**2) / 2)
    out = np.zeros(frames, np.float32)
    for k, level in enumerate(levels, start=1):
        out += (level * np.sin(2 * np.pi * k * mains_hz * t + k)).astype(np.float32)
    return out


def crush(signal: Floats32, sample_rate: int, *, threshold_dbfs: float = -32.0, ratio: float = 12.0,
          release_s: float = 0.18) -> Floats32:
    """A compressor that is meant to be heard: instant attack, slow release, made up to the peak it had before.

    The gain is found in steps of a millisecond and drawn through them.
    """
    step = max(1, sample_rate // 1000)
    blocks = len(signal) // step + 1
    padded = np.zeros(blocks * step, np.float32)
    padded[: len(signal)] = np.abs(signal)
    level_db = 20 * np.log10(padded.reshape(blocks, step).max(axis=1).astype(np.float64) + 1e-9)
    over = np.maximum(level_db - threshold_dbfs, 0.0)
    fall = float(np.exp(-1 / (1000 * release_s)))
    held = np.empty(blocks)
    state = 0.0
    for k, x in enumerate(over.tolist()):
        state = max(x, state * fall)
        held[k] = state
    gain_db = -held * (1 - 1 / ratio)
    gain = 10 ** (np.interp(np.arange(len(signal)) / step, np.arange(blocks), gain_db) / 20)
    out = signal * gain.astype(np.float32)
    peak = max(float(np.abs(out).max(initial=0.0)), 1e-9)
    return np.asarray(out * np.float32(float(np.abs(signal).max(initial=0.0)) / peak), dtype=np.float32)


def gate(signal: Floats32, sample_rate: int, threshold_dbfs: float, hold_s: float = 0.25) -> Floats32:
    """Digital black wherever the signal stays below the threshold for longer than ``hold_s``, as editors leave it."""
    step = max(1, sample_rate // 1000)
    blocks = len(signal) // step + 1
    padded = np.zeros(blocks * step, np.float32)
    padded[: len(signal)] = np.abs(signal)
    loud = (padded.reshape(blocks, step).max(axis=1) > 10 ** (threshold_dbfs / 20)).astype(np.uint8)
    kept = maximum_filter1d(loud, size=2 * int(hold_s * 500) + 1, origin=int(hold_s * 500) - 8)
    return np.asarray(signal * np.repeat(kept, step)[: len(signal)], dtype=np.float32)


def self_noise(rms_dbfs: float, frames: int, rng: np.random.Generator) -> Floats32:
    """A mic's own noise: white, ``rms_dbfs``."""
    return rng.standard_normal(frames, dtype=np.float32) * np.float32(10 ** (rms_dbfs / 20))
