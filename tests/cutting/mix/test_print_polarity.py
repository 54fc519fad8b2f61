"""Polarity of prints: all of a group the same way up, and that is upward."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from oneshot.core.records.kit import PrintMic
from oneshot.core.records.session import Floats
from oneshot.cutting.mix.balance import Blend, PrintPlan, first_excursion
from oneshot.cutting.mix.print_polarity import turned_upward

RATE = 48000


def kick(click: float, sign: float = 1.0, size: float = 1.0) -> Floats:
    """A kick that clicks upward for 1 ms and then swings down into its body of 55 Hz, the other way up with -1."""
    time = np.arange(RATE // 4) / RATE
    body = -np.sin(2 * np.pi * 55 * time) * (1 - np.exp(-time * 400)) * np.exp(-time * 12)
    return np.asarray(sign * size * (body + click * (time < 0.001)))[None]


def noise(seed: int) -> Floats:
    """A cymbal: noise that resembles no other."""
    time = np.arange(RATE // 4) / RATE
    return np.asarray(np.random.default_rng(seed).normal(0, 0.3, len(time)) * np.exp(-time * 10))[None]


def blends(sounds: Sequence[Floats]) -> list[Blend]:
    """Prints as they were mixed, each of one mic."""
    plan = PrintPlan(0, 0, RATE // 4, 0, 0, {"Mic": PrintMic(0.0, 0, 1)})
    return [Blend(plan, plan.mics, x, first_excursion(x.sum(axis=0), sample_rate=RATE)) for x in sounds]


def turns(sounds: Sequence[Floats]) -> list[int]:
    """The polarity of the mic in each print once turned."""
    return [blend.mics["Mic"].polarity for blend in turned_upward(blends(sounds), sample_rate=RATE)]


def test_one_that_reads_otherwise_goes_with_the_others() -> None:
    """The click of one soft hit is too faint to be read: it would be turned upside down by its first move, -1 in its
    correlation with the others. It stays as they are, and what is told of it is its own first excursion.
    """
    sounds = [kick(0.2), kick(0.25), kick(0.05, size=0.1), kick(0.2, size=0.4)]
    found = turned_upward(blends(sounds), sample_rate=RATE)

    assert [1, 1, -1, 1] == [blend.first_excursion for blend in blends(sounds)]
    assert [1, 1, 1, 1] == [blend.mics["Mic"].polarity for blend in found]
    assert [1, 1, -1, 1] == [blend.first_excursion for blend in found]


@pytest.mark.parametrize("wrong", [0, 1, 3])
def test_a_mic_that_was_turned_round_between_hits_is_turned_back(wrong: int) -> None:
    """One of four lies the other way up, whichever it is: all point upward in the end, and agree."""
    sounds = [kick(0.2, -1.0 if n == wrong else 1.0) for n in range(4)]
    found = turned_upward(blends(sounds), sample_rate=RATE)

    assert [-1 if n == wrong else 1 for n in range(4)] == [blend.mics["Mic"].polarity for blend in found]
    for blend in found:
        np.testing.assert_array_equal(kick(0.2), blend.x)
        assert 1 == blend.first_excursion


def test_a_group_that_points_down_is_turned_as_one() -> None:
    """All of them, also the one that reads otherwise."""
    assert [-1] * 4 == turns([kick(0.2, -1.0), kick(0.2, -1.0), kick(0.05, -1.0), kick(0.3, -1.0)])


def test_of_two_that_disagree_the_best_decides() -> None:
    """Two hits alike but for how they first move agree, and point as the first of them does."""
    assert [1, 1] == turns([kick(0.2), kick(0.05)])
    assert [-1, -1] == turns([kick(0.05), kick(0.2)])


def test_waveforms_of_their_own_go_by_their_own_first_move() -> None:
    """Cymbals agree with none: each moves upward first, and so does a print that is alone, or silent."""
    sounds = [noise(seed) for seed in range(6)]
    found = turned_upward(blends(sounds), sample_rate=RATE)

    assert {-1, 1} == {blend.first_excursion for blend in blends(sounds)}
    assert {1} == {blend.first_excursion for blend in found}
    assert [-1] == turns([kick(0.2, -1.0)])
    assert [1, 1] == turns([np.zeros((1, RATE // 4))] * 2)
    assert [] == turned_upward([], sample_rate=RATE)


def test_a_body_that_swings_up_later_does_not_hide_the_attack() -> None:
    """A soft kick whose click is a twelfth of its body, which swings the other way and peaks after 25 ms, first moves
    as the click does.
    """
    time = np.arange(RATE // 4) / RATE
    soft = 0.08 * (time < 0.001) - np.minimum((time / 0.025) ** 2, 1.0) * np.exp(-time * 4)

    assert 1 == first_excursion(soft, sample_rate=RATE)
    assert -1 == first_excursion(-soft, sample_rate=RATE)
