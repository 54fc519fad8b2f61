"""Articulations: how a drum was struck, clustered from each hit's spectrum and decay once place and strength are
removed.

Place tells drums apart; inside one drum place says nothing, and spectrum and decay say all: a side stick has no body, a
rim shot less low end and a ringing rim, an open hat a long decay. So the hits of one drum are compared once more by
themselves, in its own close mics where it has any, by the part of each level that is their own, in bands and time
stretches. A stretch that the next hit cuts off, or that another drum masks, is unknown and not used: an open hat that
is cut short is told by its decay until then.

Harder hits are also brighter, so hits are compared at equal strength: the trend of each level with strength inside the
clusters is removed (analysis of covariance). The number of articulations follows from the silhouette (Rousseeuw 1987,
Journal of Computational and Applied Mathematics 20): as many as leave every one of them well separated from the others,
else one.

Weak hits of a rarer articulation (``reassign_weak``) are found by their narrow-band spectra in the drum's own mics. A
rim shot that hardly touches the rim lies nearer to every centre stroke than to any rim shot, in octaves and whole
decibels. But it deviates from centre strokes in the same direction as rim shots do: a little of the rim's ring stands
in the same few narrow bands. So the first 100 ms are analysed in sixths of an octave, and what decides is not the
distance but the projection on the line from the main stroke of that strength to the rarer one, levels weighted by the
inverse spread of main strokes (Fisher 1936, Annals of Eugenics 7, with independent levels), and the cosine of deviation
and line. The effect of strength is removed by a robust regression through the main strokes (Huber 1964, Annals of
Mathematical Statistics 35, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.detection.spectrogram import BAND_EDGES_HZ
from oneshot.analysis.records import HitFeatures, Templates
from oneshot.analysis.result import Named, Strokes
from oneshot.audio.io import Samples, TakeReader
from oneshot.core.arrays import nan_median
from oneshot.core.lazy import later
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Frames, Mic, Session

fft = later("scipy.fft")
hierarchy = later("scipy.cluster.hierarchy")
distances = later("scipy.spatial.distance")

OWN_SHARE = 0.5
"""A level is a hit's own where at least this share of the measured energy is."""

KNOWN_SHARE = 0.6
"""Learned from are hits that know this share of the levels that the drum's best known hits know."""

LEARN_FROM = 400
"""Hits of one drum learned from at most; the silhouette grows with the square of it."""

FEWEST = 4
"""Hits that an articulation of its own needs at least: fewer are chance, or a fault."""

MOST = 6
"""Articulations of one drum at most."""

APART_DB = 2.5
"""Articulations differ by this much at equal strength: a player's strokes in one way differ by 1 to 2 dB."""

STRENGTH_SHARE = 0.2
"""And by so much more for each decibel by which one is only ever struck harder than the other: strength alone may do
that.
"""

MAX_SLOPE = 0.5
"""A decibel of strength changes a level against the others by this much at most."""

SHRINKAGE_DB2 = 100.0
"""Sum of squared strengths (dB) at which a trend with strength is shrunk by half."""

STRUCTURE, SILHOUETTE = 0.5, 0.4
"""Mean silhouette of all hits from which on a structure is taken to be there (Kaufman and Rousseeuw 1990, Finding
Groups in Data, table 4, from memory), and that of each articulation; halves of one cluster reach 0.2 to 0.35.
"""

ATTACK_WEIGHT = 2.0
"""The first two stretches, 22 ms, count twice: in dense playing they are the hit's own, later ones seldom."""

FEWEST_LEVELS = 6
"""Two hits that share fewer levels than this cannot be compared."""

FAR_DB = 8.0
"""Distance that such two are given."""

RANGE_DB = 24.0
"""Bands further below the drum's strongest one in a mic are left out: what is there is seldom the drum."""

LIMIT_DB = 20.0
"""One band and stretch counts no more than this."""

NEARER = 0.6
"""A hit that was not learned from goes to a rarer articulation where that is this much nearer than the main one."""


