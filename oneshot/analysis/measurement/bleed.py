"""Bleed: how much of what a mic picks up during a hit is not that hit, and how loud each drum is in each mic.

A hit's window runs from 5 ms before its onset to 200 ms after it. Its energy in a mic is split by the decomposition,
band by band and stretch by stretch, into the hit's own sound, the steady noise, and bleed (the decay of earlier hits,
strokes at the same time, later strokes). ``bleed_db`` is 10·log10 of bleed over own sound.
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
"""No bleed figure is lower: nothing below it was measured."""

HOME_ERROR_DB, OTHER_ERROR_DB = 2.0, 1.0
"""Typical error of ``bleed_db`` near the limit in the home mic: median over sessions with ground truth. In other mics
it is as large, but half of it is too high already (docs/methods.md).
"""

NOTICING_MICS = 4
"""With fewer mics a stroke has no mic that is nearer to it than to the hit that masks it, and what may be masked was
found too low in 2 of 30 files of a take through two mics; with seven and more in none (with three to six not tried).
"""

FEWEST_FOR_SPREAD = 3
"""Hits from which a spread is given."""

TABLE_CLEAN_DB = -15.0
"""A hit counts in a drum's row of the table, mic by mic, where bleed is below this there."""


def ratio_db(other: Floats, own: Floats) -> Floats:
    """10·log10(other / own), not below ``LOWEST_DB``; NaN where nothing of the hit itself is measured."""
    with np.errstate(divide="ignore", invalid="ignore"):
        out = 10 * np.log10(np.maximum(other, 1e-30) / own)
    return np.where(own > 0, np.maximum(out, LOWEST_DB), np.nan)


def reported_db(estimate_db: Floats, most_db: Floats, home: int) -> Floats:
    """The bleed that is reported (mics,): the estimate; but where it would make a mic usable and the upper bound, or a
    typical error of the estimate, would not, ``CLEAR_DB``, the lowest figure that does not. Between the two nothing is
    known.
    """
    error = np.where(np.arange(len(estimate_db)) == home, HOME_ERROR_DB, OTHER_ERROR_DB)
    doubtful = (estimate_db < CLEAR_DB) & (np.fmax(most_db, estimate_db + error) >= CLEAR_DB)
    return np.where(doubtful, CLEAR_DB, estimate_db)


def table_row(own: Floats, other: Floats, home: int) -> Floats:
    """One drum's row of the bleed table, dB re its home mic (mics,), from the energies (hits, mics) of its hits.

    The median over the hits that are clean in both mics; where none is clean, over all; NaN where nothing was measured.
    """
    level = np.where(own > 0, 10 * np.log10(np.maximum(own, 1e-30)), np.nan)
    clean = ratio_db(other, own) < TABLE_CLEAN_DB
    out = np.full(own.shape[1], np.nan)
    for m in range(own.shape[1]):
        difference = level[:, m] - level[:, home]
        for rows in (clean[:, m] & clean[:, home], np.ones(len(own), bool)):
            known = difference[rows & ~np.isnan(difference)]
            if len(known):
                out[m] = float(np.median(known))
                break
    return out


def band_row(own: Floats, other: Floats, home: int) -> list[BandBleed]:
    """One drum's row of the table band by band, from the energies (hits, mics, bands) of its hits; one entry per mic.

    A hit counts in a band where bleed is below ``TABLE_CLEAN_DB`` there, in both mics. Nothing is derived from hits
    that are not clean.
    """
    clean = np.nan_to_num(ratio_db(other, own), nan=0.0) < TABLE_CLEAN_DB
    level = np.where(own > 0, 10 * np.log10(np.maximum(own, 1e-30)), np.nan)
    total = 10 * np.log10(np.maximum(own.sum(axis=2), 1e-30))
    alone = np.nan_to_num(ratio_db(other.sum(axis=2), own.sum(axis=2)), nan=0.0) < TABLE_CLEAN_DB
    out = []
    for m in range(own.shape[1]):
        both = clean[:, m] & clean[:, home]
        difference = np.where(both, level[:, m] - level[:, home], np.nan)
        rows = alone[:, m] & alone[:, home]
        low, high = np.percentile(total[rows, m] - total[rows, home], [16, 84]) if rows.any() else (np.nan, np.nan)
        out.append(BandBleed(tuple(float(np.nanmedian(x)) if np.isfinite(x).any() else None for x in difference.T),
                             float(high - low) / 2 if rows.sum() >= FEWEST_FOR_SPREAD else None, int(rows.sum())))
    return out


