"""Far mics: which overheads and rooms of a drum play in mappings and previews, and what to report of those that do not.

In playing hardly any overhead picks up one drum alone: a snare whose every hit brings a hat along is no snare. The
one-shots of a drum take turns, so either all of them sound with a mic or none does. What does not play is cut all the
same, and graded.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from oneshot.core.grades import reaches
from oneshot.core.records.kit import OneShot, Sample
from oneshot.core.records.session import Mic, Problem

MOST = 0.5
"""A mic plays where this share of a drum's one-shots reaches the grade in it."""


def playing(grades: Iterable[Mapping[str, str]], asked: str) -> set[str]:
    """The mics in which most of some hits reach the grade asked for; ``grades``: mic -> grade, hit by hit."""
    by_mic: dict[str, list[bool]] = {}
    for row in grades:
        for mic, grade in row.items():
            by_mic.setdefault(mic, []).append(reaches(grade, asked))
    return {mic for mic, good in by_mic.items() if sum(good) >= MOST * len(good)}


def sounding(shots: Sequence[OneShot], mics: Mapping[str, Mic], homes: Mapping[str, str],
             asked: str) -> tuple[tuple[OneShot, ...], list[Problem]]:
    """One-shots with ``plays`` filled in, and a problem for each drum of which some mics do not play.

    ``mics``: by name; ``homes``: drum -> home mic, whose file always plays.
    """
    out: dict[int, OneShot] = {}
    told: list[Problem] = []
    for drum in sorted({shot.drum for shot in shots}):
        mine = [shot for shot in shots if shot.drum == drum]
        far = [{_key(f): f.grade for f in shot.files if _is_far(f, mics, homes.get(drum, ""))} for shot in mine]
        on = playing(far, asked)
        off = sorted({key for row in far for key in row if key not in on})
        out |= {id(shot): replace(shot, files=tuple(replace(f, plays=_key(f) not in off) for f in shot.files))
                for shot in mine}
        if off:
            told.append(Problem(drum, f"too much bleed in {_listed(off)} (below grade {asked} in most of its "
                                "one-shots): exported, but muted in mappings and previews", "record single hits, set "
                                "repair.composites = true, or choose.grade_far = \"D\" to play them all"))
    return tuple(out[id(shot)] for shot in shots), told


def _is_far(file: Sample, mics: Mapping[str, Mic], home: str) -> bool:
    return home not in file.mics and all(name in mics and mics[name].role.means.far for name in file.mics)


def _key(file: Sample) -> str:
    return " and ".join(file.mics)


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
