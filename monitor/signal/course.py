"""What is normal along a hole: a value that changes with depth, learned from good cuts.

A deeper hole muffles the cut and loads the spindle more, by how much is the machine's and the work's own. So
the normal value is a straight line over the depth in the hole and the depth in the peck, by Bayesian linear
regression (Gelman and others, Bayesian Data Analysis, chapter 14, from memory): slopes are near zero until
cuts have shown otherwise, and where nothing was drilled yet the prediction is as unsure as that leaves it.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

from monitor.signal.cusum import WINSOR

Place = tuple[float, float]
"""Depth in the hole and in the peck, as shares of the whole hole's."""

_MEAN_ABSOLUTE = math.sqrt(math.pi / 2)  # mean absolute deviation of a normal value, to its standard one


@dataclass(slots=True)
class Course:
    """A line over depth, with the scatter round it.

    ``spread``: the scatter expected at first, and ``least`` the least that is believed; ``slope_sd``: how
    much the value may change over the whole hole; ``alike``: observations worth one independent; ``memory``:
    the newest that count. As in `monitor.signal.cusum.Normal` an observation counts ``lag`` later, and what
    waits is dropped by `reject`.

    Examples
    --------
    >>> hiss = Course(0.0, spread=1.0, slope_sd=6.0)
    >>> for n in range(400): hiss.step(-4 * (n % 20) / 20, ((n % 20) / 20, 0.0))
    >>> round(hiss.expected((0.5, 0.0)), 1)
    -2.0
    """

    start: float
    spread: float
    slope_sd: float
    least: float = 0.2
    alike: float = 1.0
    memory: float = 500.0
    lag: int = 0
    n: float = field(init=False, default=0.0)
    _sums: list[float] = field(init=False, default_factory=lambda: [0.0] * 9)
    _solved: tuple[float, ...] | None = field(init=False, default=None)
    _waiting: deque[tuple[float, Place]] = field(init=False, default_factory=deque)

    def expected(self, place: Place) -> float:
        """The normal value there."""
        level, deep, into = self._solution()[:3]
        return self.start + level + deep * place[0] + into * place[1]

    def z(self, value: float, place: Place, besides: float = 0.0) -> float:
        """How far over normal, in deviations of the prediction; ``besides``: a scatter that is not within."""
        _, _, _, v00, v01, v02, v11, v12, v22 = self._solution()
        u, v = place
        known = v00 + 2 * (v01 * u + v02 * v + v12 * u * v) + v11 * u * u + v22 * v * v
        own = self.spread * self.spread * (1 + self.alike * known)
        return (value - self.expected(place)) / math.sqrt(own + besides * besides)

    def step(self, value: float, place: Place) -> None:
        """Take an observation of normal work."""
        self._waiting.append((value, place))
        if len(self._waiting) <= self.lag:
            return
        value, (u, v) = self._waiting.popleft()
        normal = self.expected((u, v))
        limit = WINSOR * self.spread
        error = value - normal
        error = limit if error > limit else -limit if error < -limit else error
        y = normal + error - self.start
        self.n += 1
        share = 1 / min(self.n + self.alike * 10, self.memory)
        self.spread = max(self.spread + share * (_MEAN_ABSOLUTE * abs(error) - self.spread), self.least)
        keep = 1 - 1 / self.memory
        new = (1.0, u, v, u * u, u * v, v * v, y, u * y, v * y)
        self._sums = [keep * old + one for old, one in zip(self._sums, new, strict=True)]
        self._solved = None

    def reject(self) -> None:
        """Drop what waits: it may be of a fault."""
        self._waiting.clear()

    def _solution(self) -> tuple[float, ...]:
        """Level and slopes, and the inverse of their information in units of the scatter."""
        if self._solved is None:
            n, su, sv, suu, suv, svv, sy, suy, svy = self._sums
            ridge = self.alike * (self.spread / self.slope_sd) ** 2
            # the level is known about as well as a few observations would tell it
            a, d, f = n + self.alike, suu + ridge, svv + ridge
            b, c, e = su, sv, suv
            i00, i01, i02 = d * f - e * e, c * e - b * f, b * e - c * d
            i11, i12, i22 = a * f - c * c, b * c - a * e, a * d - b * b
            det = a * i00 + b * i01 + c * i02
            inverse = (i00 / det, i01 / det, i02 / det, i11 / det, i12 / det, i22 / det)
            i00, i01, i02, i11, i12, i22 = inverse
            line = (
                i00 * sy + i01 * suy + i02 * svy,
                i01 * sy + i11 * suy + i12 * svy,
                i02 * sy + i12 * suy + i22 * svy,
            )
            self._solved = (*line, i00, i01, i02, i11, i12, i22)
        return self._solved
