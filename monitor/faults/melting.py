"""`melting`: the work softens round the drill, which then rubs and grips instead of cutting.

Physical reason: a cut turns most of its work into heat. Heating a whole chip of acrylic from room temperature
to its softening takes some 140 J per cubic centimetre (see `softening_energy`), which is about what cutting
it takes: chips that stay in the hole soften. They then no longer break, so that their crackle dies, the
hiss of the cut fades with it, and the load stays or rises because soft walls grip. Stick and slip on the
walls may squeal.

Each of these signs alone is harmless; a drill that breaks through, or is drawn out, falls silent, but its
load goes too. So three signs must agree, in deviations from good cuts, and the load must stay. Their sum, as
far as they agree, is the observation of a cumulative sum (`monitor.signal.cusum`). Materials that do not
soften are not judged. A fresh blank has not softened when the drill has just entered: what has changed by
then is the room, and what is normal follows it.

What counts is between contact and the end of the peck that the program plans: another sound that begins or
goes on outside of it may sound like a cut, and like a soft one. A soft cut may be quieter than the machine:
its load tells then that it goes on, and, once the drill was drawn out and loads again, that the next peck has
begun.

The signs stand in `melting_signs`, that of a cut hardly heard in `melting_silent`; what they are held against
in `melting_good` (good cuts), `melting_alone` (the machine running free), `melting_gain` (whether the
microphone was turned down) and `melting_other_sound`; the load in `melting_load`, a peck that only loads in
`melting_unheard`; a hop and a block in `melting_heard`.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from dataclasses import dataclass, field

from monitor.faults.episode import Finding
from monitor.faults.melting_alone import IDLE_AFTER_S, Alone
from monitor.faults.melting_good import LAG_BLOCKS, GoodCuts, good_cuts, normal_of
from monitor.faults.melting_heard import BLOCK_HOPS, FIRST_BLOCKS, MEMORY_BLOCKS, Heard, mean_of
from monitor.faults.melting_load import LEAST_GRIP, LOAD_STAYS, SILENT_LOAD, Load
from monitor.faults.melting_other_sound import OTHER_BLOCKS, OTHER_IDLE_DB, covers, were_none
from monitor.faults.melting_signs import signs_of
from monitor.faults.melting_silent import SILENT, STILL_CUTS, silent, still_sounds
from monitor.faults.melting_unheard import UnheardPeck
from monitor.hop import Hop
from monitor.measurements import Kind, Severity
from monitor.pecks.cycle import Cycle
from monitor.signal.cusum import Cusum, Normal, threshold_for
from monitor.signal.frames import HOP_S
from monitor.spindle import TURNING, Rotation
from monitor.work import Work

DRIFT = 1.5
"""Deviations: made for a change of three, which is what a good cut against a softened one mostly is; and one
peck differs from the next by one deviation for as long as it lasts."""

WARNING_EVERY_S, HOLD_EVERY_S = 20 * 3600.0, 500 * 3600.0
"""Mean time of cutting between false warnings and holds aimed at: a twentieth of the false alarms allowed
(one warning an hour, one hold in 20 h), the rest being for what no model foresees."""

ENTRY_S, ENTRY_MM = 0.15, 0.2
"""From contact: until then a frame still holds what was before it, and the lips find the bottom of the hole,
which springs back and is never quite of their shape (from memory). A blank's first peck is judged when the
drill's point is in."""

TAIL_HOPS = 8
"""A hop counts once the cut has gone on for 0.4 s after it: a drill that is drawn out is quieter too,
for as long as it takes to hear the cut's end. Where the program was heard it is known when that is."""

OUT_HOPS = 4
"""Where another sound hides the end of a cut, its load tells it: after so many hops that do not load any more
the drill is out, and what was quiet before them was a spindle that won its speed back. Softened work is
loaded to the end of its peck."""

END_S = 0.15
"""Before the end of a cut as dated afterwards: a frame, and the dating."""

ONSET_HOPS = 12
"""Kept from before a cut is known: a quiet one is known after half a second."""

TONE_AFTER_S, TONE_SDS = 0.6, 2.0
"""After a cut as dated: what is told of tones is a mean over half a second, so that until then it may be of
the cut's own squeal; what is within two deviations of good cuts' tones is none."""

