"""Takes in one folder, told apart by the names of their files; numbered mics and parts of recordings stay what they
are.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from short_sessions import only, sound, told

from oneshot.audio.io import read_header
from oneshot.core.records.session import Session
from oneshot.session.open import draft_toml, open_session
from oneshot.session.takes_by_name import takes_by_name

A, B, C = 4800, 5300, 3900


def session(root: Path, files: dict[str, int | tuple[int, int]]) -> Session:
    """A session of files of those lengths in frames, or lengths and time stamps."""
    for name, said in files.items():
        frames, stamp = said if isinstance(said, tuple) else (said, None)
        sound(root / f"{name}.wav", frames=frames, stamp=stamp)
    return open_session(root)


def mics(found: Session) -> dict[str, list[tuple[str, str]]]:
    """Take -> its mics and their files."""
    return {take.name: [(mic.name, mic.sources[0].path) for mic in take.mics] for take in found.takes}


@pytest.mark.parametrize("names", [
    ("Kick_T{}", "Snare_T{}", "OH L_T{}", "OH R_T{}"), ("Kick take {}", "Snare take {}"), ("Kick Tk0{}", "Snare tk{}"),
    ("01-Kick-{}", "02-Snare-{}", "03-Tom 1-{}"), ("{}-Kick", "{}-Snare"), ("Take{} Kick", "Take{} Tom 2"),
    ("T{}_Kick", "T{}_Snare"), ("Kick_{:03d}", "Tom 1_{:03d}", "Tom 2_{:03d}"), ("Kick take {} L", "Kick take {} R"),
])
@pytest.mark.parametrize("lengths", [(A, B), (A, B, C)])
def test_names_tell_takes_apart(tmp_path: Path, names: tuple[str, ...], lengths: tuple[int, ...]) -> None:
    """Two or three takes, longer or shorter than the first, whose mics are called alike in all of them."""
    root = tmp_path / "Barn"
    found = session(root, {name.format(n): frames for name in names for n, frames in enumerate(lengths, 1)})

    assert [f"Barn take {n}" for n in range(1, len(lengths) + 1)] == [take.name for take in found.takes]
    assert list(lengths) == [take.frames for take in found.takes]
    assert {len(names)} == {len(take.mics) for take in found.takes}
    assert 1 == len({tuple(mic.name for mic in take.mics) for take in found.takes})
    assert f"its files are {len(lengths)} takes" in told(found, "takes by their names").what


def test_mics_lose_what_tells_the_take_alone(tmp_path: Path) -> None:
    """The rest of a name stays, sides make pairs, and files are where they were."""
    names = ("01 Kick In", "OH L", "OH R")
    found = session(tmp_path / "Barn", {f"{name} take {n}": A for name in names for n in (1, 2)})

    assert {f"Barn take {n}": [(mic, f"{mic} take {n}.wav") for mic in names]
            for n in (1, 2)} == mics(found)
    assert [None, "OH", "OH"] == [mic.pair for mic in found.takes[1].mics]


@pytest.mark.parametrize("files", [
    {"Tom 1": A, "Tom 2": A, "OH 1": A, "OH 2": A, "Kick 1": A, "Kick 2": A},
    {"Tom 1": A, "Tom 2": B, "OH 1": A, "OH 2": B},
    {"Tom 1": B, "Tom 2": A, "OH 1": B, "OH 2": A},
    {"T1_top": A, "T1_bottom": A, "T2_top": B, "T2_bottom": B},
    {"T1": A, "T2": B, "T3": C},
    {"Kick_1": A, "Kick_2": B, "Snare": A},
    {"Kick_1": A, "Kick_2": B, "Snare_1": A, "Snare_3": B},
    {"Kick_1": A, "Kick_2": B, "Snare_1": B, "Snare_2": A},
    {"01 Kick": A, "02 Snare": B},
    {"Kick-1": A, "Kick-2": B},
    {"Kick take 1": A, "Snare take 2": B},
    {"Kick take 1": A, "Snare take 1": A},
    {"Kick_1": (A, 0), "Kick_2": (B, 100), "Snare_1": (A, 0), "Snare_2": (B, 100)},
])
def test_numbers_of_other_kinds_stay_in_one_take(tmp_path: Path, files: dict[str, int | tuple[int, int]]) -> None:
    """Toms, overheads, lengths that agree or that contradict, mics that not every number has, stamps that overlap."""
    assert 1 == len(session(tmp_path, files).takes)


def test_parts_of_a_recording_are_no_takes(tmp_path: Path) -> None:
    """Two full files and a shorter one are joined, as they were; so are two whose first is a whole minute long."""
    found = session(tmp_path / "three", {f"{mic}_{n}": length for mic in ("Kick", "Snare")
                                         for n, length in ((1, B), (2, B), (3, A))})
    assert 2 * B + A == only(found).frames

    minute = 60 * 48000
    found = session(tmp_path / "two", {f"{mic}_{n}": length for mic in ("Kick", "Snare")
                                       for n, length in ((1, minute), (2, A))})
    assert minute + A == only(found).frames


def test_takes_may_be_in_parts(tmp_path: Path) -> None:
    """Each take's parts are joined on their own."""
    found = session(tmp_path / "Barn", {f"{mic} take {take}_{n}": (frames, take * 10**6 + (n - 1) * A)
                                        for mic in ("Kick", "Snare") for take in (1, 2)
                                        for n, frames in ((1, A), (2, B))})

    assert [A + B, A + B] == [take.frames for take in found.takes]
    assert ["Kick", "Snare"] == [mic.name for mic in found.takes[0].mics]


