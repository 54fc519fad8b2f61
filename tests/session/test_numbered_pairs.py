"""Numbered overheads and rooms: a pair only where they sound so, decided once for all takes, told with the reason."""

from __future__ import annotations

import re
import time
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from short_sessions import session_of, told

from oneshot.audio.io import TakeReader, write_wav
from oneshot.core.records.session import Session
from oneshot.session import numbered_pairs
from oneshot.session.open import draft_toml, open_session

RATE = 48000
Signal = NDArray[np.float64]


def hits(seconds: float, seed: int, *, apart_ms: float = 0.0, db: float = 0.0, wide_ms: float = 3.0) -> list[Signal]:
    """Two mics that hear the same hits every third of a second or so, each from its own side: up to ``wide_ms`` and
    3 dB between them; the second hears all of them ``apart_ms`` later and ``db`` louder than that. Each has its own
    noise.
    """
    rng = np.random.default_rng(seed)
    out = 1e-4 * rng.standard_normal((2, round(seconds * RATE)))
    length = RATE // 5
    grid = np.arange(0.1, seconds - 0.5, 0.33)
    for at in grid + rng.uniform(0, 0.2, len(grid)):
        burst = rng.standard_normal(length) * np.exp(-np.arange(length) / (RATE * rng.uniform(0.01, 0.04)))
        side, level = rng.uniform(-1, 1), rng.uniform(0.05, 0.5)
        for row, (ms, gain) in enumerate(((wide_ms, 0.0), (wide_ms + side * wide_ms + apart_ms, side * 3 + db))):
            start = round((at + ms / 1000) * RATE)
            out[row, start:start + length] += level * 10 ** (gain / 20) * burst
    return list(out)


def take(root: Path, folder: str, names: tuple[str, str], signals: list[Signal]) -> None:
    """Two files in a folder, and a kick beside them."""
    (root / folder).mkdir(parents=True, exist_ok=True)
    for name, signal in zip((*names, "Kick"), (*signals, signals[0]), strict=True):
        write_wav(root / folder / f"{name}.wav", 0.2 * signal[None], RATE, "PCM_24")


def pairs(session: Session) -> list[dict[str, tuple[str, str]]]:
    """Of each take, mic -> its pair and side."""
    return [{mic.name: (mic.pair, mic.side) for mic in t.mics if mic.pair and mic.side} for t in session.takes]


@pytest.mark.parametrize("names", [("OH 1", "OH 2"), ("OH_01", "OH_02"), ("Room 1", "Room 2"),
                                   ("07 Room_01", "08 Room_02"), ("Overhead-1", "Overhead-2"),
                                   ("Room 1-04", "Room 2-04"), ("Track 1", "Track 2")])
@pytest.mark.parametrize("seed", [1, 2])
def test_numbered_mics_that_hear_the_same_hits_are_a_pair(tmp_path: Path, names: tuple[str, str], seed: int) -> None:
    """Each hit a little nearer to one of them: 1 is left, 2 is right, and the reason is told."""
    take(tmp_path, "a", names, hits(12, seed))
    session = open_session(tmp_path)

    (found,) = pairs(session)
    assert list(names) == list(found)
    assert ["L", "R"] == [side for _, side in found.values()]
    assert 1 == len({pair for pair, _ in found.values()})
    assert "hear the same hits" in told(session, "left and right of a pair").what


@pytest.mark.parametrize(("signals", "why"), [
    ([hits(12, 1)[0], hits(12, 2)[1]], "do not hear the same hits"),
    (hits(12, 3, apart_ms=7), "hears the hits [678] ms later"),
    (hits(12, 3, apart_ms=-12), "hears the hits 1[123] ms later"),
    (hits(12, 4, db=-8), "is [789] dB louder"),
    ([hits(12, 5)[0], np.zeros(12 * RATE)], "nothing to compare"),
    ([x[:2000] for x in hits(12, 6)], "nothing to compare"),
], ids=["other hits", "later", "earlier", "fainter", "silent", "short"])
@pytest.mark.parametrize("names", [("Room_01", "Room_02"), ("OH 1", "OH 2")])
def test_numbered_mics_that_do_not_are_two_mics(tmp_path: Path, names: tuple[str, str], signals: list[Signal],
                                                why: str) -> None:
    """Other hits, more than their distance allows, other levels, silence: two mics, with the reason."""
    take(tmp_path, "a", names, signals)
    session = open_session(tmp_path)

    assert [{}] == pairs(session)
    assert re.search(f"{names[0]} and {names[1]} are treated as two mics and no pair: .*{why}",
                     told(session, "two mics").what)


