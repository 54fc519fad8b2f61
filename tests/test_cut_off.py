"""Work that is ended at a chosen moment, by SIGKILL, SIGTERM or Ctrl-C: packs, previews and saved decisions. What was
there is there, whole, or what was to come is; and the next run clears up.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from stroke_sessions import strokes

from oneshot.audio.io import read_audio
from oneshot.config.corrections_file import Correction, Place, load
from oneshot.kit.verify import verify
from oneshot.review.decisions import Journal

if TYPE_CHECKING:
    from stage_inputs import Pier

pytestmark = [pytest.mark.full, pytest.mark.skipif(sys.platform == "win32", reason="no such signals there")]

AT = """
import importlib, os, signal, sys
from oneshot.kit.playback import grooves
grooves.BARS, grooves.TOURS = grooves.BARS[:1], 1
signal.signal(signal.SIGINT, signal.default_int_handler)  # also where the tests run in the background
place, after, count, number, *sys.argv[1:] = sys.argv[1:]
module, _, name = place.rpartition(":")
owner = importlib.import_module(module)
*way, name = name.split(".")
for each in way:
    owner = getattr(owner, each)
plain, left = getattr(owner, name), [int(count)]

def struck(*args, **named):
    left[0] -= 1
    if left[0] or after == "after":
        found = plain(*args, **named)
    if not left[0]:
        os.kill(os.getpid(), int(number))
    return found

setattr(owner, name, struck)
"""
"""Ends its own process by a signal before or after a function is called for that many times."""

COMMAND = "from oneshot.__main__ import run\nrun()\n"
DECIDE = """
from pathlib import Path
from oneshot.config.corrections_file import Correction, Place
from oneshot.review.decisions import Journal
journal = Journal(Path(sys.argv[1]))
journal.open()
journal.decide(Correction("reject", hits=(Place("jetty", 238609),)))
"""
KEPT = Correction("keep", hits=(Place("jetty", 44137),))
SIGNALS = [signal.SIGKILL, signal.SIGINT, signal.SIGTERM]


def struck(program: str, place: str, number: signal.Signals, *words: str) -> None:
    """Run a program that is ended there: module:function, before or after, and the how-manieth call."""
    where, after, count = place.split()
    done = subprocess.run([sys.executable, "-c", AT + program, where, after, count, str(int(number)), *words],
                          capture_output=True, text=True, check=False, timeout=300)
    wanted = {130, -signal.SIGINT, 1} if number == signal.SIGINT else {-number}
    assert done.returncode in wanted, done.stderr
    if program == COMMAND:
        assert "Traceback" not in done.stderr


def run(*words: str) -> None:
    """A command that nothing ends."""
    done = subprocess.run([sys.executable, "-c", AT + COMMAND, "os:getpid", "after", "0", "9", *words],
                          capture_output=True, text=True, check=False, timeout=300)
    assert 0 == done.returncode, done.stderr


def left(folder: Path) -> list[str]:
    """What lies in a folder and begins with a dot: what is being made."""
    return sorted(path.name for path in folder.iterdir() if path.name.startswith("."))


@pytest.mark.parametrize("number", SIGNALS)
@pytest.mark.parametrize("place", ["oneshot.kit.release.pack_kit:preview after 1",
                                   "oneshot.kit.release.archive:Zip.add after 9",
                                   "oneshot.kit.release.archive:Zip.close before 1",
                                   "oneshot.kit.release.archive:Zip.close after 1",
                                   "oneshot.kit.release.pack_kit:write_atomic before 1",
                                   "oneshot.kit.release.pack_kit:write_atomic after 1"])
def test_a_pack_that_is_cut_off(jetty: Pier, tmp_path: Path, place: str, number: signal.Signals) -> None:
    """The old pack or the new one; the kit is as it was, and the next pack is what it would have been."""
    kit, out, words = tmp_path / "kit", tmp_path / "kit.zip", ("--licence", "cc0", "--yes", "--version")
    shutil.copytree(jetty.folder, kit)
    run("pack", str(kit), *words, "1")
    old = out.read_bytes()

    struck(COMMAND, place, number, "pack", str(kit), *words, "2")

    assert [] == verify(out)
    assert [] == verify(kit)
    assert (out.read_bytes() != old) == ("write_atomic" in place)
    shutil.rmtree(kit)
    shutil.copytree(jetty.folder, kit)
    run("pack", str(kit), *words, "3")
    assert [] == verify(out)
    assert [] == left(tmp_path)
    assert [] == left(kit)


@pytest.mark.parametrize("number", SIGNALS)
@pytest.mark.parametrize("place", ["oneshot.kit.release.pack_session:write_track after 2",
                                   "oneshot.kit.release.pack_session:write_mix before 1",
                                   "oneshot.kit.release.archive:Zip.close after 1"])
def test_a_pack_of_a_session_that_is_cut_off(tmp_path: Path, place: str, number: signal.Signals) -> None:
    """As with a kit's."""
    session, out = tmp_path / "s", tmp_path / "out" / "s.zip"
    strokes(session)
    out.parent.mkdir()
    words = ("pack", str(session), "--licence", "cc0", "--yes", "--out", str(out), "--version")
    run(*words, "1")
    old = out.read_bytes()

    struck(COMMAND, place, number, *words, "2")

    assert old == out.read_bytes()
    run(*words, "1")
    assert old == out.read_bytes()
    assert ["s.zip"] == sorted(path.name for path in out.parent.iterdir())


