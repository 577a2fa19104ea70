"""Pieces of narrow bands: gains, lines and blows."""

import numpy as np
import pytest

from monitor.signal.frames import frame_geometry
from monitor.signal.pieces import band_pieces

RATES = [8000, 11025, 16000, 24000, 44100, 48000, 192000]
SPEEDS = [300, 900, 3000]


def noise(g, n_hops=20, seed=1):
    return np.random.default_rng(seed).standard_normal((n_hops, g.n_long)).astype(np.float32)


@pytest.mark.parametrize("fs", RATES)
@pytest.mark.parametrize("rpm", SPEEDS)
def test_levels_come_often_enough_to_place_a_knock_within_the_turn(fs, rpm):
    g = frame_geometry(fs)
    pieces = band_pieces(g, rpm / 60).n_pieces
    assert g.hop % pieces == 0
    assert pieces / g.hop_s / (rpm / 60) > 7


@pytest.mark.parametrize("rpm", SPEEDS)
def test_a_gain_adds_its_decibels(rpm):
    g = frame_geometry(48000)
    of, x = band_pieces(g, rpm / 60), noise(g)
    np.testing.assert_allclose(of.power(10 * x), 100 * of.power(x), rtol=1e-3)


@pytest.mark.parametrize("fs", RATES)
def test_a_tone_in_the_middle_of_a_band_gives_the_square_of_its_amplitude_there(fs):
    g = frame_geometry(fs)
    of = band_pieces(g, 15.0)
    spacing = g.fs / of.filters.shape[0]
    hz = spacing * round(700 / spacing)
    x = 0.1 * np.sin(2 * np.pi * hz * np.arange(g.n_long) / g.fs)
    power = of.power(x.astype(np.float32)[None])[0].mean(axis=0)
    assert power.size == of.n_bands
    assert power.max() == pytest.approx(0.01, rel=0.05)
    assert np.count_nonzero(power > 1e-4) == 3  # and in the two beside it, as of a Hann window


def test_loud_steady_lines_do_not_hide_a_blow_that_the_power_of_the_band_does():
    g = frame_geometry(48000)
    t = np.arange(g.n_long) / g.fs
    x = 0.01 * noise(g, 1)[0] + np.sin(2 * np.pi * 743 * t) + np.sin(2 * np.pi * 1500 * t)
    blow = x.copy()
    at = g.n_long - g.hop // 2
    ring = np.exp(-np.arange(60) / 20) * np.random.default_rng(2).standard_normal(60)
    blow[at : at + 60] += 0.4 * ring
    of = band_pieces(g, 15.0)
    struck, steady = (10 * np.log10(of.power(y.astype(np.float32)[None])) for y in (blow, x))
    rise = np.mean(struck - steady, axis=2)[0]
    assert rise.max() > 6
    assert abs(int(rise.argmax()) - of.n_pieces // 2) <= 1
    power = np.square(blow[at : at + 60]).mean() / np.square(x[at : at + 60]).mean()
    assert 10 * np.log10(power) < 1


def test_digital_silence_is_a_power():
    g = frame_geometry(16000)
    power = band_pieces(g, 15.0).power(np.zeros((1, g.n_long), np.float32))
    np.testing.assert_allclose(power, 1e-13, rtol=0.01)


@pytest.mark.parametrize("rpm", SPEEDS)
def test_a_hop_does_not_depend_on_the_hops_beside_it(rpm):
    g = frame_geometry(48000)
    of, x = band_pieces(g, rpm / 60), noise(g, 37)
    alone = np.concatenate([of.power(x[i : i + 1]) for i in range(37)])
    np.testing.assert_array_equal(of.power(x), alone)
