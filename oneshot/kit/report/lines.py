"""Lines of text as a terminal shows them: what they are made of, and what is never shown as it stands."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from typing import Literal, TypeAlias

Kind: TypeAlias = Literal["head", "text", "quiet", "warn"]
Line: TypeAlias = tuple[Kind, str]

BLANK: Line = ("text", "")
UNSHOWN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


def plain(text: str) -> str:
    """The text with controls, format and direction marks, line breaks and lone surrogates shown as U+FFFD.

    Every kind of space stays (general category Zs, Unicode Standard 4.5): names from some systems hold them.
    """
    return "".join("\ufffd" if unicodedata.category(c) in UNSHOWN else c for c in text)


def width(text: str) -> int:
    """Columns a text takes on a terminal: wide East Asian characters count two, combining marks none (UAX #11)."""
    return sum(0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text)


def table(rows: Sequence[Sequence[str]], *, right: Sequence[int] = (), indent: int = 0) -> list[str]:
    """Rows of cells as aligned lines, two spaces between columns; the columns in ``right`` align to the right."""
    if not rows:
        return []
    cells = [[plain(cell) for cell in row] for row in rows]
    widths = [max(width(row[i]) for row in cells) for i in range(len(cells[0]))]
    lines = []
    for row in cells:
        padded = [" " * (wide - width(cell)) + cell if i in right else cell + " " * (wide - width(cell))
                  for i, (cell, wide) in enumerate(zip(row, widths, strict=True))]
        lines.append((" " * indent + "  ".join(padded)).rstrip())
    return lines
