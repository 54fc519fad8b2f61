"""``session.toml``: what a person says about a session, read, checked and drafted.

The file lies in the session folder, may be absent, and overrules what was read from names and headers. Every key is
optional::

    name = "Barn, March"                 # name of the session; else that of its folder
    air_c = 17.5                         # how warm the air was, °C: delays are told in metres, too; else 20
    processed = "Mixed"                  # folder of processed tracks of these takes, from the session folder: no takes

    [mics."OH L"]                        # the mic of that name, in every take (the name as found: the file's stem)
    name = "Overhead L"                  # another name for it
    role = "overhead"                    # close, overhead, room, bus, trigger, talk or ignore
    drum = "snare"                       # what it stands at (close, trigger); alone, it makes the mic a close one
    place = "top"                        # where at the drum: "in" before "out", "top" before "bottom" is its home mic
    pair = "OH"                          # both of a pair carry the same; "" parts them
    side = "L"                           # L or R
    polarity = -1                        # 1 as recorded, -1 inverted
    note = "Small diaphragm, 40 cm"      # whatever is worth knowing: it stands on the track sheet

    [takes."take 2"]                     # the take of that name (the name as found: the folder's)
    name = "brushes"                     # another name for it
    use = false                          # leave the take out
    ignore = [[0.0, 12.5], [301, 320]]   # seconds from, to: no hit is looked for there

    [takes."take 2".mics."OH L"]         # the keys of [mics], for this take alone; they outrank those above
    polarity = 1

    [[labels]]                           # what is played in a stretch of a take; outranks what is computed
    take = "take 1"                      # may be left out where there is one take
    from_s = 12.5
    to_s = 40.0
    drum = "snare"
    articulation = "rimshot"
    hand = "left"                        # left or right
    wires = "off"                        # snare wires: on or off
    tool = "brushes"                     # sticks, brushes, mallets or rods
    strength = "hard"                    # any word

A key that is not in this list has no effect, and a problem tells of it. A value of the wrong kind stops with one line.
Both name the line of the file and the nearest right name. Nothing changes a session.toml that is there.
"""

from __future__ import annotations

import difflib
import json
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from oneshot.core.bounded_text import parse_toml, read_toml
from oneshot.core.errors import SettingsError
from oneshot.core.files import reason
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic, Problem, Session, Take
from oneshot.core.toml_lines import KeyPath, TomlLines

FILE = "session.toml"

AIR_C = (-20.0, 50.0)
"""Air temperatures that make sense: those for which ISO 9613-1:1993 holds (from memory)."""


@dataclass(frozen=True, slots=True)
class MicEdit:
    """What is said of one mic; None: nothing. ``pair`` "" parts a pair."""

    name: str | None = None
    role: Role | None = None
    drum: str | None = None
    place: str | None = None
    pair: str | None = None
    side: str | None = None
    polarity: int | None = None
    note: str | None = None

    def over(self, below: MicEdit) -> MicEdit:
        """The same edit, with what it leaves open taken from another."""
        return MicEdit(*(getattr(self, key) if getattr(self, key) is not None else getattr(below, key)
                         for key in _MIC_KEYS))


@dataclass(frozen=True, slots=True)
class TakeEdit:
    """What is said of one take; ``ignore`` in seconds."""

    name: str | None = None
    use: bool = True
    ignore: tuple[tuple[float, float], ...] = ()
    mics: Mapping[str, MicEdit] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class LabelEdit:
    """What is said of a stretch of a take, in seconds. ``where``: its table in the file."""

    where: KeyPath
    from_s: float
    to_s: float
    take: str | None = None
    drum: str | None = None
    articulation: str | None = None
    hand: str | None = None
    wires: str | None = None
    strength: str | None = None
    tool: str | None = None


@dataclass(frozen=True, slots=True)
class SessionEdits:
    """The whole of a session.toml. ``problems``: keys that have no effect; ``lines``: where its keys stand."""

    name: str | None = None
    mics: Mapping[str, MicEdit] = field(default_factory=dict)
    takes: Mapping[str, TakeEdit] = field(default_factory=dict)
    labels: tuple[LabelEdit, ...] = ()
    problems: tuple[Problem, ...] = ()
    lines: TomlLines = field(default_factory=lambda: TomlLines(""), compare=False)
    air_c: float | None = None
    processed: str | None = None


