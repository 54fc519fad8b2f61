"""Results in memory: what one build worked out, for the next build of the same session in the same process.

Whoever computes something that depends on nothing but its key asks ``recalled`` for it: inside ``remembering`` the
result is kept and handed out again, anywhere else it is simply computed. Keys hold everything a result depends on (sums
of files, settings, places), so a kit built with a memory has the bytes of one built without.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock
from typing import Any, TypeVar

import numpy as np

from oneshot.core.cache.earlier_files import EarlierFiles

T = TypeVar("T")
MOST_BYTES = 400_000_000
"""Of sound that is kept; what comes after that is computed each time."""


@dataclass(slots=True)
class Memory:
    """What is kept between the builds of one ``kit``. ``source``: of which session; ``files``: what is known of the
    files that are in the kit.
    """

    kit: Path
    source: Hashable = None
    held: dict[tuple[str, Hashable], Any] = field(default_factory=dict)
    used: set[tuple[str, Hashable]] = field(default_factory=set)
    size_bytes: int = 0
    files: EarlierFiles = field(init=False)

    def __post_init__(self) -> None:
        self.files = EarlierFiles(self.kit)

    def begin(self, source: Hashable) -> None:
        """A build of the session with that fingerprint begins: of another one nothing is known."""
        if source != self.source:
            self.held.clear()
            self.files.clear()
            self.size_bytes = 0
        self.source = source
        self.used.clear()

    def end(self) -> None:
        """A build has ended well: forget the sounds, analyses and attacks of whole mics that it had no use for."""
        idle = [key for key in self.held if key not in self.used]
        for key in [key for key in idle if key[0] in ("analysis", "attacks") or _weight(self.held[key])]:
            self.size_bytes -= _weight(self.held.pop(key))


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


def in_use() -> Memory | None:
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
    return sha256 if kept is None else kept.files.sounds.get(sha256, sha256)


def _weight(value: object) -> int:
    """Bytes of sound in a result; records and texts count as nothing."""
    if isinstance(value, np.ndarray):
        return int(value.nbytes)
    return sum(_weight(part) for part in value) if isinstance(value, tuple) else 0
