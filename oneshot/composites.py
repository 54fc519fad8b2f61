"""Composites: where the overheads and rooms of a hit hear other strokes, those of a cleaner one may stand in.

Same take, drum and articulation, and like strength. Both hits are laid over each other by their attacks in the home
mic: delays between mics are a drum's own, so its overheads then lie where they did.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from oneshot.found import Analysis
from oneshot.model import Hit

LIKE_DB = 1.0
"""Strengths within this are alike."""
CLEANER_DB = 3.0
"""How much cleaner another hit's far mics must be to be worth two strokes in one sound."""


def stand_in(hit: Hit, far: Sequence[str], analysis: Analysis, *, frames: int, sample_rate: int,
             without: Collection[int] = ()) -> Hit | None:
    """The hit whose mics ``far`` are cleanest, clear for ``frames`` after its attack; None where none is cleaner.

    ``without``: ids of hits that shall not be used.
    """
    worst = _worst_db(hit, far, analysis)
    if hit.level_db is None or worst is None:
        return None
    found: list[tuple[float, int, Hit]] = []
    for other in analysis.hits:
        if (other.take, other.drum, other.articulation) != (hit.take, hit.drum, hit.articulation) or other is hit:
            continue
        if other.level_db is None or abs(other.level_db - hit.level_db) > LIKE_DB or other.ornament is not None:
            continue
        clean = _worst_db(other, far, analysis)
        if other.id in without or clean is None or clean > worst - CLEANER_DB:
            continue
        following = analysis.next_stroke(other, far, sample_rate)
        if following is None or following >= analysis.attacks[other.id] + frames:
            found.append((clean, other.id, other))
    return min(found)[2] if found else None


def _worst_db(hit: Hit, far: Sequence[str], analysis: Analysis) -> float | None:
    """The worst of everything else in the mics ``far``, dB; None where it is not known in one of them."""
    known = analysis.worst_db.get(hit.id, {})
    return max(known[name] for name in far) if far and all(name in known for name in far) else None