def read_edits(path: Path) -> SessionEdits:
    """Read and check a session.toml; nothing at all where there is none.

    Raises SettingsError with one line that names file and key for what is no TOML or no value of that kind.
    """
    try:
        text = read_toml(path)
    except FileNotFoundError:
        return SessionEdits()
    except (OSError, ValueError) as error:
        why = reason(error) if isinstance(error, OSError) else str(error)
        raise SettingsError(f"{path} cannot be read ({why}): save it again as UTF-8 text") from None
    try:
        table = parse_toml(text)
    except ValueError as error:
        raise SettingsError(f"{path} is not valid TOML: {error}") from None
    return _Reader(path, TomlLines(text)).session(table)


def quote(text: str) -> str:
    """A text as a TOML basic string (TOML 1.0.0): JSON's escapes, and DEL, which TOML forbids and JSON lets through."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def suggestion(word: str, known: Iterable[str]) -> str | None:
    """The known word nearest to one that is not known, None where none is near."""
    choices = list(known)
    folded = {choice.casefold(): choice for choice in reversed(choices)}
    near = difflib.get_close_matches(word.casefold(), list(folded), n=1, cutoff=0.6)
    return folded[near[0]] if near else None


# -------------------------------------------------------------------------------------------------------------- reading

Check = Callable[[Any], Any]


def _text(value: Any) -> str:
    if not isinstance(value, str) or not value.strip():
        raise ValueError("must be a string")
    return value


def _any_text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError('must be a string ("" for none)')
    return value


def _one_line(value: Any) -> str:
    if not isinstance(value, str) or not value.isprintable():
        raise ValueError("must be a string of one line")
    return value


def _flag(value: Any) -> bool:
    if not isinstance(value, bool):
        raise TypeError("must be true or false")
    return value


def _role(value: Any) -> Role:
    if not isinstance(value, str) or value not in list(Role):
        raise ValueError(f"must be one of {', '.join(Role)}{_meant(value, Role)}")
    return Role(value)


def _sign(value: Any) -> int:
    if isinstance(value, bool) or value not in (1, -1):
        raise ValueError("must be 1 (as recorded) or -1 (inverted)")
    return int(value)


def _one_of(*choices: str) -> Check:
    def check(value: Any) -> str:
        """The value, if it is one of them."""
        if value not in choices:
            raise ValueError(f"must be {' or '.join(choices)}{_meant(value, choices)}")
        return str(value)
    return check


def _meant(value: Any, choices: Iterable[str]) -> str:
    """A question after the nearest of the choices, if one is near."""
    near = suggestion(value, choices) if isinstance(value, str) else None
    return f"; did you mean {quote(near)}?" if near else ""


def _seconds(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value) or value < 0:
        raise ValueError("must be seconds, 0 or more")
    return float(value)


def _celsius(value: Any) -> float:
    low, high = AIR_C
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise ValueError(f"must be degrees Celsius, {low:g} to {high:g}")
    return float(value)


def _stretches(value: Any) -> tuple[tuple[float, float], ...]:
    if not isinstance(value, list):
        raise TypeError("must be a list of [from, to] in seconds")
    pairs = []
    for item in value:
        if not isinstance(item, list) or len(item) != 2:
            raise ValueError(f"must be a list of [from, to] in seconds, and {item} is not")
        start, stop = _seconds(item[0]), _seconds(item[1])
        if stop <= start:
            raise ValueError(f"holds [{start:g}, {stop:g}], which does not end after it starts")
        pairs.append((start, stop))
    return tuple(pairs)


_MIC_KEYS: dict[str, Check] = {"name": _text, "role": _role, "drum": _text, "place": _any_text, "pair": _any_text,
                               "side": _one_of("L", "R"), "polarity": _sign, "note": _one_line}
_TAKE_KEYS: dict[str, Check] = {"name": _text, "use": _flag, "ignore": _stretches}
_LABEL_KEYS: dict[str, Check] = {"take": _text, "from_s": _seconds, "to_s": _seconds, "drum": _text,
                                 "articulation": _text, "hand": _one_of("left", "right"),
                                 "wires": _one_of("on", "off"), "strength": _text,
                                 "tool": _one_of("sticks", "brushes", "mallets", "rods")}


class _Reader:
    """Turns the tables of one file into records and collects the keys that have no effect."""

    def __init__(self, path: Path, lines: TomlLines) -> None:
        self._path, self._lines = path, lines
        self._problems: list[Problem] = []

    def session(self, table: dict[str, Any]) -> SessionEdits:
        """All that a parsed file says; what is wrong with it is gathered, not raised."""
        values = self._values(table, {"name": _text, "air_c": _celsius, "processed": _text}, (),
                              below=("mics", "takes", "labels"))
        mics = {name: self._mic(body, ("mics", name)) for name, body in self._tables(table, ("mics",))}
        takes = {name: self._take(body, ("takes", name)) for name, body in self._tables(table, ("takes",))}
        rows = table.get("labels", [])
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            raise self._error(("labels",), "labels must be written as [[labels]], one block per section")
        labels = tuple(self._label(row, ("labels", number)) for number, row in enumerate(rows))
        return SessionEdits(values.get("name"), mics, takes, labels, tuple(self._problems), self._lines,
                            values.get("air_c"), values.get("processed"))

    def _mic(self, table: dict[str, Any], where: KeyPath) -> MicEdit:
        return MicEdit(**self._values(table, _MIC_KEYS, where))

    def _take(self, table: dict[str, Any], where: KeyPath) -> TakeEdit:
        values = self._values(table, _TAKE_KEYS, where, below=("mics",))
        inner = (*where, "mics")
        mics = {name: self._mic(body, (*inner, name)) for name, body in self._tables(table, inner)}
        return TakeEdit(**values, mics=mics)

    def _label(self, table: dict[str, Any], where: KeyPath) -> LabelEdit:
        values = self._values(table, _LABEL_KEYS, where)
        for key in ("from_s", "to_s"):
            if key not in values:
                raise self._error(where, f"{key_shown(where)} has no {key}: give its start and end in seconds")
        if values["to_s"] <= values["from_s"]:
            stop = (*where, "to_s")
            raise self._error(stop, f"{key_shown(stop)} is {values['to_s']:g}: it must be above from_s, "
                                    f"{values['from_s']:g}")
        return LabelEdit(where, **values)

    def _tables(self, table: dict[str, Any], where: KeyPath) -> list[tuple[str, dict[str, Any]]]:
        """The tables below the last key of ``where``, which is one of ``table``, by their names."""
        value = table.get(str(where[-1]), {})
        if not isinstance(value, dict):
            raise self._error(where, f'{key_shown(where)} must be written as [{key_shown(where)}."NAME"]')
        for name, body in value.items():
            if not isinstance(body, dict):
                inner = key_shown((*where, name))
                raise self._error((*where, name), f"{inner} must be a table: write [{inner}] and its keys below")
        return list(value.items())

    def _values(self, table: dict[str, Any], keys: Mapping[str, Check], where: KeyPath,
                below: tuple[str, ...] = ()) -> dict[str, Any]:
        """The values of known keys, checked; a problem for each other key."""
        found: dict[str, Any] = {}
        for key, value in table.items():
            path = (*where, key)
            if key in keys:
                try:
                    found[key] = keys[key](value)
                except (TypeError, ValueError) as error:
                    raise self._error(path, f"{key_shown(path)} is {_shown(value)}: it {error}") from None
            elif key not in below:
                self._problems.append(unknown(self._lines, path, (*keys, *below)))
        return found

    def _error(self, where: KeyPath, text: str) -> SettingsError:
        return fault(self._path, self._lines, where, text)


def _shown(value: Any) -> str:
    """A value as in the file, cut short."""
    text = quote(value) if isinstance(value, str) else str(value).lower() if isinstance(value, bool) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def key_shown(path: KeyPath) -> str:
    """A key as messages write it: ``mics."OH L".role``, ``labels 2.to_s``."""
    named = path[:1] in (("mics",), ("takes",))
    out = ""
    for place, part in enumerate(path):
        if isinstance(part, int):
            out += f" {part + 1}"
        else:
            out += f"{'.' if out else ''}{quote(part) if named and place % 2 else part}"
    return out


def fault(file: Path, lines: TomlLines, where: KeyPath, text: str) -> SettingsError:
    """The error of a bad value in session.toml, with its line."""
    line = lines.of(*where)
    return SettingsError(f"{file}{'' if line is None else f', line {line}'}: {text}")


def unknown(lines: TomlLines, path: KeyPath, known: Iterable[str]) -> Problem:
    """The problem of a key or a name in session.toml that nothing answers to, with its line."""
    choices, line = list(known), lines.of(*path)
    near = suggestion(str(path[-1]), choices)
    todo = f"did you mean {quote(near)}?" if near else f"use one of {', '.join(choices)}" if choices else "delete it"
    return Problem(FILE if line is None else f"{FILE}, line {line}", f"{key_shown(path)} is unknown and ignored", todo)


# ------------------------------------------------------------------------------------------------------------- drafting


def channel_name(stem: str, channel: int, channels: int) -> str:
    """The name of one channel of a file: ``stem``, ``stem L`` and ``stem R``, or ``stem 1`` and so on."""
    if channels == 1:
        return stem
    return f"{stem} {'LR'[channel]}" if channels == 2 else f"{stem} {channel + 1}"


def draft_toml(session: Session) -> str:
    """A session.toml that says what was found, commented, to be corrected. Read again, it gives the same session."""
    lines = [f"# {FILE}: settings of this session that override what its file names say.",
             "# Every key is optional; missing values are read from file and folder names.", "",
             f"name = {quote(session.name)}",
             f"air_c = {session.air_c!r}  # air temperature, °C: converts delays into metres",
             *([] if session.processed is None else [f"processed = {quote(session.processed)}"]), "",
             "# Mics. role: close, overhead, room, bus, trigger, talk or ignore. drum and place: the drum of a close",
             '# mic and its position ("in", "out", "top", "bottom"). pair and side: both mics of a pair share the pair',
             '# and side "L" or "R"; pair = "" separates them. polarity: 1 as recorded, -1 inverted.',
             "# note: any text, for the track sheet."]
    shared = _shared_mics(session)
    for name, keys in shared.items():
        lines += ["", f"[mics.{quote(name)}]", *keys]
    lines += ["", "# Takes. use = false leaves a take out; ignore: sections, in seconds, without hit detection."]
    for take in session.takes:
        found = take.found or take.name
        head = f"[takes.{quote(found)}]"
        stretches = [f"[{_exact_s(a, take)}, {_exact_s(b, take)}]" for a, b in take.ignored]
        lines += ["", head, *([f"name = {quote(take.name)}"] if take.name != found else []), "# use = false",
                  f"ignore = [{', '.join(stretches)}]" if stretches else "# ignore = [[0.0, 12.5]]"]
        for mic in take.mics:
            name = mic.found or mic.name
            if (keys := _mic_lines(name, mic)) != shared.get(name):
                lines += ["", f"[takes.{quote(found)}.mics.{quote(name)}]", *keys]
    return "\n".join([*lines, *_label_lines(session)]) + "\n"


def _shared_mics(session: Session) -> dict[str, list[str]]:
    """The lines of each mic as its first take has it; takes that differ get their own."""
    shared: dict[str, list[str]] = {}
    for take in session.takes:
        for mic in take.mics:
            name = mic.found or mic.name
            shared.setdefault(name, _mic_lines(name, mic))
    return shared


def _mic_lines(found: str, mic: Mic) -> list[str]:
    """All that is known of a mic, key by key, so that nothing is left to be guessed when the file is read."""
    lines = [f"name = {quote(mic.name)}"] if mic.name != found else []
    lines.append(f"role = {quote(mic.role)}")
    if mic.drum is not None:
        lines.append(f"drum = {quote(mic.drum)}")
    if mic.role.means.at_drum:
        lines.append(f"place = {quote(mic.place or '')}")
    lines.append(f"pair = {quote(mic.pair or '')}")
    if mic.side is not None:
        lines.append(f"side = {quote(mic.side)}")
    return [*lines, f"polarity = {mic.polarity}", *([] if mic.note is None else [f"note = {quote(mic.note)}"])]


def _label_lines(session: Session) -> list[str]:
    lines = ["", "# What is played in a section of a take; overrides automatic detection."]
    own = [label for label in session.labels if label.told_by == FILE]  # cues and names are read again where they stand
    if not own:
        first = session.takes[0].name if session.takes else "take 1"
        example = ["[[labels]]", f"take = {quote(first)}", "from_s = 0.0", "to_s = 60.0", 'drum = "snare"',
                   'articulation = "rimshot"', 'hand = "left"        # left or right',
                   'wires = "on"         # snare wires: on or off',
                   'tool = "brushes"     # sticks, brushes, mallets or rods', 'strength = "hard"    # any word']
        return [*lines, *(f"# {line}" for line in example)]
    for label in own:
        take = session.take(label.take)
        lines += ["", "[[labels]]", f"take = {quote(label.take)}", f"from_s = {_exact_s(label.start, take)}",
                  f"to_s = {_exact_s(label.stop, take)}"]
        for key in ("drum", "articulation", "hand", "wires", "tool", "strength"):
            if (value := getattr(label, key)) is not None:
                lines.append(f"{key} = {quote(value)}")
    return lines


def _exact_s(frame: int, take: Take) -> str:
    """Seconds that give the same frame when they are read and rounded again (repr keeps every bit of the quotient)."""
    return repr(frame / take.sample_rate)
