"""Produce: what is cut from where, in which files, under which names."""

from __future__ import annotations

import json
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from stage_inputs import PIER, PIER_TAKE, RATE, Pier, bare_analysis, few, hit, session_at

from oneshot import pipeline
from oneshot.analysis.result import FoundDrum
from oneshot.config.recipe import Cutting, Exporting, Recipe
from oneshot.core.files import sha256_of
from oneshot.core.grades import reaches
from oneshot.core.records.kit import Kit, TakeNoise
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic, Take
from oneshot.cutting.parts import grouped
from oneshot.cutting.windows import Windows
from oneshot.synth import write_session

OVERHEADS = (Mic("OH L", Role.OVERHEAD, pair="OH", side="L"), Mic("OH R", Role.OVERHEAD, pair="OH", side="R"))
MICS = (Mic("Kick In", Role.CLOSE, "kick", "in"), Mic("Kick Out", Role.CLOSE, "kick", "out"),
        Mic("Snare", Role.CLOSE, "snare"), *OVERHEADS, Mic("Room", Role.ROOM), Mic("Trig", Role.TRIGGER, "kick"),
        Mic("Mix", Role.BUS), Mic("Talk", Role.TALK))


# ----------------------------------------------------------------------------------------------------------- which mics


def windows(recipe: Recipe | None = None, silent: tuple[str, ...] = ()) -> Windows:
    """The windows of one take of those mics."""
    found = bare_analysis([hit(1, drum="kick"), hit(2, drum="crash")])
    noise = TakeNoise("one", {m.name: None if m.name in silent else -80.0 for m in MICS})
    return Windows(session_at(Path("s"), Take("one", RATE, 9 * RATE, "PCM_24", MICS)), replace(found, noise=(noise,)),
                  recipe or Recipe(), {"kick": FoundDrum("kick", "kick", "Kick In", ("hit",)),
                                       "crash": FoundDrum("crash", "crash", "OH R", ("hit",))})


def mics_of(made: Windows, drum: str) -> list[str]:
    """The mics that a drum's hits are cut in."""
    return [m.name for m in made.mics_of(hit(1, drum=drum))]


def test_a_hit_is_exported_in_its_own_mics_overheads_and_rooms() -> None:
    """A drum's own close mics, the overheads and the rooms; no other drum's, no trigger, bus or talk mic."""
    assert ["Kick In", "Kick Out", "OH L", "OH R", "Room"] == mics_of(windows(), "kick")
    assert ["OH L", "OH R", "Room"] == mics_of(windows(), "crash")


def test_the_recipe_chooses_mics() -> None:
    """Named mics or pairs alone; buses where the recipe asks for them; the home mic where nothing named is there."""
    assert ["Kick In", "OH L", "OH R"] == mics_of(windows(Recipe(export=Exporting(mics=("Kick In", "OH")))), "kick")
    assert "Mix" in mics_of(windows(Recipe(export=Exporting(buses=True))), "kick")
    assert ["OH R"] == mics_of(windows(Recipe(export=Exporting(mics=("nothing",)))), "crash")


def test_silent_mics_are_left_out() -> None:
    """A mic that held no sound makes no files."""
    assert ["Kick In", "OH L", "OH R", "Room"] == mics_of(windows(silent=("Kick Out",)), "kick")


def test_a_pair_is_one_file() -> None:
    """Left and right of one pair go into one stereo file, left first; a side without its other stays mono."""
    left, right = OVERHEADS

    assert [(left, right)] == grouped([right, left])
    assert [(MICS[0],), (left, right), (MICS[5],)] == grouped([MICS[0], left, right, MICS[5]])
    assert [(right,)] == grouped([right])


