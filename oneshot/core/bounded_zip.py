"""Zips that somebody else may have written: read within limits, or refused.

A zip of a few megabytes can claim, or unpack to, more than any disk or memory holds. So what it claims is added up
before anything is read, nothing is read beyond that, and only the two compressions are taken that give their output in
pieces as small as one asks for. Whatever is wrong with a zip is a ZipError in one line.
"""

from __future__ import annotations

import os
import shutil
import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

MOST_FILES = 100_000
"""Files in one zip; a kit has some thousands."""
MOST_TIMES = 40
"""How many times its own size a zip may unpack to, beside ``ALWAYS``. Recordings hardly shrink, and one of forty mics
that were all left off but one by their number; deflate does up to 1032 times.
"""
ALWAYS = 50_000_000
"""Bytes that any zip may unpack to."""
MOST_TEXT = 50_000_000
"""Bytes of one file that is read into memory: a text, such as the list of sums."""

_CHUNK = 1 << 20
_TAKEN = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_ENCRYPTED = 0x1
_ENTRY, _NAME, _LOCATOR = 46, 100, 20
_END, _END_64 = struct.Struct("<4s4H2LH"), struct.Struct("<4sQ2H2L4Q")
_END_MARK, _END_64_MARK = b"PK\5\6", b"PK\6\6"
"""Bytes of an entry in the directory without its name and of a long name, of the locator, and the records that end the
directory (.ZIP File Format Specification 6.3.10, sections 4.3.12, 4.3.15, 4.3.16 and 4.3.14).
"""
_FAULTS = (OSError, ValueError, EOFError, RuntimeError, KeyError, IndexError, OverflowError, zipfile.BadZipFile,
           zlib.error, struct.error)
"""All that reading a zip of these compressions may raise; what zipfile has not learned is a RuntimeError."""


class ZipError(ValueError):
    """A zip that cannot be read, or claims more than it may; the text is one line."""


@dataclass(frozen=True, slots=True)
class Packed:
    """An open zip. ``path``: where it lies."""

    path: Path
    file: zipfile.ZipFile

    @property
    def names(self) -> list[str]:
        """Names of all entries, folders too, in the order of the directory."""
        return self.file.namelist()

    @property
    def plain(self) -> bool:
        """Whether it holds nothing but its files: neither a comment nor anything before the first of them."""
        return not self.file.comment and min((i.header_offset for i in self.file.infolist()), default=0) == 0

    def text(self, name: str, most: int = MOST_TEXT) -> str:
        """A file of UTF-8 text of at most ``most`` bytes. Raises ZipError."""
        with _one_line():
            size = self.file.getinfo(name).file_size
            if size > most:
                raise ZipError(f"{name} in it is said to be {size / 1e6:.0f} MB long, more than {most / 1e6:g} MB")
            with self.file.open(name) as source:
                data = source.read(most + 1)
            if len(data) > size:
                raise ZipError(f"{name} in it is longer than is said")
            return data.decode("utf-8")

    def unpack(self, folder: Path) -> None:
        """Put all files below a folder. Raises ZipError, also where the disk has no room for what is claimed."""
        with _one_line():
            claimed = sum(entry.file_size for entry in self.file.infolist())
            free = shutil.disk_usage(folder).free
            if claimed > free:
                raise ZipError(f"it unpacks to {claimed / 1e9:.1f} GB, and {folder} has {free / 1e9:.1f} GB left")
            for entry in self.file.infolist():
                target = folder / entry.filename
                if not target.resolve().is_relative_to(folder.resolve()):
                    raise ZipError(f"{entry.filename!r} in it lies outside of its folder")
                if entry.is_dir():
                    target.mkdir(parents=True, exist_ok=True)
                else:
                    self._unpack(entry, target)

    def _unpack(self, entry: zipfile.ZipInfo, target: Path) -> None:
        """One file, no longer than is said of it."""
        target.parent.mkdir(parents=True, exist_ok=True)
        left = entry.file_size
        with self.file.open(entry) as source, target.open("xb") as file:
            while data := source.read(_CHUNK):
                left -= len(data)
                if left < 0:
                    raise ZipError(f"{entry.filename} in it is longer than is said")
                file.write(data)


@contextmanager
def opened(path: Path) -> Iterator[Packed]:
    """A zip, open for reading. Raises ZipError where it is none, is encrypted or claims more than it may."""
    with _one_line():
        _check_directory(path)
        file = zipfile.ZipFile(path)
    with file:
        with _one_line():
            _check_entries(path, file)
        yield Packed(path, file)


def _check_directory(path: Path) -> None:
    """Raise ZipError where the directory of a zip is larger than that of ``MOST_FILES``: it is read as a whole."""
    if not path.is_file():
        raise ZipError("it is no file")
    with path.open("rb") as file:
        file.seek(max(0, file.seek(0, os.SEEK_END) - _END.size - 0xffff - _LOCATOR - _END_64.size))
        tail = file.read()
    at = len(tail) - _END.size  # without a comment, else where it was written last: as zipfile looks for it
    if tail[at:at + 4] != _END_MARK or tail[-2:] != b"\0\0":
        at = tail.rfind(_END_MARK, max(0, len(tail) - _END.size - 0xffff))
    found = _END.unpack_from(tail, at)[5] if 0 <= at <= len(tail) - _END.size else 0
    wide = at - _LOCATOR - _END_64.size
    if wide >= 0 and tail[wide:wide + 4] == _END_64_MARK:
        found = _END_64.unpack_from(tail, wide)[8]
    if found > MOST_FILES * (_ENTRY + _NAME):
        raise ZipError(f"it holds more than {MOST_FILES} files")


def _check_entries(path: Path, file: zipfile.ZipFile) -> None:
    """Raise ZipError where the files of a zip are more, or claim more, than they may, or cannot be read in pieces."""
    entries = file.infolist()
    if len(entries) > MOST_FILES:
        raise ZipError(f"it holds more than {MOST_FILES} files")
    for entry in entries:
        if entry.flag_bits & _ENCRYPTED:
            raise ZipError("it is encrypted")
        if entry.compress_type not in _TAKEN:
            raise ZipError(f"{entry.filename} in it is compressed in another way than deflate")
    most = ALWAYS + MOST_TIMES * path.stat().st_size
    claimed = sum(entry.file_size for entry in entries)
    if claimed > most:
        raise ZipError(f"it unpacks to {claimed / 1e6:.0f} MB, more than {most / 1e6:.0f} MB, the most for its size")


@contextmanager
def _one_line() -> Iterator[None]:
    """Turn whatever is wrong with a zip into a ZipError."""
    try:
        yield
    except ZipError:
        raise
    except _FAULTS as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise ZipError(" ".join(reason.split())[:200] or "it is damaged") from None
