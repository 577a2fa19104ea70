"""What hops say of speeds between two bounds is the same, whether it is asked once or answered ahead."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from monitor.signal.speed import Between

GRID_HZ = np.geomspace(5.0, 19.0, 469)
HOPS = 100


@pytest.fixture
def speeds() -> Any:
    rng = np.random.default_rng(3)
    posterior = rng.dirichlet(np.ones(GRID_HZ.size), HOPS)
    return SimpleNamespace(
        posterior=posterior, scores=rng.standard_normal((HOPS, GRID_HZ.size)).astype(np.float32)
    )


@pytest.mark.parametrize(
    "bounds", [(14.5, 15.5), (5.0, 18.9), (9.0, 9.02), (1.0, 40.0), (15.0, 15.0), (16.0, 12.0)]
)
def test_answers_made_ahead_are_those_of_each_hop_asked_alone(speeds, bounds):
    alone = [Between(GRID_HZ.tolist(), speeds) for _ in range(HOPS)]
    between = Between(GRID_HZ.tolist(), speeds)
    for n in (*range(60), 7, *range(90, HOPS)):
        assert between.probability(n, *bounds) == alone[n].probability(n, *bounds)
        assert between.evidence(n, *bounds) == alone[n].evidence(n, *bounds)


def test_a_probability_is_the_sum_and_evidence_the_most_from_one_bound_to_below_the_other(speeds):
    between = Between(GRID_HZ.tolist(), speeds)
    inside = (GRID_HZ >= 14.0) & (GRID_HZ < 15.0)
    for n in range(HOPS):
        assert between.probability(n, 14.0, 15.0) == pytest.approx(
            speeds.posterior[n, inside].sum(), rel=1e-12
        )
        assert between.evidence(n, 14.0, 15.0) == speeds.scores[n, inside].max()
    assert between.probability(0, 15.0, 14.0) == between.evidence(0, 15.0, 14.0) == 0.0


def test_a_speed_is_looked_up_at_the_nearest_candidate(speeds):
    between = Between(GRID_HZ.tolist(), speeds)
    asked = np.array([[4.0, 5.0, 10.001], [15.01, 19.0, 30.0]])
    states = between.states(asked)
    assert states.shape == asked.shape
    nearest = np.abs(np.log(asked[..., None] / GRID_HZ)).argmin(axis=-1)
    assert np.array_equal(states, nearest)
    assert np.array_equal(between.scores(3), speeds.scores[3])
