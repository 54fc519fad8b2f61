"""Files and folders appear whole or not at all."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from oneshot.core import files
from oneshot.core.errors import WorkError
from oneshot.core.files import (
    EDGE_BYTES,
    appearing,
    check_writable,
    exchange_folder,
    folder_beside,
    is_our_kit,
    put_in_place,
    recover_folder,
    remove_parts,
    removing_later,
    sha256_of,
    sha256_of_edges,
    staged_folder,
    write_atomic,
)


def folder(path: Path, **content: str) -> Path:
    """A folder with one file per keyword."""
    path.mkdir()
    for name, text in content.items():
        (path / name).write_text(text)
    return path


def names(path: Path) -> list[str]:
    """What lies in a folder, hidden files too."""
    return sorted(p.name for p in path.iterdir())


def test_sums_are_the_published_ones(tmp_path: Path) -> None:
    """SHA-256 of "abc", from FIPS 180-2, appendix B.1."""
    (tmp_path / "a").write_bytes(b"abc")

    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert expected == sha256_of(tmp_path / "a")
    assert expected == sha256_of_edges(tmp_path / "a")


def test_the_sum_of_the_edges_sees_head_and_tail(tmp_path: Path) -> None:
    """First and last 64 KiB count; the middle is left to size and time."""
    data = bytearray(os.urandom(EDGE_BYTES * 4))
    (tmp_path / "a").write_bytes(data)
    before = sha256_of_edges(tmp_path / "a")
    assert hashlib.sha256(data[:EDGE_BYTES] + data[-EDGE_BYTES:]).hexdigest() == before

    changed = {}
    for where in (0, EDGE_BYTES - 1, EDGE_BYTES * 2, EDGE_BYTES * 3, EDGE_BYTES * 4 - 1):
        other = bytearray(data)
        other[where] ^= 1
        (tmp_path / "a").write_bytes(other)
        changed[where // EDGE_BYTES, where % EDGE_BYTES] = sha256_of_edges(tmp_path / "a") != before

    assert [True, True, False, True, True] == list(changed.values())


@pytest.mark.parametrize("content", ["Überkopf\n", b"\x00\xff"])
def test_a_file_is_replaced_whole(tmp_path: Path, content: str | bytes) -> None:
    """Text goes out as UTF-8, bytes as they are; nothing is left beside it."""
    (tmp_path / "a").write_text("old")

    write_atomic(tmp_path / "a", content)

    assert (content.encode() if isinstance(content, str) else content) == (tmp_path / "a").read_bytes()
    assert ["a"] == names(tmp_path)


def test_a_file_that_cannot_be_replaced_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk in the middle leaves the old content and no stump."""
    (tmp_path / "a").write_text("old")

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_atomic(tmp_path / "a", "new")

    assert "old" == (tmp_path / "a").read_text()
    assert ["a"] == names(tmp_path)


