"""Arrays in files, written and read piece by piece, so that what is as long as a take is never in memory as a whole.

A file is an .npy file, as ``np.save`` writes it: a head, then the numbers in C order. Pieces are read by position, not
mapped: pages of a mapping count as the process's own memory for as long as the system pleases. What a file holds stays
readable while it is open, whoever removes its name meanwhile (on Windows nobody can).
"""

from __future__ import annotations

import os
import weakref
from collections.abc import Callable, Iterator
from io import BytesIO, RawIOBase
from math import prod
from pathlib import Path
from tempfile import TemporaryFile
from threading import Lock
from typing import Any, cast

import numpy as np
from numpy.typing import ArrayLike, DTypeLike, NDArray

from oneshot.core.errors import WorkError
from oneshot.core.open_files import let_files_be_open

SPAN_BYTES = 2**17
"""Steps asked for one by one are read in one go where they lie within this: reading so much costs what asking does."""

COPY_BYTES = 2**22
"""Bytes copied at a time, where a file has to move."""

RENAMES_OPEN_FILES = os.name == "posix"
"""Whether this system does: Windows does not."""

File = RawIOBase | BytesIO


class ArrayFile:
    """An array (rows, steps, ...) in a file, in place of one in memory.

    ``file[row, a:b]`` and ``file[rows, a:b]`` are arrays; ``file[row]`` is a ``Row``, of which ``[a:b]`` and
    ``[index]``, for an array of steps of any shape, are. ``file[:, a:b] = piece`` writes. Whole it is read by
    ``np.asarray`` only. Slices have no stride. Where the disk refuses to take a piece, all that was written moves to
    the next of the places that a file was made for, memory last. Several threads may read at once, and forks.
    """

    def __init__(self, file: File, start: int, shape: tuple[int, ...], dtype: DTypeLike, path: Path | None) -> None:
        """``start``: where in the file the numbers begin; ``path``: where the file lies, None for nowhere."""
        self.shape, self.dtype = shape, np.dtype(dtype)
        self._start, self._steps = start, prod(shape[2:]) * self.dtype.itemsize
        self._places: Iterator[Callable[[], tuple[File, Path | None]]] = iter(())
        self._lock = Lock()  # where there is no reading by position
        self._file: File
        self._path: Path | None
        self._let_go: weakref.finalize[[File, Path | None], ArrayFile]
        self._hold(file, path, temporary=False)

    @classmethod
    def made(cls, shape: tuple[int, ...], dtype: DTypeLike, path: Path) -> ArrayFile:
        """A new one to be written, at ``path`` until it is ``settled`` or let go of; in a temporary file where that
        cannot be written.
        """
        head = head_of(shape, np.dtype(dtype))
        out = cls(BytesIO(), len(head), shape, dtype, None)
        out._places = iter((lambda: (path.open("w+b", buffering=0), path), _in_temporary_file))
        out._move()
        out._put(0, head)
        return out

    @classmethod
    def opened(cls, path: Path) -> ArrayFile:
        """The array in an .npy file of two or more axes. Raises OSError, ValueError where the file holds none."""
        let_files_be_open()
        with path.open("rb") as file:
            if np.lib.format.read_magic(file) != (1, 0):
                raise ValueError(f"{path.name} is no array of this program")
            shape, fortran, dtype = np.lib.format.read_array_header_1_0(file)
            start, size = file.tell(), os.fstat(file.fileno()).st_size
        if len(shape) < 2 or fortran or dtype.hasobject or size != start + prod(shape) * dtype.itemsize:
            raise ValueError(f"{path.name} is no array of this program")
        return cls(path.open("rb", buffering=0), start, shape, dtype, path)

    def settled(self, path: Path) -> None:
        """Give the file that was made its place for good; its numbers are on the disk then.

        Raises OSError where it cannot be; its numbers can be read all the same.
        """
        if self._path is None:
            raise OSError(f"{path.name} did not fit the disk")
        before, file = self._path, self._file
        os.fsync(file.fileno())
        if not RENAMES_OPEN_FILES:
            file.close()
        try:
            before.replace(path)
        except OSError:
            self._hold(before.open("r+b", buffering=0) if file.closed else file, before, temporary=True)
            raise
        self._hold(path.open("rb", buffering=0) if file.closed else file, path, temporary=False)

    # -------------------------------------------------------------------------------------------------- what it holds

    def __getitem__(self, key: Any) -> Any:
        rows, steps = key if isinstance(key, tuple) else (key, None)
        if isinstance(rows, int | np.integer):
            row = Row(self, range(self.shape[0])[rows])
            return row if steps is None else row[steps]
        first, last = _bounds(steps, self.shape[1])
        out = np.empty((len(rows), last - first, *self.shape[2:]), self.dtype)
        for n, each in enumerate(rows):
            out[n] = self.read(int(each), first, last)
        return out

    def __setitem__(self, key: tuple[slice, slice], piece: NDArray[Any]) -> None:
        first, last = _bounds(key[1], self.shape[1])
        if key[0] != slice(None) or piece.shape != (self.shape[0], last - first, *self.shape[2:]):
            raise ValueError(f"a piece of shape {piece.shape} cannot be put there")
        for row, part in enumerate(np.ascontiguousarray(piece, self.dtype)):
            self._put(self._start + (row * self.shape[1] + first) * self._steps, part.tobytes())

    def __array__(self, dtype: np.dtype[Any] | None = None, copy: bool | None = None) -> NDArray[Any]:
        del copy  # it always is one
        return np.array([self.read(row, 0, self.shape[1]) for row in range(self.shape[0])], dtype or self.dtype)

    def read(self, row: int, first: int, last: int) -> NDArray[Any]:
        """Steps [first, last) of a row, within its length; not to be written to. Raises WorkError."""
        size = (last - first) * self._steps
        data = self._get(self._start + (row * self.shape[1] + first) * self._steps, size)
        return np.frombuffer(data, self.dtype).reshape(last - first, *self.shape[2:])

    # ------------------------------------------------------------------------------------------------------ the file

    def _get(self, at: int, size: int) -> bytes:
        """So many bytes of the file. Raises WorkError where it no longer gives them."""
        try:
            if isinstance(self._file, BytesIO) or not hasattr(os, "pread"):
                with self._lock:
                    self._file.seek(at)
                    data = self._file.read(size) or b""
            else:
                data = os.pread(self._file.fileno(), size, at)
        except OSError as error:
            raise WorkError(f"what was measured cannot be read back ({error.strerror or error}): check the disk that "
                            "holds the cache, and build with --fresh") from None
        if len(data) != size:
            raise WorkError("what was measured was cut short on the disk that holds the cache: build with --fresh")
        return data

    def _put(self, at: int, data: bytes) -> None:
        """Write bytes into the file, which moves where they do not fit."""
        try:
            self._file.seek(at)
            left = memoryview(data)
            while left:
                left = left[self._file.write(left) or 0 :]
        except OSError:
            self._move()
            self._put(at, data)

    def _move(self) -> None:
        """On to the next place, with all that was written."""
        let_files_be_open()
        old, gone = self._file, self._path
        place = next(self._places, _in_memory)
        try:
            file, path = place()
        except OSError:
            self._move()
            return
        self._hold(file, path, temporary=True)
        old.seek(0)
        at = 0
        while data := old.read(COPY_BYTES):
            self._put(at, data)
            at += len(data)
        _let_go(old, gone)

    def _hold(self, file: File, path: Path | None, *, temporary: bool) -> None:
        """Work with that file from now on; it is closed when the array is let go of, and removed if ``temporary``."""
        if hasattr(self, "_let_go"):
            self._let_go.detach()
        self._file, self._path = file, path
        self._let_go = weakref.finalize(self, _let_go, file, path if temporary else None)


