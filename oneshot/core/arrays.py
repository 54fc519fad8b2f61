"""Medians over what is known: NaN stands for what is not, and counts for nothing."""

from __future__ import annotations

import numpy as np

from oneshot.core.records.session import Floats


def nan_median(values: Floats, axis: int) -> Floats:
    """Median along an axis over what is not NaN; NaN, without a warning, where nothing is left."""
    ordered = np.sort(values, axis=axis)  # NaN sorts last
    count = np.sum(~np.isnan(values), axis=axis)
    low = np.take_along_axis(ordered, np.expand_dims(np.maximum(count - 1, 0) // 2, axis), axis)
    high = np.take_along_axis(ordered, np.expand_dims(np.maximum(count, 1) // 2, axis), axis)
    out: Floats = np.where(count > 0, np.squeeze((low + high) / 2, axis), np.nan)
    return out
