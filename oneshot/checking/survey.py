"""The survey: one pass over a take, at reading speed, that keeps what the checks are made from.

Of every mic: peak and mean square of each 50 ms, its mean, where it is digitally black or drops out, the quietest
second of some stretches, and when something clearly begins in it. Of the whole take: where most mics jump at one frame,
and a few clear hits per close mic with the first 30 ms of all mics, from which arrivals, polarity and levels are read,
and what rings after them in their own mic, from which pitch is.

A hit is *clear* in a mic where its peak rises ``RISE_DB`` above all of the 100 ms before. It belongs to the close mic
that it is as loud in as hits get there; of several such mics to the one that it reaches first. (Arrival alone does not
tell: a beater's click reaches the snare's mic before one that stands in front of the kick. Nor does level: where a drum
is not played, bleed is the loudest there is.) Stretches, workers and their number change nothing in what is found.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from oneshot.audio.io import TakeReader, is_float
from oneshot.checking.finding import Finding, Harm
from oneshot.core.progress import Progress
from oneshot.core.records.session import Floats32, Frames, Mic, Problem, Take
from oneshot.core.workers import parted, spread, working

STEPS_A_SECOND = 200
STRETCH_STEPS = 1000
"""Of one read: 5 s."""
STRETCHES_AT_ONCE = 12
"""A minute that a worker listens to before it takes the next one, at most."""
SLOT_STEPS = 10
"""Steps of a slot, 50 ms, for which peak and level are kept."""
FLAT, OF_TOP = 1 - 1e-4, 0.98
"""Samples this near to a slot's largest lie on its top: of a wave of 20 Hz eleven at 48 kHz, of one of 50 Hz four. They
are counted in slots so near to the loudest of their stretch: others are not cut off where it is not.
"""
RISE_DB = 20.0
BEFORE_STEPS = 20
"""In what time before its beginning a clear hit is compared with what was there: 100 ms."""
LEAD_S, WINDOW_S = 0.010, 0.040
"""What is kept of a clear hit: from before the step in which it begins, and how much in all."""
RING_FROM_S, RING_S, RING_HZ = 0.060, 0.350, 3000
"""What is kept of a hit's ring: once the attack is over; as long as most drums ring, by a window of which frequencies
5 cents apart are told at 80 Hz; at a rate that holds the lowest modes.
"""
STANDS_OUT, OF_PEAK = 4.0, 0.05
"""An arrival is where a mic first passes so many times the largest sample before the hit, or this share of its peak."""
AT_ONCE, LAST_BIT = 2.0, 2.0**-15
"""A mic jumps where one step from sample to sample is so many times the largest other one within 5 ms on both sides,
and the last of 16 bits: a wave has several of nearly one size beside each other, and sound reaches no two mics in one
frame but by chance.
"""
STEADY = 4.0
"""A quiet second is one of noise where no 50 ms of it have more than so many times (6 dB) the power of others."""
FEWEST_HITS, MOST_HITS, HITS_BYTES = 16, 60, 2**26
"""Clear hits that are kept for each close mic, from stretches that are evenly spread over the take: fewer where there
are so many mics that more would take more memory than this.
"""
ONE_HIT_S = 0.015
"""Beginnings in several mics within this time are one hit."""
AS_LOUD = 10 ** (3 / 20)
"""A hit is as loud in a mic as hits get there where, against the mic's peak, it is within 3 dB of where it is loudest:
hits of one drum vary by 1 to 2 dB between two mics.
"""


@dataclass(frozen=True, slots=True, eq=False)
class ClearHit:
    """A hit that stands out in a close mic. ``frame``: take frame of the window's first sample; ``owner``: row of the
    mic that it belongs to; ``sound``: float32 (mics, frames); ``arrival``: float64 (mics,), frames in the window, NaN
    where the hit does not stand out; ``peak``: float32 (mics,). ``ring``: float32 (frames,), of the owner's mic from
    60 ms on, means of ``ring_every`` frames each; empty where the stretch ends too soon. Until the owner is known, of
    all mics at drums.
    """

    frame: int
    owner: int
    sound: Floats32
    arrival: NDArray[np.float64]
    peak: Floats32
    ring: Floats32
    ring_every: int


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Kept:
    """What is kept of a take, or of a few seconds of it. ``peak``, ``level``: float32 (mics, slots), largest sample and
    mean square of each 50 ms, full scale 1.0; ``flat``: int32 (mics, slots), how many samples lie within 1e-4 of their
    slot's largest, 0 where a slot of the same stretch is 2 % louder; ``black``: bool (mics, slots), nothing but zeros;
    ``broken``: int64 (mics,), the first take frame that is NaN or infinite, -1 for none (such count as 0); ``begins``:
    each mic's clear beginnings, take frames in order; ``drops``: where a mic is black for 5 to 45 ms between sounds,
    take frames; ``jumps``: int64, take frames in which most mics jump at once; ``hits``: in order of time.
    """

    peak: Floats32
    level: Floats32
    flat: NDArray[np.int32]
    black: NDArray[np.bool_]
    broken: Frames
    begins: tuple[Frames, ...]
    drops: tuple[Frames, ...]
    jumps: Frames
    hits: tuple[ClearHit, ...]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Survey(_Kept):
    """What one pass over a take kept. ``slot``: frames of 50 ms; ``means``: float64 (mics, stretches); ``quiet``: each
    mic's quietest seconds, float32 (frames,).
    """

    take: Take
    mics: tuple[Mic, ...]
    slot: int
    means: NDArray[np.float64]
    quiet: tuple[tuple[Floats32, ...], ...]

    def seconds(self, slots: NDArray[np.int64]) -> NDArray[np.float64]:
        """When slots begin, s."""
        return np.asarray(slots * self.slot / self.take.sample_rate)

    def when(self, hit: ClearHit) -> float:
        """When a hit's window begins, s."""
        return hit.frame / self.take.sample_rate

    def drum(self, hit: ClearHit) -> str:
        """The drum that a hit's close mic stands at; the mic's name where that is not known."""
        mic = self.mics[hit.owner]
        return mic.drum or mic.name

    def struck(self) -> NDArray[np.str_]:
        """The drum of every hit, str (hits,)."""
        return np.array([self.drum(hit) for hit in self.hits], np.str_)

    def arrivals(self) -> NDArray[np.float64]:
        """When every hit arrives in every mic, float64 (hits, mics), s of the take; NaN where it does not stand out."""
        found = np.array([hit.frame + hit.arrival for hit in self.hits]).reshape(-1, len(self.mics))
        return np.asarray(found / self.take.sample_rate)

    def fault(self, row: int, harm: Harm, what: str, todo: str, at_s: tuple[float, ...] = ()) -> Finding:
        """A fault of one mic."""
        return Finding(harm, Problem(f"{self.take.name}/{self.mics[row].name}", what, todo), at_s)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Stretch(_Kept):
    """Of a few seconds: ``mean``: float64 (mics,); ``quiet``: each mic's quietest second and the mean square of its
    loudest 5 ms, None where it has none.
    """

    mean: NDArray[np.float64]
    quiet: tuple[tuple[Floats32, float] | None, ...]


