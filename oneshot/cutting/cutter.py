"""Cutter: from the chosen hits to the samples of their files, and their rows as far as the recording tells them.

``plan`` finds where every hit starts and ends, so that much is known before any is cut: which files there will be, with
which grades, the pitches, and how the hardest hits sound. ``jobs`` then gives the hits in order of time, to be cut one
by one: one read of the hit's window (``windows.py``), file by file (``parts.py``). All mics of a hit share the window;
all hits of a group (drum and articulation) have the same distance from the start of the file to the attack. Nothing
here writes.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from oneshot.analysis.measurement.onsets import CYMBALS
from oneshot.analysis.result import Analysis, FoundDrum
from oneshot.audio.io import Dtype, TakeReader, is_float
from oneshot.config.handling import Handling
from oneshot.config.recipe import Choosing, Naming, Recipe
from oneshot.core.cache.results import in_use
from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import OneShot, Sample
from oneshot.core.records.session import Floats, Mic, Problem, Session, Take
from oneshot.core.workers import parted, several, spread
from oneshot.cutting import fades as fading
from oneshot.cutting.carried import SHOTS, Shot
from oneshot.cutting.fades import Samples, as_float
from oneshot.cutting.home_measures import HomeWindow
from oneshot.cutting.mic_shifts import plan_shifts
from oneshot.cutting.parts import Part, Piece, clipping, grouped, judged, label_of, piece_of, row_of
from oneshot.cutting.processed import Along, plays
from oneshot.cutting.repair_plan import LONGER, Mended, Mender, Tail, Window, merged, stand_in
from oneshot.cutting.space import KEPT_BYTES, Shape
from oneshot.cutting.windows import Planned, Windows
from oneshot.selection.close_grades import close_grade
from oneshot.selection.select import Pick
from oneshot.session.processed_tracks import Track

DONORS_TRIED = 3
"""Hits whose tails are tried before a tail is left as short as it is."""
AT_ONCE = 16
"""Hits that one worker plans, or cuts, before it takes the next ones."""
HARDEST_S = 1.0
"""Of the hardest hits, by which the balance is set."""


@dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """A hit as it was cut: its files, its window in the home mic, and what could not be done as the user set it."""

    pieces: tuple[Piece, ...]
    home: HomeWindow
    told: tuple[Problem, ...]

    @property
    def size_bytes(self) -> int:
        """Of its samples."""
        return sum(piece.audio.nbytes for piece in self.pieces) + self.home.audio.nbytes


@dataclass(frozen=True, slots=True, eq=False)
class Job:
    """A hit that is to be cut. ``draft``: its one-shot, of which all is missing that its sound tells, with the files of
    its mics, unrepaired; ``labels``: what the names of these say of their mics; ``key``: everything that its samples
    depend on, in one session, None where they depend on other hits as well; ``sample_rate``: Hz; ``cut``: cuts it, and
    may raise AudioError.
    """

    hit: Hit
    pick: Pick
    draft: OneShot
    labels: tuple[str, ...]
    key: Hashable | None
    sample_rate: int
    cut: Callable[[], Cut]


@dataclass(slots=True)
class Cutter:
    """Cuts the one-shots of a session: ``picks`` of ``hits``, by their ids.

    ``heard_next`` and ``handling`` as in ``Windows``. ``rejected`` are hits from which nothing is taken; ``along``:
    processed tracks that are cut with them. Once planned: ``loudest`` holds mic -> the first second of the hardest
    one-shot of each drum, for setting the balance; ``pitches``: drum -> the pitches of its one-shots, Hz; ``drafts``:
    hit -> its one-shot as in ``Job``. ``told``: what could not be done as the recipe asks.
    """

    session: Session
    analysis: Analysis
    recipe: Recipe
    drums: Mapping[str, FoundDrum]
    hits: Mapping[int, Hit]
    picks: Sequence[Pick]
    heard_next: Mapping[int, int] = field(default_factory=dict)
    handling: Mapping[int, Handling] = field(default_factory=dict)
    rejected: frozenset[int] = frozenset()
    along: Along | None = None
    loudest: dict[str, dict[str, Floats]] = field(default_factory=dict)
    pitches: dict[str, list[float]] = field(default_factory=dict)
    told: list[Problem] = field(default_factory=list)
    drafts: dict[int, OneShot] = field(default_factory=dict)
    windows: Windows = field(init=False)
    _asked: str = ""
    _pre: dict[tuple[str, str], int] = field(default_factory=dict)
    _planned: dict[int, Planned] = field(default_factory=dict)
    _cuts: dict[int, Cut] = field(default_factory=dict)
    _unrepaired: set[int] = field(default_factory=set)
    _left: int = field(default_factory=lambda: KEPT_BYTES)

    def __post_init__(self) -> None:
        shifts = plan_shifts(self.session, self.analysis, tuple(self.drums.values()), self.recipe.cut.times,
                             self.recipe.balance)
        self.windows = Windows(self.session, self.analysis, self.recipe, self.drums, self.heard_next, self.handling,
                               shifts)
        self.told += shifts.told

    # --------------------------------------------------------------------------------------------------------- planning

    def plan(self, tell: Callable[[float], None]) -> list[Shape]:
        """Find where every pick starts and ends before any is cut; what will be written, in the order of the picks.

        Raises AudioError where a file cannot be read.
        """
        self._pre = self.windows.leads(self.hits, self.picks)
        self._asked = repr(replace(self.recipe, choose=Choosing(), names=Naming(), keys={}, balance={}, prints=()))
        hardest = self._hardest()
        self._planned.update(self._planned_ahead())
        shapes: dict[int, Shape] = {}
        for take, reader, tracks, mine in self._by_take(planning=True):
            picks = {pick.hit: pick for pick in mine}
            picked = [self.hits[number] for number in picks]
            more = [] if self.along is None else self.along.more_of(take, picked, self.hits.values())
            for hit in sorted([*picked, *more], key=lambda h: self.analysis.attacks[h.id]):
                if self.along is not None and tracks is not None and hit in more:
                    self.along.take_in(reader, tracks, hit, None)
                    continue
                shapes[hit.id] = self._planned_shape(reader, hit, picks[hit.id])
                if hit.id in hardest:
                    self.loudest[hit.drum] = self._beginning(reader, hit, shapes[hit.id].frames)
                if self.along is not None and tracks is not None:
                    self.along.take_in(reader, tracks, hit, self._planned[hit.id].plan)
                    shapes[hit.id] = self.along.shape(shapes[hit.id], hit.drum)
                tell(len(shapes) / len(self.picks))
            if self.along is not None:
                self.along.settle(take)
            if tracks is not None:
                for hit in (hit for hit in picked if hit.id in hardest):
                    self.loudest[hit.drum] |= self._beginning_processed(tracks, hit)
        return [shapes[pick.hit] for pick in self.picks]

    def _planned_ahead(self) -> dict[int, Planned]:
        """Hit id -> where it starts and ends, of those that several workers can plan without each other: none of them
        keeps what it read. Empty where there is one worker.
        """
        if self.along is not None or not several():
            return {}
        parts = []
        for take in self.session.takes:
            mine = sorted((h for h in (self.hits[p.hit] for p in self.picks) if h.take == take.name),
                          key=lambda h: self.analysis.attacks[h.id])
            mine = [h for h in mine if self._known(take, h) is None]
            parts += [(take, some) for some in parted(mine, AT_ONCE)]

        def planned(part: tuple[Take, list[Hit]]) -> dict[int, Planned]:
            """Some of one take."""
            take, hits = part
            names = list(dict.fromkeys(m.name for h in hits for m in self.windows.mics_of(h)))
            with TakeReader(self.session.root, take, names, dtype=_exact(take)) as reader:
                return {h.id: self._plan(reader, h) for h in hits}

        return {number: made for each in spread(planned, parts) for number, made in each.items()}

    def _planned_shape(self, reader: TakeReader, hit: Hit, pick: Pick) -> Shape:
        """Plan one hit, if no earlier build has, and draft its one-shot; what will be written of its mics."""
        take, mics, known = reader.take, self.windows.mics_of(hit), self._known(reader.take, hit)
        if known is None:
            made = self._planned.get(hit.id) or self._plan(reader, hit, self._left)
            self._left -= 0 if made.audio is None else made.audio.nbytes
            self._planned[hit.id] = made
            rows = tuple(row_of(part, made.plan, self.windows.said_of(hit), self.analysis)
                         for part in self._parts(hit, made.plan))
            frames, pitch_hz = made.plan.frames, made.pitch_hz
            ended_by: str | None = made.plan.ended_by
        else:
            rows = tuple(self._judged(row, hit, mics) for row in known.rows)
            frames, pitch_hz, ended_by = known.rows[0].frames, known.pitch_hz, known.record.ended_by
        home = self.windows.home(hit, [m.name for m in mics])
        grade = close_grade(self.session, self.analysis, hit, home)
        self.drafts[hit.id] = OneShot(
            hit=hit.id, drum=hit.drum, articulation=hit.articulation, layer=pick.layer, round_robin=pick.round_robin,
            velocity=pick.velocity, grade=grade, fundamental_hz=pitch_hz, decay_s=None, ring_kept_db=None, files=rows,
            ended_by=ended_by)
        if pitch_hz is not None:
            self.pitches.setdefault(hit.drum, []).append(pitch_hz)
        return Shape(take, tuple(len(group) for group in grouped(mics)), frames)

    def _plan(self, reader: TakeReader, hit: Hit, most_bytes: int = 0) -> Planned:
        return self.windows.plan(reader, hit, self.windows.mics_of(hit), self._pre[hit.drum, hit.articulation],
                                 self.windows.by_hand(hit), most_bytes=most_bytes)

    def _judged(self, row: Sample, hit: Hit, mics: Sequence[Mic]) -> Sample:
        """The row of a file that an earlier build cut, as it is now; ``mics``: those of the hit."""
        group = [mic for mic in mics if mic.name in row.mics]
        grade, bleed_db = judged(hit, group, row.source_start + row.frames, self.analysis)
        return replace(row, hit=hit.id, grade=grade, bleed_db=bleed_db)

    def _hardest(self) -> set[int]:
        """The hardest hit of each drum: the balance is set by what it sounds like."""
        most: dict[str, tuple[float, int]] = {}
        for take in self.session.takes:  # in the order in which they are cut: of two equal ones the first counts
            mine = [self.hits[p.hit] for p in self.picks if self.hits[p.hit].take == take.name]
            for hit in sorted(mine, key=lambda h: self.analysis.attacks[h.id]):
                if hit.level_db is not None and hit.level_db > most.get(hit.drum, (-np.inf, 0))[0]:
                    most[hit.drum] = (hit.level_db, hit.id)
        return {number for _, number in most.values()}

    def _beginning(self, reader: TakeReader, hit: Hit, frames: int) -> dict[str, Floats]:
        """Mic -> how a hit of ``frames`` begins in it, as loud as its file will be without a trim."""
        names, planned = [m.name for m in self.windows.mics_of(hit)], self._planned.get(hit.id)
        frames = min(frames, round(HARDEST_S * reader.take.sample_rate))
        start = self.analysis.attacks[hit.id] - self._pre[hit.drum, hit.articulation]

        audio = as_float(planned.audio[:, :frames] if planned is not None and planned.audio is not None else
                         self.windows.read(reader, hit, names, start, start + frames))
        gain = 10 ** (self.windows.said_of(hit).gain_db / 20)
        return {name: x * gain for name, x in zip(names, audio, strict=True)}

    def _beginning_processed(self, tracks: TakeReader, hit: Hit) -> dict[str, Floats]:
        """The same of the processed tracks that go with a hit."""
        gain, second = 10 ** (self.windows.said_of(hit).gain_db / 20), round(HARDEST_S * tracks.take.sample_rate)
        return {mic.name: x * gain for part, audio, _ in self._tracks(tracks, hit, self._planned[hit.id].plan)
                for mic, x in zip(part.mics, as_float(audio[:, :second]), strict=True)}

    def trim(self, gain_db: Mapping[str, float]) -> None:
        """Make the hardest one-shots as loud as their files will be; ``gain_db``: drum -> trim."""
        for drum, gain in gain_db.items():
            self.loudest[drum] = {mic: x * 10 ** (gain / 20) for mic, x in self.loudest.get(drum, {}).items()}

    def in_order(self) -> list[Pick]:
        """The picks, take by take, in order of time."""
        return [pick for take in self.session.takes for pick in self._of_take(take)]

    def _of_take(self, take: Take) -> list[Pick]:
        """Those of one take, in order of time."""
        return sorted((p for p in self.picks if self.hits[p.hit].take == take.name),
                      key=lambda p: self.analysis.attacks[p.hit])

    def labels(self, hit: Hit) -> tuple[str, ...]:
        """What the names of a hit's files say of their mics."""
        return tuple(label_of(group) for group in grouped(self.windows.mics_of(hit)))

    def _by_take(self, *, planning: bool = False, only: frozenset[int] | None = None
                 ) -> Iterator[tuple[Take, TakeReader, TakeReader | None, list[Pick]]]:
        """Each take with a reader of the mics that its picks need, one of its processed tracks, and those picks in
        order of time; ``only`` of these hits.
        """
        for take in self.session.takes:
            mine = [pick for pick in self._of_take(take) if only is None or pick.hit in only]
            wanted = list(dict.fromkeys(m.name for p in mine for m in self.windows.mics_of(self.hits[p.hit])))
            if self.along is not None and planning and not wanted:  # its tracks are reported, too
                wanted = list(self.along.wanted(take))
            if wanted:
                if self.along is not None and planning:
                    wanted = list(dict.fromkeys([*wanted, *self.along.wanted(take)]))
                with ExitStack() as stack:
                    reader = stack.enter_context(TakeReader(self.session.root, take, wanted, dtype=_exact(take)))
                    tracks = None if self.along is None else stack.enter_context(self.along.reader(take))
                    yield take, reader, tracks, mine

    # --------------------------------------------------------------------------------------------------- earlier builds

    def _key(self, take: Take, hit: Hit) -> Hashable | None:
        """Everything that the samples and rows of a hit's files depend on, in one session: what they are called and
        which turn they take does not count. None where they depend on other hits too: a repaired one may have
        another's tail or overheads, and a processed track's latency is estimated from all.
        """
        if self.recipe.repair.any or self.recipe.repair.composites or self.along is not None:
            return None
        windows, drum = self.windows, self.drums[hit.drum]
        mics = tuple((m.name, m.role, m.pair, m.side, m.sources, windows.shift(hit, m.name),
                      m.name in windows.shifts.turned) for m in windows.mics_of(hit))
        return (take.name, hit.onset, self.analysis.attacks[hit.id], windows.first(hit),
                self._pre[hit.drum, hit.articulation], mics, windows.following(hit, [mic[0] for mic in mics]),
                windows.said_of(hit), drum.home, drum.kind in CYMBALS, self._asked)

    def _known(self, take: Take, hit: Hit) -> Shot | None:
        """What an earlier build cut of that hit, to the byte what would be cut now; None where nothing is kept."""
        results, key = in_use(), self._key(take, hit)
        return None if results is None or key is None else results.get(SHOTS, key)

    # ---------------------------------------------------------------------------------------------------------- cutting

    def jobs(self, *, again: bool = False, only: frozenset[int] | None = None) -> Iterator[Job]:
        """The picks, planned, in order of time; ``only`` of these hits. ``again``: they will be asked for once more, so
        that what is cut now is kept as far as it is small. Raises AudioError where a file cannot be read.
        """
        for take, reader, tracks, mine in self._by_take(only=only):
            for pick in mine:
                hit = self.hits[pick.hit]
                yield Job(hit, pick, self.drafts[hit.id], self.labels(hit), self._key(take, hit), take.sample_rate,
                          partial(self._cut, reader, tracks, hit, again=again))

    def _cut(self, reader: TakeReader, tracks: TakeReader | None, hit: Hit, *, again: bool) -> Cut:
        """Cut one hit in all its mics."""
        kept = self._cuts.pop(hit.id, None)
        if kept is not None:
            return kept
        planned = self._planned.pop(hit.id, None) or self._plan(reader, hit)
        made = self._made(reader, tracks, hit, planned)
        if not again:
            return made
        room = self._left + (0 if planned.audio is None else planned.audio.nbytes)
        repaired = any(piece.row.repaired for piece in made.pieces)
        if made.size_bytes <= room and (repaired or not self.recipe.repair.any):  # repair is what takes its time
            self._cuts[hit.id], self._left = made, room - made.size_bytes
        else:
            self._planned[hit.id] = planned
            self._unrepaired |= set() if repaired else {hit.id}
        return made

    def _made(self, reader: TakeReader, tracks: TakeReader | None, hit: Hit, planned: Planned) -> Cut:
        """As ``_cut``, anew."""
        take, mics, plan = reader.take, self.windows.mics_of(hit), planned.plan
        names = [m.name for m in mics]
        audio = planned.audio if planned.audio is not None else \
            self.windows.read(reader, hit, names, plan.start, plan.stop)
        told = self.windows.limits(hit, plan)
        rows = {row.mics: row for row in self.drafts[hit.id].files}
        mender = Mender(self.analysis, self.recipe.repair) \
            if self.recipe.repair.any and hit.id not in self._unrepaired else None
        tail = None if mender is None else self._tail(take, hit, mics, plan, mender)
        pieces: list[Piece] = []
        for part in self._parts(hit, plan):
            own = audio[[names.index(m.name) for m in part.mics]] if part.shown is hit else self.windows.read(
                reader, hit, [m.name for m in part.mics], part.start, part.start + plan.frames)
            row = rows[tuple(m.name for m in part.mics)]
            pieces.append(piece_of(row, part, own, take))
            told += clipping(pieces[-1], own, hit)
            mended = None if mender is None else self._mended(take, part, row, own, tail, mender)
            if mended is not None:
                pieces[-1] = replace(pieces[-1], untouched=True)
                pieces.append(piece_of(mended[0], part, mended[1], take))
                told += clipping(pieces[-1], mended[1], hit)
        if tracks is not None:
            pieces += self._processed(tracks, hit, plan, {mic for names, row in rows.items() if not row.plays
                                                          for mic in names})
        home = self.windows.home(hit, names)
        window = HomeWindow(audio[names.index(home)].copy(), take.sample_rate, self.windows.offset(take, home),
                            self.windows.noise_rms(take, home), plan.onset_frame, planned.ends[home] - plan.start,
                            plan.fade_outs[home])
        return Cut(tuple(pieces), window, tuple(told))

    def _parts(self, hit: Hit, plan: fading.CutPlan) -> list[Part]:
        """What the files of a hit's mics are made of."""
        take, mics = self.session.take(hit.take), self.windows.mics_of(hit)
        far = [m.name for m in mics if m.role.means.far and m.name != self.drums[hit.drum].home]
        other = stand_in(hit, far, self.analysis, frames=plan.frames, sample_rate=take.sample_rate,
                         without=self.rejected) if self.recipe.repair.composites else None
        left_out = frozenset() if self.along is None else self.along.left_out
        out = []
        for group in grouped(mics):
            names = [m.name for m in group]
            if not left_out.issuperset(names):
                shown = other if other is not None and all(name in far for name in names) else hit
                out.append(Part(group, shown, self.analysis.attacks[shown.id] - plan.onset_frame,
                                plan.fade_outs[names[0]], self.windows.shift(hit, names[0]),
                                all(name in self.windows.shifts.turned for name in names)))
        return out

    def _processed(self, tracks: TakeReader, hit: Hit, plan: fading.CutPlan, off: set[str]) -> list[Piece]:
        """What processed tracks hold of a hit; ``off``: its mics that do not play."""
        out = []
        for part, audio, (track, recovering) in self._tracks(tracks, hit, plan):
            row = row_of(part, plan, self.windows.said_of(hit), self.analysis)
            row = replace(row, processed="track", recovering_db=recovering, plays=plays(track, off))
            out.append(piece_of(row, part, audio, tracks.take))
        return out

    def _tracks(self, tracks: TakeReader, hit: Hit, plan: fading.CutPlan
                ) -> list[tuple[Part, Samples, tuple[Track, float | None]]]:
        """The processed tracks that go with a hit and were not dropped: what each file is made of, its samples, and
        the track with the gain reduction left in it (dB).
        """
        if self.along is None:
            return []
        dropped, fade_out = self.windows.said_of(hit).dropped, max(plan.fade_outs.values())
        return [(Part(track.mics, hit, plan.start, fade_out), audio, (track, recovering))
                for track, audio, recovering in self.along.cut(tracks, hit, plan)
                if track.name not in dropped and not dropped & {mic.name for mic in track.mics}]

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

    def _mended(self, take: Take, part: Part, row: Sample, audio: Samples, tail: Tail | None,
                mender: Mender) -> tuple[Sample, Samples] | None:
        """The row and the samples of the same file repaired; None where nothing was done to it. Its grade stays that
        of the untouched file.
        """
        window = Window(part.shown, part.start + part.shift, row.onset_frame, row.frames)
        before = np.stack([as_float(x) for x in audio])
        made = mender.mend(take, part.mics, before, window, tail)
        if not any(each.done for each in made):
            return None
        after, longer = _together(made), len(made[0].audio) > row.frames
        bits = 32 if is_float(take.subtype) else int(take.subtype.removeprefix("PCM_"))
        done = tuple({"mic": m.name, **record} for m, each in zip(part.mics, made, strict=True) for record in each.done)
        fade_out = tail.fade_outs[part.mics[0].name] if longer and tail is not None else row.fade_out_frames
        return replace(row, frames=after.shape[1], fade_out_frames=fade_out, repairs=done,
                       repaired=tuple(dict.fromkeys(str(each["kind"]) for each in done))), \
            merged(audio, before, after, bits)


def _exact(take: Take) -> Dtype:
    """In what a take's samples are read so that none changes."""
    return "float64" if is_float(take.subtype) else "int32"


def _together(made: Sequence[Mended]) -> Floats:
    """The mics of one file as (mics, frames): one that got no longer tail ends in silence."""
    out = np.zeros((len(made), max(len(each.audio) for each in made)))
    for row, each in zip(out, made, strict=True):
        row[: len(each.audio)] = each.audio
    return out
