"""Cross-correlation: where two short signals agree most, one way up or the other."""

from __future__ import annotations

import numpy as np

from oneshot.core.records.session import Floats, Floats32


def largest(inner: Floats | Floats32, other: Floats | Floats32) -> tuple[float, int]:
    """The largest cross-correlation by magnitude, signed, and the lag at which it is reached: the frame of ``other``
    that meets the first of ``inner``. 0 where either is silent, or ``other`` is the shorter one.

    ``inner``: (frames,), ``other``: (frames and twice the reach,); full scale 1.0. The sign tells polarity (Jillings,
    Clifford, Reiss 2013, AES 134, from memory).
    """
    if len(other) < len(inner) or not len(inner):
        return 0.0, 0
    product = np.correlate(np.asarray(other, np.float64), np.asarray(inner, np.float64), mode="valid")
    lag = int(np.abs(product).argmax())
    return float(product[lag]), lag
