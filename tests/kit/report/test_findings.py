"""What check says of faults: alike ones in one line, but never without the moment that the advice needs."""

from __future__ import annotations

from pathlib import Path

from oneshot.checking.finding import Finding, Harm
from oneshot.checking.run import Checked
from oneshot.core.records.session import Problem, Session
from oneshot.kit.report.findings import checked_lines


def said(*findings: Finding) -> list[str]:
    """The lines of the faults."""
    session = Session("quay", Path("quay"), ())
    return [text for kind, text in checked_lines(session, Checked(findings, {})) if kind == "warn"]


def fault(where: str, *at_s: float) -> Finding:
    """A fault that is told in the same words everywhere."""
    return Finding(Harm.WRONG, Problem(where, "is 3 dB louder from there on", "cut it there"), at_s)


def test_one_fault_of_a_pair_is_one_line_with_its_moment() -> None:
    """Both mics at once: one line, and when."""
    (line,) = said(fault("one/OH L", 12.0), fault("one/OH R", 12.0))
    assert "one/OH L, one/OH R: is 3 dB louder" in line
    assert "0:12.0" in line


def test_faults_of_two_moments_are_two_lines() -> None:
    """Each with its own moment."""
    first, second = said(fault("one/OH L", 12.0), fault("two/OH L", 31.0))
    assert "0:12.0" in first
    assert "0:31.0" in second
