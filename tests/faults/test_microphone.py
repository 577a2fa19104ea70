"""`mic_fault`: silence, stuck, broken, fallen, never there, clipping; and what must not be one."""

import math

import pytest

from monitor.faults.microphone import (
    AT_ONCE_DB,
    CLIPPED_HOLD_S,
    CLIPPED_SHARE,
    CLIPPED_TELL_S,
    FALL_DB,
    LOST_AFTER_S,
    NOTHING_DB,
    NOTHING_S,
    QUIET_DB,
    MicrophoneRule,
)
from monitor.measurements import Kind, Severity
from monitor.signal.level import LOST_SHARE
from monitor.spindle import SpindleState
from tests.hops import STEP_S, hop, rotation, silent, times, wavering


def first(heard, severity):
    return next(((t, f) for t, f in heard if f and f.severity is severity), (math.nan, None))


def run(hops, turning=None, rule=None, room_db=None, room_s=4):
    """``room_db``: what was heard before, for ``room_s``, with the spindle standing; None: it was not."""
    rule = rule or MicrophoneRule()
    turning = turning or rotation()
    if room_db is not None:
        for t in times(room_s):
            rule.step(silent(t - 10, broadband_db=room_db), rotation(state=SpindleState.STOPPED))
    return [(h.t, rule.step(h, turning)) for h in hops]


def test_good_sound_is_no_fault():
    assert not any(f for _, f in run([hop(t) for t in times(20)]))


@pytest.mark.parametrize("field", ["stuck", "broken"])
def test_a_lost_microphone_warns_at_once_and_holds_within_half_a_second(field):
    heard = run([hop(t, **{field: 1.0 if t > 1 + 1e-9 else 0.0}) for t in times(3)])
    warned, _ = first(heard, Severity.WARNING)
    held, finding = first(heard, Severity.HOLD)
    assert warned == pytest.approx(1.05)
    assert 1 + LOST_AFTER_S <= held + 1e-9 < 1.5
    assert (finding.kind, finding.onset_s) == (Kind.MIC_FAULT, pytest.approx(1.0))
    words = "numbers that are not sound" if field == "broken" else "one unchanging value"
    assert words in finding.message


@pytest.mark.parametrize(("share", "fault"), [(LOST_SHARE - 0.01, False), (LOST_SHARE, True)])
def test_a_fifth_of_a_hop_is_a_dropout(share, fault):
    heard = run([hop(1.0, stuck=share)])
    assert bool(heard[0][1]) is fault
    if fault:
        assert heard[0][1].severity is Severity.WARNING


def test_onset_is_where_the_run_began_within_its_hop():
    heard = run([hop(1.0, stuck=0.4), hop(1.05, stuck=1.0)])
    assert heard[1][1].onset_s == pytest.approx(1.0 - 0.4 * STEP_S)


def test_a_dropout_that_recovers_never_holds():
    heard = run([hop(t, stuck=1.0 if 1 < t < 1.21 else 0.0) for t in times(3)])
    assert first(heard, Severity.WARNING)[0] < 1.2
    assert first(heard, Severity.HOLD)[1] is None
    assert heard[-1][1] is None


MACHINE_DB = -90.0  # its floor, dB per Hz


def drop(fall_db, over_s, at=1.0):
    """The floor falls by ``fall_db`` within ``over_s``."""

    def level(t):
        return -fall_db * min(max((t - at) / over_s, 0.0), 1.0)

    return [hop(t, over_db=level(t), broadband_db=MACHINE_DB + level(t)) for t in times(4)]


def test_an_unplugged_capsule_is_held_within_half_a_second():
    held, finding = first(run(drop(35, 0.05)), Severity.HOLD)
    assert 1.0 < held <= 1.5
    assert "unplugged or covered" in finding.message
    assert finding.value < QUIET_DB


def drowned(state, **fields):
    """The plug is pulled in a cut that drowns the lines: what is left is the converter's noise."""
    levels = [(t, 15.0 if t <= 1 else -34.0) for t in times(4)]
    hops = [silent(t, over_db=db, broadband_db=MACHINE_DB + db, **fields) for t, db in levels]
    return hops, rotation(state=state)


def test_a_plug_pulled_in_a_cut_that_drowns_the_lines_is_told():
    held, _ = first(run(*drowned(SpindleState.TURNING, running=0.9)), Severity.HOLD)
    assert 1.0 < held <= 1.5


