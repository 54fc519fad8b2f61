"""Dynamics: mics that compress or were gated are told, and no others."""

from __future__ import annotations

import numpy as np
import pytest

from oneshot.analysis.measurement import compression
from oneshot.core.records.session import Floats, Frames

BANDS = 10


def strokes(slope: tuple[float, ...], count: int = 40, seed: int = 3) -> tuple[Floats, Floats, Frames]:
    """Levels out and in (hits, mics), and kinds: two drums over 20 dB of strength, 1 dB of scatter in each mic."""
    rng = np.random.default_rng(seed)
    strength = rng.uniform(-20, 0, (count, 1))
    into = np.tile(strength, (1, len(slope)))
    out = strength * np.array(slope) + rng.normal(0, 1, into.shape)
    return out, into, np.arange(count) % 2


@pytest.mark.parametrize(("ratio", "told"), [(1.0, False), (0.9, False), (0.6, True), (0.1, True)])
def test_a_mic_that_rises_by_less_than_the_others_compresses(ratio: float, told: bool) -> None:
    """One of four mics rises by ``ratio`` dB per dB: it alone is told, from 0.8 down (common practice, no source)."""
    found = compression.compressing(*strokes((1.0, 1.0, ratio, 1.0)))

    assert [False, False, told, False] == found.tolist()


def test_a_strength_that_was_read_wrong_accuses_nobody() -> None:
    """Strengths drawn out by a quarter make every mic rise by 0.8: all alike, so none compresses."""
    out, into, kind = strokes((1.0, 1.0, 1.0, 1.0))

    assert not compression.compressing(out, into * 1.3, kind).any()


def test_nothing_is_told_of_one_mic_of_few_strokes_or_of_even_ones() -> None:
    """A single mic, seven strokes, or strokes within 1 dB tell no slope: not known, not 1."""
    out, into, kind = strokes((0.3, 1.0, 1.0))

    assert np.isnan(compression.slopes(out[:, :1], into[:, :1], kind)).all()
    assert np.isnan(compression.slopes(out[:7], into[:7], np.zeros(7, np.int64))).all()
    assert np.isnan(compression.slopes(out / 20, into / 20, kind)).all()


def sound(cut_after: int | None) -> Floats:
    """Levels (steps, bands) of 20 strokes 100 steps apart that fade by 0.3 dB a step, cut off to digital black."""
    level = np.full((2000, BANDS), -150.0)
    for at in range(0, 2000, 100):
        fading = -20.0 - 0.3 * np.arange(100)
        if cut_after is not None:
            fading[cut_after:] = -150.0
        level[at : at + 100] = fading[:, None]
    return level


def test_gates_are_told_in_pieces_as_in_a_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    """However few steps are looked at at once, as many sounds break off: eight are enough and seven are not."""
    for steps in (1, 3, 5, 50, 51, 55, 97, 1000):
        monkeypatch.setattr(compression, "PIECE_STEPS", steps)

        assert [True, False, False] == [compression.gated(sound(50)[:length]) for length in (770, 760, 700)]


def test_a_gate_is_told_by_sounds_that_break_off() -> None:
    """Strokes cut to digital black 50 steps in were gated; the same strokes fading 60 dB in 0.6 s were not."""
    assert compression.gated(sound(50))
    assert not compression.gated(sound(None))


def test_one_edit_is_no_gate() -> None:
    """A track whose sound breaks off once, at its end, is as recorded."""
    level = sound(None)
    level[1850:] = -150.0

    assert not compression.gated(level)


def test_silence_is_no_gate() -> None:
    """A mic that is digitally silent throughout breaks nothing off."""
    assert not compression.gated(np.full((2000, BANDS), -150.0))
