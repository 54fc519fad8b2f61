"""The page in every kit, and what the command line says about sessions and kits."""

from oneshot.kit.report.page import NAME as PAGE
from oneshot.kit.report.page import write_report

__all__ = ["PAGE", "write_report"]
