"""Files and folders that appear whole or not at all, and the sums that tell whether they changed.

A kit is built in a folder beside its place and then put there in one step. Linux can exchange two folders atomically
(``renameat2`` with ``RENAME_EXCHANGE``, since Linux 3.15). Elsewhere the old kit steps aside under a name that
``recover_folder`` knows, so that at every moment one complete kit can be found.
"""

from __future__ import annotations

import ctypes
import errno
import hashlib
import os
import re
import secrets
import shutil
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from itertools import count
from pathlib import Path

from oneshot.core.bounded_text import read_json
from oneshot.core.errors import WorkError

MANIFEST_FORMAT = "oneshot-manifest"
"""The value of "format" in the manifest.json of every kit of ours."""

EDGE_BYTES = 65_536
"""How much of a file's head, and of its tail, goes into its fingerprint: 64 KiB each."""

_staged: set[Path] = set()
"""Folders that this process builds in: they are put on the disk as a whole before they take their place."""

_LATER: ContextVar[list[threading.Thread] | None] = ContextVar("later", default=None)

_PART = re.compile(r"\.(.+)\.([0-9]{1,10})\.part", re.DOTALL)

_IDLE_S = 3600.0

_BUILDING, _MAKING = "building-", "making-"
"""What is in the names of folders in which a kit is built, or something that goes into one file is made."""

_AT_FDCWD = -100
_RENAME_EXCHANGE = 2
_READ = 1 << 20


# ----------------------------------------------------------------------------------------------------------------- sums


def sha256_of(path: Path) -> str:
    """SHA-256 (FIPS 180-4) of a whole file, 64 hex digits. Raises OSError if it cannot be read."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(_READ):
            digest.update(piece)
    return digest.hexdigest()


def sha256_of_edges(path: Path) -> str:
    """SHA-256 of a file's first and last 64 KiB (of all of it where it is shorter than both), 64 hex digits.

    Head and tail catch a changed header, a longer recording and most edits without reading hours of audio; size and
    modification time, which go beside it into a fingerprint, catch the rest. Raises OSError if it cannot be read.
    """
    digest = hashlib.sha256()
    with path.open("rb") as file:
        size = os.fstat(file.fileno()).st_size
        if size <= 2 * EDGE_BYTES:
            digest.update(file.read())
        else:
            digest.update(file.read(EDGE_BYTES))
            file.seek(size - EDGE_BYTES)
            digest.update(file.read(EDGE_BYTES))
    return digest.hexdigest()


# ---------------------------------------------------------------------------------------------------------------- files


def write_atomic(path: Path, content: bytes | str | Sequence[memoryview]) -> None:
    """Write a file so that readers find either the old content or the new, never a part. Text is written as UTF-8,
    parts one after the other.

    It is on the disk when this returns, save in a folder that is still being built. Raises OSError if it cannot be
    written; the old file is then untouched.
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    parts = [memoryview(data)] if isinstance(data, bytes) else data
    with appearing(path) as beside, beside.open("wb") as file:
        file.writelines(parts)


def check_writable(target: Path) -> None:
    """Raise WorkError, before work is spent on it, where a file or folder may not be made or replaced, or files not be
    changed in a folder that is there.
    """
    place = target.parent
    while not place.exists() and place != place.parent:
        place = place.parent
    inner = (Path(folder) for folder, _, _ in os.walk(target)) if target.is_dir() else ()
    for folder in (place, *inner):
        if not os.access(folder, os.W_OK | os.X_OK):
            raise WorkError(f"{target} cannot be written, there is no permission to write in {folder}: allow it, or "
                            "choose another place")


@contextmanager
def _named(path: Path, beside: Path) -> Iterator[None]:
    """Let an OSError tell the path that the user knows, not what is written beside it for the time being."""
    try:
        yield
    except OSError as error:
        if error.filename is not None and Path(os.fsdecode(error.filename)).is_relative_to(beside):
            error.filename, error.filename2 = str(path), None
        raise


