"""Coverage: what of a recording list a session has, alone or together with a kit that it expands, and what is still to
be played.

A hit can be used where its own close mics are graded A or B. The wanted span lies below the hardest usable hit of a
drum, in three equal parts: soft, medium and hard; hits spread evenly over them make even layers.

A kit's one-shots count in by the names of its drums and articulations; what lies in both, because the session holds the
kit's takes, too, counts once, as the kit's. Levels of the two mean the same only where the gains do, and those show in
the noise floors: where one has moved, each counts below its own hardest hit.
"""

from __future__ import annotations

import difflib
import math
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from oneshot.analysis.result import Analysis, FoundDrum
from oneshot.config.recording_list import Wanted
from oneshot.config.release_lock import REACH_S
from oneshot.core.records.hits import Hit, ordinary
from oneshot.core.records.kit import Kit, OneShot, TakeNoise
from oneshot.core.records.session import Session
from oneshot.session.mic_names import KINDS

STRENGTHS = ("soft", "medium", "hard")
USABLE = ("A", "B")
CUT_OFF = ("next stroke", "other sound")
"""Why a one-shot may end before its tail does."""
MOVED_DB = 3.0
"""Noise floors of a mic further apart were recorded at other gains: soft, medium and hard are 8 dB wide, so levels that
are off by less sort most hits alike (common practice, no source).
"""


@dataclass(frozen=True, slots=True)
class Covered:
    """One line of the list for one drum and articulation that was found, or for nothing found yet (``drum`` empty).

    ``usable``: hits per strength, soft to hard, the kit's among them; ``short``: how many of those end before their
    tail is as long as wanted, which count for nothing in ``missing``: hits still to be played per strength. ``in_kit``:
    those of ``usable`` that are a kit's; ``above_kit_db``: by how much the session's hardest is louder than the kit's,
    None where that cannot be told; ``apart``: why levels of the two cannot be compared, empty where they can;
    ``unknown_to_kit``: whether the kit has drums of this kind and none of this name; ``unknown``: of a line for which
    nothing was found, whether no drum or mic has its name, and no kind; ``nearest``: one that has, if any is near.
    """

    wanted: Wanted
    drum: str
    articulation: str
    usable: tuple[int, ...]
    short: int
    missing: tuple[int, ...]
    in_kit: tuple[int, ...] = (0,) * len(STRENGTHS)
    above_kit_db: float | None = None
    apart: str = ""
    unknown_to_kit: bool = False
    unknown: bool = False
    nearest: str = ""


@dataclass(frozen=True, slots=True)
class _Stroke:
    """A hit of the session or a one-shot of the kit. ``tail_s``: how long it may be heard, infinite where its tail
    ends by itself; ``usable`` as above, with a level that is known; ``news``: of a take that the kit does not have.
    """

    drum: str
    articulation: str
    level_db: float | None
    tail_s: float
    usable: bool
    in_kit: bool
    news: bool = False


def covered(session: Session, found: Analysis, grades: Mapping[int, str], wanted: Sequence[Wanted],
            kit: Kit | None = None) -> list[Covered]:
    """The list, line by line, against what was found. ``grades``: hit id -> grade in its own close mics; ``kit``: the
    kit that the session expands.
    """
    shared = _shared(session, found, kit)
    strokes = [*_of_kit(kit, session, found, shared), *_of_session(session, found, grades, kit, shared)]
    kinds = {drum.name: drum.kind for drum in ([] if kit is None else kit.drums)}
    homes = {drum.name: drum.home for drum in found.drums}
    own = frozenset(kinds)  # a name of the kit's goes before a kind, any other does not
    kinds |= {drum.name: drum.kind for drum in found.drums if drum.name not in kinds}
    out: list[Covered] = []
    for line, drums in zip(wanted, _drums_of(wanted, kinds, own, Counter(s.drum for s in strokes)), strict=True):
        rows = []
        for drum in drums:
            apart = "" if kit is None or drum not in own or drum not in homes else _moved(kit, found, homes[drum])
            stranger = drum not in own and kinds[drum] in {kinds[name] for name in own}
            rows += [_row([s for s in strokes if (s.drum, s.articulation) == (drum, way)], line, drum, way, apart,
                          stranger=stranger) for way in _ways(strokes, drum, line)]
        out += rows or [_not_there(line, {*kinds, *KINDS, *(mic.drum for take in session.takes for mic in take.mics
                                                            if mic.drum)})]
    return out


CYMBAL, WHICH = "cymbal", ("ride", "crash")
"""A cymbal that no name tells from others may be either."""


