"""Whether the drill grows blunt: the load of like pecks over the blanks of a batch."""

from __future__ import annotations

import math
import statistics
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from monitor.measurements import PeckRow

LEAST_BLANKS = 4
"""Blanks from which on a trend is told: with fewer, one odd blank makes it."""

LEAST_SAG_PCT = 0.2
"""A peck that sags less drowns in the wander of the machine (0.1 to 0.4 %): its ratio says nothing."""


@dataclass(frozen=True, slots=True)
class Wear:
    """How the load of like pecks goes over a batch.

    ``blanks`` and ``load``: for each blank its load over that of the middle blank, 1 being equal;
    ``per_blank``: rise of the load by each blank, ``low`` to ``high`` with 95 % confidence, NaN where too few
    blanks were drilled.
    """

    blanks: tuple[int, ...]
    load: tuple[float, ...]
    per_blank: float
    low: float
    high: float

    @property
    def rises(self) -> bool:
        """Whether the load surely rises."""
        return self.low > 0


def wear(pecks: Iterable[PeckRow]) -> Wear:
    """The trend over one batch.

    Each peck's mean sag is compared with the same peck of the other blanks, so that depth and schedule
    cancel; a blank's load is the middle one of its pecks. Pecks in which something went wrong are left out.
    The trend is the Theil-Sen slope, the middle of the slopes between all pairs of blanks, which no single
    odd blank moves (Sen 1968, J. Am. Stat. Assoc. 63:1379, from memory).
    """
    like: dict[int, dict[int, float]] = defaultdict(dict)
    for row in pecks:
        if math.isfinite(row.mean_sag_pct) and not row.worst_event:
            like[row.peck][row.blank] = row.mean_sag_pct
    ratios: dict[int, list[float]] = defaultdict(list)
    for loads in like.values():
        middle = statistics.median(loads.values())
        if len(loads) > 1 and middle >= LEAST_SAG_PCT:
            for blank, sag in loads.items():
                ratios[blank].append(sag / middle)
    blanks = tuple(sorted(ratios))
    load = tuple(statistics.median(ratios[blank]) for blank in blanks)
    if len(blanks) < LEAST_BLANKS:
        return Wear(blanks, load, math.nan, math.nan, math.nan)
    from scipy import stats  # takes a second and some memory to load; only asked for here

    slope, _, low, high = stats.theilslopes(load, blanks, alpha=0.95)
    return Wear(blanks, load, float(slope), float(low), float(high))
