"""Time stamps: where the files of a take lie in it, by the time of day that recorders write into them.

A stamp (``bext`` time reference, EBU Tech 3285) counts frames from midnight to the first frame of a file, so it begins
again at midnight, in the middle of a take perhaps: of two stamps, the way from one to the other is the shorter one
round the clock. A take is shorter than half a day.
"""

from __future__ import annotations

from collections.abc import Sequence

from oneshot.core.records.session import Problem
from oneshot.session.split_files import DAY_S, Recording


def later_by(stamp: int, than: int, rate: int) -> int:
    """By how many frames a stamp lies after another, -12 to 12 hours. ``rate``: Hz."""
    day = DAY_S * rate
    return (stamp - than + day // 2) % day - day // 2


def starts(take: str, files: Sequence[Recording], problems: list[Problem]) -> list[int]:
    """The take frame at which each recording starts, the earliest at 0; tells where stamps cannot be used and where
    files end at different times.

    Stamps count where they differ and all files that carry one share at least half of the shortest of them. A file
    without a stamp then starts with those of its length, where these started together, and else with the earliest.
    """
    at = _by_stamps(take, files, problems)
    ends = [s + f.frames for s, f in zip(at, files, strict=True)]
    if len(set(ends)) > 1:
        short, long = files[ends.index(min(ends))].parts[-1], files[ends.index(max(ends))].parts[-1]
        rate = short.sample_rate
        problems.append(Problem(take, f"its files differ in length: {short.path.name} ends at {min(ends) / rate:.3f} "
                                      f"s, {long.path.name} at {max(ends) / rate:.3f} s",
                                "look for the rest of the shorter ones, which are silent at the end, or check that all "
                                "start together"))
    return at


def _by_stamps(take: str, files: Sequence[Recording], problems: list[Problem]) -> list[int]:
    stamped = [(file, file.stamp) for file in files if file.stamp is not None]
    if len({stamp for _, stamp in stamped}) < 2:
        return [0] * len(files)
    rate, first = files[0].first.sample_rate, stamped[0][1]
    offsets = [later_by(stamp, first, rate) for _, stamp in stamped]
    known = {id(file): offset - min(offsets) for (file, _), offset in zip(stamped, offsets, strict=True)}
    shared = min(known[id(file)] + file.frames for file, _ in stamped) - max(known.values())
    if shared < min(file.frames for file, _ in stamped) / 2:
        problems.append(Problem(take, "the time stamps of its files are too far apart for one take, so all are "
                                      "assumed to start together", "check that they do, or split the takes"))
        return [0] * len(files)
    for file in files:
        if file.stamp is None:
            alike = {known[id(other)]: other for other, _ in stamped if other.frames == file.frames}
            at, other = next(iter(alike.items())) if len(alike) == 1 else (0, None)
            with_whom = f"with {other.first.path.name}, which is as long" if other is not None else "with the earliest"
            problems.append(Problem(take, f"its files have different time stamps, but {file.first.path.name} has none: "
                                          f"it is assumed to start {with_whom}", "check that it does"))
            known[id(file)] = at
    return [known[id(file)] for file in files]
