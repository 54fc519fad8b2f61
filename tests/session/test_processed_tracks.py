"""Processed tracks found in a folder: by their takes, their names, and only where they can be laid over their take."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

import pytest
from short_sessions import FRAMES, session_of, sound

from oneshot.cli import main
from oneshot.config.recipe import Recipe
from oneshot.config.recipe_file import load_recipe, recipe_toml
from oneshot.core.errors import SessionError, SettingsError
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Session
from oneshot.session.open import open_session
from oneshot.session.processed_tracks import Track, Tracks, open_tracks, with_tracks
from oneshot.session.session_file import draft_toml

MICS = ("Kick In", "Kick Out", "Snare Top", "Snare Bottom", "Rack Tom", "Floor Tom", "OH L", "OH R", "Room")


@pytest.fixture
def session(tmp_path: Path) -> Session:
    """Two takes of nine mics."""
    return session_of(tmp_path / "s", *(f"take {t}/{mic}" for t in (1, 2) for mic in MICS))


def tracks_of(session: Session, folder: Path, *names: str, channels: int = 2, takes: tuple[int, ...] = (1, 2),
              said: dict[str, list[str]] | None = None) -> Tracks:
    """A folder of tracks of those names in every take, opened."""
    for take in takes:
        for name in names:
            sound(folder / f"take {take}" / f"{name}.wav", channels=channels)
    return open_tracks(session, folder, said or {})


def track(tracks: Tracks, name: str, take: str = "take 1") -> Track:
    """One track of a take."""
    return next(each for each in tracks.takes[take].tracks if each.name == name)


@pytest.mark.parametrize(("name", "made_of"), [
    ("Kick In processed", ["Kick In"]), ("kick_in-stem", ["Kick In"]), ("Kick bus", ["Kick In", "Kick Out"]),
    ("Snare processed", ["Snare Top", "Snare Bottom"]), ("SN btm eq", ["Snare Bottom"]),
    ("Toms", ["Rack Tom", "Floor Tom"]), ("Floor Tom comp", ["Floor Tom"]), ("OH mixed", ["OH L", "OH R"]),
    ("Overheads", ["OH L", "OH R"]), ("Room crushed", ["Room"]), ("Drum bus", list(MICS)), ("Drums", list(MICS)),
    ("Drum crush", list(MICS)), ("Drum verb", []), ("Snare plate", []), ("FX return", [])])
def test_a_name_says_what_a_track_holds(session: Session, tmp_path: Path, name: str, made_of: list[str]) -> None:
    """A mic, a pair, a drum's own mics, overheads, rooms, the whole kit, or nothing but an effect."""
    found, = tracks_of(session, tmp_path / "mixed", name).takes["take 1"].tracks

    assert sorted(made_of) == sorted(found.made_of)


def test_the_recipe_outranks_the_name(session: Session, tmp_path: Path) -> None:
    """[tracks] says what a track is made of, pairs by their name; [] makes it a return; the recipe's file keeps it."""
    found = tracks_of(session, tmp_path / "mixed", "Track 7", "Drum bus",
                      said={"track 7": ["Kick In", "OH"], "Drum bus": []})
    (tmp_path / "r.toml").write_text('[tracks]\n"Track 7" = ["Kick In", "OH"]\n"Drum bus" = []\n')
    recipe, problems = load_recipe(tmp_path / "r.toml")
    (tmp_path / "again.toml").write_text(recipe_toml(recipe))

    assert ("Kick In", "OH L", "OH R") == track(found, "Track 7").made_of
    assert () == track(found, "Drum bus").made_of
    assert {"Track 7": ("Kick In", "OH"), "Drum bus": ()} == dict(recipe.tracks)
    assert recipe == load_recipe(tmp_path / "again.toml")[0]
    assert () == problems


def test_a_name_that_says_nothing_is_told(session: Session, tmp_path: Path) -> None:
    """It is taken for the whole kit, with a line that says what to do."""
    found = tracks_of(session, tmp_path / "mixed", "Blub")

    assert set(MICS) == set(track(found, "Blub").made_of)
    assert ["Blub"] == [problem.where for problem in found.problems]


def test_a_track_called_as_a_mic_gets_a_name_of_its_own(session: Session, tmp_path: Path) -> None:
    """Mics keep their names; sides of a stereo file, or of two mono ones, are a pair of role bus, not recorded."""
    found = tracks_of(session, tmp_path / "mixed", "Kick In", "Drum bus L", "Drum bus R", channels=1)
    whole = with_tracks(session, found.takes)
    mics = {mic.name: mic for mic in whole.takes[0].mics}

    assert ["Kick In processed"] == [mic.name for mic in track(found, "Kick In processed").mics]
    assert ["Drum bus L", "Drum bus R"] == [mic.name for mic in track(found, "Drum bus").mics]
    assert (Role.BUS, "Drum bus", "R", False) == (mics["Drum bus R"].role, mics["Drum bus R"].pair,
                                                  mics["Drum bus R"].side, mics["Drum bus R"].recorded)
    assert len(MICS) == len(whole.takes[0].recorded)


def test_a_drums_own_track_goes_with_its_strokes_alone(session: Session, tmp_path: Path) -> None:
    """A kick bus is cut for kicks; a drum bus, overheads and returns for every stroke."""
    found = tracks_of(session, tmp_path / "mixed", "Kick bus", "Drum bus", "Verb", "OH mixed")
    take = session.takes[0]

    assert [True, False] == [track(found, "Kick bus").goes_with(drum, take) for drum in ("kick", "snare")]
    for name in ("Drum bus", "Verb", "OH mixed"):
        assert track(found, name).goes_with("snare", take)


