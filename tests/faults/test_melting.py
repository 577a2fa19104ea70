"""Melting: the signs together, each alone harmless; hand-made hops and drawn machines."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from monitor.faults.melting import MeltingRule, softening_energy
from monitor.measurements import Kind, Severity
from monitor.planning.materials import material
from monitor.synth.faults import Melting, MicFault
from tests.drawn import CYCLE, setup
from tests.hops import SPINDLE_HZ, STEP_S, hop, rotation, work

GOOD = {"crackle_db": 1.4, "upper_db": -78.0, "lower_db": -75.0, "chatter_db": 6.0, "sag": 0.015}
SOFT = GOOD | {"crackle_db": 0.35, "upper_db": -86.0, "lower_db": -76.0, "sag": 0.018}
OUT = GOOD | {"sag": 0.0, "upper_db": -90.0, "lower_db": -88.0}


def sounds_of(rule):
    """What good cuts sound like, as far as the rule knows."""
    good = rule.good
    return [normal.location for normal in (good.crackle, good.upper, good.tilt, good.tone)]


class Shop:
    """Pecks of two seconds with a second between them, in one blank."""

    def __init__(self, softens=True):
        self.rule = MeltingRule(softens, point_mm=1.8, feed_mm_s=2.0, hole_mm=40.0)
        self.rng = np.random.default_rng(7)
        self.t = 0.0
        self.peck = 0
        self.planned_s = 2.0
        self.strength = 2.0
        self.end_s = -math.inf
        self.depth_mm = 9.0
        self.learned = False
        self.cut_sag = GOOD["sag"]
        self.over = False
        self.in_blank = True
        self.free_over = 0.0  # the free running speed over the reference, as a fraction

    def rest(self, heard, blank=1):
        """A second out of the work."""
        for _ in range(20):
            self.t += STEP_S
            self._hop(blank, self.t, False, heard)

    def drill(self, pecks=1, blank=1, seconds=2.0, unheard_after=math.inf, idle=OUT, answers_s=0.0, **heard):
        """Seconds from this call to the first finding of each severity; its load after ``answers_s``."""
        found = {}
        begin = self.t
        for _ in range(pecks):
            self.peck += 1
            contact = self.t
            while self.t < contact + seconds:
                self.t += STEP_S
                cutting = self.t - contact < unheard_after
                loads = heard if self.t - contact >= answers_s else heard | {"sag": 0.0}
                found.setdefault(self._hop(blank, contact, cutting, loads), self.t - begin)
            while self.t < contact + seconds + 1:
                self.t += STEP_S
                self._hop(blank, contact, False, idle)
        found.pop(None, None)
        return found

    def enter(self, blank, idle=OUT):
        """A drill that takes so long until its point is in that the room is not followed any more."""
        self.depth_mm, deep_mm = 1.0, self.depth_mm
        self.drill(1, blank=blank, **GOOD, idle=idle)
        self.depth_mm = deep_mm

    def _hop(self, blank, contact, cutting, heard):
        if cutting:
            self.end_s = self.t
        in_cut = work(
            in_cut=cutting,
            cut_s=contact,
            contact_s=math.nan if self.over else contact,
            end_s=self.end_s,
            strength=self.strength if cutting else 0.3,
            cut_sag=self.cut_sag,
            depth_mm=self.depth_mm,
        )
        cycle = SimpleNamespace(
            blank=blank,
            peck=self.peck,
            in_blank=self.in_blank,
            schedule=SimpleNamespace(length_mm=lambda k: 2.0 * self.planned_s, learned=self.learned),
        )
        jitter = self.rng.standard_normal(5)
        sag = heard["sag"] + 0.001 * jitter[3]
        h = hop(
            self.t,
            spindle_hz=SPINDLE_HZ * (1 - sag),
            crackle_db=heard["crackle_db"] * math.exp(0.4 * jitter[0]),
            upper_db=heard["upper_db"] + 2.0 * jitter[1],
            lower_db=heard["lower_db"] + 2.0 * jitter[2],
            chatter_db=heard["chatter_db"] + 2.0 * jitter[4],
            line_db=heard.get("line_db", 0.0),
        )
        finding = self.rule.step(h, rotation(sag=sag - self.free_over), in_cut, cycle)
        return finding and finding.severity


def test_softened_work_is_held_within_three_seconds_of_cutting():
    shop = Shop()
    assert not shop.drill(4, **GOOD)
    found = shop.drill(2, **SOFT)
    assert found.get(Severity.WARNING, 0.0) <= found[Severity.HOLD] < 4.0  # a second of which nothing is cut


def test_a_first_blank_s_next_peck_may_be_quieter_and_duller_by_what_pecks_differ_by():
    """What one peck differs from the next by is not known in a first blank: five decibels of hiss, and less
    crackle by chance, are no softened work there."""
    shop = Shop()
    shop.drill(1, **GOOD)
    quieter = GOOD | {"upper_db": GOOD["upper_db"] - 5.0, "crackle_db": 0.5 * GOOD["crackle_db"]}
    assert not shop.drill(1, **quieter)


def test_a_point_that_enters_a_fresh_blank_has_not_softened_it_before_the_blank_is_known_to_begin():
    """A large drill at a low speed loads the spindle for a second before it is heard."""
    shop = Shop()
    shop.drill(4, **GOOD)
    shop.rest(OUT)
    shop.in_blank, shop.depth_mm = False, 0.2
    assert not shop.drill(1, seconds=1.6, **SOFT)


@pytest.mark.parametrize(("left", "told"), [(0.0, False), (1.0, True)])
def test_a_quiet_end_of_a_peck_whose_load_goes_is_a_drill_that_comes_out(left, told):
    """Its contact was heard late and another sound goes on, so that it seems to last; the motor wins its
    speed back within a second."""
    shop = Shop()
    shop.drill(6, **GOOD)
    shop.planned_s = 2.4
    contact = shop.t
    for k in range(52):
        shop.t += STEP_S
        out_s = STEP_S * (k - 28)
        share = max(left, min(1.0, 1.0 - out_s))
        quiet = SOFT if out_s > 0 else GOOD
        found = shop._hop(1, contact, True, quiet | {"sag": share * SOFT["sag"]})
        if found is not None:
            break
    assert (found is not None) is told


def test_softening_that_takes_seconds_is_held_too_and_not_learned():
    shop = Shop()
    shop.drill(4, **GOOD)
    halves = [{k: g + share * (SOFT[k] - g) for k, g in GOOD.items()} for share in (0.3, 0.6, 1.0, 1.0)]
    assert any(Severity.HOLD in shop.drill(1, **half) for half in halves)


@pytest.mark.parametrize(
    "change",
    [
        {"upper_db": -82.0, "lower_db": -79.0, "sag": 0.012},  # a sharper drill: quieter, crackling as before
        {"upper_db": -84.0, "lower_db": -76.0},  # the hole muffles it, and its chips still crackle
        {"upper_db": -88.0, "lower_db": -85.0, "line_db": -10.0},  # the microphone's gain was turned down
        {"upper_db": -72.0, "lower_db": -70.0, "crackle_db": 0.3},  # rain, an air gun: no crackle, but loud
        {"lower_db": -65.0, "crackle_db": 0.9},  # a compressor: dull, and loud
        {"chatter_db": 30.0},  # somebody sings
        SOFT | {"sag": 0.002},  # nothing is cut any more
        {"sag": 0.03},  # a blunt drill
    ],
)
def test_no_sign_alone_is_melting(change):
    shop = Shop()
    shop.drill(4, **GOOD)
    assert not shop.drill(6, **(GOOD | change))


FLAT = GOOD | {"upper_db": -86.0, "lower_db": -83.0}  # 8 dB quieter, crackling and coloured as before


def test_a_cut_that_is_quieter_and_loads_more_than_at_that_depth_before_rubs():
    shop = Shop()
    assert not shop.drill(6, **GOOD)
    assert not shop.drill(3, blank=2, **GOOD)
    found = shop.drill(2, blank=2, **(FLAT | {"sag": 0.025}))
    assert Severity.WARNING in found


def test_a_machine_that_runs_slower_when_free_makes_no_quieter_cut_heavier():
    """By the reference the cut loads half as much again; over its free speed just before as much as ever."""
    for free_over, sag, told in ((-0.009, 0.015, False), (0.0, 0.024, True)):
        shop = Shop()
        shop.rest(OUT)
        shop.drill(6, **GOOD)
        shop.drill(3, blank=2, **GOOD)
        shop.free_over = free_over
        shop.rest(OUT, blank=2)
        shop.rest(OUT, blank=2)
        fainter = GOOD | {"upper_db": -83.0, "lower_db": -80.0, "sag": sag}
        assert bool(shop.drill(3, blank=2, **fainter)) is told


def test_a_harder_blank_one_of_whose_pecks_is_a_little_quieter_is_not_soft():
    """Twice the load, and two decibels less hiss for as long as the peck lasts, as one peck in six has."""
    shop = Shop()
    shop.rest(OUT)
    shop.drill(6, **GOOD)
    harder = GOOD | {"sag": 0.03}
    shop.enter(2)
    assert not shop.drill(1, blank=2, **harder)
    quieter = harder | {"upper_db": GOOD["upper_db"] - 2.0, "lower_db": GOOD["lower_db"] - 2.0}
    assert not shop.drill(1, blank=2, **quieter)


def test_a_quieter_cut_or_a_heavier_one_alone_is_not_told():
    shop = Shop()
    shop.drill(6, **GOOD)
    shop.drill(3, blank=2, **GOOD)
    assert not shop.drill(3, blank=2, **FLAT)
    assert not shop.drill(3, blank=3, **(GOOD | {"sag": 0.025}))


def test_nothing_is_told_by_load_and_loudness_before_a_blank_was_heard():
    shop = Shop()
    shop.drill(3, **GOOD)
    assert not shop.drill(3, **(FLAT | {"sag": 0.025}))


def test_what_depth_did_to_a_blank_before_is_no_softening_in_the_next():
    """Less hiss, a duller cut and less crackle, the deeper the more, in every blank."""
    far = {k: g + 0.6 * (SOFT[k] - g) for k, g in GOOD.items()} | {"sag": GOOD["sag"]}
    half = {k: g + 0.3 * (SOFT[k] - g) for k, g in GOOD.items()} | {"sag": GOOD["sag"]}
    shop, told = Shop(), []
    for blank in range(1, 6):
        for depth_mm, heard in ((4.0, GOOD), (16.0, half), (30.0, far)):
            shop.depth_mm = depth_mm
            told.append(shop.drill(2, blank=blank, **heard))
    assert not any(told[3:])


def test_as_the_point_comes_out_a_cut_fades_with_its_load():
    """The spindle wins its speed back more slowly than the cut falls silent; in the hole it softens."""
    fades = SOFT | {"sag": 0.6 * GOOD["sag"]}
    for depth_mm, told in ((39.0, False), (30.0, True)):
        shop = Shop()
        shop.drill(4, **GOOD)
        shop.depth_mm = depth_mm
        assert bool(shop.drill(1, **fades)) == told


def test_what_is_quieter_than_the_machine_alone_is_no_cut():
    """A vacuum cleaner ran before this peck and into it: what is heard after it is the machine."""
    shop = Shop()
    shop.drill(4, **GOOD)
    vacuum = OUT | {"upper_db": -80.0, "lower_db": -78.0}
    shop.enter(2, idle=vacuum)
    shop.rest(vacuum, blank=2)
    assert not shop.drill(1, blank=2, **(SOFT | {"upper_db": -90.0, "lower_db": -88.0}))


def test_what_a_blank_before_has_told_is_not_told_again_at_contact():
    shop = Shop()
    shop.drill(4, **GOOD)
    assert shop.drill(1, **SOFT)
    shop.in_blank = False
    shop.rest(OUT)
    assert not shop.drill(1, **GOOD)


def test_squeal_stands_for_the_crackle_it_covers():
    shop = Shop()
    shop.drill(4, **GOOD)
    assert shop.drill(2, **(SOFT | {"crackle_db": 1.4, "chatter_db": 25.0}))


def test_a_tone_that_was_heard_before_the_cut_is_no_squeal():
    shop = Shop()
    shop.drill(4, **GOOD)
    singing = {"chatter_db": 25.0}
    for peck in range(3):
        shop.rest(OUT | singing)
        assert not shop.drill(1, **(SOFT | {"crackle_db": 1.4} | singing)), peck


def test_a_squeal_is_no_tone_from_before_the_cut_for_being_told_late():
    """What is told of tones is a mean over half a second, and a quiet contact is known after as long."""
    shop = Shop()
    shop.drill(4, **GOOD)
    squeals = SOFT | {"crackle_db": 1.4, "chatter_db": 25.0}
    for peck in range(3):
        outside_db = shop.rule._alone.tone_db
        assert outside_db < 15.0, peck
        contact = shop.t
        for _ in range(10):  # not known yet
            shop.t += STEP_S
            shop._hop(1, contact, False, squeals)
        for _ in range(20):
            shop.t += STEP_S
            shop._hop(1, contact, True, squeals)
        for k in range(20):
            shop.t += STEP_S
            shop._hop(1, contact, False, OUT | {"chatter_db": 25.0 if k < 10 else 6.0})


def test_what_goes_on_when_the_peck_should_be_over_is_not_of_the_cut():
    shop = Shop()
    shop.drill(4, **GOOD)
    shop.planned_s = 0.2
    assert not shop.drill(4, **SOFT)


def test_a_soft_cut_that_is_not_heard_any_more_goes_on_while_it_loads():
    shop = Shop()
    shop.drill(4, **GOOD)
    assert shop.drill(2, unheard_after=0.5, **SOFT)
    shop = Shop()
    shop.drill(4, **GOOD)
    assert not shop.drill(2, unheard_after=0.5, **(SOFT | {"sag": 0.002}))


UNHEARD = OUT | {"crackle_db": 1.0, "sag": 0.018}


@pytest.mark.parametrize(
    ("change", "learned", "told"),
    [
        ({}, False, True),
        ({}, True, True),
        ({"sag": 0.002}, True, False),  # it is lost: what cuts nothing loads nothing
        ({"sag": 0.0125}, True, True),  # nearly the usual load
        ({"sag": 0.07}, True, False),  # more than soft walls grip: it is switched off
        ({"line_db": -10.0}, True, False),  # the microphone was turned down
        ({"upper_db": -80.0}, True, False),  # two decibels quieter than cuts are, and taken for none
    ],
)
def test_a_peck_that_is_not_heard_at_all_but_loads_as_cuts_do_rubs(change, learned, told):
    """No contact is heard any more, while the load comes again. Once, a dial may have been turned down."""
    shop = Shop()
    shop.rest(OUT)
    shop.drill(4, **GOOD)
    shop.drill(3, blank=2, **GOOD)
    shop.learned = learned
    first, second = (shop.drill(1, blank=2, unheard_after=0.0, **(UNHEARD | change)) for _ in range(2))
    assert Severity.WARNING in first or not told
    assert Severity.HOLD not in first
    assert Severity.HOLD in second or not told


def test_a_free_speed_that_wanders_by_as_much_as_cuts_load_tells_no_peck():
    for wander, told in ((0.0, True), (0.012, False)):
        shop = Shop()
        shop.drill(4, **GOOD)
        for k in range(60):
            shop.rest(OUT | {"sag": wander * math.sin(k)})
        assert (Severity.WARNING in shop.drill(1, unheard_after=0.0, **UNHEARD)) is told


def test_a_spindle_that_goes_on_falling_between_pecks_is_not_loaded():
    shop = Shop()
    shop.drill(4, **GOOD)
    for k in range(4):
        for n in range(10):
            shop.t += STEP_S
            falling = UNHEARD | {"sag": 0.3 * STEP_S * n * (k + 1) / 4}
            assert not shop._hop(1, shop.t, False, falling)
        shop.rest(OUT)


def test_no_peck_is_missed_where_the_hole_is_through():
    shop = Shop()
    shop.drill(4, **GOOD)
    shop.over = True
    assert not shop.drill(3, unheard_after=0.0, **UNHEARD)


def test_a_load_that_lasts_longer_than_a_peck_is_another_speed():
    """Nor does it rub before it was drawn out: a motor wins its speed back slowly after a cut."""
    shop = Shop()
    shop.drill(4, **GOOD, idle=UNHEARD | {"line_db": -10.0})
    assert not shop.drill(4, unheard_after=0.0, **UNHEARD, idle=UNHEARD)


def test_a_first_hole_that_makes_no_sound_of_a_cut_rubs_where_it_loads():
    """A hole that muffles a cut leaves it one; and its depth is known by the feed while it is not heard."""
    for seconds, told in ((0.5, True), (2.0, False)):
        shop = Shop()
        shop.rest(OUT)
        shop.drill(4, **GOOD)
        assert (Severity.HOLD in shop.drill(1, unheard_after=seconds, **UNHEARD)) is told


def test_a_drill_that_falls_silent_before_its_point_is_in_goes_in_all_the_same():
    shop = Shop()
    shop.rest(OUT)
    shop.drill(4, **GOOD)
    shop.drill(3, blank=2, **GOOD)
    shop.depth_mm = 0.4
    assert Severity.HOLD in shop.drill(1, blank=3, unheard_after=0.2, **UNHEARD)


def test_work_that_softens_as_it_is_entered_is_no_other_room():
    for change, told in (({}, True), ({"line_db": -10.0}, False)):
        shop = Shop()
        shop.rest(OUT)
        shop.drill(4, **GOOD)
        assert bool(shop.drill(1, blank=2, **(UNHEARD | change))) is told


def test_good_cuts_learned_anew_load_by_either_reckoning():
    """Rain has gone, and the free speed is slower than the reference by more than the load over it."""
    rain = OUT | {"upper_db": -84.0, "lower_db": -84.0}
    shop = Shop()
    shop.rest(rain)
    shop.drill(4, **GOOD, idle=rain)
    shop.free_over, shop.cut_sag = -0.012, 0.02
    shop.rest(OUT)
    shop.drill(4, **(GOOD | {"sag": 0.008}))
    assert Severity.HOLD in shop.drill(2, **(SOFT | {"sag": 0.008}))


def _with_machine(machine, faintness_db):
    """What is heard of a good cut that is so much fainter, with the machine; powers add."""

    def power(db):
        return 10 ** (db / 10)

    heard = dict(GOOD)
    for band in ("upper_db", "lower_db"):
        cut = power(GOOD[band]) - power(machine[band])
        heard[band] = 10 * math.log10(power(machine[band]) + power(-faintness_db) * cut)
    return heard


@pytest.mark.parametrize("faintness_db", [4.0, 8.0, 12.0])
def test_a_cut_that_fades_into_a_low_machine_is_not_duller_than_that(faintness_db):
    """Upper and lower half fade alike, but the machine, which is low, shows through: the colour falls by
    decibels for no other reason."""
    machine = OUT | {"upper_db": -95.0, "lower_db": -77.5}
    faint = _with_machine(machine, faintness_db) | {"crackle_db": 0.35}
    assert faint["upper_db"] - faint["lower_db"] < GOOD["upper_db"] - GOOD["lower_db"] - 2.0
    rubs = faint | {"lower_db": GOOD["lower_db"] + 1.0}
    for heard, told in ((faint, False), (rubs, True)):
        shop = Shop()
        shop.rest(machine)
        shop.drill(4, idle=machine, **GOOD)
        assert bool(shop.drill(6, idle=machine, **heard)) is told


def test_a_later_blank_that_has_softened_before_it_is_judged_is_no_other_room():
    """The point of a large drill at a low speed is in after two seconds."""
    shop = Shop()
    shop.drill(4, **GOOD)
    shop.depth_mm = 1.0
    assert not shop.drill(1, blank=2, **SOFT)
    shop.depth_mm = 9.0
    assert Severity.HOLD in shop.drill(2, blank=2, **SOFT)


def test_what_a_later_blank_sounds_like_from_its_beginning_is_the_room():
    """Rain over the first blank, say, that has stopped: the good cuts learned were not the cut's alone."""
    shop = Shop()
    shop.drill(4, **GOOD)
    assert not shop.drill(4, blank=2, **SOFT)
    assert shop.drill(2, blank=2, **(SOFT | {"upper_db": -96.0, "lower_db": -78.0, "crackle_db": 0.1}))


