"""Coverage: what of a recording list a session has, and what is still to be played.

A hit can be used where its own close mics are graded A or B. The wanted span lies below the hardest usable hit of a
drum, in three equal parts: soft, medium and hard; hits spread evenly over them make even layers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from oneshot.analysis.result import Analysis, FoundDrum
from oneshot.config.recording_list import Wanted
from oneshot.core.records.hits import Hit
from oneshot.core.records.session import Session

STRENGTHS = ("soft", "medium", "hard")
USABLE = ("A", "B")


@dataclass(frozen=True, slots=True)
class Covered:
    """One line of the list for one drum and articulation that was found, or for nothing found yet (``drum`` empty).

    ``usable``: hits per strength, soft to hard; ``short``: how many of those the next hit cuts off before their tail is
    as long as wanted; ``missing``: hits still to be played per strength.
    """

    wanted: Wanted
    drum: str
    articulation: str
    usable: tuple[int, ...]
    short: int
    missing: tuple[int, ...]


def covered(session: Session, found: Analysis, grades: Mapping[int, str], wanted: Sequence[Wanted]) -> list[Covered]:
    """The list, line by line, against what was found. ``grades``: hit id -> grade in its own close mics."""
    out: list[Covered] = []
    for line in wanted:
        drums = [drum for drum in found.drums if drum.name == line.drum] or \
            [drum for drum in found.drums if drum.kind == line.drum]
        rows = [_of_articulation(session, found, grades, line, drum, way) for drum in drums
                for way in _ways(found, drum, line)]
        out += rows or [Covered(line, "", "", (0,) * len(STRENGTHS), 0, _missing(line, (0,) * len(STRENGTHS)))]
    return out


def _ways(found: Analysis, drum: FoundDrum, line: Wanted) -> list[str]:
    """The articulations of a drum that a line speaks of, the most frequent first; without a word of it, that one."""
    counts: dict[str, int] = {}
    for hit in found.hits:
        if hit.drum == drum.name and line.articulation in ("", hit.articulation):
            counts[hit.articulation] = counts.get(hit.articulation, 0) + 1
    ways = sorted(counts, key=lambda way: (-counts[way], way))
    return ways if line.articulation else ways[:1]


def _of_articulation(session: Session, found: Analysis, grades: Mapping[int, str], line: Wanted, drum: FoundDrum,
                     way: str) -> Covered:
    """One drum and articulation."""
    hits = [hit for hit in found.hits if (hit.drum, hit.articulation) == (drum.name, way)
            and grades[hit.id] in USABLE and hit.level_db is not None]
    level = np.array([hit.level_db for hit in hits], np.float64)
    part = line.span_db / len(STRENGTHS)
    top = float(level.max()) if len(level) else 0.0
    strength = np.clip(len(STRENGTHS) - 1 - np.floor((top - level) / part), 0, len(STRENGTHS) - 1).astype(np.int64)
    usable = tuple(int((strength == n).sum()) for n in range(len(STRENGTHS)))
    short = sum(_tail_s(session, found, hit, drum.home) < line.tail_s for hit in hits)
    return Covered(line, drum.name, way, usable, short, _missing(line, usable))


def _missing(line: Wanted, usable: Sequence[int]) -> tuple[int, ...]:
    """Hits still to be played per strength."""
    each = -(-line.hits // len(STRENGTHS))
    return tuple(max(0, each - count) for count in usable)


def _tail_s(session: Session, found: Analysis, hit: Hit, home: str) -> float:
    """How long a hit may decay in its home mic until the next stroke, s."""
    take = session.take(hit.take)
    follows = found.next_stroke(hit, [home], take.sample_rate)
    return ((take.frames if follows is None else follows) - hit.onset) / take.sample_rate
