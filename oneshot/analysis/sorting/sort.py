"""Sort: from described hits of all takes to drums and articulations.

Templates are learned from hits that stand alone, mixtures of others among them are dropped or taken apart, and what is
left is put into drums. Every take is decomposed by them, and what the decomposition tells of the templates is taken
back: those that hold another drum are parted, open hats are put to the closed one. What is no drum is left out, and
drums and articulations get their names.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.records import HitFeatures, Templates
from oneshot.analysis.result import Detected, Named, Strokes
from oneshot.analysis.sorting import (
    articulations,
    constraints,
    decompose,
    features,
    hats,
    mixtures,
    naming,
    non_drums,
    places,
    rhythm,
    rings,
)
from oneshot.analysis.sorting import drums as sort_drums
from oneshot.analysis.sorting import templates as learn_templates
from oneshot.analysis.sorting.constraints import Labelled
from oneshot.analysis.sorting.kit_mics import close_numbers, comparable, near_rows, without_triggers
from oneshot.config.handling import Merged
from oneshot.core.errors import WorkError
from oneshot.core.progress import Progress
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Frames, Mic, Problem, Session
from oneshot.core.workers import spread
from oneshot.session.mic_names import kind_of


@dataclass(frozen=True, slots=True, eq=False)
class Sorted:
    """The hits of all takes by drum and articulation: what the measurement needs of them.

    ``described`` and ``templates`` are laid out for ``mics``, the kit's mics without triggers.
    """

    strokes: list[Strokes]
    described: list[HitFeatures]
    templates: Templates
    mics: tuple[Mic, ...]
    named: Named
    problems: tuple[Problem, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Learned:
    """Kinds and drums, and what labels say of them: names of drums by number, and of the kinds' strokes."""

    templates: Templates
    drum: dict[int, str]
    stroke: list[constraints.Said | None]


def learn(session: Session, heard: list[Detected], described: list[HitFeatures], mics: tuple[Mic, ...], said: Labelled,
          progress: Progress) -> Learned:
    """Kinds of strokes and the drums they belong to, from the hits that stand alone in all takes."""
    progress("sorting drums", 0.0)
    near = np.any([near_rows(h, mics) for h in heard], axis=0)
    clean = _learn_from(heard, described, mics, said)
    if not len(clean):
        raise WorkError(f"{session.name} has no distinct hit: check the files and their levels")
    kind, kinds, pitch = _kinds(session, heard, described, mics, near, clean, said)
    onset, error = places.patterns(places.envelopes(session.root, heard, mics, clean), kind[clean], len(kinds.drum))
    kinds = replace(kinds, onset_ms=onset, onset_error_ms=error)
    drums, drum_of = constraints.of_kinds(said, kind, lambda each: each.drum, len(kinds.drum))
    known = drum_of[kinds.drum] >= 0  # until they are put into drums, ``drum`` is the number of the kind itself
    often = (kinds.members >= 2) | (kinds.members >= kinds.members.max(initial=0))
    kinds = learn_templates.select(kinds, known | often)
    owner = _owners(kinds, drums, drum_of[kinds.drum], mics, near)
    apart = sort_drums.apart(*features.between_db(kinds, near), int(near.sum()))
    two = apart & ((owner[:, None] != owner) | (owner < 0))  # side stick and centre lie apart, and are of one drum
    kept = ~decompose.composites(kinds, near, decompose.COMPOSITE_DB, two) | (drum_of[kinds.drum] >= 0)
    kinds, apart = learn_templates.select(kinds, kept), apart[np.ix_(kept, kept)]
    owner = _owners(kinds, drums, drum_of[kinds.drum], mics, near)
    kinds, variant = mixtures.untangle(kinds, apart, near, drum_of[kinds.drum] >= 0, owner, _same_place(kinds, mics))
    drum = _into_drums(kinds, variant, drums, drum_of[kinds.drum], mics, near,
                       pitch[np.ix_(kinds.drum, kinds.drum)])
    names = {int(d): drums[int(who)] for d, who in zip(drum, drum_of[kinds.drum], strict=True) if who >= 0}
    return Learned(replace(kinds, drum=drum), names, _said_strokes(said, kind, kinds.drum))


