"""When a blank's first contact is due, and what begins at another time."""

import math

import pytest

from monitor.measurements import Event, Kind, Severity
from monitor.pecks import follow
from monitor.pecks.begin import MOSTLY
from tests.hops import hop, rotation
from tests.pecks.walk import FEED_MM_S, Walk, begun, job


def test_what_the_spindle_did_before_a_peck_of_a_blank_does_not_begin_the_next():
    """From the centre drill's speed to the drill's; the next blank begins on a spindle that turns on."""
    walk = Walk(job(spot_rpm=2000.0)).rest(1)
    walk.cut(1.0, spindle_hz=2000 / 60).rest(1.0, spindle_hz=2000 / 60)
    walk.hear(walk.t, hop(walk.t), rotation(changed=True))
    walk.peck(8.0).peck(5.0).peck(5.0).rest(8)
    assert not walk.cycle.in_blank
    walk.cut(1.0)
    assert not walk.cycle.from_rest


def test_where_every_blank_began_so_long_after_a_start_one_that_does_not_is_unlikely():
    """Another sound of the workshop, between two blanks."""
    for lead_s, unlikely in ((1.0, False), (None, True), (6.0, True)):
        walk = Walk(job(pecks=(8.0, 5.0, 5.0)))
        for _ in range(MOSTLY):
            begun(walk, 1.0).cut(8.0 / FEED_MM_S - 0.5).rest(1.0).peck(5.0).peck(5.0).stop().rest(1)
            assert not walk.cycle.unlikely
        assert begun(walk, lead_s).cycle.unlikely is unlikely
        if unlikely:  # a peck after it is one of a blank that has begun
            assert not walk.rest(1.0).cut(0.5).cycle.unlikely


def test_the_first_contact_is_due_as_long_after_the_start_as_it_was_twice():
    walk = Walk(job(pecks=(8.0, 5.0, 5.0)))
    for k in range(3):
        walk.start()
        started_s = walk.t
        if k < 2:
            assert math.isnan(walk.rest(2).cycle.first_contact_due.s)
            walk.peck(8.0).peck(5.0).peck(5.0).stop()
    assert 2.0 < walk.cycle.first_contact_due.s - started_s < 3.5
    walk.rest(2).peck(8.0)
    assert math.isnan(walk.cycle.first_contact_due.s)
    # after a blank in which something was told the spindle turns on: no start tells when the next one begins
    hold = Event(walk.t, Kind.MELTING, Severity.HOLD, "the work softens", blank=3, peck=1)
    follow.note(walk.cycle, hold)
    walk.peck(5.0).peck(5.0).rest(20)
    assert not walk.cycle.in_blank
    assert math.isnan(walk.cycle.first_contact_due.s)


@pytest.mark.parametrize(
    ("leads_s", "steady"),
    [((2.0, 2.1), True), ((2.0, 2.3), False), ((2.0, 2.1, 1.9), True), ((2.0, 2.0, 6.0), False)],
    ids=["two that agree", "by hand, it may be", "three", "one was late"],
)
def test_the_first_contact_is_steady_where_only_a_program_keeps_such_times(leads_s, steady):
    walk = Walk(job(pecks=(8.0, 5.0, 5.0)))
    for lead_s in leads_s:
        walk.start().rest(lead_s).peck(8.0).peck(5.0).peck(5.0).stop()
    assert math.isfinite(walk.start().cycle.first_contact_due.s)
    assert walk.cycle.first_contact_due.steady is steady


def started(walk, pecks=True):
    """A start of the spindle, two seconds to the first contact, and a whole blank."""
    walk.start().rest(2)
    return walk.peck(8.0).peck(5.0).peck(5.0) if pecks else walk


def test_after_a_hold_a_person_is_at_the_machine_and_no_first_contact_is_due():
    walk = Walk(job(pecks=(8.0, 5.0, 5.0)))
    for _ in range(2):
        started(walk).stop()
    assert started(walk, pecks=False).cycle.first_contact_due.s > 0
    walk.peck(8.0)
    follow.note(walk.cycle, Event(walk.t, Kind.SAG, Severity.HOLD, "it binds", blank=3, peck=1))
    walk.stop()
    assert math.isnan(started(walk, pecks=False).cycle.first_contact_due.s)


def test_nor_after_one_that_stayed_away():
    walk = Walk(job(pecks=(8.0, 5.0, 5.0)))
    for _ in range(2):
        started(walk).stop()
    started(walk, pecks=False).cycle.first_contact_stays_away()
    assert math.isnan(started(walk.stop(), pecks=False).cycle.first_contact_due.s)
    walk.peck(8.0).peck(5.0).peck(5.0).stop()
    assert started(walk, pecks=False).cycle.first_contact_due.s > 0


def test_a_first_contact_that_comes_after_it_was_missed_is_another_programs():
    walk = Walk(job(pecks=(8.0, 5.0, 5.0)))
    for _ in range(2):
        started(walk).stop()
    started(walk, pecks=False).rest(5).cycle.first_contact_stays_away()
    walk.peck(8.0).peck(5.0).peck(5.0).stop()
    for due in (False, False, True):
        assert math.isfinite(started(walk, pecks=False).cycle.first_contact_due.s) is due
        walk.peck(8.0).peck(5.0).peck(5.0).stop()


def spotted(walk, pecks=True):
    """The centre drill at its own speed, the spindle stopped to change the tool, then a whole blank."""
    for t in (walk.t, walk.t + 0.1, walk.t + 0.2):
        walk.hear(t, hop(t, spindle_hz=2000 / 60), rotation(reference_hz=2000 / 60, started=t == walk.t))
    walk.t += 0.3
    return started(walk.stop(), pecks)


def test_a_spindle_stopped_to_change_the_centre_drill_still_tells_when_the_first_contact_is_due():
    walk = Walk(job(pecks=(8.0, 5.0, 5.0), spot_rpm=2000.0))
    for _ in range(2):
        assert math.isnan(spotted(walk, pecks=False).cycle.first_contact_due.s)
        walk.peck(8.0).peck(5.0).peck(5.0).stop()
    assert spotted(walk, pecks=False).cycle.first_contact_due.s > walk.t
    walk.peck(8.0).peck(5.0).peck(5.0).stop()
    # started at the drill's speed after a blank, the centre drill is still to come
    assert math.isnan(started(walk, pecks=False).cycle.first_contact_due.s)
