"""Composites: whose overheads and rooms stand in for whose."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from stage_inputs import RATE, bare_analysis, hit

from oneshot.analysis.result import Analysis
from oneshot.cutting.repair_plan import stand_in

FAR = ("OH L", "OH R")


def known(worst_db: Mapping[int, float], levels: Mapping[int, float]) -> Analysis:
    """Hits of one snare, a second apart, with that much of everything else in the overheads; the last is a kick."""
    hits = [hit(n, level_db=levels[n]) for n in worst_db]
    return replace(bare_analysis([*hits, hit(len(hits) + 1, drum="kick")]),
                   worst_db={n: dict.fromkeys(FAR, worst) for n, worst in worst_db.items()})


def found(analysis: Analysis, frames: int = RATE // 2, without: tuple[int, ...] = ()) -> int | None:
    """Who stands in for the first hit."""
    other = stand_in(analysis.hits[0], FAR, analysis, frames=frames, sample_rate=RATE, without=without)
    return None if other is None else other.id


def test_the_cleanest_hit_of_like_strength_stands_in() -> None:
    """Within 1 dB of the hit's strength, the one whose overheads are cleanest."""
    analysis = known({1: -10.0, 2: -30.0, 3: -40.0, 4: -60.0}, {1: -20.0, 2: -20.5, 3: -19.2, 4: -18.8})

    assert 3 == found(analysis)
    assert 2 == found(analysis, without=(3,))


def test_a_hit_keeps_its_own_where_none_is_much_cleaner() -> None:
    """Two strokes in one sound are not worth less than 3 dB."""
    assert found(known({1: -30.0, 2: -32.0}, {1: -20.0, 2: -20.0})) is None


def test_who_stands_in_is_alone_for_as_long() -> None:
    """A hit whose next stroke comes before the file ends has another drum in its overheads."""
    analysis = known({1: -10.0, 2: -40.0}, {1: -20.0, 2: -20.0})

    assert 2 == found(analysis, frames=RATE // 2)
    assert found(analysis, frames=2 * RATE) is None


def test_nothing_stands_in_where_nothing_is_known() -> None:
    """Without mics, or without a figure for one of them, or without a strength, nobody is better."""
    analysis = known({1: -10.0, 2: -40.0}, {1: -20.0, 2: -20.0})

    assert stand_in(analysis.hits[0], (), analysis, frames=10, sample_rate=RATE) is None
    assert stand_in(analysis.hits[0], (*FAR, "Room"), analysis, frames=10, sample_rate=RATE) is None
    assert stand_in(replace(analysis.hits[0], level_db=None), FAR, analysis, frames=10, sample_rate=RATE) is None
