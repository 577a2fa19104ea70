"""Work is sound and load together; a fall of speed is load if it builds up in work."""

import math
from types import SimpleNamespace

import pytest

from monitor.cutting import CuttingDetector
from monitor.work import WorkJudge
from tests.hops import SPINDLE_HZ, hop, rotation, times

CUTTING, SILENT = 9.0, 0.2  # decibels over the idle machine


class Walk:
    """Steps a judge and a detector through curves of sag; the cycle says what it is told."""

    def __init__(self, usual_sag=None):
        """``usual_sag``: ten seconds of cuts with this sag come first."""
        self.judge = WorkJudge(0.02)
        self.detector = CuttingDetector()
        self.cycle = SimpleNamespace(
            in_blank=True, spotting=False, spots_at_speed=False, through=False, unlikely=False, overrun=False,
            surplus=False, depth_told=True, depth_mm=3.0, entered=1.0, first_contact_s=math.nan,
        )  # fmt: skip
        self.t = 0.0
        self.work = None
        self.go(2, 0.0, level_db=SILENT)
        if usual_sag is not None:
            self.go(10, usual_sag).go(1, 0.0, level_db=SILENT)

    def go(self, seconds, sag, *, level_db=CUTTING, elsewhere=False, **changes):
        for t in times(seconds, self.t):
            now = sag(t - self.t) if callable(sag) else sag
            heard = hop(t, spindle_hz=SPINDLE_HZ * (1 - now), over_db=level_db, **changes)
            turning = rotation(sag=now, elsewhere=elsewhere)
            self.detector.step(heard, turning)
            self.work = self.judge.step(heard, turning, self.detector, self.cycle)
        self.t += seconds
        return self


def test_a_fall_in_the_cut_is_load_and_dated():
    walk = Walk().go(1, 0.01).go(0.5, lambda s: 0.01 + 0.1 * s)
    assert walk.work.working
    assert walk.work.loaded
    assert walk.work.onset_s == pytest.approx(3.1, abs=0.06)  # where it passed 2 %


def test_a_drill_that_binds_at_contact_loads_before_its_cut_is_heard():
    """A faint cut is known some tenths late: by then it sags by more than is followed."""
    for through in (False, True):
        walk = Walk()
        walk.cycle.through = through  # then the program switches the spindle off
        walk.go(0.1, lambda s: 0.3 * s, level_db=SILENT).go(0.4, lambda s: 0.03 + 0.3 * s, rate_hz_s=-4.5)
        assert walk.work.working is walk.work.loaded is not through


@pytest.mark.parametrize(
    ("depth_told", "sag", "believed"), [(True, 0.014, False), (False, 0.014, True), (False, 0.0, False)]
)
def test_pecks_that_ran_together_leave_it_to_the_load_whether_the_hole_is_through(depth_told, sag, believed):
    walk = Walk(0.014)
    walk.cycle.through, walk.cycle.depth_told = True, depth_told
    walk.go(0.45, sag)
    assert walk.work.working is believed


def test_cuts_that_load_by_more_than_is_followed_are_believed_though_the_hole_should_be_through():
    walk = Walk(0.025)
    walk.cycle.through = True
    walk.go(0.3, lambda s: 0.1 * s).go(1.5, 0.03)
    assert walk.work.working


def test_a_fall_outside_of_a_cut_is_none():
    walk = Walk().go(0.6, lambda s: 0.5 * s, level_db=SILENT, rate_hz_s=-7.5)
    assert not walk.work.working
    assert not walk.work.loaded


def test_a_drill_that_falls_silent_as_it_binds_is_still_loaded():
    walk = (
        Walk().go(1, 0.01).go(0.5, lambda s: 0.02 + 0.06 * s).go(1, lambda s: 0.05 + 0.1 * s, level_db=SILENT)
    )
    assert walk.work.loaded


