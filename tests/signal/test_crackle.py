"""Crackle: theory for noise, indifference to gain, and more for clicks than for anything steady."""

import numpy as np
import pytest
from scipy.special import digamma

from monitor.signal.crackle import crackle_db

RNG = np.random.default_rng(1)


@pytest.mark.parametrize("independent", [2, 5, 12])
def test_noise_has_the_crackle_of_its_chi_squared_law(independent):
    """The mean logarithm of a chi-squared variable is known exactly (digamma)."""
    power = RNG.chisquare(2 * independent, (5000, 64)).astype(np.float32)
    exact = 10 / np.log(10) * (np.log(independent) - digamma(independent))
    assert crackle_db(power).mean() == pytest.approx(exact, rel=0.04)
    assert exact == pytest.approx(2.17 / independent, rel=0.1)


def test_gain_changes_nothing_and_silence_is_steady():
    power = RNG.chisquare(10, (8, 24)).astype(np.float32)
    np.testing.assert_allclose(crackle_db(power * np.float32(1e-6)), crackle_db(power), atol=1e-4)
    assert crackle_db(np.zeros((3, 24), np.float32)).tolist() == [0, 0, 0]


def test_noise_over_clicks_hides_them_by_degrees():
    clicks = np.where(RNG.random((400, 24)) < 0.15, 30.0, 1.0).astype(np.float32)
    heard = [float(crackle_db(clicks + np.float32(floor)).mean()) for floor in (0, 3, 30, 300)]
    assert heard == sorted(heard, reverse=True)
    assert heard[0] > 4
    assert heard[-1] < 0.3


def test_each_row_is_measured_by_itself():
    power = RNG.chisquare(6, (67, 24)).astype(np.float32)
    apart = [crackle_db(row[None])[0] for row in power]
    assert np.array_equal(crackle_db(power), apart)
