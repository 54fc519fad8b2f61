"""What a struck drum or cymbal radiates: the source signals of a generated session.

A drum is a circular membrane: its modes lie at the zeros of Bessel functions, and a stroke at radius r excites mode
(m, n) in proportion to J_m(z_mn r) (Fletcher and Rossing, The Physics of Musical Instruments, from memory). The
contact of stick and head is a short pulse, shorter for harder strokes, so that hard strokes are brighter; tension
makes their pitch glide down. Cymbals have hundreds of partials: they are sums of band-limited textures of random
partials, each band with its own rise and decay, freshly mixed for every stroke. Signals are float32, (frames,),
pressure at one metre; 1.0 is the peak of the hardest plain stroke of a drum of 0 dB loudness.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from zlib import crc32

import numpy as np
from scipy.fft import irfft, next_fast_len
from scipy.signal import butter, sosfilt
from scipy.special import jn_zeros, jv

from oneshot.core.errors import SettingsError
from oneshot.core.records.session import Floats32
from oneshot.synth.plans import KINDS, DrumPlan, Place

QUIET = 10 ** (-92 / 20)
"""Below this a source has died away: some 10 dB under the quietest mic noise at the usual gains."""
BANDS_HZ = (180.0, 450.0, 900.0, 1800.0, 3600.0, 7200.0, 17000.0)
"""Edges of the bands of a cymbal."""


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """What one surface radiates in one stroke: ``surface`` is a key of ``SURFACES``, ``drum`` names another drum's."""

    surface: str
    signal: Floats32
    drum: str | None = None


SURFACES: dict[str, dict[str, Place]] = {
    "kick": {"batter": (0.0, -0.2, 0.0), "front": (0.0, 0.2, 0.0)},
    "snare": {"head": (0.0, 0.0, 0.0), "wires": (0.0, 0.0, -0.14)},
    "tom": {"head": (0.0, 0.0, 0.0)},
    "hat": {"plate": (0.0, 0.0, 0.0)},
    "ride": {"plate": (0.0, 0.0, 0.0)},
    "crash": {"plate": (0.0, 0.0, 0.0)},
}
"""Kind -> surface -> its place from the drum's own, metres."""


def _membrane_modes() -> tuple[np.ndarray, np.ndarray]:
    """Order m and zero z of the 14 lowest modes of a circular membrane, by rising frequency."""
    pairs = sorted((float(z), m) for m in range(7) for z in jn_zeros(m, 3))[:14]
    return np.array([m for _, m in pairs]), np.array([z for z, _ in pairs])


ORDERS, ZEROS = _membrane_modes()


def _contact(f_hz: np.ndarray, contact_s: float) -> np.ndarray:
    """Magnitude of the spectrum of a raised-cosine contact pulse at ``f_hz``, 1 at 0 Hz, with a floor of -50 dB."""
    x = f_hz * contact_s
    safe = np.where(np.abs(x - 1) < 1e-6, 1.000001, x)
    return np.asarray(np.maximum(np.abs(np.sinc(safe) / (1 - safe**2)), 0.003))


def _noise_burst(rng: np.random.Generator, sr: int, band: tuple[float, float], decay_s: float,
                 rise_s: float) -> Floats32:
    """Noise in ``band`` (Hz), rms 1, that rises over ``rise_s`` and decays with time constant ``decay_s``."""
    n = max(64, int(sr * (rise_s + 10 * decay_s)))
    high = min(band[1], 0.44 * sr)
    sos = butter(2, [band[0], high], "bandpass", fs=sr, output="sos")
    x = sosfilt(sos, rng.standard_normal(n))
    x /= max((2 * (high - band[0]) / sr) ** 0.5, 1e-6)
    t = np.arange(n) / sr
    rise = 0.5 - 0.5 * np.cos(np.pi * np.minimum(t / rise_s, 1.0))
    return np.asarray(x * rise * np.exp(-t / decay_s), dtype=np.float32)


