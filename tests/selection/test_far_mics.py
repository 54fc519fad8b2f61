"""Sounding: a drum's overheads and rooms play along where most of its one-shots are clean enough there; all or none."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from oneshot.core.records.kit import Kit, OneShot
from oneshot.cutting.mix import mixdown
from oneshot.kit.export.manifest import to_json
from oneshot.kit.export.sfz import to_sfz
from oneshot.kit.read import read_kit
from oneshot.selection.far_mics import playing, sounding

HOMES = {"kick": "Kick In", "hat": "Hat"}


@pytest.fixture
def kit(own_example: Kit) -> Kit:
    """A kit of a kick and a hat, each with a close mic and a pair of overheads; nothing told of grades yet."""
    return own_example


def graded(kit: Kit, drum: str, far: str) -> tuple[OneShot, ...]:
    """Its one-shots, those of ``drum`` with these grades in the overheads one after another, the others with A."""
    letters = iter(far)
    return tuple(replace(shot, files=tuple(
        replace(f, grade="A" if "OH L" not in f.mics or shot.drum != drum else next(letters)) for f in shot.files))
        for shot in kit.one_shots)


def heard(kit: Kit, shots: tuple[OneShot, ...], asked: str = "C") -> dict[str, set[bool]]:
    """Drum -> whether its overheads play."""
    mics = {mic.name: mic for take in kit.session.takes for mic in take.mics}
    made, _ = sounding(shots, mics, HOMES, asked)
    assert all(f.plays for shot in made for f in shot.files if "OH L" not in f.mics)
    return {drum: {f.plays for shot in made if shot.drum == drum for f in shot.files if "OH L" in f.mics}
            for drum in HOMES}


def test_where_most_are_clean_all_overheads_play_and_where_few_are_none_does(kit: Kit) -> None:
    """Of six kicks four with C: all six play with their overheads; two: none does; the hat's play either way."""
    assert {"kick": {True}, "hat": {True}} == heard(kit, graded(kit, "kick", "CCDCCD"))
    assert {"kick": {False}, "hat": {True}} == heard(kit, graded(kit, "kick", "CDDDDC"))


def test_the_grade_asked_for_decides_and_d_plays_all(kit: Kit) -> None:
    """B asked for, C given: none; anything asked for, D given: all."""
    assert {False} == heard(kit, graded(kit, "kick", "CCCCCC"), "B")["kick"]
    assert {True} == heard(kit, graded(kit, "kick", "DDDDDD"), "D")["kick"]


def test_a_home_mic_always_plays(kit: Kit) -> None:
    """A drum whose home is an overhead, as a cymbal's, is never silenced by its grade."""
    mics = {mic.name: mic for take in kit.session.takes for mic in take.mics}
    made, told = sounding(graded(kit, "kick", "DDDDDD"), mics, {**HOMES, "kick": "OH L"}, "C")

    assert all(f.plays for shot in made for f in shot.files)
    assert [] == told


def test_what_does_not_play_is_told_and_heard_nowhere(kit: Kit, tmp_path: Path) -> None:
    """The problem names drum and mics; mapping and mixdown leave the files out; manifest and kit read back say so."""
    mics = {mic.name: mic for take in kit.session.takes for mic in take.mics}
    made, told = sounding(graded(kit, "kick", "DDDDDD"), mics, HOMES, "C")
    muted = replace(kit, one_shots=made)
    close = replace(made[0], files=made[0].files[:1])
    folder = tmp_path / "kit"
    both, alone = (mixdown.stereo(folder, shot, kit.balance)[0] for shot in (made[0], close))

    assert ["kick"] == [each.where for each in told]
    assert "OH L and OH R" in told[0].what
    assert "kick" == made[0].drum
    assert (both[:, :alone.shape[1]] == alone).all()
    assert not [line for line in to_sfz(muted, "kick").splitlines() if "_OH.wav" in line]
    assert [line for line in to_sfz(kit, "kick").splitlines() if "_OH.wav" in line]
    assert [False] == [f["plays"] for f in to_json(muted)["one_shots"][0]["files"] if "plays" in f]
    assert all(f.plays for shot in read_kit(folder).one_shots for f in shot.files)


def test_half_is_enough() -> None:
    """Two of four hits reach the grade in a room, one of four in the overheads."""
    rows = [{"Room": "A", "OH": "C"}, {"Room": "C", "OH": "D"}, {"Room": "D", "OH": "D"}, {"Room": "D", "OH": "D"}]

    assert {"Room"} == playing(rows, "C")
