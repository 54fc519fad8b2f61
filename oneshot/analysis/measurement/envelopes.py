"""Envelopes: every stroke of a take rendered over time, in each mic and band, and the energy of each window shared out
between them.

Each template has an *envelope*: its energy from arrival on, in time stretches that widen, far beyond the 200 ms in
which strokes are sorted. It is learned stretch by stretch as the median over the strokes that stand clear of the level
before them, up to the next one; beyond what was measured it is extrapolated at its decay rate.

Energies of uncorrelated sounds add. So each moment is modelled as the steady noise, the hit's own stroke, and every
other stroke's envelope times its activation, shifted to its time (the rendered envelope). The level just before an
arrival corrects what earlier strokes are predicted to leave. What was measured, band by band and about 11 ms at a time,
is then shared out in proportion (the power ratio of a Wiener filter). Strokes of one template vary; what exceeds that
was not detected, or is no stroke at all, and counts as bleed.

Last, a sound that rises by itself in a hit's tail, where no stroke was found (``risen``). A tail only decays, and so
does what was there before the hit. What neither they nor the noise nor any stroke found can explain, and what grows
while they decay, is another sound: mostly a soft stroke masked by a loud one's tail, which few mics pick up well enough
to sort it. One that begins with the hit is struck together with it, and ends no tail; nor does one that is louder than
the hit, in a mic that hardly picks up the hit.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.measurement import own_rises
from oneshot.analysis.records import EVENT_S, STRETCH_STEPS, Played, Rendered, TakeScan, Templates, mean_squares
from oneshot.core.records.session import Floats, Frames
from oneshot.core.workers import spread

EDGES = np.array([0, 2, 4, 6, 8, 12, 16, 24, 32, 48, 72, 104, 144, 208, 288, 416, 576, 800, 1120], np.int64)
"""Edges of an envelope's time stretches, in steps after the arrival: to about 3 s, each wider than the one before."""

CLEAR = 2.0
"""A stretch is learned from where it is this many times (3 dB) the level before."""

FEWEST = 3
"""Where fewer strokes than this are clear, the first 200 ms are those of the template."""

SLOWEST_DB, FASTEST_DB = 0.085, 0.8
"""Bounds of an envelope's extrapolated decay, dB per step: 60 dB in 2 s and in a fifth of a second. Rooms and drums
decay within 2 s (common practice, no source); a cymbal that rings longer shows it in its loud strokes.
"""

INAUDIBLE = 0.01
"""An envelope ends where it stays this far (20 dB) below the noise in every band."""

CELL = 4
"""Steps that are shared out at once, about 11 ms: as long as the scan's window."""

LONG_CELLS = 5
"""Cells in a step of grading, about 55 ms."""

BEFORE_S, AFTER_S = 0.005, 0.2
"""The window in which a hit is compared with its bleed."""

STRENGTH_S = 0.3
"""The first part of a hit, from which its strength is measured."""

LOOK_S = 0.4
"""How far a hit is followed."""

TAIL_STEPS = (-6, -2)
"""Where the tail of earlier sounds is read: 17 to 6 ms before the arrival, clear of the analysis window of the hit
itself.
"""

STEADY_STEPS = ((-142, -107), (-37, -2))
"""Where it is read if the last stroke was so long ago that only its ring is left: 95 ms at either end of the last
380. A ring's bands fluctuate: over 11 ms they are read up to 5 dB wrong either way, and how fast they decay not at all.
"""

HEAD_STEPS = 16
"""The first 45 ms of a hit, in which its level in a mic is compared with the expected one."""

RECENT_STEPS = 10
"""A stroke nearer than this to the next arrival is still rising where the tail should be read: nothing is corrected."""

LOWER, RAISE = 0.1, 4.0
"""How far the measured tail scales the earlier strokes' envelopes (-10 and +6 dB); more is some other sound's tail."""

PATH_VARIATION_DB = 6.0
"""How far the paths of a drum's templates to one mic may differ in a band: rim and centre lie 18 cm apart."""

IN_PLAY_S = 1.0
"""A drum is in play where it is struck this near, before or after: two beats at 120 a minute."""

SUSTAIN_DB = 15.0
"""How far above its template's envelope a tail may lie in the end: of two strokes, one that rings 300 ms and one that
rings 500 ms (60 dB) are 16 dB apart after 200 ms.
"""

BEATING_DB = 3.0
"""How far a decaying tail may come up again between two cells: partials beat, and noise varies."""

CLEAN_DB = -10.0
"""A mic stays clean until bleed comes this near to the hit's own sound, above the noise."""

AHEAD = (0.3, 0.03)
"""Shares of the first step's energy that fall into the scan's window one and two steps early (a Hann window,
squared).
"""

BLOCK_HITS = 128


