"""Articulations: strokes of one drum told apart by spectrum and decay at like strength, and no split where none is."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.metrics import silhouette_samples
from stage_inputs import BANDS, STRETCHES, heard, template, templates

from oneshot.analysis.sorting import articulations
from oneshot.core.records.session import Floats

MICS = 2
FADE = np.arange(STRETCHES)[None, None, :]


def strokes(count: int, seed: int, *, fade_db: float = 6.0, tilt_db: float = 0.0, strength: Floats | None = None,
            brighter: float = 0.0) -> Floats:
    """Levels in dB (hits, mics, bands, stretches) of strokes of one kind, 1 dB of spread in each level.

    ``tilt_db``: how much the upper half of the bands is raised and the lower half lowered; ``brighter``: what a decibel
    of ``strength`` tilts, dB per band.
    """
    rng = np.random.default_rng(seed)
    hard = rng.uniform(-20, 0, count) if strength is None else strength
    spectrum = np.linspace(0, -12, BANDS) + tilt_db * np.where(np.arange(BANDS) < BANDS // 2, -1, 1)
    tilt = brighter * hard[:, None] * (np.arange(BANDS) - BANDS / 2)
    level = (spectrum + tilt)[:, None, :, None] + hard[:, None, None, None] - fade_db * FADE
    return np.asarray(level + np.arange(MICS)[:, None, None] * 3.0 + rng.normal(0, 1, (count, MICS, BANDS, STRETCHES)))


def test_two_ways_of_striking_are_told_apart() -> None:
    """A snare's centre and rim, struck as softly and as hard as each other, are two, the more frequent one first."""
    found = articulations.tell_apart(np.concatenate([strokes(9, 1, tilt_db=5.0), strokes(30, 2)]))

    assert [1] * 9 + [0] * 30 == found.tolist()


def test_one_way_is_not_split() -> None:
    """Strokes of one kind over 20 dB of strength are one articulation, whatever their number."""
    for count in (2, 8, 60):
        assert [0] * count == articulations.tell_apart(strokes(count, count)).tolist()


def test_a_hard_stroke_is_brighter_and_no_other() -> None:
    """Soft and hard strokes of one kind are one, though the hard ones are brighter by 0.1 dB a band for each dB, also
    where all of them are either soft or hard.
    """
    rng = np.random.default_rng(5)
    spread = rng.uniform(-24, 0, 50)
    layers = np.concatenate([rng.uniform(-24, -20, 25), rng.uniform(-4, 0, 25)])
    for strength in (spread, layers):
        assert [0] * 50 == articulations.tell_apart(strokes(50, 6, strength=strength, brighter=0.1)).tolist()


def test_a_rim_is_told_though_strength_tilts_too() -> None:
    """Where hard strokes are brighter, a brighter articulation at the strengths of the hard ones is still told."""
    centre = strokes(40, 7, brighter=0.1)
    rim = strokes(8, 8, tilt_db=5.0, strength=np.linspace(-6, 0, 8), brighter=0.1)

    assert [0] * 40 + [1] * 8 == articulations.tell_apart(np.concatenate([centre, rim])).tolist()


def test_an_open_hat_cut_short_stays_open() -> None:
    """Open hats that the next stroke cuts off after 45 ms are told by how they fade until then."""
    closed, ringing, stumps = strokes(30, 9, fade_db=10.0), strokes(8, 10, fade_db=0.0), strokes(5, 11, fade_db=0.0)
    stumps[..., 3:] = np.nan

    assert [0] * 30 + [1] * 13 == articulations.tell_apart(np.concatenate([closed, ringing, stumps])).tolist()


def test_a_few_odd_hits_are_no_articulation() -> None:
    """Three hits unlike all others are a chance or a fault, and belong to what there is."""
    found = articulations.tell_apart(np.concatenate([strokes(20, 12), strokes(3, 13, tilt_db=6.0)]))

    assert [0] * 23 == found.tolist()


def test_the_order_of_the_hits_changes_nothing() -> None:
    """The same hits in another order are sorted alike."""
    levels = np.concatenate([strokes(12, 14, tilt_db=5.0), strokes(20, 15)])
    order = np.random.default_rng(16).permutation(len(levels))

    assert articulations.tell_apart(levels)[order].tolist() == articulations.tell_apart(levels[order]).tolist()


def test_silhouettes_are_those_of_the_reference() -> None:
    """The silhouette of every hit is scikit-learn's ``silhouette_samples`` on the same distances."""
    rng = np.random.default_rng(17)
    points = rng.normal(0, 1, (25, 3)) + np.repeat([0.0, 3.0, 7.0], [10, 9, 6])[:, None]
    distance = np.linalg.norm(points[:, None] - points, axis=2)
    label = np.repeat([0, 1, 2], [10, 9, 6])

    expected = silhouette_samples(distance, label, metric="precomputed")
    assert expected == pytest.approx(articulations._silhouettes(distance, label))


def test_what_is_hidden_is_not_known() -> None:
    """A hit's own level is what its partner leaves, and not known where the partner has most of what was heard."""
    low, high = template(1, MICS, (0,)), template(2, MICS, (BANDS - 1,))
    kinds = templates(low, high)
    both = heard((low + high)[None])
    own = articulations.own_levels_db(both, np.array([[1.0, 1.0]]), np.full(both.energy.shape, 1e-9), kinds,
                                      np.array([0]))

    hidden = low < 0.4 * (low + high)
    assert np.isnan(own[0][hidden]).all()
    clear = low > 0.6 * (low + high)
    assert 10 * np.log10(low[clear]) == pytest.approx(own[0][clear], abs=0.1)


def test_the_median_stroke_is_free_of_strength() -> None:
    """The median stroke of an articulation sums to 1 and keeps spectrum and decay."""
    levels = strokes(30, 18, fade_db=6.0)
    middle = articulations.median_strokes(levels, np.zeros(30, np.int64))[0]

    assert 1.0 == pytest.approx(middle.sum())
    assert 10 * np.log10(middle[:, 0] / middle[:, 2]) == pytest.approx(np.full(BANDS, 12.0), abs=1.5)
