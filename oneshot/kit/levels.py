"""Levels as pages show them: one reference for all, full scale.

A hit's level in the manifest is an energy (the sum of squared samples over 300 ms, all mics added); its balanced mix a
mean square over the same 300 ms. Shown side by side they would lie 40 dB apart, so pages show both as mean squares:
10·log10, a square wave at full scale is 0 dBFS.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from oneshot.core.records.kit import Kit

LEVEL_S = 0.3
"""First part of a hit, over which its level is measured (docs/words.md: level)."""


def hit_dbfs(level_db: float | None, sample_rate: int) -> float | None:
    """A hit's level, as the manifest has it, as the mean square of its first 300 ms, all mics added, dBFS."""
    return None if level_db is None else level_db - 10 * math.log10(LEVEL_S * sample_rate)


def hit_levels_dbfs(kit: Kit) -> dict[int, float | None]:
    """Hit -> its level over its first 300 ms, all mics added, dBFS; None where it is not known."""
    rates = {take.name: take.sample_rate for take in kit.session.takes}
    return {hit.id: hit_dbfs(hit.level_db, rates[hit.take]) for hit in kit.hits}


def mix_levels_dbfs(kit: Kit) -> dict[int, float | None]:
    """Hit -> level of its one-shot's mics mixed by the balance, first 300 ms, dBFS; the hit's own where the mix was not
    measured.
    """
    own = hit_levels_dbfs(kit)
    return {shot.hit: own[shot.hit] if shot.mix_db is None else shot.mix_db for shot in kit.one_shots}


def level_range(levels: Iterable[float | None]) -> tuple[float, float] | None:
    """Least and greatest of the levels that are known, dB; None where none is."""
    known = [level for level in levels if level is not None]
    return (min(known), max(known)) if known else None