def own_levels_db(features: HitFeatures, gain: Floats, ground: Floats, templates: Templates, main: Frames) -> Floats:
    """Level of each hit's main stroke by itself, float32 dB (hits, mics, bands, stretches), NaN where not known.

    ``gain``: float64 (hits, templates), activations; ``ground``: float64 (hits, mics, bands, stretches), the background
    without the hit; ``main``: int64 (hits,), the template of the main stroke.
    """
    out = np.full(features.energy.shape, np.nan, np.float32)
    for i in range(len(main)):
        others = ground[i] + np.tensordot(np.where(np.arange(gain.shape[1]) == main[i], 0.0, gain[i]),
                                          templates.energy, 1)
        own = features.energy[i] - others
        known = (own > OWN_SHARE * features.energy[i]) & features.valid[i][:, None, :]
        out[i] = np.where(known, 10 * np.log10(np.maximum(own, 1e-15)), np.nan)
    return np.asarray(out)


def tell_apart(level_db: Floats) -> NDArray[np.int64]:
    """Cluster the hits of one drum by articulation: labels, int64 (hits,), 0 for the most frequent one.

    ``level_db``: float (hits, mics, bands, stretches), as from ``own_levels_db``, in the mics that are to decide.
    """
    label = np.zeros(len(level_db), np.int64)
    if len(level_db) < 2 * FEWEST:
        return label
    sound, strength = profiles(_merge_attack(level_db))
    known = (~np.isnan(sound)).mean(axis=(1, 2))
    learn = np.flatnonzero(known >= KNOWN_SHARE * np.percentile(known, 90))
    if len(learn) > LEARN_FROM:
        learn = learn[np.linspace(0, len(learn) - 1, LEARN_FROM).round().astype(np.int64)]
    found, slope = split(sound[learn], strength[learn])
    if found.max(initial=0) == 0:
        return label
    detrended = sound - slope * strength[:, None, None]
    mean = _to_each(distances_db(detrended, detrended[learn]), found)
    for a in range(1, int(found.max()) + 1):
        mine = learn[found == a]
        # beyond the strengths it was learned at, as far as strength alone could not account for the difference
        reach = max(0.0, float(mean[mine, 0].mean()) - APART_DB) / STRENGTH_SHARE
        mean[(strength < strength[mine].min() - reach) | (strength > strength[mine].max() + reach), a] = np.inf
    best = mean.argmin(axis=1)
    label = np.where(mean[np.arange(len(label)), best] < NEARER * mean[:, 0], best, 0)
    label[learn] = found
    return np.asarray(label, np.int64)


def _merge_attack(level_db: Floats) -> Floats:
    """The same with the first two stretches merged: where a partner comes first, the hit is read 5 to 10 ms late, but
    is no other articulation.
    """
    power = 10 ** (level_db[..., :2] / 10)
    joined = 10 * np.log10(np.where(np.isnan(power).any(axis=-1), np.nan, power.mean(axis=-1)))
    return np.concatenate([joined[..., None], level_db[..., 2:]], axis=-1)


def profiles(level_db: Floats) -> tuple[Floats, Floats]:
    """Sound (hits, bands, stretches), dB re the drum's median stroke, NaN where not known, and strength (hits,), dB re
    it in the first stretch: how long a hit rings on is no matter of strength.

    The response of each mic is removed mic by mic and band by band, so that hits known in different mics can be
    compared.
    """
    flat = level_db.reshape(len(level_db), -1).astype(np.float64)
    reference, strength = _median_stroke(flat)
    attack = nan_median((flat - reference).reshape(level_db.shape)[..., 0].reshape(len(flat), -1), axis=1)
    reference_level = np.nan_to_num(reference.reshape(level_db.shape[1:]), nan=-150.0)
    in_range = reference_level.max(axis=2) >= reference_level.max(axis=(1, 2))[:, None] - RANGE_DB
    residual = np.clip(flat - reference - strength[:, None], -1.5 * LIMIT_DB, 1.5 * LIMIT_DB).reshape(level_db.shape)
    residual = np.where(in_range[None, :, :, None], residual, np.nan)
    count = (~np.isnan(residual)).sum(axis=1)
    sound = np.where(count > 0, np.nansum(residual, axis=1) / np.maximum(count, 1), np.nan)
    return sound, np.where(np.isnan(attack), strength, attack)


