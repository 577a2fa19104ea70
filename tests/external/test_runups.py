"""Spindle speed over run-ups made by another program, whose truth is analytic.

Source: the package rota-order, ``rota.synth.synth_runup`` (orders, fixed tones, resonances, noise; the phase
of each order is the integral of the speed) and ``rota.metrics.track_error``. It is used in tests only.
"""

import numpy as np
import pytest

from monitor.signal.orders import FreeRun, learn_baseline
from tests.hearing import track_speed

pytestmark = pytest.mark.external

rota_synth = pytest.importorskip("rota.synth", reason="rota-order, a test-only package, is not installed")
rota_metrics = pytest.importorskip("rota.metrics")

FS = 48_000
SPEEDS = (300.0, 800.0, 1500.0, 2500.0)
SETTLED_S = 0.5  # start of the recording: the tracker has to find the speed first
# Spindle, motor through a belt ratio of 2.37, gear mesh of 22, motor slots at 14 and 24.18 a motor turn.
ORDERS = [
    {"order": order, "amplitude": amplitude}
    for order, amplitude in (
        (1, 0.3), (2, 0.2), (2.37, 0.2), (4.74, 0.15), (11, 0.25), (22, 0.5), (33.18, 0.3), (44, 0.3),
        (57.3, 0.25), (66, 0.2),
    )
]  # fmt: skip
TONES = [{"freq": f, "amplitude": a} for f, a in ((60, 0.2), (120, 0.3), (180, 0.15), (1000, 0.1))]
RESONANCES = [{"freq": 430.0, "q": 8.0, "gain": 2.5}, {"freq": 1350.0, "q": 15.0, "gain": 3.0}]


def runup(rpm, noise_rms, seed):
    made = rota_synth.synth_runup(
        FS, rpm, ORDERS, tones=TONES, resonances=RESONANCES, noise_rms=noise_rms, seed=seed
    )
    return 0.05 * made.x  # peaks stay below full scale


def relative_error(estimate_rpm, truth_rpm):
    """Median by rota's own metric, and the 99th percentile and worst beside it."""
    by_rota = rota_metrics.track_error(estimate_rpm, truth_rpm)
    known = np.isfinite(estimate_rpm)
    error = np.abs(estimate_rpm[known] / truth_rpm[known] - 1)
    return by_rota["median_rel_error"], np.quantile(error, 0.99), by_rota["n_invalid"] / estimate_rpm.size


@pytest.fixture(scope="module")
def baseline():
    """Learned from ten seconds at each of four constant speeds."""
    runs = [FreeRun(rpm, runup(np.full(10 * FS, rpm), 0.3, seed), FS) for seed, rpm in enumerate(SPEEDS)]
    return learn_baseline(runs, "2025-01-01T00:00:00Z")


@pytest.mark.parametrize("noise_rms", [0.1, 0.3, 1.0])  # strongest order 18, 8 and -2 dB over all noise
@pytest.mark.parametrize("kind", ["linear", "exponential", "s_curve"])
def test_run_up_300_to_2500_rpm(baseline, kind, noise_rms):
    t = np.arange(40 * FS) / FS  # the fastest, linear from 300 rpm, begins at 20 % a second
    rpm = rota_synth.rpm_profiles(t, kind, start=300.0, stop=2500.0, t_start=2, t_stop=38)
    times, speeds = track_speed(runup(rpm, noise_rms, 99), FS, baseline, SPEEDS)
    settled = times > SETTLED_S
    truth = np.interp(times[settled], t, rpm)
    median, p99, unknown = relative_error(speeds.spindle_hz[settled] * 60, truth)
    assert median < 0.001
    assert p99 < 0.01
    assert unknown < 0.05


def test_run_down_is_as_good_as_the_run_up(baseline):
    t = np.arange(30 * FS) / FS
    rpm = rota_synth.rpm_profiles(t, "exponential", start=2500.0, stop=300.0, t_start=2, t_stop=28)
    times, speeds = track_speed(runup(rpm, 0.3, 7), FS, baseline, SPEEDS)
    settled = times > SETTLED_S
    truth = np.interp(times[settled], t, rpm)
    median, p99, unknown = relative_error(speeds.spindle_hz[settled] * 60, truth)
    assert median < 0.001
    assert p99 < 0.01
    assert unknown < 0.05


def test_the_baseline_holds_the_orders_that_were_put_in(baseline):
    """Every order of 10 turns and more is found within 0.05 %, none of the fixed tones is called an order."""
    learned = np.array([line.order for line in baseline.lines if line.kind == "order"])
    for order in (o["order"] for o in ORDERS if o["order"] > 10):
        assert np.min(np.abs(learned / order - 1)) < 5e-4, order
    fixed = np.array([line.frequency_hz for line in baseline.lines if line.kind == "fixed"])
    for tone in TONES:
        assert np.min(np.abs(fixed - tone["freq"])) < 0.5, tone
