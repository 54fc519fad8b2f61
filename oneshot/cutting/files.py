"""Files: the one-shots and prints of a kit, finished and measured in memory; each file is written once, tags in it.

All that tags say is known by then. What is measured is measured on the very samples that whoever reads the file gets.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from oneshot.audio import descriptors, loudness
from oneshot.audio.tags import Tags, write_tagged
from oneshot.core.cache.results import Kind, digest_of, in_use, recalled, retagged
from oneshot.core.files import link
from oneshot.core.records.kit import Fader, OneShot, Print, Sample, TakeNoise
from oneshot.core.records.session import Floats, Mic, Problem
from oneshot.cutting.carried import SHOTS, OnDisk, Shot
from oneshot.cutting.cutter import Job
from oneshot.cutting.fades import fit
from oneshot.cutting.file_names import FileNames
from oneshot.cutting.file_tags import Coding, FileTags
from oneshot.cutting.formats import BITS, Finished, Finisher, mix_row, mixed
from oneshot.cutting.home_measures import finished_measures
from oneshot.cutting.mix import mixdown
from oneshot.cutting.mix.balance import first_excursion
from oneshot.cutting.mix.prints import Printed
from oneshot.cutting.parts import Piece

LEVELS: Kind[mixdown.Levels] = Kind("levels", tuple[float | None, float | None])
PEAKS = Kind("peaks", tuple[float, ...])


@dataclass(frozen=True, slots=True, eq=False)
class Written:
    """A one-shot whose files are written, and path -> the samples in each that was cut anew, float64 (channels,
    frames), with its sample rate.
    """

    shot: OneShot
    sounds: Mapping[str, tuple[Floats, int]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class _Made:
    """A file that is written: its row, its samples as whoever reads it gets them, how it is coded, and its tags."""

    row: Sample
    sound: Floats
    coding: Coding
    tags: Tags | None


@dataclass(slots=True)
class Files:
    """Writes into a kit's ``folder``. ``tags``: None for none; ``balance`` by which one-shots play; ``bus``: left and
    right of the bus that mixdowns are files of, none for files of mics; ``homes``: drum -> home mic; ``noise``: take ->
    what is steady in it; ``above_db``: how far above the noise tails end; ``there``: sum -> a sound file of the kit in
    whose place this one goes. ``told``: what could not be done as asked.
    """

    folder: Path
    names: FileNames
    finisher: Finisher
    tags: FileTags | None
    balance: Mapping[str, Fader]
    bus: tuple[Mic, ...]
    homes: Mapping[str, str]
    noise: Mapping[str, TakeNoise]
    above_db: float
    there: Mapping[str, OnDisk] = field(default_factory=dict)
    told: list[Problem] = field(default_factory=list)

    def shot(self, job: Job) -> Written:
        """Cut a hit and write its files, or take over those that an earlier build wrote. Raises AudioError where the
        recordings cannot be read, OSError where a file cannot be written.
        """
        paths: list[str] | None = None
        if job.key is not None:
            paths = [self.names.sample(job.hit, job.pick, label)
                     for label in ((mixdown.LABEL,) if self.bus else job.labels)]
            carried = self._carried_over(job, paths)
            if carried is not None:
                return carried
        return self._cut(job, paths)

    def _cut(self, job: Job, paths: list[str] | None) -> Written:
        """Cut a hit and write its files; ``paths``: theirs, where they are known."""
        before, cut = len(self.finisher.told), job.cut()
        pieces = pieces_of(job, cut.pieces, self.balance, self.bus)
        names = paths or [self.names.sample(job.hit, job.pick, piece.label) for piece in pieces]
        made = [self._file(job, piece, path) for piece, path in zip(pieces, names, strict=True)]
        sounds = {each.row.path: (each.sound, each.coding.sample_rate) for each in made}
        shot = replace(job.draft,
                       files=tuple(each.row for each, piece in zip(made, pieces, strict=True) if not piece.untouched),
                       untouched=tuple(each.row for each, piece in zip(made, pieces, strict=True) if piece.untouched))
        found = finished_measures((*shot.files, *shot.untouched), lambda file: sounds[file.path], shot.hit,
                                  self.homes[shot.drum], self.noise[job.hit.take], self.above_db)
        shot = (cut.home.measures() if found is None else found[1]).into(shot)
        shot = self._levelled(shot, [(file, sounds[file.path][0]) for file in shot.files], job.sample_rate)
        told = (*cut.told, *self.finisher.told[before:])
        self.told += told
        results = in_use()
        if results is not None and job.key is not None:
            results.put(SHOTS, job.key, Shot(
                job.draft.files, job.draft.fundamental_hz, self._finished_by(job, names), shot, told,
                tuple(each.coding for each in made), tuple(_digest(each.tags) for each in made)))
        return Written(shot, sounds)

    def _file(self, job: Job, piece: Piece, path: str) -> _Made:
        """Finish, measure, tag and write one file of a hit."""
        row, done = self.finisher.finished(piece, job.hit.drum, path)
        sound, coding = done.sound, Coding(done.subtype, done.sample_rate, len(done.samples))
        levels = loudness.measure(sound, done.sample_rate)
        row = replace(row, peak_dbfs=levels.peak_dbfs, true_peak_dbtp=levels.true_peak_dbtp,
                      momentary_lufs=levels.momentary_lufs, integrated_lufs=levels.integrated_lufs,
                      crest_db=descriptors.crest_db(sound),
                      brightness_hz=descriptors.brightness_hz(sound, done.sample_rate))
        tags = None if self.tags is None else self.tags.of_sample(job.draft, row, coding)
        row = replace(row, sha256=write_tagged(self._place(path), done.encoded(), tags),
                      time_reference=None if tags is None else tags.time_reference)
        return _Made(row, sound, coding, tags)

    def _carried_over(self, job: Job, paths: list[str]) -> Written | None:
        """The one-shot of an earlier build under the names it has now; None where it has to be cut."""
        results = in_use()
        known = None if results is None or job.key is None else results.get(SHOTS, job.key)
        if results is None or known is None or known.finished != self._finished_by(job, paths):
            return None
        sources = [lies.path for file in known.record.files if (lies := self.there.get(file.sha256)) is not None
                   and lies.is_there()]
        if len(sources) < len(known.record.files):
            return None
        draft, digests, files = job.draft, [], []
        rows = [mix_row(draft.files, self.balance, self.bus, draft.hit)] if self.bus else draft.files
        for row, file, path, source, coding, said in zip(rows, known.record.files, paths, sources, known.codings,
                                                         known.tags, strict=True):
            new = replace(file, path=path, hit=row.hit, grade=row.grade, bleed_db=row.bleed_db, plays=row.plays,
                          far=row.far)
            tags = None if self.tags is None else self.tags.of_sample(draft, new, coding)
            target = self._place(path)
            digests.append(_digest(tags))
            if tags is None or digests[-1] == said:
                link(source, target)
            else:
                digest = write_tagged(target, source.read_bytes(), tags)
                retagged(new.sha256, digest)
                new = replace(new, sha256=digest, time_reference=tags.time_reference)
            files.append(new)
        shot = replace(known.record, hit=draft.hit, drum=draft.drum, articulation=draft.articulation, layer=draft.layer,
                       round_robin=draft.round_robin, velocity=draft.velocity, grade=draft.grade,
                       close_only=draft.close_only, files=tuple(files))
        shot = self._levelled(shot, None, job.sample_rate)
        self.told += known.told
        changed = replace(known, rows=draft.files, record=shot, tags=tuple(digests))
        if changed != known:
            results.put(SHOTS, job.key, changed)
        return Written(shot)

    def _finished_by(self, job: Job, paths: list[str]) -> str:
        """All that makes a hit's files of its samples, apart from what the recipe says of files: dither knows a file by
        its path, and a mixdown is made by the balance.
        """
        plain = self.finisher.asked.plain
        return digest_of((() if plain else tuple(paths), self.finisher.gain_db.get(job.hit.drum, 0.0),
                          _mixed_by(job, self.balance) if self.bus else ()))

    def _levelled(self, shot: OneShot, parts: list[tuple[Sample, Floats]] | None, rate: int) -> OneShot:
        """A one-shot with the levels of its balanced sums; ``parts``: its files with their samples, None: to be read;
        ``rate``: Hz of its take.
        """
        rate = shot.files[0].sample_rate or rate

        def measured() -> mixdown.Levels:
            """From the samples at hand, or from the files."""
            if parts is not None:
                return mixdown.levelled(shot, parts, self.balance, rate)
            found = mixdown.with_levels(self.folder, [shot], self.balance, {shot.hit: rate})[0]
            return found.mix_db, found.mix_db if found.close_db is None else found.close_db

        key = tuple(mixdown.sum_key(each, self.balance) for each in (shot, mixdown.close(shot)))
        return mixdown.with_level(shot, recalled(LEVELS, key, measured))

    def print(self, made: Printed) -> tuple[Print, tuple[Floats, int]]:
        """Write a print; its row, and the samples in it with their rate. Raises as ``shot``."""
        row, asked = made.row, self.finisher.asked
        path = row.path
        bits = BITS.get(made.subtype)
        done = Finished(path, made.x if bits is None else fit(made.x * 2.0**31, bits), made.sample_rate, made.subtype)
        if not asked.plain:
            done = self.finisher.converted(done.sound, made.sample_rate, made.subtype, path, 0.0, asked.sample_rate)
        x, rate = done.sound, done.sample_rate
        levels = loudness.measure(x, rate)
        fade_out = None if row.fade_out_frames is None else min(round(row.fade_out_frames * done.ratio), x.shape[1])
        row = replace(row, path=path, frames=x.shape[1], offset_frames=round(row.offset_frames * done.ratio),
                      first_excursion=first_excursion(x.sum(axis=0), sample_rate=rate), fade_out_frames=fade_out,
                      sample_rate=None if asked.plain else rate, peak_dbfs=levels.peak_dbfs,
                      true_peak_dbtp=levels.true_peak_dbtp, momentary_lufs=levels.momentary_lufs)
        tags = None if self.tags is None else self.tags.of_print(row, Coding(done.subtype, rate, len(x)))
        row = replace(row, sha256=write_tagged(self._place(path), done.encoded(), tags),
                      time_reference=None if tags is None else tags.time_reference)
        return row, (x, rate)

    def _place(self, path: str) -> Path:
        """Where a file goes; its folder is there."""
        place = self.folder / path
        place.parent.mkdir(parents=True, exist_ok=True)
        return place


def peaks(jobs: Iterable[Job], finisher: Finisher, balance: Mapping[str, Fader],
          bus: tuple[Mic, ...]) -> Iterator[tuple[str, float]]:
    """Drum and true peak (dB) of every file there will be, before any trim; ``balance`` and ``bus`` as in ``Files``."""
    for job in jobs:
        def measured(job: Job = job) -> tuple[float, ...]:
            """Of the files of one hit."""
            return tuple(finisher.peak_db(piece) for piece in pieces_of(job, job.cut().pieces, balance, bus))

        key = (job.key, _mixed_by(job, balance) if bus else ())
        for peak in measured() if job.key is None else recalled(PEAKS, key, measured):
            yield job.hit.drum, peak


def pieces_of(job: Job, pieces: tuple[Piece, ...], balance: Mapping[str, Fader],
              bus: tuple[Mic, ...]) -> tuple[Piece, ...]:
    """What of a hit's files as cut goes into the kit: all, or their mixdown."""
    return (mixed(pieces, balance, bus, job.hit.id),) if bus else pieces


def _mixed_by(job: Job, balance: Mapping[str, Fader]) -> Hashable:
    """What a hit's mixdown depends on apart from its files."""
    return tuple((row.mics, row.plays, tuple(balance.get(mic) for mic in row.mics)) for row in job.draft.files)


def _digest(tags: Tags | None) -> str:
    """By which tags are known; empty for none."""
    return "" if tags is None else digest_of(tags)
