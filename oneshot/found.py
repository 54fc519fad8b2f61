"""Found: the records that pass between listening, placing and bookkeeping.

The analysis of a session is the last of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from oneshot.bleed import Shares
from oneshot.model import Arrivals, Floats, Frames, Hit, Onsets, Problem, Take, TakeNoise, TakeScan

SAME_EVENT_S = 0.015
"""Strokes closer together than this are one event."""


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """What was found in one take before anything is known of drums."""

    take: Take
    scan: TakeScan
    near: NDArray[np.bool_]
    onsets: Onsets
    arrivals: Arrivals


@dataclass(frozen=True, slots=True)
class FoundDrum:
    """A drum before the recipe gives it keys; articulations in order of frequency."""

    name: str
    kind: str
    home: str
    articulations: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Analysis:
    """Everything known of a session before anything is chosen.

    ``hits`` carry no layer yet. ``attacks``: hit id -> frame of the attack in its drum's home mic; ``grades``: hit id
    -> mic -> grade; ``clean_db``: hit id -> everything else against it in the home mic. Tables are take -> drum ->
    mic, as in the manifest; ``spans``: take -> mics silent or present. ``noise_db``: take -> mic -> dBFS rms.
    """

    hits: tuple[Hit, ...]
    drums: tuple[FoundDrum, ...]
    attacks: Mapping[int, int]
    grades: Mapping[int, Mapping[str, str]]
    clean_db: Mapping[int, float]
    noise: tuple[TakeNoise, ...]
    polarity: Mapping[str, Mapping[str, int]]
    bleed: Mapping[str, Mapping[str, Mapping[str, float | None]]]
    delays_ms: Mapping[str, Mapping[str, Mapping[str, float | None]]]
    problems: tuple[Problem, ...]

    def next_stroke(self, hit: Hit, mics: Sequence[str], sample_rate: int) -> int | None:
        """Take frame of the earliest onset of the next stroke in the given mics; None where none follows.

        Strokes of one event do not end each other's tails.
        """
        apart = SAME_EVENT_S * sample_rate
        later = [h for h in self.hits if h.take == hit.take and h.onset > hit.onset + apart]
        if not later:
            return None
        following = min(later, key=lambda h: (h.onset, h.id))
        told = [following.onsets.get(name) for name in mics]
        return min([frame for frame in told if frame is not None] or [following.onset])


@dataclass(frozen=True, slots=True, eq=False)
class Strokes:
    """The hits of one take once unmixed.

    ``rows``: int64 (hits,), the candidates of ``heard`` that are hits; ``kind``: int64 (hits,), the kind of the main
    stroke; ``gain``: float64 (hits, kinds); ``confidence``: float64 (hits,), of the drum, 0 to 1.
    """

    heard: Heard
    rows: Frames
    kind: Frames
    gain: Floats
    confidence: Floats
    shares: Shares


@dataclass(frozen=True, slots=True)
class Named:
    """What drums (by number) and kinds are called. ``home``: each drum's home mic."""

    drum: Mapping[int, str]
    what: Mapping[int, str]
    articulation: list[str]
    home: Mapping[int, str]
