"""Conversion is good enough for the finest word length that kits are written in."""

from __future__ import annotations

import numpy as np
import pytest

from oneshot.audio.convert import resampled
from oneshot.core.records.session import Floats

HALF_STEP = 2.0**-24
"""Half a step of 24 bits, full scale 1.0: an error below it is smaller than that of rounding to 24 bits."""
RATES = [(44100, 48000), (48000, 44100), (96000, 44100), (96000, 48000), (44100, 96000)]


def sine(hz: float, rate: int) -> Floats:
    """A second of a sine of -6 dBFS, one channel, by its closed form."""
    return 0.5 * np.sin(2 * np.pi * hz * np.arange(rate) / rate + 0.3)[None]


def middle(x: Floats) -> Floats:
    """The middle half of a signal, where a filter's ends are not heard."""
    return x[:, x.shape[1] // 4 : x.shape[1] * 3 // 4]


@pytest.mark.parametrize(("before", "after"), RATES)
@pytest.mark.parametrize("hz", [50.0, 997.0, 10_000.0, 16_000.0, 20_000.0])
def test_a_converted_sine_is_the_sine_at_the_new_rate(hz: float, before: int, after: int) -> None:
    """Band-limited sound has one true form at any rate that holds it (Shannon 1949, from memory): a converted sine is
    the sine computed at the new rate. Its level keeps to 0.01 dB (towards half the rate the filter's passband bends a
    little); all that is not level, a wrong phase or time as well as images and noise, stays below half a step of 24
    bits.
    """
    out, want = middle(resampled(sine(hz, before), before, after)), middle(sine(hz, after))
    gain = float((out * want).sum() / (want * want).sum())

    assert 0.0 == pytest.approx(20 * np.log10(gain), abs=0.01)
    assert np.abs(out - gain * want).max() < HALF_STEP


@pytest.mark.parametrize(("before", "after"), [(96000, 44100), (96000, 48000)])
@pytest.mark.parametrize("above", [1.1, 1.5, 1.9])
def test_what_the_new_rate_cannot_hold_is_gone(above: float, before: int, after: int) -> None:
    """A sine above half the new rate leaves less than half a step of 24 bits, wherever it would fold to."""
    left = middle(resampled(sine(above * after / 2, before), before, after))

    assert np.abs(left).max() < HALF_STEP


@pytest.mark.parametrize(("before", "after"), RATES)
def test_length_and_sides_are_kept(before: int, after: int) -> None:
    """Both sides of a pair come out as each would alone, as long as they were, to the nearest frame."""
    both = np.vstack([sine(997.0, before), -0.5 * sine(400.0, before)])[:, : before // 3]
    out = resampled(both, before, after)

    assert out.shape[1] == pytest.approx(both.shape[1] * after / before, abs=0.51)
    for side in (0, 1):
        np.testing.assert_array_equal(resampled(both[side : side + 1], before, after)[0], out[side])
