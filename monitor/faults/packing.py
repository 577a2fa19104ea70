"""`packing`: chips stay in the flutes and are pressed, so that the load climbs within pecks and over them.

Physical reason: below the depth to which the flutes reach out of the hole, chips leave only when the drill
does. (Above, they climb out along the flutes, where some get stuck in a hole of several diameters.) Those
that stay for the next peck fill the flutes sooner; pressed chips rub on the wall, and the torque that pushes
them out grows exponentially with depth beyond a critical one (Mellinger et al. 2002, J. Manuf. Sci. Eng.
124:605). So a peck is loaded more than like pecks were, the more the deeper it is.

What hides it is the machine's own wander. It is slow, so that speeds shortly after one another share it:
its variogram (mean square of the change over a lag; Matheron 1963, from memory) begins as that of the
baseline, in which far more of it is heard than in the seconds between two blanks, and is learned on while the
spindle runs free. In a cut, grain adds to it: that is learned where good pecks depart from what they cost in
the mean. (The first peck of a kind tells nothing of it, as its load builds up by a course not yet known: it
is held against that of the peck before, at the same times, and must climb by more than grain can make.
Good pecks climb a little and alike; held against an even load, each first one was warned of, in every blank.)
Against these, against what the speed may be off by, and against the free speed just before contact, the
amount of a load of the expected course is estimated by generalised least squares (Aitken 1935, from memory),
in deviations of its own estimate: the best that can be had linearly. What good pecks of the same
length, and those of the same place in the blank, cost is taken off before; they differ by a share of their
load, which is no packing.

What rubs is louder, too, and that is heard where the load is not: on regulated drives, on machines that
wander by as much, and in a cut so loud that it drowns the lines. How loud good pecks are, part by part, is
learned as their load is, and both are fitted with one course, though each by its own amount: the share of
the work that becomes sound is another on every machine. Sound alone needs two pecks, since another sound
seldom swells in both. In open flutes chips pack less often, and there the load must tell, and by more than
grain can.

The decision is a cumulative sum over the pecks of a blank (`monitor.signal.cusum`) whose newest term is the
peck under way, told by its end: until then grain and slips of the ear come and go.
A peck that came from no free spindle, or did not last as long as planned, is another one than
it was counted as, since other sound was taken for its edges: it tells nothing and teaches nothing. A hold
follows when the load, drawn on, crosses the sag hold in this peck or the next.

The limit: a load that grows by less than the machine wanders within a peck is not heard. A detector that knew
wander, course and good pecks exactly would stand at less than four deviations by the deadline in 28 of the 54
packings drawn for tuning, of which none is told, and at more than five in 24, of which 18 are.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.faults.episode import Finding
from monitor.faults.good_pecks import Usual, padded
from monitor.faults.packing_climb import Climb, courses, fitted, together
from monitor.faults.packing_peck import (
    LEAST_HOPS,
    LEAST_PARTS,
    NO_GOOD_Z,
    PARTS,
    SURE,
    UNSURE,
    Peck,
    Sag,
    load_of,
)
from monitor.faults.packing_slips import Slips
from monitor.faults.packing_sound import Loudness
from monitor.faults.variogram import LAGS, NUGGET, Wander
from monitor.hop import Hop
from monitor.job import Job
from monitor.measurements import Kind, Severity
from monitor.pecks.cycle import Cycle
from monitor.schedule import POINT_DIAMETERS
from monitor.signal.cusum import WINSOR, Cusum, threshold_for
from monitor.signal.frames import HOP_S
from monitor.spindle import Rotation
from monitor.work import Work

DRIFT = 1.0
"""Deviations: made for loads two deviations over normal."""

LOOKS_PER_FALSE_ALARM = 2_000.0
"""Mean number of pecks judged between false warnings aimed at. A peck is one look, as it is told by its
end; an hour holds some 300 to 400, so that this is one in five hours and more."""

BEGINS = (0.0, 0.3, 0.6)
"""Share of the peck from which on the load may climb, as the square of what lies beyond: the exponential
begins like that."""

BEST_OF_MEAN = 0.65
"""Deviations by which the best of these three, which share most of what they see, lies over one in noise,
where load and sound have each an amount of its own."""


LATE_HOPS = round(1.2 / HOP_S)
"""A faint cut is known so long after contact: what is heard is kept as long, and is then of the peck."""

LEAST_EXCESS = 0.1
"""Of the usual load, to count at all: pecks differ by some per cent by themselves."""

LASTING, OPEN_LASTING = 2, 3
"""Newest parts in which a climb must be seen, and in open flutes, where more must be asked."""

LATE_PARTS = 1
"""A peck is told so many parts before its end. Knots and slips of the ear are over by then, while pressed
chips stay until the drill comes out, and what they add is greatest. Sooner only where the load, drawn on to
the end, reaches the sag that warns."""

LATELY_PECKS = 3
"""Newest pecks whose median time tells when this one ends: one that other sound cut short is outvoted."""

LASTS = 0.25
"""Of the greatest climb, the least in the newest parts: half of what the squares leave a part or two
after they begin. Pressed chips stay until the drill comes out, while a slip of the ear is over in a part."""

OPEN_FLUTES = 0.95
"""Share of the flutes' length down to which chips may leave at their open end, give or take the error of the
depth heard. Few get stuck there, so that the load must say so, and must say more."""

OPEN_DIAMETERS = 3.0
"""Diameters of the drill down to which nothing packs in the first peck of a blank: its flutes were empty."""

OPEN_EXCESS, OPEN_Z = 0.4, 1.0
"""In open flutes: share of the usual load that packed chips must add; deviations that the load must be over
by itself."""

OPEN_GRAIN, OPEN_GRAIN_WOOD = 0.1, 0.25
"""Deviation of the share by which the load of a good peck climbs by itself: cast plastics are alike
throughout; wood has rings, knots and voids (common practice, no published source)."""

OPEN_LOUDER_DB = 6.0
"""A drill that binds is louder by so much (common practice, no published source): a cut in open flutes that
is louder still than good ones is heard through another sound."""

BOTH_Z = 2.5
"""Deviations of load and sound, where both must say so to hold in open flutes: grain, wander and another
sound seldom move both so far."""

GRAIN = 0.05
"""Share by which grain makes a load uneven within a peck, until this machine's and this work's is known."""


ALIKE = 0.2
"""Pecks planned this near in length are alike; a first peck, which begins on the face, is like no other."""


DIFFER, DEEPER, UNLIKE = 0.08, 0.2, 0.4
"""Share of its load by which a peck differs as a whole from like ones: twice what grain does, and the drill's
edge changes. Before this peck of the blank was heard in another one it may be loaded more by its depth, as
the wall grows on which drill and chips rub; and most where no like peck was heard."""

UNPLANNED = 0.25
"""Share of its time by which a peck may last longer or shorter, beside the pecks before: contacts and ends
are each dated to a tenth or two, and one peck in a hundred is further off."""

DULLS = 0.15
"""Deviation of the share by which blanks cost more or less than those before: a drill dulls slowly, but may
be ground or changed. What a blank's first peck says counts against this by how surely it was heard."""


