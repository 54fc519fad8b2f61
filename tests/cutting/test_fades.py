"""Cutting: windows that lie over each other, fades that touch nothing they should not, tails that end in the noise."""

from __future__ import annotations

import math

import numpy as np
import pytest

from oneshot.audio.descriptors import decay, fundamental_hz, ring_kept_db, tail_end
from oneshot.config.recipe import Cutting
from oneshot.core.records.session import Floats
from oneshot.cutting.fades import ByHand, CutPlan, fade_in_curve, fade_out_curve, plan_cut, pre_frames, render

RATE = 48000


def ring(tau: float, hz: float = 90.0, *, peak: float = 0.5, noise_dbfs: float = -80.0, seconds: float = 4.0,
         seed: int = 1) -> Floats:
    """A decaying partial in steady noise, (frames,), struck at frame 0."""
    time = np.arange(round(seconds * RATE)) / RATE
    noise = 10 ** (noise_dbfs / 20) * np.random.default_rng(seed).standard_normal(len(time))
    return np.asarray(peak * np.exp(-time / tau) * np.sin(2 * np.pi * hz * time) + noise, dtype=np.float64)


def plan(**changes: object) -> CutPlan:
    """A plain cut with some things changed."""
    usual: dict[str, object] = {
        "attack": 100_000, "first": 99_800, "pre": 400, "ends": {"Snare Top": 130_000, "OH L": 150_000},
        "far": {"OH L"}, "limit": None, "take_frames": 1_000_000, "sample_rate": RATE, "cutting": Cutting()}
    return plan_cut(**{**usual, **changes})  # type: ignore[arg-type]


# -------------------------------------------------------------------------------------------------------------- windows


def test_the_longest_lead_of_a_group_sets_the_start_of_all() -> None:
    """Every one-shot of a group has its attack at the same frame, and each at least the pre-roll before its sound."""
    assert 96 + 200 == pre_frames([0, 200, 120], sample_rate=RATE, cutting=Cutting())
    assert 96 == pre_frames([], sample_rate=RATE, cutting=Cutting())
    assert 96 == pre_frames([-30], sample_rate=RATE, cutting=Cutting())


def test_one_wrong_onset_does_not_push_a_group_back() -> None:
    """A lead that no room is large enough for is held at 60 ms."""
    assert 96 + 2880 == pre_frames([150, 40_000], sample_rate=RATE, cutting=Cutting())


def test_a_window_serves_all_mics() -> None:
    """It ends where the longest-ringing mic does, with that mic's fade half way down at that point."""
    cut = plan()

    assert (99_600, 400) == (cut.start, cut.onset_frame)
    assert 150_000 + 7200 == cut.stop
    assert {"Snare Top": 3840, "OH L": 14_400} == dict(cut.fade_outs)
    assert "noise" == cut.ended_by
    assert cut.stop - cut.start == cut.frames


def test_the_fade_in_ends_before_the_first_sound() -> None:
    """Raised-cosine, 1 ms by default, and shorter where the earliest mic leaves less; where it leaves nothing, 0.25 ms,
    so that no file begins with a step; none only where the recipe wants none or leaves no pre-roll.
    """
    assert 48 == plan().fade_in_frames
    assert 20 == plan(first=99_620).fade_in_frames
    assert 12 == plan(first=99_600).fade_in_frames
    assert 12 == plan(first=99_000).fade_in_frames
    assert 0 == plan(first=99_000, cutting=Cutting(fade_in_ms=0)).fade_in_frames
    assert 0 == plan(pre=0, first=100_000).fade_in_frames


@pytest.mark.parametrize("gap_ms", [60, 100, 250, 1000])
def test_the_next_stroke_stays_out_and_the_ring_before_it_stays_in(gap_ms: int) -> None:
    """The window ends 2 ms before the next stroke, and 85 % of the ring stands before the fade's -6 dB point."""
    first = 100_000
    limit = first + gap_ms * RATE // 1000
    cut = plan(attack=first, first=first, limit=limit)
    longest = max(cut.fade_outs.values())

    assert limit - 96 == cut.stop
    assert "next stroke" == cut.ended_by
    assert 0.85 <= (cut.stop - longest / 2 - first) / (limit - first)
    assert min(cut.fade_outs.values()) > 0.004 * RATE


def test_a_stroke_after_the_ring_changes_nothing() -> None:
    """A limit beyond the tail's end leaves the window as it is."""
    assert plan() == plan(limit=500_000)


