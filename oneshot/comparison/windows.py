"""Windows: the same hits of one drum as all of its mics in a take hear them, on the take's clock or from arrival on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from oneshot.analysis.result import Analysis
from oneshot.audio.io import TakeReader
from oneshot.core.records.hits import Hit
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Frames, Mic, Session, Take

LEAD_S = 0.005
"""A window begins this long before the arrival, while an onset counts from -30 dB."""
LENGTH_S = 1.2
"""The longest part of a hit."""


@dataclass(frozen=True, slots=True, eq=False)
class Windows:
    """Some hits of one drum in some mics of one take.

    ``raw``: of each hit float64 (mics, frames), full scale 1.0, on the take's clock; ``arrival``: int64 (hits, mics),
    the frame of it at which the hit arrives in a mic; ``stop``: int64 (hits,), frames after its arrival until the next
    stroke or other sound, the same for all mics, so that all are looked at over the same stretch of the hit.
    """

    take: str
    sample_rate: int
    mics: tuple[Mic, ...]
    hits: tuple[Hit, ...]
    raw: tuple[Floats, ...]
    arrival: Frames
    stop: Frames

    @property
    def lead(self) -> int:
        """Frames before the arrival."""
        return round(LEAD_S * self.sample_rate)

    def longest(self, count: int) -> Windows:
        """As many of the hits, those that stand alone longest, in their order."""
        rows = sorted(np.argsort(-self.stop, kind="stable")[:count].tolist())
        return replace(self, hits=tuple(self.hits[row] for row in rows), raw=tuple(self.raw[row] for row in rows),
                       arrival=self.arrival[rows], stop=self.stop[rows])

    def aligned(self, row: int, mic: int, *, lead: bool = False) -> Floats:
        """A hit in a mic (frames,), from its arrival there, or ``lead`` before it, to where the next stroke begins."""
        at = int(self.arrival[row, mic])
        out: Floats = self.raw[row][mic, at - (self.lead if lead else 0) : at + int(self.stop[row])]
        return out

    def together(self, row: int, length_s: float) -> Floats:
        """A hit in all mics on the take's clock (mics, frames), from ``LEAD_S`` before its earliest arrival on, silent
        from the next stroke on.
        """
        first = max(0, int(self.arrival[row].min()) - self.lead)
        out = self.raw[row][:, first : first + round(length_s * self.sample_rate)].copy()
        for mic, at in enumerate(self.arrival[row].tolist()):
            out[mic, max(0, at - first + int(self.stop[row])):] = 0.0
        return out


def mics_of(take: Take, drum: str) -> tuple[Mic, ...]:
    """The mics in which a drum is compared: its own close mics, overheads, rooms and buses; all close mics of the take
    where there are none of these.
    """
    own = tuple(mic for mic in take.mics if mic.stands_at(drum) or mic.role.means.whole_kit)
    return own or tuple(mic for mic in take.mics if mic.role is Role.CLOSE)


def read(session: Session, found: Analysis, take: Take, mics: Sequence[Mic], hits: Sequence[Hit],
         length_s: float = LENGTH_S) -> Windows:
    """The windows of hits of one drum and take. Raises AudioError where a file cannot be read."""
    rate = take.sample_rate
    lead, length = round(LEAD_S * rate), round(length_s * rate)
    places = np.array([[arrival(found, hit, mic.name, rate) for mic in mics] for hit in hits], np.int64)
    places = places.reshape(len(hits), len(mics))
    raw, stop = [], []
    with TakeReader(session.root, take, [mic.name for mic in mics], dtype="float64",
                    offset=found.offsets.get(take.name)) as reader:
        for row, hit in enumerate(hits):
            start = int(places[row].min()) - lead
            raw.append(np.asarray(reader.read(start, int(places[row].max()) + length), np.float64))
            ends = [length, *(follows - int(places[row, k]) for k, mic in enumerate(mics)
                              if (follows := found.next_stroke(hit, [mic.name], rate)) is not None)]
            stop.append(max(1, min(ends)))
            places[row] -= start
    return Windows(take.name, rate, tuple(mics), tuple(hits), tuple(raw), places, np.array(stop, np.int64))


def arrival(found: Analysis, hit: Hit, mic: str, sample_rate: int) -> int:
    """Take frame at which a hit arrives in a mic: its onset there; else that in its home mic and the drum's delay; else
    its first onset anywhere.
    """
    told = hit.onsets.get(mic)
    if told is not None:
        return told
    home = next((drum.home for drum in found.drums if drum.name == hit.drum), None)
    at = None if home is None else hit.onsets.get(home)
    late = found.delays_ms.get(hit.take, {}).get(hit.drum, {}).get(mic)
    return hit.onset if at is None or late is None else at + round(late / 1000 * sample_rate)
