"""The loosening rule on hand-made knocks."""

import math

import pytest

from monitor.faults.loosening import LooseningRule
from monitor.measurements import SPINDLE_STOP_KINDS, Event, Kind, Severity
from monitor.spindle import SpindleState
from tests.hops import STEP_S, hop, rotation, times

HALF = 4


def tried(rule, knocks, begin=0.0, cutting=False, **turning):
    """Times of findings for (knock, level) of each hop."""
    found = []
    for t, (knock, level) in zip(times(len(knocks) * STEP_S, begin), knocks, strict=True):
        told = rule.step(hop(t, knock_db=knock, peak_db=level), rotation(**turning), cutting)
        if told:
            found.append(told)
    return found


def usual(seconds=10.0, knock=1.5):
    return [
        (knock + 0.4 * math.sin(i), -60 + 0.8 * math.sin(1.7 * i)) for i in range(round(seconds / STEP_S))
    ]


def growing(db_s, seconds, most=12.0):
    """Stands out by half of what it grows by: the window lags, and the surroundings ring along."""
    steps = [db_s * STEP_S * i for i in range(round(seconds / STEP_S))]
    return [(min(1.5 + 0.5 * db, most), -60 + db) for db in steps]


@pytest.mark.parametrize("db_s", [3, 6, 12, 20])
@pytest.mark.parametrize("cutting", [False, True])
def test_a_knock_that_grows_is_told_to_stop_the_spindle(db_s, cutting):
    rule = LooseningRule(HALF, STEP_S)
    assert not tried(rule, usual(), cutting=cutting)
    found = tried(rule, growing(db_s, 6.0), 10.0, cutting)
    assert found[0].kind is Kind.LOOSENING
    assert found[0].severity is Severity.HOLD
    assert "stop the spindle" in found[0].message
    assert 10.0 < found[0].onset_s < 10.2 + 10.0 / db_s
    assert found[0].value < 9.5


def test_usual_work_is_silent():
    assert not tried(LooseningRule(HALF, STEP_S), usual(60.0))


@pytest.mark.parametrize("level", [5.0, 10.0, 20.0])
def test_a_bundle_of_chips_that_begins_to_slap_is_silent(level):
    """Suddenly there, and as loud ever after, give or take a decibel."""
    rule = LooseningRule(HALF, STEP_S)
    tried(rule, usual())
    ramp = [(1.5 + (level / 2 - 1.5) * i / HALF, -60 + level * i / HALF) for i in range(HALF)]
    lasting = [(level / 2, -60 + level + math.sin(1.3 * i)) for i in range(100)]
    assert not tried(rule, ramp + lasting, 10.0, cutting=True)


def test_level_alone_or_knock_alone_is_silent():
    rule = LooseningRule(HALF, STEP_S)
    tried(rule, usual())
    assert not tried(rule, [(1.5, -60 + 0.3 * i) for i in range(60)], 10.0)
    assert not tried(rule, [(min(1.5 + 0.1 * i, 8), -60.0) for i in range(60)], 20.0)


def test_what_this_machine_always_did_in_its_cuts_is_normal():
    rule = LooseningRule(HALF, STEP_S)
    for k in range(12):
        assert not tried(rule, usual(3.0, knock=4.5), 8.0 * k, cutting=True)
        assert not tried(rule, usual(3.0), 8.0 * k + 3.0)
    assert not tried(rule, usual(3.0, knock=6.0), 100.0, cutting=True)


@pytest.mark.parametrize("cutting", [False, True])
def test_a_machine_that_knocks_from_the_first_is_silent_until_it_knocks_louder(cutting):
    """A belt joint, a key: whatever it does in its first second is its own, though its level wavers."""
    rule = LooseningRule(HALF, STEP_S)
    wavering = [(knock, level + 3 * math.sin(0.1 * i)) for i, (knock, level) in enumerate(usual(20.0, 7.0))]
    assert not tried(rule, wavering, cutting=cutting)
    louder = [(5.5 + knock, level) for knock, level in growing(8.0, 4.0)]
    assert tried(rule, louder, 20.0, cutting=cutting)


def test_a_centre_drill_is_neither_judged_nor_taken_for_a_cut():
    rule = LooseningRule(HALF, STEP_S)
    tried(rule, usual())
    for t, (knock, level) in zip(times(4.0, 10.0), growing(10.0, 4.0), strict=True):
        assert rule.step(hop(t, knock_db=knock, peak_db=level), rotation(), True, True) is None
    assert not tried(rule, usual(3.0, knock=6.0), 14.0, cutting=True)


def test_nothing_is_said_of_a_spindle_at_rest():
    rule = LooseningRule(HALF, STEP_S)
    assert not tried(rule, growing(10, 4.0), state=SpindleState.STOPPED)


def test_the_event_asks_for_the_spindle_stop_line():
    assert Kind.LOOSENING in SPINDLE_STOP_KINDS
    assert Event(1.0, Kind.LOOSENING, Severity.HOLD, "").stops_spindle
    assert not Event(1.0, Kind.SAG, Severity.HOLD, "").stops_spindle
