"""Released: what a kit was given away as, so that the next build keeps it.

Music that was made with a release asks for its files, keys and velocities by name. So a release leaves a record of its
one-shots, each known by the take and the place of its hit, and a build that finds the record keeps drum, stroke, layer,
round robin, velocities and key of every hit in it. A hit that is gone leaves its number unused for good: the record
adds up over all releases.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Any

from oneshot.config.corrections_file import Correction, Place
from oneshot.config.name_pattern import short_name
from oneshot.config.recipe import Naming, Recipe
from oneshot.core.bounded_text import MOST_JSON, parse_json, read_bounded
from oneshot.core.bounded_zip import opened
from oneshot.core.errors import KitError, SettingsError
from oneshot.core.names import leads_down
from oneshot.core.records.hits import Hit, ordinary
from oneshot.core.records.kit import Kit, OneShot, kit_info
from oneshot.core.records.session import Problem

NAME = "released.json"
FORMAT, VERSION = "oneshot-released", 1
REACH_S = 0.010
"""How far a hit may lie from where it was released, as far as from where a correction names it."""

FIRST_NAMES = Naming("{drum}_{articulation}_V{layer}_RR{round_robin}_{mic}",
                     "{drum}_{articulation}_V{layer}_RR{round_robin}", every_articulation=True)
"""What files were called before a recipe could say it."""

Stroke = tuple[str, str]
"""Drum and articulation."""


@dataclass(frozen=True, slots=True)
class Slot:
    """One released one-shot: the take and onset (take frames) of its hit, its layer and round robin, its files by name,
    and whether it was in the latest release.
    """

    take: str
    onset: int
    layer: int
    round_robin: int
    paths: tuple[str, ...]
    there: bool = True


@dataclass(frozen=True, slots=True)
class PrintSlot:
    """One released print: the take and onset (take frames) of its hit, and its file."""

    take: str
    onset: int
    path: str


@dataclass(frozen=True, slots=True)
class Step:
    """One released velocity layer: its MIDI range, and the level (dB) from which on hits belong to it; None: any."""

    layer: int
    velocity: tuple[int, int]
    from_db: float | None


@dataclass(frozen=True, slots=True)
class Group:
    """Released one-shots of one drum and articulation; ``steps`` softest first."""

    drum: str
    articulation: str
    key: int
    steps: tuple[Step, ...]
    slots: tuple[Slot, ...]


@dataclass(frozen=True, slots=True)
class Released:
    """A release. ``corrections``: how many of the user's entries had their say in it; ``sums``: name -> SHA-256 of
    every file of its pack, and ``against`` the same of the release before it; empty where they are not known.
    ``names``: how its files are called, and ``called`` the kit in them; ``ordinary``: drum -> the articulation that
    these leave out; ``prints``: those of all releases; ``told``: what changed since the release before, in words.
    """

    kit_version: str
    corrections: int
    groups: tuple[Group, ...]
    sums: Mapping[str, str] = field(default_factory=dict)
    against: Mapping[str, str] = field(default_factory=dict)
    names: Naming = FIRST_NAMES
    called: str = ""
    ordinary: Mapping[str, str] = field(default_factory=dict)
    prints: tuple[PrintSlot, ...] = ()
    told: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Held:
    """What a group keeps. ``slots``: hit id -> its slot; ``last``: layer -> the highest round robin ever released."""

    steps: tuple[Step, ...]
    slots: Mapping[int, Slot]
    last: Mapping[int, int]

    def layer(self, level_db: float) -> int:
        """The released layer that a level belongs to."""
        return max((s for s in self.steps if s.from_db is None or level_db >= s.from_db),
                   key=lambda s: s.velocity, default=self.steps[0]).layer

    def velocities(self, layers: Sequence[int]) -> dict[int, tuple[int, int]] | None:
        """Layer -> its velocities, for the layers (rising) that have hits; None where one of them was never released.

        What a layer without hits leaves goes to the one below it, or above where there is none.
        """
        known = {s.layer: s.velocity for s in self.steps}
        if not set(layers) <= set(known):
            return None
        lows = [1, *(known[n][0] for n in layers[1:]), 128]
        return {n: (low, high - 1) for n, (low, high) in zip(layers, pairwise(lows), strict=True)}

    def numbered(self, layer: int, ids: Sequence[int]) -> list[tuple[int, int]]:
        """(hit id, round robin) of a layer's hits: released ones as they were, others after the last."""
        free = self.last.get(layer, 0) + 1
        out = []
        for number in ids:
            slot = self.slots.get(number)
            if slot is not None and slot.layer == layer:
                out.append((number, slot.round_robin))
            else:
                out.append((number, free))
                free += 1
        return sorted(out, key=lambda row: row[1])


