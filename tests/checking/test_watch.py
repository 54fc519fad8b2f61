"""Takes are given as they come in, each once, when its files no longer grow."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import numpy as np
import soundfile

from oneshot.checking.watch import takes_as_they_come
from oneshot.core.records.session import Session


class EndOfDayError(Exception):
    """Nobody waits any longer."""


def record(folder: Path, seconds: float, level: float = 0.1) -> None:
    """Two mics of a take."""
    folder.mkdir(exist_ok=True)
    for n, name in enumerate(("Kick", "Snare")):
        x = np.random.default_rng(n).normal(size=round(seconds * 48000)) * level
        soundfile.write(folder / f"{name}.wav", x, 48000, "PCM_24")


def watched(folder: Path, *events: Callable[[], None]) -> list[list[str] | str]:
    """Names of the takes that are given, or what is wrong, while something happens between two looks."""
    left = iter(events)

    def wait(_: float) -> None:
        event = next(left, None)
        if event is None:
            raise EndOfDayError
        event()

    found: list[list[str] | str] = []
    with suppress(EndOfDayError):
        found.extend([take.name for take in each.takes] if isinstance(each, Session) else str(each)
                     for each in takes_as_they_come(folder, wait))
    return found


def nothing() -> None:
    """Time goes by."""


def test_each_take_comes_once_when_it_no_longer_grows(tmp_path: Path) -> None:
    """A take that is there, one that is written in three looks, and one that is played again."""
    record(tmp_path / "take 1", 1.0)

    found = watched(tmp_path, nothing, nothing, lambda: record(tmp_path / "take 2", 0.5),
                    lambda: record(tmp_path / "take 2", 1.0), nothing, nothing,
                    lambda: record(tmp_path / "take 1", 1.5), nothing, nothing)

    assert [["take 1"], ["take 2"], ["take 1"]] == found


def test_what_cannot_be_opened_is_said_once(tmp_path: Path) -> None:
    """A folder without audio is no session yet; once a take is there, it is."""
    (tmp_path / "notes.txt").write_text("mics: 2", encoding="utf-8")

    found = watched(tmp_path, nothing, nothing, nothing, lambda: record(tmp_path / "take 1", 1.0), nothing, nothing)

    assert 2 == len(found)
    assert str(tmp_path) in found[0]
    assert ["take 1"] == found[1]
