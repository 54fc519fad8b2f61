"""Corrections: the one pure function that applies what the user overruled, and what it comes to for each hit.

A hit is known by its take and its place, not by its number, so a correction survives another analysis with other
settings: it finds the hit nearest to its frame, up to ``corrections.REACH_S`` away. One that no longer finds its hit,
drum or mic is told, never dropped in silence.

Entries count from top to bottom, each in the kit as those above it left it. Renames that stand one after the other
are taken together, so that two drums can swap names; a name that is still taken after that is refused and told, since
``merge`` is what joins. Of entries that set the same thing, the one that speaks more narrowly counts (hit before layer
before articulation before drum); of two that speak alike of a hit the later one counts, and that is told.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from oneshot.config.corrections import Corrected, Overruling
from oneshot.config.corrections_file import Correction, Corrections, safe_name
from oneshot.core.records.hits import Hit
from oneshot.core.records.session import Problem


@dataclass(frozen=True, slots=True)
class Told:
    """What the analysis must know: a hit of one of ``drums`` (as the analysis calls them; any where empty) is at that
    place; ``missed``: even where it finds nothing.
    """

    take: str
    frame: int
    drums: frozenset[str]
    missed: bool


@dataclass(frozen=True, slots=True)
class Merged:
    """Drums, as the analysis calls them, that are merged into one: the first that there is counts; and the name of the
    one.
    """

    drums: tuple[str, ...]
    name: str


@dataclass(frozen=True, slots=True)
class ForAnalysis:
    """What the analysis must know of the corrections: places of ``hits``, and the drums that are ``merged``, whose
    articulations are told apart together.
    """

    hits: tuple[Told, ...] = ()
    merged: tuple[Merged, ...] = ()


NOTHING = ForAnalysis()
"""Nothing that the analysis must know."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Handling:
    """How one hit's files are to be made. None: as the recipe says. Times in ms, ``end_ms`` after the attack."""

    nudge_frames: int = 0
    end_ms: float | None = None
    fade_in_ms: float | None = None
    fade_out_ms: float | None = None
    gain_db: float = 0.0
    dropped: frozenset[str] = frozenset()


def apply(hits: Sequence[Hit], corrections: Corrections, rates: Mapping[str, int],
          mics: Collection[str] | None = None) -> Corrected:
    """Apply the corrections; a new record, nothing is changed in place.

    ``rates``: sample rate of each take; ``mics``: names of all mics and pairs, None where they need no check. With no
    corrections the hits come back as they were.
    """
    work = Overruling(hits, rates, mics)
    for renaming, run in groupby(corrections.entries, key=lambda entry: entry.kind == "rename"):
        if renaming:
            work.rename(list(run))
        else:
            for entry in run:
                work.do(entry)
    return work.finish()


def told_to_analysis(corrections: Corrections) -> ForAnalysis:
    """The places of hits that were added, and of hits moved to another drum, so that they are measured as such; and the
    drums that were merged.
    """
    out: list[Told] = []
    for at, entry in enumerate(corrections.entries):
        name = entry.drum if entry.kind == "add" else entry.to if entry.kind == "move" else None
        if entry.kind == "add" or name is not None:
            drums = frozenset() if name is None else _earlier_names(corrections.entries[:at], name)
            out += [Told(p.take, p.frame, drums, entry.kind == "add") for p in entry.hits]
    return ForAnalysis(tuple(out), _merged(corrections.entries))


def _merged(entries: Sequence[Correction]) -> tuple[Merged, ...]:
    """The drums that end as one, under their names before all entries.

    Where an earlier entry speaks of an articulation of one of them, they keep the articulations that they had: what was
    said of those would not hold for others.
    """
    out: list[Merged] = []
    for at, entry in enumerate(entries):
        if entry.kind != "merge" or entry.drum is not None:
            continue
        to = safe_name(entry.to or "")
        if any(each.drum in {*entry.drums, to} and (each.articulation or each.articulations) for each in entries[:at]):
            continue
        names = [name for each in (to, *entry.drums) for name in sorted(_earlier_names(entries[:at], each))]
        joined = [other for other in out if set(other.drums) & set(names)]
        names += [name for other in joined for name in other.drums]
        out = [other for other in out if other not in joined] + [Merged(tuple(dict.fromkeys(names)), to)]
    return tuple(out)


def _earlier_names(entries: Sequence[Correction], name: str) -> frozenset[str]:
    """What a drum of that name was called before those entries; several names where drums were merged into it."""
    names = {name}
    for entry in reversed(entries):
        if entry.kind == "rename" and entry.articulation is None and names & {entry.to, safe_name(entry.to or "")}:
            names = (names - {entry.to, safe_name(entry.to or "")}) | {entry.drum or ""}
        elif entry.kind == "merge" and entry.drum is None and names & {entry.to, safe_name(entry.to or "")}:
            names |= set(entry.drums)
    return frozenset(names)


def handling(corrected: Corrected, hits: Iterable[Hit], rates: Mapping[str, int]) -> dict[int, Handling]:
    """How each hit that an entry speaks of is to be handled, by its id; ``hits`` carry the layers they ended in."""
    out: dict[int, Handling] = {}
    for hit in hits:
        # wide before narrow, earlier before later: what comes last counts
        mine = sorted((s for s in corrected.settings if hit.id in s.ids and s.layer in (None, hit.layer)),
                      key=lambda s: -s.width)
        found = Handling()
        for setting in mine:
            found = _handled(found, setting.entry, rates[hit.take])
        if found != Handling():
            out[hit.id] = found
    return out


def unmet(corrected: Corrected, hits: Sequence[Hit]) -> tuple[Problem, ...]:
    """A problem for each entry about a layer that no hit of ``hits``, which carry their layers, ended in."""
    layers = {hit.id: hit.layer for hit in hits}
    return tuple(Problem("corrections.toml", f"{s.entry.word}: {s.entry.drum} has no layer {s.layer}"
                         + (f" in articulation {s.entry.articulation}" if s.entry.articulation else ""),
                         "see hits.csv for its layers, or delete the entry")
                 for s in corrected.settings
                 if s.layer is not None and s.ids & set(layers) and not any(layers.get(k) == s.layer for k in s.ids))


def _handled(so_far: Handling, entry: Correction, rate: int) -> Handling:
    """The handling with one entry's say."""
    match entry.kind:
        case "nudge":
            frames = entry.frames if entry.frames is not None else round((entry.ms or 0.0) * rate / 1000)
            return replace(so_far, nudge_frames=frames)
        case "end":
            return replace(so_far, end_ms=entry.after_ms)
        case "fade":
            return replace(so_far, fade_in_ms=so_far.fade_in_ms if entry.in_ms is None else entry.in_ms,
                           fade_out_ms=so_far.fade_out_ms if entry.out_ms is None else entry.out_ms)
        case "gain":
            return replace(so_far, gain_db=entry.gain_db or 0.0)
        case "drop":
            return replace(so_far, dropped=so_far.dropped | set(entry.mics))
    return so_far