@pytest.mark.parametrize(
    ("sag_before", "faint_s", "fall_per_s", "loaded"),
    [
        (0.0, 0.3, 0.3, False),  # drawn out, then switched off
        (0.015, 0.0, 0.3, True),  # binds, as loud as ever
        (0.015, 0.3, 0.3, True),  # binds in softened work, loaded all the while
        (0.0, 0.3, 0.1, True),  # too slow for one that is let go
    ],
)
def test_what_falls_once_the_cut_has_faded_with_its_load_was_switched_off(
    sag_before, faint_s, fall_per_s, loaded
):
    walk = Walk(usual_sag=0.015).go(1, 0.015).go(0.6, sag_before)
    level_db = 4.0 if faint_s else CUTTING  # another sound keeps it from falling silent
    walk.detector.cutting, walk.detector.log_odds = True, 6.0
    walk.go(faint_s, sag_before, level_db=level_db)
    walk.detector.cutting, walk.detector.log_odds = True, 6.0
    rate = -fall_per_s * SPINDLE_HZ
    walk.go(0.3, lambda s: sag_before + fall_per_s * s, level_db=level_db, rate_hz_s=rate)
    assert walk.work.loaded is loaded


def test_load_ends_when_the_speed_is_back():
    walk = Walk().go(1, 0.01).go(1, lambda s: 0.02 + 0.06 * s).go(0.1, 0.01)
    assert not walk.work.loaded


def test_a_slow_speed_without_cutting_sound_is_load_only_while_it_falls_little_by_little():
    """A tone of a compressor agrees with some speed, and stays."""
    steady = Walk().go(0.4, lambda s: 0.25 * s, level_db=SILENT, rate_hz_s=-4.0)
    assert not steady.go(5, 0.10, level_db=SILENT).work.loaded
    assert Walk().go(0.6, lambda s: 0.06 * s, level_db=SILENT, rate_hz_s=-1.0).work.loaded
    other = Walk().go(0.6, lambda s: 0.06 * s, level_db=SILENT, rate_hz_s=-1.0, elsewhere=True)
    assert not other.work.loaded  # sent to another speed


@pytest.mark.parametrize(("loaded", "sag"), [(True, 0.012), (False, 0.0)])
def test_what_slows_after_the_time_of_its_peck_was_switched_off_unless_it_was_loaded_till_then(loaded, sag):
    """The feed may have been turned down."""
    walk = Walk(usual_sag=0.012)
    walk.cycle.overrun = True
    walk.go(1, sag).go(0.6, lambda s: sag + 0.06 * s, level_db=SILENT, rate_hz_s=-1.0)
    assert walk.work.loaded == loaded


def test_a_short_peck_that_binds_at_its_end_is_loaded_though_half_a_second_before_it_was_not_yet():
    """A motor takes some tenths of a second to answer to the cut; the cut falls silent as the bit binds."""
    walk = Walk(usual_sag=0.012)
    walk.go(0.5, lambda s: 0.01 * s).go(0.3, lambda s: 0.005 + 0.03 * s)
    walk.cycle.overrun = True
    walk.go(0.8, lambda s: 0.014 + 0.08 * s, level_db=SILENT, rate_hz_s=-1.2)
    assert walk.work.loaded


def test_what_outlasts_its_peck_and_loads_nothing_is_no_work():
    walk = Walk().go(2, 0.0)
    assert walk.work.working
    walk.cycle.overrun = True
    walk.go(0.1, 0.0)
    assert not walk.work.working
    assert math.isnan(walk.work.contact_s)


def test_a_peck_beyond_doubt_loads_as_cuts_do():
    """Cuts of this batch sag by 1.5 %."""
    walk = Walk(usual_sag=0.015).go(2, 0.015)
    assert walk.work.sure
    assert not walk.go(1, 0.001).work.sure
    walk.go(1, 0.015).cycle.overrun = True
    assert not walk.go(0.1, 0.015).work.sure


def test_while_its_point_enters_a_peck_loads_and_sounds_less():
    """A third of the lips makes 5 dB of a cut's 9 dB, and a ninth of its load and more; of a whole cut both
    are little."""
    for entered, is_sure in ((1 / 3, True), (1.0, False)):
        walk = Walk(usual_sag=0.015)
        walk.cycle.entered = entered
        walk.go(2, 0.005, level_db=0.48 * CUTTING)
        assert walk.work.working
        assert walk.work.sure is is_sure


def test_a_light_cut_of_a_machine_whose_cuts_load_it_by_turns_more_and_less_is_a_peck():
    """Where few lines tell the load, it scatters from cut to cut: 0.7 % is no cut where all load by 1.6 %."""
    for loads, is_sure in (((0.016, 0.016, 0.016, 0.016), False), ((0.010, 0.022, 0.016, 0.010), True)):
        walk = Walk()
        for load in loads:
            walk.go(3, load).go(1.5, 0.0, level_db=SILENT)
        walk.go(2, 0.0065)
        assert walk.work.sure is is_sure


