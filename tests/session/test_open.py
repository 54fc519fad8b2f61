"""A folder to a session: takes, mics, roles, pairs, time stamps, session.toml, and what is told."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from short_sessions import FRAMES, full, only, session_of, sound, told

from oneshot.audio.io import TakeReader, write_wav
from oneshot.core.errors import AudioError, SessionError
from oneshot.core.files import sha256_of_edges
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Chunk, Mic, Session
from oneshot.session.open import fingerprint_parts, natural_key, open_session

# ---------------------------------------------------------------------------------------------------- takes and folders


def test_a_folder_of_files_is_one_take_named_by_the_folder(tmp_path: Path) -> None:
    """One take: name of the folder, mics by their stems in natural order, nothing to tell."""
    root = tmp_path / "Barn"
    session = session_of(root, "Tom 10", "Tom 2", "Kick In", "OH L", "OH R")

    assert ("Barn", "Barn") == (session.name, only(session).name)
    assert ["Kick In", "OH L", "OH R", "Tom 2", "Tom 10"] == [m.name for m in only(session).mics]
    assert (48000, FRAMES, "PCM_24") == (only(session).sample_rate, only(session).frames, only(session).subtype)
    assert () == session.problems
    assert "Kick In.wav" == only(session).mic("Kick In").sources[0].path


def test_a_session_is_called_by_one_line(tmp_path: Path) -> None:
    """Line ends and controls in a folder's name, or in what session.toml says, are no part of what a kit is called."""
    assert "a barn" == session_of(tmp_path / "a\nbarn", "Kick").name
    assert "b barn" == session_of(tmp_path / "b", "Kick", toml='name = "b\\u0085barn"\n').name


def test_a_folder_per_take_is_sorted_as_people_count(tmp_path: Path) -> None:
    """Take 2 comes before take 10; paths run from the session folder, with forward slashes."""
    session = session_of(tmp_path, "take 10/Kick", "Take 2/Kick", "take 1/Kick")

    assert ["take 1", "Take 2", "take 10"] == [t.name for t in session.takes]
    assert "take 10/Kick.wav" == session.take("take 10").mics[0].sources[0].path


def test_takes_are_found_below_a_folder_without_audio(tmp_path: Path) -> None:
    """A folder between the session and its takes does not hide them; equal names get their way before them."""
    session = session_of(tmp_path, "morning/take 1/Kick", "evening/take 1/Kick", "evening/take 2/Kick")

    assert ["evening take 1", "take 2", "morning take 1"] == [t.name for t in session.takes]


def test_audio_beside_or_below_takes_is_told_and_left_out(tmp_path: Path) -> None:
    """What is neither a take nor in one does not become a mic, and the user hears of it."""
    session = session_of(tmp_path, "rough mix", "take 1/Kick", "take 1/old/Snare")

    assert ["Kick"] == [m.name for m in only(session).mics]
    assert "rough mix.wav" == told(session, "next to the take folders").where
    assert "take 1/old/Snare.wav" == told(session, "below a take").where