MOST_Z = 4.5
"""No peck counts for more."""

ANSWERED_S = 0.5
"""After contact small motors have answered to the load."""

RESTS_S = 2.0
"""After a cut a regulated drive gives back what it has won, and only then wanders by itself."""

FREE_S = 0.4
"""Means of the free speed before contact, two of them, are taken over so long each."""

DATED_S = 0.1
"""Deviation of the dating of contact."""

LATE_SHARE = 0.35
"""Of the usual load, part by part: with less the drill is not in yet, whatever is heard."""

END_S = 0.1
"""Before the end of a cut as dated: a frame."""


@dataclass(slots=True)
class PackingRule:
    """One `step` a hop. ``wander`` begins as the machine's is known beforehand."""

    job: Job
    wander: Wander = field(default_factory=Wander)  # of the free spindle
    uneven: Wander = field(init=False)  # of a load that should be even: the same, and grain
    _sum: Cusum = field(default_factory=lambda: Cusum(DRIFT, threshold_for(LOOKS_PER_FALSE_ALARM, DRIFT)))
    _kinds: dict[int, Usual] = field(default_factory=dict)
    _places: dict[int, Usual] = field(default_factory=dict)
    _loudness: Loudness = field(default_factory=Loudness)
    _slips: Slips = field(default_factory=Slips)
    _idle_db: float = math.inf
    _before: tuple[NDArray[np.float64], float] | None = None  # loads of the last good peck, time of its parts
    _point_s: float = 0.0  # before which that was not loaded by all of the point
    _peck: Peck | None = None
    _free: deque[Sag] = field(default_factory=lambda: deque(maxlen=2 * round(FREE_S / HOP_S) + LATE_HOPS))
    _still: list[Sag] = field(default_factory=list)
    _lately: deque[Sag] = field(default_factory=lambda: deque(maxlen=LATE_HOPS))
    _blank: int = 0
    _dull: float = 1.0
    _dull_variance: float = 0.0
    _paces: deque[float] = field(default_factory=lambda: deque([1.0] * 3, maxlen=7))
    _last_end: float = math.nan
    _block: list[Sag] = field(default_factory=list)
    _levels: list[float] = field(default_factory=list)  # of the sound, of the same part
    _found: Finding | None = None
    _end_s: float = math.inf

    def __post_init__(self) -> None:
        self.uneven = Wander(self.wander.sd)

    def step(self, hop: Hop, rotation: Rotation, work: Work, cycle: Cycle) -> Finding | None:
        """Finding while chips are packed, as judged in the present cut."""
        known = hop.confidence >= UNSURE and not rotation.elsewhere and rotation.settled
        if 100 * rotation.sag >= self.job.sag_hold_pct:  # beyond it `sag` holds
            known = False
        over_db = math.nan if hop.deaf else hop.over_db
        sure = hop.confidence >= SURE
        sag = Sag(hop.t, rotation.sag if known else math.nan, sure, rotation.sag_sd, over_db)
        self._lately.append(sag)
        if not work.in_cut or work.spotting:
            self._idle(sag, rotation, work)
            self._end_s = work.end_s
            return None
        if not cycle.in_blank or cycle.peck == 0:
            return None
        peck = self._peck
        if peck is None or cycle.peck != peck.number or cycle.blank != peck.blank:
            self._peck = peck = self._begin(cycle.blank, cycle.peck, cycle.from_mm, work.cut_s)
            for earlier in list(self._lately)[:-1]:
                if peck.contact_s < earlier.t <= peck.contact_s + peck.planned_s:
                    self._follow(peck, earlier, work.depth_mm)
        if hop.t <= peck.contact_s + peck.planned_s:
            self._follow(peck, sag, work.depth_mm)
        return self._found

    def _idle(self, sag: Sag, rotation: Rotation, work: Work) -> None:
        if work.idle_db < self._idle_db:
            self._idle_db = work.idle_db
        rests = rotation.settled and sag.sure and sag.of == sag.of and not sag.t - work.end_s < ANSWERED_S
        if not rests or abs(sag.of) > 0.02:
            self._learn_still()
            if not rotation.settled:
                self._free.clear()
            return
        self._free.append(sag)
        if sag.t - work.end_s < RESTS_S:
            return
        self._still.append(sag)
        if len(self._still) >= 2 * LAGS[-1] + LATE_HOPS:
            self.wander.learn([still.of for still in self._still[: 2 * LAGS[-1]]])
            self._still = self._still[LAGS[-1] :]

    def _learn_still(self) -> None:
        if self._still:
            self.wander.learn([still.of for still in self._still])
            self._still = []

    def _begin(self, blank: int, number: int, from_mm: float, contact_s: float) -> Peck:
        if self._peck is not None:
            self._end(self._peck)
        self._still = [still for still in self._still if still.t < contact_s]
        self._learn_still()
        if blank != self._blank:
            self._blank, self._last_end, self._found = blank, math.nan, None
            self._loudness.dull_db = 0.0
            self._dull, self._dull_variance = 1.0, 0.0
            self._sum.clear()
        free = [sag.of for sag in self._free if sag.t < contact_s][-2 * round(FREE_S / HOP_S) :]
        half = len(free) // 2
        means = tuple(sum(part) / len(part) for part in (free[:half], free[half:]) if part)
        self._free.clear()
        idle_db, self._idle_db = self._idle_db, math.inf
        planned_s = self._planned_mm(number) / self._mm_s()
        part_s = max(planned_s / PARTS, LEAST_HOPS * HOP_S)
        return Peck(blank, number, from_mm, contact_s, means, part_s, planned_s, idle_db=idle_db)

    def _follow(self, peck: Peck, sag: Sag, depth_mm: float) -> None:
        if sag.over_db == sag.over_db:
            self._levels.append(sag.over_db)
        if sag.of == sag.of:
            self._block.append(sag)
            if sag.sure:
                peck.hops.append(sag)
        due = int((sag.t - peck.contact_s + 1e-6) / peck.part_s)
        while len(peck.loads) < due:
            mean, sd = load_of(self._block) if len(peck.loads) == due - 1 else (math.nan, 0.0)
            peck.loads.append(mean)
            peck.sds.append(sd)
            heard = len(peck.loads) == due and len(self._levels) >= LEAST_HOPS
            peck.levels_db.append(sorted(self._levels)[len(self._levels) // 2] if heard else math.nan)
            if len(peck.loads) == due:
                self._block.clear()
                self._levels.clear()
                peck.depth_mm = depth_mm
                self._judge(peck)

    def _judge(self, peck: Peck) -> None:
        """Judge a peck so far; what its newest part does not tell anew stands."""
        self._look(peck)
        if peck.told is None or self._peck is not peck:
            return
        if self._is_late(peck) or 100 * self._drawn_on(peck) >= self.job.sag_warning_pct:
            self._found = peck.told

    def _look(self, peck: Peck) -> None:
        open_flutes = peck.depth_mm <= OPEN_FLUTES * self.job.flute_length_mm
        shallow = open_flutes and (
            peck.number > len(self.job.pecks_mm)  # the program has no such peck; in a deep hole it might be
            or (peck.number == 1 and peck.depth_mm <= OPEN_DIAMETERS * self.job.drill_diameter_mm)
        )
        lost = peck.from_mm >= self.job.depth_mm + self._planned_mm(peck.number)  # nor this one
        if shallow or lost or len(peck.loads) < LEAST_PARTS:
            return
        begins = np.asarray(BEGINS) * PARTS * peck.part_s
        by_sound = self._loudness.climb(peck, self._kind(peck.number), begins)
        by_load = self._by_load(peck, begins, open_flutes)
        if open_flutes and by_sound is not None and peck.levels_db[-1] - by_sound.usual > OPEN_LOUDER_DB:
            by_sound = None
        told = [one for one in (by_load, by_sound) if one is not None]
        if not told:
            return
        # independent of one another, and each of its own amount: their likelihoods multiply
        coarse = OPEN_GRAIN_WOOD if self.job.properties.softens_c is None else OPEN_GRAIN
        # of the first of a length it is not known by how much such a peck climbs by itself
        unlike = open_flutes or self._kind(peck.number) not in self._kinds
        squares = np.add.reduce(
            [one.squares(coarse if open_flutes or (unlike and one is by_load) else 0.0) for one in told]
        )
        best = int(squares.argmax())
        size = sum(float(one.sizes[best]) for one in told)
        shares = together(told, best, len(peck.loads))
        if not size > 0 or shares.size < LEAST_PARTS - 1:
            return
        z = math.copysign(math.sqrt(abs(squares[best])), squares[best])
        amount = sum(float(one.sums[best]) for one in told) / size
        third = max(shares.size // 3, 1)
        first = shares[:third].mean()
        climbs = shares[-third:].mean() - first
        newest = shares[-(OPEN_LASTING if open_flutes else LASTING) :] - first
        lesser, greater = newest.min(), newest.max()
        climbs_on = min(amount, climbs) > LEAST_EXCESS and lesser > LASTS * greater
        if open_flutes:
            loaded = by_load is not None and by_load.z(best) > OPEN_Z
            climbs_on = climbs_on and loaded and amount > OPEN_EXCESS
        peck.z = max(min(z - BEST_OF_MEAN, MOST_Z), 0.0) if climbs_on else 0.0
        peck.may_hold = not open_flutes or (len(told) == 2 and min(one.z(best) for one in told) > BOTH_Z)
        peck.told = None
        if self._sum.value + peck.z - DRIFT >= self._sum.threshold:
            loudly = by_load is None or (by_sound is not None and by_sound.z(best) > by_load.z(best))
            peck.told = self._finding(peck, by_load, by_sound if loudly else None)

    def _is_late(self, peck: Peck) -> bool:
        """Whether the peck is about to end, by the plan and by how long the newest pecks were heard to last:
        of more of them a feed turned up is known too late for a first blank."""
        lasts_s = peck.planned_s * min(statistics.median(list(self._paces)[-LATELY_PECKS:]), 1.0)
        return (len(peck.loads) + LATE_PARTS + 1e-6) * peck.part_s >= lasts_s

    def _by_load(self, peck: Peck, begins: NDArray[np.float64], open_flutes: bool) -> Climb | None:
        """What the load says of a climb, None where nothing."""
        part_s = peck.part_s
        loads, sds = np.asarray(peck.loads), np.asarray(peck.sds)
        good, variance, n, differ = self._expected(peck, loads.size)
        if good is None or not good[-1] > self.wander.sd:
            return None  # where cuts cost less than that, lines drown in them
        late = self._late_parts(loads, good)
        loads, sds = loads[late:], sds[late:]
        k = np.arange(loads.size)
        good, variance = good[: k.size], variance[: k.size]
        known = np.isfinite(loads) & np.isfinite(good)
        if n == 0:
            known &= (k + 0.5) * part_s > ANSWERED_S
        if known.sum() < LEAST_PARTS - 1 or not known[-1]:
            return None
        now = self._dull * float(good[-1])
        if not now > self.wander.sd:
            return None  # nor where the part that counts, without those before contact, costs nothing
        free = np.asarray(peck.free)
        inside = (k[known] + 0.5) * part_s
        times = np.concatenate([FREE_S * (np.arange(free.size) - free.size), inside])
        over = np.concatenate([free, loads[known] - self._dull * good[known]])
        usual = np.concatenate([np.zeros(free.size), self._dull * good[known]])
        cut = np.concatenate([np.zeros(free.size), np.ones(inside.size)])
        apart = np.abs(times[:, None] - times[None, :])
        covariance = self.wander.covariance(apart)
        more = 1 - (self.wander.sd / self.uneven.sd) ** 2
        if more > 0:
            covariance += np.outer(cut, cut) * more * self.uneven.covariance(apart)
        # what is usual wanders too, also where one peck of another length tells it
        covariance += np.outer(cut, cut) * covariance / max(n, 1)
        covariance += np.outer(usual, usual) * (differ**2 + self._dull_variance)
        # contact may be dated early or late: a load that builds up then differs by so much
        builds_up = np.concatenate([np.zeros(free.size), _misdated(good, part_s)[known]])
        covariance += np.outer(builds_up, builds_up)
        unsure = (np.square(sds) + variance)[known] + (1 + 1 / max(n, 1)) * self._slips.variance
        of_parts = np.concatenate([np.zeros(free.size), unsure])
        covariance += 1e-4 + np.diag(of_parts + NUGGET)  # the reference may be off by some per cent
        sums, sizes, scatter = fitted(covariance, cut * courses(times, begins) * now, over)
        if open_flutes:  # as surely as it fits (Birge 1932, from memory): the ear may slip from line to line
            sums, sizes = sums / scatter, sizes / scatter
        return Climb(sums, sizes, k[known] + late, over[free.size :] / now, now)

    def _late_parts(self, loads: NDArray[np.float64], good: NDArray[np.float64]) -> int:
        """Parts that passed before contact: a cut loads the spindle from its first turn, so that what sounded
        like it before was something else."""
        heard = np.isfinite(loads) & np.isfinite(good)
        so_far = np.cumsum(np.where(heard, loads - LATE_SHARE * good, 0.0))
        empty = (so_far < 0) & (loads < 0.5 * good) & (good > self.wander.sd)
        return int(np.flatnonzero(empty)[-1]) + 1 if empty.any() else 0

    def _expected(
        self, peck: Peck, size: int
    ) -> tuple[NDArray[np.float64] | None, NDArray[np.float64], int, float]:
        """What good pecks cost, part by part, its variance beyond wander, how many tell it, and by what share
        pecks differ. None of this kind need be known to be good: then those of the same place tell it, and
        where this is the first, the good one before, which was longer or shorter."""
        number = peck.number
        kind, place = self._kinds.get(self._kind(number)), self._places.get(number)
        if kind is None and place is not None:
            return np.maximum(padded(place.loads, size), 0.0), padded(place.variance, size), place.n, DEEPER
        if kind is None:
            return self._as_before(size, peck.part_s), np.zeros(size), 0, UNLIKE
        good, variance = padded(kind.loads, size), padded(kind.variance, size)
        if place is None:
            return np.maximum(good, 0.0), variance, kind.n, DEEPER
        worth = padded(place.worth, size)
        here = np.where(worth > 0, padded(place.loads, size), 0.0)
        good = (good + worth * here) / (1 + worth)
        variance = (variance + worth**2 * padded(place.variance, size)) / (1 + worth) ** 2
        return np.maximum(good, 0.0), variance, kind.n, DIFFER  # a drill never drives the spindle

    def _as_before(self, size: int, part_s: float) -> NDArray[np.float64] | None:
        """Loads of the good peck before, at the same times after contact: the feed is the same, so that the
        motor has answered as far, and as much of the drill is in (NaN where less was of its point). Where
        they fall, a drive has won back what it lost, or the ear has slipped: neither need happen again, and
        the greatest so far is taken."""
        if self._before is None:
            return None
        loads, its_part_s = self._before
        known = np.flatnonzero(np.isfinite(loads))
        times = (np.arange(size) + 0.5) * part_s
        greatest = np.maximum.accumulate(loads[known])
        expected: NDArray[np.float64] = np.interp(times, (known + 0.5) * its_part_s, greatest)
        return np.where(times - part_s / 2 < self._point_s, math.nan, np.maximum(expected, 0.0))

    def _kind(self, number: int) -> int:
        """Number of the first peck that is as long; one that begins on the face is like no other."""
        planned = self._planned_mm(number)
        alike = (n for n in range(2, number) if abs(self._planned_mm(n) / planned - 1) <= ALIKE)
        return next(alike, number) if number > 1 else 1

    def _planned_mm(self, number: int) -> float:
        schedule = self.job.pecks_mm
        return schedule[min(number, len(schedule)) - 1]

    def _mm_s(self) -> float:
        return self.job.feed_mm_per_rev * self.job.spindle_rpm / 60

    def _end(self, peck: Peck) -> None:
        self._block.clear()
        self._levels.clear()
        part_s = peck.part_s
        peck.hops = [sag for sag in peck.hops if sag.t <= self._end_s - END_S]
        if self._end_s > peck.contact_s:  # what came after the end, as dated, is not of the peck
            whole = max(int((self._end_s - END_S - peck.contact_s) / part_s), 0)
            if whole < len(peck.loads):
                peck.told, peck.z = None, 0.0
            del peck.loads[whole:], peck.sds[whole:], peck.levels_db[whole:]
            self._judge(peck)
        as_planned = self._is_as_planned(peck)
        if not as_planned:
            peck.z = 0.0
        elif peck.told is not None:
            self._found = peck.told  # it was over sooner than it was taken to be late
        self._sum.step(peck.z)
        self._sum.value = min(self._sum.value, self._sum.threshold + DRIFT)
        if self._sum.value < self._sum.threshold:
            self._found = None
        if as_planned:
            self._loudness.learn(peck, self._kind(peck.number))
        loads = np.asarray(peck.loads)
        if loads.size < LEAST_PARTS or not np.isfinite(loads).any() or not as_planned:
            return
        half = loads[loads.size // 2 :]
        known = np.isfinite(half)
        n_known = np.count_nonzero(known)
        late = float(np.add.reduce(np.where(known, half, 0.0))) / n_known if n_known else math.nan
        self._last_end = float(loads[np.isfinite(loads)][-1])
        if peck.z < NO_GOOD_Z:
            self._learn_slips(peck)
        if peck.number == 1:
            self._compare_first(peck, late)
        scaled, variance = loads / self._dull, np.square(peck.sds)
        scatter = self.wander.sd**2
        # what every blank does there is no fault; but chips that pack in each must not become usual at once
        near = self._near_usual(peck, scaled)
        self._places.setdefault(peck.number, Usual()).take(near, variance, scatter)
        if peck.z >= NO_GOOD_Z:
            return
        self._learn_in(peck)
        kind = self._kinds.setdefault(self._kind(peck.number), Usual())
        kind.take(scaled, variance, scatter)
        if late == late:
            if self._before is None:  # nothing was learned of it yet
                self.uneven = Wander(math.hypot(self.wander.sd, GRAIN * max(late, 0.0)))
            self._before = scaled, part_s
            # a first peck is loaded by what is in of its point, later ones by all of it at once
            point_mm = POINT_DIAMETERS * self.job.drill_diameter_mm if peck.number == 1 else 0.0
            self._point_s = point_mm / self._mm_s()

    def _near_usual(self, peck: Peck, loads: NDArray[np.float64]) -> NDArray[np.float64]:
        """Loads of a peck, those of a packed one no farther from the usual than chance takes a good one."""
        good, *_ = self._expected(peck, loads.size)
        if peck.z < NO_GOOD_Z or good is None:
            return loads
        most = WINSOR * self.wander.sd
        near = np.clip(loads, good - most, good + most)
        return np.where(np.isfinite(good), near, loads)

    def _is_as_planned(self, peck: Peck) -> bool:
        """Whether it came from a free spindle and lasted as long as its peck does: what other sound cuts in
        two, or joins, is counted as another peck than it is."""
        if not peck.contact_s < self._end_s < math.inf:
            return False
        pace = (self._end_s - peck.contact_s) / peck.planned_s
        usual = statistics.median(self._paces)
        if peck.free:
            self._paces.append(pace)
        return bool(peck.free) and abs(pace / usual - 1) < UNPLANNED

    def _learn_in(self, peck: Peck) -> None:
        """Wander in a good peck, about what such pecks cost part by part where that is known."""
        good, _, n, _ = self._expected(peck, PARTS)
        if good is None or n == 0 or not np.isfinite(good).any():
            return
        known = np.flatnonzero(np.isfinite(good))
        latest = peck.hops[-1].t - ANSWERED_S / 2 if peck.hops else 0.0
        inside = [sag for sag in peck.hops if peck.contact_s + ANSWERED_S <= sag.t <= latest]
        at = [(sag.t - peck.contact_s) / peck.part_s - 0.5 for sag in inside]
        expected = self._dull * np.interp(at, known, good[known])
        self.uneven.learn(
            [sag.of - usual for sag, usual in zip(inside, expected.tolist(), strict=True)], n / (n + 1)
        )

    def _learn_slips(self, peck: Peck) -> None:
        """By how much more than foreseen single parts of a good peck lie off."""
        loads, sds = np.asarray(peck.loads), np.asarray(peck.sds)
        good, variance, n, differ = self._expected(peck, loads.size)
        if good is None or n == 0:
            return
        good = self._dull * good
        misdated = _misdated(good, peck.part_s)
        model = self.uneven.sd**2 + self.wander.sd**2 + np.square(differ * good) + np.square(misdated)
        model = model + np.square(sds) + variance + self.uneven.sd**2 / n
        known = np.isfinite(loads) & np.isfinite(good)
        if known.any():
            self._slips.learn(np.square(loads - good)[known], model[known])

    def _compare_first(self, peck: Peck, late: float) -> None:
        """How much more this blank's first peck was loaded, whose chips fall out: the drill is duller."""
        known = self._kinds.get(1)
        self._dull, self._dull_variance = 1.0, 0.0
        if known is None or late != late:
            return
        size = len(peck.loads)
        late_part = padded(known.loads, size)[size // 2 :]
        usual = float(np.nanmean(late_part)) if np.isfinite(late_part).any() else math.nan
        if not (usual > self.wander.sd and late > 0):
            return
        unsure = np.square(np.asarray(peck.sds)) + padded(known.variance, size)
        unsure_of_mean = float(unsure[size // 2 :].mean()) / (size - size // 2)
        variance = (self.wander.sd**2 * (1 + 1 / known.n) + unsure_of_mean) / usual**2
        share = DULLS**2 / (DULLS**2 + variance)
        self._dull = 1 + share * (late / usual - 1)
        self._dull_variance = share * variance

    def _finding(self, peck: Peck, by_load: Climb | None, by_sound: Climb | None) -> Finding:
        """``by_sound``: None where the load says more."""
        load = peck.loads[-1]
        usual = by_load.usual if by_load is not None else math.nan
        ahead = self._ahead(peck)
        near = 100 * load >= self.job.sag_warning_pct and 100 * ahead >= self.job.sag_hold_pct
        holds = near and peck.may_hold
        what = (
            f"Drawn on, it reaches {100 * ahead:.0f} % in this peck or the next: retract and clear them."
            if holds
            else "Clear them, or peck less at a time."
        )
        if by_sound is None or (holds and by_load is not None):
            message = (
                f"The spindle slows by {100 * load:.1f} % where good pecks cost {100 * usual:.1f} %, and the "
                f"load climbs within the peck: chips stay in the flutes. {what}"
            )
        else:
            louder_db = peck.levels_db[-1] - by_sound.usual
            message = (
                f"The cut is {louder_db:.0f} dB louder than in good pecks, and gets louder within the peck: "
                f"chips stay in the flutes. {what}"
            )
        severity = Severity.HOLD if holds else Severity.WARNING
        return Finding(Kind.PACKING, severity, message, 100 * load, 100 * usual, "%")

    def _ahead(self, peck: Peck) -> float:
        """Load foreseen: at this peck's end, and once more so much growth as since the end of the peck
        before."""
        foreseen = self._drawn_on(peck)
        grown = foreseen - self._last_end if self._last_end == self._last_end else 0.0
        return foreseen + max(grown, 0.0)

    def _drawn_on(self, peck: Peck) -> float:
        """Load foreseen at this peck's end, along the slope of the last parts."""
        back = max(1, round(0.5 / peck.part_s))
        load = peck.loads[-1]
        before = peck.loads[-1 - back] if len(peck.loads) > back else math.nan
        slope = (load - before) / back if before == before else 0.0
        return load + max(slope, 0.0) * max(PARTS - len(peck.loads), 0)


def _misdated(good: NDArray[np.float64], part_s: float) -> NDArray[np.float64]:
    """By how much parts of a load differ where contact is dated early or late by its deviation; parts that
    are not known (NaN) are passed over in a straight line."""
    k, known = np.arange(good.size), np.isfinite(good)
    if known.sum() < 2:
        return np.zeros(good.size)
    steps: NDArray[np.float64] = np.gradient(np.interp(k, k[known], good[known])) / part_s * DATED_S
    return steps
