"""What `oneshot check` says after it has listened: the track sheet of each take, and faults in order of harm."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from oneshot.checking.finding import Finding, Harm
from oneshot.checking.run import Checked
from oneshot.core.air import speed_of_sound
from oneshot.core.records.session import Problem, Session
from oneshot.core.text import counted
from oneshot.kit.report.lines import BLANK, Line, plain
from oneshot.kit.report.track_sheet import sheet_record, sheet_table

HEADS = {Harm.LOST: "Record again", Harm.WRONG: "Put right before you build", Harm.POOR: "Worse than it need be",
         Harm.NOTE: "Good to know"}
"""Harm -> what its faults stand under."""


def checked_lines(session: Session, found: Checked) -> list[Line]:
    """The track sheet of each take, then what is wrong, the worst first."""
    lines: list[Line] = []
    for take, tracks in found.tracks.items():
        head, *body = sheet_table(tracks, speed_of_sound(session.air_c))
        lines += [BLANK, ("head", plain(f"{take}, track sheet")), ("quiet", head), *(("text", line) for line in body)]
    if not found.findings:
        nothing = "Nothing else that is wrong" if session.problems else "Nothing wrong"
        return [*lines, BLANK, ("head", f"{nothing} was found in {counted(len(found.tracks), 'take')}.")]
    for harm, head in HEADS.items():
        mine = _alike(each for each in found.findings if each.harm is harm)
        if mine:
            lines += [BLANK, ("head", head), *(line for each in mine for line in _finding_lines(each))]
    return lines


def _alike(findings: Iterable[Finding]) -> list[Finding]:
    """What is said of several places in the same words, and of the same moments, is said once, of all of them."""
    by_text: dict[tuple[str, str, tuple[float, ...]], list[Finding]] = {}
    for each in findings:
        by_text.setdefault((each.problem.what, each.problem.todo, each.at_s), []).append(each)
    return [replace(same[0], problem=Problem(", ".join(each.problem.where for each in same), what, todo))
            for (what, todo, _), same in by_text.items()]


def _finding_lines(found: Finding) -> list[Line]:
    """Where and what, and when; then what to do about it, set in."""
    when = f" (at {found.places})" if found.at_s else ""
    return [("warn", plain(f"  {found.problem.where}: {found.problem.what}{when}")),
            ("quiet", plain(f"      {found.problem.todo}"))]


def checked_record(session: Session, found: Checked) -> Mapping[str, Any]:
    """The same as plain types, for programs."""
    return {
        "findings": [{"harm": each.harm.name.lower(), "where": each.problem.where, "what": each.problem.what,
                      "todo": each.problem.todo, "at_s": [round(at, 3) for at in each.at_s]}
                     for each in found.findings],
        "measured": {take: [sheet_record(track, speed_of_sound(session.air_c)) for track in tracks]
                     for take, tracks in found.tracks.items()}}
