"""Placing: every hit's onset in every mic, from its arrivals and its drum's delay pattern; its attack; mics' polarity.

A drum's delays are learned over all takes in which its mics stand, since mics are seldom moved: from a take's own hits
where enough of them are clear, else from those of all takes together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from oneshot import align
from oneshot.audio import TakeReader
from oneshot.found import Named, Strokes
from oneshot.model import Floats, Floats32, Frames, Hit, Role, Session, Take, Templates

TOLERANCE_S = 0.0005
TOLERANCE_CYMBAL_S = 0.0010
"""How far the place of the stroke moves a drum's delays: 18 cm from centre to rim is 0.5 ms; a cymbal swings."""

CYMBALS = frozenset({"hat", "crash", "ride", "splash", "china", "cymbal"})

OWN_HITS = 5
"""A take's own delays are used from this many clear hits on."""

QUIET_BEFORE_S = 0.060
"""A hit is fit to learn delays from where nothing else was struck this long before it."""

TOGETHER_S = 0.018
"""Strokes of one event lie up to this far apart; the later one is looked for over this stretch."""

NOTHING: Floats = np.zeros(0)

POLARITY_HITS = 12
"""Polarity is measured on about so many hits."""

RULES_RATIO = 12.0
"""A stroke with this many times (11 dB) the energy of everything else is the loudest thing in a mic at any moment."""