def test_what_a_killed_write_left_is_removed_by_the_next(tmp_path: Path) -> None:
    """Half a file whose process is gone goes; that of a process that runs stays, and other files do."""
    done = subprocess.run([sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True, check=True)
    gone, lives = int(done.stdout), os.getppid()
    kept = (f".a.txt.{lives}.part", f".b.txt.{gone}.part", ".a.txt.part", ".a.txt.x.part", f"a.txt.{gone}.part")
    for name in (f".a.txt.{gone}.part", *kept):
        (tmp_path / name).write_text("half")

    write_atomic(tmp_path / "a.txt", "whole")

    assert sorted(("a.txt", *kept)) == names(tmp_path)


def test_a_folder_of_the_programs_own_is_swept(tmp_path: Path) -> None:
    """Half a file of whatever name goes, once its process is gone and nobody has written on for an hour: a machine that
    shares the folder has processes of its own.
    """
    done = subprocess.run([sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True, check=True)
    gone, lives = int(done.stdout), os.getppid()
    old = (f".a.txt.{gone}.part", f".b c.json.{gone}.part", f".a.txt.{lives}.part", "a.txt", f".x.{'9' * 30}.part")
    for name in (*old, f".new.{gone}.part"):
        (tmp_path / name).write_text("half")
    for name in old:
        os.utime(tmp_path / name, (time.time() - 4000, time.time() - 4000))

    remove_parts(tmp_path)

    assert sorted((f".a.txt.{lives}.part", "a.txt", f".x.{'9' * 30}.part", f".new.{gone}.part")) == names(tmp_path)
    remove_parts(tmp_path / "none")


def test_a_folder_for_a_file_is_gone_after(tmp_path: Path) -> None:
    """Where all went well and where it did not; what a killed process left goes first, what belongs to one stays."""
    done = subprocess.run([sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True, check=True)
    folder(tmp_path / f".a.zip.making-{int(done.stdout)}", half="zip")
    folder(tmp_path / f".a.zip.making-{os.getppid()}", half="zip")
    folder(tmp_path / f".b.zip.making-{int(done.stdout)}", half="zip")

    def fail() -> None:
        """Half a file, then an interrupt."""
        with folder_beside(tmp_path / "a.zip") as stage:
            (stage / "half").write_text("zip")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        fail()
    with folder_beside(tmp_path / "a.zip") as stage:
        assert [] == list(stage.iterdir())
        (stage / "whole").write_text("zip")
        (stage / "whole").replace(tmp_path / "a.zip")

    assert [f".a.zip.making-{os.getppid()}", f".b.zip.making-{int(done.stdout)}", "a.zip"] == names(tmp_path)


def test_a_file_appears_whole_or_not_at_all(tmp_path: Path) -> None:
    """Not before its block ends; not at all where that raises, and the old one is as it was."""
    with appearing(tmp_path / "a.txt") as beside:
        beside.write_text("one")
        assert not (tmp_path / "a.txt").exists()
    assert "one" == (tmp_path / "a.txt").read_text()

    def fail() -> None:
        """Half a file, then an interrupt."""
        with appearing(tmp_path / "a.txt") as beside:
            beside.write_text("tw")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        fail()
    assert ["a.txt"] == names(tmp_path)
    assert "one" == (tmp_path / "a.txt").read_text()


@pytest.mark.parametrize(("content", "ours"), [
    (json.dumps({"format": "oneshot-manifest", "version": 1}), True), (json.dumps({"format": "another"}), False),
    (json.dumps(["oneshot-manifest"]), False), ("{", False), ("", False), (None, False), ("\udcff", False),
])
def test_a_kit_of_ours_is_known_by_its_manifest(tmp_path: Path, content: str | None, ours: bool) -> None:
    """Only a readable manifest that says so makes a folder ours; nothing raises."""
    if content is not None:
        (tmp_path / "manifest.json").write_bytes(content.encode(errors="surrogateescape"))

    assert ours is is_our_kit(tmp_path)


def test_a_folder_takes_a_place_that_is_free(tmp_path: Path) -> None:
    """Where nothing was, the new folder is renamed."""
    exchange_folder(folder(tmp_path / "new", a="1"), tmp_path / "kit")

    assert ["kit"] == names(tmp_path)
    assert "1" == (tmp_path / "kit" / "a").read_text()


@pytest.mark.parametrize("atomic", [True, False])
def test_a_folder_takes_the_place_of_a_full_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, atomic: bool) -> None:
    """Both ways end with the new folder in place and the old one gone."""
    if not atomic:
        monkeypatch.setattr(files, "_exchange", lambda new, target: False)
    folder(tmp_path / "kit", a="old", b="old")

    exchange_folder(folder(tmp_path / "new", a="new"), tmp_path / "kit")

    assert ["kit"] == names(tmp_path)
    assert ["a"] == names(tmp_path / "kit")
    assert "new" == (tmp_path / "kit" / "a").read_text()


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the atomic exchange is Linux's")
def test_linux_exchanges_in_one_step(tmp_path: Path) -> None:
    """At the moment after the exchange both folders are complete: the old one now bears the new one's name."""
    folder(tmp_path / "kit", a="old")
    folder(tmp_path / "new", a="new")

    if not files._exchange(tmp_path / "new", tmp_path / "kit"):
        pytest.skip("this file system has no exchange")

    assert ("new", "old") == ((tmp_path / "kit" / "a").read_text(), (tmp_path / "new" / "a").read_text())


def test_a_second_step_that_fails_puts_the_old_folder_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without an atomic exchange, a failure between the steps leaves the old kit in its place and says why."""
    monkeypatch.setattr(files, "_exchange", lambda new, target: False)
    target, new = folder(tmp_path / "kit", a="old"), folder(tmp_path / "new", a="new")
    real = Path.rename

    def failing(self: Path, to: Path) -> Path:
        if self == new:
            raise OSError(16, "Device or resource busy")
        return real(self, to)

    monkeypatch.setattr(Path, "rename", failing)
    with pytest.raises(WorkError, match=r"kit cannot be replaced \(device or resource busy\)"):
        exchange_folder(new, target)

    assert "old" == (target / "a").read_text()
    assert ["kit", "new"] == names(tmp_path)


def test_an_exchange_cut_off_between_its_steps_is_recovered(tmp_path: Path) -> None:
    """Old kit aside and nothing in its place: the next build finds the old kit again."""
    folder(tmp_path / ".kit.replaced-by-oneshot", a="old")

    assert recover_folder(tmp_path / "kit") is True
    assert "old" == (tmp_path / "kit" / "a").read_text()
    assert recover_folder(tmp_path / "kit") is False


def test_an_exchange_cut_off_after_its_steps_is_cleared_up(tmp_path: Path) -> None:
    """New kit in place and the old one still aside: the old one goes."""
    folder(tmp_path / ".kit.replaced-by-oneshot", a="old")
    folder(tmp_path / "kit", a="new")

    assert recover_folder(tmp_path / "kit") is False
    assert ["kit"] == names(tmp_path)
    assert "new" == (tmp_path / "kit" / "a").read_text()


def test_only_a_folder_can_take_the_place(tmp_path: Path) -> None:
    """Nothing to put there: told, and the target is untouched."""
    folder(tmp_path / "kit", a="old")
    with pytest.raises(WorkError, match="new is not a folder"):
        exchange_folder(tmp_path / "new", tmp_path / "kit")
    assert "old" == (tmp_path / "kit" / "a").read_text()


def test_a_build_that_ends_well_appears_at_once(tmp_path: Path) -> None:
    """While it is built nothing shows at the target, nor any name a listing shows; afterwards all of it is there."""
    with staged_folder(tmp_path / "deep" / "kit") as stage:
        (stage / "a").write_text("1")
        assert not (tmp_path / "deep" / "kit").exists()
        assert stage.name.startswith(".")

    assert ["kit"] == names(tmp_path / "deep")
    assert "1" == (tmp_path / "deep" / "kit" / "a").read_text()


@pytest.mark.parametrize("error", [WorkError("silence"), KeyboardInterrupt(), MemoryError()])
def test_a_build_that_fails_leaves_the_old_kit_untouched(tmp_path: Path, error: BaseException) -> None:
    """Any error, an interrupt too: the old kit is byte for byte what it was and nothing half-written stays."""
    folder(tmp_path / "kit", a="old")

    def build() -> None:
        with staged_folder(tmp_path / "kit") as stage:
            (stage / "a").write_text("half")
            raise error

    with pytest.raises(type(error)):
        build()

    assert ["kit"] == names(tmp_path)
    assert "old" == (tmp_path / "kit" / "a").read_text()


def test_what_a_killed_build_left_is_removed_by_the_next(tmp_path: Path) -> None:
    """A staging folder whose process is gone goes; one whose process runs stays."""
    done = subprocess.run([sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True, check=True)
    folder(tmp_path / f".kit.building-{int(done.stdout)}", a="half")
    folder(tmp_path / f".kit.building-{os.getppid()}", a="somebody's")

    with staged_folder(tmp_path / "kit") as stage:
        (stage / "a").write_text("1")

    assert [f".kit.building-{os.getppid()}", "kit"] == names(tmp_path)


def test_what_is_replaced_can_be_removed_meanwhile(tmp_path: Path) -> None:
    """The new folder is in its place before the old one is gone; once the threads are done nothing is left of it."""
    folder(tmp_path / "kit", a="old")

    with removing_later() as threads, staged_folder(tmp_path / "kit") as stage:
        (stage / "a").write_text("new")
    assert "new" == (tmp_path / "kit" / "a").read_text()
    assert 1 == len(threads)
    threads[0].join()

    assert ["kit"] == names(tmp_path)


def test_what_was_being_removed_by_a_killed_process_goes(tmp_path: Path) -> None:
    """An old folder on its way out is known by its process, as one that is being built."""
    done = subprocess.run([sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True, check=True)
    folder(tmp_path / f".kit.building-{int(done.stdout)}-0a1b", a="old")
    folder(tmp_path / f".kit.building-{os.getppid()}-0a1b", a="somebody's")

    with staged_folder(tmp_path / "kit"):
        pass

    assert [f".kit.building-{os.getppid()}-0a1b", "kit"] == names(tmp_path)


def test_a_place_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    """A file where a folder is needed: one line."""
    (tmp_path / "file").touch()

    with pytest.raises(WorkError, match="cannot be written") as caught, staged_folder(tmp_path / "file" / "kit"):
        pass
    assert "\n" not in str(caught.value)


def test_a_place_without_permission_is_told_early(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder above, or one inside of what is to be replaced, that may not be written to; else nothing is said."""
    (tmp_path / "kit" / "samples").mkdir(parents=True)
    check_writable(tmp_path / "kit")
    check_writable(tmp_path / "new" / "deep" / "kit")
    for closed, target in ((tmp_path, tmp_path / "new" / "kit"), (tmp_path / "kit" / "samples", tmp_path / "kit")):
        monkeypatch.setattr(os, "access", lambda path, mode, closed=closed: Path(path) != closed)
        with pytest.raises(WorkError) as caught:
            check_writable(target)
        assert f"{target} cannot be written, there is no permission to write in {closed}: " in str(caught.value)


def test_an_error_names_the_file_that_the_user_knows(tmp_path: Path) -> None:
    """Not what is written beside it for the time being."""
    with pytest.raises(OSError, match="No such file") as caught:
        write_atomic(tmp_path / "nowhere" / "a.toml", b"x")
    assert str(tmp_path / "nowhere" / "a.toml") == caught.value.filename
    with pytest.raises(OSError, match="No such file") as caught, folder_beside(tmp_path / "a.zip") as stage:
        (stage / "gone").replace(stage / "other")
    assert (str(tmp_path / "a.zip"), None) == (caught.value.filename, caught.value.filename2)


# ---------------------------------------------------------------------------------------------------------------- links


@pytest.mark.parametrize("atomic", [True, False])
def test_what_a_link_leads_to_is_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, atomic: bool) -> None:
    """The link stays, the folder behind it is the new one, and nothing is left beside either of them."""
    if not atomic:
        monkeypatch.setattr(files, "_exchange", lambda new, target: False)
    folder(tmp_path / "far", place="")
    folder(tmp_path / "far" / "kit", a="old")
    (tmp_path / "kit").symlink_to(tmp_path / "far" / "kit")

    with staged_folder(tmp_path / "kit") as stage:
        (stage / "a").write_text("new")

    assert (tmp_path / "kit").is_symlink()
    assert "new" == (tmp_path / "far" / "kit" / "a").read_text()
    assert (["far", "kit"], ["kit", "place"]) == (names(tmp_path), names(tmp_path / "far"))

    exchange_folder(folder(tmp_path / "far" / "newer", a="newer"), tmp_path / "kit")

    assert (tmp_path / "kit").is_symlink()
    assert "newer" == (tmp_path / "far" / "kit" / "a").read_text()
    assert (["far", "kit"], ["kit", "place"]) == (names(tmp_path), names(tmp_path / "far"))


@pytest.mark.parametrize("to", ["nowhere/kit", "link"])
def test_a_link_to_nowhere_is_told(tmp_path: Path, to: str) -> None:
    """A disk that is not there, a link to itself: nobody knows where that was to be written."""
    (tmp_path / "link").symlink_to(tmp_path / to)

    with pytest.raises(WorkError, match=r"is a link to .*, which does not exist"), staged_folder(tmp_path / "link"):
        pass
    with pytest.raises(WorkError, match=r"is a link to .*, which does not exist"):
        exchange_folder(folder(tmp_path / "new", a="1"), tmp_path / "link")
    assert ["link", "new"] == names(tmp_path)


def test_an_exchange_behind_a_link_is_recovered(tmp_path: Path) -> None:
    """The old kit went aside where it lay, and not beside the link."""
    folder(tmp_path / "far", place="")
    folder(tmp_path / "far" / ".kit.replaced-by-oneshot", a="old")
    (tmp_path / "kit").symlink_to(tmp_path / "far" / "kit")

    assert recover_folder(tmp_path / "kit") is True
    assert "old" == (tmp_path / "kit" / "a").read_text()


@pytest.mark.parametrize("called", [".", ".."])
def test_a_folder_may_be_called_by_where_one_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, called: str) -> None:
    """``.`` and ``..`` have no name to put another one beside."""
    folder(tmp_path / "kit", a="old")
    folder(tmp_path / "kit" / "inner", b="")
    monkeypatch.chdir(tmp_path / "kit" if called == "." else tmp_path / "kit" / "inner")

    with staged_folder(Path(called)) as stage:
        (stage / "a").write_text("new")

    assert ["kit"] == names(tmp_path)
    assert "new" == (tmp_path / "kit" / "a").read_text()


@pytest.mark.skipif(sys.platform == "win32", reason="folders cannot be synced there")
def test_a_file_is_on_the_disk_before_it_bears_the_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its bytes first, while the old file has the name, then the name; fsync(2): a new name asks for a sync of its
    folder. Where the bytes cannot be synced the old file stays.
    """
    (tmp_path / "new").write_bytes(b"new")
    (tmp_path / "old").write_bytes(b"old")
    seen = []

    def watched(handle: int) -> None:
        """What is synced, and what has the name meanwhile."""
        seen.append((os.fstat(handle).st_ino, (tmp_path / "old").read_bytes()))

    monkeypatch.setattr(os, "fsync", watched)
    ino = (tmp_path / "new").stat().st_ino
    put_in_place(tmp_path / "new", tmp_path / "old")
    assert [(ino, b"old"), (tmp_path.stat().st_ino, b"new")] == seen

    def broken(handle: int) -> None:
        """A disk with a fault."""
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(os, "fsync", broken)
    (tmp_path / "newer").write_bytes(b"newer")
    with pytest.raises(OSError, match=os.strerror(errno.EIO)):
        put_in_place(tmp_path / "newer", tmp_path / "old")
    assert b"new" == (tmp_path / "old").read_bytes()
