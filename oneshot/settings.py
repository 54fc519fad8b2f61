"""The recipe: everything a user can ask for, as frozen records that check themselves.

Each field is declared once, with its default, its limits and its explanation; the check, the loader and the commented
``recipe.toml`` in every kit are all derived from that declaration, so they cannot disagree. A message about a bad value
names the field, the limit and the value found.
"""

from __future__ import annotations

import dataclasses
import difflib
import json
import math
import textwrap
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from oneshot.model import Fader, Problem, SettingsError

GRADES = ("A", "B", "C", "D")


def setting(default: Any, about: str, *, low: float | None = None, high: float | None = None,
            choices: tuple[str, ...] = ()) -> Any:
    """A dataclass field with its explanation and limits. ``low`` and ``high`` are inclusive."""
    meta = {"about": about, "low": low, "high": high, "choices": choices}
    if isinstance(default, tuple | dict):
        return field(default_factory=lambda: default, metadata=meta)
    return field(default=default, metadata=meta)


def check_fields(record: Any, where: str) -> None:
    """Hold every field of a settings record against its declaration.

    Raises SettingsError naming the field, the limit and the value found.
    """
    for item in dataclasses.fields(record):
        value, meta = getattr(record, item.name), item.metadata
        if "about" not in meta:
            continue
        name = f"{where}.{item.name}" if where else item.name
        _check_type(name, value, item.type)
        if meta["choices"] and value not in meta["choices"]:
            raise SettingsError(f"{name} is {value!r}: choose one of {', '.join(map(repr, meta['choices']))}")
        if meta["low"] is not None and value is not None and value < meta["low"]:
            raise SettingsError(f"{name} is {value}: it cannot be below {meta['low']:g}")
        if meta["high"] is not None and value is not None and value > meta["high"]:
            raise SettingsError(f"{name} is {value}: it cannot be above {meta['high']:g}")


def _check_type(name: str, value: Any, annotation: Any) -> None:
    """Raise SettingsError unless the value fits the (string) annotation; int serves as float, bool never."""
    wanted = str(annotation)
    fits = {
        "str": isinstance(value, str),
        "bool": isinstance(value, bool),
        "int": isinstance(value, int) and not isinstance(value, bool),
        "float": isinstance(value, int | float) and not isinstance(value, bool),
        "int | None": value is None or (isinstance(value, int) and not isinstance(value, bool)),
        "float | None": value is None or (isinstance(value, int | float) and not isinstance(value, bool)),
        "bool | None": value is None or isinstance(value, bool),
        "str | None": value is None or isinstance(value, str),
        "tuple[str, ...]": isinstance(value, tuple) and all(isinstance(v, str) for v in value),
    }
    if wanted in fits and not fits[wanted]:
        kind = {"str": "text", "bool": "true or false", "int": "a whole number", "float": "a number",
                "tuple[str, ...]": "a list of texts"}[wanted.removesuffix(" | None")]
        raise SettingsError(f"{name} is {value!r}: it must be {kind}")
    if isinstance(value, float) and math.isnan(value):
        raise SettingsError(f"{name} is not a number")


@dataclass(frozen=True, slots=True)
class KitInfo:
    """What the kit says about itself."""

    name: str = setting("", "Name of the kit; empty: the name of the session.")
    version: str = setting("1.0", "Version of the kit, as text.")
    author: str = setting("", "Who made the kit; empty: not said.")
    players: tuple[str, ...] = setting((), "Who plays on it. Ask them before you release what they played.")
    studio: str = setting("", "Where it was recorded; empty: not said.")
    licence: str = setting("", "Under which terms the kit may be used; never assumed, so empty until you say it.")
    perspective: str = setting("player", "Whose left is left: the player's, as the mics are named, or the "
                                                "audience's, which changes the computed sides over.",
                               choices=("player", "audience"))

    def __post_init__(self) -> None:
        check_fields(self, "kit")


