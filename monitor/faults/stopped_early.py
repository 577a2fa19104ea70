"""`stall`, told by the clock: the spindle stands long before the program stops it.

Physical reason: a program starts the spindle, drills a hole and stops it, and takes as long for each to a few
tenths of a second. A spindle that stands sooner has jammed or lost its drive, however it came to stand and
whatever hid that: the feed goes on against a drill that does not turn. Judged where several runs before it
agreed, so not where a person switches the spindle, nor once as deep was drilled as in them, and only in
quiet: what is as loud as the machine may hide one that turns. It comes a second after the stop, behind what
`stall` hears in the cut itself."""

from __future__ import annotations

import math
import statistics
from collections import deque
from dataclasses import dataclass, field
from typing import NamedTuple

from monitor.faults.episode import Finding
from monitor.hop import Hop
from monitor.measurements import Kind, Severity
from monitor.spindle import STOPPED, Rotation
from monitor.work import Work

RUNS, AGREE_S, EARLY_S = 3, 0.6, 1.5
"""So many runs in a row that agree so well tell how long one takes: its start and its stop are each heard to
a few tenths. What is shorter by more than twice that much was stopped early."""

DONE = 0.95
"""Share of what runs before drilled, in all their holes: such a run is done, and the stop the program's. A
start at a speed that was not learned may have been heard late."""

WORKED_HOPS = 10
"""Half a second of cutting makes a run one of the program's: a person may start the spindle to look at it."""

LATE = 0.1
"""A start that is first heard at a speed faster by this share than those before was hidden by another sound
while the spindle ran up: when it began is not known."""

ONCE_MORE_S = 3.0
"""What was heard to stand for less, and cut nothing before, had not come to its speed yet."""

CHANGED_S = 1.0
"""What turns again so soon did not stand for a blank to be changed: it was sent to another speed, faster than
its lines can be followed. What ended then was no run from a start to a stop."""

QUIETER_DB, QUIET_HOPS = 3.0, 10
"""A machine that turns is not quieter than it is running free: half of its sound gone, for half a second."""


class _Run(NamedTuple):
    seconds: float
    drilled_mm: float
    began_hz: float  # first heard


@dataclass(slots=True)
class StoppedEarlyRule:
    """One `step` a hop; finds until the spindle is started again."""

    _began_s: float = math.nan
    _began_hz: float = math.nan
    _stood_s: float = math.nan
    _worked_hops: int = 0
    _depth_mm: float = 0.0
    _holes_mm: float = 0.0
    _quiet_hops: int = 0
    _usual_s: float = math.nan
    _ran_s: float = math.nan
    _counted: bool = False  # the run that ended last
    _runs: deque[_Run] = field(default_factory=lambda: deque(maxlen=RUNS))

    def step(self, hop: Hop, rotation: Rotation, work: Work, lost: bool) -> Finding | None:
        """Finding while the spindle stands too soon; ``lost``: the microphone hears nothing."""
        if rotation.started:
            if self._counted and hop.t - self._stood_s < CHANGED_S:
                self._runs.pop()
            self._counted = False
            if not hop.t - self._stood_s < ONCE_MORE_S or self._worked_hops >= WORKED_HOPS:
                self._began_s, self._began_hz = hop.t, hop.spindle_hz
            self._worked_hops, self._ran_s = 0, math.nan
            self._depth_mm = self._holes_mm = 0.0
        self._worked_hops += work.working
        if work.depth_mm < self._depth_mm:
            self._holes_mm += self._depth_mm  # of one that is over
        self._depth_mm = work.depth_mm
        if rotation.vanished:
            self._end_run(hop.t)
        if rotation.state is not STOPPED or self._ran_s != self._ran_s:
            return None
        quiet = not lost and not hop.deaf and hop.over_db <= work.alone_db - QUIETER_DB
        self._quiet_hops = self._quiet_hops + 1 if quiet else 0
        if self._quiet_hops < QUIET_HOPS:
            return None
        message = (
            f"The spindle stopped {self._ran_s:.1f} s after its start, where the program runs it for "
            f"{self._usual_s:.1f} s: it has jammed, lost its drive, or was switched off. Stop its drive "
            "before clearing the drill; it may start turning when freed."
        )
        short_s = self._usual_s - self._ran_s
        return Finding(Kind.STALL, Severity.HOLD, message, short_s, EARLY_S, "s", self._stood_s)

    def _end_run(self, t: float) -> None:
        ran_s = t - self._began_s
        self._stood_s, self._quiet_hops = t, 0
        if ran_s != ran_s or self._worked_hops < WORKED_HOPS:
            return
        runs, drilled_mm = self._runs, self._holes_mm + self._depth_mm
        seconds = [run.seconds for run in runs]
        self._usual_s = statistics.median(seconds) if runs else math.nan
        early = len(runs) == RUNS and max(seconds) - min(seconds) <= AGREE_S
        early = early and ran_s < self._usual_s - EARLY_S
        early = early and drilled_mm < DONE * statistics.median([run.drilled_mm for run in runs])
        early = early and self._began_hz <= (1 + LATE) * max(run.began_hz for run in runs)
        self._ran_s = ran_s if early else math.nan
        self._counted = True
        runs.append(_Run(ran_s, drilled_mm, self._began_hz))  # the program may have become a shorter one
