"""Schedules from a fitted climb depth: within the limit, in time, and a trial where more has to be
learned."""

import numpy as np
import pytest

from monitor.planning.flutes import flute_fill
from monitor.planning.pecking import USUAL_FILL_LIMIT
from monitor.tuning.advice import (
    Drilling,
    Gaps,
    blanks_to_halve,
    bulking_for,
    critical_for,
    fit_gaps,
    judged,
    most_trapped_mm,
    recommended,
    trial_mm,
)

GRID = np.geomspace(1.0, 20.0, 400)
JOB = Drilling(80.0, 50.0, 1.0, Gaps(1.5, 0.04))


def known(mm, sd):
    chance = np.exp(-0.5 * (np.log(GRID / mm) / sd) ** 2)
    return chance / chance.sum()


def test_the_advised_pecks_reach_the_depth_and_keep_to_the_limit():
    pecks = recommended(JOB, GRID, known(6.0, 0.05), 0.05, 20.0, 0.1)
    assert sum(pecks) == pytest.approx(80.0)
    assert max(pecks) <= 20.0
    low = 6.0 * np.exp(-1.645 * 0.05)
    assert low - 0.15 < most_trapped_mm(pecks, 50.0) <= low + 0.01


def test_less_certain_evidence_gives_shorter_pecks():
    sure, unsure = (recommended(JOB, GRID, known(6.0, sd), 0.05, 20.0, 0.1) for sd in (0.03, 0.15))
    assert most_trapped_mm(unsure, 50.0) < most_trapped_mm(sure, 50.0)
    assert len(unsure) > len(sure)


def test_cost_fill_and_risk_of_a_schedule_by_hand():
    found = judged((50.0, 6.0, 6.0, 18.0), JOB, 6.0, GRID, known(6.0, 0.01))
    # 80 s of feeding at 1 mm/s, and 1.5 s + 0.04 s/mm at 50, 56 and 62 mm.
    assert found.seconds == pytest.approx(80 + 3 * 1.5 + 0.04 * (50 + 56 + 62))
    assert found.fullest == pytest.approx(USUAL_FILL_LIMIT * 18 / 6)
    assert found.risk == pytest.approx(1.0)
    assert judged((50.0, 5.0, 5.0, 5.0, 5.0, 5.0, 5.0), JOB, 6.0, GRID, known(6.0, 0.01)).risk < 1e-6


def test_bulking_and_climb_are_two_words_for_one_thing():
    assert critical_for(bulking_for(5.0, 40.0), 40.0) == pytest.approx(5.0)
    assert flute_fill(5.0, 60.0, 40.0, bulking_for(5.0, 40.0)) == pytest.approx(USUAL_FILL_LIMIT)


def test_common_practice_in_acrylic_agrees_with_the_table():
    # Common practice, no published source: quarter-inch pecks with two inches of flute, about two thirds
    # full.
    assert critical_for(2.4, 50.8) == pytest.approx(6.35, rel=0.05)


def test_gaps_are_a_robust_line():
    depth = np.tile([10.0, 20.0, 30.0, 40.0], 10)
    gap = 1.2 + 0.05 * depth
    gap[3] = 60.0  # somebody looked at the flutes
    found = fit_gaps(depth, gap)
    assert (found.still_s, found.per_mm_s) == (pytest.approx(1.2), pytest.approx(0.05))
    assert fit_gaps(depth[:3], gap[:3]).still_s > 0


def test_a_trial_goes_a_quarter_deeper_but_not_into_full_flutes_or_past_the_persons_limit():
    assert trial_mm(4.0, GRID, known(6.0, 0.3), 20.0) == pytest.approx(5.0)
    assert trial_mm(4.0, GRID, known(6.0, 0.3), 4.5) == pytest.approx(4.5)
    assert trial_mm(4.0, GRID, known(6.0, 0.3), 4.0) is None
    assert trial_mm(9.0, GRID, known(6.0, 0.3), 20.0) is None


def test_four_times_the_blanks_halve_the_interval():
    assert blanks_to_halve(2) == 6
