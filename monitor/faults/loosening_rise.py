"""A holding that knocks louder than the cut: what `loosening` asks where a knock drowns what else is heard.

How far a knock stands out of its turn says less and less of how loud it is: it rings on in the machine and
the room, fills the gap to the next one and raises what it is compared to, and blows that waver by some per
cent of a turn fill it sooner. Then the sound of the whole turn grows, in the bands of what is struck, over
what good cuts differ by; that is heard without any angle. It alone would tell another sound that begins, or a
harder blank, for a knock (25 times an hour in drawn good work), so four things are asked together: the level
of some bands over all good cuts, by what these differ and by a share of power that blanks hardly make; that
it has grown within this cut; that other bands have not grown alike; and that the turn still shows a knock,
and more of one than is normal. Another sound covers what is normal once a turn, and so shows less of it.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

MEMORY_S = 0.3
"""Time constant of the level: some turns, of which one may hold a chip that broke loudly."""

LOUDER_DB, LOUDER_Z, ALSO_DB = 5.0, 4.0, 3.0
"""The band that rose most and another one not beside it, on average: over good cuts, in decibels and in
deviations of cuts; and the latter by itself, to twice its power. A blow is short, and so it is heard over a
wide band; a tone, as of chatter, raises one band or two that lie side by side. Blanks of one batch differ by
half as much; a knock of twice its normal amplitude, 6 dB louder, is to be told 1.5 s later."""

GREW_DB, GREW_S = 2.0, 1.6
"""Growth of these bands within the cut, over the least that they were so long ago."""

GROWS_ON_DB, STRETCHES, STRETCH_S = 0.3, 4, 0.3
"""Growth from each of the last stretches to the next: a knock grows turn by turn, at 3 dB a second by three
times as much. A syllable, a note or a machine switched on rises from one to the next or to the one after it,
and then stays or falls."""

FAST_DB, SLOWS = 2.0, 0.5
"""Growth from one stretch to the next that has to go on by this share at least: a knock that grows by so
much, 7 dB a second, gets louder on and on. One of a compressor that runs up slows within a second."""

APART = 0.5
"""Share of the greatest rise that the least may have: what is struck rings in some bands. A microphone that
is turned up, or the work's grain, raises all of them."""

KNOCKS_Z, KNOCKS, LASTS_TURNS = 1.0, 6.6, 3
"""How far the angle that stands out most does so over what is normal here, in deviations, on average over the
same memory; and in deviations of a mean, whatever is normal: four over what noise gives. All this in so many
turns in a row. Without it these levels came 25 times an hour in drawn good work, with it in none of 2.9 h."""

LEAST_CUTS, MOST_CUTS = 2, 12
"""Cuts of which the normal level is the median, at least and at most."""

SETTLE_S = 0.3
"""The first of a cut is left out: a frame, and the drill's point enters."""

DIFFER_DB = 1.0
"""Deviation of the level from cut to cut, at least (0.5 to 1.5 dB on drawn machines)."""

_SILENCE = np.float32(1e-13)
_TO_DEVIATION = 1.4826  # a normal variable's, of its median absolute one


