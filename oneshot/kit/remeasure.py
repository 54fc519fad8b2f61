"""Outside: a finished kit whose files went through other software, measured and mapped again.

Somebody has equalised, compressed or levelled the files of a kit and kept their names. Every file is measured anew, and
what follows from that is made anew: the velocities that ask for each layer, the levels in all mappings, the tables and
the page. What the recording alone could tell stays with the hits; of a changed file nothing vouches for bleed or grade
any more, nor for its being the source's own samples, and its row says so.

Software may lay a file late. Where there is something to compare with, the file before or the recording itself, that is
told to the frame (``cutting/mix/fit.py``). Files of one one-shot start together, so that all of them must lie late
alike; then the attack lies later in them by so much. ``align`` takes it out of the files instead.
"""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

from oneshot.audio import descriptors, loudness
from oneshot.audio.io import TakeReader, is_float, read_audio, read_header, write_sound
from oneshot.audio.tags import history_of, write_tags
from oneshot.config import release_lock
from oneshot.config.recipe_file import load_recipe
from oneshot.core.errors import KitError
from oneshot.core.files import inside, link, sha256_of, staged_folder
from oneshot.core.kit_lock import held
from oneshot.core.records.kit import Fader, Kit, OneShot, Print, Sample
from oneshot.core.records.session import Floats, Problem, collect
from oneshot.cutting.file_tags import Coding, FileTags
from oneshot.cutting.mix import balance as balancing
from oneshot.cutting.mix import mixdown
from oneshot.cutting.mix.fit import cross_correlation
from oneshot.kit.contents import EDITED, kept_of, sounds
from oneshot.kit.export import write_all
from oneshot.kit.file_measures import home_measures
from oneshot.kit.read import read_kit
from oneshot.kit.report import write_report
from oneshot.selection.velocity_layers import velocity_ranges

PAD_S = 0.05
"""Software that lays a file later than this has added silence, no latency."""
PROMINENT = 8.0
LIKE = 0.5
"""A likeness stands out where its peak is this many times its own rms; half of all is enough anyway."""
ALIKE_FRAMES = 1
"""An equaliser's turn of phase reads as a frame at most."""
LEVEL_DB = 0.05
"""Of a layer's mix: what moves less has not moved."""


@dataclass(frozen=True, slots=True)
class Changed:
    """One file that is not the one that was built: momentary loudness against before (dB), and by how many frames it
    lies late; None where either cannot be told. ``aligned``: that was taken out of it.
    """

    path: str
    level_db: float | None
    latency_frames: int | None
    aligned: bool = False


@dataclass(frozen=True, slots=True)
class Remeasured:
    """What became of a kit: how many files it has, those that had changed, by how many dB each layer's mix moved, and
    what is to be told.
    """

    folder: Path
    files: int
    changed: tuple[Changed, ...]
    moved_db: Mapping[str, float] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()


def record(made: Remeasured) -> dict[str, Any]:
    """As plain types, for programs."""
    return {"kit": str(made.folder), "files": made.files, "changed": [asdict(each) for each in made.changed],
            "moved_db": dict(made.moved_db), "problems": [asdict(problem) for problem in made.problems]}


def remeasure(folder: Path, *, source: Path | None = None, session: Path | None = None,
              align: bool = False) -> Remeasured:
    """Measure a kit's files again and make everything that follows from them anew; the kit is replaced as a whole.

    ``source``: where the processed files lie under the names of the kit's, else they lie in the kit itself;
    ``session``: the folder of its recordings, to compare with; ``align``: take latencies out of the files. Raises
    KitError where a file lacks, is of another rate, length or number of channels, holds no numbers, or lies late by
    other frames than those of its one-shot; AudioError where one cannot be read; WorkError, SettingsError.
    """
    with held(folder, "a remeasure"):
        kit = read_kit(folder)
        found = _changed_files(folder, kit, source)
        if not found:
            return Remeasured(folder, _count(kit), ())
        return _remeasure(folder, kit, found, session, align=align)


