"""Fitting: how strong the strokes of a set must be to make up what was heard, and how well they then do.

Strengths are fitted by multiplicative updates that lower the Itakura-Saito divergence (Févotte, Bertin, Durrieu 2009,
Neural Computation 21(3), from memory): it compares by ratio, as decibels do, so the weak top of a hat counts as much as
the bottom of a kick.

What is asked of one candidate depends on what came of the question before, so a fit is a generator of questions. Fits
that know nothing of each other go on in step: questions of one shape are answered at once, with the same arithmetic and
so with the same result, to the bit, as one by one.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from oneshot.core.records.session import Floats

Result = TypeVar("Result")

UPDATES = 14
"""How often strengths are updated: going on moves nine in ten of them by less than 0.3 dB (two drums up to 25 dB
apart).
"""

ERROR_LIMIT_DB = 15.0
"""A level that the strokes do not explain counts no more than this: something else was heard, too."""

OVERSHOOT_LIMIT_DB = 40.0
"""A level of which the strokes claim too much counts up to this: no other stroke takes sound away."""

HEARD_RATIO = 1.6
"""A level counts in the error where model or measurement is 2 dB above the ground."""

CELLS_AT_ONCE = 2**16
"""Levels that are worked on at once: they stay in the second-level cache."""


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """One candidate to fit: what was measured and what the ground holds, float64 (cells,), the kinds' templates
    (kinds, cells), and ``start``, log strength of each kind by itself (kinds,), from which fits begin.

    Only ``cells`` that count are in it; ``whole``: how many there are in all.
    """

    energy: Floats
    ground: Floats
    flat: Floats
    start: Floats
    whole: int

    def only(self, kinds: NDArray[np.bool_]) -> Heard:
        """The same with fewer kinds."""
        return Heard(self.energy, self.ground, self.flat[kinds], self.start[kinds], self.whole)


@dataclass(frozen=True, slots=True, eq=False)
class Ask:
    """A question: the strengths of every set of kinds, int64 (sets, size), in one candidate."""

    heard: Heard
    sets: NDArray[np.int64]
    updates: int = UPDATES


Answer = tuple[Floats, Floats]
"""Strengths (sets, size) and mean errors in dB (sets,)."""

Fit = Generator[Ask, Answer, Result]
"""Asks, is answered, asks again, and has a result in the end."""


def in_step(fits: Sequence[Fit[None]]) -> None:
    """Bring fits that know nothing of each other to their ends."""
    waiting = [(fit, ask) for fit in fits if (ask := next(fit, None)) is not None]
    while waiting:
        answers = answer([ask for _, ask in waiting])
        going = []
        for (fit, _), each in zip(waiting, answers, strict=True):
            try:
                going.append((fit, fit.send(each)))
            except StopIteration:
                continue
        waiting = going


def answer(asks: Sequence[Ask]) -> list[Answer]:
    """Answer questions, those of one shape together."""
    used = [np.unique(ask.sets, return_inverse=True) for ask in asks]
    shape = [(ask.sets.shape, len(able), len(ask.heard.energy), ask.updates)
             for ask, (able, _) in zip(asks, used, strict=True)]
    out: list[Answer | None] = [None] * len(asks)
    for (sets, _, cells, _), same in groupby(sorted(range(len(asks)), key=lambda n: shape[n]), lambda n: shape[n]):
        rows = list(same)
        count = max(1, CELLS_AT_ONCE // (sets[0] * cells))
        for a in range(0, len(rows), count):
            some = rows[a : a + count]
            for n, each in zip(some, _strengths([asks[n] for n in some], [used[n] for n in some]), strict=True):
                out[n] = each
    return [each for each in out if each is not None]


def strengths(ask: Ask) -> Answer:
    """Answer one question."""
    return answer([ask])[0]


def _strengths(asks: Sequence[Ask], used: Sequence[tuple[NDArray[np.int64], NDArray[np.int64]]]) -> list[Answer]:
    """Fit the strengths of every set of every question, all of one shape.

    Strengths stand in one row a set over all kinds in use, nought where a kind is not of the set: so every sum of an
    update is one product of matrices, and nought stays nought. ``used``: the kinds in use, and which of them each
    member of the sets is.
    """
    sets, updates = asks[0].sets.shape, asks[0].updates
    parts = np.stack([ask.heard.flat[able] for ask, (able, _) in zip(asks, used, strict=True)])
    energy = np.stack([ask.heard.energy for ask in asks])[:, None]
    ground = np.stack([ask.heard.ground for ask in asks])[:, None]
    row = np.arange(sets[0])[:, None]
    gain = np.zeros((len(asks), sets[0], parts.shape[1]))
    place = [inverse.reshape(sets) for _, inverse in used]
    for each, ask, at in zip(gain, asks, place, strict=True):
        each[row, at] = np.exp(ask.heard.start[ask.sets]) / sets[1] ** 0.5
    across = parts.swapaxes(1, 2)
    for _ in range(updates):
        model = gain @ parts
        model += ground
        inverse = np.divide(1.0, model, out=model)
        pull = inverse @ across
        inverse *= inverse
        inverse *= energy
        gain *= np.sqrt((inverse @ across) / np.maximum(pull, 1e-30))
    model = gain @ parts
    model += ground
    return [(each[row, at], _error_db(ask.heard, fits))
            for each, at, ask, fits in zip(gain, place, asks, model, strict=True)]


def _error_db(heard: Heard, model: Floats) -> Floats:
    """Mean absolute error (sets,) in dB over what stands out of the ground in measurement or model (sets, cells).

    Where less was measured than the ground holds, what rang before has faded: that is no error of the model. What a
    model has too much of counts to a higher limit than what it lacks: another stroke may add, but none takes away.
    """
    away = np.log10(model / np.maximum(heard.energy, heard.ground))
    away *= 10
    np.abs(np.clip(away, -ERROR_LIMIT_DB, OVERSHOOT_LIMIT_DB, out=away), out=away)
    weight = np.maximum(heard.energy, model) > HEARD_RATIO * heard.ground
    away *= weight
    out: Floats = away.sum(axis=1) / np.maximum(weight.sum(axis=1), 0.02 * heard.whole + 1)
    return out
