"""`stall`: the spindle's lines vanished, or its speed collapsed, while the drill was in the material.

Physical reason: a jammed drill stops the spindle within tenths of a second; its lines sweep down and
are gone, while the microphone still hears the room. Absence is judged by evidence: the lines, as
strong as learned under the present noise, would have been heard with odds of 10 000 to 1
(`monitor.spindle`). A spindle switched off between cuts vanishes too; that is not a fault.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.faults.episode import Finding
from monitor.hop import Hop
from monitor.measurements import Kind, Severity
from monitor.spindle import Rotation, SpindleState
from monitor.work import Work

COLLAPSE = 0.5
"""Sag that is a stall by itself: at half speed a DC motor is at half its stall torque."""

IN_PLACE, AT_WORK_S = 0.5, 0.25
"""A spindle that is switched off sweeps its lines through the floor, which sounds like a cut while they go. A
cut was heard for so long from contact with the lines in their places, giving so much of the evidence
expected."""

FALLS_DB, IDLE_DB, FALLS_S = 6.0, 1.0, 0.3
"""What is cut no more is not heard any more: by so long after the spindle was found to stand, the sound has
fallen by so much from that of the cut, or to the idling machine's. Where it has not, it was not the cut's:
the spindle may have been switched off under it."""

LATELY_S = 3.0
"""Last heard longer ago, it may have been switched off meanwhile under other sound. A drill that jams stops a
spindle within tenths of a second, and its cut falls silent with it."""


@dataclass(slots=True)
class StallRule:
    """One `step` a hop; finds until the spindle is heard turning again."""

    _last_heard_s: float = -math.inf
    _worked_s: float = 0.0
    _was_at_work: bool = False
    _cut_db: float = 0.0
    _stands_s: float = -math.inf
    _stalled: bool = False

    def step(self, hop: Hop, rotation: Rotation, work: Work, sagging: bool) -> Finding | None:
        """Finding while the spindle stands in the cut; ``sagging`` where `SagRule` finds a hold now."""
        collapsed = False
        if hop.heard and rotation.state is SpindleState.TURNING:
            collapsed = sagging and rotation.sag > COLLAPSE
            self._last_heard_s, self._stalled = hop.t, collapsed
            at_work = work.working or work.loaded
            if hop.support >= IN_PLACE:
                self._worked_s = hop.t - work.contact_s if at_work else 0.0
                self._cut_db = hop.over_db
            self._was_at_work = at_work and (work.loaded or self._worked_s >= AT_WORK_S)
            self._stands_s = -math.inf
        if rotation.vanished and self._was_at_work and hop.t - self._last_heard_s <= LATELY_S:
            self._stands_s = hop.t
        if hop.t - self._stands_s <= FALLS_S:
            self._stalled = self._stalled or hop.over_db <= max(self._cut_db - FALLS_DB, IDLE_DB)
        if not self._stalled:
            return None
        value = 100 * rotation.sag if collapsed else 100.0
        message = (
            "The spindle has stalled in the cut: its sound is gone, and the microphone still hears the room. "
            "Stop the spindle drive before clearing the drill; it may start turning when freed."
        )
        onset = self._last_heard_s
        return Finding(Kind.STALL, Severity.HOLD, message, value, 100 * COLLAPSE, "%", onset)
