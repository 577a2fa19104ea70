"""Frames half as long, of a slow spindle that falls: its lines stand out in them, and they tell of later."""

import numpy as np
import pytest

from monitor.signal.frames import Decimator, frame_geometry, overlapping
from monitor.signal.spectrum import band_floor, power_density, spectrum_geometry, spread_floor, to_db
from monitor.signal.speed import SpeedTracker
from tests.signal.free_running import free_run
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
