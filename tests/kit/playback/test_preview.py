"""A kit heard."""

from __future__ import annotations

import shutil
import struct
from pathlib import Path
from typing import TYPE_CHECKING

import mido
import numpy as np
import pytest
from kit_example import RATE

from oneshot.audio import loudness
from oneshot.audio.io import read_audio
from oneshot.core.errors import KitError
from oneshot.core.records.kit import Kit
from oneshot.core.user_state import remember, session_of
from oneshot.kit.playback import grooves, keymap, preview
from oneshot.kit.playback.sampler import Note

if TYPE_CHECKING:
    from stage_inputs import Pier


@pytest.fixture(scope="module")
def kit(example: Kit) -> Kit:
    """The example kit."""
    return example


def test_a_preview_is_at_its_loudness_and_below_its_ceiling(kit: Kit, tmp_path: Path) -> None:
    """-16 LUFS to 0.1 LU (ITU-R BS.1770, integrated) and no true peak above -1 dBTP, read from the file."""
    made = preview.preview(kit.session.root / "kit", tmp_path / "out.wav")
    x, header = read_audio(tmp_path / "out.wav")

    assert -16.0 == pytest.approx(loudness.integrated_lufs(x, header.sample_rate), abs=0.1)
    assert (loudness.true_peak_dbtp(x, header.sample_rate) or 0) <= -1.0
    assert made.seconds == pytest.approx(x.shape[1] / RATE)


@pytest.mark.full
def test_two_previews_are_the_same(kit: Kit, tmp_path: Path) -> None:
    """No chance in it."""
    for name in ("a.wav", "b.wav"):
        preview.preview(kit.session.root / "kit", tmp_path / name)

    assert (tmp_path / "a.wav").read_bytes() == (tmp_path / "b.wav").read_bytes()


def test_the_groove_plays_what_the_kit_has(kit: Kit) -> None:
    """Kick and hats of the example, nothing on keys it does not have, soft and hard strokes."""
    notes = grooves.groove(keymap.keys_of(kit, keymap.mix_levels(kit)), RATE)

    assert {36, 42, 46} == {note.key for note in notes}
    assert all(1 <= note.velocity <= 127 for note in notes)
    assert len({note.velocity for note in notes}) > 3


def test_a_kit_that_the_groove_does_not_know_is_walked_through(kit: Kit) -> None:
    """Every layer of every key."""
    from dataclasses import replace

    keys = [replace(key, drum=replace(key.drum, kind="cowbell"))
            for key in keymap.keys_of(kit, keymap.mix_levels(kit))]

    assert sum(len(key.layers) for key in keys) == len(grooves.groove(keys, RATE))


def test_a_midi_file_is_played(kit: Kit, tmp_path: Path) -> None:
    """Its notes at their times; keys that are not there are told once each."""
    track = mido.MidiTrack()
    for key in (36, 99, 99, 42):
        track.append(mido.Message("note_on", channel=9, note=key, velocity=100, time=480))
    mido.MidiFile(type=0, tracks=[track]).save(tmp_path / "in.mid")
    made = preview.preview(kit.session.root / "kit", tmp_path / "out.wav", midi=tmp_path / "in.mid")

    assert 2 == made.notes
    assert ["uses key 99 2 times, which the kit does not have"] == [problem.what for problem in made.problems]


@pytest.mark.parametrize(("content", "text"), [(None, "no such file"), (b"RIFF", "cannot be read as a MIDI file"),
                                               (b"", "cannot be read as a MIDI file")])
def test_a_bad_midi_file_gives_one_line(kit: Kit, tmp_path: Path, content: bytes | None, text: str) -> None:
    """What is wrong, in which file."""
    path = tmp_path / "in.mid"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(KitError, match=text):
        preview.preview(kit.session.root / "kit", tmp_path / "out.wav", midi=path)
    assert not (tmp_path / "out.wav").exists()


def test_what_cannot_be_played_is_told(kit: Kit, tmp_path: Path) -> None:
    """A take that is not there, a file with keys of another kit."""
    folder = kit.session.root / "kit"
    with pytest.raises(KitError, match="this kit has no take 'take 7': choose one of take 1"):
        preview.preview(folder, tmp_path / "out.wav", take="take 7")
    mido.MidiFile(type=0, tracks=[mido.MidiTrack([mido.Message("note_on", note=5, velocity=9)])]).save(
        tmp_path / "in.mid")
    with pytest.raises(KitError, match="none of its keys is in the kit; keys of the kit: 36, 42, 46"):
        preview.preview(folder, tmp_path / "out.wav", midi=tmp_path / "in.mid")


