"""Watching a session's folder while takes come in: each is given once its files no longer grow."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from oneshot.core.errors import OneshotError
from oneshot.core.records.session import Session
from oneshot.session.open import open_session

LOOK_S = 2.0
"""Between two looks: a recorder writes to its files far more often."""
Stamps = dict[str, tuple[int, int]]


def takes_as_they_come(folder: Path, wait: Callable[[float], None] = time.sleep) -> Iterator[Session | OneshotError]:
    """The session with those takes alone that are new or have changed, each time there are any; or why it cannot be
    opened, once for each state of the folder. Never ends by itself.
    """
    before: Stamps | None = None
    done: Stamps = {}
    while True:
        now = _stamps(folder)
        if now == before and now != done:
            changed, done = {path for path, stamp in now.items() if done.get(path) != stamp}, now
            try:
                found = open_session(folder)
            except OneshotError as error:
                yield error
                continue
            takes = tuple(take for take in found.takes
                          if any(source.path in changed for mic in take.mics for source in mic.sources))
            if takes:
                yield replace(found, takes=takes)
        before = now
        wait(LOOK_S)


def _stamps(folder: Path) -> Stamps:
    """Path from the folder, with forward slashes -> size and time of every file that is not hidden."""
    out: Stamps = {}
    for top, folders, files in os.walk(folder):
        folders[:] = [name for name in folders if not name.startswith(".")]
        for name in files:
            path = Path(top) / name
            try:
                found = path.stat()
            except OSError:
                continue  # gone since it was listed
            if not name.startswith("."):
                out[path.relative_to(folder).as_posix()] = (found.st_size, found.st_mtime_ns)
    return out
