"""Assemble: from chosen hits to a kit in its folder, all but the texts.

Whatever a file or its tags depend on beyond its own hit is settled first: keys, trims, balance, which mics play. Then
each hit is cut, and each file written, once.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from oneshot.analysis.result import Analysis
from oneshot.config import handling as file_handling
from oneshot.config import release_lock
from oneshot.config.recipe import Recipe
from oneshot.config.recipe_file import recipe_values
from oneshot.core.cache.results import recalled, sound_of
from oneshot.core.progress import A_LINE, Progress
from oneshot.core.records.hits import Drum, Hit
from oneshot.core.records.kit import Fader, Kit, OneShot, TakeNoise
from oneshot.core.records.session import Mic, Problem, Session
from oneshot.core.version import __version__
from oneshot.core.workers import parted, several, spread
from oneshot.cutting.carried import OnDisk
from oneshot.cutting.cutter import AT_ONCE, Cutter, Job
from oneshot.cutting.file_names import REPAIRED, FileNames, file_names
from oneshot.cutting.file_tags import FileTags, origins
from oneshot.cutting.files import Files, peaks
from oneshot.cutting.formats import Finisher
from oneshot.cutting.mix import balance as balancing
from oneshot.cutting.mix import mixdown
from oneshot.cutting.mix.balance_match import learn_balance
from oneshot.cutting.mix.prints import Printer
from oneshot.cutting.processed import Along
from oneshot.cutting.space import check_room, needs_of
from oneshot.kit.export.keys import Struck, keyed_drums, unknown_keys
from oneshot.kit.report.data import OUTLINES, outlines
from oneshot.selection import far_mics, select
from oneshot.session.processed_tracks import without_place


@dataclass(frozen=True, slots=True)
class Assembled:
    """A kit in its folder, save for what recipe and corrections leave to tell, and path -> how the page draws a sound
    file, of those that were written anew.
    """

    kit: Kit
    drawn: Mapping[str, Mapping[str, object]]


def assemble(session: Session, found: Analysis, chosen: select.Chosen,
             ends: tuple[Mapping[int, int], Mapping[int, file_handling.Handling]], recipe: Recipe, stage: Path,
             tell: Progress, before: release_lock.Released | None, along: Along | None,
             there: Mapping[str, OnDisk]) -> Assembled:
    """Cut, balance and print into the folder ``stage``. All that files say is settled before the first is written.

    ``ends``: where next strokes are heard, and what the user said of the files; ``before``: the last release;
    ``along``: processed tracks that are cut with the mics; ``there``: as in ``Files``.
    """
    following, handling = ends
    homes = {d.name: d.home for d in found.drums}
    cutter = Cutter(session, found, recipe, {d.name: d for d in found.drums}, {h.id: h for h in chosen.hits},
                    chosen.picks, following, handling, along=along,
                    rejected=frozenset(h.id for h in chosen.hits if h.reason == select.REJECTED))
    needs = needs_of(cutter.plan(lambda share: tell("measuring tails", share)), recipe)
    check_room(stage, needs)
    if needs.one_shots:
        tell(needs.text(), A_LINE)
    drums = keyed_drums(found, cutter.pitches, recipe, before)
    drafts = far_mics.sounding([cutter.drafts[pick.hit] for pick in chosen.picks], far_mics.Playing(
        {m.name: m for take in session.takes for m in take.mics}, homes,
        _levels_by_balance(session, found, drums, recipe), recipe.choose.grade_far, all_alike=recipe.files.lite))
    cutter.drafts = {shot.hit: shot for shot in drafts}

    finisher = Finisher(recipe.files)
    bus = mixdown.bus_of(session) if recipe.files.lite else ()

    def trim(balance: Mapping[str, Fader]) -> None:
        """Cut everything once to know how loud it becomes; mixdowns by the balance."""
        jobs = _told(cutter.jobs(again=True), "measuring levels", len(drafts), tell)
        finisher.trim(peaks(jobs, finisher, balance, bus))

    if finisher.trims_groups and not bus:
        trim({})
        cutter.trim(finisher.gain_db)
    balance, learned, unknown = _balance(session, found, drums, cutter, recipe)
    if finisher.trims_groups and bus:
        trim(balance)

    if along is not None:
        session = along.with_tracks(session)
    asked, generator = _named(recipe_values(recipe), session), f"oneshot {__version__}"
    tracks = {} if along is None else along.records()
    tags = FileTags(session, chosen.hits, drums, asked, tracks, generator, origins(session)) \
        if recipe.export.tags else None
    noise = {take.name: TakeNoise(take.name, {}) for take in session.takes} | {each.take: each for each in found.noise}
    names = file_names(recipe.names, recipe.kit.name or session.name, {d.name: d.articulations for d in found.drums},
                       finisher.suffix, before,
                       {} if before is None else release_lock.printed(
                           chosen.hits, before, {take.name: take.sample_rate for take in session.takes}))
    printer = Printer(session, found, recipe, balance, names, handling, following,
                      {} if along is None else along.judged())
    files = Files(stage, names, finisher, tags, balance, bus, homes, noise, recipe.cut.above_noise_db, there)
    _named_before_any_is_cut(names, cutter, bus, recipe)
    printed = printer.make(chosen.hits, chosen.picks, chosen.velocities)
    shots: dict[int, OneShot] = {}
    drawn: dict[str, Mapping[str, object]] = {}
    for made in _cut(cutter, files, tell, alone=along is not None):
        shots |= made.shots
        drawn |= made.drawn
        files.told += made.told
    prints = []
    for print_ in printed:
        row, sound = files.print(print_)
        prints.append(row)
        drawn[row.path] = outlines(*sound)

    one_shots = tuple(shots[pick.hit] for pick in chosen.picks)
    if recipe.files.lite:
        session, balance = mixdown.with_bus(session, balance, mixdown.bus_of(session))
    noisy = mixdown.noise_problems(one_shots, balance, found.noise, {hit.id: hit.take for hit in chosen.hits})
    kit = Kit(
        session=session if along is None else without_place(session, along.tracks.folder), generator=generator,
        recipe=asked, noise=found.noise, polarity=_polarity(found, along), balance=balance, drums=drums,
        bleed=found.bleed, delays_ms=found.delays_ms, delays=found.delays, hits=chosen.hits, one_shots=one_shots,
        prints=tuple(prints),
        problems=(*session.problems, *found.problems, *unknown, *cutter.told, *files.told, *finisher.told,
                  *(() if along is None else along.told), *_nothing_kept(found, chosen.hits, one_shots, recipe),
                  *noisy),
        bleed_bands=found.bleed_bands, mic_views=found.mic_views, dynamics=found.dynamics, tracks=tracks,
        learned=learned, polarity_measured=_polarity_measured(found, along))
    return Assembled(kit, drawn)


def _named_before_any_is_cut(names: FileNames, cutter: Cutter, bus: tuple[Mic, ...], recipe: Recipe) -> None:
    """Give every file its name. Raises SettingsError where the recipe's pattern gives two files one."""
    for pick in cutter.in_order():
        hit = cutter.hits[pick.hit]
        for label in (mixdown.LABEL,) if bus else cutter.labels(hit):
            names.sample(hit, pick, label)
            if recipe.repair.any and not bus:
                names.sample(hit, pick, f"{label} {REPAIRED}")


