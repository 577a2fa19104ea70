"""Charts: well-formed, to scale, and broken where a value is not known."""

import re
from xml.etree import ElementTree

import numpy as np
import pytest

from monitor.reporting.svg_chart import BOTTOM, LEFT, RIGHT, TOP, Chart, Mark, Series, svg, ticks


def drawn(**changes):
    given = {"title": "a <chart>", "x_label": "s", "y_label": "%", "series": [Series([0, 1, 2], [0, 5, 10])]}
    return ElementTree.fromstring(svg(Chart(**{**given, **changes})))


def points(root, css):
    (path,) = (p for p in root.iter("path") if p.get("class") == css)
    return [tuple(map(float, pair)) for pair in re.findall(r"([\d.]+) ([\d.]+)", path.get("d"))]


def test_ends_of_a_curve_lie_where_the_axes_say():
    root = drawn(y_range=(0.0, 10.0), width=500, height=200)
    assert points(root, "curve") == [
        (LEFT, 200 - BOTTOM),
        (pytest.approx((LEFT + 500 - RIGHT) / 2), pytest.approx((200 - BOTTOM + TOP) / 2)),
        (500 - RIGHT, TOP),
    ]
    assert root.get("aria-label") == "a <chart>"


def test_a_value_that_is_not_known_breaks_the_curve():
    root = drawn(series=[Series([0, 1, 2, 3, 4], [1, 2, np.nan, 2, 1])])
    (path,) = (p for p in root.iter("path") if p.get("class") == "curve")
    assert re.sub(r"[\d. ]", "", path.get("d")) == "MLML"


def test_beyond_the_range_a_curve_stays_inside():
    root = drawn(series=[Series([0, 1], [-5, 500])], y_range=(0.0, 10.0), height=200)
    assert [y for _, y in points(root, "curve")] == [200 - BOTTOM, TOP]


@pytest.mark.parametrize(
    "series",
    [[], [Series([], [])], [Series([1], [2])], [Series([1, 2], [np.nan, np.nan])], [Series([0, 1], [3, 3])]],
)
def test_little_or_nothing_is_drawn_too(series):
    text = svg(Chart("t", "x", "y", series, [Mark(1.0, "here & now", upright=True)]))
    assert "nan" not in text
    assert "here &amp; now" in text
    ElementTree.fromstring(text)


def test_ticks_are_round_and_inside():
    for low, high in ((0.0, 0.013), (-3.0, 7.2), (0.0, 123456.0), (2.1, 2.2)):
        found = ticks(low, high, 6)
        assert 1 <= len(found) <= 7
        assert low - 1e-9 <= found[0] <= found[-1] <= high + 1e-9


def test_a_range_given_the_wrong_way_round_has_axes():
    assert [p for p in drawn(y_range=(0.0, -3.0)).iter("path") if p.get("class") == "grid"]


@pytest.mark.parametrize("value", [0.0, 1e20, -1e20, 1e30])
@pytest.mark.parametrize("given", [True, False])
def test_one_value_of_any_size_has_axes(value, given):
    root = drawn(series=[Series([0, 1], [value, value])], y_range=(value, value) if given else None)
    assert [p for p in root.iter("path") if p.get("class") == "grid"]
    assert "nan" not in ElementTree.tostring(root, "unicode")
