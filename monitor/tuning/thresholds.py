"""What other thresholds of sag would have done: replayed over stored curves, and judged by a person's
verdicts.

The rule is that of `monitor/faults/sag.py` on what the store keeps of each hop. The estimator's own deviation
is not kept, so the scatter of the curve from row to row stands for it; what the rule does where the speed is
lost in noise is not replayed. Recordings, where they are kept, give the whole rule
(`monitor/evidence/past_recordings.py`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.faults.sag import ENOUGH_Z, MACHINE_WANDER, SURE, UNSURE_SHARE
from monitor.measurements import Event, Kind, Severity
from monitor.tuning.intervals import likely_rate, median_interval, rate_interval, share_interval
from monitor.tuning.peck_curves import Curve

GRID = np.round(np.arange(2.0, 15.01, 0.5), 2)
"""Thresholds tried, per cent; below, a machine's own wander and good pecks would decide."""

QUIET_S = 5.0
"""A cause counts again after the signal was normal for so long; the meaning of holds in a replay."""

LASTS_S = 60.0
"""A cause that lasts counts again each minute: whoever resets a hold that normal work raises has it again."""

LOAD_KINDS = frozenset({Kind.SAG, Kind.STALL, Kind.PACKING})
"""Causes that load the spindle, so that a threshold of sag has to find them."""

REACH_S = (10.0, 5.0)
"""A crossing so long before, or after, what a person judged belongs to it."""


@dataclass(frozen=True)
class Crossing:
    """A threshold crossed for sure at ``t``: first after QUIET_S below it, or again after LASTS_S beyond."""

    t: float
    limit: float


def crossings(
    t: Curve, sag_pct: Curve, confidence: Curve, cutting: NDArray[np.bool_], limits: Curve
) -> list[Crossing]:
    """Replay the sag rule over a stretch of curves for several thresholds at once.

    Parameters
    ----------
    t, sag_pct, confidence, cutting : shape (n,)
        Rows of the trace, sag in percent and NaN where not known.
    limits : shape (k,)
        Thresholds in percent.

    Returns
    -------
    list of Crossing
        In time order. Cost: for each threshold only the rows near it are walked one by one.
    """
    loaded = cutting & np.isfinite(sag_pct)
    steps = np.diff(sag_pct[loaded])
    scatter = 1.4826 * float(np.median(np.abs(steps))) / math.sqrt(2) if steps.size else 0.0
    sd = math.hypot(scatter, 100 * MACHINE_WANDER)
    found = [
        Crossing(when, float(limit))
        for limit in limits
        for when in _crossed(t, sag_pct, confidence, loaded, float(limit), sd)
    ]
    return sorted(found, key=lambda one: one.t)


def _crossed(
    t: Curve, sag_pct: Curve, confidence: Curve, loaded: NDArray[np.bool_], limit: float, sd: float
) -> list[float]:
    """Times at which one threshold was crossed for sure."""
    near = np.flatnonzero(loaded & (sag_pct > limit - ENOUGH_Z * sd))
    weight = np.where(confidence[near] >= SURE, 1.0, UNSURE_SHARE)
    z = np.clip((sag_pct[near] - limit) / sd, -ENOUGH_Z, ENOUGH_Z)
    total, previous, last_over, counted = 0.0, -1, -math.inf, -math.inf
    times = []
    for index, when, value, share in zip(
        near.tolist(), t[near].tolist(), z.tolist(), weight.tolist(), strict=True
    ):
        total = max(total - ENOUGH_Z * (index - previous - 1), 0.0)  # rows between lie far below
        total = min(max(total + share * value, 0.0), 2 * ENOUGH_Z)
        previous = index
        if value > 0 and total >= ENOUGH_Z:
            if when - last_over > QUIET_S or when - counted > LASTS_S:
                times.append(when)
                counted = when
            last_over = when
    return times


