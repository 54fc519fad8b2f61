"""Grades: how clean a file is over its whole length, A to D, by its worst bleed."""

from __future__ import annotations

GRADES = ("A", "B", "C", "D")
"""Cleanest first."""
MEANING = {"A": "stands alone", "B": "clean among others", "C": "as a layer", "D": "more bleed than that"}

GRADE_LIMITS_DB = {"close": {"A": -45.0, "B": -30.0, "C": -20.0}, "far": {"A": -35.0, "B": -25.0, "C": -20.0}}
"""Bleed at or below this makes the grade. Common practice, no source."""

GUARD_DB = 2.0
"""Safety margin on grades: bleed is estimated by templates, and strokes of one template vary by 2 to 3 dB in a band
(common practice, no source).
"""


def grade(worst_db: float, close: bool) -> str:
    """Grade of a file whose bleed stays at or below ``worst_db``; "D" where it is not known (NaN)."""
    for name, limit in GRADE_LIMITS_DB["close" if close else "far"].items():
        if worst_db <= limit:
            return name
    return "D"


def reaches(found: str, asked: str) -> bool:
    """Whether a grade is as good as the one asked for."""
    return GRADES.index(found) <= GRADES.index(asked)
