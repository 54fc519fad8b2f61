"""Excerpts: the same hits of a drum from every mic and take, equally long, in step and equally loud.

Louder always sounds better, so all excerpts of a drum have one loudness (integrated, ITU-R BS.1770). Each begins with
the same hit at the same frame, whatever its mic's delay, so that a player can change from one to another at any time.
Takes share places rather than hits: each place lasts as long as every take's hit stands alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from oneshot.audio.loudness import BLOCK_S, HOP_S, integrated_lufs, true_peak_dbtp
from oneshot.comparison.windows import LEAD_S, Windows
from oneshot.core.records.session import Floats

PLAYED = 4
"""Hits in an excerpt."""
FADE_S = 0.05
SILENT_PEAK = 1e-6
"""Peak (re full scale) up to which there is nothing to hear: -120 dBFS, far below the noise of any preamp."""
LOUDEST_DBTP, LOUDNESS_LUFS = -3.0, -20.0
"""Excerpts are matched at this loudness, or lower where a peak would pass the limit."""


def places(takes: Sequence[Windows]) -> tuple[list[list[int]], list[float]]:
    """Which rows of each take are played, one after the other, and how long each place lasts (s).

    As many as the take with the fewest hits has, those that stand alone longest first.
    """
    count = min([PLAYED, *(len(each.hits) for each in takes)])
    rows = [sorted(np.argsort(-each.stop, kind="stable")[:count].tolist()) for each in takes]
    lasting = [min(float(each.stop[mine[k]]) / each.sample_rate for each, mine in zip(takes, rows, strict=True))
               for k in range(count)]
    return rows, lasting


def excerpt(heard: Windows, mic: int, rows: Sequence[int], lasting_s: Sequence[float]) -> Floats:
    """Some hits in one mic one after the other, faded out where they end: float64 (1, frames), with as much silence at
    the end as makes whole steps of the loudness meter's.
    """
    parts, done, until = [], 0, 0.0
    for row, seconds in zip(rows, lasting_s, strict=True):
        until += seconds + LEAD_S
        length = round(until * heard.sample_rate) - done  # by the running time: in step at any sample rate
        done += length
        part = np.zeros(length)
        x = heard.aligned(row, mic, lead=True)[:length]
        part[: len(x)] = x
        fade = min(length, round(FADE_S * heard.sample_rate))
        part[length - fade:] *= 0.5 * (1 + np.cos(np.pi * (np.arange(fade) + 1) / fade))
        lead = min(length, heard.lead)
        part[:lead] *= np.arange(lead) / lead
        parts.append(part)
    whole = max(BLOCK_S, math.ceil(until / HOP_S - 1e-6) * HOP_S)
    parts.append(np.zeros(round(whole * heard.sample_rate) - done))
    return np.concatenate(parts)[None]


def matching_gains(excerpts: Mapping[str, Floats], rates: Mapping[str, int]) -> dict[str, float]:
    """Gain (dB) of each excerpt that makes all equally loud: integrated loudness (ITU-R BS.1770) at ``LOUDNESS_LUFS``,
    or lower, so that no true peak passes ``LOUDEST_DBTP``. Silent ones are left out.
    """
    known: dict[str, tuple[float, float, float]] = {}
    for name, x in excerpts.items():
        top = float(np.abs(x).max(initial=0.0))
        if top <= SILENT_PEAK:
            continue
        # brought to full scale first, so that soft ones are not below the absolute gate
        level, peak = integrated_lufs(x / top, rates[name]), true_peak_dbtp(x / top, rates[name])
        if level is not None and peak is not None:
            known[name] = level, peak, 20 * float(np.log10(top))
    target = min([LOUDNESS_LUFS, *(level + LOUDEST_DBTP - peak for level, peak, _ in known.values())])
    return {name: target - level - top for name, (level, _, top) in known.items()}
