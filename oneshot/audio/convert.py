"""Convert: sample rate and word length of a sound, and the dither that goes with a shorter word length.

Signals are float64 (channels, frames), full scale 1.0. Sample rates are converted by soxr at its best quality (linear
phase: nothing moves). Dither is TPDF, 2 LSB peak to peak: the sum of two independent uniform values of one step each
makes mean and variance of the total error independent of the signal (Lipshitz, Wannamaker and Vanderkooy 1992, J. Audio
Eng. Soc. 40(5), from memory); the total error's variance is then a quarter of a squared step.
"""

from __future__ import annotations

import hashlib

import numpy as np
import soxr
from numpy.typing import NDArray

from oneshot.core.records.session import Floats


def resampled(x: Floats, before: int, after: int) -> Floats:
    """The same sound at another sample rate (Hz); the same array where both rates are equal."""
    if before == after or not x.shape[1]:
        return x
    out = soxr.resample(np.ascontiguousarray(x.T), before, after, quality="VHQ")
    return np.ascontiguousarray(np.asarray(out, np.float64).T)


def quantised(x: Floats, bits: int, name: str) -> NDArray[np.int32]:
    """Integers of ``bits`` (16, 24 or 32), left-justified in int32 (channels, frames).

    What lies on that grid already stays unchanged; anything else is dithered, with noise seeded by ``name`` alone, and
    clipped at full scale. A silent end stays silent: a file begins and ends at 0.
    """
    steps = x * 2.0 ** (bits - 1)
    if not np.array_equal(steps, np.rint(steps)):
        seed = int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big")
        random = np.random.default_rng(seed)
        noise = random.random(x.shape) - random.random(x.shape)
        for edge in (0, -1):
            noise[:, edge] *= x[:, edge] != 0
        steps = steps + noise
    whole = np.clip(np.rint(steps), -(2 ** (bits - 1)), 2 ** (bits - 1) - 1).astype(np.int64)
    return (whole << (32 - bits)).astype(np.int32)