@dataclass(frozen=True, slots=True)
class _Cut:
    """Hits that are cut and written: hit id -> one-shot, path -> drawing, and what had to be told."""

    shots: Mapping[int, OneShot]
    drawn: Mapping[str, Mapping[str, object]]
    told: tuple[Problem, ...]


def _cut(cutter: Cutter, files: Files, tell: Progress, *, alone: bool) -> Iterator[_Cut]:
    """Every hit cut and written, by several workers unless one has to do it ``alone``."""
    ids, here = [pick.hit for pick in cutter.in_order()], os.getpid()

    def some(part: Sequence[int]) -> _Cut:
        """Some of them, in order of time."""
        shots: dict[int, OneShot] = {}
        drawn: dict[str, Mapping[str, object]] = {}
        before = len(files.told)
        for job in cutter.jobs(only=frozenset(part)):
            made = files.shot(job)
            shots[job.hit.id] = made.shot
            sums = {file.path: file.sha256 for file in made.shot.files}
            drawn |= {path: recalled(OUTLINES, sound_of(sums[path]), partial(outlines, *sound))
                      for path, sound in made.sounds.items() if path in sums}
            if os.getpid() == here:
                tell("cutting", len(shots) / len(part))
        told = tuple(files.told[before:])
        del files.told[before:]
        return _Cut(shots, drawn, told)

    if alone or not several():
        return iter([some(ids)])
    return iter(spread(some, parted(ids, AT_ONCE)))


