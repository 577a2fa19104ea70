"""`melting`: the work softens round the drill, which then rubs and grips instead of cutting.

Physical reason: a cut turns most of its work into heat. Heating a whole chip of acrylic from room temperature
to its softening takes some 140 J per cubic centimetre (see `softening_energy`), which is about what cutting
it takes: chips that stay in the hole soften. They then no longer break, so that their crackle dies, the
hiss of the cut fades with it, and the load stays or rises because soft walls grip. Stick and slip on the
walls may squeal.

Each of these signs alone is harmless. A sharper drill is quieter, but its chips crackle as before relative
to its own level. Rain, an air gun or a compressor bury the crackle, but they are loud. A microphone's gain
changes the level, and neither crackle nor colour. A radio sings, but leaves the cut as loud, and was mostly
heard before contact. A drill that breaks through, or is drawn out, falls silent, but its load goes too. So
three signs must agree, in deviations from good cuts: less hiss in the upper half of the spectrum; a duller
cut, since rubbing is low; less crackle, or a squeal. And the load must stay. Their sum, as far as they
agree, is the observation of a cumulative sum (`monitor.signal.cusum`). Materials that do not soften are not
judged. A bearing or a mesh may crackle as the chips do: where the machine alone is as impulsive as its good
cuts, dying chips leave no trace in the crackle, and the other two signs decide once a blank was heard.

Where a blank was heard whole, another witness needs neither colour nor crackle, which a room or the machine
may cover: a cut that is much quieter than cuts were at that depth, and loads the spindle clearly more. What
is cut is heard; what only rubs takes the work and is not. Depth alone muffles and loads too, so both are
judged against their course over it (`monitor.signal.course`). And what rubs is low: a cut whose hiss fades
while its low sound grows over that of good cuts is neither muffled nor farther from the microphone, which
take both, and needs no more load than usual. Nor does a cut that is not heard any more: what cuts is heard,
and of a sound that is the machine's alone neither colour nor crackle tells of the chips. It is told by what
is left of its own hiss, over the machine's. In a first blank, whose depth may muffle a cut, it must not sound
like cutting at all.

A cut that is merely quieter, as when the hole muffles it, lets the machine through, which is mostly low: it
seems duller without being so. So dull is only what is duller than the machine plus a good cut as faint as the
one heard. Where the machine covers the low sound of the cut, dullness cannot be told, and nothing is held.
A fresh blank has not softened when the drill has just entered: what has changed by then is the room, and what
is normal follows it.

Other sound only adds. So the machine alone is the middle of what is heard between cuts, which a sound that
came or went meanwhile leaves; a cut that is quieter than it shows that such a sound has gone; and one that
was as loud before it loaded the spindle was covered by one, and tells nothing of good cuts. A microphone
that is turned down takes the machine's own lines along: then less hiss is none of the cut's. And what adds
low sound does not cover that the hiss has gone.

What counts is between contact and the end of the peck that the program plans: another sound that begins or
goes on outside of it may sound like a cut, and like a soft one. A soft cut may be quieter than the machine:
its load tells then that it goes on, and, once the drill was drawn out and loads again, that the next peck has
begun. Load is what the spindle slows over its free running just before, slower
or faster than the reference, which follows a machine that drifts; and it is judged by that of good cuts,
reckoned the same way, where that is less than the usual sag.
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from monitor.faults.episode import Finding
from monitor.hop import Hop
from monitor.measurements import Kind, Severity
from monitor.pecks.cycle import Cycle
from monitor.signal.course import Course, Place
from monitor.signal.cusum import Cusum, Normal, threshold_for
from monitor.signal.frames import HOP_S
from monitor.spindle import TURNING, Rotation
from monitor.work import Work

BLOCK_HOPS = 5
"""Hops to an observation, a quarter second: some dozens of chips, and more than a turn at 300 rpm."""

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

END_S = 0.15
"""Before the end of a cut as dated afterwards: a frame, and the dating."""

ONSET_HOPS = 12
"""Kept from before a cut is known: a quiet one is known after half a second."""

LOAD_STAYS = 0.5
"""Share of this batch's usual load that is load: half way to none, which a drill that is out has."""

OUT_LOAD_STAYS = 0.75
"""The same where the point may come out of the far side: cut and load fade there together, while what softens
keeps its load."""

LEAST_USUAL = 0.5
"""Share of the usual load down to which the load over the free running just before is believed to be less: a
free speed that falls from cut to cut adds to the sag from the reference, which follows it between cuts."""

LOAD_MOST = 4.0
"""Times the usual load: no soft wall grips so hard (judged), and a spindle that slows by more runs down, or
jams, which `sag` and `stall` tell."""

LOAD_TELLS = 0.002
"""Sag, as a fraction, of usual cuts from which on its absence means anything: machines wander by some per
mille. Where the load does not tell, nothing is held for its sake: a warning is all."""

LONGER_S = 0.1
"""What sounds like a cut for longer than the program's peck is something else: give or take the dating of
contact."""

STILL_CUTS = 0.6
"""Strength of the cutting sound that is at least to be heard where the load cannot tell: where the cutting
decision itself lets go."""

STILL_RUBS = 0.5
"""Share of a good cut's own low sound that a cut without hiss has at least, to be heard as one."""

AGREE = 1.75
"""Deviations by which a sign may exceed the least one and still count. One that stays away vetoes: two of
this size, over `SIGNS_SD`, are less than `DRIFT`."""

SIGNS_MEAN, SIGNS_SD = 0.0, 2.5
"""Mean and deviation of the sum in good work before it was heard, and the deviation at least: of three normal
ones that go together by 0.6 (they share the same chips) 2.6, less what those that disagree leave out."""

