"""A recording list against what a session has."""

from __future__ import annotations

import shutil
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import soundfile

from oneshot import pipeline
from oneshot.config.recording_list import USUAL, Wanted, read_list
from oneshot.core.errors import SettingsError
from oneshot.core.records.kit import Kit
from oneshot.core.records.session import Problem
from oneshot.kit.report.coverage import coverage_lines
from oneshot.selection.coverage import STRENGTHS, Covered, _drums_of
from oneshot.session.open import open_session

if TYPE_CHECKING:
    from stage_inputs import Pier

SNARES = Wanted("snare", hits=60, tail_s=0.2, span_db=18.0)


def of(pier: Pier, *wanted: Wanted) -> list[Covered]:
    """What the pier has of a list."""
    return pipeline.covered(open_session(pier.session), wanted, jobs=1, progress=lambda *_: None)


def test_hits_are_counted_by_strength(pier: Pier) -> None:
    """Three parts of the span below the hardest, 8 dB each of 24; what is softer still is soft. All eight can be
    used.
    """
    levels = [hit.level_db for hit in pier.kit.hits if hit.drum == "snare" and hit.level_db is not None]
    (row,) = of(pier, Wanted("snare", hits=30, tail_s=0.2, span_db=24.0))
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
    assert sum(long.missing) == sum(short.missing) + long.short


def test_a_kind_stands_for_its_drums_and_what_is_not_there_is_missing(pier: Pier) -> None:
    """"tom" finds the floor tom; a ride was never played."""
    tom, ride = of(pier, Wanted("tom", hits=3), Wanted("ride", hits=40))

    assert "floor" == tom.drum
    assert sum(tom.usable) == 6
    assert ("", (0, 0, 0), (14, 14, 14)) == (ride.drum, ride.usable, ride.missing)


@pytest.mark.parametrize(("name", "told"), [
    ("snair", "did you mean snare?"), ("Flor", "did you mean floor?"), ("glockenspiel", "kinds are kick, snare"),
    ("ride", ""), ("Snare", "")])
def test_a_name_that_nothing_bears_is_told(pier: Pier, name: str, told: str) -> None:
    """With the nearest name that a drum or a kind has; a kind that was not played yet is only missing."""
    text = "\n".join(line for _, line in coverage_lines(of(pier, Wanted(name))))

    assert bool(told) == (f"is called {name}" in text)
    assert told in text


@pytest.mark.parametrize(("kinds", "expected"), [
    ({"cymbal": "cymbal", "cymbal-2": "cymbal"}, [["cymbal-2"], ["cymbal"], []]),
    ({"cymbal": "cymbal", "crash": "crash"}, [["cymbal"], ["crash"], []]),
    ({"cymbal": "cymbal", "cymbal-2": "cymbal", "ride": "ride"}, [["ride"], ["cymbal-2", "cymbal"], []]),
    ({"kick": "kick"}, [[], [], []])])
def test_a_cymbal_that_nobody_named_may_be_the_one_wanted(kinds: dict[str, str], expected: list[list[str]]) -> None:
    """It stands for a ride or a crash that is not there, the most struck one for the line that comes first."""
    wanted = [Wanted("Ride"), Wanted("crash"), Wanted("splash")]

    assert expected == _drums_of(wanted, kinds, (), Counter({"cymbal-2": 9, "cymbal": 4}))
    twice = _drums_of([*wanted[:1], Wanted("ride", articulation="bell"), *wanted[1:]], kinds, (), Counter())
    assert twice[0] == twice[1]  # two lines of one drum


def test_a_list_is_read(tmp_path: Path) -> None:
    """Keys have their defaults; an unknown one is reported."""
    path, problems = tmp_path / "list.toml", list[Problem]()
    path.write_text('[[wanted]]\ndrum = "snare"\nhits = 12\ntail = 3\n', encoding="utf-8")

    assert (Wanted("snare", hits=12),) == read_list(path, problems)
    assert ["key 'tail' is unknown and ignored"] == [each.what for each in problems]


def test_the_page_tells_what_is_left_out(tmp_path: Path) -> None:
    """The list of docs/check.md can be read as it stands, and gives the defaults that its remarks name."""
    page = (Path(__file__).parents[2] / "docs" / "check.md").read_text(encoding="utf-8")
    text = next(part for part in page.split("```") if "[[wanted]]" in part).removeprefix("toml")
    (tmp_path / "list.toml").write_text(text, encoding="utf-8")
    problems: list[Problem] = []
    (wanted,), plain = read_list(tmp_path / "list.toml", problems), Wanted("snare")

    assert (Wanted("snare", "centre", 80, 5.0, 30.0), []) == (wanted, problems)
    for key in ("hits", "tail_s", "span_db"):
        (line,) = (line for line in text.splitlines() if line.startswith(key))
        assert line.endswith(f"left out: {getattr(plain, key)}")


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


# --------------------------------------------------------------------------------------------------------- an expansion


