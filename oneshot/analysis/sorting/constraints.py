"""Constraints: what labels say of the hits in a stretch of a take, as constraints on clustering, decomposition and
naming.

Labels outrank what is computed, in this order: session.toml, a cue, the name of the take. Of two stretches from one
source, the one that begins later wins. What the stronger label leaves open is taken from the weaker one, as long as
both name one drum: a cue "left" inside a take called "snare rim" is a snare's rim, struck by the left.

A labelled hit serves twice. It is the drum that its label names, struck as the label says. And it constrains learning:
hits of different labels are never one template (cannot-link), and all templates with one drum's label are that drum, in
every take (must-link).

A player may hit something else between two hits of a labelled stretch: a foot on the kick, a stick laid down on a tom.
Such a hit is reported and left as computed where another drum's own close mic picks it up far louder, relative to what
that mic usually gets, than the labelled drum's mics do. Names of takes and cues are weaker: where a tenth of the hits
are clearly another drum's, they are not the drum that is named, and the label is reported and ignored.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.records import HitFeatures, Templates
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Frames, Label, Mic, Problem, Take
from oneshot.session.labels import TOLD_BY, articulation_of
from oneshot.session.mic_names import drum_of, kind_of

FAR_LOUDER_DB = 12.0
"""A hit that another drum's own mic picks up this much louder, each relative to the mic's hard strokes, is that drum's.
Bleed from one drum into another's close mic lies 15 to 30 dB down (common practice, no source).
"""

CLEAR_RATIO = 10.0
"""Only what stands this many times (10 dB) above the level before it says whose hit it is."""

LEAST_DB = -99.0
"""Stands for an unknown level."""

HARD_PERCENTILE = 98.0
"""A mic's hard strokes: this percentile of the levels of all hits in it, so that one stray peak does not count as
them.
"""

NOT_THAT_DRUM, FEWEST_OTHERS = 0.1, 3
"""With this share of hits that are clearly another drum's, and so many of them, a take or cue is not of the drum that
it is named after: a slate of one drum has a stray hit in fifty, a groove called "ride" has a kick in four.
"""

MOST_OF_A_KIND = 0.5
"""A template is named by its labels where at least this share of its hits carries them."""


@dataclass(frozen=True, slots=True)
class Said:
    """All that the labels say of a hit. ``drum`` is its name in the kit; ``told_by``: the strongest label that says any
    of it.
    """

    drum: str | None = None
    articulation: str | None = None
    hand: str | None = None
    wires: str | None = None
    tool: str | None = None
    strength: str | None = None
    told_by: str = "session.toml"

    def stroke(self, computed: str) -> str:
        """Name of the articulation: as labelled, else as computed; wires off and tools are part of the name, so that no
        set of round robins mixes them.
        """
        name = self.articulation or computed
        ends = [end for end, on in (("wires-off", self.wires == "off"), (self.tool or "", self.tool not in (None,
                "sticks", self.articulation))) if on]
        return "-".join([name, *(end for end in ends if not name.endswith(end))])


@dataclass(frozen=True, slots=True, eq=False)
class Labelled:
    """What labels say of the hits of all takes, in their order.

    ``said``: each distinct statement once; ``row``: int64 (hits,), which of them holds for a hit, -1 for none.
    """

    said: tuple[Said, ...]
    row: Frames

    def rows(self, first: int, count: int) -> Frames:
        """The part of ``row`` that belongs to one take's hits."""
        return self.row[first : first + count]

    def numbers(self, of: Callable[[Said], object]) -> tuple[list[str], Frames]:
        """The distinct answers (as text, sorted) that ``of`` gives, and which one a hit has, int64 (hits,), -1 for
        None.
        """
        answers = [of(said) for said in self.said]
        names = sorted({str(a) for a in answers if a is not None})
        table = np.array([names.index(str(a)) if a is not None else -1 for a in answers] + [-1], np.int64)
        return names, table[self.row]


_Both = tuple[Label, Said]

# ---------------------------------------------------------------------------------------------------- which labels hold


