"""`lost_cut` by the clock: the first contact since the spindle's start stays away."""

import math
from types import SimpleNamespace

import pytest

from monitor.cutting import EVIDENCE_MOST
from monitor.faults.no_contact import NEXT_SHARE, NoContactRule
from monitor.measurements import Kind, Severity
from monitor.schedule import Schedule
from tests.hops import hop, rotation, times

FEED_MM_S, PECK_MM, DUE_S = 2.0, 8.0, 5.0
TOLD_S = DUE_S + (PECK_MM + NEXT_SHARE * 5.0) / FEED_MM_S
SILENT = {
    "cutting": False, "log_odds": -6.0, "strength": 0.0, "hides_cut": False, "evidence": -EVIDENCE_MOST,
    "rise_db": 9.0, "load_tells": False,
}  # fmt: skip


class Run:
    """A spindle started at 0, whose first contact is due at 5 s."""

    def __init__(self, due_s=DUE_S):
        self.rule = NoContactRule(FEED_MM_S)
        self.cycle = SimpleNamespace(
            first_contact_due_s=due_s,
            schedule=Schedule((PECK_MM, 5.0)),
            first_contact_stays_away=lambda: None,
        )
        self.t = 0.0
        self.found = []

    def go(self, seconds, turning=None, make=hop, **heard):
        for t in times(seconds, self.t):
            detector = SimpleNamespace(**(SILENT | heard))
            found = self.rule.step(make(t), turning or rotation(), detector, self.cycle)
            if found is not None:
                self.found.append((t, found))
        self.t += seconds
        return self


def test_a_blank_that_is_missing_is_held_within_the_time_of_its_second_peck():
    run = Run().go(15)
    t, found = run.found[0]
    assert TOLD_S < t < TOLD_S + 0.1
    assert (found.kind, found.severity, found.onset_s) == (Kind.LOST_CUT, Severity.HOLD, DUE_S)
    assert "the blank is missing" in found.message
    assert run.found[-1][0] == pytest.approx(15.0)
    run.cycle.first_contact_due_s = math.nan  # the spindle was stopped, and started anew
    run.found.clear()
    assert not run.go(15).found


def test_where_no_contact_is_due_by_the_clock_none_is_missed():
    assert not Run(math.nan).go(60).found


@pytest.mark.parametrize(
    "heard",
    [
        {"strength": 0.6},  # louder than idling
        {"log_odds": 0.0},  # contact may have been made
        {"hides_cut": True},  # in rain
        {"turning": rotation(settled=False)},
        {"turning": rotation(elsewhere=True)},  # at the speed of the centre drill
    ],
)
def test_what_may_be_or_hide_a_contact_ends_the_wait(heard):
    assert not Run().go(DUE_S + 0.5).go(0.5, **heard).go(20).found


def test_a_tap_on_the_bench_does_not():
    assert Run().go(DUE_S + 0.5).go(0.1, strength=1.2).go(20).found


@pytest.mark.parametrize("heard", [{"rise_db": 1.0}, {"evidence": 0.0}])
def test_where_cuts_would_hardly_be_heard_silence_tells_nothing(heard):
    assert not Run().go(20, **heard).found
