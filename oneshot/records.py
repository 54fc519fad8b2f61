"""Records: from what was found in each take to the hits, delays and bleed of the manifest.

Everything here is bookkeeping over the stages' results: which drum a hit is of, where it begins in each mic, how
strong it is and what else is in its window.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from oneshot import align, bleed
from oneshot.audio import TakeReader
from oneshot.model import (
    Arrivals,
    Floats,
    Floats32,
    Frames,
    Hit,
    Mic,
    Onsets,
    Partner,
    Problem,
    Role,
    Session,
    Take,
    TakeNoise,
    TakeScan,
    Templates,
)

TOLERANCE_S = 0.0005
TOLERANCE_CYMBAL_S = 0.0010
"""How far the place of the stroke moves a drum's delays: 18 cm from centre to rim is 0.5 ms; a cymbal swings."""

CYMBALS = frozenset({"hat", "crash", "ride", "splash", "china", "cymbal"})

SAME_EVENT_S = 0.015
"""Strokes closer together than this are one event."""

TOGETHER_S = 0.018
"""Strokes of one event lie up to this far apart; the later one is looked for over this stretch."""

FULL_DEPTH_DB = 29.0
"""An onset followed down this far in a hit without partners is beyond doubt."""

PARTNER_DB = -45.0
"""Strokes further below the main one than this are not told as partners."""


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """What was found in one take before anything is known of drums."""

    take: Take
    scan: TakeScan
    near: NDArray[np.bool_]
    onsets: Onsets
    arrivals: Arrivals


@dataclass(frozen=True, slots=True)
class FoundDrum:
    """A drum before the recipe gives it keys; articulations in order of frequency."""

    name: str
    kind: str
    home: str
    articulations: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Analysis:
    """Everything known of a session before anything is chosen.

    ``hits`` carry no layer yet. ``attacks``: hit id -> frame of the attack in its drum's home mic; ``grades``: hit id
    -> mic -> grade; ``clean_db``: hit id -> everything else against it in the home mic. Tables are take -> drum ->
    mic, as in the manifest; ``spans``: take -> mics silent or present. ``noise_db``: take -> mic -> dBFS rms.
    """

    hits: tuple[Hit, ...]
    drums: tuple[FoundDrum, ...]
    attacks: Mapping[int, int]
    grades: Mapping[int, Mapping[str, str]]
    clean_db: Mapping[int, float]
    noise: tuple[TakeNoise, ...]
    polarity: Mapping[str, Mapping[str, int]]
    bleed: Mapping[str, Mapping[str, Mapping[str, float | None]]]
    delays_ms: Mapping[str, Mapping[str, Mapping[str, float | None]]]
    problems: tuple[Problem, ...]

    def next_stroke(self, hit: Hit, mics: Sequence[str], sample_rate: int) -> int | None:
        """Take frame of the earliest onset of the next stroke in the given mics; None where none follows.

        Strokes of one event do not end each other's tails.
        """
        apart = SAME_EVENT_S * sample_rate
        later = [h for h in self.hits if h.take == hit.take and h.onset > hit.onset + apart]
        if not later:
            return None
        following = min(later, key=lambda h: (h.onset, h.id))
        told = [following.onsets.get(name) for name in mics]
        return min([frame for frame in told if frame is not None] or [following.onset])


@dataclass(frozen=True, slots=True, eq=False)
class Strokes:
    """The hits of one take once unmixed.

    ``rows``: int64 (hits,), the candidates of ``heard`` that are hits; ``kind``: int64 (hits,), the kind of the main
    stroke; ``gain``: float64 (hits, kinds); ``confidence``: float64 (hits,), of the drum, 0 to 1.
    """

    heard: Heard
    rows: Frames
    kind: Frames
    gain: Floats
    confidence: Floats
    shares: bleed.Shares


@dataclass(frozen=True, slots=True)
class Named:
    """What drums (by number) and kinds are called. ``home``: each drum's home mic."""

    drum: Mapping[int, str]
    what: Mapping[int, str]
    articulation: list[str]
    home: Mapping[int, str]


