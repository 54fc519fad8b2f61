"""The whole job on generated sessions with known truth, and the promises that hold whatever the session."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from scoring import f1, one_to_one, score

from oneshot.core.errors import WorkError
from oneshot.synth import KitPlan, RoomPlan, TakePlan, groove, slate, song, write_session
from oneshot.synth.kits import EIGHT, FLOOR, KICK, RACK, SNARE
from oneshot.synth.patterns import LEVELS_DB

SR = 44100
PLAN = KitPlan("mill", RoomPlan(), (KICK, SNARE, RACK, FLOOR), EIGHT, SR, "PCM_24")
SLATE = slate("1 slate", (
    ("kick", "hit", -18.0, 0.0, 8, 1.3), ("snare", "centre", -26.0, 0.0, 10, 1.3),
    ("rack", "hit", -18.0, 0.0, 6, 1.9), ("floor", "hit", -18.0, 0.0, 6, 2.1),
))
BEAT = {("kick", "hit"): "X.....x.X.......", ("snare", "centre"): "....X..o....X..."}
FILL = {("kick", "hit"): "X.......X.......", ("snare", "centre"): "....X...........",
        ("rack", "hit"): "........x.x.....", ("floor", "hit"): "............x.x."}
GROOVE = song("2 groove", [groove("", 3, 92, BEAT, 1), groove("", 1, 92, FILL, 2), groove("", 3, 92, BEAT, 3),
                           groove("", 1, 92, FILL, 4)])


@dataclass(frozen=True, slots=True)
class Built:
    """A session on disk, its kit, and the truth of its takes."""

    session: Path
    kit: Path
    known: Mapping[str, Any]


def build(session: Path, kit: Path, **more: Any) -> None:
    """Build as the command line does; the import is here so that collecting tests stays fast."""
    from oneshot import pipeline

    pipeline.build(session, kit, **more)


def sums(folder: Path) -> dict[str, str]:
    """Path in the folder -> SHA-256 of every file."""
    files = sorted(p for p in folder.rglob("*") if p.is_file())
    return {p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Built:
    """A slate and a groove in eight mics, and the kit built from them."""
    folder = tmp_path_factory.mktemp("whole")
    known = write_session(folder / "session", PLAN, (SLATE, GROOVE), seed=21)
    build(folder / "session", folder / "kit")
    return Built(folder / "session", folder / "kit", known)


# ------------------------------------------------------------------------------------------------------- the main job


@pytest.mark.parametrize(("take", "detect", "strokes", "ari", "home_ms", "jitter_ms"), [
    ("1 slate", 0.98, 0.97, 0.95, 0.3, 0.5),
    ("2 groove", 0.95, 0.85, 0.85, 0.5, 0.8),
])
def test_figures(built: Built, take: str, detect: float, strokes: float, ari: float, home_ms: float,
                 jitter_ms: float) -> None:
    """Strokes are found within 10 ms, given to their drums, placed in their home mic and start alike in a layer."""
    got = score(built.kit, built.session, built.known[take], take, every=4)

    assert got.detect_f1 >= detect, got
    assert got.strokes_f1 >= strokes, got
    assert got.drum_ari is not None
    assert got.drum_ari >= ari, got
    assert got.home_ms_med is not None
    assert got.home_ms_med <= home_ms, got
    if got.groups:
        assert got.jitter_ms_worst is not None
        assert got.jitter_ms_worst <= jitter_ms, got


def test_samples_are_the_sources_own(built: Built) -> None:
    """Between the fades every untouched file equals its source, bit for bit, in every mic."""
    read = 0
    for take in built.known:
        got = score(built.kit, built.session, built.known[take], take)
        read += got.files

        assert got.exact in (1.0, None), take
    assert read > 20


def test_every_drum_gets_one_shots_in_order(built: Built) -> None:
    """Each of the four drums has several layers, and a higher layer is never softer than a lower one by over 1 dB."""
    manifest = json.loads((built.kit / "manifest.json").read_text(encoding="utf-8"))
    level = {h["id"]: h["level_db"] for h in manifest["hits"]}
    by_drum: dict[str, dict[int, list[float]]] = {}
    for shot in manifest["one_shots"]:
        by_drum.setdefault(shot["drum"], {}).setdefault(shot["layer"], []).append(level[shot["hit"]])

    assert len(by_drum) == 4
    for drum, layers in by_drum.items():
        means = [sum(v) / len(v) for _, v in sorted(layers.items())]
        assert len(means) >= 3, drum
        assert all(b > a - 1.0 for a, b in pairwise(means)), drum


def test_files_are_whole_and_named_as_promised(built: Built) -> None:
    """Every file of the manifest is there, nothing else lies in samples/, and names are plain ASCII without spaces."""
    manifest = json.loads((built.kit / "manifest.json").read_text(encoding="utf-8"))
    told = {f["path"] for s in manifest["one_shots"] for f in s["files"]}
    there = {p.relative_to(built.kit).as_posix() for p in (built.kit / "samples").rglob("*.wav")}

    assert told == there
    assert all(p.isascii() and " " not in p and len(Path(p).name) <= 64 for p in told)


# -------------------------------------------------------------------------------------------------------- determinism


@pytest.mark.full
def test_two_builds_are_identical(built: Built, tmp_path: Path) -> None:
    """A second build, from nothing, with another number of workers, gives the same bytes in every file."""
    build(built.session, tmp_path / "kit", fresh=True, jobs=1)

    assert sums(built.kit) == sums(tmp_path / "kit")


@pytest.mark.full
def test_a_build_from_the_store_is_identical(tmp_path: Path) -> None:
    """What was stored by the first build gives the same kit as measuring it anew."""
    few = TakePlan("take", SLATE.strokes[:8], tail_s=2.0)
    write_session(tmp_path / "session", PLAN, (few,), seed=5)
    build(tmp_path / "session", tmp_path / "one", fresh=True, jobs=2)
    build(tmp_path / "session", tmp_path / "two")

    assert sums(tmp_path / "one") == sums(tmp_path / "two")


@pytest.mark.full
def test_scanned_in_pieces_equals_scanned_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A take scanned block by block gives the same kit as one scanned in a single piece."""
    few = TakePlan("take", SLATE.strokes[4:12], tail_s=2.0)  # some 15 s: several blocks of 2^18 frames
    write_session(tmp_path / "session", PLAN, (few,), seed=6)
    for name, blocks in (("pieces", 1), ("whole", 10**6)):
        monkeypatch.setattr("oneshot.analysis.detection.spectrogram.BLOCKS_PER_TASK", blocks)
        build(tmp_path / "session", tmp_path / name, fresh=True, jobs=1)

    assert sums(tmp_path / "pieces") == sums(tmp_path / "whole")


