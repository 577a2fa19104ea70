"""`mic_fault`, second half: sound that comes back is not trusted before it is known to be the same ear's.

A lost microphone may come back as another one, with another gain, or in another place: a plug pulled and put
into the wrong socket, a stand knocked over; a sound server may silently go on with a different device. Every
rule compares with levels learned through the old one. So after a loss the sound has to last, and as soon as
the spindle is heard turning free its learned lines have to be as loud as they were.

Room noise lifts the floor and leaves the lines; gain lifts both; a microphone moved away or of another kind
loses lines. So louder means both, and quieter means the lines.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

from monitor.faults.episode import NORMAL_FOR_S, Finding
from monitor.faults.microphone import LOST_AFTER_S
from monitor.hop import Hop
from monitor.measurements import Kind, Severity
from monitor.spindle import TURNING, Rotation

BACK_FOR_S = 2.0
"""Sound that lasts this long is back: a plug that is being pushed in crackles for less."""

COMPARED_HOPS = 30
"""Free running that is compared: 1.5 s in one piece or several, some twenty revolutions, over which beating
lines even out."""

SAME_WITHIN_DB = 6.0
"""The same microphone in the same place repeats within 2 dB; half or twice the distance is 6 dB."""

QUIET_SHARE = 0.1
"""A drill leaves the work between two pecks, and moves and dwells for some seconds a cycle (common practice,
no published source). A gain does not: what is loud in nine tenths of a time longer than a peck is the
microphone."""

LIKE_BASELINE_DB = 12.0
"""Since the baseline was learned the machine may have warmed and the stand been moved: twice that."""

OWN_SUPPORT, TELLING = 0.5, 3.0
"""Share of the expected evidence that a machine's own lines give, where they tell that much a hop (nats): all
of it, give or take the noise. Half of it is another machine's baseline."""


