"""The loosening rule on turns of noise and knocks."""

import math

import numpy as np
import pytest

from monitor.faults.episode import Finding
from monitor.faults.loosening import RISEN_Z, SURE_Z, LooseningRule
from monitor.faults.loosening_others import AT_MOST_S, OtherMachine
from monitor.measurements import SPINDLE_STOP_KINDS, Event, Kind, Severity
from monitor.signal.revolutions import Revolutions
from monitor.spindle import SpindleState
from tests.hops import SPINDLE_HZ, STEP_S, hop, rotation

HZ, PIECES, BANDS, FINE, FLUTES = 20.0, 20, 9, 24, 2  # a turn a hop


class Shop:
    """Turns of noise, exponential power in every band and piece; ``off``: how far an angle creeps a turn.

    ``beats``: share by which the lips make the sound swell; ``modes``: bands in which a knock rings.
    """

    def __init__(self, seed=0, off=0.012, beats=0.0, modes=(1, 2, 3, 5, 6)):
        self.turned = Revolutions(PIECES, BANDS, FINE, HZ, STEP_S, FLUTES)
        self.rule = LooseningRule(self.turned.sectors, BANDS, 1, HZ, STEP_S, FLUTES)
        self.rng, self.off = np.random.default_rng(seed), off
        self.beats, self.modes = beats, list(modes)
        self.t, self.turns, self.found = 0.0, 0.0, []

    def go(
        self, seconds, knock_db=-math.inf, cutting=True, at=0.3, spotting=False, idle_db=0.0, drowned=False,
        level_db=0.0, noise_db=0.0, entering=False, heard_hz=SPINDLE_HZ, **turning,
    ):  # fmt: skip
        """``knock_db``: of the knock over the sound in its bands, a function of the seconds from here;
        ``idle_db``: of the machine between cuts, with what else is heard; ``drowned``: that is louder;
        ``level_db``: of all sound, as it is told; ``noise_db``: as the turns have it; ``entering``: the
        drill's point is not in yet; ``heard_hz``: the speed that is followed, where the free one is
        ``SPINDLE_HZ``."""
        for k in range(round(seconds / STEP_S)):
            self.t += STEP_S
            self.turns += HZ * STEP_S
            sound = self.rng.standard_normal((2, PIECES, BANDS))
            db = knock_db(k * STEP_S) if callable(knock_db) else knock_db
            for angle in at if isinstance(at, tuple) else (at,):
                where = int((angle + self.turns * self.off) % 1 * PIECES)
                for piece in {where, (where + 1) % PIECES}:  # it rings on into the next
                    sound[0, piece, self.modes] += math.sqrt(2) * 10 ** (db / 20)
            angle = 2 * np.pi * FLUTES * ((np.arange(FINE) + 0.5) / FINE - self.turns * self.off)
            upper = self.rng.chisquare(12, FINE) * (1 + self.beats * np.cos(angle) * cutting)
            power = 10 ** (noise_db / 10 - 6) * np.square(sound).sum(axis=0, keepdims=True) / 2
            (turn,) = self.turned.feed(power.astype(np.float32), upper[None].astype(np.float32), [HZ])
            one = hop(self.t, turn=turn, over_db=level_db, spindle_hz=heard_hz)
            states = [rotation(**turning)], [cutting], [spotting], [idle_db], [drowned], [entering]
            (told,) = self.rule.take([one], *states)
            if told:
                self.found.append((self.t, told))
        return self

    @property
    def first_s(self):
        return self.found[0][0] if self.found else math.inf


@pytest.mark.parametrize("db_s", [4, 6, 12, 20])
@pytest.mark.parametrize("cutting", [False, True])
@pytest.mark.parametrize("off", [-0.02, 0.004, 0.02])
def test_a_knock_that_grows_is_told_to_stop_the_spindle(db_s, cutting, off):
    """From 10 dB under the sound beside it: at its level when it has grown by 10, told 6 dB later or sooner,
    and less than a second for the means and the growth."""
    shop = Shop(off=off).go(2.0).go(10.0, cutting=cutting)
    assert not shop.found
    shop.go(6.0, lambda s: -10 + db_s * s, cutting)
    assert 12.0 < shop.first_s < 12.0 + 16 / db_s + 0.75
    found = shop.found[0][1]
    assert (found.kind, found.severity) == (Kind.LOOSENING, Severity.HOLD)
    assert "stop the spindle" in found.message
    assert 11.5 < found.onset_s < shop.first_s
    assert found.limit < found.value < 25


