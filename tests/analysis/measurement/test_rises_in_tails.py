"""Rising: another sound in a hit's ring is told, the ring itself and what falls with the hit are not."""

from __future__ import annotations

import numpy as np
import pytest

from oneshot.analysis.measurement.envelopes import risen
from oneshot.core.records.session import Floats

LENGTH, BANDS, CELLS = 5, 3, 35


def fading(level_db: float, fall_db: float = 1.0, start: int = 0) -> Floats:
    """A sound that falls from cell ``start`` on, in the lowest band 10 dB stronger than in others (cells, bands)."""
    cell = np.arange(CELLS) - start
    level = np.where(cell >= 0, 10 ** ((level_db - fall_db * cell) / 10), 0.0)
    return np.asarray(level[:, None] * np.array([1.0, 0.1, 0.1]))


def told(own: Floats, other: Floats, laid: Floats | None = None, last: int = CELLS) -> list[float]:
    """What is found in one hit over noise at -80 dB, from cell 5 on."""
    expected = np.zeros_like(own) if laid is None else laid
    found = risen(own[None], other[None], expected[None], np.full(BANDS, 1e-8), np.array([5]), np.array([last]), LENGTH)
    return [float(x) for x in found[0]]


def test_a_stroke_that_was_not_found_is_told_where_it_begins() -> None:
    """A sound 10 dB over a ring in its 18th cell: the cell before, and what the five cells hold that reach into it."""
    at, level, ring = told(fading(0.0), fading(-8.0, start=18))

    assert 17 == at
    assert pytest.approx(-8.0 - 7.0, abs=0.1) == 10 * np.log10(level / 1.2)  # one cell in five
    assert pytest.approx(-16.0, abs=0.5) == 10 * np.log10(ring / 1.2)


@pytest.mark.parametrize("other", [
    np.zeros((CELLS, BANDS)),  # nothing else
    fading(-8.0),  # struck together with the hit
    fading(-40.0, start=18),  # 20 dB below the ring
    fading(8.0, start=18),  # louder than the hit ever was
])
def test_what_ends_no_tail_is_not_told(other: Floats) -> None:
    """What begins with the hit, lies deep in its ring, or is louder than the hit itself."""
    assert np.isnan(told(fading(0.0), other)).all()


def test_what_strokes_explain_is_not_told() -> None:
    """A stroke that was found, 3 dB louder than expected, is none that was missed; nor what comes after the next."""
    assert np.isnan(told(fading(0.0), fading(-8.0, start=18), fading(-11.0, start=18))).all()
    assert np.isnan(told(fading(0.0), fading(-8.0, start=18), last=18)).all()


def test_a_ring_that_beats_is_not_told() -> None:
    """What is left unexplained of a ring's beats comes up by 3 dB time and again, and is no rise."""
    beats = fading(-6.0, fall_db=0.0) * 10 ** (0.15 * np.sin(np.arange(CELLS)))[:, None]

    assert np.isnan(told(fading(0.0), beats)).all()


def test_a_soft_stroke_comes_up_at_once() -> None:
    """For two cells 7 dB over the ring in one band, a sixth of the whole ring over 55 ms: told by how it comes up; the
    same sound coming up over eight cells is not, nor what is expected there.
    """
    ring, at_once, slowly = fading(0.0, fall_db=0.3), np.zeros((CELLS, BANDS)), np.zeros((CELLS, BANDS))
    at_once[18:20, 1] = 0.15
    slowly[12:20, 1] = 0.15 * 10 ** (-0.15 * np.arange(7, -1, -1))

    at, level, beside = told(ring, at_once)

    assert 17 == at
    assert pytest.approx(0.15 * 2 / 3) == level
    assert pytest.approx(10 ** -0.54 * 1.2, rel=0.02) == beside
    assert np.isnan(told(ring, slowly)).all()
    assert np.isnan(told(ring, at_once, at_once)).all()


def test_rings_that_waver_as_noise_does_are_seldom_taken_for_strokes() -> None:
    """Bands of noise that fade by 60 dB a second under an envelope that is 3 dB too low: of 2,000, hardly one."""
    rng = np.random.default_rng(5)
    ring = 10 ** (-0.07 * np.arange(CELLS))[None, :, None] * rng.gamma(4.0, 0.25, (2000, CELLS, 10))
    own = np.minimum(ring, 2.0 * 10 ** (-0.07 * np.arange(CELLS))[None, :, None])
    first, last = np.full(2000, 5), np.full(2000, CELLS)
    found = risen(own, ring - own, np.zeros_like(own), np.full(10, 1e-8), first, last, LENGTH)

    assert (~np.isnan(found[:, 0])).sum() <= 10
