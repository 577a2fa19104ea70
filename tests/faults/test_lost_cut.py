"""`lost_cut`: the contact that the rhythm expects stays away; finished holes and hidden contacts are none."""

import math
from types import SimpleNamespace

import pytest

from monitor.faults.episode import Finding
from monitor.faults.lost_cut import (
    ASK_S,
    FIRST_S,
    MOST_SHARE,
    PASSES_S,
    SPARE_SHARE,
    TOGETHER_S,
    LostCutRule,
    broken_off,
)
from monitor.measurements import Kind, Severity
from monitor.schedule import AGREED, SLOWEST_RAPID_MM_S, HeardPeck, Schedule
from monitor.spindle import SpindleState
from tests.hops import hop, rotation, silent, times

FEED_MM_S = 2.0
GAP_S = 1.0
PECKS_MM = (8.0, 5.0, 4.0)
SPARE_S = SPARE_SHARE * PECKS_MM[1] / FEED_MM_S  # of the second peck's time
LATE_S = 0.3


def pecks(*lengths_mm, gap_s=GAP_S):
    return [HeardPeck(mm, gap_s if k else math.nan, mm / FEED_MM_S) for k, mm in enumerate(lengths_mm)]


class Wait:
    """A wait for contact after some pecks of a blank, ``blanks`` like it having been heard before; where the
    program is known it has a contact at ``due_s``."""

    def __init__(self, *heard_mm, blanks=AGREED + 1, job_mm=PECKS_MM, due_s=GAP_S):
        self.due_s, self.doubt_s = due_s, 0.0
        schedule = Schedule(job_mm)
        for _ in range(blanks):
            schedule.learn(pecks(*PECKS_MM))
        self.cycle = SimpleNamespace(
            schedule=schedule, blank=1, heard=pecks(*heard_mm), in_blank=True, in_cut=False, spotting=False,
            from_rest=True, after_whole=True, through=len(heard_mm) >= schedule.count,
            reckoned=False, off_lead=False, overrun=False, touched=False, last_end_s=0.0,
            peck=len(heard_mm) + 1, is_overdue=lambda: True, may_be_in=lambda: self.t < self.doubt_s,
            missed_contact_s=self.missed_contact_s, surely_cut=True, spot_was_a_peck=False,
            so_far=lambda end_s: pecks(8.0, 5.0)[1],
        )  # fmt: skip
        self.detector = SimpleNamespace(
            cutting=False, end_s=0.0, log_odds=-6.0, strength=0.0, rise_db=9.0, load_tells=False,
            hides_cut=False, onset_s=0.0, idle_db=0.0, cut_sag=math.nan, idle_sag_sd=0.0015, level_db=0.0,
            in_other_sound=False, load_shows=False, idle_spread_db=0.4,
        )  # fmt: skip
        self.rule = LostCutRule(FEED_MM_S)
        self.t = 0.0
        self.found = []

    def missed_contact_s(self, end_s, t):
        return self.due_s if t > self.due_s + LATE_S else math.nan

    def go(self, seconds, make=hop, turning=None, **detector):
        vars(self.detector).update(detector)
        for t in times(seconds, self.t):
            found = self.rule.step(make(t), turning or rotation(), self.detector, self.cycle)
            if found is not None:
                self.found.append((t, found))
        self.t += seconds
        return self

    @property
    def held_s(self):
        return self.found[0][0] if self.found else math.inf


@pytest.mark.parametrize("blanks", [0, 2])
def test_nothing_is_lost_where_all_that_was_heard_may_be_other_sound(blanks):
    wait = Wait(8.0, 5.0, blanks=blanks)
    wait.cycle.surely_cut = False
    assert not wait.go(30).found


def test_nor_where_the_centre_drill_may_have_been_a_peck():
    wait = Wait(8.0, 5.0)
    wait.cycle.spot_was_a_peck = True
    assert not wait.go(30).found


def test_a_contact_that_stays_away_is_held_soon_after_its_time():
    wait = Wait(8.0).go(5)
    assert GAP_S + LATE_S < wait.held_s <= GAP_S + LATE_S + ASK_S + 0.1
    found = wait.found[0][1]
    assert found.severity is Severity.HOLD
    assert (found.onset_s, found.unit) == (0.0, "s")
    assert found.limit == pytest.approx(GAP_S)
    assert found.value > found.limit
    assert "the drill is broken" in found.message
    assert wait.found[-1][0] == pytest.approx(5.0)  # as long as it lasts


