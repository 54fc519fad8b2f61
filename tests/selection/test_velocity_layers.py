"""Layers: borders in the gaps between strengths, MIDI ranges that follow their levels."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations, pairwise

import numpy as np
import pytest

from oneshot.core.records.session import Floats
from oneshot.selection.velocity_layers import layer_borders, natural_breaks, velocity_ranges

LADDER = [-30.0 + 6 * step + 0.3 * k for step in range(5) for k in range(4)]
"""Five steps 6 dB apart, four strokes within a decibel on each."""


# --------------------------------------------------------------------------------------------------------------- layers


def cost(values: Floats, starts: Sequence[int]) -> float:
    """Sum of squares about the mean of each part."""
    return float(sum(((p - p.mean()) ** 2).sum() for p in np.split(values, list(starts))))


@pytest.mark.parametrize("count", [2, 3, 4, 5])
def test_natural_breaks_are_the_best_there_are(count: int) -> None:
    """The split leaves no more variance inside its parts than any other split (Fisher 1958), tried one by one."""
    for seed in range(12):
        values = np.sort(np.random.default_rng(seed).normal(-20, 8, 10))
        best = min(cost(values, starts) for starts in combinations(range(1, 10), count - 1))
        found = natural_breaks(values, count)

        assert count - 1 == len(found)
        assert best == pytest.approx(cost(values, found))


def test_borders_lie_in_the_gaps() -> None:
    """Five clear steps give five layers, each border midway in a gap, whatever more layers the recipe allows."""
    borders = layer_borders(np.array(LADDER), 8, 3.0)

    np.testing.assert_allclose([-30 + 6 * s - (6 - 0.9) / 2 for s in (1, 2, 3, 4)], borders)


def test_no_more_layers_than_the_recipe_allows() -> None:
    """At most so many layers; one layer has no border."""
    for most in range(1, 8):
        assert min(most, 5) - 1 >= len(layer_borders(np.array(LADDER), most, 3.0))
    assert [] == layer_borders(np.array(LADDER), 1, 3.0)
    assert [] == layer_borders(np.array([-20.0]), 8, 3.0)
    assert [] == layer_borders(np.full(12, -20.0), 8, 3.0)


@pytest.mark.parametrize("seed", range(20))
def test_layers_are_steps_and_never_one_hit(seed: int) -> None:
    """Layers are at least 3 dB apart in their means; none is a single hit, save one that stands far from all."""
    rng = np.random.default_rng(seed)
    levels = np.sort(rng.uniform(-40, -5, int(rng.integers(8, 60))))
    parts = np.split(levels, np.searchsorted(levels, layer_borders(levels, 8, 3.0)))
    if min(len(p) for p in parts) == 1:
        lone = next(k for k, p in enumerate(parts) if len(p) == 1)
        around = [float(p.mean()) for p in parts]

        assert min(abs(around[lone] - m) for k, m in enumerate(around) if k != lone) > 3.0
    assert all(b.mean() - a.mean() >= 3.0 for a, b in pairwise(parts))
    assert sum(len(p) for p in parts) == len(levels)


@pytest.mark.parametrize("levels", [[14.9, 20.0, 24.3], [-30.0, -26.5, -22.0], [*np.arange(-33.0, 0.0, 4.1)]])
def test_a_ladder_of_single_strokes_has_a_layer_for_each(levels: list[float]) -> None:
    """Three crashes 4 to 5 dB apart are three layers, and eight strokes from soft to hard eight: none is left out."""
    borders = layer_borders(np.array(levels), 12, 3.0)

    assert [(a + b) / 2 for a, b in pairwise(levels)] == pytest.approx(borders)


@pytest.mark.parametrize("levels", [[14.9, 16.9, 19.5], [-20.0, -19.5, -17.6]])
def test_strokes_nearer_than_a_step_are_no_layers(levels: list[float]) -> None:
    """Where single strokes lie nearer to each other than a step, they are no layers each."""
    parts = np.split(np.array(levels), np.searchsorted(levels, layer_borders(np.array(levels), 8, 3.0)))

    assert len(parts) < 3
    assert all(b.mean() - a.mean() >= 3.0 for a, b in pairwise(parts))


# ----------------------------------------------------------------------------------------------------------- velocities


@pytest.mark.parametrize("levels", [[-20.0], [-30.0, -6.0], [-40.0, -31.0, -22.5, -14.0, -9.0, -6.0, -2.0, 0.0],
                                    [-90.0, -89.0, -88.0, 0.0], list(np.linspace(-12, 0, 60))])
def test_ranges_tile_all_velocities(levels: list[float]) -> None:
    """Every velocity from 1 to 127 belongs to exactly one layer, softer ones to lower velocities."""
    ranges = velocity_ranges(levels)

    assert len(levels) == len(ranges)
    assert list(range(1, 128)) == [v for low, high in ranges for v in range(low, high + 1)]


def test_ranges_follow_the_published_law() -> None:
    """Two layers 12 dB apart meet where 40·log10(v/127) is -6 dB: velocity 90 (SoundFont 2.04, section 8.4.1)."""
    (_, soft_top), (hard_low, _) = velocity_ranges([-18.0, -6.0])

    assert 40 * np.log10(soft_top / 127) == pytest.approx(-6.0, abs=0.15)
    assert (90, 91) == (soft_top, hard_low)


def test_layers_are_asked_for_at_their_own_level() -> None:
    """The velocity at which the law gives a layer's level lies in that layer's range (SoundFont 2.04, section
    8.4.1).
    """
    levels = [-34.0, -26.0, -19.0, -12.0, -5.0, 0.0]
    for level, (low, high) in zip(levels, velocity_ranges(levels), strict=True):
        assert low <= max(1, round(127 * 10 ** (level / 40))) <= high
