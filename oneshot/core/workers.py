"""Workers: work in pieces that know nothing of each other, done on as many cores as the build may use.

Most pieces are long rows of short array operations, which hold the interpreter's lock: threads take as long as one of
them (a dense session of an hour of mics: 33 s with one worker, 32 s with two threads, measured). So where the system
can, the work goes on in forks of this process, which have all that it knows at hand and send nothing but their results;
elsewhere, and wherever other threads run, in threads. Which worker does a piece, and how many there are, changes
nothing in what it gives; what it puts among the results of the build (``core/cache/results.py``) comes back with it.
"""

from __future__ import annotations

import ctypes
import os
import pickle
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from contextvars import ContextVar, copy_context
from io import RawIOBase
from itertools import pairwise
from typing import Any, Protocol, TypeVar

from oneshot.core.cache.results import Address, in_use
from oneshot.core.errors import WorkError

Piece = TypeVar("Piece")
Result = TypeVar("Result")
Items = TypeVar("Items", bound="_Row")

_JOBS: ContextVar[int] = ContextVar("jobs", default=1)
_NUMBER_BYTES = 4
"""Of the number of a piece."""

_PR_SET_PDEATHSIG = 1
"""Linux, prctl(2): the signal that a process gets when the one that made it ends."""


class _Row(Protocol):
    """A list or an array: what has a length and can be cut into pieces of its own kind."""

    def __len__(self) -> int: ...

    def __getitem__(self, key: slice, /) -> Any: ...


@contextmanager
def working(jobs: int) -> Iterator[None]:
    """Inside, ``spread`` uses up to so many workers (this thread only)."""
    token = _JOBS.set(jobs)
    try:
        yield
    finally:
        _JOBS.reset(token)


def workers() -> int:
    """How many workers ``spread`` uses, at most."""
    return _JOBS.get()


def several() -> bool:
    """Whether ``spread`` would use workers that know nothing of each other: more than one, each with its own copy of
    what this process knows.
    """
    return workers() > 1 and _may_fork()


def _nothing() -> None:
    """What there is to do meanwhile, usually."""


def spread(work: Callable[[Piece], Result], pieces: Sequence[Piece],
           meanwhile: Callable[[], None] = _nothing) -> list[Result]:
    """What ``work`` makes of each piece, in their order. Raises what the first piece that fails raises; WorkError where
    the system ended a worker.

    Inside a piece there is one worker: pieces are not divided again. What a piece changes beyond its result may be
    lost, and an open file may be read by several workers at once: each opens its own. ``meanwhile``: what this process
    alone does first where forks of it begin with the pieces; nobody may rely on it.
    """
    jobs = min(workers(), len(pieces))
    if jobs < 2:
        return [work(piece) for piece in pieces]
    return _in_forks(work, pieces, jobs, meanwhile) if _may_fork() else _in_threads(work, pieces, jobs)


