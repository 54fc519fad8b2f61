"""Filters and tails of prints: corners where they are asked for, an attack left bit for bit, combs as in theory."""

from __future__ import annotations

import numpy as np
import pytest

from oneshot.audio.filters import band, filtered, tail_shaped
from oneshot.config.recipe import PrintPart, PrintRecipe, TailPart
from oneshot.core.errors import SettingsError
from oneshot.core.records.session import Floats
from oneshot.cutting.mix.balance import blend_print, plan_print

RATE = 48000


def response_db(hz: float, **asked: float) -> float:
    """Level of a steady sine behind the filters."""
    x = np.sin(2 * np.pi * hz * np.arange(4 * RATE) / RATE)
    y = filtered(x, high_pass_hz=asked.get("high", 0.0), low_pass_hz=asked.get("low", 0.0), sample_rate=RATE)
    return float(10 * np.log10(np.mean(y[RATE:] ** 2) / np.mean(x[RATE:] ** 2)))


def test_corners_lie_where_they_are_asked_for() -> None:
    """Butterworth of the second order: -3.01 dB at the corner, 12 dB an octave beyond it (-12.3 dB one octave away)."""
    assert -3.01 == pytest.approx(response_db(80, high=80), abs=0.02)
    assert -12.3 == pytest.approx(response_db(40, high=80), abs=0.05)
    assert -3.01 == pytest.approx(response_db(2000, low=2000), abs=0.02)
    assert -12.3 == pytest.approx(response_db(400, low=200), abs=0.05)
    assert 0.0 == pytest.approx(response_db(1000, high=50, low=18000), abs=0.05)


def test_nothing_sounds_before_the_attack() -> None:
    """A filter is causal: silence stays silence up to the first sample of the stroke."""
    x = np.r_[np.zeros(500), 1.0, np.zeros(500)]

    assert not filtered(x, high_pass_hz=60, low_pass_hz=5000, sample_rate=RATE)[:500].any()
    assert np.array_equal(x, filtered(x, high_pass_hz=0, low_pass_hz=0, sample_rate=RATE))


def ring(hz: float, decay_s: float, seconds: float = 2.0) -> Floats:
    """A partial that falls by 60 dB in ``decay_s``."""
    t = np.arange(round(seconds * RATE)) / RATE
    return np.sin(2 * np.pi * hz * t) * 10 ** (-3 * t / decay_s)


