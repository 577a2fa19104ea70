"""Learning the baseline: classes, orders, levels, floor, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from monitor.baseline import LineClass, describe
from monitor.errors import BaselineError
from monitor.signal.lines import log_power, log_threshold, spectrogram
from monitor.signal.orders import COARSE_S, FreeRun, learn_baseline
from monitor.signal.wander import _foretold
from monitor.synth.machines import draw_machine
from monitor.synth.rooms import draw_room
from monitor.synth.scenes import free_running
from tests.signal.free_running import FIXED, ORDERS, free_run

CREATED = "2026-01-01T00:00:00+00:00"
FS = 16000


def _learn(*runs):
    return learn_baseline([FreeRun(rpm, x, fs, name) for rpm, x, fs, name in runs], CREATED)


def _of(baseline, kind):
    return [line for line in baseline.lines if line.kind is kind]


def _check_lines(baseline, scale, tolerance):
    """Every true line found once and in its class, nothing else called an order or fixed."""
    found = sorted(line.order / scale for line in _of(baseline, LineClass.ORDER))
    assert found == pytest.approx(sorted(ORDERS), rel=tolerance)
    assert sorted(line.frequency_hz for line in _of(baseline, LineClass.FIXED)) == pytest.approx(
        sorted(FIXED), abs=0.02
    )


@pytest.mark.parametrize("snr_db", [10, 0])
@pytest.mark.parametrize(("slow", "fast"), [(300, 800), (800, 900), (900, 3000)])
def test_lines_of_two_speeds_are_classed_and_measured(slow, fast, snr_db):
    dial = 1.02  # the faster one runs 2 % more than its dial says
    baseline = _learn(
        (fast, free_run(fast * dial, 1, snr_db=snr_db), FS, "fast"),
        (slow, free_run(slow, 2, snr_db=snr_db), FS, "slow"),
    )
    assert baseline.speeds_rpm == (slow, fast)
    assert baseline.heard_ratio[1] / baseline.heard_ratio[0] == pytest.approx(dial, rel=1e-4)
    assert np.prod(baseline.heard_ratio) == pytest.approx(1)
    _check_lines(baseline, np.sqrt(dial), 1.5e-4)
    assert baseline.wander == pytest.approx(0.002, rel=0.2)
    assert baseline.confidence > 0.9


def test_levels_and_floor_are_powers_re_full_scale():
    orders = {8.0: 1.0, 23.3: 0.1}
    quiet = {"snr_db": 20, "orders": orders, "wander": 0.001}
    baseline = _learn((600, free_run(600, 3, **quiet), FS, "a"), (900, free_run(900, 4, **quiet), FS, "b"))
    for line in _of(baseline, LineClass.ORDER):
        true_db = 10 * np.log10((0.05 * orders[round(line.order, 1)]) ** 2 / 2)
        assert line.level_dbfs == pytest.approx((true_db, true_db), abs=0.5)
    # Noise through 1 / (1 - 0.8 / z): power density 2 / fs * |H|^2 * variance of the input.
    power = 0.05**2 * np.mean([a * a / 2 for a in orders.values()]) * len(orders) / 100
    hz = np.array(baseline.floor_hz)
    shape = 1 / np.abs(1 - 0.8 * np.exp(-2j * np.pi * hz / FS)) ** 2
    density = 10 * np.log10(2 / FS * power * (1 - 0.8**2) * shape)
    assert np.array(baseline.floor_dbfs_hz) == pytest.approx(np.array([density, density]), abs=1.0)
    assert baseline.level_dbfs[0] == pytest.approx(
        10 * np.log10(np.mean(free_run(600, 3, **quiet) ** 2)), abs=0.01
    )


def test_one_speed_says_that_it_is_less_sure():
    one = _learn((950, free_run(950, 5), FS, "one"))
    assert one.confidence <= 0.5
    assert any("one speed only" in note for note in one.notes)
    assert all(line.confidence <= 0.8 for line in one.lines)
    kinds = {line.kind for line in one.lines if any(abs(line.frequency_hz - hz) < 0.1 for hz in (50, 150))}
    assert kinds == {LineClass.FIXED}
    # Wander alone separates a line at 1 kHz: 0.2 % of it is 2 Hz, a line of 2 s is 1 Hz wide.
    high = [line for line in one.lines if abs(line.frequency_hz - 71.2 * 950 / 60) < 3]
    assert [line.kind for line in high] == [LineClass.ORDER]


def test_without_wander_one_speed_leaves_lines_unknown():
    one = _learn((950, free_run(950, 6, wander=0.0), FS, "one"))
    assert not _of(one, LineClass.ORDER)
    assert len(_of(one, LineClass.UNKNOWN)) >= len(ORDERS)


def test_a_track_that_fits_noise_is_no_wander():
    """Lines under 450 Hz show nothing of 0.03 %; what is followed then is noise, and adds lines to it."""
    geared = {1.0: 0.37, 2.0: 0.51, 3.0: 0.85, 2.35: 0.9, 4.69: 0.71, 42.0: 1.47, 84.0: 0.75, 43.0: 0.2}
    hum = {50.0: 0.5, 150.0: 0.3}
    for seed in (0, 1):
        one = _learn((310, free_run(310, seed, orders=geared, fixed=hum, wander=3e-4), FS, "one"))
        assert one.wander == 0
        assert "wandered by less than is heard" in describe(one)
        assert [line.frequency_hz for line in _of(one, LineClass.FIXED)] == pytest.approx([150, 50], abs=0.05)
        assert not _of(one, LineClass.ORDER)
        unclassed = [line.frequency_hz * 60 / 310 for line in _of(one, LineClass.UNKNOWN)]
        assert all(min(abs(order - true) for true in geared) < 0.05 for order in unclassed)
        assert all(min(abs(order - true) for order in unclassed) < 0.05 for true in (42.0, 84.0))


def test_lines_foretell_a_wander_that_they_share_and_no_other():
    low, high = [24.0, 74.0], [900.0, 1300.0, 2100.0]
    for wander, told in ((0.0, False), (0.002, True)):
        orders = {hz / 10: 1.0 for hz in low + (high if told else [])}
        x = free_run(600, 4, orders=orders, fixed={50.0: 0.1}, wander=wander)
        c = spectrogram(x, FS, COARSE_S, "hann", 2, 5000.0)
        # a line of noise has a track of its own, which the two low lines cannot refute
        followed = np.array(low + (high if told else [2756.0]))
        assert _foretold(log_power(c), c.df, followed) is told


def test_three_speeds_at_different_rates_use_the_lowest_band():
    baseline = _learn(
        (500, free_run(500, 7, fs=48000), 48000, "a"),
        (800, free_run(800, 8, fs=16000), 16000, "b"),
        (1300, free_run(1300, 9, fs=44100), 44100, "c"),
    )
    assert baseline.sample_rate_hz == 16000
    assert max(baseline.floor_hz) < 0.45 * 16000
    assert any("7200 Hz" in note for note in baseline.notes)
    _check_lines(baseline, 1.0, 1.5e-4)


def test_a_short_disturbance_adds_no_line():
    x = free_run(800, 10)
    t = np.arange(int(1.5 * FS)) / FS
    chord = sum(np.sin(2 * np.pi * k * hz * t) / k for hz in (220, 277.2, 329.6) for k in range(1, 6))
    x[4 * FS : 4 * FS + t.size] += 0.05 * chord * np.hanning(t.size)
    baseline = _learn((300, free_run(300, 11), FS, "a"), (800, x, FS, "b"))
    _check_lines(baseline, 1.0, 1.5e-4)


def test_threshold_has_the_stated_false_alarm_rate():
    rng = np.random.default_rng(12)
    for looks in (6, 20):
        noise = np.log1p(rng.exponential(size=(looks, 400_000)))
        z = (noise.mean(axis=0) - 0.59635) / (0.41988 / np.sqrt(looks))
        assert np.mean(z > log_threshold(1e-3, looks)) == pytest.approx(1e-3, rel=0.25)


def test_noise_alone_has_no_line():
    rng = np.random.default_rng(13)
    for _ in range(5):
        with pytest.raises(BaselineError, match="no line stands out"):
            _learn((900, 0.1 * rng.standard_normal(10 * FS), FS, "noise.wav"))


def _spin_up():
    speed = 950 * np.minimum(1, np.arange(12 * FS) / (4 * FS))
    return free_run(950, 14, speed=speed)


def _step():
    speed = np.where(np.arange(12 * FS) < 8 * FS, 950.0, 630.0)
    return free_run(950, 15, speed=speed)


@pytest.mark.parametrize("order", [(1, 0, 2), (0, 2, 1), (1, 2, 0), (2, 1, 0)])
def test_arguments_in_another_order_are_refused_by_what_they_are(order):
    given = (900.0, free_run(900, 1), FS)
    with pytest.raises(
        BaselineError, match=r"in this order: FreeRun\(900\.0, x, |rate 900 Hz is not between"
    ):
        learn_baseline([FreeRun(*(given[i] for i in order))], CREATED)


@pytest.mark.parametrize(
    ("x", "message"),
    [
        (free_run(900, 16, seconds=2.5), r"a\.wav: 2\.5 s is too short; record"),
        (np.clip(20 * free_run(900, 17), -1, 1), r"a\.wav: clipped .* lower the input gain"),
        (np.zeros(10 * FS), r"a\.wav: silent"),
        (np.full(10 * FS, 0.25), r"a\.wav: silent"),
        (np.where(np.arange(10 * FS) == 500, np.nan, 0.1), r"a\.wav: contains values that are not numbers"),
        (np.zeros((10 * FS, 2)), r"a\.wav: has 2 dimensions"),
        (_spin_up(), r"a\.wav: .*(lines are not there between [01]\.\d and 4\.)"),
        (_step(), r"a\.wav: .*(lines are not there between|speed changes)"),
    ],
    ids=["short", "clipped", "silent", "stuck", "nan", "stereo", "spin-up", "step"],
)
def test_unusable_recordings_are_refused(x, message):
    with pytest.raises(BaselineError, match=message) as error:
        _learn((900, x, FS, "a.wav"))
    assert "\n" not in str(error.value)


def test_bad_numbers_are_refused():
    x = free_run(900, 18, seconds=4)
    with pytest.raises(BaselineError, match="commanded speed nan rpm"):
        _learn((float("nan"), x, FS, "a"))
    with pytest.raises(BaselineError, match="sample rate 4000 Hz"):
        _learn((900, x, 4000, "a"))
    with pytest.raises(BaselineError, match="the same or within 2 %"):
        _learn((900, x, FS, "a"), (905, x, FS, "b"))
    with pytest.raises(BaselineError, match="no recording"):
        _learn()


def test_speeds_that_contradict_the_sound_are_refused():
    slow, fast = free_run(500, 19), free_run(1100, 20)
    with pytest.raises(BaselineError, match="sounds like 227 rpm and not 1100"):
        _learn((500, fast, FS, "a"), (1100, slow, FS, "b"))
    with pytest.raises(
        BaselineError, match=r"sounds like 50\d rpm and not 1100|sounds like 49\d rpm and not 1100"
    ):
        _learn((500, slow, FS, "a"), (1100, free_run(500, 21), FS, "b"))
    with pytest.raises(BaselineError, match="sounds like 1760 rpm and not 1100"):
        _learn((800, slow, FS, "a"), (1100, fast, FS, "b"))


def test_narrow_noise_that_stays_is_not_called_a_fixed_tone():
    """A mode of the room rings with noise at 1800 Hz, 3 Hz wide, 16 dB over it, at both speeds."""
    runs = []
    for rpm, seed in ((500, 30), (1100, 31)):
        mode = signal.iirpeak(1800, 600, fs=FS)
        ringing = signal.lfilter(*mode, np.random.default_rng(seed).standard_normal(12 * FS))
        runs.append((rpm, free_run(rpm, seed) + 0.0007 * ringing / ringing.std(), FS, str(rpm)))
    _check_lines(_learn(*runs), 1.0, 1.5e-4)


def _drawn(seed, snr_db, speeds):
    machine, room = draw_machine(seed), draw_room(seed, snr_db, speeds[0])
    return machine, [
        (rpm, free_running(machine, room, rpm=rpm, seconds=8, seed=seed + i, fs=FS), FS, str(rpm))
        for i, rpm in enumerate(speeds)
    ]


@pytest.mark.parametrize("seed", range(9300, 9306))
def test_a_drawn_machine_is_refused_for_wrong_labels_only(seed):
    """Slow speeds and faint lines, on machines and seeds that nothing was tuned on."""
    _, (slow, fast, again) = _drawn(seed, 3.0, (250, 420, 420.001))
    assert _of(_learn(slow, fast), LineClass.ORDER)
    for rpm, x in ((420 * 1.3, fast[1]), (840, fast[1])):
        with pytest.raises(BaselineError, match="sounds like"):
            _learn(slow, (rpm, x, FS, "mislabelled"))
    with pytest.raises(BaselineError, match="sounds like"):
        _learn((250, fast[1], FS, "a"), (420, slow[1], FS, "b"))
    with pytest.raises(BaselineError, match=r"sounds like|no lines move"):
        _learn((250, fast[1], FS, "a"), (420, again[1], FS, "b"))


def _right_and_wrong(machine, lines):
    """How many of the lines called turning are right, and how many wrong.

    Lines of the field of an induction motor turn by nearly the same ratio and count as neither.
    """
    true = np.array([order for order, _ in machine.orders()])
    # Once-per-turn modulation puts sidebands one order beside each line.
    true = np.log(np.concatenate([true, true + 1, np.abs(true - 1), true + 2, np.abs(true - 2)]) + 1e-9)
    field = [s.ratio * h for s in machine.shafts if s.follows == "electrical" for h in s.harmonics]
    field = np.log(field or [1e9])
    heard = np.log([line.order for line in lines])
    # The common scale (dial error and drift of a warming motor) is invisible: take the best fit.
    scales = np.log1p(machine.dial_error) + np.linspace(-0.01, 0.01, 401)
    near = [np.abs(heard[:, None] - s - true[None, :]).min(axis=1) < 4e-4 for s in scales]
    best = int(np.argmax([n.sum() for n in near]))
    other = np.abs(heard[:, None] - scales[best] - field[None, :]).min(axis=1) < 0.015
    return int(near[best].sum()), int((~near[best] & ~other).sum())


@pytest.mark.parametrize("snr_db", [10.0, 3.0])
def test_drawn_machines_are_classed_rightly(snr_db):
    """Machines, rooms and seeds that nothing was tuned on."""
    counts = []
    for seed in range(9400, 9405):
        machine, runs = _drawn(seed, snr_db, (600, 1400))
        lines = _of(_learn(*runs), LineClass.ORDER)
        assert len(lines) >= 5
        counts.append(_right_and_wrong(machine, lines))
    right, wrong = np.sum(counts, axis=0)
    assert right >= 50  # 90 and 63 when written, with 2 and 0 wrong
    assert wrong <= 0.03 * right


def _brushless(rpm, seed):
    """A motor of few poles drives the spindle: three lines, hum, and a mode that noise makes waver."""
    rng = np.random.default_rng(seed)
    hum = {120.0 * k: 0.06 for k in range(1, 7)}
    x = free_run(rpm, seed, snr_db=18, orders={12.0: 1.0, 24.0: 0.3, 36.0: 0.15}, fixed=hum, wander=0.0009)
    decay = np.exp(-np.pi * 8.0 / FS)
    mode = [1, -2 * decay * np.cos(2 * np.pi * 1083 / FS), decay**2]
    ring = signal.lfilter([1], mode, rng.standard_normal(x.size))
    return x + 0.003 * ring / ring.std()


def test_few_low_lines_are_learned_beside_hum_and_a_narrow_mode():
    """At 1150 rpm the orders 12, 24 and 36 lie 4 % under multiples of 120 Hz, as moved ones would at 550."""
    baseline = _learn((1150, _brushless(1150, 1), FS, "fast"), (550, _brushless(550, 2), FS, "slow"))
    orders = [line.order for line in _of(baseline, LineClass.ORDER)]
    for order in (12, 24, 36):
        assert min(abs(found / order - 1) for found in orders) < 5e-4
    assert baseline.wander == pytest.approx(0.0009, rel=0.5)
    assert baseline.heard_ratio == pytest.approx((1.0, 1.0), abs=5e-4)
    assert baseline.confidence > 0.9


@pytest.mark.parametrize(
    ("rpm", "order", "wander"), [(2475.0, 68.5, 0.001), (1700.0, 90.3, 0.001), (2475.0, 40.0, 0.003)]
)
def test_one_loud_line_is_learned_where_it_moves_as_the_dial_says(rpm, order, wander):
    runs = [
        FreeRun(
            speed, free_run(speed, seed, orders={order: 1.0}, fixed={}, wander=wander), 16000, f"{speed:g}"
        )
        for seed, speed in enumerate((rpm, 1.3 * rpm))
    ]
    baseline = learn_baseline(runs, "2026-01-01T00:00:00+00:00")
    turning = [line for line in baseline.lines if line.kind is LineClass.ORDER]
    assert any(abs(line.order / order - 1) < 0.001 for line in turning)

    mistaken = FreeRun(1.5 * rpm, runs[1].x, 16000, "mistaken")
    with pytest.raises(BaselineError, match=r"move from the one|sounds like"):
        learn_baseline([runs[0], mistaken], "2026-01-01T00:00:00+00:00")
