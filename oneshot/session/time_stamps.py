"""Time stamps: where the files of a take lie in it, by the time of day that recorders write into them.

A stamp (``bext`` time reference, EBU Tech 3285) counts frames from midnight to the first frame of a file, so it begins
again at midnight, in the middle of a take perhaps: of two stamps, the way from one to the other is the shorter one
round the clock. A take is shorter than half a day.
"""

from __future__ import annotations

from collections.abc import Sequence

from oneshot.core.records.session import Problem
from oneshot.session.split_files import DAY_S, Recording

USUAL_RATES = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
"""Hz (AES5, from memory)."""
OFF = 1e-4
"""Two recorders without word clock run apart by no more: crystals are good to 50 ppm (common practice, no source)."""


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
    wrong = _mislabelled(files)
    right = [(s, f) for s, f in zip(at, files, strict=True) if all(f is not file for file, *_ in wrong)]
    problems += [Problem(take, f"{file.first.path.name} is {file.frames / length:.4f} times as long as the others, as "
                               f"audio at {actual} Hz is in a file that says {file.first.sample_rate} Hz",
                         "put the right rate into its header and convert it to that of the others: as it is, it has "
                         "another pitch and runs away from them") for file, length, actual in wrong]
    ends = [s + f.frames for s, f in right]
    if len(set(ends)) > 1:
        short, long = (right[ends.index(end)][1].parts[-1] for end in (min(ends), max(ends)))
        rate = short.sample_rate
        problems.append(Problem(take, f"its files differ in length: {short.path.name} ends at {min(ends) / rate:.3f} "
                                      f"s, {long.path.name} at {max(ends) / rate:.3f} s",
                                "look for the rest of the shorter ones, which are silent at the end, or check that all "
                                "start together"))
    return at


def _mislabelled(files: Sequence[Recording]) -> list[tuple[Recording, int, int]]:
    """The recordings whose length, against that of most others, is what audio of another usual rate has that was
    labelled with the take's: each with the length of the others, frames, and the rate that it seems to have. Of two
    files either may be the one, but not where one is just twice as long as the other.
    """
    lengths = [file.frames for file in files]
    if len(files) == 2 and not max(lengths) % min(lengths):
        return []
    for length in (each for each in dict.fromkeys(lengths) if 2 * lengths.count(each) > len(files) or len(files) == 2):
        found = [(file, length, actual) for file in files for actual in USUAL_RATES
                 if actual != file.first.sample_rate
                 and abs(file.frames * file.first.sample_rate / actual - length) <= max(1.0, OFF * length)]
        if found:
            return found
    return []


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
