"""Corrections: what the user overruled, as a plain text file, and the one pure function that applies it.

A hit is known by its take and its place, not by its number, so a correction survives another analysis with other
settings: it finds the hit nearest to its frame, up to ``REACH_S`` away. One that no longer finds its hit is told,
never dropped in silence.

The file::

    format = "oneshot-corrections"
    version = 1

    [[reject]]              # never make a one-shot of this hit
    take = "take 1"
    frame = 123456

    [[keep]]                # make one whatever its grade
    take = "take 1"
    frame = 234567

    [[rename]]              # a drum, or one articulation of it
    drum = "drum-1"
    articulation = "hit"    # leave out to rename the drum itself
    to = "cowbell"
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from oneshot.model import Hit, Partner, Problem, SettingsError

FORMAT = "oneshot-corrections"
REACH_S = 0.010

EMPTY_TEXT = '''# What you overrule; it survives every rebuild.
# A hit is known by its take and its frame (see hits.csv). Uncomment and repeat as often as needed.
format = "oneshot-corrections"
version = 1

# [[reject]]              # never make a one-shot of this hit
# take = "take 1"
# frame = 123456

# [[keep]]                # make one, whatever its grade
# take = "take 1"
# frame = 234567

# [[rename]]              # a drum, or with `articulation` one way of striking it
# drum = "drum-1"
# to = "cowbell"
'''
"""What a new kit's corrections.toml holds."""


@dataclass(frozen=True, slots=True)
class Place:
    """A hit by its take and frame."""

    take: str
    frame: int


@dataclass(frozen=True, slots=True)
class Rename:
    """A new name for a drum, or for one articulation of it."""

    drum: str
    to: str
    articulation: str | None = None


@dataclass(frozen=True, slots=True)
class Corrections:
    """Everything that was overruled."""

    reject: tuple[Place, ...] = ()
    keep: tuple[Place, ...] = ()
    rename: tuple[Rename, ...] = ()


@dataclass(frozen=True, slots=True)
class Corrected:
    """Hits after the corrections, the ids that must not and must become one-shots, and what could not be applied."""

    hits: tuple[Hit, ...]
    rejected: frozenset[int]
    wanted: frozenset[int]
    problems: tuple[Problem, ...]


def load(path: Path) -> Corrections:
    """Read a corrections file; one that does not exist corrects nothing.

    Raises SettingsError with one clear line where the file is no TOML, of another format or version, or holds a bad
    value.
    """
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return Corrections()
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path} cannot be read ({error}): check the file") from None
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{path} is not valid TOML ({error}): correct that line") from None
    return parse(table, path.name)


def parse(table: Mapping[str, Any], where: str) -> Corrections:
    """Corrections from a parsed file. Raises SettingsError, naming ``where``."""
    if table.get("format") != FORMAT or table.get("version") != 1:
        raise SettingsError(f'{where} must say format = "{FORMAT}" and version = 1; this one says '
                            f"{table.get('format')!r} and {table.get('version')!r}")
    for key in sorted(set(table) - {"format", "version", "reject", "keep", "rename"}):
        raise SettingsError(f"{where}: {key} is no correction: use reject, keep or rename")
    return Corrections(
        reject=tuple(_place(entry, f"{where}: reject") for entry in _entries(table, "reject", where)),
        keep=tuple(_place(entry, f"{where}: keep") for entry in _entries(table, "keep", where)),
        rename=tuple(_rename(entry, f"{where}: rename") for entry in _entries(table, "rename", where)),
    )


def _entries(table: Mapping[str, Any], name: str, where: str) -> list[Mapping[str, Any]]:
    entries = table.get(name, [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise SettingsError(f"{where}: write each {name} as a [[{name}]] table")
    return entries


def _place(entry: Mapping[str, Any], where: str) -> Place:
    take, frame = entry.get("take"), entry.get("frame")
    if not isinstance(take, str) or not isinstance(frame, int) or isinstance(frame, bool) or frame < 0 \
            or set(entry) != {"take", "frame"}:
        raise SettingsError(f"{where} needs a take (text) and a frame (a whole number from 0 on), and nothing else")
    return Place(take, frame)


def _rename(entry: Mapping[str, Any], where: str) -> Rename:
    drum, to, articulation = entry.get("drum"), entry.get("to"), entry.get("articulation")
    if not isinstance(drum, str) or not isinstance(to, str) or not isinstance(articulation, str | None) \
            or set(entry) - {"drum", "to", "articulation"}:
        raise SettingsError(f"{where} needs a drum and its new name in `to` (texts), and may name an articulation")
    name = safe_name(to)
    if not name:
        raise SettingsError(f"{where}: {to!r} holds no letter or digit that a file name could show")
    return Rename(drum, name, articulation)


def safe_name(text: str) -> str:
    """A name as the kit's folders show it: lower-case ASCII letters, digits and single hyphens, at most 24
    characters.
    """
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:24].strip("-")


def apply(hits: Sequence[Hit], corrections: Corrections, rates: Mapping[str, int]) -> Corrected:
    """Apply the corrections; a new record, nothing is changed in place.

    ``rates``: sample rate of each take. With no corrections the hits come back as they were.
    """
    problems: list[Problem] = []
    named = tuple(_renamed(hit, corrections.rename) for hit in hits)
    known = {(hit.drum, hit.articulation) for hit in hits}
    for entry in corrections.rename:
        if not any(d == entry.drum and entry.articulation in (None, a) for d, a in known):
            what = f"{entry.drum}/{entry.articulation}" if entry.articulation else entry.drum
            problems.append(Problem("corrections.toml", f"nothing is called {what}",
                                    "correct or delete that rename"))
    rejected = _find(hits, corrections.reject, rates, "reject", problems)
    wanted = _find(hits, corrections.keep, rates, "keep", problems)
    return Corrected(named, rejected, wanted - rejected, tuple(problems))


def _renamed(hit: Hit, renames: Sequence[Rename]) -> Hit:
    drum, articulation = hit.drum, hit.articulation
    drums = {r.drum: r.to for r in renames if r.articulation is None}
    strokes = {(r.drum, r.articulation): r.to for r in renames if r.articulation is not None}
    return replace(
        hit, drum=drums.get(drum, drum), articulation=strokes.get((drum, articulation), articulation),
        partners=tuple(Partner(drums.get(p.drum, p.drum), p.level_db) for p in hit.partners))


def _find(hits: Sequence[Hit], places: Sequence[Place], rates: Mapping[str, int], name: str,
          problems: list[Problem]) -> frozenset[int]:
    found = set()
    for place in places:
        near = [h for h in hits if h.take == place.take and abs(h.onset - place.frame) <= REACH_S * rates[h.take]]
        if near:
            found.add(min(near, key=lambda h: (abs(h.onset - place.frame), h.id)).id)
        else:
            what = f"{name}: no hit at frame {place.frame} of {place.take}"
            problems.append(Problem("corrections.toml", what, "find the hit in hits.csv, or delete the entry"))
    return frozenset(found)
