"""What merely lies in a kit's folder is kept by a build, and so is what people write meanwhile."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from oneshot import pipeline
from oneshot.config.corrections_file import EMPTY_TEXT
from oneshot.core import files
from oneshot.core.errors import AudioError, KitError, SessionError, WorkError
from oneshot.core.kit_lock import Holder
from oneshot.kit import remeasure
from oneshot.kit.contents import strangers
from oneshot.kit.read import read_kit
from oneshot.kit.verify import verify_kit

if TYPE_CHECKING:
    from stage_inputs import Pier

    from oneshot.core.records.kit import Kit


@pytest.fixture
def kit(jetty: Pier, tmp_path: Path) -> Path:
    """A copy of the small kit."""
    shutil.copytree(jetty.folder, tmp_path / "kit")
    return tmp_path / "kit"


def test_a_kit_holds_nothing_but_its_own(jetty: Pier) -> None:
    """Every file that a build writes is known as the kit's."""
    assert [] == strangers(jetty.folder, read_kit(jetty.folder))


def test_a_rebuild_keeps_what_is_not_the_kits(jetty: Pier, kit: Path, tmp_path: Path) -> None:
    """Recordings, notes, links, empty folders and a mapping of one's own stay where they were, byte for byte."""
    (kit / "stems" / "take 1").mkdir(parents=True)
    (kit / "stems" / "take 1" / "mix.wav").write_bytes(b"a recording")
    (kit / "samples" / "mine.wav").write_bytes(b"another")
    (kit / "mappings" / "drums" / "mine.sfz").write_bytes(b"<region>")
    (kit / "corrections.toml.bak").write_bytes(b"private")
    (kit / "empty").mkdir()
    (tmp_path / "elsewhere.txt").write_bytes(b"elsewhere")
    (kit / "link.txt").symlink_to(tmp_path / "elsewhere.txt")
    (kit / "away").symlink_to(tmp_path)
    pipeline.build(jetty.session, kit)

    assert b"a recording" == (kit / "stems" / "take 1" / "mix.wav").read_bytes()
    assert b"another" == (kit / "samples" / "mine.wav").read_bytes()
    assert b"<region>" == (kit / "mappings" / "drums" / "mine.sfz").read_bytes()
    assert b"private" == (kit / "corrections.toml.bak").read_bytes()
    assert (kit / "empty").is_dir()
    assert tmp_path / "elsewhere.txt" == (kit / "link.txt").readlink()
    assert tmp_path == (kit / "away").readlink()
    assert {"samples/mine.wav"} == {found.path for found in verify_kit(kit)}


def test_what_a_new_file_of_the_kit_would_cover_gets_another_name(jetty: Pier, kit: Path, tmp_path: Path) -> None:
    """Both are there afterwards, and the build says so."""
    recipe = tmp_path / "prints.toml"
    recipe.write_text('[[prints]]\nname = "p"\ndrum = "kick"\n', encoding="utf-8")
    first = pipeline.build(jetty.session, tmp_path / "other", recipe_path=recipe).kit.prints[0]
    (kit / first.path).parent.mkdir(parents=True)
    (kit / first.path).write_bytes(b"mine")
    built = pipeline.build(jetty.session, kit, recipe_path=recipe)

    assert b"mine" == (kit / first.path).with_stem(f"{Path(first.path).stem} (kept)").read_bytes()
    assert b"RIFF" == (kit / first.path).read_bytes()[:4]
    assert any("(kept)" in problem.where for problem in built.kit.problems)


def test_processed_tracks_in_the_kits_folder_survive_the_build_that_reads_them(jetty: Pier, kit: Path) -> None:
    """The very folder given as processed lies in the kit that is rebuilt."""
    tracks = kit / "mixed"
    tracks.mkdir()
    shutil.copyfile(next(jetty.session.rglob("Kick In.wav")), tracks / "Kick In mixed.wav")
    pipeline.build(jetty.session, kit, processed=tracks)

    assert (tracks / "Kick In mixed.wav").is_file()
    assert read_kit(kit).tracks


def test_remeasuring_keeps_what_is_not_the_kits(own_example: Kit) -> None:
    """As a build does."""
    folder = own_example.session.root / "kit"
    (folder / "mappings" / "mine.sfz").write_bytes(b"<region>")
    (folder / "notes.txt").symlink_to(folder.parent / "nowhere")
    path = next((folder / "samples").rglob("*.wav"))
    data = bytearray(path.read_bytes())
    data[3000] ^= 1
    path.write_bytes(bytes(data))
    remeasure.remeasure(folder)

    assert b"<region>" == (folder / "mappings" / "mine.sfz").read_bytes()
    assert (folder / "notes.txt").is_symlink()


