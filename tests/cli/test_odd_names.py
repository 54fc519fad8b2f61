"""Every command on folders whose names are no text: it works, or refuses in one line that shows the name."""

from __future__ import annotations

import json
import os
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from command_line import main_code

if TYPE_CHECKING:
    from stage_inputs import Pier

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="other systems take no such names")
ODD = os.fsdecode(b"b\xffd")
SHOWN = r"b\xffd"


@pytest.fixture
def below(jetty: Pier, tmp_path: Path) -> Path:
    """A folder of an odd name, a session and a kit in it."""
    folder = tmp_path / ODD
    shutil.copytree(jetty.session, folder / "session")
    shutil.copytree(jetty.folder, folder / ODD)
    return folder


@pytest.mark.usefixtures("one_bar")
def test_finished_kits_do_not_mind(below: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Verified, previewed, measured again and packed, in a folder of that name below another one."""
    kit = str(below / ODD)

    assert 0 == main_code("verify", kit), capsys.readouterr().err
    assert 0 == main_code("preview", kit, "--json"), capsys.readouterr().err
    assert 0 == main_code("remeasure", kit), capsys.readouterr().err
    assert 0 == main_code("pack", kit, "--licence", "cc0", "--yes"), capsys.readouterr().err
    assert 0 == main_code("verify", f"{kit}.zip"), capsys.readouterr().err
    assert {f"{ODD} preview.wav", f"{ODD}.zip"} <= {path.name for path in below.iterdir()}


@pytest.mark.full
def test_sessions_below_do_not_mind(below: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Checked, built, built again, compared, packed and built in a batch."""
    session = str(below / "session")
    for words in (("check", session), ("build", session, str(below / "own")), ("build", session, str(below / "own")),
                  ("compare", session, "--out", str(below / "excerpts")),
                  ("batch", session, "--out", str(below / "kits")), ("pack", session, "--licence", "cc0", "--yes")):
        assert 0 == main_code(*words), capsys.readouterr().err


def test_a_build_below_an_odd_name(below: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What lies beside the recordings under such a name is told in the manifest as it is shown."""
    (below / "session" / f"{ODD}.mp3").write_bytes(b"no sound")

    assert 0 == main_code("build", str(below / "session"), str(below / f"{ODD} kit"))
    assert f"{SHOWN}.mp3" in capsys.readouterr().err
    manifest = json.loads((below / f"{ODD} kit" / "manifest.json").read_text(encoding="utf-8"))
    assert [f"session/{SHOWN}.mp3"] == [each["where"] for each in manifest["problems"] if "lossy" in each["what"]]


@pytest.mark.parametrize("odd", ["session", "take", "file"])
@pytest.mark.parametrize("words", [("check",), ("check", "--json"), ("check", "--write"), ("build", "KIT"),
                                   ("compare",), ("pack", "--licence", "cc0"), ("batch", "--out", "KITS")])
def test_recordings_of_an_odd_name_are_refused(jetty: Pier, tmp_path: Path, capsys: pytest.CaptureFixture[str],
                                               odd: str, words: tuple[str, ...]) -> None:
    """In one line that shows the name and what to do; nothing is written."""
    session = tmp_path / (ODD if odd == "session" else "session")
    take = session / (ODD if odd == "take" else "take 1")
    take.mkdir(parents=True)
    for path in jetty.session.rglob("*.wav"):
        (take / path.name).hardlink_to(path)
    if odd == "file":
        (take / "Kick In.wav").rename(take / f"{ODD}.wav")
    before = sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*"))
    command, *more = (str(tmp_path / word) if word.startswith("KIT") else word for word in words)

    assert 1 == main_code(command, str(session), *more)
    out, err = capsys.readouterr()
    said = [line for line in (out if command == "batch" else err).splitlines() if "rename" in line]
    assert 1 == len(said), (out, err)
    assert SHOWN in said[0]
    assert "not valid UTF-8" in said[0]
    assert before == sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*"))


def test_a_named_session_may_be_called_so(jetty: Pier, tmp_path: Path) -> None:
    """Where session.toml gives the session a name, that of its folder is written nowhere."""
    shutil.copytree(jetty.session, tmp_path / ODD)
    (tmp_path / ODD / "session.toml").write_text('name = "Pier"\n', encoding="utf-8")

    assert 0 == main_code("check", str(tmp_path / ODD))


def test_a_version_has_to_be_text(jetty: Pier, capsys: pytest.CaptureFixture[str]) -> None:
    """It goes into every text of a release."""
    assert 1 == main_code("pack", str(jetty.folder), "--licence", "cc0", "--version", ODD)
    assert f"oneshot: --version {SHOWN} is not valid UTF-8: type it again\n" == capsys.readouterr().err


def test_a_review_does_not_mind(below: Path) -> None:
    """Its page names neither folder."""
    from review_desk import Client

    assert "session" == Client(below / ODD, below / "session").get("kit")["session"]
