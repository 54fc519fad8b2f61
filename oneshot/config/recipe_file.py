"""``recipe.toml``: the recipe read from a user's file, and written into every kit with all its values and comments."""

from __future__ import annotations

import dataclasses
import json
import re
import textwrap
import tomllib
from collections.abc import Mapping, MutableMapping
from importlib.resources import files
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, InlineTable, Item, Null, Table

from oneshot.config.recipe import MOST_VOICES, SECTIONS, FaderRecipe, PrintPart, PrintRecipe, Recipe, TailPart
from oneshot.config.settings import TomlFile, read_record, unknown_key
from oneshot.core.bounded_text import parse_toml, read_toml
from oneshot.core.errors import SettingsError
from oneshot.core.records.session import Problem
from oneshot.core.toml_lines import KeyPath, TomlLines, dotted

# ------------------------------------------------------------------------------------------------------------- reading


def own_recipes() -> tuple[str, ...]:
    """Names of the recipes that come with the program, sorted."""
    presets = files("oneshot.config").joinpath("presets").iterdir()
    return tuple(sorted(each.name.removesuffix(".toml") for each in presets if each.name.endswith(".toml")))


def load_recipe(path: Path | None) -> tuple[Recipe, tuple[Problem, ...]]:
    """The recipe of a TOML file, or all defaults where ``path`` is None, and one problem for each key it does not know.

    A name without a folder or an ending that is no file may be that of a recipe which comes with the program.

    Raises SettingsError, with the file, the field, the limit and the value found, where the file cannot be read, is no
    TOML or holds a bad value.
    """
    if path is None:
        return Recipe(), ()
    try:
        text = _text(path)
    except FileNotFoundError:
        raise SettingsError(f"{path}: no such recipe; give a file or one of {', '.join(own_recipes())}, or leave the "
                            "option out to build with the defaults") from None
    except (OSError, ValueError) as error:
        raise SettingsError(f"{path}: cannot be read as text: {error}") from error
    try:
        table = parse_toml(text)
    except ValueError as error:
        raise SettingsError(f"{path}: not valid TOML: {error}") from error
    problems: list[Problem] = []
    lines = TomlLines(text)
    try:
        recipe = _recipe_of(table, TomlFile(path.name, lines), problems)
    except SettingsError as error:
        line = lines.named(str(error))
        raise SettingsError(f"{path}{'' if line is None else f', line {line}'}: {error}") from error
    return recipe, tuple(problems)


def recipe_of(values: Mapping[str, Any]) -> Recipe:
    """The recipe of which those are the values, as ``recipe_values`` gives them. Raises SettingsError."""
    return _recipe_of(values, TomlFile("recipe", TomlLines("")), [])


def _text(path: Path) -> str:
    """The text of a recipe: of a file, or else of the one that comes with the program under that name."""
    if not path.exists() and str(path) in own_recipes():
        return files("oneshot.config").joinpath("presets", f"{path}.toml").read_text(encoding="utf-8")
    return read_toml(path)


def _recipe_of(table: Mapping[str, Any], file: TomlFile, problems: list[Problem]) -> Recipe:
    """The recipe of a parsed TOML document."""
    known = [item.name for item in dataclasses.fields(Recipe)]
    values: dict[str, Any] = {}
    for name, value in table.items():
        if name not in known:
            problems.append(unknown_key(file, (), name, known))
        elif name in SECTIONS:
            values[name] = read_record(SECTIONS[name][0], value, (name,), file, problems)
        elif name == "prints":
            values[name] = _prints_of(value, file, problems)
        elif not isinstance(value, dict):
            raise SettingsError(f"{name} is {value!r}: it must be a table")
        elif name == "balance":
            values[name] = {mic: _named(FaderRecipe, entry, ("balance", mic), file, problems)
                            for mic, entry in value.items()}
        elif name == "tracks":
            values[name] = {track: tuple(mics) if isinstance(mics, list) else mics for track, mics in value.items()}
        else:
            values[name] = dict(value)
    return Recipe(**values)


