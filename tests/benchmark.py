"""Baseline figures of speed and memory, run by hand; later versions are compared with what this prints.

    python tests/benchmark.py [MINUTES] [JOBS]

Prints how long ``oneshot build --help`` takes. Renders a session of eight mics and MINUTES (default 10) of playing,
builds a kit from it twice (from nothing, and from the store) in a process of its own, and prints mic-hours per hour of
either and the largest sum of PSS over the process tree, read from /proc (Linux; elsewhere memory is left out). "Scan"
is the share of the first build until the progress leaves the scan.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import soundfile

CHILD = """
import sys, time
from pathlib import Path
from oneshot import pipeline
session, kit, fresh, jobs = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3] == "fresh", int(sys.argv[4])
begin, seen = time.monotonic(), {}
def progress(stage, share):
    seen.setdefault(stage, time.monotonic() - begin)
result = pipeline.build(session, kit, fresh=fresh, jobs=jobs, progress=progress)
for stage, at in seen.items():
    print(f"{at:.2f}", stage, sep="\\t")
print(f"{time.monotonic() - begin:.2f}", "end", sep="\\t")
"""


def family_of(root: int) -> list[int]:
    """A process and all its descendants."""
    parents: dict[int, list[int]] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                fields = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            parents.setdefault(int(fields[1]), []).append(int(entry.name))
    found, todo = [], [root]
    while todo:
        found.append(todo.pop())
        todo += parents.get(found[-1], [])
    return found


def pss_mb(processes: Sequence[int]) -> float:
    """Sum of the proportional set sizes of processes, MB."""
    total = 0
    for pid in processes:
        try:
            rollup = (Path("/proc") / str(pid) / "smaps_rollup").read_text()
        except OSError:
            continue
        total += sum(int(line.split()[1]) for line in rollup.splitlines() if line.startswith("Pss:"))
    return total / 1000


def measured(command: Sequence[str]) -> tuple[str, float | None]:
    """Run a command; its output, and the largest PSS of its process tree, looked at five times a second."""
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        peak, done = [0.0], threading.Event()

        def watch() -> None:
            while not done.wait(0.2):
                peak[0] = max(peak[0], pss_mb(family_of(process.pid)))

        watcher = threading.Thread(target=watch, daemon=True)
        if Path("/proc/self/smaps_rollup").exists():
            watcher.start()
        output, _ = process.communicate()
        done.set()
        if process.returncode:
            raise SystemExit(f"the build ended with exit code {process.returncode}")
    return output, peak[0] or None


def long_session(folder: Path, minutes: float) -> float:
    """Write ``minutes`` of playing in eight mics, a rendered half minute repeated; returns its mic-hours."""
    from oneshot.synth import family, playing, render_take

    plan, _ = family()["eight"]
    audio, _ = render_take(plan, playing("take 1", 31, 96, rounds=3), seed=9)
    times = max(1, round(minutes * 60 * plan.sample_rate / audio.shape[1]))
    (folder / "take 1").mkdir(parents=True)
    for mic, row in zip(plan.mics, audio, strict=True):
        soundfile.write(folder / "take 1" / f"{mic.name}.wav", np.tile(row, times), plan.sample_rate, subtype="PCM_24")
    return float(len(plan.mics) * times * audio.shape[1] / plan.sample_rate / 3600)


def help_s() -> float:
    """How long help takes, seconds: the best of five."""
    took = []
    for _ in range(5):
        begin = time.perf_counter()
        subprocess.run([sys.executable, "-m", "oneshot", "build", "--help"], capture_output=True, check=True)
        took.append(time.perf_counter() - begin)
    return min(took)


def main() -> None:
    """Render, build twice, print."""
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    jobs = sys.argv[2] if len(sys.argv) > 2 else str(min(2, os.cpu_count() or 1))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        os.environ["XDG_CACHE_HOME"] = str(folder / "cache")
        hours = long_session(folder / "session", minutes)
        print(f"{hours:.2f} mic-hours, {jobs} jobs; help in {help_s():.2f} s")
        for how in ("fresh", "stored"):
            begin = time.monotonic()
            command = [sys.executable, "-c", CHILD, str(folder / "session"), str(folder / how), how, jobs]
            output, memory = measured(command)
            took = time.monotonic() - begin
            print(f"\n{how}: {took:.1f} s with start-up, {hours / took * 3600:.0f} mic-hours per hour"
                  + (f", {memory:.0f} MB PSS" if memory else ""))
            rows = [(float(at), stage) for at, _, stage in (line.partition("\t") for line in output.splitlines())]
            for (at, stage), (until, _) in pairwise(rows):
                print(f"  {stage:24.40s} {until - at:7.1f} s  {hours / max(until - at, 1e-3) * 3600:9.0f} mic-hours/h")


if __name__ == "__main__":
    main()