@pytest.mark.parametrize("seed", range(4))
def test_usual_work_is_silent(seed):
    shop = Shop(seed)
    for _ in range(15):
        shop.go(6.0).go(2.0, cutting=False)
    assert not shop.found


def test_crackle_that_comes_anywhere_is_silent():
    """A chip breaks in every third turn, ten decibels over all beside it, at no angle of its own."""
    shop = Shop()
    for _ in range(400):
        shop.go(STEP_S, 10.0, at=shop.rng.random()).go(2 * STEP_S)
    assert not shop.found


@pytest.mark.parametrize("times", [1, 2])
def test_some_loud_turns_in_a_row_are_silent(times):
    shop = Shop().go(10.0)
    for _ in range(20):
        shop.go(times * STEP_S, lambda s: 9 + 60 * s, at=shop.rng.random()).go(1.0)
    assert not shop.found


@pytest.mark.parametrize(("heard", "told"), [(0.96, True), (1.02, True), (0.8, False), (1.06, False)])
def test_what_strikes_once_a_turn_of_another_speed_is_none_of_this_spindle(heard, told):
    """A compressor whose strokes are followed for turns, faster or slower than the spindle can be."""
    shop = Shop().go(10.0)
    shop.go(8.0, lambda s: -10 + 6 * s, heard_hz=heard * SPINDLE_HZ)
    assert bool(shop.found) is told


def test_where_nothing_is_heard_turns_go_on_as_they_were():
    for heard, told in ((1.0, True), (0.8, False)):
        shop = Shop().go(10.0).go(0.5, heard_hz=heard * SPINDLE_HZ)
        assert bool(shop.go(8.0, lambda s: -10 + 6 * s, heard_hz=math.nan).found) is told


def test_a_compressor_that_strikes_twice_a_turn_is_silent():
    """Two blows half a turn apart, as loud as each other: one holding does not strike at two angles."""

    shop = Shop().go(20.0)
    assert not shop.go(8.0, lambda s: -10 + 6 * s, at=(0.3, 0.8)).found
    assert Shop().go(20.0).go(8.0, lambda s: -10 + 6 * s, at=(0.3,)).found


@pytest.mark.parametrize("idle_db", [0.0, 9.0])
def test_a_knock_that_another_sound_hid_while_cuts_were_learned_is_normal(idle_db):
    """A vacuum cleaner from before the batch; once it is off, the belt joint is heard at every turn."""
    shop = Shop()
    for _ in range(3):
        shop.go(4.0, idle_db=idle_db).go(2.0, cutting=False, idle_db=idle_db)
    for _ in range(5):
        shop.go(2.0, cutting=False).go(4.0, 4.0)
    assert bool(shop.found) is (idle_db == 0)


def test_cuts_whose_knock_is_found_only_after_a_while_become_normal():
    """Every cut knocks as loud as the last, but the means take half of it to show."""
    shop = Shop()
    for _ in range(12):
        shop.go(2.0, 2.0).go(2.0, cutting=False)
    assert not shop.found
    location = shop.rule._state[True].most.location
    assert location > Shop().go(24.0).rule._state[True].most.location + 1.0


def test_a_knock_of_another_speed_is_silent():
    """A second machine, five per cent faster."""
    shop = Shop(off=0.05).go(10.0)
    assert not shop.go(6.0, lambda s: -10 + 5 * s).found


@pytest.mark.parametrize("beats", [0.0, 0.6])
def test_once_the_lips_have_told_the_speed_a_knock_of_another_is_silent(beats):
    """A second machine whose speed is within what the dial may be off, but is not this one's."""
    shop = Shop(off=0.012, beats=beats).go(30.0)
    for k in range(120):
        shop.go(STEP_S, min(-10 + 0.3 * k, 3.0), at=0.3 - 0.03 * k)
    assert bool(shop.found) == (beats == 0)
    if beats:
        assert shop.rule._dial.off == pytest.approx(0.012, abs=0.003)
        assert Shop(off=0.012, beats=beats).go(30.0).go(8.0, lambda s: -10 + 6 * s).found