def test_a_peck_that_ended_early_is_waited_out_and_said():
    """The feed goes on to the bottom, and the retract comes after it."""
    wait = Wait(8.0, 1.0, blanks=0).go(8)
    assert 2.0 + GAP_S < wait.held_s < 2.0 + 2 * GAP_S + SPARE_S + 0.6
    assert "Peck 2 ended after 1.0 of 5.0 mm" in wait.found[0][1].message


def test_a_contact_in_time_is_none():
    wait = Wait(8.0).go(GAP_S).go(2.0, cutting=True)
    wait.cycle.heard, wait.cycle.last_end_s = pecks(8.0, 5.0), wait.t
    assert wait.go(GAP_S, cutting=False, end_s=wait.t).found == []


def test_in_the_first_blank_the_wait_is_generous_until_a_gap_was_heard():
    first, second = Wait(8.0, blanks=0).go(12), Wait(8.0, 5.0, blanks=0).go(12)
    assert 3.0 < first.held_s < 6.0
    assert GAP_S < second.held_s < 3.0 + SPARE_S


def test_after_one_or_two_blanks_the_job_must_agree_with_their_number_of_pecks():
    assert Wait(8.0, blanks=1).go(5).held_s < 3.2
    assert Wait(8.0, blanks=1, job_mm=(6.0, 6.0, 3.0, 2.0)).go(5).found == []
    assert Wait(8.0, blanks=2, job_mm=(6.0, 6.0, 3.0, 2.0)).go(5).found == []  # twice, by chance
    assert Wait(8.0, blanks=3, job_mm=(6.0, 6.0, 3.0, 2.0)).go(5).held_s < 3.2


@pytest.mark.parametrize(
    ("heard", "soon"),
    [
        (pecks(8.0), False),  # the next gap may be another one than in the few blanks so far
        (pecks(8.0, 5.0), True),
        (pecks(8.0, 5.0, gap_s=2.2), False),
        (pecks(8.0, 1.0, gap_s=2.2), True),  # it broke off
    ],
    ids=["no gap yet", "as before", "a longer gap", "broke off"],
)
@pytest.mark.parametrize("blanks", [1, AGREED])
def test_gaps_that_few_blanks_tell_may_be_other_ones_in_the_next(heard, soon, blanks):
    """A person pecks by hand, or waits for the chips: then most of the peck due is waited out."""
    soon_s = GAP_S + LATE_S + ASK_S + 0.1
    wait = Wait(8.0, blanks=blanks)
    wait.cycle.heard = heard
    most_s = MOST_SHARE * PECKS_MM[len(heard)] / FEED_MM_S
    assert (soon_s if soon else GAP_S + most_s) - 0.5 < wait.go(8).held_s < soon_s + (not soon) * most_s
    assert Wait(8.0, blanks=AGREED + 1).go(8).held_s < soon_s


def test_a_finished_hole_is_none():
    assert Wait(*PECKS_MM, blanks=0).go(20).found == []


def test_a_blank_that_does_not_follow_the_schedule_is_not_judged():
    assert Wait(8.0, 7.0, blanks=0).go(20).found == []
    assert Wait(5.0, 1.0, blanks=0).go(20).found == []


@pytest.mark.parametrize(
    "turning",
    [
        rotation(state=SpindleState.STOPPED),
        rotation(state=SpindleState.MASKED),
        rotation(elsewhere=True),
        rotation(settled=False),
    ],
    ids=["stopped", "masked", "another speed", "not settled"],
)
def test_only_at_the_drilling_speed_and_heard(turning):
    assert Wait(8.0).go(10, turning=turning).found == []


def test_a_lost_speed_begins_the_wait_anew():
    wait, other = Wait(8.0, blanks=0), Wait(8.0, blanks=0)
    other.go(1.0)
    wait.go(0.5).go(0.5, silent)
    assert wait.go(12).held_s == pytest.approx(other.go(12).held_s + 1.0, abs=0.11)


def test_loud_sound_hides_a_contact_unless_the_load_tells():
    assert Wait(8.0).go(10, strength=2.0).found == []
    assert Wait(8.0).go(10, strength=2.0, load_tells=True).held_s < 2.0 + SPARE_S


def test_a_lull_within_a_peck_begins_no_wait():
    """Nor does it keep one of the gap before, when the last peck of the hole follows."""
    wait = Wait(8.0, 5.0, blanks=0).go(GAP_S)
    wait.cycle.in_cut = True
    wait.go(1.0, cutting=True)
    wait.go(0.2, cutting=False, log_odds=0.5)
    wait.cycle.heard, wait.cycle.in_cut, wait.cycle.through = pecks(*PECKS_MM), False, True
    assert wait.go(10, log_odds=-6.0, end_s=wait.t).found == []


