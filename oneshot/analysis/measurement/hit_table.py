"""Hit table: from the results of each take to its hits, delays and bleed.

Everything here is bookkeeping over the stages' results: which drum a hit is of, where it begins in each mic, its level,
and the bleed in its window.
"""

from __future__ import annotations

from collections.abc import Mapping, Set
from dataclasses import replace

import numpy as np

from oneshot.analysis.detection.spectrogram import BAND_EDGES_HZ
from oneshot.analysis.measurement import bleed
from oneshot.analysis.measurement.envelopes import Windows
from oneshot.analysis.measurement.masking import Masked
from oneshot.analysis.measurement.onsets import Placer
from oneshot.analysis.measurement.tail_events import Tails
from oneshot.analysis.records import Shares, Templates
from oneshot.analysis.result import Detected, Findings, FoundDrum, LaterSound, Named, Strokes
from oneshot.analysis.sorting.constraints import Labelled, Said
from oneshot.core import grades
from oneshot.core.records.hits import Hit, Partner
from oneshot.core.records.kit import BandBleed, MicView, TakeNoise
from oneshot.core.records.session import Floats, Frames, Mic, Problem, Session, Take

PARTNER_DB = -45.0
"""Strokes further below the main one than this are not reported as partners."""

MAX_ONSET_OFFSET_S = 0.008
"""How far the earliest onset of a hit may lie from its earliest arrival: further off, one of its mics was misread."""

UNKNOWN_CLEAN_DB = 60.0
"""Stands for the bleed of a hit that its home mic does not pick up: chosen last of all."""

DYNAMICS = ("", "compressor", "gate")
"""What a mic was recorded through, by number."""

ALONE_NO_MORE_DB = 0.1
"""By this a hit of a drum with co-occurrence misses the best grade."""

SILENT_DBFS = -135.0
"""Noise up to this is none: below that of any converter, digital silence."""


