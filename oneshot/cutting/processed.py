"""Processed tracks: read beside the mics of each hit, aligned with them, and cut at the same frames.

While windows are planned, each hit's is read once from the tracks, with room for their latency; what was read is kept
for cutting as far as it is small. Once all hits of a take have been read, its tracks' latencies are estimated. Nothing
in the tracks moves a window, a grade or a choice.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from oneshot.analysis.records import EVENT_S
from oneshot.audio.io import Dtype, TakeReader, is_float
from oneshot.config.recipe import FaderRecipe, Processing, Recipe
from oneshot.core.errors import SessionError, SettingsError
from oneshot.core.files import real
from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import Fader
from oneshot.core.records.session import Mic, Problem, Session, Take
from oneshot.core.user_state import tracks_of
from oneshot.cutting.fades import CutPlan, Samples, as_float
from oneshot.cutting.processed_latency import AFTER_S, BEFORE_S, FULL_LOOKS, PAD_S, SHORT_S, Latency, Look, latencies
from oneshot.cutting.space import KEPT_BYTES, Shape
from oneshot.session.processed_tracks import Track, Tracks, open_tracks

ENOUGH_LOOKS = 24
"""Hits of a take by which its tracks are aligned, at least, where it has them."""
RESTED_LOOKS = 6
"""After the longest pauses of a take: they show a compressor at rest."""
TOLD_HITS = 6
"""Hits of one kind of trouble that are listed; of more their number is given, and all are in the manifest."""


@dataclass(slots=True)
class Along:
    """The processed tracks of a session, cut along with its mics. ``told``: what to report of them."""

    session: Session
    tracks: Tracks
    asked: Processing
    said: Mapping[str, FaderRecipe] = field(default_factory=dict)
    told: list[Problem] = field(default_factory=list)
    lies: dict[str, dict[str, Latency]] = field(default_factory=dict)
    _looks: dict[str, list[Look]] = field(default_factory=dict)
    _names: dict[str, tuple[str, ...]] = field(default_factory=dict)
    _kept: dict[int, tuple[int, Samples]] = field(default_factory=dict)
    _left: int = KEPT_BYTES
    _whole: set[int] = field(default_factory=set)
    _pauses: dict[int, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.told += self.tracks.problems
        self.told += [Problem(name, f"is part of {whole}, which plays in its place: it is exported, but muted",
                              "turn one of them on or off under [balance]") for name, whole in self._parts().items()]

    # ---------------------------------------------------------------------------------------------------- what plays

    def _parts(self) -> dict[str, str]:
        """Track -> another one that holds all its mics and more, and so plays in its place."""
        if self.asked.play == "not":
            return {}
        held: dict[str, set[str]] = {}
        for each in self.tracks.takes.values():
            for track in each.tracks:
                held.setdefault(track.name, set()).update(track.made_of)
        return {name: max(wider, key=lambda other: (len(held[other]), other)) for name, mics in held.items()
                if (wider := [other for other, more in held.items() if mics and mics < more])}

    @property
    def silent(self) -> frozenset[str]:
        """The mics that do not play because a processed track does, unless the recipe turns them on."""
        if self.asked.play != "instead":
            return frozenset()
        parts = self._parts()
        mics = {mic for each in self.tracks.takes.values() for track in each.tracks if track.name not in parts
                for mic in track.made_of}
        return frozenset(mic for mic in mics if mic not in self.said or self.said[mic].on is not True)

    @property
    def left_out(self) -> frozenset[str]:
        """The mics whose files the kit does without."""
        return frozenset() if self.asked.keep_mics else self.silent

    def faders(self, balance: Mapping[str, Fader]) -> dict[str, Fader]:
        """The balance with the tracks in it: as loud as in their mix (0 dB), pairs hard left and right, a mono one
        where its mic stands.
        """
        parts, silent = self._parts(), self.silent
        out = {name: replace(fader, on=fader.on and name not in silent) for name, fader in balance.items()}
        for each in self.tracks.takes.values():
            for track in each.tracks:
                on = self.asked.play != "not" and track.name not in parts
                for mic in track.mics:
                    pan = {"L": -1.0, "R": 1.0}.get(mic.side or "", 0.0)
                    if mic.side is None and len(track.made_of) == 1 and track.made_of[0] in balance:
                        pan = balance[track.made_of[0]].pan
                    out[mic.name] = Fader(0.0, pan, 1, on)
        return out

    # ------------------------------------------------------------------------------------------------------- reading

    def wanted(self, take: Take) -> tuple[str, ...]:
        """The mics that have to be read beside a take's tracks."""
        named = {mic for track in self.tracks.takes[take.name].tracks for mic in track.made_of}
        return tuple(mic.name for mic in take.mics if mic.name in named)

    def reader(self, take: Take) -> TakeReader:
        """A reader of a take's tracks, exact."""
        mine = self.tracks.takes[take.name].take
        exact: Dtype = "float64" if is_float(mine.subtype) else "int32"
        return TakeReader(self.session.root, mine, dtype=exact)

    def more_of(self, take: Take, picked: Sequence[Hit], hits: Iterable[Hit]) -> list[Hit]:
        """Further strokes of a take, hard ones spread over it and its drums, by which tracks are lined up where few
        strokes are cut; and, to be remembered, which strokes are looked at over the whole stretch.
        """
        ids = [hit.id for hit in picked]
        self._whole = {ids[k] for k in np.linspace(0, len(ids) - 1, min(FULL_LOOKS, len(ids))).astype(int)}
        by_drum: dict[str, list[Hit]] = {}
        mine = sorted((hit for hit in hits if hit.take == take.name), key=lambda h: (h.onset, h.id))
        apart = round(EVENT_S * take.sample_rate)
        last, before = -np.inf, -np.inf
        for hit in mine:
            if hit.onset - last > apart:
                before = last
            last = hit.onset
            self._pauses[hit.id] = (hit.onset - before) / take.sample_rate
            if hit.level_db is not None and hit.ornament is None and hit.id not in ids:
                by_drum.setdefault(hit.drum, []).append(hit)
        each = -(-max(ENOUGH_LOOKS - len(ids), 0) // max(len(by_drum), 1))
        out = []
        for struck in by_drum.values():
            hard = sorted(sorted(struck, key=lambda h: (-(h.level_db or 0.0), h.id))[: max(len(struck) // 2, each)],
                          key=lambda h: (h.onset, h.id))
            out += [hard[k] for k in np.linspace(0, len(hard) - 1, min(each, len(hard))).astype(int)]
        rested = sorted((hit for hit in mine if hit.id not in ids), key=lambda h: (-self._pauses[h.id], h.id))
        out += [hit for hit in rested[:RESTED_LOOKS] if hit not in out]
        self._whole |= {hit.id for hit in out}
        return out

    def take_in(self, reader: TakeReader, tracks: TakeReader, hit: Hit, plan: CutPlan | None) -> None:
        """Read a stroke's window once, from the mics' reader and the tracks' own. ``plan``: None for one that is looked
        at and not cut.
        """
        rate, take = reader.take.sample_rate, reader.take.name
        pad, before = round(PAD_S * rate), round(BEFORE_S * rate)
        after = round((AFTER_S if hit.id in self._whole else SHORT_S) * rate)
        first, last = hit.onset - before, hit.onset + after
        low, high = (first - pad, last + pad) if plan is None else \
            (min(first, plan.start) - pad, max(last, plan.stop) + pad)
        audio = tracks.read(low, high)
        names = self.wanted(reader.take)
        rows = [[mic.name for mic in reader.mics].index(name) for name in names]
        heard = as_float(reader.read(first, last)[rows]) if rows else np.zeros((0, last - first))
        self._names[take] = names
        self._looks.setdefault(take, []).append(
            Look(hit.id, hit.drum, hit.onset, heard.astype(np.float32),
                 as_float(audio[:, first - pad - low : last + pad - low]).astype(np.float32), plan is not None,
                 self._pauses.get(hit.id, np.inf)))
        if plan is not None and audio.nbytes <= self._left:
            self._left -= audio.nbytes
            self._kept[hit.id] = (low, audio)

    def shape(self, shape: Shape, drum: str) -> Shape:
        """What will be written of a stroke, with its tracks and without the mics that are left out."""
        take = shape.take
        more = [len(track.mics) for track in self.tracks.takes[take.name].tracks if track.goes_with(drum, take)]
        return replace(shape, channels=(*(() if self.left_out else shape.channels), *more))

    def settle(self, take: Take) -> None:
        """Estimate the latency of a take's tracks, once all its hits were read, and release what was read for it.

        Raises SessionError where it cannot be estimated and something is cut from them.
        """
        tracks, looks = self.tracks.takes[take.name].tracks, self._looks.pop(take.name, [])
        if not looks:
            return
        looks.sort(key=lambda look: look.at)
        try:
            self.lies[take.name] = latencies(take, tracks, looks, self._names[take.name],
                                             keep=self.asked.latency == "kept")
        except SessionError as error:
            if any(look.cut for look in looks):
                raise
            self.told.append(Problem(take.name, f"its processed tracks are not used: {error}", ""))
            return
        self.told += self._told(take, tracks)

    def cut(self, reader: TakeReader, hit: Hit, plan: CutPlan) -> list[tuple[Track, Samples, float | None]]:
        """Each track that goes with a hit: its samples at the frames of the hit's window, (its mics, frames), and the
        gain reduction left in it as the hit begins (dB; None where there is none, or it is not known).
        """
        take = self.session.take(hit.take)
        low, audio = self._kept.pop(hit.id, (0, None))
        out, row = [], 0
        for track in self.tracks.takes[take.name].tracks:
            mine, row = slice(row, row + len(track.mics)), row + len(track.mics)
            lies = self.lies[take.name][track.name]
            if track.goes_with(hit.drum, take):
                start, stop = plan.start + lies.applied, plan.stop + lies.applied
                part = audio[mine, start - low : stop - low].copy() if audio is not None else \
                    reader.read(start, stop)[mine]
                out.append((track, part, lies.recovering.get(hit.id)))
        return out

    # -------------------------------------------------------------------------------------------------------- telling

    def mics(self, take: Take) -> tuple[Mic, ...]:
        """A take's tracks as mics of the kit: what was taken out of their latency is where their files lie."""
        out = []
        for track in self.tracks.takes[take.name].tracks:
            lies = self.lies.get(take.name, {}).get(track.name, Latency(None))
            out += [replace(mic, sources=tuple(replace(s, at=s.at - lies.applied) for s in mic.sources))
                    for mic in track.mics]
        return tuple(out)

    def with_tracks(self, session: Session) -> Session:
        """The session with the tracks among its mics, as they lie."""
        return replace(session, takes=tuple(replace(take, mics=(*take.mics, *self.mics(take)))
                                            for take in session.takes))

    def polarity(self, take: str) -> dict[str, int]:
        """Mic of a track -> its polarity re the mic that it holds most of."""
        return {mic.name: lies.polarity for track in self.tracks.takes[take].tracks for mic in track.mics
                if (lies := self.lies.get(take, {}).get(track.name)) is not None and lies.frames is not None}

    def judged(self) -> dict[str, tuple[str, ...]]:
        """Mic of a track -> the mics that it is made of, which are judged in its place."""
        return {mic.name: track.made_of for each in self.tracks.takes.values() for track in each.tracks
                for mic in track.mics}

    def records(self) -> dict[str, tuple[Mapping[str, object], ...]]:
        """Take -> its tracks, as plain types: what each is made of and how it lies."""
        out: dict[str, tuple[Mapping[str, object], ...]] = {}
        for take, each in self.tracks.takes.items():
            rows = []
            for track in each.tracks:
                lies = self.lies.get(take, {}).get(track.name, Latency(None))
                rows.append({
                    "name": track.name, "mics": [mic.name for mic in track.mics], "made_of": list(track.made_of),
                    "subtype": track.subtype, "latency_frames": lies.frames, "applied_frames": lies.applied,
                    "spread_frames": None if lies.spread_frames is None else round(lies.spread_frames, 2),
                    "strokes": lies.strokes})
            out[take] = tuple(rows)
        return out

    def _told(self, take: Take, tracks: Sequence[Track]) -> list[Problem]:
        """What to report of a take's tracks."""
        out = []
        for track in tracks:
            lies, where = self.lies[take.name][track.name], f"{take.name}/{track.name}"
            if not lies.strokes and track.made_of:
                continue  # nothing of it is cut here
            if lies.frames is None and track.made_of and lies.as_others:
                out.append(Problem(where, "its latency cannot be measured: that of the take's other tracks is used, "
                                          f"{lies.applied} frames",
                                   "check that it is of this take"))
            elif lies.frames is None and not lies.as_others and self.asked.latency != "kept":
                out.append(Problem(where, "its latency cannot be measured: it is cut uncompensated",
                                   "export one with the mics alongside it, so that the latency can be measured"))
            if lies.recovering:
                worst = min(lies.recovering, key=lambda hit: lies.recovering[hit])
                count = len(lies.recovering)
                named = ", ".join(str(hit) for hit in sorted(lies.recovering)[:TOLD_HITS])
                out.append(Problem(where, f"its compressor is still recovering from an earlier hit at the start of "
                                          f"{count} of {len(lies.gain_db)} one-shots: hit {named}"
                                          f"{' …' if count > TOLD_HITS else ''}; most at hit {worst}, "
                                          f"{lies.recovering[worst]:.1f} dB",
                                   "leave them out, or export again without that compressor"))
        return out


def folder_of(session: Session, kit_path: Path) -> Path | None:
    """Where a session's processed tracks lie: in the folder that session.toml names, else in that of the kit's last
    build; None where neither is known.
    """
    return _named(session) or tracks_of(kit_path)


def _named(session: Session) -> Path | None:
    """The folder of processed tracks that session.toml names."""
    return None if session.processed is None else session.root / session.processed


def open_processed(session: Session, kit_path: Path, recipe: Recipe, asked: Path | None, *,
                   needed: bool) -> Along | None:
    """The processed tracks that are asked for; None where none are. ``needed``: the kit was cut from some before.

    Raises SessionError where it cannot be used, SettingsError where a kit that was built from such tracks is built
    again and nobody knows where they are.
    """
    if not recipe.processed.use:
        return None
    named, folder = _named(session), asked or folder_of(session, kit_path)
    if folder is not None and real(folder).is_relative_to(real(session.root)) and (
            named is None or real(folder) != real(named)):
        inside = real(folder).relative_to(real(session.root)).as_posix()
        raise SettingsError(f"{folder} lies inside the session, where folders are takes: set processed = "
                            f"\"{inside}\" in {session.root / 'session.toml'}, or move it out")
    if folder is None:
        if needed:
            raise SettingsError(f"{kit_path} was also cut from processed tracks, whose folder is not known: name "
                                "it with --processed, or set processed.use = false in its recipe.toml")
        return None
    return Along(session, open_tracks(session, folder, recipe.tracks), recipe.processed, recipe.balance)


def track_names(along: Along | None) -> set[str]:
    """Every name under which a processed track can be dropped."""
    return set() if along is None else {name for each in along.tracks.takes.values() for track in each.tracks
                                        for name in (track.name, *(mic.name for mic in track.mics))}


def plays(track: Track, off: Collection[str]) -> bool:
    """Whether a track sounds in mappings: not where all the mics it is made of are in ``off`` and do not. Bleed in an
    overhead is bleed after processing as well.
    """
    return not track.made_of or not set(track.made_of) <= set(off)
