"""Desk: the kit under review, its recordings and its corrections, changed by one hand at a time.

Every change carries the revision it was decided on; a page that has not seen the last change is told so and changes
nothing. What is decided is on the disk before the answer goes out.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

from oneshot.config import handling
from oneshot.config.corrections import REACH_S, Corrected
from oneshot.config.corrections_file import KINDS, Correction, Corrections, Place, dump, parse
from oneshot.config.recipe import FaderRecipe
from oneshot.core.errors import KitError, OneshotError, SettingsError
from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import Fader, Kit
from oneshot.core.records.session import Session
from oneshot.core.user_state import tracks_of
from oneshot.kit.read import read_kit, with_processed
from oneshot.review.ahead import Ahead
from oneshot.review.decisions import Journal, replaced_by
from oneshot.session.open import open_session

NAMING = ("add", "merge", "move", "rename", "split")
"""Kinds that say what drum or articulation hits are of."""


class StaleError(OneshotError):
    """The page that asks has not seen the last change."""


class Desk:
    """One kit under review. Everything that changes it holds ``lock``."""

    def __init__(self, folder: Path, session_path: Path) -> None:
        """Raises KitError, SessionError, SettingsError, AudioError."""
        self.folder = folder
        self.session_path = session_path
        self.lock = threading.RLock()
        self.revision = 1
        self.outlook = 0  # counts what came to be known without a decision: who has seen less may still decide
        self.session: Session = open_session(session_path)
        self.ahead = Ahead(folder, self.session)
        self.journal = Journal(folder)
        self.kit: Kit
        self._stamp = 0
        self.reload()
        there = {take.name for take in self.session.takes}
        lacking = [take.name for take in self.kit.session.takes if take.name not in there]
        if lacking:
            raise KitError(f"{session_path} has no take {', '.join(lacking)}: name the session that {folder} "
                           "was built from with --session")

    def reload(self) -> None:
        """Read the kit and its corrections from the disk."""
        with self.lock:
            self.kit = read_kit(self.folder)
            self.journal.open()
            self._stamp = self._manifest_stamp()
            self._by_id = {hit.id: hit for hit in self.kit.hits}
            self._shot_of = {shot.hit: shot for shot in self.kit.one_shots}
            self._now: Corrected | None = None

    def look(self) -> int:
        """The revision, after having looked whether another program built the kit or wrote its corrections.

        Where what it finds cannot be read, the kit stays as it was known.
        """
        with self.lock:
            try:
                if self._manifest_stamp() != self._stamp or self.journal.changed_outside():
                    self.reload()
                    self.revision += 1
            except (OneshotError, OSError):
                pass
            return self.revision

    def _manifest_stamp(self) -> int:
        return (self.folder / "manifest.json").stat().st_mtime_ns

    # --------------------------------------------------------------------------------------------------------- looking

    def hit(self, number: int) -> Hit:
        """A hit of the kit by its id. Raises KitError."""
        try:
            return self._by_id[number]
        except KeyError:
            raise KitError(f"the kit has no hit {number}: load the page again") from None

    @property
    def shots(self) -> Mapping[int, Any]:
        """Hit id -> its one-shot."""
        return self._shot_of

    @property
    def rates(self) -> dict[str, int]:
        """Sample rate of each take, Hz."""
        return {take.name: take.sample_rate for take in self.session.takes}

    def now(self) -> Corrected:
        """The kit's hits with what was decided since it was built, as the next build will call them."""
        with self.lock:
            if self._now is None:
                self._now = self._under(self.journal.entries)
            return self._now

    def analysed(self, overruled: Corrections, found: Sequence[Hit]) -> None:
        """The analysis has been done as those corrections ask for it; pages look again only where that changes what
        they show.
        """
        with self.lock:
            before = self._now
            self.ahead.learn(overruled, found)
            self._now = None
            if before is not None and before != self.now():
                self.outlook += 1

    def _under(self, entries: tuple[Correction, ...]) -> Corrected:
        """The kit's hits under all those entries: where some that named drums are gone, or came to nothing, as all of
        them apply to what the analysis found; else as those that wait apply to the kit.
        """
        gone = any(entry.kind in NAMING for entry in self.journal.withdrawn)
        unsure = any(problem.where == self.journal.path.name for problem in self.kit.problems)
        if gone or unsure or (entries and not self.journal.built):
            self.ahead.look_up(entries, self.journal.built_with, self.journal.recipe)
            found = self.ahead.corrected(self.kit.hits, entries, self.rates, self._mic_names())
            if found is not None:
                return found
        return self._applied(tuple(e for e in self.journal.waiting(entries) if not self._is_new(e)))

    @property
    def heard(self) -> Session:
        """The session with the kit's processed tracks among its mics."""
        return with_processed(self.session, self.kit, tracks_of(self.folder))

    def _applied(self, entries: tuple[Correction, ...]) -> Corrected:
        return handling.apply(self.kit.hits, Corrections(entries), self.rates, self._mic_names())

    def _mic_names(self) -> set[str]:
        mics = [mic for take in self.heard.takes for mic in take.mics]
        return {mic.name for mic in mics} | {mic.pair for mic in mics if mic.pair}

    def _is_new(self, entry: Correction) -> bool:
        """Whether an entry adds a hit that the kit does not have."""
        return entry.kind == "add" and not any(self.near(place) for place in entry.hits)

    def near(self, place: Place) -> Hit | None:
        """The hit of the kit that a place means; None where there is none within reach."""
        rate = self.rates.get(place.take)
        if rate is None:
            return None
        mine = [h for h in self.kit.hits if h.take == place.take and abs(h.onset - place.frame) <= REACH_S * rate]
        return min(mine, key=lambda h: abs(h.onset - place.frame), default=None)

    # -------------------------------------------------------------------------------------------------------- changing

    def decide(self, revision: int, row: object) -> Correction:
        """Write one entry down. Raises StaleError, SettingsError where it says nothing that can be done, OSError."""
        with self.lock:
            self._check(revision)
            entry = entry_of(row)
            before = replaced_by(self.journal.entries, entry)
            if before == entry:
                return entry
            if entry.kind == "add":
                self._check_new(entry)
            else:
                self._check_found(entry, before)
            self.journal.decide(entry, instead_of=before)
            self._changed()
            return entry

    def withdraw(self, revision: int, number: object) -> None:
        """Take one entry out by its place in corrections.toml. Raises StaleError, SettingsError, OSError."""
        with self.lock:
            self._check(revision)
            if not isinstance(number, int) or not 0 <= number < len(self.journal.entries):
                raise SettingsError("there is no such correction: load the page again")
            self.journal.withdraw(number)
            self._changed()

    def undo(self, revision: int) -> Mapping[str, Any] | None:
        """Take the last decision back; what it was, None where there is none. Raises StaleError, OSError."""
        return self._step(revision, self.journal.undo)

    def redo(self, revision: int) -> Mapping[str, Any] | None:
        """Do what was taken back last once more; what it was, None where there is none. Raises as ``undo``."""
        return self._step(revision, self.journal.redo)

    def _step(self, revision: int, go: Callable[[], Mapping[str, Any] | None]) -> Mapping[str, Any] | None:
        with self.lock:
            self._check(revision)
            done = go()
            if done is not None:
                self._changed()
            return done

    def set_faders(self, revision: int, faders: Sequence[tuple[object, object]]) -> None:
        """Say in the kit's recipe where mics stand in the balance, in one step: mic and fader, None for where it was
        computed to stand.

        It is heard on the page at once, and in mappings and prints with the next build. Raises StaleError,
        SettingsError, OSError.
        """
        with self.lock:
            self._check(revision)
            known = {item.name for item in fields(FaderRecipe)}
            wanted: dict[str, FaderRecipe | None] = {}
            for mic, said in faders:
                if not isinstance(mic, str) or mic not in self.kit.balance:
                    raise SettingsError(f"there is no mic {mic}: load the page again")
                if said is not None and not (isinstance(said, dict) and set(said) <= known):
                    raise SettingsError(f"a fader has {', '.join(sorted(known))} and nothing else")
                wanted[mic] = None if said is None else FaderRecipe(**said)
            self.journal.set_faders(wanted)
            self._changed()

    def balance(self) -> dict[str, Fader]:
        """Each mic's fader as it sounds now: the kit's, with what the recipe on the disk says over it."""
        said = self.journal.recipe.balance
        return {name: said[name].over(fader) if name in said else fader for name, fader in self.kit.balance.items()}

    def built(self, text: str) -> None:
        """The kit has just been built from corrections of that text."""
        with self.lock:
            self.journal.was_built(text)
            self.reload()
            self._changed()

    def _check(self, revision: int) -> None:
        if revision != self.look():
            raise StaleError("the kit was changed by another page or program: check it and repeat your correction")

    def _changed(self) -> None:
        self.revision += 1
        self._now = None

    def _check_new(self, entry: Correction) -> None:
        place = entry.hits[0]
        takes = {take.name: take for take in self.session.takes}
        if place.take not in takes or place.frame >= takes[place.take].frames:
            raise SettingsError("that position is outside the take")
        found = self.near(place)
        if found is not None:
            raise SettingsError(f"hit {found.id} ({found.drum}) is already within 10 ms of that position")

    def _check_found(self, entry: Correction, instead_of: Correction | None) -> None:
        """Raise SettingsError, with the reason, where an entry would come to nothing."""
        before = {p.what for p in self.now().problems}
        others = tuple(e for e in self.journal.entries if e != instead_of)
        after = [p for p in self._under((*others, entry)).problems if p.what not in before]
        if after:
            raise SettingsError(after[0].what)


def entry_of(row: object) -> Correction:
    """An entry from plain types, checked as the file is. Raises SettingsError."""
    known = {item.name for item in fields(Correction)}
    if not isinstance(row, dict) or row.get("kind") not in tuple(KINDS) or set(row) - known:
        raise SettingsError(f"an entry needs a kind ({', '.join(KINDS)}) and keys that corrections.toml knows")
    values: dict[str, Any] = {key: tuple(value) if isinstance(value, list) else value
                              for key, value in row.items() if value is not None}
    try:
        values["hits"] = tuple(_place(each["take"], each["frame"]) for each in row.get("hits") or ())
        return parse(dump(Corrections((Correction(**values),))), "the entry").entries[0]
    except (KeyError, TypeError, IndexError):
        raise SettingsError("an entry's hits are places: { take, frame }") from None


def _place(take: object, frame: object) -> Place:
    """Raises TypeError where that is none: it goes into the text that is checked."""
    if not isinstance(take, str) or not isinstance(frame, int):
        raise TypeError("a place is a text and a whole number")
    return Place(take, frame)
