"""The floor and the constants of long averages, against what noise does by calculation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate

from monitor.signal.lines import LOG_MEAN, LOG_SD, LOG_SKEW, spectrogram


@pytest.mark.parametrize(
    ("window", "seconds", "pad", "duration"),
    [
        ("hann", 0.5, 1, 40),
        ("blackmanharris", 2.0, 1, 8),
        ("blackmanharris", 2.0, 1, 60),
    ],
)
@pytest.mark.xfail(strict=True, reason="0.10 to 0.36 dB low, and rules were tuned with it: see `_floor`")
def test_the_floor_of_white_noise_is_its_density(
    window: str, seconds: float, pad: int, duration: int
) -> None:
    """One-sided, 2 variance / fs, whatever share of the spectrum the floor is read at and however short."""
    fs, rng = 16_000, np.random.default_rng(5)
    bias_db = []
    for _ in range(3):
        s = spectrogram(rng.standard_normal(duration * fs).astype(np.float32), fs, seconds, window, pad, 6000)
        bias_db.append(float(np.mean(10 * np.log10(s.floor[100:-100] * fs / 2))))
    assert np.mean(bias_db) == pytest.approx(0, abs=0.08)


def test_moments_of_the_logarithm_of_one_and_an_exponential_variable() -> None:
    """By quadrature."""

    def moment(k: int) -> float:
        return float(integrate.quad(lambda e: np.log1p(e) ** k * np.exp(-e), 0, 60)[0])

    mean, sd = moment(1), (moment(2) - moment(1) ** 2) ** 0.5
    skew = (moment(3) - 3 * mean * moment(2) + 2 * mean**3) / sd**3
    assert [mean, sd, skew] == pytest.approx([LOG_MEAN, LOG_SD, LOG_SKEW], abs=1e-5)
