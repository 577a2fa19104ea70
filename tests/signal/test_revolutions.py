"""The synchronous average: knocks of every turn stand out, what is not locked to the turns does not."""

import math

import numpy as np
import pytest

from monitor.signal.revolutions import Revolutions

HOP_S, PIECES, HOPS = 0.05, 24, 80
PIECE_S = HOP_S / PIECES


def noise(seed=0):
    """Power of steady noise, six degrees of freedom a piece."""
    return np.random.default_rng(seed).chisquare(6, (HOPS, PIECES)).astype(np.float32) / 6e4


def with_knocks(rpm, over_db, grow_db_s=0.0, seed=0):
    """A blow a turn that rings on for some pieces, growing to ``over_db`` at the end."""
    power = noise(seed).reshape(-1)
    t = (np.arange(power.size) + 0.5) * PIECE_S
    struck = np.floor(t * rpm / 60 + 0.3) > np.floor((t - PIECE_S) * rpm / 60 + 0.3)
    db = over_db + grow_db_s * (t - t[-1])
    blow = struck * 1e-4 * 10 ** (db / 10)
    power += np.convolve(blow, 10 ** (-0.3 * np.arange(5)))[: power.size].astype(np.float32)
    return power.reshape(HOPS, -1)


def heard(power, rpm, known_rpm=None):
    return Revolutions(PIECES, rpm / 60, HOP_S).feed(10 * np.log10(power), [(known_rpm or rpm) / 60] * HOPS)


SPEEDS = [300, 900, 1600, 3000]


@pytest.mark.parametrize("rpm", SPEEDS)
def test_noise_stands_out_by_little(rpm):
    knock, _ = heard(noise(), rpm)
    assert 0.3 < np.median(knock[30:]) < 3
    assert knock[30:].max() < 5


@pytest.mark.parametrize("rpm", SPEEDS)
@pytest.mark.parametrize("off", [0.98, 1.0, 1.02])
def test_knocks_stand_out_though_the_dial_is_off(rpm, off):
    knock, peak = heard(with_knocks(rpm, 20), rpm, off * rpm)
    assert np.median(knock[40:]) > 5.5
    assert np.median(peak[40:]) > -34


@pytest.mark.parametrize("rpm", SPEEDS)
def test_knocks_of_another_machine_do_not(rpm):
    knock, _ = heard(with_knocks(0.8 * rpm, 20), rpm)
    assert np.median(knock[40:]) < 5


@pytest.mark.parametrize("rpm", SPEEDS)
def test_a_single_loud_click_does_not(rpm):
    power = noise()
    power[60, 7] = 1.0
    assert heard(power, rpm)[0][40:].max() < 5


@pytest.mark.parametrize("rpm", [300, 900])
def test_a_slow_swell_of_eccentric_work_stands_out_by_little(rpm):
    power = noise()
    t = (np.arange(HOPS * PIECES) + 0.5).reshape(HOPS, -1) * PIECE_S
    swell = (1 + 0.8 * np.cos(2 * math.pi * t * rpm / 60)) ** 2
    assert np.median(heard((power * swell).astype(np.float32), rpm)[0][40:]) < 6


def test_a_gain_step_is_not_a_knock():
    power = noise()
    power[50:] *= 100
    assert heard(power, 900)[0][30:].max() < 5.5


def test_nothing_is_said_before_every_sector_was_heard():
    knock, _ = heard(with_knocks(900, 20), 900)
    assert knock[0] == 0
    assert heard(noise(), 900, known_rpm=math.nan)[0].max() < 6  # it coasts on the job's speed


@pytest.mark.parametrize("rpm", SPEEDS)
def test_a_hop_does_not_depend_on_the_hops_beside_it(rpm):
    level = 10 * np.log10(with_knocks(rpm, 12, 3.0))
    hz = [rpm / 60 * (1 + 0.01 * math.sin(i)) for i in range(HOPS)]
    together = Revolutions(PIECES, rpm / 60, HOP_S).feed(level, hz)
    one = Revolutions(PIECES, rpm / 60, HOP_S)
    alone = [one.feed(level[i : i + 1], hz[i : i + 1]) for i in range(HOPS)]
    for k in range(2):
        np.testing.assert_array_equal(together[k], np.concatenate([a[k] for a in alone]))
