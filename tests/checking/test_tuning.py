"""A drum that goes flat is found, where and by how much; what stays, or rises with how hard it is hit, is fine."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile
from stage_inputs import PIER

from oneshot.checking.finding import Finding, Harm
from oneshot.checking.run import checked
from oneshot.session.open import open_session
from oneshot.synth import write_session
from oneshot.synth.plans import KitPlan, Stroke, TakePlan

HITS, APART_S, BREAK_S = 20, 0.9, 4.0
MIDDLE_S = 1.0 + HITS * APART_S + BREAK_S - 1.0
"""A second before the second half begins; every take has one of lead."""
NAMES = ("Kick In", "Snare Top", "Floor Tom", "OH L")
REED = replace(PIER, name="reed", mics=tuple(replace(mic, file=None) for mic in PIER.mics if mic.name in NAMES))


def half_by_half() -> TakePlan:
    """Ten hits of floor tom and snare each, soft and hard in any order, a break, and as many again."""
    rng = np.random.default_rng(4)
    return TakePlan("reed", tuple(
        Stroke(APART_S * k + (BREAK_S if k >= HITS else 0.0), *(("floor", "hit"), ("snare", "centre"))[k % 2],
               strength_db=float(rng.uniform(-15, 0))) for k in range(2 * HITS)))


def retuned(plan: KitPlan, drum: str, cents: float) -> KitPlan:
    """The kit with one drum of another pitch."""
    by = 2 ** (cents / 1200)
    return replace(plan, drums=tuple(replace(each, tune_hz=each.tune_hz * by) if each.name == drum else each
                                     for each in plan.drums))


def findings(folder: Path, drum: str, cents: float) -> tuple[Finding, ...]:
    """What is found in a take whose second half was played with a drum of another pitch."""
    for name, plan in (("session", REED), ("later", retuned(REED, drum, cents))):
        write_session(folder / name, plan, (half_by_half(),), seed=3)
    for path in sorted((folder / "session").rglob("*.wav")):
        (first, rate), (then, _) = (soundfile.read(each, dtype="float64")
                                    for each in (path, folder / "later" / path.relative_to(folder / "session")))
        at = round(MIDDLE_S * rate)
        soundfile.write(path, np.concatenate([first[:at], then[at:]]), rate, "PCM_24")
    return checked(open_session(folder / "session"), jobs=1, progress=lambda *_: None).findings


def test_a_drum_that_went_flat(tmp_path: Path) -> None:
    """25 cents, from the first hit after the break on, and nothing of the snare, which stayed."""
    (found,) = findings(tmp_path, "floor", -25.0)

    words = found.problem.what.split()
    assert (Harm.POOR, "reed/Floor Tom") == (found.harm, found.problem.where)
    assert ("flat", True) == (words[5], abs(float(words[3]) - 25.0) <= 5.0)
    assert MIDDLE_S <= found.at_s[0] <= MIDDLE_S + 4 * APART_S


def test_a_drum_that_keeps_its_pitch(tmp_path: Path) -> None:
    """Of 5 cents, which nobody hears, and of what rises with how hard a drum is hit, nothing is said."""
    assert () == findings(tmp_path, "floor", -5.0)


def test_an_overhead_is_no_drum(tmp_path: Path) -> None:
    """One mic over two toms of 200 and 209 Hz, one played after the other: nothing goes sharp."""
    rate, at = 48000, np.arange(24000) / 48000
    rng = np.random.default_rng(6)
    x = rng.normal(size=36 * rate) * 1e-5
    for n in range(32):
        hit = np.sin(2 * np.pi * (200.0 if n < 16 else 209.0) * at) * np.exp(-at / 0.15)
        first = rate + n * rate + int(rng.integers(rate // 10))
        x[first : first + len(hit)] += float(rng.uniform(0.1, 0.5)) * hit
    soundfile.write(tmp_path / "Overhead.wav", x, rate, "PCM_24")

    found = checked(open_session(tmp_path), jobs=1, progress=lambda *_: None).findings
    assert not [each for each in found if "sharp" in each.problem.what]