def _modal(sr: int, f_hz: np.ndarray, amps: np.ndarray, decays_s: np.ndarray, rise_s: float, glide: float = 0.0,
           glide_s: float = 0.05) -> Floats32:
    """A sum of decaying sines from phase zero, each until it dies; ``glide`` is how sharp they start, as a share."""
    loud = np.maximum(np.abs(amps), QUIET)
    spans = np.maximum((sr * decays_s * np.log(loud / QUIET)).astype(int), 16)
    out = np.zeros(int(spans.max()))
    t = np.arange(len(out)) / sr
    warp = t + glide * glide_s * (1 - np.exp(-t / glide_s))
    for f, a, d, n in zip(f_hz, amps, decays_s, spans, strict=True):
        if f < 0.42 * sr and abs(a) > QUIET:
            out[:n] += a * np.exp(-t[:n] / d) * np.sin(2 * np.pi * f * warp[:n])
    m = min(len(out), max(2, int(sr * rise_s)))
    out[:m] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(m) / m)
    return out.astype(np.float32)


def _sum(*signals: Floats32) -> Floats32:
    """Signals of different lengths added from their first frame."""
    out = np.zeros(max(len(s) for s in signals), np.float32)
    for s in signals:
        out[: len(s)] += s
    return out


def _head(sr: int, drum: DrumPlan, v: float, radius: float, rng: np.random.Generator, *, contact_s: float, tilt: float,
          glide: float) -> Floats32:
    """The head of a drum struck at ``radius`` (0 to 1 of its own) with linear strength ``v``."""
    f = drum.tune_hz * (ZEROS / ZEROS[0]) * (1 + rng.normal(0, 0.0015)) * (1 + 0.004 * np.sin(7.3 * ZEROS))
    spot = np.clip(radius + rng.normal(0, 0.035), 0, 0.95)
    amps = v * jv(ORDERS, ZEROS * spot) * _contact(f, contact_s) * (f / f[0]) ** tilt
    amps *= 10 ** (rng.normal(0, 0.6, len(f)) / 20) * np.sign(np.where(ORDERS % 2, rng.normal(0.6, 1, len(f)), 1))
    decays = drum.decay_s * (f[0] / f) ** 0.9 * np.where(ORDERS == 0, 0.8, 1.0)
    rise = min(contact_s, 0.0015)
    return np.negative(_modal(sr, f, amps, decays, rise_s=rise, glide=glide * v, glide_s=0.045))


def _kick(drum: DrumPlan, _articulation: str, v: float, sr: int, rng: np.random.Generator) -> list[Part]:
    """Beater click from the batter side, body from both heads."""
    contact = 0.0028 * v**-0.12
    body = -_head(sr, drum, v, 0.12, rng, contact_s=contact, tilt=0.0, glide=0.45)
    click = 0.7 * v**1.25 * _noise_burst(rng, sr, (1400, 5200), 0.0035, 0.0008 * v**-0.15)
    knock = _modal(sr, np.array([310.0, 640.0, 1130.0]) * (1 + rng.normal(0, 0.004)),
                   v**1.1 * np.array([0.4, 0.35, 0.3]), np.array([0.016, 0.010, 0.006]), 0.0008)
    return [Part("batter", _sum(np.float32(0.5) * body, click, knock)), Part("front", body)]


def _wires(v: float, sr: int, rng: np.random.Generator, level: float, decay_s: float = 0.11) -> Floats32:
    """Snare wires thrown off the lower head: noise with its own rise and decay, longer and duller when struck hard."""
    noise = _noise_burst(rng, sr, (1600 + 900 * (1 - v), 11000), decay_s * (0.55 + 0.45 * v**0.3), 0.0012)
    late = int(sr * 0.0004)
    return np.concatenate([np.zeros(late, np.float32), np.float32(level * v**0.95) * noise])