RUBS = GOOD | {"crackle_db": 1.0, "upper_db": -86.0, "lower_db": -72.5}


def test_a_cut_whose_hiss_fades_while_its_low_sound_grows_is_told_at_its_usual_load():
    """Neither a deeper hole nor the microphone does that; chips that crackle more than ever are no melt."""
    shop = Shop()
    shop.drill(6, **GOOD)
    assert Severity.HOLD in shop.drill(3, **RUBS)
    for change in ({"lower_db": -83.0}, {"upper_db": -78.0}, {"crackle_db": 3.0}, {"sag": 0.002}):
        shop = Shop()
        shop.drill(6, **GOOD)
        assert Severity.HOLD not in shop.drill(3, **(RUBS | change))


SILENT = GOOD | {"upper_db": -90.0, "lower_db": -80.0, "crackle_db": 2.0}


def test_a_cut_that_is_not_heard_any_more_and_loads_as_before_is_held_whatever_crackles():
    """Chips that are cut are heard; of a cut that is not the crackle is the machine's own."""
    for change, told in (
        ({}, True),
        ({"sag": 0.008}, False),  # half of the load is gone too: the drill is drawn out, or in a void
        ({"line_db": -10.0}, False),  # the microphone was turned down, and the machine's lines with it
        ({"upper_db": -86.0}, False),  # muffled by the hole
    ):
        shop = Shop()
        shop.drill(6, **GOOD)
        assert not shop.drill(3, blank=2, **GOOD)
        assert (Severity.HOLD in shop.drill(2, blank=2, **(SILENT | change))) is told, change


