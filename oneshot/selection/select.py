"""Selection: which hits become one-shots, in which velocity layer and as which round robin, and why each other one does
not.

Within each drum and articulation: hits that are fit (clean, no ornament, nothing odd about them) are divided into
velocity layers where their levels have gaps (``velocity_layers.py``), and the cleanest of each layer take turns
(``round_robins.py``): level is no reason to leave one out. What is odd, such as a bounce or a squeak, is set aside to
be heard: it can be kept by hand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from oneshot.analysis.measurement.similarity import Measured, drift_cents, oddities, pitches_hz
from oneshot.config.corrections import Corrected
from oneshot.config.recipe import Choosing
from oneshot.config.release_lock import Held, Stroke
from oneshot.core.grades import GRADES, reaches
from oneshot.core.records.hits import Hit
from oneshot.core.records.session import Problem
from oneshot.selection.round_robins import Candidate, Precedence, alternates, places, sets_alike
from oneshot.selection.velocity_layers import finer_borders, layer_borders, velocity_ranges

REJECTED = "rejected by hand"
"""Reason of a hit that the user rejected; prints read it, too."""
UNPLACED = "its onset is masked by an earlier sound: it would not line up with its layer"
"""Reason of a hit that takes no turns since its attack cannot be located."""
LAYER_GRADE = "C"
"""Where no hit of some level reaches the grade asked for, hits of this grade stand in: good enough as a layer."""
FALLBACK_WITHIN_DB = 6.0
"""Where no hit at all reaches that, those within this of the cleanest stand in."""
DRIFT_CENTS = 20.0
"""Pitch drift from here on is reported: it is audible from 15 to 20 cents on (common practice, no source)."""
UNKNOWN_DB = -60.0
"""Level of a wanted hit where that of no hit is known."""
MOST_PLACES = 6
"""Hits set aside that are listed one by one; hits.csv has them all."""


@dataclass(frozen=True, slots=True)
class Pick:
    """A hit that becomes a one-shot."""

    hit: int
    layer: int
    round_robin: int
    velocity: tuple[int, int]


@dataclass(frozen=True, slots=True)
class ByHand:
    """What the user corrected in layers.

    ``layer``: hit id -> its layer; ``robins``: (drum, articulation, layer) -> the ids of its round robins, in order;
    ``fates``: in order of precedence, hits that are kept (True) or rejected in so far as they lie in a layer.
    """

    layer: Mapping[int, int] = field(default_factory=dict)
    robins: Mapping[tuple[str, str, int], tuple[int, ...]] = field(default_factory=dict)
    fates: Sequence[tuple[frozenset[int], int, bool]] = ()

    def listed(self, drum: str, articulation: str) -> dict[int, tuple[int, ...]]:
        """Layer -> its round robins by hand, of one group."""
        return {n: ids for (of, way, n), ids in self.robins.items() if (of, way) == (drum, articulation)}


def by_hand(corrected: Corrected) -> ByHand:
    """What the user corrected in layers, as ``choose`` takes it."""
    fates = sorted((s for s in corrected.settings if s.entry.kind in ("reject", "keep") and s.layer is not None),
                   key=lambda s: -(s.entry.articulation is None))
    return ByHand(corrected.layer, corrected.robins,
                  tuple((s.ids, s.layer or 1, s.entry.kind == "keep") for s in fates))


@dataclass(frozen=True, slots=True)
class Chosen:
    """All hits with layer, kept, fallback and reason filled in, the picks in order of drum, layer, round robin, and
    what should be heard first. ``velocities``: (drum, articulation, layer) -> its MIDI velocities, lowest and highest,
    also where none of its hits becomes a one-shot because prints alone are wanted.
    """

    hits: tuple[Hit, ...]
    picks: tuple[Pick, ...]
    problems: tuple[Problem, ...] = ()
    velocities: Mapping[tuple[str, str, int], tuple[int, int]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Chooser:
    """What hits are chosen by.

    ``grades``: each hit's grade in its drum's own close mics; ``clean_db``: its bleed in its home mic, dB;
    ``measured``: what was measured of a hit (one that was not is not rejected for it); ``rates``: each take's sample
    rate; ``rejected``, ``wanted``, ``by_hand``: what the user corrected; ``held``: what groups keep of a release;
    ``far``: each hit's grades in overheads and rooms; ``unplaced``: hits whose attack is not aligned with the others'.
    """

    grades: Mapping[int, str]
    clean_db: Mapping[int, float]
    choosing: Choosing
    measured: Mapping[int, Measured]
    rates: Mapping[str, int]
    rejected: frozenset[int] = frozenset()
    wanted: frozenset[int] = frozenset()
    by_hand: ByHand = field(default_factory=ByHand)
    held: Mapping[Stroke, Held] = field(default_factory=dict)
    far: Mapping[int, Mapping[str, str]] = field(default_factory=dict)
    unplaced: frozenset[int] = frozenset()

    def fit(self, hits: Sequence[Hit]) -> list[Hit]:
        """The hits of one group that may become one-shots by their grade.

        Where the best there is may stand in, those that are fit for a layer at least take part, and where there are
        none, the cleanest.
        """
        good = [h for h in hits if h.id in self.wanted or self.unfit(h) is None]
        if not self.choosing.fallback:
            return good
        reach = replace(self, choosing=replace(self.choosing, grade=max(LAYER_GRADE, self.choosing.grade)))
        able = [h for h in hits if reach.unfit(h) is None]
        if able:
            reached = {h.id for h in good}
            return [*good, *(h for h in able if h.id not in reached)]
        able = sorted((h for h in hits if h.id not in self.rejected and h.level_db is not None),
                      key=lambda h: (self.clean_db[h.id], h.id))
        limit = self.clean_db[able[0].id] + FALLBACK_WITHIN_DB if able else 0.0
        best = [h for h in able if self.clean_db[h.id] <= limit][:self.choosing.round_robins]
        return [*best, *(h for h in good if h not in best)]

    def best_of_layers(self, hits: Sequence[Hit], layer: Mapping[int, int]) -> list[Hit]:
        """Of a group's hits those that count in their layer: what the user wants, and what reaches the grade asked for
        or, where nothing does, the best grade there is.
        """
        rank = {h.id: -1 if self.unfit(h) is None else GRADES.index(self.grades[h.id]) for h in hits}
        best: dict[int, int] = {}
        for h in (h for h in hits if h.id not in self.wanted or rank[h.id] < 0):
            best[layer[h.id]] = min(best.get(layer[h.id], len(GRADES)), rank[h.id])
        return [h for h in hits if h.id in self.wanted or rank[h.id] == best[layer[h.id]]]

    def unfit(self, hit: Hit) -> str | None:
        """Why a hit cannot be kept, in plain words; None where it can."""
        grade, asked = self.grades[hit.id], self.choosing.grade
        if hit.id in self.rejected:
            return REJECTED
        if hit.ornament is not None:
            return f"part of a {hit.ornament.kind}"
        if not reaches(grade, asked):
            if hit.partners:
                others = " and ".join(p.drum for p in hit.partners)
                return f"hit together with {others}: grade {grade}, {asked} required"
            return f"too much bleed in its own mics: grade {grade}, {asked} required"
        return None if hit.level_db is not None else "its level cannot be measured"

    def aside(self, hits: Sequence[Hit]) -> dict[int, str]:
        """Hits that something is odd about, hit id -> what; never all of them, and none that the user wants."""
        known = [h for h in hits if h.id in self.measured]
        found = oddities([self.measured[h.id] for h in known], np.array([h.level_db for h in known], np.float64))
        odd = {h.id: f"first to hear: {why}" for h, why in zip(known, found, strict=True)
               if why is not None and h.id not in self.wanted}
        return odd if len(odd) < len(hits) else {}

    def far_misses(self, hits: Sequence[Hit]) -> dict[int, int]:
        """Hit id -> in how many overheads and rooms it misses the grade asked for there."""
        return {h.id: sum(not reaches(grade, self.choosing.grade_far) for grade in self.far.get(h.id, {}).values())
                for h in hits}

    def candidates(self, hits: Sequence[Hit]) -> dict[int, Candidate]:
        """Hits as candidates for round robins, hit id -> candidate."""
        known = [h for h in hits if h.id in self.measured]
        pitch = dict(zip([h.id for h in known], pitches_hz([self.measured[h.id] for h in known]), strict=True))
        place = places(hits, self.rates)
        softest = min((h.level_db for h in hits if h.level_db is not None), default=UNKNOWN_DB)
        return {h.id: Candidate(h, softest if h.level_db is None else h.level_db, self.clean_db[h.id], pitch.get(h.id),
                                self.measured.get(h.id), place[h.id]) for h in hits}


def choose(hits: Sequence[Hit], chooser: Chooser) -> Chosen:
    """Choose the one-shots of a kit."""
    out = {hit.id: hit for hit in hits}
    picks: list[Pick] = []
    told: list[Problem] = []
    for group in _groups(hits):
        changed, more, problems = _choose_group(group, chooser)
        out.update({hit.id: hit for hit in changed})
        picks.extend(more)
        told.extend(problems)
    velocities = {(out[p.hit].drum, out[p.hit].articulation, p.layer): p.velocity for p in picks}
    return Chosen(tuple(out[hit.id] for hit in hits), tuple(picks), tuple(told), velocities)


def worth_measuring(hits: Sequence[Hit], chooser: Chooser) -> list[Hit]:
    """The hits that may become one-shots by their grade: those to be measured before choosing."""
    held = frozenset(number for each in chooser.held.values() for number in each.slots) - chooser.rejected
    chooser = replace(chooser, wanted=chooser.wanted | held)
    return [hit for group in _groups(hits) for hit in chooser.fit(group)]


def _groups(hits: Sequence[Hit]) -> list[list[Hit]]:
    """Hits by drum and articulation, in the order of their names."""
    groups: dict[tuple[str, str], list[Hit]] = {}
    for hit in hits:
        groups.setdefault((hit.drum, hit.articulation), []).append(hit)
    return [groups[key] for key in sorted(groups)]


def _choose_group(hits: list[Hit], chooser: Chooser) -> tuple[list[Hit], list[Pick], list[Problem]]:
    """Choose within one drum and articulation."""
    listed = chooser.by_hand.listed(hits[0].drum, hits[0].articulation)
    held = chooser.held.get((hits[0].drum, hits[0].articulation))
    asked = chooser.wanted.union(*listed.values())
    released = frozenset(held.slots) - chooser.rejected if held is not None else frozenset()
    chooser = replace(chooser, wanted=asked | released)
    unfit: dict[int, str | None] = {hit.id: chooser.unfit(hit) for hit in hits}
    why = dict(unfit)
    fit = chooser.fit(hits)
    odd = chooser.aside(fit)
    why.update(odd)
    good = [h for h in fit if h.id not in odd]
    layer = _layers(hits, good, chooser, listed, held)
    good, wanted = _by_layer(hits, good, chooser, layer, why)
    good = replace(chooser, wanted=wanted).best_of_layers(good, layer)
    if not good:
        return [replace(h, layer=layer.get(h.id), reason=why[h.id]) for h in hits], [], []
    candidates = chooser.candidates(good)
    far = chooser.far_misses(good)
    first = Precedence(wanted | frozenset(chooser.by_hand.layer),
                _ends([h for h in good if unfit[h.id] is None], far, chooser.clean_db), far)
    numbers = sorted({layer[number] for number in candidates})
    turns: list[list[Candidate]] = []
    for n in numbers:
        inside = [c for c in candidates.values() if layer[c.hit.id] == n]
        taken, left = _as_listed(inside, listed[n], wanted - (released - asked)) if n in listed else _starting_alike(
            inside, chooser, first)
        turns.append(taken)
        why.update(left)
    picks = _picks(numbers, turns, held)
    ids = {pick.hit for pick in picks}
    second = {k for k in ids - (wanted - (released - asked)) if unfit[k] is not None}
    done = [replace(h, layer=layer.get(h.id), kept=h.id in ids, fallback=h.id in second,
                    reason=why[h.id] if h.id in second or h.id not in ids else None) for h in hits]
    return done, picks, [*_for_the_ear([h for h in fit if h.id in odd], odd, chooser.rates),
                         *_drift(list(candidates.values()), chooser.rates)]


def _ends(hits: Sequence[Hit], far: Mapping[int, int], clean_db: Mapping[int, float]) -> frozenset[int]:
    """The softest and the hardest of some hits, of equal ones the cleanest."""
    known = [(h.level_db, (far[h.id], clean_db[h.id], h.id)) for h in hits if h.level_db is not None]
    return frozenset({min(known)[1][-1], min((-level, rest) for level, rest in known)[1][-1]} if known else ())


def _starting_alike(inside: Sequence[Candidate], chooser: Chooser,
                    first: Precedence) -> tuple[list[Candidate], dict[int, str]]:
    """The round robins of a layer, and why others are none: only hits whose attacks are aligned take turns. Where no
    attack can be located, one hit plays alone, since a late one among others sounds like a flam.
    """
    doubt = {c.hit.id for c in inside} & chooser.unplaced - first.wanted
    sure = [c for c in inside if c.hit.id not in doubt]
    taken, left = alternates(sure or inside, chooser.choosing, first)
    if not sure:
        doubt -= {c.hit.id for c in taken[:1]}
    left = {**left, **dict.fromkeys(sorted(doubt), UNPLACED)}
    return [c for c in taken if c.hit.id not in doubt], left


def _picks(numbers: Sequence[int], turns: Sequence[Sequence[Candidate]], held: Held | None) -> list[Pick]:
    """The picks of one group, layer by layer, with the numbers and velocities of a release where there was one."""
    kept = None if held is None else held.velocities(numbers)
    ranges = [kept[n] for n in numbers] if kept is not None else \
        velocity_ranges([float(np.median([c.level_db for c in taken])) for taken in turns])
    return [Pick(number, n, k, velocity) for n, velocity, taken in zip(numbers, ranges, turns, strict=True)
            for number, k in (_numbered(n, [c.hit.id for c in taken], held))]


def _numbered(layer: int, ids: Sequence[int], held: Held | None) -> list[tuple[int, int]]:
    """(hit id, round robin) of a layer's hits, in order of their numbers."""
    return [(number, k) for k, number in enumerate(ids, 1)] if held is None else held.numbered(layer, ids)


