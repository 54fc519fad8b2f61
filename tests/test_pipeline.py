"""The whole job from the outside: bad input, overruling, rebuilding, and that nothing is ever half written."""

from __future__ import annotations

import errno
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from command_line import main_code
from stage_inputs import RATE, Pier, noise
from stroke_sessions import NAMES, strokes, sums

from oneshot import pipeline
from oneshot.analysis.detection import take
from oneshot.analysis.records import TakeScan
from oneshot.cli import main
from oneshot.config import corrections_file
from oneshot.core.errors import AudioError, KitError, OneshotError, SessionError, SettingsError, WorkError
from oneshot.core.progress import A_LINE
from oneshot.core.records.kit import Kit

# ------------------------------------------------------------------------------------------------------------ bad input


def no_folder(at: Path) -> None:
    """Nothing is there."""


def a_file(at: Path) -> None:
    """The session is a file."""
    at.write_bytes(b"RIFF")


def no_audio(at: Path) -> None:
    """A folder of texts."""
    at.mkdir()
    (at / "notes.txt").write_text("take 3 was best", encoding="utf-8")


def unreadable(at: Path) -> None:
    """One file is no sound file inside."""
    (strokes(at) / "Snare.wav").write_bytes(b"this is no sound" * 100)


def cut_in_its_header(at: Path) -> None:
    """One file ends in its header."""
    path = strokes(at) / "Snare.wav"
    path.write_bytes(path.read_bytes()[:20])


def empty_file(at: Path) -> None:
    """One file of no bytes."""
    (strokes(at) / "Snare.wav").write_bytes(b"")


def no_frames(at: Path) -> None:
    """One file with a header and no samples."""
    soundfile.write(strokes(at) / "Snare.wav", np.zeros(0), RATE, "PCM_24")


def silence(at: Path) -> None:
    """All mics are digital black."""
    strokes(at, **{name: np.zeros(RATE) for name in NAMES})


def nothing_played(at: Path) -> None:
    """All mics hold their noise alone."""
    strokes(at, **{name: noise(3 * RATE, -70, n) for n, name in enumerate(NAMES)})


def not_a_number(at: Path) -> None:
    """One NaN in one mic."""
    x = noise(3 * RATE, -40, 1)
    x[70_000] = np.nan
    strokes(at, Snare=x)


def two_rates(at: Path) -> None:
    """One file at another rate."""
    soundfile.write(strokes(at) / "Snare.wav", noise(3 * 44100, -40, 1), 44100, "PCM_24")


def bad_toml(at: Path) -> None:
    """A session.toml that is none."""
    (strokes(at) / "session.toml").write_text("name = ", encoding="utf-8")


BAD: list[tuple[Callable[[Path], None], type[OneshotError], str]] = [
    (no_folder, SessionError, "session"), (a_file, SessionError, "session"), (no_audio, SessionError, "session"),
    (unreadable, AudioError, r"Snare\.wav"), (cut_in_its_header, AudioError, r"Snare\.wav"),
    (empty_file, AudioError, r"Snare\.wav.*empty"), (no_frames, AudioError, r"Snare\.wav"),
    (silence, WorkError, "silent"), (nothing_played, WorkError, "no hit"),
    (not_a_number, AudioError, r"Snare\.wav holds NaN or infinity at frame 70000"),
    (two_rates, SessionError, r"44100|44\.1"), (bad_toml, OneshotError, r"session\.toml")]


@pytest.mark.parametrize(("make", "error", "match"), BAD, ids=[row[0].__name__ for row in BAD])
def test_bad_input_is_one_line_and_leaves_nothing(tmp_path: Path, make: Callable[[Path], None],
                                                  error: type[OneshotError], match: str) -> None:
    """Each fault is one clear line that says where; no kit, no leftover beside it, and the session as it was."""
    make(tmp_path / "session")
    (tmp_path / "out").mkdir()
    before = sums(tmp_path)
    with pytest.raises(error, match=match) as caught:
        pipeline.build(tmp_path / "session", tmp_path / "out" / "kit", jobs=1)

    assert 1 == len(str(caught.value).splitlines())
    assert before == sums(tmp_path)
    assert [] == list((tmp_path / "out").iterdir())


