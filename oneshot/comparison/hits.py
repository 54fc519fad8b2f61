"""Which hits are compared: of one drum and articulation, of like strength, the same ones in all mics of a take.

A hard stroke is brighter than a soft one, so only hits within ``WITHIN_DB`` of the level that most takes reach are held
against each other; of those the cleanest, by the mic in which they are least clean.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from statistics import median

import numpy as np

from oneshot.core.records.hits import Hit

WITHIN_DB = 1.5
STROKES = 8
"""Hits of a take that are compared at most."""
CLEAN_DB = -10.0
"""Bleed above this makes a hit another drum's as well; a mic in which most hits are so is marked."""


def of_similar_level(hits: Sequence[Hit]) -> dict[str, list[Hit]]:
    """Take -> its hits of like strength, of one drum and articulation; takes that have none are left out.

    The level is the one around which most takes have hits, up to ``STROKES`` each counting; the hardest of equals,
    which stands clearest of the noise.
    """
    able = sorted((h for h in hits if h.level_db is not None and h.ornament is None and not h.partners),
                  key=lambda h: (h.level_db or 0.0, h.id))
    if not able:
        return {}
    level = np.array([h.level_db for h in able], np.float64)
    takes = sorted({h.take for h in able})
    rows = {take: np.array([h.take == take for h in able]) for take in takes}

    def coverage(at: float) -> tuple[int, int]:
        """How many takes have hits of about that level, and how many hits."""
        near = np.abs(level - at) <= WITHIN_DB
        counts = [min(int((near & mine).sum()), STROKES) for mine in rows.values()]
        return sum(n > 0 for n in counts), sum(counts)

    best = max(dict.fromkeys(level[::-1].tolist()), key=coverage)
    near = [h for h in able if h.level_db is not None and abs(h.level_db - best) <= WITHIN_DB]
    return {take: mine for take in takes if (mine := [h for h in near if h.take == take])}


def usual_ways(hits: Sequence[Hit]) -> dict[str, str]:
    """Drum -> the articulation that most takes have, of those the most frequent."""
    by_drum: dict[str, dict[str, list[Hit]]] = {}
    for hit in hits:
        by_drum.setdefault(hit.drum, {}).setdefault(hit.articulation, []).append(hit)
    return {drum: min(ways, key=lambda way: (-len({h.take for h in ways[way]}), -len(ways[way]), way))
            for drum, ways in sorted(by_drum.items())}


def clean_ones(hits: Sequence[Hit], home: str) -> list[Hit]:
    """Of each take the hits that are clean in their drum's home mic; all of a take's where it has none."""
    clean = [h for h in hits if is_clean(h, home)]
    takes = {h.take for h in clean}
    return [*clean, *(h for h in hits if h.take not in takes)]


def cleanest(hits: Iterable[Hit], mics: Sequence[str]) -> list[Hit]:
    """The hits to be measured, up to ``STROKES``, those first whose bleed is lowest in the worst of these mics; where
    it is known in none, last.
    """
    def worst(hit: Hit) -> tuple[float, int]:
        """Bleed in the worst mic, and the hit's number between equals."""
        known = [bleed for mic in mics if (bleed := hit.bleed_db.get(mic)) is not None]
        return max(known, default=np.inf), hit.id

    return sorted(hits, key=worst)[:STROKES]


def is_clean(hit: Hit, mic: str) -> bool:
    """Whether bleed is known in that mic and low enough."""
    bleed = hit.bleed_db.get(mic)
    return bleed is not None and bleed <= CLEAN_DB


def mostly_clean(hits: Sequence[Hit], mic: str) -> bool:
    """Whether the median bleed of the hits in a mic is low enough; False where it is not known."""
    known = [bleed for hit in hits if (bleed := hit.bleed_db.get(mic)) is not None]
    return bool(known) and median(known) <= CLEAN_DB
