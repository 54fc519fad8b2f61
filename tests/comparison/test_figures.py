"""Figures of a drum in a mic that can be checked by hand, and against published values."""

from __future__ import annotations

import numpy as np
import pytest
from stage_inputs import RATE, hit, noise

from oneshot.comparison import figures
from oneshot.comparison.figures import Known, View
from oneshot.core.records.hits import Delay
from oneshot.core.records.session import Floats


def seen(*strokes: Floats, rate: int = RATE, noise_dbfs: float | None = None) -> View:
    """A drum in a mic."""
    return figures.view(hit(1), "Top", "close", strokes, rate, clean=True, known=Known(noise_dbfs))


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_a_sine_stands_in_its_own_octave(rate: int) -> None:
    """1 kHz at -6 dBFS: -9 dBFS rms, all of it in the octave of 1 kHz (IEC 61260-1), a crest factor of 3.01 dB
    (IEC 60268-3); bands above half the rate are not told.
    """
    x = 0.5 * np.sin(2 * np.pi * 1000 * np.arange(round(0.3 * rate)) / rate)
    found = seen(x, x, rate=rate, noise_dbfs=-90.0)

    assert -9.03 == pytest.approx(found.level_dbfs, abs=0.01)
    assert -6.02 == pytest.approx(found.peak_dbfs, abs=0.01)
    assert 3.01 == pytest.approx(found.crest_db, abs=0.01)
    assert 1000 == pytest.approx(found.brightness_hz, abs=1)
    assert 0.0 == pytest.approx(found.low_percent, abs=0.001)
    assert 0.0 == pytest.approx(found.bands_db[figures.NOMINAL.index("1k")], abs=0.001)
    assert max(band for name, band in zip(figures.NOMINAL, found.bands_db, strict=True)
               if name != "1k" and band is not None) < -60
    assert (rate == 44100) == (found.bands_db[-1] is None)


def test_white_noise_rises_by_three_decibels_an_octave() -> None:
    """Equal power per hertz is twice as much in twice the width; a gain changes the level and nothing else."""
    x = noise(RATE * 2, -20, 1)
    powers = figures.band_powers(x, RATE)
    found, louder = seen(x), seen(4 * x)

    assert float(np.mean(x**2)) == pytest.approx(powers[0], rel=1e-9)
    assert 3.01 == pytest.approx(found.tilt_db, abs=0.3)
    assert 12.04 == pytest.approx((louder.level_dbfs or 0) - (found.level_dbfs or 0), abs=0.01)
    assert [pytest.approx(band, abs=1e-9) for band in found.bands_db] == list(louder.bands_db)
    for name in ("crest_db", "brightness_hz", "low_percent", "edt_s", "t20_s"):
        assert getattr(found, name) == pytest.approx(getattr(louder, name))


def test_the_low_end_is_what_lies_below_120_hertz() -> None:
    """A sine at 60 Hz and one at 600 Hz of equal level: half of the power."""
    time = np.arange(round(0.3 * RATE)) / RATE
    x = np.sin(2 * np.pi * 60 * time) + np.sin(2 * np.pi * 600 * time)

    assert 50.0 == pytest.approx(seen(x).low_percent, abs=0.1)


@pytest.mark.parametrize("t60_s", [0.25, 0.6, 1.1])
def test_the_decay_of_an_exponential_is_its_own(t60_s: float) -> None:
    """ISO 3382-1: of a straight decay EDT and T20 are both the time for 60 dB, tau times 6.908; within the 5 percent
    that are just noticed (its annex A, from memory).
    """
    time = np.arange(round(1.2 * RATE)) / RATE
    strokes = [noise(len(time), -6, n) * np.exp(-6.908 * time / t60_s) for n in range(8)]
    found = seen(*strokes, noise_dbfs=-110.0)

    assert t60_s == pytest.approx(found.edt_s, rel=0.05)
    assert t60_s == pytest.approx(found.t20_s, rel=0.05)


def test_what_the_analysis_knows_is_taken_over() -> None:
    """Delay and distance, noise floor and what is in the mic's way: none of them is measured again."""
    known = Known(-80.0, Delay(2.9, 0.1, 8, 1.0), "compressor", (0.9, 0.5))
    found = figures.view(hit(1), "Top", "room", [noise(9000, -20, 1)], RATE, clean=False, known=known)

    assert (-80.0, 2.9, 1.0, "compressor", 0.9, 0.5, False) == (
        found.noise_dbfs, found.delay_ms, found.path_m, found.dynamics, found.attack_slope, found.body_slope,
        found.clean)


def test_silence_has_no_figures() -> None:
    """A dead mic gives no number."""
    found = seen(np.zeros(100))

    assert 0 == found.strokes
    for name in ("level_dbfs", "peak_dbfs", "tilt_db", "edt_s", "crest_db", "brightness_hz", "low_percent"):
        assert getattr(found, name) is None
