"""RIFF chunks: found, read and written as the published layouts say."""

from __future__ import annotations

import struct
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from oneshot.audio.io import write_wav
from oneshot.audio.riff import (
    ChunkSpan,
    Marker,
    bext_chunk,
    cue_chunks,
    info_chunk,
    list_chunks,
    read_chunk,
    read_markers,
    time_reference,
    track_names,
)
from oneshot.core.errors import AudioError
from oneshot.core.records.session import Chunk


def wav(path: Path, *chunks: Chunk) -> Path:
    """A tenth of a second of silence with further chunks."""
    write_wav(path, np.zeros((1, 4800), np.int32), 48000, "PCM_24", chunks)
    return path


def riff(*chunks: tuple[bytes, bytes], head: bytes = b"RIFF") -> bytes:
    """A RIFF WAVE file put together by hand."""
    body = b"WAVE" + b"".join(n + struct.pack("<I", len(d)) + d + b"\0" * (len(d) % 2) for n, d in chunks)
    return head + struct.pack("<I", len(body)) + body


def test_chunks_are_listed_with_place_and_size(tmp_path: Path) -> None:
    """Each chunk is found where it lies, padding after odd lengths skipped."""
    (tmp_path / "a.wav").write_bytes(riff((b"fmt ", b"x" * 16), (b"odd ", b"123"), (b"data", b"")))

    expected = (ChunkSpan(b"fmt ", 20, 16), ChunkSpan(b"odd ", 44, 3), ChunkSpan(b"data", 56, 0))
    assert expected == list_chunks(tmp_path / "a.wav")
    assert b"123" == read_chunk(tmp_path / "a.wav", b"odd ")
    assert read_chunk(tmp_path / "a.wav", b"none") is None


def test_rf64_sizes_come_from_its_ds64_chunk(tmp_path: Path) -> None:
    """EBU Tech 3306: a size of 0xFFFFFFFF stands for the one in ds64; what follows the samples is still found."""
    ds64 = struct.pack("<QQQI", 0, 6, 2, 0)
    body = (b"WAVEds64" + struct.pack("<I", len(ds64)) + ds64 + b"data" + b"\xff" * 4 + b"123456"
            + b"tail" + struct.pack("<I", 2) + b"ok")
    (tmp_path / "a.wav").write_bytes(b"RF64" + b"\xff" * 4 + body)

    assert [b"ds64", b"data", b"tail"] == [span.id for span in list_chunks(tmp_path / "a.wav")]
    assert b"ok" == read_chunk(tmp_path / "a.wav", b"tail")


def test_a_chunk_that_runs_past_the_end_is_cut(tmp_path: Path) -> None:
    """A recorder that lost power leaves sizes that are too large: no error, no endless loop."""
    whole = riff((b"fmt ", b"x" * 16), (b"data", b"y" * 100))
    (tmp_path / "a.wav").write_bytes(whole[:-60])

    assert [(b"fmt ", 16), (b"data", 40)] == [(s.id, s.size) for s in list_chunks(tmp_path / "a.wav")]


@pytest.mark.parametrize("content", [b"", b"RIFF", b"RIFF\0\0\0\0AVI ", b"fLaC" + b"\0" * 40, b"RIFF\4\0\0\0WAVEfmt"])
def test_what_is_no_wave_file_has_no_chunks(tmp_path: Path, content: bytes) -> None:
    """Other files, and stumps of files, are empty, not an error."""
    (tmp_path / "a.wav").write_bytes(content)

    assert () == list_chunks(tmp_path / "a.wav")
    assert time_reference(tmp_path / "a.wav") is None
    assert () == read_markers(tmp_path / "a.wav")


def test_a_missing_file_is_told() -> None:
    """One line with the file's name."""
    with pytest.raises(AudioError, match=r"gone\.wav cannot be opened"):
        list_chunks(Path("gone.wav"))


def test_the_time_reference_lies_where_ebu_tech_3285_puts_it(tmp_path: Path) -> None:
    """TimeReferenceLow and High are the two words after 338 bytes (EBU Tech 3285, section 2.3)."""
    body = bytearray(602)
    struct.pack_into("<II", body, 338, 0x00000010, 0x00000001)
    (tmp_path / "a.wav").write_bytes(riff((b"bext", bytes(body)), (b"data", b"")))

    assert 2**32 + 16 == time_reference(tmp_path / "a.wav")


def test_a_written_bext_chunk_is_version_2_and_readable(tmp_path: Path) -> None:
    """602 bytes and the history; version 2 at byte 346; no date, no clock time, no loudness (EBU Tech 3285)."""
    chunk = bext_chunk(48000 * 3600, "Kick In, third hit", "oneshot", "A=PCM,F=48000,W=24,M=mono\r\n")

    assert 48000 * 3600 == time_reference(wav(tmp_path / "a.wav", chunk))
    assert 602 + 27 == len(chunk.data)
    assert 2 == struct.unpack_from("<H", chunk.data, 346)[0]
    assert bytes(18) == chunk.data[320:338]
    assert (0x7FFF,) * 5 == struct.unpack_from("<5h", chunk.data, 412)
    assert b"Kick In, third hit\0" == chunk.data[:19]