@pytest.mark.parametrize("cutting", [False, True])
def test_a_machine_that_knocks_from_the_first_is_silent_until_it_knocks_louder(cutting):
    """A belt joint, a key: whatever it does in its first seconds is its own."""
    shop = Shop().go(2.0, 4.0).go(30.0, lambda s: 4 + math.sin(s), cutting)
    assert not shop.found
    shop.go(5.0, lambda s: 4 + 5 * s, cutting)
    assert 32.0 < shop.first_s < 35.0


def test_what_this_machine_does_in_its_cuts_is_no_fault_when_it_is_heard_before_the_cut_is_known():
    shop = Shop().go(3.0, cutting=False)
    for _ in range(10):
        shop.go(0.5, 4.0, cutting=False).go(4.0, 4.0).go(2.0, cutting=False)
    assert not shop.found


def test_what_cuts_do_is_no_fault_as_a_drill_enters_at_once():
    """Some loud turns bring the means to the height of a cut that is not known for one yet."""
    shop = Shop().go(3.0, cutting=False)
    for _ in range(6):
        shop.go(4.0, 14.0, level_db=14.0).go(2.0, cutting=False)
    for _ in range(6):
        shop.go(0.6, 14.0, cutting=False, level_db=9.0).go(4.0, 14.0, level_db=14.0).go(2.0, cutting=False)
    assert not shop.found


def test_a_knock_that_grows_over_short_pecks_is_told():
    shop = Shop()
    for _ in range(5):
        shop.go(1.0).go(1.0, cutting=False)
    start = shop.t
    for k in range(8):
        shop.go(1.0, lambda s, k=k: -10 + 6 * (k + s), k % 2 == 0)
    assert start < shop.first_s < start + 4.0


def test_a_knock_that_the_cut_drowns_is_told_as_soon_as_the_drill_is_out():
    shop = Shop()
    for _ in range(5):
        shop.go(2.0).go(2.0, cutting=False)
    shop.go(2.0, -6.0)
    assert not shop.found
    out = shop.t
    shop.go(2.0, 6.0, cutting=False)
    assert shop.first_s < out + 0.7


@pytest.mark.parametrize(("level_db", "told"), [(0.0, True), (12.0, False)])
def test_what_cuts_do_is_not_expected_where_no_cut_is_heard(level_db, told):
    """Cuts 12 dB over idling, which knock at every turn. A knock that stands as far out with the drill out is
    much louder than it would be of a good cut; where the sound is a cut's, it is what cuts do."""
    shop = Shop().go(3.0, cutting=False)
    for _ in range(6):
        shop.go(4.0, 4.0, level_db=12.0).go(2.0, cutting=False)
    shop.go(4.0, 4.0, level_db=12.0)
    assert not shop.found
    out = shop.t
    shop.go(2.0, 4.0, cutting=False, level_db=level_db)
    assert (shop.first_s < out + 1.3) is told
    assert bool(shop.found) is told


def test_what_the_means_hold_of_a_cut_that_is_over_is_no_knock():
    """As loud a knock as it likes, in every cut, and none between them."""
    shop = Shop().go(3.0, cutting=False)
    for _ in range(10):
        shop.go(3.0, 8.0, level_db=12.0).go(1.0, cutting=False)
    assert not shop.found


@pytest.mark.parametrize(("every", "turns"), [(1, 3), (2, 2), (4, 2)])
def test_a_knock_has_to_last_and_a_slow_spindle_knocks_twice_in_that(every, turns):
    rule = LooseningRule(20, BANDS, every, HZ / every, STEP_S, FLUTES)
    lasts = [rule._lasts(10.0 + k * every * STEP_S, SURE_Z) for k in range(turns)]
    assert lasts == [False] * (turns - 1) + [True]


