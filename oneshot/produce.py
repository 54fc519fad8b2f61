"""Produce: from what was chosen to the files of a kit and their measures.

Hits are cut in order of time, one read of each hit's window. All mics of a hit share the window; all hits of a group
(drum and articulation) have the same distance from the start of the file to the attack.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import count
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from oneshot import cut, loudness, measures, recall
from oneshot.audio import Dtype, TakeReader, is_float, write_wav
from oneshot.choose import Pick
from oneshot.composites import stand_in
from oneshot.corrections import Handling
from oneshot.corrections_toml import safe_name
from oneshot.files import sha256_of
from oneshot.found import Analysis, FoundDrum
from oneshot.mending import LONGER, Mended, Mender, Tail, Window, merged
from oneshot.model import Floats, Hit, Mic, OneShot, Problem, Role, Sample, Session, Take
from oneshot.recipe import Choosing, Recipe

FAR_ROLES = (Role.OVERHEAD, Role.ROOM, Role.BUS)
FIRST_LOOK_S = 12.0
"""How far a tail is followed at first; twice as far, and again, where it rings on."""

NAME_LENGTH = 64
REPAIRED = "repaired"
"""Ends the name of a repaired file; the untouched one beside it has the usual name."""
Samples = NDArray[np.int32] | Floats
DONORS_TRIED = 3
"""Hits whose tails are looked at before a ring is left as short as it is."""


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """What one file is made of: its mics, the hit it shows, and the samples (mics, frames) from take frame ``start``.

    ``fade_outs``: mic -> frames; ``done``: how it was repaired.
    """

    mics: tuple[Mic, ...]
    shown: Hit
    start: int
    audio: Samples
    fade_outs: Mapping[str, int]
    done: tuple[Mapping[str, object], ...] = ()


@dataclass(slots=True)
class Cutter:
    """Cuts one-shots of a session into a kit's folder.

    ``heard_next``: hit id -> take frame in the home mic at which the next stroke is heard to begin, where that is known
    to be before its onset.
    ``analysis.attacks`` hold the attacks as nudged. ``handling``: hit id -> what the user said of its files.
    ``loudest`` holds, after cutting, mic -> samples of the hardest one-shot of each drum, for setting the balance;
    ``told`` what could not be done as the user said; ``rejected`` are hits that nothing is to be taken from.
    """

    session: Session
    analysis: Analysis
    recipe: Recipe
    drums: Mapping[str, FoundDrum]
    folder: Path
    heard_next: Mapping[int, int] = field(default_factory=dict)
    handling: Mapping[int, Handling] = field(default_factory=dict)
    loudest: dict[str, dict[str, Floats]] = field(default_factory=dict)
    told: list[Problem] = field(default_factory=list)
    rejected: frozenset[int] = frozenset()
    _loudest_db: dict[str, float] = field(default_factory=dict)
    _used: set[str] = field(default_factory=set)
    _hardest: set[int] = field(default_factory=set)
    _asked: str = ""

    def cut_all(self, hits: Mapping[int, Hit], picks: Sequence[Pick],
                tell: Callable[[float], None]) -> tuple[OneShot, ...]:
        """Cut every pick; one-shots in the order of the picks. Raises AudioError where a file cannot be read."""
        pre, self._hardest = self._pre(hits, picks), self._hardest_of(hits, picks)
        recipe = replace(self.recipe, choose=Choosing(), keys={}, balance={}, prints=())
        self._asked = repr(recipe)
        done: dict[int, OneShot] = {}
        for take in self.session.takes:
            mine = sorted((p for p in picks if hits[p.hit].take == take.name),
                          key=lambda p: self.analysis.attacks[p.hit])
            wanted = list(dict.fromkeys(m.name for p in mine for m in self.mics_of(hits[p.hit])))
            if not wanted:
                continue
            exact: Dtype = "float64" if is_float(take.subtype) else "int32"
            with TakeReader(self.session.root, take, wanted, dtype=exact) as reader:
                for pick in mine:
                    hit = hits[pick.hit]
                    lead = pre[hit.drum, hit.articulation]
                    done[pick.hit] = self._carried_over(take, hit, pick, lead) or \
                        self._cut(reader, take, wanted, hit, pick, lead)
                    tell(len(done) / len(picks))
        return tuple(done[pick.hit] for pick in picks)

    def mics_of(self, hit: Hit) -> tuple[Mic, ...]:
        """The mics that a hit is exported in: the recipe's, or its drum's own close mics, the overheads and the
        rooms; without those that the user dropped, unless that leaves none.
        """
        usual = self._usual_mics(hit)
        dropped = self._handling(hit).dropped
        return tuple(m for m in usual if m.name not in dropped and m.pair not in dropped) or usual

    def _usual_mics(self, hit: Hit) -> tuple[Mic, ...]:
        take = self.session.take(hit.take)
        loud = {name for noise in self.analysis.noise if noise.take == take.name
                for name, level in noise.noise_dbfs.items() if level is not None}
        said = self.recipe.export.mics
        chosen = []
        for mic in take.mics:
            usual = mic.stands_at(hit.drum) or mic.role in (Role.OVERHEAD, Role.ROOM) \
                or (mic.role is Role.BUS and self.recipe.export.buses) or mic.name == self.drums[hit.drum].home
            if mic.name in loud and ((mic.name in said or mic.pair in said) if said else usual):
                chosen.append(mic)
        return tuple(chosen) or tuple(m for m in take.mics if m.name == self.drums[hit.drum].home)

    def _handling(self, hit: Hit) -> Handling:
        return self.handling.get(hit.id, Handling())

    def next_stroke(self, hit: Hit, mics: Sequence[str]) -> int | None:
        """Take frame of the earliest onset of the next stroke in the given mics; None where none follows."""
        placed = self.analysis.next_stroke(hit, mics, self.session.take(hit.take).sample_rate)
        heard = self.heard_next.get(hit.id)
        return placed if heard is None or placed is None else min(placed, heard)

    def _pre(self, hits: Mapping[int, Hit], picks: Sequence[Pick]) -> dict[tuple[str, str], int]:
        """Frames from the start of the file to the attack, for each drum and articulation."""
        leads: dict[tuple[str, str], list[int]] = {}
        rates: dict[tuple[str, str], int] = {}
        for pick in picks:
            hit = hits[pick.hit]
            key = (hit.drum, hit.articulation)
            leads.setdefault(key, []).append(self.analysis.attacks[hit.id] - self._first(hit))
            rates[key] = self.session.take(hit.take).sample_rate
        return {key: cut.pre_frames(values, sample_rate=rates[key], cutting=self.recipe.cut)
                for key, values in leads.items()}

    def _first(self, hit: Hit) -> int:
        """Earliest onset of a hit in its exported mics, nudged as its attack is."""
        told = [hit.onsets.get(m.name) for m in self.mics_of(hit)]
        return min([frame for frame in told if frame is not None] or [hit.onset]) + self._handling(hit).nudge_frames

    def _cut(self, reader: TakeReader, take: Take, rows: Sequence[str], hit: Hit, pick: Pick, pre: int) -> OneShot:
        """Cut, measure and write one hit in all its mics."""
        before = len(self.told)
        mics = self.mics_of(hit)
        names = [m.name for m in mics]
        attack = self.analysis.attacks[hit.id]
        limit = self.next_stroke(hit, names)
        ends, audio = self._follow(reader, take, [rows.index(n) for n in names], names, attack - pre, pre, limit)
        plan = cut.plan_cut(attack=attack, first=self._first(hit), pre=pre, ends=ends,
                            far=[m.name for m in mics if m.role in FAR_ROLES], limit=limit, take_frames=take.frames,
                            sample_rate=take.sample_rate, cutting=self.recipe.cut, by_hand=self._by_hand(hit, take))
        self._tell_limits(hit, take, plan, attack)
        if plan.frames > audio.shape[1]:
            audio = reader.read(plan.start, plan.stop)[[rows.index(n) for n in names]]
        audio = audio[:, : plan.frames]
        files, untouched = self._files(reader, take, rows, hit, pick, mics, audio, plan)
        home = self.drums[hit.drum].home if self.drums[hit.drum].home in names else names[0]
        gain = 10 ** (self._handling(hit).gain_db / 20)
        self._remember(hit, {n: _float(audio[k]) * gain for k, n in enumerate(names)})
        shot = self._one_shot(hit, pick, files, _float(audio[names.index(home)]), home, plan, ends[home], take)
        memory = recall.memory()
        if memory is not None and self._lasting:
            memory.shots[self._key(take, hit, pre)] = recall.Shot(
                shot, tuple(self.told[before:]), tuple(recall.stamp_of(self.folder / f.path) for f in files),
                self.loudest[hit.drum] if hit.id in self._hardest else None)
        return replace(shot, untouched=untouched)

    @property
    def _lasting(self) -> bool:
        """Whether a hit's files depend on that hit alone: a repaired one may have another's tail or its overheads, and
        a trim goes by the hardest.
        """
        return not (self.recipe.repair.any or self.recipe.repair.composites) and self.recipe.files.plain

    def trim(self, gain_db: Mapping[str, float]) -> None:
        """Make the hardest one-shots as loud as their files are now; ``gain_db``: drum -> trim."""
        for drum, gain in gain_db.items():
            self.loudest[drum] = {mic: x * 10 ** (gain / 20) for mic, x in self.loudest.get(drum, {}).items()}

    def _hardest_of(self, hits: Mapping[int, Hit], picks: Sequence[Pick]) -> set[int]:
        """The hardest hit of each drum: the balance is set by what it sounds like."""
        most: dict[str, tuple[float, int]] = {}
        for take in self.session.takes:  # in the order in which they are cut: of two alike the first counts
            mine = [hits[p.hit] for p in picks if hits[p.hit].take == take.name]
            for hit in sorted(mine, key=lambda h: self.analysis.attacks[h.id]):
                if hit.level_db is not None and hit.level_db > most.get(hit.drum, (-np.inf, 0))[0]:
                    most[hit.drum] = (hit.level_db, hit.id)
        return {number for _, number in most.values()}

    def _key(self, take: Take, hit: Hit, pre: int) -> Hashable:
        """Everything that the bytes and measures of a hit's files depend on, in one session: what they are called and
        which turn they take does not count.
        """
        names = tuple(m.name for m in self.mics_of(hit))
        return (take.name, hit.onset, self.analysis.attacks[hit.id], self._first(hit), pre, names,
                self.next_stroke(hit, names), self._handling(hit), self.drums[hit.drum].home, self._asked)

    def _carried_over(self, take: Take, hit: Hit, pick: Pick, pre: int) -> OneShot | None:
        """The one-shot of an earlier build under the name it has now; None where it has to be cut."""
        memory = recall.memory()
        key = self._key(take, hit, pre) if memory is not None else None
        known = memory.shots.get(key) if memory is not None else None
        hardest = hit.id in self._hardest
        if memory is None or known is None or not self._lasting or (hardest and known.aloud is None):
            return None
        mics = {m.name: m for m in self.mics_of(hit)}
        groups = [[mics[name] for name in file.mics] for file in known.record.files]
        used = set(self._used)
        paths = [self._free_path(hit, pick, _label(group)) for group in groups]
        if not memory.carry_over(known, self.folder, paths):
            self._used = used
            return None
        self.told += known.told
        if hardest:
            self._loudest_db[hit.drum] = hit.level_db or 0.0
            self.loudest[hit.drum] = dict(known.aloud or {})
        files = tuple(replace(file, path=path.as_posix(), hit=hit.id, **self._judged(hit, group))
                      for file, path, group in zip(known.record.files, paths, groups, strict=True))
        home = self.drums[hit.drum].home
        grade = next((s.grade for s in files if home in s.mics), files[0].grade)
        shot = replace(known.record, hit=hit.id, drum=hit.drum, articulation=hit.articulation, layer=pick.layer,
                       round_robin=pick.round_robin, velocity=pick.velocity, grade=grade, files=files)
        memory.shots[key] = replace(known, record=shot)
        return shot

    def _judged(self, hit: Hit, group: Sequence[Mic]) -> dict[str, Any]:
        """Grade and bleed of a file, those of its worse side."""
        bleeds = [hit.bleed_db.get(m.name) for m in group]
        known = [b for b in bleeds if b is not None]
        return {"grade": max(self.analysis.grades[hit.id].get(m.name, "D") for m in group),
                "bleed_db": max(known) if len(known) == len(bleeds) else None}

    def _files(self, reader: TakeReader, take: Take, rows: Sequence[str], hit: Hit, pick: Pick, mics: Sequence[Mic],
               audio: Samples, plan: cut.CutPlan) -> tuple[tuple[Sample, ...], tuple[Sample, ...]]:
        """Write the files of a one-shot: those that play, and the untouched ones of those that were repaired."""
        far = [m.name for m in mics if m.role in (Role.OVERHEAD, Role.ROOM) and m.name != self.drums[hit.drum].home]
        other = stand_in(hit, far, self.analysis, frames=plan.frames, sample_rate=take.sample_rate,
                         without=self.rejected) if self.recipe.repair.composites else None
        mender = Mender(self.analysis, self.recipe.repair)
        tail = self._tail(take, hit, mics, plan, mender)
        playing, untouched = [], []
        for group in _files(mics):
            read = _reads([rows.index(m.name) for m in group], reader)
            shown = other if other is not None and all(m.name in far for m in group) else hit
            start = self.analysis.attacks[shown.id] - plan.onset_frame
            own = audio[[mics.index(m) for m in group]]
            part = _Part(group, shown, start, own if shown is hit else read(start, start + plan.frames), plan.fade_outs)
            playing.append(self._write(take, hit, pick, part, plan))
            mended = self._mended(take, part, plan, tail, mender)
            if mended is not None:
                untouched.append(playing.pop())
                playing.append(self._write(take, hit, pick, mended, plan))
        return tuple(playing), tuple(untouched)

    def _tail(self, take: Take, hit: Hit, mics: Sequence[Mic], plan: cut.CutPlan, mender: Mender) -> Tail | None:
        """Whose ring may go on where the next stroke cut a hit's own short."""
        names = [m.name for m in mics]
        if plan.ended_by != "next stroke":
            return None
        donors = mender.donors(hit, names, plan.frames - plan.onset_frame, take.sample_rate)
        usable = [h for h in donors if h.id not in self.rejected
                  and self.session.take(h.take).sample_rate == take.sample_rate]
        tails = (self._lent(donor, mics, plan.onset_frame) for donor in usable[:DONORS_TRIED])
        return next((tail for tail in tails if tail.window.frames >= LONGER * plan.frames), None)

    def _lent(self, donor: Hit, mics: Sequence[Mic], pre: int) -> Tail:
        """The whole ring of a hit in those mics, its attack ``pre`` frames after the start."""
        take, names = self.session.take(donor.take), [m.name for m in mics]
        attack, limit = self.analysis.attacks[donor.id], self.next_stroke(donor, names)
        with TakeReader(self.session.root, take, names, dtype="float64") as reader:
            ends, _ = self._follow(reader, take, range(len(names)), names, attack - pre, pre, limit)
            made = cut.plan_cut(attack=attack, first=self._first(donor), pre=pre, ends=ends,
                                far=[m.name for m in mics if m.role in FAR_ROLES], limit=limit, take_frames=take.frames,
                                sample_rate=take.sample_rate, cutting=self.recipe.cut)
            audio = _float(reader.read(made.start, made.stop))
        return Tail(Window(donor, made.start, pre, made.frames), dict(zip(names, audio, strict=True)), made.fade_outs)

    def _mended(self, take: Take, part: _Part, plan: cut.CutPlan, tail: Tail | None,
                mender: Mender) -> _Part | None:
        """The same file repaired; None where nothing was done to it."""
        if not self.recipe.repair.any:
            return None
        window = Window(part.shown, part.start, plan.onset_frame, plan.frames)
        before = np.stack([_float(x) for x in part.audio])
        made = mender.mend(take, part.mics, before, window, tail)
        if not any(each.done for each in made):
            return None
        after, longer = _together(made), len(made[0].audio) > plan.frames
        bits = 32 if is_float(take.subtype) else int(take.subtype.removeprefix("PCM_"))
        done = tuple({"mic": m.name, **record} for m, each in zip(part.mics, made, strict=True) for record in each.done)
        fades = tail.fade_outs if longer and tail is not None else part.fade_outs
        return replace(part, audio=merged(part.audio, before, after, bits), fade_outs=fades, done=done)

    def _by_hand(self, hit: Hit, take: Take) -> cut.ByHand:
        """What the user said of a hit's end and fades, in frames."""
        said = self._handling(hit)
        end, fade_in, fade_out = (None if ms is None else cut.frames_of(ms, take.sample_rate)
                                  for ms in (said.end_ms, said.fade_in_ms, said.fade_out_ms))
        return cut.ByHand(end, fade_in, fade_out)

    def _tell_limits(self, hit: Hit, take: Take, plan: cut.CutPlan, attack: int) -> None:
        """Tell where what the user said could not be done to the full."""
        said = self._by_hand(hit, take)
        usual, dropped = self._usual_mics(hit), self._handling(hit).dropped
        limits = []
        if said.end is not None and attack + said.end != plan.stop:
            limits.append("its end lies outside the take or before its attack is over")
        if said.fade_in is not None and said.fade_in > plan.fade_in_frames:
            length_ms = plan.fade_in_frames / take.sample_rate * 1e3
            limits.append(f"its fade-in ends at the attack, after {length_ms:.1f} ms")
        if said.fade_out is not None and said.fade_out > min(plan.fade_outs.values()):
            limits.append("its fade-out starts at the attack")
        if all(m.name in dropped or m.pair in dropped for m in usual):
            limits.append("no mic would be left, so none is dropped")
        self.told += [Problem("corrections.toml", f"of the hit at frame {hit.onset} of {hit.take}, {what}",
                              "correct that entry") for what in limits]

    def _follow(self, reader: TakeReader, take: Take, rows: Sequence[int], names: Sequence[str], start: int, pre: int,
                limit: int | None) -> tuple[dict[str, int], Samples]:
        """Where each mic's tail meets its noise, take frames, and the audio read for it."""
        stop_at = take.frames if limit is None else min(limit, take.frames)
        length = round(FIRST_LOOK_S * take.sample_rate)
        while True:
            stop = min(max(start + length, start + pre + 1), max(stop_at, start + pre + 1))
            audio = reader.read(start, stop)[rows]
            ends = {}
            for k, name in enumerate(names):
                noise = self._noise_rms(take, name)
                heard = _float(audio[k]) - self._offset(take, name)
                ends[name] = start + measures.tail_end(heard, sample_rate=take.sample_rate, noise_rms=noise, attack=pre,
                                                       above_db=self.recipe.cut.above_noise_db)
            if stop >= stop_at or all(end < stop for end in ends.values()):
                return ends, audio
            length *= 2

    def _offset(self, take: Take, mic: str) -> float:
        """A mic's steady offset: samples keep it, but where a tail ends is told without it."""
        return self.analysis.offsets.get(take.name, {}).get(mic, 0.0)

    def _noise_rms(self, take: Take, mic: str) -> float:
        for noise in self.analysis.noise:
            if noise.take == take.name:
                level = noise.noise_dbfs.get(mic)
                return 10 ** (level / 20) if level is not None else 0.0
        return 0.0

    def _write(self, take: Take, hit: Hit, pick: Pick, part: _Part, plan: cut.CutPlan) -> Sample:
        """Write one file, a mic or a pair, and measure what was written."""
        group, audio, shown = part.mics, part.audio, part.shown
        fade_out = part.fade_outs[group[0].name]
        bits = 32 if is_float(take.subtype) else int(take.subtype.removeprefix("PCM_"))
        said = self._handling(hit)
        out = cut.render(audio, fade_in=plan.fade_in_frames, fade_out=fade_out, bits=bits, gain_db=said.gain_db)
        if not is_float(take.subtype) and float(np.abs(_float(audio)).max(initial=0.0)) * 10 ** (said.gain_db / 20) > 1:
            self.told.append(Problem("corrections.toml", f"a gain of {said.gain_db:g} dB clips {group[0].name} of the "
                                     f"hit at frame {hit.onset} of {hit.take}", "trim it by less"))
        label = f"{_label(group)} {REPAIRED}" if part.done else _label(group)
        path = self.folder / self._free_path(hit, pick, label)
        path.parent.mkdir(parents=True, exist_ok=True)
        write_wav(path, out, take.sample_rate, take.subtype)
        levels = loudness.measure(_float(out), take.sample_rate)
        return Sample(
            mics=tuple(m.name for m in group), path=path.relative_to(self.folder).as_posix(), frames=out.shape[1],
            source_start=part.start, onset_frame=plan.onset_frame, fade_in_frames=plan.fade_in_frames,
            fade_out_frames=fade_out, gain_db=said.gain_db, inverted=False, hit=shown.id,
            repaired=tuple(dict.fromkeys(str(each["kind"]) for each in part.done)), repairs=part.done,
            peak_dbfs=levels.peak_dbfs, true_peak_dbtp=levels.true_peak_dbtp, momentary_lufs=levels.momentary_lufs,
            integrated_lufs=levels.integrated_lufs, sha256=sha256_of(path), nudged_frames=said.nudge_frames,
            **self._judged(shown, group))

    def _free_path(self, hit: Hit, pick: Pick, label: str) -> Path:
        """A path that no file of the kit has yet, also where a file system takes no notice of case."""
        for again in count(1):
            path = sample_path(hit, pick, label, again)
            if path.as_posix().lower() not in self._used:
                break
        self._used.add(path.as_posix().lower())
        return path

    def _one_shot(self, hit: Hit, pick: Pick, files: tuple[Sample, ...], home: Floats, name: str, plan: cut.CutPlan,
                  end: int, take: Take) -> OneShot:
        """The record of a one-shot, with the measures of its home mic."""
        rate, noise = take.sample_rate, self._noise_rms(take, name)
        grade = next((s.grade for s in files if name in s.mics), files[0].grade)
        decay = measures.decay(home - self._offset(take, name), sample_rate=rate, noise_rms=noise,
                               attack=plan.onset_frame)
        return OneShot(
            hit=hit.id, drum=hit.drum, articulation=hit.articulation, layer=pick.layer, round_robin=pick.round_robin,
            velocity=pick.velocity, grade=grade,
            fundamental_hz=measures.fundamental_hz(home, sample_rate=rate, attack=plan.onset_frame,
                                                   stop=min(len(home), max(end - plan.start, plan.onset_frame + 1))),
            decay_s=decay.best_s, edt_s=decay.edt_s, t20_s=decay.t20_s,
            ring_kept_db=measures.ring_kept_db(home, sample_rate=rate, fade_out=plan.fade_outs[name]), files=files)

    def _remember(self, hit: Hit, audio: dict[str, Floats]) -> None:
        """Keep the first second of each drum's hardest one-shot."""
        level = hit.level_db if hit.level_db is not None else -np.inf
        if level > self._loudest_db.get(hit.drum, -np.inf):
            second = self.session.take(hit.take).sample_rate
            self._loudest_db[hit.drum] = level
            self.loudest[hit.drum] = {name: x[:second].copy() for name, x in audio.items()}


