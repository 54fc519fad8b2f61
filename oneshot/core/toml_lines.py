"""On which line of a TOML text a key stands: for messages about keys and values that are read but make no sense.

Parsers give values without their places. The text has been parsed before, so it is valid (TOML 1.0.0); what is looked
for here is only where each statement begins and which key it sets.
"""

from __future__ import annotations

import re
import tomllib
from functools import cached_property
from typing import Any

KeyPath = tuple[str | int, ...]
"""Keys from the outermost to the innermost; the number of a table, from 0, after the name of an array of tables."""

_QUOTED = r'"(?:\\.|[^"\\\n])*+"|' + r"'[^'\n]*+'"
_KEY = re.compile(rf"(?:[^\s=#\[\]\"'.]++|{_QUOTED}|[ \t.])++")
_VALUE = re.compile(rf'"""(?s:\\.|[^\\])*?"""(?:"{{0,2}}(?!"))|\'\'\'(?s:.)*?\'\'\'(?:\'{{0,2}}(?!\'))|{_QUOTED}|'
                    r"#[^\n]*+|[\[{]|[\]}]|\n|[^\"'#\[\]{}\n]++")
_SPACE = re.compile(r"(?:[ \t\r\n]++|#[^\n]*+)*+")

_MOST_LETTERS = 10_000


class TomlLines:
    """The lines, counted from 1, of a valid TOML text's keys. Nothing is looked for before the first question."""

    def __init__(self, text: str) -> None:
        self._text = text

    def of(self, *path: str | int) -> int | None:
        """The line of a key, or of the table or value it stands in; None where not even that is found."""
        for length in range(len(path), 0, -1):
            if path[:length] in self._lines:
                return self._lines[path[:length]]
        return None

    def named(self, text: str) -> int | None:
        """The line of the longest key with which a text begins, as messages write it: with dots, ``prints 2`` for the
        second of an array of tables; None where it begins with none.
        """
        found = [(len(name), line) for name, line in self._dotted.items()
                 if text.startswith(name) and text[len(name):len(name) + 1] in ("", " ", ".")]
        return max(found)[1] if found else None

    @cached_property
    def _dotted(self) -> dict[str, int]:
        out: dict[str, int] = {}
        for path, line in self._lines.items():
            out.setdefault(dotted(path), line)
        return out

    @cached_property
    def _lines(self) -> dict[KeyPath, int]:
        """Every key and table that has a statement of its own -> its first line."""
        lines: dict[KeyPath, int] = {}
        counts: dict[KeyPath, int] = {}
        table: KeyPath = ()
        at, line, text = 0, 1, self._text
        while (start := _end(_SPACE, text, at)) < len(text):
            line += text.count("\n", at, start)
            many = text.startswith("[[", start)
            head = text.startswith("[", start)
            begin = start + many + head
            stop = _end(_KEY, text, begin)
            names = _names(text[begin:stop])
            if head:
                table = _within((), names[:-1], counts) + names[-1:]
                if many:
                    counts[table] = counts.get(table, 0) + 1
                    table += (counts[table] - 1,)
                else:
                    table = _within((), names, counts)
                lines.setdefault(table, line)
                stop += 1 + many
            else:
                for length in range(1, len(names) + 1):
                    lines.setdefault(table + names[:length], line)
            at = max(_value_end(text, stop), start + 1)
            line += text.count("\n", start, at)
        return lines


def dotted(path: KeyPath) -> str:
    """A key as messages write it: its names with dots, ``prints 2`` for the second of an array of tables."""
    name = ""
    for part in path:
        name += f" {part + 1}" if isinstance(part, int) else f".{part}" if name else part
    return name


def _within(table: KeyPath, names: KeyPath, counts: dict[KeyPath, int]) -> KeyPath:
    """The table of those names: of an array of tables, the latest."""
    for name in names:
        table += (name,)
        if table in counts:
            table += (counts[table] - 1,)
    return table


def _names(key: str) -> KeyPath:
    """The parts of a key as it is written, with dots and quotes; of one beyond all measure, the whole."""
    if len(key) > _MOST_LETTERS:
        return (key.strip(),)
    try:
        value: Any = tomllib.loads(f"{key} = 0")
    except ValueError:
        return (key.strip(),)
    names: list[str] = []
    while isinstance(value, dict):
        name, value = next(iter(value.items()))
        names.append(name)
    return tuple(names)


def _value_end(text: str, at: int) -> int:
    """Where the statement ends that goes on at ``at``: at the end of a line outside of brackets and texts."""
    depth = 0
    while at < len(text):
        token = _VALUE.match(text, at)
        if token is None:
            at += 1
            continue
        at = token.end()
        what = token[0]
        if what == "\n" and depth == 0:
            return at - 1
        depth += (what in ("[", "{")) - (what in ("]", "}"))
    return at


def _end(pattern: re.Pattern[str], text: str, at: int) -> int:
    match = pattern.match(text, at)
    return at if match is None else match.end()