@dataclass(frozen=True, slots=True, eq=False)
class Windows:
    """What is in each hit's window; NaN where the take lacks the mic. Energies are mean squares times steps.

    ``own``, ``other``: float64 (hits, mics, bands), own sound and bleed, 5 ms before to 200 ms after; ``strength``:
    float64 (hits, mics), own energy over 300 ms; ``own_peak``: float64 (hits, mics), mean square of the own sound's
    loudest 55 ms, all bands together; ``other_peak``: float64 (hits, mics), mean square of the bleed in its loudest
    band and 55 ms up to the next event; ``clean_s``: float64 (hits, mics), seconds for which bleed stays 10 dB below
    the own sound, at most to the next event or for ``LOOK_S``; ``heard``, ``expected``: float64 (hits, mics), mean
    square of the first 45 ms as measured, and as rendered (NaN where the hit does not dominate them). ``risen``:
    float64 (hits, mics, 3), a sound that rises in the own tail before the next event and that no stroke explains: the
    scan's step before it, its mean square over 55 ms, and that of the tail there; NaN where there is none.
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


# ---------------------------------------------------------------------------------------------------- envelopes learned


def learn(played: list[Played], templates: Templates) -> Floats:
    """Envelopes, float64 (templates, mics, bands, stretches): mean squares at activation 1, 0 in bands never
    measured.
    """
    n_templates, mics, bands = templates.energy.shape[:3]

    def in_mic(m: int) -> Floats:
        """Those in one mic."""
        out = np.zeros((n_templates, bands, len(EDGES) - 1))
        for k in range(n_templates):
            parts = [_ratios(each, k, m) for each in played if each.rows[m] >= 0]
            tail = np.concatenate(parts) if parts else np.zeros((0, bands, len(EDGES) - 1))
            out[k] = _envelope(tail, templates.energy[k, m])
        return out

    return np.stack(spread(in_mic, range(mics)), axis=1)


def own_share(envelopes: Floats, drum: Frames, home: Frames, stands: NDArray[np.bool_]) -> Floats:
    """How much of each envelope is the drum's own, float64 (templates, mics, bands), 0 to 1: all but what only a
    partner can have put there.

    The path from a drum to a mic is the same however the drum is struck. So in each band a drum's templates stand at
    one ratio between that mic and the home mic; a template that stands ``PATH_VARIATION_DB`` above the lowest of them
    there was learned from hits that always had another drum with them, as a crash falls on a kick. Mics that stand at
    the drum pick up its parts, one the head and another the wires, each of which responds in its own way: there all is
    its own.

    ``drum``: int64 (templates,); ``home``: int64 (templates,), the home mic's row, -1 where it has none here;
    ``stands``: bool (templates, mics), which mics stand at the template's drum.
    """
    energy = (envelopes * np.diff(EDGES)).sum(axis=-1)
    out = np.ones(energy.shape)
    for number in np.unique(drum).tolist():
        rows = np.flatnonzero((drum == number) & (home >= 0))
        if len(rows) < 2:
            continue
        at_home = energy[rows, home[rows]][:, None, :]
        ratio = np.where((energy[rows] > 0) & (at_home > 0), energy[rows] / np.maximum(at_home, 1e-30), np.inf)
        upper_bound = ratio.min(axis=0) * 10 ** (PATH_VARIATION_DB / 10)
        known = np.isfinite(ratio)
        known &= ~stands[rows][:, :, None]
        out[rows] = np.where(known, np.minimum(1.0, upper_bound / np.where(known, ratio, 1.0)), 1.0)
    return out


def mean_measured(scan: TakeScan, row: int, step: Frames, first: int, last: int) -> Floats:
    """Measured energies (hits, bands) of one mic, mean over steps [first, last) from each of ``step``; 0 beyond the
    take.
    """
    index = step[:, None] + np.arange(first, last)
    inside = (index >= 0) & (index < scan.level_db.shape[1])
    levels = scan.level_db[row][np.clip(index, 0, scan.level_db.shape[1] - 1)]
    out: Floats = (mean_squares(levels) * inside[..., None]).mean(axis=1)
    return out


def _ratios(played: Played, k: int, m: int) -> Floats:
    """Energy over activation (hits, bands, stretches) of the hits that are one stroke of template ``k``, NaN where not
    clear.
    """
    rows = np.flatnonzero(((played.activation > 0).sum(axis=1) == 1) & (played.template == k))
    row, step = int(played.rows[m]), played.step[rows, m]
    following = np.append(played.step[1:, m], np.iinfo(np.int64).max // 2)[rows] - step
    following = np.minimum(following, played.scan.level_db.shape[1] - step)
    floor = np.maximum(mean_measured(played.scan, row, step, *TAIL_STEPS), 10 ** (played.scan.noise_db[row] / 10))
    out = np.full((len(rows), floor.shape[1], len(EDGES) - 1), np.nan)
    for s, (first, last) in enumerate(zip(EDGES[:-1].tolist(), EDGES[1:].tolist(), strict=True)):
        use = np.flatnonzero(following > last + 2)
        own = mean_measured(played.scan, row, step[use], first, last) - floor[use]
        out[use, :, s] = np.where(own > CLEAR * floor[use], own / played.activation[rows[use], k, None], np.nan)
    return out


def _envelope(tail: Floats, known: Floats) -> Floats:
    """One template's envelope in one mic (bands, stretches), from clear ratios and the template (bands, 5
    stretches).
    """
    centre = (EDGES[:-1] + EDGES[1:]) / 2
    count = (~np.isnan(tail)).sum(axis=0)
    level = np.full(tail.shape[1:], np.nan)
    level[count > 0] = np.nanmedian(10 * np.log10(tail[:, count > 0]), axis=0)
    of = np.searchsorted([last for _, last in STRETCH_STEPS], centre)
    for s in np.flatnonzero(of < len(STRETCH_STEPS)):
        template = known[:, of[s]]
        fallback = np.where(template > 0, 10 * np.log10(np.maximum(template, 1e-30)), np.nan)
        level[:, s] = np.where(count[:, s] >= FEWEST, level[:, s], fallback)
    for row in level:
        at = np.flatnonzero(~np.isnan(row))
        if len(at):
            row[:] = _extrapolated(row, centre, at)
    return np.where(np.isnan(level), 0.0, 10 ** (level / 10))


def _extrapolated(level_db: Floats, centre: Floats, known: Frames) -> Floats:
    """Levels (stretches,) with gaps interpolated and the end extrapolated at the decay rate of the last part."""
    last = int(known[-1])
    out = np.interp(centre, centre[known], level_db[known])
    early = known[centre[known] <= centre[last] / 2.5]
    since = int(early[-1]) if len(early) else int(known[0])
    fall = (out[since] - out[last]) / max(centre[last] - centre[since], 1.0)
    beyond = centre > centre[last]
    out[beyond] = out[last] - np.clip(fall, SLOWEST_DB, FASTEST_DB) * (centre[beyond] - centre[last])
    return out


def _by_step(envelopes: Floats) -> Floats:
    """Envelopes (templates, bands, stretches) step by step: (templates, steps, bands), linear in dB between the
    centres.
    """
    centre, step = (EDGES[:-1] + EDGES[1:] - 1) / 2, np.arange(EDGES[-1])
    at = np.clip(np.searchsorted(centre, step, side="right") - 1, 0, len(centre) - 2)
    share = np.clip((step - centre[at]) / (centre[at + 1] - centre[at]), 0.0, 1.0)
    level = np.log(np.maximum(envelopes, 1e-18))
    out = np.exp(level[..., at] * (1 - share) + level[..., at + 1] * share)
    return np.moveaxis(np.where(envelopes.max(axis=-1, keepdims=True) > 0, out, 0.0), -1, 1)


# ---------------------------------------------------------------------------------------------------- energy shared out


def in_play(at: Floats, strokes: Floats) -> NDArray[np.bool_]:
    """Whether each moment (hits,), s, has one of ``strokes``, in order of time, within ``IN_PLAY_S``."""
    after = np.searchsorted(strokes, at - IN_PLAY_S)
    return np.asarray(np.append(strokes, np.inf)[after] < at + IN_PLAY_S)


def split(played: Played, envelopes: Floats, own_share: Floats, drum: Frames) -> Windows:
    """Share out the measured energy in every hit's window, mic by mic.

    ``own_share``: float64 (templates, mics, bands), how much of its envelope is a stroke's own where another drum is in
    play; in single hits all of it is. ``drum``: int64 (templates,).
    """
    beside = _beside_others(played, drum)
    share = np.where(beside[:, None, None], own_share[played.template], 1.0)
    hits, mics, bands = len(played.start), len(played.rows), envelopes.shape[2]
    shapes = [(hits, mics, bands)] * 2 + [(hits, mics)] * 6 + [(hits, mics, 3)]
    out = Windows(*(np.full(shape, np.nan) for shape in shapes))

    usually = _usual_rises(played, np.flatnonzero(~beside))

    def in_mic(m: int) -> tuple[Floats, ...]:
        """The figures of one mic."""
        by_step = _by_step(envelopes[:, m])
        reach = _reaches(by_step, played.activation, _inaudible(played, m))
        usual = np.zeros((hits, *usually[m].shape[1:]))
        usual[~beside] = usually[m]
        for block in _blocks(hits):
            _split_block(played, by_step, reach, share[:, m], ~beside[block], usual[block], m, block, out)
        return tuple(getattr(out, item.name)[:, m] for item in fields(out))

    there = np.flatnonzero(played.rows >= 0).tolist()
    for m, found in zip(there, spread(in_mic, there), strict=True):
        for item, column in zip(fields(out), found, strict=True):
            getattr(out, item.name)[:, m] = column
    return out


def _beside_others(played: Played, drum: Frames) -> NDArray[np.bool_]:
    """Whether another drum than a hit's own is in play, bool (hits,)."""
    at = played.start * played.scan.hop / played.scan.sample_rate
    out = np.zeros(len(at), bool)
    for number in np.unique(drum).tolist():
        mine = (played.activation[:, drum == number] > 0).any(axis=1)
        out |= in_play(at, at[mine]) & (drum[played.template] != number)
    return out


