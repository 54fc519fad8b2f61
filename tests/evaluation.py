"""How well kits are built from sessions of which every stroke is known, as one table.

    python -m tests.evaluation [NAMES] [--folder DIR] [--jobs N] [--cases] [--out FILE]

Renders the generated family and takes made of real one-shots, builds a kit from each, and prints a row per take, with
what librosa and clustering reach beside it. NAMES are sessions (default: all). ``--folder`` keeps sessions and kits;
what was rendered from the same plan by the same code is not rendered again. ``--cases`` tells which strokes went wrong
in takes that fall short. ``--out`` writes the table as Markdown.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(1, str(Path(__file__).parent.parent))

import baselines
import figures
import real_takes
import soundfile
from evaluation_table import aligned, markdown

from oneshot import pipeline
from oneshot.synth import family, render, truth, write_session

SEED = 1
FAIR = {"detect_f1": 0.95, "strokes_f1": 0.85, "drum_ari": 0.9}
"""Takes below any of these are told stroke by stroke with ``--cases``."""
PAIR = ("OH L", "OH R")
Known = dict[str, dict[str, Any]]


@dataclass(frozen=True, slots=True)
class Row:
    """One take: its figures, what other tools reach, and the lines that tell what went wrong."""

    name: str
    values: Mapping[str, float | None]
    setting: str
    cases: Sequence[str]


# ------------------------------------------------------------------------------------------------------------- sessions


def real_sessions() -> dict[str, Callable[[Path], Known]]:
    """Name -> what writes a session of real strokes into a new folder; none where the recordings are not installed."""
    if real_takes.missing() is not None:
        return {}

    def both(folder: Path) -> Known:
        return {"slate": real_takes.write(folder, "slate", real_takes.slate(), 1),
                "groove": real_takes.write(folder, "groove", real_takes.groove(), 2)}

    def pair(folder: Path) -> Known:
        known = real_takes.write(folder, "fast", real_takes.groove(10, 126, seed=6), 3)
        for path in sorted((folder / "fast").glob("*.wav")):
            if path.stem not in PAIR:
                path.unlink()
        return {"fast": figures.heard_by(known, PAIR)}

    return {"real": both, "real pair": pair}


FEWER: Mapping[str, tuple[str, Sequence[str]]] = {
    "five, one overhead": ("five", ("Kick", "Snare", "OH L", "Room")),
    "eight, one overhead": ("eight", ("Kick In", "Snare Top", "OH L")),
    "eight, pair": ("eight", ("Kick In", "Snare Top", *PAIR)),
    "thirteen, one overhead": ("thirteen", ("Kick In", "Snare Top", "OH L", "Room L", "Room R")),
    "thirteen, pair": ("thirteen", ("Kick In", "Snare Top", *PAIR)),
    "thirteen, no cymbal mics": ("thirteen", ("Kick In", "Kick Out", "Snare Top", "Snare Bottom", "Rack Tom",
                                              "Rack Tom 2", "Floor Tom", *PAIR, "Room L", "Room R")),
    "crowded, one overhead": ("crowded", ("Kick In", "Snare Top", "OH L", "Room L", "Room R")),
    "doubles, one overhead": ("doubles", ("Kick", "Snare Top", "OH L", "Room L", "Room R")),
    "real, one overhead": ("real", ("Kick", "Snare", "OH L", "Room")),
    "real, pair": ("real", ("Kick", "Snare", *PAIR, "Room")),
}
"""Sessions through fewer mics: name -> the session and the mics that are left. Hats and toms have none of their own."""


def names() -> list[str]:
    """All sessions, generated ones first, each before it is heard through fewer mics."""
    able = [*family(), *real_sessions()]
    return [*able, *(name for name, (of, _) in FEWER.items() if of in able)]


def with_fewer(of: Path, mics: Sequence[str], folder: Path) -> Known:
    """The takes of a rendered session ``of`` again in ``folder``, with these mics only; their truth."""
    known = {}
    for take, true in json.loads((of / "known.json").read_text()).items():
        (folder / take).mkdir(parents=True)
        kept = [m for m in true["mics"] if m in mics]
        for mic in kept:
            source = of / "session" / take / f"{mic}.wav"
            if source.exists():
                shutil.copyfile(source, folder / take / source.name)
            else:  # one side of a stereo file
                data, rate = soundfile.read(source.with_stem(mic[:-2]), always_2d=True, dtype="int32")
                soundfile.write(folder / take / source.name, data[:, "LR".index(mic[-1])], rate, subtype="PCM_24")
        known[take] = figures.heard_by(true, kept)
    return known


def fingerprint(name: str) -> str:
    """Of everything that decides the samples and the truth of a session: plan, seed and the code that renders."""
    digest = hashlib.sha256()
    name = FEWER.get(name, (name, ()))[0]
    plans = family()
    code = [real_takes.__file__, truth.__file__, __file__]
    if name in plans:
        digest.update(repr((SEED, plans[name])).encode())
        code = sorted(str(p) for p in Path(render.__file__).parent.glob("*.py") if p.stem not in ("family", "demo"))
    for path in code:
        digest.update(Path(path).read_bytes())
    return digest.hexdigest()


def rendered(name: str, folder: Path, wanted: str) -> Known:
    """The truth of a session's takes; its files lie in ``folder / session``, made now unless ``wanted`` is its mark."""
    mark, told = folder / "fingerprint", folder / "known.json"
    if not mark.exists() or mark.read_text() != wanted:
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        plans = family()
        if name in FEWER:
            of, mics = FEWER[name]
            rendered(of, folder.parent / of, fingerprint(of))
            known = with_fewer(folder.parent / of, mics, folder / "session")
        elif name in plans:
            known = write_session(folder / "session", *plans[name], seed=SEED)
        else:
            (folder / "session").mkdir()
            known = real_sessions()[name](folder / "session")
        told.write_text(json.dumps(known))
        mark.write_text(wanted)
    loaded: Known = json.loads(told.read_text())
    return loaded


