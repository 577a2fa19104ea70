"""Blanks and pecks from the cut, depth from turns, and the depth at which load began to climb."""

import math
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.cutting import EVIDENCE_MOST
from monitor.job import Job, expand_pecks
from monitor.measurements import Event, Kind, Severity
from monitor.pecks import follow
from monitor.pecks.begin import MOSTLY
from monitor.pecks.cut import APART_S, CONFIRM_S
from monitor.pecks.cycle import Cycle
from monitor.pecks.rows import climb_depth
from monitor.planning.flutes import flute_fill
from monitor.schedule import HeardPeck
from monitor.spindle import SpindleState
from tests.hops import STEP_S, hop, rotation, silent, times

FEED_MM_S = 15 * 0.12  # 900 rpm, 0.12 mm a turn
BULKING = 2.4


def job(pecks=(8.0, 5.0, 2.0), depth=18.0, spot_rpm=None):
    return Job(
        name="pulls (synthetic)", blanks=1, material="acrylic", spindle_rpm=900, spot_rpm=spot_rpm,
        drill_diameter_mm=6, flutes=2, flute_length_mm=15, feed_mm_per_rev=0.12, depth_mm=depth,
        pecks_mm=expand_pecks(pecks, depth),
    )  # fmt: skip


class Walk:
    """A cycle and a detector that says what it is told, with exact edges."""

    def __init__(self, drilling=None):
        self.cycle = Cycle(drilling or job(), BULKING)
        self.detector = SimpleNamespace(
            cutting=False, onset_s=math.nan, end_s=math.nan, strength=0.0, load_shows=False, cut_sag=math.nan,
            evidence=0.0, level_db=0.0, rise_db=math.nan, load_tells=False, idle_sag_sd=0.0015,
        )  # fmt: skip
        self.t = 0.0
        self.events = []

    def _step(self, t, heard, turning):
        self.detector.evidence = EVIDENCE_MOST if self.detector.cutting else -EVIDENCE_MOST
        self.detector.level_db = heard.over_db
        self.events += follow.step(self.cycle, heard, turning, self.detector)

    def rest(self, seconds, **changes):
        if self.detector.cutting:
            self.detector.cutting, self.detector.end_s = False, self.t
        for t in times(seconds, self.t):
            self._step(t, hop(t, **changes), rotation())
        self.t += seconds
        return self

    def cut(self, seconds, sag=0.01, **changes):
        if not self.detector.cutting:
            self.detector.cutting, self.detector.onset_s = True, self.t
        for t in times(seconds, self.t):
            now = sag(t - self.t) if callable(sag) else sag
            self._step(t, hop(t, **{"over_db": 9.0, **changes}), rotation(sag=now))
        self.t += seconds
        return self

    def peck(self, mm, **changes):
        return self.cut(mm / FEED_MM_S, **changes).rest(1.0)

    def stop(self):
        self.detector.cutting, self.detector.end_s = False, self.t
        self._step(
            self.t + STEP_S, silent(self.t + STEP_S), rotation(state=SpindleState.STOPPED, vanished=True)
        )
        self.t += STEP_S
        return self

    def start(self):
        self._step(self.t + STEP_S, hop(self.t + STEP_S), rotation(started=True))
        self.t += STEP_S
        return self

    def kinds(self):
        return [event.kind.value for event in self.events]


def test_a_tap_shorter_than_contact_is_nothing():
    walk = Walk().rest(1).cut(CONFIRM_S - STEP_S).rest(1)
    assert walk.events == []
    assert walk.cycle.rows == []
    assert not walk.cycle.in_blank


