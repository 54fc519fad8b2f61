"""Distances: a drum's own hits alone say how far it is, and of what is not clear nothing is said."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from stage_inputs import PIER

from oneshot.checking.distances import Distances, distances
from oneshot.checking.survey import surveyed
from oneshot.session.open import open_session
from oneshot.synth import slate, write_session
from oneshot.synth.kits import FLOOR, KICK_OUT, OH_L, OH_R, ROOM_L, SNARE, SNARE_TOP
from oneshot.synth.plans import MicPlan

MICS = (replace(KICK_OUT, name="Kick"), replace(SNARE_TOP, name="Snare"), OH_L, OH_R, replace(ROOM_L, name="Room"))
KICKS = ("kick", "hit", -16.0, 0.0, 9, 0.9)
SNARES, FLOORS = ("snare", "centre", -16.0, 0.0, 9, 0.9), ("floor", "hit", -16.0, 0.0, 9, 1.2)


def of(folder: Path, mics: tuple[MicPlan, ...], *rows: tuple[str, str, float, float, int, float]) -> Distances:
    """What is measured in a generated take."""
    plan = replace(PIER, mics=mics, drums=(*PIER.drums[:1], SNARE, FLOOR))
    write_session(folder, plan, (slate("take", rows),), seed=4)
    session = open_session(folder)
    return distances(surveyed(folder, session.takes[0], jobs=1, progress=lambda *_: None))


def test_a_drum_without_a_mic_is_not_taken_for_another(tmp_path: Path) -> None:
    """As many hits of a floor tom that no mic stands at: they belong to the kick's mic or the snare's, and the snare
    is where it is, to 3 cm; the kick is where it is when no tom is played.
    """
    found = of(tmp_path / "s", MICS, KICKS, SNARES, FLOORS)
    without = of(tmp_path / "without", MICS, KICKS, SNARES)

    for mic in MICS[2:]:
        ways = [float(np.linalg.norm(np.subtract(each.place, SNARE.place))) for each in (mic, MICS[1])]
        delay = found[mic.name]["snare"]
        assert delay.clear
        assert delay.ms * 0.3432 == pytest.approx(ways[0] - ways[1], abs=0.03)
        assert found[mic.name]["kick"].ms == pytest.approx(without[mic.name]["kick"].ms, abs=0.09)


def test_of_noise_and_few_hits_nothing_is_said(tmp_path: Path) -> None:
    """Three hits are too few; and where preamps hiss 20 dB below the hits, none is clear."""
    few = of(tmp_path / "few", MICS, (*SNARES[:4], 3, 0.9))
    hissing = of(tmp_path / "hiss", tuple(replace(mic, noise_dbfs=-30.0) for mic in MICS), SNARES)

    assert [{}] * 5 == list(few.values()) == list(hissing.values())
