"""Journal: what was decided, and the way back and forward.

Decisions stand in two files of the kit: corrections in corrections.toml, the balance in recipe.toml. An entry is added
at the end of the text of corrections.toml and taken out of its middle without touching the rest, so that what a person
wrote between the entries stays. The way back and the text that the present kit was built from are kept on this machine,
beside the note of where the recordings lie. Only what was decided here is ever taken back: without that note, or after
another hand wrote one of the files, there is no way back.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from oneshot.config.corrections_file import Correction, Corrections, dump, parse
from oneshot.config.recipe import FaderRecipe, Recipe
from oneshot.config.recipe_file import load_recipe, recipe_values, with_balance
from oneshot.core.bounded_text import read_json, read_toml
from oneshot.core.errors import SettingsError
from oneshot.core.files import write_atomic
from oneshot.core.user_state import note_beside
from oneshot.review.undo import Faders, History, Stand, read_history, step_between

_ENTRY = re.compile(r"^[ \t]*\[\[", re.MULTILINE)
_HEAD = dump(Corrections())


@dataclass(slots=True)
class Journal:
    """The decisions of one kit. ``text`` is what corrections.toml holds, ``built`` what the kit was built from,
    ``recipe`` what recipe.toml says.
    """

    kit: Path
    text: str = ""
    built: str = ""
    recipe: Recipe = field(default_factory=Recipe)
    history: History = field(default_factory=History)
    _recipe_text: str = ""

    @property
    def path(self) -> Path:
        """The file of the corrections."""
        return self.kit / "corrections.toml"

    @property
    def recipe_path(self) -> Path:
        """The file of the recipe."""
        return self.kit / "recipe.toml"

    @property
    def entries(self) -> tuple[Correction, ...]:
        """All entries, in the order of the file. Raises SettingsError where the file is at fault."""
        return parse(self.text or _HEAD).entries

    @property
    def pending(self) -> tuple[Correction, ...]:
        """Entries that the kit was built without, in order."""
        return self.waiting(self.entries)

    def waiting(self, entries: tuple[Correction, ...]) -> tuple[Correction, ...]:
        """Those of them that the kit was built without, in order."""
        return _without(entries, self.built_with)

    @property
    def built_with(self) -> tuple[Correction, ...]:
        """Entries that the kit was built with, as far as that is known."""
        return parse(self.built or _HEAD).entries

    @property
    def withdrawn(self) -> tuple[Correction, ...]:
        """Entries that the kit was built with and that are not there any more."""
        return _without(self.built_with, self.entries)

    @property
    def said(self) -> Faders:
        """Mic -> what recipe.toml says of its place in the balance."""
        faders: Faders = recipe_values(self.recipe)["balance"]
        return faders

    @property
    def stand(self) -> Stand:
        """Where the decisions stand."""
        return Stand(self.text, self.said)

    def open(self) -> None:
        """Read both files and what this machine knows of them. Raises SettingsError where one of them is at fault."""
        text, recipe_text = _read(self.path), _read(self.recipe_path)
        parse(text or _HEAD, self.path.name)
        self.recipe = load_recipe(self.recipe_path)[0] if recipe_text else Recipe()
        self.text, self._recipe_text = text, recipe_text
        known = self._note()
        built, manifest = known.get("built"), self._manifest_ns()
        self.history = read_history(known.get("history")).settled(self.stand)
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
        """Whether somebody else wrote one of the files since it was read or written here."""
        return _read(self.path) != self.text or _read(self.recipe_path) != self._recipe_text

    def decide(self, entry: Correction, *, instead_of: Correction | None = None) -> None:
        """Add an entry at the end, in place of an earlier one if one is given; on the disk when this returns.

        Raises SettingsError where the entry is none, OSError where the file cannot be written.
        """
        text = self.text if instead_of is None else _taken_out(self.text, self.entries, instead_of)
        text = (text or _HEAD).rstrip("\n") + "\n" + dump(Corrections((entry,)))[len(_HEAD):]
        self._do(Stand(text, self.said), entry_row(entry))

    def withdraw(self, number: int) -> None:
        """Take an entry out by its place in the file, 0 for the first. Raises as ``decide``, and IndexError."""
        entry = self.entries[number]
        self._do(Stand(_cut_out(self.text, number), self.said), {"kind": "withdraw", "entry": entry_row(entry)})

    def set_faders(self, faders: Mapping[str, FaderRecipe | None]) -> None:
        """Say where mics stand in the balance, or no longer, in one step; on the disk when this returns. Raises
        OSError.
        """
        mic = next(iter(faders))
        before = self.said.get(mic)
        balance = {name: each for name, each in self.recipe.balance.items() if name not in faders}
        balance |= {name: fader for name, fader in faders.items() if fader is not None}
        after = Stand(self.text, recipe_values(replace(self.recipe, balance=balance))["balance"])
        if after != self.stand:
            self._do(after, {"kind": "balance", "mic": " and ".join(faders), "from": before,
                             "to": after.faders.get(mic)})

    def undo(self) -> Mapping[str, Any] | None:
        """Take the last decision that was made here back; what it was, None where there is none. Raises as
        ``decide``.
        """
        step = self.history.last
        if step is None:
            return None
        self._go(step.back(self.stand), self.history.moved(-1))
        return step.about

    def redo(self) -> Mapping[str, Any] | None:
        """Do what was taken back last once more; what it was, None where there is none. Raises as ``decide``."""
        step = self.history.next
        if step is None:
            return None
        self._go(step.again(self.stand), self.history.moved(1))
        return step.about

    @property
    def to_undo(self) -> Mapping[str, Any] | None:
        """What ``undo`` would take back."""
        return self.history.last.about if self.history.last else None

    @property
    def to_redo(self) -> Mapping[str, Any] | None:
        """What ``redo`` would do once more."""
        return self.history.next.about if self.history.next else None

    def was_built(self, text: str) -> None:
        """Note that the kit has just been built from that text."""
        self.text, self.built = _read(self.path), text
        self._save()

    def _do(self, after: Stand, about: Mapping[str, Any]) -> None:
        self._go(after, self.history.with_step(step_between(self.stand, after, about)))

    def _go(self, after: Stand, history: History) -> None:
        """Write where the decisions stand from now on, the note of the way first: it is found to be one step ahead of
        the files where a process is killed between the two, never behind them.
        """
        parse(after.text, self.path.name)  # nothing that could not be read again reaches the disk
        recipe = self.recipe
        if after.faders != self.said:
            recipe = replace(recipe, balance={mic: FaderRecipe(**fader) for mic, fader in after.faders.items()})
        self._save(history)
        if after.text != self.text:
            write_atomic(self.path, after.text)
            self.text = after.text
        if recipe is not self.recipe:
            text = with_balance(self._recipe_text, recipe)
            write_atomic(self.recipe_path, text)
            self.recipe, self._recipe_text = recipe, text
        self.history = history

    def _note(self) -> dict[str, object]:
        try:
            found = read_json(note_beside(self.kit, "review.json"))
        except (OSError, ValueError):
            return {}
        return found if isinstance(found, dict) else {}

    def _save(self, history: History | None = None) -> None:
        """Nothing but the way back depends on this note: a folder that cannot be written is passed over."""
        path = note_beside(self.kit, "review.json")
        record = {"built": self.built, "manifest": self._manifest_ns(), "history": (history or self.history).record()}
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            write_atomic(path, json.dumps(record))
        except OSError:
            return


def entry_row(entry: Correction) -> dict[str, Any]:
    """An entry as plain types, without what it does not say."""
    return {key: value for key, value in asdict(entry).items() if value not in (None, (), [])}


def _read(path: Path) -> str:
    """The text of a file; "" where there is none. Raises SettingsError where it cannot be read."""
    try:
        return read_toml(path)
    except FileNotFoundError:
        return ""
    except (OSError, ValueError) as error:
        raise SettingsError(f"{path} cannot be read ({error}): check the file") from None


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
    return _cut_out(text, len(entries) - 1 - entries[::-1].index(entry))


def _cut_out(text: str, at: int) -> str:
    """The text without the entry at that place in it."""
    starts = [match.start() for match in _ENTRY.finditer(text)]
    end = starts[at + 1] if at + 1 < len(starts) else len(text)
    return text[:starts[at]] + text[end:]