@pytest.mark.parametrize("is_odd", ["surplus", "unlikely"])
def test_a_peck_more_than_the_program_has_or_when_no_blank_begins_must_load_as_a_cut_does(is_odd):
    """Other sound was taken for some of those before: it may be again, as the spindle is switched off."""
    walk = Walk(usual_sag=0.015)
    setattr(walk.cycle, is_odd, True)
    walk.go(0.8, 0.0)
    assert not walk.work.sure
    assert math.isnan(walk.work.contact_s)
    assert walk.go(1, 0.015).work.working


def test_what_outlasts_its_peck_must_load_as_a_cut_does_and_teaches_no_load():
    walk = Walk(usual_sag=0.015).go(2, 0.015)
    walk.cycle.overrun = True
    assert not walk.go(20, 0.006).work.working  # a reference a little too high
    assert walk.go(1, 0.012).work.working


def test_what_goes_on_fainter_than_cuts_are_is_no_peck_beyond_doubt():
    walk = Walk(usual_sag=0.0).go(2, 0.0)
    assert walk.work.sure
    assert not walk.go(1, 0.0, level_db=0.4 * CUTTING).work.sure


def test_a_radio_over_an_idle_spindle_is_no_work_once_its_cuts_are_known():
    """Cuts of this batch sag by 1.5 %; what sounds like a cut and sags by nothing is none."""
    known, unknown = Walk(usual_sag=0.015), Walk()
    for walk in (known, unknown):
        walk.go(2, 0.0005)
    assert not known.work.working
    assert unknown.work.working  # before any cut was heard sound has to do
    known.go(0.5, lambda s: 0.5 * s, rate_hz_s=-7.5)
    assert not known.work.loaded  # switched off while the radio plays


def test_a_cut_like_the_others_is_work():
    walk = Walk(usual_sag=0.015).go(2, 0.012)
    assert walk.work.working
    assert walk.go(0.5, lambda s: 0.02 + 0.1 * s).work.loaded


def test_where_cuts_hardly_sag_sound_has_to_do():
    assert Walk(usual_sag=0.004).go(3, 0.0).work.working


def test_unknown_sag_changes_nothing():
    walk = Walk().go(1, 0.01).go(0.5, lambda s: 0.02 + 0.1 * s)
    assert walk.go(0.5, math.nan).work.loaded


def test_a_burst_at_the_switch_off_of_a_hole_that_is_through_is_no_work():
    walk = Walk()
    walk.cycle.through = True
    assert not walk.go(0.3, 0.0).work.working
    assert not walk.go(0.5, lambda s: 0.5 * s, rate_hz_s=-7.5).work.loaded


def test_a_drift_of_the_free_spindle_after_the_last_cut_is_no_load():
    """Switched off while its reference lags a drift by as much as cuts of this machine load it."""
    walk = Walk(usual_sag=0.006)
    walk.cycle.through = True
    walk.go(2, 0.003, level_db=SILENT)
    assert not walk.go(0.5, lambda s: 0.5 * s, level_db=4.0, rate_hz_s=-7.5).work.loaded


@pytest.mark.parametrize("level_db", [3.0, CUTTING])
def test_a_sound_that_goes_on_after_the_last_cut_is_no_work_where_no_load_tells_it(level_db):
    """Cuts of a drive that hardly sags are 9 dB over idling; another sound goes on, past the stop, which
    comes after every hole."""
    walk = Walk(usual_sag=0.001).go(2, 0.001)
    walk.cycle.through = True
    walk.go(2, 0.001, level_db=level_db)
    assert not walk.go(0.3, lambda s: 0.2 * s, level_db=CUTTING, rate_hz_s=-3.0).work.loaded


def test_what_is_louder_than_cuts_after_the_last_one_is_no_work():
    """An air gun blows the chuck out as the spindle runs down, which was a little slower than before."""
    walk = Walk(usual_sag=0.012)
    walk.cycle.through = True
    walk.go(1.5, 0.009, level_db=CUTTING + 6.0)
    assert not walk.work.working
    assert not walk.go(0.5, lambda s: 0.4 * s, level_db=CUTTING + 6.0, rate_hz_s=-6.0).work.loaded


