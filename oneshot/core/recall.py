"""Recall: what one build worked out, for the next build of the same session in the same process.

A kit that is put right is built again and again with one decision more; nearly everything then comes out as before.
Whoever computes something that depends on nothing but its key asks ``recalled`` for it: inside ``remembering`` the
result is kept and handed out again, anywhere else it is simply computed. Keys hold everything a result depends on (sums
of files, settings, places), so a kit built with a memory has the bytes of one built without.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field, replace
from pathlib import Path
from threading import Lock
from typing import Any, TypeVar

import numpy as np

from oneshot.core.files import sha256_of
from oneshot.core.records.kit import OneShot
from oneshot.core.records.session import Floats, Problem

T = TypeVar("T")
MOST_BYTES = 400_000_000
"""Of sound that is kept; what comes after that is computed each time."""


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
class Memory:
    """What is kept. ``source``: of which session; ``kit``: the folder in which an earlier build's files lie;
    ``shots``: what an earlier build cut; ``said``: sum of a file -> the tags in it; ``sounds``: sum of a file -> that
    of the file with the same samples that was there first.
    """

    kit: Path
    source: Hashable = None
    held: dict[tuple[str, Hashable], Any] = field(default_factory=dict)
    shots: dict[Hashable, Shot] = field(default_factory=dict)
    said: dict[str, Hashable] = field(default_factory=dict)
    sounds: dict[str, str] = field(default_factory=dict)
    used: set[tuple[str, Hashable]] = field(default_factory=set)
    size_bytes: int = 0

    def begin(self, source: Hashable) -> None:
        """A build of the session with that fingerprint begins: of another one nothing is known."""
        if source != self.source:
            self.held.clear()
            self.shots.clear()
            self.said.clear()
            self.sounds.clear()
            self.size_bytes = 0
        self.source = source
        self.used.clear()

    def tagged(self, before: str, after: str, said: Hashable) -> None:
        """A file of the sum ``before`` has those tags now, and the sum ``after``."""
        self.said[after] = said
        if before != after:
            self.sounds.setdefault(after, self.sounds.get(before, before))

    def end(self) -> None:
        """A build has ended well: forget the sounds and analyses that it had no use for."""
        idle = [key for key in self.held if key not in self.used]
        for key in [key for key in idle if key[0] == "analysis" or _weight(self.held[key])]:
            self.size_bytes -= _weight(self.held.pop(key))

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


_MEMORY: ContextVar[Memory | None] = ContextVar("memory", default=None)
_ONE_AT_A_TIME = Lock()
"""Workers share the memory of their build; what is kept is worked out outside this."""


@contextmanager
def remembering(memory: Memory) -> Iterator[None]:
    """Inside, results are kept in ``memory`` and taken from it (this thread only)."""
    token = _MEMORY.set(memory)
    try:
        yield
    finally:
        _MEMORY.reset(token)


def memory() -> Memory | None:
    """The memory in use; None where nothing is kept."""
    return _MEMORY.get()


def recalled(kind: str, key: Hashable, make: Callable[[], T]) -> T:
    """The result of ``make``, from memory where there is one and it is there. What it gives must not be changed."""
    kept = _MEMORY.get()
    if kept is None:
        return make()
    full = (kind, key)
    with _ONE_AT_A_TIME:
        kept.used.add(full)
        if full in kept.held:
            found: T = kept.held[full]
            return found
    made = make()
    weight = _weight(made)
    with _ONE_AT_A_TIME:
        if kept.size_bytes + weight <= MOST_BYTES:
            kept.held[full] = made
            kept.size_bytes += weight
    return made


def sound_of(sha256: str) -> str:
    """By which the samples of a file are known: its own sum, or that of the file whose samples it has."""
    kept = _MEMORY.get()
    return sha256 if kept is None else kept.sounds.get(sha256, sha256)


def stamp_of(path: Path) -> Stamp | None:
    """The stamp of a file; None where there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return Stamp(found.st_ino, found.st_size, found.st_mtime_ns)


def _weight(value: object) -> int:
    """Bytes of sound in a result; records and texts count as nothing."""
    if isinstance(value, np.ndarray):
        return int(value.nbytes)
    return sum(_weight(part) for part in value) if isinstance(value, tuple) else 0