@dataclass(frozen=True, slots=True)
class Choosing:
    """Which hits become one-shots."""

    layers: int = setting(8, "Velocity layers a drum may have at most.", low=1, high=127)
    round_robins: int = setting(6, "Alternates a layer may have at most.", low=1, high=100)
    grade: str = setting("B", "Lowest grade wanted in a drum's own close mics: A stands alone, B clean among others, "
                              "C as a layer, D anything.", choices=GRADES)
    fallback: bool = setting(True, "Where nothing reaches that grade, keep the best there is and mark it.")
    layer_step_db: float = setting(3.0, "Steps between layers, at least (dB); smaller ones merge.", low=0.5, high=20)
    spread_db: float = setting(1.0, "How far alternates may lie from the middle of their layer (dB).", low=0.1, high=20)
    spread_cents: float = setting(15.0, "The same for their pitch (cents), where a drum has one.", low=1, high=1200)
    length_share: float = setting(0.6, "Alternates ring at least this share of each other's length; 0: however long.",
                                  low=0, high=1)

    def __post_init__(self) -> None:
        check_fields(self, "choose")


@dataclass(frozen=True, slots=True)
class Cutting:
    """Where a one-shot starts and ends."""

    pre_roll_ms: float = setting(2.0, "From the start of the file to the first sound of the hit in any of its mics "
                                      "(ms).", low=0, high=100)
    fade_in_ms: float = setting(1.0, "Raised-cosine fade at the start (ms); never longer than the pre-roll.",
                                low=0, high=100)
    fade_out_ms: float = setting(80.0, "Raised-cosine fade at the end of close mics (ms).", low=0, high=5000)
    fade_out_far_ms: float = setting(300.0, "The same for overheads and rooms (ms).", low=0, high=10000)
    above_noise_db: float = setting(6.0, "The tail ends where it meets the noise floor plus this (dB).", low=0, high=40)
    longest_s: float = setting(0.0, "Longest one-shot (s); 0: as long as it rings.", low=0, high=120)

    def __post_init__(self) -> None:
        check_fields(self, "cut")


@dataclass(frozen=True, slots=True)
class Exporting:
    """Which mics go into the kit."""

    mics: tuple[str, ...] = setting((), "Names of mics to export; empty: each drum's own close mics, the overheads and "
                                        "the rooms.")
    buses: bool = setting(False, "Also export buses (mixes of mics, effect returns).")

    def __post_init__(self) -> None:
        check_fields(self, "export")


@dataclass(frozen=True, slots=True)
class PrintPart:
    """One mic's part in a print."""

    gain_db: float = setting(0.0, "Level of the mic in the blend (dB).", low=-60, high=24)
    polarity: int = setting(1, "1 as recorded, -1 inverted.", low=-1, high=1)
    align: bool = setting(False, "Shift the mic to the home mic by its drum's delay.")

    def __post_init__(self) -> None:
        check_fields(self, "")
        if self.polarity == 0:
            raise SettingsError("polarity is 0: choose 1 or -1")


@dataclass(frozen=True, slots=True)
class PrintRecipe:
    """A blend of one drum's mics into a single file."""

    name: str = setting("print", "Name of the print, and of its folder.")
    drum: str = setting("kick", "Drum it is made of.")
    mics: Mapping[str, PrintPart] = field(default_factory=dict)
    length_ms: float = setting(400.0, "Length (ms).", low=20, high=30000)
    fade_out_ms: float = setting(60.0, "Raised-cosine fade at the end (ms).", low=0, high=30000)
    ceiling_dbtp: float = setting(-1.0, "True peak of the hardest candidate (dBTP); all candidates get the same gain.",
                                  low=-40, high=0)
    upward: bool = setting(True, "First excursion of the waveform upward.")
    candidates: int = setting(8, "How many hits to print, best first.", low=1, high=200)
    stereo: bool = setting(False, "Stereo, panned by the kit's balance; false: mono.")

    def __post_init__(self) -> None:
        check_fields(self, f"prints.{self.name}")
        if not self.name.strip():
            raise SettingsError("prints.name is empty: each print needs a name of its own")