def _drums_of(wanted: Sequence[Wanted], kinds: dict[str, str], own: Collection[str],
              struck: Mapping[str, int]) -> list[list[str]]:
    """The drums that each line speaks of: that of its name, or those of its kind; for a ride or crash that is not there
    the cymbals that may be one, the most struck first.

    ``kinds``: name -> kind; ``own``: the names of the kit; ``struck``: name -> hits.
    """
    called = {name.casefold(): name for name in reversed(kinds)}
    out = []
    for line in wanted:
        name = called.get(line.drum.casefold(), "")
        named = name in own or (name and (not own or name not in kinds.values()))
        out.append([name] if named else [each for each in kinds if kinds[each] == line.drum.casefold()])
    loose = sorted({name for name, kind in kinds.items() if kind == CYMBAL}.difference(*out),
                   key=lambda name: (-struck[name], name))
    words = [line.drum.casefold() for line in wanted]
    missing = list(dict.fromkeys(word for word, drums in zip(words, out, strict=True) if word in WHICH and not drums))
    for word in missing:
        mine, loose = (loose, []) if word == missing[-1] else (loose[:1], loose[1:])
        out = [mine if each == word else drums for each, drums in zip(words, out, strict=True)]
    return out


def _not_there(line: Wanted, names: Collection[str]) -> Covered:
    """A line for which nothing was found; ``names``: all that a drum may be called here."""
    folded = {name.casefold(): name for name in sorted(names)}
    unknown = line.drum.casefold() not in folded
    near = difflib.get_close_matches(line.drum.casefold(), list(folded), n=1) if unknown else []
    return replace(_row([], line, "", "", "", stranger=False), unknown=unknown, nearest=folded[near[0]] if near else "")


def _row(strokes: Sequence[_Stroke], line: Wanted, drum: str, way: str, apart: str, *, stranger: bool) -> Covered:
    """One drum and articulation. ``apart`` as in ``Covered``."""
    usable = [s for s in strokes if s.usable]
    tops = [_top([s for s in usable if s.in_kit is kits]) for kits in (False, True)]
    mine, theirs = tops
    news = _top([s for s in usable if s.news])
    known = [top for top in tops if top is not None]
    counts, long = np.zeros((2, 2, len(STRENGTHS)), np.int64)
    for s in usable:
        own = theirs if s.in_kit else mine
        if s.level_db is not None and own is not None:
            strength = _strength((own if apart else max(known)) - s.level_db, line.span_db)
            counts[int(s.in_kit), strength] += 1
            long[int(s.in_kit), strength] += s.tail_s >= line.tail_s
    every = tuple(counts.sum(axis=0).tolist())
    return Covered(line, drum, way, every, int(counts.sum() - long.sum()), _missing(line, long.sum(axis=0).tolist()),
                   tuple(counts[1].tolist()), None if apart or news is None or theirs is None else news - theirs,
                   apart if len(known) == len(tops) else "", stranger)


def _top(strokes: Sequence[_Stroke]) -> float | None:
    """The level of the hardest, dB; None where none is known."""
    return max((s.level_db for s in strokes if s.level_db is not None), default=None)


def _strength(below_db: float, span_db: float) -> int:
    """The part of the span, 0 for soft, that a hit lies in which is so much softer than the hardest."""
    part = len(STRENGTHS) - 1 - math.floor(below_db / (span_db / len(STRENGTHS)))
    return min(max(part, 0), len(STRENGTHS) - 1)


def _ways(strokes: Sequence[_Stroke], drum: str, line: Wanted) -> list[str]:
    """The articulations of a drum that a line speaks of, the most frequent first; without a word of it, that one."""
    said = line.articulation.casefold()
    counts = Counter(s.articulation for s in strokes if s.drum == drum and said in ("", s.articulation.casefold()))
    ways = sorted(counts, key=lambda way: (-counts[way], way))
    return ways if line.articulation else ways[:1]


