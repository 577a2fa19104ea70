"""Packing: hand-made pecks after the law of chip evacuation, and what else loads a spindle."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from monitor.faults.good_pecks import Usual
from monitor.faults.packing import PackingRule, _misdated
from monitor.faults.packing_peck import Peck
from monitor.faults.variogram import Wander, wander_of
from monitor.job import default_job
from monitor.measurements import Severity
from tests.hops import STEP_S, hop, rotation, work

JOB = default_job().model_copy(
    update={
        "spindle_rpm": 900.0,
        "feed_mm_per_rev": 0.12,
        "flute_length_mm": 20.0,
        "depth_mm": 50.0,
        "pecks_mm": (20.0, *[5.0] * 6),
    }
)
MM_S = JOB.feed_mm_per_rev * JOB.spindle_rpm / 60
MOTOR_S = 0.15
FREE = 0.014


def evacuation(depth_mm, critical_mm, steep=0.8, first=0.003):
    """Load beyond free cutting: exponential in depth beyond a critical depth (Mellinger et al. 2002)."""
    return first * np.expm1(steep * max(depth_mm - critical_mm, 0.0))


class Shop:
    """Blanks of seven pecks, the first of which goes as deep as the flutes are long."""

    def __init__(self, wander=0.0008, job=JOB, known_after_s=0.0):
        self.job, self.known_after_s = job, known_after_s
        self.rule = PackingRule(job, wander_of(wander))
        self.rng = np.random.default_rng(3)
        self.wander = wander
        self.t = 0.0
        self.end_s = -math.inf

    def blank(self, number, load):
        """Findings of a blank: (peck, severity, sag then). ``load(peck, into_mm, depth_mm)`` is a sag."""
        found, depth, slow = [], 0.0, 0.0
        for peck, length in enumerate(self.job.pecks_mm, start=1):
            start, contact, sag = depth, self.t, 0.0
            while depth < start + length:
                self.t += STEP_S
                depth += MM_S * STEP_S
                sag += (load(peck, depth - start, depth) - sag) * STEP_S / MOTOR_S
                slow += -slow * STEP_S / 0.5 + self.wander * np.sqrt(2 * STEP_S / 0.5) * self.rng.normal()
                cutting = self.t > contact + self.known_after_s
                heard = work(in_cut=cutting, cut_s=contact, end_s=self.end_s, depth_mm=depth)
                finding = self._hop(number, peck, start, sag + slow, heard)
                if finding is not None and (peck, finding.severity) not in [f[:2] for f in found]:
                    found.append((peck, finding.severity, sag))
            self.end_s = self.t
            for _ in range(20):
                self.t += STEP_S
                out = work(cut_s=contact, end_s=self.end_s, depth_mm=depth)
                assert self._hop(number, peck, start, slow, out) is None
        return found

    def _hop(self, blank, peck, start, sag, heard):
        cycle = SimpleNamespace(in_blank=True, blank=blank, peck=peck, from_mm=start)
        return self.rule.step(hop(self.t), rotation(sag=sag), heard, cycle)


def good(peck, into, depth):
    return FREE


def packed_from(first, growth=1.0):
    """From peck ``first`` on every peck passes the critical depth sooner, by ``growth`` mm."""

    def load(peck, into, depth):
        kept = max(peck - first + 1, 0)
        return FREE + (evacuation(into, 4.0 - growth * kept) if kept else 0.0)

    return load


def test_good_blanks_are_silent():
    shop = Shop()
    assert [shop.blank(n, good) for n in range(1, 8)] == [[]] * 7


CLIMBS_JOB = JOB.model_copy(update={"pecks_mm": (6.0, *[4.3] * 5), "flute_length_mm": 5.0, "depth_mm": 27.5})


def climbing(peck, into, depth):
    """Every good peck's load climbs by two thirds, as the wall grows on which the drill rubs."""
    return 0.010 * (1 + 0.16 * into)


def test_a_climb_that_every_good_peck_has_is_no_packing():
    """The first of a length, held against an even load, was warned of and taught nothing, in each blank."""
    for wander in (0.0004, 0.0008):
        shop = Shop(wander, CLIMBS_JOB)
        assert [shop.blank(n, climbing) for n in range(1, 6)] == [[]] * 5


