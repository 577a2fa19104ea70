"""Run lengths of the cumulative sum against published tables, simulation, and the asymptotics.

Tables: average run lengths for drift 1/2 as in textbooks of statistical process control (Montgomery;
from memory, and agreeing with an independent computation).
"""

import math

import numpy as np
import pytest

from monitor.signal.cusum import Cusum, run_length, siegmund_run_length

pytestmark = pytest.mark.external

TABLE = [  # threshold, shift, one-sided run length
    (4, 0.0, 335.4), (4, 1.0, 8.38), (4, 2.0, 3.34),
    (5, 0.0, 930.9), (5, 1.0, 10.38), (5, 2.0, 4.01),
]  # fmt: skip


@pytest.mark.parametrize(("threshold", "shift", "expected"), TABLE)
def test_exact_run_lengths(threshold, shift, expected):
    assert run_length(shift, 0.5, threshold) == pytest.approx(expected, abs=0.006 if shift else 0.06)


@pytest.mark.parametrize(("threshold", "expected"), [(4, 167.7), (5, 465.4)])
def test_two_sides_halve_the_run_length(threshold, expected):
    assert run_length(0, 0.5, threshold) / 2 == pytest.approx(expected, abs=0.06)


def test_siegmunds_approximation():
    assert siegmund_run_length(0, 0.5, 4) == pytest.approx(338.1, abs=0.06)
    assert siegmund_run_length(1, 0.5, 4) == pytest.approx(8.34, abs=0.006)


def test_brook_and_evans_chain_converges_to_the_integral_equation():
    """The sum on m + 1 cells as a Markov chain; refined by Richardson's extrapolation in 1/m squared."""

    def chain(m):
        width = 2 * 4.0 / (2 * m + 1)
        cell = np.arange(m + 1)
        edges = (cell[None, :] - cell[:, None] + 0.5) * width + 0.5
        below = 0.5 * (1 + np.vectorize(math.erf)(edges / math.sqrt(2)))
        step = np.diff(below, axis=1, prepend=0.0)  # the first cell takes all that falls below zero
        return np.linalg.solve(np.eye(m + 1) - step, np.ones(m + 1))[0]

    refined = (4 * chain(200) - chain(100)) / 3
    assert refined == pytest.approx(run_length(0, 0.5, 4), rel=2e-4)


@pytest.mark.parametrize("shift", [0.0, 1.0, 2.0])
def test_simulation(shift):
    rng = np.random.default_rng(int(10 * shift))
    lengths = []
    for _ in range(400 if shift == 0 else 2000):
        rise, n = Cusum(0.5, 4.0), 1
        while not rise.step(rng.standard_normal() + shift):
            n += 1
        lengths.append(n)
    error = np.std(lengths) / math.sqrt(len(lengths))
    assert abs(np.mean(lengths) - run_length(shift, 0.5, 4.0)) < 3.5 * error


@pytest.mark.parametrize("shift", [0.5, 1.0, 2.0])
def test_delay_tends_to_the_first_order_asymptote(shift):
    """Lorden 1971, Moustakides 1986: delay over log(run length) / (Kullback-Leibler number) tends to 1.

    An asymptote, no finite bound: at a run length of 336 the true delay is well below it. So only that it
    comes ever nearer as false alarms grow rarer.
    """

    def ratio(length, nats):
        delay = length(shift, shift / 2, nats / shift)
        return delay / (math.log(length(0, shift / 2, nats / shift)) / (shift**2 / 2))

    off = [abs(ratio(run_length, nats) - 1) for nats in (4, 8, 12, 16, 20)]  # sums of log likelihood ratios
    assert off == sorted(off, reverse=True)
    assert off[-1] < 0.15
    assert abs(ratio(siegmund_run_length, 300.0) - 1) < 0.02  # e^300 is beyond the exact solution's digits
