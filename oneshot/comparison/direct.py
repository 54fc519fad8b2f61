"""Direct-to-room ratio: how much of a drum in a mic came straight, and how much by way of the room.

A drum rings on by itself, so the tail in a mic is not the room alone. What the drum does by itself its own close mic
knows: over the first 2.5 ms after its arrival, before anything comes back from floor, walls or ceiling, a mic holds
direct sound only (2.5 ms is a usual window for the direct part of an impulse response; common practice, no source).
How much of the close mic's sound that is, octave by octave, tells how much of its whole hit came straight; what the mic
holds beyond that came by way of the room. In a computed room whose direct sound and reflections are known apart it is
within 1.5 dB from half a metre to five (the tests hold it). Octaves from 500 Hz on: 2.5 ms tell
nothing of lower ones. It is not known for drums without a close mic, nor where that one rings on for longer than the
drum does elsewhere, so that more would have come straight than is there.
"""

from __future__ import annotations

import numpy as np

from oneshot.core.records.session import Floats

DIRECT_S, BEFORE_S = 0.0025, 0.001
CENTRES_HZ = tuple(1000 * 10 ** (0.3 * n) for n in range(-1, 4))
"""Octaves, 500 Hz to 8 kHz by their nominal names (IEC 61260-1:2014, base ten; from memory)."""
MOST_DB = 20.0
"""Nothing is told beyond this: a hundredth of the energy is within the error of the direct part."""
TOO_MUCH_DB = 1.0
"""So far the direct part may exceed what is there, by that error."""


def direct_to_room_db(home: Floats, mic: Floats, *, lead: int, sample_rate: int) -> float | None:
    """Energy that came straight against the rest of it (dB), -20 to 20; None where either is silent or more would have
    come straight than is there.

    ``home``, ``mic``: one hit in the drum's close mic and in the other one, float64 (frames,), both with the arrival at
    frame ``lead`` and of one length.
    """
    early, whole = _energies(home, lead, sample_rate)
    heard, total = _energies(mic, lead, sample_rate)
    known = early > 0
    if not known.any() or not total[known].sum() > 0:
        return None
    expected = heard[known] / early[known] * whole[known]
    if expected.sum() > total[known].sum() * 10 ** (TOO_MUCH_DB / 10):
        return None
    straight = np.minimum(expected, total[known])
    rest = total[known].sum() - straight.sum()
    ratio = 10 * np.log10(max(straight.sum(), 1e-30) / max(rest, 1e-30))
    return float(np.clip(ratio, -MOST_DB, MOST_DB))


def _energies(x: Floats, lead: int, sample_rate: int) -> tuple[Floats, Floats]:
    """Energy in each octave of the direct part and of the whole."""
    start = max(0, lead - round(BEFORE_S * sample_rate))
    stop = lead + round(DIRECT_S * sample_rate)
    part = x[start:stop].copy()
    fade = min(len(part), (stop - lead) // 3)
    part[len(part) - fade:] *= 0.5 * (1 + np.cos(np.pi * (np.arange(fade) + 0.5) / max(fade, 1)))
    return _octaves(part, sample_rate, 4 * (stop - start)), _octaves(x[start:], sample_rate, len(x) - start)


def _octaves(x: Floats, sample_rate: int, size: int) -> Floats:
    """Energy in the octaves below half the rate, float64 (octaves,)."""
    power = np.abs(np.fft.rfft(x, max(size, 1))) ** 2 / max(size, 1)
    frequency = np.fft.rfftfreq(max(size, 1), 1 / sample_rate)
    return np.array([float(power[(frequency >= hz / 10**0.15) & (frequency < hz * 10**0.15)].sum())
                     for hz in CENTRES_HZ])
