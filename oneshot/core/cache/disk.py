"""Results on disk: one folder per session fingerprint in the user's cache folder (``ONESHOT_CACHE`` names another one).

A result is a JSON file with its key (``keys.key_of``) and the check sums of its arrays, and one .npy file per array,
written first, so that a JSON file without its arrays cannot exist. A tree of records is stored as one array of packed
bytes, and comes back equal to the last bit. A result made from other files is in another folder; one with another key,
or with a byte that is not as it was written, is stale: it is reported once and made anew, never used.

All folders together have at most ``MOST_BYTES``: the ones that no build has opened for longest go first. A build whose
folder goes computes anew what it has not read yet.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import re
import shutil
import time
import zlib
from collections.abc import Collection, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from tokenize import TokenError
from typing import Any, TypeVar

import msgspec
import numpy as np
import platformdirs
from numpy.typing import DTypeLike, NDArray

from oneshot.core.cache.array_file import ArrayFile, head_of
from oneshot.core.cache.keys import key_of
from oneshot.core.errors import SettingsError
from oneshot.core.files import part_name, remove_parts, write_atomic

T = TypeVar("T")

RECORD = "record"
"""The array that holds a tree of records."""

MOST_BYTES = 20_000_000_000
"""What the cache folder may hold, unless ``ONESHOT_CACHE_GB`` says otherwise."""
IN_USE_S = 3600.0
"""A folder that was opened within this time may belong to a build that runs: it stays."""
CHUNK = 2**22
"""Bytes summed at a time."""
_NUMBERS = count(1)

UNUSABLE = (OSError, ValueError, TypeError, KeyError, EOFError, OverflowError, MemoryError, RecursionError, zlib.error,
            msgspec.MsgspecError, SyntaxError, TokenError)  # the last two: of the head of an .npy file
"""All that reading a file may raise which somebody else wrote, cut off or wrote over."""


@dataclass(frozen=True, slots=True)
class _Entry:
    """What the JSON file of a result says: its key, and array -> CRC-32 of its file."""

    key: str
    sums: dict[str, int]


@dataclass(slots=True)
class Store:
    """Results of one session.

    ``stale`` collects the names of results that were found but could not be used. A full or locked cache folder slows
    the next build down and stops none.
    """

    folder: Path
    stale: list[str] = field(default_factory=list)
    _cleared: bool = False
    _saved: set[str] = field(default_factory=set)

    def load(self, name: str, params: Mapping[str, Any], in_pieces: Collection[str] = ()) -> dict[str, Any] | None:
        """The arrays stored under that name with exactly these parameters, or None. They are mapped, not copied; those
        named ``in_pieces`` are an ``ArrayFile`` each.
        """
        if self._cleared and name not in self._saved:
            return None  # also where the disk refused to remove it
        try:
            text = (self.folder / f"{name}.json").read_bytes()
        except FileNotFoundError:
            return None
        except OSError:
            self.stale.append(name)
            return None
        try:
            entry = msgspec.json.decode(text, type=_Entry)
            if entry.key != key_of(params):
                raise ValueError("made from something else")
            return {key: _opened(self.folder / f"{name}.{key}.npy", crc, in_pieces=key in in_pieces)
                    for key, crc in entry.sums.items()}
        except UNUSABLE:
            self.stale.append(name)
            return None

    def load_record(self, name: str, params: Mapping[str, Any], kind: type[T]) -> T | None:
        """The tree of records of that type stored under that name with exactly these parameters, or None."""
        arrays = self.load(name, params)
        if arrays is None:
            return None
        try:
            made_with, data = _parted(np.asarray(arrays[RECORD], np.uint8).tobytes())
            if made_with != key_of(params):  # another build wrote it between two looks at the folder
                raise ValueError("made from something else")
            return unpacked(data, kind)
        except UNUSABLE:
            self.stale.append(name)
            return None

    def made(self, name: str, key: str, shape: tuple[int, ...], dtype: DTypeLike) -> ArrayFile:
        """An array to be written piece by piece and then saved under a name; in a temporary file where the disk
        refuses.
        """
        with suppress(OSError):
            self.folder.mkdir(parents=True, exist_ok=True)
        return ArrayFile.made(shape, dtype, self.folder / part_name(f"{name}.{key}.npy.{next(_NUMBERS)}"))

    def save(self, name: str, params: Mapping[str, Any], arrays: Mapping[str, NDArray[Any] | ArrayFile]) -> None:
        """Store arrays under a name, replacing what was there; nothing is stored where the disk refuses."""
        with suppress(OSError):
            self._save(name, params, arrays)

    def save_record(self, name: str, params: Mapping[str, Any], record: object) -> None:
        """Store a tree of records: frozen dataclasses, mappings, tuples, sets and plain values. As ``save``."""
        text = key_of(params).encode() + b"\n" + packed(record)
        self.save(name, params, {RECORD: np.frombuffer(text, np.uint8)})

    def _save(self, name: str, params: Mapping[str, Any], arrays: Mapping[str, NDArray[Any] | ArrayFile]) -> None:
        """As ``save``; raises OSError."""
        self.folder.mkdir(parents=True, exist_ok=True)
        # the old entry goes first: cut off from here on, it must not stand beside arrays made with other parameters
        (self.folder / f"{name}.json").unlink(missing_ok=True)
        sums = {}
        for key, array in arrays.items():
            path = self.folder / f"{name}.{key}.npy"
            if isinstance(array, ArrayFile):
                array.settled(path)
                sums[key] = _sum_of(path)
                continue
            parts = _as_npy(array)
            sums[key] = zlib.crc32(parts[1], zlib.crc32(parts[0]))
            write_atomic(path, parts)
        write_atomic(self.folder / f"{name}.json", msgspec.json.encode(_Entry(key_of(params), sums)))
        self._saved.add(name)

    def clear(self) -> None:
        """Forget everything stored for this session."""
        shutil.rmtree(self.folder, ignore_errors=True)
        self._cleared = True
        self._saved.clear()


def open_store(parts: list[tuple[str, int, int, str]]) -> Store:
    """The store of the session with these fingerprint parts (path, size, time, hash of head and tail of each file)."""
    digest = hashlib.sha256(json.dumps(sorted(parts)).encode()).hexdigest()
    store = Store(cache_folder() / digest[:32])
    with suppress(OSError):
        store.folder.mkdir(parents=True, exist_ok=True)
        os.utime(store.folder)
        for each in _folders(store.folder.parent):  # what an ended build left of a long take may be gigabytes
            remove_parts(each)
        prune(store.folder.parent, most_bytes())
    return store


def most_bytes() -> float:
    """What the cache folder may hold. Raises SettingsError where ``ONESHOT_CACHE_GB`` is no number."""
    given = os.environ.get("ONESHOT_CACHE_GB")
    try:
        return MOST_BYTES if not given else max(0.0, float(given)) * 1e9
    except ValueError:
        raise SettingsError(f"ONESHOT_CACHE_GB is {given!r}: give a number of gigabytes") from None


def prune(folder: Path, most: float) -> list[Path]:
    """Remove the folders of sessions that were not opened for longest until the others hold ``most`` bytes or fewer;
    those removed. None goes that may be in use, and nothing that is no folder of a store.
    """
    there = sorted((path.stat().st_mtime, path) for path in _folders(folder))
    sizes = {path: sum(each.stat().st_size for each in path.iterdir() if each.is_file()) for _, path in there}
    total, gone = float(sum(sizes.values())), []
    for opened, path in there:
        if total <= most or time.time() - opened < IN_USE_S:
            break
        shutil.rmtree(path, ignore_errors=True)
        total -= sizes[path]
        gone.append(path)
    return gone


def _folders(folder: Path) -> list[Path]:
    """The folders of all stores in a cache folder, which may hold what is no store."""
    return [path for path in folder.iterdir()
            if re.fullmatch("[0-9a-f]{32}", path.name) and path.is_dir() and not path.is_symlink()]


def cache_folder() -> Path:
    """Where results of all sessions are stored."""
    given = os.environ.get("ONESHOT_CACHE")
    return Path(given) if given else Path(platformdirs.user_cache_dir("oneshot", appauthor=False))


def packed(record: object) -> bytes:
    """A tree of records as MessagePack, compressed: unlike in JSON, every float is its own eight bytes, NaN included.

    Raises TypeError where something in it is no plain value.
    """
    return gzip.compress(msgspec.msgpack.encode(record, enc_hook=plain), compresslevel=1, mtime=0)


def unpacked(data: bytes, kind: type[T]) -> T:
    """The tree of records of a type that ``packed`` made. Raises one of ``UNUSABLE`` where the bytes hold none."""
    return msgspec.msgpack.decode(gzip.decompress(data), type=kind, dec_hook=_array)


def _as_npy(array: NDArray[Any]) -> tuple[memoryview, memoryview]:
    """Head and data of an array as ``np.save`` writes them, the data where they are. Raises ValueError for objects."""
    head = head_of(array.shape, array.dtype)
    return memoryview(head), np.asarray(array, order="C").reshape(-1).view(np.uint8).data


def plain(value: object) -> object:
    """A number of numpy's as Python's own, an array as its type, shape and bytes. Raises TypeError for all else."""
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, np.ndarray) and not value.dtype.hasobject:
        return {"dtype": value.dtype.str, "shape": value.shape, "data": np.ascontiguousarray(value).tobytes()}
    raise TypeError(f"{type(value).__name__} cannot be stored")


def _array(kind: type, value: Any) -> NDArray[Any]:
    """The array that ``plain`` made plain."""
    del kind
    return np.frombuffer(value["data"], value["dtype"]).reshape(value["shape"])


def _parted(text: bytes) -> tuple[str, bytes]:
    """The key that a record was stored with, and its bytes."""
    key, _, data = text.partition(b"\n")
    return key.decode(), data


def _opened(path: Path, crc: int, *, in_pieces: bool) -> NDArray[Any] | ArrayFile:
    """An array mapped from its file, or read from there in pieces. Raises one of ``UNUSABLE`` where that does not have
    the check sum ``crc``.
    """
    if _sum_of(path) != crc:
        raise ValueError(f"{path.name} is not as it was written")
    return ArrayFile.opened(path) if in_pieces else np.lib.format.open_memmap(path, mode="r")


def _sum_of(path: Path) -> int:
    """CRC-32 of a file. Raises OSError."""
    found = 0
    with path.open("rb") as file:
        while chunk := file.read(CHUNK):
            found = zlib.crc32(chunk, found)
    return found
