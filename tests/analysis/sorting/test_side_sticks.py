"""Sticks: a snare's side sticks and centre strokes are one drum, whatever its mic names first."""

from __future__ import annotations

import numpy as np
import pytest
from stage_inputs import BANDS, STRETCHES, templates

from oneshot.analysis.sorting import drums
from oneshot.core.records.session import Floats, Frames

NONE = np.full(3, -1)
CLOSE = np.array([0, 1, -1])
"""Mic 0 is the kick's, mic 1 the snare's, mic 2 an overhead."""


def stroke(levels: dict[tuple[int, int], float], fade_db: float) -> Floats:
    """A stroke over three mics: levels of bands in dB, falling by ``fade_db`` a stretch."""
    band = np.full(BANDS, -40.0)
    for (first, last), level in levels.items():
        band[first:last] = level
    one = band[:, None] - fade_db * np.arange(STRETCHES)
    energy = np.broadcast_to(10 ** (one / 10), (3, BANDS, STRETCHES))
    return np.asarray(energy / energy.sum())


KICK = stroke({(0, 2): 0.0}, 4.0)
STICK = stroke({(3, 7): 0.0}, 8.0)
CENTRE = stroke({(0, 3): 0.0, (4, 9): -4.0}, 4.0)
HAT = stroke({(6, 10): 0.0}, 6.0)


def joined(*kinds: Floats, under_db: float = -5.0, owner: tuple[int, ...] = (0, 1, -1),
           said: Frames = NONE) -> list[int]:
    """Drums of a kick, what the snare's mic owns, and a third kind that far below it there."""
    standing = np.array([[8.0, -9.0, 0.0], [-6.0, 15.0, 0.0], [-4.0, 15.0 + under_db, 0.0]])
    found = drums.join_side_sticks(templates(*kinds), np.arange(3), np.array(owner), said, standing, CLOSE, [1])
    return [int(d) for d in found]


def test_sticks_in_the_snares_mic_and_a_snare_beside_them_are_one() -> None:
    """What stands highest is wood; what comes next there sounds like a snare."""
    assert [0, 1, 1] == joined(KICK, STICK, CENTRE)


@pytest.mark.parametrize(("kinds", "more"), [
    ((KICK, CENTRE, CENTRE), {}),  # the mic's own drum sounds like a snare already
    ((KICK, STICK, HAT), {}),  # the other one does not
    ((KICK, STICK, CENTRE), {"under_db": -12.0}),  # it is hardly heard there
    ((KICK, STICK, CENTRE), {"owner": (0, 1, 0)}),  # another mic owns it
    ((KICK, STICK, CENTRE), {"said": np.array([-1, -1, 0])}),  # a label says what it is
    ((KICK, STICK, CENTRE), {"owner": (0, -1, -1)}),  # the snare's mic owns nothing
])
def test_all_else_stays_apart(kinds: tuple[Floats, ...], more: dict[str, object]) -> None:
    """Nothing is joined where any of that is missing."""
    assert [0, 1, 2] == joined(*kinds, **more)  # type: ignore[arg-type]
