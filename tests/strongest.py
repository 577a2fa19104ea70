"""Where a spectrum is strongest, to an accuracy beyond its bins: for checks of what comes out of the core."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from monitor.signal.spectrum import hann


def strongest_line(x: NDArray[np.floating], fs: float, low_hz: float, high_hz: float) -> float:
    """Frequency of the strongest line between two frequencies, in Hz.

    Hann window, zero padding to four times the length, parabola through the log magnitude: worst
    noiseless error 0.0002 bins (Werner and Germain 2016).
    """
    n = len(x)
    n_fft = 4 * n
    magnitude = np.abs(np.fft.rfft(x * hann(n), n_fft))
    f = np.arange(magnitude.size) * fs / n_fft
    inside = np.flatnonzero((f >= low_hz) & (f <= high_hz))
    if inside.size == 0:
        raise ValueError(f"no frequency of this spectrum lies between {low_hz:g} and {high_hz:g} Hz")
    peak = int(inside[np.argmax(magnitude[inside])])
    if peak in (0, magnitude.size - 1):
        return float(f[peak])
    a, b, c = np.log(np.maximum(magnitude[peak - 1 : peak + 2], 1e-300))
    bend = a - 2 * b + c
    shift = 0.0 if bend == 0 else 0.5 * (a - c) / bend
    return float((peak + shift) * fs / n_fft)
