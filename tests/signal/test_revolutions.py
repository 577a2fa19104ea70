"""Turns: what comes at one angle stands out there, turn after turn."""

import math

import numpy as np
import pytest

from monitor.signal.revolutions import Revolutions

HOP_S, PIECES, HOPS = 0.05, 24, 80
PIECE_S = HOP_S / PIECES
SPEEDS = [300, 900, 1600, 3000]


def noise(seed=0):
    """Power of steady noise, six degrees of freedom a piece."""
    return np.random.default_rng(seed).chisquare(6, (HOPS, PIECES)).astype(np.float32) / 6e4


def with_knocks(rpm, over_db, seed=0):
    """A blow a turn that rings on for some pieces."""
    power = noise(seed).reshape(-1)
    t = (np.arange(power.size) + 0.5) * PIECE_S
    struck = np.floor(t * rpm / 60 + 0.3) > np.floor((t - PIECE_S) * rpm / 60 + 0.3)
    blow = struck * 1e-4 * 10 ** (over_db / 10)
    power += np.convolve(blow, 10 ** (-0.3 * np.arange(5)))[: power.size].astype(np.float32)
    return power.reshape(HOPS, -1)


def heard(power, rpm, known_rpm=None):
    told = Revolutions(PIECES, rpm / 60, HOP_S).feed(10 * np.log10(power), [(known_rpm or rpm) / 60] * HOPS)
    return [turn for turn in told if turn is not None]


def strongest(turns):
    """How far the sector of the mean turn stands out that does so most."""
    return np.mean([turn.stands_out_db for turn in turns], axis=0).max()


@pytest.mark.parametrize("rpm", SPEEDS)
def test_turns_are_whole_and_counted(rpm):
    turns = heard(noise(), rpm)
    every = math.ceil(0.98 / (rpm / 60 * HOP_S))
    assert len(turns) == HOPS // every
    assert turns[-1].turns == pytest.approx(len(turns) * every * HOP_S * rpm / 60)
    assert all(np.all(turn.stands_out_db) for turn in turns)


@pytest.mark.parametrize("rpm", SPEEDS)
def test_knocks_stand_out_at_their_angle_and_noise_nowhere(rpm):
    assert strongest(heard(noise(), rpm)) < 1.5
    assert strongest(heard(with_knocks(rpm, 20), rpm)) > 5
    assert strongest(heard(with_knocks(0.8 * rpm, 20), rpm)) < 4


@pytest.mark.parametrize("rpm", SPEEDS)
def test_a_single_loud_click_is_bounded(rpm):
    power = noise()
    power[60, 7] = 1.0
    assert max(turn.stands_out_db.max() for turn in heard(power, rpm)) < 17


@pytest.mark.parametrize("rpm", [300, 900])
def test_a_slow_swell_of_eccentric_work_stands_out_by_little(rpm):
    power = noise()
    t = (np.arange(HOPS * PIECES) + 0.5).reshape(HOPS, -1) * PIECE_S
    swell = (1 + 0.8 * np.cos(2 * math.pi * t * rpm / 60)) ** 2
    assert strongest(heard((power * swell).astype(np.float32), rpm)) < 5


def test_a_turn_that_is_not_heard_whole_says_nothing():
    """At some seven tenths of the job's speed a turn takes longer than the hops that it is given."""
    turns = heard(noise(), 1200, known_rpm=850)
    assert any(not np.any(turn.stands_out_db) for turn in turns)


def test_it_coasts_where_the_speed_is_not_known():
    assert strongest(heard(with_knocks(900, 20), 900, known_rpm=math.nan)) > 5


@pytest.mark.parametrize("rpm", SPEEDS)
def test_a_hop_does_not_depend_on_the_hops_beside_it(rpm):
    level = 10 * np.log10(with_knocks(rpm, 12))
    hz = [rpm / 60 * (1 + 0.01 * math.sin(i)) for i in range(HOPS)]
    together = Revolutions(PIECES, rpm / 60, HOP_S).feed(level, hz)
    one = Revolutions(PIECES, rpm / 60, HOP_S)
    alone = [one.feed(level[i : i + 1], hz[i : i + 1])[0] for i in range(HOPS)]
    for a, b in zip(together, alone, strict=True):
        assert (a is None) == (b is None)
        if a is not None and b is not None:
            np.testing.assert_array_equal(a.stands_out_db, b.stands_out_db)
            assert a.turns == b.turns