def hard_db(own: Floats, other: Floats) -> Floats:
    """Level (mics, bands), dB, of a drum's hard strokes: the median over the strongest tenth, three at least.

    ``own``, ``other``: energies (hits, mics, bands). Mic by mic of the hits that are clean there; NaN where none is.
    """
    out = np.full(own.shape[1:], np.nan)
    for m in range(own.shape[1]):
        total, residual = own[:, m].sum(axis=1), other[:, m].sum(axis=1)
        rows = np.flatnonzero(np.nan_to_num(ratio_db(residual, total), nan=0.0) < TABLE_CLEAN_DB)
        hard = rows[np.argsort(-total[rows], kind="stable")][: max(3, len(rows) // 10)]
        if len(hard):
            out[m] = 10 * np.log10(np.maximum(np.median(own[hard, m], axis=0), 1e-30))
    return out


def view(mic: str, own: tuple[str, Floats], drum: tuple[str, Floats], edges_hz: Sequence[float]) -> MicView | None:
    """How loud a hard stroke of ``drum`` is in a mic beside one of the mic's own drum; None where one was never clear.

    Both are a name and levels (bands,), dB. The range reported is the run of three bands in which the other drum stands
    out most.
    """
    if np.isnan(own[1]).any() or np.isnan(drum[1]).any():
        return None
    one, two = 10 ** (own[1] / 10), 10 ** (drum[1] / 10)
    runs = [10 * np.log10(two[b : b + 3].sum() / one[b : b + 3].sum()) for b in range(len(one) - 2)]
    best = int(np.argmax(runs))
    return MicView(mic, own[0], drum[0], float(10 * np.log10(two.sum() / one.sum())), float(edges_hz[best]),
                   float(edges_hz[best + 3]), float(runs[best]))


def graded_db(worst_db: Floats, masked_db: Floats, own: NDArray[np.bool_], mics: int, *, together: bool) -> Floats:
    """The bleed that grades are given by (mics,), dB, from the worst that is expected, and from the worst with what may
    be masked by the hit.

    ``GUARD_DB`` is added to what is expected, and as much again where other drums are struck ``together`` with the hit:
    what they put into a mic is predicted from their templates, not measured. What may be masked, a hard stroke that was
    not noticed, is an upper bound by itself in the drum's ``own`` close mics (bool, mics), if the take has
    ``NOTICING_MICS`` or more (``mics``: how many); in overheads and rooms, where the paths of one drum differ most, and
    through few mics it is a prediction like the other.
    """
    guard = GUARD_DB * (2 if together else 1)
    return np.asarray(np.fmax(worst_db + guard, masked_db + np.where(own & (mics >= NOTICING_MICS), 0.0, guard)))


def isolated(bleed_db: Floats, own: Floats, home: int, counts: NDArray[np.bool_] | None = None) -> bool:
    """Whether a hit is clear in every mic that carries it, by its bleed (mics,) and own energies (mics,).

    ``counts``: bool (mics,), the mics that count; all of them unless given, and the home mic in any case.
    """
    carries = own >= own[home] * 10 ** (CARRIES_DB / 10)
    if counts is not None:
        carries &= counts
    carries[home] = True
    known = np.nan_to_num(bleed_db, nan=0.0)
    return bool((known[carries] < CLEAR_DB).all())
