"""Results: the records that pass between detection, sorting and measurement, the findings that these come to, and the
analysis of a session, which is made of them.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.records import EVENT_S, Arrivals, Onsets, Rendered, Shares, TakeScan
from oneshot.core.grades import GRADE_LIMITS_DB, grade
from oneshot.core.records.hits import Delay, Hit
from oneshot.core.records.kit import BandBleed, MicView, TakeNoise
from oneshot.core.records.session import Floats, Frames, Mic, Problem, Take

LOCAL_DB = -10.0
"""From this level re the tail on, another sound stands out of it. (common practice, no source)"""


@dataclass(frozen=True, slots=True, eq=False)
class Detected:
    """What was detected in one take before anything is known of drums.

    ``begin``: int64 (hits,), where a softer stroke begins the event ahead of its arrivals, -1 where none does.
    ``thud``: candidate (row) -> frames by which its own sound begins ahead of its arrivals: a hat's pedal is heard
    before its plates. ``offset``: mic -> DC offset, full scale 1.0, which is removed wherever its hits are measured.
    ``added``: candidate (row) -> the drums, one of which the user says was struck there; any where none is named.
    """

    take: Take
    scan: TakeScan
    near: NDArray[np.bool_]
    onsets: Onsets
    arrivals: Arrivals
    begin: Frames
    offset: Mapping[str, float] = field(default_factory=dict)
    added: Mapping[int, frozenset[str]] = field(default_factory=dict)
    thud: Mapping[int, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class LaterSound:
    """A sound in a hit's tail that is no stroke, in one mic: its first ``frame`` in the take; ``level_db``, its loudest
    octave band and 55 ms re the hit's loudest 55 ms; ``local_db``, the same re the tail under it.
    """

    frame: int
    level_db: float
    local_db: float


@dataclass(frozen=True, slots=True)
class FoundDrum:
    """A drum before the recipe gives it keys. ``articulations``: in order of frequency, known once hits are settled."""

    name: str
    kind: str
    home: str
    articulations: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Findings:
    """What was heard of a session's hits: who was struck when and how, and how that sounds in every mic.

    Pooled takes and corrections settle what a hit is called; what depends on that follows in ``complete.py``.

    ``hits`` carry no ornament and no layer yet. ``begins``: hit id -> its onset in the mic in which it was measured,
    its drum's home mic unless the take lacks that; its earliest where that is not known. ``doubtful``: hits of which no
    mic shows clearly when their own drum begins. ``worst_db``: hit id -> mic -> the bleed that grades are given by, dB;
    ``clean_db``: hit id -> its bleed in the home mic, dB; ``polarity``: take -> mic -> 1 or -1 re the home mic of the
    drum it stands at; ``polarity_measured``: take -> the mics in which it was measured. ``bleed``, ``delays`` and its
    plain ``delays_ms`` are take -> drum -> mic, as in the manifest; ``bleed_bands`` likewise, band by band;
    ``mic_views``: take -> how loud other drums are in its close mics;
    ``offsets``: take -> mic -> DC offset, full scale 1.0; ``laid``: what renders the strokes of each take, where
    somebody asked for it. ``later``: hit id -> mic -> other sounds in its tail; ``over``: hit id -> mic -> take frame
    at which its tail has met the noise. ``worst_db`` knows nothing of either, grades do. ``dynamics`` as in the kit.
    """

    hits: tuple[Hit, ...]
    drums: tuple[FoundDrum, ...]
    begins: Mapping[int, int]
    clean_db: Mapping[int, float]
    noise: tuple[TakeNoise, ...]
    polarity: Mapping[str, Mapping[str, int]]
    bleed: Mapping[str, Mapping[str, Mapping[str, float | None]]]
    delays: Mapping[str, Mapping[str, Mapping[str, Delay]]]
    problems: tuple[Problem, ...]
    bleed_bands: Mapping[str, Mapping[str, Mapping[str, BandBleed]]] = field(default_factory=dict)
    mic_views: Mapping[str, tuple[MicView, ...]] = field(default_factory=dict)
    offsets: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    worst_db: Mapping[int, Mapping[str, float]] = field(default_factory=dict)
    laid: Rendered | None = None
    later: Mapping[int, Mapping[str, tuple[LaterSound, ...]]] = field(default_factory=dict)
    over: Mapping[int, Mapping[str, int]] = field(default_factory=dict)
    dynamics: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    doubtful: frozenset[int] = frozenset()
    polarity_measured: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    delays_ms: Mapping[str, Mapping[str, Mapping[str, float | None]]] = field(init=False, repr=False)
    _in_time: Mapping[str, tuple[list[Hit], list[int]]] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        by_take: dict[str, list[Hit]] = {}
        for hit in sorted(self.hits, key=lambda h: (h.onset, h.id)):
            by_take.setdefault(hit.take, []).append(hit)
        ordered = {take: (hits, [h.onset for h in hits]) for take, hits in by_take.items()}
        object.__setattr__(self, "delays_ms", {take: {drum: {mic: each.ms for mic, each in mics.items()}
                                                      for drum, mics in drums.items()}
                                               for take, drums in self.delays.items()})
        object.__setattr__(self, "_in_time", ordered)  # asked for once or twice per hit: no search through all of them

    def onsets_at_home(self) -> dict[int, int]:
        """Hit id -> its onset in its drum's home mic, or what stands for it where that is not known."""
        homes = {drum.name: drum.home for drum in self.drums}
        return {hit.id: self.begins[hit.id] if (at := hit.onsets.get(homes[hit.drum])) is None else at
                for hit in self.hits}

    def next_stroke(self, hit: Hit, mics: Sequence[str], sample_rate: int) -> int | None:
        """Take frame of the earliest onset of the next hit in the given mics, or of another sound that ends the tail
        there; None where nothing follows.

        Strokes of one event do not end each other's tails.
        """
        ends = [at for at in (self._next_onset(hit, mics, sample_rate), self.next_sound(hit, mics)) if at is not None]
        return min(ends, default=None)

    def next_sound(self, hit: Hit, mics: Sequence[str]) -> int | None:
        """Take frame at which a sound that is no stroke stands out of the hit's tail in one of the given mics, too loud
        for grade B; None where none does.
        """
        limit = GRADE_LIMITS_DB["close"]["B"]
        return min((sound.frame for name in mics for sound in self.later.get(hit.id, {}).get(name, ())
                    if sound.level_db > limit and sound.local_db > LOCAL_DB), default=None)

    def graded(self, hit: Hit, mics: Iterable[Mic], until: int | None = None) -> dict[str, str]:
        """Grade of a hit in each of ``mics`` in which it is known, over a file that ends at take frame ``until``; where
        that is not given, over its tail as long as it lasts in any mic.
        """
        worst, later = self.worst_db.get(hit.id, {}), self.later.get(hit.id, {})
        if until is None:
            ends = (self.next_sound(hit, list(later)), max(self.over.get(hit.id, {}).values(), default=None))
            until = min((end for end in ends if end is not None), default=0)
        out = {}
        for mic in mics:
            if mic.name not in worst:
                continue
            inside = [sound for sound in later.get(mic.name, ()) if sound.frame < until]
            worst_db = max([worst[mic.name], *(sound.level_db for sound in inside)])
            out[mic.name] = grade(worst_db, mic.stands_at(hit.drum))
            if any(sound.local_db > LOCAL_DB for sound in inside):
                out[mic.name] = max(out[mic.name], "B")  # a hit with a sound in its tail is not alone
        return out

    def _next_onset(self, hit: Hit, mics: Sequence[str], sample_rate: int) -> int | None:
        hits, onsets = self._in_time.get(hit.take, ([], []))
        at = bisect_right(onsets, hit.onset + EVENT_S * sample_rate)
        if at == len(hits):
            return None
        following = hits[at]
        told = [following.onsets.get(name) for name in mics]
        every = [frame for frame in following.onsets.values() if frame is not None]
        if not every or following.onset < min(every):
            return following.onset  # something softer came first, that is no row of its own
        return min([frame for frame in told if frame is not None] or [following.onset])


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Analysis(Findings):
    """Everything known of a session before anything is chosen: its findings, and what follows from them now that every
    hit is of the drum and articulation that it stays with.

    ``attacks``: hit id -> frame of the attack in its drum's home mic; ``unplaced``: those of the doubtful hits whose
    attack matches no other of their group, so that it is not aligned with theirs; ``grades``: hit id -> mic -> grade.
    """

    attacks: Mapping[int, int]
    unplaced: frozenset[int] = frozenset()
    grades: Mapping[int, Mapping[str, str]]


