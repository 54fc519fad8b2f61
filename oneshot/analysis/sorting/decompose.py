"""Decomposition: which strokes a candidate is made of, and the activation of each (Itakura-Saito NMF, templates given).

Energies of uncorrelated sounds add. So the spectrogram of a candidate (mics, bands, time stretches; ``features.py``) is
modelled as steady noise, plus the decay of what came before, plus one to three strokes, each the template of one drum
and articulation times an activation (power ratio). ``nmf.py`` solves the activations of a given set of templates; here
the set is chosen by greedy forward selection: one template, then every pair, then a third beside the best pair, as long
as each step lowers the fit error clearly.

Candidates are decomposed in order of time, so that the background of each one holds the predicted decay of the strokes
just before it: a candidate that only repeats an earlier hit's echo, beating partials or snare buzz is no stroke.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.records import STRETCH_STEPS, HitFeatures, Shares, Templates
from oneshot.analysis.sorting.nmf import (
    AUDIBLE_RATIO,
    ERROR_LIMIT_DB,
    Candidate,
    Fit,
    Request,
    advance_in_step,
    solve,
)
from oneshot.analysis.sorting.templates import KIND_DB, LATE_STEPS, overlap
from oneshot.core.records.session import Floats, Frames
from oneshot.core.workers import spread

MAX_SIMULTANEOUS = 3
"""Templates active at once: two hands and a foot."""

MIN_IMPROVEMENT = 0.25
"""A further template must lower the mean error by this share."""

RARITY_DB = 0.05
"""Prior against a template that is e times rarer, dB of mean error: 1.5 dB of error, as strokes of one template have,
over some 30 independent levels (Bayes' rule for Laplace-distributed errors).
"""

HIDDEN_IMPROVEMENT = 0.02
"""So much is enough for a stroke that the player's pattern lets expect. (Over 56 takes 174 of 193 such strokes were
played; of those that lower the error by 2 to 5 % as large a share as of those that lower it by 20.)
"""

SOFTER_DB = 3.0
"""A stroke that others hide is taken to be no more than this softer than the softest of its drum in the take. (Of the
174 one is 2.6 dB softer, none more; of the 19 that were not played seven.)
"""

EVIDENCE_DB = 0.75
"""Mean rise over the background, over all near mics and bands, that makes a candidate a stroke."""

ERROR_SHARE = 0.48
"""The strokes found must leave less than this share of the error that the background alone leaves."""

SURE_EVIDENCE_DB = 2.6
SURE_ERROR_SHARE = 0.92
"""A rise of this much is a stroke even where no template fits well, unless it fits next to none at all: speech, or a
knock.
"""

COMPOSITE_DB = 2.0
"""A template that the sum of two others fits to this mean error is no template of its own."""

CENTRE_STEPS = np.array([(a + b) / 2 + 4 for a, b in STRETCH_STEPS])
"""Centre of each time stretch, in steps after the point at which the level before a hit is read."""

STEPS = np.array([b - a for a, b in STRETCH_STEPS], np.float64)
"""Length of each time stretch, in steps."""

SCREEN_UPDATES, FINALISTS = 4, 12
"""Of many sets, those that fit best after a few updates are fitted to the end: less time, the same strokes."""

PAIR_CANDIDATES = 20
"""Pairs are formed of so many best-fitting templates; a kit has fewer, but for variants."""

AT_ONCE = 256
"""Candidates that a worker decomposes before it takes the next ones, if as many hang together."""


@dataclass(frozen=True, slots=True, eq=False)
class Decomposition:
    """The decomposition of each candidate.

    ``activation``: float64 (hits, templates), activations (power ratio to the template), 0 where a template is
    inactive; ``evidence_db``: float64 (hits,), mean rise over the background; ``error_db``: float64 (hits,), mean error
    of the fit; ``single_error_db``: float64 (hits, templates), mean error with that template alone;
    ``background_error_db``: float64 (hits,), that of no stroke at all; ``background``: float64 (hits, mics, bands,
    stretches), the background: mean squares expected without the candidate, earlier sounds decaying as they did before
    it.
    """

    activation: Floats
    evidence_db: Floats
    error_db: Floats
    single_error_db: Floats
    background_error_db: Floats
    background: Floats


def decompose(features: HitFeatures, templates: Templates, step: Floats, near: NDArray[np.bool_],
              most: int = MAX_SIMULTANEOUS, allowed: NDArray[np.bool_] | None = None,
              told: Mapping[int, Frames] | None = None) -> Decomposition:
    """Decompose the candidates of one take.

    ``step``: float64 (hits,), their times in steps of the scan, rising; ``near``: bool (mics,), the mics that decide;
    ``most``: templates active at once; ``allowed``: bool (hits, templates), the templates that a hit is labelled to be
    of: only they are activated, while errors are still given for all; ``told``: candidate -> templates, one of which
    the user says is active in it.
    """
    hits, n_templates = len(step), len(templates.drum)
    out = Decomposition(np.zeros((hits, n_templates)), np.zeros(hits), np.zeros(hits),
                        np.full((hits, n_templates), ERROR_LIMIT_DB), np.zeros(hits), np.zeros(features.energy.shape))
    decomposer = _Decomposer(features, templates, near, most)

    def fit(i: int, background: Floats) -> Fit[None]:
        """Find the strokes of a candidate over its background."""
        return decomposer.fit(i, background, out, None if allowed is None else allowed[i], (told or {}).get(i))

    _in_order(step, decomposer, out, fit)
    return out


def with_hidden(found: Decomposition, hits: NDArray[np.bool_], features: HitFeatures, templates: Templates,
                step: Floats, near: NDArray[np.bool_], expected: NDArray[np.bool_],
                allowed: NDArray[np.bool_]) -> Decomposition:
    """The same with a further stroke in each hit whose strokes hide it: of a drum that is expected there, where it fits
    best of all further ones and better than none, is softer than what hides it and no softer than its drum is
    elsewhere.

    ``hits``: bool (hits,), the candidates that are some; ``expected``: bool (hits, templates), where a player's pattern
    (``rhythm.py``) lets expect them; ``allowed``: bool (hits, templates), those that may be in a hit at all; the rest
    as in ``decompose``.
    """
    if not expected[hits].any():  # single hits: nobody keeps a pulse
        return found
    out = Decomposition(*(np.array(getattr(found, item.name)) for item in fields(found)))
    decomposer = _Decomposer(features, templates, near, MAX_SIMULTANEOUS)
    softest = _softest(found.activation[hits], templates.drum) * 10 ** (-SOFTER_DB / 10)

    def fit(i: int, background: Floats) -> Fit[None]:
        """Look for a hidden stroke of a hit over its background, if one is expected."""
        return decomposer.fit_hidden(i, background, out, expected[i] & hits[i], allowed[i], softest)

    _in_order(step, decomposer, out, fit)
    return out


def _softest(activation: Floats, drum: Frames) -> Floats:
    """The least activation of each template's drum, float64 (templates,), infinite where it is never active."""
    least = np.where(activation > 0, activation, np.inf).min(axis=0, initial=np.inf)
    out: Floats = np.array([least[drum == number].min() for number in drum])
    return out


