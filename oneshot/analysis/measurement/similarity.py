"""Similarity: what makes hits of one drum alike or odd: pitch, length, second attacks, sounds before them, copies,
brightness.

One hit is measured in its home mic (``measure``); what is odd about it shows against hits of its group and of about its
strength (``oddities``). Everything here is arithmetic over arrays; nothing is chosen.

Conventions: ``x`` is float64 (frames,), one mic, full scale 1.0. What is not known is ``None`` or NaN. Limits without a
source are common practice.

Methods: partials as peaks of a Hann-windowed spectrum, refined by a parabola through three points (Smith, Spectral
Audio Signal Processing; from memory), over the same window of every hit, since a head's pitch falls while it rings; a
drum's hits are compared on the lowest partial that most of them share, because which one is strongest depends on where
the head was struck. Copies by the peak of the normalised cross-correlation of first differences. Outliers by the median
and the median absolute deviation (Hampel 1974; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from oneshot.audio.descriptors import partials, ring_spectrum, smoothed_power, tail_end
from oneshot.core.lazy import later
from oneshot.core.records.session import Floats, Floats32

fft = later("scipy.fft")
signal = later("scipy.signal")

LOOK_BACK_S = 0.25
"""Audio read before an attack, to detect sounds there."""
LOOK_AHEAD_S = 3.0
"""How far a tail is followed: a crash is 40 dB down by then or nearly."""
RING_DB = 40.0
"""A tail is whole where it could be followed so far below its peak, or down to the noise."""
NOISE_DB = 6.0
"""A tail has met the noise where it comes this near to it."""

SETTLE_S, LISTEN_S = 0.03, 0.25
"""Pitch is measured over this window of every hit: after the click, and short enough for playing."""
SAME_PARTIAL_CENTS = 60.0
"""Partials of a head lie 400 cents and more apart (Bessel zeros), hits of one drum within some ten of each other."""
SHARED = 0.6
"""The share of a drum's hits that must have a partial in common for it to be the drum's pitch."""

DRIFT_SIMILAR_DB, DRIFT_PAIRS, DRIFT_STROKES = 2.0, 10, 400

START_S = 0.025
"""Window over which attacks are compared; all of it lies ahead of the next stroke."""
COPY_SHARE = 1e-5
"""Two attacks are the same audio where less than this share (-50 dB) of one is not in the other, level and lag matched:
what was pasted in an editor brings its noise and its bleed along, and differs by dither at most. Strokes that were each
recorded differ by -15 dB and more, one stroke laid over other noise and bleed by -27 dB.
"""
COPY_LAG_S = 0.001

EDGES_HZ = (30.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
PARTS_S = ((0.0, 0.012), (0.012, 0.08), (0.08, 0.25))
"""Attack, body and tail."""
HIGH_HZ = 2000.0
SIMILAR_DB = 4.0
"""Hits up to this far apart in level are compared: brightness follows strength."""
FEWEST_SIMILAR = 5
ODD_DB = 6.0
ODD_DEVIATIONS = 4.0

CONTACT_HZ = (1000.0, 4000.0)
"""A second contact clicks above these, where the beats between a head's low partials do not reach."""
CONTACT_RISE_DB = 6.0
CONTACT_BACK_S, CONTACT_STEP_S, CONTACT_AFTER_S = 0.025, 0.0075, 0.03
"""A contact stands out from the 25 ms before its own 7.5 ms rise; within 30 ms of the attack it is one with it."""
CONTACT_WITHIN_DB = 30.0
CONTACT_OVER_NOISE_DB = 12.0
CONTACT_HOP_S = 0.0025
NEXT_EVENT_S = 0.025
"""A contact this shortly before the next stroke is that stroke's own: strokes of one event lie up to 15 ms apart."""

