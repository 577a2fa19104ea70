"""Pecks of a blank that is over, numbered and dated by the program where other sound hides their edges."""

import math

import pytest

from monitor.measurements import Event, Kind, Severity
from monitor.pecks import follow
from tests.hops import STEP_S
from tests.pecks.walk import FEED_MM_S, GOOD_SPANS, Walk, batch, job, missed, near, spans


def test_a_held_blank_that_was_drilled_on_is_dated_by_the_program():
    """The hold was a false one, in another sound that was taken for the first peck."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0))).rest(1)
    walk.cut(1.5, over_db=14.0)
    follow.note(walk.cycle, Event(walk.t, Kind.MELTING, Severity.HOLD, "Soft."))
    walk.rest(0.5)
    for length_mm in (8.0, 5.0, 5.0):
        walk.peck(length_mm)
    rows = walk.stop().cycle.rows
    assert [(row.peck, round(row.depth_to_mm)) for row in rows] == [(1, 8), (2, 13), (3, 18)]
    assert not walk.cycle.schedule.learned  # a held blank teaches nothing


def test_a_held_blank_that_was_not_drilled_to_its_end_is_told_as_it_was_heard():
    walk = Walk(job(pecks=(8.0, 5.0, 5.0))).rest(1).peck(8.0).cut(1.0)
    follow.note(walk.cycle, Event(walk.t, Kind.SAG, Severity.HOLD, "Binds."))
    rows = walk.stop().cycle.rows
    assert [row.peck for row in rows] == [1, 2]
    assert rows[1].end_s - rows[1].start_s == pytest.approx(1.0, abs=3 * STEP_S)


@pytest.mark.parametrize(("missed", "numbers"), [((0,), [2, 3, 4]), ((2,), [1, 2, 4])])
def test_where_a_peck_was_missed_the_others_have_the_numbers_and_depths_of_the_program(missed, numbers):
    """They fit the known program in one way only."""
    pecks_mm = (8.0, 5.0, 3.0, 2.0)
    walk = Walk(job(pecks=pecks_mm, depth=sum(pecks_mm)))
    for out in ((), (), missed):
        walk.start().rest(3)
        for k, length_mm in enumerate(pecks_mm):
            if k in out:
                walk.rest(length_mm / FEED_MM_S + 1.0)
            else:
                walk.peck(length_mm)
        walk.stop().rest(5)
    rows = walk.cycle.rows[-len(numbers) :]
    assert [row.peck for row in rows] == numbers
    assert [row.depth_to_mm for row in rows] == pytest.approx([sum(pecks_mm[:k]) for k in numbers])
    assert {row.blank for row in rows} == {3}
    leads_s = walk.cycle.schedule.leads_s[True]
    assert max(leads_s) - min(leads_s) < 3 * STEP_S  # the missed one was the first contact


def test_another_sound_that_goes_on_after_a_peck_does_not_run_pecks_together():
    walk = batch()
    walk.begin_s = walk.t
    walk.peck(8.0).cut(6.6).stop()  # from the second contact on it never falls silent
    assert near(spans(walk), GOOD_SPANS)
    assert walk.kinds().count("peck_start") == 3


def test_a_first_peck_that_another_sound_ran_together_with_the_blank_before_is_of_the_next():
    """It goes on from the last peck of a blank until the first one of the next is over; no stop between."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0))).rest(1)
    for _ in range(3):
        walk.peck(8.0).peck(5.0).peck(5.0).rest(7)
    walk.cycle.rows.clear()
    walk.begin_s = walk.t
    pause_s = 4.0
    walk.peck(8.0).peck(5.0).cut(5 / FEED_MM_S + pause_s + 8 / FEED_MM_S).rest(1)
    walk.peck(5.0).peck(5.0)
    for _ in range(4):
        walk.rest(1)
        assert math.isnan(missed(walk))
    next_s = GOOD_SPANS[-1][1] + pause_s
    assert near(spans(walk), GOOD_SPANS + [(begin + next_s, end + next_s) for begin, end in GOOD_SPANS])
    assert [row.blank for row in walk.cycle.rows] == [4, 4, 4, 5, 5, 5]


def test_another_sound_before_a_contact_is_no_cut():
    walk = batch()
    walk.begin_s = walk.t
    walk.peck(8.0).cut(5 / FEED_MM_S).rest(0.35).cut(0.65 + 5 / FEED_MM_S).stop()
    assert near(spans(walk), GOOD_SPANS)


def test_a_touch_while_the_drill_is_out_is_no_peck():
    walk = batch()
    walk.begin_s = walk.t
    walk.cut(8 / FEED_MM_S).rest(0.3).cut(0.3).rest(0.4).peck(5.0).peck(5.0).stop()
    assert near(spans(walk), GOOD_SPANS)


def test_what_falls_silent_is_no_cut_whatever_the_program_says():
    walk = batch()
    walk.begin_s = walk.t
    walk.peck(8.0).cut(1.5).rest(6).stop()
    assert near(spans(walk), [(0.0, 4.4), (5.4, 6.9)])


def test_a_load_that_stays_is_a_peck_that_goes_on():
    walk = batch()
    walk.begin_s = walk.t
    walk.detector.load_shows, walk.detector.cut_sag = True, 0.01
    walk.peck(8.0).cut(8 / FEED_MM_S).rest(1).stop()
    assert near(spans(walk), [(0.0, 4.4), (5.4, 9.9)])


def test_a_program_that_was_changed_is_learned_however_the_one_before_reckons():
    walk = batch()
    for _ in range(4):
        walk.peck(12.0).peck(8.0).peck(8.0).stop().rest(1)
    walk.cycle.rows.clear()
    walk.begin_s = walk.t
    walk.peck(12.0).peck(8.0).peck(8.0).stop()
    assert near(spans(walk), [(0.0, 6.7), (7.7, 12.1), (13.1, 17.5)])


def test_a_person_who_pecks_by_hand_is_not_reckoned():
    walk = Walk(job(pecks=(8.0, 5.0, 5.0))).rest(1)
    for late in (0.0, 0.6, 0.3):
        walk.cut(8 / FEED_MM_S).rest(1 + late).cut(2.5 + 2 * late).rest(1.5 - late).cut(
            2.8 - late
        ).stop().rest(1)
    walk.cycle.rows.clear()
    walk.begin_s = walk.t
    walk.cut(8 / FEED_MM_S).rest(2.5).cut(4.2).rest(1).stop()
    assert near(spans(walk), [(0.0, 4.4), (6.9, 11.1)])