def _prints_of(value: Any, file: TomlFile, problems: list[Problem]) -> tuple[PrintRecipe, ...]:
    """The print recipes of the [[prints]] tables."""
    if not isinstance(value, list):
        raise SettingsError(f"prints is {value!r}: write each print as a [[prints]] table")
    prints = []
    for number, entry in enumerate(value):
        where: KeyPath = ("prints", number)
        record = read_record(PrintRecipe, entry, where, file, problems)
        if not isinstance(record.mics, dict):
            raise SettingsError(f"{dotted(where)}.mics is {record.mics!r}: it must be a table, one entry per mic")
        if not isinstance(record.tails, dict):
            raise SettingsError(f"{dotted(where)}.tails is {record.tails!r}: it must be a table, one entry per band")
        tails = {band: _named(TailPart, part, (*where, "tails", band), file, problems)
                 for band, part in record.tails.items()}
        mics = {mic: _named(PrintPart, part, (*where, "mics", mic), file, problems)
                for mic, part in record.mics.items()}
        prints.append(dataclasses.replace(record, mics=mics, tails=tails))
    return tuple(prints)


def _named(kind: type, table: Any, where: KeyPath, file: TomlFile, problems: list[Problem]) -> Any:
    """As ``read_record``, for one of many tables of one kind: the error says which of them."""
    try:
        return read_record(kind, table, where, file, problems)
    except SettingsError as error:
        text = str(error)
        name = dotted(where)
        raise SettingsError(text if text.startswith(name) else f"{name}.{text}") from error


# ------------------------------------------------------------------------------------------------------------- writing


def recipe_values(recipe: Recipe) -> dict[str, Any]:
    """Every value used, as plain TOML types (lists for tuples; what is left open is left out)."""
    return {item.name: _plain(getattr(recipe, item.name)) for item in dataclasses.fields(recipe)}


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        pairs = ((item.name, getattr(value, item.name)) for item in dataclasses.fields(value))
        return {name: _plain(inner) for name, inner in pairs if inner is not None}
    if isinstance(value, Mapping):
        return {str(name): _plain(inner) for name, inner in value.items()}
    return [_plain(inner) for inner in value] if isinstance(value, tuple | list) else value


def recipe_toml(recipe: Recipe) -> str:
    """The recipe as a commented TOML file: every key with its meaning, its limits and its default.

    ``load_recipe`` reads it back to an equal recipe.
    """
    lines = ["# Recipe of this kit: every value used. Change values and rebuild the kit, or use this file with",
             "# another session (--recipe). A key left out takes its default."]
    for name, (kind, about) in SECTIONS.items():
        lines += ["", *_comment(about), f"[{name}]", *_record_lines(getattr(recipe, name), kind)]
    lines += ["", *_comment('MIDI keys, 0 to 127, in place of the General MIDI ones: a drum ("snare" = 38) or an '
                            'articulation ("snare/rim" = 40).'), "[keys]"]
    lines += [f"{_toml(name)} = {key}" for name, key in recipe.keys.items()]
    lines += ["", *_comment("Hands on two keys: the key of the left hand; the right hand keeps the drum's own key. A "
                            "drum (\"snare\" = 39) or an articulation (\"snare/rim\" = 41). Hits are assigned by the "
                            "hand in their labels; without labels the round robins are dealt out to the keys in turn."),
              "[hands]"]
    lines += [f"{_toml(name)} = {key}" for name, key in recipe.hands.items()]
    lines += ["", *_comment(f"Polyphony: hits per key that may sound at once, 1 to {MOST_VOICES}, by drum; default 3 "
                            "for kicks, snares and toms, 6 for all else. For example: \"ride\" = 12"),
              "[voices]"]
    lines += [f"{_toml(name)} = {count}" for name, count in recipe.voices.items()]
    lines += ["", *_comment("Mix settings that override the computed ones, one line per mic; values left out stay "
                            "as computed. For example: \"OH L\" = { gain_db = -6.0, pan = -1.0 }"),
              *(f"# {about}" for about in _inline_help(FaderRecipe)), "[balance]"]
    lines += [f"{_toml(mic)} = {_inline(entry)}" for mic, entry in recipe.balance.items()]
    lines += ["", *_comment("Processed tracks that are not recognised by name: the mics or pairs each is made of, "
                            "[] for an effect return. For example: \"Track 7\" = [\"Kick In\", \"Kick Out\"]"),
              "[tracks]"]
    lines += [f"{_toml(name)} = {_toml(mics)}" for name, mics in recipe.tracks.items()]
    lines += ["", *_comment("Prints: one drum's mics mixed down into a single file, the best candidates first. One "
                            "[[prints]] table each. Remove the leading # to use this example:")]
    if not recipe.prints:
        example = PrintRecipe(name="kick replacement", mics={"Kick In": PrintPart()})
        lines += [f"# {line}".rstrip() for line in _print_lines(example)]
    for part in recipe.prints:
        lines += ["", *_print_lines(part)]
    return "\n".join(lines) + "\n"


