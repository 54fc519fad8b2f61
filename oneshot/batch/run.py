"""Run: which kit each session of a batch becomes, and where they are built: in this process, in several on this
machine, or on many machines.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path

from oneshot.batch.one_session import Asked, Outcome, build_one
from oneshot.batch.processes import at_once, build_here
from oneshot.core.errors import SettingsError
from oneshot.core.progress import Progress


def places(sessions: Sequence[Path], out: Path) -> tuple[tuple[Path, Path], ...]:
    """(session, its kit's folder) for each: below ``out``, by the name of the session's folder.

    Raises SettingsError where two sessions would share a kit: names are told apart without regard to case, as some
    disks do.
    """
    rows = tuple((session, out / (session.resolve().name or "kit")) for session in sessions)
    seen: dict[str, Path] = {}
    for session, kit in rows:
        before = seen.setdefault(kit.name.casefold(), session)
        if before is not session:
            raise SettingsError(f"{before} and {session} would both become {kit}: rename one of the folders, or build "
                                "them separately")
    return rows


def build_all(rows: Sequence[tuple[Path, Path]], *, recipe_path: Path | None = None, fresh: bool = False,
              jobs: int | None = None, scheduler: str | None = None, progress: Progress,
              done: Callable[[Outcome], None] | None = None) -> tuple[Outcome, ...]:
    """Build a kit from each session that has none yet, or one of something else; ``done`` is called after each.

    ``jobs``: workers on this machine, one per core unless given, or of each build on others; ``scheduler``: address of
    the one that knows those. What a user can put right in one session, a disk or memory that is full, or a process that
    the system ended stops that session only. Raises as ``cluster.build_there``, and SettingsError where Dask is not
    installed.
    """
    tell = done or _nobody
    if scheduler is not None:
        try:
            from oneshot.batch.cluster import build_there  # noqa: PLC0415 - Dask is there for those who ask for it
        except ModuleNotFoundError:
            raise SettingsError("--scheduler needs Dask: pip install 'oneshot[cluster]'") from None
        return tuple(build_there(rows, Asked(recipe_path, fresh, jobs or 1), scheduler, progress, tell))
    asked = Asked(recipe_path, fresh, jobs or os.cpu_count() or 1)
    if at_once(len(rows), asked.jobs) > 1:
        return tuple(build_here(rows, asked, progress, tell))
    outcomes: list[Outcome] = []
    for session, kit in rows:
        def stage(what: str, share: float, name: str = session.name) -> None:
            """What is being done, and how much of the whole batch is."""
            progress(what if share < 0 else f"{len(outcomes)} of {len(rows)} done, {name}: {what}",
                     share if share < 0 else len(outcomes) / len(rows))

        outcomes.append(build_one(session, kit, asked, stage))
        tell(outcomes[-1])
    return tuple(outcomes)


def _nobody(outcome: Outcome) -> None:
    """Who hears of outcomes where nobody asked to."""
    del outcome