class Row:
    """One row (steps, ...) of an array in a file."""

    def __init__(self, file: ArrayFile, row: int) -> None:
        self._file, self._row = file, row
        self.shape, self.dtype = file.shape[1:], file.dtype
        self._span = max(1, SPAN_BYTES // max(prod(file.shape[2:]) * file.dtype.itemsize, 1))

    def __len__(self) -> int:
        return self.shape[0]

    def __getitem__(self, key: slice | ArrayLike) -> NDArray[Any]:
        if isinstance(key, slice):
            return self._file.read(self._row, *_bounds(key, len(self)))
        index = np.asarray(key)
        if not index.size:
            return np.empty((*index.shape, *self.shape[1:]), self.dtype)
        low, high = int(index.min()), int(index.max())
        if low < 0 or high >= len(self):
            raise IndexError(f"steps {low} to {high} are not all among the {len(self)} there are")
        if high - low < self._span or not index.ndim:
            return np.asarray(self._file.read(self._row, low, high + 1)[index - low])
        if len(index) == 1:
            return self[index[0]][None]
        half = len(index) // 2
        return np.concatenate([self[index[:half]], self[index[half:]]])

    def __array__(self, dtype: np.dtype[Any] | None = None, copy: bool | None = None) -> NDArray[Any]:
        del copy
        return self[:].astype(dtype or self.dtype)


def head_of(shape: tuple[int, ...], dtype: np.dtype[Any]) -> bytes:
    """The head of an .npy file. Raises ValueError for an array of objects, which only unpickling could read back."""
    if dtype.hasobject:
        raise ValueError("objects cannot be stored")
    head = BytesIO()
    np.lib.format.write_array_header_1_0(head, {"descr": np.lib.format.dtype_to_descr(dtype), "fortran_order": False,
                                                "shape": shape})
    return head.getvalue()


def _bounds(key: slice, length: int) -> tuple[int, int]:
    """First and last of a slice's steps. Raises ValueError where it skips some."""
    first, last, stride = key.indices(length)
    if stride != 1:
        raise ValueError("a slice of an array in a file has no stride")
    return first, max(first, last)


def _in_temporary_file() -> tuple[File, None]:
    """A place for an array: a file that goes when it is closed."""
    return cast("File", TemporaryFile(buffering=0)), None


def _in_memory() -> tuple[File, None]:
    """A place for an array where no disk takes it."""
    return BytesIO(), None


def _let_go(file: File, path: Path | None) -> None:
    """Close a file, and remove it."""
    file.close()
    if path is not None:
        path.unlink(missing_ok=True)
