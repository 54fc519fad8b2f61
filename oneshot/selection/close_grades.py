"""Close grades: how clean a hit is in its drum's own close mics, as selection asks for and a one-shot is graded."""

from __future__ import annotations

from oneshot.analysis.result import Analysis
from oneshot.core.records.hits import Hit
from oneshot.core.records.session import Session


def close_grades(session: Session, found: Analysis) -> dict[int, str]:
    """Hit id -> its grade, A to D."""
    homes = {d.name: d.home for d in found.drums}
    return {hit.id: close_grade(session, found, hit, homes.get(hit.drum, "")) for hit in found.hits}


def close_grade(session: Session, found: Analysis, hit: Hit, home: str) -> str:
    """The worst grade of a hit in its drum's own close mics; that in its ``home`` mic where it has none."""
    rows = found.grades[hit.id]
    own = [m.name for m in session.take(hit.take).mics if m.stands_at(hit.drum) and m.name in rows]
    return max([rows[name] for name in own] or [rows.get(home, "D")])
