"""Overruling: corrections applied to hits, entry by entry; the work behind ``handling.apply``, where its rules are
told.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from oneshot.config.corrections_file import Correction, Place, safe_name
from oneshot.core.records.hits import Hit, Partner
from oneshot.core.records.session import Problem

REACH_S = 0.010
"""How far the hit that is meant may lie from the frame that was written down."""

DECIDES = ("reject", "keep")
SETS = (*DECIDES, "layer", "nudge", "end", "fade", "drop", "gain")
"""Kinds that say something of hits without moving them between drums."""


@dataclass(frozen=True, slots=True)
class Setting:
    """An entry and the hits it speaks of, where they are in ``layer`` if one is given; ``width``: 0 for hits named one
    by one, 1 a layer, 2 an articulation, 3 a drum.
    """

    entry: Correction
    ids: frozenset[int]
    layer: int | None
    width: int


@dataclass(frozen=True, slots=True)
class Corrected:
    """Hits after the corrections, and what else they ask for.

    ``rejected``, ``wanted``: ids that must not and must become one-shots; ``layer``: hit id -> layer set by hand;
    ``robins``: (drum, articulation, layer) -> ids in order; ``sources``: drum -> the drums of the analysis that went
    into it, the first of them giving home mic, kind and tables; ``stands``: drum of the analysis -> the drum its close
    mics stand at now; ``void``: entries that come to nothing, each with the reason.
    """

    hits: tuple[Hit, ...]
    rejected: frozenset[int] = frozenset()
    wanted: frozenset[int] = frozenset()
    layer: Mapping[int, int] = field(default_factory=dict)
    robins: Mapping[tuple[str, str, int], tuple[int, ...]] = field(default_factory=dict)
    settings: tuple[Setting, ...] = ()
    sources: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    stands: Mapping[str, str] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()
    void: tuple[tuple[Correction, str], ...] = ()


class _Labels:
    """Names that change hands: what each thing was called before a run of renames, and what it is called now."""

    def __init__(self, names: Iterable[str]) -> None:
        self.now = {name: name for name in sorted(names)}
        self._since = dict.fromkeys(self.now, 0)
        self._step = 0

    def holder(self, label: str) -> str | None:
        """Who is called that; of two, who has been for longer."""
        return min((name for name, now in self.now.items() if now == label),
                   key=lambda name: (self._since[name], name), default=None)

    def rename(self, name: str, label: str) -> None:
        """Call one of them otherwise."""
        self._step += 1
        self.now[name], self._since[name] = label, self._step

    def settle(self) -> list[tuple[str, str]]:
        """Give back names that are taken; the (name, label) pairs that were refused."""
        refused: list[tuple[str, str]] = []
        while True:
            count = Counter(self.now.values())
            clash = [n for n, label in self.now.items() if count[label] > 1 and self._since[n] > 0]
            if not clash:
                return refused
            newest = max(clash, key=lambda n: self._since[n])
            refused.append((newest, self.now[newest]))
            self.now[newest], self._since[newest] = newest, 0


@dataclass(slots=True)
class _Open:
    """A setting whose hits are told at the end: by their ids, or as the group that is then called so."""

    entry: Correction
    ids: frozenset[int] | None
    drum: str = ""
    articulation: str | None = None


class Overruling:
    """The state while entries are applied one after the other."""

    def __init__(self, hits: Sequence[Hit], rates: Mapping[str, int], mics: Collection[str] | None) -> None:
        self._order = [h.id for h in hits]
        self._hits = {h.id: h for h in hits}
        self._rates, self._mics = rates, mics
        self._sources: dict[str, tuple[str, ...]] = {h.drum: (h.drum,) for h in hits}
        self._stands = {h.drum: h.drum for h in hits}
        self._open: list[_Open] = []
        self._robins: list[tuple[_Open, tuple[int, ...]]] = []
        self._problems: list[Problem] = []
        self._void: list[tuple[Correction, str]] = []
        self._by: dict[str, Callable[[Correction], None]] = {
            "move": self._move, "merge": self._merge, "split": self._split_off, "add": self._add,
            "round_robins": self._choose_robins, **dict.fromkeys(SETS, self._set)}

    def do(self, entry: Correction) -> None:
        """Apply one entry that is no rename."""
        hits, count, told = dict(self._hits), len(self._open) + len(self._robins), len(self._problems)
        self._by[entry.kind](entry)
        if len(self._problems) > told and len(self._open) + len(self._robins) == count \
                and all(hit is hits[number] for number, hit in self._hits.items()):
            self._void.append((entry, self._problems[told].what))

    # ------------------------------------------------------------------------------------------------------- look up

    def _tell(self, what: str, todo: str) -> None:
        self._problems.append(Problem("corrections.toml", what, todo))

    def _nothing(self, entry: Correction, drum: str, articulation: str | None = None) -> None:
        what = f"{drum}/{articulation}" if articulation else drum
        self._tell(f"{what} does not exist in the kit", f"correct or delete that {entry.word}")

    def _find(self, entry: Correction) -> list[int]:
        """Ids of the hits that an entry names, in its order."""
        found = []
        for place in entry.hits:
            hit = self._near(place)
            if place.take not in self._rates:
                self._tell(f"{entry.word}: there is no take {place.take!r}",
                           f"write one of {', '.join(map(repr, self._rates))}, or delete the entry")
            elif hit is None:
                self._tell(f"{entry.word}: no hit at frame {place.frame} of {place.take}",
                           "find the hit in hits.csv, or delete the entry")
            elif hit in found:
                self._tell(f"{entry.word}: frame {place.frame} of {place.take} is a hit it already lists",
                           "delete one of the two")
            else:
                found.append(hit)
        return found

    def _near(self, place: Place) -> int | None:
        rate = self._rates.get(place.take, 0)
        near = [h for h in self._hits.values()
                if h.take == place.take and abs(h.onset - place.frame) <= REACH_S * rate]
        return min(near, key=lambda h: (abs(h.onset - place.frame), h.id)).id if near else None

    def _group(self, drum: str, articulation: str | None) -> list[int]:
        return [h.id for h in self._hits.values() if h.drum == drum and articulation in (None, h.articulation)]

    def _drums(self) -> set[str]:
        return {h.drum for h in self._hits.values()}

    def _ways(self, drum: str) -> set[str]:
        return {h.articulation for h in self._hits.values() if h.drum == drum}

    def _called(self, name: str, known: Collection[str]) -> str:
        """A name as the kit writes it: as it stands where something is called so, else fit for a folder."""
        return name if name in known else safe_name(name)

    def _change(self, ids: Iterable[int], drum: str | None = None, articulation: str | None = None) -> None:
        for number in ids:
            hit = self._hits[number]
            drum_now = hit.drum if drum is None else drum
            self._hits[number] = replace(hit, drum=drum_now, articulation=articulation or hit.articulation,
                                         partners=_partners(hit, drum_now, {}))

    # ------------------------------------------------------------------------------------------------------- renames

    def rename(self, run: Sequence[Correction]) -> None:
        """Apply renames that stand together."""
        drums = _Labels(self._drums())
        ways = {drum: _Labels(self._ways(drum)) for drum in drums.now}
        said: dict[tuple[str, str | None], Correction] = {}
        for entry in run:
            drum, to = entry.drum or "", entry.to or ""
            holder = drums.holder(drum)
            if entry.articulation is None:
                if holder is None:
                    self._nothing(entry, drum)
                    self._void.append((entry, self._problems[-1].what))
                else:
                    said[holder, None] = entry
                    drums.rename(holder, self._called(to, drums.now.values()))
                continue
            holder = holder or (drum if drum in drums.now else None)  # by the name it had before this run
            way = ways[holder].holder(entry.articulation) if holder is not None else None
            if holder is None or way is None:
                self._nothing(entry, drum, entry.articulation)
                self._void.append((entry, self._problems[-1].what))
            else:
                said[holder, way] = entry
                ways[holder].rename(way, self._called(to, ways[holder].now.values()))
        for name, label in drums.settle():
            self._tell(f"{name} cannot be renamed {label}: another drum has that name",
                       "use merge to make one of them, or free that name first")
            self._void.append((said[name, None], self._problems[-1].what))
        for drum, labels in ways.items():
            for name, label in labels.settle():
                self._tell(f"{drum}/{name} cannot be renamed {label}: another articulation has that name",
                           "use merge to make one of them, or free that name first")
                self._void.append((said[drum, name], self._problems[-1].what))
        self._relabel(drums.now, {drum: labels.now for drum, labels in ways.items()})

    def _relabel(self, drums: Mapping[str, str], ways: Mapping[str, Mapping[str, str]]) -> None:
        self._hits = {k: replace(h, drum=drums[h.drum], articulation=ways[h.drum][h.articulation],
                                 partners=_partners(h, drums[h.drum], drums)) for k, h in self._hits.items()}
        self._sources = {drums.get(name, name): raw for name, raw in self._sources.items() if name in drums}
        self._stands = {raw: drums.get(name, name) for raw, name in self._stands.items()}
        for each in (*self._open, *(setting for setting, _ in self._robins)):
            if each.articulation is not None:
                each.articulation = ways.get(each.drum, {}).get(each.articulation, each.articulation)
            each.drum = drums.get(each.drum, each.drum)

    # ----------------------------------------------------------------------------------- between drums, articulations

    def _move(self, entry: Correction) -> None:
        ids = self._whom(entry)
        known = self._drums()
        drum = None if entry.to is None else self._called(entry.to, known)
        if drum is not None and drum not in known:
            self._tell(f"move: there is no drum {drum}", "correct the name, or use split for a new drum")
            return
        for number in ids:
            hit = self._hits[number]
            to = drum or hit.drum
            ways = [h.articulation for h in self._hits.values() if h.drum == to]
            way = None if entry.to_articulation is None else self._called(entry.to_articulation, ways)
            if way is not None and way not in ways:
                self._tell(f"move: {to} has no articulation {way}", "correct the name, or use split for a new one")
            else:
                usual = min(set(ways), key=lambda a: (-ways.count(a), a))
                self._change([number], to, way or (hit.articulation if hit.articulation in ways else usual))

    def _whom(self, entry: Correction) -> list[int]:
        """Ids of those an entry speaks of now, told where there are none."""
        if entry.hits:
            return self._find(entry)
        ids = self._group(entry.drum or "", entry.articulation)
        if not ids:
            self._nothing(entry, entry.drum or "", entry.articulation)
        return ids

    def _merge(self, entry: Correction) -> None:
        drum = entry.drum
        known = self._drums() if drum is None else self._ways(drum)
        to = self._called(entry.to or "", known)
        there = []
        for name in dict.fromkeys(entry.drums if drum is None else entry.articulations):  # one may be named twice
            if name in known:
                there.append(name)
            else:
                self._nothing(entry, name if drum is None else f"{drum}/{name}")
        members = [to] * (to in known) + [name for name in there if name != to]
        if not there:
            return
        for name in members:
            if name != to:
                self._pin(name if drum is None else drum, None if drum is None else name)
                self._change(self._group(*((name, None) if drum is None else (drum, name))),
                             to if drum is None else None, None if drum is None else to)
        if drum is None:
            self._join(members, to)

    def _join(self, members: Sequence[str], to: str) -> None:
        """Let drums be one in everything but their hits."""
        names = dict.fromkeys(members, to)
        self._sources[to] = tuple(dict.fromkeys(raw for name in members for raw in self._sources.pop(name)))
        self._stands = {raw: names.get(name, name) for raw, name in self._stands.items()}
        self._hits = {k: replace(h, partners=_partners(h, h.drum, names)) for k, h in self._hits.items()}

    def _pin(self, drum: str, articulation: str | None) -> None:
        """Let settings of a group that is about to join another go on meaning the hits that are in it now."""
        for each in self._open:
            if each.ids is None and each.drum == drum and articulation in (None, each.articulation):
                each.ids = frozenset(self._group(each.drum, each.articulation))

    def _split_off(self, entry: Correction) -> None:
        ids = self._find(entry)
        drum = None if entry.to is None else self._called(entry.to, self._drums())
        if drum in self._drums():
            self._tell(f"split: {drum} exists already", "use move, or another name")
            return
        if not ids:
            return
        from_drums = Counter(self._hits[number].drum for number in ids)
        if drum is not None:
            main = min(from_drums, key=lambda name: (-from_drums[name], name))
            self._sources[drum] = self._sources[main]
        for name in sorted(from_drums):
            mine = [number for number in ids if self._hits[number].drum == name]
            way = None if entry.to_articulation is None else safe_name(entry.to_articulation)
            if drum is None and way in self._ways(name):
                self._tell(f"split: {name} has an articulation {way} already", "use move, or another name")
            else:
                self._change(mine, drum, way)

    def _add(self, entry: Correction) -> None:
        for number in self._find(entry):
            drum = None if entry.drum is None else self._called(entry.drum, self._drums())
            if drum is not None and drum not in self._drums():
                self._tell(f"add: there is no drum {drum}", "correct the name; for now the hit goes to the likeliest "
                                                            "drum")
                drum = None
            hit = self._hits[number]
            way = None if entry.articulation is None else self._called(entry.articulation, self._ways(drum or hit.drum))
            self._change([number], drum, way)
            self._hits[number] = replace(self._hits[number], added=True)
            self._open.append(_Open(Correction("keep", hits=entry.hits), frozenset({number})))

    # ------------------------------------------------------------------------------------------------------ settings

    def _set(self, entry: Correction) -> None:
        if entry.kind == "drop" and self._mics is not None:
            for name in entry.mics:
                if name not in self._mics:
                    self._tell(f"drop: there is no mic or pair {name}", "correct or delete that name")
        ids = self._whom(entry)
        if ids:
            self._open.append(_Open(entry, frozenset(ids) if entry.hits else None, entry.drum or "",
                                    entry.articulation))

    def _choose_robins(self, entry: Correction) -> None:
        if not self._group(entry.drum or "", entry.articulation):
            self._nothing(entry, entry.drum or "", entry.articulation)
            return
        ids = tuple(self._find(entry))
        if ids:
            self._robins.append((_Open(entry, None, entry.drum or "", entry.articulation), ids))

    # -------------------------------------------------------------------------------------------------------- finish

    def finish(self) -> Corrected:
        """Everything that was asked for, with what contradicts itself told."""
        settings = [Setting(each.entry, frozenset(self._group(each.drum, each.articulation)) if each.ids is None
                            else each.ids, each.entry.layer if not each.entry.hits else None, _width(each.entry))
                    for each in self._open]
        self._tell_conflicts(settings)
        decided: dict[int, str] = {}
        for setting in sorted((s for s in settings if s.entry.kind in DECIDES and s.layer is None),
                              key=lambda s: -s.width):
            decided.update(dict.fromkeys(setting.ids, setting.entry.kind))
        named = frozenset(k for s in settings if s.entry.kind in DECIDES and s.width == 0 for k in s.ids)
        # what is said of a hit outranks what is said of its layer
        settings = [replace(s, ids=s.ids - named) if s.entry.kind in DECIDES and s.layer is not None else s
                    for s in settings]
        rejected = frozenset(k for k, kind in decided.items() if kind == "reject")
        layer = {k: s.entry.layer for s in settings if s.entry.kind == "layer" for k in sorted(s.ids)
                 if s.entry.layer is not None}
        used = self._drums()
        robins = self._listed(rejected, layer)
        return Corrected(
            hits=tuple(self._hits[k] for k in self._order), rejected=rejected,
            wanted=frozenset(decided) - rejected, layer=layer, robins=robins,
            settings=tuple(s for s in settings if s.entry.kind != "layer"),
            sources={name: raw for name, raw in sorted(self._sources.items()) if name in used},
            stands=self._stands, problems=tuple(self._problems), void=tuple(self._void))

    def _listed(self, rejected: frozenset[int], layer: Mapping[int, int]) -> dict[tuple[str, str, int],
                                                                                   tuple[int, ...]]:
        """The round robins asked for, without hits that can't be among them."""
        out: dict[tuple[str, str, int], tuple[int, ...]] = {}
        taken: dict[int, tuple[str, str, int]] = {}
        for each, ids in self._robins:
            key = (each.drum, each.articulation or "", each.entry.layer or 1)
            able: list[int] = []
            told = len(self._problems)
            for number in ids:
                hit = self._hits[number]
                why = f"is now in {hit.drum}/{hit.articulation}" if (hit.drum, hit.articulation) != key[:2] else \
                    "is rejected" if number in rejected else \
                    f"is set to layer {layer[number]}" if layer.get(number, key[2]) != key[2] else \
                    f"is already a round robin of layer {taken[number][2]}" if taken.get(number, key) != key else None
                if why is None:
                    able.append(number)
                    taken[number] = key
                else:
                    self._tell(f"round_robins of {each.drum}/{each.articulation}, layer {key[2]}: the hit at frame "
                               f"{hit.onset} of {hit.take} {why}", "correct one of the two entries")
            if key in out:
                self._tell(f"round_robins of {each.drum}/{each.articulation}, layer {key[2]} are listed twice",
                           "the later entry counts: delete the other")
            if able:
                out[key] = tuple(able)
            else:
                self._void.append((each.entry, self._problems[told].what))
        return out

    def _tell_conflicts(self, settings: Sequence[Setting]) -> None:
        """Tell of two entries that say different things of one hit, each as narrowly as the other."""
        said: dict[tuple[str, int, int, int | None], Correction] = {}
        for setting in settings:
            for thing, value in _things(setting.entry):
                for number in sorted(setting.ids):
                    key = (thing, number, setting.width, setting.layer)
                    before = said.get(key)
                    if before is not None and dict(_things(before))[thing] != value:
                        hit = self._hits[number]
                        self._tell(f"{setting.entry.word} contradicts an earlier {before.word} of the hit at frame "
                                   f"{hit.onset} of {hit.take}", "the later entry counts: delete the other")
                    said[key] = setting.entry
                    if before is not None and setting.width:
                        break  # once a group


def _things(entry: Correction) -> list[tuple[str, object]]:
    """What an entry settles, and how; nothing for those that add up."""
    if entry.kind in DECIDES:
        return [("fate", entry.kind)]
    if entry.kind == "fade":
        return [(name, value) for name, value in (("fade in", entry.in_ms), ("fade out", entry.out_ms))
                if value is not None]
    if entry.kind == "drop":
        return []
    return [(entry.kind, (entry.frames, entry.ms, entry.after_ms, entry.gain_db, entry.layer))]


def _width(entry: Correction) -> int:
    return 0 if entry.hits else 1 if entry.layer is not None else 2 if entry.articulation is not None else 3


def _partners(hit: Hit, drum: str, names: Mapping[str, str]) -> tuple[Partner, ...]:
    """A hit's partners under new names; none that is of the hit's own drum then, and each drum once, the strongest."""
    out: dict[str, Partner] = {}
    for partner in hit.partners:
        name = names.get(partner.drum, partner.drum)
        if name != drum:
            out.setdefault(name, replace(partner, drum=name))
    return tuple(out.values())