def test_what_is_seen_for_certain_but_is_loud_in_no_turn_is_silent():
    """As loud as the sound beside it, for ten seconds; three decibels more are told."""
    shop = Shop(3).go(30.0).go(10.0, 0.0)
    assert max(past.z for past in shop.rule._past) > SURE_Z
    assert not shop.found
    assert Shop(3).go(30.0).go(10.0, 3.0).found


@pytest.mark.parametrize("seed", range(3))
def test_where_lines_are_heard_and_none_shows_a_knock_has_to_stand_out_by_more(seed):
    """It is told all the same, since the angle of a holding's blows may waver; some tenths later."""

    class NoLines:
        others, nearly = False, None

        def step(self, *_):
            return None

        def none_shows(self, t):
            return True

    first_s = []
    for lines in (None, NoLines()):
        shop = Shop(seed)
        shop.rule.lines = lines
        first_s.append(shop.go(10.0).go(6.0, lambda s: -10 + 6 * s).first_s)
    assert first_s[0] < first_s[1] < first_s[0] + 0.6


@pytest.mark.parametrize("seed", range(3))
def test_an_angle_that_nearly_stands_out_tells_with_lines_that_nearly_do(seed):
    """Neither would tell yet; and while no angle stands out, a first frame of lines tells nothing."""

    class SomeLines:
        others = False
        nearly = Finding(Kind.LOOSENING, Severity.HOLD, "by lines")

        def step(self, *_):
            return None

        def none_shows(self, t):
            return False

    first_s = []
    for lines in (None, SomeLines()):
        shop = Shop(seed)
        shop.rule.lines = lines
        assert not shop.go(30.0).found
        first_s.append(shop.go(6.0, lambda s: -10 + 6 * s).first_s)
    assert first_s[1] < first_s[0] - 0.1
    assert shop.found[0][1].message == "by lines"


def test_loud_blows_that_die_away_are_no_loosening():
    """At the same angle of each turn, from twelve decibels down by one a turn; one that stays is told."""
    faded = [Shop(seed).go(6.0).go(1.2, lambda s: 12 - 20 * s).found for seed in range(8)]
    assert sum(map(bool, faded)) <= 2
    assert all(Shop(seed).go(6.0).go(1.2, 12.0).found for seed in range(8))


def test_a_centre_drill_is_neither_judged_nor_taken_for_a_cut():
    shop = Shop().go(10.0)
    assert not shop.go(4.0, lambda s: 10 * s, spotting=True).found
    assert not shop.go(6.0).found


def test_nothing_is_said_of_a_spindle_at_rest():
    shop = Shop().go(10.0)
    assert not shop.go(4.0, lambda s: 10 * s, state=SpindleState.STOPPED).found


def test_the_event_asks_for_the_spindle_stop_line():
    assert Kind.LOOSENING in SPINDLE_STOP_KINDS
    assert Event(1.0, Kind.LOOSENING, Severity.HOLD, "").stops_spindle
    assert not Event(1.0, Kind.SAG, Severity.HOLD, "").stops_spindle
    assert Event(1.0, Kind.LOST_CUT, Severity.HOLD, "", 9.0, 4.0, "dB").stops_spindle
    assert not Event(1.0, Kind.LOST_CUT, Severity.HOLD, "", 9.0, 4.0, "s").stops_spindle


def test_blows_in_a_sound_louder_than_the_machine_are_another_machines():
    """A compressor that keeps the spindle's speed: told of neither, and it teaches nothing."""
    strokes = {"knock_db": lambda s: min(4 * s - 10, 4.0), "cutting": False}
    assert Shop().go(6.0, cutting=False).go(6.0).go(8.0, **strokes).found
    shop = Shop().go(6.0, cutting=False).go(6.0).go(8.0, **strokes, drowned=True)
    assert not shop.found
    shop.go(2.0, 4.0)  # it goes on in the next cut
    assert not shop.found
    shop.go(2.0, cutting=False)
    assert not shop.found
    knocked_s = shop.t
    assert knocked_s < shop.go(3.0, lambda s: 6 * s, cutting=False).first_s < knocked_s + 2.0


