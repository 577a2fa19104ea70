"""`stall`: lines that vanish, or a speed that collapses, at work and only there."""

import math
from dataclasses import replace

import numpy as np
import pytest

from monitor.faults.departure import LOUDEST, MOST_NATS
from monitor.faults.stall import (
    COASTS_S,
    COLLAPSE,
    DIES_DB,
    FALLS_DB,
    IN_PLACE,
    JAM_DB,
    LOUDER_DB,
    QUIET_HOPS,
    QUIETER_DB,
    StallRule,
)
from monitor.measurements import Kind, Severity
from monitor.spindle import SpindleState
from tests.hops import SPINDLE_HZ, hop, rotation, silent, times, work

STOPPED = {"state": SpindleState.STOPPED, "sag": math.nan}
FREE, CUTTING, LOADED = work(), work(working=True, loud=True), work(loaded=True)


def walk(rule, seconds, begin=0.0, at=FREE, make=hop, sagging=False, **turning):
    return [rule.step(make(t), rotation(**turning), at, sagging) for t in times(seconds, begin)]


def vanish(rule, t):
    return rule.step(silent(t), rotation(**STOPPED, vanished=True), FREE, False)


def test_turning_and_cutting_is_no_stall():
    assert not any(walk(StallRule(), 5, at=CUTTING, sag=0.02))


@pytest.mark.parametrize("at", [CUTTING, LOADED])
def test_lines_that_vanish_at_work_are_a_stall_until_it_turns_again(at):
    """Also of a drill that fell silent as it bound."""
    rule = StallRule()
    walk(rule, 2, at=at)
    found = vanish(rule, 2.2)
    assert (found.kind, found.severity, found.value) == (Kind.STALL, Severity.HOLD, 100.0)
    assert found.onset_s == pytest.approx(2.0)  # when it was last heard to turn
    assert all(walk(rule, 3, 2.2, make=silent, **STOPPED))
    assert not any(walk(rule, 1, 5.2))


@pytest.mark.parametrize(("at_work_s", "told"), [(2.0, True), (-math.inf, False)])
def test_what_was_never_surely_at_work_has_not_stalled(at_work_s, told):
    """A compressor hid that the spindle was switched off, and passed for it in a cut; then it ended too."""
    rule = StallRule()
    walk(rule, 2, at=CUTTING)
    gone = rotation(**STOPPED, vanished=True)
    assert bool(rule.step(silent(2.2), gone, FREE, False, at_work_s=at_work_s)) is told


@pytest.mark.parametrize("at", [CUTTING, LOADED])
def test_what_goes_on_after_the_peck_should_be_over_is_another_sound(at):
    """A compressor ends as the program switches the spindle off: its sound falls with the lines."""
    rule = StallRule()
    walk(rule, 2, at=at)
    walk(rule, 1, 2.0, at=replace(at, contact_s=math.nan))
    assert vanish(rule, 3.2) is None


def test_a_spindle_switched_off_between_cuts_is_no_stall():
    rule = StallRule()
    walk(rule, 2, at=CUTTING)
    walk(rule, 1, 2.0)
    assert vanish(rule, 3.2) is None
    assert not any(walk(rule, 2, 3.2, make=silent, **STOPPED))


def test_lines_that_sweep_down_as_it_is_switched_off_are_no_cut():
    """They raise the floor like a cut, but only once they have left their places."""
    rule = StallRule()
    walk(rule, 2)
    walk(rule, 0.4, 2.0, at=CUTTING, make=lambda t: hop(t, support=0.2))
    assert vanish(rule, 2.6) is None


def test_a_stall_soon_after_contact_is_one():
    """The drill touched at 2.0 s, the cut was known at 2.2 s, and the lines were in place until 2.4 s."""
    rule = StallRule()
    walk(rule, 2.2)
    walk(rule, 0.2, 2.2, at=work(working=True, loud=True, contact_s=2.0), make=lambda t: hop(t, over_db=9.0))
    assert vanish(rule, 2.8)