def test_files_that_other_software_went_over_are_not_replaced(jetty: Pier, kit: Path) -> None:
    """Before they were measured again, too: a build names the first of them and does nothing."""
    path = next((kit / "samples").rglob("*.wav"))
    data = bytearray(path.read_bytes())
    data[3000] ^= 1
    path.unlink()  # the jetty's own file is another link to it
    path.write_bytes(bytes(data))
    with pytest.raises(KitError, match="changed after the kit was built"):
        pipeline.build(jetty.session, kit)

    assert bytes(data) == path.read_bytes()


def test_a_damaged_manifest_loses_nothing(jetty: Pier, kit: Path) -> None:
    """What is the kit's own is not known then: the folder stays as it is."""
    document = json.loads((kit / "manifest.json").read_text(encoding="utf-8"))
    del document["one_shots"]
    (kit / "manifest.json").write_text(json.dumps(document), encoding="utf-8")
    (kit / "mine.wav").write_bytes(b"mine")
    with pytest.raises(KitError, match="may be yours"):
        pipeline.build(jetty.session, kit)

    assert b"mine" == (kit / "mine.wav").read_bytes()


# ------------------------------------------------------------------------------------------------------- while it works


def at_stage(stage: str, act: Callable[[], object]) -> Callable[[str, float], None]:
    """A progress that acts once, when the build comes to that stage."""
    done: list[str] = []

    def tell(name: str, share: float) -> None:
        if name == stage and not done:
            done.append(name)
            act()
    return tell


@pytest.mark.parametrize("stage", ["choosing", "cutting", "writing"])
def test_what_is_written_during_a_build_is_kept(jetty: Pier, kit: Path, stage: str) -> None:
    """Recipe, corrections and files of one's own; the build says that they are not in it yet."""
    recipe = (kit / "recipe.toml").read_text(encoding="utf-8") + "# by hand\n"
    corrections = f"{EMPTY_TEXT}# by hand\n"

    def edit() -> None:
        """As an editor saves."""
        (kit / "recipe.toml").write_text(recipe, encoding="utf-8")
        (kit / "corrections.toml").write_text(corrections, encoding="utf-8")
        (kit / "late.wav").write_bytes(b"late")

    built = pipeline.build(jetty.session, kit, progress=at_stage(stage, edit))

    assert recipe == (kit / "recipe.toml").read_text(encoding="utf-8")
    assert corrections == (kit / "corrections.toml").read_text(encoding="utf-8")
    assert b"late" == (kit / "late.wav").read_bytes()
    assert {"recipe.toml", "corrections.toml"} <= {p.where for p in built.kit.problems if "edited during" in p.what}