def test_one_peck_makes_a_blank_and_its_row():
    walk = Walk().rest(1)
    walk.peck(8.0)
    assert walk.kinds() == ["blank_start", "peck_start", "peck_end"]
    begin, _, end = walk.events
    assert (begin.t, begin.onset_s) == (pytest.approx(1 + CONFIRM_S, abs=STEP_S + 1e-9), pytest.approx(1.0))
    assert (end.onset_s, end.depth_mm) == (pytest.approx(1 + 8 / FEED_MM_S, abs=STEP_S), pytest.approx(8.0))
    assert walk.cycle.rows == []  # dated once the blank is over
    (row,) = walk.stop().cycle.rows
    assert (row.blank, row.peck, row.depth_from_mm, row.depth_to_mm) == (1, 1, 0.0, pytest.approx(8.0))
    assert (row.start_s, row.end_s) == (pytest.approx(1.0), pytest.approx(1 + 8 / FEED_MM_S, abs=STEP_S))
    assert (row.mean_sag_pct, row.max_sag_pct) == (pytest.approx(1.0), pytest.approx(1.0))
    assert row.mean_cut_level_db == pytest.approx(9.0)
    assert row.worst_event == ""


def test_a_whole_schedule_lands_on_its_depths_and_fills():
    walk = Walk().rest(1)
    schedule = job().pecks_mm
    for mm in schedule:
        walk.peck(1.1 * mm)  # contact and end are known to about a tenth of a second
    walk.stop()
    rows = walk.cycle.rows
    assert [row.peck for row in rows] == [1, 2, 3, 4, 5]
    np.testing.assert_allclose([row.depth_to_mm for row in rows], np.cumsum(schedule))
    for row in rows:
        removed = row.depth_to_mm - row.depth_from_mm
        assert row.flute_fill == pytest.approx(flute_fill(removed, row.depth_to_mm, 15.0, BULKING))
    assert rows[0].flute_fill == 0  # shallower than the flutes are long: chips leave
    assert rows[-1].flute_fill == pytest.approx(2.4 * 1.0 / (0.45 * 15.0), rel=0.01)  # the last millimetre
    assert walk.kinds()[-1] == "blank_end"
    assert "after 5 pecks" in walk.events[-1].message


def test_a_peck_unlike_the_schedule_keeps_its_own_length():
    walk = Walk().rest(1).peck(4.0)
    assert walk.stop().cycle.rows[0].depth_to_mm == pytest.approx(4.0, abs=0.2)


def test_depth_never_passes_the_hole():
    walk = Walk().rest(1).peck(40.0)
    assert walk.events[-1].depth_mm == 18.0
    assert walk.stop().cycle.rows[0].depth_to_mm == 18.0


def test_a_contact_that_was_quiet_from_the_first_is_a_peck_of_a_hop():
    """Told by its load alone: where it ended is not heard, and a time of nothing has no feed."""
    walk = Walk().rest(1).cut(0.5)
    walk.detector.cutting, walk.detector.end_s = False, 1.0  # heard no later than it began
    for t in times(1.0, walk.t):
        walk._step(t, hop(t), rotation())
    walk.t += 1.0
    (row,) = walk.stop().cycle.rows
    assert row.end_s - row.start_s >= STEP_S - 1e-9
    assert row.depth_to_mm > row.depth_from_mm
    assert all(peck.seconds > 0 and peck.length_mm > 0 for peck in walk.cycle.heard)


def test_a_lull_within_a_peck_is_one_peck():
    walk = Walk().rest(1).cut(2).rest(APART_S - 2 * STEP_S).cut(2).rest(1)
    assert walk.kinds() == ["blank_start", "peck_start", "peck_end"]


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
            walk._step(t, hop(t, **now), rotation(sag=0.0, **free))
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
    assert walk.start().rest(1).cycle.first_contact_due_s > walk.t


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
        assert math.isnan(walk.cycle.first_contact_due_s)
        walk.peck(8.0).peck(5.0).peck(5.0).rest(9)
    assert math.isnan(walk.cycle.first_contact_due_s)
    out_s = walk.cut(1.0).t
    assert 4.0 < walk.rest(1.0).cycle.first_contact_due_s - out_s < 5.5
    walk.rest(3.0).cut(1.0)
    assert math.isnan(walk.cycle.first_contact_due_s)


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


def test_while_the_free_speed_is_that_of_the_centre_drill_nothing_is_drilled():
    """Its fall to the drill's speed is the program's, whatever was counted before."""
    walk = Walk(job(spot_rpm=2000.0)).rest(1).peck(8.0)
    assert not walk.cycle.spotting
    for _ in range(2):  # within the blank, and before the next
        walk._step(walk.t, hop(walk.t), rotation(reference_hz=2000 / 60))
        assert walk.cycle.spotting
        walk.stop()


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