@dataclass(frozen=True, slots=True)
class FaderRecipe:
    """What a recipe may say of one mic's place in the balance; a value left out stays as computed."""

    gain_db: float | None = setting(None, "Level of the mic in the mix (dB).", low=-96, high=24)
    pan: float | None = setting(None, "From -1 (left) to 1 (right).", low=-1, high=1)
    polarity: int | None = setting(None, "1 as recorded, -1 inverted.", low=-1, high=1)
    on: bool | None = setting(None, "Whether the mic is heard in mixes and mappings.")

    def __post_init__(self) -> None:
        check_fields(self, "")
        if self.polarity == 0:
            raise SettingsError("polarity is 0: choose 1 or -1")

    def over(self, computed: Fader) -> Fader:
        """The computed fader with what the recipe says in place of what it does not leave open."""
        said = {item.name: getattr(self, item.name) for item in dataclasses.fields(self)}
        return dataclasses.replace(computed, **{name: value for name, value in said.items() if value is not None})


@dataclass(frozen=True, slots=True)
class Recipe:
    """What the user wants out."""

    kit: KitInfo = field(default_factory=KitInfo)
    choose: Choosing = field(default_factory=Choosing)
    cut: Cutting = field(default_factory=Cutting)
    export: Exporting = field(default_factory=Exporting)
    keys: Mapping[str, int] = field(default_factory=dict)
    balance: Mapping[str, FaderRecipe] = field(default_factory=dict)
    prints: tuple[PrintRecipe, ...] = ()

    def __post_init__(self) -> None:
        for name, key in self.keys.items():
            if not _is_key(key):
                raise SettingsError(f"keys.{name} is {key!r}: a MIDI key is a whole number from 0 to 127")
        names = [part.name.casefold() for part in self.prints]
        for name in names:
            if names.count(name) > 1:
                raise SettingsError(f"prints.name is {name!r} more than once: each print needs a name of its own")


def _is_key(value: Any) -> bool:
    """Whether a value is a MIDI key number."""
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= 127


SECTIONS: Mapping[str, tuple[type, str]] = {
    "kit": (KitInfo, "What the kit says about itself."),
    "choose": (Choosing, "Which hits become one-shots."),
    "cut": (Cutting, "Where a one-shot starts and ends."),
    "export": (Exporting, "Which mics go into the kit."),
}


# ------------------------------------------------------------------------------------------------------------- reading


def load_recipe(path: Path | None) -> tuple[Recipe, tuple[Problem, ...]]:
    """The recipe of a TOML file, or all defaults where ``path`` is None, and one problem for each key it does not know.

    Raises SettingsError, with the file, the field, the limit and the value found, where the file cannot be read, is no
    TOML or holds a bad value.
    """
    if path is None:
        return Recipe(), ()
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise SettingsError(f"{path}: no such recipe; leave the option out to build with the defaults") from None
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path}: cannot be read as text: {error}") from error
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{path}: not valid TOML: {error}") from error
    problems: list[Problem] = []
    try:
        recipe = _recipe_of(table, str(path), problems)
    except SettingsError as error:
        raise SettingsError(f"{path}: {error}") from error
    return recipe, tuple(problems)


def unknown_key(where: str, name: str, known: list[str]) -> Problem:
    """The problem of a key nobody knows: what it is called, where it stands, and the nearest one that is known."""
    near = difflib.get_close_matches(name.casefold().replace("-", "_"), known, n=1)
    todo = f"did you mean {near[0]}?" if near else f"known here: {', '.join(known)}"
    return Problem(where=where, what=f"key {name!r} is not known and was left out", todo=todo)


def read_record(kind: type, table: Any, where: str, file: str, problems: list[Problem]) -> Any:
    """A settings record of class ``kind`` from a TOML table; unknown keys are added to ``problems``.

    ``where`` is the dotted place inside ``file``. Raises SettingsError where the table is none or a value is bad.
    """
    if not isinstance(table, dict):
        raise SettingsError(f"{where} is {table!r}: it must be a table")
    known = [item.name for item in dataclasses.fields(kind)]
    values = {}
    for name, value in table.items():
        if name not in known:
            problems.append(unknown_key(f"{file}: {where}", name, known))
        else:
            values[name] = tuple(value) if isinstance(value, list) else value
    return kind(**values)


