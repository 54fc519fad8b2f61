"""Windows: which mics a hit is cut in, from where to where, and the audio there.

All mics of a hit share one window; a mic that the recipe shifts is read by its shift later (``mic_shifts.py``), so that
its sound lies where the window has it. Nothing here writes a file.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from oneshot.analysis.measurement.onsets import CYMBALS
from oneshot.analysis.result import Analysis, FoundDrum
from oneshot.audio import descriptors
from oneshot.audio.io import TakeReader
from oneshot.config.handling import Handling
from oneshot.config.recipe import Recipe
from oneshot.core.records.hits import Hit
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic, Problem, Session, Take
from oneshot.cutting import fades
from oneshot.cutting.fades import Samples, as_float
from oneshot.cutting.home_measures import pitch
from oneshot.cutting.mic_shifts import Shifts
from oneshot.selection.select import Pick

FIRST_LOOK_S = 12.0
"""How far a tail is followed at first; twice as far, and again, where it is longer."""


@dataclass(frozen=True, slots=True, eq=False)
class Planned:
    """A hit's window, where each mic's tail meets its noise in it (frames of the window's timeline), the hit's pitch in
    its home mic (Hz), and what was read of the window on the way, (mics, frames) in the order asked for, where that was
    to be kept and is all of it.
    """

    plan: fades.CutPlan
    ends: Mapping[str, int]
    pitch_hz: float | None
    audio: Samples | None = None


@dataclass(slots=True)
class Windows:
    """Windows of a session's hits.

    ``heard_next``: hit id -> take frame in the home mic at which the next stroke begins to sound, where that is known
    to be before its onset. ``analysis.attacks`` hold the attacks as nudged. ``handling``: hit id -> what the user set
    for its files. ``shifts``: by how much mics are shifted.
    """

    session: Session
    analysis: Analysis
    recipe: Recipe
    drums: Mapping[str, FoundDrum]
    heard_next: Mapping[int, int] = field(default_factory=dict)
    handling: Mapping[int, Handling] = field(default_factory=dict)
    shifts: Shifts = field(default_factory=Shifts)
    _usual: dict[tuple[str, str], tuple[Mic, ...]] = field(default_factory=dict)

    # ------------------------------------------------------------------------------------------------------- which mics

    def mics_of(self, hit: Hit) -> tuple[Mic, ...]:
        """The mics that a hit is exported in: the recipe's, or its drum's own close mics, the overheads and the
        rooms; without those that the user dropped, unless that leaves none.
        """
        key = (hit.take, hit.drum)
        if key not in self._usual:
            self._usual[key] = self._usual_mics(hit)
        usual, dropped = self._usual[key], self.said_of(hit).dropped
        return tuple(m for m in usual if m.name not in dropped and m.pair not in dropped) or usual

    def _usual_mics(self, hit: Hit) -> tuple[Mic, ...]:
        take = self.session.take(hit.take)
        loud = {name for noise in self.analysis.noise if noise.take == take.name
                for name, level in noise.noise_dbfs.items() if level is not None}
        said = self.recipe.export.mics
        chosen = []
        for mic in take.mics:
            usual = mic.stands_at(hit.drum) or mic.role.means.far \
                or (mic.role is Role.BUS and self.recipe.export.buses) or mic.name == self.drums[hit.drum].home
            if mic.name in loud and ((mic.name in said or mic.pair in said) if said else usual):
                chosen.append(mic)
        return tuple(chosen) or tuple(m for m in take.mics if m.name == self.drums[hit.drum].home)

    def said_of(self, hit: Hit) -> Handling:
        """What the user set for a hit's files."""
        return self.handling.get(hit.id, Handling())

    def shift(self, hit: Hit, mic: str) -> int:
        """By how many frames later a mic is read than the window lies."""
        return self.shifts.frames(self.session.take(hit.take), hit.drum, mic)

    # ------------------------------------------------------------------------------------------------------------ where

    def next_stroke(self, hit: Hit, mics: Sequence[str]) -> int | None:
        """Frame of the window's timeline at which the next stroke first begins in the given mics; None where none
        follows.
        """
        groups: dict[int, list[str]] = {}
        for name in mics:
            groups.setdefault(self.shift(hit, name), []).append(name)
        rate = self.session.take(hit.take).sample_rate
        found = [at - shift for shift, names in (groups or {0: []}).items()
                 if (at := self.analysis.next_stroke(hit, names, rate)) is not None]
        heard = self.heard_next.get(hit.id)
        return min([*found, *([] if heard is None else [heard])]) if found else None

    def following(self, hit: Hit, mics: Sequence[str]) -> tuple[int | None, bool]:
        """``next_stroke``, and whether that is no stroke but another sound that stands out of the hit's tail."""
        limit = self.next_stroke(hit, mics)
        sounds = {at - self.shift(hit, name) for name in mics
                  if (at := self.analysis.next_sound(hit, [name])) is not None}
        return limit, limit in sounds

    def leads(self, hits: Mapping[int, Hit], picks: Sequence[Pick]) -> dict[tuple[str, str], int]:
        """Frames from the start of the file to the attack, for each drum and articulation."""
        leads: dict[tuple[str, str], list[int]] = {}
        rates: dict[tuple[str, str], int] = {}
        for pick in picks:
            hit = hits[pick.hit]
            key = (hit.drum, hit.articulation)
            leads.setdefault(key, []).append(self.analysis.attacks[hit.id] - self.first(hit))
            rates[key] = self.session.take(hit.take).sample_rate
        return {key: fades.pre_frames(values, sample_rate=rates[key], cutting=self.recipe.cut)
                for key, values in leads.items()}

    def first(self, hit: Hit) -> int:
        """Earliest onset of a hit in its exported mics, as they lie in the window, nudged as its attack is."""
        told = [frame - self.shift(hit, m.name) for m in self.mics_of(hit)
                if (frame := hit.onsets.get(m.name)) is not None]
        return min(told or [hit.onset]) + self.said_of(hit).nudge_frames

    def by_hand(self, hit: Hit) -> fades.ByHand:
        """What the user set for a hit's end and fades, in frames."""
        said, rate = self.said_of(hit), self.session.take(hit.take).sample_rate
        end, fade_in, fade_out = (None if ms is None else fades.frames_of(ms, rate)
                                  for ms in (said.end_ms, said.fade_in_ms, said.fade_out_ms))
        return fades.ByHand(end, fade_in, fade_out)

    def limits(self, hit: Hit, plan: fades.CutPlan) -> list[Problem]:
        """Where what the user set could not be done in full."""
        said, attack = self.by_hand(hit), self.analysis.attacks[hit.id]
        usual, dropped = self._usual_mics(hit), self.said_of(hit).dropped
        limits = []
        if said.end is not None and attack + said.end != plan.stop:
            limits.append("its end is outside the take or within its attack")
        if said.fade_in is not None and said.fade_in > plan.fade_in_frames:
            length_ms = plan.fade_in_frames / self.session.take(hit.take).sample_rate * 1e3
            limits.append(f"its fade-in ends at the attack, after {length_ms:.1f} ms")
        if said.fade_out is not None and said.fade_out > min(plan.fade_outs.values()):
            limits.append("its fade-out starts at the attack")
        if all(m.name in dropped or m.pair in dropped for m in usual):
            limits.append("it would have no mic left, so none is dropped")
        return [Problem("corrections.toml", f"hit at frame {hit.onset} of {hit.take}: {what}",
                        "correct that entry") for what in limits]

    # ---------------------------------------------------------------------------------------------------------- reading

    def plan(self, reader: TakeReader, hit: Hit, mics: Sequence[Mic], pre: int,
             by_hand: fades.ByHand = fades.NOTHING_SAID, *, most_bytes: int = 0) -> Planned:
        """A hit's window, its attack ``pre`` frames after the start, with its samples where they are no more than
        ``most_bytes``. Raises AudioError where a file cannot be read.
        """
        take, names = reader.take, [m.name for m in mics]
        attack, (limit, sound) = self.analysis.attacks[hit.id], self.following(hit, names)
        ends, audio = self._follow(reader, hit, names, attack - pre, pre, limit)
        cymbal = self.drums[hit.drum].kind in CYMBALS
        far = [m.name for m in mics if cymbal or m.role.means.whole_kit]
        made = fades.plan_cut(attack=attack, first=self.first(hit), pre=pre, ends=ends, far=far, limit=limit,
                              take_frames=take.frames, sample_rate=take.sample_rate, cutting=self.recipe.cut,
                              by_hand=by_hand)
        if made.ended_by == "next stroke" and sound:
            made = replace(made, ended_by="other sound")
        kept, home = audio[:, :made.frames], self.home(hit, names)
        heard = as_float(kept[names.index(home)]) - self.offset(take, home)
        whole = kept.shape[1] == made.frames and kept.nbytes <= most_bytes
        return Planned(made, ends, pitch(heard, take.sample_rate, pre, ends[home] - made.start),
                       kept.copy() if whole else None)

    def home(self, hit: Hit, names: Sequence[str]) -> str:
        """The mic in which a hit is measured: its drum's home mic; the first of ``names`` where that is not there."""
        home = self.drums[hit.drum].home
        return home if home in names else names[0]

    def read(self, reader: TakeReader, hit: Hit, names: Sequence[str], start: int, stop: int) -> Samples:
        """Frames [start, stop) of the window's timeline of some mics, each by its shift later."""
        shifts = [self.shift(hit, name) for name in names]
        low, high = min(shifts, default=0), max(shifts, default=0)
        rows = [[m.name for m in reader.mics].index(name) for name in names]
        whole = reader.read(start + low, stop + high)
        if low == high:
            return whole[rows]
        return np.stack([whole[row, shift - low:shift - low + stop - start]
                         for row, shift in zip(rows, shifts, strict=True)])

    def _follow(self, reader: TakeReader, hit: Hit, names: Sequence[str], start: int, pre: int,
                limit: int | None) -> tuple[dict[str, int], Samples]:
        """Where each mic's tail meets its noise, and the audio read for it."""
        take = reader.take
        stop_at = take.frames if limit is None else min(limit, take.frames)
        length = round(FIRST_LOOK_S * take.sample_rate)
        while True:
            stop = min(max(start + length, start + pre + 1), max(stop_at, start + pre + 1))
            audio = self.read(reader, hit, names, start, stop)
            ends = {}
            for k, name in enumerate(names):
                heard = as_float(audio[k]) - self.offset(take, name)
                ends[name] = start + descriptors.tail_end(heard, sample_rate=take.sample_rate, attack=pre,
                                                          noise_rms=self.noise_rms(take, name),
                                                          above_db=self.recipe.cut.above_noise_db)
            if stop >= stop_at or all(end < stop for end in ends.values()):
                return ends, audio
            length *= 2

    def offset(self, take: Take, mic: str) -> float:
        """A mic's DC offset: samples keep it, but the end of a tail is measured without it."""
        return self.analysis.offsets.get(take.name, {}).get(mic, 0.0)

    def noise_rms(self, take: Take, mic: str) -> float:
        """A mic's noise floor, full scale 1.0; 0 where it is digitally silent."""
        for noise in self.analysis.noise:
            if noise.take == take.name:
                level = noise.noise_dbfs.get(mic)
                return 10 ** (level / 20) if level is not None else 0.0
        return 0.0
