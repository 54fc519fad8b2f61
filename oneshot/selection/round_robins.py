"""Round robins: which hits of a velocity layer take turns, and in plain words why each other one does not.

Round robins should vary as strokes do and in nothing else: within a decibel and some cents of each other, tails of
similar length, none a copy of another. So the layer is searched for the set that keeps the most of its tails: of all
windows of level that are narrow enough, and within each the fullest windows of pitch and of length, the one with the
largest sum of tail kept, relative to the uncut tails of the layer, wins. A long open hat is thus worth more than three
truncated ones, and five kicks that lost a little of their tails more than one that lost none.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from oneshot.analysis.measurement.similarity import Measured, is_copy
from oneshot.config.recipe import Choosing
from oneshot.core.records.hits import Hit
from oneshot.core.records.session import Floats, Frames

DIRT_STEP_DB = 3.0
"""Differences in bleed below this are not worth an uneven layer."""
CLEANEST_DB = -60.0
WIDER, MOST_SPREAD_DB = 1.5, 20.0
MOST_ROUNDS = 100
BEATEN = "its layer has {} cleaner or better matched round robins"
SHORTEST_S = 0.001
"""Tails shorter than this count as this long: one that is cut at its attack has no length to compare by ratio."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A hit that may become a round robin. ``clean_db``: its bleed; ``pitch_hz`` and ``measured`` are None where not
    known; ``place``: where it is in the recording, in words.
    """

    hit: Hit
    level_db: float
    clean_db: float
    pitch_hz: float | None = None
    measured: Measured | None = None
    place: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class _Layer:
    """The hits of a layer as columns (hits,): level, dB; pitch, cents; tail, s; share of it kept; bleed. NaN is not
    known.
    """

    level: Floats
    pitch: Floats
    length: Floats
    share: Floats
    dirt: Floats


def alternates(layer: Sequence[Candidate], choosing: Choosing,
               wanted: frozenset[int] = frozenset()) -> tuple[list[Candidate], dict[int, str]]:
    """The round robins of a layer, cleanest first, and why each of the others (hit id -> words) is left out.

    Where no two are even enough, two up to half as far again off the middle serve: they are better than one.
    ``wanted``: ids of hits that take turns whatever they are like.
    """
    some = sorted(layer, key=lambda c: c.hit.id)
    if not some:
        return [], {}
    for spread_db in (choosing.spread_db, WIDER * choosing.spread_db):
        taken, left = _different(some, replace(choosing, spread_db=min(spread_db, MOST_SPREAD_DB)), wanted)
        if len(taken) > 1:
            break
    return taken, left


def _different(some: Sequence[Candidate], choosing: Choosing,
               wanted: frozenset[int]) -> tuple[list[Candidate], dict[int, str]]:
    """The round robins within the recipe's tolerance, none a copy of another, and why the others are left out.

    Copies are searched for among those that were about to take turns; the layer is then searched again without them,
    since its best set may lie elsewhere.
    """
    copies: dict[int, str] = {}
    for _ in range(MOST_ROUNDS):
        taken, why_not = _even([c for c in some if c.hit.id not in copies], choosing, wanted)
        more = _copies(taken, wanted)
        if not more:
            break
        copies.update(more)
    return [c for c in taken if c.hit.id not in copies], {**why_not(), **copies}


def _even(some: Sequence[Candidate], choosing: Choosing,
          wanted: frozenset[int]) -> tuple[list[Candidate], Callable[[], dict[int, str]]]:
    """The round robins within the recipe's tolerance, and a function that gives the reasons of the others: only the
    last search through a layer needs it.
    """
    columns = _columns(some)
    rows = _best_set(columns, choosing)
    middle = np.array([np.median(columns.level[rows]), _known_median(columns.pitch[rows]),
                       _known_median(columns.length[rows])])
    chosen = set(rows.tolist())

    def order(k: int) -> tuple[bool, float, float, int]:
        """What the user wants first, then the cleanest, then the nearest to the layer's middle."""
        return some[k].hit.id not in wanted, columns.dirt[k], abs(columns.level[k] - middle[0]), some[k].hit.id

    taken: list[Candidate] = []
    left: list[int] = []
    for k in sorted(range(len(some)), key=order):
        if some[k].hit.id in wanted or (k in chosen and len(taken) < choosing.round_robins):
            taken.append(some[k])
        else:
            left.append(k)

    def why_not() -> dict[int, str]:
        """The reason of each that is left out."""
        return {some[k].hit.id: BEATEN.format(choosing.round_robins) if k in chosen else
                _outside_tolerance(columns, k, middle, choosing) for k in left}

    return taken, why_not


