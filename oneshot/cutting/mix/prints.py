"""Prints: one drum's mics mixed down to single files by the recipe, the best candidates first, of the whole drum or of
each of its velocity layers.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np

from oneshot.analysis.result import Analysis
from oneshot.audio import descriptors
from oneshot.audio.io import TakeReader
from oneshot.config.handling import Handling
from oneshot.config.recipe import PrintPart, PrintRecipe, Recipe
from oneshot.core.errors import SettingsError, WorkError
from oneshot.core.names import no_device
from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import Fader, Kit, Print
from oneshot.core.records.session import Floats, Problem, Session
from oneshot.cutting.file_names import FileNames
from oneshot.cutting.mix import balance as balancing
from oneshot.cutting.mix.print_polarity import turned_upward
from oneshot.selection.round_robins import SPARE
from oneshot.selection.select import REJECTED, Pick

Velocities: TypeAlias = Mapping[tuple[str, str, int], tuple[int, int]]
"""(drum, articulation, layer) -> its MIDI velocities, lowest and highest."""


@dataclass(frozen=True, slots=True, eq=False)
class Printed:
    """A print that is not written yet: its row, save for what only its file tells; its samples, float64 (channels,
    frames), full scale 1.0; sample rate (Hz) and subtype.
    """

    row: Print
    x: Floats
    sample_rate: int
    subtype: str


@dataclass(frozen=True, slots=True)
class Printer:
    """Makes a kit's prints.

    ``handling``: hit id -> what the user set for its files; a print that needs a mic that was left out of a hit is not
    made of it. ``heard_next``: hit id -> take frame at which the next stroke begins to sound, where that is known to be
    before its onset; ``made_of``: processed track -> the mics that are judged in its place.
    """

    session: Session
    analysis: Analysis
    recipe: Recipe
    balance: Mapping[str, Fader]
    names: FileNames
    handling: Mapping[int, Handling] = field(default_factory=dict)
    heard_next: Mapping[int, int] = field(default_factory=dict)
    made_of: Mapping[str, Sequence[str]] = field(default_factory=dict)

    def make(self, hits: Sequence[Hit], picks: Sequence[Pick], velocities: Velocities) -> tuple[Printed, ...]:
        """All prints of the recipe, each with its candidates best first, layer by layer where it has so many of each.

        Raises SettingsError where the recipe names a mic that no take has, or two prints share a folder.
        """
        out: list[Printed] = []
        used: set[str] = set()
        for recipe in per_drum(self.recipe.prints, {d.name: d.kind for d in self.analysis.drums}):
            folder = no_device(re.sub(r"[^a-z0-9]+", "-", recipe.name.lower()).strip("-")[:32]) or "print"
            if folder in used:
                raise SettingsError(f"prints: two are named {recipe.name!r}: give each its own name")
            used.add(folder)
            self._check_mics(recipe)
            out.extend(self._print(recipe, folder, hits, picks, velocities))
        return tuple(out)

    def _check_mics(self, recipe: PrintRecipe) -> None:
        known = {m.name for take in self.session.takes for m in take.mics}
        for name in recipe.mics:
            if name not in known:
                raise SettingsError(f"prints.{recipe.name}.mics names {name!r}: no such mic; use one of "
                                    f"{', '.join(sorted(known))}")

    def _print(self, recipe: PrintRecipe, folder: str, hits: Sequence[Hit], picks: Sequence[Pick],
               velocities: Velocities) -> list[Printed]:
        """One print's candidates. A drum that the kit lacks makes none."""
        able = [h for h in hits if h.drum == recipe.drum and h.reason != REJECTED and h.ornament is None
                and (not recipe.per_layer or _fills_layer(h))]
        parts = {h.id: balancing.print_parts(recipe, self._close(h), self.balance) for h in able}
        able = [h for h in able if parts[h.id] and set(parts[h.id]) <= self._there(h)]
        ranked = _ranked(able, self._all_facts(able, recipe, parts), recipe)
        plans = {each.hit.id: self._plan(each.hit, recipe, parts[each.hit.id]) for each in ranked}
        blends = self._mix([each.hit for each in ranked], recipe, plans)
        if not blends:
            return []
        if recipe.upward:
            blends = self._upward([each.hit for each in ranked], blends)
        rate = self.session.take(able[0].take).sample_rate
        levelled = balancing.level_prints([blends[each.hit.id] for each in ranked], ceiling_dbtp=recipe.ceiling_dbtp,
                                          sample_rate=rate)
        ways = {h.id: h.articulation for h in able}
        own = {p.hit: p for p in picks if p.hit in ways}  # a print is numbered as the one-shot of its hit
        robins: dict[tuple[str, int], int] = {}
        for pick in own.values():
            group = ways[pick.hit], pick.layer
            robins[group] = max(robins.get(group, 0), pick.round_robin)
        out = []
        for each, mixed in zip(ranked, levelled, strict=True):
            hit = each.hit
            place = own.get(hit.id)
            if place is None:
                layer = hit.layer or 1
                robins[hit.articulation, layer] = robins.get((hit.articulation, layer), 0) + 1
                place = Pick(hit.id, layer, robins[hit.articulation, layer],
                             velocities.get((hit.drum, hit.articulation, layer), (1, 127)))
            out.append(self._printed(recipe, folder, hit, place, mixed, each.rank, each.why))
        return out

    def _there(self, hit: Hit) -> set[str]:
        """The mics of a hit's take that the user did not drop."""
        dropped = self.handling.get(hit.id, Handling()).dropped
        return {m.name for m in self.session.take(hit.take).mics if m.name not in dropped and m.pair not in dropped}

    def _close(self, hit: Hit) -> list[str]:
        """The hit's drum's own close mics in its take, or else its home mic."""
        mics = self.session.take(hit.take).mics
        home = next((d.home for d in self.analysis.drums if d.name == hit.drum), "")
        return [m.name for m in mics if m.stands_at(hit.drum)] or [m.name for m in mics if m.name == home]

    def _next(self, hit: Hit, mics: Sequence[str]) -> int | None:
        """Take frame of the next stroke's earliest onset in the print's mics."""
        placed = self.analysis.next_stroke(hit, self._judged(mics), self.session.take(hit.take).sample_rate)
        heard = self.heard_next.get(hit.id)
        return placed if heard is None or placed is None else min(placed, heard)

    def _all_facts(self, hits: Sequence[Hit], recipe: PrintRecipe,
                   parts: Mapping[int, Mapping[str, PrintPart]]) -> list[balancing.PrintFacts]:
        """What each candidate is ranked by; a take's are read in order of time, by one reader for each set of mics."""
        out: dict[int, balancing.PrintFacts] = {}
        for take in self.session.takes:
            mine = sorted((h for h in hits if h.take == take.name), key=lambda h: h.onset)
            for names in sorted({tuple(parts[h.id]) for h in mine}):
                with TakeReader(self.session.root, take, names) as reader:
                    for hit in (h for h in mine if tuple(parts[h.id]) == names):
                        out[hit.id] = self._facts(reader, hit, recipe, names)
        return [out[hit.id] for hit in hits]

    def _judged(self, mics: Sequence[str]) -> list[str]:
        """Those mics, with what processed tracks are made of in their place."""
        return list(dict.fromkeys(mic for name in mics for mic in self.made_of.get(name, (name,))))

    def _facts(self, reader: TakeReader, hit: Hit, recipe: PrintRecipe, parts: Sequence[str]) -> balancing.PrintFacts:
        """What a candidate is ranked by: its worst bleed over the mics, its level, and its tail in the loudest mic."""
        take = self.session.take(hit.take)
        judged = self._judged(parts)
        bleeds = [hit.bleed_db.get(name) for name in judged]
        known = [b for b in bleeds if b is not None]
        wanted = recipe.length_ms / 1000
        attack = self.analysis.attacks[hit.id]
        limit = self._next(hit, parts) or take.frames
        stop = min(limit, attack + round(wanted * take.sample_rate))
        audio = reader.read(attack, max(stop, attack + 1))
        loudest = audio[int(np.abs(audio).max(axis=1).argmax())].astype(np.float64)
        noise = next((n.noise_dbfs for n in self.analysis.noise if n.take == take.name), {})
        floor = max((10 ** (level / 20) for name in judged if (level := noise.get(name)) is not None), default=0.0)
        ring = descriptors.tail_end(loudest, sample_rate=take.sample_rate, noise_rms=floor, above_db=6.0)
        return balancing.PrintFacts(hit.id, max(known) if len(known) == len(bleeds) and known else None, hit.level_db,
                                    ring / take.sample_rate, wanted)

    def _plan(self, hit: Hit, recipe: PrintRecipe, parts: Mapping[str, PrintPart]) -> balancing.PrintPlan:
        rate = self.session.take(hit.take).sample_rate
        known = self.analysis.delays_ms[hit.take].get(hit.drum, {})
        delays = {name: round(ms * rate / 1000) for name, ms in known.items() if ms is not None}
        said = self.handling.get(hit.id, Handling())
        end, fade_out = (None if ms is None else round(ms * rate / 1000) for ms in (said.end_ms, said.fade_out_ms))
        return balancing.plan_print(recipe, parts, hit=hit.id, attack=self.analysis.attacks[hit.id],
                                    limit=self._next(hit, list(parts)), delays=delays, sample_rate=rate, end=end,
                                    fade_out=fade_out, gain_db=said.gain_db)

    def _mix(self, hits: Sequence[Hit], recipe: PrintRecipe,
             plans: Mapping[int, balancing.PrintPlan]) -> dict[int, balancing.Blend]:
        """Read and mix every candidate, take by take in order of time."""
        out = {}
        for take in self.session.takes:
            mine = sorted((h for h in hits if h.take == take.name), key=lambda h: h.onset)
            names = sorted({name for h in mine for name in plans[h.id].mics})
            if not names:
                continue
            with TakeReader(self.session.root, take, names) as reader:
                for hit in mine:
                    plan = plans[hit.id]
                    audio: dict[str, Floats] = {}
                    for name, part in plan.mics.items():
                        start = plan.start + part.delay_frames
                        row = names.index(name)
                        audio[name] = reader.read(start, start + plan.frames)[row].astype(np.float64)
                    out[hit.id] = balancing.blend_print(recipe, plan, audio, balance=self.balance,
                                                        sample_rate=take.sample_rate)
        return out

    def _upward(self, hits: Sequence[Hit], blends: Mapping[int, balancing.Blend]) -> dict[int, balancing.Blend]:
        """The blends turned to move upward first, those of one articulation and sample rate agreeing; ``hits``: best
        first.
        """
        groups: dict[tuple[str, int], list[int]] = {}
        for hit in hits:
            rate = self.session.take(hit.take).sample_rate
            groups.setdefault((hit.articulation, rate), []).append(hit.id)
        out: dict[int, balancing.Blend] = {}
        for (_, rate), ids in groups.items():
            turned = turned_upward([blends[number] for number in ids], sample_rate=rate)
            out |= dict(zip(ids, turned, strict=True))
        return out

    def _printed(self, recipe: PrintRecipe, folder: str, hit: Hit, pick: Pick, mixed: balancing.Blend, rank: int,
                 why: str) -> Printed:
        """One print; ``pick``: its place among the prints."""
        take = self.session.take(hit.take)
        path = self.names.print(hit, pick, folder, recipe.name)
        row = Print(
            print=recipe.name, hit=hit.id, drum=hit.drum, articulation=hit.articulation, layer=pick.layer,
            round_robin=pick.round_robin, velocity=pick.velocity, mics=mixed.mics, path=path, frames=mixed.plan.frames,
            source_start=mixed.plan.start, offset_frames=mixed.plan.offset_frames,
            first_excursion=mixed.first_excursion, peak_dbfs=None, true_peak_dbtp=None, momentary_lufs=None, sha256="",
            rank=rank, why=why, fade_out_frames=mixed.plan.fade_out_frames)
        return Printed(row, mixed.x, take.sample_rate, "PCM_24" if take.subtype == "PCM_16" else take.subtype)


