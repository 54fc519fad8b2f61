"""Text blocks: what the README files of a kit and of a pack are put together from. Lines of up to 80 characters where
words allow.
"""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from oneshot.core.records.hits import Articulation, Drum
from oneshot.core.records.kit import Kit, OneShot
from oneshot.core.text import one_line

WIDTH = 80


def document(blocks: Iterable[Sequence[str]]) -> str:
    """The whole text: blocks of lines with an empty line between them; whatever a name holds, a line stays one."""
    return "\n\n".join("\n".join(map(one_line, block)) for block in blocks if block) + "\n"


def titled(title: str, lines: Sequence[str], under: str = "-") -> list[str]:
    """Lines below an underlined title; nothing where there are none."""
    return [title, under * len(title), *lines] if lines else []


def wrapped(*texts: str) -> list[str]:
    """Texts as lines, an empty one between them."""
    out: list[str] = []
    for text in texts:
        out += [*([""] if out else []), *textwrap.wrap(text, WIDTH, break_long_words=False, break_on_hyphens=False)]
    return out


def listed(rows: Iterable[tuple[str, str]], indent: int) -> list[str]:
    """Names on the left, words on the right from column ``indent`` on; a name that reaches it has a line of its own."""
    out: list[str] = []
    for name, words in rows:
        fits = len(name) < indent
        out += [] if fits else [name]
        out += textwrap.wrap(words, WIDTH, initial_indent=(name if fits else "").ljust(indent),
                             subsequent_indent=" " * indent, break_long_words=False, break_on_hyphens=False)
    return out


def makers(info: Mapping[str, Any]) -> list[str]:
    """Who made it, played on it and recorded it, each named in a line."""
    rows = (("Made by", info["author"]), ("Played by", ", ".join(info["players"])), ("Recorded at", info["studio"]))
    return [f"{what}: {who}" for what, who in rows if who]


def articulations(kit: Kit) -> list[tuple[Drum, Articulation, list[OneShot]]]:
    """Each articulation that has one-shots, with them."""
    every = [(drum, way, [s for s in kit.one_shots if (s.drum, s.articulation) == (drum.name, way.name)])
             for drum in kit.drums for way in drum.articulations]
    return [each for each in every if each[2]]


def layers_table(kit: Kit, more: str = "", cell: Mapping[tuple[str, str], str] | None = None) -> list[str]:
    """One line per articulation: key, layers, round robins; and, under the heading ``more``, the ``cell`` of its drum
    and articulation. Nothing where the kit has no one-shot.
    """
    rows = [("key", "drum", "articulation", "layers", "round robins", more)]
    for drum, way, shots in articulations(kit):
        robins = Counter(shot.layer for shot in shots)
        fewest, most = min(robins.values()), max(robins.values())
        rows.append((str(way.key) if way.second_key is None else f"{way.key}, {way.second_key} left hand", drum.name,
                     way.name, str(len(robins)), str(most) if fewest == most else f"{fewest} to {most}",
                     "" if cell is None else cell[drum.name, way.name]))
    if len(rows) == 1:
        return []
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return ["  ".join(each.ljust(width) for each, width in zip(row, widths, strict=True)).rstrip() for row in rows]
