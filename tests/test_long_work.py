"""Long work made short: tests/long_work.py at a small share of its length, with the same checks."""

from __future__ import annotations

import re
from pathlib import Path

import long_work
import pytest

pytestmark = [pytest.mark.full,
              pytest.mark.skipif(not Path("/proc/self/smaps_rollup").exists(), reason="PSS is read from Linux")]
MOST_MB = 500.0


@pytest.mark.parametrize(("what", "share"), [("hits", 0.02), ("mics", 0.05), ("hours", 0.03)])
def test_long_work_is_right_and_takes_no_more_memory(monkeypatch: pytest.MonkeyPatch, what: str, share: float) -> None:
    """A build takes less than 500 MB over all its processes, and its kit is as it says."""
    monkeypatch.setattr(long_work, "SHARE", share)
    monkeypatch.setenv("ONESHOT_CACHE", "")  # run names one of its own

    row = long_work.run(what)

    _, _, hits, shots, _, memory, _ = row.split("|")
    assert int(hits.replace(",", "")) >= int(shots.replace(",", "")) > 0
    assert 0 < float(re.sub(r"[^\d.]", "", memory)) < MOST_MB
