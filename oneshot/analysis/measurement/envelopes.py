"""Ringing: every stroke of a take laid over time, in each mic and band, so that what is in a window can be told apart.

A kind of stroke has an *envelope*: its energy from arrival on, in stretches that widen with time, far beyond the 200 ms
in which strokes are told apart. It is learned stretch by stretch as the median over the strokes that stand clear of
what was there before, up to the next one; beyond what was heard of it, it goes on falling at the rate it had.

The energies of unrelated sounds add. So a moment holds the steady noise, the own stroke, and every other stroke's
envelope at its strength, moved to its time. What is seen just before an arrival corrects what earlier strokes are
expected to leave. What was heard, band by band and about 11 ms at a time, is then shared out in proportion (the ratio
of powers that Wiener's filter weighs by). Strokes of one kind vary; what is heard beyond that was not found, or is no
stroke at all, and counts as everything else.

Rising: what comes up by itself in the ring of a hit, where no stroke was found.

A ring only falls, and so does what was there before the hit. What neither they nor the noise nor any stroke that was
found can be, and what grows while they fade, is another sound: a soft stroke under a loud one's ring, most of all,
which few mics hear well enough to tell what it was. One that begins with the hit is struck together with it, and ends
no tail; nor does one that is louder than the hit, in a mic that hardly hears the hit.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.records import EVENT_S, STRETCH_STEPS, Laid, Played, TakeScan, Templates, mean_squares
from oneshot.core.records.session import Floats, Frames
from oneshot.core.workers import spread

EDGES = np.array([0, 2, 4, 6, 8, 12, 16, 24, 32, 48, 72, 104, 144, 208, 288, 416, 576, 800, 1120], np.int64)
"""Borders of an envelope's stretches, in steps after the arrival: to about 3 s, each wider than the one before."""

CLEAR = 2.0
"""A stretch is learned from where it is this many times (3 dB) what was there before."""

FEWEST = 3
"""Where fewer strokes than this are clear, the first 200 ms are those of the kind's template."""

SLOWEST_DB, FASTEST_DB = 0.085, 0.8
"""Bounds of an envelope's fall beyond what is known of it, dB per step: 60 dB in 2 s and in a fifth of a second. Rooms
and drums fade within 2 s (common practice, no source); a cymbal that rings longer shows it in its loud strokes."""

UNHEARD = 0.01
"""An envelope ends where it stays this far (20 dB) below the noise in every band."""

CELL = 4
"""Steps that are shared out at once, about 11 ms: as long as the scan's window."""

LONG_CELLS = 5
"""Cells in a step of grading, about 55 ms."""

BEFORE_S, AFTER_S = 0.005, 0.2
"""The window in which a hit is held against everything else."""

STRENGTH_S = 0.3
"""The first part of a hit that tells its strength."""

LOOK_S = 0.4
"""How far a hit is followed."""

SEEN_STEPS = (-6, -2)
"""Where what rings on is seen: 17 to 6 ms before the arrival, clear of the analysis window of the hit itself."""

HEAD_STEPS = 16
"""The first 45 ms of a hit, in which its level in a mic is held against what was to be expected."""

RECENT_STEPS = 10
"""A stroke nearer than this to the next arrival is still rising where the ring should be seen: nothing is corrected."""

LOWER, RAISE = 0.1, 4.0
"""How far what is seen moves the earlier strokes' envelopes (-10 and +6 dB); more is some other sound's ring."""

WAY_VARIES_DB = 6.0
"""How far the ways of a drum's kinds to one mic may differ in a band: rim and centre lie 18 cm apart."""

IN_PLAY_S = 1.0
"""A drum is in play where it is struck this near, before or after: two beats at 120 a minute."""

LASTS_DB = 15.0
"""How far above its kind's envelope a ring may lie in the end: of two strokes, one that rings 300 ms and one that rings
500 ms (60 dB) are 16 dB apart after 200 ms."""

BEATS_DB = 3.0
"""How far a ring that falls may come up again between two cells: partials beat, and noise varies."""

