"""Non-drums: talk, clicks and stick count-ins that are detected like hits, and the hits of a session without them.

Talk between takes, a click that leaks from headphones, and sticks struck together all come from where no drum stands,
so clustering makes drums of their own of them, and as drums they can be recognised. None is led by a close mic:
relative to the hard strokes of each mic, the overheads pick it up best. That holds for cymbals too, but they have
energy above 5.6 kHz. Beside that:

- *Talk* swells. A syllable is louder 22 to 45 ms after it began than in its first 11 ms, which no stroke is but a
  cymbal's or the lowest band of a big kick's; and a voice has little below 140 Hz. Where there is a talk mic, it picks
  up talk far better against the other mics than it picks up strokes.
- *A click* keeps time as no player does: players miss a beat by 10 to 20 ms and a few dB, a click by neither.
- *Sticks* are short, without low end or air, and stay out of the playing: alone, or evenly spaced before the first
  stroke.

Beside these, a drum of a few hits, each of which another drum explains nearly as well, is left out as unsorted.

Two mics tell no place, so without close mics and overheads nothing is taken for a non-drum. What the user says outranks
what is computed: labelled hits, those of corrections, and labelled drums stay. Levels are in dB, times in seconds. The
limits lie between what was measured on strokes and on non-drums; see docs/methods.md.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from oneshot.analysis.records import Shares, TakeScan, Templates
from oneshot.analysis.result import Detected, Strokes
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Frames, Mic, Problem, Take

TALK, CLICK, STICKS = "talk", "headphone click bleed (or sticks)", "sticks (count-in)"
UNSORTED = "unsorted (too few and too unsure for a drum of their own)"

LED_DB = 3.0
"""A close mic leads from here on: it picks up a sound this much better than any overhead, each relative to its own hard
strokes.
"""

AIR_BAND, AIR_DB = 7, -12.0
"""From this band on (5.6 kHz) lies the air of cymbals and wires: more than -10 dB of their first 22 ms; of a voice's
vowels and of sticks less than -17 dB.
"""

LOWEST_DB = -6.0
"""Sounds with more than this below 140 Hz are a kick's or a low tom's."""

SWELL_DB = 3.5
"""Talk gains this much at least from its first 11 ms to the stretch from 22 to 45 ms: measured 5 to 9 dB; of drums
without air a ride's bell gains most, 2 dB.
"""

SHORT_DB = 12.0
"""Sticks lose this much at least from their first 22 ms to the stretch from 45 to 90 ms."""

GRID_S = 0.002
"""Deviation of a click from its grid at most: half a step of the scan, and what noise adds. Players scatter by 4 ms rms
and more (common practice, no source).
"""

GRID_SHARE, FEWEST_CLICKS = 0.75, 6
"""This share of a click's sounds lies on the grid, and so many at least make a click."""

BEATS_S = (0.2, 2.0)
"""Interval of a click: 300 to 30 beats per minute."""

STEADY_DB = 1.5
"""Half of all clicks lie this close to their median level."""

FAINT_DB = 12.0
"""A leak lies this far below what drums do at least: below the loudest of the drums' median levels."""

ALONE_S, STICKS_ALONE, TALK_ALONE = 0.25, 0.8, 0.6
"""Sticks and talk stay this far away from strokes, these shares of them at least; some talk over their playing."""

STRAY, COUNT_IN, EVEN = 3, 8, 0.15
"""Sticks come in runs of three at most, or evenly as a count-in of up to eight, intervals within this share of their
median.
"""

TALK_MIC_DB = 10.0
"""A talk mic picks up talk better than strokes by this much at least, relative to the near mics."""

TALK_STEPS = (0, 16)
"""Where a talk mic is read after an arrival, in steps of the scan: 45 ms."""

SURE = 0.5
"""Within talk, hits whose drum is less certain than this, 0 to 1, are talk."""

PHRASE_S = 0.8
"""Pauses within talk are shorter than this."""