@pytest.mark.parametrize("blanks_before", [0, 2])
def test_packing_is_told_beside_a_climb_that_good_pecks_have(blanks_before):
    shop = Shop(0.0004, CLIMBS_JOB)
    for n in range(blanks_before):
        assert shop.blank(n + 1, climbing) == []
    found = shop.blank(
        blanks_before + 1,
        lambda peck, into, depth: climbing(peck, into, depth) + packed_from(3)(peck, into, depth) - FREE,
    )
    assert [peck for peck, *_ in found][:1] in ([3], [4])


def test_the_first_of_a_length_is_held_against_the_peck_before_at_the_same_times_and_no_fall_is_usual():
    rule = PackingRule(CLIMBS_JOB)
    assert rule._as_before(4, 0.3) is None
    rule._before = np.asarray([math.nan, 0.01, 0.02, 0.01, 0.005]), 0.4
    expected = rule._as_before(8, 0.2)
    assert expected[:2] == pytest.approx([0.01, 0.01])  # what was not heard is as what follows
    assert expected[3] == pytest.approx(0.0125)  # at 0.7 s, between 0.6 and 1 s
    assert expected[5:] == pytest.approx([0.02] * 3)


def test_a_first_peck_tells_nothing_of_the_next_while_its_point_enters():
    """It was loaded by what was in of it; what comes after is loaded by all of it at once."""
    job = JOB.model_copy(update={"drill_diameter_mm": 10.0})
    shop = Shop(job=job)
    shop.blank(1, good)
    assert shop.rule._before is not None
    assert shop.rule._point_s == 0.0  # of a later one
    shop = Shop(job=job.model_copy(update={"pecks_mm": (20.0,), "depth_mm": 20.0}))
    for n in (1, 2, 3):
        shop.blank(n, good)
    point_s = 3.0 / MM_S
    assert shop.rule._point_s == pytest.approx(point_s)
    expected = shop.rule._as_before(10, 0.3)
    assert np.isnan(expected).tolist() == [0.3 * k < point_s for k in range(10)]


@pytest.mark.parametrize("first", [3, 4])
def test_a_first_blank_at_a_feed_turned_up_is_told_of_though_its_pecks_end_sooner(monkeypatch, first):
    """By a fifth: the last tenth of the plan never comes. The load stays under what `sag` warns of."""
    monkeypatch.setattr(f"{__name__}.MM_S", 1.2 * MM_S)
    job = JOB.model_copy(update={"pecks_mm": (20.0, 5.0, 5.0, 5.0), "depth_mm": 35.0})
    shop = Shop(0.0004, job)
    found = shop.blank(1, lambda peck, into, depth: FREE + 0.010 * (into / 5.0) ** 2 * (peck >= first))
    assert found
    assert found[0][0] <= first + 1
    assert max(sag for *_, sag in found) < 0.04


@pytest.mark.parametrize(("amount", "width_mm"), [(0.006, 0.6), (0.007, 0.7), (0.005, 0.7)])
def test_a_load_that_is_over_before_the_peck_is_a_knot(amount, width_mm):
    """Two fifths of the load more for half a second: told as packing at its height, before pecks were told by
    their end, where pressed chips add most."""
    shop = Shop(wander=0.0003)

    def knotty(peck, into, depth):
        return FREE + (amount * math.exp(-(((into - 2.8) / width_mm) ** 2)) if peck == 5 else 0.0)

    assert [shop.blank(n, good) for n in (1, 2)] == [[], []]
    assert [shop.blank(n, knotty) for n in (3, 4)] == [[], []]
    assert shop.blank(5, packed_from(4))