@pytest.mark.parametrize("level_db", [9.0, 2.0])
def test_cuts_that_get_quieter_by_half_were_learned_through_another_sound(level_db):
    """It hid the knock of this machine's turns; what idles between them is not heard in so short a pause."""
    shop = Shop()
    for _ in range(3):
        shop.go(4.0, level_db=9.0).go(2.0, cutting=False)
    for _ in range(5):
        shop.go(0.4, cutting=False).go(4.0, 2.0, level_db=level_db)
    assert bool(shop.found) is (level_db == 9.0)


def test_a_knock_that_is_itself_as_loud_as_cuts_is_told_as_it_grows():
    shop = Shop().go(6.0, cutting=False).go(6.0)
    shop.go(5.0, lambda s: 6 * s - 10, cutting=False, drowned=True)
    assert 12.0 < shop.first_s < 16.5


@pytest.mark.parametrize("entering", [False, True])
def test_what_is_heard_while_the_point_enters_is_not_taken_for_what_cuts_do(entering):
    """The machine covers what the cut does at every turn, until it is a full one."""
    shop = Shop().go(4.0, cutting=False)
    shop.go(4.0, entering=entering).go(4.0, 5.0)
    assert bool(shop.found) is not entering
    if entering:
        shop.go(4.0, lambda s: 5 + 5 * s)
        assert 12.0 < shop.first_s < 15.0


def test_where_a_hole_is_all_entry_a_knock_is_told_all_the_same():
    shop = Shop().go(4.0, cutting=False).go(16.0, entering=True)
    assert not shop.found
    shop.go(4.0, lambda s: 4 + 5 * s, entering=True)
    assert 20.0 < shop.first_s < 23.0


def test_cuts_heard_through_a_louder_sound_are_not_taken_for_what_they_are():
    """It goes on from before contact, covers the knock of every cut, and is over with the first of them."""
    shop = Shop().go(4.0, cutting=False).go(2.0, cutting=False, drowned=True).go(4.0)
    shop.go(4.0, cutting=False)
    for _ in range(3):
        shop.go(4.0, 4.0).go(2.0, cutting=False)
    assert not shop.found
    shop.go(4.0, lambda s: 4 + 5 * s)
    assert 32.0 < shop.first_s < 35.0


def test_what_a_whole_blank_was_covered_by_is_learned_anew_once_it_has_gone():
    """A vacuum cleaner over all cuts of the first blank; the belt joint is heard after it."""
    shop = Shop().go(4.0, cutting=False).go(2.0, cutting=False, drowned=True)
    shop.go(16.0, drowned=True).go(4.0, cutting=False)
    for _ in range(4):
        shop.go(4.0, 6.0).go(2.0, cutting=False)
    assert not shop.found
    start = shop.t
    shop.go(4.0, lambda s: 6 + 5 * s)
    assert start < shop.first_s < start + 3.0


def test_a_knock_that_rings_in_one_mode_alone_is_told_once_it_has_grown():
    shop = Shop(modes=(0, 1)).go(6.0, cutting=False).go(6.0)  # of one group
    shop.go(6.0, lambda s: 6 * s)
    assert 12.0 < shop.first_s < 18.0


@pytest.mark.parametrize("seed", range(3))
def test_what_strikes_before_any_drill_has_cut_is_another_machine(seed):
    """A compressor that runs as the spindle is switched on; it strikes on in pauses, and not in cuts."""

    def batch(loaded):
        shop = Shop(seed)
        for _ in range(4):
            shop.go(3.0).go(3.0, cutting=False)
        if not loaded:
            shop.go(2.0, state=SpindleState.STOPPED, cutting=False)
        return shop.go(2.0, 6.0, cutting=False)

    assert batch(loaded=True).found
    shop = batch(loaded=False)
    assert not shop.found
    for _ in range(4):
        shop.go(2.0).go(2.0, 6.0, cutting=False)
    assert not shop.found
    # once it is heard to be gone, a holding that lets go is told
    assert shop.go(2.0).go(2.0, cutting=False).go(6.0, lambda s: -10 + 6 * s).found


