"""Placing: onsets where strokes fall together, delays over takes, and the polarity of a bottom mic."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import pytest
from stage_inputs import PIER, PIER_TAKE

from oneshot import align, detect
from oneshot.analyse import analyse
from oneshot.found import Analysis
from oneshot.model import Arrivals
from oneshot.session import fingerprint_parts, open_session
from oneshot.store import open_store
from oneshot.synth import write_session

RATE = 48000


# ------------------------------------------------------------------------------------------------- inner steps of align


def test_the_fullest_window_counts() -> None:
    """Delays that agree outvote a larger number that does not, and the spread is theirs alone."""
    middle, spread, count = align.most_agreed(np.array([3.0, 3.01, 3.02, 3.0, 0.1, 0.9, 1.7, 5.0, 6.0]), 0.1)

    assert 3.005 == pytest.approx(middle)
    assert spread < 0.02
    assert 4 == count


def test_of_two_equal_crowds_the_later_counts() -> None:
    """Other strokes only ever come before a drum's own, so of equally many the later ones are right."""
    assert 2.0 == align.most_agreed(np.array([1.0, 1.0, 2.0, 2.0]), 0.1)[0]


def test_only_clear_arrivals_tell_delays() -> None:
    """A delay is given where the hit stands 20 dB clear, in milliseconds after the earliest mic, and NaN elsewhere."""
    arrivals = Arrivals("take 1", np.array([4800]), np.array([[4800, 4944, 5000]]), np.array([[30.0, 20.0, 19.0]]),
                        np.zeros(3))
    found = align.clear_delays_ms(arrivals, RATE)[0]

    assert [0.0, 3.0] == found[:2].tolist()
    assert np.isnan(found[2])


def piece(own_at: int, other_at: int | None, other_db: float = -24.0) -> np.ndarray[Any, np.dtype[np.float32]]:
    """A home mic with a drum's own stroke, and another drum's before it, far softer."""
    x = np.zeros(RATE // 10, np.float32)
    for at, gain, hz in ((own_at, 1.0, 200.0), (other_at, 10 ** (other_db / 20), 5000.0)):
        if at is not None:
            t = np.arange(len(x) - at) / RATE
            x[at:] += (gain * np.exp(-t / 0.02) * np.sin(2 * np.pi * hz * t)).astype(np.float32)
    return x


def test_another_drums_onset_is_not_taken_for_the_own() -> None:
    """A hat 10 ms before a snare, 24 dB down in its mic, is passed over: the snare's own onset is found."""
    quiet = round(align.QUIET_S * RATE)
    found = align.own_onset(piece(quiet + 480, quiet), quiet, RATE)

    assert found is not None
    assert quiet + 480 == pytest.approx(found[0], abs=8)
    assert found[1] < 30


def test_a_right_onset_is_left_alone() -> None:
    """Where nothing came before, the onset that was read stands."""
    quiet = round(align.QUIET_S * RATE)

    assert align.own_onset(piece(quiet, None), quiet, RATE) is None


def test_polarity_is_that_of_most_hits() -> None:
    """A mic that sees a drum from below moves against the one above; hits that disagree tell nothing."""
    rng = np.random.default_rng(5)
    home = [rng.standard_normal(240).astype(np.float32) for _ in range(6)]

    assert 1 == align.polarity([(x, x) for x in home], RATE)
    assert -1 == align.polarity([(x, -0.5 * x) for x in home], RATE)
    assert align.polarity([(x, x if k % 2 else -x) for k, x in enumerate(home)], RATE) is None


# ----------------------------------------------------------------------------------------------- inner steps of detect


def test_candidates_of_one_event_are_one() -> None:
    """The swell of a tom 12 ms after its click is no second hit, a flam's second stroke 25 ms later is."""
    rows = detect.merge_events(np.array([0, 576, 1200]), np.array([6.0, 4.0, 6.0]), RATE)

    assert [0, 2] == rows.tolist()


def test_a_faint_forerunner_gives_way() -> None:
    """What rises less than a quarter as much as the stroke 8 ms later is no event of its own."""
    assert [1] == detect.merge_events(np.array([0, 384]), np.array([1.0, 8.0]), RATE).tolist()
    assert [0] == detect.merge_events(np.array([0, 384]), np.array([4.0, 8.0]), RATE).tolist()


def test_an_echo_does_not_end_a_hit() -> None:
    """A hit's time runs to the next candidate that rises at least a third as much."""
    stop = detect.next_strong(np.array([0, 1000, 5000]), np.array([9.0, 2.0, 8.0]))

    assert [5000, 5000] == stop[:2].tolist()
    assert stop[2] > 10**12


# ----------------------------------------------------------------------------------------------------- whole sessions


@pytest.fixture(scope="module")
def together(tmp_path_factory: pytest.TempPathFactory) -> tuple[Analysis, dict[str, Any]]:
    """A slate, and a take in which a soft kick falls 4 ms before each of its last snares, with what is known of it."""
    folder = tmp_path_factory.mktemp("together") / "session"
    snares = [s for s in PIER_TAKE.strokes if s.drum == "snare"][-4:]
    first = snares[0].at_s - 1.0
    moved = [replace(s, at_s=s.at_s - first) for s in snares]
    kicks = [replace(s, drum="kick", articulation="hit", at_s=s.at_s - 0.004, strength_db=-20.0) for s in moved]
    both = replace(PIER_TAKE, name="together", strokes=tuple(sorted((*moved, *kicks), key=lambda s: s.at_s)))
    known = write_session(folder, PIER, (PIER_TAKE, both), seed=6)
    session = open_session(folder)
    found = analyse(session, store=open_store(fingerprint_parts(session)), jobs=1, progress=lambda stage, share: None)
    return found, known["together"]


def test_each_drum_has_its_own_onset(together: tuple[Analysis, dict[str, Any]]) -> None:
    """Of strokes 4 ms apart, the row of the louder drum begins where that drum begins in its own mic."""
    found, known = together
    rows = [h for h in found.hits if h.take == "together" and h.drum == "snare"]
    truth = [t for t in known["hits"] if t["drum"] == "snare"]
    off = [min(abs(t["onset"]["Snare Top"] - at) for t in truth) for h in rows
           if (at := h.onsets["Snare Top"]) is not None]

    assert len(rows) >= 3
    assert median(off) <= 0.0005 * known["sr"]


def test_delays_are_shared_by_takes(together: tuple[Analysis, dict[str, Any]]) -> None:
    """A take in which a drum never stands alone uses the delays that the other take tells, to 0.3 ms."""
    found, _ = together
    slate, other = found.delays_ms[PIER_TAKE.name]["snare"], found.delays_ms["together"]["snare"]
    both = [(slate[m], other[m]) for m in slate if m in other]

    assert len([pair for pair in both if None not in pair]) >= 3
    for first, second in both:
        if first is not None and second is not None:
            assert first == pytest.approx(second, abs=0.3)


def test_home_mics_are_their_own_reference(together: tuple[Analysis, dict[str, Any]], tmp_path: Path) -> None:
    """Against itself a home mic has no delay, and polarity 1."""
    found, _ = together
    for drum in found.drums:
        for take, rows in found.delays_ms.items():
            if drum.name in rows:
                assert rows[drum.name][drum.home] == pytest.approx(0.0, abs=1e-9)
                assert found.polarity[take][drum.home] == 1
