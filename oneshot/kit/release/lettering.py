"""Lettering: names as pictures show them, in the font that Pillow carries, which has few glyphs beyond ASCII.

What the font lacks is drawn as its nearest letters; what has none is left out. No box ever stands for a letter.
"""

from __future__ import annotations

from functools import cache

from PIL import ImageFont

from oneshot.core.text import nearest_letters, one_line

NO_CHARACTER = "\uffff"
"""Never a letter (The Unicode Standard, section 23.7): drawn as what a font has in place of one."""
PROBE_PIXELS = 32


def drawable(text: str) -> str:
    """The text on one line in letters that the font has; empty where it has none of them, nor any near them."""
    fitting = "".join(c if _has_glyph(c) else nearest_letters(c) for c in one_line(text))
    return " ".join("".join(c for c in fitting if _has_glyph(c)).split())


def loses_all(text: str) -> bool:
    """Whether nothing that can be read is left of a name."""
    return any(c.isalnum() for c in text) and not any(c.isalnum() for c in drawable(text))


@cache
def _has_glyph(character: str) -> bool:
    """Whether the font draws a character as itself."""
    return character == " " or _mask(character) != _mask(NO_CHARACTER)


@cache
def _mask(character: str) -> tuple[tuple[int, int], bytes]:
    """Size and pixels of a character as the font draws it."""
    mask = ImageFont.load_default(PROBE_PIXELS).getmask(character)
    return mask.size, bytes(mask)
