"""Sound files in and out: exact samples, windows, and errors of one line."""

from __future__ import annotations

import gc
import struct
import tracemalloc
import warnings
import wave
from io import BufferedReader, FileIO
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from oneshot.audio.io import (
    BLOCK,
    READ,
    Dtype,
    TakeReader,
    is_float,
    kept_reads,
    read_audio,
    read_header,
    read_int,
    widest,
    write_wav,
)
from oneshot.audio.riff import bext_chunk, info_chunk, list_chunks, read_chunk
from oneshot.audio.wave_samples import Plain24File, wave_samples
from oneshot.core.errors import AudioError
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Chunk, Mic, Source, Take

BITS = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32}


def noise(channels: int, frames: int, bits: int = 24, seed: int = 1) -> NDArray[np.int32]:
    """Random integer samples of that many bits, left-justified, with both ends of the range among them."""
    half = 2 ** (bits - 1)
    data = np.random.default_rng(seed).integers(-half, half, (channels, frames)).astype(np.int64)
    data[:, 0], data[:, -1] = -half, half - 1
    return np.left_shift(data, 32 - bits).astype(np.int32)


def take_of(mics: dict[str, tuple[str, int, int, int]], frames: int, rate: int = 48000) -> Take:
    """A take from mic name -> (path, channel, at, frames)."""
    return Take("take 1", rate, frames, "PCM_24",
                tuple(Mic(name, Role.ROOM, sources=(Source(*source),)) for name, source in mics.items()))


@pytest.mark.parametrize("subtype", BITS)
@pytest.mark.parametrize("channels", [1, 2, 5])
def test_integer_samples_survive_writing_and_reading_bit_for_bit(tmp_path: Path, subtype: str, channels: int) -> None:
    """Samples are the source's own: int32 in, the same int32 out, and libsndfile agrees."""
    data = noise(channels, 1001, BITS[subtype])

    write_wav(tmp_path / "a.wav", data, 48000, subtype)

    got, header = read_int(tmp_path / "a.wav")
    np.testing.assert_array_equal(data, got)
    assert (48000, channels, 1001, subtype) == (header.sample_rate, header.channels, header.frames, header.subtype)
    np.testing.assert_array_equal(data, soundfile.read(tmp_path / "a.wav", dtype="int32", always_2d=True)[0].T)


@pytest.mark.parametrize(("subtype", "dtype"), [("FLOAT", np.float32), ("DOUBLE", np.float64)])
def test_float_samples_survive_writing_and_reading_bit_for_bit(tmp_path: Path, subtype: str, dtype: type) -> None:
    """Float files keep every bit, beyond full scale too."""
    data: NDArray[Any] = (np.random.default_rng(2).standard_normal((2, 777)) * 3).astype(dtype)

    write_wav(tmp_path / "a.wav", data, 96000, subtype)

    got, header = read_audio(tmp_path / "a.wav")
    np.testing.assert_array_equal(data.astype(np.float64), got)
    assert subtype == header.subtype


def test_a_plain_wav_is_read_by_pythons_own_reader(tmp_path: Path) -> None:
    """The files are plain RIFF WAVE: Python's wave module, which knows nothing else, reads the same bytes."""
    data = noise(2, 333, 16)

    write_wav(tmp_path / "a.wav", data, 44100, "PCM_16")

    with wave.open(str(tmp_path / "a.wav")) as file:
        assert (2, 2, 44100, 333) == (file.getnchannels(), file.getsampwidth(), file.getframerate(), file.getnframes())
        frames = np.frombuffer(file.readframes(333), "<i2").reshape(-1, 2).T
    np.testing.assert_array_equal(data >> 16, frames)


