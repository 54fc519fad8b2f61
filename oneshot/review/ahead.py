"""Ahead: the hits of the kit as the next build will call them, and which entries come to nothing there.

Entries that wait for the next build apply to the kit as it is; what was withdrawn since it was built is still in it. So
all entries are applied to what the analysis found, before any of them, as the build does. The store holds that from the
last build; an analysis that the decisions ask for anew takes its place once it is done.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from oneshot import analysis
from oneshot.config import release_lock
from oneshot.config.corrections import REACH_S, Corrected
from oneshot.config.corrections_file import Correction, Corrections
from oneshot.config.handling import ForAnalysis, told_to_analysis
from oneshot.config.recipe import Recipe
from oneshot.core.cache.disk import open_store
from oneshot.core.records.hits import Hit
from oneshot.core.records.session import Session
from oneshot.session.open import fingerprint_parts


class Ahead:
    """What the analysis found in the session of a kit, and the kit's hits under all entries."""

    def __init__(self, folder: Path, session: Session) -> None:
        self._folder, self._session = folder, session
        self._found: tuple[Hit, ...] = ()
        self._told: ForAnalysis | None = None

    def learn(self, overruled: Corrections, found: Sequence[Hit]) -> None:
        """Note what the analysis found where it was told these corrections."""
        self._told, self._found = told_to_analysis(overruled), tuple(found)

    def knows(self, entries: tuple[Correction, ...]) -> bool:
        """Whether what the analysis found is known as these entries ask for it."""
        return self._told == told_to_analysis(Corrections(entries))

    def look_up(self, entries: tuple[Correction, ...], built: tuple[Correction, ...], asked: Recipe) -> None:
        """Look into the store for what the analysis found as those entries ask for it; while nobody knows, what it
        found as those that the kit was built with ask for it has to do. ``asked``: the kit's recipe.
        """
        if self.knows(entries):
            return
        store = open_store(fingerprint_parts(self._session))
        for each in (entries, built) if self._told is None else (entries,):
            told = told_to_analysis(Corrections(each))
            found = analysis.stored_findings(store, self._session, told, analysis.pooling_of(self._session, asked))
            if found is not None:
                self._told, self._found = told, found[0].hits
                return

    def corrected(self, hits: Sequence[Hit], entries: tuple[Correction, ...], rates: Mapping[str, int],
                  names: Collection[str]) -> Corrected | None:
        """The kit's hits, and what else is asked for of them, under all entries; None where nobody knows what the
        analysis found. ``rates``: sample rate of each take; ``names``: of all mics and pairs. Raises KitError where
        the record of a release cannot be read.
        """
        if self._told is None:
            return None
        before = release_lock.read(self._folder)
        if before is not None:
            before = release_lock.with_take_names(before, [take.name for take in self._session.takes])
        ids = {(hit.take, hit.onset): hit.id for hit in hits}
        found = [replace(hit, id=ids.get((hit.take, hit.onset), -1 - n)) for n, hit in enumerate(self._found)]
        able = tuple(entry for entry in entries if entry.kind != "add" or _there(entry, found, rates))
        corrected, _ = analysis.corrected_hits(self._session, found, Corrections(able), before, set(names))
        now = {hit.id: hit for hit in corrected.hits}
        return replace(corrected, hits=tuple(
            replace(hit, drum=now[hit.id].drum, articulation=now[hit.id].articulation, partners=now[hit.id].partners)
            if hit.id in now else hit for hit in hits))


def _there(entry: Correction, hits: Sequence[Hit], rates: Mapping[str, int]) -> bool:
    """Whether the analysis has found the hit that an entry adds: it will, once it was told of it."""
    place = entry.hits[0]
    reach = REACH_S * rates.get(place.take, 0)
    return any(hit.take == place.take and abs(hit.onset - place.frame) <= reach for hit in hits)
