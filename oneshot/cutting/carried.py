"""Carried over: one-shots that an earlier build of the session cut, and whose files lie in the kit that is built anew.

A kit that is put right is built again and again with one correction or setting more, and nearly all of its files then
come out as before. A file whose samples would be the same is linked into the new kit, and cut again only where it is
not there any more as it was written.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from oneshot.core.cache.results import Kind
from oneshot.core.records.kit import OneShot, Sample
from oneshot.core.records.session import Problem
from oneshot.cutting.file_tags import Coding


@dataclass(frozen=True, slots=True)
class Shot:
    """A one-shot that was cut: the rows of its files as they were cut and its pitch (Hz); what they were ``finished``
    by; the one-shot as it was written, what had to be told of it; how its files are coded, and the digests of their
    tags.
    """

    rows: tuple[Sample, ...]
    pitch_hz: float | None
    finished: str
    record: OneShot
    told: tuple[Problem, ...]
    codings: tuple[Coding, ...]
    tags: tuple[str, ...]


SHOTS = Kind("shots", Shot)
"""By all that the samples of a hit's files depend on (``Cutter``)."""


@dataclass(frozen=True, slots=True)
class OnDisk:
    """A sound file that lies in a kit, and what tells that it is still the one that was looked at: its place in the
    file system, its size and its time.
    """

    path: Path
    inode: int
    size: int
    time_ns: int

    def is_there(self) -> bool:
        """Whether it still lies there, as it was."""
        return on_disk(self.path) == self


def on_disk(path: Path) -> OnDisk | None:
    """A file as it lies there; None where none does."""
    try:
        found = path.stat()
    except OSError:
        return None
    return OnDisk(path, found.st_ino, found.st_size, found.st_mtime_ns)
