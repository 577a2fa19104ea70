"""Crackle: how impulsive a band sounds, from its fine envelope.

Brittle chips break: each break is a click of a few milliseconds. A rubbing drill hisses, and a squealing one
sings: both steadily. The measure is the envelope's arithmetic mean over its geometric mean, in dB (the
flatness measure of Gray and Markel 1974, there of spectra; from memory). It is the same at any gain, and the
logarithm keeps one slammed door from counting for more than many chips.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_FAINTEST = np.float32(1e-20)  # under the noise of any converter; keeps logarithms finite


def crackle_db(power: NDArray[np.float32]) -> NDArray[np.float32]:
    """Arithmetic over geometric mean of each row of an envelope, dB.

    Parameters
    ----------
    power : float32, shape (n, n_fine), contiguous
        Power of successive pieces of sound, any unit.

    Returns
    -------
    float32, shape (n,)
        0 for a steady tone; about 2.17 / (B T) for noise of bandwidth B in pieces of time T (their powers
        follow a chi-squared law of 2 B T degrees of freedom, whose mean logarithm lies 1 / (2 B T) nepers
        under the logarithm of its mean); more for clicks.

    Examples
    --------
    >>> steady, click = np.ones((2, 24), np.float32)
    >>> click[7] = 100
    >>> crackle_db(np.stack([steady, click])).round(1)
    array([0. , 6.3], dtype=float32)
    """
    floored = power + _FAINTEST
    share = np.float32(1 / power.shape[1])
    geometric = np.add.reduce(np.log10(floored), axis=1) * share
    arithmetic = np.log10(np.add.reduce(floored, axis=1) * share)
    return np.asarray(10 * (arithmetic - geometric), dtype=np.float32)
