"""Run: the hits that may become one-shots are measured in their home mics, and those that do are chosen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from oneshot.analysis.measurement.hit_features import examine, next_sounds
from oneshot.analysis.result import Analysis
from oneshot.config import release_lock
from oneshot.config.corrections import Corrected
from oneshot.config.recipe import Recipe
from oneshot.core.errors import SettingsError
from oneshot.core.progress import Progress
from oneshot.core.records.hits import Hit
from oneshot.core.records.session import Session
from oneshot.core.workers import working
from oneshot.selection import select
from oneshot.selection.close_grades import close_grades
from oneshot.selection.round_robins import SPARE
from oneshot.selection.select import by_hand


def only_drums(found: Analysis, wanted: tuple[str, ...]) -> tuple[Analysis, tuple[Hit, ...]]:
    """The drums asked for and their hits; all where none is. Raises SettingsError, naming the drums there are, where
    none is called so.
    """
    names: set[str] = set()
    for only in wanted:
        mine = {d.name for d in found.drums if d.name == only} or {d.name for d in found.drums if d.kind == only}
        if not mine:
            raise SettingsError(f"there is no drum {only!r}: choose one of "
                                f"{', '.join(d.name for d in found.drums)}")
        names |= mine
    if not wanted:
        return found, found.hits
    return (replace(found, drums=tuple(d for d in found.drums if d.name in names)),
            tuple(h for h in found.hits if h.drum in names))


def select_hits(session: Session, found: Analysis, hits: tuple[Hit, ...], recipe: Recipe, corrected: Corrected,
                held: Mapping[release_lock.Stroke, release_lock.Held],
                tell: Progress, jobs: int) -> tuple[select.Chosen, dict[int, int]]:
    """Measure the hits that may become one-shots, and choose; and where next strokes are heard before their onsets."""
    tell("choosing", 0.0)
    chooser = select.Chooser(close_grades(session, found), found.clean_db, recipe.choose, {},
                             {take.name: take.sample_rate for take in session.takes}, corrected.rejected,
                             corrected.wanted, by_hand(corrected), held, _far_grades(session, found, recipe),
                             found.unplaced)
    with working(jobs):
        measured = examine(session, found, select.worth_measuring(hits, chooser), found.attacks)
        chosen = select.choose(hits, replace(chooser, measured=measured))
    return (chosen if recipe.export.samples else _prints_alone(chosen)), next_sounds(session, found, hits, measured)


def _prints_alone(chosen: select.Chosen) -> select.Chosen:
    """What is chosen where prints alone are wanted: no one-shot."""
    return replace(chosen, picks=(), hits=tuple(
        replace(hit, kept=False, fallback=False, reason=f"{SPARE}: prints alone were asked for") if hit.kept else hit
        for hit in chosen.hits))


def _far_grades(session: Session, found: Analysis, recipe: Recipe) -> dict[int, dict[str, str]]:
    """Each hit's grades in the overheads and rooms that it is exported in, save its home mic."""
    homes, asked = {d.name: d.home for d in found.drums}, recipe.export.mics
    far = {take.name: [m.name for m in take.mics if m.role.means.far and (
        not asked or m.name in asked or m.pair in asked)] for take in session.takes}
    return {hit.id: {name: found.grades[hit.id][name] for name in far[hit.take]
                     if name in found.grades[hit.id] and name != homes.get(hit.drum)} for hit in found.hits}