def test_where_good_pecks_are_read_wrong_in_parts_a_part_read_wrong_is_no_climb():
    """A fifth of the parts by 1.2 % of the speed, either way. Chips that pack are told yet."""

    class Slipping(Shop):
        def _hop(self, blank, peck, start, sag, heard):
            if heard.in_cut and peck > 1:
                part = np.random.default_rng((blank, peck, int((self.t - heard.cut_s) / 0.28)))
                sag += part.choice([-0.012, 0.012]) if part.random() < 0.2 else 0.0
            return super()._hop(blank, peck, start, sag, heard)

    shop = Slipping(wander=0.0006)
    assert [shop.blank(n, good) for n in range(1, 11)] == [[]] * 10
    assert shop.rule._slips.variance > 0.003**2
    assert shop.blank(11, packed_from(4))


def test_a_part_that_was_not_heard_of_good_pecks_does_not_silence_those_beside_it():
    good_ones = np.array([0.002, 0.008, math.nan, 0.012, 0.012])
    assert np.isfinite(_misdated(good_ones, 0.3)).all()
    assert _misdated(np.array([math.nan, 0.01]), 0.3).tolist() == [0.0, 0.0]


@pytest.mark.parametrize("blanks_before", [0, 2])
def test_a_climb_that_grows_is_warned_of_and_held_before_sag_would(blanks_before):
    shop = Shop()
    for n in range(blanks_before):
        assert shop.blank(n + 1, good) == []
    found = shop.blank(blanks_before + 1, packed_from(4))
    (warned, severity, sag) = found[0]
    assert severity is Severity.WARNING
    assert warned <= 5
    assert 100 * sag < JOB.sag_warning_pct
    held = next(f for f in found if f[1] is Severity.HOLD)
    assert 100 * held[2] < JOB.sag_hold_pct


@pytest.mark.parametrize(
    "load",
    [
        lambda peck, into, depth: 1.3 * FREE,  # a duller drill: every depth is loaded more
        lambda peck, into, depth: 2.0 * FREE,
        lambda peck, into, depth: FREE + (0.003 if peck == 5 else 0.0),  # a knot
    ],
)
def test_a_duller_drill_and_a_knot_are_no_packing(load):
    shop = Shop(wander=0.0004)
    for n in range(1, 4):
        assert shop.blank(n, good) == []
    assert [shop.blank(n, load) for n in range(4, 8)] == [[]] * 4


@pytest.mark.parametrize(
    "load",
    [
        lambda peck, into, depth: FREE * (1 + 0.01 * depth),  # walls grip a long drill
        lambda peck, into, depth: (
            FREE * (1 + 0.1 * np.cos(2 * np.pi * into / 0.12))
        ),  # eccentric stock, averaged by the frames
        lambda peck, into, depth: (
            FREE + (0.004 if into > 4 and depth > 30 else 0.0)
        ),  # chips at the end of a peck
    ],
)
def test_what_every_blank_does_is_not_told_again_and_again(load):
    shop = Shop(wander=0.0004)
    first, second, *later = (shop.blank(n, load) for n in range(1, 9))
    assert later == [[]] * 6
    assert all(severity is not Severity.HOLD for _, severity, _ in first + second)


@pytest.mark.parametrize("known_after_s", [0.0, 0.8])
def test_a_faint_cut_that_is_known_late_is_judged_from_its_contact_on(known_after_s):
    shop = Shop(wander=0.0004, known_after_s=known_after_s)
    assert shop.blank(1, good) == []
    warned, severity, _ = shop.blank(2, packed_from(4))[0]
    assert (warned <= 5, severity) == (True, Severity.WARNING)


@pytest.mark.parametrize(("from_share", "to_share", "told"), [(0.5, 0.6, False), (0.5, 1.0, True)])
def test_one_odd_speed_is_no_load_that_stays(from_share, to_share, told):
    """The same sag, in one part of the fifth peck or from there to its end."""

    class Slips(Shop):
        def _hop(self, blank, peck, start, sag, heard):
            into = (heard.depth_mm - start) / self.job.pecks_mm[peck - 1]
            slips = (blank, peck) == (3, 5) and from_share < into <= to_share
            return super()._hop(blank, peck, start, sag + 0.012 * slips, heard)

    shop = Slips(wander=0.0004)
    assert [shop.blank(n, good) for n in (1, 2)] == [[], []]
    assert bool(shop.blank(3, good)) is told


