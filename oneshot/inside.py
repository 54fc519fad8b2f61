"""Inside: kinds of strokes that hold another drum, told by that drum's own close mic.

A close mic hears its own drum as it hears nothing else. So what is as loud there as the drum's own strokes, and has
their spectrum, holds a stroke of that drum, whatever is heard elsewhere: a crash that never falls without the kick, a
tom that closes a fill with it. What that stroke puts into all mics is taken out; what is left is the other drum.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from oneshot.model import Floats, Frames
from oneshot.stages import Templates
from oneshot.untangle import without

SOFTER_DB = -10.0
"""How far below the drum's usual stroke what holds it may lie in its mic: bleed lies deeper, or is of another shape."""

ALIKE = 0.98
"""How alike both spectra are there: the cosine of their levels' roots. What holds the drum comes to 0.989 and more; a
rim shot in a tom's mic, a floor tom or a kick in the other's to 0.975 (sessions in which every stroke is known)."""

BELOW_DB, BELOW_SHARE = 6.0, 0.1
"""Nothing is softer than one of its parts: of the levels that the drum has in all mics, this share at most may lie so
far below it. Alternates of one strength differ by 2 to 3 dB in a band (common practice, no source)."""

FEWEST_HITS = 3
"""Strokes of a drum alone from which it is known what its mic hears of it."""

Parts = Mapping[int, Mapping[int, int]]
"""Kind -> number of each drum that it holds -> the row of the mic that tells it."""


def parts(own: Floats, kind: Frames, templates: Templates, stands: Mapping[int, Sequence[int]],
          near: NDArray[np.bool_]) -> Parts:
    """Which kinds hold another drum.

    ``own``: float64 (hits, mics, bands), mean squares of what each hit brought; ``kind``: int64 (hits,), the kind that
    explains each alone, -1 for none; ``stands``: number of a drum -> the rows of its own close mics; ``near``: bool
    (mics,), the mics that decide.
    """
    out: dict[int, dict[int, int]] = {}
    drum = np.where(kind >= 0, templates.drum[kind], -1)
    for number, rows in stands.items():
        mine = own[drum == number]
        if len(mine) < FEWEST_HITS or not rows:
            continue
        for k in np.unique(kind[(kind >= 0) & (drum != number)]).tolist():
            alike = {m: _alike(own[kind == k, m], mine[:, m]) for m in rows}
            best = max(alike, key=lambda m: alike[m])
            if alike[best] >= ALIKE and _fits(templates, k, number, best, near):
                out.setdefault(k, {})[number] = best
    return out


def _alike(some: Floats, own: Floats) -> float:
    """How alike hits are to a drum's own in its mic, both (hits, bands); 0 where they are too soft."""
    level, usual = float(np.median(some.sum(axis=1))), float(np.median(own.sum(axis=1)))
    if level <= usual * 10 ** (SOFTER_DB / 10):
        return 0.0
    shape = np.median(_shape(own), axis=0)
    shape /= max(float(shape.sum()), 1e-30)
    return float(np.median(np.sqrt(_shape(some) * shape).sum(axis=1)))


def _shape(own: Floats) -> Floats:
    return np.asarray(own / np.maximum(own.sum(axis=-1, keepdims=True), 1e-30))


def _fits(templates: Templates, k: int, number: int, m: int, near: NDArray[np.bool_]) -> bool:
    """Whether no other mic speaks against it that kind ``k`` holds the drum, as loud as row ``m`` hears it."""
    part = _part(templates, k, number, m)[near]
    most = np.where(templates.energy[k] > 0, templates.energy[k], templates.limit[k])[near]
    below = most[part > 0] < part[part > 0] * 10 ** (-BELOW_DB / 10)
    return bool(len(below)) and float(below.mean()) <= BELOW_SHARE


def _part(templates: Templates, k: int, number: int, m: int) -> Floats:
    """What the drum puts into kind ``k`` (mics, bands, stretches): its most frequent kind, as loud as row ``m`` hears
    it.
    """
    of = np.flatnonzero(templates.drum == number)
    main = of[np.argmax(templates.members[of])]
    both = (templates.energy[k, m] > 0) & (templates.energy[main, m] > 0)
    weight = templates.energy[k, m][both].sum() / max(float(templates.energy[main, m][both].sum()), 1e-30)
    return np.asarray(weight * templates.energy[main])


def parted(templates: Templates, found: Parts, near: NDArray[np.bool_]) -> tuple[Templates, NDArray[np.bool_]]:
    """The kinds, the drums that they hold taken out, and of which something is left (kinds,)."""
    energy, limit, delay = (np.array(x) for x in (templates.energy, templates.limit, templates.delay_ms))
    left = np.ones(len(energy), bool)
    for k, drums in found.items():
        taken = sum((_part(templates, k, number, m) for number, m in drums.items()), np.zeros_like(energy[k]))
        energy[k], limit[k], left[k] = without(templates.energy[k], templates.limit[k], taken, near)
        delay[k] = np.nan  # the earliest of several drums says nothing of one
    return Templates(energy, limit, delay, templates.drum, templates.members), left
