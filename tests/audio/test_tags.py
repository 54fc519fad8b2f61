"""Tags: readable by others' readers, once however often they are written, and never a sample touched."""

from __future__ import annotations

import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
import wavinfo
from cut_again import written
from kits import small_kit

from oneshot.audio.descriptors import brightness_hz, crest_db, decay, note_of
from oneshot.audio.io import read_audio, write_wav
from oneshot.audio.riff import list_chunks, read_chunk
from oneshot.audio.tags import Said, Tags, history_of, loudness_fields, read_back, write_tags
from oneshot.config.recipe import Finishing
from oneshot.core.errors import AudioError
from oneshot.core.files import sha256_of
from oneshot.core.records.session import Floats
from oneshot.cutting.file_tags import FileTags
from oneshot.cutting.mix.prints import Printed
from oneshot.kit import verify

RATE = 48000
TAGS = Tags(title="snare centre V03 RR02 Snare Top", album="Barn kit", artist="A. Player", rights="CC0 1.0",
            software="oneshot 0.1.0", key=38, attack=96, sample_rate=RATE, time_reference=172800000,
            history=("A=PCM,F=48000,W=24,M=mono,T=as recorded", "A=PCM,F=48000,W=24,M=mono,T=cut"),
            integrated_lufs=-23.0, true_peak_dbtp=-1.5, momentary_lufs=9.5)


def sound(path: Path, subtype: str = "PCM_24", channels: int = 1) -> Floats:
    """A file with noise in it, by this project's own writer or, where it has none, by soundfile's."""
    x = 0.25 * np.random.default_rng(3).standard_normal((channels, 4801)).clip(-3, 3)
    if path.suffix == ".wav":
        write_wav(path, x, RATE, subtype)
    else:
        soundfile.write(path, x.T, RATE, subtype)
    return read_audio(path)[0]


# ------------------------------------------------------------------------------------------------------------- WAV


def test_an_independent_reader_reads_every_chunk(tmp_path: Path) -> None:
    """The wavinfo library (PyPI, an independent reader of bext, INFO, cue and smpl) gives back what was said."""
    path = tmp_path / "a.wav"
    sound(path)
    assert write_tags(path, TAGS)
    read = wavinfo.WavInfoReader(str(path))

    assert read.bext is not None
    assert (172800000, 2) == (read.bext.time_reference, read.bext.version)
    assert TAGS.title == read.bext.description
    assert [*TAGS.history, ""] == read.bext.coding_history.split("\r\n")
    assert ("", "") == (read.bext.originator_date, read.bext.originator_time)
    assert read.info is not None
    assert (TAGS.title, "Barn kit", "A. Player", "CC0 1.0", "oneshot 0.1.0") == (
        read.info.title, read.info.product, read.info.artist, read.info.copyright, read.info.software)
    assert read.smpl is not None
    assert (38, 20833) == (read.smpl.midi_note, read.smpl.sample_period_ns)
    assert read.cues is not None
    assert {1: {"frame": 96, "label": "attack"}} == read.cues.to_dict()


