"""Where a line stands, and how far its pitch shivers or glides: `chatter` keeps its pitch, voices do not."""

from __future__ import annotations

import math
import operator
import statistics
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Self

from monitor.signal.spectrum import SpectrumGeometry

WITHIN, CAME_WITHIN = 0.01, 0.005
"""A chatter line keeps its frequency within this share, or within a bin, of where it was in the last half
second: the mode that it lives on does. As depth and grip change it wanders by half a per cent, deviation of a
slow course, so that twice that holds it. How it came is looked for within half of that: before it stood out
there is but noise, and the strongest of more bins of noise is stronger. A straight course that takes it
farther than the first within half a second is a glide: an axis that comes to speed, a siren, a slide."""

SHIVER_HOPS, SHIVER, SHIVER_HZ, SHIVERS = 10, 0.0022, 0.2, 1.5
"""Deviation of the pitch from one spectrum to the next in half a second, about its straight course there, at
most: this share of it (the delay equation of tests/external/test_chatter.py shows 0.2 %), what the room adds
as the line grows, and what the noise leaves unsure. A voice shivers, and so does who whistles or plays:
vibrato is half to one and a half per cent, five times a second (from memory). What has once shivered by half
as much more goes on being none; and the mean since it stood out may be no more either, since a voice holds
its pitch now and then."""

PITCH_UNSURE = 0.4
"""Deviation of the pitch of a steady line in one spectrum, in widths of its main lobe over the root of its
power over the noise (simulated, at 13 to 25 dB; twice Rife and Boorstyn's bound)."""

Peak = tuple[int, list[float], float]
"""Where a spectrum is strongest: the bin, the powers in it and beside it, that over the noise."""


@dataclass(frozen=True, slots=True)
class Bins:
    """The bins of a spectrum: ``lobe``, half of a main lobe; ``unsure_hz``: see `PITCH_UNSURE`."""

    bin_hz: float
    first: int
    n_bins: int
    lobe: int
    unsure_hz: float

    @classmethod
    def of(cls, geometry: SpectrumGeometry) -> Self:
        """Those of a geometry."""
        lobe = math.ceil(4 / 3 * geometry.enbw_hz / geometry.bin_hz)
        return cls(geometry.bin_hz, geometry.first, geometry.n_bins, lobe, PITCH_UNSURE * geometry.enbw_hz)

    def beside(self, hz: float, within: float = WITHIN) -> slice:
        """Bins to which a line that keeps its frequency may have moved."""
        at, reach = hz / self.bin_hz, within * hz / self.bin_hz
        if reach < 1:
            reach = 1.0
        low, high = math.ceil(at - reach - 0.5), math.floor(at + reach + 0.5) + 1
        return slice(low if low > self.first else self.first, high if high < self.n_bins else self.n_bins)

    def around(self, hz: float) -> slice:
        """Bins of the main lobe of a line."""
        k = round(hz / self.bin_hz)
        return slice(max(0, k - self.lobe), k + self.lobe + 1)

    def peak_hz(self, k: int, near: list[float]) -> float:
        """Frequency of a peak by the parabola through the logarithms of its bin and those beside it."""
        if not 0 < k < self.n_bins - 1:
            return k * self.bin_hz
        a, b, c = near
        a = math.log(a if a > 1e-20 else 1e-20)
        b = math.log(b if b > 1e-20 else 1e-20)
        c = math.log(c if c > 1e-20 else 1e-20)
        bend = a - 2 * b + c
        shift = 0.5 * (a - c) / bend if bend < 0 else 0.0
        return (k + (1.0 if shift > 1 else -1.0 if shift < -1 else shift)) * self.bin_hz

    def wavers(self, hz: float, peaks: Iterable[Peak]) -> tuple[float, float]:
        """How a line at ``hz`` wavers over its last spectra: deviation of the pitch about its straight
        course, in those of a vibration heard through this noise; and how far that course goes, Hz."""
        peaks = list(peaks)
        pitches = [self.peak_hz(k, near) for k, near, _ in peaks]
        weights = [
            1 / ((SHIVER * hz) ** 2 + SHIVER_HZ**2 + self.unsure_hz**2 / shown) for _, _, shown in peaks
        ]
        total = sum(weights, 0.0)
        mean = sum(map(operator.mul, weights, pitches), 0.0) / total
        middle = sum(map(operator.mul, weights, range(len(weights))), 0.0) / total
        times = [k - middle for k in range(len(weights))]
        rise = sum([w * at * (f - mean) for w, at, f in zip(weights, times, pitches, strict=True)], 0.0)
        rise /= sum([w * at * at for w, at in zip(weights, times, strict=True)], 0.0)
        shivers = math.sqrt(
            statistics.fmean(
                w * (f - mean - rise * at) ** 2 for w, at, f in zip(weights, times, pitches, strict=True)
            )
        )
        return shivers, abs(rise) * (len(times) - 1)
