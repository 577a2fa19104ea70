"""Our decimation against scipy.signal: the same samples, and the response the docstring promises."""

import numpy as np
import pytest
from scipy import signal

from monitor.signal.envelope import LOW_HZ, SPLIT_HZ
from monitor.signal.filters import band_taps
from monitor.signal.frames import Decimator, decimation_taps, frame_geometry

pytestmark = pytest.mark.external


@pytest.mark.parametrize("fs", [16_000, 44_100, 48_000, 96_000, 192_000])
def test_same_samples_as_scipy_upfirdn(fs):
    geometry = frame_geometry(fs)
    rng = np.random.default_rng(fs)
    x = rng.standard_normal(6 * geometry.hop_in).astype(np.float32)
    ours = Decimator(geometry).feed(x.reshape(6, -1)).ravel()
    taps = decimation_taps(geometry.decimation).astype(float)
    reference = signal.upfirdn(taps, x.astype(float), 1, geometry.decimation)[: ours.size]
    np.testing.assert_allclose(ours, reference, atol=3e-6 * np.abs(reference).max())


@pytest.mark.parametrize("fs", [44_100, 48_000, 96_000, 192_000])
def test_response_measured_by_scipy_freqz(fs):
    geometry = frame_geometry(fs)
    new_nyquist = geometry.fs / 2
    f, response = signal.freqz(decimation_taps(geometry.decimation), worN=1 << 15, fs=fs)
    level = 20 * np.log10(np.maximum(np.abs(response), 1e-12))
    assert np.max(np.abs(level[f <= geometry.usable_hz])) < 0.01  # flat where lines are measured
    folds_into_use = f >= 2 * new_nyquist - geometry.usable_hz
    assert np.max(level[folds_into_use]) < -69.5  # Kaiser's design formula, 70 dB nominal


@pytest.mark.parametrize("fs", [44_100, 48_000])
def test_a_tone_comes_through_as_scipy_resample_poly_gives_it(fs):
    """Amplitude and frequency of a tone against another decimator (scipy.signal.resample_poly)."""
    geometry = frame_geometry(fs)
    t = np.arange(10 * geometry.hop_in) / fs
    x = 0.5 * np.cos(2 * np.pi * 1234.5 * t)
    ours = Decimator(geometry).feed(x.astype(np.float32).reshape(10, -1)).ravel()
    other = signal.resample_poly(x, 1, geometry.decimation)
    n = geometry.hop  # leave the filters' settling out
    f = np.fft.rfftfreq(8 * n, 1 / geometry.fs)
    window = signal.get_window("flattop", 8 * n)
    spectra = [np.abs(np.fft.rfft(y[n : 9 * n] * window)) for y in (ours, other)]
    assert f[spectra[0].argmax()] == f[spectra[1].argmax()]
    assert spectra[0].max() == pytest.approx(spectra[1].max(), rel=1e-3)


@pytest.mark.parametrize("decimation", [2, 3, 4, 8, 16])
def test_low_pass_taps_are_those_of_scipy_firwin(decimation):
    window = ("kaiser", signal.kaiser_beta(70.0))
    theirs = signal.firwin(32 * decimation, 0.5, window=window, fs=float(decimation))
    np.testing.assert_array_equal(decimation_taps(decimation), theirs.astype(np.float32))


@pytest.mark.parametrize("fs", [8000, 11_025, 12_000, 14_700, 24_000])
def test_band_pass_taps_are_those_of_scipy_firwin(fs):
    for edges in ((LOW_HZ, SPLIT_HZ), (SPLIT_HZ, 0.42 * fs)):
        theirs = signal.firwin(47, edges, pass_zero=False, fs=fs)  # Hamming
        np.testing.assert_array_equal(band_taps(*edges, np.hamming(47), fs), theirs.astype(np.float32))
