"""The centre drill, told by its speed, or by its turn and length."""

import math

import pytest

from monitor.measurements import Event, Kind, Severity
from monitor.pecks import follow
from tests.hops import STEP_S, hop, rotation, times
from tests.pecks.walk import FEED_MM_S, Walk, job


def test_spot_drilling_is_told_by_its_speed_and_is_no_peck():
    walk = Walk(job(spot_rpm=2000.0)).rest(1)
    walk.cut(1.0, spindle_hz=2000 / 60).rest(1.0, spindle_hz=2000 / 60)
    assert walk.kinds() == ["blank_start", "spot_start", "spot_end"]
    walk.peck(8.0)
    assert walk.kinds()[3:] == ["peck_start", "peck_end"]
    (row,) = walk.stop().cycle.rows
    assert (row.blank, row.peck, row.depth_from_mm) == (1, 1, 0.0)


def test_what_sounds_on_as_the_spindle_leaves_the_speed_of_the_centre_drill_is_another_sound():
    """Until it loads the spindle."""
    walk = Walk(job(spot_rpm=2000.0)).rest(1)
    walk.detector.load_shows, walk.detector.cut_sag = True, 0.01
    walk.detector.cutting, walk.detector.onset_s = True, 1.0
    for now, free in (({"spindle_hz": 2000 / 60}, {"reference_hz": 2000 / 60}), ({}, {})):
        for t in times(1.0, walk.t):
            walk.hear(t, hop(t, **now), rotation(sag=0.0, **free))
        walk.t += 1.0
    assert walk.kinds() == ["blank_start", "spot_start", "spot_end"]
    assert walk.events[-1].onset_s == pytest.approx(2.0, abs=2 * STEP_S)
    walk.cut(1.5)
    assert walk.kinds()[3:] == ["peck_start"]
    assert walk.events[-1].onset_s == pytest.approx(3.0, abs=3 * STEP_S)


def test_a_centre_drill_after_pecks_begins_the_next_blank():
    walk = Walk(job(spot_rpm=2000.0)).rest(1)
    for _ in range(2):
        walk.cut(1.0, spindle_hz=2000 / 60).rest(1.0, spindle_hz=2000 / 60).peck(8.0).rest(7)
    spotted = ["blank_start", "spot_start", "spot_end", "peck_start", "peck_end"]
    assert walk.kinds() == [*spotted, "blank_end", *spotted]
    assert [(row.blank, row.peck) for row in walk.stop().cycle.rows] == [(1, 1), (2, 1)]


def test_one_restart_after_a_centre_drill_says_nothing_of_the_next_blanks():
    walk = Walk(job(pecks=(8.0, 5.0, 5.0), spot_rpm=900.0)).rest(1)
    for k in range(4):
        walk.start().rest(2).cut(1.0).rest(2)
        if k == 0:
            walk.stop().rest(1).start()
        walk.rest(2).peck(8.0).peck(5.0).peck(5.0).stop().rest(4)
    assert walk.start().rest(1).cycle.first_contact_due.s > walk.t


def drilled(walk, pecks=(8.0, 5.0, 5.0), spot_s=1.0, change_s=4.0):
    """A blank that is centre drilled at the drill's speed, on a spindle that stops after it."""
    walk.start().rest(2)
    if spot_s:
        walk.cut(spot_s).rest(change_s)
    for mm in pecks:
        walk.peck(mm)
    return walk.stop().rest(3)


