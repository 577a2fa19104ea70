"""What a quantity says of a load that climbs within a peck, by generalised least squares (Aitken 1935, from
memory)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.faults.variogram import NUGGET


@dataclass(frozen=True, slots=True)
class Climb:
    """What one quantity says of a climb, as a share of the usual torque, by each of its courses.

    ``sums``: weighted sums over their own variances ``sizes``, which are 1 / variance of the share by now;
    in ``parts`` it is ``over`` the usual by such shares. ``usual``: what good pecks have by now.
    """

    sums: NDArray[np.float64]
    sizes: NDArray[np.float64]
    parts: NDArray[np.int64]
    over: NDArray[np.float64]
    usual: float

    def z(self, course: int) -> float:
        """Deviations of its own."""
        size = float(self.sizes[course])
        return float(self.sums[course]) / math.sqrt(size) if size > 0 else 0.0

    def squares(self, grain: float) -> NDArray[np.float64]:
        """Square of these, with its sign, where good pecks climb by such a share themselves."""
        signed = self.sums * np.abs(self.sums)
        return signed / np.maximum(self.sizes * (1 + grain**2 * self.sizes), NUGGET)


def courses(times: NDArray[np.float64], begins: NDArray[np.float64]) -> NDArray[np.float64]:
    """Climbs from each of these times on, as the square, 1 by now; nothing of one that has not begun."""
    courses = np.square(np.maximum(times - begins[:, None], 0.0))
    now = courses[:, -1:]
    return np.where(now > 0, courses / np.where(now > 0, now, 1.0), 0.0)


def fitted(
    covariance: NDArray[np.float64], courses: NDArray[np.float64], over: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Least squares by each course alone: amount over its variance, 1 / variance, and by how many times the
    rest scatters more than the covariance says."""
    solved = np.linalg.solve(covariance, np.vstack([courses, over]).T).T
    weights = solved[:-1]
    sums, sizes = weights @ over, (weights * courses).sum(axis=1)
    explained = np.square(sums) / np.where(sizes > 0, sizes, 1.0)
    scatter = np.maximum((float(solved[-1] @ over) - explained) / max(over.size - 1, 1), 1.0)
    return sums, sizes, scatter


def together(told: list[Climb], course: int, size: int) -> NDArray[np.float64]:
    """By what share of the usual torque the parts of a peck are over it, by all that tells, weighted by how
    well; without the parts of which nothing is known."""
    sums, worth = np.zeros(size), np.zeros(size)
    for one in told:
        sums[one.parts] += one.sizes[course] * one.over
        worth[one.parts] += one.sizes[course]
    return sums[worth > 0] / worth[worth > 0]
