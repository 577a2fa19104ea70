"""Sequential tests: a cumulative sum that tells a lasting change soonest, and what is normal before it.

A cumulative sum (CUSUM, Page 1954) adds up how far each observation lies over a normal one and falls back
to zero while nothing is wrong. Of all tests with the same false-alarm rate it has the shortest worst mean
delay for the change that it was made for (Lorden 1971 for rare false alarms, Moustakides 1986 for any).
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

import numpy as np

WINSOR = 2.5
"""Deviations beyond which an observation moves what is normal no further (Huber 1964, from memory: at 2.5
little is lost where all is normal, and the pull of an outlier is bounded)."""

_MEAN_ABSOLUTE = math.sqrt(math.pi / 2)  # of a normal variable: deviation over mean absolute deviation
_SIEGMUND = 1.166  # mean excess over both ends, in deviations, for a random walk of normal steps
_NODES_PER_DEVIATION = 8  # of the quadrature: run lengths to 1e-6
_LEAST_NODES = 24


@dataclass(slots=True)
class Cusum:
    """One-sided sum for a rise: `step` it with deviations from normal, in units of their own deviation.

    ``drift`` is half the rise that should be told soonest, ``threshold`` what the sum must reach (see
    `threshold_for`). ``steps`` counts the observations since the sum was last zero: where the change began,
    by its maximum-likelihood estimate.

    Examples
    --------
    >>> rise = Cusum(drift=0.5, threshold=4.0)
    >>> [rise.step(z) for z in (0.1, -1.0, 2.0, 2.5, 2.0)]
    [False, False, False, False, True]
    >>> rise.steps
    3
    """

    drift: float
    threshold: float
    value: float = 0.0
    steps: int = 0

    def step(self, z: float) -> bool:
        """Take one observation; whether the sum has reached its threshold. Stays so while the sum does."""
        self.value += z - self.drift
        if self.value <= 0:
            self.value, self.steps = 0.0, 0
            return False
        self.steps += 1
        return self.value >= self.threshold

    def clear(self) -> None:
        """Start anew."""
        self.value, self.steps = 0.0, 0


def run_length(shift: float, drift: float, threshold: float) -> float:
    """Mean number of observations until the sum reaches its threshold from zero.

    Parameters
    ----------
    shift : mean of the observations, in deviations: 0 gives the time between false alarms, more gives the
        delay of a true one
    drift, threshold : as in `Cusum`, in deviations

    Notes
    -----
    Independent normal observations: Page's integral equation by Gauss and Legendre's quadrature, zero
    being an atom (Page 1954; as a Markov chain Brook and Evans 1972; from memory). Observations that share
    their sound run n times as long, if every n of them are worth one.
    """
    nodes = max(_LEAST_NODES, math.ceil(_NODES_PER_DEVIATION * threshold))
    x, w = np.polynomial.legendre.leggauss(nodes)
    y, w = threshold / 2 * (x + 1), threshold / 2 * w
    start = np.concatenate([[0.0], y])
    to_zero = np.array([0.5 * math.erfc((u + shift - drift) / math.sqrt(2)) for u in start])
    density = np.exp(-0.5 * (y[None, :] - start[:, None] + drift - shift) ** 2) / math.sqrt(2 * math.pi)
    kernel = np.column_stack([to_zero, density * w])
    return float(np.linalg.solve(np.eye(nodes + 1) - kernel, np.ones(nodes + 1))[0])


def siegmund_run_length(shift: float, drift: float, threshold: float) -> float:
    """`run_length` by Siegmund's approximation (1985, from memory): within 1 % at a drift of 1/2, 6 % at 1.

    Closed and smooth, so it is what thresholds are found with.
    """
    up, far = shift - drift, threshold + _SIEGMUND
    if abs(up) * far < 1e-4:
        return far * far
    return (math.exp(-2 * up * far) + 2 * up * far - 1) / (2 * up * up)


def threshold_for(observations: float, drift: float) -> float:
    """Threshold at which normal observations give one false alarm in so many, on average.

    Parameters
    ----------
    observations : independent ones per false alarm; more than 1
    drift : as in `Cusum`, more than 0
    """
    if observations <= 1 or drift <= 0:
        raise ValueError(f"{observations:g} observations and drift {drift:g}: need more than 1, and 0")
    low, high = 0.0, 1.0
    while siegmund_run_length(0.0, drift, high) < observations:
        high *= 2
    for _ in range(60):
        middle = (low + high) / 2
        less = siegmund_run_length(0.0, drift, middle) < observations
        low, high = (middle, high) if less else (low, middle)
    return high


@dataclass(slots=True)
class Normal:
    """What is normal: location and spread of an observation, learned slowly and robustly.

    Starts from what physics expects (``location``, ``spread``), worth ``prior`` observations, and averages
    over no more than the ``memory`` newest. An observation counts only ``lag`` later, and what waits is
    dropped by `reject`: so a fault that is being told does not become normal. Observations are winsorised.

    Examples
    --------
    >>> level = Normal(location=0.0, spread=2.0, prior=10)
    >>> for _ in range(1000): level.step(3.0)
    >>> round(level.location, 1), level.z(3.0) < 1
    (3.0, True)
    """

    location: float
    spread: float
    prior: float = 20.0
    memory: float = 2000.0
    lag: int = 0
    least: float = 0.0
    n: float = field(init=False, default=0.0)
    _waiting: deque[float] = field(init=False, default_factory=deque)

    def __post_init__(self) -> None:
        self.least = self.least or 0.2 * self.spread

    def z(self, value: float) -> float:
        """How far over normal, in deviations."""
        return (value - self.location) / self.spread

    def step(self, value: float) -> None:
        """Take an observation of normal work; the spread never falls below ``least``."""
        self._waiting.append(value)
        if len(self._waiting) <= self.lag:
            return
        value = self._waiting.popleft()
        self.n += 1
        # conditions, not min and max: this is asked at every hop
        worth = self.prior + self.n
        share = 1 / (worth if worth < self.memory else self.memory)
        limit = WINSOR * self.spread
        error = value - self.location
        error = limit if error > limit else -limit if error < -limit else error
        self.location += share * error
        spread = self.spread + share * (_MEAN_ABSOLUTE * abs(error) - self.spread)
        self.spread = spread if spread > self.least else self.least

    def reject(self) -> None:
        """Drop what waits: it may be of a fault."""
        self._waiting.clear()