def test_a_spindle_that_vanishes_under_a_sound_that_goes_on_was_switched_off():
    rule = StallRule()
    loud = {"over_db": 9.0}
    walk(rule, 2, at=CUTTING, make=lambda t: hop(t, **loud))
    assert rule.step(silent(2.2, **loud), rotation(**STOPPED, vanished=True), FREE, False) is None
    assert not any(walk(rule, 1, 2.2, make=lambda t: silent(t, **loud), **STOPPED))
    assert not any(walk(rule, 1, 3.2, make=silent, **STOPPED))  # it ends long after


PECK = work(working=True, loud=True, sure=True)
LOUD = {"over_db": 9.0}


def test_lines_that_go_in_a_peck_of_the_program_are_a_stall_though_the_sound_goes_on():
    """Power lost in the cut: the spindle coasts, and cuts on for as long as it turns."""
    rule = StallRule()
    walk(rule, 2, at=PECK, make=lambda t: hop(t, **LOUD))
    found = walk(rule, 0.5, 2.0, make=lambda t: silent(t, **LOUD), at=PECK, sag=math.nan)
    # frames overlap by half: at 20 nats a hop two hops make the odds of 10 000 to 1
    assert [bool(each) for each in found[:3]] == [False, True, True]
    assert found[1].onset_s == pytest.approx(2.0)


def test_lines_that_are_drowned_in_the_peck_are_not_gone():
    rule = StallRule()
    walk(rule, 2, at=PECK, make=lambda t: hop(t, **LOUD))
    drowned = {"over_db": 9.0 + LOUDER_DB + 0.5}
    assert not any(walk(rule, 2, 2.0, make=lambda t: silent(t, **drowned), at=PECK, sag=math.nan))


def test_lines_that_are_not_expected_to_be_heard_are_not_missed():
    rule = StallRule()
    walk(rule, 2, at=PECK, make=lambda t: hop(t, **LOUD))
    faint = {"over_db": 9.0, "audible": 0.2}
    assert not any(walk(rule, 3, 2.0, make=lambda t: silent(t, **faint), at=PECK, sag=math.nan))


def test_faint_lines_that_are_long_away_from_a_sure_peck_are_a_stall_once_its_sound_falls():
    """Each hop tells a nat, so that 10 000 to 1 would take 26: but the speed is not where it was, in six."""
    sure, short = StallRule(), StallRule()
    walk(sure, 2, at=PECK, make=lambda t: hop(t, **LOUD))
    faint = {"over_db": 9.0, "audible": 1.0}
    assert not any(walk(sure, 0.5, 2.0, make=lambda t: silent(t, **faint), at=PECK, sag=math.nan))
    fainter = {"over_db": 5.0, "audible": 1.0}
    found = walk(sure, 0.5, 2.5, make=lambda t: silent(t, **fainter), at=PECK, sag=math.nan)
    assert found[3]
    walk(short, 0.2, 0.0, at=PECK, make=lambda t: hop(t, **LOUD))
    assert not any(walk(short, 1, 0.2, make=lambda t: silent(t, **fainter), at=PECK, sag=math.nan))


@pytest.mark.parametrize(("beat", "told"), [(1.0, True), (20.0, False)])
def test_a_cut_that_beats_as_a_spindle_at_its_speed_would_has_not_stalled(beat, told):
    """An eccentric burl, louder with each turn than its mean, drowned its lines for half a second."""
    rule = StallRule()
    walk(rule, 2, at=PECK, make=lambda t: hop(t, **LOUD))
    faint = {"over_db": 14.0, "audible": 1.5, "beat_at": lambda hz: beat if hz > 0.9 * SPINDLE_HZ else 0.0}
    found = walk(rule, 1, 2.0, make=lambda t: silent(t, **faint), at=PECK, sag=math.nan)
    assert any(found) is told


@pytest.mark.parametrize(("gains_db", "told"), [(1.0, False), (5.0, True)])
def test_faint_lines_that_are_away_from_a_peck_that_got_louder_are_a_stall_too(gains_db, told):
    """A drill that jams gets louder first; a cut that is as loud as before may just hide its lines."""
    rule = StallRule()
    walk(rule, 2, at=PECK, make=lambda t: hop(t, **LOUD))
    faint = {"over_db": 9.0 + gains_db, "audible": 1.0}
    found = walk(rule, 0.8, 2.0, make=lambda t: silent(t, **faint), at=PECK, sag=math.nan)
    assert any(found) is told


