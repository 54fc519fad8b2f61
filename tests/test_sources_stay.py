"""Recordings are only read: every command, as somebody who may write nothing into the session, changes no byte and no
time of it.
"""

from __future__ import annotations

import ctypes
import hashlib
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from review_desk import Client

if TYPE_CHECKING:
    from stage_inputs import Pier

pytestmark = [pytest.mark.full, pytest.mark.skipif(not sys.platform.startswith("linux"), reason="by Linux's means")]

PR_CAPBSET_DROP, CAP_DAC_OVERRIDE = 24, 1
"""prctl(2), capabilities(7): root without that right is held to the modes of files as everybody is."""

Seen = dict[str, tuple[int, int, int, int, str]]


def held_to_modes() -> None:
    """Called in a new process before the command begins in it."""
    if os.geteuid() == 0:
        ctypes.CDLL(None).prctl(PR_CAPBSET_DROP, CAP_DAC_OVERRIDE, 0, 0, 0)


def seen(folder: Path) -> Seen:
    """Path -> size, mode, times of content and of inode (ns), and sum, of everything in a folder and itself."""
    out: Seen = {}
    for path in sorted([folder, *folder.rglob("*")]):
        told = path.stat()
        digest = hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""
        out[path.relative_to(folder).as_posix()] = (told.st_size, told.st_mode, told.st_mtime_ns, told.st_ctime_ns,
                                                    digest)
    return out


@pytest.fixture
def session(jetty: Pier, tmp_path: Path) -> Iterator[Path]:
    """A session of which nobody may write anything."""
    folder = tmp_path / "session"
    shutil.copytree(jetty.session, folder)
    paths = sorted([folder, *folder.rglob("*")], reverse=True)
    for path in paths:
        path.chmod(0o555 if path.is_dir() else 0o444)
    yield folder
    for path in paths:
        path.chmod(0o755 if path.is_dir() else 0o644)


def run(*words: str) -> subprocess.CompletedProcess[str]:
    """A command in a process of its own."""
    return subprocess.run([sys.executable, "-m", "oneshot", *words], capture_output=True, text=True, check=False,
                          preexec_fn=held_to_modes)


def test_the_test_would_see_a_write(session: Path) -> None:
    """A process that tries to write into the session is refused, root or not."""
    code = f"open({str(session / 'mark')!r}, 'w')"
    refused = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False,
                             preexec_fn=held_to_modes)
    assert "PermissionError" in refused.stderr


def test_no_command_changes_a_session(session: Path, tmp_path: Path) -> None:
    """check, build, build again with repairs, verify, preview, pack of kit and session, compare, remeasure, batch."""
    kit = str(tmp_path / "kit")
    (tmp_path / "repair.toml").write_text("[repair]\nsuppression = true\ntails = true\n", encoding="utf-8")
    before = seen(session)
    for words in (("check", str(session)), ("build", str(session), kit),
                  ("build", str(session), kit, "--recipe", str(tmp_path / "repair.toml")), ("verify", kit),
                  ("preview", kit), ("pack", kit, "--licence", "cc0"),
                  ("pack", kit, "--licence", "cc0", "--yes"), ("pack", str(session), "--licence", "cc0", "--yes",
                                                               "--out", str(tmp_path / "session.zip")),
                  ("compare", str(session)), ("remeasure", kit),
                  ("batch", str(session), "--out", str(tmp_path / "kits"))):
        done = run(*words)
        assert 0 == done.returncode, (words, done.stderr)
        assert before == seen(session), words


def test_a_review_changes_no_session(session: Path, tmp_path: Path) -> None:
    """Opened, a hit's sound and details asked for, and the kit rebuilt: here the server could write, and does not."""
    kit = tmp_path / "kit"
    assert 0 == run("build", str(session), str(kit)).returncode
    before = seen(session)
    client = Client(kit, session)
    hit = client.get("hits")["hits"][0]
    client.get(f"hits/{hit['id']}")
    assert 200 == client.http.get(f"/api/takes/0/sound?start={hit['frame']}&stop={hit['frame'] + 4800}").status_code
    client.post("decide", {"entry": {"kind": "reject", "hits": [{"take": "jetty", "frame": hit["frame"]}]}})
    assert "done" == client.build()["state"]
    assert before == seen(session)
