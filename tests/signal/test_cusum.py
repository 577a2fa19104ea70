"""Cumulative sums and the learned normal."""

import numpy as np
import pytest

from monitor.signal.cusum import Cusum, Normal, run_length, siegmund_run_length, threshold_for


def test_the_sum_forgets_what_was_below_normal_and_dates_the_change():
    rise = Cusum(0.5, 4.0)
    assert not any(rise.step(-3.0) for _ in range(100))
    assert [rise.step(2.5) for _ in range(3)] == [False, True, True]
    assert rise.steps == 3
    rise.clear()
    assert not rise.step(4.4)


@pytest.mark.parametrize("drift", [0.25, 0.5, 1.0])
@pytest.mark.parametrize("observations", [50, 1e4, 1e7])
def test_thresholds_give_the_stated_false_alarm_rate(drift, observations):
    h = threshold_for(observations, drift)
    assert siegmund_run_length(0, drift, h) == pytest.approx(observations, rel=1e-6)
    assert run_length(0, drift, h) == pytest.approx(observations, rel=0.06)


@pytest.mark.parametrize("arguments", [(1, 0.5), (100, 0)])
def test_impossible_rates_are_refused(arguments):
    with pytest.raises(ValueError, match="need more"):
        threshold_for(*arguments)


def test_a_shift_of_just_the_drift_is_a_walk_without_drift():
    assert siegmund_run_length(0.5, 0.5, 4) == pytest.approx(
        siegmund_run_length(0.5 + 1e-4, 0.5, 4), rel=1e-2
    )


def test_normal_work_is_learned_from_heavy_tailed_observations():
    rng = np.random.default_rng(1)
    normal = Normal(0.0, 1.0, prior=20)
    for value in 5 + 2 * rng.standard_normal(3000):
        normal.step(float(value) if rng.random() > 0.03 else 500.0)
    assert normal.location == pytest.approx(5, abs=0.6)
    assert normal.spread == pytest.approx(2, rel=0.25)


def test_the_prior_holds_until_enough_was_heard():
    normal = Normal(0.0, 2.0, prior=100)
    for _ in range(10):
        normal.step(3.0)
    assert 0.1 < normal.location < 0.5


def test_a_fault_that_is_told_within_the_lag_does_not_become_normal():
    normal = Normal(0.0, 1.0, prior=10, lag=40)
    for i in range(40):
        normal.step(i / 10)
    normal.reject()
    for _ in range(40):
        normal.step(0.0)
    assert (normal.location, normal.n) == (0.0, 0.0)


def test_the_spread_keeps_its_least():
    normal = Normal(0.0, 1.0, prior=1, least=0.3)
    for _ in range(500):
        normal.step(0.0)
    assert normal.spread == 0.3
