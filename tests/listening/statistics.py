"""Intervals for what is counted: Wilson's for shares, the exact one for rates of rare events."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import binomtest, chi2

CONFIDENCE = 0.95


def wilson(count: int, of: int) -> tuple[float, float]:
    """Interval of a share (E. B. Wilson 1927, J. Am. Stat. Assoc. 22:209; by scipy).

    Examples
    --------
    >>> [round(limit, 4) for limit in wilson(99, 100)]
    [0.9455, 0.9982]
    """
    if not of:
        return 0.0, 1.0
    interval = binomtest(count, of).proportion_ci(CONFIDENCE, method="wilson")
    return float(interval.low), float(interval.high)


def poisson_rate(count: int, hours: float) -> tuple[float, float]:
    """Exact interval of a rate an hour (F. Garwood 1936, Biometrika 28:437, from memory).

    Examples
    --------
    >>> [round(limit, 3) for limit in poisson_rate(0, 20.0)]
    [0.0, 0.184]
    """
    if hours <= 0:
        return 0.0, float("inf")
    tail = (1 - CONFIDENCE) / 2
    low = chi2.ppf(tail, 2 * count) / 2 if count else 0.0
    return float(low / hours), float(chi2.isf(tail, 2 * count + 2) / 2 / hours)


def quantile(values: ArrayLike, share: float) -> float:
    """The smallest value that at least ``share`` of them do not exceed; values may be infinite."""
    sorted_values = np.sort(np.asarray(values, float))
    if not sorted_values.size:
        return float("nan")
    return float(sorted_values[max(0, int(np.ceil(share * sorted_values.size)) - 1)])
