"""Whole sessions compared: one in a computed room whose every distance is known, and a small kit."""

from __future__ import annotations

import contextlib
import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyloudnorm
import pytest
from command_line import main_code
from short_sessions import sound
from stage_inputs import PIER, Pier
from stroke_sessions import sums

from oneshot.analysis.measurement.compression import COMPRESSED_SLOPE
from oneshot.audio.io import read_audio
from oneshot.comparison import PAGE, compare_session, comparison_record
from oneshot.core.air import speed_of_sound
from oneshot.synth import KitPlan, MicPlan, RoomPlan, slate, write_session
from oneshot.synth.kits import CRUSH, FLOOR, FLOOR_TOM, SNARE, SNARE_TOP
from oneshot.synth.scene import Scene

AIR_C = 8.0


def above(name: str, metres: float) -> MicPlan:
    """A mic that hears alike from all sides, so far above the floor tom, whose head alone sounds."""
    x, y, z = FLOOR.place
    return MicPlan(name, (x, y, z + metres), FLOOR.place, pattern="omni")


def coincident(name: str, aim: float) -> MicPlan:
    """One of two mics at one place, aimed apart."""
    return MicPlan(name, (0.1, -0.3, 1.9), (aim, -0.3, 0.6))


FIELD = KitPlan("field", RoomPlan((40, 40, 40), (-20, -20, -20), ((1000.0, 0.02),), AIR_C), (SNARE, FLOOR),
                (SNARE_TOP, FLOOR_TOM, coincident("OH L", -0.6), coincident("OH R", 0.8), above("Room 1", 1.0),
                 above("Room 2", 2.0)))
"""Two drums in the open, more or less: nothing comes back from walls, floor or ceiling for a tenth of a second."""


def apart(mic: str) -> float:
    """Metres from the middle of the floor tom to a mic."""
    place = next(each.place for each in FIELD.mics if each.name == mic)
    return float(np.linalg.norm(np.subtract(place, FLOOR.place)))


