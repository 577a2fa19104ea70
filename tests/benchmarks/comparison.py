"""Beside what someone would try first: error and time of each method on the same signals."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tests.benchmarks.accuracy import baseline_of
from tests.benchmarks.others import FRAME, HOP, METHODS
from tests.benchmarks.signals import FS, MAINS_HZ, Lines, Workshop, draw_lines
from tests.hearing import track_speed

SECONDS = 4.0
FREE_S, SAGGED_S = (0.4, 1.0), (1.7, 4.0)  # steady parts; the 0.2 s frame lies inside


@dataclass(frozen=True)
class Signal:
    x: np.ndarray
    lines: Lines
    density: np.ndarray
    ratio: float
    fixed_hz: tuple[float, ...]


@dataclass(frozen=True)
class Row:
    """Errors of the relative speed, per cent; ``over_1_pct`` is the share of frames above 1 %."""

    method: str
    rms_pct: float
    median_pct: float
    over_1_pct: float
    times_real_time: float


def _sagging(lines: Lines, ratio: float) -> np.ndarray:
    t = np.arange(int(SECONDS * FS)) / FS
    speed = np.interp(t, [0, 1.0, 1.4, SECONDS], [1, 1, ratio, ratio])
    return lines.at(np.cumsum(speed) * lines.spindle_hz / FS)


def clean_harmonics(rng: np.random.Generator, snr_db: float) -> Signal:
    """Eight harmonics of one line at 24 orders in white noise: the case a pitch tracker is made for."""
    k = np.arange(1, 9)
    lines = Lines(rng.uniform(8, 20), 24.0 * k, 1.0 / k, rng.uniform(0, 2 * np.pi, k.size))
    variance = lines.power / 10 ** (snr_db / 10)
    ratio = 1 - rng.uniform(0, 0.12)
    x = _sagging(lines, ratio)
    x += np.sqrt(variance) * rng.standard_normal(x.size)
    return Signal(x, lines, np.full(k.size, 2 * variance / FS), ratio, ())


def machine_with_hum(rng: np.random.Generator, snr_db: float) -> Signal:
    """Five lines at random orders, mains hum as strong as a line, coloured noise and crackle."""
    workshop = Workshop()
    lines = draw_lines(rng, MAINS_HZ)
    variance = lines.power / 10 ** (snr_db / 10)
    ratio = 1 - rng.uniform(0, 0.12)
    x = _sagging(lines, ratio)
    x += np.sqrt(variance) * workshop.draw(rng, x.size)
    x += np.sqrt(lines.power / lines.orders.size) * workshop.hum(rng, x.size)
    density = variance * workshop.density(lines.orders * lines.spindle_hz)
    return Signal(x, lines, density, ratio, MAINS_HZ)


SIGNALS: dict[str, Callable[[np.random.Generator, float], Signal]] = {
    "clean harmonics, white noise": clean_harmonics,
    "machine at random orders, hum, crackle": machine_with_hum,
}


def compare(kind: str, snr_db: float, draws: int, seed: int = 0) -> list[Row]:
    """Each method on the same drawn signals."""
    errors: dict[str, list[float]] = {name: [] for name in ("spindlebell", *METHODS)}
    seconds = dict.fromkeys(errors, 0.0)
    for name in METHODS:  # compile and load outside the timing
        METHODS[name](np.random.default_rng(0).standard_normal(int(FS)), FS, 200.0, 400.0)
    rng = np.random.default_rng([seed, 8, int(snr_db) + 100])
    for _ in range(draws):
        made = SIGNALS[kind](rng, snr_db)
        strongest = made.lines.orders[made.lines.amplitudes.argmax()] * made.lines.spindle_hz
        for name, method in METHODS.items():
            start = time.process_time()
            pitch = method(made.x, FS, 0.8 * strongest, 1.2 * strongest)
            seconds[name] += time.process_time() - start
            errors[name] += _errors((np.arange(pitch.size) * HOP + FRAME) / FS, pitch, made.ratio)
        scale = 0.05 / np.sqrt(made.lines.power)
        scaled = Lines(
            made.lines.spindle_hz, made.lines.orders, made.lines.amplitudes * scale, made.lines.phases
        )
        rpm = made.lines.spindle_hz * 60
        baseline = baseline_of(scaled, made.density * scale**2, rpm, made.fixed_hz)
        start = time.process_time()
        times, heard = track_speed(made.x * scale, FS, baseline, (rpm,))
        seconds["spindlebell"] += time.process_time() - start
        errors["spindlebell"] += _errors(times, heard.spindle_hz, made.ratio)
    return [
        Row(
            name, float(np.sqrt(np.mean(np.square(e)))), float(np.median(e)),
            float(np.mean(np.array(e) > 1)), draws * SECONDS / seconds[name],
        )
        for name, e in errors.items()
    ]  # fmt: skip


def _errors(times: np.ndarray, speed: np.ndarray, ratio: float) -> list[float]:
    """Per cent, relative speed against the method's own free-running median; no answer counts as 100 %."""
    free = (
        np.nanmedian(speed[(times > FREE_S[0]) & (times <= FREE_S[1])])
        if np.isfinite(speed).any()
        else np.nan
    )
    sagged = speed[(times > SAGGED_S[0]) & (times <= SAGGED_S[1])]
    error = 100 * np.abs(sagged / free / ratio - 1)
    return [float(min(e, 100.0)) for e in np.where(np.isfinite(error), error, 100.0)]
