"""Choked: hats told by how their ring ends.

Energies add: a cymbal that rings goes on under whatever is struck next. Only closing it, or a hand, ends it, and a
player closes a hat with the very stroke that follows. So a cymbal whose long ring stops time and again at the next
stroke, far faster than it was fading, is an open hat, and one instrument with the short hat beside it. A crash is not
told from an open hat by its first 200 ms, nor, through one or two mics, by its place; by this it is. Which stroke ends
the ring need not be known: where a kick falls with a closed hat, the hat is often not heard as one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from oneshot.model import Floats, Frames
from oneshot.stages import STRETCH_STEPS, HitFeatures, Templates

CYMBAL_BAND = 5
"""From this band on (1.8 kHz) a cymbal's ring is followed."""

CYMBAL_HIGH, CYMBAL_LOW = 0.4, 0.2
"""A cymbal has this share of its first 22 ms above 3.2 kHz at least, and this share below 280 Hz at most."""

RINGING_RATIO = 10.0
"""A ring is followed where it stands this many times (10 dB) above the noise."""

STILL_DB = 20.0
"""And no further than this below the stroke's own attack: what is softer may be anything's."""

FADE_DB = 0.3
"""A ring is taken to fade by no more than this in a step, 60 dB in half a second: faster is an end."""

ENDED_DB = 6.0
"""Ended is a ring that lies this far (a factor of four) below where it was going, 45 to 200 ms after a stroke."""

FEWEST_LEVELS = 4
FEWEST_ENDS, ENDS_SHARE = 2, 0.5
"""So many rings must end so, and this share of those that could be followed to a stroke: a hand may stop a crash."""

LONGEST_S = 1.0
"""Rings are followed for so long."""

SHORT_DB = 0.29
"""A short hat loses this much in a step of the scan, 10.5 dB in a tenth of a second, from its attack to the last that
is known of it; open hats, rides and crashes lose less.
"""

LONG_SHARE = 0.5
"""A hat that rings on loses less than this part of what a short one does."""

FEWEST_STRUCK = 4
"""So many hits of a hat are needed to tell an opening of it, as for any articulation."""

_LATE = (3, 4)
_MIDDLE = np.array([(a + b) / 2 + 4 for a, b in STRETCH_STEPS])


@dataclass(frozen=True, slots=True, eq=False)
class Struck:
    """The strokes of one take in order of time: ``at_s``, float64 (hits,); ``features`` of the hits in all mics;
    ``kind``: int64 (hits,), that of each hit's main stroke.
    """

    at_s: Floats
    features: HitFeatures
    kind: Frames


def drops_db(features: HitFeatures, hit: int, own: Floats) -> float | None:
    """How far what rang before a hit lies below where it was going once the hit is over, dB; None where nothing rings.

    ``own``: mean squares (mics, bands), the attack of the stroke that is followed.
    """
    high = slice(CYMBAL_BAND, None)
    noise, before = features.noise[hit][:, high], features.before[hit][:, high]
    ring = (before > RINGING_RATIO * noise) & (before > own[:, high] * 10 ** (-STILL_DB / 10))
    fade = np.minimum(features.fade_db[hit][:, high], FADE_DB)
    found = []
    for stretch in _LATE:
        cells = ring & features.valid[hit][:, stretch][:, None]
        if cells.sum() < FEWEST_LEVELS:
            continue
        due = (before - noise) * 10 ** (-fade * _MIDDLE[stretch] / 10) + noise
        heard = np.maximum(features.energy[hit][:, high, stretch], 1e-15)
        found.append(float(np.median(10 * np.log10(due[cells] / heard[cells]))))
    return max(found, default=None)


def cymbals(templates: Templates) -> NDArray[np.bool_]:
    """Which kinds (kinds,) sound like cymbals."""
    early = templates.energy[..., :2].sum(axis=(1, 3))
    total = np.maximum(early.sum(axis=1), 1e-15)
    out: NDArray[np.bool_] = (early[:, 6:].sum(axis=1) > CYMBAL_HIGH * total) & (
        early[:, :2].sum(axis=1) < CYMBAL_LOW * total)
    return out


def _lost_db(templates: Templates) -> Floats:
    """How much each kind (kinds,) loses in a step, dB; 0 where no more than its attack is known."""
    level = templates.energy.sum(axis=(1, 2))
    known = level > 0
    last = np.where(known.any(axis=1), level.shape[1] - 1 - known[:, ::-1].argmax(axis=1), 0)
    end = np.maximum(level[np.arange(len(level)), last], 1e-15)
    lost = 10 * np.log10(np.maximum(level[:, 0], 1e-15) / end)
    return np.where(known[:, 0] & (last > 0), lost / np.maximum(_MIDDLE[last] - _MIDDLE[0], 1.0), 0.0)


def ends(takes: Sequence[Struck], templates: Templates) -> tuple[Frames, Frames]:
    """How many strokes of each kind (kinds,) could be followed to another stroke, and how many of them ended there."""
    followed, ended = np.zeros((2, len(templates.drum)), np.int64)
    metal = cymbals(templates)
    for take in takes:
        for i in np.flatnonzero(metal[take.kind]):
            drops = []
            for j in range(i + 1, len(take.kind)):
                if take.at_s[j] - take.at_s[i] > LONGEST_S:
                    break
                drop = drops_db(take.features, j, take.features.energy[i][..., 0])
                if drop is None:
                    break
                drops.append(drop)
                if drop >= ENDED_DB or metal[take.kind[j]]:  # over, or another cymbal's from here on
                    break
            followed[take.kind[i]] += bool(drops)
            ended[take.kind[i]] += max(drops, default=0.0) >= ENDED_DB
    return followed, ended


def open_hats(takes: Sequence[Struck], templates: Templates) -> NDArray[np.bool_]:
    """Which kinds (kinds,) are strokes whose ring ends with the strokes that follow."""
    followed, ended = ends(takes, templates)
    return (ended >= FEWEST_ENDS) & (ended >= ENDS_SHARE * followed)


def joined(takes: Sequence[Struck], templates: Templates, named: Sequence[int] = ()) -> Frames:
    """The drum of each kind (kinds,), open hats put to the short one.

    ``named``: numbers of drums that a person named, which stay as they are. Where several cymbals are short, the one
    struck most is the hat; where none is, nothing is joined.
    """
    drum = templates.drum.copy()
    short = cymbals(templates) & (_lost_db(templates) >= SHORT_DB)
    able = np.unique(drum[short])
    if not len(able):
        return drum
    hat = max(able.tolist(), key=lambda n: (int(templates.members[short & (templates.drum == n)].sum()), -n))
    for number in np.unique(templates.drum[open_hats(takes, templates)]).tolist():
        if number not in named and number not in able:
            drum[templates.drum == number] = hat
    return drum


def openings(templates: Templates, kind: Frames) -> Frames:
    """How the hits (hits,) of one hat were struck as far as their kinds tell it: 0 for what is short, 1 for what rings
    on; all 0 where there are not ``FEWEST_STRUCK`` of each.

    For hats of which single hits do not tell it: where short ones are buried soon, most of what says that they are over
    is not known. ``kind``: int64 (hits,), each hit's kind, all of the one drum.
    """
    lost = _lost_db(templates)
    late = templates.energy[..., list(_LATE)].sum(axis=(1, 2, 3))
    long: NDArray[np.bool_] = (late > 0) & (lost < LONG_SHARE * SHORT_DB)
    if min(long[kind].sum(), (lost >= SHORT_DB)[kind].sum()) < FEWEST_STRUCK:
        return np.zeros(len(kind), np.int64)
    return long[kind].astype(np.int64)
