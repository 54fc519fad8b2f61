"""History: the steps that led to where the decisions stand, for going back and forward again.

A step is one decision: how it changed the text of corrections.toml, or where it put a mic in the balance that
recipe.toml says. What stood before and after it is known by a digest, so that a step is only ever taken back from where
it led to, and done again from where it began; what another hand wrote ends the way.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

MOST_STEPS = 200
"""How many steps are kept."""

Fader = Mapping[str, Any]
Faders = Mapping[str, Fader]
"""Mic -> what recipe.toml says of its place in the balance, as plain types."""


@dataclass(frozen=True, slots=True)
class Stand:
    """Where the decisions stand: the text of corrections.toml, and the faders that recipe.toml says."""

    text: str
    faders: Faders

    @property
    def digest(self) -> str:
        """By which it is known again."""
        return hashlib.sha256(json.dumps([self.text, self.faders], sort_keys=True).encode("utf-8")).hexdigest()


@dataclass(frozen=True, slots=True)
class Step:
    """One decision. ``at``: where in the text ``out`` was taken away and ``put`` written; ``faders``: mic -> what was
    said of it before and after, None for nothing; ``about``: what it was, for the page.
    """

    before: str
    after: str
    at: int = 0
    out: str = ""
    put: str = ""
    faders: Mapping[str, tuple[Fader | None, Fader | None]] = field(default_factory=dict)
    about: Mapping[str, Any] = field(default_factory=dict)

    def back(self, now: Stand) -> Stand:
        """Where the decisions stood before it."""
        return self._moved(now, self.put, self.out, 0)

    def again(self, now: Stand) -> Stand:
        """Where they stand after it."""
        return self._moved(now, self.out, self.put, 1)

    def _moved(self, now: Stand, old: str, new: str, side: int) -> Stand:
        text = now.text[:self.at] + new + now.text[self.at + len(old):]
        faders = {mic: fader for mic, fader in now.faders.items() if mic not in self.faders}
        for mic, both in self.faders.items():
            fader = both[side]
            if fader is not None:
                faders[mic] = fader
        return Stand(text, faders)


def step_between(before: Stand, after: Stand, about: Mapping[str, Any]) -> Step:
    """The step that leads from one stand to another."""
    same = min(len(before.text), len(after.text))
    start = next((i for i in range(same) if before.text[i] != after.text[i]), same)
    end = next((i for i in range(same - start) if before.text[-1 - i] != after.text[-1 - i]), same - start)
    mics = sorted({*before.faders, *after.faders})
    moved = {mic: (before.faders.get(mic), after.faders.get(mic)) for mic in mics
             if before.faders.get(mic) != after.faders.get(mic)}
    return Step(before.digest, after.digest, start, before.text[start:len(before.text) - end],
                after.text[start:len(after.text) - end], moved, about)


@dataclass(frozen=True, slots=True)
class History:
    """Steps in order; the first ``count`` of them stand, the others were taken back."""

    steps: tuple[Step, ...] = ()
    count: int = 0

    @property
    def last(self) -> Step | None:
        """The step that can be taken back."""
        return self.steps[self.count - 1] if self.count else None

    @property
    def next(self) -> Step | None:
        """The step that can be done again."""
        return self.steps[self.count] if self.count < len(self.steps) else None

    def with_step(self, step: Step) -> History:
        """One step further; what was taken back before it is gone."""
        steps = (*self.steps[:self.count], step)[-MOST_STEPS:]
        return History(steps, len(steps))

    def moved(self, by: int) -> History:
        """One step back (-1) or forward (1)."""
        return History(self.steps, self.count + by)

    def settled(self, now: Stand) -> History:
        """The same history where the decisions stand so; an empty one where none of its steps leads there.

        A process that was killed may have noted one step more or less than it did.
        """
        digest = now.digest
        ends = [*(step.before for step in self.steps[:1]), *(step.after for step in self.steps)]
        there = [count for count, end in enumerate(ends) if end == digest]
        return History(self.steps, min(there, key=lambda count: abs(count - self.count))) if there else History()

    def record(self) -> dict[str, Any]:
        """As plain types, for a file."""
        return {"count": self.count, "steps": [asdict(step) for step in self.steps]}


def read_history(record: object) -> History:
    """A history from plain types; an empty one where they are none."""
    try:
        if not isinstance(record, dict):
            return History()
        steps = tuple(_step(row) for row in record["steps"])
        return History(steps, min(max(int(record["count"]), 0), len(steps)))
    except (KeyError, TypeError, ValueError, AttributeError):
        return History()


def _step(row: Mapping[str, Any]) -> Step:
    """Raises KeyError, TypeError, ValueError."""
    faders = {str(mic): (before, after) for mic, (before, after) in row["faders"].items()}
    if any(not isinstance(each, dict | None) for both in faders.values() for each in both):
        raise TypeError("a fader is a table")
    return Step(str(row["before"]), str(row["after"]), int(row["at"]), str(row["out"]), str(row["put"]), faders,
                dict(row["about"]))