@pytest.mark.parametrize(("gains_db", "told"), [(1.0, False), (5.0, True)])
def test_a_cut_that_got_loud_with_its_lines_heard_has_not_jammed(gains_db, told):
    """The point enters for a second: the cut is then louder than it was in the mean, and goes on."""
    rule = StallRule()
    walk(rule, 1, at=PECK, make=lambda t: hop(t, over_db=3.0))
    walk(rule, 1, 1.0, at=PECK, make=lambda t: hop(t, over_db=3.0 + 12 * (t - 1.0)))
    faint = {"over_db": 15.0 + gains_db, "audible": 1.0}
    found = walk(rule, 0.8, 2.0, make=lambda t: silent(t, **faint), at=PECK, sag=math.nan)
    assert any(found) is told


@pytest.mark.parametrize(("before_db", "told"), [(14.0, False), (9.0, True)])
def test_a_cut_as_loud_as_those_before_has_not_jammed(before_db, told):
    """It wavers, and its faint lines were heard in quieter moments."""
    rule, lost = StallRule(), {"at": PECK, "sag": math.nan}
    peck = replace(PECK, cutting=True)
    walk(rule, 2, at=peck, make=lambda t: hop(t, over_db=before_db))
    walk(rule, 1, 2.0)
    walk(rule, 2, 3.0, at=peck, make=lambda t: hop(t, **LOUD))
    faint = {"over_db": 14.0, "audible": 1.0}
    found = walk(rule, 0.8, 5.0, make=lambda t: silent(t, **faint), **{**lost, "at": peck})
    assert any(found) is told


def test_a_cut_under_another_sound_does_not_tell_how_loud_cuts_are():
    rule, peck = StallRule(), replace(PECK, cutting=True)
    walk(rule, 2, at=peck, make=lambda t: hop(t, **LOUD))
    walk(rule, 1, 2.0)
    walk(rule, 2, 3.0, at=replace(peck, strength=LOUDEST + 1), make=lambda t: hop(t, over_db=26.0))
    walk(rule, 1, 5.0)
    walk(rule, 2, 6.0, at=peck, make=lambda t: hop(t, **LOUD))
    jams = {"over_db": 15.0, "audible": 1.0}
    assert any(walk(rule, 0.8, 8.0, make=lambda t: silent(t, **jams), at=peck, sag=math.nan))


@pytest.mark.parametrize(("home", "told"), [(0.02, False), (0.5, True)])
def test_a_speed_found_by_chance_is_no_sign_of_lines_that_were_there_until_the_cut_died_away(home, told):
    """The ear had lost the spindle in a loud cut for long before it ended."""
    rule = StallRule()
    walk(rule, 2, at=PECK, make=lambda t: hop(t, **LOUD))
    loud = {"over_db": 10.0 + JAM_DB, "audible": 0.3, "support": 0.3, "spindle_hz": 6.0, "confidence": 0.6}
    there = {"probability_between": lambda low, high: home}
    walk(rule, 1.5, 2.0, make=lambda t: hop(t, **loud, **there), at=PECK, sag=math.nan)
    ends = [{"over_db": 10.0 + JAM_DB, "audible": 4.0}] * 3 + [{"over_db": 8.0 - DIES_DB, "audible": 4.0}] * 2
    found = [
        rule.step(silent(3.5 + 0.05 * k, **one), rotation(sag=math.nan), PECK, False)
        for k, one in enumerate(ends)
    ]
    assert any(found) is told


def jam(ends, says, home=0.3):
    """A cut gets loud for a quarter of a second, then dies away while the track still follows a speed."""
    rule = StallRule()
    walk(rule, 2, at=PECK, make=lambda t: hop(t, **LOUD))
    there = {"probability_between": lambda low, high: home, "spindle_hz": 16.0, "support": 0.3}
    loud = {"over_db": 10.0 + JAM_DB, "audible": 1.0, **there}
    for t in times(0.25, 2.0):
        rule.step(hop(t, **loud), rotation(sag=math.nan), PECK, False, says=says)
    falls = [hop(2.25 + 0.05 * k, over_db=db, audible=5.0, **there) for k, db in enumerate(ends)]
    return [bool(rule.step(one, rotation(sag=math.nan), PECK, False, says=says)) for one in falls]