# ----------------------------------------------------------------------------------------------------------- the record


def record(kit: Kit, before: Released | None, corrections: int, version: str) -> Released:
    """The record of a kit about to be released as ``version``, added to the record of the releases before."""
    onset = {hit.id: hit.onset for hit in kit.hits}
    take = {hit.id: hit.take for hit in kit.hits}
    earlier = {} if before is None else {(g.drum, g.articulation): g for g in before.groups}
    groups = dict(earlier)
    for name, group in earlier.items():
        groups[name] = replace(group, slots=tuple(replace(slot, there=False) for slot in group.slots))
    for drum in kit.drums:
        for way in drum.articulations:
            shots = [s for s in kit.one_shots if (s.drum, s.articulation) == (drum.name, way.name)]
            if not shots:
                continue
            slots = {(s.layer, s.round_robin): Slot(take[s.hit], onset[s.hit], s.layer, s.round_robin,
                                                    tuple(f.path for f in s.files)) for s in shots}
            old = groups.get((drum.name, way.name))
            gone = {} if old is None else {(s.layer, s.round_robin): s for s in old.slots}
            slots = {**gone, **slots}
            groups[drum.name, way.name] = Group(drum.name, way.name, way.key, _steps(kit, shots),
                                                tuple(slots[at] for at in sorted(slots)))
    left_out = {d.name: plain for d in kit.drums if (plain := ordinary([a.name for a in d.articulations])) is not None}
    made = Released(version, corrections, tuple(groups[name] for name in sorted(groups)),
                    ordinary=left_out | ({} if before is None else dict(before.ordinary)),
                    prints=_prints(kit, () if before is None else before.prints))
    said = kit.recipe.get("names")
    if not isinstance(said, Mapping):
        return made
    names = Naming(**said)
    return replace(made, names=names, called=names.kit or short_name(str(kit_info(kit)["name"])))


def _prints(kit: Kit, before: Sequence[PrintSlot]) -> tuple[PrintSlot, ...]:
    """The prints of a kit, and of the releases before what it has no longer."""
    at = {hit.id: hit for hit in kit.hits}
    every = {each.path: each for each in before}
    every |= {row.path: PrintSlot(at[row.hit].take, at[row.hit].onset, row.path) for row in kit.prints}
    return tuple(every[path] for path in sorted(every))


def _steps(kit: Kit, shots: Sequence[OneShot]) -> tuple[Step, ...]:
    """The layers of one group; borders lie between the levels of all hits that were sorted into them."""
    mine = [h for h in kit.hits if (h.drum, h.articulation) == (shots[0].drum, shots[0].articulation)]
    kept = {s.hit for s in shots}
    velocity = {s.layer: s.velocity for s in shots}
    every: dict[int, list[float]] = {}
    typical: dict[int, float] = {}
    for n in sorted(velocity):
        every[n] = [h.level_db for h in mine if h.layer == n and h.level_db is not None]
        typical[n] = median([h.level_db for h in mine if h.layer == n and h.id in kept and h.level_db is not None]
                            or [0.0])
    out = [Step(n, velocity[n], None) for n in sorted(velocity)[:1]]
    for below, n in pairwise(sorted(velocity)):
        low, high = max(every[below], default=typical[below]), min(every[n], default=typical[n])
        border = (low + high) / 2 if low <= high else (typical[below] + typical[n]) / 2
        out.append(Step(n, velocity[n], round(border, 4)))
    return tuple(out)


