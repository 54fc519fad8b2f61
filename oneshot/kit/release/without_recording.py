"""A kit without the traces of its recording: what it takes to play and to verify it, and no more.

Takes are numbered, positions in them are zero, and what was merely found in the recording is gone: hits that no file
has, tables of bleed and delays, settings, problems, the paths of the session's files. Sound files keep every sample;
their tags lose the place in the take.
"""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from oneshot.audio.io import read_header
from oneshot.audio.tags import Tags, history_of, write_tags
from oneshot.core.files import sha256_of
from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import Kit, OneShot, Print, Sample, TakeNoise, kit_info
from oneshot.core.records.session import Session, Take
from oneshot.cutting.file_tags import Coding, FileTags
from oneshot.kit.contents import RECIPE, sounds
from oneshot.kit.export import hits_csv, manifest, midi
from oneshot.kit.report import PAGE

STAY_HOME = (hits_csv.NAME, RECIPE, PAGE)
"""Files of a kit that tell of the recording; so do the performances of its takes."""


def without_recording(kit: Kit) -> Kit:
    """The kit without what its recording alone tells. Names of mics stay: files and balance are called by them."""
    used = {hit for shot in kit.one_shots for hit in (shot.hit, *(f.hit for f in (*shot.files, *shot.untouched)))}
    used |= {each.hit for each in kit.prints}
    hits = [hit for hit in kit.hits if hit.id in used]
    mine = {hit.take for hit in hits}
    takes = {take.name: f"take {number}" for number, take in enumerate(
        (take for take in kit.session.takes if take.name in mine), start=1)}
    mics = {name for shot in kit.one_shots for file in (*shot.files, *shot.untouched)
            for name in (*file.mics, *file.mix_of)}
    mics |= {name for each in kit.prints for name in each.mics} | {drum.home for drum in kit.drums}
    info = kit_info(kit)
    return Kit(
        session=Session(str(info["name"]), kit.session.root,
                        tuple(_take(take, takes[take.name], mics) for take in kit.session.takes if take.name in takes)),
        generator=kit.generator,
        recipe={"kit": {name: "" if said is None else said for name, said in info.items()}, **_cut(kit)},
        noise=tuple(TakeNoise(takes[each.take], _some(each.noise_dbfs, mics)) for each in kit.noise
                    if each.take in takes),
        polarity={takes[name]: _some(row, mics) for name, row in kit.polarity.items() if name in takes},
        balance=_some(kit.balance, mics), drums=kit.drums, bleed={}, delays_ms={},
        hits=tuple(_hit(hit, takes[hit.take], mics) for hit in hits),
        one_shots=tuple(replace(shot, files=tuple(map(_sample, shot.files)),
                                untouched=tuple(map(_sample, shot.untouched))) for shot in kit.one_shots),
        prints=tuple(replace(each, source_start=0, time_reference=None if each.time_reference is None else 0)
                     for each in kit.prints))


def _some(table: Mapping[str, Any], names: set[str]) -> dict[str, Any]:
    """The rows of a table that have one of those names."""
    return {name: value for name, value in table.items() if name in names}


def _take(take: Take, name: str, mics: set[str]) -> Take:
    return replace(take, name=name, frames=0, ignored=(), mics=tuple(replace(mic, sources=()) for mic in take.mics
                                                                     if mic.name in mics))


def _cut(kit: Kit) -> dict[str, Any]:
    """The one setting by which a tail is measured again."""
    cutting = kit.recipe.get("cut")
    known = isinstance(cutting, Mapping) and "above_noise_db" in cutting
    return {"cut": {"above_noise_db": cutting["above_noise_db"]}} if known else {}  # type: ignore[index]


def _hit(hit: Hit, take: str, mics: set[str]) -> Hit:
    """A hit by its drum, articulation and level; not where it lies, nor what lies around it."""
    return Hit(hit.id, take, 0, {}, hit.drum, hit.articulation, hit.confidence, hit.level_db, {}, hit.isolated,
               tuple(name for name in hit.usable if name in mics), layer=hit.layer, kept=hit.kept,
               fallback=hit.fallback)


def _sample(sample: Sample) -> Sample:
    return replace(sample, source_start=0, nudged_frames=0,
                   time_reference=None if sample.time_reference is None else 0)


# -------------------------------------------------------------------------------------------------------------- files


def bare_files(folder: Path, stage: Path, kit: Kit) -> tuple[Kit, dict[str, Path]]:
    """What takes the place of a kit's own files in a pack: the kit with the sums of its sound files as they are there,
    and name -> path of these and of what else tells of the recording otherwise.

    ``folder``: where the kit lies; ``stage``: an empty folder for what is written; ``kit``: as ``without_recording``
    gives it. Raises AudioError where a sound file cannot be read, OSError where the disk refuses.
    """
    tags = FileTags(kit.session, kit.hits, kit.drums, kit.recipe, {}, kit.generator)
    for name in sounds(kit):
        (stage / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(folder / name, stage / name)

    def summed(row: Sample | Print, made: Tags | None) -> str:
        """The sum of a file with its tags, which keep nothing but what was done to it."""
        path = stage / row.path
        digest = None if made is None else write_tags(path, replace(made, history=history_of(path), time_reference=0))
        return digest or sha256_of(path)

    def of_shot(shot: OneShot, file: Sample) -> Sample:
        """The row of a sample with its sum."""
        made = None if file.time_reference is None else tags.of_sample(shot, file, _coding(stage / file.path))
        return replace(file, sha256=summed(file, made))

    def of_print(each: Print) -> Print:
        """The row of a print with its sum."""
        made = None if each.time_reference is None else tags.of_print(each, _coding(stage / each.path))
        return replace(each, sha256=summed(each, made))

    kit = replace(kit, one_shots=tuple(
        replace(shot, files=tuple(of_shot(shot, file) for file in shot.files),
                untouched=tuple(of_shot(shot, file) for file in shot.untouched)) for shot in kit.one_shots),
        prints=tuple(map(of_print, kit.prints)))
    names = sounds(kit)
    if kit.one_shots:
        midi.write(kit, stage)
        names += [midi.WALK, midi.KEYS]
    return kit, {name: stage / name for name in names}


def _coding(path: Path) -> Coding:
    header = read_header(path)
    return Coding(header.subtype, header.sample_rate, header.channels)


def document(kit: Kit) -> dict[str, Any]:
    """The manifest of such a kit, which says that it is one."""
    return {**manifest.to_json(kit), "recording_details": False}
