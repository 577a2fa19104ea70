"""When the drill is in: learned levels, hysteresis, dating, and what does not count."""

import math

import numpy as np
import pytest

from monitor.baseline import BASELINE_VERSION, Baseline
from monitor.cutting import CRASH_DB, EVIDENCE_MOST, ON_DB_LEAST, ON_DB_MOST, CuttingDetector, floor_by_speed
from monitor.spindle import SpindleState
from tests.hops import SPINDLE_HZ, STEP_S, hop, rotation, times

CUT_DB = 9.0


def run(detector, level, seconds, begin=0.0, *, sag=math.nan, turning=True, settled=True):
    """Feed hops of ``level(t)`` decibels over the baseline; the decisions by time."""
    state = SpindleState.TURNING if turning else SpindleState.STOPPED
    spindle = rotation(sag=sag, state=state, settled=settled, at_speed=settled)
    return [(t, detector.step(hop(t, over_db=level(t)), spindle)) for t in times(seconds, begin)]


def after_cuts(sag=math.nan, load=math.nan):
    """A detector that has heard three cuts, and idling for 2 s since; 14 s in all."""
    detector = CuttingDetector()
    for begin in (0.0, 4.0, 8.0):
        run(detector, lambda t: 0.0, 2.0, begin, sag=sag)
        run(detector, lambda t: CUT_DB, 2.0, begin + 2, sag=load)
    run(detector, lambda t: 0.0, 2.0, 12.0, sag=sag)
    return detector


def first(decisions, cutting):
    return next(t for t, d in decisions if d is cutting)


def test_a_cut_is_heard_within_three_hops_and_dated():
    detector = CuttingDetector()
    run(detector, lambda t: 0.0, 3.0)
    heard = run(detector, lambda t: CUT_DB, 2.0, 3.0)
    assert first(heard, True) <= 3.15 + 1e-9
    assert detector.onset_s == pytest.approx(3.0, abs=0.06)
    heard = run(detector, lambda t: 0.0, 1.0, 5.0)
    assert first(heard, False) <= 5.2 + 1e-9
    assert detector.end_s == pytest.approx(5.0, abs=0.06)


def test_idle_noise_is_no_cut():
    rng = np.random.default_rng(0)
    heard = run(CuttingDetector(), lambda t: 0.5 * rng.standard_normal(), 600.0)
    assert not any(decision for _, decision in heard)


def test_idle_is_learned_so_that_a_constant_offset_is_no_cut():
    """A slow rise is followed; a sudden one is a new background only after a long time."""
    detector = CuttingDetector()
    heard = run(detector, lambda t: min(2.0, t / 2), 10.0)
    assert not any(decision for _, decision in heard)
    assert detector.idle_db == pytest.approx(2.0, abs=0.1)


def test_the_threshold_follows_half_the_learned_rise_within_bounds():
    detector = CuttingDetector()
    assert detector.threshold_db == ON_DB_LEAST
    detector.cut_db = 9.0  # over an idle machine of 0 dB: together 9.5 dB
    assert detector.threshold_db == pytest.approx(4.76, abs=0.01)
    detector.cut_db = 40.0
    assert detector.threshold_db == ON_DB_MOST
    detector.cut_db, detector.idle_db = 9.0, 8.0  # in the noise of a vacuum cleaner a cut adds little
    assert detector.threshold_db == ON_DB_LEAST


def test_hysteresis_a_level_between_off_and_on_changes_nothing():
    between = 1.3  # about as likely idle as cutting
    idle, cutting = CuttingDetector(), CuttingDetector()
    for detector in (idle, cutting):
        run(detector, lambda t: 0.0, 2.0)
    assert not any(d for _, d in run(idle, lambda t: between, 0.5, 2.0))
    run(cutting, lambda t: 3.0, 0.3, 2.0)
    assert cutting.cutting
    assert all(d for _, d in run(cutting, lambda t: between, 0.3, 2.3))


def test_a_lull_of_one_hop_does_not_end_a_cut():
    detector = CuttingDetector(longest_s=5.0)
    run(detector, lambda t: 0.0, 2.0)
    heard = run(detector, lambda t: 0.0 if abs(t - 4) < 0.01 else CUT_DB, 4.0, 2.0)
    assert all(d for t, d in heard if t > 2.15)


def test_a_single_loud_hop_is_no_cut_unless_far_over():
    detector = CuttingDetector()
    run(detector, lambda t: 0.0, 2.0)
    assert not any(d for _, d in run(detector, lambda t: 3.0 if abs(t - 2.5) < 0.01 else 0.0, 1.0, 2.0))


