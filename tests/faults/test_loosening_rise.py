"""A knock that drowns the cut: levels of good cuts, and of one in which some bands rise."""

import math

import numpy as np
import pytest

from monitor.faults.loosening import LooseningRule
from monitor.faults.loosening_rise import LOUDER_DB, MOST_CUTS, SETTLE_S, STRETCH_S, STRETCHES, RisingCut
from monitor.signal.revolutions import Revolutions
from tests.hops import STEP_S, hop, rotation

GROUPS, CUT_S = 8, 3.0
STRUCK = (1, 4)


class Cuts:
    """Cuts of turns of 50 ms whose bands scatter by a decibel, and from cut to cut by one."""

    def __init__(self, good=4, seed=0):
        self.rng, self.rise = np.random.default_rng(seed), RisingCut(STEP_S)
        for _ in range(good):
            self.cut()

    def cut(self, db=lambda s: np.zeros(GROUPS), z=0.0, most=8.0, enters_s=0.0, doubtful=lambda s: False):
        """Seconds after contact at which a knock is told; ``db``: over usual cuts, of the same seconds."""
        usual, told = -60 + self.rng.normal(0, 1), []
        self.rise.begin()
        for k in range(round(CUT_S / STEP_S)):
            s = (k + 1) * STEP_S
            power = 10 ** ((usual + db(s) + self.rng.normal(0, 1, GROUPS)) / 10)
            if self.rise.step(power.astype(np.float32), z, most, s <= enters_s, doubtful(s)) is not None:
                told.append(s)
        self.rise.end()
        return told


def struck(of_one, of_all=lambda s: 0.0):
    """Rises of the bands of what is struck, and of all."""
    return lambda s: np.where(np.isin(np.arange(GROUPS), STRUCK), of_one(s), 0.0) + of_all(s)


def runs_up(s, most_db=12.0):
    """Strokes of a compressor, over a cut, so long after it was switched on."""
    return 10 * math.log10(1 + 10 ** (most_db / 10) * (1 - math.exp(-max(s, 0.0) / 0.5)) ** 2)


@pytest.mark.parametrize("db_s", [3.0, 6.0, 12.0])
def test_bands_that_rise_while_the_turn_knocks_are_told_as_they_pass_the_limit(db_s):
    told = Cuts().cut(struck(lambda s: db_s * s), z=2.0)
    assert told
    grows_on_s = STRETCHES * STRETCH_S + SETTLE_S  # is seen to, at least
    assert LOUDER_DB / db_s - 0.3 < told[0] < max((LOUDER_DB + 2.0) / db_s, grows_on_s) + 0.6


@pytest.mark.parametrize(
    "how",
    [
        {"db": struck(lambda s: 6 * s), "z": 0.0},  # another sound, that covers what knocks as ever
        {"db": struck(lambda s: 6 * s), "z": 3.0, "most": 5.0},  # or hardly stands out of noise
        {"db": struck(lambda s: 0.0, lambda s: 6 * s), "z": 2.0},  # a louder microphone, or harder work
        {"db": struck(lambda s: 9.0), "z": 2.0},  # so loud from the first: another blank
        {"db": struck(lambda s: 9.0, lambda s: min(8 * s - 8, 0)), "z": 2.0, "enters_s": 1.0},  # as it enters
        {"db": struck(lambda s: 9.0, lambda s: -8.0 * (s < 0.1)), "z": 2.0},
        {"db": struck(lambda s: 6 * s), "z": 2.0, "doubtful": bool},  # a sound that was there before
        {"db": lambda s: np.where(np.isin(np.arange(GROUPS), (3, 4)), 9 * s, 0.0), "z": 2.0},  # a tone
        {"db": struck(lambda s: 9.0 * (s > 1.0)), "z": 2.0},  # at once, and then stays, as a note does
        {"db": struck(lambda s: runs_up(s - 1.2)), "z": 2.0},  # a compressor that is switched on
        {"db": struck(lambda s: 2 * min(s, 1.5)), "z": 4.0},  # no more than cuts differ by
    ],
)
def test_what_is_no_knock_is_silent(how):
    assert not Cuts().cut(**how)


def test_a_sound_that_grows_louder_than_the_machine_after_contact_may_be_the_knock():
    assert Cuts().cut(struck(lambda s: 6 * s), z=2.0, doubtful=lambda s: s > 0.5)


def test_the_rise_of_a_drill_that_enters_is_none():
    assert not Cuts().cut(struck(lambda s: 6 * min(s, 1.0)), z=2.0, enters_s=CUT_S)


def test_of_what_good_cuts_sound_like_two_have_to_be_heard():
    assert not Cuts(good=1).cut(struck(lambda s: 6 * s), z=2.0)


def test_a_cut_that_knocked_teaches_nothing():
    cuts = Cuts(good=2)
    for _ in range(MOST_CUTS):
        assert cuts.cut(struck(lambda s: 6 * s), z=2.0)


def test_blows_that_waver_and_ring_on_are_told_though_they_stand_out_no_more(monkeypatch):
    """A machine that knocks in every good cut. Its blows waver by 4 % of a turn and ring on over all of it,
    so that the gap fills as they grow by 6 dB a second from 42.5 s on: what stands out hardly changes."""
    pieces, bands, fine, hz, flutes = 20, 9, 24, 20.0, 2

    def first_told(seed):
        turned = Revolutions(pieces, bands, fine, hz, STEP_S, flutes)
        rule = LooseningRule(turned.sectors, bands, 1, hz, STEP_S, flutes)
        rng = np.random.default_rng(seed)
        for k in range(round(46.0 / STEP_S)):
            t = k * STEP_S
            cutting = t % 5.0 > 2.0
            grown = 10 ** (6.0 * max(t - 42.5, 0.0) / 20) if t > 40 else 1.0
            sound = rng.standard_normal((2, pieces, bands)) * (2.0 if cutting else 1.0)
            if cutting:
                sound[:, :, [0, 1, 4, 5]] *= math.hypot(1.0, 0.5 * grown)
                where = round((0.3 + rng.normal(0, 0.04)) * pieces) % pieces
                sound[0, where, [0, 1, 4, 5]] += 6.0 * grown
            power = 1e-6 * np.square(sound).sum(axis=0, keepdims=True) / 2
            upper = rng.chisquare(12, (1, fine)).astype(np.float32)
            (turn,) = turned.feed(power.astype(np.float32), upper, [hz])
            (told,) = rule.take([hop(t, turn=turn)], [rotation()], [cutting])
            if told:
                return t, told
        return math.inf, None

    with_it = [first_told(seed)[0] for seed in range(6)]
    assert all(43.0 < t < 45.0 for t in with_it)  # it is twice as loud at 43.5
    monkeypatch.setattr(RisingCut, "step", lambda *_: None)
    assert sum(first_told(seed)[0] == math.inf for seed in range(6)) >= 3