@pytest.mark.parametrize("spot_rpm", [900.0, 880.0])
@pytest.mark.parametrize("stops", [True, False])
def test_a_centre_drill_at_the_drills_speed_is_told_by_its_turn(spot_rpm, stops):
    """Whether or not the spindle stops while the tool is changed."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0), spot_rpm=spot_rpm)).rest(1)
    for _ in range(2):
        walk.cut(1.0)
        assert walk.cycle.spotting is (spot_rpm != 900.0)  # a drill at its own speed binds
        assert walk.cycle.spots_at_speed
        walk.rest(2.0)
        assert walk.cycle.spotting
        if stops:
            walk.stop().rest(1.0).start()
        walk.rest(2.0).peck(8.0).peck(5.0).peck(5.0).stop().rest(4)
    pecked = ["peck_start", "peck_end"] * 3
    assert walk.kinds() == ["blank_start", "spot_start", "spot_end", *pecked, "blank_end"] * 2
    rows = walk.cycle.rows
    assert [(row.blank, row.peck) for row in rows] == [(b, k) for b in (1, 2) for k in (1, 2, 3)]
    assert [row.depth_to_mm for row in rows] == pytest.approx([8.0, 13.0, 18.0] * 2)
    assert [known.middle for known in walk.cycle.schedule.lengths] == pytest.approx([8.0, 5.0, 5.0], abs=0.2)


def test_after_a_centre_drill_at_the_drills_speed_the_first_contact_is_due_as_it_was_twice():
    """The drill may have broken in the blank before; the spindle turns on."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0), spot_rpm=900.0)).rest(1)
    for _ in range(2):
        walk.cut(1.0).rest(4.0)
        assert math.isnan(walk.cycle.first_contact_due.s)
        walk.peck(8.0).peck(5.0).peck(5.0).rest(9)
    assert math.isnan(walk.cycle.first_contact_due.s)
    out_s = walk.cut(1.0).t
    assert 4.0 < walk.rest(1.0).cycle.first_contact_due.s - out_s < 5.5
    walk.rest(3.0).cut(1.0)
    assert math.isnan(walk.cycle.first_contact_due.s)


def test_where_no_centre_drill_is_heard_at_the_drills_speed_a_first_peck_is_one():
    """It goes on for longer; and after two such blanks no centre drill is expected."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0), spot_rpm=900.0))
    drilled(drilled(walk), spot_s=0.0)
    assert [row.depth_to_mm for row in walk.cycle.rows] == pytest.approx([8.0, 13.0, 18.0] * 2)
    assert walk.kinds().count("spot_start") == 1
    drilled(walk, spot_s=0.0).start().rest(2).cut(0.5)
    assert walk.cycle.peck == 1


def test_a_first_peck_that_is_taken_for_a_centre_drill_is_found_out_by_the_others():
    """A centre drill too faint to be heard, and a first peck that is heard late."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0), spot_rpm=900.0))
    for _ in range(4):
        walk.start().rest(2).peck(4.5).peck(5.0).peck(5.0).stop().rest(3)
    assert walk.kinds().count("spot_start") == 2
    assert [row.peck for row in walk.cycle.rows] == [1, 2, 1, 2, 1, 2, 3, 1, 2, 3]


def test_a_blank_that_is_changed_within_a_gap_begins_with_its_centre_drill():
    """The spindle turns on, and a person is as quick as the axis."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0), spot_rpm=900.0)).rest(1)
    walk.detector.load_shows, walk.detector.cut_sag = True, 0.01
    for _ in range(3):
        walk.cut(1.0).rest(4.0)
        for mm in (8.0, 5.0, 5.0):
            walk.cut(mm / FEED_MM_S).rest(3.0)
    assert walk.kinds().count("spot_start") == 3
    assert [(row.blank, row.peck) for row in walk.stop().cycle.rows] == [
        (blank, peck) for blank in (1, 2, 3) for peck in (1, 2, 3)
    ]


def test_another_sound_before_the_centre_drill_makes_no_peck_of_it():
    """It is as long as always, what was taken for it was not, and no tool is changed so soon."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0), spot_rpm=900.0))
    drilled(walk).start().rest(1).cut(2.0).rest(0.5).cut(1.0).rest(0.5)
    assert walk.cycle.spotting
    walk.rest(3.5).peck(8.0).peck(5.0).peck(5.0).stop()
    assert [row.depth_to_mm for row in walk.cycle.rows] == pytest.approx([8.0, 13.0, 18.0] * 2)
    drilled(walk).start().rest(2).cut(2.0).rest(4.0).cut(1.0).rest(0.5)
    assert len(walk.cycle.heard) == 1  # a drill that breaks as soon, after a longer centre drill


