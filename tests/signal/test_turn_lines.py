"""Lines at all multiples of the turns a second, in noise, blows and tones."""

import numpy as np
import pytest

from monitor.signal.frames import frame_geometry
from monitor.signal.turn_lines import CLASSES, EVERY_HOPS, FRAME_HOPS, TurnLines

FS, HZ = 24000.0, 40.0
GEOMETRY = frame_geometry(FS, HZ * 60)
HOP, RATE = GEOMETRY.hop, GEOMETRY.fs


def noise(seconds, seed=0):
    return np.random.default_rng(seed).standard_normal(round(seconds * RATE)).astype(np.float32)


def blows(seconds, hz, height=1.0):
    """A ring of 8 ms in three modes, so many times a second: one runs into the next."""
    t = np.arange(RATE * 0.1) / RATE
    ring = np.exp(-t / 0.008) * sum(np.sin(2 * np.pi * mode * t) for mode in (350, 700, 1150))
    x = np.zeros(round(seconds * RATE))
    x[np.round(np.arange(0, seconds, 1 / hz) * RATE).astype(int)] = height
    return np.convolve(x, ring)[: x.size].astype(np.float32)


def heard(x, hz=HZ, at_once=20):
    lines = TurnLines(GEOMETRY, hz)
    hops = x[: x.size // HOP * HOP].reshape(-1, HOP)
    told = []
    for k in range(0, len(hops), at_once):
        some = hops[k : k + at_once]
        told += lines.feed(some, [hz] * len(some))
    return lines, told


def means(told):
    return np.mean([one for one in told[FRAME_HOPS:] if one is not None], axis=0)


def test_noise_has_no_lines():
    lines, told = heard(noise(60.0))
    assert [one is not None for one in told[:8]] == [False, False, False, True] * 2
    frames = np.array([one for one in told[FRAME_HOPS:] if one is not None])
    assert np.abs(frames.mean(axis=0)).max() < 1.0  # the bound takes a little
    assert 0.8 < frames.std(axis=0).mean() < 1.8
    assert frames.shape[1:] == (lines.speeds.size, sum(CLASSES))


@pytest.mark.parametrize("off", [-0.02, 0.0, 0.012])
def test_blows_at_every_turn_that_run_into_one_another_have_even_and_odd_lines(off):
    lines, told = heard(noise(8.0) + blows(8.0, HZ * (1 + off)))
    mean = means(told)
    best = int(mean.min(axis=1).argmax())
    assert mean[best].min() > 5.0
    assert abs(lines.speeds[best] - off) <= 0.0021
    far = np.abs(lines.speeds - off) > 0.01
    assert mean[far].min(axis=1).max() < 0.3 * mean[best].min()


def test_blows_twice_a_turn_have_even_lines_alone():
    mean = means(heard(noise(8.0) + blows(8.0, 2 * HZ))[1])
    middle = mean[mean.shape[0] // 2]
    assert middle[0] > 5.0
    assert middle[1] < 1.0


@pytest.mark.parametrize(("times", "alone"), [(2, 0), (3, 2), (4, 0), (6, 0)])
def test_a_machine_that_turns_faster_leaves_others_unraised(times, alone):
    mean = means(heard(noise(8.0) + blows(8.0, times * HZ))[1])
    middle = mean[mean.shape[0] // 2]
    assert middle[alone] > 2.0
    assert middle.min() < 1.0


def test_a_loud_tone_says_little():
    """At one multiple, which is bounded."""
    t = np.arange(round(8 * RATE)) / RATE
    mean = means(heard(noise(8.0) + 10 * np.sin(2 * np.pi * 20 * HZ * t).astype(np.float32))[1])
    assert mean.min(axis=1).max() < 1.5


@pytest.mark.parametrize("hz", [1.0, 10.0, 300.0, 3000.0])
def test_a_slow_spindle_has_too_few_turns_in_a_frame_and_a_fast_one_too_few_multiples(hz):
    lines, told = heard(noise(2.0), hz=hz)
    assert not lines.hears
    assert all(one is None for one in told)


def test_blocks_do_not_matter():
    x = noise(4.0) + blows(4.0, HZ)
    one, many = heard(x, at_once=1)[1], heard(x, at_once=37)[1]
    assert len(one) == len(many)
    assert sum(a is not None for a in one) == len(one) // EVERY_HOPS
    for a, b in zip(one, many, strict=True):
        assert (a is None) == (b is None)
        assert a is None or np.array_equal(a, b)


def test_where_no_speed_is_known_it_coasts_on_the_last():
    x = noise(4.0) + blows(4.0, HZ)
    hops = x[: x.size // HOP * HOP].reshape(-1, HOP)
    known, coasted = TurnLines(GEOMETRY, HZ), TurnLines(GEOMETRY, HZ)
    speeds = [float("nan") if k % 3 else HZ for k in range(len(hops))]
    for a, b in zip(known.feed(hops, [HZ] * len(hops)), coasted.feed(hops, speeds), strict=True):
        assert a is None or np.array_equal(a, b)
