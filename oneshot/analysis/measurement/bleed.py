"""Bleed: how much of what a mic hears during a hit is that hit, and how loud each drum is in each mic.

A hit's window runs from 5 ms before its onset to 200 ms after it. Its energy in a mic is split by the shares that the
unmixing found, band by band and stretch by stretch: the hit's own sound, the steady noise, and everything else (the
ring of earlier strokes, strokes at the same time, later strokes). ``bleed_db`` is 10·log10 of everything else over
own.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from oneshot.core.grades import GUARD_DB
from oneshot.core.records.kit import BandBleed, MicView
from oneshot.core.records.session import Floats

CLEAR_DB = -20.0
"""From here down a mic is usable; a hit is isolated where this holds in every mic that carries it."""

CARRIES_DB = -30.0
"""A mic carries a hit where the hit's own energy is within this of that in its home mic."""

LOWEST_DB = -80.0
"""No bleed figure claims to be lower: nothing below it was measured."""

USUAL_ERROR_DB, AWAY_ERROR_DB = 2.0, 1.0
"""By this much ``bleed_db`` is off as a rule where it is near the limit, in the home mic: the median over sessions with
truth. In other mics it is off by as much, but half of that is too high already (docs/methods.md)."""

FEWEST_FOR_SPREAD = 3
"""Hits from which a spread is told."""

TABLE_CLEAN_DB = -15.0
"""A hit takes part in a drum's row of the table, mic by mic, where everything else is below this there."""


def ratio_db(other: Floats, own: Floats) -> Floats:
    """10·log10(other / own), not below ``LOWEST_DB``; NaN where nothing of the hit itself is heard."""
    with np.errstate(divide="ignore", invalid="ignore"):
        out = 10 * np.log10(np.maximum(other, 1e-30) / own)
    return np.where(own > 0, np.maximum(out, LOWEST_DB), np.nan)


def told_db(estimate_db: Floats, most_db: Floats, home: int) -> Floats:
    """The bleed that is told (mics,): the estimate; but where it would call a mic usable and the most that may be there
    does not, or a usual error of the estimate, ``CLEAR_DB``, the least that does not call it so. Between the two
    nothing is known.
    """
    error = np.where(np.arange(len(estimate_db)) == home, USUAL_ERROR_DB, AWAY_ERROR_DB)
    doubtful = (estimate_db < CLEAR_DB) & (np.fmax(most_db, estimate_db + error) >= CLEAR_DB)
    return np.where(doubtful, CLEAR_DB, estimate_db)


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


def band_row(own: Floats, other: Floats, home: int) -> list[BandBleed]:
    """One drum's row of the table band by band, from the energies (hits, mics, bands) of its hits; one entry a mic.

    A hit counts in a band where everything else is below ``TABLE_CLEAN_DB`` there, in both mics. Nothing is told from
    hits that are not clean.
    """
    clean = np.nan_to_num(ratio_db(other, own), nan=0.0) < TABLE_CLEAN_DB
    level = np.where(own > 0, 10 * np.log10(np.maximum(own, 1e-30)), np.nan)
    total = 10 * np.log10(np.maximum(own.sum(axis=2), 1e-30))
    alone = np.nan_to_num(ratio_db(other.sum(axis=2), own.sum(axis=2)), nan=0.0) < TABLE_CLEAN_DB
    out = []
    for m in range(own.shape[1]):
        both = clean[:, m] & clean[:, home]
        away = np.where(both, level[:, m] - level[:, home], np.nan)
        rows = alone[:, m] & alone[:, home]
        low, high = np.percentile(total[rows, m] - total[rows, home], [16, 84]) if rows.any() else (np.nan, np.nan)
        out.append(BandBleed(tuple(float(np.nanmedian(x)) if np.isfinite(x).any() else None for x in away.T),
                             float(high - low) / 2 if rows.sum() >= FEWEST_FOR_SPREAD else None, int(rows.sum())))
    return out


def hard_db(own: Floats, other: Floats) -> Floats:
    """Level (mics, bands), dB, of a drum's hard strokes: the median over the strongest tenth, three at least.

    ``own``, ``other``: energies (hits, mics, bands). Mic by mic of the hits that are clean there; NaN where none is.
    """
    out = np.full(own.shape[1:], np.nan)
    for m in range(own.shape[1]):
        total, rest = own[:, m].sum(axis=1), other[:, m].sum(axis=1)
        rows = np.flatnonzero(np.nan_to_num(ratio_db(rest, total), nan=0.0) < TABLE_CLEAN_DB)
        hard = rows[np.argsort(-total[rows], kind="stable")][: max(3, len(rows) // 10)]
        if len(hard):
            out[m] = 10 * np.log10(np.maximum(np.median(own[hard, m], axis=0), 1e-30))
    return out


def view(mic: str, own: tuple[str, Floats], drum: tuple[str, Floats], edges_hz: Sequence[float]) -> MicView | None:
    """What a mic makes of a hard stroke of ``drum`` beside one of its own drum; None where one was never clear.

    Both are a name and levels (bands,), dB. The part told is the run of three bands in which the other drum stands out
    most.
    """
    if np.isnan(own[1]).any() or np.isnan(drum[1]).any():
        return None
    one, two = 10 ** (own[1] / 10), 10 ** (drum[1] / 10)
    runs = [10 * np.log10(two[b : b + 3].sum() / one[b : b + 3].sum()) for b in range(len(one) - 2)]
    best = int(np.argmax(runs))
    return MicView(mic, own[0], drum[0], float(10 * np.log10(two.sum() / one.sum())), float(edges_hz[best]),
                   float(edges_hz[best + 3]), float(runs[best]))


def held_against_db(worst_db: Floats, *, together: bool) -> Floats:
    """What grades hold against a hit (mics,), dB, from the worst that is expected of everything else.

    The doubt is ``GUARD_DB`` for what may lie hidden under it, and as much again where other drums are struck
    ``together`` with it: what they put into a mic is expected from their strokes, not seen.
    """
    return worst_db + GUARD_DB * (2 if together else 1)


def isolated(bleed_db: Floats, own: Floats, home: int, counts: NDArray[np.bool_] | None = None) -> bool:
    """Whether a hit is clear in every mic that carries it, by its bleed (mics,) and own energies (mics,).

    ``counts``: bool (mics,), the mics that are asked; all of them unless given, and the home mic at any rate.
    """
    carries = own >= own[home] * 10 ** (CARRIES_DB / 10)
    if counts is not None:
        carries &= counts
    carries[home] = True
    told = np.nan_to_num(bleed_db, nan=0.0)
    return bool((told[carries] < CLEAR_DB).all())
