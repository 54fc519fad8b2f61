"""The main job, in order: from a session folder to a kit.

    open the session ─► analyse ─► correct ─► choose ─► cut ─► balance ─► prints ─► write

``analyse`` knows the order from recordings to hits; this module knows the rest, and nothing else does. A kit appears
whole or not at all: it is written beside its place and then exchanged.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import nullcontext
from dataclasses import dataclass, replace
from pathlib import Path

from oneshot import __version__
from oneshot.analysis import stored
from oneshot.analysis.corrected import correct, nudged
from oneshot.analysis.detection.checks import collect
from oneshot.analysis.measurement.hit_features import examine, heard_next
from oneshot.analysis.result import Analysis
from oneshot.analysis.run import analyse
from oneshot.analysis.take_groups import pool
from oneshot.config import handling as file_handling
from oneshot.config import release_lock
from oneshot.config.corrections import Corrected
from oneshot.config.corrections_file import EMPTY_TEXT, Corrections, load
from oneshot.config.recipe import Recipe
from oneshot.config.recipe_file import load_recipe, recipe_toml, recipe_values
from oneshot.core import recall
from oneshot.core.errors import AudioError, KitError, SessionError, SettingsError, WorkError
from oneshot.core.files import is_our_kit, recover_folder, staged_folder, write_atomic
from oneshot.core.kit_lock import held
from oneshot.core.progress import A_LINE, Progress
from oneshot.core.records.hits import Articulation, Drum, Hit
from oneshot.core.records.kit import Fader, Kit, OneShot, TakeNoise
from oneshot.core.records.session import Problem, Session
from oneshot.core.store import Store, open_store
from oneshot.core.user_state import remember, tracks_of
from oneshot.core.workers import working
from oneshot.cutting.cutter import Cutter
from oneshot.cutting.embed_tags import tagged
from oneshot.cutting.formats import Finisher
from oneshot.cutting.mix import balance as balancing
from oneshot.cutting.mix import mixdown
from oneshot.cutting.mix.balance_match import learn_balance
from oneshot.cutting.mix.prints import Printer
from oneshot.cutting.processed import Along
from oneshot.cutting.space import check_room, needs_of
from oneshot.kit.contents import CORRECTIONS, RECIPE, Kept, check_untouched, kept_of
from oneshot.kit.export import write_all
from oneshot.kit.export.keys import Struck, assign_keys, second_keys, unknown_keys
from oneshot.kit.file_measures import with_home_measures
from oneshot.kit.read import read_manifest
from oneshot.kit.report import write_report
from oneshot.selection import far_mics, select
from oneshot.selection.select import by_hand
from oneshot.session.open import check_unchanged, fingerprint_parts, open_session
from oneshot.session.output_paths import check_outside_sessions
from oneshot.session.processed_tracks import open_tracks, with_tracks, without_place


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
          last: Path | None = None, processed: Path | None = None, hold: bool = True) -> BuildResult:
    """Build a kit from a session.

    ``only``: build this drum alone; ``last``: the zip of a release whose names, layers, velocities and keys are kept,
    in place of those that the kit remembers; ``fresh``: use nothing stored; ``jobs``: workers, one per core unless
    given (they change nothing in the result); ``processed``: a folder of processed tracks of the same takes, else the
    one that session.toml names or the kit was last built with; ``hold``: keep other builds and reviews off the kit,
    unless the caller does. Raises an error of the tree in ``errors.py``, and then nothing is written.
    """
    with held(kit_path, "a build") if hold else nullcontext():
        return _build(session_path, kit_path, recipe_path, only, fresh=fresh, jobs=jobs or os.cpu_count() or 1,
                      tell=progress or _quiet, last=last, processed=processed)


def _build(session_path: Path, kit_path: Path, recipe_path: Path | None, only: str | None, *, fresh: bool, jobs: int,
           tell: Progress, last: Path | None, processed: Path | None) -> BuildResult:
    """As ``build``, of a kit that is held."""
    session = open_session(session_path)
    kept = _check_target(kit_path, session)
    recipe, told = _recipe(recipe_path, kit_path)
    if only is not None:
        recipe = replace(recipe, export=replace(recipe.export, drums=(only,)))
    tracks, along = _along(session, kit_path, recipe, processed)
    recorded = session if along is None else with_tracks(session, along.tracks.takes)
    parts = fingerprint_parts(recorded)
    check_unchanged(recorded, parts)
    before = release_lock.read_pack(last) if last is not None else release_lock.read(kit_path)
    overruled = load(kit_path / "corrections.toml")
    store = open_store(fingerprint_parts(session))
    if fresh:
        store.clear()
    memory = recall.memory()
    if memory is not None:
        memory.begin(tuple(fingerprint_parts(session)))
    try:
        found, apart = analysed(session, store, overruled, recipe, jobs=jobs, progress=tell)
        check_unchanged(recorded, parts)
    except (AudioError, SessionError):
        store.clear()  # what was stored may be of recordings that nobody has
        raise
    told = (*told, *apart)
    rates = {take.name: take.sample_rate for take in session.takes}
    corrected, held = _corrected(session, found, overruled, before, _names_of(along))
    session, found = correct(session, found, corrected)
    known = {drum.name for drum in found.drums}
    found, hits = _only(found, recipe.export.drums)
    with working(jobs):
        chosen, following = _choose(session, found, hits, recipe, corrected, held, tell)
    handling = file_handling.handling(corrected, chosen.hits, rates)
    found = nudged(found, handling)
    try:
        with staged_folder(kit_path, kept.settle) as stage:
            kit = _make(session, found, chosen, (following, handling), recipe, stage, tell, before, along)
            told = (*told, *corrected.problems, *chosen.problems, *file_handling.unmet(corrected, chosen.hits),
                    *_nothing_printed(recipe, kit, known),
                    *(() if before is None else release_lock.broken(kit, before, rates)))
            kit = replace(kit, problems=collect([*kit.problems, *told]))
            tell("writing", 0.0)
            _write(kit, stage, recipe, kept, before)
            files = [path for path in stage.rglob("*") if path.is_file()]
            size = sum(path.stat().st_size for path in files)
            check_unchanged(recorded, parts)
            kept.into(stage)
    except OSError as error:
        raise WorkError(f"{kit_path} cannot be written ({error.strerror or error}): free some space or choose another "
                        "place") from None
    remember(kit_path, session_path, tracks)
    if memory is not None:
        memory.end()
    return BuildResult(replace(kit, problems=collect([*kit.problems, *kept.told])), kit_path, len(files), size)


def analysed(session: Session, store: Store, overruled: Corrections, recipe: Recipe, *, jobs: int | None = None,
             progress: Progress | None = None) -> tuple[Analysis, tuple[Problem, ...]]:
    """The analysis of a session with what corrections tell it, its takes pooled, and what to tell of that.

    Raises as ``analyse``.
    """
    told = file_handling.told_to_analysis(overruled)
    how, mending = recipe.choose.pool_takes, recipe.repair.any

    def make() -> tuple[Analysis, tuple[Problem, ...]]:
        """From the store, or by listening."""
        before = None if mending else stored.load(store, session, told, how)
        if before is not None:
            return before
        workers = jobs or os.cpu_count() or 1
        with working(workers):
            found = analyse(session, store=store, jobs=workers, progress=progress or _quiet, told_hits=told)
            # strokes laid over time serve repair alone, and the scans of all takes go with them
            pooled = pool(session, found if mending else replace(found, laid=None), how)
        stored.save(store, session, told, how, pooled)
        return pooled

    return recall.recalled("analysis", (session, told, how, mending), make)


def _along(session: Session, kit_path: Path, recipe: Recipe,
           asked: Path | None) -> tuple[Path | None, Along | None]:
    """The folder of processed tracks that is asked for, and what is in it; None where none is.

    Raises SessionError where it cannot be used, SettingsError where a kit that was built from such tracks is built
    again and nobody knows where they are.
    """
    if not recipe.processed.use:
        return None, None
    named = None if session.processed is None else session.root / session.processed
    folder = asked or named or tracks_of(kit_path)
    if folder is not None and folder.resolve().is_relative_to(session.root.resolve()) and (
            named is None or folder.resolve() != named.resolve()):
        inside = folder.resolve().relative_to(session.root.resolve()).as_posix()
        raise SettingsError(f"{folder} lies inside the session, where folders are takes: write processed = "
                            f"\"{inside}\" into {session.root / 'session.toml'}, or move it out")
    if folder is None:
        if is_our_kit(kit_path) and read_manifest(kit_path).get("tracks"):
            raise SettingsError(f"{kit_path} was cut from processed tracks too, and where they lie is not known: name "
                                "their folder with --processed, or set processed.use = false in its recipe.toml")
        return None, None
    return folder, Along(session, open_tracks(session, folder, recipe.tracks), recipe.processed, recipe.balance)


def _names_of(along: Along | None) -> set[str]:
    """Every name under which a processed track can be dropped."""
    return set() if along is None else {name for each in along.tracks.takes.values() for track in each.tracks
                                        for name in (track.name, *(mic.name for mic in track.mics))}


def _corrected(session: Session, found: Analysis, overruled: Corrections, before: release_lock.Released | None,
               more: set[str]) -> tuple[Corrected, dict[release_lock.Stroke, release_lock.Held]]:
    """The hits as the user overruled them, and what a release holds of them.

    Hits are first called what they were released as; what the user has said since comes after that.
    """
    rates = {take.name: take.sample_rate for take in session.takes}
    mics = _mics_and_pairs(session) | more
    if before is None:
        return file_handling.apply(found.hits, overruled, rates, mics), {}
    then = file_handling.apply(found.hits, Corrections(overruled.entries[:before.corrections]), rates, mics).hits
    there = release_lock.matched(then, before, rates)
    corrected = file_handling.apply(found.hits, Corrections((
        *overruled.entries[:before.corrections], *release_lock.restoring(then, there),
        *overruled.entries[before.corrections:])), rates, mics)
    return corrected, release_lock.held(corrected.hits, there, before, corrected.layer)


def _choose(session: Session, found: Analysis, hits: tuple[Hit, ...], recipe: Recipe, corrected: Corrected,
            held: Mapping[release_lock.Stroke, release_lock.Held],
            tell: Progress) -> tuple[select.Chosen, dict[int, int]]:
    """Measure the hits that may become one-shots, and choose; and where next strokes are heard before their onsets."""
    tell("choosing", 0.0)
    chooser = select.Chooser(_grades(session, found), found.clean_db, recipe.choose, {},
                             {take.name: take.sample_rate for take in session.takes}, corrected.rejected,
                             corrected.wanted, by_hand(corrected), held, _far_grades(session, found, recipe),
                             found.unplaced)
    measured = examine(session, found, select.worth_measuring(hits, chooser))
    return select.choose(hits, replace(chooser, measured=measured)), heard_next(session, found, hits, measured)


def _make(session: Session, found: Analysis, chosen: select.Chosen,
          ends: tuple[Mapping[int, int], Mapping[int, file_handling.Handling]], recipe: Recipe, stage: Path,
          tell: Progress, before: release_lock.Released | None, along: Along | None) -> Kit:
    """Cut, balance and print into the folder ``stage``; the kit, save for what recipe and corrections leave to tell.

    ``ends``: where next strokes are heard, and what the user said of the files; ``before``: the last release;
    ``along``: processed tracks that are cut with the mics.
    """
    following, handling = ends
    cutter = Cutter(session, found, recipe, {d.name: d for d in found.drums}, stage, following, handling,
                    rejected=frozenset(h.id for h in chosen.hits if h.reason == select.REJECTED), along=along)
    hits = {h.id: h for h in chosen.hits}
    needs = needs_of(cutter.plan(hits, chosen.picks, lambda share: tell("where hits end", share)), recipe)
    check_room(stage, needs)
    tell(needs.text(), A_LINE)
    shots = cutter.cut_all(hits, chosen.picks, lambda share: tell("cutting", share))
    shots, unheard = far_mics.sounding(shots, {m.name: m for take in session.takes for m in take.mics},
                                       {d.name: d.home for d in found.drums}, recipe.choose.grade_far)
    if along is not None:
        shots = along.sounding(shots, {h.id: h.take for h in chosen.hits})
    finisher = Finisher(stage, recipe.files)
    if not recipe.files.lite:
        shots = finisher.shots(shots)
        cutter.trim(finisher.gain_db)
        shots = with_home_measures(stage, shots, {d.name: d.home for d in found.drums},
                                   _noise_of(found, chosen.hits), recipe.cut.above_noise_db)
    drums = _drums(found, shots, recipe, before)
    balance, learned, unknown = _balance(session, found, drums, cutter, recipe)
    if recipe.files.lite:
        finisher.balance, finisher.bus = balance, mixdown.bus_of(session)
        shots = finisher.shots(shots)
    if along is not None:
        session = along.with_tracks(session)
    printer = Printer(session, found, recipe, balance, stage, handling, following,
                      {} if along is None else along.judged())
    prints = finisher.prints(printer.make(chosen.hits, chosen.picks))
    if recipe.files.lite:
        session, balance = mixdown.with_bus(session, balance, mixdown.bus_of(session))
    kit = Kit(
        session=session, generator=f"oneshot {__version__}", recipe=_named(recipe_values(recipe), session),
        noise=found.noise, polarity=_polarity(found, along), balance=balance, drums=drums, bleed=found.bleed,
        delays_ms=found.delays_ms, delays=found.delays, hits=chosen.hits, one_shots=shots, prints=prints,
        problems=(*session.problems, *found.problems, *unknown, *unheard, *cutter.told, *finisher.told,
                  *(() if along is None else along.told), *_nothing_kept(found, shots)),
        bleed_bands=found.bleed_bands, mic_views=found.mic_views, dynamics=found.dynamics,
        tracks={} if along is None else along.records(), learned=learned)
    kit = tagged(kit, stage, recipe.export.tags)
    memory = recall.memory()
    if memory is not None:
        memory.renew(kit.one_shots, stage)
    rates = {hit.id: session.take(hit.take).sample_rate for hit in chosen.hits}
    shots = mixdown.with_levels(stage, kit.one_shots, balance, rates)
    noisy = mixdown.noise_problems(shots, balance, found.noise, {hit.id: hit.take for hit in chosen.hits})
    if along is not None:
        session = without_place(session, along.tracks.folder)
    return replace(kit, session=session, one_shots=shots, problems=(*kit.problems, *noisy))


def _quiet(stage: str, share: float) -> None:
    """A progress that nobody watches."""
    del stage, share


# --------------------------------------------------------------------------------------------------------------- before


def _check_target(kit_path: Path, session: Session) -> Kept:
    """What there is to keep where the kit goes. Raises KitError or SettingsError where it must not be written."""
    recover_folder(kit_path)
    if session.root.resolve().is_relative_to(kit_path.resolve()):
        raise KitError(f"{kit_path} holds the session itself: choose another place, so that recordings stay untouched")
    if kit_path.exists() and not is_our_kit(kit_path):
        raise KitError(f"{kit_path} exists and is no kit of ours: choose another place, or move it away")
    kept = kept_of(kit_path)
    if kept.kit is not None and any(file.processed == "outside" for shot in kept.kit.one_shots for file in shot.files):
        raise KitError(f"{kit_path} holds files that were processed after they were cut, which a build would replace: "
                       "choose another place, or move it away")
    if kit_path.resolve().is_relative_to(session.root.resolve()):
        raise KitError(f"{kit_path} lies inside the session: choose a place outside, so that recordings stay untouched")
    check_outside_sessions(kit_path)
    if kept.kit is not None:
        check_untouched(kit_path, kept.kit)
    return kept


def _recipe(recipe_path: Path | None, kit_path: Path) -> tuple[Recipe, tuple[Problem, ...]]:
    """The recipe asked for; without one, that of the kit which is rebuilt; else the defaults."""
    kept = kit_path / "recipe.toml"
    if recipe_path is None and kept.exists():
        recipe_path = kept
    return load_recipe(recipe_path)


def _mics_and_pairs(session: Session) -> set[str]:
    """Every name under which a mic can be dropped."""
    mics = [mic for take in session.takes for mic in take.mics]
    return {mic.name for mic in mics} | {mic.pair for mic in mics if mic.pair}


def _only(found: Analysis, wanted: tuple[str, ...]) -> tuple[Analysis, tuple[Hit, ...]]:
    """The drums asked for and their hits; all where none is. Raises SettingsError, naming the drums there are, where
    none is called so.
    """
    names: set[str] = set()
    for only in wanted:
        mine = {d.name for d in found.drums if d.name == only} or {d.name for d in found.drums if d.kind == only}
        if not mine:
            raise SettingsError(f"no drum is called {only!r} here: choose one of "
                                f"{', '.join(d.name for d in found.drums)}")
        names |= mine
    if not wanted:
        return found, found.hits
    return (replace(found, drums=tuple(d for d in found.drums if d.name in names)),
            tuple(h for h in found.hits if h.drum in names))


def _grades(session: Session, found: Analysis) -> dict[int, str]:
    """Each hit's grade in its drum's own close mics, the worst of them; in the home mic where it has none."""
    homes = {d.name: d.home for d in found.drums}
    out = {}
    for hit in found.hits:
        rows = found.grades[hit.id]
        own = [m.name for m in session.take(hit.take).mics if m.stands_at(hit.drum) and m.name in rows]
        out[hit.id] = max([rows[name] for name in own] or [rows.get(homes.get(hit.drum, ""), "D")])
    return out


def _far_grades(session: Session, found: Analysis, recipe: Recipe) -> dict[int, dict[str, str]]:
    """Each hit's grades in the overheads and rooms that it is exported in, save its home mic."""
    homes, asked = {d.name: d.home for d in found.drums}, recipe.export.mics
    far = {take.name: [m.name for m in take.mics if m.role in far_mics.FAR and (
        not asked or m.name in asked or m.pair in asked)] for take in session.takes}
    return {hit.id: {name: found.grades[hit.id][name] for name in far[hit.take]
                     if name in found.grades[hit.id] and name != homes.get(hit.drum)} for hit in found.hits}


