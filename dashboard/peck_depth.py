"""How deep the drill is while it cuts, and the load of each peck over its depth, for the picture."""

from __future__ import annotations

import math

from monitor.job import Job
from monitor.measurements import Event, Kind, TraceRow

PECK_POINT_S = 0.1  # of a finished peck's curve: some 30 points


class PeckDepth:
    """How deep the drill is in each row of a peck, and the peck's curve of load against depth.

    Reckoned for the picture from the depth that `peck_start` tells, the feed and the speed.
    """

    def __init__(self, job: Job) -> None:
        self._feed = job.feed_mm_per_rev
        self._depth: float | None = None
        self._rpm = job.spindle_rpm
        self._t = 0.0
        self._curve: list[list[float]] = []
        self._curve_t = -math.inf

    def step(self, row: TraceRow) -> float:
        """Depth in this row, mm; NaN outside of a peck and where nothing is cut."""
        if row.speed_rpm > 0:
            self._rpm = row.speed_rpm
        if self._depth is None or not row.cutting:
            self._t = row.t
            return math.nan
        self._depth += self._rpm / 60 * (row.t - self._t) * self._feed
        self._t = row.t
        if math.isfinite(row.sag_pct) and (not self._curve or row.t - self._curve_t >= PECK_POINT_S - 1e-6):
            self._curve.append([round(self._depth, 2), round(row.sag_pct, 2)])
            self._curve_t = row.t
        return self._depth

    def note(self, event: Event) -> list[list[float]]:
        """Take an event; at the end of a peck its curve: depth in mm, sag in per cent."""
        if event.kind is Kind.PECK_START:
            self._depth, self._t = _depth_or_zero(event), event.t
            self._curve, self._curve_t = [], -math.inf
        elif event.kind is Kind.PECK_END:
            self._depth = None
            return self._curve
        return []


def _depth_or_zero(event: Event) -> float:
    return event.depth_mm if math.isfinite(event.depth_mm) else 0.0