def test_what_is_written_in_the_last_moment_is_kept(jetty: Pier, kit: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between the last look and the exchange."""
    real = files._sync_tree

    def edit(folder: Path) -> None:
        real(folder)
        (kit / "corrections.toml").write_text(f"{EMPTY_TEXT}# late\n", encoding="utf-8")
        (kit / "late.wav").write_bytes(b"late")

    monkeypatch.setattr(files, "_sync_tree", edit)
    pipeline.build(jetty.session, kit)

    assert (kit / "corrections.toml").read_text(encoding="utf-8").endswith("# late\n")
    assert b"late" == (kit / "late.wav").read_bytes()
    assert ["kit"] == [path.name for path in kit.parent.iterdir()]


def test_what_cannot_be_taken_over_in_the_last_moment_stays_beside(tmp_path: Path) -> None:
    """A disk that fills up between the exchange and the last look costs nothing that people wrote."""
    for name in ("kit", "new"):
        (tmp_path / name).mkdir()
    (tmp_path / "kit" / "mine.txt").write_bytes(b"mine")

    def refuse(old: Path, new: Path) -> None:
        raise OSError(28, "No space left on device")

    with pytest.raises(WorkError, match="kit replaced"):
        files.exchange_folder(tmp_path / "new", tmp_path / "kit", refuse)

    assert b"mine" == (tmp_path / "kit replaced" / "mine.txt").read_bytes()


def test_a_kit_under_review_is_not_built(jetty: Pier, kit: Path) -> None:
    """Nor measured again; the message says who has it."""
    holder = Holder(kit)
    holder.take("a review, process 12 at port 34")
    try:
        for work in (lambda: pipeline.build(jetty.session, kit), lambda: remeasure.remeasure(kit)):
            with pytest.raises(KitError, match=r"in use \(a review, process 12 at port 34\)"):
                work()
    finally:
        holder.leave()
    pipeline.build(jetty.session, kit)


@pytest.mark.parametrize(("stage", "which"), [("cutting", 0), ("writing", 1), ("cutting", 2)])
def test_a_recording_that_changes_while_it_is_cut_stops_the_build(jetty: Pier, tmp_path: Path, stage: str,
                                                                  which: int) -> None:
    """Shrunk, grown or written over with its length kept: nothing is written, and the file is named."""
    session = tmp_path / "session"
    shutil.copytree(jetty.session, session)
    path = next(session.rglob("Kick In.wav"))
    whole = path.read_bytes()
    changed = (whole[:len(whole) // 2], whole + b"\0" * 600, whole[:9000] + whole[:8999:-1])[which]
    with pytest.raises((SessionError, AudioError), match=r"Kick In\.wav"):
        pipeline.build(session, tmp_path / "kit", progress=at_stage(stage, partial(path.write_bytes, changed)))

    assert not (tmp_path / "kit").exists()


def test_a_folder_that_somebody_makes_during_a_first_build_stays(jetty: Pier, tmp_path: Path) -> None:
    """The build says so and takes nothing away."""
    def make() -> None:
        """What another program does meanwhile."""
        (tmp_path / "kit").mkdir()
        (tmp_path / "kit" / "mine.txt").write_bytes(b"mine")

    with pytest.raises(WorkError, match="created by another program"):
        pipeline.build(jetty.session, tmp_path / "kit", progress=at_stage("cutting", make))

    assert b"mine" == (tmp_path / "kit" / "mine.txt").read_bytes()
    assert ["kit"] == [path.name for path in tmp_path.iterdir()]


@pytest.mark.parametrize("fault", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_nothing_goes_where_the_last_look_is_cut_short(tmp_path: Path, fault: BaseException) -> None:
    """Twice over: neither a full disk nor an interrupt costs what came late, and no second one covers the first."""
    for late in (b"one", b"two"):
        (tmp_path / "kit").mkdir(exist_ok=True)
        (tmp_path / "kit" / "late.txt").write_bytes(late)

        def refuse(old: Path, new: Path) -> None:
            raise fault

        with pytest.raises((WorkError, KeyboardInterrupt)), files.staged_folder(tmp_path / "kit", refuse):
            pass

    assert [b"one", b"two"] == [(tmp_path / name / "late.txt").read_bytes() for name in ("kit replaced",
                                                                                         "kit replaced 2")]


def test_where_files_cannot_be_linked_copies_are_not_doubled(jetty: Pier, kit: Path,
                                                             monkeypatch: pytest.MonkeyPatch) -> None:
    """A file system without links: what is a person's is copied once a build, and is there once."""
    def no_links(*_: object, **__: object) -> None:
        raise OSError(1, "Operation not permitted")

    (kit / "mine.txt").write_bytes(b"mine")
    (kit / ".movie.001.part").write_bytes(b"part of a film")
    monkeypatch.setattr("oneshot.kit.contents.os.link", no_links)
    for _ in range(2):
        pipeline.build(jetty.session, kit)

    assert [".movie.001.part", "mine.txt"] == strangers(kit, read_kit(kit))


def test_a_changed_file_is_found_whatever_time_it_was_given(jetty: Pier, kit: Path) -> None:
    """As software leaves it that keeps the time of what it writes."""
    path = next((kit / "samples").rglob("*.wav"))
    data = bytearray(path.read_bytes())
    data[3000] ^= 1
    path.unlink()
    path.write_bytes(bytes(data))
    os.utime(path, (1, 1))
    with pytest.raises(KitError, match="changed after the kit was built"):
        pipeline.build(jetty.session, kit)


def test_a_rebuild_keeps_who_may_look_into_the_kit(jetty: Pier, kit: Path) -> None:
    """The permissions of its folder."""
    kit.chmod(0o700)
    pipeline.build(jetty.session, kit)

    assert 0o700 == kit.stat().st_mode & 0o777
