"""The depth in a peck at which load began to climb."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.pecks.rows import climb_depth
from tests.pecks.walk import FEED_MM_S, Walk


def test_climb_within_a_peck_is_dated_by_depth():
    """Load turns up 5 mm into an 8 mm peck, by a percent a millimetre."""
    rng = np.random.default_rng(0)

    def sag(s):
        return 0.012 + 0.01 * max(FEED_MM_S * s - 5.0, 0.0) + 0.0005 * rng.standard_normal()

    row = Walk().rest(1).peck(8.0, sag=sag).stop().cycle.rows[0]
    assert row.climb_depth_mm == pytest.approx(5.0, abs=0.4)


def test_a_steady_load_has_no_climb():
    rng = np.random.default_rng(1)
    walk = Walk().rest(1).peck(8.0, sag=lambda s: 0.012 + 0.0005 * rng.standard_normal())
    row = walk.stop().cycle.rows[0]
    assert math.isnan(row.climb_depth_mm)


@settings(max_examples=60, derandomize=True)
@given(n=st.integers(40, 200), at=st.floats(0.25, 0.75), rise=st.floats(0.5, 20), seed=st.integers(0, 99))
def test_climb_depth_finds_a_known_hinge(n, at, rise, seed):
    depth = np.linspace(0, 10, n)
    noise = 0.02 * np.random.default_rng(seed).standard_normal(n)
    found = climb_depth(depth, 1.0 + rise * np.maximum(depth - 10 * at, 0) + noise)
    assert found == pytest.approx(10 * at, abs=0.8)


def test_climb_depth_false_rate_in_noise():
    """A sag is measured over four hops, so its noise is smoothed over four: some 1 % claim a climb."""
    rng = np.random.default_rng(2)
    trials, n = 500, 80
    depth = np.linspace(0, 8, n)
    white = rng.standard_normal((trials, n + 3))
    loads = np.lib.stride_tricks.sliding_window_view(white, 4, axis=1).mean(axis=2)
    assert sum(not math.isnan(climb_depth(depth, load)) for load in loads) / trials < 0.03


@pytest.mark.parametrize(
    "load",
    [np.ones(50), np.linspace(1, 0, 50), np.where(np.arange(50) < 25, 1.0, 0.2), np.full(50, np.nan)],
    ids=["constant", "falling", "step down", "unknown"],
)
def test_loads_that_do_not_climb(load):
    assert math.isnan(climb_depth(np.linspace(0, 8, 50), load))


def test_too_few_samples_are_no_climb():
    assert math.isnan(climb_depth(np.linspace(0, 1, 11), np.linspace(0, 1, 11)))
    assert math.isnan(climb_depth(np.zeros(0), np.zeros(0)))
