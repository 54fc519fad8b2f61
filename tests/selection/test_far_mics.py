"""Sounding: a drum's overheads and rooms play with those of its one-shots that are clean with them, where most are."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from oneshot.core.records.kit import Kit, OneShot
from oneshot.cutting.mix import mixdown
from oneshot.kit.export.manifest import to_json
from oneshot.kit.export.sfz import to_sfz, write
from oneshot.kit.playback import keymap
from oneshot.kit.read import read_kit
from oneshot.selection.far_mics import Playing, sounding

HOMES = {"kick": "Kick In", "hat": "Hat"}


@pytest.fixture
def kit(own_example: Kit) -> Kit:
    """A kit of a kick and a hat, each with a close mic and a pair of overheads; nothing told of grades yet."""
    return own_example


LEVELS = {"kick": {"Kick In": 0.0, "OH L": -3.0, "OH R": -3.0}, "hat": {"Hat": 0.0, "OH L": -3.0, "OH R": -3.0}}
"""Each drum's overheads as loud by the balance as its own mic."""


def graded(kit: Kit, drum: str, far: str) -> tuple[OneShot, ...]:
    """Its one-shots, those of ``drum`` with these grades in the overheads one after another, the others with A; all
    alike in layer.
    """
    letters = iter(far)
    return tuple(replace(shot, layer=1, files=tuple(
        replace(f, grade="A" if "OH L" not in f.mics or shot.drum != drum else next(letters), bleed_db=None)
        for f in shot.files)) for shot in kit.one_shots)


def by(kit: Kit, asked: str = "C", **changed: Any) -> Playing:
    """What decides, as recorded."""
    return Playing({mic.name: mic for take in kit.session.takes for mic in take.mics},
                   **{"homes": HOMES, "levels_db": LEVELS, "asked": asked, **changed})


def heard(shots: Sequence[OneShot], drum: str = "kick") -> list[bool]:
    """Whether the overheads play with each one-shot of a drum; those that do not are left to the close mics' mapping,
    or none play.
    """
    assert all(f.plays and not f.far for shot in shots for f in shot.files if "OH L" not in f.mics)
    mine = [(shot.close_only, f) for shot in shots if shot.drum == drum for f in shot.files if "OH L" in f.mics]
    assert all(f.far for _, f in mine)
    assert not any(close_only and f.plays for close_only, f in mine)
    return [f.plays for _, f in mine]


def test_where_most_are_clean_those_play_with_their_overheads(kit: Kit) -> None:
    """Of six kicks four with C: these play with their overheads, the others in the close mics' mapping alone; two: none
    does, and all play without. The hat's play either way.
    """
    most, few = (sounding(graded(kit, "kick", letters), by(kit)) for letters in ("CCDCCD", "CDDDDC"))

    assert [True, True, False, True, True, False] == heard(most)
    assert [False, False, True, False, False, True] == [s.close_only for s in most if s.drum == "kick"]
    assert [False] * 6 == heard(few)
    assert not any(shot.close_only for shot in few)
    assert all(heard(each, "hat") == [True] * len(heard(each, "hat")) for each in (most, few))


def test_the_grade_asked_for_decides_and_d_plays_all(kit: Kit) -> None:
    """B asked for, C given: none; anything asked for, D given: all."""
    assert {False} == set(heard(sounding(graded(kit, "kick", "CCCCCC"), by(kit, "B"))))
    assert {True} == set(heard(sounding(graded(kit, "kick", "DDDDDD"), by(kit, "D"))))


@pytest.mark.parametrize(("level_db", "plays"), [(-3.0, False), (-20.0, True)])
def test_what_counts_is_what_a_listener_hears(kit: Kit, level_db: float, plays: bool) -> None:
    """Bleed 6 dB under the kick in its overheads is too much where these are as loud as its own mic by the balance, and
    disturbs nobody where they lie 17 dB below.
    """
    shots = tuple(replace(shot, files=tuple(replace(f, bleed_db=-6.0) if "OH L" in f.mics else f for f in shot.files))
                  for shot in graded(kit, "kick", "DDDDDD"))
    levels = {**LEVELS, "kick": {"Kick In": 0.0, "OH L": level_db, "OH R": level_db}}

    assert {plays} == set(heard(sounding(shots, by(kit, levels_db=levels))))


