"""`departure`: lines that no longer give at the free speed what they give in cuts."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from monitor.faults.departure import (
    DECIDES_NATS,
    GIVES,
    GONE_GIVES,
    GONE_LESS,
    LATELY_S,
    MOST_NATS,
    SPREAD,
    Departure,
)
from monitor.spindle import GONE_NATS
from tests.hops import hop, rotation, times, work

PECK = work(working=True, loud=True, sure=True, cut_s=0.0, contact_s=0.0)
AUDIBLE = 5.0  # nats, as in a cut ten decibels over the idle machine


def heard(t, given, audible=AUDIBLE, home=1.0, **changes):
    changes = {
        "audible": audible,
        "probability_between": lambda low, high: home,
        "evidence_between": lambda low, high: given,
    } | changes
    return hop(t, **changes)


def gone(t, audible=AUDIBLE, **changes):
    return heard(t, GONE_GIVES - GONE_LESS * audible, audible, home=0.5, **changes)


def step(rule, one, at=PECK, **turning):
    rule.step(one, rotation(**turning), at)
    return rule.left


def cut(rule, seconds=2.0, begin=0.0, at=PECK, audible=AUDIBLE):
    return [step(rule, heard(t, GIVES * audible, audible), at) for t in times(seconds, begin)]


def leave(rule, seconds, begin=2.0, at=PECK, **changes):
    return [step(rule, gone(t, **changes), at, sag=math.nan) for t in times(seconds, begin)]


def test_lines_that_give_what_they_give_in_cuts_are_at_their_speed():
    assert not any(cut(Departure(), 60))


def test_lines_that_are_gone_from_a_cut_are_known_in_a_fifth_of_a_second():
    rule = Departure()
    cut(rule)
    told = leave(rule, 0.5)
    assert told.index(True) <= math.ceil(DECIDES_NATS / MOST_NATS) + 1


def test_lines_that_the_cut_drowns_tell_nothing():
    rule = Departure()
    cut(rule, audible=1.0)
    assert not any(leave(rule, 1.0, audible=1.0))


def test_where_the_track_is_sure_that_it_is_there_the_lines_have_only_faded():
    rule = Departure()
    cut(rule)
    faded = [step(rule, heard(t, 0.0, home=0.99), PECK) for t in times(1.0, 2.0)]
    assert not any(faded)


def test_a_spindle_that_is_switched_off_after_the_cut_has_not_left_it():
    rule = Departure()
    cut(rule)
    cut(rule, 0.3, 2.0, at=work(cut_s=0.0))
    assert not any(leave(rule, 1.0, 2.3, at=work(cut_s=0.0)))


def test_a_speed_that_is_followed_after_the_cut_is_free_however_little_the_lines_give():
    """Six tenths of what they give in cuts, for half a second; then it is switched off, and that sounds like
    a cut."""
    for followed_s, told in ((0.1, True), (0.5, False)):
        rule = Departure()
        cut(rule)
        for t in times(followed_s, 2.0):
            step(rule, heard(t, 0.6 * GIVES * AUDIBLE), work(cut_s=0.0))
        begin = 2.0 + followed_s
        sweep = work(working=True, loud=True, cut_s=begin, contact_s=math.nan)
        assert any(leave(rule, 0.5, begin, sweep)) is told


def test_a_cut_in_which_the_lines_are_mostly_missing_is_none_of_this_spindle():
    """Tones of another machine pass for lines now and then: in one hop of three."""
    rule = Departure()
    for n, t in enumerate(times(3.0)):
        step(rule, heard(t, (0.8 if n % 3 == 0 else 0.4) * GIVES * AUDIBLE))
    assert not any(leave(rule, 0.5, 3.0))
    begin = work(working=True, loud=True, sure=True, cut_s=4.0, contact_s=4.0)
    cut(rule, 0.3, 4.0, at=begin)
    assert rule.at_work_s == pytest.approx(4.3)
    assert any(leave(rule, 0.5, 4.3, at=begin))


def test_nothing_cuts_while_the_spindle_runs_up_and_a_young_cut_is_as_loud_as_cuts_are():
    """A radio, as a spindle on its way to the centre drill's speed passes by; an air gun far off."""
    faint = work(working=True, loud=False, cut_s=0.0, contact_s=0.0)
    for settled, at in ((False, PECK), (True, faint)):
        rule = Departure()
        for t in times(0.8):
            step(rule, heard(t, GIVES * AUDIBLE), at, settled=settled)
        assert rule.at_work_s == -math.inf
        assert not any(leave(rule, 0.5, 0.8, at))