class HitRows:
    """Collects the hits of a session take by take; ``finish`` makes the analysis of them."""

    def __init__(self, session: Session, mics: tuple[Mic, ...], named: Named, templates: Templates) -> None:
        self._session, self._mics, self._named, self._templates = session, mics, named, templates
        self._hits: list[Hit] = []
        self._home_onset: dict[int, int] = {}
        self._grades: dict[int, Mapping[str, str]] = {}
        self._clean: dict[int, float] = {}
        self._bleed: dict[str, dict[str, dict[str, float | None]]] = {}
        self._delays: dict[str, dict[str, dict[str, float | None]]] = {}
        self._noise: list[TakeNoise] = []

    def add(self, strokes: Strokes) -> None:
        """Add the hits of one take."""
        take, count = strokes.heard.take, len(strokes.rows)
        onsets = np.full((count, len(take.mics)), -1, np.int64)
        self._noise.append(_noise(strokes.heard))
        self._bleed[take.name], self._delays[take.name] = {}, {}
        drum = self._templates.drum[strokes.kind]
        for number in sorted({int(d) for d in drum}):
            mine = np.flatnonzero(drum == number)
            onsets[mine] = self._settle(strokes, mine, number)
            self._bleed[take.name][self._named.drum[number]] = self._table_row(strokes, mine, number)
        for i in range(count):
            self._add_hit(strokes, i, onsets[i])

    def _home_row(self, take: Take, number: int) -> int:
        """Row of a drum's home mic in a take; where the take lacks it, of the take's first mic of the best role."""
        names = [m.name for m in take.mics]
        if self._named.home[number] in names:
            return names.index(self._named.home[number])
        order = {Role.OVERHEAD: 0, Role.CLOSE: 1, Role.ROOM: 2, Role.BUS: 3}
        return min(range(len(names)), key=lambda m: (order.get(take.mics[m].role, 9), m))

    def _settle(self, strokes: Strokes, mine: Frames, number: int) -> Frames:
        """Onsets of one drum's hits in the take's mics (hits, mics), and its row of the delay table."""
        take, arrivals = strokes.heard.take, strokes.heard.arrivals
        home = self._home_row(take, number)
        rows = strokes.rows[mine]
        single = (strokes.gain[mine] > 0).sum(axis=1) == 1
        learn = rows[single] if single.sum() >= 3 else rows
        delay, _, _ = align.delay_pattern(arrivals.frame[learn], arrivals.depth_db[learn], home)
        cymbal = self._named.what[number] in CYMBALS
        tolerance = (TOLERANCE_CYMBAL_S if cymbal else TOLERANCE_S) * take.sample_rate
        self._delays[take.name][self._named.drum[number]] = {
            m.name: _none(delay[k] / take.sample_rate * 1e3) for k, m in enumerate(take.mics) if _heard_role(m)}
        onsets, _ = align.settle(arrivals, rows, delay, tolerance)
        zero = self._zeros(strokes, mine, onsets[:, home], home)
        return align.settle(arrivals, rows, delay, tolerance, zero)[0] if not np.isnan(zero).all() else onsets

    def _zeros(self, strokes: Strokes, mine: Frames, at_home: Frames, home: int) -> Floats:
        """When the main stroke reaches its own close mic (hits,), where the onset that was read is another stroke's;
        else NaN.

        Strokes meant to fall together lie up to 15 ms apart, and the arrivals belong to whichever came first.
        """
        take = strokes.heard.take
        zero = np.full(len(mine), np.nan)
        if take.mics[home].role is not Role.CLOSE:
            return zero
        lead, length = (round(s * take.sample_rate) for s in (align.QUIET_S, align.QUIET_S + TOGETHER_S + align.PEAK_S))
        with TakeReader(self._session.root, take, [take.mics[home].name]) as reader:
            depth = np.nan_to_num(strokes.heard.arrivals.depth_db[strokes.rows[mine], home])
            doubtful = ((strokes.gain[mine] > 0).sum(axis=1) > 1) | (depth < FULL_DEPTH_DB)
            for i in np.flatnonzero((at_home >= 0) & doubtful):
                start = int(strokes.heard.arrivals.first[strokes.rows[mine[i]]]) - lead
                found = align.own_onset(reader.read(start, start + length)[0], int(at_home[i]) - start,
                                        take.sample_rate)
                if found is not None:
                    zero[i] = start + found[0]
        return zero

    def _table_row(self, strokes: Strokes, mine: Frames, number: int) -> dict[str, float | None]:
        """One drum's row of a take's bleed table."""
        take = strokes.heard.take
        own = self._own(strokes)[mine]
        other = strokes.shares.other[mine]
        names = [m.name for m in self._mics]
        home_name = take.mics[self._home_row(take, number)].name
        if home_name not in names:
            return {}
        row = bleed.table_row(own, other, names.index(home_name))
        present = {m.name for m in take.mics}
        return {name: _none(row[k]) for k, name in enumerate(names) if name in present}

    def _own(self, strokes: Strokes) -> Floats:
        """Energy of each hit's main stroke (hits, mics)."""
        return strokes.shares.own[np.arange(len(strokes.kind)), strokes.kind]

    def _add_hit(self, strokes: Strokes, i: int, onsets: Frames) -> None:
        """Make one hit's record."""
        take, shares = strokes.heard.take, strokes.shares
        kind = int(strokes.kind[i])
        number = int(self._templates.drum[kind])
        names = [m.name for m in self._mics]
        own = shares.own[i, kind]
        struck = [int(k) for k in np.flatnonzero(strokes.gain[i]) if int(k) != kind]
        other = shares.other[i] + shares.own[i, struck].sum(axis=0)
        bleed_db = bleed.ratio_db(other, own)
        home_row = self._home_row(take, number)
        home = take.mics[home_row].name
        at_home = names.index(home) if home in names else int(own.argmax())
        hit_id = len(self._hits) + 1
        earliest = int(strokes.heard.arrivals.first[strokes.rows[i]])
        told = onsets[onsets >= 0]
        if len(told) and abs(int(told.min()) - earliest) <= 0.008 * take.sample_rate:
            earliest = int(told.min())
        present = {m.name for m in take.mics}
        self._home_onset[hit_id] = int(onsets[home_row]) if onsets[home_row] >= 0 else earliest
        self._grades[hit_id] = self._grade_row(strokes, i, kind, bleed_db, present)
        self._clean[hit_id] = float(np.nan_to_num(bleed_db[at_home], nan=60.0))
        hop = strokes.heard.scan.hop
        self._hits.append(Hit(
            id=hit_id, take=take.name, onset=earliest,
            onsets={m.name: int(onsets[k]) if onsets[k] >= 0 else None
                    for k, m in enumerate(take.mics) if _heard_role(m)},
            drum=self._named.drum[number], articulation=self._named.articulation[kind],
            confidence=float(strokes.confidence[i]), level_db=_level_db(own, hop),
            bleed_db={name: _none(bleed_db[k]) for k, name in enumerate(names) if name in present},
            isolated=bleed.isolated(bleed_db, own, at_home),
            usable=tuple(name for k, name in enumerate(names) if name in present and bleed_db[k] < bleed.CLEAR_DB),
            partners=self._partners(shares, i, kind, struck, hop)))

    def _partners(self, shares: bleed.Shares, i: int, kind: int, struck: list[int], hop: int) -> tuple[Partner, ...]:
        """The other drums struck with a hit, strongest first."""
        main = float(shares.own[i, kind].sum())
        found = [(float(shares.own[i, k].sum()), int(self._templates.drum[k]), k) for k in struck]
        return tuple(Partner(self._named.drum[number], _level_db(shares.own[i, k], hop))
                     for energy, number, k in sorted(found, reverse=True)
                     if energy > main * 10 ** (PARTNER_DB / 10))

    def _grade_row(self, strokes: Strokes, i: int, kind: int, bleed_db: Floats, present: set[str]) -> dict[str, str]:
        """Grade of a hit in each mic: the worst of its whole window and of any one band and moment in it."""
        own_peak = strokes.shares.own_peak[i, kind]
        worst = bleed.ratio_db(strokes.shares.other_peak[i], own_peak)
        drum = self._named.drum[int(self._templates.drum[kind])]
        return {m.name: bleed.grade(float(max(worst[k], bleed_db[k])), m.stands_at(drum))
                for k, m in enumerate(self._mics) if m.name in present}

    def finish(self, told: tuple[Problem, ...]) -> Analysis:
        """Place the attacks of each group and close the books."""
        order = {take.name: n for n, take in enumerate(self._session.takes)}
        ranked = sorted(self._hits, key=lambda h: (order[h.take], h.onset, h.id))
        renumber = {h.id: n for n, h in enumerate(ranked, 1)}
        hits = tuple(replace(h, id=renumber[h.id]) for h in ranked)
        attacks = _attacks(self._session, hits, {renumber[k]: v for k, v in self._home_onset.items()},
                           {self._named.drum[n]: home for n, home in self._named.home.items()})
        return Analysis(
            hits=hits, drums=self._drums(hits), attacks=attacks,
            grades={renumber[k]: v for k, v in self._grades.items()},
            clean_db={renumber[k]: v for k, v in self._clean.items()}, noise=tuple(self._noise),
            polarity={t.name: {m.name: m.polarity for m in t.mics} for t in self._session.takes},
            bleed=self._bleed, delays_ms=self._delays, problems=told)

    def _drums(self, hits: tuple[Hit, ...]) -> tuple[FoundDrum, ...]:
        """The drums that have hits, in the order of their first one."""
        out = []
        for number in sorted(self._named.drum, key=lambda n: self._named.drum[n]):
            name = self._named.drum[number]
            counts: dict[str, int] = {}
            for hit in hits:
                if hit.drum == name:
                    counts[hit.articulation] = counts.get(hit.articulation, 0) + 1
            if counts:
                out.append(FoundDrum(name, self._named.what[number], self._named.home[number],
                                     tuple(sorted(counts, key=lambda a: (-counts[a], a)))))
        return tuple(out)


