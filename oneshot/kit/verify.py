"""Measures every file of a kit again and holds it against the manifest.

``verify_kit`` reads a kit folder and nothing else: its manifest's shape, each sound file's bytes, form and levels, its
quiet ends, what lies there unlisted, and whether the mapping plays every file at every velocity. What it finds is a
list of differences; an empty list means that the kit is what its manifest says.
"""

from __future__ import annotations

import json
import re
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from oneshot.audio.descriptors import brightness_hz, crest_db
from oneshot.audio.io import read_audio
from oneshot.audio.loudness import measure
from oneshot.audio.tags import loudness_fields, read_back
from oneshot.core.bounded_text import read_bounded
from oneshot.core.bounded_zip import MOST_TEXT, ZipError, opened
from oneshot.core.errors import AudioError, KitError
from oneshot.core.files import file_inside, inside, sha256_of
from oneshot.core.records.session import Floats
from oneshot.core.text import shortened
from oneshot.kit.contents import SUMS, WITH_PACK, entries, published, read_sums
from oneshot.kit.export import hits_csv, manifest, readme, sfz
from oneshot.kit.export.shape import faults
from oneshot.kit.file_measures import print_findings, shot_findings
from oneshot.kit.read import read_kit, read_manifest

LEVEL_TOLERANCE_DB = 0.02
"""The manifest rounds to 0.01 dB; the rest is arithmetic of other machines."""
EDGE_DB = 12.0
"""A noise's peak against its rms: an end above the mic's noise floor by more than this would click."""
QUIET_DBFS = -90.0
"""An end below this is never a click, whatever the noise floor."""
ENDS_DBFS = -60.0
"""The same for files that were processed after they were cut. (common practice, no source)"""
FOLDERS = ("samples", "prints")
BESIDE = (manifest.SCHEMA_NAME, readme.NAME)
DETAILS = (hits_csv.NAME, "recipe.toml", "report.html")
"""What lies beside the samples, and what does unless a pack leaves the details of its recording out."""


@dataclass(frozen=True, slots=True, order=True)
class Difference:
    """One thing that is not as the manifest says. ``path``: from the kit folder, or a place inside the manifest."""

    path: str
    what: str
    expected: str
    found: str


def verify(path: Path) -> list[Difference]:
    """All differences between a kit, a folder or the zip of a packed one, and its manifest; empty for a sound kit.

    Raises KitError where it is no kit of ours, its manifest is no JSON, or the zip cannot be read.
    """
    if not path.is_file():
        return verify_kit(path)
    with tempfile.TemporaryDirectory(prefix="oneshot-") as stage:
        folder = _unpacked(path, Path(stage))
        if not (folder / manifest.NAME).exists() and (folder / SUMS).is_file():
            return verify_recordings(folder)
        return sorted({*verify_kit(folder), *_added(folder)})


def _added(folder: Path) -> Iterator[Difference]:
    """Files in the folder of a packed kit that no kit or pack of ours has, or that its list of sums does not name."""
    kit = read_kit(folder)
    known = {*published(kit), *WITH_PACK}
    if (folder / SUMS).is_file():
        known &= {SUMS, *(name for name, _ in read_sums(folder))}
    for name in entries(folder):
        if name not in known:
            yield Difference(name, "file", "part of the kit", "added")


def _unpacked(path: Path, stage: Path) -> Path:
    """The one folder of a zip, taken out into ``stage``. Raises KitError."""
    try:
        with opened(path) as pack:
            names = pack.names
            tops = {name.split("/")[0] for name in names}
            if len(tops) != 1 or any(".." in name.split("/") for name in names):
                raise KitError(f"{path}: not a zip written by oneshot pack: it has more than one folder")
            if not pack.plain or any(part in ("", ".") for name in names for part in name.rstrip("/").split("/")):
                raise KitError(f"{path}: not a zip written by oneshot pack: it holds more than files")
            if len(set(names)) != len(names):
                raise KitError(f"{path}: not a zip written by oneshot pack: it has two files of one name")
            pack.unpack(stage)
    except ZipError as error:
        raise KitError(f"{path}: cannot be read as a zip ({error}); download or pack it again") from None
    return stage / tops.pop()


