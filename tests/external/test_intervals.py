"""Intervals against published tables, and the pooled estimates against statsmodels."""

import numpy as np
import pytest
from scipy.stats import chi2

from monitor.tuning.bulking import BETWEEN, FACTOR_SD, MATERIAL_SD, BatchBulking, fit_bulking
from monitor.tuning.intervals import rate_interval, share_interval

pytestmark = pytest.mark.external


@pytest.mark.parametrize(
    ("count", "low", "high"),
    # 95 % limits of a Poisson mean: Pearson and Hartley, Biometrika Tables for Statisticians, table 40, and
    # Garwood 1936 (from memory; reproduced in most textbooks of epidemiology).
    [(0, 0.0, 3.689), (1, 0.0253, 5.572), (2, 0.242, 7.225), (5, 1.623, 11.668), (10, 4.795, 18.390)],
)
def test_garwood_against_the_table_and_chi_square(count, low, high):
    found = rate_interval(count, 1.0, 0.95)
    assert found == (pytest.approx(low, abs=0.001), pytest.approx(high, abs=0.001))
    assert found[1] == pytest.approx(chi2.ppf(0.975, 2 * count + 2) / 2)


def test_wilson_against_the_published_example():
    # R. G. Newcombe 1998, Statist. Med. 17:857, table I, method 3: 81 of 263 (from memory).
    assert share_interval(81, 263, 0.95) == (pytest.approx(0.2553, abs=2e-4), pytest.approx(0.3662, abs=2e-4))


def test_bulking_given_the_spread_is_statsmodels_weighted_least_squares():
    sm = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(3)
    given = [
        BatchBulking(
            "acrylic" if i % 2 else "hardwood",
            float(rng.uniform(8, 40)),
            float(rng.uniform(3, 12)),
            float(np.log(2.5) + 0.1 * rng.standard_normal()),
            float(rng.uniform(0.02, 0.1)),
        )
        for i in range(40)
    ]
    table = {"acrylic": 2.4, "hardwood": 3.0}
    model = fit_bulking(given, table)
    rim, diameter = (np.log([getattr(b, name) for b in given]) for name in ("rim_m_min", "diameter_mm"))
    own = np.array([[b.material == "acrylic", b.material == "hardwood"] for b in given], dtype=float)
    x = np.column_stack([own, rim - rim.mean(), diameter - diameter.mean()])
    y = np.array([b.log_bulking for b in given])
    # A normal prior is one more observation of each coefficient.
    x_prior = np.vstack([x, np.eye(4)])
    y_prior = np.concatenate([y, np.log([2.4, 3.0]), [0.0, 0.0]])
    for k, between in enumerate(BETWEEN):
        variance = np.array([b.sd**2 for b in given]) + between**2
        weights = 1 / np.concatenate([variance, [MATERIAL_SD**2] * 2, [FACTOR_SD**2] * 2])
        fitted = sm.WLS(y_prior, x_prior, weights=weights).fit()
        assert model.means[k] == pytest.approx(fitted.params, abs=1e-9)
        assert model.covariances[k] == pytest.approx(np.asarray(fitted.normalized_cov_params), abs=1e-9)


def test_the_spread_between_batches_agrees_with_statsmodels_meta_analysis():
    meta = pytest.importorskip("statsmodels.stats.meta_analysis")
    rng = np.random.default_rng(5)
    sd = rng.uniform(0.03, 0.06, 60)
    y = np.log(2.5) + 0.15 * rng.standard_normal(60) + sd * rng.standard_normal(60)
    given = [BatchBulking("acrylic", 17.0, 6.0, float(a), float(b)) for a, b in zip(y, sd, strict=True)]
    model = fit_bulking(given, {"acrylic": 2.4})
    combined = meta.combine_effects(y, sd**2, method_re="iterated")  # Paule and Mandel
    assert model.between == pytest.approx(np.sqrt(combined.tau2), rel=0.2)
    assert model.predict("acrylic", 17.0, 6.0)[0] == pytest.approx(combined.mean_effect_re, abs=0.01)
