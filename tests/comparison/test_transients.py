"""What compression does to a hit: dB out for each dB in, of the attack and of the body."""

from __future__ import annotations

import numpy as np
import pytest
from known_windows import windows
from stage_inputs import RATE, hit, strike

from oneshot.comparison import transients
from oneshot.core.records.session import Floats

LEVELS_DB = np.linspace(-24, 0, 13)
ALL = {"Close": -40.0, "Over": -30.0, "Crush": -30.0}


def strokes(attack: float = 1.0, body: float = 1.0) -> list[Floats]:
    """The same stroke at 13 levels, of whose attack (20 ms) and body so many dB come out for each dB in."""
    first = round(0.020 * RATE)
    out = []
    for level in LEVELS_DB.tolist():
        x = strike(1, 0.1)
        x[:first] *= 10 ** (attack * level / 20)
        x[first:] *= 10 ** (body * level / 20)
        out.append(x)
    return out


def test_attack_and_body_are_told_apart() -> None:
    """A compressor that lets the attack pass and takes half of every dB of what follows; one that takes all alike."""
    hits = [hit(n + 1, level_db=float(level), bleed_db=ALL) for n, level in enumerate(LEVELS_DB)]
    heard = windows({"Close": strokes(), "Over": [0.1 * x for x in strokes()], "Crush": strokes(1.0, 0.5)}, hits=hits)
    found = transients.transient_slopes(heard, frozenset({"Close", "Over"}))

    assert (1.0, 0.5) == pytest.approx(found["Crush"], abs=0.01)
    assert (1.0, 1.0) == pytest.approx(found["Over"], abs=0.01)
    heard = windows({"Close": strokes(), "Over": strokes(), "Crush": strokes(0.4, 0.4)}, hits=hits)
    found = transients.transient_slopes(heard, frozenset({"Close", "Over"}))
    assert (0.4, 0.4) == pytest.approx(found["Crush"], abs=0.01)


def test_too_little_is_not_told() -> None:
    """Hits of one strength, few hits, unclean ones, hits cut short, and no linear mic to go by: nothing is known."""
    same = [strike(1)] * 13
    clean = [hit(n + 1, bleed_db=ALL) for n in range(13)]
    unclean = [hit(n + 1, bleed_db={**ALL, "Crush": -3.0}) for n in range(13)]
    both = {"Close": strokes(), "Crush": strokes(0.5, 0.5)}
    linear = frozenset({"Close"})

    for heard, known in ((windows({"Close": same, "Crush": same}, hits=clean), linear),
                         (windows({name: x[:7] for name, x in both.items()}, hits=clean[:7]), linear),
                         (windows(both, hits=unclean), linear), (windows(both, hits=clean, stop=[400] * 13), linear),
                         (windows(both, hits=clean), frozenset[str]())):
        assert (None, None) == transients.transient_slopes(heard, known)["Crush"]
