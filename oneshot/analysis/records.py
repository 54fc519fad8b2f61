"""The frozen records that flow between the stages of the analysis: spectrogram, onsets, arrivals, features, templates,
rendered strokes.

Arrays are (hits, mics, ...), "not known" is -1 in frames and NaN in floats; frames are int64 counts at the take's
sample rate.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from oneshot.core.cache.array_file import ArrayFile
from oneshot.core.records.session import Floats, Floats32, Frames

EVENT_S = 0.016
"""Hits closer together than this are one event: the hits of a flam or drag are 20 to 40 ms apart. They do not end each
other's tails, and one row of the kit tells of all of them.
"""


if TYPE_CHECKING:
    Levels = NDArray[np.float16] | ArrayFile
    Drawing = Floats32 | ArrayFile
else:  # records are stored by their types, of which no two may be arrays; none of these is ever stored in a record
    Levels = Drawing = Any
"""Levels and drawing of a take, in memory or in a file: readers take a mic's stretch of steps at a time."""


@dataclass(frozen=True, slots=True, eq=False)
class TakeScan:
    """What one pass over a take measured (``detection/spectrogram.py``).

    ``level_db`` and ``draw`` are as long as the take, and in files where it comes from a session.
    ``level_db``: float16 (mics, steps, bands), mean square in dB re full scale, step i centred on frame ``i * hop``.
    ``noise_db``: float64 (mics, bands), the steady noise in the same unit. ``draw``: float32 (mics, points, 2), minimum
    and maximum of every 1024 frames. ``peak``: float32 (mics,), largest magnitude. ``clipped``: int64 (mics,), frames
    at full scale. ``bad_frame``: int64 (mics,), first frame that is NaN or infinite, -1 where there is none.
    """

    take: str
    sample_rate: int
    hop: int
    level_db: Levels
    noise_db: Floats
    draw: Drawing
    peak: Floats32
    clipped: Frames
    bad_frame: Frames

    @property
    def noise_dbfs(self) -> Floats:
        """Noise (mics,) over all bands, dBFS rms."""
        total: Floats = 10 * np.log10(np.sum(10 ** (self.noise_db / 10), axis=1))
        return total


def mean_squares(level_db: NDArray[np.float16]) -> Floats:
    """Levels of a spectrogram, float16 in dB re full scale, of any shape, as mean squares, float64.

    A float16 has 65,536 values: a table lookup costs a tenth of a power of ten, and gives the same.
    """
    return _powers()[level_db.view(np.uint16)]


@cache
def _powers() -> Floats:
    """The mean square of every float16 level, indexed by its bits."""
    with np.errstate(over="ignore", invalid="ignore"):  # infinity and NaN are among them
        out: Floats = 10 ** (np.arange(2**16, dtype=np.uint16).view(np.float16).astype(np.float64) / 10)
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Onsets:
    """Candidates for hits in one take, in order of time (``detection/onsets.py``).

    ``frame``: int64 (hits,), within about 6 ms of the earliest sound. ``rise_db``: float64 (hits,), onset strength:
    mean rise over mics and bands. ``mic_rise_db``: float64 (hits, mics), the same mic by mic; 0 in mics in which hits
    are not detected.
    """

    take: str
    frame: Frames
    rise_db: Floats
    mic_rise_db: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Arrivals:
    """First arrival of each hit in each mic (``detection/arrivals.py``).

    ``first``: int64 (hits,), the earliest arrival. ``frame``: int64 (hits, mics), -1 where the hit does not stand
    clear. ``depth_db``: float64 (hits, mics), how far below the peak of its first 50 ms the transient could be traced
    back (30 is all the definition of an onset asks; NaN where nothing was found). ``lag``: float64 (mics,), the mic's
    typical arrival after ``first``, in frames.
    """

    take: str
    first: Frames
    frame: Frames
    depth_db: Floats
    lag: Floats


STRETCH_STEPS = ((0, 4), (4, 8), (8, 16), (16, 32), (32, 72))
"""Time stretches after the arrival in steps of the spectrogram: about 0-11, 11-22, 22-45, 45-90 and 90-200 ms."""