@dataclass(slots=True)
class RisingCut:
    """`step` each turn of a cut, of ``step_s``; `begin` and `end` each cut."""

    step_s: float
    _cuts: deque[NDArray[np.float64]] = field(default_factory=lambda: deque(maxlen=MOST_CUTS))
    _normal: NDArray[np.float64] | None = None
    _spread: NDArray[np.float64] | None = None
    _level: NDArray[np.float64] | None = None  # mean of the newest turns
    _z: float = 0.0  # the same
    _past: deque[NDArray[np.float64]] = field(init=False)  # levels of this cut, the oldest first
    _newest: deque[NDArray[np.float64]] = field(init=False)  # the same of single turns
    _sum: NDArray[np.float64] | None = None  # of all levels
    _turns: int = 0
    _settled: int = 0  # of the turns, how many are of a cut with the point in
    _shown: int = 0
    _doubtful: bool = False
    _told: bool = False

    def __post_init__(self) -> None:
        self._past = deque(maxlen=max(2, round(GREW_S / self.step_s)))
        self._newest = deque(maxlen=STRETCHES * max(1, round(STRETCH_S / self.step_s)))

    def begin(self) -> None:
        """A cut begins."""
        self._level, self._sum, self._z = None, None, 0.0
        self._turns, self._settled, self._shown, self._told = 0, 0, 0, False
        self._past.clear()
        self._newest.clear()
        if len(self._cuts) >= LEAST_CUTS:
            cuts = np.array(self._cuts)
            self._normal = np.median(cuts, axis=0)
            off = np.median(np.abs(cuts - self._normal), axis=0)
            self._spread = np.maximum(_TO_DEVIATION * off, DIFFER_DB) * math.sqrt(1 + 1 / len(cuts))

    def end(self) -> None:
        """The cut is over. Of one that knocked, or that another sound covers, nothing is learned."""
        if self._sum is not None and not (self._told or self._doubtful):
            self._cuts.append(self._sum / self._settled)
        self._sum = None

    def knocks(self) -> None:
        """A knock was told otherwise in this cut."""
        self._told = True

    def step(
        self, power: NDArray[np.float32], z: float, most: float, enters: bool, doubtful: bool
    ) -> float | None:
        """By how many dB the cut is louder than good ones, while it knocks; None where not.

        ``power``: float32, shape (n_groups,), mean of this turn. ``z`` and ``most``: how far the angle that
        stands out most does so over what is normal, and in deviations of a mean. ``enters``: the drill's
        point is not in yet; ``doubtful``: another sound is louder than the machine; one that was as the cut
        began covers it, and what comes later may be the knock.
        """
        self._turns += 1
        if self._turns == 1:
            self._doubtful = doubtful
        if enters or self._turns * self.step_s <= SETTLE_S:
            return None  # a cut that is only beginning rises
        level = 10 * np.log10(np.maximum(power, _SILENCE)).astype(np.float64)
        self._settled += 1
        share = max(1 - math.exp(-self.step_s / MEMORY_S), 1 / self._settled)
        self._level = level if self._level is None else self._level + share * (level - self._level)
        self._z += share * (z - self._z)
        self._past.append(self._level)
        self._newest.append(level)
        self._sum = self._level if self._sum is None else self._sum + self._level
        knocks = self._z >= KNOCKS_Z and most >= KNOCKS and not self._doubtful
        louder_db = self._louder_db() if knocks else None
        self._shown = self._shown + 1 if louder_db is not None else 0
        if self._shown < LASTS_TURNS:
            return None
        self._told = True
        return louder_db

    def _louder_db(self) -> float | None:
        normal, spread, newest = self._normal, self._spread, self._newest
        if self._level is None or normal is None or spread is None or len(newest) < (newest.maxlen or 0):
            return None
        over = self._level - normal
        first = int(over.argmax())
        beside = np.abs(np.arange(over.size) - first) <= 1
        two = [first, int(np.where(beside, -np.inf, over).argmax())]
        louder_db = float(over[two].mean())
        if louder_db < LOUDER_DB or float((over / spread)[two].mean()) < LOUDER_Z:
            return None
        if over[two[1]] < ALSO_DB or float(over.min()) > APART * louder_db:
            return None
        if float(self._level[two].mean()) - min(float(past[two].mean()) for past in self._past) < GREW_DB:
            return None
        turns = np.array(newest)[:, two].mean(axis=1)
        grew_db = np.diff(turns.reshape(STRETCHES, -1).mean(axis=1))
        most_db = float(grew_db.max())
        slows = most_db >= FAST_DB and float(grew_db[-1]) < SLOWS * most_db
        return None if slows or float(grew_db.min()) < GROWS_ON_DB else louder_db
