"""File names: what the files of a kit are called. No two of a kit are called alike, whatever folder they lie in, for
they are used outside of it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import count
from pathlib import PurePosixPath

from oneshot.config.corrections_file import safe_name
from oneshot.config.name_pattern import FIELDS, fields_of, filled, hyphened, short_name
from oneshot.config.recipe import Naming
from oneshot.config.release_lock import Released
from oneshot.core.errors import SettingsError
from oneshot.core.records.hits import Hit, ordinary
from oneshot.core.text import nearest_letters
from oneshot.selection.select import Pick

REPAIRED = "repaired"
"""Ends the name of a repaired file; the unrepaired one beside it has the usual name."""

Place = tuple[str, str, int, int]
"""Drum, articulation, layer and round robin."""


@dataclass(slots=True)
class FileNames:
    """Gives the files of a kit their paths in it, the same whenever it is asked again.

    ``kit``: its name; ``plain``: drum -> the articulation that names leave out; ``suffix``: that of all files;
    ``released``: what the files of one-shots in an earlier release are called, which they keep; ``printed``: (hit id,
    folder) -> the same of prints.
    """

    naming: Naming
    kit: str
    plain: Mapping[str, str] = field(default_factory=dict)
    suffix: str = ".wav"
    released: Mapping[Place, Sequence[str]] = field(default_factory=dict)
    printed: Mapping[tuple[int, str], str] = field(default_factory=dict)
    _given: dict[tuple[str, int, str], str] = field(default_factory=dict)
    _used: dict[str, Mapping[str, str]] = field(default_factory=dict)

    def sample(self, hit: Hit, pick: Pick, label: str) -> str:
        """samples/<drum>/<articulation>/<name>: the path of a hit's file of the mics called ``label``. Raises
        SettingsError where the recipe's pattern gives another file that name.
        """
        key = ("samples", hit.id, label)
        if key not in self._given:
            drum, way = _drum(hit), _way(hit)
            folder, kept = f"samples/{drum}/{way}", self._kept(hit, pick, label)
            self._given[key] = self._free(folder, self.naming.samples, "names.samples", hit, pick, label) \
                if kept is None else kept
        return self._given[key]

    def print(self, hit: Hit, pick: Pick, folder: str, name: str) -> str:
        """prints/<folder>/<name>: the path of a hit's print called ``name``. Raises as ``sample``."""
        key = ("prints", hit.id, folder)
        if key not in self._given:
            kept = self.printed.get((hit.id, folder))
            self._given[key] = self._free(f"prints/{folder}", self.naming.prints, "names.prints", hit, pick, name) \
                if kept is None else self._same(kept)
        return self._given[key]

    def _same(self, path: str) -> str:
        """A released path, with the suffix that files have now; its name is then taken."""
        name = PurePosixPath(path).with_suffix(self.suffix)
        self._used[name.name.lower()] = {}
        return name.as_posix()

    def _kept(self, hit: Hit, pick: Pick, label: str) -> str | None:
        """What a released file is called, whose name ends in what it says of its mics; None where none was."""
        place = hit.drum, hit.articulation, pick.layer, pick.round_robin
        wanted = {_letters(label), _letters(nearest_letters(label))}  # releases had names without ü before
        for path in self.released.get(place, ()):
            name = PurePosixPath(path).with_suffix(self.suffix)
            if _letters(name.stem.rpartition("_")[2]) in wanted and name.name.lower() not in self._used:
                return self._same(path)
        return None

    def _free(self, folder: str, pattern: str, where: str, hit: Hit, pick: Pick, mic: str) -> str:
        """A path whose name nothing else in the kit has, also where a file system takes no notice of case."""
        raw = {"kit": self.kit, "drum": hit.drum, "articulation": hit.articulation, "layer": f"{pick.layer:02d}",
               "velocity": f"{pick.velocity[1]:03d}", "round_robin": f"{pick.round_robin:02d}", "hit": f"{hit.id:03d}",
               "mic": mic}
        said = raw | {"kit": self.naming.kit or short_name(self.kit), "drum": _drum(hit), "mic": hyphened(mic) or "mic",
                      "articulation": "" if self.plain.get(hit.drum) == hit.articulation else _way(hit)}
        for again in count(1):
            name = filled(pattern, said, "" if again == 1 else f"-{again}") + self.suffix
            other = self._used.get(name.lower())
            if other is None:
                self._used[name.lower()] = raw
                return f"{folder}/{name}"
            shown = fields_of(pattern)
            if other and all(raw[each] == other[each] for each in shown):  # not just alike to the eye
                told = [f"{{{each}}}" for each in FIELDS if each not in shown and raw[each] != other[each]]
                raise SettingsError(f"{where} is {pattern!r}, by which two files are called {name}: add "
                                    f"{' or '.join(told) or '{hit}'}")
        raise AssertionError("numbers do not end")


def file_names(naming: Naming, kit: str, drums: Mapping[str, Sequence[str]], suffix: str, before: Released | None,
               printed: Mapping[tuple[int, str], str]) -> FileNames:
    """The names of a kit's files; ``drums``: name -> its articulations; ``before``: the release whose names stay;
    ``printed`` as in ``FileNames``.
    """
    plain = {} if naming.every_articulation else ordinary_ways(drums, before)
    kept = {} if before is None else {(group.drum, group.articulation, slot.layer, slot.round_robin): slot.paths
                                      for group in before.groups for slot in group.slots}
    naming = naming if before is None or not before.called else replace(naming, kit=before.called)
    return FileNames(naming, kit, plain, suffix, kept, printed)


def ordinary_ways(drums: Mapping[str, Sequence[str]], before: Released | None) -> dict[str, str]:
    """Drum -> the articulation that file names leave out: that of the release, or else its ordinary one."""
    found = {name: way for name, ways in drums.items() if (way := ordinary(ways)) is not None}
    return found if before is None else found | dict(before.ordinary)


def _drum(hit: Hit) -> str:
    return safe_name(hit.drum) or "drum"


def _way(hit: Hit) -> str:
    return safe_name(hit.articulation)[:16].strip("-") or "hit"


def _letters(text: str) -> str:
    """What of a name counts: a release may have been made when signs between its letters were others."""
    return re.sub(r"[^a-z0-9]", "", text.lower())
