"""Kits that nothing was chosen on, and whole files held against the strokes as they were rendered.

    python -m tests.held_out [NAMES] [--folder DIR]

Renders sessions from plans and with a seed that no limit of the program was tried on, builds a kit from each and prints
a row per take. NAMES may be sessions of the family, too: their whole files are measured in the same way.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(1, str(Path(__file__).parent.parent))

import figures
from known_strokes import Alone, Signal

from oneshot import pipeline
from oneshot.analysis.detection.spectrogram import BAND_EDGES_HZ
from oneshot.audio.io import TakeReader, read_audio
from oneshot.core.grades import GRADE_LIMITS_DB
from oneshot.cutting import fades
from oneshot.cutting.repair import band_energies
from oneshot.session.open import open_session
from oneshot.synth import family, kits, write_session
from oneshot.synth.patterns import BOW, BUSY, FILL, START, Lanes, groove, mixed, playing, slate
from oneshot.synth.plans import KitPlan, RoomPlan, TakePlan

SEED, FAMILY_SEED = 2, 1
STEP_S = 0.05
NOISE_DB = 6.0
"""What stays this near to a mic's noise is noise."""
ROUNDING_DB = 1.0
"""A grade is false where the file misses its limit by more than this."""
SHELLS = (("kick", "hit", -18.0, 0.0, 5, 1.0), ("snare", "centre", -33.0, 0.0, 8, 1.0),
          ("rack", "hit", -21.0, 0.0, 4, 1.6), ("floor", "hit", -21.0, 0.0, 4, 1.8))
CYMBALS = (("hat", "closed", -18.0, 0.0, 4, 0.7), ("hat", "open", -10.0, 0.0, 3, 2.4), ("crash", "hit", -10.0, 0.0, 2,
                                                                                       3.6))
RIDES = (("ride", "bow", -12.0, 0.0, 5, 2.4), ("ride", "bell", -8.0, 0.0, 3, 2.4))
HALL = RoomPlan((16, 22, 8), (-7, -6, 0), ((125, 1.6), (1000, 1.3), (4000, 1.0), (12000, 0.6)), temperature_c=17)
DRY = RoomPlan((6, 7, 3), (-3, -2.5, 0), ((125, 0.35), (1000, 0.25), (8000, 0.2)))
MIDDLING = RoomPlan((8, 5, 2.6), (-3.5, -2, 0), ((125, 0.6), (1000, 0.4), (8000, 0.25)))
TOGETHER: Lanes = {("kick", "hit"): "X..x..x.X...x...", ("hat", "closed"): "x..o..x.x...o...",
                   ("snare", "centre"): "....X.......X..."}
FIVE = (replace(kits.KICK_OUT, name="Kick"), replace(kits.SNARE_TOP, name="Snare"), kits.OH_L, kits.OH_R,
        replace(kits.ROOM_L, name="Room"))
TWO = (replace(kits.KICK_OUT, name="BD"), replace(kits.OH_L, name="Overhead", place=(0.1, -0.3, 1.7)))
Planned = tuple[KitPlan, Sequence[TakePlan]]


def held_out() -> dict[str, Planned]:
    """Name -> plan and takes."""
    return {
        "h eight": (KitPlan("h eight", HALL, kits.SIX, kits.EIGHT, 44100, "PCM_24"),
                    (slate("slate", (*SHELLS, *CYMBALS)), playing("groove", 112, 124))),
        "h five": (KitPlan("h five", MIDDLING, (kits.SMALL_KICK, kits.DEEP_SNARE, kits.RACK, kits.FLOOR, kits.HAT,
                                                kits.CRASH), FIVE, 48000, "PCM_24"),
                   (playing("groove", 211, 84, rounds=3),)),
        "h eleven": (KitPlan("h eleven", DRY, (kits.KICK, kits.DEEP_SNARE, kits.RACK, kits.FLOOR, kits.HAT, kits.CRASH,
                                               kits.RIDE), (*kits.EIGHT, kits.HAT_MIC, kits.ROOM_L, kits.ROOM_R),
                             48000, "PCM_24"),
                     (slate("slate", (*SHELLS, *RIDES)), playing("groove", 313, 138, extra=(BOW,)),
                      mixed("busy", 314, 102, ((1, START), (3, BUSY), (1, FILL), (2, BOW))))),
        "h two": (KitPlan("h two", MIDDLING, kits.SIX, TWO, 44100, "PCM_16"), (playing("take 1", 415, 92),)),
        "together": (KitPlan("together", RoomPlan(), kits.SIX, kits.EIGHT, 48000, "PCM_24"),
                     (groove("take 1", 10, 100, TOGETHER, 51),)),
    }


@dataclass(frozen=True, slots=True)
class WholeFile:
    """One mic of a file of a one-shot: ``worst_db``, the loudest band and 50 ms of everything else in it against the
    loudest 50 ms of its stroke; ``at_s``, where that is, from the attack on; ``false``: the grade promises less.
    """

    hit: int
    mic: str
    grade: str
    worst_db: float
    at_s: float
    false: bool


