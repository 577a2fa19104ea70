"""A tone that beats as the lips pass, among tones that beat otherwise or not at all."""

import math

import numpy as np
import pytest

from monitor.signal.lip_beat import lip_beat, turn_beat

FS = 12_000
T = np.arange(round(0.8 * FS)) / FS


def heard(depth, beats_hz, seed, snr_db=16.0, hz=911.0):
    """A tone so many dB over the noise in 20 Hz."""
    spread = math.sqrt(FS / 2 / 20 / 10 ** (snr_db / 10) / 2)
    noise = spread * np.random.default_rng(seed).standard_normal(T.size)
    swell = 1 + depth * np.cos(2 * np.pi * beats_hz * T)
    return (swell * np.cos(2 * np.pi * hz * T) + noise).astype(np.float32)


@pytest.mark.parametrize("passing_hz", [16.0, 30.0, 70.0])
def test_lips_beat_in_the_tone(passing_hz):
    told = [lip_beat(heard(0.4, passing_hz, seed), FS, 912.0, passing_hz) for seed in range(20)]
    assert np.quantile(told, 0.25) > 15


@pytest.mark.parametrize("passing_hz", [16.0, 30.0, 70.0])
def test_a_plain_tone_hardly_ever_beats_so(passing_hz):
    told = [lip_beat(heard(0.0, 0.0, seed), FS, 912.0, passing_hz) for seed in range(300)]
    assert 0.6 < np.mean(told) < 1.4
    assert max(told) < 15


@pytest.mark.parametrize("beats_hz", [5.5, 23.0, 41.0])
def test_another_beat_is_none(beats_hz):
    assert max(lip_beat(heard(0.3, beats_hz, seed), FS, 911.0, 31.0) for seed in range(50)) < 15


def beside(passing_hz, seed, sides, off_hz=0.5):
    """A plain tone and lines of a machine 12 dB under it, a passing away but for half a hertz."""
    lines = sum(10 ** (-12 / 20) * np.cos(2 * np.pi * (911.0 + k * (passing_hz + off_hz)) * T) for k in sides)
    return (heard(0.0, 0.0, seed) + lines).astype(np.float32)


@pytest.mark.parametrize("passing_hz", [21.0, 30.0, 70.0])
@pytest.mark.parametrize("side", [-1, 1])
def test_one_line_of_the_machine_beside_a_tone_of_elsewhere_is_no_beat_of_the_lips(passing_hz, side):
    alone = [lip_beat(beside(passing_hz, seed, [side]), FS, 911.0, passing_hz) > 15 for seed in range(60)]
    both = [lip_beat(beside(passing_hz, seed, [-1, 1]), FS, 911.0, passing_hz) > 15 for seed in range(60)]
    assert np.mean(alone) < 0.2  # nearly all, where one side is enough
    assert np.mean(both) > 0.6


def test_lips_are_still_heard_through_a_diffuse_room():
    rng, told = np.random.default_rng(5), []
    for seed in range(60):
        decay = np.arange(round(0.2 * FS))
        room = rng.standard_normal(decay.size) * np.exp(-6.9 * decay / decay.size)
        room /= np.sqrt(np.sum(room**2))
        room[0] += 1
        sound = np.convolve(np.tile(heard(0.4, 30.0, seed, snr_db=25.0), 2), room)[T.size : 2 * T.size]
        told.append(lip_beat(sound.astype(np.float32), FS, 911.0, 30.0) > 15)
    assert np.mean(told) > 0.6


def test_gain_changes_nothing_and_what_cannot_be_heard_is_not_known():
    sound = heard(0.3, 30.0, 1)
    told = lip_beat(sound, FS, 911.0, 30.0)
    assert lip_beat(0.01 * sound, FS, 911.0, 30.0) == pytest.approx(told, rel=1e-3)
    assert math.isnan(lip_beat(sound, FS, 911.0, 120.0))
    assert math.isnan(lip_beat(sound, FS, 911.0, 0.0))
    assert math.isnan(lip_beat(sound[:4000], FS, 911.0, 30.0))
    assert math.isfinite(lip_beat(np.zeros(9600, np.float32), FS, 911.0, 30.0))


def knocked(seed, turn_hz, decay_s, hz=911.0, snr_db=18.0):
    """A mode struck once a turn, each blow a little different, so many dB over the noise in 20 Hz."""
    rng = np.random.default_rng(seed)
    blows = np.zeros(T.size)
    at = np.diff(np.floor(turn_hz * T + rng.random())) > 0
    blows[1:][at] = rng.uniform(0.85, 1.15, at.sum())
    ring = np.convolve(blows, np.sin(2 * np.pi * hz * T) * np.exp(-T / decay_s))[: T.size]
    spread = math.sqrt(FS / 2 / 20 / 10 ** (snr_db / 10))
    return (ring / ring.std() + spread * rng.standard_normal(T.size)).astype(np.float32)


@pytest.mark.parametrize(("turn_hz", "decay_s"), [(16.0, 0.015), (25.0, 0.006), (36.0, 0.006), (36.0, 0.015)])
def test_what_the_turn_strikes_beats_at_the_turn(turn_hz, decay_s):
    at = turn_hz * round(911 / turn_hz)
    told = [turn_beat(knocked(seed, turn_hz, decay_s), FS, at, turn_hz) for seed in range(20)]
    assert np.quantile(told, 0.1) > 0.03


@pytest.mark.parametrize("turn_hz", [16.0, 25.0, 36.0])
@pytest.mark.parametrize("depth", [0.0, 0.4])
def test_a_line_that_the_lips_feed_does_not(turn_hz, depth):
    told = [turn_beat(heard(depth, 2 * turn_hz, seed, 12.0), FS, 912.0, turn_hz) for seed in range(100)]
    assert np.quantile(told, 0.95) < 0.03


@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize("turn_hz", [8.3, 16.0, 25.0])
def test_a_line_of_the_machine_one_turn_beside_is_no_beat(turn_hz, side):
    """A blow that rings raises the lines on both sides; a slot's or a tooth's line stands on one alone."""
    line = 0.25 * np.cos(2 * np.pi * (911.0 + side * turn_hz) * T)
    told = [
        turn_beat((heard(0.0, 30.0, seed, 20.0) + line).astype(np.float32), FS, 911.0, turn_hz)
        for seed in range(20)
    ]
    assert np.mean(np.array(told) >= 0.03) < 0.2  # every one, where one side is enough


def test_a_turn_too_slow_or_too_fast_to_be_heard_is_not_known():
    assert math.isnan(turn_beat(heard(0.3, 30.0, 1), FS, 911.0, 3.0))
    assert math.isnan(turn_beat(heard(0.3, 30.0, 1), FS, 911.0, 60.0))
