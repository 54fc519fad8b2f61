"""Rhythm: where a drum's own pattern lets its next hit be expected."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from oneshot.analysis.sorting import rhythm


def expected_at(at_s: float, *own_s: float) -> bool:
    """Whether a drum struck at those times is expected at a moment at which another one is struck."""
    times = np.array(sorted([*own_s, at_s]))
    played = np.array([[t != at_s, t == at_s] for t in times.tolist()])
    return bool(rhythm.expected(times, played)[times.tolist().index(at_s), 0])


def test_what_goes_on_is_expected_where_it_is_hidden() -> None:
    """Hats on every eighth, 0.3 s apart, with a gap where the snare falls; not between two of them, nor long after."""
    hats = (0.0, 0.3, 0.9, 1.2, 1.5)

    assert expected_at(0.6, *hats)
    assert not expected_at(0.75, *hats)
    assert not expected_at(2.4, *hats)


def test_the_last_of_a_row_is_not_expected() -> None:
    """Two equal intervals before it are one pair of three: a row may have ended. So may one that is about to begin."""
    assert not expected_at(0.9, 0.0, 0.3, 0.6)
    assert not expected_at(0.0, 0.3, 0.6, 0.9)


def test_one_pulse_is_enough_on_either_side_of_a_change() -> None:
    """Between two equal intervals, one of which goes on: a pattern begins or ends there."""
    assert expected_at(0.6, 0.0, 0.3, 0.9)
    assert not expected_at(0.6, 0.3, 0.9)


@pytest.mark.parametrize(("apart_s", "felt"), [(0.1, True), (1.7, True), (2.0, False)])
def test_a_pulse_that_nobody_feels_lets_expect_nothing(apart_s: float, felt: bool) -> None:
    """Single hits two seconds apart are no pattern (the limit of 1.8 s: Fraisse 1982, from memory)."""
    assert expected_at(2 * apart_s, 0.0, apart_s, 3 * apart_s, 4 * apart_s) is felt


def test_a_hit_says_nothing_of_itself() -> None:
    """A drum that is struck in a row is expected at each of its hits by the others alone: at the first and the last by
    nothing.
    """
    at_s = np.linspace(0.0, 1.5, 6)

    assert [False, True, True, True, True, False] == rhythm.expected(at_s, np.ones((6, 1), bool))[:, 0].tolist()


def shares(deviation: float, rng: np.random.Generator) -> tuple[float, float]:
    """Of hats in eighths at 100 beats a minute whose intervals vary by that much: the share of hidden ones that are
    expected, and the share of moments anywhere at which one is.
    """

    def played(count: int) -> NDArray[np.float64]:
        """Times of some hats."""
        return np.cumsum(0.3 * (1 + rng.normal(0, deviation, count)), dtype=np.float64)

    hidden = [expected_at(float(t[4]), *np.delete(t, 4).tolist()) for t in (played(9) for _ in range(300))]
    free = [expected_at(float(rng.uniform(t[3], t[4])), *t.tolist()) for t in (played(9) for _ in range(300))]
    return float(np.mean(hidden)), float(np.mean(free))


def test_people_play_evenly_enough() -> None:
    """Intervals of trained players vary by 3 to 4 % (Repp 2005, from memory): nine hidden hats in ten are expected, and
    a moment taken anywhere once in ten.
    """
    hidden, free = shares(0.035, np.random.default_rng(5))

    assert hidden >= 0.9
    assert free <= 0.1


def test_drums_that_are_hardly_struck_let_expect_nothing() -> None:
    """Two hits make one interval; no hits make none."""
    assert not rhythm.expected(np.array([0.0, 0.5]), np.ones((2, 1), bool)).any()
    assert (0, 3) == rhythm.expected(np.zeros(0), np.zeros((0, 3), bool)).shape
