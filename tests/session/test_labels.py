"""Stretches: labels out of session.toml, cue markers and names, and which of them there are."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from short_sessions import FRAMES, session_of, told

from oneshot.audio.io import write_wav
from oneshot.audio.riff import Marker, bext_chunk, cue_chunks
from oneshot.core.records.session import Label
from oneshot.session.open import draft_toml, open_session


def with_cues(path: Path, *markers: Marker, stamp: int | None = None) -> None:
    """A short WAV file with cue points and their labels (RIFF ``cue `` and ``adtl``)."""
    path.parent.mkdir(parents=True, exist_ok=True)
    chunks = [*cue_chunks(markers), *([] if stamp is None else [bext_chunk(stamp)])]
    write_wav(path, np.full((1, FRAMES), 0.1), 48000, "PCM_24", chunks)


@pytest.mark.parametrize(("names", "expected"), [
    (("take 1/Kick", "groove/Kick"), []),
    (("snare rim left hand soft/Kick", "snare song/Kick"),
     [Label("snare rim left hand soft", 0, FRAMES, "snare", "rim", "left", None, "soft", None, "take name")]),
    (("floor tom/Kick", "open/Kick", "2/Kick"),
     [Label("floor tom", 0, FRAMES, "floor", told_by="take name")]),
    (("snare/left/Kick", "snare/kick/Kick"),
     [Label("kick", 0, FRAMES, "kick", told_by="take name"),
      Label("left", 0, FRAMES, "snare", None, "left", told_by="take name")]),
])
def test_take_names_that_say_what_is_played(tmp_path: Path, names: tuple[str, ...], expected: list[Label]) -> None:
    """A take, or the folders above it, named by drum and stroke is a label over all of it; other names are none."""
    assert expected == sorted(session_of(tmp_path, *names).labels, key=lambda label: label.take)


def test_a_cue_holds_up_to_the_next(tmp_path: Path) -> None:
    """Each cue that is understood holds from its place to the next cue, or to the end; all files are asked once."""
    for name in ("Kick", "OH L"):
        with_cues(tmp_path / f"{name}.wav", Marker(100, "snare rimshot left"), Marker(900, "end"), Marker(2000, "kick"))
    session = open_session(tmp_path)

    assert (Label(session.takes[0].name, 100, 900, "snare", "rimshot", "left", told_by="cue"),
            Label(session.takes[0].name, 2000, FRAMES, "kick", told_by="cue")) == session.labels
    assert () == session.problems


def test_a_cue_lies_on_the_takes_clock(tmp_path: Path) -> None:
    """A cue is a frame of its file; a file that starts later brings its cues later (EBU Tech 3285 time reference)."""
    with_cues(tmp_path / "Kick.wav", stamp=1000)
    with_cues(tmp_path / "OH.wav", Marker(100, "kick"), stamp=1480)

    assert [(580, FRAMES + 480)] == [(label.start, label.stop) for label in open_session(tmp_path).labels]


def test_a_cue_that_says_nothing_is_told_once(tmp_path: Path) -> None:
    """Texts that nobody understands end the stretch before them and are told in one line; empty ones do nothing."""
    with_cues(tmp_path / "Kick.wav", Marker(100, "kick"), Marker(500, ""), Marker(900, "chorus"), Marker(950, "bridge"))
    session = open_session(tmp_path)

    assert [(100, 900)] == [(label.start, label.stop) for label in session.labels]
    assert '"bridge", "chorus"' in told(session, "not understood").what


def test_a_draft_leaves_cues_and_names_where_they_are(tmp_path: Path) -> None:
    """The drafted session.toml repeats no label that is read from a cue or a name, and reads back to the same ones."""
    with_cues(tmp_path / "kick soft" / "OH.wav", Marker(100, "left hand"))
    session = open_session(tmp_path)
    (tmp_path / "session.toml").write_text(draft_toml(session), encoding="utf-8")

    assert 2 == len(session.labels)
    assert session.labels == open_session(tmp_path).labels
