"""A kit heard."""

from __future__ import annotations

import errno
import itertools
import shutil
import struct
import subprocess
import sys
import tracemalloc
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import mido
import numpy as np
import pytest
from kit_example import RATE

from oneshot.audio import loudness
from oneshot.audio.io import read_audio, wav_bytes
from oneshot.audio.spool import Spool
from oneshot.core.errors import KitError, WorkError
from oneshot.core.records.kit import Kit
from oneshot.core.records.session import Floats
from oneshot.core.user_state import remember, session_of
from oneshot.kit.playback import grooves, keymap, levelling, preview, sampler
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


def test_a_cymbal_that_nobody_named_plays_ride_and_crash(kit: Kit) -> None:
    """Where a kit has neither, a cymbal plays their lines; where it has a ride, that plays its own."""
    keys = keymap.keys_of(kit, keymap.mix_levels(kit))
    one = keys[0]
    cymbal, ride = (replace(one, key=key, drum=replace(one.drum, name=name, kind=name), articulation=way)
                    for name, key, way in (("cymbal", 49, "hit"), ("ride", 51, "bow")))
    lines = {key: sum(note.key == key for note in grooves.groove([cymbal, ride], RATE)) for key in (49, 51)}

    assert 0 < lines[49] < lines[51]
    assert sum(lines.values()) == len(grooves.groove([cymbal], RATE))


def test_a_kit_that_the_groove_does_not_know_is_walked_through(kit: Kit) -> None:
    """Every layer of every key."""
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


def levelled(x: Floats) -> tuple[Floats, levelling.Setting]:
    """Stereo set to the loudness of a preview, and how."""
    with Spool(2) as sound:
        sound.take([x])
        work = levelling.Levelling(sound, RATE, loudness.measure(x, RATE))
        found = work.to_loudness()
        return np.concatenate(list(work.blocks(found.gain_db, found.limit)), axis=1), found


def test_peaks_are_held_back_and_nothing_else() -> None:
    """A lone peak 12 dB above the rest gives way smoothly; 20 ms away the sound is untouched but for its gain."""
    x = 0.05 * np.sin(2 * np.pi * 997 * np.arange(3 * RATE) / RATE)
    x[RATE] = 0.95
    made, found = levelled(np.stack([x, x]))
    gain = made[0, 100:RATE - 1000] / np.where(x[100:RATE - 1000] == 0, 1, x[100:RATE - 1000])

    assert found.held_back_db > 6
    assert (loudness.true_peak_dbtp(made, RATE) or 0) <= -1.0
    assert np.ptp(gain[np.abs(x[100:RATE - 1000]) > 0.01]) < 1e-9


def test_levels_do_not_depend_on_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Peaks at and beside the seams of blocks, at the first and at the last frame, are held back as in one piece."""
    x = 0.03 * np.random.default_rng(1).standard_normal((2, 2 * RATE))
    for at in (0, 1, 9990, 10000, 10100, 29999, 30001, 2 * RATE - 1):
        x[:, at] = 0.9, -0.7
    whole, as_one = levelled(x)
    monkeypatch.setattr(levelling, "BLOCK", 10000)
    made, found = levelled(x)

    assert as_one.held_back_db > 6
    np.testing.assert_allclose(whole, made, rtol=0, atol=2**-26)  # an eighth of a step of 24 bits
    assert as_one.levels.integrated_lufs == pytest.approx(found.levels.integrated_lufs, abs=1e-9)


def test_memory_does_not_grow_with_length(kit: Kit, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten times the strokes take no more: what a preview holds at once is some blocks, and the one-shots that sound."""
    for module in (levelling, sampler):
        monkeypatch.setattr(module, "BLOCK", 2**14)
    monkeypatch.setattr(sampler, "KEPT_BYTES", 0)
    peaks = []
    for strokes in (12, 120):
        track = mido.MidiTrack(mido.Message("note_on", channel=9, note=key, velocity=50 + n % 70, time=120)
                               for n, key in zip(range(strokes), itertools.cycle((36, 42, 46))))
        mido.MidiFile(type=0, tracks=[track]).save(tmp_path / "in.mid")
        tracemalloc.start()
        try:
            made = preview.preview(kit.session.root / "kit", tmp_path / "out.wav", midi=tmp_path / "in.mid")
            peaks.append(tracemalloc.get_traced_memory()[1])
        finally:
            tracemalloc.stop()

    assert made.seconds > 15  # whole, as float64: 10 MB
    assert peaks[1] < 1.2 * peaks[0] < 7_000_000


def test_a_tempo_gone_wrong_is_told(kit: Kit, tmp_path: Path) -> None:
    """Notes that last for years, and a MIDI file that no drummer fills, cost one line and no disk."""
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=2**24 - 1),
                            mido.Message("note_on", channel=9, note=36, velocity=9, time=2**28 - 1)])
    mido.MidiFile(type=0, tracks=[track], ticks_per_beat=1).save(tmp_path / "in.mid")
    with pytest.raises(KitError, match="plays for 1,251,000 hours, and a preview has at most 24"):
        preview.preview(kit.session.root / "kit", tmp_path / "out.wav", midi=tmp_path / "in.mid")
    (tmp_path / "in.mid").write_bytes(bytes(grooves.MOST_BYTES + 1))
    with pytest.raises(KitError, match=r"longer than 4\.1943 MB"):
        preview.preview(kit.session.root / "kit", tmp_path / "out.wav", midi=tmp_path / "in.mid")

    assert [tmp_path / "in.mid"] == list(tmp_path.iterdir())


def test_a_full_disk_leaves_what_was_there(kit: Kit, tmp_path: Path) -> None:
    """The kernel's own limit on files stops the render: one line, exit code 1, the preview of before and nothing beside
    it.
    """
    folder, out = kit.session.root / "kit", tmp_path / "out.wav"
    before = wav_bytes(np.zeros((2, 10)), RATE, "PCM_24", [preview._mark(kit)])
    out.write_bytes(before)
    code = ("import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))\n"
            f"from oneshot.cli import main; main(['preview', {str(folder)!r}, '--out', {str(out)!r}])")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)

    assert (1, f"oneshot: {out} cannot be written (file too large): choose another place or free some space\n") == \
        (done.returncode, done.stderr)
    assert [out] == list(tmp_path.iterdir())
    assert before == out.read_bytes()


@pytest.mark.usefixtures("one_bar")
@pytest.mark.parametrize("error", [OSError(errno.ENOSPC, "No space left on device"), KeyboardInterrupt()])
def test_a_file_cut_off_is_no_preview(kit: Kit, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                      error: BaseException) -> None:
    """A disk that fills up, or an interrupt, while the file itself is written."""
    def half(path: Path, *_: object) -> None:
        path.write_bytes(b"RIFF")
        raise error

    monkeypatch.setattr(preview, "write_long_wav", half)
    with pytest.raises((WorkError, KeyboardInterrupt), match=r"no space left|^$"):
        preview.preview(kit.session.root / "kit", tmp_path / "out.wav")

    assert [] == list(tmp_path.iterdir())


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
    """Time without beats."""
    with pytest.raises(KitError, match="cannot be read as a MIDI file"):
        grooves.read_midi(midi(tmp_path / "a.mid", ticks=0), 48_000)


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
