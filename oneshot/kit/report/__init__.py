"""The page in every kit, and what the command line says about sessions and kits."""

from __future__ import annotations

from typing import TYPE_CHECKING

from oneshot.core.lazy import face

__all__ = ["PAGE", "write_report"]

if TYPE_CHECKING:
    from oneshot.kit.report.page import NAME as PAGE
    from oneshot.kit.report.page import write_report
else:
    __getattr__, __dir__ = face(__name__, {"PAGE": "page:NAME", "write_report": "page"})
