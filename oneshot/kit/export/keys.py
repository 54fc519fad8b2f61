"""MIDI keys of drums and their articulations: General MIDI Level 1 percussion (MMA0007 / RP-003), notes 35 to 81.

Numbers, never note names: which C is called C3 differs between programs. What General MIDI has no note for goes to free
keys from 60 up. No key is given twice.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from oneshot.analysis.result import Analysis
from oneshot.config import release_lock
from oneshot.config.recipe import Recipe
from oneshot.core.errors import SettingsError
from oneshot.core.records.hits import Articulation, Drum, ordinary, plain_name

MAIN = "*"
"""Row of a kind's ordinary stroke, whatever it is called."""

CYMBAL = "cymbal"
"""Which one, no name says: it plays what a crash would, then what a ride would, where the kit has no such."""

KEYS: Mapping[tuple[str, str], tuple[int, ...]] = {
    ("kick", MAIN): (36, 35),
    ("snare", MAIN): (38, 40),
    ("snare", "rimshot"): (40,),
    ("snare", "rim"): (40,),
    ("snare", "side stick"): (37,),
    ("hat", MAIN): (42,),
    ("hat", "closed"): (42,),
    ("hat", "foot"): (44,),
    ("hat", "open"): (46,),
    ("crash", MAIN): (49, 57),
    ("ride", MAIN): (51, 59),
    ("ride", "bell"): (53,),
    ("ride", "edge"): (59, 51),
    ("china", MAIN): (52,),
    ("splash", MAIN): (55,),
    (CYMBAL, MAIN): (49, 51, 57, 59),
    (CYMBAL, "bell"): (53,),
    ("cowbell", MAIN): (56,),
    ("tambourine", MAIN): (54,),
}
"""(kind, articulation) -> General MIDI keys, the first free one is taken."""

TOM_KEYS: Mapping[int, tuple[int, ...]] = {
    1: (45,), 2: (43, 48), 3: (43, 45, 48), 4: (41, 43, 45, 48), 5: (41, 43, 45, 47, 48), 6: (41, 43, 45, 47, 48, 50)}
"""How many toms -> their keys from low to high: floor toms on 41 and 43, rack toms on 45, 47, 48 and 50."""

SAME: Mapping[str, str] = {
    "rim shot": "rimshot", "sidestick": "side stick", "cross stick": "side stick", "crossstick": "side stick",
    "pedal": "foot", "chick": "foot", "foot close": "foot", "foot closed": "foot", "half open": "open", "cup": "bell"}
"""Other customary names of articulations; half open falls to a free key where an open one is there as well."""

LAST_KEY = 127
FREE_KEYS = (*range(60, 128), *range(34, -1, -1), *range(35, 60))
TOM = "tom"


@dataclass(frozen=True, slots=True)
class Struck:
    """A drum that needs keys. ``pitch_hz``: its fundamental, which orders toms whose names say nothing; None where it
    has none.
    """

    drum: str
    kind: str
    articulations: tuple[str, ...]
    pitch_hz: float | None = None


