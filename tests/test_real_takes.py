"""The main job on real strokes: recordings that Debian carries (sonic-pi-samples, CC0 1.0), placed by the test."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import real_takes
from scoring import score

pytestmark = [
    pytest.mark.full,
    pytest.mark.skipif(real_takes.missing() is not None, reason=real_takes.missing() or ""),
]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, dict[str, dict[str, Any]]]:
    """A session of a slate and a groove of real strokes, the kit built from it, and the truth of both takes."""
    from oneshot import pipeline

    folder = tmp_path_factory.mktemp("real")
    session, kit = folder / "session", folder / "kit"
    known = {"slate": real_takes.write(session, "slate", real_takes.slate(), 1),
             "groove": real_takes.write(session, "groove", real_takes.groove(), 2)}
    pipeline.build(session, kit)
    return session, kit, known


def test_the_take_is_what_the_plan_says() -> None:
    """Delays between mics are the ways apart over 343.2 m/s (ISO 9613-1, from memory), within 0.15 ms."""
    audio, known = real_takes.render([real_takes.RealStroke(0, "snare", "centre", -3.0)])
    hit = known["hits"][0]
    for mic in ("OH L", "OH R"):
        ways = [np.linalg.norm(np.subtract(real_takes.DRUMS["snare"], real_takes.MICS[m])) for m in (mic, "Snare")]
        late_ms = (hit["onset"][mic] - hit["onset"]["Snare"]) / real_takes.RATE * 1e3

        assert (ways[0] - ways[1]) / 0.3432 == pytest.approx(late_ms, abs=0.15)
    assert np.isfinite(audio).all()


@pytest.mark.parametrize(("take", "detect", "strokes", "ari", "home_ms", "jitter_ms"), [
    ("slate", 0.98, 0.97, 0.95, 0.3, 0.5),
    ("groove", 0.95, 0.85, 0.85, 0.5, 0.8),
])
def test_real_strokes_are_found_sorted_and_cut(
    built: tuple[Path, Path, dict[str, dict[str, Any]]], take: str, detect: float, strokes: float, ari: float,
    home_ms: float, jitter_ms: float,
) -> None:
    """Real strokes are found within 10 ms, given to their drums, start alike in a layer, and are the source's own."""
    session, kit, known = built
    got = score(kit, session, known[take], take)

    assert got.detect_f1 >= detect, got
    assert got.strokes_f1 >= strokes, got
    assert got.drum_ari is not None
    assert got.drum_ari >= ari, got
    assert got.home_ms_med is not None
    assert got.home_ms_med <= home_ms, got
    if got.jitter_ms_worst is not None:  # a take may leave every layer with a single one-shot
        assert got.jitter_ms_worst <= jitter_ms, got
    assert got.files > 0 or take == "groove"
    assert got.exact in (1.0, None), got
