"""Speed and memory, run by hand: one command prints the table of docs/performance.md.

    python tests/benchmark.py [WHAT:MINUTES:MICS[:FORMAT] ...]

WHAT is "playing" (dense: kick, snare, hat, toms and cymbals), "slate" (single hits, left to ring) or "sparse" (such a
slate every nine minutes, digital black between them); FORMAT is wav (24 bit, the default; 16 where it is sparse) or
flac. Without any, the rows of ``ROWS``. Each row is a session of its own: half a minute rendered and repeated, in mics
of the generated family, beyond those in mixes of them as rooms. Of each it measures, every time
in a process of its own: reading all files once; the script that a competent person writes in an afternoon (librosa
onsets, MFCCs, k-means, all in memory; up to ``AFTERNOON_MIC_MINUTES``); a first build, a second one from the store, one
with another recipe, and one beside a busy process. Memory is the largest sum of PSS over the process tree, read from
/proc (Linux; elsewhere it is left out). How long commands take to answer comes first.
"""

from __future__ import annotations

import os
import platform
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from oneshot.core.records.session import Floats

ROWS = ("playing:5:12", "playing:20:12", "playing:5:2", "playing:5:32", "playing:5:12:flac", "slate:5:12",
        "slate:20:12")
AFTERNOON_MIC_MINUTES = 60
PIECE_S = 30.0
"""What is rendered and repeated."""
SPARSE_MINUTES = 9.0
"""How far apart that is where it is sparse."""

DECODE = """
import sys
from pathlib import Path
from oneshot.audio.io import BLOCK, TakeReader
from oneshot.session.open import open_session
session = open_session(Path(sys.argv[1]))
for take in session.takes:
    with TakeReader(session.root, take) as reader:
        for at in range(0, take.frames, BLOCK):
            reader.read(at, min(at + BLOCK, take.frames))
"""

AFTERNOON = """
import sys
from pathlib import Path
import librosa
import numpy as np
from sklearn.cluster import KMeans
rows, sounds = [], []
for path in sorted(Path(sys.argv[1]).rglob("*.wav")) + sorted(Path(sys.argv[1]).rglob("*.flac")):
    sounds.append(librosa.load(path, sr=None, mono=True))
rate = sounds[0][1]
mix = np.sum([x for x, _ in sounds], axis=0)
onsets = librosa.onset.onset_detect(y=mix, sr=rate, units="samples", backtrack=True)
for at in onsets:
    piece = mix[at:at + rate // 4]
    rows.append(librosa.feature.mfcc(y=piece, sr=rate, n_mfcc=13).mean(axis=1))
drum = KMeans(8, n_init=10, random_state=0).fit_predict(np.array(rows))
print(len(onsets), len(set(drum.tolist())))
"""