@dataclass(slots=True)
class ReturnedMicrophone:
    """One `step` a hop.

    Parameters
    ----------
    peck_hops : int
        Hops of the job's longest peck.
    live : bool
        Whether the first free running is compared with the baseline too: at a machine a microphone is either
        the one that learned it or a mistake; a recording may have been made with any gain.
    """

    peck_hops: int
    live: bool = False
    _gone_s: float = math.nan  # since when it is gone, NaN while it is there
    _back_s: float = -math.inf  # since when it is back
    _pending: bool = False
    _other: bool = False
    _told: bool = False
    _comparing: bool = False
    _known: tuple[float, float] | None = None  # lines and floor over the baseline, before the loss
    _free: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=COMPARED_HOPS))
    _support: deque[float] = field(default_factory=lambda: deque(maxlen=COMPARED_HOPS))
    _turning: deque[tuple[float, float]] = field(default_factory=deque)

    def __post_init__(self) -> None:
        self._pending = self.live
        self._turning = deque(maxlen=max(self.peck_hops * 3 // 2, 2 * COMPARED_HOPS))

    @property
    def over_baseline_db(self) -> tuple[float, float] | None:
        """Lines and floor over the baseline, dB, in the newest free running; None before there was enough.

        A microphone that is much louder makes free running sound like a cut, so where none was heard all
        turning counts: whoever asks knows that nothing is cut.
        """
        for heard in (self._free, self._turning):
            if len(heard) >= COMPARED_HOPS:
                return _middle(heard)
        return None

    @property
    def free_over_baseline_db(self) -> tuple[float, float] | None:
        """The same of free running alone, half a second of it and more."""
        return _middle(self._free) if len(self._free) >= COMPARED_HOPS // 3 else None

    def unchecked(self, t: float) -> bool:
        """Whether a person's reset would come too early at ``t``, in seconds of signal."""
        if self._gone_s == self._gone_s or t - self._back_s < BACK_FOR_S:
            return True
        return self._other or (self._comparing and self._back_s > -math.inf)

    def step(self, hop: Hop, rotation: Rotation, cutting: bool, lost: bool) -> Finding | None:
        """Take one hop; ``lost`` when the sound fell to what only a lost microphone gives."""
        if hop.deaf or lost:
            self._gone_s = hop.t - hop.step_s if self._gone_s != self._gone_s else self._gone_s
            return None
        if self._gone_s == self._gone_s:
            self._come_back(hop)
        turning = rotation.state is TURNING and rotation.settled and hop.heard
        if turning:
            self._turning.append((hop.line_db, hop.over_db))
        free = turning and not cutting
        self._comparing = free and self._pending
        if free:
            self._free.append((hop.line_db, hop.over_db))
        if hop.heard and rotation.state is TURNING and hop.audible >= TELLING:
            self._support.append(hop.support)
        if not self._pending or hop.t - self._back_s < BACK_FOR_S:
            return None
        if self._is_unlike():
            return self._unlike()
        if not turning:
            return None
        if free and len(self._free) == COMPARED_HOPS:
            return self._compare(hop, *_middle(self._free))
        if not free and len(self._turning) == self._turning.maxlen:
            quiet = _quantile(self._turning, QUIET_SHARE)
            if self._moved(*quiet) > self._limit:
                return self._compare(hop, *quiet)
        return None

    @property
    def _limit(self) -> float:
        return SAME_WITHIN_DB if self._known else LIKE_BASELINE_DB

    def _moved(self, lines_db: float, floor_db: float) -> float:
        known = self._known or (0.0, 0.0)
        return gain_change_db(lines_db - known[0], floor_db - known[1])

    def _come_back(self, hop: Hop) -> None:
        gone_s, self._gone_s = hop.t - hop.step_s - self._gone_s, math.nan
        if gone_s < LOST_AFTER_S - hop.step_s / 2:
            return  # a hiccup: the same device, with a gap
        if not self._pending and len(self._free) == COMPARED_HOPS:
            self._known = _middle(self._free)
        self._free.clear()
        self._support.clear()
        self._turning.clear()
        self._back_s, self._pending, self._other, self._told = hop.t, True, False, False

    def _compare(self, hop: Hop, lines_db: float, floor_db: float) -> Finding | None:
        moved = self._moved(lines_db, floor_db)
        self._other = abs(moved) > self._limit
        if not self._other:
            self._pending = False
            return None
        # A finding within the time in which the loss itself still counts would be taken for the same cause.
        if self._told or hop.t - self._back_s <= NORMAL_FOR_S + hop.step_s:
            return None
        self._told = True
        how, before = "louder" if moved > 0 else "quieter", "before" if self._known else "in the baseline"
        message = (
            f"The machine sounds {abs(moved):.0f} dB {how} than {before}: another microphone, gain or place. "
            "Put it back as it was, or stop and learn a new baseline."
        )
        return Finding(Kind.MIC_FAULT, Severity.HOLD, message, moved, math.copysign(self._limit, moved), "dB")

    def _is_unlike(self) -> bool:
        """Whether the learned lines are not where a spindle seems to turn, and not because of the gain."""
        if self._known or len(self._support) < COMPARED_HOPS or len(self._turning) < COMPARED_HOPS // 2:
            return False
        gain = abs(self._moved(*_middle(self._turning))) > self._limit
        return not gain and statistics.median(self._support) < OWN_SUPPORT

    def _unlike(self) -> Finding | None:
        self._other = True
        if self._told:
            return None
        self._told = True
        message = (
            "The spindle's lines are not those of the baseline: it is another machine's, or the microphone "
            "hears something else. Stop, and give the baseline of this machine or learn a new one."
        )
        support = statistics.median(self._support)
        return Finding(Kind.MIC_FAULT, Severity.HOLD, message, support, OWN_SUPPORT, "")


def gain_change_db(lines_db: float, floor_db: float) -> float:
    """How much louder (positive) the same machine is heard, from its lines and from the noise between them.

    Examples
    --------
    >>> gain_change_db(10.0, 11.0), gain_change_db(1.0, 12.0), gain_change_db(-9.0, 0.0)
    (10.0, 1.0, -9.0)
    """
    return min(lines_db, floor_db) if lines_db > 0 and floor_db > 0 else min(lines_db, 0.0)


def _middle(hops: Sequence[tuple[float, float]]) -> tuple[float, float]:
    return _quantile(hops, 0.5)


def _quantile(hops: Sequence[tuple[float, float]], share: float) -> tuple[float, float]:
    lines, floors = (sorted(column) for column in zip(*hops, strict=True))
    at = int(share * (len(lines) - 1))
    return lines[at], floors[at]
