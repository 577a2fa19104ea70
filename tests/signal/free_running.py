"""A free-running spindle of the plainest kind: lines, fixed tones, wander, coloured noise."""

from __future__ import annotations

import numpy as np
from scipy import signal

ORDERS = {8.0: 1.0, 16.0: 0.5, 23.3: 0.6, 46.6: 0.3, 71.2: 0.4}  # order -> amplitude
FIXED = {50.0: 0.5, 150.0: 0.3, 2730.0: 0.4}  # Hz -> amplitude


def free_run(
    rpm, seed, *, fs=16000, seconds=12.0, snr_db=10.0, orders=ORDERS, fixed=FIXED, wander=0.002, speed=None
):
    """Sound (n,) at full scale 1; ``speed`` (n,) is the rotation in rpm, else ``rpm`` with wander.

    ``snr_db`` is the power of the turning lines over that of all noise. The wander is noise below
    1 Hz with the given rms and mean 0.
    """
    rng = np.random.default_rng(seed)
    n = int(fs * seconds)
    t = np.arange(n) / fs
    if speed is None:
        slow = np.convolve(rng.standard_normal(int(10 * seconds) + 20), np.hanning(11), "valid")
        slow = np.interp(t, np.arange(slow.size) / 10, slow)
        speed = rpm * (1 + wander * (slow - slow.mean()) / slow.std())
    turns = np.cumsum(speed / 60) / fs
    lines = np.zeros(n)
    for order, amplitude in orders.items():
        lines += amplitude * np.cos(2 * np.pi * order * turns + rng.uniform(0, 2 * np.pi))
    noise = signal.lfilter([1], [1, -0.8], rng.standard_normal(n))
    noise *= np.sqrt(np.mean(lines**2) * 10 ** (-snr_db / 10)) / noise.std()
    tones = sum(a * np.cos(2 * np.pi * hz * t + rng.uniform(0, 2 * np.pi)) for hz, a in fixed.items())
    return 0.05 * (lines + tones + noise)