def _recipe_of(table: Mapping[str, Any], file: str, problems: list[Problem]) -> Recipe:
    """The recipe of a parsed TOML document."""
    known = [item.name for item in dataclasses.fields(Recipe)]
    values: dict[str, Any] = {}
    for name, value in table.items():
        if name not in known:
            problems.append(unknown_key(file, name, known))
        elif name in SECTIONS:
            values[name] = read_record(SECTIONS[name][0], value, name, file, problems)
        elif name == "prints":
            values[name] = _prints_of(value, file, problems)
        elif not isinstance(value, dict):
            raise SettingsError(f"{name} is {value!r}: it must be a table")
        elif name == "balance":
            values[name] = {mic: _named(FaderRecipe, entry, f"balance.{mic}", file, problems)
                            for mic, entry in value.items()}
        else:
            values[name] = dict(value)
    return Recipe(**values)


def _prints_of(value: Any, file: str, problems: list[Problem]) -> tuple[PrintRecipe, ...]:
    """The print recipes of the [[prints]] tables."""
    if not isinstance(value, list):
        raise SettingsError(f"prints is {value!r}: write each print as a [[prints]] table")
    prints = []
    for number, entry in enumerate(value, start=1):
        where = f"prints {number}"
        record = read_record(PrintRecipe, entry, where, file, problems)
        if not isinstance(record.mics, dict):
            raise SettingsError(f"{where}.mics is {record.mics!r}: it must be a table, one entry a mic")
        mics = {mic: _named(PrintPart, part, f"{where}.mics.{mic}", file, problems)
                for mic, part in record.mics.items()}
        prints.append(dataclasses.replace(record, mics=mics))
    return tuple(prints)


def _named(kind: type, table: Any, where: str, file: str, problems: list[Problem]) -> Any:
    """As ``read_record``, for one of many tables of one kind: the error says which of them."""
    try:
        return read_record(kind, table, where, file, problems)
    except SettingsError as error:
        text = str(error)
        raise SettingsError(text if text.startswith(where) else f"{where}.{text}") from error


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
    lines = ["# Recipe of this kit: every value used. Change one and build again onto the kit's folder, or give this",
             "# file to another session with --recipe. A key left out means its default."]
    for name, (kind, about) in SECTIONS.items():
        lines += ["", *_comment(about), f"[{name}]", *_record_lines(getattr(recipe, name), kind)]
    lines += ["", *_comment('MIDI keys, 0 to 127, where General MIDI\'s are not wanted: a drum ("snare" = 38) or one '
                            'way of striking it ("snare/rim" = 40).'), "[keys]"]
    lines += [f"{_toml(name)} = {key}" for name, key in recipe.keys.items()]
    lines += ["", *_comment("Places in the mix that outrank the computed ones, one line a mic; a value left out stays "
                            "as computed. For example: \"OH L\" = { gain_db = -6.0, pan = -1.0 }"),
              *(f"# {about}" for about in _inline_help(FaderRecipe)), "[balance]"]
    lines += [f"{_toml(mic)} = {_inline(entry)}" for mic, entry in recipe.balance.items()]
    lines += ["", *_comment("Prints: one drum's mics mixed down into a single file, the best candidates first. One "
                            "[[prints]] table each; without the first mark of its lines this one would work:")]
    if not recipe.prints:
        example = PrintRecipe(name="kick replacement", mics={"Kick In": PrintPart()})
        lines += [f"# {line}".rstrip() for line in _print_lines(example)]
    for part in recipe.prints:
        lines += ["", *_print_lines(part)]
    return "\n".join(lines) + "\n"


def _print_lines(part: PrintRecipe) -> list[str]:
    """One [[prints]] table with its comments."""
    lines = ["[[prints]]", *_record_lines(part, PrintRecipe), "",
             *_comment("The mics of the blend, one line each; none: the drum's close mics as the balance has them."),
             *(f"# {about}" for about in _inline_help(PrintPart)), "[prints.mics]"]
    return lines + [f"{_toml(mic)} = {_inline(entry)}" for mic, entry in part.mics.items()]


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