def test_the_same_samples_give_the_same_bytes_and_no_peak_chunk(tmp_path: Path) -> None:
    """No clock time enters a file: float WAV holds fmt, fact and data, and no PEAK."""
    data = np.linspace(-1, 1, 99, dtype=np.float64)[None]

    write_wav(tmp_path / "a.wav", data, 48000, "FLOAT")
    write_wav(tmp_path / "b.wav", data, 48000, "FLOAT")

    assert (tmp_path / "a.wav").read_bytes() == (tmp_path / "b.wav").read_bytes()
    assert [b"fmt ", b"fact", b"data"] == [span.id for span in list_chunks(tmp_path / "a.wav")]
    assert 99 == struct.unpack("<I", read_chunk(tmp_path / "a.wav", b"fact") or b"")[0]


def test_the_header_of_a_mono_24_bit_file_is_the_published_one(tmp_path: Path) -> None:
    """Bytes of a canonical RIFF WAVE header: IBM and Microsoft, Multimedia Programming Interface 1.0 (1991)."""
    write_wav(tmp_path / "a.wav", np.array([[256, -256, 512]], np.int32), 48000, "PCM_24")

    expected = (b"RIFF" + struct.pack("<I", 46) + b"WAVEfmt " + struct.pack("<IHHIIHH", 16, 1, 1, 48000, 144000, 3, 24)
                + b"data" + struct.pack("<I", 9) + b"\x01\x00\x00\xff\xff\xff\x02\x00\x00" + b"\0")
    assert expected == (tmp_path / "a.wav").read_bytes()


def test_float_input_is_rounded_to_nearest_and_limited(tmp_path: Path) -> None:
    """1.0 has no integer: it becomes the largest; halves go to the even neighbour (IEEE 754)."""
    step = 2.0**-15
    data = np.array([[1.0, -1.0, 1.4 * step, 1.6 * step, 0.5 * step, 1.5 * step, -2.0]])

    write_wav(tmp_path / "a.wav", data, 48000, "PCM_16")

    assert [32767, -32768, 1, 2, 0, 2, -32768] == (read_int(tmp_path / "a.wav")[0][0] >> 16).tolist()


def test_finer_integer_samples_are_rounded_to_the_subtype(tmp_path: Path) -> None:
    """A 24-bit value in a 16-bit file is the nearest one, and the top does not wrap round."""
    data = np.array([[0x00018000, 0x00017FFF, 0x7FFFFFFF, -0x80000000]], np.int64).astype(np.int32)

    write_wav(tmp_path / "a.wav", data, 48000, "PCM_16")

    assert [2, 1, 32767, -32768] == (read_int(tmp_path / "a.wav")[0][0] >> 16).tolist()


def test_further_chunks_are_written_with_padding_and_found_again(tmp_path: Path) -> None:
    """Time stamp and text lie before the samples, others behind them; odd lengths do not shift what follows."""
    chunks = [bext_chunk(1234, "odd"), info_chunk({"INAM": "Kick"}), Chunk(b"smpl", b"\1\2\3"), Chunk(b"abcd", b"12")]

    write_wav(tmp_path / "a.wav", noise(1, 3), 48000, "PCM_24", chunks)

    assert [b"fmt ", b"bext", b"LIST", b"data", b"smpl", b"abcd"] == [s.id for s in list_chunks(tmp_path / "a.wav")]
    assert b"12" == read_chunk(tmp_path / "a.wav", b"abcd")
    np.testing.assert_array_equal(noise(1, 3), read_int(tmp_path / "a.wav")[0])


@pytest.mark.parametrize(("data", "subtype", "message"), [
    (np.zeros(5), "PCM_16", "channels, frames"), (np.zeros((1, 5), np.int16), "PCM_16", "type int16"),
    (np.full((1, 5), np.nan), "FLOAT", "NaN"), (np.zeros((1, 5)), "ULAW", "ULAW"),
    (np.full((1, 2), np.inf), "PCM_24", "infinity"),
])
def test_what_is_no_audio_is_not_written(tmp_path: Path, data: NDArray[np.float64], subtype: str, message: str) -> None:
    """A wrong shape, type, subtype or NaN is refused before a file exists."""
    with pytest.raises(ValueError, match=message):
        write_wav(tmp_path / "a.wav", data, 48000, subtype)
    assert [] == list(tmp_path.iterdir())


