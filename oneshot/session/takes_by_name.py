"""Takes in one folder, told apart by the names of their files: "Kick_T1" and "Kick_T2", "Kick take 2", "01-Kick-2".

A number in a name may as well be that of a drum ("Tom 1"), of a mic of a pair ("OH 2") or of a part of a recording
("Kick_001"). Files of a folder are several takes where every name carries a number of one kind, every number comes with
the same mics, and

- the number follows the word take ("take", "tk"), or
- time stamps put the numbers one after the other; or, without stamps, the lengths of all numbers differ and those of
  one number agree. Lengths say so only if a mic is among several that goes without a number by itself (a kick, a
  snare), and if no recording is in parts (``split_files.py``).

All of this is common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from oneshot.audio.io import Header
from oneshot.audio.riff import time_reference
from oneshot.core.records.roles import Role
from oneshot.session.mic_names import kind_of, role_of
from oneshot.session.split_files import recordings
from oneshot.session.time_stamps import later_by

_WORD = re.compile(r"(?<![A-Za-z])(?:take|tke|tk)[-_. #]*0*(?P<number>\d{1,4})(?![0-9A-Za-z])", re.IGNORECASE)
_NUMBERED = (re.compile(r"(?<![A-Za-z0-9])[Tt][-_. ]?0*(?P<number>\d{1,3})(?![0-9A-Za-z])"),
             re.compile(r"[-_. #]+0*(?P<number>\d{1,3})$"),
             re.compile(r"^0*(?P<number>\d{1,3})[-_. ]+(?=.*[A-Za-z])"))
"""By a "T", at the end, at the beginning."""
_WITHOUT_NUMBER = ("kick", "snare", "hat", "cowbell", "tambourine")
"""Kinds of drums of which a kit has one, as a rule."""
_MOST_APART_S = 1.0
"""Files of one take end within this time of each other, if lengths are to tell takes apart."""


@dataclass(frozen=True, slots=True)
class NamedTake:
    """One take of a folder: its number, its files, and the stem of each without what tells the take."""

    number: int
    headers: tuple[Header, ...]
    stems: Mapping[Path, str]


def takes_by_name(headers: Sequence[Header]) -> list[NamedTake]:
    """The takes that the files of a folder belong to, by number; none where all are one take. AudioError as
    ``recordings``.
    """
    found = _grouped(_WORD, headers)
    if found:
        return found
    for pattern in _NUMBERED:
        found = _grouped(pattern, headers)
        if found and not any(len(each.parts) > 1 for each in recordings(headers)) and _apart(found):
            return found
    return []


def _grouped(pattern: re.Pattern[str], headers: Sequence[Header]) -> list[NamedTake]:
    """The files by the number that the pattern finds in their names; none where a name has none, or where not every
    number comes with the same mics.
    """
    groups: dict[int, dict[str, Header]] = {}
    stems: dict[Path, str] = {}
    for header in headers:
        stem = header.path.stem
        match = list(pattern.finditer(stem))[-1:]
        if not match:
            return []
        rest = _without(stem, match[0])
        mics = groups.setdefault(int(match[0]["number"]), {})
        if not re.search(r"[^\W\d_]", rest) or rest.casefold() in mics:
            return []
        mics[rest.casefold()] = header
        stems[header.path] = rest
    if len(groups) < 2 or len({frozenset(mics) for mics in groups.values()}) > 1:
        return []
    return [NamedTake(number, tuple(mics.values()), {h.path: stems[h.path] for h in mics.values()})
            for number, mics in sorted(groups.items())]


def _without(stem: str, match: re.Match[str]) -> str:
    """A name without what was found in it, and with one of the marks that stood around it."""
    left, right = stem[:match.start()].rstrip(" -_.#"), stem[match.end():].lstrip(" -_.")
    joint = stem[len(left):match.start()][:1] or " "
    return f"{left}{joint}{right}" if left and right else left or right


def _apart(takes: Sequence[NamedTake]) -> bool:
    """Whether time stamps, or else lengths, say that those are takes."""
    stamps = [[time_reference(header.path) for header in take.headers] for take in takes]
    known = [[stamp for stamp in row if stamp is not None] for row in stamps]
    if all(len(row) == len(take.headers) for row, take in zip(known, takes, strict=True)):
        return _one_after_the_other(takes, known)
    return not any(known) and _lengths_tell(takes)


def _one_after_the_other(takes: Sequence[NamedTake], stamps: Sequence[Sequence[int]]) -> bool:
    """Whether each take ends before the next one begins, in the order of time."""
    rate, first = takes[0].headers[0].sample_rate, stamps[0][0]
    spans = sorted((min(at), max(a + h.frames for a, h in zip(at, take.headers, strict=True)))
                   for take, at in zip(takes, ([later_by(s, first, rate) for s in row] for row in stamps), strict=True))
    return all(stop <= start for (_, stop), (start, _) in pairwise(spans))


def _lengths_tell(takes: Sequence[NamedTake]) -> bool:
    """Whether files of one take are of one length, those of different takes are not, and some mic needs no number."""
    spans = sorted((min(h.frames for h in take.headers), max(h.frames for h in take.headers)) for take in takes)
    within = max(longest - shortest for shortest, longest in spans)
    if within > _MOST_APART_S * takes[0].headers[0].sample_rate:
        return False
    return (len(takes[0].headers) > 1 and all(start - stop > within for (_, stop), (start, _) in pairwise(spans))
            and any(not _may_be_numbered(stem) for stem in takes[0].stems.values()))


def _may_be_numbered(stem: str) -> bool:
    """Whether a mic of that name may have a number that says nothing of takes: a tom, an overhead, anything unknown."""
    guess = role_of(stem)
    if guess.role is not Role.CLOSE or guess.drum is None:
        return True
    return kind_of(guess.drum) not in _WITHOUT_NUMBER and not guess.drum[-1].isdigit()