CLEAN_DB = -10.0
"""A mic stays clean until everything else comes this near to the hit's own sound, above the noise."""

AHEAD = (0.3, 0.03)
"""Shares of the first step's energy that the scan's window sees one and two steps early (a Hann window, squared)."""

BLOCK_HITS = 128


@dataclass(frozen=True, slots=True, eq=False)
class Windows:
    """What is in each hit's window; NaN where the take lacks the mic. Energies are mean squares times steps.

    ``own``, ``other``: float64 (hits, mics, bands), 5 ms before to 200 ms after; ``strength``: float64 (hits, mics),
    own energy over 300 ms; ``own_peak``: float64 (hits, mics), mean square of the own sound's loudest 55 ms, all bands
    together; ``other_peak``: float64 (hits, mics), mean square of everything else in its loudest band and 55 ms up to
    the next event; ``clean_s``: float64 (hits, mics), seconds for which everything else stays 10 dB below the own
    sound, at most to the next event or for ``LOOK_S``; ``heard``, ``expected``: float64 (hits, mics), mean square of
    the first 45 ms as measured, and as the envelopes make it (NaN where the hit does not rule them). ``risen``: float64
    (hits, mics, 3), what rises in the own sound's ring, before the next event, of that no stroke tells: the scan's step
    before it, its mean square over 55 ms, and that of the ring there; NaN where nothing does.
    """

    own: Floats
    other: Floats
    strength: Floats
    own_peak: Floats
    other_peak: Floats
    clean_s: Floats
    heard: Floats
    expected: Floats
    risen: Floats


# ---------------------------------------------------------------------------------------------------------------- learn


def learn(played: list[Played], templates: Templates) -> Floats:
    """Envelopes float64 (kinds, mics, bands, stretches): mean squares of a stroke of 0 dB, 0 in bands never heard."""
    kinds, mics, bands = templates.energy.shape[:3]
    out = np.zeros((kinds, mics, bands, len(EDGES) - 1))
    for k in range(kinds):
        for m in range(mics):
            parts = [_ratios(each, k, m) for each in played if each.rows[m] >= 0]
            seen = np.concatenate(parts) if parts else np.zeros((0, bands, len(EDGES) - 1))
            out[k, m] = _envelope(seen, templates.energy[k, m])
    return out


def own_share(envelopes: Floats, drum: Frames, home: Frames, stands: NDArray[np.bool_]) -> Floats:
    """How much of each envelope is the drum's own (kinds, mics, bands), 0 to 1: all but what only a partner can have
    put there.

    The way from a drum to a mic is one and the same however it is struck. So in each band a drum's kinds stand at one
    ratio between that mic and the home mic; a kind that stands ``WAY_VARIES_DB`` above the least of them there was
    learned from strokes that always had another drum with them, as a crash falls on a kick. Mics that stand at the drum
    hear its parts, one the head and another the wires, each of which answers in its own way: there all is its own.

    ``drum``: int64 (kinds,); ``home``: int64 (kinds,), the home mic's row, -1 where it has none here; ``stands``: bool
    (kinds, mics), which mics stand at the kind's drum.
    """
    energy = (envelopes * np.diff(EDGES)).sum(axis=-1)
    out = np.ones(energy.shape)
    for number in np.unique(drum).tolist():
        rows = np.flatnonzero((drum == number) & (home >= 0))
        if len(rows) < 2:
            continue
        at_home = energy[rows, home[rows]][:, None, :]
        ratio = np.where((energy[rows] > 0) & (at_home > 0), energy[rows] / np.maximum(at_home, 1e-30), np.inf)
        most = ratio.min(axis=0) * 10 ** (WAY_VARIES_DB / 10)
        known = np.isfinite(ratio)
        known &= ~stands[rows][:, :, None]
        out[rows] = np.where(known, np.minimum(1.0, most / np.where(known, ratio, 1.0)), 1.0)
    return out