def test_lines_are_weak_where_they_give_less_than_half_way_from_chance_to_what_cuts_give():
    """Where the cut drowns them the two are alike, and that tells nothing."""
    rule = Departure()
    cut(rule)
    step(rule, heard(2.0, 0.8 * GIVES * AUDIBLE), sag=math.nan)
    assert not rule.weak
    step(rule, gone(2.05), sag=math.nan)
    assert rule.weak
    step(rule, heard(2.1, 10.0, audible=0.5), sag=math.nan)
    assert rule.weak


def test_lines_that_sweep_through_the_floor_as_it_is_switched_off_are_no_cut():
    """They raise the floor like a cut, and are weaker from its onset on."""
    rule = Departure()
    cut(rule, 5.0, at=work(cut_s=-9.0))
    sweep = work(working=True, loud=True, cut_s=5.0, contact_s=5.0)
    for t, share in zip(times(0.3, 5.0), np.linspace(0.65, 0.2, 6), strict=True):
        assert not step(rule, heard(t, share * GIVES * AUDIBLE), sweep)
    assert not any(leave(rule, 1.0, 5.3, at=sweep))


def test_a_cut_that_does_not_show_its_load_is_none():
    """A radio, and the spindle switched off under it."""
    rule = Departure()
    cut(rule, 5.0, at=work(working=True, loud=True, cut_s=0.0, contact_s=0.0))
    assert not any(leave(rule, 1.0, 5.0 + LATELY_S))


def test_a_load_that_wavers_for_a_moment_does_not_make_a_cut_none():
    """Three hops under half of the usual load, just before the drill jams: six were needed to believe it."""
    for unsure_s, told in ((0.15, True), (0.6, False)):
        rule = Departure()
        cut(rule)
        cut(rule, unsure_s, 2.0, work(working=True, loud=True, sure=False, cut_s=0.0, contact_s=-2.0))
        late = work(working=True, loud=True, sure=False, cut_s=0.0, contact_s=-2.0)
        assert any(leave(rule, 0.5, 2.0 + unsure_s, late)) is told


def test_after_the_hole_nothing_is_drilled_any_more():
    rule = Departure()
    over = work(working=True, loud=True, cut_s=0.0, contact_s=math.nan)
    cut(rule, 5.0, at=over)
    assert not any(leave(rule, 1.0, 5.0, at=over))


def test_while_the_microphone_gives_no_sound_nothing_is_known():
    rule = Departure()
    cut(rule)
    assert not any(leave(rule, 1.0, stuck=1.0))


def test_a_microphone_that_is_turned_down_takes_the_lines_along():
    rule = Departure()
    loud = [heard(t, GIVES * AUDIBLE, over_db=9.0) for t in times(2.0)]
    assert not any(step(rule, one) for one in loud)
    turned = [gone(t, over_db=-1.0) for t in times(1.0, 2.1)]
    assert not step(rule, heard(2.0, 0.0, over_db=-1.0))  # the track has not doubted yet
    assert not any(step(rule, one, sag=math.nan) for one in turned)


def test_a_cut_that_wavers_with_every_turn_is_no_gain_turned_down():
    """An eccentric blank: the sound falls by 7 dB for a moment before the track doubts."""
    rule = Departure()
    loud = [heard(t, GIVES * AUDIBLE, over_db=9.0) for t in times(2.0)]
    assert not any(step(rule, one) for one in loud)
    assert not step(rule, heard(2.0, 0.0, over_db=2.0))
    assert any(leave(rule, 0.3, 2.05, over_db=8.0))


def test_a_cut_that_dies_away_after_the_lines_have_gone_does_not():
    rule = Departure()
    loud = [heard(t, GIVES * AUDIBLE, over_db=9.0) for t in times(2.0)]
    assert not any(step(rule, one) for one in loud)
    leave(rule, 0.25, over_db=9.0, audible=1.0)  # drowned
    assert any(leave(rule, 0.3, 2.25, over_db=-1.0))


def test_nor_while_it_hears_nothing():
    rule = Departure()
    cut(rule)
    for t in times(1.0, 2.0):
        rule.step(gone(t), rotation(sag=math.nan), PECK, lost=True)
        assert not rule.left