def _blocks(hits: int) -> Iterator[Frames]:
    """Rows of hits in blocks, to limit memory."""
    for first in range(0, hits, BLOCK_HITS):
        yield np.arange(first, min(first + BLOCK_HITS, hits))


def _split_block(played: Played, by_step: Floats, reach: Frames, own_share: Floats, lone: NDArray[np.bool_],
                 usual: Floats, m: int, block: Frames, out: Windows) -> None:
    """Fill in a block of hits in one mic; ``lone``: bool (hits of the block,), no other drum is in play; ``usual``:
    float64 (hits of the block, cells, bands), by how much their ring rises again.
    """
    scan, row = played.scan, int(played.rows[m])
    rate = scan.sample_rate / scan.hop
    begin, cells = _begins(played, block), _cells(rate)
    noise = 10 ** (scan.noise_db[row] / 10)
    earlier, others, own, expected = _rendered(played, by_step, reach, m, block, begin, cells * CELL)
    earlier_tail = _corrected(played, m, block, earlier, expected, begin)
    measured = _measured(scan, row, begin, cells * CELL)
    early = np.clip((played.step[block, m] - begin)[:, None] + np.arange(HEAD_STEPS), 0, cells * CELL - 1)[..., None]
    out.heard[block, m] = np.take_along_axis(measured, early, 1).mean(axis=1).sum(axis=1)
    mine, rest = (np.take_along_axis(x, early, 1).mean(axis=1).sum(axis=1) for x in (own, earlier + others + noise))
    out.expected[block, m] = np.where(mine > CLEAR * rest, mine + rest, np.nan)
    own *= own_share[block][:, None, :]
    parts = [x.reshape(len(block), cells, CELL, -1).mean(axis=2) for x in (measured, own, earlier_tail + others)]
    arrived = (played.step[block, m] - begin) // CELL
    mine, other = _share(parts[0], parts[1], parts[2], noise, np.where(lone, arrived, -1), usual)
    _sum_up(played, m, block, mine, other, noise, out)
    first, last = arrived + LONG_CELLS, _next_event(played, m, block)
    out.risen[block, m] = risen(mine, other, parts[2], noise, first, last, LONG_CELLS)
    out.risen[block, m, 0] = out.risen[block, m, 0] * CELL + begin