def apply_labels(labels: Sequence[Label], heard: Sequence[tuple[Take, Frames]], described: HitFeatures,
                 mics: Sequence[Mic]) -> tuple[Labelled, list[Problem]]:
    """What labels say of each hit, and what to report of labels that do not hold.

    ``heard``: each take and the first arrivals (int64) of its hits; ``described``: the features of all of them, one
    take after the other; ``mics``: the mics of the features.
    """
    count = sum(len(first) for _, first in heard)
    if not labels:
        return Labelled((), np.full(count, -1, np.int64)), []
    problems: list[Problem] = []
    drums = sorted({m.drum for m in mics if m.role is Role.CLOSE and m.drum})
    able = [(label, said) for label in labels if (said := _said(label, drums, problems)) is not None]
    level, clear = _calibrated_db(described)
    known: dict[Said, int] = {}
    row = np.full(count, -1, np.int64)
    at = 0
    for take, first in heard:
        mine, holds = _holding([(lab, s) for lab, s in able if lab.take == take.name], first,
                               partial(_of_other_drums, level[at : at + len(first)], clear[at : at + len(first)], mics),
                              take, problems)
        for i in range(len(first)):
            said = _together([mine[k][1] for k in np.flatnonzero(holds[:, i])])
            if said is not None:
                row[at + i] = known.setdefault(said, len(known))
        at += len(first)
    return Labelled(tuple(known), row), problems


def _said(label: Label, drums: Sequence[str], problems: list[Problem]) -> Said | None:
    """A label in the kit's names; None, and reported, where its drum may be several of those that have mics."""
    drum = None
    if label.drum is not None:
        drum = _name_in_kit(label.drum, drums)
        if drum is None:
            like = [d for d in drums if kind_of(d) == kind_of(label.drum)]
            problems.append(Problem(f"{label.take} ({label.told_by})",
                                    f'"{label.drum}" may be {" or ".join(like)}: label ignored', "name one of them"))
            return None
    return Said(drum, articulation_of(label.articulation) if label.articulation else None, label.hand, label.wires,
                label.tool, label.strength, label.told_by)


def _name_in_kit(said: str, drums: Sequence[str]) -> str | None:
    """A drum as the kit names it: after the mic that stands at it, else as labelled; None where it may be several.

    "Tom" is the only tom that has a mic; where two have one, it is neither.
    """
    plain = " ".join(said.replace("-", " ").split()).lower()
    for name in (plain, drum_of(said)):
        for drum in drums:
            if name == drum.replace("-", " ").lower():
                return drum.replace(" ", "-")
    kind = kind_of(said)
    same_kind = [d for d in drums if kind_of(d) == kind]
    if drum_of(said) == kind and same_kind:
        return same_kind[0].replace(" ", "-") if len(same_kind) == 1 else None
    known = drum_of(said)
    return (plain if known == "percussion" else known).replace(" ", "-")


def _calibrated_db(described: HitFeatures) -> tuple[Floats, NDArray[np.bool_]]:
    """Level (hits, mics) of each hit's first stretch relative to the mic's hard strokes, dB, NaN where the mic is
    missing, and whether it stands clear of the level before.
    """
    early = described.energy[..., 0].sum(axis=2)
    before = np.maximum(described.before, described.noise).sum(axis=2)
    level = 10 * np.log10(np.maximum(early, 1e-15))
    out = np.full(level.shape, np.nan)
    for m in range(level.shape[1]):
        here = early[:, m] > 0
        if here.any():
            out[here, m] = level[here, m] - np.percentile(level[here, m], HARD_PERCENTILE)
    return out, early > CLEAR_RATIO * before