# ---------------------------------------------------------------------------------------------------------------- after


def _drums(found: Analysis, shots: tuple[OneShot, ...], recipe: Recipe,
           before: release_lock.Released | None) -> tuple[Drum, ...]:
    """The kit's drums with their keys and chokes."""
    pitches: dict[str, list[float]] = {}
    for shot in shots:
        if shot.fundamental_hz is not None:
            pitches.setdefault(shot.drum, []).append(shot.fundamental_hz)
    struck = [Struck(d.name, d.kind, d.articulations, sorted(pitches[d.name])[len(pitches[d.name]) // 2]
                     if d.name in pitches else None) for d in found.drums]
    unknown = unknown_keys(struck, recipe.keys)
    kept = {} if before is None else {(g.drum, g.articulation): g.key for g in before.groups}
    keys = assign_keys(struck, {name: key for name, key in recipe.keys.items() if name not in unknown}, kept,
                       transpose=recipe.playing.transpose, hands=recipe.hands)
    left = second_keys(struck, recipe.hands)
    return tuple(Drum(d.name, d.kind, d.home, tuple(Articulation(a, keys[d.name, a], left.get((d.name, a)))
                                                    for a in d.articulations),
                      choke="hats" if d.kind == "hat" else None, voices=recipe.voices.get(d.name))
                 for d in found.drums)


def _balance(session: Session, found: Analysis, drums: tuple[Drum, ...], cutter: Cutter,
             recipe: Recipe) -> tuple[dict[str, Fader], Mapping[str, object], list[Problem]]:
    """The kit's balance, what it was learned from, and what the recipe says of mics and keys that do not exist."""
    computed = balancing.compute_balance(session, drums, bleed=found.bleed, polarity=found.polarity)
    loud = [d.name for d in drums if d.kind in ("kick", "snare", "crash") and d.name in cutter.loudest]
    hardest = [cutter.loudest[name] for name in loud]
    told: list[Problem] = []
    source: Mapping[str, object] = {}
    if recipe.kit.perspective == "audience":
        computed = balancing.mirrored(computed)
    if recipe.mix.learn_from:  # sides are those of the mix, whoever listens
        learned = learn_balance(session, found, computed, recipe.mix.learn_from)
        computed, told, source = dict(learned.faders), [*learned.problems], learned.record(recipe.mix.learn_from)
    if cutter.along is not None:  # as loud and where the mix has them
        computed = cutter.along.faders(computed)
    computed = balancing.trim(computed, hardest, sample_rate=session.takes[0].sample_rate)
    faders, unknown = balancing.override(computed, recipe.balance)
    struck = [Struck(d.name, d.kind, tuple(a.name for a in d.articulations)) for d in drums]
    told += [Problem("recipe", f"balance names {name!r}, which is no mic of the session", "correct or delete it")
            for name in unknown]
    told += [Problem("recipe", f"{table} names {name!r}, which is no drum of the kit", "correct or delete it")
             for table, said in (("keys", recipe.keys), ("hands", recipe.hands), ("voices", recipe.voices))
             for name in unknown_keys(struck, said)]
    return faders, source, told


def _noise_of(found: Analysis, hits: tuple[Hit, ...]) -> dict[int, TakeNoise]:
    """Hit id -> what is steady in its take."""
    takes = {each.take: each for each in found.noise}
    return {hit.id: takes.get(hit.take, TakeNoise(hit.take, {})) for hit in hits}


def _polarity(found: Analysis, along: Along | None) -> Mapping[str, Mapping[str, int]]:
    """Take -> mic -> measured polarity, of processed tracks too."""
    if along is None:
        return found.polarity
    return {take: {**found.polarity.get(take, {}), **along.polarity(take)} for take in along.tracks.takes}


def _nothing_printed(recipe: Recipe, kit: Kit, known: set[str]) -> list[Problem]:
    """A problem for each print that could not be made: of a drum nobody knows, or of one in the kit."""
    made, there = {p.print for p in kit.prints}, {d.name for d in kit.drums}
    return [Problem(f"prints.{part.name}", f"no print was made of {part.drum!r}",
                    "see hits.csv for the reasons" if part.drum in known else
                    f"no drum is called so: choose one of {', '.join(sorted(known))}")
            for part in recipe.prints if part.name not in made and (part.drum in there or part.drum not in known)]


def _nothing_kept(found: Analysis, shots: tuple[OneShot, ...]) -> list[Problem]:
    """A problem for each drum that has hits and no one-shot."""
    kept = {shot.drum for shot in shots}
    return [Problem(d.name, "no hit of this drum could be kept", "see hits.csv for the reasons, or lower choose.grade")
            for d in found.drums if d.name not in kept]


def _named(values: dict[str, object], session: Session) -> dict[str, object]:
    """The recipe's values with the session's name where the kit was given none."""
    info = values["kit"]
    if isinstance(info, dict) and not info.get("name"):
        return {**values, "kit": {**info, "name": session.name}}
    return values


def _write(kit: Kit, stage: Path, recipe: Recipe, kept: Kept, before: release_lock.Released | None) -> None:
    """Everything but the sound files. Raises OSError where the disk refuses."""
    write_atomic(stage / RECIPE, recipe_toml(recipe))
    write_atomic(stage / CORRECTIONS, kept.texts[CORRECTIONS] or EMPTY_TEXT)
    if before is not None:
        write_atomic(stage / release_lock.NAME, release_lock.to_json(before))
    write_all(kit, stage)
    write_report(kit, stage)
