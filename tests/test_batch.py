"""Many sessions: one kit each, and none stops another."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from command_line import main_code
from stroke_sessions import strokes, sums

from oneshot import batch, pipeline
from oneshot.core.errors import SettingsError
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
