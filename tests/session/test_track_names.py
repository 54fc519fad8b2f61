"""Track names of recorders (iXML): which channel of which file is which mic. Files put together byte by byte."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from short_sessions import only

from oneshot.audio.io import TakeReader
from oneshot.core.records.roles import Role
from oneshot.session.open import open_session

RATE = 48000


def ixml(names: dict[int, str], head: bytes = b'<?xml version="1.0" encoding="UTF-8"?>\n') -> bytes:
    """A document as recorders write it: channel in the file, from 1, -> name (iXML specification, TRACK_LIST; from
    memory). CHANNEL_INDEX counts the recorder's inputs.
    """
    tracks = "".join(f"\t\t<TRACK>\r\n\t\t\t<CHANNEL_INDEX>{index + 8}</CHANNEL_INDEX>\r\n"
                     f"\t\t\t<INTERLEAVE_INDEX>{index}</INTERLEAVE_INDEX>\r\n\t\t\t<NAME>{name}</NAME>\r\n"
                     f"\t\t\t<FUNCTION></FUNCTION>\r\n\t\t</TRACK>\r\n" for index, name in names.items())
    return head + (f"<BWFXML>\r\n\t<IXML_VERSION>1.5</IXML_VERSION>\r\n\t<PROJECT>x</PROJECT>\r\n\t<TRACK_LIST>\r\n"
                   f"\t\t<TRACK_COUNT>{len(names)}</TRACK_COUNT>\r\n{tracks}\t</TRACK_LIST>\r\n</BWFXML>").encode()


def poly(path: Path, channels: int, frames: int, document: bytes | None, stamp: int | None = None) -> None:
    """16-bit WAV, channel n at n throughout (RIFF WAVE); ``bext`` (EBU Tech 3285) and ``iXML``, odd sizes padded."""
    chunks = b"fmt " + struct.pack("<IHHIIHH", 16, 1, channels, RATE, 2 * channels * RATE, 2 * channels, 16)
    if stamp is not None:
        bext = bytearray(602)
        struct.pack_into("<Q", bext, 338, stamp)
        chunks += b"bext" + struct.pack("<I", 602) + bytes(bext)
    if document is not None:
        chunks += b"iXML" + struct.pack("<I", len(document)) + document + b"\0" * (len(document) % 2)
    samples = struct.pack(f"<{channels}h", *range(1, channels + 1)) * frames
    body = b"WAVE" + chunks + b"data" + struct.pack("<I", len(samples)) + samples
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)


def roles(root: Path) -> dict[str, tuple[Role, str | None, str | None]]:
    """Mic -> role, drum, side."""
    return {mic.name: (mic.role, mic.drum, mic.side) for mic in only(open_session(root)).mics}


def test_a_split_file_of_many_mics_is_joined_by_name_and_time(tmp_path: Path) -> None:
    """Two parts of six channels: roles by track names, each channel runs on through both."""
    names = ixml(dict(enumerate(("Kick In", "SN Top &amp; wires", "OH L", "OH R", "Room", "Talkback"), 1)))
    poly(tmp_path / "rec_0001.wav", 6, 4800, names, 10**9)
    poly(tmp_path / "rec_0002.wav", 6, 300, names, 10**9 + 4800)

    take = only(open_session(tmp_path))

    assert {"rec 1": (Role.CLOSE, "kick", None), "rec 2": (Role.CLOSE, "snare", None),
            "rec 3": (Role.OVERHEAD, None, "L"), "rec 4": (Role.OVERHEAD, None, "R"), "rec 5": (Role.ROOM, None, None),
            "rec 6": (Role.TALK, None, None)} == roles(tmp_path)
    with TakeReader(tmp_path, take, dtype="int32") as reader:
        assert [[n, n] for n in range(1, 7)] == (reader.read(4799, 4801) >> 16).tolist()


def test_numbered_track_names_are_candidates_for_a_pair(tmp_path: Path) -> None:
    """Two overheads by the recorder's names are compared as two files would be; a level that never changes says
    nothing.
    """
    poly(tmp_path / "0007.wav", 3, 48000, ixml({1: "Kick", 2: "OH 1", 3: "OH 2"}))
    (problem,) = open_session(tmp_path).problems

    assert "0007 2 and 0007 3 are treated as two mics and no pair" in problem.what


@pytest.mark.parametrize(("stem", "document", "role", "drum"), [
    ("rec12_3", ixml({1: "SN btm"}), Role.CLOSE, "snare"), ("rec12_3", ixml({1: "Kick", 2: "OH"}), Role.ROOM, None),
    ("rec12_3", ixml({1: "Aux 3"}), Role.ROOM, None), ("rec12_3", None, Role.ROOM, None),
    ("OH", ixml({1: "Kick"}), Role.OVERHEAD, None), ("rec12_3", ixml({1: "Kick"}, b"\xef\xbb\xbf"), Role.CLOSE, "kick"),
])
def test_a_file_of_one_channel_has_its_track_name_where_its_own_says_nothing(
        tmp_path: Path, stem: str, document: bytes | None, role: Role, drum: str | None) -> None:
    """A name that tells a role goes first; track names of a whole recorder in one channel's file do not say which."""
    poly(tmp_path / f"{stem}.wav", 1, 480, document)
    poly(tmp_path / "Hat.wav", 1, 480, None)

    assert (role, drum, None) == roles(tmp_path)[stem]
