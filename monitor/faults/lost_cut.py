"""`lost_cut`: the feed goes on, but nothing is cut: the drill broke, the blank spins or is missing.

Physical reason: a program goes on whatever the drill does. A stub that turns in the hole, or a blank that
turns with the drill, is neither cut nor loads the spindle, and the next peck makes no contact. One sign is a
peck that ends before its length; the other, without which nothing is held, is a contact that does not come
when the rhythm of the cycle says so.

The statistic is the time waited for the contact, over what the schedule expects: what is left of the peck's
feed if it ended early, and the gap. A machine keeps its gaps to some hundredths of a second and contact
is dated to a tenth; a wait that is `SURE` deviations too long is chance once in 20 h at six pecks a minute
(7200 waits; one-sided 3.6 deviations of a normal distribution).

It is not judged while other sound or a lost speed may hide the contact, at another speed than the drilling
one, after the hole should be through, nor where pecks of this machine would hardly be heard.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.cutting import ON_DB_LEAST, CuttingDetector
from monitor.faults.episode import Finding
from monitor.hop import Hop
from monitor.measurements import Kind, Severity
from monitor.pecks import Cycle
from monitor.schedule import (
    APPROACH_MM,
    CLEARANCE_MM,
    DATED_S,
    EARLY,
    LEAST_CLEARANCE_MM,
    LONGEST_DWELL_S,
    SLOWEST_RAPID_MM_S,
    Typical,
    same,
)
from monitor.spindle import STOPPED, TURNING, UNKNOWN, Rotation

SURE = 3.6
"""Deviations of the wait for a contact."""

UNSURE = 0.15
"""Share of a gap that it may differ by where only one blank was heard."""

MAYBE = -1.0
"""Log-odds of a cut above which contact may have been made: the wait begins anew."""

MISDATED_S, GAPS_DIFFER = 0.5, 1.5
"""In the first blank a gap may have been cut short by another sound: the only one so far by so much, and one
among others so that it is shorter than they are by this factor, which depth alone does not make it."""

AGREED = 3
"""Blanks heard before a number of pecks that is not the job's is believed: a sound of the workshop may have
made a peck of its own in two."""

CLEAR_S = 0.3
"""Sound other than a cut, or a speed not known, for longer than a tap on the bench may hide a contact."""

SPARE_SHARE = 0.2
"""A lost cut is to be told within the peck that should have come; a fifth of its time is spent on being sure:
a peck under other sound may have been dated late, or a gap been learned too short."""

MOST_SHARE = 0.65
"""Of the time of the peck that should come, waited at most beyond its contact."""

FIRST_S = 0.6
"""A blank's first peck that was over sooner, and before its length, may have been a tap or a word between two
blanks; not where load tells, and told so."""

DECIDED_S = 0.15
"""From contact until the odds of a cut have risen over `MAYBE`."""


ASK_S = 0.5
"""Between two looks whether the program, laid over all that was heard, has a contact due."""

ANSWERED_S = 0.5
"""After this a cut shows its load."""


@dataclass(slots=True)
class LostCutRule:
    """One `step` a hop; ``feed_mm_s`` is the feed of the drilling step."""

    feed_mm_s: float
    _end_s: float = math.nan
    _allowed_s: float = math.nan
    _due_s: float = math.inf
    _spare_s: float = 0.0
    _hidden_s: float = 0.0
    _missing: bool = False
    _asked_s: float = -math.inf
    _loud_s: float = 0.0
    _heard: tuple[int, int] = (0, 0)

    def step(self, hop: Hop, rotation: Rotation, detector: CuttingDetector, cycle: Cycle) -> Finding | None:
        """Finding while a contact that the rhythm expects stays away."""
        stopped = rotation.state in (STOPPED, UNKNOWN)
        cuts = detector.cutting or cycle.in_cut  # a lull may still be within the peck
        if stopped or rotation.elsewhere or cuts or not cycle.in_blank or cycle.spotting:
            self._end_s, self._missing = math.nan, False
            return None
        if self._end_s != self._end_s:
            self._end_s, self._hidden_s = detector.end_s, 0.0
            self._allowed_s = self._allowed(cycle, detector.load_tells)
            heard = (cycle.blank, len(cycle.heard))
            if heard == self._heard and heard[1] == cycle.schedule.count - 1:
                self._allowed_s = math.nan  # something touched since: a last peck may be as faint and short
            self._heard = heard
            due_s = cycle.next_contact_s(self._end_s)  # where the program is known
            self._due_s = due_s if due_s == due_s else math.inf
            self._spare_s = self._allowed_s - (due_s - self._end_s)
        if self._missing:
            return self._finding(hop.t, cycle)
        self._hidden_s = (
            self._hidden_s + hop.step_s if self._is_hidden(hop, rotation, detector, cycle) else 0.0
        )
        if self._hidden_s > CLEAR_S or detector.log_odds > MAYBE:
            self._begin_anew(hop.t, cycle)
        # as loud as a cut: the load of one that has just begun is still to come
        self._loud_s = self._loud_s + hop.step_s if detector.strength >= 1 else 0.0
        clear = (
            not 0 < self._loud_s < ANSWERED_S
            and self._allowed_s == self._allowed_s
            and not self._hidden_s
            and self._would_hear(detector)
        )
        if clear and hop.t - self._end_s > self._allowed_s and hop.t >= self._asked_s + ASK_S:
            self._asked_s = hop.t
            self._missing = cycle.is_overdue()
        return self._finding(hop.t, cycle) if self._missing else None

    def _begin_anew(self, t: float, cycle: Cycle) -> None:
        """Contact may have been made unheard: where it was due, the wait is for the program's next one."""
        self._end_s = t
        if t < self._due_s:
            return
        self._allowed_s = cycle.next_contact_s(t) - t + self._spare_s
        if self._allowed_s == math.inf:
            self._allowed_s = math.nan  # it has no more

    def _is_hidden(self, hop: Hop, rotation: Rotation, detector: CuttingDetector, cycle: Cycle) -> bool:
        deaf = hop.deaf or not hop.heard or rotation.state is not TURNING
        loud = detector.strength >= 1 or detector.hides_cut
        return deaf or not rotation.settled or (loud and (cycle.reckoned or not detector.load_tells))

    def _would_hear(self, detector: CuttingDetector) -> bool:
        return detector.rise_db > ON_DB_LEAST or detector.load_tells

    def _allowed(self, cycle: Cycle, load_tells: bool) -> float:
        """Longest wait for the next contact from the end of the cut; NaN where none is expected.

        As long as the schedule says, and then as long as that is unsure and the time that is spent on being
        sure, but not so long that the coming peck is over.
        """
        expected_s, unsure_s = self._expected_s(cycle, load_tells)
        peck_s = cycle.schedule.length_mm(len(cycle.heard)) / self.feed_mm_s
        most_s = max(MOST_SHARE * peck_s, SURE * DATED_S + DECIDED_S)
        return expected_s + min(unsure_s + SPARE_SHARE * peck_s + DECIDED_S, most_s)

    def _expected_s(self, cycle: Cycle, load_tells: bool) -> tuple[float, float]:
        """Time from the end of the cut to the next contact, NaN where none is expected, and how far it is
        unsure."""
        schedule, heard = cycle.schedule, cycle.heard
        k = len(heard)
        if (
            not heard
            or cycle.through
            or cycle.out_of_step
            or cycle.off_lead
            or k >= schedule.count
            or not schedule.follows(heard[:-1])
        ):
            return math.nan, 0.0
        left_mm = schedule.length_mm(k - 1) - heard[-1].length_mm
        whole = same(heard[-1], schedule.length_mm(k - 1))
        if left_mm < 0 and not whole:
            return math.nan, 0.0  # longer than the schedule says
        tapped = k == 1 and not whole and heard[-1].seconds < FIRST_S and not load_tells
        if not heard[-1].sure or tapped or self._may_be_another(cycle, whole):
            return math.nan, 0.0
        left_s = 0.0 if whole else left_mm / self.feed_mm_s
        if schedule.learned:
            # what is deeper is farther: a gap that is shorter than one before it was misheard
            gap = max(schedule.gaps[1 : k + 1], key=_upper_s)
            if schedule.blanks < AGREED and schedule.count != len(schedule.job_mm):
                return math.nan, 0.0
            if schedule.blanks == 1 and not schedule.as_job:
                return math.nan, 0.0
            if schedule.blanks == 1:
                # One blank may have been misheard: then any of its gaps may be meant; where this blank's gaps
                # are like them, none that is deeper: the way back grows with depth.
                if self._gaps_agree(cycle):
                    return left_s + gap.middle, 2 * SURE * DATED_S
                longest = max(g.middle for g in schedule.gaps[1:])
                return left_s + longest, UNSURE * longest + SURE * DATED_S
            return left_s + _upper_s(gap), SURE * DATED_S
        # where a peck outlasted its length, another sound hid its end, and the gap is so much longer
        over_s = [(peck.length_mm - schedule.length_mm(i)) / self.feed_mm_s for i, peck in enumerate(heard)]
        # (a length is the difference of two dates)
        late_s = [over if over > 3 * math.sqrt(2) * DATED_S else 0.0 for over in over_s]
        pairs = list(zip(late_s, heard, heard[1:], strict=False))
        sure = [i for i, (_, before, peck) in enumerate(pairs) if before.sure and peck.sure]
        gaps = [pairs[i][2].gap_s + pairs[i][0] for i in sure]
        depth_mm = sum(peck.length_mm for peck in heard)
        if len(gaps) > 1 or (gaps and not late_s[0]):
            way_mm = depth_mm + left_s * self.feed_mm_s + LEAST_CLEARANCE_MM
            # from the depth at which it was: pecks since may have been unsure
            newest_mm = sum(peck.length_mm for peck in heard[: sure[-1] + 1]) + LEAST_CLEARANCE_MM
            before_mm = depth_mm - heard[-1].length_mm + LEAST_CLEARANCE_MM
            misdated_s = MISDATED_S if len(gaps) == 1 else 0.0
            # what is deeper is farther: a shorter gap than two before it was cut short by another sound
            usual = sorted(gaps)[-2] if len(gaps) > 2 else max(gaps) / GAPS_DIFFER
            return left_s + way_mm * max(gaps[-1] / newest_mm, usual / before_mm), misdated_s + SURE * DATED_S
        moves_s = 2 * (depth_mm + CLEARANCE_MM) / SLOWEST_RAPID_MM_S + APPROACH_MM / self.feed_mm_s
        return left_s + moves_s + LONGEST_DWELL_S, 0.0

    def _may_be_another(self, cycle: Cycle, whole: bool) -> bool:
        """Whether what seems a first peck may be a later one: the spindle turned on, and it ended early, or
        pecks of the blank before are missing; or those heard since are as the later ones are too."""
        begins = cycle.from_rest or (whole and cycle.after_whole)
        schedule, heard = cycle.schedule, cycle.heard
        if len(heard) == 1:
            return not begins and any(schedule.alike(heard[0], k) for k in range(1, schedule.count))
        # shorter than the first one, and each as the later ones: that was not heard at all
        short = not same(heard[0], schedule.length_mm(0))
        return short and any(schedule.follows(heard, k) for k in range(1, schedule.count))

    def _gaps_agree(self, cycle: Cycle) -> bool:
        """Whether the gaps of this blank are those of the only one heard before."""
        pairs = list(zip(cycle.heard[1:], cycle.schedule.gaps[1:], strict=False))
        return bool(pairs) and all(abs(peck.gap_s - gap.middle) <= SURE * DATED_S for peck, gap in pairs)

    def _finding(self, t: float, cycle: Cycle) -> Finding:
        heard = cycle.heard[-1]
        expected = cycle.schedule.length_mm(len(cycle.heard) - 1)
        early = heard.length_mm < EARLY * expected
        so_far = f"{heard.length_mm:.1f} of {expected:.1f} mm"
        ended = f"Peck {len(cycle.heard)} ended after {so_far}, and no" if early else "No"
        message = (
            f"{ended} contact came for {t - self._end_s:.1f} s where the program pecks within "
            f"{self._allowed_s:.1f} s: the drill is broken, or the blank spins or is missing. Stop and look."
        )
        waited = t - self._end_s
        return Finding(Kind.LOST_CUT, Severity.HOLD, message, waited, self._allowed_s, "s", self._end_s)


def _upper_s(gap: Typical) -> float:
    """How long a gap may be: where gaps scatter they must be waited out, however short the coming peck is."""
    return gap.middle + SURE * (math.hypot(gap.spread, DATED_S) - DATED_S)
