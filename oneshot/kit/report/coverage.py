"""What `oneshot check --list` says: how much of a recording list is there, and what is still to be played."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from oneshot.kit.report.lines import BLANK, Line, plain, table
from oneshot.selection.coverage import STRENGTHS, Covered
from oneshot.session.mic_names import KINDS


def coverage_lines(found: Sequence[Covered], kit: str | None = None) -> list[Line]:
    """A table of what is there, then what to play, one line for each drum. ``kit``: what the kit is called that the
    session expands; the table then tells what of it is the kit's.
    """
    rows = [["drum", "articulation", "wanted", "usable", *([] if kit is None else ["in the kit"]), *STRENGTHS,
             "short tail", *([] if kit is None else ["hardest vs kit, dB"])]]
    rows += [[each.drum or each.wanted.drum, each.articulation or each.wanted.articulation or "-",
              str(each.wanted.hits), str(sum(each.usable)), *([] if kit is None else [str(sum(each.in_kit))]),
              *(str(count) for count in each.usable), str(each.short), *([] if kit is None else [_above(each)])]
             for each in found]
    head, *body = table(rows, indent=2)
    title = "Recording list" if kit is None else f"Recording list, together with {kit}"
    lines: list[Line] = [BLANK, ("head", plain(title)), ("quiet", head), *(("text", line) for line in body)]
    lines += [("quiet", plain(f"  {line}")) for line in _about_kit(found)]
    todo = [line for each in found if (line := _to_play(each))]
    lines += [BLANK, ("head", "Play next" if todo else "Everything on the list is there.")]
    return lines + [("text", plain(f"  {line}")) for line in todo]


def _above(found: Covered) -> str:
    """By how much the session's hardest hit is louder than the kit's."""
    return "-" if found.above_kit_db is None else f"{found.above_kit_db:+.1f}".replace("-0.0", "+0.0")


def _about_kit(found: Sequence[Covered]) -> list[str]:
    """Where levels of kit and session cannot be compared, and drums that the kit does not know."""
    reasons: dict[str, list[str]] = {}
    for each in found:
        if each.apart:
            reasons.setdefault(each.apart, []).append(each.drum)
    out = [f"{', '.join(dict.fromkeys(drums))}: kit and session are each sorted into soft, medium and hard by their "
           f"own hardest hit, because {why}" for why, drums in reasons.items()]
    strangers = dict.fromkeys(each.drum for each in found if each.unknown_to_kit)
    return out + [f"{drum}: no drum of the kit has this name; if it is one of the kit's, call it so in [[labels]] of "
                  "session.toml" for drum in strangers]


def _to_play(found: Covered) -> str:
    """What is missing of one line; empty where nothing is."""
    name = " ".join(part for part in (found.drum or found.wanted.drum, found.articulation or found.wanted.articulation)
                    if part)
    if not any(found.missing):
        return ""
    if found.unknown:
        return (f"{name}: nothing yet, and no drum, mic or kind of drum is called {found.wanted.drum}: "
                + (f"did you mean {found.nearest}?" if found.nearest else f"kinds are {', '.join(KINDS)}"))
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
             "missing": dict(zip(STRENGTHS, each.missing, strict=True)),
             "in_kit": dict(zip(STRENGTHS, each.in_kit, strict=True)),
             "above_kit_db": None if each.above_kit_db is None else round(each.above_kit_db, 2),
             "levels_apart": each.apart or None, "unknown_to_kit": each.unknown_to_kit,
             "unknown_name": each.unknown, "nearest_name": each.nearest or None} for each in found]
