"""Speed error against the Cramer-Rao bound: refinement alone, and search with refinement."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.baseline import BASELINE_VERSION, Baseline, Line, LineClass
from monitor.signal.refine import refine_speed, speed_bound
from monitor.signal.spectrum import band_floor, power_density, spectrum_geometry, spread_floor, to_db
from monitor.signal.speed import SpeedTracker
from tests.benchmarks.signals import FS, MAINS_HZ, Lines, N, Workshop, centred_time, draw_lines

GUESS = 0.003  # relative error of the guess handed to the refinement: one step of the search grid
OUTLIER = (
    0.005  # relative: half a per cent is beyond any refinement error at these SNRs, and not yet a false sag
)
USABLE_HZ = 5040.0


@dataclass(frozen=True)
class Accuracy:
    """Root-mean-square error over the bound, all draws; and the share of outliers among them."""

    snr_db: float
    ratio: float
    ratio_inliers: float
    outliers: float
    bound_pct: float
    draws: int


def _summary(snr_db: float, z: np.ndarray, bound_pct: np.ndarray) -> Accuracy:
    inlier = np.abs(z) * bound_pct / 100 < OUTLIER
    ratio = float(np.sqrt(np.mean(z**2)))
    ratio_inliers = float(np.sqrt(np.mean(z[inlier] ** 2))) if inlier.any() else float("nan")
    return Accuracy(
        snr_db, ratio, ratio_inliers, float(1 - inlier.mean()), float(np.median(bound_pct)), z.size
    )


def white(snr_db: float, draws: int, seed: int = 0) -> Accuracy:
    """Five known lines, 0.2 s, white noise, full-band SNR; the guess is off by up to 0.3 %."""
    rng = np.random.default_rng([seed, 1, int(snr_db) + 100])
    z, bound_pct = np.empty(draws), np.empty(draws)
    for i in range(draws):
        lines = draw_lines(rng)
        variance = lines.power / 10 ** (snr_db / 10)
        x = lines.at(lines.spindle_hz * centred_time()) + np.sqrt(variance) * rng.standard_normal(N)
        guess = lines.spindle_hz * (1 + rng.uniform(-GUESS, GUESS))
        got = refine_speed(x[None], FS, lines.orders, np.array([guess])).spindle_hz[0]
        bound = speed_bound(FS, N, lines.orders, lines.amplitudes, variance)
        z[i], bound_pct[i] = (got - lines.spindle_hz) / bound, 100 * bound / lines.spindle_hz
    return _summary(snr_db, z, bound_pct)


def coloured(snr_db: float, draws: int, seed: int = 0) -> Accuracy:
    """The same in a workshop: noise falling with frequency, crackle, hum as strong as a line.

    SNR is line power over noise and crackle. The floor is estimated from the same 0.2 s, as the
    product does it. The bound takes the true noise density at each line.
    """
    rng = np.random.default_rng([seed, 2, int(snr_db) + 100])
    workshop = Workshop()
    geometry = spectrum_geometry(FS, N, USABLE_HZ)
    bins = np.arange(geometry.n_bins) * geometry.bin_hz
    z, bound_pct = np.empty(draws), np.empty(draws)
    for i in range(draws):
        lines = draw_lines(rng, MAINS_HZ)
        variance = lines.power / 10 ** (snr_db / 10)
        hum = np.sqrt(lines.power / lines.orders.size) * workshop.hum(rng)
        x = (
            lines.at(lines.spindle_hz * centred_time())
            + np.sqrt(variance) * workshop.draw(rng)
            + hum
        )  # fmt: skip
        guess = lines.spindle_hz * (1 + rng.uniform(-GUESS, GUESS))
        floor_db = spread_floor(
            band_floor(power_density(x[None].astype(np.float32), geometry), geometry), geometry
        )
        density = 10 ** (np.interp(lines.orders * guess, bins, floor_db[0]) / 10)
        got = refine_speed(x[None], FS, lines.orders, np.array([guess]), None, density[None]).spindle_hz[0]
        true_density = variance * workshop.density(lines.orders * lines.spindle_hz)
        bound = speed_bound(FS, N, lines.orders, lines.amplitudes, true_density * FS / 2)
        z[i], bound_pct[i] = (got - lines.spindle_hz) / bound, 100 * bound / lines.spindle_hz
    return _summary(snr_db, z, bound_pct)


def baseline_of(
    lines: Lines, noise_density: np.ndarray, rpm: float, fixed_hz: tuple[float, ...] = ()
) -> Baseline:
    """The baseline that a perfect learner would have written for these lines at ``rpm``."""
    power = lines.amplitudes**2 / 2
    kept = [
        Line(
            LineClass.ORDER, float(o), float(o * rpm / 60), (float(10 * np.log10(p)),),
            (float(10 * np.log10(p / d)),), 1.0,
        )
        for o, p, d in zip(lines.orders, power, noise_density, strict=True)
    ]  # fmt: skip
    hum_db = 10 * np.log10(np.mean(power) / np.median(noise_density))
    kept += [Line(LineClass.FIXED, float("nan"), f, (-20.0,), (float(hum_db),), 1.0) for f in fixed_hz]
    hz = np.concatenate([[0.0], np.sort(lines.orders * rpm / 60), [FS / 2]])
    levels = np.interp(hz, np.sort(lines.orders * rpm / 60), 10 * np.log10(noise_density))
    return Baseline(
        version=BASELINE_VERSION, created="2025-01-01T00:00:00Z", sample_rate_hz=FS, speeds_rpm=(rpm,),
        heard_ratio=(1.0,), level_dbfs=(-20.0,), floor_hz=tuple(map(float, hz)),
        floor_dbfs_hz=(tuple(map(float, levels)),), lines=tuple(kept), wander=0.001, confidence=1.0,
    )  # fmt: skip


def searched(snr_db: float, draws: int, in_workshop: bool, seed: int = 0) -> Accuracy:
    """The whole tracker on half a second of steady sound: search, track, refine; the newest estimate.

    The commanded speed is known within 10 %; the search covers 0.35 to 1.25 of it. What the tracker
    reads refers to the newest sample, 0.1 s after the middle of the frame. The bound is still that of
    the middle of 0.2 s: with an unknown rate of change the bound at the newest sample is 4 times that
    (12 + 720/4 against 12 in the Fisher matrix of a quadratic phase). A reading more than 0.5 % off, or
    none at all, is an outlier.
    """
    rng = np.random.default_rng([seed, 3, int(snr_db) + 100, int(in_workshop)])
    workshop = Workshop()
    hop, n_hops = 600, 10
    geometry = spectrum_geometry(FS, 2 * hop, USABLE_HZ)
    z, bound_pct = np.empty(draws), np.empty(draws)
    for i in range(draws):
        lines = draw_lines(rng, MAINS_HZ if in_workshop else ())
        variance = lines.power / 10 ** (snr_db / 10)
        n = hop * n_hops
        x = lines.at(lines.spindle_hz * centred_time(n))
        hz = lines.orders * lines.spindle_hz
        if in_workshop:
            x += np.sqrt(variance) * workshop.draw(rng, n) + np.sqrt(lines.power / 5) * workshop.hum(rng, n)
            density = variance * workshop.density(hz)
        else:
            x += np.sqrt(variance) * rng.standard_normal(n)
            density = np.full(hz.size, 2 * variance / FS)
        scale = 0.1 / np.sqrt(lines.power)
        rpm = lines.spindle_hz * 60 * rng.uniform(0.9, 1.1)
        scaled = Lines(lines.spindle_hz, lines.orders, lines.amplitudes * scale, lines.phases)
        baseline = baseline_of(scaled, density * scale**2, rpm, MAINS_HZ if in_workshop else ())
        tracker = SpeedTracker(baseline, (rpm,), geometry, USABLE_HZ, hop / FS)
        y = (x * scale).astype(np.float32)
        short = np.lib.stride_tricks.sliding_window_view(y, 2 * hop)[2 * hop :: hop]
        long = np.lib.stride_tricks.sliding_window_view(y, 4 * hop)[::hop]
        power = power_density(np.ascontiguousarray(short), geometry)
        floor_db = spread_floor(band_floor(power, geometry), geometry)
        got = tracker.feed(
            to_db(power), floor_db, np.ascontiguousarray(long), np.zeros(len(long), np.bool_)
        ).spindle_hz[-1]
        bound = speed_bound(FS, N, lines.orders, lines.amplitudes, density * FS / 2)
        z[i] = (got - lines.spindle_hz) / bound if np.isfinite(got) else np.inf
        bound_pct[i] = 100 * bound / lines.spindle_hz
    return _summary(snr_db, z, bound_pct)