def _attacks(session: Session, hits: tuple[Hit, ...], onset: Mapping[int, int],
             home: Mapping[str, str]) -> dict[int, int]:
    """Frame of the attack in the home mic of every hit, lined up over each drum and articulation."""
    pieces: dict[int, Floats32] = {}
    for take in session.takes:
        mine = [h for h in hits if h.take == take.name]
        back, ahead = (round(s * take.sample_rate) for s in (align.ATTACK_BACK_S, align.ATTACK_AHEAD_S))
        names = [m.name for m in take.mics]
        wanted = sorted({home[h.drum] for h in mine if home[h.drum] in names})
        if not wanted:
            continue
        with TakeReader(session.root, take, wanted) as reader:
            for hit in sorted(mine, key=lambda h: h.onset):
                if home[hit.drum] in wanted:
                    window = reader.read(onset[hit.id] - back, onset[hit.id] + ahead)
                    pieces[hit.id] = window[wanted.index(home[hit.drum])]
    out = dict(onset)
    groups: dict[tuple[str, str, int], list[int]] = {}
    rates = {take.name: take.sample_rate for take in session.takes}
    for hit in hits:
        if hit.id in pieces:
            groups.setdefault((hit.drum, hit.articulation, rates[hit.take]), []).append(hit.id)
    for (_, _, rate), ids in groups.items():
        for hit_id, shift in zip(ids, align.attacks([pieces[k] for k in ids], rate), strict=True):
            out[hit_id] = onset[hit_id] + round(float(shift))
    return out


def _noise(heard: Heard) -> TakeNoise:
    """Noise of a take's mics; None where a mic is digitally silent."""
    levels = heard.scan.noise_dbfs
    return TakeNoise(heard.take.name, {m.name: float(v) if v > -135 else None
                                       for m, v in zip(heard.take.mics, levels, strict=True)})


def _level_db(own: Floats, hop: int) -> float | None:
    """10·log10 of an energy (mics,) given as mean square times steps, as a sum of squared samples."""
    total = float(own.sum()) * hop
    return float(10 * np.log10(total)) if total > 0 else None


def _heard_role(mic: Mic) -> bool:
    return mic.role not in (Role.TALK, Role.IGNORE)


def _none(value: float) -> float | None:
    return None if np.isnan(value) else float(value)
