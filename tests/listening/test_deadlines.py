"""What must be told of machines never seen, and by when; and what must not be.

Every machine and room is drawn from a fixed seed and learned from its own free-running sound at two
speeds. Line SNR 10 dB unless said.
"""

from dataclasses import replace

import numpy as np
import pytest

from monitor.measurements import Kind, Severity
from monitor.synth.backgrounds import Background
from monitor.synth.faults import Bind, Loosening, MicFault
from tests.drawn import CYCLE, setup

SEEDS = (5, 8, 13, 21)
SLOW_CYCLE = replace(CYCLE, spindle_rpm=600.0, feed_mm_per_rev=0.2)
SPOT_CYCLE = replace(CYCLE, spot_rpm=2000.0, settle_s=1.2)


def crossing(rendered, number=0, fraction=0.08):
    """When the true speed falls by ``fraction`` under what the spindle ran free at before that contact.

    What nobody can hear is how the free speed would have wandered since.
    """
    truth = rendered.truth
    fault = truth.faults[number]
    peck = next(p for p in truth.pecks if (p.blank, p.peck) == (fault.blank, fault.peck))
    t, rpm = truth.times(), truth.curve("rpm")
    free = np.median(rpm[(t > peck.contact_s - 0.4) & (t < peck.contact_s - 0.05)])
    return float(t[(t > fault.onset_s) & (rpm < (1 - fraction) * free)][0])


# ---- the drill binds -------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [*SEEDS, 57])
def test_a_bind_is_held_within_a_quarter_second_of_the_true_crossing(seed):
    known = setup(seed)
    bind = Bind(1, peck=2, at=0.4, rate_pct_s=8.0, most_pct=16.0, lasts_s=2.5)
    rendered = known.render(faults=(bind,))
    told = known.hear(rendered.x)
    crossed = crossing(rendered)
    (held,) = told.times(Kind.SAG, Severity.HOLD)
    # before it only by the estimator's deviation, or that of the slope by which a fall goes on
    assert crossed - 0.2 < held < crossed + 0.25
    event = next(e for e in told.events if e.severity is Severity.HOLD)
    assert (event.blank, event.peck) == (1, 2)
    assert event.onset_s == pytest.approx(rendered.truth.faults[0].onset_s, abs=0.6)
    assert {kind for _, kind in told.holds()} == {Kind.SAG}
    assert told.times(Kind.SAG, Severity.WARNING)[0] < held


@pytest.mark.parametrize("seed", SEEDS[:2])
def test_a_bind_in_the_last_peck_is_held_though_the_depth_was_misjudged(seed):
    """The job file says 10 mm where the cycle drills 12, so the depth reckoned runs ahead."""
    known = setup(seed)
    bind = Bind(1, peck=3, at=0.4, rate_pct_s=8.0, most_pct=16.0, lasts_s=2.5)
    rendered = known.render(faults=(bind,))
    shallow = replace(known, job=known.job.model_copy(update={"depth_mm": 9.0, "pecks_mm": (6.0, 3.0)}))
    crossed = crossing(rendered)
    (held,) = shallow.hear(rendered.x).times(Kind.SAG, Severity.HOLD)
    assert held < crossed + 0.5


@pytest.mark.parametrize("overshoot", [0.0, 0.02, 0.0275, 0.035])
def test_a_fast_bind_that_stalls_is_held_when_the_spindle_stands(overshoot):
    """120 % a second: too fast to follow as sag. The cut must not hide that the lines are gone."""
    known = setup(8)
    bind = Bind(1, peck=2, at=0.4, rate_pct_s=120.0, most_pct=130.0, lasts_s=3.0)
    rendered = known.render(faults=(bind,), machine=replace(known.scene.machine, overshoot=overshoot))
    told = known.hear(rendered.x)
    t, rpm = rendered.truth.times(), rendered.truth.curve("rpm")
    onset = rendered.truth.faults[0].onset_s
    stands = t[(t > onset) & (rpm < 10)][0]
    assert told.holds()
    assert onset < told.holds()[0][0] < stands + 0.25
    assert {kind for _, kind in told.holds()} <= {Kind.SAG, Kind.STALL}


def test_each_bind_is_held_once_and_again_after_five_seconds_of_normal_work():
    known = setup(13)
    binds = tuple(Bind(blank, 2, at=0.4, rate_pct_s=8.0, most_pct=16.0, lasts_s=2.0) for blank in (1, 2))
    rendered = known.render(blanks=2, faults=binds)
    told = known.hear(rendered.x)
    held = told.times(Kind.SAG, Severity.HOLD)
    crossed = [crossing(rendered, number) for number in range(2)]
    assert len(held) == 2
    np.testing.assert_allclose(held, crossed, atol=0.25)


