"""The lines of a knock: a fast spindle, whose blows run into one another."""

import math

import numpy as np
import pytest

from monitor.faults.episode import Finding
from monitor.faults.loosening import LooseningRule
from monitor.faults.loosening_lines import FIRST_S, LAG_S, KnockLines
from monitor.faults.loosening_others import AT_MOST_S
from monitor.measurements import Kind, Severity
from monitor.signal.frames import frame_geometry
from monitor.signal.turn_lines import EVERY_HOPS, OFF, STEP, TurnLines
from monitor.spindle import SpindleState
from tests.hops import STEP_S, hop, rotation

HZ, FS = 40.0, 24000.0


class Shop:
    """Noise, and knocks at every turn of a speed that is heard ``off`` by so much."""

    def __init__(self, seed=0, off=0.01, times=1):
        g = frame_geometry(FS, HZ * 60)
        self.lines = TurnLines(g, HZ)
        self.rule = KnockLines(self.lines, g.hop_s)
        self.hop, self.step_s, self.rate = g.hop, g.hop_s, g.fs
        self.rng, self.knocks_hz = np.random.default_rng(seed), HZ * (1 + off) * times
        t = np.arange(0.1 * self.rate) / self.rate
        modes = sum(np.sin(2 * np.pi * mode * t) for mode in (350, 700, 1150))
        self.ring = (np.exp(-t / 0.008) * modes).astype(np.float32)
        self.tail, self.t, self.turns, self.found = np.zeros(self.ring.size - 1), 0.0, 0.0, []

    def go(self, seconds, knock=0.0, cutting=True, taken=True, drowned=False, louder=1.0, over_db=0.0):
        """``knock``: height of a blow in deviations of the noise, a function of the seconds from here."""
        for k in range(round(seconds / self.step_s)):
            height = knock(k * self.step_s) if callable(knock) else knock
            x = np.zeros(self.hop)
            turns = self.turns + np.arange(1, self.hop + 1) * self.knocks_hz / self.rate
            x[np.diff(np.floor(turns), prepend=math.floor(self.turns)) > 0] = height
            self.turns = turns[-1]
            rung = np.convolve(x, self.ring)
            rung[: self.tail.size] += self.tail
            self.tail = rung[self.hop :]
            x = rung[: self.hop] + louder * self.rng.standard_normal(self.hop)
            self.t += self.step_s
            (lines,) = self.lines.feed(x[None].astype(np.float32), [HZ])
            found = self.rule.step(hop(self.t, lines=lines), taken, cutting, drowned, over_db=over_db)
            if found:
                self.found.append((self.t, found))
        return self


@pytest.mark.parametrize("off", [-0.02, 0.004, 0.02])
@pytest.mark.parametrize("cutting", [False, True])
def test_a_knock_that_grows_is_told_to_stop_the_spindle(off, cutting):
    shop = Shop(off=off).go(10.0, 0.1, cutting)
    assert not shop.found
    shop.go(4.0, lambda s: 0.1 * 10 ** (8 * s / 20), cutting)
    t, found = shop.found[0]
    assert 10.5 < t < 13.2
    assert (found.kind, found.severity) == (Kind.LOOSENING, Severity.HOLD)
    assert "stop the spindle" in found.message
    assert found.value > found.limit
    assert 9.5 < found.onset_s < t


@pytest.mark.parametrize("starts", [-0.02, -0.015])
def test_what_runs_up_through_the_spindles_rate_is_another_machine(starts):
    """A compressor that is switched on; at once at its last rate, it would be told as a knock."""
    for glides in (True, False):
        shop = Shop(off=starts).go(10.0, 0.1)
        for k in range(round(3.0 / shop.step_s)):
            off = starts + min(0.02 * k * shop.step_s, 0.03) if glides else starts
            shop.knocks_hz = HZ * (1 + off)
            shop.go(shop.step_s, 2.0)
        assert bool(shop.found) is not glides


@pytest.mark.parametrize(
    ("rates", "glides"),
    [((-6, -4, -3), True), ((0, 1, 3), True), ((0, 0, 3), False), ((3, 0, 0), False), ((0, 2, -1), False)],
)
def test_what_glides_moves_one_way_in_each_step(rates, glides):
    """One frame that is off by itself, as of blows that waver, is no machine that runs up."""
    rule = Shop().rule
    assert [rule._follow_rate(STEP * rate, clear=True)[1] for rate in rates][-1] is glides


@pytest.mark.parametrize("seed", range(3))
def test_noise_is_no_knock(seed):
    shop = Shop(seed)
    for k in range(20):
        shop.go(3.0, cutting=k % 2 == 1)
    assert not shop.found


