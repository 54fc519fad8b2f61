"""A multi-mic take made of real drum recordings, with known truth.

The strokes are the ``drum_*`` one-shots of Debian's package sonic-pi-samples (CC0 1.0), two strengths a drum, each
varied a little in level, pitch and tone. What the mics hear follows from a plan of places alone: travel time at 343.2
m/s, inverse distance, a dull off-axis low-pass and a short decaying room of each mic's own. It shares no code with the
generator in ``oneshot.synth`` but the definitions of what counts as truth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zlib import crc32

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray
from scipy.signal import lfilter

from oneshot.synth import truth

SAMPLES = Path("/usr/share/sonic-pi/samples")
RATE = 44100
NOISE_DB = -82.0
Signal = NDArray[np.float32]
Point = tuple[float, float, float]

VOICES: dict[tuple[str, str], tuple[str, str]] = {
    ("kick", "hit"): ("drum_bass_soft", "drum_bass_hard"),
    ("snare", "centre"): ("drum_snare_soft", "drum_snare_hard"),
    ("rack", "hit"): ("drum_tom_hi_soft", "drum_tom_hi_hard"),
    ("floor", "hit"): ("drum_tom_lo_soft", "drum_tom_lo_hard"),
    ("hat", "closed"): ("drum_cymbal_closed", "drum_cymbal_closed"),
    ("hat", "open"): ("drum_cymbal_open", "drum_cymbal_open"),
    ("crash", "hit"): ("drum_splash_soft", "drum_splash_hard"),
}
"""Drum and articulation -> the recordings of a soft and of a hard stroke."""
LOUDNESS_DB = {"kick": 0.0, "snare": 0.0, "rack": -2.0, "floor": -2.0, "hat": -14.0, "crash": -8.0}
DRUMS: dict[str, Point] = {
    "kick": (0.0, 0.0, 0.3), "snare": (-0.28, -0.40, 0.65), "rack": (0.12, 0.10, 0.8), "floor": (0.55, -0.40, 0.6),
    "hat": (-0.68, -0.35, 0.9), "crash": (-0.5, 0.25, 1.2),
}
MICS: dict[str, Point] = {
    "Kick": (0.03, 0.12, 0.32), "Snare": (-0.22, -0.32, 0.71), "Rack Tom": (0.16, 0.20, 0.87),
    "Floor Tom": (0.60, -0.29, 0.68), "Hat": (-0.78, -0.29, 1.02), "OH L": (-0.7, -0.3, 1.9), "OH R": (0.75, -0.3, 1.9),
    "Room": (0.4, 3.9, 1.8),
}
HOMES = {"kick": "Kick", "snare": "Snare", "rack": "Rack Tom", "floor": "Floor Tom", "hat": "Hat", "crash": "OH L"}


@dataclass(frozen=True, slots=True)
class RealStroke:
    """A stroke to be placed: seconds, what is struck, and dB under the hardest."""

    at_s: float
    drum: str
    articulation: str
    strength_db: float


def missing() -> str | None:
    """Why the recordings cannot be used, or None: the package is not there, or lacks some of them."""
    gone = sorted({n for pair in VOICES.values() for n in pair if not (SAMPLES / f"{n}.flac").is_file()})
    return f"Debian's sonic-pi-samples is not installed ({gone[0]}.flac is not in {SAMPLES})" if gone else None


def recording(drum: str, articulation: str, strength_db: float, rng: np.random.Generator) -> tuple[Signal, float]:
    """One stroke of a recording, its own level first brought to ``strength_db``, then varied; and where it attacks.

    Varied: level by 0.4 dB, pitch by 0.3 %, tone by a gentle shelf, all normal deviations. The attack (frames) is where
    the recording passes -30 dB of its peak.
    """
    soft, hard = VOICES[drum, articulation]
    x, rate = soundfile.read(SAMPLES / f"{hard if strength_db > -12 else soft}.flac", dtype="float64")
    if rate != RATE:
        raise ValueError(f"the recordings are expected at {RATE} Hz, found {rate}")
    pitch = 1 + float(np.clip(rng.normal(0, 0.003), -0.01, 0.01))
    x = soxr.resample(x, RATE * pitch, RATE)
    pole = 0.3
    dull = lfilter([1 - pole], [1, -pole], x)
    x = x + rng.normal(0, 0.08) * (x - dull)
    fade = min(len(x), 1200)
    x[-fade:] *= np.linspace(1, 0, fade)
    gain = 10 ** ((strength_db + LOUDNESS_DB[drum] + rng.normal(0, 0.4)) / 20) / np.abs(x).max()
    signal = (gain * x).astype(np.float32)
    return signal, float(truth.onset_frame(signal, RATE))


def response(drum: str, mic: str) -> Signal:
    """What a mic hears of an impulse on a drum, (frames,), at the desk's gain: direct sound and a decaying room."""
    apart = float(np.linalg.norm(np.subtract(DRUMS[drum], MICS[mic])))
    close = HOMES[drum] == mic
    n = 16384
    delay = apart / 343.2 * RATE
    away = np.arange(n) - delay
    direct = np.sinc(away) * np.where(np.abs(away) < 32, np.cos(np.pi * away / 64) ** 2, 0.0) / apart
    if not close:
        direct = lfilter([0.45], [1, -0.55], direct)  # off its axis a mic loses highs
    rng = np.random.default_rng([9, crc32(f"{drum}/{mic}".encode())])
    late = away - 0.006 * RATE
    tail = rng.standard_normal(n) * (late > 0) * np.exp(-np.maximum(late, 0) * 6.9 / (0.35 * RATE))
    tail = lfilter([0.35], [1, -0.65], tail)
    tail *= 0.45 / np.sqrt(np.sum(tail**2))
    if mic == "Hat":
        total = direct + tail
        return np.asarray(0.3 * (total - lfilter([0.05], [1, -0.95], total)), dtype=np.float32)  # its low cut, 360 Hz
    gain = {"Room": 0.5, "OH L": 0.4, "OH R": 0.4}.get(mic, 0.07)
    return np.asarray((direct + tail) * gain, dtype=np.float32)


