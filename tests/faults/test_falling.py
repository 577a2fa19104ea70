"""A fall that no hop tells by itself, told by all of them along its course."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from monitor.faults.sag import SagRule
from monitor.measurements import Severity
from monitor.signal.speed import Between
from tests.hops import SPINDLE_HZ, hop, rotation, times, work

GRID_HZ = np.geomspace(0.35 * SPINDLE_HZ, 1.25 * SPINDLE_HZ, 425)
CUT = work(working=True, loaded=True, loud=True, sure=True, cut_s=0.0, contact_s=0.0, cut_sag=0.01)
LAG_S = 0.05
CUT_SAG, FALLS_S = 0.01, 1.5
NATS, NOISE = 3.0, 1.2


def heard_s(course, *, seed=1, seconds=2.5, mean=-0.7, at=CUT, chance=0.3, astray=False, tones=None):
    """When a hold is found of lines that give ``NATS`` a hop at ``course`` and ``mean`` elsewhere.

    ``tones``: sag at which tones of another sound seem to be lines of the spindle, at a time.
    """
    rng = np.random.default_rng(seed)
    rule = SagRule(4.0, 8.0, LAG_S)
    for t in times(seconds):
        scores = rng.normal(mean, NOISE, GRID_HZ.size)
        if course is not None:
            near = np.abs(np.log(GRID_HZ / (SPINDLE_HZ * (1 - course(t - LAG_S))))) < 0.006
            scores[near] += NATS - mean
        if tones is not None:
            scores[np.abs(np.log(GRID_HZ / (SPINDLE_HZ * (1 - tones(t))))) < 0.006] += 2 * NATS
        said = SimpleNamespace(posterior=np.zeros((1, 1)), scores=scores[None].astype(np.float32))
        between = Between(GRID_HZ.tolist(), said)
        between.probability = lambda *_: chance
        # the speed is not known: confidence 0.3, and no sag of it
        now = replace(
            hop(t, confidence=0.3, audible=1.5, running=0.99, spindle_hz=0.99 * SPINDLE_HZ), between=between
        )
        found = rule.step(now, rotation(sag=np.nan), at, astray, not astray, t)
        if found and found.severity is Severity.HOLD:
            return t
    return np.inf


def fall(rate):
    return lambda t: CUT_SAG + rate * max(t - FALLS_S, 0.0)


@pytest.mark.parametrize("rate", [0.12, 0.2, 0.3])
@pytest.mark.parametrize("seed", range(3))
def test_a_fall_in_the_noise_is_told_before_it_is_half_over_the_limit(rate, seed):
    told_s = heard_s(fall(rate), seed=seed)
    assert fall(rate)(told_s) < 0.12
    assert told_s > FALLS_S


@pytest.mark.parametrize(
    "course",
    [
        fall(0.0),
        lambda t: 0.035,
        lambda t: 0.055,
        lambda t: 0.01 - 0.3 * max(t - 1.5, 0.0),
        lambda t: 0.2,
        None,
    ],
    ids=["steady", "loaded", "loaded more", "rises", "a tone far below", "drowned"],
)
@pytest.mark.parametrize("seed", range(5))
def test_what_does_not_fall_from_the_speed_of_the_cut_is_not_told(course, seed):
    assert heard_s(course, seed=seed) == np.inf


def test_no_spindle_falls_to_where_a_tone_was_before():
    """Its own lines drown, and chance leads to the tone of another sound."""
    told_s = heard_s(fall(0.2))
    there = fall(0.2)(told_s - LAG_S)
    assert heard_s(fall(0.2), seconds=told_s, tones=lambda t: there if t > FALLS_S else np.nan) == told_s
    assert heard_s(fall(0.2), seconds=told_s, tones=lambda t: there if t > 1.0 else np.nan) == np.inf


def test_peaks_everywhere_tell_nothing():
    assert heard_s(fall(0.2), mean=0.5) == np.inf


@pytest.mark.parametrize(
    "otherwise",
    [
        {"at": replace(CUT, sure=False)},
        {"chance": 0.0},
        {"astray": True},
    ],
    ids=["no peck of the program", "surely at its speed", "lines in their places"],
)
def test_it_is_asked_only_where_a_peck_is_under_way_and_the_speed_unsure(otherwise):
    assert heard_s(fall(0.2), **otherwise) == np.inf


@pytest.mark.parametrize("cut_sag", [0.15, 0.3])
def test_cuts_that_load_the_spindle_by_much_are_judged_too(cut_sag):
    """The steepest course of a second would lead below standstill from there."""
    at = replace(CUT, cut_sag=cut_sag)
    assert heard_s(lambda t: cut_sag, at=at) == np.inf


def test_a_fall_is_told_before_it_is_known_what_cuts_load():
    at = replace(CUT, cut_sag=np.nan)
    assert fall(0.2)(heard_s(lambda t: fall(0.2)(t) - CUT_SAG, at=at)) < 0.13
