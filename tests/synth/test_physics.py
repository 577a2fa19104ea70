"""What is heard obeys what turns: speed, load, cut and room agree with the truth written beside them."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import butter, sosfiltfilt
from scipy.stats import kurtosis

from monitor.errors import InputError
from monitor.planning.loads import drilling_torque
from monitor.planning.materials import material
from monitor.synth.backgrounds import Background
from monitor.synth.cycle import DT, Cycle
from monitor.synth.faults import Bind, Chatter, Loosening, LostCut, Melting, MicFault, Packing, PowerLoss
from monitor.synth.machines import Machine, draw_machine
from monitor.synth.render import Rendered, Scene, SceneStream, free_running, render_scene
from monitor.synth.rooms import LINE_BAND_HZ
from monitor.synth.scenes import demo_scene, fitted, fitted_room

FS = 16000
CYCLE = Cycle("acrylic", 900.0, 6.0, 2, 15.0, 0.12, 13.0, (8.0, 5.0))


def scene(seed: int = 3, cycle: Cycle = CYCLE, snr_db: float = 10.0, **changes: object) -> Scene:
    machine = fitted(draw_machine(seed, "brushed"), cycle)
    base = Scene(
        "test", replace(machine, recovery=0.0, spin_up_s=0.5), fitted_room(seed, cycle, snr_db), cycle, seed
    )
    return replace(base, **changes)  # type: ignore[arg-type]


def band(x: NDArray[np.float32], low: float, high: float, fs: int = FS) -> NDArray[np.float64]:
    return np.asarray(sosfiltfilt(butter(4, [low, high], "bandpass", fs=fs, output="sos"), x.astype(float)))


def strongest_line(machine: Machine, rpm: float, fs: int) -> float:
    """Order of the strongest line between 400 Hz and 3 kHz, before the room."""
    return max(
        (amplitude, order)
        for order, amplitude in machine.orders()
        if 400 < order * rpm / 60 < min(3000, 0.4 * fs)
    )[1]


def cutting(played: Rendered, peck: int) -> NDArray[np.float32]:
    truth = played.truth.pecks[peck]
    return played.x[int((truth.contact_s + 0.7) * played.fs) : int(truth.retract_s * played.fs)]


@pytest.mark.parametrize("fs", [16000, 44100])
def test_lines_turn_with_the_true_speed_even_as_it_sags(fs: int) -> None:
    # Unwinding a line by the phase that the truth gives must leave a standing phase: its derivative, summed
    # over a bind of 10 % sag, would otherwise be hundreds of turns.
    played = render_scene(scene(snr_db=40.0, cut_db=-20.0, faults=(Bind(1, 2, 0.3, 10.0, 10.0, 2.0),)), fs)
    truth = played.truth
    peck = truth.pecks[1]
    t = np.arange(int((peck.contact_s - 0.3) * fs), int(peck.retract_s * fs)) / fs
    # The wander is smooth, so linear interpolation of the 50 Hz curve loses little.
    order = strongest_line(scene().machine, 900, fs)
    turns = np.cumsum(truth.rpm_at(t)) / 60 / fs * order
    unwound = played.x[int(t[0] * fs) : int(t[0] * fs) + t.size] * np.exp(-2j * np.pi * turns)
    hop = fs // 10
    phasors = unwound[: unwound.size // hop * hop].reshape(-1, hop).mean(axis=1)
    drift = np.unwrap(np.angle(phasors)) / (2 * np.pi)
    assert peck.max_sag_pct > 9
    assert order * 900 / 60 * 0.05 * (t[-1] - t[0]) > 50  # turns lost to the sag, about
    # The line passes modes of the machine, each worth half a turn at most, and nothing more.
    assert np.ptp(drift) < 1.5


@pytest.mark.parametrize("snr_db", [0.0, 10.0, 20.0])
@pytest.mark.parametrize("seed", [3, 8, 21])
def test_line_snr_is_as_asked(seed: int, snr_db: float) -> None:
    # The same seed without noise has the same lines: what does not fit them is noise.
    machine = draw_machine(seed)
    machine = replace(machine, shafts=tuple(s for s in machine.shafts if s.follows == "rotor"))
    room = fitted_room(seed, CYCLE, snr_db)
    noisy = band(free_running(machine, room, 900.0, 8.0, 1, FS), *LINE_BAND_HZ)[FS:-FS]
    clean = band(free_running(machine, replace(room, snr_db=100.0), 900.0, 8.0, 1, FS), *LINE_BAND_HZ)[FS:-FS]
    lines = clean * np.dot(noisy, clean) / np.dot(clean, clean)
    measured = 10 * np.log10(np.mean(lines**2) / np.mean((noisy - lines) ** 2))
    # One speed out of the raggedness of the room: within a few dB, and 2 dB for the filter's skirts.
    assert measured == pytest.approx(snr_db, abs=4.0)


def test_level_is_as_asked() -> None:
    room = replace(fitted_room(5, CYCLE), level_dbfs=-31.0)
    x = free_running(draw_machine(5), room, 900.0, 4.0, 0, FS)
    assert 10 * np.log10(np.mean(band(x, *LINE_BAND_HZ) ** 2)) == pytest.approx(-31.0, abs=3.0)


def test_torque_is_that_of_the_chip_and_sag_that_of_the_torque() -> None:
    made = scene()
    played = render_scene(made, FS)
    truth = played.truth
    t = truth.times()
    peck = truth.pecks[0]
    steady = (t > peck.contact_s + 2.0) & (t < peck.retract_s)
    rpm, torque = truth.curve("rpm")[steady], truth.curve("torque_nm")[steady]
    # The feed is a rate, so the chip is as thick as the true speed makes it.
    feed = CYCLE.feed_mm_per_rev * 900.0 / rpm
    kc = material("acrylic").kc
    expected = np.array([drilling_torque(kc, float(f), 6.0) for f in feed])
    assert np.mean(torque / expected) == pytest.approx(1.0, abs=0.1)
    # Within 4 % of scatter from peck to peck, speed falls by droop times torque.
    sag = truth.curve("sag_pct")[steady]
    droop = made.machine.droop_pct_per_nm(float(np.mean(rpm)) / (1 - float(np.mean(sag)) / 100))
    assert np.mean(sag) == pytest.approx(float(np.mean(torque)) * droop, rel=0.03)
    assert np.mean(sag) == pytest.approx(1.2, abs=0.2)


def test_the_spindle_answers_with_its_time_constant() -> None:
    made = scene(faults=(Bind(1, 1, 0.5, 1e4, 10.0, 3.0),))  # a step of torque
    made = replace(made, machine=replace(made.machine, time_constant_s=0.3, wander_rms=1e-6))
    truth = render_scene(made, 8000).truth
    onset = truth.faults[0].onset_s
    sag = truth.curve("sag_pct")
    before, after = (sag[np.abs(truth.times() - onset - dt).argmin()] for dt in (-0.05, 2.0))
    late = onset + np.argmax(sag[truth.times() >= onset] > before + (1 - np.exp(-1)) * (after - before)) / 50
    assert late - onset == pytest.approx(0.3, abs=0.04)


def test_a_regulated_drive_wins_back_what_it_can_and_no_more() -> None:
    made = scene(faults=(Bind(1, 1, 0.2, 1e4, 10.0, 4.0),))
    held = replace(made.machine, recovery=0.8, recovery_s=0.5, reserve=0.02)
    open_loop = render_scene(made, 8000).truth
    regulated = render_scene(replace(made, machine=held), 8000).truth
    at = int((open_loop.faults[0].onset_s + 3.0) * 50)
    won = open_loop.curve("sag_pct")[at] - regulated.curve("sag_pct")[at]
    assert won == pytest.approx(2.0, abs=0.2)
    normal = int((open_loop.pecks[1].retract_s - 0.1) * 50)
    assert regulated.curve("sag_pct")[normal] < 0.4 * open_loop.curve("sag_pct")[normal]


def test_a_speed_loop_overshoots_a_new_speed_and_comes_back() -> None:
    made = scene(cycle=replace(CYCLE, settle_s=6.0), seconds=6)
    quick = {"time_constant_s": 0.05, "wander_rms": 0.0, "drift": 0.0}
    still = replace(made.machine, **quick, overshoot=0.04, recovery_s=0.4)  # type: ignore[arg-type]
    rpm = render_scene(replace(made, machine=still), 8000).truth.curve("rpm") / still.free_rpm(900.0)
    top = int(np.argmax(rpm))
    assert 1.02 < rpm[top] < 1.04  # it follows with a lag
    assert rpm[top + 2 * 50 :] == pytest.approx(1.0, abs=0.002)


def test_speed_wanders_as_much_as_drawn() -> None:
    made = scene(cycle=replace(CYCLE, settle_s=60.0), seconds=60)
    made = replace(made, machine=replace(made.machine, wander_rms=0.003, drift=0.0))
    truth = render_scene(made, 8000).truth
    rpm = truth.curve("rpm")[5 * 50 : 58 * 50]
    assert np.std(rpm) / np.mean(rpm) == pytest.approx(0.003, rel=0.35)
    assert np.mean(rpm) == pytest.approx(made.machine.free_rpm(900.0), rel=0.003)


def test_acrylic_crackles_and_wood_hisses() -> None:
    peaky = {}
    for name in ("acrylic", "burl", "hardwood", "softwood"):
        played = render_scene(scene(cycle=replace(CYCLE, material=name), snr_db=20.0, cut_db=20.0), FS)
        peaky[name] = kurtosis(band(cutting(played, 0), 2000, 7000))
    assert peaky["acrylic"] > 3 * max(peaky["hardwood"], peaky["softwood"])
    assert peaky["acrylic"] > 3.0
    assert peaky["burl"] > peaky["hardwood"]


@pytest.mark.parametrize(("flutes", "eccentric", "multiple"), [(2, 0.0, 2), (3, 0.0, 3), (2, 0.6, 1)])
def test_the_cut_swells_as_the_lips_pass_and_as_the_stock_turns(
    flutes: int, eccentric: float, multiple: int
) -> None:
    cycle = replace(CYCLE, material="hardwood", flutes=flutes, eccentric=eccentric)
    played = render_scene(scene(cycle=cycle, snr_db=20.0, cut_db=25.0), FS)
    envelope = np.abs(band(cutting(played, 0), 1500, 7000))
    envelope -= envelope.mean()
    spectrum = np.abs(np.fft.rfft(envelope * np.hanning(envelope.size)))
    rotation = float(np.mean(played.truth.rpm_at(np.linspace(4.5, 7.0, 50)))) / 60
    hz = np.fft.rfftfreq(envelope.size, 1 / FS)
    peaks = [spectrum[np.abs(hz - k * rotation) < 0.03 * k * rotation].max() for k in range(1, 6)]
    assert int(np.argmax(peaks)) + 1 == multiple


def test_the_cut_is_as_loud_as_asked() -> None:
    made = scene(cycle=replace(CYCLE, material="hardwood"), snr_db=0.0, cut_db=10.0)
    played = render_scene(made, FS)
    peck = played.truth.pecks[0]
    free = played.x[int((peck.contact_s - 0.9) * FS) : int((peck.contact_s - 0.1) * FS)]
    ratio = 10 * np.log10(
        np.mean(band(cutting(played, 0), 100, 6000) ** 2) / np.mean(band(free, 100, 6000) ** 2)
    )
    # Lines and noise are equal at 0 dB, so the cut stands 10 dB over half of what is heard before it.
    assert ratio == pytest.approx(10 * np.log10((2 + 10) / 2), abs=2.5)


def test_pecks_are_where_the_job_puts_them() -> None:
    truth = render_scene(scene(blanks=2), 8000).truth
    assert [(p.blank, p.peck, p.depth_from_mm, p.depth_to_mm) for p in truth.pecks] == [
        (1, 1, 0.0, 8.0), (1, 2, 8.0, 13.0), (2, 1, 0.0, 8.0), (2, 2, 8.0, 13.0),
    ]  # fmt: skip
    feed_mm_s = CYCLE.feed_mm_per_rev * 900 / 60
    for peck in truth.pecks:
        assert peck.retract_s - peck.contact_s == pytest.approx(
            (peck.depth_to_mm - peck.depth_from_mm) / feed_mm_s, abs=0.01
        )
        blank = truth.blanks[peck.blank - 1]
        assert blank.start_s < peck.contact_s < peck.retract_s < blank.end_s
        tip = truth.curve("tip_mm")[round((peck.retract_s - 0.02) * 50)]
        assert tip == pytest.approx(peck.depth_to_mm, abs=0.15)


def test_spot_drilling_runs_at_its_own_speed() -> None:
    truth = render_scene(scene(cycle=replace(CYCLE, spot_rpm=2000.0)), 8000).truth
    spot = truth.spots[0]
    assert truth.rpm_at((spot.start_s + spot.end_s) / 2) == pytest.approx(2000, rel=0.04)
    assert truth.rpm_at(truth.pecks[0].contact_s) == pytest.approx(900, rel=0.04)
    assert spot.end_s < truth.pecks[0].contact_s


def test_a_bind_crosses_the_thresholds_when_the_truth_says() -> None:
    truth = render_scene(scene(faults=(Bind(1, 2, 0.3, 6.0, 14.0, 3.0),)), 8000).truth
    fault = truth.faults[0]
    sag, t = truth.curve("sag_pct"), truth.times()
    for limit in (4, 8):
        crossing = t[(t >= fault.onset_s) & (sag >= limit)][0]
        assert float(fault.facts[f"sag_{limit}_s"]) == pytest.approx(crossing, abs=0.021)
    assert float(fault.facts["sag_8_s"]) - float(fault.facts["sag_4_s"]) == pytest.approx(4 / 6, abs=0.1)
    assert truth.pecks[0].max_sag_pct < 2


def test_a_stalled_spindle_is_silent_until_it_is_stopped_and_started() -> None:
    played = render_scene(scene(blanks=2, faults=(Bind(1, 2, 0.3, 200.0, 150.0, 2.0),)), FS)
    truth = played.truth
    fault = truth.faults[0]
    assert fault.kind == "stall"
    at = int((fault.onset_s + 2.0) * 50)
    assert truth.curve("rpm")[at] == 0
    order = strongest_line(scene().machine, 900, FS)
    around = (order * 15 * 0.97, order * 15 * 1.03)
    before = np.std(band(played.x, *around)[int((fault.onset_s - 1) * FS) : int(fault.onset_s * FS)])
    after = np.std(band(played.x, *around)[int((fault.onset_s + 1.5) * FS) : int((fault.onset_s + 2) * FS)])
    assert before > 4 * after
    assert truth.pecks[2].max_sag_pct < 2  # the next blank drills as ever


def test_without_power_the_spindle_coasts_down() -> None:
    made = scene(faults=(PowerLoss(1, 2, 0.5),))
    made = replace(made, machine=replace(made.machine, coast_s=0.6))
    truth = render_scene(made, 8000).truth
    onset = truth.faults[0].onset_s
    before, after = truth.rpm_at(np.array([onset, onset + 0.6]))
    assert after / before == pytest.approx(np.exp(-1), rel=0.05)
    assert truth.faults[0].kind == "stall"
    assert truth.curve("commanded_rpm")[int((onset + 0.6) * 50)] == 900


def test_a_spindle_that_never_stops_turns_on_while_blanks_are_changed() -> None:
    truth = render_scene(scene(cycle=replace(CYCLE, stops=False), blanks=2), 8000).truth
    between = (truth.times() > truth.pecks[1].retract_s) & (truth.times() < truth.pecks[2].contact_s)
    assert truth.curve("rpm")[between].min() > 850
    assert truth.curve("commanded_rpm")[-1] == 0


def test_melting_takes_the_crackle_and_leaves_the_load() -> None:
    cycle = replace(CYCLE, depth_mm=18.0, pecks_mm=(9.0,), flute_length_mm=30.0)
    made = scene(cycle=cycle, snr_db=0.0, cut_db=25.0, faults=(Melting(1, 1, 0.9, takes_s=0.3, squeal=0.0),))
    played = render_scene(made, FS)
    good, soft = (band(cutting(played, peck), 2000, 7000) for peck in (0, 1))
    assert kurtosis(soft) < 0.5 * kurtosis(good)
    assert np.std(soft) < 0.5 * np.std(good)
    assert played.truth.pecks[1].max_torque_nm > 1.1 * played.truth.pecks[0].max_torque_nm


def test_packing_grows_from_peck_to_peck() -> None:
    cycle = replace(CYCLE, depth_mm=23.0, pecks_mm=(8.0, 5.0, 2.0))
    packed = render_scene(scene(cycle=cycle, faults=(Packing(1, 4, 0.7),)), 8000).truth
    clear = render_scene(scene(cycle=cycle), 8000).truth
    fills = [peck.flute_fill for peck in packed.pecks[3:]]
    assert all(b > a for a, b in pairwise(fills))
    loads = [peck.max_torque_nm for peck in packed.pecks[3:]]
    assert loads[-1] > 1.5 * loads[0]
    assert clear.pecks[-1].max_torque_nm < 1.2 * clear.pecks[3].max_torque_nm


def test_loosening_knocks_once_a_turn_and_louder() -> None:
    played = render_scene(scene(snr_db=0.0, cut_db=15.0, faults=(Loosening(1, 1, 0.1, 8.0, 60.0),)), FS)
    fault = played.truth.faults[0]
    assert float(fault.facts["double_s"]) - fault.onset_s == pytest.approx(20 * np.log10(2) / 8.0, abs=0.01)
    x = band(played.x, 150, 1500)
    second = [np.std(x[int((fault.onset_s + k) * FS) : int((fault.onset_s + k + 1) * FS)]) for k in (2, 3)]
    assert 20 * np.log10(second[1] / second[0]) == pytest.approx(8.0, abs=3.0)
    envelope = np.abs(x[int((fault.onset_s + 2.5) * FS) : int((fault.onset_s + 4.5) * FS)])
    spectrum = np.abs(np.fft.rfft((envelope - envelope.mean()) * np.hanning(envelope.size)))
    hz = np.fft.rfftfreq(envelope.size, 1 / FS)
    low = (hz > 3) & (hz < 80)
    peak = hz[low][np.argmax(spectrum[low])]
    rotation = float(played.truth.rpm_at(fault.onset_s + 3)) / 60
    assert peak / rotation == pytest.approx(round(peak / rotation), abs=0.05)
    assert played.truth.pecks[0].max_sag_pct < 2


@pytest.mark.parametrize("order", [None, 41.0])
def test_chatter_is_a_tone_that_grows(order: float | None) -> None:
    fault = Chatter(1, 1, 0.1, hz=1370.0, order=order, growth_db_s=15.0, most_db=10.0)
    played = render_scene(scene(cycle=replace(CYCLE, material="hardwood"), faults=(fault,)), FS)
    told = played.truth.faults[0]
    hz = float(told.facts["hz"])
    assert hz == pytest.approx(1370.0 if order is None else 41.0 * 15, rel=0.02)
    x = np.abs(np.fft.rfft(cutting(played, 0)[-FS:] * np.hanning(FS))) ** 2
    tone = x[int(hz) - 20 : int(hz) + 20].max()
    assert 10 * np.log10(tone / np.median(x[int(hz) - 200 : int(hz) + 200])) > 20
    assert told.onset_s < float(told.facts["over_12_db_s"]) < played.truth.pecks[0].retract_s


def test_a_lost_cut_feeds_on_in_silence() -> None:
    played = render_scene(scene(snr_db=0.0, cut_db=25.0, faults=(LostCut(1, 1, 0.5),)), FS)
    onset = played.truth.faults[0].onset_s
    high = band(played.x, 2000, 7000)
    before = np.std(high[int((onset - 1) * FS) : int(onset * FS)])
    after = np.std(high[int((onset + 0.8) * FS) : int((onset + 1.8) * FS)])
    assert before > 3 * after
    assert played.truth.curve("torque_nm")[int((onset + 1) * 50)] == 0


@pytest.mark.parametrize("mode", ["silence", "stuck", "unplugged", "clipping", "dropouts", "gain"])
def test_microphone_faults_begin_where_they_say(mode: str) -> None:
    fault = MicFault(mode, 4.25, gain_db=40.0)  # type: ignore[arg-type]
    broken = render_scene(scene(seconds=8, mic_faults=(fault,)), FS)
    sound = render_scene(scene(seconds=8), FS)
    at = int(4.25 * FS)
    assert np.array_equal(broken.x[:at], sound.x[:at])
    rest = broken.x[at:]
    if mode == "silence":
        assert not rest.any()
    elif mode == "stuck":
        assert np.ptp(rest) == 0
    elif mode == "unplugged":
        assert 0 < np.std(rest) < 0.1 * np.std(sound.x[:at])
    elif mode == "dropouts":
        assert 0.01 < np.mean(rest == 0) < 0.9
    else:
        assert np.mean(np.abs(rest) >= 0.999) > 0.01
    told = broken.truth.faults[0]
    assert told.kind == ("gain_step" if mode == "gain" else "mic_fault")
    assert told.onset_s == 4.25


def test_a_background_sound_is_as_loud_as_asked_and_where_it_says() -> None:
    made = scene(seconds=7)
    sound = replace(made, backgrounds=(Background("vacuum", 3.2, 2.0, 6.0, 1),))
    added = render_scene(sound, FS).x - render_scene(made, FS).x
    assert not added[: int(3.2 * FS)].any()
    level = 20 * np.log10(np.std(added[int(3.2 * FS) : int(5.2 * FS)]))
    assert level == pytest.approx(made.room.level_dbfs + 6.0, abs=0.5)
    assert np.abs(added[-FS // 2 :]).max() < np.abs(added).max() / 100


@settings(max_examples=12, deadline=None)
@given(st.lists(st.integers(1, 30000), min_size=1, max_size=12))
def test_a_stream_gives_the_same_samples_in_any_blocks(sizes: list[int]) -> None:
    made = scene(seconds=3)
    whole = render_scene(made, 8000).x
    stream = SceneStream(made, 8000)
    parts = [stream.read(n) for n in sizes]
    parts.extend(stream.blocks(3000))
    assert np.array_equal(np.concatenate(parts), whole)
    assert stream.read(10).size == 0


def test_the_same_seed_renders_the_same_and_another_does_not() -> None:
    made = scene(seconds=3)
    assert np.array_equal(render_scene(made, FS).x, render_scene(made, FS).x)
    assert not np.array_equal(render_scene(replace(made, seed=99), FS).x, render_scene(made, FS).x)


def test_a_long_batch_is_streamed_with_a_bounded_memory() -> None:
    stream = SceneStream(replace(demo_scene(blanks=100_000)), 8000, keep_curves=False)
    for _ in range(40):
        assert stream.read(8000).size == 8000
    assert not stream.truth.curves
    assert stream.truth.blanks


def test_the_demo_binds_on_its_third_blank_within_ninety_seconds() -> None:
    truth = render_scene(demo_scene(blanks=3), 8000).truth
    fault = truth.faults[0]
    assert (fault.kind, fault.blank) == ("sag", 3)
    assert float(fault.facts["sag_8_s"]) < 90
    assert 0.8 < float(fault.facts["sag_8_s"]) - fault.onset_s < 2.2
    assert truth.pecks[0].contact_s < 15
    assert max(peck.max_sag_pct for peck in truth.pecks[:-1]) < 3


@pytest.mark.parametrize("seed", range(6))
def test_any_machine_drills_at_any_speed_and_rate(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rpm = float(rng.uniform(300, 3000))
    name = str(rng.choice(["acrylic", "hardwood", "burl", "softwood"]))
    cycle = Cycle(name, rpm, 6.0, 2, 40.0, 0.1, 8.0, (5.0, 3.0), through=bool(rng.integers(2)))
    fs = int(rng.choice([8000, 16000, 22050, 44100]))
    room = fitted_room(seed, cycle, float(rng.uniform(0, 15)))
    played = render_scene(Scene("any", fitted(draw_machine(seed), cycle), room, cycle, seed), fs)
    assert np.isfinite(played.x).all()
    assert played.x.size == played.truth.seconds * fs
    assert np.abs(played.x).max() <= 1
    assert 1e-4 < np.std(played.x) < 0.3
    assert max(peck.max_sag_pct for peck in played.truth.pecks) < 4


def test_a_rate_below_8_khz_is_refused() -> None:
    with pytest.raises(InputError, match="4000 Hz is too low; use 8000"):
        SceneStream(scene(), 4000)


def test_curves_are_sampled_densely_enough() -> None:
    assert DT <= 0.005
    assert render_scene(scene(seconds=2), 8000).truth.curve("rpm").size == 100
