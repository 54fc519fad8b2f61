"""Ringing: what is in a window, on strokes whose every part is known, with bleed that differs from band to band."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from oneshot.analysis.measurement import envelopes as measure_envelopes
from oneshot.analysis.records import STRETCH_STEPS, Played, TakeScan, Templates
from oneshot.core.records.session import Floats

RATE, HOP = 48000, 128
STEPS_S = RATE / HOP
BANDS = 10
NOISE = 1e-9
LOW, HIGH = np.arange(4), np.arange(6, 10)
FALL_DB = np.array([0.12, 0.06])
"""How fast the two drums fade, dB per step: 60 dB in 1.3 and 2.7 s."""


NONE_STANDS = np.zeros((3, 2), bool)
WHOLE = np.ones((2, 1, BANDS))
"""All of every envelope is the stroke's own."""
DRUMS = np.arange(2)


def stroke(drum: int, steps: int) -> Floats:
    """One stroke (steps, bands): the first drum is at home in the low bands, the second in the high ones."""
    spectrum = np.full(BANDS, 1e-5)
    spectrum[LOW if drum == 0 else HIGH] = 1e-2
    return np.asarray(spectrum * 10 ** (-FALL_DB[drum] * np.arange(steps) / 10)[:, None])


def take(played: list[tuple[int, int, float]], steps: int, seed: int | None = None,
         extra: Floats | None = None) -> tuple[Played, list[Floats]]:
    """One mic that hears strokes (step, drum, gain); the strokes as laid out, and what each one alone puts there."""
    alone = []
    for at, drum, gain in played:
        part = np.zeros((steps, BANDS))
        part[at:] = gain * stroke(drum, steps - at)
        alone.append(part)
    total: Floats = np.full((steps, BANDS), NOISE) + (0.0 if extra is None else extra)
    for part in alone:
        total = total + part
    if seed is not None:
        total = total * 10 ** (np.random.default_rng(seed).normal(0, 1.0, total.shape) / 10)
    level = (10 * np.log10(total))[None].astype(np.float16)
    nothing = np.zeros(1)
    scan = TakeScan("t", RATE, HOP, level, np.full((1, BANDS), 10 * np.log10(NOISE)), np.zeros((1, 1, 2), np.float32),
                    np.ones(1, np.float32), nothing.astype(np.int64), nothing.astype(np.int64))
    step = np.array([[at] for at, _, _ in played])
    strengths = np.zeros((len(played), 2))
    for i, (_, drum, strength) in enumerate(played):
        strengths[i, drum] = strength
    kind = np.array([drum for _, drum, _ in played])
    return Played(scan, step[:, 0].astype(np.float64), step, strengths, kind,
                  np.zeros((len(played), 1, BANDS)), np.zeros(1, np.int64), np.zeros(len(played), np.int64)), alone


def kinds() -> Templates:
    """The two drums as the stages before have learned them."""
    energy = np.stack([[stroke(d, 80)[a:b].mean(axis=0) for a, b in STRETCH_STEPS] for d in (0, 1)])
    energy = np.moveaxis(energy, 1, 2)[:, None]
    return Templates(energy, np.zeros_like(energy), np.zeros((2, 1)), np.zeros((2, 1)), np.arange(2), np.full(2, 9))


def bleed_db(windows: measure_envelopes.Windows) -> Floats:
    """Everything else against own (hits,), dB."""
    return np.asarray(10 * np.log10(np.maximum(windows.other.sum(axis=2), 1e-30) / windows.own.sum(axis=2)))[:, 0]


def true_db(alone: list[Floats], i: int, at: int, extra: Floats | None = None) -> float:
    """The same by what was put in: 5 ms before to 200 ms after."""
    window = slice(round(at - 0.005 * STEPS_S), round(at + 0.2 * STEPS_S))
    rest = sum(part[window].sum() for k, part in enumerate(alone) if k != i)
    rest += 0.0 if extra is None else float(extra[window].sum())
    return float(10 * np.log10(rest / alone[i][window].sum()))


LESSONS = [(100 + 900 * n, n % 2, 1.0) for n in range(8)]
"""Strokes that stand alone, to learn from."""


