"""Descriptors of a hit's tail: where it ends, its decay time, its pitch, and how much of it a file keeps; crest factor
and spectral centroid.

Conventions: ``x`` is float64 (frames,), one mic, full scale 1.0. What is not known is ``None``.

Methods: decay after ISO 3382-1 (backward-integrated energy, a straight line fitted to part of it, scaled to 60 dB); a
strike is taken as the impulse. Pitch: the strongest partial of a long Hann-windowed spectrum, its peak refined by a
parabola through three points (Smith, Spectral Audio Signal Processing; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from oneshot.core.lazy import later
from oneshot.core.records.session import Floats

fft = later("scipy.fft")

WINDOW_MS = 20.0
HOP_MS = 5.0
HOLD_MS = 300.0
"""A tail has ended when it stays down this long on average: two beating partials of a tom go quiet for less."""
QUIETEST_RMS = 2.0 ** -16
"""Taken as the noise floor of a mic that is digitally silent between hits: one step of 16 bits (-96 dBFS)."""
HEADROOM_DB = 10.0
"""ISO 3382-1: the noise must lie at least this far below the lower end of the line (from memory)."""
EARLY_DB, LINES_DB = (0.0, -10.0), ((-5.0, -25.0), (-5.0, -15.0))
"""EDT; T20 and T10. All scaled to 60 dB."""
FINE_MS = 1.0
"""The first 10 dB of a short hit are over in 30 ms: they are integrated in steps as short as this."""
KNEE_DB = 3.0
"""The decay is integrated up to where it comes this near to the noise."""

LOWEST_HZ, HIGHEST_HZ = 30.0, 500.0
SETTLE_S = 0.03
"""Left out after the attack: the beater's click, and the pitch drop in the first moments of a loud stroke."""
LISTEN_S = 0.5
SHORTEST_S = 0.06
"""Two periods of the lowest pitch; a shorter tail has no pitch."""
TONAL_DB = 15.0
"""How far a partial stands above the median of the band. The largest of a few hundred bins of noise stands about 9 dB
above it (the periodogram of noise is exponentially distributed)."""
TONAL_SHARE = 0.05
"""A drum's partial carries at least this share of the energy above 30 Hz; a cymbal's low partials do not."""
MOST_PARTIALS = 4


def tail_end(x: Floats, *, sample_rate: int, noise_rms: float, above_db: float, attack: int = 0) -> int:
    """Frame, counted from the start of ``x``, at which a hit's tail meets the noise.

    ``x``: (frames,), one mic from the hit to the next stroke at the latest; ``noise_rms``: noise floor of the mic,
    full scale 1.0; ``attack``: frame of the attack in ``x``. The level is the rms over 20 ms every 5 ms. The tail ends
    at the first point after its peak where the level is below noise plus ``above_db`` and so is the mean power of the
    300 ms from there on: a beating tail that comes back louder goes on, a knock or a gust of rumble much later does not
    prolong it. Returns the length of ``x`` where it never ends, ``attack`` where it never stood above.
    """
    power, hop = smoothed_power(x[attack:], sample_rate)
    if not power.size:
        return len(x)
    floor = (max(noise_rms, QUIETEST_RMS) * 10 ** (above_db / 20)) ** 2
    peak = int(np.argmax(power))
    after = power[peak:]
    hold = max(1, round(HOLD_MS / HOP_MS))
    total = np.concatenate([[0.0], np.cumsum(after)])
    until = np.minimum(np.arange(len(after)) + hold, len(after))
    mean = (total[until] - total[:-1]) / (until - np.arange(len(after)))
    ended = np.flatnonzero((after < floor) & (mean < floor))
    if not ended.size:
        return len(x)
    return attack if ended[0] == 0 else min(len(x), attack + (peak + int(ended[0])) * hop)


def smoothed_power(x: Floats, sample_rate: int) -> tuple[Floats, int]:
    """Mean square over 20 ms centred every 5 ms, float64 (points,), and the hop in frames; empty for an empty ``x``.

    ``x``: (frames,). At the edges the mean is over what there is of the window.
    """
    hop, half = round(HOP_MS / 1000 * sample_rate), round(WINDOW_MS / 2000 * sample_rate)
    total = np.concatenate([[0.0], np.cumsum(np.square(x, dtype=np.float64))])
    centres = np.arange(0, len(x), hop)
    low, high = np.maximum(centres - half, 0), np.minimum(centres + half, len(x))
    # a difference of running sums may come out a hair below zero in digital silence
    return np.maximum(total[high] - total[low], 0.0) / np.maximum(high - low, 1), hop