@pytest.mark.parametrize(("usual", "told"), [(0.0002, False), (FREE, True)])
def test_where_cuts_load_by_less_than_the_machine_wanders_nothing_is_said_of_it(usual, told):
    shop = Shop()
    packs = packed_from(4)
    assert [shop.blank(n, lambda *_: usual) for n in (1, 2)] == [[], []]
    assert bool(shop.blank(3, lambda *at: usual + packs(*at) - FREE)) is told


def test_a_load_that_begins_late_is_a_contact_dated_early():
    """Rain began like a cut, six tenths of a second before the drill touched: the load does not climb."""
    early_mm = 0.6 * MM_S
    for blanks_before in (0, 2):
        shop = Shop()
        for n in range(blanks_before):
            assert shop.blank(n + 1, good) == []
        assert shop.blank(blanks_before + 1, lambda peck, into, depth: FREE if into > early_mm else 0.0) == []


def test_a_part_that_costs_nothing_is_no_measure_of_a_load():
    """Two parts passed before contact; the part that then counts as the newest costs good pecks nothing."""
    rule, usual = PackingRule(JOB, wander_of(0.0008)), Usual()
    usual.take(np.array([FREE] * 5 + [0.0] + [FREE] * 2), np.zeros(8), 1e-6)
    rule._kinds[2] = usual
    peck = Peck(1, 3, 25.0, 10.0, (0.0, 0.0), 0.28, 2.8, loads=[0.0] * 2 + [0.02] * 6, sds=[1e-4] * 8)
    begins = np.array([0.0, 0.8])
    with np.errstate(all="raise"):
        assert rule._by_load(peck, begins, False) is None
        usual.take(np.full(8, FREE), np.zeros(8), 1e-6)
        assert rule._by_load(peck, begins, False) is not None


def test_pecks_that_the_program_does_not_have_are_not_judged():
    """Other sound was taken for pecks: the hole is reckoned done, and the drill may be anywhere."""
    shop = Shop()
    shallow = JOB.model_copy(update={"depth_mm": 20.0, "flute_length_mm": 18.0})
    assert shop.blank(1, good) == []
    shop.rule.job = shallow
    assert shop.blank(2, packed_from(4)) == []


def test_in_a_hole_that_the_flutes_reach_out_of_the_load_warns_and_does_not_hold():
    """Fewer chips get stuck there, but those that do press as hard."""
    long_flutes = Shop(job=JOB.model_copy(update={"flute_length_mm": 60.0}))
    assert [long_flutes.blank(n, good) for n in (1, 2)] == [[], []]
    found = long_flutes.blank(3, packed_from(4))
    assert found[0][0] <= 5
    assert {severity for _, severity, _ in found} == {Severity.WARNING}


@pytest.mark.parametrize(("flute_length_mm", "told"), [(20.0, True), (60.0, False)])
def test_a_load_that_climbs_by_as_much_as_coarse_grain_is_no_packing_in_open_flutes(flute_length_mm, told):
    shop = Shop(wander=0.0002, job=JOB.model_copy(update={"flute_length_mm": flute_length_mm}))
    assert [shop.blank(n, good) for n in (1, 2, 3)] == [[], [], []]

    def climbs_by_a_third(peck, into, depth):
        return FREE * (1 + (0.35 * (into / 5.0) ** 2 if peck > 4 else 0.0))

    assert bool(shop.blank(4, climbs_by_a_third)) is told


def test_in_open_flutes_a_load_that_jumps_to_and_fro_is_a_slip_of_the_ear():
    """As high as packed chips would load it by the end of the peck, but no load falls so fast in between."""
    shop = Shop(wander=0.0004, job=JOB.model_copy(update={"flute_length_mm": 60.0}))
    assert [shop.blank(n, good) for n in (1, 2)] == [[], []]

    def slips(peck, into, depth):
        return FREE + (0.02 * (-1) ** int(into / 0.8) if peck > 3 and into > 2.0 else 0.0)

    assert shop.blank(3, slips) == []


