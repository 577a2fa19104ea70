"""A peck, from contact to retract: when it is told, what is known of it, when it takes too long."""

import math

import pytest

from monitor.pecks import follow
from monitor.pecks.cut import APART_S, CONFIRM_S
from tests.hops import STEP_S
from tests.pecks.walk import FEED_MM_S, Walk, job


def test_a_tap_shorter_than_contact_is_nothing():
    walk = Walk().rest(1).cut(CONFIRM_S - STEP_S).rest(1)
    assert walk.events == []
    assert walk.cycle.rows == []
    assert not walk.cycle.in_blank


def test_a_lull_within_a_peck_is_one_peck():
    walk = Walk().rest(1).cut(2).rest(APART_S - 2 * STEP_S).cut(2).rest(1)
    assert walk.kinds() == ["blank_start", "peck_start", "peck_end"]


def test_the_end_of_the_recording_closes_what_is_open():
    walk = Walk().rest(1).cut(3)
    walk.events += follow.finish(walk.cycle, walk.t)
    assert walk.kinds() == ["blank_start", "peck_start", "peck_end", "blank_end"]
    assert walk.cycle.rows[0].end_s == pytest.approx(walk.t)
    assert list(follow.finish(walk.cycle, walk.t)) == []


def test_place_is_the_depth_now():
    walk = Walk().rest(1)
    assert (walk.cycle.place.blank, walk.cycle.place.peck) == (0, 0)
    walk.peck(8.0).cut(1.0)
    place = walk.cycle.place
    assert (place.blank, place.peck) == (1, 2)
    assert place.depth_mm == pytest.approx(8 + FEED_MM_S, abs=0.15)


def test_a_lull_shorter_than_half_a_gap_is_none_once_gaps_are_known():
    """An eccentric blank that turns slowly is silent for some of each turn."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0))).rest(1).peck(8.0).peck(5.0).peck(5.0).stop().rest(1)
    walk.cut(2.0).rest(APART_S + STEP_S).cut(2.0).rest(1.0)
    assert [peck.gap_s for peck in walk.cycle.heard] == pytest.approx([math.nan], nan_ok=True)


@pytest.mark.parametrize(
    ("mm", "beat", "beats"), [(8.0, 5.0, True), (8.0, 1.0, False), (8.0, 2.0, True), (2.5, 2.0, False)]
)
def test_a_cut_that_beats_as_the_lips_come_round_is_told_as_such(mm, beat, beats):
    """A long one by less, for noise beats so in few of many looks."""
    walk = Walk().rest(1).peck(mm, beat=beat)
    assert walk.cycle.heard[0].beats is beats
    assert walk.cycle.heard[0].sure


def test_no_program_drills_deeper_than_the_hole():
    """Two pecks ran together in other sound: the last one is over when the hole is through."""
    walk = Walk(job(pecks=(6.0, 4.0, 4.0), depth=14.0)).rest(1).peck(6.0).peck(7.5)
    walk.cut(4.3 / FEED_MM_S)
    assert not walk.cycle.overrun
    assert walk.cut(1.0 / FEED_MM_S).cycle.overrun


def test_a_cut_without_the_load_of_cuts_is_not_sure_where_load_tells():
    walk = Walk()
    walk.detector.load_shows, walk.detector.cut_sag = True, 0.01
    walk.rest(1).peck(8.0).cut(5.0 / FEED_MM_S, sag=0.001).rest(1.0)
    assert [peck.sure for peck in walk.cycle.heard] == [True, False]


def test_a_cut_that_outlasts_its_peck_is_told_once_a_peck_was_heard():
    walk = Walk().rest(1).peck(8.0).cut(5.0 / FEED_MM_S)
    assert not walk.cycle.overrun
    assert walk.cut(1.0).cycle.overrun


def test_a_first_peck_may_take_twice_as_long_as_the_job_says():
    """Feeds are overridden down to a half."""
    walk = Walk().rest(1).cut(1.9 * 8.0 / FEED_MM_S)
    assert not walk.cycle.overrun
    assert walk.cut(0.6 * 8.0 / FEED_MM_S).cycle.overrun


def test_the_point_enters_in_the_first_peck_alone():
    """1.8 mm high of a drill of 6 mm, at 1.8 mm a second."""
    walk = Walk().rest(1)
    assert walk.cycle.entered == 1.0
    walk.cut(0.5)
    assert walk.cycle.entered == pytest.approx(0.5, abs=0.1)
    assert walk.cut(0.6).cycle.entered == 1.0
    assert walk.cut(3.0).rest(1.0).cut(0.5).cycle.entered == 1.0
