"""The analysis of a small session with known truth: places, delays, levels, bleed and names of its hits."""

from __future__ import annotations

import shutil
from collections import Counter
from dataclasses import replace
from pathlib import Path
from statistics import median

import numpy as np
import pytest
import soundfile
from stage_inputs import PIER, PIER_TAKE, RATE, Pier, few, noise, write_mics

from oneshot.analysis.complete import completed
from oneshot.analysis.result import Analysis
from oneshot.analysis.run import analyse
from oneshot.core.air import speed_of_sound
from oneshot.core.cache.disk import open_store
from oneshot.core.errors import WorkError
from oneshot.core.records.hits import Hit
from oneshot.core.workers import working
from oneshot.session.open import fingerprint_parts, open_session
from oneshot.synth import write_session

SR = PIER.sample_rate
HOMES = {"kick": "Kick In", "snare": "Snare Top", "floor": "Floor Tom"}
CLEAR = ("Kick In", "Kick Out", "Snare Top", "Floor Tom", "OH L", "OH R")


def analysed(folder: Path, jobs: int = 2) -> Analysis:
    """The analysis of a session folder."""
    session = open_session(folder)
    with working(jobs):
        found = analyse(session, store=open_store(fingerprint_parts(session)), progress=lambda stage, share: None)
    return completed(session, found, jobs=jobs)


@pytest.fixture(scope="module")
def found(pier: Pier) -> Analysis:
    """The analysis of the pier."""
    return analysed(pier.session)


def of_drum(found: Analysis, drum: str) -> list[Hit]:
    """The hits of one drum."""
    return [h for h in found.hits if h.drum == drum]


# ----------------------------------------------------------------------------------------------------------------- hits


def test_every_stroke_is_one_hit_of_its_drum(pier: Pier, found: Analysis) -> None:
    """As many hits as strokes, each of the right drum; numbers count up in order of time."""
    assert [t["drum"] for t in pier.known["hits"]] == [h.drum for h in found.hits]
    assert list(range(1, len(found.hits) + 1)) == [h.id for h in found.hits]
    assert [h.onset for h in found.hits] == sorted(h.onset for h in found.hits)
    assert {"pier"} == {h.take for h in found.hits}


def test_drums_are_named_and_at_home(found: Analysis) -> None:
    """Each drum is called as its mic says and measured there; the overheads and the outer kick mic name none."""
    assert HOMES == {d.name: d.home for d in found.drums}
    assert {"kick": "kick", "snare": "snare", "floor": "tom"} == {d.name: d.kind for d in found.drums}


def test_articulations_are_counted(found: Analysis) -> None:
    """A drum's articulations are those of its hits, the most frequent one first."""
    for drum in found.drums:
        counts = Counter(h.articulation for h in of_drum(found, drum.name))

        assert set(counts) == set(drum.articulations)
        assert counts[drum.articulations[0]] == max(counts.values())


def test_onsets_are_where_the_sound_passes_minus_30_db(pier: Pier, found: Analysis) -> None:
    """In every mic the onset of a stroke alone lies within a tenth of a millisecond of the truth, on the median."""
    for mic in CLEAR:
        off = [abs(h.onsets[mic] - pier.true(h)["onset"][mic]) for h in found.hits if h.onsets[mic] is not None
               and mic in pier.true(h)["sharp"]]

        assert len(off) > 8, mic
        assert median(off) <= 0.0001 * SR, (mic, off)


def test_a_hit_begins_where_it_is_first_heard(pier: Pier, found: Analysis) -> None:
    """The onset of a hit is the earliest over its mics."""
    for each in found.hits:
        assert each.onset == min(f for f in each.onsets.values() if f is not None)
        assert abs(each.onset - pier.true(each)["first"]) <= 0.001 * SR


def test_attacks_of_a_group_lie_alike(pier: Pier, found: Analysis) -> None:
    """Over all strengths of a drum the attack lies against the true one within the same tenth of a millisecond."""
    for drum in HOMES:
        off = [found.attacks[h.id] - pier.true(h)["attack"] for h in of_drum(found, drum)]

        assert np.std(off) <= 0.0001 * SR, (drum, off)


# --------------------------------------------------------------------------------------------------------------- delays