def _label(group: Sequence[Mic]) -> str:
    """What a file's name says of its mics."""
    return group[0].pair if len(group) == 2 and group[0].pair else group[0].name


def _files(mics: Sequence[Mic]) -> list[tuple[Mic, ...]]:
    """Mics gathered into files: left and right of a pair in one, every other mic alone."""
    out: list[tuple[Mic, ...]] = []
    for mic in mics:
        partner = [m for m in mics if mic.pair and m.pair == mic.pair and m.name != mic.name]
        if len(partner) == 1 and {mic.side, partner[0].side} == {"L", "R"} and mic.role is partner[0].role:
            if mic.side == "L":
                out.append((mic, partner[0]))
        else:
            out.append((mic,))
    return out


def _reads(rows: Sequence[int], reader: TakeReader) -> Callable[[int, int], Samples]:
    """What reads those rows of a reader."""
    return lambda start, stop: reader.read(start, stop)[list(rows)]


def _together(made: Sequence[Mended]) -> Floats:
    """The mics of one file as (mics, frames): one that got no longer tail ends in silence."""
    out = np.zeros((len(made), max(len(each.audio) for each in made)))
    for row, each in zip(out, made, strict=True):
        row[: len(each.audio)] = each.audio
    return out


def sample_path(hit: Hit, pick: Pick, label: str, again: int = 1) -> Path:
    """samples/<drum>/<articulation>/<drum>_<articulation>_V03_RR02_<mic>.wav, a name of at most 64 ASCII characters.

    A session may call drums and mics as it likes: signs that a file name cannot show everywhere become hyphens.
    ``again`` above 1 ends the name with that number, for mics whose names are then alike.
    """
    drum, way = safe_name(hit.drum) or "drum", safe_name(hit.articulation)[:16].strip("-") or "hit"
    stem = f"{drum}_{way}_V{pick.layer:02d}_RR{pick.round_robin:02d}"
    mic = re.sub(r"[^A-Za-z0-9]+", "-", label).strip("-") or "mic"
    end = ".wav" if again == 1 else f"-{again}.wav"
    room = NAME_LENGTH - len(stem) - len(f"_{end}")
    return Path("samples") / drum / way / f"{stem}_{mic[:room].rstrip('-')}{end}"


def _float(x: Samples) -> Floats:
    """Samples as float64, full scale 1.0."""
    return x.astype(np.float64) / 2.0**31 if x.dtype == np.int32 else np.asarray(x, np.float64)
