"""Ogg Vorbis written: for listening only, since what it takes away cannot be cut "bit for bit".

libsndfile draws the serial number of the stream by chance. It tells streams of one file apart and says nothing of the
sound, so that it is set to a fixed one here, with the checksum of each page that holds it (RFC 3533, section 6); then
the same input makes the same bytes.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from io import SEEK_CUR, BytesIO
from pathlib import Path
from typing import BinaryIO

import numpy as np
import soundfile

from oneshot.core.records.session import Floats

SERIAL = 1
QUALITY = 0.6
"""From 0 to 1, libvorbis' scale; about 190 kbit/s in stereo. (common practice, no source)"""
STRETCH = 4096
"""Frames written at a time: libsndfile's Vorbis writer keeps a whole write on its stack."""
_HEAD = struct.Struct("<4sBBqIIIB")
"""A page's head: "OggS", version, flags, position, serial, number, checksum, segments (RFC 3533, section 6)."""
_SERIAL_AT, _SUM_AT = 14, 22
_ONES = 0xFFFFFFFF
_TURNED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))
"""Every byte with its bits in the other order."""


def ogg_bytes(x: Floats, sample_rate: int, texts: Mapping[str, str] | None = None) -> bytes:
    """An Ogg Vorbis file of (channels, frames), full scale 1.0; the same bytes for the same input.

    ``texts``: comments by soundfile's names ("title", "artist", "license" ...). Raises ValueError for data that is not
    (channels, frames) or holds NaN or infinity.
    """
    if x.ndim != 2 or x.shape[0] < 1:
        raise ValueError(f"data of shape {x.shape} is not (channels, frames)")
    out = BytesIO()
    with _encoder(out, x.shape[0], sample_rate, texts) as file:
        _encode(file, x)
    return b"".join(_page(page) for page in pages(out.getvalue()))


@contextmanager
def ogg_beside(path: Path, channels: int, sample_rate: int,
               texts: Mapping[str, str] | None = None) -> Iterator[Callable[[Iterable[Floats]], Iterator[Floats]]]:
    """Inside, a function that gives blocks (channels, frames) on as they are while they are written to an Ogg Vorbis
    file, so that a long sound is made once for two files. The bytes are those of ``ogg_bytes`` where each block but the
    last is of a multiple of ``STRETCH`` frames. Raises ValueError as there, OSError where the file cannot be written.
    """
    with path.open("wb") as out, _encoder(out, channels, sample_rate, texts) as file:
        def along(blocks: Iterable[Floats]) -> Iterator[Floats]:
            """The blocks, each written on its way."""
            for block in blocks:
                _encode(file, block)
                yield block

        yield along
    _settle(path)


def _encoder(out: BinaryIO, channels: int, sample_rate: int, texts: Mapping[str, str] | None) -> soundfile.SoundFile:
    """A writer with its comments."""
    file = soundfile.SoundFile(out, "w", sample_rate, channels, "VORBIS", format="OGG", compression_level=1 - QUALITY)
    for name, text in (texts or {}).items():
        if text:
            setattr(file, name, text)
    return file


def _encode(file: soundfile.SoundFile, x: Floats) -> None:
    """Write (channels, frames)."""
    if not np.isfinite(x).all():
        raise ValueError("samples hold NaN or infinity")
    for at in range(0, x.shape[1], STRETCH):
        file.write(np.ascontiguousarray(x[:, at:at + STRETCH].T))


def _settle(path: Path) -> None:
    """Give the pages of a file the fixed serial number, in their places."""
    with path.open("rb+") as file:
        while page := _next_page(file):
            file.seek(-len(page), SEEK_CUR)
            file.write(_page(page))
            file.seek(0, SEEK_CUR)  # between writing and reading


def pages(data: bytes) -> Iterator[bytes]:
    """The pages of an Ogg file, in order. Raises ValueError where it is none."""
    file = BytesIO(data)
    while page := _next_page(file):
        yield page


def _next_page(file: BinaryIO) -> bytes:
    """The page that begins where a file is read; nothing at its end. Raises ValueError where none begins."""
    at = file.tell()
    head = file.read(_HEAD.size)
    if not head:
        return b""
    if head[:4] != b"OggS" or len(head) < _HEAD.size:
        raise ValueError(f"no Ogg page at byte {at}")
    table = file.read(head[-1])
    return head + table + file.read(sum(table))


def checksum(page: bytes) -> int:
    """The checksum of a page, its own four bytes taken as zero: CRC-32 with the polynomial 0x04c11db7, from 0 and with
    no bits reversed (RFC 3533, section 6). zlib's is of the same polynomial with all bits reversed, from and against
    all ones (ISO 3309): so the bits of what goes in and comes out are turned round.
    """
    plain = page[:_SUM_AT] + b"\0\0\0\0" + page[_SUM_AT + 4:]
    turned = zlib.crc32(plain.translate(_TURNED), _ONES) ^ _ONES
    return int.from_bytes(turned.to_bytes(4, "little").translate(_TURNED), "big")


def _page(page: bytes) -> bytes:
    """A page with the fixed serial number."""
    out = bytearray(page)
    out[_SERIAL_AT:_SERIAL_AT + 4] = struct.pack("<I", SERIAL)
    out[_SUM_AT:_SUM_AT + 4] = struct.pack("<I", checksum(bytes(out)))
    return bytes(out)