# ---- the microphone --------------------------------------------------------------------------------

FAULT_S = 4.6  # in the first peck


@pytest.mark.parametrize("seed", SEEDS[:2])
@pytest.mark.parametrize("mode", ["silence", "stuck", "unplugged"])
def test_a_lost_microphone_is_held_within_half_a_second_and_nothing_else_is(seed, mode):
    known = setup(seed)
    told = known.hear(known.render(mic_faults=(MicFault(mode, FAULT_S),)).x)
    ((held, kind),) = told.holds()
    assert kind is Kind.MIC_FAULT
    assert FAULT_S < held < FAULT_S + 0.5
    assert not told.times(Kind.SAG)
    assert not told.times(Kind.STALL)
    assert Kind.MIC_FAULT in told.active  # still deaf at the end


def test_samples_that_are_no_numbers_are_held_within_half_a_second():
    known = setup(5)
    x = known.render().x.copy()
    x[int(FAULT_S * known.fs) :] = np.nan
    ((held, kind),) = known.hear(x).holds()
    assert (kind, held < FAULT_S + 0.5) == (Kind.MIC_FAULT, True)


def test_a_dropout_that_recovers_is_a_warning_and_the_blank_goes_on():
    known = setup(8)
    x = known.render().x.copy()
    x[int(FAULT_S * known.fs) : int((FAULT_S + 0.2) * known.fs)] = 0
    told = known.hear(x)
    assert told.holds() == []
    assert len(told.times(Kind.MIC_FAULT, Severity.WARNING)) == 1
    assert told.count(Kind.BLANK_START) == 1
    undamaged = known.hear(known.render().x)
    assert [row.peck for row in told.pecks] == [row.peck for row in undamaged.pecks]


def test_clipping_warns_first_and_holds_when_it_lasts_a_second():
    known = setup(5)
    told = known.hear(known.render(mic_faults=(MicFault("clipping", FAULT_S, gain_db=40.0),)).x)
    warned, held = (told.times(Kind.MIC_FAULT, s)[0] for s in (Severity.WARNING, Severity.HOLD))
    assert FAULT_S < warned < FAULT_S + 0.4
    assert FAULT_S + 0.9 < held < FAULT_S + 1.4
    assert {kind for _, kind in told.holds()} == {Kind.MIC_FAULT}


def test_a_step_of_gain_is_no_fault():
    known = setup(21)
    told = known.hear(known.render(mic_faults=(MicFault("gain", FAULT_S, gain_db=-10.0),)).x)
    assert told.holds() == []
    assert not told.times(Kind.MIC_FAULT)


# ---- good work --------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
def test_blanks_and_pecks_are_counted_and_dated(seed):
    """An easy scene: the cut 9 dB over the machine, line SNR 15 dB."""
    known = setup(seed, snr_db=15.0)
    rendered = known.render(blanks=2)
    told = known.hear(rendered.x)
    true = rendered.truth.pecks
    assert [(row.blank, row.peck) for row in told.pecks] == [(peck.blank, peck.peck) for peck in true]
    assert told.count(Kind.BLANK_START) == told.count(Kind.BLANK_END) == 2
    assert told.count(Kind.PECK_START) == told.count(Kind.PECK_END) == len(true)
    starts = [row.start_s - peck.contact_s for row, peck in zip(told.pecks, true, strict=True)]
    ends = [row.end_s - peck.retract_s for row, peck in zip(told.pecks, true, strict=True)]
    assert np.median(np.abs(starts)) < 0.15
    assert np.median(np.abs(ends)) < 0.15
    depths = [row.depth_to_mm - peck.depth_to_mm for row, peck in zip(told.pecks, true, strict=True)]
    assert np.abs(depths).max() < 0.5
    assert told.holds() == []


