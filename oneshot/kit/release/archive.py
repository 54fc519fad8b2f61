"""Giving away: what every pack has: sums of all files, and a zip that is the same bytes for the same input (no clock
time, names in order, one compression).
"""

from __future__ import annotations

import hashlib
import re
import shutil
import zipfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from oneshot.config.corrections_file import safe_name
from oneshot.core.bounded_text import MOST_JSON, parse_json
from oneshot.core.bounded_zip import Packed, opened
from oneshot.core.errors import KitError, SettingsError
from oneshot.core.files import sha256_of
from oneshot.core.names import is_text, shown
from oneshot.core.text import one_line
from oneshot.kit.contents import SUMS, sums_in


@dataclass(frozen=True, slots=True)
class Texts:
    """Every text that a pack publishes: (what it is, the text)."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Pack:
    """What was written. ``changes``: of files since the release before, ``news`` what that means for who plays the kit;
    ``locked``: whether the kit remembers it as a release; ``left_out``: what lies in the kit's folder and is not the
    kit's.
    """

    path: Path
    files: int
    size_bytes: int
    licence: str
    changes: tuple[str, ...] = ()
    locked: bool = False
    left_out: tuple[str, ...] = ()
    news: tuple[str, ...] = ()


def version_of(asked: str | None, said: str) -> str:
    """The version of a release: ``asked`` for on the command line, else ``said`` in the recipe. Raises SettingsError
    where it is no text, or more than one line.
    """
    if asked is not None and not is_text(asked):
        raise SettingsError(f"--version {shown(asked)} is not valid UTF-8: type it again")
    if asked and one_line(asked) != asked:
        raise SettingsError(f"--version {asked!r}: write it on one line, without control characters")
    return asked or said


def is_newer(version: str, other: str) -> bool:
    """Whether a version is later than another, as Semantic Versioning 2.0.0 (section 11) orders them: 1.10 than 1.9,
    1.0 than 1.0-rc.2, that than 1.0-rc.1 and 1.0-beta; 1.0 is not later than 1. Numbers at the beginning may have any
    sign between them (dates). Of two in words alone ("beta"), or of one in words and one in numbers, neither is;
    "beta 2" is later than "beta 1".
    """
    (numbers, label), (others, other_label) = _parts(version), _parts(other)
    if not numbers or not others:
        words, their_words = ([part for part in each if part[0]] for each in (label, other_label))
        return not (numbers or others) and words == their_words and label > other_label
    return (numbers, not label, label) > (others, not other_label, other_label)


def _parts(version: str) -> tuple[list[int], list[tuple[bool, int, str]]]:
    """The numbers that a version begins with, without zeros at their end, and from its first word on its words and
    numbers, numbers lower than words. What follows a plus sign is of the build and says nothing.
    """
    plain = re.sub(r"^[vV](?=\d)", "", version.partition("+")[0])
    parts = re.findall(r"[0-9]+|[^\W\d_]+", plain)
    first = next((n for n, part in enumerate(parts) if not part.isdecimal()), len(parts))
    numbers = [int(part) for part in parts[:first]]
    while numbers and not numbers[-1]:
        numbers.pop()
    return numbers or [0] * bool(first), [
        (False, int(part), "") if part.isdecimal() else (True, 0, part.lower()) for part in parts[first:]]


@dataclass(slots=True)
class Zip:
    """A zip in the making: every file below one folder ``root``, and the sums of what is in it so far, name -> SHA-256.

    Files are added in an order that no chance decides; ``close`` adds the list of sums.
    """

    file: zipfile.ZipFile
    root: str
    sums: dict[str, str]

    def add(self, name: str, content: Path | str) -> None:
        """Add a file from the disk, or a text. Raises OSError."""
        if isinstance(content, str):
            self.sums[name] = hashlib.sha256(content.encode()).hexdigest()
            self.file.writestr(self._entry(name), content.encode())
            return
        self.sums[name] = sha256_of(content)
        entry = self._entry(name)
        entry.file_size = content.stat().st_size  # tells whether the entry needs 64-bit sizes
        with content.open("rb") as source, self.file.open(entry, "w") as target:
            shutil.copyfileobj(source, target, 1 << 20)

    def close(self) -> None:
        """Add the list of sums and close."""
        self.file.writestr(self._entry(SUMS), "".join(f"{self.sums[n]}  {n}\n" for n in sorted(self.sums)).encode())
        self.file.close()

    def _entry(self, name: str) -> zipfile.ZipInfo:
        entry = zipfile.ZipInfo(f"{self.root}/{name}", (1980, 1, 1, 0, 0, 0))
        entry.compress_type = zipfile.ZIP_DEFLATED
        entry.create_system, entry.external_attr = 3, 0o644 << 16
        return entry


def open_zip(path: Path, root: str, level: int = 6) -> Zip:
    """Start a zip; ``level``: how hard it presses, 1 to 9. Raises OSError."""
    return Zip(zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=level), root, {})


def sums_of(path: Path) -> dict[str, str]:
    """Name -> SHA-256 of every file in a pack, as its own list says. Raises KitError where it is no pack of ours."""
    try:
        with opened(path) as pack:
            return _sums(pack)
    except ValueError as error:
        raise KitError(f"{path}: not a zip written by oneshot pack ({error}); name the zip of the previous "
                       "release") from None


def _sums(pack: Packed) -> dict[str, str]:
    """The list of sums in a zip. Raises ValueError."""
    (name,) = (each for each in pack.names if each.count("/") == 1 and each.endswith(f"/{SUMS}"))
    return dict(sums_in(pack.text(name)))


def root_of(name: str, version: str, otherwise: str) -> str:
    """The one folder in a zip: name and version of what is given away, safe on every system."""
    return f"{safe_name(name) or otherwise}-{safe_name(version) or '1'}"


def is_of_root(path: Path, root: str) -> bool:
    """Whether a zip has that one folder, which tells name and version. Raises KitError where it is no zip."""
    try:
        with opened(path) as pack:
            return pack.names[0].split("/")[0] == root
    except ValueError as error:
        raise KitError(f"{path}: cannot be read as a zip ({error})") from None


def is_pack_of(path: Path, name: str, otherwise: str) -> bool:
    """Whether a file is a pack of ours of that name (as for ``root_of``), of whatever version, and holds what its own
    list says and no more.
    """
    try:
        with opened(path) as pack:
            listed = set(_sums(pack))
            top = pack.names[0].split("/")[0]
            there = {each.removeprefix(f"{top}/") for each in pack.names}
            if "manifest.json" in there:
                info = parse_json(pack.text(f"{top}/manifest.json", MOST_JSON))["kit"]
                own, version = info["name"] == name, str(info["version"])
            else:
                title = pack.text(f"{top}/README.txt").partition("\n")[0]
                own, version = title.startswith(pack_title(name, "")), title.removeprefix(pack_title(name, ""))
    except (ValueError, KeyError, TypeError):
        return False
    return own and top == root_of(name, version, otherwise) and there == {*listed, SUMS}


def pack_title(name: str, version: str) -> str:
    """What the README of a pack calls it, in its first line."""
    return one_line(f"{name}, version {version}")


def changes(before: Mapping[str, str], now: Mapping[str, str]) -> Iterable[str]:
    """One line for each file that came, went or changed, by its sum."""
    for name in sorted({*before, *now} - {"CHANGES.txt"}):
        if name not in before:
            yield f"new      {name}"
        elif name not in now:
            yield f"removed  {name}"
        elif before[name] != now[name]:
            yield f"changed  {name}"


def changes_file(lines: Iterable[str], news: Iterable[str] = ()) -> str:
    """CHANGES.txt: what is new for who plays it, then the files."""
    files = list(lines) or ["Nothing but this file has changed."]
    return "\n".join([*news, *(["", "Files", ""] if news else []), *files]) + "\n"