@dataclass(frozen=True, slots=True, eq=False)
class HitFeatures:
    """A coarse spectrogram of each hit in every mic, in bands and time stretches after its arrival
    (``sorting/features.py``).

    ``energy``: float64 (hits, mics, bands, stretches), mean squares; ``before``: float64 (hits, mics, bands), the level
    just before; ``fade_db``: float64 (hits, mics, bands), its decay rate, dB per step; ``noise``: float64 (hits, mics,
    bands), the steady noise; ``valid``: bool (hits, mics, stretches), False where the mic is absent from the hit's take
    or a later hit falls into the stretch. Mics are the session's, by name, in a fixed order.
    """

    mics: tuple[str, ...]
    energy: Floats
    before: Floats
    fade_db: Floats
    noise: Floats
    valid: NDArray[np.bool_]

    @property
    def heard_in(self) -> NDArray[np.bool_]:
        """Which mics the take of each hit has, bool (hits, mics)."""
        return np.asarray(self.valid[:, :, 0])


@dataclass(frozen=True, slots=True, eq=False)
class Templates:
    """Templates: the spectrogram of one stroke of each drum and articulation in all mics (``sorting/templates.py``).

    ``energy``: float64 (templates, mics, bands, stretches), mean squares at activation 1, summing to 1, 0 where it was
    never measured; ``limit``: float64 of the same shape, where it was never measured, the energy that it stays below,
    0 in a mic of which its hits tell nothing because no take of theirs has it (``heard_in``);
    ``onset_ms``, ``onset_error_ms``: float64 (templates, mics), when it sets in, relative to one moment in all mics,
    and the error of that, NaN where not known (``sorting/places.py``); ``drum``: int64 (templates,), number of the
    drum, shared by the templates of one; ``members``: int64 (templates,), hits behind each.
    """

    energy: Floats
    limit: Floats
    onset_ms: Floats
    onset_error_ms: Floats
    drum: Frames
    members: Frames

    @property
    def heard_in(self) -> NDArray[np.bool_]:
        """The mics that a take of its hits has, bool (templates, mics): in others it may have any level."""
        return np.asarray(((self.energy > 0) | (self.limit > 0)).any(axis=(2, 3)))


@dataclass(frozen=True, slots=True, eq=False)
class Shares:
    """Energies of a take's hits, as mean square times steps.

    ``own``: float64 (hits, templates, mics), of each stroke in it; ``other``: float64 (hits, mics), bleed: all that is
    no stroke of this hit, steady noise apart. Separates the strokes of a hit; how clean a hit is in the end,
    ``measurement/envelopes.py`` measures.
    """

    own: Floats
    other: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Played:
    """The strokes of one take, in order of time.

    ``start``: float64 (hits,), earliest arrival in steps of the spectrogram; ``step``: int64 (hits, mics), arrivals in
    steps; ``activation``: float64 (hits, templates), activations; ``template``: int64 (hits,), template of the main
    stroke; ``fade_db``: float64 (hits, mics, bands), decay rate of the sound before, dB per step; ``rows``: int64
    (mics,), the scan's row of each mic, -1 for none; ``lead``: int64 (hits,), by how many steps a hit's own sound
    begins ahead of its arrival, with the thud of a pedal, 0 for most; ``scan``: of the take.
    """

    scan: TakeScan
    start: Floats
    step: Frames
    activation: Floats
    template: Frames
    fade_db: Floats
    rows: Frames
    lead: Frames


@dataclass(frozen=True, slots=True, eq=False)
class Rendered:
    """What it takes to render the strokes of a session again.

    ``played``: take -> its strokes; ``envelopes``: as from ``envelopes.learn``; ``mics``: the kit's mics, in their
    order; ``row``: hit id -> row of that hit among the strokes of its take.
    """

    played: Mapping[str, Played]
    envelopes: Floats
    mics: tuple[str, ...]
    row: Mapping[int, int]
