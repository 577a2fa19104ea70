"""Intervals of what is told: Wilson's for shares, the exact one for rates of rare events, of medians."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import binom, binomtest, chi2

CONFIDENCE = 0.90
"""Of every interval that is told of evidence."""


@dataclass(frozen=True)
class Interval:
    """A value with the limits of its interval."""

    value: float
    low: float
    high: float


def share_interval(count: int, of: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Interval of a share (E. B. Wilson 1927, J. Am. Stat. Assoc. 22:209; by scipy).

    Examples
    --------
    >>> [round(limit, 3) for limit in share_interval(9, 10)]
    [0.652, 0.977]
    >>> share_interval(0, 0)
    (0.0, 1.0)
    """
    if not of:
        return 0.0, 1.0
    interval = binomtest(count, of).proportion_ci(confidence, method="wilson")
    return float(interval.low), float(interval.high)


def rate_interval(count: int, hours: float, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Exact interval of a rate an hour (F. Garwood 1936, Biometrika 28:437, from memory).

    Examples
    --------
    >>> [round(limit, 3) for limit in rate_interval(0, 10.0)]
    [0.0, 0.3]
    >>> [round(limit, 2) for limit in rate_interval(3, 10.0)]
    [0.08, 0.78]
    """
    if hours <= 0:
        return 0.0, math.inf
    tail = (1 - confidence) / 2
    low = chi2.ppf(tail, 2 * count) / 2 if count else 0.0
    return float(low / hours), float(chi2.isf(tail, 2 * count + 2) / 2 / hours)


def likely_rate(count: int, hours: float) -> float:
    """Rate an hour that is as likely too high as too low: the median of `rate_interval`'s distribution.

    Nothing seen in a short time is no proof of nothing: 0.69 / hours for a count of none.

    Examples
    --------
    >>> round(likely_rate(0, 10.0), 3)
    0.069
    """
    return math.inf if hours <= 0 else float(chi2.isf(0.5, 2 * count + 2) / 2 / hours)


def median_interval(values: Sequence[float], confidence: float = CONFIDENCE) -> tuple[float, float, float]:
    """Median and its distribution-free interval by order statistics; values may be infinite, not NaN.

    The interval runs from the k-th smallest to the k-th largest value, k from the binomial distribution (from
    memory: H. A. David, Order Statistics); from minus to plus infinity where there are too few values.

    Examples
    --------
    >>> median_interval([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0])
    (4.0, 1.0, 7.0)
    """
    ordered = np.sort(np.asarray(values, dtype=float))
    n = ordered.size
    if not n:
        return math.nan, math.nan, math.nan
    middle = float(ordered[(n - 1) // 2] if n % 2 else np.mean(ordered[n // 2 - 1 : n // 2 + 1]))
    k = int(binom.ppf((1 - confidence) / 2, n, 0.5))
    if k < 1:
        return middle, -math.inf, math.inf
    return middle, float(ordered[k - 1]), float(ordered[n - k])
