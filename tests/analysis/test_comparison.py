"""Mics and takes side by side: like strength only, levels matched, figures that can be checked by hand."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from command_line import main_code
from short_sessions import sound
from stage_inputs import RATE, Pier, hit, noise
from stroke_sessions import sums

from oneshot.analysis import comparison
from oneshot.audio.io import read_audio
from oneshot.audio.loudness import momentary_max_lufs, true_peak_dbtp


def test_only_strokes_of_like_strength_are_compared() -> None:
    """Two takes that share one level of three: that level, from both; an ornament and a stroke with a partner are none
    of them.
    """
    hits = [hit(n, level_db=level, take=take) for n, (level, take) in enumerate(
        [(-10, "a"), (-10.5, "a"), (-9.5, "a"), (-20, "a"), (-20.4, "b"), (-30, "b"), (-30.2, "b"), (-30.1, "b")])]
    found = comparison.of_similar_level(hits)

    assert {"a": [3], "b": [4]} == {take: [h.id for h in mine] for take, mine in found.items()}
    assert {} == comparison.of_similar_level([replace(hits[0], level_db=None)])
    assert {} == comparison.of_similar_level([])


def test_the_stroke_that_most_takes_have_is_compared() -> None:
    """A rim shot of one take, though more frequent, gives way to the centre that both have."""
    hits = [hit(n, articulation="rim", take="a") for n in range(5)]
    hits += [hit(10, articulation="centre", take="a"), hit(11, articulation="centre", take="b"), hit(12, drum="kick")]

    assert {"kick": "hit", "snare": "centre"} == comparison.usual_ways(hits)


def test_the_cleanest_strokes_are_read_and_unclean_ones_are_marked() -> None:
    """In the mic that is looked at; where none is clean, the best there are."""
    hits = [hit(n, bleed_db={"Top": -30.0 + n, "Far": -5.0 + n / 10, "Dead": None}) for n in range(25)]

    for mic, clean in (("Top", True), ("Far", False)):
        found, marked = comparison.cleanest(hits, mic)
        assert (list(range(8)), clean) == ([h.id for h in found], marked)
    assert ([], False) == comparison.cleanest(hits, "Dead")


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_a_sine_stands_in_its_own_octave(rate: int) -> None:
    """1 kHz at -6 dBFS: -9 dBFS rms, all of it in the octave of 1 kHz (IEC 61260-1); bands above half the rate are not
    told.
    """
    x = 0.5 * np.sin(2 * np.pi * 1000 * np.arange(round(0.3 * rate)) / rate)
    found = comparison.view(hit(1), "Top", "close", [x, x], rate, clean=True, noise_dbfs=-90.0)

    assert -9.03 == pytest.approx(found.level_dbfs, abs=0.01)
    assert -6.02 == pytest.approx(found.peak_dbfs, abs=0.01)
    assert 0.0 == pytest.approx(found.bands_db[comparison.NOMINAL.index("1k")], abs=0.001)
    assert max(band for name, band in zip(comparison.NOMINAL, found.bands_db, strict=True)
               if name != "1k" and band is not None) < -60
    assert (rate == 44100) == (found.bands_db[-1] is None)


def test_white_noise_rises_by_three_decibels_an_octave() -> None:
    """Equal power per hertz is twice as much in twice the width; a gain changes the level and nothing else."""
    x = noise(RATE * 2, -20, 1)
    powers = comparison.band_powers(x, RATE)
    found = comparison.view(hit(1), "Top", "close", [x], RATE, clean=True, noise_dbfs=None)
    louder = comparison.view(hit(1), "Top", "close", [4 * x], RATE, clean=True, noise_dbfs=None)

    assert float(np.mean(x**2)) == pytest.approx(powers[0], rel=1e-9)
    assert 3.01 == pytest.approx(found.tilt_db, abs=0.3)
    assert 12.04 == pytest.approx((louder.level_dbfs or 0) - (found.level_dbfs or 0), abs=0.01)
    assert [pytest.approx(band, abs=1e-9) for band in found.bands_db] == list(louder.bands_db)


def test_silence_has_no_figures() -> None:
    """A dead mic gives no number, and no excerpt."""
    found = comparison.view(hit(1), "Top", "close", [np.zeros(100)], RATE, clean=False, noise_dbfs=None)

    assert (None, None, None) == (found.level_dbfs, found.peak_dbfs, found.tilt_db)
    assert {} == comparison.matching_gains({"a": np.zeros((1, 9000)), "b": np.zeros((1, 0))}, {"a": RATE, "b": RATE})


def test_excerpts_end_before_the_next_stroke_and_are_level() -> None:
    """Four strokes at most, faded at both ends; unlike in level before, alike in loudness after, under the ceiling."""
    strokes = [(noise(RATE, -20, n), 9600) for n in range(6)]
    x = comparison.excerpt(strokes, RATE)
    assert (1, 4 * 9600) == x.shape
    assert float(x[0, 0]) == 0.0
    assert 0.0 == pytest.approx(float(x[0, -1]), abs=1e-9)

    some = {"soft": x * 0.01, "loud": x, "peaky": np.where(np.arange(x.shape[1]) == 5000, 1.0, x * 0.05)}
    gains = comparison.matching_gains(some, dict.fromkeys(some, RATE))
    made = {name: x * 10 ** (gains[name] / 20) for name, x in some.items()}
    levels = [momentary_max_lufs(x, RATE) or 0.0 for x in made.values()]
    assert max(levels) == pytest.approx(min(levels), abs=0.01)
    peaks = [true_peak_dbtp(x, RATE) or 0.0 for x in made.values()]
    assert -3.0 == pytest.approx(max(peaks), abs=0.01)


@pytest.mark.full
def test_a_session_is_compared_and_heard(pier: Pier, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """From the command line: each drum in its own mics and the overheads, the second kick mic softer in the treble;
    excerpts equally loud; the session untouched, a full folder refused.
    """
    before = sums(pier.session)
    assert 0 == main_code("compare", str(pier.session), "--out", str(tmp_path / "out"), "--json", "--jobs", "1")
    record = json.loads(capsys.readouterr().out)

    assert before == sums(pier.session)
    assert {"Kick In", "Kick Out", "OH L", "OH R"} == {v["mic"] for v in record["views"] if v["drum"] == "kick"}
    assert {"Snare Top", "OH L", "OH R"} == {v["mic"] for v in record["views"] if v["drum"] == "snare"}
    assert sorted(record["excerpts"]) == sorted(path.name for path in (tmp_path / "out").iterdir())
    kick = [read_audio(tmp_path / "out" / name) for name in sorted(record["excerpts"]) if name.startswith("kick_")]
    levels = [momentary_max_lufs(x, header.sample_rate) or 0.0 for x, header in kick]
    assert max(levels) == pytest.approx(min(levels), abs=0.05)
    assert 0 == main_code("compare", str(pier.session), "--jobs", "1")
    assert "kick, hit" in capsys.readouterr().out
    assert 1 == main_code("compare", str(pier.session), "--out", str(tmp_path / "out"))
    assert "is not empty" in capsys.readouterr().err
    assert 1 == main_code("compare", str(pier.session), "--out", str(pier.session / "x"))
    assert "inside each other" in capsys.readouterr().err


def test_a_session_without_strokes_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No folder is left behind."""
    sound(tmp_path / "s" / "Kick.wav", frames=480)
    main_code("compare", str(tmp_path / "s"), "--out", str(tmp_path / "out"))

    assert "oneshot: " in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