def _remeasure(folder: Path, kit: Kit, found: Mapping[str, Path], session: Path | None, *, align: bool) -> Remeasured:
    """As ``remeasure``, of a kit that is held; ``found``: path in it -> the file that takes its place."""
    recipe, _ = load_recipe(folder / "recipe.toml" if (folder / "recipe.toml").exists() else None)
    before = {shot.hit: shot.mix_db for shot in kit.one_shots}
    kept = kept_of(folder)
    with staged_folder(folder, kept.settle) as stage:
        _copy(folder, stage, kit)
        for path, new in found.items():
            (stage / path).unlink(missing_ok=True)
            shutil.copy2(new, stage / path)  # never a link: what lies outside stays its owner's to write into
        work = _Work(folder, stage, kit, found, session, align)
        shots = tuple(work.shot(shot) for shot in kit.one_shots)
        prints = tuple(work.print(each) for each in kit.prints)
        rates = {hit.id: kit.session.take(hit.take).sample_rate for hit in kit.hits}
        shots = mixdown.with_levels(stage, shots, kit.balance, rates)
        shots, moved, told = _ranges(replace(kit, one_shots=shots), before, release_lock.read(folder) is not None)
        balance = balancing.override(_trimmed(stage, kit, shots), recipe.balance)[0]
        if balance != kit.balance:
            shots = mixdown.with_levels(stage, shots, balance, rates)
        kit = replace(kit, balance=balance, prints=prints, one_shots=shots, problems=collect([*work.told, *told]))
        write_all(kit, stage)
        write_report(kit, stage)
        kept.into(stage)
    return Remeasured(folder, _count(kit), tuple(work.changed), moved, collect([*kit.problems, *kept.told]))


def _count(kit: Kit) -> int:
    return len(_rows(kit))


def _rows(kit: Kit) -> list[Sample | Print]:
    """Everything that a kit lists with a file of its own."""
    return [*(file for shot in kit.one_shots for file in (*shot.files, *shot.untouched)), *kit.prints]


# ---------------------------------------------------------------------------------------------------------------- files


def _changed_files(folder: Path, kit: Kit, source: Path | None) -> dict[str, Path]:
    """Path in the kit -> the file that takes its place, for each that is not the one that was built."""
    if source is not None and not source.is_dir():
        raise KitError(f"{source}: no such folder of processed files")
    there = {} if source is None else _by_name(source)
    rates = {hit.id: kit.session.take(hit.take).sample_rate for hit in kit.hits}
    out: dict[str, Path] = {}
    wrong: list[str] = []
    for row in _rows(kit):
        new = inside(folder, row.path) if source is None else there.get(row.path, there.get(Path(row.path).name))
        if new is None or not new.is_file():
            if source is None:
                raise KitError(f"{folder / row.path}: is missing; build the kit again, or put it back")
            continue
        if sha256_of(new) == row.sha256:
            continue
        wrong += _faults(new, row, row.sample_rate or rates[row.hit])
        out[row.path] = new
    if source is not None and not out and not any(row.path in there or Path(row.path).name in there
                                                  for row in _rows(kit)):
        raise KitError(f"{source}: has no file named like one of the kit: keep the names")
    if wrong:
        raise KitError(wrong[0] + (f" ({len(wrong) - 1} more like it)" if len(wrong) > 1 else ""))
    return out


def _by_name(source: Path) -> dict[str, Path]:
    """Files of a folder by their path from it, and by their name alone where only one has it."""
    files = sorted(path for path in source.rglob("*") if path.is_file())
    names = [path.name for path in files]
    return {**{path.name: path for path in files if names.count(path.name) == 1},
            **{path.relative_to(source).as_posix(): path for path in files}}


def _faults(new: Path, row: Sample | Print, rate: int) -> list[str]:
    """What keeps a processed file from taking its place."""
    header = read_header(new)
    if isinstance(row, Sample) and header.channels != len(row.mics):
        return [f"{new} has {header.channels} channels, the kit's file {len(row.mics)}: keep the number of channels"]
    if header.sample_rate != rate:
        return [f"{new} is at {header.sample_rate} Hz, the kit's file at {rate} Hz: keep the rate"]
    if header.frames != row.frames:
        return [f"{new} holds {header.frames} frames, the kit's file {row.frames}: cut it to that length"]
    if not np.isfinite(read_audio(new)[0]).all():
        return [f"{new} has NaN or infinite samples: process it again"]
    return []