def verify_recordings(folder: Path) -> list[Difference]:
    """All differences between the unpacked recordings of a session and the list of sums they came with."""
    listed = {SUMS, *(name for name, _ in read_sums(folder))}
    more = [Difference(path.relative_to(folder).as_posix(), "file", f"listed in {SUMS}", "not listed")
            for path in folder.rglob("*") if path.is_file() and path.relative_to(folder).as_posix() not in listed]
    return sorted({*_sums(folder), *more})


def verify_kit(folder: Path) -> list[Difference]:
    """All differences between a kit's folder and its manifest, sorted by path; empty for a sound kit.

    Raises KitError where the folder is no kit of ours or its manifest is no JSON.
    """
    document = read_manifest(folder)
    found = [Difference(f"{manifest.NAME}: {place or 'top'}", "shape", "as manifest.schema.json says", what)
             for place, what in faults(document, json.loads(manifest.schema_text()))]
    if found:  # what does not have the right shape cannot be read any further
        return sorted(found)
    noise = {(take["name"], mic["name"]): mic["noise_dbfs"]
             for take in document["session"]["takes"] for mic in take["mics"]}
    rates = {take["name"]: take["sample_rate"] for take in document["session"]["takes"]}
    takes = {hit["id"]: hit["take"] for hit in document["hits"]}
    for shot in document["one_shots"]:
        found += _attack(shot)
        for file in _every(shot):
            take = takes.get(file["hit"])
            mixed = file.get("mix_of", [])
            quiet = _noise_dbfs(document["balance"] if mixed else {},
                                {mic: noise.get((take, mic)) for mic in mixed or file["mics"]})
            if file.get("processed") == "outside":  # what is left at an end was told when it was measured again
                quiet = max(quiet, ENDS_DBFS - EDGE_DB)
            rate = file.get("sample_rate", rates.get(take))
            found += _sound(folder, file, rate, len(file["mics"]), quiet)
    keys = {(drum["name"], way["name"]): way["key"] for drum in document["drums"] for way in drum["articulations"]}
    for row, stroke in [*((file, shot) for shot in document["one_shots"]
                          for file in (*shot["files"], *shot.get("untouched", []))),
                        *((each, each) for each in document["prints"])]:
        found += _tags(folder / row["path"], row["path"], row, keys.get((stroke["drum"], stroke["articulation"])))
    for each in document["prints"]:
        found += _sound(folder, each, each.get("sample_rate", rates.get(takes.get(each["hit"]))), None, None)
    found += _again(folder)
    found += _listing(folder, document)
    found += _sums(folder)
    if (folder / SUMS).is_file():  # a pack that was unpacked
        found += _added(folder)
    found += _layers(document)
    if document["one_shots"]:
        found += _mapping(folder, document)
    return sorted(set(found))


def _again(folder: Path) -> Iterator[Difference]:
    """What the rows of one-shots and prints say of their sound, measured again."""
    kit = read_kit(folder)
    takes = {hit.id: hit.take for hit in kit.hits}
    for shot in kit.one_shots:
        if shot.hit in takes:
            yield from (Difference(*each) for each in shot_findings(folder, kit, shot, takes[shot.hit]))
    for item in kit.prints:
        yield from (Difference(*each) for each in print_findings(folder, item))


def _noise_dbfs(balance: Mapping[str, Any], noise: Mapping[str, float | None]) -> float:
    """Noise floor of a file: of its loudest mic, or of all of them added up by a mixdown's balance."""
    known = {mic: QUIET_DBFS if level is None else level for mic, level in noise.items()}
    if not balance:
        return max(known.values(), default=QUIET_DBFS)
    return float(10 * np.log10(sum(10 ** ((level + balance.get(mic, {}).get("gain_db", 0.0)) / 10)
                                   for mic, level in known.items())))