@dataclass(frozen=True, slots=True)
class Ranked:
    """A hit to be printed: its rank among the candidates, from 1, in its layer where there are so many of each; and
    what it is ranked by, in words.
    """

    hit: Hit
    rank: int
    why: str


def _ranked(hits: Sequence[Hit], facts: Sequence[balancing.PrintFacts], recipe: PrintRecipe) -> list[Ranked]:
    """As many of the hits as the recipe asks for, best first; where it asks for so many of each layer, by articulation
    and from the softest layer to the hardest. ``facts``: of each hit.
    """
    groups: dict[tuple[str, int], list[int]] = {}
    for k, hit in enumerate(hits):
        groups.setdefault((hit.articulation, hit.layer or 1) if recipe.per_layer else ("", 0), []).append(k)
    out = []
    for _, group in sorted(groups.items()):
        order = balancing.rank_prints([facts[k] for k in group], alike=recipe.per_layer)[:recipe.candidates]
        out += [Ranked(hits[group[n]], rank, why) for rank, (n, why) in enumerate(order, 1)]
    return out


def _fills_layer(hit: Hit) -> bool:
    """Whether a hit has a velocity layer and takes turns in it, or would if the layer had room for more."""
    return hit.layer is not None and (hit.kept or (hit.reason or "").startswith(SPARE))


