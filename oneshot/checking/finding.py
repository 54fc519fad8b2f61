"""Findings: what is wrong with a take, how much harm it does, and where it is to be heard."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum

from oneshot.core.records.session import Problem

PLACES = 3
"""Places that are named; of more their number is told."""


class Harm(IntEnum):
    """What a fault costs, the worst first."""

    LOST = 1
    """Nothing of the take can be mended there: record it again."""
    WRONG = 2
    """Everything that is computed from that mic is wrong until it is put right."""
    POOR = 3
    """Samples are worse than they need be."""
    NOTE = 4
    """Good to know."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault: where, what and what to do; ``at_s``: seconds of the take at which it is to be heard, in order."""

    harm: Harm
    problem: Problem
    at_s: tuple[float, ...] = ()

    @property
    def places(self) -> str:
        """The first places, as minutes and seconds; empty where it is everywhere."""
        named = ", ".join(f"{int(at // 60)}:{at % 60:04.1f}" for at in self.at_s[:PLACES])
        more = len(self.at_s) - PLACES
        return f"{named} and {more} more" if more > 0 else named


def in_order(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Findings in order of harm, then of place."""
    return tuple(sorted(findings, key=lambda each: (each.harm, each.problem, each.at_s)))
