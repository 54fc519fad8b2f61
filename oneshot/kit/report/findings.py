"""What `oneshot check` says after it has listened: faults in order of harm, and each mic as it was recorded."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from oneshot.checking.finding import Finding, Harm
from oneshot.checking.measures import MicMeasures
from oneshot.checking.run import Checked
from oneshot.core.air import speed_of_sound
from oneshot.core.records.session import Problem, Session
from oneshot.core.text import counted
from oneshot.kit.report.lines import BLANK, Line, plain, table

HEADS = {Harm.LOST: "Record again", Harm.WRONG: "Put right before you build", Harm.POOR: "Worse than it need be",
         Harm.NOTE: "Good to know"}
"""Harm -> what its faults stand under."""


def checked_lines(session: Session, found: Checked) -> list[Line]:
    """Each take's mics as measured, then what is wrong, the worst first."""
    lines: list[Line] = []
    for take, mics in found.mics.items():
        lines += [BLANK, ("head", plain(f"{take}, as recorded")), *_mic_lines(mics, speed_of_sound(session.air_c))]
    if not found.findings:
        return [*lines, BLANK, ("head", f"Nothing wrong was found in {counted(len(found.mics), 'take')}.")]
    for harm, head in HEADS.items():
        mine = _alike(each for each in found.findings if each.harm is harm)
        if mine:
            lines += [BLANK, ("head", head), *(line for each in mine for line in _finding_lines(each))]
    return lines


def _alike(findings: Iterable[Finding]) -> list[Finding]:
    """What is said of several places in the same words is said once, of all of them."""
    by_text: dict[tuple[str, str], list[Finding]] = {}
    for each in findings:
        by_text.setdefault((each.problem.what, each.problem.todo), []).append(each)
    return [same[0] if len(same) == 1 else
            replace(same[0], problem=Problem(", ".join(each.problem.where for each in same), what, todo), at_s=())
            for (what, todo), same in by_text.items()]


def _finding_lines(found: Finding) -> list[Line]:
    """Where and what, and when; then what to do about it, set in."""
    when = f" (at {found.places})" if found.at_s else ""
    return [("warn", plain(f"  {found.problem.where}: {found.problem.what}{when}")),
            ("quiet", plain(f"      {found.problem.todo}"))]


def _mic_lines(mics: tuple[MicMeasures, ...], metres_a_second: float) -> list[Line]:
    """A table: level, noise, and how much further than its own close mic each drum is."""
    drums = list(dict.fromkeys(drum for mic in mics for drum in mic.delay_ms))
    rows = [["mic", "peak dBFS", "noise dBFS", *(f"{drum}, m" for drum in drums)]]
    rows += [[mic.mic, _figure(mic.peak_dbfs), _figure(mic.noise_dbfs),
              *(_figure(None if (delay := mic.delay_ms.get(drum)) is None else delay / 1e3 * metres_a_second)
                for drum in drums)] for mic in mics]
    head, *body = table(rows, indent=2)
    return [("quiet", head), *(("text", line) for line in body)]


def _figure(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f}".replace("-0.0", "0.0")


def checked_record(found: Checked) -> Mapping[str, Any]:
    """The same as plain types, for programs."""
    return {
        "findings": [{"harm": each.harm.name.lower(), "where": each.problem.where, "what": each.problem.what,
                      "todo": each.problem.todo, "at_s": [round(at, 3) for at in each.at_s]}
                     for each in found.findings],
        "measured": {take: [{"mic": mic.mic, "peak_dbfs": _rounded(mic.peak_dbfs),
                             "noise_dbfs": _rounded(mic.noise_dbfs),
                             "delay_ms": {drum: round(delay, 3) for drum, delay in mic.delay_ms.items()}}
                            for mic in mics] for take, mics in found.mics.items()}}


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)
