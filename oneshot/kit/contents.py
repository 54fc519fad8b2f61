"""Contents: what belongs to a kit's folder, and what merely lies there.

A kit's own files are those that its manifest lists, those that the exporters write, the page, the recipe and the
corrections. Everything else is somebody's: a build keeps it, and a pack never publishes it.
"""

from __future__ import annotations

import filecmp
import os
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from oneshot.config import release_lock
from oneshot.core.bounded_text import read_bounded
from oneshot.core.bounded_zip import MOST_TEXT
from oneshot.core.errors import KitError
from oneshot.core.files import (
    check_link,
    check_writable,
    is_our_kit,
    link,
    part_of,
    place_of,
    real,
    recover_folder,
    sha256_of,
    write_atomic,
)
from oneshot.core.records.kit import Kit
from oneshot.core.records.session import Problem, Session
from oneshot.cutting.carried import OnDisk, on_disk
from oneshot.kit.export import FORMATS, manifest
from oneshot.kit.read import read_kit
from oneshot.kit.report import PAGE
from oneshot.session.output_paths import check_outside_sessions

RECIPE, CORRECTIONS = "recipe.toml", "corrections.toml"
EDITED = (RECIPE, CORRECTIONS)
"""Files of a kit that people write into."""
SUMS = "SHA256SUMS.txt"
"""In a pack: the sum of every file."""
COVERS = ("cover.png", "cover.jpg")
"""Of which a pack has one."""
WITH_PACK = ("LICENCE.txt", "files.csv", "preview.wav", "preview.ogg", "sheet.png", *COVERS, "CHANGES.txt",
             release_lock.NAME, SUMS)
"""What a pack adds to a kit."""


def sounds(kit: Kit) -> list[str]:
    """Paths of all sound files that a kit lists, in its order; those that are listed twice twice."""
    return [*(file.path for shot in kit.one_shots for file in (*shot.files, *shot.untouched)),
            *(each.path for each in kit.prints)]


def published(kit: Kit) -> set[str]:
    """Files of a kit that everybody may have: paths from its folder; not all of them need be there."""
    return {*sounds(kit), *(name for row in FORMATS for name in row.names(kit)), PAGE, RECIPE}


def strangers(folder: Path, kit: Kit) -> list[str]:
    """What lies in a kit's folder and is not the kit's: paths from there, sorted; links and empty folders count."""
    own = {*published(kit), CORRECTIONS, release_lock.NAME, SUMS}
    finals = {name.rpartition("/")[2] for name in own}

    def unfinished(name: str) -> bool:
        """Whether a file is what was left of writing one of the kit's own."""
        part = part_of(name.rpartition("/")[2])
        return part is not None and part[0] in finals

    return sorted(name for name in entries(folder) if name not in own and not unfinished(name))


def entries(folder: Path) -> Iterator[str]:
    """Paths of all files, links and empty folders in a folder; links are not followed."""
    for top, folders, files in os.walk(folder):
        here = Path(top)
        links = [name for name in folders if (here / name).is_symlink()]
        yield from ((here / name).relative_to(folder).as_posix() for name in (*files, *links))
        if not folders and not files and here != folder:
            yield here.relative_to(folder).as_posix()


def sums_in(text: str) -> list[tuple[str, str]]:
    """(name, SHA-256) of every line of a list of sums."""
    return [(line[66:], line[:64]) for line in text.splitlines()]


def read_sums(folder: Path) -> list[tuple[str, str]]:
    """The list of sums in a pack's folder; empty where there is none. Raises KitError where it cannot be read."""
    if not (folder / SUMS).is_file():
        return []
    try:
        return sums_in(read_bounded(folder / SUMS, MOST_TEXT).decode("utf-8", errors="replace"))
    except (OSError, ValueError) as error:
        raise KitError(f"{folder / SUMS}: cannot be read ({error}); unpack the zip again") from None


def take_over(old: Path, new: Path, names: list[str]) -> list[str]:
    """Put what is not a kit's from its old folder into its new one, by paths from there; those that now bear another
    name, because the kit has a file of theirs. Files are linked where the disk can, else copied; what is there already
    stays. Raises OSError where the disk refuses.
    """
    moved = []
    for name in names:
        source, target = old / name, new / name
        if target.is_dir() and source.is_dir() and not source.is_symlink():
            continue
        while os.path.lexists(target):
            if _same(source, target):
                break
            target = target.with_name(f"{target.stem} (kept){target.suffix}")
        else:
            target.parent.mkdir(parents=True, exist_ok=True)
            _put(source, target)
        if target != new / name:
            moved.append(target.relative_to(new).as_posix())
    return moved


def _same(a: Path, b: Path) -> bool:
    """Whether two paths are one file, copies of one, or links to one place."""
    if a.is_symlink() or b.is_symlink():
        return a.is_symlink() and b.is_symlink() and a.readlink() == b.readlink()
    return a.samefile(b) or (a.is_file() and b.is_file() and filecmp.cmp(a, b, shallow=False))


def _put(source: Path, target: Path) -> None:
    """One stranger at its place in another folder of the same disk."""
    if source.is_symlink():
        target.symlink_to(source.readlink())
    elif source.is_dir():
        target.mkdir()
    else:
        link(source, target)


