"""What is known of every stroke of a generated session: where it starts in each mic, how loud, what else is there.

An onset is the first frame at which the stroke alone passes -30 dB of the peak of its first 50 ms in that mic.
Energies are those of the source before the mic's noise is added, in dB, 10 log10 of the sum of squares.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from scipy.ndimage import uniform_filter1d

from oneshot.core.records.session import Floats32

HEAD_S = 0.05
BEFORE_S, AFTER_S = 0.005, 0.2
"""The window, around the earliest onset over the mics, in which a stroke is held against everything else."""
ENERGY_S = 0.3
FAR_S = 99.0
"""The gap told before the first and after the last stroke of a take."""


def _db(power: float) -> float:
    return float(10 * np.log10(power + 1e-12))


def onset_frame(signal: Floats32, sample_rate: int) -> int:
    """First frame at which a clean stroke (frames,) passes -30 dB of the peak of its first 50 ms; 0 for silence."""
    head = np.abs(signal[: int(HEAD_S * sample_rate)])
    peak = float(head.max(initial=0.0))
    return int(np.argmax(head > peak * 10 ** (-30 / 20))) if peak > 0 else 0


def is_sharp(signal: Floats32, noise_db: float, sample_rate: int) -> bool:
    """Whether the onset of a clean stroke (frames,) can be told at all above noise of ``noise_db`` rms.

    From -30 to -10 dB of the peak within 3 ms, nothing above -32 dB in the 2 ms before, and -30 dB of the peak at least
    14 dB above the noise.
    """
    head = np.abs(signal[: int(HEAD_S * sample_rate)])
    peak = float(head.max(initial=0.0))
    if peak <= 0 or 20 * np.log10(peak) - 30 < noise_db + 14:
        return False
    onset = onset_frame(signal, sample_rate)
    before = head[max(0, onset - int(0.002 * sample_rate)) : max(0, onset - 2)]
    steep = int(np.argmax(head > peak * 10 ** (-10 / 20))) - onset < 0.003 * sample_rate
    return bool(steep and float(before.max(initial=0.0)) < peak * 10 ** (-32 / 20))


def describe(image: Floats32, start: int, mics: Sequence[str], home: int, noise_db: Mapping[str, float],
             sample_rate: int) -> dict[str, Any]:
    """What one stroke alone tells: ``image`` is (mics, frames) of it, from take frame ``start`` on."""
    onset = {m: start + onset_frame(row, sample_rate) for m, row in zip(mics, image, strict=True)}
    level = uniform_filter1d(image[home].astype(np.float64) ** 2, max(1, round(0.02 * sample_rate)), mode="constant")
    loud = np.flatnonzero(level > 10 ** (noise_db[mics[home]] / 10))
    head = image[:, : int(ENERGY_S * sample_rate)].astype(np.float64)
    return {
        "start": start,
        "onset": onset,
        "first": min(onset.values()),
        "sharp": [m for m, row in zip(mics, image, strict=True) if is_sharp(row, noise_db[m], sample_rate)],
        "ring": start + int(loud[-1]) if len(loud) else start,
        "energy_db": _db(float(np.sum(head**2))),
    }


def window(first: int, frames: int, sample_rate: int) -> tuple[int, int]:
    """The take frames [a, b) in which a stroke first heard at ``first`` is held against everything else."""
    return max(first - int(BEFORE_S * sample_rate), 0), min(first + int(AFTER_S * sample_rate), frames)


def compare(own: Floats32, everything: Floats32, mics: Sequence[str]) -> dict[str, dict[str, float]]:
    """Energy of a stroke, and of all else against it, per mic, in its window; both arrays are (mics, frames)."""
    own_power = np.sum(own.astype(np.float64) ** 2, axis=1) + 1e-12
    other_power = np.sum((everything - own).astype(np.float64) ** 2, axis=1) + 1e-12
    return {
        "bleed_db": {m: float(10 * np.log10(o / p)) for m, o, p in zip(mics, other_power, own_power, strict=True)},
        "own_db": {m: _db(float(p)) for m, p in zip(mics, own_power, strict=True)},
    }


def add_gaps(hits: list[dict[str, Any]], sample_rate: int) -> None:
    """Give each hit the seconds to the one before and after it, by their first frames; sorts by ``start`` first."""
    hits.sort(key=lambda h: int(h["start"]))
    firsts = [int(h["first"]) for h in hits]
    for k, hit in enumerate(hits):
        hit["id"] = k
        hit["gap_before"] = (firsts[k] - firsts[k - 1]) / sample_rate if k else FAR_S
        hit["gap_after"] = (firsts[k + 1] - firsts[k]) / sample_rate if k + 1 < len(hits) else FAR_S


def truth_json(truth: Mapping[str, Any]) -> str:
    """The truth of a take as JSON text: figures rounded to 1e-4, so that it is short and the same everywhere."""
    def rounded(value: Any) -> Any:
        """The same, figures of any depth rounded."""
        if isinstance(value, float):
            return round(value, 4)
        if isinstance(value, Mapping):
            return {k: rounded(v) for k, v in value.items()}
        return [rounded(v) for v in value] if isinstance(value, list | tuple) else value

    return json.dumps(rounded(truth), indent=0, allow_nan=False) + "\n"
