"""Files as recorders and desks leave them, put together byte by byte from the published layouts: large, BW64, cut off,
with wrong sizes, with a name that lies. Read for what is there, told once.
"""

from __future__ import annotations

import struct
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from short_sessions import only, sound, told

from oneshot.audio.io import READ, TakeReader, read_audio, read_header, read_int
from oneshot.audio.riff import CUT_OFF, GOES_ON, NO_LENGTH, UNPADDED, WRAPPED, Fault, read_chunk, time_reference
from oneshot.core.errors import AudioError
from oneshot.session.open import open_session

COUNT = 1000
RAMP: NDArray[np.int32] = np.arange(1, COUNT + 1, dtype=np.int32)
PCM = RAMP.astype("<i2").tobytes()
ALL = b"\xff\xff\xff\xff"
"""Means "see ds64" in RF64 and BW64 (EBU Tech 3306, ITU-R BS.2088); an unfinished RIFF header may hold it, too."""


def chunk(name: bytes, data: bytes, size: bytes | None = None, *, pad: bool = True) -> bytes:
    """Four letters, size as 32 bits, data, and a pad byte after an odd one (RIFF, 1991)."""
    length = struct.pack("<I", len(data)) if size is None else size
    return name + length + data + b"\0" * (len(data) % 2 if pad else 0)


def fmt(channels: int = 1, width: int = 2, tag: int = 1) -> bytes:
    """A ``fmt`` chunk of 16 bytes at 48 kHz (RIFF WAVE, 1991; tag 3: float, Microsoft 1994)."""
    return chunk(b"fmt ", struct.pack("<HHIIHH", tag, channels, 48000, 48000 * channels * width, channels * width,
                                      8 * width))


def ds64(data: int, frames: int, *table: tuple[bytes, int]) -> bytes:
    """A ``ds64`` chunk: 64 bits each of file, samples and frames, then a table of other long chunks (EBU Tech 3306)."""
    rows = b"".join(struct.pack("<4sQ", name, size) for name, size in table)
    return chunk(b"ds64", struct.pack("<QQQI", data + 100, data, frames, len(table)) + rows)


def wave(path: Path, *chunks: bytes, head: bytes = b"RIFF", size: bytes | None = None) -> Path:
    """A WAVE file of those chunks."""
    body = b"WAVE" + b"".join(chunks)
    path.write_bytes(head + (struct.pack("<I", len(body)) if size is None else size) + body)
    return path


def bext(stamp: int) -> bytes:
    """602 bytes of ``bext`` with a time reference at byte 338 (EBU Tech 3285)."""
    body = bytearray(602)
    struct.pack_into("<Q", body, 338, stamp)
    return chunk(b"bext", bytes(body))


def sparse(path: Path, head: bytes, size: int, last: bytes, behind: bytes = b"") -> Path:
    """A long file of which the disk holds only its head, the last samples and what lies behind them."""
    with path.open("wb") as file:
        file.write(head)
        file.truncate(len(head) + size)
        file.seek(len(head) + size - len(last))
        file.write(last + behind)
    return path


# ------------------------------------------------------------------------------------------------------- beyond 4 GiB

LONG = 1_500_000_001
"""Frames of 24 bits: 4.5 GB, with a pad byte behind."""
LAST = bytes((1, 0, 0, 0xFE, 0xFF, 0xFF))
"""1 and -2 in 24 bits."""