def _median_stroke(flat: Floats) -> tuple[Floats, Floats]:
    """Median levels (levels,) of hits (hits, levels) of different strength, and their strengths (hits,) re it, dB."""
    reference = flat[(~np.isnan(flat)).sum(axis=1).argmax()]
    strength = np.zeros(len(flat))
    for _ in range(4):
        strength = np.nan_to_num(nan_median(flat - reference, axis=1))
        middle = nan_median(flat - strength[:, None], axis=0)
        reference = np.where(np.isnan(middle), reference, middle)
    return reference, strength


def distances_db(sound: Floats, other: Floats) -> Floats:
    """Distance in dB of each hit (hits, bands, stretches) to each of the others (others, bands, stretches): mean
    absolute deviation over what is known of both, their overall level difference removed.
    """
    each = np.ones(sound.shape[1:])
    each[:, 0] = ATTACK_WEIGHT
    flat, weight = other.reshape(len(other), -1), each.reshape(-1)
    out = np.empty((len(sound), len(other)))
    same = other is sound  # then the other half is the same, to the bit
    for i, one in enumerate(sound.reshape(len(sound), -1)):
        rest = slice(i if same else 0, None)
        away = flat[rest] - one
        away = away - nan_median(away, axis=1)[:, None]
        known = ~np.isnan(away)
        total = (np.where(known, np.minimum(np.abs(away), LIMIT_DB), 0.0) * weight).sum(axis=1)
        mean = total / np.maximum((known * weight).sum(axis=1), 1)
        out[i, rest] = np.where(known.sum(axis=1) >= FEWEST_LEVELS, mean, FAR_DB)
        if same:
            out[rest, i] = out[i, rest]
    return out


def split(sound: Floats, strength: Floats) -> tuple[NDArray[np.int64], Floats]:
    """As many articulations as are well separated: labels, int64 (hits,), by falling size, all 0 where there is one,
    and the slope of each level with strength, dB per dB (bands, stretches).

    Each cut through the hierarchical clustering is judged at equal strength: the trend of the sound with strength
    inside the clusters is removed from all of them first (analysis of covariance), so that soft and hard strokes of one
    articulation, cut in two, fall together again.
    """
    best, slope = np.zeros(len(sound), np.int64), np.zeros(sound.shape[1:])
    if len(sound) < 2 * FEWEST:
        return best, slope
    distance = distances_db(sound, sound)
    np.fill_diagonal(distance, 0.0)
    tree = hierarchy.linkage(distances.squareform((distance + distance.T) / 2, checks=False), "average")
    tried: set[bytes] = set()
    for count in range(2, 3 * MOST):
        label = _without_small(hierarchy.fcluster(tree, count, "maxclust"), distance)
        if label.tobytes() in tried or not best.max() + 1 < label.max() + 1 <= MOST:
            continue
        tried.add(label.tobytes())
        trend = slopes(sound, strength, label)
        detrended = sound - trend * strength[:, None, None]
        away = distances_db(detrended, detrended)
        label = _without_small(_to_each(away, label).argmin(axis=1), away)
        if label.max() > best.max() and _stand_apart(away, strength, label):
            best, slope = label, trend
    return best, slope


def slopes(sound: Floats, strength: Floats, label: NDArray[np.int64]) -> Floats:
    """Slope of each level with strength inside the clusters, dB per dB (bands, stretches).

    Pooled over the clusters, shrunk towards 0 where strengths vary little, and limited to ``MAX_SLOPE``.
    """
    covariance, variance = np.zeros(sound.shape[1:]), np.full(sound.shape[1:], SHRINKAGE_DB2)
    for group in range(int(label.max()) + 1):
        rows = np.flatnonzero(label == group)
        known = ~np.isnan(sound[rows])
        count = np.maximum(known.sum(axis=0), 1)
        level = np.where(known, sound[rows], 0.0)
        centred_strength = np.where(known, strength[rows][:, None, None], 0.0)
        level = np.where(known, level - level.sum(axis=0) / count, 0.0)
        centred_strength = np.where(known, centred_strength - centred_strength.sum(axis=0) / count, 0.0)
        covariance += (level * centred_strength).sum(axis=0)
        variance += (centred_strength * centred_strength).sum(axis=0)
    return np.asarray(np.clip(covariance / variance, -MAX_SLOPE, MAX_SLOPE))