def test_what_was_taken_for_good_cuts_and_was_none_is_learned_anew():
    """Travels heard as the first cuts, say: real ones are louder, and the idle machine is not."""
    travels = GOOD | {"upper_db": -87.0, "lower_db": -84.0}
    shop = Shop()
    shop.rest(OUT)
    shop.drill(2, **travels)
    shop.drill(8, **GOOD)
    assert Severity.HOLD in shop.drill(2, **SOFT)


def test_first_cuts_that_did_not_load_the_spindle_were_none():
    """Rain that began just before: cuts are fourteen decibels quieter than it, and load."""
    shop = Shop()
    shop.cut_sag = math.nan  # nothing has loaded yet
    shop.rest(OUT)
    shop.drill(2, **(GOOD | {"upper_db": -64.0, "lower_db": -61.0, "sag": 0.0}))
    shop.cut_sag = GOOD["sag"]
    shop.enter(2)
    assert not shop.drill(6, blank=2, **GOOD)
    assert Severity.HOLD in shop.drill(2, blank=2, **SOFT)


def test_a_first_cut_whose_load_was_read_wrong_is_no_reason_to_forget_all_since():
    """The free speed was not known yet in the first second. Blocks that loaded as cuts do followed, and what
    comes next is soft."""
    shop = Shop()
    shop.cut_sag = math.nan  # not known yet
    shop.rest(OUT)
    shop.drill(1, **(GOOD | {"sag": 0.0}))
    shop.drill(8, **GOOD)
    shop.cut_sag = GOOD["sag"]
    assert Severity.HOLD in shop.drill(2, **SOFT)


