"""Take groups: which takes share a drum's velocity layers and round robins, and which keep a set of their own.

Round robins must come from one room and one set of mics, or the ear hears the room change. So for each drum its takes
are compared by everything that a moved mic, another gain, a retuned or exchanged drum changes:

- the sample rate, which mics there are, their polarity;
- how much later the sound reaches each mic (10 cm are 0.3 ms);
- the level of the drum in each mic against the others, over hits clear of bleed there;
- pitch and spectrum in the home mic.

Only hits of one articulation and of like strength are compared, since a hard stroke is brighter, and a rim reaches the
mics from another side than the centre.

A difference counts only as far as it exceeds the spread of the readings within one take. What is clearly different
keeps takes apart, whatever the recipe says short of "all"; what may be is in doubt, and the recipe decides. The limits
are common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from oneshot.analysis.measurement.hit_features import examine, levels_db
from oneshot.analysis.measurement.onsets import CYMBALS
from oneshot.analysis.measurement.similarity import Measured
from oneshot.analysis.pooling import Pooling
from oneshot.analysis.result import Findings, FoundDrum
from oneshot.core.arrays import nan_median
from oneshot.core.grades import reaches
from oneshot.core.records.hits import Delay, Hit
from oneshot.core.records.session import Floats, Mic, Problem, Session, Take

DOUBT_MS, APART_MS = 0.3, 0.6
"""A mic moved by 10 cm, and by 20; the same drum struck at its centre and at its rim differs by up to 0.5 ms."""
CYMBAL_SWING = 2.0
"""Delays of cymbals are allowed so many times more: they swing."""
DOUBT_DB, APART_DB = 3.0, 4.5
"""A mic's level against the others: a fader or a preamp set differently, a mic turned away."""
DOUBT_CENTS, APART_CENTS = 35.0, 70.0
"""A drum that goes out of tune over an evening, and one that was retuned."""
MOST_CENTS, SAME_CENTS = 700.0, 25.0
"""Tunings further apart are another drum, and shown by spectrum; partials this near are one."""
AGREE_SHARE, NEARLY = 0.6, 0.85
"""So many pairs of hits must agree on a step; of steps that nearly as many agree on, the smallest is meant."""
DOUBT_SOUND_DB, APART_SOUND_DB = 3.0, 6.0
"""Mean difference over bands and parts of a hit: fresh heads, and another drum."""
ERRORS = 3.0
"""A difference counts as far as it exceeds so many standard errors of the difference of medians."""
MEDIAN_ERROR = 1.25
"""Standard error of a median against that of a mean, for normal readings (handbook value, from memory)."""

FEWEST_HITS = 4
"""Fewer readings are no evidence."""
MOST_HITS = 24
"""Hits of a drum and take that are read to compare their sound, the cleanest."""
CARRIES_DB = 25.0
"""What lies further below the strongest part of a hit does not characterise it."""
SIMILAR_DB = 4.0
"""Hits up to this far apart in level are compared."""

GOOD = "B"
"""Hits of this grade in the home mic speak for their set: others play for want of better."""
RANGE_STEP_DB = 3.0
"""Sets whose dynamic ranges hold equally many of these steps are equally wide: velocity layers lie so far apart."""

RANGE_PERCENTILES = (5.0, 95.0)
"""Between these levels a dynamic range is read, so that of many hits a single one does not widen it."""

SET = "{}-set-{}"
"""What the articulations of a second set are called."""
_SET = re.compile(r"(.+)-set-([0-9]{1,3})")


def set_of(articulation: str) -> tuple[str, int]:
    """Of which articulation a set is, and the how-manieth: "hit-set-2" the second of "hit"; "hit" is its own first."""
    found = _SET.fullmatch(articulation)
    return (articulation, 1) if found is None else (found[1], int(found[2]))


@dataclass(frozen=True, slots=True)
class Difference:
    """How two takes of one drum differ: ``size`` 1 is where doubt begins, ``clear`` whether there is none left;
    ``lacking``: the mic that only one of them has.
    """

    what: str
    size: float
    clear: bool
    lacking: str | None = None


