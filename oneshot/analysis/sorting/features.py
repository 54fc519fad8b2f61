"""Features of hits: a coarse spectrogram per mic, in bands and time stretches, and two distances between hits.

Both distances are mean absolute level differences in dB, and both are independent of how hard the drum was struck:

- *Place*. The direct sound of one place reaches the mics with fixed level differences in each band, whatever was struck
  there: comparing each band over the mics cancels the stroke's spectrum. Two hits of one drum differ by what the stick
  position changes (about 1 dB), two drums by 3 dB and more. Place tells drums apart, and needs several mics.
- *Sound*. What is left after the mean over the mics: spectrum and decay. Sound tells articulations apart.

Levels that do not stand out of what was there before the hit are known only as upper limits: they count where the other
hit lies above them, and not otherwise (censored data).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.records import STRETCH_STEPS, HitFeatures, TakeScan, Templates, mean_squares
from oneshot.core.records.session import SILENT_PEAK, Floats, Frames
from oneshot.core.workers import spread

BEFORE_STEPS = (-6, -2)
"""Where the level before a hit is read: 17 to 6 ms ahead, clear of the analysis window of the hit itself."""

EARLIER_STEPS = (-22, -14)
"""Where it is read a second time, about 50 ms ahead, to measure how fast it decays."""

FASTEST_DECAY_DB = 0.8
"""What seems to decay by more than this per step (60 dB in a fifth of a second) was an attack, no tail."""

CLEAR_RATIO = 2.0
"""A level counts as measured where it is this many times (3 dB) above what was there before."""

LIMIT_DB = 20.0
"""One band of one mic counts no more than this in a distance."""


def describe(scan: TakeScan, *, first: Frames, stop: Frames, lag: Floats, mics: tuple[str, ...],
             names: tuple[str, ...]) -> HitFeatures:
    """Read the features of all hits of a take off its scan.

    ``first``: int64 (hits,), earliest arrivals in frames, rising; ``stop``: int64 (hits,), frame at which each hit's
    time ends because another one begins; ``lag``: float64 (mics of the take,), typical arrival after ``first``, in
    frames; ``mics``: names of the mics that the result is laid out for; ``names``: those of the take, in the scan's
    order.
    """
    hits, bands, stretches = len(first), scan.level_db.shape[2], len(STRETCH_STEPS)
    energy = np.zeros((hits, len(mics), bands, stretches))  # stays 0 for mics that are dead or not there
    before = np.zeros((hits, len(mics), bands))
    fade = np.zeros((hits, len(mics), bands))
    noise = np.zeros((hits, len(mics), bands))
    valid = np.zeros((hits, len(mics), stretches), bool)
    until_next = stop - first
    for m, name in enumerate(mics):
        if name not in names or scan.peak[names.index(name)] <= SILENT_PEAK:
            continue
        row = names.index(name)
        step = np.round((first + lag[row]) / scan.hop).astype(np.int64)
        noise[:, m] = 10 ** (scan.noise_db[row] / 10)
        before[:, m] = _mean_energy(scan, row, step, BEFORE_STEPS)
        fade[:, m] = _decay_rate_db(_mean_energy(scan, row, step, EARLIER_STEPS), before[:, m])
        for s, stretch in enumerate(STRETCH_STEPS):
            energy[:, m, :, s] = _mean_energy(scan, row, step, stretch)
            valid[:, m, s] = (s == 0) | (until_next > (stretch[1] + 1) * scan.hop)
    return HitFeatures(mics, energy, before, fade, noise, valid)


def _decay_rate_db(earlier: Floats, before: Floats) -> Floats:
    """How fast the sound before a hit decays, dB per step, 0 to ``FASTEST_DECAY_DB``; 0 where it does not."""
    apart = sum(BEFORE_STEPS) / 2 - sum(EARLIER_STEPS) / 2
    decrease_db = 10 * np.log10(np.maximum(earlier, 1e-15) / np.maximum(before, 1e-15))
    return np.clip(decrease_db / apart, 0.0, FASTEST_DECAY_DB)


def _mean_energy(scan: TakeScan, row: int, step: Frames, stretch: tuple[int, int]) -> Floats:
    """Mean square, float64 (hits, bands), of one mic over a stretch of steps around each hit; the ends of the take are
    repeated.
    """
    index = np.clip(step[:, None] + np.arange(*stretch), 0, scan.level_db.shape[1] - 1)
    out = np.empty((len(step), scan.level_db.shape[2]))
    for a in range(0, len(step), 1024):
        out[a : a + 1024] = mean_squares(scan.level_db[row][index[a : a + 1024]]).mean(axis=1)
    return out


def join(parts: list[HitFeatures]) -> HitFeatures:
    """Features of several takes, laid out for the same mics, concatenated; those of one as they are."""
    if len(parts) == 1:
        return parts[0]
    return HitFeatures(
        parts[0].mics, np.concatenate([p.energy for p in parts]), np.concatenate([p.before for p in parts]),
        np.concatenate([p.fade_db for p in parts]), np.concatenate([p.noise for p in parts]),
        np.concatenate([p.valid for p in parts]),
    )


def clear_levels_db(features: HitFeatures) -> tuple[Floats, NDArray[np.bool_]]:
    """Own level of each hit, and whether it is measured.

    Returns dB (hits, mics, bands, stretches), the level above what was there before or, where that does not stand out,
    the upper limit of the level; and bool of the same shape, True where it is measured.
    """
    floor = CLEAR_RATIO * np.maximum(features.before, features.noise)[..., None]
    own = features.energy - features.before[..., None]
    clear = (own > floor) & features.valid[:, :, None, :]
    return 10 * np.log10(np.maximum(np.where(clear, own, floor), 1e-15)), clear


ATTACK_STRETCHES = 3
"""Time stretches of the first 45 ms of a hit."""


def added_energy(features: HitFeatures, rows: Frames) -> Floats:
    """What those hits add to each mic in their first 45 ms, mean squares (rows, mics, bands), the level before them
    subtracted.
    """
    first, known = (x[rows][..., :ATTACK_STRETCHES] for x in (features.energy, features.valid))
    floor = np.maximum(features.before, features.noise)[rows][..., None]
    excess = np.where(known[:, :, None], np.maximum(first - floor, 0.0), 0.0)
    return np.asarray(excess.sum(axis=-1) / np.maximum(known.sum(axis=-1), 1)[..., None])


def distances_db(features: HitFeatures, rows: Frames) -> tuple[Floats, Floats]:
    """Place and sound distance between every two of the given hits, in dB, each (rows, rows) and symmetric.

    Where two hits share no mic, place is 0 and sound ``LIMIT_DB``: nothing indicates that they belong together.
    """
    level, clear = clear_levels_db(features)
    level, clear, valid = level[rows], clear[rows], features.valid[rows][:, :, None, :]

    def from_one_on(i: int) -> tuple[Floats, Floats]:
        """Those of hit ``i`` to itself and all later ones."""
        difference, weight = _differences(level[i:], clear[i:], level[i], clear[i], valid[i:] & valid[i])
        return _place(difference, weight), _sound(difference, weight)

    place, sound = np.zeros((2, len(rows), len(rows)))
    for i, found in enumerate(spread(from_one_on, range(len(rows)))):
        for distance, row in zip((place, sound), found, strict=True):
            distance[i, i:] = distance[i:, i] = row  # to the bit the same: differences change their sign and no more
    return place, sound


def _differences(level: Floats, clear: NDArray[np.bool_], one: Floats, one_clear: NDArray[np.bool_],
                 valid: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Level differences of all hits to one, with the mean level difference removed, and their weights (0 or 1)."""
    both = clear & one_clear
    difference = level - one
    count = both.sum(axis=(1, 2, 3))
    level_offset = (difference * both).sum(axis=(1, 2, 3)) / np.maximum(count, 1)
    difference = difference - level_offset[:, None, None, None]
    above = clear & ~one_clear & valid & (difference > 0)
    below = one_clear & ~clear & valid & (difference < 0)
    weight = (both | above | below) & (count > 0)[:, None, None, None]
    return np.where(weight, difference, 0.0), weight.astype(np.float64)