def test_load_helps_a_faint_cut():
    faint = 1.35
    alone, loaded = CuttingDetector(), CuttingDetector()
    for detector in (alone, loaded):
        run(detector, lambda t: 0.0, 2.0, sag=0.0)
    assert not any(d for _, d in run(alone, lambda t: faint, 1.0, 2.0, sag=0.0))
    assert any(d for _, d in run(loaded, lambda t: faint, 1.0, 2.0, sag=0.02))


def test_a_steady_load_is_a_cut_though_it_is_not_heard():
    detector = CuttingDetector()
    run(detector, lambda t: 0.0, 3.0, sag=0.0)
    assert detector.suspects_load is False
    heard = run(detector, lambda t: 0.0, 2.0, 3.0, sag=0.02)
    assert detector.suspects_load  # the speed it has now is none of a spindle running free
    assert 3.5 < first(heard, True) < 4.2
    heard = run(detector, lambda t: 0.0, 1.0, 5.0, sag=0.0)
    assert first(heard, False) < 5.3


def test_a_steady_load_that_is_not_heard_where_cuts_are_is_a_free_speed_taken_too_high():
    """A slow speed loop comes down from its overshoot: what is silent for two seconds runs free."""
    detector = learned()
    run(detector, lambda t: 0.0, 1.5, 11.0, sag=0.015)
    assert detector.suspects_load
    run(detector, lambda t: 0.0, 1.0, 12.5, sag=0.015)
    assert not detector.suspects_load
    run(detector, lambda t: 1.5, 0.1, 13.5, sag=0.015)
    assert detector.suspects_load  # something is heard: it may enter slowly


def test_a_part_of_a_load_without_its_sound_is_a_free_speed_taken_too_high():
    """Idling was learned too low as well, so that it is not silent by its own measure; a drill that is in as
    far as that is half as loud as a cut."""
    detector = learned()
    detector.cut_db = 15.0
    detector.idle_db, detector.idle_spread_db = -2.5, 2.0
    run(detector, lambda t: 0.0, 1.5, 11.0, sag=0.007)
    assert detector.strength > 0.3
    assert detector.suspects_load
    run(detector, lambda t: 0.0, 1.0, 12.5, sag=0.007)
    assert not detector.suspects_load
    part = learned()
    run(part, lambda t: CUT_DB - 4.0, 2.5, 11.0, sag=0.007)
    assert part.suspects_load or part.cutting


def test_of_a_machine_whose_cuts_are_faint_a_free_speed_taken_too_high_is_found_out_too():
    detector = learned()
    detector.cut_db = 5.0
    run(detector, lambda t: 0.0, 2.5, 11.0, sag=0.008)
    assert not detector.suspects_load


def test_a_load_as_great_as_that_of_cuts_is_one_though_its_sound_has_faded():
    """Chips that melt, or pack, muffle the cut."""
    detector = learned()
    run(detector, lambda t: CUT_DB, 1.0, 11.0, sag=0.015)
    run(detector, lambda t: 2.5, 5.0, 12.0, sag=0.015)
    assert detector.suspects_load or detector.cutting


def test_a_hop_or_two_under_the_idle_level_teach_nothing():
    """After a loud cut, whose sound in the lines passed for gain."""
    detector = learned()
    idle_db = detector.idle_db
    for k in range(5):
        run(detector, lambda t: -10.0, 2 * STEP_S, 11.0 + k, sag=0.0)
        run(detector, lambda t: 0.0, 1.0 - 2 * STEP_S, 11.0 + 2 * STEP_S + k, sag=0.0)
    assert detector.idle_db == pytest.approx(idle_db, abs=0.2)
    run(detector, lambda t: -2.0, 1.0, 16.0, sag=0.0)  # but what stays
    assert detector.idle_db == pytest.approx(-2.0, abs=0.3)


def test_a_spindle_that_falls_on_is_no_unheard_cut():
    """Switched off: its fall starts at its steepest and does not end."""
    detector = CuttingDetector()
    run(detector, lambda t: 0.0, 3.0, sag=0.0)
    for t in times(1.0, 3.0):
        sag = min(0.29, 0.3 * (t - 3.0))
        assert not detector.step(hop(t, over_db=0.0, rate_hz_s=-4.5), rotation(sag=sag))
        assert not detector.suspects_load


