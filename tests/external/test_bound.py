"""The Cramer-Rao bound of monitor.signal.refine against published numbers and a numerical Fisher matrix.

Sources: D. C. Rife and R. R. Boorstyn, "Single tone parameter estimation from discrete-time
observations", IEEE Trans. Inf. Theory 20 (1974) 591-598 (formula from memory; real tone, amplitude
and phase unknown); M. G. Christensen and A. Jakobsson, *Multi-Pitch Estimation* (2009), asymptotic
bound of the fundamental of a harmonic signal (from memory). The numbers were computed from those
formulae, and the Fisher matrix is built here from the signal's own derivatives.
"""

import math

import numpy as np
import pytest

from monitor.signal.refine import speed_bound

pytestmark = pytest.mark.external


def fisher_sd(fs, n, orders, amplitudes, phases, spindle_hz, noise_var):
    """sd of spindle_hz from the inverse Fisher matrix of all 1 + 2K unknowns (nothing approximated)."""
    t = (np.arange(n) - (n - 1) / 2) / fs
    angle = 2 * np.pi * np.outer(np.asarray(orders) * spindle_hz, t) + np.asarray(phases)[:, None]
    amplitudes = np.asarray(amplitudes)[:, None]
    d_speed = -(amplitudes * np.sin(angle) * 2 * np.pi * np.asarray(orders)[:, None] * t).sum(0)
    jacobian = np.vstack([d_speed, np.cos(angle), -amplitudes * np.sin(angle)])
    return math.sqrt(np.linalg.inv(jacobian @ jacobian.T / noise_var)[0, 0])


def test_one_real_tone_rife_and_boorstyn():
    # 16 kHz, 4096 samples, amplitude 1 in noise of variance 1/2: eta = A^2 / 2 sigma^2 = 1 (0 dB).
    published = 16_000 / (2 * math.pi) * math.sqrt(12 / (1.0 * 4096 * (4096**2 - 1)))
    assert published == pytest.approx(0.03365, abs=5e-6)
    assert speed_bound(16_000, 4096, [1.0], [1.0], 0.5) == pytest.approx(published, rel=1e-6)
    assert fisher_sd(16_000, 4096, [1.0], [1.0], [0.3], 1000.0, 0.5) == pytest.approx(0.03364, abs=1.5e-5)


def test_harmonic_signal_christensen_and_jakobsson():
    orders, amplitudes = [1, 2, 3, 4], [1.0, 0.5, 0.3, 0.2]
    weight = sum((o * a) ** 2 for o, a in zip(orders, amplitudes, strict=True))
    published = 16_000 / (2 * math.pi) * math.sqrt(24 * 0.5 / (4096 * (4096**2 - 1) * weight))
    assert published == pytest.approx(0.01812, abs=5e-6)
    assert speed_bound(16_000, 4096, orders, amplitudes, 0.5) == pytest.approx(published, rel=1e-6)


def test_the_formula_is_the_fisher_matrix_where_lines_are_well_separated():
    rng = np.random.default_rng(1974)
    for _ in range(20):
        k = rng.integers(1, 7)
        orders = np.sort(rng.uniform(10, 60, k))
        while k > 1 and np.min(np.diff(orders)) < 4:
            orders = np.sort(rng.uniform(10, 60, k))
        amplitudes, phases = rng.uniform(0.2, 1.0, k), rng.uniform(0, 2 * np.pi, k)
        exact = fisher_sd(12_000, 4800, orders, amplitudes, phases, 15.0, 0.3)
        assert speed_bound(12_000, 4800, orders, amplitudes, 0.3) == pytest.approx(exact, rel=0.01)


def test_a_line_at_sixty_orders_is_worth_3600_at_one():
    one = speed_bound(12_000, 2400, [1.0], [1.0], 0.1)
    sixty = speed_bound(12_000, 2400, [60.0], [1.0], 0.1)
    assert (one / sixty) ** 2 == pytest.approx(3600, rel=1e-9)