def test_what_cannot_be_laid_over_its_take_is_refused(session: Session, tmp_path: Path) -> None:
    """Another length, another rate, more than two channels, a take without tracks, tracks of one take alone, a folder
    that is not there: one line each, with the numbers.
    """
    def refused(folder: Path, said: str) -> None:
        with pytest.raises(SessionError, match=said):
            open_tracks(session, folder, {})

    for name, how, said in (("long", {"frames": FRAMES + 1}, f"holds {FRAMES + 1} frames .* take 1 {FRAMES}"),
                            ("rate", {"rate": 44100}, "at 44100 Hz and take 1 at 48000 Hz"),
                            ("six", {"channels": 6}, "has 6 channels")):
        for take in (1, 2):
            sound(tmp_path / name / f"take {take}" / "Drum bus.wav", **how)  # type: ignore[arg-type]
        refused(tmp_path / name, said)
    sound(tmp_path / "one" / "take 1" / "Drum bus.wav")
    refused(tmp_path / "one", "holds no processed tracks of take 2")
    sound(tmp_path / "one" / "take 2" / "Kick bus.wav")
    refused(tmp_path / "one", "take 1 has no 'Kick bus', which other takes have")
    refused(tmp_path / "nowhere", "no such folder")


def test_what_the_recipe_names_must_be_there(session: Session, tmp_path: Path) -> None:
    """A track or a mic that nobody has stops with what there is."""
    with pytest.raises(SettingsError, match=r"no such processed track; use one of Drum bus"):
        tracks_of(session, tmp_path / "mixed", "Drum bus", said={"Drums": ["Kick In"]})
    with pytest.raises(SettingsError, match="take 1 has no such mic"):
        tracks_of(session, tmp_path / "mixed", "Drum bus", said={"Drum bus": ["Cowbell"]})
    with pytest.raises(SettingsError, match="must be a list of mics"):
        Recipe(tracks={"Drum bus": "Kick In"})  # type: ignore[dict-item]


def test_a_single_take_needs_no_folder_of_its_own(tmp_path: Path) -> None:
    """Then the tracks may lie in the folder itself."""
    session = session_of(tmp_path / "s", *MICS)
    sound(tmp_path / "mixed" / "Drum bus.wav", channels=2)

    assert ["Drum bus"] == [each.name for each in open_tracks(session, tmp_path / "mixed", {}).takes["s"].tracks]


def test_check_shows_what_each_track_is_taken_for(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Where session.toml names the folder: before anything is built, as a table and for programs; a file that does not
    fit is one line and exit code 1.
    """
    session_of(tmp_path / "s", *(f"take 1/{mic}" for mic in MICS), toml='processed = "../mixed"\n')
    for name in ("Kick bus", "Snare verb"):
        sound(tmp_path / "mixed" / "take 1" / f"{name}.wav", channels=2)

    def check(*more: str) -> int:
        with pytest.raises(SystemExit) as ended:
            main(["check", str(tmp_path / "s"), *more])
        return int(ended.value.code or 0)

    assert 0 == check()
    lines = [line.split() for line in capsys.readouterr().out.splitlines()]
    assert ["Kick", "bus", "Kick", "In,", "Kick", "Out"] in lines
    assert ["Snare", "verb", "effect", "return"] in lines
    assert 0 == check("--json")
    told = json.loads(capsys.readouterr().out)["processed"]
    assert {"take": "take 1", "name": "Kick bus", "made_of": ["Kick In", "Kick Out"]} in told
    sound(tmp_path / "mixed" / "take 1" / "Kick bus.wav", frames=FRAMES - 1)
    assert 1 == check()
    assert f"holds {FRAMES - 1} frames" in capsys.readouterr().err


def test_a_folder_inside_the_session_is_no_take(tmp_path: Path) -> None:
    """session.toml names it: no take is read from it, and a drafted session.toml keeps the key."""
    for name in ("take 1/Kick In", "take 1/OH L", "take 1/OH R", "Mixed/take 1/Drum bus"):
        sound(tmp_path / "s" / f"{name}.wav")
    (tmp_path / "s" / "session.toml").write_text('processed = "Mixed"\n')
    session = open_session(tmp_path / "s")

    assert ["take 1"] == [take.name for take in session.takes]
    assert "Mixed" == session.processed
    assert '\nprocessed = "Mixed"\n' in draft_toml(session)
    assert [] == [problem for problem in session.problems if "Mixed" in problem.where]


@pytest.mark.skipif(sys.platform != "linux", reason="other systems take no such names")
def test_a_track_of_a_name_that_is_no_text_is_refused(session: Session, tmp_path: Path) -> None:
    """The kit would have to be told it; a folder above the tracks may be called so, unless it lies in the session."""
    odd = os.fsdecode(b"b\xffd")

    assert tracks_of(session, tmp_path / odd, "Room crushed").takes
    with pytest.raises(SessionError, match=r"the name b\\xffd is not valid UTF-8: rename it"):
        tracks_of(session, session.root / odd, "Room crushed")
    with pytest.raises(SessionError, match=r"the name Room b\\xffd\.wav is not valid UTF-8: rename it"):
        tracks_of(session, tmp_path / "tracks", f"Room {odd}")
