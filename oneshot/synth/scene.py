"""A plan made ready to be played: how every surface of every drum reaches every mic, at the gains of the desk."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, rfft

from oneshot.core.records.session import Floats, Floats32
from oneshot.synth.plans import KINDS, KitPlan
from oneshot.synth.room import Acoustics, Radiator, radiators
from oneshot.synth.strokes import Instruments, Part

CACHE_BYTES = 150_000_000
Spectrum = NDArray[np.complex64]


class Scene:
    """A plan made ready: instruments, transfer functions of every surface to every mic, and the gains of the desk."""

    def __init__(self, plan: KitPlan, seed: int) -> None:
        self.plan, self.seed, self.sr = plan, seed, plan.sample_rate
        self.instruments = Instruments(plan.drums, plan.sample_rate, seed)
        self.acoustics = Acoustics(plan.room, plan.sample_rate, seed)
        self.surfaces = {(d.name, r.surface): r for d in plan.drums for r in radiators(d)}
        self.responses: dict[tuple[str, str], Floats32] = {}
        self._spectra: dict[tuple[str, str, int], Spectrum] = {}
        self.gains = np.ones(len(plan.mics), np.float32)
        self.gains = self._level_check()
        self._spectra.clear()  # those of the level check are without the gains it found
        self.mixing = _mixing(plan)
        mixed = [f"{plan.mixdown} {side}" for side in "LR"]
        self.channels = [m.name for m in plan.mics] if plan.mixdown is None else mixed

    def response(self, radiator: Radiator) -> Floats32:
        """Impulse responses of one surface to all mics, (mics, frames), without the desk's gains."""
        key = (radiator.name, radiator.surface)
        if key not in self.responses:
            self.responses[key] = np.stack([self.acoustics.response(radiator, m) for m in self.plan.mics])
        return self.responses[key]

    def spectrum(self, radiator: Radiator, size: int) -> Spectrum:
        """Transfer functions of one surface to all mics at an FFT of ``size``, with the gains; recent ones are kept."""
        key = (radiator.name, radiator.surface, size)
        if key not in self._spectra:
            while self._spectra and sum(x.nbytes for x in self._spectra.values()) > CACHE_BYTES:
                self._spectra.pop(next(iter(self._spectra)))
            self._spectra[key] = rfft(self.response(radiator) * self.gains[:, None], size, axis=1, workers=2)
        return self._spectra[key]

    def _level_check(self) -> Floats32:
        """Gain per mic that leaves its headroom over the hardest single stroke of any drum, as at a desk."""
        peak = np.full(len(self.plan.mics), 1e-9, np.float32)
        for drum in self.plan.drums:
            plain = KINDS[drum.kind][-2 if drum.kind == "hat" else 0]
            parts = self.instruments.strike(drum, plain, 0.0, np.random.default_rng([self.seed, 4]))
            heard = self.image([Part(p.surface, p.signal[: self.sr // 3]) for p in parts], drum.name, 0.0, np.zeros(3))
            peak = np.maximum(peak, np.abs(heard).max(axis=1))
        wanted = np.array([10 ** (-m.headroom_db / 20) for m in self.plan.mics])
        dead = np.array([m.dead for m in self.plan.mics])
        return np.where(dead, 1.0, wanted / peak).astype(np.float32)

    def image(self, parts: list[Part], drum: str, fraction: float, shift: Floats) -> Floats32:
        """A stroke as all mics hear it, (mics, frames): ``fraction`` of a frame late, landing ``shift`` (m) aside."""
        length = max(len(p.signal) for p in parts) + self.acoustics.frames
        size = fft_size(length)
        total = np.zeros((len(self.plan.mics), size // 2 + 1), np.complex64)
        for part in parts:
            radiator = self.surfaces[part.drum or drum, part.surface]
            near = [radiator.metres_to(m, np.zeros(3)) for m in self.plan.mics]
            struck = [radiator.metres_to(m, shift) for m in self.plan.mics]
            late = np.subtract(struck, near) / self.plan.room.speed * self.sr + fraction
            louder = np.array([radiator.spread(n) / radiator.spread(s) for n, s in zip(near, struck, strict=True)])
            ramp = _delays(late, size) * louder.astype(np.float32)[:, None]
            total += self.spectrum(radiator, size) * rfft(part.signal, size)[None, :] * ramp
        heard: Floats32 = irfft(total, size, axis=1, workers=2)
        return heard[:, :length]

    def mixed(self, image: Floats32) -> Floats32:
        """Mics to written channels: the mics themselves, or the stereo mix of them."""
        if self.mixing is None:
            return image
        return np.stack([np.sum(image * row[:, None], axis=0) for row in self.mixing])

    def noise_dbfs(self, channel: int) -> float:
        """Noise of a channel, dBFS rms: the mic's own, or that of the mix."""
        mics = self.plan.mics
        return mics[channel].noise_dbfs if self.mixing is None else max(m.noise_dbfs for m in mics) + 4.0

    def linear(self) -> list[int]:
        """The channels in which something can be known of a stroke."""
        known = [k for k, m in enumerate(self.plan.mics) if m.judged]
        return known if self.mixing is None else list(range(len(self.channels)))

    def homes(self) -> dict[str, str]:
        """Drum -> the channel it is measured in.

        Its own close mic, in before out and top before bottom; without one, the far mic (without those, any) in which
        its surfaces are loudest.
        """
        found, mics, known = {}, self.plan.mics, self.linear()
        own = {d.name: [k for k in known if self.mixing is None and mics[k].drum == d.name] for d in self.plan.drums}
        far = [k for k in known if self.mixing is None and mics[k].drum is None]
        for drum in self.plan.drums:
            if own[drum.name]:
                home = min(own[drum.name], key=lambda k: (mics[k].inside is None, -mics[k].place[2], k))
            else:
                heard = [self.mixed(self.response(r) * self.gains[:, None]) for r in radiators(drum)]
                power = np.max([np.sum(x.astype(np.float64) ** 2, axis=1) for x in heard], axis=0)
                among = far or known
                home = among[int(np.argmax(power[among]))]
            found[drum.name] = self.channels[home]
        return found


def fft_size(length: int) -> int:
    """The next size of 2^k or 1.5 * 2^k: few sizes, so that the transfer functions serve many strokes."""
    size = 1 << max(12, int(length - 1).bit_length())
    return size * 3 // 4 if length <= size * 3 // 4 else size


def _delays(frames: Floats, size: int) -> Spectrum:
    """Spectra (mics, size // 2 + 1) of delays by fractional ``frames`` (mics,); products of short ramps, for speed."""
    step, bins = 512, size // 2 + 1
    w = -2j * np.pi * frames[:, None] / size
    coarse = np.exp(w * (step * np.arange(bins // step + 1)))[:, :, None].astype(np.complex64)
    fine = np.exp(w * np.arange(step))[:, None, :].astype(np.complex64)
    ramps: Spectrum = (coarse * fine).reshape(len(frames), -1)[:, :bins]
    return ramps


def _mixing(plan: KitPlan) -> Floats32 | None:
    """Gains of the mics in the stereo mix, (2, mics), panned by where they stand; None where the mics are written."""
    if plan.mixdown is None:
        return None
    at = np.array([m.place[0] if m.drum is None else plan.drum(m.drum).place[0] for m in plan.mics])
    pan = np.clip(at / 0.8, -1, 1) * np.array([1.0 if m.drum is None else 0.6 for m in plan.mics])
    angle = (pan + 1) * np.pi / 4
    gain = np.array([0.5 if m.drum is not None else 0.7 for m in plan.mics])
    return np.stack([np.cos(angle) * gain, np.sin(angle) * gain]).astype(np.float32)