LONGER_S = 0.1
"""What sounds like a cut for longer than the program's peck is something else: give or take the dating of
contact."""

SIGNS_MEAN, SIGNS_SD = 0.0, 2.5
"""Mean and deviation of the sum in good work before it was heard, and the deviation at least: of three normal
ones that go together by 0.6 (they share the same chips) 2.6, less what those that disagree leave out."""

FRESH_BLOCKS = 2
"""A later blank's first blocks, half a second, tell the room and are not judged."""

FRESH_S, FRESH_SOFT = 1.0, 2 * DRIFT
"""A large drill at a low speed takes seconds until its point is in, and the work may have softened by then:
later than this after contact, what is by so much like softened work in each of them, by all signs, is no
room."""

UNHEARD_MOST = 0.99
"""Of what holds, where only a peck that is not heard tells, and none before it had faded: a dial that is
turned down between two pecks is as silent and as slow. That is a warning."""

ANSWER_BLOCKS = 4
"""A second: until then a motor may not have answered to a cut with all of its load. What sounded soft from
contact on counts once the load is there, if the cut still sounds so. And what neither loads for so long, in
blocks running, nor sounds like a cut, is none any more: the drill is out, and another sound goes on. A free
spindle that wanders by half a load under it has not begun to cut, until it is heard to."""

LEAST_BLOCKS = 2
"""Blocks that decide at least, however clear they are: longer than a syllable or a blow."""


def softening_energy(softens_c: float, from_c: float, heat_j_per_g_k: float, density_g_cm3: float) -> float:
    """Energy that brings a volume of chips to its softening, J/cm^3, the same as N/mm^2 of specific force.

    Examples
    --------
    >>> round(softening_energy(110, 20, 1.35, 1.19))
    145
    """
    return heat_j_per_g_k * density_g_cm3 * (softens_c - from_c)


