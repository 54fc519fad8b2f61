"""Repair: remove from a one-shot's file what is not the hit, where that can be done without harm. Arrays in, arrays
out; nothing here reads or writes a file, and nothing is done unless asked for.

A mic's content over a file's window is described by three energies, band by band and moment by moment (``Moments``):
the hit's own sound, that of all other strokes, and the steady noise, from the rendered envelopes of all strokes.

- *Filter*: a low-pass or a high-pass, from ``KEEP_S`` after the attack on, where beyond its corner the own decay is
  negligible and bleed is not. Linear phase, its delay compensated, so nothing moves.
- *Tail*: where the next stroke cut the decay short, the tail of a cleaner hit of the same drum and articulation is
  crossfaded in, matched in level and spectrum and aligned at the joint by cross-correlation.
- *Suppression*: Wiener weights in bands and moments (as in the work on interference between the mics of one recording:
  Kokkinis, Reiss and Mourjopoulos 2012, from memory). The own sound is assumed ``GUARD_DB`` louder than expected, so
  that doubt keeps what is there; and where the predicted gain is small, nothing is done.

Each of them is a linear operation once it is planned, so its effects on the hit and on the rest can be separated by
applying it to both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from oneshot.core.lazy import later
from oneshot.core.records.session import Floats

fft = later("scipy.fft")
signal = later("scipy.signal")

KEEP_S = 0.1
"""Filters and tails leave the first 100 ms after the attack unchanged, bit for bit."""
FADE_S = 0.02
"""Fade-in of a filter after that."""
GUARD_DB = 8.0
"""The own sound is assumed this much louder than its template's envelope: round robins of one level differ by 2 to 3 dB
in a band (common practice, no source), and errors of level, band and moment may add up.
"""
NEGLIGIBLE_DB = -34.0
"""A filter may take this much of the own decay, all of it beyond the corner, guard included, and never more of it than
of the bleed.
"""
WORTH_DB = 1.0
"""A filter that lowers the bleed in the tail by less than this is not worth it."""
AUDIBLE_DB, BURIED_DB = -30.0, 0.0
"""A tail is filtered where bleed lies between these re the hit: below, it is inaudible; above, the file does not show
its hit.
"""
STOP_DB = 60.0
"""Stop-band attenuation of a filter beyond its corner."""
LOWEST_TRANSITION_HZ = 60.0

CLEAN_DB = 15.0
"""Where the hit stands this far above the bleed, suppression leaves the file alone; the estimate is good to some 5 dB,
so a hit that is 20 dB clear is never touched.
"""
LEAST_DB = 2.0
"""Suppression must be predicted to lower the error (what is left of the bleed, and what is taken of the hit) by
this.
"""
DEEPEST_DB = 20.0
"""Suppression never takes more than this: below it, steps between moments are audible as warbling (common practice, no
source).
"""
WINDOW_S = 0.0213
"""Window of the short-time spectra: 1024 frames at 48 kHz."""
LEAD_S = 0.0015
"""The file is its own again from this long before the arrival in its mic on ..."""
ATTACK_S = 0.001
"""... to this long after it: start and polarity are the original's. Before and after it fades within 1 ms."""

EQUAL_GAIN_CORRELATION = 0.5
"""Correlation at a joint from which both sides are crossfaded by equal gain; less similar ones by equal power. (equal
gain for correlated, equal power for uncorrelated sounds: common practice, no source)
"""
JOINT_S = 0.05
"""Length of the crossfade at a joint."""
COMPARE_S = 0.08
"""How much of both tails is compared before the joint ends."""
SHIFT_S = 0.008
"""How far a tail is shifted to match the other's phase: half a period at 60 Hz."""
MATCH_DB = 9.0
"""How far a tail is raised or lowered in a band at most, re its overall gain."""
TAPS_S = 0.02