def slope_db_s(x: Floats, first_s: float, last_s: float) -> float:
    """How fast a ring falls between two moments, dB per second."""
    step = RATE // 20
    power = np.square(x[: len(x) // step * step]).reshape(-1, step).mean(axis=1)
    at = (np.arange(len(power)) + 0.5) / 20
    use = (at >= first_s) & (at <= last_s)
    return float(np.polyfit(at[use], 10 * np.log10(power[use]), 1)[0])


def test_a_tail_dies_as_asked_and_the_attack_is_untouched() -> None:
    """A 60 Hz ring of 60 dB in 2 s, shaped from 100 ms on by 60 dB in 0.5 s: 30 + 120 dB per second. A 400 Hz ring
    beside it keeps its 30. The first 100 ms are the very samples.
    """
    low, high = ring(60, 2.0)[None], ring(400, 2.0)[None]
    start = round(0.1 * RATE)
    kwargs = {"low_hz": 0.0, "high_hz": 150.0, "start": start, "decay_s": 0.5, "sample_rate": RATE}
    y = tail_shaped(low + high, **kwargs)  # type: ignore[arg-type]

    np.testing.assert_array_equal((low + high)[:, :start], y[:, :start])
    assert -150 == pytest.approx(slope_db_s(tail_shaped(low, **kwargs)[0], 0.2, 0.5), rel=0.03)  # type: ignore[arg-type]
    assert -30 == pytest.approx(slope_db_s(tail_shaped(high, **kwargs)[0], 0.2, 1.5), rel=0.03)  # type: ignore[arg-type]


def test_bands_add_up_to_the_whole() -> None:
    """Lows and the rest are complementary: the filter's delay is taken back, so they sum to what was there."""
    x = np.random.default_rng(1).standard_normal((2, RATE))
    lows, highs = band(x, 0, 200, RATE), band(x, 200, RATE, RATE)

    np.testing.assert_allclose(x, lows + highs, atol=2e-3)
    assert x is band(x, 0, RATE, RATE)


@pytest.mark.parametrize("delay", [24, 48])
def test_two_delayed_copies_make_the_comb_of_theory_and_none_once_aligned(delay: int) -> None:
    """A sound and its copy d frames later cancel at odd multiples of 1/(2d) and add 6.02 dB at even ones: |1 + e^-jwd|
    is 2|cos(wd/2)|. With the copy's delay taken back the sum is 6.02 dB up everywhere.
    """
    noise = np.random.default_rng(3).standard_normal(RATE + 200)
    for align in (False, True):
        recipe = PrintRecipe(mics={"In": PrintPart(), "Out": PrintPart(align=align)}, length_ms=1000, upward=False)
        plan = plan_print(recipe, dict(recipe.mics), hit=1, attack=100, limit=None, delays={"Out": delay},
                          sample_rate=RATE)
        source = {"In": noise, "Out": np.r_[np.zeros(delay), noise[:-delay]]}
        audio = {name: source[name][plan.start + part.delay_frames :][: plan.frames]
                 for name, part in plan.mics.items()}
        out = blend_print(recipe, plan, audio, balance={}, sample_rate=RATE).x[0]
        inner = slice(1000, plan.frames - 4000)
        size = 1 << 15
        spectrum = np.abs(np.fft.rfft(out[inner][:size] * np.hanning(size)))
        one = np.abs(np.fft.rfft(audio["In"][inner][:size] * np.hanning(size)))
        gain_db = [10 * np.log10((spectrum[k - 2 : k + 3] ** 2).sum() / (one[k - 2 : k + 3] ** 2).sum())
                   for k in (round(m * size / (2 * delay)) for m in range(1, 9))]

        if align:
            assert all(6.02 == pytest.approx(g, abs=0.01) for g in gain_db)
        else:
            assert all(g < -35 for g in gain_db[0::2])
            assert all(6.02 == pytest.approx(g, abs=0.1) for g in gain_db[1::2])


def test_what_a_person_said_of_a_hit_holds_for_its_print() -> None:
    """An end, a fade and a gain by hand outrank the next stroke and the recipe."""
    recipe = PrintRecipe(mics={"In": PrintPart(gain_db=-3.0)}, length_ms=500)
    plan = plan_print(recipe, dict(recipe.mics), hit=1, attack=1000, limit=5000, delays={}, sample_rate=RATE, end=9600,
                      fade_out=480, gain_db=2.0)

    assert (9600 + plan.offset_frames, 480, -1.0) == (plan.frames, plan.fade_out_frames, plan.mics["In"].gain_db)


def test_a_band_without_width_is_refused() -> None:
    """One line that says what is wrong."""
    with pytest.raises(SettingsError, match="must lie below high_hz"):
        TailPart(low_hz=200, high_hz=100)


@pytest.mark.parametrize("low_hz", [22_050.0, 30_000.0, 95_999.0])
def test_no_sound_holds_a_band_above_half_its_rate(low_hz: float) -> None:
    """A recipe for 192 kHz, used at 44.1: there is nothing in that band, and nothing is changed."""
    x = np.random.default_rng(1).normal(size=(2, 4410))

    assert not band(x, low_hz, 96_000.0, 44_100).any()
    assert np.array_equal(x, tail_shaped(x, low_hz=low_hz, high_hz=96_000.0, start=100, decay_s=0.1,
                                         sample_rate=44_100))