@pytest.mark.parametrize(("suffix", "format_", "subtype"), [
    ("wav", "WAV", "PCM_16"), ("wav", "WAV", "PCM_24"), ("wav", "WAV", "PCM_32"), ("wav", "WAVEX", "PCM_24"),
    ("wav", "RF64", "PCM_24"), ("aif", "AIFF", "PCM_16"), ("aiff", "AIFF", "PCM_24"), ("AIF", "AIFF", "PCM_32"),
    ("flac", "FLAC", "PCM_16"), ("flac", "FLAC", "PCM_24"), ("caf", "CAF", "PCM_24"), ("caf", "CAF", "PCM_32"),
])
@pytest.mark.parametrize("rate", [44100, 192000])
def test_every_integer_format_is_read_exactly(tmp_path: Path, suffix: str, format_: str, subtype: str,
                                              rate: int) -> None:
    """WAV, WAVEX, RF64, AIFF, FLAC and CAF give back what libsndfile, an independent writer here, put into them."""
    data = noise(3, 5000, BITS[subtype])
    soundfile.write(tmp_path / f"a.{suffix}", data.T, rate, subtype, format=format_)

    got, header = read_int(tmp_path / f"a.{suffix}")

    np.testing.assert_array_equal(data, got)
    assert (rate, format_, False) == (header.sample_rate, header.format, is_float(header.subtype))


@pytest.mark.parametrize("dtype", ["int32", "float32", "float64"])
@pytest.mark.parametrize("channels", [1, 3])
def test_24_bits_are_what_libsndfile_makes_of_them(tmp_path: Path, channels: int, dtype: Dtype) -> None:
    """Samples that are unpacked here are libsndfile's, bit for bit, to full scale, anywhere in the file, up to its end
    and not into the chunk after it.
    """
    data = noise(channels, 2 * READ + 77)
    write_wav(tmp_path / "a.wav", data, 48000, "PCM_24", [Chunk(b"cue ", bytes(28))])
    expected, _ = soundfile.read(tmp_path / "a.wav", dtype=dtype, always_2d=True)

    take = take_of({f"mic {n}": ("a.wav", n, 0, data.shape[1]) for n in range(channels)}, data.shape[1])
    with TakeReader(tmp_path, take, dtype=dtype) as reader:
        for start, stop in ((READ - 5, READ + 900), (0, 4), (2 * READ, len(expected)), (0, len(expected))):
            got = reader.read(start, stop)
            assert expected.dtype == got.dtype
            assert expected[start:stop].T.tobytes() == got.tobytes()


@pytest.mark.parametrize(("format_", "subtype"), [("WAV", "FLOAT"), ("WAV", "DOUBLE"), ("AIFF", "FLOAT"),
                                                  ("CAF", "DOUBLE"), ("RF64", "FLOAT")])
def test_every_float_format_is_read_exactly(tmp_path: Path, format_: str, subtype: str) -> None:
    """Float files are read as float64 without loss, and refused as integers."""
    data = np.random.default_rng(4).standard_normal((2, 500)).astype(np.float32).astype(np.float64)
    path = tmp_path / "a.wav"
    soundfile.write(path, data.T, 48000, subtype, format=format_)

    np.testing.assert_array_equal(data, read_audio(path)[0])
    with pytest.raises(AudioError, match="no exact integer form"):
        read_int(path)


@pytest.mark.parametrize(("subtypes", "expected"), [
    (["PCM_16"], "PCM_16"), (["PCM_16", "PCM_24"], "PCM_24"), (["PCM_24", "FLOAT"], "FLOAT"),
    (["PCM_32", "FLOAT"], "DOUBLE"),
    (["FLOAT", "DOUBLE"], "DOUBLE"), (["PCM_32"], "PCM_32"), (["PCM_S8"], "PCM_16"),
])
def test_the_widest_subtype_holds_all_of_them(subtypes: list[str], expected: str) -> None:
    """24 bits fit the significand of a 32-bit float, 32 bits do not (IEEE 754)."""
    assert expected == widest(subtypes)