@pytest.mark.parametrize("spread", [2.0, SPREAD, 5.0])
def test_cuts_of_an_hour_decide_no_more_often_than_the_threshold_says(spread):
    """Mean time between false alarms of such a sum is at least exp(threshold) (Lorden 1971, from memory).

    Normal, neighbouring hops share half of their sound; the track is taken as doubting all the while, which
    it does not do where the spindle is at its speed.
    """
    rng = np.random.default_rng(5)
    noise = rng.normal(size=36_001)
    given = GIVES * AUDIBLE + spread * (noise[1:] + noise[:-1]) / math.sqrt(2)
    rule = Departure()
    cut(rule)
    for i, x in enumerate(given[:1000]):  # the spread is learned
        step(rule, heard(2 + i / 20, x), PECK)
    told = [step(rule, heard(52 + i / 20, x, home=0.89), PECK) for i, x in enumerate(given[1000:])]
    begins = sum(now and not before for before, now in pairwise(told))
    assert begins <= len(told) / math.exp(DECIDES_NATS)


def test_lines_that_give_as_in_cuts_at_the_free_speed_are_in_place_wherever_the_ear_is():
    rule = Departure()
    cut(rule)
    step(rule, heard(2.0, GIVES * AUDIBLE, home=0.0), sag=math.nan)
    assert rule.in_place
    assert not rule.missing
    for t in times(0.2, 2.05):
        step(rule, gone(t), sag=math.nan)
    assert rule.missing
    assert not rule.in_place


def test_a_speed_that_is_followed_down_has_left_by_its_sag_alone():
    """A job that lets a spindle sag by a fifth lets it."""
    rule = Departure()
    cut(rule)
    assert not any(step(rule, gone(t), sag=0.2) for t in times(1.0, 2.0))


def test_a_speed_heard_far_off_is_a_slip_while_the_lines_are_in_their_places():
    """A telephone's tone; and for some hops of it in which the lines give less."""
    rule = Departure()
    cut(rule)
    sag = 0.10
    for t in times(0.3, 2.0):
        step(rule, heard(t, GIVES * AUDIBLE), sag=sag)
        assert rule.in_place
    step(rule, gone(2.35), sag=sag)
    assert rule.in_place
    for t in times(0.3, 2.35):
        step(rule, gone(t), sag=sag)
    assert not rule.in_place


def test_a_speed_that_sags_on_after_its_cut_is_a_slip_too_while_the_lines_are_in_their_places():
    """Another machine that slows down, followed since the contact; the drill has been drawn out."""
    rule = Departure()
    cut(rule)
    after = work(loaded=True, cut_s=0.0)
    for t in times(2 * LATELY_S, 2.0):
        step(rule, heard(t, GIVES * AUDIBLE), after, sag=0.3)
        assert rule.in_place
    for t in times(0.3, 2.0 + 2 * LATELY_S):
        step(rule, gone(t), after, sag=0.3)
    assert not rule.in_place


DROWNED, HARDLY = 0.3, 3.0  # nats a hop: the lines are not to be heard, and hardly


def loud_cut(rule, seconds=2.0, sag=0.0, before_s=5.0, **at):
    """The spindle runs free, its lines heard, and goes into a cut that drowns them, as those before did."""
    for t in times(before_s, -10.0):
        step(rule, heard(t, 2.0, DROWNED, home=0.5, confidence=0.3), replace(PECK, cut_s=-10.0), sag=math.nan)
    free = work(cut_s=-10.0)
    for t in times(1.0, -1.0):
        step(rule, heard(t, GIVES * AUDIBLE), free, sag=sag)
    peck = work(working=True, loud=True, sure=True, cut_s=0.0, contact_s=0.0, **at)
    for t in times(seconds):
        step(rule, heard(t, 2.0, DROWNED, home=0.5, confidence=0.3), peck, sag=math.nan)
    return peck


def test_a_spindle_that_stands_after_a_peck_whose_noise_drowned_it_has_left():
    rule = Departure()
    peck = loud_cut(rule)
    assert leave(rule, 0.5, at=peck)[-1]


def test_nothing_is_known_so_long_after_it_was_heard_where_cuts_do_not_drown_it():
    """Another sound does, and the program goes on under it."""
    rule = Departure()
    peck = loud_cut(rule, before_s=0.0, seconds=1.9)
    assert not any(leave(rule, 0.5, at=peck))