def to_json(released: Released) -> str:
    """The record as the text of ``released.json``."""
    document = {"format": FORMAT, "version": VERSION, **asdict(released)}
    return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def from_json(text: str | bytes, where: str) -> Released:
    """The record in a text. Raises KitError, naming ``where``, where it is none."""
    try:
        return _released(parse_json(text))
    except (KeyError, TypeError, ValueError, AttributeError, IndexError, OverflowError, SettingsError) as error:
        raise KitError(f"{where}: not a valid release lock ({error!r}); get it from the released zip, or delete it "
                       "to let names change") from None


def _released(document: Mapping[str, Any]) -> Released:
    if document["format"] != FORMAT or document["version"] != VERSION:
        raise ValueError(f"not of format {FORMAT!r}, version {VERSION}")
    prints = tuple(PrintSlot(str(p["take"]), int(p["onset"]), _path(p["path"])) for p in document.get("prints", ()))
    return Released(str(document["kit_version"]), int(document["corrections"]),
                    tuple(_group(row) for row in document["groups"]), dict(document["sums"]),
                    dict(document.get("against", {})),
                    Naming(**document["names"]) if "names" in document else FIRST_NAMES,
                    str(document.get("called", "")), dict(document.get("ordinary", {})), prints,
                    tuple(map(str, document.get("told", ()))))


def _path(path: object) -> str:
    """A path of a kit. Raises ValueError where it is none, or leads out of the kit."""
    if not isinstance(path, str) or not leads_down(path, on_any_system=True):
        raise ValueError(f"{path!r} is no path of a kit's file")
    return path


def _group(row: Mapping[str, Any]) -> Group:
    steps = tuple(Step(int(s["layer"]), (int(s["velocity"][0]), int(s["velocity"][1])), s["from_db"])
                  for s in row["steps"])
    slots = tuple(Slot(str(s["take"]), int(s["onset"]), int(s["layer"]), int(s["round_robin"]),
                       tuple(_path(path) for path in s["paths"]), bool(s["there"])) for s in row["slots"])
    if not steps:
        raise ValueError(f"{row['drum']}/{row['articulation']} has no layers")
    return Group(str(row["drum"]), str(row["articulation"]), int(row["key"]), steps, slots)


def read(folder: Path) -> Released | None:
    """The record that lies in a kit's folder; None where the kit was never released. Raises KitError."""
    path = folder / NAME
    try:
        text = read_bounded(path, MOST_JSON)
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        raise KitError(f"{path}: cannot be read ({error}); get it from the released zip") from None
    return from_json(text, str(path))


def read_pack(path: Path) -> Released:
    """The record that a released zip carries. Raises KitError where it carries none."""
    try:
        with opened(path) as pack:
            (name,) = (each for each in pack.names if each.count("/") == 1 and each.endswith(f"/{NAME}"))
            text = pack.text(name)
    except ValueError as error:
        raise KitError(f"{path}: not a zip written by oneshot pack ({error}); name the zip of the release") from None
    return from_json(text, str(path))


HIDDEN = "sha256:"
"""What the name of a take begins with that stands in a record as its sum only."""


def with_hidden_takes(released: Released) -> Released:
    """The record with the sum of each take's name in place of the name, for a pack that tells no names of takes."""
    return _takes_named(released, lambda name: name if name.startswith(HIDDEN) else _hidden(name))


def with_take_names(released: Released, names: Sequence[str]) -> Released:
    """The record with the names of those takes again in place of their sums; other takes stay as they are."""
    known = {_hidden(name): name for name in names}
    return _takes_named(released, lambda name: known.get(name, name))


