"""What the samples themselves say of the microphone: level, clipping, stuck or missing samples."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

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


def peaks(x: NDArray[np.float32]) -> NDArray[np.float32]:
    """Largest magnitude in each hop, NaN where a sample is none, shape (n_hops,)."""
    largest: NDArray[np.float32] = np.maximum(np.maximum.reduce(x, axis=1), -np.minimum.reduce(x, axis=1))
    return largest


def hop_levels(x: NDArray[np.float32], peak: NDArray[np.float32], broken: NDArray[np.float64]) -> Levels:
    """Measure each hop.

    Parameters
    ----------
    x : float32, shape (n_hops, hop_in), finite, contiguous
    peak : shape (n_hops,)
        Largest magnitude in each; see `peaks`.
    broken : shape (n_hops,)
        Fraction of samples that had to be replaced because they were not numbers.
    """
    n_hops, n = x.shape
    rows = x[:, None, :]
    steady = np.square(np.matmul(rows, _ones(n))[:, 0].astype(np.float64) / n)
    power = np.matmul(rows, x[:, :, None])[:, 0, 0].astype(np.float64) / n - steady
    for i in (steady > power).nonzero()[0]:  # else what is left would be a matter of rounding
        centred = x[i] - np.add.reduce(x[i]) / np.float32(n)
        power[i] = float(centred @ centred) / n
    level_db = 10 * np.log10(np.maximum(power, 10 ** (SILENCE_DB / 10)))
    clipped, stuck = np.zeros((2, n_hops))
    if np.maximum.reduce(peak) >= CLIP_AT:
        for i in np.flatnonzero(peak >= CLIP_AT):
            clipped[i] = np.count_nonzero(np.abs(x[i]) >= CLIP_AT) / n
    # A run long enough to matter covers one of four probes an eighth of the hop apart: most hops
    # are cleared by looking at those only.
    probes = x[:, : n // 8 * 8].reshape(n_hops, 8, n // 8)[:, :, :4]
    suspect = np.logical_and.reduce(probes[:, :, 1:] == probes[:, :, :1], axis=2)
    if np.logical_or.reduce(suspect, axis=None):
        for i in np.flatnonzero(suspect.any(axis=1)):
            stuck[i] = longest_run(x[i]) / n
    return Levels(level_db, clipped, stuck, broken)


@cache
def _ones(n: int) -> NDArray[np.float32]:
    """To sum by a product, in a third of the time."""
    return np.ones(n, np.float32)


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
    slope: NDArray[np.float64] = np.correlate(curve, _slope_weights(n, step_s), "valid")
    return slope


@cache
def _slope_weights(n: int, step_s: float) -> NDArray[np.float64]:
    t = (np.arange(n) - (n - 1) / 2) * step_s
    weights: NDArray[np.float64] = t / (t @ t)
    return weights
