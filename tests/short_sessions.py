"""Short sessions on disk, for tests that open them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

from oneshot.audio.io import write_wav
from oneshot.audio.riff import bext_chunk
from oneshot.core.records.session import Problem, Session, Take
from oneshot.session.open import open_session

FRAMES = 4800


def sound(path: Path, *, channels: int = 1, frames: int = FRAMES, rate: int = 48000, subtype: str = "PCM_24",
          stamp: int | None = None) -> Path:
    """A short file of noise; WAV by our own writer, anything else by libsndfile."""
    path.parent.mkdir(parents=True, exist_ok=True)
    data = np.random.default_rng(len(path.name)).uniform(-0.5, 0.5, (channels, frames))
    if path.suffix == ".wav":
        write_wav(path, data, rate, subtype, [] if stamp is None else [bext_chunk(stamp)])
    else:
        soundfile.write(path, data.T, rate, subtype)
    return path


def session_of(root: Path, *names: str, toml: str = "") -> Session:
    """A session of short WAV files, opened."""
    for name in names:
        sound(root / f"{name}.wav")
    if toml:
        (root / "session.toml").write_text(toml, encoding="utf-8")
    return open_session(root)


def only(session: Session) -> Take:
    """The one take of a session."""
    assert 1 == len(session.takes)
    return session.takes[0]


def told(session: Session, word: str) -> Problem:
    """The one problem in which a word stands."""
    found = [p for p in session.problems if word in f"{p.where} {p.what} {p.todo}"]
    assert 1 == len(found), session.problems
    return found[0]


FULL = """
name = "Barn, March"
[mics."Track A"]
name = "Kick In"
role = "close"
drum = "kick"
place = "in"
polarity = -1
[mics."OH L"]
pair = "Above"
side = "L"
[mics."OH R"]
pair = "Above"
side = "R"
[takes."take 2"]
name = "brushes"
ignore = [[0.05, 0.08], [0.0, 0.02], [0.01, 0.03]]
[takes."take 2".mics."Track A"]
polarity = 1
[takes."take 3"]
use = false
[[labels]]
take = "take 2"
from_s = 0.02
to_s = 9.0
drum = "snare"
articulation = "rimshot"
hand = "left"
wires = "off"
strength = "hard"
[[labels]]
take = "take 1"
from_s = 0
to_s = 0.05
drum = "kick"
"""


def full(root: Path, toml: str = FULL) -> Session:
    """Three takes of four mics and everything session.toml can say."""
    mics = ("Track A", "OH L", "OH R", "Room")
    return session_of(root, *(f"take {t}/{m}" for t in (1, 2, 3) for m in mics), toml=toml)