def test_the_end_of_the_recording_closes_what_is_open():
    walk = Walk().rest(1).cut(3)
    walk.events += follow.finish(walk.cycle, walk.t)
    assert walk.kinds() == ["blank_start", "peck_start", "peck_end", "blank_end"]
    assert walk.cycle.rows[0].end_s == pytest.approx(walk.t)
    assert list(follow.finish(walk.cycle, walk.t)) == []


def test_the_worst_event_of_a_peck_is_in_its_row():
    walk = Walk().rest(1).cut(2)
    for kind, severity in (
        (Kind.MASKED, Severity.INFO), (Kind.CHATTER, Severity.WARNING), (Kind.SAG, Severity.HOLD),
        (Kind.PACKING, Severity.WARNING),
    ):  # fmt: skip
        follow.note(walk.cycle, Event(walk.t, kind, severity, "."))
    assert walk.rest(1).stop().cycle.rows[0].worst_event == "sag"


def test_an_info_is_no_worst_event():
    walk = Walk().rest(1).cut(2)
    follow.note(walk.cycle, Event(walk.t, Kind.MASKED, Severity.INFO, "."))
    assert walk.rest(1).stop().cycle.rows[0].worst_event == ""


def test_unknown_sag_leaves_the_row_empty_there():
    row = Walk().rest(1).peck(8.0, sag=math.nan).stop().cycle.rows[0]
    assert math.isnan(row.mean_sag_pct)
    assert math.isnan(row.max_sag_pct)
    assert math.isnan(row.climb_depth_mm)


def test_place_is_the_depth_now():
    walk = Walk().rest(1)
    assert (walk.cycle.place.blank, walk.cycle.place.peck) == (0, 0)
    walk.peck(8.0).cut(1.0)
    place = walk.cycle.place
    assert (place.blank, place.peck) == (1, 2)
    assert place.depth_mm == pytest.approx(8 + FEED_MM_S, abs=0.15)


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


