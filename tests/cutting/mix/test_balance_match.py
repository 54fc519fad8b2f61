"""A balance learned from a rough mix: faders to a tenth of a dB, its lag to the frame, and what no fader explains."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from processing import compressor_gain_db, peaking

from oneshot import pipeline
from oneshot.analysis.complete import completed
from oneshot.audio.io import read_audio, write_wav
from oneshot.config.corrections_file import Corrections
from oneshot.config.recipe import Recipe
from oneshot.config.recipe_file import recipe_toml
from oneshot.core.cache.disk import open_store
from oneshot.core.errors import SettingsError
from oneshot.core.records.kit import Fader
from oneshot.core.records.session import Floats
from oneshot.cutting.mix.balance import mix
from oneshot.cutting.mix.balance_match import Learned, learn_balance
from oneshot.cutting.mix.fit import NOMINAL_HZ
from oneshot.kit.report.mixes import learned_words
from oneshot.session.open import open_session
from oneshot.synth import family, slate, write_session

TRUE = {"Kick In": Fader(-3.0, 0.0, 1, on=True), "Kick Out": Fader(-7.5, 0.1, 1, on=True),
        "Snare Top": Fader(-1.0, -0.1, 1, on=True), "Snare Bottom": Fader(-9.0, -0.1, -1, on=True),
        "Rack Tom": Fader(-4.0, -0.4, 1, on=True), "Floor Tom": Fader(-4.5, 0.5, 1, on=True),
        "OH L": Fader(-6.0, -1.0, 1, on=True), "OH R": Fader(-6.0, 1.0, 1, on=True)}
ROWS = (("kick", "hit", -14.0, 0.0, 5, 0.7), ("snare", "centre", -20.0, 0.0, 6, 0.7),
        ("rack", "hit", -12.0, 0.0, 4, 1.0), ("floor", "hit", -12.0, 0.0, 4, 1.2),
        ("hat", "closed", -12.0, 0.0, 4, 0.5), ("crash", "hit", -6.0, 0.0, 2, 3.0))


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session without a mix."""
    folder = tmp_path_factory.mktemp("mix") / "s"
    plan, _ = family()["eight"]
    write_session(folder, plan, [slate("take", ROWS)], seed=4)
    return folder


def mixed(recorded: Path, folder: Path, lag: int = 0, channels: int = 2, drive: float = 0.0,
          equaliser: bool = False, compressor: bool = False) -> Path:
    """The same session with a mix of the true faders in it, ``lag`` frames late, driven into tanh where asked."""
    (folder / "take").mkdir(parents=True)
    audio: dict[str, Floats] = {}
    for path in sorted((recorded / "take").iterdir()):
        (folder / "take" / path.name).symlink_to(path)
        audio[path.stem] = read_audio(path)[0][0]
    total = mix(audio, TRUE)
    if channels == 1:
        total = total.sum(axis=0, keepdims=True)
    if drive:
        total = np.tanh(drive * total) / drive
    if equaliser:
        total = peaking(total, 48000, 4000, 9.0)
    if compressor:
        total = total * 10 ** (compressor_gain_db(total, 48000, threshold_dbfs=-30, attack_s=0.0, release_s=0.1) / 20)
    total = np.pad(total, ((0, 0), (lag, 0)))[:, : total.shape[1]] if lag >= 0 else \
        np.pad(total, ((0, 0), (0, -lag)))[:, -lag:]
    write_wav(folder / "take" / "Rough Mix.wav", 0.5 * total, 48000, "FLOAT")
    return folder


def learned_of(folder: Path, bus: str = "Rough Mix") -> Learned:
    """Everything that is learned of a mix."""
    session = open_session(folder)
    found = completed(session, pipeline.analysed(session, open_store([]), Corrections(), Recipe())[0])
    computed = {name: replace(fader, gain_db=0.0, polarity=1) for name, fader in TRUE.items()}
    return learn_balance(session, found, computed, bus)


def learned_from(folder: Path,
                 bus: str = "Rough Mix") -> tuple[dict[str, Fader], float, dict[str, int], list[str]]:
    """Faders, what is left, lag and what is told."""
    got = learned_of(folder, bus)
    return dict(got.faders), got.left_db, dict(got.lag_frames), [p.what for p in got.problems]


@pytest.mark.full
@pytest.mark.parametrize("lag", [0, 37, -64])
def test_known_faders_come_back(recorded: Path, tmp_path: Path, lag: int) -> None:
    """Gain to 0.1 dB, pan to 0.02, polarity right, for all eight mics, half as loud as they were; the mix's lag to the
    frame; nothing is left to tell.
    """
    faders, left_db, found_lag, told = learned_from(mixed(recorded, tmp_path / "s", lag))

    assert {"take": lag} == found_lag
    assert left_db < -60
    assert [] == told
    for name, true in TRUE.items():
        got = faders[name]

        assert true.gain_db - 6.02 == pytest.approx(got.gain_db, abs=0.1)
        assert true.pan == pytest.approx(got.pan, abs=0.02)
        assert true.polarity == got.polarity


@pytest.mark.full
def test_what_no_fader_explains_is_told(recorded: Path, tmp_path: Path) -> None:
    """A mix that was driven hard leaves more than faders can explain."""
    *_, told = learned_from(mixed(recorded, tmp_path / "s", drive=40.0))

    assert any("gain and pan reproduce it to within" in what for what in told)