def assign_keys(struck: Sequence[Struck], overrides: Mapping[str, int],
                released: Mapping[tuple[str, str], int] | None = None, *, transpose: int = 0,
                hands: Mapping[str, int] | None = None) -> dict[tuple[str, str], int]:
    """(drum, articulation) -> key, 0 to 127, no key twice.

    ``overrides``: the recipe's keys, by "drum" (its ordinary stroke) or "drum/articulation". They are given first,
    then ``released``, the keys of an earlier release, then what General MIDI has a note for, ``transpose`` semitones
    higher, exact articulations before others, then free keys. ``hands``: as ``overrides``, keys of left hands, which
    nothing else gets. Raises SettingsError where two overrides want one key, or where there are more than 128
    articulations.
    """
    given = _overridden(struck, overrides)
    left = second_keys(struck, hands or {})
    for stroke, own in left.items():
        _alone(own, stroke, {**{s: k for s, k in left.items() if s != stroke}, **given})
    taken = {*given.values(), *left.values()}
    strokes = {(item.drum, name) for item in struck for name in item.articulations}
    for stroke, before in (released or {}).items():
        if stroke in strokes and stroke not in given and before not in taken:
            given[stroke] = before
            taken.add(before)
    toms = _tom_keys(struck)
    for exact in (True, False):
        for item in sorted(struck, key=lambda item: item.kind == CYMBAL):
            for articulation in item.articulations:
                stroke = (item.drum, articulation)
                wanted = () if stroke in given else _wanted(item, articulation, toms, exact=exact)
                key = next((each for each in (key + transpose for key in wanted)
                            if each not in taken and 0 <= each <= LAST_KEY), None)
                if key is not None:
                    given[stroke] = key
                    taken.add(key)
    free = iter([key for key in FREE_KEYS if key not in taken])
    for item in struck:
        for articulation in item.articulations:
            if (item.drum, articulation) not in given:
                key = next(free, None)
                if key is None:
                    raise SettingsError("more than 128 articulations: there is no MIDI key left")
                given[item.drum, articulation] = key
    return {(item.drum, name): given[item.drum, name] for item in struck for name in item.articulations}


def second_keys(struck: Sequence[Struck], hands: Mapping[str, int]) -> dict[tuple[str, str], int]:
    """(drum, articulation) -> key of the left hand, for what the recipe's hands name."""
    return _named(struck, hands)


def unknown_keys(struck: Sequence[Struck], overrides: Mapping[str, int]) -> tuple[str, ...]:
    """Names in the recipe's keys that mean no drum and no articulation of the kit."""
    known = {item.drum for item in struck} | {f"{item.drum}/{name}" for item in struck for name in item.articulations}
    return tuple(name for name in overrides if name not in known)


def _overridden(struck: Sequence[Struck], overrides: Mapping[str, int]) -> dict[tuple[str, str], int]:
    """The strokes whose key the recipe sets. SettingsError where two want one key."""
    given = _named(struck, overrides)
    before: dict[tuple[str, str], int] = {}
    for stroke, key in given.items():
        _alone(key, stroke, before)
        before[stroke] = key
    return given


def _named(struck: Sequence[Struck], table: Mapping[str, int]) -> dict[tuple[str, str], int]:
    """The strokes that a table of the recipe names by "drum" (its ordinary stroke) or "drum/articulation"."""
    given: dict[tuple[str, str], int] = {}
    for item in struck:
        if item.drum in table and item.articulations:
            given[item.drum, _ordinary(item)] = table[item.drum]
        for name in item.articulations:
            if f"{item.drum}/{name}" in table:
                given[item.drum, name] = table[f"{item.drum}/{name}"]
    return given


def _alone(key: int, stroke: tuple[str, str], others: Mapping[tuple[str, str], int]) -> None:
    """Raise SettingsError where another stroke has that key."""
    other = next((name for name, taken in others.items() if taken == key), None)
    if other is not None:
        raise SettingsError(f"keys: {'/'.join(other)} and {'/'.join(stroke)} are both on key {key}; "
                            "give each a key of its own")


def _ordinary(item: Struck) -> str:
    """The articulation that a drum is ordinarily struck in: by its name, or else the first without a row of its own."""
    named = ordinary(item.articulations)
    if named is not None:
        return named
    own = (name for name in item.articulations if (item.kind, SAME.get(plain_name(name), plain_name(name))) not in KEYS)
    return next(own, item.articulations[0])


def _wanted(item: Struck, articulation: str, toms: Mapping[str, int], *, exact: bool) -> tuple[int, ...]:
    """Keys that General MIDI has for a stroke: by its articulation's own row, else the drum's ordinary one."""
    plain = plain_name(articulation)
    if exact:
        return KEYS.get((item.kind, plain), ())
    row = KEYS.get((item.kind, SAME.get(plain, plain)), ())
    if row or articulation != _ordinary(item):
        return row
    if item.kind == TOM:
        return (toms[item.drum],) if item.drum in toms else ()
    return KEYS.get((item.kind, MAIN), ())


