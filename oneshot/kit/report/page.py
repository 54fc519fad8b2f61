"""report.html: one file that shows a finished kit and plays it from the files beside it.

Reads the finished kit and its sound files, computes no figure of its own and asks nothing of a network. The tables are
plain HTML; the script (page.js) draws the files' outlines, which are inside the page, and plays the kit's files by
their relative paths. Names are text everywhere: markup.py escapes them, and inside the script's data "<" never
appears.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from types import MappingProxyType

from oneshot.core.files import write_atomic
from oneshot.core.records.kit import Kit
from oneshot.kit.report import matrices, sections
from oneshot.kit.report.data import page_data
from oneshot.kit.report.markup import Markup, join, tag
from oneshot.kit.report.one_file import filled
from oneshot.kit.report.velocity_map import Row, rows_of

NAME = "report.html"
GRADES = "grades.css"
"""How grades are drawn, on this page and on that of the review."""
NOT_DRAWN: Mapping[str, Mapping[str, object]] = MappingProxyType({})


def write_report(kit: Kit, folder: Path, drawn: Mapping[str, Mapping[str, object]] = NOT_DRAWN) -> Path:
    """Write ``report.html`` into a kit's folder.

    Parameters
    ----------
    kit
        The finished kit; the paths of its samples and prints are relative to ``folder``.
    folder
        Where the kit's files lie already.
    drawn
        Path -> the outlines of a sound file (``data.outlines``), of those that need not be read for them.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    AudioError
        A sample of the kit is missing or damaged.
    """
    page = folder / NAME
    write_atomic(page, render(kit, folder, drawn))
    return page


def render(kit: Kit, folder: Path, drawn: Mapping[str, Mapping[str, object]] = NOT_DRAWN) -> str:
    """The page as text; the same kit gives the same text."""
    rows = rows_of(kit)
    return filled(__package__, title=f"{sections.kit_name(kit)}: drum one-shots", body=_body(kit, rows),
                  data=page_data(kit, folder, drawn, rows), more=(GRADES,),
                  sources="media-src 'self' file:; connect-src 'self'; ")


def _body(kit: Kit, rows: Sequence[Row]) -> Markup:
    """Sound first, then what is missing, then the engineering, folded away."""
    figures = [part for part in (
        sections.drums_fold(kit, rows), sections.pitch_fold(kit, rows), matrices.bleed_section(kit),
        matrices.delays_section(kit), matrices.mics_section(kit), matrices.processed_section(kit),
        sections.reading_fold()) if part]
    parts: list[tuple[str, str, Markup | None]] = [
        ("map", "Velocity map", sections.map_section(kit, rows)),
        ("one-shot", "One-shot", sections.one_shot_section() if kit.one_shots else None),
        ("prints", "Prints", matrices.prints_section(kit)),
        ("missing", "What to record next", sections.missing_section(kit) if kit.one_shots or not kit.prints else None),
        ("left-out", "What was left out", matrices.left_out_section(kit) if kit.hits else None),
        ("problems", "Warnings", matrices.problems_section(kit)),
        ("figures", "Figures", sections.section("figures", "Figures", figures)),
    ]
    there = {anchor: part for anchor, _, part in parts if part}
    beside = [part for anchor in ("missing", "left-out") if (part := there.get(anchor))]
    content = [tag("div", beside, class_="beside") if anchor == "left-out" or (
        anchor == "missing" and "left-out" not in there) else None if anchor == "missing" else part
        for anchor, part in there.items()]
    last = tag("footer", tag("p", f"Made by {kit.generator}. Audio plays from the files next to this page; "
                                  "manifest.json has every figure, hits.csv every hit."))
    links = [(anchor, title) for anchor, title, part in parts if part]
    return join([sections.masthead(kit), sections.contents(links), tag("main", content), last])