@pytest.mark.parametrize("head", [b"RF64", b"BW64"])
def test_header_and_last_frames_beyond_4_gib_are_right(tmp_path: Path, head: bytes) -> None:
    """EBU Tech 3306 and ITU-R BS.2088: sizes stand in ds64 (BW64 leaves the count of frames open); time stamp and a
    chunk behind the samples are found, and nothing of the gigabytes is held.
    """
    size = 3 * LONG
    start = (head + ALL + b"WAVE" + ds64(size, LONG if head == b"RF64" else 0) + bext(2**33 + 5) + fmt(width=3)
             + b"data" + ALL)
    path = sparse(tmp_path / "Kick.wav", start, size, LAST, b"\0" + chunk(b"axml", b"<x/>"))
    tracemalloc.start()

    header = read_header(path)
    take = only(open_session(tmp_path))
    with TakeReader(tmp_path, take, dtype="int32") as reader:
        end = reader.read(LONG - 3, LONG + 1)[0] >> 8
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()

    assert (head.decode(), LONG, 48000, "PCM_24", None) == (header.format, header.frames, header.sample_rate,
                                                            header.subtype, header.fault)
    assert [0, 1, -2, 0] == end.tolist()
    assert 2**33 + 5 == time_reference(path)
    assert b"<x/>" == read_chunk(path, b"axml")
    assert peak < 8_000_000


def test_a_plain_header_around_more_than_4_gib_is_read_whole(tmp_path: Path) -> None:
    """What stands in 32 bits is the rest after multiples of 4 GiB; another chunk behind the samples ends them."""
    size = 3 * LONG
    start = b"RIFF" + ALL + b"WAVE" + fmt(width=3) + b"data" + struct.pack("<I", size % 2**32)
    path = sparse(tmp_path / "a.wav", start, size, LAST, b"\0" + chunk(b"LIST", b"INFO"))

    assert (LONG, WRAPPED) == (read_header(path).frames, read_header(path).fault)
    with pytest.raises(AudioError, match="no audio"):
        read_header(wave(tmp_path / "b.wav", fmt(), chunk(b"data", b""), chunk(b"LIST", b"INFO")))


def test_bw64_is_read_sample_for_sample(tmp_path: Path) -> None:
    """Two channels of float and five of 24 bits, in any order of windows, as a RIFF file of the same samples."""
    rng = np.random.default_rng(3)
    for name, channels, width, tag in (("f", 2, 4, 3), ("i", 5, 3, 1)):
        frames = 2 * READ + 77
        data = (rng.standard_normal((frames, channels)).astype("<f4").tobytes() if tag == 3
                else rng.bytes(frames * channels * width))
        plain = wave(tmp_path / f"{name}.wav", fmt(channels, width, tag), chunk(b"data", data))
        large = wave(tmp_path / f"{name}-64.wav", ds64(len(data), 0), fmt(channels, width, tag),
                     chunk(b"data", data, ALL), chunk(b"chna", b"1234"), head=b"BW64", size=ALL)
        expected = read_audio(plain)[0]
        got, header = read_audio(large)
        np.testing.assert_array_equal(expected, got)
        assert ("BW64", None, frames) == (header.format, header.fault, header.frames)
        np.testing.assert_array_equal(expected[:, :100], read_audio(large, 100)[0])


def test_bw64_may_name_its_extensible_format(tmp_path: Path) -> None:
    """WAVE_FORMAT_EXTENSIBLE (Microsoft 2001): the coding stands in the first bytes of the GUID."""
    guid = struct.pack("<I", 1) + b"\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71"
    body = struct.pack("<HHIIHHHHI", 0xFFFE, 1, 48000, 96000, 2, 16, 22, 16, 0) + guid

    path = wave(tmp_path / "a.wav", ds64(len(PCM), 0), chunk(b"fmt ", body), chunk(b"data", PCM, ALL), head=b"BW64")

    np.testing.assert_array_equal(RAMP, read_int(path)[0][0] >> 16)


@pytest.mark.parametrize("form", [fmt(tag=6, width=1), fmt(channels=0), chunk(b"fmt ", b"x" * 8), b"",
                                  chunk(b"fmt ", struct.pack("<HHIIHH", 1, 2, 48000, 96000, 3, 16))])