@pytest.mark.parametrize("make", [no_folder, empty_file, not_a_number], ids=lambda make: make.__name__)
def test_the_command_line_says_it_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str],
                                              make: Callable[[Path], None]) -> None:
    """Run as a command the same is one line on stderr, nothing on stdout, and exit code 1."""
    make(tmp_path / "session")
    with pytest.raises(SystemExit) as left:
        main(["build", str(tmp_path / "session"), str(tmp_path / "kit")])
    said = capsys.readouterr()

    assert 1 == left.value.code
    assert 1 == len(said.err.strip().splitlines())
    assert "Traceback" not in said.err
    assert not (tmp_path / "kit").exists()


def test_lengths_that_differ_are_told_and_built(tmp_path: Path) -> None:
    """A mic that was stopped early is a problem in the report, and the kit is made."""
    strokes(tmp_path / "session", **{"OH R": noise(2 * RATE, -80, 9)})
    kit = pipeline.build(tmp_path / "session", tmp_path / "kit", jobs=1).kit

    assert any("OH R" in f"{p.where} {p.what}" for p in kit.problems), kit.problems
    assert kit.one_shots


@pytest.mark.full
@pytest.mark.parametrize("inside", ["text", "other program", "empty folder", "file"])
def test_what_is_no_kit_of_ours_is_not_touched(pier: Pier, tmp_path: Path, inside: str) -> None:
    """An existing output that is no kit of ours is refused before any work is done, and stays as it was."""
    target = tmp_path / "kit"
    if inside == "file":
        target.write_text("a shopping list", encoding="utf-8")
    else:
        target.mkdir()
    if inside == "text":
        (target / "song.txt").write_text("la la", encoding="utf-8")
    if inside == "other program":
        (target / "manifest.json").write_text('{"format": "something else", "version": 1}', encoding="utf-8")
    before = sums(tmp_path)
    stages: list[str] = []
    with pytest.raises(KitError, match="is not a kit: choose another place"):
        pipeline.build(pier.session, target, progress=lambda stage, share: stages.append(stage))

    assert before == sums(tmp_path)
    assert target.exists()
    assert [] == stages


def test_a_kit_never_lands_in_its_session(tmp_path: Path) -> None:
    """A kit inside the session, at any depth or by way of a link, is refused; the session keeps its files alone."""
    session = strokes(tmp_path / "session")
    (tmp_path / "link").symlink_to(session)
    before = sums(tmp_path)
    for target in (session / "kit", session / "a" / "b" / "kit", tmp_path / "link" / "kit",
                   tmp_path / "session" / ".." / "session" / "kit"):
        with pytest.raises(KitError, match="inside the session: choose a place outside"):
            pipeline.build(session, target)
    with pytest.raises(KitError, match="choose another place"):
        pipeline.build(session, session)

    assert before == sums(tmp_path)


def test_a_session_kept_inside_a_kit_is_safe(jetty: Pier, tmp_path: Path) -> None:
    """Recordings that lie inside a kit of ours would be thrown away with it: refused, nothing touched."""
    shutil.copytree(jetty.folder, tmp_path / "kit")
    session = strokes(tmp_path / "kit" / "recordings")
    before = sums(tmp_path)
    with pytest.raises(KitError, match="holds the session"):
        pipeline.build(session, tmp_path / "kit")

    assert before == sums(tmp_path)


@pytest.mark.full
@pytest.mark.parametrize(("options", "text", "match"), [
    ({"only": "gong"}, None, r"there is no drum 'gong': choose one of .*kick.*snare"),
    ({}, "[choose]\nlayers = 0", r"recipe\.toml, line 2: choose\.layers is 0"),
    ({}, "layers = ", r"recipe\.toml: not valid TOML"),
    ({}, '[keys]\nkick = 36\nsnare = 36', "36"),
])
def test_bad_wishes_are_one_line_and_leave_nothing(pier: Pier, tmp_path: Path, options: dict[str, Any],
                                                   text: str | None, match: str) -> None:
    """A drum that is not there, or a recipe that cannot be, is one clear line and no kit."""
    (tmp_path / "out").mkdir()
    if text is not None:
        (tmp_path / "recipe.toml").write_text(text, encoding="utf-8")
        options = {**options, "recipe_path": tmp_path / "recipe.toml"}
    with pytest.raises(SettingsError, match=match) as caught:
        pipeline.build(pier.session, tmp_path / "out" / "kit", **options)

    assert 1 == len(str(caught.value).splitlines())
    assert [] == list((tmp_path / "out").iterdir())


