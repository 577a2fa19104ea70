"""Blanks and pecks from the cutting sound: where the drill is in the hole, and a row a peck."""

from __future__ import annotations

import math
import statistics
from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import accumulate, chain, islice, pairwise, takewhile
from typing import NamedTuple

import numpy as np

from monitor.alignment import Run, zero_of
from monitor.cutting import EVIDENCE_MOST, CuttingDetector
from monitor.dating import LEAST_GAP_S, SILENT_NATS, Program, Sound, Span
from monitor.faults.episode import RANK, Place
from monitor.forewarning import SPOT_APART
from monitor.hop import Hop
from monitor.job import Job
from monitor.measurements import Event, Kind, PeckRow, Severity
from monitor.planning.flutes import flute_fill
from monitor.schedule import (
    APPROACH_MM,
    BLANKS,
    CLEARANCE_MM,
    DATED_S,
    EARLY,
    LIKE,
    LONGEST_DWELL_S,
    SLOWEST_RAPID_MM_S,
    STEADY_S,
    HeardPeck,
    Schedule,
    difference,
    lead_of,
    same,
)
from monitor.signal.frames import HOP_S
from monitor.spindle import Rotation

CONFIRM_S = 0.3
"""Cutting sound this long, the spindle heard with it, is contact; a tap on the bench is shorter."""

CONFIRM_THROUGH_S = 0.6
"""Where the hole should be through, or the spindle is not heard, what sounds like contact is more likely the
spindle running down: lines that sweep down raise the floor."""

RUNS_DOWN = 0.1
"""Per second: a spindle that slows faster is switched off or binds; neither is contact."""

APART_S, APART_SHARE = 0.3, 0.5
"""Silence this long, or of this share of the shortest gap heard, ends a peck: a retract and return takes
longer, a lull within a cut does not."""

OVERRUN, OVERRUN_S = 0.05, 3 * DATED_S
"""A cut that lasts longer than its peck by this share (drag, and the spindle's answer to the load) and by
this time (the dating of its contact) is none any more."""

SLOWEST_FEED = 2.0
"""Times as long as the job says a peck may take before one was heard: feeds are overridden down to a half."""

BEAT_NATS, BEAT_HOPS, LOOK_HOPS, SURE_SPEED = 4.2, 20, 5, 0.8
"""A median power of the beat that noise has once in seventy times (`clear_beat`), in so many hops at least,
of which as many as this share one look. And confidence of a speed at which a beat is one of the drill."""

FULL_DEPTH = 0.97
"""Share of the hole's depth that counts as through."""

NEARLY = 0.85
"""Share of the depth that counts as through after as many pecks as the job has: contacts are dated late."""

POINT_DIAMETERS = 0.3
"""Height of a 118 degree point, in drill diameters."""

OFF_S = 0.3
"""What goes on for so long after the program drew the drill out, or began so long before it brought it back,
is another sound: four deviations of the dating."""

ASK_S = 2.0
"""Between two looks whether the program has pecks to come."""

LOAD_SDS = 3.0
"""Deviations of idling that the mean load of a cut has to pass to show that it was one, where the load of
cuts is not known."""

TOUCH_SHARE, TOLD_HOPS = 0.4, 4
"""Of the peck that is due: what is shorter may be a touch; and hops of load that tell so."""

TOUCH_LOAD = 0.25
"""Of the load of cuts: a motor has not answered in full to what is so short."""

COVERED, OVERDUE_S = 0.5, 0.3
"""Share of a peck heard that the program has to explain; and silence in a peck that is surely one."""

MISSED_NATS = 11.0
"""So much likelier, by what was heard of a blank, that nothing is cut any more: some 7 for how rarely a drill
breaks (one blank in a thousand), and 4 for the blanks that are drilled in some hours."""

FITS_NATS, FIRST_FITS_NATS = 5.0, -3.0
"""So much the program has to explain better, for each peck but one, than pecks at any time do: two times that
are known to a tenth or two, of ten seconds, are worth 7; with each off by one and a half deviations, 5. Of
one peck alone there is only when it began, which is known to half a second and worth 2, or off by as much."""

STOOD_S = 0.5
"""What stood over idling for most of the last so long, when a contact was due, may be it: a knock is over
sooner, and no peck is much shorter."""

LONGER = 1.5
"""What stands over idling for so many times the longest peck is no faint one, but another sound."""

SILENT_LEAST_NATS = 10.0
"""Of these from the silence since a contact was due: 0.5 s at least. Ends and contacts are each dated to a
tenth or two, and a contact is heard a frame late."""

ONE_BLANK_SD_S = 0.25
"""Deviation of a gap that was heard once."""

WHOLE_SHARE = 0.7
"""Of a program's time: within less no blank was drilled."""

ALIKE_NATS = 1.7
"""What a peck is worth that is as long as the program's: by chance one in five or six is."""

TWO_ALIKE = 2
"""So many pecks of one blank have the program's lengths by chance once in thirty."""

LAID_BACK_S, COURSE_S = 0.25, 900.0
"""An edge that was heard so near to where the program has it is taken as heard; and how much of a blank is
remembered to date its pecks."""

MOSTLY = 3
"""So many times as often tells how blanks begin."""

PLAIN_BLANKS = 2
"""After so many blanks running that began with a whole peck, and with no centre drill, none is expected."""

_LAG_S = 0.05  # a level is that of a 0.1 s frame: its middle
_SURE_SHARE, _SURE_HOPS = 0.5, 10  # of the hops, of the load of cuts; hops to take its mean of
_NO_PECK_TIMES = 3.0  # longer than the job's longest by so much, other sound hid where the pecks ended
_ANSWER_S = 0.5  # small motors answer a step of load within some 0.3 s
# A pause of this and of so many times the longest gap heard ends the blank though the spindle turns on: at
# full depth, and short of it, where a person may look into the hole (eight seconds, four gaps: judged).
_THROUGH_GAP_S, _PAUSE_TIMES = 2.0, 1.5
_LONG_PAUSE_S, _LONG_PAUSE_TIMES = 8.0, 4.0


class _Heard(NamedTuple):
    """What one hop told, to date the pecks of a blank and to describe them."""

    s: float
    evidence: float
    level_db: float
    sag_pct: float
    hz: float
    over_db: float


@dataclass(slots=True)
class _Cut:
    """A cut under way; ``due_s``: when the program draws the drill out, inf where that is not known;
    ``early_s``: so long before its contact, which the program dates, it began to sound like one;
    ``unlikely``: no blank of this batch began then."""

    start_s: float
    spot: bool
    from_mm: float
    turns: float = 0.0
    hz: float = 0.0
    counted_s: float = 0.0
    sure_s: float = 0.0
    due_s: float = math.inf
    early_s: float = 0.0
    unlikely: bool = False
    fell: bool = False
    told: bool = False
    usual_sag_pct: float = -math.inf
    settled_hops: int = 0
    sags: list[float] = field(default_factory=list)
    depths: list[float] = field(default_factory=list)
    levels: list[float] = field(default_factory=list)
    beats: list[float] = field(default_factory=list)
    worst: str = ""
    worst_rank: int = 0


class _Untold(NamedTuple):
    """A peck as it was heard, its row to be told when the blank is over."""

    start_s: float
    end_s: float
    number: int
    to_mm: float
    cut: _Cut


