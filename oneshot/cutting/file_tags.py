"""File tags: what each sound file of a kit says of itself.

None of the source's own texts is copied: not who recorded it, when, or with what.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from oneshot.audio.riff import time_reference
from oneshot.audio.tags import Tags
from oneshot.core.records.hits import Drum, Hit
from oneshot.core.records.kit import OneShot, Print, Sample
from oneshot.core.records.session import Session

MODES = {1: "mono", 2: "stereo"}
CODINGS = {"PCM_16": ("PCM", 16), "PCM_24": ("PCM", 24), "PCM_32": ("PCM", 32), "FLOAT": ("PCM", 32),
           "DOUBLE": ("PCM", 64), "PCM_S8": ("PCM", 8)}
"""soundfile's subtype -> coding algorithm and word length, as EBU R 98 writes them (from memory)."""


LATEST = 2**63
"""A recorder's stamp from here on (frames from midnight) is no time of any day: what follows from it could not be
written into a stamp again.
"""


@dataclass(frozen=True, slots=True)
class Coding:
    """How a file is coded: soundfile's subtype, Hz, channels."""

    subtype: str
    sample_rate: int
    channels: int


def origins(session: Session) -> dict[str, int]:
    """Take -> frames from midnight to its frame 0, as the recorder's stamps say; 0 where none does."""
    out = {}
    for take in session.takes:
        sources = sorted({(source.path, source.at) for mic in take.mics for source in mic.sources})
        stamps = ((time_reference(session.root / path), at) for path, at in sources)
        out[take.name] = next((stamp - at for stamp, at in stamps if stamp is not None and stamp < LATEST), 0)
    return out