def render(strokes: Sequence[RealStroke], seed: int = 1) -> tuple[Signal, dict[str, Any]]:
    """(mics, frames) of a take at 44.1 kHz, and its truth as ``oneshot.synth`` gives it."""
    mics, names = list(MICS), HOMES
    ordered = sorted(strokes, key=lambda s: (s.at_s, s.drum))
    heard = {d: np.stack([np.fft.rfft(response(d, m), 2**18) for m in mics]) for d in DRUMS}
    total = int((ordered[-1].at_s + 4.0) * RATE)
    mix = np.zeros((len(mics), total + 2**18), np.float32)
    hits: list[dict[str, Any]] = []
    windows: list[tuple[dict[str, Any], int, int, Signal]] = []
    for k, s in enumerate(ordered):
        rng = np.random.default_rng([seed, k])
        signal, attack = recording(s.drum, s.articulation, s.strength_db, rng)
        start = int((s.at_s + 1.0) * RATE)
        own = np.fft.irfft(heard[s.drum] * np.fft.rfft(signal, 2**18), axis=1).astype(np.float32)
        mix[:, start : start + own.shape[1]] += own
        way = float(np.linalg.norm(np.subtract(DRUMS[s.drum], MICS[names[s.drum]]))) / 343.2 * RATE
        hit = {"id": k, "drum": s.drum, "articulation": s.articulation, "layer": 1, "alternate": k, "gain_db": 0.0,
               "attack": start + attack + way,
               **truth.describe(own, start, mics, mics.index(names[s.drum]), dict.fromkeys(mics, NOISE_DB), RATE)}
        a, b = truth.window(hit["first"], total, RATE)
        windows.append((hit, a, b, own[:, max(0, a - start) : b - start].copy() if a >= start else
                        np.pad(own[:, : b - start], ((0, 0), (start - a, 0)))))
        hits.append(hit)
    for hit, a, b, own in windows:
        hit.update(truth.compare(own, mix[:, a:b], mics))
    mix = mix[:, :total]
    mix += np.random.default_rng([seed, 99]).standard_normal(mix.shape, np.float32) * np.float32(10 ** (NOISE_DB / 20))
    scale = min(1.0, 0.95 / float(np.abs(mix).max()))
    truth.add_gaps(hits, RATE)
    return mix * np.float32(scale), {"sr": RATE, "mics": mics, "homes": dict(names), "noise_db": NOISE_DB,
                                     "scale": scale, "hits": hits}


def slate() -> list[RealStroke]:
    """Every voice alone, soft to hard, with room to ring."""
    at, strokes = 0.0, []
    for drum, articulation in VOICES:
        for level in np.linspace(-22, 0, 6):
            strokes.append(RealStroke(at, drum, articulation, float(level)))
            at += 2.6 if (drum, articulation) in (("crash", "hit"), ("hat", "open")) else 1.5
    return strokes


def groove(bars: int = 6, bpm: float = 96, seed: int = 5) -> list[RealStroke]:
    """A rock beat with ghost notes, a fill of toms every other bar and a crash on the first beat of every fourth."""
    rng = np.random.default_rng(seed)
    step = 60 / bpm / 4
    lanes = {("kick", "hit"): (0, 6, 8), ("snare", "centre"): (4, 12), ("hat", "closed"): (0, 2, 4, 6, 8, 10, 12)}
    strokes = []

    def add(position: float, drum: str, articulation: str, level: float) -> None:
        at = 0.05 + position * step + float(np.clip(rng.normal(0, 0.003), -0.008, 0.008))
        strokes.append(RealStroke(at, drum, articulation, level + float(rng.normal(0, 1))))

    for bar in range(bars):
        for (drum, articulation), places in lanes.items():
            for k in places:
                add(bar * 16 + k, drum, articulation, -4.0 if drum != "hat" or k % 4 == 0 else -9.0)
        add(bar * 16 + 7, "snare", "centre", -24.0)
        if bar % 2:
            for k, drum in ((13, "rack"), (14, "rack"), (15, "floor")):
                add(bar * 16 + k, drum, "hit", -4.0)
        else:
            add(bar * 16 + 14, "hat", "open", -4.0)
        if bar % 4 == 0:
            add(bar * 16, "crash", "hit", -3.0)
    return strokes


def write(folder: Path, take: str, strokes: Sequence[RealStroke], seed: int = 1) -> dict[str, Any]:
    """Write a take of 24-bit WAV files into ``folder / take``; returns its truth."""
    audio, known = render(strokes, seed)
    (folder / take).mkdir(parents=True)
    for mic, row in zip(MICS, audio, strict=True):
        soundfile.write(folder / take / f"{mic}.wav", row, RATE, subtype="PCM_24")
    return known
