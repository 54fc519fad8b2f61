"""No command writes over what is not its own, nor into a session."""

from __future__ import annotations

import json
import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from oneshot import comparison, pipeline
from oneshot.cli import main
from oneshot.core.errors import OneshotError, SettingsError
from oneshot.core.records.kit import Kit
from oneshot.core.user_state import remember
from oneshot.kit.playback import preview
from oneshot.kit.release import pack_kit, pack_session

if TYPE_CHECKING:
    from stage_inputs import Pier


def _preview(kit: Path, out: Path) -> None:
    preview.preview(kit, out)


def _pack(kit: Path, out: Path) -> None:
    pack_kit.pack_kit(kit, out, licence="cc0")


WRITERS: dict[str, Callable[[Path, Path], None]] = {"preview": _preview, "pack": _pack}


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """A preview of one hit in packs, which nobody listens to here."""
    def short(folder: Path, out: Path) -> None:
        out.write_bytes(next((folder / "samples").rglob("*.wav")).read_bytes())

    monkeypatch.setattr(pack_kit, "preview", short)


@pytest.fixture
def kit(own_example: Kit) -> Path:
    """The example kit."""
    return own_example.session.root / "kit"


@pytest.mark.usefixtures("quick", "one_bar")
@pytest.mark.parametrize("write", WRITERS.values(), ids=WRITERS)
def test_a_result_takes_the_place_of_its_own_kind_alone(kit: Path, tmp_path: Path,
                                                        write: Callable[[Path, Path], None]) -> None:
    """A recording, a text, a one-shot of the kit and a link stay what they are; an earlier result is replaced."""
    sample = next((kit / "samples").rglob("*.wav"))
    (tmp_path / "recording.wav").write_bytes(sample.read_bytes())
    (tmp_path / "notes.txt").write_bytes(b"notes")
    (tmp_path / "link").symlink_to(tmp_path / "nothing")
    with zipfile.ZipFile(tmp_path / "stems.zip", "w") as file:
        file.writestr("stems/a.wav", b"a")
    for path in (tmp_path / "recording.wav", tmp_path / "notes.txt", tmp_path / "stems.zip", sample):
        before = path.read_bytes()
        with pytest.raises(SettingsError, match="was not written by this command"):
            write(kit, path)
        assert before == path.read_bytes()
    with pytest.raises(SettingsError, match="is a link"):
        write(kit, tmp_path / "link")
    with pytest.raises(SettingsError, match="is a folder"):
        write(kit, tmp_path)
    write(kit, tmp_path / "out")
    first = (tmp_path / "out").read_bytes()
    write(kit, tmp_path / "out")

    assert first == (tmp_path / "out").read_bytes()


@pytest.mark.usefixtures("quick")
def test_a_release_of_another_kit_is_not_replaced(kit: Path, tmp_path: Path) -> None:
    """By the name in it; an earlier version of the same kit is."""
    pack_kit.pack_kit(kit, tmp_path / "out.zip", licence="cc0", version="1.0")
    pack_kit.pack_kit(kit, tmp_path / "out.zip", licence="cc0", version="2.0-rc")
    shutil.copytree(kit, tmp_path / "other")
    document = json.loads((tmp_path / "other" / "manifest.json").read_text(encoding="utf-8"))
    document["kit"]["name"] = document["session"]["name"] = document["recipe"]["kit"]["name"] = "another"
    (tmp_path / "other" / "manifest.json").write_text(json.dumps(document), encoding="utf-8")
    before = (tmp_path / "out.zip").read_bytes()
    with pytest.raises(SettingsError, match="was not written by this command"):
        pack_kit.pack_kit(tmp_path / "other", tmp_path / "out.zip", licence="cc0")

    assert before == (tmp_path / "out.zip").read_bytes()


@pytest.mark.parametrize("write", WRITERS.values(), ids=WRITERS)
def test_nothing_is_written_into_a_session(kit: Path, tmp_path: Path, write: Callable[[Path, Path], None]) -> None:
    """Of the kit's own session, of one that another kit came from, and of any folder with a session.toml."""
    for name in ("own", "other", "marked"):
        (tmp_path / name / "take 1").mkdir(parents=True)
    remember(kit, tmp_path / "own")
    remember(tmp_path / "kit 2", tmp_path / "other")
    (tmp_path / "marked" / "session.toml").touch()
    for name in ("own", "other", "marked"):
        with pytest.raises(SettingsError, match="lies inside the session"):
            write(kit, tmp_path / name / "take 1" / "out")
        assert [] == list((tmp_path / name / "take 1").iterdir())


def test_folders_do_not_land_in_a_session_either(jetty: Pier, tmp_path: Path) -> None:
    """A kit, excerpts, the pack of a session: neither in their own nor in another one."""
    shutil.copytree(jetty.session, tmp_path / "session")
    (tmp_path / "marked").mkdir()
    (tmp_path / "marked" / "session.toml").touch()
    session = tmp_path / "session"
    given = pack_session.prepared(session, licence="cc0")
    for folder in (session, tmp_path / "marked"):
        for work in (lambda at: pipeline.build(session, at), lambda at: comparison.compare_session(
                session, out=at, progress=lambda stage, share: None), lambda at: pack_session.pack_session(
                given, at, progress=lambda stage, share: None)):
            with pytest.raises(OneshotError, match="inside"):
                work(folder / "out")
            assert not (folder / "out").exists()
    assert 1 == code(["demo", str(tmp_path / "marked" / "out")])
    assert not (tmp_path / "marked" / "out").exists()


def code(words: list[str]) -> object:
    """The exit code of a command."""
    with pytest.raises(SystemExit) as ended:
        main(words)
    return ended.value.code