@pytest.fixture(scope="module")
def field(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What is found of the field."""
    folder = tmp_path_factory.mktemp("field") / "session"
    write_session(folder, FIELD, (slate("field", (("snare", "centre", -16.0, 0.0, 8, 0.9),
                                                  ("floor", "hit", -16.0, 0.0, 8, 1.2))),), seed=3)
    (folder / "session.toml").write_text(f"air_c = {AIR_C}\n", encoding="utf-8")
    found: dict[str, Any] = comparison_record(compare_session(folder, progress=lambda stage, share: None))
    return found


def view(found: dict[str, Any], drum: str, mic: str) -> dict[str, Any]:
    """A drum's figures in a mic."""
    return next(each for each in found["views"] if each["drum"].startswith(drum) and each["mic"] == mic)


@pytest.mark.full
def test_delays_are_distances_at_the_temperature_of_the_air(field: dict[str, Any]) -> None:
    """ISO 9613-1: 343.2 m/s times the root of T/293.15 K, so 2.97 ms a metre at 8 °C; a metre is one within 5 cm, as
    strokes fall beside the middle.
    """
    for mic in ("Room 1", "Room 2", "OH L"):
        further = apart(mic) - apart("Floor Tom")
        found = view(field, "floor", mic)

        assert further == pytest.approx(found["path_m"], abs=0.05)
        late = 1000 * further / (343.2 * ((AIR_C + 273.15) / 293.15) ** 0.5)
        assert late == pytest.approx(found["delay_ms"], abs=0.15)
        assert found["path_m"] == pytest.approx(found["delay_ms"] * speed_of_sound(AIR_C) / 1000, abs=0.01)


@pytest.mark.full
def test_twice_the_distance_is_six_decibels(field: dict[str, Any]) -> None:
    """The inverse distance law (any textbook): 6.02 dB from 1 to 2 m, what the desk's gains added taken out."""
    gains = dict(zip([mic.name for mic in FIELD.mics], 20 * np.log10(Scene(FIELD, 3).gains), strict=True))
    level = {mic: view(field, "floor", mic)["level_dbfs"] - gains[mic] for mic in ("Room 1", "Room 2")}

    assert 6.02 == pytest.approx(level["Room 1"] - level["Room 2"], abs=0.2)


@pytest.mark.full
def test_a_coincident_pair_hears_every_drum_at_one_time(field: dict[str, Any]) -> None:
    """Wherever the drum stands (common practice, no source): within 0.05 ms in both, so that no notch lies below
    10 kHz, and they add up. Of two mics a metre apart the notch is where their delay puts it.
    """
    both = [pair for pair in field["pairs"] if (pair["first"], pair["second"]) == ("OH L", "OH R")]
    assert ["floor", "snare"] == sorted(pair["drum"].split("-")[0] for pair in both)
    for pair in both:
        assert 0.0 == pytest.approx(pair["delay_ms"], abs=0.05)
        assert pair["first_notch_hz"] is None or pair["first_notch_hz"] > 10_000
        assert pair["sum_db"] > 2.5
    two = next(pair for pair in field["pairs"]
               if pair["drum"].startswith("floor") and (pair["first"], pair["second"]) == ("Room 1", "Room 2"))
    assert speed_of_sound(AIR_C) / 2 == pytest.approx(two["first_notch_hz"], rel=0.05)


@pytest.fixture(scope="module")
def compared(pier: Pier, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    """The small kit compared from the command line: the folder of its excerpts, and what was told."""
    out = tmp_path_factory.mktemp("compared") / "out"
    before, told = sums(pier.session), io.StringIO()
    with contextlib.redirect_stdout(told):
        assert 0 == main_code("compare", str(pier.session), "--out", str(out), "--json", "--jobs", "1")
    assert before == sums(pier.session)
    record: dict[str, Any] = json.loads(told.getvalue())
    return out, record


@pytest.mark.full
def test_a_session_is_compared_and_heard(compared: tuple[Path, dict[str, Any]], pier: Pier, tmp_path: Path,
                                         capsys: pytest.CaptureFixture[str]) -> None:
    """Each drum in its own mics and the overheads; excerpts of one length and equally loud by an independent meter; the
    second kick mic, inverted, is found so; a full folder and one in the session are refused.
    """
    out, record = compared
    assert {"Kick In", "Kick Out", "OH L", "OH R"} == {v["mic"] for v in record["views"] if v["drum"] == "kick"}
    assert {"Snare Top", "OH L", "OH R"} == {v["mic"] for v in record["views"] if v["drum"] == "snare"}
    assert {*record["excerpts"], PAGE} == {path.name for path in out.iterdir()}
    assert str(out / PAGE) == record["page"]
    for drum in ("kick", "snare"):
        heard = [read_audio(out / name) for name in sorted(record["excerpts"]) if name.startswith(drum)]
        levels = [pyloudnorm.Meter(header.sample_rate, filter_class="DeMan").integrated_loudness(x.T)
                  for x, header in heard]
        assert max(levels) == pytest.approx(min(levels), abs=0.1)
        assert 1 == len({x.shape for x, _ in heard})
    kick = next(p for p in record["pairs"] if p["drum"] == "kick" and p["second"] == "Kick Out")
    assert -1 == kick["best_polarity"]
    assert kick["low_inverted_db"] > kick["low_db"]
    assert record["balance"]["carriers"][-1]["percent"] > 95
    assert {"Kick In", "Kick Out", "Snare Top", "Floor Tom", "OH L", "OH R"} == {mic["mic"] for mic in record["costs"]}
    assert 1 == main_code("compare", str(pier.session), "--out", str(out))
    assert "is not empty" in capsys.readouterr().err
    assert 1 == main_code("compare", str(pier.session), "--out", str(pier.session / "x"))
    assert "inside each other" in capsys.readouterr().err


@pytest.mark.full
def test_the_text_fits_a_terminal(pier: Pier, capsys: pytest.CaptureFixture[str]) -> None:
    """A hundred columns at most; drums, pairs, the balance and what each mic costs."""
    assert 0 == main_code("compare", str(pier.session), "--jobs", "1")
    text = capsys.readouterr().out

    assert max(len(line) for line in text.splitlines()) <= 100
    for part in ("kick, hit", "Kick In and", "Few mics", "Costs"):
        assert part in text


@pytest.mark.full
def test_what_a_compressor_does_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Hits of all strengths in close mics, overheads and a room mic behind a compressor: that one is named, and gives
    less than 8 dB for 10 in the body of every drum, an overhead more; nothing else has anything in its way.
    """
    mics = tuple(mic for mic in PIER.mics if mic.name in {"Kick In", "Snare Top", "OH L", "OH R"})
    rows = (("kick", "hit", -24.0, 0.0, 14, 0.9), ("snare", "centre", -28.0, 0.0, 14, 0.9))
    plan = replace(PIER, drums=PIER.drums[:2], mics=(*mics, CRUSH))
    write_session(tmp_path / "s", plan, (slate("one", rows),), seed=3)
    assert 0 == main_code("compare", str(tmp_path / "s"), "--jobs", "1", "--json")
    found = json.loads(capsys.readouterr().out)

    assert {"Crush": "compressor"} == {v["mic"]: v["dynamics"] for v in found["views"] if v["dynamics"] is not None}
    for drum in ("kick", "snare"):
        assert view(found, drum, "Crush")["body_slope"] < COMPRESSED_SLOPE
        assert view(found, drum, "OH L")["body_slope"] > COMPRESSED_SLOPE


def test_a_session_without_strokes_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No folder is left behind."""
    sound(tmp_path / "s" / "Kick.wav", frames=480)
    main_code("compare", str(tmp_path / "s"), "--out", str(tmp_path / "out"))

    assert "oneshot: " in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