def _hidden(name: str) -> str:
    return HIDDEN + hashlib.sha256(name.encode()).hexdigest()


def _takes_named(released: Released, called: Callable[[str], str]) -> Released:
    return replace(
        released, prints=tuple(replace(each, take=called(each.take)) for each in released.prints),
        groups=tuple(replace(group, slots=tuple(replace(slot, take=called(slot.take)) for slot in group.slots))
                     for group in released.groups))


# ------------------------------------------------------------------------------------------------------------ a rebuild


def matched(hits: Sequence[Hit], released: Released, rates: Mapping[str, int]) -> dict[int, tuple[Stroke, Slot]]:
    """Hit id -> what it was released as. A slot's hit is the nearest of its take within ``REACH_S``, of its own drum
    before others; no hit has two slots.
    """
    by_take: dict[str, list[Hit]] = {}
    for hit in hits:
        by_take.setdefault(hit.take, []).append(hit)
    pairs = []
    for group in released.groups:
        for slot in group.slots:
            reach = REACH_S * rates.get(slot.take, 0)
            pairs += [((hit.drum != group.drum, hit.articulation != group.articulation, abs(hit.onset - slot.onset),
                        not slot.there, hit.id, slot.layer, slot.round_robin), hit.id,
                       (group.drum, group.articulation), slot)
                      for hit in by_take.get(slot.take, ()) if abs(hit.onset - slot.onset) <= reach]
    out: dict[int, tuple[Stroke, Slot]] = {}
    taken: set[tuple[Stroke, int, int]] = set()
    for _, number, stroke, slot in sorted(pairs, key=lambda pair: pair[0]):
        place = (stroke, slot.layer, slot.round_robin)
        if number not in out and place not in taken:
            out[number] = stroke, slot
            taken.add(place)
    return out


def printed(hits: Sequence[Hit], released: Released, rates: Mapping[str, int]) -> dict[tuple[int, str], str]:
    """(hit id, folder of the print) -> the path of what was released: the print of the nearest hit of its take within
    ``REACH_S``.
    """
    out: dict[tuple[int, str], str] = {}
    for each in released.prints:
        near = [h for h in hits if h.take == each.take
                and abs(h.onset - each.onset) <= REACH_S * rates.get(each.take, 0)]
        if near:
            hit = min(near, key=lambda h: (abs(h.onset - each.onset), h.id))
            out.setdefault((hit.id, Path(each.path).parent.name), each.path)
    return out


def restoring(hits: Sequence[Hit], found: Mapping[int, tuple[Stroke, Slot]]) -> tuple[Correction, ...]:
    """Corrections that call released hits what they were released as.

    ``hits``: as the analysis, and the corrections that were in the release, call them now. A drum or articulation most
    of whose released hits had another name is renamed whole; single hits are moved.
    """
    by_id = {hit.id: hit for hit in hits}
    was = {number: stroke for number, (stroke, slot) in found.items() if slot.there}
    drums = _renamed([(was[k][0], by_id[k].drum) for k in sorted(was)], {h.drum for h in hits})
    out = [Correction("rename", drum=now, to=old) for now, old in sorted(drums.items())]
    named = {h.id: drums.get(h.drum, h.drum) for h in hits}
    ways: dict[str, dict[str, str]] = {}
    for drum in sorted({*named.values()}):
        mine = [k for k in sorted(was) if was[k][0] == drum and named[k] == drum]
        ways[drum] = _renamed([(was[k][1], by_id[k].articulation) for k in mine],
                              {h.articulation for h in hits if named[h.id] == drum})
        out += [Correction("rename", drum=drum, articulation=now, to=old) for now, old in sorted(ways[drum].items())]
    now = {h.id: (named[h.id], ways[named[h.id]].get(h.articulation, h.articulation)) for h in hits}
    astray: dict[Stroke, list[Hit]] = {}
    for number, stroke in was.items():
        if now[number] != stroke:
            astray.setdefault(stroke, []).append(by_id[number])
    there = set(now.values())
    for stroke in sorted(astray):
        out += _moved(stroke, astray[stroke], now, there)
        there.add(stroke)
    return tuple(out)


