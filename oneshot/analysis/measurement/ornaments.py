"""Ornaments: strokes of one drum so close together that they are one gesture (flam, drag, roll), tied to each other.

A flam is a soft stroke 20 to 40 ms before the main one, a drag two or three of them, a roll goes on. Each stroke keeps
its row; the tie says that none of them is a single hit. (common practice, no source)
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from oneshot.core.records.hits import Hit, Ornament

CLOSEST_S, FURTHEST_S = 0.015, 0.055
"""Strokes of one ornament lie this far apart: closer ones are one event, and 55 ms is a sixteenth at 270 BPM, which is
played as a rhythm.
"""


def tie(hits: Sequence[Hit], rates: Mapping[str, int]) -> tuple[Hit, ...]:
    """The same hits with the strokes of each ornament tied.

    ``rates``: sample rate of each take. Ornaments are numbered from 1 on in the order of their first stroke.
    """
    order = sorted(hits, key=lambda h: (h.take, h.onset, h.id))
    groups: list[list[Hit]] = []
    last: dict[tuple[str, str], list[Hit]] = {}
    for hit in order:
        before = last.get((hit.take, hit.drum))
        if before and CLOSEST_S <= (hit.onset - before[-1].onset) / rates[hit.take] <= FURTHEST_S:
            before.append(hit)
        else:
            last[hit.take, hit.drum] = [hit]
            groups.append(last[hit.take, hit.drum])
    tied: dict[int, Ornament] = {}
    for number, group in enumerate((g for g in groups if len(g) > 1), 1):
        kind = "flam" if len(group) == 2 else "drag" if len(group) <= 4 else "roll"
        tied.update({hit.id: Ornament(kind, number) for hit in group})
    return tuple(replace(hit, ornament=tied.get(hit.id)) for hit in hits)
