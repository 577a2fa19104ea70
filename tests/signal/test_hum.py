"""The hum of an open input: how often it repeats; and what does not, or too often."""

import math

import numpy as np
import pytest

from monitor.signal.hum import STEADY_DB, STEADY_HOPS, repeats_hz, steady

N_S = 0.2
RATES = [8000.0, 12000.0, 16000.0, 22050.0]
MIXED = (1.0, 0.4, 0.3, 0.2, 0.2, 0.1)


def lines(fs, hz, parts, phases=None):
    t = np.arange(round(N_S * fs)) / fs
    phases = np.arange(len(parts)) if phases is None else phases
    waves = (
        a * np.sin(2 * np.pi * hz * (k + 1) * t + p)
        for k, (a, p) in enumerate(zip(parts, phases, strict=True))
    )
    return np.sum(list(waves), axis=0).astype(np.float32)


def together(fs, *tones_hz):
    return np.sum([lines(fs, hz, (1.0,)) for hz in tones_hz], axis=0).astype(np.float32)


@pytest.mark.parametrize("fs", RATES)
@pytest.mark.parametrize("mains_hz", [49.9, 50.0, 50.1, 60.0])
def test_a_hum_repeats_with_the_mains(fs, mains_hz):
    rng = np.random.default_rng(1)
    for parts in (MIXED, (1.0,), (1.0, 0, 0.5, 0, 0.3), 1 / np.arange(1, 41)):
        x = lines(fs, mains_hz, parts, rng.uniform(0, 2 * np.pi, len(parts)))
        x += 0.01 * rng.standard_normal(x.size, np.float32) + np.float32(0.3)  # and an offset
        assert repeats_hz(x, fs) == pytest.approx(mains_hz, rel=0.004)


def test_of_a_hum_through_a_telephone_only_high_multiples_are_left():
    x = together(12000.0, 350, 450, 550, 650)
    assert repeats_hz(x, 12000.0) == pytest.approx(50, rel=0.004)


def test_even_multiples_alone_repeat_twice_as_often():
    assert repeats_hz(lines(12000.0, 100.0, (1.0, 0.5)), 12000.0) == pytest.approx(100, rel=0.004)


TONES = [
    ((1000.0,), 1000),
    ((2000.0,), 2000),
    ((420.0, 840.0, 1260.0), 420),
    ((1133.0,), 1133),
    ((440.0, 480.0), math.nan),
    ((770.0, 1336.0), 191),
    ((1100.0, 1375.0), 275),
    ((24.3, 170.1, 340.2), math.nan),
]


@pytest.mark.parametrize(("tones_hz", "hz"), TONES)
def test_a_bell_a_horn_or_a_whistle_repeats_much_more_often_or_not_at_all(tones_hz, hz):
    assert repeats_hz(together(12000.0, *tones_hz), 12000.0) == pytest.approx(hz, rel=0.01, nan_ok=True)


def test_noise_silence_and_a_drifting_offset_do_not_repeat():
    rng = np.random.default_rng(2)
    assert math.isnan(repeats_hz(rng.standard_normal(2400, np.float32), 12000.0))
    assert math.isnan(repeats_hz(np.zeros(2400, np.float32), 12000.0))
    assert math.isnan(repeats_hz(np.linspace(0, 1, 2400, dtype=np.float32), 12000.0))


def test_steady_are_hops_as_loud_as_those_two_before_them():
    """Two and a half periods of 50 Hz with its double are louder and fainter in turns."""
    levels = np.r_[np.linspace(-60, -30, 10), np.tile([-20.0, -20.3], 6), -19.9]
    assert steady(levels, 13).tolist() == list(range(STEADY_HOPS - 1, 12))
    assert steady(levels, 3).tolist() == [0, 1]
    wavers = levels + np.r_[np.zeros(10), np.tile([0, 0, 2 * STEADY_DB, 0], 4)[:13]]
    assert steady(wavers, 13).size == 0
