"""Comparison: mics and takes side by side, level-matched, to decide which of them earn their place."""

from __future__ import annotations

from typing import TYPE_CHECKING

from oneshot.core.lazy import face

__all__ = ["Comparison", "PAGE", "compare_lines", "compare_session", "comparison_record"]

if TYPE_CHECKING:
    from oneshot.comparison.page import NAME as PAGE
    from oneshot.comparison.run import Comparison, compare_session, comparison_record
    from oneshot.comparison.text import compare_lines
else:
    __getattr__, __dir__ = face(__name__, {
        "Comparison": "run", "PAGE": "page:NAME", "compare_lines": "text", "compare_session": "run",
        "comparison_record": "run"})