def _kinds(session: Session, heard: list[Detected], described: list[HitFeatures], mics: tuple[Mic, ...],
           near: NDArray[np.bool_], clean: Frames, said: Labelled) -> tuple[Frames, Templates, Floats]:
    """The kind of each hit over all takes, -1 where it teaches none; the kinds as templates; and what their pitches say
    against every two being of one drum.
    """
    joined = features.join(described)
    place, sound = features.distances_db(features.only(joined, near), clean)
    unlike = constraints.unlike(said, clean)
    kind = np.full(len(joined.energy), -1, np.int64)
    kind[clean] = constraints.parted(learn_templates.kinds(place, sound, unlike), unlike)
    ringing_hz = rings.partials_hz(session.root, heard, mics, joined, near, clean, kind[clean])
    kind[clean] = rings.parted(kind[clean], ringing_hz, learn_templates.distance_db(place, sound))
    pitch = rings.other_pitch(kind[clean], ringing_hz, int(kind.max()) + 1)
    level, stands_out = features.clear_levels_db(joined)
    return kind, learn_templates.templates_of(level, stands_out, kind, joined.heard_in), pitch


def _learn_from(heard: list[Detected], described: list[HitFeatures], mics: tuple[Mic, ...], said: Labelled) -> Frames:
    """Rows of the hits to learn from, over all takes: clean ones; where there are none, what stands out.

    Half of them are left to labelled hits if there are as many, and a labelled drum that is nowhere clean is learned
    from what there is of it.
    """
    rows: list[Frames] = []
    some: list[Frames] = []
    offset = 0
    for h, f in zip(heard, described, strict=True):
        use = near_rows(h, mics)
        _, stands_out = features.clear_levels_db(f)
        hear = use & np.array([m.role is not Role.TRIGGER for m in mics])
        share = stands_out[:, hear][..., 0].mean(axis=(1, 2)) if hear.any() else np.zeros(len(f.energy))
        rows.append(learn_templates.clean_rows(h.arrivals.first, h.onsets.rise_db, h.take.sample_rate, share) + offset)
        some.append(np.flatnonzero(share >= learn_templates.HEARD_SHARE) + offset)
        offset += len(f.energy)
    clean, every = np.concatenate(rows), np.concatenate(some)
    _, drum = said.numbers(lambda each: each.drum)
    missing = np.setdiff1d(drum[drum >= 0], drum[clean])
    clean = np.union1d(clean, every[np.isin(drum[every], missing)])
    told = clean[drum[clean] >= 0]
    if len(told):
        told = learn_templates.thin(told, learn_templates.LEARN_FROM // 2)
        rest = learn_templates.thin(clean[drum[clean] < 0], learn_templates.LEARN_FROM - len(told))
        return np.union1d(told, rest)
    return learn_templates.thin(clean if len(clean) else every)  # nothing stands alone: learn from what there is


def _into_drums(kinds: Templates, variant: Frames, drums: list[str], said: Frames, mics: tuple[Mic, ...],
                near: NDArray[np.bool_], pitch: Floats) -> Frames:
    """The drum of each kind (kinds,), as place, sound and labels say. ``said``: rows of ``drums``, -1 for none;
    ``pitch``: as from ``rings.other_pitch``, of which ways to strike one drum that has its own mic are free.
    """
    place, sound = features.between_db(kinds, near)
    owner = _owners(kinds, drums, said, mics, near)
    arrivals = sort_drums.with_partners(_same_place(kinds, mics), owner)
    pitch = np.where((owner[:, None] == owner) & (owner >= 0), 0.0, pitch)
    evidence = pitch + sort_drums.one_drum(place, sound, arrivals, int(near.sum()), hats.short_cymbals(kinds))
    return sort_drums.into_drums(evidence, owner=owner, variant=variant, said=said)


def _same_place(kinds: Templates, mics: tuple[Mic, ...]) -> Floats:
    """Evidence of their arrivals that templates are struck at one place, in all mics but triggers."""
    heard_in = np.array([m.role.means.judged for m in mics])
    return places.same_place(kinds.onset_ms[:, heard_in], kinds.onset_error_ms[:, heard_in])


def _owners(kinds: Templates, drums: list[str], said: Frames, mics: tuple[Mic, ...],
            near: NDArray[np.bool_]) -> Frames:
    """The drum whose close mic owns each kind (kinds,), that which was said first; -1 for none."""
    close, measured = close_numbers(mics), features.measured(kinds)
    standing = np.where(measured | ~kinds.heard_in, features.relative_level_db(kinds, near), UNHEARD_DB)
    owner = sort_drums.close_mic_assignment(standing, np.where(measured.any(axis=0), close, -1))
    of = [next((int(c) for m, c in zip(mics, close, strict=True) if m.stands_at(name)), -1) for name in drums]
    out: Frames = np.where(said >= 0, np.array([*of, -1], np.int64)[said], owner)
    return out


UNHEARD_DB = -100.0
"""What no close mic claims: a template that it was not measured in stands below all others there."""

PLACE_MICS = 3
"""From so many near mics on, which leave two ratios of levels, a place is told well enough to call a hit the rattling
of the cymbal struck before it."""


def _said_strokes(said: Labelled, kind: Frames, kept: Frames) -> list[constraints.Said | None]:
    """What is said of how each kind that was kept is struck; None where most of its hits carry no label."""
    out: list[constraints.Said | None] = []
    for k in kept:
        rows = said.row[kind == k]
        told = rows[rows >= 0]
        most = len(told) and len(told) >= constraints.MOST_OF_A_KIND * len(rows)
        out.append(said.said[int(np.bincount(told).argmax())] if most else None)
    return out


def sort_hits(session: Session, heard: list[Detected], described: list[HitFeatures], learned: Learned,
              mics: tuple[Mic, ...], said: Labelled, progress: Progress,
              merged: Sequence[Merged] = ()) -> Sorted:
    """Which drum and articulation each hit of every take is.

    ``merged``: drums that the user says are one: each keeps its number and its place, their articulations are told
    apart together. Raises WorkError where nothing stands out.
    """
    near = np.any([near_rows(h, mics) for h in heard], axis=0)
    learned, drums, strokes = _refined(heard, described, learned, mics, said, near, progress)
    templates = learned.templates
    strokes = non_drums.loud_enough(strokes, templates, hats.cymbals(templates), places=near.sum() >= PLACE_MICS)
    strokes, guests, problems = non_drums.sift(strokes, templates, mics, near, learned.drum)
    if len(guests):
        drums = _drums_called(learned, mics, near, guests)
    if not any(len(s.rows) for s in strokes):
        raise WorkError(f"{session.name} has no distinct hit: check the files and their levels")
    named, strokes = _names(strokes, learned, drums, mics, near, said, merged)
    strokes = articulations.reassign_weak(session, strokes, templates.drum, named, mics)
    strokes, described, templates, mics = without_triggers(strokes, described, templates, mics)
    return Sorted(strokes, described, templates, mics, named, tuple(problems))


def _refined(heard: list[Detected], described: list[HitFeatures], learned: Learned, mics: tuple[Mic, ...],
             said: Labelled, near: NDArray[np.bool_], progress: Progress
             ) -> tuple[Learned, tuple[dict[int, str], dict[int, str]], list[Strokes]]:
    """Every take decomposed by the templates, once more after each change of them that the decomposition asks for; the
    templates then, what the drums are called and are, and the strokes.
    """
    drums, strokes = _decomposed(heard, described, learned, mics, said, progress)
    parted = _parted(strokes, described, learned, mics, near, drums[0])
    if parted is not learned:
        learned = parted
        drums, strokes = _decomposed(heard, described, learned, mics, said, progress)
    anew = _joined(strokes, described, learned, near)
    if (anew.drum != learned.templates.drum).any():  # hits of one drum never fall together: decompose once more
        learned = replace(learned, templates=anew)
        drums, strokes = _decomposed(heard, described, learned, mics, said, progress)
    return learned, drums, strokes


def _parted(strokes: list[Strokes], described: list[HitFeatures], learned: Learned, mics: tuple[Mic, ...],
            near: NDArray[np.bool_], drums: Mapping[int, str]) -> Learned:
    """The same, other drums taken out of the kinds that hold them by what those drums' own mics hear."""
    kinds = learned.templates
    own = np.concatenate([features.added_energy(f, s.rows) for f, s in zip(described, strokes, strict=True)])
    alone = np.concatenate([mixtures.alone(s.activation) for s in strokes])
    stands = {number: [m for m, mic in enumerate(mics) if mic.role is Role.CLOSE and mic.stands_at(name)]
              for number, name in drums.items()}
    there = np.concatenate([f.heard_in[s.rows] for f, s in zip(described, strokes, strict=True)])
    found = mixtures.contained_drums(own, alone, kinds, stands, near, there)
    found = {k: parts for k, parts in found.items() if int(kinds.drum[k]) not in learned.drum}  # labelled: one drum
    if not found:
        return learned
    kinds, left = mixtures.subtracted(kinds, found, near)
    return Learned(learn_templates.select(kinds, left), learned.drum,
                   [said for said, stays in zip(learned.stroke, left, strict=True) if stays])


def _joined(strokes: list[Strokes], described: list[HitFeatures], learned: Learned, near: NDArray[np.bool_]
            ) -> Templates:
    """The kinds, open hats put to the short one."""
    struck = [_struck(s, f, near) for s, f in zip(strokes, described, strict=True)]
    return replace(learned.templates, drum=hats.join_hat_openings(struck, learned.templates, tuple(learned.drum)))


def _decomposed(heard: list[Detected], described: list[HitFeatures], learned: Learned, mics: tuple[Mic, ...],
                said: Labelled, progress: Progress) -> tuple[tuple[dict[int, str], dict[int, str]], list[Strokes]]:
    """What the drums are called by now and what they are, and the strokes of every take."""
    drums = _drums_called(learned, mics, np.any([near_rows(h, mics) for h in heard], axis=0))
    strokes = []
    at = 0
    for n, (h, f) in enumerate(zip(heard, described, strict=True)):
        progress("sorting hits", n / len(heard))
        strokes.append(_strokes(h, f, near_rows(h, mics), learned, drums[0], said, at))
        at += len(f.energy)
    return drums, strokes


def _struck(strokes: Strokes, described: HitFeatures, near: NDArray[np.bool_]) -> hats.Struck:
    """A take's strokes as their rings are followed, in the near mics."""
    heard = strokes.detected
    own = features.take_rows(features.only(described, near), strokes.rows)
    return hats.Struck(heard.arrivals.first[strokes.rows] / heard.take.sample_rate, own, strokes.template)


def _strokes(heard: Detected, described: HitFeatures, near: NDArray[np.bool_], learned: Learned,
             drums: dict[int, str], said: Labelled, at: int) -> Strokes:
    """Decompose one take, whose first hit is row ``at`` of what is said; keep the candidates that are hits, and those
    of which the user says so.
    """
    row = said.row[at : at + len(described.energy)]
    templates = learned.templates
    allowed = constraints.allowed_kinds(said, row, templates, drums, [name or "" for name in _taught(learned)])
    able, near = comparable(templates, near)
    allowed = np.where((allowed & able).any(axis=1, keepdims=True), allowed & able, allowed)
    told = {i: _kinds_called(names, templates, drums) for i, names in heard.added.items()}
    at_step = heard.arrivals.first / heard.scan.hop
    found = decompose.decompose(described, templates, at_step, near, allowed=allowed, told=told)
    seen = found.activation > 0
    keep = decompose.is_hit(found)
    for _ in range(HIDDEN_ROUNDS):
        wanted = allowed & _expected(heard, templates, found, keep)
        found = decompose.with_hidden(found, keep, described, templates, at_step, near, wanted, allowed)
        keep |= decompose.is_expected_hit(found, wanted)
    keep[[i for i in told if found.activation[i].any()]] = True
    rows = np.flatnonzero(keep)
    own, activation, background = features.take_rows(described, rows), found.activation[rows], found.background[rows]
    split = decompose.shares(own, activation, background, templates)
    strength = np.where(seen[rows], split.own[:, :, near].sum(axis=2), -1.0)  # what hides another is the main stroke
    for n, i in enumerate(rows.tolist()):
        if i in told:
            strength[n, np.setdiff1d(np.arange(strength.shape[1]), told[i])] = -1.0
    kind = strength.argmax(axis=1) if len(rows) else np.zeros(0, np.int64)
    own_db = articulations.own_levels_db(own, activation, background, templates, kind)
    return Strokes(heard, rows, kind, activation, decompose.confidence(found, templates)[rows], split, own_db,
                   np.zeros(len(rows), np.int64), row[rows])


HIDDEN_ROUNDS = 2
"""A stroke that was found lets others be expected; hardly any are found in a third round."""


def _expected(heard: Detected, templates: Templates, found: decompose.Decomposition, hits: NDArray[np.bool_]
              ) -> NDArray[np.bool_]:
    """The templates of the drums that the players' patterns let expect in each candidate, bool (hits, templates)."""
    struck = (found.activation > 0) & hits[:, None]
    number, column = np.unique(templates.drum, return_inverse=True)
    played = np.stack([struck[:, templates.drum == n].any(axis=1) for n in number], axis=1)
    out: NDArray[np.bool_] = rhythm.expected(heard.arrivals.first / heard.take.sample_rate, played)[:, column]
    return out


def _kinds_called(names: frozenset[str], templates: Templates, drums: Mapping[int, str]) -> Frames:
    """The kinds of the drums of those names; all where none is called so."""
    numbers = [number for number, name in drums.items() if name in names]
    rows = np.flatnonzero(np.isin(templates.drum, numbers))
    return rows if len(rows) else np.arange(len(templates.drum))


def _drums_called(learned: Learned, mics: tuple[Mic, ...], near: NDArray[np.bool_],
                  guests: Frames | None = None) -> tuple[dict[int, str], dict[int, str]]:
    """What drums are called and what they are, by number; ``guests``, drums that are none, take no name away from
    those that are.
    """
    templates = learned.templates
    drums = templates if guests is None else learn_templates.select(templates, ~np.isin(templates.drum, guests))
    drum, what = naming.drum_names(drums, features.relative_level_db(drums, near), mics, learned.drum)
    for n, number in enumerate([] if guests is None else guests, 1):  # of use where a label keeps a hit of theirs
        drum[int(number)], what[int(number)] = f"other-{n}", "percussion"
    return drum, what


def _names(strokes: list[Strokes], learned: Learned, drums: tuple[dict[int, str], dict[int, str]],
           mics: tuple[Mic, ...], near: NDArray[np.bool_], said: Labelled, merged: Sequence[Merged]
           ) -> tuple[Named, list[Strokes]]:
    """Give each drum its home mic, and tell over all takes how each hit was struck and what that is called, in drums
    that are merged together.
    """
    templates = learned.templates
    drum, what = drums
    heard_in = tuple(m for m in mics if m.role is not Role.TRIGGER)
    home: dict[int, str] = {}
    called: dict[tuple[int, int], str] = {}
    number_of = np.concatenate([templates.drum[s.template] for s in strokes])
    own_db = np.concatenate([s.own_db for s in strokes])
    way = np.zeros(len(number_of), np.int64)
    template = np.concatenate([s.template for s in strokes])
    for number, name in drum.items():
        rows = np.flatnonzero(templates.drum == number)
        heard = np.maximum(templates.heard_in[rows].sum(axis=0), 1)
        level = 10 * np.log10(np.maximum(templates.energy[rows].sum(axis=(0, 2, 3)) / heard, 1e-15))
        home[number] = naming.home_mic(name, heard_in, {m.name: float(level[i]) for i, m in enumerate(mics)})

    def told_of(one: tuple[list[int], str]) -> tuple[Frames, Frames, list[str]]:
        """The hits of one drum, how each was struck, and what the ways are called."""
        together, kind = one
        # its own mics alone, where it has any: others hear it with the room, and over other drums
        close = np.array([m.role is Role.CLOSE and any(m.stands_at(drum[n]) for n in together) for m in mics])
        mine = np.flatnonzero(np.isin(number_of, together))
        heard = own_db[mine][:, close if close.any() else near]
        struck = np.zeros(len(mine), np.int64)
        if kind not in naming.STRUCK_ONE_WAY:
            struck = articulations.tell_apart(heard)
        if kind == "hat" and not struck.any():
            struck = hats.openings(templates, template[mine])
        return mine, struck, naming.articulations(articulations.median_strokes(heard, struck), kind)

    each_drum = _one_drum_each(drums, merged)
    for (together, _), (mine, struck, names) in zip(each_drum, spread(told_of, each_drum), strict=True):
        way[mine] = struck
        called.update({(number, k): n for number in together for k, n in enumerate(names)})
    ends = np.cumsum([len(s.rows) for s in strokes])[:-1]
    told = [replace(s, articulation=part) for s, part in zip(strokes, np.split(way, ends), strict=True)]
    called = constraints.named_articulations(called, number_of, way, said, np.concatenate([s.label for s in strokes]))
    return Named(drum, what, called, home, _taught(learned)), told


def _one_drum_each(drums: tuple[dict[int, str], dict[int, str]], merged: Sequence[Merged]
                   ) -> list[tuple[list[int], str]]:
    """The numbers of the drums, those that are merged together, and what each is: as its name says, else as the first
    of them.
    """
    names, what = drums
    group = {n: next((k for k, one in enumerate(merged) if name in one.drums), -1 - n) for n, name in names.items()}
    out = []
    for g in dict.fromkeys(group.values()):
        together = [n for n in names if group[n] == g]
        if len(together) > 1:
            together.sort(key=lambda n: merged[g].drums.index(names[n]))
            told = kind_of(merged[g].name)
            out.append((together, what[together[0]] if told == "percussion" else told))
        else:
            out.append((together, what[together[0]]))
    return out


def _taught(learned: Learned) -> list[str | None]:
    """What labels call the strokes of each kind; None where nobody said."""
    return [None if each is None or each.articulation is None else each.stroke("") for each in learned.stroke]