def test_the_next_stroke_is_the_next_event() -> None:
    """A drum struck at the same time ends no tail; the next event does, where its sound first reaches the file's
    mics.
    """
    made = windows()
    later = hit(3, 3 * RATE, onsets={"Kick In": 3 * RATE + 99, "OH L": 3 * RATE + 20, "Snare": 3 * RATE})
    hits = (hit(1, RATE, drum="kick"), hit(2, RATE + round(0.01 * RATE)), later, hit(4, RATE + 5000, take="other"))
    made.analysis = replace(made.analysis, hits=hits)

    assert 3 * RATE + 20 == made.next_stroke(hits[0], ["Kick In", "OH L"])
    assert 3 * RATE == made.next_stroke(hits[0], ["Room"])
    assert made.next_stroke(later, ["Kick In"]) is None
    assert made.analysis.next_stroke(hits[3], ["Kick In"], RATE) is None


# ---------------------------------------------------------------------------------------------------------- a whole kit


def test_all_files_of_a_group_start_alike(pier: Pier) -> None:
    """All one-shots of a drum and articulation have the attack at the same frame of their files."""
    onsets: dict[tuple[str, str], set[int]] = defaultdict(set)
    for shot in pier.kit.one_shots:
        onsets[shot.drum, shot.articulation] |= {f.onset_frame for f in shot.files}
        assert 1 == len({(f.source_start, f.frames) for f in shot.files})

    assert 3 == len(onsets)
    assert all(1 == len(frames) for frames in onsets.values())


def test_no_file_holds_the_next_stroke(pier: Pier) -> None:
    """Every file ends before the next stroke of the take arrives, and begins before its own first sound."""
    starts = sorted(t["first"] for t in pier.known["hits"])
    for shot in pier.kit.one_shots:
        true = pier.true(pier.kit.hits[shot.hit - 1])
        later = [s for s in starts if s > true["first"]]
        for file in shot.files:
            assert file.source_start <= true["first"]
            assert not later or file.source_start + file.frames <= min(later)


def test_records_are_what_lies_on_disk(pier: Pier) -> None:
    """Length, channels, rate, format, sum and peak of every file are those in its record."""
    for file in [f for s in pier.kit.one_shots for f in s.files]:
        path = pier.folder / file.path
        info, (data, _) = soundfile.info(path), soundfile.read(path, always_2d=True)

        assert (file.frames, len(file.mics), PIER.sample_rate, "PCM_24") == \
            (info.frames, info.channels, info.samplerate, info.subtype)
        assert file.sha256 == sha256_of(path)
        assert file.peak_dbfs == pytest.approx(20 * np.log10(np.abs(data).max()), abs=0.01)
        assert 0.0 == abs(data[0]).max() == abs(data[-1]).max()


def test_pairs_are_written_left_first(pier: Pier) -> None:
    """The overheads are one file of two channels, left before right; every other mic is a file of its own."""
    sets = {f.mics for s in pier.kit.one_shots for f in s.files}

    assert ("OH L", "OH R") in sets
    assert all(1 == len(mics) for mics in sets - {("OH L", "OH R")})


def test_grades_are_those_of_the_worse_side(pier: Pier) -> None:
    """A one-shot has the worst grade of its drum's own close mics, by which it was chosen: below the one required are
    those that stand in for lack of better ones. A pair has the bleed of its worse side.
    """
    homes = {d.name: d.home for d in pier.kit.drums}
    asked = Recipe().choose.grade
    stand_in = {hit.id for hit in pier.kit.hits if hit.kept and hit.fallback}
    assert stand_in == {shot.hit for shot in pier.kit.one_shots if not reaches(shot.grade, asked)}
    for shot in pier.kit.one_shots:
        of_hit = pier.kit.hits[shot.hit - 1].bleed_db
        at = {m.name for take in pier.kit.session.takes for m in take.mics if m.stands_at(shot.drum)}
        own = [f.grade for f in shot.files if at & set(f.mics)]

        assert shot.grade == max(own or [f.grade for f in shot.files if homes[shot.drum] in f.mics])
        for file in shot.files:
            assert file.bleed_db == max(b for m in file.mics if (b := of_hit[m]) is not None)