def test_the_take_and_the_recipe_end_a_window_too() -> None:
    """Nothing is cut beyond the recording, nor longer than asked."""
    assert ("end of take", 140_000) == (plan(take_frames=140_000).ended_by, plan(take_frames=140_000).stop)
    short = plan(cutting=Cutting(longest_s=0.25))
    assert ("longest", 12_000) == (short.ended_by, short.frames)


def test_a_stroke_right_behind_leaves_a_file_that_can_be_rendered() -> None:
    """However near the next stroke, there is a window with the attack in it and fades that fit."""
    for gap in (0, 10, 97, 150):
        cut = plan(limit=100_000 + gap)
        assert cut.stop > 100_000
        assert cut.fade_in_frames + max(cut.fade_outs.values()) < cut.frames


def test_a_hit_at_the_very_start_begins_in_silence() -> None:
    """The start may lie before the take; the reader gives silence there."""
    assert -300 == plan(attack=100, first=90, ends={"Snare Top": 5000}).start


def test_a_cut_without_mics_is_refused() -> None:
    """No mic, no window."""
    with pytest.raises(ValueError, match="at least one mic"):
        plan(ends={})


# ---------------------------------------------------------------------------------------------------------------- fades


def test_fades_are_raised_cosines() -> None:
    """0, 0.146447, 0.5, 0.853553 at 0, ¼, ½, ¾ of 0.5·(1-cos πx), computed; -6.02 dB in the middle."""
    np.testing.assert_allclose([0, 0.146447, 0.5, 0.853553], fade_in_curve(4), atol=1e-6)
    np.testing.assert_allclose([0.853553, 0.5, 0.146447, 0], fade_out_curve(4), atol=1e-6)
    assert pytest.approx(-6.0206, abs=1e-4) == 20 * math.log10(fade_in_curve(400)[200])


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_between_the_fades_integers_are_the_sources_own(bits: int) -> None:
    """Bit for bit; inside the fades rounded to the source's steps; both ends exactly zero."""
    step = 2 ** (32 - bits)
    low, high = -(2 ** 31) // step, 2 ** 31 // step
    x = (np.random.default_rng(2).integers(low, high, (2, 1000)) * step).astype(np.int32)
    out = render(x, fade_in=48, fade_out=200, bits=bits)

    assert np.int32 == out.dtype
    np.testing.assert_array_equal(x[:, 48:800], out[:, 48:800])
    assert not (out % step).any()
    assert not out[:, [0, -1]].any()
    expected = x[:, 24] * 0.5
    assert (np.abs(out[:, 24] - expected) <= step / 2).all()


def test_between_the_fades_floats_are_the_sources_own() -> None:
    """Float samples above full scale, which float files may hold, are kept as they are."""
    x = np.random.default_rng(2).standard_normal((1, 500)) * 3
    out = render(x, fade_in=10, fade_out=100)

    np.testing.assert_array_equal(x[:, 10:400], out[:, 10:400])
    assert np.float64 == out.dtype


def test_the_source_is_left_alone() -> None:
    """Rendering gives a copy."""
    x = np.ones((1, 100))
    render(x, fade_in=10, fade_out=10)

    assert 100 == x.sum()


def test_gain_and_inversion_only_where_asked() -> None:
    """6.02 dB doubles, inversion turns, and full scale is the end of an integer."""
    x = np.array([[256, -512, 2 ** 30, -(2 ** 31)]], dtype=np.int32)

    assert [-512, 1024, -(2 ** 31), 2 ** 31 - 256] == render(
        x, fade_in=0, fade_out=0, gain_db=20 * math.log10(2), inverted=True)[0].tolist()


def test_fades_that_do_not_fit_are_refused() -> None:
    """Two fades never lie over each other."""
    with pytest.raises(ValueError, match="fades of 60 and 50 frames do not fit into 100"):
        render(np.zeros((1, 100)), fade_in=60, fade_out=50)


# ------------------------------------------------------------------------------------------------------------- the tail


def meets(tau: float, noise_dbfs: float, above_db: float = 6.0) -> float:
    """Frame at which the power of ``ring`` plus noise comes down to the noise plus ``above_db``, by arithmetic."""
    rms = math.sqrt(10 ** (above_db / 10) - 1) * 10 ** (noise_dbfs / 20)
    return RATE * tau * math.log(0.5 / math.sqrt(2) / rms)


