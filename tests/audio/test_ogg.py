"""Ogg Vorbis for listening."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from oneshot.audio.loudness import integrated_lufs
from oneshot.audio.ogg import SERIAL, STRETCH, checksum, ogg_beside, ogg_bytes, pages

RATE = 44100


def _noise(seconds: float) -> np.ndarray:
    """Decaying noise in stereo, every half second anew."""
    random = np.random.default_rng(3)
    frames = round(seconds * RATE)
    decay = np.exp(-(np.arange(frames) % (RATE // 2)) / RATE / 0.08)
    return 0.3 * decay * random.standard_normal((2, frames))


def test_the_same_sound_makes_the_same_bytes_and_pages_hold() -> None:
    """The writer's own serial number, drawn by chance, is gone; the checksums are those of the pages as they are."""
    x = _noise(1.0)
    made = ogg_bytes(x, RATE, {"title": "Chapel"})
    assert made == ogg_bytes(x, RATE, {"title": "Chapel"})
    every = list(pages(made))
    assert made == b"".join(every)
    assert {SERIAL} == {struct.unpack_from("<I", page, 14)[0] for page in every}
    for page in every:
        assert struct.unpack_from("<I", page, 22)[0] == checksum(page)


def test_checksums_are_those_that_the_library_writes() -> None:
    """Libogg's own pages, before anything is changed in them."""
    out = io.BytesIO()
    soundfile.write(out, _noise(0.5).T, RATE, "VORBIS", format="OGG")
    assert all(struct.unpack_from("<I", page, 22)[0] == checksum(page) for page in pages(out.getvalue()))


@pytest.mark.parametrize("frames", [0, 1, STRETCH, 100_000])
def test_a_long_sound_is_written_as_a_short_one_is(tmp_path: Path, frames: int) -> None:
    """In blocks, given on as they are, the same bytes; sound that is no sound is refused there as well."""
    x = _noise(3.0)[:, :frames]
    step = 4 * STRETCH
    with ogg_beside(tmp_path / "a.ogg", 2, RATE, {"title": "Chapel"}) as along:
        given = list(along(x[:, at:at + step] for at in range(0, frames, step)))
    assert np.array_equal(x, np.concatenate([np.zeros((2, 0)), *given], axis=1))
    assert (tmp_path / "a.ogg").read_bytes() == ogg_bytes(x, RATE, {"title": "Chapel"})
    with pytest.raises(ValueError, match="NaN"), ogg_beside(tmp_path / "b.ogg", 2, RATE) as along:
        list(along([np.full((2, 5), np.nan)]))


def test_the_checksum_is_the_published_one() -> None:
    """What RFC 3533 (section 6) says of it, done by long division, bit by bit."""
    page = b"OggS" + bytes(18) + b"\1\2\3\4" + b"\1\3abc"
    rest = 0
    for bit in "".join(f"{byte:08b}" for byte in page[:22] + bytes(4) + page[26:]) + 32 * "0":
        rest = (rest << 1 | int(bit)) ^ (0x1_04C1_1DB7 if rest >> 31 else 0)
    assert rest == checksum(page)


def test_it_sounds_as_before() -> None:
    """As long, as loud to half a decibel, and smaller than 16 bits."""
    x = _noise(4.0)
    made = ogg_bytes(x, RATE, {"title": "Chapel", "artist": ""})
    with soundfile.SoundFile(io.BytesIO(made)) as file:
        assert ("VORBIS", RATE, "Chapel", "") == (file.subtype, file.samplerate, file.title, file.artist)
        back = file.read(dtype="float64").T
    assert x.shape == back.shape
    before, after = integrated_lufs(x, RATE), integrated_lufs(back, RATE)
    assert before is not None
    assert after is not None
    assert abs(before - after) < 0.5
    assert len(made) < x.size


@pytest.mark.parametrize(("x", "words"), [(np.zeros(5), "is not"), (np.full((1, 5), np.nan), "NaN")])
def test_what_is_no_sound_is_refused(x: np.ndarray, words: str) -> None:
    """One line."""
    with pytest.raises(ValueError, match=words):
        ogg_bytes(x, RATE)


def test_what_is_no_ogg_has_no_pages() -> None:
    """Told by where it ends to be one."""
    with pytest.raises(ValueError, match="no Ogg page at byte 0"):
        list(pages(b"RIFF0000000000000000000000000000"))
