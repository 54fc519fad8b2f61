"""What sounds at each key and velocity of a kit, and how loud: what every mapping and the player share.

Each layer is a recording at its own strength. So that a sweep over all velocities follows the measured levels, the
level wanted at a velocity runs in straight lines (dB over velocity) through the layers' levels at the middle of their
ranges, the hardest layer's at 127; below the softest middle it goes on down. Each round robin is raised or lowered from
its own level to the one wanted, so that round robins differ in sound, not in level.

Levels are any decibels that grow with strength. ``mix_levels`` are those of the balanced sums, which mappings play by;
``hit_levels`` those of the strokes, by which a recorded performance is read as velocities.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import median

from oneshot.core.errors import KitError
from oneshot.core.records.hits import Drum
from oneshot.core.records.kit import Kit, OneShot
from oneshot.cutting.mix import mixdown

SLOPE_DB = 0.25
"""dB per velocity step of a drum with a single layer: 31 dB from 1 to 127. (common practice, no source)"""
SLOPES_DB = (0.1, 0.6)
"""Slope below the middle of the softest layer: as between the first two, within these."""
CHOKE_S = 0.04
"""In which a choked sound fades. (20 to 80 ms, common practice, no source)"""
VOICES: Mapping[str, int] = {"kick": 3, "snare": 3, "tom": 3}
OTHER_VOICES = 6
"""Strokes of one key that sound at once; more than that is mud, and work for the player. (common practice, no
source)"""

Levels = Mapping[int, float | None]
"""Hit -> level in dB; None where it is not known."""


@dataclass(frozen=True, slots=True)
class Layer:
    """One velocity layer of a key, velocities ``low`` to ``high``.

    ``natural_db``: its level as recorded; ``wanted_db``: velocity -> level it shall sound at; ``own_db``: hit -> level
    of that round robin as recorded.
    """

    number: int
    low: int
    high: int
    natural_db: float
    wanted_db: Mapping[int, float]
    alternates: tuple[OneShot, ...]
    own_db: Mapping[int, float]

    def gain_db(self, shot: OneShot, velocity: int) -> float:
        """What brings a round robin to the level wanted at a velocity, ``low`` to ``high``, dB."""
        return self.wanted_db[velocity] - self.own_db[shot.hit]

    @property
    def top_db(self) -> float:
        """Level wanted at the top of the layer's range, its highest, dB."""
        return self.wanted_db[self.high]


@dataclass(frozen=True, slots=True)
class Key:
    """One MIDI key: an articulation of a drum and its layers, softest first; ``hand``: "right" or "left" where the
    hands have a key each.
    """

    key: int
    drum: Drum
    articulation: str
    layers: tuple[Layer, ...]
    hand: str | None = None

    @property
    def voices(self) -> int:
        """Strokes of this key that may sound at once."""
        return self.drum.voices or VOICES.get(self.drum.kind, OTHER_VOICES)

    def layer(self, velocity: int) -> Layer:
        """The layer that a velocity, 1 to 127, wakes."""
        return next(layer for layer in self.layers if velocity <= layer.high)

    def velocity(self, level_db: float) -> int:
        """The velocity, 1 to 127, at which the level wanted is nearest to a level; the lower one of two."""
        every = [(abs(wanted - level_db), velocity)
                 for layer in self.layers for velocity, wanted in layer.wanted_db.items()]
        return min(every)[1]


def mix_levels(kit: Kit) -> Levels:
    """Hit -> level of its one-shot's balanced sum (dB); that of the hit where the sum was not measured."""
    levels = hit_levels(kit)
    return {shot.hit: shot.mix_db if shot.mix_db is not None else levels.get(shot.hit) for shot in kit.one_shots}


def hit_levels(kit: Kit) -> Levels:
    """Hit -> its level as the manifest gives it (dB)."""
    return {hit.id: hit.level_db for hit in kit.hits}


def close_view(kit: Kit) -> Kit:
    """The kit as the mapping of its close mics plays it: every one-shot, without overheads and rooms."""
    return replace(kit, one_shots=tuple(mixdown.close(shot) for shot in kit.one_shots))


def keys_of(kit: Kit, levels: Levels) -> tuple[Key, ...]:
    """All keys that have one-shots, in the order of the kit's drums; no one-shots of the close mics' mapping alone.

    Raises KitError where the layers of an articulation do not tile velocities 1 to 127.
    """
    out = []
    for drum in kit.drums:
        for articulation in drum.articulations:
            shots = [s for s in kit.one_shots if s.drum == drum.name and s.articulation == articulation.name]
            if not shots:
                continue
            layers = layers_of(shots, levels)
            if not layers:
                continue
            if articulation.second_key is None:
                out.append(Key(articulation.key, drum, articulation.name, layers))
            else:
                right, left = by_hand(layers, {hit.id: hit.hand for hit in kit.hits})
                out += [Key(articulation.key, drum, articulation.name, right, "right"),
                        Key(articulation.second_key, drum, articulation.name, left, "left")]
    return tuple(out)