LEAST_FALL = 0.13
"""Of the crackle's cube root, to a deviation at least: only crackle more than halved counts for much."""

CRACKLE_TELLS = 1.75
"""Deviations that crackle is over the machine's alone, where its absence can be told: as far as it may stay
behind the others and still let them count, `AGREE`."""

LOUDER_DB = 6.0
"""Over good cuts: another sound covers the cut, and nothing of it is heard."""

FIRST_BLANK = 1.5
"""Times the spread of hiss and dullness, until a whole blank was heard: cuts are muffled as they go deeper,
and how much is not known before. Crackle and squeal are told by their course in time, which muffling
leaves."""

IDLE_HOPS = 40
"""Newest hops outside of cuts whose mean tells what the machine sounds like alone: two seconds."""

IDLE_AFTER_S = 0.3
"""After a cut as dated: a frame, its dating and the room's echo."""

LEAST_CUT = 0.05
"""Share of a good cut's sound that is its own, at least: less is lost in the machine's."""

FRESH_BLOCKS = 2
"""A later blank's first blocks, half a second, tell the room and are not judged."""

FRESH_DIFFERS = 3.0
"""Deviations by which they must lie under what was normal to move it: less is chance, or the blank."""

FRESH_S, FRESH_SOFT = 1.0, 2 * DRIFT
"""A large drill at a low speed takes seconds until its point is in, and the work may have softened by then:
later than this after contact, what is by so much like softened work in each of them, by all signs, is no
room."""

MUFFLED_DB = 6.0
"""By which a good cut's hiss may change over the whole hole, before cuts have shown how much: to a quarter of
its power (judged)."""

LEAST_GRIP = 0.001
"""Sag, as a fraction: what machines wander by at least, so that less says nothing of the load."""

CLEARLY, LESS_CLEARLY = 1.5, 1.0
"""Deviations by which a cut must be quieter, and heavier, where no other sign is asked for: each by itself
comes by chance in one block of fifteen, both together in one of two hundred; and where it is as clearly
duller, which rubbing is, so that three signs agree. Good pecks deviate for as long as they last, and later
blanks load more than a first one whose load was hardly known: at one deviation a peck in six of such a
blank seemed soft."""

NO_MORE = 1.0
"""Deviations over that of good cuts up to which crackle is no more than theirs."""

PECKS_DB, PECKS_LOAD = 1.5, 0.15
"""By which one good peck differs from another of its depth for as long as it lasts, in dB of its sound and as
a share of its load: a deviation, beside the scatter within a peck (judged)."""

COLOUR_DB, PECKS_COLOUR_DB = 3.0, 1.0
"""By which the colour of a good cut may change over the whole hole before cuts have shown how much, half of
what its hiss may since low sound is muffled too; and from one peck to another (judged)."""

RUBS_QUIETER, RUBS_LOWER = 1.5, 0.5
"""Deviations by which hiss must be less than at that depth, and low sound more than in good cuts, where no
heavier load is asked for: a rumble that begins elsewhere adds low sound only, which leaves it the chance of
one block in fifteen that the hiss is so much less by itself."""

SILENT = 0.05
"""Share of a good cut's hiss down to which a cut is not heard any more: 13 dB, which is twice what a hole
muffles it by (judged)."""

FAINT = 0.1
"""The same where it does not sound like cutting either, which is what `monitor.cutting` says of it: 10 dB."""

SILENT_SURE = 3.0
"""Deviations by which its hiss must then be less than at that depth, where no other sign is asked for."""

SILENT_LOAD, SILENT_LOAD_SDS = 0.75, 2.0
"""Share of the usual load, and of that when the cut was last heard, that it must have: nearly all, since a
spindle wins its speed back only after the drill was drawn out, and takes its time then; and how many
deviations the usual load must be, to tell that."""

UNHEARD_HOPS = 10
"""Half a second, of which the mean load tells a peck that is not heard: a speed wavers from hop to hop."""

UNHEARD_MOST = 0.99
"""Of what holds, where only a peck that is not heard tells, and none before it had faded: a dial that is
turned down between two pecks is as silent and as slow. That is a warning."""

WANDER_SDS = 4.0
"""Deviations of the free running speed that such a load is at least. A machine between pecks is as silent, so
that only the load tells these apart: it wanders by so much in one of some ten thousand pauses."""

SAME_LINES_DB = 4.0
"""What the machine's own lines may have lost since it ran free: they waver by 2 dB as load and pose change,
twice that. A microphone that was turned down takes them along with the cut."""

FREE_LINES_DB = 3.0
"""What they may have lost, running free, since good cuts were heard: the same waver of 2 dB, halved by the
two seconds of which each is the mean, and three of its deviations. More was lost by the microphone."""

KEPT_PECKS = 3
"""Or another sound has gone that was heard with the lines, where so many pecks running, each after a pause
that is quieter by more, have lost less than half of that. Pecks differ by 1.5 dB: of a microphone that was
turned down by as little as 4 dB, one in ten is so loud, and so many running 1 in 1000."""

UNDER_DB, UNDER_SDS = 1.0, 4.0
"""A cut adds sound: what is quieter than the machine alone by so much, and by so many deviations of a block,
shows that a sound has gone which was taken for the machine's, and not that the cut is silent."""

UNANSWERED = 0.25
"""Share of the usual load that a drill which has cut for a quarter second surely exceeds, whatever the
motor's answer (0.1 to 0.4 s): what was as loud without it is another sound."""

