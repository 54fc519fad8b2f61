"""Choose: which hits become one-shots, in which velocity layer and as which round robin, and why each other one does
not.

Velocity layers are cut where the strengths found have gaps: natural breaks (Fisher 1958, the partition of a sorted
list that leaves the least variance inside its parts, by dynamic programming; from memory), as many as the recipe
allows and the span of strengths carries. Inside a layer the cleanest hits are kept, as near to each other in strength
as the recipe asks.

MIDI velocities follow the law that General MIDI players use by default, 40·log10(v/127) dB (SoundFont 2.04 section
8.4.1; see docs/methods.md): the border between two layers lies where that law puts the level halfway between theirs,
so that a velocity asks for the layer that was recorded at about its level.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from oneshot.model import Floats, Frames, Hit
from oneshot.settings import GRADES, Choosing


@dataclass(frozen=True, slots=True)
class Pick:
    """A hit that becomes a one-shot."""

    hit: int
    layer: int
    round_robin: int
    velocity: tuple[int, int]


@dataclass(frozen=True, slots=True)
class Chosen:
    """All hits with layer, kept, fallback and reason filled in, and the picks in order of drum, layer, round robin."""

    hits: tuple[Hit, ...]
    picks: tuple[Pick, ...]


def choose(hits: Sequence[Hit], grades: Mapping[int, str], *, clean_db: Mapping[int, float], choosing: Choosing,
           rejected: frozenset[int] = frozenset(), wanted: frozenset[int] = frozenset()) -> Chosen:
    """Choose the one-shots of a kit.

    ``grades``: each hit's grade in its drum's own close mics; ``clean_db``: everything else against it in its home
    mic, dB; ``rejected``, ``wanted``: what the user overruled.
    """
    groups: dict[tuple[str, str], list[Hit]] = {}
    for hit in hits:
        groups.setdefault((hit.drum, hit.articulation), []).append(hit)
    out = {hit.id: hit for hit in hits}
    picks: list[Pick] = []
    for key in sorted(groups):
        changed, more = _choose_group(groups[key], grades, clean_db, choosing, rejected, wanted)
        out.update({hit.id: hit for hit in changed})
        picks.extend(more)
    return Chosen(tuple(out[hit.id] for hit in hits), tuple(picks))


def _choose_group(hits: list[Hit], grades: Mapping[int, str], clean_db: Mapping[int, float], choosing: Choosing,
                  rejected: frozenset[int], wanted: frozenset[int]) -> tuple[list[Hit], list[Pick]]:
    """Choose within one drum and articulation."""
    why = {hit.id: _unfit(hit, grades[hit.id], choosing.grade, rejected) for hit in hits}
    good = [h for h in hits if h.id in wanted or why[h.id] is None]
    fallback = not good and choosing.fallback
    if fallback:
        good = _best_there_is(hits, clean_db, rejected, choosing)
    levels = {h.id: h.level_db for h in good if h.level_db is not None}
    good = [h for h in good if h.id in levels]
    if not good:
        return [replace(h, reason=why[h.id]) for h in hits], []
    borders = layer_borders(np.array(sorted(levels.values())), choosing.layers, choosing.layer_step_db)
    layer = {h.id: 1 + int(np.searchsorted(borders, h.level_db)) for h in hits if h.level_db is not None}
    kept: list[Pick] = []
    ranges = velocity_ranges([_middle(levels, layer, n) for n in range(1, len(borders) + 2)])
    for n in range(1, len(borders) + 2):
        inside = [h for h in good if layer[h.id] == n]
        taken, left = _alternates(inside, clean_db, choosing, wanted)
        kept.extend(Pick(h.id, n, k, ranges[n - 1]) for k, h in enumerate(taken, 1))
        why.update(left)
    ids = {pick.hit for pick in kept}
    return [replace(h, layer=layer.get(h.id), kept=h.id in ids, fallback=fallback and h.id in ids,
                    reason=(why[h.id] if fallback else None) if h.id in ids else why[h.id]) for h in hits], kept


def _unfit(hit: Hit, grade: str, asked: str, rejected: frozenset[int]) -> str | None:
    """Why a hit cannot be kept, in plain words; None where nothing speaks against it."""
    if hit.id in rejected:
        return "rejected by hand"
    if hit.ornament is not None:
        return f"part of a {hit.ornament.kind}"
    if GRADES.index(grade) > GRADES.index(asked):
        if hit.partners:
            others = " and ".join(p.drum for p in hit.partners)
            return f"struck together with {others}: grade {grade}, {asked} asked for"
        return f"not alone in its own mics: grade {grade}, {asked} asked for"
    if hit.level_db is None:
        return "its strength cannot be told"
    return None


def _best_there_is(hits: Sequence[Hit], clean_db: Mapping[int, float], rejected: frozenset[int],
                   choosing: Choosing) -> list[Hit]:
    """The cleanest hits of a group in which none reaches the grade: those within 6 dB of the best, at most one set."""
    able = sorted((h for h in hits if h.id not in rejected and h.level_db is not None),
                  key=lambda h: (clean_db[h.id], h.id))
    if not able:
        return []
    limit = clean_db[able[0].id] + 6.0
    return [h for h in able if clean_db[h.id] <= limit][: max(1, choosing.round_robins)]


def _alternates(hits: Sequence[Hit], clean_db: Mapping[int, float], choosing: Choosing,
                wanted: frozenset[int]) -> tuple[list[Hit], dict[int, str | None]]:
    """The round robins of a layer, cleanest first, and why the others are left out."""
    if not hits:
        return [], {}
    middle = float(np.median([h.level_db for h in hits if h.level_db is not None]))

    def order(hit: Hit) -> tuple[bool, float, float, int]:
        # differences in cleanness below 3 dB are not worth an uneven layer
        dirt = round(max(clean_db[hit.id], -60.0) / 3)
        return (hit.id not in wanted, dirt, abs((hit.level_db or 0.0) - middle), hit.id)

    taken: list[Hit] = []
    left: dict[int, str | None] = {}
    for hit in sorted(hits, key=order):
        away = abs((hit.level_db or 0.0) - middle)
        if hit.id not in wanted and away > choosing.spread_db and (taken or len(hits) > 1):
            left[hit.id] = f"{away:.1f} dB off its layer's level"
        elif hit.id not in wanted and len(taken) >= choosing.round_robins:
            left[hit.id] = f"its layer has {choosing.round_robins} cleaner or more even alternates"
        else:
            taken.append(hit)
    if not taken:  # two hits far apart: the cleaner one stands for the layer
        best = min(hits, key=order)
        taken.append(best)
        left.pop(best.id, None)
    return taken, left


def _middle(levels: Mapping[int, float], layer: Mapping[int, int], number: int) -> float:
    return float(np.median([level for hit, level in levels.items() if layer[hit] == number]))


def layer_borders(levels: Floats, most: int, step_db: float) -> list[float]:
    """Borders between velocity layers, rising, in dB; none where one layer is all there is.

    ``levels``: float64 (hits,), rising. At most ``most`` layers, neighbours at least ``step_db`` apart in their mean,
    and none of a single hit, save where the span leaves room for steps three times as large: then a lone hit far from
    the rest is a layer.
    """
    span = float(levels[-1] - levels[0])
    count = min(most, max(1, len(levels) // 2), 1 + int(span / step_db))
    back = _last_starts(levels, count)
    while count > 1:
        starts = _breaks(back, count)
        parts = np.split(levels, starts)
        means = np.array([p.mean() for p in parts])
        peopled = min(len(p) for p in parts) >= 2 or count <= 1 + int(span / (3 * step_db))
        if np.diff(means).min() >= step_db and peopled:
            return [float((levels[s - 1] + levels[s]) / 2) for s in starts]
        count -= 1
    return []


def natural_breaks(values: Floats, count: int) -> list[int]:
    """Where each part but the first starts, for the split of sorted values into ``count`` parts of least variance
    inside.
    """
    return _breaks(_last_starts(values, count), count)


def _breaks(back: Frames, count: int) -> list[int]:
    """The starts of ``count`` parts, read back from the table of ``_last_starts``."""
    out, stop = [], back.shape[1] - 1
    for part in range(count - 1, 0, -1):
        stop = int(back[part, stop])
        out.append(stop)
    return out[::-1]


def _last_starts(values: Floats, most: int) -> Frames:
    """Where the last of ``part + 1`` parts starts in the best split of the first ``stop`` values (part, stop).

    One table serves every number of parts up to ``most``. The best start never moves back as ``stop`` grows, so each
    row is filled middle first and the search halved on both sides: n·log n steps, not n², for the 10,000 strokes of a
    hat (Wu 1991, the optimal quantization by matrix searching, J. Algorithms 12; from memory).
    """
    n = len(values)
    total, square = np.r_[0.0, np.cumsum(values)], np.r_[0.0, np.cumsum(values**2)]

    def cost(first: Frames, stop: int) -> Floats:
        inside = square[stop] - square[first] - (total[stop] - total[first]) ** 2 / (stop - first)
        out: Floats = np.maximum(inside, 0.0)
        return out

    best = np.array([np.inf, *[float(cost(np.zeros(1, np.int64), stop)[0]) for stop in range(1, n + 1)]])
    back = np.zeros((most, n + 1), np.int64)
    for part in range(1, most):
        new = np.full(n + 1, np.inf)
        todo = [(part + 1, n, part, n - 1)]  # stops, and the starts among which their best lies, both ends included
        while todo:
            low, high, first, last = todo.pop()
            if low > high:
                continue
            stop = (low + high) // 2
            starts = np.arange(first, min(last, stop - 1) + 1)
            sums = best[starts] + cost(starts, stop)
            top = int(sums.argmin())
            new[stop], back[part, stop] = sums[top], starts[top]
            todo += [(low, stop - 1, first, int(starts[top])), (stop + 1, high, int(starts[top]), last)]
        best = new
    return back


def velocity_ranges(levels_db: Sequence[float]) -> list[tuple[int, int]]:
    """Inclusive MIDI ranges of layers from soft to hard that tile 1 to 127, by the level of each.

    The hardest layer's level is velocity 127; each range holds at least one velocity.
    """
    top = levels_db[-1]
    middles = [(a + b) / 2 for a, b in pairwise(levels_db)]
    limits = [127 * 10 ** ((m - top) / 40) for m in middles]
    out, low = [], 1
    for k, limit in enumerate(limits):
        last = 127 - (len(limits) - k)
        high = int(min(max(round(limit), low), last))
        out.append((low, high))
        low = high + 1
    return [*out, (low, 127)]
