"""Tags written into finished sound files without touching a sample: RIFF chunks, FLAC comments, AIFF chunks.

A file is parsed by its container's own rules and written again with its tags; the samples are copied unchanged. Tags of
the same names are replaced, so that tagging twice is tagging once.

Layouts: RIFF WAVE (IBM and Microsoft 1991, 1994; ``smpl`` is Microsoft's of 1994, from memory), FLAC (RFC 9639, section
8: metadata blocks, Vorbis comment), AIFF 1.3 (Apple 1989, from memory: NAME, AUTH, "(c) ", ANNO, MARK, INST).
"""

from __future__ import annotations

import hashlib
import math
import struct
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from oneshot.audio.riff import Marker, bext_chunk, cue_chunks, info_chunk, read_chunk, read_markers, time_reference
from oneshot.core.errors import AudioError
from oneshot.core.files import write_atomic
from oneshot.core.records.session import Chunk
from oneshot.core.text import one_line

UNKNOWN_LOUDNESS = 0x7FFF
"""EBU Tech 3285 v2: value of a loudness field that is not given."""

MOST_DIGITS = 20
"""Of a number in a comment: enough for 64 bits."""


@dataclass(frozen=True, slots=True)
class Tags:
    """The tags of a file. Texts are made one line each: what reads them ends them at a line end or at a zero.

    ``title``, ``album``, ``artist``, ``rights``, ``software``: texts, empty for none; ``key``: MIDI note that plays it;
    ``attack``: its frame in the file; ``sample_rate``: Hz; ``time_reference``: frames from midnight to its first frame;
    ``history``: lines of what was done to it (EBU R 98); ``integrated_lufs``, ``true_peak_dbtp``, ``momentary_lufs``:
    None where not known.
    """

    title: str
    album: str
    artist: str
    rights: str
    software: str
    key: int
    attack: int
    sample_rate: int
    time_reference: int
    history: tuple[str, ...]
    integrated_lufs: float | None = None
    true_peak_dbtp: float | None = None
    momentary_lufs: float | None = None

    def __post_init__(self) -> None:
        for name in ("title", "album", "artist", "rights", "software"):
            object.__setattr__(self, name, one_line(getattr(self, name)))
        object.__setattr__(self, "history", tuple(map(one_line, self.history)))


def write_tags(path: Path, tags: Tags) -> str | None:
    """Write tags into a WAV, FLAC or AIFF file; returns its SHA-256 then, None for any other file, which stays
    unchanged.

    Raises AudioError where the file cannot be read as what it claims to be, OSError where it cannot be written.
    """
    data = path.read_bytes()
    out = tagged(data, tags, path)
    if out is None:
        return None
    if out != data:
        write_atomic(path, out)
    return hashlib.sha256(out).hexdigest()


def write_tagged(path: Path, data: bytes, tags: Tags | None) -> str:
    """Write a sound file from its bytes, with those tags in it; its SHA-256. Raises as ``write_tags``."""
    out = data if tags is None else tagged(data, tags, path) or data
    path.write_bytes(out)
    return hashlib.sha256(out).hexdigest()


def tagged(data: bytes, tags: Tags, path: Path) -> bytes | None:
    """The bytes of a WAV, FLAC or AIFF file with those tags in it in place of those it had; None for any other file.

    ``path``: what it is called. Raises AudioError where it cannot be read as what it claims to be.
    """
    if data[:4] == b"RIFF" and data[8:12] == b"WAVE":
        return _riff(path, data, tags)
    if data[:4] == b"fLaC":
        return _flac(path, data, tags)
    if data[:4] == b"FORM" and data[8:12] in (b"AIFF", b"AIFC"):
        return _aiff(path, data, tags)
    return None


# ----------------------------------------------------------------------------------------------------------------- RIFF


def wav_chunks(tags: Tags) -> tuple[Chunk, ...]:
    """The chunks of a WAV file: ``bext`` version 2 with loudness, INFO, ``smpl`` with the key, a cue at the attack."""
    texts = {"INAM": tags.title, "IPRD": tags.album, "IART": tags.artist, "ICOP": tags.rights, "ISFT": tags.software}
    return (loud_bext(tags), info_chunk({key: text for key, text in texts.items() if text}),
            smpl_chunk(tags.key, tags.sample_rate), *cue_chunks([Marker(tags.attack, "attack")]))


def loud_bext(tags: Tags) -> Chunk:
    """``bext`` version 2 (EBU Tech 3285): time reference, coding history, and the loudness that is known; no date, no
    time of day, no person.
    """
    plain = bext_chunk(max(tags.time_reference, 0), description=tags.title, originator=tags.software,
                       coding_history="".join(f"{line}\r\n" for line in tags.history))
    known = [_hundredths(tags.integrated_lufs), UNKNOWN_LOUDNESS, _hundredths(tags.true_peak_dbtp),
             _hundredths(tags.momentary_lufs), UNKNOWN_LOUDNESS]
    return Chunk(b"bext", plain.data[:412] + struct.pack("<5h", *known) + plain.data[422:])