def test_a_bit_that_gets_louder_as_it_binds_is_at_work_though_the_hole_should_be_through():
    walk = Walk(usual_sag=0.012).go(1, 0.012)
    walk.cycle.through = True
    walk.go(1, 0.016, level_db=CUTTING + 6.0)
    assert walk.go(0.4, lambda s: 0.016 + 0.25 * s, level_db=CUTTING + 8.0, rate_hz_s=-3.7).work.loaded


def test_reckoned_depth_disarms_no_cut_that_lasts_or_loads():
    for usual, sag in ((None, 0.006), (0.015, 0.012)):
        walk = Walk(usual)
        walk.cycle.through = True
        assert walk.go(1, sag).work.working
        assert walk.go(0.5, lambda s: 0.02 + 0.1 * s).work.loaded


def test_what_falls_where_its_peck_should_be_over_was_switched_off():
    """A vacuum cleaner goes on like a cut of a drive that hardly sags, as the program stops the spindle."""
    for overrun in (False, True):
        walk = Walk(usual_sag=0.001).go(2, 0.001)
        walk.cycle.overrun = overrun
        assert walk.go(0.5, lambda s: 0.4 * s, rate_hz_s=-6.0).work.loaded is not overrun


def test_the_burst_of_a_switch_off_makes_a_faint_sound_no_peck():
    walk = Walk(usual_sag=0.0).go(2, 0.0).go(1, 0.0, level_db=0.4 * CUTTING)
    assert not walk.go(0.2, 0.0).work.sure


def test_after_the_centre_drill_a_fall_is_the_programs():
    walk = Walk()
    walk.cycle.spotting = True
    assert not walk.go(1, 0.005).work.working
    assert not walk.go(0.5, lambda s: 0.02 + 0.3 * s, rate_hz_s=-4.5).work.loaded


def test_a_compressor_that_does_not_beat_as_the_cuts_do_is_no_work():
    """Cuts that hardly sag but beat at the flutes; then a steady noise of the same loudness."""
    walk = Walk().go(10, 0.001, beat=12.0).go(1, 0.0, level_db=SILENT)
    assert walk.go(2, 0.001, beat=12.0).work.working
    assert not walk.go(1, 0.0, level_db=SILENT).go(3, 0.001, beat=1.0).work.working
    assert not walk.go(0.5, lambda s: 0.5 * s, beat=1.0).work.loaded  # switched off under it


def test_where_cuts_do_not_beat_that_is_no_sign():
    walk = Walk().go(10, 0.001, beat=1.2).go(1, 0.0, level_db=SILENT)
    assert walk.go(3, 0.001, beat=0.5).work.working


def test_a_sound_as_loud_as_a_cut_that_loads_nothing_drowns_the_machine():
    walk = Walk(usual_sag=0.015)
    assert not walk.go(1, 0.0, level_db=SILENT).work.drowned
    assert not walk.go(2, 0.015).work.drowned  # a cut
    walk.go(1, 0.0, level_db=SILENT).go(2, 0.0)
    assert walk.work.drowned
    walk.go(12, 0.0, level_db=CUTTING + 6)  # and goes on until it is the background
    assert walk.work.drowned
    assert not walk.go(3, 0.0, level_db=SILENT).work.drowned


def test_another_sound_that_goes_on_after_a_cut_hardly_teaches_what_cuts_load():
    """An air gun, as loud: when it has gone on for as long as cuts did, it is still no work."""
    walk = Walk(usual_sag=0.01).go(2, 0.01).go(8, 0.0)
    assert not walk.work.working
    assert walk.go(1, 0.0, level_db=SILENT).go(2, 0.01).work.working


@pytest.mark.parametrize(
    ("beat", "level_db", "believed"),
    [(12.0, CUTTING, True), (1.0, CUTTING, False), (12.0, 3 * CUTTING, False)],
)
def test_what_beats_as_the_lips_come_round_is_a_cut_whose_load_is_not_seen(beat, level_db, believed):
    """A drill that enters slowly takes the free speed along; what is far louder than cuts is another sound,
    whose strokes may come as often."""
    walk = Walk(usual_sag=0.014).go(0.6, 0.014, beat=beat, level_db=level_db)
    for _ in range(30):
        walk.detector.cutting, walk.detector.log_odds = True, 6.0
        walk.go(0.05, 0.0, beat=beat, level_db=level_db)
    assert walk.work.working is walk.work.sure is believed
