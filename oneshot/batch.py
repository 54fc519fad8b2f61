"""Batch: many sessions, one kit each, one after the other; one that fails stops no other."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from oneshot.core.errors import OneshotError, SettingsError
from oneshot.core.progress import Progress
from oneshot.pipeline import BuildResult, build


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one session: the kit built, or in one line why there is none."""

    session: Path
    kit: Path
    built: BuildResult | None
    error: str | None


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
              jobs: int | None = None, progress: Progress,
              done: Callable[[Outcome], None] | None = None) -> tuple[Outcome, ...]:
    """Build a kit from each session; ``done`` is called after each. What a user can put right in one session, or a disk
    or memory that is full, stops that session only.
    """
    outcomes = []
    for number, (session, kit) in enumerate(rows, 1):
        def tell(stage: str, share: float, head: str = f"{number} of {len(rows)}, ") -> None:
            """The stage with the number of the session before it."""
            progress(head + stage, share)

        outcome = _one(session, kit, recipe_path=recipe_path, fresh=fresh, jobs=jobs, progress=tell)
        outcomes.append(outcome)
        if done is not None:
            done(outcome)
    return tuple(outcomes)


def _one(session: Path, kit: Path, *, recipe_path: Path | None, fresh: bool, jobs: int | None,
         progress: Progress) -> Outcome:
    try:
        built = build(session, kit, recipe_path=recipe_path, fresh=fresh, jobs=jobs, progress=progress)
    except OneshotError as error:
        return Outcome(session, kit, None, " ".join(str(error).split()))
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        return Outcome(session, kit, None, f"{where}{error.strerror or error}")
    except MemoryError:
        return Outcome(session, kit, None, "not enough memory: close other programs, or use fewer workers (--jobs 1)")
    return Outcome(session, kit, built, None)


def record(outcome: Outcome) -> dict[str, object]:
    """An outcome as plain types, for programs and for the lines that people read."""
    built = outcome.built
    head: dict[str, object] = {"session": str(outcome.session), "kit": str(outcome.kit), "error": outcome.error}
    if built is None:
        return head
    return {**head, "takes": len(built.kit.session.takes), "hits": len(built.kit.hits),
            "kept": sum(hit.kept for hit in built.kit.hits), "drums": len(built.kit.drums), "files": built.files,
            "size_bytes": built.size_bytes, "warnings": len(built.kit.problems)}
