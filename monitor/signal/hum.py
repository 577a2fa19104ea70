"""How often a second a sound repeats that is as loud in one hop as in the other: the hum of an open input."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from numpy.typing import NDArray

STEADY_DB, STEADY_HOPS = 0.02, 7
"""An open input hums: one waveform, over and over, as loud all the time to half a per cent. What is heard of
a machine in a room is noise at least in part, which wavers by more within so many hops. And half a second is
allowed for a plug that is pulled. Every other hop is compared: 0.1 s are whole periods of mains of 50 and of
60 Hz, while one hop holds two and a half of the former, so that even multiples make hops differ in turns."""

PERIODIC = 0.98
"""Correlation of a sound with itself a period later, where noise is no more than 2 % of its power."""

APART = 0.5
"""So little alike the sound has to become in between: otherwise the period is none yet."""

LOWEST_HZ = 45.0
"""Longer periods than those of the mains are not looked for."""


def steady(levels_db: NDArray[np.float64], n: int) -> NDArray[np.int64]:
    """Which of the newest ``n`` hops end ``STEADY_HOPS`` of one level, shape (m,).

    ``levels_db``: of these hops and at least ``STEADY_HOPS`` - 1 before them, shape (k,).
    """
    m = levels_db.size
    begins = STEADY_HOPS - 1
    alike = np.abs(levels_db[2:] - levels_db[:-2]) <= STEADY_DB  # most sound ends here
    now = alike[m - n - 2 :]
    if not now.any():
        return np.empty(0, np.int64)
    found = [
        i for i in np.flatnonzero(now).tolist() if _spread(levels_db[m - n + i - begins : m - n + i + 1])
    ]
    return np.asarray(found, np.int64)


def _spread(levels_db: NDArray[np.float64]) -> bool:
    return max(float(np.ptp(levels_db[::2])), float(np.ptp(levels_db[1::2]))) <= STEADY_DB


def repeats_hz(x: NDArray[np.float32], fs: float) -> float:
    """How often a second ``x`` repeats, NaN where it does not: 1 over the shortest lag at which the sound is
    like itself again (normalised autocorrelation; de Cheveigne and Kawahara 2002, from memory).

    Parameters
    ----------
    x : shape (n,)
        At least two periods of the lowest frequency.
    fs : sample rate in Hz
    """
    y = x.astype(np.float64)
    y -= y.mean()
    n, longest = y.size, math.ceil(fs / LOWEST_HZ) + 1
    size = _power_of_two(n + longest)
    spectrum = np.fft.rfft(y, size)
    products = np.fft.irfft(spectrum * spectrum.conj(), size)[: longest + 1]
    energy = np.concatenate([[0.0], np.cumsum(np.square(y))])
    lags = np.arange(longest + 1)
    both = energy[n - lags] * (energy[n] - energy[lags])
    if not both[-1] > 0:
        return math.nan
    alike = products / np.sqrt(np.maximum(both, 1e-300))
    apart = np.flatnonzero(alike < APART)
    if not apart.size:
        return math.nan
    for lag in range(int(apart[0]) + 1, longest):
        before, now, after = alike[lag - 1 : lag + 2].tolist()
        if now >= before and now > after:  # the top lies between samples
            bend = before - 2 * now + after
            off = 0.5 * (before - after) / bend if bend < 0 else 0.0
            if now - 0.25 * (before - after) * off >= PERIODIC:
                return fs / (lag + off)
    return math.nan


@cache
def _power_of_two(n: int) -> int:
    return 1 << (n - 1).bit_length()