@dataclass(frozen=True)
class Judged:
    """One batch as its curves and its person tell it.

    ``real`` are (onset, end) of the causes that a person called real, ``false`` the times of what was called
    false; ``by_limit`` the times of crossings by threshold.
    """

    hours: float
    real: tuple[tuple[float, float], ...]
    false: tuple[float, ...]
    by_limit: dict[float, tuple[float, ...]]


def judged(
    hours: float, events: Iterable[tuple[Event, str]], found: Sequence[Crossing], limits: Curve
) -> Judged:
    """Put crossings beside the verdicts ('real', 'false', 'unsure' or '') on the events of a batch."""
    real: list[tuple[float, float]] = []
    false: list[float] = []
    for event, verdict in events:
        if event.severity is Severity.INFO or event.kind not in LOAD_KINDS:
            continue
        if verdict == "real":
            onset = event.onset_s if math.isfinite(event.onset_s) else event.t
            if not real or onset > real[-1][1] + REACH_S[1]:  # a warning and its hold are one cause
                real.append((onset, event.t))
            else:
                real[-1] = (min(onset, real[-1][0]), max(event.t, real[-1][1]))
        elif verdict == "false":
            false.append(event.t)
    by_limit = {float(limit): tuple(c.t for c in found if c.limit == limit) for limit in limits}
    return Judged(hours, tuple(real), tuple(false), by_limit)


@dataclass(frozen=True)
class Tally:
    """What one threshold did, over any number of batches.

    ``delays`` are seconds from the onset of each real cause to the crossing, infinite where missed. ``false``
    were judged so; of ``unjudged`` nobody was asked.
    """

    limit: float
    hours: float
    false: int
    unjudged: int
    delays: tuple[float, ...]

    @property
    def at_most_false(self) -> int:
        """Counting everything that nobody called real."""
        return self.false + self.unjudged

    @property
    def rate(self) -> tuple[float, float, float]:
        """Crossings an hour that nobody called real, with the exact interval."""
        count = self.at_most_false
        return (count / self.hours if self.hours else math.nan, *rate_interval(count, self.hours))

    @property
    def delay_s(self) -> tuple[float, float, float]:
        """Median delay with its interval; infinite: missed."""
        return median_interval(self.delays)

    @property
    def found(self) -> tuple[int, int, tuple[float, float]]:
        """Real causes found, of how many, with the interval of the share."""
        found = sum(math.isfinite(delay) for delay in self.delays)
        return found, len(self.delays), share_interval(found, len(self.delays))


def tally(batches: Iterable[Judged], limit: float) -> Tally:
    """Add up what one threshold did."""
    hours, false, unjudged = 0.0, 0, 0
    delays: list[float] = []
    for batch in batches:
        hours += batch.hours
        left = list(batch.by_limit[limit])
        for onset, end in batch.real:
            own = [t for t in left if onset - REACH_S[0] <= t <= end + REACH_S[1]]
            delays.append(max(own[0] - onset, 0.0) if own else math.inf)
            left = [t for t in left if t not in own]
        called = [t for t in left if any(abs(t - said) <= REACH_S[0] for said in batch.false)]
        false += len(called)
        unjudged += len(left) - len(called)
    return Tally(limit, hours, false, unjudged, tuple(delays))


def recommend(tallies: Sequence[Tally], most_an_hour: float) -> Tally | None:
    """The lowest threshold that is as likely as not to stay under a rate of false crossings an hour.

    The lowest one finds every real cause soonest. None where none is so good, which is also so where too few
    hours were heard: even no crossing at all in ``h`` hours says no more than 0.69 / h an hour.
    """
    for each in sorted(tallies, key=lambda one: one.limit):
        if likely_rate(each.at_most_false, each.hours) <= most_an_hour:
            return each
    return None


def hours_needed(most_an_hour: float) -> float:
    """Hours without a false crossing from which a threshold can be recommended."""
    return math.log(2.0) / most_an_hour
