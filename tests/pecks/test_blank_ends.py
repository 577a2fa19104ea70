"""When a blank is over and the next one begins, whether or not the spindle turns on."""

import pytest

from tests.pecks.walk import FEED_MM_S, Walk, job


def test_a_stop_ends_the_blank_and_the_next_counts_on():
    walk = Walk().rest(1)
    for _ in range(2):
        walk.peck(8.0).peck(5.0).stop().rest(1)
    assert [row.blank for row in walk.cycle.rows] == [1, 1, 2, 2]
    assert [row.peck for row in walk.cycle.rows] == [1, 2, 1, 2]
    assert walk.kinds().count("blank_end") == 2
    assert walk.cycle.rows[2].depth_from_mm == 0


def test_full_depth_and_a_pause_end_the_blank_though_the_spindle_turns_on():
    walk = Walk(job(pecks=(8.0,), depth=16.0)).rest(1).peck(8.0).rest(3)
    assert walk.cycle.in_blank  # half way, a pause is a pause
    walk.peck(8.0).rest(6)  # longer than the pause within the hole
    assert not walk.cycle.in_blank
    assert walk.kinds().count("blank_end") == 1


def test_a_first_cut_of_several_pecks_under_another_sound_tells_neither_depth_nor_gaps():
    """So a pause as short as a gap may be does not end the blank, though the hole seems through."""
    walk = Walk(job(pecks=(4.0, 4.0, 4.0, 4.0), depth=16.0)).rest(1)
    walk.peck(17.0).rest(2.5).peck(4.0)
    assert walk.kinds().count("blank_start") == 1
    walk.rest(8)
    assert walk.kinds().count("blank_end") == 1


def test_a_peck_that_another_sound_made_longer_hides_no_gap_where_all_pecks_were_heard():
    """The spindle turns on as the work is changed: else the batch would go on as one blank."""
    walk = Walk(job(pecks=(8.0, 4.0, 4.0), depth=16.0)).rest(1)
    walk.peck(8.0).peck(17.0).peck(4.0).rest(2.5)
    assert walk.kinds().count("blank_end") == 1
    walk.peck(8.0)
    assert walk.cycle.blank == 2


def test_all_pecks_heard_is_through_though_their_lengths_are_misdated():
    walk = Walk(job(pecks=(8.0, 2.0, 2.0, 2.0), depth=14.0)).rest(1).peck(7.0).peck(1.7).peck(1.5)
    assert not walk.cycle.through
    assert walk.peck(1.7).cycle.through


def test_what_comes_after_as_many_pecks_as_the_program_has_is_one_too_many():
    """A voice made one of the job's two: the last one is the third."""
    walk = Walk(job(pecks=(8.0, 5.0), depth=13.0)).rest(1).peck(1.0).rest(1)
    assert not walk.cycle.surplus
    walk.cut(2.0)
    assert not walk.cycle.surplus
    walk.rest(1)
    assert walk.cycle.surplus
    assert walk.cut(1.0).cycle.surplus
    assert not walk.stop().rest(1).cycle.surplus


@pytest.mark.parametrize(("sag", "blanks"), [(0.01, 2), (0.0, 1)])
def test_a_blank_is_changed_within_a_gap_where_the_spindle_turns_on(sag, blanks):
    """A deep hole is left and entered as slowly as the work is changed: what is drilled next, when all pecks
    were, is the next blank, and no peck too many. Another sound loads nothing."""
    walk = Walk(job(pecks=(8.0, 4.0, 4.0), depth=16.0)).rest(1)
    walk.detector.load_shows, walk.detector.cut_sag = True, 0.01
    for length_mm in (8.0, 4.0, 4.0):
        walk.peck(length_mm).rest(8)
    walk.cut(8.0 / FEED_MM_S, sag=sag)
    assert walk.kinds().count("blank_start") == blanks
    assert walk.cycle.peck == (1 if blanks == 2 else 4)
    assert walk.cycle.from_mm == (0.0 if blanks == 2 else pytest.approx(16.0))