def learned(sag=0.015):
    """A detector that has heard three cuts with this sag."""
    detector = CuttingDetector()
    run(detector, lambda t: 0.0, 2.0, sag=0.0)
    for k in range(3):
        run(detector, lambda t: CUT_DB, 2.0, 2.0 + 3 * k, sag=sag)
        run(detector, lambda t: 0.0, 1.0, 4.0 + 3 * k, sag=0.0)
    return detector


def test_what_sounds_like_a_cut_without_its_load_is_none():
    detector = learned()
    assert detector.cut_sag == pytest.approx(0.015, abs=1e-3)
    assert not any(d for _, d in run(detector, lambda t: CUT_DB, 2.0, 11.0, sag=0.0))
    assert any(d for _, d in run(learned(), lambda t: CUT_DB, 2.0, 11.0, sag=0.012))


def test_where_cuts_hardly_sag_sound_decides():
    assert any(d for _, d in run(learned(sag=0.003), lambda t: CUT_DB, 2.0, 11.0, sag=0.0))


def test_a_sound_in_the_cut_ends_with_the_load():
    """An air gun over the end of a cut: the load is gone long before."""
    detector = learned()
    run(detector, lambda t: CUT_DB, 1.0, 11.0, sag=0.015)
    heard = run(detector, lambda t: CUT_DB + 3, 1.5, 12.0, sag=0.0)
    assert first(heard, False) < 12.6


@pytest.mark.parametrize("gain_db", [-10.0, 10.0])
def test_a_step_of_the_microphones_gain_is_no_cut_and_ends_none(gain_db):
    """The lines step with the noise; a quarter of a second smooths their wavering."""
    detector = learned()
    for begin, level, cut in ((11.0, 0.0, False), (14.0, CUT_DB, True)):
        decided = []
        for t in times(3.0, begin):
            stepped = gain_db if t > 12.0 else 0.0
            heard = hop(t, over_db=level + stepped, line_db=stepped)
            decided.append((t, detector.step(heard, rotation(sag=0.015 if cut else 0.0))))
        later = [d for t, d in decided if t > begin + 1.5]
        assert set(later) == {cut}


def test_lines_that_waver_while_the_speed_changes_tell_no_gain():
    """Between the learned speeds they are weaker by resonance; the sound of the machine is not."""
    detector = CuttingDetector()
    for t in times(3.0):
        changing = hop(t, spindle_hz=10 + 5 * t, rate_hz_s=5.0, line_db=-20.0, over_db=1.0)
        assert not detector.step(changing, rotation(settled=False))
    assert detector.gain_db == 0


def test_a_standing_spindle_cuts_nothing_and_ends_the_cut():
    detector = CuttingDetector()
    run(detector, lambda t: 0.0, 2.0)
    run(detector, lambda t: CUT_DB, 1.0, 2.0)
    assert detector.cutting
    assert not any(d for _, d in run(detector, lambda t: 30.0, 1.0, 3.0, turning=False))
    assert detector.end_s == pytest.approx(3.0, abs=0.06)
    assert detector.strength == 0


def test_while_the_speed_changes_only_a_crash_is_a_cut():
    for level, cut in ((CRASH_DB - 0.5, False), (CRASH_DB + 0.5, True)):
        detector = CuttingDetector()
        run(detector, lambda t: 0.0, 2.0)
        heard = run(detector, lambda t, level=level: level, 0.5, 2.0, settled=False)
        assert any(d for _, d in heard) is cut


def test_a_spindle_that_runs_up_in_rain_has_not_crashed():
    detector = CuttingDetector()
    run(detector, lambda t: 0.0, 2.0)
    run(detector, lambda t: CRASH_DB + 3, 4.0, 2.0, turning=False)
    heard = run(detector, lambda t: CRASH_DB + 5, 0.5, 6.0, settled=False)
    assert not any(d for _, d in heard)


@pytest.mark.parametrize(("heard_hops", "cut"), [(2, True), (0, False)])
def test_a_drill_that_binds_at_contact_cuts_though_the_spindle_is_leaving_its_speed(heard_hops, cut):
    """It was likely to cut by then; what begins with the fall is a spindle that is switched off."""
    detector = after_cuts()
    heard = run(detector, lambda t: 6.0, heard_hops * STEP_S, 14.0)
    assert not any(d for _, d in heard)
    assert (detector.log_odds > 0) is cut
    falling = run(detector, lambda t: CUT_DB, 0.5, 14.0 + heard_hops * STEP_S, settled=False)
    assert any(d for _, d in falling) is cut