def test_loudness_stands_where_the_standard_puts_it(tmp_path: Path) -> None:
    """EBU Tech 3285 v2: hundredths at bytes 412 to 421, 0x7FFF for what is not given. Worked values: -23.00 is 0xF704,
    -1.50 is 0xFF6A, 9.5 is 0x03B6.
    """
    path = tmp_path / "a.wav"
    sound(path)
    write_tags(path, TAGS)
    data = read_chunk(path, b"bext")
    write_tags(path, replace(TAGS, integrated_lufs=None, true_peak_dbtp=-float("inf")))
    unknown = read_chunk(path, b"bext")

    assert data is not None
    assert unknown is not None
    assert (0xF704, 0x7FFF, 0xFF6A, 0x03B6, 0x7FFF) == struct.unpack_from("<5H", data, 412)
    assert (0x7FFF, 0x7FFF, 0x7FFF, 0x03B6, 0x7FFF) == struct.unpack_from("<5H", unknown, 412)
    assert bytes(180) == data[422:602]


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
@pytest.mark.parametrize("channels", [1, 2])
def test_samples_are_untouched_and_twice_is_once(tmp_path: Path, subtype: str, channels: int) -> None:
    """Every sample stays; tagged twice, the second tags stand alone and the bytes are those of one tagging."""
    path = tmp_path / "a.wav"
    before = sound(path, subtype, channels)
    write_tags(path, replace(TAGS, title="something else and longer than that"))
    write_tags(path, TAGS)
    twice = path.read_bytes()
    sound(path, subtype, channels)
    write_tags(path, TAGS)

    assert path.read_bytes() == twice
    np.testing.assert_array_equal(before, read_audio(path)[0])
    np.testing.assert_array_equal(before, soundfile.read(path, always_2d=True)[0].T)
    assert len({span.id for span in list_chunks(path) if span.id != b"LIST"}) == len(
        [span for span in list_chunks(path) if span.id != b"LIST"])


# ---------------------------------------------------------------------------------------------------- FLAC and AIFF


def test_flac_comments_are_read_by_libsndfile(tmp_path: Path) -> None:
    """RFC 9639: the usual names come back from libsndfile's reader; samples and their MD5 in the stream stay."""
    path = tmp_path / "a.flac"
    before = sound(path)
    assert write_tags(path, TAGS)
    once = path.read_bytes()
    write_tags(path, TAGS)
    with soundfile.SoundFile(path) as file:
        assert (TAGS.title, "Barn kit", "A. Player", "CC0 1.0") == (file.title, file.album, file.artist, file.copyright)

    assert once == path.read_bytes()
    assert b"MIDI_KEY=38" in once
    np.testing.assert_array_equal(before, read_audio(path)[0])


def test_aiff_chunks_are_read_by_libsndfile(tmp_path: Path) -> None:
    """AIFF 1.3: name, author and rights come back from libsndfile; marker and key have the lengths that it sets."""
    path = tmp_path / "a.aiff"
    before = sound(path)
    assert write_tags(path, TAGS)
    once = path.read_bytes()
    write_tags(path, TAGS)
    with soundfile.SoundFile(path) as file:
        assert (TAGS.title, "A. Player", "CC0 1.0") == (file.title, file.artist, file.copyright)

    assert once == path.read_bytes()
    assert struct.pack(">4sIHHI", b"MARK", 16, 1, 1, 96) in once
    assert b"INST" + struct.pack(">IB", 20, 38) in once
    np.testing.assert_array_equal(before, read_audio(path)[0])


@pytest.mark.parametrize(("suffix", "said"), [
    ("wav", Said(38, 96, 172800000, loudness_fields(TAGS.integrated_lufs, TAGS.true_peak_dbtp, TAGS.momentary_lufs))),
    ("flac", Said(38, 96, 172800000)), ("aiff", Said(38, 96))])
def test_what_was_said_is_read_back(tmp_path: Path, suffix: str, said: Said) -> None:
    """Key and attack from every format; the time reference where it has a place, loudness from ``bext``."""
    sound(tmp_path / f"a.{suffix}")
    assert Said() == read_back(tmp_path / f"a.{suffix}")
    write_tags(tmp_path / f"a.{suffix}", TAGS)

    assert said == read_back(tmp_path / f"a.{suffix}")


def test_other_files_stay_as_they_are_and_damage_is_told(tmp_path: Path) -> None:
    """What is no known container is left alone; a file that is cut short is told, not made worse."""
    other, cut = tmp_path / "a.txt", tmp_path / "b.wav"
    other.write_bytes(b"no sound")
    sound(cut)
    cut.write_bytes(cut.read_bytes()[:1000])

    assert not write_tags(other, TAGS)
    with pytest.raises(AudioError, match="cut short"):
        write_tags(cut, TAGS)


