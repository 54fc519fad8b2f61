"""Hats: the one cymbal whose two plates damp each other, told by decays.

Energies add: a cymbal that rings goes on under whatever is struck next. Only closing it, or a hand, ends it, and a
player closes a hat with the very stroke that follows. So a cymbal whose long decay breaks off time and again at the
next stroke, far faster than it was decaying, is an open hat, and one instrument with the closed hat beside it. A crash
and an open hat do not differ in their first 200 ms nor, through one or two mics, in place; in this they do. Which
stroke ends the decay need not be known: where a kick falls with a closed hat, the hat is often not detected.

And a cymbal that is short from the start is a hat, since nothing else about a kit damps one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.records import STRETCH_STEPS, HitFeatures, Templates
from oneshot.core.records.session import Floats, Frames

CYMBAL_BAND = 5
"""From this band on (1.8 kHz) a cymbal's decay is followed."""

CYMBAL_HIGH, CYMBAL_LOW = 0.4, 0.2
"""A cymbal has the first share of its first 22 ms above 3.2 kHz at least, and the second below 280 Hz at most."""

RINGING_RATIO = 10.0
"""A decay is followed where it stands this many times (10 dB) above the noise."""

MAX_BELOW_ATTACK_DB = 20.0
"""And no further than this below the stroke's own attack: what is softer may be anything's."""

MAX_DECAY_DB = 0.3
"""A tail is taken to decay by no more than this per step, 60 dB in half a second: faster is an end."""

ENDED_DB = 6.0
"""A tail has ended where it lies this far (a factor of four) below the extrapolated decay, 45 to 200 ms after a
stroke.
"""

FEWEST_LEVELS = 4
FEWEST_ENDS, ENDS_SHARE = 2, 0.5
"""So many tails must end so, and this share of those that could be followed to a stroke: a hand may stop a crash."""

LONGEST_S = 1.0
"""Decays are followed for so long."""

SHORT_DECAY_DB = 0.29
"""A closed hat decays by this much per step of the scan, 10.5 dB in a tenth of a second, from its attack to the last
level known; open hats, rides and crashes by less.
"""

LONG_SHARE = 0.5
"""A hat that rings on decays by less than this part of what a closed one does."""

FEWEST_STRUCK = 4
"""Hits of a hat that an articulation needs, as any does."""

_LATE_STRETCHES = (3, 4)
_CENTRE_STEPS = np.array([(a + b) / 2 + 4 for a, b in STRETCH_STEPS])


@dataclass(frozen=True, slots=True, eq=False)
class Struck:
    """The hits of one take in order of time: ``at_s``, float64 (hits,), seconds; ``features`` of the hits in all mics;
    ``template``: int64 (hits,), template of each hit's main stroke.
    """

    at_s: Floats
    features: HitFeatures
    template: Frames


def decay_break_db(features: HitFeatures, hit: int, own: Floats) -> float | None:
    """How far the tail that rings before a hit lies below its extrapolated decay once the hit is over, dB; None where
    nothing rings.

    ``own``: mean squares (mics, bands), the attack of the stroke whose tail is followed.
    """
    high = slice(CYMBAL_BAND, None)
    noise, before = features.noise[hit][:, high], features.before[hit][:, high]
    decaying = (before > RINGING_RATIO * noise) & (before > own[:, high] * 10 ** (-MAX_BELOW_ATTACK_DB / 10))
    decay_db = np.minimum(features.fade_db[hit][:, high], MAX_DECAY_DB)
    found = []
    for stretch in _LATE_STRETCHES:
        cells = decaying & features.valid[hit][:, stretch][:, None]
        if cells.sum() < FEWEST_LEVELS:
            continue
        expected = (before - noise) * 10 ** (-decay_db * _CENTRE_STEPS[stretch] / 10) + noise
        clear = np.maximum(features.energy[hit][:, high, stretch], 1e-15)
        found.append(float(np.median(10 * np.log10(expected[cells] / clear[cells]))))
    return max(found, default=None)


def cymbals(templates: Templates) -> NDArray[np.bool_]:
    """Which templates sound like cymbals, bool (templates,)."""
    early = templates.energy[..., :2].sum(axis=(1, 3))
    total = np.maximum(early.sum(axis=1), 1e-15)
    out: NDArray[np.bool_] = (early[:, 6:].sum(axis=1) > CYMBAL_HIGH * total) & (
        early[:, :2].sum(axis=1) < CYMBAL_LOW * total)
    return out


