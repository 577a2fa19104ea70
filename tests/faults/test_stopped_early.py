"""A spindle that stands before the program stops it, told by the clock."""

import math

import pytest

from monitor.faults.stopped_early import EARLY_S, RUNS, StoppedEarlyRule
from monitor.measurements import Kind, Severity
from monitor.spindle import SpindleState
from tests.hops import hop, rotation, silent, times, work

RUN_S = 20.0


class Shop:
    """Runs of the spindle, each with a peck in it and three seconds' rest after it."""

    def __init__(self):
        self.rule, self.t, self.found = StoppedEarlyRule(), 0.0, []

    def run(
        self, seconds=RUN_S, cuts=True, room_db=-8.0, lost=False, depth_mm=None, began_hz=12.0, rests_s=3.0
    ):
        """Drilled as deep as there was time for, or so deep; ``began_hz``: its speed when first heard."""
        self.found = []
        depth_mm = seconds if depth_mm is None else depth_mm
        for k, t in enumerate(times(seconds, self.t)):
            at = work(working=cuts and 2 < t - self.t < 5, depth_mm=depth_mm * (t > self.t + seconds / 2))
            heard = hop(t, spindle_hz=began_hz if k == 0 else 25.0)
            assert self.rule.step(heard, rotation(started=k == 0), at, False) is None
        self.t += seconds
        for k, t in enumerate(times(rests_s, self.t)):
            standing = rotation(state=SpindleState.STOPPED, sag=math.nan, vanished=k == 0)
            found = self.rule.step(silent(t, over_db=room_db), standing, work(), lost)
            self.found += [(t - self.t, found)] if found else []
        self.t += rests_s
        return self

    def runs(self, *seconds):
        for one in seconds:
            self.run(one)
        return self


def test_a_spindle_that_stands_long_before_the_program_stops_it_is_a_stall():
    shop = Shop().runs(RUN_S, RUN_S + 0.2, RUN_S - 0.1)
    assert not shop.found
    shop.run(RUN_S / 2)
    after_s, found = shop.found[0]
    assert 0.5 <= after_s < 0.7
    assert (found.kind, found.severity, found.limit) == (Kind.STALL, Severity.HOLD, EARLY_S)
    assert found.value == pytest.approx(RUN_S / 2, abs=0.1)
    assert found.onset_s == pytest.approx(shop.t - 3.0, abs=0.1)
    assert "drive" in found.message
    assert shop.found[-1][0] == pytest.approx(3.0)  # as long as it stands


def test_a_stop_within_what_the_hearing_of_starts_and_stops_differs_by_is_the_programs():
    assert not Shop().runs(*[RUN_S] * RUNS, RUN_S - EARLY_S + 0.2).found
    assert not Shop().runs(*[RUN_S] * RUNS, RUN_S + 5.0).found


@pytest.mark.parametrize("began_hz", [6.0, 13.0, 20.0])
def test_a_start_first_heard_at_speed_began_earlier(began_hz):
    """Another sound hid it while the spindle ran up."""
    shop = Shop().runs(*[RUN_S] * RUNS).run(RUN_S / 2, began_hz=began_hz)
    assert bool(shop.found) is (began_hz < 20.0)


@pytest.mark.parametrize("rests_s", [0.5, 3.0])
def test_what_turns_again_at_once_was_sent_to_another_speed_and_has_ended_no_run(rests_s):
    """Faster than its lines can be followed, after a centre drill: at the end of the batch alone it stops."""
    shop = Shop()
    for _ in range(RUNS):
        shop.run(rests_s=rests_s)
    assert bool(shop.run(RUN_S / 2).found) is (rests_s > 1.0)


def test_where_the_hole_is_done_the_stop_is_the_programs_whenever_the_start_was_heard():
    shop = Shop().runs(*[RUN_S] * RUNS)
    assert not shop.run(RUN_S - 4.0, depth_mm=RUN_S).found
    assert Shop().runs(*[RUN_S] * RUNS).run(RUN_S - 4.0, depth_mm=0.8 * RUN_S).found


def test_a_run_that_drills_two_holes_is_done_with_the_second():
    shop = Shop().runs(*[RUN_S] * RUNS)
    # two holes, each as deep
    shop.rule._runs.extend([run._replace(drilled_mm=2 * RUN_S) for run in shop.rule._runs])
    assert shop.run(RUN_S - 4.0, depth_mm=RUN_S).found


def test_a_person_who_switches_the_spindle_keeps_no_such_time():
    assert not Shop().runs(20.0, 23.0, 18.0, 9.0).found
    assert not Shop().runs(20.0, 20.0, 9.0).found  # two runs say nothing yet


def test_a_program_that_has_become_shorter_is_held_once_and_then_learned():
    shop = Shop().runs(*[RUN_S] * RUNS, 12.0)
    assert shop.found
    for _ in range(RUNS + 1):
        assert not shop.run(12.0).found
    assert shop.run(6.0).found


@pytest.mark.parametrize("changes", [{"room_db": -1.0}, {"lost": True}, {"cuts": False}])
def test_other_sound_a_lost_microphone_or_a_look_at_the_spindle_tell_nothing(changes):
    """What is as loud as the machine may hide one that turns."""
    assert not Shop().runs(*[RUN_S] * RUNS).run(RUN_S / 2, **changes).found


def test_a_start_that_is_heard_twice_is_one():
    """The lines are lost for a moment as it runs up."""
    shop = Shop().runs(*[RUN_S] * RUNS)
    for k, t in enumerate(times(2.0, shop.t)):
        shop.rule.step(hop(t), rotation(started=k == 0), work(), False)
    shop.t += 2.0
    for k, t in enumerate(times(1.0, shop.t)):
        shop.rule.step(silent(t), rotation(state=SpindleState.STOPPED, vanished=k == 0), work(), False)
    shop.t += 1.0
    assert not shop.run(RUN_S - 3.0).found