def _hundredths(value: float | None) -> int:
    """A loudness as ``bext`` holds it: hundredths, from -99.99 to 99.99, else not given."""
    if value is None or not math.isfinite(value) or abs(value) > 99.99:
        return UNKNOWN_LOUDNESS
    return math.floor(value * 100 + 0.5)


def smpl_chunk(key: int, sample_rate: int) -> Chunk:
    """A ``smpl`` chunk: the MIDI note that plays the file unshifted, no loop."""
    return Chunk(b"smpl", struct.pack("<9I", 0, 0, round(1e9 / sample_rate), key, 0, 0, 0, 0, 0))


def _riff(path: Path, data: bytes, tags: Tags) -> bytes:
    """A WAV file with its tags in place of those before."""
    new = wav_chunks(tags)
    old = [(name, body) for name, body in _walk(path, data, 12, "<") if name in (b"fmt ", b"fact", b"data")]
    early = [(c.id, c.data) for c in new if c.id == b"bext" or c.data[:4] == b"INFO"]
    late = [(c.id, c.data) for c in new if c.id != b"bext" and c.data[:4] != b"INFO"]
    rows = [*(row for row in old if row[0] != b"data"), *early, *(row for row in old if row[0] == b"data"), *late]
    return _container(b"RIFF", b"WAVE", rows, "<")


def _walk(path: Path, data: bytes, at: int, order: str) -> Iterator[tuple[bytes, bytes]]:
    """The chunks of a RIFF ("<") or IFF (">") file from byte ``at`` on."""
    while at + 8 <= len(data):
        name, size = data[at : at + 4], struct.unpack_from(f"{order}I", data, at + 4)[0]
        if at + 8 + size > len(data):
            raise AudioError(f"{path}: its chunk {name!r} ends beyond the file: it is cut short")
        yield name, data[at + 8 : at + 8 + size]
        at += 8 + size + size % 2


def _container(outer: bytes, form: bytes, rows: Sequence[tuple[bytes, bytes]], order: str) -> bytes:
    """A RIFF or IFF file of those chunks."""
    body = form + b"".join(name + struct.pack(f"{order}I", len(each)) + each + b"\0" * (len(each) % 2)
                           for name, each in rows)
    return outer + struct.pack(f"{order}I", len(body)) + body


# ----------------------------------------------------------------------------------------------------------------- FLAC


def comments(tags: Tags) -> dict[str, str]:
    """Vorbis comments: the usual names, and names of our own for figures that FLAC has no field for."""
    texts = {"TITLE": tags.title, "ALBUM": tags.album, "ARTIST": tags.artist, "COPYRIGHT": tags.rights,
             "ENCODER": tags.software, "MIDI_KEY": str(tags.key), "ATTACK_FRAME": str(tags.attack),
             "TIME_REFERENCE": str(max(tags.time_reference, 0)), "CODING_HISTORY": "; ".join(tags.history)}
    return {name: text for name, text in texts.items() if text}


def _flac(path: Path, data: bytes, tags: Tags) -> bytes:
    """A FLAC file with its comments in place of those before; padding and pictures go."""
    found, at = _blocks(path, data)
    blocks = [row for row in found if row[0] in (0, 2, 3, 5)]  # stream info, application, seek table, cue sheet
    vendor = tags.software.encode()
    said = [f"{name}={text}".encode() for name, text in comments(tags).items()]
    body = struct.pack("<I", len(vendor)) + vendor + struct.pack("<I", len(said))
    blocks.append((4, body + b"".join(struct.pack("<I", len(each)) + each for each in said)))
    heads = [bytes([kind | (0x80 if n == len(blocks) - 1 else 0)]) + len(each).to_bytes(3, "big") + each
             for n, (kind, each) in enumerate(blocks)]
    return b"fLaC" + b"".join(heads) + data[at:]


# ----------------------------------------------------------------------------------------------------------------- AIFF


def _aiff(path: Path, data: bytes, tags: Tags) -> bytes:
    """An AIFF file with names, marker and key in place of those before."""
    kept = [(name, body) for name, body in _walk(path, data, 12, ">") if name in (b"FVER", b"COMM", b"SSND")]
    texts: Mapping[bytes, str] = {b"NAME": tags.title, b"AUTH": tags.artist, b"(c) ": tags.rights,
                                  b"ANNO": "; ".join([tags.album, tags.software, *tags.history])}
    rows = [*kept, *((name, text.encode("utf-8")) for name, text in texts.items() if text)]
    label = b"attack"
    rows.append((b"MARK", struct.pack(">HHIB", 1, 1, tags.attack, len(label)) + label + b"\0" * (1 - len(label) % 2)))
    rows.append((b"INST", struct.pack(">BbBBBBh", tags.key, 0, 0, 127, 1, 127, 0) + struct.pack(">6H", *[0] * 6)))
    return _container(b"FORM", data[8:12], rows, ">")