def _sound(folder: Path, row: Mapping[str, Any], rate: int | None, channels: int | None,
           quiet_dbfs: float | None) -> Iterator[Difference]:
    """One sound file against its row."""
    name = row["path"]
    path = folder / name
    if not path.is_file():
        yield Difference(name, "file", "present", "missing")
        return
    digest = sha256_of(path)
    if digest != row["sha256"]:
        yield Difference(name, "sha256", row["sha256"], digest)
    try:
        x, header = read_audio(path)
    except AudioError as error:
        yield Difference(name, "sound", "readable", str(error).replace(f"{path}: ", ""))
        return
    form = (("frames", row["frames"], header.frames), ("sample rate", rate, header.sample_rate),
            ("channels", channels, header.channels))
    yield from (Difference(name, what, str(want), str(got)) for what, want, got in form if want not in {None, got})
    if not np.isfinite(x).all():
        yield Difference(name, "samples", "all finite", "NaN or infinite")
        return
    levels = measure(x, header.sample_rate)
    yield from (Difference(name, what, _db(row[what]), _db(got)) for what, got, near in (
        ("crest_db", crest_db(x), LEVEL_TOLERANCE_DB), ("brightness_hz", brightness_hz(x, header.sample_rate), 1.0))
        if row.get(what) is not None and (got is None or abs(row[what] - got) > near))
    for what in ("peak_dbfs", "true_peak_dbtp", "momentary_lufs", "integrated_lufs"):
        if what in row and not _near(row[what], getattr(levels, what)):
            yield Difference(name, what, _db(row[what]), _db(getattr(levels, what)))
    yield from _ends(name, row, x, quiet_dbfs)


def _tags(path: Path, name: str, row: Mapping[str, Any], key: int | None) -> Iterator[Difference]:
    """What a file says of its place in the take, its key, its attack and its loudness, against its row."""
    if "time_reference" not in row or not path.is_file():
        return
    try:
        said = read_back(path)
    except AudioError as error:
        yield Difference(name, "tags", "readable", shortened(str(error).replace(f"{path}: ", "")))
        return
    pairs: dict[str, tuple[Any, Any]] = {}
    if path.suffix.lower() != ".aiff":  # which has a place for attack and key alone
        pairs["time reference"] = (row["time_reference"], said.time_reference)
    pairs["attack"] = (row.get("onset_frame", max(row.get("offset_frames", 0), 0)), said.attack)
    pairs["key"] = (key, said.key)
    if said.loudness is not None and "momentary_lufs" in row:
        fields = loudness_fields(row.get("integrated_lufs"), row["true_peak_dbtp"], row["momentary_lufs"])
        near = all(abs(want - got) <= 1 for want, got in zip(fields, said.loudness, strict=True))
        pairs["loudness"] = (fields, fields if near else said.loudness)  # the manifest rounds once more
    yield from (Difference(name, f"{what} in its tags", str(want), "none" if got is None else str(got))
                for what, (want, got) in pairs.items() if want not in {None, got})


def _ends(name: str, row: Mapping[str, Any], x: Floats, quiet_dbfs: float | None) -> Iterator[Difference]:
    """First and last sample of a faded end: a step above the noise is a click. A print's fade-in ends at its attack;
    one of unknown fade-out ends in silence.
    """
    limit = max(QUIET_DBFS, -np.inf if quiet_dbfs is None else quiet_dbfs + EDGE_DB)
    ends = (("first sample", "fade_in_frames", 0), ("last sample", "fade_out_frames", -1))
    for what, fade, index in ends:
        step = float(np.max(np.abs(x[:, index]))) if x.shape[1] else 0.0
        level = 20 * np.log10(step) if step > 0 else -np.inf
        if row.get(fade, row.get("offset_frames", 1) if index == 0 else 1) > 0 and level > limit:
            yield Difference(name, what, f"below {limit:.1f} dBFS", f"{level:.1f} dBFS")


