"""The machine alone, as `melting` hears it between cuts.

Other sound only adds. So the machine alone is the middle of what is heard between cuts, which a sound that
came or went meanwhile leaves.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

from monitor.faults.melting_heard import BLOCK_HOPS, Heard, mean_of, middle

IDLE_HOPS = 40
"""Newest hops outside of cuts whose mean tells what the machine sounds like alone: two seconds."""

IDLE_AFTER_S = 0.3
"""After a cut as dated: a frame, its dating and the room's echo."""

FREE_DIFFERS = 0.015
"""Sag, as a fraction, by which the speed just before may differ from the reference: machines wander by less,
and more is another commanded speed."""

FORGETS_DB = 0.5
"""Per second: a squeal is no tone that was heard before the cut, as far as it is remembered."""


@dataclass(slots=True)
class Alone:
    """`hear` each hop outside of cuts; ``tone_db``: the strongest tone outside of them, see `hear_tone`."""

    tone_db: float = -math.inf
    _idle: deque[Heard] = field(default_factory=lambda: deque(maxlen=IDLE_HOPS))
    _mean: Heard | None = None
    _sd_db: float = 0.0

    @property
    def known(self) -> bool:
        """Whether it was heard at all."""
        return bool(self._idle)

    def hear(self, heard: Heard) -> None:
        """Take a hop outside of cuts."""
        self._idle.append(heard)
        self._mean = None

    def hear_tone(self, tone_db: float, step_s: float) -> None:
        """Remember how strong a tone was in a hop outside of cuts, and forget the one before slowly."""
        forgotten_db = self.tone_db - FORGETS_DB * step_s
        self.tone_db = forgotten_db if forgotten_db > tone_db else tone_db

    def mean(self) -> Heard:
        """As lately heard; the same object until the next hop outside of cuts. It must be ``known``."""
        if self._mean is None:  # it is the same for all of a cut
            self._mean, self._sd_db = _machine(self._idle)
        return self._mean

    def loudest_db(self) -> float:
        """Its loudest band, NaN where it was not heard."""
        if not self._idle:
            return math.nan
        idle = self.mean()
        return max(idle.upper_db, idle.lower_db)

    def block_sd_db(self) -> float:
        """Deviation of the difference between the mean of a block and the median of what was heard of it."""
        self.mean()
        return self._sd_db * math.sqrt(1 / BLOCK_HOPS + math.pi / 2 / len(self._idle))

    def sag_below(self, heard: Heard) -> float:
        """Sag from the speed of the machine running free just before, where that was known."""
        free_hz = self.mean().spindle_hz if self._idle else math.nan
        sag = 1 - heard.spindle_hz / free_hz
        return sag if abs(sag - heard.sag) < FREE_DIFFERS else heard.sag


def _machine(idle: Sequence[Heard]) -> tuple[Heard, float]:
    """Middle of what was heard with the drill out, since what came or went meanwhile was not the machine's,
    and the deviation of its hops, dB."""
    upper_db, upper_sd_db = middle([one.upper_db for one in idle])
    lower_db, lower_sd_db = middle([one.lower_db for one in idle])
    machine = mean_of(idle)._replace(upper_db=upper_db, tilt_db=upper_db - lower_db)
    return machine, max(upper_sd_db, lower_sd_db)
