"""Records as the columns of a table: plain Python values, for any library that takes a dict of lists."""

from __future__ import annotations

import typing
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields, is_dataclass
from enum import StrEnum
from functools import cache
from pathlib import Path
from types import UnionType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from _typeshed import DataclassInstance


def columns(records: Iterable[DataclassInstance]) -> dict[str, list[Any]]:
    """Column name -> one value per record, for records of one kind: hits, one-shots, their files, prints, takes, mics.

    One column per field, in the order of the record. A field that holds a record or a mapping is spread over a column
    per field or key, named ``field.key`` (``bleed_db.Snare Top``, ``ornament.kind``), with None where a record has no
    such key. What holds several things stays in one cell, as a list; records and mappings in it are dicts. All other
    values are str, int, float, bool or None as they stand: frames, dB and seconds as the field's name says, and None
    where a figure is not known. No records, no columns.

    Raises TypeError where something is no record, or of another kind than the first.

    >>> from oneshot.core.records.hits import Articulation, Drum
    >>> columns([Articulation("centre", 38), Articulation("rim", 40, second_key=41)])
    {'name': ['centre', 'rim'], 'key': [38, 40], 'second_key': [None, 41]}
    >>> columns([Drum("kick", "kick", "Kick In", (Articulation("hit", 36),))])["articulations"]
    [[{'name': 'hit', 'key': 36, 'second_key': None}]]
    """
    rows = list(records)
    for record in rows:
        if not hasattr(record, "__dataclass_fields__"):
            raise TypeError(f"columns are made of records, such as kit.hits: {type(record).__name__} is none")
        if type(record) is not type(rows[0]):
            raise TypeError(f"columns are made of records of one kind: found {type(record).__name__} beside "
                            f"{type(rows[0]).__name__}")
    table: dict[str, list[Any]] = {}
    for name, always in _fields(type(rows[0])) if rows else ():
        cells = [_cells(name, getattr(record, name), always) for record in rows]
        table |= {key: [row.get(key) for row in cells]
                  for key in dict.fromkeys((*always, *(key for row in cells for key in row)))}
    return table


@cache
def _fields(kind: type) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """(field, the columns that it has whatever the records hold) for each field of a kind of record."""
    hints = typing.get_type_hints(kind)
    return tuple((item.name, tuple(_always(item.name, hints[item.name]))) for item in fields(kind))


def _always(name: str, hint: Any) -> Iterator[str]:
    """The columns of a field of that type: of a record those of its fields; of a mapping none, its keys are data."""
    origin = typing.get_origin(hint)
    options = typing.get_args(hint) if origin in (UnionType, typing.Union) else (hint,)
    record = next((each for each in options if is_dataclass(each)), None)
    if isinstance(record, type):
        yield from (f"{name}.{column}" for _, inner in _fields(record) for column in inner)
    elif not (isinstance(origin, type) and issubclass(origin, Mapping)):
        yield name


def _cells(name: str, value: object, always: tuple[str, ...]) -> dict[str, Any]:
    """Column -> value of one field of one record; nothing where a record or mapping is not known."""
    return {} if value is None and always != (name,) else dict(_spread(name, value))


def _spread(name: str, value: object) -> Iterator[tuple[str, Any]]:
    """A value under its name; the values of a record or mapping under names of their own."""
    inner = _inner(value)
    if inner is None:
        yield name, _plain(value)
    else:
        for key, each in inner.items():
            yield from _spread(f"{name}.{key}", each)


def _inner(value: object) -> Mapping[str, object] | None:
    """Name -> value of a record or mapping; None for anything else."""
    if isinstance(value, Mapping):
        return {str(key): each for key, each in value.items()}
    if is_dataclass(value):
        return {item.name: getattr(value, item.name) for item in fields(value)}
    return None


def _plain(value: object) -> object:
    """The value in Python's own types, however deep: no record, enum, path or NumPy scalar."""
    inner = _inner(value)
    if inner is not None:
        return {key: _plain(each) for key, each in inner.items()}
    if isinstance(value, (tuple, list)):
        return [_plain(each) for each in value]
    if isinstance(value, (StrEnum, Path)):
        return str(value)
    return float(value) if isinstance(value, float) else value
