"""A finished kit read back from its folder: the inverse of ``export/manifest.py``.

What the manifest does not hold is not there: no labels, mics without side and place where only the session
knows them. Fields that this version does not know are passed over, as the contract asks.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import MISSING, fields, replace
from pathlib import Path
from typing import Any, TypeVar

from oneshot.core.errors import KitError
from oneshot.core.files import MANIFEST_FORMAT, is_our_kit
from oneshot.core.records.hits import Articulation, Delay, Drum, Hit, Ornament, Partner
from oneshot.core.records.kit import BandBleed, Fader, Kit, OneShot, Print, PrintMic, Sample, TakeNoise
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic, Problem, Session, Source, Take
from oneshot.session.processed_tracks import TRACKS

NAME = "manifest.json"
Json = Mapping[str, Any]
T = TypeVar("T")


def read_manifest(folder: Path) -> dict[str, Any]:
    """The manifest of a kit as JSON. Raises KitError where the folder is no kit of ours or the file is damaged."""
    if not folder.is_dir():
        raise KitError(f"{folder}: no such folder")
    path = folder / NAME
    if not path.is_file():
        raise KitError(f"{folder}: no kit here, {NAME} is missing")
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise KitError(f"{path}: cannot be read as JSON ({error}); build the kit again") from error
    if not is_our_kit(folder) or not isinstance(document, dict):
        raise KitError(f"{path}: not a manifest of format {MANIFEST_FORMAT!r}")
    return document


def read_kit(folder: Path) -> Kit:
    """The kit that lies in a folder; its session's root is that folder, where no recordings lie.

    Raises KitError where the folder is no kit of ours, or its manifest lacks something or holds it in another shape.
    """
    document = read_manifest(folder)
    try:
        return _kit(document, folder)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise KitError(f"{folder / NAME}: not what a manifest looks like ({error!r}); verify the kit, or build it "
                       "again") from error


def with_processed(session: Session, kit: Kit, tracks: Path | None) -> Session:
    """A session with the processed tracks of a kit of it among its mics, where their files are still there; ``tracks``:
    the folder in which they lie, unless it is in the session; None where nobody knows.
    """
    def found(mic: Mic) -> Mic:
        """The mic of a track with its files where they are."""
        paths = {source.path: source.path.removeprefix(f"{TRACKS}/") for source in mic.sources}
        there = {} if tracks is None else {path: tracks.resolve() / rest for path, rest in paths.items()
                                           if path != rest and (tracks / rest).is_file()}
        return replace(mic, sources=tuple(replace(source, path=str(there.get(source.path, source.path)))
                                          for source in mic.sources))

    more = {take.name: tuple(mic for mic in map(found, take.mics) if not mic.recorded and mic.sources
                             and all((session.root / source.path).is_file() for source in mic.sources))
            for take in kit.session.takes}
    return replace(session, takes=tuple(replace(take, mics=(*take.mics, *more.get(take.name, ())))
                                        for take in session.takes))


def _kit(document: Json, folder: Path) -> Kit:
    takes = document["session"]["takes"]
    return Kit(
        session=Session(document["session"]["name"], folder, tuple(_take(take) for take in takes),
                        air_c=document["session"].get("air_c", 20.0)),
        generator=document["generator"], recipe=document["recipe"],
        noise=tuple(TakeNoise(take["name"], {mic["name"]: mic["noise_dbfs"] for mic in take["mics"]},
                              {mic["name"]: mic["offset"] for mic in take["mics"] if "offset" in mic})
                    for take in takes),
        polarity={take["name"]: {mic["name"]: mic["polarity"] for mic in take["mics"]} for take in takes},
        dynamics={take["name"]: {mic["name"]: mic["dynamics"] for mic in take["mics"] if "dynamics" in mic}
                  for take in takes},
        balance={name: _record(Fader, row) for name, row in document["balance"].items()},
        drums=tuple(_record(Drum, row, articulations=tuple(_record(Articulation, each)
                                                           for each in row["articulations"]))
                    for row in document["drums"]),
        bleed=document["bleed"], delays_ms=document["delays_ms"],
        tracks={take: tuple(rows) for take, rows in document.get("tracks", {}).items()},
        learned=document.get("learned", {}),
        delays={take: {drum: {mic: _record(Delay, row) for mic, row in mics.items()} for drum, mics in drums.items()}
                for take, drums in document.get("delays", {}).items()},
        bleed_bands={take: {drum: {mic: _record(BandBleed, row) for mic, row in mics.items()}
                            for drum, mics in drums.items()}
                     for take, drums in document.get("bleed_bands", {}).items()},
        hits=tuple(_hit(row) for row in document["hits"]),
        one_shots=tuple(_record(OneShot, row, velocity=tuple(row["velocity"]),
                                files=tuple(_record(Sample, file) for file in row["files"]),
                                untouched=tuple(_record(Sample, file) for file in row.get("untouched", [])))
                        for row in document["one_shots"]),
        prints=tuple(_record(Print, row, velocity=tuple(row["velocity"]),
                             mics={name: _record(PrintMic, part) for name, part in row["mics"].items()})
                     for row in document["prints"]),
        problems=tuple(_record(Problem, row) for row in document.get("problems", [])))


def _take(row: Json) -> Take:
    return Take(row["name"], row["sample_rate"], row["frames"], "",
                tuple(_record(Mic, mic, role=Role(mic["role"]),
                              sources=tuple(_record(Source, each) for each in mic["source"])) for mic in row["mics"]))


def _hit(row: Json) -> Hit:
    ornament = row["ornament"]
    return _record(Hit, row, partners=tuple(_record(Partner, each) for each in row["with"]),
                   ornament=None if ornament is None else _record(Ornament, ornament))


def _record(kind: type[T], row: Json, **given: Any) -> T:
    """A record from a JSON object: fields of its own names, lists as tuples; ``given`` fields are made already.

    Raises KeyError where a field without default is missing.
    """
    values = dict(given)
    for item in fields(kind):  # type: ignore[arg-type]
        if item.name in given:
            continue
        if item.name in row:
            value = row[item.name]
            values[item.name] = tuple(value) if isinstance(value, list) else value
        elif item.default is MISSING and item.default_factory is MISSING:
            raise KeyError(item.name)
    return kind(**values)
