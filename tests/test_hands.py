"""Keys as the user wants them: hands on two keys, a whole kit moved, voices by drum, and conflicts told."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from sfz_render import Instrument
from stroke_sessions import strokes

from oneshot import pipeline
from oneshot.config.recipe import Recipe
from oneshot.config.recipe_file import load_recipe, recipe_toml
from oneshot.core.errors import SettingsError
from oneshot.core.records.hits import Articulation
from oneshot.core.records.kit import Kit
from oneshot.kit.export import manifest, sf2, sfz, write_all
from oneshot.kit.export.keys import Struck, assign_keys, unknown_keys
from oneshot.kit.playback import keymap, sampler
from oneshot.kit.playback.keymap import by_hand, hit_levels, keys_of, layers_of
from oneshot.kit.read import read_kit
from oneshot.kit.verify import read_regions, verify_kit

STRUCK = [Struck("kick", "kick", ("hit",)), Struck("snare", "snare", ("centre", "rimshot")),
          Struck("hat", "hat", ("closed", "open"))]
LEFT = 39


@pytest.fixture
def kit(own_example: Kit) -> Kit:
    """The example kit with a key for each hand of the closed hat, written anew into ``tmp_path / "kit"``."""
    drums = tuple(replace(d, voices=9, articulations=tuple(
        replace(a, second_key=LEFT) if a.name == "closed" else a for a in d.articulations)) for d in own_example.drums)
    made = replace(own_example, drums=drums)
    write_all(made, made.session.root / "kit")
    return made


def test_without_labels_alternates_are_dealt_out_in_turn(kit: Kit) -> None:
    """First, third and so on to the right hand, the others to the left; levels and velocities of both are alike."""
    found = {key.hand: key for key in keys_of(kit, hit_levels(kit)) if key.articulation == "closed"}

    assert {"right": 42, "left": LEFT} == {hand: key.key for hand, key in found.items() if hand}
    for right, left in zip(found["right"].layers, found["left"].layers, strict=True):
        assert ([1], [2]) == ([s.round_robin for s in right.alternates], [s.round_robin for s in left.alternates])
        assert right.wanted_db == left.wanted_db
        assert (right.low, right.high) == (left.low, left.high)


def test_labels_say_which_hand_struck(kit: Kit) -> None:
    """Labelled strokes go to their hand, others to whoever has fewer; one hand alone, or nothing said: in turn; a
    single alternate is both hands'.
    """
    shots = [s for s in kit.one_shots if (s.articulation, s.layer) == ("closed", 1)]
    four = [replace(shots[0], hit=100 + n, round_robin=n + 1, velocity=(1, 127)) for n in range(5)]
    layers = layers_of(four, {})

    def dealt(hands: dict[int, str | None]) -> list[list[int]]:
        return [[s.hit - 100 for s in side[0].alternates] for side in by_hand(layers, hands)]

    assert [[1, 3], [0, 2, 4]] == dealt({100: "left", 101: "right", 102: "left", 103: "right", 104: "left"})
    assert [[1, 3, 4], [0, 2]] == dealt({100: "left", 101: "right", 102: "left", 103: None, 104: None})
    assert [[0, 2, 4], [1, 3]] == dealt({100: "left"})
    assert [[0, 2, 4], [1, 3]] == dealt({})
    (single,) = layers_of(four[:1], {})
    assert [[100], [100]] == [[s.hit for s in side[0].alternates] for side in by_hand([single], {})]


def test_every_mapping_plays_both_keys(kit: Kit, tmp_path: Path) -> None:
    """SFZ, SoundFont, key table and the manifest know the second key; the kit verifies and is read back as it was; each
    hand's notes find its own strokes, and the drum's voices are those asked for.
    """
    folder = tmp_path / "kit"
    assert [] == verify_kit(folder)
    assert kit.drums == read_kit(folder).drums
    regions = list(read_regions((folder / sfz.NAME).read_text(encoding="utf-8")))
    assert sorted(file.path for shot in kit.one_shots for file in shot.files) == sorted(
        region["sample"] for region in regions)
    hats = {region["key"]: {r["sample"].split("_RR")[1][:2] for r in regions if r["key"] == region["key"]}
            for region in regions if region["key"] in {"42", str(LEFT)}}
    assert {"42": {"01"}, str(LEFT): {"02"}} == hats
    assert {"18"} == {region["note_polyphony"] for region in regions}  # nine voices of two files
    assert f"\n{LEFT},hat,closed,1,1,64,1,left\n" in (folder / "mappings/keys.csv").read_text(encoding="utf-8")
    document = json.loads((folder / manifest.NAME).read_text(encoding="utf-8"))
    assert [9, LEFT] == [document["drums"][1]["voices"], document["drums"][1]["articulations"][0]["second_key"]]
    band = sampler.Player(folder, kit, 44100)
    notes = [sampler.Note(n * 9000, key, 100) for n, key in enumerate((42, LEFT, 42))]
    assert [1, 2, 1] == [voice.shot.round_robin for voice in band.voices(notes)]
    assert 9 == band.voices(notes)[0].key.voices
    instrument = Instrument(folder / sfz.NAME)
    for key in (42, LEFT):  # read by the published opcodes, apart from our own player
        theirs = instrument.sounds(key, 100)
        ours = band.play([sampler.Note(44100, key, 100)])[:, 44100 - 132:44100 - 132 + theirs.shape[1]]
        assert float(np.sum((ours - theirs) ** 2)) < 1e-6 * float(np.sum(ours**2))


def test_a_stroke_that_both_hands_share_is_stored_once(kit: Kit, tmp_path: Path) -> None:
    """A SoundFont of a hat with one alternate a layer is no larger for its second key, but for some bytes."""
    some = replace(kit, one_shots=tuple(s for s in kit.one_shots if s.round_robin == 1))
    plain = replace(some, drums=tuple(replace(d, articulations=tuple(Articulation(a.name, a.key)
                                                                     for a in d.articulations)) for d in some.drums))
    sizes = []
    for each in (plain, some):
        sf2.write(each, tmp_path / "kit")
        sizes.append((tmp_path / "kit" / sf2.NAME).stat().st_size)

    assert 0 < sizes[1] - sizes[0] < 2000
    assert 2 == sum(key.articulation == "closed" for key in keys_of(some, keymap.mix_levels(some)))


def test_a_performance_is_played_by_the_hand_that_played_it(kit: Kit) -> None:
    """A hit labelled left sounds on the left key; all others on the drum's own."""
    closed = [h.id for h in kit.hits if h.articulation == "closed"]
    some = replace(kit, hits=tuple(replace(h, hand="left") if h.id == closed[0] else h for h in kit.hits))
    keys = {number: note.key for number, note in sampler.performance(some, "take 1")}

    assert LEFT == keys[closed[0]]
    assert {42} == {keys[number] for number in closed[1:]}


