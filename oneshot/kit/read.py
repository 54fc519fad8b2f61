"""A finished kit read back from its folder: the inverse of ``export/manifest.py``.

What the manifest does not hold is not there: no labels, mics without side and place where only the session
knows them. Fields that this version does not know are passed over, as the contract asks.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, NotRequired, TypedDict

from msgspec import Meta, ValidationError, convert

from oneshot.config.recipe_file import recipe_of
from oneshot.core.bounded_text import read_json
from oneshot.core.errors import KitError, SettingsError
from oneshot.core.files import MANIFEST_FORMAT
from oneshot.core.records.hits import Delay, Drum, Hit
from oneshot.core.records.kit import BandBleed, Fader, Kit, OneShot, Print, TakeNoise
from oneshot.core.records.session import Mic, Problem, Session, Take
from oneshot.kit import limits
from oneshot.session.processed_tracks import TRACKS

NAME = "manifest.json"
Json = Mapping[str, Any]
Levels = dict[str, dict[str, dict[str, float | None]]]
"""Take -> drum -> mic -> a figure."""


class _Track(TypedDict):
    """What is looked at of a row of processed tracks."""

    name: str
    mics: Annotated[list[str], Meta(min_length=1)]
    made_of: list[str]
    latency_frames: int | None
    applied_frames: int
    strokes: NotRequired[int]


class _Learned(TypedDict):
    """What is looked at of a balance that was learned."""

    bus: str
    left_db: float
    lag_frames: NotRequired[dict[str, int]]
    octaves_hz: NotRequired[list[float]]
    left_bands_db: NotRequired[list[float | None]]
    hard_db: NotRequired[float | None]


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
        kit = _kit(document, folder)
        limits.check(kit)
    except (KeyError, TypeError, ValueError, AttributeError, ValidationError, SettingsError) as error:
        raise KitError(f"{folder / NAME}: not a valid manifest ({error!r}); verify the kit, or build it "
                       "again") from error
    return kit


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
    takes = convert(document["session"]["takes"], list[dict[str, Any]])
    recipe_of(document["recipe"])
    convert(document.get("tracks", {}), dict[str, list[_Track]])
    convert(document.get("learned") or None, _Learned | None)
    return Kit(
        session=Session(convert(document["session"]["name"], str), folder, tuple(_take(take) for take in takes),
                        air_c=convert(document["session"].get("air_c", 20.0), float)),
        generator=convert(document["generator"], str), recipe=document["recipe"],
        noise=tuple(TakeNoise(take["name"], convert(_said(take, "noise_dbfs"), dict[str, float | None]),
                              convert(_said(take, "offset"), dict[str, float])) for take in takes),
        polarity={take["name"]: convert(_said(take, "polarity"), dict[str, int]) for take in takes},
        polarity_measured={take["name"]: mics for take in takes if (mics := tuple(
            mic for mic, told in convert(_said(take, "polarity_measured"), dict[str, bool]).items() if told))},
        dynamics={take["name"]: convert(_said(take, "dynamics"), dict[str, str]) for take in takes},
        balance=convert(document["balance"], dict[str, Fader]),
        drums=convert(document["drums"], tuple[Drum, ...]),
        bleed=convert(document["bleed"], Levels), delays_ms=convert(document["delays_ms"], Levels),
        tracks={take: tuple(rows) for take, rows in document.get("tracks", {}).items()},
        learned=document.get("learned", {}),
        delays=convert(document.get("delays", {}), dict[str, dict[str, dict[str, Delay]]]),
        bleed_bands=convert(document.get("bleed_bands", {}), dict[str, dict[str, dict[str, BandBleed]]]),
        hits=convert([{**row, "partners": row["with"]} for row in document["hits"]], tuple[Hit, ...]),
        one_shots=convert(document["one_shots"], tuple[OneShot, ...]),
        prints=convert(document["prints"], tuple[Print, ...]),
        problems=convert(document.get("problems", []), tuple[Problem, ...]))


def _said(take: Json, field: str) -> dict[str, object]:
    """Mic -> what a field of its row says, of the mics of a take that have it."""
    return {mic["name"]: mic[field] for mic in take["mics"] if field in mic}


def _take(row: Json) -> Take:
    mics = [{**mic, "sources": mic["source"]} for mic in row["mics"]]
    return Take(convert(row["name"], str), convert(row["sample_rate"], int), convert(row["frames"], int), "",
                convert(mics, tuple[Mic, ...]))
