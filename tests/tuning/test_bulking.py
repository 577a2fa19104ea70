"""Bulking over batches: closed-form checks here, statsmodels in tests/external."""

import numpy as np
import pytest

from monitor.tuning.bulking import MATERIAL_SD, BatchBulking, fit_bulking

TABLE = {"acrylic": 2.4, "hardwood": 3.0}


def batch(bulking, sd=0.03, material="acrylic", rim=17.0, diameter=6.0):
    return BatchBulking(material, rim, diameter, float(np.log(bulking)), sd)


def test_without_evidence_it_is_the_table():
    mean, sd = fit_bulking([], TABLE).predict("acrylic", 17.0, 6.0)
    assert np.exp(mean) == pytest.approx(2.4)
    assert sd >= MATERIAL_SD


def test_many_batches_outweigh_the_table():
    rng = np.random.default_rng(1)
    model = fit_bulking([batch(3.5 * np.exp(0.05 * rng.standard_normal())) for _ in range(30)], TABLE)
    mean, sd = model.predict("acrylic", 17.0, 6.0)
    assert np.exp(mean) == pytest.approx(3.5, rel=0.03)
    assert sd < 0.12


def test_another_diameter_is_less_sure_than_the_same():
    model = fit_bulking([batch(2.5) for _ in range(10)], TABLE)
    same = model.predict("acrylic", 17.0, 6.0)[1]
    other = model.predict("acrylic", 17.0, 12.0)[1]
    assert other > same + 0.1


def test_an_effect_of_speed_is_learned_where_speeds_differ():
    given = [batch(2.5 * (rim / 17.0) ** 0.4, rim=rim) for rim in (10, 13, 17, 22, 28, 35) * 3]
    mean, _ = fit_bulking(given, TABLE).predict("acrylic", 25.0, 6.0)
    assert np.exp(mean) == pytest.approx(2.5 * (25 / 17) ** 0.4, rel=0.03)


def test_batches_that_differ_widen_the_prediction():
    rng = np.random.default_rng(2)
    alike = fit_bulking([batch(2.5) for _ in range(12)], TABLE)
    unlike = fit_bulking([batch(2.5 * np.exp(0.2 * rng.standard_normal())) for _ in range(12)], TABLE)
    assert unlike.between > alike.between + 0.05


def test_the_other_material_is_not_touched():
    model = fit_bulking([batch(3.5) for _ in range(10)], TABLE)
    assert np.exp(model.predict("hardwood", 17.0, 6.0)[0]) == pytest.approx(3.0, rel=0.01)
