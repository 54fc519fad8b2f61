"""Compressors, clocks and lost samples are found in the mic that has them; linear mics that share a clock are fine."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from stage_inputs import PIER

from oneshot.checking.finding import Finding, Harm
from oneshot.checking.run import checked
from oneshot.core.records.session import Floats
from oneshot.session.open import open_session
from oneshot.synth import flaws, write_session
from oneshot.synth.kits import KICK_OUT, ROOM_L, ROOM_R
from oneshot.synth.plans import Stroke, TakePlan

HITS, APART_S = 20, 0.75
MOLE = replace(PIER, name="mole", mics=(
    *(replace(KICK_OUT, polarity=1) if mic.name == "Kick Out" else replace(mic, file=None) for mic in PIER.mics),
    ROOM_L, ROOM_R))


def in_any_order() -> TakePlan:
    """Twenty hits of each of three drums, in turns, soft and hard in any order."""
    rng = np.random.default_rng(12)
    drums = (("kick", "hit"), ("snare", "centre"), ("floor", "hit"))
    return TakePlan("mole", tuple(
        Stroke(APART_S * k + float(rng.uniform(0, 0.05)), *drums[k % 3], strength_db=float(rng.uniform(-18, 0)))
        for k in range(3 * HITS)))


@pytest.fixture(scope="module")
def mole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session in which nothing is wrong; not to be written to."""
    folder = tmp_path_factory.mktemp("mole")
    write_session(folder / "session", MOLE, (in_any_order(),), seed=7)
    return folder / "session"


def findings(session: Path, folder: Path, change: Callable[[str, Floats, int], Floats]) -> tuple[Finding, ...]:
    """What is found once every mic of a copy of the session was changed."""
    shutil.copytree(session, folder)
    for path in sorted(folder.rglob("*.wav")):
        x, rate = soundfile.read(path, dtype="float64")
        soundfile.write(path, change(path.stem, x, rate), rate, "PCM_24")
    return checked(open_session(folder), jobs=1, progress=lambda *_: None).findings


def squashed(x: Floats, rate: int, below_peak_db: float, ratio: float) -> Floats:
    """A mic through a compressor, from so far below its loudest peak."""
    top = 20 * float(np.log10(np.abs(x).max()))
    return flaws.crush(x.astype(np.float32), rate, threshold_dbfs=top - below_peak_db, ratio=ratio).astype(np.float64)


def stretched(x: Floats, ppm: float) -> Floats:
    """A recording by a clock that runs slower by so much, so that all comes later in its file."""
    time = np.arange(len(x))
    return np.asarray(np.interp(time * (1 - ppm * 1e-6), time, x))


def test_nothing_is_said_of_linear_mics_with_one_clock(mole: Path, tmp_path: Path) -> None:
    """No word, whatever each mic's gain."""
    gains = {"Snare Top": 0.3, "Kick In": 0.7}

    assert () == findings(mole, tmp_path / "session", lambda name, x, _: x * gains.get(name, 1.0))


@pytest.mark.parametrize("name", ["Snare Top", "Floor Tom"])
def test_a_compressor_is_found_in_its_mic(mole: Path, tmp_path: Path, name: str) -> None:
    """A ratio of 4 from 20 dB below the peak: 10 dB in come out as some 3 to 6."""
    (found,) = findings(mole, tmp_path / "session",
                        lambda each, x, rate: squashed(x, rate, 20.0, 4.0) if each == name else x)

    assert (Harm.POOR, f"mole/{name}") == (found.harm, found.problem.where)
    assert "hits that are 10 dB louder elsewhere are" in found.problem.what
    assert 2 <= float(found.problem.what.split(" are ")[-1].split()[0]) <= 7


def test_a_compressor_that_only_tops_reach_goes_unmentioned(mole: Path, tmp_path: Path) -> None:
    """A ratio of 1.5 above 6 dB below the peak takes 2 dB off the hardest: playing might."""
    assert () == findings(mole, tmp_path / "session",
                          lambda each, x, rate: squashed(x, rate, 6.0, 1.5) if each == "Snare Top" else x)


@pytest.mark.parametrize(("name", "ppm"), [("Snare Top", 50.0), ("OH R", -80.0)])
def test_a_clock_of_its_own(mole: Path, tmp_path: Path, name: str, ppm: float) -> None:
    """Within a fifth of its true drift, and to the side to which it drifts."""
    (found,) = findings(mole, tmp_path / "session", lambda each, x, _: stretched(x, ppm) if each == name else x)

    words = found.problem.what.split()
    assert (Harm.WRONG, f"mole/{name}") == (found.harm, found.problem.where)
    assert abs(ppm) == pytest.approx(float(words[words.index("ppm,") - 1]), rel=0.2)
    assert ("later" if ppm > 0 else "earlier") in words


def test_gain_that_was_moved_far_is_told_of_its_mic_alone(mole: Path, tmp_path: Path) -> None:
    """12 dB in one overhead: none of the others, which are held against it, has moved."""
    def change(name: str, x: Floats, _: int) -> Floats:
        return np.where(np.arange(len(x)) < len(x) // 2, x / 4, x) if name == "OH L" else x

    (found,) = findings(mole, tmp_path / "session", change)

    assert "mole/OH L" == found.problem.where
    assert "was turned up by some 12 dB" in found.problem.what


def test_samples_that_a_mic_lost(mole: Path, tmp_path: Path) -> None:
    """A buffer of 128 samples in the middle: 2.9 ms at 44.1 kHz, found by the next hit."""
    def change(name: str, x: Floats, _: int) -> Floats:
        middle = len(x) // 2
        return np.concatenate([x[:middle], x[middle + 128 :], np.zeros(128)]) if name == "Snare Top" else x

    (found,) = findings(mole, tmp_path / "session", change)

    middle_s = (HITS * 3 * APART_S + 5) / 2
    assert (Harm.WRONG, "mole/Snare Top") == (found.harm, found.problem.where)
    assert 128 / 44.1 == pytest.approx(float(found.problem.what.split()[1]), abs=0.1)
    assert middle_s == pytest.approx(found.at_s[0], abs=4.0)
