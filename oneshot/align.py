"""Align: when each hit first arrives in each mic, and where its attack sits to the frame.

The onset of a hit in a mic is the frame at which its own sound first passes -30 dB of the peak of its first 50 ms.
Where the mic was quiet before, that frame is simply there to be read. Where something still rings above -30 dB, the
sound is followed back only as far as it stands clear, and ``depth_db`` says how far that was: 30 is all the
definition asks, 15 is still within a fraction of a millisecond on an attack, less says little.

Sound takes 2.9 ms a metre, so the arrivals of one drum lie in a fixed pattern over the mics. ``most_agreed`` reads it
off the hits that stand clear, ``settle`` answers with it where a hit is buried; -1 is left where neither can tell.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from oneshot import workers
from oneshot.audio import TakeReader
from oneshot.model import Floats, Floats32, Frames, Take
from oneshot.stages import Arrivals, Onsets

ONSET_DB = -30.0
"""An onset is where a hit passes this level against the peak of its first 50 ms."""

PEAK_S = 0.050
"""The stretch in which that peak lies."""

SEARCH_BACK_S = 0.006
"""Candidates come within a few milliseconds; the search starts this much earlier."""

SEARCH_AHEAD_NEAR_S = 0.012
SEARCH_AHEAD_FAR_S = 0.040
"""How much later a near mic and a room may hear a hit: 4 m and 13 m."""

SAME_EVENT_S = 0.016
"""A candidate closer than this is of the same event and does not end the time of this one."""

QUIET_S = 0.012
"""Stretch before the search that tells what still rings."""

ABOVE_RING = 1.5
"""A sound stands clear from this many times the largest magnitude of what rang before."""

CLEAR_DEPTH_DB = 20.0
"""From this depth on an arrival is taken as read, whatever the pattern says."""

USABLE_DEPTH_DB = 12.0
"""Below this depth an arrival is no evidence at all."""

AT_ONCE = 256
"""Candidates whose arrivals one worker reads before it takes the next ones."""


def first_arrivals(reader: TakeReader, take: Take, onsets: Onsets, near: NDArray[np.bool_]) -> Arrivals:
    """Read the first arrival of every candidate in every mic.

    ``near``: bool (mics,), the mics that may say when a hit begins. Raises AudioError where a file cannot be read.
    """
    rate, hits, mics = take.sample_rate, len(onsets.frame), len(take.mics)
    frame = np.full((hits, mics), -1, np.int64)
    depth = np.full((hits, mics), np.nan)
    ends = np.r_[onsets.frame, np.full(1, np.iinfo(np.int64).max // 2)]
    follower = np.searchsorted(onsets.frame, onsets.frame + round(SAME_EVENT_S * rate), side="right")
    room = ends[follower] - onsets.frame

    def read(rows: Frames) -> None:
        """Fill in some hits."""
        with reader.another() as mine:
            for i in rows.tolist():
                start = int(onsets.frame[i]) - round((SEARCH_BACK_S + QUIET_S) * rate)
                stop = int(onsets.frame[i]) + round((SEARCH_AHEAD_FAR_S + PEAK_S) * rate)
                for m, x in enumerate(mine.read(start, stop)):
                    ahead = SEARCH_AHEAD_NEAR_S if near[m] else SEARCH_AHEAD_FAR_S
                    found = follow_back(x, rate, ahead_s=ahead, room=int(room[i]))
                    if found is not None:
                        frame[i, m], depth[i, m] = start + found[0], found[1]

    workers.spread(read, np.split(np.arange(hits), np.arange(AT_ONCE, hits, AT_ONCE)))
    first = _earliest(onsets.frame, frame, depth, near, rate)
    return Arrivals(take.name, first, frame, depth, _typical_lag(first, frame, depth))


def follow_back(x: Floats32, sample_rate: int, *, ahead_s: float, room: int) -> tuple[int, float] | None:
    """Where a sound begins in a window, and how far down it could be followed.

    ``x``: one mic, starting ``QUIET_S + SEARCH_BACK_S`` before the candidate; ``room``: frames until the next
    candidate. Returns the frame in ``x`` and the depth in dB (at most 30), or None where nothing stands out of what
    rang before.
    """
    quiet = round(QUIET_S * sample_rate)
    back = round(SEARCH_BACK_S * sample_rate)
    magnitude = np.abs(x)
    ring = float(magnitude[:quiet].max(initial=0.0))
    reach = min(back + round(ahead_s * sample_rate), back + max(room, back))
    sought = magnitude[quiet : quiet + reach]
    peak_stop = quiet + min(reach + round(PEAK_S * sample_rate), back + max(room, 2 * back))
    peak = float(magnitude[quiet:peak_stop].max(initial=0.0))
    if peak <= 0 or len(sought) == 0:
        return None
    limit = max(peak * 10 ** (ONSET_DB / 20), ABOVE_RING * ring)
    above = sought > limit
    if not above.any():
        return None
    return quiet + int(above.argmax()), float(-20 * np.log10(limit / peak))


def _earliest(candidate: Frames, frame: Frames, depth: Floats, near: NDArray[np.bool_], rate: int) -> Frames:
    """The earliest clear arrival over the near mics; the candidate itself where none is clear."""
    far_off = np.iinfo(np.int64).max
    sure = (depth >= USABLE_DEPTH_DB) & near
    best = np.where(sure, frame, far_off).min(axis=1, initial=far_off)
    # A single mic that claims to be far ahead of the rise in all mics heard something else.
    plausible = (best < far_off) & (np.abs(best - candidate) <= SEARCH_BACK_S * rate)
    return np.where(plausible, best, candidate)


def _typical_lag(first: Frames, frame: Frames, depth: Floats) -> Floats:
    """Median arrival (mics,) after the earliest one over the hits that stand clear; 0 where none does."""
    out = np.zeros(frame.shape[1])
    for m in range(frame.shape[1]):
        clear = depth[:, m] >= CLEAR_DEPTH_DB
        if clear.any():
            out[m] = max(0.0, float(np.median(frame[clear, m] - first[clear])))
    return out


def clear_delays_ms(arrivals: Arrivals, sample_rate: int) -> Floats:
    """How long after the earliest arrival each mic hears each hit, float64 (hits, mics); NaN where it is not clear."""
    clear = np.nan_to_num(arrivals.depth_db) >= CLEAR_DEPTH_DB
    return np.where(clear, (arrivals.frame - arrivals.first[:, None]) / sample_rate * 1e3, np.nan)


def most_agreed(values: Floats, width: float) -> tuple[float, float, int]:
    """Where most values agree: median, half the interquartile range and count of those in the fullest ``width``.

    Of equally full places the latest counts, since other strokes only ever come before.

    A median over all would do where readings are wrong at random; they are not, since every wrong one is another
    stroke's.
    """
    ordered = np.sort(values)
    inside = np.searchsorted(ordered, ordered + width, side="right") - np.arange(len(ordered))
    first = len(ordered) - 1 - int(inside[::-1].argmax())
    low, middle, high = np.percentile(ordered[first : first + inside[first]], [25, 50, 75])
    return float(middle), float((high - low) / 2), int(inside[first])


def sound_m_per_s(air_c: float) -> float:
    """Speed of sound in dry air at a temperature in °C, m/s: 343.2·sqrt(T/293.15 K), ISO 9613-1:1993 (the form of the
    library python-acoustics).
    """
    return 343.2 * float(np.sqrt((air_c + 273.15) / 293.15))


def spread(values: Floats, middle: float) -> tuple[float | None, int]:
    """Half the range from the 16th to the 84th percentile of the values within ``AGREE_S`` of the middle, and how many
    they are; None for fewer than two. For a normal distribution that is one standard deviation.
    """
    near = values[np.abs(values - middle) <= AGREE_S]
    if len(near) < 2:
        return None, len(near)
    low, high = np.percentile(near, [16, 84])
    return float((high - low) / 2), len(near)


AGREE_S = 0.0006
"""Delays of one drum that lie within this agree: 20 cm, about the width of a drum head's struck part."""


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
    clear = levels >= ABOVE_RING * float(magnitude[max(start - short, 0) : start].max(initial=0.0))
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