# -------------------------------------------------------------------------------------------------------- reading back


@dataclass(frozen=True, slots=True)
class Said:
    """The tags that a file carries, as in ``Tags``; ``loudness``: integrated, true peak and momentary in hundredths.
    None where it lacks one, or its format has no field for it.
    """

    key: int | None = None
    attack: int | None = None
    time_reference: int | None = None
    loudness: tuple[int, int, int] | None = None


def read_back(path: Path) -> Said:
    """The tags that a WAV, FLAC or AIFF file carries. Raises AudioError where its container or its tags are damaged."""
    with _damage_told(path):
        return _said(path)


def _said(path: Path) -> Said:
    data = path.read_bytes()
    if data[:4] == b"fLaC":
        return _flac_said(path, data)
    if data[:4] == b"FORM":
        rows = dict(_walk(path, data, 12, ">"))
        mark, inst = rows.get(b"MARK", b""), rows.get(b"INST", b"")
        return Said(inst[0] if inst else None, struct.unpack_from(">I", mark, 4)[0] if len(mark) >= 8 else None)
    bext, smpl = read_chunk(path, b"bext") or b"", read_chunk(path, b"smpl") or b""
    known = struct.unpack_from("<5h", bext, 412) if len(bext) >= 422 else None
    return Said(struct.unpack_from("<I", smpl, 12)[0] if len(smpl) >= 16 else None,
                next((marker.frame for marker in read_markers(path)), None), time_reference(path),
                None if known is None else (known[0], known[2], known[3]))


def history_of(path: Path) -> tuple[str, ...]:
    """The lines of coding history that a WAV or FLAC file carries; none where it has lost them.

    Raises AudioError where its container or its tags are damaged.
    """
    data = path.read_bytes()
    if data[:4] == b"fLaC":
        with _damage_told(path):
            text = _comments(path, data).get("CODING_HISTORY", "")
        return tuple(line if line.startswith("A=") else f"A={line}" for line in text.split("; A=") if line)
    bext = read_chunk(path, b"bext") or b""
    return tuple(line for line in bext[602:].decode("ascii", errors="replace").replace("\0", "").splitlines() if line)


@contextmanager
def _damage_told(path: Path) -> Iterator[None]:
    """Inside, raise AudioError where numbers in a file lead beyond what holds them."""
    try:
        yield
    except (struct.error, IndexError):
        raise AudioError(f"{path}: its tags are damaged: write the file again") from None


def loudness_fields(integrated_lufs: float | None, true_peak_dbtp: float | None,
                    momentary_lufs: float | None) -> tuple[int, int, int]:
    """Three levels as ``bext`` holds them."""
    return _hundredths(integrated_lufs), _hundredths(true_peak_dbtp), _hundredths(momentary_lufs)


def _flac_said(path: Path, data: bytes) -> Said:
    """From the Vorbis comments of a FLAC file."""
    found = {name: int(text) for name, text in _comments(path, data).items()
             if text.isdecimal() and len(text) <= MOST_DIGITS}
    return Said(found.get("MIDI_KEY"), found.get("ATTACK_FRAME"), found.get("TIME_REFERENCE"))


def _comments(path: Path, data: bytes) -> dict[str, str]:
    """The Vorbis comments of a FLAC file, names in capitals."""
    for kind, body in _blocks(path, data)[0]:
        if kind != 4 or len(body) < 8:
            continue
        at = 4 + struct.unpack_from("<I", body)[0]
        found = {}
        for _ in range(struct.unpack_from("<I", body, at)[0]):
            size = struct.unpack_from("<I", body, at + 4)[0]
            name, _, text = body[at + 8:at + 8 + size].decode("utf-8", errors="replace").partition("=")
            found[name.upper()] = text
            at += 4 + size
        return found
    return {}


def _blocks(path: Path, data: bytes) -> tuple[list[tuple[int, bytes]], int]:
    """The metadata blocks of a FLAC file, and where its frames begin."""
    at, blocks = 4, []
    while True:
        if at + 4 > len(data):
            raise AudioError(f"{path}: its metadata ends beyond the file: it is cut short")
        kind, size = data[at], int.from_bytes(data[at + 1 : at + 4], "big")
        blocks.append((kind & 0x7F, data[at + 4 : at + 4 + size]))
        at += 4 + size
        if kind & 0x80:
            return blocks, at
