"""How loud good pecks are, and what a louder one says of its load.

Chips that rub take work, part of which becomes sound: where a drive is regulated, a machine wanders or a loud
cut drowns the lines, that is what tells.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.faults.good_pecks import Usual, padded
from monitor.faults.packing_climb import Climb, courses, fitted
from monitor.faults.packing_peck import LEAST_PARTS, NO_GOOD_Z, PARTS, Peck
from monitor.signal.cusum import WINSOR, Normal

LOUDER_DB = 3.0
"""By which a cut gets louder where its torque doubles, if the same share of its work becomes sound."""

SCATTER_DB, ALIKE_S = 1.2, 0.6
"""Deviation of the sound of a part from that of good ones, until this machine's is known, and how long half
of its power lasts: grain, crackle and chips (0.5 to 2 dB on drawn machines)."""

PECKS_DB = 1.0
"""Deviation by which pecks differ in loudness as a whole, until this machine's is known."""

LOUD_S = 0.2
"""After contact, give or take its dating, a cut is as loud as it gets."""

FAINTER_DB = 4.0
"""So much under good pecks early in the peck the drill is not in yet, whatever is heard: what climbs then is
the true contact. Packed pecks are never fainter."""

MOST_LOUDER_Z = 4.0
"""Deviations that sound counts at most in a peck, so that alone it needs two of them: another sound may well
swell in one, but hardly in two that follow each other."""

LEAST_SHARE = 0.1
"""Of the cut in what is heard: with less, its sound tells nothing."""


@dataclass(slots=True)
class Loudness:
    """How loud good pecks are, part by part, and what a louder one says of its load.

    ``dull_db``: by how much this blank's first peck, whose
    chips fall out, was louder, counted half: it may have been another sound.
    """

    dull_db: float = 0.0
    _kinds: dict[int, Usual] = field(default_factory=dict)
    _places: dict[int, Usual] = field(default_factory=dict)
    _scatter: Normal = field(default_factory=lambda: Normal(0.0, SCATTER_DB, prior=20.0, memory=400.0))
    _differ: Normal = field(default_factory=lambda: Normal(0.0, PECKS_DB, prior=6.0, memory=40.0))

    def climb(self, peck: Peck, kind: int, begins: NDArray[np.float64]) -> Climb | None:
        """What the sound says of a climb, None where nothing."""
        levels = np.asarray(peck.levels_db)
        good, n = self._expected(peck.number, kind, levels.size)
        if good is None:
            return None
        k = np.arange(levels.size)
        known = np.isfinite(levels - good) & (k * peck.part_s >= LOUD_S)
        if known.sum() < LEAST_PARTS - 1 or not known[-1]:
            return None
        over = (levels - good)[known]
        times = np.asarray((k[known] + 0.5) * peck.part_s, np.float64)
        share = 1.0 - 10.0 ** ((peck.idle_db - float(good[known].mean())) / 10)  # of the cut in what is heard
        if share < LEAST_SHARE or over[: PARTS // 2].min() < -FAINTER_DB:
            return None
        over -= share * self.dull_db
        lasting = np.exp(-np.abs(times[:, None] - times[None, :]) / ALIKE_S)
        covariance = 0.5 * self._scatter.spread**2 * (lasting + np.eye(times.size))
        covariance = (covariance + (share * self._differ.spread) ** 2) * (1 + 1 / n)
        doubled_db = share * LOUDER_DB
        sums, sizes, _ = fitted(covariance, courses(times, begins) * doubled_db, over)
        # a cut that is fainter, by a microphone that was moved, for instance, says nothing against a load
        sums = np.clip(sums, 0.0, MOST_LOUDER_Z * np.sqrt(sizes))
        return Climb(sums, sizes, k[known], over / doubled_db, float(good[-1]))

    def learn(self, peck: Peck, kind: int) -> None:
        """Take a peck that is over."""
        levels = np.asarray(peck.levels_db)
        if levels.size < LEAST_PARTS or not np.isfinite(levels).any():
            return
        good, n = self._expected(peck.number, kind, levels.size)
        near, packed = levels, peck.z >= NO_GOOD_Z
        if good is not None:
            over = (levels - good)[1:]
            over = over[np.isfinite(over)]
            if over.size > 1:
                self._learn_scatter(peck.number, over, math.sqrt(n / (n + 1)))
            if packed:  # as of the load: what every blank does there becomes usual, though not at once
                most = WINSOR * self._scatter.spread
                near = np.where(np.isfinite(good), np.clip(levels, good - most, good + most), levels)
        sure, scatter = np.zeros(levels.size), self._scatter.spread**2
        place = self._places.setdefault(peck.number, Usual())
        place.take(near, sure, scatter)
        if not packed and place.n <= 2:  # later on no peck is judged by its kind
            self._kinds.setdefault(kind, Usual()).take(levels, sure, scatter)

    def _learn_scatter(self, number: int, over: NDArray[np.float64], share: float) -> None:
        """``share``: of the deviation that is this peck's own, and not of what is known of good ones."""
        mean = float(over.mean())
        if number == 1:
            self.dull_db = 0.5 * mean
        else:
            self._differ.step(share * (mean - self.dull_db))
        share *= math.sqrt(over.size / (over.size - 1))
        for one in (share * (over - mean)).tolist():
            self._scatter.step(one)

    def _expected(self, number: int, kind: int, size: int) -> tuple[NDArray[np.float64] | None, int]:
        """How loud such pecks are, part by part, and how many tell it: those of the same place in the blank,
        once two were heard, for a deeper hole muffles the cut."""
        place = self._places.get(number)
        good = place if place is not None and place.n > 1 else self._kinds.get(kind)
        return (padded(good.loads, size), good.n) if good is not None else (None, 0)
