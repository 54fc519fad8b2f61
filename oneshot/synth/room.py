"""How a surface of a drum sounds at a mic: the impulse response of a box-shaped room between two places.

Direct sound: 1/r and travel time at fractional frames; up to second-order reflections by image sources (Allen and
Berkley, J. Acoust. Soc. Am. 65(4), 1979, from memory); then a diffuse tail, noise of its own for every pair of places,
whose energy follows from the room's volume and decay (critical distance 0.057 sqrt(V / T60), Kuttruff, Room Acoustics,
from memory). Walls absorb what Sabine's formula asks of them. So no two mics hear copies of one signal, and bleed
differs per band.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise, product
from zlib import crc32

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft
from scipy.signal import butter, lfilter, sosfilt

from oneshot.core.records.session import Floats, Floats32
from oneshot.synth.plans import DrumPlan, MicPlan, Place, RoomPlan
from oneshot.synth.strokes import SURFACES

TAPS = 64
TAIL_BANDS_HZ = (0.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 1e6)
SHELL_LOSS_DB = 11.0
"""What the shell keeps of other drums out of a mic inside it (common practice, no source)."""
CONTACT_LEAK = 0.01
"""What a contact pickup hears of other drums, against its own (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Radiator:
    """Something that sounds: one surface of a drum, or (``drum`` None) a voice or the leak of headphones."""

    name: str
    place: Place
    size_m: float
    drum: DrumPlan | None = None
    surface: str = ""

    @property
    def key(self) -> int:
        """A number of its own, the same in every run."""
        return crc32(f"{self.name}/{self.surface}".encode())

    def spread(self, metres: float) -> float:
        """Distance by which it loses level: 1/r far away, flattening where it is as wide as it is near."""
        return float(np.hypot(metres, self.size_m / 6))

    def metres_to(self, mic: MicPlan, shift: Floats) -> float:
        """Metres to a mic from where a stroke lands, ``shift`` (3,) metres beside the middle."""
        return float(np.linalg.norm(np.asarray(self.place) + shift - np.asarray(mic.place)))


def radiators(drum: DrumPlan) -> list[Radiator]:
    """The surfaces of a drum."""
    found = []
    for surface, offset in SURFACES[drum.kind].items():
        x, y, z = (a + b for a, b in zip(drum.place, offset, strict=True))
        found.append(Radiator(drum.name, (x, y, z), drum.size_m, drum, surface))
    return found


def _lowpass(x: Floats, cutoff_hz: float, sample_rate: int) -> Floats:
    """First-order low-pass, causal, unity at 0 Hz; ``x`` itself where the cutoff is beyond the rate."""
    if cutoff_hz > 0.45 * sample_rate:
        return x
    pole = float(np.exp(-2 * np.pi * cutoff_hz / sample_rate))
    return np.asarray(lfilter([1 - pole], [1, -pole], x))


def _put(out: Floats, delay_frames: float, gain: float) -> None:
    """Add an impulse at a fractional place: a Kaiser-windowed sinc, flat within 0.1 dB to 0.9 of half the rate."""
    whole = int(np.floor(delay_frames))
    k = np.arange(-TAPS // 2 + 1, TAPS // 2 + 1)
    x = k - (delay_frames - whole)
    window = np.i0(7.0 * np.sqrt(np.maximum(1 - (x / (TAPS / 2 + 1)) ** 2, 0))) / np.i0(7.0)
    at = whole + k
    ok = (at >= 0) & (at < len(out))
    out[at[ok]] += gain * (np.sinc(x) * window)[ok]


def _pickup(mic: MicPlan, source: Place) -> tuple[float, float]:
    """Gain of the mic's pattern towards a source, and the frequency where it begins to lose highs off its axis, Hz."""
    to = np.subtract(source, mic.place)
    axis = np.subtract(mic.aim, mic.place)
    cos = float(to @ axis / max(np.linalg.norm(to) * np.linalg.norm(axis), 1e-9))
    if mic.pattern == "omni":
        return 1.0, 9000.0 + 14000.0 * (1 + cos) / 2
    return max(0.5 + 0.5 * cos, 0.09), 3200.0 * 8.0 ** ((1 + cos) / 2)


class Acoustics:
    """Impulse responses of one room at one sample rate; the tails come from the seed and the names of drum and mic."""

    def __init__(self, room: RoomPlan, sample_rate: int, seed: int) -> None:
        self._room, self._sr, self._seed = room, sample_rate, seed
        x, y, z = room.size
        self._volume = x * y * z
        self._surface = 2 * (x * y + y * z + x * z)
        hz, t60 = np.array(room.t60_s).T
        edges = np.clip(TAIL_BANDS_HZ, 90.0, 16000.0)
        centres = np.sqrt(edges[:-1] * edges[1:])
        self._t60 = np.interp(np.log(centres), np.log(hz), t60)
        self.frames = int(next_fast_len(int(sample_rate * (1.15 * self._t60.max() + 0.06)), real=True))

    def response(self, radiator: Radiator, mic: MicPlan) -> Floats32:
        """The impulse response (frames,) from a radiator to a mic, polarity and shells included."""
        sr, source = self._sr, radiator.place
        out = np.zeros(self.frames)
        if mic.dead:
            return out.astype(np.float32)
        if mic.trigger:
            touched = radiator.name == mic.drum
            _put(out, 0.0004 * sr + TAPS / 2, 1.0 if touched else CONTACT_LEAK)
            return np.asarray(_lowpass(out, 6000.0 if touched else 300.0, sr), dtype=np.float32)
        pattern, cutoff = _pickup(mic, source)
        r = float(np.linalg.norm(np.subtract(source, mic.place)))
        _put(out, r / self._room.speed * sr, pattern / radiator.spread(r))
        out = _lowpass(out, cutoff, sr)
        sign, loss, dull = _in_the_way(radiator, mic)
        out = _lowpass(out * sign * loss, dull, sr)
        around = self._reflections(source, mic) + self._tail(mic, r, radiator.key)
        if mic.inside is not None:
            own = 0.35 if mic.inside == radiator.name else 10 ** (-SHELL_LOSS_DB / 20)
            around = _lowpass(around * own, 2500.0, sr)
        out += around
        fade = self.frames // 20
        out[-fade:] *= np.linspace(1, 0, fade)
        if mic.low_cut_hz is not None:
            out = sosfilt(butter(2, mic.low_cut_hz, "highpass", fs=sr, output="sos"), out)
        return np.asarray(out * mic.polarity, dtype=np.float32)

    def _reflections(self, source: Place, mic: MicPlan) -> Floats:
        """First- and second-order reflections off floor, ceiling and walls."""
        size, corner = np.array(self._room.size), np.array(self._room.corner)
        s = np.array(source) - corner
        absorbed = np.clip(0.161 * self._volume / (self._surface * np.mean(self._t60[1:5])), 0.02, 0.9)
        keep = float(np.sqrt(1 - absorbed))
        buffers = [np.zeros(self.frames), np.zeros(self.frames)]
        for n in product(range(-2, 3), repeat=3):
            order = sum(map(abs, n))
            if not 1 <= order <= 2:
                continue
            k = np.array(n)
            image = np.where(k % 2 == 0, k * size + s, k * size + (size - s)) + corner
            r = float(np.linalg.norm(image - np.array(mic.place)))
            gain, _ = _pickup(mic, (float(image[0]), float(image[1]), float(image[2])))
            _put(buffers[order - 1], r / self._room.speed * self._sr, 0.8 * keep**order * gain / r)
        return _lowpass(buffers[0], 7000.0, self._sr) + _lowpass(buffers[1], 4000.0, self._sr)

    def _tail(self, mic: MicPlan, metres: float, key: int) -> Floats:
        """Diffuse sound: noise in bands, each decaying with its own T60, from shortly after the direct sound on."""
        rng = np.random.default_rng([self._seed, 3, key, crc32(mic.name.encode())])
        n = self.frames
        spectrum = rfft(rng.standard_normal(n))
        f = np.arange(len(spectrum)) * self._sr / n
        t = np.arange(n) / self._sr
        late = t - metres / self._room.speed - 0.004
        out = np.zeros(n)
        for (low, high), t60 in zip(pairwise(TAIL_BANDS_HZ), self._t60, strict=True):
            if low < self._sr / 2:
                out += irfft(np.where((f >= low) & (f < high), spectrum, 0), n) * np.exp(-6.9078 * late / t60)
        out *= (late > 0) * np.minimum(late / 0.012, 1.0)
        mean = float(np.mean(self._t60[1:5]))
        critical = 0.057 * (self._volume / mean) ** 0.5
        gather = 1.0 if mic.pattern == "omni" else 1 / 3
        energy = gather / critical**2 * np.exp(-13.8155 * metres / self._room.speed / mean)
        return np.asarray(out * np.sqrt(energy / max(float(np.sum(out**2)), 1e-20)))


def _in_the_way(radiator: Radiator, mic: MicPlan) -> tuple[float, float, float]:
    """Polarity, gain and cutoff (Hz) of the direct sound: heads seen from behind, and shells between it and the mic.

    A head that moves away from a mic above it moves towards one below: the lower mic hears it inverted.
    """
    drum = radiator.drum
    if mic.inside is not None and mic.inside != radiator.name:
        return 1.0, 10 ** (-SHELL_LOSS_DB / 20), 3000.0
    if mic.drum is not None and mic.drum != radiator.name and mic.aim[2] > mic.place[2] + 0.1:
        return 1.0, 0.5, 3000.0  # the drum above a mic that looks up shades it from the others
    if drum is None or drum.kind not in ("snare", "tom"):
        return 1.0, 1.0, 1e6
    below = mic.place[2] < radiator.place[2] and mic.drum == drum.name
    if radiator.surface == "head" and below:
        return -1.0, 0.55, 3500.0
    if radiator.surface == "wires" and not below:
        return 1.0, 0.45, 6500.0
    return 1.0, 1.0, 1e6
