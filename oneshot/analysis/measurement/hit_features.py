"""Hit features: each candidate for a one-shot is read once, in its home mic, and measured (``similarity.py``); levels
between mics.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial

import numpy as np

from oneshot.analysis.measurement.similarity import LOOK_AHEAD_S, LOOK_BACK_S, Measured, measure
from oneshot.analysis.result import Analysis, Findings
from oneshot.audio.io import TakeReader
from oneshot.core.cache.results import Kind, recalled
from oneshot.core.records.hits import Hit
from oneshot.core.records.session import Floats, Session, Take
from oneshot.core.workers import parted, spread

LEVEL_S = 0.2
"""Window over which levels are compared between mics."""
AT_ONCE = 64
"""Hits that one worker measures before it takes the next ones."""
MEASURED = Kind("measured", Measured)
HEARD_DB = 12.0
"""A hit that stands this clear is measured by itself: bleed adds a quarter of a decibel at most."""


def examine(session: Session, found: Findings, hits: Sequence[Hit],
            attacks: Mapping[int, int]) -> dict[int, Measured]:
    """Hit id -> what was measured, for those whose home mic their take has. Raises AudioError where a file cannot be
    read.

    ``attacks``: hit id -> take frame at which each is measured.
    """
    homes = {drum.name: drum.home for drum in found.drums}
    out: dict[int, Measured] = {}
    for take in session.takes:
        there = {mic.name for mic in take.mics}
        mine = sorted((h for h in hits if h.take == take.name and homes.get(h.drum) in there),
                      key=lambda h: (h.onset, h.id))
        some = partial(_examine_some, session, found, take, attacks, _rests_s(found, take), _noise_rms(found, take))
        measured: dict[int, Measured] = {}
        for each in spread(some, _by_mic(mine, homes)):
            measured.update(each)
        out.update((hit.id, measured[hit.id]) for hit in mine)
    return out


def _by_mic(hits: Sequence[Hit], homes: Mapping[str, str]) -> list[tuple[str, list[Hit]]]:
    """Hits, in order of time, in batches that one worker reads in one home mic."""
    out = []
    for home in sorted({homes[h.drum] for h in hits}):
        mine = [h for h in hits if homes[h.drum] == home]
        out += [(home, some) for some in parted(mine, AT_ONCE)]
    return out


def _examine_some(session: Session, found: Findings, take: Take, attacks: Mapping[int, int],
                  rest_s: Mapping[int, float], noise: Mapping[str, float],
                  some: tuple[str, Sequence[Hit]]) -> dict[int, Measured]:
    """Read and measure some hits in one mic."""
    home, hits = some
    with TakeReader(session.root, take, [home]) as reader:
        return {hit.id: _examine(reader, take, attacks[hit.id], found.next_stroke(hit, [home], take.sample_rate), home,
                                 noise[home], rest_s.get(hit.id, 0.0)) for hit in hits}


def _examine(reader: TakeReader, take: Take, attack: int, following: int | None, home: str, noise: float,
             rest_s: float) -> Measured:
    """Read and measure one hit."""
    start = attack - round(LOOK_BACK_S * take.sample_rate)
    far = min(attack + round(LOOK_AHEAD_S * take.sample_rate), take.frames)
    stop = max(far if following is None else min(following, far), attack + 1)
    cut = following is not None and following <= far

    def measured() -> Measured:
        """Read and measure, where no build before has."""
        x = reader.read(start, stop)[0]
        return measure(x, sample_rate=take.sample_rate, attack=attack - start, stop=len(x), cut=cut, noise_rms=noise,
                       rest_s=rest_s)

    sources = reader.mics[0].sources
    return recalled(MEASURED, (take.name, home, sources, start, attack, stop, cut, noise, rest_s), measured)


def levels_db(session: Session, found: Findings, hits: Sequence[Hit]) -> dict[int, dict[str, float]]:
    """Hit id -> mic -> level of the first 200 ms re the drum's home mic, dB: in the mics in which the hit stands
    ``HEARD_DB`` clear of bleed, and only for hits that do so in their home mic.

    Raises AudioError where a file cannot be read.
    """
    homes = {drum.name: drum.home for drum in found.drums}
    out: dict[int, dict[str, float]] = {}
    for take in session.takes:
        clear = {h.id: {name for name, bleed in h.bleed_db.items() if bleed is not None and bleed < -HEARD_DB}
                 for h in hits if h.take == take.name}
        mine = sorted((h for h in hits if homes[h.drum] in clear.get(h.id, ())), key=lambda h: (h.onset, h.id))
        wanted = sorted(set().union(*(clear[h.id] for h in mine)))
        if not wanted:
            continue
        some = partial(_levels_db, session, take, wanted, found.offsets.get(take.name, {}))
        for hit, row in zip(mine, np.concatenate(spread(some, parted(mine, AT_ONCE))), strict=True):
            level = dict(zip(wanted, row.tolist(), strict=True))
            out[hit.id] = {name: level[name] - level[homes[hit.drum]] for name in sorted(clear[hit.id])}
    return out


def _levels_db(session: Session, take: Take, mics: Sequence[str], offset: Mapping[str, float],
               hits: Sequence[Hit]) -> Floats:
    """Levels of hits in some mics, float64 (hits, mics), dB."""
    with TakeReader(session.root, take, mics, offset=offset) as reader:
        energy = [(reader.read(h.onset, h.onset + round(LEVEL_S * take.sample_rate)).astype(np.float64)**2).sum(axis=1)
                  for h in hits]
    out: Floats = 10 * np.log10(np.maximum(energy, 1e-18))
    return out


def _rests_s(found: Findings, take: Take) -> dict[int, float]:
    """Time since the stroke before, hit id -> s; of the first hit, since the take began."""
    out, before = {}, 0
    for hit in sorted((h for h in found.hits if h.take == take.name), key=lambda h: (h.onset, h.id)):
        out[hit.id] = (hit.onset - before) / take.sample_rate
        before = hit.onset
    return out


def _noise_rms(found: Findings, take: Take) -> Mapping[str, float]:
    """Noise floor of each mic, full scale 1.0; 0 where it is digitally silent."""
    levels = next(noise.noise_dbfs for noise in found.noise if noise.take == take.name)
    return {name: 10 ** (level / 20) if level is not None else 0.0 for name, level in levels.items()}


def next_sounds(session: Session, analysis: Analysis, hits: Sequence[Hit],
                measured: Mapping[int, Measured]) -> dict[int, int]:
    """Hit id -> take frame at which the next stroke begins to sound, where that is before its onset."""
    rates = {take.name: take.sample_rate for take in session.takes}
    out = {}
    for hit in hits:
        found = measured.get(hit.id)
        if found is not None and found.next_s is not None:
            out[hit.id] = analysis.attacks[hit.id] + int(found.next_s * rates[hit.take])
    return out
