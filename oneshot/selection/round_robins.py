"""Round robins: which hits of a velocity layer take turns, in which order, and in plain words why each other one does
not.

A mapping brings every round robin to the level that its velocity asks for, so a difference in level leaves no hit out.
Hits of another pitch or decay, which would be heard to jump when they come to their turn, are a layer of their own
where there are several of them; what is left out is one alone, a stump among whole tails, the same audio twice. Of a
layer that has more hits than take turns the cleanest do, those clean in overheads and rooms before others; the rest are
spare.

In rotation neighbours are alike. Hits are ranked by what varies most among them (first principal component of level,
brightness, pitch and decay, each in units of its own spread; Pearson 1901, Philosophical Magazine 2, from memory), and
played up the odd ranks and down the even ones: no step in the circle is longer than two ranks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, field

import numpy as np

from oneshot.analysis.measurement.similarity import Measured, brightness_db, is_copy
from oneshot.config.recipe import Choosing
from oneshot.core.records.hits import Hit
from oneshot.core.records.session import Floats, Frames

DIRT_STEP_DB = 3.0
"""Differences in bleed below this make no hit the cleaner one."""
CLEANEST_DB = -60.0
MOST_ROUNDS = 100
SPARE = "spare"
"""What the reason of a hit begins with that is fit and for which its layer has no room."""
FEWEST_OF_A_SET = 2
"""Hits that are alike are a sound that the drum makes; one may be an accident."""
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


@dataclass(frozen=True, slots=True)
class Precedence:
    """Which of a layer's hits come first, by id: ``wanted`` take turns whatever they are like, and whatever the
    limit; ``ends``, the softest and the hardest of all, whatever they are like; ``far``: in how many overheads and
    rooms they miss the grade asked for.
    """

    wanted: frozenset[int] = frozenset()
    ends: frozenset[int] = frozenset()
    far: Mapping[int, int] = field(default_factory=dict)


NO_PRECEDENCE = Precedence()


@dataclass(frozen=True, slots=True, eq=False)
class _Layer:
    """The hits of a layer as columns (hits,): level, dB; pitch, cents; tail, s; share of it kept; bleed; brightness,
    dB. NaN is not known.
    """

    level: Floats
    pitch: Floats
    length: Floats
    share: Floats
    dirt: Floats
    bright: Floats


def alternates(layer: Sequence[Candidate], choosing: Choosing,
               first: Precedence = NO_PRECEDENCE) -> tuple[list[Candidate], dict[int, str]]:
    """The round robins of a layer in rotation, beginning with the cleanest, and why each of the others (hit id ->
    words) takes no turns.

    Of hits that are the same audio one counts, and the layer is searched again without the others.
    """
    some = sorted(layer, key=lambda c: c.hit.id)
    copies: dict[int, str] = {}
    taken: list[Candidate] = []
    left: dict[int, str] = {}
    for _ in range(MOST_ROUNDS if some else 0):
        taken, left = _take([c for c in some if c.hit.id not in copies], choosing, first)
        more = _copies(taken, first.wanted)
        if not more:
            break
        copies.update(more)
    taken = [c for c in taken if c.hit.id not in copies]
    return _in_rotation(taken), {**left, **copies}


def sets_alike(layer: Sequence[Candidate], choosing: Choosing) -> list[list[Candidate]]:
    """Of the hits of a layer the sets that could take turns, the one that keeps the most of its tails first.

    Every other set has ``FEWEST_OF_A_SET`` hits at least that were left to ring: what the next stroke cut short is no
    other sound.
    """
    left, out = sorted(layer, key=lambda c: c.hit.id), list[list[Candidate]]()
    while left:
        alike = _alike(_columns(left), choosing)
        inside = [c for k, c in enumerate(left) if k in alike]
        whole = sum(c.measured is not None and c.measured.whole for c in inside)
        if not out or whole >= FEWEST_OF_A_SET:
            out.append(inside)
        left = [c for k, c in enumerate(left) if k not in alike]
    return out


def _take(some: Sequence[Candidate], choosing: Choosing, first: Precedence) -> tuple[list[Candidate], dict[int, str]]:
    """Those that take turns, the cleanest first, and why the others do not."""
    columns = _columns(some)
    alike = _alike(columns, choosing)
    middle = float(np.median(columns.level))

    def order(k: int) -> tuple[bool, bool, int, float, float, int]:
        """What the user wants first, then the ends, then the cleanest, then the nearest to the layer's middle."""
        number = some[k].hit.id
        return (number not in first.wanted, number not in first.ends, first.far.get(number, 0), columns.dirt[k],
                abs(columns.level[k] - middle), number)

    taken: list[Candidate] = []
    left: dict[int, str] = {}
    for k in sorted(range(len(some)), key=order):
        number = some[k].hit.id
        if number in first.wanted or ((k in alike or number in first.ends) and len(taken) < choosing.round_robins):
            taken.append(some[k])
        elif k in alike or number in first.ends:
            left[number] = f"{SPARE}: its layer has {choosing.round_robins} round robins, none of them less clean"
        else:
            left[number] = _jump(columns, k, sorted(alike), choosing)
    return taken, left