@dataclass(frozen=True, slots=True, eq=False)
class Strokes:
    """The hits of one take once decomposed.

    ``rows``: int64 (hits,), the candidates of ``detected`` that are hits; ``template``: int64 (hits,), the template of
    the main stroke; ``activation``: float64 (hits, templates), activations; ``confidence``: float64 (hits,), of the
    drum, 0 to 1; ``shares``: the energy of each stroke in them; ``own_db``: float32 (hits, mics, bands, stretches),
    level of the main stroke by itself, NaN where not known; ``articulation``: int64 (hits,), articulation, numbered in
    each drum; ``label``: int64 (hits,), which labels hold for a hit, -1 for none.
    """

    detected: Detected
    rows: Frames
    template: Frames
    activation: Floats
    confidence: Floats
    shares: Shares
    own_db: Floats
    articulation: Frames
    label: Frames


@dataclass(frozen=True, slots=True)
class Named:
    """Names of drums (by number) and of articulations (by drum and articulation). ``home``: each drum's home mic;
    ``taught``: what labels call the strokes of each template, None where unlabelled.
    """

    drum: Mapping[int, str]
    what: Mapping[int, str]
    articulation: Mapping[tuple[int, int], str]
    home: Mapping[int, str]
    taught: Sequence[str | None] = ()