def together(session: Path, kit: Kit, *wanted: Wanted) -> list[Covered]:
    """What a session has of a list together with a kit."""
    return pipeline.covered(open_session(session), wanted, kit=kit, jobs=1, progress=lambda *_: None)


def louder(session: Path, folder: Path, gain: float) -> Path:
    """A copy of a session with every preamp turned by a factor."""
    shutil.copytree(session, folder)
    for path in folder.rglob("*.wav"):
        x, rate = soundfile.read(path, dtype="float64")
        soundfile.write(path, gain * x, rate, "FLOAT")
    return folder


def test_a_kit_and_what_expands_it_count_together(pier: Pier, evening: Path) -> None:
    """Eight snares of the kit and eight of the evening, whose hardest was played 6 dB softer than the kit's: at the
    same gains that is said, and none of them is as hard as the upper 6 dB.
    """
    (row,) = together(evening, pier.kit, SNARES)
    (alone,) = of(pier, SNARES)

    assert (16, 8, "") == (sum(row.usable), sum(row.in_kit), row.apart)
    assert -6.0 == pytest.approx(row.above_kit_db, abs=1.5)
    assert alone.usable == row.in_kit
    assert tuple(max(0, 20 - count) for count in row.usable) == row.missing


def test_other_gains_count_for_themselves(pier: Pier, evening: Path, tmp_path: Path) -> None:
    """Preamps 9.5 dB up: the noise floors tell, and the evening's hardest counts as hard. That it would be louder than
    the kit's is not said.
    """
    rows = together(louder(evening, tmp_path / "louder", 3.0), pier.kit, SNARES)
    (row,) = rows
    (same,) = together(evening, pier.kit, SNARES)

    assert row.above_kit_db is None
    assert "is 10 dB higher than in the kit" in row.apart
    assert row.usable[-1] > same.usable[-1]
    assert any(text.startswith("  snare: kit and session are each sorted into soft, medium and hard by their own ")
               for _, text in coverage_lines(rows, "pier"))


def test_a_hit_that_kit_and_session_share_counts_once(pier: Pier) -> None:
    """The kit's own session: no hit more than without the kit, and all one-shots are the kit's."""
    wanted = (Wanted("kick"), Wanted("snare"), Wanted("floor"))
    rows = together(pier.session, pier.kit, *wanted)

    assert [row.usable for row in of(pier, *wanted)] == [row.usable for row in rows]
    assert len(pier.kit.one_shots) == sum(sum(row.in_kit) for row in rows)


def test_of_a_hit_that_both_have_the_session_tells_the_tail(pier: Pier) -> None:
    """Strokes 0.9 s apart have no three seconds to decay, in the kit or not; and of hits that the kit left out none is
    held against the kit's hardest.
    """
    (alone,) = of(pier, Wanted("kick", tail_s=3.0))
    (both,) = together(pier.session, pier.kit, Wanted("kick", tail_s=3.0))
    fewer = tuple(shot for n, shot in enumerate(pier.kit.one_shots) if shot.drum != "kick" or n % 2)
    (half,) = together(pier.session, replace(pier.kit, one_shots=fewer), Wanted("kick", tail_s=3.0))

    assert alone.short == both.short > 0
    assert alone.missing == both.missing
    assert alone.usable == half.usable
    assert 0 < sum(half.in_kit) < sum(half.usable)
    assert both.above_kit_db is half.above_kit_db is None


def test_the_kit_s_names_are_used(pier: Pier, evening: Path) -> None:
    """What the kit calls a normal stroke is the session's ordinary one; a drum that the kit calls otherwise is told
    apart, and with it that the kit has none of its name.
    """
    shots = tuple(replace(shot, articulation="normal") if shot.drum == "snare" else
                  replace(shot, drum="big kick") if shot.drum == "kick" else shot for shot in pier.kit.one_shots)
    drums = tuple(replace(drum, articulations=(replace(drum.articulations[0], name="normal"),))
                  if drum.name == "snare" else replace(drum, name="big kick") if drum.name == "kick" else drum
                  for drum in pier.kit.drums)
    rows = together(evening, replace(pier.kit, one_shots=shots, drums=drums), Wanted("snare"), Wanted("kick"))

    assert [("snare", "normal", 16, 8, False), ("big kick", "hit", 8, 8, False), ("kick", "hit", 4, 0, True)] == [
        (row.drum, row.articulation, sum(row.usable), sum(row.in_kit), row.unknown_to_kit) for row in rows]
    assert any("kick: no drum of the kit has this name" in text for _, text in coverage_lines(rows, "pier"))


def test_a_drum_that_the_kit_lacks_is_the_session_s(pier: Pier, evening: Path) -> None:
    """The kit has a kick and nothing else: the snare of the list is that of the session."""
    kick = tuple(drum for drum in pier.kit.drums if drum.name == "kick")
    shots = tuple(shot for shot in pier.kit.one_shots if shot.drum == "kick")
    (row,) = together(evening, replace(pier.kit, drums=kick, one_shots=shots), Wanted("snare"))

    assert ("snare", 8, 0) == (row.drum, sum(row.usable), sum(row.in_kit))