def test_bad_files_are_told_in_one_line(tmp_path: Path) -> None:
    """Missing, empty, no sound, no frames, lossy, out of range: what, which file, what to do."""
    rng = np.random.default_rng(5)
    (tmp_path / "empty.wav").touch()
    (tmp_path / "text.wav").write_text("this is no sound file, whatever its name says\n" * 20)
    soundfile.write(tmp_path / "none.wav", np.zeros((0, 1)), 48000)
    soundfile.write(tmp_path / "low.wav", rng.standard_normal(100), 22050)
    soundfile.write(tmp_path / "lossy.wav", rng.standard_normal(100), 48000, "ULAW")
    soundfile.write(tmp_path / "packed.caf", rng.standard_normal(100), 48000, "ALAC_24")
    expected = {"gone.wav": "cannot be opened", "empty.wav": "is empty", "text.wav": "cannot be read as a sound file",
                "none.wav": "holds no audio", "low.wav": "22050 Hz", "lossy.wav": "without loss",
                "packed.caf": "without loss"}

    for name, message in expected.items():
        with pytest.raises(AudioError, match=message) as caught:
            read_header(tmp_path / name)
        assert str(tmp_path / name) in str(caught.value)
        assert "\n" not in str(caught.value)
        assert ": " in str(caught.value)