@dataclass(slots=True)
class Kept:
    """What a rebuild keeps of the folder in whose place the kit goes: everything that is not the kit's own, and what
    people wrote into its recipe and corrections since ``texts`` were read; ``told`` says what of that they should know.
    ``kit``: the one that lies there; None where none does.
    """

    folder: Path
    kit: Kit | None
    texts: dict[str, bytes | None]
    told: list[Problem] = field(default_factory=list)

    def sounds(self) -> dict[str, OnDisk]:
        """Sum -> a sound file of the kit that lies there with these bytes, as ``claim`` has seen to."""
        found: dict[str, OnDisk] = {}
        if self.kit is not None:
            for shot in self.kit.one_shots:
                for file in shot.files:
                    there = on_disk(self.folder / file.path)
                    found |= {} if there is None else {file.sha256: there}
        return found

    def into(self, stage: Path) -> None:
        """Put all of it into a kit that is complete but for that. Raises OSError where the disk refuses."""
        if self.kit is not None:
            self._take_over(self.folder, stage)

    def settle(self, old: Path, new: Path) -> None:
        """The same once more for what came in the last moment, after ``new`` took the place of ``old``."""
        if self.kit is not None:
            self._take_over(old, new)

    def _take_over(self, old: Path, new: Path) -> None:
        there = strangers(old, self.kit) if self.kit is not None else []
        moved = take_over(old, new, there)
        if moved:
            self.told.append(Problem(", ".join(moved), "is not part of the kit, which now has a file of that name: "
                                     "kept under this name", "move it out of the kit folder"))
        for name in EDITED:
            text = _bytes(old / name)
            if text is not None and text != self.texts[name]:
                write_atomic(new / name, text)
                self.texts[name] = text
                self.told.append(Problem(name, "was edited during the build: kept, but not yet used", "build again"))


def kept_of(folder: Path) -> Kept:
    """What there is to keep of a kit's folder, its recipe and corrections as they are now.

    Raises KitError where a kit lies there whose manifest cannot be read: what is its own is not known then.
    """
    texts = {name: _bytes(folder / name) for name in EDITED}
    if not is_our_kit(folder):
        return Kept(folder, None, texts)
    try:
        return Kept(folder, read_kit(folder), texts)
    except KitError as error:
        raise KitError(f"{error}. Other files there may be yours: move {folder} away, build, and copy "
                       f"{' and '.join(EDITED)} back") from None


def _bytes(path: Path) -> bytes | None:
    """What a file holds; None where there is none. Raises OSError."""
    try:
        return path.read_bytes()
    except (FileNotFoundError, NotADirectoryError):
        return None


def check_untouched(folder: Path, kit: Kit) -> None:
    """Raise KitError where a sound file of a kit was changed after the kit was written, which a build would undo.

    Only files that were touched after the manifest, which is written after them, are read.
    """
    sums = {file.path: file.sha256 for shot in kit.one_shots for file in (*shot.files, *shot.untouched)}
    sums |= {each.path: each.sha256 for each in kit.prints}
    written = (folder / manifest.NAME).stat().st_mtime_ns

    def touched(path: Path) -> bool:
        """Whether a file was written since, whatever time it was given after that."""
        stat = path.stat()
        return max(stat.st_mtime_ns, stat.st_ctime_ns) > written

    again = [name for name in sums if (folder / name).is_file() and touched(folder / name)]
    with ThreadPoolExecutor(os.cpu_count()) as pool:  # summing lets other threads go on
        found = pool.map(sha256_of, [folder / name for name in again])
    changed = [name for name, digest in zip(again, found, strict=True) if digest != sums[name]]
    if changed:
        more = f" and {len(changed) - 1} more" if len(changed) > 1 else ""
        raise KitError(f"{folder / changed[0]}{more} changed after the kit was built, and a build would overwrite "
                       "that: choose another place, or move it away (oneshot remeasure takes it into the kit)")


def claim(kit_path: Path, session: Session) -> Kept:
    """What there is to keep where a kit of ``session`` goes. Raises KitError, SettingsError or WorkError where
    none may be written.
    """
    recover_folder(kit_path)
    check_link(kit_path)
    if real(session.root).is_relative_to(real(kit_path)):
        raise KitError(f"{kit_path} holds the session itself: choose another place")
    kept = kept_of(kit_path)
    if kept.kit is None and kit_path.exists():
        raise KitError(f"{kit_path} exists and is not a kit: choose another place, or move it away")
    if kept.kit is not None and any(file.processed == "outside" for shot in kept.kit.one_shots for file in shot.files):
        raise KitError(f"{kit_path} holds files that were processed after they were cut, which a build would replace: "
                       "choose another place, or move it away")
    if real(kit_path).is_relative_to(real(session.root)):
        raise KitError(f"{kit_path} lies inside the session: choose a place outside it")
    check_outside_sessions(kit_path)
    check_writable(place_of(kit_path))
    if kept.kit is not None:
        check_untouched(kit_path, kept.kit)
    return kept