def test_what_struck_before_the_spindle_stood_may_be_its_chuck():
    shop = Shop(1)
    for _ in range(4):
        shop.go(3.0).go(3.0, cutting=False)
    shop.go(2.0, 0.0).go(0.5, 0.0, cutting=False)
    assert not shop.found
    assert shop.go(2.0, state=SpindleState.STOPPED, cutting=False).go(2.0, 6.0, cutting=False).found


def test_what_strikes_in_a_pause_and_not_in_the_cut_after_it_is_another_machine():
    """A holding is loaded in the cut; a compressor keeps its rate, which a loaded spindle does not."""
    for noise_db in (0.0, 12.0):  # a cut that is so much louder hides what strikes; then nothing is known
        shop = Shop(3)
        for _ in range(4):
            shop.go(3.0, noise_db=noise_db).go(3.0, cutting=False)
        shop.go(1.5, 4.0, cutting=False, drowned=True).go(3.0, noise_db=noise_db)
        assert not shop.found
        assert bool(shop.go(1.0, 4.0, cutting=False).found) is (noise_db == 12.0)


@pytest.mark.parametrize("goes_on", [False, True])
def test_another_sound_that_was_heard_up_to_contact_is_not_over_before_a_pause_has_shown_it(goes_on):
    """In the cut it is not heard; in the pause after that its strokes would be a knock at once."""
    rule = Shop().rule
    heard = [(1.0, True, False), (4.0, False, True), (0.1, False, False), (0.4, goes_on, False)]
    hidden = [rule._is_drowned(one, cuts, STEP_S) for s, one, cuts in heard for _ in range(round(s / STEP_S))]
    assert hidden[-1] is goes_on
    assert all(hidden[20:102])


def judged(*steps):
    """Whether another machine is heard after steps of 0.1 s: so many alike, and their z, rate and so on."""
    other, t = OtherMachine(SURE_Z, RISEN_Z, 0.003, 1.0), 0.0
    told = []
    for n, *args in steps:
        for _ in range(n):
            t += 0.1
            told.append(other.step(t, *args))
    return told


def test_another_machine_is_one_until_it_is_heard_to_be_gone():
    pause, cut = (0.0, False, True), (0.0, True, True)
    assert judged(
        (1, 0.0, *cut, True), (9, 0.5, *cut), (9, 6.0, *pause), (3, 0.9, *pause), (9, 6.0, *pause)
    ) == ([True] * 19 + [False] * 12)


def test_what_strikes_on_at_one_rate_through_a_cut_is_no_other_machine():
    for rates in ((0.002, 0.002), (0.002, 0.008)):
        goes_on = [(1, 9.0, rate, True, True) for _ in range(9) for rate in rates]
        told = judged((1, 0.0, 0.0, True, True, True), *goes_on)
        assert told[9]
        assert told[-1] is (rates[0] != rates[1])
    assert judged((1, 0.0, 0.0, True, True, True), (99, 9.0, 0.002, False, True))[-1]  # no cut shows it


def test_another_machine_is_believed_no_longer_than_one_runs():
    """However often it is heard again; one that has gone is another one when it comes back."""
    again = [(9, 6.0, 0.0, False, True), (1, 0.0, 0.0, True, True, True)]
    told = judged(*again * 60)
    assert told[9]
    assert told[int(10 * AT_MOST_S)]
    assert not any(told[int(10 * AT_MOST_S) + 10 :])
    assert judged(*again * 60, (1, 0.0, 0.0, False, True), *again)[-1]


@pytest.mark.parametrize("seed", range(10))
def test_a_holding_that_lets_go_while_another_machine_was_heard_is_told(seed):
    """Strikes in two pauses and not in the cut between them; the holding backs off in the cut after."""
    shop = Shop(seed)
    for _ in range(4):
        shop.go(3.0).go(3.0, cutting=False)
    shop.go(1.5, 4.0, cutting=False, drowned=True).go(3.0).go(1.0, 4.0, cutting=False, drowned=True)
    before, lets_go_s = len(shop.found), shop.t
    shop.go(3.0, lambda s: -8 + 3 * s)
    for _ in range(3):
        shop.go(1.0, 3.0, cutting=False).go(3.0, 3.0)
    assert shop.found[before:][0][0] < lets_go_s + 15.0