BEFORE_S, BEFORE_GUARD_S = 0.15, 0.015
BEFORE_OVER_NOISE_DB, BEFORE_RISE_DB, BEFORE_WITHIN_DB = 12.0, 6.0, 50.0
BEFORE_REST_S = 0.4
"""Sounds before a hit are judged only where nothing was struck so long before it."""


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """One hit in its home mic.

    ``length_s``: from the attack to where the tail is 40 dB below its peak, meets the noise or is cut by the next
    stroke; ``whole``: not cut. ``partials_hz``: float64 (some,), strongest first, empty where nothing tonal rings or
    too little is known. ``sound_db``: float64 (parts, bands), mean squares, not below the noise; NaN in parts that the
    next stroke cuts. ``again_s``, ``again_db``: a second contact in the tail, after the attack, and its level re the
    first. ``next_s``: where the next stroke begins to sound, after the attack, if that is a little before its onset was
    placed. ``before_s``: how long before the attack something else begins to sound. ``start``: float32 (frames,), first
    differences of the attack.
    """

    sample_rate: int
    length_s: float
    whole: bool
    partials_hz: Floats
    sound_db: Floats
    again_s: float | None
    again_db: float | None
    next_s: float | None
    before_s: float | None
    start: Floats32


def measure(x: Floats, *, sample_rate: int, attack: int, stop: int, cut: bool, noise_rms: float,
            rest_s: float) -> Measured:
    """Measure one hit.

    ``x``: from some time before the attack at frame ``attack`` up to ``stop``, where ``cut`` says whether the next
    stroke is what ends it; ``noise_rms``: the mic's noise floor; ``rest_s``: time since the stroke before, s.
    """
    x = np.asarray(x[:max(stop, attack + 1)], np.float64)
    power, _ = smoothed_power(x[attack:], sample_rate)
    peak = float(power.max(initial=0.0))
    floor = max(noise_rms * 10 ** (NOISE_DB / 20), np.sqrt(peak) * 10 ** (-RING_DB / 20))
    end = tail_end(x, sample_rate=sample_rate, noise_rms=floor, above_db=0.0, attack=attack)
    again = _second_contact(x[attack:end], sample_rate, noise_rms)
    following = again[0] if again and cut and again[0] > (len(x) - attack) / sample_rate - NEXT_EVENT_S else None
    if following is not None:  # what sounds of the next stroke is no tail of this one
        x, again = x[:attack + int(following * sample_rate)], None
        end = tail_end(x, sample_rate=sample_rate, noise_rms=floor, above_db=0.0, attack=attack)
    length = round(START_S * sample_rate)
    start = np.diff(x[attack:attack + length + 1]).astype(np.float32)
    return Measured(
        sample_rate=sample_rate, length_s=(end - attack) / sample_rate, whole=not (cut and end >= len(x)),
        partials_hz=partials_hz(x[attack:], sample_rate), sound_db=_sound_db(x[attack:], sample_rate, noise_rms),
        again_s=again[0] if again else None, again_db=again[1] if again else None, next_s=following,
        before_s=_earlier_sound(x[:attack], sample_rate, noise_rms, peak) if rest_s >= BEFORE_REST_S else None,
        start=start)


# ---------------------------------------------------------------------------------------------------------------- pitch


def partials_hz(x: Floats, sample_rate: int) -> Floats:
    """Partials of a tail from 30 to 500 Hz, strongest first, float64 (some,); ``x`` begins at the attack.

    Measured from 30 to 280 ms after it; empty where ``x`` is shorter than that or nothing tonal rings.
    """
    first, last = round(SETTLE_S * sample_rate), round((SETTLE_S + LISTEN_S) * sample_rate)
    if len(x) < last:
        return np.zeros(0)
    return np.array([partial.hz for partial in partials(*ring_spectrum(x[first:last], sample_rate))])


def cents(hz: float, against_hz: float) -> float:
    """An interval in cents: 1200 to the octave."""
    return float(1200 * np.log2(hz / against_hz))