def test_in_open_flutes_more_pecks_than_the_program_has_are_not_judged():
    """A ghost of a line that the ear follows there has loaded nothing."""
    shop = Shop(job=JOB.model_copy(update={"flute_length_mm": 60.0}))
    assert [shop.blank(n, good) for n in (1, 2)] == [[], []]
    shop.rule.job = shop.job.model_copy(update={"pecks_mm": JOB.pecks_mm[:3]})
    assert shop.blank(3, packed_from(4)) == []


def test_a_machine_that_wanders_more_is_judged_by_its_own_wander():
    shop = Shop(wander=0.003)
    assert [shop.blank(n, good) for n in range(1, 8)] == [[]] * 7
    found = shop.blank(8, packed_from(4, growth=1.3))
    assert any(severity is Severity.HOLD for _, severity, _ in found)


@pytest.mark.parametrize(("sd", "length_s"), [(0.0006, 0.5), (0.0025, 0.5), (0.0025, 2.0)])
def test_the_wander_of_a_machine_is_learned_from_stretches_of_one_load(sd, length_s):
    """An Ornstein-Uhlenbeck process: its variogram is 2 sd^2 (1 - exp(-lag / length))."""
    rng = np.random.default_rng(11)
    keep = np.exp(-STEP_S / length_s)
    walk, wander = [0.0], Wander()
    for step in rng.normal(size=8000):
        walk.append(keep * walk[-1] + sd * np.sqrt(1 - keep**2) * step)
    for begin in range(0, len(walk), 80):
        wander.learn(walk[begin : begin + 80])
    lags = np.array([0.0, 0.2, 0.8])
    learned = wander.covariance(lags)
    change = np.sqrt(2 * (learned[0] - learned[1:]))
    true = sd * np.sqrt(2 * (1 - np.exp(-lags[1:] / length_s)))
    assert change == pytest.approx(true, rel=0.25)


def test_short_stretches_do_not_tell_how_far_a_wander_goes():
    """Of one that turns within seconds they do tell how steep it is, and the baseline knows its rms."""
    rng, before, turns_s = np.random.default_rng(4), 0.0025, 2.0
    wander = wander_of(before / 1.1)
    for _ in range(40):
        sags, x = [], before * rng.normal()
        for _ in range(40):
            x += -x * STEP_S / turns_s + before * np.sqrt(2 * STEP_S / turns_s) * rng.normal()
            sags.append(x)
        wander.learn(sags)
    assert 0.8 * before < wander.sd < 1.3 * before
    steep = wander.sd**2 - wander.covariance(np.asarray(0.5))
    assert steep == pytest.approx(before**2 * (1 - math.exp(-0.5 / turns_s)), rel=0.3)


def test_a_smooth_wander_is_told_from_a_rough_one():
    """What has inertia changes little from hop to hop, by the square of the time between them."""
    rng = np.random.default_rng(5)
    keep = np.exp(-STEP_S / 0.3)
    inner, outer, smooth, rough = [0.0], [0.0], Wander(0.001), Wander(0.001)
    for step in rng.normal(size=8000):
        inner.append(keep * inner[-1] + 0.001 * np.sqrt(1 - keep**2) * step)
        outer.append(keep * outer[-1] + (1 - keep) * inner[-1])
    for begin in range(0, len(inner), 80):
        smooth.learn(outer[begin : begin + 80])
        rough.learn(inner[begin : begin + 80])
    assert (smooth.smooth, rough.smooth) == (True, False)
    assert smooth.length_s == 0.3


@pytest.mark.parametrize(("baseline", "told"), [(0.0003, True), (0.003, False)])
def test_the_first_blank_is_judged_by_the_wander_of_the_baseline(baseline, told):
    """Little of it is heard before the first peck, and the same climb is much or nothing beside it."""
    shop = Shop(wander=0.0003)
    shop.rule = PackingRule(JOB, wander_of(baseline))
    slight = packed_from(4)
    found = shop.blank(1, lambda *at: FREE + 0.3 * (slight(*at) - FREE) if at[0] < 7 else FREE)
    assert bool(found) is told


