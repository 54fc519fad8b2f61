"""Assemble: from chosen hits to a kit in its folder, all but the texts: cut, keys, balance, prints, tags."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from oneshot.analysis.result import Analysis
from oneshot.config import handling as file_handling
from oneshot.config import release_lock
from oneshot.config.recipe import Recipe
from oneshot.config.recipe_file import recipe_values
from oneshot.core.cache.memory import in_use
from oneshot.core.progress import A_LINE, Progress
from oneshot.core.records.hits import Drum, Hit
from oneshot.core.records.kit import Fader, Kit, OneShot, TakeNoise
from oneshot.core.records.session import Problem, Session
from oneshot.core.version import __version__
from oneshot.cutting.cutter import Cutter
from oneshot.cutting.embed_tags import tagged
from oneshot.cutting.formats import Finisher
from oneshot.cutting.mix import balance as balancing
from oneshot.cutting.mix import mixdown
from oneshot.cutting.mix.balance_match import learn_balance
from oneshot.cutting.mix.prints import Printer
from oneshot.cutting.processed import Along
from oneshot.cutting.space import check_room, needs_of
from oneshot.kit.export.keys import Struck, keyed_drums, unknown_keys
from oneshot.kit.file_measures import with_home_measures
from oneshot.selection import far_mics, select
from oneshot.session.processed_tracks import without_place


def assemble(session: Session, found: Analysis, chosen: select.Chosen,
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
    needs = needs_of(cutter.plan(hits, chosen.picks, lambda share: tell("measuring tails", share)), recipe)
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
    drums = keyed_drums(found, shots, recipe, before)
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
    memory = in_use()
    if memory is not None:
        memory.files.renew(kit.one_shots, stage)
    rates = {hit.id: session.take(hit.take).sample_rate for hit in chosen.hits}
    shots = mixdown.with_levels(stage, kit.one_shots, balance, rates)
    noisy = mixdown.noise_problems(shots, balance, found.noise, {hit.id: hit.take for hit in chosen.hits})
    if along is not None:
        session = without_place(session, along.tracks.folder)
    return replace(kit, session=session, one_shots=shots, problems=(*kit.problems, *noisy))


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
    told += [Problem("recipe", f"balance names {name!r}, which is not a mic of the session", "correct or delete it")
            for name in unknown]
    told += [Problem("recipe", f"{table} names {name!r}, which is not a drum of the kit", "correct or delete it")
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


def _nothing_kept(found: Analysis, shots: tuple[OneShot, ...]) -> list[Problem]:
    """A problem for each drum that has hits and no one-shot."""
    kept = {shot.drum for shot in shots}
    return [Problem(d.name, "no hit of this drum was kept", "see hits.csv for the reasons, or lower choose.grade")
            for d in found.drums if d.name not in kept]


def _named(values: dict[str, object], session: Session) -> dict[str, object]:
    """The recipe's values with the session's name where the kit was given none."""
    info = values["kit"]
    if isinstance(info, dict) and not info.get("name"):
        return {**values, "kit": {**info, "name": session.name}}
    return values
