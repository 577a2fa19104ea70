"""What good pecks cost, part by part: a mean of the newest, weighted by how surely each was heard."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.signal.cusum import WINSOR

MOST_PECKS = 20
"""Newest pecks that what is usual is a mean of: some blanks, less than a drill takes to dull."""


@dataclass(slots=True)
class Usual:
    """Mean loads of the newest good pecks of one kind, part by part, NaN where not known.

    ``worth``: how many surely heard ones those that told a part are worth; ``variance``: of that mean, beyond
    wander and estimator. What lies far from the median moves the mean no further (Huber 1964, from memory):
    a first peck that another sound marred is outvoted by the third.
    """

    loads: NDArray[np.float64] = field(init=False)
    variance: NDArray[np.float64] = field(init=False)
    worth: NDArray[np.float64] = field(init=False)
    _pecks: deque[tuple[NDArray[np.float64], NDArray[np.float64]]] = field(
        default_factory=lambda: deque(maxlen=MOST_PECKS)
    )

    @property
    def n(self) -> int:
        """How many pecks there were."""
        return len(self._pecks)

    def take(self, loads: NDArray[np.float64], variance: NDArray[np.float64], scatter: float) -> None:
        """Add a peck; pecks scatter by the square root of ``scatter`` by themselves."""
        self._pecks.append((loads, variance))
        size = max(one.size for one, _ in self._pecks)
        every = np.full((self.n, size), np.nan)
        unsure = np.zeros((self.n, size))
        for i, (one, its_variance) in enumerate(self._pecks):
            every[i, : one.size], unsure[i, : one.size] = one, its_variance
        heard = np.isfinite(every)
        middle = _medians(every, heard.sum(axis=0))
        most = WINSOR * np.sqrt(scatter + unsure)
        worth = np.where(heard, scatter / (scatter + unsure), 0.0)
        self.worth = worth.sum(axis=0)
        shares = worth / np.where(self.worth > 0, self.worth, 1.0)
        self.loads = (shares * np.where(heard, np.clip(every, middle - most, middle + most), 0.0)).sum(axis=0)
        self.loads[self.worth == 0] = np.nan
        self.variance = (np.square(shares) * unsure).sum(axis=0)


def _medians(rows: NDArray[np.float64], known: NDArray[np.int64]) -> NDArray[np.float64]:
    """Median of each column, of so many values that are not NaN."""
    ordered = np.sort(rows, axis=0)  # NaN last
    columns = np.arange(known.size)
    lower, upper = np.maximum(known - 1, 0) // 2, np.minimum(known // 2, rows.shape[0] - 1)
    medians: NDArray[np.float64] = 0.5 * (ordered[lower, columns] + ordered[upper, columns])
    return medians


def padded(parts: NDArray[np.float64], size: int) -> NDArray[np.float64]:
    """The first parts; beyond those heard, the last of them."""
    return parts[np.minimum(np.arange(size), parts.size - 1)]
