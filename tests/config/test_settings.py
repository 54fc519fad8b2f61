"""The recipe: what it accepts, what it refuses and with which words, and that what is written reads back the same."""

from __future__ import annotations

import dataclasses
import tomllib
from pathlib import Path

import pytest

from oneshot.config.recipe import (
    SECTIONS,
    Choosing,
    Cutting,
    FaderRecipe,
    KitInfo,
    PrintPart,
    PrintRecipe,
    Recipe,
    TailPart,
)
from oneshot.config.recipe_file import load_recipe, own_recipes, recipe_toml, recipe_values
from oneshot.core.errors import SettingsError
from oneshot.core.records.kit import Fader
from oneshot.kit.verify import verify
from oneshot.pipeline import build
from oneshot.synth import family, slate, write_session

FULL = Recipe(
    kit=KitInfo(name='Barn "A" \\ é', players=("Ada", "Ben")), choose=Choosing(layers=5, grade="C"),
    cut=Cutting(pre_roll_ms=0.5), keys={"snare": 38, "snare/rim shot": 40},
    balance={"OH L": FaderRecipe(gain_db=-6.0, pan=-1.0), 'Room "far"': FaderRecipe(on=False)},
    prints=(PrintRecipe(name="kick one", mics={"Kick In": PrintPart(), "Kick Out": PrintPart(-3.5, -1, True)}),
            PrintRecipe(name="snare", drum="snare", stereo=True, high_pass_hz=40.0,
                        tails={"lows": TailPart(high_hz=120.0)})))


def recipe_file(folder: Path, text: str) -> Path:
    """A recipe of that text."""
    path = folder / "recipe.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("recipe", [Recipe(), FULL], ids=["defaults", "full"])
def test_a_written_recipe_reads_back_equal(recipe: Recipe, tmp_path: Path) -> None:
    """The recipe in a kit builds that kit again, whatever quotes and letters its names hold."""
    assert (recipe, ()) == load_recipe(recipe_file(tmp_path, recipe_toml(recipe)))


def test_no_recipe_means_the_defaults() -> None:
    """The defaults of the design: 8 layers, 6 round robins, grade B, 2 ms pre-roll (common practice, no source)."""
    recipe, problems = load_recipe(None)

    assert (8, 6, "B", 2.0) == (recipe.choose.layers, recipe.choose.round_robins, recipe.choose.grade,
                                recipe.cut.pre_roll_ms)
    assert () == problems


def test_every_key_is_explained_with_its_default() -> None:
    """Above each key of a written recipe stand its explanation, its limits and its default."""
    text = recipe_toml(Recipe())
    flat = " ".join(line.removeprefix("# ") for line in text.splitlines())

    fields = [item for kind, _ in SECTIONS.values() for item in dataclasses.fields(kind)]
    assert len(fields) > 15
    for item in fields:
        assert f"\n{item.name} = " in text
        assert item.metadata["about"] in flat
        if item.metadata["low"] is not None:
            assert f"From {item.metadata['low']:g} to {item.metadata['high']:g}. Default" in flat


def test_the_print_in_the_comments_works_once_it_is_uncommented(tmp_path: Path) -> None:
    """Taking the first mark off the example's lines gives a print."""
    head, example = recipe_toml(Recipe()).split("# [[prints]]")
    example = "# [[prints]]" + example
    lines = [line.removeprefix("#").removeprefix(" ") for line in example.splitlines()]

    recipe, problems = load_recipe(recipe_file(tmp_path, head + "\n".join(lines)))

    assert ["kick replacement"] == [part.name for part in recipe.prints]
    assert {"Kick In": PrintPart()} == recipe.prints[0].mics
    assert () == problems