@dataclass(frozen=True, slots=True)
class Read:
    """What was measured of some hits of each drum and take: their sound in the home mic, and their levels in the other
    mics.
    """

    measured: Mapping[int, Measured]
    levels_db: Mapping[int, Mapping[str, float]]

    def hits(self, found: Findings, drum: FoundDrum, way: str, take: Take) -> list[Hit]:
        """The hits of a drum, articulation and take that were measured."""
        return [h for h in found.hits if (h.drum, h.articulation, h.take) == (drum.name, way, take.name)
                and (h.id in self.measured or h.id in self.levels_db)]


def pool(session: Session, found: Findings, pooling: Pooling) -> tuple[Findings, tuple[Problem, ...]]:
    """The findings with the articulations of a drum's second and further sets named as such, and what to report of it.

    Takes of different sample rates never share a set. Raises AudioError where a file cannot be read.
    """
    if len(session.takes) < 2:
        return found, ()
    read = _read(session, found) if pooling.how in ("alike", "in doubt") else Read({}, {})
    names: dict[int, str] = {}
    told: list[Problem] = []
    for drum in found.drums:
        takes = [take for take in session.takes if any(h.drum == drum.name and h.take == take.name for h in found.hits)]
        sets, problems = _sets(found, drum, takes, read, pooling)
        told += problems
        names |= _named(found, drum, sets, session)
    return replace(found, hits=tuple(replace(h, articulation=names[h.id]) for h in found.hits)), tuple(told)


def _sets(found: Findings, drum: FoundDrum, takes: Sequence[Take], read: Read,
          pooling: Pooling) -> tuple[list[list[Take]], list[Problem]]:
    """The takes of a drum by the sets they make, and why."""
    sets: list[list[Take]] = []
    told = []
    for take in takes:
        against: list[tuple[str, Difference]] = []
        for members in sets:
            differences = [(other.name, d) for other in members
                           if (d := difference(found, drum, other, take, read, pooling)) is not None]
            if not differences:
                members.append(take)
                break
            against += differences
        else:
            sets.append([take])
            if against and pooling.how in ("alike", "in doubt"):
                told.append(_own_set_problem(drum, take, against, pooling.how))
    return sets, told


def _own_set_problem(drum: FoundDrum, take: Take, against: Sequence[tuple[str, Difference]], how: str) -> Problem:
    """What to report of a take that keeps a set of its own."""
    other, most = max(against, key=lambda each: (each[1].clear, each[1].size))
    todo = ('nothing, if that is right; choose.pool_takes = "in doubt" pools them'
            if how == "alike" and not most.clear else
            'nothing, if that is right; choose.pool_takes = "all" pools them')
    if most.lacking not in (None, drum.home):
        todo += f", and so does export.mics without {most.lacking}, unless they differ otherwise"
    return Problem(drum.name, f"{take.name} is kept as a separate set: compared with {other}, {most.what}", todo)


def difference(found: Findings, drum: FoundDrum, one: Take, other: Take, read: Read,
               pooling: Pooling) -> Difference | None:
    """The largest difference that keeps two takes of a drum apart; None where they may share a set."""
    if one.sample_rate != other.sample_rate:
        return Difference("its sample rate differs", 99.0, True)
    if pooling.how == "none":
        return Difference("choose.pool_takes is \"none\"", 99.0, True)
    if pooling.how == "all":
        return None
    every = [*_mics(found, drum, one, other, pooling.unheard), *_delays(found, drum, one, other),
             *_levels(found, drum, one, other, read), *_sounds(found, drum, one, other, read)]
    against = [d for d in every if d.clear or (d.size >= 1 and pooling.how == "alike")]
    return max(against, key=lambda d: (d.clear, d.size), default=None)


# ---------------------------------------------------------------------------------------------------- what may differ