# --------------------------------------------------------------------------------------------------------------- others


def others(folder: Path, take: str, known: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """What librosa finds in a take, and MFCCs of its strokes; kept beside the session: they depend on nothing else."""
    code = hashlib.sha256(Path(baselines.__file__).read_bytes()).hexdigest()[:12]
    kept, table = folder / f"{take}.{code}.json", folder / f"{take}.{code}.npz"
    if not kept.exists():
        names, rows = [], []
        for path in sorted((folder / "session" / take).glob("*.wav")):
            data, rate = soundfile.read(path, always_2d=True, dtype="float32")
            names += [path.stem + (f" {k + 1}" if data.shape[1] > 1 else "") for k in range(data.shape[1])]
            rows += list(data.T)
        signals = baselines.prepared(names, np.stack(rows), rate)
        np.savez(table, **baselines.descriptions(signals, known))  # type: ignore[arg-type]
        kept.write_text(json.dumps(baselines.best_onsets(signals, known)))
    with np.load(table) as stored:
        return json.loads(kept.read_text()), dict(stored)


def evaluate(name: str, folder: Path, mark: str, tell: bool) -> list[Row]:
    """Render, build and score one session: a row per take."""
    known = rendered(name, folder, mark)
    pipeline.build(folder / "session", folder / "kit", fresh=True, jobs=1)
    manifest = json.loads((folder / "kit" / "manifest.json").read_text(encoding="utf-8"))
    rows = []
    for take, true in known.items():
        values = figures.figures(manifest, true, take)
        onsets, features = others(folder, take, true)
        judged = [t for t, _ in figures.audible(figures.match(manifest, true, take))]
        places = {id(t): k for k, t in enumerate(true["hits"])}
        chosen = [places[id(t)] for t in judged]
        clusters = baselines.best_clusters({n: x[chosen] for n, x in features.items()}, [t["drum"] for t in judged])
        short = any((values[key] or 0) < fair for key, fair in FAIR.items())
        rows.append(Row(f"{name} / {take}", {**values, "librosa_f1": onsets["f1"], **clusters}, onsets["setting"],
                        figures.cases(manifest, true, take) if tell and short else ()))
    return rows


# -------------------------------------------------------------------------------------------------------------- command


def evaluate_all(chosen: Sequence[str], folder: Path, jobs: int, tell: bool) -> list[Row]:
    """Rows of all chosen sessions, in their order, whoever finishes first."""
    os.environ["XDG_CACHE_HOME"] = str(folder / "store")  # what builds store is no business of the user's cache
    marks = [fingerprint(name) for name in chosen]  # now, before any of the code they are made from can change
    tasks = [(name, folder / name, mark, tell) for name, mark in zip(chosen, marks, strict=True)]
    if jobs < 2:
        return [row for task in tasks for row in evaluate(*task)]
    with ProcessPoolExecutor(jobs, get_context("spawn")) as pool:  # each imports librosa by itself (``baselines``)
        bases = sorted({FEWER[name][0] for name in chosen if name in FEWER})  # once, before two processes want one
        for each in [pool.submit(rendered, name, folder / name, fingerprint(name)) for name in bases]:
            each.result()
        work = [pool.submit(evaluate, *task) for task in tasks]
        return [row for each in work for row in each.result()]


def main(arguments: Sequence[str] | None = None) -> None:
    """Evaluate, print, write."""
    parser = argparse.ArgumentParser(prog="tests.evaluation", description="Score kits against sessions known in full.")
    parser.add_argument("names", nargs="*", metavar="NAMES", help=f"sessions, of: {', '.join(names())}")
    parser.add_argument("--folder", type=Path, help="keep sessions and kits here, and use what is there already")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="sessions at once (default: all cores)")
    parser.add_argument("--cases", action="store_true", help="tell what went wrong in takes that fall short")
    parser.add_argument("--out", type=Path, help="write the table to this file as Markdown")
    asked = parser.parse_args(arguments)
    unknown = [name for name in asked.names if name not in names()]
    if unknown:
        parser.error(f"no session is called {unknown[0]!r}: choose from {', '.join(names())}")
    begin = time.monotonic()
    with tempfile.TemporaryDirectory() as spare:
        folder = asked.folder or Path(spare)
        folder.mkdir(parents=True, exist_ok=True)
        rows = evaluate_all(asked.names or names(), folder.resolve(), asked.jobs, asked.cases)
    print(aligned(rows))
    for row in rows:
        if row.cases:
            print(f"\n{row.name}", *row.cases, sep="\n")
    if asked.out is not None:
        asked.out.write_text(markdown(rows), encoding="utf-8")
    print(f"\n{time.monotonic() - begin:.0f} s", file=sys.stderr)


if __name__ == "__main__":
    main()