def test_grain_counts_in_the_cut_alone():
    """Loads that differ by grain say nothing of how the free spindle wanders, and do not pack either."""
    rng = np.random.default_rng(8)
    grain = np.repeat(rng.normal(0.0, 0.004, 4000), 3)

    def uneven(peck, into, depth):
        return FREE + grain[int(1000 * (peck + depth)) % grain.size]

    shop = Shop(wander=0.0003)
    assert [shop.blank(n, uneven) for n in range(1, 8)] == [[]] * 7
    assert shop.rule.wander.sd < 0.0006 < shop.rule.uneven.sd


def test_a_peck_cut_out_of_another_one_teaches_nothing_of_its_kind():
    """In the first blank other sound cuts pieces out of the long first peck, whose load is small at once; the
    short ones after it, which cost more, are none that climb."""
    shop = Shop(wander=0.0003)
    for piece in range(2, 6):
        contact = shop.t
        for _ in range(30):
            shop.t += STEP_S
            heard = work(in_cut=True, cut_s=contact, end_s=shop.end_s, depth_mm=25.0)
            shop._hop(1, piece, 20.0, 0.5 * FREE, heard)
        shop.end_s = shop.t
        for _ in range(2):  # no rest: the load stays
            shop.t += STEP_S
            shop._hop(1, piece, 20.0, 0.5 * FREE, work(cut_s=contact, end_s=shop.end_s, depth_mm=25.0))
    shop.t += 3.0
    assert [shop.blank(n, good) for n in (2, 3)] == [[], []]


@pytest.mark.parametrize("hops", [24, 2])
def test_a_first_peck_says_as_much_of_the_drill_as_it_was_surely_heard(hops):
    """Half the load was heard in one blank, all of it in the next: few hops are no proof."""
    shop = Shop(wander=0.0003)
    half = np.full(10, 0.5 * FREE)
    unsure = 0.004 / math.sqrt(hops)
    shop.rule._kinds[1] = Usual()
    shop.rule._kinds[1].take(half, np.full(10, unsure**2), 0.0003**2)
    peck = Peck(2, 1, 0.0, 0.0, (0.0, 0.0), 1.2, 12.0, loads=[FREE] * 10, sds=[unsure] * 10)
    shop.rule._compare_first(peck, FREE)
    assert (shop.rule._dull > 1.6) is (hops == 24)
    assert shop.rule._dull > 1.0


def test_a_first_peck_that_another_sound_marred_is_outvoted_by_the_third():
    """Its place in the blank had cost next to nothing, as the ear had it, and was told of in every blank."""
    usual, good, none = Usual(), np.linspace(0.002, 0.012, 10), np.zeros(10)
    for loads in (np.full(10, -0.005), good, good, good):
        usual.take(loads, none, 0.0005**2)
    assert np.abs(usual.loads - good).max() < 0.0005


def test_what_is_usual_of_a_part_is_a_mean_of_those_that_told_it_weighed_by_how_surely():
    usual = Usual()
    usual.take(np.asarray([0.010, np.nan, np.nan]), np.asarray([3e-6, 0.0, 0.0]), 1e-6)
    usual.take(np.asarray([0.014, 0.02]), np.zeros(2), 1e-6)
    assert usual.loads[:2] == pytest.approx([0.010 * 0.2 + 0.014 * 0.8, 0.02], abs=2e-4)
    assert np.isnan(usual.loads[2])
    assert usual.worth == pytest.approx([1.25, 1.0, 0.0])
    assert usual.variance[0] == pytest.approx(0.2**2 * 3e-6)


def test_chips_that_pack_in_every_blank_do_not_become_usual_in_the_second():
    shop = Shop()
    assert shop.blank(1, good) == []
    assert all(shop.blank(number, packed_from(5, 0.7)) for number in range(2, 5))