def _copy(folder: Path, stage: Path, kit: Kit) -> None:
    """Everything of a kit's own that is not made again, into ``stage``; sounds as links where the disk can."""
    for name in sounds(kit):
        (stage / name).parent.mkdir(parents=True, exist_ok=True)
        link(folder / name, stage / name)
    for name in (*EDITED, release_lock.NAME):
        if (folder / name).is_file():
            shutil.copy2(folder / name, stage / name)


# -------------------------------------------------------------------------------------------------------------- samples


@dataclass(slots=True)
class _Work:
    """Measures a kit's files in ``stage``. ``folder`` holds the files as they were, where others took their place."""

    folder: Path
    stage: Path
    kit: Kit
    found: Mapping[str, Path]
    session: Path | None
    align: bool
    changed: list[Changed] = field(default_factory=list)
    told: list[Problem] = field(default_factory=list)
    _tags: FileTags = field(init=False)

    def __post_init__(self) -> None:
        kit = self.kit
        self._tags = FileTags(kit.session, kit.hits, kit.drums, kit.recipe, kit.tracks, kit.generator)

    def shot(self, shot: OneShot) -> OneShot:
        """A one-shot, what changed of it measured anew. Raises KitError where its files no longer start together."""
        every = (*shot.files, *shot.untouched)
        mine = [each for each in every if each.path in self.found]
        if not mine:
            return shot
        late = {each.path: self._latency(each) for each in mine}
        lates = [frames for frames in late.values() if frames is not None]
        lates += [0] * (len(every) - len(mine))
        lag = 0 if self.align or not lates else round(median(lates))
        if not self.align and lates and max(lates) - min(lates) > ALIKE_FRAMES:
            worst = max(late, key=lambda path: abs(late[path] or 0))
            raise KitError(f"{worst} is {late[worst]} frames late, other files of its one-shot "
                           f"{min(lates, key=abs)}: they must be in sync. Process all of them alike, or use "
                           "--align to remove the latency")
        lag = 0 if abs(lag) <= ALIKE_FRAMES else lag
        shot = replace(shot, files=tuple(self._late(each, lag) for each in shot.files),
                       untouched=tuple(self._late(each, lag) for each in shot.untouched))
        files = tuple(self._sample(shot, each, late) for each in shot.files)
        untouched = tuple(self._sample(shot, each, late) for each in shot.untouched)
        shot = replace(shot, files=files, untouched=untouched)
        take = next(hit.take for hit in self.kit.hits if hit.id == shot.hit)
        home = home_measures(self.stage, self.kit, shot, take)
        return shot if home is None or home[0].path not in late else home[1].into(shot)

    def _late(self, sample: Sample, lag: int) -> Sample:
        """A sample whose sound lies later in its file: the frames of the take are the same, its own are not."""
        if not lag:
            return sample
        take = self.kit.session.take(next(hit.take for hit in self.kit.hits if hit.id == sample.hit))
        if sample.onset_frame + lag < 0 or sample.onset_frame + lag >= sample.frames:
            raise KitError(f"{sample.path} is {lag} frames late, so that its attack is outside the file")
        moved = round(lag * take.sample_rate / (sample.sample_rate or take.sample_rate))
        at = None if sample.time_reference is None else max(sample.time_reference - lag, 0)
        return replace(sample, onset_frame=sample.onset_frame + lag, source_start=sample.source_start - moved,
                       fade_in_frames=min(sample.fade_in_frames, sample.onset_frame + lag), time_reference=at)

    def _sample(self, shot: OneShot, sample: Sample, late: Mapping[str, int | None]) -> Sample:
        """One file measured anew, if it changed."""
        if sample.path not in self.found:
            return sample
        path, lag = self.stage / sample.path, late[sample.path]
        aligned = self.align and lag is not None and abs(lag) > ALIKE_FRAMES
        before = history_of(self.found[sample.path]) or history_of(self.folder / sample.path)
        if aligned and lag is not None:
            x, header = read_audio(path)
            path.unlink()
            write_sound(path, _moved(x, -lag), header.sample_rate, header.subtype if is_float(header.subtype)
                        or header.subtype in ("PCM_16", "PCM_24", "PCM_32") else "PCM_24")
        x, header = read_audio(path)
        levels = loudness.measure(x, header.sample_rate)
        louder = None if levels.momentary_lufs is None or sample.momentary_lufs is None else \
            round(levels.momentary_lufs - sample.momentary_lufs, 2)
        told = {"level_db": _added(sample.outside.get("level_db"), louder),
                "latency_frames": lag, **({"aligned": True} if aligned else {})}
        self.changed.append(Changed(sample.path, louder, lag, aligned))
        self._tell(sample, x, lag)
        new = replace(sample, peak_dbfs=levels.peak_dbfs, true_peak_dbtp=levels.true_peak_dbtp,
                      momentary_lufs=levels.momentary_lufs, integrated_lufs=levels.integrated_lufs, bleed_db=None,
                      processed="outside", outside=told, recovering_db=None, crest_db=descriptors.crest_db(x),
                      brightness_hz=descriptors.brightness_hz(x, header.sample_rate))
        digest = None
        if sample.time_reference is not None:
            coding = Coding(header.subtype, header.sample_rate, header.channels)
            digest = write_tags(path, self._tags.of_processed(shot, new, coding, before))
        return replace(new, sha256=digest or sha256_of(path))

    def _tell(self, sample: Sample, x: Floats, lag: int | None) -> None:
        """What there is to say of a changed file."""
        if lag is None:
            self.told.append(Problem(sample.path, "its latency cannot be measured: nothing similar to compare it with",
                                     "name the recordings with --session"))
        ends = 20 * np.log10(max(float(np.abs(x[:, [0, -1]]).max()), 1e-9))
        if ends > ENDS_DBFS:
            self.told.append(Problem(sample.path, f"no longer starts and ends in silence: {ends:.0f} dBFS at an end "
                                                  "clicks", "fade it after processing"))

    def print(self, each: Print) -> Print:
        """A print, measured anew if it changed."""
        if each.path not in self.found:
            return each
        x, header = read_audio(self.stage / each.path)
        levels = loudness.measure(x, header.sample_rate)
        louder = None if levels.momentary_lufs is None or each.momentary_lufs is None else \
            round(levels.momentary_lufs - each.momentary_lufs, 2)
        self.changed.append(Changed(each.path, louder, None))
        return replace(each, peak_dbfs=levels.peak_dbfs, true_peak_dbtp=levels.true_peak_dbtp,
                       momentary_lufs=levels.momentary_lufs, sha256=sha256_of(self.stage / each.path),
                       first_excursion=balancing.first_excursion(x.sum(axis=0), sample_rate=header.sample_rate),
                       time_reference=None)

    # ------------------------------------------------------------------------------------------------------- latency

    def _latency(self, sample: Sample) -> int | None:
        """Frames by which a changed file lies later than it did; None where that cannot be told."""
        before = self._before(sample)
        if before is None:
            return None
        x, header = read_audio(self.stage / sample.path)
        pad = round(PAD_S * header.sample_rate)
        wide = np.pad(x, ((0, 0), (pad, pad)))
        curve = np.abs(np.mean([cross_correlation(wide[k], before[k:k + 1])[0] for k in range(len(x))], axis=0))
        if curve.max() < LIKE and curve.max() <= PROMINENT * float(np.sqrt((curve**2).mean())):
            return None
        return int(curve.argmax()) - pad

    def _before(self, sample: Sample) -> Floats | None:
        """A file as it was: the kit's own where another took its place, else what was recorded there."""
        old = self.folder / sample.path
        if self.found[sample.path].resolve() != old.resolve() and old.is_file() and sha256_of(old) == sample.sha256:
            return read_audio(old)[0]
        take = self.kit.session.take(next(hit.take for hit in self.kit.hits if hit.id == sample.hit))
        sources = [source for name in sample.mics for source in take.mic(name).sources]
        rate = sample.sample_rate or take.sample_rate
        if self.session is None or not sources or rate != take.sample_rate or "tail" in sample.repaired:
            return None
        root = self.session
        if not all((root / source.path).is_file() for source in sources):
            return None
        start = sample.source_start + sample.shift_frames
        with TakeReader(root, take, sample.mics, dtype="float64") as reader:
            out: Floats = reader.read(start, start + sample.frames)
        return out