def _layers(hits: Sequence[Hit], good: Sequence[Hit], chooser: Chooser, listed: Mapping[int, tuple[int, ...]],
            held: Held | None) -> dict[int, int]:
    """Hit id -> layer: where its strength lies among those good, or among the layers of a release, or where the user
    put it.
    """
    levels = np.array(sorted(h.level_db for h in good if h.level_db is not None))
    choosing = chooser.choosing
    borders = finer_borders(levels, layer_borders(levels, choosing.layers, choosing.layer_step_db), choosing.layers,
                            choosing.round_robins) if len(levels) else []
    out = {h.id: 1 + int(np.searchsorted(borders, h.level_db)) for h in hits if h.level_db is not None and len(levels)}
    if len(levels) and held is None:
        out = _parted_by_sound(out, [h for h in good if chooser.unfit(h) is None] or good, chooser)
    if held is not None:
        out = {h.id: held.layer(h.level_db) for h in hits if h.level_db is not None}
        out |= {number: slot.layer for number, slot in held.slots.items()}
    out |= {h.id: chooser.by_hand.layer.get(h.id, out.get(h.id, 1)) for h in hits
            if h.id in chooser.by_hand.layer or h.id in chooser.wanted}
    return out | {number: n for n, ids in listed.items() for number in ids}


