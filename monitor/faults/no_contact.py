"""`lost_cut`, told by the clock: the spindle was started, and no drill ever meets a blank.

Physical reason: a program that starts the spindle takes as long to the first contact every time, to a few
tenths of a second, and so does one that changes the centre drill for the drill. Where that stays away and it
is silent in its stead, the blank is missing or spun with the first touch, or the drill broke in the blank
before: the feed goes on into nothing. Judged where two starts before agreed about the time, so not where a
person starts the program; not while other sound may hide the contact, nor where cuts would hardly be heard. A
start is heard early or late under another sound, so that the first peck is waited out, and some of the
second: a lost cut is to be told within that. Of a program of one peck it is told once that should be over.
After a hold a person is at the machine: the next start is not judged.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.cutting import ON_DB_LEAST, CuttingDetector
from monitor.faults.episode import Finding
from monitor.faults.lost_cut import CLEAR_S, MAYBE
from monitor.hop import Hop
from monitor.measurements import Kind, Severity
from monitor.pecks.cycle import Cycle
from monitor.pecks.missed import SILENT_LEAST_NATS
from monitor.spindle import TURNING, Rotation

NEXT_SHARE = 0.25
"""Of the second peck's time: a contact in time is known by then, and the rest is for the hold."""

QUIET = 0.5
"""Strength from which on it is no silence: a quarter of the decibels of a cut."""


@dataclass(slots=True)
class NoContactRule:
    """One `step` a hop; finds until something is cut, or the spindle is started anew.

    ``feed_mm_s``: rate of the feed."""

    feed_mm_s: float
    _due_s: float = math.nan
    _nats: float = 0.0
    _hidden_s: float = 0.0
    _may_be: bool = False
    _missing: bool = False

    def step(self, hop: Hop, rotation: Rotation, detector: CuttingDetector, cycle: Cycle) -> Finding | None:
        """Finding while the first contact since the spindle's start stays away."""
        due_s = cycle.first_contact_due_s
        if due_s != self._due_s:
            self._due_s, self._nats, self._hidden_s = due_s, 0.0, 0.0
            self._may_be, self._missing = hop.t > due_s, False  # what was due before was not waited for
        if not hop.t > due_s:  # nothing is due
            return None
        clear = hop.heard and not hop.deaf and rotation.state is TURNING and rotation.settled
        hidden = not clear or rotation.elsewhere or detector.hides_cut or detector.strength >= QUIET
        self._hidden_s = self._hidden_s + hop.step_s if hidden else 0.0
        if self._hidden_s > CLEAR_S or detector.log_odds > MAYBE or detector.cutting:
            self._may_be = True  # contact may have been made unheard
        if self._may_be:
            return None
        self._nats -= detector.evidence
        schedule = cycle.schedule
        next_mm = schedule.length_mm(1) if schedule.count > 1 else 0.0
        wait_s = (schedule.length_mm(0) + NEXT_SHARE * next_mm) / self.feed_mm_s + schedule.shortest_gap_s(1)
        would_hear = detector.rise_db > ON_DB_LEAST or detector.load_tells
        sure = self._nats >= SILENT_LEAST_NATS and would_hear
        self._missing = self._missing or (sure and hop.t > due_s + wait_s)
        if not self._missing:
            return None
        cycle.first_contact_stays_away()
        message = (
            f"No contact came though it was due {hop.t - due_s:.1f} s ago, by the time since the spindle's "
            "start or the centre drill: the blank is missing or spins, the drill is broken, or no program "
            "runs. Stop and look."
        )
        return Finding(Kind.LOST_CUT, Severity.HOLD, message, hop.t - due_s, wait_s, "s", due_s)