def test_a_lull_shorter_than_half_a_gap_is_none_once_gaps_are_known():
    """An eccentric blank that turns slowly is silent for some of each turn."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0))).rest(1).peck(8.0).peck(5.0).peck(5.0).stop().rest(1)
    walk.cut(2.0).rest(APART_S + STEP_S).cut(2.0).rest(1.0)
    assert [peck.gap_s for peck in walk.cycle.heard] == pytest.approx([math.nan], nan_ok=True)


def test_another_number_of_pecks_is_learned_when_it_was_heard_twice():
    """A sound of the workshop may have made one of two pecks, or two of one."""
    walk = Walk().rest(1).peck(8.0).peck(5.0).stop().rest(1)
    assert not walk.cycle.schedule.learned
    walk.peck(8.0).peck(7.0).stop().rest(1)
    assert not walk.cycle.schedule.learned  # nor was that the same
    walk.peck(8.0).peck(7.0).stop().rest(1)
    assert (walk.cycle.schedule.count, walk.cycle.schedule.blanks) == (2, 2)


def test_a_sound_between_blanks_does_not_teach_a_hole_of_one_short_peck():
    walk = Walk()
    for length_mm in (8.0, 5.0, 2.0, 2.0, 1.0):
        walk.rest(1).peck(length_mm)
    walk.stop().rest(1).peck(1.5).stop().rest(1).peck(0.8).stop().rest(1)
    assert walk.cycle.schedule.count == 5


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


@pytest.mark.parametrize(
    ("mm", "beat", "beats"), [(8.0, 5.0, True), (8.0, 1.0, False), (8.0, 2.0, True), (2.5, 2.0, False)]
)
def test_a_cut_that_beats_as_the_lips_come_round_is_told_as_such(mm, beat, beats):
    """A long one by less, for noise beats so in few of many looks."""
    walk = Walk().rest(1).peck(mm, beat=beat)
    assert walk.cycle.heard[0].beats is beats
    assert walk.cycle.heard[0].sure


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


def blank_of(walk, spots):
    """A blank of three pecks; ``spots``: after the centre drill, at its own speed."""
    if spots:
        spot_hz = 2000 / 60
        for k, t in enumerate(times(2.0, walk.t)):
            walk.detector.cutting = 0.5 < t - walk.t <= 1.5
            walk.detector.onset_s, walk.detector.end_s = walk.t + 0.5, walk.t + 1.5
            walk._step(t, hop(t, spindle_hz=spot_hz), rotation(reference_hz=spot_hz, changed=k == 0))
        walk.t += 2.0
        walk._step(walk.t + STEP_S, hop(walk.t + STEP_S), rotation(changed=True))
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


def test_no_program_drills_deeper_than_the_hole():
    """Two pecks ran together in other sound: the last one is over when the hole is through."""
    walk = Walk(job(pecks=(6.0, 4.0, 4.0), depth=14.0)).rest(1).peck(6.0).peck(7.5)
    walk.cut(4.3 / FEED_MM_S)
    assert not walk.cycle.overrun
    assert walk.cut(1.0 / FEED_MM_S).cycle.overrun


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


def test_climb_within_a_peck_is_dated_by_depth():
    """Load turns up 5 mm into an 8 mm peck, by a percent a millimetre."""
    rng = np.random.default_rng(0)

    def sag(s):
        return 0.012 + 0.01 * max(FEED_MM_S * s - 5.0, 0.0) + 0.0005 * rng.standard_normal()

    row = Walk().rest(1).peck(8.0, sag=sag).stop().cycle.rows[0]
    assert row.climb_depth_mm == pytest.approx(5.0, abs=0.4)


def test_a_steady_load_has_no_climb():
    rng = np.random.default_rng(1)
    walk = Walk().rest(1).peck(8.0, sag=lambda s: 0.012 + 0.0005 * rng.standard_normal())
    row = walk.stop().cycle.rows[0]
    assert math.isnan(row.climb_depth_mm)


@settings(max_examples=60, derandomize=True)
@given(n=st.integers(40, 200), at=st.floats(0.25, 0.75), rise=st.floats(0.5, 20), seed=st.integers(0, 99))
def test_climb_depth_finds_a_known_hinge(n, at, rise, seed):
    depth = np.linspace(0, 10, n)
    noise = 0.02 * np.random.default_rng(seed).standard_normal(n)
    found = climb_depth(depth, 1.0 + rise * np.maximum(depth - 10 * at, 0) + noise)
    assert found == pytest.approx(10 * at, abs=0.8)


def test_climb_depth_false_rate_in_noise():
    """A sag is measured over four hops, so its noise is smoothed over four: some 1 % claim a climb."""
    rng = np.random.default_rng(2)
    trials, n = 500, 80
    depth = np.linspace(0, 8, n)
    white = rng.standard_normal((trials, n + 3))
    loads = np.lib.stride_tricks.sliding_window_view(white, 4, axis=1).mean(axis=2)
    assert sum(not math.isnan(climb_depth(depth, load)) for load in loads) / trials < 0.03


@pytest.mark.parametrize(
    "load",
    [np.ones(50), np.linspace(1, 0, 50), np.where(np.arange(50) < 25, 1.0, 0.2), np.full(50, np.nan)],
    ids=["constant", "falling", "step down", "unknown"],
)
def test_loads_that_do_not_climb(load):
    assert math.isnan(climb_depth(np.linspace(0, 8, 50), load))


def test_too_few_samples_are_no_climb():
    assert math.isnan(climb_depth(np.linspace(0, 1, 11), np.linspace(0, 1, 11)))
    assert math.isnan(climb_depth(np.zeros(0), np.zeros(0)))


def batch(blanks=3):
    """Some good blanks of three pecks, whose times are then known."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0))).rest(1)
    for _ in range(blanks):
        walk.peck(8.0).peck(5.0).peck(5.0).stop().rest(1)
    walk.events.clear()
    walk.cycle.rows.clear()
    return walk


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


def spans(walk):
    return [
        (round(row.start_s - walk.begin_s, 1), round(row.end_s - walk.begin_s, 1)) for row in walk.cycle.rows
    ]