@dataclass(frozen=True, slots=True, eq=False)
class Traits:
    """What distinguishes non-drums, drum by drum: each float64 (drums,), NaN where not known; ``number``: int64, the
    drums' numbers, rising.
    """

    number: Frames
    lead_db: Floats
    air_db: Floats
    lowest_db: Floats
    swell_db: Floats
    fall_db: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Hits:
    """The hits of one take in order of time: float64 (hits,) seconds, int64 drums, float64 levels (dB) over all mics,
    and confidence of the drum, 0 to 1.
    """

    at_s: Floats
    drum: Frames
    level_db: Floats
    confidence: Floats


def lead_db(level_db: Floats, mics: Sequence[Mic]) -> Floats:
    """How far the best close mic stands above the best overhead, float64 (rows,), from levels (rows, mics) relative to
    each mic's hard strokes; NaN where the session has no close mics or no overheads.
    """
    close = np.array([m.role is Role.CLOSE for m in mics])
    above = np.array([m.role is Role.OVERHEAD for m in mics])
    if not (close.any() and above.any()):
        return np.full(len(level_db), np.nan)
    out: Floats = level_db[:, close].max(axis=1) - level_db[:, above].max(axis=1)
    return out


def traits(templates: Templates, hard: Floats, near: NDArray[np.bool_], mics: Sequence[Mic]) -> Traits:
    """Measure every drum. ``hard``: float64 (mics,), energy of hard strokes in each mic, to which levels are relative;
    ``near``: bool (mics,).
    """
    numbers = np.unique(templates.drum)
    energy = templates.energy / np.maximum(hard, 1e-15)[None, :, None, None]
    lead = lead_db(_db(energy[..., :2].sum(axis=(2, 3))), mics)
    sound = energy[:, near].sum(axis=1)
    sound = sound / np.maximum(sound.sum(axis=(1, 2), keepdims=True), 1e-15)
    out = np.empty((5, len(numbers)))
    for n, number in enumerate(numbers):
        mine = templates.drum == number
        weight = np.maximum(templates.members[mine], 1).astype(np.float64)
        mean = np.average(sound[mine], axis=0, weights=weight)
        early, by_stretch = mean[:, :2].sum(axis=1), _db(mean.sum(axis=0))
        whole = _db(early.sum())
        out[:, n] = (np.average(lead[mine], weights=weight), _db(early[AIR_BAND:].sum()) - whole, _db(early[0]) - whole,
                     by_stretch[2] - by_stretch[0], by_stretch[:2].max() - by_stretch[3])
    return Traits(numbers, *out)


def find(known: Traits, hits: Sequence[Hits]) -> dict[int, str]:
    """The drums that are none, by number, and what they are. ``hits``: one record per take."""
    every = np.concatenate([h.level_db for h in hits])
    of = np.concatenate([h.drum for h in hits])
    out: dict[int, str] = {}
    loudest = max((float(np.median(every[of == d])) for d in np.unique(of)), default=0.0)
    able = [(n, int(d)) for n, d in enumerate(known.number)
            if (of == d).any() and known.lead_db[n] < LED_DB and known.air_db[n] < AIR_DB]
    for _, number in able:
        faint = float(np.median(every[of == number])) <= loudest - FAINT_DB
        if faint and any(keeps_time(h.at_s[h.drum == number], h.level_db[h.drum == number]) for h in hits):
            out[number] = CLICK
    clicks = set(out)
    for n, number in able:
        if number in clicks or known.lowest_db[n] > LOWEST_DB:
            continue
        alone = _alone_share(number, clicks, hits)
        if known.swell_db[n] > SWELL_DB and alone >= TALK_ALONE:
            out[number] = TALK
        elif known.fall_db[n] > SHORT_DB and known.lowest_db[n] < AIR_DB and alone >= STICKS_ALONE \
                and _in_short_runs(number, hits):
            out[number] = STICKS
    return out


