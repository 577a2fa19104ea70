"""Turns: what comes at one angle stands out there, turn after turn."""

import math

import numpy as np
import pytest

from monitor.signal.revolutions import Revolutions, blow_finder

HOP_S, PIECES, BANDS, FINE, HOPS = 0.05, 24, 6, 24, 80
PIECE_S = HOP_S / PIECES
SPEEDS = [300, 900, 1600, 3000]


def noise(seed=0):
    """Power of steady noise in bands of their own."""
    return np.random.default_rng(seed).exponential(1e-4, (HOPS, PIECES, BANDS)).astype(np.float32)


def with_knocks(rpm, over_db, seed=0, band=2):
    """A blow a turn that rings on for some pieces, in one band."""
    power = noise(seed).reshape(-1, BANDS)
    t = (np.arange(power.shape[0]) + 0.5) * PIECE_S
    struck = np.floor(t * rpm / 60 + 0.3) > np.floor((t - PIECE_S) * rpm / 60 + 0.3)
    blow = struck * 1e-4 * 10 ** (over_db / 10)
    power[:, band] += np.convolve(blow, 10 ** (-0.3 * np.arange(5)))[: t.size].astype(np.float32)
    return power.reshape(HOPS, PIECES, BANDS)


def made(rpm, flutes=2):
    return Revolutions(PIECES, BANDS, FINE, rpm / 60, HOP_S, flutes)


def heard(power, rpm, known_rpm=None, upper=None):
    upper = np.ones((HOPS, FINE), np.float32) if upper is None else upper
    told = made(rpm).feed(power, upper, [(known_rpm or rpm) / 60] * HOPS)
    return [turn for turn in told if turn is not None]


def strongest(turns, band=2):
    """How far the sector of the mean turn stands out that does so most."""
    return np.mean([turn.deviations[band] for turn in turns], axis=0).max()


@pytest.mark.parametrize("rpm", SPEEDS)
def test_turns_are_whole_and_counted(rpm):
    turns = heard(noise(), rpm)
    every = math.ceil(0.98 / (rpm / 60 * HOP_S))
    assert len(turns) == HOPS // every
    assert turns[-1].turns == pytest.approx(len(turns) * every * HOP_S * rpm / 60)
    assert all(np.all(turn.deviations) for turn in turns)


@pytest.mark.parametrize("rpm", SPEEDS)
def test_knocks_stand_out_at_their_angle_in_their_band_and_noise_nowhere(rpm):
    knocks = strongest(heard(with_knocks(rpm, 15), rpm))
    assert knocks > 1.7
    assert strongest(heard(noise(), rpm)) < 0.5 * knocks
    assert strongest(heard(with_knocks(rpm, 15), rpm), band=4) < 0.5 * knocks
    assert strongest(heard(with_knocks(0.8 * rpm, 15), rpm)) < 0.7 * knocks


@pytest.mark.parametrize("rpm", SPEEDS)
def test_deviations_are_those_of_the_band_whatever_its_level(rpm):
    power = noise()
    power[:, :, 3] *= 1e-3
    power[:, :, 4] = 1e-2 * (1 + 0.1 * power[:, :, 4] / 1e-4)  # a steady line
    turns = heard(power, rpm)[5:]
    spread = np.std([turn.deviations for turn in turns], axis=(0, 2))
    np.testing.assert_allclose(spread, 1.0, atol=0.35)


@pytest.mark.parametrize("rpm", SPEEDS)
def test_a_single_loud_click_is_bounded(rpm):
    power = noise()
    power[60, 7] = 1.0
    assert max((turn.deviations * turn.usual[:, None]).max() for turn in heard(power, rpm)) < 30


