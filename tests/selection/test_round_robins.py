"""Alternates: even in level, pitch and length, none a copy, the most ring; a reason in plain words for the others."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from stage_inputs import hit

from oneshot.analysis.measurement.similarity import Measured
from oneshot.config.recipe import Choosing
from oneshot.selection.round_robins import Candidate, alternates


def stroke(number: int, level_db: float = -12.0, *, clean_db: float = -60.0, pitch_hz: float | None = 100.0,
           length_s: float = 1.0, whole: bool = True, like: int | None = None) -> Candidate:
    """A candidate with a start of its own, or that of stroke ``like``."""
    start = np.random.default_rng(like or number).standard_normal(1200).astype(np.float32)
    known = Measured(48000, length_s, whole, np.zeros(0), np.zeros((3, 8)), None, None, None, None, start, 0.0)
    return Candidate(hit(number, level_db=level_db), level_db, clean_db, pitch_hz, known, f"{number}.00 s of take 1")


def chosen(layer: Sequence[Candidate], wanted: frozenset[int] = frozenset(),
           **recipe: Any) -> tuple[list[int], dict[int, str]]:
    """Numbers of the strokes that take turns, sorted, and the reasons of the others."""
    taken, left = alternates(layer, Choosing(**recipe), wanted)
    return sorted(c.hit.id for c in taken), left


def test_all_lie_within_a_decibel_of_their_middle() -> None:
    """However levels are spread, no two alternates are more than 2 dB apart while three and more can be had."""
    for seed in range(20):
        levels = np.random.default_rng(seed).uniform(-16, -10, 20)
        taken, left = chosen([stroke(k, float(v)) for k, v in enumerate(levels, 1)])
        own = [levels[k - 1] for k in taken]

        assert max(own) - min(own) <= 2.0 + 1e-9
        assert len(taken) + len(left) == 20


def test_the_fullest_stretch_is_taken() -> None:
    """Four even strokes beat two, wherever the layer's median lies."""
    assert [5, 6, 7, 8] == chosen([stroke(k, v) for k, v in enumerate(
        [-16.0, -15.5, -14.2, -13.8, -11.9, -11.7, -11.6, -11.5], 1)])[0][:4]


def test_two_somewhat_uneven_ones_are_better_than_one() -> None:
    """Two strokes 2.6 dB apart take turns where there is nothing closer; 3.4 dB apart one is left out, with a
    reason.
    """
    assert [1, 2] == chosen([stroke(1, -12.0), stroke(2, -14.6)])[0]
    taken, left = chosen([stroke(1, -12.0), stroke(2, -15.4)])

    assert 1 == len(taken)
    assert "level outside the round-robin tolerance" in next(iter(left.values()))


def test_strokes_cut_at_their_attack_are_compared_without_a_warning() -> None:
    """Lengths of nought have no ratio: such strokes are alike, and nothing is divided by nought where one of them is
    too soft to take turns with the others.
    """
    cut = [stroke(k, length_s=0.0, whole=False) for k in (1, 2, 3)]
    with np.errstate(all="raise"):
        assert [1, 2, 3] == chosen(cut)[0]
        assert [1, 2, 3] == chosen([*cut, stroke(4, -20.0, length_s=0.0, whole=False)])[0]


def test_a_stroke_out_of_tune_is_left_out() -> None:
    """One 40 cents sharp of three others does not take turns with them, and is told to be above; without a pitch none
    is held against it.
    """
    sharp = 100 * 2 ** (40 / 1200)
    taken, left = chosen([stroke(1), stroke(2), stroke(3, pitch_hz=sharp), stroke(4), stroke(5, pitch_hz=None)])

    assert [1, 2, 4, 5] == taken
    assert "40 cents above" in left[3]


def test_a_long_hat_takes_no_turns_with_stumps() -> None:
    """Of one open hat of 2.2 s and two cut to 0.3 s the long one stands alone; the stumps say why."""
    taken, left = chosen([stroke(1, length_s=0.3, whole=False), stroke(2, length_s=2.2),
                          stroke(3, length_s=0.3, whole=False)])

    assert [2] == taken
    assert "tolerance: 0.30 s" in left[1]
    assert "2.20 s" in left[1]


def test_five_that_lost_a_little_beat_one_that_lost_none() -> None:
    """In playing, where most rings are cut at two fifths, five of those are the set, not the one whole ring."""
    layer = [stroke(k, length_s=0.4, whole=False) for k in range(1, 6)] + [stroke(6, length_s=1.0)]

    assert [1, 2, 3, 4, 5] == chosen(layer)[0]


def test_copies_take_no_turns() -> None:
    """Of a stroke and two copies of it one is kept; the others name the place of the one they copy."""
    taken, left = chosen([stroke(1), stroke(2), stroke(3, like=1), stroke(4, like=1), stroke(5)])

    assert [1, 2, 5] == taken
    assert all("duplicate of the hit at 1.00 s of take 1" in left[k] for k in (3, 4))


def test_a_set_is_looked_for_again_without_copies() -> None:
    """Five copies at one level do not hide three different strokes at another."""
    layer = [stroke(k, -12.0, like=1) for k in range(1, 6)] + [stroke(k, -15.0) for k in (6, 7, 8)]

    assert [6, 7, 8] == chosen(layer)[0]


def test_a_wanted_stroke_takes_turns_whatever_it_is_like() -> None:
    """Off level, out of tune, a stump: kept by hand means kept."""
    layer = [stroke(1), stroke(2), stroke(3, -5.0, pitch_hz=120.0, length_s=0.1, whole=False)]

    assert [1, 2, 3] == chosen(layer, frozenset({3}))[0]


def test_nothing_gives_nothing() -> None:
    """An empty layer has no alternates and no reasons."""
    assert ([], {}) == chosen([])
