"""HTML that cannot be broken by a name: whatever is not already markup is text and gets escaped."""

from __future__ import annotations

import html
from collections.abc import Collection, Iterable
from typing import TypeAlias

from oneshot.kit.report.lines import plain


class Markup(str):
    """A string that is HTML already; only ``tag`` and ``join`` make it."""

    __slots__ = ()


Content: TypeAlias = "str | int | Markup | Iterable[Content] | None"

VOID = {"br", "hr", "input", "meta", "link"}
"""Elements that have no end tag (HTML Living Standard, 13.1.2)."""
IMPLIED = {"td", "th", "tr", "thead", "tbody"}
"""Elements whose end tag may be left out where another cell, row or part of a table follows, or nothing (13.1.2.4): in
a table that ``grid`` makes, always. A page of 40 mics has thousands of cells.
"""


def join(content: Content) -> Markup:
    """Any nesting of texts, markup and None as one piece of markup, texts escaped."""
    if content is None:
        return Markup("")
    if isinstance(content, Markup):
        return content
    if isinstance(content, str | int):
        return Markup(html.escape(plain(str(content)), quote=True))
    return Markup("".join(join(item) for item in content))


def tag(name: str, *content: Content, **attributes: str | int | bool | None) -> Markup:
    """One element with its content; parts of tables stand in what ``grid`` makes.

    Attribute names lose a trailing underscore (``class_``), and inner ones become hyphens (``aria_label``). True gives
    an attribute without a value, False and None leave it out.
    """
    written = []
    for key, value in attributes.items():
        if value is None or value is False:
            continue
        written.append(" " + key.rstrip("_").replace("_", "-"))
        if value is not True:
            written.append(f'="{html.escape(plain(str(value)), quote=True)}"')
    start = f"<{name}{''.join(written)}>"
    if name in VOID:
        return Markup(start)
    return Markup(f"{start}{join(content)}" if name in IMPLIED else f"{start}{join(content)}</{name}>")


def cell(*content: Content, number: bool = False) -> Markup:
    """A table cell; ``number`` aligns it to the right in figures of one width."""
    return tag("td", *content, class_="n" if number else None)


def grid(head: Iterable[Content], rows: Iterable[Iterable[Content]], *, caption: str, numbers: Collection[int] = (),
         class_: str | None = None) -> Markup:
    """A table that may scroll sideways on a narrow screen; the first cell of each row is its header.

    A row's cells may be ready ``td`` elements; anything else is put into one.
    """
    titles = [tag("th", title, scope="col", class_="n" if i in numbers else None) for i, title in enumerate(head)]
    body = []
    for row in rows:
        cells = []
        for i, content in enumerate(row):
            if isinstance(content, Markup) and content.startswith("<td"):
                cells.append(content)
            elif i == 0:
                cells.append(tag("th", content, scope="row"))
            else:
                cells.append(cell(content, number=i in numbers))
        body.append(tag("tr", cells))
    inner = tag("table", tag("caption", caption), tag("thead", tag("tr", titles)), tag("tbody", body), class_=class_)
    return tag("div", inner, class_="scroll", tabindex=0, role="region", aria_label=caption)


def figure(value: float | None, unit: str = "", *, digits: int = 1) -> str:
    """A figure as people read it: a true minus sign, a thin space before the unit, a dash where nothing is known."""
    if value is None:
        return "–"
    text = f"{value:.{digits}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "−") + (f"\u202f{unit}" if unit else "")
