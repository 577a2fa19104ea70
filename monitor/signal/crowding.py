"""How long a frame has to be for the learned lines to stand apart in it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from monitor.baseline import Baseline, Line, LineClass
from monitor.signal.frames import FrameGeometry, frame_geometry
from monitor.signal.line_choice import (
    ENOUGH_LINES,
    LEAST_MEASURING,
    STANDS_DB,
    at_speed,
    choose_lines,
    learned_floor,
    learned_level,
    stands_db,
)
from monitor.signal.spectrum import (
    SpectrumGeometry,
    band_floor,
    hann,
    spectrum_geometry,
    spread_floor,
    to_db,
)

LONGER_HOPS = 4
"""Hops of the longer frames: 0.2 s follows a fall within the half second of a stall."""

MORE_LINES = 2
"""So many lines more have to stand apart in longer frames, which follow a fall later."""

_LOBE_BINS = 8  # of the padded spectrum: beyond, a Hann window is 30 dB down and falling


def frames_for(baseline: Baseline, speeds_rpm: tuple[float, ...], fs: float) -> FrameGeometry:
    """Geometry for a microphone's rate and a job's speeds, the drill's first.

    As by speed alone (`monitor.signal.frames.frame_geometry`), but longer frames where the machine is heard
    by a comb whose teeth the short ones run together, as harmonics of the shaft itself are: what is read as
    the floor between lines is then their own sum, over which none stands, and a machine heard loud and clear
    would pass for one that stands still. Where half of the lines stand apart, or four, they tell the
    speed, and short frames follow a fall sooner.
    """
    frames = frame_geometry(fs, speeds_rpm[0])
    longer = replace(frames, short_hops=max(frames.short_hops, LONGER_HOPS))
    alone, among = _standing(baseline, speeds_rpm, frames)
    hidden = alone >= LEAST_MEASURING and among < ENOUGH_LINES and 2 * among < alone
    if hidden and _standing(baseline, speeds_rpm, longer)[1] >= max(LEAST_MEASURING, among + MORE_LINES):
        return longer
    return frames


def _standing(baseline: Baseline, speeds_rpm: tuple[float, ...], frames: FrameGeometry) -> tuple[int, int]:
    """How many of the chosen lines stand over the noise, and how many over what is read as the floor."""
    geometry = spectrum_geometry(frames.fs, frames.n_short, frames.usable_hz)
    rpm = speeds_rpm[0]
    chosen = choose_lines(baseline, speeds_rpm, geometry, frames.usable_hz).lines
    f = np.array([line.order * rpm / 60 for line in chosen])
    bins = np.rint(f / geometry.bin_hz).astype(np.intp)
    inside = bins < geometry.n_bins
    alone = np.array([at_speed(baseline, line.prominence_db, rpm) for line in chosen]) >= stands_db(geometry)
    density = idle_density(baseline, rpm, geometry)[None]
    over = (to_db(density) - spread_floor(band_floor(density, geometry), geometry))[0]
    among = over[np.minimum(bins, geometry.n_bins - 1)] >= STANDS_DB
    return int(np.sum(alone & inside)), int(np.sum(alone & among & inside))


def idle_density(baseline: Baseline, rpm: float, geometry: SpectrumGeometry) -> NDArray[np.float32]:
    """Mean power density that frames of the machine running free show, as learned, shape (n_bins,).

    Full scale squared per Hz: the learned floor and each line by the main lobe of the window, their powers
    added (neighbours' phases drift past one another from frame to frame).
    """
    g = geometry
    f = g.bin_hz * np.arange(g.n_bins, dtype=np.float64)
    density = 10 ** (learned_floor(baseline, f, np.full(f.size, rpm)) / 10)
    lobe = np.abs(np.fft.rfft(hann(g.n), 64 * g.n)) ** 2 / (0.5 * g.n) ** 2  # 32 places a padded bin
    for line in baseline.lines:
        at = _frequency(line, rpm) / g.bin_hz
        near = np.arange(max(0, round(at) - _LOBE_BINS), min(g.n_bins, round(at) + _LOBE_BINS + 1))
        power = 10 ** (float(learned_level(baseline, line, np.array([rpm]))[0]) / 10)
        density[near] += power / g.enbw_hz * lobe[np.rint(32 * np.abs(near - at)).astype(np.intp)]
    return density.astype(np.float32)


def _frequency(line: Line, rpm: float) -> float:
    """Of a learned line at a speed, Hz."""
    return line.frequency_hz if line.kind is LineClass.FIXED else line.order * rpm / 60