def test_one_that_is_heard_again_at_its_speed_has_not():
    rule = Departure()
    peck = loud_cut(rule)
    assert not any(cut(rule, 1.0, 2.0, at=peck))


def test_nor_one_that_had_not_come_to_its_speed_before_the_noise():
    rule = Departure()
    peck = loud_cut(rule, sag=0.2)
    assert not any(leave(rule, 0.5, at=peck))


def test_nor_one_that_goes_to_another_commanded_speed():
    rule = Departure()
    peck = loud_cut(rule)
    assert not any(step(rule, gone(t), peck, sag=math.nan, reference_hz=35.0) for t in times(0.5, 2.0))


def jam(rule):
    """Its speed falls, and the noise of the jam drowns the lines from then on."""
    cut(rule)
    leave(rule, 0.1, audible=HARDLY)
    for t in times(1.5, 2.1):
        step(rule, gone(t, DROWNED), PECK, sag=math.nan)


def test_a_jam_whose_noise_drowns_the_lines_is_known_when_they_should_be_heard_again():
    rule = Departure()
    jam(rule)
    assert leave(rule, 0.5, 3.6, audible=3 * AUDIBLE)[-1]


def test_nor_where_it_was_another_sound_that_went_on():
    """It has the lines in their places again, and no load; then the spindle is switched off under it."""
    rule = Departure()
    jam(rule)
    doubted = replace(PECK, working=False, sure=False)
    assert not any(leave(rule, 0.5, 3.6, audible=3 * AUDIBLE, at=doubted))


def test_lines_that_hardly_tell_do_not_decide_so_long_after():
    rule = Departure()
    jam(rule)
    assert not any(leave(rule, 0.5, 3.6, audible=HARDLY))


def test_a_young_cut_that_should_have_shown_its_load_and_does_not_is_none():
    """A saw next door, and the spindle is switched off under it."""
    saw = work(working=True, loud=True, sure=False, cut_s=0.0, contact_s=0.0, cut_sag=0.015)
    for sag, left in ((0.0, False), (0.015, True)):
        rule = Departure()
        cut(rule, 2.0, -2.0, at=work(cut_s=-10.0))  # free
        for t in times(0.9):
            step(rule, heard(t, GIVES * AUDIBLE), saw, sag=sag if t > 0.3 else math.nan)
        assert (rule.at_work_s > 0.5) is left


def test_what_a_hop_says_of_its_lines_is_told_whatever_is_known_of_the_cut():
    """As the sound of a jam dies away the lines are missed, though it was never surely at work."""
    rule, unsure = Departure(), replace(PECK, sure=False, contact_s=math.nan)
    step(rule, gone(2.0), unsure, sag=math.nan)
    assert 0 < rule.says <= MOST_NATS
    assert rule.nats == 0.0
    step(rule, heard(2.05, GIVES * AUDIBLE), unsure)
    assert rule.says < 0
    step(rule, gone(2.1, audible=0.5), unsure, sag=math.nan)
    assert rule.says == 0.0  # drowned


def test_lines_are_surely_gone_by_as_much_as_of_a_spindle_that_stands():
    rule = Departure()
    cut(rule)
    told = [(step(rule, gone(t), sag=math.nan), rule.surely, rule.nats) for t in times(0.5, 2.0)]
    assert [surely for _, surely, _ in told] == [nats >= GONE_NATS for _, _, nats in told]
    assert [left for left, _, _ in told].index(True) < [surely for _, surely, _ in told].index(True)
    rule.step(heard(2.5, GIVES * AUDIBLE), rotation(), PECK)
    assert not rule.surely


@pytest.mark.parametrize(("silence_s", "told"), [(0.1, False), (0.6, True)])
def test_what_begins_as_a_cut_ends_is_no_young_cut(silence_s, told):
    """A grinder comes as the last peck ends, so faint that the lines are heard in place; then the program
    switches the spindle off. After a silence in which a drill can come back that is a jam at contact."""
    rule, contact_s = Departure(), 2.0 + silence_s
    cut(rule)
    [step(rule, heard(t, GIVES * AUDIBLE), work()) for t in times(silence_s, 2.0)]
    other = work(working=True, loud=True, cut_s=contact_s, contact_s=contact_s)
    rule.at_work_s = -math.inf
    cut(rule, 0.4, contact_s, at=other)
    assert any(leave(rule, 0.5, contact_s + 0.4, at=other)) is told
