"""Leaning: weak strokes of a rarer articulation, found by a closer look through the drum's own mics.

A rim shot that hardly touches the rim lies nearer to every centre stroke than to any rim shot, in octaves and whole
decibels. But it is off the centre strokes in just the way in which rim shots are: a little of the rim's ring stands at
the same few places of its spectrum. So the first 100 ms are looked at in sixths of an octave, and what tells is not
how far a stroke is from the others but how far it lies along the line from the ordinary stroke of its strength to the
rarer one, levels weighted by how little ordinary strokes waver in them (Fisher 1936, Annals of Eugenics 7, with
independent levels), and how much of all that is odd about it lies along that line. What strength does to the sound is
taken out by a curve through the ordinary strokes that outliers do not move (Huber 1964, Annals of Mathematical
Statistics 35, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from oneshot.audio import Samples, TakeReader
from oneshot.found import Named, Strokes
from oneshot.medians import nan_median
from oneshot.model import Floats, Frames, Mic, Role, Session
from oneshot.scan import BAND_EDGES_HZ

LEAD_S, SPAN_S = 0.001, 0.1
"""Looked at is a stroke from just before its first sound; the window falls to nought over this time."""

EDGES_HZ = 100.0 * 2.0 ** (np.arange(44) / 6)
"""Sixths of an octave, 100 Hz to 14 kHz: the ring of a rim is a few narrow partials."""

KNOWN_STRETCHES = 3
"""A level is known where the stroke owns its band over so many stretches, 45 ms."""

FEWEST_ORDINARY = 12
"""So many ordinary strokes say how they waver."""

CURVED_FROM = 24
"""From so many on, what strength does is followed along a curve, else along a line."""

STEADIEST_DB = 0.5
"""No level is taken to waver by less than this."""

SURE, ALONG = 5.0, 0.6
"""A weak stroke lies this many deviations of ordinary strokes along the line, and so much of what is odd about it lies
there (a cosine); of some 330 others in eight sessions the furthest has 3.9 and 0.8, weak rim shots 9 to 17 and 0.7.
"""

REACH_DB = 10.0
"""A weak stroke is softer than the softest clear one by this much at most: further down ordinary strokes waver more."""

NORMAL_90 = 1.2816
"""So many deviations beyond its middle lie the outer tenths of a normal distribution (handbooks)."""

FEWEST_LEVELS = 12
"""Strokes that share fewer known levels with the line are not judged."""


def with_weak(session: Session, strokes: Sequence[Strokes], drum: Frames, named: Named, mics: Sequence[Mic]
              ) -> list[Strokes]:
    """The strokes of all takes, weak ones given to the rarer articulation of their drum that they lean to.

    ``drum``: int64 (kinds,), the drum of each kind; ``mics``: those in which the strokes' own levels are laid out.
    Drums without mics of their own, and those struck in one way alone, stay as they are. Raises AudioError where a
    file cannot be read.
    """
    number = [drum[each.kind] for each in strokes]
    way = [each.way.copy() for each in strokes]
    for k, name in named.drum.items():
        own = np.array([m.role is Role.CLOSE and m.stands_at(name) for m in mics])
        mine = [np.flatnonzero(of == k) for of in number]
        label = [part[rows] for part, rows in zip(way, mine, strict=True)]
        if not own.any() or not any(part.any() for part in label):
            continue
        seen = [_seen_db(session, each, rows, own, mics) for each, rows in zip(strokes, mine, strict=True)]
        told = lean(np.concatenate(seen), np.concatenate(label))
        for part, rows, new in zip(way, mine, np.split(told, np.cumsum([len(r) for r in mine])[:-1]), strict=True):
            part[rows] = new
    return [replace(each, way=part) for each, part in zip(strokes, way, strict=True)]


def _seen_db(session: Session, strokes: Strokes, rows: Frames, own: NDArray[np.bool_], mics: Sequence[Mic]) -> Floats:
    """What is seen of a take's hits in a drum's own mics (hits, levels), NaN where it is not theirs alone."""
    band = np.searchsorted(BAND_EDGES_HZ, np.sqrt(EDGES_HZ[1:] * EDGES_HZ[:-1]), side="right") - 1
    known: NDArray[np.bool_] = ~np.isnan(strokes.own_db[rows][:, own, :, : KNOWN_STRETCHES + 1])
    able = np.sum(known[..., :KNOWN_STRETCHES], axis=3)[:, :, band] == KNOWN_STRETCHES
    alone = np.sum(known[..., KNOWN_STRETCHES], axis=(1, 2)) > 0  # the next stroke lies beyond the window
    able &= alone[:, None, None]
    level = _spectra_db(session, strokes, rows, [m.name for m, on in zip(mics, own, strict=True) if on])
    return np.where(able, level, np.nan).reshape(len(rows), int(own.sum()) * len(band))


def _spectra_db(session: Session, strokes: Strokes, rows: Frames, mics: Sequence[str]) -> Floats:
    """Spectra (hits, mics, levels) of a take's hits in those mics, NaN in mics that the take lacks."""
    take = strokes.heard.take
    there = [m for m in mics if m in {each.name for each in take.mics}]
    out = np.full((len(rows), len(mics), len(EDGES_HZ) - 1), np.nan)
    if not there or not len(rows):
        return out
    place = [mics.index(m) for m in there]
    first = strokes.heard.arrivals.first[strokes.rows[rows]]
    lead, span = round(LEAD_S * take.sample_rate), round(SPAN_S * take.sample_rate)
    with TakeReader(session.root, take, there) as reader:
        for i, at in enumerate(first.tolist()):
            out[i, place] = spectrum_db(reader.read(at - lead, at - lead + span), take.sample_rate)
    return out