def _decay_rate_db(templates: Templates) -> Floats:
    """Decay rate of each template (templates,), dB per step; 0 where no more than its attack is known."""
    level = templates.energy.sum(axis=(1, 2))
    known = level > 0
    last = np.where(known.any(axis=1), level.shape[1] - 1 - known[:, ::-1].argmax(axis=1), 0)
    end = np.maximum(level[np.arange(len(level)), last], 1e-15)
    decay_rate = 10 * np.log10(np.maximum(level[:, 0], 1e-15) / end)
    return np.where(known[:, 0] & (last > 0), decay_rate / np.maximum(_CENTRE_STEPS[last] - _CENTRE_STEPS[0], 1.0), 0.0)


def short_cymbals(templates: Templates) -> NDArray[np.bool_]:
    """Which templates sound like cymbals that are damped, bool (templates,): nothing but a hat is."""
    return np.asarray(cymbals(templates) & (_decay_rate_db(templates) >= SHORT_DECAY_DB))


def ends(takes: Sequence[Struck], templates: Templates) -> tuple[Frames, Frames]:
    """How many strokes of each template (templates,) could be followed to another stroke, and how many of their tails
    ended there.
    """
    followed, ended = np.zeros((2, len(templates.drum)), np.int64)
    is_cymbal = cymbals(templates)
    for take in takes:
        for i in np.flatnonzero(is_cymbal[take.template]):
            breaks_db = []
            for j in range(i + 1, len(take.template)):
                if take.at_s[j] - take.at_s[i] > LONGEST_S:
                    break
                break_db = decay_break_db(take.features, j, take.features.energy[i][..., 0])
                if break_db is None:
                    break
                breaks_db.append(break_db)
                if break_db >= ENDED_DB or is_cymbal[take.template[j]]:  # over, or another cymbal's from here on
                    break
            followed[take.template[i]] += bool(breaks_db)
            ended[take.template[i]] += max(breaks_db, default=0.0) >= ENDED_DB
    return followed, ended


def open_hats(takes: Sequence[Struck], templates: Templates) -> NDArray[np.bool_]:
    """Which templates are strokes whose tails end with the strokes that follow, bool (templates,)."""
    followed, ended = ends(takes, templates)
    return (ended >= FEWEST_ENDS) & (ended >= ENDS_SHARE * followed)


def join_hat_openings(takes: Sequence[Struck], templates: Templates, named: Sequence[int] = ()) -> Frames:
    """The drum of each template, int64 (templates,), open hats joined to the closed one.

    ``named``: numbers of drums that the user named, which stay as they are. Where several cymbals are short, the one
    struck most is the hat; where none is, nothing is joined.
    """
    drum = templates.drum.copy()
    short = short_cymbals(templates)
    candidates = np.unique(drum[short])
    if not len(candidates):
        return drum
    hat = max(candidates.tolist(), key=lambda n: (int(templates.members[short & (templates.drum == n)].sum()), -n))
    for number in np.unique(templates.drum[open_hats(takes, templates)]).tolist():
        if number not in named and number not in candidates:
            drum[templates.drum == number] = hat
    return drum


def openings(templates: Templates, template: Frames) -> Frames:
    """Articulation of the hits (hits,) of one hat as far as their templates tell it: 0 for short ones, 1 for those that
    ring on; all 0 where there are not ``FEWEST_STRUCK`` of each.

    For hats whose single hits do not tell it: where closed strokes are soon masked, most of what shows that they are
    over is not known. ``template``: int64 (hits,), each hit's template, all of one drum.
    """
    decay_rate = _decay_rate_db(templates)
    late = templates.energy[..., list(_LATE_STRETCHES)].sum(axis=(1, 2, 3))
    long: NDArray[np.bool_] = (late > 0) & (decay_rate < LONG_SHARE * SHORT_DECAY_DB)
    if min(long[template].sum(), (decay_rate >= SHORT_DECAY_DB)[template].sum()) < FEWEST_STRUCK:
        return np.zeros(len(template), np.int64)
    return long[template].astype(np.int64)
