"""Parts: recordings that a recorder wrote into several files, put together again.

Recorders begin a new file when one is full (2 or 4 GB are limits of RIFF sizes and of card formats) or every so many
minutes, and number them: "Kick_001", "Kick_002". But "Tom 1" and "Tom 2" are two mics. So numbers alone join nothing;
files are parts of one recording

- where their time stamps say so: each begins on the frame on which the one before it ends (past midnight, stamps may
  count on or begin again); or,
- where no file of the take carries a stamp: where every file is numbered, each name has the same numbers, the files of
  one number are of one length, all but the last number's are of one length, and that last one is shorter. Mics that
  are numbered are of one length instead. Of two numbers, the first one's length has nothing to agree with: it must be
  one at which recorders begin a new file, a limit of bytes or whole minutes (common practice, no source).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from oneshot.audio.io import Header, sample_bytes
from oneshot.audio.riff import time_reference

_NUMBERED = re.compile(r"(?P<name>.+?)[-_. ]*(?P<number>\d+)")
DAY_S = 86_400
"""After so many seconds, time stamps begin again."""
_LIMITS = (10**9, 2**30, 2 * 10**9, 2**31, 4 * 10**9, 2**32)
"""Bytes at which recorders begin a new file: some make it 1, 2 or 4 GB, and RIFF ends at 4 GiB."""
_NEARLY = 0.97
_FIRST = -1
"""Stands for the number of a file that has none: some recorders number from the second file on."""


@dataclass(frozen=True, slots=True)
class Recording:
    """One recording of a take: ``name`` as its file's stem (without what tells its take, if it does), without the
    number where it has several ``parts``, which stand in order of time. ``stamp``: frames from midnight to its first
    frame, None where nothing says.
    """

    name: str
    parts: tuple[Header, ...]
    stamp: int | None

    @property
    def first(self) -> Header:
        """The first file, which speaks for all of them."""
        return self.parts[0]

    @property
    def frames(self) -> int:
        """Length of all parts together."""
        return sum(part.frames for part in self.parts)


def recordings(headers: Sequence[Header], stems: Mapping[Path, str] | None = None) -> list[Recording]:
    """The recordings that the files of one take hold, in the order of their first files. ``stems``: what files are
    called, where that is not their stem.

    Raises AudioError where a file cannot be read.
    """
    stems = {header.path: header.path.stem for header in headers} if stems is None else stems
    stamps = {header.path: time_reference(header.path) for header in headers}
    groups = _by_name(headers, stems)
    split = _by_stamps(groups, stamps)
    if not split and len(headers) and all(stamp is None for stamp in stamps.values()):
        split = _by_lengths(groups, len(headers))
    of = {part.path: (name, parts) for name, parts in split.items() for part in parts}
    out: list[Recording] = []
    for header in headers:
        name, parts = of.get(header.path, (stems[header.path], (header,)))
        if header == parts[0]:
            out.append(Recording(name, parts, stamps[header.path]))
    return out


def _by_name(headers: Sequence[Header], stems: Mapping[Path, str]) -> dict[str, tuple[tuple[int, Header], ...]]:
    """Name without number -> numbers and files in order, of names that stand for several files of one kind."""
    groups: dict[str, list[tuple[int, Header]]] = {}
    for header in headers:
        match = _NUMBERED.fullmatch(stems[header.path])
        if match:
            groups.setdefault(match["name"], []).append((int(match["number"]), header))
    for header in headers:
        if stems[header.path] in groups:
            groups[stems[header.path]].append((_FIRST, header))
    return {name: tuple(sorted(files, key=lambda file: file[0])) for name, files in groups.items()
            if len(files) > 1 and len({(h.channels, h.sample_rate, h.subtype, h.format) for _, h in files}) == 1
            and len({number for number, _ in files}) == len(files)}


def _by_stamps(groups: dict[str, tuple[tuple[int, Header], ...]],
               stamps: dict[Path, int | None]) -> dict[str, tuple[Header, ...]]:
    """The groups in which each file begins where the one before it ends."""
    out = {}
    for name, files in groups.items():
        times = [stamps[header.path] for _, header in files]
        if all(a is not None and b is not None and (b - a - header.frames) % (DAY_S * header.sample_rate) == 0
               for (a, b), (_, header) in zip(pairwise(times), files, strict=False)):
            out[name] = tuple(header for _, header in files)
    return out


def _by_lengths(groups: dict[str, tuple[tuple[int, Header], ...]], files: int) -> dict[str, tuple[Header, ...]]:
    """All groups, where every one of a take's files is in one and their lengths are those of parts; else none."""
    if len(groups) < 2 or sum(map(len, groups.values())) != files:
        return {}
    shapes = {tuple((number, header.frames) for number, header in group) for group in groups.values()}
    if len(shapes) != 1:
        return {}
    (shape,) = shapes
    *full, last = [frames for _, frames in shape]
    numbers = [number for number, _ in shape]
    if any(b - a != 1 for a, b in pairwise(numbers)) or len(set(full)) != 1 or last >= full[0]:
        return {}
    if len(full) == 1 and not any(_is_full(group[0][1]) for group in groups.values()):
        return {}
    return {name: tuple(header for _, header in group) for name, group in groups.items()}


def _is_full(header: Header) -> bool:
    """Whether a file is as long as one that is full: close below a limit of bytes, or whole minutes to a second."""
    size = header.frames * header.channels * sample_bytes(header.subtype)
    minutes = header.frames / header.sample_rate / 60
    return (any(_NEARLY * limit <= size <= limit for limit in _LIMITS)
            or (minutes > 0.9 and abs(minutes - round(minutes)) <= 1 / 60))
