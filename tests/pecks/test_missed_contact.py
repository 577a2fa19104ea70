"""Contacts that stay away, and cuts that break off."""

import math
from types import SimpleNamespace

import pytest

from monitor.pecks.missed import _first_broke_off
from monitor.schedule import HeardPeck, Schedule
from tests.hops import hop, rotation, times
from tests.pecks.walk import FEED_MM_S, GOOD_SPANS, Walk, batch, begun, job, missed


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
        walk.hear(t, hop(t, over_db=4.0), rotation(sag=sag))
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


@pytest.mark.parametrize("slips", [True, False])
def test_a_start_that_was_none_in_a_first_peck_makes_no_last_one_missing(slips):
    """Under a voice the spindle is taken to stand while the first peck is cut: the later ones then come as
    the program has them, a peck on, and nothing is due after the last, of which the point comes out. Gaps
    that grow as the way does tell which pecks they are."""
    lengths_mm, gaps_s = (3.6, *6 * (3.3,)), (0.8, 1.05, 1.3, 1.55, 1.75, 1.95)
    walk = Walk(job(pecks=lengths_mm, depth=sum(lengths_mm))).rest(1)
    for _ in range(3):
        walk.start().rest(1)
        for mm, gap_s in zip(lengths_mm, (*gaps_s, 2.0), strict=True):
            walk.cut(mm / FEED_MM_S).rest(gap_s)
        walk.stop().rest(4)
    walk.start().rest(1)
    walk.begin_s = walk.t
    first = 1 if slips else 0
    for mm, gap_s in zip(lengths_mm[first : first + 5], gaps_s[first : first + 5], strict=True):
        walk.cut(mm / FEED_MM_S).rest(gap_s)
    walk.cut(2.4 / FEED_MM_S).rest(3.3)
    assert math.isnan(missed(walk)) is slips


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
    [
        (8.0, 0.01, 1.0, True),
        (8.0, 0.0, 9.0, True),
        (8.0, 0.0, 1.0, False),
        (5.0, 0.01, 9.0, True),
        (5.0, 0.01, 1.0, False),
        (3.0, 0.01, 9.0, False),
    ],
    ids=["loads", "beats", "only sounds", "broke off", "broke off, does not beat", "touches"],
)
def test_a_first_peck_that_surely_was_one_is_followed_however_long_the_change_took(mm, sag, beat, told):
    """What ended early may be a person who touches the face with the drill."""
    walk = changed_by_hand(10.0, 16.0, 30.0)
    assert walk.cycle.schedule.known
    walk.peck(mm, sag=sag, beat=beat).rest((8.0 - mm) / FEED_MM_S + 1.5)
    assert bool(missed(walk) == missed(walk)) is told


@pytest.mark.parametrize(
    ("peck", "load_tells", "told"),
    [
        (HeardPeck(3.0, math.nan, 1.7, sure=True, beats=True, loads=True), True, True),
        (HeardPeck(3.0, math.nan, 1.7, sure=True, beats=False, loads=True), True, False),
        (HeardPeck(3.0, math.nan, 1.7, sure=False, beats=True), True, False),
        (HeardPeck(3.0, math.nan, 1.7, sure=True, beats=True, loads=True), False, False),
        (HeardPeck(5.0, math.nan, 2.8, beats=True), False, True),
        (HeardPeck(1.5, math.nan, 0.8, sure=True, beats=True, loads=True), True, False),
        (HeardPeck(9.0, math.nan, 5.0, sure=True, beats=True, loads=True), True, False),
    ],
)
def test_what_surely_is_a_first_peck_that_broke_off_loads_and_beats(peck, load_tells, told):
    """Or beats for half of it. What a person holds against a blank that runs out of true may beat as well."""
    schedule = Schedule((8.0, 5.0, 5.0))
    blank = SimpleNamespace(schedule=schedule, pecks=[peck], detector=SimpleNamespace(load_tells=load_tells))
    assert _first_broke_off(blank) is told


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
    walk.hear(walk.t, hop(walk.t), rotation(changed=True))
    assert math.isnan(missed(walk.rest(1.0)))


def test_a_gap_that_another_sound_cut_short_in_the_only_blank_so_far_is_waited_out():
    """It began 1.2 s before the second contact, so that the peck seemed as much longer."""
    walk = Walk(job(pecks=(8.0, 5.0, 5.0)))
    walk.hear(walk.t, hop(walk.t), rotation(started=True))
    walk.rest(1)
    early_s, gap_s = 1.2, 2.2
    walk.cut(8 / FEED_MM_S).rest(gap_s - early_s).cut(5 / FEED_MM_S + early_s).rest(2.6).peck(5.0).stop()
    assert walk.cycle.schedule.known
    walk.hear(walk.t, hop(walk.t), rotation(started=True))
    walk.rest(1)
    walk.begin_s = walk.t
    walk.cut(8 / FEED_MM_S)
    for _ in range(4):
        assert math.isnan(missed(walk.rest(gap_s / 4)))
    assert missed(walk.rest(2.0)) == pytest.approx(8 / FEED_MM_S + gap_s, abs=0.3)