def test_peaks_are_held_back_and_nothing_else() -> None:
    """A lone peak 12 dB above the rest gives way smoothly; 20 ms away the sound is untouched but for its gain."""
    x = 0.05 * np.sin(2 * np.pi * 997 * np.arange(3 * RATE) / RATE)
    x[RATE] = 0.95
    stereo = np.stack([x, x])
    made, held = preview.at_loudness(stereo, RATE)
    gain = made[0, 100:RATE - 1000] / np.where(x[100:RATE - 1000] == 0, 1, x[100:RATE - 1000])

    assert held > 6
    assert (loudness.true_peak_dbtp(made, RATE) or 0) <= -1.0
    assert np.ptp(gain[np.abs(x[100:RATE - 1000]) > 0.01]) < 1e-9


@pytest.mark.full
def test_a_replayed_take_is_lined_up_with_its_recording(pier: Pier, tmp_path: Path) -> None:
    """The performance through its own kit: drums within 3 dB and 1 ms of the recording in the median."""
    take = max(pier.kit.session.takes, key=lambda each: sum(hit.take == each.name for hit in pier.kit.hits))
    made = preview.preview(pier.folder, tmp_path / "out.wav", take=take.name, session_path=pier.session)

    assert made.replayed
    for row in made.replayed:
        assert 0.0 == pytest.approx(row.level_db, abs=3.0)
        assert 0.0 == pytest.approx(row.late_ms, abs=1.0)


def test_where_the_recordings_lie_is_remembered_outside_the_kit(tmp_path: Path) -> None:
    """By the kit's path; a session that is gone is not offered."""
    kit, session = tmp_path / "kit", tmp_path / "session"
    session.mkdir()
    remember(kit, session)

    assert session.resolve() == session_of(kit)
    assert session_of(tmp_path / "other") is None
    shutil.rmtree(session)
    assert session_of(kit) is None


def midi(path: Path, *, key: bytes = b"\0\0", ticks: int = 96, wait: bytes = b"\x60") -> Path:
    """A MIDI file of one track, by its bytes: a key signature, and a note on channel 10 after some ticks."""
    track = b"\0\xff\x59\x02" + key + wait + b"\x99\x24\x64" + b"\x60\x89\x24\0" + b"\0\xff\x2f\0"
    path.write_bytes(b"MThd" + struct.pack(">IHHH", 6, 0, 1, ticks) + b"MTrk" + struct.pack(">I", len(track)) + track)
    return path


@pytest.mark.parametrize("key", [b"\0\0", b"\x20\x07", b"\x80\x01", b"\xff\xff", b"\x59\x02"])
def test_a_key_signature_that_there_is_not_plays(tmp_path: Path, key: bytes) -> None:
    """It says nothing of the notes."""
    assert [Note(24_000, 36, 100)] == grooves.read_midi(midi(tmp_path / "a.mid", key=key), 48_000)


def test_a_midi_file_has_an_end(tmp_path: Path) -> None:
    """Time without beats, and a note days later."""
    with pytest.raises(KitError, match="cannot be read as a MIDI file"):
        grooves.read_midi(midi(tmp_path / "a.mid", ticks=0), 48_000)
    with pytest.raises(KitError, match="go on after 60 minutes"):
        grooves.read_midi(midi(tmp_path / "a.mid", wait=b"\xff\xff\xff\x7f"), 48_000)


def test_every_damaged_byte_of_a_midi_file_is_one_line(tmp_path: Path) -> None:
    """Each byte changed in two ways, and the file cut off before it: notes, or one line."""
    sound = midi(tmp_path / "a.mid").read_bytes()

    def told(data: bytes) -> str:
        """What is said of a file; nothing where it has notes."""
        (tmp_path / "b.mid").write_bytes(data)
        try:
            return "" if grooves.read_midi(tmp_path / "b.mid", 48_000) else "nothing"
        except KitError as error:
            return str(error)

    lines = [told(data) for at in range(len(sound)) for data in (
        sound[:at], sound[:at] + bytes([sound[at] ^ 0xff]) + sound[at + 1:],
        sound[:at] + bytes([sound[at] ^ 1]) + sound[at + 1:])]

    assert not [line for line in lines if "\n" in line]
    assert sum(not line for line in lines) > 10
