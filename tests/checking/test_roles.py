"""Roles by sound: right where mics stand where such mics stand, and nothing where there is a doubt."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from stage_inputs import PIER

from oneshot.checking.run import checked
from oneshot.core.records.session import Problem
from oneshot.session.open import open_session
from oneshot.synth import TakePlan, slate, write_session
from oneshot.synth.kits import (
    CRASH,
    FLOOR,
    FLOOR_TOM,
    HAT,
    HAT_MIC,
    KICK,
    KICK_IN,
    KICK_OUT,
    OH_L,
    OH_R,
    RACK,
    RACK_TOM,
    ROOM_L,
    SNARE,
    SNARE_BOTTOM,
    SNARE_TOP,
)
from oneshot.synth.plans import MicPlan

NAME = "Audio 7"
DRUMS = (KICK, SNARE, RACK, FLOOR, HAT, CRASH)
CLOSE = (KICK_OUT, SNARE_TOP, RACK_TOM, FLOOR_TOM)
TAKE = slate("take", tuple((drum, way, -16.0, 0.0, 9, 0.9) for drum, way in (
    ("kick", "hit"), ("snare", "centre"), ("rack", "hit"), ("floor", "hit"), ("hat", "closed"))))
TELLS, SILENT = {
    "overhead": (OH_L, (*CLOSE, OH_R), "an overhead mic: ", 'role = "overhead"'),
    "room": (ROOM_L, (*CLOSE, OH_L, OH_R), "a room mic: ", 'role = "room"'),
    "bottom": (SNARE_BOTTOM, (*CLOSE, OH_L, OH_R), "a close mic of the snare: ", 'drum = "snare"'),
    "inside": (KICK_IN, (*CLOSE, OH_L, OH_R), "a close mic of the kick: ", 'drum = "kick"'),
    "alone": (HAT_MIC, (*CLOSE, OH_L, OH_R), "a close mic of a drum that no other mic is as near to: ", 'drum = "..."'),
}, {
    "two drums": (OH_L, (KICK_OUT, SNARE_TOP, OH_R)),
    "between": (MicPlan("x", (0.2, 1.9, 1.1), (0, 0, 0.5), pattern="omni"), (*CLOSE, OH_L, OH_R)),
    "between two toms": (MicPlan("x", (0.3, -0.2, 0.9), (0.3, -0.2, 0.5)), (KICK_OUT, SNARE_TOP, OH_L, OH_R)),
    "hissing": (replace(OH_L, noise_dbfs=-30.0), (*CLOSE, OH_R)),
    "dead": (replace(OH_L, dead=True), (*CLOSE, OH_R)),
}


def told(folder: Path, unknown: MicPlan, others: tuple[MicPlan, ...], *takes: TakePlan) -> list[Problem]:
    """What check says of a mic whose name says nothing."""
    plan = replace(PIER, drums=DRUMS, mics=(replace(unknown, name=NAME), *others))
    write_session(folder, plan, takes or (TAKE,), seed=6)
    found = checked(open_session(folder), jobs=1, progress=lambda *_: None).findings
    return [each.problem for each in found if each.problem.where == NAME and "by its sound" in each.problem.what]


@pytest.mark.parametrize("case", TELLS)
def test_a_mic_is_known_by_its_sound(tmp_path: Path, case: str) -> None:
    """The role, the reason in metres, and the line of session.toml to write."""
    unknown, others, what, line = TELLS[case]
    (problem,) = told(tmp_path / "s", unknown, others)

    assert problem.what.startswith(f"by its sound it is {what}")
    assert f'write [mics."{NAME}"] and {line} into session.toml' == problem.todo


@pytest.mark.parametrize("case", SILENT)
def test_where_there_is_a_doubt_nothing_is_said(tmp_path: Path, case: str) -> None:
    """Too few drums, a place where no such mic stands, no clear hits."""
    unknown, others = SILENT[case]

    assert [] == told(tmp_path / "s", unknown, others)


def test_a_room_that_stands_at_the_drums_is_doubted(tmp_path: Path) -> None:
    """Beside the kick, by name a room: no drum is a metre further from it, and the furthest is named. The true room is
    not doubted.
    """
    near = MicPlan("Room 3", (0.4, 0.1, 0.6), (0, 0, 0.5))
    write_session(tmp_path / "s", replace(PIER, drums=DRUMS, mics=(near, KICK_OUT, SNARE_TOP, OH_L, OH_R, ROOM_L)),
                  (slate("take", (("kick", "hit", -16.0, 0.0, 9, 0.9), ("snare", "centre", -16.0, 0.0, 9, 0.9))),),
                  seed=6)
    found = checked(open_session(tmp_path / "s"), jobs=1, progress=lambda *_: None).findings

    assert [("take/Room 3", "counts as a room mic, but the snare is only 0.7 m further from it than from its own mic")
            ] == [(each.problem.where, each.problem.what) for each in found]


def test_what_the_user_says_is_not_doubted(tmp_path: Path) -> None:
    """A role in session.toml is the last word; so is a name that says something."""
    told(tmp_path / "s", OH_L, (*CLOSE, OH_R))
    (tmp_path / "s" / "session.toml").write_text(f'[mics."{NAME}"]\nrole = "room"\n', encoding="utf-8")
    found = checked(open_session(tmp_path / "s"), jobs=1, progress=lambda *_: None).findings

    assert [] == [each for each in found if "by its sound" in each.problem.what]


def test_the_line_to_write_does_what_it_says(tmp_path: Path) -> None:
    """Written into session.toml as told, the role is that."""
    (problem,) = told(tmp_path / "s", SNARE_BOTTOM, (*CLOSE, OH_L, OH_R))
    table, line = problem.todo.removeprefix("write ").removesuffix(" into session.toml").split(" and ")
    (tmp_path / "s" / "session.toml").write_text(f"{table}\n{line}\n", encoding="utf-8")
    mic = open_session(tmp_path / "s").takes[0].mic(NAME)

    assert ("close", "snare") == (mic.role, mic.drum)
