"""What blanks teach of the program, and which teach nothing."""

import math

import pytest

from monitor.measurements import Event, Kind, Severity
from monitor.pecks import follow
from monitor.schedule import HeardPeck
from tests.pecks.walk import FEED_MM_S, Walk, batch, job


def test_a_blank_whose_pecks_another_sound_ran_together_is_not_learned():
    walk = Walk().rest(1).peck(30.0).stop()
    assert not walk.cycle.schedule.learned
    for length_mm in (8.0, 5.0, 2.0, 2.0, 1.0):
        walk.rest(1).peck(length_mm)
    assert walk.stop().cycle.schedule.learned


def test_a_first_blank_that_an_axis_ran_together_is_learned_where_the_program_explains_its_steps():
    pecks_mm = (8.0, 5.0, 5.0, 5.0, 5.0)
    walk = Walk(job(pecks=pecks_mm, depth=sum(pecks_mm))).rest(1)
    for mm in pecks_mm:
        walk.cut(mm / FEED_MM_S).cut(1.4, over_db=4.0)
    walk.rest(1).stop()
    assert len(walk.cycle.rows) == len(pecks_mm)
    assert walk.cycle.schedule.known
    gaps_s = [gap.middle for gap in walk.cycle.schedule.gaps[1:]]
    assert gaps_s == pytest.approx([1.4] * (len(pecks_mm) - 1), abs=0.15)


def test_another_number_of_pecks_is_learned_when_it_was_heard_twice():
    """A sound of the workshop may have made one of two pecks, or two of one."""
    walk = Walk().rest(1).peck(8.0).peck(5.0).stop().rest(1)
    assert not walk.cycle.schedule.learned
    walk.peck(8.0).peck(7.0).stop().rest(1)
    assert not walk.cycle.schedule.learned  # nor was that the same
    walk.peck(8.0).peck(7.0).stop().rest(1)
    assert (walk.cycle.schedule.count, walk.cycle.schedule.blanks) == (2, 2)


def test_last_pecks_of_the_point_alone_that_are_not_heard_are_no_other_program():
    """The drill's point is 1.8 mm high; the last peck, of 1 mm, is not heard in any blank."""
    walk = Walk()
    for _ in range(3):
        walk.rest(1)
        for length_mm in (8.0, 5.0, 2.0, 2.0):
            walk.peck(length_mm)
        walk.stop()
    assert walk.cycle.schedule.count == 4
    assert not [event for event in walk.events if event.kind is Kind.SCHEDULE]


def test_a_sound_between_blanks_does_not_teach_a_hole_of_one_short_peck():
    walk = Walk()
    for length_mm in (8.0, 5.0, 2.0, 2.0, 1.0):
        walk.rest(1).peck(length_mm)
    walk.stop().rest(1).peck(1.5).stop().rest(1).peck(0.8).stop().rest(1)
    assert walk.cycle.schedule.count == 5


@pytest.mark.parametrize("stops", [True, False])
def test_a_program_with_one_peck_more_than_the_job_is_learned_though_a_blank_fits_in_its_gaps(stops):
    """The first blank is told as two; the next ones are whole, at their depth."""
    walk = Walk(job(pecks=(5.0, 5.0, 5.0), depth=15.0)).rest(1)
    walk.detector.load_shows, walk.detector.cut_sag = True, 0.01
    for _ in range(5):
        for _ in range(3):
            walk.cut(5.0 / FEED_MM_S).rest(2.2)
        walk.cut(5.0 / FEED_MM_S).rest(0.7)
        walk = walk.stop().rest(1).start() if stops else walk.rest(20)
    assert walk.kinds().count("blank_start") == 6
    assert walk.cycle.schedule.count == 4
    assert walk.kinds().count("schedule") == 1


def test_pecks_that_another_sound_lengthened_in_the_only_blank_so_far_do_not_end_early_in_the_next():
    walk = Walk(job(pecks=(8.0, 5.0, 2.5), depth=15.5))
    gaps_s = (math.nan, 1.0, 1.0)
    lengths_mm = (8.0, 9.0, 6.5)
    lengthened = [HeardPeck(mm, gap_s, mm / FEED_MM_S) for mm, gap_s in zip(lengths_mm, gaps_s, strict=True)]
    walk.cycle.schedule.learn(lengthened)
    walk.rest(1).peck(8.0).peck(5.0).peck(2.5).stop()
    assert not any("only touched" in event.message for event in walk.events)
    assert [row.peck for row in walk.cycle.rows] == [1, 2, 3]


def test_pecks_that_were_not_heard_as_such_teach_no_other_program_where_the_known_one_explains_them():
    """Twice the same two of three were run together, in sound that shows where one ends."""
    walk = batch(blanks=2)
    for _ in range(2):
        walk.peck(8.0).cut(5.0 / FEED_MM_S).cut(1.0, over_db=4.0).peck(5.0).stop().rest(1)
        assert len(walk.cycle.rows) % 3 == 0
    assert walk.cycle.schedule.count == 3


def lost_cut(walk):
    """A hold of a cut that was lost, falsely."""
    follow.note(walk.cycle, Event(walk.t, Kind.LOST_CUT, Severity.HOLD, "no contact came"))
    return walk


def test_a_program_by_which_a_cut_was_lost_that_was_not_is_doubted():
    """Else the same gap, learned too short of one blank under another sound, would hold every blank."""
    for blanks, goes_on, known in ((1, True, False), (1, False, True), (3, True, True)):
        walk = lost_cut(batch(blanks).peck(8.0))
        assert walk.cycle.schedule.known
        if goes_on:
            walk.rest(1).peck(5.0).peck(5.0)
        walk.stop().rest(1)
        assert walk.cycle.schedule.known is known


def test_not_where_it_was_held_for_something_else_as_well():
    walk = batch(1).peck(8.0)
    follow.note(walk.cycle, Event(walk.t, Kind.STALL, Severity.HOLD, "it stands"))
    lost_cut(walk).peck(5.0).peck(5.0).stop()
    assert walk.cycle.schedule.known


@pytest.mark.parametrize(("sag", "known"), [(0.0, False), (0.01, True)])
def test_a_first_blank_of_which_no_sound_was_surely_a_cut_is_laid_out_but_not_known(sag, known):
    """Another machine, or an axis, that runs pecks together: only a drill loads the spindle."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0))).rest(1)
    walk.cut(4.4, sag).rest(1.0).cut(2.8, sag).cut(1.0, 0.0, over_db=4.0).cut(2.8, sag).stop().rest(1)
    schedule = walk.cycle.schedule
    assert (schedule.learned, schedule.known) == (True, known)