def test_a_bw64_file_that_is_not_understood_is_one_line(tmp_path: Path, form: bytes) -> None:
    """A lossy coding, no channels, half a format or none: refused."""
    path = wave(tmp_path / "a.wav", ds64(len(PCM), 0), form, chunk(b"data", PCM, ALL), head=b"BW64")

    with pytest.raises(AudioError, match=r"a\.wav cannot be read as a sound file"):
        read_header(path)


# --------------------------------------------------------------------------------------------------- headers that lie

ZERO = bytes(4)
FAULTY: dict[str, tuple[Fault | None, list[bytes], bytes, bytes | None]] = {
    "both sizes 0": (NO_LENGTH, [fmt(), chunk(b"data", PCM, ZERO)], b"RIFF", ZERO),
    "size of the samples 0": (NO_LENGTH, [fmt(), chunk(b"data", PCM, ZERO)], b"RIFF", None),
    "both sizes open": (NO_LENGTH, [fmt(), chunk(b"data", PCM, ALL)], b"RIFF", ALL),
    "the file's size 0": (None, [fmt(), chunk(b"data", PCM)], b"RIFF", ZERO),
    "RF64 whose ds64 was never filled in": (NO_LENGTH, [ds64(0, 0), fmt(), chunk(b"data", PCM, ALL)], b"RF64", ALL),
    "RF64 with room for ds64 alone": (NO_LENGTH, [chunk(b"JUNK", bytes(28)), fmt(), chunk(b"data", PCM, ALL)], b"RF64",
                                      ALL),
    "more samples than there are": (CUT_OFF, [fmt(), chunk(b"data", PCM, struct.pack("<I", 5 * len(PCM)))], b"RIFF",
                                    None),
    "more in ds64 than there are": (CUT_OFF, [ds64(5 * len(PCM), 0), fmt(), chunk(b"data", PCM, ALL)], b"RF64", ALL),
    "half a frame at the end": (CUT_OFF, [fmt(), chunk(b"data", PCM + b"\7", struct.pack("<I", 2**31), pad=False)],
                                b"RIFF", None),
    "an odd chunk without pad byte": (UNPADDED, [chunk(b"iXML", b"<x>", pad=False), fmt(), chunk(b"data", PCM)],
                                      b"RIFF", None),
    "bext with a history of odd length, no pad byte": (
        UNPADDED, [fmt(), chunk(b"bext", bytes(603), pad=False), chunk(b"data", PCM)], b"RIFF", None),
    "an odd chunk with it": (None, [chunk(b"iXML", b"<x>"), fmt(), chunk(b"data", PCM)], b"RIFF", None),
}


@pytest.mark.parametrize("case", FAULTY)
def test_a_wrong_header_costs_no_sample(tmp_path: Path, case: str) -> None:
    """Every sample that is there is read, bit for bit, and one problem tells what was wrong."""
    fault, chunks, head, size = FAULTY[case]
    path = wave(tmp_path / "Kick.wav", *chunks, head=head, size=size)

    got, header = read_int(path)
    problems = open_session(tmp_path).problems

    np.testing.assert_array_equal(RAMP, got[0] >> 16)
    assert (fault, COUNT) == (header.fault, header.frames)
    assert ([] if fault is None else [fault.what]) == [problem.what for problem in problems]


def test_a_chunk_behind_odd_samples_without_pad_byte_is_found(tmp_path: Path) -> None:
    """Behind the samples a missing pad byte harms nobody: what follows is read, and nothing is told."""
    path = wave(tmp_path / "a.wav", fmt(width=3), chunk(b"data", b"\1\0\0", pad=False), bext(77))

    assert (77, None) == (time_reference(path), read_header(path).fault)


def test_several_files_with_one_fault_are_told_once(tmp_path: Path) -> None:
    """A recorder that lost power leaves all its files so: one line, with their names."""
    for name in ("Kick", "Snare", "OH", "Room"):
        wave(tmp_path / f"{name}.wav", fmt(), chunk(b"data", PCM, ZERO), size=ZERO)

    problem = told(open_session(tmp_path), "lost power")

    assert f"{tmp_path.name}/Kick.wav, OH.wav, Room.wav and 1 more" == problem.where