def _parted_by_sound(layer: Mapping[int, int], good: Sequence[Hit], chooser: Chooser) -> dict[int, int]:
    """Hit id -> layer, once sets of hits that would be heard to jump in the rotation of their layer have one of their
    own beside it, the largest first, as far as the recipe has room for layers. What is in no set goes with the one
    nearest in level.
    """
    candidates = chooser.candidates(good)
    sets: dict[int, list[list[Candidate]]] = {}
    for n in sorted(set(layer.values())):
        inside = [candidates[h.id] for h in good if layer.get(h.id) == n]
        sets[n] = sets_alike(inside, chooser.choosing) if inside else [[]]
    extra = sorted(((-len(each), n, k) for n, parts in sets.items() for k, each in enumerate(parts) if k))
    chosen = {(n, k) for _, n, k in extra[:max(0, chooser.choosing.layers - len(sets))]}
    level = {number: c.level_db for number, c in candidates.items()}
    out: dict[int, int] = {}
    number = 0
    for n, parts in sets.items():
        kept = sorted((each for k, each in enumerate(parts) if not k or (n, k) in chosen),
                      key=lambda each: float(np.median([c.level_db for c in each])) if each else 0.0)
        middles = [float(np.median([c.level_db for c in each])) if each else 0.0 for each in kept]
        mine = {c.hit.id: number + k for k, each in enumerate(kept, 1) for c in each}
        for each in (each for each, at in layer.items() if at == n and each not in mine):
            nearest = int(np.argmin(np.abs(np.array(middles) - level.get(each, middles[0]))))
            mine[each] = number + 1 + nearest
        out |= mine
        number += len(kept)
    return out


