"""Files that an earlier build of the same kit in this process wrote, for the next build of it.

A kit that is put right is built again and again with one correction more, and nearly all of its files then come out as
before. They are linked into the new kit instead of being cut again, where they are still as they were written.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from oneshot.core.files import sha256_of
from oneshot.core.records.kit import OneShot, Sample
from oneshot.core.records.session import Problem


@dataclass(frozen=True, slots=True)
class Stamp:
    """What tells that a file is still the one that was written: its place in the file system, size and time."""

    inode: int
    size: int
    time_ns: int


@dataclass(frozen=True, slots=True)
class Shot:
    """A one-shot that was cut: the rows of its files as they were cut and its pitch (Hz); what they were ``finished``
    by; the one-shot as it was written, what had to be told of it, and its files' tags, as their writer holds them, and
    stamps.
    """

    rows: tuple[Sample, ...]
    pitch_hz: float | None
    finished: Hashable
    record: OneShot
    told: tuple[Problem, ...]
    tags: tuple[Any, ...]
    stamps: tuple[Stamp | None, ...]


@dataclass(slots=True)
class EarlierFiles:
    """What is known of the files of a kit. ``kit``: the folder in which they lie; ``shots``: what an earlier build cut;
    ``sounds``: sum of a file -> that of the file with the same samples that was there first.
    """

    kit: Path
    shots: dict[Hashable, Shot] = field(default_factory=dict)
    sounds: dict[str, str] = field(default_factory=dict)

    def clear(self) -> None:
        """Forget all of them."""
        self.shots.clear()
        self.sounds.clear()

    def paths(self, shot: Shot) -> list[Path] | None:
        """Where the files of an earlier one-shot lie; None where one is not there any more as it was written."""
        paths = [self.kit / file.path for file in shot.record.files]
        return paths if [stamp_of(path) for path in paths] == list(shot.stamps) else None

    def retagged(self, before: str, after: str) -> None:
        """The file of the sum ``after`` has the samples of that of the sum ``before``."""
        if before != after:
            self.sounds.setdefault(after, self.sounds.get(before, before))

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
