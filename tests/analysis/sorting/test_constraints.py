"""Labels: what is said of a stretch outranks what is computed, and teaches it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scoring import score
from stage_inputs import BANDS, STRETCHES

from oneshot import pipeline
from oneshot.analysis.records import HitFeatures
from oneshot.analysis.sorting import constraints, drums
from oneshot.analysis.sorting import templates as learn_templates
from oneshot.analysis.sorting.constraints import Labelled, Said
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Label, Mic, Take
from oneshot.synth import KitPlan, RoomPlan, TakePlan, groove, slate, song, write_session
from oneshot.synth.kits import FLOOR, KICK, OH_L, OH_R, RACK, SNARE

MICS = (Mic("BD", Role.CLOSE, "kick"), Mic("SN", Role.CLOSE, "snare"), Mic("T1", Role.CLOSE, "rack tom"),
        Mic("OH", Role.OVERHEAD))
TAKE = Take("snare", 1000, 100_000, "PCM_24", MICS)


def hits(*level_db: tuple[float, float, float, float]) -> HitFeatures:
    """Hits of those levels in kick, snare and tom mic and overhead, over noise at -90 dB."""
    power = 10 ** (np.array(level_db) / 10)
    shape = (len(power), len(MICS), BANDS)
    energy = np.broadcast_to(power[:, :, None, None] / BANDS, (*shape, STRETCHES)).copy()
    quiet = np.full(shape, 1e-9 / BANDS)
    return HitFeatures(tuple(m.name for m in MICS), energy, quiet, np.zeros(shape), quiet,
                       np.ones((*shape[:2], STRETCHES), bool))


KICKED, STRUCK, TOMMED = (0.0, -30.0, -25.0, -12.0), (-28.0, 0.0, -22.0, -10.0), (-30.0, -25.0, 0.0, -12.0)


def told(described: HitFeatures, *what: Label) -> tuple[list[Said | None], list[str]]:
    """What is said of hits one second apart, and where problems are told."""
    first = 1000 * np.arange(len(described.energy))
    got, problems = constraints.apply_labels(what, [(TAKE, first)], described, MICS)
    return [got.said[r] if r >= 0 else None for r in got.row], [f"{p.where}: {p.what}" for p in problems]


def test_a_stronger_word_outranks_a_weaker_one() -> None:
    """session.toml goes before a cue and a cue before a take's name; what one leaves open the next one fills, as long
    as both speak of one drum.
    """
    name = Label("snare", 0, 9000, "snare", "rim", told_by="take name")
    cue = Label("snare", 1000, 9000, hand="left", told_by="cue")
    file = Label("snare", 2000, 9000, "kick")
    got, problems = told(hits(STRUCK, STRUCK, STRUCK), name, cue, file)

    assert [Said("snare", "rim", told_by="take name"), Said("snare", "rim", "left", told_by="cue"),
            Said("kick", hand="left", told_by="session.toml")] == got
    assert [] == problems


def test_a_stroke_that_is_clearly_anothers_is_told_and_left() -> None:
    """One kick between twelve snare strokes, 28 dB louder in its own mic than the snare's strokes are there, keeps its
    drum; a soft snare stroke is no kick.
    """
    soft = (-58.0, -30.0, -52.0, -40.0)
    described = hits(*[STRUCK] * 12, KICKED, soft, TOMMED)
    got, problems = told(described, Label("snare", 0, 13_900, "snare"))

    assert [Said("snare")] * 12 + [None, Said("snare"), None] == got
    assert 1 == len(problems)
    assert "1 hits are far louder in another drum's own mic" in problems[0]


def test_a_song_called_after_a_drum_is_no_slate_of_it() -> None:
    """A take's name holds for nothing where a tenth of its strokes are clearly of other drums."""
    described = hits(*[STRUCK] * 5, *[KICKED] * 4, *[TOMMED] * 3)
    got, problems = told(described, Label("snare", 0, 99_000, "snare", told_by="take name"))

    assert [None] * 12 == got
    assert "7 of 12 hits are clearly not" in problems[0]


@pytest.mark.parametrize(("said", "expected"), [
    ("Snare drum", "snare"), ("rack tom", "rack-tom"), ("tom", "rack-tom"), ("Hi-Hat", "hat"),
    ("bell tree", "bell-tree"),
])
def test_a_drum_is_called_after_its_mic(said: str, expected: str) -> None:
    """A drum that a person names is the one whose mic it stands at, and else what it was called."""
    got, _ = told(hits(TOMMED), Label("snare", 0, 9000, said))

    assert got[0] is not None
    assert expected == got[0].drum


def test_a_tom_among_two_is_asked_for() -> None:
    """"Tom" where two toms have mics may be either: it is told, and has no effect."""
    two = (*MICS[:3], Mic("T2", Role.CLOSE, "floor"))
    labels = [Label("snare", 0, 9000, "tom")]
    got, problems = constraints.apply_labels(labels, [(TAKE, np.zeros(1, np.int64))], hits(TOMMED), two)

    assert [-1] == got.row.tolist()
    assert "floor or rack tom" in problems[0].what


