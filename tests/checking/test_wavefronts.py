"""First wavefronts: when a sound begins, however slowly it rises, and only where that can be told."""

from __future__ import annotations

import numpy as np
import pytest

from oneshot.checking.wavefronts import front
from oneshot.core.records.session import Floats

RATE = 48000
BEFORE = 200


def window(at: float, rise_s: float, *, noise: float = 0.0) -> Floats:
    """A sound that begins at a frame and its part, rises in a straight line and then rings."""
    t = (np.arange(1920) - at) / RATE
    rising = np.clip(t / rise_s, 0, 1)
    hiss = noise * np.random.default_rng(1).uniform(-1, 1, len(t))
    return np.asarray(np.where(t > 0, rising * np.cos(2 * np.pi * 60 * t), 0.0) + hiss)


@pytest.mark.parametrize("rise_s", [0.0001, 0.0005, 0.001])
@pytest.mark.parametrize("at", [480.0, 480.3, 511.77])
def test_where_a_sound_begins(at: float, rise_s: float) -> None:
    """To a third of a frame, 2 mm, whether it rises within 0.1 or 1 ms; its threshold of 5 % lies up to 2.4 frames
    later.
    """
    x = window(at, rise_s)
    passed = int((x > 0.05 * x.max()).argmax())

    assert at == pytest.approx(front(x, BEFORE, passed, RATE), abs=0.34)


def test_gain_and_polarity_move_nothing() -> None:
    """Only the form of the front counts."""
    x = window(480.4, 0.0004, noise=0.001)

    assert front(x, BEFORE, 485, RATE) == front(-x, BEFORE, 485, RATE) == pytest.approx(front(x / 8, BEFORE, 485, RATE))


def test_noise_costs_little_and_too_much_of_it_says_so() -> None:
    """24 dB below the front it costs less than two frames, 1.4 cm; above that nothing is told; nor is it of silence."""
    fronts = {db: front(window(480.0, 0.0003, noise=10 ** (db / 20)), BEFORE, 485, RATE) for db in (-40, -26, -20)}

    assert 480.0 == pytest.approx(fronts[-40], abs=0.5)
    assert 480.0 == pytest.approx(fronts[-26], abs=2.0)
    assert np.isnan(fronts[-20])
    assert np.isnan(front(np.zeros(1920), BEFORE, 480, RATE))
