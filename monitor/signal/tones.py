"""What is tonal and not the spindle's: the raw measure from which chatter is judged."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from monitor.baseline import Baseline, LineClass
from monitor.signal.spectrum import SpectrumGeometry

AVERAGED = 4
"""Spectra averaged, two hops apart so that they share no samples: 0.4 s. The strongest of a thousand
noise bins then stands some 6 dB over the floor instead of 9."""


def learned_bins(
    baseline: Baseline, grid_hz: NDArray[np.float64], geometry: SpectrumGeometry
) -> NDArray[np.bool_]:
    """Bins explained by the baseline at each candidate speed, shape (n_states, n_bins).

    Every learned line with its Hann main lobe, fixed tones included.
    """
    g = geometry
    lobe = int(np.ceil(1.5 * g.enbw_hz / g.bin_hz))
    explained = np.zeros((grid_hz.size, g.n_bins), np.bool_)
    explained[:, : g.first] = True
    states = np.arange(grid_hz.size)
    for line in baseline.lines:
        fixed = line.kind is LineClass.FIXED
        f = np.full(grid_hz.size, line.frequency_hz) if fixed else line.order * grid_hz
        centre = np.rint(f / g.bin_hz).astype(np.intp)
        for offset in range(-lobe, lobe + 1):
            at = centre + offset
            inside = (at >= 0) & (at < g.n_bins)
            explained[states[inside], at[inside]] = True
    return explained


def strongest_tone_db(over: NDArray[np.float32], explained: NDArray[np.bool_]) -> NDArray[np.float32]:
    """The strongest bin not explained by the baseline, in dB over the floor around it.

    Parameters
    ----------
    over : float32, shape (2 * AVERAGED - 2 + n_hops, n_bins)
        Power over floor, with the hops before the first.
    explained : shape (n_hops, n_bins)

    Returns
    -------
    shape (n_hops,), dB
    """
    n_hops = explained.shape[0]
    mean = over[:n_hops].copy()
    for k in range(1, AVERAGED):
        mean += over[2 * k : 2 * k + n_hops]
    mean *= np.float32(1 / AVERAGED)
    top = np.where(explained, np.float32(1e-3), mean).max(axis=1)
    strongest: NDArray[np.float32] = np.float32(10) * np.log10(np.maximum(top, np.float32(1e-3)))
    return strongest