class HitRows:
    """Collects the hits of a session take by take, numbered from 1 on in order of time; ``findings`` are what they come
    to.

    ``row``: hit id -> row among the strokes of its take.
    """

    def __init__(self, session: Session, mics: tuple[Mic, ...], named: Named, templates: Templates,
                 placer: Placer, said: Labelled, dynamic: Frames) -> None:
        self._linear = dynamic == 0
        # a room picks up each stroke a second time, which no envelope of soft and hard ones covers in full
        self._near = np.array([m.role.means.detects and m.role.means.judged for m in mics]) & self._linear
        self._dynamics = {take.name: {m.name: DYNAMICS[int(d)] for m, d in zip(mics, dynamic, strict=True)
                                      if d and m.name in {mic.name for mic in take.mics}} for take in session.takes}
        self._mics, self._named, self._templates = mics, named, templates
        self._placer, self._said = placer, said.said
        self.row: dict[int, int] = {}
        self._hits: list[Hit] = []
        self._begins: dict[int, int] = {}
        self._doubtful: set[int] = set()
        self._later: dict[int, dict[str, tuple[LaterSound, ...]]] = {}
        self._over: dict[int, dict[str, int]] = {}
        self._worst: dict[int, Mapping[str, float]] = {}
        self._clean: dict[int, float] = {}
        self._bleed: dict[str, dict[str, dict[str, float | None]]] = {}
        self._bands: dict[str, dict[str, dict[str, BandBleed]]] = {}
        self._views: dict[str, tuple[MicView, ...]] = {}
        self._noise: list[TakeNoise] = []
        self._offsets: dict[str, Mapping[str, float]] = {}

    def add(self, strokes: Strokes, windows: Windows, hidden: Masked, tails: Tails, company: Set[int]) -> None:
        """Add the hits of one take with their windows, what may be masked there, and the other sounds in their tails.
        Raises AudioError where a file cannot be read.

        ``company``: drums with which others co-occur undetected.
        """
        take = strokes.detected.take
        onsets = self._placer.place(strokes)
        self._noise.append(_noise(strokes.detected))
        self._offsets[take.name] = strokes.detected.offset
        drum = self._templates.drum[strokes.template]
        self._bleed[take.name] = {self._named.drum[number]: self._table_row(take, windows, drum == number, number)
                                  for number in sorted({int(d) for d in drum})}
        self._bands[take.name] = self._band_table(take, windows, drum)
        self._views[take.name] = self._mic_views(take, windows, drum)
        begins = [self._begin(strokes, i, onsets[i]) for i in range(len(strokes.rows))]
        for i in sorted(range(len(begins)), key=lambda i: (begins[i], i)):
            number = len(self._hits) + 1
            self.row[number] = i
            self._add_hit(strokes, windows, hidden, i, number, begins[i], onsets[i], int(drum[i]) in company)
            self._add_tail(strokes, windows, tails, i, number)

    def _add_tail(self, strokes: Strokes, windows: Windows, tails: Tails, i: int, number: int) -> None:
        """Add what is known of one hit's tail."""
        there = {m.name for m in strokes.detected.take.mics}
        names = {k: m.name for k, m in enumerate(self._mics) if m.name in there}
        self._over[number] = {name: int(tails.over[i, k]) for k, name in names.items()}
        later = {name: tails.sounds[i, k] for k, name in names.items() if (i, k) in tails.sounds}
        for k in np.flatnonzero(~np.isnan(windows.risen[i, :, 0]) & self._near).tolist():
            step, level, ring = windows.risen[i, k].tolist()
            above_db = [float(10 * np.log10(level / max(against, 1e-30))) for against in (windows.own_peak[i, k], ring)]
            sound = LaterSound(int(step) * strokes.detected.scan.hop, *above_db)
            later[names[k]] = (sound, *later.get(names[k], ()))
        if later:
            self._later[number] = later

    def _table_row(self, take: Take, windows: Windows, mine: Frames, number: int) -> dict[str, float | None]:
        """One drum's row of a take's bleed table: nothing for compressed mics, or where its home mic is one."""
        own, other = windows.own[mine].sum(axis=2), windows.other[mine].sum(axis=2)
        names = [m.name for m in self._mics]
        home_name = take.mics[self._placer.home_row(take, number)].name
        if home_name not in names:
            return {}
        home = names.index(home_name)
        row = bleed.table_row(own, other, home)
        row = np.where(self._linear & self._linear[home], row, np.nan)
        row[home] = 0.0
        present = {m.name for m in take.mics}
        return {name: _none(row[k]) for k, name in enumerate(names) if name in present}

    def _band_table(self, take: Take, windows: Windows, drum: Frames) -> dict[str, dict[str, BandBleed]]:
        """A take's bleed table band by band, without compressed mics."""
        names, present = [m.name for m in self._mics], {m.name for m in take.mics}
        out: dict[str, dict[str, BandBleed]] = {}
        for number in sorted({int(d) for d in drum}):
            home = take.mics[self._placer.home_row(take, number)].name
            if home not in names or not self._linear[names.index(home)]:
                continue
            mine = drum == number
            row = bleed.band_row(np.nan_to_num(windows.own[mine]), np.nan_to_num(windows.other[mine]),
                                 names.index(home))
            out[self._named.drum[number]] = {name: row[k] for k, name in enumerate(names)
                                             if name in present and self._linear[k]}
        return out

    def _mic_views(self, take: Take, windows: Windows, drum: Frames) -> tuple[MicView, ...]:
        """How loud hard strokes of the other drums are in each close mic of a take."""
        own, other = np.nan_to_num(windows.own), np.nan_to_num(windows.other)
        hard = {self._named.drum[n]: bleed.hard_db(own[drum == n], other[drum == n])
                for n in sorted({int(d) for d in drum})}
        found = [bleed.view(mic.name, (at, hard[at][k]), (name, hard[name][k]), BAND_EDGES_HZ)
                 for k, mic in enumerate(self._mics) if mic.name in {m.name for m in take.mics} and self._linear[k]
                 for at in hard if mic.stands_at(at) for name in hard if name != at]
        return tuple(each for each in found if each is not None)

    def _begin(self, strokes: Strokes, i: int, onsets: Frames) -> int:
        """The frame at which a hit's event begins, ahead of its onsets where a softer stroke does."""
        begin, earliest = int(strokes.detected.begin[strokes.rows[i]]), _earliest(strokes, i, onsets)
        return min(begin, earliest) if begin >= 0 else earliest

    def _add_hit(self, strokes: Strokes, windows: Windows, hidden: Masked, i: int, hit_id: int, begin: int,
                 onsets: Frames, company: bool) -> None:
        """Make one hit's record, and measure its bleed."""
        take, shares = strokes.detected.take, strokes.shares
        main = int(strokes.template[i])
        number = int(self._templates.drum[main])
        names = [m.name for m in self._mics]
        own = np.nan_to_num(windows.own[i].sum(axis=1))
        active = [int(k) for k in np.flatnonzero(strokes.activation[i]) if int(k) != main]
        other = np.nan_to_num(windows.other[i].sum(axis=1))
        upper_bound_db = bleed.ratio_db(other + hidden.energy[i], own)
        home_row = self._placer.home_row(take, number)
        home = take.mics[home_row].name
        at_home = names.index(home) if home in names else int(own.argmax())
        bleed_db = bleed.reported_db(bleed.ratio_db(other, own), upper_bound_db, at_home)
        predicted = self._placer.predicted[take.name][i]
        if not self._placer.clear[take.name][i]:
            self._doubtful.add(hit_id)
        present = {m.name for m in take.mics}
        self._begins[hit_id] = int(onsets[home_row]) if onsets[home_row] >= 0 else _earliest(strokes, i, onsets)
        worst = self._worst_row(windows, hidden, i, upper_bound_db, present, main, active)
        self._worst[hit_id] = self._with_co_occurrence(number, worst) if company else worst
        self._clean[hit_id] = float(np.nan_to_num(upper_bound_db[at_home], nan=UNKNOWN_CLEAN_DB))
        hop = strokes.detected.scan.hop
        said = self._labelled_as(strokes, i)
        taught = self._named.taught[main] if self._named.taught else None
        computed = taught or self._named.articulation[number, int(strokes.articulation[i])]
        made = Hit(
            id=hit_id, take=take.name, onset=begin,
            onsets={m.name: int(onsets[k]) if onsets[k] >= 0 else None
                    for k, m in enumerate(take.mics) if _is_measured(m)},
            drum=self._named.drum[number], articulation=said.stroke(computed) if said else computed,
            confidence=1.0 if said and said.drum else float(strokes.confidence[i]),
            level_db=_level_db(self._uncompressed(windows.strength[i]), hop),
            bleed_db={**{name: _none(bleed_db[k]) for k, name in enumerate(names) if name in present},
                      **{m.name: None for m in take.mics if m.role.means.judged and m.name not in names}},
            isolated=bleed.isolated(bleed_db, own, at_home, self._linear),
            usable=tuple(name for k, name in enumerate(names) if name in present and bleed_db[k] < bleed.CLEAR_DB),
            predicted=tuple(m.name for k, m in enumerate(take.mics) if predicted[k] and _is_measured(m)),
            partners=self._partners(shares, i, main, active, hop),
            clean_s={name: _none(windows.clean_s[i, k]) for k, name in enumerate(names) if name in present})
        self._hits.append(made if said is None else replace(
            made, hand=said.hand, wires=said.wires, tool=said.tool, strength=said.strength, told_by=said.told_by))

    def _labelled_as(self, strokes: Strokes, i: int) -> Said | None:
        """What the labels say of a hit; None where nothing is said, or where no template of the labelled drum is
        known.
        """
        row = int(strokes.label[i])
        name = self._named.drum[int(self._templates.drum[strokes.template[i]])]
        return self._said[row] if row >= 0 and self._said[row].drum in (None, name) else None

    def _uncompressed(self, energy: Floats) -> Floats:
        """The energies (mics,) that count for a hit's level: no compressed mic, unless all are."""
        known = np.nan_to_num(energy)
        straight = np.where(self._linear, known, 0.0)
        return straight if straight.any() else known

    def _partners(self, shares: Shares, i: int, main_template: int, active: list[int], hop: int) -> tuple[Partner, ...]:
        """The other drums struck with a hit, strongest first."""
        main = float(shares.own[i, main_template].sum())
        found = [(float(shares.own[i, k].sum()), int(self._templates.drum[k]), k) for k in active]
        return tuple(Partner(self._named.drum[number], _level_db(shares.own[i, k], hop))
                     for energy, number, k in sorted(found, reverse=True)
                     if energy > main * 10 ** (PARTNER_DB / 10))

    def _worst_row(self, windows: Windows, hidden: Masked, i: int, upper_bound_db: Floats, present: set[str],
                   template: int, active: list[int]) -> dict[str, float]:
        """The worst bleed of a hit of a template in each mic, dB: of its whole window and of any one band and moment up
        to the next; ``active``: other templates that coincide with it.
        """
        own, other = np.nan_to_num(windows.own_peak[i]), np.nan_to_num(windows.other_peak[i])
        whole = bleed.ratio_db(np.nan_to_num(windows.other[i].sum(axis=1)), np.nan_to_num(windows.own[i].sum(axis=1)))
        name = self._named.drum[int(self._templates.drum[template])]
        graded = bleed.graded_db(np.fmax(bleed.ratio_db(other, own), whole),
                                 np.fmax(bleed.ratio_db(other + hidden.peak[i], own), upper_bound_db),
                                 np.array([m.stands_at(name) for m in self._mics]),
                                 sum(m.name in present for m in self._mics), together=bool(active))
        return {m.name: float(graded[k]) for k, m in enumerate(self._mics) if m.name in present}

    def _with_co_occurrence(self, number: int, worst: Mapping[str, float]) -> Mapping[str, float]:
        """The worst bleed of a hit in each mic, dB, where others co-occur with its drum: it counts as alone in none,
        and nothing is known in mics other than its own.
        """
        limit = grades.GRADE_LIMITS_DB["close"]["A"] + ALONE_NO_MORE_DB
        own = {m.name for m in self._mics if m.stands_at(self._named.drum[number])} | {self._named.home[number]}
        return {mic: max(value, limit if mic in own else 0.0) for mic, value in worst.items()}

    def findings(self, problems: tuple[Problem, ...]) -> Findings:
        """What was found in the takes that were added. ``problems``: what there is to report of them."""
        number = {name: number for number, name in self._named.drum.items()}
        return Findings(
            hits=tuple(self._hits), drums=tuple(
                FoundDrum(name, self._named.what[number[name]], self._named.home[number[name]])
                for name in sorted({hit.drum for hit in self._hits})),
            begins=self._begins, clean_db=self._clean, noise=tuple(self._noise), polarity=self._placer.polarity,
            bleed=self._bleed, delays=self._placer.delays, problems=problems, bleed_bands=self._bands,
            mic_views=self._views, offsets=self._offsets, worst_db=self._worst, dynamics=self._dynamics,
            later=self._later, over=self._over, doubtful=frozenset(self._doubtful),
            polarity_measured=self._placer.measured)