def _exported(found: Findings, drum: FoundDrum, take: Take) -> dict[str, Mic]:
    """The mics in which a drum is usually exported and that are no dead lines."""
    live = {name for noise in found.noise if noise.take == take.name
            for name, level in noise.noise_dbfs.items() if level is not None}
    return {m.name: m for m in take.mics if m.name in live and (
        m.stands_at(drum.name) or m.role.means.far or m.name == drum.home)}


def _mics(found: Findings, drum: FoundDrum, one: Take, other: Take, unheard: Sequence[str]) -> list[Difference]:
    """Mics that only one of them has, or that are declared to be the other way round in one of them. ``unheard`` ones
    make no difference, save a drum's home mic, in which its hits are measured.
    """
    mine, theirs = _exported(found, drum, one), _exported(found, drum, other)
    out = [Difference(f"it has {'no' if name in mine else 'also'} {name}", 99.0, True, name)
           for name in sorted(mine.keys() ^ theirs.keys()) if name not in unheard or name == drum.home]
    turned = [name for name in sorted(mine.keys() & theirs.keys()) if mine[name].polarity != theirs[name].polarity]
    return out + [Difference(f"{name} has the other polarity", 99.0, True) for name in turned]


def _delays(found: Findings, drum: FoundDrum, one: Take, other: Take) -> list[Difference]:
    """Mics that the sound reaches earlier or later."""
    mine, theirs = (found.delays.get(t.name, {}).get(drum.name, {}) for t in (one, other))
    scale = CYMBAL_SWING if drum.kind in CYMBALS else 1.0
    out = []
    for name in sorted(_exported(found, drum, one).keys() & mine.keys() & theirs.keys()):
        a, b = mine[name], theirs[name]
        if a.ms is None or b.ms is None or min(a.hits, b.hits) < FEWEST_HITS:
            continue
        gap = b.ms - a.ms
        out.append(_difference(f"it arrives at {name} {abs(gap):.2f} ms {'later' if gap > 0 else 'earlier'}",
                               abs(gap), _error(a, b), (DOUBT_MS * scale, APART_MS * scale)))
    return out


def _error(a: Delay, b: Delay) -> float:
    """Standard error of the difference of two medians."""
    return MEDIAN_ERROR * float(np.hypot((a.spread_ms or 0.0) / a.hits**0.5, (b.spread_ms or 0.0) / b.hits**0.5))


def _levels(found: Findings, drum: FoundDrum, one: Take, other: Take, read: Read) -> list[Difference]:
    """Mics in which the drum is louder or softer re its home mic, over the articulations that both takes have."""
    out: list[Difference] = []
    names = sorted(_exported(found, drum, one).keys() & _exported(found, drum, other).keys())
    for way in _ways(found, drum):
        mine, theirs = _of_similar_level(*(read.hits(found, drum, way, take) for take in (one, other)))
        steps = {}
        for name in names:
            a, b = (np.array([read.levels_db[h.id][name] for h in hits if name in read.levels_db.get(h.id, {})])
                    for hits in (mine, theirs))
            if min(len(a), len(b)) >= FEWEST_HITS:
                steps[name] = (float(np.median(b) - np.median(a)), _median_error(a, b))
        if len(steps) > 1:
            out += _level_changes(steps)
    return out


def _level_changes(steps: Mapping[str, tuple[float, float]]) -> list[Difference]:
    """Level change of each mic against the median of the others: the home mic may be the one that was changed.

    ``steps``: mic -> its change re the home mic, dB, and the standard error of that.
    """
    out = []
    for name, (step, own_error) in steps.items():
        others = [each for mic, each in steps.items() if mic != name]
        change = step - float(np.median([other for other, _ in others]))
        error = float(np.hypot(own_error, np.median([its for _, its in others])))
        out.append(_difference(f"its level in {name} is {abs(change):.1f} dB {'higher' if change > 0 else 'lower'}",
                               abs(change), error, (DOUBT_DB, APART_DB)))
    return out


