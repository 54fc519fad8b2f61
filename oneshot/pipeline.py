"""The main job, in order: from a session folder to a kit.

    open the session ─► read the wishes ─► analyse ─► correct ─► complete ─► select ─► cut and assemble ─► write

Each step of ``_build`` is a room of its own; this module knows their order, and nothing else does. A kit appears whole
or not at all: it is written beside its place and then exchanged.
"""

from __future__ import annotations

import os
from contextlib import nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from oneshot import analysis, cutting, selection
from oneshot import kit as kits
from oneshot.config import handling as file_handling
from oneshot.config import release_lock
from oneshot.config.corrections_file import Corrections, load
from oneshot.config.recipe import Recipe
from oneshot.config.recipe_file import load_recipe
from oneshot.core.cache.disk import Store, open_store
from oneshot.core.cache.results import Results, using
from oneshot.core.errors import AudioError, SessionError, SettingsError, WorkError
from oneshot.core.files import staged_folder
from oneshot.core.kit_lock import held
from oneshot.core.progress import Progress
from oneshot.core.records.kit import Kit
from oneshot.core.records.session import Problem, Session, collect
from oneshot.core.user_state import remember
from oneshot.core.workers import working
from oneshot.selection.close_grades import close_grades
from oneshot.session.open import check_unchanged, fingerprint_parts, open_session
from oneshot.session.processed_tracks import with_tracks

if TYPE_CHECKING:
    from collections.abc import Sequence

    from oneshot.analysis.result import Findings
    from oneshot.config.recording_list import Wanted
    from oneshot.selection.coverage import Covered


@dataclass(frozen=True, slots=True)
class BuildResult:
    """What a build left behind: the kit, its folder, and how much is in it."""

    kit: Kit
    folder: Path
    files: int
    size_bytes: int


def check(session_path: Path) -> Session:
    """Read a session's headers and names. Raises SessionError and AudioError."""
    return open_session(session_path)


def build(session_path: Path, kit_path: Path, *, recipe_path: Path | None = None, only: str | None = None,
          fresh: bool = False, jobs: int | None = None, progress: Progress | None = None,
          last: Path | None = None, processed: Path | None = None, prints_only: bool = False,
          hold: bool = True) -> BuildResult:
    """Build a kit from a session.

    ``only``: build this drum alone; ``last``: the zip of a release whose names, layers, velocities and keys are kept,
    in place of those that the kit remembers; ``fresh``: use nothing stored; ``jobs``: workers, one per core unless
    given (they change nothing in the result); ``processed``: a folder of processed tracks of the same takes, else the
    one that session.toml names or the kit was last built with; ``prints_only``: write prints and nothing else that
    sounds; ``hold``: keep other builds and reviews off the kit,
    unless the caller does. Raises an error of the tree in ``core/errors.py``, and then nothing is written.
    """
    with held(kit_path, "a build") if hold else nullcontext():
        return _build(session_path, kit_path, recipe_path, only, fresh=fresh, jobs=jobs or os.cpu_count() or 1,
                      tell=progress or _quiet, last=last, processed=processed, prints_only=prints_only)


