"""`loosening`: the chuck or work holding backs off, and knocks once a turn, louder every turn.

Physical reason: a holding that has let go shifts under the load at the same angle of every turn and strikes
its seat; each blow lets it go further, so the knock grows by some to tens of dB a second, often with little
sag. The statistic is how far one sector of the turn stands out of those beside it, turn after turn
(`monitor.signal.revolutions`), against what this machine showed in its cuts and between them.

The decision asks two things. A cumulative sum says that it stands out more than is normal here. And the
level of the knock grows on: a chip bundle that has begun to slap is as loud, but not louder turn by turn.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from dataclasses import dataclass, field

from monitor.faults.episode import Finding
from monitor.hop import Hop
from monitor.measurements import Kind, Severity
from monitor.signal.cusum import Cusum, Normal, threshold_for
from monitor.spindle import Rotation, SpindleState

RISE_Z, MOST_Z = 2.75, 8.0
"""Drift of the cumulative sum, and the most that one hop counts. The loudest of two dozen sectors has a
heavier tail than a normal variable: the drift is not half a shift but beyond what sound work shows."""

ALARM_EVERY_S = 1000 * 3600.0
"""Working time per false crossing by noise alone."""

LEAST_DB = 3.0
"""A knock stands over the sound beside it at least by twice the power, whatever is normal."""

GROWN_DB, GROWS_ON_DB = 3.0, 1.0
"""Growth of the level since the knock began to stand out: nearly three times the power; and what of it must
come after a sound that is suddenly there has reached its level: the deviation of a level that stays."""

RISEN_Z = 1.0
"""A knock began to stand out when it last did so by no more than this. What went before, as the level of a
cut that begins, is no growth of the knock."""

SETTLE_S, LOOK_BACK_S = 0.1, 6.0
"""A sound is suddenly there if it is within this time; growth is looked for no further back."""

FIRST_S = 1.0
"""The first second of idling, and of cutting, is taken for what this machine does: one may knock at every
turn by a belt joint or a key, as loud as it likes, and only what comes on top of it is told."""

CONTACT_S = 0.2
"""A contact is known so late: the sound of the cut is no growth of an idling machine's knock."""

_LAG_S = 1.5  # what is to become normal waits for so long: a fault is told by then
_STAYS_S = 1.0  # a knock told goes on being told over gaps: between turns of growth, and as its feed is held


