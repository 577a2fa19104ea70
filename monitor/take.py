"""A piece of live sound, judged as it stands: level, peak, clipping, gaps."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.faults.microphone import CLIPPED_SHARE
from monitor.ports import Block
from monitor.signal.level import CLIP_AT, SILENCE_DB

LEVEL_S = 0.05  # levels are taken over the monitor's own hop
QUIET_QUANTILE = 0.1
HOT_DBFS = (
    -6.0
)  # a cut is some 10 dB louder than the machine running free, and its peaks more (common practice)
FAINT_DBFS = -75.0  # a 16-bit microphone's own noise is near -80 dBFS: less leaves nothing of the machine


@dataclass(frozen=True, slots=True)
class Take:
    """What a piece of sound looks like; levels in dBFS (a full-scale sine is -3.01).

    ``level_dbfs``: rms about the mean; ``peak_dbfs``: largest magnitude; ``quiet_dbfs``: the quietest tenth,
    what is there all the time; ``clipped``: share of samples at full scale; ``stuck``: share that repeats the
    sample before it; ``missing_s``: seconds that did not come.
    """

    level_dbfs: float
    peak_dbfs: float
    quiet_dbfs: float
    clipped: float
    stuck: float
    missing_s: float


def measure(x: NDArray[np.float32], fs: int) -> Take:
    """Measure sound of shape (n,), full scale 1, NaN where it did not come.

    Examples
    --------
    >>> t = np.arange(8000) / 8000
    >>> take = measure((0.5 * np.sin(2 * np.pi * 440 * t)).astype(np.float32), 8000)
    >>> round(take.level_dbfs, 1), round(take.peak_dbfs, 1), take.clipped
    (-9.0, -6.0, 0.0)
    """
    there = x[np.isfinite(x)].astype(np.float64)
    missing_s = (len(x) - len(there)) / fs
    if len(there) < LEVEL_S * fs:
        return Take(math.nan, math.nan, math.nan, 0.0, 1.0, missing_s)
    there = there - there.mean()
    n = round(LEVEL_S * fs)
    hops = there[: len(there) // n * n].reshape(-1, n)
    peak = float(np.abs(x[np.isfinite(x)]).max())
    return Take(
        level_dbfs=_db(float(np.mean(there**2))),
        peak_dbfs=_db(peak**2),
        quiet_dbfs=_db(float(np.quantile(np.mean(hops**2, axis=1), QUIET_QUANTILE))),
        clipped=float(np.mean(np.abs(x[np.isfinite(x)]) >= CLIP_AT)),
        stuck=float(np.mean(np.diff(there) == 0)),
        missing_s=missing_s,
    )


def trouble(take: Take) -> str:
    """What makes a take useless, and how to mend it; empty where nothing does."""
    if take.missing_s > 0:
        return (
            f"{take.missing_s:.2f} s of the sound did not come: look at the plug and the cable, let the "
            "computer do nothing else, and try again"
        )
    if take.clipped >= CLIPPED_SHARE:
        return (
            f"the sound is clipped ({100 * take.clipped:.1f} % of the samples stand at full scale): turn "
            "the gain down or move the microphone away"
        )
    if take.stuck > 0.5:
        return "nothing is heard, only one unchanging value: check that the microphone is on and not muted"
    if take.level_dbfs < FAINT_DBFS:
        return f"next to nothing is heard ({take.level_dbfs:.0f} dBFS): turn the gain up or come nearer"
    return ""


def advice(take: Take) -> str:
    """What is usable and could be better; empty where nothing is."""
    if take.peak_dbfs > HOT_DBFS:
        return (
            f"peaks reach {take.peak_dbfs:.0f} dBFS and a cut is louder still: leave 10 dB or more, by "
            "turning the gain down"
        )
    return ""


def record(
    blocks: Iterator[Block], fs: int, seconds: float, after: float, show: Callable[[float], None]
) -> NDArray[np.float32]:
    """Take so many seconds that came later than ``after`` (monotonic); what came before is thrown away.

    Parameters
    ----------
    show : callable
        Given the level of each quarter of a second, dBFS, NaN where no sound came.
    """
    n, taken, shown = round(seconds * fs), 0, 0
    parts: list[NDArray[np.float32]] = []
    for block in blocks:
        if block.at - len(block.x) / fs < after:
            continue
        parts.append(block.x)
        taken += len(block.x)
        if taken - shown >= fs // 4 or taken >= n:
            newest = np.concatenate(parts[-_enough(parts, taken - shown) :])
            show(measure(newest, fs).level_dbfs)
            shown = taken
        if taken >= n:
            break
    return np.concatenate(parts)[:n]


def _enough(parts: list[NDArray[np.float32]], n: int) -> int:
    """How many of the newest parts hold ``n`` samples."""
    count = 0
    for part in reversed(parts):
        n -= len(part)
        count += 1
        if n <= 0:
            break
    return count


def _db(power: float) -> float:
    return 10 * math.log10(power) if power > 1e-20 else SILENCE_DB
