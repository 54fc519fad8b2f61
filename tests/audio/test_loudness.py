"""Levels against the figures that the standards publish: ITU-R BS.1770-5, EBU Tech 3341 version 4 (2023)."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pyebur128
import pytest
from scipy import signal

from oneshot import pipeline
from oneshot.audio.io import read_audio
from oneshot.audio.loudness import (
    Meter,
    TruePeak,
    integrated_lufs,
    k_weighting,
    measure,
    momentary_max_lufs,
    sample_peak_dbfs,
    true_peak_dbtp,
)
from oneshot.core.records.session import Floats
from oneshot.synth import demo_session

RATE = 48000
RATES = [44100, 48000, 88200, 96000, 192000]


def tone(seconds: float, level_dbfs: float, hz: float = 1000.0, rate: int = RATE, channels: int = 2) -> Floats:
    """A sine of that peak level, alike in all channels."""
    time = np.arange(round(seconds * rate)) / rate
    return np.tile(10 ** (level_dbfs / 20) * np.sin(2 * np.pi * hz * time), (channels, 1))


def sequence(*parts: tuple[float, float]) -> Floats:
    """Stereo tones of (seconds, level) one after the other; -inf is silence."""
    return np.concatenate([tone(seconds, level) for seconds, level in parts], axis=1)


def test_k_weighting_has_the_tabulated_coefficients() -> None:
    """BS.1770-5 Annex 1, tables 1 and 2, at 48 kHz."""
    expected = np.array([[1.53512485958697, -2.69169618940638, 1.19839281085285,
                          1.0, -1.69065929318241, 0.73248077421585],
                         [1.0, -2.0, 1.0, 1, -1.99004745483398, 0.99007225036621]])

    np.testing.assert_allclose(expected, k_weighting(48000), atol=1e-9)


@pytest.mark.parametrize("rate", RATES)
def test_the_check_tone_reads_alike_at_every_rate(rate: int) -> None:
    """BS.1770-5 Annex 1: a 997 Hz sine of 0 dBFS in one channel reads -3.01 LKFS."""
    assert pytest.approx(-3.01, abs=0.005) == integrated_lufs(tone(5, 0, 997, rate, 1), rate)


@pytest.mark.parametrize(("hz", "gain_db"), [(20, -13.275), (100, -1.134), (997, 0.691), (2000, 3.071), (10000, 4.042)])
def test_k_weighting_has_the_response_of_its_coefficients(hz: float, gain_db: float) -> None:
    """Gains computed from the two tables of BS.1770-5 Annex 1; at 96 kHz the response stays within 0.1 dB of it."""
    for rate, tolerance in ((48000, 0.001), (96000, 0.1)):
        _, response = signal.sosfreqz(k_weighting(rate), worN=[hz], fs=rate)
        assert pytest.approx(gain_db, abs=tolerance) == 20 * math.log10(abs(response[0]))


@pytest.mark.parametrize(("parts", "expected"), [
    ([(20, -23)], -23.0),
    ([(20, -33)], -33.0),
    ([(10, -36), (60, -23), (10, -36)], -23.0),
    ([(10, -72), (10, -36), (60, -23), (10, -36), (10, -72)], -23.0),
    ([(20, -26), (20.1, -20), (20, -26)], -23.0),
], ids=["1", "2", "3", "4", "5"])
def test_integrated_loudness_meets_tech_3341(parts: list[tuple[float, float]], expected: float) -> None:
    """EBU Tech 3341 version 4, table 1, cases 1 to 5: within 0.1 LU."""
    assert pytest.approx(expected, abs=0.1) == integrated_lufs(sequence(*parts), RATE)


def test_surround_weights_meet_tech_3341() -> None:
    """EBU Tech 3341 version 4, table 1, case 6: L, R -28; C -24; Ls, Rs -30 read -23.0."""
    x = np.concatenate([tone(20, -28), tone(20, -24, channels=1), tone(20, -30)])

    assert pytest.approx(-23.0, abs=0.1) == integrated_lufs(x, RATE, weights=(1, 1, 1, 1.41, 1.41))


def test_momentary_loudness_of_bursts_meets_tech_3341() -> None:
    """EBU Tech 3341 version 4, table 1, case 12: 0.18 s at -20 and 0.22 s at -30, 25 times over, read M = -23.0 all
    along, as a window of 0.4 s holds one of each wherever it stands; the loudest is no louder.
    """
    x = sequence(*[(0.18, -20), (0.22, -30)] * 25)

    assert pytest.approx(-23.0, abs=0.1) == momentary_max_lufs(x, RATE)
    for first in (RATE, round(3.37 * RATE), 7 * RATE + 11):
        assert pytest.approx(-23.0, abs=0.1) == integrated_lufs(x[:, first:first + round(0.4 * RATE)], RATE)


@pytest.mark.parametrize("step", [0, 1, 7, 13, 19])
def test_momentary_maximum_meets_tech_3341(step: int) -> None:
    """EBU Tech 3341 version 4, table 1, case 13: 400 ms at -23 read -23.0 wherever they start."""
    x = sequence((step * 0.02, -math.inf), (0.4, -23), (1, -math.inf))

    assert pytest.approx(-23.0, abs=0.1) == momentary_max_lufs(x, RATE)


@pytest.mark.parametrize(("seconds", "expected"), [
    (0.01, -19.018), (0.05, -12.029), (0.1, -9.030), (0.2, -6.018), (0.4, -3.009)])
def test_short_bursts_read_by_their_energy(seconds: float, expected: float) -> None:
    """997 Hz at 0 dBFS, laid in silence: -0.691 + 10·log10(energy / 400 ms), from BS.1770-5 Annex 1 equation 2."""
    assert pytest.approx(expected, abs=0.002) == momentary_max_lufs(tone(seconds, 0, 997, channels=1), RATE)


def test_a_single_sample_has_a_loudness() -> None:
    """One sample of full scale: -39.695 LUFS, computed from the tables of BS.1770-5 Annex 1."""
    x = np.zeros((1, 50))
    x[0, 20] = 1.0

    assert pytest.approx(-39.695, abs=0.001) == momentary_max_lufs(x, RATE)


def test_half_the_amplitude_is_six_decibels_less() -> None:
    """Gain law of BS.1770: 20·log10(2) exactly, in every figure."""
    x = np.random.default_rng(4).standard_normal((2, 30000)) * 0.1
    full, half = measure(x, RATE), measure(x / 2, RATE)

    assert full.integrated_lufs is not None
    for name in ("peak_dbfs", "true_peak_dbtp", "momentary_lufs", "integrated_lufs"):
        assert pytest.approx(6.0206, abs=1e-4) == getattr(full, name) - getattr(half, name)


@pytest.mark.parametrize(("divisor", "amplitude", "degrees", "expected"), [
    (4, 0.50, 0.0, -6.0), (4, 0.50, 45.0, -6.0), (6, 0.50, 60.0, -6.0), (8, 0.50, 67.5, -6.0), (4, 1.41, 45.0, 3.0)],
    ids=["15", "16", "17", "18", "19"])
def test_true_peak_meets_tech_3341(divisor: int, amplitude: float, degrees: float, expected: float) -> None:
    """EBU Tech 3341 version 4, table 1, cases 15 to 19: within +0.2 and -0.4 dB."""
    n = np.arange(RATE)
    taper = np.minimum(1.0, np.minimum(n, n[::-1]) / (0.01 * RATE))
    found = true_peak_dbtp((taper * amplitude * np.sin(2 * np.pi * n / divisor + math.radians(degrees)))[None], RATE)

    assert found is not None
    assert expected - 0.4 <= found <= expected + 0.2


@pytest.mark.parametrize("offset", range(4), ids=["20", "21", "22", "23"])
def test_true_peak_of_a_burst_meets_tech_3341(offset: int) -> None:
    """EBU Tech 3341 version 4, table 1, cases 20 to 23: fs/6 with one period of fs/4 at full scale reads 0.0."""
    before = 0.5 * np.sin(2 * np.pi * np.arange(6 * 4 * 500) / 24)
    burst = np.sin(2 * np.pi * np.arange(16) / 16)
    low_pass = signal.firwin(511, 22000, fs=4 * RATE)
    high = np.convolve(np.concatenate([before, burst, before]), low_pass, mode="same")
    found = true_peak_dbtp(high[offset::4][None], RATE)

    assert found is not None
    assert -0.4 <= found <= 0.2


@pytest.mark.parametrize("rate", RATES)
def test_true_peak_is_never_below_the_sample_peak(rate: int) -> None:
    """BS.1770-5 Annex 2 measures the signal, of which the samples are part."""
    x = np.random.default_rng(1).uniform(-1, 1, (2, 5000)) * np.exp(-np.arange(5000) / 300)
    peak, true = sample_peak_dbfs(x), true_peak_dbtp(x, rate)

    assert peak is not None
    assert true is not None
    assert true >= peak


def test_looking_only_where_the_peak_can_be_misses_nothing() -> None:
    """The stretch that is oversampled gives the same peak as the whole, for hits that start and end anywhere."""
    from oneshot.audio.loudness import _interpolator

    taps, _ = _interpolator(4)
    for seed in range(40):
        random = np.random.default_rng(seed)
        x = random.uniform(-1, 1, 600) * np.exp(-np.abs(np.arange(600) - random.integers(0, 600)) / 60)
        whole = 20 * math.log10(max(np.abs(signal.upfirdn(taps, x, up=4)).max(), np.abs(x).max()))
        assert pytest.approx(whole, abs=1e-9) == true_peak_dbtp(x[None], RATE)


@pytest.mark.parametrize("rate", [44056, *RATES])
@pytest.mark.parametrize("length", [1, 500, 1234, 100_000])
def test_blocks_read_as_the_whole(rate: int, length: int) -> None:
    """However sound is cut into blocks, a meter reads what ``measure`` reads of the whole, to the last bit."""
    random = np.random.default_rng(rate)
    x = random.standard_normal((2, rate if length > 1 else 700)) * random.uniform(0.01, 0.3, (2, 1))
    x[:, 640] = 0.9, -0.99
    meter = Meter(2, rate)
    for at in range(0, x.shape[1], length):
        meter.add(x[:, at:at + length])

    assert measure(x, rate) == meter.levels


def test_a_true_peak_between_two_blocks_is_read() -> None:
    """A tone of a quarter of the rate, 45 degrees off, peaks between its samples; cutting it adds nothing."""
    x = np.sin(np.pi / 2 * np.arange(4000) + np.pi / 4)[np.newaxis] * np.hanning(4000)
    for cut in range(1990, 2011):
        peak = TruePeak(1, RATE)
        peak.add(x[:, :cut])
        peak.add(x[:, cut:])

        assert true_peak_dbtp(x, RATE) == 20 * math.log10(peak.value)


def test_silence_has_no_level() -> None:
    """Digital silence reads None, not minus infinity, which JSON cannot hold."""
    silent = measure(np.zeros((2, RATE)), RATE)

    assert (None, None, None, None) == (silent.peak_dbfs, silent.true_peak_dbtp, silent.momentary_lufs,
                                        silent.integrated_lufs)


def test_integrated_needs_one_whole_block() -> None:
    """BS.1770-5 Annex 1: below 400 ms there is no gating block; at 400 ms there is one."""
    assert integrated_lufs(tone(0.399, -6), RATE) is None
    assert pytest.approx(momentary_max_lufs(tone(0.4, -6), RATE), abs=0.01) == integrated_lufs(tone(0.4, -6), RATE)


def test_an_incomplete_last_block_is_dropped() -> None:
    """BS.1770-5 Annex 1: 460 ms hold one block, so what follows the first 400 ms does not count."""
    x = np.concatenate([tone(0.4, -20), tone(0.06, 0)], axis=1)

    assert pytest.approx(-20.0, abs=0.1) == integrated_lufs(x, RATE)


def test_mics_are_summed_not_averaged() -> None:
    """BS.1770-5 equation 2: two channels alike are 3.01 dB louder than one."""
    one, two = momentary_max_lufs(tone(1, -20, channels=1), RATE), momentary_max_lufs(tone(1, -20), RATE)

    assert one is not None
    assert two is not None
    assert pytest.approx(3.0103, abs=1e-4) == two - one


# ------------------------------------------------------------------------------------------- an independent meter


def ebu_r128(x: Floats, rate: int) -> tuple[float, float, float]:
    """Momentary maximum, integrated loudness (LUFS) and true peak (dBTP) by libebur128 (PyPI: pyebur128), fed 10 ms at
    a time, 400 ms of silence after the file.
    """
    mode = pyebur128.MeasurementMode
    state = pyebur128.R128State(len(x), rate, mode.MODE_I | mode.MODE_M | mode.MODE_TRUE_PEAK)
    padded = np.concatenate([x, np.zeros((len(x), round(0.4 * rate)))], axis=1)
    step, momentary, integrated = rate // 100, -np.inf, -np.inf
    for first in range(0, padded.shape[1] - step + 1, step):
        state.add_frames(np.ascontiguousarray(padded[:, first : first + step].T).ravel(), step)
        if first + step <= x.shape[1]:
            integrated = pyebur128.get_loudness_global(state)
        momentary = max(momentary, pyebur128.get_loudness_momentary(state))
    peak = max(pyebur128.get_true_peak(state, c) for c in range(len(x)))
    return momentary, integrated, 20 * np.log10(peak)


@pytest.mark.full
def test_every_file_of_the_demo_kit_reads_as_in_libebur128(tmp_path: Path) -> None:
    """Momentary and integrated loudness within 0.1 LU of libebur128 on every file; true peaks within 0.3 dB, which is
    what two interpolators may differ by (BS.1770-5 Annex 2 gives no tolerance; EBU Tech 3341 asks for +0.2 and -0.4).
    """
    demo_session(tmp_path / "session")
    kit = pipeline.build(tmp_path / "session", tmp_path / "kit").kit
    files = [file for shot in kit.one_shots for file in shot.files]
    for file in files:
        x, header = read_audio(tmp_path / "kit" / file.path)
        momentary, integrated, peak = ebu_r128(x, header.sample_rate)

        assert momentary == pytest.approx(file.momentary_lufs, abs=0.1)
        assert peak == pytest.approx(file.true_peak_dbtp, abs=0.3)
        if file.integrated_lufs is not None and integrated > -70:
            assert integrated == pytest.approx(file.integrated_lufs, abs=0.1)

    assert len(files) > 50