@contextmanager
def appearing(path: Path) -> Iterator[Path]:
    """A place beside ``path`` to write a file to; it takes the place of ``path`` when the ``with`` block ends well.

    If the block raises (an interrupt too), what was written goes and the old file stays as it was; what a process that
    was killed left of this file is removed first. Raises OSError if the file cannot be put in its place.
    """
    at_once = not any(path.is_relative_to(stage) for stage in _staged)
    if at_once:  # a folder that is still being built is this process's own
        remove_parts(path.parent, path.name)
    beside = path.with_name(part_name(path.name))
    try:
        with _named(path, beside):
            yield beside
            if at_once:
                put_in_place(beside, path)
            else:
                beside.replace(path)
    except BaseException:
        with suppress(OSError):
            beside.unlink(missing_ok=True)
        raise


def put_in_place(made: Path, path: Path) -> None:
    """Put a file that is complete in the place of another on the same disk: its bytes are on the disk before it bears
    the name, and the name is when this returns. Raises OSError; the old file is then in its place.
    """
    with made.open("rb+") as file:
        os.fsync(file.fileno())
    made.replace(path)
    _sync_folder(path.parent)


def part_name(name: str) -> str:
    """What a file is called while this process writes it."""
    return f".{name}.{os.getpid()}.part"


def part_of(name: str) -> tuple[str, int] | None:
    """Of what file, and of which process, one is the unfinished part; None: of none."""
    found = _PART.fullmatch(name)
    return None if found is None else (found[1], int(found[2]))


def remove_parts(folder: Path, name: str | None = None) -> None:
    """Remove what processes that no longer run had begun to write in a folder; never raises.

    ``name``: in place of that file. None: in place of any, in a folder of the program's own, where an hour ago nobody
    wrote on; machines may share it, and none knows the processes of another.
    """
    with suppress(OSError):
        for each in folder.iterdir():
            part = part_of(each.name)
            if part is not None and name in (None, part[0]) and not runs(part[1]) \
                    and (name is not None or time.time() - each.stat().st_mtime > _IDLE_S):
                each.unlink(missing_ok=True)


def link(source: Path, target: Path) -> None:
    """Put a file at a second place: linked where the disk can, so that nothing is copied, since kits are replaced whole
    and never written into. Raises OSError where the disk refuses.
    """
    try:
        os.link(source, target)
    except OSError:
        shutil.copy2(source, target)


def is_our_kit(path: Path) -> bool:
    """Whether a folder is a kit of ours: it holds a manifest.json that says so. Never raises."""
    try:
        manifest = read_json(path / "manifest.json")
    except (OSError, ValueError):
        return False
    return isinstance(manifest, dict) and manifest.get("format") == MANIFEST_FORMAT


def inside(folder: Path, path: str, whole: Path | None = None) -> Path | None:
    """A file of a folder by its relative path, links followed; None where that leads out of it, or out of ``whole``
    where that is given. Never raises.
    """
    try:
        found = (folder / path).resolve()
        return found if found.is_relative_to((whole or folder).resolve()) else None
    except (OSError, ValueError, RuntimeError):
        return None


def file_inside(folder: Path, path: str) -> Path | None:
    """As ``inside``; None also where no file is there. Never raises, whatever the path holds."""
    found = inside(folder, path)
    try:
        return found if found is not None and found.is_file() else None
    except (OSError, ValueError):
        return None


# -------------------------------------------------------------------------------------------------------------- folders


def place_of(path: Path) -> Path:
    """Where something that is called ``path`` lies, by a path with a name to put another one beside: links are
    followed, since what they lead to is what is meant, and ``.`` and ``..`` spelled out. Never raises.
    """
    return real(path) if path.is_symlink() or path.name in ("", "..") else path


def real(path: Path) -> Path:
    """The absolute path, links followed, as ``resolve`` gives it; never raises, not even where links lead in a circle:
    whoever opens that is told by the system.
    """
    return Path(os.path.realpath(path))


def check_link(path: Path) -> None:
    """Raise WorkError where a path is a link that leads nowhere: nobody can tell what is to be written there."""
    if path.is_symlink() and not path.exists():
        raise WorkError(f"{path} is a link to {path.readlink()}, which does not exist: remove the link, or put back "
                        "what it leads to")


