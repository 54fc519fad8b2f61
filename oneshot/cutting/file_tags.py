"""Tags of each finished file of a kit, and measures that are taken from its samples alone.

Goes over the kit once all is known of it: the keys, which are given after cutting, and the takes' time stamps. None of
the source's own texts is copied: not who recorded it, when, or with what.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from oneshot.audio import descriptors
from oneshot.audio.io import Header, read_audio, read_header
from oneshot.audio.riff import time_reference
from oneshot.audio.tags import Tags, write_tags
from oneshot.core.cache.memory import in_use, recalled, sound_of
from oneshot.core.files import sha256_of
from oneshot.core.records.kit import Kit, OneShot, Print, Sample
from oneshot.core.records.session import Session

MODES = {1: "mono", 2: "stereo"}
CODINGS = {"PCM_16": ("PCM", 16), "PCM_24": ("PCM", 24), "PCM_32": ("PCM", 32), "FLOAT": ("PCM", 32),
           "DOUBLE": ("PCM", 64), "PCM_S8": ("PCM", 8)}
"""soundfile's subtype -> coding algorithm and word length, as EBU R 98 writes them (from memory)."""


def tagged(kit: Kit, folder: Path, say: bool) -> Kit:
    """The kit with every file measured for crest factor and brightness and, where ``say``, its tags in it.

    Raises AudioError where a file cannot be read, OSError where it cannot be written.
    """
    said = _Said(kit, folder, _origins(kit.session) if say else {}, say)
    shots = tuple(replace(shot, files=tuple(said.of_sample(shot, each) for each in shot.files),
                          untouched=tuple(said.of_sample(shot, each) for each in shot.untouched))
                  for shot in kit.one_shots)
    return replace(kit, one_shots=shots, prints=tuple(said.of_print(each) for each in kit.prints))


def tagged_again(kit: Kit, folder: Path, shot: OneShot, sample: Sample, before: Sequence[str]) -> Sample:
    """One sample of a finished kit that was processed after the build: crest, brightness, tags and sum anew.

    ``before``: the coding history it had. Raises AudioError where it cannot be read, OSError where it cannot be
    written.
    """
    return _Said(kit, folder, {}, say=True).again(shot, sample, before)


def _origins(session: Session) -> dict[str, int]:
    """Take -> frames from midnight to its frame 0, as the recorder's stamps say; 0 where none does."""
    out = {}
    for take in session.takes:
        sources = sorted({(source.path, source.at) for mic in take.mics for source in mic.sources})
        stamps = ((time_reference(session.root / path), at) for path, at in sources)
        out[take.name] = next((stamp - at for stamp, at in stamps if stamp is not None), 0)
    return out