def _snare(drum: DrumPlan, articulation: str, v: float, sr: int, rng: np.random.Generator) -> list[Part]:
    """Head, rim and wires by articulation."""
    contact = 0.0011 * v**-0.13
    if articulation == "side stick":
        f = np.array([412.0, 873.0, 1485.0, 2240.0, 3310.0]) * (1 + rng.normal(0, 0.003))
        amps = 0.5 * v * np.array([0.5, 0.8, 1.0, 0.6, 0.35]) * 10 ** (rng.normal(0, 0.8, 5) / 20)
        shell = _modal(sr, f, amps, np.array([0.028, 0.022, 0.017, 0.011, 0.007]), 0.0003)
        click = 0.18 * v**1.1 * _noise_burst(rng, sr, (1800, 9000), 0.002, 0.0002)
        return [Part("head", _sum(shell, click)), Part("wires", _wires(v, sr, rng, 0.05, 0.05))]
    if articulation == "brush":
        head = _head(sr, drum, 0.5 * v, 0.25, rng, contact_s=2.5 * contact, tilt=-0.2, glide=0.02)
        fan = 0.35 * v * _noise_burst(rng, sr, (1100, 9000), 0.014 * v**-0.1, 0.004)
        return [Part("head", _sum(head, fan)), Part("wires", _wires(v, sr, rng, 0.2, 0.08))]
    if articulation == "rimshot":
        head = _head(sr, drum, v, 0.42, rng, contact_s=contact, tilt=0.12, glide=0.08)
        rim = _modal(sr, np.array([1040.0, 1730.0, 2610.0, 3890.0]) * (1 + rng.normal(0, 0.003)),
                     v * np.array([0.5, 0.45, 0.4, 0.3]), np.array([0.055, 0.04, 0.03, 0.018]), 0.0002)
        click = 0.6 * v**1.15 * _noise_burst(rng, sr, (2000, 12000), 0.0025, 0.0002)
        return [Part("head", _sum(head, rim, click)), Part("wires", _wires(v, sr, rng, 0.55))]
    head = _head(sr, drum, v, 0.10, rng, contact_s=contact, tilt=0.0, glide=0.08)
    click = 0.5 * v**1.15 * _noise_burst(rng, sr, (1500, 9000), 0.003, 0.0004 * v**-0.1)
    return [Part("head", _sum(head, click)), Part("wires", _wires(v, sr, rng, 0.5))]


def _tom(drum: DrumPlan, _articulation: str, v: float, sr: int, rng: np.random.Generator) -> list[Part]:
    """A head that glides, and the stick."""
    head = _head(sr, drum, v, 0.2, rng, contact_s=0.0016 * v**-0.13, tilt=-0.1, glide=0.1)
    click = 0.4 * v**1.2 * _noise_burst(rng, sr, (1200, 6500), 0.003, 0.0004 * v**-0.1)
    return [Part("head", _sum(head, click))]


@dataclass(frozen=True, slots=True)
class _Metal:
    """One way of striking metal: level, rise and decay of each band, how strength tilts them, and the stick on it.

    ``decay_x`` is a share of the drum's ``decay_s``; ``swell_s`` rises the upper bands late; ``ping`` are partials as
    (hertz, level, decay share).
    """

    levels_db: tuple[float, float, float, float, float, float]
    decay_x: tuple[float, float, float, float, float, float]
    rise_s: float = 0.0004
    swell_s: float = 0.0
    stick: float = 0.15
    bright: float = 0.15
    ping: tuple[tuple[float, float, float], ...] = ()


