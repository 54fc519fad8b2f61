"""Passing: a folder of one process that is thrown away again, also where the process was killed.

It lies in the cache folder, beside a small file that its process holds locked: the system gives the lock back whatever
happens to the process, so what can be locked belongs to nobody any more.
"""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from oneshot.core.cache.disk import cache_folder
from oneshot.core.kit_lock import lock
from oneshot.core.user_state import forget

KIT = "kit"
"""The name of a kit in such a folder."""


@contextmanager
def passing_folder() -> Iterator[Path]:
    """An empty folder, gone when the ``with`` block ends. Raises OSError where there can be none."""
    place = _place()
    place.mkdir(parents=True, exist_ok=True)
    sweep()
    mark, held = _held(place)
    try:
        folder = mark.with_suffix("")
        folder.mkdir()
        yield folder
    finally:
        _remove(mark, held)


def sweep() -> None:
    """Remove the folders of processes that are gone; those of processes that live are left alone."""
    for mark in sorted(_place().glob("*.lock")):
        with suppress(OSError):
            held = mark.open("a+", encoding="utf-8")
            if lock(held):
                _remove(mark, held)
            else:
                held.close()


def _place() -> Path:
    return cache_folder() / "passing"


def _held(place: Path) -> tuple[Path, IO[str]]:
    """A new lock file and the handle that holds it: locked before the folder is there."""
    while True:
        mark = place / f"{secrets.token_hex(8)}.lock"
        held = mark.open("a+", encoding="utf-8")
        if lock(held) and mark.exists() and mark.stat().st_ino == os.fstat(held.fileno()).st_ino:
            return mark, held
        held.close()  # a sweep took it for abandoned between the two steps


def _remove(mark: Path, held: IO[str]) -> None:
    """The folder first, so that a lock file without a folder is all that can be left."""
    folder = mark.with_suffix("")
    with suppress(OSError):
        forget(folder / KIT)
    shutil.rmtree(folder, ignore_errors=True)
    if os.name == "posix":
        mark.unlink(missing_ok=True)
    held.close()
    with suppress(OSError):  # elsewhere a file that is open cannot be removed
        mark.unlink(missing_ok=True)
