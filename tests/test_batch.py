"""Many sessions: one kit each, and none stops another."""

from __future__ import annotations

import json
import multiprocessing
import os
import shutil
import signal
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from command_line import main_code
from stroke_sessions import strokes, sums

from oneshot import batch, pipeline
from oneshot.batch import Asked, one_session, processes
from oneshot.core.errors import SettingsError
from oneshot.core.user_state import remember
from oneshot.kit.verify import verify


def test_each_session_becomes_its_kit_and_a_failure_stops_no_other(tmp_path: Path,
                                                                  capsys: pytest.CaptureFixture[str]) -> None:
    """Two good, one of silence, one that isn't there: two kits as build makes them, two lines that say why not, exit 1;
    with good ones alone, exit 0.
    """
    strokes(tmp_path / "Monday")
    strokes(tmp_path / "Quiet", **{name: np.zeros(48_000) for name in ("Kick", "Snare", "OH L", "OH R")})
    strokes(tmp_path / "Tuesday")
    names = [str(tmp_path / name) for name in ("Monday", "Quiet", "Gone", "Tuesday")]
    assert 1 == main_code("batch", *names, "--out", str(tmp_path / "kits"))
    out = capsys.readouterr().out

    assert ["Monday", "Tuesday"] == sorted(path.name for path in (tmp_path / "kits").iterdir())
    assert [[], []] == [verify(tmp_path / "kits" / name) for name in ("Monday", "Tuesday")]
    assert "2 of 4 built" in out
    assert f"{names[1]}: Quiet is silent in every mic" in out
    assert f"  {names[2]}: " in out
    pipeline.build(tmp_path / "Monday", tmp_path / "alone")
    assert sums(tmp_path / "alone") == sums(tmp_path / "kits" / "Monday")

    assert 0 == main_code("batch", names[0], names[3], "--out", str(tmp_path / "kits"), "--json")
    record = json.loads(capsys.readouterr().out)
    assert [None, None] == [row["error"] for row in record["sessions"]]
    assert all(row["kept"] > 0 for row in record["sessions"])


def test_two_sessions_never_share_a_kit(tmp_path: Path) -> None:
    """Names alike but for case, in two places, or one named twice: refused before anything is built."""
    for pair in ((tmp_path / "a" / "Mill", tmp_path / "b" / "mill"), (tmp_path / "Mill", tmp_path / "Mill" / ".")):
        with pytest.raises(SettingsError, match="would both become"):
            batch.places(pair, tmp_path / "kits")

    assert ((tmp_path / "a", tmp_path / "k" / "a"),) == batch.places([tmp_path / "a"], tmp_path / "k")


def test_a_silent_take_among_others_is_told_and_has_no_hits(tmp_path: Path) -> None:
    """One take that recorded nothing does not stop the session."""
    strokes(tmp_path / "s" / "take 1")
    strokes(tmp_path / "s" / "take 2", **{name: np.zeros(48_000) for name in ("Kick", "Snare", "OH L", "OH R")})
    kit = pipeline.build(tmp_path / "s", tmp_path / "k").kit

    assert {"take 1"} == {h.take for h in kit.hits}
    assert ["take 2"] == [p.where for p in kit.problems if "silent in every mic" in p.what]
    assert [] == verify(tmp_path / "k")


