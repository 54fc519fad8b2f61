"""Edits: places at which a take was cut or lost samples in all mics, and hits that were copied.

Sound reaches mics one after another, and no two hits are the same to the sample, if by their noise alone. So what all
mics do in one frame, or twice alike, was done to the files.
"""

from __future__ import annotations

from collections.abc import Iterator

from oneshot.checking.finding import Finding, Harm
from oneshot.checking.survey import ClearHit, Survey
from oneshot.core.records.session import Problem
from oneshot.core.text import counted

BEFORE_S, LENGTH_S = 0.002, 0.020
"""What of a hit is compared, from before its arrival on: long enough for noise to differ."""


def edits(survey: Survey) -> Iterator[Finding]:
    """Both, of one take."""
    rate, name = survey.take.sample_rate, survey.take.name
    if len(survey.jumps):
        what = f"most mics jump at one frame, {counted(len(survey.jumps), 'time')}: it was cut, or lost samples"
        yield Finding(Harm.LOST, Problem(name, what, "use the files as recorded; if they are, check the recorder's "
                                         "disk and buffer, and play again what sounds there"),
                      tuple((survey.jumps / rate).tolist()))
    copies = _copies(survey)
    if copies:
        what = f"{counted(len(copies), 'hit is', 'hits are')} the same as earlier ones in all mics, sample by sample"
        yield Finding(Harm.POOR, Problem(name, what, "use the recording as it was played: copies are no round robins"),
                      tuple(survey.when(hit) for hit in copies))


def _copies(survey: Survey) -> list[ClearHit]:
    """Clear hits of which an earlier one has the same samples in all mics."""
    rate = survey.take.sample_rate
    before, length = round(BEFORE_S * rate), round(LENGTH_S * rate)
    seen: set[bytes] = set()
    out = []
    for hit in survey.hits:
        at = int(hit.arrival[hit.owner]) - before
        sound = hit.sound[:, max(at, 0) : at + length]
        if sound.shape[1] < length:
            continue
        key = sound.tobytes()
        if key in seen:
            out.append(hit)
        seen.add(key)
    return out