def _stand_apart(distance_db: Floats, strength: Floats, label: NDArray[np.int64]) -> bool:
    """Whether there are clusters at all, each is separated, and every two differ by more than strength may explain."""
    value = _silhouettes(distance_db, label)
    groups = range(int(label.max()) + 1)
    if value.mean() < STRUCTURE or min(value[label == a].mean() for a in groups) < SILHOUETTE:
        return False
    mean = _to_each(distance_db, label)
    return all(mean[label == a, b].mean() >= APART_DB + STRENGTH_SHARE * _outside_overlap_db(strength, label, a, b)
               for a in groups for b in groups if a != b)


def _outside_overlap_db(strength: Floats, label: NDArray[np.int64], a: int, b: int) -> float:
    """How far the median strengths of two clusters reach outside the range over which the effect of strength is known:
    0 where some cluster was struck both as softly and as hard as they are.
    """
    middle = [float(np.median(strength[label == k])) for k in (a, b)]
    reach = [np.percentile(strength[label == group], (5, 95)) for group in range(int(label.max()) + 1)]
    return min(max(0.0, float(low) - min(middle)) + max(0.0, max(middle) - float(high)) for low, high in reach)


def _without_small(cluster: NDArray[np.int64], distance_db: Floats) -> NDArray[np.int64]:
    """The clusters numbered by falling size, those of fewer than ``FEWEST`` hits merged into the nearest other one."""
    number, size = np.unique(cluster, return_counts=True)
    able = number[size >= FEWEST]
    able = able[np.argsort(-size[size >= FEWEST], kind="stable")]
    if not len(able):
        return np.zeros(len(cluster), np.int64)
    mean = np.stack([distance_db[:, cluster == c].mean(axis=1) for c in able], axis=1)
    place = {int(c): n for n, c in enumerate(able)}
    return np.array([place.get(int(c), int(mean[i].argmin())) for i, c in enumerate(cluster)], np.int64)


def _to_each(distance_db: Floats, label: NDArray[np.int64]) -> Floats:
    """Mean distance (hits, articulations) of each hit to each articulation; the hit itself, at distance 0, is left
    out.
    """
    member = label[:, None] == np.arange(label.max() + 1)
    count = member.sum(axis=0) - (member if len(distance_db) == len(member) else 0)
    out: Floats = np.stack([distance_db[:, m].sum(axis=1) for m in member.T], axis=1) / np.maximum(count, 1)
    return out


def _silhouettes(distance_db: Floats, label: NDArray[np.int64]) -> Floats:
    """Silhouette (hits,), -1 to 1, of each hit."""
    mean = _to_each(distance_db, label)
    hit = np.arange(len(label))
    own = mean[hit, label]
    mean[hit, label] = np.inf
    other = mean.min(axis=1)
    out: Floats = (other - own) / np.maximum(np.maximum(other, own), 1e-9)
    return out


def median_strokes(level_db: Floats, label: NDArray[np.int64]) -> Floats:
    """The median stroke of each articulation: mean squares (articulations, bands, stretches), summed over the mics and
    scaled to sum to 1; 0 where hardly anything is known.

    ``level_db``: as for ``tell_apart``; ``label``: its result.
    """
    count = int(label.max(initial=-1)) + 1
    out = np.zeros((count, *level_db.shape[2:]))
    for a in range(count):
        levels = level_db[label == a].reshape((label == a).sum(), -1).astype(np.float64)
        reference, _ = _median_stroke(levels)
        known = (~np.isnan(levels)).sum(axis=0) >= max(1, len(levels) / 4)
        power = np.where(known & ~np.isnan(reference), 10 ** (np.nan_to_num(reference) / 10), 0.0)
        out[a] = power.reshape(level_db.shape[1:]).sum(axis=0)
        out[a] /= max(float(out[a].sum()), 1e-15)
    return out


# -------------------------------------------------------------------- weak hits reassigned by their narrow-band spectra

LEAD_S, SPAN_S = 0.001, 0.1
"""A hit is analysed from just before its first sound; the window falls to 0 over this time."""

EDGES_HZ = 100.0 * 2.0 ** (np.arange(44) / 6)
"""Sixths of an octave, 100 Hz to 14 kHz: a rim rings in a few narrow partials."""

KNOWN_STRETCHES = 3
"""A level is known where the hit owns its band over so many stretches, 45 ms."""