def _of_other_drums(level_db: Floats, clear: NDArray[np.bool_], mics: Sequence[Mic], drum: str) -> NDArray[np.bool_]:
    """Which hits (hits,) clearly belong to other drums than the one named.

    In another drum's own mic they are ``FAR_LOUDER_DB`` louder than in its mics or, where it has none, than in all
    other close mics and no further than that below what is hard there.
    """
    close = sorted({m.drum for m in mics if m.role is Role.CLOSE and m.drum})
    own = np.array([d.replace(" ", "-") == drum for d in close], bool)
    nobody = np.zeros(len(level_db), bool)
    if (~own).sum() < (1 if own.any() else 2) or not len(level_db):
        return nobody
    known = np.nan_to_num(level_db, nan=LEAST_DB)
    of = [np.array([m.role is Role.CLOSE and m.drum == d for m in mics]) for d in close]
    heard = np.stack([known[:, mine].max(axis=1) for mine in of], axis=1)
    clear_level = np.stack([np.where(clear, known, LEAST_DB)[:, mine].max(axis=1) for mine in of], axis=1)
    others_level = clear_level[:, ~own].max(axis=1)
    if own.any():
        return np.asarray(others_level >= heard[:, own].max(axis=1) + FAR_LOUDER_DB)
    return np.asarray((others_level >= np.sort(heard, axis=1)[:, -2] + FAR_LOUDER_DB)
                      & (others_level >= -FAR_LOUDER_DB))


def _holding(labels: Sequence[_Both], first: Frames, of_other_drums: Callable[[str], NDArray[np.bool_]], take: Take,
             problems: list[Problem]) -> tuple[list[_Both], NDArray[np.bool_]]:
    """One take's labels, the strongest first, and which hits each holds for, bool (labels, hits). Reports those that do
    not hold.
    """
    mine = sorted(labels, key=lambda both: (TOLD_BY.index(both[0].told_by), -both[0].start, both[0].stop))
    holds = np.zeros((len(mine), len(first)), bool)
    for k, (label, said) in enumerate(mine):
        inside = (first >= label.start) & (first < label.stop)
        holds[k] = inside
        if said.drum is None or not inside.any():
            continue
        other = inside & of_other_drums(said.drum)
        holds[k] = inside & ~other
        where = f"{take.name} ({label.told_by})"
        if label.told_by != TOLD_BY[0] and other.sum() >= max(NOT_THAT_DRUM * inside.sum(), FEWEST_OTHERS):
            holds[k] = False
            problems.append(Problem(where, f"{other.sum()} of {inside.sum()} hits are clearly not "
                                           f"{said.drum}: label ignored",
                                    "add [[labels]] to session.toml if the label is right"))
        elif other.any():
            at = ", ".join(f"{frame / take.sample_rate:.2f}" for frame in first[other][:4]) + (
                " …" if other.sum() > 4 else "")
            problems.append(Problem(where, f"{other.sum()} hits are far louder in another drum's own mic than in "
                                           f"{said.drum}'s: label ignored for them (at {at} s)",
                                    "end the label before them, or listen to them"))
    return mine, holds


def _together(said: Sequence[Said]) -> Said | None:
    """What several labels say of one hit, the strongest first; None where there is none."""
    if not said:
        return None
    out = said[0]
    for below in said[1:]:
        if out.drum is not None and below.drum is not None and out.drum != below.drum:
            continue
        out = Said(out.drum or below.drum, out.articulation or below.articulation, out.hand or below.hand,
                   out.wires or below.wires, out.tool or below.tool, out.strength or below.strength, out.told_by)
    return out


# -------------------------------------------------------------------------------------------------- what they constrain


def unlike(told: Labelled, rows: Frames) -> NDArray[np.bool_]:
    """Which of the given hits (rows, rows) are surely not of one template: labelled as two drums, or as two
    articulations.
    """
    out = np.zeros((len(rows), len(rows)), bool)
    for of in (lambda s: s.drum, lambda s: s.articulation, lambda s: s.wires, lambda s: s.tool):
        _, number = told.numbers(of)
        mine = number[rows]
        out |= (mine[:, None] != mine[None, :]) & (mine[:, None] >= 0) & (mine[None, :] >= 0)
    return out


