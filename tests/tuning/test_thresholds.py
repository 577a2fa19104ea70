"""Thresholds replayed over curves, and judged by what a person said."""

import math

import numpy as np
import pytest

from monitor.measurements import Event, Kind, Severity
from monitor.tuning.thresholds import (
    QUIET_S,
    Judged,
    crossings,
    hours_needed,
    judged,
    recommend,
    tally,
)

LIMITS = np.array([2.0, 4.0, 8.0])


def curve(seconds=60.0, noise=0.1, seed=1):
    t = (np.arange(round(seconds * 20)) + 1) / 20
    return t, 1.0 + noise * np.random.default_rng(seed).standard_normal(t.size)


def found(t, sag, limits=LIMITS, confidence=None, cutting=None):
    sure = np.ones(t.size) if confidence is None else confidence
    cut = np.ones(t.size, bool) if cutting is None else cutting
    return crossings(t, sag, sure, cut, limits)


def test_good_work_crosses_nothing():
    assert found(*curve(600.0)) == []


def test_a_bind_crosses_each_threshold_once_and_soon_after_it_passes_it():
    t, sag = curve()
    sag += np.clip((t - 20.0) * 3.0, 0.0, 12.0) * (t < 26)  # 1 % at 20 s, and 3 % a second more
    crossed = found(t, sag)
    assert [one.limit for one in crossed] == [2.0, 4.0, 8.0]
    for one in crossed:
        passes = 20.0 + (one.limit - 1.0) / 3.0
        assert passes <= one.t <= passes + 0.3


def test_a_cause_counts_again_only_after_it_was_gone():
    t, sag = curve(90.0)
    for start in (20.0, 23.0, 40.0):
        sag[(t >= start) & (t < start + 1)] += 5.0
    times = [one.t for one in found(t, sag) if one.limit == 4.0]
    assert times == [pytest.approx(20.1, abs=0.2), pytest.approx(40.1, abs=0.2)]
    assert QUIET_S == 5.0


def test_a_single_wild_row_and_unsure_rows_decide_nothing():
    t, sag = curve()
    sag[300] = 5.0
    unsure = np.ones(t.size)
    sag[600:602], unsure[600:602] = 5.0, 0.4
    assert [one for one in found(t, sag, confidence=unsure) if one.t > 20] == []


def test_outside_a_cut_and_where_the_speed_is_not_known_nothing_is_judged():
    t, sag = curve()
    sag[300:400] = 12.0
    cutting = np.ones(t.size, bool)
    cutting[300:400] = False
    assert found(t, sag, cutting=cutting) == []
    sag[300:400] = np.nan
    assert found(t, sag) == []


def test_many_thresholds_at_once_are_as_one_after_another():
    t, sag = curve(120.0, noise=0.8, seed=4)
    sag += 2.5 * (1 + np.sin(t / 3))
    together = found(t, sag, np.linspace(1.5, 8, 14))
    one_by_one = [each for limit in np.linspace(1.5, 8, 14) for each in found(t, sag, np.array([limit]))]
    # The scatter that stands for the estimator's deviation is that of the same curve, so both agree exactly.
    assert sorted(together, key=lambda c: (c.limit, c.t)) == sorted(one_by_one, key=lambda c: (c.limit, c.t))


def event(t, verdict, kind=Kind.SAG, severity=Severity.HOLD, onset=math.nan):
    return Event(t, kind, severity, "", onset_s=onset), verdict


def test_verdicts_say_which_crossings_are_real():
    t, sag = curve(200.0)
    for start in (20.0, 60.0, 100.0):
        sag += np.clip((t - start) * 3.0, 0.0, 9.0) * (t < start + 5)
    events = [
        event(22.0, "real", severity=Severity.WARNING, onset=20.0),
        event(23.0, "real", onset=20.0),  # the same cause
        event(62.0, "false"),
        event(150.0, "real", kind=Kind.CHATTER),  # not by load
    ]
    whole = judged(2.0, events, found(t, sag), LIMITS)
    assert whole.real == ((20.0, 23.0),)
    assert whole.false == (62.0,)
    four, eight = tally([whole], 4.0), tally([whole], 8.0)
    assert (four.false, four.unjudged) == (1, 1)
    assert four.rate[0] == pytest.approx(1.0)
    assert four.delays[0] == pytest.approx(1.1, abs=0.25)
    assert eight.delays[0] > four.delays[0]
    assert tally([Judged(1.0, ((20.0, 23.0),), (), {4.0: ()})], 4.0).delays == (math.inf,)


def test_the_lowest_threshold_that_is_quiet_enough_is_advised():
    hours = 20.0
    counts = {2.0: 30, 4.0: 1, 8.0: 0}
    tallies = [
        tally([Judged(hours, (), (), {limit: tuple(float(i) for i in range(n))})], limit)
        for limit, n in counts.items()
    ]
    assert recommend(tallies, 0.1).limit == 4.0  # once in 20 h: likely 0.084 an hour
    assert recommend(tallies, 0.05).limit == 8.0
    assert recommend(tallies, 0.01) is None
    assert hours_needed(0.1) == pytest.approx(6.93, abs=0.01)
