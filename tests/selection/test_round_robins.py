"""Round robins: what would be heard to jump takes no turns, level is no reason, neighbours are alike; a reason in plain
words for the others.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from stage_inputs import hit

from oneshot.analysis.measurement.similarity import Measured
from oneshot.config.recipe import Choosing
from oneshot.selection.round_robins import Candidate, Precedence, alternates, sets_alike


def stroke(number: int, level_db: float = -12.0, *, clean_db: float = -60.0, pitch_hz: float | None = 100.0,
           length_s: float = 1.0, whole: bool = True, like: int | None = None, highs_db: float = 0.0) -> Candidate:
    """A candidate with a start of its own, or that of stroke ``like``."""
    sound = np.zeros((3, 8))
    sound[:, 6:] = highs_db
    start = np.random.default_rng(like or number).standard_normal(1200).astype(np.float32)
    known = Measured(48000, length_s, whole, np.zeros(0), sound, None, None, None, None, start)
    return Candidate(hit(number, level_db=level_db), level_db, clean_db, pitch_hz, known, f"{number}.00 s of take 1")


def chosen(layer: Sequence[Candidate], wanted: frozenset[int] = frozenset(),
           **recipe: Any) -> tuple[list[int], dict[int, str]]:
    """Numbers of the strokes that take turns, sorted, and the reasons of the others."""
    taken, left = alternates(layer, Choosing(**recipe), Precedence(wanted))
    return sorted(c.hit.id for c in taken), left


def test_level_leaves_nothing_out() -> None:
    """However far levels are spread, as many take turns as may, and the others are spare."""
    for seed in range(20):
        levels = np.random.default_rng(seed).uniform(-26, -10, 20)
        taken, left = chosen([stroke(k, float(v)) for k, v in enumerate(levels, 1)])

        assert 6 == len(taken)
        assert 14 == len(left)
        assert all(why.startswith("spare: ") for why in left.values())


def test_neighbours_in_rotation_are_alike() -> None:
    """Round the circle no step is longer than two ranks of brightness; the cleanest comes first."""
    for seed in range(20):
        rng = np.random.default_rng(seed)
        highs = rng.permutation(8) * 3.0
        layer = [stroke(k, highs_db=float(v), clean_db=-60.0 if k == 5 else -40.0) for k, v in enumerate(highs, 1)]
        order = [c.hit.id for c in alternates(layer, Choosing(round_robins=8))[0]]
        rank = np.argsort(np.argsort(highs))[np.array(order) - 1]

        assert 5 == order[0]
        assert np.abs(np.diff(np.r_[rank, rank[0]])).max() <= 2


def test_strokes_cut_at_their_attack_are_compared_without_a_warning() -> None:
    """Lengths of nought have no ratio: such strokes are alike, and nothing is divided by nought."""
    cut = [stroke(k, length_s=0.0, whole=False) for k in (1, 2, 3)]
    with np.errstate(all="raise"):
        assert [1, 2, 3] == chosen(cut)[0]
        assert [1, 2, 3, 4] == chosen([*cut, stroke(4, -20.0, length_s=0.0, whole=False)])[0]


def test_a_stroke_out_of_tune_is_left_out() -> None:
    """One 110 cents sharp of three others does not take turns with them, and is told to be above; without a pitch none
    is held against it, and 40 cents are nothing.
    """
    assert [1, 2, 3] == chosen([stroke(1), stroke(2), stroke(3, pitch_hz=100 * 2 ** (40 / 1200))])[0]
    sharp = 100 * 2 ** (110 / 1200)
    taken, left = chosen([stroke(1), stroke(2), stroke(3, pitch_hz=sharp), stroke(4), stroke(5, pitch_hz=None)])

    assert [1, 2, 4, 5] == taken
    assert "110 cents above" in left[3]


def test_a_long_hat_takes_no_turns_with_stumps() -> None:
    """Of one open hat of 2.2 s and two cut to 0.3 s the long one stands alone; the stumps say why."""
    taken, left = chosen([stroke(1, length_s=0.3, whole=False), stroke(2, length_s=2.2),
                          stroke(3, length_s=0.3, whole=False)])

    assert [2] == taken
    assert "0.30 s" in left[1]
    assert "2.20 s" in left[1]


def test_five_that_lost_a_little_beat_one_that_lost_none() -> None:
    """In playing, where most rings are cut at two fifths, five of those are the set, not the one whole ring."""
    layer = [stroke(k, length_s=0.4, whole=False) for k in range(1, 6)] + [stroke(6, length_s=1.0)]

    assert [1, 2, 3, 4, 5] == chosen(layer)[0]


def test_what_sounds_otherwise_is_a_set_of_its_own() -> None:
    """Two that decay in half the time, left to ring, are a set; one alone is none, and neither are stumps."""
    whole = [stroke(k, length_s=2.0) for k in (1, 2, 3)]
    short = [stroke(k, length_s=0.6) for k in (4, 5)]
    stumps = [stroke(k, length_s=0.6, whole=False) for k in (4, 5)]

    for layer, sets in (([*whole, *short], [[1, 2, 3], [4, 5]]), ([*whole, short[0]], [[1, 2, 3]]),
                        ([*whole, *stumps], [[1, 2, 3]])):
        assert sets == [[c.hit.id for c in each] for each in sets_alike(layer, Choosing())]


def test_copies_take_no_turns() -> None:
    """Of a stroke and two copies of it one is kept; the others name the place of the one they copy."""
    taken, left = chosen([stroke(1), stroke(2), stroke(3, like=1), stroke(4, like=1), stroke(5)])

    assert [1, 2, 5] == taken
    assert all("the same audio as another hit: that at 1.00 s of take 1" in left[k] for k in (3, 4))


def test_a_set_is_looked_for_again_without_copies() -> None:
    """Five copies that are cleaner do not hide three different strokes."""
    layer = [stroke(k, like=1) for k in range(1, 6)] + [stroke(k, clean_db=-40.0) for k in (6, 7, 8)]

    assert [1, 6, 7, 8] == chosen(layer, round_robins=4)[0]


def test_a_wanted_stroke_takes_turns_whatever_it_is_like() -> None:
    """Off level, out of tune, a stump: kept by hand means kept."""
    layer = [stroke(1), stroke(2), stroke(3, -5.0, pitch_hz=120.0, length_s=0.1, whole=False)]

    assert [1, 2, 3] == chosen(layer, frozenset({3}))[0]


def test_nothing_gives_nothing() -> None:
    """An empty layer has no alternates and no reasons."""
    assert ([], {}) == chosen([])