GOOD_SPANS = [(0.0, 4.4), (5.4, 8.2), (9.2, 12.0)]
"""8, 5 and 5 mm at 1.8 mm/s, a second apart, in whole hops."""


def near(found, expected):
    return np.allclose(np.array(found), np.array(expected), atol=0.15)


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


def missed(walk):
    """When the contact was due that stayed away, if any, counted from the blank's first one."""
    return walk.cycle.missed_contact_s(walk.detector.end_s, walk.t) - walk.begin_s


def test_a_contact_that_stays_away_is_missed_half_a_second_after_its_time():
    walk = batch()
    walk.begin_s = walk.t
    walk.peck(8.0)
    assert math.isnan(missed(walk.rest(0.2)))
    assert missed(walk.rest(1.0)) == pytest.approx(GOOD_SPANS[1][0], abs=0.2)


@pytest.mark.parametrize(("rise_db", "in_doubt"), [(4.0, True), (2.0, False)])
def test_what_stands_over_idling_when_a_contact_is_due_may_be_a_faint_one(rise_db, in_doubt):
    """As where the point comes out of the far side; cuts rise by 9 dB."""
    walk = batch()
    walk.detector.rise_db = 9.0
    walk.begin_s = walk.t
    walk.peck(8.0)
    assert not walk.cycle.may_be_in()
    walk.rest(1.2, over_db=rise_db)
    assert walk.cycle.may_be_in() is in_doubt
    assert math.isnan(missed(walk)) is in_doubt
    walk.rest(0.8)
    assert not walk.cycle.may_be_in()


@pytest.mark.parametrize(
    ("mm", "load_tells", "sag", "in_doubt"),
    [
        (2.0, True, 0.001, False),
        (2.0, True, 0.005, True),
        (2.0, False, 0.001, True),
        (8.0, True, 0.001, True),
    ],
    ids=["rubs", "loads", "load tells nothing", "after a whole peck"],
)
def test_what_loads_nothing_after_a_peck_that_ended_early_rubs(mm, load_tells, sag, in_doubt):
    walk = Walk().rest(1)
    walk.detector.rise_db, walk.detector.load_tells, walk.detector.cut_sag = 9.0, load_tells, 0.01
    walk.peck(mm)
    for t in times(0.6, walk.t):
        walk._step(t, hop(t, over_db=4.0), rotation(sag=sag))
    assert walk.cycle.may_be_in() is in_doubt


def test_a_cut_that_breaks_off_is_told_when_the_next_contact_stays_away():
    walk = batch()
    walk.begin_s = walk.t
    walk.peck(8.0).cut(0.8).rest(GOOD_SPANS[2][0] - walk.t + walk.begin_s)
    assert math.isnan(missed(walk))  # it may have been a lull
    assert missed(walk.rest(1.0)) == pytest.approx(GOOD_SPANS[2][0], abs=0.3)


@pytest.mark.parametrize(("later_s", "told"), [(0.0, True), (0.6, False)])
def test_a_hole_of_many_pecks_may_break_off_in_its_second(later_s, told):
    """What is still to come says nothing against the program, if the pecks heard came at its times."""
    walk = Walk(job(pecks=(8.0, *9 * (5.0,)), depth=53.0)).rest(1)
    for _ in range(2):
        walk.peck(8.0)
        for _ in range(9):
            walk.peck(5.0)
        walk.stop().rest(1)
    walk.begin_s = walk.t
    walk.peck(8.0).rest(later_s).cut(0.8).rest(4.5)
    assert bool(missed(walk) == missed(walk)) is told


def test_a_finished_hole_misses_nothing():
    walk = batch()
    walk.begin_s = walk.t
    walk.peck(8.0).peck(5.0)
    assert math.isnan(missed(walk.peck(5.0).rest(0.8)))


def test_what_broke_off_at_another_time_than_first_contacts_come_is_not_judged():
    """After one blank it is known when: another sound of the workshop came sooner."""
    for later_s, told in ((0.0, True), (8.0, False)):
        walk = batch(blanks=2)
        walk.rest(later_s)
        walk.begin_s = walk.t
        walk.cut(1.5).rest(GOOD_SPANS[1][0])
        assert bool(missed(walk) == missed(walk)) is told


