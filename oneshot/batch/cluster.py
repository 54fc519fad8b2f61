"""Cluster: the sessions of a batch on many machines, by a scheduler that runs there already (Dask).

Which machine builds what, and what is built again where one is lost, is the scheduler's; here sessions are handed over
and outcomes taken in. All machines see recordings, recipe and kits under the same paths.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import distributed

from oneshot.batch.one_session import Asked, Outcome, build_one
from oneshot.core.errors import WorkError
from oneshot.core.progress import Progress
from oneshot.core.version import __version__

ANSWER_S = 20
"""How long a scheduler and its first worker have to answer."""


def version() -> str:
    """The version that a worker has."""
    return __version__


def build_there(rows: Sequence[tuple[Path, Path]], asked: Asked, address: str, progress: Progress,
                done: Callable[[Outcome], None]) -> list[Outcome]:
    """Build a kit from each session on the workers of the scheduler at ``address``; ``done`` is called after each.

    Raises WorkError where no scheduler answers, it has no worker, or a worker has another version of this program.
    """
    try:
        client: Any = distributed.Client(address, timeout=ANSWER_S)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise WorkError(f"{address}: no scheduler answers there ({type(error).__name__}): start one with dask "
                        "scheduler, or correct the address") from None
    asked = replace(asked, recipe=None if asked.recipe is None else _seen_by_all(asked.recipe))
    with client:
        _check_workers(client, address)
        futures = {client.submit(build_one, session.resolve(), kit.resolve(), asked, pure=False):
                   number for number, (session, kit) in enumerate(rows)}
        out: dict[int, Outcome] = {}
        for future in distributed.as_completed(list(futures)):  # type: ignore[no-untyped-call]
            number = futures[future]
            session, kit = rows[number]
            lost = future.exception()
            out[number] = Outcome(session, kit, None, f"its workers were lost or failed: {lost}") \
                if lost is not None else replace(future.result(), session=session, kit=kit)
            done(out[number])
            progress(f"{len(out)} of {len(rows)} done", len(out) / len(rows))
    return [out[number] for number in range(len(rows))]


def _seen_by_all(recipe: Path) -> Path:
    """A recipe's path as every machine has it; the name of one of the program's own stays a name."""
    return recipe.resolve() if recipe.exists() else recipe


def _check_workers(client: Any, address: str) -> None:
    """Raise WorkError unless there are workers, all of this version."""
    try:
        client.wait_for_workers(1, timeout=ANSWER_S)
        found = set(client.run(version).values())
    except TimeoutError:
        raise WorkError(f"{address}: the scheduler has no workers: start some with dask worker {address}") from None
    except ModuleNotFoundError:
        raise WorkError(f"{address}: oneshot is not installed where its workers run: install version {__version__} "
                        "there") from None
    if found != {__version__}:
        raise WorkError(f"{address}: its workers have oneshot {', '.join(sorted(found))}: install {__version__} there")