def parted(items: Items, most: int) -> list[Items]:
    """Items in order in pieces of ``most`` at most, of even length, and as many for each worker."""
    turns = -(-len(items) // (most * workers()))
    count = min(turns * workers(), len(items))
    borders = [len(items) * n // count for n in range(count + 1)] if count else []
    return [items[a:b] for a, b in pairwise(borders)]


def _may_fork() -> bool:
    """Whether a fork of this process can do its work: only the thread that forks goes on in it, so that there must be
    no other that holds a lock.
    """
    return sys.platform == "linux" and hasattr(os, "memfd_create") and threading.active_count() == 1


def _in_threads(work: Callable[[Piece], Result], pieces: Sequence[Piece], jobs: int) -> list[Result]:
    """As ``spread``, in threads."""
    with ThreadPoolExecutor(jobs) as pool:
        waiting = [pool.submit(copy_context().run, _alone, work, piece) for piece in pieces]
        try:
            return [each.result() for each in waiting]
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _alone(work: Callable[[Piece], Result], piece: Piece) -> Result:
    """One piece, by this worker alone."""
    _JOBS.set(1)
    return work(piece)


# --------------------------------------------------------------------------------------------------------------- forks


def _in_forks(work: Callable[[Piece], Result], pieces: Sequence[Piece], jobs: int,
              meanwhile: Callable[[], None]) -> list[Result]:
    """As ``spread``, in forks, of which this process is one: each takes the next piece when it is done with one."""
    done: dict[int, Result | _Failed] = {}
    forks: list[tuple[int, int]] = []
    with os.fdopen(os.memfd_create("todo"), "r+b", buffering=0) as todo:
        todo.write(b"".join(n.to_bytes(_NUMBER_BYTES, "big") for n in range(len(pieces))))
        todo.seek(0)
        try:
            for _ in range(jobs - 1):
                forks.append(_fork(work, pieces, todo))  # noqa: PERF401 - those made are to end if one cannot be
            meanwhile()
            done |= copy_context().run(_done, work, pieces, todo)
            for _, pipe in forks:
                done |= _results(pipe)
        except BaseException:
            for process, _ in forks:
                with suppress(ProcessLookupError):
                    os.kill(process, signal.SIGKILL)
            raise
        finally:
            for process, pipe in forks:
                os.close(pipe)
                os.waitpid(process, 0)
    out: list[Result] = []
    for n in range(len(pieces)):
        each = done[n]
        if isinstance(each, _Failed):
            raise each.error
        out.append(each)
    return out


class _Failed:
    """A piece that failed, and of what."""

    def __init__(self, error: Exception) -> None:
        self.error = error


def _done(work: Callable[[Piece], Result], pieces: Sequence[Piece], todo: RawIOBase) -> dict[int, Result | _Failed]:
    """What this worker made of pieces, by number: as long as there are any, and none has failed.

    ``todo``: the numbers of those that nobody has begun. Each worker reads on where the last one stopped: forks share
    the place in an open file, too, and the system lets one at a time read there (Linux 3.14 on).
    """
    _JOBS.set(1)
    out: dict[int, Result | _Failed] = {}
    while number := todo.read(_NUMBER_BYTES):
        n = int.from_bytes(number, "big")
        try:
            out[n] = work(pieces[n])
        except Exception as error:  # noqa: BLE001 - raised by whoever asked for the pieces
            out[n] = _Failed(error)
            todo.seek(0, os.SEEK_END)
    return out


def _fork(work: Callable[[Piece], Result], pieces: Sequence[Piece], todo: RawIOBase) -> tuple[int, int]:
    """A fork of this process that does some pieces: its number, and the pipe that its results come through."""
    ours, theirs = os.pipe()
    system, parent = ctypes.CDLL(None), os.getpid()
    with warnings.catch_warnings():  # of threads that numpy's libraries keep, which do not outlive a fork and need not
        warnings.simplefilter("ignore", DeprecationWarning)
        process = os.fork()
    if process:
        os.close(theirs)
        return process, ours
    try:  # from here on in the fork, which leaves without a word to anything that this process has open
        system.prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)  # whatever ends this process: the fork holds its locks, too
        if os.getppid() != parent:
            os._exit(1)
        os.close(ours)
        for each in (signal.SIGINT, signal.SIGTERM):
            signal.signal(each, signal.SIG_DFL)
        with os.fdopen(theirs, "wb") as pipe:
            results = in_use()
            if results is not None:
                results.apart()
            pipe.write(_pickled(_done(work, pieces, todo), {} if results is None else results.news()))
    finally:
        os._exit(0)


def _pickled(done: dict[int, Result | _Failed], news: Mapping[Address, Any]) -> bytes:
    """What pieces gave, and news of the build's results, as bytes; an error that cannot be sent as what it says."""
    try:
        return pickle.dumps((done, news), protocol=pickle.HIGHEST_PROTOCOL)
    except Exception as error:  # noqa: BLE001 - whatever a record may raise
        return pickle.dumps(({min(done): _Failed(RuntimeError(f"{type(error).__name__}: {error}"))}, {}))


def _results(pipe: int) -> dict[int, Result | _Failed]:
    """What the pieces of a fork gave; its news are taken over. Raises WorkError where it ended before."""
    with os.fdopen(os.dup(pipe), "rb") as file:
        data = file.read()
    found: dict[int, Result | _Failed]
    try:
        found, news = pickle.loads(data)  # noqa: S301 - from this program, by a pipe of its own
    except (EOFError, pickle.UnpicklingError):  # it sent nothing, or not all
        raise WorkError("a worker was ended by the system, which may be out of memory: close other programs, or use "
                        "fewer workers (--jobs 1)") from None
    results = in_use()
    if results is not None:
        results.learn(news)
    return found