@pytest.mark.parametrize("body", [b"", b"\xff\xff\xff\xff....", struct.pack("<II", 0, 2**32 - 1),
                                  struct.pack("<IIII", 0, 2, 2**31, 1)])
def test_damaged_comments_are_told(tmp_path: Path, body: bytes) -> None:
    """Lengths and counts that lead beyond the block, in one line; a block too short for any holds nothing."""
    path = tmp_path / "a.flac"
    sound(path)
    write_tags(path, TAGS)
    data = path.read_bytes()
    at = data.index(b"\x84", 42)  # the comments, the last block
    size = int.from_bytes(data[at + 1:at + 4], "big")
    path.write_bytes(data[:at + 1] + len(body).to_bytes(3, "big") + body + data[at + 4 + size:])

    if not body:
        assert Said() == read_back(path)
        assert () == history_of(path)
        return
    for read in (read_back, history_of):
        with pytest.raises(AudioError, match=r"a\.flac: its tags are damaged"):
            read(path)


@pytest.mark.parametrize("text", ["\u00b2", "9" * 5000, "x"])
def test_numbers_that_are_none_say_nothing(tmp_path: Path, text: str) -> None:
    """A superscript is a digit and no number, and Python reads no number of five thousand digits."""
    path = tmp_path / "a.flac"
    sound(path)
    write_tags(path, TAGS)
    data = path.read_bytes()
    at, size = data.index(b"\x84", 42), int.from_bytes(data[data.index(b"\x84", 42) + 1:][:3], "big")
    comment = f"MIDI_KEY={text}".encode()
    body = struct.pack("<III", 0, 1, len(comment)) + comment
    path.write_bytes(data[:at + 1] + len(body).to_bytes(3, "big") + body + data[at + 4 + size:])

    assert Said() == read_back(path)


# --------------------------------------------------------------------------------------------------------------- kits


def test_a_kits_files_say_their_key_and_their_place(tmp_path: Path) -> None:
    """Each file's key is its articulation's, its cue its attack, its place that of its window in the take; the sums in
    the rows are those of the tagged files, whose samples are those without tags.
    """
    kit = small_kit(tmp_path)
    drums = tuple(replace(d, articulations=tuple(replace(a, key=40 + n + 10 * m)
                                                 for n, a in enumerate(d.articulations)))
                  for m, d in enumerate(kit.drums))
    tags = FileTags(kit.session, kit.hits, drums, kit.recipe, {}, kit.generator)
    _, said = written(tmp_path, kit, Finishing(), tmp_path / "a", tags=tags)
    _, plain = written(tmp_path, kit, Finishing(), tmp_path / "b")
    file, bare = said[-1].files[0], plain[-1].files[0]
    read = wavinfo.WavInfoReader(str(tmp_path / "a" / file.path))

    assert file.sha256 != bare.sha256
    assert sha256_of(tmp_path / "a" / file.path) == file.sha256
    assert read.smpl is not None
    assert 51 == read.smpl.midi_note
    assert read.bext is not None
    assert file.source_start == read.bext.time_reference == file.time_reference
    np.testing.assert_array_equal(read_audio(tmp_path / "a" / file.path)[0], read_audio(tmp_path / "b" / bare.path)[0])


def test_a_print_says_what_it_is(tmp_path: Path) -> None:
    """Its name and rank, the key of its articulation, and its levels; none where the recipe wants no tags."""
    kit = small_kit(tmp_path)
    row, = kit.prints
    made = Printed(row, read_audio(tmp_path / row.path)[0], RATE, "PCM_24")
    files, _ = written(tmp_path, kit, Finishing(), tmp_path / "a", shots=[],
                       tags=FileTags(kit.session, kit.hits, kit.drums, kit.recipe, {}, kit.generator))
    bare, _ = written(tmp_path, kit, Finishing(), tmp_path / "b", shots=[])
    said, (x, rate) = files.print(made)
    plain, _ = bare.print(made)
    read = wavinfo.WavInfoReader(str(tmp_path / "a" / said.path))

    assert read.bext is not None
    assert read.bext.description.startswith("kick replacement 1: kick hit V03 RR01")
    assert (RATE, row.source_start, None) == (rate, said.time_reference, plain.time_reference)
    assert sha256_of(tmp_path / row.path) == plain.sha256 != said.sha256
    np.testing.assert_array_equal(x, read_audio(tmp_path / "a" / said.path)[0])