def _by_layer(hits: Sequence[Hit], good: list[Hit], chooser: Chooser, layer: Mapping[int, int],
              why: dict[int, str | None]) -> tuple[list[Hit], frozenset[int]]:
    """Those good and those wanted once whole layers are kept or rejected; ``why`` learns of the rejected."""
    wanted = chooser.wanted
    for ids, number, keep in chooser.by_hand.fates:
        inside = {h.id for h in hits if h.id in ids and layer.get(h.id) == number}
        if keep:
            good = [*good, *(h for h in hits if h.id in inside and h not in good)]
            wanted |= inside
        else:
            good = [h for h in good if h.id not in inside]
            wanted -= inside
            why.update(dict.fromkeys(inside, REJECTED))
    return good, wanted


def _as_listed(inside: Sequence[Candidate], listed: Sequence[int],
               wanted: frozenset[int]) -> tuple[list[Candidate], dict[int, str]]:
    """The round robins that the user named, in that order, then other hits that the user wants kept."""
    by_id = {c.hit.id: c for c in inside}
    taken = [by_id[number] for number in listed if number in by_id]
    taken += [c for c in inside if c.hit.id in wanted and c not in taken]
    return taken, {c.hit.id: "other hits were chosen by hand for its layer" for c in inside if c not in taken}