FEWEST_MAIN = 12
"""Main strokes from which their spread is estimated."""

CURVED_FROM = 24
"""From so many on, the effect of strength is fitted by a parabola, else by a straight line."""

MIN_SPREAD_DB = 0.5
"""No level is taken to vary by less than this."""

MIN_PROJECTION, MIN_COSINE = 5.0, 0.6
"""A weak hit lies this many standard deviations of main strokes along the line, and the cosine of its deviation and the
line is at least this; of some 330 others in eight sessions the furthest has 3.9 and 0.8, weak rim shots 9 to 17 and
0.7.
"""

REACH_DB = 10.0
"""A weak hit is softer than the softest clear one by this much at most: further down main strokes vary more."""

NORMAL_90 = 1.2816
"""The 90th percentile of the standard normal distribution (handbooks)."""

REASSIGN_FEWEST_LEVELS = 12
"""Hits that share fewer known levels with the line are not judged."""


def reassign_weak(session: Session, strokes: Sequence[Strokes], drum: Frames, named: Named, mics: Sequence[Mic]
              ) -> list[Strokes]:
    """The hits of all takes, weak ones reassigned to the rarer articulation of their drum.

    ``drum``: int64 (templates,), the drum of each template; ``mics``: those in which the hits' own levels are laid out.
    Drums without close mics, and those of one articulation, stay as they are. Raises AudioError where a file cannot be
    read.
    """
    number = [drum[each.template] for each in strokes]
    way = [each.articulation.copy() for each in strokes]
    for k, name in named.drum.items():
        own = np.array([m.role is Role.CLOSE and m.stands_at(name) for m in mics])
        mine = [np.flatnonzero(of == k) for of in number]
        label = [part[rows] for part, rows in zip(way, mine, strict=True)]
        if not own.any() or not any(part.any() for part in label):
            continue
        spectra = [_own_spectra_db(session, each, rows, own, mics) for each, rows in zip(strokes, mine, strict=True)]
        relabelled = reassign(np.concatenate(spectra), np.concatenate(label))
        for part, rows, new in zip(way, mine, np.split(relabelled, np.cumsum([len(r) for r in mine])[:-1]),
                                   strict=True):
            part[rows] = new
    return [replace(each, articulation=part) for each, part in zip(strokes, way, strict=True)]


def _own_spectra_db(session: Session, strokes: Strokes, rows: Frames, own: NDArray[np.bool_],
                    mics: Sequence[Mic]) -> Floats:
    """Spectra of a take's hits in a drum's own mics (hits, levels), dB, NaN where a level is not theirs alone."""
    band = np.searchsorted(BAND_EDGES_HZ, np.sqrt(EDGES_HZ[1:] * EDGES_HZ[:-1]), side="right") - 1
    known: NDArray[np.bool_] = ~np.isnan(strokes.own_db[rows][:, own, :, : KNOWN_STRETCHES + 1])
    able = np.sum(known[..., :KNOWN_STRETCHES], axis=3)[:, :, band] == KNOWN_STRETCHES
    alone = np.sum(known[..., KNOWN_STRETCHES], axis=(1, 2)) > 0  # the next hit lies beyond the window
    able &= alone[:, None, None]
    level = _spectra_db(session, strokes, rows, [m.name for m, on in zip(mics, own, strict=True) if on])
    return np.where(able, level, np.nan).reshape(len(rows), int(own.sum()) * len(band))


def _spectra_db(session: Session, strokes: Strokes, rows: Frames, mics: Sequence[str]) -> Floats:
    """Spectra (hits, mics, levels) of a take's hits in those mics, dB, NaN in mics that the take lacks."""
    take = strokes.detected.take
    there = [m for m in mics if m in {each.name for each in take.mics}]
    out = np.full((len(rows), len(mics), len(EDGES_HZ) - 1), np.nan)
    if not there or not len(rows):
        return out
    place = [mics.index(m) for m in there]
    first = strokes.detected.arrivals.first[strokes.rows[rows]]
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