def _rendered(played: Played, by_step: Floats, reach: Frames, m: int, block: Frames, begin: Frames,
              length: int) -> tuple[Floats, Floats, Floats, Floats]:
    """The strokes in the windows of a block, rendered by their envelopes. ``reach``: as from ``_reaches``.

    Returns earlier strokes, all others but the own one, and the own one, each (hits, steps, bands), and what the
    earlier ones leave where the tail is read (hits, bands).
    """
    step = played.step[:, m]
    first = int(np.searchsorted(step, step[block[0]] - by_step.shape[1]))
    last = int(np.searchsorted(step, begin[-1] + length))
    base = min(int(begin.min()), int((step - played.lead)[block].min())) + TAIL_STEPS[0]
    total = np.zeros((int(begin[-1]) + length - base, by_step.shape[2]))
    earlier, own, expected = (np.zeros((len(block), n, by_step.shape[2])) for n in (length, length, 1))
    for j in range(first, max(last, int(block[-1]) + 1)):
        here = j - int(block[0])
        if 0 <= here < len(block):
            a = int(begin[here]) - base
            earlier[here] = total[a : a + length]
            at = int(step[j] - played.lead[j]) - base
            expected[here] = total[at + TAIL_STEPS[0] : at + TAIL_STEPS[1]].mean(axis=0)
        for k in np.flatnonzero(played.activation[j]).tolist():
            stroke = by_step[k, : reach[j, k]]
            _add(total, int(step[j]) - base, stroke, played.activation[j, k])
            if 0 <= here < len(block) and k == played.template[j]:
                _add(own[here], int(step[j] - begin[here]), stroke, played.activation[j, k])
    everything = np.stack([total[int(b) - base : int(b) - base + length] for b in begin])
    return earlier, np.maximum(everything - earlier - own, 0.0), own, expected[:, 0]


