"""Short-time spectra, and the noise floor under their lines."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from monitor.signal.frames import AT_ONCE, in_turns

FLOOR_QUANTILE = 0.3
"""The floor is read at this quantile of a band, so that up to two thirds of its bins may hold lines."""

BAND_HZ = 160.0
"""Width of a floor band: about ten independent bins of a 0.1 s Hann frame."""

_DB_PER_NEPER, _NEPERS_PER_DB = np.float32(10 / np.log(10)), np.float32(np.log(10) / 10)  # of power

TOP_HZ = 6000.0
"""No spindle line above this is used; see frames.TARGET_HZ."""


@dataclass(frozen=True)
class SpectrumGeometry:
    """Bins and bands of the short-time spectrum.

    ``bin_hz`` is the spacing after zero padding to twice the frame (scalloping below 0.4 dB instead
    of Hann's 1.42 dB, Harris 1978); ``enbw_hz`` the window's equivalent noise bandwidth, 1.5 bins of
    the unpadded frame. ``n_bins`` bins are kept; bands of ``band_bins`` bins start at bin ``first``.
    """

    fs: float
    n: int
    bin_hz: float
    enbw_hz: float
    n_bins: int
    first: int
    band_bins: int
    n_bands: int

    @property
    def band_centres_hz(self) -> NDArray[np.float64]:
        """Centre of each floor band, Hz, shape (n_bands,)."""
        start = self.first + (self.band_bins - 1) / 2
        centres = (start + self.band_bins * np.arange(self.n_bands)) * self.bin_hz
        return centres.astype(np.float64)


def spectrum_geometry(fs: float, n: int, usable_hz: float) -> SpectrumGeometry:
    """Geometry of Hann spectra of ``n`` samples at ``fs`` Hz, up to ``usable_hz``."""
    bin_hz = fs / (2 * n)
    band_bins = round(BAND_HZ / bin_hz)
    first = max(2, round(20.0 / bin_hz))
    n_bands = int((min(usable_hz, TOP_HZ) / bin_hz - first) // band_bins)
    return SpectrumGeometry(
        fs, n, bin_hz, 1.5 * fs / n, first + n_bands * band_bins, first, band_bins, n_bands
    )


@cache
def hann(n: int) -> NDArray[np.float64]:
    """Periodic Hann window, shape (n,), read-only: equivalent noise bandwidth 1.5 bins (Harris 1978)."""
    window: NDArray[np.float64] = 0.5 - 0.5 * np.cos(2 * np.pi / n * np.arange(n))
    window.flags.writeable = False
    return window


def power_density(frames: NDArray[np.float32], geometry: SpectrumGeometry) -> NDArray[np.float32]:
    """One-sided power density of each frame.

    Parameters
    ----------
    frames : float32, shape (n_frames, n)

    Returns
    -------
    float32, shape (n_frames, n_bins), full scale squared per Hz. White noise of variance v reads
    2 v / fs; a sinusoid of power P peaks at P / enbw_hz.
    """
    n = geometry.n
    window = _density_window(n, geometry.fs)
    density = np.empty((frames.shape[0], geometry.n_bins), np.float32)
    padded = np.zeros((min(AT_ONCE, frames.shape[0]), 2 * n), np.float32)
    for some, told in in_turns(frames, density):
        rows = padded[: some.shape[0]]
        np.multiply(some, window, out=rows[:, :n])
        spectra = transformed(rows)
        parts = spectra.reshape(-1)  # numpy passes one long row in half the time of many
        power = np.square(parts.real)
        power += np.square(parts.imag)
        told[:] = power.reshape(spectra.shape)[:, : geometry.n_bins]
    return density


def transformed(rows: NDArray[np.float32]) -> NDArray[np.complex64]:
    """Spectrum of each row over its length, complex64, shape (n_rows, n // 2 + 1), the same in any company.

    Scaled by 1 / n: unscaled, numpy transforms in double precision, at four times the cost.
    """
    if len(rows) < 2 or _rounds_alike(rows.shape[1]):
        spectra = np.fft.rfft(rows, norm="forward")
    else:
        spectra = np.stack([np.fft.rfft(row, norm="forward") for row in rows])
    return spectra.astype(np.complex64, copy=False)


@cache
def _rounds_alike(n: int) -> bool:
    """Whether this computer transforms a row among others to the same bits as alone.

    numpy transforms as many rows at once as a register holds, and the rest one by one. On x86-64 both round
    alike; on aarch64, where the compiler joins multiplications and additions in one and not in the other, the
    last bit of a spectrum would depend on how many blocks came at once.
    """
    # no register holds 17; as irregular as noise, and without loading a generator of it
    rows = np.cos(np.arange(17.0 * n).reshape(17, n) ** 2).astype(np.float32)
    together = np.fft.rfft(rows, norm="forward")
    return all(
        np.array_equal(np.fft.rfft(row, norm="forward"), one) for row, one in zip(rows, together, strict=True)
    )


@cache
def _density_window(n: int, fs: float) -> NDArray[np.float32]:
    """Hann window scaled so that squared magnitudes, over 2 n, are one-sided densities."""
    window = hann(n)
    scaled: NDArray[np.float64] = window * (2 * n * np.sqrt(2 / (fs * float(window @ window))))
    return scaled.astype(np.float32)


def band_floor(density: NDArray[np.float32], geometry: SpectrumGeometry) -> NDArray[np.float32]:
    """Noise density in each band, in dB, lines left out by reading a low quantile.

    For Gaussian noise a bin's power is exponentially distributed, so the mean is the quantile q
    over -ln(1 - q).

    Returns
    -------
    float32, shape (n_frames, n_bands), dB re full scale squared per Hz
    """
    g = geometry
    rank = int(FLOOR_QUANTILE * g.band_bins)
    bands = density[:, g.first : g.n_bins].reshape(density.shape[0], g.n_bands, g.band_bins)
    bands = np.sort(bands)  # so few are sorted sooner than parted
    quantile = (rank + 0.5) / g.band_bins
    return to_db(bands[:, :, rank] * np.float32(-1 / math.log1p(-quantile)))


def spread_floor(floor_db: NDArray[np.float32], geometry: SpectrumGeometry) -> NDArray[np.float32]:
    """Band floor read at every bin by straight lines between band centres (dB over Hz).

    Returns
    -------
    float32, shape (n_frames, n_bins), dB
    """
    g = geometry
    n_frames, n_bands = floor_db.shape
    lead = g.first + g.band_bins // 2  # bins before the first centre
    last = lead + (n_bands - 1) * g.band_bins
    spread = np.empty((n_frames, g.n_bins), np.float32)
    spread[:, :lead] = floor_db[:, :1]
    spread[:, last:] = floor_db[:, -1:]
    between = spread[:, lead:last].reshape(n_frames, n_bands - 1, g.band_bins)
    neighbours = np.empty((n_frames, n_bands - 1, 2), np.float32)
    neighbours[:, :, 0], neighbours[:, :, 1] = floor_db[:, :-1], floor_db[:, 1:]
    np.matmul(neighbours, _shares(g.band_bins), out=between)
    return spread


@cache
def _shares(band_bins: int) -> NDArray[np.float32]:
    """Shares of one band centre and the next in the bins from the one to the other, shape (2, band_bins)."""
    there = (np.arange(band_bins) + 0.5 * (1 - band_bins % 2)) / band_bins
    return np.stack([1 - there, there]).astype(np.float32)


LEAST_FLOOR_DB = -150.0
"""No microphone is quieter: 16-bit rounding alone is -145 dB per Hz at 48 kHz."""

DYNAMIC_DB = 100.0
"""Nor does a Hann frame see further under its strongest tone than its far side lobes."""


def hearing_floor(floor_db: NDArray[np.float32], density_db: NDArray[np.float32]) -> NDArray[np.float32]:
    """Floor raised to what a frame can show at all: synthetic silence and pure tones have none of their own.

    Parameters
    ----------
    floor_db, density_db : float32, shape (n_frames, n_bins), dB per Hz
    """
    least = np.maximum(
        np.float32(LEAST_FLOOR_DB),
        np.maximum.reduce(density_db, axis=1, keepdims=True) - np.float32(DYNAMIC_DB),
    )
    raised: NDArray[np.float32] = np.maximum(floor_db, least)
    return raised


def to_db(power: NDArray[np.float32]) -> NDArray[np.float32]:
    """10 log10 of a power, floored at -200 dB so that digital silence stays finite."""
    # The natural logarithm is the fast one, and clipping is faster than a maximum.
    level_db: NDArray[np.float32] = power.clip(np.float32(1e-20), np.float32(np.inf))
    np.log(level_db, out=level_db)
    level_db *= _DB_PER_NEPER
    return level_db


def inverse_power(level_db: NDArray[np.float32], out: NDArray[np.float32]) -> NDArray[np.float32]:
    """1 over the power of a level in dB, into ``out``."""
    np.multiply(level_db, -_NEPERS_PER_DB, out=out)
    return np.exp(out, out=out)