def _renamed(pairs: Sequence[tuple[str, str]], names: set[str]) -> dict[str, str]:
    """Name now -> name released, where most of what was released under a name bears another now, and the other way
    round; none that would take a name that stays in use.
    """
    def most(values: Sequence[str]) -> str:
        """The most frequent name, of equals the first by the alphabet."""
        return min(set(values), key=lambda name: (-values.count(name), name))

    chosen = {}
    for old in sorted({old for old, _ in pairs}):
        now = most([n for o, n in pairs if o == old])
        if now != old and most([o for o, n in pairs if n == now]) == old:
            chosen[now] = old
    while bad := [now for now, old in chosen.items() if old in names and old not in chosen]:
        for now in bad:
            del chosen[now]
    return chosen


def _moved(stroke: Stroke, hits: Sequence[Hit], now: Mapping[int, Stroke], there: set[Stroke]) -> list[Correction]:
    """Corrections that move single hits to where they were released."""
    drum, way = stroke
    places = tuple(Place(h.take, h.onset) for h in sorted(hits, key=lambda h: (h.take, h.onset)))
    if stroke in there:
        return [Correction("move", places, to=drum, to_articulation=way)]
    if drum not in {name for name, _ in there}:
        return [Correction("split", places, to=drum, to_articulation=way)]
    away = tuple(Place(h.take, h.onset) for h in sorted(hits, key=lambda h: (h.take, h.onset)) if now[h.id][0] != drum)
    moves = [Correction("move", away, to=drum)] if away else []
    return [*moves, Correction("split", places, to_articulation=way)]


def held(hits: Sequence[Hit], found: Mapping[int, tuple[Stroke, Slot]], released: Released,
         layers: Mapping[int, int]) -> dict[Stroke, Held]:
    """What each released group keeps. ``layers``: hit id -> layer set by hand, which outranks the release."""
    by_id = {hit.id: hit for hit in hits}
    out = {}
    for group in released.groups:
        stroke = (group.drum, group.articulation)
        slots = {k: slot for k, (was, slot) in found.items()
                 if was == stroke and slot.there and k in by_id and layers.get(k, slot.layer) == slot.layer
                 and (by_id[k].drum, by_id[k].articulation) == stroke}
        last: dict[int, int] = {}
        for slot in group.slots:
            last[slot.layer] = max(last.get(slot.layer, 0), slot.round_robin)
        out[stroke] = Held(group.steps, slots, last)
    return out


def with_names(recipe: Recipe, released: Released | None) -> tuple[Recipe, tuple[Problem, ...]]:
    """The recipe with the names that a release gave its files, and a word if it asks for others."""
    if released is None or recipe.names == released.names:
        return recipe, ()
    told = () if recipe.names == Naming() else (Problem(
        f"release {released.kit_version}", "keeps the names of its files: [names] of the recipe changes none",
        f"nothing, or delete {NAME} to let all names change"),)
    return replace(recipe, names=released.names), told


