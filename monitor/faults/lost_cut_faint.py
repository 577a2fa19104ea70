"""`lost_cut` by a cut that went faint: something still rubs, but no chip is cut any more.

Physical reason: a cut sounds by its chips, and takes its power for them. A stub that turns in the hole, or a
blank that turns with the drill, cuts none: from one turn to the next, or as the blank breaks loose, the cut
is many decibels fainter, and stays so for the rest of the peck and in the next ones, which come when the
program has them. `monitor.faults.lost_cut` waits for a contact that does not come; here one comes that only
rubs.

What else makes cuts fainter is told apart by what it takes along. A feed that is turned down draws the peck
out: only a peck that ended after its length, though it was faint before, tells. A microphone turned down, or
another sound that ends, leaves the idle machine quieter too. A hole muffles little by little, and a knot or a
void is one that cuts of this batch went through before, or is over by the next peck. What softens still loads
the spindle, which `melting` tells. And where the point comes out of the far side a cut fades: that the last
peck goes faint tells nothing.

So a peck is faint where each quarter second of it lies under all half seconds of good pecks, and under their
mean by more deviations than chance has. It is asked for twice: to the end of a peck, and from the next
contact on.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from monitor.cutting import CuttingDetector
from monitor.faults.episode import Finding
from monitor.hop import Hop
from monitor.measurements import Kind, Severity
from monitor.pecks.cycle import Cycle
from monitor.signal.frames import HOP_S
from monitor.spindle import STOPPED, UNKNOWN, Rotation

FAINTER_DB, SDS = 4.0, 4.0
"""By which what rubs is fainter than the mean of good pecks: more than half of the power gone, and four of
their deviations, which chance does once in some ten thousand pecks."""

PECKS_SD_DB = 1.0
"""A good peck differs from the next by this deviation at least (judged)."""

BELOW_DB, LOW_SHARE = 1.0, 0.1
"""Under the faintest half second of good pecks: what this work did before is no fault. A tenth of the pecks
may have a fainter one: a lull between two sounds that were taken for one cut is not of the work."""

LEAST_PECKS, MEMORY = 3, 60
"""Good pecks that are known, at least, and at most."""

WENT_HOPS, WENT_SHARE = 15, 0.25
"""A peck is faint to its end for so many hops, and for so much of its length, at least: at half of the feed,
which halves the sound, it would last that much longer."""

LATER_SHARE, LATER_S, LONGER = 0.15, 0.3, 1.5
"""A peck that ends by no more later or sooner than the program has it was fed as ever. What goes on for so
many times its length is another sound."""

RUBS_HOPS = 10
"""So many hops from the next contact on: half a second."""

ENTRY_S, END_S = 0.25, 0.15
"""From contact, until the lips cut their full chip and a frame holds nothing else; and before the end as it
was dated."""

HIDDEN_HOPS = 6
"""Of a cut that were deaf, or not heard at their speed: longer than a tap, and it tells nothing."""

IDLE_DB = 1.5
"""By which the idle machine may be quieter than before the newest good peck."""

STANDS_DB, STANDS_SPREADS = 1.0, 2.0
"""Over the idle machine, and in deviations of its hops, from which on a mean of a quarter second is heard to
stand: what rubs may be too faint to be taken for a cut, and stands until the program draws the drill out."""

DUE_S = 0.5
"""Sooner or later than the next contact is due that what stands may be it."""

OWN_LEAST = 0.05
"""Share of the idle machine's power that a cut's own is at least: less is lost in it."""

LOADS, FREE_HOPS = 0.5, 10
"""Share of the usual load, where it shows, from which on it is no mere rubbing: over the spindle running free
for so many hops before contact, since a drive takes its time to win its speed back."""

_MEAN_HOPS, _LOW_HOPS = 5, 10


class _Rubbed(NamedTuple):
    """Since when cuts of this blank are faint, when the next one is due, and how loud the idle machine was
    before."""

    since_s: float
    due_s: float
    idle_db: float


@dataclass(slots=True)
class FaintCuts:
    """One `step` a hop; ``feed_mm_s`` is the feed of the drilling step."""

    feed_mm_s: float
    _good: deque[float] = field(default_factory=lambda: deque(maxlen=MEMORY))
    _lows: deque[float] = field(default_factory=lambda: deque(maxlen=MEMORY))
    _good_idle_db: float = math.nan
    _faint_db: float = -math.inf  # a cut fainter than this is none
    _newest: deque[float] = field(default_factory=lambda: deque(maxlen=_MEAN_HOPS))
    _own: deque[float] = field(default_factory=lambda: deque(maxlen=_MEAN_HOPS))
    _loudest_db: float = -math.inf  # quarter second of what stands
    _levels: list[tuple[float, float]] = field(default_factory=list)
    _loads: list[float] = field(default_factory=list)
    _free: deque[float] = field(default_factory=lambda: deque(maxlen=FREE_HOPS))
    _hidden: int = 0
    _stands: bool = False
    _blank: int = 0
    _was_good: bool = False
    _contact_s: float = math.nan
    _longest_s: float = math.inf
    _idle_db: float = math.nan
    _stands_db: float = math.inf
    _rubbed: _Rubbed | None = None
    _finding: Finding | None = None

    def step(self, hop: Hop, rotation: Rotation, detector: CuttingDetector, cycle: Cycle) -> Finding | None:
        """Finding while what is heard of a cut, like that of the one before, is too faint for one."""
        if cycle.blank != self._blank or not cycle.in_blank:
            self._blank, self._was_good, self._rubbed = cycle.blank, False, None
            self._stands, self._finding = False, None
        self._newest.append(detector.level_db)
        if not self._stands and (cycle.in_cut or self._is_due(hop.t)):
            self._begin(hop.t, detector, cycle)
        if not self._stands:
            if rotation.sag == rotation.sag:
                self._free.append(rotation.sag)
            return None
        self._hear(hop, rotation, detector)
        if not cycle.in_cut and not self._over():
            self._stands, self._finding = False, None
            self._weigh(cycle)
        elif self._finding is None and self._rubs(detector, cycle):
            self._finding = self._told()
        return self._finding

    def _over(self) -> bool:
        """Whether the newest quarter second stands over the idle machine, as it was at contact."""
        return sum(self._newest, 0.0) / len(self._newest) > self._stands_db

    def _is_due(self, t: float) -> bool:
        """Whether something stands as the next contact is due, after a peck that went faint."""
        return self._rubbed is not None and abs(t - self._rubbed.due_s) < DUE_S and self._over()

    def _begin(self, t: float, detector: CuttingDetector, cycle: Cycle) -> None:
        self._stands, self._levels, self._loads, self._loudest_db = True, [], [], -math.inf
        self._own.clear()
        self._contact_s = detector.onset_s if cycle.in_cut else t
        whole_s = cycle.schedule.length_mm(len(cycle.heard)) / self.feed_mm_s
        self._longest_s = LONGER * whole_s + LATER_S
        if self._rubbed is not None:
            self._hidden = 0
            return  # what rubs may be taken for idling itself, later on
        self._hidden = HIDDEN_HOPS if detector.in_other_sound else 0
        self._idle_db = detector.idle_db
        self._stands_db = self._idle_db + max(STANDS_DB, STANDS_SPREADS * detector.idle_spread_db)

    def _hear(self, hop: Hop, rotation: Rotation, detector: CuttingDetector) -> None:
        lost = rotation.state in (STOPPED, UNKNOWN) or rotation.elsewhere
        if hop.deaf or not hop.heard or lost:
            self._hidden += 1
        into_s = hop.t - self._contact_s
        if into_s > self._longest_s:
            self._hidden = HIDDEN_HOPS  # another sound
        if into_s < ENTRY_S or self._hidden >= HIDDEN_HOPS:
            return
        idle = 10 ** (self._idle_db / 10)
        own = max(10 ** (detector.level_db / 10) - idle, OWN_LEAST * idle)
        own_db = 10 * math.log10(own)
        self._levels.append((hop.t, own_db))
        self._own.append(own_db)
        if len(self._own) == _MEAN_HOPS:
            self._loudest_db = max(self._loudest_db, sum(self._own, 0.0) / _MEAN_HOPS)
        if rotation.sag == rotation.sag:
            self._loads.append(rotation.sag)

    def _rubs(self, detector: CuttingDetector, cycle: Cycle) -> bool:
        """Whether the cut under way is as faint from its contact on as the end of the one before was."""
        if self._rubbed is None or len(self._levels) < RUBS_HOPS or self._hidden >= HIDDEN_HOPS:
            return False
        schedule, k = cycle.schedule, len(cycle.heard)
        last = k == schedule.count - 1 and schedule.length_mm(k) <= schedule.point_mm
        if cycle.through or cycle.overrun or last or k >= schedule.count:
            return False
        if detector.idle_db < self._rubbed.idle_db - IDLE_DB:
            return False
        if detector.load_shows and self._loads and self._free:
            load = statistics.fmean(self._loads) - statistics.fmean(self._free)
            if load > LOADS * detector.cut_sag:
                return False
        return self._loudest_db < self._faint_db

    def _weigh(self, cycle: Cycle) -> None:
        """Once nothing stands any more: whether the peck was good, went faint, or was faint as the one
        before."""
        schedule, k = cycle.schedule, len(cycle.heard) - 1
        if not self._levels:
            return  # over before the lips were in
        if not 0 <= k < schedule.count - 1 or self._hidden >= HIDDEN_HOPS:
            self._rubbed = None
            return
        # a good peck ends as it was dated: then the axis is heard; one that broke off, when nothing stands
        whole = schedule.alike(cycle.heard[k], k)
        end_s = cycle.last_end_s if whole else self._levels[-1][0] - _MEAN_HOPS * HOP_S
        own_db = [level_db for t, level_db in self._levels if t < end_s - END_S]
        if len(own_db) < _LOW_HOPS:
            return
        means = _means(own_db, _MEAN_HOPS)
        loud = [i for i, mean_db in enumerate(means) if mean_db >= self._faint_db]
        begin = loud[-1] + 1 if loud else 0
        whole_s = schedule.length_mm(k) / self.feed_mm_s
        as_fed = abs(end_s - self._contact_s - whole_s) < LATER_SHARE * whole_s + LATER_S
        went = len(means) - begin >= max(WENT_HOPS, WENT_SHARE * len(means))
        same_gain = self._idle_db >= self._good_idle_db - IDLE_DB
        if went and as_fed and same_gain and schedule.known and (loud or self._was_good):
            since_s = self._levels[begin][0] if self._rubbed is None or loud else self._rubbed.since_s
            due_s = end_s + schedule.gaps[k + 1].middle
            self._rubbed = _Rubbed(since_s, due_s, self._good_idle_db)
            return
        self._rubbed = None
        point_s = schedule.point_mm / self.feed_mm_s if k == 0 else 0.0
        own_db = own_db[round(point_s / HOP_S) :]
        if whole and not went and len(own_db) >= _LOW_HOPS:
            self._was_good = True
            self._learn(own_db)

    def _learn(self, own_db: Sequence[float]) -> None:
        """Take the levels of a good peck."""
        self._good_idle_db = self._idle_db
        self._good.append(statistics.fmean(own_db))
        self._lows.append(min(_means(own_db, _LOW_HOPS)))
        if len(self._good) < LEAST_PECKS:
            return
        spread = max(statistics.stdev(self._good), PECKS_SD_DB)
        lowest_db = sorted(self._lows)[int(LOW_SHARE * len(self._lows))]
        usual_db = statistics.fmean(self._good)
        self._faint_db = min(usual_db - max(FAINTER_DB, SDS * spread), lowest_db - BELOW_DB)

    def _told(self) -> Finding:
        """A share of a good cut's power: in dB a lost cut is told by its knock, which stops the spindle."""
        rubbed = self._rubbed
        if rubbed is None:
            raise RuntimeError("no peck went faint")
        usual_db = statistics.fmean(self._good)
        fainter_db = usual_db - statistics.fmean([level_db for _, level_db in self._levels])
        message = (
            f"The cut is {fainter_db:.0f} dB fainter than good ones since the peck before, and the feed goes "
            "on as usual: what is heard only rubs. The drill is broken, or the blank spins. Stop and look."
        )
        share, limit = (100 * 10 ** (-db / 10) for db in (fainter_db, usual_db - self._faint_db))
        return Finding(Kind.LOST_CUT, Severity.HOLD, message, share, limit, "%", rubbed.since_s)


def _means(values: Sequence[float], hops: int) -> list[float]:
    """Mean of each so many values in turn, the first from the first on."""
    return [sum(values[i : i + hops], 0.0) / hops for i in range(len(values) - hops + 1)]
