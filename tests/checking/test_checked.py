"""Each fault is found where it was put, and nothing is said of recordings that are as they should be."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from stage_inputs import PIER

from oneshot.checking.finding import Finding, Harm
from oneshot.checking.run import checked
from oneshot.core.air import speed_of_sound
from oneshot.core.records.session import Floats
from oneshot.session.open import open_session
from oneshot.synth import slate, write_session
from oneshot.synth.kits import KICK_OUT, ROOM_L, ROOM_R

QUAY = replace(PIER, name="quay", mics=(
    *(replace(KICK_OUT, polarity=1) if mic.name == "Kick Out" else replace(mic, file=None) for mic in PIER.mics),
    ROOM_L, ROOM_R))
ROUND = (("kick", "hit", -18.0, 0.0, 7, 0.9), ("snare", "centre", -20.0, 0.0, 8, 0.9),
         ("floor", "hit", -16.0, 0.0, 6, 1.2))
TAKE = slate("quay", ROUND + ROUND)
"""Every drum before and after the middle."""
Change = Callable[[dict[str, Floats], int], None]


@pytest.fixture(scope="module")
def quay(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session in which nothing is wrong; not to be written to."""
    folder = tmp_path_factory.mktemp("quay")
    write_session(folder / "session", QUAY, (TAKE,), seed=5)
    return folder / "session"


def findings(session: Path, jobs: int = 1) -> tuple[Finding, ...]:
    """What is found in a session."""
    return checked(open_session(session), jobs=jobs, progress=lambda *_: None).findings


def changed(session: Path, folder: Path, change: Change, subtype: str = "PCM_24") -> Path:
    """A copy of a session of one take whose sounds were changed; mic -> float64 (frames,)."""
    shutil.copytree(session, folder)
    files = {path.stem: path for path in sorted(folder.rglob("*.wav"))}
    read = {name: soundfile.read(path, dtype="float64") for name, path in files.items()}
    sounds = {name: x for name, (x, _) in read.items()}
    rate = next(rate for _, rate in read.values())
    change(sounds, rate)
    for name, x in sounds.items():
        soundfile.write(files[name], x, rate, subtype)
    return folder


def invert(name: str) -> Change:
    """A mic the other way round."""
    def change(sounds: dict[str, Floats], _: int) -> None:
        sounds[name] = -sounds[name]
    return change


def clip(sounds: dict[str, Floats], _: int) -> None:
    """A preamp that clips 6 dB below the loudest hit, well below full scale."""
    top = np.abs(sounds["Snare Top"]).max() / 2
    sounds["Snare Top"] = np.clip(sounds["Snare Top"], -top, top)


def clip_at_full_scale(sounds: dict[str, Floats], _: int) -> None:
    """A converter that was driven 6 dB too hard."""
    top = np.abs(sounds["Kick In"]).max() / 2
    sounds["Kick In"] = np.clip(sounds["Kick In"] / top, -1, 1 - 2.0**-23)


def hum(sounds: dict[str, Floats], rate: int) -> None:
    """Mains of 50 Hz and four harmonics at -60 dBFS."""
    time = np.arange(len(sounds["Floor Tom"])) / rate
    for n, level_db in ((1, -62.0), (2, -68.0), (3, -66.0), (5, -72.0)):
        sounds["Floor Tom"] += 10 ** (level_db / 20) * 2**0.5 * np.sin(2 * np.pi * 50 * n * time + n)


def offset(sounds: dict[str, Floats], _: int) -> None:
    """A converter that is not at zero, -40 dBFS."""
    sounds["OH L"] += 0.01


