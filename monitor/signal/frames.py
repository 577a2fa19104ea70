"""Frame geometry and decimation: from samples at any rate to hops of one length.

Everything downstream works on hops of about 50 ms at an internal rate of 8 to 24 kHz. Each hop is
computed by operations of one fixed shape, however many hops a call brings, so cutting the same
samples into other blocks gives the same result bit for bit (a BLAS product of another shape may
round differently; a stack of products of one shape does not).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.signal.filters import band_taps

HOP_S = 0.05
"""Seconds between analyses: 20 measurements a second."""

TARGET_HZ = 12_000.0
"""Internal rate aimed at: spindle lines and most of the cutting sound lie below 5 kHz, and half of
what a phone-grade microphone hears above that is its own noise."""

SLOW_RPM = 800.0
"""Below, 0.1 s is not much more than one turn."""

AT_ONCE = 40
"""Hops measured in one go where much lies between sound and measure: it then stays in the processor's nearer
memory."""

_TAPS_PER_PHASE = 16
_ALIASES_DB = 70.0
_ROW_OUTPUTS = 8  # outputs made by one row of the block-Toeplitz product


@dataclass(frozen=True, slots=True)
class FrameGeometry:
    """How samples at ``fs_in`` become hops at ``fs``.

    ``hop_in`` native samples make ``hop`` internal ones; ``n_short`` is the Hann frame of the
    spectra (``short_hops`` hops), ``n_long`` the rectangular frame of the speed refinement (four hops).
    """

    fs_in: float
    decimation: int
    fs: float
    hop_in: int
    hop: int
    short_hops: int

    @property
    def n_short(self) -> int:
        """Internal samples of the frame of the spectra."""
        return self.short_hops * self.hop

    @property
    def n_long(self) -> int:
        """Internal samples of the frame of the speed refinement."""
        return 4 * self.hop

    @property
    def hop_s(self) -> float:
        """Seconds in a hop."""
        return self.hop / self.fs

    @property
    def delay_s(self) -> float:
        """Seconds by which the decimated signal lags the native one: half the filter."""
        return (len(decimation_taps(self.decimation)) - 1) / 2 / self.fs_in

    @property
    def usable_hz(self) -> float:
        """Highest frequency in Hz that neither aliases nor the recorder's own filter spoil."""
        return (0.42 if self.decimation > 1 else 0.46) * self.fs


def frame_geometry(fs_in: float, spindle_rpm: float = float("inf")) -> FrameGeometry:
    """Geometry for a native sample rate in Hz and the speed of the job.

    Spectra of 0.1 s, of 0.2 s for a spindle slower than ``SLOW_RPM``: its lines lie nearer together and
    lower, so that they need the finer resolution and sweep fewer bins at the same sag.

    Raises
    ------
    ValueError
        Outside 8 to 192 kHz.
    """
    if not 8000 <= fs_in <= 192_000:
        raise ValueError(f"sample rate {fs_in:g} Hz is outside 8000 to 192000 Hz")
    decimation = max(1, int(fs_in // TARGET_HZ))
    fs = fs_in / decimation
    hop = _ROW_OUTPUTS * round(HOP_S * fs / _ROW_OUTPUTS)
    return FrameGeometry(fs_in, decimation, fs, hop * decimation, hop, 4 if spindle_rpm < SLOW_RPM else 2)


def decimation_taps(decimation: int) -> NDArray[np.float32]:
    """Linear-phase low-pass for decimation by an integer, unit gain at DC, shape (n,).

    Pass band to 0.42 of the new rate; aliases into it are 70 dB down (Kaiser window, beta by Kaiser's
    formula for more than 50 dB; Oppenheim and Schafer, from memory; as scipy.signal.kaiser_beta).
    """
    if decimation == 1:
        return np.ones(1, np.float32)
    n = _TAPS_PER_PHASE * 2 * decimation
    return band_taps(0.0, 0.5, np.kaiser(n, 0.1102 * (_ALIASES_DB - 8.7)), float(decimation))


class Decimator:
    """Causal decimation of whole hops, state carried between calls.

    Memory: one filter length of native samples. Latency: half the filter (about 1.3 ms at 48 kHz).
    """

    def __init__(self, geometry: FrameGeometry) -> None:
        self._g = geometry
        d = geometry.decimation
        taps = decimation_taps(d)
        self._lead = len(taps) - 1
        width = (_ROW_OUTPUTS - 1) * d + len(taps)
        self._toeplitz = np.zeros((width, _ROW_OUTPUTS), np.float32)
        for i in range(_ROW_OUTPUTS):
            self._toeplitz[i * d : i * d + len(taps), i] = taps[::-1]
        self._history = np.zeros(self._lead, np.float32)
        # Rows overlap, as BLAS will not have it; every fifth do not, and make a matrix without a copy.
        self._apart = math.ceil(width / (_ROW_OUTPUTS * d))
        self._rows = math.ceil(geometry.hop / _ROW_OUTPUTS / self._apart)
        beyond = self._rows * self._apart * _ROW_OUTPUTS - geometry.hop  # outputs made and dropped
        self._beyond = np.zeros(beyond * d, np.float32)

    def feed(self, x: NDArray[np.float32]) -> NDArray[np.float32]:
        """Decimate hops.

        Parameters
        ----------
        x : float32, shape (n_hops, hop_in)

        Returns
        -------
        float32, shape (n_hops, hop)
        """
        g = self._g
        if g.decimation == 1:
            return x
        n_hops = x.shape[0]
        flat = np.concatenate([self._history, x.ravel(), self._beyond])
        self._history = flat[x.size : x.size + self._lead].copy()
        step, item = _ROW_OUTPUTS * g.decimation, flat.itemsize
        rows = np.ndarray(
            (n_hops, self._apart, self._rows, self._toeplitz.shape[0]),
            np.float32,
            flat,
            0,
            (g.hop_in * item, step * item, self._apart * step * item, item),
        )
        y = np.empty((n_hops, self._rows, self._apart, _ROW_OUTPUTS), np.float32)
        np.matmul(rows, self._toeplitz, out=y.transpose(0, 2, 1, 3))
        return np.ascontiguousarray(y.reshape(n_hops, -1)[:, : g.hop])


def overlapping(history: NDArray[np.float32], hops: NDArray[np.float32], n: int) -> NDArray[np.float32]:
    """Frames of ``n`` samples ending with each hop.

    Parameters
    ----------
    history : float32, shape (n - hop,)
        The samples before the first hop.
    hops : float32, shape (n_hops, hop)
    n : int

    Returns
    -------
    float32, shape (n_hops, n), overlapping views
    """
    flat = np.concatenate([history, hops.ravel()])
    return every(flat, n, hops.shape[1])


def every(flat: NDArray[np.float32], n: int, step: int) -> NDArray[np.float32]:
    """Windows of ``n`` samples, one every ``step``, as a view of ``flat``, shape (n_windows, n)."""
    item = flat.itemsize
    return np.ndarray(((flat.size - n) // step + 1, n), np.float32, flat, 0, (step * item, item))


def in_turns(
    frames: NDArray[np.float32], measures: NDArray[np.float32]
) -> Iterator[tuple[NDArray[np.float32], NDArray[np.float32]]]:
    """Frames and the places for their measures, `AT_ONCE` of them at a time, as views."""
    for begin in range(0, frames.shape[0], AT_ONCE):
        yield frames[begin : begin + AT_ONCE], measures[begin : begin + AT_ONCE]