def test_a_recipe_that_is_not_there_is_told(jetty: Pier, tmp_path: Path) -> None:
    """A path that holds no recipe is one line."""
    with pytest.raises(SettingsError, match="no such recipe"):
        pipeline.build(jetty.session, tmp_path / "kit", recipe_path=tmp_path / "nothing.toml")


# ---------------------------------------------------------------------------------------------------- once and no more


@pytest.mark.parametrize("files", ["", 'level = "drum"\nbits = "16"', 'format = "flac"\nlite = true\nlevel = "kit"'])
def test_a_sound_file_is_written_once_and_read_by_none_who_builds(jetty: Pier, tmp_path: Path, files: str,
                                                                 monkeypatch: pytest.MonkeyPatch) -> None:
    """Until mappings and page are made of it, no file of the kit has been opened again after it was written, tags in
    it; whatever the recipe asks for.
    """
    opened: list[tuple[str, str]] = []
    plain, sound = Path.open, soundfile.SoundFile.__init__

    def open_file(path: Path, mode: str = "r", *args: Any, **more: Any) -> Any:
        opened.append((path.name, mode))
        return plain(path, mode, *args, **more)

    def open_sound(self: Any, file: Any, *args: Any, **more: Any) -> None:
        opened.append((Path(file).name if isinstance(file, str | Path) else "", "sound"))
        sound(self, file, *args, **more)

    def whole(kit: Kit, stage: Path, *args: Any, **more: Any) -> None:
        raise KeyboardInterrupt

    (tmp_path / "r.toml").write_text(f'[files]\n{files}\n[[prints]]\nname = "kick"\ndrum = "kick"\n', encoding="utf-8")
    names = {path.stem for path in jetty.folder.rglob("samples/**/*.wav")}
    with monkeypatch.context() as patch:
        patch.setattr(Path, "open", open_file)
        patch.setattr(soundfile.SoundFile, "__init__", open_sound)
        patch.setattr("oneshot.kit.write.write_kit", whole)
        with pytest.raises(KeyboardInterrupt):
            pipeline.build(jetty.session, tmp_path / "kit", recipe_path=tmp_path / "r.toml", jobs=1)

    written = [name for name, mode in opened if "w" in mode and "_V0" in name]
    assert len(written) > (0 if "lite" in files else len(names) - 1)
    assert sorted(set(written)) == sorted(name for name, _ in opened if "_V0" in name)


# ------------------------------------------------------------------------------------------------- whole or not at all