@pytest.mark.parametrize("rpm", [300, 900])
def test_a_slow_swell_of_eccentric_work_stands_out_by_little(rpm):
    power = noise()
    t = (np.arange(HOPS * PIECES) + 0.5).reshape(HOPS, -1, 1) * PIECE_S
    swell = 1 + 0.6 * np.cos(2 * math.pi * t * rpm / 60) + 0.4 * np.cos(4 * math.pi * t * rpm / 60 + 1)
    assert strongest(heard((power * swell).astype(np.float32), rpm)) < 1


@pytest.mark.parametrize("sectors", [6, 7, 10, 24])
def test_what_is_smooth_is_taken_away_and_a_blow_mostly_left(sectors):
    angle = 2 * np.pi * np.arange(sectors) / sectors
    assert np.abs(np.ones(sectors) @ blow_finder(sectors)).max() < 1e-5
    if sectors > 8:
        assert np.abs((np.cos(angle) + np.sin(2 * angle)) @ blow_finder(sectors)).max() < 1e-5
    assert blow_finder(sectors)[0, 0] >= 0.5


@pytest.mark.parametrize("sectors", [12, 16, 24])
def test_a_blow_that_falls_between_two_sectors_stands_out_by_more_with_the_next(sectors, monkeypatch):
    """It rings on in the third."""
    blow = np.zeros(sectors)
    blow[:3] = 1.0, 1.0, 0.3
    noise = np.random.default_rng(1).exponential(1.0, (4000, sectors + 1))
    noise = noise[:, 1:] + 0.2 * noise[:, :-1]  # pieces overlap

    def over_noise():
        return (blow @ blow_finder(sectors)).max() / (noise @ blow_finder(sectors)).std()

    with_next = over_noise()
    monkeypatch.setattr("monitor.signal.revolutions.RINGS_ON", 0.0)
    assert with_next > 1.15 * over_noise()


@pytest.mark.parametrize("rpm", [300, 900, 1600])
@pytest.mark.parametrize("off", [-0.015, 0.0, 0.02])
def test_the_beat_of_the_lips_tells_by_how_much_the_speed_is_off(rpm, off):
    t = (np.arange(HOPS * FINE) + 0.5).reshape(HOPS, -1) * HOP_S / FINE
    beat = 1 + 0.5 * np.cos(4 * math.pi * t * rpm / 60 * (1 + off) + 1)
    turns = heard(noise(), rpm, upper=beat.astype(np.float32))
    first, last = turns[2], turns[2 + round(0.3 / (HOP_S * math.ceil(60 / rpm / HOP_S - 0.03)))]
    per_turn = np.angle(last.beat * np.conj(first.beat)) / (4 * math.pi * (last.turns - first.turns))
    assert per_turn == pytest.approx(off, abs=0.003)


def test_a_turn_that_is_not_heard_whole_says_nothing():
    """At some seven tenths of the job's speed a turn takes longer than the hops that it is given."""
    turns = heard(noise(), 1200, known_rpm=850)
    assert any(not np.any(turn.deviations) for turn in turns)


def test_it_coasts_where_the_speed_is_not_known():
    assert strongest(heard(with_knocks(900, 15), 900, known_rpm=math.nan)) > 2


@pytest.mark.parametrize("rpm", SPEEDS)
def test_a_hop_does_not_depend_on_the_hops_beside_it(rpm):
    power, upper = with_knocks(rpm, 12), noise(1)[:, :, 0]
    hz = [rpm / 60 * (1 + 0.01 * math.sin(i)) for i in range(HOPS)]
    together = made(rpm).feed(power, upper, hz)
    one = made(rpm)
    alone = [one.feed(power[i : i + 1], upper[i : i + 1], hz[i : i + 1])[0] for i in range(HOPS)]
    for a, b in zip(together, alone, strict=True):
        assert (a is None) == (b is None)
        if a is not None and b is not None:
            np.testing.assert_array_equal(a.deviations, b.deviations)
            np.testing.assert_array_equal(a.usual, b.usual)
            assert (a.turns, a.beat) == (b.turns, b.beat)
