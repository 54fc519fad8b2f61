"""Polarity of prints: turned so that they first move upward, and so that all of one group agree.

Prints of one drum stand in for each other, so one that is upside down among them is worse than a group that is. What a
single print does first may be read wrongly: in soft hits the first half-wave is hardly louder than ripple and bleed.
But its waveform as a whole says which way up it is against the others. So each print is turned as it correlates with
the others of its group, and the group as most of them first move. Decided is over the sum as it is written, after
alignment, gains and filters: the single mics may point either way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from oneshot.core.records.session import Floats, Frames
from oneshot.cutting.mix.balance import Blend

HEAD_MS = 50.0
"""Prints are compared over this: attack and first swings, before the next stroke of dense playing."""
ALIKE = 0.5
"""Prints whose correlation with the others is less in magnitude have a waveform of their own, as cymbals do: each goes
by its own first move (common practice, no source).
"""
ROUNDS = 20


def turned_upward(blends: Sequence[Blend], *, sample_rate: int) -> list[Blend]:
    """The prints of one group, best first, turned over where needed; gains and signs in ``mics`` follow.

    Where as many first move up as down the best one decides. What is told as a print's first excursion is its own.
    """
    if not blends:
        return []
    first = np.array([blend.first_excursion for blend in blends])
    sign, alike = _agreed(_heads([blend.x.sum(axis=0) for blend in blends], sample_rate), first)
    upward = int((sign * first)[alike].sum()) or int((sign * first)[alike.argmax()])
    sign = np.where(alike & (upward < 0), -sign, sign)
    return [blend if turn > 0 else _turned(blend) for blend, turn in zip(blends, sign.tolist(), strict=True)]


def _heads(sums: Sequence[Floats], sample_rate: int) -> Floats:
    """The first ``HEAD_MS`` of each sum, all of energy 1, float64 (prints, frames); silence stays silent."""
    heads = np.zeros((len(sums), round(HEAD_MS * sample_rate / 1000)))
    for head, x in zip(heads, sums, strict=True):
        head[: len(x)] = x[: len(head)]
    norm = np.sqrt((heads * heads).sum(axis=1))
    return np.asarray(heads / np.maximum(norm, 1e-12)[:, None])


def _agreed(heads: Floats, first: Frames) -> tuple[Frames, NDArray[np.bool_]]:
    """How each print is turned, 1 or -1 (prints,), so that it agrees with the sum of the others, and whether it is
    alike enough to tell; if not, it is turned as it first moves, 1 or -1 (prints,).
    """
    sign, alike = first.copy(), np.zeros(len(first), bool)
    total = (sign[:, None] * heads).sum(axis=0)
    for _ in range(ROUNDS):
        before = sign.copy()
        for n, head in enumerate(heads):  # one after the other: two that disagree must not both give way
            others = total - sign[n] * head
            likeness = float((others * head).sum()) / max(float(np.sqrt((others * others).sum())), 1e-12)
            alike[n] = abs(likeness) >= ALIKE
            sign[n] = (1 if likeness > 0 else -1) if alike[n] else first[n]
            total = others + sign[n] * head
        if (sign == before).all():
            break
    return sign, alike


def _turned(blend: Blend) -> Blend:
    """The same upside down."""
    return replace(blend, x=-blend.x, first_excursion=-blend.first_excursion,
                   mics={name: replace(part, polarity=-part.polarity) for name, part in blend.mics.items()})
