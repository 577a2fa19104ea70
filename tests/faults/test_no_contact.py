"""`lost_cut` by the clock: the first contact since the spindle's start stays away."""

import math
from types import SimpleNamespace

import pytest

from monitor.cutting import EVIDENCE_MOST
from monitor.faults.lost_cut import MOST_SHARE
from monitor.faults.no_contact import LEARNS_S, NEXT_SHARE, SILENT_S, NoContactRule
from monitor.measurements import Kind, Severity
from monitor.pecks.begin import Due
from monitor.schedule import Schedule
from monitor.spindle import SpindleState
from tests.hops import hop, rotation, times

FEED_MM_S, PECK_MM, POINT_MM, DUE_S = 2.0, 8.0, 1.5, 5.0
TOLD_S = DUE_S + (PECK_MM + NEXT_SHARE * 5.0) / FEED_MM_S
SILENT = {
    "cutting": False, "log_odds": -6.0, "strength": 0.0, "hides_cut": False, "evidence": -EVIDENCE_MOST,
    "rise_db": 9.0, "load_tells": False, "louder_db": 0.0, "idle_db": 0.0, "background_db": -math.inf,
}  # fmt: skip


class Run:
    """A spindle started at 0, whose first contact is due at 5 s; ``steady``: as only a program's are."""

    def __init__(self, due_s=DUE_S, steady=False):
        self.rule = NoContactRule(FEED_MM_S)
        self.cycle = SimpleNamespace(
            first_contact_due=Due(due_s, steady),
            schedule=Schedule((PECK_MM, 5.0), point_mm=POINT_MM),
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
    run.cycle.first_contact_due = Due()  # the spindle was stopped, and started anew
    run.found.clear()
    assert not run.go(15).found


SOON_S = DUE_S + MOST_SHARE * PECK_MM / FEED_MM_S


def test_a_blank_that_is_missing_is_held_within_the_time_of_its_first_peck_where_the_start_was_plain():
    assert SOON_S < DUE_S + PECK_MM / FEED_MM_S
    run = Run(steady=True).go(1.0, turning=rotation(settled=False, at_speed=False)).go(15)
    t, found = run.found[0]
    assert SOON_S < t < SOON_S + 0.1
    assert found.limit == pytest.approx(SOON_S - DUE_S)


def test_but_not_before_the_point_of_a_thick_drill_is_in():
    """Its contact may be heard at once in one blank, and once the point is in, in the next."""
    run = Run(steady=True)
    run.cycle.schedule = Schedule((4.0, 5.0), point_mm=3.6)
    late_s = DUE_S + 3.6 / FEED_MM_S + SILENT_S
    assert late_s < run.go(15).found[0][0] < late_s + 0.1


@pytest.mark.parametrize(
    ("turning", "heard"),
    [
        (rotation(state=SpindleState.MASKED), {}),  # a whistle before the spindle was started
        (rotation(settled=False), {}),  # a lathe beside it that runs up goes on through the speed
        (rotation(elsewhere=True), {}),
        (rotation(), {"louder_db": -3.0}),  # a tone alone
        (rotation(), {"louder_db": 2.0}),
    ],
    ids=["masked", "runs on", "another speed", "fainter", "louder"],
)
def test_a_start_that_was_not_plain_may_have_been_heard_early_and_is_waited_for_longer(turning, heard):
    run = Run(steady=True).go(1.0).go(1.0, turning=turning, **heard).go(20)
    assert TOLD_S < run.found[0][0] < TOLD_S + 0.1


@pytest.mark.parametrize(
    "heard",
    [{"rise_db": 4.0}, {"background_db": -91.0}],
    ids=["faint cuts", "idling as loud as the shop"],
)
def test_where_cuts_or_idling_hardly_stand_out_a_missing_contact_is_waited_for_longer(heard):
    assert TOLD_S < Run(steady=True).go(20, **heard).found[0][0] < TOLD_S + 0.1


def test_so_it_is_where_the_spindle_was_hardly_at_its_speed_before_the_contact_was_due():
    run = Run(steady=True).go(DUE_S - LEARNS_S / 2, turning=rotation(at_speed=False)).go(20)
    assert TOLD_S < run.found[0][0] < TOLD_S + 0.1


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