def _in_order(step: Floats, decomposer: _Decomposer, out: Decomposition,
              fit: Callable[[int, Floats], Fit[None]]) -> None:
    """Fill in the rows of ``out`` in order of time, so that each finds what those before it leave: ``fit`` fits a
    candidate over its background.
    """

    def rows_of(part: Frames) -> tuple[Floats, ...]:
        """The rows of some candidates; no other reaches into them."""
        for rows in _independent_rows(step[part]):
            earlier = {i: _earlier_decay(i, step, out.activation, decomposer.templates) for i in part[rows].tolist()}
            advance_in_step([fit(i, decomposer.background(i, decay, out)) for i, decay in earlier.items()])
        return tuple(getattr(out, item.name)[part] for item in fields(out))

    parts = _apart(step)
    for part, found in zip(parts, spread(rows_of, parts), strict=True):
        for item, rows in zip(fields(out), found, strict=True):
            getattr(out, item.name)[part] = rows


def _apart(step: Floats) -> list[Frames]:
    """The candidates at ``step`` (hits,) in parts of ``AT_ONCE`` and some more, none of which reaches into another."""
    starts = np.flatnonzero(np.diff(step, prepend=-np.inf) > STRETCH_STEPS[-1][1])
    cuts: list[int] = []
    for at in starts.tolist():
        if at - (cuts[-1] if cuts else 0) >= AT_ONCE:
            cuts.append(at)
    return np.split(np.arange(len(step)), cuts) if len(step) else []