ENDS_DBFS = -60.0
"""A first or last sample above this is heard as a click on its own (common practice, no source)."""


def _added(before: object, more: float | None) -> float | None:
    """What was told before and what came to it."""
    return more if more is None or not isinstance(before, int | float) else round(before + more, 2)


def _moved(x: Floats, frames: int) -> Floats:
    """The same file, its sound later by so many frames (earlier where negative); silence comes in."""
    out = np.zeros_like(x)
    if frames >= 0:
        out[:, frames:] = x[:, : x.shape[1] - frames]
    else:
        out[:, :frames] = x[:, -frames:]
    return out


# --------------------------------------------------------------------------------------------------------------- levels


def _trimmed(stage: Path, kit: Kit, shots: Sequence[OneShot]) -> dict[str, Fader]:
    """The balance, lowered as a whole where the hardest kick, snare and crash struck together would pass -6 dBTP."""
    kinds = {drum.name: drum.kind for drum in kit.drums}
    hardest: list[dict[str, Floats]] = []
    rates = [take.sample_rate for take in kit.session.takes]
    for drum in sorted({shot.drum for shot in shots if kinds.get(shot.drum) in balancing.LOUD_KINDS}):
        mine = [shot for shot in shots if shot.drum == drum and shot.mix_db is not None]
        if mine:
            loud = max(mine, key=lambda shot: (shot.mix_db or 0.0, -shot.hit))
            audio: dict[str, Floats] = {}
            for file in loud.files:
                x, header = read_audio(stage / file.path)
                sign = -1.0 if file.inverted else 1.0
                audio.update({mic: sign * row[file.onset_frame : file.onset_frame + header.sample_rate]
                              for mic, row in zip(file.mics, x, strict=True)})
            hardest.append(audio)
    return balancing.trim(kit.balance, hardest, sample_rate=rates[0])