@pytest.mark.full
def test_a_rebuild_in_place_is_identical(built: Built, tmp_path: Path) -> None:
    """Building onto a kit of ours replaces it in whole by the same bytes."""
    build(built.session, tmp_path / "kit")
    before = sums(tmp_path / "kit")
    build(built.session, tmp_path / "kit")

    assert before == sums(tmp_path / "kit")


# ------------------------------------------------------------------------------------------------------------- limits


def test_silence_is_refused(tmp_path: Path) -> None:
    """A session in which nothing is heard gives one clear error and no kit."""
    (tmp_path / "session").mkdir()
    for mic in ("Kick", "Snare", "OH L", "OH R"):
        soundfile.write(tmp_path / "session" / f"{mic}.wav", np.zeros(SR * 4), SR, subtype="PCM_24")

    with pytest.raises(WorkError, match=r"(?i)silen|nothing|no hit"):
        build(tmp_path / "session", tmp_path / "kit")
    assert not (tmp_path / "kit").exists()


# ------------------------------------------------------------------------------------------------------- the scorer


def test_matching_is_one_to_one() -> None:
    """A found onset serves one true one only: mir_eval's documented case of two near one scores P 0.8, R 1, F 0.889."""
    true, found = [0.0, 1.0, 2.0, 3.0], [0.02, 0.04, 1.0, 2.0, 3.0]
    pairs = one_to_one(true, found, 0.05)

    assert [(0, 0), (1, 2), (2, 3), (3, 4)] == pairs
    assert 0.888889 == pytest.approx(f1(len(pairs), len(true), len(found)), abs=1e-6)


def test_matching_takes_as_many_as_it_can() -> None:
    """Where the nearest pairs would leave one alone, the pairing that serves both is taken."""
    assert [(0, 0), (1, 1)] == one_to_one([0.0, 0.008], [-0.004, 0.002], 0.010)
    assert [(0, 0), (1, 1)] == one_to_one([0.0, 0.009], [-0.009, 0.001], 0.010)
    assert [] == one_to_one([0.0], [0.011], 0.010)


def test_patterns_leave_ghosts_far_below() -> None:
    """Ghost notes of the test grooves lie at least 20 dB under the hard strokes (common practice, no source)."""
    assert LEVELS_DB["X"] - LEVELS_DB["g"] >= 20
