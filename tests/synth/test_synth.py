"""The session generator: its truth is what was rendered, its physics is the books', and a seed says it all."""

from __future__ import annotations

import errno
import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from oneshot.audio import io
from oneshot.core.errors import SessionError, SettingsError, WorkError
from oneshot.core.records.session import Floats32
from oneshot.synth import (
    DrumPlan,
    KitPlan,
    MicPlan,
    RoomPlan,
    Stroke,
    TakePlan,
    demo_session,
    family,
    flaws,
    groove,
    render_take,
    truth,
    write_session,
)
from oneshot.synth.demo import PLAN, takes
from oneshot.synth.kits import EIGHT, FLOOR, FLOOR_TOM, HAT, KICK, SNARE, SNARE_TOP, SNARE_TRIGGER
from oneshot.synth.patterns import counted_in, crowded
from oneshot.synth.room import Acoustics, Radiator
from oneshot.synth.scene import Scene
from oneshot.synth.strokes import Part

SR = 48000
Rendered = tuple[Floats32, dict[str, Any]]
SMALL = KitPlan("small", RoomPlan(), (KICK, SNARE, HAT), EIGHT[:4] + EIGHT[6:], SR)
FEW = TakePlan("few", (Stroke(0, "kick", "hit"), Stroke(0.9, "snare", "centre"), Stroke(1.8, "hat", "closed"),
                       Stroke(1.804, "kick", "hit", -6)), tail_s=1.5)


@pytest.fixture(scope="module")
def few() -> Rendered:
    """Four strokes in six mics."""
    return render_take(SMALL, FEW, seed=3)


def omni(name: str, place: tuple[float, float, float]) -> MicPlan:
    """A mic that hears all directions alike, at a place."""
    return MicPlan(name, place, (0.0, 0.0, 0.0), pattern="omni", noise_dbfs=-110)


# -------------------------------------------------------------------------------------------------------------- physics


def test_speed_of_sound() -> None:
    """Sound travels at 343.2 m/s at 20 °C and 331.5 m/s at 0 °C (ISO 9613-1, from memory)."""
    assert 343.2 == RoomPlan(temperature_c=20).speed
    assert 331.3 == pytest.approx(RoomPlan(temperature_c=0).speed, abs=0.3)


def test_travel_time_is_distance_over_speed() -> None:
    """The direct sound of a source 1.716 m away arrives after 5 ms, to a hundredth of a frame."""
    acoustics = Acoustics(RoomPlan(), SR, seed=1)
    source = Radiator("voice", (0.0, 0.0, 1.0), 0.01)
    near, far = (acoustics.response(source, omni(n, (0.0, y, 1.0))) for n, y in (("a", 0.343), ("b", 2.059)))
    head = slice(0, 400)
    cross = np.fft.rfft(far[head], 4096) * np.conj(np.fft.rfft(near[head], 4096))
    f = np.arange(len(cross)) / 4096
    band = (f > 0.01) & (f < 0.3)
    slope = np.polyfit(f[band], np.unwrap(np.angle(cross))[band], 1)[0]

    assert 240.0 == pytest.approx(-slope / (2 * np.pi), abs=0.6)  # the floor's reflection bends the phase a little