def broken(kind: str, monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """Make a build fail halfway; options for it."""
    def full(*args: Any, **more: Any) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    def stopped(stage: str, share: float) -> None:
        if stage == "cutting" and share > 0.3:
            raise KeyboardInterrupt

    if kind == "interrupted while cutting":
        return {"progress": stopped}
    name = {"disk full while cutting": "oneshot.cutting.files.write_tagged",
            "disk full at the recipe": "oneshot.kit.write.write_atomic",
            "disk full at the manifest": "oneshot.kit.write.write_all"}[kind]
    monkeypatch.setattr(name, full)
    return {}


@pytest.mark.full
@pytest.mark.parametrize("kind", ["interrupted while cutting", "disk full while cutting", "disk full at the manifest",
                                  "disk full at the recipe"])
@pytest.mark.parametrize("old", [False, True])
def test_a_build_that_fails_leaves_things_as_they_were(pier: Pier, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                       kind: str, *, old: bool) -> None:
    """Interrupted, or with the disk full, a build leaves the old kit whole, or none; the disk's reason is one line."""
    if old:
        shutil.copytree(pier.folder, tmp_path / "kit")
    before = sums(tmp_path)
    options = broken(kind, monkeypatch)
    expected = KeyboardInterrupt if kind.startswith("interrupted") else WorkError
    with pytest.raises(expected) as caught:
        pipeline.build(pier.session, tmp_path / "kit", jobs=1, **options)

    if expected is WorkError:
        assert "No space left on device" in str(caught.value)
        assert 1 == len(str(caught.value).splitlines())
    assert before == sums(tmp_path)
    assert (["kit"] if old else []) == [p.name for p in tmp_path.iterdir()]


# ----------------------------------------------------------------------------------------------------------- rebuilding


def overruled(folder: Path, text: str) -> None:
    """Write a kit's corrections."""
    head = f'format = "{corrections_file.FORMAT}"\nversion = 1\n# kept by hand: mine\n'
    (folder / "corrections.toml").write_text(head + text, encoding="utf-8")


@pytest.fixture
def kit(pier: Pier, tmp_path: Path) -> Path:
    """A copy of the pier's kit, to be rebuilt."""
    shutil.copytree(pier.folder, tmp_path / "kit")
    return tmp_path / "kit"


def place(pier: Pier, hit: int) -> str:
    """A hit's place, as a correction says it."""
    return f'take = "pier"\nframe = {pier.kit.hits[hit - 1].onset}\n'


def shots(kit: Kit, drum: str) -> list[int]:
    """The hits that became one-shots of a drum."""
    return [s.hit for s in kit.one_shots if s.drum == drum]


def test_a_rebuild_keeps_recipe_and_corrections(pier: Pier, kit: Path) -> None:
    """What the user wrote in the kit is what the next build goes by, and is still there afterwards."""
    text = (kit / "recipe.toml").read_text(encoding="utf-8").replace("round_robins = 6", "round_robins = 1")
    text = text.replace("[choose]", "# mine: one of each\n[choose]")
    (kit / "recipe.toml").write_text(text, encoding="utf-8")
    overruled(kit, "")
    (kit / "stray.wav").write_bytes(b"RIFF")
    rebuilt = pipeline.build(pier.session, kit).kit

    assert {1} == {s.round_robin for s in rebuilt.one_shots}
    assert text == (kit / "recipe.toml").read_text(encoding="utf-8")
    assert "# kept by hand: mine" in (kit / "corrections.toml").read_text(encoding="utf-8")
    assert b"RIFF" == (kit / "stray.wav").read_bytes()


def test_a_recipe_given_outranks_the_kits(pier: Pier, kit: Path, tmp_path: Path) -> None:
    """A recipe named for this build is used and lies in the kit afterwards."""
    (tmp_path / "mine.toml").write_text("[choose]\nlayers = 1", encoding="utf-8")
    rebuilt = pipeline.build(pier.session, kit, recipe_path=tmp_path / "mine.toml").kit

    assert {1} == {s.layer for s in rebuilt.one_shots}
    assert "\nlayers = 1\n" in (kit / "recipe.toml").read_text(encoding="utf-8")


@pytest.mark.full
def test_rejecting_and_keeping_have_their_effect(pier: Pier, kit: Path) -> None:
    """A rejected hit makes no one-shot and says why; a wanted one is there although its layer was full."""
    (kit / "recipe.toml").write_text("[choose]\nround_robins = 1\n", encoding="utf-8")
    plain = pipeline.build(pier.session, kit).kit
    kept = shots(plain, "kick")
    left = next(h.id for h in plain.hits if h.drum == "kick" and not h.kept)
    overruled(kit, f"[[reject]]\n{place(pier, kept[0])}[[keep]]\n{place(pier, left)}")
    changed = pipeline.build(pier.session, kit).kit

    assert kept[0] not in shots(changed, "kick")
    assert "by hand" in str(changed.hits[kept[0] - 1].reason)
    assert left in shots(changed, "kick")
    assert shots(plain, "snare") == shots(changed, "snare")


@pytest.mark.full
def test_a_renamed_drum_keeps_all_that_was_its(pier: Pier, kit: Path) -> None:
    """Under its new name the kick has the same hits, both its close mics, its tables and its key; the old name is
    gone.
    """
    overruled(kit, '[[rename]]\ndrum = "kick"\nto = "Boom"')
    rebuilt = pipeline.build(pier.session, kit).kit
    manifest = json.loads((kit / "manifest.json").read_text(encoding="utf-8"))

    assert shots(pier.kit, "kick") == shots(rebuilt, "boom")
    assert [f.mics for s in pier.kit.one_shots if s.drum == "kick" for f in s.files] == \
        [f.mics for s in rebuilt.one_shots if s.drum == "boom" for f in s.files]
    assert ("kick", "Kick In") == next((d.kind, d.home) for d in rebuilt.drums if d.name == "boom")
    assert pier.kit.bleed["pier"]["kick"] == rebuilt.bleed["pier"]["boom"]
    assert pier.kit.balance == rebuilt.balance
    assert {"boom", "snare", "floor"} == {d["name"] for d in manifest["drums"]} == set(manifest["delays_ms"]["pier"])
    assert ["boom", "floor", "snare"] == sorted(p.name for p in (kit / "samples").iterdir())


@pytest.mark.full
def test_a_new_name_says_what_was_struck(pier: Pier, kit: Path) -> None:
    """A drum renamed to cowbell plays on General MIDI's cowbell, note 56 (MMA RP-003)."""
    overruled(kit, '[[rename]]\ndrum = "floor"\nto = "cowbell"')
    rebuilt = pipeline.build(pier.session, kit).kit

    assert [("cowbell", 56)] == [(d.kind, d.articulations[0].key) for d in rebuilt.drums if d.name == "cowbell"]


@pytest.mark.full
def test_two_drums_become_one_under_one_name(pier: Pier, kit: Path) -> None:
    """Of drums that are merged, home mic and kind are those of the drum so called."""
    overruled(kit, '[[merge]]\ndrums = ["floor"]\nto = "snare"')
    rebuilt = pipeline.build(pier.session, kit).kit

    assert ["kick", "snare"] == [d.name for d in rebuilt.drums]
    assert ("snare", "Snare Top") == next((d.kind, d.home) for d in rebuilt.drums if d.name == "snare")
    assert 14 == sum(h.drum == "snare" for h in rebuilt.hits)
    assert pier.kit.delays_ms["pier"]["snare"] == rebuilt.delays_ms["pier"]["snare"]
    assert len({f.path for s in rebuilt.one_shots for f in s.files}) == sum(len(s.files) for s in rebuilt.one_shots)


@pytest.mark.full
def test_an_articulation_is_renamed(pier: Pier, kit: Path) -> None:
    """A new name for a way of striking reaches the hits, the files and the mapping."""
    overruled(kit, '[[rename]]\ndrum = "kick"\narticulation = "hit"\nto = "felt"')
    rebuilt = pipeline.build(pier.session, kit).kit

    assert {"felt"} == {s.articulation for s in rebuilt.one_shots if s.drum == "kick"}
    assert (kit / "samples" / "kick" / "felt").is_dir()
    assert "kick_felt_" in (kit / "mappings" / "kit.sfz").read_text(encoding="utf-8")


@pytest.mark.full
def test_corrections_that_find_nothing_are_told(pier: Pier, kit: Path) -> None:
    """An entry that fits no hit or drum any more is a problem in the kit, and stops nothing."""
    overruled(kit, '[[reject]]\ntake = "pier"\nframe = 3\n[[rename]]\ndrum = "gong"\nto = "bell"')
    told = [p.what for p in pipeline.build(pier.session, kit).kit.problems if p.where == "corrections.toml"]

    assert 2 == len(told)


def test_a_drum_left_out_by_hand_is_told_as_such(jetty: Pier, tmp_path: Path) -> None:
    """Where all hits of a drum were left out by hand, the advice is not to lower the grade."""
    shutil.copytree(jetty.folder, tmp_path / "kit")
    overruled(tmp_path / "kit", '[[reject]]\ndrum = "kick"')
    told = [f"{p.what}; {p.todo}" for p in pipeline.build(jetty.session, tmp_path / "kit").kit.problems
            if p.where == "kick"]

    assert 1 == len(told)
    assert told[0].startswith("all hits of this drum were left out by hand; delete a leave_out")


def test_bad_corrections_stop_before_the_work(pier: Pier, kit: Path) -> None:
    """A corrections file with a fault is one line before anything is heard; the kit stays as it was."""
    (kit / "corrections.toml").write_text("reject = ", encoding="utf-8")
    before, stages = sums(kit), list[str]()
    with pytest.raises(SettingsError, match=r"corrections\.toml is not valid TOML"):
        pipeline.build(pier.session, kit, progress=lambda stage, share: stages.append(stage))

    assert before == sums(kit)
    assert [] == stages


# -------------------------------------------------------------------------------------------------------------- results


def collector(told: list[tuple[str, float]]) -> Callable[[str, float], None]:
    """A progress that writes down what it is told."""
    return lambda stage, share: told.append((stage, share))


def test_a_new_kit_is_whole(jetty: Pier, tmp_path: Path) -> None:
    """A build says where the kit is and how much is in it; everything the contract names is there."""
    told: list[tuple[str, float]] = []
    made = pipeline.build(jetty.session, tmp_path / "new" / "place" / "kit", progress=collector(told))
    there = {p.relative_to(made.folder).as_posix(): p.stat().st_size for p in made.folder.rglob("*") if p.is_file()}

    assert {"manifest.json", "manifest.schema.json", "hits.csv", "report.html", "README.txt", "recipe.toml",
            "corrections.toml", "mappings/kit.sfz"} <= set(there)
    assert (len(there), sum(there.values())) == (made.files, made.size_bytes)
    assert tmp_path / "new" / "place" / "kit" == made.folder
    assert ["kit"] == [p.name for p in made.folder.parent.iterdir()]
    assert all(0.0 <= share <= 1.0 or share == A_LINE for _, share in told)
    assert len({stage for stage, _ in told}) >= 3


def test_only_takes_a_name_or_a_kind(pier: Pier, tmp_path: Path) -> None:
    """``only`` means the drum of that name, or all drums of that kind."""
    by_kind = pipeline.build(pier.session, tmp_path / "kit", only="tom").kit

    assert ["floor"] == [d.name for d in by_kind.drums]


def test_a_build_starts_from_what_check_scanned(jetty: Pier, tmp_path: Path, own_folders: Path) -> None:
    """It scans nothing again, and its kit is to the byte the one that was built without a check before. Reading headers
    only keeps nothing.
    """
    assert 0 == main_code("check", str(jetty.session), "--headers-only")
    assert [] == list(own_folders.rglob("scan-1.json"))
    assert 0 == main_code("check", str(jetty.session))
    assert 1 == len(list(own_folders.rglob("scan-1.json")))
    told: list[tuple[str, float]] = []
    pipeline.build(jetty.session, tmp_path / "kit", progress=collector(told))

    assert [] == [stage for stage, _ in told if "scan" in stage]
    assert sums(jetty.folder) == sums(tmp_path / "kit")


def test_check_reports_before_it_scans(jetty: Pier, monkeypatch: pytest.MonkeyPatch,
                                       capsys: pytest.CaptureFixture[str]) -> None:
    """Whoever ends it then has read all that it has to say."""
    def ended(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("oneshot.analysis.detection.take.scan_take", ended)

    assert 130 == main_code("check", str(jetty.session))
    out = capsys.readouterr().out
    assert "track sheet" in out
    assert "Nothing wrong was found" in out or "Good to know" in out


def test_a_scan_of_files_that_change_meanwhile_is_not_kept(jetty: Pier, tmp_path: Path, own_folders: Path,
                                                           monkeypatch: pytest.MonkeyPatch) -> None:
    """A recorder still writes: the report stands, and a build will scan what is there then."""
    shutil.copytree(jetty.session, tmp_path / "s")
    (first, *_) = sorted((tmp_path / "s").rglob("*.wav"))
    scan = take.scan_take

    def meanwhile(*args: Any, **more: Any) -> TakeScan:
        found = scan(*args, **more)
        first.touch()
        return found

    monkeypatch.setattr(take, "scan_take", meanwhile)

    assert 0 == main_code("check", str(tmp_path / "s"))
    assert [] == list(own_folders.rglob("scan-1.json"))


@pytest.mark.full
def test_fresh_uses_nothing_stored(pier: Pier, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A second build scans nothing again unless it is told to be fresh."""
    pipeline.build(pier.session, tmp_path / "one")
    for fresh in (False, True):
        told: list[tuple[str, float]] = []
        pipeline.build(pier.session, tmp_path / "two", fresh=fresh, progress=collector(told))

        assert fresh == any("scan" in stage for stage, _ in told)


@pytest.mark.full
def test_a_cache_that_cannot_be_written_stops_no_build(pier: Pier, tmp_path: Path,
                                                       monkeypatch: pytest.MonkeyPatch) -> None:
    """With nowhere to store results the kit is made all the same."""
    (tmp_path / "file").write_text("no folder", encoding="utf-8")
    monkeypatch.setenv("ONESHOT_CACHE", str(tmp_path / "file" / "cache"))

    assert len(pier.kit.one_shots) == len(pipeline.build(pier.session, tmp_path / "kit").kit.one_shots)
