"""Onset detection: candidates for hits from an onset strength over bands and mics, by peak picking (spectral flux in
decibels).

A hit raises the level of many bands in many mics within a few milliseconds of each other, above what decayed there a
moment before. So onset strength is, per mic and band, how far a step stands above the loudest of the steps 9 to 23 ms
earlier, with the steady noise added to both (below the noise nothing rises); its mean over bands and mics is compared
with a threshold in decibels, and its local maxima are the candidates. It depends on nothing further away than 23 ms: a
loud hit elsewhere in the file changes nothing, soft hits count as much as loud ones, and the result is independent of
how the take was cut into blocks.

Only the near mics (close, overhead, trigger) are used where there are two or more: rooms pick up each hit 5 to 30 ms
late and would yield it twice. A trigger picks up its own drum and hardly any other: it may add to the mean over the
mics, but its silence does not lower it. The threshold is low on purpose; ``sorting/decompose.py`` later drops what
earlier hits explain.
"""

from __future__ import annotations

from functools import partial

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.records import EVENT_S, Onsets, TakeScan, mean_squares
from oneshot.core.lazy import later
from oneshot.core.records.roles import Role
from oneshot.core.records.session import SILENT_PEAK, Floats, Frames, Take
from oneshot.core.workers import spread

ndimage = later("scipy.ndimage")

LOOK_BACK_STEPS = (3, 8)
"""How many steps back the reference lies: far enough not to hold the hit itself, near enough to know the decay before
it.
"""

RISE_LIMIT_DB = 20.0
"""A single band of a single mic counts no more than this: a hit out of digital black is not infinitely certain."""

RISE_DB = 0.75
"""Onset strength, mean over all bands and mics, that makes a candidate. A rise of 8 dB in a tenth of them is one,
too.
"""

APART_S = 0.013
"""A candidate is the maximum in a window of this width around it, so that two lie 8 ms apart or more."""

FOLLOWERS = 40
"""Candidates ahead among which the next hit is looked for: half a second at least, longer than a hit is measured."""

FORE_RISE_DB = 2.0
"""Onset strength that makes the first stroke of an event."""

FORE_S = (0.0055, 0.022)
"""Where it is looked for ahead of an event: later the event's own attack is in the window, earlier is another event."""

FORE_FREE_S = 0.030
"""Only where nothing was struck this long before: otherwise what rises there is the end of that stroke's attack."""

PIECE_STEPS = 2**14
"""Steps processed at once, to limit memory."""

EVENTS_AT_ONCE = 1024
"""Events whose forerunners are looked for at once, likewise."""


def near_mics(take: Take, present: NDArray[np.bool_] | None = None) -> NDArray[np.bool_]:
    """Which mics hits are detected in, bool (mics,): close, overhead and trigger; rooms only where those are fewer than
    two.

    ``present`` leaves out mics that hold no sound. Buses are used where nothing else is left.
    """
    there = np.ones(len(take.mics), bool) if present is None else present
    roles = [m.role for m in take.mics]
    near: NDArray[np.bool_] = there & np.array([r.means.detects for r in roles], bool)
    if near.sum() < 2:
        near |= there & np.array([r is Role.ROOM for r in roles], bool)
    if not near.any():
        near = there & np.array([r is Role.BUS for r in roles], bool)
    return near


def detect(scan: TakeScan, take: Take) -> Onsets:
    """Detect the candidates of one take.

    Returns them in order of time; an empty table where nothing rises. Stretches that session.toml ignores hold none.
    """
    near = near_mics(take, scan.peak > SILENT_PEAK)
    mics, window = mics_only(take, near), 4 * scan.hop
    found = spread(partial(_rising, scan, near, mics), range(0, scan.level_db.shape[1], PIECE_STEPS))
    peaks, strength, mic_strength = (np.concatenate(each) for each in zip(*found, strict=True))
    # a plateau may reach from one piece into the next
    rows = _plateau_centres(peaks)
    last = (take.frames - window) // scan.hop  # a take cut off in mid-decay ends with a step, which is no hit
    rows = rows[(peaks[rows] >= 2) & (peaks[rows] <= last)]
    # Onset strength peaks when the window has just taken in the attack: about a step and a half after the onset.
    frame = np.maximum((peaks[rows] - 1.5) * scan.hop, 0).round().astype(np.int64)
    keep = np.ones(len(frame), bool)
    for start, stop in take.ignored:
        keep &= (frame < start) | (frame >= stop)
    return Onsets(take.name, frame[keep], strength[rows][keep], mic_strength[rows][keep])