def _independent_rows(step: Floats) -> list[Frames]:
    """The candidates at ``step`` (hits,) in batches within which no two overlap in time; the earlier of two that
    overlap is in an earlier batch.
    """
    isolated = np.diff(step, prepend=-np.inf) > STRETCH_STEPS[-1][1]
    rank = np.arange(len(step)) - np.maximum.accumulate(np.where(isolated, np.arange(len(step)), 0))
    order = np.argsort(rank, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(rank[order])) + 1)


@dataclass(frozen=True, slots=True, eq=False)
class _Decomposer:
    """Decomposes the candidates of a take one by one and fills in their rows; fields as in ``decompose``.

    ``rarity``: float64 (templates,), as from ``rarity_db``; ``flat_templates``: float64 (templates, cells), the
    templates in the near mics.
    """

    features: HitFeatures
    templates: Templates
    near: NDArray[np.bool_]
    most: int
    rarity: Floats = field(init=False)
    flat_templates: Floats = field(init=False)

    def __post_init__(self) -> None:
        seen = self.templates.energy[:, self.near]
        object.__setattr__(self, "rarity", rarity_db(self.templates.members))
        object.__setattr__(self, "flat_templates", seen.reshape(len(seen), int(np.prod(seen.shape[1:]))))

    def background(self, i: int, decay: Floats, out: Decomposition) -> Floats:
        """Background of a candidate, float64 (mics, bands, stretches); ``decay``: what the strokes before it leave in
        it.
        """
        noise = self.features.noise[i][..., None]
        decaying = np.maximum(self.features.before[i] - self.features.noise[i], 0)[..., None]
        # held without decay, so that a tail which decays slower than it seemed is not taken for a stroke
        background: Floats = np.maximum(decaying, decay) + noise + 1e-18
        fading = decaying * 10 ** (-self.features.fade_db[i][..., None] * CENTRE_STEPS / 10)
        out.background[i] = np.maximum(fading, decay) + noise + 1e-18
        out.evidence_db[i] = _evidence_db(self.features.energy[i], background, self.features.valid[i], self.near)
        return background

    def fit(self, i: int, background: Floats, out: Decomposition, allowed: NDArray[np.bool_] | None,
            told: Frames | None) -> Fit[None]:
        """Find the strokes of a candidate over its background."""
        if not len(self.flat_templates) or (out.evidence_db[i] < EVIDENCE_DB and told is None):
            return
        drum, rarity, candidate = self.templates.drum, self.rarity, self._candidate(i, background)
        out.activation[i], out.error_db[i], out.single_error_db[i] = yield from _fit(candidate, drum, rarity, self.most)
        if allowed is not None and not allowed.all():
            out.activation[i] = 0.0
            out.activation[i, allowed], _, _ = yield from _fit(candidate.only(allowed), drum[allowed], rarity[allowed],
                                                         self.most)
        if told is not None and not out.activation[i, told].any():
            out.activation[i], out.error_db[i] = yield from _with_labelled(candidate, drum, out.activation[i], told)
        out.background_error_db[i] = _background_error_db(candidate, out.activation[i])

    def fit_hidden(self, i: int, background: Floats, out: Decomposition, expected: NDArray[np.bool_],
                   allowed: NDArray[np.bool_], softest: Floats) -> Fit[None]:
        """Add to a candidate's strokes one of an ``expected`` template (templates,) that they hide."""
        chosen = np.flatnonzero(out.activation[i]).tolist()
        sets = _with_one_more(chosen, self.templates.drum)
        sets = sets[allowed[sets[:, -1]]]
        if not 0 < len(chosen) < self.most or not expected[sets[:, -1]].any():
            return
        candidate = self._candidate(i, background)
        activation, error = yield Request(candidate, sets)
        top = int((error + self.rarity[sets[:, -1]]).argmin())
        added = int(sets[top, -1])
        energy = activation[top] * (self.templates.energy[sets[top]][:, self.near] @ STEPS).sum(axis=(1, 2))
        hidden = softest[added] <= activation[top, -1] and energy[-1] < energy[:-1].max()
        if expected[added] and hidden and error[top] < out.error_db[i] * (1 - HIDDEN_IMPROVEMENT):
            out.activation[i, sets[top]], out.error_db[i] = activation[top], error[top]
            out.background_error_db[i] = _background_error_db(candidate, out.activation[i])

    def _candidate(self, i: int, background: Floats) -> Candidate:
        """A candidate over its background, in the near mics."""
        energy = self.features.energy[i][self.near]
        valid = np.broadcast_to(self.features.valid[i][self.near][:, None, :], energy.shape).reshape(-1)
        return _as_candidate(energy.reshape(-1), background[self.near].reshape(-1), valid, self.flat_templates)


