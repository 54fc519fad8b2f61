"""A person's recipe.toml edited by the program: every value in it, and what the person wrote as it was."""

from __future__ import annotations

import dataclasses
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from oneshot.config.recipe import Choosing, FaderRecipe, KitInfo, PrintPart, PrintRecipe, Recipe
from oneshot.config.recipe_file import load_recipe, merged, recipe_toml, with_balance

WRITTEN = """# Barn, second evening

[balance] # by ear
"OH R" = { pan = 1.0, gain_db = -3.0 } # a little less
# the room is too loud otherwise
Room = { gain_db = -12 }

# dry, please
[cut]
fade_out_ms = 40 # ms
colour = "blue"

[choose] # few
layers   =   3


# one for the mix
[[prints]]
name = "kick"
mics = { "Kick In" = {} } # the beater
"""

ODD = {
    "tables of tables": '[balance]\n[balance."OH L"]\ngain_db = -1.0 # one\n[cut]\nfade_out_ms = 9.0\n'
                        '[balance.Room]\non = false # two\n',
    "no table of its own": '[balance."OH L"]\ngain_db = -1.0 # one\npan = 0.5\n',
    "dotted": 'choose.layers = 3 # one\nbalance."OH L".gain_db = -2.0 # two\ncut.fade_out_ms = 9.0\n',
    "dotted inside": '[balance]\n"OH L".gain_db = -2.0 # one\n"OH L".pan = 0.1\n[choose]\n# two',
    "inline": 'choose = { layers = 3, grade = "A" } # one\nbalance = { "OH L" = { pan = 0.5 } } # two\n',
    "several lines": '[kit]\nlicence = """\n[choose]\nlayers = 3\n""" # one\nplayers = [\n  "Ada", # two\n]\n'
                     '[choose]\n',
    "unknown inside": '[balance]\n"OH L" = { gain = 3.0, pan = 0.5 } # one\n[choose.more]\na = 1 # two\n',
    "no end of line": '[choose]\nlayers = 3 # one',
    "empty tables": "[choose] # one\n[balance] # two\n[keys]\n",
    "prints in one": 'prints = [{ name = "a", mics = { K = { gain_db = 1.0 } } }] # one\n',
    "windows": '# one\r\n[choose]\r\nlayers = 3 # two\r\n\r\n[balance]\r\n"OH L" = { pan = 0.5 }\r\n',
}

LISTED = Recipe(balance={"OH L": FaderRecipe(gain_db=-6.5, on=False), 'a "b" é': FaderRecipe(pan=-1.0, polarity=-1)})


def read(folder: Path, text: str) -> tuple[Recipe, list[str]]:
    """The recipe that a text says, and its unknown keys."""
    path = folder / "recipe.toml"
    path.write_bytes(text.encode())
    recipe, problems = load_recipe(path)
    return recipe, [each.what for each in problems]


def comments(text: str) -> list[str]:
    """What is written behind marks, in order."""
    return [line.partition("# ")[2].strip() for line in text.splitlines() if "# " in line]


@pytest.mark.parametrize("recipe", [Recipe(), LISTED, Recipe(prints=(PrintRecipe(name="a", mics={"K": PrintPart()}),))])
def test_a_recipe_that_the_program_wrote_stays_as_it_is(recipe: Recipe) -> None:
    """A rebuild of a kit whose recipe nobody touched writes the same bytes."""
    assert recipe_toml(recipe) == merged(recipe_toml(recipe), recipe)
    assert recipe_toml(recipe) == with_balance(recipe_toml(recipe), recipe)


def test_every_key_is_there_and_what_was_written_stays(tmp_path: Path) -> None:
    """Comments, order, spaces and an unknown key stay; each key that was left out stands below those of its table,
    explained; done again, nothing changes.
    """
    recipe, unknown = read(tmp_path, WRITTEN)
    text = merged(WRITTEN, recipe)

    assert (recipe, unknown) == read(tmp_path, text)
    assert 1 == len(unknown)
    written = [line for line in WRITTEN.splitlines() if line]
    assert written == [line for line in text.splitlines() if line in written]
    table = tomllib.loads(text)
    for name, values in tomllib.loads(recipe_toml(recipe)).items():
        if name != "prints":
            assert set(values) <= set(table[name])
    assert "# Raised-cosine fade at the start (ms)" in text.partition("[cut]")[2].partition("[choose]")[0]
    assert "\n\n# one for the mix\n[[prints]]\n" in text
    assert text == merged(text, recipe)


