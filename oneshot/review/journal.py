"""Journal: the text of corrections.toml, entry by entry, and the way back.

An entry is added at the end of the text and taken out of its middle without touching the rest, so that what a person
wrote between the entries stays. The way back (the texts before each decision) and the text that the present kit was
built from are kept on this machine, beside the note of where the recordings lie; without them the last entry is what
can be taken back.
"""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import dataclass, field
from pathlib import Path

from oneshot.corrections_toml import Correction, Corrections, dump, parse
from oneshot.files import write_atomic
from oneshot.model import SettingsError
from oneshot.remembered import note_beside

MOST_STEPS = 200
"""How many decisions can be taken back."""

_ENTRY = re.compile(r"^[ \t]*\[\[", re.MULTILINE)
_HEAD = dump(Corrections())


@dataclass(slots=True)
class Journal:
    """The corrections of one kit. ``text`` is what the file holds, ``built`` what the kit was built from."""

    kit: Path
    text: str = ""
    built: str = ""
    before: list[str] = field(default_factory=list)

    @property
    def path(self) -> Path:
        """The file itself."""
        return self.kit / "corrections.toml"

    @property
    def entries(self) -> tuple[Correction, ...]:
        """All entries, in the order of the file. Raises SettingsError where the file is at fault."""
        return parse(self.text or _HEAD).entries

    @property
    def pending(self) -> tuple[Correction, ...]:
        """Entries that the kit was built without, in order."""
        return _without(self.entries, parse(self.built or _HEAD).entries)

    @property
    def withdrawn(self) -> tuple[Correction, ...]:
        """Entries that the kit was built with and that are not there any more."""
        return _without(parse(self.built or _HEAD).entries, self.entries)

    def open(self) -> None:
        """Read the file and what this machine knows of it. Raises SettingsError where the file is at fault."""
        self.text = self._read()
        parse(self.text or _HEAD, self.path.name)
        known = self._note()
        before, built, manifest = known.get("before"), known.get("built"), self._manifest_ns()
        same = known.get("now") == _digest(self.text)
        self.before = [str(each) for each in before] if same and isinstance(before, list) else []
        if self.path.exists() and self.path.stat().st_mtime_ns <= manifest:
            self.built = self.text  # nobody wrote into it since the kit was built, here or by another command
            if built != self.text or known.get("manifest") != manifest:
                self._save()
        else:
            self.built = built if isinstance(built, str) and known.get("manifest") == manifest else ""

    def _manifest_ns(self) -> int:
        """When the kit was built, by its manifest."""
        return (self.kit / "manifest.json").stat().st_mtime_ns

    def changed_outside(self) -> bool:
        """Whether somebody else wrote the file since it was read or written here."""
        return self._read() != self.text

    def decide(self, entry: Correction, *, instead_of: Correction | None = None) -> None:
        """Add an entry at the end, in place of an earlier one if one is given; on the disk when this returns.

        Raises SettingsError where the entry is none, OSError where the file cannot be written.
        """
        text = self.text if instead_of is None else _taken_out(self.text, self.entries, instead_of)
        self._write((text or _HEAD).rstrip("\n") + "\n" + dump(Corrections((entry,)))[len(_HEAD):], keep=True)

    def undo(self) -> bool:
        """Take the last decision back; False where there is none. Raises as ``decide``."""
        if self.before:
            self._write(self.before[-1], keep=False)
            return True
        entries = self.entries
        if not entries:
            return False
        self._write(_taken_out(self.text, entries, entries[-1]), keep=False)
        return True

    def was_built(self, text: str) -> None:
        """Note that the kit has just been built from that text."""
        self.text, self.built = self._read(), text
        self._save()

    def _write(self, text: str, *, keep: bool) -> None:
        parse(text, self.path.name)  # nothing that could not be read again reaches the disk
        before = [*self.before, self.text][-MOST_STEPS:] if keep else self.before[:-1]
        write_atomic(self.path, text)
        self.text, self.before = text, before
        self._save()

    def _read(self) -> str:
        try:
            return self.path.read_text(encoding="utf-8-sig")
        except FileNotFoundError:
            return ""
        except (OSError, UnicodeDecodeError) as error:
            raise SettingsError(f"{self.path} cannot be read ({error}): check the file") from None

    def _note(self) -> dict[str, object]:
        try:
            found = json.loads(note_beside(self.kit, "review.json").read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        return found if isinstance(found, dict) and isinstance(found.get("before", []), list) else {}

    def _save(self) -> None:
        """Nothing but the way back depends on this note: a folder that cannot be written is passed over."""
        path = note_beside(self.kit, "review.json")
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            write_atomic(path, json.dumps({"now": _digest(self.text), "built": self.built, "before": self.before,
                                            "manifest": self._manifest_ns()}))
        except OSError:
            return


def replaced_by(entries: tuple[Correction, ...], entry: Correction) -> Correction | None:
    """The earlier entry that a new one makes void: of the same kind (keep and reject count as one), for the same.

    Entries that rename, move or join stay: others after them speak of what they left. Mics dropped add up.
    """
    kinds = ("keep", "reject") if entry.kind in ("keep", "reject") else (entry.kind,)
    if entry.kind not in ("keep", "reject", "layer", "nudge", "end", "fade", "gain", "round_robins"):
        return None
    whom = ("drum", "articulation", "layer") if entry.kind == "round_robins" or not entry.hits else ("hits",)
    for old in reversed(entries):
        if old.kind in ("rename", "merge", "split") and not entry.hits:
            return None
        if old.kind in kinds and bool(old.hits) == bool(entry.hits) and all(
                getattr(old, name) == getattr(entry, name) for name in whom):
            return old
    return None


def _without(entries: tuple[Correction, ...], less: tuple[Correction, ...]) -> tuple[Correction, ...]:
    left, out = list(less), []
    for entry in entries:
        if entry in left:
            left.remove(entry)
        else:
            out.append(entry)
    return tuple(out)


def _taken_out(text: str, entries: tuple[Correction, ...], entry: Correction) -> str:
    """The text without the last entry equal to that one."""
    at = len(entries) - 1 - entries[::-1].index(entry)
    starts = [match.start() for match in _ENTRY.finditer(text)]
    end = starts[at + 1] if at + 1 < len(starts) else len(text)
    return text[:starts[at]] + text[end:]


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