def is_hit(found: Decomposition) -> NDArray[np.bool_]:
    """Which candidates are strokes, bool (hits,): they rise over the background, and templates fit them clearly better
    than it alone does.
    """
    share = np.where(found.evidence_db >= SURE_EVIDENCE_DB, SURE_ERROR_SHARE, ERROR_SHARE)
    return (found.activation > 0).any(axis=1) & (found.error_db < share * found.background_error_db)


def is_expected_hit(found: Decomposition, expected: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which candidates are strokes of a drum that is expected there, bool (hits,): of all that were found in them its
    activation is the highest, and they fit better than the background alone does.
    """
    best = found.activation.argmax(axis=1)
    own = np.take_along_axis(expected, best[:, None], axis=1)[:, 0]
    return own & (found.activation > 0).any(axis=1) & (found.error_db < SURE_ERROR_SHARE * found.background_error_db)


def confidence(found: Decomposition, templates: Templates) -> Floats:
    """How sure the drum of each candidate is, float64 (hits,), 0 to 1: by how much worse the best template of any other
    drum fits.
    """
    out = np.zeros(len(found.error_db))
    for i, row in enumerate(found.single_error_db):
        if not found.activation[i].any():
            continue
        best = int(row.argmin())
        others = row[templates.drum != templates.drum[best]]
        out[i] = 1.0 - row[best] / max(float(others.min(initial=ERROR_LIMIT_DB)), 1e-9)
    return np.clip(out, 0.0, 1.0)


def _earlier_decay(i: int, step: Floats, gain: Floats, templates: Templates) -> Floats:
    """What the strokes just before candidate ``i`` leave in its stretches, float64 (mics, bands, stretches)."""
    out = np.zeros(templates.energy.shape[1:])
    for j in range(i - 1, -1, -1):
        lag = step[i] - step[j]
        if lag > STRETCH_STEPS[-1][1]:
            break
        if gain[j].any():
            stroke = np.tensordot(gain[j], templates.energy, 1)
            out += stroke @ _shift_matrix(lag)
    return out


def _shift_matrix(lag: float) -> Floats:
    """Matrix (template stretches, stretches) that shifts a template by ``lag`` steps: the share of each stretch of the
    later hit that falls into each stretch of the template.

    Beyond the template's end its last stretch is held: tails decay slowly there.
    """
    out = overlap(lag)
    for to in range(len(STRETCH_STEPS)):
        out[-1, to] += max(0.0, 1.0 - out[:, to].sum())
    return out


def _background_error_db(candidate: Candidate, gain: Floats) -> float:
    """Mean error in dB that the background alone leaves, over cells in which measurement or model stands out of it."""
    model = 1 + gain @ candidate.templates
    error = np.minimum(10 * np.log10(np.maximum(candidate.energy, 1), dtype=np.float64), ERROR_LIMIT_DB)
    weight = np.maximum(candidate.energy, model) > AUDIBLE_RATIO
    return float((error * weight).sum() / max(weight.sum(), 0.02 * candidate.whole + 1))


def _evidence_db(energy: Floats, background: Floats, valid: NDArray[np.bool_], near: NDArray[np.bool_]) -> float:
    """Mean rise over the background in the first two stretches, over near mics and bands, each at most 20 dB.

    Over the first stretch alone where the next stroke falls into the second: that rise would be its evidence.
    """
    use = near & valid[:, 0]
    if not use.any():
        return 0.0
    span = 2 if valid[use][:, 1].all() else 1
    early = energy[use][:, :, :span].mean(axis=2)
    before = background[use][:, :, :span].mean(axis=2)
    return float(np.clip(10 * np.log10(np.maximum(early, 1e-15) / np.maximum(before, 1e-15)), 0, 20).mean())


def _as_candidate(energy: Floats, background: Floats, valid: NDArray[np.bool_], flat_templates: Floats) -> Candidate:
    """A candidate without the cells (cells,) into which the next stroke falls, its starting activations estimated
    template by template.
    """
    if not valid.all():
        energy, background, flat_templates = energy[valid], background[valid], flat_templates[:, valid]
    own = np.maximum(energy - background, 0.05 * background + 1e-15)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(flat_templates > 0, np.log(own / flat_templates), np.nan)
    return Candidate((energy / background).astype(np.float32), (flat_templates / background).astype(np.float32),
                     _low_quantile(ratio), len(valid))


def rarity_db(members: Frames) -> Floats:
    """Prior against each template, float64 (templates,), dB of mean error: how seldom it was struck among the hits
    learned from.
    """
    share = np.maximum(members, 1) / max(int(np.maximum(members, 1).sum()), 1)
    out: Floats = -RARITY_DB * np.log(share)
    return out


def _fit(candidate: Candidate, drum: Frames, rarity: Floats, most: int) -> Fit[tuple[Floats, float, Floats]]:
    """Forward selection; returns activations (templates,), the mean error in dB, and each template's error alone
    (templates,).

    Between sets that fit about equally the more frequent one is taken (``rarity``, dB per template). All pairs are
    tried because the best single template for kick and hat together may be neither of the two.
    """
    n_templates = len(candidate.templates)
    gain, single = yield Request(candidate, np.arange(n_templates)[:, None])
    top = int((single + rarity).argmin())
    chosen, best, activation = [top], float(single[top]), gain[top]
    for count in range(2, most + 1):
        sets = _pairs(single, drum) if count == 2 else _with_one_more(chosen, drum)
        if not len(sets):
            break
        if len(sets) > 2 * FINALISTS:
            _, screened = yield Request(candidate, sets, SCREEN_UPDATES)
            sets = sets[np.sort(np.argsort(screened + rarity[sets].sum(axis=1), kind="stable")[:FINALISTS])]
        gain, error = yield Request(candidate, sets)
        top = int((error + rarity[sets].sum(axis=1)).argmin())
        if error[top] > best * (1 - MIN_IMPROVEMENT):
            break
        chosen, best, activation = [int(k) for k in sets[top]], float(error[top]), gain[top]
    out = np.zeros(n_templates)
    out[chosen] = activation
    return out, best, single


def _with_labelled(candidate: Candidate, drum: Frames, gain: Floats, told: Frames) -> Fit[tuple[Floats, float]]:
    """Activations (templates,) and mean error of the fit with one of the templates ``told``, beside those found of
    other drums if that fits better.
    """
    others = [int(k) for k in np.flatnonzero(gain) if not (drum[told] == drum[k]).any()]
    options = []
    for beside in ([], others) if others else ([],):
        sets = np.array([[k, *beside] for k in told], np.int64)
        activation, error = yield Request(candidate, sets)
        top = int(error.argmin())
        options.append((float(error[top]), sets[top], activation[top]))
    error_db, members, best = min(options, key=lambda each: each[0])
    out = np.zeros(len(candidate.templates))
    out[members] = best
    return out, error_db


def _pairs(single: Floats, drum: Frames) -> NDArray[np.int64]:
    """All pairs of different drums among the ``PAIR_CANDIDATES`` templates that fit best alone, int64 (pairs, 2)."""
    best_alone = np.sort(np.argsort(single, kind="stable")[:PAIR_CANDIDATES])
    pairs = [[a, b] for n, a in enumerate(best_alone) for b in best_alone[n + 1 :] if drum[a] != drum[b]]
    return np.array(pairs, np.int64).reshape(-1, 2)


def _with_one_more(chosen: list[int], drum: Frames) -> NDArray[np.int64]:
    """The chosen templates with each template of another drum, int64 (sets, size + 1)."""
    used_drums = {int(drum[c]) for c in chosen}
    sets = [[*chosen, k] for k in range(len(drum)) if int(drum[k]) not in used_drums]
    return np.array(sets, np.int64).reshape(-1, len(chosen) + 1)


def _low_quantile(ratio: Floats) -> Floats:
    """A low quantile over the last axis, ignoring NaN: other strokes only ever add energy, so the low ratios are the
    true ones.
    """
    count = np.sum(~np.isnan(ratio), axis=-1)
    rank = np.clip((0.35 * (count - 1)).astype(np.int64), 0, ratio.shape[-1] - 1)
    ordered = np.partition(ratio, np.unique(rank), axis=-1)  # NaN comes last
    low = np.take_along_axis(ordered, rank[..., None], axis=-1)[..., 0]
    return np.where(count > 0, low, -20.0)


def composites(templates: Templates, near: NDArray[np.bool_], limit_db: float, apart: NDArray[np.bool_]
               ) -> NDArray[np.bool_]:
    """Which templates are nothing but two others struck together, bool (templates,): a sum of two, at once or one after
    the other within an event, fits to ``limit_db`` or better, and clearly better than one alone. ``apart``: bool
    (templates, templates), which are of different drums: two of one drum make no sum.

    A sum holds more than each of its parts, so a drum is never taken for a sum of its mixtures, however often they
    fall: a kick that rarely sounds without a hat is learned from those few times. What alone fits as well is the same
    drum again; then the more frequent one stays. Rarer templates are tested first and drop out of the sums that may
    explain the rest. A template that lacks a near mic of another one cannot explain it.
    """
    count = len(templates.drum)
    out = np.zeros(count, bool)
    if not count:
        return out
    energy, heard_in = templates.energy[:, near], templates.heard_in[:, near]
    parts = np.concatenate([(energy @ overlap(-lag)).reshape(count, -1) for lag in (0.0, *LATE_STEPS)])
    for k in np.argsort(templates.members, kind="stable"):
        others = np.array([j for j in range(count) if j != k and not out[j] and heard_in[j, heard_in[k]].all()],
                          np.int64)
        if len(others) < 2:
            continue
        valid = parts[k] > 0
        background = np.full(parts.shape[1], 1e-6 * parts[k].max())
        candidate = _as_candidate(np.where(valid, parts[k], background), background, valid, parts)
        alone = solve(Request(candidate, others[:, None]))[1]
        able = (alone >= limit_db) | (templates.members[others] >= templates.members[k])
        others, alone = others[able], alone[able]
        sets = [[a, b + late * count] for late in range(1 + len(LATE_STEPS)) for a in others for b in others
                if apart[a, b] and (a < b or late > 0)]
        if sets:
            error = solve(Request(candidate, np.array(sets), SCREEN_UPDATES))[1]
            best = np.sort(np.argsort(error, kind="stable")[:FINALISTS])
            error = solve(Request(candidate, np.array(sets)[best]))[1]
            limit = float(np.hypot(limit_db, KIND_DB / np.sqrt(templates.members[k])))  # a median of few hits varies
            out[k] = bool(error.min() < limit and error.min() < FEWER_ERROR * alone.min())
    return out


FEWER_ERROR = 0.7
"""Two parts leave less than this share of the error that one leaves."""


def shares(features: HitFeatures, gain: Floats, ground: Floats, templates: Templates) -> Shares:
    """Split what was heard.

    ``gain``: float64 (hits, kinds), strengths of the strokes; ``ground``: float64 (hits, mics, bands, stretches),
    what was there without the hit, noise included. Where a later hit falls into a stretch, own sound is what the
    template says.
    """
    hits, mics = features.energy.shape[:2]
    kinds = len(templates.drum)
    own, other = np.zeros((hits, kinds, mics)), np.zeros((hits, mics))
    for i in range(hits):
        valid = features.valid[i][:, None, :]
        noise = features.noise[i][..., None]
        struck = np.flatnonzero(gain[i])
        parts = gain[i, struck][:, None, None, None] * templates.energy[struck]
        model = ground[i] + parts.sum(axis=0)
        heard = features.energy[i]
        own_parts = np.where(valid, parts * (heard / np.maximum(model, 1e-18)), np.minimum(parts, heard))
        rest = np.maximum(heard - own_parts.sum(axis=0) - np.minimum(noise, ground[i]), 0)
        old_ring = heard * np.maximum(ground[i] - noise, 0) / np.maximum(model, 1e-18)
        rest = np.where(valid, np.minimum(rest, old_ring), rest)
        own[i, struck] = (own_parts * STEPS).sum(axis=(2, 3))
        other[i] = (rest * STEPS).sum(axis=(1, 2))
    return Shares(own, other)