@pytest.mark.parametrize(("level_db", "held"), [(-70.0, True), (-50.0, False)])
def test_a_plug_pulled_from_a_machine_that_hardly_hisses_is_told_by_all_sound_that_falls(level_db, held):
    """The noise of the input is 13 dB under the machine's and 10 under the room's; lines and hum fall by
    30."""
    hops = [hop(t) for t in times(2)]
    fallen = {"over_db": -13.0, "broadband_db": -103.0}
    hops += [silent(t, level_db=wavering(level_db, t), **fallen) for t in times(1, 2.0)]
    held_s, finding = first(run(hops, room_db=-93.0), Severity.HOLD)
    assert (finding is not None) is held
    assert not held or held_s < 2.5


@pytest.mark.parametrize("room_db", [-93.0, -91.0, -89.0])
def test_a_microphone_that_is_back_is_heard_however_loud_the_room_is(room_db):
    hops = [hop(t) for t in times(2)]
    hops += [silent(t, level_db=-70.0, over_db=-13.0, broadband_db=-103.0) for t in times(0.5, 2.0)]
    hops += [hop(t) for t in times(5, 2.5)]
    found = run(hops, room_db=room_db)
    assert first(found, Severity.HOLD)[1] is not None
    assert found[-1][1] is None


@pytest.mark.parametrize(("fall_db", "held"), [(AT_ONCE_DB - 5, False), (AT_ONCE_DB + 5, True)])
def test_a_cable_torn_while_the_spindle_stands_is_told_by_a_fall_that_no_room_knows(fall_db, held):
    hops = [silent(t) for t in times(2)]
    fallen = {"over_db": -35.0, "broadband_db": MACHINE_DB - 35.0}
    hops += [silent(t, level_db=wavering(-35.0 - fall_db, t), **fallen) for t in times(0.8, 2.0)]
    held_s, finding = first(run(hops, rotation(state=SpindleState.STOPPED)), Severity.HOLD)
    assert (finding is not None) is held
    assert not held or held_s < 2.5


@pytest.mark.parametrize("repeats_hz", [49.9, 60.0, 100.0, 150.3, 180.0])
def test_an_open_input_that_hums_is_held_within_half_a_second(repeats_hz):
    """It hums from 2.0 s on: the sound is known to be steady seven hops later."""
    rule = MicrophoneRule()
    held_s, finding = first(run(humming(repeats_hz), rule=rule), Severity.HOLD)
    assert held_s < 2.5
    assert "hum" in finding.message
    assert rule.lost


def humming(repeats_hz, steady_from_s=2.35, lasts_s=1.0, **fields):
    hops = [hop(t) for t in times(2)]
    late = [(t, repeats_hz if t >= steady_from_s else math.nan) for t in times(lasts_s, 2.0)]
    return hops + [hop(t, level_db=-20.0, hum_hz=hz, **fields) for t, hz in late]


@pytest.mark.parametrize("repeats_hz", [math.nan, 45.0, 75.0, 420.0, 440.0, 1000.0, 1133.0])
def test_a_bell_a_horn_or_a_whistle_is_no_open_input_however_steady(repeats_hz):
    assert not any(f for _, f in run(humming(repeats_hz)))


@pytest.mark.parametrize(("level_db", "held"), [(-35.0, False), (-20.0, True)])
def test_a_hum_that_was_always_there_over_a_spindle_that_is_heard_is_no_open_input(level_db, held):
    """A ground loop, or the machine's own motor. A plug that is pulled mostly changes the level."""
    hops = [hop(t, level_db=-35.0) for t in times(2)]
    hops += [hop(t, level_db=level_db, hum_hz=50.0 if t > 2.35 else math.nan) for t in times(1, 2.0)]
    assert (first(run(hops), Severity.HOLD)[1] is not None) is held


def test_the_hum_of_an_open_input_is_not_learned_for_the_room():
    """It is known for a hum seven hops later."""
    still, rule = rotation(state=SpindleState.STOPPED), MicrophoneRule()
    run([silent(t - 10, broadband_db=-110.0, upper_db=-115.0) for t in times(8)], still, rule)
    heard = {"broadband_db": -105.0, "upper_db": -122.0, "over_db": -15.0}
    late = [(t, 50.0 if t > 0.35 else math.nan) for t in times(2)]
    hums = [silent(t, level_db=-40.0, hum_hz=hz, **heard) for t, hz in late]
    assert first(run(hums, still, rule), Severity.HOLD)[0] < 0.5


