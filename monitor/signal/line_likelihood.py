"""What one bin of the spectrum says of one line: likelihood ratio of its presence against noise alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

POWER_STEP_DB, POWER_LOW_DB, POWER_COUNT = 0.5, -20.0, 161  # power over floor, -20 to +60 dB
SNR_STEP_DB, SNR_LOW_DB, SNR_COUNT = 2.0, -10.0, 36  # expected line over floor, -10 to +60 dB
_LEVEL_BELOW_DB, _LEVEL_ABOVE_DB = 10.0, 8.0
# A line may be weaker than learned (a null of the room moves with speed, a hand near the machine) or
# stronger (load raises it). A wider claim would let any noise peak be a drowned line.
_MISSING = 0.1  # a line may sit in a null of the room altogether
# A bin may hold something else: another of the machine's lines by chance, a radio, a voice.
_OUTLIER_SPAN_DB = 80.0


@dataclass(frozen=True)
class LineLikelihood:
    """What one bin says of one line; see `line_likelihood`.

    ``ratio``: shape (36, 162), nats. ``if_present``, ``if_absent``: shape (36,), its mean where the line
    is there, and minus its mean where it is not: the evidence to be expected for and against.
    """

    ratio: NDArray[np.float32]
    if_present: NDArray[np.float64]
    if_absent: NDArray[np.float64]


def line_likelihood(other_share: float) -> LineLikelihood:
    """Log likelihood ratio of a bin's power over the floor, line present against noise alone.

    Rows: expected line over floor, -10 to +60 dB by 2; columns: power over floor, -20 to +60 dB by
    0.5; one more column of zeros for a bin that says nothing. Noise alone: exponential. With a line
    of ratio a: exponential with mean 1 + a (a line's level fluctuates as the room and the load
    change: Swerling 1), a spread evenly in dB from 10 below to 8 above the expected; with
    probability 0.1 missing. In both cases the bin may hold something else, with probability
    ``other_share`` and spread evenly in dB; that bounds what any single bin can say to a few nats: one
    radio tone proves nothing.

    References
    ----------
    Swerling, Probability of detection for fluctuating targets (1954; from memory).
    """
    power = 10 ** ((POWER_LOW_DB + POWER_STEP_DB * np.arange(POWER_COUNT)) / 10)
    expected = SNR_LOW_DB + SNR_STEP_DB * np.arange(SNR_COUNT)
    per_db = power * np.log(10) / 10  # density per dB = density times power times ln(10)/10
    noise = np.exp(-power) * per_db
    table = np.zeros((SNR_COUNT, POWER_COUNT + 1), np.float32)
    present_mean, absent_mean = np.zeros(SNR_COUNT), np.zeros(SNR_COUNT)
    other = other_share / _OUTLIER_SPAN_DB
    for row, snr_db in enumerate(expected):
        levels = snr_db + np.arange(-_LEVEL_BELOW_DB, _LEVEL_ABOVE_DB + 1e-9, 1.0)
        mean = 1 + 10 ** (levels / 10)
        line = np.mean(np.exp(-power[:, None] / mean) / mean, axis=1) * per_db
        present = (1 - _MISSING) * line + _MISSING * noise
        ratio = np.log(((1 - other_share) * present + other) / ((1 - other_share) * noise + other))
        table[row, :POWER_COUNT] = ratio
        present_mean[row] = (ratio * present).sum() / present.sum()
        absent_mean[row] = -(ratio * noise).sum() / noise.sum()
    # A line expected 10 dB under the floor and more is drowned: whatever is there says nothing of it.
    table[0], present_mean[0], absent_mean[0] = 0.0, 0.0, 0.0
    return LineLikelihood(table, present_mean, absent_mean)
