"""Rings: the partials that a drum's head rings at, hit by hit.

A head rings at the pitch that it is tuned to, however hard it is struck: hits of one tom lie within some ten cents of
each other, soft and hard ones within a hundred, and two toms hundreds apart. So where place tells two of them no better
than two spots on one head, their rings do. What is known of them in playing is short: from 30 to 110 ms after the
arrival, if no other stroke falls before that. A hit rings at what stands out there, holds a good part of the energy,
and was not there before the hit. Two hits ring at other pitches where neither has the strongest partial of the other,
farther apart than such a window tells partials apart (25 Hz; Harris 1978, the lobe of a Hann window; from memory).

Wires, cymbals and sticks ring at no such pitch, and of them nothing is said. Nor do ways to strike one drum that has a
mic of its own: a side stick is the stick's sound and the rim's, with a hand on the head.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.detection.onsets import next_strong
from oneshot.analysis.records import HitFeatures
from oneshot.analysis.result import Detected
from oneshot.audio.descriptors import MOST_PARTIALS, partials, ring_spectrum
from oneshot.audio.io import TakeReader
from oneshot.core import workers
from oneshot.core.records.session import Floats, Frames, Mic

RING_S = (0.03, 0.11)
"""A ring is read over this time after the arrival: after the click, and before the next stroke of a fast fill."""

GUARD_S = 0.005
"""What was there before is read as long, up to so shortly before the arrival."""

RISEN_DB = 6.0
"""A partial is the hit's own where it is so much louder than before: what rings on from another drum is not."""

PITCHED_SHARE = 0.3
"""A hit rings where its strongest partial has this share of the energy: on a head one or two partials have most."""

HIGHEST_HZ = 300.0
"""No head's strongest partial lies higher (common practice, no source): above that sticks, rims and shells ring."""

SAME_HZ, SAME_CENTS = 2 / (RING_S[1] - RING_S[0]), 100.0
"""Partials nearer than the first are not told apart; within the second a pitch moves with strength and over a take."""

FEWEST = 3
"""Hits from which it is known at what pitch a template rings."""

MOST_OF = 0.8
"""Most of the pairs of hits have to say so: a partner that nobody detected rings, too."""

OTHER_PITCH_LN = -3.0
"""Evidence (natural logarithm) against templates of other pitches being one drum. Of 69 pairs of templates of one drum,
34 sessions, 14 had other pitches, no toms among them: in one of the two another drum rang, mostly the kick. Of 358
pairs of two drums 261 had.
"""

LOW_BANDS, STRETCHES = 3, slice(2, 4)
"""Where a head rings in what is described of a hit: below 560 Hz, 22 to 90 ms after its arrival."""

AT_ONCE = 64
"""Hits that a worker reads at most before it takes the next ones."""


def partials_hz(root: Path, heard: Sequence[Detected], mics: tuple[Mic, ...], features: HitFeatures,
                near: NDArray[np.bool_], rows: Frames, template: Frames) -> Floats:
    """The partials that hits ring at, float64 (rows, ``MOST_PARTIALS``), Hz, strongest first; NaN for none.

    ``features``: of all takes' hits, laid out for ``mics``; ``near``: bool (mics,); ``rows``: int64, hits over all
    takes, rising; ``template``: int64 (rows,), each hit's template: they are compared in one mic, the one in which most
    of them are loudest below 560 Hz. Raises AudioError where a file cannot be read.
    """
    out = np.full((len(rows), MOST_PARTIALS), np.nan)
    level = features.energy[rows][:, :, :LOW_BANDS, STRETCHES].sum(axis=(2, 3)) * near
    loudest = level.argmax(axis=1)
    for k in np.unique(template).tolist():
        mine = template == k
        loudest[mine] = np.bincount(loudest[mine]).argmax()
    pieces: list[tuple[Detected, str, Frames]] = []
    arrival = np.concatenate([each.arrivals.first for each in heard])[rows]
    at = 0
    for each in heard:
        first, names = each.arrivals.first, {m.name for m in each.take.mics}
        free = next_strong(first, each.onsets.rise_db) - first >= RING_S[1] * each.take.sample_rate
        mine = np.flatnonzero((rows >= at) & (rows < at + len(first)))
        mine = mine[free[rows[mine] - at]]
        at += len(first)
        pieces += [(each, mics[m].name, some) for m in np.unique(loudest[mine]).tolist() if mics[m].name in names
                   for some in workers.parted(mine[loudest[mine] == m], AT_ONCE)]

    def read(piece: tuple[Detected, str, Frames]) -> list[list[float]]:
        """Those of some hits of one take, in one mic."""
        each, mic, some = piece
        with TakeReader(root, each.take, [mic], offset=each.offset) as reader:
            return [_read(reader, first) for first in arrival[some].tolist()]

    for (_, _, some), found in zip(pieces, workers.spread(read, pieces), strict=True):
        for row, hz in zip(some.tolist(), found, strict=True):
            out[row, : len(hz)] = hz
    return out