def _place(difference: Floats, weight: Floats) -> Floats:
    """Mean absolute deviation (hits,) over the mics in the first stretch, band by band."""
    first, w = difference[..., 0], weight[..., 0]
    mean = (first * w).sum(axis=1, keepdims=True) / np.maximum(w.sum(axis=1, keepdims=True), 1)
    deviation = np.minimum(np.abs(first - mean), LIMIT_DB) * w
    out: Floats = deviation.sum(axis=(1, 2)) / np.maximum(w.sum(axis=(1, 2)), 1)
    return out


def _sound(difference: Floats, weight: Floats) -> Floats:
    """Mean absolute deviation (hits,) over bands and stretches of the mean over the mics."""
    mean = (difference * weight).sum(axis=1) / np.maximum(weight.sum(axis=1), 1)
    any_known = weight.sum(axis=1) > 0
    deviation = (np.minimum(np.abs(mean), LIMIT_DB) * any_known).sum(axis=(1, 2))
    count = any_known.sum(axis=(1, 2))
    out: Floats = np.where(count > 0, deviation / np.maximum(count, 1), LIMIT_DB)
    return out


def between_db(templates: Templates, near: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Place and sound distance between templates, in dB, each (templates, templates), in the near mics.

    Where two templates share fewer than ``FEWEST_LEVELS`` known levels, they get the largest distance there is.
    """
    energy, limit = templates.energy[:, near], templates.limit[:, near]
    known = energy > 0
    level = 10 * np.log10(np.maximum(np.where(known, energy, limit), 1e-15))
    valid = known | (limit > 0)
    count = len(energy)
    place, sound = np.zeros((count, count)), np.zeros((count, count))
    for k in range(count):
        difference, weight = _differences(level, known, level[k], known[k], valid & valid[k])
        enough = (known & known[k]).sum(axis=(1, 2, 3)) >= FEWEST_LEVELS
        place[k] = np.where(enough, _place(difference, weight), LIMIT_DB)
        sound[k] = np.where(enough, _sound(difference, weight), LIMIT_DB)
    np.fill_diagonal(place, 0.0)
    np.fill_diagonal(sound, 0.0)
    return (place + place.T) / 2, (sound + sound.T) / 2


FEWEST_LEVELS = 12
"""Two templates are not compared over fewer levels than this."""


def relative_level_db(templates: Templates, near: NDArray[np.bool_]) -> Floats:
    """Direct level of each template in each mic, float64 (templates, mics), dB re its mean over the near mics that all
    templates were heard in, so that those of takes with different mics can be compared; NaN in a mic that it was not
    heard in.

    What is masked by another drum, or was too soft to be measured, counts as its upper limit.
    """
    heard_in = templates.heard_in
    shared = near & heard_in.all(axis=0)
    shared = shared if shared.any() else near
    first = np.where(templates.energy[..., 0] > 0, templates.energy[..., 0], templates.limit[..., 0])
    level = 10 * np.log10(np.maximum(first.sum(axis=2), 1e-15))
    level = np.maximum(level, level.max(axis=1, keepdims=True, initial=-150.0) - 60)
    return np.where(heard_in, level - level[:, shared].mean(axis=1, keepdims=True), np.nan)


def measured(templates: Templates) -> NDArray[np.bool_]:
    """Where a template's direct level is for the greater part measured and not an upper limit, bool (templates, mics):
    elsewhere it may be far softer than ``relative_level_db`` says.
    """
    heard, limit = templates.energy[..., 0], templates.limit[..., 0]
    whole = np.where(heard > 0, heard, limit).sum(axis=2)
    return np.asarray((whole > 0) & (heard.sum(axis=2) >= whole / 2))


def only(features: HitFeatures, mics: NDArray[np.bool_]) -> HitFeatures:
    """The same hits in some of the mics; ``mics``: bool (mics,)."""
    names = tuple(name for name, on in zip(features.mics, mics, strict=True) if on)
    return HitFeatures(names, features.energy[:, mics], features.before[:, mics], features.fade_db[:, mics],
                       features.noise[:, mics], features.valid[:, mics])


def take_rows(features: HitFeatures, rows: Frames) -> HitFeatures:
    """Some of the hits in the same mics; ``rows``: int64."""
    return HitFeatures(features.mics, features.energy[rows], features.before[rows], features.fade_db[rows],
                       features.noise[rows], features.valid[rows])
