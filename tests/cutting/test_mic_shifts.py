"""Times and polarity between the mics of a hit: as recorded, or moved and turned as the recipe says, no other way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from stage_inputs import PIER, PIER_TAKE, bare_analysis, few, hit, session_at

from oneshot import pipeline
from oneshot.analysis.result import FoundDrum
from oneshot.config.recipe import FaderRecipe
from oneshot.core.records.hits import Delay
from oneshot.core.records.kit import Kit, Sample
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Mic, Take
from oneshot.cutting.mic_shifts import plan_shifts
from oneshot.kit.verify import verify
from oneshot.synth import write_session

RATE = 48000
MICS = (Mic("Kick In", Role.CLOSE, "kick"), Mic("Kick Out", Role.CLOSE, "kick"), Mic("Snare", Role.CLOSE, "snare"),
        Mic("OH L", Role.OVERHEAD, pair="OH", side="L"), Mic("OH R", Role.OVERHEAD, pair="OH", side="R"),
        Mic("Room", Role.ROOM))
DRUMS = (FoundDrum("kick", "kick", "Kick In", ("hit",)), FoundDrum("snare", "snare", "Snare", ("hit",)),
         FoundDrum("crash", "crash", "OH L", ("hit",)))
MS: Mapping[str, Mapping[str, float | None]] = {
    "kick": {"Kick In": 0.0, "Kick Out": 1.5, "OH L": 5.0, "OH R": 5.5, "Room": 15.0},
    "snare": {"Snare": 0.0, "OH L": 3.0, "OH R": 4.0, "Room": 14.0, "Kick In": None},
    "crash": {"OH L": 0.0, "OH R": 1.0, "Room": 12.0}}
TAKE = Take("one", RATE, 9 * RATE, "PCM_24", MICS)


def frames_of(how: str, said: Mapping[str, FaderRecipe] | None = None) -> dict[str, dict[str, int]]:
    """Drum -> mic -> shift in frames, of those that are moved."""
    delays = {"one": {drum: {mic: Delay(ms=ms, spread_ms=0.0, hits=9, path_m=None) for mic, ms in row.items()}
                      for drum, row in MS.items()}}
    found = replace(bare_analysis([hit(1, drum="kick")]), delays=delays, polarity={"one": {"Kick Out": -1, "Snare": 1}})
    made = plan_shifts(session_at(Path("s"), TAKE), found, DRUMS, how, said or {})
    turned = dict.fromkeys(sorted(made.turned), -1)
    return {"turned": turned, **{drum.name: {mic.name: frames for mic in MICS
                                             if (frames := made.frames(TAKE, drum.name, mic.name))} for drum in DRUMS}}


def test_as_recorded_moves_and_turns_nothing() -> None:
    """The default leaves every mic where and as it was."""
    assert {"turned": {}, "kick": {}, "snare": {}, "crash": {}} == frames_of("recorded")


def test_polarity_alone_moves_nothing() -> None:
    """A close mic measured against its home mic is turned; what the recipe's balance says outranks that."""
    assert {"turned": {"Kick Out": -1}, "kick": {}, "snare": {}, "crash": {}} == frames_of("polarity")
    assert {} == frames_of("polarity", {"Kick Out": FaderRecipe(polarity=1)})["turned"]


def test_by_drum_each_mic_goes_to_the_home_mic() -> None:
    """By the delay of that drum; a pair goes as one by its mean, so its image stays; what is not known stays."""
    made = frames_of("drum")

    assert {"Kick Out": 72, "OH L": 252, "OH R": 252, "Room": 720} == made["kick"]
    assert {"OH L": 168, "OH R": 168, "Room": 672} == made["snare"]
    assert {"Room": 552} == made["crash"]


def test_by_kit_each_mic_has_one_shift() -> None:
    """Overheads by the snare's delay in every drum, a second kick mic by the kick's, rooms never; where an overhead is
    the home mic it stays, and the others move against it.
    """
    made = frames_of("kit")

    assert {"Kick Out": 72, "OH L": 168, "OH R": 168} == made["kick"]
    assert {"Kick Out": 72, "OH L": 168, "OH R": 168} == made["snare"]
    assert {"Kick In": -168, "Kick Out": -96, "Snare": -168, "Room": -168} == made["crash"]


