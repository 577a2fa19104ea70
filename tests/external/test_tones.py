"""Frequencies that standards fix, read back by our line measurement within 0.05 %.

Sources: ITU-T Q.23 (push-button telephone tone pairs); ISO 16:1975 (A4 = 440 Hz) with equal-tempered
steps of 2^(1/12); K. J. Werner and F. G. Germain, "Sinusoidal parameter estimation using quadratic
interpolation around power-scaled magnitude spectrum peaks", Appl. Sci. 6 (2016) 306, for the bias of
parabolic interpolation (values recomputed: Hann, four times zero-padded, 0.0002 bins).
"""

import itertools

import numpy as np
import pytest

from monitor.signal.frames import Decimator, frame_geometry
from tests.strongest import strongest_line

pytestmark = pytest.mark.external

LOW_HZ, HIGH_HZ = (697, 770, 852, 941), (1209, 1336, 1477, 1633)
RATES = (16_000, 44_100, 48_000)
TOLERANCE = 5e-4


def through_our_decimation(x, fs):
    """Internal samples and rate, the filter's settling (one hop) left out."""
    geometry = frame_geometry(fs)
    hops = x[: x.size // geometry.hop_in * geometry.hop_in].reshape(-1, geometry.hop_in)
    return Decimator(geometry).feed(hops.astype(np.float32)).ravel()[geometry.hop :], geometry.fs


@pytest.mark.parametrize("fs", RATES)
@pytest.mark.parametrize(("low", "high"), list(itertools.product(LOW_HZ, HIGH_HZ)))
def test_push_button_pairs(low, high, fs):
    t = np.arange(int(0.3 * fs)) / fs
    rng = np.random.default_rng(low * high)
    noise = 0.02 * rng.standard_normal(t.size)
    x = 0.2 * np.cos(2 * np.pi * low * t + 1) + 0.3 * np.cos(2 * np.pi * high * t + 2) + noise
    y, internal = through_our_decimation(x, fs)
    assert strongest_line(y, internal, 600, 1050) == pytest.approx(low, rel=TOLERANCE)
    assert strongest_line(y, internal, 1100, 1800) == pytest.approx(high, rel=TOLERANCE)


@pytest.mark.parametrize("fs", RATES)
def test_equal_tempered_scale_from_a440(fs):
    t = np.arange(int(0.6 * fs)) / fs
    for step in range(-24, 37):  # A2, 110 Hz, to A7, 3520 Hz
        f = 440 * 2 ** (step / 12)
        y, internal = through_our_decimation(0.3 * np.sin(2 * np.pi * f * t), fs)
        assert strongest_line(y, internal, 50, 5000) == pytest.approx(f, rel=TOLERANCE), step


def test_interpolation_bias_is_that_of_the_paper():
    """Worst noiseless error of a complex-free tone far from 0 and Nyquist, over one bin."""
    fs = n = 4096
    worst = 0.0
    for fraction in np.linspace(0, 1, 41):
        f = 1000 + fraction  # bins of 1 Hz
        x = np.cos(2 * np.pi * f * np.arange(n) / fs + 0.7)
        worst = max(worst, abs(strongest_line(x, fs, 900, 1100) - f))
    assert worst == pytest.approx(0.0002, abs=0.0001)
