"""A recording of the spindle turning free, and whether it can be used."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from monitor.errors import BaselineError

FULL_SCALE_AT_MOST = 10.0  # 20 dB over full scale: a sound file with integers for floats, or a damaged one
MIN_SECONDS = 3.0  # six coarse frames, two fine ones: less cannot be averaged


@dataclass(frozen=True, eq=False)
class FreeRun:
    """A recording of the spindle turning free at one commanded speed.

    ``x`` is (n,), full scale 1; ``rpm`` the commanded speed; ``name`` is used in messages. Raises
    BaselineError where samples stand for a speed or a rate, or the other way round.
    """

    rpm: float
    x: NDArray[np.floating]
    fs: float
    name: str = ""

    def __post_init__(self) -> None:
        if np.ndim(self.rpm) or np.ndim(self.fs) or not np.ndim(self.x):
            raise BaselineError(
                "a free-running recording is made of its commanded speed in rpm, its samples and its sample"
                " rate in Hz, in this order: FreeRun(900.0, x, 48000.0)"
            )


def checked(run: FreeRun) -> FreeRun:
    """The recording as float64 without its mean; refuses what cannot be used."""
    x = np.asarray(run.x, dtype=np.float64)
    name = run.name or f"the {run.rpm:g} rpm recording"
    if not (isfinite(run.rpm) and 1 <= run.rpm <= 200_000):
        raise BaselineError(f"{name}: commanded speed {run.rpm:g} rpm is not between 1 and 200000 rpm")
    if not 8000 <= run.fs <= 192_000:
        raise BaselineError(
            f"{name}: sample rate {run.fs:g} Hz is not between 8000 and 192000 Hz; record at 48000 Hz"
        )
    if x.ndim != 1:
        raise BaselineError(f"{name}: has {x.ndim} dimensions, not one channel; choose one with --channel")
    if x.size < MIN_SECONDS * run.fs:
        raise BaselineError(
            f"{name}: {x.size / run.fs:.1f} s is too short; record {MIN_SECONDS:g} s at least,"
            " 10 s or longer is better"
        )
    if not np.isfinite(x).all():
        raise BaselineError(
            f"{name}: contains values that are not numbers (NaN or infinite); record it again"
        )
    if np.abs(x).max() > FULL_SCALE_AT_MOST:
        raise BaselineError(
            f"{name}: a sample of {np.abs(x).max():.3g} where full scale is 1; save it again as a sound"
            " file of 16 or 24 bits"
        )
    silent = np.mean(x[1:] == x[:-1])
    if np.std(x) < 1e-6 or silent > 0.5:
        raise BaselineError(
            f"{name}: silent, wholly or in part; check the microphone and its level (`spindlebell check`)"
        )
    peak = max(float(x.max()), -float(x.min()))
    # Two samples in a thousand at the very top: a sine clipped by 0.02 dB has more.
    if peak > 0 and np.mean((x > 0.9999 * peak) | (x < -0.9999 * peak)) > 0.002:
        raise BaselineError(
            f"{name}: clipped (many samples stand at the peak, {peak:.3g}); lower the input gain,"
            " record again"
        )
    x = x - x.mean()
    return replace(run, x=x, name=name)


def decimated(run: FreeRun, top_hz: float) -> FreeRun:
    """The recording at the lowest whole fraction of its rate that keeps sound up to ``top_hz``."""
    factor = int(run.fs / 2.2 // top_hz)
    x = np.asarray(run.x, np.float32)
    return (
        replace(run, x=signal.resample_poly(x, 1, factor), fs=run.fs / factor)
        if factor > 1
        else replace(run, x=x)
    )
