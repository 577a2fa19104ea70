"""Window facts and spectral densities against published numbers and scipy.signal.

Sources: F. J. Harris, "On the use of windows for harmonic analysis with the discrete Fourier
transform", Proc. IEEE 66 (1978) 51-83, table 1 (Hann: equivalent noise bandwidth 1.50 bins,
scalloping loss 1.42 dB, highest side lobe -32 dB, here to two more digits, computed).
"""

import numpy as np
import pytest
from scipy import signal

from monitor.signal.spectrum import band_floor, hann, power_density, spectrum_geometry

pytestmark = pytest.mark.external


def test_hann_window_facts():
    n, pad = 1024, 64
    window = hann(n)
    response = 20 * np.log10(np.abs(np.fft.rfft(window, n * pad)) / window.sum() + 1e-15)
    assert n * (window @ window) / window.sum() ** 2 == pytest.approx(1.5, abs=1e-9)  # ENBW, bins
    assert -response[pad // 2] == pytest.approx(1.42, abs=0.005)  # scalloping: half a bin off
    assert response[2 * pad :].max() == pytest.approx(-31.5, abs=0.05)  # past the first null, 2 bins


def test_scalloping_of_our_padded_spectrum_is_below_its_promise():
    """Zero padding to twice the frame: worst loss at a quarter of a bin (0.4 dB stated)."""
    geometry = spectrum_geometry(12_000, 1200, 5000)
    cycles = np.arange(geometry.n) / geometry.fs
    f = 2000 + np.linspace(0, geometry.bin_hz, 21)
    frames = np.cos(2 * np.pi * f[:, None] * cycles + 0.3).astype(np.float32)
    peak = power_density(frames, geometry).max(1)
    loss = 10 * np.log10(0.5 / geometry.enbw_hz / peak)
    assert loss.min() == pytest.approx(0, abs=0.01)
    assert 0.3 < loss.max() < 0.4


@pytest.mark.parametrize(("fs", "n"), [(12_000, 1200), (14_700, 1472), (16_000, 1600)])
def test_density_is_scipys(fs, n):
    geometry = spectrum_geometry(fs, n, 5000)
    x = np.random.default_rng(n).standard_normal(n).astype(np.float32)
    f, reference = signal.periodogram(x, fs, "hann", 2 * n, detrend=False, scaling="density")
    # scipy pads the windowed frame, as we do.
    ours = power_density(x[None], geometry)[0]
    # Bin 0 has no mirror image, so a one-sided density leaves it single; ours is not used below 20 Hz.
    np.testing.assert_allclose(ours[1:], reference[1 : ours.size], rtol=2e-4, atol=1e-9)
    assert f[1] == pytest.approx(geometry.bin_hz)


def test_averaged_density_is_welchs():
    geometry = spectrum_geometry(12_000, 1200, 5000)
    x = np.random.default_rng(7).standard_normal(60 * 600).astype(np.float32)
    frames = np.ascontiguousarray(np.lib.stride_tricks.sliding_window_view(x, 1200)[::600])
    ours = power_density(frames, geometry).mean(0)
    _, reference = signal.welch(x, 12_000, "hann", 1200, 600, 2400, detrend=False)
    np.testing.assert_allclose(ours[1:], reference[1 : ours.size], rtol=1e-3)


def test_short_time_spectra_are_scipys_shorttimefft():
    geometry = spectrum_geometry(12_000, 1200, 5000)
    x = np.random.default_rng(8).standard_normal(6000).astype(np.float32)
    stft = signal.ShortTimeFFT(hann(1200), 600, 12_000, mfft=2400, scale_to="psd", fft_mode="onesided2X")
    reference = stft.spectrogram(x.astype(float))
    first = -stft.p_min  # slice centred on sample 0; ours start at sample 0
    frames = np.ascontiguousarray(np.lib.stride_tricks.sliding_window_view(x, 1200)[::600])
    ours = power_density(frames, geometry)
    for k, density in enumerate(ours):
        column = reference[: ours.shape[1], first + 1 + k]
        np.testing.assert_allclose(density[2:], column[2:], rtol=2e-3, atol=1e-9)


@pytest.mark.parametrize(("amplitude", "within_db"), [(0.0, 0.3), (0.01, 2.0)])
def test_floor_reads_known_noise(amplitude, within_db):
    """White noise of known density, bare and with a line in every band 23 dB over it.

    With a line a quarter of the bins hold its main lobe, so the 0.3 quantile is the 0.4 quantile of
    the noise: ln(0.6) / ln(0.7) is 1.55 dB of bias, and no more.
    """
    geometry = spectrum_geometry(12_000, 1200, 5000)
    rng = np.random.default_rng(9)
    variance = 1e-4
    t = np.arange(1200) / 12_000
    lines = sum(amplitude * np.cos(2 * np.pi * f * t + f) for f in np.arange(100, 5000, 160.0))
    frames = (lines + rng.standard_normal((400, 1200)) * np.sqrt(variance)).astype(np.float32)
    error = band_floor(power_density(frames, geometry), geometry) - 10 * np.log10(2 * variance / 12_000)
    assert np.max(np.abs(error.mean(0))) < within_db