METAL: dict[tuple[str, str], _Metal] = {
    ("hat", "closed"): _Metal((-39, -31, -22, -14, -8, -5), (0.022, 0.022, 0.03, 0.038, 0.044, 0.04), stick=0.25),
    ("hat", "half open"): _Metal((-35, -27, -18, -11, -5, -3), (0.15, 0.16, 0.2, 0.24, 0.24, 0.2)),
    ("hat", "open"): _Metal((-30, -22, -14, -7, -1, 0), (0.7, 0.8, 0.9, 1.0, 0.8, 0.55), swell_s=0.003, stick=0.5),
    ("hat", "foot"): _Metal((-16, -10, -6, -4, -4, -8), (0.03, 0.03, 0.03, 0.028, 0.024, 0.02), rise_s=0.0025,
                            stick=0.0),
    ("ride", "bow"): _Metal((-30, -25, -20, -17, -14, -17), (1.0, 0.9, 0.7, 0.5, 0.35, 0.2), swell_s=0.004, stick=0.5,
                            ping=((3270, 0.2, 0.05), (4410, 0.16, 0.04), (5630, 0.1, 0.03))),
    ("ride", "bell"): _Metal((-24, -20, -15, -15, -15, -19), (1.0, 0.9, 0.7, 0.5, 0.3, 0.2), stick=0.4,
                             ping=((742, 0.3, 0.3), (1185, 0.35, 0.3), (1912, 0.3, 0.25), (2760, 0.25, 0.2),
                                   (3890, 0.2, 0.12))),
    ("crash", "hit"): _Metal((-22, -15, -9, -4, -1, -2), (1.0, 0.95, 0.8, 0.6, 0.42, 0.25), swell_s=0.012,
                             stick=0.7, bright=0.35),
    ("crash", "mallet"): _Metal((-14, -9, -7, -7, -9, -16), (1.0, 0.95, 0.8, 0.6, 0.42, 0.25), rise_s=0.004,
                                swell_s=0.03, stick=0.0, bright=0.5),
}
"""Kind and articulation -> how the metal answers."""


