"""Frames half as long, of a slow spindle that falls: its lines stand out in them, and they tell of later."""

import numpy as np
import pytest

from monitor.signal.cut_colour import CutColour
from monitor.signal.frames import Decimator, frame_geometry, overlapping
from monitor.signal.spectrum import band_floor, power_density, spectrum_geometry, spread_floor, to_db
from monitor.signal.speed import SpeedTracker
from tests.signal.free_running import free_run
from tests.signal.test_cut_colour import ringing
from tests.signal.test_speed import baseline_of

FS, RPM = 16_000, 450.0
ORDERS = {63.0: 0.6, 127.0: 1.0, 251.0: 0.8}  # 470 Hz to 1.9 kHz
FALLS_S, RATE, SNR_DB = 3.0, 0.4, -10.0


def between_of(speed, rpm=RPM, blocks=1, seed=1):
    """What a tracker says of the speeds of each hop, the speed being given at every sample."""
    baseline = baseline_of(ORDERS, {}, rpm=rpm, snr_db=0.0)
    x = free_run(
        rpm, seed, fs=FS, seconds=speed.size / FS, snr_db=SNR_DB, orders=ORDERS, fixed={}, speed=speed
    ).astype(np.float32)
    g = frame_geometry(FS, rpm)
    spectrum = spectrum_geometry(g.fs, g.n_short, g.usable_hz)
    tracker = SpeedTracker(baseline, (rpm,), spectrum, g.usable_hz, g.hop_s, g.delay_s)
    n_hops = x.size // g.hop_in
    hops = Decimator(g).feed(x[: n_hops * g.hop_in].reshape(n_hops, g.hop_in))
    long = overlapping(np.zeros(g.n_long - g.hop, np.float32), hops, g.n_long)
    density = power_density(long[:, g.n_long - g.n_short :], spectrum)
    density_db, floor_db = to_db(density), spread_floor(band_floor(density, spectrum), spectrum)
    told = []
    for some in np.array_split(np.arange(n_hops), blocks):
        speeds = tracker.feed(density_db[some], floor_db[some], long[some], np.zeros(some.size, np.bool_))
        between = tracker.between(speeds, None, long[some])
        told += [(between, n) for n in range(some.size)]
    return told, g


def course(seconds=3.6, rpm=RPM):
    t = np.arange(round(seconds * FS)) / FS
    return rpm * (1 - RATE * np.maximum(t - FALLS_S, 0.0))


def near(scores, between, hz):
    low, high = between.states(np.array([0.994, 1.006]) * hz)
    return float(scores[low : high + 1].max())


@pytest.mark.parametrize("seed", range(4))
def test_lines_that_sweep_stand_out_in_them(seed):
    """By half again as much as in frames of twice the length, which also overlap by twice as much."""
    told, g = between_of(course(), seed=seed)
    short = long = 0.0
    for k in range(round(3.3 / g.hop_s), round(3.6 / g.hop_s)):
        (between, n), t = told[k], (k + 1) * g.hop_s - FALLS_S
        assert between.short
        short += near(between.short_scores(n), between, RPM / 60 * (1 - RATE * (t - 0.05)))
        long += near(between.scores(n), between, RPM / 60 * (1 - RATE * (t - 0.1)))
    assert short > 1.5 * long


def test_a_fast_spindle_has_none():
    told, _ = between_of(course(1.0, 1200.0), rpm=1200.0)
    between, n = told[-1]
    assert not between.short
    assert np.array_equal(between.short_scores(n), between.scores(n))


def test_they_are_the_same_however_many_hops_come_at_once():
    one, _ = between_of(course(2.0))
    many, _ = between_of(course(2.0), blocks=9)
    for (a, m), (b, n) in zip(one, many, strict=True):
        assert np.array_equal(a.short_scores(m), b.short_scores(n))


def test_what_rings_in_the_cut_is_no_line_in_them_either():
    """A mode that the chips strike, where a slower spindle would have a line, is given no more evidence in
    them than in the frames of twice the length, once its colour is learned."""
    slower_hz = 400.0 / 60
    x = ringing(127 * slower_hz, 20, 20.0, 1).astype(np.float32)
    g = frame_geometry(FS, RPM)
    spectrum = spectrum_geometry(g.fs, g.n_short, g.usable_hz)
    tracker = SpeedTracker(
        baseline_of(ORDERS, {}, rpm=RPM, snr_db=0.0), (RPM,), spectrum, g.usable_hz, g.hop_s, g.delay_s
    )
    n_hops = x.size // g.hop_in
    hops = Decimator(g).feed(x[: n_hops * g.hop_in].reshape(n_hops, g.hop_in))
    long = overlapping(np.zeros(g.n_long - g.hop, np.float32), hops, g.n_long)
    density = power_density(long[:, g.n_long - g.n_short :], spectrum)
    floor_db = spread_floor(band_floor(density, spectrum), spectrum)
    colour = CutColour(np.full(spectrum.n_bins, -100.0))
    per_floor = 10 ** (-floor_db / 10)
    of_cut = colour.of_cut(per_floor)
    colour.learn(density * per_floor, of_cut, np.ones(of_cut.shape, np.bool_))
    colour.update()
    coloured_db = colour.add(floor_db, of_cut)
    colour_db = coloured_db - floor_db
    speeds = tracker.feed(to_db(density), coloured_db, long, np.zeros(n_hops, np.bool_))
    plain, coloured = tracker.between(speeds, None, long), tracker.between(speeds, None, long, colour_db)
    seen = range(10, n_hops)
    flat = np.mean([near(plain.short_scores(n), plain, slower_hz) for n in seen])
    told = np.mean([near(coloured.short_scores(n), plain, slower_hz) for n in seen])
    in_long = np.mean([near(plain.scores(n), plain, slower_hz) for n in seen])
    assert told < 0.5 * flat
    assert told < in_long + 0.5
