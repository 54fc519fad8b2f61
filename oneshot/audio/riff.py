"""RIFF chunks of WAV files: what they say beside the samples.

Layouts from EBU Tech 3285 (Broadcast Wave: ``bext``, versions 0 to 2), EBU Tech 3306 and ITU-R BS.2088 (RF64, BW64:
``ds64``), and the RIFF definition of IBM and Microsoft of 1991 (``cue ``, ``LIST``/``adtl``, ``LIST``/``INFO``). All
numbers are little-endian. What a chunk says about people is never read: only times and labels are.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from oneshot.core.errors import AudioError
from oneshot.core.files import reason
from oneshot.core.records.session import Chunk
from oneshot.core.text import one_line

__all__ = ["Chunk", "ChunkSpan", "Fault", "Layout", "Marker", "aiff_fault", "bext_chunk", "cue_chunks", "info_chunk",
           "list_chunks", "read_chunk", "read_layout", "read_markers", "time_reference", "track_names"]

_LARGEST = 16 << 20
_MOST_CHUNKS = 4096
"""So many chunks of a file are looked at: recorders and editors write some ten; of zeros where a recorder lost power,
each eight bytes read as one.
"""
_MOST_IXML = 2 << 20
"""Bytes of an ``iXML`` chunk that are read: the names of a thousand tracks take some 200 kB."""
_MOST_MARKERS = 20_000
_MOST_LETTERS = 1000
"""Of a label or a name; what is longer is cut."""
_MOST_DIGITS = 6
_UNKNOWN = 0xFFFFFFFF
_WRAP = 2**32
"""Sizes of RIFF have 32 bits: of a file that grew beyond, only what is left after whole multiples of this stands."""
_CHUNK_NAME = re.compile(rb"[ -~]{4}")
_STANDARD = frozenset((b"fmt ", b"data", b"fact", b"bext", b"iXML", b"axml", b"chna", b"LIST", b"JUNK", b"junk",
                       b"PAD ", b"cue ", b"plst", b"smpl", b"inst", b"PEAK", b"levl", b"link", b"umid", b"cart",
                       b"mext", b"qlty", b"id3 ", b"ID3 "))
"""Chunks that are looked for where a pad byte may be missing."""


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with a file's header and how it is read all the same, and what to do about it."""

    what: str
    todo: str


NO_LENGTH = Fault("its header does not give its length, as if the recorder had lost power: it is read to its end",
                  "check its end")
CUT_OFF = Fault("its header promises more than the file holds: what is there is read",
                "copy it again if the original is longer")
UNPADDED = Fault("a chunk of odd length lacks the pad byte that belongs behind it: it is read all the same",
                 "nothing, unless it sounds wrong")
WRAPPED = Fault("it is longer than its header can tell (4 GiB): all of it is read", "check its end")
GOES_ON = Fault("it goes on behind the samples that its header tells of, as if the recorder had lost power: it is read "
                "to its end", "check its end")
_GOES_ON = 1 << 16
"""Bytes behind the samples that are no chunk, from which on they are more samples: less than half a second of them, and
more than programs leave behind by mistake.
"""
_LOOKED_AT = 4096


@dataclass(frozen=True, slots=True)
class ChunkSpan:
    """Where a chunk's data lies in its file: four letters, first byte, bytes (without padding)."""

    id: bytes
    at: int
    size: int


@dataclass(frozen=True, slots=True)
class Layout:
    """The top-level chunks of a WAVE file in file order. ``kind``: b"RIFF", b"RF64" or b"BW64", b"" for any other file;
    ``fault``: what was wrong with the way to its samples, or with their size.
    """

    kind: bytes = b""
    chunks: tuple[ChunkSpan, ...] = ()
    fault: Fault | None = None

    def first(self, name: bytes) -> ChunkSpan | None:
        """The first chunk of that name; None without one."""
        return next((span for span in self.chunks if span.id == name), None)


@dataclass(frozen=True, slots=True, order=True)
class Marker:
    """A cue point: frame of the file, and its label (empty where it has none)."""

    frame: int
    label: str


