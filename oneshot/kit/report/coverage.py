"""What `oneshot check --list` says: how much of a recording list is there, and what is still to be played."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from oneshot.kit.report.lines import BLANK, Line, plain, table
from oneshot.selection.coverage import STRENGTHS, Covered


def coverage_lines(found: Sequence[Covered]) -> list[Line]:
    """A table of what is there, then what to play, one line for each drum."""
    rows = [["drum", "articulation", "wanted", "usable", *STRENGTHS, "short tail"]]
    rows += [[each.drum or each.wanted.drum, each.articulation or each.wanted.articulation or "-",
              str(each.wanted.hits), str(sum(each.usable)), *(str(count) for count in each.usable), str(each.short)]
             for each in found]
    head, *body = table(rows, indent=2)
    lines: list[Line] = [BLANK, ("head", "Recording list"), ("quiet", head), *(("text", line) for line in body)]
    todo = [line for each in found if (line := _to_play(each))]
    lines += [BLANK, ("head", "Play next" if todo else "Everything on the list is there.")]
    return lines + [("text", plain(f"  {line}")) for line in todo]


def _to_play(found: Covered) -> str:
    """What is missing of one line; empty where nothing is."""
    name = " ".join(part for part in (found.drum or found.wanted.drum, found.articulation or found.wanted.articulation)
                    if part)
    if not any(found.missing):
        return ""
    if not sum(found.usable):
        return f"{name}: nothing yet; {found.wanted.hits} hits, soft to hard, {found.wanted.tail_s:g} s of decay each"
    more = ", ".join(f"{count} more {strength}" for strength, count in zip(STRENGTHS, found.missing, strict=True)
                     if count)
    return f"{name}: {more}, {found.wanted.tail_s:g} s of decay each"


def coverage_record(found: Sequence[Covered]) -> list[Mapping[str, Any]]:
    """The same as plain types, for programs."""
    return [{"drum": each.drum or each.wanted.drum, "articulation": each.articulation or each.wanted.articulation,
             "found": bool(each.drum), "wanted": each.wanted.hits, "tail_s": each.wanted.tail_s,
             "usable": dict(zip(STRENGTHS, each.usable, strict=True)), "short": each.short,
             "missing": dict(zip(STRENGTHS, each.missing, strict=True))} for each in found]