@dataclass(frozen=True, slots=True)
class Decay:
    """Decay times of a hit, each scaled to 60 dB (s), None where not known: ``edt_s`` by the first 10 dB, ``t20_s``
    from 5 to 25 dB below the whole, ``t10_s`` from 5 to 15 dB (ISO 3382-1 annex A; T10 is no measure of the standard,
    and stands in where noise or the next stroke leaves no more).
    """

    edt_s: float | None
    t20_s: float | None
    t10_s: float | None

    @property
    def best_s(self) -> float | None:
        """T20 where there is one, else T10."""
        return self.t20_s if self.t20_s is not None else self.t10_s


def decay(x: Floats, *, sample_rate: int, noise_rms: float, attack: int = 0) -> Decay:
    """Decay times of a hit.

    ``x``: from before the hit to the next stroke at the latest; ``attack``: its attack in ``x``; ``noise_rms``: the
    mic's noise floor. The noise's mean power is subtracted, the energy integrated backwards from where the decay comes
    within 3 dB of the noise or from the end of ``x``, and what lies beyond is added as an extrapolated straight decay.
    """
    end = tail_end(x, sample_rate=sample_rate, noise_rms=noise_rms, above_db=KNEE_DB, attack=attack)
    power, hop = smoothed_power(x[attack:end], sample_rate)
    peak = int(np.argmax(power)) if power.size else 0
    clean = np.maximum(power[peak:] - noise_rms ** 2, 0.0)
    if len(clean) < 4 or clean[0] <= 0.0:
        return Decay(None, None, None)
    seconds = np.arange(len(clean)) * hop / sample_rate
    energy = np.cumsum(clean[::-1])[::-1]
    curve = 10 * np.log10(np.maximum((energy + _beyond(clean)) / (energy[0] + _beyond(clean)), 1e-30))
    lowest = 10 * np.log10(max(float(clean[-5:].mean()), 1e-30) / float(clean[0]))
    t20_s, t10_s = (_line_s(seconds, curve, high, low) if lowest <= low - HEADROOM_DB else None
                    for high, low in LINES_DB)
    early = lowest <= EARLY_DB[1] - HEADROOM_DB
    rest = _beyond(clean) * hop
    return Decay(_early_s(x[attack:end], sample_rate, noise_rms, rest) if early else None, t20_s, t10_s)


