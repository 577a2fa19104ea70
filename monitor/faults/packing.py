"""`packing`: chips stay in the flutes and are pressed, so that the load climbs within pecks and over them.

Physical reason: below the depth to which the flutes reach out of the hole, chips leave only when the drill
does. Those that stay for the next peck fill the flutes sooner; pressed chips rub on the wall, and the torque
that pushes them out grows exponentially with depth beyond a critical one (Mellinger et al. 2002, J. Manuf.
Sci. Eng. 124:605). So a peck ends at more load than like pecks did, and climbs more from its beginning.

Both must be so. A slow wander of the machine, or a free-running reference that is a little off, shifts a
whole peck and makes no climb of its own; a knot loads a peck from its beginning, and a blunt drill every peck
of the blank, from the first on. How long the
motor takes to answer, and what grows with depth in good work, is in the good pecks of the same length that it
is compared with, and in what the same peck did in earlier blanks. How much loads differ by themselves is
learned from stretches of good cutting as long as a peck. The decision is a cumulative sum over the pecks of a
blank (`monitor.signal.cusum`) whose newest term is the peck under way. A hold follows when the load, drawn
on, crosses the sag hold in this peck or the next.

The limit: a machine that wanders by 0.3 % hides a load that grows by a third of 1 %.
"""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass, field

from monitor.cutting import CuttingDetector
from monitor.faults.episode import Finding
from monitor.hop import Hop
from monitor.job import Job
from monitor.measurements import Kind, Severity
from monitor.pecks import Cycle
from monitor.signal.cusum import WINSOR, Cusum, Normal, threshold_for
from monitor.signal.frames import HOP_S
from monitor.spindle import Rotation

BLOCK_HOPS = 2
"""Hops to a mean: the load is looked at every tenth of a second."""

LATE = 3
"""Blocks at the end, 0.3 s: more than a turn of eccentric stock at 300 rpm."""

ENTRY_S = 0.25
"""From contact: the lips are in, and the motor begins to answer."""

DRIFT = 1.0
"""Deviations: made for loads two deviations over normal."""

LOOKS_PER_FALSE_ALARM = 3_000.0
"""Mean number of independent looks at deep pecks between false warnings aimed at. A peck gives some five, and
takes some five seconds with its retract: an hour of nothing but deep pecks, which most jobs have few of."""

SIGNS_SD = 1.85
"""Deviation in good work of end and climb added as in `_judge`, which share the newest load."""

AGREE = 1.0
"""Deviations by which one of the signs may exceed the other and still count."""

SURE = 0.9
"""Confidence of a speed from which on it counts."""

LEAST_EXCESS, NEW_EXCESS = 0.1, 0.4
"""Of the usual load, to count at all: pecks differ by some per cent by themselves; and before this peck of
the blank was heard in a good one: by as much good work may load more from peck to peck, as the wall grows
on which drill and chips rub."""

OPEN_FLUTES = 0.95
"""Share of the flutes' length down to which chips leave at their open end: nothing packs in a shallower hole,
give or take the error of the depth heard."""

STEEP = 5
"""Blocks, half a second, over which the load's slope is taken."""

LEAST_BLOCKS = 8
"""Blocks of a peck, 0.8 s, before it has a beginning and an end."""

ALIKE = 0.2
"""Pecks planned this near in length are alike; a first peck, which begins on the face, is like no other."""

MOST_PECKS = 20
"""Newest pecks that what is usual is a mean of: some blanks, less than a drill takes to dull."""

DULL_SPREADS = 3.0
"""Spreads by which a blank's first peck must differ to say that the drill does: less is wander."""

PLACE_BLANKS = 1
"""Blanks until what one peck of the blank does differently counts by half."""

MOST_Z = 4.5
"""No peck counts for more."""

# Deviation of a load (a fraction of speed) from that of a like peck, before it was heard: machines wander by
# 0.1 to 0.4 %.
_SPREAD, _SPREAD_LEAST, _PRIOR, _MEMORY = 0.002, 0.0006, 1, 100


@dataclass(slots=True)
class _Peck:
    """Loads of a peck so far, block by block from its beginning, and how far it is from good ones."""

    blank: int
    number: int
    from_mm: float
    loads: list[float] = field(default_factory=list)
    depth_mm: float = 0.0
    z: float = 0.0


@dataclass(slots=True)
class _Alike:
    """Mean loads of the good pecks of one planned length, and how many there were."""

    loads: list[float]
    n: int = 1