def _tom_keys(struck: Iterable[Struck]) -> dict[str, int]:
    """Tom -> key, low to high; with more than six toms the highest ones get free keys."""
    toms = _low_to_high([item for item in struck if item.kind == TOM])
    keys = TOM_KEYS[min(len(toms), len(TOM_KEYS))] if toms else ()
    if len(toms) == 1 and "floor" in toms[0].drum.casefold():
        keys = (43,)
    return {item.drum: key for item, key in zip(toms, keys, strict=False)}


def _low_to_high(toms: Sequence[Struck]) -> list[Struck]:
    """Toms from low to high: as their names say; what no name says, by pitch, or by name where pitches are not known.

    Through an overhead a mode or the room may ring louder than a tom's fundamental, so a name outranks what was read:
    one that a person gave, or a number by which the toms that were found are counted from the highest down.
    """
    if all(item.pitch_hz is not None for item in toms):
        order = sorted(toms, key=lambda item: item.pitch_hz or 0.0)
    else:
        order = sorted(toms, key=lambda item: (_height(item), -(_number(item) or 0), item.drum))
    told = [n for n, item in enumerate(order) if _number(item) is not None or _word(item) is not None]
    order = _refilled(order, told, sorted((order[n] for n in told), key=_height))  # stable: equals stay by pitch
    for family in sorted({_family(item) for item in toms}):
        rows = [n for n, item in enumerate(order) if _family(item) == family]
        if any(_number(order[n]) is not None for n in rows):
            order = _refilled(order, rows, sorted((order[n] for n in rows), key=lambda item: -(_number(item) or 0)))
    return order


def _refilled(order: Sequence[Struck], rows: Sequence[int], toms: Sequence[Struck]) -> list[Struck]:
    """The same toms, those in ``rows`` replaced by ``toms`` in turn."""
    there = dict(zip(rows, toms, strict=True))
    return [there.get(n, item) for n, item in enumerate(order)]


HEIGHTS: Mapping[str, int] = {"floor": 0, "low": 0, "mid": 1, "rack": 1, "high": 2, "hi": 2}
"""Words in the name of a tom -> how high it is."""


def _word(item: Struck) -> str | None:
    """The word in a tom's name that says how high it is; None where there is none."""
    name = item.drum.casefold()
    return next((word for word in HEIGHTS if (name.startswith(word) if word == "hi" else word in name)), None)


def _height(item: Struck) -> int:
    """How high a tom is by its name, 0 to 2; 1 where that says nothing."""
    word = _word(item)
    return 1 if word is None else HEIGHTS[word]


def _number(item: Struck) -> int | None:
    """The number in a tom's name: the first is the highest; None where there is none."""
    digits = "".join(letter for letter in item.drum if letter in "0123456789")
    return int(digits) if digits else None


def _family(item: Struck) -> str:
    """A tom's name without its number: those of one family are counted together."""
    return " ".join("".join(letter if letter.isalpha() else " " for letter in item.drum.casefold()).split())


def keyed_drums(found: Analysis, pitches: Mapping[str, Sequence[float]], recipe: Recipe,
                before: release_lock.Released | None) -> tuple[Drum, ...]:
    """The kit's drums with their keys and chokes. ``pitches``: drum -> those of its one-shots, Hz."""
    struck = [Struck(d.name, d.kind, d.articulations, sorted(pitches[d.name])[len(pitches[d.name]) // 2]
                     if d.name in pitches else None) for d in found.drums]
    unknown = unknown_keys(struck, recipe.keys)
    kept = {} if before is None else {(g.drum, g.articulation): g.key for g in before.groups}
    keys = assign_keys(struck, {name: key for name, key in recipe.keys.items() if name not in unknown}, kept,
                       transpose=recipe.playing.transpose, hands=recipe.hands)
    left = second_keys(struck, recipe.hands)
    return tuple(Drum(d.name, d.kind, d.home, tuple(Articulation(a, keys[d.name, a], left.get((d.name, a)))
                                                    for a in d.articulations),
                      choke="hats" if d.kind == "hat" else None, voices=recipe.voices.get(d.name))
                 for d in found.drums)
