"""Non-negative decomposition of one candidate's spectrogram: activations of given templates over a known background.

The model of a candidate is background + sum of template times activation, cell by cell (mic, band, time stretch). The
activations minimise the Itakura-Saito divergence by multiplicative updates (Itakura-Saito NMF with the templates held
fixed: Févotte, Bertin, Durrieu 2009, Neural Computation 21(3), from memory). That divergence compares by ratio, as
decibels do, so the weak treble of a hat counts as much as the low end of a kick. It does not change when a cell is
scaled: every cell is taken relative to its background, which leaves numbers that single precision holds.

Which sets of templates are tried next depends on how well the last ones fitted, so a fit is written as a generator: it
yields requests and is sent their solutions. Independent fits advance in step, and requests of equal shape are solved in
one batch with the same arithmetic as one by one, hence with bit-identical results.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from oneshot.core.records.session import Floats, Floats32, Frames

Result = TypeVar("Result")

UPDATES = 14
"""Multiplicative updates per fit: further ones move nine activations in ten by less than 0.3 dB (two drums up to 25 dB
apart).
"""

ERROR_LIMIT_DB = 15.0
"""A cell that the model underestimates counts at most this much: something else may sound there too."""

OVERSHOOT_LIMIT_DB = 40.0
"""A cell that the model overestimates counts up to this: no further stroke takes energy away."""

AUDIBLE_RATIO = 1.6
"""A cell counts in the error where model or measurement stands 2 dB above the background."""

CELLS_AT_ONCE = 2**16
"""Cells of one batch: they stay in the second-level cache."""


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """One candidate to decompose; its cells (mic, band, time stretch) stand in one row, relative to what is there
    without any stroke: noise and the decay of earlier hits.

    ``energy``: float32 (cells,), measured; ``templates``: float32 (templates, cells), at activation 1; ``log_start``:
    float64 (templates,), natural logarithm of the activations from which updates start. Cells that do not count are
    left out; ``whole`` is the number of cells with them.
    """

    energy: Floats32
    templates: Floats32
    log_start: Floats
    whole: int

    def only(self, chosen: NDArray[np.bool_]) -> Candidate:
        """The same with only some of the templates; ``chosen``: bool (templates,)."""
        return Candidate(self.energy, self.templates[chosen], self.log_start[chosen], self.whole)


@dataclass(frozen=True, slots=True, eq=False)
class Request:
    """Asks for the activations of each set of templates in one candidate. ``sets``: int64 (sets, size), rows of
    templates.
    """

    candidate: Candidate
    sets: NDArray[np.int64]
    updates: int = UPDATES


Solution = tuple[Floats, Floats]
"""Activations, float64 (sets, size), >= 0, and mean absolute errors in dB, float64 (sets,)."""

Fit = Generator[Request, Solution, Result]
"""A fit in progress: yields requests, is sent their solutions, returns a result."""


def advance_in_step(fits: Sequence[Fit[None]]) -> None:
    """Run independent fits to their ends, solving their requests in common batches."""
    waiting = [(fit, request) for fit in fits if (request := next(fit, None)) is not None]
    while waiting:
        solutions = solve_all([request for _, request in waiting])
        going = []
        for (fit, _), each in zip(waiting, solutions, strict=True):
            try:
                going.append((fit, fit.send(each)))
            except StopIteration:
                continue
        waiting = going


def solve_all(requests: Sequence[Request]) -> list[Solution]:
    """Solve requests in their order; those of equal shape are solved as one batch."""
    in_use = [np.unique(request.sets, return_inverse=True) for request in requests]
    shape = [(request.sets.shape, len(distinct), len(request.candidate.energy), request.updates)
             for request, (distinct, _) in zip(requests, in_use, strict=True)]
    out: list[Solution | None] = [None] * len(requests)
    for (sets, _, cells, _), equal in groupby(sorted(range(len(requests)), key=lambda n: shape[n]), lambda n: shape[n]):
        rows = list(equal)
        count = max(1, CELLS_AT_ONCE // (sets[0] * cells))
        for a in range(0, len(rows), count):
            batch = rows[a : a + count]
            for n, each in zip(batch, _solve_batch([requests[n] for n in batch], [in_use[n] for n in batch]),
                               strict=True):
                out[n] = each
    return [each for each in out if each is not None]


def solve(request: Request) -> Solution:
    """Solve one request."""
    return solve_all([request])[0]


def _solve_batch(requests: Sequence[Request],
                 in_use: Sequence[tuple[NDArray[np.int64], NDArray[np.int64]]]) -> list[Solution]:
    """Multiplicative updates for every set of every request; all requests have one shape.

    ``in_use``: the templates that a request uses, and which of them each member of its sets is. Activations are kept as
    one row per set over all templates in use, 0 where a template is not in the set: every sum of an update is then one
    matrix product, and a zero stays zero.
    """
    sets, updates = requests[0].sets.shape, requests[0].updates
    templates = np.stack([request.candidate.templates[distinct]
                          for request, (distinct, _) in zip(requests, in_use, strict=True)])
    energy = np.stack([request.candidate.energy for request in requests])[:, None]
    row = np.arange(sets[0])[:, None]
    activation = np.zeros((len(requests), sets[0], templates.shape[1]), np.float32)
    place = [inverse.reshape(sets) for _, inverse in in_use]
    for each, request, at in zip(activation, requests, place, strict=True):
        each[row, at] = np.exp(request.candidate.log_start[request.sets]) / sets[1] ** 0.5
    transposed = templates.swapaxes(1, 2)
    for _ in range(updates):
        model = activation @ templates
        model += 1
        inverse = np.reciprocal(model, out=model)
        denominator = inverse @ transposed
        inverse *= inverse
        inverse *= energy
        activation *= np.sqrt((inverse @ transposed) / np.maximum(denominator, np.float32(1e-30)))
    model = activation @ templates
    model += 1
    whole = np.array([request.candidate.whole for request in requests])
    return [(each[row, at].astype(np.float64), errors)
            for each, at, errors in zip(activation, place, _errors_db(energy, model, whole), strict=True)]


def _errors_db(energy: Floats32, model: Floats32, whole: Frames) -> Floats:
    """Mean absolute error of models (requests, sets, cells) in dB, float64 (requests, sets), over the cells in which
    measurement or model stands out of the background. ``energy``: float32 (requests, 1, cells); ``whole``: int64
    (requests,), cells of each with those left out.

    Where less was measured than the background holds, the earlier decay has simply gone: that is no error of the model.
    Overshoot is clipped at a higher limit than undershoot: a further stroke may add energy, but none takes any away.
    """
    weight = np.maximum(energy, model) > np.float32(AUDIBLE_RATIO)
    error = np.log10(np.divide(model, np.maximum(energy, np.float32(1)), out=model), out=model)
    error *= 10
    np.abs(np.clip(error, -ERROR_LIMIT_DB, OVERSHOOT_LIMIT_DB, out=error), out=error)
    error *= weight
    out: Floats = error.sum(axis=2, dtype=np.float64) / np.maximum(weight.sum(axis=2), 0.02 * whole[:, None] + 1)
    return out
