"""Places: when the sound of each template arrives in every mic, stacked over its hits.

Sound takes 2.9 ms a metre, so where a drum stands shows in the delays between the mics, however it is struck. A single
hit shows them only in mics that were quiet before. Over all hits of a template they show everywhere: the attack is the
same each time, what goes on before it is not. So the energy envelopes of the hits (``STEP_S``, of the first difference
of the signal, which a low tail hardly reaches), in dB over the level before, are shifted against each other for the
best common fit over all mics and averaged; in the average, the onset in each mic is where it first stands out.

Shifting also finds hits whose arrival was measured late: a stroke with a soft beginning is heard from its beginning on
where it stands alone, and from its loud part on where it does not.

Two templates are compared by ``same_place``: how much more probable their delays are if the strokes fell on one drum
than if they fell on two. (Stacking as of repeated traces in seismology; the likelihood ratio by Bayes' rule.)
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from oneshot.analysis.result import Detected
from oneshot.audio.io import TakeReader
from oneshot.core import workers
from oneshot.core.lazy import later
from oneshot.core.records.session import Floats, Floats32, Frames, Mic

fft = later("scipy.fft")
ndimage = later("scipy.ndimage")

STEP_S = 1e-4
"""Step of the envelopes: 3 cm of sound."""

BEFORE_STEPS, LEAD_STEPS, WINDOW_STEPS, SHIFT_STEPS = 240, 60, 230, 150
"""An envelope begins this long before the first arrival; the part that is fitted begins ``LEAD_STEPS`` before it and
takes in what a near mic hears 5 m away; it is shifted by no more than an event lasts (15 ms).
"""

TOTAL_STEPS = BEFORE_STEPS - LEAD_STEPS + WINDOW_STEPS + SHIFT_STEPS

RISE_LIMIT_DB = 25.0
"""A rise counts no more than this: how quiet it was before says nothing of the hit."""

STANDS_OUT_DB = 6.0
"""The onset is where the average envelope first stands so far over the level before, or half of its own rise."""

FAINT_DB = 6.0
"""A mic in which no rise reaches this does not know the onset."""

ROUNDS = 4
"""Rounds of averaging and shifting; it settles in two or three."""

AT_ONCE = 64
"""Hits that a worker reads before it takes the next ones."""

STACKED_AT_ONCE = 16
"""Hits that are fitted before the next ones are: some 10 MB in 64 mics."""

TEMPLATE_ERROR_MS = 0.08
"""Error of an onset in an average that rises to the limit; it grows with the square of the rise that is lacking, as
noise and slope do.
"""

DRUM_MS = 0.10
"""How far the delays of one drum vary with the spot that is struck: 3 cm of path between two mics."""

FAR_MS, LEAST_MS = 3.0, 0.05
"""How far delays of different drums lie apart (Laplace distribution) is measured between these: a metre, 2 cm."""

STRAY_SHARE = 0.15
"""Share of the mics in which a delay may be anything, also of the same drum: an early reflection, a stand in the
way.
"""

EVIDENCE_LIMIT = 12.0
"""Natural logarithm: more certain than this no delays make anything, since they vary together."""


def envelopes(root: Path, heard: Sequence[Detected], mics: tuple[Mic, ...], rows: Frames) -> Floats32:
    """Rise of hits over the level before them, float32 (rows, mics, steps), dB, 0 to ``RISE_LIMIT_DB``; 0 in mics that
    a hit's take lacks.

    ``rows``: int64, hits over all takes, rising. Raises AudioError where a file cannot be read.
    """
    out = np.zeros((len(rows), len(mics), TOTAL_STEPS), np.float32)
    at = 0
    for each in heard:
        mine = np.flatnonzero((rows >= at) & (rows < at + len(each.arrivals.first)))
        if len(mine):
            _read_take(root, each, mics, each.arrivals.first[rows[mine] - at], out, mine)
        at += len(each.arrivals.first)
    return out


def _read_take(root: Path, heard: Detected, mics: tuple[Mic, ...], first: Frames, out: Floats32,
               rows: Frames) -> None:
    """Put the envelopes of a take's hits that arrive at ``first`` into these rows of ``out`` (hits, mics, steps), in
    the mics that it has.
    """
    names = [m.name for m in heard.take.mics]
    here = np.array([k for k, m in enumerate(mics) if m.name in names], np.int64)
    there = [names.index(mics[k].name) for k in here]
    edges = np.round((np.arange(TOTAL_STEPS + 1) - BEFORE_STEPS) * STEP_S * heard.take.sample_rate).astype(np.int64)

    def read(part: Frames) -> Floats32:
        """Those of some of them."""
        found = np.zeros((len(part), len(here), TOTAL_STEPS), np.float32)
        with TakeReader(root, heard.take, offset=heard.offset) as reader:
            for row, n in enumerate(part.tolist()):
                x = reader.read(int(first[n] + edges[0]) - 1, int(first[n] + edges[-1]))[there]
                power = np.add.reduceat(np.diff(x, axis=1) ** 2, edges[:-1] - edges[0], axis=1) / np.diff(edges)
                found[row] = _rise_db(power.astype(np.float32))
        return found

    pieces = workers.parted(np.arange(len(first)), AT_ONCE)
    for part, found in zip(pieces, workers.spread(read, pieces), strict=True):
        out[rows[part][:, None], here] = found


def _rise_db(power: Floats32) -> Floats32:
    """Mean squares (mics, steps) as rises over what there is before the hit, dB."""
    smooth = ndimage.uniform_filter1d(power, 3, axis=1) + np.float32(1e-20)
    steady = ndimage.uniform_filter1d(power, 5, axis=1)[:, : BEFORE_STEPS - LEAD_STEPS]
    before = np.percentile(steady, 80, axis=1) + 1e-20
    out: Floats32 = np.clip(10 * np.log10(smooth / before[:, None]), 0, RISE_LIMIT_DB).astype(np.float32)
    return out


def patterns(rise_db: Floats32, template: Frames, count: int) -> tuple[Floats, Floats]:
    """Onset of each template in each mic, and its error, both float64 (templates, mics), ms, NaN where not known.

    ``rise_db``: as from ``envelopes``; ``template``: int64 (hits,), the template of each, -1 for none. Onsets are
    relative to the same moment in all mics of a template.
    """
    onset, error = np.full((2, count, rise_db.shape[1]), np.nan)

    def of_template(k: int) -> tuple[Floats, Floats]:
        """Those of one template."""
        return _onsets_ms(_stacked(rise_db, np.flatnonzero(template == k)))

    there = np.unique(template[(template >= 0) & (template < count)]).tolist()
    for k, found in zip(there, workers.spread(of_template, there), strict=True):
        onset[k], error[k] = found
    return onset, error


def _stacked(rise_db: Floats32, rows: Frames) -> Floats:
    """The average envelope (mics, ``WINDOW_STEPS``) of some hits (hits, mics, steps), shifted for the best common fit.

    A few hits at a time are in memory in double precision: transforming them anew in every round takes less time than
    their spectra take room.
    """
    begin = BEFORE_STEPS - LEAD_STEPS
    parts = np.split(np.arange(len(rows)), np.arange(STACKED_AT_ONCE, len(rows), STACKED_AT_ONCE))
    peak = np.concatenate([rise_db[rows[part], :, begin : begin + WINDOW_STEPS].max(axis=2) for part in parts])
    peak = peak.astype(np.float64)
    weight = np.where(peak >= FAINT_DB, 10 ** (peak / 10), 0.0)  # as sure as it stands out
    share = weight / np.maximum(weight.max(axis=1, keepdims=True), 1e-9)
    own = np.concatenate([_own_energy(rise_db[rows[part]], share[part]) for part in parts])
    shift = np.zeros(len(rows), np.int64)
    for turn in range(ROUNDS + 1):
        mean = _average(rise_db, rows, begin + shift, weight)
        if turn == ROUNDS:
            break
        # squared, but for what no shift changes
        cost = own - 2 * np.concatenate([_common(rise_db[rows[part]], share[part], mean) for part in parts])
        better = cost.argmin(axis=1) - SHIFT_STEPS
        better = np.clip(better - int(np.median(better)), -SHIFT_STEPS, SHIFT_STEPS)
        if (better == shift).all():
            break
        shift = better
    return mean


def _average(rise_db: Floats32, rows: Frames, begin: Frames, weight: Floats) -> Floats:
    """The average (mics, ``WINDOW_STEPS``) of hits from step ``begin`` (hits,) on, by ``weight`` (hits, mics)."""
    total: Floats = np.zeros((rise_db.shape[1], WINDOW_STEPS))
    for row, first, its in zip(rows.tolist(), begin.tolist(), weight, strict=True):
        total += rise_db[row, :, first : first + WINDOW_STEPS] * its[:, None]
    out: Floats = total / np.maximum(weight.sum(axis=0), 1e-9)[:, None]
    return out


def _shifted() -> Frames:
    """The steps at which a fitted part may begin."""
    begin = BEFORE_STEPS - LEAD_STEPS
    return np.arange(begin - SHIFT_STEPS, begin + SHIFT_STEPS + 1)


def _own_energy(rise_db: Floats32, share: Floats) -> Floats:
    """Energy of each hit's envelope (hits, mics, steps) in its fitted part at every shift, over all mics, float64
    (hits, shifts).
    """
    starts = _shifted()
    total = np.concatenate([np.zeros((*rise_db.shape[:2], 1)), np.cumsum(rise_db.astype(np.float64) ** 2, axis=2)],
                           axis=2)
    out: Floats = ((total[..., starts + WINDOW_STEPS] - total[..., starts]) * share[..., None]).sum(axis=1)
    return out


def _common(rise_db: Floats32, share: Floats, mean: Floats) -> Floats:
    """What each hit's envelope (hits, mics, steps) has in common with an average one (mics, ``WINDOW_STEPS``) at every
    shift, over all mics, float64 (hits, shifts).
    """
    size = fft.next_fast_len(rise_db.shape[2] + WINDOW_STEPS, real=True)
    spectrum = fft.rfft(rise_db.astype(np.float64), size, axis=2)
    product = (spectrum * np.conj(fft.rfft(mean, size, axis=1)) * share[..., None]).sum(axis=1)
    out: Floats = fft.irfft(product, size, axis=1)[:, _shifted()]
    return out


def _onsets_ms(mean: Floats) -> tuple[Floats, Floats]:
    """Onset in each mic of an average envelope (mics, steps), and its error, both (mics,), ms; NaN where not known."""
    top = mean.max(axis=1)
    limit = np.minimum(STANDS_OUT_DB, top / 2)
    after = (mean > limit[:, None]).argmax(axis=1)
    rows = np.arange(len(mean))
    low, high = mean[rows, np.maximum(after - 1, 0)], mean[rows, after]
    step = after - 1 + (limit - low) / np.maximum(high - low, 1e-9)
    known = (top >= FAINT_DB) & (after > 0)
    error = TEMPLATE_ERROR_MS * (RISE_LIMIT_DB / np.maximum(top, 1.0)) ** 2
    return np.where(known, step * STEP_S * 1e3, np.nan), np.where(known, error, np.nan)


def same_place(onset_ms: Floats, error_ms: Floats) -> Floats:
    """Evidence that every two templates are struck at one place, float64 (templates, templates): natural logarithm of a
    likelihood ratio, 0 where too little is known.

    ``onset_ms``, ``error_ms``: float64 (templates, mics), as from ``patterns``. How far apart other drums are is what
    all pairs show: most are pairs of different drums. Where a mix has no delays, they say nothing.
    """
    count = len(onset_ms)
    pairs = {(a, b): found for a in range(count) for b in range(a)
             if (found := _apart_ms(onset_ms[a], error_ms[a], onset_ms[b], error_ms[b])) is not None}
    out = np.zeros((count, count))
    if not pairs:
        return out
    usual = max(float(np.mean(np.minimum(np.concatenate([apart for apart, _ in pairs.values()]), FAR_MS))), LEAST_MS)
    for (a, b), (apart, error) in pairs.items():
        wide = np.maximum(usual, error * np.sqrt(np.pi / 2))  # drums cannot seem nearer together than errors let one
        different = np.exp(-apart / wide) / (2 * wide)
        same = np.exp(-0.5 * (apart / error) ** 2) / (error * np.sqrt(2 * np.pi))
        out[a, b] = out[b, a] = np.log((1 - STRAY_SHARE) * same / different + STRAY_SHARE).sum()
    return np.clip(out, -EVIDENCE_LIMIT, EVIDENCE_LIMIT)


def _apart_ms(one: Floats, one_error: Floats, other: Floats, other_error: Floats) -> tuple[Floats, Floats] | None:
    """How far apart the onsets (mics,) of two templates are in the mics that know both, and the error of that, ms; None
    for fewer than two.

    What all mics have in common is taken out by the median, weighted by how sure they are, and one mic is left out for
    it.
    """
    known = ~np.isnan(one + other)
    if known.sum() < 2:
        return None
    apart = (one - other)[known]
    error = np.sqrt(DRUM_MS**2 + one_error[known] ** 2 + other_error[known] ** 2)
    order = np.argsort(apart, kind="stable")
    sure = np.cumsum(1 / error[order])
    middle = order[np.searchsorted(sure, sure[-1] / 2)]
    apart = np.abs(apart - apart[middle])
    return np.delete(apart, middle), np.delete(error, middle)