def test_lines_missed_as_a_jam_dies_away_are_a_stall_though_the_track_follows_late():
    """Two hops of a frame without them say a thousand to one, with the course of the sound."""
    assert jam([9.0 - DIES_DB - 1, 3.0, 1.0], MOST_NATS) == [False, True, True]


@pytest.mark.parametrize(
    ("ends_db", "says", "home"),
    [
        (9.0, MOST_NATS, 0.3),  # the cut goes on as loud as it was
        (9.0 - DIES_DB - 1, 0.0, 0.3),  # the lines stay drowned
        (9.0 - DIES_DB - 1, -1.0, 0.3),  # or are heard in their places
        (9.0 - DIES_DB - 1, MOST_NATS, 0.9),  # where the track has the spindle too
    ],
)
def test_a_loud_sound_that_ends_in_a_cut_is_no_stall_by_itself(ends_db, says, home):
    assert not any(jam([ends_db] * 4, says, home))


def test_a_track_that_goes_astray_in_the_noise_is_no_stall():
    """A cut that tells next to nothing of its lines, for a second: ten to one is one odds, not one a hop."""
    astray = {"over_db": 13.0, "audible": 1.0}
    rule = StallRule()
    walk(rule, 2, at=PECK, make=lambda t: hop(t, **LOUD))
    assert not any(walk(rule, 0.6, 2.0, make=lambda t: silent(t, **astray), at=PECK, sag=math.nan))


@pytest.mark.parametrize(("ago_s", "told"), [(0.2, True), (COASTS_S + 0.1, False)])
def test_a_spindle_told_to_bind_that_is_not_back_is_a_stall_sooner(ago_s, told):
    rule = StallRule()
    walk(rule, 2, at=PECK, make=lambda t: hop(t, **LOUD))
    rule.step(hop(2.0, **LOUD), rotation(sag=0.1), PECK, True)
    begin = 2.0 + ago_s
    walk(rule, ago_s, 2.05, at=PECK, make=lambda t: hop(t, **LOUD))
    faint = {"over_db": 13.0, "audible": 1.0}
    assert any(walk(rule, 0.4, begin, make=lambda t: silent(t, **faint), at=PECK, sag=math.nan)) is told


def test_lines_that_are_in_their_places_are_not_gone_wherever_the_ear_is():
    rule = StallRule()
    walk(rule, 2, at=PECK, make=lambda t: hop(t, **LOUD))
    astray = [silent(t, **LOUD) for t in times(2, 2.0)]
    assert not any(rule.step(one, rotation(sag=math.nan), PECK, False, in_place=True) for one in astray)


def test_lines_that_give_what_they_give_in_cuts_are_not_gone_though_the_ear_has_lost_the_speed():
    rule = StallRule()
    walk(rule, 2, at=PECK, make=lambda t: hop(t, **LOUD))
    lost = rotation(sag=math.nan)
    assert not any(rule.step(silent(t, **LOUD), lost, PECK, False, weak=False) for t in times(1.0, 2.0))
    assert any(rule.step(silent(t, **LOUD), lost, PECK, False) for t in times(0.3, 3.0))


@pytest.mark.parametrize(("in_place", "told"), [(True, False), (False, True)])
def test_half_the_speed_that_is_lost_is_no_stall_while_the_lines_are_in_their_places(in_place, told):
    rule = StallRule()
    walk(rule, 1, at=CUTTING)
    for t in times(1, 1.0):
        rule.step(hop(t), rotation(sag=math.nan), CUTTING, False, in_place=in_place)
    assert (vanish(rule, 2.2) is not None) is told


def test_a_spindle_that_was_heard_to_run_free_since_is_no_stall():
    """Its speed is unsure in the noise of a room, and it is switched off: the room is then quieter."""
    rule = StallRule()
    walk(rule, 2, at=PECK, make=lambda t: hop(t, **LOUD))
    for t in times(0.5, 2.0):
        rule.step(hop(t), rotation(sag=math.nan), FREE, False, at_work_s=-math.inf)
    quiet = {"over_db": -QUIETER_DB - 1.0}
    assert not any(walk(rule, 0.5, 2.5, make=lambda t: silent(t, **quiet), **STOPPED))