class Cycle:
    """Follows blanks and pecks, one `step` a hop.

    Depth is feed times revolutions heard while cutting, put on the job's schedule where it agrees with it.
    ``from_rest``: the spindle was started, or sent to its speed, between the blank before and this one;
    ``after_whole``: of that all pecks were heard;
    ``touched``: what was heard last was no peck;
    ``blanks_before``: blanks of the batch that were drilled before it listens, from which it counts on.
    ``settle`` is called before a cut or a blank begins or ends: what still has to be noted of the present one
    is noted then.
    """

    def __init__(
        self, job: Job, bulking: float, blanks_before: int = 0, settle: Callable[[], None] = lambda: None
    ) -> None:
        self._settle = settle
        self._job = job
        self._feed_mm = job.feed_mm_per_rev
        self._bulking = bulking
        self._cut: _Cut | None = None
        self._quiet_since_s = math.nan
        self._deepest_mm = 0.0
        self._last_end_s = math.nan
        self._faulty = False
        self._compared = False
        self._odd: list[HeardPeck] = []
        self._stops = self._pauses = 0  # blanks that ended as the spindle stopped, and while it turned on
        # this blank began within a gap; and one that did was none: the program has more pecks than known
        self._within_gap = self._more_pecks = False
        # what sounds like cuts in this blank, and when by that the program made its first contact
        self._runs: list[Run] = []
        self._hidden: list[tuple[int, float]] = []  # pecks under it that ended by reckoning, and when
        self._run_s, self._since_s = math.nan, -math.inf
        self._goes_on, self._reckoned, self._off_program = False, False, False
        self._zero_s = math.nan
        self._spot_speed = self._spotted = False
        self._ran_at_spot = False  # since the spindle was started
        # whether each blank's first contact is the centre drill's, since it turns as fast as the drill
        self._in_turn = job.spot_rpm is not None and abs(job.spot_rpm / job.spindle_rpm - 1) < SPOT_APART
        self._spots_s: deque[float] = deque(maxlen=BLANKS)  # how long it was in
        self._plain = self._plain_before = 0  # blanks running that began without it
        self._spotted_alike = 0  # blanks that tell of one that the job does not name: held ones half
        self._alone: HeardPeck | None = None  # the only peck of the blank before
        self._restarts = False  # the spindle stops while the tool is changed after it
        self._started = False
        self._was_held = self._stays_away = False
        self.from_rest, self.after_whole, self.touched = False, True, False
        self._whole = True
        self.schedule = Schedule(job.pecks_mm, POINT_DIAMETERS * job.drill_diameter_mm)
        self._as_planned = Schedule(job.pecks_mm, POINT_DIAMETERS * job.drill_diameter_mm)
        self.heard: list[HeardPeck] = []
        self.blank = blanks_before
        self.peck = 0
        self.in_blank = False
        self.rows: list[PeckRow] = []
        self._untold: list[_Untold] = []  # of this blank
        # the blanks in it, where the program surely explains it, and whether it does each peck that was heard
        self._surely_laid: list[list[Span]] = []
        self._explains_all = False
        # the newest look for a missed contact: end of the cut before, when it was, when the contact is due
        self._looked = math.nan, math.nan, math.inf
        self._course: deque[_Heard] = deque(maxlen=round(COURSE_S / HOP_S))
        self._worst: list[tuple[float, Event]] = []
        # whether from rest, and since when the first contact is to be expected
        self._anchor = False, math.nan
        self._asked_s = -math.inf
        self._sent_s = -math.inf  # when the spindle was started, or sent to another speed
        self._detector: CuttingDetector | None = None  # as it is now: it knows how loud cuts are
        self._free_s = -math.inf  # since when the machine could drill the next blank
        self._out_s = -math.inf  # when the last blank's last peck ended

    @property
    def spotting(self) -> bool:
        """Whether the centre drill is in, or was last in: the program then changes or stops the spindle."""
        if self._spot_speed:
            return True
        if self._in_turn:
            if self.spots_at_speed and self._cut is not None:
                # what turns as fast as the drill binds as it does
                return self._job.spot_rpm not in (None, self._job.spindle_rpm) and not self._cut.fell
            return self.in_blank and self.peck == 0 and self._cut is None  # the tool is changed
        if not self.in_blank:
            # begun, and not told yet; what falls from the drill's speed binds
            return self._cut is not None and self._cut.spot and not self._cut.fell
        # at the drill's speed, what has begun to sound like a cut is its first peck, told or not yet
        return self.peck == 0 and (self._cut is None or self._cut.spot)

    @property
    def spots_at_speed(self) -> bool:
        """Whether the cut under way is taken for the centre drill's, at the drill's own speed."""
        return self._in_turn and self._cut is not None and self._cut.spot

    @property
    def through(self) -> bool:
        """Whether the hole should be through, by pecks or depth: the program then stops the spindle.

        A cut under way that began short of it is not through yet.
        """
        if not self.in_blank:
            return False
        from_mm, schedule = self.from_mm, self.schedule
        if from_mm >= FULL_DEPTH * schedule.depth_mm:
            return True
        if self.peck - self.in_cut < schedule.count:
            return False
        known = schedule.learned or from_mm >= NEARLY * schedule.depth_mm
        return known or schedule.follows(self.heard[:-1])

    @property
    def overrun(self) -> bool:
        """Whether the cut under way has outlasted its peck: the program has drawn the drill out by now, and
        what still sounds like a cut is something else."""
        cut = self._cut
        if self._goes_on:
            return True  # another sound, whether the drill is in or out
        if cut is None or not cut.told or cut.spot:
            return False
        drilled_mm = cut.turns * self._feed_mm
        late_mm = OVERRUN_S * cut.hz * self._feed_mm
        expected_mm = self.schedule.length_mm(self.peck - 1)
        if drilled_mm <= (1 + OVERRUN) * expected_mm + late_mm:
            return False  # whichever peck it is: none that is longer is over either
        known = self.schedule.learned or len(self.heard) > 0
        slower = max(self._slowest(), 1.0)
        if cut.from_mm + drilled_mm > (1 + OVERRUN) * slower * self.schedule.depth_mm + late_mm:
            return True  # no program drills deeper than the hole
        if not known or not self.schedule.keeps_step(self.heard):  # whichever peck it is
            lengths = [self.schedule.length_mm(k) for k in range(self.schedule.count)]
            expected_mm = max(*lengths, *(peck.length_mm for peck in self.heard))
            expected_mm *= 1 if known else SLOWEST_FEED
        return drilled_mm > (1 + OVERRUN) * expected_mm + late_mm

    @property
    def unlikely(self) -> bool:
        """Whether the cut under way began as no blank of this batch did."""
        return self._cut is not None and self._cut.unlikely

    @property
    def surplus(self) -> bool:
        """Whether the cut under way, or the next one, is a peck more than the program has."""
        # asked first: before the last peck it matters not whether one is under way
        count = self.schedule.count
        return self.in_blank and self.peck >= count and self.peck + (not self.in_cut) > count

    def _slowest(self) -> float:
        """How far the feed may be overridden down: as many times as long as expected every peck took."""
        if self.schedule.learned:
            return 1.0
        took = (peck.length_mm / self.schedule.length_mm(k) for k, peck in enumerate(self.heard))
        return min(took, default=SLOWEST_FEED)

    @property
    def reckoned(self) -> bool:
        """Whether other sound hid boundaries of this blank, which the schedule dates."""
        return self._reckoned

    @property
    def out_of_step(self) -> bool:
        """Whether boundaries of this blank were reckoned, and what was heard since does not agree."""
        return self._reckoned and self._zero_s != self._zero_s

    @property
    def in_cut(self) -> bool:
        """Whether a peck is under way."""
        return self._cut is not None and self._cut.told and not self._cut.spot

    @property
    def place(self) -> Place:
        """Where the drill is; zeros outside a blank."""
        return self.place_at(self.turns)

    def place_at(self, turns: float) -> Place:
        """Where the drill was at some `turns` of the cut that is under way."""
        if not self.in_blank:
            return Place()
        return Place(self.blank, self.peck, self._depth_mm(turns))

    @property
    def turns(self) -> float:
        """Turns of the spindle in the cut under way, 0 between cuts."""
        return 0.0 if self._cut is None else self._cut.turns

    @property
    def from_mm(self) -> float:
        """Depth at which the present cut began, or at which the hole ends now."""
        return self._deepest_mm if self._cut is None else self._cut.from_mm

    def step(self, hop: Hop, rotation: Rotation, detector: CuttingDetector) -> Iterator[Event]:
        """Take one hop, as judged by the detector, and give the events it completes."""
        spot_speed, self._spot_speed = self._spot_speed, self._is_spot_speed(rotation.reference_hz)
        self._ran_at_spot = self._spot_speed or (self._ran_at_spot and not rotation.started)
        self._restarts = self._restarts or (rotation.started and self._spotted and self.peck == 0)
        self._started = self._started or rotation.started or rotation.changed
        if rotation.started or rotation.changed or (spot_speed and not self._spot_speed):
            self._sent_s = hop.t
        if rotation.started and self._stays_away:  # a hold too, after which a person has looked
            self._stays_away, self._was_held = False, True
        if (rotation.started or rotation.changed) and not (self.in_blank and self.peck):
            self._anchor = True, hop.t
            if rotation.started:
                self._free_s = hop.t
                self._course.clear()
        heard = (
            hop.t - _LAG_S,
            self._evidence(rotation, detector),
            detector.level_db,
            100 * rotation.sag,
            hop.spindle_hz if hop.heard else rotation.reference_hz,
            hop.over_db,
        )
        self._course.append(tuple.__new__(_Heard, heard))  # in half the time of the class's own
        self._detector = detector
        if rotation.vanished:
            yield from self._end_cut(hop.t)
            if self.peck:  # a stop after the centre drill is to change the tool
                self._stops += self.in_blank
                yield from self._end_blank(hop.t)
        if detector.cutting:
            self._quiet_since_s = math.nan
            self._follow_run(hop, detector)
            if self._cut is not None and self._spot_is_over(self._cut, rotation):
                yield from self._end_peck(hop.t, self._cut, self._sent_s)
            cut = self._cut if self._cut is not None else self._begin_cut(hop, rotation, detector)
            if cut is None:
                return
            self._continue(cut, hop, rotation)
            if cut.spot and self._in_turn and self._outlasts_spot(hop.t - cut.start_s):
                yield from self._is_first_peck(hop.t, cut)
            if not cut.told:
                if self._is_contact(cut, hop, rotation, detector):
                    yield from self._tell_contact(hop.t, cut)
            elif hop.t > cut.due_s + OFF_S and self._is_over(cut, hop.t):
                self._goes_on = self._reckoned = True
                yield from self._end_peck(hop.t, cut, cut.due_s)
                if not self.touched:
                    self._hidden.append((len(self.heard) - 1, cut.due_s))
            return
        if self._quiet_since_s != self._quiet_since_s:
            self._quiet_since_s = detector.end_s
        quiet = hop.t - self._quiet_since_s
        if self._run_s == self._run_s and quiet >= APART_S and quiet >= self._apart_s:
            yield from self._end_cut(hop.t)
        # A tap on the bench meanwhile is no peck: the pause is counted from the last one.
        paused = self._cut is None and self.in_blank and self.peck > 0
        if paused and hop.t - self._last_end_s >= _THROUGH_GAP_S and self._is_whole(hop.t):
            self._pauses += 1
            yield from self._end_blank(hop.t)

    def _evidence(self, rotation: Rotation, detector: CuttingDetector) -> float:
        """What a hop says of the drill; at the speed of the centre drill, if that is heard, it is out."""
        if not self._spot_speed:
            return detector.evidence
        if rotation.sag == rotation.sag:
            return -math.inf
        return -EVIDENCE_MOST if detector.evidence < 0 else 0.0

    def _follow_run(self, hop: Hop, detector: CuttingDetector) -> None:
        """What sounds like a cut tells where the program is, if it lasts."""
        if self._run_s != self._run_s:
            self._run_s = detector.onset_s
            return
        counted = bool(self._runs) and self._runs[-1].end_s == math.inf
        if hop.t >= self._run_s + CONFIRM_S and not (counted or self._is_spot(hop)):
            self._runs.append(Run(self._run_s, math.inf))
            self._align(hop.t)

    def _align(self, t: float) -> None:
        schedule = self.schedule
        if schedule.retracts_s and not self._off_program:
            self._zero_s = zero_of(schedule.contacts_s, schedule.retracts_s, self._runs, self._since_s, t)
            if self._cut is not None and not self._cut.spot:
                self._cut.due_s = self._retract_s(self._cut.start_s)

    def _retract_s(self, contact_s: float) -> float:
        """When the program draws the drill out of a peck that began then; inf where that is not known."""
        k = bisect_right(self.schedule.contacts_s, contact_s + OFF_S - self._zero_s) - 1
        if self._zero_s != self._zero_s or k < 0:
            return math.inf
        due_s = self._zero_s + self.schedule.retracts_s[k]
        return due_s if due_s > contact_s else math.inf

    def _begin_cut(self, hop: Hop, rotation: Rotation, detector: CuttingDetector) -> _Cut | None:
        """What sounds like a cut is one, unless the program has drawn the drill out: then one begins as the
        drill comes back, should the sound go on."""
        onset_s, early_s = detector.onset_s, 0.0
        spot = self._is_spot(hop)
        if spot and self.peck and not self.through and onset_s < self._last_end_s + self._longest_gap_s():
            return None  # no blank was changed within a gap: another machine turns at that speed
        if self._zero_s == self._zero_s and not spot:
            schedule = self.schedule
            k = bisect_right(schedule.contacts_s, hop.t - self._zero_s) - 1
            if k >= 0 and hop.t >= self._zero_s + schedule.retracts_s[k]:  # in the gap after peck k
                last = k == len(schedule.retracts_s) - 1
                free_s = schedule.retracts_s[k] + OFF_S if last else schedule.contacts_s[k + 1] - OFF_S
                if onset_s < self._zero_s + free_s:
                    self._goes_on = self._reckoned = True
                    return None
            elif k >= 0 and onset_s < self._zero_s + schedule.contacts_s[k] - OFF_S:
                self._reckoned = True
                early_s = self._zero_s + schedule.contacts_s[k] - onset_s
                onset_s += early_s
        if onset_s < self._since_s and self._spotted and not spot:  # what sounded on as the spindle changed
            onset_s = self._loaded_s(hop, detector)
            if onset_s != onset_s:
                return None
        self._settle()
        self._cut = cut = _Cut(onset_s, spot, self._deepest_mm, early_s=early_s)
        cut.due_s = math.inf if spot else self._retract_s(onset_s)
        cut.turns = rotation.reference_hz * max(0.0, hop.t - hop.step_s - onset_s)
        if not (self.in_blank and self.peck):
            at_speed = spot and self._in_turn
            cut.unlikely = (at_speed and self._is_unstarted()) or (not spot and self._begins_oddly(onset_s))
        if detector.load_shows:
            cut.usual_sag_pct = 100 * detector.cut_sag
        return cut

    def _spot_is_over(self, cut: _Cut, rotation: Rotation) -> bool:
        """Whether the spindle is heard at the drill's speed since: what goes on is another sound."""
        sent = cut.spot and cut.told and not self._spot_speed and cut.start_s < self._sent_s
        return sent and rotation.sag == rotation.sag

    def _loaded_s(self, hop: Hop, detector: CuttingDetector) -> float:
        """Since when the spindle is loaded as by a cut, for half a second; NaN where it is not, or load does
        not tell."""
        hops = round(_ANSWER_S / HOP_S)
        lately = list(islice(reversed(self._course), hops))
        least_pct = 100 * _SURE_SHARE * detector.cut_sag
        loads = [one.sag_pct >= least_pct for one in lately]
        return lately[-1].s if detector.load_shows and len(loads) == hops and all(loads) else math.nan

    def _begins_oddly(self, contact_s: float) -> bool:
        """Whether no blank would begin then: without a start of the spindle where it was started for nearly
        all of them, or at another time than always after it."""
        from_rest, anchor_s = self._anchor
        if self._is_unstarted():
            return True
        lead = self.schedule.lead(from_rest)
        if lead is None or anchor_s != anchor_s or len(self.schedule.leads_s[from_rest]) < MOSTLY:
            return False
        enters_s = self.schedule.point_mm / self._feed_mm_s  # unheard
        return not lead.least_s <= contact_s - anchor_s <= lead.most_s + enters_s

    def _is_unstarted(self) -> bool:
        """Whether the spindle was not started though it was for nearly all blanks."""
        from_rest, _ = self._anchor
        went_on, started = (len(leads) for leads in self.schedule.leads_s)
        return not from_rest and started >= MOSTLY * max(1, went_on)

    def _is_over(self, cut: _Cut, t: float) -> bool:
        """Whether no load shows that the drill is still in, where its time is over."""
        lately = cut.sags[-round(_ANSWER_S / HOP_S) :]
        if not lately or not float(np.mean(lately)) >= _SURE_SHARE * cut.usual_sag_pct > 0:
            return True
        if t > cut.due_s + OFF_S + 2 * _ANSWER_S:
            cut.due_s, self._zero_s, self._off_program = math.inf, math.nan, True
        return False

    @property
    def _apart_s(self) -> float:
        """Silence that ends a peck; an eccentric blank that turns slowly is silent for some of each turn."""
        gaps = [gap.middle for gap in self.schedule.gaps[1:]]
        return max(APART_S, APART_SHARE * min(gaps, default=0.0))

    def _is_whole(self, t: float) -> bool:
        """Whether the pause since the last peck ends the blank though the spindle turns on."""
        longest_s = max((peck.gap_s for peck in self.heard[1:]), default=0.0)
        # a longer one was no gap: its pecks are of two blanks
        longest_s = min(longest_s, self._longest_gap_s())
        paused_s = t - self._last_end_s
        if paused_s < max(_THROUGH_GAP_S, _PAUSE_TIMES * longest_s):
            return False
        if paused_s >= max(_LONG_PAUSE_S, _LONG_PAUSE_TIMES * longest_s) + self._missed_s():
            return True
        fewer = len(self.heard) < self.schedule.count  # else no peck was run together with another
        if fewer and self.hides_gaps and paused_s < self._longest_gap_s():
            return False
        if self._stops > self._pauses:
            return False  # it mostly ends when the spindle stops
        count = self.schedule.count
        if self.through and len(self.heard) >= count and self.schedule.follows(self.heard[: count - 1]):
            return True
        # other sound may have made the hole seem through, or hidden pecks: the program tells, as it fits best
        if t < self._asked_s + ASK_S:
            return False
        self._asked_s = t
        sound, program, heard = self._course_so_far(self._untold)
        nats, laid = sound.goes_on(2 * self._program_s(program)).lay(program)
        if laid and nats > sound.as_heard(heard, _mean_s(program)):
            over = laid[0][-1].end_s <= t
            return over and (self.through or self.schedule.learned)
        return self.through

    @property
    def hides_gaps(self) -> bool:
        """Whether a cut of a first blank was longer than any peck planned: several of them under another
        sound, mostly, so that neither the depth reached nor the gaps are known."""
        longest_mm = (1 + LIKE) * max(self._job.pecks_mm)
        return not self.schedule.learned and any(peck.length_mm > longest_mm for peck in self.heard)

    @property
    def depth_told(self) -> bool:
        """Whether the depth reached is known: no pecks of a first blank were run together by another sound
        that has ended since, as a whole peck tells. Where it goes on, the program may be at its end."""
        longest_mm = (1 + LIKE) * max(self._job.pecks_mm)
        return not self.hides_gaps or self.heard[-1].length_mm > longest_mm

    @property
    def surely_cut(self) -> bool:
        """Whether more than sound says that pecks of this blank were some: one loaded the spindle, or beat as
        the lips come round; the first contact came when it always does; or two had the program's lengths.

        A blast of air and knocks as a blank is changed sound like pecks too, where the spindle turns on.
        """
        if any(peck.told for peck in self.heard):
            return True
        from_rest, anchor_s = self._anchor
        if anchor_s == anchor_s and self.schedule.lead(from_rest) is not None and not self.off_lead:
            return True
        alike = sum(self.schedule.alike(peck, k) for k, peck in enumerate(self.heard))
        return alike >= TWO_ALIKE  # of the job's, where no blank was heard yet

    @property
    def off_lead(self) -> bool:
        """Whether the first contact came at another time after the spindle's start, or the blank before, than
        it always does: it was another sound, or is not the first one."""
        from_rest, anchor_s = self._anchor
        lead = self.schedule.lead(from_rest) if anchor_s == anchor_s and self._untold else None
        if lead is None:
            return False
        enters_s = self.schedule.point_mm / self._feed_mm_s  # unheard
        return not lead.least_s <= self._untold[0].start_s - anchor_s <= lead.most_s + enters_s

    @property
    def first_contact_due_s(self) -> float:
        """By when the blank's first contact comes after the spindle's start, or the centre drill's end, where
        two blanks before agreed about it; NaN where it was made, or is not known, or a person is at the
        machine after a hold."""
        from_rest, anchor_s = self._anchor
        begun = (self.in_blank and self.peck > 0) or self._was_held
        if self._in_turn and self._spotted and not anchor_s > self._since_s:
            changes_s = self.schedule.changes_s
            change = lead_of(changes_s) if len(changes_s) >= 2 and self.schedule.known else None
            return math.nan if begun or change is None else self._since_s + change.most_s
        to_be_spotted = self._spot_speed or not (self._job.spot_rpm is None or self._ran_at_spot)
        if self._in_turn:
            to_be_spotted = self._restarts and not self._spotted
        if begun or not from_rest or to_be_spotted or len(self.schedule.leads_s[True]) < 2:
            return math.nan
        lead = self.schedule.lead(True) if self.schedule.known and self._sent_s <= anchor_s else None
        return math.nan if lead is None else anchor_s + lead.most_s

    def first_contact_stays_away(self) -> None:
        """Take note that it was due and did not come. If it comes after all, the program is another one, and
        two starts have to agree about it anew."""
        self._stays_away = True

    def may_be_in(self) -> bool:
        """Whether by its sound the drill may be in, though no cut like those before is heard."""
        if self._only_rubs():
            return False
        sound, _, heard = self._course_so_far(self._untold)
        hops = round(STOOD_S / HOP_S)
        return 2 * int(np.count_nonzero(sound.stands(heard[-1].end_s)[-hops:])) > hops

    def _only_rubs(self) -> bool:
        """Whether what is heard after a peck that ended early loads nothing, where cuts do: a stub, or a
        blank that spins."""
        detector = self._detector
        early = self.heard[-1].length_mm < EARLY * self.schedule.least_mm(len(self.heard) - 1)
        if detector is None or not (early and detector.load_tells):
            return False
        newest = (self._course[-1 - i].sag_pct for i in range(min(round(STOOD_S / HOP_S), len(self._course))))
        sags = [sag_pct for sag_pct in newest if sag_pct == sag_pct]
        return len(sags) >= TOLD_HOPS and _mean(sags) < TOUCH_LOAD * 100 * detector.cut_sag

    def is_overdue(self) -> bool:
        """Whether a contact stayed away by the program laid over all that was heard of this blank too.

        Other sound may have hidden the end of a peck, or be taken for one: then the pecks heard tell wrongly
        when the next contact is due.
        """
        sound, program, heard = self._course_so_far(self._untold)
        sound = sound.goes_on(2 * self._program_s(program))
        _, _, no_more = sound.broken_off(heard[-1].end_s)
        _, laid = no_more.lay(program)
        if laid and laid[0][-1].start_s < heard[-1].end_s:
            return False  # of the pecks heard the last one was the program's
        usual_s = [self.schedule.length_mm(k) / self._feed_mm_s for k in range(len(self.heard))]
        if all(peck.seconds <= (1 + LIKE) * s + OFF_S for peck, s in zip(self.heard, usual_s, strict=True)):
            return True  # no other sound ran into a peck
        _, laid = sound.lay(program)
        if not laid:
            return True
        pecks = laid[0]
        if not all(_is_covered(one, pecks) for one in heard):
            return True  # of such a peck it knows nothing
        return any(sound.silent_s(p) > OVERDUE_S for p in pecks if p.end_s > heard[-1].end_s)

    def missed_contact_s(self, end_s: float, t: float) -> float:
        """When a contact was due that stayed away since the last cut ended at ``end_s``; NaN if none surely
        was.

        The program is laid over all that was heard of this blank, twice: as if the drill cut on, and as if it
        did not. Sound that hid the end of a peck, a peck that was missed, or another sound that was taken for
        one, are weighed by both.
        """
        schedule, count = self.schedule, self.schedule.count
        if not self._untold or (len(self.heard) >= count and schedule.follows(self.heard[:count])):
            return math.nan  # as many that are not the program's may be other sound
        if self._is_not_due(end_s, t):
            return math.nan
        self._settle()
        if self._faulty:
            return math.nan
        sound, program, heard = self._course_so_far(self._untold)
        from_rest, _ = self._anchor
        first_known = program.lead is not None or (from_rest and self._first_cuts())
        # silence before tells that it was the first, whenever the blank was changed
        alone = len(heard) == 1 and (self.off_lead or not first_known) and self._is_first_whole()
        program = replace(program, lead=None) if alone else program
        if len(heard) == 1 and not alone:
            start_hidden = self.off_lead and self._is_first_by_length()
            if (self.off_lead and not start_hidden) or not first_known:
                return math.nan  # it may be a later one, or another sound
            program = replace(program, lead=None) if start_hidden else program
        if self._sent_s > heard[-1].end_s:
            return math.nan  # what was heard was the centre drill
        sd_s = ONE_BLANK_SD_S if schedule.blanks == 1 else 0.0
        program = program.with_longest_gaps(sd_s, schedule.hidden_s(self._feed_mm_s))
        if not self._only_rubs():
            longest_s = max([known.middle_s for known in program.lengths])
            sound = sound.surely_silent(end_s, LONGER * longest_s)
        # the blank may have begun in what was taken for the one before
        before_s = 0.0 if from_rest or self.after_whole else self._program_s(program)
        # it may have begun however soon: the piece before may have been looked at for long
        program = replace(program, earliest_s=-math.inf)
        sound = sound.goes_on(2 * self._program_s(program), before_s)
        ends_nats, as_before, no_more = sound.broken_off(end_s)
        nats, laid = no_more.lay(program)
        due_s = next((p.start_s for p in laid[0] if p.start_s > end_s), math.inf) if laid else math.inf
        self._looked = end_s, t, due_s
        if not self._explains(laid[0] if laid else [], heard, alone):
            return math.nan  # of a peck that surely was one it knows nothing
        if due_s >= t or as_before.silent_nats(Span(due_s, t)) < SILENT_LEAST_NATS:
            return math.nan
        fits_nats = nats + ends_nats - sound.as_heard(heard, _mean_s(program))
        # of those heard as many as the program may have had; others were another sound
        pecks = min(len(heard), max(sum([peck.start_s < end_s for peck in laid[0]]), 2))
        if fits_nats < FITS_NATS * (pecks - 1) + FIRST_FITS_NATS * (pecks == 1):
            return math.nan  # its times are other ones in this blank
        cuts_on, _ = as_before.lay(program)
        return due_s if nats + ends_nats - cuts_on >= MISSED_NATS else math.nan

    def _explains(self, laid: Sequence[Span], heard: Sequence[Span], alone: bool) -> bool:
        """Whether the program, as it was laid, has each peck that surely was a cut; one that was heard
        ``alone`` as its first: what was silent before was no peck."""
        if alone and not _is_covered(heard[0], laid[:1]):
            return False
        cuts = [span for span, peck in zip(heard, self.heard, strict=True) if peck.told]
        return all(_is_covered(span, laid) for span in cuts)

    def _is_first_whole(self) -> bool:
        """Whether the first peck heard surely was a cut, and as long as the program's first one."""
        return self.heard[0].told and self.schedule.alike(self.heard[0], 0)

    def _first_cuts(self) -> bool:
        """Whether the first peck heard surely was a cut: it loaded where load tells, or else it got louder as
        the lips come round."""
        tells = self._detector is not None and self._detector.load_tells
        return self.heard[0].sure if tells else self.heard[0].beats

    def _is_first_by_length(self) -> bool:
        """Whether the first peck heard surely was a cut, as long as the program's first one and no other."""
        schedule, first = self.schedule, self.heard[0]
        others = any(schedule.alike(first, k) for k in range(1, schedule.count))
        return self._first_cuts() and schedule.alike(first, 0) and not others

    def _is_not_due(self, end_s: float, t: float) -> bool:
        """Whether the last look told that no contact can have been missed yet, and it was silent since."""
        looked_end_s, looked_s, due_s = self._looked
        if looked_end_s != end_s or t >= due_s + SILENT_LEAST_NATS / SILENT_NATS * HOP_S:
            return False
        since = takewhile(lambda one: one.s > looked_s - _LAG_S, reversed(self._course))
        return all(one.evidence <= 0.0 for one in since)

    def _program_s(self, program: Program) -> float:
        """How long the program takes from the first contact; gaps that are not known count some seconds."""
        gaps_s = [known.middle_s for known in program.gaps] or [_THROUGH_GAP_S] * (len(program.lengths) - 1)
        return sum([known.middle_s for known in program.lengths], 0.0) + sum(gaps_s, 0.0)

    def _longest_gap_s(self) -> float:
        """The longest way out of the hole and back, as learned, or as small machines go."""
        if self.schedule.learned:
            gaps = (gap.middle for gap in self.schedule.gaps[1:])
            return _PAUSE_TIMES * max(gaps, default=math.inf)
        ways_s = 2 * (self.schedule.depth_mm + CLEARANCE_MM) / SLOWEST_RAPID_MM_S
        return ways_s + APPROACH_MM / self._feed_mm_s + LONGEST_DWELL_S

    @property
    def _feed_mm_s(self) -> float:
        return self._job.feed_mm_per_rev * self._job.spindle_rpm / 60

    def _missed_s(self) -> float:
        """Time that the program feeds on after a peck that ended early, and in the one that should follow."""
        if not self.heard:
            return 0.0
        k = len(self.heard)
        left_mm = max(self.schedule.length_mm(k - 1) - self.heard[-1].length_mm, 0.0)
        return (left_mm + self.schedule.length_mm(k)) / self._feed_mm_s

    def finish(self, t: float) -> Iterator[Event]:
        """End of the recording: close what is open."""
        yield from self._end_cut(t)
        yield from self._end_blank(t)

    def note(self, event: Event) -> None:
        """Remember the worst warning or hold of the present peck for its row.

        A blank with a hold in it does not tell the usual cycle.
        """
        self._faulty = self._faulty or event.severity is Severity.HOLD
        rank = RANK[event.severity]
        if self._cut is not None:
            self._worst.append((event.t, event))
            if rank > self._cut.worst_rank:
                self._cut.worst, self._cut.worst_rank = event.kind.value, rank

    def _is_spot(self, hop: Hop) -> bool:
        """Spot drilling, where the job gives it a speed of its own, is told by that speed, and else, where
        there is any, by its turn."""
        if self._in_turn:
            return self.peck == 0 and not self._spotted and self._plain < PLAIN_BLANKS
        if self._job.spot_rpm is None:
            return False
        if not hop.heard:
            return self.peck == 0 and not self._spotted  # the first thing in a blank of such a job
        return self._is_spot_speed(hop.spindle_hz)

    def _is_spot_speed(self, spindle_hz: float) -> bool:
        """Whether a speed is nearer to that of the centre drill than to that of the drill."""
        spot = None if self._in_turn else self._job.spot_rpm
        rpm = spindle_hz * 60
        return spot is not None and abs(math.log(rpm / spot)) < abs(math.log(rpm / self._job.spindle_rpm))

    def _outlasts_spot(self, seconds: float) -> bool:
        """Whether what began in the centre drill's turn, at the drill's speed, is the first peck: it goes on
        as one does, and for longer than centre drills before it."""
        usual_s = statistics.median(self._spots_s) if self._spots_s else 0.0
        least_s = max(EARLY * self.schedule.length_mm(0) / self._feed_mm_s, LONGER * usual_s)
        return seconds > least_s + OFF_S  # its end is known some hops later

    def _was_spot(self, cut: _Cut, seconds: float) -> bool:
        """Whether what seems a short first peck was the centre drill's, and another sound what was taken for
        that: the one is as long as always, the other was not, and no tool is changed so soon."""
        if not (self._in_turn and self._spotted and self.peck == 1 and len(self._spots_s) > 1):
            return False
        *before_s, taken_s = self._spots_s
        usual_s, change = statistics.median(before_s), lead_of(self.schedule.changes_s)
        within_s = max(LIKE * usual_s, 3 * DATED_S)
        alike = abs(seconds - usual_s) <= within_s < abs(taken_s - usual_s)
        short = seconds * self._feed_mm_s < EARLY * self.schedule.length_mm(0)
        return alike and short and change is not None and cut.start_s - self._since_s < change.least_s

    def _is_first_peck(self, t: float, cut: _Cut) -> Iterator[Event]:
        """No centre drill was heard in this blank."""
        self._settle()
        cut.spot, cut.due_s = False, self._retract_s(cut.start_s)
        self._plain += 1
        if cut.told:
            self.peck, self._started = 1, False
            yield self._event(t, Kind.PECK_START, "Peck 1 begins.", cut.start_s)

    def _is_contact(self, cut: _Cut, hop: Hop, rotation: Rotation, detector: CuttingDetector) -> bool:
        """Whether the cut has lasted, while the spindle was not running down."""
        if hop.heard:
            cut.fell = hop.rate_hz_s < -RUNS_DOWN * rotation.reference_hz
        elif detector.strength < 1:
            cut.fell = True  # neither a cut nor the spindle is heard well
        if not cut.fell:
            cut.sure_s += hop.step_s
        confirmed = CONFIRM_S if hop.heard and not self.through else CONFIRM_THROUGH_S
        return cut.sure_s >= confirmed - 1e-6

    @property
    def depth_mm(self) -> float:
        """Depth of the hole that the drill is in, as far as it is drilled."""
        return self._depth_mm(0.0 if self._cut is None else self._cut.turns)

    def _depth_mm(self, turns: float) -> float:
        if self._cut is None or self._cut.spot:
            return self._deepest_mm
        from_mm = self._cut.from_mm
        depth = from_mm + turns * self._feed_mm
        most = self.schedule.depth_mm if self.schedule.depth_mm > from_mm else from_mm
        return depth if depth < most else most

    def _continue(self, cut: _Cut, hop: Hop, rotation: Rotation) -> None:
        # Drowned, it turns about as it did before: the feed goes on.
        cut.hz = hop.spindle_hz if hop.heard else rotation.reference_hz
        cut.turns += cut.hz * hop.step_s
        cut.counted_s = hop.t
        cut.levels.append(hop.over_db)
        if hop.confidence >= SURE_SPEED:
            cut.beats.append(hop.beat)
        cut.settled_hops += rotation.settled
        if rotation.sag == rotation.sag:
            cut.sags.append(100 * rotation.sag)
            cut.depths.append(cut.turns * self._feed_mm)

    def _tell_contact(self, t: float, cut: _Cut) -> Iterator[Event]:
        self._settle()
        cut.told = True
        if cut.spot and self.peck:
            yield from self._end_blank(t)  # only the next blank is spotted again
        elif self._is_next_blanks(cut):
            self._pauses += 1
            yield from self._end_blank(t)
            self._since_s, cut.from_mm, cut.due_s = cut.start_s, 0.0, math.inf
            self._within_gap, cut.spot = True, self._in_turn and self._plain < PLAIN_BLANKS
        if not self.in_blank:
            self.in_blank = True
            self.blank += 1
            self.peck = 0
            self.heard, self._faulty = [], False
            if self._stays_away:
                self.schedule.leads_s[True].clear()
                self.schedule.changes_s.clear()
                self._anchor, self._stays_away = (True, math.nan), False
            self.from_rest, self._started = self._started, False
            self.after_whole = self._whole
            yield self._event(t, Kind.BLANK_START, f"Blank {self.blank} begins.", cut.start_s)
        if cut.spot:
            if not self._in_turn:  # else it may still prove to be the first peck
                yield self._event(t, Kind.SPOT_START, "The centre drill is in.", cut.start_s)
            return
        self.peck += 1
        self._started = (
            False  # what was before a peck of this blank, as from the centre drill's speed, is its own
        )
        yield self._event(t, Kind.PECK_START, f"Peck {self.peck} begins.", cut.start_s)

    def _is_next_blanks(self, cut: _Cut) -> bool:
        """Whether a contact is the next blank's, though the spindle turned on and the pause was no longer
        than those between pecks: this blank had all its pecks, each as the program has it, and this cut loads
        the spindle as they did."""
        if not self.in_blank or self._more_pecks or self._reckoned or self._faulty:
            return False
        if self._stops >= max(self._pauses, 1):
            return False
        schedule, heard = self.schedule, self.heard
        whole = len(heard) == schedule.count and schedule.follows(heard)
        if not whole and len(heard) == schedule.count > 1 and schedule.follows(heard[:-1]):
            # another sound hid the end of the last one: so deep is no hole
            last_mm = schedule.length_mm(schedule.count - 1)
            whole = heard[-1].length_mm > last_mm and not same(heard[-1], last_mm)
        changed = cut.start_s - self._last_end_s >= _THROUGH_GAP_S
        return whole and changed and bool(cut.sags) and cut.usual_sag_pct > 0 and self._is_sure(cut)

    def _end_cut(self, t: float) -> Iterator[Event]:
        self._settle()
        cut = self._cut
        end_s = self._quiet_since_s if self._quiet_since_s == self._quiet_since_s else t
        if cut is not None and cut.told:
            end_s = max(end_s, cut.start_s + HOP_S)  # one that only its load told may be quiet from the first
            yield from self._end_peck(t, cut, end_s)
        self._cut, self._run_s, self._goes_on = None, math.nan, False
        self._uncover(end_s)
        if self._runs and self._runs[-1].end_s == math.inf:
            self._runs[-1] = Run(self._runs[-1].start_s, end_s)
            self._align(t)

    def _uncover(self, end_s: float) -> None:
        """Until when the sound that hid the ends of pecks went on."""
        for k, retract_s in self._hidden:
            self.heard[k] = self.heard[k]._replace(late_s=max(end_s - retract_s, HOP_S))
        self._hidden.clear()

    def _end_peck(self, t: float, cut: _Cut, end_s: float) -> Iterator[Event]:
        self._settle()
        self._cut = None
        if cut.spot:
            yield from self._end_spot(t, cut, end_s)
            return
        if self._was_spot(cut, end_s - cut.start_s):
            self.peck = 0
            self._spots_s.pop()
            yield self._event(t, Kind.PECK_END, "Nothing was pecked: the centre drill was in.", end_s)
            yield from self._end_spot(t, cut, end_s)
            return
        peck = self._as_peck(cut, end_s)
        self.touched = self._only_touches(peck, cut)
        if self.touched:
            message = f"Nothing was pecked: what was heard only touched, at {self._deepest_mm:.1f} mm."
            yield self._event(t, Kind.PECK_END, message, end_s)
            self.peck -= 1
            return
        self.heard.append(peck)
        self._last_end_s = end_s
        told_as = self.peck
        self._forget_none(peck, cut)
        alike = self.schedule.alike(peck, self.peck - 1)
        length = self.schedule.planned_mm(self.peck - 1) if alike else peck.length_mm
        deepest = self.schedule.depth_mm if self._follows_schedule else math.inf
        self._deepest_mm = min(cut.from_mm + length, max(deepest, cut.from_mm))
        self._untold.append(_Untold(cut.start_s, end_s, self.peck, self._deepest_mm, cut))
        message = f"Peck {self.peck} ends at {self._deepest_mm:.1f} mm."
        if self.peck < told_as:
            message += f" It was told as peck {told_as}: what was taken for pecks before it was none."
        yield self._event(t, Kind.PECK_END, message, end_s)

    def _end_spot(self, t: float, cut: _Cut, end_s: float) -> Iterator[Event]:
        self._since_s, self._spotted = end_s, True
        self._restarts = False  # this one may be changed while the spindle turns
        if self._in_turn:
            yield self._event(t, Kind.SPOT_START, "The centre drill was in.", cut.start_s)
            self._spots_s.append(end_s - cut.start_s)
            self._plain_before, self._plain = self._plain, 0
            self._course.clear()  # no peck
            self._runs = []
        yield self._event(t, Kind.SPOT_END, "The centre drill is out.", end_s)

    def so_far(self, end_s: float) -> HeardPeck:
        """The peck under way, should it have ended then."""
        if self._cut is None:
            raise RuntimeError("no peck is under way")
        return self._as_peck(self._cut, end_s)

    def _as_peck(self, cut: _Cut, end_s: float) -> HeardPeck:
        gap_s = cut.start_s - self._last_end_s if self.heard else math.nan
        # the end is decided some hops later
        turns = max(cut.turns - cut.hz * max(cut.counted_s - end_s, 0.0), cut.hz * HOP_S)
        looks = len(cut.beats)
        beats = looks >= BEAT_HOPS and statistics.median(cut.beats) >= clear_beat(looks)
        sure = self._is_sure(cut)
        loads = sure and self._loads(cut)
        length_mm = turns * self._job.feed_mm_per_rev
        return HeardPeck(length_mm, gap_s, end_s - cut.start_s, sure, cut.early_s, beats=beats, loads=loads)

    def _loads(self, cut: _Cut) -> bool:
        """Whether the spindle surely was loaded: as by cuts where that tells, else beyond its wander."""
        answered = [sag_pct for sag_pct in cut.sags[round(_ANSWER_S / HOP_S) :] if sag_pct == sag_pct]
        if self._detector is None or len(answered) < _SURE_HOPS:
            return False
        wanders_pct = LOAD_SDS * 100 * self._detector.idle_sag_sd
        return _mean(answered) >= max(_SURE_SHARE * cut.usual_sag_pct, wanders_pct)

    def _only_touches(self, peck: HeardPeck, cut: _Cut) -> bool:
        """Whether what has just ended was no peck.

        It was much shorter than the one that is due, and either begun before the program was back from one
        that ended early, or without the load of a cut, after one that ended early or where the program does
        not tell what was due then.
        """
        k = len(self.heard)
        if not k or k >= self.schedule.count or peck.reckoned:
            return False
        if peck.length_mm >= TOUCH_SHARE * self.schedule.length_mm(k):
            return False
        last = self._untold[-1]
        expected_mm = self.schedule.least_mm(k - 1)
        left_s = expected_mm / self._feed_mm_s - (last.end_s - last.start_s)
        early = self.heard[-1].length_mm < EARLY * expected_mm
        feeds_on = early and peck.gap_s < left_s + LEAST_GAP_S
        told = cut.usual_sag_pct > 0 and len(cut.sags) >= TOLD_HOPS
        light = told and not peck.sure and float(np.mean(cut.sags)) < TOUCH_LOAD * cut.usual_sag_pct
        return feeds_on or (light and (early or not self.schedule.known))

    @property
    def last_end_s(self) -> float:
        """When the last peck of this blank ended."""
        return self._last_end_s

    def _forget_none(self, peck: HeardPeck, cut: _Cut) -> None:
        """Forget what was taken for pecks before the one that has just ended, if that is the blank's first.

        An axis that brings the drill to the face may sound like a cut until some were heard. It is over
        sooner than a first peck, and what follows is as long as one; and either that came when the first one
        would not have been over, or it loads the spindle where the others did not. Not where it came a gap
        later, as the program has it: a drill that enters slowly is heard late.
        """
        schedule, before = self.schedule, self.heard[:-1]
        least_mm = EARLY * schedule.length_mm(0)
        short = all(other.length_mm < least_mm and not other.reckoned for other in before)
        if not before or peck.length_mm < least_mm or not short:
            return
        gap_s = [gap.middle for gap in schedule.gaps[len(before) : len(before) + 1]]
        if any(abs(peck.gap_s - usual_s) <= STEADY_S for usual_s in gap_s):
            return
        since_s = cut.start_s - self._untold[0].start_s
        unloaded = cut.usual_sag_pct > 0 and peck.sure and not any(other.sure for other in before)
        if since_s < peck.seconds + LEAST_GAP_S or unloaded:
            self._hidden = [(0, retract_s) for k, retract_s in self._hidden if k == len(before)]
            self.peck, self.heard[:] = 1, [peck._replace(gap_s=math.nan)]
            self._untold.clear()
            self._deepest_mm = cut.from_mm = 0.0

    def _is_sure(self, cut: _Cut) -> bool:
        """Whether the spindle was at its speed in the cut and, where load tells, loaded by it."""
        answered = cut.sags[round(_ANSWER_S / HOP_S) :]
        load = float(np.mean(answered)) if len(answered) >= _SURE_HOPS else max(cut.sags, default=math.inf)
        loads = not cut.sags or load >= _SURE_SHARE * cut.usual_sag_pct
        return cut.settled_hops >= _SURE_SHARE * len(cut.levels) and loads

    @property
    def _follows_schedule(self) -> bool:
        """Whether the pecks heard in this blank are those of the schedule: then it ends at its depth."""
        return len(self.heard) < 2 or self.schedule.follows(self.heard[:-1])

    def _end_blank(self, t: float) -> Iterator[Event]:
        self._settle()
        if self.in_blank:
            self._uncover(t)
            self._was_held = self._faulty
            if self._within_gap and len(self.heard) < self.schedule.count:
                self._more_pecks = True
                self._pauses -= 1
            self._within_gap = False
            if self._was_none():
                self.blank -= 1
                self._untold.clear()
                self._forget_blank(t)
                return
            self._find_spot()
            self._whole = len(self.heard) == self.schedule.count and self.schedule.follows(self.heard)
            yield from self._tell_rows(t)
            message = f"Blank {self.blank} ends after {self.peck} pecks."
            quiet_s = self._quiet_since_s if self._quiet_since_s == self._quiet_since_s else self._last_end_s
            yield self._event(t, Kind.BLANK_END, message, quiet_s)
            yield from self._learn_schedule(t)
        self._forget_blank(t)

    def _find_spot(self) -> None:
        """Find out whether this blank was centre drilled at the drill's speed, though its job does not say so
        or the centre drill was in for as long as a first peck.

        Then one contact more than the job has pecks was heard, the others each as the job has them, and,
        where it names none, the tool was changed after it, which takes longer than any gap. So short a
        contact may have been a drill that broke and was changed too, after a hold: then two blanks have to
        tell it, and where the change was so long that the blank seemed over.
        """
        alone, self._alone = self._alone, self.heard[0] if len(self.heard) == 1 else None
        named = self._in_turn
        plan = self.schedule if self.schedule.count == len(self._job.pecks_mm) else self._as_planned
        lacks_first = len(self.heard) == plan.count - 1 > 0 and not plan.follows(self.heard)
        if self._spotted and named and not self._faulty and lacks_first and plan.follows(self.heard, 1):
            # too faint to be heard, and the first peck was taken for it: this blank tells nothing
            self._spots_s.pop()
            self._plain, self._faulty = self._plain_before + 1, True
        if not self.heard or self._spotted or (self._job.spot_rpm is not None and not named):
            return  # it was told
        within = len(self.heard) > plan.count
        spot, pecks = (self.heard[0], self.heard[1:]) if within else (alone, self.heard)
        if spot is None or len(pecks) != plan.count or not plan.follows(pecks):
            return
        if not named:
            longest_s = max([peck.gap_s for peck in pecks[1:]], default=0.0)
            changed = not within or pecks[0].gap_s > max(_THROUGH_GAP_S, _PAUSE_TIMES * longest_s)
            if not (changed and spot.cut and spot.length_mm < EARLY * plan.length_mm(0)):
                return
            self._spotted_alike += 2 if within and not self._faulty else 1
            self._in_turn = self._spotted_alike >= 2
        if within and self._in_turn:
            self._spots_s.append(spot.seconds)
            self._plain = 0
            self._take_off_first()

    def _take_off_first(self) -> None:
        """What was taken for the first peck of this blank was the centre drill's."""
        self.heard[:] = [self.heard[1]._replace(gap_s=math.nan), *self.heard[2:]]
        off_mm = self._untold.pop(0).to_mm
        self._untold = [
            one._replace(number=k, to_mm=one.to_mm - off_mm) for k, one in enumerate(self._untold, 1)
        ]
        for one in self._untold:
            one.cut.from_mm -= off_mm
        self.peck -= 1
        self._since_s = self._untold[0].start_s
        while self._course and self._course[0].s < self._since_s - APART_S:
            self._course.popleft()

    def _was_none(self) -> bool:
        """Whether what began like a blank was another sound: the program is known, and there was no time for
        a blank and none of the pecks heard is the one that it has at that place, or it is likelier that none
        was drilled."""
        if self._faulty or not (self.schedule.learned and self.heard):
            return False
        if len(self.heard) >= self.schedule.count:
            return False
        sound, program, heard = self._course_so_far(self._untold)
        alike = sum(self.schedule.alike(peck, k) for k, peck in enumerate(self.heard))
        longest_s = max([known.middle_s for known in program.lengths])
        too_long = any(peck.seconds > LONGER * longest_s for peck in self.heard)
        free_s = max(self._free_s, program.earliest_s) if too_long else self._free_s
        if not alike and self._last_end_s - free_s < WHOLE_SHARE * self._program_s(program):
            return True
        nats, _ = sound.lay(program)
        as_heard = sound.as_heard(heard, _mean_s(program)) + ALIKE_NATS * alike
        return sound.as_heard([]) >= max(nats, as_heard)

    def _forget_blank(self, t: float) -> None:
        self.in_blank = self.touched = False
        self.peck = 0
        self._deepest_mm = 0.0
        self._runs, self._since_s, self._zero_s = [], t, math.nan
        self._reckoned = self._off_program = self._spotted = False

    def _tell_rows(self, t: float) -> Iterator[Event]:
        """The rows of this blank, dated by all that was heard of it; where it proves to be several, the
        blanks that ended unheard."""
        heard, self._untold = self._untold, []
        blanks = self._dated(heard)
        told = [] if blanks else [self._row(one.cut, one.end_s, one.to_mm, one.number) for one in heard]
        course = list(self._course)
        times = [one.s for one in course]
        for number, spans in enumerate(blanks):
            if number:
                self.rows.extend(told)
                message = f"Blank {self.blank} ended after {len(told)} pecks, under another sound."
                yield self._event(t, Kind.BLANK_END, message, told[-1].end_s)
                self.blank += 1
                message = f"Blank {self.blank} began under another sound."
                yield self._event(t, Kind.BLANK_START, message, spans[0].start_s)
            told, depth_mm = [], 0.0
            for k, span in enumerate(spans):
                to_mm = depth_mm + self.schedule.planned_mm(k)
                within = course[bisect_right(times, span.start_s) : bisect_right(times, span.end_s)]
                told.append(self._row_of(k + 1, span, within, depth_mm, to_mm))
                depth_mm = to_mm
        self.rows.extend(told)
        if told and self._faulty:  # the next blank comes when a person has looked
            self._anchor, self._out_s, self._free_s = (False, math.nan), -math.inf, told[-1].end_s
        elif told:
            if self._in_turn and self._spotted:
                self.schedule.changes_s.append(told[0].start_s - self._since_s)
            self._learn_lead(told[0].start_s, told[-1].end_s)
        # what came after it may be the first peck of the next blank, run together with it by another sound
        end_s = told[-1].end_s if told else math.inf
        while self._course and self._course[0].s <= end_s:
            self._course.popleft()
        self._worst.clear()

    def _learn_lead(self, start_s: float, end_s: float) -> None:
        """Learn how long after the spindle's start, or the blank before, the first contact comes."""
        from_rest, anchor_s = self._anchor
        if anchor_s < start_s:  # false where it is not known
            self.schedule.leads_s[from_rest].append(start_s - anchor_s)
        if -math.inf < self._out_s < start_s:
            self.schedule.reloads_s.append(start_s - self._out_s)
        self._out_s = self._free_s = end_s
        self._anchor = False, end_s

    def _dated(self, rows: Sequence[_Untold]) -> list[list[Span]]:
        """When the pecks of each blank in what was taken for one began and ended; empty where that is best
        told as it was heard."""
        self._surely_laid = []
        if self._faulty or not rows:
            return []
        sound, program, heard = self._course_so_far(rows)
        program, usual_s = sound.with_gaps(program), self._program_s(program)
        as_heard = sound.as_heard(heard, _mean_s(program))
        most, best = as_heard, []
        long_s = rows[-1].end_s - rows[0].start_s
        for blanks in range(1, 1 + max(1, min(3, round(long_s / usual_s)))):
            nats, laid = sound.lay(program, blanks)
            if laid and nats > most:
                most, best = nats, laid
        dated = [[_as_heard(span, heard) for span in spans] for spans in best]
        pecks = sum([len(spans) for spans in dated])
        gaps = [Span(one.end_s, other.start_s) for spans in best for one, other in pairwise(spans)]
        if most - as_heard >= FITS_NATS * max(pecks - 1, 1) and all(map(sound.tells_gap, gaps)):
            self._surely_laid = dated
            self._explains_all = all(_is_covered(one, list(chain(*dated))) for one in heard)
        return dated

    def _course_so_far(self, rows: Sequence[_Untold]) -> tuple[Sound, Program, list[Span]]:
        """What was heard of this blank, the program to lay over it, and its pecks as they were heard."""
        from_rest, anchor_s = self._anchor
        lead = self.schedule.lead(from_rest) if anchor_s == anchor_s else None
        program = self.schedule.program(
            self.heard, self._feed_mm_s, self._longest_gap_s(), lead, anchor_s, self._out_s
        )
        usual_s = self._program_s(program)
        since_s = rows[0].start_s - usual_s
        course = [one for one in self._course if one.s >= since_s]
        cut_db = math.nan if self._detector is None else self._detector.rise_db
        sound = Sound(
            np.array([one.evidence for one in course]),
            np.array([one.level_db for one in course]),
            course[0].s,
            HOP_S,
            cut_db if cut_db == cut_db else math.inf,
        )
        return sound, program, [Span(row.start_s, row.end_s) for row in rows]

    def _row_of(
        self, number: int, span: Span, within: Sequence[_Heard], from_mm: float, to_mm: float
    ) -> PeckRow:
        """The row of a peck that was dated afterwards; ``within``: what was heard in it."""
        cut = _Cut(span.start_s, False, from_mm, levels=[one.over_db for one in within])
        turns = accumulate(one.hz * HOP_S for one in within)
        loaded = [
            (one.sag_pct, so_far)
            for one, so_far in zip(within, turns, strict=True)
            if one.sag_pct == one.sag_pct
        ]
        cut.sags = [sag_pct for sag_pct, _ in loaded]
        cut.depths = [so_far * self._feed_mm for _, so_far in loaded]
        worst = [event for s, event in self._worst if span.start_s < s <= span.end_s]
        for event in worst:
            if RANK[event.severity] > cut.worst_rank:
                cut.worst, cut.worst_rank = event.kind.value, RANK[event.severity]
        return self._row(cut, span.end_s, to_mm, number)

    def _learn_schedule(self, t: float) -> Iterator[Event]:
        """Compare the second good blank that is like the first with the job, once, and say what differs."""
        heard = self.heard
        laid = [] if self._whole or self._faulty else self._surely_laid
        if laid and not self.schedule.learned:
            # another sound, as the axis', ran pecks together or was taken for some; what it left tells them
            for spans in laid:
                self.schedule.learn(_told_by(spans, self._feed_mm_s))
            return
        longest_mm = max((peck.length_mm for peck in heard), default=0.0)
        if not heard or self._faulty or longest_mm > _NO_PECK_TIMES * max(self._job.pecks_mm):
            return
        again = self.schedule.learned and len(heard) == self.schedule.count
        again = again and self.schedule.follows(heard)
        before, self._odd = self._odd, []
        if self.out_of_step:
            heard = self._unreckoned()
            if not (heard and _alike(before, heard)):
                self._odd = heard
                return
            self.schedule.forget()  # no other sound, but another program
            self.schedule.learn(before)
            again = True
        elif self._reckoned and len(heard) != self.schedule.count:
            return
        elif self._is_odd(heard):
            if laid and self._explains_all:
                return  # it is the cycle that is known
            if not _alike(before, heard):
                self._odd = heard
                return
            self.schedule.learn(before)
            again = True
        self.schedule.learn(heard)
        if again and not self._compared:
            self._compared = True
            message = difference(self._job.pecks_mm, heard, self._job.units)
            if message:
                yield self._event(t, Kind.SCHEDULE, message, math.nan)

    def _unreckoned(self) -> list[HeardPeck]:
        """The pecks as they sounded: so a program that has changed is known, however another one reckons."""
        runs = [run for run in self._runs if run.end_s < math.inf]
        before_s = [math.nan, *(run.end_s for run in runs)]
        return [
            HeardPeck(
                (run.end_s - run.start_s) * self._feed_mm_s, run.start_s - end_s, run.end_s - run.start_s
            )
            for run, end_s in zip(runs, before_s, strict=False)
        ]

    def _is_odd(self, heard: list[HeardPeck]) -> bool:
        """Whether what was heard is another cycle than is known: a sound of the workshop may have made pecks,
        or hidden where they ended, so that it has to be heard twice running."""
        depth_mm = sum([peck.length_mm for peck in heard], 0.0) / sum(self._job.pecks_mm)
        deep = not 1 / SLOWEST_FEED <= depth_mm <= SLOWEST_FEED
        return deep or len(heard) != self.schedule.count

    def _row(self, cut: _Cut, end_s: float, to_mm: float, peck: int) -> PeckRow:
        removed = to_mm - cut.from_mm
        fill = flute_fill(removed, to_mm, self._job.flute_length_mm, self._bulking)
        return PeckRow(
            blank=self.blank,
            peck=peck,
            start_s=cut.start_s,
            end_s=end_s,
            depth_from_mm=cut.from_mm,
            depth_to_mm=to_mm,
            mean_sag_pct=_mean(cut.sags),
            max_sag_pct=max(cut.sags) if cut.sags else math.nan,
            climb_depth_mm=self._climb(cut),
            mean_cut_level_db=_mean(cut.levels),
            flute_fill=fill,
            worst_event=cut.worst,
        )

    def _climb(self, cut: _Cut) -> float:
        """Climb depth once the drill point is fully in and the motor has answered to the load."""
        depths, sags = np.array(cut.depths), np.array(cut.sags)
        entered = POINT_DIAMETERS * self._job.drill_diameter_mm if cut.from_mm == 0 else 0.0
        rate = depths[-1] / (depths.size * HOP_S) if depths.size else 0.0
        settled = depths > entered + _ANSWER_S * rate
        return climb_depth(depths[settled], sags[settled])

    def _event(self, t: float, kind: Kind, message: str, onset_s: float) -> Event:
        place = self.place
        return Event(
            t,
            kind,
            Severity.INFO,
            message,
            blank=place.blank,
            peck=place.peck,
            depth_mm=place.depth_mm,
            onset_s=onset_s,
        )


