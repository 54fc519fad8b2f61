"""Kits cut from processed tracks too: the same frames, what plays, what is told, and nothing of it in any judgement."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from processing import compressor_gain_db, delayed, high_shelf, peaking
from short_sessions import sound

from oneshot import pipeline
from oneshot.audio.io import read_audio, read_int, write_wav
from oneshot.audio.tags import history_of
from oneshot.core.errors import SessionError, SettingsError
from oneshot.core.records.kit import Fader, Kit
from oneshot.core.records.session import Floats
from oneshot.cutting.mix import mixdown
from oneshot.cutting.mix.balance import mix
from oneshot.kit.playback import preview
from oneshot.kit.verify import verify
from oneshot.session.open import open_session
from oneshot.synth import family, slate, write_session

FADERS = {"Kick In": Fader(-2.0), "Kick Out": Fader(-6.0), "Snare Top": Fader(0.0),
          "Snare Bottom": Fader(-8.0, 0.0, -1), "Rack Tom": Fader(-3.0, -0.4), "Floor Tom": Fader(-3.0, 0.5),
          "OH L": Fader(-2.0, -1.0), "OH R": Fader(-2.0, 1.0)}
ROWS = (("kick", "hit", -14.0, 0.0, 5, 0.7), ("snare", "centre", -20.0, 0.0, 6, 0.7),
        ("crash", "hit", -6.0, 0.0, 2, 2.0))
LATE = 640
RATE = 48000


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session of one take, and beside it folders of processed tracks: a compressed drum bus with a return, both late,
    in ``bus``; mics one by one, the kick turned over, in ``mics``.
    """
    folder = tmp_path_factory.mktemp("along")
    plan, _ = family()["eight"]
    write_session(folder / "s", plan, [slate("take", ROWS)], seed=4)
    audio: dict[str, Floats] = {p.stem: read_audio(p)[0][0] for p in sorted((folder / "s" / "take").iterdir())}
    total = mix({name: peaking(x, RATE, 300, -4.0) for name, x in audio.items()}, FADERS)
    gain = compressor_gain_db(total, RATE, threshold_dbfs=-24, ratio=3, attack_s=0.01, release_s=0.1)
    verb = np.convolve(np.random.default_rng(0).standard_normal(4800), np.ones(1))
    wet = np.pad(total.sum(axis=0), (2000, 0))[None, : total.shape[1]] * 0.1 + 1e-5 * np.resize(verb, total.shape[1])
    for name, x in (("bus/Drum bus", delayed(total * 10 ** (gain / 20), LATE)), ("bus/Drum verb", delayed(wet, LATE)),
                    ("mics/Kick In", -delayed(high_shelf(audio["Kick In"][None], RATE, 6000, 3.0), 12)),
                    ("mics/OH processed", np.stack([audio["OH L"], audio["OH R"]]))):
        path = folder / name.split("/")[0] / "take" / f"{name.split('/')[1]}.wav"
        path.parent.mkdir(parents=True, exist_ok=True)
        write_wav(path, np.clip(x, -1, 1), RATE, "FLOAT" if "bus" in path.stem else "PCM_24")
    return folder


def built(recorded: Path, kit: Path, tracks: str | None, recipe: str = "") -> Kit:
    """A kit, from a folder of tracks where one is named."""
    asked = kit.with_suffix(".toml")
    asked.write_text(recipe)
    return pipeline.build(recorded / "s", kit, recipe_path=asked if recipe else None,
                          processed=None if tracks is None else recorded / tracks).kit


@pytest.mark.full
def test_tracks_are_cut_at_the_frames_of_the_mics(recorded: Path, tmp_path: Path) -> None:
    """Each file of a track holds, between the fades, its source's own samples at the take frames of the one-shot, as
    ``at`` of its source has them; latency known, a return lying as the bus does; the kit holds against its manifest.
    """
    kit = built(recorded, tmp_path / "kit", "bus")
    told = json.loads((tmp_path / "kit" / "manifest.json").read_text())
    sources = {mic["name"]: mic["source"][0] for mic in told["session"]["takes"][0]["mics"]}
    bus, verb = told["tracks"]["take"]

    assert (LATE, LATE, None, LATE) == (bus["latency_frames"], bus["applied_frames"], verb["latency_frames"],
                                        verb["applied_frames"])
    assert kit.one_shots
    for shot in told["one_shots"]:
        mine = [file for file in shot["files"] if file.get("processed") == "track"]

        assert ["Drum bus L", "Drum verb"] == [file["mics"][0] for file in mine]
        for file in mine:
            x, _ = read_audio(tmp_path / "kit" / file["path"])
            inner = slice(file["fade_in_frames"], file["frames"] - file["fade_out_frames"])
            for name, channel in zip(file["mics"], x, strict=True):
                source = sources[name]
                whole, _ = read_audio(recorded / "bus" / source["path"].removeprefix("processed tracks/"))
                at = file["source_start"] - source["at"]
                np.testing.assert_array_equal(whole[source["channel"], at : at + file["frames"]][inner], channel[inner])
            assert ("D", None) == (file["grade"], file["bleed_db"])
        assert len({(file["frames"], file["source_start"], file["onset_frame"]) for file in shot["files"]}) == 1
    assert [] == verify(tmp_path / "kit")
    line = history_of(tmp_path / "kit" / told["one_shots"][0]["files"][-1]["path"])
    assert "T=processed track Drum verb; exported from a mix" in line[0]
    assert f"latency of {LATE} frames removed" in line[1]