@pytest.mark.parametrize(("said", "expected"), [
    (Said(), "centre"), (Said(articulation="rimshot"), "rimshot"), (Said(wires="off"), "centre-wires-off"),
    (Said(wires="on"), "centre"), (Said(tool="brushes", wires="off"), "centre-wires-off-brushes"),
    (Said(tool="sticks"), "centre"), (Said(hand="left"), "centre"),
])
def test_wires_and_tools_keep_groups_apart(said: Said, expected: str) -> None:
    """Wires off and brushes are part of a stroke's name, so that no round-robin set mixes them; a hand is not."""
    assert expected == said.stroke("centre")


def test_unlike_labels_are_never_one_kind() -> None:
    """Hits that sound the same but are told to be two drums are two kinds, and what is not told joins one of them."""
    told_all = Labelled((Said("rack"), Said("floor")), np.array([0, 0, 1, 1, -1]))
    unlike = constraints.unlike(told_all, np.arange(5))
    alike = np.zeros((5, 5))
    kinds = constraints.parted(learn_templates.kinds(alike, alike, unlike), unlike)

    assert kinds[0] == kinds[1]
    assert kinds[2] == kinds[3]
    assert kinds[0] != kinds[2]
    assert kinds[4] in (kinds[0], kinds[2])


def test_kinds_of_one_label_are_one_drum() -> None:
    """Kinds told to be one drum are joined however far apart, and kinds told to be two are not however near."""
    evidence = np.array([[0.0, 20.0, -20.0], [20.0, 0.0, -20.0], [-20.0, -20.0, 0.0]])
    nobody = np.full(3, -1)
    drum = drums.into_drums(evidence, owner=nobody, variant=nobody, said=np.array([0, 1, 0]))

    assert drum[0] == drum[2]
    assert drum[0] != drum[1]


def test_a_way_is_called_as_its_labelled_hits_are_said_to_be() -> None:
    """Most labelled hits of a way name it; another way of that drum that was computed to be called so is numbered."""
    said = (constraints.Said("snare", "rim"), constraints.Said("snare", "centre"))
    told = constraints.Labelled(said, np.array([0, 0, 1, -1, -1]))
    names = constraints.named_articulations({(0, 0): "centre", (0, 1): "rim", (1, 0): "rim"}, np.array([0, 0, 0, 0, 1]),
                                            np.array([0, 0, 0, 1, 0]), told, told.row)

    assert {(0, 0): "rim", (0, 1): "rim-2", (1, 0): "rim"} == names


# ------------------------------------------------------------------------------------------------------------ the whole

SIDE = {("snare", "side stick"): "....X.......X...", ("kick", "hit"): "X.....x.X.......",
        ("rack", "hit"): "..........x.....", ("floor", "hit"): "..............x."}
BACK = {("snare", "centre"): "....X..o....X...", ("kick", "hit"): "X.....x.X......."}
ROWS = (("kick", "hit", -18.0, 0.0, 6, 0.9), ("snare", "centre", -20.0, 0.0, 6, 0.9),
        ("snare", "side stick", -12.0, 0.0, 5, 0.9), ("rack", "hit", -14.0, 0.0, 5, 1.2),
        ("floor", "hit", -14.0, 0.0, 5, 1.2))
NAMES = ("1 kick", "2 snare centre", "3 snare cross-stick left", "4 rack tom", "5 floor tom")


def playing(names: tuple[str, ...]) -> tuple[TakePlan, ...]:
    """Five slates of one stroke each, called as given, and a groove whose name says nothing."""
    return (*(slate(name, (row,)) for name, row in zip(names, ROWS, strict=True)),
            song("6 groove", [groove("", 3, 92, SIDE, 1), groove("", 2, 92, BACK, 2)]))


@pytest.mark.full
def test_take_names_put_two_mics_right(tmp_path: Path) -> None:
    """Through two overheads alone the drums cannot all be told apart; slates whose names say what is played teach it,
    and the groove beside them, of which nothing is said, comes out right as well.
    """
    plan = KitPlan("quay", RoomPlan(), (KICK, SNARE, RACK, FLOOR), (OH_L, OH_R), 44100, "PCM_24")
    known = write_session(tmp_path / "named", plan, playing(NAMES), seed=3)
    plain = write_session(tmp_path / "plain", plan, playing(("1", "2", "3", "4", "5")), seed=3)
    pipeline.build(tmp_path / "named", tmp_path / "named kit")
    pipeline.build(tmp_path / "plain", tmp_path / "plain kit")
    got = score(tmp_path / "named kit", tmp_path / "named", known["6 groove"], "6 groove").drum_ari
    without = score(tmp_path / "plain kit", tmp_path / "plain", plain["6 groove"], "6 groove").drum_ari
    manifest: dict[str, Any] = json.loads((tmp_path / "named kit" / "manifest.json").read_text(encoding="utf-8"))

    assert got is not None
    assert without is not None
    assert got >= 0.95
    assert got > without
    assert ["floor", "kick", "rack", "snare"] == [d["name"] for d in manifest["drums"]]
    assert {"centre", "side-stick"} == {h["articulation"] for h in manifest["hits"] if h["drum"] == "snare"}
    left = [h for h in manifest["hits"] if h["take"] == NAMES[2]]
    assert [("left", "take name")] * 5 == [(h["hand"], h["told_by"]) for h in left]
    assert not any("told_by" in h for h in manifest["hits"] if h["take"] == "6 groove")
