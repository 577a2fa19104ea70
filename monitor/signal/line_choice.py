"""Which of the learned lines tell about the speed, and how strong they are to be expected."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.baseline import Baseline, Line, LineClass
from monitor.signal.spectrum import SpectrumGeometry

MAX_LINES = 12
"""Lines used at one commanded speed: enough that a radio cannot imitate them, few enough to be cheap."""

LOWEST_HZ = 30.0
"""Below this a small microphone hears its own wind and the building."""

SEPARATION_HZ = (80.0, 30.0)
"""Lines this far apart are taken first: the shortest segments of the refinement (12.5 ms) still part
them. The others, a Hann main lobe (20 Hz to its zero, and some) apart, help to find the speed only."""

ENOUGH_LINES = 4
"""So many lines measure well; with fewer far apart, nearer ones are used too."""

LEAST_MEASURING = 3
"""With fewer that are lines beyond doubt the others measure too: two may be another pair."""

LEAST_LINES = 6
"""Half of them. With few, one that is drowned or another sound's leaves nothing that agrees: where only one
speed was learned, lines that may not turn with the spindle are then better than none (machines drawn)."""

STANDS_DB = 6.0
"""Over the floor of a bin: weaker lines are drowned in a cut."""

HIDDEN_DB = 15.0
"""A tone that is so much fainter moves the level of a line by 1.5 dB at most, and is too faint to pass for it
where the line has gone."""


@dataclass(frozen=True)
class SpeedLines:
    """The learned lines the tracker listens to.

    ``orders`` has shape (K,), ``lines`` are the same. ``measuring`` are the indices of those far enough
    from others to measure by.
    """

    orders: NDArray[np.float64]
    lines: tuple[Line, ...]
    measuring: NDArray[np.intp]


def choose_lines(
    baseline: Baseline, speeds_rpm: tuple[float, ...], geometry: SpectrumGeometry, usable_hz: float
) -> SpeedLines:
    """Pick the learned lines that tell most about the speed at each commanded speed.

    Orders first; where the baseline could not class its lines (one speed only), the unclassed ones, and so
    many of these that there are enough: one line alone proves nothing.
    Strong lines find the speed, high ones measure it: usefulness is log(1 + snr) f^(1/4), lines
    nearer than a main lobe to a better one left out.
    """
    top_hz = min(usable_hz, geometry.n_bins * geometry.bin_hz - geometry.bin_hz)
    classed = [line for line in baseline.lines if line.kind is LineClass.ORDER]
    unclassed = [line for line in baseline.lines if line.kind is LineClass.UNKNOWN]
    if classed and len(baseline.speeds_rpm) > 1:
        unclassed = []  # what was found at one speed of several does not turn with the spindle
    chosen: dict[float, Line] = {}
    far_apart: set[float] = set()
    lines: set[float] = set()
    for rpm in speeds_rpm:
        taken: list[float] = []
        for pool, most in ((classed, MAX_LINES), (unclassed, MAX_LINES if not classed else LEAST_LINES)):
            ranked = _ranked(baseline, pool, rpm, geometry, top_hz)
            for apart in SEPARATION_HZ:
                for f, line in ranked:
                    if len(taken) < most and all(abs(f - other) >= apart for other in taken):
                        taken.append(f)
                        chosen.setdefault(line.order, line)
                        told = is_told(baseline, line, rpm, geometry)
                        lines |= {line.order} if told else set()
                        far_apart |= {line.order} if told and apart == SEPARATION_HZ[0] else set()
    picked = [chosen[order] for order in sorted(chosen)]
    # the information of a line goes with its frequency squared: a high one that is noise would outweigh all
    measuring = far_apart if len(far_apart) >= ENOUGH_LINES else lines
    within = (sum(order * rpm / 60 <= top_hz for order in measuring) for rpm in speeds_rpm)
    measuring = measuring if min(within) >= LEAST_MEASURING else set(chosen)
    return SpeedLines(
        np.array([line.order for line in picked]),
        tuple(picked),
        np.array([i for i, line in enumerate(picked) if line.order in measuring], np.intp),
    )


def stands_db(geometry: SpectrumGeometry) -> float:
    """Prominence of a line that stands over the floor of a bin."""
    return float(10 * np.log10(geometry.enbw_hz)) + STANDS_DB


def is_told(baseline: Baseline, line: Line, rpm: float, geometry: SpectrumGeometry) -> bool:
    """Whether a learned line is one beyond doubt: found at several speeds, or standing out."""
    return line.kind is LineClass.ORDER or at_speed(baseline, line.prominence_db, rpm) >= stands_db(geometry)


def _ranked(
    baseline: Baseline, pool: list[Line], rpm: float, geometry: SpectrumGeometry, top_hz: float
) -> list[tuple[float, Line]]:
    """Lines of a pool that can be heard at a speed, with their frequencies, the most useful first."""
    fixed = np.array([line.frequency_hz for line in baseline.lines if line.kind is LineClass.FIXED])
    ranked: list[tuple[float, float, Line]] = []
    for line in pool:
        f = line.order * rpm / 60
        if not LOWEST_HZ <= f <= top_hz / 1.05 or np.any(np.abs(fixed - f) < geometry.enbw_hz):
            continue
        snr_db = at_speed(baseline, line.prominence_db, rpm) - 10 * np.log10(geometry.enbw_hz)
        usefulness = np.log1p(10 ** (snr_db / 10)) * f**0.25
        ranked.append((float(usefulness), f, line))
    ranked.sort(key=lambda r: -r[0])
    return [(f, line) for _, f, line in ranked]


def hides(tone: Line, line: Line) -> bool:
    """Whether a fixed tone hides a line that passes it as the speed changes. What is far louder it does not
    hide; left out there, such a line would be found beside the tone, where its main lobe ends."""
    return float(np.nanmax(tone.level_dbfs)) > float(np.nanmin(line.level_dbfs)) - HIDDEN_DB


def at_speed(baseline: Baseline, values: tuple[float, ...], rpm: float) -> float:
    """A per-speed value of the baseline at the learned speed nearest (in ratio) where it was found."""
    known = [(abs(np.log(rpm / s)), v) for s, v in zip(baseline.speeds_rpm, values, strict=True) if v == v]
    return float(min(known)[1]) if known else -100.0


def learned_level(baseline: Baseline, line: Line, rpm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Power of a line at each speed as learned, dBFS, shape (n,): straight in dB over log speed.

    A speed at which the line was not found counts as 10 dB less than its weakest elsewhere.
    """
    level = np.array(line.level_dbfs)
    level = np.where(np.isnan(level), np.nanmin(level) - 10, level)
    between: NDArray[np.float64] = np.interp(np.log(rpm), np.log(baseline.speeds_rpm), level)
    return between


def learned_floor(
    baseline: Baseline, f: NDArray[np.float64], rpm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Noise density at each pair of frequency and speed as learned, dB per Hz, shape (n,)."""
    floors = np.stack([np.interp(f, baseline.floor_hz, floor) for floor in baseline.floor_dbfs_hz])
    position = np.interp(np.log(rpm), np.log(baseline.speeds_rpm), np.arange(len(floors)))
    low = np.minimum(position.astype(np.intp), max(0, len(floors) - 2))
    high = np.minimum(low + 1, len(floors) - 1)
    at = np.arange(f.size)
    share = position - low
    between: NDArray[np.float64] = (1 - share) * floors[low, at] + share * floors[high, at]
    return between
