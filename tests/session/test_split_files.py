"""Recordings that a recorder wrote into several files: put together; mics that are numbered are left apart."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from short_sessions import only, sound

from oneshot.audio.io import TakeReader, read_audio
from oneshot.session.open import draft_toml, open_session

LONG, SHORT = 480, 300


def parts(root: Path, names: dict[str, tuple[int, int | None]], channels: int = 1) -> None:
    """Files of these names, lengths (frames) and time stamps."""
    for name, (frames, stamp) in names.items():
        sound(root / f"{name}.wav", frames=frames, stamp=stamp, channels=channels)


def mics_of(root: Path) -> dict[str, list[tuple[str, int, int]]]:
    """Mic -> its files with the take frames at which they begin, and their lengths."""
    return {mic.name: [(s.path, s.at, s.frames) for s in mic.sources] for mic in only(open_session(root)).mics}


def test_files_that_follow_each_other_to_the_frame_are_one_recording(tmp_path: Path) -> None:
    """Stamps say so: each file begins where the one before it ends (EBU Tech 3285: time references count frames)."""
    start = 48000 * 3600
    parts(tmp_path, {"Kick_001": (LONG, start), "Kick_002": (LONG, start + LONG), "Kick_003": (7, start + 2 * LONG),
                     "Snare": (2 * LONG, start)})

    assert [("Kick_001.wav", 0, LONG), ("Kick_002.wav", LONG, LONG),
            ("Kick_003.wav", 2 * LONG, 7)] == mics_of(tmp_path)["Kick"]
    assert [("Snare.wav", 0, 2 * LONG)] == mics_of(tmp_path)["Snare"]


def test_the_first_file_may_have_no_number(tmp_path: Path) -> None:
    """Some recorders number from the second file on; a mic whose own name ends in a number keeps it."""
    parts(tmp_path, {f"Tom {n}{end}": length for n in (1, 2)
                     for end, length in (("", (LONG, 5)), ("_2", (SHORT, 5 + LONG)))})

    assert ["Tom 1", "Tom 2"] == list(mics_of(tmp_path))


def test_without_stamps_lengths_decide(tmp_path: Path) -> None:
    """Every file numbered alike, all but the last number's equally long, the last one shorter: parts."""
    parts(tmp_path, {f"{mic}_{number:03d}": (frames, None) for mic in ("Kick", "Snare", "Tom 1")
                     for number, frames in ((1, LONG), (2, LONG), (3, SHORT))})

    assert ["Kick", "Snare", "Tom 1"] == list(mics_of(tmp_path))
    assert 2 * LONG + SHORT == only(open_session(tmp_path)).frames


@pytest.mark.parametrize("names", [
    {"Tom 1": (LONG, None), "Tom 2": (LONG, None), "OH 1": (LONG, None), "OH 2": (LONG, None)},
    {"Tom 1": (LONG, None), "Tom 2": (SHORT, None), "Kick": (LONG, None)},
    {"Tom 1": (LONG, None), "Tom 2": (SHORT, None)},
    {"Tom 1": (LONG, 5), "Tom 2": (LONG, 5)},
    {"Tom 1": (LONG, 5), "Tom 2": (LONG, 4 + LONG)},
    {"Tom 1": (LONG, None), "Tom 3": (SHORT, None), "OH 1": (LONG, None), "OH 3": (SHORT, None)},
])
def test_numbered_mics_stay_apart(tmp_path: Path, names: dict[str, tuple[int, int | None]]) -> None:
    """Numbers alone join nothing: equal lengths, a file without a number, a single name, stamps that overlap, a
    number that is missing.
    """
    parts(tmp_path, names)

    assert sorted(names) == sorted(mics_of(tmp_path))


def test_parts_of_many_channels_are_joined_channel_by_channel(tmp_path: Path) -> None:
    """Each channel runs on through all files; the reader gives one signal, sample for sample."""
    parts(tmp_path, {"rec_01": (LONG, 9), "rec_02": (SHORT, 9 + LONG)}, channels=4)
    take = only(open_session(tmp_path))
    whole = np.concatenate([read_audio(tmp_path / f"rec_0{n}.wav")[0] for n in (1, 2)], axis=1)

    assert ["rec 1", "rec 2", "rec 3", "rec 4"] == [mic.name for mic in take.mics]
    with TakeReader(tmp_path, take, dtype="float64") as reader:
        np.testing.assert_array_equal(whole, reader.read(0, take.frames))


def test_a_draft_knows_the_mics_of_recordings_in_parts(tmp_path: Path) -> None:
    """What ``check --write`` drafts gives the same session when it is read again."""
    parts(tmp_path, {"Kick_1": (LONG, 9), "Kick_2": (SHORT, 9 + LONG), "OH_1": (LONG, 9), "OH_2": (SHORT, 9 + LONG)})
    before = open_session(tmp_path)
    (tmp_path / "session.toml").write_text(draft_toml(before), encoding="utf-8")

    assert before.takes == open_session(tmp_path).takes
    assert "[mics.Kick]" in draft_toml(before) or '[mics."Kick"]' in draft_toml(before)