def drop(sounds: dict[str, Floats], rate: int) -> None:
    """Three dropouts of 20 ms in ringing drums."""
    peak = int(np.abs(sounds["Snare Top"]).argmax())
    for at in (peak + rate // 50, peak + rate // 10):
        sounds["Snare Top"][at : at + rate // 50] = 0.0


def gate(sounds: dict[str, Floats], _: int) -> None:
    """A gate that closes to digital black."""
    x = sounds["Floor Tom"]
    loud = np.convolve((np.abs(x) > np.abs(x).max() / 30).astype(np.float64), np.ones(4410), "same") > 0.5
    sounds["Floor Tom"] = np.where(loud, x, 0.0)


def twice(sounds: dict[str, Floats], _: int) -> None:
    """One file exported twice, the second 6 dB down."""
    sounds["OH R"] = sounds["OH L"] / 2


def late(sounds: dict[str, Floats], rate: int) -> None:
    """A file that starts 300 ms late."""
    sounds["Room L"] = np.concatenate([np.zeros(3 * rate // 10), sounds["Room L"]])[: len(sounds["Room L"])]


def wrong_file(sounds: dict[str, Floats], rate: int) -> None:
    """A second mic of the snare, a quarter of a metre further away, that is called a tom's."""
    shift = round(0.0008 * rate)
    sounds["Floor Tom"] = 0.7 * np.concatenate([np.zeros(shift), sounds["Snare Top"]])[: len(sounds["Snare Top"])] \
        + 1e-4 * np.random.default_rng(1).standard_normal(len(sounds["Snare Top"]))


def turned_up(sounds: dict[str, Floats], _: int) -> None:
    """A preamp that was moved by 6 dB in the middle of the take."""
    half = len(sounds["OH L"]) // 2
    sounds["OH L"][:half] /= 2


def sixteen_bits(sounds: dict[str, Floats], _: int) -> None:
    """Sixteen bits exported as 24."""
    sounds["Kick Out"] = np.rint(sounds["Kick Out"] * 2**15) / 2**15


def lossy(sounds: dict[str, Floats], rate: int) -> None:
    """A file that was kept by a lossy coder, which drops all above 16 kHz."""
    x = sounds["Snare Top"]
    spectrum = np.fft.rfft(x)
    spectrum[np.fft.rfftfreq(len(x), 1 / rate) > 16000] = 0.0
    sounds["Snare Top"] = np.fft.irfft(spectrum, len(x))


def silent(sounds: dict[str, Floats], _: int) -> None:
    """A cable that was not plugged in."""
    sounds["OH R"][:] = 0.0


CASES: Mapping[str, tuple[Change, Harm, str, str]] = {
    "clipped": (clip_at_full_scale, Harm.LOST, "Kick In", "is clipped in"),
    "cut off": (clip, Harm.LOST, "Snare Top", "is cut off at"),
    "hum": (hum, Harm.POOR, "Floor Tom", "hums at 50 Hz"),
    "offset": (offset, Harm.POOR, "OH L", "has a DC offset of -40 dBFS"),
    "dropouts": (drop, Harm.LOST, "Snare Top", "drops out 2 times"),
    "gate": (gate, Harm.POOR, "Floor Tom", "is gated or edited"),
    "twice": (twice, Harm.WRONG, "OH R", "has the same audio as OH L"),
    "late": (late, Harm.WRONG, "Room L", " ms late against the other mics"),
    "kick out inverted": (invert("Kick Out"), Harm.WRONG, "Kick Out", "polarity inverted against Kick In"),
    "overhead inverted": (invert("OH R"), Harm.WRONG, "OH R", "polarity inverted against the other far mics"),
    "gain": (turned_up, Harm.WRONG, "OH L", "was turned up by some"),
    "bits": (sixteen_bits, Harm.NOTE, "Kick Out", "holds no more than 16 bits"),
    "lossy": (lossy, Harm.POOR, "Snare Top", "holds nothing above 16 kHz"),
    "silent": (silent, Harm.LOST, "OH R", "is silent"),
}


def test_nothing_is_said_of_what_is_as_it_should_be(quay: Path) -> None:
    """No word about a session without a fault."""
    assert () == findings(quay)


@pytest.mark.parametrize("case", CASES)
def test_a_fault_is_found_where_it_is(quay: Path, tmp_path: Path, case: str) -> None:
    """The fault, its harm and its mic, and nothing else."""
    change, harm, mic, what = CASES[case]

    found = findings(changed(quay, tmp_path / "session", change))

    assert [(harm, f"quay/{mic}")] == [(each.harm, each.problem.where) for each in found]
    assert what in found[0].problem.what
    assert found[0].problem.todo


def test_how_late_a_file_is(quay: Path, tmp_path: Path) -> None:
    """300 ms, and the way to the room's mic: up to 20 ms."""
    (found,) = findings(changed(quay, tmp_path / "session", late))

    assert 295 <= float(found.problem.what.split()[1]) <= 325


def test_a_file_under_another_drum_s_name(quay: Path, tmp_path: Path) -> None:
    """Named a tom's, and every loud hit in it is one of the snare's."""
    found = findings(changed(quay, tmp_path / "session", wrong_file))

    assert ["Floor Tom"] == [each.problem.where for each in found]
    assert "reach Snare Top 0.8 ms before" in found[0].problem.what


def test_sides_that_are_exchanged(quay: Path, tmp_path: Path) -> None:
    """The rooms' files exchanged: the rooms' sides disagree with those of the overheads."""
    def exchange(sounds: dict[str, Floats], _: int) -> None:
        sounds["Room L"], sounds["Room R"] = sounds["Room R"], sounds["Room L"]

    (found,) = findings(changed(quay, tmp_path / "session", exchange))

    assert "left and right exchanged" in found.problem.what


def test_a_take_that_was_cut(quay: Path, tmp_path: Path) -> None:
    """A third of a second taken out of all mics while a drum rings: at that place, of the take as a whole."""
    at_s = []

    def cut(sounds: dict[str, Floats], rate: int) -> None:
        at = int(np.abs(sounds["Floor Tom"]).argmax()) + rate // 20
        at_s.append(at / rate)
        for name, x in sounds.items():
            sounds[name] = np.concatenate([x[:at], x[at + rate // 3 :]])

    (found,) = findings(changed(quay, tmp_path / "session", cut))

    assert (Harm.LOST, "quay") == (found.harm, found.problem.where)
    assert "most mics jump at one frame, 1 time" in found.problem.what
    assert at_s == pytest.approx(list(found.at_s), abs=1e-3)


def test_a_click_in_one_mic_is_no_cut(quay: Path, tmp_path: Path) -> None:
    """Of a jump of one mic nothing is said: a cable may crackle."""
    def crackle(sounds: dict[str, Floats], _: int) -> None:
        x = sounds["Floor Tom"]
        x[int(np.abs(x).argmax()) + 2000 :] *= -1

    assert not [each for each in findings(changed(quay, tmp_path / "session", crackle)) if "jump" in each.problem.what]


def test_hits_that_were_copied(quay: Path, tmp_path: Path) -> None:
    """A hit, put over a later one in all mics, is the same sample by sample."""
    def copy(sounds: dict[str, Floats], rate: int) -> None:
        loud = np.abs(sounds["Snare Top"])
        first = int(loud.argmax())
        loud[max(0, first - rate) : first + rate] = 0.0
        again, before, length = int(loud.argmax()) + 77, rate // 5, rate // 2
        for x in sounds.values():
            x[again - before : again - before + length] = x[first - before : first - before + length]

    found = [each for each in findings(changed(quay, tmp_path / "session", copy)) if "the same as" in each.problem.what]

    assert [(Harm.POOR, "quay")] == [(each.harm, each.problem.where) for each in found]
    assert "1 hit is the same as earlier ones in all mics" in found[0].problem.what


def test_polarity_that_is_another_in_the_next_take(quay: Path, tmp_path: Path) -> None:
    """Of two mics of one drum; which of them it was nobody can tell."""
    folder = tmp_path / "session"
    changed(quay, folder / "one", lambda *_: None)
    changed(quay, folder / "two", invert("Kick In"))

    found = [each for each in findings(folder) if "against one" in each.problem.what]

    assert 1 == len(found)
    assert found[0].problem.where == "two quay/Kick Out"


def test_a_polarity_that_is_declared_is_no_fault(quay: Path, tmp_path: Path) -> None:
    """What session.toml turns is taken as it is then; a mic that it turns for nothing is told, and what to do."""
    declare = '[mics."Kick Out"]\npolarity = -1\n'
    right = changed(quay, tmp_path / "right", invert("Kick Out"))
    (right / "session.toml").write_text(declare, encoding="utf-8")
    wrong = changed(quay, tmp_path / "wrong", lambda *_: None)
    (wrong / "session.toml").write_text(declare, encoding="utf-8")

    assert () == findings(right)
    (found,) = findings(wrong)
    assert "inverted" in found.problem.what
    assert "take its polarity = -1 out" in found.problem.todo


def test_a_take_that_nobody_listens_to(quay: Path, tmp_path: Path) -> None:
    """A folder of files that the session leaves out has no faults, and stops nothing."""
    changed(quay, tmp_path / "session" / "one", lambda *_: None)
    (tmp_path / "session" / "overdub").mkdir()
    soundfile.write(tmp_path / "session" / "overdub" / "Lead Vocal.wav", np.zeros(1000), 48000)

    assert () == findings(tmp_path / "session")


def test_a_trigger_is_nobody_s_own_mic(quay: Path, tmp_path: Path) -> None:
    """A trigger, half a millisecond ahead of the kick's mic, changes no distance."""
    plain = checked(open_session(quay), jobs=1, progress=lambda *_: None).tracks["quay"]
    folder = changed(quay, tmp_path / "session", lambda *_: None)
    (kick,) = folder.rglob("Kick In.wav")
    x, rate = soundfile.read(kick)
    soundfile.write(kick.with_name("Kick Trig.wav"), np.roll(x, -rate // 2000), rate, "PCM_24")

    beside = sorted(checked(open_session(folder), jobs=1, progress=lambda *_: None).tracks["quay"],
                    key=lambda track: track.mic.name == "Kick Trig")

    trigger = beside.pop()
    assert "Kick Trig" == trigger.mic.name
    for before, after in zip(plain, beside, strict=True):
        assert before.delays.keys() == after.delays.keys()
        for drum, delay in before.delays.items():
            assert delay.ms == pytest.approx(after.delays[drum].ms, abs=0.1), (before.mic.name, drum)


def test_a_hit_between_two_stretches_is_one(tmp_path: Path) -> None:
    """A snare 2 ms before 5 s of the take, whose bleed reaches the kick's mic after it, is no copy of itself."""
    rate = 48000
    sounds = np.random.default_rng(4).normal(size=(2, 12 * rate)) * 1e-5
    burst = np.random.default_rng(5).normal(size=rate // 2) * np.exp(-np.arange(rate // 2) / (0.03 * rate))
    for own, at in ((1, 4.998), (0, 9.998)):
        for mic, (later, level) in enumerate([(0.0, 0.1) if mic == own else (0.003, 0.01) for mic in (0, 1)]):
            first = round((at + later) * rate)
            sounds[mic, first : first + len(burst)] += level * burst
    for name, x in zip(("Kick", "Snare"), sounds, strict=True):
        soundfile.write(tmp_path / f"{name}.wav", x, rate, "PCM_24")

    assert not [each for each in findings(tmp_path) if "the same as" in each.problem.what]


def test_workers_change_nothing(quay: Path, tmp_path: Path) -> None:
    """However many read, the findings are the same."""
    folder = changed(quay, tmp_path / "session", hum)

    assert findings(folder, jobs=1) == findings(folder, jobs=3)


def test_distances_are_those_of_the_room(quay: Path) -> None:
    """Path differences of the generated room within 3 cm for drums that sound at one place, in every mic in the open
    that hears them clearly: strokes land 1.2 cm apart.

    Sound travels 331.3 m/s at 0 degrees C and, as the square root of the absolute temperature, 343.2 m/s at 20
    (ISO 9613-1), 2.9 ms a metre.
    """
    sheet = {track.mic.name: track for track in
             checked(open_session(quay), jobs=1, progress=lambda *_: None).tracks["quay"]}
    mics = {mic.name: mic.place for mic in QUAY.mics}
    drums = {drum.name: drum.place for drum in QUAY.drums}

    def way(drum: str, mic: str) -> float:
        return float(np.linalg.norm(np.subtract(mics[mic], drums[drum])))

    told = {(drum, mic): delay for mic, track in sheet.items() for drum, delay in track.delays.items()
            if drum != "kick" and mic != "Kick In"}  # its two heads lie 40 cm apart; that mic is behind one of them
    assert {(drum, mic) for drum in ("snare", "floor") for mic in mics if mic != "Kick In"} == set(told)
    for (drum, mic), delay in told.items():
        home = {"snare": "Snare Top", "floor": "Floor Tom"}[drum]
        assert delay.clear
        assert delay.ms / 1e3 * speed_of_sound(20.0) == pytest.approx(way(drum, mic) - way(drum, home), abs=0.03)


def test_the_speed_of_sound() -> None:
    """343.2 m/s at 20 degrees C, 2.9 ms a metre (ISO 9613-1)."""
    assert speed_of_sound(20.0) == pytest.approx(343.2, abs=0.1)
    assert 1e3 / speed_of_sound(20.0) == pytest.approx(2.914, abs=0.01)


def test_samples_that_are_no_numbers(tmp_path: Path) -> None:
    """Not a number in one mic, at 0.5 s: said of that one, at that place."""
    noise = np.random.default_rng(2).normal(size=(2, 48000)) * 1e-3
    noise[0, 24000:24010] = (np.nan, np.inf) * 5
    for name, x in zip(("Kick", "OH"), noise, strict=True):
        soundfile.write(tmp_path / f"{name}.wav", x, 48000, "FLOAT")

    (found,) = findings(tmp_path)

    assert (Harm.LOST, f"{tmp_path.name}/Kick", (0.5,)) == (found.harm, found.problem.where, found.at_s)
    assert "NaN or infinity" in found.problem.what


@pytest.mark.parametrize("frames", [1, 100, 4000, 50_000])
def test_takes_of_any_length(tmp_path: Path, frames: int) -> None:
    """Short recordings of noise have no fault."""
    for name, x in zip(("Kick", "Snare"), np.random.default_rng(3).normal(size=(2, frames)) * 0.01, strict=True):
        soundfile.write(tmp_path / f"{name}.wav", x, 48000, "PCM_24")

    assert () == findings(tmp_path)