def test_delays_are_those_of_the_room(found: Analysis) -> None:
    """Delays follow from distances at 343.2 m/s (ISO 9613-1:1993, from memory), to 0.3 ms: a drum is no point."""
    mics = {m.name: np.array(m.place) for m in PIER.mics}
    for drum in ("snare", "floor"):
        place = np.array(PIER.drum(drum).place)
        home = np.linalg.norm(mics[HOMES[drum]] - place)
        for mic in ("OH L", "OH R"):
            expected = (np.linalg.norm(mics[mic] - place) - home) / speed_of_sound(20.0) * 1e3

            assert expected == pytest.approx(found.delays_ms["pier"][drum][mic], abs=0.3), (drum, mic)


def test_delays_are_those_of_the_strokes(pier: Pier, found: Analysis) -> None:
    """Each delay is the median of the true ones to a tenth of a millisecond; the home mic's own is nought."""
    for drum, home in HOMES.items():
        truth = [t for t in pier.known["hits"] if t["drum"] == drum]
        for mic in CLEAR:
            expected = median((t["onset"][mic] - t["onset"][home]) / SR * 1e3 for t in truth if mic in t["sharp"])

            assert expected == pytest.approx(found.delays_ms["pier"][drum][mic], abs=0.1), (drum, mic)
        assert 0.0 == found.delays_ms["pier"][drum][home]


# ----------------------------------------------------------------------------------------------------- levels and bleed


def test_levels_are_the_energies_of_the_strokes(pier: Pier, found: Analysis) -> None:
    """The level of a hit is its energy over 300 ms: to 2 dB, and to 1 dB from stroke to stroke of a drum."""
    for drum in HOMES:
        off = [h.level_db - pier.true(h)["energy_db"] for h in of_drum(found, drum) if h.level_db is not None]

        assert len(off) == len(of_drum(found, drum))
        assert np.abs(off).max() < 2.5, (drum, off)
        assert np.std(off) < 1.0, (drum, off)


def test_the_bleed_table_is_that_of_the_strokes(pier: Pier, found: Analysis) -> None:
    """How loud each drum is in each mic, against its home mic, is within 1.5 dB of the true energies."""
    for drum, home in HOMES.items():
        truth = [t["own_db"] for t in pier.known["hits"] if t["drum"] == drum]
        for mic in CLEAR:
            expected = median(t[mic] - t[home] for t in truth)

            assert expected == pytest.approx(found.bleed["pier"][drum][mic], abs=1.5), (drum, mic)
        assert 0.0 == pytest.approx(found.bleed["pier"][drum][home])


def test_strokes_one_by_one_are_clean(found: Analysis) -> None:
    """On a slate nearly every hit is clean in its home mic, has a good grade there and is isolated."""
    clean = [found.clean_db[h.id] < -30 and found.grades[h.id][HOMES[h.drum]] in "AB" and h.isolated
             for h in found.hits]

    assert sum(clean) >= 0.9 * len(clean)


def test_usable_mics_are_those_below_minus_20_db(found: Analysis) -> None:
    """A mic is usable where everything else is 20 dB below the hit, and in no other; figures are there for every
    mic.
    """
    for each in found.hits:
        assert set(CLEAR) == set(each.bleed_db) == set(found.grades[each.id])
        assert {m for m, b in each.bleed_db.items() if b is not None and b < -20} == set(each.usable)
        assert 0.0 <= each.confidence <= 1.0
        assert set(found.grades[each.id].values()) <= set("ABCD")


def test_noise_is_that_of_the_mics(found: Analysis) -> None:
    """The noise floor of each mic is what its plan says, to 1.5 dB."""
    said = {m.name: m.noise_dbfs for m in PIER.mics}
    for name, level in found.noise[0].noise_dbfs.items():
        assert said[name] == pytest.approx(level, abs=1.5), name


def test_workers_change_nothing(pier: Pier, found: Analysis, monkeypatch: pytest.MonkeyPatch) -> None:
    """One worker and three find the same, and what was stored gives the same as what was measured."""
    monkeypatch.setattr("oneshot.analysis.detection.spectrogram.BLOCKS_PER_TASK", 1)
    for jobs in (1, 3, 1):
        again = analysed(pier.session, jobs)

        assert found.hits == again.hits
        assert found.attacks == again.attacks
        assert found.bleed == again.bleed


