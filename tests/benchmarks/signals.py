"""Drawn test signals of the benchmarks: lines at random orders in white or coloured noise.

Nothing here is shared with the product, so that the product is not measured by its own model.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import signal

FS = 12_000.0
N = 2400  # 0.2 s
N_LINES = 5


@dataclass(frozen=True)
class Lines:
    """Lines locked to one spindle: x(t) = sum A cos(2 pi order turns(t) + phase)."""

    spindle_hz: float
    orders: np.ndarray
    amplitudes: np.ndarray
    phases: np.ndarray

    @property
    def power(self) -> float:
        return float(self.amplitudes @ self.amplitudes / 2)

    def at(self, turns: np.ndarray) -> np.ndarray:
        angle = 2 * np.pi * self.orders[:, None] * turns + self.phases[:, None]
        return (self.amplitudes[:, None] * np.cos(angle)).sum(0)


def draw_lines(rng: np.random.Generator, avoid_hz: np.ndarray | tuple[float, ...] = ()) -> Lines:
    """Five lines of a spindle at 480 to 1800 rpm: random orders 5 to 80, 12 dB of levels, random phases.

    Lines lie within 60 to 5000 Hz, 25 Hz apart (5 resolution widths of 0.2 s: the bound's formula
    supposes lines well apart), and 10 Hz from every frequency in ``avoid_hz``.
    """
    while True:
        spindle_hz = rng.uniform(8, 30)
        orders = np.sort(rng.uniform(5, 80, N_LINES))
        hz = orders * spindle_hz
        apart = np.min(np.diff(hz)) > 25 and hz[0] > 60 and hz[-1] < 5000
        if apart and all(np.min(np.abs(hz - f)) > 10 for f in avoid_hz):
            break
    amplitudes = 10 ** rng.uniform(-0.3, 0.3, N_LINES)
    return Lines(spindle_hz, orders, amplitudes, rng.uniform(0, 2 * np.pi, N_LINES))


def centred_time(n: int = N, fs: float = FS) -> np.ndarray:
    return (np.arange(n) - (n - 1) / 2) / fs


MAINS_HZ = (60.0, 120.0, 180.0, 300.0, 420.0)
CLICKS_PER_S = 40
CRACKLE_SHARE = 0.3  # of the noise power
OWN_NOISE = 0.003  # the microphone's own white noise, 25 dB under the rest at low frequencies


class Workshop:
    """Coloured noise of unit power with crackle, and mains hum.

    Gaussian noise falling 6 dB an octave above 300 Hz, with the microphone's own white noise; crackle, 40
    clicks a second of exponential amplitude through one body resonance at 1900 Hz. ``density(f)`` is the
    one-sided power density of noise and crackle together. The Gaussian bound with that density is not
    lower than the bound of noise whose clicks could be told apart, so the ratio to it is not flattered.
    """

    def __init__(self) -> None:
        self._low = signal.butter(1, 300, fs=FS, output="sos")
        self._body = signal.tf2sos(*signal.iirpeak(1900, 6, fs=FS))
        self._hz = np.linspace(0, FS / 2, 1 << 14)
        smooth = np.abs(signal.sosfreqz(self._low, self._hz, fs=FS)[1]) ** 2 + OWN_NOISE
        body = np.abs(signal.sosfreqz(self._body, self._hz, fs=FS)[1]) ** 2
        smooth_power, body_power = (np.trapezoid(s, self._hz) / (FS / 2) for s in (smooth, body))
        click_power = CLICKS_PER_S * 2 / FS  # rate times mean square amplitude, per sample
        self._smooth_gain = np.sqrt((1 - CRACKLE_SHARE) / smooth_power)
        self._crackle_gain = np.sqrt(CRACKLE_SHARE / (click_power * body_power))
        unit = (1 - CRACKLE_SHARE) * smooth / smooth_power + CRACKLE_SHARE * body / body_power
        self._density = unit / (FS / 2)

    def density(self, hz: np.ndarray) -> np.ndarray:
        return np.interp(hz, self._hz, self._density)

    def draw(self, rng: np.random.Generator, n: int = N) -> np.ndarray:
        """Noise and crackle of unit power on average, shape (n,)."""
        settle = 1200
        total = n + settle
        smooth = signal.sosfilt(self._low, rng.standard_normal(total))
        smooth += np.sqrt(OWN_NOISE) * rng.standard_normal(total)
        clicks = np.zeros(total)
        count = rng.poisson(CLICKS_PER_S * total / FS)
        signs = rng.choice([-1, 1], count)
        np.add.at(clicks, rng.integers(0, total, count), rng.exponential(1, count) * signs)
        crackle = signal.sosfilt(self._body, clicks)
        return (self._smooth_gain * smooth + self._crackle_gain * crackle)[settle:]

    def hum(self, rng: np.random.Generator, n: int = N) -> np.ndarray:
        """Mains tones, each of power 1, shape (n,)."""
        angle = 2 * np.pi * np.outer(MAINS_HZ, centred_time(n)) + rng.uniform(
            0, 2 * np.pi, (len(MAINS_HZ), 1)
        )
        return np.sqrt(2) * np.cos(angle).sum(0)