def test_short_and_long_strokes_go_through_one_desk() -> None:
    """A mic hears the same of a sound's first 50 ms whether it is cut short or rings for seconds: convolution has no
    other length (numpy.convolve is the reference).
    """
    scene, sound, head = Scene(PLAN, 1), np.zeros(4 * SR, np.float32), round(0.05 * SR)
    sound[:head] = np.random.default_rng(2).standard_normal(head)
    radiator = scene.surfaces["hat", "plate"]
    known = scene.response(radiator) * scene.gains[:, None]
    expected = [np.convolve(sound[:head].astype(np.float64), row)[:head] for row in known]
    for frames in (head, SR // 4, SR, 4 * SR):
        heard = scene.image([Part("plate", sound[:frames])], "hat", 0.0, np.zeros(3))[:, :head]
        assert expected == pytest.approx(heard, abs=1e-4 * float(np.abs(expected).max())), frames


def test_a_fractional_frame_is_kept() -> None:
    """Moving a mic by 0.3 frames' worth of air moves the sound by 0.3 frames."""
    acoustics = Acoustics(RoomPlan((60, 60, 60), (-30, -30, -30)), SR, seed=1)
    source = Radiator("voice", (0.0, 0.0, 0.0), 0.01)
    step = 0.3 * 343.2 / SR
    one, two = (acoustics.response(source, omni("m", (1.0 + d, 0.0, 0.0)))[:400] for d in (0.0, step))
    cross = np.fft.rfft(two, 1024) * np.conj(np.fft.rfft(one, 1024))
    f = np.arange(len(cross)) / 1024
    slope = np.polyfit(f[10:300], np.unwrap(np.angle(cross))[10:300], 1)[0]

    assert 0.3 == pytest.approx(-slope / (2 * np.pi), abs=0.01)


def test_level_falls_with_distance() -> None:
    """Twice as far is 6 dB less in the direct sound (inverse distance law, any acoustics textbook, from memory)."""
    acoustics = Acoustics(RoomPlan((60, 60, 60), (-30, -30, -30)), SR, seed=1)
    source = Radiator("voice", (0.0, 0.0, 0.0), 0.01)
    direct = []
    for metres in (1.0, 2.0):
        at = round(metres / 343.2 * SR)
        direct.append(float(acoustics.response(source, omni("m", (metres, 0.0, 0.0)))[at - 40 : at + 80].sum()))

    assert 6.02 == pytest.approx(20 * np.log10(direct[0] / direct[1]), abs=0.1)


def test_room_decays_as_planned() -> None:
    """The late decay of a response, by backward integration (Schroeder 1965, from memory), has the planned T60."""
    acoustics = Acoustics(RoomPlan(t60_s=((1000.0, 0.8),)), SR, seed=5)
    tail = acoustics.response(Radiator("voice", (0.0, 0.0, 1.0), 0.1), omni("m", (1.0, 4.0, 1.5))).astype(float)
    left = 10 * np.log10(np.cumsum(tail[::-1] ** 2)[::-1] + 1e-12)
    left -= left[0]
    a, b = np.argmax(left < -10), np.argmax(left < -35)

    assert 0.8 == pytest.approx(60 / 25 * (b - a) / SR, rel=0.12)


def test_no_two_mics_hear_copies() -> None:
    """What a far kick sends into two mics differs by more than a gain and a delay: coherence stays well below one."""
    acoustics = Acoustics(RoomPlan(), SR, seed=1)
    source = Radiator("kick", (0.0, 0.0, 0.3), 0.5)
    one, two = (acoustics.response(source, omni(n, p)) for n, p in (("a", (-1.5, 3.6, 1.7)), ("b", (1.6, 3.7, 1.7))))
    cross = np.fft.irfft(np.fft.rfft(one, 2**17) * np.conj(np.fft.rfft(two, 2**17)))
    alike = np.abs(cross).max() / np.sqrt(np.sum(one.astype(float) ** 2) * np.sum(two.astype(float) ** 2))

    assert alike < 0.75


def test_the_lower_mic_hears_the_head_inverted() -> None:
    """Snare top and bottom begin with opposite signs, as two sides of one head move (common practice, no source)."""
    audio, known = render_take(SMALL, TakePlan("one", (Stroke(0, "snare", "centre"),), tail_s=0.5), seed=2)
    start = [known["hits"][0]["onset"][m] for m in ("Snare Top", "Snare Bottom")]
    top, bottom = (audio[k, at : at + 240].astype(float) for k, at in zip((2, 3), start, strict=True))
    low = np.ones(24) / 24
    cross = np.correlate(np.convolve(top, low, "same"), np.convolve(bottom, low, "same"), "full")

    assert cross[np.argmax(np.abs(cross))] < 0


# ---------------------------------------------------------------------------------------------------------------- truth


def test_onset_rule_on_hand_written_samples() -> None:
    """The onset is the first frame above -30 dB of the peak of the first 50 ms: 0.0317 of it, not 0.0316."""
    signal = np.zeros(200, np.float32)
    signal[[10, 20, 30]] = 0.0315, 0.0318, 1.0

    assert 20 == truth.onset_frame(signal, 1000 * 100)
    assert 0 == truth.onset_frame(np.zeros(50, np.float32), SR)


def test_sharpness_needs_steepness_and_quiet() -> None:
    """A click is sharp, the same click under high noise is not, and a slow swell is not."""
    click = np.zeros(4800, np.float32)
    click[1000:] = np.exp(-np.arange(3800) / 400)
    swell = np.linspace(0, 1, 4800, dtype=np.float32)

    assert truth.is_sharp(click, -80, SR)
    assert not truth.is_sharp(click, -40, SR)
    assert not truth.is_sharp(swell, -80, SR)


def test_onsets_are_where_the_sound_begins(few: Rendered) -> None:
    """A lone stroke's onset in each mic is the first frame of the rendered audio that passes -30 dB of its peak."""
    audio, known = few
    hit = known["hits"][0]
    for k, mic in enumerate(known["mics"]):
        row = np.abs(audio[k, hit["start"] : hit["start"] + 2400])

        assert hit["onset"][mic] == hit["start"] + int(np.argmax(row > row.max() * 10**-1.5))


def test_attack_is_travel_time_after_the_stroke(few: Rendered) -> None:
    """The attack lies the way from drum to home mic after the stroke: 0.1 to 0.5 m, or up to 1.5 m to an overhead."""
    for hit in few[1]["hits"]:
        way_ms = (hit["attack"] - hit["start"]) / SR * 1e3

        assert 0.2 < way_ms < (4.5 if hit["drum"] == "hat" else 1.5)
        assert 0 <= hit["onset"][few[1]["homes"][hit["drum"]]] - hit["attack"] + 1 < 0.7e-3 * SR


def test_bleed_is_measured_against_all_else(few: Rendered) -> None:
    """Strokes 4 ms apart bleed into each other, in each mic as much as they are louder or softer there."""
    hits = {h["id"]: h for h in few[1]["hits"]}
    pair = [h for h in hits.values() if h["start"] > 1.7 * SR + SR]

    assert {"hat", "kick"} == {h["drum"] for h in pair}
    for mic in few[1]["mics"]:
        a, b = (h["bleed_db"][mic] for h in pair)
        assert 0 == pytest.approx(a + b, abs=1.5)
    assert all(v < -40 for v in hits[0]["bleed_db"].values())


def test_energy_follows_strength() -> None:
    """A stroke 20 dB softer has about 20 dB less energy, and is duller."""
    take = TakePlan("two", (Stroke(0, "kick", "hit", -20), Stroke(1.5, "kick", "hit", 0)), tail_s=1.5)
    audio, known = render_take(replace(SMALL, drums=(KICK, SNARE)), take, seed=1)
    soft, hard = known["hits"]
    power = [np.abs(np.fft.rfft(audio[0, h["start"] : h["start"] + SR // 10])) ** 2 for h in (soft, hard)]
    high = [float(np.sum(p[100:600]) / np.sum(p)) for p in power]  # 1 to 6 kHz

    assert 20 == pytest.approx(hard["energy_db"] - soft["energy_db"], abs=5)
    assert high[1] > 1.5 * high[0]
    assert (1, 2) == (soft["layer"], hard["layer"])


@pytest.mark.full
def test_a_closing_hat_and_a_hand_stop_the_ring() -> None:
    """An open hat ends where the foot closes it, or where a hand grips it."""
    free, foot = (TakePlan("t", (Stroke(0, "hat", "open"), *more), tail_s=4)
                  for more in ((), (Stroke(0.5, "hat", "foot"),)))
    ring = [render_take(SMALL, t, seed=1)[1]["hits"][0] for t in (free, foot)]
    gripped = TakePlan("t", (Stroke(0, "hat", "open", choke_s=0.3),), tail_s=2)
    held = render_take(SMALL, gripped, seed=1)[1]["hits"][0]

    assert (ring[0]["ring"] - ring[0]["start"]) / SR > 1.5
    assert (ring[1]["ring"] - ring[1]["start"]) / SR < 1.1
    assert (held["ring"] - held["start"]) / SR < 1.1


def test_wires_answer_the_kick() -> None:
    """With loose wires a kick is louder in the snare's bottom mic, above 1.5 kHz, than with quiet ones."""
    take = TakePlan("one", (Stroke(0, "kick", "hit"),), tail_s=0.5)
    high = []
    for buzz in (None, -6.0):
        plan = replace(SMALL, drums=(KICK, replace(SNARE, buzz_db=buzz)), mics=EIGHT[:4])
        audio, _ = render_take(plan, take, seed=1)
        high.append(float(np.sum(np.abs(np.fft.rfft(audio[3, SR : SR + SR // 4])[500:]) ** 2)))

    assert high[1] > 2 * high[0]


# ------------------------------------------------------------------------------------------------------ plans and files


@pytest.mark.full
def test_one_seed_one_session() -> None:
    """The same seed renders the same samples and truth; another seed renders others."""
    take = TakePlan("one", (Stroke(0, "snare", "centre"), Stroke(0.3, "hat", "closed")), tail_s=0.5)
    a, b, c = (render_take(SMALL, take, seed=s) for s in (1, 1, 2))

    assert np.array_equal(a[0], b[0])
    assert a[1] == b[1]
    assert not np.array_equal(a[0], c[0])


def test_written_session(tmp_path: Path) -> None:
    """Files carry the rendered samples at the plan's rate and format, pairs as one stereo file, truth beside them."""
    pair = [replace(m, file="OH") for m in EIGHT[6:]]
    plan = KitPlan("p", RoomPlan(), (SNARE, HAT), (SNARE_TOP, *pair), 44100, "PCM_24")
    take = TakePlan("take 1", (Stroke(0, "snare", "centre"),), tail_s=0.3)
    write_session(tmp_path / "s", plan, [take], seed=4)
    audio, known = render_take(plan, take, seed=4)
    stereo, rate = soundfile.read(tmp_path / "s" / "take 1" / "OH.wav")
    said = json.loads((tmp_path / "s" / "take 1.truth.json").read_text())

    assert ["OH.wav", "Snare Top.wav"] == sorted(p.name for p in (tmp_path / "s" / "take 1").iterdir())
    assert (44100, "PCM_24") == (rate, soundfile.info(tmp_path / "s" / "take 1" / "OH.wav").subtype)
    assert np.abs(stereo.T - audio[1:]).max() <= 2**-23
    assert known["hits"][0]["onset"] == said["hits"][0]["onset"]
    assert {"sr", "mics", "homes", "noise_db", "scale", "hits"} <= set(said)


def test_a_folder_in_use_is_refused(tmp_path: Path) -> None:
    """Nothing is written into a folder that holds something."""
    (tmp_path / "mine.txt").write_text("keep")

    with pytest.raises(SessionError, match="not empty"):
        demo_session(tmp_path)
    with pytest.raises(SessionError, match="not a folder"):
        demo_session(tmp_path / "mine.txt")
    assert ["mine.txt"] == [p.name for p in tmp_path.iterdir()]


@pytest.mark.parametrize("there", [False, True])
@pytest.mark.parametrize("error", [OSError(errno.ENOSPC, "No space left on device"), KeyboardInterrupt()])
def test_a_session_cut_off_is_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, there: bool,
                                   error: BaseException) -> None:
    """A disk that fills up at the second file, or an interrupt: nothing is left, and the same folder serves again; what
    a killed process left in it is no hindrance.
    """
    plan = KitPlan("p", RoomPlan(), (SNARE, HAT), (SNARE_TOP, *EIGHT[6:]), 44100, "PCM_24")
    take = TakePlan("take 1", (Stroke(0, "snare", "centre"),), tail_s=0.1)
    folder, wrote, write = tmp_path / "s", [0], io.write_wav
    if there:
        gone = subprocess.run([sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True, check=True)
        (folder / f".session.making-{int(gone.stdout)}" / "take 1").mkdir(parents=True)

    def full(path: Path, *rest: Any) -> None:
        wrote[0] += 1
        if wrote[0] == 2:
            path.write_bytes(b"RIFF")
            raise error
        write(path, *rest)

    monkeypatch.setattr(io, "write_wav", full)
    with pytest.raises((WorkError, KeyboardInterrupt), match=r"s cannot be written \(no space left on device\)|^$"):
        write_session(folder, plan, [take], seed=4)
    assert ([folder] if there else []) == list(tmp_path.rglob("*"))

    write_session(folder, plan, [take], seed=4)
    assert ["take 1", "take 1.truth.json"] == sorted(each.name for each in folder.iterdir())


@pytest.mark.parametrize(("make", "match"), [
    (lambda: DrumPlan("x", "gong", (0, 0, 0)), "gong"),
    (lambda: MicPlan("m", (0, 0, 0), (0, 0, 0)), "look"),
    (lambda: MicPlan("m", (0, 0, 0), (0, 0, 1), pattern="figure"), "figure"),
    (lambda: KitPlan("k", RoomPlan(), (KICK, KICK), EIGHT[:1]), "each once"),
    (lambda: KitPlan("k", RoomPlan(), (HAT,), EIGHT[:1]), "no drum of it"),
    (lambda: KitPlan("k", RoomPlan(), (KICK,), (replace(EIGHT[0], dead=True),)), "add one"),
    (lambda: Stroke(-1, "kick", "hit"), "0 s or later"),
    (lambda: TakePlan("t", ()), "no strokes"),
    (lambda: render_take(SMALL, TakePlan("t", (Stroke(0, "gong", "hit"),))), "no drum"),
    (lambda: render_take(SMALL, TakePlan("t", (Stroke(0, "kick", "rim"),))), "articulation"),
])
def test_plans_that_cannot_be_rendered(make: object, match: str) -> None:
    """A plan that makes no sense is refused in one line that says what is wrong."""
    with pytest.raises(SettingsError, match=match):
        make()  # type: ignore[operator]


def test_the_family_is_varied() -> None:
    """At least eight plans: two mics, a stereo mix, more than twelve mics; 44.1 to 96 kHz; 16 bit, 24 bit and float."""
    plans = [plan for plan, _ in family().values()]

    assert len(plans) >= 8
    assert {44100, 48000, 96000} <= {p.sample_rate for p in plans}
    assert {"PCM_16", "PCM_24", "FLOAT"} <= {p.subtype for p in plans}
    assert {2, 5, 8} <= {len(p.mics) for p in plans}
    assert max(len(p.mics) for p in plans) >= 12
    assert any(p.mixdown for p in plans)


@pytest.mark.full
def test_every_plan_of_the_family_renders() -> None:
    """Each plan, played for its first strokes, gives finite audio below full scale, heard by every living mic."""
    for name, (plan, played) in family().items():
        short = replace(played[-1], strokes=played[-1].strokes[:6], tail_s=0.4, talk=(), click_bpm=None)
        audio, known = render_take(plan, short, seed=1)

        assert np.isfinite(audio).all(), name
        assert 0.05 < np.abs(audio).max() <= 1.0, name
        assert 6 == len(known["hits"]), name


def test_hard_cases_are_in_the_crowded_take() -> None:
    """Flams 20 to 40 ms apart, ghosts 25 dB down, three drums within 15 ms and choked crashes occur."""
    strokes = sorted(crowded("t", 1).strokes, key=lambda s: s.at_s)
    snare = [s for s in strokes if s.drum == "snare"]
    gaps = np.diff([s.at_s for s in snare])
    together = [len({s.drum for s in strokes if 0 <= s.at_s - t.at_s < 0.015}) for t in strokes]

    assert np.any((gaps > 0.019) & (gaps < 0.041))
    assert min(s.strength_db for s in snare) < -25
    assert max(together) >= 3
    assert any(s.choke_s for s in strokes)


def test_a_trigger_hears_its_drum_alone() -> None:
    """A contact pickup hears another drum at least 30 dB below its own, and no stroke's truth is told of it."""
    plan = replace(SMALL, mics=(*EIGHT[:4], SNARE_TRIGGER))
    audio, known = render_take(plan, replace(FEW, strokes=FEW.strokes[:2]), seed=1)
    kick, snare = (np.abs(audio[4, h["start"] : h["start"] + SR // 4]).max() for h in known["hits"])

    assert 20 * np.log10(kick / snare) < -30
    assert "Snare Trigger" not in known["mics"]
    with pytest.raises(SettingsError, match="a trigger needs the drum"):
        MicPlan("Trigger", (0, 0, 0), (0, 0, 1), trigger=True)


def test_sticks_are_heard_and_are_no_strokes() -> None:
    """A count-in of four is on the recording before the first stroke, and in no row of the truth."""
    take = counted_in(TakePlan("one", (Stroke(0, "kick", "hit"),), tail_s=0.5), 120)
    audio, known = render_take(SMALL, take, seed=1)
    quiet, counted = (np.abs(audio[:, a : a + SR // 20]).max() for a in (SR // 2, SR))

    assert (0.0, 0.5, 1.0, 1.5) == take.sticks_s
    assert 2.0 == take.strokes[0].at_s
    assert counted > 10 * quiet
    assert 1 == len(known["hits"])


def test_a_tom_hums_along() -> None:
    """An undamped tom is louder at its own pitch after a kick than one that keeps quiet."""
    take, power = TakePlan("one", (Stroke(0, "kick", "hit"),), tail_s=0.7), []
    for hum in (None, -20.0):
        plan = replace(SMALL, drums=(KICK, replace(FLOOR, buzz_db=hum)), mics=(EIGHT[0], FLOOR_TOM))
        audio, _ = render_take(plan, take, seed=1)
        spectrum = np.abs(np.fft.rfft(audio[1, SR + SR // 5 : SR + SR // 5 + SR // 2]))
        power.append(float(spectrum[int(FLOOR.tune_hz / 2) - 3 : int(FLOOR.tune_hz / 2) + 4].max()))

    assert power[1] > 2 * power[0]


def test_the_hard_cases_of_hands_and_feet_are_in_the_family() -> None:
    """Ghosts 30 dB down, side sticks, brushes, mallets, chokes, foot hats, sticks, talk, a click, and faulty mics."""
    takes = [t for _, played in family().values() for t in played]
    strokes = [s for t in takes for s in t.strokes]
    mics = [m for plan, _ in family().values() for m in plan.mics]

    assert min(s.strength_db for s in strokes if s.drum == "snare") <= -32
    assert {"side stick", "brush", "mallet", "foot", "open", "bell", "rimshot"} <= {s.articulation for s in strokes}
    assert any(s.choke_s for s in strokes)
    assert any(t.sticks_s for t in takes)
    assert any(t.talk for t in takes)
    assert any(t.click_bpm for t in takes)
    assert any(t.inverted for t in takes)
    assert any(m.noise_dbfs >= -50 for m in mics if m.judged)
    for flaw in ("hum_dbfs", "driven_db", "gate_dbfs", "crushed", "dead", "talk", "trigger"):
        assert any(getattr(m, flaw) for m in mics), flaw


def test_the_demo_is_what_it_says() -> None:
    """At least eight mics, two takes, kick, snare, two toms, hats and a cymbal; the demo is not rendered here."""
    kinds = [d.kind for d in PLAN.drums]
    lengths = [max(s.at_s for s in t.strokes) for t in takes()]

    assert len(PLAN.mics) >= 8
    assert ["crash", "hat", "kick", "snare", "tom", "tom"] == sorted(kinds)
    assert 2 == len(lengths)
    assert 80 < lengths[0] < 120
    assert 30 < lengths[1] < 50


# ---------------------------------------------------------------------------------------------------------------- flaws


def test_a_dead_a_crushed_and_a_gated_mic() -> None:
    """A dead mic holds noise alone; a crushed one is squeezed; a gated one is digital black between strokes."""
    mics = (EIGHT[0], replace(EIGHT[2], gate_dbfs=-35.0), replace(EIGHT[6], dead=True),
            replace(EIGHT[7], name="Crush", crushed=True), EIGHT[7])
    plan = replace(SMALL, mics=mics)
    strokes = (Stroke(0, "kick", "hit"), Stroke(1.5, "snare", "centre"))
    audio, known = render_take(plan, TakePlan("t", strokes, 2.0), seed=1)
    crest = [np.abs(row).max() / np.sqrt(np.mean(row[SR : 3 * SR] ** 2)) for row in audio]

    assert ["Kick In", "Snare Top", "OH R"] == known["mics"]
    assert -84 == pytest.approx(20 * np.log10(np.sqrt(np.mean(audio[2].astype(float) ** 2))), abs=0.2)
    assert 0 == np.count_nonzero(audio[1, : SR // 2])
    assert crest[3] < 0.6 * crest[4]


def test_hum_has_its_level_and_pitch() -> None:
    """Hum of -50 dBFS measures so, and its strongest line is the mains frequency."""
    tone = flaws.hum(-50.0, 50.0, SR * 2, SR).astype(float)

    assert -50 == pytest.approx(20 * np.log10(np.sqrt(np.mean(tone**2))), abs=0.1)
    assert 50 == np.argmax(np.abs(np.fft.rfft(tone))) / 2


def test_speech_is_whole_whatever_the_seed() -> None:
    """Speech holds finite samples and peaks at a quarter of full scale, for any seed."""
    for seed in range(40):
        said = flaws.speech(0.7, 44100, np.random.default_rng(seed))

        assert 0.25 == pytest.approx(np.abs(said).max(), rel=1e-6)


@pytest.mark.full
def test_talk_and_clicks_are_heard_and_told() -> None:
    """Speech and a leaking click raise what is heard before the first stroke, and the truth says where speech was."""
    strokes = (Stroke(2.0, "kick", "hit"),)
    quiet, loud = (render_take(SMALL, t, seed=1) for t in (
        TakePlan("t", strokes, 1.0), TakePlan("t", strokes, 1.0, talk=((0.2, 1.0),), click_bpm=120)))
    level = [float(np.sum(a[4, SR : 2 * SR].astype(float) ** 2)) for a in (quiet[0], loud[0])]

    assert level[1] > 10 * level[0]
    assert [[int(1.2 * SR), int(2.2 * SR)]] == loud[1]["talk"]


def test_a_groove_keeps_time() -> None:
    """A pattern's strokes lie within 11 ms of the grid of its tempo."""
    made = groove("g", 2, 120, {("kick", "hit"): "X...X...X...X..."}, seed=1)
    off = [(s.at_s - 0.05) / 0.5 - round((s.at_s - 0.05) / 0.5) for s in made.strokes]

    assert 8 == len(made.strokes)
    assert max(map(abs, off)) * 0.5 < 0.011
