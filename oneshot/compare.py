"""Compare: the same drum in every mic and take, side by side and level-matched.

Louder always sounds better, so nothing is said of sound before levels are equal. And a hard stroke is brighter than a
soft one, so that only strokes of like strength are held against each other: those of one drum and articulation within
``WITHIN_DB`` of the level that most takes reach.

Spectra are powers in octave bands with the exact centres 1000 Hz · 10^(3n/10) (IEC 61260-1:2014, base ten; from memory)
over the first 300 ms, as parts of the mic's whole power there: 0 dB would be all of it. ``tilt`` is the slope of a
straight line through the bands, dB per octave.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from oneshot.loudness import momentary_max_lufs, true_peak_dbtp
from oneshot.model import Floats, Hit

CENTRES_HZ = tuple(1000 * 10 ** (0.3 * n) for n in range(-4, 5))
"""63 Hz to 16 kHz, by their nominal names."""
NOMINAL = ("63", "125", "250", "500", "1k", "2k", "4k", "8k", "16k")
HEARD_S = 0.3
"""Over which a stroke is measured, as levels in the manifest are."""
WITHIN_DB = 1.5
STROKES = 8
"""Strokes of a take that are compared at most, the cleanest in the mic."""
CLEAN_DB = -10.0
"""Bleed above this makes a stroke another drum's as well; a mic with no cleaner one is marked."""
PLAYED, PLAYED_S = 4, 1.2
"""Strokes in an excerpt, and the most that is heard of each."""
LEAD_S, FADE_S = 0.005, 0.05
LOUDEST_DBTP, LOUDNESS_LUFS = -3.0, -20.0
"""Excerpts are level with each other at this loudness, or lower where a peak would pass the limit."""


@dataclass(frozen=True, slots=True)
class View:
    """One drum in one mic of one take.

    ``strokes``: how many were read; ``clean``: whether nothing else is within 10 dB of them; medians over the strokes
    of ``level_dbfs`` (rms of the first 300 ms), of ``bands_db`` (each octave's part of it) and of ``tilt_db`` (per
    octave); ``peak_dbfs``: of the loudest; ``noise_dbfs``: the mic's noise floor, None where it is silent. Figures are
    None where the mic hears nothing of the drum.
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


def like_strength(hits: Sequence[Hit]) -> dict[str, list[Hit]]:
    """Take -> its hits of like strength, of one drum and articulation; takes that have none are not there.

    The level is the one about which most takes have strokes, up to ``STROKES`` each counting, the softest of equals.
    """
    able = sorted((h for h in hits if h.level_db is not None and h.ornament is None and not h.partners),
                  key=lambda h: (h.level_db or 0.0, h.id))
    if not able:
        return {}
    level = np.array([h.level_db for h in able], np.float64)
    takes = sorted({h.take for h in able})
    rows = {take: np.array([h.take == take for h in able]) for take in takes}

    def merit(at: float) -> tuple[int, int]:
        """How many takes have strokes of about that level, and how many strokes."""
        near = np.abs(level - at) <= WITHIN_DB
        counts = [min(int((near & mine).sum()), STROKES) for mine in rows.values()]
        return sum(n > 0 for n in counts), sum(counts)

    best = max(dict.fromkeys(level.tolist()), key=merit)
    near = [h for h in able if h.level_db is not None and abs(h.level_db - best) <= WITHIN_DB]
    return {take: mine for take in takes if (mine := [h for h in near if h.take == take])}


def usual_ways(hits: Sequence[Hit]) -> dict[str, str]:
    """Drum -> the articulation that most takes have, of those the most frequent."""
    by_drum: dict[str, dict[str, list[Hit]]] = {}
    for hit in hits:
        by_drum.setdefault(hit.drum, {}).setdefault(hit.articulation, []).append(hit)
    return {drum: min(ways, key=lambda way: (-len({h.take for h in ways[way]}), -len(ways[way]), way))
            for drum, ways in sorted(by_drum.items())}


def cleanest(hits: Iterable[Hit], mic: str) -> tuple[list[Hit], bool]:
    """The strokes to be read in a mic, cleanest first, and whether they are clean there."""
    known = sorted((bleed, h.id, h) for h in hits if (bleed := h.bleed_db.get(mic)) is not None)
    clean = [h for bleed, _, h in known if bleed <= CLEAN_DB]
    return (clean[:STROKES], True) if clean else ([h for _, _, h in known][:STROKES], False)


def view(first: Hit, mic: str, role: str, strokes: Sequence[Floats], sample_rate: int, *, clean: bool,
         noise_dbfs: float | None) -> View:
    """What a mic hears of a drum: ``strokes`` are float64 (frames,), full scale 1.0, from each stroke's arrival on."""
    powers = [band_powers(x[:round(HEARD_S * sample_rate)], sample_rate) for x in strokes]
    live = [(whole, bands) for whole, bands in powers if whole > 0]
    head = (first.drum, first.articulation, first.take, mic, role, len(live), clean)
    if not live:
        return View(*head, None, None, noise_dbfs, None, (None,) * len(CENTRES_HZ))
    level = float(np.median([_db(whole) for whole, _ in live]))
    bands = np.median([[_db(b) - _db(whole) for b in part] for whole, part in live], axis=0)
    known = np.array(CENTRES_HZ) * 10**0.15 <= sample_rate / 2
    octaves = np.log2(np.array(CENTRES_HZ))
    tilt = float(np.polyfit(octaves[known], bands[known], 1)[0])
    peak = max(float(np.abs(x).max(initial=0.0)) for x in strokes)
    return View(*head, level, 20 * float(np.log10(peak)), noise_dbfs, tilt,
                tuple(float(b) if on else None for b, on in zip(bands, known, strict=True)))