def by_hand(layers: Sequence[Layer], hands: Mapping[int, str | None]) -> tuple[tuple[Layer, ...], tuple[Layer, ...]]:
    """The layers of the right hand and of the left: levels and velocities alike, round robins each hand's own.

    ``hands``: hit -> "right", "left" or None. In a layer where both are known each hand plays its strokes, and those of
    which nothing is said are dealt to whoever has fewer; where one is known or none, all are dealt out in turn. A layer
    with a single round robin is played by both.
    """
    right: list[Layer] = []
    left: list[Layer] = []
    for layer in layers:
        parts: dict[str, list[OneShot]] = {name: [s for s in layer.alternates if hands.get(s.hit) == name]
                                           for name in ("right", "left")}
        rest = [s for s in layer.alternates if hands.get(s.hit) not in parts]
        if not all(parts.values()):
            parts, rest = {"right": [], "left": []}, list(layer.alternates)
        for shot in rest:
            min(parts.values(), key=len).append(shot)
        order = {shot.hit: n for n, shot in enumerate(layer.alternates)}
        for name, out in (("right", right), ("left", left)):
            mine = sorted(parts[name] or layer.alternates, key=lambda shot: order[shot.hit])
            out.append(replace(layer, alternates=tuple(mine)))
    return tuple(right), tuple(left)


def layers_of(shots: Sequence[OneShot], levels: Levels) -> tuple[Layer, ...]:
    """The layers of one articulation, softest first. KitError where they do not tile velocities 1 to 127.

    A layer of which all one-shots play in the mapping of the close mics alone is played by the next harder one, or by
    the hardest there is.
    """
    where = f"{shots[0].drum}/{shots[0].articulation}"
    rows: Rows = []
    members: list[list[OneShot]] = []
    for number in sorted({shot.layer for shot in shots}):
        inside = sorted((shot for shot in shots if shot.layer == number), key=lambda shot: shot.round_robin)
        if len({shot.velocity for shot in inside}) > 1:
            raise KitError(f"{where}: layer {number} has several velocity ranges; build the kit again")
        rows.append((number, inside[0].velocity, _level(inside, levels)))
        members.append(inside)
    edges = [0, *(bound for _, velocity, _ in rows for bound in velocity), 128]
    if any(high - low != 1 for low, high in zip(edges[::2], edges[1::2], strict=True)) or any(
            low > high for _, (low, high), _ in rows):
        raise KitError(f"{where}: its layers do not cover velocities 1 to 127 once; build the kit again")
    rows, members = _heard(rows, members, levels)
    natural, wanted = level_curve(rows)
    return tuple(Layer(number, low, high, natural[number], wanted[number], tuple(inside), _own(inside, levels, level))
                 for (number, (low, high), _), inside in zip(rows, members, strict=True)
                 for level in [natural[number]])


Rows = list[tuple[int, tuple[int, int], float | None]]


def _level(shots: Sequence[OneShot], levels: Levels) -> float | None:
    """The level of a layer of these one-shots, dB; None where none is known."""
    known = [level for shot in shots if (level := levels.get(shot.hit)) is not None]
    return median(known) if known else None


def _heard(rows: Rows, members: list[list[OneShot]], levels: Levels) -> tuple[Rows, list[list[OneShot]]]:
    """Rows and members of the layers that have one-shots for the whole kit's mapping, their ranges widened over those
    that have none; as they were where none has.
    """
    heard = [[shot for shot in inside if not shot.close_only] for inside in members]
    if heard == members:
        return rows, members
    out: Rows = []
    low = 1
    last = max((n for n, some in enumerate(heard) if some), default=-1)
    for n, (number, (_, high), _) in enumerate(rows[:last + 1]):
        if heard[n]:
            out.append((number, (low, 127 if n == last else high), _level(heard[n], levels)))
            low = high + 1
    return out, [some for some in heard if some]


def _own(shots: Sequence[OneShot], levels: Levels, natural_db: float) -> dict[int, float]:
    """Each round robin's level; where it is not known, the layer's."""
    return {shot.hit: natural_db if (level := levels.get(shot.hit)) is None else level for shot in shots}


def level_curve(layers: Sequence[tuple[int, tuple[int, int], float | None]]
                ) -> tuple[dict[int, float], dict[int, dict[int, float]]]:
    """(layer -> its natural level, layer -> velocity -> level wanted), dB, for every velocity of each layer's range.

    ``layers``: (layer, velocity range, level in dB), softest first. A layer measured softer than the one below it is
    raised to that one's level; one whose level is not known counts as level with it.
    """
    anchors: list[tuple[float, float]] = []
    natural: dict[int, float] = {}
    for index, (layer, (low, high), level) in enumerate(layers):
        below = anchors[-1][1] if anchors else level if level is not None else 0.0
        natural[layer] = below if level is None else level
        anchors.append((127.0 if index == len(layers) - 1 else (low + high) / 2, max(below, natural[layer])))
    slope = SLOPE_DB
    if len(anchors) > 1:
        (v0, l0), (v1, l1) = anchors[:2]
        slope = min(max((l1 - l0) / (v1 - v0), SLOPES_DB[0]), SLOPES_DB[1])
    return natural, {layer: {velocity: _wanted(velocity, anchors, slope) for velocity in range(low, high + 1)}
                     for layer, (low, high), _ in layers}


def _wanted(velocity: int, anchors: Sequence[tuple[float, float]], slope: float) -> float:
    """Level at a velocity: through the anchors, below the first one by ``slope``."""
    if velocity <= anchors[0][0]:
        return anchors[0][1] - slope * (anchors[0][0] - velocity)
    for (v0, l0), (v1, l1) in pairwise(anchors):
        if velocity <= v1:
            return l0 + (l1 - l0) * (velocity - v0) / (v1 - v0)
    return anchors[-1][1]
