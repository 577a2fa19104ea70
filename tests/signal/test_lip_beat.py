"""A tone that beats as the lips pass, among tones that beat otherwise or not at all."""

import math

import numpy as np
import pytest

from monitor.signal.lip_beat import lip_beat

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


def test_gain_changes_nothing_and_what_cannot_be_heard_is_not_known():
    sound = heard(0.3, 30.0, 1)
    told = lip_beat(sound, FS, 911.0, 30.0)
    assert lip_beat(0.01 * sound, FS, 911.0, 30.0) == pytest.approx(told, rel=1e-3)
    assert math.isnan(lip_beat(sound, FS, 911.0, 120.0))
    assert math.isnan(lip_beat(sound, FS, 911.0, 0.0))
    assert math.isnan(lip_beat(sound[:4000], FS, 911.0, 30.0))
    assert math.isfinite(lip_beat(np.zeros(9600, np.float32), FS, 911.0, 30.0))
