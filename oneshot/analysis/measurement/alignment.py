"""Alignment: onsets settled by a drum's delay pattern, polarity, and where attacks sit to the frame.

Where a mic hears a hit clearly its own reading counts; where it is buried ``settle`` answers with the pattern of the
drum's delays; -1 is left where neither can tell.
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
from oneshot.core.records.session import Floats, Floats32, Frames

CLEAR_REACH = 2
"""How many tolerances off the pattern a clear reading still counts: however clear, what comes further off is a softer
stroke that came first, or a reflection.
"""


def settle(arrivals: Arrivals, rows: Frames, delay: Floats, tolerance: float, *, home: int,
           zero: Floats | None = None) -> tuple[Frames, Floats]:
    """Onsets of one drum's hits in all mics: read where clear, from the delay pattern where buried.

    ``rows``: int64, the hits; ``delay``: float64 (mics,), frames against the home mic, NaN where unknown;
    ``tolerance``: how far in frames a reading that is not fully clear may lie off the pattern; ``home``: row of the
    home mic, which says when the hit begins where it hears it clearly; ``zero``: float64 (rows,), when each hit
    reaches the home mic where that is known better than from its arrivals, NaN elsewhere. Returns int64 (rows, mics),
    -1 where it cannot be told, and the confidence, float64 (rows, mics), 0 to 1.
    """
    frame, depth = arrivals.frame[rows], np.nan_to_num(arrivals.depth_db[rows], nan=0.0)
    known = ~np.isnan(delay)
    out = np.full(frame.shape, -1, np.int64)
    confidence = np.zeros(frame.shape)
    for i in range(len(rows)):
        given = zero is not None and not np.isnan(zero[i])
        if zero is not None and given:
            start: float | None = float(zero[i])
        elif depth[i, home] >= CLEAR_DEPTH_DB:
            start = float(frame[i, home])
        else:
            start = _zero(frame[i], depth[i], delay, known)
        if start is None:
            read = depth[i] >= CLEAR_DEPTH_DB
        else:
            away = np.abs(frame[i] - (start + np.nan_to_num(delay)))
            clear = depth[i] >= CLEAR_DEPTH_DB
            heard = depth[i] >= USABLE_DEPTH_DB
            # clear but far off the pattern: another stroke, or a reflection
            reach = tolerance if given else CLEAR_REACH * tolerance
            read = clear & known & (away <= reach)
            read |= heard & known & (away <= tolerance)
            read |= clear & ~known & (not given)
            told = known & ~read
            out[i, told] = np.round(start + delay[told]).astype(np.int64)
            confidence[i, told] = 0.5
        out[i, read] = frame[i, read]
        confidence[i, read] = np.clip(depth[i, read] / -ONSET_DB, 0, 1)
    return out, confidence


def _zero(frame: Frames, depth: Floats, delay: Floats, known: NDArray[np.bool_]) -> float | None:
    """When the hit reaches the home mic, by the mics that hear it best: the weighted median of arrival minus delay."""
    heard = known & (depth >= USABLE_DEPTH_DB)
    if not heard.any():
        return None
    votes, weight = frame[heard] - delay[heard], depth[heard] ** 2
    order = np.argsort(votes, kind="stable")
    total = np.cumsum(weight[order])
    return float(votes[order][np.searchsorted(total, total[-1] / 2)])


def polarity(pairs: Sequence[tuple[Floats32, Floats32]], sample_rate: int) -> int | None:
    """Whether a mic moves with (1) or against (-1) a drum's home mic; None where its hits do not agree.

    ``pairs``: for each of some clear hits, the home mic and the other one from their own onsets on, equally long. The
    sign of the correlation at its largest absolute peak within 0.3 ms (Jillings, Clifford, Reiss 2013, AES 134, from
    memory); two thirds of the hits have to agree.
    """
    reach = round(POLARITY_REACH_S * sample_rate)
    signs = []
    for home, other in pairs:
        inner = home[reach : len(home) - reach].astype(np.float64)
        product = np.correlate(other.astype(np.float64), inner, mode="valid")
        if len(product) and np.abs(product).max() > 0:
            signs.append(float(np.sign(product[np.abs(product).argmax()])))
    if len(signs) < 2 or abs(sum(signs)) < len(signs) / 3:
        return None
    return 1 if sum(signs) > 0 else -1


POLARITY_REACH_S = 0.0003
"""How far two mics of one drum may be out of step once each begins at its own onset: 10 cm."""

POLARITY_S = 0.005
"""How much of each attack is compared."""


def attacks(pieces: Sequence[Floats32], sample_rate: int) -> Floats:
    """Where the attack of each of a group's hits sits against its onset, in frames, by its likeness to the others.

    ``pieces``: one array per hit, all of one length, the home mic from ``ATTACK_BACK_S`` before the onset on. First
    differences are compared, so that the edge counts and not the body. Each piece is moved, by up to half a
    millisecond, to where it correlates best with the mean of all, and the mean is formed again, three times over; the
    peak of the correlation is refined by a parabola (Smith, Spectral Audio Signal Processing, from memory). Returns
    float64 (hits,) with median 0.
    """
    shift = np.zeros(len(pieces))
    if len(pieces) < 2:
        return shift
    edges = np.diff(np.stack(pieces).astype(np.float64), axis=1, prepend=0.0)
    edges /= np.maximum(np.sqrt((edges**2).sum(axis=1, keepdims=True)), 1e-12)
    reach = round(ATTACK_REACH_S * sample_rate)
    axis = np.arange(edges.shape[1], dtype=np.float64)
    for _ in range(3):
        mean = np.mean([np.interp(axis + move, axis, edge) for move, edge in zip(shift, edges, strict=True)], axis=0)
        inner = mean[reach:-reach]
        for k, edge in enumerate(edges):
            product = np.correlate(edge, inner, mode="valid")
            power = np.convolve(edge**2, np.ones(len(inner)), mode="valid") * np.sum(inner**2)
            alike = float(product.max()) / max(float(np.sqrt(power[product.argmax()])), 1e-12)
            shift[k] = _peak_place(product) - reach if alike >= ATTACK_ALIKE else 0.0
        shift -= np.median(shift)
    return shift


def likest(piece: Floats32, others: Sequence[Floats32], sample_rate: int, told: int | None = None) -> float | None:
    """Where in ``piece`` an attack begins that is like those of others of its group, in frames; None where it is like
    them nowhere. ``told``: where it was read, if it was; where it is likest just there, two tell the same, and how like
    it is does not matter.

    ``piece``: (frames,), one mic; ``others``: one array per hit, all of one length and lined up by their attacks, from
    ``ATTACK_BACK_S`` before them on. First differences are correlated, each place by its own energy, as in ``attacks``.
    """
    edges = np.diff(np.stack(others).astype(np.float64), axis=1, prepend=0.0)
    edges /= np.maximum(np.sqrt((edges**2).sum(axis=1, keepdims=True)), 1e-12)
    usual, edge = edges.mean(axis=0), np.diff(piece.astype(np.float64), prepend=0.0)
    power = np.convolve(edge**2, np.ones(len(usual)), mode="valid") * np.sum(usual**2)
    alike = np.correlate(edge, usual, mode="valid") / np.maximum(np.sqrt(power), 1e-12)
    place = _peak_place(alike) + round(ATTACK_BACK_S * sample_rate)
    agrees = told is not None and abs(place - told) <= ATTACK_REACH_S * sample_rate
    return place if agrees or float(alike.max()) >= ATTACK_ALIKE else None


def climb(x: Floats32, start: int, sample_rate: int) -> Floats:
    """When a sound first passes each level of ``CLIMB_DB`` against the peak of its first 50 ms.

    ``x``: (frames,), one mic; ``start``: frame from which on to look. Returns float64 (levels,), frames of ``x``; NaN
    for levels that what rang in the millisecond before ``start`` comes near.
    """
    out = np.full(len(CLIMB_DB), np.nan)
    short = round(BEFORE_S * sample_rate)
    magnitude = np.abs(x).astype(np.float64)
    highest = np.maximum.accumulate(magnitude[start:])
    if not len(highest) or highest[-1] <= 0:
        return out
    edge = int(np.searchsorted(highest, EDGE_SHARE * highest[-1]))
    peak = float(highest[: edge + round(PEAK_S * sample_rate)].max())
    levels = peak * 10 ** (np.array(CLIMB_DB) / 20)
    clear = levels >= ABOVE_EARLIER * float(magnitude[max(start - short, 0) : start].max(initial=0.0))
    out[clear] = start + np.searchsorted(highest, levels[clear], side="right")
    return out


def usual_climb(climbs: Sequence[Floats]) -> tuple[Floats, Floats] | None:
    """How long before a drum's strokes near their peak they pass each level of ``CLIMB_DB``, and what is let pass.

    ``climbs``: float64 (levels,) of each stroke, seconds, NaN where it is not known. Returns the medians and how much
    longer a climb may take, both float64 (levels,), seconds, NaN for levels that too few strokes tell; None where all
    do not. Only strokes that agree count: in the others something else came first.
    """
    table = np.array(climbs).reshape(-1, len(CLIMB_DB))
    before = table[:, -1:] - table
    needed = max(CLIMB_HITS, CLIMB_SHARE * int((~np.isnan(before[:, -1])).sum()))
    length, slack = np.full(len(CLIMB_DB), np.nan), np.full(len(CLIMB_DB), np.nan)
    for k in range(len(CLIMB_DB)):
        known = before[~np.isnan(before[:, k]), k]
        if len(known):
            known = known[np.abs(known - most_agreed(known, CLIMB_AGREE_S)[0]) <= CLIMB_AGREE_S]
        if len(known) >= needed:
            low, middle, high = np.percentile(known, [16, 50, 84])
            length[k], slack[k] = middle, max(CLIMB_SLACK_S, CLIMB_SPREADS * (high - low) / 2)
    return None if np.isnan(length[:-1]).all() else (length, slack)


def own_onset(found: Floats, usual: tuple[Floats, Floats] | None, *, own_mic: bool) -> tuple[float, float] | None:
    """The onset of a drum in its home mic where a softer stroke just before it may have been taken for it.

    ``found``: float64 (levels,), ``climb`` of the hit, seconds; ``usual``: ``usual_climb`` of the drum, None where it
    is not known; ``own_mic``: whether the mic stands at the drum. A sound that passes a level earlier than the drum
    ever does before it nears its peak belongs to something else; the lowest level that the drum itself passed tells
    when it began. Returns the onset in seconds and the depth in dB; None where no level tells.
    """
    if np.isnan(found[-1]):
        return None
    furthest = np.inf if own_mic else CLIMB_FARTHEST_S
    unknown = np.zeros(len(CLIMB_DB)), np.full(len(CLIMB_DB), RISE_S)
    for length, slack in ([usual] if usual is not None else []) + [unknown]:
        early = found[-1] - found - length
        whole = float(length[~np.isnan(length)][0])
        for k, level_db in enumerate(CLIMB_DB[:-1]):
            if early[k] <= slack[k]:  # False for NaN
                return float(found[k] - min(whole - length[k], furthest)), -level_db
    return None


CLIMB_FARTHEST_S = 0.001
"""In a mic that is not the drum's own an onset is taken no further back than this from where the drum was first heard
alone: softer strokes that tend to come just before it may have lengthened what seems its usual climb.
"""

RISE_S = 0.007
"""From -30 to -10 dB no drum takes longer in its own mic: a soft felt beater about 6 ms, a stick less than 1 ms."""

CLIMB_DB = (-30.0, -27.0, -24.0, -21.0, -18.0, -15.0, -12.0, -10.0)
"""Levels against the peak at which the climb of an attack is timed, from the onset to where it nears the peak."""

EDGE_SHARE = 0.32
"""A sound nears its peak where it first passes -10 dB of it."""

BEFORE_S = 0.001
"""What rings in this stretch before a sound is what it has to stand clear of."""

CLIMB_HITS = 3
CLIMB_SHARE = 0.25
"""A drum's climb is known from this many clear strokes on, and from this share of them."""

CLIMB_AGREE_S = 0.0015
"""Strokes whose climbs are equally long to this are taken for the drum's own."""

CLIMB_SLACK_S = 0.0004
CLIMB_SPREADS = 3.0
"""How much longer than usual a climb may take: as much as this, or as this many spreads of the drum's own."""


ATTACK_BACK_S = 0.002
ATTACK_AHEAD_S = 0.008
"""What of an attack is compared: from this long before its onset to this long after it."""

ATTACK_REACH_S = 0.0005
"""How far an attack may be moved against its onset."""

ATTACK_ALIKE = 0.7
"""A hit less like the others than this is left at its onset: noise, of wires or a brush, correlates anywhere."""


def _peak_place(values: Floats) -> float:
    """Place of the largest value, refined by the parabola through it and its neighbours."""
    top = int(values.argmax())
    if top in (0, len(values) - 1):
        return float(top)
    left, middle, right = values[top - 1 : top + 2]
    bend = left - 2 * middle + right
    return float(top + (0.5 * (left - right) / bend if bend < 0 else 0.0))
