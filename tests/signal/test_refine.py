"""Maximum-likelihood refinement: exact without noise, at the bound with it, honest about its deviation."""

import numpy as np
import pytest

from monitor.signal.refine import refine_speed, speed_bound

FS, N = 12_000, 2400
ORDERS = np.array([8.0, 23.3, 46.6, 71.2, 120.5])
AMPLITUDES = np.array([1.0, 0.6, 0.5, 0.4, 0.3])


def frames_of(speeds, rates, noise_sd=0.0, seed=0, orders=ORDERS, amplitudes=AMPLITUDES):
    """Frames (n, N) of a spindle at ``speeds`` Hz in mid-frame, changing by ``rates`` Hz a second."""
    rng = np.random.default_rng(seed)
    t = (np.arange(N) - (N - 1) / 2) / FS
    frames = noise_sd * rng.standard_normal((len(speeds), N))
    for i, (speed, rate) in enumerate(zip(speeds, rates, strict=True)):
        turns = speed * t + rate * t**2 / 2
        phases = rng.uniform(0, 2 * np.pi, len(orders))
        frames[i] += (
            amplitudes[:, None] * np.cos(2 * np.pi * orders[:, None] * turns + phases[:, None])
        ).sum(0)
    return frames.astype(np.float32)


@pytest.mark.parametrize("off", [-0.01, 0.0, 0.01])
def test_speed_is_found_from_a_guess_one_per_cent_off(off):
    speeds = np.linspace(10, 33, 12)
    refined = refine_speed(frames_of(speeds, np.zeros(12)), FS, ORDERS, speeds * (1 + off))
    # what is left is leakage between lines that are a few cycles apart in 0.2 s
    assert np.abs(refined.spindle_hz / speeds - 1).max() < 5e-4


@pytest.mark.parametrize("per_second", [-0.4, -0.2, 0.2, 0.4])
def test_a_ramp_and_its_rate_are_found_together(per_second):
    speeds = np.linspace(12, 30, 10)
    rates = per_second * speeds
    refined = refine_speed(frames_of(speeds, rates), FS, ORDERS, speeds * 1.004, 0.8 * rates)
    assert np.abs(refined.spindle_hz / speeds - 1).max() < 1e-3
    np.testing.assert_allclose(refined.rate_hz_s, rates, rtol=0.1)


def test_error_is_near_the_bound_and_the_stated_deviation_honest():
    n, noise_sd = 300, 1.2  # lines of 0.9 power in noise of 1.4: -2 dB over the full band
    speeds = np.random.default_rng(1).uniform(14, 16, n)
    frames = frames_of(speeds, np.zeros(n), noise_sd)
    density = np.full((n, ORDERS.size), 2 * noise_sd**2 / FS)
    refined = refine_speed(frames, FS, ORDERS, speeds * 1.002, None, density)
    error = refined.spindle_hz - speeds
    rms = float(np.sqrt(np.mean(error**2)))
    bound = speed_bound(FS, N, ORDERS, AMPLITUDES, noise_sd**2)
    assert 0.9 * bound < rms < 1.25 * bound
    assert 0.7 < np.sqrt(np.mean((error / refined.sd_hz) ** 2)) < 1.4


def test_a_line_that_contradicts_the_rest_loses_its_vote():
    speeds = np.full(20, 15.0)
    beside = ORDERS.copy()
    beside[3] *= 1.004  # a radio's tone 4 Hz from where the line should be
    noise_sd = 0.05
    frames = frames_of(speeds, np.zeros(20), noise_sd, orders=beside)
    density = np.full((20, ORDERS.size), 2 * noise_sd**2 / FS)
    refined = refine_speed(frames, FS, ORDERS, speeds, None, density)
    assert refined.votes.max() < 4.2
    assert np.abs(refined.spindle_hz / 15 - 1).max() < 5e-4


def test_each_frame_is_refined_alone_bit_for_bit():
    speeds = np.linspace(14, 16, 9)
    frames = frames_of(speeds, np.zeros(9), 0.3)
    whole = refine_speed(frames, FS, ORDERS, speeds * 1.001)
    for i in range(9):
        one = refine_speed(frames[i : i + 1], FS, ORDERS, speeds[i : i + 1] * 1.001)
        for name in ("spindle_hz", "rate_hz_s", "sd_hz", "sd_rate", "votes"):
            assert getattr(one, name)[0] == getattr(whole, name)[i], name


@pytest.mark.parametrize("value", [0.0, 1e-30, 16.0])
def test_silence_and_constants_give_numbers_and_no_warning(value):
    frames = np.full((3, N), value, np.float32)
    density = np.full((3, ORDERS.size), 1e-20)  # -200 dB, the floor of digital silence
    density[:, -1] = 1e6  # a line that has no vote, as the tracker marks it
    refined = refine_speed(frames, FS, ORDERS, np.full(3, 15.0), None, density)
    assert np.isfinite(refined.spindle_hz).all()
    assert (refined.sd_hz > 0).all()
