"""The course of a value along a hole, against least squares of another library."""

import numpy as np
import pytest
from scipy import stats

from monitor.signal.course import Course

RNG = np.random.default_rng(4)
PLACES = RNG.uniform(0, 1, (300, 2))
VALUES = -70 - 5 * PLACES[:, 0] + 2 * PLACES[:, 1] + RNG.standard_normal(300)


def learned(slope_sd=100.0, memory=1e9, values=VALUES, places=PLACES, **more):
    course = Course(-70.0, 1.0, slope_sd, memory=memory, **more)
    for value, place in zip(values, places, strict=True):
        course.step(value, tuple(place))
    return course


def test_with_much_evidence_it_is_the_line_of_least_squares():
    design = np.column_stack([np.ones(300), PLACES])
    line = np.linalg.lstsq(design, VALUES, rcond=None)[0]
    course = learned()
    for place in ((0.0, 0.0), (1.0, 0.0), (0.5, 0.5)):
        assert course.expected(place) == pytest.approx(line @ (1, *place), abs=0.1)  # outliers are trimmed


def test_what_is_normal_lies_within_its_deviations():
    course = learned()
    z = [course.z(value, tuple(place)) for value, place in zip(VALUES, PLACES, strict=True)]
    assert stats.kstest(z, "norm").pvalue > 0.01


def test_where_nothing_was_drilled_it_is_unsure():
    course = learned(slope_sd=6.0, values=VALUES[:40], places=0.1 * PLACES[:40])

    def lower(place, besides=0.0):
        return course.z(course.expected(place) - 5, place, besides)

    assert lower((1.0, 0.0)) > 0.7 * lower((0.05, 0.0))
    assert lower((0.05, 0.0), besides=3.0) > 0.5 * lower((0.05, 0.0))


def test_what_waits_can_be_dropped():
    course = learned(lag=5)
    course.reject()
    before = course.expected((0.5, 0.5))
    for _ in range(5):
        course.step(-40.0, (0.5, 0.5))
    course.reject()
    for _ in range(5):
        course.step(-70.0, (0.5, 0.5))
    assert course.expected((0.5, 0.5)) == pytest.approx(before)


def test_few_odd_values_do_not_carry_it_off():
    course = learned()
    before = course.expected((0.5, 0.5))
    for _ in range(3):
        course.step(0.0, (0.5, 0.5))
    assert course.expected((0.5, 0.5)) == pytest.approx(before, abs=0.1)
