"""File names: readable outside the kit, plain on every disk, no two alike; released ones stay."""

from __future__ import annotations

from pathlib import Path

import pytest
from stage_inputs import Pier, hit
from stroke_sessions import strokes

from oneshot import pipeline
from oneshot.config import release_lock
from oneshot.config.name_pattern import check_pattern, filled, hyphened, short_name
from oneshot.config.recipe import Naming
from oneshot.core.errors import SettingsError
from oneshot.cutting.file_names import FileNames, file_names, ordinary_ways
from oneshot.selection.select import Pick

ALL = Pick(1, 3, 12, (90, 127))
PLAIN = {"snare": "centre"}


def names(kit: str = "Ropewalk", **naming: object) -> FileNames:
    """Names of a kit in which snares are ordinarily struck in the centre."""
    return FileNames(Naming(**naming), kit, PLAIN)  # type: ignore[arg-type]


def test_a_name_says_all_that_tells_files_apart() -> None:
    """Kit, drum, articulation unless it is the ordinary one, layer, round robin and mic; folders by drum and stroke."""
    side, centre = hit(1, drum="snare", articulation="side-stick"), hit(2, drum="snare", articulation="centre")

    assert "samples/snare/side-stick/ropewalk_snare_side-stick_V03_RR12_oh.wav" == names().sample(side, ALL, "OH")
    assert "samples/snare/centre/ropewalk_snare_V03_RR12_kick-in.wav" == names().sample(centre, ALL, "KickIn")
    assert "prints/tight/ropewalk_snare_V03_RR12_h002_tight.wav" == names().print(centre, ALL, "tight", "Tight")
    for every, name in ((False, "ropewalk_snare_V03"), (True, "ropewalk_snare_centre_V03")):
        made = file_names(Naming(every_articulation=every), "Ropewalk", {"snare": ("rim", "centre")}, ".wav", None, {})
        assert name in made.sample(centre, ALL, "OH")


@pytest.mark.parametrize("mic", ["Kick In", "Große Trommel (außen)", "01 - BD  in.old", "///", "x" * 90])
def test_names_are_short_ascii_without_spaces(mic: str) -> None:
    """Whatever a desk called the mic, the file's name is plain ASCII without spaces, at most 64 characters."""
    for kit in ("K", "A kit with a name as long as a sentence", "Überlänge" * 9):
        name = Path(names(kit).sample(hit(1, drum="d" * 24, articulation="a" * 20), ALL, mic)).name

        assert name.isascii()
        assert len(name) <= 64
        assert name.endswith(".wav")
        assert set(name) <= set("abcdefghijklmnopqrstuvwxyz0123456789VR-_.")


@pytest.mark.parametrize("drum", ["../../outside", "große trommel", "Rack/Tom", "a b", ".hidden"])
def test_a_drums_name_never_leaves_the_kit(drum: str) -> None:
    """A drum that session.toml names by odd letters still lies in samples/, in one plain ASCII folder of its own."""
    path = Path(names().sample(hit(1, drum=drum), ALL, "OH"))

    assert 4 == len(path.parts)
    assert "samples" == path.parts[0]
    assert not any(part.startswith(".") for part in path.parts)
    assert path.as_posix().isascii()
    assert " " not in path.as_posix()


def test_a_field_that_is_empty_goes_with_its_separator() -> None:
    """No double underscores, none at an end; a name that is too long loses of its mic first."""
    values = {"kit": "k", "drum": "snare", "articulation": "", "layer": "03", "round_robin": "01", "mic": "oh"}

    assert "k_snare_V03" == filled("{kit}_{drum}_{articulation}_V{layer}", values)
    assert "snare-V03" == filled("{articulation}-{drum}-{articulation}-V{layer}", values)
    assert "k_snare_03_" + "m" * 48 == filled("{kit}_{drum}_{layer}_{mic}", values | {"mic": "m" * 90})
    assert "k_snare_03_oh-2" == filled("{kit}_{drum}_{layer}_{mic}", values, "-2")


def test_a_kit_is_called_by_its_first_words() -> None:
    """As many as fit in 12 letters; a longer word is cut; a name without a letter of the alphabet is a kit."""
    assert ["ropewalk", "the-long", "abcdefghijkl", "kit", "kit-2"] == [short_name(each) for each in (
        "Ropewalk", "The long afternoon", "Abcdefghijklmnop", "漢字", "Kit #2")]
    assert ["kick-in", "oh", "snare-top-2", "tom1", "ohs"] == [hyphened(each) for each in (
        "KickIn", "OH", "Snare Top (2)", "Tom1", "OHs")]
    assert ["tute-1", "kick-unten"] == [hyphened("Tüte 1"), hyphened("KickÜnten")]
    assert "schlagzeug" == short_name("Schlägzeug")


@pytest.mark.parametrize("called", ["t-te-1", "tute-1"])
def test_a_released_name_stays_however_umlauts_were_written(called: str) -> None:
    """Names of a release that dropped them, and of one that wrote the letters nearest to them."""
    made = names()
    stroke = hit(1, drum="snare", articulation="centre")
    path = f"samples/snare/centre/snare_V01_RR01_{called}.wav"
    made.released = {("snare", "centre", ALL.layer, ALL.round_robin): (path,)}

    assert path == made.sample(stroke, ALL, "Tüte 1")