@pytest.mark.parametrize(("text", "where", "name", "near"), [
    ("[choose]\nlayer = 3", "choose", "layer", "layers"),
    ("[cut]\nfade-out-ms = 3", "cut", "fade-out-ms", "fade_out_ms"),
    ("[chose]\nlayers = 3", "recipe.toml, line 1", "chose", "choose"),
    ('[[prints]]\nceiling_db = -3.0', "prints 1", "ceiling_db", "ceiling_dbtp"),
    ('[balance]\n"OH L" = { gain = 3.0 }', "balance.OH L", "gain", "gain_db"),
    ('[[prints]]\n[prints.mics]\n"K" = { aligned = true }', "prints 1.mics.K", "aligned", "align"),
])
def test_unknown_keys_are_told_with_the_nearest_known_one(text: str, where: str, name: str, near: str,
                                                          tmp_path: Path) -> None:
    """A misspelt key stops nothing and is told: where, what, and what was probably meant."""
    _, problems = load_recipe(recipe_file(tmp_path, text))

    assert 1 == len(problems)
    assert problems[0].where.endswith(where)
    assert f"key {name!r} is unknown and ignored" == problems[0].what
    assert f"did you mean {near}?" == problems[0].todo


@pytest.mark.parametrize(("text", "where"), [
    ("# mine\n[choose]\n\nlayer = 3", "recipe.toml, line 4: choose"),
    ('[balance]\n"OH L" = { gain = 3.0 }', "recipe.toml, line 2: balance.OH L"),
    ('[[prints]]\nname = "a"\n[[prints]]\n[prints.mics]\n"K" = { aligned = true }',
     "recipe.toml, line 5: prints 2.mics.K"),
    ('[cut]\nspread_db = 1', "recipe.toml, line 2: cut"),
])
def test_an_unknown_key_is_told_with_its_line(text: str, where: str, tmp_path: Path) -> None:
    """The line of the key itself, or of the table it is written in; of a key that is retired, too."""
    _, problems = load_recipe(recipe_file(tmp_path, text))

    assert [where] == [problem.where for problem in problems]


@pytest.mark.parametrize(("text", "words"), [
    ("# mine\n[choose]\nlayers = 0", r"recipe\.toml, line 3: choose\.layers is 0"),
    ("[files]\n\nformat = 'flack'", r"recipe\.toml, line 3: files\.format is 'flack': .*; did you mean 'flac'\?"),
    ('[balance]\n"OH L" = { pan = 2.0 }', r"recipe\.toml, line 2: balance\.OH L\.pan is 2\.0"),
    ("[[prints]]\n[prints.mics]\nK = { gain_db = 99 }", r"recipe\.toml, line 3: prints 1\.mics\.K\.gain_db is 99"),
    ("[choose]\n[keys]\nsnare = 128", r"recipe\.toml, line 3: keys\.snare is 128"),
])
def test_a_bad_value_is_told_with_its_line(text: str, words: str, tmp_path: Path) -> None:
    """And with the nearest choice, where it has choices."""
    with pytest.raises(SettingsError, match=words):
        load_recipe(recipe_file(tmp_path, text))


@pytest.mark.parametrize(("text", "words"), [
    ("[choose]\nlayers = 0", "choose.layers is 0: it cannot be below 1"),
    ("[choose]\nlayers = 3.5", "choose.layers is 3.5: it must be a whole number"),
    ("[choose]\nlayers = true", "choose.layers is True: it must be a whole number"),
    ("[choose]\ngrade = 'E'", "choose.grade is 'E': choose one of 'A', 'B', 'C', 'D'"),
    ("[cut]\npre_roll_ms = 1e9", "cut.pre_roll_ms is 1000000000.0: it cannot be above 100"),
    ("[cut]\npre_roll_ms = nan", "cut.pre_roll_ms is not a number"),
    ("[kit]\nplayers = 'Ada'", "kit.players is 'Ada': it must be a list of strings"),
    ('[kit]\nversion = "1\\n2"', r"kit\.version is '1\\n2': write it on one line, without control characters"),
    ('[kit]\nname = "a\\u0000b"', r"kit\.name is 'a\\x00b': write it on one line"),
    ('[kit]\nlicence = "mine\\nyours\\u001b[2J"', r"kit\.licence is 'mine\\nyours\\x1b\[2J': write it without control"),
    ('[kit]\nplayers = ["Ada", "B\\u2028C"]', r"kit\.players is \('Ada', 'B\\u2028C'\): write it on one line"),
    ('[[prints]]\nname = "a\\rb"', r"name is 'a\\rb': write it on one line"),
    ("kit = 3", "kit is 3: it must be a table"),
    ("keys = 3", "keys is 3: it must be a table"),
    ("[keys]\nsnare = 128", "keys.snare is 128: a MIDI key is a whole number from 0 to 127"),
    ('[balance]\n"OH L" = { pan = 2.0 }', r"balance.OH L.pan is 2.0: it cannot be above 1"),
    ('[balance]\n"OH L" = { polarity = 0 }', r"balance.OH L.polarity is 0: choose 1 or -1"),
    ('[balance]\n"OH L" = { on = 1 }', r"balance.OH L.on is 1: it must be true or false"),
    ("[prints]\nname = 'x'", "write each print as a \\[\\[prints\\]\\] table"),
    ("[[prints]]\nname = ' '", "prints.name is empty"),
    ("[[prints]]\nname = 'a'\n[[prints]]\nname = 'A'", "prints.name is 'a' more than once"),
    ("[[prints]]\n[prints.mics]\nK = { gain_db = 99 }", "prints 1.mics.K.gain_db is 99: it cannot be above 24"),
    ("[[prints]]\nmics = 3", "prints 1.mics is 3: it must be a table"),
    ("[choose\n", "not valid TOML"),
])
def test_bad_values_stop_with_one_line(text: str, words: str, tmp_path: Path) -> None:
    """The line names the file, the field, the limit and the value found."""
    path = recipe_file(tmp_path, text)

    with pytest.raises(SettingsError, match=words) as caught:
        load_recipe(path)

    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_recipe_that_is_not_there_is_told(tmp_path: Path) -> None:
    """A wrong path is no reason to build with the defaults."""
    with pytest.raises(SettingsError, match=r"nowhere\.toml: no such recipe"):
        load_recipe(tmp_path / "nowhere.toml")