def test_a_file_that_breaks_off_is_told_with_the_frame(tmp_path: Path) -> None:
    """Half a FLAC file, as an interrupted copy leaves it, is no silence."""
    soundfile.write(tmp_path / "a.flac", noise(1, 50_000).T, 48000, "PCM_24")
    whole = (tmp_path / "a.flac").read_bytes()
    (tmp_path / "a.flac").write_bytes(whole[: len(whole) // 2])
    take = take_of({"a": ("a.flac", 0, 0, 50_000)}, 50_000)

    with TakeReader(tmp_path, take) as reader, pytest.raises(AudioError, match=r"a\.flac .*damaged"):
        reader.read(0, 50_000)


@pytest.fixture(params=["wav", "flac", "caf"])
def long_take(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[Path, Take, NDArray[np.int32]]:
    """Two and a half blocks of three mics: one file alone and 300 frames late, one stereo file."""
    frames = BLOCK * 5 // 2
    data = noise(3, frames, 16)
    suffix = request.param
    soundfile.write(tmp_path / f"single.{suffix}", data[0, 300:].T, 48000, "PCM_16")
    soundfile.write(tmp_path / f"two.{suffix}", data[1:].T, 48000, "PCM_16")
    data[0, :300] = 0
    take = take_of({"one": (f"single.{suffix}", 0, 300, frames - 300), "L": (f"two.{suffix}", 0, 0, frames),
                    "R": (f"two.{suffix}", 1, 0, frames)}, frames)
    return tmp_path, take, data


def test_windows_in_any_order_are_exact(long_take: tuple[Path, Take, NDArray[np.int32]]) -> None:
    """Reading on, back, across blocks and at random gives the same samples as the whole, in every format."""
    root, take, data = long_take
    rng = np.random.default_rng(6)
    starts = [0, BLOCK - 3, BLOCK, 2 * BLOCK - 1, 100, 299, *rng.integers(0, take.frames - 40_000, 12).tolist()]
    with TakeReader(root, take, dtype="int32") as reader:
        for start in starts:
            window = reader.read(start, start + 40_000)
            np.testing.assert_array_equal(data[:, start : start + 40_000], window[:, : take.frames - start])
        np.testing.assert_array_equal(data, reader.read(0, take.frames))


def test_outside_the_recording_there_is_silence(long_take: tuple[Path, Take, NDArray[np.int32]]) -> None:
    """Windows may start before frame 0 and end behind the last: those frames are zero, all others in their place."""
    root, take, data = long_take
    with TakeReader(root, take, dtype="int32") as reader:
        window = reader.read(-500, take.frames + 700)
        nothing = reader.read(take.frames + 10, take.frames + 20)

    assert (3, take.frames + 1200) == window.shape
    assert not window[:, :500].any()
    assert not window[:, -700:].any()
    np.testing.assert_array_equal(data, window[:, 500:-700])
    assert not nothing.any()


def test_float_reading_is_the_integer_over_full_scale(long_take: tuple[Path, Take, NDArray[np.int32]]) -> None:
    """float32 and float64 are the integer samples divided by 2^31, both exact for 16 bits."""
    root, take, data = long_take
    dtypes: tuple[Dtype, ...] = ("float32", "float64")
    for dtype in dtypes:
        with TakeReader(root, take, dtype=dtype) as reader:
            got = reader.read(BLOCK - 50, BLOCK + 50)
        assert dtype == got.dtype.name
        np.testing.assert_array_equal(data[:, BLOCK - 50 : BLOCK + 50] / 2.0**31, got.astype(np.float64))


def test_named_mics_are_read_in_the_order_asked_for(long_take: tuple[Path, Take, NDArray[np.int32]]) -> None:
    """A choice of mics is the same rows in the order of the names; a name that is not there is a KeyError."""
    root, take, data = long_take
    with TakeReader(root, take, ["R", "one"], "int32") as reader:
        np.testing.assert_array_equal(data[[2, 0], 1000:2000], reader.read(1000, 2000))
    with pytest.raises(KeyError, match="Nobody"):
        TakeReader(root, take, ["Nobody"])


def test_a_file_of_many_mics_is_decoded_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Twelve mics in one file cost one read a block, and overlapping windows cost nothing more."""
    frames = 2 * BLOCK
    soundfile.write(tmp_path / "all.wav", np.zeros((frames, 12), np.int16), 48000)
    take = take_of({f"all {i + 1}": ("all.wav", i, 0, frames) for i in range(12)}, frames)
    reads: list[int] = []
    real = soundfile.SoundFile.read

    def counted(self: soundfile.SoundFile, frames: int = -1, **rest: object) -> object:
        reads.append(frames)
        return real(self, frames, **rest)

    monkeypatch.setattr(soundfile.SoundFile, "read", counted)
    with TakeReader(tmp_path, take) as reader:
        for start in range(0, frames, BLOCK // 4):
            reader.read(start - 256, start + BLOCK // 4 + 256)

    assert [READ] * (frames // READ) == reads


def test_memory_stays_at_one_block(tmp_path: Path) -> None:
    """Ten blocks read on take no more room than what is asked for and 1 MB a mic, as the docstring promises."""
    frames = 10 * BLOCK
    soundfile.write(tmp_path / "a.wav", np.zeros(frames, np.int16), 48000)
    take = take_of({"a": ("a.wav", 0, 0, frames)}, frames)
    with TakeReader(tmp_path, take) as reader:
        reader.read(0, BLOCK)
        tracemalloc.start()
        for start in range(0, frames, BLOCK):
            reader.read(start, start + BLOCK)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()

    assert peak < 3 * BLOCK * 4


def test_a_reader_closes_its_files(tmp_path: Path) -> None:
    """After ``with``, and after a failed opening, no file stays open."""
    soundfile.write(tmp_path / "a.wav", np.zeros(10), 48000)
    soundfile.write(tmp_path / "b.wav", np.zeros(10), 48000, "FLOAT")
    both = take_of({"a": ("a.wav", 0, 0, 10), "b": ("b.wav", 0, 0, 10)}, 10)
    handles = Path("/proc/self/fd")
    if not handles.is_dir():
        pytest.skip("open files are counted under /proc")
    before = len(list(handles.iterdir()))

    with TakeReader(tmp_path, both) as reader:
        reader.read(0, 10)
    with pytest.raises(AudioError, match="integer form"):
        TakeReader(tmp_path, both, dtype="int32")

    assert before == len(list(handles.iterdir()))


def test_a_file_that_may_not_be_read_is_told_as_such(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Permission, not damage: the file need not be exported again."""
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros(10), 48000)

    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(AudioError, match=r"a\.wav cannot be opened \(permission denied\): allow it to be read"):
        read_audio(path)


def test_a_file_that_lost_a_channel_since_is_told(tmp_path: Path) -> None:
    """A session opened before and a file exchanged since do not give another mic's sound."""
    soundfile.write(tmp_path / "a.wav", np.zeros(10), 48000)

    with pytest.raises(AudioError, match="changed since"):
        TakeReader(tmp_path, take_of({"a R": ("a.wav", 1, 0, 10)}, 10))


def test_windows_that_run_backwards_are_refused(long_take: tuple[Path, Take, NDArray[np.int32]]) -> None:
    """A stop before the start is the caller's mistake; an empty window is fine."""
    root, take, _ = long_take
    with TakeReader(root, take) as reader:
        assert (3, 0) == reader.read(5, 5).shape
        with pytest.raises(ValueError, match="backwards"):
            reader.read(5, 4)


def test_a_mic_in_two_files_is_read_as_one(tmp_path: Path) -> None:
    """Recorders split long takes: sources one behind the other give one signal without a seam."""
    data = noise(1, 3000, 16)
    soundfile.write(tmp_path / "a.wav", data[0, :1000], 48000, "PCM_16")
    soundfile.write(tmp_path / "b.wav", data[0, 1000:], 48000, "PCM_16")
    mic = Mic("a", Role.ROOM, sources=(Source("a.wav", 0, 0, 1000), Source("b.wav", 0, 1000, 2000)))
    take = Take("take 1", 48000, 3000, "PCM_16", (mic,))

    with TakeReader(tmp_path, take, dtype="int32") as reader:
        parts = [reader.read(a, b) for a, b in pairwise([0, 700, 1300, 3000])]

    np.testing.assert_array_equal(data, np.concatenate(parts, axis=1))


def test_many_mics_keep_fewer_reads() -> None:
    """All reads of up to 30 mics; of more what 32 MB hold, and some of hundreds."""
    assert [16, 16, 16, 7, 4] == [kept_reads(mics, 4) for mics in (1, 12, 30, 64, 500)]
    assert 15 == kept_reads(16, 8)


@pytest.mark.parametrize("most", [1, 1000, 4096])
def test_a_system_that_gives_less_than_was_asked_for_is_asked_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                                    most: int) -> None:
    """Network folders give what they have: a file that is read in many small pieces is whole, not damaged."""

    class Slow(FileIO):
        def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override]
            return super().readinto(memoryview(buffer)[:most]) or 0

    data = noise(2, 2000)
    write_wav(tmp_path / "a.wav", data, 48000, "PCM_24")
    found = wave_samples(tmp_path / "a.wav")
    assert found is not None
    monkeypatch.setattr(Path, "open", lambda path, *_, **__: BufferedReader(Slow(path)))

    with Plain24File(tmp_path / "a.wav", found) as file:
        np.testing.assert_array_equal(data.T, file.read(3000, dtype="int32", always_2d=True))


def test_a_file_of_24_bits_that_cannot_be_read_is_told_once(tmp_path: Path) -> None:
    """In one line, and nothing is said when it is thrown away."""
    write_wav(tmp_path / "a.wav", noise(1, 100), 48000, "PCM_24")
    broken = bytearray((tmp_path / "a.wav").read_bytes())
    broken[24:28] = bytes(4)  # 0 Hz
    (tmp_path / "a.wav").write_bytes(broken)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(AudioError, match=r"a\.wav"):
            read_header(tmp_path / "a.wav")
        gc.collect()