def test_a_touch_that_is_no_peck_may_be_a_last_faint_one():
    for heard_mm, held in ((PECKS_MM[:2], False), (PECKS_MM[:1], True)):
        wait = Wait(*heard_mm, blanks=0).go(0.5).go(0.2, cutting=True).go(0.1, cutting=False, log_odds=-6.0)
        assert bool(wait.go(10, end_s=wait.t - 0.1).found) is held


def test_a_contact_that_may_have_been_made_is_waited_out_for_its_peck():
    """In a first blank; where it would have been the last one none is due any more."""
    sure, doubted, last = (Wait(*heard_mm, blanks=0) for heard_mm in ((8.0,), (8.0,), (8.0, 5.0)))
    due_s = sure.go(20).held_s
    doubted.doubt_s = last.doubt_s = 5.0
    assert doubted.go(7.5).go(20).held_s >= due_s + PECKS_MM[1] / FEED_MM_S
    assert doubted.held_s < 20
    assert last.go(7.5).go(20).found == []


def test_idling_as_loud_as_a_cut_may_hide_a_contact():
    assert Wait(8.0).go(10, hides_cut=True).found == []
    assert Wait(8.0).go(10, hides_cut=True, load_tells=True).held_s < 2.0 + SPARE_S


def test_where_a_peck_of_the_first_blank_outlasts_its_length_its_gap_is_not_trusted():
    """Another sound hid its end, and cut the gap after it short."""
    honest, hidden = Wait(8.0, 5.0, blanks=0), Wait(8.0, 5.0, blanks=0)
    hidden.cycle.heard = [HeardPeck(8.8, math.nan, 4.4), HeardPeck(5.0, GAP_S - 0.4, 2.5)]
    assert honest.go(12).held_s < hidden.go(12).held_s
    assert hidden.held_s > 3.0


def test_what_may_be_contact_is_waited_for():
    assert Wait(8.0, blanks=0).go(10, log_odds=-0.5).found == []


def test_a_machine_whose_cuts_are_hardly_heard_is_not_judged():
    assert Wait(8.0).go(10, rise_db=1.0).found == []
    assert Wait(8.0).go(10, rise_db=math.nan).found == []
    assert Wait(8.0).go(10, rise_db=1.0, load_tells=True).found


def test_between_blanks_and_after_the_centre_drill_nothing_is_expected():
    for name in ("in_blank", "spotting"):
        wait = Wait(8.0)
        setattr(wait.cycle, name, name == "spotting")
        assert wait.go(10).found == []


def test_a_cut_ends_it():
    wait = Wait(8.0).go(3)
    n = len(wait.found)
    assert n
    assert len(wait.go(1, cutting=True).found) == n


def test_what_was_heard_without_a_spindle_at_speed_expects_no_contact():
    """Another sound while the spindle was not heard, as long as a peck by chance."""
    wait = Wait(8.0, blanks=0)
    wait.cycle.heard = [peck._replace(sure=False) for peck in wait.cycle.heard]
    assert not wait.go(20).found


@pytest.mark.parametrize(("beats", "held"), [(True, True), (False, False)])
def test_a_peck_that_beats_as_the_lips_come_round_is_one_though_it_hardly_loads(beats, held):
    """In a first blank, on a machine whose speed wanders by as much as cuts take of it."""
    wait = Wait(8.0, 3.0, blanks=0)
    wait.cycle.heard[-1] = wait.cycle.heard[-1]._replace(sure=False, beats=beats)
    assert bool(wait.go(20).found) is held


@pytest.mark.parametrize(("gap_s", "held"), [(GAP_S, True), (0.4 * GAP_S, False)])
def test_a_cut_that_is_lost_loads_no_more_but_it_came_when_one_was_due(gap_s, held):
    wait = Wait(8.0, 5.0, 1.0, blanks=0, job_mm=(*PECKS_MM, 4.0))
    wait.cycle.heard[-1] = wait.cycle.heard[-1]._replace(sure=False, gap_s=gap_s)
    assert bool(wait.go(20).found) is held


@pytest.mark.parametrize(("load_tells", "held"), [(False, False), (True, True)])
def test_a_tap_between_blanks_is_no_first_peck_but_where_it_loaded_the_spindle(load_tells, held):
    wait = Wait(0.9 * FIRST_S * FEED_MM_S, blanks=0)
    wait.detector.load_tells = load_tells
    assert bool(wait.go(20).found) is held


