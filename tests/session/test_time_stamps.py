"""Time stamps: where files lie that started at different times, past midnight, with one that carries no stamp."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from short_sessions import FRAMES, only, told

from oneshot.audio.io import TakeReader
from oneshot.core.records.session import Session
from oneshot.session.open import open_session
from oneshot.session.time_stamps import later_by

RATE, DAY = 48000, 86_400 * 48000
LATE = DAY - 2 * RATE
"""Two seconds before midnight."""


def stamped(root: Path, files: dict[str, tuple[int, int | None]]) -> Session:
    """WAV files of these lengths and stamps, byte by byte: the time reference is the u64 at byte 338 of ``bext`` (EBU
    Tech 3285). Each is at -1 throughout, so that reading shows where it lies.
    """
    for name, (frames, stamp) in files.items():
        chunks = b"fmt " + struct.pack("<IHHIIHH", 16, 1, 1, RATE, 2 * RATE, 2, 16)
        if stamp is not None:
            bext = bytearray(602)
            struct.pack_into("<Q", bext, 338, stamp)
            chunks += b"bext" + struct.pack("<I", 602) + bytes(bext)
        body = b"WAVE" + chunks + b"data" + struct.pack("<I", 2 * frames) + b"\0\x80" * frames
        (root / f"{name}.wav").write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    return open_session(root)


def places(session: Session) -> dict[str, int]:
    """Mic -> the take frame of its first frame."""
    return {mic.name: mic.sources[0].at for mic in only(session).mics}


def test_files_started_seconds_apart_lie_seconds_apart(tmp_path: Path) -> None:
    """To the frame, and what was not recorded yet is silent."""
    session = stamped(tmp_path, {"Kick": (10 * RATE, DAY // 2), "Snare": (8 * RATE, DAY // 2 + 2 * RATE + 7),
                                 "OH": (9 * RATE, DAY // 2 + RATE)})

    assert {"Kick": 0, "Snare": 2 * RATE + 7, "OH": RATE} == places(session)
    with TakeReader(tmp_path, only(session), ["Snare", "OH"]) as reader:
        assert [[0.0, -1.0], [-1.0, -1.0]] == reader.read(2 * RATE + 6, 2 * RATE + 8).tolist()


@pytest.mark.parametrize("past", [RATE, DAY + RATE])
def test_a_take_may_run_past_midnight(tmp_path: Path, past: int) -> None:
    """Stamps begin again at midnight, or a recorder counts on: three seconds lie between both files."""
    session = stamped(tmp_path, {"Kick": (20 * RATE, LATE), "Snare": (20 * RATE, past), "OH": (20 * RATE, LATE + 1)})

    assert {"Kick": 0, "OH": 1, "Snare": 3 * RATE} == places(session)


@pytest.mark.parametrize("past", [0, DAY])
def test_parts_are_joined_across_midnight(tmp_path: Path, past: int) -> None:
    """The second part begins on the stroke of midnight, on which the first one ends."""
    session = stamped(tmp_path, {"Kick_1": (2 * RATE, LATE), "Kick_2": (RATE, past), "Snare": (3 * RATE, LATE)})

    assert {"Kick": 0, "Snare": 0} == places(session)
    assert 3 * RATE == only(session).frames


def test_the_way_round_the_clock_is_the_shorter_one() -> None:
    """Up to twelve hours each way."""
    assert (3, -3) == (later_by(1, DAY - 2, RATE), later_by(DAY - 2, 1, RATE))
    assert (DAY // 2 - 1, -DAY // 2) == (later_by(DAY // 2 - 1, 0, RATE), later_by(DAY // 2, 0, RATE))


def test_a_file_without_a_stamp_starts_with_those_of_its_length(tmp_path: Path) -> None:
    """One exported anew lost its stamp: the only recording as long started with it. The others keep their places."""
    session = stamped(tmp_path, {"Kick": (10 * RATE, 0), "Snare": (9 * RATE, 480), "OH": (9 * RATE, None)})

    assert {"Kick": 0, "Snare": 480, "OH": 480} == places(session)
    assert "OH.wav has none: it is assumed to start with Snare.wav, which is as long" in told(session, "OH.wav h").what


@pytest.mark.parametrize("lengths", [(FRAMES, FRAMES, FRAMES), (FRAMES, FRAMES, FRAMES - 1)])
def test_a_file_without_a_stamp_starts_first_where_lengths_say_nothing(tmp_path: Path,
                                                                       lengths: tuple[int, int, int]) -> None:
    """As long as two that started apart, or as none: at the earliest, and the others stay where they were."""
    kick, snare, bare = lengths
    session = stamped(tmp_path, {"Kick": (kick, 10), "Snare": (snare, 200), "OH": (bare, None)})

    assert {"Kick": 0, "Snare": 190, "OH": 0} == places(session)
    assert "with the earliest" in told(session, "OH.wav has none").what


def test_stamps_half_a_file_apart_are_the_limit(tmp_path: Path) -> None:
    """Files of one take share at least half of the shortest one."""
    for name, gap, at in (("in", FRAMES // 2, FRAMES // 2), ("out", FRAMES // 2 + 1, 0)):
        (tmp_path / name).mkdir()
        assert {"Kick": 0, "Snare": at} == places(stamped(tmp_path / name, {"Kick": (FRAMES, 0),
                                                                            "Snare": (FRAMES, gap)}))


@pytest.mark.parametrize(("frames", "actual"), [(441_000, 44_100), (441_030, 44_100), (960_000, 96_000),
                                                (882_000, 88_200)])
def test_a_file_labelled_with_another_rate_is_told_as_such(tmp_path: Path, frames: int, actual: int) -> None:
    """Ten seconds at 44.1, 88.2 or 96 kHz in a file that says 48, by a clock of its own perhaps: not merely as one
    that is short or long.
    """
    session = stamped(tmp_path, {"Kick": (10 * RATE, None), "Snare": (10 * RATE, None), "OH": (frames, None)})

    assert f"as audio at {actual} Hz is in a file that says 48000 Hz" in told(session, "OH.wav is").what
    assert not [each for each in session.problems if "differ in length" in each.what]


def test_of_two_files_the_one_is_mislabelled_that_a_usual_rate_explains(tmp_path: Path) -> None:
    """48 kHz and 44.1 kHz audio, both labelled 48: no rate in use makes the longer one out of the shorter."""
    session = stamped(tmp_path, {"Kick": (10 * RATE, None), "Snare": (441_000, None)})

    assert "Snare.wav is 0.9187 times as long as the others" in told(session, "times as long").what


@pytest.mark.parametrize("seconds", [(3.0, 2.0, 4.0), (3.0, 1.5), (3.0, 3.0, 1.5, 1.5), (90.0, 60.0, 30.0)])
def test_round_lengths_accuse_nobody(tmp_path: Path, seconds: tuple[float, ...]) -> None:
    """Where no length is that of most files, one that is twice another's is just longer."""
    session = stamped(tmp_path, {f"Tom {n}": (round(s * RATE), None) for n, s in enumerate(seconds, 1)})

    assert told(session, "differ in length").where == tmp_path.name
    assert not [each for each in session.problems if "times as long" in each.what]


@pytest.mark.parametrize("frames", [441_500, 470_000, 700_000, 479_000])
def test_other_lengths_are_lengths(tmp_path: Path, frames: int) -> None:
    """A hundredth of a second off what another rate gives, or anything else: the file is short or long, no more."""
    session = stamped(tmp_path, {"Kick": (10 * RATE, None), "Snare": (10 * RATE, None), "OH": (frames, None)})

    assert told(session, "differ in length").where == tmp_path.name
    assert not [each for each in session.problems if "times as long" in each.what]
