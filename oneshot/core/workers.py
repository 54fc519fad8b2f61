"""Workers: work in pieces that know nothing of each other, done by as many threads as the build may use.

Threads, not processes: decoding, transforms and arithmetic over arrays run outside the interpreter's lock, and nothing
has to be imported or sent twice. Which worker does a piece, and how many there are, changes nothing in what it gives.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from contextvars import ContextVar, copy_context
from typing import TypeVar

Piece = TypeVar("Piece")
Result = TypeVar("Result")

_JOBS: ContextVar[int] = ContextVar("jobs", default=1)


@contextmanager
def working(jobs: int) -> Iterator[None]:
    """Inside, ``spread`` uses up to so many workers (this thread only)."""
    token = _JOBS.set(jobs)
    try:
        yield
    finally:
        _JOBS.reset(token)


def spread(work: Callable[[Piece], Result], pieces: Sequence[Piece]) -> list[Result]:
    """What ``work`` makes of each piece, in their order. Raises what the first piece that fails raises.

    Inside a piece there is one worker: pieces are not divided again.
    """
    jobs = min(_JOBS.get(), len(pieces))
    if jobs < 2:
        return [work(piece) for piece in pieces]
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