def list_chunks(path: Path) -> tuple[ChunkSpan, ...]:
    """The chunks of ``read_layout``. Raises AudioError as it does."""
    return read_layout(path).chunks


def read_layout(path: Path) -> Layout:
    """Where the chunks of a RIFF, RF64 or BW64 WAVE file lie, the first 4096 of them.

    Headers that recorders leave behind are read for what is there: a size that runs past the end of the file is cut to
    it; samples of which the size is not given (0 or 0xFFFFFFFF) go to the end of the file, and so do those behind which
    much more follows that is no chunk; a chunk may follow one of odd size without a pad byte. Raises AudioError if the
    file cannot be opened.
    """
    try:
        with path.open("rb") as file:
            return _layout(file)
    except OSError as error:
        raise AudioError(f"{path} cannot be opened ({reason(error)}): check that it exists "
                         "and may be read") from None


def _layout(file: BinaryIO) -> Layout:
    head = file.read(12)
    if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64", b"BW64") or head[8:] != b"WAVE":
        return Layout()
    end = file.seek(0, 2)
    sizes: dict[bytes, int] = {}
    spans: list[ChunkSpan] = []
    fault: Fault | None = None
    reached = False  # the samples: what is wrong behind them keeps nobody from reading them
    at = 12
    while at + 8 <= end and len(spans) < _MOST_CHUNKS:
        file.seek(at)
        name, size = struct.unpack("<4sI", file.read(8))
        if name == b"ds64" and not spans:
            sizes = _large_sizes(file.read(min(size, end - at - 8, _LARGEST)))
        elif size == _UNKNOWN:
            size = sizes.get(name, size)
        if name == b"data" and not reached:
            size, found = _sample_bytes(file, at + 8, size, end)
            fault, reached = found or fault, True
        size = min(size, end - at - 8)
        spans.append(ChunkSpan(name, at + 8, size))
        at += 8 + size
        if size % 2 and _unpadded(file, at):
            fault = fault if reached else UNPADDED
        else:
            at += size % 2
    return Layout(head[:4], tuple(spans), fault)


def _sample_bytes(file: BinaryIO, at: int, size: int, end: int) -> tuple[int, Fault | None]:
    """How many bytes of samples lie at ``at`` in a file of ``end`` bytes whose header says ``size``."""
    rest = end - at
    if size == _UNKNOWN or (size == 0 and rest >= 8 and not _begins_chunk(file, at, end)):
        return rest, NO_LENGTH
    if size > rest:
        return rest, CUT_OFF
    if size + _WRAP <= rest and not _begins_chunk(file, at + size + size % 2, end):
        whole = [n for n in range(size + _WRAP, rest + 1, _WRAP) if n + n % 2 >= rest
                 or _begins_chunk(file, at + n + n % 2, end)]
        return (whole[0] if whole else rest), WRAPPED
    if rest - size >= _GOES_ON and not any(_begins_chunk(file, at + size + pad, end) for pad in (0, size % 2)):
        file.seek(at + size)
        if any(file.read(_LOOKED_AT)):
            return rest, GOES_ON
    return size, None


def _begins_chunk(file: BinaryIO, at: int, end: int) -> bool:
    """Whether what lies there may be a chunk: four ASCII characters, and a size that the file has room for."""
    file.seek(at)
    head = file.read(8)
    return (len(head) == 8 and _CHUNK_NAME.fullmatch(head[:4]) is not None
            and struct.unpack_from("<I", head, 4)[0] <= end - at - 8)


def _unpadded(file: BinaryIO, at: int) -> bool:
    """Whether the chunk after one of odd size, which ended before ``at``, lies there without a pad byte before it."""
    file.seek(at)
    near = file.read(5)
    return near[:4] in _STANDARD and near[1:] not in _STANDARD


