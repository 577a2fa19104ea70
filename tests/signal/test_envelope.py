"""The fine envelope: levels of known tones and noise, and where in time a click falls."""

import numpy as np
import pytest

from monitor.signal.envelope import LOW_HZ, SPLIT_HZ, fine_envelope
from monitor.signal.frames import frame_geometry

RATES = [8000, 11025, 16000, 22050, 24000, 44100, 48000, 96000, 192000]


@pytest.mark.parametrize("fs", RATES)
def test_pieces_fill_the_hop_at_about_the_stated_rate(fs):
    g = frame_geometry(fs)
    fine = fine_envelope(g)
    assert g.hop % fine.n_fine == 0
    assert 400 <= 1 / fine.step_s <= 560


@pytest.mark.parametrize("fs", [16000, 44100, 48000])
def test_a_tone_reads_its_power_in_its_own_band_and_little_in_the_other(fs):
    g = frame_geometry(fs)
    fine = fine_envelope(g)
    t = np.arange(g.n_long) / g.fs
    for f, band in ((1200.0, 0), (3200.0, 1)):
        tone = np.sin(2 * np.pi * f * t).astype(np.float32)
        power = fine.power(tone[None])[0].mean(axis=1)
        assert 10 * np.log10(power[band] / 0.5) == pytest.approx(0, abs=0.3)
        assert 10 * np.log10(power[1 - band] / 0.5) < -25


def test_hum_below_the_bands_is_rejected():
    g = frame_geometry(48000)
    t = np.arange(g.n_long) / g.fs
    hum = np.sin(2 * np.pi * 50 * t).astype(np.float32)
    assert 10 * np.log10(fine_envelope(g).power(hum[None])[0].mean(axis=1) / 0.5).max() < -35


def test_white_noise_reads_its_share_of_bandwidth():
    g = frame_geometry(48000)
    fine = fine_envelope(g)
    noise = np.random.default_rng(3).standard_normal((400, g.n_long)).astype(np.float32)
    power = fine.power(noise).mean(axis=(0, 2))
    assert power[0] == pytest.approx((SPLIT_HZ - LOW_HZ) / (g.fs / 2), rel=0.2)  # amplitude 1/2 at the edges
    assert power[1] == pytest.approx((g.usable_hz - SPLIT_HZ) / (g.fs / 2), rel=0.1)


@pytest.mark.parametrize("piece", [3, 12, 20])
def test_a_click_lights_the_piece_in_which_it_falls_after_the_filters_lag(piece):
    g = frame_geometry(48000)
    fine = fine_envelope(g)
    per = g.hop // fine.n_fine
    x = np.zeros((1, g.n_long), np.float32)
    x[0, g.n_long - g.hop + piece * per + per // 2 - 23] = 1.0
    power = fine.power(x)[0]
    assert power.argmax(axis=1).tolist() == [piece, piece]


def test_a_hop_does_not_depend_on_the_hops_beside_it():
    g = frame_geometry(48000)
    fine = fine_envelope(g)
    x = np.random.default_rng(5).standard_normal((37, g.n_long)).astype(np.float32)
    together = fine.power(x)
    alone = np.concatenate([fine.power(x[i : i + 1]) for i in range(37)])
    np.testing.assert_array_equal(together, alone)
