"""Folders on other file systems, sources that go away, and several builds at once with one store: the same bytes come
of it, or one line, and what was there stays.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import soundfile

from oneshot import pipeline
from oneshot.core.errors import OneshotError
from oneshot.core.files import link, sha256_of
from oneshot.kit.release.pack_kit import pack_kit
from oneshot.kit.verify import verify

if TYPE_CHECKING:
    from stage_inputs import Pier

MEMORY = Path("/dev/shm")  # noqa: S108 - a file system of its own where it is there


def sums(folder: Path) -> dict[str, str]:
    """Path -> sum of each file in a folder."""
    return {path.relative_to(folder).as_posix(): sha256_of(path) for path in sorted(folder.rglob("*"))
            if path.is_file()}


@pytest.fixture
def other_disk(tmp_path: Path) -> Iterator[Path]:
    """A folder on another file system than the test's own."""
    if not (MEMORY.is_dir() and os.access(MEMORY, os.W_OK)) or MEMORY.stat().st_dev == tmp_path.stat().st_dev:
        pytest.skip("no second file system here")
    with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
        yield Path(folder)


def test_a_file_is_copied_where_it_cannot_be_linked(tmp_path: Path, other_disk: Path) -> None:
    """Its bytes are the same, on the other disk."""
    (tmp_path / "a").write_bytes(b"sound")
    with pytest.raises(OSError, match="ross-device"):
        os.link(tmp_path / "a", other_disk / "b")

    link(tmp_path / "a", other_disk / "a")

    assert b"sound" == (other_disk / "a").read_bytes()
    assert (tmp_path / "a").stat().st_dev != (other_disk / "a").stat().st_dev


@pytest.mark.parametrize("elsewhere", ["kit", "cache", "temp", "kit and temp", "cache and temp"])
def test_disks_make_no_difference(jetty: Pier, tmp_path: Path, other_disk: Path, monkeypatch: pytest.MonkeyPatch,
                                  elsewhere: str) -> None:
    """Kit, store and folder for temporary files on two disks: built, built again from the store, verified, packed."""
    places = {name: (other_disk if name in elsewhere else tmp_path) / name for name in ("kit", "cache", "temp")}
    places["temp"].mkdir()
    monkeypatch.setenv("ONESHOT_CACHE", str(places["cache"]))
    monkeypatch.setattr(tempfile, "tempdir", str(places["temp"]))
    for _ in range(2):
        pipeline.build(jetty.session, places["kit"])
        assert sums(jetty.folder) == sums(places["kit"])
    assert any(places["cache"].rglob("*"))

    out = tmp_path / "pack.zip"
    pack_kit(places["kit"], out, licence="cc0")
    assert [] == verify(out)
    assert [] == list(places["temp"].iterdir())


@pytest.mark.parametrize("stage", ["scanning jetty", "measuring onsets in jetty", "cutting", "writing"])
@pytest.mark.parametrize("gone", ["a file", "the session"])
def test_a_source_that_goes_away(jetty: Pier, tmp_path: Path, stage: str, gone: str) -> None:
    """A disk that is taken out in the middle of a build: one line, and the old kit is whole."""
    session, kit = tmp_path / "session", tmp_path / "kit"
    shutil.copytree(jetty.session, session)
    pipeline.build(session, kit)
    before = sums(kit)
    told: list[str] = []

    def take_away(now: str, share: float) -> None:
        told.append(now)
        if now == stage and session.exists():
            (shutil.rmtree if gone == "the session" else _without_one)(session)

    with pytest.raises(OneshotError) as caught:
        pipeline.build(session, kit, fresh=True, progress=take_away)

    assert stage in told
    assert 1 == len(str(caught.value).splitlines())
    assert before == sums(kit)
    assert ["kit"] == [path.name for path in tmp_path.iterdir() if path != session]


def _without_one(session: Path) -> None:
    """Remove a session's kick mic."""
    for path in session.rglob("Kick In.wav"):
        path.unlink()


@pytest.mark.full
@pytest.mark.parametrize("sessions", [1, 5])
def test_builds_at_once_share_a_store(jetty: Pier, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                      sessions: int) -> None:
    """Five builds of one session or of five, begun at once with one empty store: each is the kit built alone."""
    sources = [tmp_path / "sources" / f"{n}" / "session" for n in range(sessions)]
    for n, source in enumerate(sources):
        shutil.copytree(jetty.session, source)
        path = next(source.rglob("OH.wav"))
        x, rate = soundfile.read(path, dtype="int32")
        soundfile.write(path, x // 2**n, rate, "PCM_24")
    kits = [tmp_path / "kits" / f"kit {n}" for n in range(5)]
    asked = {**os.environ, "ONESHOT_CACHE": str(tmp_path / "shared")}
    builds = [subprocess.Popen([sys.executable, "-m", "oneshot", "build", str(sources[n % sessions]), str(kit)],
                               env=asked, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
              for n, kit in enumerate(kits)]
    for build in builds:
        _, said = build.communicate(timeout=600)
        assert 0 == build.returncode, said
    alone = []
    for n, source in enumerate(sources):
        monkeypatch.setenv("ONESHOT_CACHE", str(tmp_path / f"own {n}"))
        alone.append(sums(pipeline.build(source, tmp_path / "alone" / f"{n}").folder))

    assert [alone[n % sessions] for n in range(5)] == [sums(kit) for kit in kits]
    assert sessions == len({tuple(sorted(each.items())) for each in alone})
    assert sorted(kit.name for kit in kits) == sorted(path.name for path in (tmp_path / "kits").iterdir())