OTHER_BLOCKS, OTHER_IDLE_DB = 16, 3.0
"""So many more blocks of cutting, four seconds, that are louder than good ones than such that are not, while
the machine running free is no louder than it was, by this: what was taken for good cuts were none. Nor was
the cut what was heard of them where the hiss of the machine running free has become quieter by as much since:
what went with it was another sound, or the microphone was turned down. Softened work leaves it as it was."""

FREE_DIFFERS = 0.015
"""Sag, as a fraction, by which the speed just before may differ from the reference: machines wander by less,
and more is another commanded speed."""

FORGETS_DB = 0.5
"""Per second: a squeal is no tone that was heard before the cut, as far as it is remembered."""

ANSWER_BLOCKS = 4
"""A second: until then a motor may not have answered to a cut with all of its load. What sounded soft from
contact on counts once the load is there, if the cut still sounds so."""

LEAST_BLOCKS = 2
"""Blocks that decide at least, however clear they are: longer than a syllable or a blow."""

FIRST_BLOCKS = 4
"""What the first second of cutting is like is taken for good, and nothing is judged before: rooms,
microphones and machines differ by more than a good cut from a soft one."""

ALIKE = 2.0
"""Blocks of good cutting worth one independent: what is normal is known so well only."""

# deviations at least: cube root of crackle, and dB. Pecks differ by a decibel by themselves, all
# bands together; a tone of a thousand bins by two.
_LEAST = (0.08, 1.0, 0.7, 2.0)
_MEDIAN_ABSOLUTE = 0.6745  # of a normal variable: median absolute deviation over the standard one
_MEMORY = 500  # blocks: two minutes of cutting
_LAG = 8  # blocks: what is learned is two seconds old, so that a fault is told before it becomes normal


def softening_energy(softens_c: float, from_c: float, heat_j_per_g_k: float, density_g_cm3: float) -> float:
    """Energy that brings a volume of chips to its softening, J/cm^3, the same as N/mm^2 of specific force.

    Examples
    --------
    >>> round(softening_energy(110, 20, 1.35, 1.19))
    145
    """
    return heat_j_per_g_k * density_g_cm3 * (softens_c - from_c)


class _Heard(NamedTuple):
    """A hop, or the mean of a block of them; ``tilt_db``: the upper half over the lower quarter."""

    crackle: float
    upper_db: float
    tilt_db: float
    tone_db: float
    sag: float
    strength: float
    deep: float
    into: float
    line_db: float
    spindle_hz: float

    @property
    def lower_db(self) -> float:
        """The lower quarter of the spectrum."""
        return self.upper_db - self.tilt_db

    @property
    def place(self) -> Place:
        """Where along the hole."""
        return self.deep, self.into


