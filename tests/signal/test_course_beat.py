"""The beat of a cut along courses of the speed: the course that it took has the most of it."""

import numpy as np
import pytest

from monitor.signal.course_beat import EXPECTED, CourseBeat

STEP_S, PIECES, HZ, DEEPEST = 1 / 480, 480, 15.0, 0.4
BEFORE_S = STEP_S * (np.arange(PIECES)[::-1] + 0.5)
RATES = np.array([-0.4, -0.2, 0.0, 0.1, 0.2, 0.4, 0.8])
SAGS = np.minimum(RATES[:, None] * np.maximum(0.4 - BEFORE_S, 0.0), DEEPEST)  # begun 0.4 s ago


def heard(rate, *, depth=0.5, noise=0.6, slow=0.0, seed=1, order=2, hz=HZ):
    """Log power of a cut whose lips come round along a fall of this rate."""
    turns = np.cumsum(1 - np.minimum(rate * np.maximum(0.4 - BEFORE_S, 0.0), DEEPEST)) * STEP_S * hz
    drift = slow * np.linspace(-1, 1, PIECES) ** 2
    rng = np.random.default_rng(seed)
    return depth * np.cos(2 * np.pi * order * turns) + noise * rng.standard_normal(PIECES) + drift - 9.0


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("order", [1, 2])
def test_the_course_taken_has_most_of_the_beat(rate, order):
    """As much as is in it: half the depth squared, times the pieces, over twice the noise."""
    nats = CourseBeat(2, SAGS, STEP_S, DEEPEST).nats(heard(rate, order=order), HZ)
    assert RATES[nats.argmax()] == rate
    power = PIECES * 0.5**2 / 4 / (0.6**2 + 0.5**2 / 2)
    assert nats.max() == pytest.approx(power * EXPECTED / (1 + EXPECTED), rel=0.35)


def test_noise_beats_along_no_course():
    beat = CourseBeat(2, SAGS, STEP_S, DEEPEST)
    most = [beat.nats(heard(0.2, depth=0.0, seed=seed), HZ).max() for seed in range(200)]
    assert np.mean(np.array(most) > 9.0) < 0.02


def test_a_cut_that_gets_louder_beats_no_more_for_it():
    beat = CourseBeat(2, SAGS, STEP_S, DEEPEST)
    plain, louder = beat.nats(heard(0.2), HZ), beat.nats(heard(0.2, slow=1.5), HZ)
    assert louder == pytest.approx(plain, rel=0.1, abs=1.0)


def test_the_newest_pieces_alone_tell_less_and_the_same():
    beat, levels = CourseBeat(2, SAGS, STEP_S, DEEPEST), heard(0.8)
    part, whole = beat.nats(levels[-300:], HZ), beat.nats(levels, HZ)
    assert RATES[part.argmax()] == 0.8
    assert part.max() < whole.max()


def test_a_beat_as_slow_as_the_cut_rises_and_falls_tells_nothing():
    assert not CourseBeat(1, SAGS, STEP_S, DEEPEST).nats(heard(0.2, hz=6.0, order=1), 6.0).any()


def test_what_it_says_does_not_depend_on_what_it_was_asked_before():
    """Tables of many speeds are made, and the oldest forgotten."""
    beat, levels = CourseBeat(2, SAGS, STEP_S, DEEPEST), heard(0.2)
    first = beat.nats(levels, HZ)
    for k in range(30):
        beat.nats(levels, HZ * 1.01**k)
    assert (beat.nats(levels, HZ) == first).all()


@pytest.mark.parametrize("hz", [HZ, 60.0])
def test_it_is_the_chirp_periodogram_of_the_levels(hz):
    """Reckoned anew in double precision, for the speed that the table is made for."""
    levels = heard(0.2, hz=hz)
    step = 0.0025
    turns = np.cumsum(1 - SAGS, axis=1) * STEP_S * np.exp(step * round(np.log(hz) / step))
    slow = np.polynomial.Polynomial.fit(np.arange(PIECES), levels, 5)(np.arange(PIECES))
    beats = levels - slow
    power = [np.abs(np.exp(-2j * np.pi * order * turns) @ beats) ** 2 for order in (1, 2)]
    expected = EXPECTED / (1 + EXPECTED) * np.sum(power, axis=0) / (beats @ beats)
    assert CourseBeat(2, SAGS, STEP_S, DEEPEST).nats(levels, hz) == pytest.approx(
        expected, rel=1e-3, abs=1e-3
    )
