"""Results of builds, each by all that it depends on, for any later build of the same session.

Whoever computes something that depends on nothing but its key asks ``recalled`` for it: inside ``using`` it gets what
an earlier build stored, and what is made now is stored when this build ends; anywhere else it is simply computed. Keys
hold everything a result depends on (places, settings, sums of files) beyond the recordings and the program, which the
store knows. So a kit that is built with results at hand has the bytes of one built without.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Hashable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from threading import Lock
from typing import Any, Generic, TypeVar

import msgspec

from oneshot.core.cache.disk import Store, plain

T = TypeVar("T")

SPARE = 2000
"""Results of a kind that stay although this build had no use for them, at least: those of another recipe."""


@dataclass(frozen=True, slots=True)
class Kind(Generic[T]):
    """A kind of result: its name, and the type that its results are stored as."""

    name: str
    type: type[T]


Address = tuple[Kind[Any], str]
"""A kind and the digest of a key."""


@dataclass(slots=True)
class Results:
    """Results of one session: what its ``store`` holds of earlier builds, and what this one makes."""

    store: Store
    _tables: dict[str, dict[str, Any]] = field(default_factory=dict)
    _used: dict[Address, None] = field(default_factory=dict)
    _made: set[Address] = field(default_factory=set)
    _lock: Lock = field(default_factory=Lock)

    def get(self, kind: Kind[T], key: Hashable) -> T | None:
        """The result of that key; None where there is none. It must not be changed."""
        digest = digest_of(key)
        with self._lock:
            found: T | None = self._table(kind).get(digest)
            if found is not None:
                self._used[kind, digest] = None
            return found

    def put(self, kind: Kind[T], key: Hashable, result: T) -> None:
        """Keep a result, in place of what was there."""
        digest = digest_of(key)
        with self._lock:
            self._table(kind)[digest] = result
            self._used[kind, digest] = None
            self._made.add((kind, digest))

    def save(self) -> None:
        """Store what this build used or made, and of the rest the latest."""
        for kind in {kind: None for kind, _ in self._made}:
            table, used = self._tables[kind.name], [digest for of, digest in self._used if of == kind]
            rest = [digest for digest in table if (kind, digest) not in self._used]
            # what a worker used may be gone: another build has stored its own meanwhile
            left = {digest: table[digest] for digest in (*rest[-max(SPARE, len(used)) :], *used) if digest in table}
            self.store.save_record(_stored_as(kind), {}, left)
        self._made.clear()

    def _table(self, kind: Kind[T]) -> dict[str, Any]:
        """All results of a kind, read when the first one is asked for."""
        if kind.name not in self._tables:
            of: Any = dict[str, kind.type]  # type: ignore[name-defined]
            self._tables[kind.name] = self.store.load_record(_stored_as(kind), {}, of) or {}
        return self._tables[kind.name]

    # ------------------------------------------------------------------------------------- workers with their own copy

    def apart(self) -> None:
        """From here on this copy is a worker's own: ``news`` tells of what is used and made in it."""
        self._lock = Lock()
        self._used, self._made = {}, set()

    def news(self) -> dict[Address, Any]:
        """What a worker used, each with its result where that was made by the worker, else None."""
        return {each: self._tables[each[0].name][each[1]] if each in self._made else None for each in self._used}

    def learn(self, news: Mapping[Address, Any]) -> None:
        """Take over a worker's news."""
        with self._lock:
            for (kind, digest), result in news.items():
                if result is not None:
                    self._table(kind)[digest] = result
                    self._made.add((kind, digest))
                self._used[kind, digest] = None


_RESULTS: ContextVar[Results | None] = ContextVar("results", default=None)


@contextmanager
def using(results: Results) -> Iterator[Results]:
    """Inside, results are taken from there and kept there (this thread, and workers that it spreads work over)."""
    token = _RESULTS.set(results)
    try:
        yield results
    finally:
        _RESULTS.reset(token)


def in_use() -> Results | None:
    """The results in use; None where nothing is kept."""
    return _RESULTS.get()


def recalled(kind: Kind[T], key: Hashable, make: Callable[[], T]) -> T:
    """The result of ``make``, as it was kept where it was. It must not be changed."""
    results = _RESULTS.get()
    if results is None:
        return make()
    found = results.get(kind, key)
    if found is None:
        found = make()
        results.put(kind, key, found)
    return found


def kept(kind: Kind[T], key: Hashable, result: T) -> T:
    """A result, kept for later builds where results are kept."""
    results = _RESULTS.get()
    if results is not None:
        results.put(kind, key, result)
    return result


def digest_of(key: Hashable) -> str:
    """A key as a short text, the same in every process: of records and plain values; sets are sorted.

    Raises TypeError where something in it is neither.
    """
    return hashlib.sha256(_ENCODER.encode(key)).hexdigest()[:32]


_ENCODER = msgspec.msgpack.Encoder(enc_hook=plain, order="deterministic")


def _stored_as(kind: Kind[Any]) -> str:
    return f"results-{kind.name}"


# --------------------------------------------------------------------------------------------------------------- sounds

SOUNDS = Kind("sounds", str)
"""Sum of a file -> that of the file with the same samples that was there first."""


def sound_of(sha256: str) -> str:
    """By which the samples of a file are known: its own sum, or that of the file whose samples it has."""
    results = _RESULTS.get()
    return (None if results is None else results.get(SOUNDS, sha256)) or sha256


def retagged(before: str, after: str) -> None:
    """The file of the sum ``after`` has the samples of that of the sum ``before``."""
    results = _RESULTS.get()
    if results is not None and before != after and results.get(SOUNDS, after) is None:
        results.put(SOUNDS, after, sound_of(before))