class Placer:
    """Places the hits of a session; ``delays`` and ``polarity`` fill up as its takes are placed.

    ``delays``: take -> drum -> mic -> ms against the drum's home mic, None where it cannot be told; ``polarity``:
    take -> mic -> 1 or -1 against the home mic of the drum it stands at.
    """

    def __init__(self, session: Session, mics: Sequence[str], named: Named, templates: Templates,
                 strokes: Sequence[Strokes]) -> None:
        self._mics = list(mics)
        self._session, self._named, self._templates = session, named, templates
        self._strokes = strokes
        self._known: dict[tuple[str, int, bool], dict[str, Floats]] = {}
        self.delays: dict[str, dict[str, dict[str, float | None]]] = {}
        self.polarity = {take.name: {m.name: m.polarity for m in take.mics} for take in session.takes}

    def place(self, strokes: Strokes) -> Frames:
        """Onsets (hits, mics of the take) of one take's hits, -1 where they cannot be told."""
        take = strokes.heard.take
        out = np.full((len(strokes.rows), len(take.mics)), -1, np.int64)
        self.delays[take.name] = {}
        drum = self._templates.drum[strokes.kind]
        for number in sorted({int(d) for d in drum}):
            mine = np.flatnonzero(drum == number)
            delay = self._delay(strokes, number)
            self.delays[take.name][self._named.drum[number]] = {
                m.name: None if np.isnan(delay[k]) else float(delay[k] / take.sample_rate * 1e3)
                for k, m in enumerate(take.mics) if m.role not in (Role.TALK, Role.IGNORE)}
            out[mine] = self._settle(strokes, mine, number, delay)
            self._find_polarity(strokes, mine, out[mine], number)
        return out

    def home_row(self, take: Take, number: int) -> int:
        """Row of a drum's home mic in a take; where the take lacks it, of the take's first mic of the best role."""
        names = [m.name for m in take.mics]
        if self._named.home[number] in names:
            return names.index(self._named.home[number])
        order = {Role.OVERHEAD: 0, Role.CLOSE: 1, Role.ROOM: 2, Role.BUS: 3}
        return min(range(len(names)), key=lambda m: (order.get(take.mics[m].role, 9), m))

    def _delay(self, strokes: Strokes, number: int) -> Floats:
        """A drum's delays (mics,) in frames in one take, NaN where not known."""
        take = strokes.heard.take
        out = np.full(len(take.mics), np.nan)
        for k, mic in enumerate(take.mics):
            for strict in (True, False):
                known = self._differences(strokes, number, strict=strict).get(mic.name, NOTHING)
                if len(known) < OWN_HITS:
                    known = np.concatenate([self._differences(s, number, strict=strict).get(mic.name, NOTHING)
                                            for s in self._strokes])
                if len(known):
                    out[k] = align.most_agreed(known, align.AGREE_S)[0] * take.sample_rate
                    break
        return out

    def _differences(self, strokes: Strokes, number: int, *, strict: bool) -> dict[str, Floats]:
        """Arrivals of one drum's clear hits against its home mic, mic -> (clear hits,) seconds.

        ``strict``: only of hits that are one stroke with nothing just before. Worked out once: every take asks for
        those of all.
        """
        take, arrivals = strokes.heard.take, strokes.heard.arrivals
        key = (take.name, number, strict)
        if key not in self._known:
            self._known[key] = {}
            names = [m.name for m in take.mics]
            mine = self._templates.drum[strokes.kind] == number
            if self._named.home[number] in names and mine.any():
                rows, home = strokes.rows[mine], names.index(self._named.home[number])
                least = align.CLEAR_DEPTH_DB if strict else align.USABLE_DEPTH_DB
                clear = np.nan_to_num(arrivals.depth_db[rows]) >= least
                clear &= clear[:, home, None]
                if strict:
                    gap = np.diff(arrivals.first, prepend=np.iinfo(np.int64).min // 2)[rows]
                    single = (strokes.gain[mine] > 0).sum(axis=1) == 1
                    clear &= (single & (gap > QUIET_BEFORE_S * take.sample_rate))[:, None]
                away_s = (arrivals.frame[rows] - arrivals.frame[rows, home, None]) / take.sample_rate
                self._known[key] = {name: away_s[clear[:, k], k] for k, name in enumerate(names)}
        return self._known[key]

    def _settle(self, strokes: Strokes, mine: Frames, number: int, delay: Floats) -> Frames:
        """Onsets of one drum's hits in the take's mics (hits, mics)."""
        take, arrivals = strokes.heard.take, strokes.heard.arrivals
        home, rows = self.home_row(take, number), strokes.rows[mine]
        cymbal = self._named.what[number] in CYMBALS
        tolerance = (TOLERANCE_CYMBAL_S if cymbal else TOLERANCE_S) * take.sample_rate
        alone = (strokes.gain[mine] > 0).sum(axis=1) == 1
        onsets, _ = align.settle(arrivals, rows, delay, tolerance, home=home, alone=alone)
        zero = self._zeros(strokes, mine, onsets[:, home], home)
        if np.isnan(zero).all():
            return onsets
        return align.settle(arrivals, rows, delay, tolerance, home=home, alone=alone, zero=zero)[0]

    def _zeros(self, strokes: Strokes, mine: Frames, at_home: Frames, home: int) -> Floats:
        """When the main stroke reaches its home mic (hits,), where the onset that was read is another's; else NaN.

        Only where it is by far the loudest there: the arrivals of strokes meant to fall together belong to whichever
        came first.
        """
        take, arrivals = strokes.heard.take, strokes.heard.arrivals
        zero = np.full(len(mine), np.nan)
        loud = self._rules(strokes, mine, take.mics[home].name)
        lead, length = (round(s * take.sample_rate) for s in (align.QUIET_S, align.QUIET_S + TOGETHER_S + align.PEAK_S))
        with TakeReader(self._session.root, take, [take.mics[home].name]) as reader:
            for i in np.flatnonzero((at_home >= 0) & loud):
                start = int(arrivals.first[strokes.rows[mine[i]]]) - lead
                found = align.own_onset(reader.read(start, start + length)[0], int(at_home[i]) - start,
                                        take.sample_rate)
                if found is not None:
                    zero[i] = start + found[0]
        return zero

    def _rules(self, strokes: Strokes, mine: Frames, mic: str) -> NDArray[np.bool_]:
        """Whether the main stroke of each hit (hits,) is by far the loudest sound in a mic."""
        if mic not in self._mics:
            return np.zeros(len(mine), bool)
        row = self._mics.index(mic)
        own = strokes.shares.own[mine, strokes.kind[mine], row]
        rest = strokes.shares.own[mine, :, row].sum(axis=1) - own + strokes.shares.other[mine, row]
        loud: NDArray[np.bool_] = own > RULES_RATIO * rest
        return loud

    def _find_polarity(self, strokes: Strokes, mine: Frames, onsets: Frames, number: int) -> None:
        """Measure the polarity of a drum's other close mics against its home mic, on its clearest hits."""
        take, drum = strokes.heard.take, self._named.drum[number]
        home = self.home_row(take, number)
        depth = np.nan_to_num(strokes.heard.arrivals.depth_db[strokes.rows[mine]])
        length = round(align.POLARITY_S * take.sample_rate)
        for k in [k for k, m in enumerate(take.mics) if m.stands_at(drum) and k != home]:
            clear = (depth[:, k] >= align.CLEAR_DEPTH_DB) & (depth[:, home] >= align.CLEAR_DEPTH_DB) \
                & (onsets[:, k] >= 0) & (onsets[:, home] >= 0)
            rows = np.flatnonzero(clear)[:: max(1, int(clear.sum()) // POLARITY_HITS)]
            pairs = []
            with TakeReader(self._session.root, take, [take.mics[home].name, take.mics[k].name]) as reader:
                for i in rows:
                    at, to = int(onsets[i, home]), int(onsets[i, k])
                    pairs.append((reader.read(at, at + length)[0], reader.read(to, to + length)[1]))
            found = align.polarity(pairs, take.sample_rate)
            if found is not None:
                self.polarity[take.name][take.mics[k].name] = found * take.mics[home].polarity


def place_attacks(session: Session, hits: tuple[Hit, ...], onset: Mapping[int, int],
                  home: Mapping[str, str]) -> dict[int, int]:
    """Frame of the attack in the home mic of every hit, lined up over each drum and articulation.

    ``onset``: hit id -> onset in its home mic; ``home``: drum -> home mic.
    """
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