@pytest.mark.full
def test_tracks_find_and_judge_nothing(recorded: Path, tmp_path: Path) -> None:
    """With tracks and without: the same hits, choices, layers, velocities, grades and samples of the mics."""
    built(recorded, tmp_path / "plain", None)
    built(recorded, tmp_path / "kit", "bus")
    plain, told = (json.loads((tmp_path / name / "manifest.json").read_text()) for name in ("plain", "kit"))

    assert plain["hits"] == told["hits"]
    assert (plain["bleed"], plain["delays"]) == (told["bleed"], told["delays"])
    for before, after in zip(plain["one_shots"], told["one_shots"], strict=True):
        for key in ("hit", "layer", "round_robin", "velocity", "grade", "fundamental_hz", "decay_s", "ring_kept_db"):
            assert before[key] == after[key]
        mics = [file for file in after["files"] if "processed" not in file]
        for one, other in zip(before["files"], mics, strict=True):
            assert one["path"] == other["path"]
            np.testing.assert_array_equal(read_int(tmp_path / "plain" / one["path"])[0],
                                          read_int(tmp_path / "kit" / other["path"])[0])


@pytest.mark.full
def test_what_plays_is_what_was_asked_for(recorded: Path, tmp_path: Path) -> None:
    """Instead of the mics, as loud and where their mix has them; beside them; or not at all. What [balance] says
    outranks it. Mics that do not play may be left out.
    """
    instead = built(recorded, tmp_path / "a", "bus")
    on = {name for name, fader in instead.balance.items() if fader.on}
    level = instead.balance["Drum bus L"].gain_db

    assert {"Drum bus L", "Drum bus R", "Drum verb"} == on
    assert (-1.0, 1.0, 0.0) == tuple(instead.balance[name].pan for name in ("Drum bus L", "Drum bus R", "Drum verb"))
    assert {level} == {instead.balance[name].gain_db for name in on}
    assert all(f"sample={file.path}" in (tmp_path / "a" / "mappings" / "kit.sfz").read_text() for shot in
               instead.one_shots for file in shot.files if file.processed)

    parts = built(recorded, tmp_path / "b", "mics",
                  '[processed]\nkeep_mics = false\n[balance]\n"OH R" = { on = true }\n')
    assert {"Kick In", "OH L"} == {name for name, fader in parts.balance.items() if not fader.on}
    kept = {mic for shot in parts.one_shots for file in shot.files for mic in file.mics}
    assert "Kick In" not in kept
    assert {"Kick Out", "Snare Top", "Kick In processed", "OH processed L", "OH R"} <= kept
    assert {-1} == {parts.polarity["take"]["Kick In processed"]}
    assert {"kick"} == {shot.drum for shot in parts.one_shots for file in shot.files
                        if "Kick In processed" in file.mics}
    assert [] == verify(tmp_path / "b")

    aside = built(recorded, tmp_path / "c", "bus", '[processed]\nplay = "not"\n')
    assert not {name for name, fader in aside.balance.items() if fader.on} & on
    both = built(recorded, tmp_path / "d", "bus", '[processed]\nplay = "beside"\n')
    assert all(fader.on for fader in both.balance.values())


@pytest.mark.full
def test_a_lite_kit_is_mixed_from_the_tracks(recorded: Path, tmp_path: Path) -> None:
    """One stereo file a hit, made of what plays."""
    kit = built(recorded, tmp_path / "kit", "bus", "[files]\nlite = true\nsample_rate = 48000\n")

    assert {("Drum bus L", "Drum bus R", "Drum verb")} == {file.mix_of for shot in kit.one_shots for file in shot.files}
    assert all(mixdown.stereo(tmp_path / "kit", shot, kit.balance)[0].any() for shot in kit.one_shots)
    assert [] == verify(tmp_path / "kit")