def per_drum(prints: Sequence[PrintRecipe], kinds: Mapping[str, str]) -> list[PrintRecipe]:
    """The prints, each of one drum: of the one so called, of all of the kind so called, or of every drum where none is.

    ``kinds``: name of a drum -> its kind. Where a print is made of several drums, its name ends in the drum's; one
    whose drum is not there comes back as it is.
    """
    out: list[PrintRecipe] = []
    for each in prints:
        mine = [each.drum] if each.drum in kinds else [name for name, kind in kinds.items() if each.drum in ("", kind)]
        out += [each.of(name, kinds[name], each.name if len(mine) == 1 else f"{each.name} {name}") for name in mine] \
            or [each]
    return out


def missing_prints(recipe: Recipe, kit: Kit, known: Mapping[str, str]) -> list[Problem]:
    """A problem for each print that could not be made: of a drum nobody knows, or of one in the kit.

    ``known``: name of each drum of the session -> its kind. Raises WorkError where prints were the point: where they
    are all that was asked for, or none was made of the drums that were named.
    """
    made, there = {p.print for p in kit.prints}, {d.name: d.kind for d in kit.drums}
    problems = [Problem(f"prints.{part.name}", f"no print was made of {part.drum!r}",
                        "see hits.csv for the reasons" if part.drum in known else
                        f"there is no such drum: choose one of {', '.join(sorted(known))}")
                for part in per_drum(recipe.prints, there) if part.name not in made
                and (part.drum in there or part.drum not in {*known, *known.values()})]
    nothing = not made and bool(recipe.prints) and bool(recipe.export.drums)
    if (problems and not recipe.export.samples) or nothing:
        asked = ", ".join(sorted({part.drum or "any drum" for part in recipe.prints}))
        raise WorkError("; ".join(f"{each.where}: {each.what} ({each.todo})" for each in problems) or (
            f"no print was made: the recipe prints {asked}, and {', '.join(recipe.export.drums)} was built; name the "
            "same drum in both, or use --recipe replacement, which prints what is built"))
    return problems