def test_changed_values_stand_where_the_old_ones_stood(tmp_path: Path) -> None:
    """A value that is another one is changed in its line, its comment stays."""
    recipe, _ = read(tmp_path, WRITTEN)
    other = replace(recipe, choose=replace(recipe.choose, layers=7), kit=replace(recipe.kit, name="Barn"))
    text = merged(WRITTEN, other)

    assert other == read(tmp_path, text)[0]
    assert "[choose] # few\nlayers   =   7\n" in text
    assert set(comments(WRITTEN)) <= set(comments(text))


def test_a_fader_changes_its_line_alone(tmp_path: Path) -> None:
    """Set, added, let go: all other lines stay as they are."""
    recipe, _ = read(tmp_path, WRITTEN)
    faders = {"OH R": FaderRecipe(gain_db=-5.0), "OH L": FaderRecipe(pan=-1.0), **recipe.balance}
    faders["OH R"] = FaderRecipe(gain_db=-5.0)
    text = with_balance(WRITTEN, replace(recipe, balance=faders))

    assert WRITTEN.replace("{ pan = 1.0, gain_db = -3.0 }", "{ gain_db = -5.0 }").replace(
        "Room = { gain_db = -12 }\n", 'Room = { gain_db = -12 }\n"OH L" = { pan = -1.0 }\n') == text
    text = with_balance(text, replace(recipe, balance={"Room": recipe.balance["Room"]}))
    assert WRITTEN.replace('"OH R" = { pan = 1.0, gain_db = -3.0 } # a little less\n', "") == text
    assert {} == read(tmp_path, with_balance(text, replace(recipe, balance={})))[0].balance


@pytest.mark.parametrize("name", ODD)
def test_however_it_is_written_it_reads_back_equal(name: str, tmp_path: Path) -> None:
    """Tables in any of TOML's forms: nothing changed, much changed, faders changed; comments stay, and unknown keys."""
    text = ODD[name]
    recipe, unknown = read(tmp_path, text)
    for wanted in (recipe, replace(recipe, balance=LISTED.balance), replace(recipe, balance={}),
                   replace(recipe, choose=Choosing(layers=5, grade="C"), kit=KitInfo(name="n", players=("x", "y")))):
        whole = merged(text, wanted)

        assert wanted == read(tmp_path, whole)[0]
        assert whole == merged(whole, wanted)
        assert [each for each in unknown if "gain" not in each or wanted.balance] == read(tmp_path, whole)[1]
        if wanted == recipe:
            assert set(comments(text)) <= set(comments(whole))
        faders = replace(recipe, balance=wanted.balance)
        assert faders == read(tmp_path, with_balance(text, faders))[0]
        if wanted.balance or name != "tables of tables":  # emptied where it stands in two places, it is written anew
            assert recipe_toml(faders) != with_balance(text, faders)
    assert ("\r\n" in text) == ("\r\n" in merged(text, recipe))
    assert text.rstrip() == with_balance(text, recipe).rstrip() or "[balance]" not in text


@pytest.mark.parametrize("text", ["", "\n", "[choose", "= 3", "[choose]\nlayers = 'x'", "\x00", "[a]\n[a]\n"])
def test_what_cannot_be_kept_is_written_anew(text: str) -> None:
    """Nothing, or no recipe: the file is as for a new kit."""
    assert recipe_toml(LISTED) == merged(text, LISTED)
    assert recipe_toml(LISTED) == with_balance(text, LISTED)


def test_every_table_can_be_completed(tmp_path: Path) -> None:
    """Each table of a recipe with only one of its keys, or none, is completed from there."""
    whole = recipe_toml(LISTED)
    for name, values in tomllib.loads(whole).items():
        for text in (f"[{name}] # mine\n", *(f"# mine\n[{name}]\n{key} = {value!r} # mine\n"
                                             for key, value in values.items() if isinstance(value, int | float)
                                             and not isinstance(value, bool))):
            recipe, unknown = read(tmp_path, text)
            done = merged(text, recipe)

            assert (recipe, unknown) == read(tmp_path, done)
            assert text.strip() in done
            assert {item.name for item in dataclasses.fields(Recipe)} - {"prints"} == set(tomllib.loads(done))