def _earliest(strokes: Strokes, i: int, onsets: Frames) -> int:
    """When a hit begins, over the mics (onsets) and over its strokes: a soft one may have come before the main one."""
    arrivals, row = strokes.detected.arrivals, strokes.rows[i]
    first = int(arrivals.first[row])
    told = onsets[onsets >= 0]
    if not len(told) or abs(int(told.min()) - first) > MAX_ONSET_OFFSET_S * strokes.detected.take.sample_rate:
        return first
    was_read = bool((arrivals.frame[row] == first).any())
    return min(first, int(told.min())) if was_read else int(told.min())


def _noise(heard: Detected) -> TakeNoise:
    """Noise and DC offsets of a take's mics; no noise where a mic is digitally silent."""
    levels = heard.scan.noise_dbfs
    return TakeNoise(heard.take.name, {m.name: float(v) if v > SILENT_DBFS else None
                                       for m, v in zip(heard.take.mics, levels, strict=True)}, heard.offset)


def _level_db(own: Floats, hop: int) -> float | None:
    """10·log10 of an energy (mics,) given as mean square times steps, as a sum of squared samples."""
    total = float(own.sum()) * hop
    return float(10 * np.log10(total)) if total > 0 else None


def _is_measured(mic: Mic) -> bool:
    """Whether hits are measured in a mic of this role."""
    return mic.role.means.of_kit


def _none(value: float) -> float | None:
    """None for NaN."""
    return None if np.isnan(value) else float(value)