def test_lines_that_have_left_their_places_are_a_stall_at_once():
    rule = StallRule()
    walk(rule, 2, at=PECK, make=lambda t: hop(t, **LOUD))
    faint = hop(2.05, audible=1.0, **LOUD)
    assert rule.step(faint, rotation(sag=math.nan), PECK, False, left=True) is None  # it cuts as ever
    found = rule.step(hop(2.1, **LOUD), rotation(sag=math.nan), PECK, False, left=True)
    assert (found.kind, found.severity) == (Kind.STALL, Severity.HOLD)


@pytest.mark.parametrize(
    ("surely", "home", "told"), [(False, 0.05, False), (True, 0.5, False), (True, 0.05, True)]
)
def test_faint_lines_that_are_surely_gone_are_a_stall_though_the_cut_goes_on(surely, home, told):
    """Power is lost, and the spindle cuts as it coasts; the ear follows a speed found in the noise."""
    rule = StallRule()
    walk(rule, 2, at=PECK, make=lambda t: hop(t, **LOUD))
    there = {"probability_between": lambda low, high: home, "audible": 3.0, "support": 0.3}
    faint = hop(2.05, **LOUD, **there)
    found = rule.step(faint, rotation(sag=math.nan), PECK, False, left=True, surely=surely)
    assert (found is not None) is told


@pytest.mark.parametrize(
    ("gains", "support", "told"), [(0.2, 1.0, False), (0.0, 1.0, True), (0.2, 0.3, True)]
)
def test_lines_that_leave_their_places_upwards_are_of_a_spindle_sent_to_another_speed(gains, support, told):
    """A ringing telephone passed for the cut as the program sped up for the centre drill. What glides up
    without the lines of the spindle is a voice, say."""
    rule = StallRule()
    walk(rule, 2, at=CUTTING)
    free_hz = rotation().reference_hz
    for t in times(0.5, 2.0):
        hz = (1 + gains * (t - 2.0)) * free_hz
        heard = hop(t, spindle_hz=hz, rate_hz_s=gains * free_hz, support=support)
        rule.step(heard, rotation(sag=math.nan), CUTTING, False)
    found = [rule.step(silent(t), rotation(sag=math.nan), CUTTING, False, left=True) for t in times(0.5, 2.5)]
    assert any(found) is told


@pytest.mark.parametrize(("gained", "told"), [((0.039, 0.063, 0.076), False), ((0.039, 0.063), True)])
def test_a_spindle_sent_up_quickly_is_followed_for_three_hops(gained, told):
    """From 400 to 700 a minute in half a second, under a grinder that passed for the cut."""
    rule = StallRule()
    walk(rule, 2, at=CUTTING)
    free_hz = rotation().reference_hz
    for t, more in zip(times(0.15, 2.0), gained, strict=False):
        heard = hop(t, spindle_hz=(1 + more) * free_hz, rate_hz_s=0.3 * free_hz)
        rule.step(heard, rotation(sag=-more), CUTTING, False)
    found = [rule.step(silent(t), rotation(sag=math.nan), CUTTING, False, left=True) for t in times(0.5, 2.2)]
    assert any(found) is told


@pytest.mark.parametrize(
    ("more", "support", "told"), [(0.1, 0.7, False), (0.1, 0.3, True), (-0.1, 0.7, True)]
)
def test_a_spindle_that_is_found_faster_with_its_lines_does_not_stand(more, support, told):
    """The program stepped up for the centre drill as the drill came out, in less than a frame."""
    rule = StallRule()
    walk(rule, 2, at=CUTTING)
    hz = (1 + more) * rotation().reference_hz
    found = [
        rule.step(
            hop(t, spindle_hz=hz, support=support if k % 3 else 0.4),
            rotation(sag=math.nan),
            CUTTING,
            False,
            left=True,
        )
        for k, t in enumerate(times(0.5, 2.0), start=1)
    ]
    assert any(found) is told
    later = [rule.step(silent(t), rotation(sag=math.nan), CUTTING, False, left=True) for t in times(0.5, 2.5)]
    assert any(later)  # its lines have gone since


