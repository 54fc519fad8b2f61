"""Own rises: what the tails of a drum usually do, and what they do not."""

from __future__ import annotations

import numpy as np
import pytest

from oneshot.analysis.measurement import own_rises
from oneshot.core.records.session import Floats

HITS, CELLS, BANDS, MICS = 9, 35, 4, 5
ARRIVED = np.zeros(HITS, np.int64)
TEMPLATE = np.zeros(HITS, np.int64)
LAST = np.full(HITS, CELLS, np.int64)
HEAD = 4
BEATING = 2.0
RATTLE = slice(10, 15)
"""Cells in which the tails come up again, in band 2."""


def tails(rattles_db: Floats, seed: int = 1) -> Floats:
    """What stands out of hits (hits, cells, bands) that fall by 1 dB a cell and rise to so many decibels below."""
    out = np.repeat(10 ** (-0.1 * np.arange(CELLS))[None, :, None], HITS, axis=0) * np.ones(BANDS)
    out = out * 10 ** (np.random.default_rng(seed).normal(0.0, 0.5, out.shape) / 10)
    out[:, RATTLE, 2] += 10 ** (rattles_db[:, None] / 10)
    return np.asarray(out)


def left_over_db(excess: Floats) -> Floats:
    """What is not held to be the hits' own, its loudest cell and band, dB (hits,)."""
    own = own_rises.decaying(excess, ARRIVED, HEAD, BEATING)
    usual = own_rises.usual_rises(excess, own, LAST, TEMPLATE)
    rest = (excess - own_rises.decaying(excess, ARRIVED, HEAD, BEATING, usual)).max(axis=(1, 2))
    return np.asarray(10 * np.log10(np.maximum(rest, 1e-12)))


def test_what_most_tails_do_is_their_own() -> None:
    """Rattles 3 dB below the hits, scattered by a decibel: nothing is left over by which a grade would fall."""
    rattles = -3.0 + np.random.default_rng(2).normal(0.0, 1.0, HITS)
    excess = tails(rattles)

    own = own_rises.decaying(excess, ARRIVED, HEAD, BEATING)
    assert (10 * np.log10((excess - own).max(axis=(1, 2))) > -10).all()  # of each hit by itself, a foreign sound
    assert np.sort(left_over_db(excess))[:-1].max() < -30


@pytest.mark.parametrize("others_db", [-80.0, -15.0])
def test_a_stroke_in_the_tail_of_one_is_not(others_db: float) -> None:
    """A second stroke 3 dB below one hit, whose like have no rattle there, or one 12 dB softer."""
    rattles = np.full(HITS, others_db)
    rattles[4] = -3.0
    found = left_over_db(tails(rattles))

    assert found[4] == pytest.approx(-3.0, abs=1.5)
    assert np.delete(found, 4).max() < -30


def test_few_hits_tell_nothing() -> None:
    """Of two hits nobody knows what is usual."""
    excess = tails(np.full(HITS, -3.0))[:2]
    own = own_rises.decaying(excess, ARRIVED[:2], HEAD, BEATING)

    assert own_rises.usual_rises(excess, own, LAST[:2], TEMPLATE[:2]).max() == 0


def test_a_sound_from_elsewhere_is_told_by_its_levels_in_the_mics() -> None:
    """As loud in all as the rattle of the others, but 9 dB louder in one mic and softer in the next: not from the
    drum's place. Through two mics no place is known.
    """
    path = 10 ** (np.array([0.0, -6.0, -12.0, -9.0, -3.0]) / 10)
    mics = np.stack([gain * tails(np.full(HITS, -3.0), seed=m) for m, gain in enumerate(path)])
    away = 10 ** (np.array([0.0, 9.0, -9.0, 5.0, -5.0]) / 10)
    mics[:, 4, RATTLE, 2] *= away[:, None]
    noise, arrived = np.full((MICS, BANDS), 1e-6), np.zeros((MICS, HITS), np.int64)
    placed = own_rises.from_the_place(mics, arrived, noise, TEMPLATE)

    assert not placed[4, RATTLE, 2].any()
    assert placed[np.arange(HITS) != 4][:, RATTLE, 2].mean() > 0.7
    assert not own_rises.from_the_place(mics[:2], arrived[:2], noise[:2], TEMPLATE).any()
