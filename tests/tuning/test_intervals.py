"""Intervals of counts and medians hold what they promise."""

import numpy as np
import pytest

from monitor.tuning.intervals import likely_rate, median_interval, rate_interval, share_interval


@pytest.mark.parametrize("mean", [0.5, 2.0, 7.0])
def test_rates_are_met_at_least_as_often_as_promised(mean):
    counts = np.random.default_rng(1).poisson(mean, 4000)
    met = [low <= mean <= high for low, high in (rate_interval(int(n), 1.0) for n in counts)]
    assert np.mean(met) >= 0.895  # exact intervals are never too short


def test_no_hours_say_nothing():
    assert rate_interval(0, 0.0) == (0.0, np.inf)
    assert likely_rate(0, 0.0) == np.inf
    assert share_interval(0, 0) == (0.0, 1.0)


def test_the_likely_rate_lies_within_the_interval_and_above_the_count():
    for n in (0, 1, 5, 40):
        low, high = rate_interval(n, 3.0)
        assert low < likely_rate(n, 3.0) < high
        assert likely_rate(n, 3.0) > n / 3.0


def test_medians_are_met_as_often_as_promised():
    rng = np.random.default_rng(2)
    met = 0
    for _ in range(2000):
        middle, low, high = median_interval(rng.exponential(1.0, 15))
        met += low <= np.log(2.0) <= high
        assert low <= middle <= high
    assert met / 2000 >= 0.895


def test_medians_of_few_and_of_missed_causes():
    assert median_interval([]) == (pytest.approx(np.nan, nan_ok=True),) * 3
    assert median_interval([1.0, 2.0])[1:] == (-np.inf, np.inf)
    assert median_interval([1.0, np.inf, np.inf])[0] == np.inf