@pytest.mark.parametrize(("mm", "told"), [(8.0, True), (5.0, False)])
def test_a_peck_as_long_as_only_the_first_one_is_the_first_whenever_it_came(mm, told):
    """Another sound hid when the spindle was sent to its speed."""
    walk = batch(blanks=2)
    walk.rest(8.0)
    walk.begin_s = walk.t
    walk.peck(mm, beat=9.0).rest(GOOD_SPANS[1][0])
    assert bool(missed(walk) == missed(walk)) is told


def changed_by_hand(*rests_s):
    """Good blanks of three pecks on a spindle that turns on, changed at no known time."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0))).rest(1)
    for rest_s in rests_s:
        walk.peck(8.0).peck(5.0).peck(5.0).rest(rest_s)
    walk.begin_s = walk.t
    return walk


@pytest.mark.parametrize(
    ("mm", "sag", "beat", "told"),
    [(8.0, 0.01, 1.0, True), (8.0, 0.0, 9.0, True), (8.0, 0.0, 1.0, False), (3.0, 0.01, 9.0, False)],
    ids=["loads", "beats", "only sounds", "ended early"],
)
def test_a_whole_first_peck_that_surely_was_one_is_followed_however_long_the_change_took(mm, sag, beat, told):
    """What ended early may be a person who touches the face with the drill."""
    walk = changed_by_hand(10.0, 16.0, 30.0)
    assert walk.cycle.schedule.known
    walk.peck(mm, sag=sag, beat=beat).rest(1.5)
    assert bool(missed(walk) == missed(walk)) is told


def test_a_blast_of_air_as_a_blank_is_changed_is_no_cut_that_was():
    blast = changed_by_hand(10.0, 16.0, 30.0).cut(1.5, sag=0.0).rest(3)
    assert not blast.cycle.surely_cut
    assert changed_by_hand(10.0, 16.0, 30.0).cut(1.5, sag=0.01).rest(1).cycle.surely_cut
    assert changed_by_hand(10.0, 16.0, 30.0).cut(1.5, sag=0.0, beat=9.0).rest(1).cycle.surely_cut
    pecks = changed_by_hand(10.0, 16.0, 30.0).peck(8.0, sag=0.0).peck(5.0, sag=0.0)
    assert pecks.cycle.surely_cut  # two as long as the program has them
    in_time = changed_by_hand(10.0, 10.0, 10.0).cut(1.5, sag=0.0).rest(1)
    assert in_time.cycle.surely_cut  # when the first contact always comes
    first = Walk(job(pecks=(8.0, 5.0, 5.0))).rest(1).start().rest(2).peck(8.0, sag=0.0).rest(2)
    assert not first.cycle.surely_cut
    assert first.peck(5.0, sag=0.0).rest(2).cycle.surely_cut  # two as long as the job has them


def test_where_the_program_knows_nothing_of_a_peck_that_surely_was_one_no_contact_is_missed():
    """It fits the last peck alone, which may be another one of a program that has changed."""
    walk = batch()
    walk.begin_s = walk.t
    walk.cut(7.5, sag=0.0, beat=9.0).rest(2.2).cut(7.4, sag=0.0, beat=9.0).rest(2.6)
    walk.cut(8.0 / FEED_MM_S, sag=0.0).rest(1.6)
    assert math.isnan(missed(walk))


def test_a_sound_too_many_hides_no_cut_that_breaks_off():
    """With it as many pecks were heard as the program has, but they are not the program's."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0))).rest(1)
    for rest_s in (8.0, 8.0, 2.0):
        walk.peck(8.0).peck(5.0).peck(5.0).stop().rest(rest_s)
    walk.cut(0.6).rest(5.4)
    walk.begin_s = walk.t
    walk.peck(8.0).cut(0.8).rest(GOOD_SPANS[2][0] - walk.t + walk.begin_s)
    assert len(walk.cycle.heard) == walk.cycle.schedule.count
    assert missed(walk.rest(1.0)) == pytest.approx(GOOD_SPANS[2][0], abs=0.3)