@pytest.mark.parametrize("seed", [1, 20, 22, 23])
def test_a_holding_that_a_louder_cut_covers_is_no_other_machine(seed):
    """It lets go in a pause too short to tell it; nothing of it is heard in the cut, and much in the next."""
    shop = Shop(seed)
    for _ in range(4):
        shop.go(3.0, noise_db=12.0).go(3.0, cutting=False)
    shop.go(0.5, lambda s: 2 + 3 * s, cutting=False).go(3.0, lambda s: -8.5 + 3 * s, noise_db=12.0)
    assert not shop.rule._other.heard
    shop.go(0.8, 12.5, cutting=False)
    assert 27.5 < shop.first_s < 28.5


def test_what_was_learned_through_another_sound_is_forgotten_with_it():
    """The machine is learned anew, and no other is known."""
    shop = Shop()
    for _ in range(3):
        shop.go(4.0, level_db=9.0, idle_db=9.0).go(2.0, cutting=False, idle_db=9.0)
    shop.go(1.0, 6.0, cutting=False, drowned=True, idle_db=9.0).go(2.0, level_db=9.0, idle_db=9.0)
    assert shop.rule._other.heard
    for _ in range(3):
        shop.go(4.0).go(3.0, cutting=False)
    assert not shop.rule._other.heard
    told = len(shop.found)
    assert len(shop.go(5.0, lambda s: -8 + 6 * s).found) > told


@pytest.mark.parametrize("seed", range(3))
def test_the_same_of_a_compressor_that_was_louder_than_the_machine_at_first(seed):
    def batch(in_the_cut):
        shop = Shop(seed)
        for _ in range(4):
            shop.go(3.0).go(3.0, cutting=False)
        shop.go(1.5, 4.0, cutting=False, drowned=True)
        assert not shop.found
        return shop.go(4.0, in_the_cut).go(2.0, 4.0, cutting=False)

    assert not batch(-math.inf).found
    assert batch(4.0).found


@pytest.mark.parametrize(("level_db", "told"), [(9.0, True), (12.0, False)])
def test_what_is_at_once_twice_as_loud_as_cuts_and_loads_nothing_is_another_sound(level_db, told):
    """A compressor that starts, for a cut: for half a second its blows may come once a turn."""
    shop = Shop(2)
    for _ in range(4):
        shop.go(3.0, level_db=5.0).go(3.0, cutting=False)
    shop.go(0.45, 9.0, level_db=level_db, drowned=True)
    assert bool(shop.found) is told


@pytest.mark.parametrize(("heard", "told"), [(0.99, True), (0.98, False)])
def test_with_the_drill_out_nothing_slows_the_spindle(heard, told):
    """Another lathe that is followed for it; in a cut the same speed is a load."""
    for cutting in (False, True):
        shop = Shop().go(4.0).go(4.0, cutting=False)
        shop.go(8.0, lambda s: -10 + 6 * s, cutting, heard_hz=heard * SPINDLE_HZ)
        assert bool(shop.found) is (told or cutting)


@pytest.mark.parametrize("pause_turns", [0, 1])
def test_a_cut_ends_though_the_drill_was_out_for_less_than_a_turn(pause_turns):
    """Of a slow spindle, whose turn is several hops: what one cut has grown is not added to the last."""
    turned = Shop().turned
    rule = LooseningRule(turned.sectors, BANDS, 4, HZ / 4, STEP_S, FLUTES)
    silence = np.full((1, PIECES, BANDS), 1e-6, np.float32), np.full((1, FINE), 1e-6, np.float32)
    (turn,) = turned.feed(*silence, [HZ])
    t = 0.0
    for _ in range(4):
        for cutting, hops in ((True, 40), (False, 2 + 4 * pause_turns)):
            for _ in range(hops):
                t += STEP_S
                ends = round(t / STEP_S) % 4 == 0
                rule.take([hop(t, turn=turn if ends else None)], [rotation()], [cutting])
    assert len(rule._rise._cuts) == (4 if pause_turns else 3)
