"""A finished kit read back from its folder: the inverse of ``export/manifest.py``.

What the manifest does not hold is not there: no labels, mics without side and place where only the session
knows them. Fields that this version does not know are passed over, as the contract asks.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from msgspec import ValidationError, convert

from oneshot.core.bounded_text import read_json
from oneshot.core.errors import KitError
from oneshot.core.files import MANIFEST_FORMAT
from oneshot.core.records.hits import Delay, Drum, Hit
from oneshot.core.records.kit import BandBleed, Fader, Kit, OneShot, Print, TakeNoise
from oneshot.core.records.session import Mic, Problem, Session, Take
from oneshot.session.processed_tracks import TRACKS

NAME = "manifest.json"
Json = Mapping[str, Any]


def read_manifest(folder: Path) -> dict[str, Any]:
    """The manifest of a kit as JSON. Raises KitError where the folder is no kit of ours or the file is damaged."""
    if not folder.is_dir():
        raise KitError(f"{folder}: no such folder")
    path = folder / NAME
    if not path.is_file():
        raise KitError(f"{folder}: not a kit, {NAME} is missing")
    try:
        document = read_json(path)
    except (OSError, ValueError) as error:
        raise KitError(f"{path}: cannot be read as JSON ({error}); build the kit again") from error
    if not isinstance(document, dict) or document.get("format") != MANIFEST_FORMAT:
        raise KitError(f"{path}: not a manifest of format {MANIFEST_FORMAT!r}")
    return document


def read_kit(folder: Path) -> Kit:
    """The kit that lies in a folder; its session's root is that folder, where no recordings lie.

    Raises KitError where the folder is no kit of ours, or its manifest lacks something or holds it in another shape.
    """
    document = read_manifest(folder)
    try:
        return _kit(document, folder)
    except (KeyError, TypeError, ValueError, AttributeError, ValidationError) as error:
        raise KitError(f"{folder / NAME}: not a valid manifest ({error!r}); verify the kit, or build it "
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
    """The kit of a manifest. Raises KeyError, ValueError, TypeError or AttributeError where it lacks something or holds
    it in another shape.
    """
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
        balance=convert(document["balance"], dict[str, Fader]),
        drums=convert(document["drums"], tuple[Drum, ...]),
        bleed=document["bleed"], delays_ms=document["delays_ms"],
        tracks=convert(document.get("tracks", {}), dict[str, tuple[Any, ...]]),
        learned=document.get("learned", {}),
        delays=convert(document.get("delays", {}), dict[str, dict[str, dict[str, Delay]]]),
        bleed_bands=convert(document.get("bleed_bands", {}), dict[str, dict[str, dict[str, BandBleed]]]),
        hits=convert([{**row, "partners": row["with"]} for row in document["hits"]], tuple[Hit, ...]),
        one_shots=convert(document["one_shots"], tuple[OneShot, ...]),
        prints=convert(document["prints"], tuple[Print, ...]),
        problems=convert(document.get("problems", []), tuple[Problem, ...]))


def _take(row: Json) -> Take:
    mics = [{**mic, "sources": mic["source"]} for mic in row["mics"]]
    return Take(row["name"], row["sample_rate"], row["frames"], "", convert(mics, tuple[Mic, ...]))
