"""Whether the microphone was turned down: then it takes the machine's own lines along, and less hiss is none
of the cut's."""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass, field

from monitor.faults.melting_alone import Alone
from monitor.faults.melting_heard import FIRST_BLOCKS, LEAST_TILT_DB, MEMORY_BLOCKS, Heard
from monitor.signal.cusum import Normal

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


@dataclass(slots=True)
class FreeSound:
    """How loud the machine was, running free, when good cuts were heard: `learn` each good block of a cut.

    ``low``: the lower quarter of its spectrum, None while not known.
    """

    low: Normal | None = None
    _lines: Normal | None = None
    _before_db: float = math.nan  # hiss of good cuts, up to when the lines running free became quieter
    _kept_pecks: int = 0
    _peck_db: list[float] = field(default_factory=list)
    _pause: Heard | None = None

    def same_gain(self, heard: Heard, alone: Alone) -> bool:
        """Whether the machine's own lines are as loud as before, in the cut and out of it."""
        if not alone.known:
            return True
        free_db, known = alone.mean().line_db, self._lines
        same = known is None or free_db >= known.location - FREE_LINES_DB
        return same and heard.line_db >= free_db - SAME_LINES_DB

    def learn(self, heard: Heard, alone: Alone, hiss_db: float) -> None:
        """Follow how loud the machine is as long as good cuts are heard, whose hiss is ``hiss_db``."""
        if not alone.known:
            return
        free = alone.mean()
        lines = self._lines
        if lines is None or self._cuts_kept(heard, free, lines.location, hiss_db):
            self._lines = lines = Normal(free.line_db, SAME_LINES_DB / 2, FIRST_BLOCKS, MEMORY_BLOCKS)
            self._before_db, self._kept_pecks = hiss_db, 0
            self._peck_db.clear()
        if self.low is None:
            self.low = Normal(free.lower_db, LEAST_TILT_DB, FIRST_BLOCKS, MEMORY_BLOCKS)
        lines.step(free.line_db)
        self.low.step(free.lower_db)

    def _cuts_kept(self, heard: Heard, free: Heard, known_db: float, hiss_db: float) -> bool:
        """Whether the lines running free have become quieter, and the good cuts since have not."""
        fell_db = known_db - free.line_db
        if fell_db <= FREE_LINES_DB:
            self._before_db, self._kept_pecks = hiss_db, 0
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
