"""The whole chain: the same samples give the same result, nothing looks ahead, nothing breaks it.

Grouped: block invariance and causality; sample rates; inputs it was not built for; baselines and jobs that
fit badly.
"""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from monitor.baseline import LineClass
from monitor.errors import InputError
from monitor.listener import Listener
from monitor.measurements import Kind, Severity
from monitor.synth.faults import Bind
from monitor.synth.scenes import free_running
from tests.drawn import CYCLE, listen, setup
from tests.hops import SPINDLE_HZ, hop, rotation, work

SEED = 5
RATES = (8_000, 11_025, 16_000, 22_050, 44_100, 48_000, 96_000, 192_000)


def at_rate(fs, seconds=5.0):
    """The start of a blank of drilling at any rate, from a recording made at 48 kHz."""
    x = setup(SEED, fs=48_000).render().x[int(0.8 * 48_000) :]
    if fs != 48_000:
        common = math.gcd(fs, 48_000)
        x = signal.resample_poly(x.astype(float), fs // common, 48_000 // common)
    return x[: int(seconds * fs)].astype(np.float32)


def listener(fs=48_000, rpm=900.0, **changes):
    known = setup(SEED, fs=48_000)
    job = known.job.model_copy(update={"spindle_rpm": rpm})
    return Listener(replace(known.baseline, **changes), job, fs)


def damaged(x, fs):
    """NaN samples, a gap of silence, and a stretch of one value inside."""
    x = x.copy()
    x[int(1.2 * fs) : int(1.9 * fs) : 97] = np.nan
    x[int(2.1 * fs) : int(2.4 * fs)] = 0
    x[int(2.7 * fs) : int(2.71 * fs)] = np.inf
    x[int(2.8 * fs) : int(2.9 * fs)] = 0.25
    return x


# ---- block invariance and causality --------------------------------------------------------------


# Slow spindles are heard in longer frames than fast ones, which 1620 rpm is.
@pytest.mark.parametrize(
    ("fs", "rpm"), [(16_000, 900.0), (44_100, 900.0), (48_000, 900.0), (48_000, 1_620.0)]
)
@settings(max_examples=5, derandomize=True)
@given(cuts=st.lists(st.floats(0, 1), max_size=12))
def test_any_cutting_into_blocks_gives_the_same_bits(fs, rpm, cuts):
    x = damaged(at_rate(fs, 4.2), fs)
    whole = repr(listen(listener(fs, rpm), x, x.size))
    assert len(whole) > 10_000
    assert repr(listen(listener(fs, rpm), x, sorted(int(c * x.size) for c in cuts))) == whole


@pytest.mark.parametrize(("block", "seconds"), [(1, 0.4), (7, 1.0), (1_023, 6.0), (2_400, 6.0), (9_999, 6.0)])
def test_blocks_of_one_size_give_the_same_bits(block, seconds):
    x = at_rate(48_000, seconds)
    assert repr(listen(listener(), x, block)) == repr(listen(listener(), x, x.size))


def test_a_hold_falls_into_the_same_peck_hop_by_hop_as_in_one_go():
    """What the rules on which none depends have found is known before the peck that it belongs to ends."""
    known = setup(SEED, fs=48_000)
    x = known.render(faults=(Bind(1, peck=2, at=0.4, rate_pct_s=8.0, most_pct=16.0, lasts_s=2.5),)).x
    one_go, by_hops = (
        listen(Listener(known.baseline, known.job, 48_000), x, block) for block in (x.size, 2400)
    )
    assert any(event.severity is Severity.HOLD for event in one_go.events)
    assert [row.worst_event for row in one_go.pecks][1] == "sag"
    assert repr(by_hops) == repr(one_go)


def test_what_was_heard_in_a_prefix_stays_when_more_comes():
    fs = 48_000
    x = damaged(at_rate(fs, 6.0), fs)
    whole = listen(listener(), x, x.size)
    for seconds in (0.03, 1.0, 2.35, 4.5):
        n = int(seconds * fs)
        part = listener().feed(x[:n])
        rows, events = whole.trace[: len(part.trace)], whole.events[: len(part.events)]
        assert len(part.trace) == int(n / fs / 0.05)
        assert repr(part.trace) == repr(rows)
        assert repr(part.events) == repr(events)
        assert all(event.t > n / fs for event in whole.events[len(part.events) :])


def test_a_listener_keeps_nothing_of_the_callers_block():
    x = at_rate(48_000, 1.53)
    heard = listener()
    block = x[:49_000].copy()
    heard.feed(block)
    block[:] = 9.0  # a sound device uses its memory again
    more = heard.feed(x[49_000:])
    assert len(more.trace) == 10
    assert repr(more.trace) == repr(listen(listener(), x, x.size).trace[-len(more.trace) :])


def test_samples_are_left_as_they_were():
    x = damaged(at_rate(48_000, 3.0), 48_000)
    before = x.copy()
    listener().feed(x)
    np.testing.assert_array_equal(x, before)


@pytest.mark.parametrize("dtype", [np.float64, np.longdouble, ">f4"])
def test_other_floats_of_the_same_values_are_the_same(dtype):
    x = at_rate(48_000, 2.0)
    assert repr(listener().feed(x.astype(dtype))) == repr(listener().feed(x))
    assert repr(listener().feed(np.repeat(x, 2)[::2])) == repr(listener().feed(x))  # not contiguous


# ---- sample rates --------------------------------------------------------------------------------


@pytest.mark.parametrize("fs", RATES)
def test_every_rate_hears_the_same_speed_at_the_right_time(fs):
    """Baseline of 48 kHz; the spindle runs up within 0.6 s and is then read within 0.5 %."""
    known = setup(SEED, fs=48_000)
    truth = known.render().truth
    told = listen(listener(fs), at_rate(fs, 4.0), fs // 3)
    t = told.curve("t")
    hop_s = np.diff(t)
    np.testing.assert_allclose(hop_s, 0.05, rtol=0.011)
    np.testing.assert_allclose(t, np.arange(1, t.size + 1) * t[0], rtol=1e-12)
    assert 4.0 - t[-1] < t[0] + 1e-9
    settled = t > 2.0
    speed = told.curve("speed_rpm")[settled]
    # true speed over commanded holds the dial's error, which the baseline shares
    true = truth.rpm_at(t[settled] + 0.8) / (1 + known.scene.machine.dial_error)
    known_speed = np.isfinite(speed)
    assert known_speed.mean() > 0.9
    assert np.median(np.abs(speed[known_speed] / true[known_speed] - 1)) < 0.01
    starts = told.times(Kind.SPINDLE_START)
    assert len(starts) == 1
    assert starts[0] < 2.0


@pytest.mark.parametrize("learned_at", [8_000, 16_000, 44_100])
def test_a_baseline_learned_at_another_rate_hears_the_same_speed(learned_at):
    known = setup(SEED, fs=48_000)
    truth = known.render().truth
    told = listen(
        Listener(setup(SEED, fs=learned_at).baseline, known.job, 48_000), at_rate(48_000, 4.0), 2_400
    )
    settled = told.curve("t") > 2.0
    speed = told.curve("speed_rpm")[settled]
    true = truth.rpm_at(told.curve("t")[settled] + 0.8) / (1 + known.scene.machine.dial_error)
    assert np.isfinite(speed).mean() > 0.9
    assert np.nanmedian(np.abs(speed / true - 1)) < 0.01
    assert told.holds() == []


def test_a_row_is_stamped_with_its_newest_sample():
    """A single click within hop 30 changes the level of that row and of no other."""
    rng = np.random.default_rng(0)
    x = 1e-3 * rng.standard_normal(48_000 * 3)
    clicked = x.copy()
    clicked[int(1.47 * 48_000)] += 0.5
    before, after = (listen(listener(), y.astype(np.float32), y.size).curve("level_db") for y in (x, clicked))
    assert np.flatnonzero(before != after).tolist() == [29]
    assert listen(listener(), x.astype(np.float32), x.size).trace[29].t == pytest.approx(1.5)


@pytest.mark.parametrize("fs", [0, 7_999, 192_001, math.nan])
def test_other_rates_are_refused(fs):
    with pytest.raises(ValueError, match="8000 to 192000"):
        listener(fs)


@pytest.mark.parametrize("seed", [1, 7])
def test_a_change_from_the_centre_drills_speed_is_no_sag_in_the_curve(seed):
    known = setup(seed, cycle=replace(CYCLE, spot_rpm=2_000.0))
    truth = known.render().truth
    told = listen(Listener(known.baseline, known.job, known.fs), known.render().x, known.fs)
    sag = told.curve("sag_pct")
    changing = np.flatnonzero(told.curve("t") < truth.pecks[0].contact_s)
    assert np.isfinite(sag[changing]).sum() > 20  # the centre drill's own load is told
    assert np.nanmax(sag[changing]) < 2.0
    assert not told.times(Kind.SAG)


# ---- inputs it was not built for -------------------------------------------------------------------

N, T = 3 * 48_000, np.arange(3 * 48_000) / 48_000
NOISE = np.random.default_rng(1).standard_normal(N)
DEAD = {
    "zeros": np.zeros(N),
    "constant": np.full(N, 0.5),
    "full scale": np.full(N, 1.0),
    "tiny constant": np.full(N, 1e-30),
    "not a number": np.full(N, np.nan),
    "infinite": np.full(N, np.inf),
    "minus infinite": np.full(N, -np.inf),
    "huge": np.full(N, 1e30),
    "over float32": np.full(N, 1e300),
    "denormal": np.full(N, 1e-310),
}
NO_SPINDLE = {
    "nothing but rounding": 1e-12 * NOISE,
    "denormal noise": 1e-42 * NOISE,
    "white noise": 0.1 * NOISE,
    "loud white noise": np.random.default_rng(2).uniform(-1, 1, N),
    "noise over full scale": 1e30 * NOISE,
    "noise over float32": 1e300 * NOISE,
    "a tone in a room": 0.5 * np.sin(2 * np.pi * 1000 * T) + 1e-3 * NOISE,
    "two tones in a room": 0.3 * np.sin(2 * np.pi * 700 * T)
    + 0.3 * np.sin(2 * np.pi * 1234 * T)
    + 1e-3 * NOISE,
    "alternating": np.tile([1.0, -1.0], N // 2),
    "one click": np.eye(1, N, N // 2)[0],
    "offset noise": 0.5 + 0.01 * NOISE,
}


def sane(told):
    """Rows hold numbers where numbers are promised, and confidence is a probability."""
    for name in ("t", "speed_confidence", "level_db", "cut_level_db", "chatter_db", "rise_db_per_s"):
        assert np.isfinite(told.curve(name)).all(), name
    for name in ("speed_rpm", "sag_pct"):
        assert not np.isinf(told.curve(name)).any(), name
    confidence = told.curve("speed_confidence")
    assert confidence.min() >= 0
    assert confidence.max() <= 1 + 1e-9
    assert all(a.t <= b.t for a, b in pairwise(told.events))
    return told


@pytest.mark.parametrize("name", DEAD)
def test_a_dead_input_is_a_microphone_fault_within_half_a_second_and_nothing_else(name):
    told = sane(listen(listener(), DEAD[name], 4_801))
    assert [(kind, t <= 0.5) for t, kind in told.holds()] == [(Kind.MIC_FAULT, True)]
    assert {event.kind for event in told.events} == {Kind.MIC_FAULT}
    assert Kind.MIC_FAULT in told.active
    assert np.isnan(told.curve("speed_rpm")).all()


@pytest.mark.parametrize("slipped", [True, False])
def test_a_speed_to_which_no_spindle_leaps_is_told_as_not_known(slipped):
    """However surely lines agree there: two thirds of the speed, in a cut that goes on."""
    heard = hop(1.0, spindle_hz=2 / 3 * SPINDLE_HZ, confidence=0.97)
    row = listener()._row(heard, rotation(sag=math.nan, slipped=slipped), work(working=True, loaded=True))
    assert math.isnan(row.speed_rpm) is slipped
    assert row.speed_confidence == (0.0 if slipped else 0.97)


@pytest.mark.parametrize("name", NO_SPINDLE)
def test_sound_without_a_spindle_is_none(name):
    told = sane(listen(listener(), NO_SPINDLE[name], 4_801))
    assert {event.kind for event in told.events} <= {Kind.MIC_FAULT}
    assert not (told.curve("speed_rpm") > 0).any()


def test_input_too_faint_for_any_microphone_is_a_fault():
    told = listen(listener(), 1e-12 * NOISE, 4_801)
    assert told.holds()
    assert told.holds()[0][1] is Kind.MIC_FAULT


def test_full_scale_square_wave_is_clipping_and_no_load():
    told = sane(listen(listener(), np.sign(np.sin(2 * np.pi * 100 * T)), 4_801))
    assert [kind for _, kind in told.holds()] == [Kind.MIC_FAULT]
    assert not told.times(Kind.SAG)


@pytest.mark.parametrize(
    ("x", "says"),
    [
        (np.zeros((4_800, 2)), r"\(4800, 2\)"),
        (np.float32(0), r"\(\)"),
        (np.zeros(4_800, np.int16), "int16"),
        (np.zeros(4_800, bool), "bool"),
        (np.zeros(4_800, complex), "complex128"),
    ],
)
def test_samples_of_another_shape_or_kind_are_refused(x, says):
    with pytest.raises(ValueError, match=says):
        listener().feed(x)


def test_no_samples_are_no_news():
    heard = listener()
    assert heard.feed(np.zeros(0)).trace == []
    assert heard.feed(np.zeros(10)).trace == []
    assert heard.t == 0
    end = heard.finish()
    assert (end.trace, end.events, end.pecks) == ([], [], [])


@pytest.mark.parametrize("gain", [1e-3, 0.1, 3.0])
def test_the_gain_of_the_input_changes_no_speed(gain):
    x = at_rate(48_000, 4.0)
    told, louder = (sane(listen(listener(), g * x, 4_801)) for g in (1.0, gain))
    a, b = told.curve("speed_rpm"), louder.curve("speed_rpm")
    both = np.isfinite(a) & np.isfinite(b) & (told.curve("t") > 2)
    assert both.sum() > 30
    np.testing.assert_allclose(a[both], b[both], rtol=2e-3)


def test_an_offset_of_the_input_changes_no_speed():
    x = at_rate(48_000, 4.0)
    told, offset = (listen(listener(), x + d, 4_801) for d in (0.0, 0.3))
    after = told.curve("t") > 2
    np.testing.assert_allclose(told.curve("speed_rpm")[after], offset.curve("speed_rpm")[after], rtol=2e-3)


# ---- baselines and jobs that fit badly --------------------------------------------------------------


@pytest.mark.parametrize(
    "lines",
    [
        lambda lines: (),
        lambda lines: tuple(line for line in lines if line.kind is LineClass.FIXED),
        lambda lines: tuple(replace(line, order=1e4 * line.order) for line in lines),
        lambda lines: tuple(replace(line, order=1e-5 * line.order) for line in lines),
    ],
    ids=["none", "fixed only", "too high", "too low"],
)
def test_a_baseline_without_a_line_to_hear_is_refused_in_one_line(lines):
    baseline = setup(SEED, fs=48_000).baseline
    with pytest.raises(InputError, match=r"no learned line .* 900 rpm") as refused:
        listener(lines=lines(baseline.lines))
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("n", [1, 2, 3])
def test_few_lines_raise_no_hold_on_good_work(n):
    """One line is any tone: what it says of speed must not be believed enough to hold."""
    known = setup(SEED, fs=48_000)
    orders = [line for line in known.baseline.lines if line.kind is LineClass.ORDER]
    best = sorted(orders, key=lambda line: -np.nan_to_num(line.prominence_db[0], nan=-99))
    told = sane(listen(listener(lines=tuple(best[:n])), known.render().x, 48_000))
    assert told.holds() == []


@pytest.mark.parametrize("rpm", [60.0, 300.0, 5_000.0, 30_000.0])
def test_a_job_at_a_speed_far_from_the_sound_breaks_nothing(rpm):
    """What is heard then is at another speed than the job says; a hold for it would be no harm."""
    known = setup(SEED, fs=48_000)
    job = known.job.model_copy(update={"spindle_rpm": rpm})
    told = sane(listen(Listener(known.baseline, job, 48_000), known.render().x, 48_000))
    speed = told.curve("speed_rpm")
    assert not (speed > 1.3 * rpm).any()  # searched up to a quarter over the job's speed


def test_a_job_at_a_speed_where_no_line_is_heard_is_refused():
    known = setup(SEED, fs=48_000)
    job = known.job.model_copy(update={"spindle_rpm": 1e6})
    with pytest.raises(InputError, match="1e\\+06 rpm"):
        Listener(known.baseline, job, 48_000)


@pytest.mark.parametrize(("learned", "heard"), [(8_000, 48_000), (48_000, 8_000)])
def test_a_baseline_of_another_rate_serves(learned, heard):
    known = setup(SEED, fs=48_000)
    baseline = setup(SEED, fs=learned).baseline
    x = known.render().x
    if heard == 8_000:
        x = signal.resample_poly(x.astype(float), 1, 6)
    told = sane(listen(Listener(baseline, known.job, heard), x, 48_000))
    assert told.holds() == []
    for peck, true in zip(told.pecks, known.render().truth.pecks, strict=False):
        assert peck.start_s == pytest.approx(true.contact_s, abs=0.25)
        assert peck.end_s == pytest.approx(true.retract_s, abs=0.25)


def test_a_baseline_of_one_speed_serves():
    from monitor.signal.orders import FreeRun, learn_baseline

    known = setup(SEED, fs=48_000)
    x = free_running(known.scene.machine, known.scene.room, 900.0, 6, SEED, 48_000)
    baseline = learn_baseline([FreeRun(900.0, x, 48_000)], "2025-01-01T00:00:00Z")
    told = sane(listen(Listener(baseline, known.job, 48_000), known.render().x, 48_000))
    assert told.holds() == []
    assert [row.peck for row in told.pecks] == [1, 2, 3]
    assert {event.severity for event in told.events} == {Severity.INFO}


# ---- thresholds that are moved at work -----------------------------------------------------------


def test_limits_set_before_the_first_sound_are_as_good_as_the_jobs_own():
    known = setup(SEED)
    x = known.render().x
    own = Listener(
        known.baseline, known.job.model_copy(update={"sag_warning_pct": 0.6, "sag_hold_pct": 0.9}), known.fs
    )
    moved = Listener(known.baseline, known.job, known.fs)
    moved.set_sag_limits(0.6, 0.9)
    assert moved.sag_limits_pct == (0.6, 0.9)
    stated, told = listen(own, x, 4_801), listen(moved, x, 4_801)
    assert str(told) == str(stated)  # NaN and all
    assert Kind.SAG in {kind for _, kind in told.holds()}


def test_limits_moved_at_work_count_from_then_on():
    known = setup(SEED)
    x = known.render().x
    middle = x.size // 2
    heard = Listener(known.baseline, known.job, known.fs)
    before = heard.feed(x[:middle])
    heard.set_sag_limits(0.6, 0.9)  # below what a sound cut of this machine costs
    after = heard.feed(x[middle:])
    assert not [e for e in before.events if e.kind is Kind.SAG]
    assert {e.limit for e in after.events if e.kind is Kind.SAG} == {0.6, 0.9}