@contextmanager
def staged_folder(target: Path, settle: Callable[[Path, Path], None] | None = None) -> Iterator[Path]:
    """An empty folder beside ``target`` to build in; it takes the target's place when the ``with`` block ends well.

    If the block raises (an interrupt too), the folder is removed and the target stays as it was. What a build that was
    killed left behind is removed first. ``settle(old, new)`` is called once they have been exchanged and before the old
    folder goes, for what came into it in the last moment. Where the target is a link, what it leads to is replaced, and
    the link stays. Raises WorkError if the place cannot be written to, or if somebody put something there meanwhile.
    """
    asked, target = target, place_of(target)
    there = os.path.lexists(target)
    try:
        recover_folder(target)
        check_link(asked)
        target.parent.mkdir(parents=True, exist_ok=True)
        _remove_abandoned(target)
        stage = target.with_name(f".{target.name}.{_BUILDING}{os.getpid()}")
        if stage.exists():
            shutil.rmtree(stage)
        stage.mkdir()
        there = there or os.path.lexists(target)
        if target.is_dir():
            shutil.copymode(target, stage)
    except OSError as error:
        raise WorkError(f"{target} cannot be written ({reason(error)}): choose another place or free this "
                        "one") from None
    _staged.add(stage)
    try:
        try:
            yield stage
            replaced = _put_in_place(stage, target, there=there)
        except BaseException:
            shutil.rmtree(stage, ignore_errors=True)
            raise
        if replaced:
            _finish(stage, target, settle)
    finally:
        _staged.discard(stage)


@contextmanager
def folder_beside(target: Path) -> Iterator[Path]:
    """An empty folder on the disk of a file that is to come, for what goes into it; gone when the ``with`` block ends.

    What a process that was killed left of it is removed first. Raises OSError where there can be none.
    """
    _remove_abandoned(target)
    folder = target.with_name(f".{target.name}.{_MAKING}{os.getpid()}")
    shutil.rmtree(folder, ignore_errors=True)
    try:
        with _named(target, folder):
            folder.mkdir()
            yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def exchange_folder(new: Path, target: Path, settle: Callable[[Path, Path], None] | None = None) -> None:
    """Put the folder ``new`` in the place of ``target``, and remove what was there.

    Both must lie on one file system (beside each other, say). Where ``target`` does not exist, ``new`` is renamed.
    Where it does, the two are exchanged in one step; on systems that cannot do that, the old folder is first renamed
    to a name that ``recover_folder`` finds, and put back if the second step fails. ``settle`` as in ``staged_folder``;
    where the disk refuses it, the old folder stays beside the new one. Links are followed as there. Raises WorkError if
    it cannot be done; the old folder is then in its place.
    """
    check_link(target)
    target = place_of(target)
    if _put_in_place(new, target, there=True):
        _finish(new, target, settle)


def _put_in_place(new: Path, target: Path, *, there: bool) -> bool:
    """The first half of ``exchange_folder``; whether ``new`` holds an old folder now. ``there``: something may be at
    the place of ``target``; what came there since is somebody else's.
    """
    if not there and os.path.lexists(target):
        raise WorkError(f"{target} was created by another program meanwhile and stays as it is: choose another place")
    if not new.is_dir():
        raise WorkError(f"{new} is not a folder: there is nothing to replace {target} with")
    _sync_tree(new)
    try:
        if not os.path.lexists(target):
            new.rename(target)
            _sync_folder(target.parent)
            return False
        if not _exchange(new, target):
            _exchange_in_steps(new, target)
    except OSError as error:
        raise WorkError(f"{target} cannot be replaced ({reason(error)}): close what uses it and try again") from None
    _sync_folder(target.parent)
    return True


def _finish(old: Path, target: Path, settle: Callable[[Path, Path], None] | None) -> None:
    """The second half: call ``settle``, and remove the old folder; where that is cut short, nothing of it may go."""
    try:
        if settle is not None:
            settle(old, target)
    except BaseException as error:
        kept = next(path for n in count(1) if not os.path.lexists(
            path := target.with_name(f"{target.name} replaced{'' if n == 1 else f' {n}'}")))
        old.rename(kept)
        if not isinstance(error, OSError):
            raise
        raise WorkError(f"{target} is built, but files added to it meanwhile could not be moved over "
                        f"({reason(error)}): they are in {kept}") from None
    _remove(old)


