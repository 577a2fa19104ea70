"""What sounded like a peck and was none: an axis, a touch, a blast of air."""

import pytest

from tests.pecks.walk import FEED_MM_S, Walk, job


def test_an_axis_that_brings_the_drill_is_no_peck_once_one_was_heard():
    """It was over sooner than a first peck, which could not have been followed by the second one so soon."""
    walk = Walk(job(pecks=(8.0, 5.0), depth=13.0)).rest(1).cut(0.8).rest(1.0)
    assert walk.cycle.peck == 1
    walk.peck(8.0)
    assert (walk.cycle.peck, walk.cycle.depth_mm) == (1, pytest.approx(8.0))
    told = walk.events[-1].message  # to a reader of the events, who was told of a peck 2
    assert told.startswith("Peck 1 ends at 8.0 mm. It was told as peck 2: what was taken for pecks before")
    walk.peck(5.0).stop()
    assert [event.message for event in walk.events if "none" in event.message] == [told]
    assert walk.cycle.blank == 1
    assert [(row.peck, row.depth_to_mm) for row in walk.cycle.rows] == [(1, 8.0), (2, 13.0)]
    assert walk.cycle.schedule.learned
    assert walk.cycle.schedule.as_job


def test_a_first_peck_that_ended_early_stays_one_if_the_second_comes_in_its_time():
    walk = Walk(job(pecks=(8.0, 8.0), depth=16.0)).rest(1).cut(0.8)
    walk.rest(8 / FEED_MM_S + 1.0).peck(8.0)
    assert walk.cycle.peck == 2


@pytest.mark.parametrize(("gap_s", "pecks"), [(1.0, 2), (0.6, 1)])
def test_a_first_peck_that_was_heard_late_stays_one_if_the_second_comes_a_gap_later(gap_s, pecks):
    """Else it was an axis that brought the drill."""
    walk = Walk(job(pecks=(5.5, 5.0, 5.0), depth=15.5)).rest(1)
    walk.peck(5.5).peck(5.0).peck(5.0).stop().start().rest(1)
    walk.cut(2.5 / FEED_MM_S).rest(gap_s).peck(5.0)
    assert len(walk.cycle.heard) == pecks


def test_a_sound_before_the_program_is_back_is_no_peck():
    """A peck ends early; its drill feeds on, and a blast of air cannot be the next contact."""
    walk = Walk(job(pecks=(8.0, 8.0, 8.0), depth=24.0)).rest(1).peck(8.0).cut(1.0).rest(1.5)
    assert not walk.cycle.touched
    ended_s = walk.cycle.last_end_s
    walk.cut(0.5).rest(1.0)
    assert walk.cycle.touched
    assert (walk.cycle.peck, len(walk.cycle.heard), walk.cycle.last_end_s) == (2, 2, ended_s)
    assert "touched" in walk.events[-1].message
    walk.rest(2.0).peck(8.0)
    assert not walk.cycle.touched
    assert walk.cycle.peck == 3


def test_where_load_shows_a_short_sound_without_it_is_no_peck():
    walk = Walk(job(pecks=(8.0, 8.0), depth=16.0))
    walk.detector.load_shows, walk.detector.cut_sag = True, 0.01
    walk.rest(1).peck(8.0).cut(0.8, sag=0.001).rest(1)
    assert (walk.cycle.touched, walk.cycle.peck) == (True, 1)
    walk.peck(8.0)
    assert (walk.cycle.touched, walk.cycle.peck) == (False, 2)


@pytest.mark.parametrize(("mm", "touched"), [(2.0, True), (8.0, False)])
def test_where_the_program_is_known_what_loads_nothing_touches_only_after_a_peck_that_ended_early(
    mm, touched
):
    walk = Walk(job(pecks=(8.0, 8.0), depth=16.0)).rest(1).peck(8.0).peck(8.0).stop().rest(1)
    assert walk.cycle.schedule.known
    walk.detector.load_shows, walk.detector.cut_sag = True, 0.01
    walk.peck(mm).rest(6.0).cut(0.8, sag=0.001).rest(1)
    assert walk.cycle.touched is touched


def test_a_short_sound_with_some_load_is_a_peck_that_was_cut_short():
    """A motor has not answered in full; and the last peck of a hole is faint."""
    walk = Walk(job(pecks=(8.0, 8.0), depth=16.0))
    walk.detector.load_shows, walk.detector.cut_sag = True, 0.01
    walk.rest(1).peck(8.0).cut(0.8, sag=0.003).rest(1)
    assert (walk.cycle.touched, walk.cycle.peck) == (False, 2)
