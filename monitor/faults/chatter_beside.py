"""Tones beside a line: `chatter` stands alone but for its multiples and the sidebands of rotation, where
music, voices and other machines bring several."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from monitor.faults.chatter_pitch import WITHIN, Bins
from monitor.signal.tones import NOISE_SHOWS

BESIDE_DB, BESIDE_LEAST = 8.0, 2.5
"""Another tone counts if it is no more than this under the line, and departs at least by 4 dB."""

SIDEBANDS = 8
"""Sidebands at so many rotations on either side belong to the line: lips and runout modulate it."""


def tones_beside(over: NDArray[np.float32], k: int, hz: float, spindle_hz: float, bins: Bins) -> int:
    """Number of other tones that are no multiples or sidebands of the line.

    Parameters
    ----------
    over : float32, shape (n_bins,)
        Departure, see `ToneMemory.departure`.
    k, hz : bin and frequency of the line
    spindle_hz : NaN where not known
    """
    least = NOISE_SHOWS * max(BESIDE_LEAST, over.item(k) / NOISE_SHOWS * 10 ** (-BESIDE_DB / 10))
    rotation = spindle_hz if spindle_hz == spindle_hz else 0.0
    near = SIDEBANDS * rotation + bins.lobe * bins.bin_hz
    tones = [at * bins.bin_hz for at in np.flatnonzero(over > least).tolist()]
    base = _base_of(hz, tones, bins)
    others, last = 0, -math.inf
    for f in tones:
        # a low fundamental may drown while its multiple stands out: halves and thirds belong to it too
        multiple = float(max(1, round(f / hz))) if f > 0.75 * hz else 1 / max(2, min(round(hz / f), 3))
        whole = max(1, round(f / base)) * base
        off = min(abs(f - multiple * hz), abs(f - whole))
        related = abs(f - hz) <= near or off <= bins.lobe * bins.bin_hz + WITHIN * f
        if not related and f - last > bins.lobe * bins.bin_hz:
            others += 1
        last = f
    return others


def _base_of(hz: float, tones: Sequence[float], bins: Bins) -> float:
    """A third or half of a line's frequency, if heard too: it is the fundamental then, and others may be
    its multiples that are none of the line's. Else the line's own."""
    for base in (hz / 3, hz / 2):
        reach = bins.lobe * bins.bin_hz / 2
        if base > 2 * bins.lobe * bins.bin_hz and any(abs(f - base) <= reach for f in tones):
            return base
    return hz