def test_a_machine_that_knocks_alike_in_every_turn_is_sound():
    shop = Shop()
    for k in range(8):
        shop.go(5.0, 1.5 if k % 2 else 0.7, cutting=k % 2 == 1)
    assert not shop.found
    shop.go(3.0, lambda s: 0.7 * 10 ** (10 * s / 20), cutting=False)
    assert shop.found


@pytest.mark.parametrize("times", [2, 3, 4, 6])
def test_what_comes_several_times_a_turn_is_another_machine_or_the_lips(times):
    shop = Shop(times=times).go(10.0).go(4.0, lambda s: min(0.1 * 10 ** (10 * s / 20), 1.5))
    assert not shop.found


def test_a_knock_goes_on_over_cuts_and_pauses():
    """Each too short to tell it by itself; what is normal is known of both."""
    shop = Shop().go(6.0, cutting=False).go(6.0)
    shop.go(0.8, 0.7, cutting=False).go(0.8, 0.7).go(0.8, 0.7, cutting=False).go(0.8, 0.7)
    assert shop.found


def test_a_state_is_learned_before_it_is_judged():
    first_s = FIRST_S + LAG_S
    shop = Shop().go(first_s, 1.0)
    assert not shop.found
    assert not shop.go(10.0, 1.0).found


@pytest.mark.parametrize("before", [0.0, 1.5])
def test_what_was_normal_before_all_is_learned_anew_is_no_fault(before):
    """A machine that knocks in every cut; another sound passes for one as what it hid is learned anew."""
    shop = Shop().go(10.0, before).go(4.0, cutting=False)
    shop.rule.begin()
    shop.go(4.0).go(4.0, cutting=False)
    assert not shop.found
    for _ in range(3):
        shop.go(2.0, 1.5).go(2.0, cutting=False)
    assert bool(shop.found) is (before == 0)
    assert shop.go(3.0, lambda s: 1.5 * 10 ** (10 * s / 20)).found


@pytest.mark.parametrize(("over_db", "told"), [(0.0, True), (6.0, False)])
def test_what_cuts_show_is_no_fault_as_a_drill_enters_slowly(over_db, told):
    """A cut that is not known for one yet shows the lines of cuts, and is louder than the pause before it."""
    shop = Shop().go(10.0, cutting=False)
    for _ in range(3):
        shop.go(4.0, 1.5, over_db=12.0).go(4.0, cutting=False)
    assert not shop.found
    shop.go(1.2, 1.5, cutting=False, over_db=over_db)
    assert bool(shop.found) is told


def test_normal_lines_are_no_fault_where_the_speed_is_heard_wrong_for_a_while():
    """They then come at another of the rates that are tried, at which nothing is normal."""
    shop = Shop(off=0.004).go(12.0, 2.0)
    shop.knocks_hz = HZ * (1 - 0.008)
    shop.go(2.0, 2.0)
    assert not shop.found
    shop.knocks_hz = HZ * (1 + 0.004)
    assert shop.go(4.0, 2.0).go(3.0, lambda s: 2.0 * 10 ** (10 * s / 20)).found


def test_where_no_speed_is_heard_nothing_is_judged():
    shop = Shop().go(10.0).go(3.0, 2.0, taken=False)
    assert not shop.found


def test_under_a_louder_sound_nothing_is_learned():
    shop = Shop().go(10.0).go(20.0, louder=4.0, drowned=True).go(5.0)
    assert not shop.found
    shop.go(3.0, lambda s: 0.2 * 10 ** (10 * s / 20))
    assert shop.found


def test_under_another_sound_as_loud_nothing_is_told():
    shop = Shop().go(10.0).go(5.0, lambda s: 0.2 * 10 ** (10 * s / 20), drowned=True)
    assert not shop.found
    shop.go(1.0, 5.0)
    assert shop.found


def test_that_none_shows_is_said_only_while_lines_are_heard():
    shop = Shop().go(2.0)
    assert not shop.rule.none_shows(shop.t)  # not yet known
    shop.go(6.0)
    assert shop.rule.none_shows(shop.t)
    shop.go(2.0, taken=False)
    assert not shop.rule.none_shows(shop.t)
    shop.go(3.0, 1.0)
    assert not shop.rule.none_shows(shop.t)


def test_the_rule_tells_what_the_lines_tell_while_the_spindle_turns(monkeypatch):
    """In a cut of a centre drill, and at rest, the lines are not asked."""
    asked = []

    def step(self, hop, taken, *_):
        asked.append(taken)
        return Finding(Kind.LOOSENING, Severity.HOLD, "") if taken and len(asked) > 10 else None

    monkeypatch.setattr(KnockLines, "step", step)
    rule = LooseningRule(20, 9, 1, HZ, STEP_S, 2, Shop().rule)
    told = []
    for k in range(60):
        state = SpindleState.STOPPED if k >= 40 else SpindleState.TURNING
        told += rule.take([hop(k * STEP_S)], [rotation(state=state)], [False], [20 <= k < 30])
    assert asked == [not 20 <= k < 30 and k < 40 for k in range(60)]
    assert [one is not None for one in told] == [9 < k < 20 or 29 < k < 40 for k in range(60)]


