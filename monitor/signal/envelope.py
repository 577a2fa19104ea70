"""The fine envelope: how loud two bands are every couple of milliseconds.

Spectra of a tenth of a second blur what happens within one revolution. Knocks of every turn, the flutes'
rhythm and the crackle of brittle chips are told by the power of short pieces of sound instead.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.signal.filters import band_taps
from monitor.signal.frames import FrameGeometry, in_turns

FINE_HZ = 480.0
"""Rate aimed at: 20 flute passages of a two-flute drill at 720 rpm, and short against the ring of a chip."""

LOW_HZ, SPLIT_HZ = 500.0, 2000.0
"""The lower band is where chuck and headstock ring when struck, above hum, rumble and most motor lines; the
upper band holds hiss and crackle of chips, as far as a phone-grade microphone hears it."""

_TAPS = 47  # skirts of some 850 Hz at 12 kHz (Hamming, 3.3 fs / taps)


@dataclass(frozen=True)
class FineEnvelope:
    """Filters of the fine envelope at one frame geometry; `power` applies them. No state.

    ``n_fine`` powers a hop and band, ``step_s`` seconds apart.
    """

    n_fine: int
    step_s: float
    hop: int
    toeplitz: NDArray[np.float32]

    def power(self, frames: NDArray[np.float32]) -> NDArray[np.float32]:
        """Mean square of the newest hop of each frame.

        Parameters
        ----------
        frames : float32, shape (n_hops, n), contiguous, n at least one hop and the filter's 46 samples

        Returns
        -------
        float32, shape (n_hops, 2, n_fine); lower and upper band, full scale squared. The filter lags by 23
        samples (2 ms).
        """
        width = self.toeplitz.shape[0]
        per = self.hop // self.n_fine
        n_hops, n = frames.shape
        begin = n - self.hop - (_TAPS - 1)
        item = frames.itemsize
        rows = np.lib.stride_tricks.as_strided(
            frames[:, begin:], (n_hops, self.n_fine, width), (frames.strides[0], per * item, item)
        )
        power = np.empty((n_hops, 2, self.n_fine), np.float32)
        for some, told in in_turns(rows, power):
            bands = np.matmul(np.ascontiguousarray(some), self.toeplitz)
            np.square(bands, out=bands)
            # means of each band's pieces, as a product, which is quicker than many short sums
            means = np.matmul(bands.reshape(-1, 2 * self.n_fine, per), np.full(per, 1 / per, np.float32))
            told[:] = means.reshape(-1, self.n_fine, 2).transpose(0, 2, 1)
        return power


def fine_envelope(geometry: FrameGeometry) -> FineEnvelope:
    """Filters for a frame geometry; the number of pieces divides the hop and comes nearest to `FINE_HZ`."""
    g = geometry
    divisors = [n for n in range(1, g.hop + 1) if g.hop % n == 0]
    n_fine = min(divisors, key=lambda n: abs(n / g.hop_s - FINE_HZ))
    per = g.hop // n_fine
    top_hz = min(g.usable_hz, 0.46 * g.fs)
    bands = ((LOW_HZ, SPLIT_HZ), (SPLIT_HZ, top_hz))
    toeplitz = np.zeros((per + _TAPS - 1, 2 * per), np.float32)
    for band, edges in enumerate(bands):
        taps = band_taps(*edges, np.hamming(_TAPS), g.fs)
        for i in range(per):
            toeplitz[i : i + _TAPS, band * per + i] = taps[::-1]
    return FineEnvelope(n_fine, g.hop_s / n_fine, g.hop, toeplitz)