def test_what_sounds_soft_from_contact_on_counts_once_the_load_is_there():
    """A motor answers to a cut with its load some tenths of a second late, which is most of a short peck."""
    shop = Shop()
    shop.learned = True
    shop.planned_s = 1.5
    shop.rest(OUT)
    assert not shop.drill(4, seconds=1.5, answers_s=0.8, **GOOD)
    assert Severity.WARNING in shop.drill(1, seconds=1.5, answers_s=0.8, **SOFT)


@pytest.mark.parametrize(("strength", "told"), [(0.5, False), (1.2, True)])
def test_what_neither_loads_nor_sounds_like_a_cut_is_none_until_it_is_heard(strength, told):
    """Someone whistles in the pause, which passes for a peck; later the free speed wanders by half a load."""
    shop = Shop()
    shop.learned = True
    shop.planned_s = 4.0
    shop.rest(OUT)
    assert not shop.drill(4, seconds=4.0, **GOOD)
    shop.strength = strength
    assert bool(shop.drill(1, seconds=4.0, answers_s=1.8, **SOFT | {"sag": 0.012})) is told


def test_what_sounds_soft_and_is_followed_by_a_good_cut_was_another_sound():
    shop = Shop()
    shop.learned = True
    shop.rest(OUT)
    shop.drill(4, **GOOD)
    shop.drill(1, seconds=0.9, answers_s=2.0, **SOFT)
    shop.t -= 1.0  # the cut goes on
    assert not shop.drill(2, **GOOD)