@pytest.mark.parametrize("gap", [20, 60, 150, 300])
@pytest.mark.parametrize("softer_db", [0.0, -12.0])
def test_ring_and_later_strokes_are_told_to_a_decibel(gap: int, softer_db: float) -> None:
    """The ring of an earlier drum in other bands, and a stroke that follows: both as energies sum, within 1.5 dB."""
    last = [(8000, 1, 1.0), (8000 + gap, 0, 10 ** (softer_db / 10)), (8000 + gap + 50, 1, 0.1)]
    played, alone = take([*LESSONS, *last], 9500)
    found = bleed_db(measure_envelopes.split(played, measure_envelopes.learn([played], kinds()), WHOLE, DRUMS))

    for i in (8, 9):
        true = max(true_db(alone, i, last[i - 8][0]), -60.0)
        assert true == pytest.approx(max(found[i], -60.0), abs=1.5)


def test_bleed_keeps_to_its_bands() -> None:
    """The second drum's ring under the first one is found in the high bands, and not in the low ones."""
    played, _ = take([*LESSONS, (8000, 1, 1.0), (8100, 0, 1.0)], 9500)
    found = measure_envelopes.split(played, measure_envelopes.learn([played], kinds()), WHOLE, DRUMS)
    ratio = 10 * np.log10(np.maximum(found.other[-1, 0], 1e-30) / found.own[-1, 0])

    assert ratio[HIGH].min() > 10
    assert ratio[LOW].max() < -20


def test_a_hit_alone_is_clean_and_noise_is_no_bleed() -> None:
    """Strokes that stand alone, scattered by a decibel, are 40 dB clear, down to 30 dB above the noise."""
    soft = [(8000, 0, 1e-3), (8900, 1, 1e-3)]
    played, _ = take([*LESSONS, *soft], 9800, seed=2)
    found = bleed_db(measure_envelopes.split(played, measure_envelopes.learn([played], kinds()), WHOLE, DRUMS))

    assert found[:8].max() < -40
    assert found[8:].max() < -20


def test_a_sound_that_nobody_explained_is_bleed() -> None:
    """A stroke that was missed, 107 ms into the window and in bands where the hit is weak, counts, within 3 dB; so long
    the mic stays clean.
    """
    extra = np.zeros((9500, BANDS))
    extra[8040:8400] = 0.05 * stroke(1, 360)
    played, alone = take([*LESSONS, (8000, 0, 1.0)], 9500, extra=extra)
    windows = measure_envelopes.split(played, measure_envelopes.learn([played], kinds()), WHOLE, DRUMS)

    assert true_db(alone, 8, 8000, extra) == pytest.approx(bleed_db(windows)[8], abs=3.0)
    assert pytest.approx(windows.clean_s[8, 0], abs=0.02) == 40 / STEPS_S


def test_a_ring_that_lasts_longer_than_usual_is_the_hits_own() -> None:
    """A stroke of a drum left to ring, 10 dB above its kind after 200 ms, is no bleed: it only ever falls."""
    longer = 0.5 * stroke(0, 1400) * (10 ** (0.05 * np.arange(1400) / 10) - 1)[:, None].clip(0, 8)
    extra = np.zeros((9500, BANDS))
    extra[8000:9400] = longer
    played, _ = take([*LESSONS, (8000, 0, 1.0)], 9500, extra=extra)

    assert bleed_db(measure_envelopes.split(played, measure_envelopes.learn([played], kinds()), WHOLE, DRUMS))[8] < -20


def test_a_ring_that_goes_on_is_read_over_long() -> None:
    """A cymbal rings on evenly, its bands fluctuating by 4 dB, and nothing is struck for 2 s: what of it lies under the
    next hit is told to 1 dB, whatever its last 11 ms were.
    """
    ring = np.zeros((9500, BANDS))
    ring[5000:, HIGH] = 2e-5 * 10 ** (np.random.default_rng(3).normal(0.0, 4.0, (4500, len(HIGH))) / 10)
    ring[7991:8000, HIGH] *= 0.1
    played, alone = take([*LESSONS, (8000, 0, 1.0)], 9500, extra=ring)
    found = bleed_db(measure_envelopes.split(played, measure_envelopes.learn([played], kinds()), WHOLE, DRUMS))[8]

    assert true_db(alone, 8, 8000, ring) == pytest.approx(found, abs=1.0)


