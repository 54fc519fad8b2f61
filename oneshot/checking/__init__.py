"""Checking: what is wrong with a session's recordings, found in one pass while the mics still stand."""

from __future__ import annotations

from typing import TYPE_CHECKING

from oneshot.core.lazy import face

__all__ = ["Checked", "Finding", "Harm", "checked"]

if TYPE_CHECKING:
    from oneshot.checking.finding import Finding, Harm
    from oneshot.checking.run import Checked, checked
else:
    __getattr__, __dir__ = face(__name__, {"Checked": "run", "Finding": "finding", "Harm": "finding", "checked": "run"})
