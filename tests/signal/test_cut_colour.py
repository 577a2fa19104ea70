"""Modes of the machine that a cut strikes are noise of the cut, and no lines of a spindle."""

import numpy as np
import pytest
from scipy import signal

from monitor.signal.cut_colour import LOUD, MEMORY_HOPS, CutColour
from monitor.signal.spectrum import band_floor, power_density, spectrum_geometry, spread_floor

FS, N = 16_000, 1600
GEOMETRY = spectrum_geometry(FS, N, 6000.0)
HZ = np.arange(GEOMETRY.n_bins) * GEOMETRY.bin_hz
IDLE_DB = np.full(HZ.size, -100.0)


def ringing(f, q, seconds, seed):
    """White noise and, 12 dB over it, what it strikes of a mode; shape (n,)."""
    noise = np.random.default_rng(seed).standard_normal(int(FS * seconds))
    r = np.exp(-np.pi * f / q / FS)
    mode = signal.lfilter([1.0], [1, -2 * r * np.cos(2 * np.pi * f / FS), r * r], noise)
    gain = abs(signal.freqz([1.0], [1, -2 * r * np.cos(2 * np.pi * f / FS), r * r], [f], fs=FS)[1][0])
    return noise + mode * 10 ** (12 / 20) / gain


def heard(x):
    """Floor in dB and power over it of frames that overlap by half, shape (n_hops, n_bins) each."""
    frames = np.lib.stride_tricks.sliding_window_view(x.astype(np.float32), N)[:: N // 2]
    density = power_density(np.ascontiguousarray(frames), GEOMETRY)
    floor_db = spread_floor(band_floor(density, GEOMETRY), GEOMETRY)
    return floor_db, density * 10 ** (-floor_db / 10)


def added_db(colour, of_cut):
    """What the colour adds to a floor of so much of a cut."""
    flat = np.zeros_like(of_cut)
    return colour.add(flat, of_cut)


def learned(x, between=None):
    colour = CutColour(IDLE_DB)
    floor_db, over = heard(x)
    where = np.ones(over.shape, bool) if between is None else np.broadcast_to(between, over.shape)
    colour.learn(over, colour.of_cut(10 ** (-floor_db / 10)), where)
    colour.update()
    return colour


def test_a_mode_that_the_cut_strikes_is_learned_and_raises_the_floor_under_it():
    colour = learned(ringing(1740.0, 34, 20.0, 1))
    floor_db, over = heard(ringing(1740.0, 34, 5.0, 2))
    more_db = added_db(colour, colour.of_cut(10 ** (-floor_db / 10)))
    at = int(np.argmin(np.abs(HZ - 1740.0)))
    there_db = 10 * np.log10(over[:, at].mean())
    assert there_db > 6  # that far the floor in bands misses it
    assert more_db[:, at].mean() == pytest.approx(there_db - 1.0, abs=1.5)
    away = (np.abs(HZ - 1740.0) > 400) & (HZ > 200) & (HZ < 5000)
    assert more_db[:, away].max() < 1.0


def test_the_machine_running_free_has_no_colour_of_the_cut():
    colour = learned(ringing(1740.0, 34, 20.0, 1))
    idle_db = IDLE_DB[None].astype(np.float32)
    assert colour.of_cut(10 ** (-idle_db / 10)).max() < 1e-3
    assert added_db(colour, colour.of_cut(10 ** (-idle_db / 10))).max() < 0.05


def test_what_is_as_faint_as_the_idle_machine_teaches_nothing():
    colour = CutColour(IDLE_DB)
    _, over = heard(ringing(1740.0, 34, 10.0, 1))
    colour.learn(over, np.full(over.shape, LOUD - 0.01, np.float32), np.ones(over.shape, bool))
    colour.update()
    assert not added_db(colour, np.ones((1, HZ.size), np.float32)).any()


def test_a_line_of_the_machine_is_no_colour_of_its_cuts():
    x = np.random.default_rng(3).standard_normal(FS * 20)
    x += np.cos(2 * np.pi * 1500.0 * np.arange(x.size) / FS)
    colour = learned(x, between=np.abs(HZ - 1500.0) > 2 * GEOMETRY.enbw_hz)
    more_db = added_db(colour, np.ones((1, HZ.size), np.float32))[0]
    assert more_db[(HZ > 200) & (HZ < 5000)].max() < 1.0


def test_hops_may_come_in_any_groups():
    floor_db, over = heard(ringing(800.0, 20, 8.0, 4))
    every = np.ones(over.shape, bool)
    told = []
    for cuts in ([len(over)], [1] * len(over), [3, 20, 1, len(over) - 24]):
        colour = CutColour(IDLE_DB)
        at = 0
        for n in cuts:
            rows = slice(at, at + n)
            colour.learn(over[rows], colour.of_cut(floor_db[rows]), every[rows])
            at += n
        colour.update()
        told.append(added_db(colour, np.ones((1, HZ.size), np.float32)))
    assert np.array_equal(told[0], told[1])
    assert np.array_equal(told[0], told[2])


def test_another_drill_is_learned_anew():
    colour = CutColour(IDLE_DB)
    for f in (800.0, 2400.0):  # modes some 30 Hz wide
        floor_db, over = heard(ringing(f, f / 30, 2 * MEMORY_HOPS * N / FS, 5))
        for rows in np.array_split(np.arange(len(over)), 24):
            colour.learn(over[rows], colour.of_cut(floor_db[rows]), np.ones((len(rows), HZ.size), bool))
            colour.update()
    more_db = added_db(colour, np.ones((1, HZ.size), np.float32))[0]
    assert more_db[np.argmin(np.abs(HZ - 2400.0))] > 6
    assert more_db[np.argmin(np.abs(HZ - 800.0))] < 3
