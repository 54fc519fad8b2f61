"""Text: names that leave for a format in which a line end means something, what a message quotes, counts of things."""

from __future__ import annotations

import unicodedata
from collections.abc import Collection

ENDING = {"Cc", "Zl", "Zp"}
"""Controls, line ends among them, and Unicode's own line and paragraph separators (general categories)."""


def one_line(text: str) -> str:
    """The text with a space for every control character and line end: a name of a file or a kit may hold them, and in a
    format of lines whatever follows one would be something else.
    """
    return "".join(" " if unicodedata.category(c) in ENDING else c for c in text)


def shortened(text: object, most: int | None = None) -> str:
    """What an error, or somebody's text, says: on one line, and of no more than ``most`` characters."""
    return " ".join(str(text).split())[:most]


def counted(number: int, one: str, many: str | None = None) -> str:
    """``1 take``, ``2 takes``."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def counted_either(numbers: Collection[int], one: str) -> str:
    """Where it is not the same number everywhere: ``1 or 2 mics``."""
    *others, last = sorted(set(numbers)) or [0]
    return " or ".join([*(f"{number:,}" for number in others), counted(last, one)])
