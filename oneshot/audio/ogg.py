"""Ogg Vorbis written: for listening only, since what it takes away cannot be cut "bit for bit".

libsndfile draws the serial number of the stream by chance. It tells streams of one file apart and says nothing of the
sound, so that it is set to a fixed one here, with the checksum of each page that holds it (RFC 3533, section 6); then
the same input makes the same bytes.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping
from io import BytesIO

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


def ogg_bytes(x: Floats, sample_rate: int, texts: Mapping[str, str] | None = None) -> bytes:
    """An Ogg Vorbis file of (channels, frames), full scale 1.0; the same bytes for the same input.

    ``texts``: comments by soundfile's names ("title", "artist", "license" ...). Raises ValueError for data that is not
    (channels, frames) or holds NaN or infinity.
    """
    if x.ndim != 2 or x.shape[0] < 1:
        raise ValueError(f"data of shape {x.shape} is not (channels, frames)")
    if not np.isfinite(x).all():
        raise ValueError("samples hold NaN or infinity")
    out = BytesIO()
    with soundfile.SoundFile(out, "w", sample_rate, x.shape[0], "VORBIS", format="OGG",
                             compression_level=1 - QUALITY) as file:
        for name, text in (texts or {}).items():
            if text:
                setattr(file, name, text)
        for at in range(0, x.shape[1], STRETCH):
            file.write(np.ascontiguousarray(x[:, at:at + STRETCH].T))
    return b"".join(_page(page) for page in pages(out.getvalue()))


def pages(data: bytes) -> Iterator[bytes]:
    """The pages of an Ogg file, in order. Raises ValueError where it is none."""
    at = 0
    while at < len(data):
        if data[at:at + 4] != b"OggS" or at + _HEAD.size > len(data):
            raise ValueError(f"no Ogg page at byte {at}")
        segments = data[at + _HEAD.size - 1]
        table = at + _HEAD.size
        end = table + segments + sum(data[table:table + segments])
        yield data[at:end]
        at = end


def checksum(page: bytes) -> int:
    """The checksum of a page, its own four bytes taken as zero: CRC-32 with the polynomial 0x04c11db7, from 0 and with
    no bits reversed (RFC 3533, section 6).
    """
    plain = page[:_SUM_AT] + b"\0\0\0\0" + page[_SUM_AT + 4:]
    crc = 0
    for byte in plain:
        crc = ((crc << 8) & 0xFFFFFFFF) ^ _TABLE[(crc >> 24) ^ byte]
    return crc


def _page(page: bytes) -> bytes:
    """A page with the fixed serial number."""
    out = bytearray(page)
    out[_SERIAL_AT:_SERIAL_AT + 4] = struct.pack("<I", SERIAL)
    out[_SUM_AT:_SUM_AT + 4] = struct.pack("<I", checksum(bytes(out)))
    return bytes(out)


def _crc_of(byte: int) -> int:
    crc = byte << 24
    for _ in range(8):
        crc = ((crc << 1) ^ (0x04C11DB7 if crc & 0x80000000 else 0)) & 0xFFFFFFFF
    return crc


_TABLE = tuple(_crc_of(byte) for byte in range(256))
