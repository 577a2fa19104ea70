"""`melting`: the work softens round the drill, which then rubs and grips instead of cutting.

Physical reason: a cut turns most of its work into heat. Heating a whole chip of acrylic from room temperature
to its softening takes some 140 J per cubic centimetre (see `softening_energy`), which is about what cutting
it takes: chips that stay in the hole soften. They then no longer break, so that their crackle dies, the
hiss of the cut fades with it, and the load stays or rises because soft walls grip. Stick and slip on the
walls may squeal.

Each of these signs alone is harmless. A sharper drill is quieter, but its chips crackle as before relative to
its own level, and it loads less. Rain, an air gun or a compressor bury the crackle, but they are loud. A
microphone's gain changes the level and no crackle. A radio sings, but leaves the cut as loud. A drill that
breaks through falls silent, but its load goes too. So a cut must be quieter than the good ones of this
batch, and crackle less or sing more, while the load stays. The lesser of the two deviations from good cuts
is the observation of a cumulative sum (`monitor.signal.cusum`). Materials that do not soften are not judged.
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
from monitor.pecks import Cycle
from monitor.signal.cusum import Cusum, Normal, threshold_for
from monitor.signal.frames import HOP_S
from monitor.spindle import Rotation, SpindleState

BLOCK_HOPS = 5
"""Hops to an observation, a quarter second: some dozens of chips, and more than a turn at 300 rpm."""

DRIFT = 1.0
"""Deviations: made for a change of two, which is what a good cut against a softened one mostly is."""

WARNING_EVERY_S, HOLD_EVERY_S = 20 * 3600.0, 500 * 3600.0
"""Mean time of cutting between false warnings and holds aimed at: a twentieth of the false alarms allowed
(one warning an hour, one hold in 20 h), the rest being for what no model foresees."""

ENTRY_S = 0.15
"""From contact: until then a frame still holds what was before it. A blank's first peck is judged when the
drill's point is in."""

TAIL_HOPS = 8
"""A hop counts only if the cut goes on for 0.4 s after it: a drill that is drawn out is quieter too,
for as long as it takes to hear the cut's end."""

LOAD_STAYS = 0.6
"""Share of this batch's usual load that is load: a drill that is out has none, a reground one some less."""

LOAD_TELLS = 0.005
"""Sag, as a fraction, of good cuts above which its absence means anything: more than machines wander."""

STILL_CUTS = 0.6
"""Strength of the cutting sound that is at least to be heard where the load cannot tell: where the cutting
decision itself lets go."""

SIGNS_MEAN, SIGNS_SD = -0.2, 0.9
"""Mean and deviation in good work of the lesser sign: of a normal deviation and the greater of two more, of
which one (crackle and level share the same chips) goes with it by 0.6 (simulated)."""

LEAST_FALL = 0.13
"""Of the crackle's cube root, to a deviation at least: only crackle more than halved counts for much."""

LOUDER_DB = 6.0
"""Over good cuts: another sound covers the cut, and nothing of it is heard."""

FIRST_BLANK = 1.5
"""Times the spread, until a whole blank was heard: cuts are muffled as they go deeper, and how much is not
known before."""

FIRST_BLOCKS = 8
"""What the first two seconds of cutting are like is taken for good, and nothing is judged before: rooms,
microphones and machines differ by more than a good cut from a soft one."""

_LEAST = (0.08, 1.5, 2.0, 0.001)  # deviations at least: cube root of crackle, level dB, tone dB, sag
_MEMORY = 500  # blocks: two minutes of cutting
_LAG = 4  # blocks: what is learned is a second old, so that a fault is told before it becomes normal


def softening_energy(softens_c: float, from_c: float, heat_j_per_g_k: float, density_g_cm3: float) -> float:
    """Energy that brings a volume of chips to its softening, J/cm^3, the same as N/mm^2 of specific force.

    Examples
    --------
    >>> round(softening_energy(110, 20, 1.35, 1.19))
    145
    """
    return heat_j_per_g_k * density_g_cm3 * (softens_c - from_c)


class _Heard(NamedTuple):
    """A hop, or the mean of a block of them."""

    crackle: float
    level_db: float
    tone_db: float
    sag: float
    strength: float


