"""A kit under review, for the tests of the server and of the page."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import soundfile
from starlette.testclient import TestClient

from oneshot.config.corrections_file import Correction, load
from oneshot.core.records.hits import Hit
from oneshot.review.server import Pages, application
from oneshot.review.state import Desk

if TYPE_CHECKING:
    from stage_inputs import Pier

TOKEN = "of-the-test"  # noqa: S105 - opens nothing but a server of this test
PORT = 8123


class Client:
    """Asks the server as the page does."""

    def __init__(self, folder: Path, session: Path) -> None:
        self.desk = Desk(folder, session)
        app, self.pages = application(self.desk, token=TOKEN, port=PORT)
        self.http = TestClient(app, base_url=f"http://127.0.0.1:{PORT}", headers={"x-oneshot-token": TOKEN})

    @property
    def server(self) -> Pages:
        """What answers."""
        return self.pages

    def get(self, path: str) -> Any:
        """The JSON at an address; it must be there."""
        answer = self.http.get(f"/api/{path}")
        assert answer.status_code == 200, answer.text
        return answer.json()

    def post(self, path: str, record: Mapping[str, Any], status: int = 200) -> Any:
        """What comes of a request that changes something; the revision is the present one unless given."""
        answer = self.http.post(f"/api/{path}", json={"revision": self.desk.revision, **record})
        assert answer.status_code == status, answer.text
        return answer.json()

    def decide(self, kind: str, hit: Hit | None = None, status: int = 200, **said: Any) -> Any:
        """Decide something, of a hit if one is given."""
        hits = {"hits": [place(hit)]} if hit is not None else {}
        return self.post("decide", {"entry": {"kind": kind, **hits, **said}}, status)

    def build(self) -> Mapping[str, Any]:
        """Build again, and wait for it."""
        assert self.post("build", {})["begun"]
        self.pages.rebuild.wait()
        return self.pages.rebuild.state

    def kept(self, drum: str) -> list[Hit]:
        """Hits of a drum that are in the kit, in order of time."""
        return sorted((h for h in self.desk.kit.hits if h.kept and h.drum == drum), key=lambda h: h.onset)


def place(hit: Hit) -> dict[str, Any]:
    """How an entry names a hit."""
    return {"take": hit.take, "frame": hit.onset}


def own_copy(pier: Pier, tmp_path: Path) -> Path:
    """The pier's kit, to be changed."""
    shutil.copytree(pier.folder, tmp_path / "kit")
    return tmp_path / "kit"


def heard(content: bytes) -> tuple[Any, int]:
    """A WAV as libsndfile reads it: (frames, channels), rate."""
    x, rate = soundfile.read(io.BytesIO(content), dtype="float64", always_2d=True)
    return x, rate


def entries(folder: Path) -> tuple[Correction, ...]:
    """What a kit's corrections.toml says."""
    return load(folder / "corrections.toml").entries


@contextmanager
def running(folder: Path, session: Path) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """The command as people run it: (address, process)."""
    command = [sys.executable, "-m", "oneshot", "review", str(folder), "--session", str(session), "--no-browser"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        try:
            yield _address(process.stdout), process
        finally:
            process.terminate()
            process.wait(60)


def _address(said: IO[str] | None) -> str:
    line = said.readline() if said is not None else ""
    found = re.search(r"http://127\.0\.0\.1:\d+/#\S+", line)
    assert found, line
    return found[0]