def spectrum_db(samples: Samples, sample_rate: int) -> Floats:
    """Mean power of each sixth of an octave (mics, levels), dB re an arbitrary reference, NaN beyond the Nyquist
    frequency.

    ``samples``: float (mics, frames), weighted by the falling half of a Hann window, as the stroke is.
    """
    frames = samples.shape[1]
    size = fft.next_fast_len(max(frames, sample_rate // 4), real=True)  # four lines a sixth of an octave at 100 Hz
    power = np.abs(fft.rfft(samples * np.hanning(2 * frames)[frames:], size, axis=1)) ** 2
    total = np.concatenate([np.zeros((len(power), 1)), np.cumsum(power, axis=1)], axis=1)
    edge = np.searchsorted(np.arange(power.shape[1]) * (sample_rate / size), EDGES_HZ)
    count = edge[1:] - edge[:-1]
    mean = (total[:, edge[1:]] - total[:, edge[:-1]]) / np.maximum(count, 1)
    out: Floats = np.where(count > 0, 10 * np.log10(np.maximum(mean, 1e-15)), np.nan)
    return out


def lean(level_db: Floats, label: Frames) -> Frames:
    """The labels (hits,) with ordinary strokes that surely lean to a rarer articulation given to it.

    ``level_db``: float64 (hits, levels), NaN where not known; ``label``: int64 (hits,), 0 for ordinary strokes.
    """
    out = label.copy()
    enough = (~np.isnan(level_db)).sum(axis=1) >= FEWEST_LEVELS
    main = np.flatnonzero((label == 0) & enough)
    if len(main) < FEWEST_ORDINARY:
        return out
    off, strength = _deviations(level_db, main)
    furthest = np.zeros(len(main))
    for articulation in range(1, int(label.max(initial=0)) + 1):
        clear = label == articulation
        line = nan_median(off[clear], axis=0)
        along, cosine = _along(off, line)
        away = along[main] - nan_median(along[main], axis=0)
        waver = _waver(away)
        near = strength[main] >= strength[clear].min(initial=np.inf) - REACH_DB
        surely = near & (away >= SURE * waver) & (cosine[main] >= ALONG) & (away > furthest)
        if surely.sum() <= clear.sum():  # more weak strokes than clear ones are ordinary ones
            out[main[surely]] = articulation
            furthest = np.where(surely, away, furthest)
    return out


def _waver(away: Floats) -> float:
    """The standard deviation that the middle of ordinary strokes tells, or either tail if that tells a larger one:
    up to a tenth of them may be weak strokes.
    """
    known = away[~np.isnan(away)]
    if not len(known):
        return np.inf
    low, high = np.percentile(known, (10, 90))
    return max(1.4826 * float(np.median(np.abs(known))), float(max(-low, high)) / NORMAL_90, 1e-6)


def _along(off: Floats, line: Floats) -> tuple[Floats, Floats]:
    """How far each hit (hits, levels) lies along a line (levels,), 1 at its end, and the cosine of the two; NaN where
    too little is known of both.
    """
    both = ~np.isnan(off) & ~np.isnan(line)
    hit, way = np.where(both, off, 0.0), np.where(both, line, 0.0)
    inner, length = (hit * way).sum(axis=1), (way * way).sum(axis=1)
    judged = (both.sum(axis=1) >= FEWEST_LEVELS) & (length > 0)
    along = np.where(judged, inner / np.maximum(length, 1e-12), np.nan)
    cosine = np.where(judged, inner / np.sqrt(np.maximum(length * (hit * hit).sum(axis=1), 1e-12)), np.nan)
    return along, cosine


def _deviations(level_db: Floats, main: Frames) -> tuple[Floats, Floats]:
    """How far each hit lies off the ordinary stroke of its strength (hits, levels), in deviations of those, NaN where
    either is not known; and its strength (hits,), dB against the ordinary strokes.
    """
    strength = np.zeros(len(level_db))
    usual = nan_median(level_db[main], axis=0)
    for _ in range(4):
        strength = np.nan_to_num(nan_median(level_db - usual, axis=1))
        usual = nan_median(level_db[main] - strength[main, None], axis=0)
    even = level_db - strength[:, None]
    out = np.full(even.shape, np.nan)
    for k in range(even.shape[1]):
        rows = main[~np.isnan(even[main, k])]
        if len(rows) >= FEWEST_ORDINARY:
            middle, spread = _curve(strength[rows], even[rows, k], strength)
            out[:, k] = (even[:, k] - middle) / max(STEADIEST_DB, spread)
    return out, strength


def _curve(strength: Floats, level: Floats, at: Floats) -> tuple[Floats, float]:
    """What strength does to one level: its value at each of ``at``, and how far strokes scatter around it."""
    degree = 2 if len(strength) >= CURVED_FROM else 1
    weight, spread = np.ones(len(strength)), 0.0
    fitted = np.polynomial.Polynomial.fit(strength, level, degree)
    for _ in range(8):
        fitted = np.polynomial.Polynomial.fit(strength, level, degree, w=weight)
        left = np.abs(level - fitted(strength))
        spread = 1.4826 * float(np.median(left))
        weight = 1 / np.sqrt(1 + (left / (2 * spread + 1e-3)) ** 2)
    # beyond the ordinary strokes' own strengths a curve says nothing: it stays as it is at their ends
    return np.asarray(fitted(np.clip(at, strength.min(), strength.max()))), spread
