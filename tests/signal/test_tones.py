"""How learned lines show in a spectrum, how strong the strongest other tone is, and what is remembered."""

import math

import numpy as np
import pytest

from monitor.baseline import BASELINE_VERSION, Baseline, Line, LineClass
from monitor.signal.spectrum import band_floor, power_density, spectrum_geometry, spread_floor, to_db
from monitor.signal.tones import (
    AVERAGED,
    NOISE_SHOWS,
    ToneMemory,
    averaged,
    learned_lines,
    strongest_tone_db,
    tones_of,
)

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
    explained = learned_lines(baseline_of(*lines, unknown), speeds, GEOMETRY) > 0
    for state, speed in enumerate(speeds):
        for hz in (40 * speed, 100 * speed, 2000.0):
            assert explained[state, bins_near(hz, GEOMETRY.enbw_hz)].all()
        assert not explained[state, bins_near(3500.0, 500.0)].any()
    assert not explained[0, bins_near(600.0, 50.0)].any()  # where the line stood at another speed


def test_lines_outside_the_spectrum_do_no_harm():
    lines = (line(LineClass.ORDER, 1e5, 1.5e6), line(LineClass.ORDER, 1e-6, 1.5e-5))
    explained = learned_lines(baseline_of(*lines), np.array([15.0]), GEOMETRY) > 0
    assert explained.shape == (1, GEOMETRY.n_bins)
    assert not explained[0, GEOMETRY.first + 8 :].any()


def over_floor(x):
    """Power over floor of 0.1 s frames, one a hop."""
    frames = np.ascontiguousarray(np.lib.stride_tricks.sliding_window_view(x.astype(np.float32), N)[::HOP])
    density = power_density(frames, GEOMETRY)
    floor = spread_floor(band_floor(density, GEOMETRY), GEOMETRY)
    return 10 ** ((to_db(density) - floor) / 10)


def strongest(x, explained_hz=()):
    average = averaged(over_floor(x))
    unexplained = np.ones((1, GEOMETRY.n_bins), np.float32)
    unexplained[:, : GEOMETRY.first] = 0
    for hz in explained_hz:
        unexplained[:, bins_near(hz, 40.0)] = 0
    return strongest_tone_db(average, unexplained, np.zeros(len(average), np.intp))


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
    over = np.ones((3, GEOMETRY.n_bins), np.float32)
    heard = strongest_tone_db(over, np.zeros((1, GEOMETRY.n_bins), np.float32), np.zeros(3, np.intp))
    assert heard.tolist() == pytest.approx([-30.0] * 3)


def test_the_average_is_over_this_hop_and_those_two_four_and_six_before():
    over = np.full((2 * AVERAGED - 2 + 5, GEOMETRY.n_bins), 1e-3, np.float32)
    over[6, 300] = 4.0
    average = averaged(over)
    heard = strongest_tone_db(
        average, np.ones((1, GEOMETRY.n_bins), np.float32), np.zeros(len(average), np.intp)
    )
    expected = [0.0, -30.0, 0.0, -30.0, 0.0]  # 4 over four spectra is 0 dB
    np.testing.assert_allclose(heard, expected, atol=0.01)


def test_a_learned_line_shows_at_its_learned_level_as_a_hann_lobe():
    table = learned_lines(baseline_of(line(LineClass.FIXED, math.nan, 2000.0)), np.array([15.0]), GEOMETRY)[0]
    k = round(2000 / GEOMETRY.bin_hz)
    assert 10 * math.log10(table[k] * GEOMETRY.enbw_hz) == pytest.approx(-40.0, abs=0.01)
    one_bin = round(FS / N / GEOMETRY.bin_hz)  # of the frame: 6 dB down
    assert 10 * math.log10(table[k + one_bin] / table[k]) == pytest.approx(-6.02, abs=0.05)
    assert table[k + 2 * one_bin] < 1e-6 * table[k]


NO_LINES = np.zeros((1, GEOMETRY.n_bins), np.float32)


def tones(average, per_floor=1.0):
    full = np.ones((1, GEOMETRY.n_bins), np.float32)
    return next(tones_of(average[None], average[None], per_floor * full))


def with_tone(k, power):
    average = np.ones(GEOMETRY.n_bins, np.float32)
    average[k] = power
    return tones(average)


def departure_db(memory, heard, k, ratio=1.0):
    memory.turn(15 * ratio, 15.0, 1.0)
    return 10 * math.log10(memory.departure(heard)[k] / NOISE_SHOWS)


def test_a_tone_departs_from_noise_and_not_from_what_was_heard_outside_of_cuts():
    memory, k = ToneMemory(NO_LINES, np.array([15.0]), 0.05), 400
    heard = with_tone(k, 100 * NOISE_SHOWS)
    assert departure_db(memory, heard, k) == pytest.approx(20.0, abs=0.01)
    memory.hear_outside(heard, None)
    assert departure_db(memory, heard, k) == pytest.approx(0.0, abs=0.01)
    forgets = round(ToneMemory.FORGETS_S / 0.05 / ToneMemory.LEARNS_EVERY)
    for _ in range(forgets):
        memory.hear_outside(with_tone(k, 1.0), None)
    assert departure_db(memory, heard, k) == pytest.approx(3.01, abs=0.05)  # half of it


def test_a_peck_is_remembered_once_it_was_good_and_in_proportion_to_the_speed():
    memory, k = ToneMemory(NO_LINES, np.array([15.0]), 0.05), 800
    heard = with_tone(k, 100 * NOISE_SHOWS)
    memory.hear_peck(heard)
    assert departure_db(memory, heard, k) == pytest.approx(20.0, abs=0.01)
    memory.end_peck()
    assert departure_db(memory, heard, k) == pytest.approx(0.0, abs=0.01)
    slower = with_tone(round(0.97 * k), 100 * NOISE_SHOWS)
    assert departure_db(memory, slower, round(0.97 * k), 0.97) == pytest.approx(0.0, abs=0.01)
    assert departure_db(memory, slower, round(0.97 * k), 1.0) == pytest.approx(20.0, abs=0.01)


def test_a_peck_that_was_not_good_is_forgotten():
    memory, k = ToneMemory(NO_LINES, np.array([15.0]), 0.05), 800
    heard = with_tone(k, 100 * NOISE_SHOWS)
    memory.hear_peck(heard)
    memory.begin_peck()
    memory.end_peck()
    assert departure_db(memory, heard, k) == pytest.approx(20.0, abs=0.01)
