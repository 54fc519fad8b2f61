"""Kits whose files were processed outside: measured and mapped again as a whole, and what changed is told."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from kit_example import LAYERS, RATE
from processing import delayed, peaking

from oneshot import pipeline
from oneshot.audio.io import read_audio, write_wav
from oneshot.audio.tags import history_of
from oneshot.config.release_lock import record, to_json
from oneshot.core.errors import KitError
from oneshot.core.records.kit import Kit
from oneshot.core.records.session import Floats
from oneshot.cutting.mix import mixdown
from oneshot.kit import remeasure
from oneshot.kit.export import write_all
from oneshot.kit.read import read_kit
from oneshot.kit.report.heard import remeasured_lines
from oneshot.kit.verify import verify
from oneshot.selection.velocity_layers import velocity_ranges
from oneshot.synth import family, slate, write_session


@pytest.fixture
def kit(own_example: Kit) -> Path:
    """A small kit, its mixes measured."""
    folder, made = own_example.session.root / "kit", own_example
    levels = mixdown.with_levels(folder, made.one_shots, made.balance, {hit.id: RATE for hit in made.hits})
    write_all(replace(made, one_shots=levels), folder)
    return folder


def process(kit: Path, out: Path, what: object, *parts: str) -> None:
    """Files of a kit whose names hold one of ``parts`` (all where none is named), processed, under their names."""
    for path in sorted((kit / "samples").rglob("*.wav")):
        if not parts or any(part in path.name for part in parts):
            x, header = read_audio(path)
            target = out / path.relative_to(kit)
            target.parent.mkdir(parents=True, exist_ok=True)
            write_wav(target, what(x), header.sample_rate, "PCM_24")  # type: ignore[operator]


def louder(gain_db: float) -> object:
    """A gain."""
    def done(x: Floats) -> Floats:
        return x * 10 ** (gain_db / 20)
    return done


def rows(kit: Path) -> dict[str, dict[str, object]]:
    """Path -> what the manifest says of a file."""
    told = json.loads((kit / "manifest.json").read_text())
    return {file["path"]: file for shot in told["one_shots"] for file in shot["files"]}


def test_a_gain_is_measured_and_mapped(kit: Path, tmp_path: Path) -> None:
    """4 dB off all kicks: every level of every file by 4 dB, no other file touched, the mix of each layer 4 dB down,
    layers where they were, the mapping written anew; what nothing vouches for any more is marked.
    """
    before = rows(kit)
    process(kit, tmp_path / "out", louder(-4.0), "kick")
    made = remeasure.remeasure(kit, source=tmp_path / "out")
    after = rows(kit)

    assert {path for path in before if "kick" in path} == {each.path for each in made.changed}
    for path, row in after.items():
        if "kick" not in path:
            assert before[path] == row
            continue
        for key in ("peak_dbfs", "true_peak_dbtp", "momentary_lufs"):
            assert before[path][key] - 4.0 == pytest.approx(row[key], abs=0.02)  # type: ignore[operator]
        assert ("outside", None, before[path]["grade"]) == (row["processed"], row["bleed_db"], row["grade"])
        assert {"level_db": pytest.approx(-4.0, abs=0.02), "latency_frames": 0} == row["outside"]
        assert before[path]["sha256"] != row["sha256"]
    assert {-4.0} == {round(step, 1) for name, step in made.moved_db.items()}
    assert {"kick, hit, layer 1", "kick, hit, layer 2", "kick, hit, layer 3"} == set(made.moved_db)
    assert "Some were processed after cutting" in " ".join((kit / "README.txt").read_text().split())


def test_layers_that_came_closer_get_velocities_by_it(kit: Path, tmp_path: Path) -> None:
    """A limiter that takes 6 dB off the hardest layer alone: its velocities are what the law of levels asks for then;
    idle once more, nothing changes.
    """
    process(kit, tmp_path / "out", louder(-6.0), "kick_hit_V03")
    remeasure.remeasure(kit, source=tmp_path / "out")
    found = {shot.layer: shot.velocity for shot in read_kit(kit).one_shots if shot.articulation == "hit"}
    again = remeasure.remeasure(kit)

    hits = {hit.id: hit for hit in read_kit(kit).hits}
    medians = [float(np.median([hits[s.hit].level_db for s in read_kit(kit).one_shots
                                if s.layer == layer and s.articulation == "hit"])) for layer in (1, 2, 3)]
    assert [low for *_, low in LAYERS["hit"]] == pytest.approx(medians, abs=0.3)
    assert velocity_ranges([medians[0], medians[1], medians[2] - 6.0]) == [found[layer] for layer in (1, 2, 3)]
    assert () == again.changed


def test_a_released_kit_keeps_its_velocities(kit: Path, tmp_path: Path) -> None:
    """And says so."""
    whole = read_kit(kit)
    (kit / "released.json").write_text(to_json(record(whole, None, 0, "1.0")))
    process(kit, tmp_path / "out", louder(-6.0), "kick_hit_V03")
    made = remeasure.remeasure(kit, source=tmp_path / "out")

    assert [shot.velocity for shot in whole.one_shots] == [shot.velocity for shot in read_kit(kit).one_shots]
    assert any("keep their velocities" in problem.what for problem in made.problems)
    assert (kit / "released.json").exists()


@pytest.mark.parametrize("late", [64, 7, -20])
def test_files_that_lie_late_alike_keep_their_attack_in_the_take(kit: Path, tmp_path: Path, late: int) -> None:
    """The attack moves in the file, the file in the take; ``source_start + onset_frame`` stays, to the frame."""
    before = rows(kit)
    process(kit, tmp_path / "out", lambda x: delayed(peaking(x, RATE, 2000, 3.0), late), "kick")
    made = remeasure.remeasure(kit, source=tmp_path / "out")
    after = rows(kit)

    assert {late} == {each.latency_frames for each in made.changed}
    for path, row in after.items():
        moved = late if "kick" in path else 0
        assert before[path]["onset_frame"] + moved == row["onset_frame"]  # type: ignore[operator]
        assert before[path]["source_start"] - moved == row["source_start"]  # type: ignore[operator]


def test_files_that_lie_late_by_themselves_are_refused_or_aligned(kit: Path, tmp_path: Path) -> None:
    """A one-shot whose kick lies 64 frames late and whose overheads do not: one line with the numbers, the kit as it
    was; taken out where asked for, then the samples are those of the processed file, earlier.
    """
    process(kit, tmp_path / "out", lambda x: delayed(0.5 * x, 64), "KickIn")
    before = {p: p.read_bytes() for p in kit.rglob("*") if p.is_file()}
    with pytest.raises(KitError, match="is 64 frames late, other files of its one-shot 0: they must be in sync"):
        remeasure.remeasure(kit, source=tmp_path / "out")

    assert before == {p: p.read_bytes() for p in kit.rglob("*") if p.is_file()}
    made = remeasure.remeasure(kit, source=tmp_path / "out", align=True)
    for each in made.changed:
        done, _ = read_audio(kit / each.path)
        processed, _ = read_audio(tmp_path / "out" / each.path)

        assert (64, True) == (each.latency_frames, each.aligned)
        np.testing.assert_array_equal(processed[:, 64:], done[:, :-64])
    assert len({row["onset_frame"] for row in rows(kit).values()}) == 1


@pytest.mark.parametrize(("what", "said"), [
    (lambda x: np.pad(x, ((0, 0), (0, 9))), r"holds 22059 frames, the kit's file 22050: .*\(11 more like it\)"),
    (lambda x: np.vstack([x, x])[:3], "has 2 channels, the kit's file 1: keep the number of channels")])
def test_a_file_of_another_form_is_refused(kit: Path, tmp_path: Path, what: object, said: str) -> None:
    """With the numbers, and how many more there are; nothing is written."""
    process(kit, tmp_path / "out", what, "_hit_") if "frames" in said else \
        process(kit, tmp_path / "out", what, "_hit_V01_RR01_KickIn")
    before = (kit / "manifest.json").read_bytes()
    with pytest.raises(KitError, match=said):
        remeasure.remeasure(kit, source=tmp_path / "out")

    assert before == (kit / "manifest.json").read_bytes()


def test_a_rate_that_changed_a_file_that_is_gone_and_names_that_fit_nothing_are_refused(kit: Path,
                                                                                          tmp_path: Path) -> None:
    """One line each."""
    path = next((kit / "samples").rglob("*.wav"))
    (tmp_path / "rate").mkdir()
    write_wav(tmp_path / "rate" / path.name, read_audio(path)[0], 48000, "PCM_24")
    (tmp_path / "other").mkdir()
    shutil.copy(path, tmp_path / "other" / "something.wav")

    with pytest.raises(KitError, match="is at 48000 Hz, the kit's file at 44100 Hz"):
        remeasure.remeasure(kit, source=tmp_path / "rate")
    with pytest.raises(KitError, match="has no file named like one of the kit"):
        remeasure.remeasure(kit, source=tmp_path / "other")
    with pytest.raises(KitError, match="no such folder of processed files"):
        remeasure.remeasure(kit, source=tmp_path / "nowhere")
    path.unlink()
    with pytest.raises(KitError, match="is missing"):
        remeasure.remeasure(kit)


def test_names_alone_are_enough(kit: Path, tmp_path: Path) -> None:
    """A folder into which software wrote everything flat; a file of the kit with its own bytes is no change."""
    process(kit, tmp_path / "out", louder(-1.0), "closed_V01")
    flat = tmp_path / "flat"
    flat.mkdir()
    for path in (tmp_path / "out").rglob("*.wav"):
        shutil.copy(path, flat / path.name)
    shutil.copy(next((kit / "samples").rglob("*open*.wav")), flat)

    assert 4 == len(remeasure.remeasure(kit, source=flat).changed)


def test_a_layer_that_became_softer_than_the_one_below_is_told(kit: Path, tmp_path: Path) -> None:
    """By how much."""
    process(kit, tmp_path / "out", louder(-12.0), "kick_hit_V03")
    made = remeasure.remeasure(kit, source=tmp_path / "out")

    assert any("layer 3 is now 4.5 dB softer than the layer below" in problem.what for problem in made.problems)


def test_hardest_strokes_together_stay_below_their_ceiling(kit: Path, tmp_path: Path) -> None:
    """Files made 12 dB louder lower the balance as a whole; kick, snare and crash at full stay at -6 dBTP or below, as
    in a build; what the recipe says of a fader stays.
    """
    process(kit, tmp_path / "out", louder(12.0), "kick")
    recipe = (kit / "recipe.toml").read_text().replace("[balance]\n", '[balance]\n"Hat" = { gain_db = -2.0 }\n', 1)
    (kit / "recipe.toml").write_text(recipe)
    before = read_kit(kit).balance
    remeasure.remeasure(kit, source=tmp_path / "out")
    after = read_kit(kit).balance

    assert after["Kick In"].gain_db < before["Kick In"].gain_db
    assert before["OH L"].gain_db - after["OH L"].gain_db == pytest.approx(
        before["Kick In"].gain_db - after["Kick In"].gain_db, abs=0.01)
    assert -2.0 == after["Hat"].gain_db


def test_the_command_line_says_what_became_of_it(kit: Path, tmp_path: Path) -> None:
    """How many files, by how much, how late; or that nothing had changed."""
    process(kit, tmp_path / "out", louder(-4.0), "kick")
    said = "\n".join(text for _, text in remeasured_lines(remeasure.record(remeasure.remeasure(kit,
                                                                                            source=tmp_path / "out"))))
    idle = remeasured_lines(remeasure.record(remeasure.remeasure(kit)))

    assert "12 of 25 files have changed" in said
    assert "loudness -4.0 to -4.0 dB" in said
    assert "latency 0 frames: 12" in said
    assert "no file has changed; nothing was written" in idle[0][1]


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Kit]:
    """A session and its kit."""
    folder = tmp_path_factory.mktemp("outside")
    plan, _ = family()["eight"]
    write_session(folder / "s", plan, [slate("take", (("kick", "hit", -14.0, 0.0, 5, 0.8),
                                                      ("snare", "centre", -20.0, 0.0, 6, 0.8)))], seed=4)
    (folder / "r.toml").write_text('[[prints]]\nname = "kick"\ndrum = "kick"\n')
    return folder, pipeline.build(folder / "s", folder / "kit", recipe_path=folder / "r.toml").kit


@pytest.mark.full
def test_a_whole_kit_processed_in_place_holds_against_its_manifest(recorded: tuple[Path, Kit], tmp_path: Path) -> None:
    """Equalised, 9 frames late and 16 bits, tags lost on the way, prints too: verify finds nothing afterwards; latency
    is told by the recording; tags say what was done; pitch is that of the files; a build onto it is refused.
    """
    folder, before = recorded
    shutil.copytree(folder / "kit", tmp_path / "kit")
    for path in sorted(p for p in (tmp_path / "kit").rglob("*.wav") if p.parent.name != "mappings"):
        x, header = read_audio(path)
        y = np.clip(delayed(peaking(x, header.sample_rate, 3000, 4.0), 9 if "samples" in path.parts else 0), -1, 1)
        write_wav(path, y, header.sample_rate, "PCM_16")
    assert verify(tmp_path / "kit")
    made = remeasure.remeasure(tmp_path / "kit", session=folder / "s")
    kit = read_kit(tmp_path / "kit")

    assert [] == verify(tmp_path / "kit")
    assert {9, None} == {each.latency_frames for each in made.changed}
    assert all(each.latency_frames == 9 for each in made.changed if each.path.startswith("samples"))
    file = kit.one_shots[0].files[0]
    assert "T=processed externally after cutting" in history_of(tmp_path / "kit" / file.path)[-1]
    for old, new in zip(before.one_shots, kit.one_shots, strict=True):
        if old.fundamental_hz and new.fundamental_hz:
            assert old.fundamental_hz == pytest.approx(new.fundamental_hz, rel=0.01)
    with pytest.raises(KitError, match="a build would replace"):
        pipeline.build(folder / "s", tmp_path / "kit")


@pytest.mark.full
def test_without_recordings_latency_is_not_made_up(recorded: tuple[Path, Kit], tmp_path: Path) -> None:
    """Null, and a line that says what to name."""
    folder, _ = recorded
    shutil.copytree(folder / "kit", tmp_path / "kit")
    process(tmp_path / "kit", tmp_path / "kit", louder(-3.0))
    made = remeasure.remeasure(tmp_path / "kit")

    assert {None} == {each.latency_frames for each in made.changed}
    assert any("name the recordings with --session" in problem.todo for problem in made.problems)
    assert [] == verify(tmp_path / "kit")
