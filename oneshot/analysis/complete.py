"""Complete: what follows from the findings of a session once its takes are pooled and its corrections applied.

Only then is every hit of the drum and articulation that it stays with. Strokes of one drum make ornaments, attacks are
aligned over one articulation, and grades are stricter in a drum's own mics; so all of these come last, and once.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import fields, replace

from oneshot.analysis.measurement import ornaments
from oneshot.analysis.measurement.attacks import place_attacks
from oneshot.analysis.result import Analysis, Findings, FoundDrum
from oneshot.analysis.take_groups import set_of
from oneshot.core.records.hits import Hit
from oneshot.core.records.session import Session
from oneshot.core.workers import working


def completed(session: Session, found: Findings, *, jobs: int = 1) -> Analysis:
    """The analysis of a session, of findings that are settled. Raises AudioError where a file cannot be read."""
    hits = ornaments.tie(found.hits, {take.name: take.sample_rate for take in session.takes})
    homes = {drum.name: drum.home for drum in found.drums}
    with working(jobs):
        attacks, unplaced = place_attacks(session, hits, found.onsets_at_home(), homes, found.doubtful)
    known = {each.name: getattr(found, each.name) for each in fields(Findings) if each.init}
    return Analysis(**{**known, "hits": hits, "drums": _with_articulations(found.drums, hits)}, attacks=attacks,
                    unplaced=unplaced, grades={h.id: found.graded(h, session.take(h.take).mics) for h in hits})


def _with_articulations(drums: Sequence[FoundDrum], hits: Sequence[Hit]) -> tuple[FoundDrum, ...]:
    """The drums with their articulations by falling frequency, further sets of one after its first."""
    counts: dict[str, Counter[str]] = {drum.name: Counter() for drum in drums}
    for hit in hits:
        counts[hit.drum][hit.articulation] += 1
    return tuple(replace(drum, articulations=tuple(_in_order(counts[drum.name]))) for drum in drums)


def _in_order(counts: Counter[str]) -> list[str]:
    """Articulations, the one that was struck most often in all its sets first; sets in order of their numbers."""
    in_sets: Counter[str] = Counter()
    for way, hits in counts.items():
        in_sets[set_of(way)[0]] += hits

    def place(way: str) -> tuple[int, str, int]:
        """How often, which, and its set."""
        first, number = set_of(way)
        return -in_sets[first], first, number

    return sorted(counts, key=place)
