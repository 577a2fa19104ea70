"""What is known of blanks and pecks: the state that `monitor.pecks.follow` takes on, hop by hop, and what the
rules may ask of it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from monitor.alignment import Alignment
from monitor.faults.episode import Place
from monitor.job import Job
from monitor.measurements import Event, Kind, PeckRow, Severity
from monitor.pecks import centre_drill, missed
from monitor.pecks.begin import Beginning, Due, first_contact_due
from monitor.pecks.centre_drill import CentreDrill
from monitor.pecks.cut import Cut, outlasts_peck
from monitor.pecks.end import Endings, depth_told, is_through
from monitor.pecks.heard import HeardBlank, heard_peck
from monitor.pecks.learning import Learning
from monitor.schedule import PAUSE_S, POINT_DIAMETERS, HeardPeck, Schedule


def _nothing() -> None:
    pass


@dataclass(slots=True)
class Cycle:
    """Where the cycle is.

    Depth is feed times revolutions heard while cutting, put on the job's schedule where it agrees with it.
    ``blank`` counts on from the blanks of the batch that were drilled before it listens; ``peck``: of this
    blank. ``touched``: what was heard last was no peck. ``rows``: told, and not yet taken.
    ``cut``: under way, told or not; ``quiet_since_s``: no more sound like one, NaN where there is;
    ``deepest_mm``: where the hole ends, but for the cut under way.
    ``settle`` is called before a cut or a blank begins or ends: what still has to be noted of the present one
    is noted then.
    """

    job: Job
    bulking: float
    blank: int = 0
    settle: Callable[[], None] = _nothing
    peck: int = 0
    in_blank: bool = False
    touched: bool = False
    rows: list[PeckRow] = field(default_factory=list)
    cut: Cut | None = None
    quiet_since_s: float = math.nan
    deepest_mm: float = 0.0
    alignment: Alignment = field(default_factory=Alignment)
    endings: Endings = field(default_factory=Endings)
    learning: Learning = field(default_factory=Learning)
    newest_look: missed.Look = field(default_factory=missed.Look)
    schedule: Schedule = field(init=False)
    heard_blank: HeardBlank = field(init=False)
    begin: Beginning = field(init=False)
    spot: CentreDrill = field(init=False)
    feed_mm: float = field(init=False)

    def __post_init__(self) -> None:
        job = self.job
        self.schedule = Schedule(job.pecks_mm, POINT_DIAMETERS * job.drill_diameter_mm)
        self.heard_blank = HeardBlank(self.schedule, job.feed_mm_per_rev * job.spindle_rpm / 60)
        self.begin = self.heard_blank.begin
        self.spot = centre_drill.of_job(job)
        self.feed_mm = job.feed_mm_per_rev

    # Where the drill is.

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
        return 0.0 if self.cut is None else self.cut.turns

    @property
    def depth_mm(self) -> float:
        """Depth of the hole that the drill is in, as far as it is drilled."""
        return self._depth_mm(0.0 if self.cut is None else self.cut.turns)

    def _depth_mm(self, turns: float) -> float:
        if self.cut is None or self.cut.spot:
            return self.deepest_mm
        from_mm = self.cut.from_mm
        depth = from_mm + turns * self.feed_mm
        most = self.schedule.depth_mm if self.schedule.depth_mm > from_mm else from_mm
        return depth if depth < most else most

    @property
    def from_mm(self) -> float:
        """Depth at which the present cut began, or at which the hole ends now."""
        return self.deepest_mm if self.cut is None else self.cut.from_mm

    # The cut under way.

    @property
    def entered(self) -> float:
        """Share of the lips that is in the work: the point takes seconds to enter a flat face slowly."""
        point_mm = self.schedule.point_mm
        if not (self.in_cut and self.peck == 1 and self.depth_mm < point_mm):
            return 1.0
        return self.depth_mm / point_mm

    @property
    def in_cut(self) -> bool:
        """Whether a peck is under way."""
        return self.cut is not None and self.cut.told and not self.cut.spot

    @property
    def spotting(self) -> bool:
        """Whether the centre drill is in, or was last in: the program then changes or stops the spindle."""
        return centre_drill.is_in(self.spot, self.in_blank, self.peck, self.cut)

    @property
    def spots_at_speed(self) -> bool:
        """Whether the cut under way is taken for the centre drill's, at the drill's own speed."""
        return self.spot.in_turn and self.cut is not None and self.cut.spot

    @property
    def spot_was_a_peck(self) -> bool:
        """Whether what was taken for a centre drill's contact, in its turn, was the first peck: the job names
        none, and no tool is changed so soon. One learned of a single blank may have been another sound."""
        spot, pecks = self.spot, self.heard_blank.untold
        if not (spot.in_turn and spot.rpm is None and spot.was_in and pecks):
            return False
        return pecks[0].start_s - self.alignment.since_s < PAUSE_S

    @property
    def overrun(self) -> bool:
        """Whether the cut under way has outlasted its peck: the program has drawn the drill out by now, and
        what still sounds like a cut is something else."""
        cut = self.cut
        if self.alignment.goes_on:
            return True  # another sound, whether the drill is in or out
        if cut is None or not cut.told or cut.spot:
            return False
        return outlasts_peck(cut, self.peck, self.schedule, self.heard, self.feed_mm)

    @property
    def unlikely(self) -> bool:
        """Whether the cut under way began as no blank of this batch did."""
        return self.cut is not None and self.cut.unlikely

    @property
    def surplus(self) -> bool:
        """Whether the cut under way, or the next one, is a peck more than the program has."""
        # asked first: before the last peck it matters not whether one is under way
        count = self.schedule.count
        return self.in_blank and self.peck >= count and self.peck + (not self.in_cut) > count

    def so_far(self, end_s: float) -> HeardPeck:
        """The peck under way, should it have ended then."""
        if self.cut is None:
            raise RuntimeError("no peck is under way")
        return heard_peck(self.heard_blank, self.cut, end_s, self.feed_mm)

    # The blank under way, and what is due in it.

    @property
    def heard(self) -> list[HeardPeck]:
        """The pecks of this blank, or of the newest one."""
        return self.heard_blank.pecks

    @property
    def last_end_s(self) -> float:
        """When the last peck of this blank ended."""
        return self.heard_blank.last_end_s

    @property
    def from_rest(self) -> bool:
        """Whether the spindle was started, or sent to its speed, between the blank before and this one."""
        return self.begin.from_rest

    @property
    def after_whole(self) -> bool:
        """Whether of the blank before all pecks were heard."""
        return self.begin.after_whole

    @property
    def reckoned(self) -> bool:
        """Whether other sound hid boundaries of this blank, which the schedule dates."""
        return self.alignment.reckoned

    @property
    def through(self) -> bool:
        """Whether the hole should be through, by pecks or depth: the program then stops the spindle.

        A cut under way that began short of it is not through yet.
        """
        if not self.in_blank:
            return False
        return is_through(self.schedule, self.heard, self.peck - self.in_cut, self.from_mm)

    @property
    def depth_told(self) -> bool:
        """Whether the depth reached is known: no other sound ran pecks of a first blank together."""
        return depth_told(self.schedule, self.heard)

    @property
    def surely_cut(self) -> bool:
        """Whether more than sound says that pecks of this blank were some."""
        return missed.surely_cut(self.heard_blank)

    @property
    def off_lead(self) -> bool:
        """Whether the first contact came at another time after the spindle's start, or the blank before, than
        it always does: it was another sound, or is not the first one."""
        return missed.off_lead(self.heard_blank)

    @property
    def first_contact_due(self) -> Due:
        """By when the blank's first contact comes after the spindle's start, or the centre drill's end, where
        two blanks before agreed about it; NaN where it was made, or is not known, or a person is at the
        machine after a hold."""
        pecking, since_s = self.in_blank and self.peck > 0, self.alignment.since_s
        return first_contact_due(self.begin, self.spot, self.schedule, since_s, pecking)

    def first_contact_stays_away(self) -> None:
        """Take note that it was due and did not come. If it comes after all, the program is another one, and
        two starts have to agree about it anew."""
        self.begin.stays_away = True

    def missed_contact_s(self, end_s: float, t: float) -> float:
        """When a contact was due that stayed away since the last cut ended at ``end_s``; NaN if none surely
        was."""
        if not missed.may_be_missed(self.heard_blank, self.newest_look, end_s, t):
            return math.nan
        self.settle()
        look = None if self.heard_blank.faulty else missed.look(self.heard_blank, end_s, t)
        if look is None:
            return math.nan
        self.newest_look = look
        return look.due_s if look.missed else math.nan

    def may_be_in(self) -> bool:
        """Whether by its sound the drill may be in, though no cut like those before is heard."""
        return missed.may_be_in(self.heard_blank)

    def is_overdue(self) -> bool:
        """Whether a contact stayed away by the program laid over all that was heard of this blank too."""
        return missed.is_overdue(self.heard_blank)


def told(cycle: Cycle, t: float, kind: Kind, message: str, onset_s: float) -> Event:
    """An event of the cycle, where the drill is."""
    place = cycle.place
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
