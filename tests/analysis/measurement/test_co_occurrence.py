"""Company: one drum's arrivals keep together between mics; two drums that fall together do not, and that is told."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from oneshot import pipeline
from oneshot.analysis.measurement.masking import FEWEST, SCATTER_MS, scatter_ms
from oneshot.core.records.session import Floats
from oneshot.synth import family, write_session
from oneshot.synth.patterns import groove

PATHS_MS = np.array([0.0, 1.2, 4.5])
"""How much later than the home mic two others hear a drum."""


def arrivals(apart_ms: Floats, misread_ms: float = 0.05) -> Floats:
    """Arrivals (hits, mics) of a kick; in the other mics a hat comes ``apart_ms`` earlier or later, and whichever is
    first counts.
    """
    rng = np.random.default_rng(3)
    out = PATHS_MS + rng.normal(0, misread_ms, (len(apart_ms), 3))
    out[:, 1:] += np.minimum(apart_ms, 0.0)[:, None]
    return np.asarray(out)


def test_a_drum_alone_does_not_scatter() -> None:
    """Twenty strokes read to 0.05 ms: the scatter is that, and far from what is told."""
    found = scatter_ms(arrivals(np.zeros(20)), 0)

    assert found is not None
    assert found < 0.1 < SCATTER_MS


def test_two_drums_struck_together_scatter() -> None:
    """A hat up to 10 ms off the kick, as players are: milliseconds of scatter."""
    found = scatter_ms(arrivals(np.random.default_rng(5).normal(0, 6.0, 40)), 0)

    assert found is not None
    assert found > SCATTER_MS


def test_of_few_readings_nothing_is_told() -> None:
    """Seven strokes, or readings that are not clear: none."""
    unclear = arrivals(np.zeros(20))
    unclear[:, 1:] = np.nan

    assert scatter_ms(arrivals(np.zeros(FEWEST - 1)), 0) is None
    assert scatter_ms(unclear, 0) is None


@pytest.mark.full
def test_a_kick_that_never_falls_without_a_hat_is_told(tmp_path: Path) -> None:
    """A generated groove of five mics in which hat and kick always fall together: the kick is said to have company, the
    snare that falls alone is not.
    """
    plan, _ = family()["eight"]
    lanes = {("kick", "hit"): "X..x..x.X...x...", ("hat", "closed"): "x..o..x.x...o...",
             ("snare", "centre"): "....X.......X..."}
    write_session(tmp_path / "session", plan, [groove("take 1", 10, 100, lanes, 51)], seed=2)
    pipeline.build(tmp_path / "session", tmp_path / "kit", jobs=1)
    manifest = json.loads((tmp_path / "kit" / "manifest.json").read_text(encoding="utf-8"))
    report = (tmp_path / "kit" / "report.html").read_text(encoding="utf-8")

    assert {"kick", "snare"} <= {drum["name"] for drum in manifest["drums"]}
    assert "take 1/kick" in report
    assert "another drum often falls with it" in report
    assert "take 1/snare" not in report