def _columns(some: Sequence[Candidate]) -> _Layer:
    """The candidates as columns."""
    length = np.array([max(c.measured.length_s, SHORTEST_S) if c.measured is not None else np.nan for c in some])
    whole = np.array([c.measured is not None and c.measured.whole for c in some])
    known = length[whole] if whole.any() else length[~np.isnan(length)]
    usual = (float(np.median(known)) if whole.any() else float(known.max())) if len(known) else np.nan
    share = np.where(whole | np.isnan(length), 1.0, np.minimum(1.0, length / usual))
    return _Layer(np.array([c.level_db for c in some]),
                  np.array([1200 * np.log2(c.pitch_hz) if c.pitch_hz else np.nan for c in some]), length, share,
                  np.array([round(max(c.clean_db, CLEANEST_DB) / DIRT_STEP_DB) for c in some], np.float64),
                  np.array([np.nan if c.measured is None else brightness_db(c.measured) for c in some]))


def _alike(columns: _Layer, choosing: Choosing) -> Set[int]:
    """The rows among which no pitch and no length would be heard to jump: those that keep the most of their tails."""
    rows = np.arange(len(columns.level))
    rows = _fullest(rows, columns.pitch, columns.share, 2 * choosing.spread_cents)
    if choosing.length_share > 0:
        rows = _fullest(rows, np.log(columns.length), columns.share, -float(np.log(choosing.length_share)))
    return set(rows.tolist())


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


def _jump(columns: _Layer, k: int, alike: Sequence[int], choosing: Choosing) -> str:
    """What would be heard to jump where hit ``k`` took turns with those that are ``alike``: what it misses most."""
    pitch = columns.pitch[k] - _known_median(columns.pitch[list(alike)])
    usual = _known_median(columns.length[list(alike)])
    misses = {"pitch": abs(pitch) / choosing.spread_cents,
              "length": abs(np.log(columns.length[k] / usual)) / max(-np.log(max(choosing.length_share, 1e-6)), 1e-6)}
    if max(misses, key=lambda name: np.nan_to_num(misses[name], nan=-1.0)) == "length":
        return f"another decay than its layer's: {columns.length[k]:.2f} s, not {usual:.2f} s"
    return f"another pitch than its layer's: {abs(pitch):.0f} cents {'above' if pitch > 0 else 'below'}"


def _copies(taken: Sequence[Candidate], wanted: frozenset[int]) -> dict[int, str]:
    """Round robins that are the same audio as one before them, hit id -> which."""
    found: dict[int, str] = {}
    for n, one in enumerate(taken):
        if one.measured is None or one.hit.id in wanted:
            continue
        for other in taken[:n]:
            if other.hit.id not in found and other.measured is not None and is_copy(one.measured, other.measured):
                found[one.hit.id] = f"the same audio as another hit: that at {other.place}"
                break
    return found


def _in_rotation(taken: Sequence[Candidate]) -> list[Candidate]:
    """The same, so that neighbours in the circle are alike, the first of them first."""
    if len(taken) < 3:
        return list(taken)
    columns = _columns(taken)
    values = np.stack([columns.level, columns.bright, columns.pitch, np.log(columns.length)], axis=1)
    known = ~np.isnan(values)
    middle = np.where(known, values, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    off = np.where(known, values - middle, 0.0)
    spread = np.sqrt((off**2).mean(axis=0))
    scaled = np.round(off / np.where(spread > 1e-9, spread, np.inf), 9)
    direction = np.linalg.svd(scaled, full_matrices=False)[2][0]
    rank = np.argsort(np.round(scaled @ direction, 9), kind="stable").tolist()
    circle = [*rank[::2], *reversed(rank[1::2])]
    at = circle.index(0)
    circle = circle[at:] + circle[:at]
    if circle[1] > circle[-1]:  # whichever way round the component points
        circle = [circle[0], *reversed(circle[1:])]
    return [taken[k] for k in circle]


def places(hits: Sequence[Hit], rates: Mapping[str, int]) -> dict[int, str]:
    """Where each hit is in the recording, hit id -> words: "12.34 s of take 1"."""
    return {h.id: f"{h.onset / rates[h.take]:.2f} s of {h.take}" if h.take in rates else f"frame {h.onset} of {h.take}"
            for h in hits}