def test_what_cannot_be_moved_is_told() -> None:
    """By drum, a take's overheads, rooms and own close mics of unknown delay are named once for each drum that was
    struck there; by kit nothing is asked of them.
    """
    found = replace(bare_analysis([hit(1, drum="kick")]),
                    delays={"one": {"kick": {"Kick In": Delay(ms=0.0), "OH L": Delay(ms=5.0), "Room": Delay(ms=None)}}})
    session = session_at(Path("s"), TAKE)
    told, = plan_shifts(session, found, DRUMS, "drum", {}).told

    assert "the delay of the kick in Kick Out, Room could not be measured, so it is not shifted" == told.what
    assert () == plan_shifts(session, found, DRUMS, "kit", {}).told


# --------------------------------------------------------------------------------------------------------- a whole kit


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A few strokes at the pier, its second kick mic inverted."""
    folder = tmp_path_factory.mktemp("shifts") / "session"
    write_session(folder, PIER, (few(PIER_TAKE, 12),), seed=8)
    return folder


def built(session: Path, folder: Path, times: str) -> Kit:
    """A kit with those times between its mics."""
    (folder / "recipe.toml").write_text(f'[cut]\ntimes = "{times}"\n', encoding="utf-8")
    return pipeline.build(session, folder / "kit", recipe_path=folder / "recipe.toml").kit


def recorded(session: Path, mic: str) -> Floats:
    """What a mic recorded, (frames,)."""
    x, _ = soundfile.read(session / "pier" / f"{'OH' if 'OH' in mic else mic}.wav", always_2d=True)
    return np.asarray(x[:, 1 if mic.endswith(" R") else 0])


def body(folder: Path, file: Sample) -> Floats:
    """A file's samples between its fades, (mics, frames)."""
    x, _ = soundfile.read(folder / file.path, always_2d=True)
    return np.asarray(x[file.fade_in_frames:file.frames - file.fade_out_frames].T)


@pytest.mark.parametrize("times", ["drum", *(pytest.param(name, marks=pytest.mark.full)
                                             for name in ("recorded", "polarity", "kit"))])
def test_moved_and_turned_files_null_against_their_source(session: Path, tmp_path: Path, times: str) -> None:
    """With the shift and the sign that the manifest tells, each file less its source is silence between the fades; all
    files of a one-shot start and have their attack at one place, and the kit verifies.
    """
    kit = built(session, tmp_path, times)
    files = [file for shot in kit.one_shots for file in shot.files]
    for file in files:
        start = file.source_start + file.shift_frames + file.fade_in_frames
        for mic, x in zip(file.mics, body(tmp_path / "kit", file), strict=True):
            source = recorded(session, mic)[start:start + len(x)]
            np.testing.assert_array_equal(0.0, x - (-source if file.inverted else source))

    assert (times != "recorded") == any(file.inverted for file in files)
    assert (times in ("kit", "drum")) == any(file.shift_frames for file in files)
    assert all(1 == len({(f.source_start, f.onset_frame, f.frames) for f in shot.files}) for shot in kit.one_shots)
    assert [] == verify(tmp_path / "kit")


def attack(x: Floats) -> int:
    """Frame at which a sound first passes -20 dB of its peak."""
    return int(np.argmax(np.abs(x) >= 0.1 * np.abs(x).max()))


@pytest.mark.full
def test_moved_mics_begin_together(session: Path, tmp_path: Path) -> None:
    """As recorded a snare reaches the overheads 2 ms or more after its own mic (2.9 ms a metre); moved by drum, within
    half a millisecond, which is what two sides of a pair may differ by.
    """
    for times, low, high in (("recorded", 2.0, 10.0), ("drum", -0.5, 0.5)):
        folder = tmp_path / times
        folder.mkdir()
        shot = next(s for s in built(session, folder, times).one_shots if s.drum == "snare")
        sound = {mic: x for file in shot.files for mic, x in zip(file.mics, body(folder / "kit", file), strict=True)}
        late_ms = [(attack(sound[mic][:4000]) - attack(sound["Snare Top"][:4000])) / PIER.sample_rate * 1000
                   for mic in ("OH L", "OH R")]

        assert all(low <= each <= high for each in late_ms)