def _early_s(x: Floats, sample_rate: int, noise_rms: float, rest: float) -> float | None:
    """EDT (s) of a hit from its loudest millisecond on; ``rest``: energy beyond the end of ``x``."""
    step = max(1, round(FINE_MS / 1000 * sample_rate))
    energy = np.square(x[: len(x) // step * step]).reshape(-1, step).sum(axis=1) - step * noise_rms**2
    energy = energy[int(energy.argmax()):]
    left = np.cumsum(energy[::-1])[::-1] + rest
    if not len(left) or left[0] <= 0:
        return None
    curve = 10 * np.log10(np.maximum(left / left[0], 1e-30))
    return _line_s(np.arange(len(curve)) * step / sample_rate, curve, *EARLY_DB)


def _line_s(seconds: Floats, curve: Floats, high_db: float, low_db: float) -> float | None:
    """Time for 60 dB (s) of the straight line through the part of a decay between two levels."""
    part = (curve <= high_db) & (curve >= low_db)
    if part.sum() < 3 or curve[-1] > low_db:
        return None
    slope = float(np.polyfit(seconds[part], curve[part], 1)[0])
    return -60.0 / slope if slope < 0 else None


def _beyond(power: Floats) -> float:
    """Energy after the last point, in units of one point, if the last third goes on as a straight decay."""
    last = power[len(power) * 2 // 3:]
    last = last[last > 0]
    if len(last) < 3:
        return 0.0
    slope, height = np.polyfit(np.arange(len(last)), np.log(last), 1)
    return float(np.exp(height + slope * len(last)) / (1 - np.exp(slope))) if slope < 0 else 0.0


def ring_spectrum(x: Floats, sample_rate: int) -> tuple[Floats, float, int]:
    """Power spectrum of part of a tail, float64 (bins,); the width of a bin (Hz, 1 Hz or less); and how many bins a
    steady partial takes to either side.

    ``x``: float64 (frames,); a Hann window, zero-padded to four times its length and to a second at least.
    """
    heard = x * np.hanning(len(x))
    size = int(fft.next_fast_len(max(4 * len(heard), sample_rate), real=True))
    power: Floats = np.abs(fft.rfft(heard, size)) ** 2
    return power, sample_rate / size, int(np.ceil(2 * size / len(x)))


@dataclass(frozen=True, slots=True)
class Partial:
    """A partial of a tail: its frequency; its share of the energy above 30 Hz, 0 to 1; and the bins of the spectrum
    that it takes.
    """

    hz: float
    share: float
    bins: slice


def partials(power: Floats, bin_hz: float, lobe: int, *, highest_hz: float = HIGHEST_HZ) -> list[Partial]:
    """The partials of a tail from 30 Hz to ``highest_hz``, up to ``MOST_PARTIALS``, strongest first; none where nothing
    tonal rings.

    ``power``, ``bin_hz``, ``lobe``: as from ``ring_spectrum``.
    """
    low, high = int(np.ceil(LOWEST_HZ / bin_hz)), int(highest_hz / bin_hz)
    band = power[low:high + 1]
    total, least = float(power[low:].sum()), float(np.median(band)) * 10 ** (TONAL_DB / 10)
    tops = low + 1 + np.flatnonzero((band[1:-1] > band[:-2]) & (band[1:-1] >= band[2:]) & (band[1:-1] > least))
    found: list[tuple[int, Partial]] = []
    for top in sorted(tops.tolist(), key=lambda k: -power[k]):
        if len(found) == MOST_PARTIALS:
            break
        bins = slice(max(top - lobe, 0), top + lobe + 1)
        energy = float(power[bins].sum())
        if energy < TONAL_SHARE * total or any(abs(top - other) < lobe for other, _ in found):
            continue
        found.append((top, Partial(_refined_hz(power, top, bin_hz), energy / total, bins)))
    return [partial for _, partial in found]


def _refined_hz(power: Floats, peak: int, bin_hz: float) -> float:
    """The frequency of a peak, by a parabola through its bin and its neighbours in dB."""
    left, top, right = np.log(np.maximum(power[peak - 1:peak + 2], 1e-300))
    curvature = left - 2 * top + right
    shift = 0.5 * (left - right) / curvature if curvature < 0 else 0.0
    return float((peak + shift) * bin_hz)


def fundamental_hz(x: Floats, *, sample_rate: int, attack: int = 0, stop: int | None = None) -> float | None:
    """Frequency of the strongest partial from 30 to 500 Hz (Hz), or None where nothing tonal rings there.

    ``x``: with the attack at frame ``attack``; half a second after the attack's first 30 ms is analysed, or up to
    ``stop`` (where the tail ends) if that comes first.
    """
    first = attack + round(SETTLE_S * sample_rate)
    last = min(len(x) if stop is None else stop, len(x), first + round(LISTEN_S * sample_rate))
    if last - first < SHORTEST_S * sample_rate:
        return None
    power, hz, lobe = ring_spectrum(x[first:last], sample_rate)
    low, high = int(np.ceil(LOWEST_HZ / hz)), int(HIGHEST_HZ / hz)
    band = power[low:high + 1]
    peak = low + int(np.argmax(band))
    median = float(np.median(band))
    if power[peak] <= 0.0 or not low < peak < high or power[peak] < median * 10 ** (TONAL_DB / 10):
        return None
    if power[max(0, peak - lobe):peak + lobe + 1].sum() < TONAL_SHARE * power[low:].sum():
        return None
    return _refined_hz(power, peak, hz)


def ring_kept_db(x: Floats, *, sample_rate: int, fade_out: int) -> float | None:
    """How far the level falls from its peak to the end of a file (dB, 0 or more); None for silence.

    ``x``: the file's window before its fades; ``fade_out``: length of the fade that follows. The end is the middle of
    the fade, where it is 6 dB down. Levels are the rms over 20 ms. For a tail that decays into the noise the noise
    limits the figure.
    """
    power, hop = smoothed_power(x, sample_rate)
    if not power.size or power.max() <= 0.0:
        return None
    end = min(len(power) - 1, max(0, len(x) - fade_out // 2) // hop)
    return float(10 * np.log10(power.max() / max(float(power[end]), 1e-12)))


def crest_db(x: Floats) -> float | None:
    """Crest factor: peak over rms (dB), over all channels; None for silence. ``x``: float64 (channels, frames).

    A sine reads 3.01 dB, a square wave 0 (by definition; IEC 60268-3 calls it peak factor, from memory).
    """
    square = float(np.mean(np.square(x))) if x.size else 0.0
    return None if square <= 0.0 else float(20 * np.log10(np.abs(x).max()) - 10 * np.log10(square))


def brightness_hz(x: Floats, sample_rate: int) -> float | None:
    """Spectral centroid of the whole file (Hz): the power-weighted mean frequency over all channels; None for silence.

    ``x``: float64 (channels, frames). The centroid as in Peeters, A large set of audio features (2004; from memory),
    there of the amplitude or the power spectrum; here the power.
    """
    size = int(fft.next_fast_len(max(x.shape[1], 1), real=True))
    power = (np.abs(fft.rfft(x, size, axis=1)) ** 2).sum(axis=0)
    total = float(power.sum())
    return None if total <= 0.0 else float((power * np.arange(len(power))).sum() / total * sample_rate / size)


def note_of(hz: float) -> tuple[int, float]:
    """The nearest MIDI note number and the cents above (or, negative, below) it: note 69 is 440 Hz (ISO 16), equal
    temperament, 100 cents a semitone.
    """
    place = 69 + 12 * float(np.log2(hz / 440.0))
    return round(place), 100 * (place - round(place))