def _inaudible(played: Played, m: int) -> Floats:
    """Mean squares (bands,) in one mic up to which nothing counts."""
    return np.asarray(10 ** (played.scan.noise_db[int(played.rows[m])] / 10) * INAUDIBLE)


def _reaches(by_step: Floats, gain: Floats, inaudible: Floats) -> Frames:
    """How many steps of each stroke's envelope can matter, int64 (hits, templates), from activations of that shape."""
    halves = [by_step.shape[1]]
    while halves[-1] > 1:
        halves.append(halves[-1] // 2)
    out = np.zeros(gain.shape, np.int64)
    for k, envelope in enumerate(by_step):
        hit = np.flatnonzero(gain[:, k])
        # the envelope decays: halves are dropped while even their last step is inaudible
        measured = (gain[hit, k, None, None] * envelope[np.array(halves) - 1] > inaudible).any(axis=2)
        measured[:, -1] = True
        out[hit, k] = np.minimum(2 * np.array(halves)[measured.argmax(axis=1)], len(envelope))
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
    """What earlier strokes leave in the windows (hits, steps, bands), corrected by the tail measured before each
    arrival.
    """
    scan, row, step, lead = played.scan, int(played.rows[m]), played.step[block, m], played.lead[block]
    noise = 10 ** (scan.noise_db[row] / 10)
    tail = np.maximum(mean_measured(scan, row, step - lead, *TAIL_STEPS) - noise, 0.0)
    excess = (tail > noise) & (tail > expected)
    ratio = np.maximum(tail, noise) / np.maximum(expected, 1e-30)
    move = np.where(excess, np.minimum(ratio, RAISE), np.minimum(ratio, 1.0))
    unknown = np.where(excess, np.maximum(tail - move * expected, 0.0), 0.0)
    gap = step - np.append(np.int64(-(2**40)), played.step[:-1, m])[block]
    recent = (gap < RECENT_STEPS)[:, None]
    move = np.where(recent, 1.0, np.maximum(move, LOWER))
    since = np.arange(earlier.shape[1], dtype=np.float64) - (step - lead - begin)[:, None]
    fading = _fading(played.fade_db[block, m], since - sum(TAIL_STEPS) / 2)
    out: Floats = earlier * move[:, None, :] + np.where(recent, 0.0, unknown)[:, None, :] * fading
    steady = np.flatnonzero((gap >= -2 * STEADY_STEPS[0][0]) & (step - lead >= -STEADY_STEPS[0][0]))
    out[steady] = _ringing_on(scan, row, (step - lead)[steady], since[steady], tail[steady], out[steady])
    return out


def _ringing_on(scan: TakeScan, row: int, step: Frames, since: Floats, tail: Floats, unsteady: Floats) -> Floats:
    """What rings on (hits, steps, bands) in one mic at ``since``, float64 (hits, steps), after each of ``step``, as
    measured before it; nothing else was struck for long. A fall as far as a ring beats is no decay. Where none stands
    out of the noise, or the last ``tail`` (hits, bands) stands out of it because something has begun: ``unsteady``, as
    from that.
    """
    noise = 10 ** (scan.noise_db[row] / 10)
    early, late = (np.maximum(mean_measured(scan, row, step, *ends) - noise, 0.0) for ends in STEADY_STEPS)
    fall_db = 10 * np.log10(np.maximum(early, noise) / np.maximum(late, noise))
    then, now = (sum(ends) / 2 for ends in STEADY_STEPS)
    rate_db = np.clip((fall_db - BEATING_DB) / (now - then), 0.0, FASTEST_DB)
    ring = late[:, None, :] * _fading(rate_db, since - now)
    steady = (late > noise) & (tail < 10 ** (VARIATION_DB / 10) * late)
    return np.where(steady[:, None, :], ring, unsteady)


def _fading(rate_db: Floats, since: Floats) -> Floats:
    """What is left (hits, steps, bands) of sounds that decay by ``rate_db`` a step (hits, bands), ``since`` that many
    steps (hits, steps).
    """
    return np.asarray(10 ** (-rate_db[:, None, :] * np.maximum(since, 0.0)[..., None] / 10))


def _share(measured: Floats, own: Floats, other: Floats, noise: Floats, lone: Frames,
           usual: Floats) -> tuple[Floats, Floats]:
    """Own sound and bleed, each (hits, cells, bands), from the measured and the expected energy.

    A stroke as a whole may lie above or below its template in one band, by ``VARIATION_DB`` at most; the scale is
    fitted on the cells that it dominates. Of a stroke beside which no other drum is in play all is its own that begins
    with it and decays, however unlike its template that is: ``lone``, int64 (hits,), is the cell in which such a one
    arrives, -1 for all others; ``usual``: float64 (hits, cells, bands), by how much such a
    one's ring rises again.
    """
    variation = 10 ** (VARIATION_DB / 10)
    dominates = own > 2 * (other + noise)
    detected = (own * dominates).sum(axis=1)
    scale_fit = (np.maximum(measured - other - noise, 0.0) * dominates).sum(axis=1) / np.maximum(detected, 1e-30)
    own = own * np.where(detected > 0, np.clip(scale_fit, 1 / variation, variation), 1.0)[:, None]
    share = measured / np.maximum(own + other + noise, 1e-30)
    neighbours = np.pad(own, ((0, 0), (1, 1), (0, 0)))  # an arrival may lie in the next cell
    upper_bound = variation * np.maximum(own, np.maximum(neighbours[:, :-2], neighbours[:, 2:]))
    mine = np.minimum(own * share, _sustained(own * share, upper_bound, own))
    alone = np.flatnonzero(lone >= 0)
    excess = np.maximum(measured - other - noise, 0.0)[alone]
    mine[alone] = np.maximum(mine[alone], _decaying(excess, lone[alone], usual[alone]))
    steady = noise * np.minimum(share, variation)
    return mine, np.maximum(measured - mine - steady, 0.0)


def _sustained(claimed: Floats, upper_bound: Floats, own: Floats) -> Floats:
    """Upper bound of the own sound (hits, cells, bands), where a tail may last longer than is usual for its template.

    A tail that lasts only ever decays, a stroke that was missed rises: after its peak the own sound may stay where it
    was, by up to ``SUSTAIN_DB`` above what is usual.
    """
    out = upper_bound.copy()
    sustain, beating = 10 ** (SUSTAIN_DB / 10), 10 ** (BEATING_DB / 10)
    peak = own.argmax(axis=1)
    level = np.full(own[:, 0].shape, np.inf)
    for c in range(own.shape[1]):
        fallen = np.where(np.isfinite(level), np.minimum(level * beating, sustain * own[:, c]), 0.0)
        out[:, c] = np.maximum(upper_bound[:, c], fallen)
        mine = np.minimum(claimed[:, c], out[:, c])
        level = np.where(c >= peak, np.minimum(level, np.maximum(mine, 1e-18)), level)
    return out


def _decaying(excess: Floats, arrived: Frames, usual: Floats | None = None) -> Floats:
    """As ``own_rises.decaying`` has it, of cells."""
    return own_rises.decaying(excess, arrived, HEAD_STEPS // CELL, 10 ** (BEATING_DB / 10), usual)


def _usual_rises(played: Played, lone: Frames) -> dict[int, Floats]:
    """By how much the ring of each of ``lone``, rows of hits beside which no other drum is in play, usually rises
    again: mic -> float64 (hits, cells, bands), mean squares, learned from these hits together.
    """
    there = np.flatnonzero(played.rows >= 0).tolist()
    cells, begin = _cells(played.scan.sample_rate / played.scan.hop), _begins(played, lone)
    noise = 10 ** (played.scan.noise_db[played.rows[there]] / 10)
    excess = np.zeros((len(there), len(lone), cells, noise.shape[1]))
    for k, m in enumerate(there):
        row, step = int(played.rows[m]), played.step[lone, m] - played.lead[lone]
        for some in _blocks(len(lone)):
            before = np.maximum(mean_measured(played.scan, row, step[some], *TAIL_STEPS), noise[k])
            heard = _measured(played.scan, row, begin[some], cells * CELL).reshape(len(some), cells, CELL, -1)
            excess[k, some] = np.maximum(heard.mean(axis=2) - before[:, None, :], 0.0)
    arrived, template = (played.step[lone].T[there] - begin) // CELL, played.template[lone]
    placed = own_rises.from_the_place(excess, arrived, noise, template)
    return {m: placed * own_rises.usual_rises(excess[k], _decaying(excess[k], arrived[k]), _next_event(played, m, lone),
                                              template) for k, m in enumerate(there)}


def _begins(played: Played, hits: Frames) -> Frames:
    """The step in which the window of each of ``hits`` begins."""
    return np.round(played.start[hits] - BEFORE_S * played.scan.sample_rate / played.scan.hop).astype(np.int64)


def _cells(rate: float) -> int:
    """Cells of a hit's window, ``rate`` steps a second."""
    return -(-round((BEFORE_S + LOOK_S) * rate) // CELL)


def _measured(scan: TakeScan, row: int, begin: Frames, steps: int) -> Floats:
    """What was measured in one mic (hits, steps, bands) from each step of ``begin`` on; 0 beyond the take."""
    index = begin[:, None] + np.arange(steps)
    inside = (index >= 0) & (index < scan.level_db.shape[1])
    out: Floats = mean_squares(scan.level_db[row][np.clip(index, 0, scan.level_db.shape[1] - 1)]) * inside[..., None]
    return out


def _sum_up(played: Played, m: int, block: Frames, own: Floats, other: Floats, noise: Floats, out: Windows) -> None:
    """Fill in the sums over the cells of a block of hits in one mic."""
    rate = played.scan.sample_rate / played.scan.hop
    window, strength = (round((BEFORE_S + s) * rate / CELL) for s in (AFTER_S, STRENGTH_S))
    out.own[block, m] = own[:, :window].sum(axis=1) * CELL
    out.other[block, m] = other[:, :window].sum(axis=1) * CELL
    out.strength[block, m] = own[:, :strength].sum(axis=(1, 2)) * CELL
    stop = _next_event(played, m, block)
    before_next = np.arange(own.shape[1])[None, :] < stop[:, None]
    long = own.shape[1] // LONG_CELLS * LONG_CELLS
    mine = own[:, :long].sum(axis=2).reshape(len(block), -1, LONG_CELLS).mean(axis=2)
    rest = (other * before_next[..., None])[:, :long].reshape(len(block), -1, LONG_CELLS, own.shape[2]).mean(axis=2)
    out.own_peak[block, m] = mine.max(axis=1)
    out.other_peak[block, m] = rest.max(axis=(1, 2))
    loud, floor = other.sum(axis=2), noise.sum()
    masked = (loud > 10 ** (CLEAN_DB / 10) * own.sum(axis=2)) & (loud > floor) | ~before_next
    arrived = np.round((played.step[block, m] - played.start[block] + BEFORE_S * rate) / CELL).astype(np.int64)
    masked &= np.arange(own.shape[1])[None, :] >= arrived[:, None]
    end = np.where(masked.any(axis=1), masked.argmax(axis=1), own.shape[1])
    out.clean_s[block, m] = np.maximum(end - arrived, 0) * CELL / rate


def rendered_by_template(laid: Rendered, take: str, mic: str, begin: int, steps: int,
                         hit: int) -> tuple[Floats, Floats]:
    """Strokes in one mic from step ``begin`` of the take on, rendered by their envelopes, mean squares.

    Returns the own sound of ``hit`` (steps, bands), and that of all other strokes by template (templates, steps,
    bands).
    """
    played, m, row = laid.played[take], laid.mics.index(mic), laid.row[hit]
    by_step, step = _by_step(laid.envelopes[:, m]), played.step[:, m]
    first, last = np.searchsorted(step, [begin - by_step.shape[1], begin + steps + len(AHEAD)]).tolist()
    reach = _reaches(by_step, played.activation[first:last], _inaudible(played, m))
    own, others = np.zeros((steps, by_step.shape[2])), np.zeros((len(by_step), steps, by_step.shape[2]))
    for j in range(first, last):
        for k in np.flatnonzero(played.activation[j]).tolist():
            is_own = j == row and k == played.template[j]
            stroke = by_step[k, : reach[j - first, k]]
            _add(own if is_own else others[k], int(step[j]) - begin, stroke, played.activation[j, k])
    return own, others


def _next_event(played: Played, m: int, block: Frames) -> Frames:
    """Cells (hits,) of each hit's window that end before the next event reaches the mic."""
    rate = played.scan.sample_rate / played.scan.hop
    following = np.searchsorted(played.start, played.start[block] + EVENT_S * rate, side="right")
    reaches = np.append(played.step[:, m], np.iinfo(np.int64).max // 2)[following]
    begin = played.start[block] - BEFORE_S * rate
    return np.asarray((reaches - 2 - begin) // CELL, np.int64)


# ------------------------------------------------------------------------------------------- sounds that rise in a tail

VARIATION_DB = 5.0
"""How far sounds deviate from what is expected of them in one band and cell: twice the 2 to 3 dB by which round robins
of one strength vary (common practice, no source). More was something else.
"""

AUDIBLE_SHARE = 0.25
"""An unexplained sound is audible over a tail from this share of it on: it raises the whole by 1 dB, about the least
audible difference of levels (common practice, no source).
"""

RISE_DB = 6.0
"""It rises by this much: a beating tail comes up again by half as much (common practice, no source)."""

RISE_CELLS = 15
"""It is measured against the minimum of so many cells before, about 170 ms."""

SUDDEN_SHARE = 0.1
"""A stroke rises suddenly: one 10 dB below the tail shows by that where its level alone shows nothing."""

SUDDEN_CELLS = 3
"""The 35 ms in which a stroke is loudest."""

STEADY_CELLS = 8
"""In some band it stands above all that was there in the 90 ms before, by more than sounds vary."""


def risen(own: Floats, other: Floats, laid: Floats, noise: Floats, first: Frames, last: Frames, length: int) -> Floats:
    """Where an unexplained sound first rises in the tail of each hit in one mic.

    ``own``, ``other``: float64 (hits, cells, bands), measured own sound and bleed; ``laid``: the same, strokes as
    rendered; ``noise``: float64 (bands,), the steady noise, all of them mean squares; ``first``, ``last``: int64
    (hits,), cells from which on and up to which it is looked for; ``length``: cells that are averaged. Returns float64
    (hits, 3), the cell before it, its mean square over the cells that show it and that of the tail there; NaN where
    nothing rises.
    """
    unexplained, own_tail = _unexplained(other, laid, noise), own.sum(axis=2)
    jump = _jump(own + other, noise, first)
    found = (_gradual_rise(unexplained, own_tail, first, last, length),
             _sudden_rise(unexplained, own_tail, jump, first, last))
    later = ~(found[0][:, 0] <= np.nan_to_num(found[1][:, 0], nan=np.inf))
    return np.where(later[:, None], found[1], found[0])


def _gradual_rise(unexplained: Floats, own_tail: Floats, first: Frames, last: Frames, length: int) -> Floats:
    """Where the unexplained sound has grown, and is audible over the tail; as ``risen`` returns it, from (hits,
    cells).
    """
    whole = np.lib.stride_tricks.sliding_window_view(np.stack([unexplained, own_tail]), length, axis=2)
    cells, (excess, own_tail) = whole[0], whole.mean(axis=3)
    peak, beating = own_tail.max(axis=1), 10 ** (RISE_DB / 10)
    out = np.full((len(unexplained), 3), np.nan)
    stop = np.minimum(last, unexplained.shape[1])
    for i in np.flatnonzero(stop - first >= 2 * length).tolist():
        for c in range(int(first[i]) + length, int(stop[i]) - length + 1):
            least = excess[i, max(int(first[i]), c - RISE_CELLS) : c - length + 1].min()
            if excess[i, c] > max(AUDIBLE_SHARE * own_tail[i, c], beating * least):
                if excess[i, c] <= peak[i]:
                    out[i] = c + int(np.argmax(cells[i, c] >= excess[i, c])) - 1, excess[i, c], own_tail[i, c]
                break
    return out


def _sudden_rise(unexplained: Floats, own_tail: Floats, jump: Floats, first: Frames, last: Frames) -> Floats:
    """Where the unexplained sound jumps up; as ``risen`` returns it, from (hits, cells)."""
    excess, own_tail = (np.lib.stride_tricks.sliding_window_view(x, SUDDEN_CELLS, axis=1).mean(axis=2)
                        for x in (unexplained, own_tail))
    cells = np.arange(excess.shape[1])
    stop = np.minimum(last, unexplained.shape[1]) - SUDDEN_CELLS
    detected = (cells >= first[:, None] + SUDDEN_CELLS) & (cells <= stop[:, None])
    detected &= np.minimum(excess, jump[:, : len(cells)]) > SUDDEN_SHARE * own_tail
    detected &= excess <= own_tail.max(axis=1)[:, None]
    at = detected.argmax(axis=1)
    event = np.stack([at + 0.0, *(x[np.arange(len(at)), at] for x in (excess, own_tail))], axis=1)
    return np.where(np.any(detected, axis=1, keepdims=True), event, np.nan)


def _unexplained(other: Floats, laid: Floats, noise: Floats) -> Floats:
    """Part of the bleed that neither strokes nor the noise can explain, over all bands (hits, cells)."""
    variation = 10 ** (VARIATION_DB / 10)
    excess = np.maximum(other - variation * laid, 0.0)
    return np.asarray(np.where(excess > variation * noise, excess, 0.0).sum(axis=2))


def _jump(measured: Floats, noise: Floats, first: Frames) -> Floats:
    """By how much the next two cells stand above all that was in their band since ``first``, over all bands (hits,
    cells).
    """
    before = np.where(np.arange(measured.shape[1])[None, :, None] < first[:, None, None], 0.0, measured)
    before = np.lib.stride_tricks.sliding_window_view(
        np.pad(before, ((0, 0), (STEADY_CELLS, 0), (0, 0))), STEADY_CELLS, axis=1).max(axis=3)[:, :-1]
    now = np.maximum(measured, np.pad(measured[:, 1:], ((0, 0), (0, 1), (0, 0))))
    up = now > 10 ** (VARIATION_DB / 10) * np.maximum(before, noise)
    return np.asarray(np.where(up, now - before, 0.0).sum(axis=2))
