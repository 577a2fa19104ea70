"""Drill wear: the load of like pecks, blank after blank, and how long until a stated limit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import norm, theilslopes

from monitor.measurements import PeckRow
from monitor.tuning.intervals import Interval
from monitor.tuning.peck_curves import Curve

CALL = 0.995
"""Chance, one-sided, that the trend rises, from which wear is called: one false call in two hundred."""

LEAST_RISE = 0.05
"""A rise of less is within what stock and warmth do to a load (no published source)."""

LEAST_BLANKS = 8
MOST_POINTS = 400
"""Longer series are averaged, blank by blank: the slope of Theil and Sen takes every pair."""


@dataclass(frozen=True)
class Trend:
    """Load over blanks.

    ``rise`` is that of the load over all the blanks (0.2: a fifth more), with its 90 % interval; ``called``
    whether wear is sure enough to be told; ``left`` blanks until the limit, the last number infinite where it
    may never come. ``blank`` and ``load`` (over that of the first blank, by the trend) are the points.
    """

    blanks: int
    rise: Interval
    called: bool
    left: Interval | None
    blank: Curve
    load: Curve
    slope: float


def blank_loads(pecks: Sequence[PeckRow], blanks_held: frozenset[int]) -> list[tuple[int, float]]:
    """Logarithm of the load of each blank: the median over its pecks of the mean sag in percent.

    Every blank of one job has the same pecks, so like is compared with like; blanks with a hold, and those
    that lack more than a third of the usual pecks, are left out.
    """
    by_blank: dict[int, list[float]] = {}
    for row in pecks:
        if row.blank not in blanks_held and row.mean_sag_pct > 0:
            by_blank.setdefault(row.blank, []).append(math.log(row.mean_sag_pct))
    if not by_blank:
        return []
    usual = float(np.median([len(loads) for loads in by_blank.values()]))
    return [
        (blank, float(np.median(loads)))
        for blank, loads in sorted(by_blank.items())
        if 3 * len(loads) >= 2 * usual
    ]


def drills_began(pecks: Sequence[PeckRow], times: Sequence[float]) -> tuple[int, ...]:
    """The blank with which each new drill began, told of at these times: the one under way or coming.

    Told of after the last peck it is the blank after the last: the first of the next batch.

    Examples
    --------
    >>> drills_began([], [3.0])
    (1,)
    """
    last = max((row.blank for row in pecks), default=0)
    return tuple(next((row.blank for row in pecks if row.end_s >= t), last + 1) for t in times)


def fit_trend(log_loads: Sequence[float], limit: float) -> Trend | None:
    """Robust trend of the load of one drill.

    Parameters
    ----------
    log_loads : sequence
        Of each blank, in the order drilled, since the drill was new.
    limit : float
        Rise over a new drill at which it is to be sharpened, 0.5 for half as much again.

    Returns
    -------
    Trend or None
        None for fewer than LEAST_BLANKS blanks.

    Notes
    -----
    Slope and interval of Theil and Sen (`scipy.stats.theilslopes`, interval from Kendall's tau; P. K. Sen
    1968, J. Am. Stat. Assoc. 63:1379, from memory). Neighbouring blanks share warmth and stock: the interval
    is widened by sqrt((1 + r) / (1 - r)), r being the correlation of neighbours about the trend.
    """
    y = np.asarray(log_loads, dtype=float)
    n = y.size
    if n < LEAST_BLANKS:
        return None
    x = np.arange(n, dtype=float)
    if n > MOST_POINTS:
        size = math.ceil(n / MOST_POINTS)
        y = np.array([np.median(part) for part in np.array_split(y, n // size)])
        x = np.array([np.mean(part) for part in np.array_split(x, n // size)])
    fit = theilslopes(y, x)
    slope = float(fit.slope)
    start = float(np.median(y - slope * x))
    wider = _widening(y - start - slope * x)

    def limits(chance: float) -> tuple[float, float]:
        z = float(norm.ppf((1 + chance) / 2)) * wider
        found = theilslopes(y, x, alpha=min(float(2 * norm.cdf(z) - 1), 1 - 1e-9))
        return float(found.low_slope), float(found.high_slope)

    low, high = limits(0.90)
    span = n - 1.0
    sure_low, _ = limits(2 * CALL - 1)
    called = sure_low > 0 and math.expm1(slope * span) >= LEAST_RISE
    left = None
    if called:
        to_go = math.log1p(limit) - slope * span
        soonest = max((math.log1p(limit) - high * span) / high, 0.0)
        latest = math.inf if low <= 0 else max((math.log1p(limit) - low * span) / low, 0.0)
        left = Interval(max(to_go / slope, 0.0), soonest, latest)
    return Trend(
        blanks=n,
        rise=Interval(*(math.expm1(value * span) for value in (slope, low, high))),
        called=called,
        left=left,
        blank=x + 1.0,
        load=np.exp(y - start),
        slope=slope,
    )


def _widening(residuals: Curve) -> float:
    if not np.any(residuals):
        return 1.0
    r = float(residuals[1:] @ residuals[:-1] / (residuals @ residuals))
    # A fitted trend makes neighbours look less alike, by about 3 / n (from memory, Kendall 1954, of a mean
    # and slope).
    r = min(max(r + 3.0 / residuals.size, 0.0), 0.9)
    return math.sqrt((1 + r) / (1 - r))