@pytest.mark.parametrize("number", SIGNALS)
@pytest.mark.parametrize("place", ["oneshot.kit.playback.preview:Levelling.to_loudness before 1",
                                   "oneshot.kit.playback.preview:write_long_wav after 1"])
def test_a_preview_that_is_cut_off(jetty: Pier, tmp_path: Path, place: str, number: signal.Signals) -> None:
    """The old file is there; the next run writes the same, and nothing beside it."""
    kit, out = tmp_path / "kit", tmp_path / "kit preview.wav"
    shutil.copytree(jetty.folder, kit)
    run("preview", str(kit))
    old = out.read_bytes()

    struck(COMMAND, place, number, "preview", str(kit))

    assert old == out.read_bytes()
    run("preview", str(kit))
    assert old == out.read_bytes()
    assert ["kit", "kit preview.wav"] == sorted(path.name for path in tmp_path.iterdir())
    assert read_audio(out)[0].any()


@pytest.mark.parametrize("number", SIGNALS)
@pytest.mark.parametrize("place", ["oneshot.review.decisions:write_atomic before 1",
                                   "oneshot.review.decisions:write_atomic after 1",
                                   "oneshot.review.decisions:write_atomic before 2",
                                   "os:fsync before 2", "os:fsync after 3",
                                   "oneshot.review.decisions:write_atomic after 2"])
def test_a_decision_that_is_cut_off(jetty: Pier, tmp_path: Path, place: str, number: signal.Signals) -> None:
    """The file holds it or not, and what was decided before; the page opens, and the next decision clears up."""
    kit = tmp_path / "kit"
    shutil.copytree(jetty.folder, kit)
    first = Journal(kit)
    first.open()
    first.decide(KEPT)

    struck(DECIDE, place, number, str(kit))

    again = Journal(kit)
    again.open()
    assert KEPT == again.entries[0]
    assert len(again.entries) == (2 if place.endswith("after 2") else 1)
    again.decide(KEPT)
    assert [] == left(kit)
    notes = Path(os.environ["XDG_STATE_HOME"]) / "oneshot" / "kits"
    assert [] == left(notes)
    assert all(json.loads(path.read_text(encoding="utf-8")) for path in notes.glob("*.json"))
    assert again.entries == load(kit / "corrections.toml").entries
