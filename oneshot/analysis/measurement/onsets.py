"""Onsets: every hit's onset in every mic, from its arrivals and its drum's delay pattern; the mics' polarity.

A drum's delays are learned over all takes in which its mics stand, since mics are seldom moved: from a take's own hits
where enough of them are clear, else from those of all takes together.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.detection import arrivals as find_arrivals
from oneshot.analysis.measurement import alignment
from oneshot.analysis.measurement.envelopes import in_play
from oneshot.analysis.records import Templates
from oneshot.analysis.result import Named, Strokes
from oneshot.audio.io import TakeReader
from oneshot.core.air import speed_of_sound
from oneshot.core.records.hits import Delay
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Frames, Session, Take

TOLERANCE_S = 0.0005
TOLERANCE_CYMBAL_S = 0.0010
"""How far the place of the stroke shifts a drum's delays: 18 cm from centre to rim is 0.5 ms; a cymbal swings."""

CYMBALS = frozenset({"hat", "crash", "ride", "splash", "china", "cymbal"})

OWN_HITS = 5
"""A take's own delays are used from this many clear hits on."""

QUIET_BEFORE_S = 0.060
"""Delays are learned from hits with nothing else struck this long before them."""

TOGETHER_S = 0.018
"""Strokes of one event lie up to this far apart; the later one is looked for over this window."""

NOTHING: Floats = np.zeros(0)

ATTACK_LEAD_S = 0.004
"""An attack is timed from this long before the hit's earliest arrival."""

ATTACK_HITS = 40
"""A drum's typical attack is learned from about so many hits."""

FULL_DEPTH_DB = 29.9
"""A reading this deep was traced all the way down that the definition of an onset asks for."""

SAME_ONSET_S = 0.0001
"""An onset found anew that differs by less than this is the one that was measured."""

POLARITY_HITS = 12
"""Polarity is measured on about so many hits."""

DOMINANCE_RATIO = 12.0
"""A stroke with this many times (11 dB) the energy of everything else is the loudest sound in a mic at any moment."""


