"""The row of a peck: its times, depths, fill, load and worst event."""

import math

import numpy as np
import pytest

from monitor.measurements import Event, Kind, Severity
from monitor.pecks import follow
from monitor.pecks.cut import CONFIRM_S
from monitor.planning.flutes import flute_fill
from tests.hops import STEP_S, hop, rotation, times
from tests.pecks.walk import BULKING, FEED_MM_S, Walk, job


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
        walk.hear(t, hop(t), rotation())
    walk.t += 1.0
    (row,) = walk.stop().cycle.rows
    assert row.end_s - row.start_s >= STEP_S - 1e-9
    assert row.depth_to_mm > row.depth_from_mm
    assert all(peck.seconds > 0 and peck.length_mm > 0 for peck in walk.cycle.heard)


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