@dataclass(slots=True)
class _Place:
    """How end and climb of one peck of the blank differ from its like in good blanks: what depth does."""

    end: float = 0.0
    climb: float = 0.0
    n: int = 0


@dataclass(slots=True)
class PackingRule:
    """One `step` a hop."""

    job: Job
    climb: Normal = field(default_factory=lambda: Normal(0.0, _SPREAD, _PRIOR, _MEMORY, 0, _SPREAD_LEAST))
    _sum: Cusum = field(default_factory=lambda: Cusum(DRIFT, threshold_for(LOOKS_PER_FALSE_ALARM, DRIFT)))
    _alike: dict[int, _Alike] = field(default_factory=dict)
    _places: dict[int, _Place] = field(default_factory=dict)
    _before: _Alike | None = None
    _peck: _Peck | None = None
    _blank: int = 0
    _dull: float = 1.0
    _last_end: float = math.nan
    _block: list[float] = field(default_factory=list)
    _found: Finding | None = None

    def step(self, hop: Hop, rotation: Rotation, detector: CuttingDetector, cycle: Cycle) -> Finding | None:
        """Finding while chips are packed, as judged in the present cut."""
        cuts = detector.cutting and hop.t - detector.onset_s >= ENTRY_S and not cycle.spotting
        if not cuts:
            self._block.clear()
            return None
        place = cycle.place
        if place.peck == 0:
            return None
        peck = self._peck
        if peck is None or (place.blank, place.peck) != (peck.blank, peck.number):
            self._peck = peck = self._begin(place.blank, place.peck, cycle.from_mm)
        if hop.confidence >= SURE and 100 * rotation.sag < self.job.sag_hold_pct:  # beyond it `sag` holds
            self._block.append(rotation.sag)  # it lags behind the cut: the end of it only lowers the mean
        if len(self._block) == BLOCK_HOPS:
            peck.loads.append(statistics.median(self._block))
            peck.depth_mm = place.depth_mm
            self._block.clear()
            self._judge(peck)
        return self._found

    def _begin(self, blank: int, number: int, from_mm: float) -> _Peck:
        if self._peck is not None:
            self._end(self._peck)
        if blank != self._blank:
            self._blank, self._last_end, self._found, self._dull = blank, math.nan, None, 1.0
            self._sum.clear()
        return _Peck(blank, number, from_mm)

    def _judge(self, peck: _Peck) -> None:
        known = self._known(peck.number)
        if known is None or not self._trapped(peck) or len(peck.loads) < LEAST_BLOCKS:
            return
        end, climb = _end_and_climb(_over(peck.loads, [self._dull * load for load in known.loads]))
        place = self._places.get(peck.number, _Place())
        share = place.n / (place.n + PLACE_BLANKS)
        # what a peck does less than its like, it does at its end: nothing to reckon with before
        more_end, more_climb = share * max(place.end, 0.0), share * max(place.climb, 0.0)
        spread = self.climb.spread * math.sqrt(1 + 1 / known.n)
        usual = self._dull * known.loads[min(len(peck.loads), len(known.loads)) - 1] + more_end
        end, climb = end - more_end, climb - more_climb
        less, more = sorted((end / spread, climb / spread))
        least = LEAST_EXCESS if place.n else NEW_EXCESS
        z = (less + min(more, less + AGREE)) / SIGNS_SD if end > least * usual else 0.0
        peck.z = max(peck.z, min(z, MOST_Z))
        if self._sum.value + peck.z - DRIFT >= self._sum.threshold:
            self._found = self._finding(peck, usual)

    def _trapped(self, peck: _Peck) -> bool:
        return peck.depth_mm > OPEN_FLUTES * self.job.flute_length_mm

    def _known(self, number: int) -> _Alike | None:
        """What good pecks of this length were like, else how the peck before went on."""
        return self._alike.get(self._kind(number), self._before)

    def _kind(self, number: int) -> int:
        """Number of the first peck that is as long; one that begins on the face is like no other."""
        planned = self._planned_mm(number)
        alike = (n for n in range(2, number) if abs(self._planned_mm(n) / planned - 1) <= ALIKE)
        return next(alike, number) if number > 1 else 1

    def _planned_mm(self, number: int) -> float:
        schedule = self.job.pecks_mm
        return schedule[min(number, len(schedule)) - 1]

    def _end(self, peck: _Peck) -> None:
        self._sum.step(peck.z)
        self._sum.value = min(self._sum.value, self._sum.threshold + DRIFT)
        if self._sum.value < self._sum.threshold:
            self._found = None
        if len(peck.loads) >= LEAST_BLOCKS:
            self._last_end = peck.loads[-1]
            if peck.number == 1:
                self._compare_free(peck)
            self._learn(peck)

    def _compare_free(self, peck: _Peck) -> None:
        """How much more this blank's first peck was loaded, whose chips fall out: the drill is duller."""
        known = self._alike.get(1)
        half = len(peck.loads) // 2
        free = sum(peck.loads[half:]) / len(peck.loads[half:])
        over = _over(peck.loads, known.loads)[half:] if known else [0.0]
        shift = sum(over) / len(over)
        sure = abs(shift) > DULL_SPREADS * self.climb.spread and free > shift
        self._dull = free / (free - shift) if sure else 1.0

    def _learn(self, peck: _Peck) -> None:
        loads = [load / self._dull for load in peck.loads]  # as the sharp drill would have been loaded
        n = max(LEAST_BLOCKS, round(self._usual_blocks()))
        for k in range(2, len(loads) - n + 1, n):  # but for the first blocks, in which the motor answers
            self.climb.step(_end_and_climb(loads[k : k + n])[1])
        if peck.z < DRIFT:
            late = loads[len(loads) // 2 :]
            self._before = _Alike([sum(late) / len(late)] * LEAST_BLOCKS)
        kind = self._kind(peck.number)
        known = self._alike.get(kind)
        if known is None:
            if peck.z < DRIFT:  # else the next ones are still compared with the peck before it
                self._alike[kind] = _Alike(loads)
            return
        most = WINSOR * self.climb.spread
        over = [min(max(error, -most), most) for error in _over(loads, known.loads)]
        place = self._places.setdefault(peck.number, _Place())
        place.n += 1
        end, climb = _end_and_climb(_over(loads, known.loads))
        place.end += (end - place.end) / place.n
        place.climb += (climb - place.climb) / place.n
        known.n = min(known.n + 1, MOST_PECKS)
        for k in range(min(len(over), len(known.loads))):
            known.loads[k] += over[k] / known.n
        known.loads += loads[len(known.loads) :]

    def _usual_blocks(self) -> float:
        """Blocks in the job's last peck, the kind that repeats."""
        return self.job.pecks_mm[-1] / self._mm_per_block()

    def _mm_per_block(self) -> float:
        return self.job.feed_mm_per_rev * self.job.spindle_rpm / 60 * BLOCK_HOPS * HOP_S

    def _finding(self, peck: _Peck, usual: float) -> Finding:
        load = min(peck.loads[-LATE:])
        ahead = self._ahead(peck)
        holds = 100 * load >= self.job.sag_warning_pct and 100 * ahead >= self.job.sag_hold_pct
        what = (
            f"Drawn on, it reaches {100 * ahead:.0f} % in this peck or the next: retract and clear them."
            if holds
            else "Clear them, or peck less at a time."
        )
        message = (
            f"The spindle slows by {100 * load:.1f} % where good pecks cost {100 * usual:.1f} %, and the "
            f"load climbs within the peck: chips stay in the flutes. {what}"
        )
        severity = Severity.HOLD if holds else Severity.WARNING
        return Finding(Kind.PACKING, severity, message, 100 * load, 100 * usual, "%")

    def _ahead(self, peck: _Peck) -> float:
        """Load foreseen: along the slope of the last half second to this peck's end, and once more so much
        growth as since the end of the peck before."""
        load, end_mm = peck.loads[-1], peck.from_mm + self._planned_mm(peck.number)
        left = max(end_mm - peck.depth_mm, 0.0) / self._mm_per_block()
        slope = (load - peck.loads[-1 - STEEP]) / STEEP
        foreseen = load + max(slope, 0.0) * left
        grown = foreseen - self._last_end if self._last_end == self._last_end else 0.0
        return foreseen + max(grown, 0.0)


def _over(loads: list[float], good: list[float]) -> list[float]:
    """Loads over good ones at the same time from contact; beyond those heard, over the last of them."""
    return [load - good[min(k, len(good) - 1)] for k, load in enumerate(loads)]


def _end_and_climb(loads: list[float]) -> tuple[float, float]:
    """Mean of the last blocks, and by how much it exceeds that of the first half but for its beginning."""
    half = len(loads) // 2
    end = sum(loads[-LATE:]) / LATE
    return end, end - sum(loads[2:half]) / (half - 2)
