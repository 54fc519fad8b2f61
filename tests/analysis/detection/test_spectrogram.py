"""The scan: levels by Parseval's theorem, noise, faults, and that pieces equal the whole."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import numpy as np
import pytest
from stage_inputs import BANDS, RATE, add, noise, scan_take, strike, take_of

from oneshot.analysis.detection import spectrogram
from oneshot.analysis.records import TakeScan
from oneshot.audio.io import BLOCK, TakeReader
from oneshot.core.cache.array_file import ArrayFile
from oneshot.core.cache.disk import Store
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Take

RATES = (44100, 48000, 88200, 96000, 176400, 192000)
FIELDS = ("level_db", "noise_db", "draw", "peak", "clipped", "bad_frame")
CLOSE = (Role.CLOSE, Role.CLOSE, Role.CLOSE, Role.CLOSE)


def scan_of(folder: Path, *mics: Floats, rate: int = RATE, subtype: str = "FLOAT") -> TakeScan:
    """The scan of a take of those mics."""
    named = {f"mic {n}": x for n, x in enumerate(mics, 1)}
    return scan_take(folder, take_of(folder, named, CLOSE[: len(mics)], rate, subtype))


def total_db(found: TakeScan, mic: int = 0, inside: slice = slice(8, -8)) -> Floats:
    """Level of all bands together (steps,), dB."""
    return np.asarray(10 * np.log10(np.sum(10 ** (found.level_db[mic, inside].astype(np.float64) / 10), axis=1)))


# ------------------------------------------------------------------------------------------------------------- levels


@pytest.mark.parametrize("rate", RATES)
def test_a_sine_reads_its_own_level(tmp_path: Path, rate: int) -> None:
    """A sine of amplitude A has the mean square A²/2 in every step at every rate (Parseval's theorem)."""
    x = 0.5 * np.sin(2 * np.pi * 2345.6 * np.arange(rate // 2) / rate)

    found = total_db(scan_of(tmp_path, x, rate=rate))

    assert 10 * np.log10(0.5**2 / 2) == pytest.approx(found.min(), abs=0.02)
    assert 10 * np.log10(0.5**2 / 2) == pytest.approx(found.max(), abs=0.02)


@pytest.mark.parametrize("rate", RATES)
def test_white_noise_reads_its_share_of_the_spectrum(tmp_path: Path, rate: int) -> None:
    """White noise of power P holds P / (rate / 2) per hertz: each band reads its width's share, to 20 kHz in all."""
    power_db, seconds = -20.0, 4
    found = scan_of(tmp_path, noise(seconds * rate, power_db, 1), rate=rate)
    mean = 10 ** (found.level_db[0, 8:-8].astype(np.float64) / 10)
    wide = slice(4, BANDS)  # below, a band is a few bins wide and its edges are coarse
    widths = np.diff(spectrogram.BAND_EDGES_HZ)[wide]

    whole_db = 10 * np.log10(mean.sum(axis=1).mean())

    assert power_db + 10 * np.log10(20000 / (rate / 2)) == pytest.approx(whole_db, abs=0.2)
    np.testing.assert_allclose(power_db + 10 * np.log10(widths / (rate / 2)), 10 * np.log10(mean.mean(axis=0)[wide]),
                               atol=0.7)


def test_a_sine_stays_in_its_band(tmp_path: Path) -> None:
    """A sine in the middle of a band raises no band but its neighbours: two bands away it is 40 dB down."""
    for band in range(2, BANDS):
        middle = np.sqrt(spectrogram.BAND_EDGES_HZ[band] * spectrogram.BAND_EDGES_HZ[band + 1])
        x = np.sin(2 * np.pi * middle * np.arange(RATE // 4) / RATE)
        level = scan_of(tmp_path / str(band), x).level_db[0, 8:-8].astype(np.float64).mean(axis=0)
        far = np.abs(np.arange(BANDS) - band) >= 2

        assert band == int(level.argmax())
        assert level[far].max() < level[band] - 40


def test_bands_lie_alike_at_all_rates(tmp_path: Path) -> None:
    """Steps are 2.6 to 3 ms apart, and a tone falls into the same band, whatever the rate."""
    for rate in RATES:
        x = np.sin(2 * np.pi * 700 * np.arange(rate // 4) / rate)
        found = scan_of(tmp_path / str(rate), x, rate=rate)

        assert 3 == int(found.level_db[0, 20].argmax())
        assert 2.6 < found.hop / rate * 1e3 < 3.0


def test_steps_are_centred(tmp_path: Path) -> None:
    """A click at frame i * hop is loudest in step i, and heard no further than the window reaches."""
    hop = spectrogram.hop_frames(RATE)
    x = np.zeros(RATE)
    x[100 * hop] = 1.0
    level = total_db(scan_of(tmp_path, x), inside=slice(None))

    assert 100 == int(level.argmax())
    assert level[99] == pytest.approx(level[101], abs=0.02)
    assert level[[98, 102]].max() < -130


# -------------------------------------------------------------------------------------------------------------- noise


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_the_noise_of_white_noise_is_its_level(tmp_path: Path, rate: int) -> None:
    """The noise of a mic in which nothing else is heard is its level up to 20 kHz, to half a decibel."""
    found = scan_of(tmp_path, noise(20 * rate, -80.0, 2), noise(20 * rate, -55.0, 3), rate=rate)
    share = 10 * np.log10(20000 / (rate / 2))

    assert -80 + share == pytest.approx(found.noise_dbfs[0], abs=0.5)
    assert -55 + share == pytest.approx(found.noise_dbfs[1], abs=0.5)


def test_the_noise_is_read_between_the_strokes(tmp_path: Path) -> None:
    """Strokes 60 dB above the noise, two a second, leave its figure within 1 dB."""
    x = noise(20 * RATE, -75.0, 4)
    for k in range(40):
        add(x, k * RATE // 2, strike(k, decay_s=0.03), -15)

    assert -75 + 10 * np.log10(20000 / 24000) == pytest.approx(scan_of(tmp_path, x).noise_dbfs[0], abs=1.0)


def test_a_gated_mic_is_judged_where_it_sounds(tmp_path: Path) -> None:
    """Digital black between the notes of a gated track is no noise floor: the noise is that of the open gate."""
    x = noise(20 * RATE, -70.0, 5)
    x.reshape(20, RATE)[:, RATE // 4 :] = 0.0

    assert -70 + 10 * np.log10(20000 / 24000) == pytest.approx(scan_of(tmp_path, x).noise_dbfs[0], abs=1.5)


def test_digital_silence_is_floored(tmp_path: Path) -> None:
    """A mic without a single bit set reads the floor in every band, never minus infinity."""
    found = scan_of(tmp_path, np.zeros(RATE))

    assert np.all(found.level_db == np.float16(spectrogram.FLOOR_DB))
    assert np.all(found.noise_db == spectrogram.FLOOR_DB)
    assert 0.0 == found.peak[0]


# ------------------------------------------------------------------------------------------------------------- faults


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_a_sample_that_is_no_number_is_found(tmp_path: Path, bad: float) -> None:
    """The first frame that is NaN or infinite is told, also in a later block; levels stay numbers."""
    x, other = noise(BLOCK + 5000, -30, 6), noise(BLOCK + 5000, -30, 7)
    x[BLOCK + 1234] = bad
    x[BLOCK + 2000] = bad

    found = scan_of(tmp_path, other, x)

    assert [-1, BLOCK + 1234] == found.bad_frame.tolist()
    assert np.isfinite(found.level_db).all()
    assert np.isfinite(found.draw).all()
    assert np.abs(np.delete(x, [BLOCK + 1234, BLOCK + 2000])).max() == pytest.approx(found.peak[1])


def test_frames_at_full_scale_are_counted(tmp_path: Path) -> None:
    """Every frame at full scale of a 16-bit file counts, at either end, and none just below."""
    x = noise(RATE, -30, 8)
    x[[10, 11, 500, 40000]] = 1.0
    x[[20, 30000, 47999]] = -1.0
    x[600] = 0.999

    found = scan_of(tmp_path, x, subtype="PCM_16")

    assert [7] == found.clipped.tolist()
    assert 1.0 == found.peak[0]


def test_the_drawing_holds_the_extremes(tmp_path: Path) -> None:
    """Minimum and maximum of every 1024 frames are the samples' own."""
    x = noise(10 * 1024 + 300, -30, 9).astype(np.float32)

    draw = scan_of(tmp_path, x.astype(np.float64)).draw

    assert (1, 11, 2) == draw.shape
    for n in range(11):
        part = x[n * 1024 : (n + 1) * 1024]
        assert (part.min(), part.max()) == tuple(draw[0, n])


# ------------------------------------------------------------------------------------------------------------- pieces


def test_chunked_equals_whole(tmp_path: Path) -> None:
    """Blocks scanned one by one give bit for bit what one piece gives, whatever the rate of the noise in them."""
    length = 2 * BLOCK + 70_001
    x, y = noise(length, -20, 10), noise(length, -60, 11)
    x[[3, BLOCK + 9, 2 * BLOCK + 1]] = 1.5
    y[BLOCK + 77] = np.nan
    take = take_of(tmp_path, {"a": x, "b": y}, CLOSE[:2])
    with TakeReader(tmp_path, take) as reader:
        whole = spectrogram.join(take, iter([spectrogram.scan_blocks(reader, take, 0, 3)]))
    parts = []
    for block in (2, 0, 1):  # as workers finish, each with a reader of its own
        with TakeReader(tmp_path, take) as reader:
            parts.append((block, spectrogram.scan_blocks(reader, take, block, block + 1)))
    pieces = spectrogram.join(take, iter([part for _, part in sorted(parts, key=lambda p: p[0])]))

    for name in FIELDS:
        np.testing.assert_array_equal(getattr(whole, name), getattr(pieces, name), err_msg=name)
    assert [3, 0] == whole.clipped.tolist()
    assert [-1, BLOCK + 77] == whole.bad_frame.tolist()


def parts_of(folder: Path, take: Take) -> list[spectrogram.BlockScan]:
    """A take scanned block by block."""
    with TakeReader(folder, take, kept=spectrogram.KEPT_READS) as reader:
        return [spectrogram.scan_blocks(reader, take, block, block + 1) for block in range(-(-take.frames // BLOCK))]


def test_a_scan_in_files_is_the_one_in_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Written part by part and looked at a few steps at a time, whatever they are: levels, noise, offsets and digests
    are the same to the bit, with digital black in between and at the ends.
    """
    x = noise(BLOCK + 90_001, -40, 13) + 0.002
    x[:9000], x[50_000:140_000], x[-700:] = 0.0, 0.0, 0.0
    take = take_of(tmp_path, {"a": x, "b": noise(len(x), -70, 14), "c": np.zeros(len(x))}, CLOSE[:3])
    parts = parts_of(tmp_path, take)
    whole = spectrogram.join(take, parts)
    for steps in (7, 64, 1000):
        monkeypatch.setattr(spectrogram, "PIECE_STEPS", steps)
        filed = spectrogram.join(take, parts, partial(Store(tmp_path / "store").made, "scan-1"))

        assert isinstance(filed.level_db, ArrayFile)
        assert isinstance(filed.draw, ArrayFile)
        for name in FIELDS:
            np.testing.assert_array_equal(np.asarray(getattr(whole, name)), np.asarray(getattr(filed, name)))
        np.testing.assert_array_equal(spectrogram.offsets(whole), spectrogram.offsets(filed))
        assert spectrogram.digests(whole) == spectrogram.digests(filed)
    assert 3 == len(set(spectrogram.digests(whole)))


def test_levels_measured_again_take_the_place_of_the_first(tmp_path: Path) -> None:
    """Without an offset the levels are those of the sound alone, in the same file; all else stays as it was."""
    plain = noise(BLOCK, -60, 15).astype(np.float32)
    folders = tmp_path / "with", tmp_path / "without"
    takes = [take_of(folder, {"a": x}, CLOSE[:1]) for folder, x in zip(folders, (plain + 0.25, plain), strict=True)]
    parts = [parts_of(folder, take) for folder, take in zip(folders, takes, strict=True)]
    first = spectrogram.join(takes[0], parts[0], partial(Store(tmp_path / "store").made, "scan-1"))
    again, alone = spectrogram.measured_again(first, parts[1]), spectrogram.join(takes[1], parts[1])

    np.testing.assert_array_equal(np.asarray(alone.level_db), np.asarray(again.level_db))
    np.testing.assert_array_equal(alone.noise_db, again.noise_db)
    assert first.draw is again.draw
    assert first.noise_db[0, 0] > again.noise_db[0, 0]


@pytest.mark.parametrize("at", [2**16, BLOCK])
def test_black_and_bad_frames_reach_no_further_than_windows_do(tmp_path: Path, at: int) -> None:
    """Sound that begins where a piece does is heard in the windows before that reach into it, and a frame that is no
    number there spoils none of their levels.
    """
    x = np.zeros(2 * BLOCK)
    x[at:] = noise(len(x) - at, -20, 16)
    broken = x.copy()
    broken[at] = np.nan
    step = at // spectrogram.hop_frames(RATE)
    found, spoilt = scan_of(tmp_path / "a", x), scan_of(tmp_path / "b", broken)

    assert (found.level_db[0, step - 1] > -90).all()
    assert (found.level_db[0, : step - 2] == spectrogram.FLOOR_DB).all()
    assert np.isfinite(spoilt.level_db).all()
    assert [at] == spoilt.bad_frame.tolist()


@pytest.mark.parametrize("frames", [1, 127, 512, BLOCK, BLOCK + 1])
def test_tasks_cover_a_take_once(tmp_path: Path, frames: int) -> None:
    """Every frame falls into exactly one task and the grid of steps spans the take, also where it ends on a border."""
    take = take_of(tmp_path, {"a": noise(frames, -20, 12)}, CLOSE[:1])
    found = scan_take(tmp_path, take)

    assert list(range(-(-frames // BLOCK))) == [block for task in spectrogram.tasks(take) for block in task]
    assert -(-frames // found.hop) == found.level_db.shape[1]


def test_an_offset_is_read_beneath_the_sound(tmp_path: Path) -> None:
    """A steady offset is read to a thousandth of full scale under noise and strokes; without one it reads next to 0."""
    plain = noise(6 * RATE, -70.0, 8)
    for k in range(6):
        add(plain, k * RATE, strike(k, decay_s=0.05), -6)
    found = spectrogram.offsets(scan_of(tmp_path, plain + 0.01, plain))

    assert 0.01 == pytest.approx(found[0], abs=0.0005)
    assert 0.0 == pytest.approx(found[1], abs=0.0002)


def test_sound_that_leans_to_one_side_is_no_offset(tmp_path: Path) -> None:
    """Strokes that swing further up than down, closer together than they ring, leave the offset at 0."""
    plain = noise(6 * RATE, -70.0, 9)
    for k in range(30):
        hit = strike(k, decay_s=0.06)
        add(plain, k * RATE // 5, hit + 0.5 * np.abs(hit), -6)
    (found,) = spectrogram.offsets(scan_of(tmp_path, plain))

    assert 0.0 == pytest.approx(found, abs=0.0005)
