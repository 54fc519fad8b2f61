"""Batch: many sessions, one kit each; one that fails stops no other, and what is finished is not built again."""

from __future__ import annotations

from typing import TYPE_CHECKING

from oneshot.core.lazy import face

__all__ = ["Asked", "Outcome", "build_all", "places", "record"]

if TYPE_CHECKING:
    from oneshot.batch.one_session import Asked, Outcome, record
    from oneshot.batch.run import build_all, places
else:
    __getattr__, __dir__ = face(__name__, {
        "Asked": "one_session", "Outcome": "one_session", "build_all": "run", "places": "run",
        "record": "one_session"})