def keeps_time(at_s: Floats, level_db: Floats) -> bool:
    """Whether sounds come as regularly as only a machine plays, at equal level; some may be missing.

    ``at_s``: float64 (hits,), rising. Every interval between near neighbours, and its half, third and quarter, is tried
    as the beat.
    """
    if len(at_s) < FEWEST_CLICKS:
        return False
    apart = np.concatenate([at_s[k:] - at_s[:-k] for k in (1, 2, 3) if len(at_s) > k])
    beats = np.unique(np.round(np.concatenate([apart / k for k in (1, 2, 3, 4)]), 4))
    for beat in beats[(beats >= BEATS_S[0]) & (beats <= BEATS_S[1])]:
        on = _on_grid(at_s, float(beat))
        if on.sum() >= max(FEWEST_CLICKS, GRID_SHARE * len(at_s)):
            steady = np.median(np.abs(level_db[on] - np.median(level_db[on]))) <= STEADY_DB
            if steady and len(np.unique(np.round(at_s[on] / beat))) == on.sum():
                return True
    return False


def _on_grid(at_s: Floats, beat_s: float) -> NDArray[np.bool_]:
    """Which sounds (hits,) lie on the grid, of about that beat, that fits most of them."""
    best = np.zeros(len(at_s), bool)
    for anchor in at_s[:: max(1, len(at_s) // 8)]:
        beat, on = beat_s, best
        start = float(anchor)
        for reach in (16.0, 64.0, np.inf):  # a beat known roughly drifts off: learn it from near sounds, then further
            count = np.round((at_s - start) / beat)
            near = np.abs(count) <= reach
            on = near & (np.abs(at_s - start - count * beat) <= 1.5 * GRID_S)
            if on.sum() < 3 or np.ptp(count[on]) == 0:
                break
            beat, start = (float(v) for v in np.polyfit(count[on], at_s[on], 1))
        count = np.round((at_s - start) / beat)
        on = np.abs(at_s - start - count * beat) <= GRID_S
        if on.sum() > best.sum():
            best = on
    return best


def _alone_share(number: int, clicks: Collection[int], hits: Sequence[Hits]) -> float:
    """The share of a drum's sounds that lie away from all others, clicks aside."""
    away = [_nearest_s(h.at_s[h.drum == number], h.at_s[(h.drum != number) & ~np.isin(h.drum, list(clicks))])
            for h in hits]
    return float(np.mean(np.concatenate(away) >= ALONE_S))


def _nearest_s(at_s: Floats, others_s: Floats) -> Floats:
    """How far each moment lies from the nearest of the others, s; infinity where there is none."""
    around = np.concatenate([[-np.inf], np.sort(others_s), [np.inf]])
    after = np.searchsorted(around[1:-1], at_s) + 1
    out: Floats = np.minimum(np.abs(around[after] - at_s), np.abs(around[after - 1] - at_s))
    return out


def _in_short_runs(number: int, hits: Sequence[Hits]) -> bool:
    """Whether a drum's sounds come by ones to threes, or evenly spaced and no more than a count-in has.

    Sounds of low confidence count in no run: where no talk was learned, talk goes to the nearest template.
    """
    for take in hits:
        mine = np.flatnonzero((take.drum == number) & (take.confidence >= SURE))
        for run in np.split(mine, np.flatnonzero(np.diff(mine) > 1) + 1) if len(mine) else []:
            if len(run) > STRAY and not (len(run) <= COUNT_IN and _evenly_spaced(take.at_s[run])):
                return False
    return True


def _evenly_spaced(at_s: Floats) -> bool:
    """Whether intervals stay within ``EVEN`` of their median."""
    gaps = np.diff(at_s)
    return bool(np.abs(gaps - np.median(gaps)).max() <= EVEN * np.median(gaps))


def in_talk(take: Hits, talk: NDArray[np.bool_], lead: Floats) -> NDArray[np.bool_]:
    """Which hits (hits,) of a take belong to talk: those that are (``talk``), and between two of them those that are
    not led by a close mic (``lead``: dB, NaN where not known) and not surely a drum.
    """
    out = talk.copy()
    at = take.at_s[talk]
    for i in np.flatnonzero(~talk & (take.confidence < SURE) & (lead < LED_DB)):
        before, after = at[at <= take.at_s[i]], at[at > take.at_s[i]]
        gap_before = take.at_s[i] - before[-1] if len(before) else np.inf
        gap_after = after[0] - take.at_s[i] if len(after) else np.inf
        out[i] = min(gap_before, gap_after) <= PHRASE_S / 2 or gap_before + gap_after <= PHRASE_S
    return out


def unsorted(known: Traits, hits: Sequence[Hits]) -> dict[int, str]:
    """The drums of fewer than ``FEWEST`` hits in all takes that no close mic leads and of which no hit is surely their
    own, by number: what is left of a mixture, or rises out of a ring. ``hits``: one record per take.
    """
    of, confidence = np.concatenate([h.drum for h in hits]), np.concatenate([h.confidence for h in hits])
    return {int(d): UNSORTED for d, lead in zip(known.number, known.lead_db, strict=True)
            if lead < LED_DB and 0 < (of == d).sum() < FEWEST and (confidence[of == d] < UNSURE).all()}


def talked_over(scan: TakeScan, take: Take, first: Frames, near_db: Floats, lead: Floats) -> NDArray[np.bool_]:
    """Which hits a talk mic shows to be talk, bool (hits,); none where the take has no talk mic.

    ``first``: int64 (hits,), arrivals in frames; ``near_db``: float64 (hits,), level in the near mics relative to their
    hard strokes; ``lead`` (hits,), dB. The reference is what the talk mic picks up of strokes that a close mic leads; a
    click track, loud at many of them, tells nothing.
    """
    out = np.zeros(len(first), bool)
    strokes = lead >= LED_DB
    if strokes.sum() < 4:
        return out
    step = np.clip(np.round(first / scan.hop).astype(np.int64)[:, None] + np.arange(*TALK_STEPS), 0,
                   scan.level_db.shape[1] - 1)
    for row in [k for k, m in enumerate(take.mics) if m.role is Role.TALK]:
        power = (10 ** (scan.level_db[row][step].astype(np.float64) / 10)).sum(axis=2).mean(axis=1)
        own = power - np.sum(10 ** (scan.noise_db[row] / 10))
        excess = _db(own) - near_db
        out |= (excess > np.percentile(excess[strokes], 90) + TALK_MIC_DB) & (lead < LED_DB) & (own > power / 2)
    return out


def _db(power: ArrayLike) -> Floats:
    """Powers in dB, floored at -150 dB."""
    return np.asarray(10 * np.log10(np.maximum(power, 1e-15)), np.float64)


def problems(take: Take, at_s: Floats, what: NDArray[np.object_]) -> list[Problem]:
    """What to report of a take: per sort of non-drum how many there are, and when the first of them sound."""
    out = []
    for sort in sorted({str(w) for w in what} - {""}):
        when = at_s[what == sort]
        times = ", ".join(f"{t:.2f}" for t in when[:TOLD]) + (" ..." if len(when) > TOLD else "")
        out.append(Problem(take.name, f"{len(when)} sounds treated as {sort}, not as hits: at {times} s",
                           "if that is wrong, name the drum in [[labels]] of session.toml"))
    return out


TOLD = 6
"""So many times are reported."""


# ------------------------------------------------------------------------------------------- hits without the non-drums

UNDER_RATIO = 10 ** (-12 / 10)
"""A stroke that coincides with a click or sticks is kept from this energy ratio to them on."""

SOFTEST_DB = 42.0
"""What lies further than this below a drum's hard strokes (their 90th percentile) is no stroke: players span 30 to 40
dB on a snare and less on other drums (common practice, no source).
"""


RATTLE_S, RATTLE_DB, RATTLE_SURE, RATTLE_RISE_DB = 1.0, 18.0, 0.6, 3.3
"""While a cymbal rings, for so long after a hit, what comes out of it so far below that hit and is less surely its own
than this is its rattle: its plates, rivets and stand knock about at the place of the cymbal and with some of its sound,
but without the attack of a stroke.
"""
FEWEST = 4
"""A drum of fewer hits than this must be sure: they are chance, or a fault, as in an articulation."""

UNSURE, UNSURE_DB = 0.4, 6.0
"""The same of whatever rings by itself: what rises as faintly this far below the only hit for ``RATTLE_S`` before and
after, and fits another drum nearly as well, is no stroke of either. Where more is played faint strokes are likelier.
"""


def loud_enough(strokes: Sequence[Strokes], templates: Templates, cymbal: NDArray[np.bool_], *,
                places: bool) -> list[Strokes]:
    """The same hits without what lies further below its drum's hard strokes than anyone plays (knocks, rattles,
    echoes), and without cymbals' rattling; hits begin with what sounds just ahead of them.

    ``cymbal``: bool (templates,), which sound like cymbals; ``places``: there are mics enough to tell places apart,
    without which nothing is taken for rattling.
    """
    level = [10 * np.log10(np.maximum(s.shares.own[np.arange(len(s.template)), s.template].sum(axis=1), 1e-30))
             for s in strokes]
    drum = [templates.drum[s.template] for s in strokes]
    every, of = np.concatenate(level), np.concatenate(drum)
    hard = {int(d): float(np.percentile(every[of == d], 90)) for d in np.unique(of)}
    out = []
    for each, levels, drums in zip(strokes, level, drum, strict=True):
        limit = np.array([hard[int(d)] for d in drums]) - SOFTEST_DB
        rattles = _rattles(each, levels, drums, cymbal, places=places)
        keep = (levels >= limit) & ~rattles | np.isin(each.rows, list(each.detected.added))
        shares = Shares(each.shares.own[keep], each.shares.other[keep])
        heard = _with_beginnings(each.detected, each.rows[keep], each.rows[rattles])
        out.append(Strokes(heard, each.rows[keep], each.template[keep], each.activation[keep], each.confidence[keep],
                           shares, each.own_db[keep], each.articulation[keep], each.label[keep]))
    return out


def _rattles(strokes: Strokes, level_db: Floats, drum: Frames, cymbal: NDArray[np.bool_], *,
             places: bool) -> NDArray[np.bool_]:
    """Which hits (hits,) are a cymbal's own rattling, or what rises out of any drum's ring."""
    at_s = strokes.detected.arrivals.first[strokes.rows] / strokes.detected.take.sample_rate
    out = np.zeros(len(at_s), bool)
    faint = strokes.detected.onsets.rise_db[strokes.rows] < RATTLE_RISE_DB
    unsure = strokes.confidence < UNSURE
    for i in np.flatnonzero(faint & (cymbal[strokes.template] & (strokes.confidence < RATTLE_SURE) | unsure) & places):
        rings = (at_s < at_s[i]) & (at_s >= at_s[i] - RATTLE_S)
        above = level_db[rings & (drum == drum[i])].max(initial=-np.inf) - level_db[i]
        out[i] = cymbal[strokes.template[i]] and above >= RATTLE_DB
        others = level_db[(np.abs(at_s - at_s[i]) < RATTLE_S) & ~(faint & unsure)]
        if unsure[i] and len(others) == 1 and rings.any():
            out[i] |= level_db[rings].max() >= level_db[i] + UNSURE_DB
    return out


AHEAD_S, AHEAD_RISE_DB = 0.030, 2.0
"""What is heard so shortly ahead of a hit, out of quiet, and is no stroke of any drum, is how that hit begins."""


def _with_beginnings(heard: Detected, rows: Frames, rattles: Frames) -> Detected:
    """The same, events that begin with a candidate that is no hit (``rows``: int64, those that are) beginning there:
    with the thud of a hat's pedal before its plates meet; not with what rattled before them.
    """
    out, thud = heard.begin.copy(), dict(heard.thud)
    keep = np.isin(np.arange(len(out)), rows)
    first, rate = heard.arrivals.first, heard.take.sample_rate
    quiet = np.diff(first, prepend=np.iinfo(np.int64).min // 2) > AHEAD_S * rate
    able = ~keep & ~np.isin(np.arange(len(out)), rattles)
    for i in np.flatnonzero(able & quiet & (heard.onsets.rise_db >= AHEAD_RISE_DB)):
        after = i + 1 + np.flatnonzero(keep[i + 1 : i + 4])
        if len(after) and out[after[0]] < 0 and first[after[0]] - first[i] <= AHEAD_S * rate:
            out[after[0]] = first[i]
            thud[int(after[0])] = int(first[after[0]] - first[i])
    return replace(heard, begin=out, thud=thud)


def sift(strokes: Sequence[Strokes], templates: Templates, mics: Sequence[Mic], near: NDArray[np.bool_],
         labelled: Collection[int]) -> tuple[list[Strokes], Frames, list[Problem]]:
    """The hits of all takes without talk, clicks and sticks; the drums that are none, int64; and what is reported of
    them.

    ``labelled``: numbers of drums that the user named.
    """
    heard = [s.shares.own.sum(axis=1) for s in strokes]
    hard = np.maximum(np.percentile(np.concatenate(heard), 90, axis=0), 1e-15)
    main = [s.shares.own[np.arange(len(s.template)), s.template] for s in strokes]
    hits = [Hits(s.detected.arrivals.first[s.rows] / s.detected.take.sample_rate, templates.drum[s.template],
                 _db(own.sum(axis=1)), s.confidence) for s, own in zip(strokes, main, strict=True)]
    known = traits(templates, hard, near, mics)
    named = {int(d) for each, its in zip(strokes, hits, strict=True) for d in its.drum[_said(each)]}
    found = {number: what for number, what in unsorted(known, hits).items() if number not in named} | find(known, hits)
    found = {number: what for number, what in found.items() if number not in labelled}
    guests = np.array(sorted(found), np.int64)
    out, told = [], list[Problem]()
    for each, own, every, its in zip(strokes, main, heard, hits, strict=True):
        what = np.array([found.get(int(d), "") for d in its.drum], object)
        lead = lead_db(_db(own / hard), mics)
        what[(what == STICKS) & (its.confidence < SURE)] = TALK
        talk = talked_over(each.detected.scan, each.detected.take, each.detected.arrivals.first[each.rows],
                           _db((every / hard)[:, near].mean(axis=1)), lead)
        what[in_talk(its, talk | (what == TALK), lead)] = TALK
        what[_said(each)] = ""
        told += problems(each.detected.take, its.at_s, what)
        out.append(_without(each, np.isin(templates.drum, guests), what))
    return out, guests, told


def _said(strokes: Strokes) -> NDArray[np.bool_]:
    """Which hits a label or a correction is about, bool (hits,)."""
    return (strokes.label >= 0) | np.isin(strokes.rows, list(strokes.detected.added))


def _without(strokes: Strokes, non_drum: NDArray[np.bool_], what: NDArray[np.object_]) -> Strokes:
    """The hits that are none of ``what`` (hits,) and hold no template of ``non_drum`` (templates,).

    A drum that coincides with a click or sticks is a hit all the same; during talk it is part of the voice.
    """
    shares, hits = strokes.shares, np.arange(len(strokes.template))
    removed = np.repeat(non_drum[None, :], len(hits), axis=0)
    removed[hits, strokes.template] &= what != ""  # a labelled hit keeps what it is
    own = np.where(removed[..., None], 0.0, shares.own)
    remaining, main = own.sum(axis=2), shares.own[hits, strokes.template].sum(axis=1)
    beneath = (what != "") & (what != TALK) & (remaining.max(axis=1, initial=0.0) > main * UNDER_RATIO)
    kind = np.where(beneath, remaining.argmax(axis=1), strokes.template) if len(hits) else strokes.template
    keep = (what == "") | beneath
    away = np.where(removed[..., None], shares.own, 0.0).sum(axis=1)
    kept = Shares(own[keep], (shares.other + away)[keep])
    activation = np.where(removed, 0.0, strokes.activation)[keep]
    return replace(strokes, rows=strokes.rows[keep], template=kind[keep], activation=activation,
                   confidence=strokes.confidence[keep], shares=kept, own_db=strokes.own_db[keep],
                   articulation=strokes.articulation[keep], label=strokes.label[keep])
