"""Holder: one program at a time works on a kit on this machine, be it a build or a review.

The system's own lock on a small file, which a process that is killed gives back by itself.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from oneshot.core.errors import KitError
from oneshot.core.user_state import note_beside


class Holder:
    """Holds a kit for one process from ``take`` to ``leave``."""

    def __init__(self, kit: Path) -> None:
        self._kit = kit
        self._path = note_beside(kit, "review.lock")
        self._file: IO[str] | None = None

    def take(self, said: str) -> None:
        """Hold the kit; ``said``: what another process is told. Raises KitError where one holds it already."""
        self._path.parent.mkdir(parents=True, exist_ok=True)
        file = self._path.open("a+", encoding="utf-8")
        if not lock(file):
            file.seek(1)
            other = file.read(200).strip()
            file.close()
            raise KitError(f"{self._kit} is in use ({other or 'another process'}): continue there, or end it "
                           "first")
        self._file = file
        self.say(said)

    def say(self, said: str) -> None:
        """Change what another process is told. The first byte stays: it is what is locked."""
        if self._file is not None:
            self._file.truncate(0)
            self._file.seek(0)
            self._file.write(" " + said)
            self._file.flush()

    def leave(self) -> None:
        """Let go; may be called twice."""
        if self._file is not None:
            with suppress(OSError):
                self._file.close()
            self._file = None


@contextmanager
def held(kit: Path, what: str) -> Iterator[None]:
    """Hold a kit while the ``with`` block works on it; ``what`` does, as in "a build". Raises KitError where another
    process holds it. Where this machine keeps no notes nobody can be told, and the work goes on.
    """
    holder = Holder(kit)
    with suppress(OSError):
        holder.take(f"{what}, {process()}")
    try:
        yield
    finally:
        holder.leave()


def lock(file: IO[str]) -> bool:
    """Lock a file for this process; False where another one has it."""
    try:
        if sys.platform == "win32":
            import msvcrt  # noqa: PLC0415 - there is no such module elsewhere

            file.seek(0)
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl  # noqa: PLC0415 - there is no such module on Windows

            fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def process() -> str:
    """How this process is told from others."""
    return f"process {os.getpid()}"
