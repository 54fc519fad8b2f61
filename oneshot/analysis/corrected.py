"""Corrected: what was found in a session, under the user's corrections.

``corrections.apply`` says which hit is of which drum now; here everything that was measured by drum follows: the
session's close mics, drums with home mics and kinds, bleed in home mics, tables.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import TypeVar

from oneshot.analysis.measurement.hit_table import UNKNOWN_CLEAN_DB
from oneshot.analysis.result import Analysis, Findings, FoundDrum
from oneshot.analysis.sorting import naming
from oneshot.config import handling, release_lock
from oneshot.config.corrections import Corrected
from oneshot.config.corrections_file import Corrections
from oneshot.config.handling import Handling
from oneshot.core.records.hits import Delay, Hit
from oneshot.core.records.kit import BandBleed, MicView
from oneshot.core.records.session import Mic, Session
from oneshot.session.mic_names import kind_of

Row = TypeVar("Row")
"""Entry of a table of takes, drums and mics."""


def correct(session: Session, found: Findings, corrected: Corrected) -> tuple[Session, Findings]:
    """Session and findings under the corrections, tables in the order of their drums' names; where no hit is changed,
    all is as it was.
    """
    session = _mics_moved(session, corrected.stands)
    drums = _drums(session, found, corrected)
    homes = {d.name: d.home for d in drums}
    before = {d.name: d.home for d in found.drums}
    was = {h.id: before[h.drum] for h in found.hits}
    return session, replace(
        found, hits=corrected.hits, drums=drums,
        clean_db={h.id: found.clean_db[h.id] if homes[h.drum] == was[h.id] else _clean_db(h, homes[h.drum])
                  for h in corrected.hits},
        bleed=_table(found.bleed, corrected, homes, before, _less_db),
        delays=_table(found.delays, corrected, homes, before, _less_delay),
        bleed_bands=_table(found.bleed_bands, corrected, homes, before, _less_bands),
        mic_views=_views(found.mic_views, corrected.stands))


def nudged(found: Analysis, handling: Mapping[int, Handling]) -> Analysis:
    """The analysis with its attacks where the user put them."""
    moves = {number: h.nudge_frames for number, h in handling.items() if h.nudge_frames}
    return replace(found, attacks={k: at + moves.get(k, 0) for k, at in found.attacks.items()}) if moves else found


def _mics_moved(session: Session, stands: Mapping[str, str]) -> Session:
    """The session with its close mics standing at the drums by their new names."""
    names = {old: new for old, new in stands.items() if old != new}
    if not names:
        return session

    def moved(mic: Mic) -> Mic:
        """The mic at its drum as that is called now."""
        return replace(mic, drum=names.get(mic.drum.replace(" ", "-"), mic.drum)) if mic.drum is not None else mic

    return replace(session, takes=tuple(replace(take, mics=tuple(moved(mic) for mic in take.mics))
                                        for take in session.takes))


def _drums(session: Session, found: Findings, corrected: Corrected) -> tuple[FoundDrum, ...]:
    """The drums that have hits now.

    Home mic and kind are those of the first drum that went into each. A new name that says what was struck
    ("cowbell") says it of the kind, too.
    """
    known = {d.name: d for d in found.drums}
    out = []
    for name, raw in sorted(corrected.sources.items()):
        source = known[raw[0]]
        kind = kind_of(name) if name != source.name and kind_of(name) != "percussion" else source.kind
        out.append(FoundDrum(name, kind, source.home if name == source.name else
                             _home(session, corrected.hits, name, source.home)))
    return tuple(out)


def _home(session: Session, hits: tuple[Hit, ...], name: str, before: str) -> str:
    """Home mic of a drum with a new name: the one before, unless live close mics stand at that name elsewhere."""
    live = {mic for h in hits if h.drum == name for mic, told in h.bleed_db.items() if told is not None}
    own = [m for take in session.takes for m in take.mics if m.stands_at(name) and m.name in live]
    return naming.home_mic(name, own, {}) if own and before not in {m.name for m in own} else before


def _clean_db(hit: Hit, home: str) -> float:
    """Bleed of a hit in its home mic, dB."""
    told = hit.bleed_db.get(home)
    return UNKNOWN_CLEAN_DB if told is None else told


def _table(table: Mapping[str, Mapping[str, Mapping[str, Row]]], corrected: Corrected, homes: Mapping[str, str],
           before: Mapping[str, str],
           less: Callable[[Row, Row | None], Row]) -> dict[str, dict[str, Mapping[str, Row]]]:
    """A table take -> drum -> mic re the drum's home mic, for the drums as they are now.

    ``less``: a mic's entry re a home mic whose own entry is given, None where it has none.
    """
    out: dict[str, dict[str, Mapping[str, Row]]] = {}
    for take, rows in table.items():
        out[take] = {}
        for name, raw in corrected.sources.items():
            source = next((each for each in raw if each in rows), None)
            if source is not None:
                row, home = rows[source], homes[name]
                out[take][name] = row if before[source] == home else {
                    mic: less(value, row.get(home)) for mic, value in row.items()}
    return out


def _less_db(value: float | None, home: float | None) -> float | None:
    """Difference of two levels; None where either is not known."""
    return None if value is None or home is None else value - home


def _less_delay(value: Delay, home: Delay | None) -> Delay:
    """A delay re another home mic; its spread against that one was not measured."""
    if home is None or value.ms is None or home.ms is None:
        return Delay()
    return Delay(value.ms - home.ms, None, min(value.hits, home.hits), _less_db(value.path_m, home.path_m))


def _less_bands(value: BandBleed, home: BandBleed | None) -> BandBleed:
    """Levels band by band re another home mic."""
    against = (None,) * len(value.bands_db) if home is None else home.bands_db
    return BandBleed(tuple(_less_db(a, b) for a, b in zip(value.bands_db, against, strict=True)), None,
                     0 if home is None else min(value.hits, home.hits))


def _views(views: Mapping[str, tuple[MicView, ...]], stands: Mapping[str, str]) -> dict[str, tuple[MicView, ...]]:
    """How loud other drums are in close mics, under the drums' new names; nothing of a drum that is a mic's own by
    now.
    """
    named = {take: [replace(v, own=stands.get(v.own, v.own), drum=stands.get(v.drum, v.drum)) for v in each]
             for take, each in views.items()}
    return {take: tuple(v for v in each if v.own != v.drum) for take, each in named.items()}


def corrected_hits(session: Session, hits: Sequence[Hit], overruled: Corrections,
                   before: release_lock.Released | None,
                   more: set[str]) -> tuple[Corrected, dict[release_lock.Stroke, release_lock.Held]]:
    """The hits that were found, as the user overruled them, and what a release holds of them. ``more``: names that mics
    can be dropped by, beside those of the session.

    Hits are first called what they were released as; what the user has said since comes after that.
    """
    rates = {take.name: take.sample_rate for take in session.takes}
    mics = _mics_and_pairs(session) | more
    if before is None:
        return handling.apply(hits, overruled, rates, mics), {}
    then = handling.apply(hits, Corrections(overruled.entries[:before.corrections]), rates, mics).hits
    there = release_lock.matched(then, before, rates)
    corrected = handling.apply(hits, Corrections((
        *overruled.entries[:before.corrections], *release_lock.restoring(then, there),
        *overruled.entries[before.corrections:])), rates, mics)
    return corrected, release_lock.held(corrected.hits, there, before, corrected.layer)


def _mics_and_pairs(session: Session) -> set[str]:
    """Every name under which a mic can be dropped."""
    mics = [mic for take in session.takes for mic in take.mics]
    return {mic.name for mic in mics} | {mic.pair for mic in mics if mic.pair}