@dataclass(slots=True)
class MeltingRule:
    """One `step` a hop; ``softens``: whether the material of the job does at all; ``point_mm``: height of the
    drill's point."""

    softens: bool
    point_mm: float
    _first: list[_Heard] = field(default_factory=list)
    _good: list[Normal] = field(default_factory=list)
    _sum: Cusum = field(
        default_factory=lambda: Cusum(DRIFT, threshold_for(WARNING_EVERY_S / (BLOCK_HOPS * HOP_S), DRIFT))
    )
    _hold_at: float = field(default_factory=lambda: threshold_for(HOLD_EVERY_S / (BLOCK_HOPS * HOP_S), DRIFT))
    _pending: deque[_Heard] = field(default_factory=deque)
    _block: list[_Heard] = field(default_factory=list)
    _blank: int = 0
    _first_blank: int = 0
    _since_s: float = math.nan
    _quieter_db: float = 0.0

    def step(self, hop: Hop, rotation: Rotation, detector: CuttingDetector, cycle: Cycle) -> Finding | None:
        """Finding while the drill rubs in softened work, as judged in the present cut."""
        if not self.softens:
            return None
        if cycle.blank != self._blank:
            self._blank = cycle.blank
            self._block.clear()
            self._sum.clear()
        cuts = detector.cutting and hop.t - detector.onset_s >= ENTRY_S and not cycle.spotting
        cuts = cuts and cycle.place.depth_mm >= self.point_mm
        if not cuts or hop.deaf or rotation.state is not SpindleState.TURNING or not rotation.settled:
            self._pending.clear()
            return None
        self._pending.append(
            _Heard(hop.crackle_db, hop.over_db, hop.chatter_db, rotation.sag, detector.strength)
        )
        if len(self._pending) > TAIL_HOPS:
            self._block.append(self._pending.popleft())
        if len(self._block) == BLOCK_HOPS:
            self._observe(_mean(self._block), hop.t)
            self._block.clear()
        if self._sum.value < self._sum.threshold:
            return None
        return self._finding()

    def _observe(self, heard: _Heard, t: float) -> None:
        if not self._good:
            self._first.append(heard)
            if len(self._first) == FIRST_BLOCKS:
                self._first_blank = self._blank
                signs = zip(*self._first, strict=True)
                self._good = [_normal(*pair) for pair in zip(signs, _LEAST, strict=False)]
            return
        if heard.level_db > self._good[1].location + LOUDER_DB:
            return
        if self._loaded(heard):
            self._sum.step((self._evidence(heard) - SIGNS_MEAN) / SIGNS_SD)
            self._sum.value = min(self._sum.value, 2 * self._hold_at)
        if self._sum.value > 0.5 * self._hold_at:
            self._quieter_db = self._good[1].location - heard.level_db
            self._since_s = t - (self._sum.steps * BLOCK_HOPS + TAIL_HOPS) * HOP_S
            for normal in self._good:
                normal.reject()
            return
        for normal, value in zip(self._good, heard, strict=False):
            if value == value:
                normal.step(value)

    def _loaded(self, heard: _Heard) -> bool:
        usual = self._good[3].location
        if usual >= LOAD_TELLS:
            return heard.sag >= LOAD_STAYS * usual  # not so where it is not known: a compressor may hide both
        return heard.strength >= STILL_CUTS

    def _evidence(self, heard: _Heard) -> float:
        """The lesser of two signs that the work softens: quieter, and less crackle or more squeal."""
        crackle, level, tone, _ = self._good
        quiet = -level.z(heard.level_db)
        steady = (crackle.location - heard.crackle) / max(crackle.spread, LEAST_FALL * crackle.location)
        lesser = min(quiet, max(steady, tone.z(heard.tone_db)))
        return lesser / FIRST_BLANK if self._blank <= self._first_blank and lesser > 0 else lesser

    def _finding(self) -> Finding:
        hold = self._sum.value >= self._hold_at
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


def _mean(block: list[_Heard]) -> _Heard:
    """Mean of a block; of crackle the cube root, which makes it normal (Wilson and Hilferty 1931)."""
    n = len(block)
    sags = [heard.sag for heard in block if heard.sag == heard.sag]
    return _Heard(
        math.cbrt(max(sum(heard.crackle for heard in block) / n, 0.0)),
        sum(heard.level_db for heard in block) / n,
        sum(heard.tone_db for heard in block) / n,
        sum(sags) / len(sags) if sags else math.nan,
        sum(heard.strength for heard in block) / n,
    )


def _normal(values: Sequence[float], least: float) -> Normal:
    """Normal from a first few values: their median, and their deviation from the mean absolute one."""
    known = [value for value in values if value == value] or [0.0]
    middle = statistics.median(known)
    spread = math.sqrt(math.pi / 2) * sum(abs(value - middle) for value in known) / len(known)
    return Normal(middle, max(spread, least), len(known), _MEMORY, _LAG, least)