def _median_error(a: Floats, b: Floats) -> float:
    """Standard error of the difference of two medians; few readings know little of their own spread."""
    return MEDIAN_ERROR * float(np.hypot(*(x.std(ddof=1) * (1 + 2 / len(x)) / len(x) ** 0.5 for x in (a, b))))


def _sounds(found: Findings, drum: FoundDrum, one: Take, other: Take, read: Read) -> list[Difference]:
    """Pitch and spectrum in the home mic, over the articulations that both takes have."""
    out: list[Difference] = []
    for way in _ways(found, drum):
        mine, theirs = _of_similar_level(*([h for h in read.hits(found, drum, way, take) if h.id in read.measured]
                                           for take in (one, other)))
        if min(len(mine), len(theirs)) >= FEWEST_HITS:
            a, b = ([read.measured[h.id] for h in hits] for hits in (mine, theirs))
            out += [*_pitch(way, a, b), *_spectrum(way, a, b)]
    return out


def _of_similar_level(mine: Sequence[Hit], theirs: Sequence[Hit]) -> tuple[list[Hit], list[Hit]]:
    """The hits of each that have one of about the same level in the other."""
    def similar(hits: Sequence[Hit], others: Sequence[Hit]) -> list[Hit]:
        """Those that have one of about the same level among the others."""
        levels = [o.level_db for o in others if o.level_db is not None]
        return [h for h in hits if h.level_db is not None and any(abs(h.level_db - o) <= SIMILAR_DB for o in levels)]

    return similar(mine, theirs), similar(theirs, mine)


def _pitch(way: str, a: Sequence[Measured], b: Sequence[Measured]) -> list[Difference]:
    """A retuned drum: the step, in cents, that most pairs of hits agree on, one of each take.

    Which partial is strongest depends on where the head was struck, so all partials of two hits are compared with each
    other: an unchanged drum agrees on no step at all, a retuned one on the one step of all its partials.
    """
    steps = [1200 * np.log2(y.partials_hz[None, :] / x.partials_hz[:, None]).ravel() for x in a for y in b
             if len(x.partials_hz) and len(y.partials_hz)]
    if len(steps) < FEWEST_HITS**2:
        return []
    tried = np.unique(np.round(np.concatenate(steps)))
    tried = tried[np.abs(tried) <= MOST_CENTS]
    votes = np.array([sum(bool((np.abs(pair - step) <= SAME_CENTS).any()) for pair in steps) for step in tried])
    if not len(votes) or votes.max() < AGREE_SHARE * len(steps):
        return []
    best = tried[votes >= NEARLY * votes.max()]
    closest = float(best[np.abs(best).argmin()])
    agreeing = np.concatenate([pair[np.abs(pair - closest) <= SAME_CENTS] for pair in steps])
    gap = float(np.median(agreeing))
    return [_difference(f"its {way} sounds {abs(gap):.0f} cents {'higher' if gap > 0 else 'lower'}", abs(gap), 0.0,
                        (DOUBT_CENTS, APART_CENTS))]


def _spectrum(way: str, a: Sequence[Measured], b: Sequence[Measured]) -> list[Difference]:
    """Another head or another drum: the mean difference between median spectra, levels removed, over the parts and
    bands that carry the hit in either: what lies far below them is mostly bleed.
    """
    mine, theirs = (np.stack([m.sound_db.ravel() for m in each]) for each in (a, b))
    enough = np.minimum(*((~np.isnan(rows)).sum(axis=0) for rows in (mine, theirs))) >= FEWEST_HITS
    if not enough.any():
        return []
    mine, theirs = mine[:, enough], theirs[:, enough]
    one, other = (nan_median(rows, axis=0) for rows in (mine, theirs))
    carries = np.maximum(one - one.max(), other - other.max()) >= -CARRIES_DB
    mine, theirs = (rows[:, carries] - nan_median(rows[:, carries], axis=1)[:, None] for rows in (mine, theirs))
    gap = np.abs(nan_median(theirs, axis=0) - nan_median(mine, axis=0))
    error = np.array([_median_error(x[~np.isnan(x)], y[~np.isnan(y)]) for x, y in zip(mine.T, theirs.T, strict=True)])
    mean = float(np.maximum(gap - ERRORS * error, 0.0).mean())
    return [_difference(f"the spectrum of its {way} differs by {mean:.1f} dB", mean, 0.0,
                        (DOUBT_SOUND_DB, APART_SOUND_DB))]