@pytest.mark.parametrize(("changes_s", "blanks"), [((5.0, 8.0, 10.0), 2), ((5.0, 8.0, 6.0), 1)])
def test_where_load_does_not_show_the_next_blank_comes_after_the_longest_pause_yet(changes_s, blanks):
    """The way out and back grows with the depth: a peck more would come later than any before."""
    walk = Walk(job(pecks=(8.0, 4.0, 4.0), depth=16.0)).rest(1)
    for length_mm, seconds in zip((8.0, 4.0, 4.0), changes_s, strict=True):
        walk.cut(length_mm / FEED_MM_S, sag=0.0).rest(seconds)
    walk.cut(8.0 / FEED_MM_S, sag=0.0)
    assert walk.cycle.blank == blanks
    assert walk.cycle.peck == (1 if blanks == 2 else 4)


@pytest.mark.parametrize(("drilled", "sag", "told"), [(2, 0.0, 2), (1, 0.0, 2), (2, 0.01, 3)])
def test_more_blanks_than_the_batch_has_are_not_told_by_sound_alone(drilled, sag, told):
    """A grinder sounds like pecks that the program knows nothing of; what loads the spindle is cut."""
    batch = job(pecks=(8.0, 5.0, 5.0)).model_copy(update={"blanks": 2})
    walk = Walk(batch).rest(1)
    for _ in range(drilled):
        for length_mm in (8.0, 5.0, 5.0):
            walk.peck(length_mm)
        walk.rest(8)
    walk.cut(4.4, sag=sag).rest(0.8).cut(1.2, sag=sag).rest(25)
    assert walk.cycle.blank == told


@pytest.mark.parametrize(("sag", "blanks"), [(0.01, 2), (0.001, 1)])
def test_after_a_hole_deeper_than_any_a_loaded_cut_is_the_next_blanks(sag, blanks):
    """Rain hid the end of the last peck, and the change of the blank; what loads nothing may be rain too."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0))).rest(1)
    walk.detector.load_shows, walk.detector.cut_sag = True, 0.01
    walk.peck(8.0).rest(1.5).peck(5.0).rest(1.5).peck(15.0).rest(1.5).peck(8.0, sag=sag)
    assert walk.cycle.blank == blanks


def test_a_tap_after_the_last_peck_does_not_prolong_the_blank():
    walk = Walk(job(pecks=(8.0, 5.0), depth=13.0)).rest(1).peck(8.0).peck(5.0).rest(0.5)
    assert walk.cycle.in_blank
    walk.cut(0.1).rest(1.0)
    assert not walk.cycle.in_blank


def test_where_blanks_end_with_the_spindle_a_pause_ends_none():
    """Pecks that ran together in other sound have reached the depth before the last one comes."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0)))
    for _ in range(2):
        walk.rest(1).peck(8.0).peck(5.0).peck(5.0).stop()
    walk.rest(1).peck(8.0).peck(11.0).rest(2.5)
    assert walk.cycle.in_blank
    assert walk.peck(5.0).stop().cycle.blank == 3


def test_a_gap_between_two_blanks_is_none_of_the_cycle():
    """The end of a blank was missed once: the next one is over as soon as ever."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0)))
    walk.rest(1).peck(8.0).peck(5.0).peck(5.0).rest(20).peck(8.0).peck(5.0).peck(5.0).rest(1)
    for _ in range(2):
        walk.rest(9).peck(8.0).peck(5.0).peck(5.0)
    walk.rest(9)
    assert walk.cycle.blank == 4


def test_a_drill_that_falls_silent_is_waited_for_as_long_as_it_would_feed_on():
    """Its peck ended at once, and the next one takes long too: the blank is not over, whatever the pause."""
    slow = job(pecks=(40.0, 40.0), depth=80.0)
    walk = Walk(slow).rest(1).cut(1.0).rest(40.0)
    assert walk.cycle.in_blank
    assert not walk.rest(20.0).cycle.in_blank


def test_no_blank_is_changed_in_a_fraction_of_the_time_that_it_takes():
    """What sounds like pecks so soon, and like none of the program, is another sound, however long."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0))).rest(1)
    for _ in range(4):
        walk.peck(8.0).peck(5.0).peck(5.0).rest(9)
    walk.peck(8.0).peck(5.0).peck(5.0)
    walk.rest(1.5).cut(3.0).rest(0.6).cut(5.5).rest(9).stop()
    assert walk.cycle.blank == 5
    walk.rest(2).peck(8.0).peck(5.0).peck(5.0).stop()
    assert [row.blank for row in walk.cycle.rows[-3:]] == [6, 6, 6]