def reassign(level_db: Floats, label: Frames) -> Frames:
    """The labels (hits,), main strokes that surely deviate towards a rarer articulation given to it.

    ``level_db``: float64 (hits, levels), NaN where not known; ``label``: int64 (hits,), 0 for main strokes.
    """
    out = label.copy()
    enough = (~np.isnan(level_db)).sum(axis=1) >= REASSIGN_FEWEST_LEVELS
    main = np.flatnonzero((label == 0) & enough)
    if len(main) < FEWEST_MAIN:
        return out
    deviation, strength = _deviations(level_db, main)
    furthest = np.zeros(len(main))
    for articulation in range(1, int(label.max(initial=0)) + 1):
        clear = label == articulation
        direction = nan_median(deviation[clear], axis=0)
        projection, cosine = _project(deviation, direction)
        away = projection[main] - nan_median(projection[main], axis=0)
        std = _robust_std(away)
        near = strength[main] >= strength[clear].min(initial=np.inf) - REACH_DB
        surely = near & (away >= MIN_PROJECTION * std) & (cosine[main] >= MIN_COSINE) & (away > furthest)
        if surely.sum() <= clear.sum():  # more weak hits than clear ones would be main strokes
            out[main[surely]] = articulation
            furthest = np.where(surely, away, furthest)
    return out


def _robust_std(away: Floats) -> float:
    """Standard deviation of main strokes by their median absolute deviation, or by either tail if that gives a larger
    one: up to a tenth of them may be weak hits of another articulation.
    """
    known = away[~np.isnan(away)]
    if not len(known):
        return np.inf
    low, high = np.percentile(known, (10, 90))
    return max(1.4826 * float(np.median(np.abs(known))), float(max(-low, high)) / NORMAL_90, 1e-6)


def _project(deviation: Floats, direction: Floats) -> tuple[Floats, Floats]:
    """Projection of each hit (hits, levels) on a line (levels,), 1 at its end, and the cosine of the two; NaN where too
    little is known of both.
    """
    both = ~np.isnan(deviation) & ~np.isnan(direction)
    hit, way = np.where(both, deviation, 0.0), np.where(both, direction, 0.0)
    inner, length = (hit * way).sum(axis=1), (way * way).sum(axis=1)
    judged = (both.sum(axis=1) >= REASSIGN_FEWEST_LEVELS) & (length > 0)
    projection = np.where(judged, inner / np.maximum(length, 1e-12), np.nan)
    cosine = np.where(judged, inner / np.sqrt(np.maximum(length * (hit * hit).sum(axis=1), 1e-12)), np.nan)
    return projection, cosine


def _deviations(level_db: Floats, main: Frames) -> tuple[Floats, Floats]:
    """Deviation of each hit from the main stroke of its strength (hits, levels), in standard deviations of those, NaN
    where either is not known; and its strength (hits,), dB re the main strokes.
    """
    strength = np.zeros(len(level_db))
    median_spectrum = nan_median(level_db[main], axis=0)
    for _ in range(4):
        strength = np.nan_to_num(nan_median(level_db - median_spectrum, axis=1))
        median_spectrum = nan_median(level_db[main] - strength[main, None], axis=0)
    detrended = level_db - strength[:, None]
    out = np.full(detrended.shape, np.nan)
    for k in range(detrended.shape[1]):
        rows = main[~np.isnan(detrended[main, k])]
        if len(rows) >= FEWEST_MAIN:
            middle, spread = _curve(strength[rows], detrended[rows, k], strength)
            out[:, k] = (detrended[:, k] - middle) / max(MIN_SPREAD_DB, spread)
    return out, strength


def _curve(strength: Floats, level: Floats, at: Floats) -> tuple[Floats, float]:
    """Robust regression of one level on strength: its value at each of ``at``, and the spread of hits around it."""
    degree = 2 if len(strength) >= CURVED_FROM else 1
    weight, spread = np.ones(len(strength)), 0.0
    fitted = np.polynomial.Polynomial.fit(strength, level, degree)
    for _ in range(8):
        fitted = np.polynomial.Polynomial.fit(strength, level, degree, w=weight)
        residual = np.abs(level - fitted(strength))
        spread = 1.4826 * float(np.median(residual))
        weight = 1 / np.sqrt(1 + (residual / (2 * spread + 1e-3)) ** 2)
    # outside the main strokes' own strengths the curve is undefined: its end values are held
    return np.asarray(fitted(np.clip(at, strength.min(), strength.max()))), spread