def parted(template: Frames, apart: NDArray[np.bool_]) -> Frames:
    """The same templates (hits,), those that hold hits of conflicting labels split so that each part is free of
    conflicts.

    Hits that conflict with none stay with the first part.
    """
    out = template.copy()
    for k in range(int(template.max(initial=-1)) + 1):
        rows = np.flatnonzero(template == k)
        conflicts = apart[np.ix_(rows, rows)]
        parts: list[list[int]] = [[]]
        for i in np.flatnonzero(conflicts.any(axis=1)):
            home = next((part for part in parts if not conflicts[i, part].any()), None)
            if home is None:
                parts.append([int(i)])
            else:
                home.append(int(i))
        for part in parts[1:]:
            out[rows[part]] = int(out.max()) + 1
    return out


def of_kinds(told: Labelled, template: Frames, of: Callable[[Said], object], count: int,
             least: float = 0.0) -> tuple[list[str], Frames]:
    """The answers of ``of`` and which one each template has, int64 (templates,), -1 for none: the most frequent among
    its labelled hits, if these are a share of at least ``least`` of it. ``template``: int64 (hits,), -1 for hits of no
    template.
    """
    names, number = told.numbers(of)
    out = np.full(count, -1, np.int64)
    for k in range(count):
        mine = number[template == k]
        votes = np.bincount(mine[mine >= 0], minlength=1)
        if votes.sum() > 0 and votes.sum() >= least * len(mine):
            out[k] = int(votes.argmax())
    return names, out


def named_articulations(computed: Mapping[tuple[int, int], str], drum: Frames, way: Frames, told: Labelled,
                        rows: Frames) -> dict[tuple[int, int], str]:
    """Names of the articulations: as most of their labelled hits say; else as computed, numbered where a label gave
    another articulation of the drum that name.

    ``computed``: (drum, articulation) -> name; ``drum``, ``way``, ``rows``: int64 (hits,), of each hit its drum, its
    articulation and the row of ``told.said`` that holds for it, -1 for none.
    """
    said: dict[tuple[int, int], dict[str, int]] = {}
    for number, struck, row in zip(drum.tolist(), way.tolist(), rows.tolist(), strict=True):
        if row >= 0 and told.said[row].articulation is not None:
            name = told.said[row].stroke("")
            counts = said.setdefault((number, struck), {})
            counts[name] = counts.get(name, 0) + 1
    out = dict(computed)
    for key, counts in said.items():
        out[key] = min(counts, key=lambda name: (-counts[name], name))
    for key in sorted(set(out) - set(said)):
        if out[key] in {out[other] for other in said if other[0] == key[0]}:
            out[key] = f"{out[key]}-2"
    return out


def allowed_kinds(told: Labelled, rows: Frames, templates: Templates, drums: Mapping[int, str],
                  strokes: Sequence[str]) -> NDArray[np.bool_]:
    """Which templates may be active in each hit, bool (hits, templates): those of the labelled drum, of the labelled
    articulation where such a template is known; all of them where nothing is labelled, or no template of that drum is
    known.

    ``rows``: int64 (hits,), rows of ``told.said``, -1 for none; ``drums``: names by number; ``strokes``: articulation
    names (templates,).
    """
    out = np.ones((len(rows), len(templates.drum)), bool)
    for n, said in enumerate(told.said):
        of_drum = np.array([said.drum is None or drums[int(d)] == said.drum for d in templates.drum], bool)
        struck = of_drum & np.array([said.stroke(name) == name and said.articulation is not None for name in strokes])
        allowed = struck if struck.any() and said.drum is not None else of_drum
        if said.drum is not None and allowed.any():
            out[rows == n] = allowed
    return out


def silent(labels: Sequence[Label], heard: Sequence[tuple[Take, Frames]]) -> list[Problem]:
    """A problem for each label of session.toml or of a cue in whose stretch no hit was found."""
    first = {take.name: frames for take, frames in heard}
    rate = {take.name: take.sample_rate for take, _ in heard}
    return [Problem(f"{label.take} ({label.told_by})",
                    f"no hit detected from {label.start / rate[label.take]:.2f} to "
                    f"{label.stop / rate[label.take]:.2f} s, which is labelled {label.drum or label.articulation}",
                    "check the times of the label")
            for label in labels if label.told_by == TOLD_BY[0] and label.take in first
            and not ((first[label.take] >= label.start) & (first[label.take] < label.stop)).any()]