@dataclass(slots=True)
class FileTags:
    """What files are told by: the kit's session, its hits and drums with their keys, its recipe and its processed
    tracks as the manifest has them, and what makes it. ``origin``: as ``origins`` gives it.
    """

    session: Session
    hits: Iterable[Hit]
    drums: Iterable[Drum]
    recipe: Mapping[str, object]
    tracks: Mapping[str, Sequence[Mapping[str, object]]]
    generator: str
    origin: Mapping[str, int] = field(default_factory=dict)
    _hits: Mapping[int, Hit] = field(init=False)
    _keys: Mapping[tuple[str, str], int] = field(init=False)
    _info: Mapping[str, object] = field(init=False)
    _levelled: bool = field(init=False)

    def __post_init__(self) -> None:
        self._hits = {hit.id: hit for hit in self.hits}
        self._keys = {(drum.name, way.name): way.key for drum in self.drums for way in drum.articulations}
        info, files = self.recipe.get("kit"), self.recipe.get("files")
        self._info = info if isinstance(info, Mapping) else {}
        self._levelled = isinstance(files, Mapping) and files.get("level", "natural") != "natural"

    def of_sample(self, shot: OneShot, sample: Sample, coding: Coding) -> Tags:
        """The tags of a file of a one-shot, of which its row tells all but its sum."""
        moved = sample.shift_frames
        done = [f"gain {sample.gain_db:+.1f} dB"] if sample.gain_db else []
        done += [f"mix of {', '.join(sample.mix_of)}"] if sample.mixdown else []
        done += ["inverted"] if sample.inverted else []
        track = self._track(self._hits[sample.hit].take, sample.mics)
        late = 0 if track is None else track["applied_frames"]
        done += [f"latency of {late} frames removed"] if late else []
        done += [f"moved {abs(moved)} frames {'earlier' if moved > 0 else 'later'}"] if moved else []
        done += [f"repaired: {', '.join(sample.repaired)}"] if sample.repaired else []
        history = self._history(coding, sample.hit, done,
                                self._levelled or sample.mixdown or sample.gain_db != 0, sample.mics)
        at = self._place(sample.hit, sample.source_start + sample.shift_frames, coding)
        return self._told(self._sample(shot, sample, coding, history, at), sample)

    def of_processed(self, shot: OneShot, sample: Sample, coding: Coding, before: Sequence[str]) -> Tags:
        """The tags of a file that was processed after the build; ``before``: the coding history it had."""
        outside = sample.outside
        late = f"; latency of {outside['latency_frames']} frames removed" if outside.get("aligned") else ""
        line = _line(coding, f"processed externally after cutting{late}")
        return self._told(self._sample(shot, sample, coding, (*before, line), sample.time_reference or 0), sample)

    def of_print(self, each: Print, coding: Coding) -> Tags:
        """The tags of a print, of which its row tells all but its sum."""
        title = f"{each.print} {each.rank}: {each.drum} {each.articulation} V{each.layer:02d} RR{each.round_robin:02d}"
        history = self._history(coding, each.hit, [f"mix of {', '.join(each.mics)}"])
        made = self._tags(title, self._keys[each.drum, each.articulation], coding, max(each.offset_frames, 0), history,
                          self._place(each.hit, each.source_start, coding))
        return replace(made, true_peak_dbtp=each.true_peak_dbtp, momentary_lufs=each.momentary_lufs)

    def _sample(self, shot: OneShot, sample: Sample, coding: Coding, history: tuple[str, ...], at: int) -> Tags:
        heard = "mix" if sample.mixdown else " + ".join(sample.mics)
        title = f"{shot.drum} {shot.articulation} V{shot.layer:02d} RR{shot.round_robin:02d} {heard}"
        return self._tags(title, self._keys[shot.drum, shot.articulation], coding, sample.onset_frame, history, at)

    def _told(self, made: Tags, sample: Sample) -> Tags:
        """Tags with the levels of a file."""
        return replace(made, integrated_lufs=sample.integrated_lufs, true_peak_dbtp=sample.true_peak_dbtp,
                       momentary_lufs=sample.momentary_lufs)

    def _tags(self, title: str, key: int, coding: Coding, attack: int, history: tuple[str, ...], at: int) -> Tags:
        """The tags that every file of the kit has."""
        players = self._info.get("players")
        names = ", ".join(str(name) for name in players) if isinstance(players, Sequence) else ""
        return Tags(title=title, album=str(self._info.get("name") or self.session.name),
                    artist=str(self._info.get("author") or names), rights=str(self._info.get("licence") or ""),
                    software=self.generator, key=key, attack=attack, sample_rate=coding.sample_rate,
                    time_reference=at, history=history)

    def _track(self, take: str, mics: Sequence[str]) -> Mapping[str, object] | None:
        """The processed track that those mics are; None where they were recorded."""
        return next((row for row in self.tracks.get(take, ()) if row["mics"] == list(mics)), None)

    def _history(self, coding: Coding, hit: int, done: list[str], computed: bool = False,
                 mics: Sequence[str] = ()) -> tuple[str, ...]:
        """The coding history: as recorded, and as it is now (EBU R 98: A algorithm, F rate, W word length, M mode, T
        text; from memory). ``computed``: levelled or mixed, so that its samples lie between the steps of its bits.
        """
        take = self.session.take(self._hits[hit].take)
        track = self._track(take.name, mics)
        source = Coding(take.subtype if track is None else str(track.get("subtype", take.subtype)), take.sample_rate,
                        1 if track is None else coding.channels)
        bits = CODINGS.get(coding.subtype, ("PCM", 24))[1]
        less = bits < CODINGS.get(source.subtype, ("PCM", 24))[1] or coding.sample_rate != take.sample_rate or computed
        cut = ", ".join(["cut and faded", *done, *(["dithered"] if less and bits < 32 else [])])
        first = "as recorded" if track is None else f"processed track {track['name']}, exported from a mix"
        return _line(source, first), _line(coding, f"{self.generator}; {cut}")

    def _place(self, hit: int, source_start: int, coding: Coding) -> int:
        """Frames from midnight to a file's first frame, at the file's rate."""
        take = self.session.take(self._hits[hit].take)
        at = max(self.origin.get(take.name, 0) + source_start, 0)
        return round(at * coding.sample_rate / take.sample_rate)


def _line(coding: Coding, text: str) -> str:
    """One line of a coding history."""
    algorithm, bits = CODINGS.get(coding.subtype, ("PCM", 24))
    plain = text.replace(",", ";").encode("ascii", errors="replace").decode()
    mode = MODES.get(coding.channels, f"{coding.channels} channels")
    return f"A={algorithm},F={coding.sample_rate},W={bits},M={mode},T={plain}"