def test_a_short_peck_that_should_come_is_not_waited_for_beyond_its_end():
    """The first gap of the first blank may be misdated by half a second; the next peck takes no longer."""
    short_mm = 1.2
    wait = Wait(8.0, short_mm, blanks=0, job_mm=(8.0, short_mm, short_mm, short_mm)).go(5)
    assert GAP_S < wait.held_s <= 1.2 * GAP_S + MOST_SHARE * short_mm / FEED_MM_S + 0.1


@pytest.mark.parametrize("from_rest", [True, False])
def test_a_later_peck_is_not_taken_for_a_first_one_that_ended_early(from_rest):
    """Where the spindle turned on between two blanks, their border may have been misheard."""
    wait = Wait(5.0, blanks=0)
    wait.cycle.from_rest = from_rest
    assert bool(wait.go(20).found) is from_rest


@pytest.mark.parametrize("after_whole", [True, False])
def test_a_later_peck_is_not_taken_for_a_first_one_as_long(after_whole):
    """Where the spindle turns on, other sound may have cut the blank in two."""
    wait = Wait(4.8, job_mm=(5.0, 5.0, 4.0), blanks=0)
    wait.cycle.from_rest, wait.cycle.after_whole = False, after_whole
    assert bool(wait.go(20).found) is after_whole


def test_the_way_grows_from_the_depth_at_which_its_newest_gap_was_heard():
    """Four pecks of a first blank, the third of them unsure: the last gap that counts is two pecks old."""
    held = []
    for sure in (True, False):
        wait = Wait(6.0, 6.0, 6.0, 6.0, blanks=0, job_mm=(6.0,) * 6)
        gaps = (math.nan, 2.0, 3.0, 4.0)
        wait.cycle.heard = [
            peck._replace(gap_s=gap_s, sure=sure or k != 2)
            for k, (peck, gap_s) in enumerate(zip(wait.cycle.heard, gaps, strict=True))
        ]
        held.append(wait.go(20).held_s)
    assert min(held) > 5.0  # 2, 3, 4 s, and 5 s then


def test_the_way_grows_no_faster_than_the_slowest_axis_goes():
    """A first peck that was heard late made the depth at its end seem small."""
    wait = Wait(2.0, 16.0, blanks=0, job_mm=(4.0, 16.0, 4.0))
    wait.cycle.schedule.point_mm = 2.0
    wait.go(20)
    assert 1.0 + 2 * 16 / SLOWEST_RAPID_MM_S < wait.held_s < 5.0 * GAP_S


def rubbing(load, *heard_mm, audible=20.0, blanks=0, fainter_db=8.0, **cycle):
    """The third peck under way for 3 s, its load as given of that of cuts (2 %), and so much fainter."""
    wait = Wait(*heard_mm, blanks=blanks)
    vars(wait.cycle).update(in_cut=True, **cycle)
    cut = {"cutting": True, "load_tells": True, "cut_sag": 0.02, "onset_s": 0.0}
    cut |= {"rise_db": 12.0, "idle_db": 0.0, "level_db": 12.0 - fainter_db}
    return wait.go(3.0, lambda t: hop(t, audible=audible), rotation(sag=load * 0.02), **cut)


def test_a_peck_that_hardly_loads_after_one_that_ended_early_is_held():
    """A blank that spins rubs, and sounds like a cut."""
    wait = rubbing(0.3, 8.0, 2.0)
    assert 1.4 < wait.held_s < 1.8  # a second after the load should have answered
    found = wait.found[0][1]
    assert (found.severity, found.unit, found.onset_s) == (Severity.HOLD, "%", 0.0)
    assert found.value == pytest.approx(30.0)
    assert "Peck 3 loads the spindle by 30 % of what cuts do" in found.message
    wait.cycle.in_cut = False
    wait.go(1.0, cutting=False)  # once, until the blank is over
    assert wait.found[-1][0] == pytest.approx(4.0)
    wait.cycle.in_blank = False
    count = len(wait.found)
    assert len(wait.go(1.0).found) == count


@pytest.mark.parametrize("load", [0.0, 0.6, 1.0])
def test_neither_a_cut_nor_what_loads_nothing_rubs(load):
    """That is another sound, or a drive that wins its speed back."""
    assert rubbing(load, 8.0, 2.0).found == []