@dataclass(slots=True)
class MeltingRule:
    """One `step` a hop; ``softens``: whether the material of the job does at all; ``point_mm``: height of the
    drill's point; ``feed_mm_s``: rate of the feed; ``hole_mm``: depth of the hole."""

    softens: bool
    point_mm: float
    feed_mm_s: float
    hole_mm: float
    _first: list[_Heard] = field(default_factory=list)
    _good: list[Normal] = field(default_factory=list)
    _hiss: Course = field(default_factory=lambda: Course(0.0, 1.0, MUFFLED_DB))
    _own: Course = field(default_factory=lambda: Course(0.0, 1.0, MUFFLED_DB))
    _colour: Course = field(default_factory=lambda: Course(0.0, 1.0, COLOUR_DB))
    _grip: Course = field(default_factory=lambda: Course(0.0, 1.0, 1.0))
    _usual: Normal = field(default_factory=lambda: Normal(SIGNS_MEAN, SIGNS_SD, 40, _MEMORY, _LAG, SIGNS_SD))
    _sum: Cusum = field(
        default_factory=lambda: Cusum(DRIFT, threshold_for(WARNING_EVERY_S / (BLOCK_HOPS * HOP_S), DRIFT))
    )
    _hold_at: float = field(default_factory=lambda: threshold_for(HOLD_EVERY_S / (BLOCK_HOPS * HOP_S), DRIFT))
    _pending: deque[tuple[float, _Heard]] = field(default_factory=deque)
    _block: list[_Heard] = field(default_factory=list)
    _idle: deque[_Heard] = field(default_factory=lambda: deque(maxlen=IDLE_HOPS))
    _idle_mean: _Heard | None = None
    _idle_sd_db: float = 0.0
    _fresh: list[_Heard] = field(default_factory=list)
    _contact_s: float = math.nan
    _blank: int = 0
    _first_blank: int = 0
    _cuts: bool = False
    _until_s: float = math.inf
    _outside_db: float = -math.inf
    _usual_sag: float = math.nan
    _low: Normal = field(default_factory=lambda: Normal(0.0, _LEAST[2]))
    _load: Normal = field(default_factory=lambda: Normal(math.inf, LEAST_GRIP))
    _free_lines: Normal | None = None
    _free_low: Normal | None = None
    _before_db: float = math.nan  # hiss of good cuts, up to when the lines running free became quieter
    _kept_pecks: int = 0
    _peck_db: list[float] = field(default_factory=list)
    _pause: _Heard | None = None
    _since_s: float = math.nan
    _quieter_db: float = 0.0
    _others: int = 0
    _idle_db: float = math.nan
    _idle_hiss_db: float = math.nan
    _first_sag: float = math.nan
    _first_blocks: list[tuple[float, float]] = field(default_factory=list)
    _heard_load: float = 0.0
    _loads: deque[float] = field(default_factory=lambda: deque(maxlen=UNHEARD_HOPS))
    _wander: Normal = field(default_factory=lambda: Normal(0.0, LEAST_GRIP, least=LEAST_GRIP))
    _unheard_s: float = math.nan
    _drawn_out: bool = False
    _only_unheard: bool = False
    _unanswered: list[float] = field(default_factory=list)
    _answered: bool = False

    def step(self, hop: Hop, rotation: Rotation, work: Work, cycle: Cycle) -> Finding | None:
        """Finding while the drill rubs in softened work, as judged in the present cut."""
        if not self.softens:
            return None
        if cycle.blank != self._blank:
            self._blank = cycle.blank
            self._block.clear()
            self._sum.clear()
            self._fresh.clear()
            self._contact_s = math.nan
        if hop.deaf or rotation.state is not TURNING or not rotation.settled or work.spotting:
            self._pending.clear()
            self._loads.clear()
            self._cuts = False
            # a load that comes suddenly unsettles the speed too
            self._drawn_out = self._drawn_out and rotation.state is TURNING and not work.spotting
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
        heard = tuple.__new__(_Heard, signs)  # in half the time of the class's own
        self._usual_sag = work.cut_sag
        self._pending.append((hop.t, heard))
        over = work.contact_s != work.contact_s
        unheard = self._unheard_s == self._unheard_s
        if work.in_cut or (not unheard and self._goes_on(hop, rotation)):
            self._loads.clear()
            self._unheard_s, self._drawn_out = math.nan, False
            if self._only_unheard:
                self._sum.clear()  # a drill that is heard to cut was another speed before
            unheard = self._only_unheard = False
            sounds = not over
        else:
            self._loads.append(self._over_free(heard))
            began, unheard = not unheard, self._loads_unheard(hop, over, cycle)
            if unheard and began:
                self._only_unheard = self._sum.value < 0.5 * self._sum.threshold
            sounds = False
        if not (sounds or unheard):
            if not hop.t < work.end_s + IDLE_AFTER_S:
                self._idle.append(heard)
                self._idle_mean = None
                load = self._loads[-1] if self._loads else self._over_free(heard)
                if load == load:
                    self._wander.step(load)
                if load < SILENT_LOAD * self._usual_sag:
                    self._heard_load = 0.0  # the drill is out, and its load has gone
            forgotten_db = self._outside_db - FORGETS_DB * hop.step_s
            self._outside_db = forgotten_db if forgotten_db > hop.chatter_db else hop.chatter_db
            if self._cuts:
                tail_s = hop.t - TAIL_HOPS * hop.step_s if work.in_cut else work.end_s - END_S
                self._take(min(tail_s, self._until_s))
            while len(self._pending) > ONSET_HOPS:
                self._pending.popleft()
            ended, self._cuts = self._cuts, False
            found = self._finding() if ended and self._sum.value >= self._sum.threshold else None
            if not cycle.in_blank:
                self._sum.clear()  # the next cut is another blank's
            return found
        if not self._cuts:
            self._unanswered, self._answered = [], False
        self._cuts = True
        if self._contact_s != self._contact_s:
            self._contact_s = work.cut_s
        begun_s = self._unheard_s if unheard else work.cut_s
        entered_s = begun_s + ENTRY_S + ENTRY_MM / self.feed_mm_s
        while self._pending and self._pending[0][0] < entered_s:
            self._pending.popleft()
        # of a cut that is not heard any more the depth is not followed, though it goes on
        fed_mm = 0.0 if work.in_cut else (hop.t - begun_s) * self.feed_mm_s
        if cycle.in_blank and not unheard and max(work.depth_mm, fed_mm) < self.point_mm:
            self._pending.clear()
        self._until_s = begun_s + self._planned_s(cycle) + LONGER_S
        in_it = cycle.schedule.learned and hop.t <= self._until_s - LONGER_S - END_S
        tail_s = hop.t if in_it else hop.t - TAIL_HOPS * hop.step_s
        self._take(tail_s if tail_s < self._until_s else self._until_s)
        return self._finding() if self._sum.value >= self._sum.threshold else None

    def _goes_on(self, hop: Hop, rotation: Rotation) -> bool:
        """Whether a cut that is not heard any more still loads the spindle, before its peck is over."""
        in_peck = self._cuts and hop.t <= self._until_s
        return in_peck and self._load_tells and rotation.sag >= LOAD_STAYS * self._usual_sag

    def _planned_s(self, cycle: Cycle) -> float:
        return cycle.schedule.length_mm(cycle.peck - 1 if cycle.peck else 0) / self.feed_mm_s

    def _loads_unheard(self, hop: Hop, over: bool, cycle: Cycle) -> bool:
        """Whether the spindle is loaded as in cuts where none is heard, since the drill left a hole that is
        not through: what rubs makes no sound. Not for longer than a peck: a speed may change."""
        may = cycle.in_blank and not over and self._good
        if not (may and len(self._loads) == UNHEARD_HOPS):
            self._unheard_s = math.nan
            return False
        known = [load for load in self._loads if load == load]
        if 2 * len(known) < UNHEARD_HOPS:
            self._unheard_s = math.nan
            return False
        usual, mean = self._usual_sag, sum(known) / len(known)
        if not mean >= LOAD_STAYS * usual:
            self._drawn_out, self._unheard_s = True, math.nan
            return False
        if self._unheard_s != self._unheard_s:
            # a spindle that is switched off falls by more, and goes on falling
            steady = mean <= LOAD_MOST * usual and known[-1] - known[0] < usual
            least = max(SILENT_LOAD * usual, WANDER_SDS * self._wander.spread)
            if not (self._drawn_out and self._load_tells and steady and mean >= least):
                return False
            self._drawn_out = False
            self._unheard_s = hop.t - UNHEARD_HOPS * hop.step_s
        return hop.t <= self._unheard_s + self._planned_s(cycle)

    def _take(self, until_s: float) -> None:
        """Hops up to a time are known to be of the cut."""
        while self._pending and self._pending[0][0] <= until_s:
            t, heard = self._pending.popleft()
            self._block.append(heard)
            if len(self._block) == BLOCK_HOPS:
                self._observe(_mean(self._block), t)
                self._block.clear()

    def _observe(self, heard: _Heard, t: float) -> None:
        if not self._good:
            if self._load_tells and (heard.sag != heard.sag or not self._loaded(heard)):
                return  # no cut, as far as is known
            self._first.append(heard)
            if len(self._first) == FIRST_BLOCKS:
                self._first_blank = self._blank
                self._idle_db = self._idle_hiss_db = math.nan
                known = [over for over in map(self._over_free, self._first) if over == over]
                # by either reckoning: what is usual is reckoned from the reference
                loads = [max(self._over_free(one), one.sag) for one in self._first if one.sag == one.sag]
                self._first_sag = statistics.median(loads) if loads else math.nan
                hisses = [one.upper_db for one in self._first if one.sag == one.sag]
                self._first_blocks = list(zip(loads, hisses, strict=True))
                columns = zip(*self._first, strict=True)
                self._good = [_normal(*pair) for pair in zip(columns, _LEAST, strict=False)]
                uppers = [one.upper_db for one in self._first]
                sags = [one.sag for one in self._first if one.sag == one.sag] or [0.0]
                start, least = statistics.fmean(uppers), _LEAST[1]
                self._hiss = Course(start, self._good[1].spread, MUFFLED_DB, least, ALIKE, _MEMORY, _LAG)
                owns = [self._own_db(one) for one in self._first]
                start, spread = statistics.fmean(owns), _normal(owns, least).spread
                self._own = Course(start, spread, MUFFLED_DB, least, ALIKE, _MEMORY, _LAG)
                start, least = self._good[2].location, _LEAST[2]
                self._colour = Course(start, self._good[2].spread, COLOUR_DB, least, ALIKE, _MEMORY, _LAG)
                start, least = statistics.fmean(sags), LEAST_GRIP
                self._grip = Course(
                    start, max(0.2 * start, least), max(start, least), least, ALIKE, _MEMORY, _LAG
                )
                self._low = _normal([one.lower_db for one in self._first], _LEAST[2])
                self._load = _normal(known or [self._usual_sag], LEAST_GRIP)
                self._free_lines = self._free_low = None
            return
        if self._idle_db != self._idle_db and self._idle:
            self._idle_db, self._idle_hiss_db = self._alone_db(), self._alone().upper_db
        if self._sum.value < self._sum.threshold / 2 and self._good_were_none():
            self._begin_anew()
            return
        upper = self._good[1]
        louder = heard.upper_db - upper.location > LOUDER_DB
        if self._low_louder(heard):  # a sound that covers the cut takes nothing from its hiss
            louder = louder or -self._hiss.z(heard.upper_db, heard.place, PECKS_DB) < CLEARLY
        self._others = self._others + 1 if louder else max(self._others - 1, 0)
        if louder:
            if self._others >= OTHER_BLOCKS and self._alone_db() < self._idle_db + OTHER_IDLE_DB:
                self._begin_anew()
            return
        loudest_db = max(heard.upper_db, heard.lower_db)
        if loudest_db < self._alone_db() - OTHER_IDLE_DB:
            return  # quieter than the machine alone: a sound that covered it has gone, and the cut with it
        if self._blank > self._first_blank and len(self._fresh) < FRESH_BLOCKS:
            self._fresh.append(heard)
            if len(self._fresh) == FRESH_BLOCKS:
                self._take_fresh(t)
            return
        signs = self._signs(heard)
        if self._idle and self._share(heard, self._alone()) > SILENT and heard.sag == heard.sag:
            self._heard_load = self._over_free(heard)
        z = self._usual.z(signs)
        if self._loaded(heard):
            most_z = DRIFT + self._sum.threshold / LEAST_BLOCKS
            before = self._unanswered if z > DRIFT else []
            for each in (*before, z):  # what the load answers late was cut all the same
                self._sum.step(min(each, most_z))
            self._unanswered, self._answered = [], True
            most = UNHEARD_MOST if self._only_unheard or heard.sag != heard.sag else 2.0
            self._sum.value = min(self._sum.value, most * self._hold_at)
        elif self._answered or z <= DRIFT or len(self._unanswered) == ANSWER_BLOCKS:
            self._unanswered, self._answered = [], True
        else:
            self._unanswered.append(z)
        if self._sum.value > 0.5 * self._hold_at:
            self._quieter_db = upper.location - heard.upper_db
            self._since_s = t - self._sum.steps * BLOCK_HOPS * HOP_S
            for normal in (*self._good, self._low, self._load, self._usual):
                normal.reject()
            self._hiss.reject()
            self._own.reject()
            self._colour.reject()
            self._grip.reject()
            return
        self._usual.step(signs)
        for normal, value in zip(self._good, heard, strict=False):
            if value == value:
                normal.step(value)
        self._low.step(heard.lower_db)
        self._learn_free(heard)
        self._hiss.step(heard.upper_db, heard.place)
        self._own.step(self._own_db(heard), heard.place)
        self._colour.step(heard.tilt_db, heard.place)
        if heard.sag == heard.sag:
            self._grip.step(heard.sag, heard.place)
            self._load.step(self._over_free(heard))

    @property
    def _load_tells(self) -> bool:
        return self._usual_sag >= LOAD_TELLS

    def _loaded(self, heard: _Heard) -> bool:
        if heard.sag != heard.sag or not self._load_tells:  # only its sound tells that it goes on
            return heard.strength >= STILL_CUTS and self._still_sounds(heard)
        coming_out = heard.deep > 1 - self.point_mm / self.hole_mm
        stays = OUT_LOAD_STAYS if coming_out else LOAD_STAYS
        usual = self._usual_sag
        least = stays * min(usual, max(self._load.location, LEAST_USUAL * usual))
        return least <= self._over_free(heard) and heard.sag <= LOAD_MOST * usual

    def _still_sounds(self, heard: _Heard) -> bool:
        """Whether hiss of a cut is heard over the machine, or most of its low sound, which rubbing keeps."""
        if not self._idle or self._share(heard, self._alone()) > SILENT:
            return True
        idle = self._alone()
        alone = _power(idle.lower_db)
        own = _power(self._low.location) - alone
        return own > 0 and _power(heard.lower_db) - alone > STILL_RUBS * own

    def _over_free(self, heard: _Heard) -> float:
        """Sag from the speed of the machine running free just before, where that was known."""
        free_hz = self._alone().spindle_hz if self._idle else math.nan
        sag = 1 - heard.spindle_hz / free_hz
        return sag if abs(sag - heard.sag) < FREE_DIFFERS else heard.sag

    def _good_were_none(self) -> bool:
        """Whether the first good cuts did not load the spindle, or a sound that covered them has gone.

        Those since must not have loaded it either: a free speed that was read wrong at first tells nothing
        against them.
        """
        least = LOAD_STAYS * self._usual_sag
        if self._load_tells and self._first_sag < least and not self._load.location >= least:
            return True
        if self._load_tells and self._first_heard_free():
            return True
        return bool(self._idle) and self._alone().upper_db < self._idle_hiss_db - OTHER_IDLE_DB

    def _first_heard_free(self) -> bool:
        """Whether the first good cuts were as loud just before they loaded the spindle: another sound covered
        them, and when it ends they are as silent as softened work."""
        least, most = LOAD_STAYS * self._usual_sag, UNANSWERED * self._usual_sag
        free = list(itertools.takewhile(lambda block: block[0] < most, self._first_blocks))
        loaded_db = [upper for load, upper in self._first_blocks if load >= least]
        return bool(free and loaded_db) and free[-1][1] > statistics.median(loaded_db) - OTHER_IDLE_DB

    def _begin_anew(self) -> None:
        """Forget what was taken for good cuts."""
        self._first.clear()
        self._good.clear()
        self._fresh.clear()
        self._sum.clear()
        self._unanswered, self._answered = [], True  # held against what is forgotten
        self._others = 0

    def _alone_db(self) -> float:
        """The loudest band of the machine running free, NaN where it was not heard."""
        idle = self._alone() if self._idle else None
        return max(idle.upper_db, idle.lower_db) if idle else math.nan

    def _alone(self) -> _Heard:
        """The machine running free, as lately heard."""
        if self._idle_mean is None:  # it is the same for all of a cut
            self._idle_mean, self._idle_sd_db = _machine(self._idle)
        return self._idle_mean

    def _signs(self, heard: _Heard) -> float:
        """Three signs that the work softens, added as far as they agree, in deviations from good cuts.

        Less hiss, a cut duller than a faint good one, and less crackle or a squeal that was not heard before
        the cut.
        """
        crackle, upper, tilt, tone = self._good
        # whether the low sound is more than expected, which scatters less than the colour
        duller_db = self._expected_tilt_db(heard) - heard.tilt_db
        colour_db = min(tilt.spread, self._low.spread)
        rubs = self._rubs(heard, duller_db / colour_db)
        quieter_db = upper.location - heard.upper_db
        if self._blank <= self._first_blank:  # its pecks tell of themselves, not of depth nor of other pecks
            hiss = quieter_db / (FIRST_BLANK * math.hypot(upper.spread, PECKS_DB))
            dull = duller_db / (FIRST_BLANK * math.hypot(colour_db, PECKS_COLOUR_DB))
        else:  # good cuts have shown what depth alone does
            hiss, dull = quieter_db / upper.spread, duller_db / colour_db
            hiss = min(hiss, -self._hiss.z(heard.upper_db, heard.place, PECKS_DB))
            dull = min(dull, -self._colour.z(heard.tilt_db, heard.place, PECKS_COLOUR_DB))
        steady = (crackle.location - heard.crackle) / max(crackle.spread, LEAST_FALL * crackle.location)
        squeal = (heard.tone_db - max(tone.location, self._outside_db)) / tone.spread
        known = math.sqrt(1 + ALIKE / (FIRST_BLOCKS + upper.n))
        if self._other_low(heard):
            told = _agreed(hiss, max(steady, squeal))  # it is dull for another sound
        else:
            told = _agreed(hiss, dull, max(steady, squeal))
            if self._covers_crackle(heard):
                told = max(told, 1.5 * _agreed(hiss, dull))
        told /= known
        return max(told, self._gripped(heard), rubs, self._silent(heard))

    def _covers_crackle(self, heard: _Heard) -> bool:
        """Whether the machine alone crackles as good cuts do, so that a cut without chips sounds no smoother.

        Two signs then count as three, once a whole blank has shown what depth does to them, where it crackles
        no more than good cuts, and where the lines say that the microphone was not turned down.
        """
        if self._blank <= self._first_blank or not self._idle:
            return False
        crackle, idle = self._good[0], self._alone()
        least = max(crackle.spread, LEAST_FALL * crackle.location)
        no_more = heard.crackle <= crackle.location + NO_MORE * least
        return self._same_gain(heard) and no_more and crackle.location - idle.crackle < CRACKLE_TELLS * least

    def _rubs(self, heard: _Heard, dull: float) -> float:
        """Less hiss and more low sound than good cuts have, and no more crackle; two signs count as three."""
        if not self._load_tells or heard.crackle > self._good[0].location or self._other_low(heard):
            return -math.inf
        quieter = -self._hiss.z(heard.upper_db, heard.place, PECKS_DB)
        lower = (heard.lower_db - self._low.location) / self._low.spread
        if quieter < RUBS_QUIETER or lower < RUBS_LOWER:
            return -math.inf
        duller = min(dull, -self._colour.z(heard.tilt_db, heard.place, PECKS_COLOUR_DB))
        return 1.5 * _agreed(duller, lower)

    def _low_louder(self, heard: _Heard) -> bool:
        """Whether more is heard below than a good cut makes, by so much that another sound may be there."""
        _, upper, tilt, _ = self._good
        return heard.lower_db - (upper.location - tilt.location) > LOUDER_DB

    def _other_low(self, heard: _Heard) -> bool:
        """Whether the low sound may be another's: it is louder than cuts make it, or half of it is heard
        between cuts too, and was not when good ones were heard."""
        added = 0.0
        if self._idle and self._free_low is not None:
            added = _power(self._alone().lower_db) - _power(self._free_low.location)
        return self._low_louder(heard) or added > _power(heard.lower_db) / 2

    def _gripped(self, heard: _Heard) -> float:
        """Less hiss at more load than where the same depth was drilled before; two signs count as three."""
        if self._blank <= self._first_blank or not self._load_tells or heard.sag != heard.sag:
            return -math.inf
        if not self._same_gain(heard):
            return -math.inf
        quieter = -self._hiss.z(heard.upper_db, heard.place, PECKS_DB)
        besides = PECKS_LOAD * self._usual_sag
        harder = self._grip.z(heard.sag, heard.place, besides)
        load = min(heard.sag, self._over_free(heard))  # a free speed that wanders loads nothing
        over_usual = (load - self._usual_sag) / math.hypot(self._grip.spread, besides)
        heavier = min(harder, over_usual)
        duller = -self._colour.z(heard.tilt_db, heard.place, PECKS_COLOUR_DB)
        least = LESS_CLEARLY if duller >= CLEARLY else CLEARLY
        return 1.5 * _agreed(quieter, heavier) if min(quieter, heavier) >= least else -math.inf

    def _silent(self, heard: _Heard) -> float:
        """A cut that is not heard any more, and loads the spindle as before; the two count as three signs."""
        usual = self._usual_sag
        tells = self._load_tells and usual >= SILENT_LOAD_SDS * self._grip.spread
        sounds = heard.strength >= STILL_CUTS  # like a cut, which a first hole may muffle
        if not (tells and self._idle and (self._blank > self._first_blank or not sounds)):
            return -math.inf
        idle = self._alone()
        most = SILENT if sounds else FAINT
        if self._share(heard, idle) > most or not self._same_gain(heard):
            return -math.inf
        if not self._over_free(heard) >= SILENT_LOAD * max(usual, self._heard_load):
            return -math.inf
        # of the difference between the mean of a block and the median of what was heard of the machine
        sd_db = self._idle_sd_db * math.sqrt(1 / BLOCK_HOPS + math.pi / 2 / len(self._idle))
        least_db = max(UNDER_DB, UNDER_SDS * sd_db)
        if max(idle.upper_db - heard.upper_db, idle.lower_db - heard.lower_db) > least_db:
            return -math.inf  # a sound has gone that was taken for the machine's
        quieter = -self._own.z(self._own_db(heard), heard.place, PECKS_DB)
        return 3 * quieter if quieter >= SILENT_SURE else -math.inf

    def _same_gain(self, heard: _Heard) -> bool:
        """Whether the machine's own lines are as loud as before, in the cut and out of it."""
        if not self._idle:
            return True
        free_db, known = self._alone().line_db, self._free_lines
        same = known is None or free_db >= known.location - FREE_LINES_DB
        return same and heard.line_db >= free_db - SAME_LINES_DB

    def _cuts_kept(self, heard: _Heard, free: _Heard, known_db: float) -> bool:
        """Whether the lines running free have become quieter, and the good cuts since have not."""
        fell_db = known_db - free.line_db
        if fell_db <= FREE_LINES_DB:
            self._before_db, self._kept_pecks = self._good[1].location, 0
            self._peck_db.clear()
            return False
        if free is not self._pause:  # it is the same for all of a cut
            if len(self._peck_db) >= FIRST_BLOCKS:
                kept = statistics.fmean(self._peck_db) > self._before_db - fell_db / 2
                self._kept_pecks = self._kept_pecks + 1 if kept else 0
            self._peck_db.clear()
            self._pause = free
        self._peck_db.append(heard.upper_db)
        return self._kept_pecks >= KEPT_PECKS

    def _learn_free(self, heard: _Heard) -> None:
        """Follow how loud the machine is when it runs free, as long as good cuts are heard."""
        if not self._idle:
            return
        free = self._alone()
        lines = self._free_lines
        if lines is None or self._cuts_kept(heard, free, lines.location):
            self._free_lines = lines = Normal(free.line_db, SAME_LINES_DB / 2, FIRST_BLOCKS, _MEMORY)
            self._before_db, self._kept_pecks = self._good[1].location, 0
            self._peck_db.clear()
        if self._free_low is None:
            self._free_low = Normal(free.lower_db, _LEAST[2], FIRST_BLOCKS, _MEMORY)
        lines.step(free.line_db)
        self._free_low.step(free.lower_db)

    def _own_db(self, heard: _Heard) -> float:
        """Hiss of the cut less that of the machine, no less than `LEAST_CUT` of a good cut's."""
        good, idle = _power(self._good[1].location), 0.0
        if self._idle:
            idle_db = self._alone().upper_db  # what was louder for a while may have gone
            idle = _power(self._idle_hiss_db if idle_db > self._idle_hiss_db else idle_db)
        least = LEAST_CUT * max(good - idle, LEAST_CUT * good)
        return 10 * math.log10(max(_power(heard.upper_db) - idle, least))

    def _share(self, heard: _Heard, idle: _Heard) -> float:
        """What is left of a good cut's hiss, 0 to 1."""
        good_upper, idle_upper = _power(self._good[1].location), _power(idle.upper_db)
        cut_upper = max(good_upper - idle_upper, LEAST_CUT * good_upper)
        return min(max((_power(heard.upper_db) - idle_upper) / cut_upper, 0.0), 1.0)

    def _expected_tilt_db(self, heard: _Heard) -> float:
        """Colour of a good cut as faint as what is heard: the machine alone, plus a share of a good cut."""
        _, upper, tilt, _ = self._good
        if not self._idle:
            return tilt.location
        idle = self._alone()
        good_lower = _power(upper.location - tilt.location)
        idle_lower = min(_power(idle.lower_db), good_lower)
        lower = idle_lower + self._share(heard, idle) * (good_lower - idle_lower)
        return min(heard.upper_db - 10 * math.log10(lower), tilt.location)

    def _take_fresh(self, t: float) -> None:
        """The room is followed, unless the work has softened already."""
        signs = [self._usual.z(self._signs(heard)) for heard in self._fresh]
        # a room, or a microphone that was moved, takes the machine's own lines along: no cut is silent for it
        early = t - self._contact_s <= FRESH_S and min(map(self._silent, self._fresh)) < 0
        if early or min(signs) < FRESH_SOFT:
            self._follow_the_room()
            return
        for z, heard in zip(signs, self._fresh, strict=True):
            if self._loaded(heard):
                self._sum.step(min(z, DRIFT + self._sum.threshold / LEAST_BLOCKS))
                self._quieter_db = self._good[1].location - heard.upper_db
        if self._sum.value > 0.5 * self._hold_at:
            self._since_s = t - self._sum.steps * BLOCK_HOPS * HOP_S

    def _follow_the_room(self) -> None:
        """What is heard as a blank is entered, where it is clearly less than normal, is normal."""
        signs = [(heard.crackle, heard.upper_db, heard.tilt_db) for heard in self._fresh]
        for normal, values in zip(self._good, zip(*signs, strict=True), strict=False):
            middle = statistics.median(values)
            if normal.z(middle) < -FRESH_DIFFERS:
                if normal is self._good[1]:
                    self._hiss.start += middle - normal.location
                normal.location = middle

    def _finding(self) -> Finding:
        hold = self._sum.value >= self._hold_at and self._load_tells
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


