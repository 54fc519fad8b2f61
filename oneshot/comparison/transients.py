"""Transients: what a compressor in a mic's way does to the attack of a hit and to what follows.

A linear mic keeps ratios: a hit that is 10 dB harder comes out 10 dB louder, its attack as well as its body. A
compressor lets the attack pass before it answers, or catches it; so both are told apart: the level of the first 10 ms
and that from 30 to 120 ms, each against the same in a mic that is linear (``compression.slopes``).
"""

from __future__ import annotations

import numpy as np

from oneshot.analysis.measurement.compression import slopes
from oneshot.comparison.hits import is_clean
from oneshot.comparison.windows import Windows
from oneshot.core.records.session import Floats

PARTS_S = ((0.0, 0.010), (0.030, 0.120))
"""Attack and body, from the arrival on (common practice, no source)."""
LENGTH_S = PARTS_S[-1][1]
MOST_HITS = 48
"""Hits of a drum that are read for it, over all of its strengths."""


def transient_slopes(heard: Windows, linear: frozenset[str]) -> dict[str, tuple[float | None, float | None]]:
    """Mic -> dB out per dB in, of the attack and of the body; None where too few clean hits differ enough in strength.

    ``heard``: hits of one articulation and of all strengths; ``linear``: mics without a compressor or a gate. Level in
    is that in the one of them in which most hits are clean, mostly the drum's close mic.
    """
    names = [mic.name for mic in heard.mics]
    known = np.array([[is_clean(hit, name) for name in names] for hit in heard.hits]).reshape(len(heard.hits), -1)
    sure = [k for k, name in enumerate(names) if name in linear]
    out: list[Floats] = []
    for begin_s, end_s in PARTS_S:
        begin, end = round(begin_s * heard.sample_rate), round(end_s * heard.sample_rate)
        whole = heard.stop >= end
        level = np.full(known.shape, np.nan)
        for row in np.flatnonzero(whole).tolist():
            for k in np.flatnonzero(known[row]).tolist():
                power = float(np.mean(heard.aligned(row, k)[begin:end] ** 2))
                level[row, k] = 10 * np.log10(power) if power > 0 else np.nan
        out.append(_slopes(level, sure))
    return {name: (_known(out[0][k]), _known(out[1][k])) for k, name in enumerate(names)}


def _slopes(level: Floats, sure: list[int]) -> Floats:
    """Slope of each mic (mics,) against a linear one, NaN where not known. ``level``: (hits, mics), dB."""
    if not sure:
        return np.full(level.shape[1], np.nan)
    best = max(sure, key=lambda k: int(np.isfinite(level[:, k]).sum()))
    return slopes(level, np.repeat(level[:, best : best + 1], level.shape[1], axis=1), np.zeros(len(level), np.int64))


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