@pytest.mark.parametrize("louder_db", [1.0, CRASH_DB + 1])
def test_a_spindle_that_is_switched_off_in_rain_has_not_crashed(louder_db):
    """Rain that loads nothing began while the spindle turned; a drill that crashes is louder at once."""
    detector, rain_db = after_cuts(sag=0.0, load=0.02), CRASH_DB + 3
    assert not run(detector, lambda t: rain_db, 2.0, 14.0, sag=0.0)[-1][1]
    heard = run(detector, lambda t: rain_db + louder_db, 0.5, 16.0, settled=False)
    assert any(d for _, d in heard) is (louder_db > CRASH_DB)


def test_a_load_that_is_not_seen_any_more_is_not_suspected_for_long():
    """It would keep the free speed from being learned anew."""
    detector = after_cuts(sag=0.0, load=0.02)
    run(detector, lambda t: 0.0, 0.2, 14.0, sag=0.02)
    run(detector, lambda t: 0.0, 1.0, 14.2)
    assert detector.suspects_load
    run(detector, lambda t: 0.0, 1.5, 15.2)
    assert not detector.suspects_load


def test_what_is_quieter_than_the_idle_machine_is_no_cut_for_long():
    """Idling was learned under a compressor, which ended within the cut."""
    detector = CuttingDetector()
    run(detector, lambda t: 9.0, 6.0)
    run(detector, lambda t: 9.0 + CUT_DB, 2.0, 6.0)
    assert detector.cutting
    heard = run(detector, lambda t: 0.0, 3.0, 8.0)
    assert first(heard, False) < 9.0


def test_idling_that_is_as_loud_as_a_cut_may_hide_one():
    """Rain ended as the drill entered: the level fell from that of rain to that of a cut."""
    detector = after_cuts()
    assert not detector.hides_cut
    run(detector, lambda t: CUT_DB + 4, 60.0, 14.0)  # no cut is so long
    run(detector, lambda t: CUT_DB, 2.0, 74.0)
    assert not detector.cutting
    assert detector.hides_cut
    assert detector.evidence == 0.0  # so that it tells nothing
    run(detector, lambda t: 0.0, 2.0, 76.0)
    assert not detector.hides_cut


def test_a_cut_in_rain_ends_with_its_load():
    detector = after_cuts(sag=0.0, load=0.02)
    run(detector, lambda t: CUT_DB, 1.0, 14.0, sag=0.02)
    run(detector, lambda t: CUT_DB + 8, 2.0, 15.0, sag=0.02)
    run(detector, lambda t: CUT_DB + 8, 2.0, 17.0, sag=0.0)
    assert not detector.cutting
    assert detector.end_s == pytest.approx(17.0, abs=0.1)


def test_something_far_louder_than_the_drill_changes_no_decision():
    for cutting in (False, True):
        detector = CuttingDetector()
        run(detector, lambda t: 0.0, 2.0)
        run(detector, lambda t: CUT_DB, 2.0, 2.0)
        if not cutting:
            run(detector, lambda t: 0.0, 1.0, 4.0)
        heard = run(detector, lambda t: CUT_DB + 25, 1.0, 5.0)
        assert {d for _, d in heard} == {cutting}
        assert detector.idle_db < 4.0


def test_deaf_hops_change_no_decision():
    detector = CuttingDetector()
    run(detector, lambda t: 0.0, 2.0)
    run(detector, lambda t: CUT_DB, 1.0, 2.0)
    heard = [detector.step(hop(t, over_db=-100.0, stuck=1.0), rotation()) for t in times(1.0, 3.0)]
    assert all(heard)


def test_strength_is_the_rise_in_thresholds():
    detector = CuttingDetector()
    detector.step(hop(0.05, over_db=ON_DB_LEAST), rotation())
    assert detector.strength == pytest.approx(1.0)


def baseline_of(speeds, floors):
    n = len(speeds)
    return Baseline(
        BASELINE_VERSION, "2025-01-01T00:00:00Z", 48_000, speeds, (1.0,) * n, (-30.0,) * n, (500.0, 5000.0),
        floors, (), 0.002, 1.0,
    )  # fmt: skip


def test_floor_between_learned_speeds_is_straight_in_log_speed_and_level_beyond():
    baseline = baseline_of((500.0, 2000.0), ((-100.0, -90.0), (-88.0, -78.0)))
    bands = np.array([500.0, 2750.0, 5000.0])
    speeds = np.array([100.0, 500.0, 1000.0, 2000.0, 9000.0]) / 60
    np.testing.assert_allclose(floor_by_speed(baseline, bands, speeds), [-95, -95, -89, -83, -83])