# ------------------------------------------------------------------------------------------------------------ two takes


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    """Two takes of ten strokes; the second one lacks the outer kick mic, and its snare mic was dead."""
    folder = tmp_path_factory.mktemp("two") / "session"
    write_session(folder, PIER, tuple(replace(few(PIER_TAKE, 12), name=name) for name in ("take 1", "take 2")), seed=4)
    (folder / "take 2" / "Kick Out.wav").unlink()
    snare = folder / "take 2" / "Snare Top.wav"
    soundfile.write(snare, np.zeros(soundfile.info(snare).frames), SR, "PCM_24")
    return analysed(folder)


def test_takes_share_their_drums(two: Analysis) -> None:
    """Hits of both takes belong to the same two drums; numbers run on from take to take."""
    assert {"kick", "snare"} == {d.name for d in two.drums}
    assert {"take 1": {"kick": 8, "snare": 4}, "take 2": {"kick": 8, "snare": 4}} == {
        take: dict(Counter(h.drum for h in two.hits if h.take == take)) for take in ("take 1", "take 2")}
    assert ["take 1"] * 12 + ["take 2"] * 12 == [h.take for h in two.hits]
    assert list(range(1, 25)) == [h.id for h in two.hits]


def test_a_take_knows_only_its_own_mics(two: Analysis) -> None:
    """A mic that the take lacks has no onset, no bleed, no grade and no place in the take's tables."""
    for each in two.hits:
        there = each.take == "take 1"

        assert there == ("Kick Out" in each.onsets) == ("Kick Out" in each.bleed_db)
        assert there == ("Kick Out" in two.grades[each.id])
    assert "Kick Out" in two.delays_ms["take 1"]["kick"]
    assert "Kick Out" not in two.delays_ms["take 2"]["kick"]
    assert "Kick Out" not in two.bleed["take 2"]["kick"]


def test_a_dead_mic_claims_nothing(two: Analysis) -> None:
    """A mic that held no sound is usable for no hit, has no noise figure, and is told."""
    assert not any("Snare Top" in h.usable for h in two.hits if h.take == "take 2")
    assert two.noise[1].noise_dbfs["Snare Top"] is None
    assert any(p.where == "take 2/Snare Top" and "silent" in p.what for p in two.problems)


# ---------------------------------------------------------------------------------------------------------- no hits


def test_a_session_without_a_hit_is_refused(tmp_path: Path) -> None:
    """Four mics that hold nothing but their noise are no drum recording: one clear line."""
    names = ("Kick", "Snare", "OH L", "OH R")
    write_mics(tmp_path / "quiet", {n: noise(6 * RATE, -60, k) for k, n in enumerate(names)}, subtype="PCM_24")
    with pytest.raises(WorkError, match="quiet has no hits") as caught:
        analysed(tmp_path / "quiet")

    assert 1 == len(str(caught.value).splitlines())


def test_a_mic_that_is_dead_throughout_is_nobodys_home(pier: Pier, tmp_path: Path) -> None:
    """A close mic without any sound names no drum, is no drum's home and has no figures, and it is told."""
    folder = tmp_path / "session"
    shutil.copytree(pier.session, folder)
    snare = next(folder.rglob("Snare Top.wav"))
    soundfile.write(snare, np.zeros(soundfile.info(snare).frames), SR, "PCM_24")
    found = analysed(folder)

    assert "Snare Top" not in {d.home for d in found.drums}
    assert "snare" not in {d.name for d in found.drums if d.kind != "snare"}
    assert {None} == {h.bleed_db["Snare Top"] for h in found.hits}
    assert any("silent" in p.what for p in found.problems)


def test_doubled_mics_are_told(pier: Pier, tmp_path: Path) -> None:
    """The same recording under two names is told, and nothing else is."""
    folder = tmp_path / "session"
    shutil.copytree(pier.session, folder)
    kick = next(folder.rglob("Kick In.wav"))
    shutil.copyfile(kick, kick.with_name("Kick Out.wav"))

    assert any("same audio as Kick In" in p.what for p in analysed(folder).problems)
    assert not any("same audio" in p.what for p in analysed(pier.session).problems)
