"""Settings that check themselves: how a record declares its keys, and how one is read from a table.

Each field is declared once, with its default, its limits and its explanation; the check, the loader and the commented
TOML are all derived from that declaration, so they cannot disagree. A message about a bad value names the field, the
limit and the value found.
"""

from __future__ import annotations

import dataclasses
import difflib
import math
from dataclasses import dataclass, field
from typing import Any

from oneshot.core.errors import SettingsError
from oneshot.core.records.session import Problem
from oneshot.core.text import one_line
from oneshot.core.toml_lines import KeyPath, TomlLines, dotted


def setting(default: Any, about: str, *, low: float | None = None, high: float | None = None,
            choices: tuple[str, ...] = (), lines: bool = False) -> Any:
    """A dataclass field with its explanation and limits. ``low`` and ``high`` are inclusive; ``lines``: its text may
    have several.
    """
    meta = {"about": about, "low": low, "high": high, "choices": choices, "lines": lines}
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
        _check_text(name, value, lines=meta["lines"])
        if meta["choices"] and value not in meta["choices"]:
            near = difflib.get_close_matches(str(value).casefold(), meta["choices"], n=1)
            meant = f"; did you mean {near[0]!r}?" if near else ""
            raise SettingsError(f"{name} is {value!r}: choose one of {', '.join(map(repr, meta['choices']))}{meant}")
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
        kind = {"str": "a string", "bool": "true or false", "int": "a whole number", "float": "a number",
                "tuple[str, ...]": "a list of strings"}[wanted.removesuffix(" | None")]
        raise SettingsError(f"{name} is {value!r}: it must be {kind}")
    if isinstance(value, float) and math.isnan(value):
        raise SettingsError(f"{name} is not a number")


def _check_text(name: str, value: Any, *, lines: bool) -> None:
    """Raise SettingsError for a text, or one of several, with characters that no text of its kind has."""
    texts = [value] if isinstance(value, str) else value if isinstance(value, tuple) else []
    for text in texts:
        if isinstance(text, str) and any(one_line(part) != part for part in (text.splitlines() if lines else [text])):
            raise SettingsError(f"{name} is {value!r}: write it {'' if lines else 'on one line, '}without control "
                                "characters")


RETIRED = {"spread_db": "level leaves no hit out any more, mappings even it out"}
"""Keys that recipes had, and why they have them no longer."""


@dataclass(frozen=True, slots=True)
class TomlFile:
    """The name of a file of settings, as messages call it, and the lines of its keys."""

    name: str
    lines: TomlLines

    def place(self, where: KeyPath, key: str) -> str:
        """Where in it a key stands: file, line and table."""
        line = self.lines.of(*where, key)
        at = f"{self.name}, line {line}" if line is not None else self.name
        return f"{at}: {dotted(where)}" if where else at


def unknown_key(file: TomlFile, table: KeyPath, name: str, known: list[str]) -> Problem:
    """The problem of a key nobody knows: what it is called, where it stands, and the nearest one that is known."""
    where = file.place(table, name)
    if name in RETIRED:
        return Problem(where=where, what=f"key {name!r} is no longer used", todo=f"{RETIRED[name]}: delete the line")
    near = difflib.get_close_matches(name.casefold().replace("-", "_"), known, n=1)
    todo = f"did you mean {near[0]}?" if near else f"use one of {', '.join(known)}"
    return Problem(where=where, what=f"key {name!r} is unknown and ignored", todo=todo)


def read_record(kind: type, table: Any, where: KeyPath, file: TomlFile, problems: list[Problem]) -> Any:
    """A settings record of class ``kind`` from a TOML table; unknown keys are added to ``problems``.

    ``where`` is the table's place inside ``file``. Raises SettingsError where the table is none or a value is bad.
    """
    if not isinstance(table, dict):
        raise SettingsError(f"{dotted(where)} is {table!r}: it must be a table")
    known = [item.name for item in dataclasses.fields(kind)]
    values = {}
    for name, value in table.items():
        if name not in known:
            problems.append(unknown_key(file, where, name, known))
        else:
            values[name] = tuple(value) if isinstance(value, list) else value
    return kind(**values)
