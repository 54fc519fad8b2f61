"""Far mics: which overheads and rooms of a drum play in mappings and previews, and which one-shots with them.

In playing hardly any overhead picks up one drum alone: a snare whose every hit brings a hat along is no snare. What
counts is what a listener hears: bleed in a far mic as loud as the balance makes it, against all mics of the hit. A hat
as loud as the snare in a room that lies 20 dB below the snare's own mic disturbs nobody.

The one-shots of a drum take turns, so all of them sound with a mic or none does. Where most are clean with it, it plays
with those, and the others are left to the mapping of the close mics, in which every one-shot plays. Where few are, or
the drum could not be struck hard any more, it does not play. What does not play is cut all the same, and graded.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from oneshot.core.grades import GRADE_LIMITS_DB, reaches
from oneshot.core.records.kit import OneShot, Sample
from oneshot.core.records.session import Mic

MOST = 0.5
"""A mic plays where this share of a drum's one-shots is clean with it."""


@dataclass(frozen=True, slots=True)
class Playing:
    """By what it is decided which mics play. ``mics``: by name; ``homes``: drum -> home mic, whose file always plays;
    ``levels_db``: drum -> mic -> the drum's level in it by the balance, dB, no mic that is off or in which it is not
    known; ``asked``: the grade asked for in overheads and rooms; ``all_alike``: whether all one-shots of a drum have to
    play with the same mics.
    """

    mics: Mapping[str, Mic]
    homes: Mapping[str, str]
    levels_db: Mapping[str, Mapping[str, float]]
    asked: str
    all_alike: bool = False

    def is_far(self, file: Sample, drum: str) -> bool:
        """Whether a file is of overheads or rooms only, and not of the drum's home mic."""
        return self.homes.get(drum, "") not in file.mics and all(
            name in self.mics and self.mics[name].role.means.far for name in file.mics)

    def are_clean(self, shot: OneShot, far: Sequence[Sample]) -> bool:
        """Whether the bleed in some far files together is soft enough where the whole one-shot sounds by the balance;
        by their grades where each reaches the one asked for, or where levels are not known.
        """
        limits = GRADE_LIMITS_DB["far"]
        if self.asked not in limits or all(reaches(file.grade, self.asked) for file in far):
            return True
        levels = self.levels_db.get(shot.drum, {})

        def own(files: Sequence[Sample]) -> float:
            """Energy of the drum itself in some files, by the balance."""
            return sum(10 ** (levels[name] / 10) for file in files for name in file.mics if name in levels)

        known = [(own([file]), file.bleed_db) for file in far]
        if any(bleed_db is None or not energy for energy, bleed_db in known):
            return False
        bleed = sum(energy * 10 ** ((bleed_db or 0.0) / 10) for energy, bleed_db in known)
        return bleed <= own(shot.files) * 10 ** (limits[self.asked] / 10)


def sounding(shots: Sequence[OneShot], by: Playing) -> tuple[OneShot, ...]:
    """One-shots with what plays of them filled in: ``far`` and ``plays`` of their files, and ``close_only``."""
    out: dict[int, OneShot] = {}
    for drum in sorted({shot.drum for shot in shots}):
        mine = [shot for shot in shots if shot.drum == drum]
        far = [[f for f in shot.files if by.is_far(f, drum)] for shot in mine]
        on = _most_clean([{_key(f): by.are_clean(shot, [f]) for f in row} for shot, row in zip(mine, far, strict=True)])
        whole = [by.are_clean(shot, [f for f in row if _key(f) in on]) for shot, row in zip(mine, far, strict=True)]
        if not _plays_hard(mine, whole):
            on, whole = set(), [True] * len(mine)
        if by.all_alike:
            whole = [True] * len(mine)
        for shot, all_clean in zip(mine, whole, strict=True):
            files = tuple(replace(f, far=is_far, plays=not is_far or (all_clean and _key(f) in on))
                          for f in shot.files for is_far in [by.is_far(f, drum)])
            out[id(shot)] = replace(shot, files=files, close_only=not all_clean)
    return tuple(out[id(shot)] for shot in shots)


def _most_clean(rows: Sequence[Mapping[str, bool]]) -> set[str]:
    """The files in which most of some one-shots are clean; ``rows``: file -> whether it is, one-shot by one-shot."""
    by_file: dict[str, list[bool]] = {}
    for row in rows:
        for key, good in row.items():
            by_file.setdefault(key, []).append(good)
    return {key for key, good in by_file.items() if sum(good) >= MOST * len(good)}


def _plays_hard(shots: Sequence[OneShot], whole: Sequence[bool]) -> bool:
    """Whether most of a drum's one-shots are there, and one of the hardest layer of each articulation."""
    hardest: dict[str, int] = {}
    for shot in shots:
        hardest[shot.articulation] = max(hardest.get(shot.articulation, 0), shot.layer)
    there = {shot.articulation for shot, good in zip(shots, whole, strict=True)
             if good and shot.layer == hardest[shot.articulation]}
    return there == set(hardest) and sum(whole) >= MOST * len(whole)


def _key(file: Sample) -> str:
    return " and ".join(file.mics)
