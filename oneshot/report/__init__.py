"""The page in every kit, and what the command line says about sessions and kits."""

from oneshot.report.page import write_report

__all__ = ["write_report"]