@dataclass(slots=True)
class LooseningRule:
    """One `step` a hop; ``half_hops`` is the half window of `monitor.signal.revolutions.Revolutions`."""

    half_hops: int
    hop_s: float
    _share: float = field(init=False)
    _settle_hops: int = field(init=False)
    _contact_hops: int = field(init=False)
    _first: dict[bool, list[float]] = field(init=False)
    _first_hops: int = field(init=False)
    _sum: Cusum = field(init=False)
    _free: Normal = field(init=False)
    _cut: Normal = field(init=False)
    _levels: dict[bool, deque[float]] = field(init=False)  # idling, cutting: the cut is a louder sound itself
    _risen_hops: dict[bool, int] = field(init=False)
    _mixed_hops: int = 0
    _cutting: bool = False
    _told_s: float = -math.inf

    def __post_init__(self) -> None:
        # Hops share their sound over a half window: the correlation falls off linearly, and its square sums
        # to two thirds of it (Bartlett 1946, from memory). So many hops are worth one observation.
        self._share = max(1.0, 2 / 3 * self.half_hops)
        self._sum = Cusum(RISE_Z, threshold_for(ALARM_EVERY_S / (self._share * self.hop_s), RISE_Z))
        # Noise alone gives 1 to 2 dB; a good cut with lips of its own and a slight knock up to 5.
        lag = round(_LAG_S / self.hop_s)
        self._free = Normal(1.5, 0.6, prior=40, lag=lag, least=0.3)
        self._cut = Normal(3.0, 1.2, prior=20, lag=lag, least=0.3)
        self._first = {False: [], True: []}
        self._first_hops = round(FIRST_S / self.hop_s)
        self._settle_hops = round(SETTLE_S / self.hop_s)
        self._contact_hops = round(CONTACT_S / self.hop_s)
        hops = round(LOOK_BACK_S / self.hop_s)
        self._levels = {state: deque(maxlen=hops) for state in (False, True)}
        self._risen_hops = dict.fromkeys(self._levels, 0)

    def step(self, hop: Hop, rotation: Rotation, cutting: bool, spotting: bool = False) -> Finding | None:
        """Finding while a knock of every turn is more than normal and has grown.

        A centre drill cuts otherwise, mostly at another speed: ``spotting`` is neither judged nor learned.
        """
        if spotting or hop.deaf or rotation.state not in (SpindleState.TURNING, SpindleState.MASKED):
            self._forget()
            return None
        if cutting != self._cutting:
            self._cutting, self._mixed_hops = cutting, 2 * self.half_hops
        self._mixed_hops = max(0, self._mixed_hops - 1)
        mixed = self._mixed_hops > 0
        if self._mixed_hops <= self.half_hops:
            self._levels[cutting].append(hop.peak_db)
        if len(self._first[cutting]) < self._first_hops:
            if not mixed and rotation.settled and hop.heard:
                self._take_first(cutting, hop.knock_db)
            return None
        # A drill that enters slowly beats with the stock before its cut is known: what knocks while idling
        # has to be more than cuts do as well.
        normal = self._cut if cutting or mixed else self._free
        z = self._cut.z(hop.knock_db)
        if mixed or not cutting:
            z = min(z, self._free.z(hop.knock_db))
        self._risen_hops[cutting] = self._risen_hops[cutting] + 1 if z > RISEN_Z else 0
        if hop.knock_db < LEAST_DB:
            z = min(z, 0.0)
        sure = self._sum.step(RISE_Z + (min(z, MOST_Z) - RISE_Z) / self._share)
        if not sure and not mixed and rotation.settled and hop.heard:
            normal.step(hop.knock_db)
        elif sure:
            self._sum.value = min(self._sum.value, 1.5 * self._sum.threshold)
            self._free.reject()
            self._cut.reject()
        if sure and (self._grows() or hop.t - self._told_s < _STAYS_S):
            self._told_s = hop.t
        if hop.t - self._told_s >= _STAYS_S:
            return None
        return self._finding(hop, normal)

    def _take_first(self, cutting: bool, knock_db: float) -> None:
        """Another hop of the first second of this state; complete, it says what is normal there."""
        first, normal = self._first[cutting], self._cut if cutting else self._free
        first.append(knock_db)
        if len(first) == self._first_hops:
            normal.location = statistics.median(first)
            seen = 1.25 * statistics.fmean(abs(knock - normal.location) for knock in first)
            normal.spread = math.sqrt((normal.spread**2 + seen**2) / 2)  # a second is worth what was expected

    def _forget(self) -> None:
        self._sum.clear()
        for state, levels in self._levels.items():
            levels.clear()
            self._risen_hops[state] = 0
        self._told_s = -math.inf

    def _grows(self) -> bool:
        """Whether the level has risen, and on from where a sound that is suddenly there would have stayed."""
        begin = self._risen_hops[self._cutting] + 2 * self.half_hops
        levels = list(self._levels[self._cutting])
        if not self._cutting:  # the newest may be of a contact that is not known yet
            levels = levels[: -self._contact_hops]
        levels = levels[-begin:]
        sudden = 3 * self.half_hops + self._settle_hops
        if len(levels) <= sudden:
            return False
        return levels[-1] - min(levels) >= GROWN_DB and levels[-1] - max(levels[:sudden]) >= GROWS_ON_DB

    def _finding(self, hop: Hop, normal: Normal) -> Finding:
        message = (
            f"The chuck or work holding knocks once a turn, {hop.knock_db:.0f} dB over the sound beside it "
            f"(normal here {normal.location:.0f} dB), and louder turn by turn: stop the spindle, then "
            "retract and tighten the holding."
        )
        onset = hop.t - self._sum.steps * hop.step_s
        return Finding(Kind.LOOSENING, Severity.HOLD, message, hop.knock_db, normal.location, "dB", onset)
