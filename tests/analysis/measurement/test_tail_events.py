"""Later: what else is heard in tails, on rings of which everything is known; and grades over whole files."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest
from held_out import whole_files
from known_strokes import Alone
from stage_inputs import bare_analysis, hit

from oneshot import pipeline
from oneshot.analysis.measurement.envelopes import Windows
from oneshot.analysis.measurement.tail_events import Tails, tails
from oneshot.analysis.records import Played, TakeScan
from oneshot.analysis.result import Analysis, LaterSound
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Mic
from oneshot.synth import family, write_session

RATE, HOP, BANDS, SECONDS = 48000, 128, 10, 6.0
NOISE_DB, PEAK_DB = -90.0, -10.0
SNARE_TOP, ROOM = Mic("Snare Top", Role.CLOSE, drum="snare"), Mic("Room", Role.ROOM)


def heard(level_db: Callable[[Floats], Floats], next_s: float | None = None) -> Tails:
    """What is heard after a stroke at 0.5 s in one mic, whose bands all have this level (dB) at a time after it (s),
    over noise at -90 dB; ``next_s``: when the next stroke comes.
    """
    at = np.arange(round(SECONDS * RATE / HOP)) * HOP / RATE
    power = np.where(at >= 0.5, 10 ** (level_db(at - 0.5) / 10), 0.0) + 10 ** (NOISE_DB / 10)
    level = np.repeat((10 * np.log10(power))[None, :, None], BANDS, axis=2).astype(np.float16)
    scan = TakeScan("t", RATE, HOP, level, np.full((1, BANDS), NOISE_DB), np.zeros((1, 1, 2), np.float32),
                    np.ones(1, np.float32), np.zeros(1, np.int64), np.zeros(1, np.int64))
    start = np.array([0.5, *([] if next_s is None else [0.5 + next_s])]) * RATE / HOP
    played = Played(scan, start, start[:, None].astype(np.int64), np.ones((len(start), 1)),
                    np.zeros(len(start), np.int64), np.zeros((len(start), 1, BANDS)), np.zeros(1, np.int64),
                    np.zeros(len(start), np.int64))
    empty = {f.name: np.zeros((len(start), 1)) for f in fields(Windows)}
    peak = np.full((len(start), 1), 10 ** (PEAK_DB / 10) * BANDS)
    return tails(played, Windows(**{**empty, "own_peak": peak}))


def ring(since: Floats) -> Floats:
    """A ring that falls by 60 dB in 2 s."""
    return PEAK_DB - 30.0 * since


def knocked(at_s: float, level_db: float) -> Callable[[Floats], Floats]:
    """That ring, and a knock of 100 ms in it."""
    return lambda since: np.where((since >= at_s) & (since < at_s + 0.1), np.maximum(ring(since), level_db),
                                  ring(since))


def test_a_knock_in_a_tail_is_heard_where_it_is_and_as_loud_as_it_is() -> None:
    """A knock 1.5 s after the stroke, in each band 20 dB below it: within 55 ms, and against the hit's loudest 55 ms as
    its loudest band is (10 dB less for ten bands alike).
    """
    found = heard(knocked(1.5, PEAK_DB - 20.0)).sounds[0, 0]

    assert pytest.approx(2.0, abs=0.056) == found[0].frame / RATE
    assert pytest.approx(-30.0, abs=0.5) == found[-1].level_db


def test_a_ring_alone_holds_nothing_else() -> None:
    """Of a ring, falling or beating four times a second by 20 dB, nothing is something else; nor is its noise."""
    beating = heard(lambda since: ring(since) + 10 * np.log10(np.maximum(np.cos(4 * np.pi * since) ** 2, 0.01)))

    assert {} == heard(ring).sounds
    assert {} == beating.sounds


def test_what_lies_below_the_ring_is_not_heard() -> None:
    """A knock 6 dB below the ring changes nothing that could be told from the ring."""
    assert {} == heard(knocked(1.0, PEAK_DB - 36.0)).sounds


def test_the_next_stroke_is_none_of_it() -> None:
    """Tails are followed up to 22 ms before the next stroke: that one is a hit of its own."""
    found = heard(lambda since: np.where(since >= 1.5, PEAK_DB, ring(since)), next_s=1.5)

    assert (0, 0) not in found.sounds


def test_a_ring_is_over_where_it_meets_the_noise() -> None:
    """A ring of 80 dB over the noise that falls by 30 dB a second comes within 6 dB of it after 2.47 s."""
    assert pytest.approx(0.5 + 74 / 30, abs=0.06) == heard(ring).over[0, 0] / RATE


@pytest.mark.full
def test_grades_hold_over_whole_files_with_talk_in_their_tails(tmp_path: Path) -> None:
    """A slate in which somebody talks, clicks sticks and knocks at stands while drums ring: every file graded A to C is
    as clean as that from its start to its end, held against the strokes as they were rendered.
    """
    planned = family()["outsiders"]
    truth = write_session(tmp_path / "session", *planned, seed=1)
    pipeline.build(tmp_path / "session", tmp_path / "kit", jobs=1)
    manifest = json.loads((tmp_path / "kit" / "manifest.json").read_text(encoding="utf-8"))
    found = list(whole_files(manifest, truth["take 1"], "take 1", tmp_path, Alone("outsiders", "take 1",
                                                                                 truth["take 1"])))

    assert 20 < sum(each.grade != "D" for each in found)
    assert [] == [each for each in found if each.false]
    assert "other sound" in {shot["ended_by"] for shot in manifest["one_shots"]}


def known(*sounds: LaterSound, worst_db: float = -60.0) -> Analysis:
    """A snare stroke at frame 0, clean in its first 400 ms, with something in its tail in both mics."""
    both = ("Snare Top", "Room")
    return replace(bare_analysis([hit(1)]), worst_db={1: dict.fromkeys(both, worst_db)},
                   later={1: dict.fromkeys(both, sounds)}, over={1: dict.fromkeys(both, 96000)})


@pytest.mark.parametrize(("level_db", "local_db", "close", "far"), [
    (-46.0, -20.0, "A", "A"), (-40.0, -20.0, "B", "A"), (-28.0, -20.0, "C", "B"), (-15.0, -20.0, "D", "D"),
    (-46.0, -5.0, "B", "B")])
def test_a_grade_counts_all_that_is_in_the_file(level_db: float, local_db: float, close: str, far: str) -> None:
    """Limits of the manifest's contract hold over the whole file; and what stands 10 dB below the local tail or higher
    leaves no A.
    """
    found = known(LaterSound(48000, level_db, local_db))

    assert {"Snare Top": close, "Room": far} == found.graded(found.hits[0], (SNARE_TOP, ROOM), 72000)


def test_what_comes_after_a_files_end_is_not_in_it() -> None:
    """The same file, ended before the sound, keeps its A."""
    found = known(LaterSound(48000, -15.0, -20.0))

    assert {"Snare Top": "A", "Room": "A"} == found.graded(found.hits[0], (SNARE_TOP, ROOM), 48000)


def test_a_tail_ends_where_talk_begins() -> None:
    """Something loud that stands out of the ring ends files as a next stroke does; what does not stand out only costs
    their grade.
    """
    loud, under = known(LaterSound(48000, -15.0, 12.0)), known(LaterSound(48000, -15.0, -20.0))

    assert 48000 == loud.next_stroke(loud.hits[0], ["Room"], RATE)
    assert under.next_stroke(under.hits[0], ["Room"], RATE) is None
    assert "A" == loud.graded(loud.hits[0], (SNARE_TOP,))["Snare Top"]
