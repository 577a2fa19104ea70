"""What to change next: a peck schedule with its time, fill and risk, or the pecks that would tell more."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate

import numpy as np
from scipy.stats import theilslopes

from monitor.planning.flutes import FLUTE_AREA_FRACTION, flute_fill
from monitor.planning.pecking import USUAL_FILL_LIMIT, Limits, deepest_pecks
from monitor.tuning.climb import quantile
from monitor.tuning.peck_curves import Curve

TELLS_ENOUGH = 0.15
"""Half-width of the interval over its value, from which a schedule may be built on it."""

FULLEST_TRIAL = 1.0
"""Flute fill that a trial may reach: full, not packed."""

TRIAL_RISK = 0.10
"""Chance that a trial passes that fill after all."""

USUAL_GAP = (1.0, 0.06)
"""Seconds out of the work between two pecks, and more a mm of depth, where too few were heard: rapids of 2
m/min and a second of dwell and turning (no published source)."""


@dataclass(frozen=True)
class Gaps:
    """Time out of the work between two pecks: ``still_s + per_mm_s`` times the depth of the hole."""

    still_s: float
    per_mm_s: float

    def seconds(self, depth_mm: float) -> float:
        """Time from the end of a peck at this depth to the next contact."""
        return max(self.still_s + self.per_mm_s * depth_mm, 0.0)


def fit_gaps(depth_mm: Curve, gap_s: Curve) -> Gaps:
    """Robust line (Theil and Sen) through the gaps heard; the usual one where they are fewer than six."""
    good = np.isfinite(depth_mm) & np.isfinite(gap_s) & (gap_s > 0)
    if np.count_nonzero(good) < 6 or np.ptp(depth_mm[good]) <= 0:
        return Gaps(*USUAL_GAP)
    # Some hundreds say all there is; the number of pairs goes with the square.
    chosen = np.flatnonzero(good)[:: max(1, np.count_nonzero(good) // 500)]
    with np.errstate(invalid="ignore"):  # its interval, of no use here, has none where most are equal
        line = theilslopes(gap_s[chosen], depth_mm[chosen])
    per_mm = max(float(line.slope), 0.0)
    return Gaps(float(np.median(gap_s[chosen] - per_mm * depth_mm[chosen])), per_mm)


@dataclass(frozen=True)
class Schedule:
    """Pecks with what they cost: seconds a hole from the first contact on, fill of the fullest, and the
    chance that the load of the next blank climbs in them."""

    pecks_mm: tuple[float, ...]
    seconds: float
    fullest: float
    risk: float


@dataclass(frozen=True)
class Drilling:
    """What does not change with the pecks."""

    depth_mm: float
    flute_length_mm: float
    feed_mm_s: float
    gaps: Gaps


def bulking_for(critical_mm: float, flute_length_mm: float) -> float:
    """Bulking factor for which the load climbs at the usual fill limit; critical length and flutes in mm.

    Only the product of bulking and of that fill can be heard: a load that climbs at another fill is told as
    another bulking. Whoever plans with both gets the heard depth back.
    """
    return USUAL_FILL_LIMIT * FLUTE_AREA_FRACTION * flute_length_mm / critical_mm


def critical_for(bulking: float, flute_length_mm: float) -> float:
    """Critical trapped length in mm of a bulking factor: the inverse of `bulking_for`."""
    return USUAL_FILL_LIMIT * FLUTE_AREA_FRACTION * flute_length_mm / bulking


def most_trapped_mm(pecks_mm: Sequence[float], flute_length_mm: float) -> float:
    """Longest stretch of work whose chips one peck of the schedule traps."""
    ends = list(accumulate(pecks_mm))
    return max(min(peck, max(end - flute_length_mm, 0.0)) for peck, end in zip(pecks_mm, ends, strict=True))


def judged(
    pecks_mm: Sequence[float], drilling: Drilling, critical_mm: float, grid_mm: Curve, next_chance: Curve
) -> Schedule:
    """Cost and risk of a schedule, given the distribution of the next blank's critical length."""
    ends = list(accumulate(pecks_mm))
    seconds = ends[-1] / drilling.feed_mm_s + sum(map(drilling.gaps.seconds, ends[:-1]))
    bulking = bulking_for(critical_mm, drilling.flute_length_mm)
    fullest = max(
        flute_fill(peck, end, drilling.flute_length_mm, bulking)
        for peck, end in zip(pecks_mm, ends, strict=True)
    )
    trapped = most_trapped_mm(pecks_mm, drilling.flute_length_mm)
    risk = float(next_chance[grid_mm < trapped].sum() / next_chance.sum())
    return Schedule(tuple(pecks_mm), seconds, fullest, risk)


def recommended(
    drilling: Drilling,
    grid_mm: Curve,
    next_chance: Curve,
    risk: float,
    longest_mm: float,
    increment_mm: float,
) -> tuple[float, ...]:
    """The fewest pecks that keep the load of the next blank from climbing but for a chance of ``risk``.

    Raises
    ------
    NoSchedule
        The pecks would have to be shorter than the increment.
    """
    capacity = quantile(grid_mm, next_chance, risk)
    return deepest_pecks(
        drilling.depth_mm, Limits(capacity, drilling.flute_length_mm, longest_mm, increment_mm)
    )


def trial_mm(deepest_mm: float, grid_mm: Curve, next_chance: Curve, longest_mm: float) -> float | None:
    """Trapped length to try next, where the pecks drilled so far do not reach the climb; None where that is
    beyond what the person allows.

    A quarter longer than the longest so far, unless the flutes might then be more than full.
    """
    low = quantile(grid_mm, next_chance, TRIAL_RISK)
    reach = min(1.25 * deepest_mm, FULLEST_TRIAL / USUAL_FILL_LIMIT * low, longest_mm)
    return reach if reach > 1.03 * deepest_mm else None


def blanks_to_halve(blanks: int) -> int:
    """How many more blanks at the same depths halve the interval: four times as many in all."""
    return 3 * blanks