def test_hidden_foreign_and_own_files_are_passed_over(tmp_path: Path) -> None:
    """Files a system or this program leaves behind are no mics and no problem."""
    session_of(tmp_path, "take 1/Kick")
    for name in ("take 1/._Kick.wav", "take 1/.hidden.wav", "__MACOSX/Kick.wav", ".old/Kick.wav"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(b"no sound")
    (tmp_path / "take 1.truth.json").write_text("{}")
    (tmp_path / "take 1" / "notes.txt").write_text("softer")
    sound(tmp_path / "kit" / "samples" / "kick.wav")
    (tmp_path / "kit" / "manifest.json").write_text('{"format": "oneshot-manifest"}')

    session = open_session(tmp_path)

    assert ["Kick"] == [m.name for m in only(session).mics]
    assert () == session.problems


def test_lossy_files_are_told_and_left_out(tmp_path: Path) -> None:
    """An MP3 beside the recordings is no mic; alone, it is no session."""
    (tmp_path / "demo.mp3").write_bytes(b"x")
    with pytest.raises(SessionError, match=r"holds no audio: demo\.mp3 is lossy"):
        open_session(tmp_path)

    assert told(session_of(tmp_path, "Kick"), "demo.mp3").what == "is a lossy format and is left out"


def test_what_is_no_session_is_told_in_one_line(tmp_path: Path) -> None:
    """No such folder, a file, an empty folder, a kit: what, where, what to do."""
    (tmp_path / "empty").mkdir()
    kit = tmp_path / "kit"
    kit.mkdir()
    (kit / "manifest.json").write_text('{"format": "oneshot-manifest"}')
    file = sound(tmp_path / "a.wav")
    cases = {tmp_path / "gone": "does not exist", file: "is a file", tmp_path / "empty": "holds no audio",
             kit: "is a finished kit"}

    for path, message in cases.items():
        with pytest.raises(SessionError, match=message) as caught:
            open_session(path)
        assert str(path) in str(caught.value)
        assert "\n" not in str(caught.value)


@pytest.mark.parametrize("content", [b"", b"RIFF....WAVE nonsense"])
def test_a_file_that_cannot_be_read_stops_with_its_name(tmp_path: Path, content: bytes) -> None:
    """An empty or damaged file is not passed over in silence."""
    session_of(tmp_path, "Kick")
    (tmp_path / "Snare.wav").write_bytes(content)

    with pytest.raises(AudioError, match=r"Snare\.wav"):
        open_session(tmp_path)


def test_rates_that_differ_inside_a_take_stop_with_both_files(tmp_path: Path) -> None:
    """The odd one out, one of the rest and both rates are named; between takes a difference is only told."""
    sound(tmp_path / "a" / "Kick.wav")
    sound(tmp_path / "a" / "Snare.wav", rate=44100)
    with pytest.raises(AudioError, match=r"Snare\.wav is at 44100 Hz and Kick\.wav at 48000 Hz"):
        open_session(tmp_path)
    sound(tmp_path / "a" / "Alto.wav", rate=44100)
    with pytest.raises(AudioError, match=r"Kick\.wav is at 48000 Hz and the 2 like Alto\.wav at 44100 Hz"):
        open_session(tmp_path)
    (tmp_path / "a" / "Alto.wav").unlink()

    (tmp_path / "b").mkdir()
    (tmp_path / "a" / "Snare.wav").rename(tmp_path / "b" / "Snare.wav")
    assert "a 48000 Hz, b 44100 Hz" in told(open_session(tmp_path), "differ in sample rate").what


@pytest.mark.parametrize("where", ['mics."Spare"', 'takes."a".mics."Spare"'])
def test_a_file_of_another_rate_that_is_ignored_is_no_matter(tmp_path: Path, where: str) -> None:
    """By session.toml, for all takes or for one: the take is read without it, at its own rate and length, and nothing
    is said; what stands at another rate and is not ignored still stops.
    """
    for mic in ("Kick", "Snare"):
        sound(tmp_path / "a" / f"{mic}.wav")
    quiet = open_session(tmp_path)
    sound(tmp_path / "a" / "Spare.wav", rate=44100, frames=99_999)
    with pytest.raises(AudioError, match=r'give its mics role = "ignore" in session\.toml'):
        open_session(tmp_path)
    (tmp_path / "session.toml").write_text(f'[{where}]\nrole = "ignore"\n', encoding="utf-8")
    session = open_session(tmp_path)

    assert ["Kick", "Snare"] == [mic.name for mic in only(session).mics]
    assert (only(quiet).sample_rate, only(quiet).frames) == (only(session).sample_rate, only(session).frames)
    assert quiet.problems == session.problems == ()
    sound(tmp_path / "a" / "OH.wav", rate=96000)
    with pytest.raises(AudioError, match=r"OH\.wav is at 96000 Hz"):
        open_session(tmp_path)


def test_a_file_of_another_rate_that_only_its_name_leaves_out_is_told(tmp_path: Path) -> None:
    """As one of the same rate is: whoever recorded drums with it would miss it."""
    sound(tmp_path / "Kick.wav")
    sound(tmp_path / "Guitar.wav")
    same = told(open_session(tmp_path), "not a drum mic")
    sound(tmp_path / "Guitar.wav", rate=44100)
    session = open_session(tmp_path)

    assert ["Kick"] == [mic.name for mic in only(session).mics]
    assert same == told(session, "not a drum mic")


def test_lengths_that_differ_are_told_and_the_longest_counts(tmp_path: Path) -> None:
    """Both files and both lengths are named; the shorter mic is silent at its end."""
    sound(tmp_path / "Kick.wav", frames=4800)
    sound(tmp_path / "Snare.wav", frames=6000)

    session = open_session(tmp_path)

    assert 6000 == only(session).frames
    assert "Kick.wav ends at 0.100 s, Snare.wav at 0.125 s" in told(session, "differ in length").what
    with TakeReader(session.root, only(session)) as reader:
        kick, snare = reader.read(4790, 6000)
    assert kick[:10].any()
    assert not kick[10:].any()
    assert snare[10:].any()


def test_all_formats_and_kinds_of_files_come_together(tmp_path: Path) -> None:
    """WAV, AIFF, FLAC and CAF, 16 bit to float, one channel to many: one take, the widest subtype holds them all."""
    sound(tmp_path / "Kick.wav", subtype="PCM_16")
    sound(tmp_path / "Snare.aiff", subtype="PCM_24")
    sound(tmp_path / "OH.flac", channels=2, subtype="PCM_24")
    sound(tmp_path / "Toms.caf", channels=3, subtype="FLOAT")

    take = only(open_session(tmp_path))

    assert ["Kick", "OH L", "OH R", "Snare", "Toms 1", "Toms 2", "Toms 3"] == [m.name for m in take.mics]
    assert "FLOAT" == take.subtype
    assert [0, 0, 1, 0, 0, 1, 2] == [m.sources[0].channel for m in take.mics]


def test_two_files_of_one_name_are_told(tmp_path: Path) -> None:
    """Names tell mics apart: the same stem twice cannot be guessed away."""
    sound(tmp_path / "Kick.wav")
    sound(tmp_path / "Kick.flac")

    with pytest.raises(SessionError, match=r'two mics called "Kick" \(Kick\.flac and Kick\.wav\)'):
        open_session(tmp_path)


def test_numbers_sort_by_size() -> None:
    """Digits count as numbers, case does not count."""
    names = ["take 10", "Take 9", "take 1b", "take 01", "take"]

    assert ["take", "take 01", "take 1b", "Take 9", "take 10"] == sorted(names, key=natural_key)


# ------------------------------------------------------------------------------------------------------ roles and pairs


def test_a_two_channel_file_is_a_pair(tmp_path: Path) -> None:
    """Its channels are left and right of a pair named by the stem."""
    sound(tmp_path / "Room.wav", channels=2)

    left, right = only(open_session(tmp_path)).mics

    assert ("Room L", "Room", "L", Role.ROOM) == (left.name, left.pair, left.side, left.role)
    assert ("Room R", "Room", "R", Role.ROOM) == (right.name, right.pair, right.side, right.role)


@pytest.mark.parametrize(("left", "right", "pair"), [
    ("OH L", "OH R", "OH"), ("Overhead Left", "Overhead Right", "Overhead"), ("room_l", "room_r", "room"),
    ("OHL", "OHR", "OH"), ("07 OH L", "08 OH R", "OH"), ("OH_L", "OH R", "OH"), ("Far L-01", "Far R-01", "Far"),
])
def test_left_and_right_files_are_a_pair(tmp_path: Path, left: str, right: str, pair: str) -> None:
    """Names that differ in their side alone make a pair; the mics keep their names."""
    mics = only(session_of(tmp_path, left, right, "Kick")).mics

    assert {(left, pair, "L"), (right, pair, "R"), ("Kick", None, None)} == {(m.name, m.pair, m.side) for m in mics}


@pytest.mark.parametrize("names", [("OH L", "Room R"), ("OH L",), ("OH L", "OH C"), ("OH L", "OH_L", "OH R")])
def test_a_side_without_its_other_is_no_pair(tmp_path: Path, names: tuple[str, ...]) -> None:
    """One left, or two, do not make a pair."""
    assert {(None, None)} == {(m.pair, m.side) for m in only(session_of(tmp_path, *names)).mics}


def test_overheads_1_and_2_are_a_pair_and_it_is_told(tmp_path: Path) -> None:
    """The guess is common practice, so the user hears of it and can say otherwise."""
    session = session_of(tmp_path, "OH 1", "OH 2", "Kick")

    assert [("OH", "L"), ("OH", "R")] == [(m.pair, m.side) for m in only(session).mics if m.role is Role.OVERHEAD]
    assert "OH 1 and OH 2" in told(session, "left and right of a pair").what
    apart = session_of(tmp_path, "OH 1", toml='[mics."OH 1"]\npair = ""\n')
    assert [None, None] == [m.pair for m in only(apart).mics if m.role is Role.OVERHEAD]


def test_track_names_of_a_recorder_tell_the_channels_roles(tmp_path: Path) -> None:
    """A file of many mics says in iXML which is which; the mics keep the names their file gives them."""
    names = ["Kick", "SN Top", "OH L", "OH R", "Ch5"]
    xml = "".join(f"<TRACK><INTERLEAVE_INDEX>{channel}</INTERLEAVE_INDEX><NAME>{name}</NAME></TRACK>"
                  for channel, name in enumerate(names, 1))
    write_wav(tmp_path / "0007.wav", np.zeros((5, 480), np.int32), 48000, "PCM_24", [Chunk(b"iXML", xml.encode())])
    write_wav(tmp_path / "0008.wav", np.zeros((2, 480), np.int32), 48000, "PCM_24", [Chunk(b"iXML", xml.encode())])

    session = open_session(tmp_path)

    got = {m.name: (m.role, m.drum, m.pair, m.side) for m in only(session).mics}
    assert {"0007 1": (Role.CLOSE, "kick", None, None), "0007 2": (Role.CLOSE, "snare", None, None),
            "0007 3": (Role.OVERHEAD, None, "OH", "L"), "0007 4": (Role.OVERHEAD, None, "OH", "R"),
            "0007 5": (Role.ROOM, None, None, None),
            "0008 L": (Role.CLOSE, "kick", None, None), "0008 R": (Role.CLOSE, "snare", None, None)} == got
    assert told(session, "home mic").where.endswith("/0007 5")


def test_a_name_that_says_nothing_is_a_room_with_a_warning(tmp_path: Path) -> None:
    """The default is stated and told, until session.toml says more."""
    session = session_of(tmp_path, "Kick", "Untitled")
    assert Role.ROOM is only(session).mic("Untitled").role
    assert "home mic" in told(session, "/Untitled").what

    said = session_of(tmp_path, "Kick", toml='[mics.Untitled]\nrole = "room"\n')
    assert () == said.problems


def test_a_take_of_buses_alone_uses_them_as_overheads(tmp_path: Path) -> None:
    """A finished mix is all there is: it serves as overheads and the user hears of it; beside a mic it stays a bus."""
    sound(tmp_path / "Drum Mix.wav", channels=2)
    sound(tmp_path / "Click.wav")
    session = open_session(tmp_path)
    assert [Role.TALK, Role.OVERHEAD, Role.OVERHEAD] == [m.role for m in only(session).mics]
    assert "Drum Mix L, Drum Mix R" in told(session, "used as overheads").what

    beside = session_of(tmp_path, "Kick")
    assert Role.BUS is only(beside).mic("Drum Mix L").role


def test_other_instruments_are_left_out_and_told(tmp_path: Path) -> None:
    """A song's multitrack holds more than drums."""
    session = session_of(tmp_path, "Kick", "Guitar")

    assert Role.IGNORE is only(session).mic("Guitar").role
    assert "not a drum mic" in told(session, "/Guitar").what


# ---------------------------------------------------------------------------------------------------------- time stamps


def stamped(root: Path, stamps: dict[str, int | None], frames: int = FRAMES) -> Session:
    """A session of one take whose files carry these time references."""
    for name, stamp in stamps.items():
        sound(root / f"{name}.wav", stamp=stamp, frames=frames)
    return open_session(root)


def test_time_stamps_lay_the_files_out(tmp_path: Path) -> None:
    """A file that started 100 frames later lies 100 frames later (EBU Tech 3285, TimeReference)."""
    session = stamped(tmp_path, {"Kick": 48000 * 3600, "Snare": 48000 * 3600 + 100})

    take = only(session)
    assert [0, 100] == [m.sources[0].at for m in take.mics]
    assert FRAMES + 100 == take.frames
    with TakeReader(tmp_path, take, ["Snare"]) as reader:
        assert not reader.read(0, 100).any()
        assert reader.read(100, 110).any()


@pytest.mark.parametrize(("stamps", "message"), [
    ({"Kick": 0, "Snare": FRAMES}, "too far apart"),
    ({"Kick": 0, "Snare": FRAMES * 3 // 4}, "too far apart"),
])
def test_time_stamps_that_make_no_sense_are_told_and_not_used(tmp_path: Path, stamps: dict[str, int | None],
                                                              message: str) -> None:
    """Files that would hardly meet: all start together at 0."""
    session = stamped(tmp_path, stamps)

    assert {0} == {m.sources[0].at for m in only(session).mics}
    assert "start together" in told(session, message).what


@pytest.mark.parametrize("stamps", [{"Kick": 5, "Snare": 5}, {"Kick": 5, "Snare": None}, {"Kick": None, "Snare": None}])
def test_time_stamps_that_agree_change_nothing(tmp_path: Path, stamps: dict[str, int | None]) -> None:
    """Equal stamps, one stamp or none: files start together and there is nothing to tell."""
    session = stamped(tmp_path, stamps)

    assert {0} == {m.sources[0].at for m in only(session).mics}
    assert () == session.problems


def test_mics_that_a_take_lacks_are_told(tmp_path: Path) -> None:
    """One line for those missing in the same takes; a mic that is in every take, and talk, is none of them."""
    session = session_of(tmp_path, "take 1/Kick In", "take 1/Kick Out", "take 1/Room", "take 1/Talkback",
                         "take 2/Kick In", "take 3/Kick In", "take 3/Kick Out", "take 3/Room", "take 3/OH")
    found = [p.what for p in session.problems]

    assert ["not in every take: Kick Out, Room (missing in take 2)", "not in every take: OH (missing in take 1, take 2)"
            ] == found


# ---------------------------------------------------------------------------------------------------------- fingerprint


def test_the_fingerprint_follows_the_files(tmp_path: Path) -> None:
    """Path, size, time and edges of each file, once a file, sorted; a changed file changes its part alone."""
    sound(tmp_path / "OH.wav", channels=2)
    session = session_of(tmp_path, "Kick")
    parts = fingerprint_parts(session)
    stat = (tmp_path / "Kick.wav").stat()
    assert ("Kick.wav", stat.st_size, stat.st_mtime_ns, sha256_of_edges(tmp_path / "Kick.wav")) == parts[0]
    assert ["Kick.wav", "OH.wav"] == [part[0] for part in parts]

    os.utime(tmp_path / "OH.wav", ns=(1, 1))
    assert [True, False] == [a == b for a, b in zip(parts, fingerprint_parts(session), strict=True)]
    (tmp_path / "OH.wav").unlink()
    with pytest.raises(AudioError, match=r"OH\.wav cannot be read"):
        fingerprint_parts(session)


def test_opening_does_not_depend_on_the_order_of_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """However the file system lists a folder, the session is the same."""
    session = full(tmp_path)
    real = Path.iterdir
    monkeypatch.setattr(Path, "iterdir", lambda self: iter(sorted(real(self), reverse=True)))

    assert session == open_session(tmp_path)


def test_a_mic_without_a_place_keeps_none(tmp_path: Path) -> None:
    """A plain kick mic is a mic without place, and a room never has one."""
    take = only(session_of(tmp_path, "Kick", "Room", toml='[mics.Room]\nplace = "in"\n'))

    assert [Mic("Kick", Role.CLOSE, "kick", sources=take.mics[0].sources), None] == [take.mics[0], take.mics[1].place]