def _ranges(kit: Kit, before: Mapping[int, float | None],
            frozen: bool) -> tuple[tuple[OneShot, ...], dict[str, float], list[Problem]]:
    """The one-shots with the velocities that ask for their layers now, by how many dB each layer's mix moved, and what
    to tell.

    A layer's level was that of its strokes; it moves by what processing did to its mix. A released kit keeps its
    velocities.
    """
    levels = {hit.id: hit.level_db for hit in kit.hits}
    groups: dict[tuple[str, str], dict[int, list[OneShot]]] = {}
    for shot in kit.one_shots:
        groups.setdefault((shot.drum, shot.articulation), {}).setdefault(shot.layer, []).append(shot)
    velocities: dict[tuple[str, str, int], tuple[int, int]] = {}
    moved: dict[str, float] = {}
    told: list[Problem] = []
    for (drum, way), layers in groups.items():
        now: list[float] = []
        for number in sorted(layers):
            steps = [shot.mix_db - old for shot in layers[number]
                     if shot.mix_db is not None and (old := before.get(shot.hit)) is not None]
            own = [level for shot in layers[number] if (level := levels.get(shot.hit)) is not None]
            step = median(steps) if steps else 0.0
            if abs(step) >= LEVEL_DB:
                moved[f"{drum}, {way}, layer {number}"] = round(step, 2)
            now.append((median(own) if own else 0.0) + step)
        for number, softer, harder in zip(sorted(layers)[1:], now, now[1:], strict=False):
            if harder < softer - LEVEL_DB:
                told.append(Problem(f"{drum}, {way}", f"layer {number} is now {softer - harder:.1f} dB softer than "
                                    "the layer below; mappings raise it to that level",
                                    "process all layers alike"))
        if frozen or not any(name.startswith(f"{drum}, {way}, layer") for name in moved):
            continue
        rising = np.maximum.accumulate(now).tolist()
        for number, velocity in zip(sorted(layers), velocity_ranges(rising), strict=True):
            velocities[drum, way, number] = velocity
    shots = tuple(replace(shot, velocity=velocities.get((shot.drum, shot.articulation, shot.layer), shot.velocity))
                  for shot in kit.one_shots)
    if frozen and moved:
        told.append(Problem("released.json", "the kit is locked to a release: its layers keep their velocities, "
                                             "whatever their levels are now", "nothing, if that is right"))
    return shots, moved, told