def test_another_machine_that_is_followed_is_no_stall():
    rule = StallRule()
    walk(rule, 2, at=PECK, make=lambda t: hop(t, **LOUD))
    other = {"spindle_hz": 9.0, **LOUD}
    assert not any(walk(rule, 2, 2.0, make=lambda t: hop(t, **other), at=PECK, sag=math.nan))


def test_what_is_quieter_than_the_idling_machine_stands():
    """The cut drowned the lines; then all is silent."""
    rule = StallRule()
    walk(rule, 2, at=PECK, make=lambda t: hop(t, **LOUD))
    faint = {"audible": 0.2, "over_db": 20.0}
    walk(rule, 0.5, 2.0, make=lambda t: silent(t, **faint), at=PECK, sag=math.nan)
    quiet = {"audible": 0.2, "over_db": -QUIETER_DB}
    found = walk(rule, 0.2, 2.5, make=lambda t: silent(t, **quiet), at=PECK, sag=math.nan)
    assert [bool(each) for each in found] == [k >= QUIET_HOPS - 1 for k in range(4)]


def test_a_sound_that_pauses_leaves_a_machine_no_quieter_than_it_is_alone():
    """Idling was learned in it, and a hop without lines is no stall then."""
    rule = StallRule()
    walk(rule, 1.5, at=PECK)
    quiet = {"audible": 0.2, "over_db": 1.0}
    at = replace(PECK, idle_db=1.0 + QUIETER_DB, alone_db=0.0)
    assert not any(walk(rule, 0.2, 1.5, make=lambda t: silent(t, **quiet), at=at, sag=math.nan))


def test_a_speed_that_the_track_still_has_without_its_lines_turns_no_quiet_spindle():
    rule = StallRule()
    walk(rule, 2.5, at=PECK)
    quiet = {"over_db": -QUIETER_DB, "support": IN_PLACE - 0.1}
    assert any(walk(rule, 0.2, 2.5, make=lambda t: hop(t, **quiet), at=PECK, sag=0.01))
    turning = StallRule()
    walk(turning, 2.5, at=PECK)
    lines = {"over_db": -QUIETER_DB, "support": IN_PLACE + 0.1}
    assert not any(walk(turning, 1, 2.5, make=lambda t: hop(t, **lines), at=PECK, sag=0.01))


def test_lines_in_their_places_turn_however_quiet_it_is_and_unsure_the_track():
    """A cut ends, and how loud the machine is alone was heard under another sound or the ring of a room."""

    def found(in_place):
        rule = StallRule()
        walk(rule, 2.5, at=PECK)
        quiet = {"over_db": -QUIETER_DB, "confidence": 0.47}
        told = [rule.step(hop(t, **quiet), rotation(), PECK, False, False, in_place) for t in times(0.3, 2.5)]
        return any(told)

    assert not found(in_place=True)
    assert found(in_place=False)


def test_a_cut_that_is_silent_at_once_does_not_go_on():
    """A jam got louder, so that the sound is as loud as ever in the mean of some hops as it ends."""
    rule = StallRule()
    walk(rule, 2, at=PECK, make=lambda t: hop(t, **LOUD))
    faint = {"audible": 4.0}
    jam = walk(rule, 0.15, 2.0, make=lambda t: silent(t, over_db=11.0, **faint), at=PECK, sag=math.nan)
    assert not any(jam)
    at = {"rotation": rotation(sag=math.nan), "work": PECK, "sagging": False, "left": True}
    assert StallRule.step(rule, silent(2.2, over_db=9.0 - FALLS_DB - 1.0, **faint), **at)