def test_a_light_peck_as_loud_as_a_cut_does_not():
    """The free speed was read wrong."""
    assert rubbing(0.3, 8.0, 2.0, fainter_db=1.0).found == []


def test_one_light_peck_may_be_another_sound():
    assert rubbing(0.3, 8.0, 5.0).found == []
    light = pecks(8.0, 5.0)
    light[1] = light[1]._replace(sure=False)
    assert rubbing(0.3, 8.0, 5.0, heard=light).held_s < 1.8


def test_a_load_is_not_told_by_lines_that_are_not_heard():
    assert rubbing(0.3, 8.0, 2.0, audible=1.0).found == []


def test_what_only_touches_does_not_end_the_wait():
    wait = Wait(8.0, 1.0, blanks=0)
    alone = Wait(8.0, 1.0, blanks=0).go(8)
    wait.go(1.0).go(0.5, cutting=True)
    wait.cycle.touched = True
    wait.go(8, cutting=False, end_s=1.5)
    assert wait.held_s == pytest.approx(alone.held_s, abs=ASK_S + 0.05)


@pytest.mark.parametrize(("rise_db", "waits"), [(2.0, True), (9.0, False)], ids=["by load alone", "heard"])
def test_what_is_waited_for_may_come_unheard_while_another_machine_is_followed(rise_db, waits):
    """A lathe beside it runs up through its speed: then no load of this one is known, nor afterwards what was
    cut meanwhile, though something touches again."""
    heard = {"rise_db": rise_db, "load_tells": True}
    for strange in (rotation(sag=-0.2), rotation(sag=math.nan, slipped=True)):
        alone, other = Wait(8.0, 1.0, blanks=0).go(12, **heard), Wait(8.0, 1.0, blanks=0)
        other.go(0.5, **heard).go(3.0, turning=strange).go(0.2, cutting=True)
        other.cycle.touched = True
        other.go(12, cutting=False, end_s=other.t)
        assert (other.held_s > alone.held_s + 2.5) is waits


def test_pecks_that_sound_on_while_the_axis_draws_the_drill_out_follow_the_job():
    assert Wait(9.5, 6.5, 1.0, blanks=0, job_mm=(*PECKS_MM, 4.0)).go(20).held_s < 12
    assert Wait(16.0, 6.5, 1.0, blanks=0, job_mm=(*PECKS_MM, 4.0)).go(20).found == []


@pytest.mark.parametrize(
    ("heard_mm", "broke_off"), [((8.0, 1.0), True), ((8.0, 5.0), False), ((8.0,), False)]
)
def test_a_peck_that_ended_early_broke_off(heard_mm, broke_off):
    wait = Wait(*heard_mm).go(0.2)
    assert (wait.rule.broke_off_s == wait.cycle.last_end_s) is broke_off
    assert math.isnan(wait.go(0.2, cutting=True).rule.broke_off_s)


@pytest.mark.parametrize(("blanks", "broke_off"), [(2, True), (1, False)])
def test_one_too_short_by_less_than_a_quarter_did_where_two_blanks_tell_its_length(blanks, broke_off):
    wait = Wait(8.0, 4.0, blanks=blanks).go(0.2)
    assert (wait.rule.broke_off_s == wait.cycle.last_end_s) is broke_off


@pytest.mark.parametrize(("mm", "broke_off"), [(1.0, True), (5.0, False)])
def test_a_cut_that_is_not_heard_any_more_broke_off_if_it_was_too_short(mm, broke_off):
    """A knock may be told before the silence is known to be no lull."""
    wait = Wait(8.0)
    wait.cycle.so_far = lambda end_s: pecks(8.0, mm)[1]
    wait.cycle.in_cut = True
    assert math.isnan(wait.go(0.2, cutting=True).rule.broke_off_s)
    wait.go(0.2, cutting=False, end_s=0.2)
    assert (wait.rule.broke_off_s == 0.2) is broke_off


def test_what_sounds_like_a_cut_too_shortly_for_a_peck_does_not_begin_the_wait_anew():
    alone = Wait(8.0, due_s=3.0).go(5)
    wait = Wait(8.0, due_s=3.0).go(2.0).go(0.2, cutting=True).go(2.8, cutting=False, end_s=2.2)
    assert wait.held_s == pytest.approx(alone.held_s, abs=ASK_S + 0.05)


def test_nothing_breaks_off_where_pecks_are_not_those_of_the_schedule():
    assert math.isnan(Wait(5.0, 1.0).go(0.2).rule.broke_off_s)