def _print_lines(part: PrintRecipe) -> list[str]:
    """One [[prints]] table with its comments."""
    lines = ["[[prints]]", *_record_lines(part, PrintRecipe), "",
             *_comment("The mics of the blend, one line each; none: the drum's close mics by the balance."),
             *(f"# {about}" for about in _inline_help(PrintPart)), "[prints.mics]"]
    lines += [f"{_toml(mic)} = {_inline(entry)}" for mic, entry in part.mics.items()]
    lines += ["", *_comment("Bands with a shorter decay, one line each under a name of your own; the attack is not "
                            "changed. For example: lows = { high_hz = 120.0, after_ms = 80.0, decay_ms = 200.0 }"),
              *(f"# {about}" for about in _inline_help(TailPart)), "[prints.tails]"]
    return lines + [f"{_toml(band)} = {_inline(entry)}" for band, entry in part.tails.items()]


def _record_lines(record: Any, kind: type) -> list[str]:
    """Key lines of a settings record, each under its explanation, limits and default."""
    lines: list[str] = []
    for item in dataclasses.fields(kind):
        if "about" in item.metadata:
            lines += ["", *_comment(f"{item.metadata['about']} {_limits(item)}")]
            lines.append(f"{item.name} = {_toml(getattr(record, item.name))}")
    return lines[1:]


def _inline_help(kind: type) -> list[str]:
    """One line per key of a record that is written inline."""
    return [f"  {item.name}: {item.metadata['about']} {_limits(item)}" for item in dataclasses.fields(kind)]


def _limits(item: dataclasses.Field[Any]) -> str:
    """What a field may hold and what it holds by default, in words."""
    low, high, choices = item.metadata["low"], item.metadata["high"], item.metadata["choices"]
    default = item.default if item.default is not dataclasses.MISSING else ()
    words = f"Default {_toml(default)}." if default is not None else ""
    if choices:
        words = f"One of {', '.join(choices)}. {words}"
    elif low is not None and high is not None:
        words = f"From {low:g} to {high:g}. {words}"
    return words.rstrip()


def _comment(text: str) -> list[str]:
    return textwrap.wrap(text, 118, initial_indent="# ", subsequent_indent="# ", break_on_hyphens=False)


def _inline(record: Any) -> str:
    """A settings record as a TOML inline table."""
    return "{ " + ", ".join(f"{name} = {_toml(value)}" for name, value in _plain(record).items()) + " }"


def _toml(value: Any) -> str:
    """One plain value in TOML. JSON's escapes of a string are TOML's too, save for DEL, which JSON leaves bare."""
    if isinstance(value, tuple | list):
        return "[" + ", ".join(_toml(inner) for inner in value) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return repr(float(value)) if isinstance(value, float) else str(value)


# ------------------------------------------------------------------------------------------------------------- editing

MARK = "\0"
"""Stands where lines will be put in: TOML allows it nowhere."""

FADER = tuple(item.name for item in dataclasses.fields(FaderRecipe))

EDITING = (TOMLKitError, SettingsError, ValueError, KeyError, TypeError, AttributeError, IndexError)
"""What editing an unusual document may raise; it is then written anew."""


def merged(text: str, recipe: Recipe) -> str:
    """The text of a recipe.toml with every value of ``recipe``: what a person wrote there stays, comments, order and
    keys that are not known included; missing keys are put below the others of their table, with their explanations.

    ``load_recipe`` reads it back to an equal recipe. A text that cannot be kept so is written anew, as by
    ``recipe_toml``; so is an empty one.
    """
    return _edited(text, recipe, tuple(_parts(recipe_toml(Recipe()))))


def with_balance(text: str, recipe: Recipe) -> str:
    """As ``merged``, for a recipe that differs from what the text says in its balance alone: nothing else is added."""
    return _edited(text, recipe, ("balance",))


