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
from oneshot.synth.kits import FLOOR, FLOOR_TOM, KICK_OUT, OH_L, OH_R, ROOM_L, SNARE, SNARE_TOP
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


def test_a_coincident_pair_is_as_far_from_every_drum(tmp_path: Path) -> None:
    """Two mics at one place, aimed apart (common practice, no source): within 1 cm of each other for every drum, so
    that the first notch of their sum, at 1/(2t) (any textbook of acoustics), lies above 17 kHz.
    """
    pair = tuple(MicPlan(f"OH {side}", (0.1, -0.3, 1.9), (aim, -0.3, 0.6)) for side, aim in (("L", -0.6), ("R", 0.8)))
    found = of(tmp_path / "s", (*MICS[:2], *pair, replace(FLOOR_TOM, name="Floor")), SNARES, FLOORS)

    assert {"snare", "floor"} <= set(found["OH L"])
    for drum, left in found["OH L"].items():
        assert left.ms == pytest.approx(found["OH R"][drum].ms, abs=0.029)


@pytest.mark.parametrize(("air_c", "ms"), [(0.0, 3.0185), (30.0, 2.8653)])
def test_a_metre_takes_as_long_as_the_air_is_cold(tmp_path: Path, air_c: float, ms: float) -> None:
    """343.2 m/s times the root of T/293.15 K (ISO 9613-1): two mics a metre apart in line with the drum hear it so much
    apart, within 3 cm of way.
    """
    x, y, z = SNARE.place
    above = tuple(MicPlan(name, (x, y, z + way), SNARE.place, pattern="omni")
                  for name, way in (("OH 1", 1.0), ("OH 2", 2.0)))
    plan = replace(PIER, mics=(*MICS[:2], *above), room=replace(PIER.room, temperature_c=air_c))
    write_session(tmp_path / "s", plan, (slate("take", (SNARES,)),), seed=4)
    session = open_session(tmp_path / "s")
    found = distances(surveyed(tmp_path / "s", session.takes[0], jobs=1, progress=lambda *_: None))

    assert ms == pytest.approx(found["OH 2"]["snare"].ms - found["OH 1"]["snare"].ms, abs=0.09)


def test_of_noise_and_few_hits_nothing_is_said(tmp_path: Path) -> None:
    """Three hits are too few; and where preamps hiss 20 dB below the hits, none is clear."""
    few = of(tmp_path / "few", MICS, (*SNARES[:4], 3, 0.9))
    hissing = of(tmp_path / "hiss", tuple(replace(mic, noise_dbfs=-30.0) for mic in MICS), SNARES)

    assert [{}] * 5 == list(few.values()) == list(hissing.values())