@dataclass(frozen=True, slots=True, eq=False)
class Moments:
    """The energies in one mic over a file's window, from the strokes' rendered envelopes.

    ``own``, ``other``, ``measured``: float64 (moments, bands), mean squares: the hit's own sound, all other strokes,
    and what was measured; ``noise``: float64 (bands,); ``at``: int64 (moments,), frames of their centres from the
    file's start; ``edges_hz``: edges of the bands.
    """

    own: Floats
    other: Floats
    measured: Floats
    noise: Floats
    at: NDArray[np.int64]
    edges_hz: Sequence[float]

    def after(self, frame: int) -> NDArray[np.bool_]:
        """The moments from that frame on, bool (moments,)."""
        return self.at >= frame

    def shared(self) -> tuple[Floats, Floats]:
        """The measured energy, shared out in proportion: own sound and bleed, each (moments, bands)."""
        share = self.measured / np.maximum(self.own + self.other + self.noise, 1e-30)
        return self.own * share, self.other * share


def ratio_db(own: Floats, other: Floats) -> float:
    """10·log10 of the sums' ratio, other over own; within ±99."""
    return float(np.clip(10 * np.log10(max(float(other.sum()), 1e-30) / max(float(own.sum()), 1e-30)), -99.0, 99.0))


# ------------------------------------------------------------------------------------------------------------- filters


@dataclass(frozen=True, slots=True)
class Filter:
    """A filter that comes in from frame ``start`` of the file on. ``kind``: "low-pass" or "high-pass".

    ``corner_hz``: where it begins to fall; ``taps``: odd, symmetric; ``before_db``, ``after_db``: bleed in the tail
    before and after, as estimated.
    """

    kind: str
    corner_hz: float
    start: int
    taps: tuple[float, ...]
    before_db: float
    after_db: float


def plan_filters(moments: Moments, *, attack: int, frames: int, sample_rate: int) -> list[Filter]:
    """The low-pass and the high-pass that cost nothing in a file's tail; none where there are none.

    ``attack``: frame of the attack in the file, ``frames`` its length.
    """
    start = attack + round(KEEP_S * sample_rate)
    late = moments.after(start) & (moments.at < frames)
    if not late.any():
        return []
    own, other = (x[late] for x in moments.shared())
    guarded = np.maximum(own, moments.own[late]).sum(axis=0) * 10 ** (GUARD_DB / 10)
    rest, total, before_db = other.sum(axis=0), float(own.sum()), ratio_db(own, other)
    if not AUDIBLE_DB <= before_db <= BURIED_DB:
        return []
    out = []
    edges = moments.edges_hz
    for kind in ("low-pass", "high-pass"):
        found = None
        for b in range(1, len(rest)):
            beyond = np.arange(len(rest)) >= b if kind == "low-pass" else np.arange(len(rest)) < b
            if edges[b] >= sample_rate * 0.4:
                continue
            if guarded[beyond].sum() > min(total * 10 ** (NEGLIGIBLE_DB / 10), float(rest[beyond].sum())):
                continue
            left = float(rest[~beyond].sum())
            if 10 * np.log10(max(float(rest.sum()), 1e-30) / max(left, 1e-30)) < WORTH_DB:
                continue
            made = Filter(kind, float(edges[b]), start, _taps(kind, float(edges[b]), sample_rate),
                          before_db, ratio_db(own[:, ~beyond], other[:, ~beyond]))
            if found is None or made.after_db < found.after_db:
                found = made
        if found is not None:
            out.append(found)
    return out


def _taps(kind: str, corner_hz: float, sample_rate: int) -> tuple[float, ...]:
    """A filter that is flat up to its corner and ``STOP_DB`` down a third of an octave or so beyond it."""
    width = max(0.3 * corner_hz, LOWEST_TRANSITION_HZ)
    count, beta = signal.kaiserord(STOP_DB, width / (sample_rate / 2))
    middle = corner_hz + width / 2 if kind == "low-pass" else max(corner_hz - width / 2, 20.0)
    taps = signal.firwin(count | 1, middle, window=("kaiser", beta), fs=sample_rate, pass_zero=kind == "low-pass")
    return tuple(float(t) for t in taps)


def apply_filter(x: Floats, made: Filter, sample_rate: int) -> Floats:
    """``x``, float64 (frames,), with the filter faded in after ``made.start``; before it, the samples of ``x``
    unchanged.
    """
    half = len(made.taps) // 2
    padded = np.pad(x, half, mode="reflect" if len(x) > half else "constant")
    filtered = signal.oaconvolve(padded, np.array(made.taps), mode="valid")
    fade = _fade_in_step(len(x), made.start, round(FADE_S * sample_rate))
    return np.where(fade > 0, x + fade * (filtered - x), x)