def _told(jobs: Iterator[Job], what: str, count: int, tell: Progress) -> Iterator[Job]:
    """The jobs, with a word to whoever waits after each."""
    for n, job in enumerate(jobs, 1):
        yield job
        tell(what, n / count)


def _levels_by_balance(session: Session, found: Analysis, drums: tuple[Drum, ...],
                       recipe: Recipe) -> dict[str, dict[str, float]]:
    """Drum -> mic -> the drum's level in it by the computed balance and the recipe, dB: what decides which mics play,
    before anything is cut; no mics that are off.
    """
    faders, _ = balancing.override(balancing.compute_balance(session, drums, bleed=found.bleed,
                                                             polarity=found.polarity), recipe.balance)
    return {drum: {mic: level + faders[mic].gain_db for mic, level in mics.items() if mic in faders and faders[mic].on}
            for drum, mics in balancing.drum_levels_db(found.bleed).items()}


def _balance(session: Session, found: Analysis, drums: tuple[Drum, ...], cutter: Cutter,
             recipe: Recipe) -> tuple[dict[str, Fader], Mapping[str, object], list[Problem]]:
    """The kit's balance, what it was learned from, and what the recipe says of mics and keys that do not exist."""
    computed = balancing.compute_balance(session, drums, bleed=found.bleed, polarity=found.polarity)
    loud = [d.name for d in drums if d.kind in balancing.LOUD_KINDS and d.name in cutter.loudest]
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
    told += [Problem("recipe", f"balance names {name!r}, which is not a mic of the session", "correct or delete it")
            for name in unknown]
    told += [Problem("recipe", f"{table} names {name!r}, which is not a drum of the kit", "correct or delete it")
             for table, said in (("keys", recipe.keys), ("hands", recipe.hands), ("voices", recipe.voices))
             for name in unknown_keys(struck, said)]
    return faders, source, told


def _polarity(found: Analysis, along: Along | None) -> Mapping[str, Mapping[str, int]]:
    """Take -> mic -> measured polarity, of processed tracks too."""
    if along is None:
        return found.polarity
    return {take: {**found.polarity.get(take, {}), **along.polarity(take)} for take in along.tracks.takes}


def _polarity_measured(found: Analysis, along: Along | None) -> Mapping[str, tuple[str, ...]]:
    """Take -> the mics, and the sides of processed tracks, in which polarity was measured."""
    if along is None:
        return found.polarity_measured
    return {**found.polarity_measured, **{take: (*found.polarity_measured.get(take, ()), *along.polarity(take))
                                          for take in along.tracks.takes}}


def _nothing_kept(found: Analysis, hits: tuple[Hit, ...], shots: tuple[OneShot, ...], recipe: Recipe) -> list[Problem]:
    """A problem for each drum that has hits and no one-shot, where any were asked for; ``hits`` say why."""
    if not recipe.export.samples:
        return []
    kept = {shot.drum for shot in shots}
    return [_lacks(d.name, [hit.reason == select.REJECTED for hit in hits if hit.drum == d.name])
            for d in found.drums if d.name not in kept]


def _lacks(drum: str, by_hand: Sequence[bool]) -> Problem:
    """What to tell of a drum without a one-shot. ``by_hand``: for each of its hits, whether it was left out by hand."""
    if by_hand and all(by_hand):
        return Problem(drum, "all hits of this drum were left out by hand",
                       "delete a leave_out from corrections.toml if you want the drum in the kit")
    if any(by_hand):
        return Problem(drum, f"no hit of this drum was kept: {sum(by_hand)} of {len(by_hand)} were left out by hand",
                       "see hits.csv for the reasons of the others, or delete a leave_out from corrections.toml")
    return Problem(drum, "no hit of this drum was kept", "see hits.csv for the reasons, or lower choose.grade")


def _named(values: dict[str, object], session: Session) -> dict[str, object]:
    """The recipe's values with the session's name where the kit was given none."""
    info = values["kit"]
    if isinstance(info, dict) and not info.get("name"):
        return {**values, "kit": {**info, "name": session.name}}
    return values