@pytest.mark.parametrize(
    ("lasts_s", "then", "told"),
    [
        (0.4, {"over_db": 8.0 - DIES_DB}, True),
        (0.4, {"over_db": 9.0}, False),  # as loud as before: the cut may hide them
        (0.4, {"over_db": 8.0 - DIES_DB, "spindle_hz": 15.0, "confidence": 0.99}, False),
        (2.0, {"over_db": 8.0 - DIES_DB}, False),  # rain, or an air gun
    ],
)
def test_a_cut_that_got_loud_and_dies_away_with_its_lines_has_jammed(lasts_s, then, told):
    """Of the lines two hops would not tell that yet: what was louder by so much may have hidden them."""
    rule = StallRule()
    walk(rule, 2, at=PECK, make=lambda t: hop(t, **LOUD))
    loud = {"over_db": 10.0 + JAM_DB, "audible": 0.3}
    assert not any(walk(rule, lasts_s, 2.0, make=lambda t: silent(t, **loud), at=PECK, sag=math.nan))
    end_s, faint = 2.0 + lasts_s, {"audible": 4.0} | then
    dies = walk(rule, 0.1, end_s, make=lambda t: silent(t, **faint), at=PECK, sag=math.nan)
    assert any(dies) is told


@pytest.mark.parametrize(("crackles_db", "told"), [(0.0, True), (3.0, False)])
def test_a_loud_and_a_faint_moment_of_a_crackling_cut_are_no_jam(crackles_db, told):
    """Where a hop's level scatters by some 3 dB, chance gives both within half a second."""
    rng = np.random.default_rng(7)
    rule = StallRule()
    for t in times(4):
        rule.step(hop(t, over_db=9.0 + rng.normal(0, crackles_db)), rotation(), PECK, False)
    faint = {"audible": 2.0}
    course_db = [9.0] * 4 + [10.0 + JAM_DB] * 2 + [8.5 - DIES_DB]
    ends = [silent(4 + 0.05 * k, over_db=db, **faint) for k, db in enumerate(course_db)]
    assert any(rule.step(one, rotation(sag=math.nan), PECK, False) for one in ends) is told


@pytest.mark.parametrize(("state", "told"), [(SpindleState.TURNING, True), (SpindleState.MASKED, False)])
def test_lines_that_chance_gives_under_a_louder_sound_were_not_there_as_it_dies_away(state, told):
    """Under an air gun of seconds the best of the speeds near gives now and then what lines give."""
    rule = StallRule()
    walk(rule, 2, at=PECK, make=lambda t: hop(t, **LOUD))
    turning = rotation(state=state, sag=math.nan)
    gun = {"over_db": 10.0 + JAM_DB, "audible": 0.3}
    for k, t in enumerate(times(2.0, 2.0)):
        assert not rule.step(silent(t, **gun), turning, PECK, False, weak=k % 8 != 0)
    over = [silent(t, over_db=8.0 - DIES_DB, audible=4.0) for t in times(0.15, 4.0)]
    assert any(rule.step(one, turning, PECK, False) for one in over) is told


def test_a_load_of_another_machines_tones_is_no_work():
    """They give little of the evidence that the lines would."""
    rule = StallRule()
    walk(rule, 2, at=LOADED, make=lambda t: hop(t, support=0.3))
    assert vanish(rule, 2.2) is None


@pytest.mark.parametrize(("sag", "stalled"), [(COLLAPSE, False), (COLLAPSE + 0.01, True)])
def test_collapse_under_load_is_a_stall_though_it_turns(sag, stalled):
    rule = StallRule()
    walk(rule, 0.1, at=LOADED, sagging=True, sag=0.3)
    found = walk(rule, 0.1, 0.1, at=LOADED, sagging=True, sag=sag)
    assert bool(found[-1]) is stalled
    if stalled:
        assert found[-1].value == pytest.approx(100 * sag)


def test_half_speed_that_is_no_held_sag_is_no_stall():
    rule = StallRule()
    walk(rule, 0.1, at=LOADED, sag=0.3)
    assert not any(walk(rule, 1, 0.1, at=LOADED, sag=0.6))


def test_half_speed_that_nothing_led_to_is_no_stall():
    assert not any(walk(StallRule(), 1, at=LOADED, sagging=True, sag=0.6))


def test_recovery_from_a_collapse_ends_it():
    rule = StallRule()
    walk(rule, 0.1, at=LOADED, sagging=True, sag=0.3)
    assert all(walk(rule, 0.2, 0.1, at=LOADED, sagging=True, sag=0.6))
    assert not any(walk(rule, 0.2, 0.3, at=LOADED, sagging=True, sag=0.3))