def aiff(path: Path, size: int | None = None, frames: int = COUNT) -> Path:
    """An AIFF file: COMM with an 80-bit sample rate, SSND with offset and block size 0 (Audio IFF 1.3, 1989)."""
    rate = struct.pack(">HQ", 16383 + 15, 48000 << 48)
    comm = struct.pack(">hIh", 1, frames, 16) + rate
    body = (b"AIFFCOMM" + struct.pack(">I", 18) + comm + b"SSND" + struct.pack(">III", size or 8 + 2 * COUNT, 0, 0)
            + RAMP.astype(">i2").tobytes())
    path.write_bytes(b"FORM" + struct.pack(">I", len(body)) + body)
    return path


@pytest.mark.parametrize(("size", "frames", "fault"), [
    (None, COUNT, None), (2**32 - 1, COUNT, NO_LENGTH), (8 + 9 * COUNT, 4 * COUNT, CUT_OFF), (None, 0, NO_LENGTH)])
def test_aiff_is_read_for_what_is_there(tmp_path: Path, size: int | None, frames: int, fault: Fault | None) -> None:
    """Sizes too large, or a count of frames that was never filled in, cost no sample, and are told."""
    got, header = read_int(aiff(tmp_path / "a.aif", size, frames))

    np.testing.assert_array_equal(RAMP, got[0] >> 16)
    assert fault == header.fault


@pytest.mark.parametrize(("behind", "fault"), [
    (RAMP.astype("<i2").tobytes() * 40, GOES_ON), (bytes(80_000), None), (b"\7" * 60_000, None),
    (chunk(b"LIST", b"INFO" + b"\7" * 80_000), None)], ids=["samples", "zeros", "less", "a chunk"])
def test_samples_behind_those_the_header_tells_of_are_read(tmp_path: Path, behind: bytes, fault: Fault | None) -> None:
    """A recorder that writes its header anew from time to time leaves one that is too short: what follows is read,
    unless it is a chunk, zeros, or too little to be told from a remnant.
    """
    path = wave(tmp_path / "a.wav", fmt(), chunk(b"data", PCM), behind, size=struct.pack("<I", 36 + len(PCM)))

    got, header = read_int(path)

    assert (fault, COUNT + (len(behind) // 2 if fault else 0)) == (header.fault, header.frames)
    np.testing.assert_array_equal(np.tile(RAMP, 41 if fault else 1), got[0] >> 16)


def test_an_ending_that_lies_is_told_and_the_file_read(tmp_path: Path) -> None:
    """AIFF called .wav, WAV called .flac: the content counts."""
    aiff(tmp_path / "Kick.wav")
    wave(tmp_path / "Snare.flac", fmt(), chunk(b"data", PCM))
    session = open_session(tmp_path)

    with TakeReader(tmp_path, only(session), dtype="int32") as reader:
        np.testing.assert_array_equal([RAMP, RAMP], reader.read(0, COUNT) >> 16)
    assert told(session, "Kick.wav").what == "it is called .wav but holds AIFF: it is read as such"
    assert told(session, "Snare.flac").what == "it is called .flac but holds WAV: it is read as such"


def test_files_with_nothing_wrong_tell_nothing(tmp_path: Path) -> None:
    """Every ending that is opened, on what it stands for."""
    for name in ("Kick.wav", "Tom.wav", "Snare.aiff", "Hat.aiff", "Ride.flac", "OH.caf"):
        sound(tmp_path / name)
    (tmp_path / "Hat.aiff").rename(tmp_path / "Hat.AIF")
    (tmp_path / "Tom.wav").rename(tmp_path / "Tom.BWF")

    assert {None} == {read_header(path).fault for path in tmp_path.iterdir()}
    assert () == open_session(tmp_path).problems