@pytest.mark.parametrize("tau", [0.03, 0.1, 0.3])
@pytest.mark.parametrize("noise_dbfs", [-80.0, -60.0, -45.0])
def test_a_tail_ends_where_it_meets_the_noise(tau: float, noise_dbfs: float) -> None:
    """Within 20 ms of where an exponential decay of known length meets a noise of known level."""
    found = tail_end(ring(tau, noise_dbfs=noise_dbfs), sample_rate=RATE, noise_rms=10 ** (noise_dbfs / 20), above_db=6)

    assert pytest.approx(meets(tau, noise_dbfs), abs=0.02 * RATE) == found


def test_the_attack_may_lie_inside() -> None:
    """What comes before the attack does not move the end."""
    x = np.concatenate([np.zeros(5000), ring(0.1)])

    assert 5000 + tail_end(x[5000:], sample_rate=RATE, noise_rms=1e-4, above_db=6) == tail_end(
        x, sample_rate=RATE, noise_rms=1e-4, above_db=6, attack=5000)


def test_a_beating_tail_goes_on() -> None:
    """Two partials 4 Hz apart go silent every quarter second; the tail ends after the last clear swell."""
    time = np.arange(4 * RATE) / RATE
    beat = 0.25 * np.exp(-time / 0.5) * (np.sin(2 * np.pi * 90 * time) + np.sin(2 * np.pi * 94 * time))
    noise = 1e-3 * np.random.default_rng(3).standard_normal(len(time))
    found = tail_end(beat + noise, sample_rate=RATE, noise_rms=1e-3, above_db=6)

    clear = max(t for t in 0.25 * np.arange(16) if 0.5 * math.exp(-t / 0.5) / math.sqrt(2) > 2e-3 * math.sqrt(2))
    assert clear < found / RATE < clear + 0.5


def test_a_knock_in_the_noise_does_not_prolong_a_tail() -> None:
    """A short noise a second after the tail has gone is not its ring."""
    x = ring(0.05, noise_dbfs=-60)
    end = tail_end(x, sample_rate=RATE, noise_rms=1e-3, above_db=6)
    x[2 * RATE:2 * RATE + 200] += 0.1

    assert end == tail_end(x, sample_rate=RATE, noise_rms=1e-3, above_db=6)


def test_rumble_does_not_prolong_a_tail() -> None:
    """Noise below 40 Hz wavers by several dB within 20 ms windows; the end stays within 150 ms of the steady case."""
    from scipy import signal

    low = signal.butter(4, 40, fs=RATE, output="sos")
    rumble = signal.sosfilt(low, np.random.default_rng(5).standard_normal(4 * RATE))
    rumble *= 1e-3 / np.sqrt(np.mean(rumble ** 2))
    found = tail_end(ring(0.1, noise_dbfs=-200) + rumble, sample_rate=RATE, noise_rms=1e-3, above_db=6)

    assert pytest.approx(meets(0.1, -60), abs=0.15 * RATE) == found


def test_a_tail_without_end_and_a_hit_without_level() -> None:
    """Cut before it has decayed: the whole length. Below the noise: no tail at all. Nothing: nothing."""
    assert 4800 == tail_end(ring(1.0)[:4800], sample_rate=RATE, noise_rms=1e-4, above_db=6)
    assert 0 == tail_end(ring(0.1, peak=1e-5), sample_rate=RATE, noise_rms=1e-4, above_db=6)
    assert 0 == tail_end(np.zeros(0), sample_rate=RATE, noise_rms=1e-4, above_db=6)


def test_digital_silence_ends_a_tail_too() -> None:
    """Without any noise the tail ends at 16 bits' last step plus the margin, not never."""
    found = tail_end(ring(0.1, noise_dbfs=-300), sample_rate=RATE, noise_rms=0.0, above_db=6)

    assert pytest.approx(RATE * 0.1 * math.log(0.5 / math.sqrt(2) / (2 ** -16 * 2)), abs=0.02 * RATE) == found


# ------------------------------------------------------------------------------------------------------------- measures


@pytest.mark.parametrize("tau", [0.03, 0.1, 0.3])
@pytest.mark.parametrize("noise_dbfs", [-90.0, -60.0, -50.0])
def test_decay_is_the_reverberation_time_of_an_exponential(tau: float, noise_dbfs: float) -> None:
    """ISO 3382-1: an amplitude of exp(-t/τ) decays by 60 dB in 6.908·τ; 5 % is the difference that can be heard."""
    found = decay(ring(tau, noise_dbfs=noise_dbfs), sample_rate=RATE, noise_rms=10 ** (noise_dbfs / 20))

    assert pytest.approx(6.908 * tau, rel=0.02) == found.best_s
    assert pytest.approx(6.908 * tau, rel=0.05) == found.edt_s
    assert found.t20_s in {None, found.best_s}


