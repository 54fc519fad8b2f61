"""Names that are no text: found, and shown so that they can be written anywhere."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from oneshot.core import user_state
from oneshot.core.names import is_text, odd_part, shown
from oneshot.core.records.session import Problem

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="other systems take no such names")
ODD = os.fsdecode(b"k\xffick")


@pytest.mark.parametrize(("name", "text"), [("Überkopf 🥁", "Überkopf 🥁"), (ODD, r"k\xffick"),
                                            (os.fsdecode(b"\xc3(\xa0"), r"\xc3(\xa0"), ("a\ud800", "a\ufffd")])
def test_what_is_shown_can_be_written(name: str, text: str) -> None:
    """Each byte that is no text as an escape; a name that is text stays as it is."""
    assert text == shown(name)
    assert (name == text) == is_text(name)
    shown(name).encode("utf-8")


def test_the_odd_part_of_a_path() -> None:
    """Above the folder that is asked for, names may be what they like."""
    assert odd_part(Path("/sessions") / ODD / "take 1" / "Kick.wav", Path("/sessions") / ODD) is None
    assert r"k\xffick" == odd_part(Path("/sessions/s") / ODD / "Kick.wav", Path("/sessions/s"))


def test_a_problem_can_be_written_whatever_it_names() -> None:
    """It is told in the manifest and on the page."""
    problem = Problem(ODD, f"{ODD} is left out", f"move {ODD}")

    assert (r"k\xffick", r"k\xffick is left out", r"move k\xffick") == (problem.where, problem.what, problem.todo)


def test_recordings_are_found_again_below_an_odd_name(tmp_path: Path) -> None:
    """The notes of where a kit's recordings and tracks lie hold the bytes of their names, also a space at the end."""
    session, tracks = tmp_path / ODD / "session ", tmp_path / ODD / "tracks"
    session.mkdir(parents=True)
    tracks.mkdir()
    user_state.remember(tmp_path / ODD / "kit", session, tracks)

    assert session == user_state.session_of(tmp_path / ODD / "kit")
    assert tracks == user_state.tracks_of(tmp_path / ODD / "kit")
    assert [session] == user_state.known_sessions()