class _Said:
    """What the files of a kit say of themselves."""

    def __init__(self, kit: Kit, folder: Path, origin: Mapping[str, int], say: bool) -> None:
        self._kit, self._folder, self._origin, self._say = kit, folder, origin, say
        self._hits = {hit.id: hit for hit in kit.hits}
        self._keys = {(drum.name, way.name): way.key for drum in kit.drums for way in drum.articulations}
        info = kit.recipe.get("kit")
        self._info = info if isinstance(info, Mapping) else {}
        files = kit.recipe.get("files")
        self._levelled = isinstance(files, Mapping) and files.get("level", "natural") != "natural"
        self._info_key = repr(sorted(self._info.items()))

    def of_sample(self, shot: OneShot, sample: Sample) -> Sample:
        """A sample, measured and tagged; one that an earlier build tagged just so is left as it is."""
        path = self._folder / sample.path
        heard = "mix" if sample.mixdown else " + ".join(sample.mics)
        title = f"{shot.drum} {shot.articulation} V{shot.layer:02d} RR{shot.round_robin:02d} {heard}"
        origin = self._origin.get(self._hits[sample.hit].take)
        said = (title, self._keys[shot.drum, shot.articulation], self._info_key, origin)
        memory = in_use()
        if self._say and sample.time_reference is not None:
            if memory is not None and memory.files.said.get(sample.sha256) == said:
                return sample
            digest = self._tag(path, title, shot, sample)[1]
            if memory is not None:
                memory.files.tagged(sample.sha256, digest, said)
            return replace(sample, sha256=digest)
        x, header = read_audio(path)
        measured = replace(sample, crest_db=descriptors.crest_db(x),
                           brightness_hz=descriptors.brightness_hz(x, header.sample_rate))
        at, digest = self._tag(path, title, shot, sample) if self._say else (None, sample.sha256)
        if memory is not None:
            memory.files.tagged(sample.sha256, digest, said)
        return replace(measured, time_reference=at, sha256=digest)

    def _tag(self, path: Path, title: str, shot: OneShot, sample: Sample) -> tuple[int | None, str]:
        """Tag a sample's file; its time reference (None where the format takes no tags) and its sum."""
        header = recalled("header", sound_of(sample.sha256), lambda: read_header(path))
        moved = sample.shift_frames
        done = [f"gain {sample.gain_db:+.1f} dB"] if sample.gain_db else []
        done += [f"mix of {', '.join(sample.mix_of)}"] if sample.mixdown else []
        done += ["inverted"] if sample.inverted else []
        track = self._track(self._hits[sample.hit].take, sample.mics)
        late = 0 if track is None else track["applied_frames"]
        done += [f"latency of {late} frames removed"] if late else []
        done += [f"moved {abs(moved)} frames {'earlier' if moved > 0 else 'later'}"] if moved else []
        done += [f"repaired: {', '.join(sample.repaired)}"] if sample.repaired else []
        at = self._place(sample.hit, sample.source_start + sample.shift_frames, header)
        tags = replace(self._tags(title, self._keys[shot.drum, shot.articulation], header, sample.hit, done,
                                  self._levelled or sample.mixdown or sample.gain_db != 0, sample.mics),
                       attack=sample.onset_frame, time_reference=at, integrated_lufs=sample.integrated_lufs,
                       true_peak_dbtp=sample.true_peak_dbtp, momentary_lufs=sample.momentary_lufs)
        digest = write_tags(path, tags)
        return (None, sample.sha256) if digest is None else (at, digest)

    def again(self, shot: OneShot, sample: Sample, before: Sequence[str]) -> Sample:
        """A sample that was processed after the build, measured again and tagged; ``before``: its coding history."""
        path = self._folder / sample.path
        x, header = read_audio(path)
        measured = replace(sample, crest_db=descriptors.crest_db(x),
                           brightness_hz=descriptors.brightness_hz(x, header.sample_rate))
        if sample.time_reference is None:
            return replace(measured, sha256=sha256_of(path))
        heard = "mix" if sample.mixdown else " + ".join(sample.mics)
        title = f"{shot.drum} {shot.articulation} V{shot.layer:02d} RR{shot.round_robin:02d} {heard}"
        line = _line(header.subtype, header.sample_rate, MODES.get(header.channels, f"{header.channels} channels"),
                     "processed externally after cutting" + (
                         f"; latency of {sample.outside['latency_frames']} frames removed"
                         if sample.outside.get("aligned") else ""))
        tags = replace(self._tags(title, self._keys[shot.drum, shot.articulation], header, sample.hit, []),
                       history=(*before, line), attack=sample.onset_frame, time_reference=sample.time_reference,
                       integrated_lufs=sample.integrated_lufs, true_peak_dbtp=sample.true_peak_dbtp,
                       momentary_lufs=sample.momentary_lufs)
        return replace(measured, sha256=write_tags(path, tags) or sha256_of(path))

    def of_print(self, each: Print) -> Print:
        """A print, tagged."""
        if not self._say:
            return each
        path = self._folder / each.path
        header = read_header(path)
        at = self._place(each.hit, each.source_start, header)
        title = f"{each.print} {each.rank}: {each.drum} {each.articulation} V{each.layer:02d} RR{each.round_robin:02d}"
        done = [f"mix of {', '.join(each.mics)}"]
        tags = replace(self._tags(title, self._keys[each.drum, each.articulation], header, each.hit, done),
                       attack=max(each.offset_frames, 0), time_reference=at, true_peak_dbtp=each.true_peak_dbtp,
                       momentary_lufs=each.momentary_lufs)
        digest = write_tags(path, tags)
        return each if digest is None else replace(each, time_reference=at, sha256=digest)

    def _tags(self, title: str, key: int, header: Header, hit: int, done: list[str], computed: bool = False,
              mics: Sequence[str] = ()) -> Tags:
        """The tags that every file of the kit has; ``computed`` as in ``_history``."""
        players = ", ".join(str(name) for name in self._info.get("players") or [])
        return Tags(title=title, album=str(self._info.get("name") or self._kit.session.name),
                    artist=str(self._info.get("author") or players), rights=str(self._info.get("licence") or ""),
                    software=self._kit.generator, key=key, attack=0, sample_rate=header.sample_rate, time_reference=0,
                    history=self._history(header, hit, done, computed, mics))

    def _track(self, take: str, mics: Sequence[str]) -> Mapping[str, object] | None:
        """The processed track that those mics are; None where they were recorded."""
        return next((row for row in self._kit.tracks.get(take, ()) if row["mics"] == list(mics)), None)

    def _history(self, header: Header, hit: int, done: list[str], computed: bool,
                 mics: Sequence[str]) -> tuple[str, ...]:
        """The coding history: as recorded, and as it is now (EBU R 98: A algorithm, F rate, W word length, M mode, T
        text; from memory). ``computed``: levelled or mixed, so that its samples lie between the steps of its bits.
        """
        take = self._kit.session.take(self._hits[hit].take)
        track = self._track(take.name, mics)
        coding = take.subtype if track is None else str(track.get("subtype", take.subtype))
        bits = CODINGS.get(header.subtype, ("PCM", 24))[1]
        less = bits < CODINGS.get(coding, ("PCM", 24))[1] or header.sample_rate != take.sample_rate or computed
        cut = ", ".join(["cut and faded", *done, *(["dithered"] if less and bits < 32 else [])])
        mode = MODES.get(header.channels, f"{header.channels} channels")
        first = "as recorded" if track is None else f"processed track {track['name']}, exported from a mix"
        return (_line(coding, take.sample_rate, "mono" if track is None else mode, first),
                _line(header.subtype, header.sample_rate, mode, f"{self._kit.generator}; {cut}"))

    def _place(self, hit: int, source_start: int, header: Header) -> int:
        """Frames from midnight to a file's first frame, at the file's rate."""
        take = self._kit.session.take(self._hits[hit].take)
        at = max(self._origin.get(take.name, 0) + source_start, 0)
        return round(at * header.sample_rate / take.sample_rate)


def _line(subtype: str, rate: int, mode: str, text: str) -> str:
    """One line of a coding history."""
    coding, bits = CODINGS.get(subtype, ("PCM", 24))
    plain = text.replace(",", ";").encode("ascii", errors="replace").decode()
    return f"A={coding},F={rate},W={bits},M={mode},T={plain}"