def test_a_spindle_heard_at_its_speed_since_its_cut_was_switched_off_however_unsure_of_its_sag_the_ear_is():
    """The lines of a faint machine give its speed to four in five, and no sag; the room is quieter."""
    rule = StallRule()
    walk(rule, 2, at=PECK, make=lambda t: hop(t, **LOUD))
    walk(rule, 0.5, 2.0, at=FREE, make=lambda t: hop(t, confidence=0.92), sag=math.nan)
    assert not any(walk(rule, 2, 2.5, make=lambda t: silent(t, over_db=-5.0), sag=math.nan))


def test_a_drill_that_jams_as_the_time_of_its_peck_is_over_has_stalled():
    """Its speed is heard once more, far down, when the program should have drawn the drill out."""
    rule = StallRule()
    walk(rule, 2, at=PECK, make=lambda t: hop(t, **LOUD))
    over = replace(PECK, contact_s=math.nan, sure=False)
    walk(rule, 0.05, 2.0, at=over, make=lambda t: hop(t, **LOUD), sag=0.2)
    walk(rule, 0.2, 2.05, at=over, make=lambda t: silent(t, audible=0.0, **LOUD), sag=math.nan)
    assert vanish(rule, 2.3)


def test_a_speed_that_is_heard_once_more_without_its_lines_is_not_that_of_a_spindle_run_free():
    """A jam stops it within two tenths of a second; its cut falls silent, and the filter lags."""
    rule = StallRule()
    walk(rule, 2, at=CUTTING, make=lambda t: hop(t, **LOUD))
    walk(rule, 0.1, 2.0, make=lambda t: hop(t, support=-0.4, over_db=-2.0))
    assert vanish(rule, 2.3)


@pytest.mark.parametrize(("support", "told"), [(-0.5, True), (0.1, False)])
def test_all_that_falls_with_the_lines_is_the_gain_only_where_something_of_them_is_left(support, told):
    rule = StallRule()
    walk(rule, 2, at=CUTTING, make=lambda t: hop(t, **LOUD))
    for t in times(0.4, 2.0):
        rule.step(silent(t, support=support, over_db=-7.0), rotation(sag=math.nan), FREE, False, turned=True)
    gone = silent(2.45, support=support, over_db=-7.0)
    found = rule.step(gone, rotation(**STOPPED, vanished=True), FREE, False, turned=True)
    assert bool(found) is told


@pytest.mark.parametrize("freed", [False, True])
def test_a_loud_moment_of_music_after_the_cut_is_no_jam_though_the_spindle_is_switched_off_in_it(freed):
    """The drill is out, and music passes for the cut until it pauses: the spindle ran free meanwhile."""
    rule = StallRule()
    peck = replace(PECK, contact_s=0.5)
    walk(rule, 2, at=peck, make=lambda t: hop(t, **LOUD))
    for t in times(0.5, 2.0):
        at_work_s = -math.inf if freed and t > 2.3 else 2.0
        rule.step(hop(t, **LOUD), rotation(), replace(peck, sure=False), False, at_work_s=at_work_s)
    ends_at_s = -math.inf if freed else 2.0
    loud, faint = {"over_db": 10.0 + JAM_DB, "audible": 0.3}, {"over_db": 8.0 - DIES_DB, "audible": 4.0}
    course = [loud] * 5 + [faint] * 2
    found = [
        rule.step(silent(2.5 + 0.05 * k, **one), rotation(sag=math.nan), peck, False, at_work_s=ends_at_s)
        for k, one in enumerate(course)
    ]
    assert any(found) is not freed


@pytest.mark.parametrize(("strength", "told"), [(2.0, True), (LOUDEST + 1, False)])
def test_lines_lost_in_a_sound_far_louder_than_cuts_have_not_gone_from_a_peck(strength, told):
    """A compressor runs in the peck: its strokes drown the lines for a second, and its level wavers."""
    rule = StallRule()
    walk(rule, 1, at=PECK, make=lambda t: hop(t, **LOUD))
    under = replace(PECK, strength=strength)
    walk(rule, 2, 1.0, at=under, make=lambda t: hop(t, over_db=18.0, audible=1.0))
    drowned = {"over_db": 21.5, "audible": 1.0}
    assert any(walk(rule, 1.2, 3.0, make=lambda t: silent(t, **drowned), at=under, sag=math.nan)) is told
