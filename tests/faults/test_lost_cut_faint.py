"""`lost_cut` by a cut that went faint in one peck and is as faint in the next."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from monitor.faults.lost_cut_faint import ENTRY_S, LEAST_PECKS, RUBS_HOPS, FaintCuts
from monitor.measurements import Event, Kind, Severity
from monitor.schedule import HeardPeck, Schedule
from tests.hops import STEP_S, hop, rotation

FEED_MM_S = 2.0
PECKS_MM = (8.0, 8.0, 8.0, 8.0)
PECK_S, GAP_S = 4.0, 1.0
GOOD_DB, RUBS_DB = 12.0, 5.0


class Drilling:
    """Pecks of two blanks, each a list of (seconds, level over the idle machine in dB); two good blanks come
    before. What is told is kept with the time since the contact of the peck in which it was."""

    def __init__(self, scatter_db=0.7, **detector):
        schedule = Schedule(PECKS_MM)
        for _ in range(2):
            schedule.learn([HeardPeck(mm, GAP_S if k else math.nan, PECK_S) for k, mm in enumerate(PECKS_MM)])
        self.cycle = SimpleNamespace(
            schedule=schedule,
            blank=0,
            heard=[],
            in_blank=False,
            in_cut=False,
            through=False,
            overrun=False,
            last_end_s=0.0,
        )
        self.detector = SimpleNamespace(
            cutting=False, onset_s=0.0, level_db=0.0, idle_db=0.0, in_other_sound=False, load_shows=False,
            cut_sag=0.02, idle_spread_db=0.4,
        )  # fmt: skip
        vars(self.detector).update(detector)
        self.rule, self.rng, self.scatter_db = FaintCuts(FEED_MM_S), np.random.default_rng(0), scatter_db
        self.t, self.sag, self.free_sag, self.found = 0.0, 0.0, 0.0, []
        for _ in range(2):
            self.blank(*[[(PECK_S, GOOD_DB)]] * len(PECKS_MM))

    def blank(self, *pecks):
        self.cycle.blank, self.cycle.heard, self.cycle.in_blank = self.cycle.blank + 1, [], True
        for parts in pecks:
            self.peck(parts)
        self._go(GAP_S, None)
        self.cycle.in_blank = False
        self._go(4.0, None)
        return self

    def peck(self, parts):
        begun = self.detector.onset_s = self.t
        self.cycle.in_cut = self.detector.cutting = True
        for seconds, level_db in parts:
            self._go(seconds, level_db, begun)
        self.cycle.in_cut = self.detector.cutting = False
        self.cycle.last_end_s = self.t
        mm = FEED_MM_S * sum(seconds for seconds, _ in parts)
        self.cycle.heard.append(HeardPeck(mm, GAP_S, mm / FEED_MM_S))
        self._go(GAP_S, None)

    def _go(self, seconds, level_db, begun=math.nan):
        for _ in range(round(seconds / STEP_S)):
            self.t += STEP_S
            rise_db = 0.0 if level_db is None else level_db + self.scatter_db * self.rng.standard_normal()
            self.detector.level_db = self.detector.idle_db + rise_db
            turning = rotation(sag=self.free_sag + (0.0 if level_db is None else self.sag))
            found = self.rule.step(hop(self.t), turning, self.detector, self.cycle)
            if found is not None and level_db is not None:
                self.found.append((self.t - begun, found))


GOOD = [(PECK_S, GOOD_DB)]
WENT = [(1.5, GOOD_DB), (2.5, RUBS_DB)]
FAINT = [(PECK_S, RUBS_DB)]


def test_good_pecks_are_silent():
    drilling = Drilling()
    for _ in range(10):
        drilling.blank(GOOD, GOOD, GOOD, GOOD)
    assert not drilling.found


@pytest.mark.parametrize("rubs_db", [5.0, 3.0])
@pytest.mark.parametrize("went", [0, 1])
def test_a_cut_that_went_faint_and_comes_back_faint_is_lost(went, rubs_db):
    """Told within a second of the contact of the next peck."""
    blank = [GOOD] * went + [[(1.5, GOOD_DB), (2.5, rubs_db)]] + [[(PECK_S, rubs_db)]] * (3 - went)
    drilling = Drilling().blank(*blank)
    after_s, found = drilling.found[0]
    assert (found.kind, found.severity) == (Kind.LOST_CUT, Severity.HOLD)
    assert after_s == pytest.approx(ENTRY_S + RUBS_HOPS * STEP_S, abs=0.11)
    power = (10 ** (rubs_db / 10) - 1) / (10 ** (GOOD_DB / 10) - 1)
    assert found.value == pytest.approx(100 * power, rel=0.2)
    assert found.value < found.limit < 40
    # the feed is held and no more: the line that stops the spindle is for a holding that may have let go
    told = Event(0.0, found.kind, found.severity, found.message, found.value, found.limit, found.unit)
    assert not told.stops_spindle


def test_a_peck_that_went_faint_alone_is_a_knot_or_a_void():
    assert not Drilling().blank(GOOD, WENT, GOOD, GOOD).found


def test_a_blank_of_softer_work_is_faint_from_its_first_contact():
    assert not Drilling().blank(FAINT, FAINT, FAINT, FAINT).found


def test_work_that_was_as_faint_before_is_no_fault():
    """Half wood, half resin: each blank has its faint part, and pecks go on into it."""
    drilling = Drilling()
    drilling.rule = FaintCuts(FEED_MM_S)
    for _ in range(4):
        drilling.blank(GOOD, [(3.0, GOOD_DB), (1.0, RUBS_DB)], [(1.0, RUBS_DB), (3.0, GOOD_DB)], GOOD)
    drilling.found.clear()
    assert not drilling.blank(GOOD, WENT, FAINT, FAINT).found


@pytest.mark.parametrize("share", [0.2, 0.5])
def test_a_feed_that_is_turned_down_draws_the_peck_out(share):
    """To a fifth and to half, with a fainter cut: no rubbing."""
    slowed = [(2.0, GOOD_DB), (2.0 / share, RUBS_DB)]
    assert not Drilling().blank(GOOD, slowed, [(PECK_S / share, RUBS_DB)], GOOD).found


def test_a_microphone_turned_down_takes_the_idle_machine_along():
    drilling = Drilling()
    drilling.cycle.blank, drilling.cycle.in_blank, drilling.cycle.heard = 3, True, []
    drilling.peck(GOOD)
    drilling.peck(WENT)
    drilling.detector.idle_db = RUBS_DB - GOOD_DB  # as it is found to be after the cut
    drilling.peck(GOOD)
    assert not drilling.found
    drilling.detector.idle_db = 0.0
    drilling.peck(FAINT)
    assert drilling.found


def test_a_microphone_turned_down_in_a_pause_leaves_good_pecks_good():
    drilling = Drilling()
    drilling.detector.idle_db = -7.0
    assert not drilling.blank(GOOD, GOOD, GOOD, GOOD).found


@pytest.mark.parametrize("level_db", [1.0, 6.0])
@pytest.mark.parametrize("before", [GOOD, [(0.5, GOOD_DB)]])
def test_a_tap_is_no_peck(before, level_db):
    """Over before the lips would be in, after a whole peck and after one that ended early."""
    assert not Drilling().blank(GOOD, before, [(0.1, level_db)], [(0.2, level_db)]).found


def test_one_lull_in_a_good_peck_is_forgotten_among_others():
    """As where other sound ran two pecks together."""
    drilling = Drilling().blank(GOOD, [(1.7, GOOD_DB), (0.6, 0.0), (1.7, GOOD_DB)], GOOD, GOOD)
    for _ in range(4):
        drilling.blank(GOOD, GOOD, GOOD, GOOD)
    assert not drilling.found
    assert drilling.blank(GOOD, WENT, FAINT, FAINT).found


@pytest.mark.parametrize("free_sag", [0.0, 0.015])
def test_what_loads_as_ever_is_not_lost(free_sag):
    """Over the spindle running free, though that has not won its speed back."""
    drilling = Drilling(load_shows=True)
    drilling.free_sag = free_sag
    drilling.sag = 0.019
    assert not drilling.blank(GOOD, WENT, FAINT, FAINT).found
    drilling.sag = 0.002
    assert drilling.blank(GOOD, WENT, FAINT, FAINT).found


def test_under_other_sound_nothing_is_judged():
    assert not Drilling(in_other_sound=True).blank(GOOD, WENT, FAINT, FAINT).found


def test_nothing_is_judged_before_good_pecks_were_heard():
    drilling = Drilling()
    drilling.rule = FaintCuts(FEED_MM_S)
    drilling.blank(*[GOOD] * (LEAST_PECKS - 2), WENT, *[FAINT] * 2)
    assert not drilling.found


@pytest.mark.parametrize("last", [[(1.0, GOOD_DB), (3.0, RUBS_DB)], FAINT])
def test_where_the_point_comes_out_a_cut_fades(last):
    assert not Drilling().blank(GOOD, GOOD, GOOD, last).found