def test_a_whole_kit_moves_and_what_was_set_stays() -> None:
    """An octave up: General MIDI's keys move, those the recipe sets do not; beyond the last key there are free ones."""
    plain = assign_keys(STRUCK, {})
    moved = assign_keys(STRUCK, {"kick": 35}, transpose=12)

    assert 35 == moved["kick", "hit"]
    assert {stroke: key + 12 for stroke, key in plain.items() if stroke[0] != "kick"} == {
        stroke: key for stroke, key in moved.items() if stroke[0] != "kick"}
    far = assign_keys([Struck("tambourine", "tambourine", ("hit",)), *STRUCK], {}, transpose=90)
    assert len(far) == len(set(far.values()))
    assert all(0 <= key <= 127 for key in far.values())


def test_left_hands_keys_are_nobody_elses() -> None:
    """A hand's key that General MIDI has for another stroke is kept from it; two that want one key are told."""
    keys = assign_keys(STRUCK, {}, hands={"snare": 40})
    assert 40 not in keys.values()
    with pytest.raises(SettingsError, match="keys: kick/hit and snare/centre are both on key 36"):
        assign_keys(STRUCK, {"kick": 36}, hands={"snare": 36})
    with pytest.raises(SettingsError, match="are both on key 50"):
        assign_keys(STRUCK, {}, hands={"snare": 50, "hat": 50})
    assert ("bell",) == unknown_keys(STRUCK, {"bell": 1, "snare/rimshot": 2})


@pytest.mark.parametrize(("text", "told"), [
    ('[hands]\n"snare" = 128', r"hands\.snare is 128"), ('[keys]\n"snare" = true', r"keys\.snare is True"),
    ('[voices]\n"ride" = 0', r"voices\.ride is 0"), ('[playing]\ntranspose = 61', "transpose"),
    ("hands = 3", "hands is 3: it must be a table")])
def test_bad_keys_are_told(tmp_path: Path, text: str, told: str) -> None:
    """One line with the name, the limit and the value."""
    (tmp_path / "r.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=told):
        load_recipe(tmp_path / "r.toml")


def test_the_recipe_keeps_them(tmp_path: Path) -> None:
    """Written and read back; a build uses them, and tells of names that no drum has."""
    recipe = Recipe(hands={"kick": 35, "gong": 1}, voices={"kick": 2, "bell": 3}, keys={"kick": 60})
    (tmp_path / "r.toml").write_text(recipe_toml(recipe), encoding="utf-8")
    assert recipe == load_recipe(tmp_path / "r.toml")[0]
    built = pipeline.build(strokes(tmp_path / "s"), tmp_path / "k", recipe_path=tmp_path / "r.toml").kit

    kick = next(drum for drum in built.drums if drum.name == "kick")
    assert (60, 35, 2) == (kick.articulations[0].key, kick.articulations[0].second_key, kick.voices)
    assert {"hands names 'gong', which is not a drum of the kit",
            "voices names 'bell', which is not a drum of the kit"} <= {
        problem.what for problem in built.problems}
    assert [] == verify_kit(tmp_path / "k")