def test_text_that_does_not_fit_a_bext_field_is_cut(tmp_path: Path) -> None:
    """Fields keep their length and stay ASCII."""
    chunk = bext_chunk(0, "ü" * 300, "o" * 50)

    assert 602 == len(chunk.data)
    assert b"?" * 256 + b"o" * 32 + b"\0" == chunk.data[:289]


def test_markers_with_labels_are_read_back(tmp_path: Path) -> None:
    """Cue points and their labels survive, in the order of frames."""
    markers = [Marker(4000, "second verse"), Marker(10, "count-in"), Marker(99, "")]

    path = wav(tmp_path / "a.wav", *cue_chunks(markers))

    assert tuple(sorted(markers)) == read_markers(path)
    assert () == cue_chunks([])


def test_info_text_is_readable_by_libsndfile(tmp_path: Path) -> None:
    """An independent reader finds title and licence where they were put."""
    path = wav(tmp_path / "a.wav", info_chunk({"INAM": "Kick, läuft", "ICOP": "CC0"}))

    with soundfile.SoundFile(path) as file:
        assert ("Kick, läuft", "CC0") == (file.title, file.copyright)


def test_a_key_that_is_no_info_key_is_refused() -> None:
    """INFO keys have four letters."""
    with pytest.raises(ValueError, match="four letters"):
        info_chunk({"TITLE": "x"})


def test_track_names_follow_their_channel_in_the_file(tmp_path: Path) -> None:
    """IXML specification, TRACK_LIST (from memory): INTERLEAVE_INDEX counts the file's channels from 1."""
    track = "<TRACK><CHANNEL_INDEX>{}</CHANNEL_INDEX>{}<NAME>{}</NAME></TRACK>"
    xml = "<BWFXML><USER>someone</USER><TRACK_LIST>" + "".join([
        track.format(7, "<INTERLEAVE_INDEX>2</INTERLEAVE_INDEX>", "Snare &amp; wires"), track.format(1, "", " Kick\n"),
        track.format(3, "", ""), track.format("x", "", "Tom")]) + "</TRACK_LIST></BWFXML>"

    path = wav(tmp_path / "a.wav", Chunk(b"iXML", xml.encode()))

    assert {1: "Snare & wires", 0: "Kick"} == track_names(path)
    assert {} == track_names(wav(tmp_path / "b.wav"))


@pytest.mark.parametrize("xml", ["<TRACK>" * 200_000, "<TRACK>" + "<NAME>" * 200_000, "<TRACK>" + "<NAME> " * 100_000,
                                 "<TRACK><NAME>" + " " * 1_400_000 + "x", "<TRACK" * 200_000, "</TRACK>" * 200_000])
def test_track_names_that_never_end_take_no_time(tmp_path: Path, xml: str) -> None:
    """Over a megabyte of elements without an end is read once; the whole tracks before and after them still count."""
    track = "<TRACK><CHANNEL_INDEX>{}</CHANNEL_INDEX><NAME>Tom</NAME></TRACK>"
    path = wav(tmp_path / "a.wav", Chunk(b"iXML", (track.format(1) + xml + track.format(2) + xml).encode()))
    began = time.process_time()

    assert {0: "Tom", 1: "Tom"} == track_names(path)
    assert time.process_time() - began < 2


def test_track_names_and_numbers_have_limits(tmp_path: Path) -> None:
    """A name of a thousand letters at most; a channel of five thousand digits is none."""
    track = "<TRACK><CHANNEL_INDEX>{}</CHANNEL_INDEX><NAME>{}</NAME></TRACK>"
    xml = track.format(1, "k" * 100_000) + track.format("9" * 5000, "Snare")

    assert {0: "k" * 1000} == track_names(wav(tmp_path / "a.wav", Chunk(b"iXML", xml.encode())))


def test_zeros_after_the_chunks_are_not_listed_one_by_one(tmp_path: Path) -> None:
    """Where a recorder lost power, megabytes of zeros follow: each eight of them read as an empty chunk."""
    (tmp_path / "a.wav").write_bytes(riff((b"fmt ", b"x" * 16)) + bytes(8_000_000))

    assert b"fmt " == list_chunks(tmp_path / "a.wav")[0].id
    assert len(list_chunks(tmp_path / "a.wav")) <= 4096


def test_markers_have_limits(tmp_path: Path) -> None:
    """Twenty thousand of them, and a thousand bytes of a label: no cue sheet holds more."""
    path = wav(tmp_path / "a.wav", *cue_chunks([Marker(n, "x" * 5000 if n == 7 else "") for n in range(30_000)]))
    found = read_markers(path)

    assert 20_000 == len(found)
    assert Marker(7, "x" * 1000) == found[7]