@pytest.mark.parametrize(("pattern", "said"), [
    ("{drum}_{stick}_{hit}", r"names \{stick\}: use \{kit\}"),
    ("{drum}_{hit}_{hit}", "twice"),
    ("{drum}/{hit}", "letters a to z"),
    ("{drum}_{layer}", r"add \{hit\}"),
    ("{drum}_{round_robin}", r"add \{hit\}"),
    ("{hit}" + "x" * 21, "21 letters"),
    ("{hit", "letters a to z"),
])
def test_patterns_that_cannot_name_files_are_refused(pattern: str, said: str) -> None:
    """At once, when the recipe is read."""
    with pytest.raises(SettingsError, match=f"names.samples .*{said}"):
        Naming(samples=pattern)
    with pytest.raises(SettingsError, match=f"here .*{said}"):
        check_pattern(pattern, "here")


def test_names_that_only_look_alike_are_numbered() -> None:
    """Mics that one file name stands for get numbers, also where a disk takes no notice of case; asked again, a file
    has the name it had.
    """
    made, stroke = names(), hit(1, drum="snare", articulation="centre")
    paths = [made.sample(stroke, ALL, mic) for mic in ("Kick/In", "Kick In", "Kick In", "KICK in")]

    assert ["kick-in.wav", "kick-in-2.wav", "kick-in-2.wav", "kick-in-3.wav"] == [p.rpartition("_")[2] for p in paths]


@pytest.mark.parametrize(("pattern", "other", "mic", "missing"), [
    ("{drum}_{layer}_{round_robin}", hit(1, drum="snare"), "Room", "{mic}"),
    ("{layer}_{round_robin}_{mic}", hit(2, drum="kick"), "OH", "{drum}"),
    ("{drum}_{layer}_{round_robin}_{mic}", hit(2, drum="snare", articulation="rim"), "OH", "{articulation}"),
])
def test_a_pattern_that_gives_two_files_one_name_is_told(pattern: str, other: object, mic: str, missing: str) -> None:
    """With what would tell them apart."""
    made = names(samples=pattern)
    made.sample(hit(1, drum="snare"), ALL, "OH")

    with pytest.raises(SettingsError, match=f"two files are called .*: add .*{missing}"):
        made.sample(other, ALL, mic)  # type: ignore[arg-type]


def test_files_are_not_cut_before_all_have_names(pier: Pier, tmp_path: Path) -> None:
    """A pattern that the kit has too many mics for: one line, no kit, nothing cut."""
    (tmp_path / "recipe.toml").write_text('[names]\nsamples = "{drum}_{articulation}_{hit}"\n', encoding="utf-8")
    stages: list[str] = []

    with pytest.raises(SettingsError, match=r"names\.samples is .* add \{mic\}"):
        pipeline.build(pier.session, tmp_path / "kit", recipe_path=tmp_path / "recipe.toml", only="kick",
                       progress=lambda stage, share: stages.append(stage))
    assert "cutting" not in stages
    assert not (tmp_path / "kit").exists()


def test_no_two_files_of_a_kit_share_a_name(pier: Pier) -> None:
    """Not even in different folders: they are used outside of them."""
    every = [file.path for shot in pier.kit.one_shots for file in (*shot.files, *shot.untouched)]
    stems = [Path(path).name.lower() for path in every]

    assert len(stems) == len(set(stems))
    assert all(stem.startswith("session_") for stem in stems)


def test_released_names_outlive_patterns(tmp_path: Path) -> None:
    """A kit that was released keeps pattern, short name and the articulation left out, whatever the recipe says later,
    and says so; one released before names could be set keeps those it had.
    """
    session, kit = strokes(tmp_path / "s"), tmp_path / "k"
    first = pipeline.build(session, kit).kit
    lock = release_lock.record(first, None, 0, "1.0")
    (kit / release_lock.NAME).write_text(release_lock.to_json(lock), encoding="utf-8")
    (tmp_path / "r.toml").write_text('[kit]\nname = "Other"\n[names]\nsamples = "{hit}_{mic}"\n', encoding="utf-8")

    second = pipeline.build(session, kit, recipe_path=tmp_path / "r.toml").kit

    paths = {f.path for s in first.one_shots for f in s.files}
    assert paths == {f.path for s in second.one_shots for f in s.files}
    assert any("keeps the names of its files" in p.what for p in second.problems)
    drum = first.drums[0].name
    assert {drum: "rim"} == ordinary_ways({drum: ("hit", "rim")}, release_lock.Released("1", 0, (), ordinary={
        drum: "rim"}))

    (tmp_path / "r.toml").write_text(
        '[names]\nsamples = "{drum}_{articulation}_V{layer}_RR{round_robin}_{mic}"\nevery_articulation = true\n',
        encoding="utf-8")
    old = pipeline.build(session, tmp_path / "old", recipe_path=tmp_path / "r.toml").kit
    lock = release_lock.record(old, None, 0, "1.0")
    text = release_lock.to_json(lock).replace('"names"', '"unknown"')
    (tmp_path / "old" / release_lock.NAME).write_text(text, encoding="utf-8")
    again = pipeline.build(session, tmp_path / "old").kit
    assert {f.path for s in old.one_shots for f in s.files} == {f.path for s in again.one_shots for f in s.files}