@pytest.mark.full
def test_an_equaliser_is_told_where_it_works(recorded: Path, tmp_path: Path) -> None:
    """A bell of 9 dB at 4 kHz over the whole mix (Audio EQ Cookbook): faders leave most in the octave of 4 kHz, and in
    those four octaves off and more, where it does next to nothing, 12 dB less; hard and soft strokes lie alike.
    """
    got = learned_of(mixed(recorded, tmp_path / "s", equaliser=True))
    left = {hz: 0.0 if level is None else level for hz, level in zip(NOMINAL_HZ, got.left_bands_db, strict=True)}

    assert max(left, key=lambda hz: left[hz]) == 4000
    assert left[4000] > -12
    assert all(left[hz] < left[4000] - 12 for hz in (63, 125))
    assert got.hard_db == pytest.approx(0.0, abs=0.5)


@pytest.mark.full
def test_a_compressor_is_told_by_hard_and_soft_strokes(recorded: Path, tmp_path: Path) -> None:
    """A fast compressor at 4:1 over the mix: hard strokes lie lower against soft ones than faders would have them, by a
    decibel and more; the plain mix has them alike within a tenth, and leaves nothing in any octave.
    """
    plain = learned_of(mixed(recorded, tmp_path / "a"))
    squeezed = learned_of(mixed(recorded, tmp_path / "b", compressor=True))

    assert plain.hard_db == pytest.approx(0.0, abs=0.1)
    assert all(level is None or level < -55 for level in plain.left_bands_db)
    assert squeezed.hard_db is not None
    assert squeezed.hard_db < -1.0
    assert {"bus": "Rough Mix", "octaves_hz": list(NOMINAL_HZ)}.items() <= squeezed.record("Rough Mix").items()
    assert any("hard hits are" in line for line in learned_words(squeezed.record("Rough Mix")))


@pytest.mark.full
def test_a_mix_in_mono_gives_levels(recorded: Path, tmp_path: Path) -> None:
    """One channel: levels as they sum there, in the middle; polarities as in the mix."""
    faders, left_db, *_ = learned_from(mixed(recorded, tmp_path / "s", channels=1))

    assert left_db < -60
    assert all(TRUE[name].polarity == fader.polarity for name, fader in faders.items())
    assert TRUE["Kick In"].gain_db - 6.02 + 20 * np.log10(2) == pytest.approx(faders["Kick In"].gain_db, abs=0.1)


@pytest.mark.full
def test_a_kit_is_balanced_by_the_mix(recorded: Path, tmp_path: Path) -> None:
    """The recipe names the mix: the kit's faders stand to each other as in it; what is said by hand outranks."""
    folder = mixed(recorded, tmp_path / "s")
    (tmp_path / "r.toml").write_text('[mix]\nlearn_from = "Rough Mix"\n[balance]\n"OH L" = { gain_db = -20.0 }\n')
    balance = pipeline.build(folder, tmp_path / "kit", recipe_path=tmp_path / "r.toml").kit.balance

    assert TRUE["Snare Top"].gain_db - TRUE["Floor Tom"].gain_db == pytest.approx(
        balance["Snare Top"].gain_db - balance["Floor Tom"].gain_db, abs=0.21)
    assert -20.0 == balance["OH L"].gain_db
    assert -1 == balance["Snare Bottom"].polarity


def two_takes(recorded: Path, folder: Path, first: dict[str, int], second: dict[str, int]) -> Path:
    """Two takes of the same playing, each with a mix of its own."""
    for name, asked in (("take 1", first), ("take 2", second)):
        mixed(recorded, folder / "one" / name, asked.get("lag", 0), asked.get("channels", 2))
        (folder / "s").mkdir(parents=True, exist_ok=True)
        (folder / "one" / name / "take").rename(folder / "s" / name)
    return folder / "s"


@pytest.mark.full
def test_each_take_has_a_lag_of_its_own(recorded: Path, tmp_path: Path) -> None:
    """Mixes exported from different starts: both lags to the frame, and faders as exact as from one."""
    faders, left_db, lags, told = learned_from(two_takes(recorded, tmp_path, {"lag": 37}, {"lag": -20}))

    assert {"take 1": 37, "take 2": -20} == lags
    assert left_db < -60
    assert [] == told
    assert TRUE["Floor Tom"].gain_db - 6.02 == pytest.approx(faders["Floor Tom"].gain_db, abs=0.1)


@pytest.mark.full
def test_a_mix_of_two_kinds_is_told(recorded: Path, tmp_path: Path) -> None:
    """Stereo in one take and mono in another: one line that says so, under the name that both have."""
    folder = two_takes(recorded, tmp_path, {}, {"channels": 1})
    (folder / "session.toml").write_text('[mics."Rough Mix L"]\npair = "Mix"\nside = "L"\n'
                                         '[mics."Rough Mix R"]\npair = "Mix"\nside = "R"\n'
                                         '[mics."Rough Mix"]\nname = "Mix"\n')
    with pytest.raises(SettingsError, match="take 1 stereo, take 2 mono"):
        learned_from(folder, "Mix")


@pytest.mark.full
def test_a_silent_mix_is_told(recorded: Path, tmp_path: Path) -> None:
    """Nothing to learn from: one line, no division by nought."""
    folder = mixed(recorded, tmp_path / "s")
    x, _ = read_audio(folder / "take" / "Rough Mix.wav")
    write_wav(folder / "take" / "Rough Mix.wav", 0 * x, 48000, "FLOAT")
    with pytest.raises(SettingsError, match="is silent at every hit"):
        learned_from(folder)


@pytest.mark.full
def test_a_name_that_is_no_bus_is_told(recorded: Path) -> None:
    """One line with what there is; the recipe's key is written like any other."""
    with pytest.raises(SettingsError, match="there is none"):
        learned_from(recorded, "Master")
    assert 'learn_from = ""' in recipe_toml(Recipe())
