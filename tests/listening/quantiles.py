"""Quantiles of delays, of which some may be infinite: what was never told."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike


def quantile(values: ArrayLike, share: float) -> float:
    """The smallest value that at least ``share`` of them do not exceed; NaN of nothing."""
    sorted_values = np.sort(np.asarray(values, float))
    if not sorted_values.size:
        return float("nan")
    return float(sorted_values[max(0, int(np.ceil(share * sorted_values.size)) - 1)])