def mean_heard(scan: TakeScan, row: int, step: Frames, first: int, last: int) -> Floats:
    """Energies (hits, bands) of one mic, mean over steps [first, last) from each of ``step``; 0 beyond the take."""
    index = step[:, None] + np.arange(first, last)
    inside = (index >= 0) & (index < scan.level_db.shape[1])
    levels = scan.level_db[row][np.clip(index, 0, scan.level_db.shape[1] - 1)]
    out: Floats = (mean_squares(levels) * inside[..., None]).mean(axis=1)
    return out


def _ratios(played: Played, kind: int, m: int) -> Floats:
    """Energy over strength (hits, bands, stretches) of the hits that are one stroke of a kind, NaN where not clear."""
    mine = np.flatnonzero(((played.gain > 0).sum(axis=1) == 1) & (played.kind == kind))
    row, step = int(played.rows[m]), played.step[mine, m]
    following = np.append(played.step[1:, m], np.iinfo(np.int64).max // 2)[mine] - step
    following = np.minimum(following, played.scan.level_db.shape[1] - step)
    floor = np.maximum(mean_heard(played.scan, row, step, *SEEN_STEPS), 10 ** (played.scan.noise_db[row] / 10))
    out = np.full((len(mine), floor.shape[1], len(EDGES) - 1), np.nan)
    for s, (first, last) in enumerate(zip(EDGES[:-1].tolist(), EDGES[1:].tolist(), strict=True)):
        use = np.flatnonzero(following > last + 2)
        own = mean_heard(played.scan, row, step[use], first, last) - floor[use]
        out[use, :, s] = np.where(own > CLEAR * floor[use], own / played.gain[mine[use], kind, None], np.nan)
    return out


def _envelope(seen: Floats, known: Floats) -> Floats:
    """One kind's envelope in one mic (bands, stretches), from clear ratios and its template (bands, 5 stretches)."""
    middle = (EDGES[:-1] + EDGES[1:]) / 2
    count = (~np.isnan(seen)).sum(axis=0)
    level = np.full(seen.shape[1:], np.nan)
    level[count > 0] = np.nanmedian(10 * np.log10(seen[:, count > 0]), axis=0)
    of = np.searchsorted([last for _, last in STRETCH_STEPS], middle)
    for s in np.flatnonzero(of < len(STRETCH_STEPS)):
        template = known[:, of[s]]
        told = np.where(template > 0, 10 * np.log10(np.maximum(template, 1e-30)), np.nan)
        level[:, s] = np.where(count[:, s] >= FEWEST, level[:, s], told)
    for row in level:
        told = np.flatnonzero(~np.isnan(row))
        if len(told):
            row[:] = _gone_on(row, middle, told)
    return np.where(np.isnan(level), 0.0, 10 ** (level / 10))


def _gone_on(level_db: Floats, middle: Floats, told: Frames) -> Floats:
    """Levels (stretches,) with gaps bridged and the end continued at the rate at which the last part fell."""
    last = int(told[-1])
    out = np.interp(middle, middle[told], level_db[told])
    early = told[middle[told] <= middle[last] / 2.5]
    since = int(early[-1]) if len(early) else int(told[0])
    fall = (out[since] - out[last]) / max(middle[last] - middle[since], 1.0)
    beyond = middle > middle[last]
    out[beyond] = out[last] - np.clip(fall, SLOWEST_DB, FASTEST_DB) * (middle[beyond] - middle[last])
    return out


def _by_step(envelopes: Floats) -> Floats:
    """Envelopes (kinds, bands, stretches) step by step: (kinds, steps, bands), straight lines in dB between middles."""
    middle, step = (EDGES[:-1] + EDGES[1:] - 1) / 2, np.arange(EDGES[-1])
    at = np.clip(np.searchsorted(middle, step, side="right") - 1, 0, len(middle) - 2)
    share = np.clip((step - middle[at]) / (middle[at + 1] - middle[at]), 0.0, 1.0)
    level = np.log(np.maximum(envelopes, 1e-18))
    out = np.exp(level[..., at] * (1 - share) + level[..., at + 1] * share)
    return np.moveaxis(np.where(envelopes.max(axis=-1, keepdims=True) > 0, out, 0.0), -1, 1)


# ---------------------------------------------------------------------------------------------------------------- split


def in_play(at: Floats, strokes: Floats) -> NDArray[np.bool_]:
    """Whether each moment (hits,), s, has one of ``strokes``, in order of time, within ``IN_PLAY_S``."""
    after = np.searchsorted(strokes, at - IN_PLAY_S)
    return np.asarray(np.append(strokes, np.inf)[after] < at + IN_PLAY_S)


def split(played: Played, envelopes: Floats, own_share: Floats, drum: Frames) -> Windows:
    """Share out what was heard in every hit's window, mic by mic.

    ``own_share``: float64 (kinds, mics, bands), how much of its envelope is a stroke's own where another drum is in
    play; in strokes played one by one all of it is. ``drum``: int64 (kinds,).
    """
    share = np.where(_beside_others(played, drum)[:, None, None], own_share[played.kind], 1.0)
    hits, mics, bands = len(played.start), len(played.rows), envelopes.shape[2]
    shapes = [(hits, mics, bands)] * 2 + [(hits, mics)] * 6 + [(hits, mics, 3)]
    out = Windows(*(np.full(shape, np.nan) for shape in shapes))

    def in_mic(m: int) -> None:
        """Fill in one mic."""
        by_step = _by_step(envelopes[:, m])
        reach = _reaches(by_step, played.gain, _unheard(played, m))
        for block in _blocks(hits):
            _split_block(played, by_step, reach, share[:, m], m, block, out)

    spread(in_mic, np.flatnonzero(played.rows >= 0).tolist())
    return out


def _beside_others(played: Played, drum: Frames) -> NDArray[np.bool_]:
    """Whether each hit (hits,) has another drum in play than its own."""
    at = played.start * played.scan.hop / played.scan.sample_rate
    out = np.zeros(len(at), bool)
    for number in np.unique(drum).tolist():
        mine = (played.gain[:, drum == number] > 0).any(axis=1)
        out |= in_play(at, at[mine]) & (drum[played.kind] != number)
    return out


def _blocks(hits: int) -> Iterator[Frames]:
    for first in range(0, hits, BLOCK_HITS):
        yield np.arange(first, min(first + BLOCK_HITS, hits))


def _split_block(played: Played, by_step: Floats, reach: Frames, own_share: Floats, m: int, block: Frames,
                 out: Windows) -> None:
    """Fill in a block of hits in one mic."""
    scan, row = played.scan, int(played.rows[m])
    rate = scan.sample_rate / scan.hop
    begin = np.round(played.start[block] - BEFORE_S * rate).astype(np.int64)
    cells = -(-round((BEFORE_S + LOOK_S) * rate) // CELL)
    noise = 10 ** (scan.noise_db[row] / 10)
    earlier, rest, own, expected = _laid(played, by_step, reach, m, block, begin, cells * CELL)
    ring = _corrected(played, m, block, earlier, expected, begin)
    index = begin[:, None] + np.arange(cells * CELL)
    inside = (index >= 0) & (index < scan.level_db.shape[1])
    heard = mean_squares(scan.level_db[row][np.clip(index, 0, scan.level_db.shape[1] - 1)])
    heard *= inside[..., None]
    early = np.clip((played.step[block, m] - begin)[:, None] + np.arange(HEAD_STEPS), 0, cells * CELL - 1)[..., None]
    out.heard[block, m] = np.take_along_axis(heard, early, 1).mean(axis=1).sum(axis=1)
    mine, beside = (np.take_along_axis(x, early, 1).mean(axis=1).sum(axis=1) for x in (own, earlier + rest + noise))
    out.expected[block, m] = np.where(mine > CLEAR * beside, mine + beside, np.nan)
    own *= own_share[block][:, None, :]
    parts = [x.reshape(len(block), cells, CELL, -1).mean(axis=2) for x in (heard, own, ring + rest)]
    mine, other = _share(parts[0], parts[1], parts[2], noise)
    _sum_up(played, m, block, mine, other, noise, out)
    first, last = (played.step[block, m] - begin) // CELL + LONG_CELLS, _next_event(played, m, block)
    out.risen[block, m] = risen(mine, other, parts[2], noise, first, last, LONG_CELLS)
    out.risen[block, m, 0] = out.risen[block, m, 0] * CELL + begin


def _laid(played: Played, by_step: Floats, reach: Frames, m: int, block: Frames, begin: Frames,
          length: int) -> tuple[Floats, Floats, Floats, Floats]:
    """What strokes put into the windows of a block, by their envelopes. ``reach``: as ``_reaches`` gives it.

    Returns earlier strokes, all others but the own one, and the own one, each (hits, steps, bands), and what the
    earlier ones put where the ring is seen (hits, bands).
    """
    step = played.step[:, m]
    first = int(np.searchsorted(step, step[block[0]] - by_step.shape[1]))
    last = int(np.searchsorted(step, begin[-1] + length))
    base = min(int(begin[0]), int(step[block[0]])) + SEEN_STEPS[0]
    total = np.zeros((int(begin[-1]) + length - base, by_step.shape[2]))
    earlier, own, expected = (np.zeros((len(block), n, by_step.shape[2])) for n in (length, length, 1))
    for j in range(first, max(last, int(block[-1]) + 1)):
        here = j - int(block[0])
        if 0 <= here < len(block):
            a = int(begin[here]) - base
            earlier[here] = total[a : a + length]
            at = int(step[j]) - base
            expected[here] = total[at + SEEN_STEPS[0] : at + SEEN_STEPS[1]].mean(axis=0)
        for k in np.flatnonzero(played.gain[j]).tolist():
            stroke = by_step[k, : reach[j, k]]
            _add(total, int(step[j]) - base, stroke, played.gain[j, k])
            if 0 <= here < len(block) and k == played.kind[j]:
                _add(own[here], int(step[j] - begin[here]), stroke, played.gain[j, k])
    everything = np.stack([total[int(b) - base : int(b) - base + length] for b in begin])
    return earlier, np.maximum(everything - earlier - own, 0.0), own, expected[:, 0]


def _unheard(played: Played, m: int) -> Floats:
    """Mean squares (bands,) in one mic up to which nothing is heard."""
    return np.asarray(10 ** (played.scan.noise_db[int(played.rows[m])] / 10) * UNHEARD)


def _reaches(by_step: Floats, gain: Floats, unheard: Floats) -> Frames:
    """How many steps of each stroke's envelope can matter, int64 (hits, kinds), from strengths of that shape."""
    halves = [by_step.shape[1]]
    while halves[-1] > 1:
        halves.append(halves[-1] // 2)
    out = np.zeros(gain.shape, np.int64)
    for k, envelope in enumerate(by_step):
        hit = np.flatnonzero(gain[:, k])
        # the envelope falls: halves are dropped while even their last step cannot be heard
        heard = (gain[hit, k, None, None] * envelope[np.array(halves) - 1] > unheard).any(axis=2)
        heard[:, -1] = True
        out[hit, k] = np.minimum(2 * np.array(halves)[heard.argmax(axis=1)], len(envelope))
    return out


def _add(total: Floats, at: int, envelope: Floats, gain: float) -> None:
    """Add a stroke's envelope (steps, bands) to ``total``, from its step ``at``."""
    a, b = max(at, 0), min(at + len(envelope), len(total))
    if a < b:
        total[a:b] += gain * envelope[a - at : b - at]
    for early, share in enumerate(AHEAD, 1):
        if 0 <= at - early < len(total):
            total[at - early] += share * gain * envelope[0]


def _corrected(played: Played, m: int, block: Frames, earlier: Floats, expected: Floats, begin: Frames) -> Floats:
    """What earlier strokes leave in the windows (hits, steps, bands), corrected by what is seen before each arrival."""
    scan, row, step = played.scan, int(played.rows[m]), played.step[block, m]
    noise = 10 ** (scan.noise_db[row] / 10)
    seen = np.maximum(mean_heard(scan, row, step, *SEEN_STEPS) - noise, 0.0)
    more = (seen > noise) & (seen > expected)
    ratio = np.maximum(seen, noise) / np.maximum(expected, 1e-30)
    move = np.where(more, np.minimum(ratio, RAISE), np.minimum(ratio, 1.0))
    unknown = np.where(more, np.maximum(seen - move * expected, 0.0), 0.0)
    gap = step - np.append(np.int64(-(2**40)), played.step[:-1, m])[block]
    recent = (gap < RECENT_STEPS)[:, None]
    move = np.where(recent, 1.0, np.maximum(move, LOWER))
    since = np.arange(earlier.shape[1]) - (step - begin)[:, None] - sum(SEEN_STEPS) / 2
    fading = 10 ** (-played.fade_db[block, m][:, None, :] * np.maximum(since, 0.0)[..., None] / 10)
    out: Floats = earlier * move[:, None, :] + np.where(recent, 0.0, unknown)[:, None, :] * fading
    return out


def _share(heard: Floats, own: Floats, other: Floats, noise: Floats) -> tuple[Floats, Floats]:
    """Own sound and everything else, each (hits, cells, bands), from what was heard and what was expected.

    A stroke as a whole may be stronger or weaker than its kind in one band, by ``VARIES_DB`` at most; the cells that it
    rules tell.
    """
    varies = 10 ** (VARIES_DB / 10)
    rules = own > 2 * (other + noise)
    there = (own * rules).sum(axis=1)
    fits = (np.maximum(heard - other - noise, 0.0) * rules).sum(axis=1) / np.maximum(there, 1e-30)
    own = own * np.where(there > 0, np.clip(fits, 1 / varies, varies), 1.0)[:, None]
    share = heard / np.maximum(own + other + noise, 1e-30)
    beside = np.pad(own, ((0, 0), (1, 1), (0, 0)))  # an arrival may lie in the next cell
    most = varies * np.maximum(own, np.maximum(beside[:, :-2], beside[:, 2:]))
    mine = np.minimum(own * share, _ringing_on(own * share, most, own))
    steady = noise * np.minimum(share, varies)
    return mine, np.maximum(heard - mine - steady, 0.0)


def _ringing_on(claimed: Floats, most: Floats, own: Floats) -> Floats:
    """The most that is own sound (hits, cells, bands), where a ring may last longer than is usual for its kind.

    A ring that lasts only ever falls, a stroke that was missed rises: after its peak the own sound may stay where it
    was, by up to ``LASTS_DB`` above what is usual.
    """
    out = most.copy()
    lasts, again = 10 ** (LASTS_DB / 10), 10 ** (BEATS_DB / 10)
    peak = own.argmax(axis=1)
    level = np.full(own[:, 0].shape, np.inf)
    for c in range(own.shape[1]):
        fallen = np.where(np.isfinite(level), np.minimum(level * again, lasts * own[:, c]), 0.0)
        out[:, c] = np.maximum(most[:, c], fallen)
        mine = np.minimum(claimed[:, c], out[:, c])
        level = np.where(c >= peak, np.minimum(level, np.maximum(mine, 1e-18)), level)
    return out


def _sum_up(played: Played, m: int, block: Frames, own: Floats, other: Floats, noise: Floats, out: Windows) -> None:
    """Fill in what the cells of a block of hits in one mic add up to."""
    rate = played.scan.sample_rate / played.scan.hop
    window, strength = (round((BEFORE_S + s) * rate / CELL) for s in (AFTER_S, STRENGTH_S))
    out.own[block, m] = own[:, :window].sum(axis=1) * CELL
    out.other[block, m] = other[:, :window].sum(axis=1) * CELL
    out.strength[block, m] = own[:, :strength].sum(axis=(1, 2)) * CELL
    stop = _next_event(played, m, block)
    before_next = np.arange(own.shape[1])[None, :] < stop[:, None]
    long = own.shape[1] // LONG_CELLS * LONG_CELLS
    mine = own[:, :long].sum(axis=2).reshape(len(block), -1, LONG_CELLS).mean(axis=2)
    else_ = (other * before_next[..., None])[:, :long].reshape(len(block), -1, LONG_CELLS, own.shape[2]).mean(axis=2)
    out.own_peak[block, m] = mine.max(axis=1)
    out.other_peak[block, m] = else_.max(axis=(1, 2))
    loud, floor = other.sum(axis=2), noise.sum()
    spoilt = (loud > 10 ** (CLEAN_DB / 10) * own.sum(axis=2)) & (loud > floor) | ~before_next
    arrived = np.round((played.step[block, m] - played.start[block] + BEFORE_S * rate) / CELL).astype(np.int64)
    spoilt &= np.arange(own.shape[1])[None, :] >= arrived[:, None]
    end = np.where(spoilt.any(axis=1), spoilt.argmax(axis=1), own.shape[1])
    out.clean_s[block, m] = np.maximum(end - arrived, 0) * CELL / rate


def laid_by_kind(laid: Laid, take: str, mic: str, begin: int, steps: int, hit: int) -> tuple[Floats, Floats]:
    """What strokes put into one mic from step ``begin`` of the take on, by their envelopes, mean squares.

    Returns the own sound of ``hit`` (steps, bands), and that of all other strokes by kind (kinds, steps, bands).
    """
    played, m, row = laid.played[take], laid.mics.index(mic), laid.row[hit]
    by_step, step = _by_step(laid.envelopes[:, m]), played.step[:, m]
    first, last = np.searchsorted(step, [begin - by_step.shape[1], begin + steps + len(AHEAD)]).tolist()
    reach = _reaches(by_step, played.gain[first:last], _unheard(played, m))
    own, others = np.zeros((steps, by_step.shape[2])), np.zeros((len(by_step), steps, by_step.shape[2]))
    for j in range(first, last):
        for k in np.flatnonzero(played.gain[j]).tolist():
            mine = j == row and k == played.kind[j]
            stroke = by_step[k, : reach[j - first, k]]
            _add(own if mine else others[k], int(step[j]) - begin, stroke, played.gain[j, k])
    return own, others


def _next_event(played: Played, m: int, block: Frames) -> Frames:
    """Cells (hits,) of each hit's window that end before the next event reaches the mic."""
    rate = played.scan.sample_rate / played.scan.hop
    following = np.searchsorted(played.start, played.start[block] + EVENT_S * rate, side="right")
    reaches = np.append(played.step[:, m], np.iinfo(np.int64).max // 2)[following]
    begin = played.start[block] - BEFORE_S * rate
    return np.asarray((reaches - 2 - begin) // CELL, np.int64)


VARIES_DB = 5.0
"""How far sounds lie from what is expected of them in one band and cell: twice the 2 to 3 dB by which alternates of one
strength differ (common practice, no source). More was something else."""

HEARD_SHARE = 0.25
"""What nothing explains is heard over a ring from this share of it on: it raises the whole by 1 dB, about the least
difference of levels that is heard (common practice, no source)."""

RISES_DB = 6.0
"""By this it grows: beats of a ring come up again by half as much (common practice, no source)."""

RISE_CELLS = 15
"""Over so many cells before, about 170 ms, is looked for what it rises from."""

SUDDEN_SHARE = 0.1
"""A stroke comes up at once: one that is 10 dB below the ring is told by that where its level alone tells nothing."""

SUDDEN_CELLS = 3
"""The 35 ms in which a stroke is loudest."""

STEADY_CELLS = 8
"""It stands in some band above all that was heard there in the 90 ms before, by more than sounds vary."""


def risen(own: Floats, other: Floats, laid: Floats, noise: Floats, first: Frames, last: Frames, length: int) -> Floats:
    """Where something rises first in the ring of each hit in one mic.

    ``own``, ``other``: float64 (hits, cells, bands), what was heard as the hit's own and as everything else; ``laid``:
    the same, what strokes are expected to put there; ``noise``: float64 (bands,), the steady noise, all of them mean
    squares; ``first``, ``last``: int64 (hits,), cells from which on and up to which it is looked for; ``length``: cells
    that are looked at together. Returns float64 (hits, 3), the cell before it, its mean square over the cells that
    tell it and that of the ring there; NaN where nothing rises.
    """
    rest, ring = _unexplained(other, laid, noise), own.sum(axis=2)
    sudden = _sudden(own + other, noise, first)
    found = (_grown(rest, ring, first, last, length), _come_up(rest, ring, sudden, first, last))
    later = ~(found[0][:, 0] <= np.nan_to_num(found[1][:, 0], nan=np.inf))
    return np.where(later[:, None], found[1], found[0])


def _grown(rest: Floats, ring: Floats, first: Frames, last: Frames, length: int) -> Floats:
    """Where what nothing explains has grown, and is heard over the ring; as ``risen`` gives it, from (hits, cells)."""
    whole = np.lib.stride_tricks.sliding_window_view(np.stack([rest, ring]), length, axis=2)
    cells, (more, ring) = whole[0], whole.mean(axis=3)
    peak, again = ring.max(axis=1), 10 ** (RISES_DB / 10)
    out = np.full((len(rest), 3), np.nan)
    stop = np.minimum(last, rest.shape[1])
    for i in np.flatnonzero(stop - first >= 2 * length).tolist():
        for c in range(int(first[i]) + length, int(stop[i]) - length + 1):
            least = more[i, max(int(first[i]), c - RISE_CELLS) : c - length + 1].min()
            if more[i, c] > max(HEARD_SHARE * ring[i, c], again * least):
                if more[i, c] <= peak[i]:
                    out[i] = c + int(np.argmax(cells[i, c] >= more[i, c])) - 1, more[i, c], ring[i, c]
                break
    return out


def _come_up(rest: Floats, ring: Floats, sudden: Floats, first: Frames, last: Frames) -> Floats:
    """Where what nothing explains comes up at once; as ``risen`` gives it, from (hits, cells)."""
    more, ring = (np.lib.stride_tricks.sliding_window_view(x, SUDDEN_CELLS, axis=1).mean(axis=2) for x in (rest, ring))
    cells = np.arange(more.shape[1])
    stop = np.minimum(last, rest.shape[1]) - SUDDEN_CELLS
    there = (cells >= first[:, None] + SUDDEN_CELLS) & (cells <= stop[:, None])
    there &= np.minimum(more, sudden[:, : len(cells)]) > SUDDEN_SHARE * ring
    there &= more <= ring.max(axis=1)[:, None]
    at = there.argmax(axis=1)
    told = np.stack([at + 0.0, *(x[np.arange(len(at)), at] for x in (more, ring))], axis=1)
    return np.where(np.any(there, axis=1, keepdims=True), told, np.nan)


def _unexplained(other: Floats, laid: Floats, noise: Floats) -> Floats:
    """What of everything else neither strokes nor the noise can be, over all bands (hits, cells)."""
    varies = 10 ** (VARIES_DB / 10)
    more = np.maximum(other - varies * laid, 0.0)
    return np.asarray(np.where(more > varies * noise, more, 0.0).sum(axis=2))


def _sudden(heard: Floats, noise: Floats, first: Frames) -> Floats:
    """What stands in the next two cells above all that was heard in its band since ``first``, over all bands (hits,
    cells).
    """
    before = np.where(np.arange(heard.shape[1])[None, :, None] < first[:, None, None], 0.0, heard)
    before = np.lib.stride_tricks.sliding_window_view(
        np.pad(before, ((0, 0), (STEADY_CELLS, 0), (0, 0))), STEADY_CELLS, axis=1).max(axis=3)[:, :-1]
    now = np.maximum(heard, np.pad(heard[:, 1:], ((0, 0), (0, 1), (0, 0))))
    up = now > 10 ** (VARIES_DB / 10) * np.maximum(before, noise)
    return np.asarray(np.where(up, now - before, 0.0).sum(axis=2))