def test_measures_are_those_of_the_drums(pier: Pier) -> None:
    """The kick sounds lower than the floor tom, and both near the tuning they were given; decays are below 3 s."""
    pitch = {drum: [s.fundamental_hz for s in pier.kit.one_shots if s.drum == drum and s.fundamental_hz]
             for drum in ("kick", "floor")}
    tuned = {d.name: d.tune_hz for d in PIER.drums}
    for drum, found in pitch.items():
        assert tuned[drum] == pytest.approx(np.median(found), rel=0.25), drum
    assert np.median(pitch["kick"]) < np.median(pitch["floor"])
    assert all(0 < s.decay_s < 3 for s in pier.kit.one_shots if s.decay_s is not None)


# -------------------------------------------------------------------------------------------------------- other sources


def built(folder: Path, subtype: str, recipe: str = "") -> Kit:
    """A kit of a few strokes recorded in another format."""
    write_session(folder / "session", replace(PIER, subtype=subtype), (few(PIER_TAKE, 6),), seed=8)
    (folder / "recipe.toml").write_text(recipe, encoding="utf-8")
    return pipeline.build(folder / "session", folder / "kit", recipe_path=folder / "recipe.toml").kit


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_32", "FLOAT"])
def test_every_format_is_kept_exactly(tmp_path: Path, subtype: str) -> None:
    """Files have their source's format, and its very samples between the fades."""
    shot = built(tmp_path, subtype).one_shots[-1]
    for file in shot.files:
        sides = [soundfile.read(tmp_path / "session" / "pier" / f"{'OH' if 'OH' in m else m}.wav", always_2d=True)[0][
            :, 1 if m == "OH R" else 0] for m in file.mics]
        data, _ = soundfile.read(tmp_path / "kit" / file.path, always_2d=True)
        inside = slice(file.fade_in_frames, file.frames - file.fade_out_frames)
        source = np.stack(sides, axis=1)[file.source_start : file.source_start + file.frames]

        assert subtype == soundfile.info(tmp_path / "kit" / file.path).subtype
        assert file.frames > 2 * file.fade_out_frames
        np.testing.assert_array_equal(source[inside], data[inside])


def test_the_recipe_cuts(tmp_path: Path) -> None:
    """Longest length, pre-roll and fades are the recipe's."""
    cutting = Cutting(longest_s=0.25, pre_roll_ms=10, fade_in_ms=3, fade_out_ms=20, fade_out_far_ms=40)
    text = "\n".join(["[cut]", *(f"{name} = {json.dumps(getattr(cutting, name))}" for name in Cutting.__slots__)])
    kit = built(tmp_path, "PCM_24", text)
    for file in [f for s in kit.one_shots for f in s.files]:
        rate = PIER.sample_rate

        assert file.frames <= 0.25 * rate + 1
        assert round(0.003 * rate) == file.fade_in_frames
        assert round((0.04 if "OH L" in file.mics else 0.02) * rate) == file.fade_out_frames
        assert file.onset_frame >= 0.0095 * rate


def test_mics_of_like_names_make_files_of_their_own(tmp_path: Path) -> None:
    """Two mics whose names differ in signs alone do not write over each other."""
    write_session(tmp_path / "session", PIER, (few(PIER_TAKE, 4),), seed=8)
    take = tmp_path / "session" / "pier"
    (take / "Kick In.wav").rename(take / "Kick (1).wav")
    (take / "Kick Out.wav").rename(take / "Kick [1].wav")
    kit = pipeline.build(tmp_path / "session", tmp_path / "kit").kit
    paths = [f.path for s in kit.one_shots for f in s.files]

    assert len(paths) == len({p.lower() for p in paths})
    assert all(f.sha256 == sha256_of(tmp_path / "kit" / f.path) for s in kit.one_shots for f in s.files)
