"""Alignment: onsets settled by a drum's delay pattern, the shape of its attacks, and polarity.

Where a mic picks up a hit clearly its own reading counts; where the hit is masked, ``settle`` predicts the onset from
the pattern of the drum's delays; -1 is left where neither is possible.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.detection.arrivals import (
    ABOVE_EARLIER,
    CLEAR_DEPTH_DB,
    ONSET_DB,
    PEAK_S,
    USABLE_DEPTH_DB,
    most_agreed,
)
from oneshot.analysis.records import Arrivals
from oneshot.audio import cross_correlation
from oneshot.core.records.session import Floats, Floats32, Frames

CLEAR_REACH = 2
"""Tolerances off the delay pattern within which a clear reading still counts: however clear, what lies further off is a
softer stroke that came first, or a reflection.
"""


def settle(arrivals: Arrivals, rows: Frames, delay: Floats, tolerance: float, *, home: int,
           at_home: Floats | None = None) -> tuple[Frames, Floats]:
    """Onsets of one drum's hits in all mics: measured where clear, from the delay pattern where masked.

    ``rows``: int64, the hits; ``delay``: float64 (mics,), frames re the home mic, NaN where unknown; ``tolerance``: how
    far in frames a reading that is not fully clear may deviate from the pattern; ``home``: row of the home mic, which
    says when the hit begins where it picks it up clearly; ``at_home``: float64 (rows,), when each hit reaches the home
    mic where that is known better than from its arrivals, NaN elsewhere. Returns int64 (rows, mics), -1 where not
    known, and the confidence, float64 (rows, mics), 0 to 1.
    """
    frame, depth = arrivals.frame[rows], np.nan_to_num(arrivals.depth_db[rows], nan=0.0)
    known = ~np.isnan(delay)
    out = np.full(frame.shape, -1, np.int64)
    confidence = np.zeros(frame.shape)
    for i in range(len(rows)):
        given = at_home is not None and not np.isnan(at_home[i])
        if at_home is not None and given:
            start: float | None = float(at_home[i])
        elif depth[i, home] >= CLEAR_DEPTH_DB:
            start = float(frame[i, home])
        else:
            start = _arrival_at_home(frame[i], depth[i], delay, known)
        if start is None:
            read = depth[i] >= CLEAR_DEPTH_DB
        else:
            deviation = np.abs(frame[i] - (start + np.nan_to_num(delay)))
            clear = depth[i] >= CLEAR_DEPTH_DB
            usable = depth[i] >= USABLE_DEPTH_DB
            # clear but far off the delay pattern: another stroke, or a reflection
            reach = tolerance if given else CLEAR_REACH * tolerance
            read = clear & known & (deviation <= reach)
            read |= usable & known & (deviation <= tolerance)
            read |= clear & ~known & (not given)
            predicted = known & ~read
            out[i, predicted] = np.round(start + delay[predicted]).astype(np.int64)
            confidence[i, predicted] = 0.5
        out[i, read] = frame[i, read]
        confidence[i, read] = np.clip(depth[i, read] / -ONSET_DB, 0, 1)
    return out, confidence


def _arrival_at_home(frame: Frames, depth: Floats, delay: Floats, known: NDArray[np.bool_]) -> float | None:
    """When the hit reaches the home mic, by the mics that pick it up best: weighted median of arrival minus delay; None
    where none is usable.
    """
    usable = known & (depth >= USABLE_DEPTH_DB)
    if not usable.any():
        return None
    votes, weight = frame[usable] - delay[usable], depth[usable] ** 2
    order = np.argsort(votes, kind="stable")
    total = np.cumsum(weight[order])
    return float(votes[order][np.searchsorted(total, total[-1] / 2)])


def polarity(pairs: Sequence[tuple[Floats32, Floats32]], sample_rate: int) -> int | None:
    """Polarity of a mic against a drum's home mic, 1 or -1; None where the hits do not agree.

    ``pairs``: for each of some clear hits, the home mic and the other one from their own onsets on, equally long. The
    sign of the cross-correlation at its largest absolute peak within 0.3 ms; two thirds of the hits have to agree.
    """
    reach = round(POLARITY_REACH_S * sample_rate)
    signs = []
    for home, other in pairs:
        found, _ = cross_correlation.largest(home[reach : len(home) - reach], other)
        if found:
            signs.append(float(np.sign(found)))
    if len(signs) < 2 or abs(sum(signs)) < len(signs) / 3:
        return None
    return 1 if sum(signs) > 0 else -1


POLARITY_REACH_S = 0.0003
"""How far two mics of one drum may be out of step once each begins at its own onset: 10 cm."""

POLARITY_S = 0.005
"""How much of each attack is compared."""


def attack_curve(x: Floats32, start: int, sample_rate: int) -> Floats:
    """When a sound first passes each level of ``ATTACK_LEVELS_DB`` relative to the peak of its first 50 ms.

    ``x``: (frames,), one mic; ``start``: frame from which on to look. Returns float64 (levels,), frames of ``x``; NaN
    for levels that the sound of the millisecond before ``start`` comes near.
    """
    out = np.full(len(ATTACK_LEVELS_DB), np.nan)
    short = round(BEFORE_S * sample_rate)
    magnitude = np.abs(x).astype(np.float64)
    highest = np.maximum.accumulate(magnitude[start:])
    if not len(highest) or highest[-1] <= 0:
        return out
    rise_end = int(np.searchsorted(highest, EDGE_SHARE * highest[-1]))
    peak = float(highest[: rise_end + round(PEAK_S * sample_rate)].max())
    levels = peak * 10 ** (np.array(ATTACK_LEVELS_DB) / 20)
    clear = levels >= ABOVE_EARLIER * float(magnitude[max(start - short, 0) : start].max(initial=0.0))
    out[clear] = start + np.searchsorted(highest, levels[clear], side="right")
    return out


def typical_attack(curves: Sequence[Floats]) -> tuple[Floats, Floats] | None:
    """How long before a drum's strokes near their peak they pass each level of ``ATTACK_LEVELS_DB``, and the tolerance
    of that.

    ``curves``: float64 (levels,) of each hit, seconds, NaN where not known. Returns the medians and how much longer an
    attack may take, both float64 (levels,), seconds, NaN for levels known from too few hits; None where all are. Only
    hits that agree count: in the others something else came first.
    """
    table = np.array(curves).reshape(-1, len(ATTACK_LEVELS_DB))
    before = table[:, -1:] - table
    needed = max(CURVE_HITS, CURVE_SHARE * int((~np.isnan(before[:, -1])).sum()))
    length, slack = np.full(len(ATTACK_LEVELS_DB), np.nan), np.full(len(ATTACK_LEVELS_DB), np.nan)
    for k in range(len(ATTACK_LEVELS_DB)):
        known = before[~np.isnan(before[:, k]), k]
        if len(known):
            known = known[np.abs(known - most_agreed(known, CURVE_AGREE_S)[0]) <= CURVE_AGREE_S]
        if len(known) >= needed:
            low, middle, high = np.percentile(known, [16, 50, 84])
            length[k], slack[k] = middle, max(CURVE_SLACK_S, CURVE_SPREADS * (high - low) / 2)
    return None if np.isnan(length[:-1]).all() else (length, slack)


def own_onset(found: Floats, typical: tuple[Floats, Floats] | None, *, own_mic: bool) -> tuple[float, float] | None:
    """The onset of a drum in its home mic where a softer stroke just before it may have been taken for it.

    ``found``: float64 (levels,), ``attack_curve`` of the hit, seconds; ``typical``: ``typical_attack`` of the drum,
    None where not known; ``own_mic``: whether the mic stands at the drum. A sound that passes a level earlier than the
    drum ever does before it nears its peak belongs to something else; the lowest level that the drum itself passed
    tells when it began. Returns the onset in seconds and the depth in dB; None where no level tells.
    """
    if np.isnan(found[-1]):
        return None
    furthest = np.inf if own_mic else CURVE_FARTHEST_S
    unknown = np.zeros(len(ATTACK_LEVELS_DB)), np.full(len(ATTACK_LEVELS_DB), RISE_S)
    for length, slack in ([typical] if typical is not None else []) + [unknown]:
        early = found[-1] - found - length
        total = float(length[~np.isnan(length)][0])
        for k, level_db in enumerate(ATTACK_LEVELS_DB[:-1]):
            if early[k] <= slack[k]:  # False for NaN
                return float(found[k] - min(total - length[k], furthest)), -level_db
    return None


CURVE_FARTHEST_S = 0.001
"""In a mic that is not the drum's own an onset is moved no further back than this from where the drum first sounded
alone: softer strokes that tend to come just before it may have lengthened its typical attack.
"""

RISE_S = 0.007
"""From -30 to -10 dB no drum takes longer in its own mic: a soft felt beater about 6 ms, a stick less than 1 ms."""

ATTACK_LEVELS_DB = (-30.0, -27.0, -24.0, -21.0, -18.0, -15.0, -12.0, -10.0)
"""Levels re the peak at which an attack is timed, from the onset to where it nears the peak."""

EDGE_SHARE = 0.32
"""A sound nears its peak where it first passes -10 dB of it."""

BEFORE_S = 0.001
"""Window before a sound whose peak the sound has to stand clear of."""

CURVE_HITS = 3
CURVE_SHARE = 0.25
"""A drum's typical attack is known from so many clear hits on, and from this share of them."""

CURVE_AGREE_S = 0.0015
"""Hits whose attacks are equally long to this are taken for the drum's own."""

CURVE_SLACK_S = 0.0004
CURVE_SPREADS = 3.0
"""How much longer than typical an attack may take: as much as this, or as this many spreads of the drum's own."""