@pytest.mark.parametrize("seed", SEEDS[2:])
def test_a_commanded_stop_between_blanks_is_told_and_no_fault(seed):
    known = setup(seed)
    rendered = known.render(blanks=2)
    told = known.hear(rendered.x)
    assert told.holds() == []
    stops, starts = told.times(Kind.SPINDLE_STOP), told.times(Kind.SPINDLE_START)
    assert len(stops) == len(starts) == 2
    for span, started, stopped in zip(rendered.truth.blanks, starts, stops, strict=True):
        assert span.start_s < started < span.start_s + 2.0
        assert span.end_s - 0.5 < stopped < span.end_s + 1.5
    t, speed = told.curve("t"), told.curve("speed_rpm")
    between = (t > stops[0] + 0.5) & (t < starts[1] - 1)
    assert (speed[between] == 0).all()


@pytest.mark.parametrize("seed", SEEDS[:3])
def test_a_spot_at_2000_and_drilling_at_900_is_no_fault(seed):
    known = setup(seed, cycle=SPOT_CYCLE)
    rendered = known.render(cut_db=15.0)  # a spot is faint: the machine itself is louder at 2000 rpm
    told = known.hear(rendered.x)
    assert told.holds() == []
    assert told.count(Kind.SPOT_START) == 1
    (spot,) = rendered.truth.spots
    assert told.times(Kind.SPOT_START)[0] == pytest.approx(spot.start_s, abs=0.5)
    assert [row.peck for row in told.pecks] == [peck.peck for peck in rendered.truth.pecks]
    scale = 1 + known.scene.machine.dial_error
    for t in (spot.start_s - 0.3, rendered.truth.pecks[0].contact_s - 0.2):
        assert told.speed_at(t) == pytest.approx(rendered.truth.rpm_at(t) / scale, rel=0.02)


SOUNDS = ("air_gun", "speech", "hammer", "door", "compressor")


@pytest.mark.parametrize("seed", SEEDS[:2])
@pytest.mark.parametrize("kind", SOUNDS)
def test_sounds_of_the_workshop_raise_no_hold(seed, kind):
    known = setup(seed)
    sounds = tuple(Background(kind, start, 2.0, 6.0, seed=i) for i, start in enumerate((3.5, 6.6, 9.2)))
    told = known.hear(known.render(backgrounds=sounds).x)
    assert told.holds() == []
    assert not told.times(Kind.SAG)


@pytest.mark.parametrize(
    ("seed", "rpm", "kind", "level_db"), [(47, 2200.0, "vacuum", 1.0), (53, 900.0, "rain", 2.0)]
)
def test_steady_noise_from_the_first_blank_on_raises_no_hold(seed, rpm, kind, level_db):
    known = setup(seed, cycle=replace(CYCLE, spindle_rpm=rpm))
    noise = Background(kind, 6.3, 19.0, level_db, seed=seed)
    assert known.hear(known.render(blanks=2, backgrounds=(noise,)).x).holds() == []


@pytest.mark.parametrize("seed", [5, 13])
def test_a_slow_spindle_is_heard_as_well(seed):
    known = setup(seed, cycle=SLOW_CYCLE)
    bind = Bind(1, peck=2, at=0.4, rate_pct_s=8.0, most_pct=16.0, lasts_s=2.5)
    rendered = known.render(faults=(bind,))
    (held,) = known.hear(rendered.x).times(Kind.SAG, Severity.HOLD)
    crossed = crossing(rendered)
    assert crossed - 0.1 < held < crossed + 0.25


HOP_S = 0.05

# ---- the work holding backs off ---------------------------------------------------------------------


@pytest.mark.parametrize("seed", [300, 302, 304, 306])
@pytest.mark.parametrize("eccentric", [0.0, 0.7])
def test_a_knock_that_grows_is_held_soon_after_it_is_twice_as_loud_as_normal(seed, eccentric):
    known = setup(seed, 10.0 if seed % 4 else 3.0, replace(CYCLE, eccentric=eccentric))
    rendered = known.render(faults=(Loosening(1, peck=2, at=0.1, growth_db_s=8.0),))
    double_s = rendered.truth.faults[0].facts["double_s"]
    told = known.hear(rendered.x)
    held = told.times(Kind.LOOSENING)
    assert held
    assert double_s - 0.7 < held[0] < double_s + 1.5 + HOP_S  # told with the hop in which they are over
    assert next(e for e in told.events if e.kind is Kind.LOOSENING).stops_spindle


@pytest.mark.parametrize("seed", [300, 303])
@pytest.mark.parametrize("eccentric", [0.3, 0.8])
def test_work_that_runs_out_of_true_is_no_loose_holding(seed, eccentric):
    known = setup(seed, 10.0, replace(CYCLE, eccentric=eccentric))
    assert not known.hear(known.render(blanks=2).x).times(Kind.LOOSENING)
