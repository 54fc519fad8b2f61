"""Unmix: which strokes make up what was heard at a candidate, and how strong each of them is.

The energies of sounds that have nothing to do with each other add. So what the mics hear of a candidate, band by band
and stretch by stretch (``features.py``), is the steady noise, the ring of what came before, and one to three strokes,
each its kind's template times a strength (``fitting.py``). One stroke is tried, then every two at once, then a third
beside the best two, as long as each makes the sum fit clearly better.

The candidates of a take are taken in order of time, so that each one's ground also holds what the strokes just before
it still have to say: a candidate that only repeats an earlier stroke's echo, beat or buzz is no stroke.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.records import STRETCH_STEPS, HitFeatures, Shares, Templates
from oneshot.analysis.sorting.nmf import ERROR_LIMIT_DB, HEARD_RATIO, Ask, Fit, Heard, in_step, strengths
from oneshot.core.records.session import Floats, Frames
from oneshot.core.workers import spread

MOST_AT_ONCE = 3
"""Two hands and a foot."""

BETTER = 0.25
"""Another stroke must lower the mean error by this share."""

RARITY_DB = 0.05
"""What a kind that is e times rarer has against it, dB of mean error: 1.5 dB of error, as strokes of one kind have,
over some 30 levels that are independent of each other (Bayes' rule for errors of Laplace's distribution).
"""

EVIDENCE_DB = 0.75
"""Mean rise over all near mics and bands above the ground that makes a candidate a stroke."""

LIKE_A_STROKE = 0.48
"""The strokes found must leave less than this share of the error that the ground alone would leave."""

SURE_EVIDENCE_DB = 2.6
SURELY_UNLIKE = 0.92
"""A rise of this much is a stroke even where it is not much like any that was learned, unless it is like none at all:
speech, or a knock."""

COMPOSITE_DB = 2.0
"""A kind that two others make up to this mean error is no kind of its own."""

MIDDLE_STEPS = np.array([(a + b) / 2 + 4 for a, b in STRETCH_STEPS])
"""Middle of each stretch in steps after the point where the level before a hit is read."""

SCREEN_UPDATES, FINALISTS = 4, 12
"""Of many sets, those that fit best after a few updates are fitted to the end: less time, the same strokes."""

PAIRED = 20
"""Two strokes at once are sought among so many kinds; a kit has fewer, but for its variants."""

AT_ONCE = 64
"""About so many candidates are explained by one worker before it takes the next ones."""


@dataclass(frozen=True, slots=True, eq=False)
class Explained:
    """What each candidate is made of.

    ``gain``: float64 (hits, kinds), strength (power ratio to the template), 0 where a kind is not in it;
    ``evidence_db``: float64 (hits,), mean rise above the ground; ``error_db``: float64 (hits,), mean error of the
    fit; ``alone_error_db``: float64 (hits, kinds), mean error with that kind alone; ``empty_error_db``: float64
    (hits,), that of no stroke at all; ``ground``: float64 (hits, mics, bands, stretches), what was to be expected
    without the candidate, earlier sounds fading as they did before it.
    """

    gain: Floats
    evidence_db: Floats
    error_db: Floats
    alone_error_db: Floats
    empty_error_db: Floats
    ground: Floats


def explain(features: HitFeatures, templates: Templates, step: Floats, near: NDArray[np.bool_],
            most: int = MOST_AT_ONCE, allowed: NDArray[np.bool_] | None = None,
            told: Mapping[int, Frames] | None = None) -> Explained:
    """Unmix the candidates of one take.

    ``step``: float64 (hits,), their time in steps of the scan, rising; ``near``: bool (mics,), the mics that decide;
    ``allowed``: bool (hits, kinds), the kinds that a hit is known to be of: its strengths are those of them alone, its
    errors say how like it is to all; ``told``: candidate -> kinds, one of which is known to be in it.
    """
    hits, kinds = len(step), len(templates.drum)
    out = Explained(np.zeros((hits, kinds)), np.zeros(hits), np.zeros(hits), np.full((hits, kinds), ERROR_LIMIT_DB),
                    np.zeros(hits), np.zeros(features.energy.shape))
    fitter = _Fitter(features, templates, near, most, rarity_db(templates.members),
                     templates.energy[:, near].reshape(kinds, -1) if kinds else None)

    def explained(rows: Frames) -> None:
        """Fill in some rows, those before them that reach into them being known."""
        held = {i: fitter.ground(i, _afterglow(i, step, out.gain, templates), out) for i in rows.tolist()}
        in_step([fitter.fit(i, over, out, None if allowed is None else allowed[i], (told or {}).get(i))
                 for i, over in held.items()])

    for wave in _waves(step):
        spread(explained, np.split(wave, np.arange(AT_ONCE, len(wave), AT_ONCE)))
    return out


def _waves(step: Floats) -> list[Frames]:
    """The candidates at these times (hits,) in waves, none of which holds two that are near enough to be heard in each
    other; those before a candidate that are, are in earlier waves.
    """
    if not len(step):
        return []
    alone = np.diff(step, prepend=-np.inf) > STRETCH_STEPS[-1][1]
    place = np.arange(len(step)) - np.maximum.accumulate(np.where(alone, np.arange(len(step)), 0))
    order = np.argsort(place, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(place[order])) + 1)


@dataclass(frozen=True, slots=True, eq=False)
class _Fitter:
    """Fits the candidates of a take one by one, and fills in their rows; as ``explain`` has it. ``flat``: float64
    (kinds, cells), templates as the near mics hear them; None where there are none.
    """

    features: HitFeatures
    templates: Templates
    near: NDArray[np.bool_]
    most: int
    rare: Floats
    flat: Floats | None

    def ground(self, i: int, glow: Floats, out: Explained) -> Floats:
        """What a candidate is judged over (mics, bands, stretches), ``glow`` being left of the strokes before it."""
        noise = self.features.noise[i][..., None]
        ring = np.maximum(self.features.before[i] - self.features.noise[i], 0)[..., None]
        # a ring that holds, so that one which fades slower than it seemed is not taken for a stroke
        held: Floats = np.maximum(ring, glow) + noise + 1e-18
        fading = ring * 10 ** (-self.features.fade_db[i][..., None] * MIDDLE_STEPS / 10)
        out.ground[i] = np.maximum(fading, glow) + noise + 1e-18
        out.evidence_db[i] = _evidence_db(self.features.energy[i], held, self.features.valid[i], self.near)
        return held

    def fit(self, i: int, held: Floats, out: Explained, allowed: NDArray[np.bool_] | None,
            told: Frames | None) -> Fit[None]:
        """The strokes of a candidate over what it is judged over."""
        if self.flat is None or (out.evidence_db[i] < EVIDENCE_DB and told is None):
            return
        drum, rare, energy = self.templates.drum, self.rare, self.features.energy[i][self.near]
        valid = np.broadcast_to(self.features.valid[i][self.near][:, None, :], energy.shape).reshape(-1)
        heard = _heard(energy.reshape(-1), held[self.near].reshape(-1), valid, self.flat)
        out.gain[i], out.error_db[i], out.alone_error_db[i] = yield from _fit(heard, drum, rare, self.most)
        if allowed is not None and not allowed.all():
            out.gain[i] = 0.0
            out.gain[i, allowed], _, _ = yield from _fit(heard.only(allowed), drum[allowed], rare[allowed], self.most)
        if told is not None and not out.gain[i, told].any():
            out.gain[i], out.error_db[i] = yield from _with_told(heard, drum, out.gain[i], told)
        out.empty_error_db[i] = _empty_error_db(heard, out.gain[i])


def is_stroke(found: Explained) -> NDArray[np.bool_]:
    """Which candidates (hits,) are strokes: they rise, and look like strokes clearly more than like nothing."""
    share = np.where(found.evidence_db >= SURE_EVIDENCE_DB, SURELY_UNLIKE, LIKE_A_STROKE)
    return (found.gain > 0).any(axis=1) & (found.error_db < share * found.empty_error_db)


def confidence(found: Explained, templates: Templates) -> Floats:
    """How sure the drum of each candidate is (hits,), 0 to 1: how much worse the best kind of any other drum fits."""
    out = np.zeros(len(found.error_db))
    for i, row in enumerate(found.alone_error_db):
        if not found.gain[i].any():
            continue
        best = int(row.argmin())
        others = row[templates.drum != templates.drum[best]]
        out[i] = 1.0 - row[best] / max(float(others.min(initial=ERROR_LIMIT_DB)), 1e-9)
    return np.clip(out, 0.0, 1.0)


def _afterglow(i: int, step: Floats, gain: Floats, templates: Templates) -> Floats:
    """What the strokes just before candidate ``i`` still put into its stretches, (mics, bands, stretches)."""
    out = np.zeros(templates.energy.shape[1:])
    for j in range(i - 1, -1, -1):
        lag = step[i] - step[j]
        if lag > STRETCH_STEPS[-1][1]:
            break
        if gain[j].any():
            stroke = np.tensordot(gain[j], templates.energy, 1)
            out += stroke @ _moved(lag)
    return out


def _moved(lag: float) -> Floats:
    """Matrix (stretches, stretches): share of each later stretch, moved by ``lag`` steps, that falls into each
    template's.

    What falls behind the template's end is taken as its last stretch's level: rings fall slowly there.
    """
    out = np.zeros((len(STRETCH_STEPS), len(STRETCH_STEPS)))
    for to, (a, b) in enumerate(STRETCH_STEPS):
        for of, (c, d) in enumerate(STRETCH_STEPS):
            out[of, to] = max(0.0, min(b + lag, d) - max(a + lag, c)) / (b - a)
        out[-1, to] += max(0.0, 1.0 - out[:, to].sum())
    return out


def _empty_error_db(heard: Heard, gain: Floats) -> float:
    """Mean error in dB that the ground alone leaves, over what stands out of it in measurement or in what was found."""
    model = heard.ground + gain @ heard.flat
    away = np.minimum(10 * np.log10(np.maximum(heard.energy, heard.ground) / heard.ground), ERROR_LIMIT_DB)
    weight = np.maximum(heard.energy, model) > HEARD_RATIO * heard.ground
    return float((away * weight).sum() / max(weight.sum(), 0.02 * heard.whole + 1))


def _evidence_db(energy: Floats, ground: Floats, valid: NDArray[np.bool_], near: NDArray[np.bool_]) -> float:
    """Mean rise above the ground in the first two stretches over near mics and bands, each at most 20 dB.

    In the first one alone where the next stroke falls into the second: that would be the evidence of this one.
    """
    use = near & valid[:, 0]
    if not use.any():
        return 0.0
    span = 2 if valid[use][:, 1].all() else 1
    early = energy[use][:, :, :span].mean(axis=2)
    before = ground[use][:, :, :span].mean(axis=2)
    return float(np.clip(10 * np.log10(np.maximum(early, 1e-15) / np.maximum(before, 1e-15)), 0, 20).mean())


def _heard(energy: Floats, ground: Floats, valid: NDArray[np.bool_], flat: Floats) -> Heard:
    """A candidate (cells,) without the cells in which the next stroke is heard already."""
    if not valid.all():
        energy, ground, flat = energy[valid], ground[valid], flat[:, valid]
    own = np.maximum(energy - ground, 0.05 * ground + 1e-15)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(flat > 0, np.log(own / flat), np.nan)
    return Heard(energy, ground, flat, _low_quantile(ratio), len(valid))


def rarity_db(members: Frames) -> Floats:
    """What speaks against each kind (kinds,) before anything is heard, dB of mean error: it was seldom struck where
    strokes stood alone.
    """
    share = np.maximum(members, 1) / max(int(np.maximum(members, 1).sum()), 1)
    out: Floats = -RARITY_DB * np.log(share)
    return out


def _fit(heard: Heard, drum: Frames, rare: Floats, most: int) -> Fit[tuple[Floats, float, Floats]]:
    """Find the strokes; returns strengths (kinds,), mean error in dB, and each kind's error alone (kinds,).

    Between those that fit about as well the more frequent one is taken (``rare``, dB per kind). One stroke, then every
    two at once, then a third to the best two, each only where it fits clearly better. Two are tried at once because the
    best single kind for a kick with a hat may be neither.
    """
    kinds = len(heard.flat)
    gain, alone = yield Ask(heard, np.arange(kinds)[:, None])
    top = int((alone + rare).argmin())
    chosen, best, strength = [top], float(alone[top]), gain[top]
    for count in range(2, most + 1):
        sets = _pairs(alone, drum) if count == 2 else _with_one_more(chosen, drum)
        if not len(sets):
            break
        if len(sets) > 2 * FINALISTS:
            _, rough = yield Ask(heard, sets, SCREEN_UPDATES)
            sets = sets[np.sort(np.argsort(rough + rare[sets].sum(axis=1), kind="stable")[:FINALISTS])]
        gain, error = yield Ask(heard, sets)
        top = int((error + rare[sets].sum(axis=1)).argmin())
        if error[top] > best * (1 - BETTER):
            break
        chosen, best, strength = [int(k) for k in sets[top]], float(error[top]), gain[top]
    out = np.zeros(kinds)
    out[chosen] = strength
    return out, best, alone


def _with_told(heard: Heard, drum: Frames, gain: Floats, told: Frames) -> Fit[tuple[Floats, float]]:
    """Strengths (kinds,) and mean error of the fit with one of the kinds ``told``, beside those found of other drums if
    that fits better.
    """
    others = [int(k) for k in np.flatnonzero(gain) if not (drum[told] == drum[k]).any()]
    tried = []
    for beside in ([], others) if others else ([],):
        sets = np.array([[k, *beside] for k in told], np.int64)
        strength, error = yield Ask(heard, sets)
        top = int(error.argmin())
        tried.append((float(error[top]), sets[top], strength[top]))
    error_db, members, best = min(tried, key=lambda each: each[0])
    out = np.zeros(len(heard.flat))
    out[members] = best
    return out, error_db


def _pairs(alone: Floats, drum: Frames) -> NDArray[np.int64]:
    """Every two kinds of different drums among the ``PAIRED`` that fit best alone (pairs, 2)."""
    able = np.sort(np.argsort(alone, kind="stable")[:PAIRED])
    pairs = [[a, b] for n, a in enumerate(able) for b in able[n + 1 :] if drum[a] != drum[b]]
    return np.array(pairs, np.int64).reshape(-1, 2)


def _with_one_more(chosen: list[int], drum: Frames) -> NDArray[np.int64]:
    """The kinds chosen with each kind of another drum (sets, size + 1)."""
    struck = {int(drum[c]) for c in chosen}
    sets = [[*chosen, k] for k in range(len(drum)) if int(drum[k]) not in struck]
    return np.array(sets, np.int64).reshape(-1, len(chosen) + 1)


def _low_quantile(ratio: Floats) -> Floats:
    """A low quantile over the last axis, blind to NaN: other strokes only ever add, so the low ratios are the honest
    ones.
    """
    count = np.sum(~np.isnan(ratio), axis=-1)
    place = np.clip((0.35 * (count - 1)).astype(np.int64), 0, ratio.shape[-1] - 1)
    ordered = np.partition(ratio, np.unique(place), axis=-1)  # NaN comes last
    low = np.take_along_axis(ordered, place[..., None], axis=-1)[..., 0]
    return np.where(count > 0, low, -20.0)


def composites(templates: Templates, near: NDArray[np.bool_], limit_db: float) -> NDArray[np.bool_]:
    """Which kinds (kinds,) are nothing but two others struck at once: their sum fits to ``limit_db`` or better.

    Rarer kinds are tried first and drop out of the sums that may explain the rest, so that two kinds never explain away
    each other.
    """
    out = np.zeros(len(templates.drum), bool)
    if not len(out):
        return out
    flat = templates.energy[:, near].reshape(len(out), -1)
    for k in np.argsort(templates.members, kind="stable"):
        others = [j for j in range(len(flat)) if j != k and not out[j] and templates.members[j] >= templates.members[k]]
        if len(others) < 2:
            continue
        sets = np.array([[a, b] for n, a in enumerate(others) for b in others[n + 1 :]])
        valid = flat[k] > 0
        ground = np.full(flat.shape[1], 1e-6 * flat[k].max())
        whole = np.where(valid, flat[k], ground)
        heard = _heard(whole, ground, valid, flat)
        error = strengths(Ask(heard, sets))[1]
        single = strengths(Ask(heard, np.array(others)[:, None]))[1]
        out[k] = bool(error.min() < limit_db and error.min() < 0.7 * single.min())
    return out


def shares(features: HitFeatures, gain: Floats, ground: Floats, templates: Templates) -> Shares:
    """Split what was heard.

    ``gain``: float64 (hits, kinds), strengths of the strokes; ``ground``: float64 (hits, mics, bands, stretches),
    what was there without the hit, noise included. Where a later hit falls into a stretch, own sound is what the
    template says.
    """
    hits, mics = features.energy.shape[:2]
    kinds = len(templates.drum)
    steps = np.array([b - a for a, b in STRETCH_STEPS], np.float64)
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
        own[i, struck] = (own_parts * steps).sum(axis=(2, 3))
        other[i] = (rest * steps).sum(axis=(1, 2))
    return Shares(own, other)