def band_powers(x: Floats, sample_rate: int) -> tuple[float, Floats]:
    """Mean square of x, and its parts in the octave bands: Parseval's theorem over one transform of the whole."""
    spectrum = np.abs(np.fft.rfft(x)) ** 2
    weight = np.full(len(spectrum), 2.0)
    weight[0] = 1.0
    if len(x) % 2 == 0:
        weight[-1] = 1.0
    power = weight * spectrum / len(x) ** 2
    frequency = np.fft.rfftfreq(len(x), 1 / sample_rate)
    bands = [float(power[(frequency >= c / 10**0.15) & (frequency < c * 10**0.15)].sum()) for c in CENTRES_HZ]
    return float(power.sum()), np.array(bands)


# ------------------------------------------------------------------------------------------------------------- excerpts


def excerpt(strokes: Sequence[tuple[Floats, int]], sample_rate: int) -> Floats:
    """Some strokes one after the other, faded out where they end: float64 (1, frames).

    ``strokes``: audio (frames,) from ``LEAD_S`` before the arrival, and the frame at which the next stroke begins.
    """
    parts = []
    for x, stop in strokes[:PLAYED]:
        part = x[:max(1, min(len(x), stop, round(PLAYED_S * sample_rate)))].copy()
        fade = min(len(part), round(FADE_S * sample_rate))
        part[len(part) - fade:] *= 0.5 * (1 + np.cos(np.pi * (np.arange(fade) + 1) / fade))
        lead = min(len(part), round(LEAD_S * sample_rate))
        part[:lead] *= np.arange(lead) / lead
        parts.append(part)
    return np.concatenate(parts)[None] if parts else np.zeros((1, 0))


def matching_gains(excerpts: Mapping[str, Floats], rates: Mapping[str, int]) -> dict[str, float]:
    """Gain (dB) of each excerpt that makes all equally loud: momentary loudness (ITU-R BS.1770) at ``LOUDNESS_LUFS``,
    or lower, so that no true peak passes ``LOUDEST_DBTP``. Silent ones are left out.
    """
    loud: dict[str, tuple[float, float]] = {}
    for name, x in excerpts.items():
        level = momentary_max_lufs(x, rates[name]) if x.shape[1] else None
        peak = true_peak_dbtp(x, rates[name]) if x.shape[1] else None
        if level is not None and peak is not None:
            loud[name] = level, peak
    target = min([LOUDNESS_LUFS, *(level + LOUDEST_DBTP - peak for level, peak in loud.values())])
    return {name: target - level for name, (level, _) in loud.items()}


def _db(power: float) -> float:
    return 10 * float(np.log10(max(power, 1e-20)))