def _agreed(*signs: float) -> float:
    """Sum of signs as far as they agree."""
    least = min(signs)
    return sum([min(sign, least + AGREE) for sign in signs])


def _power(db: float) -> float:
    return math.pow(10, db / 10)


def _mean(block: Sequence[_Heard]) -> _Heard:
    """Mean of a block; of crackle the cube root, which makes it normal (Wilson and Hilferty 1931)."""
    n = len(block)
    crackle, upper, tilt, tone, _, strength, deep, into, line, _ = (
        sum(signs) / n for signs in zip(*block, strict=True)
    )
    sags = [heard.sag for heard in block if heard.sag == heard.sag]
    sag = statistics.median(sags) if sags else math.nan
    speeds = [heard.spindle_hz for heard in block if heard.spindle_hz == heard.spindle_hz]
    speed_hz = statistics.median(speeds) if speeds else math.nan
    return _Heard(math.cbrt(max(crackle, 0.0)), upper, tilt, tone, sag, strength, deep, into, line, speed_hz)


def _machine(idle: Sequence[_Heard]) -> tuple[_Heard, float]:
    """Middle of what was heard with the drill out, since what came or went meanwhile was not the machine's,
    and the deviation of its hops, dB."""
    upper_db, upper_sd_db = _middle([one.upper_db for one in idle])
    lower_db, lower_sd_db = _middle([one.lower_db for one in idle])
    machine = _mean(idle)._replace(upper_db=upper_db, tilt_db=upper_db - lower_db)
    return machine, max(upper_sd_db, lower_sd_db)


def _middle(values: Sequence[float]) -> tuple[float, float]:
    """Median, and the deviation that the median absolute one tells of normal values."""
    middle = statistics.median(values)
    return middle, statistics.median([abs(value - middle) for value in values]) / _MEDIAN_ABSOLUTE


def _normal(values: Sequence[float], least: float) -> Normal:
    """Normal from a first few values: their median, and their deviation from the mean absolute one."""
    known = [value for value in values if value == value] or [0.0]
    middle = statistics.median(known)
    spread = math.sqrt(math.pi / 2) * sum([abs(value - middle) for value in known]) / len(known)
    return Normal(middle, max(spread, least), len(known), _MEMORY, _LAG, least)
