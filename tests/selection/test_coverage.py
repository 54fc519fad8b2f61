"""A recording list against what a session has."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from oneshot import pipeline
from oneshot.config.recording_list import USUAL, Wanted, read_list
from oneshot.core.errors import SettingsError
from oneshot.core.records.session import Problem
from oneshot.selection.coverage import STRENGTHS, Covered
from oneshot.session.open import open_session

if TYPE_CHECKING:
    from stage_inputs import Pier


def of(pier: Pier, *wanted: Wanted) -> list[Covered]:
    """What the pier has of a list."""
    return pipeline.covered(open_session(pier.session), wanted, jobs=1, progress=lambda *_: None)


def test_hits_are_counted_by_strength(pier: Pier) -> None:
    """Three parts of the span below the hardest, 8 dB each of 24; what is softer still is soft. All eight can be
    used.
    """
    levels = [hit.level_db for hit in pier.kit.hits if hit.drum == "snare" and hit.level_db is not None]
    (row,) = of(pier, Wanted("snare", hits=30, span_db=24.0))
    down = [max(levels) - level for level in levels]
    expected = (sum(d >= 16 for d in down), sum(8 <= d < 16 for d in down), sum(d < 8 for d in down))

    assert len(levels) == 8
    assert ("snare", expected) == (row.drum, row.usable)
    assert tuple(max(0, 10 - count) for count in expected) == row.missing


def test_tails_that_the_next_hit_cuts_off(pier: Pier) -> None:
    """Strokes lie 0.9 s apart: all of them decay for half a second, and hardly any for three."""
    (short,), (long,) = of(pier, Wanted("kick", tail_s=0.5)), of(pier, Wanted("kick", tail_s=3.0))

    assert 0 == short.short
    assert long.short >= sum(long.usable) - 1


def test_a_kind_stands_for_its_drums_and_what_is_not_there_is_missing(pier: Pier) -> None:
    """"tom" finds the floor tom; a ride was never played."""
    tom, ride = of(pier, Wanted("tom", hits=3), Wanted("ride", hits=40))

    assert "floor" == tom.drum
    assert sum(tom.usable) == 6
    assert ("", (0, 0, 0), (14, 14, 14)) == (ride.drum, ride.usable, ride.missing)


def test_a_list_is_read(tmp_path: Path) -> None:
    """Keys have their defaults; an unknown one is reported."""
    path, problems = tmp_path / "list.toml", list[Problem]()
    path.write_text('[[wanted]]\ndrum = "snare"\nhits = 12\ntail = 3\n', encoding="utf-8")

    assert (Wanted("snare", hits=12),) == read_list(path, problems)
    assert ["key 'tail' is unknown and ignored"] == [each.what for each in problems]


@pytest.mark.parametrize(("text", "why"), [
    ("", "wants nothing"), ("[[wanted]]\n", "line 1: wanted.drum is missing"),
    ('[[wanted]]\ndrum = "snare"\nhits = 0\n', "cannot be below 1"),
    ('[[wanted]]\ndrum = "snare"\nhits = "many"\n', "must be a whole number"), ("[[", "is not valid TOML")])
def test_a_list_that_nobody_can_mean_is_refused(tmp_path: Path, text: str, why: str) -> None:
    """One line with the file and what is wrong."""
    path = tmp_path / "list.toml"
    path.write_text(text, encoding="utf-8")

    with pytest.raises(SettingsError, match=why) as refused:
        read_list(path, [])
    assert str(path) in str(refused.value)


def test_the_usual_list_is_one_for_every_kind() -> None:
    """Three strengths, and no drum twice."""
    assert 3 == len(STRENGTHS)
    assert len({line.drum for line in USUAL}) == len(USUAL)