class Placer:
    """Finds the onsets of a session's hits; ``delays`` and ``polarity`` fill up as its takes are placed.

    ``delays``: take -> drum -> mic -> delay re the drum's home mic; ``polarity``: take -> mic -> 1 or -1 re the home
    mic of the drum it stands at, and ``measured`` those of them that were measured, the others stand as declared;
    ``predicted``: take -> bool (hits, mics), onsets that follow from the delays and were
    not measured; ``clear``: take -> bool (hits,), whether some mic shows clearly when the hit's own drum begins.
    """

    def __init__(self, session: Session, mics: Sequence[str], named: Named, templates: Templates,
                 strokes: Sequence[Strokes]) -> None:
        self._mics = list(mics)
        self._session, self._named, self._templates = session, named, templates
        self._strokes = strokes
        self._delays_known: dict[tuple[str, int, bool], dict[str, Floats]] = {}
        self._typical_attacks: dict[tuple[int, str], tuple[Floats, Floats] | None] = {}
        self.delays: dict[str, dict[str, dict[str, Delay]]] = {}
        self.predicted: dict[str, NDArray[np.bool_]] = {}
        self.clear: dict[str, NDArray[np.bool_]] = {}
        self.polarity = {take.name: {m.name: m.polarity for m in take.mics} for take in session.takes}
        self.measured: dict[str, tuple[str, ...]] = {}

    def place(self, strokes: Strokes) -> Frames:
        """Onsets of one take's hits, int64 (hits, mics of the take), -1 where not known. Raises AudioError where a file
        cannot be read.
        """
        take = strokes.detected.take
        out = np.full((len(strokes.rows), len(take.mics)), -1, np.int64)
        self.delays[take.name] = {}
        self.predicted[take.name] = np.zeros(out.shape, bool)
        self.clear[take.name] = np.zeros(len(out), bool)
        drum = self._templates.drum[strokes.template]
        for number in sorted({int(d) for d in drum}):
            mine = np.flatnonzero(drum == number)
            delay, spread, count = self._known_delay(strokes, number)
            self.delays[take.name][self._named.drum[number]] = {
                m.name: self._delay_record(delay[k] / take.sample_rate, spread[k], int(count[k]))
                for k, m in enumerate(take.mics) if m.role.means.of_kit}
            out[mine], self.predicted[take.name][mine], self.clear[take.name][mine] = self._settle(
                strokes, mine, number, delay)
            for i in (i for i in mine if int(strokes.rows[i]) in strokes.detected.added and (out[i] < 0).all()):
                out[i] = by_pattern(int(strokes.detected.arrivals.first[strokes.rows[i]]), delay)
                self.predicted[take.name][i] = out[i] >= 0
            self._find_polarity(strokes, mine, out[mine], number)
        return out

    def home_row(self, take: Take, number: int) -> int:
        """Row of a drum's home mic in a take; where the take lacks it, of the take's first mic of the best role."""
        names = [m.name for m in take.mics]
        if self._named.home[number] in names:
            return names.index(self._named.home[number])
        order = {Role.OVERHEAD: 0, Role.CLOSE: 1, Role.ROOM: 2, Role.BUS: 3}
        return min(range(len(names)), key=lambda m: (order.get(take.mics[m].role, 9), m))

    def _delay_record(self, delay_s: float, spread_s: float, hits: int) -> Delay:
        """A delay as the manifest gives it; NaN where it is not known."""
        if np.isnan(delay_s):
            return Delay()
        return Delay(delay_s * 1e3, None if np.isnan(spread_s) else spread_s * 1e3, hits,
                     delay_s * speed_of_sound(self._session.air_c))

    def _delay(self, strokes: Strokes, number: int) -> Floats:
        """A drum's delays (mics,) in frames in one take, NaN where not known."""
        return self._known_delay(strokes, number)[0]

    def _known_delay(self, strokes: Strokes, number: int) -> tuple[Floats, Floats, Frames]:
        """A drum's delays (mics,) in frames in one take, their spread in seconds, both NaN where not known, and the
        number of readings behind each.
        """
        take = strokes.detected.take
        out, spread = np.full(len(take.mics), np.nan), np.full(len(take.mics), np.nan)
        count = np.zeros(len(take.mics), np.int64)
        for k, mic in enumerate(take.mics):
            for strict in (True, False):
                known = self._differences(strokes, number, strict=strict).get(mic.name, NOTHING)
                if len(known) < OWN_HITS:
                    known = np.concatenate([self._differences(s, number, strict=strict).get(mic.name, NOTHING)
                                            for s in self._strokes])
                if len(known):
                    middle = find_arrivals.most_agreed(known, find_arrivals.AGREE_S)[0]
                    spread_s, count[k] = find_arrivals.spread(known, middle)
                    out[k], spread[k] = middle * take.sample_rate, np.nan if spread_s is None else spread_s
                    break
        return out, spread, count

    def _differences(self, strokes: Strokes, number: int, *, strict: bool) -> dict[str, Floats]:
        """Arrivals of one drum's clear hits re its home mic, mic -> (clear hits,) seconds.

        ``strict``: only of hits that are one stroke with nothing just before. Computed once: every take asks for those
        of all.
        """
        take, arrivals = strokes.detected.take, strokes.detected.arrivals
        key = (take.name, number, strict)
        if key not in self._delays_known:
            self._delays_known[key] = {}
            names = [m.name for m in take.mics]
            mine = self._templates.drum[strokes.template] == number
            if self._named.home[number] in names and mine.any():
                rows, home = strokes.rows[mine], names.index(self._named.home[number])
                least = find_arrivals.CLEAR_DEPTH_DB if strict else find_arrivals.USABLE_DEPTH_DB
                clear = np.nan_to_num(arrivals.depth_db[rows]) >= least
                clear &= clear[:, home, None]
                if strict:
                    gap = np.diff(arrivals.first, prepend=np.iinfo(np.int64).min // 2)[rows]
                    single = (strokes.activation[mine] > 0).sum(axis=1) == 1
                    clear &= (single & (gap > QUIET_BEFORE_S * take.sample_rate))[:, None]
                away_s = (arrivals.frame[rows] - arrivals.frame[rows, home, None]) / take.sample_rate
                self._delays_known[key] = {name: away_s[clear[:, k], k] for k, name in enumerate(names)}
        return self._delays_known[key]

    def _settle(self, strokes: Strokes, mine: Frames, number: int,
                delay: Floats) -> tuple[Frames, NDArray[np.bool_], NDArray[np.bool_]]:
        """Onsets of one drum's hits in the take's mics (hits, mics), which of them follow from the delays alone, and
        which hits (hits,) are clear in one mic at least.
        """
        take, arrivals = strokes.detected.take, strokes.detected.arrivals
        home, rows = self.home_row(take, number), strokes.rows[mine]
        cymbal = self._named.what[number] in CYMBALS
        tolerance = (TOLERANCE_CYMBAL_S if cymbal else TOLERANCE_S) * take.sample_rate
        onsets, _ = alignment.settle(arrivals, rows, delay, tolerance, home=home)
        arrival, deep = self._arrivals_at_home(strokes, mine, onsets[:, home], home)
        if not np.isnan(arrival).all():
            onsets, _ = alignment.settle(arrivals, rows, delay, tolerance, home=home, at_home=arrival)
        predicted = (onsets >= 0) & (onsets != arrivals.frame[rows])
        predicted[:, home] &= np.isnan(arrival)  # there the onset was measured anew
        clear = np.nan_to_num(arrivals.depth_db[rows]) >= find_arrivals.CLEAR_DEPTH_DB
        read = (onsets == arrivals.frame[rows]) & clear
        return onsets, predicted, np.where(np.isnan(arrival), (read & (onsets >= 0)).any(axis=1), deep)

    def _arrivals_at_home(self, strokes: Strokes, mine: Frames, at_home: Frames,
                          home: int) -> tuple[Floats, NDArray[np.bool_]]:
        """When the main stroke reaches its home mic (hits,), frames, where the onset measured there is another's; else
        NaN. And whether it was traced far enough down there to be clear.

        Only where it dominates there: the arrivals of strokes meant to fall together belong to whichever came first.
        """
        rate, name = strokes.detected.take.sample_rate, strokes.detected.take.mics[home].name
        drum = self._named.drum[int(self._templates.drum[strokes.template[mine[0]]])]
        own_mic = strokes.detected.take.mics[home].stands_at(drum)
        arrival, deep = np.full(len(mine), np.nan), np.zeros(len(mine), bool)
        rows = np.flatnonzero(self._dominates(strokes, mine, name) & ~self._is_single(strokes, mine, home))
        curves = self._attack_curves(strokes, mine[rows], home)
        for i, curve in zip(rows, curves, strict=True):
            found = alignment.own_onset(curve, self._typical_attack(int(strokes.template[mine[i]]), name),
                                        own_mic=own_mic)
            if found is not None and abs(found[0] * rate - at_home[i]) > SAME_ONSET_S * rate:
                arrival[i], deep[i] = round(found[0] * rate), found[1] >= find_arrivals.CLEAR_DEPTH_DB
        return arrival, deep

    def _is_single(self, strokes: Strokes, mine: Frames, home: int) -> NDArray[np.bool_]:
        """Whether each hit of a drum (hits,) is one stroke, traced all the way down in its home mic, with no other drum
        in play: then what was measured is its own, however slow the attack of a soft stroke is.
        """
        arrivals, number = strokes.detected.arrivals, self._templates.drum[strokes.template[mine[0]]]
        at = arrivals.first[strokes.rows] / strokes.detected.take.sample_rate
        beside = in_play(at[mine], np.sort(at[(strokes.activation[:, self._templates.drum != number] > 0).any(axis=1)]))
        full = np.nan_to_num(arrivals.depth_db[strokes.rows[mine], home]) >= FULL_DEPTH_DB
        return np.asarray(full & ~beside & ((strokes.activation[mine] > 0).sum(axis=1) == 1))

    def _attack_curves(self, strokes: Strokes, some: Frames, mic: int) -> list[Floats]:
        """Attack curves of some hits of a take in one mic, seconds from the take's start (levels of
        ``alignment.ATTACK_LEVELS_DB``).
        """
        take, first = strokes.detected.take, strokes.detected.arrivals.first
        lead = round(ATTACK_LEAD_S * take.sample_rate)
        length = round((TOGETHER_S + find_arrivals.PEAK_S) * take.sample_rate)
        out = []
        with TakeReader(self._session.root, take, [take.mics[mic].name], offset=strokes.detected.offset) as reader:
            for row in strokes.rows[some]:
                start = int(first[row]) - 2 * lead
                piece = reader.read(start, start + 2 * lead + length)[0]
                out.append((start + alignment.attack_curve(piece, lead, take.sample_rate)) / take.sample_rate)
        return out

    def _typical_attack(self, template: int, mic: str) -> tuple[Floats, Floats] | None:
        """Typical attack of one template in a mic, over all takes; of its drum where too few are known, and of mixed
        strokes where none is single.
        """
        if (template, mic) not in self._typical_attacks:
            same = np.arange(len(self._templates.drum)) == template
            drum = self._templates.drum == self._templates.drum[template]
            typical = None
            for templates, single in ((same, True), (drum, True), (same, False), (drum, False)):
                if typical is None:
                    curves = [curve for strokes in self._strokes
                              for curve in self._clear_attack_curves(strokes, templates, mic, single=single)]
                    typical = alignment.typical_attack(curves)
            self._typical_attacks[template, mic] = typical
        return self._typical_attacks[template, mic]

    def _clear_attack_curves(self, strokes: Strokes, templates: NDArray[np.bool_], mic: str, *,
                             single: bool) -> list[Floats]:
        """Attack curves of a take's clear hits of some templates in a mic; ``single``: of single strokes traced all the
        way down.
        """
        take, arrivals = strokes.detected.take, strokes.detected.arrivals
        if mic not in [m.name for m in take.mics]:
            return []
        mine = np.flatnonzero(templates[strokes.template])
        clear = self._dominates(strokes, mine, mic)
        if single:
            clear &= (strokes.activation[mine] > 0).sum(axis=1) == 1
            clear &= np.nan_to_num(arrivals.depth_db[strokes.rows[mine], take.index(mic)]) >= FULL_DEPTH_DB
        mine = mine[clear]
        return self._attack_curves(strokes, mine[:: 1 + len(mine) // ATTACK_HITS], take.index(mic))

    def _dominates(self, strokes: Strokes, mine: Frames, mic: str) -> NDArray[np.bool_]:
        """Whether the main stroke of each hit (hits,) is by far the loudest sound in a mic."""
        if mic not in self._mics:
            return np.zeros(len(mine), bool)
        row = self._mics.index(mic)
        own = strokes.shares.own[mine, strokes.template[mine], row]
        others = strokes.shares.own[mine, :, row].sum(axis=1) - own + strokes.shares.other[mine, row]
        dominant: NDArray[np.bool_] = own > DOMINANCE_RATIO * others
        return dominant

    def _find_polarity(self, strokes: Strokes, mine: Frames, onsets: Frames, number: int) -> None:
        """Measure the polarity of a drum's other close mics against its home mic, on its clearest hits."""
        take, drum = strokes.detected.take, self._named.drum[number]
        home = self.home_row(take, number)
        depth = np.nan_to_num(strokes.detected.arrivals.depth_db[strokes.rows[mine]])
        length = round(alignment.POLARITY_S * take.sample_rate)
        for k in [k for k, m in enumerate(take.mics) if m.stands_at(drum) and k != home]:
            clear = (depth[:, k] >= find_arrivals.CLEAR_DEPTH_DB) & (depth[:, home] >= find_arrivals.CLEAR_DEPTH_DB) \
                & (onsets[:, k] >= 0) & (onsets[:, home] >= 0)
            rows = np.flatnonzero(clear)[:: max(1, int(clear.sum()) // POLARITY_HITS)]
            pairs = []
            both = [take.mics[home].name, take.mics[k].name]
            with TakeReader(self._session.root, take, both, offset=strokes.detected.offset) as reader:
                for i in rows:
                    at, to = int(onsets[i, home]), int(onsets[i, k])
                    pairs.append((reader.read(at, at + length)[0], reader.read(to, to + length)[1]))
            found = alignment.polarity(pairs, take.sample_rate)
            if found is not None:
                self.polarity[take.name][take.mics[k].name] = found * take.mics[home].polarity
                known = {*self.measured.get(take.name, ()), take.mics[k].name}
                self.measured[take.name] = tuple(m.name for m in take.mics if m.name in known)


def by_pattern(first: int, delay: Floats) -> Frames:
    """Onsets (mics,) of a hit that first arrives at ``first`` and of which no more can be measured; -1 where the drum's
    delays (mics,), in frames, are not known.
    """
    if np.isnan(delay).all():
        return np.full(len(delay), -1, np.int64)
    onsets = first + delay - np.nanmin(delay)
    return np.where(np.isnan(delay), -1, np.round(np.nan_to_num(onsets))).astype(np.int64)