def _missing(line: Wanted, usable: Sequence[int]) -> tuple[int, ...]:
    """Hits still to be played per strength."""
    each = -(-line.hits // len(STRENGTHS))
    return tuple(max(0, each - count) for count in usable)


# ---------------------------------------------------------------------------------------------------------- the session


def _of_session(session: Session, found: Analysis, grades: Mapping[int, str], kit: Kit | None,
                shared: Mapping[str, Mapping[int, Hit]]) -> list[_Stroke]:
    """The session's hits that are not the kit's, called as the kit calls them."""
    theirs = {hit.id for hits in shared.values() for hit in hits.values()}
    out = []
    for drum in found.drums:
        hits = [hit for hit in found.hits if hit.drum == drum.name]
        called = _called(kit, drum, {hit.articulation for hit in hits})
        out += [_Stroke(drum.name, called[hit.articulation], hit.level_db, _tail_s(session, found, hit),
                        grades[hit.id] in USABLE and hit.level_db is not None, in_kit=False,
                        news=hit.take not in shared) for hit in hits if hit.id not in theirs]
    return out


def _called(kit: Kit | None, drum: FoundDrum, ways: set[str]) -> dict[str, str]:
    """The session's articulation of a drum -> the kit's name of it: its own, or the kit's for the ordinary stroke."""
    theirs = [way.name for each in ([] if kit is None else kit.drums) if each.name == drum.name
              for way in each.articulations]
    plain, usual = ordinary(sorted(ways)), ordinary(theirs)
    return {way: usual if usual is not None and way == plain and way not in theirs else way for way in ways}


def _tail_s(session: Session, found: Analysis, hit: Hit) -> float:
    """How long a hit may decay in its drum's home mic until the next stroke, s."""
    take = session.take(hit.take)
    homes = [drum.home for drum in found.drums if drum.name == hit.drum]
    follows = found.next_stroke(hit, homes, take.sample_rate)
    return ((take.frames if follows is None else follows) - hit.onset) / take.sample_rate


# -------------------------------------------------------------------------------------------------------------- the kit


def _of_kit(kit: Kit | None, session: Session, found: Analysis,
            shared: Mapping[str, Mapping[int, Hit]]) -> list[_Stroke]:
    """The one-shots of a kit. Of those whose recording the session holds, too, the tail is measured there."""
    if kit is None:
        return []
    hits = {hit.id: hit for hit in kit.hits}

    def tail_s(shot: OneShot) -> float:
        """How long one may be heard, s."""
        hit = hits[shot.hit]
        same = shared.get(hit.take, {}).get(hit.id)
        return _kept_s(shot, kit.session.take(hit.take).sample_rate) if same is None else _tail_s(session, found, same)

    return [_Stroke(shot.drum, shot.articulation, hits[shot.hit].level_db, tail_s(shot),
                    _grade(kit, shot) in USABLE and hits[shot.hit].level_db is not None, in_kit=True)
            for shot in kit.one_shots]


def _grade(kit: Kit, shot: OneShot) -> str:
    """The worst grade of a one-shot's files from its drum's own mics; that in its home mic where it has none."""
    own = {mic.name for take in kit.session.takes for mic in take.mics if mic.stands_at(shot.drum)}
    return max((file.grade for file in shot.files if own.intersection(file.mics)), default=shot.grade)


def _kept_s(shot: OneShot, take_rate: int) -> float:
    """How long a one-shot is heard, s; infinite where nothing cut its tail off."""
    if shot.ended_by not in CUT_OFF:
        return math.inf
    return max(((file.frames - file.onset_frame) / (file.sample_rate or take_rate) for file in shot.files), default=0.0)


def _shared(session: Session, found: Analysis, kit: Kit | None) -> dict[str, dict[int, Hit]]:
    """Of takes that kit and session both have (of one name, rate and length): take -> id of a kit's hit that has a
    one-shot -> the session's hit that it is, the nearest in time.
    """
    if kit is None:
        return {}
    theirs = {(take.name, take.sample_rate, take.frames) for take in kit.session.takes}
    used = {shot.hit for shot in kit.one_shots}
    out: dict[str, dict[int, Hit]] = {}
    for take in session.takes:
        if (take.name, take.sample_rate, take.frames) in theirs:
            mine = [hit for hit in found.hits if hit.take == take.name]
            out[take.name] = {}
            for hit in kit.hits:
                if hit.id in used and hit.take == take.name and mine:
                    near = min(mine, key=lambda each: abs(each.onset - hit.onset))
                    if abs(near.onset - hit.onset) <= REACH_S * take.sample_rate:
                        out[take.name][hit.id] = near
    return out


def _moved(kit: Kit, found: Analysis, home: str) -> str:
    """Why levels in the kit and in the session are not of one scale for a drum of that home mic; empty where they are.
    Every mic that both have has a say, since a hit's level is its energy in all mics together.
    """
    theirs, mine = _floors(kit.noise), _floors(found.noise)
    if home not in theirs or home not in mine:
        return f"the noise floor of {home} is not known in both"
    step = {mic: mine[mic] - theirs[mic] for mic in mine if mic in theirs}
    most = max(step, key=lambda mic: abs(step[mic]))
    if abs(step[most]) < MOVED_DB:
        return ""
    return (f"the noise floor of {most} is {abs(step[most]):.0f} dB {'higher' if step[most] > 0 else 'lower'} than in "
            "the kit")


def _floors(noise: Sequence[TakeNoise]) -> dict[str, float]:
    """Mic -> its noise floor, dBFS rms, the median of all takes in which it is known."""
    levels: dict[str, list[float]] = {}
    for take in noise:
        for mic, level in take.noise_dbfs.items():
            if level is not None:
                levels.setdefault(mic, []).append(level)
    return {mic: float(np.median(each)) for mic, each in levels.items()}