def _edited(text: str, recipe: Recipe, tables: tuple[str, ...]) -> str:
    """The text with these tables of a recipe in it; first with new lines where they belong, or else wherever the
    library puts them.
    """
    source = text.replace("\r\n", "\n")
    source += "" if source.endswith("\n") else "\n"
    for neat in (True, False) if text.strip() else ():
        try:
            out = _edit(source, recipe, tables, neat=neat)
            if _reads(out) == (recipe, _reads(source)[1]):
                return out.replace("\n", "\r\n") if "\r\n" in text else out
        except EDITING:
            continue
    return recipe_toml(recipe)


def _reads(text: str) -> tuple[Recipe, list[Problem]]:
    """What a text says, and its unknown keys, save for those of faders, which may go with them. Raises SettingsError or
    ValueError.
    """
    problems: list[Problem] = []
    recipe = _recipe_of(parse_toml(text), TomlFile("", TomlLines("")), problems)
    return recipe, [each for each in problems if "balance." not in each.where]


def _edit(text: str, recipe: Recipe, tables: tuple[str, ...], *, neat: bool) -> str:
    """As ``_edited``, in one of two ways; whether it reads back is for the caller to see."""
    document, values, parts = tomlkit.parse(text), recipe_values(recipe), _parts(recipe_toml(recipe))
    put_in: list[str] = []
    end = ""
    for name in tables:
        heading, lines = parts[name]
        wanted = values[name]
        table = document.get(name, {})
        _set_values(table, wanted, lines, every=name not in SECTIONS)
        missing = [key for key in wanted if key not in table]
        spot = _spot(document, name)
        new = "".join(lines[key] for key in missing)
        bare = spot is None and not isinstance(table, InlineTable)  # without a header, or nothing at all
        if name not in document or (bare and ((neat and missing) or not table)):
            end += f"\n{heading}" + new.removeprefix("\n")
        elif neat and missing and spot is not None:
            spot.trivia.comment += f"{MARK}{len(put_in)}{MARK}"
            put_in.append(new)
        elif missing:
            table.update({key: tomlkit.parse(lines[key]).item(key) for key in missing})
    out = re.sub(f"{MARK}([0-9]+){MARK}([^\n]*\n)", lambda found: found[2] + put_in[int(found[1])],
                 document.as_string())
    return out + end


def _set_values(table: MutableMapping[str, Any], wanted: Mapping[str, Any], lines: Mapping[str, str], *,
                every: bool) -> None:
    """Change the values of keys that are there and say something else, to what their ``lines`` say. ``every``: the
    table holds names, and those that are not wanted go.
    """
    for key in list(table):
        if key not in wanted:
            if every:
                del table[key]
        elif table[key] != wanted[key]:
            entry, value = table[key], wanted[key]
            if isinstance(entry, MutableMapping) and (isinstance(entry, Table) or set(entry) - set(FADER)):
                for field in set(entry) & set(FADER) - set(value):
                    del entry[field]
                entry.update({field: each for field, each in value.items() if entry.get(field) != each})
            else:
                table[key] = tomlkit.parse(lines[key]).item(key)


def _spot(document: tomlkit.TOMLDocument, name: str) -> Item | None:
    """Below which item more keys of a table can stand: its last one, or its header; None where it has no header."""
    for key, table in document.body:
        if key is not None and key.key == name and isinstance(table, Table) and not table.is_super_table():
            keys = [item for inner, item in table.value.body
                    if inner is not None and not isinstance(item, Table | AoT | Null)]
            return keys[-1] if keys else table
    return None


def _parts(text: str) -> dict[str, tuple[str, dict[str, str]]]:
    """Of a text that ``recipe_toml`` wrote, table -> (its explanation and header, key -> its line below its own
    explanation); prints left out.
    """
    out: dict[str, tuple[str, dict[str, str]]] = {}
    above: list[str] = []
    for line in text.partition("\n[[")[0].splitlines(keepends=True):
        if not line.strip():
            above = []
        elif line.startswith("#"):
            above.append(line)
        else:
            block = "".join([*above, line])
            above = []
            if line.startswith("["):
                name = line.strip("[]\n")
                out[name] = (block, {})
            else:
                out[name][1][next(iter(tomllib.loads(line)))] = f"\n{block}" if block != line else line
    return out
