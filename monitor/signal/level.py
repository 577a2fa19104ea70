"""What the samples themselves say of the microphone: level, clipping, stuck or missing samples."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

CLIP_AT = 0.999
"""Full scale but for rounding: the top code of a 16-bit converter is 0.99997."""

SILENCE_DB = -200.0
"""Level given to digital silence, so that curves stay finite."""


LOST_SHARE = 0.2
"""A hop of which this much is one repeated value, or no number, says nothing: 10 ms of one value never
occur in live sound above its own noise."""


@dataclass(frozen=True, slots=True)
class Levels:
    """One value a hop, shape (n_hops,) each.

    ``level_db``: rms about the mean, dBFS (full scale 1, so a full-scale sine is -3.01), unweighted.
    ``clipped``: fraction of samples at full scale. ``stuck``: fraction of the hop covered by the
    longest run of one repeated value. ``broken``: fraction of samples that are not numbers.
    """

    level_db: NDArray[np.float64]
    clipped: NDArray[np.float64]
    stuck: NDArray[np.float64]
    broken: NDArray[np.float64]


def hop_levels(x: NDArray[np.float32], broken: NDArray[np.float64]) -> Levels:
    """Measure each hop.

    Parameters
    ----------
    x : float32, shape (n_hops, hop_in), finite
    broken : shape (n_hops,)
        Fraction of samples that had to be replaced because they were not numbers.
    """
    mean = x.mean(axis=1, keepdims=True)
    centred = x - mean
    power = np.square(centred).mean(axis=1).astype(np.float64)
    level_db = np.where(power > 1e-20, 10 * np.log10(np.maximum(power, 1e-20)), SILENCE_DB)
    peak = np.abs(x).max(axis=1)
    clipped = np.zeros(x.shape[0])
    for i in np.flatnonzero(peak >= CLIP_AT):
        clipped[i] = np.count_nonzero(np.abs(x[i]) >= CLIP_AT) / x.shape[1]
    stuck = np.zeros(x.shape[0])
    # A run long enough to matter covers one of four probes an eighth of the hop apart: most hops
    # are cleared by looking at those only.
    step = x.shape[1] // 8
    at = (np.arange(8)[:, None] * step + np.arange(4)).ravel()
    probes = x.take(at, axis=1).reshape(-1, 8, 4)
    suspect = (probes == probes[:, :, :1]).all(axis=2).any(axis=1)
    for i in np.flatnonzero(suspect):
        stuck[i] = longest_run(x[i]) / x.shape[1]
    return Levels(level_db, clipped, stuck, broken)


def longest_run(x: NDArray[np.floating]) -> int:
    """Length of the longest run of one repeated value in ``x``, shape (n,)."""
    changes = np.flatnonzero(np.diff(x) != 0)
    edges = np.concatenate([[-1], changes, [x.size - 1]])
    return int(np.diff(edges).max())


def slope_per_s(curve: NDArray[np.float64], n: int, step_s: float) -> NDArray[np.float64]:
    """Least-squares slope over the last ``n`` values at each point.

    Parameters
    ----------
    curve : shape (n - 1 + m,)
    n : values in the line
    step_s : seconds between values

    Returns
    -------
    shape (m,), units of the curve per second
    """
    t = (np.arange(n) - (n - 1) / 2) * step_s
    windows = np.ascontiguousarray(np.lib.stride_tricks.sliding_window_view(curve, n))
    slope: NDArray[np.float64] = (windows * (t / (t @ t))).sum(axis=1)
    return slope