def _for_the_ear(hits: Sequence[Hit], odd: Mapping[int, str], rates: Mapping[str, int]) -> list[Problem]:
    """A problem that lists what was set aside in one group to be heard."""
    if not hits:
        return []
    place = places(hits, rates)
    texts = [f"{place[h.id]}: {odd[h.id].removeprefix('first to hear: ')}" for h in hits[:MOST_PLACES]]
    more = f"; {len(hits) - MOST_PLACES} more in hits.csv" if len(hits) > MOST_PLACES else ""
    return [Problem(f"{hits[0].drum}, {hits[0].articulation}",
                    f"{len(hits)} left out, first to hear: " + "; ".join(texts) + more,
                    "listen to them; keep the good ones with oneshot review or in corrections.toml")]


def _drift(candidates: Sequence[Candidate], rates: Mapping[str, int]) -> list[Problem]:
    """A problem for each take in which the pitch of a group's hits drifts."""
    told = []
    for take in sorted({c.hit.take for c in candidates}):
        mine = [c for c in candidates if c.hit.take == take]
        moved = drift_cents(np.array([c.pitch_hz or np.nan for c in mine]), np.array([c.level_db for c in mine]),
                            np.array([c.hit.onset / rates.get(take, 48000) for c in mine]))
        if moved is not None and abs(moved) > DRIFT_CENTS:
            told.append(Problem(f"{take}/{mine[0].hit.drum}", f"its pitch {'rises' if moved > 0 else 'falls'} by "
                                f"{abs(moved):.0f} cents from its first {mine[0].hit.articulation} to its last",
                                "retune between takes; round robins are kept within choose.spread_cents"))
    return told
