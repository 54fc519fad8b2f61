"""Text: names that leave for a format in which a line end means something or that has few letters, what a message
quotes, counts of things.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Collection

ENDING = {"Cc", "Zl", "Zp"}
"""Controls, line ends among them, and Unicode's own line and paragraph separators (general categories)."""


WITHOUT_MARKS = {"ß": "ss", "ẞ": "SS", "æ": "ae", "Æ": "AE", "œ": "oe", "Œ": "OE", "ø": "o", "Ø": "O", "ł": "l",
                 "Ł": "L", "đ": "d", "Đ": "D", "ð": "d", "Ð": "D", "þ": "th", "Þ": "Th", "ħ": "h", "Ħ": "H", "ı": "i",
                 "ŋ": "n", "Ŋ": "N", "\u2044": "/", "\u2018": "'", "\u2019": "'", "\u201c": '"', "\u201d": '"'}
"""Latin letters and signs that Unicode does not decompose, as they are written where there is ASCII alone."""


def nearest_letters(text: str) -> str:
    """The text with every letter and dash that has a near one in ASCII as that one: ``ü`` is ``u``, a dash a hyphen.
    What has none, such as other scripts, stays.
    """
    return "".join(_nearest(c) for c in unicodedata.normalize("NFC", text))


def _nearest(character: str) -> str:
    """The same of one character, which may be any."""
    if character.isascii():
        return character
    if unicodedata.category(character) == "Pd":
        return "-"
    parts = unicodedata.normalize("NFKD", WITHOUT_MARKS.get(character, character))
    plain = "".join(WITHOUT_MARKS.get(c, c) for c in parts if not unicodedata.combining(c))
    return plain if plain.isascii() and plain else character


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