def test_a_decay_drowned_in_noise_is_not_measured() -> None:
    """ISO 3382-1 asks for 10 dB of room below the line's end: 15 dB above the noise are not enough for any."""
    assert decay(ring(0.2, noise_dbfs=-24), sample_rate=RATE, noise_rms=10 ** (-24 / 20)).best_s is None
    assert decay(np.zeros(RATE), sample_rate=RATE, noise_rms=1e-4).best_s is None
    assert decay(ring(2.0)[:4000], sample_rate=RATE, noise_rms=1e-4).best_s is None


@pytest.mark.parametrize("hz", [52.3, 98.0, 187.4, 311.1])
def test_the_pitch_of_a_ring_is_found(hz: float) -> None:
    """Within 0.1 Hz of the partial it was made from, with a louder click in front."""
    x = ring(0.15, hz)
    x[:200] += 0.9

    assert pytest.approx(hz, abs=0.1) == fundamental_hz(x, sample_rate=RATE)


def test_the_strongest_partial_counts() -> None:
    """Of two partials the louder one is the drum's."""
    assert pytest.approx(80.0, abs=0.2) == fundamental_hz(ring(0.2, 80) + 0.5 * ring(0.2, 130), sample_rate=RATE)


@pytest.mark.parametrize("seed", range(10))
def test_noise_has_no_pitch(seed: int) -> None:
    """A burst of noise, as of a hat, gives no number."""
    x = np.random.default_rng(seed).standard_normal(RATE) * np.exp(-np.arange(RATE) / 10_000)

    assert fundamental_hz(x, sample_rate=RATE) is None


def test_a_faint_low_partial_is_not_a_cymbals_pitch() -> None:
    """A tone that carries less than a twentieth of the energy is not what is heard."""
    hiss = np.random.default_rng(0).standard_normal(RATE) * 0.3

    assert fundamental_hz(hiss + 0.09 * np.sin(2 * np.pi * 300 * np.arange(RATE) / RATE), sample_rate=RATE) is None


def test_too_short_a_ring_has_no_pitch() -> None:
    """Two periods of the lowest pitch are needed."""
    assert fundamental_hz(ring(0.2)[:3000], sample_rate=RATE) is None


def test_ring_kept_is_the_fall_to_the_middle_of_the_fade() -> None:
    """A decay of 60 dB a second, cut after 0.8 s with a fade of 0.2 s, keeps 42 dB: from 10 ms in to 0.7 s."""
    x = ring(1 / 6.908, noise_dbfs=-200, seconds=0.8)
    found = ring_kept_db(x, sample_rate=RATE, fade_out=round(0.2 * RATE))

    assert pytest.approx(42.0, abs=1.0) == found
    assert ring_kept_db(np.zeros(100), sample_rate=RATE, fade_out=10) is None


# -------------------------------------------------------------------------------------------------------------- by hand


def test_an_end_by_hand_outranks_noise_next_stroke_and_limit() -> None:
    """The window ends so long after the attack, later or earlier than it would; in the take, after the attack."""
    for end in (4800, 60_000):
        cut = plan(limit=110_000, cutting=Cutting(longest_s=0.5), by_hand=ByHand(end=end))

        assert 100_000 + end == cut.stop
        assert "by hand" == cut.ended_by
    assert 101_000 == plan(take_frames=101_000, by_hand=ByHand(end=5000)).stop
    assert "end of take" == plan(take_frames=101_000, by_hand=ByHand(end=5000)).ended_by
    assert 100_000 < plan(by_hand=ByHand(end=0)).stop


def test_fades_by_hand_are_the_same_for_all_mics() -> None:
    """Lengths as told, none included, as far as they leave the attack alone: then they still fit into the window."""
    told = plan(by_hand=ByHand(fade_in=30, fade_out=500))
    none = plan(by_hand=ByHand(fade_in=0, fade_out=0))
    huge = plan(by_hand=ByHand(end=2000, fade_in=10**6, fade_out=10**6))

    assert (30, {500}) == (told.fade_in_frames, set(told.fade_outs.values()))
    assert (0, {0}) == (none.fade_in_frames, set(none.fade_outs.values()))
    assert (huge.onset_frame, {2000}) == (huge.fade_in_frames, set(huge.fade_outs.values()))
    assert huge.frames == huge.fade_in_frames + 2000