def test_a_batch_goes_on_where_it_stopped(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is finished is left as it is and told; what has changed since, a recording, a correction or the recipe, is
    built again, and so is everything with --fresh.
    """
    for name in ("Monday", "Tuesday"):
        strokes(tmp_path / name)
    command = ["batch", str(tmp_path / "Monday"), str(tmp_path / "Tuesday"), "--out", str(tmp_path / "kits"), "--json"]

    def unchanged(*more: str) -> list[bool]:
        assert 0 == main_code(*command, *more)
        return [row["unchanged"] for row in json.loads(capsys.readouterr().out)["sessions"]]

    assert [False, False] == unchanged()
    before = sums(tmp_path / "kits")
    times = {path: path.stat().st_mtime_ns for path in (tmp_path / "kits").rglob("*.wav")}
    assert [True, True] == unchanged()
    assert times == {path: path.stat().st_mtime_ns for path in (tmp_path / "kits").rglob("*.wav")}
    (tmp_path / "kits" / "Monday" / "manifest.json").unlink()
    shutil.rmtree(tmp_path / "kits" / "Monday")
    assert [False, True] == unchanged()
    with (tmp_path / "kits" / "Tuesday" / "recipe.toml").open("a", encoding="utf-8") as file:
        file.write("# a thought\n")
    assert [True, False] == unchanged()
    (tmp_path / "r.toml").write_text("[cut]\npre_roll_ms = 3.0\n", encoding="utf-8")
    assert [False, False] == unchanged("--recipe", str(tmp_path / "r.toml"))
    assert before != sums(tmp_path / "kits")
    assert [False, False] == unchanged("--fresh")
    assert 0 == main_code(*command[:-1])
    assert "0 of 2 built" in (out := capsys.readouterr().out)
    assert "2 finished before" in out


def test_processed_tracks_make_a_kit_stale(tmp_path: Path) -> None:
    """A kit that was cut from a folder of processed tracks is of something else once a file there has changed."""
    strokes(tmp_path / "Monday")
    tracks, kit = tmp_path / "tracks" / "take 1", tmp_path / "kits" / "Monday"
    tracks.mkdir(parents=True)
    keys = [one_session._key(tmp_path / "Monday", kit, Asked())]
    remember(kit, tmp_path / "Monday", tmp_path / "tracks")
    for text in (b"a", b"ab"):
        (tracks / "Drum bus.wav").write_bytes(text)
        keys.append(one_session._key(tmp_path / "Monday", kit, Asked()))

    assert 3 == len(set(keys))
    assert keys[-1] == one_session._key(tmp_path / "Monday", kit, Asked())


def test_a_process_that_is_ended_takes_its_own_session_along(tmp_path: Path) -> None:
    """As the system ends one for want of memory: that session fails in one line, the others are built."""
    rows = []
    for name in ("Monday", "Tuesday", "Wednesday"):
        strokes(tmp_path / name)
        rows.append((tmp_path / name, tmp_path / "kits" / name))
    struck: list[str] = []

    def progress(stage: str, share: float) -> None:
        """Ends the process that builds Tuesday's kit as soon as it is at work."""
        for process in multiprocessing.active_children():
            if process.name == "batch Tuesday" and process.pid and "Tuesday" not in struck:
                struck.append("Tuesday")
                os.kill(process.pid, signal.SIGKILL)

    found = processes.build_here(rows, Asked(jobs=2), progress, lambda outcome: None)

    assert ["Tuesday"] == struck
    assert [None, "ended", None] == [None if each.error is None else each.error.split()[3] for each in found]
    assert "signal 9" in str(found[1].error)
    assert [[], []] == [verify(kit) for _, kit in (rows[0], rows[2])]


@pytest.mark.full
def test_many_machines_share_a_batch(tmp_path: Path) -> None:
    """Two real workers of a Dask cluster; one is killed in the middle of a build: its session is begun anew by
    another, and all kits are what one machine makes of them.
    """
    distributed = pytest.importorskip("distributed")
    rows = []
    for number in range(4):
        strokes(tmp_path / f"s{number}")
        rows.append((tmp_path / f"s{number}", tmp_path / "kits" / f"s{number}"))
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        killed: list[int] = []

        def kill_one() -> None:
            """The first worker that is seen building."""
            until = time.monotonic() + 120
            while not killed and time.monotonic() < until:
                for stage in (tmp_path / "kits").glob(".s*.building-*"):
                    killed.append(int(stage.name.rpartition("-")[2]))
                    os.kill(killed[0], signal.SIGKILL)
                    return
                time.sleep(0.005)

        killer = threading.Thread(target=kill_one)
        (tmp_path / "kits").mkdir()
        killer.start()
        told: list[batch.Outcome] = []
        found = batch.build_all(rows, scheduler=cluster.scheduler_address, progress=lambda stage, share: None,
                                done=told.append)
        killer.join()

    assert killed
    assert [None] * 4 == [each.error for each in found]
    assert 4 == len(told)
    assert [[]] * 4 == [verify(kit) for _, kit in rows]
    assert not list((tmp_path / "kits").glob(".s*"))
    pipeline.build(rows[0][0], tmp_path / "alone")
    assert sums(tmp_path / "alone") == sums(rows[0][1])


def test_a_scheduler_that_is_not_there_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                               capsys: pytest.CaptureFixture[str]) -> None:
    """One line, and nothing is built."""
    pytest.importorskip("distributed")
    monkeypatch.setattr("oneshot.batch.cluster.ANSWER_S", 1)
    strokes(tmp_path / "s")

    assert 1 == main_code("batch", str(tmp_path / "s"), "--out", str(tmp_path / "k"), "--scheduler",
                          "tcp://127.0.0.1:9")
    assert "tcp://127.0.0.1:9: no scheduler answers there" in capsys.readouterr().err
    assert not (tmp_path / "k").exists()