def test_floor_of_one_speed_is_that_at_every_speed():
    baseline = baseline_of((900.0,), ((-100.0, -90.0),))
    assert floor_by_speed(baseline, np.array([500.0]), np.array([1.0, 15.0, 90.0])).tolist() == [-100.0] * 3


def test_what_lasts_far_longer_than_a_peck_is_a_new_background():
    detector = CuttingDetector(longest_s=5.0)
    run(detector, lambda t: 0.0, 2.0)
    assert all(
        d for t, d in run(detector, lambda t: CUT_DB, 8.0, 2.0) if t > 2.15
    )  # slower than the job says
    run(detector, lambda t: CUT_DB, 60.0, 10.0)
    assert not detector.cutting
    assert detector.idle_db == pytest.approx(CUT_DB, abs=0.5)


def test_as_loud_as_a_cut_while_the_speed_falls_tells_nothing_and_silence_tells():
    """A drill that enters slows the spindle faster than one at its speed goes."""
    detector = after_cuts()
    run(detector, lambda t: 0.0, 0.5, 14.0, settled=False)
    assert detector.evidence == -EVIDENCE_MOST
    run(detector, lambda t: CUT_DB, 0.5, 14.5, settled=False)
    assert detector.evidence == 0.0


def _pecked(detector, travel_db, pecks, begin, seed=0):
    """Idle, then pecks of 4 s at 18 dB, each followed by 3 s of travel and 0.5 s of idling; decisions."""
    rng = np.random.default_rng(seed)

    def level(t):
        into = (t - begin - 2.0) % 7.5
        if t < begin + 2.0:
            return 0.3 * rng.standard_normal()
        if into < 4.0:
            return 18.0 + 2.0 * rng.standard_normal()
        return (travel_db if into < 7.0 else 0.0) + 0.3 * rng.standard_normal()

    return run(detector, level, 2.0 + 7.5 * pecks, begin, sag=0.0)


@pytest.mark.parametrize("travel_db", [2.5, 5.0, 9.0, 11.0])
def test_the_axis_that_draws_the_drill_out_is_no_cut(travel_db):
    """A drive that keeps its speed shows no load: the sound that falls at once, and stays, tells it."""
    detector = CuttingDetector(longest_s=5.0)
    heard = _pecked(detector, travel_db, 4, 0.0)
    assert detector.travel_db == pytest.approx(10 * math.log10(10 ** (travel_db / 10) - 1), abs=0.5)
    for k in range(4):
        contact, retract = 2.0 + 7.5 * k, 6.0 + 7.5 * k
        late = 0.15 if k else 0.35  # once it is known, it counts at once
        assert all(d for t, d in heard if contact + 0.2 < t <= retract)
        assert not any(d for t, d in heard if retract + late < t <= contact + 7.45)
    assert detector.end_s == pytest.approx(28.5, abs=0.11)
    approach = run(detector, lambda t: travel_db, 3.0, 32.0, sag=0.0)
    assert not any(decision for _, decision in approach)
    assert detector.travels
    run(detector, lambda t: 18.0, 1.0, 35.0, sag=0.0)
    assert not detector.travels  # the drill cuts


def test_an_axis_that_gathers_way_is_heard_as_one_and_brings_no_contact():
    """It is faint at first, as it draws the drill out; and brings it back as loudly, until contact."""
    detector = CuttingDetector(longest_s=5.0)
    run(detector, lambda t: 0.0, 3.0, sag=0.0)
    for k in range(3):
        begin = 3.0 + 7 * k
        run(detector, lambda t: 20.0, 4.0, begin, sag=0.0)
        out = run(detector, lambda t, b=begin: min(4.0 + 20 * (t - b - 4), 8.0), 1.5, begin + 4, sag=0.0)
        assert first(out, False) < begin + 4.6
        assert detector.end_s == pytest.approx(begin + 4, abs=0.15)
        run(detector, lambda t: 0.0, 0.5, begin + 5.5, sag=0.0)
        back = run(detector, lambda t: 8.0, 1.0, begin + 6, sag=0.0)
        assert not any(decision for _, decision in back)
    run(detector, lambda t: 20.0, 1.0, 24.0, sag=0.0)
    assert detector.onset_s == pytest.approx(24.0, abs=0.15)


