"""The baseline file: what a machine sounds like running free.

Learning one from sound is in ``monitor/signal/orders.py``; this file is the data and its JSON.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

BASELINE_VERSION = 1


class LineClass(StrEnum):
    """What a line of the free-running spectrum was found to be."""

    ORDER = "order"  # frequency scales with the spindle
    FIXED = "fixed"  # frequency stays: mains, fans, drive switching
    UNKNOWN = "unknown"  # one speed only, or not found again at another


@dataclass(frozen=True)
class Line:
    """One narrow line.

    ``order`` is frequency over the commanded rotation frequency (rpm / 60); for FIXED lines it is
    NaN and ``frequency_hz`` is the frequency; for ORDER and UNKNOWN lines ``frequency_hz`` is the
    frequency heard at the first speed of the baseline.
    ``level_dbfs[i]`` is the line's power (A^2 / 2 of a sinusoid of amplitude A, full scale = 1, so
    a full-scale sine is -3.01 dBFS) at ``speeds_rpm[i]`` of the baseline, NaN where it was not found there;
    ``prominence_db[i]`` the ratio of that power to the noise power in 1 Hz around it.
    """

    kind: LineClass
    order: float
    frequency_hz: float
    level_dbfs: tuple[float, ...]
    prominence_db: tuple[float, ...]
    confidence: float  # 0..1 that the class is right


@dataclass(frozen=True)
class Baseline:
    """What was learned from free-running recordings at one or more commanded speeds.

    ``speeds_rpm`` are the commanded speeds, ascending; ``heard_ratio[i]`` is the speed heard over
    the commanded one, relative to their common scale (geometric mean 1): a dial error common to
    all speeds is invisible. ``floor_dbfs_hz[i][j]`` is the noise power density (dB re full scale
    squared per Hz, lines excluded) at ``speeds_rpm[i]`` and ``floor_hz[j]``.
    ``wander`` is the rms of relative speed variation heard within the recordings.
    """

    version: int
    created: str  # UTC, ISO 8601
    sample_rate_hz: float
    speeds_rpm: tuple[float, ...]
    heard_ratio: tuple[float, ...]
    level_dbfs: tuple[float, ...]  # rms level of each recording
    floor_hz: tuple[float, ...]
    floor_dbfs_hz: tuple[tuple[float, ...], ...]
    lines: tuple[Line, ...]
    wander: float
    confidence: float  # 0..1 in the set of lines as a whole; lower from one speed
    notes: tuple[str, ...] = ()
