"""Faults in one mic's own signal: clipping, limiting, hum, DC offset, digital black, dropouts, bits and frequencies
that are not there.

Limits are derived where physics gives one and else common practice, no source; each says which.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from oneshot.checking.finding import Finding, Harm
from oneshot.checking.survey import Survey, sixteen_bits
from oneshot.core.records.session import SILENT_PEAK, Floats, Floats32, Problem
from oneshot.core.text import counted

FULL_SCALE = 1 - 2.0**-15
"""The largest positive sample of 16 bits; of more bits it is nearer to 1."""
SAME = 10 ** (-0.02 / 20)
"""Peaks that lie this close together, as a ratio, lie at one ceiling."""
FLAT_FRAMES, FLAT_AT_FULL_SCALE = 24, 4
"""Samples on the top of a hit (at 48 kHz) from which it is flat, below full scale and at it: a wave of 20 Hz that
nothing cuts off has eleven, and a file that was normalised to its peak one or two.
"""
APART_S = 0.1
HUM_BASES_HZ = (50.0, 60.0)
HUM_LINES = 10
"""Lines of a mains frequency that are looked at."""
LINE_DB = 10.0
"""How far a line stands above the median of what lies beside it: of noise, one bin in a thousand of one spectrum does
(powers are exponentially distributed), and fewer of the mean of several.
"""
WALL_DB, BESIDE_HZ, WALL_FROM_HZ, WALL_TO = 12.0, 250.0, 8000.0, 0.45
"""By how much noise falls from one band of that width to the next but one, and where a wall is looked for, Hz and share
of the sample rate: above, the converter's own filter begins. Noise of 368 mics that nothing cut off falls by up to 2.4
dB, with tails in it by up to 8.5 dB.
"""
OFFSET, IN_NOISE = 10 ** (-60 / 20), 0.3
"""From where an offset clicks: full scale 1.0, and re the rms of the softest 50 ms; noise alone has a mean, too."""
BLACK_SHARE = 0.02
"""Share of a take's time from which digital black is worth a word; the silence before and after the take aside."""


def signal_faults(survey: Survey) -> Iterator[Finding]:
    """All of them, mic by mic."""
    for row, mic in enumerate(survey.mics):
        where = f"{survey.take.name}/{mic.name}"
        if survey.broken[row] >= 0:
            yield Finding(Harm.LOST, Problem(where, "holds samples that are no numbers (NaN or infinity)",
                                             "export it again, or take it out of the folder: nothing can be built from "
                                             "it"), (float(survey.broken[row] / survey.take.sample_rate),))
            continue
        if survey.peak[row].max(initial=0.0) <= SILENT_PEAK:
            yield Finding(Harm.LOST, Problem(where, "is silent", 'find its file, or give it role = "ignore" in '
                                                                  "session.toml"))
            continue
        for each in (_ceiling, _drops, _black, _offset, _bits):
            yield from each(survey, row, where)
        if survey.quiet[row]:
            power = spectrum(survey.quiet[row])
            yield from _hum(power, survey.take.sample_rate, where)
            yield from _band(power, survey.take.sample_rate, where)


def _loud_slots(survey: Survey, row: int) -> NDArray[np.int64]:
    """The slots of a mic that hold the peak of a hit: louder than all within 100 ms."""
    peak, reach = survey.peak[row], round(APART_S * survey.take.sample_rate / survey.slot)
    around = np.lib.stride_tricks.sliding_window_view(np.pad(peak, reach), 2 * reach + 1).max(axis=1)
    return np.flatnonzero((peak == around) & (peak > SILENT_PEAK))


def _ceiling(survey: Survey, row: int, where: str) -> Iterator[Finding]:
    """Over full scale, at full scale, or at one level below it: where sound was cut off."""
    slots = _loud_slots(survey, row)
    peak = survey.peak[row, slots]
    top = float(peak.max(initial=0.0))
    over = slots[peak > 1.0]
    if len(over):
        what = f"goes {_db(top):.1f} dB over full scale in {counted(len(over), 'hit')}, as float files may"
        yield Finding(Harm.NOTE, Problem(where, what, "turn it down before it is converted to integer samples"),
                      tuple(survey.seconds(over).tolist()))
        return
    flat = FLAT_AT_FULL_SCALE if top >= FULL_SCALE else FLAT_FRAMES * survey.take.sample_rate / 48000
    at_top = slots[(peak >= top * SAME) & (survey.flat[row, slots] >= flat)]
    if not len(at_top):
        return
    at = tuple(survey.seconds(at_top).tolist())
    if top >= FULL_SCALE:
        yield Finding(Harm.LOST, Problem(where, f"is clipped in {counted(len(at_top), 'hit')}, at full scale",
                                         "turn the preamp down and play them again; softer hits are fine"), at)
    else:
        what = f"is cut off at {_db(top):.2f} dBFS: {counted(len(at_top), 'hit has', 'hits have')} a flat top there"
        yield Finding(Harm.LOST, Problem(where, what, "look for a clipped preamp or a limiter before the recorder, "
                                                      "and play them again"), at)


def _drops(survey: Survey, row: int, where: str) -> Iterator[Finding]:
    """Short holes in the sound."""
    found = survey.drops[row]
    if len(found):
        yield Finding(Harm.LOST, Problem(where, f"drops out {len(found)} times: zeros for 5 to 45 ms between sounds",
                                         "check recorder, disk and clock, and play it again"),
                      tuple((found / survey.take.sample_rate).tolist()))