@pytest.mark.full
def test_prints_are_made_of_tracks(recorded: Path, tmp_path: Path) -> None:
    """A print of the processed kick holds its samples at the attack, ranked by how clean its mic is."""
    kit = built(recorded, tmp_path / "kit", "mics", '[[prints]]\nname = "mixed"\ndrum = "kick"\nupward = false\n'
                '[prints.mics]\n"Kick In processed" = {}\n')
    best = next(each for each in kit.prints if each.rank == 1)
    x, _ = read_audio(tmp_path / "kit" / best.path)
    source, _ = read_audio(recorded / "mics" / "take" / "Kick In.wav")
    at = best.source_start + 12
    part = source[0, at : at + best.frames]
    inner = slice(200, 4000)

    assert "could not be measured" not in best.why
    assert 1.0 == pytest.approx(float(np.corrcoef(part[inner], x[0, inner])[0, 1]), abs=1e-4)


@pytest.mark.full
def test_a_rebuild_remembers_the_folder(recorded: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Built again, byte for byte; on a machine that knows nothing of it one line says what to do; not used where the
    recipe says so.
    """
    built(recorded, tmp_path / "kit", "bus")
    before = {p.relative_to(tmp_path): p.read_bytes() for p in (tmp_path / "kit").rglob("*") if p.is_file()}
    built(recorded, tmp_path / "kit", None)

    assert before == {p.relative_to(tmp_path): p.read_bytes() for p in (tmp_path / "kit").rglob("*") if p.is_file()}
    monkeypatch.setenv("ONESHOT_STATE", str(tmp_path / "elsewhere"))
    with pytest.raises(SettingsError, match="name it with --processed"):
        built(recorded, tmp_path / "kit", None)
    kit = built(recorded, tmp_path / "kit", None, "[processed]\nuse = false\n")
    assert not kit.tracks


@pytest.mark.full
def test_a_take_replays_through_its_tracks(recorded: Path, tmp_path: Path) -> None:
    """The replay of a kit of tracks against the tracks' own recording: levels within 1 dB, times within 0.5 ms."""
    kit = built(recorded, tmp_path / "kit", "bus")
    rows = preview.compare(tmp_path / "kit", kit, "take", open_session(recorded / "s"))

    assert {"kick", "snare"} <= {row.drum for row in rows}
    for row in rows:
        if row.drum in ("kick", "snare"):
            assert 0.0 == pytest.approx(row.level_db, abs=1.0)
            assert 0.0 == pytest.approx(row.late_ms, abs=0.5)


@pytest.mark.full
def test_a_track_whose_latency_changes_stops_the_build(recorded: Path, tmp_path: Path) -> None:
    """And leaves the kit that was there as it was; kept as it lies, it is cut at the take's own frames."""
    built(recorded, tmp_path / "kit", "bus")
    before = (tmp_path / "kit" / "manifest.json").read_bytes()
    x, _ = read_audio(recorded / "bus" / "take" / "Drum bus.wav")
    jump = x.copy()
    half = x.shape[1] // 2
    jump[:, half:] = delayed(x, 300)[:, half:]
    (tmp_path / "jumps" / "take").mkdir(parents=True)
    write_wav(tmp_path / "jumps" / "take" / "Drum bus.wav", jump, RATE, "FLOAT")

    with pytest.raises(SessionError, match=r"is 640 frames .* and 940 .* changing latency"):
        pipeline.build(recorded / "s", tmp_path / "kit", processed=tmp_path / "jumps")
    assert before == (tmp_path / "kit" / "manifest.json").read_bytes()
    (tmp_path / "r.toml").write_text('[processed]\nlatency = "kept"\n')
    kit = pipeline.build(recorded / "s", tmp_path / "kit", processed=tmp_path / "jumps",
                         recipe_path=tmp_path / "r.toml").kit
    assert {0} == {row["applied_frames"] for row in kit.tracks["take"]}


def test_a_folder_inside_the_session_must_be_named_there(tmp_path: Path) -> None:
    """Its folders would be takes: one line that says what to write where."""
    for name in ("take 1/Kick In", "take 1/OH L", "take 1/OH R", "Mixed/take 1/Drum bus"):
        sound(tmp_path / "s" / f"{name}.wav")

    with pytest.raises(SettingsError, match=r'lies inside the session, .* set processed = "Mixed" in'):
        pipeline.build(tmp_path / "s", tmp_path / "kit", processed=tmp_path / "s" / "Mixed")


@pytest.mark.full
def test_corrections_hold_for_tracks(recorded: Path, tmp_path: Path) -> None:
    """A track is dropped from a hit by its name, as a mic is."""
    kit = built(recorded, tmp_path / "kit", "bus")
    hit = next(h for h in kit.hits if h.kept)
    (tmp_path / "kit" / "corrections.toml").write_text(
        'format = "oneshot-corrections"\nversion = 1\n'
        f'[[drop]]\ntake = "take"\nframe = {hit.onset}\nmics = ["Drum verb"]\n')
    again = built(recorded, tmp_path / "kit", None)
    shot = next(s for s in again.one_shots if s.hit == hit.id)

    assert not [problem for problem in again.problems if problem.where == "corrections.toml"]
    assert [["Drum bus L", "Drum bus R"]] == [list(file.mics) for file in shot.files if file.processed]