def test_an_air_gun_in_the_pause_before_does_not_make_a_faint_cut_a_silent_one():
    """It ends with the pause: the machine is as loud as in most of the pauses, and the cut stands over it."""
    shop = Shop()
    shop.rest(OUT)
    shop.drill(6, **GOOD)
    shop.drill(2, blank=2, **GOOD)
    faint = GOOD | {"upper_db": -86.0, "lower_db": -83.5}
    gun = OUT | {"upper_db": -72.0, "lower_db": -72.0}
    assert not shop.drill(1, blank=2, idle=gun, **faint)
    assert not shop.drill(1, blank=2, **faint)


def test_a_cut_quieter_than_the_machine_alone_shows_that_another_sound_has_gone():
    """A vacuum cleaner ran through all pauses so far, and goes off in the cut."""
    shop = Shop()
    cleaner = OUT | {"upper_db": -80.0, "lower_db": -80.0}
    covered = GOOD | {"upper_db": -75.5, "lower_db": -74.0}
    shop.rest(cleaner)
    shop.drill(6, idle=cleaner, **covered)
    shop.drill(3, blank=2, idle=cleaner, **covered)
    assert not shop.drill(1, blank=2, idle=cleaner, **(GOOD | {"upper_db": -84.0, "lower_db": -81.5}))