class Rates:
    """Lines at one rate of all that are tried, as they are told; the rest is noise."""

    def __init__(self, seed=0):
        lines = TurnLines(frame_geometry(FS, HZ * 60), HZ)
        self.rule = KnockLines(lines, STEP_S)
        self.rates, self.shape = lines.speeds, (lines.speeds.size, lines.roots.size)
        self.rng, self.t, self.found = np.random.default_rng(seed), 0.0, []

    def go(self, seconds, size=0.0, rate=0.0, cutting=True, off=0.0, or_off=0.004, loaded=True):
        """``rate``: share by which the lines are over the speed heard, or a function of the seconds."""
        for k in range(round(seconds / STEP_S)):
            self.t += STEP_S
            told = None
            if round(self.t / STEP_S) % EVERY_HOPS == 0:
                told = self.rng.normal(-1.0, 1.0, self.shape).astype(np.float32)
                at = rate(k * STEP_S) if callable(rate) else rate
                told[np.abs(self.rates - at) < 0.6 * STEP] += size
            one = hop(self.t, lines=told)
            if found := self.rule.step(one, True, cutting, False, loaded, off, or_off):
                self.found.append((self.t, found))
        return self


@pytest.mark.parametrize(("rate", "told"), [(-0.008, True), (-0.006, True), (0.0, False), (0.01, False)])
def test_lines_of_a_holding_come_as_often_as_the_lips_say_that_the_spindle_turns(rate, told):
    """The speed heard is 0.8 % over the true one; where that is not known, any rate may be the spindle's."""
    assert bool(Rates().go(20.0).go(3.0, 8.0, rate, off=0.008).found) is told
    assert Rates().go(20.0).go(3.0, 8.0, rate, or_off=OFF).found


def test_a_compressor_whose_rate_wanders_through_the_spindles_stays_one():
    shop = Rates().go(20.0)
    shop.go(10.0, 8.0, lambda s: 0.008 * math.cos(s / 2))
    assert not shop.found
    shop.go(3.0).go(3.0, cutting=False)  # it has gone
    assert shop.go(3.0, 8.0).found


def test_lines_that_keep_the_spindles_rate_are_told_though_another_was_heard():
    """A first frame, or a compressor, at another one; in cuts 5 s tell that it stays, in pauses nothing."""
    shop = Rates().go(20.0).go(0.8, 12.0, 0.012)
    assert shop.rule.others
    assert not shop.found
    shop.go(4.0, 12.0)
    assert not shop.found
    assert shop.go(4.0, 12.0).found
    for cutting in (True, False):
        shop = Rates().go(20.0, cutting=False).go(20.0).go(0.8, 12.0, 0.012)
        assert bool(shop.go(8.0, 12.0, cutting=cutting).found) is cutting
        assert shop.go(AT_MOST_S, 12.0, cutting=cutting).found


def test_another_machine_is_forgotten_with_what_is_normal():
    shop = Rates().go(20.0).go(0.8, 12.0, 0.012)
    shop.rule.begin()
    assert not shop.rule.others
    assert shop.go(8.0).go(2.0, 12.0).found


def test_lines_that_come_before_any_load_are_another_machines():
    assert not Rates().go(20.0).go(10.0, cutting=False).go(4.0, 8.0, cutting=False, loaded=False).found
    assert Rates().go(20.0).go(10.0, cutting=False).go(4.0, 8.0, cutting=False).found


def test_two_frames_that_agree_on_the_rate_are_as_good_as_three():
    """A knock that all but the first frame of it tell, at one rate or at two in turn."""
    first_s = [
        Rates(seed).go(20.0).go(3.0, 10.0, rate).found[0][0]
        for rate in (0.0, lambda s: 0.003 * (-1) ** round(s / STEP_S / EVERY_HOPS))
        for seed in range(6)
    ]
    assert np.mean(first_s[:6]) < np.mean(first_s[6:]) - 0.1


def test_a_first_frame_that_agrees_nearly_tells_and_one_at_another_rate_does_not():
    for rate, shows in ((0.0, True), (0.02, False)):
        shop, nearly = Rates().go(20.0), []
        shop.rule.step(hop(shop.t), False, False, False)
        while not shop.found and shop.t < 26.0:
            shop.go(EVERY_HOPS * STEP_S, 10.0, rate)
            nearly.append(shop.rule.nearly is not None)
        assert any(nearly) is shows
        assert shows or not shop.found