def test_what_gets_fainter_little_by_little_is_no_travel():
    """Softened work, of a drive that keeps its speed, rubs."""
    detector = CuttingDetector(longest_s=12.0)
    run(detector, lambda t: 0.0, 3.0, sag=0.0)
    heard = run(detector, lambda t: 20.0 - 8 * (1 - math.exp(-max(t - 7, 0.0) / 0.5)), 8.0, 3.0, sag=0.0)
    assert all(d for t, d in heard if t > 3.3)
    assert math.isnan(detector.travel_db)


def test_what_goes_on_after_a_sound_in_a_cut_is_no_travel_where_cuts_are_as_loud():
    """A telephone ended in a cut: cuts of the level that was left would not be heard any more."""
    detector = CuttingDetector(longest_s=12.0)
    run(detector, lambda t: 0.0, 3.0)
    for begin, phone in ((3.0, False), (8.0, False), (13.0, True), (18.0, False)):
        if phone:
            run(detector, lambda t: 20.0, 2.0, begin, sag=0.0)
        heard = run(detector, lambda t: CUT_DB, 2.0, begin + 2, sag=0.0)
        run(detector, lambda t: 0.0, 1.0, begin + 4, sag=0.0)
    assert all(d for t, d in heard if t > 20.2)


def test_a_cut_after_a_louder_sound_is_no_travel():
    detector = CuttingDetector(longest_s=12.0)
    run(detector, lambda t: 0.0, 3.0)
    heard = run(detector, lambda t: CUT_DB + 10 * (6 < t < 7), 8.0, 3.0, sag=0.0)
    assert all(d for t, d in heard if t > 3.2)
    assert math.isnan(detector.travel_db)


def test_where_load_tells_a_cut_that_becomes_quieter_goes_on():
    """Softened work rubs: quieter, but it loads the spindle."""
    detector = CuttingDetector(longest_s=5.0, cut_sag=0.02)
    run(detector, lambda t: 0.0, 3.0, sag=0.0)
    run(detector, lambda t: 18.0, 2.0, 3.0, sag=0.02)
    assert all(d for _, d in run(detector, lambda t: 8.0, 1.0, 5.0, sag=0.02))


def test_an_axis_is_heard_as_such_where_the_load_of_the_cut_has_gone():
    """Of a machine whose cuts were not known yet: the load alone does not end what sounds on."""
    detector = CuttingDetector(longest_s=5.0)
    run(detector, lambda t: 0.0, 3.0, sag=0.0)
    run(detector, lambda t: 18.0, 4.0, 3.0, sag=0.012)
    after = run(detector, lambda t: 9.0, 2.0, 7.0, sag=-0.01)
    assert first(after, False) < 7.6
    assert detector.end_s == pytest.approx(7.0, abs=0.1)


def test_what_lasts_longer_than_any_travel_is_none():
    detector = CuttingDetector(longest_s=5.0)
    _pecked(detector, 5.0, 2, 0.0)
    assert detector.idle_db == pytest.approx(0.0, abs=0.5)
    run(detector, lambda t: 5.0, 45.0, 17.0, sag=0.0)
    assert math.isnan(detector.travel_db)
    assert detector.idle_db == pytest.approx(5.0, abs=0.5)


def _approached(sag_of_cut, approach_s=1.2):
    """An axis that brings the drill as loudly as a cut, and a first peck of 8 s, drawn out as loudly."""
    detector = CuttingDetector()
    run(detector, lambda t: 0.0, 3.0, sag=0.0)
    run(detector, lambda t: CUT_DB, approach_s, 3.0, sag=0.0)
    run(detector, lambda t: 0.0, 1.0, 4.2, sag=0.0)
    heard = run(detector, lambda t: CUT_DB, 8.0, 5.2, sag=sag_of_cut)
    return detector, heard, run(detector, lambda t: CUT_DB, 3.0, 13.2, sag=0.0)


def test_an_axis_as_loud_as_a_cut_teaches_no_load():
    """What is drilled tells: its load ends with the peck, though the axis sounds as loud."""
    detector, heard, after = _approached(0.02)
    assert all(d for t, d in heard if t > 5.5)
    assert first(after, False) < 13.2 + 0.6
    assert not any(d for t, d in after if t > 14.2)
    assert detector.cut_sag == pytest.approx(0.02, abs=1e-3)