def surveyed(root: Path, take: Take, *, jobs: int, progress: Progress) -> Survey:
    """Read a take once. Raises AudioError where a file cannot be read."""
    mics = tuple(mic for mic in take.mics if mic.role.means.read)
    step = take.sample_rate // STEPS_A_SECOND
    count = -(-take.frames // (step * STRETCH_STEPS))
    each = 4 * len(_close(mics)) * round(len(mics) * WINDOW_S * take.sample_rate + len(_close(mics)) * RING_S * RING_HZ)
    wanted = min(MOST_HITS, max(FEWEST_HITS, HITS_BYTES // max(each, 1)))
    every, most = -(-count // wanted), -(-wanted // count)

    def some(share: Sequence[int]) -> list[_Stretch]:
        """Some stretches, from files opened for them."""
        with TakeReader(root, take, [mic.name for mic in mics]) as reader:
            return [_stretch(reader, n, step, most=0 if n % every else most) for n in share]

    parts: list[_Stretch] = []
    with working(jobs):
        shares = parted(range(count), STRETCHES_AT_ONCE)
        for n in range(0, len(shares), jobs):
            progress(f"listening to {take.name}", n / len(shares))
            parts += [part for found in spread(some, shares[n : n + jobs]) for part in found]
    rows, peak = range(len(mics)), np.concatenate([part.peak for part in parts], axis=1)
    return Survey(
        take=take, mics=mics, slot=step * SLOT_STEPS, peak=peak,
        level=np.concatenate([part.level for part in parts], axis=1),
        flat=np.concatenate([part.flat for part in parts], axis=1),
        black=np.concatenate([part.black for part in parts], axis=1),
        means=np.stack([part.mean for part in parts], axis=1),
        broken=np.array([next((int(part.broken[row]) for part in parts if part.broken[row] >= 0), -1) for row in rows]),
        begins=tuple(np.concatenate([part.begins[row] for part in parts]) for row in rows),
        drops=tuple(np.concatenate([part.drops[row] for part in parts]) for row in rows),
        jumps=np.concatenate([part.jumps for part in parts]),
        hits=tuple(_owned(_once([hit for part in parts for hit in part.hits], take.sample_rate), mics,
                          peak.max(axis=1))),
        quiet=tuple(_quietest(parts, row) for row in rows))


def _quietest(parts: Sequence[_Stretch], mic: int) -> tuple[Floats32, ...]:
    """The quieter half of a mic's quietest seconds, up to sixteen: hum and hiss are there in all of them."""
    found = [second for part in parts if part.quiet and (second := part.quiet[mic]) is not None]
    found.sort(key=lambda each: each[1])
    return tuple(x for x, _ in found[: max(1, min(16, len(found) // 2))])


def _stretch(reader: TakeReader, number: int, step: int, *, most: int) -> _Stretch:
    """Read and reduce one stretch; ``most``: clear hits of it that are kept for each close mic, and none of its quiet
    seconds where it is 0.
    """
    take = reader.take
    first = number * STRETCH_STEPS * step
    steps = min(STRETCH_STEPS, -(-(take.frames - first) // step))
    lead, tail = BEFORE_STEPS * step, round(WINDOW_S * take.sample_rate)
    x = reader.read(first - lead, first + steps * step + tail)
    broken, mixed = _broken(x, first - lead)
    body = x[:, lead : lead + steps * step]
    peaks, power, mean = (np.empty((len(x), n), np.float32) for n in (BEFORE_STEPS + steps, steps, steps))
    flat = np.zeros((len(x), -(-steps // SLOT_STEPS)), np.int32)
    for row, whole in enumerate(x[:, : lead + steps * step]):  # one after another: a mic's five seconds fit a cache
        size = np.abs(whole)
        size.reshape(-1, step).max(axis=1, out=peaks[row])
        flat[row] = _flat(size[lead:], peaks[row, BEFORE_STEPS:], step)
        by_step = body[row].reshape(-1, step)
        by_step.mean(axis=1, out=mean[row])
        np.einsum("ij,ij->i", by_step, by_step, out=power[row])
    power /= step
    begins = [_begins(row) for row in peaks]
    around = slice(lead - step, lead + (steps + 1) * step)
    jumps = first + _jumps(x[:, around], mixed[around], step)
    hits = tuple(_clear_hits(reader, x, peaks, begins, first - lead, step, most)) if most else ()
    quiet = tuple(_quiet_second(body[m], power[m], step) for m in range(len(x))) if most and steps >= STEPS_A_SECOND \
        else ()
    peak = _by_slot(peaks[:, BEFORE_STEPS:], SLOT_STEPS).max(axis=2)
    return _Stretch(
        peak=peak, level=_by_slot(power, SLOT_STEPS).mean(axis=2), flat=flat, black=peak == 0, broken=broken,
        begins=tuple(first + (at - BEFORE_STEPS) * step for at in begins),
        drops=tuple(first + at * step for at in map(_drops, peaks[:, BEFORE_STEPS:])),
        jumps=jumps[(jumps > 0) & (jumps < take.frames)], hits=hits,
        mean=mean.mean(axis=1, dtype=np.float64), quiet=quiet)


def _flat(size: Floats32, peaks: Floats32, step: int) -> NDArray[np.int32]:
    """How many samples of each slot lie on its top, int32 (slots,); 0 in slots that are clearly softer than others."""
    peak = _by_slot(peaks[None], SLOT_STEPS)[0].max(axis=1)
    out = np.zeros(len(peak), np.int32)
    for slot in np.flatnonzero(peak >= OF_TOP * peak.max(initial=0.0)).tolist():
        own = size[slot * SLOT_STEPS * step : (slot + 1) * SLOT_STEPS * step]
        out[slot] = np.count_nonzero(own >= FLAT * peak[slot])
    return out


def _broken(x: Floats32, base: int) -> tuple[Frames, Floats32]:
    """The first take frame of each mic that is no number, int64 (mics,), -1 for none; such samples become 0. And the
    sum of all mics, float32 (frames,), which tells of nearly all stretches that there is none.
    """
    out = np.full(len(x), -1, np.int64)
    mixed = x.sum(axis=0)
    if not np.isfinite(mixed.sum()):
        bad = ~np.isfinite(x)
        rows = bad.any(axis=1)
        out[rows] = base + bad[rows].argmax(axis=1)
        x[bad] = 0.0
        mixed = x.sum(axis=0)
    return out, mixed


def _jumps(x: Floats32, mixed: Floats32, step: int) -> Frames:
    """Frames, from the second step on, in which most mics jump at once; the first and the last step are only compared
    with. The sum of all mics tells where to look.
    """
    def stands_out(steps: Floats32) -> NDArray[np.bool_]:
        """Of steps from sample to sample (any, frames), whether the middle one is a jump."""
        middle = steps.shape[1] // 2
        largest = steps[:, middle].copy()
        steps[:, middle] = 0.0
        return np.asarray(largest > AT_ONCE * np.maximum(steps.max(axis=1), LAST_BIT))

    apart = np.abs(np.diff(mixed, prepend=mixed[:1]))
    by_step = apart[: len(apart) // step * step].reshape(-1, step)
    largest, at = by_step.max(axis=1), by_step.argmax(axis=1)
    rest = np.sort(np.partition(by_step, -2, axis=1)[:, -2:], axis=1)[:, 0]
    out = []
    for k in (np.flatnonzero(largest[1:-1] > AT_ONCE * np.maximum(rest[1:-1], LAST_BIT)) + 1).tolist():
        frame = k * step + int(at[k])
        around = np.abs(np.diff(x[:, frame - step : frame + step], axis=1))
        if 2 * int(stands_out(around).sum()) > len(x) > 2:
            out.append(frame - step)
    return np.array(out, np.int64)


def _by_slot(x: Floats32, length: int) -> Floats32:
    """Values (mics, any) in slots of that length, (mics, slots, length); a shorter last slot is filled with zeros."""
    short = -x.shape[1] % length
    whole = np.pad(x, ((0, 0), (0, short))) if short else x
    return whole.reshape(len(x), -1, length)


def _begins(peak: Floats32) -> Frames:
    """Steps of a stretch in which a mic's peak stands clear of the 100 ms before, each beginning once; those of the
    ``BEFORE_STEPS`` before the stretch belong to the one before.
    """
    windows = np.lib.stride_tricks.sliding_window_view(peak, BEFORE_STEPS)[:-1].max(axis=1)
    clear = np.flatnonzero((peak[BEFORE_STEPS:] > 10 ** (RISE_DB / 20) * windows) & (windows > 0)) + BEFORE_STEPS
    return clear[np.diff(clear, prepend=-BEFORE_STEPS) > 2]


def _drops(peak: Floats32) -> Frames:
    """Steps at which a mic goes black for 1 to 9 steps while it sounds on both sides."""
    black = np.flatnonzero(np.diff(np.concatenate([[0], (peak == 0).astype(np.int8), [0]])))
    starts, ends = black[::2], black[1::2]
    inner = (starts > 0) & (ends < len(peak)) & (ends - starts < SLOT_STEPS)
    return np.asarray([a for a, b in zip(starts[inner].tolist(), ends[inner].tolist(), strict=True)
                       if min(peak[a - 1], peak[b]) > 1e-3], np.int64)


def _clear_hits(reader: TakeReader, x: Floats32, peaks: Floats32, begins: Sequence[Frames], base: int,
                step: int, most: int) -> Iterator[ClearHit]:
    """For each close mic the loudest clear hits of a stretch, up to ``most``, each hit once; ``base``: take frame of
    ``x``.
    """
    rate = reader.take.sample_rate
    lead, length = round(LEAD_S * rate), round(WINDOW_S * rate)
    every = max(1, rate // RING_HZ)
    rings, after = round(RING_S * rate / every), lead + round(RING_FROM_S * rate)
    close = _close(reader.mics)
    found: list[int] = []
    for row in close:
        found += sorted(begins[row].tolist(), key=lambda at: -float(peaks[row, at : at + 2].max()))[:most]
    last = -length
    for at in sorted(found):
        start = at * step - lead
        window = x[:, start : start + length]
        if start - last > ONE_HIT_S * rate and window.shape[1] == length:
            last = start
            ring = x[close, start + after : start + after + rings * every]
            ring = ring.reshape(len(close), -1, every).mean(axis=2) if ring.shape[1] == rings * every else ring[:, :0]
            yield ClearHit(base + start, -1, window.copy(), *arrivals(window, lead // 2), ring, every)


def _once(hits: Sequence[ClearHit], rate: int) -> Iterator[ClearHit]:
    """The hits of all stretches in order, each once: at the end of one a hit may be clear in one mic, and in another at
    the beginning of the next.
    """
    last = -rate
    for hit in hits:
        if hit.frame - last > ONE_HIT_S * rate:
            last = hit.frame
            yield hit


def _close(mics: Sequence[Mic]) -> list[int]:
    """The rows of the mics that stand at drums, of triggers where their drum has no mic; of all in which hits are found
    where none does.
    """
    heard = {mic.drum for mic in mics if mic.role.means.at_drum and mic.role.means.judged}
    return [row for row, mic in enumerate(mics)
            if mic.role.means.at_drum and (mic.role.means.judged or mic.drum not in heard)] or \
        [row for row, mic in enumerate(mics) if mic.role.means.detects]


def _owned(hits: Iterable[ClearHit], mics: Sequence[Mic], peak: Floats32) -> Iterator[ClearHit]:
    """The hits that belong to a close mic, with its row; ``peak``: float32 (mics,), of the whole take."""
    close = np.array(_close(mics), np.int64)
    for hit in hits:
        share = np.where(np.isnan(hit.arrival), 0.0, hit.peak / np.maximum(peak, 1e-9))[close]
        if share.max() > 0:
            loud = close[share >= share.max() / AS_LOUD]
            owner = int(loud[hit.arrival[loud].argmin()])
            yield replace(hit, owner=owner, ring=hit.ring[close == owner][0].copy())


def arrivals(window: Floats32, before: int) -> tuple[NDArray[np.float64], Floats32]:
    """Where a hit arrives in each mic, float64 (mics,), frames, NaN where it does not stand out of the first ``before``
    frames; and its peak there, float32 (mics,).
    """
    size = np.abs(window)
    noise, peak = size[:, :before].max(axis=1), size.max(axis=1)
    level = np.maximum(STANDS_OUT * noise, OF_PEAK * peak)
    there = (size > level[:, None]).argmax(axis=1).astype(np.float64)
    return np.where(peak > 2 * STANDS_OUT * noise, there, np.nan), peak


def _quiet_second(x: Floats32, power: Floats32, step: int) -> tuple[Floats32, float] | None:
    """The quietest whole second of a stretch, by its loudest 5 ms, and that mean square; None where it is no steady
    noise.
    """
    windows = np.lib.stride_tricks.sliding_window_view(power, STEPS_A_SECOND)[::SLOT_STEPS].max(axis=1)
    at = int(windows.argmin()) * SLOT_STEPS
    slots = power[at : at + STEPS_A_SECOND].reshape(-1, SLOT_STEPS).mean(axis=1)
    if not 0 < slots.max() <= STEADY * slots.min():
        return None
    return x[at * step : (at + STEPS_A_SECOND) * step].copy(), float(windows.min())


def sixteen_bits(survey: Survey, mic: int) -> bool:
    """Whether a mic's file has room for more than 16 bits and, in its clear hits, uses no more."""
    if is_float(survey.take.subtype) or survey.take.subtype == "PCM_16" or not survey.hits:
        return False
    return all(not np.any(np.rint(x) - x) for x in (hit.sound[mic] * 2.0**15 for hit in survey.hits))
