"""Files that an earlier build of the same kit in this process wrote, for the next build of it.

A kit that is put right is built again and again with one correction more, and nearly all of its files then come out as
before. They are linked into the new kit instead of being cut again, where they are still as they were written.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from oneshot.core.files import sha256_of
from oneshot.core.records.kit import OneShot
from oneshot.core.records.session import Floats, Problem


@dataclass(frozen=True, slots=True)
class Stamp:
    """What tells that a file is still the one that was written: its place in the file system, size and time."""

    inode: int
    size: int
    time_ns: int


@dataclass(frozen=True, slots=True)
class Shot:
    """A one-shot that was cut, what had to be told of it, the stamps of its files and, of a drum's hardest, how it
    begins in each mic.
    """

    record: OneShot
    told: tuple[Problem, ...]
    stamps: tuple[Stamp | None, ...]
    aloud: Mapping[str, Floats] | None = None


@dataclass(slots=True)
class EarlierFiles:
    """What is known of the files of a kit. ``kit``: the folder in which they lie; ``shots``: what an earlier build cut;
    ``said``: sum of a file -> the tags in it; ``sounds``: sum of a file -> that of the file with the same samples that
    was there first.
    """

    kit: Path
    shots: dict[Hashable, Shot] = field(default_factory=dict)
    said: dict[str, Hashable] = field(default_factory=dict)
    sounds: dict[str, str] = field(default_factory=dict)

    def clear(self) -> None:
        """Forget all of them."""
        self.shots.clear()
        self.said.clear()
        self.sounds.clear()

    def tagged(self, before: str, after: str, said: Hashable) -> None:
        """A file of the sum ``before`` has those tags now, and the sum ``after``."""
        self.said[after] = said
        if before != after:
            self.sounds.setdefault(after, self.sounds.get(before, before))

    def carry_over(self, shot: Shot, stage: Path, paths: Sequence[Path]) -> bool:
        """Put the files of an earlier one-shot into ``stage`` under new relative paths; False, and nothing done, where
        one of them is not there any more as it was written.

        They are linked where the disk can, so that nothing is copied: kits are replaced whole and never written into.
        """
        old = [self.kit / file.path for file in shot.record.files]
        if len(old) != len(paths) or [stamp_of(path) for path in old] != list(shot.stamps):
            return False
        for source, path in zip(old, paths, strict=True):
            target = stage / path
            target.parent.mkdir(parents=True, exist_ok=True)
            try:
                os.link(source, target)
            except OSError:
                shutil.copy2(source, target)
        return True

    def renew(self, shots: Sequence[OneShot], folder: Path) -> None:
        """Take over what was said of the files of one-shots after they were cut, tags in them included.

        ``folder``: in which they lie now.
        """
        by_path = {shot.files[0].path: shot for shot in shots}
        for key, known in list(self.shots.items()):
            shot = by_path.get(known.record.files[0].path)
            if shot is not None and shot.hit == known.record.hit:
                stamps = tuple(stamp_of(folder / file.path) for file in shot.files)
                self.shots[key] = replace(known, record=shot, stamps=stamps)

    def adopt(self, shots: Sequence[OneShot]) -> None:
        """Use the files of the kit in place of those that were written elsewhere, where they are the same to the byte.

        ``shots``: what the kit's manifest says.
        """
        there = {file.sha256: file.path for shot in shots for file in shot.files}
        for key, shot in list(self.shots.items()):
            paths = [self.kit / there.get(file.sha256, "") for file in shot.record.files]
            if all(path.is_file() and sha256_of(path) == file.sha256
                   for path, file in zip(paths, shot.record.files, strict=True)):
                files = tuple(replace(file, path=there[file.sha256]) for file in shot.record.files)
                record = replace(shot.record, files=files)
                self.shots[key] = replace(shot, record=record, stamps=tuple(map(stamp_of, paths)))


def stamp_of(path: Path) -> Stamp | None:
    """The stamp of a file; None where there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return Stamp(found.st_ino, found.st_size, found.st_mtime_ns)
