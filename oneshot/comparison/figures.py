"""Figures of one drum in one mic of one take, medians over the hits compared.

Spectra are powers in octave bands with the exact centres 1000 Hz · 10^(3n/10) (IEC 61260-1:2014, base ten; from memory)
over the first 300 ms, as parts of the mic's whole power there: 0 dB would be all of it. ``tilt`` is the slope of a
straight line fitted through the bands, dB per octave. Decay after ISO 3382-1, crest factor and brightness as the
manifest has them (``audio/descriptors.py``); delay and distance as the build measures them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from oneshot.audio.descriptors import brightness_hz, crest_db, decay
from oneshot.comparison.direct import direct_to_room_db
from oneshot.comparison.hits import mostly_clean
from oneshot.comparison.windows import Windows
from oneshot.core.records.hits import Delay, Hit
from oneshot.core.records.session import Floats

CENTRES_HZ = tuple(1000 * 10 ** (0.3 * n) for n in range(-4, 5))
"""Centres of the octave bands, 63 Hz to 16 kHz by their nominal names."""
NOMINAL = ("63", "125", "250", "500", "1k", "2k", "4k", "8k", "16k")
MEASURED_S = 0.3
"""Window in which a hit is measured, as levels in the manifest are."""
LOW_HZ = 120.0
"""What lies below is low end. (common practice, no source)"""


@dataclass(frozen=True, slots=True)
class View:
    """One drum in one mic of one take.

    ``strokes``: how many hits were measured; ``clean``: whether their bleed there is below -10 dB; medians over the
    hits of ``level_dbfs`` (rms of the first 300 ms), ``bands_db`` (each octave's part of it), ``tilt_db`` (per octave),
    ``low_percent`` (power below 120 Hz), ``brightness_hz`` (spectral centroid) and ``crest_db`` (peak over rms), all of
    the first 300 ms; of ``edt_s`` and ``t20_s``, decay times for 60 dB; of ``direct_to_room_db``, None in the drum's
    own home mic, for drums without a close mic, and where no more than half of the hits tell it. ``peak_dbfs``: of the
    loudest; ``noise_dbfs``: the mic's noise floor, None where it is silent. ``delay_ms``, ``path_m``: how much later
    than the home mic, and how much further from the drum. ``dynamics``: "compressor" or "gate", where one is in its
    way; ``attack_slope``, ``body_slope``: dB out for each dB in. Figures are None where they are not known.
    """

    drum: str
    articulation: str
    take: str
    mic: str
    role: str
    strokes: int
    clean: bool
    level_dbfs: float | None
    peak_dbfs: float | None
    noise_dbfs: float | None
    tilt_db: float | None
    bands_db: tuple[float | None, ...]
    delay_ms: float | None
    path_m: float | None
    direct_to_room_db: float | None
    edt_s: float | None
    t20_s: float | None
    brightness_hz: float | None
    low_percent: float | None
    crest_db: float | None
    dynamics: str | None
    attack_slope: float | None
    body_slope: float | None


@dataclass(frozen=True, slots=True)
class Known:
    """What the analysis knows of a drum in a mic already; see ``View``."""

    noise_dbfs: float | None = None
    delay: Delay = field(default_factory=Delay)
    dynamics: str | None = None
    slopes: tuple[float | None, float | None] = (None, None)


def views(heard: Windows, home: str | None, known: Sequence[Known]) -> list[View]:
    """A drum in all mics of a take. ``home``: its close mic, None where it has none; ``known``: of each mic."""
    names = [mic.name for mic in heard.mics]
    near = names.index(home) if home in names else None
    rows = range(len(heard.hits))
    out = []
    for k, mic in enumerate(heard.mics):
        told = [] if near is None or near == k else [
            direct_to_room_db(heard.aligned(row, near, lead=True), heard.aligned(row, k, lead=True),
                              lead=heard.lead, sample_rate=heard.sample_rate) for row in rows]
        ratio = middle(told) if 2 * told.count(None) < len(told) else None
        out.append(view(heard.hits[0], mic.name, str(mic.role), [heard.aligned(row, k) for row in rows],
                        heard.sample_rate, clean=mostly_clean(heard.hits, mic.name), known=known[k],
                        direct_to_room=ratio))
    return out


def view(first: Hit, mic: str, role: str, strokes: Sequence[Floats], sample_rate: int, *, clean: bool, known: Known,
         direct_to_room: float | None = None) -> View:
    """A drum in a mic: ``strokes`` are float64 (frames,), full scale 1.0, from each hit's arrival to the next one's."""
    heads = [x[:round(MEASURED_S * sample_rate)] for x in strokes]
    whole = [float(np.sum(x**2)) / round(MEASURED_S * sample_rate) for x in heads]
    live = [x for x, power in zip(heads, whole, strict=True) if power > 0]
    about = (known.delay.ms, known.delay.path_m)
    head = (first.drum, first.articulation, first.take, mic, role, len(live), clean)
    if not live:
        return View(*head, None, None, known.noise_dbfs, None, (None,) * len(CENTRES_HZ), *about, None, None, None,
                    None, None, None, known.dynamics, *known.slopes)
    parts = [band_powers(x, sample_rate) for x in live]
    bands = np.median([[db(b) - db(power) for b in part] for power, part in parts], axis=0)
    there = np.array(CENTRES_HZ) * 10**0.15 <= sample_rate / 2
    tilt = float(np.polyfit(np.log2(np.array(CENTRES_HZ))[there], bands[there], 1)[0])
    peak = max(float(np.abs(x).max(initial=0.0)) for x in strokes)
    noise = 0.0 if known.noise_dbfs is None else float(10 ** (known.noise_dbfs / 20))
    decays = [decay(x, sample_rate=sample_rate, noise_rms=noise) for x in strokes]
    return View(
        *head, float(np.median([db(power) for power in whole if power > 0])), 20 * float(np.log10(peak)),
        known.noise_dbfs, tilt, tuple(float(b) if on else None for b, on in zip(bands, there, strict=True)), *about,
        direct_to_room, middle(each.edt_s for each in decays), middle(each.t20_s for each in decays),
        middle(brightness_hz(x[None], sample_rate) for x in live),
        middle(low_percent(x, sample_rate) for x in live), middle(crest_db(x[None]) for x in live),
        known.dynamics, *known.slopes)


def band_powers(x: Floats, sample_rate: int) -> tuple[float, Floats]:
    """Mean square of ``x``, and its parts in the octave bands: Parseval's theorem over one transform of the whole."""
    frequency, power = _spectrum(x, sample_rate)
    bands = [float(power[(frequency >= c / 10**0.15) & (frequency < c * 10**0.15)].sum()) for c in CENTRES_HZ]
    return float(power.sum()), np.array(bands)


def low_percent(x: Floats, sample_rate: int) -> float | None:
    """Share of the power below 120 Hz, percent; None for silence. ``x``: float64 (frames,)."""
    frequency, power = _spectrum(x, sample_rate)
    total = float(power.sum())
    return 100 * float(power[frequency < LOW_HZ].sum()) / total if total > 0 else None


def _spectrum(x: Floats, sample_rate: int) -> tuple[Floats, Floats]:
    """Frequencies (Hz) and the parts of the mean square of ``x`` at each of them."""
    spectrum = np.abs(np.fft.rfft(x)) ** 2
    weight = np.full(len(spectrum), 2.0)
    weight[0] = 1.0
    if len(x) % 2 == 0:
        weight[-1] = 1.0
    power: Floats = weight * spectrum / len(x) ** 2
    return np.asarray(np.fft.rfftfreq(len(x), 1 / sample_rate), np.float64), power


def middle(values: Iterable[float | None]) -> float | None:
    """Median of what is known; None where nothing is."""
    known = [value for value in values if value is not None]
    return float(np.median(known)) if known else None


def db(power: float) -> float:
    """A power in dB, floored at -200 dB."""
    return 10 * float(np.log10(max(power, 1e-20)))
