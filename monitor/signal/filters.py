"""Linear-phase filters by the window method, so that hearing needs none of the large signal libraries.

Loading `scipy.signal` takes most of a second and some 60 MB; these few lines give the same taps as its
`firwin`, bit for bit in single precision (tests/external/test_decimation.py).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def band_taps(low_hz: float, high_hz: float, window: NDArray[np.float64], fs: float) -> NDArray[np.float32]:
    """Taps of a pass band, unit gain at its middle; at DC if ``low_hz`` is 0 (a low-pass), shape (n,).

    Parameters
    ----------
    low_hz, high_hz : edges, where the gain is one half
    window : shape (n,)
        Sets the skirts; n odd for a band that begins above 0.
    fs : sample rate, Hz

    References
    ----------
    Oppenheim and Schafer, Discrete-Time Signal Processing, design by windowing (from memory).
    """
    low, high = low_hz / (fs / 2), high_hz / (fs / 2)
    m = np.arange(window.size) - (window.size - 1) / 2
    taps: NDArray[np.float64] = (high * np.sinc(high * m) - low * np.sinc(low * m)) * window
    middle = 0.5 * (low + high) if low > 0 else 0.0
    taps /= np.sum(taps * np.cos(np.pi * m * middle))
    return taps.astype(np.float32)
