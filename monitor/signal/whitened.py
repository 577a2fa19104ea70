"""The whitened level: how loud short pieces of sound are, every narrow band counting alike.

A blow excites all of a body's modes at once; a motor's lines are far louder, but each in one narrow band.
The mean of the logarithms of many narrow bands, that is the level after the spectrum was made flat, rises by
what a blow adds to the many and hardly sees what rings steadily in a few.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.signal.envelope import LOW_HZ, SPLIT_HZ
from monitor.signal.frames import FrameGeometry, in_turns

_TURN_SHARE = 0.25  # of a turn that a piece may last: it must be blown through and fall silent again in it
_LEAST_S, _MOST_S = 0.005, 0.012  # as long as the ring of a chuck or headstock: longer adds only noise
_OVERLAP = 3.75  # levels per length of a piece: Hann windows lose no power from 3 on
_SILENCE = np.float32(1e-13)  # per band, full scale squared: under any converter's noise


@dataclass(frozen=True)
class WhitenedLevel:
    """Filters for one frame geometry and speed; `level_db` applies them. No state.

    ``n_pieces`` levels a hop. They lag by half a piece.
    """

    n_pieces: int
    hop: int
    bands: NDArray[np.float32]

    def level_db(self, frames: NDArray[np.float32]) -> NDArray[np.float32]:
        """Level in the newest hop of each frame, from 500 to 2000 Hz, where bodies ring when struck.

        Parameters
        ----------
        frames : float32, shape (n_hops, n), contiguous, n at least a hop and a piece

        Returns
        -------
        float32, shape (n_hops, n_pieces), dB re full scale in a band; a doubling of all sound is 6 dB
        """
        length, width = self.bands.shape
        n_hops, n = frames.shape
        step, item = self.hop // self.n_pieces, frames.itemsize
        begin = n - self.hop - length + step
        rows = np.lib.stride_tricks.as_strided(
            frames[:, begin:], (n_hops, self.n_pieces, length), (frames.strides[0], step * item, item)
        )
        share = np.full(width // 2, 20 / width, np.float32)
        level = np.empty((n_hops, self.n_pieces), np.float32)
        for some, told in in_turns(rows, level):
            parts = np.matmul(np.ascontiguousarray(some), self.bands)
            np.square(parts, out=parts)
            power = parts[:, :, : width // 2] + parts[:, :, width // 2 :]
            power += _SILENCE
            np.matmul(np.log10(power, out=power), share, out=told)
        return level


def whitened_level(geometry: FrameGeometry, spindle_hz: float) -> WhitenedLevel:
    """Filters for a frame geometry and the job's speed: pieces of 5 to 12 ms, a quarter turn at most."""
    g = geometry
    piece_s = min(max(_TURN_SHARE / spindle_hz, _LEAST_S), _MOST_S)
    length = 2 * round(piece_s * g.fs / 2)
    divisors = [n for n in range(1, g.hop + 1) if g.hop % n == 0]
    n_pieces = min(divisors, key=lambda n: abs(n - _OVERLAP * g.hop / length))
    hz = np.arange(length // 2 + 1) * g.fs / length
    kept = hz[(hz >= LOW_HZ) & (hz <= SPLIT_HZ)]
    turns = 2 * np.pi * np.outer(np.arange(length), kept) / g.fs
    window = np.hanning(length + 2)[1:-1]
    window *= 2 / window.sum()  # an amplitude of 1 reads 0 dB
    bands = np.hstack([np.cos(turns), np.sin(turns)]) * window[:, None]
    return WhitenedLevel(n_pieces, g.hop, np.ascontiguousarray(bands, np.float32))
