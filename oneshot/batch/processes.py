"""Processes: the sessions of a batch on this machine, several at once, each in a process of its own.

A process that the system ends, for want of memory say, takes its own session with it and no other.
"""

from __future__ import annotations

import multiprocessing
import os
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from pathlib import Path

from oneshot.batch.one_session import Asked, Outcome, build_one
from oneshot.core.progress import Progress

BUILD_BYTES = 700_000_000
"""Memory that a build may need; no more are begun at once than there is room for."""
EVERY_S = 0.2
"""How often a process says how far it is."""
GRACE_S = 10.0
"""How long interrupted processes have to clean up."""

Row = tuple[Path, Path]
"""A session, and the folder of its kit."""


@dataclass(slots=True)
class _Running:
    """A session being built: its place in the batch, its process and its pipe, and what it said last."""

    number: int
    process: BaseProcess
    pipe: Connection
    stage: str = ""
    outcome: Outcome | None = None


def at_once(rows: int, jobs: int) -> int:
    """How many of so many sessions are built at once by ``jobs`` workers."""
    return max(1, min(rows, jobs, _room_bytes() // BUILD_BYTES))


def build_here(rows: Sequence[Row], asked: Asked, progress: Progress, done: Callable[[Outcome], None]) -> list[Outcome]:
    """Build a kit from each session, in the order in which they come; ``done`` is called after each.

    ``asked.jobs`` workers are shared out among those at work.
    """
    side = at_once(len(rows), asked.jobs)
    each = replace(asked, jobs=max(1, asked.jobs // side))
    out: dict[int, Outcome] = {}
    running: list[_Running] = []
    todo = list(enumerate(rows))
    try:
        while todo or running:
            while todo and len(running) < side:
                number, (session, kit) = todo.pop(0)
                running.append(_begun(number, session, kit, each))
            for one in _heard(running):
                running.remove(one)
                out[one.number] = one.outcome or _ended(one, *rows[one.number])
                done(out[one.number])
            stages = [one.stage for one in running if one.stage]
            progress(f"{len(out)} of {len(rows)} done{', ' if stages else ''}{stages[0] if stages else ''}",
                     len(out) / len(rows))
    finally:
        _stop(running)
    return [out[number] for number in range(len(rows))]


def _begun(number: int, session: Path, kit: Path, asked: Asked) -> _Running:
    """A process that builds a session. It begins anew: a copy of this one may hold threads and locks."""
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe(duplex=False)
    process = context.Process(target=_build, args=(theirs, session, kit, asked), name=f"batch {session.name}")
    process.start()
    theirs.close()
    return _Running(number, process, ours)


def _build(pipe: Connection, session: Path, kit: Path, asked: Asked) -> None:
    """In the process: build, and say how far it is and what came of it."""
    said = [0.0]

    def tell(stage: str, share: float) -> None:
        """Now and then, what is being done."""
        now = time.monotonic()
        if share >= 0 and now - said[0] >= EVERY_S:
            said[0] = now
            pipe.send(f"{session.name}: {stage}")

    with suppress(KeyboardInterrupt, BrokenPipeError):
        pipe.send(build_one(session, kit, asked, tell))


def _heard(running: Sequence[_Running]) -> list[_Running]:
    """Wait for a word; those that are finished, whatever of."""
    over = []
    ready = wait([one.pipe for one in running], timeout=1.0)
    for one in running:
        if one.pipe in ready:
            try:
                word = one.pipe.recv()
            except (EOFError, OSError):
                over.append(one)
                continue
            if isinstance(word, Outcome):
                one.outcome = word
                over.append(one)
            else:
                one.stage = word
    for one in over:
        one.process.join()
        one.pipe.close()
    return over


def _ended(one: _Running, session: Path, kit: Path) -> Outcome:
    """The outcome of a process that ended without one."""
    code = one.process.exitcode
    if code is not None and code < 0:
        return Outcome(session, kit, None, f"its process was ended (signal {-code}), perhaps for want of memory: close "
                                           "other programs, or use fewer workers (--jobs 1)")
    return Outcome(session, kit, None, f"its process failed (exit code {code}): run oneshot build --debug on it alone")


def _stop(running: Sequence[_Running]) -> None:
    """Wait for processes that were interrupted together with this one, and end what goes on all the same."""
    until = time.monotonic() + GRACE_S
    for one in running:
        one.process.join(max(0.0, until - time.monotonic()))
        if one.process.is_alive():
            one.process.terminate()
            one.process.join()
        one.pipe.close()


def _room_bytes() -> int:
    """Memory that is free, by what the system says; where it says nothing, enough."""
    try:
        return os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") + _cached_bytes()
    except (ValueError, OSError, AttributeError):
        return 2**62


def _cached_bytes() -> int:
    """Memory that holds copies of files, which the system gives up when it is needed (Linux; elsewhere none)."""
    with suppress(OSError, ValueError, IndexError):
        for line in Path("/proc/meminfo").read_text(encoding="ascii").splitlines():
            if line.startswith("Cached:"):
                return int(line.split()[1]) * 1024
    return 0