def test_a_centre_drill_that_is_in_for_as_long_as_a_first_peck_is_known_by_the_pecks_after_it():
    walk = Walk(job(pecks=(3.0, 5.0, 5.0), depth=13.0, spot_rpm=900.0))
    for _ in range(2):
        drilled(walk, pecks=(3.0, 5.0, 5.0), spot_s=1.7)
    assert [row.depth_to_mm for row in walk.cycle.rows] == pytest.approx([3.0, 8.0, 13.0] * 2, abs=0.2)
    assert walk.kinds().count("spot_start") == 1  # in the second blank it is known as it comes


def test_a_centre_drill_that_no_job_names_is_learned():
    """A short contact, a longer wait than any between pecks, and then the job's own pecks."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0)))
    drilled(drilled(walk))
    assert [row.depth_to_mm for row in walk.cycle.rows] == pytest.approx([8.0, 13.0, 18.0] * 2, abs=0.2)
    assert [row.peck for row in walk.cycle.rows] == [1, 2, 3] * 2
    assert walk.kinds().count("spot_start") == 1
    assert walk.cycle.schedule.as_job
    assert walk.cycle.schedule.count == 3


def test_where_no_tool_can_have_been_changed_the_centre_drill_that_no_job_names_was_the_first_peck():
    """What was learned of one blank may have been an air gun before it."""
    for gap_s, was_a_peck in ((1.0, True), (4.0, False)):
        walk = Walk(job(pecks=(3.0, 3.0, 3.0), depth=9.0)).start().rest(2).cut(1.2).rest(4.0)
        walk.peck(3.0).peck(3.0).peck(3.0).stop().rest(3).start().rest(2)
        walk.cut(3.0 / FEED_MM_S).rest(gap_s).peck(3.0)
        assert walk.kinds().count("spot_start") == 1
        assert walk.cycle.spot_was_a_peck is was_a_peck


def test_a_centre_drill_after_which_a_hold_came_is_learned_from_two_blanks():
    """The drill may have broken, and been changed: then the first contact is a peck in the next blank."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0)))
    for blank in (1, 2, 3):
        walk.start().rest(2).cut(1.0).rest(2.0)
        assert walk.cycle.spotting is (blank == 3)
        follow.note(
            walk.cycle, Event(walk.t, Kind.LOST_CUT, Severity.HOLD, "no contact came", blank=blank, peck=1)
        )
        walk.rest(2.0).peck(8.0).peck(5.0).peck(5.0).stop().rest(3)
    assert walk.kinds().count("spot_start") == 1


