"""What was found in a session, in the store: what the next build of it takes from there, whatever its recipe.

Hits, drums, delays and bleed depend on the recordings, on what session.toml and corrections.toml say of them and on the
program, on no other key of a recipe than which takes share a set.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from oneshot.analysis.pooling import Pooling
from oneshot.analysis.result import Findings
from oneshot.config.handling import ForAnalysis
from oneshot.core.cache.disk import Store
from oneshot.core.records.session import Problem, Session

NAME = "analysis"

Found = tuple[Findings, tuple[Problem, ...]]


@dataclass(frozen=True, slots=True, eq=False)
class _Stored:
    """What is stored: the findings, and what pooling the takes has to report."""

    findings: Findings
    problems: tuple[Problem, ...]


def load(store: Store, session: Session, told: ForAnalysis, pooling: Pooling) -> Found | None:
    """What the store holds of a session for the same ``told`` (what corrections say before hits are sorted) and
    ``pooling`` (which takes share a set); None where that is nothing, or nothing that can be used.
    """
    stored = store.load_record(_name(pooling), _params(session, told, pooling), _Stored)
    return None if stored is None else (stored.findings, stored.problems)


def save(store: Store, session: Session, told: ForAnalysis, pooling: Pooling, found: Found) -> None:
    """Keep what was found, in place of what was kept; not where hits have rendered envelopes, for those hold scans."""
    if found[0].laid is None:
        store.save_record(_name(pooling), _params(session, told, pooling), _Stored(*found))


def _name(pooling: Pooling) -> str:
    """Under what a result is stored: comparing takes, say, does not take the place of what the next build needs."""
    return NAME if pooling.how == "alike" else f"{NAME}-{pooling.how.replace(' ', '-')}"


def _params(session: Session, told: ForAnalysis, pooling: Pooling) -> dict[str, Any]:
    """All that the result depends on, save for the recordings and the program."""
    said = ([(t.take, t.frame, sorted(t.drums), t.missed) for t in told.hits], told.merged)
    asked = repr((replace(session, root=Path()), said, pooling))
    return {"asked": hashlib.sha256(asked.encode()).hexdigest()}