BUILD = """
import sys
from pathlib import Path
from oneshot import pipeline
recipe = Path(sys.argv[4]) if len(sys.argv) > 4 else None
kit = pipeline.build(Path(sys.argv[1]), Path(sys.argv[2]), fresh=sys.argv[3] == "fresh", recipe_path=recipe).kit
print(len(kit.hits), len(kit.one_shots))
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


@dataclass(frozen=True, slots=True)
class Measured:
    """A program that has run: how long, s; the largest PSS of its process tree, MB; what it printed."""

    took_s: float
    memory_mb: float | None
    output: str


def measured(program: str, *arguments: str) -> Measured:
    """Run a program of Python, its memory looked at five times a second."""
    begin, command = time.monotonic(), [sys.executable, "-c", program, *arguments]
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
            raise SystemExit(f"ended with exit code {process.returncode}: {' '.join(arguments)}")
    return Measured(time.monotonic() - begin, peak[0] or None, output.strip())


def written(folder: Path, what: str, minutes: float, mics: int, suffix: str) -> float:
    """Write a session of one take; returns its mic-hours."""
    from oneshot.synth import family, playing, render_take, slate

    plan, _ = family()["two" if mics <= 2 else "crowded"]
    ways = {"snare": "centre", "hat": "closed", "ride": "bow"}
    rows = [(drum.name, ways.get(drum.kind, "hit"), -24.0, 0.0, 2, 1.6) for drum in plan.drums]
    audio, _ = render_take(plan, playing("take 1", 31, 118, rounds=2) if what == "playing" else slate("take 1", rows),
                           seed=9)
    audio = audio[:mics, : round(PIECE_S * plan.sample_rate)]
    rng = np.random.default_rng(4)
    names = [mic.name for mic in plan.mics][:mics]
    rooms: list[Floats] = []
    while len(audio) + len(rooms) < mics:
        late = int(rng.integers(400, 1400))
        mixed = rng.uniform(0.0, 0.4, len(audio)).astype(audio.dtype) @ audio
        rooms.append(np.roll(mixed, late) + 1e-5 * rng.standard_normal(mixed.shape))
        names.append(f"Room {len(rooms) + 1}")
    times = max(1, round(minutes * 60 * plan.sample_rate / audio.shape[1]))
    (folder / "take 1").mkdir(parents=True)
    if what == "sparse":
        for name, row in zip(names, [*audio, *rooms], strict=True):
            write_sparse(folder / "take 1" / f"{name}.wav", row, plan.sample_rate, minutes)
        return mics * minutes / 60
    for name, row in zip(names, [*audio, *rooms], strict=True):
        with soundfile.SoundFile(folder / "take 1" / f"{name}.{suffix}", "w", plan.sample_rate, 1, "PCM_24") as file:
            for _ in range(times):
                file.write(np.clip(row, -1, 1))
    return float(mics * times * audio.shape[1] / plan.sample_rate / 3600)


def write_sparse(path: Path, row: Floats, sample_rate: int, minutes: float) -> None:
    """Write a WAV file of 16 bits with a sound every ``SPARSE_MINUTES`` and holes between, which read as digital black
    and take no place where the disk can do that.
    """
    frames, x = round(minutes * 60 * sample_rate), np.rint(np.clip(row, -1, 1) * 32767).astype("<i2")
    with path.open("wb") as file:
        file.write(struct.pack("<4sI8sIHHIIHH4sI", b"RIFF", 36 + 2 * frames, b"WAVEfmt ", 16, 1, 1, sample_rate,
                               2 * sample_rate, 2, 16, b"data", 2 * frames))
        file.truncate(44 + 2 * frames)
        for at in range(0, frames, round(SPARSE_MINUTES * 60 * sample_rate)):
            file.seek(44 + 2 * at)
            file.write(x[: frames - at].tobytes())


def answers_s(*arguments: str) -> float:
    """How long a command takes to answer, seconds: the best of five."""
    took = []
    for _ in range(5):
        begin = time.perf_counter()
        subprocess.run([sys.executable, "-m", "oneshot", *arguments], capture_output=True, check=False)
        took.append(time.perf_counter() - begin)
    return min(took)


def beside_a_busy_one(session: str, kit: str) -> Measured:
    """A first build while another program keeps one core busy."""
    with subprocess.Popen([sys.executable, "-c", "while True: pass"]) as busy:
        try:
            return measured(BUILD, session, kit, "fresh")
        finally:
            busy.kill()


def row_of(what: str, minutes: float, mics: int, suffix: str) -> str:
    """One row of the table."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        os.environ["ONESHOT_CACHE"] = str(folder / "cache")
        session, kit = str(folder / "session"), str(folder / "kit")
        hours = written(folder / "session", what, minutes, mics, suffix)
        (folder / "recipe.toml").write_text("[cut]\npre_roll_ms = 3.0\n", encoding="utf-8")
        decode = measured(DECODE, session)
        script = measured(AFTERNOON, session) if minutes * mics <= AFTERNOON_MIC_MINUTES else None
        first = measured(BUILD, session, kit, "fresh")
        second = measured(BUILD, session, kit, "stored")
        other = measured(BUILD, session, kit, "stored", str(folder / "recipe.toml"))
        busy = beside_a_busy_one(session, str(folder / "busy")) if minutes * mics <= AFTERNOON_MIC_MINUTES else None
    hits, shots = first.output.split()
    cells = [f"{what}, {minutes:g} min, {mics} mics, {suffix}", hits, shots, f"{decode.took_s:.1f}",
             "-" if script is None else f"{script.took_s:.1f} ({_mb(script)})", f"{first.took_s:.1f}",
             f"{hours / first.took_s * 3600:.0f}", f"{first.took_s / decode.took_s:.1f}", _mb(first),
             f"{second.took_s:.1f}", f"{other.took_s:.1f}",
             "-" if busy is None else f"{busy.took_s / first.took_s:.2f}"]
    return "| " + " | ".join(cells) + " |"


def _mb(each: Measured) -> str:
    """Memory in words."""
    return "-" if each.memory_mb is None else f"{each.memory_mb:.0f} MB"


def main() -> None:
    """Print the table, row by row."""
    for each in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(each, "1")
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}\n")
    for arguments in (("--help",), ("check", "nowhere"), ("build", "nowhere", "kit"), ("verify", "nowhere")):
        print(f"oneshot {' '.join(arguments)}: {answers_s(*arguments):.2f} s")
    print("\n| session | hits | one-shots | decode s | afternoon script s | build s | mic-hours an hour | times decode "
          "| memory | second build s | another recipe s | busy |\n|---|---|---|---|---|---|---|---|---|---|---|---|")
    for row in sys.argv[1:] or ROWS:
        what, minutes, mics, *more = row.split(":")
        print(row_of(what, float(minutes), int(mics), more[0] if more else "wav"), flush=True)


if __name__ == "__main__":
    main()
