"""A peck so far, part by part: its loads as the speed tells them, and how loud it is."""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass, field

from monitor.faults.episode import Finding

PARTS = 10
"""Parts of a peck whose mean loads are compared: a load that climbs over a tenth of it is followed."""

LEAST_HOPS = 2
"""Hops to a part at least."""

LEAST_PARTS = 4
"""Parts of a peck before anything is said of it."""

SURE, UNSURE, UNSURE_SD = 0.9, 0.75, 0.004
"""Confidence of a speed from which on it counts. In a cut that drowns the lines few do: of a part that has
none of them the median of less sure ones counts, with a deviation of its own. One in four of those is wrong
by more than half a per cent (drawn machines), so that the median of a few is not."""

FRAME_HOPS = 4
"""Hops that share a frame of the speed: their errors are one."""

NO_GOOD_Z = 2.0
"""From here on a peck teaches nothing of good ones. Hardly any of these are so far off: were it less, a first
one that happened to be loaded little would stay all that is known of its kind."""


@dataclass(slots=True)  # not frozen: made at every hop
class Sag:
    """The sag of a hop, NaN where not known, the deviation of its estimate, and the level of the sound, NaN
    where deaf."""

    t: float
    of: float
    sure: bool
    sd: float
    over_db: float


def load_of(part: list[Sag]) -> tuple[float, float]:
    """Mean load of a part of a peck, NaN where not known, and its deviation beyond wander."""
    sure = [sag for sag in part if sag.sure]
    if sure:
        variance = statistics.fmean(sag.sd**2 for sag in sure) / max(len(sure) / FRAME_HOPS, 1.0)
        return statistics.fmean(sag.of for sag in sure), math.sqrt(variance)
    if len(part) < LEAST_HOPS:
        return math.nan, 0.0
    return statistics.median(sag.of for sag in part), UNSURE_SD / math.sqrt(len(part))


@dataclass(slots=True)
class Peck:
    """A peck so far: mean loads of its parts (NaN where not known), and how far it is from good ones.

    ``part_s``: time of a part, ``planned_s``: of the peck; ``told``: what is to be told of it by its end.
    """

    blank: int
    number: int
    from_mm: float
    contact_s: float
    free: tuple[float, ...]
    part_s: float
    planned_s: float
    hops: list[Sag] = field(default_factory=list)
    loads: list[float] = field(default_factory=list)
    sds: list[float] = field(default_factory=list)
    levels_db: list[float] = field(default_factory=list)
    idle_db: float = 0.0
    depth_mm: float = 0.0
    z: float = 0.0
    told: Finding | None = None
    may_hold: bool = True