@pytest.mark.parametrize("names", [("Tom 1", "Tom 2"), ("Kick 1", "Kick 2"), ("OH 2", "OH 3"), ("OH 1", "Room 2"),
                                   ("Drum Bus 1", "Drum Bus 2")])
def test_other_numbers_are_not_asked(tmp_path: Path, names: tuple[str, str], monkeypatch: pytest.MonkeyPatch) -> None:
    """Numbered drums are drums; 2 and 3 have no 1; nothing of them is read."""
    monkeypatch.setattr(numbered_pairs, "likeness", None)
    take(tmp_path, "a", names, hits(2, 1))

    assert [{}] == pairs(open_session(tmp_path))


def test_three_overheads_are_no_pair(tmp_path: Path) -> None:
    """1, 2 and 3 stand alone."""
    take(tmp_path, "a", ("OH 1", "OH 2"), hits(2, 1))
    (tmp_path / "a" / "Kick.wav").rename(tmp_path / "a" / "OH 3.wav")

    assert [{}] == pairs(open_session(tmp_path))


def test_what_session_toml_says_is_not_asked_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A pair, a side or "" settles it, and a draft keeps what was decided."""
    take(tmp_path, "a", ("OH 1", "OH 2"), hits(6, 1))
    take(tmp_path, "a", ("Room 1", "Room 2"), hits(6, 1, apart_ms=9))
    before = open_session(tmp_path)
    toml = tmp_path / "session.toml"
    toml.write_text(draft_toml(before), encoding="utf-8")
    monkeypatch.setattr(numbered_pairs, "likeness", None)

    assert [{"OH 1": ("OH", "L"), "OH 2": ("OH", "R")}] == pairs(before)
    assert (before.takes, ()) == (open_session(tmp_path).takes, open_session(tmp_path).problems)

    toml.write_text('[mics."OH 1"]\npair = ""\n[takes.a.mics."Room 2"]\npair = ""\n', encoding="utf-8")
    assert [{}] == pairs(open_session(tmp_path))


def test_a_pair_is_one_in_all_takes_or_in_none(tmp_path: Path) -> None:
    """Most takes in which they are heard decide; one in which a mic is silent, or damaged, says nothing."""
    good, bad = hits(6, 1), hits(6, 1, db=9)
    take(tmp_path, "1", ("OH 1", "OH 2"), [good[0], np.zeros(6 * RATE)])
    take(tmp_path, "2", ("OH 1", "OH 2"), good)
    both = {"OH 1": ("OH", "L"), "OH 2": ("OH", "R")}
    assert [both, both] == pairs(open_session(tmp_path))

    take(tmp_path, "3", ("OH 1", "OH 2"), bad)
    assert [{}, {}, {}] == pairs(open_session(tmp_path))
    assert "1 and OH 2" in told(open_session(tmp_path), "two mics and no pair").what

    take(tmp_path, "4", ("OH 1", "OH 2"), good)
    assert [both] * 4 == pairs(open_session(tmp_path))


def test_names_that_are_clear_cost_no_audio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Left and right by name are read from names alone, whatever the way of writing it."""
    monkeypatch.setattr(TakeReader, "read", None)
    for left, right in ((".L", ".R"), ("-L", "-R"), (" Left", " Right"), ("_l", "_r"), (" (L)", " (R)")):
        root = tmp_path / left.strip(" ._-()") / str(len(left))
        session = session_of(root / left.encode().hex(), f"Room{left}", f"Room{right}", f"OH{left}", f"OH{right}",
                             f"Snare{left}", f"Snare{right}")
        assert [6] == [len(found) for found in pairs(session)], left


def test_what_is_read_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of ten minutes, 24 seconds, in less than three."""
    signal = np.tile(hits(10, 1), 60)
    take(tmp_path, "a", ("OH 1", "OH 2"), list(signal))
    frames = 0
    real = TakeReader.read

    def counted(self: TakeReader, start: int, stop: int) -> NDArray[np.float32]:
        nonlocal frames
        frames += stop - start
        return real(self, start, stop)

    monkeypatch.setattr(TakeReader, "read", counted)
    began = time.process_time()
    assert [2] == [len(found) for found in pairs(open_session(tmp_path))]

    assert frames == 24 * RATE
    assert time.process_time() - began < 3