def test_a_microphone_turned_down_with_the_lines_makes_a_heavier_cut_no_softer():
    """It is turned within a blank, so that cuts and pauses are quieter by six decibels, and the lines too."""
    for lines_db, told in ((-6.0, False), (0.0, True)):
        shop = Shop()
        shop.rest(OUT)
        shop.drill(6, **GOOD)
        shop.drill(3, blank=2, **GOOD)
        fainter = {"upper_db": -84.0, "lower_db": -81.0, "sag": 0.024, "line_db": lines_db}
        shop.rest(OUT | {"line_db": lines_db}, blank=2)
        shop.rest(OUT | {"line_db": lines_db}, blank=2)
        assert bool(shop.drill(2, blank=2, **(GOOD | fainter))) is told


@pytest.mark.parametrize(("hiss_db", "told"), [(0.0, True), (-6.0, False)])
def test_lines_that_became_quieter_while_good_cuts_did_not_tell_of_no_microphone_turned_down(hiss_db, told):
    """A vacuum cleaner, heard with the lines, goes off after the first blanks; or the gain falls by 6 dB."""
    shop = Shop()
    shop.rest(OUT)
    shop.drill(12, **GOOD)
    shop.drill(12, blank=2, **GOOD)
    idle = OUT | {"line_db": -6.0}
    shop.rest(idle, blank=3)
    shop.rest(idle, blank=3)
    good = GOOD | {"upper_db": -78.0 + hiss_db, "lower_db": -75.0 + hiss_db, "line_db": -6.0}
    shop.drill(5, blank=3, idle=idle, **good)
    fainter = good | {"upper_db": -84.0 + hiss_db / 3, "lower_db": -81.0 + hiss_db / 3, "sag": 0.024}
    assert bool(shop.drill(2, blank=3, idle=idle, **fainter)) is told


def test_first_cuts_that_were_as_loud_before_they_loaded_the_spindle_were_another_sound():
    """An air gun from before contact until the peck is over: the cuts after it are 14 dB quieter."""
    shop = Shop()
    shop.cut_sag = math.nan  # nothing has loaded yet
    shop.rest(OUT)
    shop.drill(1, answers_s=0.75, **(GOOD | {"upper_db": -64.0, "lower_db": -61.0}))
    shop.cut_sag = GOOD["sag"]
    shop.enter(2)
    assert not shop.drill(6, blank=2, **GOOD)
    assert Severity.HOLD in shop.drill(2, blank=2, **SOFT)


def test_low_sound_that_goes_on_between_cuts_is_not_that_of_rubbing():
    """A rumble sets in between two pecks, the second of which is a little quieter."""
    for between_db, told in ((-71.5, False), (OUT["lower_db"], True)):
        shop = Shop()
        shop.rest(OUT)
        shop.drill(6, **GOOD)
        shop.drill(3, blank=2, **GOOD)
        between = OUT | {"lower_db": between_db}
        shop.rest(between, blank=2)
        shop.rest(between, blank=2)
        rumbles = GOOD | {"upper_db": -81.5, "lower_db": -70.5}
        assert bool(shop.drill(2, blank=2, idle=between, **rumbles)) is told