@pytest.mark.parametrize(
    ("started", "beat", "told"), [(True, 9.0, True), (False, 9.0, False), (True, 1.0, False)]
)
def test_a_cut_that_broke_off_is_the_first_peck_where_the_spindle_was_started_just_before(
    started, beat, told
):
    """First contacts came at other times after each start: a person starts the program. It may be a sound."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0)))
    for lead_s in (1.0, 3.0):
        begun(walk, lead_s).cut(8.0 / FEED_MM_S - 0.5).rest(1.0).peck(5.0).peck(5.0).stop()
    if started:
        walk.start()
    walk.rest(2)
    walk.begin_s = walk.t
    walk.cut(1.5, beat=beat).rest(GOOD_SPANS[1][0])
    assert bool(missed(walk) == missed(walk)) is told


@pytest.mark.parametrize("whole", [True, False])
def test_the_last_pecks_of_a_blank_that_began_in_the_one_before_miss_nothing(whole):
    """They are as long as its last ones. Where that one was heard to its end, no peck can have been in it."""
    walk = Walk(job(pecks=(7.0, 5.5, 5.5))).rest(1)
    for _ in range(3):
        walk.peck(7.0).peck(5.5).peck(5.5).stop().rest(1)
    walk.cycle.heard_blank.course.clear()
    walk.cycle.heard_blank.whole = whole
    walk.begin_s = walk.rest(0.9).t
    walk.peck(5.5).peck(5.5).rest(1.5)
    assert bool(missed(walk) == missed(walk)) is whole


def test_a_blank_that_was_changed_sooner_than_ever_is_judged():
    """The piece before was looked at for a minute."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0))).rest(1)
    for reload_s in (60.0, 10.0):
        walk.peck(8.0).peck(5.0).peck(5.0).stop().rest(reload_s)
    walk.begin_s = walk.t
    walk.cut(8.0 / FEED_MM_S).rest(1.0).cut(1.0)
    assert missed(walk.rest(5.0)) == missed(walk)


def test_what_was_heard_before_the_spindle_was_sent_to_its_speed_was_the_centre_drill():
    walk = batch()
    walk.begin_s = walk.t
    walk.peck(8.0)
    walk._step(walk.t, hop(walk.t), rotation(changed=True))
    assert math.isnan(missed(walk.rest(1.0)))