def test_a_hum_over_a_standing_machine_is_an_open_input_only_where_the_room_is_gone():
    """A transformer hums as well, and over a room that is heard beside it."""
    still = rotation(state=SpindleState.STOPPED)

    def held(under_room_db, room_s=4):
        rule = MicrophoneRule()
        run([silent(t - 10, broadband_db=-110.0, upper_db=-115.0) for t in times(room_s)], still, rule)
        heard = {"broadband_db": -105.0, "upper_db": -115.0 - under_room_db, "over_db": -15.0}
        hums = [silent(t, level_db=-40.0, hum_hz=50.0, **heard) for t in times(2)]
        return first(run(hums, still, rule), Severity.HOLD)[1] is not None

    assert not held(0.0)
    assert not held(5.0)
    assert held(7.0)
    assert not held(7.0, room_s=1)  # of a room just heard, what sounded in it may have ended


def test_a_spindle_that_ran_down_under_a_hum_is_no_open_input():
    """Its lines go long before its noise has."""
    hops = [hop(t) for t in times(2)]
    hops += [silent(t, running=0.1, over_db=-10 * (t - 2.0)) for t in times(1, 2.0)]
    hops += [silent(t, running=0.1, level_db=-40.0, hum_hz=100.0, over_db=-25.0) for t in times(2, 3.0)]
    assert not any(f for _, f in run(hops))


def test_a_hum_that_ends_ends_the_fault():
    rule = MicrophoneRule()
    run(humming(50.0), rule=rule)
    assert not any(f for _, f in run([hop(t) for t in times(2, 3.0)], rule=rule))


def test_what_drowns_all_lines_may_end_in_a_room_that_is_not_known():
    masked = drowned(SpindleState.MASKED)
    assert not any(f for _, f in run(*masked))
    held, _ = first(run(*masked, room_db=MACHINE_DB - 20), Severity.HOLD)
    assert 1.0 < held <= 1.5
    assert not any(f for _, f in run(*masked, room_db=MACHINE_DB - 30))
    # what was heard of it for a moment may have been a tool, which pauses now
    assert not any(f for _, f in run(*masked, room_db=MACHINE_DB - 20, room_s=2))


def test_a_braked_spindle_ends_in_the_room_and_that_is_no_fault():
    """20 dB within 0.05 s, to where the room was heard before; unplugged it goes 6 dB under that."""
    fall = drop(20, 0.05)
    assert not any(f for _, f in run(fall, room_db=MACHINE_DB - 20))
    assert not any(f for _, f in run(fall))  # nor while nothing is known of the room
    assert first(run(fall, room_db=MACHINE_DB - 12), Severity.HOLD)[1]


def test_the_end_of_a_drum_beat_is_no_fall():
    """Nor is the room what it is while the music plays: it is its quietest tenth."""
    beat = [hop(t, over_db=20.0 if 0.9 < t < 1.0 else -16.0 if t >= 1.0 else 0.0) for t in times(2)]
    assert not any(f for _, f in run(beat, room_db=MACHINE_DB - 10))
    rule = MicrophoneRule()
    for t in times(20):
        loud = MACHINE_DB - (30 if (t % 2) < 0.4 else 5)
        rule.step(silent(t - 30, broadband_db=loud), rotation(state=SpindleState.STOPPED))
    assert not any(f for _, f in run(drop(25, 0.05), rule=rule))


def test_a_spindle_that_runs_down_in_a_live_room_is_no_fault():
    assert not any(f for _, f in run(drop(35, 0.6)))


@pytest.mark.parametrize(("down_db", "held"), [(0.0, True), (4.0, True), (24.0, False)])
def test_the_last_turns_of_a_spindle_that_ran_down_in_a_quiet_room_are_no_fall(down_db, held):
    """By so much its sound fell in a second, and to 45 dB under the machine within 0.1 s."""
    levels = [(t, -down_db * (t - 2.0)) for t in times(1, 2.0)] + [(t, -45.0) for t in times(0.6, 3.0)]
    fields = [(t, db, MACHINE_DB + db, wavering(-35 + db, t)) for t, db in levels]
    hops = [hop(t, over_db=db, broadband_db=noise_db, level_db=all_db) for t, db, noise_db, all_db in fields]
    rule = MicrophoneRule()
    run([hop(t) for t in times(2)], rule=rule)
    assert (first(run(hops, rotation(settled=False), rule), Severity.HOLD)[1] is not None) is held