@pytest.mark.parametrize(("hiss_db", "told"), [(SOFT["upper_db"], True), (GOOD["upper_db"], False)])
def test_low_sound_however_loud_does_not_cover_that_the_hiss_has_gone(hiss_db, told):
    """Other sound adds: it may rumble, and it may be the drill that rubs. It takes nothing from the hiss."""
    shop = Shop()
    shop.rest(OUT)
    shop.drill(4, **GOOD)
    assert (Severity.HOLD in shop.drill(2, **(SOFT | {"upper_db": hiss_db, "lower_db": -66.0}))) is told


@pytest.mark.parametrize("what", ["rain", "gain"])
def test_cuts_that_are_quieter_by_what_is_gone_between_them_too_are_no_softer(what):
    """More load, as a harder blank gives, and a cut that is quieter for another reason."""
    shop = Shop()
    then = {"upper_db": -84.0, "lower_db": -84.0} if what == "rain" else {}
    shop.rest(OUT | then)
    shop.drill(4, **GOOD, idle=OUT | then)
    after = {} if what == "rain" else {"upper_db": -96.0, "lower_db": -94.0}
    shop.rest(OUT | after)
    shop.enter(2, idle=OUT | after)
    fainter = GOOD | {"upper_db": -84.0, "lower_db": -81.0}
    assert not shop.drill(4, blank=2, idle=OUT | after, **(fainter | {"sag": 0.028}))
    softer = SOFT | {"upper_db": -92.0, "lower_db": -82.0}
    assert Severity.HOLD in shop.drill(2, blank=2, idle=OUT | after, **softer)


def test_a_load_that_dies_away_with_the_sound_of_the_cut_is_that_of_a_cut_that_is_over():
    """A deep cut loads twice as much as cuts do on average: half of that is left as the drill is out."""
    for sag, told in ((0.016, False), (0.03, True)):
        shop = Shop()
        shop.rest(OUT)
        shop.drill(4, **GOOD)
        shop.drill(1, blank=2, seconds=1.5, **(GOOD | {"sag": 0.03}), idle=OUT | {"sag": 0.03})
        gone = OUT | {"crackle_db": 1.0, "sag": sag}
        assert bool(shop.drill(1, blank=2, seconds=1.5, **gone)) is told


def test_a_cut_before_that_loaded_more_does_not_hide_one_that_is_not_heard():
    shop = Shop()
    shop.rest(OUT)
    shop.drill(4, **GOOD)
    shop.drill(1, blank=2, seconds=1.5, **(GOOD | {"sag": 0.03}))
    assert shop.drill(1, blank=2, seconds=1.5, **(OUT | {"crackle_db": 1.0, "sag": 0.022}))


@pytest.mark.parametrize(("usual", "before"), [(math.nan, math.nan), (0.001, math.nan), (0.015, 0.015)])
def test_where_no_load_is_known_the_sound_alone_warns(usual, before):
    """Lines drown in every cut, or in this one; a sound that drowns them adds to the hiss, and takes none."""
    shop = Shop()
    shop.cut_sag = usual
    shop.drill(4, **(GOOD | {"sag": before}))
    assert set(shop.drill(3, **(SOFT | {"sag": math.nan}))) == {Severity.WARNING}


SMOOTH = {"crackle_db": 1.4, "upper_db": -86.0, "lower_db": -76.0}


@pytest.mark.parametrize(
    ("alone_db", "change", "told"),
    [
        (1.3, {}, True),
        (0.3, {}, False),  # a machine that does not crackle would not hide that the cut still does
        (1.3, {"crackle_db": 4.0}, False),
        (1.3, {"upper_db": -84.0, "lower_db": -81.0}, False),  # as faint, and coloured as before
        (1.3, {"line_db": -10.0}, False),  # the microphone was turned away
        (1.3, {"sag": 0.002}, False),
    ],
)
def test_a_machine_that_crackles_as_the_cut_does_hides_that_the_chips_do_not(alone_db, change, told):
    """Once a blank was heard, less hiss and a duller cut tell it without the third sign."""
    shop, idle = Shop(), OUT | {"crackle_db": alone_db}
    assert not shop.drill(6, idle=idle, **GOOD)
    shop.drill(3, blank=2, idle=idle, **GOOD)
    assert bool(shop.drill(2, blank=2, idle=idle, **(GOOD | SMOOTH | change))) is told
    first = Shop()
    first.drill(4, idle=idle, **GOOD)
    assert not first.drill(3, idle=idle, **(GOOD | SMOOTH | change))


def test_where_the_load_does_not_tell_low_sound_tells_that_a_cut_without_hiss_goes_on():
    for lower_db, told in ((-74.5, {Severity.WARNING}), (-87.5, set())):
        shop = Shop()
        shop.cut_sag = 0.001
        light = {"sag": 0.0005}
        shop.drill(4, **(GOOD | light))
        assert set(shop.drill(3, **(GOOD | light | SILENCED | {"lower_db": lower_db}))) == told


