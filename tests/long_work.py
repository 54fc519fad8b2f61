"""Long work, run by hand from the folder of the project: what a build takes, and whether its kits are right.

    python -m tests.long_work [WHAT ...]

WHAT is of ``JOBS``, all of them unless given: ``hits`` (thousands of hits of dense playing), ``mics`` (64 mics, ten
minutes), ``hours`` (12 mics, six hours, sparse), ``one`` (five builds of one session at once into five kits, one
store), ``five`` (five builds of five sessions at once, one store). Each prints a row of docs/reliability.md: time, the
largest sum of PSS over all processes, hits, one-shots; each ends with an error where a kit is not as its manifest says,
or builds that ran at once gave other kits than the same builds alone. ``ONESHOT_SHARE=0.1`` makes each session a tenth
as long.
"""

from __future__ import annotations

import os
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from benchmark import BUILD, Measured, family_of, measured, pss_mb, written

from oneshot.core.files import sha256_of
from oneshot.kit.verify import verify_kit

SHARE = float(os.environ.get("ONESHOT_SHARE", "1"))


def sums(folder: Path) -> dict[str, str]:
    """Path -> sum of each file in a folder."""
    return {path.relative_to(folder).as_posix(): sha256_of(path) for path in sorted(folder.rglob("*"))
            if path.is_file()}


def session(folder: Path, what: str, minutes: float, mics: int) -> Path:
    """A session of half a minute, repeated."""
    written(folder, what, minutes * SHARE, mics, "wav")
    return folder


def built(source: Path, kit: Path) -> Measured:
    """A first build, whose kit is then in order."""
    found = measured(BUILD, str(source), str(kit), "stored")
    if verify_kit(kit):
        raise SystemExit(f"{kit}: not as its manifest says")
    return found


def at_once(pairs: list[tuple[Path, Path]]) -> tuple[float, float]:
    """Builds that begin together: (how long, s, until the last ends; the largest PSS of all their processes, MB)."""
    begin, peak, done = time.monotonic(), [0.0], threading.Event()

    def watch() -> None:
        while not done.wait(0.2):
            peak[0] = max(peak[0], pss_mb([pid for pid in family_of(os.getpid()) if pid != os.getpid()]))

    watcher = threading.Thread(target=watch, daemon=True)
    watcher.start()
    faults: list[BaseException] = []

    def one(source: Path, kit: Path) -> None:
        try:
            measured(BUILD, str(source), str(kit), "stored")
        except SystemExit as error:
            faults.append(error)

    threads = [threading.Thread(target=one, args=pair) for pair in pairs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    done.set()
    watcher.join()
    if faults:
        raise faults[0]
    return time.monotonic() - begin, peak[0]


def alone(folder: Path, what: str, minutes: float, mics: int) -> str:
    """A row of one build."""
    found = built(session(folder / "session", what, minutes, mics), folder / "kit")
    hits, shots = found.output.split()
    return _row(f"{what}, {minutes * SHARE:g} min, {mics} mics", found.took_s, found.memory_mb or 0.0, hits, shots)


def together(folder: Path, sources: int) -> str:
    """A row of five builds at once of one session or of five, held against those built alone with a store of their
    own.
    """
    made = [session(folder / f"session {n}", "playing", 2.0 + n / 2, 12) for n in range(sources)]
    pairs = [(made[n % sources], folder / "at once" / f"kit {n}") for n in range(5)]
    os.environ["ONESHOT_CACHE"] = str(folder / "shared")
    took, peak = at_once(pairs)
    os.environ["ONESHOT_CACHE"] = str(folder / "own")
    outcome = {source: built(source, folder / "alone" / source.name) for source in made}
    for source, kit in pairs:
        if sums(kit) != sums(folder / "alone" / source.name):
            raise SystemExit(f"{kit}: not the kit that is built alone")
    hits, shots = outcome[made[0]].output.split()
    return _row(f"5 builds at once of {sources} session{'s' * (sources > 1)}, 12 mics", took, peak, hits, shots)


def _row(what: str, took_s: float, memory_mb: float, hits: str, shots: str) -> str:
    return f"| {what} | {int(hits):,} | {int(shots):,} | {took_s:.0f} s | {memory_mb:.0f} MB |"


JOBS: dict[str, Callable[[Path], str]] = {
    "hits": lambda folder: alone(folder, "playing", 50.0, 2),
    "mics": lambda folder: alone(folder, "playing", 10.0, 64),
    "hours": lambda folder: alone(folder, "sparse", 360.0, 12),
    "one": lambda folder: together(folder, 1),
    "five": lambda folder: together(folder, 5)}


def run(what: str) -> str:
    """The row of a job, in a folder and with a store of its own."""
    with tempfile.TemporaryDirectory() as name:
        os.environ["ONESHOT_CACHE"] = str(Path(name) / "cache")
        return JOBS[what](Path(name))


if __name__ == "__main__":
    for each in sys.argv[1:] or JOBS:
        print(run(each), flush=True)
