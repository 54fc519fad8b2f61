"""Bleed: how much of what a mic hears during a hit is that hit, and how loud each drum is in each mic.

A hit's window runs from 5 ms before its onset to 200 ms after it. Its energy in a mic is split by the shares that the
unmixing found, band by band and stretch by stretch: the hit's own sound, the steady noise, and everything else (the
ring of earlier strokes, strokes at the same time, later strokes). ``bleed_db`` is 10·log10 of everything else over
own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from oneshot.model import Floats
from oneshot.stages import STRETCH_STEPS, HitFeatures, Templates

CLEAR_DB = -20.0
"""From here down a mic is usable; a hit is isolated where this holds in every mic that carries it."""

CARRIES_DB = -30.0
"""A mic carries a hit where the hit's own energy is within this of that in its home mic."""

LOWEST_DB = -80.0
"""No bleed figure claims to be lower: nothing below it was measured."""

GRADE_LIMITS_DB = {"close": {"A": -45.0, "B": -30.0, "C": -20.0}, "far": {"A": -35.0, "B": -25.0, "C": -20.0}}
"""Everything else at or below this makes the grade. Common practice, no source."""

TABLE_CLEAN_DB = -15.0
"""A hit takes part in a drum's row of the table, mic by mic, where everything else is below this there."""


@dataclass(frozen=True, slots=True, eq=False)
class Shares:
    """Energies of a take's hits, as mean square times steps.

    ``own``: float64 (hits, kinds, mics), of each stroke in it; ``other``: float64 (hits, mics), of everything that is
    no stroke of this hit, steady noise apart; ``own_peak``: float64 (hits, kinds, mics), the loudest stretch's mean
    square; ``other_peak``: float64 (hits, mics), the loudest band and stretch of everything else, mean square.
    """

    own: Floats
    other: Floats
    own_peak: Floats
    other_peak: Floats


def shares(features: HitFeatures, gain: Floats, ground: Floats, templates: Templates) -> Shares:
    """Split what was heard.

    ``gain``: float64 (hits, kinds), strengths of the strokes; ``ground``: float64 (hits, mics, bands, stretches),
    what was there without the hit, noise included. Where a later hit falls into a stretch, own sound is what the
    template says.
    """
    hits, mics = features.energy.shape[:2]
    kinds = len(templates.drum)
    steps = np.array([b - a for a, b in STRETCH_STEPS], np.float64)
    own, own_peak = np.zeros((hits, kinds, mics)), np.zeros((hits, kinds, mics))
    other, other_peak = np.zeros((hits, mics)), np.zeros((hits, mics))
    for i in range(hits):
        valid = features.valid[i][:, None, :]
        noise = features.noise[i][..., None]
        struck = np.flatnonzero(gain[i])
        parts = gain[i, struck][:, None, None, None] * templates.energy[struck]
        model = ground[i] + parts.sum(axis=0)
        heard = features.energy[i]
        own_parts = np.where(valid, parts * (heard / np.maximum(model, 1e-18)), np.minimum(parts, heard))
        rest = np.maximum(heard - own_parts.sum(axis=0) - np.minimum(noise, ground[i]), 0)
        old_ring = heard * np.maximum(ground[i] - noise, 0) / np.maximum(model, 1e-18)
        rest = np.where(valid, np.minimum(rest, old_ring), rest)
        own[i, struck] = (own_parts * steps).sum(axis=(2, 3))
        own_peak[i, struck] = own_parts.sum(axis=2).max(axis=2)
        other[i] = (rest * steps).sum(axis=(1, 2))
        other_peak[i] = rest.max(axis=(1, 2))
    return Shares(own, other, own_peak, other_peak)


def ratio_db(other: Floats, own: Floats) -> Floats:
    """10·log10(other / own), not below ``LOWEST_DB``; NaN where nothing of the hit itself is heard."""
    with np.errstate(divide="ignore", invalid="ignore"):
        out = 10 * np.log10(np.maximum(other, 1e-30) / own)
    return np.where(own > 0, np.maximum(out, LOWEST_DB), np.nan)


def table_row(own: Floats, other: Floats, home: int) -> Floats:
    """One drum's row of the bleed table, dB against its home mic (mics,), from the energies (hits, mics) of its hits.

    The median over the hits that are clean in both mics; where none is clean, over all; NaN where nothing was heard.
    """
    level = np.where(own > 0, 10 * np.log10(np.maximum(own, 1e-30)), np.nan)
    clean = ratio_db(other, own) < TABLE_CLEAN_DB
    out = np.full(own.shape[1], np.nan)
    for m in range(own.shape[1]):
        away = level[:, m] - level[:, home]
        for rows in (clean[:, m] & clean[:, home], np.ones(len(own), bool)):
            known = away[rows & ~np.isnan(away)]
            if len(known):
                out[m] = float(np.median(known))
                break
    return out


def grade(worst_db: float, close: bool) -> str:
    """Grade of a file in which everything else stays at or below ``worst_db``; "D" where it is not known (NaN)."""
    for name, limit in GRADE_LIMITS_DB["close" if close else "far"].items():
        if worst_db <= limit:
            return name
    return "D"


def isolated(bleed_db: Floats, own: Floats, home: int) -> bool:
    """Whether a hit is clear in every mic that carries it, by its bleed (mics,) and own energies (mics,)."""
    carries = own >= own[home] * 10 ** (CARRIES_DB / 10)
    carries[home] = True
    told = np.nan_to_num(bleed_db, nan=0.0)
    return bool((told[carries] < CLEAR_DB).all())