def clear_beat(hops: int) -> float:
    """Median power of the beat, over that of noise, that a cut has and noise only once in `BEAT_NATS` nats.

    The power of noise is distributed exponentially: half of n looks that share little are over b by chance
    with probability C(n, n/2) exp(-b n/2). So a long peck tells with less.

    Examples
    --------
    >>> [round(clear_beat(hops), 1) for hops in (20, 50, 100, 200)]
    [3.0, 1.9, 1.6, 1.5]
    """
    n = hops / LOOK_HOPS
    ways = math.lgamma(n + 1) - 2 * math.lgamma(n / 2 + 1)
    return (BEAT_NATS + ways) * 2 / n


def climb_depth(depth_mm: np.ndarray, load: np.ndarray) -> float:
    """Depth within a peck at which the load began to climb; NaN if it did not.

    Least-squares hinge (level, then a straight rise), its corner tried at every sample but the first
    and last few. It counts as a climb where the hinge explains more than a level line by the
    Bayesian information criterion for its two more parameters (Schwarz 1978, from memory), neighbouring
    samples sharing three quarters of their sound, and rises.

    Parameters
    ----------
    depth_mm, load : shape (n,)
        Depth within the peck, mm, and load (sag or level, any unit) at each hop.

    Returns
    -------
    float, mm
    """
    n = depth_mm.size
    least = 4  # samples on either side of the corner
    if n < 3 * least or not np.all(np.isfinite(load)):
        return math.nan
    height = load - load.mean()
    flat = float(np.square(height).sum())
    corners = depth_mm[least : n - least]
    # of the ramps max(depth - corner, 0), every sum from those over the samples beyond the corner
    beyond = np.arange(n, 0, -1)[least : n - least]
    parts = np.stack([depth_mm, depth_mm**2, height, depth_mm * height])
    depths, squares, heights, moments = parts[:, ::-1].cumsum(axis=1)[:, ::-1][:, least : n - least]
    total = depths - beyond * corners
    energy = squares - 2 * corners * depths + beyond * corners**2 - total**2 / n
    slopes = (moments - corners * heights) / np.maximum(energy, 1e-12)
    left = flat - slopes**2 * energy
    best = int(np.argmin(left))
    independent = n / 4
    gain = independent * math.log(max(flat, 1e-12) / max(float(left[best]), 1e-12))
    if slopes[best] <= 0 or gain <= 2 * math.log(independent):
        return math.nan
    return float(corners[best])


