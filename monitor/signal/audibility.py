"""How well the learned lines are heard at a speed, and through how loud a cut."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.baseline import Baseline
from monitor.signal.crowding import frames_for
from monitor.signal.line_choice import at_speed, choose_lines, learned_floor
from monitor.signal.line_evidence import LineEvidence, Steps
from monitor.signal.line_likelihood import SNR_STEP_DB
from monitor.signal.spectrum import spectrum_geometry

STANDS_DB = 6.0
"""Over the floor of a Hann bin: a fainter line is drowned in a cut, and tells of nothing."""

TELLING = 3.0
"""Nats a hop: with less, that the lines are missed says nothing, and the best of the speeds in reach gets as
much by chance."""

_RISES_DB = np.arange(0.0, 41.0)


@dataclass(frozen=True, slots=True)
class Audibility:
    """What the ear has to go by at one commanded speed.

    ``lines``: how many of those that it listens to stand out of the noise. ``reserve_db``: by so much the
    noise of the machine running free may rise before they are drowned, to 40; NaN where they are drowned by
    that noise alone.
    """

    rpm: float
    lines: int
    reserve_db: float


def audibility(baseline: Baseline, speeds_rpm: tuple[float, ...], fs: float) -> Audibility:
    """What is heard of the learned lines at the first of a job's speeds.

    Parameters
    ----------
    speeds_rpm : tuple of float
        That of the drill, then that of the centre drill where it has its own: the ear chooses lines for both.
    fs : float
        Sample rate of the microphone, Hz.
    """
    rpm = speeds_rpm[0]
    frames = frames_for(baseline, speeds_rpm, fs)
    geometry = spectrum_geometry(frames.fs, frames.n_short, frames.usable_hz)
    chosen = choose_lines(baseline, speeds_rpm, geometry, frames.usable_hz)
    if not chosen.lines:
        return Audibility(rpm, 0, np.nan)
    evidence = LineEvidence(baseline, chosen, speeds_rpm, np.array([rpm / 60]), geometry)
    tells = evidence.bins[:, 0] < geometry.n_bins  # within the spectrum, and not on a fixed tone
    power_db = np.array([at_speed(baseline, line.prominence_db, rpm) for line in chosen.lines])
    stands = power_db - 10 * np.log10(geometry.enbw_hz) >= STANDS_DB
    bins_hz = np.maximum(np.arange(geometry.n_bins + 1), 1) * geometry.bin_hz
    floor_db = learned_floor(baseline, bins_hz, np.full(bins_hz.size, rpm))
    # as many hops as there are rises, each with its own floor
    risen = np.rint((floor_db[:, None] + _RISES_DB) / SNR_STEP_DB).astype(np.int16)
    missed, _ = evidence.expected(Steps(np.zeros_like(risen), risen), np.zeros(_RISES_DB.size, np.intp))
    heard = np.flatnonzero(missed >= TELLING)
    reserve_db = float(_RISES_DB[heard[-1]]) if heard.size else np.nan
    return Audibility(rpm, int(np.sum(tells & stands)), reserve_db)