SILENCED = {"upper_db": -89.9, "crackle_db": 0.3}


def test_a_spindle_that_runs_slow_when_free_is_not_loaded_by_that():
    """The free speed has drifted by as much as a cut sags: what is heard between two cuts is no cut."""
    slow = OUT | {"sag": 0.012}
    gone = SOFT | {"sag": 0.013}
    for idle, told in ((OUT, True), (slow, False)):
        shop = Shop()
        shop.drill(4, idle=idle, **GOOD)
        assert bool(shop.drill(3, idle=idle, **gone)) is told


def test_what_goes_on_when_the_program_has_drawn_the_drill_out_is_not_judged():
    shop = Shop()
    shop.drill(4, **GOOD)
    shop.over = True
    assert not shop.drill(3, **SOFT)


def test_a_known_program_is_judged_to_the_end_of_its_peck():
    """0.4 s sooner than where the drill may be drawn out at any time."""
    told = []
    for learned in (False, True):
        shop = Shop()
        shop.drill(4, **GOOD)
        shop.learned = learned
        told.append(min(shop.drill(1, **SOFT).values()))
    assert told[1] < told[0] - 0.3


def test_work_that_does_not_soften_is_not_judged():
    shop = Shop(softens=False)
    shop.drill(4, **GOOD)
    assert not shop.drill(6, **SOFT)
    assert [material(key).softens_c for key in ("hardwood", "burl", "softwood")] == [None] * 3


def test_the_end_of_a_cut_is_no_melting():
    """It falls silent for as long as it takes to hear that it is over."""
    shop = Shop()
    shop.drill(4, **GOOD)
    for _ in range(20):
        assert not shop.drill(1, seconds=1.5, **GOOD)
        assert not shop.drill(1, seconds=0.4, **(OUT))


def test_what_drowns_the_cut_is_neither_judged_nor_learned():
    shop = Shop()
    shop.drill(4, **GOOD)
    good = sounds_of(shop.rule)
    rain = GOOD | {"upper_db": -65.0, "lower_db": -62.0, "crackle_db": 0.3}
    shop.rest(rain)
    assert not shop.drill(6, idle=rain, **rain)
    assert sounds_of(shop.rule) == pytest.approx(good, rel=0.1)


def test_another_blank_begins_anew():
    shop = Shop()
    shop.drill(4, **GOOD)
    assert shop.drill(1, **SOFT)
    assert not shop.drill(3, blank=2, **GOOD)


def test_heating_acrylic_to_its_softening_takes_about_what_cutting_it_takes():
    """Data sheets of cast acrylic: 105 to 110 C, 1.26 to 1.46 kJ/kgK, 1.19 g/cm^3.

    From 20 C that is 136 to 148 J/cm^3 (the same as N/mm^2): the table's specific cutting force is enough to
    soften the whole chip.
    """
    assert softening_energy(110, 20, 1.26, 1.19) == pytest.approx(136, abs=2)
    assert softening_energy(105, 20, 1.46, 1.19) == pytest.approx(148, abs=2)
    assert material("acrylic").kc > softening_energy(material("acrylic").softens_c, 20, 1.35, 1.19)


# ---- drawn machines ----

LONGER = replace(CYCLE, depth_mm=18.0, pecks_mm=(6.0, 4.0))


@pytest.mark.parametrize("seed", [5, 8, 13])
def test_melting_is_told_within_the_same_peck_or_the_next(seed):
    known = setup(seed, cycle=LONGER)
    rendered = known.render(blanks=2, faults=(Melting(2, 2, at=0.2, takes_s=1.0),))
    told = known.hear(rendered.x)
    following = next(p for p in rendered.truth.pecks if (p.blank, p.peck) == (2, 3))
    first = told.times(Kind.MELTING)[0]
    assert rendered.truth.faults[0].onset_s < first < following.retract_s
    assert {kind for _, kind in told.holds()} <= {Kind.MELTING}


@pytest.mark.parametrize("seed", [5, 13])
def test_a_step_of_gain_in_good_work_is_no_melting(seed):
    known = setup(seed, cycle=LONGER)
    told = known.hear(known.render(mic_faults=(MicFault("gain", 7.0, gain_db=-10.0),)).x)
    assert told.count(Kind.MELTING) == 0


@pytest.mark.parametrize(
    ("free_over", "load", "told"), [(0.0, 0.018, True), (0.012, 0.018, True), (-0.012, 0.0, False)]
)
def test_load_is_what_the_spindle_slows_over_its_free_running_just_before(free_over, load, told):
    """Machines wander by as much as a small load: the reference is then no longer the free speed."""
    shop = Shop()
    shop.drill(4, **GOOD)
    shop.free_over = free_over
    shop.rest(OUT)
    shop.rest(OUT)
    assert bool(shop.drill(2, **SOFT | {"sag": load})) == told
