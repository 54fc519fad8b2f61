"""JSON and TOML that somebody else may have written: read within limits, or refused.

Whatever is wrong with such a text is a ValueError in one line: too long, not UTF-8, damaged, nested so deeply that
walking it would break off, or with numbers that fit no frame and no figure. Nothing that has passed can raise a
RecursionError later on.
"""

from __future__ import annotations

import os
import re
import tomllib
from pathlib import Path
from typing import Any

import msgspec

from oneshot.core.text import shortened

MOST_JSON = 200_000_000
"""Bytes of a JSON file: a manifest has some three kilobytes for each hit, so this is one of tens of thousands."""
MOST_TOML = 8_000_000
"""Bytes of a TOML file, which a person wrote or went through."""
DEEPEST = 64
"""Levels of nesting; a manifest has about ten."""
BITS = 64
"""Of a whole number: a file's time stamp and size take that many, and TOML has no more (1.0.0)."""


def read_bounded(path: Path, most: int) -> bytes:
    """What a file holds. Raises OSError where it cannot be read, ValueError where it is longer than ``most`` bytes or
    no file at all, such as a pipe that would never end.
    """
    if path.exists() and not path.is_file():
        raise ValueError("it is no file")
    with path.open("rb") as file:
        data = file.read(min(os.fstat(file.fileno()).st_size, most) + 1)  # room is made for as much as is asked for
    if len(data) > most:
        raise ValueError(f"it is longer than {most / 1e6:g} MB")
    return data


def read_json(path: Path, most: int = MOST_JSON) -> Any:
    """The document in a JSON file. Raises OSError where it cannot be read, ValueError where it is none."""
    return parse_json(read_bounded(path, most))


def parse_json(data: bytes | str, deepest: int = DEEPEST) -> Any:
    """The document in a JSON text (RFC 8259, so neither NaN nor half of a surrogate pair). Raises ValueError."""
    try:
        return _bounded(msgspec.json.decode(data), deepest)
    except RecursionError:
        raise ValueError(_deep(deepest)) from None


def read_toml(path: Path) -> str:
    """The text of a TOML file, its lines ended by line feeds, without a byte order mark.

    Raises OSError where it cannot be read, ValueError where it is too long or not UTF-8.
    """
    try:
        return read_bounded(path, MOST_TOML).decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n")
    except UnicodeDecodeError:
        raise ValueError("it is not UTF-8 text") from None


def parse_toml(text: str) -> dict[str, Any]:
    """The table of a TOML text. Raises ValueError, its text on one line."""
    if _LONG_KEY.search(text):
        raise ValueError(_deep(DEEPEST))
    try:
        table = tomllib.loads(text)
    except RecursionError:
        raise ValueError(_deep(DEEPEST)) from None
    except ValueError as error:  # numbers of thousands of digits, too
        raise ValueError(shortened(error, 200)) from None
    return dict(_bounded(table, DEEPEST))


_PART = r"""(?:(?<![\w-])[\w-]++|"[^"\n]*+"|'[^'\n]*+')"""
_LONG_KEY = re.compile(rf"{_PART}(?:[ \t]*+\.[ \t]*+{_PART}){{{DEEPEST},}}")
"""A dotted key of so many parts: tomllib takes memory by the square of their number, so it must not see one."""


def _deep(levels: int) -> str:
    """What is wrong with a document that is nested more than so deep."""
    return f"it is nested more than {levels} levels deep"


def _bounded(document: Any, deepest: int) -> Any:
    """The document, level by level within the limits. Raises ValueError."""
    level = [document]
    for _ in range(deepest):
        below: list[Any] = []
        for each in level:
            if isinstance(each, dict):
                below.extend(each.values())
            elif isinstance(each, list):
                below.extend(each)
            elif isinstance(each, int) and not -(2**BITS) < each < 2**BITS:
                raise ValueError(f"it holds a whole number of more than {BITS} bits")
        if not below:
            return document
        level = below
    raise ValueError(_deep(deepest))