def _large_sizes(data: bytes) -> dict[bytes, int]:
    """The 64-bit sizes of a ``ds64`` chunk: that of ``data``, and of any other chunk in its table."""
    if len(data) < 24:
        return {}
    sizes = {b"data": struct.unpack_from("<Q", data, 8)[0]}
    count = struct.unpack_from("<I", data, 24)[0] if len(data) >= 28 else 0
    for row in range(min(count, (len(data) - 28) // 12)):
        name, size = struct.unpack_from("<4sQ", data, 28 + 12 * row)
        sizes[name] = size
    return sizes


def read_chunk(path: Path, name: bytes) -> bytes | None:
    """The data of the first chunk of that name; None without one, or above 16 MiB. Raises AudioError as above."""
    for span in list_chunks(path):
        if span.id == name:
            return _data(path, span)
    return None


def _data(path: Path, span: ChunkSpan) -> bytes | None:
    if span.size > _LARGEST:
        return None
    with path.open("rb") as file:
        file.seek(span.at)
        return file.read(span.size)


def aiff_fault(path: Path) -> Fault | None:
    """What is wrong with the sizes of an AIFF file, of which libsndfile reads what is there; None for any other file.

    Audio IFF 1.3 (1989): big-endian chunks as in RIFF; COMM counts the frames, SSND holds them behind two words.
    Raises AudioError if the file cannot be opened.
    """
    try:
        with path.open("rb") as file:
            head = file.read(12)
            if head[:4] != b"FORM" or head[8:] not in (b"AIFF", b"AIFC"):
                return None
            end = file.seek(0, 2)
            at, empty = 12, False
            for _ in range(_MOST_CHUNKS):
                file.seek(at)
                chunk = file.read(14)
                if len(chunk) < 14:
                    return None
                name, size, _, frames = struct.unpack(">4sIHI", chunk)
                empty = empty or (name == b"COMM" and frames == 0)
                if name == b"SSND":
                    return NO_LENGTH if empty or size in (0, _UNKNOWN) else CUT_OFF if size > end - at - 8 else None
                at += 8 + size + size % 2
    except OSError as error:
        raise AudioError(f"{path} cannot be opened ({reason(error)}): check that it exists "
                         "and may be read") from None
    return None


def time_reference(path: Path) -> int | None:
    """Frames from midnight to the file's first frame, as its ``bext`` chunk says; None where it has no such chunk.

    EBU Tech 3285: two 32-bit words after 256 bytes of description, 32 + 32 of originator, 10 of date and 8 of time.
    """
    data = read_chunk(path, b"bext")
    if data is None or len(data) < 346:
        return None
    return int(struct.unpack_from("<Q", data, 338)[0])


def track_names(path: Path) -> dict[int, str]:
    """Channel (from 0) to track name, as the ``iXML`` chunk of a recorder's file with many channels says; else empty.

    iXML specification, TRACK_LIST (from memory): INTERLEAVE_INDEX is the channel in the file, counted from 1, and
    CHANNEL_INDEX stands in for it. Nothing else of the chunk is read.
    """
    text = _text((read_chunk(path, b"iXML") or b"")[:_MOST_IXML])
    names: dict[int, str] = {}
    values: dict[str, str] = {}
    opened, begin = "", 0
    for tag in _TRACK_TAGS.finditer(text):  # one pass: nothing is looked for again where an end is missing
        ends, name = tag.groups()
        if not ends:
            opened, begin = name, tag.end()
            if name == "TRACK":
                values = {}
        elif name == "TRACK":
            index = values.get("INTERLEAVE_INDEX") or values.get("CHANNEL_INDEX") or ""
            if index.isdecimal() and len(index) <= _MOST_DIGITS and int(index) > 0 and values.get("NAME"):
                names[int(index) - 1] = values["NAME"]
            values = {}
        elif name == opened:
            values[name] = _plain(text[begin:tag.start()].strip()[:_MOST_LETTERS])
            opened = ""
    return names


_TRACK_TAGS = re.compile("<(/?)(TRACK|INTERLEAVE_INDEX|CHANNEL_INDEX|NAME)>")


def _plain(text: str) -> str:
    """XML text without its five named entities."""
    for entity, letter in (("&lt;", "<"), ("&gt;", ">"), ("&quot;", '"'), ("&apos;", "'"), ("&amp;", "&")):
        text = text.replace(entity, letter)
    return text


def read_markers(path: Path) -> tuple[Marker, ...]:
    """The cue points of a WAV file, sorted, with their ``labl``, else the text of ``ltxt``.

    Of a chunk the first 20,000, of a text the first 1,000 bytes. AudioError as above.
    """
    points: dict[int, int] = {}
    labels: dict[int, str] = {}
    for span in list_chunks(path):
        if span.id not in (b"cue ", b"LIST"):
            continue
        data = _data(path, span) or b""
        if span.id == b"cue " and len(data) >= 4:
            count = min(struct.unpack_from("<I", data)[0], (len(data) - 4) // 24, _MOST_MARKERS)
            for row in range(count):
                number, _, _, _, _, frame = struct.unpack_from("<II4sIII", data, 4 + 24 * row)
                points[number] = frame
        elif data[:4] == b"adtl":
            labels.update(_labels(data))
    return tuple(sorted(Marker(frame, labels.get(number, "")) for number, frame in points.items()))


def _labels(data: bytes) -> dict[int, str]:
    """Cue number to text, of a ``LIST`` chunk of kind ``adtl``; a label outranks a text of the same number."""
    found: dict[bytes, dict[int, str]] = {b"ltxt": {}, b"labl": {}}
    at = 4
    while at + 12 <= len(data):
        name, size, number = struct.unpack_from("<4sII", data, at)
        skip = {b"labl": 4, b"ltxt": 20}.get(name)
        if skip is not None:
            text = data[at + 8 + skip:min(at + 8 + size, at + 8 + skip + _MOST_LETTERS)].split(b"\0")[0]
            if text:
                found[name][number] = _text(text)
        at += 8 + size + size % 2
    return found[b"ltxt"] | found[b"labl"]


def _text(data: bytes) -> str:
    """RIFF text has no declared encoding: UTF-8 where it is valid, else Latin-1."""
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("latin-1")


# -------------------------------------------------------------------------------------------------------------- writing


def bext_chunk(time_reference: int, description: str = "", originator: str = "", coding_history: str = "") -> Chunk:
    """A ``bext`` chunk, version 2 (EBU Tech 3285), without date, clock time, UMID or loudness.

    ``time_reference``: frames from midnight, 0 to 2^64 - 1. Text beyond its field (256 and 32 ASCII bytes) is cut off.
    Loudness fields hold 0x7FFF, which the standard sets for "not given".
    """
    fixed = struct.pack("<256s32s32s10s8sQH64s5h", _ascii(description)[:256], _ascii(originator)[:32], b"", b"", b"",
                        time_reference, 2, b"", *[0x7FFF] * 5)
    return Chunk(b"bext", fixed + bytes(180) + _ascii(coding_history))


def info_chunk(entries: Mapping[str, str]) -> Chunk:
    """A ``LIST`` chunk of kind ``INFO``: four-letter keys (``INAM``, ``ICOP`` …) to text on one line, in the order
    given.

    Raises ValueError for a key that does not have four letters.
    """
    body = b"INFO"
    for key, text in entries.items():
        name, data = key.encode("ascii"), one_line(text).encode("utf-8") + b"\0"
        if len(name) != 4:
            raise ValueError(f"INFO key {key!r} does not have four letters")
        body += name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2)
    return Chunk(b"LIST", body)


def cue_chunks(markers: Sequence[Marker]) -> tuple[Chunk, ...]:
    """``cue `` and ``LIST``/``adtl`` for the given markers, numbered from 1; nothing for none."""
    if not markers:
        return ()
    points = b"".join(struct.pack("<II4sIII", i, m.frame, b"data", 0, 0, m.frame) for i, m in enumerate(markers, 1))
    labels = b"adtl"
    for number, marker in enumerate(markers, 1):
        text = marker.label.encode("utf-8") + b"\0"
        labels += b"labl" + struct.pack("<II", 4 + len(text), number) + text + b"\0" * (len(text) % 2)
    return Chunk(b"cue ", struct.pack("<I", len(markers)) + points), Chunk(b"LIST", labels)


def _ascii(text: str) -> bytes:
    return text.encode("ascii", errors="replace")