def _columns(some: Sequence[Candidate]) -> _Layer:
    """The candidates as columns."""
    length = np.array([max(c.measured.length_s, SHORTEST_S) if c.measured is not None else np.nan for c in some])
    whole = np.array([c.measured is not None and c.measured.whole for c in some])
    known = length[whole] if whole.any() else length[~np.isnan(length)]
    usual = (float(np.median(known)) if whole.any() else float(known.max())) if len(known) else np.nan
    share = np.where(whole | np.isnan(length), 1.0, np.minimum(1.0, length / usual))
    return _Layer(np.array([c.level_db for c in some]),
                  np.array([1200 * np.log2(c.pitch_hz) if c.pitch_hz else np.nan for c in some]), length, share,
                  np.array([round(max(c.clean_db, CLEANEST_DB) / DIRT_STEP_DB) for c in some], np.float64))


def _best_set(columns: _Layer, choosing: Choosing) -> Frames:
    """The rows of the set that keeps the most of its tails, the cleanest and most typical of those that keep as
    much.
    """
    typical = float(np.median(columns.level))
    order = np.argsort(columns.level, kind="stable")
    level, length, most = columns.level[order], np.log(columns.length), choosing.round_robins
    stop = np.searchsorted(level, level + 2 * choosing.spread_db + 1e-9, "right").tolist()
    best, found = order[:1], (-1.0, 0.0, 0.0)
    for at, last in enumerate(stop):
        rows = order[at:last]
        if _at_most(columns.share[rows], most) < found[0]:  # what is left of them below holds no more
            continue
        rows = _fullest(rows, columns.pitch, columns.share, 2 * choosing.spread_cents)
        if choosing.length_share > 0:
            rows = _fullest(rows, length, columns.share, -float(np.log(choosing.length_share)))
        first = rows[np.argsort(columns.dirt[rows], kind="stable")][:most]
        merit = (round(float(columns.share[first].sum()), 3), -float(columns.dirt[first].mean()),
                 -abs(float(np.median(columns.level[rows])) - typical))
        if merit > found:
            best, found = rows, merit
    return np.sort(best)


def _at_most(share: Floats, count: int) -> float:
    """An upper bound of the sum of any ``count`` of the shares (hits,)."""
    largest = share if len(share) <= count else np.partition(share, len(share) - count)[len(share) - count:]
    return float(largest.sum()) + 0.001


def _fullest(rows: Frames, value: Floats, share: Floats, width: float) -> Frames:
    """Those of ``rows`` whose values lie in the window of this width that holds most of ``share``, and those whose
    value is not known.
    """
    unknown, known = rows[np.isnan(value[rows])], rows[~np.isnan(value[rows])]
    if not len(known):
        return rows
    known = known[np.argsort(value[known], kind="stable")]
    total = np.concatenate([[0.0], np.cumsum(share[known])])
    stop = np.searchsorted(value[known], value[known] + width + 1e-9, "right")
    start = int(np.argmax(np.round(total[stop] - total[:-1], 6)))
    return np.sort(np.concatenate([unknown, known[start:stop[start]]]))


def _known_median(values: Floats) -> float:
    known = values[~np.isnan(values)]
    return float(np.median(known)) if len(known) else float("nan")


def _outside_tolerance(columns: _Layer, k: int, middle: Floats, choosing: Choosing) -> str:
    """Why hit ``k`` lies outside the round-robin tolerance around ``middle`` (level, pitch, length): what it misses
    most.
    """
    level, pitch, length = columns.level[k] - middle[0], columns.pitch[k] - middle[1], columns.length[k]
    misses = {"level": abs(level) / choosing.spread_db, "pitch": abs(pitch) / choosing.spread_cents,
              "length": abs(np.log(length / middle[2])) / max(-np.log(max(choosing.length_share, 1e-6)), 1e-6)}
    worst = max(misses, key=lambda name: np.nan_to_num(misses[name], nan=-1.0))
    if worst == "length":
        return f"decay outside the round-robin tolerance: {length:.2f} s, its layer {middle[2]:.2f} s"
    if worst == "pitch":
        return (f"pitch outside the round-robin tolerance: {abs(pitch):.0f} cents {'above' if pitch > 0 else 'below'} "
                "its layer")
    return f"level outside the round-robin tolerance: {abs(level):.1f} dB off the middle of its layer"


def _copies(taken: Sequence[Candidate], wanted: frozenset[int]) -> dict[int, str]:
    """Round robins that copy one before them, hit id -> which."""
    found: dict[int, str] = {}
    for n, one in enumerate(taken):
        if one.measured is None or one.hit.id in wanted:
            continue
        for other in taken[:n]:
            if other.hit.id not in found and other.measured is not None and is_copy(one.measured, other.measured):
                found[one.hit.id] = f"duplicate of the hit at {other.place}"
                break
    return found


def places(hits: Sequence[Hit], rates: Mapping[str, int]) -> dict[int, str]:
    """Where each hit is in the recording, hit id -> words: "12.34 s of take 1"."""
    return {h.id: f"{h.onset / rates[h.take]:.2f} s of {h.take}" if h.take in rates else f"frame {h.onset} of {h.take}"
            for h in hits}
