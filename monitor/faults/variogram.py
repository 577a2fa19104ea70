"""How a speed wanders by itself: its variogram, begun as that of the baseline and learned on.

The variogram is the mean square of the change over a lag (Matheron 1963, from memory). Two seconds of it tell
how steep it is, not how far it goes: that the rms of the whole baseline tells.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.signal.cusum import WINSOR
from monitor.signal.frames import HOP_S

SMOOTHED = 1.1
"""The frames of a baseline are half a second long: they take a tenth at least off the wander."""

LEAST_SD = 2e-4
"""Of the wander: what a baseline says of less is the error of its frames."""

LAGS = (1, 2, 4, 8, 16, 32)
"""Hops over which changes are compared: up to what the seconds between two cuts hold."""

_FAR = 128  # hops: no stretch of a free speed is so long, and what is known of it stays

_LENGTHS_S = np.asarray((0.15, 0.3, 0.6, 1.2, 2.5, 5.0))  # of the wander, tried

_PRIOR_SD, _PRIOR_S, _PRIOR_N, _MEMORY = 0.002, 0.3, 10.0, 400.0

NUGGET = 1e-8
"""Variance, (0.01 %)^2, that is the estimator's own."""


def _rough(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Correlation of what turns at any moment."""
    return np.exp(-x)


def _smooth(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Correlation of what has inertia, and turns only gradually (Matern 1960, of order 3/2, from memory)."""
    return (1 + x) * np.exp(-x)


_LAGS_S = np.asarray((*LAGS, _FAR)) * HOP_S
_APART = _LAGS_S / _LENGTHS_S[:, None]
_SHAPES = np.log(2 * (1 - np.vstack([_smooth(_APART), _rough(_APART)])))


@dataclass(slots=True)
class Wander:
    """Variogram of a speed, begun as that of a prior wander and learned on; ``sd``, ``length_s`` and whether
    it is ``smooth``, of the process nearest to it."""

    sd: float = _PRIOR_SD
    length_s: float = _PRIOR_S
    smooth: bool = True
    _squares: list[float] = field(init=False)
    _n: list[float] = field(init=False)

    def __post_init__(self) -> None:
        self._squares = (2 * (self.sd**2 - self.covariance(_LAGS_S))).tolist()
        self._n = [_PRIOR_N] * len(self._squares)

    def learn(self, sags: list[float], share: float = 1.0) -> None:
        """Take a stretch of one load, hop by hop, of whose squares this ``share`` is wander."""
        values = np.asarray(sags)
        for i, lag in enumerate(LAGS):
            if values.size <= lag:
                break
            changes = np.square(values[lag:] - values[:-lag])
            most = (WINSOR**2) * self._squares[i] / share
            n = changes.size / lag  # neighbours share theirs
            square = share * float(np.add.reduce(np.minimum(changes, most))) / changes.size
            self._n[i] = min(self._n[i] + n, _MEMORY)
            self._squares[i] += min(n / self._n[i], 1.0) * (square - self._squares[i])
        self._fit()

    def _fit(self) -> None:
        n = np.asarray(self._n)
        weights = n / (n + 10.0)
        over = np.log(np.maximum(self._squares, NUGGET)) - _SHAPES
        levels = (weights * over).sum(axis=1, keepdims=True) / weights.sum()
        left = (weights * np.square(over - levels)).sum(axis=1)
        best = int(left.argmin())
        self.smooth = best < _LENGTHS_S.size
        self.length_s = float(_LENGTHS_S[best % _LENGTHS_S.size])
        self.sd = math.exp(float(levels[best, 0]) / 2)

    def covariance(self, apart_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Of two speeds, this time apart."""
        return self.sd**2 * (_smooth if self.smooth else _rough)(apart_s / self.length_s)


def wander_of(heard_rms: float) -> Wander:
    """What is known of a machine's wander by the rms heard in its baseline: 0 where none was heard."""
    return Wander() if heard_rms == 0.0 else Wander(max(SMOOTHED * heard_rms, LEAST_SD))