class Instruments:
    """The drums of one plan, ready to be struck at one sample rate.

    Holds what is costly: the textures of the cymbals, and one gain per drum that brings its hardest plain stroke to the
    plan's loudness. The same seed gives the same instruments.
    """

    def __init__(self, drums: tuple[DrumPlan, ...], sample_rate: int, seed: int) -> None:
        self._sr = sample_rate
        self._seed = seed
        self._textures: dict[str, list[list[Floats32]]] = {}
        self._gain: dict[str, float] = {}
        for drum in drums:
            plain = KINDS[drum.kind][-2 if drum.kind == "hat" else 0]
            self._gain[drum.name] = 1.0
            parts = self.strike(drum, plain, 0.0, np.random.default_rng([seed, 1]))
            peak = float(np.abs(_sum(*[p.signal for p in parts])).max())
            self._gain[drum.name] = 10 ** (drum.loudness_db / 20) / peak

    def strike(self, drum: DrumPlan, articulation: str, strength_db: float, rng: np.random.Generator) -> list[Part]:
        """One stroke: what each surface radiates, from the moment of contact.

        ``strength_db``: dB under the hardest plain stroke. Raises SettingsError if a drum of this kind has no such
        articulation.
        """
        if articulation not in KINDS[drum.kind]:
            known = ", ".join(KINDS[drum.kind])
            raise SettingsError(f"drum {drum.name}: no articulation {articulation!r}: choose one of {known}")
        v = float(10 ** (strength_db / 20))
        model = _MODELS.get(drum.kind)
        parts = model(drum, articulation, v, self._sr, rng) if model else [self._metal(drum, articulation, v, rng)]
        gain = np.float32(self._gain[drum.name])
        return [Part(p.surface, gain * p.signal) for p in parts]

    def buzz(self, drum: DrumPlan, struck: DrumPlan, strength_db: float, rng: np.random.Generator) -> Part | None:
        """What a drum answers to a stroke of ``strength_db`` on another; None where it keeps quiet.

        Wires answer the kick, the lowest mode of a tom answers every kick, snare and tom.
        """
        heard = ("kick",) if drum.kind == "snare" else ("kick", "snare", "tom") if drum.kind == "tom" else ()
        if drum.buzz_db is None or struck.kind not in heard or struck.name == drum.name:
            return None
        v = float(10 ** (strength_db / 20))
        if drum.kind == "tom":
            hum = np.array([10 ** ((drum.buzz_db + rng.normal(0, 1)) / 20) * v])
            mode = _modal(self._sr, np.array([drum.tune_hz]), hum, np.array([1.3 * drum.decay_s]), 0.025)
            return Part("head", np.float32(self._gain[drum.name]) * mode, drum.name)
        level = 0.5 * 10 ** (drum.buzz_db / 20) * self._gain[drum.name]
        signal = np.float32(level * v) * _noise_burst(rng, self._sr, (1400, 8000), 0.14, 0.02)
        return Part("wires", signal, drum.name)

    def _bands(self, drum: DrumPlan) -> list[list[Floats32]]:
        """Three textures in each band of a cymbal: partials of random place and phase, rms 1, as long as it rings."""
        if drum.name not in self._textures:
            rng = np.random.default_rng([self._seed, 2, crc32(drum.name.encode())])
            n = next_fast_len(int(self._sr * (0.5 + 8.0 * drum.decay_s)), real=True)
            f = np.arange(n // 2 + 1) * self._sr / n
            rows = []
            for low, high in pairwise(BANDS_HZ):
                top = min(high, 0.44 * self._sr)
                lines = np.flatnonzero((f >= low) & (f < top))
                kept = np.sort(rng.choice(lines, min(len(lines), int(40 + (top - low) / 12)), replace=False))
                rows.append([_texture(kept, n, rng) for _ in range(3)])
            self._textures[drum.name] = rows
        return self._textures[drum.name]

    def _metal(self, drum: DrumPlan, articulation: str, v: float, rng: np.random.Generator) -> Part:
        """A cymbal struck: every band a fresh mix of its textures under its own envelope."""
        sr, how, textures = self._sr, METAL[drum.kind, articulation], self._bands(drum)
        pieces: list[Floats32] = []
        for k, (level_db, share, row) in enumerate(zip(how.levels_db, how.decay_x, textures, strict=True)):
            level = v ** (1 + how.bright * (k - 2.5) / 2.5) * 10 ** ((level_db + rng.normal(0, 0.7)) / 20)
            decay = share * drum.decay_s * (1 + rng.normal(0, 0.03))
            n = min(len(row[0]), max(64, int(sr * decay * np.log(max(level / QUIET, 1.1)))))
            t = np.arange(n, dtype=np.float32) / np.float32(sr)
            env = np.float32(level) * np.exp(-t / np.float32(decay))
            rise = how.rise_s + (how.swell_s * (1 + k / 3) if k > 1 else 0.0)
            m = min(n, max(2, int(sr * how.rise_s)))
            env[:m] *= (0.5 - 0.5 * np.cos(np.pi * np.arange(m) / m)).astype(np.float32)
            if rise > how.rise_s:
                env *= 0.45 + 0.55 * (1 - np.exp(-t / np.float32(rise)))
            turn = rng.standard_normal(3)
            turn /= np.linalg.norm(turn)
            pieces.append(env * sum(np.float32(w) * x[:n] for w, x in zip(turn, row, strict=True)))
        if how.stick:
            pieces.append(how.stick * np.float32(3 * v**1.1) * _noise_burst(rng, sr, (2500, 14000), 0.0016, 0.0003))
        if how.ping:
            f, a, d = (np.array(x) for x in zip(*how.ping, strict=True))
            a = a * v**1.05 * 3.0 * 10 ** (rng.normal(0, 1.0, len(a)) / 20)
            pieces.append(_modal(sr, f * (drum.size_m / 0.5) ** -0.5, a, d * drum.decay_s, 0.0003))
        return Part("plate", _sum(*pieces))


def _texture(lines: np.ndarray, n: int, rng: np.random.Generator) -> Floats32:
    """A signal of ``n`` frames, rms 1, made of the given spectral lines with random phase and strength."""
    spectrum = np.zeros(n // 2 + 1, np.complex64)
    spectrum[lines] = rng.rayleigh(1, len(lines)) * np.exp(2j * np.pi * rng.random(len(lines)))
    x = irfft(spectrum, n)
    return np.asarray(x / np.sqrt(np.mean(x**2)), dtype=np.float32)


_Model = Callable[[DrumPlan, str, float, int, np.random.Generator], list[Part]]
_MODELS: dict[str, _Model] = {"kick": _kick, "snare": _snare, "tom": _tom}
