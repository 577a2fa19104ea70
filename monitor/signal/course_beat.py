"""What the beat of a cut says of courses of the speed: along straight falls, rises and at steady speeds.

Where a cut drowns the machine's lines its own loudness still beats once a turn and once a flute
(`monitor.signal.rhythm`). A window at one speed blurs the beat of a spindle that falls by a tenth in it; the
same window turned along the fall adds it up whole, with the phase that it had before. So each course is
asked for the power of the beat along it: a chirp periodogram of the log envelope.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

SLOWEST_HZ = 5.0
"""Of a beat at the end of the deepest course: what is slower is the rise and fall of the cut itself."""

SLOW_CHANGES = 5
"""Degree of the polynomial in a second that is taken for the slow rise and fall of the cut."""

EXPECTED = 3.0
"""Power of the beat over that of noise, as in `monitor.signal.rhythm`."""

_STEP = 0.0025  # of the log speed from which courses begin: half a radian at most, of a beat of 130 Hz
_TABLES = 8


class CourseBeat:
    """Log likelihoods of courses that end now, by the beat of the cut.

    Parameters
    ----------
    flutes : int
    sags : shape (n_courses, n_pieces)
        Share of the speed at the beginning by which each course is below it, piece by piece of the envelope;
        the last piece is the newest.
    step_s : float
        Length of a piece, s.
    deepest : float
        Of the sags.

    Notes
    -----
    Memory: the phasors of the newest speeds from which courses began, some MB. Latency: none.
    """

    def __init__(self, flutes: int, sags: NDArray[np.float64], step_s: float, deepest: float) -> None:
        self._orders = sorted({1, flutes})
        self._step_s, self._deepest = step_s, deepest
        turned = np.cumsum(1 - sags, axis=1) * step_s
        self._turned = turned - turned.mean(axis=1, keepdims=True)
        self._tables: dict[tuple[int, int], NDArray[np.float32]] = {}

    def nats(self, levels: NDArray[np.float64], start_hz: float) -> NDArray[np.float64]:
        """Log likelihood of each course against noise, up to a constant, shape (n_courses,).

        Zeros where no beat is fast enough to be parted from the rise and fall of the cut.

        Parameters
        ----------
        levels : shape (n,), n up to n_pieces
            Log power of the newest pieces; older ones, where there are none, say nothing.
        start_hz : float
            Speed from which the courses begin.
        """
        n_courses, n_pieces = self._turned.shape
        orders = [o for o in self._orders if o * start_hz * (1 - self._deepest) >= SLOWEST_HZ]
        if not orders:
            return np.zeros(n_courses)
        n = levels.size
        t = np.linspace(-1.0, 1.0, n)
        slow = np.linalg.qr(np.vander(t, 1 + max(1, round(SLOW_CHANGES * n * self._step_s))))[0]
        beats = levels - slow @ (slow.T @ levels)
        per_power = 1 / max(float(beats @ beats), 1e-9)
        parts = np.matmul(self._table(orders, start_hz)[:, n_pieces - n :], beats.astype(np.float32))
        power = np.add.reduce(np.square(parts).reshape(-1, n_courses), axis=0).astype(np.float64)
        nats: NDArray[np.float64] = power * (per_power * EXPECTED / (1 + EXPECTED))
        return nats

    def _table(self, orders: list[int], start_hz: float) -> NDArray[np.float32]:
        """Real and imaginary parts of the beats along each course, shape (2 K n_courses, n_pieces)."""
        key = len(orders), round(np.log(start_hz) / _STEP)
        table = self._tables.get(key)
        if table is None:
            if len(self._tables) >= _TABLES:
                del self._tables[next(iter(self._tables))]  # the oldest
            n_courses, n_pieces = self._turned.shape
            table = np.empty((2 * len(orders) * n_courses, n_pieces), np.float32)
            for part, order in zip(table.reshape(-1, 2, n_courses, n_pieces), orders, strict=True):
                turns = self._turned * (order * np.exp(key[1] * _STEP))
                turns -= np.rint(turns)  # of small angles single precision is enough, and ten times as fast
                angle = (2 * np.pi * turns).astype(np.float32)
                np.cos(angle, out=part[0])
                np.sin(angle, out=part[1])
            self._tables[key] = table
        return table