@pytest.mark.parametrize("known", [True, False])
def test_a_thud_ahead_of_a_hit_is_its_own(known: bool) -> None:
    """What begins 9 steps (24 ms) ahead of a hit and fades in a moment, as a pedal does before the plates meet, is not
    the ring of an earlier stroke: where it is known, the hit is clean; where it is not, its level before the hit is
    taken for a ring that goes on.
    """
    extra = np.zeros((9500, BANDS))
    extra[7991:8003] = 3e-3
    played, _ = take([*LESSONS, (8000, 0, 1.0)], 9500, extra=extra)
    played = replace(played, lead=np.array([0] * 8 + [9 if known else 0]))
    found = bleed_db(measure_envelopes.split(played, measure_envelopes.learn([played], kinds()), WHOLE, DRUMS))[8]

    assert found < -30 if known else found > -20


def test_a_mic_that_is_not_there_has_no_figures() -> None:
    """A take without a mic holds NaN for it, not 0."""
    played, _ = take(LESSONS, 9500)
    away = Played(played.scan, played.start, played.step, played.activation, played.template, played.fade_db,
                  np.array([-1]), played.lead)
    found = measure_envelopes.split(away, measure_envelopes.learn([away], kinds()), WHOLE, DRUMS)

    for part in (found.own, found.other_peak, found.clean_s):
        assert np.isnan(part).all()


def test_what_only_a_partner_can_have_put_there_is_not_the_strokes_own() -> None:
    """Of two kinds of one drum, equal in the home mic, one stands 30 dB higher in the highs of a far mic, since a crash
    always falls on it: 6 dB above the other is as much as the way to that mic can vary. In the home mic, for a drum
    with one kind, and without a home mic here, nothing is taken off.
    """
    near = np.repeat(stroke(0, len(measure_envelopes.EDGES) - 1).T[None], 3, axis=0)
    far = 0.1 * near
    far[1, HIGH] *= 1000.0
    envelopes = np.stack([near, far], axis=1)
    share = measure_envelopes.own_share(envelopes, np.array([0, 0, 1]), np.zeros(3, np.int64), NONE_STANDS)

    np.testing.assert_allclose(10 ** -2.4, share[1, 1, HIGH], rtol=1e-9)
    assert 1.0 == share[:, 0].min() == share[[0, 2]].min() == share[1, 1, LOW].min()
    assert 1.0 == measure_envelopes.own_share(envelopes, np.array([0, 0, 1]), np.full(3, -1), NONE_STANDS).min()
    assert 1.0 == measure_envelopes.own_share(envelopes, np.array([0, 0, 1]), np.zeros(3, np.int64), ~NONE_STANDS).min()


def test_a_stroke_with_nothing_else_in_play_is_all_its_own() -> None:
    """A kind of which all but a hundredth is held to be a partner's: a stroke 2.5 s from any other is its own all the
    same; with the other drum half a second away, most of it is not.
    """
    played, _ = take([*LESSONS, (8000, 0, 1.0), (8200, 1, 1.0)], 9500)
    part = np.where(np.arange(2)[:, None, None] == 0, 0.01, np.ones((2, 1, BANDS)))
    found = measure_envelopes.split(played, measure_envelopes.learn([played], kinds()), part, DRUMS)
    rest = found.other.sum(axis=(1, 2)) / found.own.sum(axis=(1, 2))

    assert pytest.approx(0.0, abs=0.05) == rest[0]
    assert 0.5 < rest[8]


def test_blocks_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hits taken three at a time or all at once: the same figures to rounding."""
    played, _ = take([*LESSONS, (8000, 1, 1.0), (8100, 0, 1.0)], 9500)
    envelopes = measure_envelopes.learn([played], kinds())
    whole = measure_envelopes.split(played, envelopes, WHOLE, DRUMS)
    monkeypatch.setattr(measure_envelopes, "BLOCK_HITS", 3)
    parts = measure_envelopes.split(played, envelopes, WHOLE, DRUMS)

    np.testing.assert_allclose(whole.other, parts.other, rtol=1e-9)
    np.testing.assert_allclose(whole.own, parts.own, rtol=1e-9)