@dataclass(slots=True)
class MeltingRule:
    """One `step` a hop; ``softens``: whether the material of the job does at all; ``point_mm``: height of the
    drill's point; ``feed_mm_s``: rate of the feed; ``hole_mm``: depth of the hole.

    ``good``: what good cuts are like, None until the first were heard.
    """

    softens: bool
    point_mm: float
    feed_mm_s: float
    hole_mm: float
    good: GoodCuts | None = None
    _first: list[Heard] = field(default_factory=list)
    _alone: Alone = field(default_factory=Alone)
    _load: Load = field(default_factory=Load)
    _unheard: UnheardPeck = field(default_factory=UnheardPeck)
    _only_unheard: bool = False
    _usual: Normal = field(
        default_factory=lambda: Normal(SIGNS_MEAN, SIGNS_SD, 40, MEMORY_BLOCKS, LAG_BLOCKS, SIGNS_SD)
    )
    _sum: Cusum = field(
        default_factory=lambda: Cusum(DRIFT, threshold_for(WARNING_EVERY_S / (BLOCK_HOPS * HOP_S), DRIFT))
    )
    _hold_at: float = field(default_factory=lambda: threshold_for(HOLD_EVERY_S / (BLOCK_HOPS * HOP_S), DRIFT))
    _pending: deque[tuple[float, Heard]] = field(default_factory=deque)
    _block: list[Heard] = field(default_factory=list)
    _fresh: list[Heard] = field(default_factory=list)  # a later blank's first blocks
    _unanswered: list[float] = field(default_factory=list)  # signs of blocks that did not load yet
    _answered: bool = False
    _unloaded: int = 0  # blocks running in which the drill may be out
    _others: int = 0  # blocks louder than good ones, less those that were not
    _contact_s: float = math.nan
    _until_s: float = math.inf
    _blank: int = 0
    _cuts: bool = False
    _since_s: float = math.nan
    _quieter_db: float = 0.0

    def step(self, hop: Hop, rotation: Rotation, work: Work, cycle: Cycle) -> Finding | None:
        """Finding while the drill rubs in softened work, as judged in the present cut."""
        if not self.softens:
            return None
        if cycle.blank != self._blank:
            self._begin_blank(cycle.blank)
        if hop.deaf or rotation.state is not TURNING or not rotation.settled or work.spotting:
            self._pending.clear()
            self._cuts = False
            self._unheard.lose(drilling=rotation.state is TURNING and not work.spotting)
            return None
        signs = (
            hop.crackle_db,
            hop.upper_db,
            hop.upper_db - hop.lower_db,
            hop.chatter_db,
            rotation.sag if hop.heard else math.nan,
            work.strength,
            work.depth_mm / self.hole_mm,
            (hop.t - work.cut_s) * self.feed_mm_s / self.hole_mm if work.in_cut else 0.0,
            hop.line_db,
            hop.spindle_hz if hop.heard else math.nan,
        )
        heard = tuple.__new__(Heard, signs)  # in half the time of the class's own
        self._load.usual = work.cut_sag
        self._pending.append((hop.t, heard))
        through = work.contact_s != work.contact_s
        unheard = self._unheard.goes_on
        if work.in_cut or (not unheard and self._goes_on(hop, rotation)):
            self._unheard.end()
            if self._only_unheard:
                self._sum.clear()  # a drill that is heard to cut was another speed before
            self._only_unheard = False
            if not through:
                return self._follow(hop, work, cycle, work.cut_s, unheard=False)
        elif self._loads_unheard(hop, heard, cycle, through):
            if not unheard:
                self._only_unheard = self._sum.value < 0.5 * self._sum.threshold
            return self._follow(hop, work, cycle, self._unheard.since_s, unheard=True)
        return self._rest(hop, heard, work, cycle)

    # ---- hop by hop ---------------------------------------------------------------------------------

    def _begin_blank(self, blank: int) -> None:
        self._blank = blank
        self._block.clear()
        self._sum.clear()
        self._fresh.clear()
        self._contact_s = math.nan

    def _goes_on(self, hop: Hop, rotation: Rotation) -> bool:
        """Whether a cut that is not heard any more still loads the spindle, before its peck is over."""
        in_peck = self._cuts and hop.t <= self._until_s
        return in_peck and self._load.tells and rotation.sag >= LOAD_STAYS * self._load.usual

    def _loads_unheard(self, hop: Hop, heard: Heard, cycle: Cycle, through: bool) -> bool:
        """Whether the drill is in a peck that is not heard, for no longer than the program plans."""
        may = cycle.in_blank and not through and self.good is not None
        loads = self._unheard.step(hop, self._alone.sag_below(heard), self._load, may)
        return loads and hop.t <= self._unheard.since_s + self._planned_s(cycle)  # a speed may change

    def _planned_s(self, cycle: Cycle) -> float:
        return cycle.schedule.length_mm(cycle.peck - 1 if cycle.peck else 0) / self.feed_mm_s

    def _rest(self, hop: Hop, heard: Heard, work: Work, cycle: Cycle) -> Finding | None:
        """Outside of cuts: the machine alone is heard, and a cut that has just ended is judged to its end."""
        if not hop.t < work.end_s + IDLE_AFTER_S:
            self._alone.hear(heard)
            newest = self._unheard.newest
            load = self._alone.sag_below(heard) if newest is None else newest
            self._unheard.wander(load)
            if load < SILENT_LOAD * self._load.usual:
                self._load.heard = 0.0  # the drill is out, and its load has gone
        if self._cuts:
            tail_s = hop.t - TAIL_HOPS * hop.step_s if work.in_cut else work.end_s - END_S
            self._take(min(tail_s, self._until_s))
        while len(self._pending) > ONSET_HOPS:
            self._leave_out(work, work.cut_s if work.in_cut else math.inf)
        ended, self._cuts = self._cuts, False
        found = self._finding() if ended and self._sum.value >= self._sum.threshold else None
        if not cycle.in_blank:
            self._sum.clear()  # the next cut is another blank's
        return found

    def _follow(self, hop: Hop, work: Work, cycle: Cycle, begun_s: float, unheard: bool) -> Finding | None:
        """In a cut that began then: what is surely of it is judged."""
        if not self._cuts:
            self._unanswered, self._answered, self._unloaded = [], False, 0
        self._cuts = True
        if self._contact_s != self._contact_s:
            self._contact_s = work.cut_s
        entered_s = begun_s + ENTRY_S + ENTRY_MM / self.feed_mm_s
        while self._pending and self._pending[0][0] < entered_s:
            self._leave_out(work, begun_s)
        # of a cut that is not heard any more the depth is not followed, though it goes on
        fed_mm = 0.0 if work.in_cut else (hop.t - begun_s) * self.feed_mm_s
        # the first cut of a blank that is not known to have begun yet too
        if not unheard and max(work.depth_mm, fed_mm) < self.point_mm:
            self._pending.clear()
        self._until_s = begun_s + self._planned_s(cycle) + LONGER_S
        in_it = cycle.schedule.learned and hop.t <= self._until_s - LONGER_S - END_S
        tail_s = hop.t if in_it else hop.t - TAIL_HOPS * hop.step_s
        self._take(tail_s if tail_s < self._until_s else self._until_s)
        return self._finding() if self._sum.value >= self._sum.threshold else None

    def _leave_out(self, work: Work, contact_s: float) -> None:
        """The oldest hop is of no cut; whether one had begun, at that time, is known only some hops later."""
        t, heard = self._pending.popleft()
        if t >= contact_s:
            return
        tone_db = heard.tone_db
        if self.good is not None and t < work.end_s + TONE_AFTER_S:
            usual = self.good.tone
            tone_db = min(tone_db, usual.location + TONE_SDS * usual.spread)
        self._alone.hear_tone(tone_db, HOP_S)

    def _take(self, until_s: float) -> None:
        """Hops up to a time are known to be of the cut."""
        while self._pending and self._pending[0][0] <= until_s:
            t, heard = self._pending.popleft()
            self._block.append(heard)
            if len(self._block) == BLOCK_HOPS:
                if not self._drawn_out():
                    self._observe(mean_of(self._block), t)
                self._block.clear()

    def _drawn_out(self) -> bool:
        """Whether the load has gone by now: a quiet end of a cut was the drill on its way out, then."""
        loads = [self._alone.sag_below(heard) for _, heard in self._pending]
        known = [load for load in loads if load == load]
        if not self._load.tells or len(known) < OUT_HOPS:
            return False
        return not self._load.stays(0.0, statistics.median(known), coming_out=False)

    # ---- block by block -----------------------------------------------------------------------------

    def _observe(self, heard: Heard, t: float) -> None:
        good, alone = self.good, self._alone
        if good is None:
            self._take_first(heard)
            return
        good.note_alone(alone)
        if self._sum.value < self._sum.threshold / 2 and were_none(good, alone, self._load):
            self._begin_anew()
            return
        other = covers(heard, good)
        self._others = self._others + 1 if other else max(self._others - 1, 0)
        if other:
            if self._others >= OTHER_BLOCKS and alone.loudest_db() < good.idle_db + OTHER_IDLE_DB:
                self._begin_anew()
            return
        if max(heard.upper_db, heard.lower_db) < alone.loudest_db() - OTHER_IDLE_DB:
            return  # quieter than the machine alone: a sound that covered it has gone, and the cut with it
        if self._blank > good.blank and len(self._fresh) < FRESH_BLOCKS:
            self._fresh.append(heard)
            if len(self._fresh) == FRESH_BLOCKS:
                self._take_fresh(good, t)
            return
        signs = self._signs(heard, good)
        if alone.known and good.share(heard, alone.mean()) > SILENT and heard.sag == heard.sag:
            self._load.heard = alone.sag_below(heard)
        self._decide(self._usual.z(signs), heard, good)
        if self._sum.value > 0.5 * self._hold_at:
            self._doubt(heard, good, t)
            return
        self._usual.step(signs)
        good.step(heard, alone)
        if heard.sag == heard.sag:
            self._load.good.step(alone.sag_below(heard))

    def _take_first(self, heard: Heard) -> None:
        """One of the blocks that are taken for good."""
        if self._load.tells and (heard.sag != heard.sag or not self._stays(heard)):
            return  # no cut, as far as is known
        self._first.append(heard)
        if len(self._first) == FIRST_BLOCKS:
            known = [load for load in map(self._alone.sag_below, self._first) if load == load]
            self._load.good = normal_of(known or [self._load.usual], LEAST_GRIP)
            self.good = good_cuts(self._first, self._alone, self._blank)

    def _begin_anew(self) -> None:
        """Forget what was taken for good cuts."""
        self.good = None
        self._first.clear()
        self._fresh.clear()
        self._sum.clear()
        self._unanswered, self._answered = [], True  # held against what is forgotten
        self._others = 0

    def _signs(self, heard: Heard, good: GoodCuts) -> float:
        return signs_of(heard, good, self._alone, self._load, later=self._blank > good.blank)

    def _decide(self, z: float, heard: Heard, good: GoodCuts) -> None:
        """Add to the sum what a block tells, where it loads as a cut does."""
        loaded = self._loaded(heard, good)
        if heard.strength >= 1 or (loaded and self._unloaded < ANSWER_BLOCKS):
            self._unloaded = 0
        elif not loaded and self._load.tells and heard.sag == heard.sag:
            self._unloaded += 1
        if self._unloaded >= ANSWER_BLOCKS:
            self._unanswered, self._answered = [], True
        elif loaded:
            before = self._unanswered if z > DRIFT else []
            for each in (*before, z):  # what the load answers late was cut all the same
                self._sum.step(self._bounded(each))
            self._unanswered, self._answered = [], True
            most = UNHEARD_MOST if self._only_unheard or heard.sag != heard.sag else 2.0
            self._sum.value = min(self._sum.value, most * self._hold_at)
        elif self._answered or z <= DRIFT or len(self._unanswered) == ANSWER_BLOCKS:
            self._unanswered, self._answered = [], True
        else:
            self._unanswered.append(z)

    def _bounded(self, z: float) -> float:
        """What one block may tell at most."""
        return min(z, DRIFT + self._sum.threshold / LEAST_BLOCKS)

    def _loaded(self, heard: Heard, good: GoodCuts) -> bool:
        if heard.sag != heard.sag or not self._load.tells:  # only its sound tells that it goes on
            return heard.strength >= STILL_CUTS and still_sounds(heard, good, self._alone)
        return self._stays(heard)

    def _stays(self, heard: Heard) -> bool:
        """Whether the load is that of a cut, where its absence would tell."""
        coming_out = heard.deep > 1 - self.point_mm / self.hole_mm
        return self._load.stays(heard.sag, self._alone.sag_below(heard), coming_out)

    def _doubt(self, heard: Heard, good: GoodCuts, t: float) -> None:
        """What may be of softened work teaches nothing."""
        self._quieter_db = good.upper.location - heard.upper_db
        self._since_s = t - self._sum.steps * BLOCK_HOPS * HOP_S
        good.reject()
        self._load.good.reject()
        self._usual.reject()

    def _take_fresh(self, good: GoodCuts, t: float) -> None:
        """The room is followed, unless the work has softened already."""
        alone, load = self._alone, self._load
        signs = [self._usual.z(self._signs(heard, good)) for heard in self._fresh]
        # a room, or a microphone that was moved, takes the machine's own lines along: no cut is silent for it
        silences = (silent(heard, good, alone, load, later=True) for heard in self._fresh)
        early = t - self._contact_s <= FRESH_S and min(silences) < 0
        if early or min(signs) < FRESH_SOFT:
            good.follow_the_room(self._fresh)
            return
        for z, heard in zip(signs, self._fresh, strict=True):
            if self._loaded(heard, good):
                self._sum.step(self._bounded(z))
                self._quieter_db = good.upper.location - heard.upper_db
        if self._sum.value > 0.5 * self._hold_at:
            self._since_s = t - self._sum.steps * BLOCK_HOPS * HOP_S

    def _finding(self) -> Finding:
        hold = self._sum.value >= self._hold_at and self._load.tells
        limit = self._hold_at if hold else self._sum.threshold
        what = (
            "Retract, clear the drill and let it cool."
            if hold
            else "Watch it, or feed on and lift more often."
        )
        message = (
            f"The chips crackle less and the cut is {self._quieter_db:.0f} dB quieter than good cuts, "
            f"while the load stays: the work softens. {what}"
        )
        severity = Severity.HOLD if hold else Severity.WARNING
        return Finding(Kind.MELTING, severity, message, self._sum.value, limit, "", self._since_s)
