"""A knock that is normal here: how loud it is at its angle in good cuts, and in one in which it grows."""

import math

import numpy as np
import pytest

from monitor.faults.loosening import LooseningRule
from monitor.faults.loosening_level import ALSO_Z, LEAST_CUTS, LOUDER_DB, MOST_CUTS, KnockLevel
from monitor.signal.revolutions import Revolutions, Turn
from tests.hops import STEP_S, hop, rotation

GROUPS, SECTORS, TURN_S, CUT_S, PAUSE_S = 8, 24, 0.1, 3.0, 2.0
STRUCK = (1, 4)
EYE = np.eye(GROUPS, dtype=np.float32)


class Cuts:
    """Cuts of turns of 100 ms; two of eight groups of bands knock at one angle, 6 dB over the noise."""

    def __init__(self, good=LEAST_CUTS, seed=0):
        self.rng, self.level, self.t = np.random.default_rng(seed), KnockLevel(TURN_S, SECTORS), 0.0
        for _ in range(good):
            self.cut()

    def cut(
        self,
        knock_db=lambda s: 0.0,
        noise_db=lambda s: 0.0,
        ring_db=None,
        pause_s=PAUSE_S,
        z=2.5,
        lips=1,
        well_heard=True,
        enters=lambda s: False,
        doubtful=lambda s: False,
    ):
        """Seconds after contact at which it is told; levels over usual ones: of the knock, of the noise of
        all bands and of that of the bands that are struck, all of the same seconds."""
        self.t += pause_s
        self.level.begin()
        usual_db, told = self.rng.normal(0, 0.5), []
        for k in range(round(CUT_S / TURN_S)):
            s = (k + 1) * TURN_S
            noise = np.full(GROUPS, 1e-6 * 10 ** (0.1 * noise_db(s)))
            if ring_db is not None:
                noise[list(STRUCK)] *= 10 ** (0.1 * ring_db(s))
            over = self.rng.normal(0, 0.5, (GROUPS, SECTORS))
            loud = 4e-6 * 10 ** (0.1 * (knock_db(s) + usual_db + self.rng.normal(0, 1)))
            for lip in range(lips):
                over[list(STRUCK), 7 + lip * SECTORS // lips] += loud / noise[list(STRUCK)]
            usual = np.full(GROUPS, 0.5)
            power = noise * (1 + np.maximum(over, 0).mean(axis=1))
            parts = [part.astype(np.float32) for part in (over / usual[:, None], usual, power, noise)]
            turn = Turn(parts[0], parts[1], parts[2], self.t / TURN_S, 1 + 0j, parts[3])
            self.t += TURN_S
            if self.level.step(turn, EYE, 0.0, z, well_heard, enters(s), doubtful(s)) is not None:
                told.append(s)
        self.level.end()
        return told


@pytest.mark.parametrize("db_s", [3.0, 6.0, 12.0])
def test_a_normal_knock_that_grows_is_told_before_it_is_late(db_s):
    """It fills its turn, so that it stands out as far as ever."""
    told = Cuts().cut(lambda s: db_s * s, ring_db=lambda s: db_s * s)
    assert told
    assert LOUDER_DB / db_s - 0.4 < told[0] < 6.0 / db_s + 1.5


def test_it_is_told_where_it_grows_on_after_the_cut_in_which_it_began():
    cuts = Cuts()
    assert not cuts.cut(lambda s: 1.5 * s, pause_s=1.0)
    assert cuts.cut(lambda s: 5.0 + 1.5 * s, pause_s=0.5)


@pytest.mark.parametrize(
    "how",
    [
        {},
        {"knock_db": lambda s: 8 * (s > 1), "noise_db": lambda s: 8 * (s > 1)},  # a louder microphone
        {"knock_db": lambda s: 4 * s, "noise_db": lambda s: 4 * s},  # or harder work
        {"noise_db": lambda s: 6 * s},  # another sound
        {"noise_db": lambda s: -8 * (s > 1)},  # one that lessens: it stands out by so much more
        {"knock_db": lambda s: 8.0},  # so loud from the first: a harder peck or blank
        {"knock_db": lambda s: 15.0 * (round(s / TURN_S) == 15)},  # one loud chip
        {"knock_db": lambda s: 4.0 * (s > 1)},  # less than twice the amplitude
        {"knock_db": lambda s: 6 * s, "z": ALSO_Z - 0.5},  # loud, but hardly in every turn: chips
        {"knock_db": lambda s: 6 * s, "well_heard": False},
        {"knock_db": lambda s: 6 * s, "lips": 2},  # a hard spot, as often as the lips come round
        {"knock_db": lambda s: 6 * s, "doubtful": lambda s: True},  # another machine
        {"knock_db": lambda s: 6 * s, "enters": lambda s: True},
    ],
)
def test_what_is_no_knock_that_grows_is_silent(how):
    assert not any(Cuts(seed=seed).cut(**how) for seed in range(5))


def test_of_what_good_cuts_do_some_have_to_be_heard():
    assert not Cuts(good=LEAST_CUTS - 1).cut(lambda s: 6 * s)


def test_a_cut_that_knocked_teaches_nothing():
    cuts = Cuts()
    for _ in range(MOST_CUTS):
        assert cuts.cut(lambda s: 6 * s)


def test_good_cuts_that_differ_ask_for_more():
    cuts = Cuts(good=0)
    for k in range(12):
        cuts.cut(lambda s, k=k: 5.0 * (k % 3 - 1))
    assert not cuts.cut(lambda s: 5.0 + min(2 * s, 3.0))


def test_a_knock_that_is_normal_and_grows_is_told_though_it_stands_out_no_more(monkeypatch):
    """A machine that knocks in every good cut, and rings on over the turn: cuts of 1.5 s, and a knock that
    grows by 6 dB a second from 42.5 s on."""
    pieces, bands, fine, hz, flutes = 20, 9, 24, 20.0, 2

    def first_told(seed):
        turned = Revolutions(pieces, bands, fine, hz, STEP_S, flutes)
        rule = LooseningRule(turned.sectors, bands, 1, hz, STEP_S, flutes)
        rng = np.random.default_rng(seed)
        for k in range(round(46.0 / STEP_S)):
            t = k * STEP_S
            cutting = t % 2.5 > 1.0
            grown = 10 ** (6.0 * max(t - 42.5, 0.0) / 20)
            sound = rng.standard_normal((2, pieces, bands)) * (2.0 if cutting else 1.0)
            if cutting:
                sound[:, :, [0, 1, 4, 5]] *= math.hypot(1.0, 0.5 * grown)
                sound[0, 6, [0, 1, 4, 5]] += 8.0 * grown
            power = 1e-6 * np.square(sound).sum(axis=0, keepdims=True) / 2
            upper = rng.chisquare(12, (1, fine)).astype(np.float32)
            (turn,) = turned.feed(power.astype(np.float32), upper, [hz])
            (told,) = rule.take([hop(t, turn=turn)], [rotation()], [cutting])
            if told:
                return t, told
        return math.inf, None

    with_it = [first_told(seed) for seed in range(4)]
    assert all(43.0 < t < 45.0 for t, _ in with_it)  # it is twice as loud at 43.5
    assert all("louder than in good cuts" in told.message for _, told in with_it)
    monkeypatch.setattr(KnockLevel, "step", lambda *_: None)
    assert all(first_told(seed)[1] is None for seed in range(4))