def test_a_gap_that_another_sound_cut_short_in_the_only_blank_so_far_is_waited_out():
    """It began 1.2 s before the second contact, so that the peck seemed as much longer."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0)))
    walk._step(walk.t, hop(walk.t), rotation(started=True))
    walk.rest(1)
    early_s, gap_s = 1.2, 2.2
    walk.cut(8 / FEED_MM_S).rest(gap_s - early_s).cut(5 / FEED_MM_S + early_s).rest(2.6).peck(5.0).stop()
    assert walk.cycle.schedule.known
    walk._step(walk.t, hop(walk.t), rotation(started=True))
    walk.rest(1)
    walk.begin_s = walk.t
    walk.cut(8 / FEED_MM_S)
    for _ in range(4):
        assert math.isnan(missed(walk.rest(gap_s / 4)))
    assert missed(walk.rest(2.0)) == pytest.approx(8 / FEED_MM_S + gap_s, abs=0.3)


def test_pecks_that_another_sound_lengthened_in_the_only_blank_so_far_do_not_end_early_in_the_next():
    walk = Walk(job(pecks=(8.0, 5.0, 2.5), depth=15.5))
    gaps_s = (math.nan, 1.0, 1.0)
    lengths_mm = (8.0, 9.0, 6.5)
    lengthened = [HeardPeck(mm, gap_s, mm / FEED_MM_S) for mm, gap_s in zip(lengths_mm, gaps_s, strict=True)]
    walk.cycle.schedule.learn(lengthened)
    walk.rest(1).peck(8.0).peck(5.0).peck(2.5).stop()
    assert not any("only touched" in event.message for event in walk.events)
    assert [row.peck for row in walk.cycle.rows] == [1, 2, 3]


def test_what_the_spindle_did_before_a_peck_of_a_blank_does_not_begin_the_next():
    """From the centre drill's speed to the drill's; the next blank begins on a spindle that turns on."""
    walk = Walk(job(spot_rpm=2000.0)).rest(1)
    walk.cut(1.0, spindle_hz=2000 / 60).rest(1.0, spindle_hz=2000 / 60)
    walk._step(walk.t, hop(walk.t), rotation(changed=True))
    walk.peck(8.0).peck(5.0).peck(5.0).rest(8)
    assert not walk.cycle.in_blank
    walk.cut(1.0)
    assert not walk.cycle.from_rest


def begun(walk, lead_s):
    """Start the spindle, if a lead is given, and drill so long after it as to know whether a blank began."""
    if lead_s is not None:
        walk._step(walk.t, hop(walk.t), rotation(started=True))
        walk.rest(lead_s)
    return walk.cut(0.5)


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


def test_pecks_that_were_not_heard_as_such_teach_no_other_program_where_the_known_one_explains_them():
    """Twice the same two of three were run together, in sound that shows where one ends."""
    walk = batch(blanks=2)
    for _ in range(2):
        walk.peck(8.0).cut(5.0 / FEED_MM_S).cut(1.0, over_db=4.0).peck(5.0).stop().rest(1)
        assert len(walk.cycle.rows) % 3 == 0
    assert walk.cycle.schedule.count == 3


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


def test_the_first_contact_is_due_as_long_after_the_start_as_it_was_twice():
    walk = Walk(job(pecks=(8.0, 5.0, 5.0)))
    for k in range(3):
        walk.start()
        started_s = walk.t
        if k < 2:
            assert math.isnan(walk.rest(2).cycle.first_contact_due_s)
            walk.peck(8.0).peck(5.0).peck(5.0).stop()
    assert 2.0 < walk.cycle.first_contact_due_s - started_s < 3.5
    walk.rest(2).peck(8.0)
    assert math.isnan(walk.cycle.first_contact_due_s)
    # after a blank in which something was told the spindle turns on: no start tells when the next one begins
    hold = Event(walk.t, Kind.MELTING, Severity.HOLD, "the work softens", blank=3, peck=1)
    follow.note(walk.cycle, hold)
    walk.peck(5.0).peck(5.0).rest(20)
    assert not walk.cycle.in_blank
    assert math.isnan(walk.cycle.first_contact_due_s)


def started(walk, pecks=True):
    """A start of the spindle, two seconds to the first contact, and a whole blank."""
    walk.start().rest(2)
    return walk.peck(8.0).peck(5.0).peck(5.0) if pecks else walk


def test_after_a_hold_a_person_is_at_the_machine_and_no_first_contact_is_due():
    walk = Walk(job(pecks=(8.0, 5.0, 5.0)))
    for _ in range(2):
        started(walk).stop()
    assert started(walk, pecks=False).cycle.first_contact_due_s > 0
    walk.peck(8.0)
    follow.note(walk.cycle, Event(walk.t, Kind.SAG, Severity.HOLD, "it binds", blank=3, peck=1))
    walk.stop()
    assert math.isnan(started(walk, pecks=False).cycle.first_contact_due_s)


def test_nor_after_one_that_stayed_away():
    walk = Walk(job(pecks=(8.0, 5.0, 5.0)))
    for _ in range(2):
        started(walk).stop()
    started(walk, pecks=False).cycle.first_contact_stays_away()
    assert math.isnan(started(walk.stop(), pecks=False).cycle.first_contact_due_s)
    walk.peck(8.0).peck(5.0).peck(5.0).stop()
    assert started(walk, pecks=False).cycle.first_contact_due_s > 0


def test_a_first_contact_that_comes_after_it_was_missed_is_another_programs():
    walk = Walk(job(pecks=(8.0, 5.0, 5.0)))
    for _ in range(2):
        started(walk).stop()
    started(walk, pecks=False).rest(5).cycle.first_contact_stays_away()
    walk.peck(8.0).peck(5.0).peck(5.0).stop()
    for due in (False, False, True):
        assert math.isfinite(started(walk, pecks=False).cycle.first_contact_due_s) is due
        walk.peck(8.0).peck(5.0).peck(5.0).stop()
