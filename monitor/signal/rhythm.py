"""The rhythm of the cut: its loudness beats as the lips come round, once a turn and once a flute.

A loud cut drowns the machine's lines; the same cut then tells the speed by its own beat: coarsely, over
half a second, but independently of the lines.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.signal.frames import every

PASSAGES = 12.0
"""Flute passages in a window: parts speeds a twelfth apart."""

SHORTEST_S, LONGEST_S = 0.3, 0.6
"""A window lags by half its length. Shorter holds too few pieces; longer would miss a bind."""

LEAST_TURNS = 3.0
"""Beats in a window that can be parted from the slow rise and fall of the cut."""

EXPECTED = 3.0
"""Power of the beat over that of noise: lips that cut unequally, or a little runout, vary a cut's loudness by
a third, and 200 pieces of 2 ms spread by half measure such a beat at 5 or more."""

MOST_NATS = 8.0
"""What one beat can say: another sound may beat too, one window in some thousand."""

_STEP = 0.01  # of log frequency; a window's main lobe is ten times wider


class CutRhythm:
    """Which spindle speeds the beat of the sound speaks for; streaming, the same however hops are grouped.

    Parameters
    ----------
    grid_hz : shape (n_states,)
        Candidate spindle speeds, rising.
    spindle_hz : float
        The speed of the job, which sets the window.
    flutes : int
    n_fine, step_s : pieces in a hop of the fine envelope, and their length in seconds

    Notes
    -----
    Periodogram of the log envelope (Hann weighted hop by hop) in units of its variance: of white noise it is
    exponential with mean 1; of a beat with Gaussian amplitude, exponential with mean 1 + a. Their log
    likelihood ratio is P a / (1 + a) and a constant.
    """

    def __init__(
        self, grid_hz: NDArray[np.float64], spindle_hz: float, flutes: int, n_fine: int, step_s: float
    ) -> None:
        hop_s = n_fine * step_s
        window_s = min(max(PASSAGES / (flutes * spindle_hz), SHORTEST_S), LONGEST_S)
        self.hops = round(window_s / hop_s)
        orders = [o for o in sorted({1, flutes}) if o * spindle_hz * window_s >= LEAST_TURNS] or [flutes]
        low, high = float(grid_hz[0]), float(grid_hz[-1]) * max(orders)
        beats = low * np.exp(_STEP * np.arange(math.ceil(math.log(high / low) / _STEP) + 1))
        # rows of the table of beats for each order of each candidate
        self._at = np.rint(np.log(np.outer(orders, grid_hz) / low) / _STEP).astype(np.intp)
        middle = np.arange(self.hops) - (self.hops - 1) / 2
        taper = np.repeat(np.cos(np.pi * middle / self.hops) ** 2, n_fine)
        self._taper = (taper / taper.sum()).astype(np.float32)
        at_s = (np.arange(taper.size) - (taper.size - 1) / 2) * step_s
        waves = taper * np.exp(-2j * np.pi * beats[:, None] * at_s)
        waves -= waves.sum(axis=1, keepdims=True) * self._taper  # what a constant level gives
        # rows: real and imaginary part of each beat, so that their squares over the variance are the power
        rows = np.stack([waves.real, waves.imag], axis=1) / np.sqrt(np.square(taper).sum())
        self._waves = rows.astype(np.float32)
        self._levels = np.zeros((self.hops - 1) * n_fine, np.float32)
        self._missing = self.hops - 1

    def feed(self, envelope: NDArray[np.float32]) -> Beats:
        """Take hops.

        Parameters
        ----------
        envelope : float32, shape (n_hops, 2, n_fine)
        """
        n_hops, _, n_fine = envelope.shape
        bands = np.log(np.maximum(envelope, np.float32(1e-18)))
        level = (bands[:, 0] + bands[:, 1]) * np.float32(0.5)
        levels = np.concatenate([self._levels, level.ravel()])
        self._levels = levels[level.size :].copy()
        windows = every(levels, self._taper.size, n_fine)
        mean = np.matmul(windows[:, None], self._taper)
        centred = windows - mean
        variance = np.matmul(np.square(centred)[:, None], self._taper)[:, 0]
        missing = min(max(0, self._missing), n_hops)
        self._missing -= n_hops
        return Beats(self, level, centred, 1 / np.maximum(variance, np.float32(1e-6)), missing)

    def said(self, beats: Beats, hops: NDArray[np.intp]) -> NDArray[np.float32]:
        """See `Beats.said`."""
        waves = self._waves.reshape(-1, self._taper.size)
        parts = np.matmul(waves, beats.centred[hops][:, :, None])[:, :, 0]
        np.square(parts, out=parts)
        power = parts[:, ::2] + parts[:, 1::2]
        nats = power * (np.float32(EXPECTED / (1 + EXPECTED)) * beats.per_variance[hops])[:, None]
        # bounded as a whole, so that the shape of the peak, which places the speed, is kept
        nats *= np.float32(MOST_NATS) / np.maximum.reduce(
            nats, axis=1, keepdims=True, initial=np.float32(MOST_NATS)
        )
        said: NDArray[np.float32] = nats.take(self._at[0], axis=1)
        for at in self._at[1:]:
            said += nats.take(at, axis=1)
        said -= np.maximum.reduce(said, axis=1, keepdims=True)
        said *= np.float32(2 / self.hops)
        said[hops < beats.missing] = 0.0  # the first window is not full
        return said

    def power(self, beats: Beats, states: NDArray[np.intp]) -> NDArray[np.float64]:
        """See `Beats.power`."""
        n_hops, size = beats.centred.shape
        waves = self._waves.take(self._at.take(states, axis=1).T, axis=0).reshape(n_hops, -1, size)
        parts = np.matmul(waves, beats.centred[:, :, None])[:, :, 0]
        power = np.add.reduce(np.square(parts, out=parts), axis=1) * beats.per_variance
        mean: NDArray[np.float64] = power.astype(np.float64) / len(self._at)
        return mean


@dataclass(frozen=True, slots=True)
class Beats:
    """The log envelope up to each hop of a call, before it is asked for its beat.

    ``level``, shape (n_hops, n_fine): of each hop, the mean of two bands. ``centred``, shape (n_hops, n): its
    window less the mean; ``per_variance``, shape (n_hops,); the first ``missing`` windows are not full.
    """

    rhythm: CutRhythm
    level: NDArray[np.float32]
    centred: NDArray[np.float32]
    per_variance: NDArray[np.float32]
    missing: int

    def said(self, hops: NDArray[np.intp]) -> NDArray[np.float32]:
        """Log likelihood of each candidate, against the best of them, that some hops add.

        Hann windows half their length apart are all but independent: a hop adds so much of one. It says
        which speed, never whether the spindle turns: anything may beat.

        Parameters
        ----------
        hops : shape (n,)
            Indices of the hops in this call.

        Returns
        -------
        float32, shape (n, n_states), nats, 0 at most
        """
        return self.rhythm.said(self, hops)

    def power(self, states: NDArray[np.intp]) -> NDArray[np.float64]:
        """Power of the beat over that of noise at a state of each hop, mean of its orders, (n_hops,)."""
        return self.rhythm.power(self, states)

    def power_at(self, hop: int, state: int) -> float:
        """The same at any state, of one hop."""
        n = slice(hop, hop + 1)
        one = Beats(self.rhythm, self.level[n], self.centred[n], self.per_variance[n], 0)
        return float(self.rhythm.power(one, np.array([state]))[0])
