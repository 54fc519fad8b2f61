"""Prints heard one after the other: a kit that has nothing else has no keys either, so that no notes can play it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import soxr

from oneshot.audio.io import read_audio
from oneshot.core.records.kit import Kit, Print
from oneshot.core.records.session import Floats

APART_S = 0.5
"""The least from one print to the next."""


def ladder(kit: Kit) -> list[Print]:
    """The best print of each layer, softest first; one drum, articulation and kind of print after the other, in the
    order in which the kit lists them.
    """
    best: dict[tuple[str, str, str], dict[int, Print]] = {}
    for each in kit.prints:
        layers = best.setdefault((each.print, each.drum, each.articulation), {})
        if each.layer not in layers or each.rank < layers[each.layer].rank:
            layers[each.layer] = each
    return [layers[number] for layers in best.values() for number in sorted(layers)]


def blocks(folder: Path, prints: Sequence[Print], sample_rate: int) -> Iterator[Floats]:
    """Prints in turn, each whole: float64 (2, frames) at ``sample_rate``, full scale 1.0, as loud as their files are;
    mono is on both sides. ``folder``: the kit's. Raises AudioError where a file cannot be read.
    """
    yield np.zeros((2, round(APART_S * sample_rate)))
    for each in prints:
        x, header = read_audio(folder / each.path)
        if header.sample_rate != sample_rate:
            x = soxr.resample(x.T, header.sample_rate, sample_rate, quality="VHQ").T
        out = np.zeros((2, max(x.shape[1], round(APART_S * sample_rate))))
        out[:, :x.shape[1]] = x
        yield out
