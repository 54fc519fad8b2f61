"""Attacks: where each hit's attack lies in its drum's home mic, to the frame, aligned over each drum and articulation.

First differences are cross-correlated, so that the transient counts and not the body. An attack whose onset is in
doubt, or that is unlike the others of its group there, is looked for where it is most like them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from oneshot.analysis.detection.arrivals import SEARCH_BACK_S
from oneshot.analysis.measurement.onsets import TOGETHER_S
from oneshot.audio.io import TakeReader
from oneshot.core.cache.results import Kind, recalled
from oneshot.core.records.hits import Hit
from oneshot.core.records.session import Floats, Floats32, Session, Take
from oneshot.core.workers import spread

ATTACK_BACK_S = 0.002
ATTACK_AHEAD_S = 0.008
"""The part of an attack that is compared: from this long before its onset to this long after it."""

ATTACK_REACH_S = 0.0005
"""How far an attack may be shifted against its onset."""

MIN_CORRELATION = 0.7
"""A hit that correlates less with the others is left at its onset: noise, of wires or a brush, correlates anywhere."""

MATCH_BACK_S, MATCH_AHEAD_S = SEARCH_BACK_S + ATTACK_BACK_S, TOGETHER_S + ATTACK_AHEAD_S
"""Where an attack is looked for that may not lie at its onset: from where candidates are searched to where an event
ends.
"""

SHIFTS = Kind("attacks", list[tuple[int | None, ...]])
"""Of the groups of one home mic, by where their hits begin."""


@dataclass(frozen=True, slots=True)
class _Begin:
    """Where a hit begins in its home mic: frame of a take, whether that is in doubt, and whether it was measured."""

    take: str
    onset: int
    doubtful: bool
    measured: bool


def place_attacks(session: Session, hits: Sequence[Hit], onset: Mapping[int, int], home: Mapping[str, str],
                  doubtful: Set[int] = frozenset()) -> tuple[dict[int, int], frozenset[int]]:
    """Frame of the attack in the home mic of every hit, aligned over each drum and articulation; and the hits that
    could not be aligned, since their onset is ``doubtful`` and they match none of their group.

    ``onset``: hit id -> onset in its home mic; ``home``: drum -> home mic. Raises AudioError where a file cannot be
    read.
    """
    takes = {take.name: take for take in session.takes}
    there = {(take.name, mic.name) for take in session.takes for mic in take.mics}
    groups: dict[str, dict[tuple[str, str, int], list[Hit]]] = {}
    for hit in hits:
        mic = home[hit.drum]
        if (hit.take, mic) in there:
            key = (hit.drum, hit.articulation, takes[hit.take].sample_rate)
            groups.setdefault(mic, {}).setdefault(key, []).append(hit)
    asked = [(mic, tuple(tuple(_Begin(h.take, onset[h.id], h.id in doubtful, h.onsets.get(mic) is not None)
                               for h in group) for group in mine.values())) for mic, mine in groups.items()]
    out, unplaced = dict(onset), set(doubtful) & set(onset)
    for mine, found in zip(groups.values(), spread(partial(_shifts, session), asked), strict=True):
        for group, shifts in zip(mine.values(), found, strict=True):
            known = {hit.id: shift for hit, shift in zip(group, shifts, strict=True) if shift is not None}
            out.update((k, onset[k] + shift) for k, shift in known.items())
            unplaced -= set(known)
    return out, frozenset(unplaced)


def _shifts(session: Session, asked: tuple[str, tuple[tuple[_Begin, ...], ...]]) -> list[tuple[int | None, ...]]:
    """By how many frames the attacks of the groups of one home mic lie after their onsets; None for doubtful ones that
    match none of their group.
    """
    mic, groups = asked
    begins = [each for group in groups for each in group]
    names = {each.take for each in begins}
    takes = tuple(take for take in session.takes if take.name in names)

    def made() -> list[tuple[int | None, ...]]:
        """Read and aligned, where no build before has."""
        pieces = _pieces(session.root, takes, mic, begins)
        rates = {take.name: take.sample_rate for take in takes}
        return [_align_group([pieces[each] for each in group], group, rates[group[0].take]) for group in groups]

    return recalled(SHIFTS, (takes, *asked), made)


def _pieces(root: Path, takes: Sequence[Take], mic: str, begins: Sequence[_Begin]) -> dict[_Begin, Floats32]:
    """Audio of one mic around the onsets of some hits, in which their attacks are looked for."""
    out: dict[_Begin, Floats32] = {}
    for take in takes:
        with TakeReader(root, take, [mic]) as reader:
            back, ahead = (round(s * take.sample_rate) for s in (MATCH_BACK_S, MATCH_AHEAD_S))
            for each in sorted((each for each in begins if each.take == take.name), key=lambda each: each.onset):
                out[each] = reader.read(each.onset - back, each.onset + ahead)[0]
    return out


def _align_group(pieces: Sequence[Floats32], group: Sequence[_Begin], rate: int) -> tuple[int | None, ...]:
    """As ``_shifts``, of one group, from the audio around its onsets."""
    clear = [k for k, each in enumerate(group) if not each.doubtful]
    back = round(MATCH_BACK_S * rate)
    near = slice(back - round(ATTACK_BACK_S * rate), back + round(ATTACK_AHEAD_S * rate))
    shifts = np.round(aligned([pieces[k][near] for k in clear], rate)).astype(np.int64).tolist()
    out: dict[int, int] = dict(zip(clear, shifts, strict=True))
    if clear:
        differenced = _normalised([_shifted(pieces[k][near], out[k]) for k in clear])
        typical = differenced.mean(axis=0)
        alike = differenced @ typical / max(float(np.sqrt(np.sum(typical**2))), 1e-12)
        unlike = {k for k, each in zip(clear, alike.tolist(), strict=True) if each < MIN_CORRELATION}
        for k, each in enumerate(group):
            if each.doubtful or k in unlike:  # an onset that matches none may be that of a sound before it
                found = best_match(pieces[k], typical, rate, back if each.measured and each.doubtful else None)
                if found is not None:
                    out[k] = round(found) - back
    return tuple(out.get(k) for k in range(len(group)))


def _shifted(piece: Floats32, frames: int) -> Floats32:
    """A piece as it sounds ``frames`` later, silence beyond its ends."""
    out = np.zeros_like(piece)
    kept = piece[max(frames, 0) : len(piece) + min(frames, 0)]
    out[max(-frames, 0) : max(-frames, 0) + len(kept)] = kept
    return out


def aligned(pieces: Sequence[Floats32], sample_rate: int) -> Floats:
    """Position of the attack of each of a group's hits relative to its onset, in frames, by cross-correlation.

    ``pieces``: one array per hit, all of one length, the home mic from ``ATTACK_BACK_S`` before the onset on. First
    differences are correlated, so that the transient counts and not the body. Each piece is shifted, by up to half a
    millisecond, to where it correlates best with the mean of all, and the mean is formed again, three times over; the
    peak of the cross-correlation is refined by a parabola (Smith, Spectral Audio Signal Processing, from memory).
    Returns float64 (hits,) with median 0.
    """
    shift = np.zeros(len(pieces))
    if len(pieces) < 2:
        return shift
    differenced = _normalised(pieces)
    reach = round(ATTACK_REACH_S * sample_rate)
    axis = np.arange(differenced.shape[1], dtype=np.float64)
    for _ in range(3):
        mean = np.mean([np.interp(axis + move, axis, difference)
                        for move, difference in zip(shift, differenced, strict=True)], axis=0)
        inner = mean[reach:-reach]
        for k, difference in enumerate(differenced):
            product = np.correlate(difference, inner, mode="valid")
            top = int(product.argmax())
            power = np.sum(difference[top : top + len(inner)] ** 2) * np.sum(inner**2)
            correlation = float(product[top]) / max(float(np.sqrt(power)), 1e-12)
            shift[k] = _parabolic_peak(product) - reach if correlation >= MIN_CORRELATION else 0.0
        shift -= np.median(shift)
    return shift


def best_match(piece: Floats32, typical: Floats, sample_rate: int, measured: int | None = None) -> float | None:
    """Where in ``piece`` an attack begins that matches that of its group, in frames; None where nothing does.

    ``piece``: float32 (frames,), one mic; ``typical``: float64 (frames,), mean of the normalised first differences of
    other hits, aligned by their attacks, from ``ATTACK_BACK_S`` before them on; ``measured``: the onset that was
    measured, if one was: where the best match lies just there, two methods agree, and its correlation does not matter.
    The cross-correlation is normalised at each lag, as in ``aligned``.
    """
    difference = np.diff(piece.astype(np.float64), prepend=0.0)
    power = np.convolve(difference**2, np.ones(len(typical)), mode="valid") * np.sum(typical**2)
    correlation = np.correlate(difference, typical, mode="valid") / np.maximum(np.sqrt(power), 1e-12)
    place = _parabolic_peak(correlation) + round(ATTACK_BACK_S * sample_rate)
    agrees = measured is not None and abs(place - measured) <= ATTACK_REACH_S * sample_rate
    return place if agrees or float(correlation.max()) >= MIN_CORRELATION else None


def _normalised(pieces: Sequence[Floats32]) -> Floats:
    """First differences (hits, frames) of pieces of one length, each of energy 1."""
    differenced = np.diff(np.stack(pieces).astype(np.float64), axis=1, prepend=0.0)
    differenced /= np.maximum(np.sqrt((differenced**2).sum(axis=1, keepdims=True)), 1e-12)
    return differenced


def _parabolic_peak(values: Floats) -> float:
    """Position of the largest value, refined by the parabola through it and its neighbours."""
    top = int(values.argmax())
    if top in (0, len(values) - 1):
        return float(top)
    left, middle, right = values[top - 1 : top + 2]
    curvature = left - 2 * middle + right
    return float(top + (0.5 * (left - right) / curvature if curvature < 0 else 0.0))