def _attack(shot: Mapping[str, Any]) -> Iterator[Difference]:
    """All files of a one-shot have one length, one start and one attack, and fades that fit."""
    first = next((file for file in _every(shot) if "tail" not in file["repaired"]), shot["files"][0])
    for file in _every(shot):
        # a file taken from another hit lies elsewhere in its take, one with another's tail is longer
        moved, longer = file["hit"] != first["hit"], "tail" in file["repaired"]
        free = ({"source_start"} if moved else set()) | ({"frames"} if longer else set())
        for what in ("frames", "onset_frame", "source_start"):
            if what in free:
                continue
            if file[what] != first[what]:
                yield Difference(file["path"], what, f"{first[what]}, as {first['path']}", str(file[what]))
        if file["fade_in_frames"] > file["onset_frame"]:
            yield Difference(file["path"], "fade_in_frames", f"at most {file['onset_frame']}, before the attack",
                             str(file["fade_in_frames"]))


def _every(shot: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """The files of a one-shot: those that play, and the untouched ones beside repaired ones."""
    return [*shot["files"], *shot.get("untouched", [])]


def _listing(folder: Path, document: Mapping[str, Any]) -> Iterator[Difference]:
    """Files that lie there unlisted, files listed twice, and what belongs beside the samples."""
    rows = [file["path"] for shot in document["one_shots"] for file in _every(shot)]
    rows += [each["path"] for each in document["prints"]]
    for name in sorted({name for name in rows if rows.count(name) > 1} if len(rows) != len(set(rows)) else ()):
        yield Difference(name, "listed", "once", f"{rows.count(name)} times")
    for top in FOLDERS:
        for path in (folder / top).rglob("*"):
            name = path.relative_to(folder).as_posix()
            if path.is_file() and name not in rows and not path.name.startswith("."):  # the system's own droppings
                yield Difference(name, "file", "listed in the manifest", "not listed")
    details = DETAILS if document.get("recording_details", True) else ()
    for name in (*BESIDE, *details, *((sfz.NAME,) if document["one_shots"] else ())):
        if not (folder / name).is_file():
            yield Difference(name, "file", "present", "missing")


def _sums(folder: Path) -> Iterator[Difference]:
    """Every file against the list of sums that a pack carries, if there is one."""
    for name, digest in read_sums(folder):
        target = file_inside(folder, name)
        if target is None:
            yield Difference(name, f"file in {SUMS}", "present", "missing")
        elif (found := sha256_of(target)) != digest:
            yield Difference(name, f"checksum in {SUMS}", digest[:12], found[:12])


def _layers(document: Mapping[str, Any]) -> Iterator[Difference]:
    """The velocity ranges of each drum's layers cover 1 to 127 once."""
    strokes: dict[str, set[tuple[int, int, int]]] = {}
    for shot in document["one_shots"]:
        strokes.setdefault(f"{shot['drum']}/{shot['articulation']}", set()).add((shot["layer"], *shot["velocity"]))
    for name, layers in strokes.items():
        yield from _tiled(f"{manifest.NAME}: {name}", [(low, high) for _, low, high in layers])


def _tiled(place: str, ranges: Iterable[tuple[int, int]]) -> Iterator[Difference]:
    """One difference where ranges do not cover 1 to 127 without gap and overlap."""
    ordered = sorted(ranges)
    velocities = [velocity for low, high in ordered for velocity in range(low, high + 1)]
    if velocities != list(range(1, 128)):
        yield Difference(place, "velocities", "1 to 127, each once", " ".join(f"{low}-{high}" for low, high in ordered))


def _mapping(folder: Path, document: Mapping[str, Any]) -> Iterator[Difference]:
    """The SFZ mapping: its samples exist and are the manifest's, its layers tile, its round robins are complete."""
    path = folder / sfz.NAME
    if not path.is_file():
        return
    try:
        regions = list(read_regions(read_bounded(path, MOST_TEXT).decode("utf-8")))
    except ValueError as error:
        yield Difference(sfz.NAME, "mapping", "readable", shortened(error))
        return
    listed = {file["path"] for shot in document["one_shots"] for file in shot["files"]}
    keys = {articulation.get(name) for drum in document["drums"] for articulation in drum["articulations"]
            for name in ("key", "second_key")}
    layers: dict[str, dict[tuple[int, int], set[tuple[int, int]]]] = {}
    for region in regions:
        target = inside(path.parent, region.get("default_path", "") + region.get("sample", ""), folder)
        name = region.get("sample", "") if target is None else target.relative_to(folder.resolve()).as_posix()
        if target is None or name not in listed or not target.is_file():
            yield Difference(sfz.NAME, "sample", "a file of the manifest", region.get("sample", "none"))
        by_pedal = "locc4" in region  # one more key, on which the pedal chooses
        number = _whole(region, "key", -1)
        if number < 0 or (number not in keys and not by_pedal):
            yield Difference(sfz.NAME, f"key of {name}", "a key of the manifest", region.get("key", "none"))
        velocity = (_whole(region, "lovel", 1), _whole(region, "hivel", 127))
        sequence = (_whole(region, "seq_length", 1), _whole(region, "seq_position", 1))
        name = f"{region.get('key', 'none')}{' at pedal ' + region['locc4'] if by_pedal else ''}"
        layers.setdefault(name, {}).setdefault(velocity, set()).add(sequence)
    for key, ranges in layers.items():
        yield from _tiled(f"{sfz.NAME}: key {key}", ranges)
        for (low, high), sequences in ranges.items():
            lengths = {length for length, _ in sequences}
            if len(lengths) != 1 or {position for _, position in sequences} != set(range(1, max(lengths) + 1)):
                yield Difference(f"{sfz.NAME}: key {key}, velocities {low}-{high}", "round robins",
                                 "positions 1 to seq_length", ", ".join(f"{p} of {n}" for n, p in sorted(sequences)))


def read_regions(text: str) -> Iterator[dict[str, str]]:
    """The regions of an SFZ text, each with the opcodes it inherits from control, global and group; variables in them
    are replaced by their values.
    """
    text = re.sub(r"//[^\n]*", "", text)
    values = dict(re.findall(r"^#define (\$\w+) (\S+)$", text, flags=re.MULTILINE))
    text = re.sub(r"(?<==)\$\w+", lambda found: values.get(found[0], found[0]), text)
    inherited: dict[str, dict[str, str]] = {"control": {}, "global": {}, "group": {}}
    for header, body in re.findall(r"<(\w+)>([^<]*)", text):
        opcodes = dict(row for line in body.split("\n") if "=" in line for row in _opcodes(line))
        if header == "region":
            yield {**inherited["control"], **inherited["global"], **inherited["group"], **opcodes}
        elif header in inherited:
            inherited[header] = opcodes


def _opcodes(line: str) -> Iterator[tuple[str, str]]:
    """Names and values of one line: a value runs up to the next "name=" or the end of the line."""
    starts = list(re.finditer(r"(?<!\S)(\w+)=", line))
    ends = [*(start.start() for start in starts[1:]), len(line)]
    for start, end in zip(starts, ends, strict=False):  # a line without a name has an end too many
        yield start[1], line[start.end():end].rstrip()


def _whole(region: Mapping[str, str], opcode: str, default: int) -> int:
    """A whole-numbered opcode; -1, which no check lets pass, where it is none or has more than four digits."""
    text = region.get(opcode, str(default))
    return int(text) if text.isdecimal() and len(text) <= 4 else -1


def _near(expected: float | None, found: float | None) -> bool:
    if expected is None or found is None:
        return expected is found
    return abs(expected - found) <= LEVEL_TOLERANCE_DB


def _db(value: float | None) -> str:
    return "none" if value is None else f"{value:.2f}"