def _read(reader: TakeReader, first: int) -> list[float]:
    """The partials that the hit that arrives at ``first`` rings at in the one mic that is read, Hz, strongest first."""
    rate = reader.take.sample_rate
    begin, end = (first + round(s * rate) for s in RING_S)
    x = reader.read(first - round(GUARD_S * rate) - (end - begin), end)[0].astype(np.float64)
    return own_partials_hz(x[-(end - begin) :], x[: end - begin], rate)


def own_partials_hz(ring: Floats, before: Floats, sample_rate: int) -> list[float]:
    """The partials, Hz, strongest first, that ring in one stretch and did not in the one before; none where the
    strongest was there already, holds less than ``PITCHED_SHARE`` of the energy, or nothing tonal rings.

    ``ring``, ``before``: float64 (frames,), equally long, one mic.
    """
    power, bin_hz, lobe = ring_spectrum(ring, sample_rate)
    found = partials(power, bin_hz, lobe, highest_hz=HIGHEST_HZ)
    if not found or found[0].share < PITCHED_SHARE:
        return []
    earlier, _, _ = ring_spectrum(before, sample_rate)
    own = [each for each in found if power[each.bins].sum() >= earlier[each.bins].sum() * 10 ** (RISEN_DB / 10)]
    return [each.hz for each in own] if own and own[0] is found[0] else []


def unlike(one_hz: Floats, other_hz: Floats) -> NDArray[np.bool_]:
    """Which hits ring at other pitches, bool (hits, others): neither has the strongest partial of the other. False
    where nothing is known of one of them. ``one_hz``, ``other_hz``: as from ``partials_hz``.
    """
    def alike(a: Floats, b: Floats) -> NDArray[np.bool_]:
        """Whether any partial of the one is any of the other."""
        near = (np.abs(a - b) <= SAME_HZ) | (np.abs(1200 * np.log2(a / b)) <= SAME_CENTS)
        return np.asarray(near.any(axis=2))

    known = ~np.isnan(one_hz[:, :1]) & ~np.isnan(other_hz[:, 0])
    shared = alike(one_hz[:, None, :1], other_hz[None]) | alike(one_hz[:, None], other_hz[None, :, :1])
    return np.asarray(known & ~shared)


def parted(template: Frames, hz: Floats, distance_db: Floats) -> Frames:
    """The same templates (hits,), those of which some hits ring at one pitch and some at another split in two.

    ``hz``: as from ``partials_hz``; ``distance_db``: float64 (hits, hits), by which hits of no known pitch are put to
    the nearer part.
    """
    out = template.copy()
    todo = np.unique(template[template >= 0]).tolist()
    while todo:
        k = todo.pop()
        mine = np.flatnonzero(out == k)
        rings = mine[~np.isnan(hz[mine, 0])]
        if len(rings) < 2 * FEWEST:
            continue
        order = rings[np.argsort(hz[rings, 0], kind="stable")]
        cut = 1 + int(np.diff(np.log(hz[order, 0])).argmax())
        low, high = order[:cut], order[cut:]
        if not (_at_one_pitch(hz[low]) and _at_one_pitch(hz[high]) and _apart(hz[low], hz[high])):
            continue
        rest = np.setdiff1d(mine, rings)
        away = [distance_db[np.ix_(rest, part)].mean(axis=1) for part in (low, high)]
        number = int(out.max()) + 1
        out[np.concatenate([high, rest[away[1] < away[0]]])] = number
        todo += [k, number]
    return out


def other_pitch(template: Frames, hz: Floats, count: int) -> Floats:
    """Evidence of their rings against every two templates being struck on one drum, float64 (templates, templates):
    natural logarithm, 0 where nothing is known. ``template``: int64 (hits,); ``hz``: as from ``partials_hz``.
    """
    of = [hz[(template == k) & ~np.isnan(hz[:, 0])] for k in range(count)]
    sure = [_at_one_pitch(each) for each in of]
    out = np.zeros((count, count))
    for a in range(count):
        for b in range(a):
            if sure[a] and sure[b] and _apart(of[a], of[b]):
                out[a, b] = out[b, a] = OTHER_PITCH_LN
    return out


def _at_one_pitch(hz: Floats) -> bool:
    """Whether so many hits ring that it is known at what pitch, and it is one."""
    return len(hz) >= FEWEST and bool(unlike(hz, hz).mean() <= 1 - MOST_OF)


def _apart(one_hz: Floats, other_hz: Floats) -> bool:
    """Whether the hits of two groups ring at other pitches."""
    return bool(unlike(one_hz, other_hz).mean() >= MOST_OF)