def whole_files(manifest: Mapping[str, Any], known: Mapping[str, Any], take: str, folder: Path,
                alone: Alone) -> Iterator[WholeFile]:
    """Every mic of every untouched file of a take whose stroke is known; ``folder`` holds session and kit.

    Compressed, gated and other mics that the truth leaves out are left out.
    """
    matched = figures.match(manifest, known, take)
    session = open_session(folder / "session")
    told = {m["name"]: m for t in manifest["session"]["takes"] if t["name"] == take for m in t["mics"]}
    judged = [m for m in alone.mics if m in known["mics"] and "dynamics" not in told.get(m, {"dynamics": ""})]
    rate = known["sr"]
    noise = _noise(session, take, judged)
    for shot in manifest["one_shots"]:
        stroke = matched.truth_of.get(shot["hit"])
        if stroke is None:
            continue
        for file in shot["files"]:
            x, _ = read_audio(folder / "kit" / file["path"])
            for row, mic in zip(x, file["mics"], strict=True):
                if mic not in judged or file["repaired"] or file["hit"] != shot["hit"]:
                    continue
                own = _faded(alone(stroke["id"], mic, file["source_start"], len(row)), file)
                level, rest = _steps(own, rate), _steps(row - own, rate)
                rest = np.maximum(rest - noise[mic] * 10 ** (NOISE_DB / 10), 0.0).max(axis=1)
                worst = float(10 * np.log10(max(rest.max(), 1e-20) / max(level.sum(axis=1).max(), 1e-20)))
                near = told[mic]["role"] == "close" and told[mic]["drum"] == shot["drum"]
                limit = GRADE_LIMITS_DB["close" if near else "far"].get(file["grade"], np.inf)
                yield WholeFile(shot["hit"], mic, file["grade"], worst,
                                float(rest.argmax() * STEP_S / 2 - file["onset_frame"] / rate),
                                worst > limit + ROUNDING_DB)


def _faded(x: Signal, file: Mapping[str, Any]) -> Signal:
    """A stroke as it lies in a file."""
    begin, end = file["fade_in_frames"], file["fade_out_frames"]
    x[:begin] *= fades.fade_in_curve(begin)
    x[len(x) - end:] *= fades.fade_out_curve(end)
    return -x if file["inverted"] else x


def _steps(x: Signal, rate: int) -> Signal:
    """Mean squares (steps, bands) of 50 ms every 25 ms."""
    length = round(STEP_S * rate)
    padded = np.pad(x, (0, length))
    return np.stack([band_energies(padded[at:at + length], BAND_EDGES_HZ, rate) / length
                     for at in range(0, max(len(x), 1), length // 2)])


def _noise(session: Any, take: str, mics: Sequence[str]) -> dict[str, Signal]:
    """Mic -> the level (bands,) that a twentieth of its steps stay below; steady offsets are rendered into no plan here
    but two mics of the family, and lie below what is compared.
    """
    at = session.take(take)
    with TakeReader(session.root, at, list(mics), dtype="float64") as reader:
        whole = reader.read(0, at.frames)
    return {mic: np.percentile(_steps(x, at.sample_rate), 5, axis=0) for mic, x in zip(mics, whole, strict=True)}


def main(arguments: Sequence[str] | None = None) -> None:
    """Render, build, measure, print."""
    parser = argparse.ArgumentParser(prog="tests.held_out", description="Kits that nothing was chosen on.")
    parser.add_argument("names", nargs="*", metavar="NAMES", help="sessions (default: those held out)")
    parser.add_argument("--folder", type=Path, help="render and build here")
    asked = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as spare:
        for name in asked.names or held_out():
            planned = held_out().get(name) or family()[name]
            seed = SEED if name in held_out() else FAMILY_SEED
            folder = (asked.folder or Path(spare)) / name
            folder.mkdir(parents=True)
            known = write_session(folder / "session", *planned, seed=seed)
            pipeline.build(folder / "session", folder / "kit", jobs=1)
            manifest = json.loads((folder / "kit" / "manifest.json").read_text(encoding="utf-8"))
            for take, true in known.items():
                found = list(whole_files(manifest, true, take, folder, Alone(name, take, true, planned, seed)))
                graded = [each for each in found if each.grade != "D"]
                row = figures.figures(manifest, true, take)
                shown = " ".join(f"{key} {'-' if row[key] is None else format(row[key], '.3f')}" for key in (
                    "detect_f1", "strokes_f1", "bleed_err", "honest", "clean_precision", "usable_precision",
                    "usable_recall"))
                print(f"{name} / {take}: {shown} whole files {sum(not e.false for e in graded)} of {len(graded)}")
                for each in (e for e in graded if e.false):
                    print(f"  hit {each.hit}, {each.mic}: {each.grade}, {each.worst_db:.1f} dB at {each.at_s:.2f} s")


if __name__ == "__main__":
    main()