@contextmanager
def removing_later() -> Iterator[list[threading.Thread]]:
    """Inside, a folder that was replaced is removed beside the work that goes on: thousands of files take their time.

    The list is of the threads that are at it. Where the process is killed before, the next build of that folder
    removes what was left.
    """
    threads: list[threading.Thread] = []
    token = _LATER.set(threads)
    try:
        yield threads
    finally:
        _LATER.reset(token)


def _remove(folder: Path) -> None:
    """Remove a folder that was replaced, at once or later; never raises."""
    threads = _LATER.get()
    if threads is None:
        shutil.rmtree(folder, ignore_errors=True)
        return
    aside = folder.with_name(f"{folder.name}-{secrets.token_hex(4)}")
    try:
        folder.rename(aside)
    except OSError:
        aside = folder
    threads.append(threading.Thread(target=shutil.rmtree, args=(aside,), kwargs={"ignore_errors": True}))
    threads[-1].start()


def recover_folder(target: Path) -> bool:
    """Put back a folder that was moved aside by an exchange which never finished. True if something was put back.

    Also clears away the old folder if the exchange got as far as the new one. Raises OSError if that fails.
    """
    target = place_of(target)
    aside = _aside(target)
    if not aside.is_dir():
        return False
    if os.path.lexists(target):
        shutil.rmtree(aside)
        return False
    aside.rename(target)
    return True


def _aside(target: Path) -> Path:
    return target.with_name(f".{target.name}.replaced-by-oneshot")


def _exchange(new: Path, target: Path) -> bool:
    """Exchange two paths atomically. False where the system or the file system cannot; OSError where it failed."""
    if not sys.platform.startswith("linux"):
        return False
    try:
        rename = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError):
        return False
    rename.argtypes = [ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_uint]
    if rename(_AT_FDCWD, os.fsencode(new), _AT_FDCWD, os.fsencode(target), _RENAME_EXCHANGE) == 0:
        return True
    code = ctypes.get_errno()
    if code in (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EPERM):
        return False
    raise OSError(code, os.strerror(code))


def _exchange_in_steps(new: Path, target: Path) -> None:
    """Old aside, new in place, and the old back if that failed. Leaves the old folder under the name of ``new``."""
    recover_folder(target)
    aside = _aside(target)
    target.rename(aside)
    try:
        new.rename(target)
    except OSError:
        aside.rename(target)
        raise
    aside.rename(new)


def _remove_abandoned(target: Path) -> None:
    """Remove the folders in which processes that no longer run made something for this place."""
    for path in target.parent.iterdir():
        for prefix in (f".{target.name}.{_BUILDING}", f".{target.name}.{_MAKING}"):
            pid = path.name.removeprefix(prefix).partition("-")[0]
            if path.name.startswith(prefix) and pid.isdecimal() and not runs(int(pid)):
                shutil.rmtree(path, ignore_errors=True)


def runs(pid: int) -> bool:
    """Whether a process of that number exists (and whether we may ask)."""
    if os.name != "posix":
        return True
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return True


def _sync_tree(folder: Path) -> None:
    """Have the files of a folder on the disk before its name is: after a power cut a name must not lead to nothing.

    One ``syncfs`` does it for the whole file system (Linux); elsewhere each file is synced.
    """
    handle = os.open(folder, os.O_RDONLY) if os.name == "posix" else None
    try:
        if handle is not None and sys.platform.startswith("linux"):
            try:
                if ctypes.CDLL(None, use_errno=True).syncfs(handle) == 0:
                    return
            except (OSError, AttributeError):
                pass
        for path in sorted(folder.rglob("*")):
            if path.is_file() and not path.is_symlink():
                with path.open("rb+") as file:
                    os.fsync(file.fileno())
    finally:
        if handle is not None:
            os.close(handle)


def _sync_folder(folder: Path) -> None:
    """Have a folder's names on the disk. Not every file system can; then the rename alone has to do."""
    if os.name != "posix":
        return
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    except OSError:
        pass
    finally:
        os.close(handle)


def reason(error: OSError) -> str:
    """Why the system refused, in its own words."""
    return (error.strerror or str(error)).lower()