def test_mics_that_are_clean_one_by_one_may_not_be_so_together(kit: Kit) -> None:
    """Two far files whose bleed lies 21 dB under the kick each are clean one by one, and 18 dB down together not."""
    decides = by(kit, levels_db={"kick": {"Kick In": 0.0, "OH L": -30.0, "OH R": -30.0, "Room": -27.0}})
    shot = next(shot for shot in graded(kit, "kick", "DDDDDD") if shot.drum == "kick")
    over = replace(next(f for f in shot.files if "OH L" in f.mics), bleed_db=6.0)
    room = replace(over, mics=("Room",))
    shot = replace(shot, files=(*(f for f in shot.files if "OH L" not in f.mics), over, room))

    assert decides.are_clean(shot, [over])
    assert decides.are_clean(shot, [room])
    assert not decides.are_clean(shot, [over, room])


def test_a_drum_that_could_not_be_struck_hard_plays_without(kit: Kit) -> None:
    """Where none of the hardest layer is clean, no overhead plays, though most are; so all layers stay."""
    shots = graded(kit, "kick", "CCCCCD")
    last = [shot for shot in shots if shot.drum == "kick"][-1]
    shots = tuple(replace(shot, layer=2) if shot is last else shot for shot in shots)

    assert {False} == set(heard(sounding(shots, by(kit))))


def test_in_a_lite_kit_all_are_alike(kit: Kit) -> None:
    """Mixdowns have one mapping: all play with a mic that most are clean in."""
    made = sounding(graded(kit, "kick", "CCDCCD"), by(kit, all_alike=True))

    assert {True} == set(heard(made))
    assert not any(shot.close_only for shot in made)


def test_a_home_mic_always_plays(kit: Kit) -> None:
    """A drum whose home is an overhead, as a cymbal's, is never silenced by its grade."""
    made = sounding(graded(kit, "kick", "DDDDDD"), by(kit, homes={**HOMES, "kick": "OH L"}))

    assert all(f.plays for shot in made for f in shot.files)


def test_what_does_not_play_is_heard_nowhere(kit: Kit, tmp_path: Path) -> None:
    """Mapping and mixdown leave the files out; manifest and kit read back say so."""
    made = sounding(graded(kit, "kick", "DDDDDD"), by(kit))
    muted = replace(kit, one_shots=tuple(replace(new, layer=old.layer) for new, old in
                                         zip(made, kit.one_shots, strict=True)))
    close = replace(made[0], files=made[0].files[:1])
    folder = tmp_path / "kit"
    both, alone = (mixdown.stereo(folder, shot, kit.balance)[0] for shot in (made[0], close))

    assert "kick" == made[0].drum
    assert (both[:, :alone.shape[1]] == alone).all()
    assert not [line for line in to_sfz(muted, "kick").splitlines() if "_OH.wav" in line]
    assert [line for line in to_sfz(kit, "kick").splitlines() if "_OH.wav" in line]
    assert [(False, True)] == [(f["plays"], f["far"]) for f in to_json(muted)["one_shots"][0]["files"] if "plays" in f]
    assert all(f.plays for shot in read_kit(folder).one_shots for f in shot.files)


def test_the_close_mics_mapping_plays_everything(kit: Kit, tmp_path: Path) -> None:
    """The kit's mapping leaves out what plays without overheads alone, and widens the other layers over it; the close
    mics' mapping has every one-shot and no overhead; both tile all velocities.
    """
    made = sounding(graded(kit, "kick", "CCDDCC"), by(kit))
    made = tuple(replace(new, layer=old.layer) for new, old in zip(made, kit.one_shots, strict=True))
    both = replace(kit, one_shots=made)
    write(both, tmp_path)
    whole, close = (re.findall(r"sample=(.*)", (tmp_path / "mappings" / name).read_text(encoding="utf-8"))
                    for name in ("kit.sfz", "close.sfz"))
    kick = [shot for shot in made if shot.drum == "kick"]

    assert {f.path for shot in kick for f in shot.files if "OH L" not in f.mics} <= set(close)
    assert not [path for path in close if "_OH." in path]
    assert not {f.path for shot in kick if shot.close_only for f in shot.files} & set(whole)
    (key,) = (key for key in keymap.keys_of(both, keymap.mix_levels(both)) if key.drum.name == "kick")
    assert list(range(1, 128)) == [v for layer in key.layers for v in range(layer.low, layer.high + 1)]