def pitches_hz(strokes: Sequence[Measured]) -> list[float | None]:
    """The frequency in each hit of the lowest partial that most hits of a drum share; None where a hit lacks it, or
    where the drum has none.
    """
    have = [s for s in strokes if len(s.partials_hz)]
    if not have or len(have) < SHARED * len([s for s in strokes if not np.isnan(s.sound_db[-1]).all()]):
        return [None] * len(strokes)
    every = np.log2(np.concatenate([s.partials_hz for s in have])) * 1200
    owner = np.repeat(np.arange(len(have)), [len(s.partials_hz) for s in have])

    def sharing(centre: float) -> int:
        """How many hits have a partial there."""
        return len(np.unique(owner[np.abs(every - centre) <= SAME_PARTIAL_CENTS]))

    some = np.sort(every)[:: max(1, len(every) // 400)].tolist()
    counts = [sharing(centre) for centre in some]
    enough = [centre for centre, n in zip(some, counts, strict=True) if n >= SHARED * len(have)]
    if not enough:
        return [None] * len(strokes)
    lowest = [m for m in enough if m <= enough[0] + SAME_PARTIAL_CENTS]
    best = max(lowest, key=lambda m: (sharing(m), -m))
    centre = float(np.median(every[np.abs(every - best) <= SAME_PARTIAL_CENTS]))
    out: list[float | None] = []
    for stroke in strokes:
        interval = np.abs(np.log2(stroke.partials_hz) * 1200 - centre) if len(stroke.partials_hz) else np.zeros(0)
        k = int(interval.argmin()) if len(interval) else -1
        out.append(float(stroke.partials_hz[k]) if k >= 0 and interval[k] <= SAME_PARTIAL_CENTS else None)
    return out


def drift_cents(pitch_hz: Floats, level_db: Floats, at_s: Floats) -> float | None:
    """How far a drum's pitch moves from its first hit to its last, in cents; None where that is not known.

    All (hits,), NaN where not known. A head sounds higher when it is struck harder, so only hits of similar strength,
    far apart in time, are compared: the median of their slopes (Theil 1950; from memory) times the whole span. At least
    ten such pairs are needed.
    """
    known = np.flatnonzero(~np.isnan(pitch_hz) & ~np.isnan(level_db))
    known = known[np.argsort(at_s[known], kind="stable")][:: max(1, len(known) // DRIFT_STROKES)]
    if len(known) < FEWEST_SIMILAR:
        return None
    pitch, level, at = 1200 * np.log2(pitch_hz[known]), level_db[known], at_s[known]
    span = float(at[-1] - at[0])
    early, late = np.triu_indices(len(known), 1)
    fit = (np.abs(level[late] - level[early]) <= DRIFT_SIMILAR_DB) & (at[late] - at[early] >= span / 3) & (span > 0)
    if fit.sum() < DRIFT_PAIRS:
        return None
    slopes = (pitch[late] - pitch[early])[fit] / (at[late] - at[early])[fit]
    return float(np.median(slopes) * span)


# --------------------------------------------------------------------------------------------------------------- copies


def is_copy(a: Measured, b: Measured) -> bool:
    """Whether two hits are the same audio, level and lag apart; never at different sample rates."""
    return a.sample_rate == b.sample_rate and residual_share(a, b) < COPY_SHARE


def residual_share(a: Measured, b: Measured) -> float:
    """How much of one attack is not in the other, 0 to 1, at the level and lag (up to 1 ms) of the peak of their
    normalised cross-correlation.
    """
    lag = round(COPY_LAG_S * a.sample_rate)
    x, y = a.start.astype(np.float64), b.start.astype(np.float64)
    n = min(len(x), len(y)) - 2 * lag
    if n < lag:
        return 1.0
    inner = x[lag:lag + n]
    products = np.correlate(y[:n + 2 * lag], inner, "valid")
    energies = np.convolve(y[:n + 2 * lag] ** 2, np.ones(n), "valid")
    own = float(np.sum(inner**2))
    if own <= 0 or energies.min() <= 0:
        return 1.0
    return float(np.clip(1 - np.max(products**2 / (energies * own)), 0.0, 1.0))


# ------------------------------------------------------------------------------------------------------------- oddities


def _second_contact(x: Floats, sample_rate: int, noise_rms: float) -> tuple[float, float] | None:
    """Time (s) and level (dB re the attack) of the first second contact in a tail, or None.

    Looked for above 1 kHz and above 4 kHz, as a rise of 6 dB over everything just before.
    """
    if len(x) < CONTACT_AFTER_S * sample_rate:
        return None
    found = [_second_rise(x, sample_rate, noise_rms, hz) for hz in CONTACT_HZ if hz < 0.4 * sample_rate]
    return min((f for f in found if f is not None), default=None)


def _second_rise(x: Floats, sample_rate: int, noise_rms: float, above_hz: float) -> tuple[float, float] | None:
    """The same above one frequency."""
    high = signal.sosfilt(_highpass(above_hz, sample_rate), x)
    hop = round(CONTACT_HOP_S * sample_rate)
    power = (high[:len(high) // hop * hop].reshape(-1, hop) ** 2).mean(axis=1)
    power = np.convolve(power, np.ones(2) / 2)[:len(power)]
    step, back, first = (round(s / CONTACT_HOP_S) for s in (CONTACT_STEP_S, CONTACT_BACK_S, CONTACT_AFTER_S))
    if len(power) <= first:
        return None
    windows = np.lib.stride_tricks.sliding_window_view(power, back - step + 1)
    before = windows[first - back:len(power) - back].max(axis=1)
    least = max(float(power.max()) * 10 ** (-CONTACT_WITHIN_DB / 10),
                noise_rms**2 * 10 ** (CONTACT_OVER_NOISE_DB / 10))
    rises = np.flatnonzero((power[first:] > least) & (power[first:] > before * 10 ** (CONTACT_RISE_DB / 10)))
    if not len(rises):
        return None
    k = first + int(rises[0])
    return k * hop / sample_rate, float(10 * np.log10(power[k:k + 2 * step].max() / power.max()))


@cache
def _highpass(above_hz: float, sample_rate: int) -> Floats:
    """Second-order sections of the high-pass through which contacts are detected."""
    out: Floats = signal.butter(2, above_hz, "highpass", fs=sample_rate, output="sos")
    return out


def _earlier_sound(x: Floats, sample_rate: int, noise_rms: float, peak: float) -> float | None:
    """How long before the attack, at the end of ``x``, something begins to sound that was not there yet; or None."""
    power, hop = smoothed_power(x, sample_rate)
    first, last = (len(x) - round(s * sample_rate) for s in (BEFORE_S, BEFORE_GUARD_S))
    if first < 4 * hop:
        return None
    quiet, near = power[:first // hop], power[first // hop:last // hop]
    least = max(noise_rms**2 * 10 ** (BEFORE_OVER_NOISE_DB / 10), float(quiet.max()) * 10 ** (BEFORE_RISE_DB / 10),
                peak * 10 ** (-BEFORE_WITHIN_DB / 10))
    over = np.flatnonzero(near > least)
    return float((len(x) - (first // hop + over[0]) * hop) / sample_rate) if len(over) else None


def _sound_db(x: Floats, sample_rate: int, noise_rms: float) -> Floats:
    """Mean squares in dB by parts and bands (parts, bands) from the attack on, not below the noise of the whole mic."""
    out = np.full((len(PARTS_S), len(EDGES_HZ) - 1), np.nan)
    for n, (a, b) in enumerate(PARTS_S):
        first, last = round(a * sample_rate), round(b * sample_rate)
        if len(x) < last:
            break
        size = int(fft.next_fast_len(last - first, real=True))
        power = 2 * np.abs(fft.rfft(x[first:last], size)) ** 2 / (size * (last - first))
        edge = np.searchsorted(fft.rfftfreq(size, 1 / sample_rate), EDGES_HZ)
        total = np.concatenate([[0.0], np.cumsum(power)])
        energy = total[np.minimum(edge[1:], len(power))] - total[np.minimum(edge[:-1], len(power))]
        out[n] = 10 * np.log10(np.maximum(energy, max(noise_rms**2, 1e-12)))
    return out


def oddities(strokes: Sequence[Measured], level_db: Floats) -> list[str | None]:
    """What is odd about each hit of a group, in plain words; None where nothing is.

    ``level_db``: (hits,). By the hit alone: a second contact, something that sounds before it. Against at least five
    hits within 4 dB of it: an attack or a tail with far more highs than theirs, a tail that decays early.
    """
    out: list[str | None] = []
    bright = _highs_db(strokes)
    for k, stroke in enumerate(strokes):
        similar = np.flatnonzero((np.abs(level_db - level_db[k]) <= SIMILAR_DB) & (np.arange(len(strokes)) != k))
        out.append(_odd_by_itself(stroke) or _odd_beside_similar(k, similar, bright, strokes))
    return out


def _odd_by_itself(stroke: Measured) -> str | None:
    """What is odd about a hit by itself."""
    if stroke.again_s is not None and stroke.again_db is not None:
        return (f"a second attack {stroke.again_s * 1e3:.0f} ms later, {abs(stroke.again_db):.0f} dB "
                f"{'softer' if stroke.again_db <= 0 else 'louder'} (a bounce, or another hit in its tail)")
    if stroke.before_s is not None:
        return f"another sound {stroke.before_s * 1e3:.0f} ms before it (squeak, breath, stick)"
    return None


def _odd_beside_similar(k: int, similar: np.ndarray, bright: Floats, strokes: Sequence[Measured]) -> str | None:
    """What is odd about hit ``k`` against those of similar level, ``similar``: rows."""
    for part, words in ((0, "its attack has {:.0f} dB more highs than similar hits (rim or sticks)"),
                        (2, "its tail has {:.0f} dB more highs than similar hits (rattle, buzz, another drum)")):
        more = _outlier_excess(bright[k, part], bright[similar, part])
        if more is not None:
            return words.format(more)
    whole = [n for n in similar.tolist() if strokes[n].whole]
    if strokes[k].whole and len(whole) >= FEWEST_SIMILAR:
        theirs = float(np.median([strokes[n].length_s for n in whole]))
        spread = _deviation(np.log([max(strokes[n].length_s, 1e-3) for n in whole]))
        short = float(np.log(max(theirs, 1e-3) / max(strokes[k].length_s, 1e-3)))
        if short > max(np.log(2.0), ODD_DEVIATIONS * spread):
            return f"decays in {strokes[k].length_s:.2f} s, similar hits in {theirs:.2f} s (choked)"
    return None


def brightness_db(stroke: Measured) -> float:
    """Level of a hit's attack above 2 kHz re that of its whole attack and body, dB; NaN where it is not known."""
    return float(_highs_db([stroke])[0, 0])


def _highs_db(strokes: Sequence[Measured]) -> Floats:
    """Level above 2 kHz re that of the whole attack and body, by parts (hits, parts)."""
    out = np.full((len(strokes), len(PARTS_S)), np.nan)
    high = np.array(EDGES_HZ[:-1]) >= HIGH_HZ
    for k, stroke in enumerate(strokes):
        power = 10 ** (stroke.sound_db / 10)
        whole = np.nansum(power[:2])
        if whole > 0:
            out[k] = 10 * np.log10(power[:, high].sum(axis=1) / whole)
    return out


def _deviation(values: Floats) -> float:
    """Standard deviation of a normal distribution with the same median absolute deviation."""
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def _outlier_excess(value: float, others: Floats) -> float | None:
    """How far a value lies above the median of the others, where that is far out of their range; else None."""
    known = others[~np.isnan(others)]
    if np.isnan(value) or len(known) < FEWEST_SIMILAR:
        return None
    more = float(value - np.median(known))
    return more if more > max(ODD_DB, ODD_DEVIATIONS * _deviation(known)) else None
