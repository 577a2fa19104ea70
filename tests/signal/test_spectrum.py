"""The noise floor under lines, and its spread over the bins."""

import numpy as np
import pytest

from monitor.signal import spectrum
from monitor.signal.spectrum import (
    BAND_HZ,
    band_floor,
    power_density,
    spectrum_geometry,
    spread_floor,
    to_db,
)

FS, N = 12_000, 1200
GEOMETRY = spectrum_geometry(FS, N, 5040)


def noise_frames(n_frames, seed=0):
    return np.random.default_rng(seed).standard_normal((n_frames, N)).astype(np.float32)


@pytest.mark.parametrize("fs", [8_000, 11_025, 12_000, 14_700, 16_000, 22_050])
def test_bands_tile_the_kept_bins(fs):
    n = 2 * 8 * round(0.05 * fs / 8)
    g = spectrum_geometry(fs, n, 0.42 * fs)
    assert g.first + g.n_bands * g.band_bins == g.n_bins
    assert g.n_bins * g.bin_hz <= min(0.42 * fs, 6000) + g.bin_hz
    assert g.band_bins * g.bin_hz == pytest.approx(BAND_HZ, abs=g.bin_hz)
    assert g.first * g.bin_hz >= 2 * g.bin_hz  # the window spreads DC over two bins of the unpadded frame
    steps = np.diff(g.band_centres_hz)
    np.testing.assert_allclose(steps, g.band_bins * g.bin_hz)


def test_floor_of_white_noise_is_unbiased():
    """2 v / fs in full scale squared per Hz, in dB on average; each single reading spreads by some 2 dB."""
    floor = band_floor(power_density(0.1 * noise_frames(400), GEOMETRY), GEOMETRY)
    error_db = floor - 10 * np.log10(2 * 0.01 / FS)
    assert abs(error_db.mean()) < 0.2
    assert np.abs(error_db.mean(axis=0)).max() < 0.5
    assert error_db.std() < 2.2


def test_band_averaged_floor_is_steady_enough_for_the_cutting_threshold():
    """Cutting sound begins 2.5 dB over idle, said to be five deviations of the band-averaged floor."""
    floor = band_floor(power_density(noise_frames(400), GEOMETRY), GEOMETRY)
    assert floor[:, 3:].mean(axis=1).std() < 0.5


@pytest.mark.parametrize("lines_per_band", [1, 2])
def test_lines_move_the_floor_little(lines_per_band):
    """Lines 30 dB over the noise in a bin, one or two to every band of 160 Hz: a main lobe is 40 Hz wide, and
    the first side lobes, 31 dB down, are as strong as the noise."""
    frames = noise_frames(100, seed=1)
    clean = band_floor(power_density(frames, GEOMETRY), GEOMETRY).mean()
    t = np.arange(N) / FS
    spacing = BAND_HZ / lines_per_band
    hz = np.arange(spacing / 2, 5000, spacing) + 3.7
    amplitude = np.sqrt(2 * 10**3 * 2 / FS * GEOMETRY.enbw_hz)
    phases = np.random.default_rng(2).uniform(0, 2 * np.pi, (100, hz.size))
    lines = np.stack([(amplitude * np.cos(2 * np.pi * hz[:, None] * t + p[:, None])).sum(0) for p in phases])
    dirty = band_floor(power_density((frames + lines).astype(np.float32), GEOMETRY), GEOMETRY).mean()
    assert 0 <= dirty - clean < (2 if lines_per_band == 1 else 5)


def test_a_sinusoid_peaks_at_its_power_over_the_noise_bandwidth():
    t = np.arange(N) / FS
    hz = 200 * GEOMETRY.bin_hz
    x = (0.3 * np.sin(2 * np.pi * hz * t)).astype(np.float32)[None]
    density = power_density(x, GEOMETRY)[0]
    assert density.argmax() == 200
    assert density[200] == pytest.approx(0.3**2 / 2 / GEOMETRY.enbw_hz, rel=1e-3)


def test_spread_floor_is_exact_at_centres_straight_between_and_level_outside():
    rng = np.random.default_rng(3)
    floor = rng.uniform(-120, -60, (4, GEOMETRY.n_bands)).astype(np.float32)
    spread = spread_floor(floor, GEOMETRY)
    hz = np.arange(GEOMETRY.n_bins) * GEOMETRY.bin_hz
    for i in range(4):
        np.testing.assert_allclose(spread[i], np.interp(hz, GEOMETRY.band_centres_hz, floor[i]), atol=1e-3)


def test_each_frame_is_measured_alone():
    frames = noise_frames(5, seed=4)
    density = power_density(frames, GEOMETRY)
    floor = spread_floor(band_floor(density, GEOMETRY), GEOMETRY)
    for i in range(5):
        one = power_density(frames[i : i + 1], GEOMETRY)
        assert one.tobytes() == density[i : i + 1].tobytes()
        assert spread_floor(band_floor(one, GEOMETRY), GEOMETRY).tobytes() == floor[i : i + 1].tobytes()


def test_frames_transformed_one_by_one_are_those_transformed_together(monkeypatch):
    """As on aarch64, where a transform of several rows at once rounds otherwise than one of a row."""
    frames = noise_frames(5, seed=4)
    together = power_density(frames, GEOMETRY)
    monkeypatch.setattr(spectrum, "_rounds_alike", lambda n: False)
    alone = power_density(frames, GEOMETRY)
    assert alone.dtype == together.dtype
    np.testing.assert_allclose(alone, together, rtol=1e-3, atol=1e-6 * together.max())


def test_digital_silence_stays_finite():
    zeros = np.zeros((2, N), np.float32)
    density = power_density(zeros, GEOMETRY)
    np.testing.assert_allclose(to_db(density), -200, rtol=1e-6)
    assert np.all(np.isfinite(spread_floor(band_floor(density, GEOMETRY), GEOMETRY)))
