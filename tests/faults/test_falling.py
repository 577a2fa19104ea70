"""A fall that no hop tells by itself, told by all of them along its course."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from monitor.faults.sag import SagRule
from monitor.measurements import Severity
from monitor.signal.speed import Between
from tests.hops import SPINDLE_HZ, STEP_S, hop, rotation, times, work

GRID_HZ = np.geomspace(0.35 * SPINDLE_HZ, 1.25 * SPINDLE_HZ, 425)
CUT = work(working=True, loaded=True, loud=True, sure=True, cut_s=0.0, contact_s=0.0, cut_sag=0.01)
LAG_S = 0.05
CUT_SAG, FALLS_S = 0.01, 1.5
NATS, NOISE = 3.0, 1.2
N_FINE, DEPTH, SPREAD = 24, 0.5, 0.6  # of the log power, as a third of the amplitude makes it


def heard_s(
    course,
    *,
    seed=1,
    seconds=2.5,
    mean=-0.7,
    at=CUT,
    chance=0.3,
    astray=False,
    tones=None,
    beat=None,
    level=lambda t: 0.0,
    hold_pct=8.0,
):
    """When a hold is found of lines that give ``NATS`` a hop at ``course`` and ``mean`` elsewhere.

    ``tones``: sag at which tones of another sound seem to be lines of the spindle, at a time. ``beat``: sag
    at which the cut, ``level`` nepers louder than usual, beats as its two lips come round.
    """
    rng, cut_rng = np.random.default_rng(seed), np.random.default_rng(100 + seed)
    rule = SagRule(4.0, hold_pct, LAG_S)
    turns = 0.0
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
        levels = np.full(N_FINE, level(t))
        if beat is not None:
            pieces = t - STEP_S + STEP_S / N_FINE * (np.arange(N_FINE) + 0.5)
            hz = SPINDLE_HZ * (1 - np.array([beat(one) for one in pieces]))
            phase = turns + np.cumsum(hz) * STEP_S / N_FINE
            turns = phase[-1]
            levels = levels + DEPTH * np.cos(4 * np.pi * phase) + SPREAD * cut_rng.standard_normal(N_FINE)
        # the speed is not known: confidence 0.3, and no sag of it
        now = replace(
            hop(t, confidence=0.3, audible=1.5, running=0.99, spindle_hz=0.99 * SPINDLE_HZ),
            between=between,
            levels=levels.astype(np.float32),
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
    """The fastest within a hop of that."""
    told_s = heard_s(fall(rate), seed=seed)
    assert fall(rate)(told_s) < 0.12 + 0.05 * rate
    assert told_s > FALLS_S


@pytest.mark.parametrize("per_s2", [0.4, 0.6])
@pytest.mark.parametrize("seed", range(3))
def test_so_is_one_that_gets_faster_and_faster(per_s2, seed):
    """A load that grows steadily slows a spindle with the square of the time, until inertia has let it."""
    course = lambda t: CUT_SAG + per_s2 * max(t - FALLS_S, 0.0) ** 2  # noqa: E731
    assert course(heard_s(course, seed=seed)) < 0.12


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
    told_s = heard_s(fall(0.3))
    there = fall(0.3)(told_s - LAG_S)
    assert heard_s(fall(0.3), seconds=told_s, tones=lambda t: there if t > FALLS_S else np.nan) <= told_s
    assert heard_s(fall(0.3), seconds=told_s, tones=lambda t: there if t > 1.0 else np.nan) == np.inf


def test_peaks_everywhere_tell_nothing():
    assert heard_s(fall(0.2), mean=0.5) == np.inf


@pytest.mark.parametrize("seed", range(120, 128))
def test_the_best_of_many_courses_in_noise_is_none(seed):
    """Peaks of a noise that is hardly against any speed: of one course, 6 nats would be enough."""
    assert heard_s(None, seed=seed, seconds=6.0, mean=-0.4) == np.inf


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


@pytest.mark.parametrize("rate", [0.3, 0.6])
def test_where_no_line_is_heard_the_beat_of_the_cut_tells_the_fall(rate):
    """In four of five cuts: what beat and noise together say of a steady speed differs by some nats."""
    told_s = [heard_s(None, seed=seed, beat=fall(rate)) for seed in range(5)]
    assert min(told_s) > FALLS_S
    assert sum(each < FALLS_S + (0.08 - CUT_SAG) / rate + 0.45 for each in told_s) >= 4


@pytest.mark.parametrize(
    "course",
    [
        fall(0.0),
        lambda t: min(fall(0.2)(t), 0.06),
        lambda t: 0.01 - 0.3 * max(t - 1.5, 0.0),
        lambda t: 0.01 + 0.004 * np.sin(5 * t),
        lambda t: 0.2,
    ],
    ids=["steady", "loaded", "rises", "wanders", "another beat far below"],
)
@pytest.mark.parametrize("seed", range(5))
def test_a_beat_that_does_not_fall_beyond_the_limit_is_not_told(course, seed):
    assert heard_s(None, seed=seed, beat=course) == np.inf


@pytest.mark.parametrize("seed", range(3))
def test_lines_at_their_speed_outweigh_a_beat_that_falls(seed):
    """Another sound may beat too."""
    assert heard_s(fall(0.0), seed=seed, beat=fall(0.3)) == np.inf


@pytest.mark.parametrize("seed", range(3))
def test_a_drill_that_is_drawn_out_does_not_fall(seed):
    """Nor do lines that are heard to fall a moment earlier need the beat of a cut that has died away."""
    dies = {"level": lambda t: -4.0 * max(t - FALLS_S, 0.0) / 0.3}
    assert heard_s(None, seed=seed, beat=fall(0.0), **dies) == np.inf
    assert heard_s(fall(0.2), seed=seed, **dies) < np.inf


def test_a_beat_along_the_fall_tells_it_sooner_than_the_lines_alone():
    """Of six, none later than a hop."""
    alone_s = np.array([heard_s(fall(0.2), seed=seed) for seed in range(6)])
    both_s = np.array([heard_s(fall(0.2), seed=seed, beat=fall(0.2)) for seed in range(6)])
    assert np.mean(both_s) <= np.mean(alone_s)
    assert (both_s <= alone_s + 1.01 * STEP_S).all()


@pytest.mark.parametrize("seed", range(4))
def test_of_a_deep_limit_a_load_short_of_it_is_none(seed):
    """Steady speeds are held against falls up to whatever limit a job gives."""

    def loaded(t):
        return min(fall(0.15)(t), 0.15)

    assert heard_s(loaded, seed=seed, hold_pct=20.0, beat=loaded) == np.inf
    assert np.isfinite(heard_s(fall(0.3), seed=seed, hold_pct=20.0))
