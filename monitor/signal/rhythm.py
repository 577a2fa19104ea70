"""The rhythm of the cut: its loudness beats as the lips come round, once a turn and once a flute.

A loud cut drowns the machine's lines; the same cut then tells the speed by its own beat: coarsely, over
half a second, but independently of the lines.
"""

from __future__ import annotations

import math

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
        self._at = [np.rint(np.log(order * grid_hz / low) / _STEP).astype(np.intp) for order in orders]
        inner = 2 * np.pi * beats * (np.arange(n_fine) - (n_fine - 1) / 2)[:, None] * step_s
        self._basis = np.concatenate([np.cos(inner), -np.sin(inner)], axis=1).astype(np.float32)
        self._n = beats.size
        middle = np.arange(self.hops) - (self.hops - 1) / 2
        taper = np.cos(np.pi * middle / self.hops) ** 2
        outer = 2 * np.pi * beats * (middle * hop_s)[:, None]
        self._turn = (taper[:, None] * np.exp(-1j * outer)).astype(np.complex64)
        self._taper = (taper / taper.sum()).astype(np.float32)
        constant = self._basis.sum(axis=0)
        flat = constant[: self._n] + 1j * constant[self._n :]
        self._flat = (flat * self._turn).sum(axis=0).astype(np.complex64)  # what a constant level gives
        self._per_noise = np.float32(1 / (n_fine * np.square(taper).sum()))
        self._beats = np.zeros((self.hops - 1, self._n), np.complex64)
        self._means = np.zeros((self.hops - 1, 2), np.float32)
        self._missing = self.hops - 1

    def evidence(self, envelope: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Log likelihood of each candidate, against the best of them, that each hop adds.

        Hann windows half their length apart are all but independent: a hop adds so much of one. It says
        which speed, never whether the spindle turns: anything may beat.

        Parameters
        ----------
        envelope : float32, shape (n_hops, 2, n_fine)

        Returns
        -------
        said : float32, shape (n_hops, n_states), nats, 0 at most
        power : float32, shape (n_hops, n_beats)
            For `beat_at`.
        """
        n_hops = envelope.shape[0]
        bands = np.log(np.maximum(envelope, np.float32(1e-18)))
        level = (bands[:, 0] + bands[:, 1]) * np.float32(0.5)
        parts = np.matmul(level[:, None, :], self._basis)[:, 0]
        beats = np.empty((n_hops, self._n), np.complex64)
        beats.real, beats.imag = parts[:, : self._n], parts[:, self._n :]
        means = np.empty((n_hops, 2), np.float32)
        np.add.reduce(level, axis=1, out=means[:, 0])
        np.add.reduce(np.square(level), axis=1, out=means[:, 1])
        means /= np.float32(level.shape[1])
        beats = np.concatenate([self._beats, beats])
        means = np.concatenate([self._means, means])
        self._beats, self._means = beats[n_hops:].copy(), means[n_hops:].copy()
        total = np.zeros((n_hops, self._n), np.complex64)
        turned = np.empty_like(total)
        for k in range(self.hops):
            total += np.multiply(beats[k : k + n_hops], self._turn[k], out=turned)
        windows = every(means.ravel(), 2 * self.hops, 2).reshape(n_hops, self.hops, 2)
        mean, square = np.matmul(self._taper, windows).T
        total -= np.multiply(mean[:, None], self._flat, out=turned)
        variance = np.maximum(square - np.square(mean), np.float32(1e-6))
        power = (np.square(total.real) + np.square(total.imag)) * (self._per_noise / variance)[:, None]
        nats = power * np.float32(EXPECTED / (1 + EXPECTED))
        # bounded as a whole, so that the shape of the peak, which places the speed, is kept
        nats *= np.float32(MOST_NATS) / np.maximum(nats.max(axis=1, keepdims=True), np.float32(MOST_NATS))
        said: NDArray[np.float32] = nats.take(self._at[0], axis=1)
        for at in self._at[1:]:
            said += nats.take(at, axis=1)
        said -= said.max(axis=1, keepdims=True)
        said *= np.float32(2 / self.hops)
        said[: max(0, self._missing)] = 0.0  # the first window is not full
        self._missing -= n_hops
        return said, power

    def beat_at(self, power: NDArray[np.float32], states: NDArray[np.intp]) -> NDArray[np.float64]:
        """Power of the beat over that of noise at the speed found, mean of its orders, shape (n_hops,)."""
        hops = np.arange(states.size)
        total = power[hops, self._at[0].take(states)]
        for at in self._at[1:]:
            total = total + power[hops, at.take(states)]
        return total.astype(np.float64) / len(self._at)