def test_verify_holds_tags_against_the_manifest(tmp_path: Path) -> None:
    """A time reference, an attack and a key that are not the manifest's are each told."""
    path = tmp_path / "a.wav"
    sound(path)
    write_tags(path, TAGS)
    row = {"time_reference": 172800000, "onset_frame": 96}
    wrong = {"time_reference": 5, "onset_frame": 97}

    assert [] == list(verify._tags(path, "a.wav", row, 38))
    assert ["time reference in its tags", "attack in its tags", "key in its tags"] == [
        d.what for d in verify._tags(path, "a.wav", wrong, 40)]


# ------------------------------------------------------------------------------------------------------------ measures


def test_crest_factors_of_known_waves() -> None:
    """A sine's peak lies 3.01 dB over its rms, a square wave's at it, a triangle's 4.77 over it; silence has none."""
    t = np.arange(48000) / 48000
    sine = np.sin(2 * np.pi * 100 * t + 0.3)[None]
    triangle = (2 * np.abs(2 * ((100 * t) % 1) - 1) - 1)[None]

    assert 3.01 == pytest.approx(crest_db(sine), abs=0.01)
    assert 0.0 == pytest.approx(crest_db(np.sign(sine)), abs=1e-9)
    assert 4.77 == pytest.approx(crest_db(triangle), abs=0.01)
    assert crest_db(np.zeros((1, 9))) is None


def test_brightness_is_the_centroid_of_the_power() -> None:
    """A tone's is its frequency; two tones of equal power lie at their mean; white noise at a quarter of the rate."""
    t = np.arange(48000) / 48000
    tone = np.sin(2 * np.pi * 1000 * t)[None]
    noise = np.random.default_rng(1).standard_normal((1, 1 << 18))

    assert 1000.0 == pytest.approx(brightness_hz(tone, 48000), abs=1.0)
    assert 2000.0 == pytest.approx(brightness_hz(tone + np.sin(2 * np.pi * 3000 * t)[None], 48000), abs=2.0)
    assert 12000.0 == pytest.approx(brightness_hz(noise, 48000), rel=0.01)
    assert brightness_hz(np.zeros((2, 9)), 48000) is None


@pytest.mark.parametrize(("hz", "note", "cents"), [(440.0, 69, 0.0), (261.6256, 60, 0.0), (55.0, 33, 0.0),
                                                   (440.0 * 2 ** (0.4 / 12), 69, 40.0), (27.5, 21, 0.0)])
def test_notes_are_those_of_the_standard_tuning(hz: float, note: int, cents: float) -> None:
    """ISO 16: a' is 440 Hz, MIDI note 69; middle C 261.6256 Hz, note 60 (equal temperament)."""
    found = note_of(hz)

    assert note == found[0]
    assert cents == pytest.approx(found[1], abs=0.01)


def test_early_and_later_decay_are_told_apart() -> None:
    """ISO 3382-1: two slopes, 10 dB of fast decay (60 dB in 0.2 s) over a slow one (60 dB in 2 s): EDT is near the fast
    one, T20 near the slow one, within the tenth by which the bend rounds them.
    """
    t = np.arange(3 * 48000) / 48000
    envelope = 10 ** (-3 * t / 0.2) + 10 ** (-10 / 20) * 10 ** (-3 * t / 2.0)
    found = decay(envelope * np.random.default_rng(2).standard_normal(len(t)), sample_rate=48000, noise_rms=0.0)

    assert found.edt_s is not None
    assert found.t20_s is not None
    assert found.edt_s < 0.75 * found.t20_s
    assert 2.0 == pytest.approx(found.t20_s, rel=0.15)
