"""The whitened level: gains, lines and blows."""

import numpy as np
import pytest

from monitor.signal.frames import frame_geometry
from monitor.signal.whitened import whitened_level

RATES = [8000, 11025, 16000, 24000, 44100, 48000, 192000]
SPEEDS = [300, 900, 3000]


def noise(g, n_hops=20, seed=1):
    return np.random.default_rng(seed).standard_normal((n_hops, g.n_long)).astype(np.float32)


@pytest.mark.parametrize("fs", RATES)
@pytest.mark.parametrize("rpm", SPEEDS)
def test_levels_come_often_enough_to_place_a_knock_within_the_turn(fs, rpm):
    g = frame_geometry(fs)
    pieces = whitened_level(g, rpm / 60).n_pieces
    assert g.hop % pieces == 0
    assert pieces / g.hop_s / (rpm / 60) > 7


@pytest.mark.parametrize("rpm", SPEEDS)
def test_a_gain_adds_its_decibels(rpm):
    g = frame_geometry(48000)
    level, x = whitened_level(g, rpm / 60), noise(g)
    np.testing.assert_allclose(level.level_db(10 * x), level.level_db(x) + 20, atol=1e-3)


def test_loud_steady_lines_do_not_hide_a_blow_that_the_power_of_the_band_does():
    g = frame_geometry(48000)
    t = np.arange(g.n_long) / g.fs
    x = 0.01 * noise(g, 1)[0] + np.sin(2 * np.pi * 743 * t) + np.sin(2 * np.pi * 1500 * t)
    blow = x.copy()
    at = g.n_long - g.hop // 2
    ring = np.exp(-np.arange(60) / 20) * np.random.default_rng(2).standard_normal(60)
    blow[at : at + 60] += 0.4 * ring
    of = whitened_level(g, 15.0)
    rise = (of.level_db(blow.astype(np.float32)[None]) - of.level_db(x.astype(np.float32)[None]))[0]
    assert rise.max() > 6
    assert abs(int(rise.argmax()) - of.n_pieces // 2) <= 1
    power = np.square(blow[at : at + 60]).mean() / np.square(x[at : at + 60]).mean()
    assert 10 * np.log10(power) < 1


def test_digital_silence_is_a_number():
    g = frame_geometry(16000)
    level = whitened_level(g, 15.0).level_db(np.zeros((1, g.n_long), np.float32))
    np.testing.assert_allclose(level, -130, atol=0.1)


@pytest.mark.parametrize("rpm", SPEEDS)
def test_a_hop_does_not_depend_on_the_hops_beside_it(rpm):
    g = frame_geometry(48000)
    of, x = whitened_level(g, rpm / 60), noise(g, 37)
    alone = np.concatenate([of.level_db(x[i : i + 1]) for i in range(37)])
    np.testing.assert_array_equal(of.level_db(x), alone)
