"""Memory: what a build needs does not grow with the length of a session, but for its hits."""

from __future__ import annotations

from pathlib import Path

import pytest
from benchmark import BUILD, measured, written

MICS = 32
LENGTHS_MIN = 4.0, 40.0
LONG_MIN = 360.0
MOST_MB = 500.0


@pytest.mark.full
@pytest.mark.skipif(not Path("/proc/self/smaps_rollup").exists(), reason="PSS is read from Linux")
def test_hours_of_many_mics_fit_into_500_mb(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Six hours of 32 mics of sparse audio take less than 500 MB over all processes of a build.

    Two sessions of 32 mics that differ in length alone are built: what the longer one takes more grows with minutes,
    and goes on to grow at most at that rate. A scan held in memory is 30 MB an hour of a mic, 576 MB for the 36 minutes
    between the two: some 5.7 GB at six hours. Peaks are looked at five times a second and differ by some 15 MB from run
    to run, of which nine times the half and more may come into what is extrapolated.
    """
    monkeypatch.setattr("benchmark.SPARSE_MINUTES", LONG_MIN)  # the same slate in both, at their beginning
    peaks = []
    for minutes in LENGTHS_MIN:
        folder = tmp_path / f"{minutes:g}"
        written(folder / "session", "sparse", minutes, MICS, "wav")
        found = measured(BUILD, str(folder / "session"), str(folder / "kit"), "fresh")
        hits, _ = found.output.split()
        assert int(hits) >= 10
        assert found.memory_mb is not None
        peaks.append(found.memory_mb)
    a_minute = (peaks[1] - peaks[0]) / (LENGTHS_MIN[1] - LENGTHS_MIN[0])

    assert peaks[1] + max(0.0, a_minute) * (LONG_MIN - LENGTHS_MIN[1]) < MOST_MB, peaks