def _build(session_path: Path, kit_path: Path, recipe_path: Path | None, only: str | None, *, fresh: bool, jobs: int,
           tell: Progress, last: Path | None, processed: Path | None, prints_only: bool) -> BuildResult:
    """As ``build``, of a kit that is held."""
    session = open_session(session_path)
    kept = kits.claim(kit_path, session)
    recipe, told = _wishes(recipe_path, kit_path, only, prints_only=prints_only)
    along = cutting.open_processed(session, kit_path, recipe, processed,
                                   needed=kept.kit is not None and bool(kept.kit.tracks))
    before = release_lock.read_pack(last) if last is not None else release_lock.read(kit_path)
    if before is not None:
        before = release_lock.with_take_names(before, [take.name for take in session.takes])
    recipe, kept_names = release_lock.with_names(recipe, before)
    overruled = load(kit_path / kits.CORRECTIONS)

    recorded = session if along is None else with_tracks(session, along.tracks.takes)
    fingerprint, source = fingerprint_parts(recorded), fingerprint_parts(session)
    check_unchanged(recorded, fingerprint)
    store = open_store(source)
    if fresh:
        store.clear()
    results = Results(store)
    with using(results):
        try:
            findings, apart = analysed(session, store, overruled, recipe, jobs=jobs, progress=tell)
            check_unchanged(recorded, fingerprint)
        except (AudioError, SessionError):
            store.clear()  # what was stored may be of recordings that nobody has
            raise

        rates = {take.name: take.sample_rate for take in session.takes}
        corrected, released = analysis.corrected_hits(session, findings.hits, overruled, before,
                                                      cutting.track_names(along))
        session, findings = analysis.apply_corrections(session, findings, corrected)
        found = analysis.completed(session, findings, jobs=jobs)
        known = {drum.name: drum.kind for drum in found.drums}
        found, hits = selection.only_drums(found, recipe.export.drums)
        chosen, following = selection.select_hits(session, found, hits, recipe, corrected, released, tell, jobs)
        handling = file_handling.handling(corrected, chosen.hits, rates)
        found = analysis.nudged(found, handling)
        try:
            with staged_folder(kit_path, kept.settle) as stage:
                with working(jobs):
                    made = kits.assembled(session, found, chosen, (following, handling), recipe, stage, tell, before,
                                          along, kept.sounds())
                kit = made.kit
                told = (*told, *kept_names, *apart, *corrected.problems, *chosen.problems,
                        *file_handling.unmet(corrected, chosen.hits), *cutting.missing_prints(recipe, kit, known),
                        *(() if before is None else release_lock.broken(kit, before, rates)))
                kit = replace(kit, problems=collect([*kit.problems, *told]))
                tell("writing", 0.0)
                kits.write_kit(kit, stage, recipe, kept, before, made.drawn, own_recipe=recipe_path is None)
                files = [path for path in stage.rglob("*") if path.is_file()]
                size = sum(path.stat().st_size for path in files)
                check_unchanged(recorded, fingerprint)
                kept.into(stage)
        except OSError as error:
            raise WorkError(f"{kit_path} cannot be written ({error.strerror or error}): free some space or choose "
                            "another place") from None
        results.save()
    remember(kit_path, session_path, None if along is None else along.tracks.folder)
    return BuildResult(replace(kit, problems=collect([*kit.problems, *kept.told])), kit_path, len(files), size)


def covered(session: Session, wanted: Sequence[Wanted], *, kit: Kit | None = None, jobs: int,
            progress: Progress) -> list[Covered]:
    """What a session has of a recording list, alone or with the ``kit`` that it expands. What is found is stored for
    the build that follows. Raises as ``analysis.run.analyse``.
    """
    findings, _ = analysed(session, open_store(fingerprint_parts(session)), Corrections(), Recipe(), jobs=jobs,
                           progress=progress)
    found = analysis.completed(session, findings, jobs=jobs)
    return selection.covered(session, found, close_grades(session, found), wanted, kit)


def analysed(session: Session, store: Store, overruled: Corrections, recipe: Recipe, *, jobs: int | None = None,
             progress: Progress | None = None) -> tuple[Findings, tuple[Problem, ...]]:
    """What is found in a session, with what corrections say of hits before they are sorted, its takes pooled; and what
    to report of that. Raises as ``analysis.run.analyse``.
    """
    return analysis.analysed(session, store, file_handling.told_to_analysis(overruled),
                            pooling=analysis.pooling_of(session, recipe), rendered=recipe.repair.any,
                            jobs=jobs or os.cpu_count() or 1, progress=progress or _quiet)


def _wishes(recipe_path: Path | None, kit_path: Path, only: str | None, *,
            prints_only: bool) -> tuple[Recipe, tuple[Problem, ...]]:
    """The recipe asked for; without one, that of the kit which is rebuilt; else the defaults. ``only``: of this drum
    alone; ``prints_only``: prints and no samples.
    """
    own = kit_path / kits.RECIPE
    recipe, told = load_recipe(own if recipe_path is None and own.exists() else recipe_path)
    if only is not None:
        recipe = replace(recipe, export=replace(recipe.export, drums=(only,)))
    if prints_only:
        recipe = replace(recipe, export=replace(recipe.export, samples=False))
    if not recipe.export.samples and not recipe.prints:
        raise SettingsError("prints alone were asked for, and the recipe has no [[prints]]: use --recipe replacement, "
                            "or add one")
    return recipe, told


def _quiet(stage: str, share: float) -> None:
    """A progress that nobody watches."""
    del stage, share