def news(before: Released, now: Released) -> tuple[str, ...]:
    """What changed from one release to the next for who plays the kit, a line for each layer or articulation; ``now``
    is the record that adds up on ``before``.
    """
    was = {(g.drum, g.articulation): g for g in before.groups}
    out = []
    for group in now.groups:
        name = f"{group.drum} {group.articulation}"
        slots = {(s.layer, s.round_robin): s for s in group.slots if s.there}
        old = was.get((group.drum, group.articulation))
        then = {} if old is None else {(s.layer, s.round_robin): s for s in old.slots if s.there}
        if not slots or not then:
            if slots or then:
                out.append(f"{name}: {'new' if slots else 'left out'}")
            continue
        if old is not None and old.key != group.key:
            out.append(f"{name}: key {group.key} in place of {old.key}")
        velocity = {} if old is None else {step.layer: step.velocity for step in old.steps}
        wider = {step.layer: step.velocity for step in group.steps
                 if velocity.get(step.layer, step.velocity) != step.velocity}
        for layer in sorted({n for n, _ in {*slots, *then}}):
            mine, theirs = ({robin: s for (n, robin), s in some.items() if n == layer} for some in (slots, then))
            kinds = (("left out", theirs.keys() - mine.keys()), ("new", mine.keys() - theirs.keys()),
                     ("another hit", {n for n in mine.keys() & theirs.keys()
                                      if (mine[n].take, mine[n].onset) != (theirs[n].take, theirs[n].onset)}))
            words = [f"{' '.join(f'RR{n:02d}' for n in sorted(robins))} {what}" for what, robins in kinds if robins]
            if layer in wider:
                (low, high), (was_low, was_high) = wider[layer], velocity[layer]
                words.append(f"velocities {low} to {high} in place of {was_low} to {was_high}")
            out += [f"{name} V{layer:02d}: {', '.join(words)}"] if words else []
    return tuple(out)


def broken(kit: Kit, released: Released, rates: Mapping[str, int]) -> tuple[Problem, ...]:
    """What a build could not keep of a release, one line a kind; drums that were not built are not looked at."""
    built = {d.name for d in kit.drums}
    unbuilt = {h.drum for h in kit.hits} - built
    groups = [group for group in released.groups if group.drum not in unbuilt]
    key = {(d.name, a.name): a.key for d in kit.drums for a in d.articulations}
    moved = [f"{g.drum}/{g.articulation} from {g.key} to {key[g.drum, g.articulation]}" for g in groups
             if key.get((g.drum, g.articulation), g.key) != g.key]
    velocity = {(s.drum, s.articulation, s.layer): s.velocity for s in kit.one_shots}
    wider = [f"{g.drum}/{g.articulation} V{s.layer:02d}" for g in groups for s in g.steps
             if velocity.get((g.drum, g.articulation, s.layer), s.velocity) != s.velocity]
    gone, renamed = _lost(kit, groups, matched(kit.hits, released, rates))
    said = ((gone, "of its one-shots are no longer in the kit",
             "nothing, if intended: their numbers stay unused; see hits.csv for the reasons"),
            (renamed, "of its one-shots lack files", "export the same mics under the same names again"),
            (moved, "of its keys changed", "delete them from [keys] in the recipe"),
            (wider, "of its layers have other velocity ranges", "keep a hit in each layer, and do not add layers"))
    return tuple(Problem(f"release {released.kit_version}", f"{len(what)} {text}: {', '.join(what[:4])}"
                         + (" …" if len(what) > 4 else ""), todo) for what, text, todo in said if what)


def _lost(kit: Kit, groups: Sequence[Group],
          found: Mapping[int, tuple[Stroke, Slot]]) -> tuple[list[str], list[str]]:
    """The latest release's one-shots that are not in the kit as released, and those that lack a file."""
    shots = {shot.hit: shot for shot in kit.one_shots}
    by_slot = {(stroke, slot.layer, slot.round_robin): shots.get(number) for number, (stroke, slot) in found.items()}
    gone, renamed = [], []
    for group in groups:
        stroke = (group.drum, group.articulation)
        for slot in (each for each in group.slots if each.there):
            shot = by_slot.get((stroke, slot.layer, slot.round_robin))
            name = f"{group.drum}/{group.articulation} V{slot.layer:02d} RR{slot.round_robin:02d}"
            if shot is None or (shot.drum, shot.articulation, shot.layer, shot.round_robin) != (
                    *stroke, slot.layer, slot.round_robin):
                gone.append(name)
            elif not set(slot.paths) <= {file.path for file in shot.files}:
                renamed.append(name)
    return gone, renamed