def _difference(what: str, gap: float, error: float, limits: tuple[float, float]) -> Difference:
    """A difference against its limits, as far as it exceeds its own error."""
    beyond = max(gap - ERRORS * error, 0.0)
    return Difference(what, beyond / limits[0], beyond >= limits[1])


# ------------------------------------------------------------------------------------------------------------- naming


def _read(session: Session, found: Findings) -> Read:
    """The cleanest hits of each drum, articulation and take, where another take has that articulation, too."""
    groups: dict[tuple[str, str, str], list[Hit]] = {}
    for hit in found.hits:
        if hit.level_db is not None:
            groups.setdefault((hit.drum, hit.articulation, hit.take), []).append(hit)
    ways = [(drum, way) for drum, way, _ in groups]
    wanted = [hit for (drum, way, _), hits in groups.items() if ways.count((drum, way)) > 1
              for hit in sorted(hits, key=lambda h: (found.clean_db[h.id], h.id))[:MOST_HITS]]
    return Read(examine(session, found, wanted, found.onsets_at_home()), levels_db(session, found, wanted))


def _named(found: Findings, drum: FoundDrum, sets: Sequence[Sequence[Take]], session: Session) -> dict[int, str]:
    """Hit id -> its articulation's name in its set. The best set keeps the names, and with them the usual keys; so does
    one that alone has an articulation.
    """
    hits = [h for h in found.hits if h.drum == drum.name]
    of = {take.name: n for n, members in enumerate(sets) for take in members}
    worth = [_worth(found, drum, [h for h in hits if of[h.take] == n], session) for n in range(len(sets))]
    order = sorted(range(len(sets)), key=lambda n: worth[n], reverse=True)  # stable: of equal ones the first
    out: dict[int, str] = {}
    for way in _ways(found, drum):
        there = [n for n in order if any(h.articulation == way and of[h.take] == n for h in hits)]
        called = {n: way if place == 1 else SET.format(way, place) for place, n in enumerate(there, 1)}
        out |= {h.id: called[of[h.take]] for h in hits if h.articulation == way}
    return out


def _worth(found: Findings, drum: FoundDrum, hits: Sequence[Hit], session: Session) -> tuple[int, int, int]:
    """How much can be played of a set: the dynamic range of its good hits, in steps, over all articulations; how many
    good hits it has; and how many at all. The larger is the better one.
    """
    good = [h for h in hits if reaches(_home_grade(found, drum, h, session), GOOD)]
    steps = 0
    for way in {h.articulation for h in good}:
        levels = [h.level_db for h in good if h.articulation == way and h.level_db is not None]
        if len(levels) >= FEWEST_HITS:
            softest, hardest = np.percentile(levels, RANGE_PERCENTILES)
            steps += int((hardest - softest) / RANGE_STEP_DB)
    return steps, len(good), len(hits)


def _home_grade(found: Findings, drum: FoundDrum, hit: Hit, session: Session) -> str:
    """Grade of a hit in its drum's home mic; where its take lacks that, the best in another close mic of the drum, or
    else in an overhead or room.
    """
    mics = session.take(hit.take).mics
    at_home = [mic for mic in mics if mic.name == drum.home] or [mic for mic in mics if mic.stands_at(drum.name)]
    grades = found.graded(hit, at_home or [mic for mic in mics if mic.role.means.far])
    return min(grades.values(), default="D")  # A comes first


def _ways(found: Findings, drum: FoundDrum) -> list[str]:
    """A drum's articulations."""
    return sorted({h.articulation for h in found.hits if h.drum == drum.name})
