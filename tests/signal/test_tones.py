"""Which bins the baseline explains, and how strong the strongest other one is."""

import math

import numpy as np
import pytest

from monitor.baseline import BASELINE_VERSION, Baseline, Line, LineClass
from monitor.signal.spectrum import band_floor, power_density, spectrum_geometry, spread_floor, to_db
from monitor.signal.tones import AVERAGED, learned_bins, strongest_tone_db

FS, N, HOP = 12_000, 1200, 600
GEOMETRY = spectrum_geometry(FS, N, 5040)


def line(kind, order, hz):
    return Line(kind, order, hz, (-40.0,), (30.0,), 1.0)


def baseline_of(*lines):
    return Baseline(
        BASELINE_VERSION, "2025-01-01T00:00:00Z", 48_000, (900.0,), (1.0,), (-30.0,), (100.0, 5000.0),
        ((-90.0, -90.0),), lines, 0.002, 1.0,
    )  # fmt: skip


def bins_near(hz, within_hz):
    f = np.arange(GEOMETRY.n_bins) * GEOMETRY.bin_hz
    return np.abs(f - hz) <= within_hz


def test_orders_follow_the_speed_and_fixed_tones_stay():
    lines = (line(LineClass.ORDER, 40.0, 600.0), line(LineClass.FIXED, math.nan, 2000.0))
    unknown = line(LineClass.UNKNOWN, 100.0, 1500.0)
    speeds = np.array([10.0, 15.0, 20.0])
    explained = learned_bins(baseline_of(*lines, unknown), speeds, GEOMETRY)
    for state, speed in enumerate(speeds):
        for hz in (40 * speed, 100 * speed, 2000.0):
            assert explained[state, bins_near(hz, GEOMETRY.enbw_hz)].all()
        assert not explained[state, bins_near(3500.0, 500.0)].any()
    assert not explained[0, bins_near(600.0, 50.0)].any()  # where the line stood at another speed


def test_lines_outside_the_spectrum_do_no_harm():
    lines = (line(LineClass.ORDER, 1e5, 1.5e6), line(LineClass.ORDER, 1e-6, 1.5e-5))
    explained = learned_bins(baseline_of(*lines), np.array([15.0]), GEOMETRY)
    assert explained.shape == (1, GEOMETRY.n_bins)
    assert not explained[0, GEOMETRY.first + 8 :].any()


def over_floor(x):
    """Power over floor of 0.1 s frames, one a hop."""
    frames = np.ascontiguousarray(np.lib.stride_tricks.sliding_window_view(x.astype(np.float32), N)[::HOP])
    density = power_density(frames, GEOMETRY)
    floor = spread_floor(band_floor(density, GEOMETRY), GEOMETRY)
    return 10 ** ((to_db(density) - floor) / 10)


def strongest(x, explained_hz=()):
    over = over_floor(x)
    n_hops = over.shape[0] - (2 * AVERAGED - 2)
    explained = np.zeros((n_hops, GEOMETRY.n_bins), bool)
    explained[:, : GEOMETRY.first] = True
    for hz in explained_hz:
        explained[:, bins_near(hz, 40.0)] = True
    return strongest_tone_db(over, explained)


def test_a_tone_reads_its_power_over_the_noise_in_one_bin():
    rng = np.random.default_rng(0)
    t = np.arange(3 * FS) / FS
    hz, over_db = 1000.0, 25.0
    amplitude = math.sqrt(2 * 10 ** (over_db / 10) * 2 / FS * GEOMETRY.enbw_hz)
    x = amplitude * np.sin(2 * np.pi * hz * t) + rng.standard_normal(t.size)
    assert np.median(strongest(x)) == pytest.approx(over_db, abs=1.5)
    assert strongest(x, explained_hz=[hz]).max() < 12  # explained, it is as if it were not there


def test_noise_alone_stands_some_six_decibels_over_its_floor():
    heard = strongest(np.random.default_rng(1).standard_normal(20 * FS))
    assert 5 < np.median(heard) < 7.5
    assert heard.max() < 11


def test_where_everything_is_explained_nothing_stands_out():
    over = np.ones((2 * AVERAGED + 1, GEOMETRY.n_bins), np.float32)
    assert strongest_tone_db(over, np.ones((3, GEOMETRY.n_bins), bool)).tolist() == pytest.approx([-30.0] * 3)


def test_the_average_is_over_this_hop_and_those_two_four_and_six_before():
    over = np.full((2 * AVERAGED - 2 + 5, GEOMETRY.n_bins), 1e-3, np.float32)
    over[6, 300] = 4.0
    heard = strongest_tone_db(over, np.zeros((5, GEOMETRY.n_bins), bool))
    expected = [0.0, -30.0, 0.0, -30.0, 0.0]  # 4 over four spectra is 0 dB
    np.testing.assert_allclose(heard, expected, atol=0.01)
