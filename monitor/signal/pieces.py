"""Short pieces of sound: the power of narrow bands every few milliseconds, where struck bodies ring.

A blow excites some of a body's modes; a motor's lines are far louder, but each in one narrow band. In narrow
bands of their own, a mode that rings is compared to the little that else is heard there, and a steady line
spoils no band but its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.signal.frames import FrameGeometry, in_turns

LOW_HZ, HIGH_HZ = 150.0, 1500.0
"""Bands from over hum and rumble to where the hiss of cutting begins to drown what rings: chucks, headstocks
and stock of some decimetres have their first modes between (common practice, no published source)."""

_TURN_SHARE = 0.25  # of a turn that a piece may last: it must be blown through and fall silent again in it
_LEAST_S, _MOST_S = 0.005, 0.012  # as long as the ring of a chuck or headstock: longer adds only noise
_OVERLAP = 3.75  # powers per length of a piece: Hann windows lose no power from 3 on
_SILENCE = np.float32(1e-13)  # per band, full scale squared: under any converter's noise


@dataclass(frozen=True)
class BandPieces:
    """Filters for one frame geometry and speed; `power` applies them. No state.

    ``n_pieces`` a hop and ``n_bands`` powers a piece. They lag by half a piece.
    """

    n_pieces: int
    n_bands: int
    hop: int
    filters: NDArray[np.float32]

    def power(self, frames: NDArray[np.float32]) -> NDArray[np.float32]:
        """Power of the newest hop of each frame.

        Parameters
        ----------
        frames : float32, shape (n_hops, n), contiguous, n at least a hop and a piece

        Returns
        -------
        float32, shape (n_hops, n_pieces, n_bands), full scale squared: a tone of amplitude 1 in the middle of
        a band gives 1 there
        """
        length, width = self.filters.shape
        n_hops, n = frames.shape
        step, item = self.hop // self.n_pieces, frames.itemsize
        begin = n - self.hop - length + step
        rows = np.lib.stride_tricks.as_strided(
            frames[:, begin:], (n_hops, self.n_pieces, length), (frames.strides[0], step * item, item)
        )
        power = np.empty((n_hops, self.n_pieces, self.n_bands), np.float32)
        for some, told in in_turns(rows, power):
            parts = np.matmul(np.ascontiguousarray(some), self.filters)
            np.square(parts, out=parts)
            np.add(parts[:, :, : width // 2], parts[:, :, width // 2 :], out=told)
            told += _SILENCE
        return power


def band_pieces(geometry: FrameGeometry, spindle_hz: float) -> BandPieces:
    """Filters for a frame geometry and the job's speed: pieces of 5 to 12 ms, a quarter turn at most."""
    g = geometry
    piece_s = min(max(_TURN_SHARE / spindle_hz, _LEAST_S), _MOST_S)
    length = 2 * round(piece_s * g.fs / 2)
    divisors = [n for n in range(1, g.hop + 1) if g.hop % n == 0]
    n_pieces = min(divisors, key=lambda n: abs(n - _OVERLAP * g.hop / length))
    hz = np.arange(length // 2 + 1) * g.fs / length
    kept = hz[(hz >= LOW_HZ) & (hz <= HIGH_HZ)]
    turns = 2 * np.pi * np.outer(np.arange(length), kept) / g.fs
    window = np.hanning(length + 2)[1:-1]
    window *= 2 / window.sum()  # an amplitude of 1 reads 1
    filters = np.hstack([np.cos(turns), np.sin(turns)]) * window[:, None]
    return BandPieces(n_pieces, kept.size, g.hop, np.ascontiguousarray(filters, np.float32))
