"""What `melting` hears of a hop, and of a block of them."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from typing import NamedTuple

from monitor.signal.course import Place

BLOCK_HOPS = 5
"""Hops to an observation, a quarter second: some dozens of chips, and more than a turn at 300 rpm."""

FIRST_BLOCKS = 4
"""What the first second of cutting is like is taken for good, and nothing is judged before: rooms,
microphones and machines differ by more than a good cut from a soft one."""

MEMORY_BLOCKS = 500
"""What is normal is an average over the newest two minutes of cutting."""

LEAST_CRACKLE, LEAST_UPPER_DB, LEAST_TILT_DB, LEAST_TONE_DB = 0.08, 1.0, 0.7, 2.0
"""Deviations at least of the cube root of crackle, of hiss, of colour and of a tone: pecks differ by a
decibel by themselves, all bands together; a tone of a thousand bins by two."""

_MEDIAN_ABSOLUTE = 0.6745  # of a normal variable: median absolute deviation over the standard one


class Heard(NamedTuple):
    """A hop, or the mean of a block of them.

    ``crackle``: how impulsive it is, in dB, and of a block the cube root of that; ``upper_db``: the upper
    half of the spectrum; ``tilt_db``: that over the lower quarter; ``tone_db``: the strongest tone; ``sag``:
    as a fraction, NaN where not known; ``strength``: of the cutting sound; ``deep``, ``into``: depth in the
    hole and in the peck, as shares of the whole hole's; ``line_db``: the machine's own lines; ``spindle_hz``:
    NaN where not known.
    """

    crackle: float
    upper_db: float
    tilt_db: float
    tone_db: float
    sag: float
    strength: float
    deep: float
    into: float
    line_db: float
    spindle_hz: float

    @property
    def lower_db(self) -> float:
        """The lower quarter of the spectrum."""
        return self.upper_db - self.tilt_db

    @property
    def place(self) -> Place:
        """Where along the hole."""
        return self.deep, self.into


def mean_of(block: Sequence[Heard]) -> Heard:
    """Mean of a block; of crackle the cube root, which makes it normal (Wilson and Hilferty 1931)."""
    n = len(block)
    crackle, upper, tilt, tone, _, strength, deep, into, line, _ = (
        sum(signs) / n for signs in zip(*block, strict=True)
    )
    sags = [heard.sag for heard in block if heard.sag == heard.sag]
    sag = statistics.median(sags) if sags else math.nan
    speeds = [heard.spindle_hz for heard in block if heard.spindle_hz == heard.spindle_hz]
    speed_hz = statistics.median(speeds) if speeds else math.nan
    return Heard(math.cbrt(max(crackle, 0.0)), upper, tilt, tone, sag, strength, deep, into, line, speed_hz)


def middle(values: Sequence[float]) -> tuple[float, float]:
    """Median, and the deviation that the median absolute one tells of normal values."""
    median = statistics.median(values)
    return median, statistics.median([abs(value - median) for value in values]) / _MEDIAN_ABSOLUTE


def power(db: float) -> float:
    """Power of a level."""
    return math.pow(10, db / 10)
