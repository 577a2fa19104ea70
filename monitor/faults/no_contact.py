"""`lost_cut`, told by the clock: the spindle was started, and no drill ever meets a blank.

Physical reason: a program that starts the spindle takes as long to the first contact every time, to a few
tenths of a second, and so does one that changes the centre drill for the drill. Where that stays away and it
is silent in its stead, the blank is missing or spun with the first touch, or the drill broke in the blank
before: the feed goes on into nothing. Judged where two starts before agreed about the time, so not where a
person starts the program; not while other sound may hide the contact, nor where cuts would hardly be heard.
After a hold a person is at the machine: the next start is not judged.

How long is waited hangs on how surely the start was heard. The program is exact: what comes later than four
deviations of the times before, with the drill's point in whole by then, is no late contact but none. So where
cuts stand far out of idling, and the start was plain, no more of the first peck is waited out than between
pecks (`MOST_SHARE`), and a missing blank is told within it. A start is heard early by seconds where another
sound passes for the spindle: a tone, a lathe that runs up beside it. Then the spindle is not heard to reach
its speed and stay, or idling is not as loud as before the contacts of this batch, or hardly louder than the
shop while the spindle stands, so that it tells nothing. There, and where earlier times agree no better than
those of a person who starts the program by hand may by chance, the first peck is waited out, and some of the
second. Of a program of one peck it is told once that should be over.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.cutting import ON_DB_LEAST, CuttingDetector
from monitor.faults.episode import Finding
from monitor.faults.lost_cut import CLEAR_S, MAYBE, MOST_SHARE
from monitor.hop import Hop
from monitor.measurements import Kind, Severity
from monitor.pecks.cycle import Cycle
from monitor.pecks.missed import SILENT_LEAST_NATS
from monitor.schedule import Schedule
from monitor.spindle import TURNING, Rotation

NEXT_SHARE = 0.25
"""Of the second peck's time: a contact in time is known by then, and the rest is for the hold."""

PLAIN_DB = 2 * ON_DB_LEAST
"""What cuts rise by at least where silence is told soon: three times as loud as idling in power, and ten
deviations of the band-averaged floor."""

SILENT_S = 0.5
"""So long after the point is in whole: a contact is known within 0.2 s, and a blow may hide it for 0.3 s."""

LIKE_BEFORE_DB = 1.0
"""Idling moves by less from blank to blank; what begins with another sound differs by more, mostly."""

STANDS_OUT_DB = 3.0
"""Idling over the sound of the shop while the spindle stands: it is at least half of what is heard."""

LEARNS_S = 0.5
"""At its speed until it is known how loud idling is."""

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
    _plain: bool = False  # the start was, so far
    _at_speed_s: float = math.nan
    _strayed_s: float = 0.0

    def step(self, hop: Hop, rotation: Rotation, detector: CuttingDetector, cycle: Cycle) -> Finding | None:
        """Finding while the first contact since the spindle's start stays away."""
        due_s, steady = cycle.first_contact_due
        if due_s != self._due_s:
            self._due_s, self._nats, self._hidden_s = due_s, 0.0, 0.0
            self._may_be, self._missing = hop.t > due_s, False  # what was due before was not waited for
            self._plain, self._at_speed_s, self._strayed_s = steady, math.nan, 0.0
        if due_s == due_s:
            self._plain = self._plain and self._is_plain(hop, rotation, detector)
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
        wait_s = self._wait_s(cycle.schedule, self._tells_soon(hop, detector))
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

    def _is_plain(self, hop: Hop, rotation: Rotation, detector: CuttingDetector) -> bool:
        """Whether the spindle was heard all the while since its start, reached its speed and stayed there,
        and idles as loudly as before the contacts of this batch."""
        if rotation.state is not TURNING or hop.deaf:
            return False
        if self._at_speed_s != self._at_speed_s:
            if rotation.at_speed:
                self._at_speed_s = hop.t
            return True
        strays = not rotation.settled or rotation.elsewhere
        self._strayed_s = self._strayed_s + hop.step_s if strays else 0.0
        learned = hop.t > self._at_speed_s + LEARNS_S
        return self._strayed_s <= CLEAR_S and not (learned and abs(detector.louder_db) > LIKE_BEFORE_DB)

    def _tells_soon(self, hop: Hop, detector: CuttingDetector) -> bool:
        """Whether silence tells soon that nothing is cut: the start was plain, and cuts and idling are."""
        idle_db = detector.idle_db + hop.broadband_db - hop.over_db
        known = self._plain and self._at_speed_s + LEARNS_S < self._due_s
        return known and detector.rise_db > PLAIN_DB and idle_db > detector.background_db + STANDS_OUT_DB

    def _wait_s(self, schedule: Schedule, soon: bool) -> float:
        """Longest wait beyond the time by which the contact was due."""
        first_mm = schedule.length_mm(0)
        if soon:
            point_s = min(schedule.point_mm, first_mm) / self.feed_mm_s
            return max(MOST_SHARE * first_mm / self.feed_mm_s, point_s + SILENT_S)
        next_mm = schedule.length_mm(1) if schedule.count > 1 else 0.0
        return (first_mm + NEXT_SHARE * next_mm) / self.feed_mm_s + schedule.shortest_gap_s(1)