def _black(survey: Survey, row: int, where: str) -> Iterator[Finding]:
    """Digital black inside of a take: a gate, an edit, or a file that was put together."""
    sounds = np.flatnonzero(~survey.black[row])
    inside = survey.black[row, sounds[0] : sounds[-1]]
    share = float(inside.mean()) if len(inside) else 0.0
    if share > BLACK_SHARE:
        starts = np.flatnonzero(np.diff(inside.astype(np.int8), prepend=0) > 0) + sounds[0]
        yield Finding(Harm.POOR, Problem(where, f"is gated or edited: {share:.0%} of the time is digital black",
                                         "use the recording without gate: tails end where it closes"),
                      tuple(survey.seconds(starts).tolist()))


def _offset(survey: Survey, row: int, where: str) -> Iterator[Finding]:
    """A mean that is not zero, also where nothing is played: what rooms hear of a hit need not be zero on average."""
    means = [float(x.mean(dtype=np.float64)) for x in survey.quiet[row]] or survey.means[row].tolist()
    mean, softest = min(means, key=abs), float(survey.level[row].min())  # noise is masked by noise, of its mean, too
    if survey.mics[row].role.means.judged and abs(mean) >= max(OFFSET, IN_NOISE * softest**0.5):
        yield Finding(Harm.POOR, Problem(where, f"has a DC offset of {_db(abs(mean)):.0f} dBFS",
                                         "samples keep it and click where they start and end: remove it (5 Hz "
                                         "high-pass) and export again"))


def spectrum(quiet: tuple[Floats32, ...]) -> Floats:
    """Mean square of quiet stretches of one length in each bin of their spectrum, float64 (bins,), in all their own."""
    window = np.hanning(len(quiet[0]))
    power = np.mean([np.abs(np.fft.rfft(x * window)) ** 2 for x in quiet], axis=0)
    return np.asarray(power * 2 / (window**2).sum() / len(window))


def _hum(power: Floats, sample_rate: int, where: str) -> Iterator[Finding]:
    """Mains hum that is louder than the rest of the noise; ``power``: as from ``spectrum``."""
    found = [(hum(power, sample_rate, base), base) for base in HUM_BASES_HZ]
    (line, rest), base = max(found)
    if line > rest:
        rise_db = 10 * np.log10(1 + line / max(rest, 1e-20))
        level = f"{_db(np.sqrt(line)):.0f} dBFS: it raises the noise floor by {rise_db:.0f} dB"
        yield Finding(Harm.POOR, Problem(where, f"hums at {base:.0f} Hz and multiples, {level}",
                                         "lift the ground loop, or move cables and mic away from the mains: tails end "
                                         "at the noise floor"))


def hum(power: Floats, sample_rate: int, base_hz: float) -> tuple[float, float]:
    """Mean squares of a mains frequency with its multiples, and of everything else, by a spectrum of noise.

    Nothing where the lines do not stand out, or fewer than three do: a drum that rings has one, perhaps two.
    """
    hz = 2 * (len(power) - 1) / sample_rate  # bins a hertz
    lines = 0
    total = 0.0
    for n in range(1, HUM_LINES + 1):
        at = round(n * base_hz * hz)
        line: Floats = power[at - 2 : at + 3]
        beside = np.concatenate([power[at - 14 : at - 4], power[at + 5 : at + 15]])
        rest = float(np.median(beside))
        if line.max() > 10 ** (LINE_DB / 10) * rest:
            lines += 1
            total += float(line.sum()) - 5 * rest
    return (total, float(power[1:].sum()) - total) if lines >= 3 else (0.0, float(power[1:].sum()))


def _band(power: Floats, sample_rate: int, where: str) -> Iterator[Finding]:
    """Noise that ends at one frequency: that of mics and preamps goes on to the end of the band (Johnson 1928, Nyquist
    1928: thermal noise is white), and no mic falls as steeply as a digital filter.
    """
    wide = round(BESIDE_HZ * 2 * (len(power) - 1) / sample_rate)
    total = np.cumsum(power)
    level = 10 * np.log10(np.maximum(total[wide:] - total[:-wide], 1e-30))  # of ``wide`` bins, from the next one on
    first, last = (round(hz * 2 * (len(power) - 1) / sample_rate) for hz in (WALL_FROM_HZ, WALL_TO * sample_rate))
    fall = level[first - wide : last - wide] - level[first + wide : last + wide]
    if len(fall) and fall.max() > WALL_DB:
        edge = (first + int(fall.argmax()) + wide / 2) * sample_rate / 2 / (len(power) - 1)
        yield Finding(Harm.POOR, Problem(where, f"holds nothing above {edge / 1e3:.0f} kHz, not even noise: it comes "
                                         "from a lossy file, or from one of a lower sample rate",
                                         "find the original, or check the recorder's format and what was exported"))


def _bits(survey: Survey, row: int, where: str) -> Iterator[Finding]:
    """Sixteen bits in a file of more."""
    if sixteen_bits(survey, row):
        yield Finding(Harm.NOTE, Problem(where, "holds no more than 16 bits, in a file of more",
                                         "check the recorder's setting and what was exported"))


def _db(amplitude: float) -> float:
    return 20 * float(np.log10(max(amplitude, 1e-10)))
