"""Hits at rising levels, and what is chosen of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from stage_inputs import hit

from oneshot.analysis.measurement.similarity import Measured
from oneshot.config.recipe import Choosing
from oneshot.core.records.hits import Hit
from oneshot.core.records.session import Floats
from oneshot.selection.select import ByHand, Chooser, Chosen, choose

LADDER = [-30.0 + 6 * step + 0.3 * k for step in range(5) for k in range(4)]
"""Five steps 6 dB apart, four strokes within a decibel on each."""


def hits_at(levels: Sequence[float] | Floats) -> list[Hit]:
    """A hit per level, numbered from 1."""
    return [hit(n, level_db=float(level)) for n, level in enumerate(levels, 1)]


def chosen(hits: Sequence[Hit], grades: str = "", clean: Mapping[int, float] | None = None, *,
           rejected: Iterable[int] = (), wanted: Iterable[int] = (), measured: Mapping[int, Measured] | None = None,
           by_hand: ByHand | None = None, far: str = "", **recipe: Any) -> Chosen:
    """Choose with grade A (or one letter a hit) and everything 60 dB clean, and the recipe's other values as given.

    ``far``: one letter a hit, its grade in an overhead.
    """
    letters = grades or "A" * len(hits)
    return choose(hits, Chooser({h.id: g for h, g in zip(hits, letters, strict=True)},
                                {h.id: (clean or {}).get(h.id, -60.0) for h in hits}, Choosing(**recipe),
                                measured or {}, {"take 1": 48000}, frozenset(rejected), frozenset(wanted),
                                by_hand or ByHand(), far={h.id: {"OH": g} for h, g in zip(hits, far, strict=False)}))


def by_id(found: Chosen) -> dict[int, Hit]:
    """The hits by number."""
    return {h.id: h for h in found.hits}