def _fade_in_step(frames: int, start: int, length: int) -> Floats:
    """0 up to ``start``, then a raised cosine up to 1 within ``length`` frames (frames,)."""
    share = np.clip((np.arange(frames) - start) / max(length, 1), 0.0, 1.0)
    return 0.5 * (1 - np.cos(np.pi * share))


# --------------------------------------------------------------------------------------------------------------- tails


@dataclass(frozen=True, slots=True)
class Graft:
    """How a hit's decay goes on in another one's tail.

    ``joint``: frame of the file at which the crossfade begins, ``length`` its frames; ``shift``: frames by which the
    tail is moved later; ``gain_db``: its level re its own; ``taps``: odd, symmetric, its matching filter;
    ``correlation``: of both at the joint; ``equal_power``: how they are crossfaded.
    """

    joint: int
    length: int
    shift: int
    gain_db: float
    taps: tuple[float, ...]
    correlation: float
    equal_power: bool


def plan_graft(x: Floats, tail: Floats, moments: Moments, *, attack: int, stop: int, sample_rate: int,
               shift: int | None = None) -> Graft | None:
    """How ``tail`` goes on where ``x`` was cut at frame ``stop``; None where the joint would fall into the first 100
    ms.

    ``x``, ``tail``: float64 (frames,), both with their attack at frame ``attack``; ``moments``: of ``x``; ``shift``:
    that of the other mic of a pair, whose picture would lean over with two.
    """
    length, compare = round(JOINT_S * sample_rate), round(COMPARE_S * sample_rate)
    joint = stop - length
    begin = max(stop - compare, attack + round(KEEP_S * sample_rate) // 2)
    if joint < attack + round(KEEP_S * sample_rate) or len(tail) < stop + length:
        return None
    gains_db, gain_db = _match(x, tail, moments, (begin, stop), sample_rate)
    taps = _matching(gains_db, gain_db, moments.edges_hz, sample_rate)
    shaped = _shaped(tail, taps)
    if shift is None:
        shift, correlation = _best_lag(x[begin:stop], shaped, begin, round(SHIFT_S * sample_rate))
    else:
        correlation = _best_lag(x[begin:stop], shaped, begin - shift, 1)[1]
    return Graft(joint, length, shift, gain_db, tuple(float(t) for t in taps), correlation,
                 correlation < EQUAL_GAIN_CORRELATION)


def _match(x: Floats, tail: Floats, moments: Moments, where: tuple[int, int],
           sample_rate: int) -> tuple[Floats, float]:
    """How much stronger the own ring of ``x`` is there than the tail, dB: in each band, and over all."""
    near = (moments.at >= where[0]) & (moments.at < where[1])
    own = moments.own[near].sum(axis=0)
    part = own / np.maximum(own + moments.other[near].sum(axis=0), 1e-30) if near.any() else np.ones(
        len(moments.noise))
    wanted = band_energies(x[where[0] : where[1]], moments.edges_hz, sample_rate)
    there = band_energies(tail[where[0] : where[1]], moments.edges_hz, sample_rate)
    floor = moments.noise * (where[1] - where[0])
    wanted, there = np.maximum(wanted - floor, 0.0) * part, np.maximum(there - floor, 0.0)
    known = (there > floor) & (wanted > floor * 0.1)
    if not known.any():
        return np.zeros(len(floor)), 0.0
    gain_db = float(10 * np.log10(wanted[known].sum() / there[known].sum()))
    each = 10 * np.log10(np.maximum(wanted, 1e-30) / np.maximum(there, 1e-30))
    return np.where(known, np.clip(each, gain_db - MATCH_DB, gain_db + MATCH_DB), gain_db), gain_db


def band_energies(x: Floats, edges_hz: Sequence[float], sample_rate: int) -> Floats:
    """Energy (bands,) of ``x`` (frames,): sums of squares under a Hann window, corrected for its loss."""
    window = np.hanning(len(x) + 2)[1:-1]
    power = np.abs(fft.rfft(x * window)) ** 2
    power[1:] *= 2
    band = _bands(len(x), edges_hz, sample_rate)
    total = np.bincount(band[band >= 0], power[band >= 0], minlength=len(edges_hz) - 1)
    out: Floats = total / max(len(x) * float(np.mean(window**2)), 1e-30)
    return out


def _bands(size: int, edges_hz: Sequence[float], sample_rate: int) -> NDArray[np.int64]:
    """The band of each bin of a real transform of ``size`` frames (bins,); what lies above counts as the highest."""
    hz = fft.rfftfreq(size, 1 / sample_rate)
    found = np.searchsorted(np.asarray(edges_hz), hz, side="right") - 1
    return np.asarray(np.clip(found, 0, len(edges_hz) - 2), np.int64)


def _matching(gains_db: Floats, gain_db: float, edges_hz: Sequence[float], sample_rate: int) -> Floats:
    """Taps, odd and symmetric, of a filter with those gains at the centres of the bands, linear in dB between."""
    edges = np.array(edges_hz)
    middle = np.sqrt(np.maximum(edges[:-1], 40.0) * edges[1:])
    count = round(TAPS_S * sample_rate) | 1
    hz = np.linspace(0.0, sample_rate / 2, 513)
    level = np.interp(np.log(np.maximum(hz, 20.0)), np.log(middle), gains_db if len(gains_db) else [gain_db])
    return np.asarray(signal.firwin2(count, hz, 10 ** (level / 20), fs=sample_rate))


def _shaped(tail: Floats, taps: Floats) -> Floats:
    half = len(taps) // 2
    return np.asarray(signal.oaconvolve(np.pad(tail, half), taps, mode="valid"))


def _best_lag(x: Floats, tail: Floats, begin: int, reach: int) -> tuple[int, float]:
    """By how many frames later ``tail`` correlates best with ``x`` (frames,), which begins at its frame ``begin``, and
    the normalised cross-correlation there.
    """
    low, high = max(0, begin - reach), min(len(tail), begin + len(x) + reach)
    piece = tail[low:high]
    if len(piece) <= len(x) or not x.any():
        return 0, 0.0
    same = signal.correlate(piece, x, mode="valid")
    power = np.convolve(piece**2, np.ones(len(x)), mode="valid")
    like = same / np.sqrt(np.maximum(power * float(np.sum(x**2)), 1e-30))
    best = int(np.argmax(like))
    return begin - (low + best), float(like[best])


def apply_graft(x: Floats, tail: Floats, made: Graft, frames: int) -> Floats:
    """``x`` continued in ``tail``, float64 (frames,); up to the joint, the samples of ``x`` unchanged."""
    shaped = _shaped(tail, np.array(made.taps))
    at = np.arange(made.joint, frames) - made.shift
    later = np.where(at < len(shaped), shaped[np.clip(at, 0, len(shaped) - 1)], 0.0)
    share = np.clip((np.arange(made.joint, frames) - made.joint) / made.length, 0.0, 1.0)
    fade_in = np.sin(np.pi / 2 * share) if made.equal_power else 0.5 * (1 - np.cos(np.pi * share))
    fade_out = np.cos(np.pi / 2 * share) if made.equal_power else 1 - fade_in
    old = np.zeros(frames - made.joint)
    old[: max(0, len(x) - made.joint)] = x[made.joint : frames]
    return np.concatenate([x[: made.joint], fade_out * old + fade_in * later])


# --------------------------------------------------------------------------------------------------------- suppression


@dataclass(frozen=True, slots=True, eq=False)
class Mask:
    """Weights of the short-time spectra of one mic.

    ``weight``: float64 (moments, bands), 0.1 to 1; ``arrival``: frame of the file at which the hit reaches the mic;
    ``stop``: frame from which on nothing is changed any more; ``before_db``, ``after_db``: bleed before and after, as
    estimated.
    """

    weight: Floats
    arrival: int
    stop: int
    before_db: float
    after_db: float
    edges_hz: Sequence[float]


def window_frames(sample_rate: int) -> int:
    """Length of the window of the short-time spectra, a multiple of four."""
    return 4 * round(WINDOW_S * sample_rate / 4)


def moments_at(frames: int, sample_rate: int) -> NDArray[np.int64]:
    """Frames, from the file's start, of the middles of its moments: a quarter of a window apart, all windows that touch
    the file.
    """
    size = window_frames(sample_rate)
    return np.arange(-(size // 2), frames + size // 2 + size // 4, size // 4, dtype=np.int64)


def band_powers(x: Floats, edges_hz: Sequence[float], sample_rate: int) -> Floats:
    """Mean squares (moments, bands) of ``x``, float64 (frames,), in the moments of ``moments_at``."""
    spectra, window = _spectra(x, sample_rate)
    band = _bands(len(window), edges_hz, sample_rate)
    power = 2 * np.abs(spectra) ** 2
    out = np.stack([np.bincount(band, row, minlength=len(edges_hz) - 1) for row in power])
    return np.asarray(out / (len(window) * float(np.sum(window**2))))


def plan_mask(moments: Moments, *, arrival: int, frames: int, stop: int | None = None) -> Mask | None:
    """Weights that lower the bleed, or None where the file is left alone: it is clean, or little can be gained.

    ``arrival``: frame at which the hit reaches the mic; ``frames``: the file's length; ``stop``: where another tail
    takes over.
    """
    stop = frames if stop is None else stop
    own, other = moments.shared()
    inside = (moments.at >= 0) & (moments.at < stop)
    before_db = ratio_db(own[inside], other[inside])
    if before_db <= -CLEAN_DB or not inside.any() or own[inside].sum() <= 0:
        return None
    mine = moments.own * 10 ** (GUARD_DB / 10) + moments.noise
    weight = np.maximum(mine / np.maximum(mine + moments.other, 1e-30), 10 ** (-DEEPEST_DB / 20))
    kept, left = weight[inside] ** 2 * own[inside], weight[inside] ** 2 * other[inside]
    error = (1 - weight[inside]) ** 2 * own[inside] + left
    if -ratio_db(other[inside], error) < LEAST_DB:
        return None
    return Mask(weight, arrival, stop, before_db, ratio_db(kept, left), moments.edges_hz)


def apply_mask(x: Floats, mask: Mask, sample_rate: int) -> Floats:
    """``x``, float64 (frames,), weighted; around the arrival the samples of ``x`` unchanged.

    Before the arrival nothing is the hit's own: there the file is turned down as a whole, so that no window can smear
    the attack ahead of itself (pre-echo).
    """
    spectra, window = _spectra(x, sample_rate)
    spectra *= mask.weight[:, _bands(len(window), mask.edges_hz, sample_rate)]
    pieces = fft.irfft(spectra, len(window), axis=1) * window
    hop = len(window) // 4
    total = np.zeros((len(pieces) + 4) * hop)
    for n, piece in enumerate(pieces):
        total[n * hop : n * hop + len(window)] += piece
    weighted = total[len(window) : len(window) + len(x)] / 2.0  # four windows of Hann's shape add up to 2
    fade = round(ATTACK_S * sample_rate)
    lead = mask.arrival - round(LEAD_S * sample_rate)
    early = 10 ** (-DEEPEST_DB / 20)
    ahead = early + (1 - early) * _fade_in_step(len(x), lead, fade)
    since = _fade_in_step(len(x), mask.arrival + fade, fade) * (1 - _fade_in_step(len(x), mask.stop - fade, fade))
    if mask.stop >= len(x):
        since = _fade_in_step(len(x), mask.arrival + fade, fade)
    out = np.where(ahead < 1.0, ahead * x, x)
    return np.where(since > 0, out + since * (weighted - out), out)


def _spectra(x: Floats, sample_rate: int) -> tuple[NDArray[np.complex128], Floats]:
    """Short-time spectra (moments, bins), and their window, the square root of a Hann window."""
    size = window_frames(sample_rate)
    hop = size // 4
    window = np.sqrt(0.5 * (1 - np.cos(2 * np.pi * np.arange(size) / size)))
    count = len(moments_at(len(x), sample_rate))
    padded = np.zeros((count - 1) * hop + size)
    padded[size : size + len(x)] = x[: max(0, len(padded) - size)]
    pieces = np.lib.stride_tricks.sliding_window_view(padded, size)[::hop]
    return fft.rfft(pieces * window, axis=1), window