def _rising(scan: TakeScan, near: NDArray[np.bool_], mics: NDArray[np.bool_],
            start: int) -> tuple[Frames, Floats, Floats]:
    """The steps of the piece from ``start`` on where onset strength is at a local maximum, rising, with their onset
    strength (steps,) and that of each mic (steps, mics).
    """
    width = max(1, round(APART_S * scan.sample_rate / scan.hop / 2))
    stop = min(start + PIECE_STEPS, scan.level_db.shape[1])
    lead = max(0, start - width)
    mic_strength = mic_rises_db(scan, near, lead, min(stop + width, scan.level_db.shape[1]))
    strength = mic_strength[:, mics].mean(axis=1) if near.any() else np.zeros(len(mic_strength))
    # a trigger adds to hits of its own drum; its silence is no evidence against another's
    total = np.maximum(strength, mic_strength[:, near].mean(axis=1)) if near.any() else strength
    local_max = ndimage.maximum_filter1d(total, 2 * width + 1, mode="nearest")
    peaks = np.flatnonzero((total == local_max) & (total > RISE_DB))
    peaks = peaks[(peaks >= start - lead) & (peaks < stop - lead)]
    return peaks + lead, strength[peaks], mic_strength[peaks]


def mics_only(take: Take, near: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The near mics without the triggers, bool (mics,): those that may say when a hit begins."""
    mics = near & np.array([m.role is not Role.TRIGGER for m in take.mics])
    return mics if mics.any() else near


def _plateau_centres(peaks: NDArray[np.int64]) -> NDArray[np.int64]:
    """Which rows hold the centre of each run of neighbouring steps: where onset strength is at its limit, a plateau is
    one hit.
    """
    runs = np.split(np.arange(len(peaks)), np.flatnonzero(np.diff(peaks) > 1) + 1)
    return np.array([run[(len(run) - 1) // 2] for run in runs if len(run)], np.int64)


def mic_rises_db(scan: TakeScan, near: NDArray[np.bool_], start: int, stop: int) -> Floats:
    """Onset strength of the steps [start, stop) mic by mic: mean rise over the bands, float64 (steps, mics), 0 to 20
    dB; 0 in mics not used.
    """
    out = np.zeros((stop - start, len(near)))
    for m in np.flatnonzero(near).tolist():
        out[:, m] = _onset_strength_db(scan, m, start, stop)
    return out


def _onset_strength_db(scan: TakeScan, mic: int, start: int, stop: int) -> Floats:
    """Onset strength (steps,) of one mic over the steps [start, stop): mean rise over the bands, dB."""
    first, last = LOOK_BACK_STEPS
    lead = max(0, start - last)
    twice_noise = 2 * 10 ** (scan.noise_db[mic] / 10)
    level = 10 * np.log10(mean_squares(scan.level_db[mic, lead:stop]) + twice_noise)
    if lead == 0 and len(level) > 2:  # the first two windows hold half of nothing: that is no rise
        level[:2] = np.maximum(level[:2], level[2:5].max(axis=0))
    rise = np.clip(level - _loudest_before(level, first, last), 0, RISE_LIMIT_DB)
    out: Floats = rise[start - lead :].sum(axis=1) / level.shape[1]
    return out


def _loudest_before(level: Floats, first: int, last: int) -> Floats:
    """The largest of the steps ``last`` to ``first`` back, per band; the first step is repeated before the start."""
    padded = np.concatenate([np.repeat(level[:1], last, axis=0), level])
    out = padded[: len(level)].copy()
    for back in range(first, last):
        np.maximum(out, padded[last - back : last - back + len(level)], out=out)
    return out


def merge_events(first: Frames, rise_db: Floats, sample_rate: int) -> NDArray[np.int64]:
    """Rows of the candidates that represent an event, in order of time, once their arrivals are known.

    ``first``: int64 (hits,), earliest arrivals, in any order. Candidates less than ``EVENT_S`` after the first of an
    event belong to it: drums struck together, and the body of a drum that swells a moment after its click. A forerunner
    with less than a quarter of the onset strength of what follows it is no event of its own.
    """
    order = np.lexsort((-rise_db, first))
    span = round(EVENT_S * sample_rate)
    out: list[int] = []
    for i in order:
        if out and first[i] - first[out[-1]] < span:
            if rise_db[out[-1]] < rise_db[i] / 4:
                out[-1] = int(i)
            continue
        out.append(int(i))
    return np.array(out, np.int64)


def forerunners(scan: TakeScan, near: NDArray[np.bool_], first: Frames) -> Frames:
    """Where events begin with a stroke much softer than the one they were detected by: a hat ahead of a kick.

    ``near``: bool (mics,); ``first``: int64 (hits,), arrivals of the events, rising. The soft stroke makes no peak of
    its own, since the harder one rises before it is over; but onset strength passes ``FORE_RISE_DB`` where it was less
    than half of that a moment before. Returns int64 (hits,), the frame of that step, accurate to a step or so, -1 where
    there is no forerunner.
    """
    out = np.full(len(first), -1, np.int64)
    mics = [int(m) for m in np.flatnonzero(near)]
    gap = np.diff(first, prepend=np.iinfo(np.int64).min // 2)
    late, early = (s * scan.sample_rate for s in FORE_S)
    start = np.maximum(np.ceil((first - early) / scan.hop), 0).astype(np.int64)
    length = ((first - late) // scan.hop).astype(np.int64) + 1 - start
    eligible = (gap > FORE_FREE_S * scan.sample_rate) & (length > 0) & bool(mics)
    for steps in np.unique(length[eligible]).tolist():
        rows = np.flatnonzero(eligible & (length == steps))
        for some in np.split(rows, np.arange(EVENTS_AT_ONCE, len(rows), EVENTS_AT_ONCE)):
            total = np.mean([_onset_strength_from(scan, m, start[some], steps) for m in mics], axis=0)
            begin = (total > FORE_RISE_DB).argmax(axis=1)  # 0 where it never does, and where it does from the start
            least = np.minimum.accumulate(total, axis=1)[np.arange(len(some)), np.maximum(begin - 1, 0)]
            found = (begin > 0) & (least < FORE_RISE_DB / 2)
            out[some[found]] = (start[some] + begin)[found] * scan.hop
    return out


def _onset_strength_from(scan: TakeScan, mic: int, start: Frames, steps: int) -> Floats:
    """What ``_onset_strength_db`` gives in the ``steps`` from each of ``start`` on, float64 (starts, steps)."""
    first, last = LOOK_BACK_STEPS
    index = np.clip(start[:, None] + np.arange(-last, steps), 0, scan.level_db.shape[1] - 1)
    level = 10 * np.log10(mean_squares(scan.level_db[mic][index]) + 2 * 10 ** (scan.noise_db[mic] / 10))
    before = np.max([level[:, last - back : last - back + steps] for back in range(first, last + 1)], axis=0)
    out: Floats = np.clip(level[:, last:] - before, 0, RISE_LIMIT_DB).sum(axis=2) / level.shape[2]
    ends = (start <= last) | (start + steps > scan.level_db.shape[1])  # of the take
    for row in np.flatnonzero(ends).tolist():
        rise = _onset_strength_db(scan, mic, int(start[row]), int(start[row]) + steps)
        out[row] = np.pad(rise, (0, steps - len(rise)), constant_values=-np.inf)
    return out


def next_strong(frame: Frames, rise_db: Floats) -> Frames:
    """For each candidate the frame (hits,) of the next one with at least a third of its onset strength; far off where
    none of the next ``FOLLOWERS`` has it.

    A hit's own echo, the snare wires that answer it and its beating partials raise small candidates within its tail;
    those must not count as the next hit.
    """
    out = np.full(len(frame), np.iinfo(np.int64).max // 2, np.int64)
    for i in range(len(frame)):
        later = np.flatnonzero(rise_db[i + 1 : i + 1 + FOLLOWERS] >= rise_db[i] / 3)
        if len(later):
            out[i] = frame[i + 1 + later[0]]
    return out