def test_a_fader_in_the_recipe_leaves_open_what_it_does_not_say() -> None:
    """A pan in the recipe keeps the computed gain."""
    computed = Fader(gain_db=-4.0, pan=0.2, polarity=-1, on=True)

    assert Fader(-4.0, -1.0, -1, True) == FaderRecipe(pan=-1.0).over(computed)


def test_the_values_are_plain_toml_types() -> None:
    """What goes into the manifest is what a TOML reader would give."""
    assert tomllib.loads(recipe_toml(FULL)) == recipe_values(FULL)


# ------------------------------------------------------------------------------------------- recipes of the program


def test_every_recipe_of_the_program_is_sound() -> None:
    """Three come with it; each is read by its name without a problem."""
    assert ("free-pack", "playable", "replacement") == own_recipes()
    for name in own_recipes():
        recipe, problems = load_recipe(Path(name))

        assert problems == ()
        assert recipe_toml(recipe)
    assert "drum" == load_recipe(Path("free-pack"))[0].files.level
    assert 2 == len(load_recipe(Path("replacement"))[0].prints)


def test_a_file_outranks_a_recipe_of_the_program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file of that name in the folder at hand is what was meant."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "playable").write_text("[choose]\nlayers = 2\n")

    assert 2 == load_recipe(Path("playable"))[0].choose.layers
    with pytest.raises(SettingsError, match="free-pack, playable, replacement"):
        load_recipe(Path("nothing"))


@pytest.mark.full
@pytest.mark.parametrize(("name", "only"), [("playable", None), ("replacement", "kick"), ("replacement", "snare"),
                                           ("free-pack", None)])
def test_every_recipe_of_the_program_builds(tmp_path: Path, name: str, only: str | None) -> None:
    """On a small session each makes a kit that is sound."""
    plan, _ = family()["eight"]
    rows = (("kick", "hit", -14.0, 0.0, 4, 0.9), ("snare", "centre", -18.0, 0.0, 5, 0.9))
    write_session(tmp_path / "s", plan, [slate("take", rows)], seed=4)
    kit = build(tmp_path / "s", tmp_path / "kit", recipe_path=Path(name), only=only).kit

    assert kit.one_shots
    assert [] == verify(tmp_path / "kit")
    made = {each.print for each in kit.prints}
    assert ({"replacement", "short"} if name == "replacement" else set()) == made


def test_what_a_name_holds_leaves_an_error_one_line() -> None:
    """A table of a recipe may be called by a name with line ends of any kind."""
    with pytest.raises(SettingsError) as caught:
        PrintRecipe(name="a\nb\u2028c", length_ms=-1)

    assert 1 == len(str(caught.value).splitlines())
    assert "a b c" in str(caught.value)