@pytest.mark.parametrize(
    ("point_mm", "heard_mm", "held"), [(2.5, 5.0, False), (1.5, 5.0, True), (2.5, 2.5, True)]
)
def test_a_last_peck_no_longer_than_the_point_may_not_be_heard(point_mm, heard_mm, held):
    """The point is coming out of the far side; but where the peck before ended early, it is judged."""
    wait = Wait(8.0, heard_mm, blanks=0, job_mm=(8.0, 5.0, 2.0))
    wait.cycle.schedule.point_mm = point_mm
    assert (wait.go(20).found != []) is held


@pytest.mark.parametrize(("point_mm", "held"), [(4.1, False), (2.5, True)])
def test_two_last_pecks_within_the_point_may_be_heard_short_or_not_at_all(point_mm, held):
    """From when the point comes out the cut fades: its end tells nothing of a broken drill."""
    wait = Wait(8.0, 5.0, 1.0, blanks=0, job_mm=(8.0, 5.0, 2.0, 2.0))
    wait.cycle.schedule.point_mm = point_mm
    assert (wait.go(20).found != []) is held


def test_pecks_of_a_first_blank_heard_through_a_sound_that_has_gone_are_not_counted():
    assert Wait(8.0, 5.0, blanks=0).go(0.5, idle_db=6.0).go(12, idle_db=0.0).found == []
    assert Wait(8.0, 5.0, blanks=0).go(0.5, idle_db=2.0).go(12, idle_db=0.0).found != []


def knock_since(s):
    return Finding(Kind.LOOSENING, Severity.HOLD, "It knocks.", 9.0, 4.0, "dB", s)


@pytest.mark.parametrize(
    ("knocks_since_s", "lost"), [(7.0, True), (5.0 - TOGETHER_S / 2, True), (5.0 - 2 * TOGETHER_S, False)]
)
def test_what_knocks_only_since_the_cut_broke_off_is_a_lost_cut(knocks_since_s, lost):
    """A holding that backs off knocks in the cut, and may lose it later."""
    knock = knock_since(knocks_since_s)
    told = broken_off(knock, 5.0)
    assert (told is not None) is lost
    if told is not None:
        assert (told.kind, told.severity, told.onset_s) == (Kind.LOST_CUT, Severity.HOLD, knocks_since_s)
        assert "broken" in told.message


def test_a_knock_where_nothing_broke_off_is_no_lost_cut():
    assert broken_off(knock_since(7.0), math.nan) is None
    assert broken_off(None, 5.0) is None


def test_a_free_speed_read_too_low_is_no_other_machine_for_long():
    """What stands 5 % over it goes on for ever; a lathe that runs up is past it in seconds."""
    wait = Wait(8.0, 5.0).go(30, turning=rotation(sag=-0.05), rise_db=2.0, load_tells=True)
    assert PASSES_S <= wait.held_s < PASSES_S + 8.0


@pytest.mark.parametrize(("cut", "again"), [(True, False), (False, True)])
def test_a_program_that_waits_for_chips_to_clear_is_held_once_and_not_in_every_blank(cut, again):
    wait = Wait(8.0, blanks=0).go(9.0)
    assert wait.found
    held_s = wait.held_s
    wait.cycle.in_cut = True
    wait.go(2.5, cutting=True)
    # the second peck came 9 s after the first; in the next blank the wait is as long
    after = pecks(8.0, 5.0, gap_s=9.0)
    wait.cycle.heard = after if cut else [after[0], after[1]._replace(sure=False)]
    wait.cycle.in_cut, wait.found = False, []
    wait.go(0.5, cutting=False, end_s=wait.t)
    wait.cycle.in_cut = True
    wait.go(2.0, cutting=True)
    wait.cycle.blank, wait.cycle.heard, wait.cycle.in_cut = 2, pecks(8.0), False
    since_s = wait.t
    wait.go(9.3, cutting=False, end_s=since_s)
    assert bool(wait.found) is again
    if not again:
        wait.go(5.0)
        assert held_s < wait.held_s - since_s < 9.0 + MOST_SHARE * PECKS_MM[1] / FEED_MM_S + 0.5


@pytest.mark.parametrize("blanks", [1, 2, 5])
def test_a_blank_none_of_whose_pecks_was_heard_has_no_gaps_to_agree_with(blanks):
    """What touched before it began the wait; nothing is known to be missing then."""
    wait = Wait(8.0, blanks=blanks, due_s=math.nan)
    wait.cycle.heard = []
    assert wait.go(20.0).found == []