@pytest.mark.parametrize(
    ("pecks", "change_s"), [((2.0, 8.0, 5.0, 5.0), 1.0), ((2.0, 8.0, 5.0), 4.0), ((7.0, 8.0, 5.0, 5.0), 4.0)]
)
def test_a_first_peck_that_is_short_or_one_peck_more_is_no_centre_drill(pecks, change_s):
    """Where the wait after it is a gap, or no peck is too many, or it is as long as one."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0)))
    for _ in range(3):
        walk.start().rest(2)
        walk.cut(pecks[0] / FEED_MM_S).rest(change_s)
        for mm in pecks[1:]:
            walk.peck(mm)
        walk.stop().rest(3)
    assert "spot_start" not in walk.kinds()


def test_within_a_gap_another_machine_at_the_speed_of_the_centre_drill_spots_no_blank():
    """A blank is not changed within the second or two between pecks."""
    walk = Walk(job(spot_rpm=2000.0)).rest(1)
    walk.cut(1.0, spindle_hz=2000 / 60).rest(1.0, spindle_hz=2000 / 60).peck(8.0).rest(1.5)
    walk.cut(1.0, spindle_hz=2000 / 60).rest(1.0).peck(5.0)
    assert walk.kinds().count("blank_start") == 1
    assert walk.kinds().count("spot_start") == 1


def test_while_the_free_speed_is_that_of_the_centre_drill_nothing_is_drilled():
    """Its fall to the drill's speed is the program's, whatever was counted before."""
    walk = Walk(job(spot_rpm=2000.0)).rest(1).peck(8.0)
    assert not walk.cycle.spotting
    for _ in range(2):  # within the blank, and before the next
        walk.hear(walk.t, hop(walk.t), rotation(reference_hz=2000 / 60))
        assert walk.cycle.spotting
        walk.stop()


def test_a_recording_that_ends_after_a_spot_is_no_blank_to_learn_from():
    walk = Walk(job(spot_rpm=2000.0)).rest(1).cut(1.0, spindle_hz=2000 / 60).rest(1)
    walk.events += follow.finish(walk.cycle, walk.t)
    assert walk.kinds() == ["blank_start", "spot_start", "spot_end", "blank_end"]


def test_spotting_until_the_first_peck_and_through_at_full_depth():
    walk = Walk(job(spot_rpm=2000.0)).rest(1)
    assert not walk.cycle.spotting
    walk.cut(1.0, spindle_hz=2000 / 60).rest(0.5, spindle_hz=2000 / 60)
    assert walk.cycle.spotting
    walk.peck(8.0)
    assert not walk.cycle.spotting
    walk.peck(5.0).peck(2.0).peck(2.0)
    assert not walk.cycle.through
    walk.cut(0.8)
    assert not walk.cycle.through  # the cut that gets there has not ended
    walk.rest(1)
    assert walk.cycle.through
    assert not walk.stop().cycle.through


def test_at_the_drills_speed_the_first_peck_is_no_spot_before_it_is_told():
    walk = Walk(job(spot_rpm=2000.0)).rest(1).cut(1.0, spindle_hz=2000 / 60).rest(0.5, spindle_hz=2000 / 60)
    assert walk.rest(0.5).cycle.spotting
    walk.cut(0.15)
    assert not walk.cycle.peck
    assert not walk.cycle.spotting


def blank_of(walk, spots):
    """A blank of three pecks; ``spots``: after the centre drill, at its own speed."""
    if spots:
        spot_hz = 2000 / 60
        for k, t in enumerate(times(2.0, walk.t)):
            walk.detector.cutting = 0.5 < t - walk.t <= 1.5
            walk.detector.onset_s, walk.detector.end_s = walk.t + 0.5, walk.t + 1.5
            walk.hear(t, hop(t, spindle_hz=spot_hz), rotation(reference_hz=spot_hz, changed=k == 0))
        walk.t += 2.0
        walk.hear(walk.t + STEP_S, hop(walk.t + STEP_S), rotation(changed=True))
        walk.t += STEP_S
    walk.rest(1)
    for length_mm in (8.0, 5.0, 5.0):
        walk.peck(length_mm)
    walk.rest(4)


@pytest.mark.parametrize(("spots", "plain", "counted"), [(True, 0, 2), (False, 0, 3), (True, 2, 5)])
def test_what_begins_without_the_centre_drill_is_no_blank_though_it_was_held(spots, plain, counted):
    """A program that spots at another speed sends the spindle there before each blank, until it stops to."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0), spot_rpm=2000.0 if spots else None)).rest(1)
    blank_of(walk, spots)
    for _ in range(plain):
        blank_of(walk, False)
    walk.cut(1.0)
    follow.note(walk.cycle, Event(walk.t, Kind.STALL, Severity.HOLD, "Stalled."))
    walk.rest(20)
    blank_of(walk, spots and not plain)
    assert max(row.blank for row in walk.stop().cycle.rows) == counted


def test_a_first_peck_whose_centre_drill_was_not_heard_is_a_cut_like_others():
    """Another sound covers the centre drill: what binds in the peck after it is told all the same."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0), spot_rpm=2000.0)).rest(1)
    blank_of(walk, True)
    blank_of(walk, True)
    walk.rest(7).cut(1.0)
    assert walk.cycle.in_cut
    assert not walk.cycle.unlikely
