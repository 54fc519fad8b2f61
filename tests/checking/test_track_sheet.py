"""The track sheet: what a mic is by its name and its user, and what was measured in it, nothing else."""

from __future__ import annotations

import csv
import io
import json
import shutil
from pathlib import Path

import pytest
import soundfile
from command_line import main_code
from stage_inputs import Pier

from oneshot.checking.run import checked
from oneshot.checking.track_sheet import Polarity, Track
from oneshot.core.air import speed_of_sound
from oneshot.kit.release import pack_session
from oneshot.session.open import open_session

NOTES = '[mics."Kick In"]\nnote = "Boundary layer, on a pillow"\n# a remark of mine\n[mics."OH L"]\nnote = "="\n'


@pytest.fixture
def noted(pier: Pier, tmp_path: Path) -> Path:
    """The pier with notes on two mics."""
    shutil.copytree(pier.session / "pier", tmp_path / "noted" / "pier")
    (tmp_path / "noted" / "session.toml").write_text(NOTES, encoding="utf-8")
    return tmp_path / "noted"


@pytest.fixture
def quiet_mic(pier: Pier, tmp_path: Path) -> Path:
    """The pier, its right overhead silent."""
    shutil.copytree(pier.session / "pier", tmp_path / "quiet" / "pier")
    path = tmp_path / "quiet" / "pier" / "OH.wav"
    x, rate = soundfile.read(path, dtype="float64")
    x[:, 1] = 0.0
    soundfile.write(path, x, rate, "PCM_24")
    return tmp_path / "quiet"


def sheet(session: Path) -> dict[str, Track]:
    """Mic -> its row."""
    (tracks,) = checked(open_session(session), jobs=1, progress=lambda *_: None).tracks.values()
    return {track.mic.name: track for track in tracks}


def test_polarity_is_told_where_it_was_measured(pier: Pier) -> None:
    """The second kick mic is inverted; the overheads are alike; mics that stand alone at their drum have none."""
    found = {name: track.polarity for name, track in sheet(pier.session).items()}

    assert {"Kick In": None, "Kick Out": Polarity("Kick In", -1), "OH L": None, "OH R": Polarity("OH L", 1),
            "Snare Top": None, "Floor Tom": None} == found


def test_check_shows_the_sheet(noted: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Role, pair, polarity, levels, ways and delays of the drums, and the user's note; for programs likewise."""
    assert 0 == main_code("check", str(noted), "--json")
    rows = {row["mic"]: row for row in json.loads(capsys.readouterr().out)["measured"]["pier"]}
    assert 0 == main_code("check", str(noted))
    text = capsys.readouterr().out
    head = next(line for line in text.splitlines() if "noise dBFS" in line).split()

    assert ["mic", "role", "pair", "polarity", "peak", "dBFS", "noise", "dBFS", "floor,", "m", "(ms)"] == head[:11]
    line = next(line for line in text[text.index("track sheet"):].splitlines() if "Kick Out" in line)
    assert "close kick out" in line
    assert "opposite to Kick In" in line
    assert "Boundary layer, on a pillow" in text
    assert ("OH", "L", {"against": "OH L", "sign": 1}) == (rows["OH L"]["pair"], rows["OH L"]["side"],
                                                           rows["OH R"]["polarity"])
    assert ("Boundary layer, on a pillow", None) == (rows["Kick In"]["note"], rows["Kick Out"]["note"])
    way, delay = rows["OH L"]["path_m"]["snare"], rows["OH L"]["delay_ms"]["snare"]
    assert way == pytest.approx(delay / 1e3 * speed_of_sound(20.0), abs=1e-3)
    assert "snare" in rows["OH L"]["clear"]
    assert NOTES == (noted / "session.toml").read_text(encoding="utf-8")


def test_a_mic_that_nothing_was_measured_in(quiet_mic: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A silent line has dashes, no figures."""
    track = sheet(quiet_mic)["OH R"]
    assert 0 == main_code("check", str(quiet_mic))
    text = capsys.readouterr().out
    line = next(line for line in text[text.index("track sheet"):].splitlines() if line.startswith("  OH R "))

    assert (None, None, None, {}) == (track.measured.peak_dbfs, track.measured.noise_dbfs, track.polarity, track.delays)
    assert ["OH", "R", "overhead", "OH", "R", *("-" * 6)] == line.split()


def test_a_packed_session_holds_the_sheet(noted: Path, tmp_path: Path) -> None:
    """In README.txt and, as columns, in tracks.csv; the note is among the texts to be read before, and none of it runs
    as a formula.
    """
    given = pack_session.prepared(noted, licence="cc0")
    sheets = checked(given.session, jobs=1, progress=lambda *_: None).tracks
    rows = {row["mic"]: row for row in csv.DictReader(io.StringIO(pack_session.table(given, sheets)))}
    text = pack_session.sheet(given, {}, sheets)

    assert ("Kick In", "-1") == (rows["Kick Out"]["polarity_against"], rows["Kick Out"]["polarity_measured"])
    assert ("Boundary layer, on a pillow", "'=") == (rows["Kick In"]["note"], rows["OH L"]["note"])
    assert float(rows["OH L"]["snare_m"]) == pytest.approx(float(rows["OH L"]["snare_ms"]) * 0.3432, abs=2e-3)
    clear = {(mic, drum): row[f"{drum}_clear"] for mic, row in rows.items() for drum in ("kick", "snare", "floor")}
    read = {(track.mic.name, drum): "yes" if delay.clear else "no" for track in sheets["pier"]
            for drum, delay in track.delays.items()}
    assert {"yes", "no"} == set(clear.values())
    assert clear == dict.fromkeys(clear, "") | read
    assert "opposite to Kick In" in text
    assert {("note", "Boundary layer, on a pillow"), ("note", "=")} < set(pack_session.texts_of(given).rows)
