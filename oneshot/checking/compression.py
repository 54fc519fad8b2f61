"""Compressors and limiters before the recorder: what single hits have in a mic against what they have in the others.

A linear chain keeps ratios: of hits of one drum, what is one dB louder in the other mics is one dB louder in this one.
A compressor makes it less, most of all after the attack, once it has closed. How a drum is played cannot do that to one
mic of several; only what else sounds in the moment can, so that hits count of which all other mics agree how hard they
were.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from oneshot.checking.finding import Finding, Harm
from oneshot.checking.steps import ENOUGH
from oneshot.checking.survey import Survey
from oneshot.core.records.session import Floats

FROM_S, TO_S = 0.008, 0.022
"""Where a hit's level is taken, after its arrival: once the usual attack times, up to 10 ms, are over."""
ABOVE_NOISE = 10.0
"""Power of a hit against what was there before it, from which its level is its own."""
OTHERS = 3
"""Other mics from which it is known how hard a hit was: two may both hold more of another drum."""
ALONE_DB = 3.0
"""Other mics agree within this, each against what is usual there, where nothing else sounds: hits of one drum vary by
1 to 2 dB between two mics.
"""
LOUDEST_DB, SPAN_DB = 20.0, 2.5
"""Of a drum its loudest hits are taken, softer ones hold too much else; and have to differ, standard deviation."""
SLOPE = 0.75
"""dB out per dB in below which a mic is compressed, two standard errors included. Linear mics of 58 takes, generated
and put together from recorded single hits, have 0.95 and more; a ratio of 4 from 12 dB below the highest peak 0.5 to
0.8.
"""
REMEDY = "record it without: what a compressor takes off cannot be put back, and hits of one drum lose their span"


def compressed(survey: Survey) -> Iterator[Finding]:
    """Mics at drums, by the hits of their own drum, and mics of the whole kit, by those of two drums and more."""
    level, of = _levels(survey), survey.struck()
    for row, mic in enumerate(survey.mics):
        if not mic.role.means.judged:
            continue
        drums = [mic.drum] if mic.role.means.at_drum else np.unique(of).tolist()
        slopes = [slope for drum in drums if (slope := _slope(survey, level[of == drum], row)) is not None]
        if slopes and max(slope + 2 * error for slope, error in slopes) < SLOPE \
                and (mic.role.means.at_drum or len(slopes) > 1):
            usual = float(np.median([slope for slope, _ in slopes]))
            yield survey.fault(row, Harm.POOR, "comes through a compressor or limiter: hits that are 10 dB louder "
                               f"elsewhere are {max(10 * usual, 0.0):.0f} dB louder in it", REMEDY)


def _levels(survey: Survey) -> Floats:
    """Level of every hit in every mic after its attack, float64 (hits, mics), dB; NaN where it does not stand out."""
    rate = survey.take.sample_rate
    out = np.full((len(survey.hits), len(survey.mics)), np.nan)
    first, last, before = round(FROM_S * rate), round(TO_S * rate), round(FROM_S * rate / 2)
    for k, hit in enumerate(survey.hits):
        for row in np.flatnonzero(~np.isnan(hit.arrival)).tolist():
            at = int(hit.arrival[row])
            after = hit.sound[row, at + first : at + last]
            if len(after) == last - first:
                noise = float(np.mean(np.square(hit.sound[row, :before], dtype=np.float64)))
                power = float(np.mean(np.square(after, dtype=np.float64)))
                if power > max(ABOVE_NOISE * noise, 1e-20):
                    out[k, row] = 10 * np.log10(power)
    return out


def _slope(survey: Survey, level: Floats, row: int) -> tuple[float, float] | None:
    """DB in a mic per dB in the others over the hits of one drum, and its standard error; ``level``: (hits, mics)."""
    level = level[~np.isnan(level[:, row])]
    others = [other for other, mic in enumerate(survey.mics) if other != row and mic.role.means.judged
              and len(level) and np.mean(~np.isnan(level[:, other])) > 0.8]
    if len(others) < OTHERS or len(level) < ENOUGH:
        return None
    level = level[~np.isnan(level[:, others]).any(axis=1)]
    if len(level) < ENOUGH:
        return None
    rest = level[:, others] - np.median(level[:, others], axis=0)
    struck = np.median(rest, axis=1)
    alone = np.abs(rest - struck[:, None]).max(axis=1) <= ALONE_DB
    struck, mine = struck[alone], level[alone, row]
    if len(struck) < ENOUGH:
        return None
    loud = struck > struck.max() - LOUDEST_DB
    struck, mine = struck[loud], mine[loud]
    if len(struck) < ENOUGH or struck.std() < SPAN_DB:
        return None
    slope, offset = np.polyfit(struck, mine, 1)
    left = float(np.sqrt(np.sum((mine - slope * struck - offset) ** 2) / (len(mine) - 2)))
    return float(slope), left / float(struck.std() * len(struck) ** 0.5)