def _mean(values: Sequence[float]) -> float:
    return float(np.add.reduce(values)) / len(values) if values else math.nan


def _mean_s(program: Program) -> float:
    return sum([known.middle_s for known in program.lengths]) / len(program.lengths)


def _as_heard(span: Span, heard: Sequence[Span]) -> Span:
    """The edges of a peck as they were heard, where they were heard about there."""
    start_s, end_s = (
        min(
            (edge for edge in edges if abs(edge - at_s) <= LAID_BACK_S),
            key=lambda edge: abs(edge - at_s),
            default=at_s,
        )
        for at_s, edges in (
            (span.start_s, [one.start_s for one in heard]),
            (span.end_s, [one.end_s for one in heard]),
        )
    )
    return Span(start_s, end_s)


def _is_covered(heard: Span, pecks: Sequence[Span]) -> bool:
    """Whether some pecks of the program explain one as it was heard."""
    common_s = [max(min(heard.end_s, one.end_s) - max(heard.start_s, one.start_s), 0.0) for one in pecks]
    return sum(common_s) >= COVERED * (heard.end_s - heard.start_s)


def _told_by(spans: Sequence[Span], feed_mm_s: float) -> list[HeardPeck]:
    """The pecks of a blank that was dated afterwards."""
    before_s = [math.nan, *(span.end_s for span in spans)]
    return [
        HeardPeck(feed_mm_s * (span.end_s - span.start_s), span.start_s - end_s, span.end_s - span.start_s)
        for span, end_s in zip(spans, before_s, strict=False)
    ]


def _alike(one: Sequence[HeardPeck], other: Sequence[HeardPeck]) -> bool:
    """Whether two blanks were drilled by the same pecks."""
    return len(one) == len(other) and all(same(a, b.length_mm) for a, b in zip(one, other, strict=True))
