"""Two mics together: combs, sums and low end, by what any textbook of acoustics says of two copies of one sound."""

from __future__ import annotations

import numpy as np
import pytest
from known_windows import windows
from stage_inputs import RATE, noise, strike

from oneshot.comparison import pairs
from oneshot.core.air import speed_of_sound
from oneshot.core.records.session import Floats


@pytest.mark.parametrize("delay_ms", [0.5, 1.0, 2.9, 6.25])
def test_notches_lie_at_the_odd_multiples_of_half_the_inverse_delay(delay_ms: float) -> None:
    """The sum of a sound and its copy vanishes there, and doubles midway, at the multiples of 1/t; inverted, the other
    way round. 1 ms: 500 Hz, 1500 Hz, 2500 Hz.
    """
    notches = np.array(pairs.notches_hz(delay_ms, 4))

    def gain(hz: Floats, sign: int) -> Floats:
        """Of a sound and its copy, re the sound alone."""
        return np.asarray(np.abs(1 + sign * np.exp(-2j * np.pi * hz * delay_ms / 1000)), np.float64)

    assert np.allclose(notches, (2 * np.arange(4) + 1) * 1000 / (2 * delay_ms))
    assert gain(notches, 1).max() < 1e-9
    assert gain(notches, -1).min() > 1.99
    assert gain(notches + notches[0], 1).min() > 1.99


def test_the_comb_at_three_times_the_distance() -> None:
    """A copy at -9.54 dB, from three times as far by the inverse distance law, makes +2.50 and -3.52 dB. That it should
    be so far away is common practice, no source.
    """
    peak, notch = pairs.ripple_db(-20 * np.log10(3))

    assert 2.50 == pytest.approx(peak, abs=0.01)
    assert -3.52 == pytest.approx(notch, abs=0.01)
    assert (6.02, -60.0) == pytest.approx(pairs.ripple_db(0.0), abs=0.01)
    assert pairs.ripple_db(-6.0) == pairs.ripple_db(6.0)


def found(near: Floats, far: Floats, late: int, metres_per_ms: float = 0.3432) -> pairs.Pair:
    """Two mics that hear a stroke ``late`` frames apart."""
    heard = windows({"Near": [near] * 2, "Far": [far] * 2}, {"Far": late})
    return pairs.pairs(heard, [0.0, late / RATE * 1000], metres_per_ms)[0]


@pytest.mark.parametrize(("level", "kept"), [(0.0, False), (-9.0, False), (-9.6, True), (9.6, True)])
def test_a_pair_knows_three_to_one_by_level(level: float, kept: bool) -> None:
    """One at least 9.54 dB below the other (common practice, no source)."""
    x = strike(1)
    pair = found(x, x * 10 ** (level / 20), 0)

    assert level == pytest.approx(pair.level_db, abs=0.01)
    assert kept == pair.three_to_one
    assert pairs.ripple_db(level) == pytest.approx((pair.peak_db, pair.notch_db), abs=0.01)


def test_a_coincident_pair_adds_up() -> None:
    """Two mics at one place (common practice, no source): no delay, no notch; 3.01 dB above two strangers, whatever
    the gain of either, and nothing is left with one inverted.
    """
    x = strike(1)
    pair = found(x, 0.2 * x, 0)

    assert (0.0, 0.0, None) == (pair.delay_ms, pair.path_m, pair.first_notch_hz)
    assert 3.01 == pytest.approx(pair.sum_db, abs=0.01)
    assert -60.0 == pytest.approx(pair.inverted_db)
    assert 3.01 == pytest.approx(pair.best_low_db, abs=0.01)
    assert (0.0, 1) == (pair.best_shift_ms, pair.best_polarity)


@pytest.mark.parametrize("air_c", [0.0, 20.0, 30.0])
def test_a_metre_further_is_three_milliseconds_later(air_c: float) -> None:
    """3.02, 2.91 and 2.87 ms (ISO 9613-1: 343.2 m/s times the root of T/293.15 K); its first notch below 175 Hz."""
    speed = speed_of_sound(air_c)
    late = round(RATE / speed)
    pair = found(strike(1), strike(1), late, speed / 1000)

    assert {0.0: 3.0185, 20.0: 2.9138, 30.0: 2.8653}[air_c] == pytest.approx(1000 / speed, abs=5e-4)
    assert 1.0 == pytest.approx(pair.path_m, abs=speed / RATE)
    assert speed / 2 == pytest.approx(pair.first_notch_hz, rel=0.005)


@pytest.mark.parametrize(("late", "sign"), [(0, -1), (96, 1), (96, -1), (240, 1)])
def test_the_low_end_is_most_where_both_are_in_line(late: int, sign: int) -> None:
    """A thump of many frequencies below 120 Hz, heard later and inverted: moved earlier by its delay and turned over it
    is twice as much; as it stands the figures say how much of that is lost.
    """
    time = np.arange(round(0.25 * RATE)) / RATE
    x = np.sin(2 * np.pi * (110 * time - 120 * time**2)) * np.exp(-time / 0.05)
    pair = found(x, sign * x, late)

    assert -1000 * late / RATE == pytest.approx(pair.best_shift_ms, abs=0.1)
    assert sign == pair.best_polarity
    assert 3.01 == pytest.approx(pair.best_low_db, abs=0.05)
    assert pair.best_low_db >= max(pair.low_db, pair.low_inverted_db)


def test_strangers_add_up_to_nothing_more() -> None:
    """Noise of two sources: 0 dB, in either polarity; a mic that hears nothing is in no pair."""
    heard = windows({"A": [noise(RATE, -20, 1)], "B": [noise(RATE, -40, 2)], "Dead": [np.zeros(RATE)]})
    both = pairs.pairs(heard, [0.0, None, None], 0.3432)

    assert [("A", "B")] == [(pair.first, pair.second) for pair in both]
    assert 0.0 == pytest.approx(both[0].sum_db, abs=0.1)
    assert (None, None, None) == (both[0].delay_ms, both[0].path_m, both[0].first_notch_hz)
