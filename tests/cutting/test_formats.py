"""Finished files: converted without harm, dithered only where bits are lost, levelled without flattening a drum."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from cut_again import written
from kits import RATE, small_kit

from oneshot import pipeline
from oneshot.audio.convert import quantised, resampled
from oneshot.audio.descriptors import brightness_hz, crest_db
from oneshot.audio.io import read_audio, read_header, write_sound
from oneshot.audio.loudness import measure, momentary_max_lufs, sample_peak_dbfs
from oneshot.config.recipe import Finishing
from oneshot.core.errors import SettingsError
from oneshot.core.files import sha256_of
from oneshot.core.records.kit import OneShot, Sample
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Mic
from oneshot.cutting.formats import Finisher
from oneshot.cutting.mix import mixdown
from oneshot.cutting.mix.balance import pan_gains
from oneshot.kit.verify import verify
from oneshot.synth import family, slate, write_session

LSB = 2.0**-15
"""A step of 16 bits."""


def tone(hz: float, level_db: float = -6.0, rate: int = RATE, seconds: float = 1.0) -> Floats:
    """A sine of that peak, one channel."""
    return 10 ** (level_db / 20) * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate)) / rate)[None]


def level_db(x: Floats, hz: float, rate: int) -> float:
    """Peak level of a sine in the middle half of a signal, by projection."""
    part = x[0, x.shape[1] // 4 : x.shape[1] * 3 // 4]
    turn = np.exp(-2j * np.pi * hz * np.arange(len(part)) / rate) * np.hanning(len(part))
    return float(20 * np.log10(2 * abs((part * turn).sum()) / np.hanning(len(part)).sum()))


# -------------------------------------------------------------------------------------------------------------- dither


def test_dithers_error_has_the_statistics_of_theory() -> None:
    """TPDF of 2 LSB peak to peak: the total error has mean 0 and variance LSB²/4 (a twelfth from rounding, a sixth from
    the noise), for a constant between two steps as for a ramp, and no trace of the signal (Lipshitz, Wannamaker and
    Vanderkooy 1992, from memory).
    """
    for x in (np.full((1, 200_000), 0.3 * LSB), np.linspace(-40, 40, 200_000)[None] * LSB, tone(997, -90, seconds=4)):
        error = (quantised(x, 16, "a") / 2.0**31 - x) / LSB
        inner = error[0, 1:-1]

        assert 0.0 == pytest.approx(inner.mean(), abs=0.005)
        assert 0.25 == pytest.approx(inner.var(), rel=0.02)
        if x.std() > 0:
            assert abs(np.corrcoef(inner, x[0, 1:-1])[0, 1]) < 0.01


def test_a_tone_below_one_step_survives() -> None:
    """A sine of -100 dBFS, less than one step of 16 bits, is still there at its level; rounded it would be gone."""
    x = tone(1000, -100, seconds=8)

    assert not np.rint(x / LSB).any()
    assert -100.0 == pytest.approx(level_db(quantised(x, 16, "b") / 2.0**31, 1000, RATE), abs=0.5)


def test_what_is_on_the_grid_stays() -> None:
    """16 bits into 16 or 24, 24 into 24: not a sample moves; the noise of the others is the same every time and its own
    for every name; ends that are silent stay so, and nothing wraps at full scale.
    """
    x = np.random.default_rng(1).integers(-(2**15), 2**15, (2, 999)) / 2.0**15
    odd = 0.7 * x

    np.testing.assert_array_equal(x, quantised(x, 16, "a") / 2.0**31)
    np.testing.assert_array_equal(x, quantised(x, 24, "a") / 2.0**31)
    np.testing.assert_array_equal(quantised(odd, 16, "a"), quantised(odd, 16, "a"))
    assert (quantised(odd, 16, "a") != quantised(odd, 16, "b")).any()
    assert [0, 0] == quantised(np.array([[0.0, 0.3, 0.0]]), 16, "c")[0, [0, 2]].tolist()
    assert [2**31 - 2**16, -(2**31)] == quantised(np.array([[1.5, -1.5]]), 16, "d")[0].tolist()


# ------------------------------------------------------------------------------------------------------------ converter


@pytest.mark.parametrize(("before", "after"), [(48000, 44100), (96000, 44100), (44100, 48000), (96000, 48000)])
def test_the_passband_is_flat_and_nothing_folds_back(before: int, after: int) -> None:
    """Up to 20 kHz within 0.01 dB; what lies above half the new rate by a tenth comes back 100 dB down or not at all
    (the converter's own figures for its best quality: passband to 0.913 of the band, more than 120 dB of stopband).
    """
    for hz in (100.0, 1000.0, 10_000.0, 20_000.0):
        assert -6.0 == pytest.approx(level_db(resampled(tone(hz, rate=before), before, after), hz, after), abs=0.01)
    above = 1.1 * after / 2
    if above < before / 2:
        folded = resampled(tone(above, rate=before), before, after)
        assert 20 * np.log10(np.abs(folded[0, 2000:-2000]).max()) < -106


def test_what_is_converted_begins_and_ends_as_silent_as_it_was() -> None:
    """A converter's filter rings ahead of a step at an end and after it; a file that faded to nothing still does."""
    x = np.zeros((1, 4800))
    x[0, 1:-1] = 0.5
    finisher = Finisher(Finishing(sample_rate=44100))
    silent, loud = (finisher.converted(each, 48000, "FLOAT", "a", 0.0, 44100).samples for each in (x, x + 0.1))

    assert [0.0, 0.0] == silent[0, [0, -1]].tolist()
    assert 0.0 not in loud[0, [0, -1]].tolist()


def test_conversion_moves_nothing() -> None:
    """A click stays where it was: linear phase, delay taken out."""
    x = np.zeros((1, 9600))
    x[0, 4800] = 1.0
    y = resampled(x, 48000, 44100)

    assert round(4800 * 44100 / 48000) == int(np.abs(y[0]).argmax())
    assert x is resampled(x, 48000, 48000)


# --------------------------------------------------------------------------------------------------------------- files


def every(shots: Sequence[OneShot]) -> list[Sample]:
    """All files of some one-shots."""
    return [file for shot in shots for file in shot.files]


def test_a_recipe_that_asks_for_nothing_changes_nothing(tmp_path: Path) -> None:
    """The default leaves every file as it was cut, to the byte, and its place in the take."""
    kit = small_kit(tmp_path / "a")
    _, shots = written(tmp_path / "a", kit, Finishing(), tmp_path / "b")

    for before, after in zip(every(kit.one_shots), every(shots), strict=True):
        assert (tmp_path / "a" / before.path).read_bytes() == (tmp_path / "b" / after.path).read_bytes()
        assert (before.sha256, before.frames, before.onset_frame, before.source_start, None) == (
            after.sha256, after.frames, after.onset_frame, after.source_start, after.sample_rate)


@pytest.mark.parametrize(("asked", "suffix", "rate", "subtype"), [
    (Finishing(format="flac"), ".flac", 48000, "PCM_24"),
    (Finishing(format="aiff", bits="16"), ".aiff", 48000, "PCM_16"),
    (Finishing(bits="32 float"), ".wav", 48000, "FLOAT"),
    (Finishing(bits="16", sample_rate=44100), ".wav", 44100, "PCM_16"),
    (Finishing(format="flac", sample_rate=96000), ".flac", 96000, "PCM_24")])
def test_files_are_what_was_asked_for(tmp_path: Path, asked: Finishing, suffix: str, rate: int, subtype: str) -> None:
    """Format, rate and word length are those of the recipe; lengths, attacks and fades count at the new rate; written
    twice, the bytes are the same.
    """
    kit = small_kit(tmp_path)
    _, shots = written(tmp_path, kit, asked, tmp_path / "a")
    written(tmp_path, kit, asked, tmp_path / "b")
    for old, new in zip(every(kit.one_shots), every(shots), strict=True):
        header = read_header(tmp_path / "a" / new.path)

        assert (suffix, rate, subtype) == (Path(new.path).suffix, header.sample_rate, header.subtype)
        assert header.frames == new.frames == pytest.approx(old.frames * rate / RATE, abs=1)
        assert new.onset_frame == round(old.onset_frame * rate / RATE)
        assert (tmp_path / "a" / new.path).read_bytes() == (tmp_path / "b" / new.path).read_bytes()


@pytest.mark.parametrize("asked", [Finishing(), Finishing(bits="16", level="file"), Finishing(bits="32 float"),
                                   Finishing(format="flac", sample_rate=44100)])
def test_what_is_told_of_a_file_is_what_whoever_reads_it_measures(tmp_path: Path, asked: Finishing) -> None:
    """Levels, crest, brightness and sum are told before the file is read by anybody, and to the last bit."""
    _, shots = written(tmp_path, small_kit(tmp_path), asked, tmp_path / "a")
    for file in every(shots):
        x, header = read_audio(tmp_path / "a" / file.path)
        levels = measure(x, header.sample_rate)

        assert sha256_of(tmp_path / "a" / file.path) == file.sha256
        assert (levels.peak_dbfs, levels.true_peak_dbtp, levels.momentary_lufs) == (
            file.peak_dbfs, file.true_peak_dbtp, file.momentary_lufs)
        assert (crest_db(x), brightness_hz(x, header.sample_rate)) == (file.crest_db, file.brightness_hz)


def test_lossless_is_lossless(tmp_path: Path) -> None:
    """FLAC at the source's bits holds the very samples."""
    kit = small_kit(tmp_path)
    _, flac = written(tmp_path, kit, Finishing(format="flac"), tmp_path / "a")

    for before, after in zip(every(kit.one_shots), every(flac), strict=True):
        np.testing.assert_array_equal(read_audio(tmp_path / before.path)[0], read_audio(tmp_path / "a" / after.path)[0])


@pytest.mark.parametrize("level", ["drum", "kit"])
def test_a_trim_is_one_for_all(tmp_path: Path, level: str) -> None:
    """The hardest true peak lands at the level asked for and none above it; every file of a drum (of the kit) is moved
    alike, so layers keep their distances.
    """
    kit = small_kit(tmp_path)
    peaks = [sample_peak_dbfs(read_audio(tmp_path / file.path)[0]) or 0.0 for file in every(kit.one_shots)]
    _, shots = written(tmp_path, kit, Finishing(level=level, peak_dbtp=-6.0), tmp_path / "a")
    for group in {shot.drum if level == "drum" else "kit" for shot in shots}:
        mine = every([s for s in shots if level == "kit" or s.drum == group])

        assert -6.0 == pytest.approx(max(f.true_peak_dbtp or -99 for f in mine), abs=0.02)
        assert 1 == len({round(f.gain_db, 6) for f in mine})
    assert all(file.peak_dbfs == pytest.approx(before + file.gain_db, abs=0.01)
               for before, file in zip(peaks, every(shots), strict=True))


def test_each_file_by_itself_only_where_asked(tmp_path: Path) -> None:
    """Then soft and hard peak alike."""
    _, shots = written(tmp_path, small_kit(tmp_path), Finishing(level="file", peak_dbtp=-3.0), tmp_path / "a")

    assert all(file.true_peak_dbtp == pytest.approx(-3.0, abs=0.02) for file in every(shots))


def test_a_lite_kit_is_the_balanced_mix(tmp_path: Path) -> None:
    """One file a hit in place of its mics: left and right as its mics sound by the balance, rounded once to float32;
    start, attack and hit stay, grade and bleed are those of the worst mic that is heard.
    """
    kit = small_kit(tmp_path)
    sums = [mixdown.stereo(tmp_path, shot, kit.balance)[0] for shot in kit.one_shots]
    out = tmp_path / "a"
    _, shots = written(tmp_path, kit, Finishing(lite=True, sample_rate=RATE, bits="32 float"), out)
    for x, before, after in zip(sums, kit.one_shots, shots, strict=True):
        mix, = after.files
        heard = [f for f in before.files if kit.balance[f.mics[0]].on]

        assert ("mixdown L", "mixdown R") == mix.mics
        assert tuple(mic for f in heard for mic in f.mics) == mix.mix_of

        np.testing.assert_array_equal(x.astype(np.float32), read_audio(out / mix.path)[0])
        np.testing.assert_array_equal(x.astype(np.float32), mixdown.stereo(out, after, kit.balance)[0])
        assert (before.files[0].source_start, before.files[0].onset_frame) == (mix.source_start, mix.onset_frame)
        assert max(f.grade for f in heard) == mix.grade
        assert max(f.bleed_db or 0.0 for f in heard) == mix.bleed_db
        assert mix.mixdown
    assert len(shots) == len(list(out.rglob("*.wav")))


def test_a_lite_kit_is_44_1_khz_unless_told(tmp_path: Path) -> None:
    """The mixdowns are converted, in the source's bits; a drum's layers keep their distances in its trim."""
    kit = small_kit(tmp_path)
    before = {s.hit: momentary_max_lufs(mixdown.stereo(tmp_path, s, kit.balance)[0], RATE) or 0.0
              for s in kit.one_shots}
    _, shots = written(tmp_path, kit, Finishing(lite=True, level="drum", peak_dbtp=-3.0), tmp_path / "a")
    for shot in shots:
        header = read_header(tmp_path / "a" / shot.files[0].path)
        raised = (shot.files[0].momentary_lufs or 0.0) - before[shot.hit]

        assert (44100, 2, "PCM_24") == (header.sample_rate, header.channels, header.subtype)
        assert shot.files[0].gain_db == pytest.approx(raised, abs=0.2)
    for drum in ("kick", "snare"):
        peaks = [s.files[0].true_peak_dbtp or 0.0 for s in shots if s.drum == drum]
        assert -3.0 == pytest.approx(max(peaks), abs=0.02)
        assert 1 == len({s.files[0].gain_db for s in shots if s.drum == drum})


@pytest.mark.full
def test_whoever_knows_files_mics_and_balance_alone_hears_a_lite_kit(tmp_path: Path) -> None:
    """A reader of manifest.json as contract 1 has it, fields added later unknown to it: each file has a channel for
    each of its mics, its takes list them, two of them are sides of one pair, and the balance's sum is what the kit
    plays.
    """
    plan, _ = family()["eight"]
    write_session(tmp_path / "s", plan, [slate("take", (("kick", "hit", -14.0, 0.0, 4, 0.8),
                                                        ("snare", "centre", -18.0, 0.0, 5, 0.8)))], seed=4)
    (tmp_path / "r.toml").write_text("[files]\nlite = true\nsample_rate = 48000\n")
    kit = pipeline.build(tmp_path / "s", tmp_path / "kit", recipe_path=tmp_path / "r.toml").kit
    told = json.loads((tmp_path / "kit" / "manifest.json").read_text())
    mics = {mic["name"]: mic for take in told["session"]["takes"] for mic in take["mics"]}

    assert kit.one_shots
    for row, shot in zip(told["one_shots"], kit.one_shots, strict=True):
        out = np.zeros((2, row["files"][0]["frames"]))
        for file in row["files"]:
            x, header = read_audio(tmp_path / "kit" / file["path"])
            own = [mics[name] for name in file["mics"]]

            assert len(own) == header.channels
            assert 1 == len({(mic["pair"], mic["role"]) for mic in own})
            for mic, channel in zip(own, x, strict=True):
                fader = told["balance"][mic["name"]]
                for side, share in enumerate(pan_gains(fader["pan"])):
                    out[side] += fader["on"] * fader["polarity"] * 10 ** (fader["gain_db"] / 20) * share * channel

        np.testing.assert_allclose(mixdown.stereo(tmp_path / "kit", shot, kit.balance)[0], out, atol=1e-9)
    assert [] == verify(tmp_path / "kit")


def test_the_bus_of_a_lite_kit_takes_no_name_from_a_mic(tmp_path: Path) -> None:
    """A session with a mic of that name keeps it; the bus is then called otherwise."""
    kit = small_kit(tmp_path)
    take = kit.session.takes[0]
    taken = replace(kit.session, takes=(replace(take, mics=(*take.mics, Mic("Mixdown L", Role.BUS))),))

    assert ["mixdown 2 L", "mixdown 2 R"] == [mic.name for mic in mixdown.bus_of(taken)]


@pytest.mark.parametrize("kind", ["flac", "aiff"])
def test_float_sources_become_24_bits_where_the_format_has_no_float(tmp_path: Path, kind: str) -> None:
    """FLAC has none; AIFF's is stamped with the time by the library that writes it."""
    kit = small_kit(tmp_path)
    file = kit.one_shots[0].files[0]
    write_sound(tmp_path / file.path, tone(1000, -6.0, seconds=file.frames / RATE), RATE, "FLOAT")
    alone = replace(kit.one_shots[0], files=(file,))
    _, (shot,) = written(tmp_path, kit, Finishing(format=kind), tmp_path / "a", shots=[alone])

    assert "PCM_24" == read_header(tmp_path / "a" / shot.files[0].path).subtype


def test_what_does_not_fit_is_told(tmp_path: Path) -> None:
    """A sound beyond full scale is stopped there and told, in integers; in float it is kept."""
    kit = small_kit(tmp_path)
    loud = kit.one_shots[0].files[0]
    write_sound(tmp_path / loud.path, tone(1000, 3.0, seconds=loud.frames / RATE), RATE, "FLOAT")
    files, _ = written(tmp_path, kit, Finishing(bits="24"), tmp_path / "a",
                       shots=[replace(kit.one_shots[0], files=(loud,))])

    assert ["is limited to full scale, 3.0 dB too loud"] == [p.what for p in files.told]


@pytest.mark.parametrize(("asked", "said"), [
    ({"format": "flac", "bits": "32 float"}, "choose 'wav'"), ({"sample_rate": 8000}, "44100 to 192000"),
    ({"level": "loud"}, "choose one of")])
def test_a_recipe_that_cannot_be_met_is_refused(asked: dict[str, object], said: str) -> None:
    """One line that says what and what to do."""
    with pytest.raises(SettingsError, match=said):
        Finishing(**asked)  # type: ignore[arg-type]


@pytest.mark.full
@pytest.mark.parametrize("files", ['format = "flac"\nlevel = "drum"', 'bits = "16"\nsample_rate = 44100\nlevel = "kit"',
                                   'format = "aiff"\nsample_rate = 96000', 'lite = true\nbits = "16"\nlevel = "drum"'])
def test_a_whole_kit_in_another_format_is_sound(tmp_path: Path, files: str) -> None:
    """Built, mapped, tagged and measured again: nothing differs from the manifest, a print included."""
    plan, _ = family()["eight"]
    write_session(tmp_path / "s", plan, [slate("take", (("kick", "hit", -14.0, 0.0, 4, 0.8),
                                                        ("snare", "centre", -18.0, 0.0, 5, 0.8)))], seed=4)
    (tmp_path / "r.toml").write_text(f'[files]\n{files}\n[[prints]]\nname = "kick"\ndrum = "kick"\n')
    kit = pipeline.build(tmp_path / "s", tmp_path / "kit", recipe_path=tmp_path / "r.toml").kit

    assert kit.prints
    assert [] == verify(tmp_path / "kit")