def test_a_plug_pulled_from_a_machine_whose_gain_is_lower_than_in_the_baseline_is_told():
    hops = [hop(t, over_db=-14.0) for t in times(10)]
    hops += [silent(t, over_db=-40.0, broadband_db=MACHINE_DB - 40) for t in times(1, 10.0)]
    assert first(run(hops), Severity.HOLD)[0] < 10.5


def test_a_fall_that_stays_near_the_machine_is_no_fault():
    """As after a loud cut: 20 dB down, to no less than 15 under the free-running machine."""
    hops = [hop(t, over_db=20.0 if t <= 1 else -FALL_DB + 1) for t in times(3)]
    assert not any(f for _, f in run(hops))


def test_a_fall_while_no_spindle_was_heard_is_no_fault():
    still = rotation(state=SpindleState.STOPPED)
    hops = [silent(t, over_db=0.0 if t <= 1 else -30.0) for t in times(4)]
    assert not any(f for _, f in run(hops, still))


def test_sound_that_comes_back_ends_the_fault():
    rule = MicrophoneRule()
    run(drop(35, 0.05), rule=rule)
    assert not any(f for _, f in run([hop(t) for t in times(2, 4)], rule=rule))


def test_next_to_nothing_from_the_start_is_a_hold():
    """A dead input is told even where no spindle was ever heard."""
    unknown = rotation(state=SpindleState.UNKNOWN)
    heard = run([silent(t, over_db=NOTHING_DB - 10) for t in times(3)], unknown)
    held, finding = first(heard, Severity.HOLD)
    assert held == pytest.approx(NOTHING_S, abs=STEP_S + 1e-9)
    assert finding.kind is Kind.MIC_FAULT


def test_a_quiet_room_is_not_nothing():
    unknown = rotation(state=SpindleState.UNKNOWN)
    assert not any(f for _, f in run([silent(t, over_db=NOTHING_DB + 1) for t in times(10)], unknown))


def clipping(pattern, seconds=4.0, share=0.05):
    return [hop(t, clipped=share if pattern(k) else 0.0) for k, t in enumerate(times(seconds))]


def test_clipping_warns_first_and_holds_at_one_second():
    heard = run(clipping(lambda k: True))
    assert first(heard, Severity.WARNING)[0] == pytest.approx(CLIPPED_TELL_S)
    held, finding = first(heard, Severity.HOLD)
    assert held == pytest.approx(CLIPPED_HOLD_S, abs=STEP_S + 1e-9)
    assert "5.0 % of samples" in finding.message


def test_clipping_that_beats_with_the_rotation_is_still_clipping():
    heard = run(clipping(lambda k: k % 3 != 2))
    assert first(heard, Severity.HOLD)[0] < CLIPPED_HOLD_S + 0.5


def test_cuts_that_clip_alike_ring_once_and_such_as_clip_worse_again():
    def cuts(share_of):
        hops = [hop(t, clipped=share_of(t) if t % 10 < 0.5 else 0.0) for t in times(100.0)]
        told = [t for t, found in run(hops) if found]
        return [t for t, before in zip(told, [-1.0, *told], strict=False) if t - before > 1.0]

    assert len(cuts(lambda t: 0.02)) == 1
    assert [round(t) for t in cuts(lambda t: 0.02 if t < 60 else 0.05)] == [0, 60]


def test_clipping_that_lasts_holds_however_lately_it_was_warned_of():
    heard = run([hop(t, clipped=0.02 if t < 0.5 or t > 10 else 0.0) for t in times(13.0)])
    assert first(heard, Severity.HOLD)[0] == pytest.approx(10 + CLIPPED_HOLD_S, abs=0.11)


def test_one_tap_is_not_clipping():
    assert not any(f for _, f in run(clipping(lambda k: k in (10, 11))))


def test_taps_apart_are_not_clipping():
    assert not any(f for _, f in run(clipping(lambda k: k % 8 == 0, seconds=20)))


@pytest.mark.parametrize(("share", "fault"), [(CLIPPED_SHARE * 0.99, False), (CLIPPED_SHARE, True)])
def test_a_few_samples_at_full_scale_are_a_click(share, fault):
    assert any(f for _, f in run(clipping(lambda k: True, share=share))) is fault
