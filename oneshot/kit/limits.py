"""Limits: what a manifest cannot mean, however well it is formed.

A manifest comes from a download as often as from a build. Its paths lead into the kit or the session and nowhere else,
its numbers are such as can be counted, played and computed with, and what it refers to is there. Types are checked
where the records are made (``read.py``); fields that are not known are not looked at.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass
from functools import cache
from typing import Any

from oneshot.audio.io import RATES
from oneshot.config.recipe import MOST_VOICES
from oneshot.core.names import leads_down
from oneshot.core.records.kit import Kit, OneShot, Print

FRAMES = 2**36
"""Of a take or a place in it, either way: four days at 192 kHz."""
_DB = re.compile(r".*_(db|dbfs|dbtp|lufs)|bleed")
"""Fields of levels, alone or in tables."""
_NUMBERS: Mapping[str, tuple[float, float]] = {
    **dict.fromkeys(("onset", "onsets", "at", "source_start", "shift_frames", "nudged_frames", "delay_frames"),
                    (-FRAMES, FRAMES)),
    **dict.fromkeys(("onset_frame", "fade_in_frames", "fade_out_frames", "offset_frames"), (0, FRAMES)),
    **dict.fromkeys(("key", "second_key"), (0, 127)), **dict.fromkeys(("layer", "velocity"), (1, 127)),
    **dict.fromkeys(("id", "hit", "channel", "hits"), (0, 2**31)), **dict.fromkeys(("round_robin", "rank"), (1, 2**31)),
    **dict.fromkeys(("polarity", "first_excursion"), (-1, 1)), "frames": (0, FRAMES), "sample_rate": RATES,
    "pan": (-1, 1), "confidence": (0, 1), "voices": (1, MOST_VOICES), "time_reference": (0, 2**64 - 1),
    "air_c": (-100, 100), "offset": (-1, 1)}
"""Field -> what its numbers may be, where ``LARGEST`` is not limit enough."""
DB, LARGEST = 1000.0, 1e15
"""Of a level (dB), and of any other number: what a float adds and multiplies without loss of sense."""


def check(kit: Kit) -> None:
    """Raise ValueError, saying where, where a kit's manifest breaks a limit."""
    found = _beyond("", kit)
    if found is not None:
        raise ValueError(f"{found[0].lstrip('.')} cannot be {found[1]:g}")
    for path in (*_files(kit), *_sources(kit)):
        if not leads_down(path):
            raise ValueError(f"{path!r} is no path inside of the kit or the session")
    odd = next((path for path in _files(kit) if not leads_down(path, on_any_system=True)), None)
    if odd is not None:
        raise ValueError(f"{odd!r} is no path of a kit's file")
    _check_references(kit)


def _files(kit: Kit) -> Iterator[str]:
    """Paths of all files of a kit that its manifest lists."""
    for shot in kit.one_shots:
        yield from (file.path for file in (*shot.files, *shot.untouched))
    yield from (each.path for each in kit.prints)


def _sources(kit: Kit) -> Iterator[str]:
    """Paths of the recordings, which their owner named."""
    yield from (source.path for take in kit.session.takes for mic in take.mics for source in mic.sources)


def _beyond(name: str, value: object) -> tuple[str, float] | None:
    """(place, number) of the first number in a tree of records that its field cannot have; None: there is none.

    The place is put together on the way back alone: a manifest has hundreds of thousands of numbers.
    """
    kind: Any = type(value)
    if kind is float or kind is int:
        low, high = _range(name)
        return None if low <= value <= high else ("", value)  # type: ignore[operator, return-value]
    if value is None or kind is str or kind is bool:
        return None
    rows: Iterable[tuple[str, str, object]]
    if isinstance(value, Mapping):
        rows = ((f".{key}", name, each) for key, each in value.items())
    elif isinstance(value, tuple | list):
        rows = ((f"[{number}]", name, each) for number, each in enumerate(value))
    else:
        rows = ((f".{each}", each, getattr(value, each)) for each in _fields(kind))
    for place, field, each in rows:
        found = _beyond(field, each)
        if found is not None:
            return place + found[0], found[1]
    return None


@cache
def _range(name: str) -> tuple[float, float]:
    """What the numbers of a field may be."""
    return (-DB, DB) if _DB.fullmatch(name) else _NUMBERS.get(name, (-LARGEST, LARGEST))


@cache
def _fields(kind: Any) -> tuple[str, ...]:
    """The fields of a record; none of anything else, such as a role."""
    return tuple(each.name for each in fields(kind)) if is_dataclass(kind) else ()


def _check_references(kit: Kit) -> None:
    """Raise ValueError where something is named that is not there, or twice."""
    takes = {take.name: take for take in kit.session.takes}
    hits = {hit.id: hit for hit in kit.hits}
    strokes = {(drum.name, way.name) for drum in kit.drums for way in drum.articulations}
    _once("take", [take.name for take in kit.session.takes])
    _once("hit", [hit.id for hit in kit.hits])
    _once("drum", [drum.name for drum in kit.drums])
    if "" in {drum.choke for drum in kit.drums} | {name for stroke in strokes for name in stroke}:
        raise ValueError("a drum, an articulation or a choke group has no name")
    for take in kit.session.takes:
        _once(f"mic of {take.name}", [mic.name for mic in take.mics])
    for hit in kit.hits:
        _known("take", hit.take, takes)
    items: tuple[OneShot | Print, ...] = (*kit.one_shots, *kit.prints)
    for item in items:
        _known("hit", item.hit, hits)
        _known("drum and articulation", (item.drum, item.articulation), strokes)
        if item.velocity[0] > item.velocity[1]:
            raise ValueError(f"hit {item.hit} has velocities from {item.velocity[0]} to {item.velocity[1]}")
    for shot in kit.one_shots:
        if not shot.files:
            raise ValueError(f"the one-shot of hit {shot.hit} has no file")
        for file in (*shot.files, *shot.untouched):
            _known("hit", file.hit, hits)
            mics = {mic.name for mic in takes[hits[file.hit].take].mics}
            for name in file.mix_of or file.mics:
                _known(f"mic of {hits[file.hit].take}", name, mics)
            if not file.mics:
                raise ValueError(f"{file.path} has no mic")


def _once(what: str, names: Sequence[object]) -> None:
    double = next((name for number, name in enumerate(names) if name in names[:number]), None) \
        if len(set(names)) != len(names) else None
    if double is not None:
        raise ValueError(f"{what} {double!r} is there twice")


def _known(what: str, name: object, known: Collection[object]) -> None:
    if name not in known:
        raise ValueError(f"there is no {what} {name!r}")
