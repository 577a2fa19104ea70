"""The beat of the cut: it speaks for the speed at which it beats, and for none where nothing beats."""

import numpy as np
import pytest

from monitor.signal.rhythm import CutRhythm

N_FINE, STEP_S = 24, 0.05 / 24
GRID_HZ = 15.0 * np.exp(np.arange(-1.05, 0.22, 0.003))


def envelope(beat_hz, depth, seconds=2.0, seed=0, orders=(1.0,)):
    """Two bands of noise whose loudness beats; each piece of 2 ms averages a few independent samples."""
    n = int(seconds / STEP_S)
    t = np.arange(n) * STEP_S
    loud = 1 + depth * sum(np.cos(2 * np.pi * beat_hz * o * t + o) for o in orders)
    noise = np.random.default_rng(seed).gamma(8, 1 / 8, (2, n))
    power = (loud**2 * noise).astype(np.float32)
    return power.reshape(2, -1, N_FINE).transpose(1, 0, 2).copy()


def rhythm(rpm=900.0, flutes=2):
    return CutRhythm(GRID_HZ, rpm / 60, flutes, N_FINE, STEP_S)


def said(listening, hops):
    """What every hop says of each candidate."""
    return listening.feed(hops).said(np.arange(len(hops)))


@pytest.mark.parametrize("slower", [0.0, 0.08, 0.2])
@pytest.mark.parametrize("order", [1, 2])
def test_it_speaks_for_the_speed_at_which_the_cut_beats(slower, order):
    spindle_hz = 15.0 * (1 - slower)
    told = said(rhythm(), envelope(order * spindle_hz, 0.3))[-1]
    nearby = abs(np.log(GRID_HZ / 15)) < 0.3  # a beat of every turn is that of two flutes at half the speed
    assert GRID_HZ[nearby][told[nearby].argmax()] == pytest.approx(spindle_hz, rel=0.03)
    assert told.max() == 0
    assert told[np.argmin(abs(GRID_HZ - 1.15 * spindle_hz))] < -0.3


def test_sound_that_does_not_beat_speaks_for_no_speed():
    told = np.concatenate([said(rhythm(), envelope(30.0, 0.0, seed=s))[20:] for s in range(8)])
    drilling = abs(np.log(GRID_HZ / 15)) < 0.25
    # what it holds against a fifth slower, over windows that do not overlap, averages to nothing
    fifth = told[:, np.argmin(abs(GRID_HZ - 12))] - told[:, np.argmin(abs(GRID_HZ - 15))]
    assert abs(fifth.mean()) < 0.1
    assert np.ptp(told[:, drilling], axis=1).mean() < 0.8


def test_loudness_says_nothing():
    quiet = envelope(28.0, 0.3)
    a = said(rhythm(), quiet)
    b = said(rhythm(), quiet * np.float32(1e-6))
    np.testing.assert_allclose(a, b, atol=0.02)


def test_hops_may_come_in_any_groups():
    hops = envelope(28.0, 0.3)
    state = np.argmin(abs(GRID_HZ - 15))
    whole = rhythm().feed(hops)
    told, power = whole.said(np.arange(len(hops))), whole.power(np.full(len(hops), state))
    parts, at = rhythm(), 0
    for part in np.split(hops, [1, 2, 9, 30]):
        beats = parts.feed(part)
        asked = np.arange(len(part))[::2]  # only some are asked
        np.testing.assert_array_equal(beats.said(asked), told[at + asked])
        np.testing.assert_array_equal(beats.power(np.full(len(part), state)), power[at : at + len(part)])
        at += len(part)


def test_a_slow_spindle_whose_turns_do_not_fit_a_window_is_told_by_its_flutes_alone():
    slow = CutRhythm(GRID_HZ / 3, 5.0, 2, N_FINE, STEP_S)
    told = said(slow, envelope(2 * 4.5, 0.4))[-1]
    assert GRID_HZ[told.argmax()] / 3 == pytest.approx(4.5, rel=0.1)


def test_the_beat_at_the_speed_found_stands_over_noise():
    for depth, low, high in ((0.0, 0.2, 2.0), (0.3, 8.0, 200.0)):
        beats = rhythm().feed(envelope(30.0, depth))
        state = np.full(len(beats.centred), np.argmin(abs(GRID_HZ - 15)))
        assert low < beats.power(state)[20:].mean() < high


def test_the_beat_may_be_asked_of_any_speed_at_any_hop():
    """The same as at the speed found, and gone where nothing turns as fast any more."""
    beats = rhythm().feed(np.concatenate([envelope(15.0, 0.4), envelope(10.5, 0.4, seed=1)]))
    home, slow = (int(np.argmin(abs(GRID_HZ - hz))) for hz in (15.0, 10.5))
    found = beats.power(np.full(80, home))
    for hop in (5, 39, 79):
        assert beats.power_at(hop, home) == pytest.approx(found[hop])
    assert beats.power_at(39, home) > 12 > beats.power_at(79, home)
    assert beats.power_at(79, slow) > 12