def test_what_loads_nothing_teaches_no_level_where_load_tells():
    detector = after_cuts(sag=0.0, load=0.02)
    level_db = detector.cut_db
    for begin in (14.0, 18.0):  # as loud as rapids are; it is heard as a cut before its load is missed
        run(detector, lambda t: CUT_DB + 6, 2.0, begin, sag=0.0)
        run(detector, lambda t: 0.0, 2.0, begin + 2, sag=0.0)
    assert detector.cut_db == pytest.approx(level_db, abs=0.1)
    assert detector.load_tells


def test_a_drive_that_wins_its_speed_back_is_heard_to_the_end_of_the_cut():
    """A speed loop answers within a second; what it sagged until then is no load that has to last."""
    detector = CuttingDetector()
    run(detector, lambda t: 0.0, 3.0, sag=0.0)
    heard = run(detector, lambda t: CUT_DB, 0.8, 3.0, sag=0.015)
    heard += run(detector, lambda t: CUT_DB, 7.0, 3.8, sag=0.0)
    assert all(d for t, d in heard if t > 3.3)


def test_where_load_tells_an_axis_hardly_raises_the_idle_level():
    detector = after_cuts(sag=0.0, load=0.02)
    run(detector, lambda t: CUT_DB, 4.0, 14.0, sag=0.0)
    assert detector.idle_db < 2.5
    heard = run(detector, lambda t: CUT_DB, 1.0, 18.0, sag=0.02)
    assert first(heard, True) < 18.5
    assert detector.onset_s == pytest.approx(18.0, abs=0.3)  # when the load came


def test_what_goes_on_as_the_drill_is_drawn_out_teaches_no_load():
    """The axis, half as loud as the cut, in which alone the lines are heard."""
    detector = CuttingDetector()
    for begin in (0.0, 6.0, 12.0):
        run(detector, lambda t: 0.0, 2.0, begin, sag=0.0)
        run(detector, lambda t: CUT_DB, 1.0, begin + 2, sag=0.02)
        run(detector, lambda t: CUT_DB, 1.0, begin + 3, sag=math.nan)
        run(detector, lambda t: CUT_DB - 5.0, 0.9, begin + 4, sag=0.0)
        run(detector, lambda t: 0.0, 1.1, begin + 4.9, sag=0.0)
    assert detector.cut_sag == pytest.approx(0.02, abs=1e-3)


def test_a_centre_drill_at_its_own_speed_teaches_no_load():
    detector = CuttingDetector(commanded_hz=(SPINDLE_HZ, 2 * SPINDLE_HZ))
    fast = rotation(sag=0.003, reference_hz=2 * SPINDLE_HZ)
    for t in times(2.0):
        detector.step(hop(t, over_db=0.0, spindle_hz=2 * SPINDLE_HZ), rotation(reference_hz=2 * SPINDLE_HZ))
    for t in times(3.0, 2.0):
        detector.step(hop(t, over_db=CUT_DB, spindle_hz=2 * SPINDLE_HZ), fast)
    for t in times(2.0, 5.0):
        detector.step(hop(t, over_db=0.0, spindle_hz=2 * SPINDLE_HZ), rotation(reference_hz=2 * SPINDLE_HZ))
    assert detector.cut_db > 0  # the cut was heard
    assert math.isnan(detector.cut_sag)


def test_a_drill_that_enters_for_seconds_teaches_neither_wander_nor_idling():
    """A blunt point at a slow feed: its load and its sound grow for eight seconds, together."""
    rng = np.random.default_rng(0)
    detector = CuttingDetector()
    run(detector, lambda t: 0.3 * rng.standard_normal(), 4.0, sag=0.0)
    for t in times(8.0, 4.0):
        entered = (t - 4.0) / 8
        level = 9 * entered + rng.standard_normal()
        detector.step(hop(t, over_db=level), rotation(sag=0.017 * entered))
    assert detector.cutting
    assert detector.since_s < 10.0
    assert detector.idle_sag_sd < 0.003
    assert detector.idle_db < 4.0


@pytest.mark.parametrize(
    ("before", "beat", "enters"), [(1.0, 8.0, True), (1.0, 2.0, False), (6.0, 8.0, False)]
)
def test_a_drill_that_enters_for_seconds_where_the_drive_holds_its_speed_beats_as_its_lips_come_round(
    before, beat, enters
):
    """Rain that sets in does not; and some machines beat so running free."""
    detector = CuttingDetector()
    turning = rotation(sag=0.0, at_speed=True)
    for t in times(3.0, 0.0):
        detector.step(hop(t, over_db=0.0, beat=before), turning)
    for t in times(5.0, 3.0):
        detector.step(hop(t, over_db=min(8.0, 2.5 * (t - 3.0)), beat=beat), turning)
    assert detector.cutting is enters
    assert (detector.idle_db < 1.0) is enters


