"""Cutter: from the chosen hits to the files of a kit and their measures.

Hits are cut in order of time, one read of each hit's window (``windows.py``), and written file by file (``writer.py``).
All mics of a hit share the window; all hits of a group (drum and articulation) have the same distance from the start of
the file to the attack.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from oneshot.analysis.result import Analysis, FoundDrum
from oneshot.audio import descriptors
from oneshot.audio.io import Dtype, TakeReader, is_float
from oneshot.config.handling import Handling
from oneshot.config.recipe import Choosing, Recipe
from oneshot.core.cache.earlier_files import Shot, stamp_of
from oneshot.core.cache.memory import in_use
from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import OneShot, Sample
from oneshot.core.records.session import Floats, Mic, Problem, Session, Take
from oneshot.cutting import fades as fading
from oneshot.cutting.fades import Samples, as_float
from oneshot.cutting.mic_shifts import plan_shifts
from oneshot.cutting.processed import Along
from oneshot.cutting.repair_plan import LONGER, Mended, Mender, Tail, Window, merged, stand_in
from oneshot.cutting.space import KEPT_BYTES, Shape
from oneshot.cutting.windows import Planned, Windows
from oneshot.cutting.writer import Part, Writer, grouped, label_of
from oneshot.selection.select import Pick

DONORS_TRIED = 3
"""Hits whose tails are tried before a tail is left as short as it is."""


@dataclass(slots=True)
class Cutter:
    """Cuts one-shots of a session into a kit's folder.

    ``heard_next`` and ``handling`` as in ``Windows``. ``loudest`` holds, after cutting, mic -> samples of the hardest
    one-shot of each drum, for setting the balance; ``told`` what could not be done as the user set it; ``rejected`` are
    hits from which nothing is taken; ``along``: processed tracks that are cut with them.
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
    along: Along | None = None
    windows: Windows = field(init=False)
    _writer: Writer = field(init=False)
    _loudest_db: dict[str, float] = field(default_factory=dict)
    _hardest: set[int] = field(default_factory=set)
    _asked: str = ""
    _pre: dict[tuple[str, str], int] = field(default_factory=dict)
    _planned: dict[int, Planned] = field(default_factory=dict)
    _keys: dict[int, Hashable] = field(default_factory=dict)

    def __post_init__(self) -> None:
        shifts = plan_shifts(self.session, self.analysis, tuple(self.drums.values()), self.recipe.cut.times,
                             self.recipe.balance)
        self.windows = Windows(self.session, self.analysis, self.recipe, self.drums, self.heard_next, self.handling,
                               shifts)
        self.told += shifts.told
        self._writer = Writer(self.folder, self.analysis, self.told)

    def plan(self, hits: Mapping[int, Hit], picks: Sequence[Pick], tell: Callable[[float], None]) -> list[Shape]:
        """Find where every pick starts and ends before any is cut; what will be written, in the order of the picks.

        Raises AudioError where a file cannot be read.
        """
        self._pre, self._hardest = self.windows.leads(hits, picks), self._hardest_of(hits, picks)
        recipe = replace(self.recipe, choose=Choosing(), keys={}, balance={}, prints=())
        self._asked = repr(recipe)
        self._keys.clear()
        shapes: dict[int, Shape] = {}
        left = KEPT_BYTES
        for take, reader, tracks, mine in self._by_take(hits, picks, planning=True):
            picked = [hits[pick.hit] for pick in mine]
            more = [] if self.along is None else self.along.more_of(take, picked, hits.values())
            for hit in sorted([*picked, *more], key=lambda h: self.analysis.attacks[h.id]):
                if self.along is not None and tracks is not None and hit in more:
                    self.along.take_in(reader, tracks, hit, None)
                    continue
                known = self._known(take, hit)
                mics = self.windows.mics_of(hit)
                if known is None:
                    made = self.windows.plan(reader, hit, mics, self._lead(hit), self.windows.by_hand(hit),
                                             most_bytes=left)
                    left -= 0 if made.audio is None else made.audio.nbytes
                    self._planned[hit.id] = made
                frames = self._planned[hit.id].plan.frames if known is None else known.record.files[0].frames
                shapes[hit.id] = Shape(take, tuple(len(group) for group in grouped(mics)), frames)
                if self.along is not None and tracks is not None:
                    self.along.take_in(reader, tracks, hit, self._planned[hit.id].plan)
                    shapes[hit.id] = self.along.shape(shapes[hit.id], hit.drum)
                tell(len(shapes) / len(picks))
            if self.along is not None:
                self.along.settle(take)
        return [shapes[pick.hit] for pick in picks]

    def cut_all(self, hits: Mapping[int, Hit], picks: Sequence[Pick],
                tell: Callable[[float], None]) -> tuple[OneShot, ...]:
        """Cut every pick as planned; one-shots in the order of the picks. Raises AudioError where a file cannot be
        read.
        """
        done: dict[int, OneShot] = {}
        for take, reader, tracks, mine in self._by_take(hits, picks):
            for pick in mine:
                hit = hits[pick.hit]
                done[pick.hit] = self._carried_over(take, hit, pick) or self._cut(reader, tracks, hit, pick)
                tell(len(done) / len(picks))
        return tuple(done[pick.hit] for pick in picks)

    def _by_take(self, hits: Mapping[int, Hit], picks: Sequence[Pick], *,
                 planning: bool = False) -> Iterator[tuple[Take, TakeReader, TakeReader | None, list[Pick]]]:
        """Each take with a reader of the mics that its picks need, one of its processed tracks, and those picks in
        order of time.
        """
        for take in self.session.takes:
            mine = sorted((p for p in picks if hits[p.hit].take == take.name),
                          key=lambda p: self.analysis.attacks[p.hit])
            wanted = list(dict.fromkeys(m.name for p in mine for m in self.windows.mics_of(hits[p.hit])))
            if self.along is not None and planning and not wanted:  # its tracks are reported, too
                wanted = list(self.along.wanted(take))
            if wanted:
                exact: Dtype = "float64" if is_float(take.subtype) else "int32"
                if self.along is not None and planning:
                    wanted = list(dict.fromkeys([*wanted, *self.along.wanted(take)]))
                with ExitStack() as stack:
                    reader = stack.enter_context(TakeReader(self.session.root, take, wanted, dtype=exact))
                    tracks = None if self.along is None else stack.enter_context(self.along.reader(take))
                    yield take, reader, tracks, mine

    def _lead(self, hit: Hit) -> int:
        """Frames from the start of a hit's files to its attack."""
        return self._pre[hit.drum, hit.articulation]

    def _cut(self, reader: TakeReader, tracks: TakeReader | None, hit: Hit, pick: Pick) -> OneShot:
        """Cut, measure and write one hit in all its mics."""
        before, take, mics = len(self.told), reader.take, self.windows.mics_of(hit)
        names = [m.name for m in mics]
        planned = self._planned.pop(hit.id, None) or \
            self.windows.plan(reader, hit, mics, self._lead(hit), self.windows.by_hand(hit))
        audio = planned.audio if planned.audio is not None else \
            self.windows.read(reader, hit, names, planned.plan.start, planned.plan.stop)
        self.told += self.windows.limits(hit, planned.plan)
        files, untouched = self._files(reader, hit, pick, mics, audio, planned.plan)
        processed, sounds = self._processed(tracks, hit, pick, planned.plan)
        files += processed
        home = self.drums[hit.drum].home if self.drums[hit.drum].home in names else names[0]
        gain = 10 ** (self.windows.said_of(hit).gain_db / 20)
        self._remember(hit, {n: x * gain for n, x in {**{n: as_float(audio[k]) for k, n in enumerate(names)},
                                                      **sounds}.items()})
        shot = self._one_shot(hit, pick, files, as_float(audio[names.index(home)]), home, planned)
        memory = in_use()
        if memory is not None and self._lasting:
            memory.files.shots[self._key(take, hit)] = Shot(
                shot, tuple(self.told[before:]), tuple(stamp_of(self.folder / f.path) for f in files),
                self.loudest[hit.drum] if hit.id in self._hardest else None)
        return replace(shot, untouched=untouched)

    @property
    def _lasting(self) -> bool:
        """Whether a hit's files depend on that hit alone: a repaired one may have another's tail or overheads, a
        processed track's latency is estimated from all, and a trim goes by the hardest.
        """
        alone = not (self.recipe.repair.any or self.recipe.repair.composites) and self.along is None
        return alone and self.recipe.files.plain

    def trim(self, gain_db: Mapping[str, float]) -> None:
        """Make the hardest one-shots as loud as their files are now; ``gain_db``: drum -> trim."""
        for drum, gain in gain_db.items():
            self.loudest[drum] = {mic: x * 10 ** (gain / 20) for mic, x in self.loudest.get(drum, {}).items()}

    def _hardest_of(self, hits: Mapping[int, Hit], picks: Sequence[Pick]) -> set[int]:
        """The hardest hit of each drum: the balance is set by what it sounds like."""
        most: dict[str, tuple[float, int]] = {}
        for take in self.session.takes:  # in the order in which they are cut: of two equal ones the first counts
            mine = [hits[p.hit] for p in picks if hits[p.hit].take == take.name]
            for hit in sorted(mine, key=lambda h: self.analysis.attacks[h.id]):
                if hit.level_db is not None and hit.level_db > most.get(hit.drum, (-np.inf, 0))[0]:
                    most[hit.drum] = (hit.level_db, hit.id)
        return {number for _, number in most.values()}

    def _key(self, take: Take, hit: Hit) -> Hashable:
        """Everything that the bytes and measures of a hit's files depend on, in one session: what they are called and
        which turn they take does not count.
        """
        if hit.id not in self._keys:
            self._keys[hit.id] = self._made_key(take, hit)
        return self._keys[hit.id]

    def _made_key(self, take: Take, hit: Hit) -> Hashable:
        windows = self.windows
        names = tuple(m.name for m in windows.mics_of(hit))
        moved = tuple((windows.shift(hit, name), name in windows.shifts.turned) for name in names)
        return (take.name, hit.onset, self.analysis.attacks[hit.id], windows.first(hit), self._lead(hit), names, moved,
                windows.next_stroke(hit, names), windows.said_of(hit), self.drums[hit.drum].home, self._asked)

    def _known(self, take: Take, hit: Hit) -> Shot | None:
        """What an earlier build cut of that hit, to the byte what would be cut now; None where nothing is kept."""
        memory = in_use()
        if memory is None or not self._lasting:
            return None
        known = memory.files.shots.get(self._key(take, hit))
        return None if known is None or (hit.id in self._hardest and known.aloud is None) else known

    def _carried_over(self, take: Take, hit: Hit, pick: Pick) -> OneShot | None:
        """The one-shot of an earlier build under the name it has now; None where it has to be cut."""
        memory, known = in_use(), self._known(take, hit)
        if memory is None or known is None:
            return None
        mics = {m.name: m for m in self.windows.mics_of(hit)}
        groups = [[mics[name] for name in file.mics] for file in known.record.files]
        used = set(self._writer.used)
        paths = [self._writer.free_path(hit, pick, label_of(group)) for group in groups]
        if not memory.files.carry_over(known, self.folder, paths):
            self._writer.used = used
            return None
        self.told += known.told
        if hit.id in self._hardest:
            self._loudest_db[hit.drum] = hit.level_db or 0.0
            self.loudest[hit.drum] = dict(known.aloud or {})
        files = tuple(replace(file, path=path.as_posix(), hit=hit.id,
                              **self._writer.judged(hit, group, file.source_start + file.frames))
                      for file, path, group in zip(known.record.files, paths, groups, strict=True))
        home = self.drums[hit.drum].home
        grade = next((s.grade for s in files if home in s.mics), files[0].grade)
        shot = replace(known.record, hit=hit.id, drum=hit.drum, articulation=hit.articulation, layer=pick.layer,
                       round_robin=pick.round_robin, velocity=pick.velocity, grade=grade, files=files)
        memory.files.shots[self._key(take, hit)] = replace(known, record=shot)
        return shot

    def _files(self, reader: TakeReader, hit: Hit, pick: Pick, mics: Sequence[Mic], audio: Samples,
               plan: fading.CutPlan) -> tuple[tuple[Sample, ...], tuple[Sample, ...]]:
        """Write the files of a one-shot: those that play, and the untouched ones of those that were repaired."""
        take, said = reader.take, self.windows.said_of(hit)
        far = [m.name for m in mics if m.role.means.far and m.name != self.drums[hit.drum].home]
        other = stand_in(hit, far, self.analysis, frames=plan.frames, sample_rate=take.sample_rate,
                         without=self.rejected) if self.recipe.repair.composites else None
        mender = Mender(self.analysis, self.recipe.repair)
        tail = self._tail(take, hit, mics, plan, mender)
        playing, untouched = [], []
        left_out = frozenset() if self.along is None else self.along.left_out
        for group in grouped(mics):
            names = [m.name for m in group]
            if left_out.issuperset(names):
                continue
            shown = other if other is not None and all(name in far for name in names) else hit
            start = self.analysis.attacks[shown.id] - plan.onset_frame
            own = audio[[mics.index(m) for m in group]] if shown is hit else \
                self.windows.read(reader, hit, names, start, start + plan.frames)
            part = Part(group, shown, start, own, plan.fade_outs, self.windows.shift(hit, names[0]),
                        all(name in self.windows.shifts.turned for name in names))
            playing.append(self._writer.write(take, hit, pick, part, plan, said))
            mended = self._mended(take, part, plan, tail, mender)
            if mended is not None:
                untouched.append(playing.pop())
                playing.append(self._writer.write(take, hit, pick, mended, plan, said))
        return tuple(playing), tuple(untouched)

    def _processed(self, tracks: TakeReader | None, hit: Hit, pick: Pick,
                   plan: fading.CutPlan) -> tuple[tuple[Sample, ...], dict[str, Floats]]:
        """Write what processed tracks hold of a hit; those files, and mic -> samples."""
        if self.along is None or tracks is None:
            return (), {}
        said, files = self.windows.said_of(hit), []
        sounds: dict[str, Floats] = {}
        fade_out = max(plan.fade_outs.values())
        for track, audio, recovering in self.along.cut(tracks, hit, plan):
            names = [mic.name for mic in track.mics]
            if track.name not in said.dropped and not said.dropped & set(names):
                part = Part(track.mics, hit, plan.start, audio, dict.fromkeys(names, fade_out))
                made = self._writer.write(tracks.take, hit, pick, part, plan, said)
                files.append(replace(made, processed="track", recovering_db=recovering))
                sounds.update(zip(names, as_float(audio), strict=True))
        return tuple(files), sounds

    def _tail(self, take: Take, hit: Hit, mics: Sequence[Mic], plan: fading.CutPlan, mender: Mender) -> Tail | None:
        """A hit whose tail may continue where the next stroke cut this one's short."""
        names = [m.name for m in mics]
        if plan.ended_by not in ("next stroke", "other sound"):
            return None
        donors = mender.donors(hit, names, plan.frames - plan.onset_frame, take.sample_rate)
        usable = [h for h in donors if h.id not in self.rejected
                  and self.session.take(h.take).sample_rate == take.sample_rate]
        tails = (self._lent(donor, mics, plan.onset_frame) for donor in usable[:DONORS_TRIED])
        return next((tail for tail in tails if tail.window.frames >= LONGER * plan.frames), None)

    def _lent(self, donor: Hit, mics: Sequence[Mic], pre: int) -> Tail:
        """The whole decay of a hit in those mics, its attack ``pre`` frames after the start."""
        names = [m.name for m in mics]
        with TakeReader(self.session.root, self.session.take(donor.take), names, dtype="float64") as reader:
            made = self.windows.plan(reader, donor, mics, pre).plan
            audio = as_float(self.windows.read(reader, donor, names, made.start, made.stop))
        return Tail(Window(donor, made.start, pre, made.frames), dict(zip(names, audio, strict=True)), made.fade_outs)

    def _mended(self, take: Take, part: Part, plan: fading.CutPlan, tail: Tail | None,
                mender: Mender) -> Part | None:
        """The same file repaired; None where nothing was done to it."""
        if not self.recipe.repair.any:
            return None
        window = Window(part.shown, part.start + part.shift, plan.onset_frame, plan.frames)
        before = np.stack([as_float(x) for x in part.audio])
        made = mender.mend(take, part.mics, before, window, tail)
        if not any(each.done for each in made):
            return None
        after, longer = _together(made), len(made[0].audio) > plan.frames
        bits = 32 if is_float(take.subtype) else int(take.subtype.removeprefix("PCM_"))
        done = tuple({"mic": m.name, **record} for m, each in zip(part.mics, made, strict=True) for record in each.done)
        fades = tail.fade_outs if longer and tail is not None else part.fade_outs
        return replace(part, audio=merged(part.audio, before, after, bits), fade_outs=fades, done=done)

    def _one_shot(self, hit: Hit, pick: Pick, files: tuple[Sample, ...], home: Floats, name: str,
                  planned: Planned) -> OneShot:
        """The record of a one-shot, with the measures of its home mic."""
        take, plan, end = self.session.take(hit.take), planned.plan, planned.ends[name]
        rate, noise = take.sample_rate, self.windows.noise_rms(take, name)
        grade = next((s.grade for s in files if name in s.mics), self.analysis.grades[hit.id].get(name, "D"))
        heard = home - self.windows.offset(take, name)  # a DC offset is no part of a decay
        decay = descriptors.decay(heard, sample_rate=rate, noise_rms=noise, attack=plan.onset_frame)
        return OneShot(
            hit=hit.id, drum=hit.drum, articulation=hit.articulation, layer=pick.layer, round_robin=pick.round_robin,
            velocity=pick.velocity, grade=grade,
            fundamental_hz=descriptors.fundamental_hz(
                heard, sample_rate=rate, attack=plan.onset_frame,
                stop=min(len(heard), max(end - plan.start, plan.onset_frame + 1))),
            decay_s=decay.best_s, edt_s=decay.edt_s, t20_s=decay.t20_s,
            ring_kept_db=descriptors.ring_kept_db(heard, sample_rate=rate, fade_out=plan.fade_outs[name]), files=files,
            ended_by=plan.ended_by)

    def _remember(self, hit: Hit, audio: dict[str, Floats]) -> None:
        """Keep the first second of each drum's hardest one-shot."""
        level = hit.level_db if hit.level_db is not None else -np.inf
        if level > self._loudest_db.get(hit.drum, -np.inf):
            second = self.session.take(hit.take).sample_rate
            self._loudest_db[hit.drum] = level
            self.loudest[hit.drum] = {name: x[:second].copy() for name, x in audio.items()}


def _together(made: Sequence[Mended]) -> Floats:
    """The mics of one file as (mics, frames): one that got no longer tail ends in silence."""
    out = np.zeros((len(made), max(len(each.audio) for each in made)))
    for row, each in zip(out, made, strict=True):
        row[: len(each.audio)] = each.audio
    return out
