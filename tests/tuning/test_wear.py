"""Drill wear: called where the load rises, silent where it does not."""

import numpy as np
import pytest
from scipy.stats import linregress, theilslopes

from monitor.measurements import PeckRow
from monitor.tuning.wear import LEAST_BLANKS, blank_loads, fit_trend


def loads(blanks, rise, seed, sd=0.03, kept=0.3):
    """Load of each blank, rising by ``rise`` over 30 blanks, with noise that half lasts from blank to
    blank."""
    rng = np.random.default_rng(seed)
    noise = np.zeros(blanks)
    last = 0.0
    for i in range(blanks):
        last = kept * last + np.sqrt(1 - kept**2) * rng.standard_normal()
        noise[i] = sd * last
    return np.log1p(rise) * np.arange(blanks) / 30 + noise


def test_a_fifth_over_thirty_blanks_is_called():
    assert sum(fit_trend(loads(30, 0.2, seed), 0.5).called for seed in range(200)) >= 180


@pytest.mark.parametrize("kept", [0.0, 0.3, 0.5])
def test_steady_drills_are_left_alone(kept):
    # Target: under 1 % false calls.
    assert sum(fit_trend(loads(30, 0.0, seed, kept=kept), 0.5).called for seed in range(1000)) <= 10


def test_the_interval_of_the_rise_holds_what_it_promises():
    met = 0
    for seed in range(400):
        found = fit_trend(loads(30, 0.2, seed, kept=0.0), 0.5).rise
        met += found.low <= 1.2 ** (29 / 30) - 1 <= found.high
    assert 0.86 <= met / 400 <= 0.97


def test_blanks_left_are_those_to_the_limit():
    exact = np.log1p(0.2) * np.arange(30) / 29
    found = fit_trend(exact + 1e-4 * np.random.default_rng(1).standard_normal(30), 0.5)
    # ln 1.5 / (ln 1.2 / 29) is 64.5 blanks from the first; 29 are done.
    assert found.left.value == pytest.approx(35.5, abs=0.5)
    assert found.left.low <= found.left.value <= found.left.high


def test_the_slope_is_that_of_scipy_and_outliers_hardly_move_it():
    y = loads(40, 0.3, 5)
    assert fit_trend(y, 0.5).slope == pytest.approx(theilslopes(y).slope)
    spoiled = y.copy()
    spoiled[[3, 30]] += 3.0
    assert abs(fit_trend(spoiled, 0.5).slope - theilslopes(y).slope) < abs(
        linregress(np.arange(40), spoiled).slope - theilslopes(y).slope
    )


def test_long_series_are_thinned_and_keep_their_slope():
    y = loads(5000, 0.01, 2, kept=0.0)
    found = fit_trend(y, 0.5)
    assert found.blanks == 5000
    assert found.load.size <= 450
    assert found.slope == pytest.approx(np.log1p(0.01) / 30, rel=0.1)


def test_too_few_blanks_say_nothing():
    assert fit_trend([0.0] * (LEAST_BLANKS - 1), 0.5) is None
    assert not fit_trend([0.0] * LEAST_BLANKS, 0.5).called


def test_a_blank_is_judged_by_its_usual_pecks():
    def row(blank, peck, sag):
        return PeckRow(blank, peck, 0, 5, 0.0, 5.0, sag, sag, float("nan"), 10.0, 0.1, "")

    rows = [row(b, p, 1.0 + 0.1 * p) for b in (1, 2, 3) for p in (1, 2, 3)] + [row(4, 1, 9.0)]
    rows += [row(5, p, 9.0) for p in (1, 2, 3)]
    assert blank_loads(rows, frozenset({5})) == [(b, pytest.approx(np.log(1.2))) for b in (1, 2, 3)]
    assert blank_loads([], frozenset()) == []