def test_a_free_spindle_that_wanders_teaches_how_far():
    rng = np.random.default_rng(0)
    detector = CuttingDetector()
    run(detector, lambda t: 0.0, 2.0, sag=0.0)
    for t in times(60.0, 2.0):
        detector.step(
            hop(t, over_db=0.4 * rng.standard_normal()), rotation(sag=0.004 * rng.standard_normal())
        )
    assert detector.idle_sag_sd == pytest.approx(0.004, abs=0.001)


def test_what_a_centre_drill_loads_does_not_ask_the_first_peck_for_as_much():
    """Its own speed was still settling, which looked like a load of 2 %; the peck loads by 0.4 %."""
    detector = CuttingDetector(commanded_hz=(SPINDLE_HZ, 2 * SPINDLE_HZ))
    free = rotation(reference_hz=2 * SPINDLE_HZ)
    for begin_s, level, spindle in (
        (0.0, 0.0, free),
        (2.0, 4.0, rotation(sag=0.02, reference_hz=2 * SPINDLE_HZ)),
        (7.0, 0.0, free),
    ):
        for t in times(5.0 if level else 2.0, begin_s):
            detector.step(hop(t, over_db=level, spindle_hz=2 * SPINDLE_HZ), spindle)
    run(detector, lambda t: 0.0, 3.0, 9.0, sag=0.0)
    heard = run(detector, lambda t: 17.0, 3.0, 12.0, sag=0.004)
    assert first(heard, True) < 12.5
    assert all(d for t, d in heard if t > 12.5)


def test_what_another_sound_taught_of_cuts_is_forgotten_where_nothing_is_heard_to_cut_any_more():
    """A vacuum cleaner, and a speed misread under it: 16 dB and 4 % were cuts, as it seemed."""
    detector = CuttingDetector(longest_s=3.0)
    for begin in (0.0, 8.0):
        run(detector, lambda t: 0.0, 3.0, begin, sag=0.0)
        run(detector, lambda t: 16.0, 3.0, begin + 3, sag=0.04)
        run(detector, lambda t: -8.0, 2.0, begin + 6, turning=False)
    assert detector.load_tells
    heard = []
    for begin in (16.0, 27.0, 38.0):
        run(detector, lambda t: 0.0, 3.0, begin, sag=0.0)
        heard.append(run(detector, lambda t: 4.5, 3.0, begin + 3, sag=0.004))
        run(detector, lambda t: 0.0, 3.0, begin + 6, sag=0.0)
        run(detector, lambda t: -8.0, 2.0, begin + 9, turning=False)
    assert not any(d for _, d in heard[0])
    assert first(heard[2], True) < 42.0
    assert all(d for t, d in heard[2] if t > 42.0)


def test_what_unheard_cuts_taught_of_idling_is_forgotten_with_it():
    """Taken for idling, they made it seem as uneven as a cut is loud and loaded, so that none was heard."""
    detector = CuttingDetector(longest_s=3.0)
    run(detector, lambda t: 0.0, 3.0, sag=0.0)
    run(detector, lambda t: 24.0, 3.0, 3.0, sag=0.04)
    rng = np.random.default_rng(0)
    for begin in (10.0, 60.0):
        run(detector, lambda t: -8.0, 2.0, begin - 2, turning=False)
        for t in np.arange(begin, begin + 45, 0.25).tolist():
            run(detector, lambda _: 2.5 * rng.standard_normal(), 0.25, t, sag=0.008 * rng.standard_normal())
        learned = (detector.idle_spread_db, detector.idle_sag_sd)
    run(detector, lambda t: -8.0, 2.0, 107.0, turning=False)
    assert detector.idle_spread_db < 0.5 * learned[0]
    assert detector.idle_sag_sd < 0.8 * learned[1]


@pytest.mark.parametrize(("beat", "cuts"), [(12.0, True), (1.0, False)])
def test_what_beats_as_the_lips_come_round_is_no_axis(beat, cuts):
    """An axis, or another sound that was taken for one, was nearly as loud as a cut and taught so."""
    detector = CuttingDetector()
    _pecked(detector, 11.0, 4, 0.0)
    assert detector.travel_db > 9.0
    spindle = rotation(sag=0.0, settled=True, at_speed=True)
    heard = [detector.step(hop(t, over_db=11.5, beat=beat), spindle) for t in times(3.0, 32.0)]
    assert any(heard) is cuts