def test_stamps_one_after_the_other_make_takes_of_one_length(tmp_path: Path) -> None:
    """What was recorded later is another take, even of one file, even past midnight."""
    day = 86_400 * 48000
    found = session(tmp_path / "Barn", {"Drums_1": (A, day - A - 5), "Drums_2": (A, 7)})
    assert ["Barn take 1", "Barn take 2"] == [take.name for take in found.takes]

    found = session(tmp_path / "Shed", {"Tom 1": (A, 5), "Tom 2": (A, 6 + A), "OH 1": (A, 5), "OH 2": (A, 6 + A)})
    assert {"Shed take 1": [("OH", "OH 1.wav"), ("Tom", "Tom 1.wav")],
            "Shed take 2": [("OH", "OH 2.wav"), ("Tom", "Tom 2.wav")]} == mics(found)


def test_session_toml_speaks_of_such_takes_and_a_draft_reads_back(tmp_path: Path) -> None:
    """By the names they were given: renamed, left out, drafted; the folder's own name leaves all of them out."""
    root = tmp_path / "s"
    files: dict[str, int | tuple[int, int]] = {f"a/{mic}_T{n}": length for mic in ("Kick", "Snare")
                                               for n, length in ((1, A), (2, B))}
    before = session(root, {**files, "b/Kick": A, "b/Snare": A})
    toml = root / "session.toml"
    toml.write_text(draft_toml(before), encoding="utf-8")
    assert before.takes == open_session(root).takes
    assert '[takes."a take 2"]' in draft_toml(before)
    assert "[mics.\"Kick\"]" in draft_toml(before)

    toml.write_text('[takes."a take 1"]\nuse = false\n[takes."a take 2"]\nname = "brushes"\n', encoding="utf-8")
    assert ["brushes", "b"] == [take.name for take in open_session(root).takes]

    toml.write_text("[takes.a]\nuse = false\n", encoding="utf-8")
    assert ["b"] == [take.name for take in open_session(root).takes]
    assert () == open_session(root).problems


def test_folders_of_one_name_keep_their_ways_in_a_draft(tmp_path: Path) -> None:
    """Takes that are named by the whole way to them are drafted so."""
    before = session(tmp_path, {"x/t/Kick": A, "y/t/Kick": A})
    (tmp_path / "session.toml").write_text(draft_toml(before), encoding="utf-8")

    assert ["x t", "y t"] == [take.found for take in before.takes]
    assert (before.takes, ()) == (open_session(tmp_path).takes, open_session(tmp_path).problems)


def test_the_takes_come_by_number(tmp_path: Path) -> None:
    """Take 2 before take 10, whatever the order of files."""
    session(tmp_path, {f"Kick take {n}": A for n in (10, 2, 1)})
    headers = [read_header(path) for path in sorted(tmp_path.iterdir())]

    assert [1, 2, 10] == [take.number for take in takes_by_name(headers)]