class Heard(Shop):
    """Cuts stand 12 dB over the free machine, and ``louder_db(blank, peck, share)`` over that."""

    def __init__(self, louder_db, **shop):
        super().__init__(**shop)
        self.louder_db = louder_db
        self.noise = np.random.default_rng(12)
        self.messages = set()

    def _hop(self, blank, peck, start, sag, heard):
        over_db = 0.5 * self.noise.normal()
        if heard.in_cut:
            share = (heard.depth_mm - start) / self.job.pecks_mm[peck - 1]
            over_db += 12.0 + self.noise.normal() + self.louder_db(blank, peck, share)
        cycle = SimpleNamespace(in_blank=True, blank=blank, peck=peck, from_mm=start)
        finding = self.rule.step(hop(self.t, over_db=over_db), rotation(sag=sag), heard, cycle)
        self.messages |= {finding.message} if finding else set()
        return finding


def rubs(first, last=7, blank=3):
    """From peck ``first`` to ``last`` of a blank the cut gets louder, in the later ones from contact on."""

    def louder_db(heard_blank, peck, share):
        packed = heard_blank == blank and first <= peck <= last
        return (3.0 if peck > first else 0.0) + 5.0 * share**2 if packed else 0.0

    return louder_db


def nothing(*_):
    return 0.0


UNSEEN = 0.0002
"""A load of less than the machine wanders: a regulated drive has it."""


@pytest.mark.parametrize(("last", "told"), [(4, False), (7, True)])
def test_a_cut_that_gets_louder_in_two_pecks_tells_where_no_load_does(last, told):
    shop = Heard(rubs(4, last))
    assert [shop.blank(n, lambda *_: UNSEEN) for n in (1, 2)] == [[], []]
    found = shop.blank(3, lambda *_: UNSEEN)
    assert [(peck, severity) for peck, severity, _ in found[:1]] == [(5, Severity.WARNING)] * told
    assert ["louder" in message for message in list(shop.messages)[:1]] == [True] * told


@pytest.mark.parametrize(
    ("louder_db", "packs", "told"),
    [
        (rubs(4), True, {Severity.WARNING, Severity.HOLD}),
        (rubs(4), False, set()),
        (nothing, True, {Severity.WARNING}),
    ],
)
def test_in_open_flutes_the_load_must_tell_and_holds_where_sound_does_too(louder_db, packs, told):
    shop = Heard(louder_db, job=JOB.model_copy(update={"flute_length_mm": 60.0}))
    assert [shop.blank(n, good) for n in (1, 2)] == [[], []]
    found = shop.blank(3, packed_from(4) if packs else good)
    assert {severity for _, severity, _ in found} == told


@pytest.mark.parametrize(("peck", "told"), [(1, False), (2, True)])
def test_in_a_hole_of_a_few_diameters_nothing_packs_in_the_first_peck(peck, told):
    """No chips stayed from one before. Of a later one no hole is too shallow."""
    wide = {"flute_length_mm": 60.0, "drill_diameter_mm": 20.0, "pecks_mm": (5.0,) * 7}
    shop = Heard(nothing, job=JOB.model_copy(update=wide))
    assert [shop.blank(n, good) for n in (1, 2)] == [[], []]
    found = shop.blank(3, lambda n, into, depth: FREE + (evacuation(into, 1.0) if n == peck else 0.0))
    assert [n for n, *_ in found[:1]] == [peck] * told


def test_a_contact_that_rain_dates_too_early_does_not_get_louder():
    """It hisses 6 dB under the cut for three tenths of each peck, and the drill cuts only then."""
    rain = Heard(lambda blank, peck, share: -6.0 if blank == 3 and peck > 3 and share < 0.3 else 0.0)
    assert [rain.blank(n, lambda *_: UNSEEN) for n in (1, 2, 3)] == [[]] * 3


def test_a_louder_cut_in_the_same_peck_of_every_blank_becomes_usual():
    shop = Heard(lambda blank, peck, share: 4.0 * share**2 if peck > 4 else 0.0)
    *_, last = (shop.blank(n, lambda *_: UNSEEN) for n in range(1, 9))
    assert last == []


def test_a_louder_blank_is_a_duller_drill():
    """All its pecks are, from the first on, whose chips fall out."""
    shop = Heard(lambda blank, peck, share: 3.0 if blank > 3 else 0.0)
    assert [shop.blank(n, lambda *_: UNSEEN) for n in range(1, 6)] == [[]] * 5
