"""The baseline: which lines of a free-running spindle turn with it, which stay, and the noise floor.

The chain, for each recording:

1. short frames (0.5 s), whitened by their own noise floor, give a first list of lines (``lines.py``);
2. the lists of the recordings are aligned on a logarithmic frequency axis, which gives the true
   ratio of their speeds and a first guess of which lines turn (``speed_ratio.py``);
3. those lines give the relative speed in every frame, s(t) (a sum of log-likelihoods over lines,
   tracked by dynamic programming; ``wander.py``);
4. the recording is resampled so that s(t) becomes constant. Lines that turn become sharp, fixed
   tones smear; in the recording as it is, the other way round. Long frames (2 s) of both give
   frequencies, levels, and evidence of class that needs no second speed;
5. lines are matched over all speeds, and the three explanations (turns, stays, neither) are
   weighed by Bayes' rule, chance coincidences included (``classing.py``).

Pure: arrays in, a ``Baseline`` out. Not causal: it sees whole recordings.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import isfinite, log, nan

import numpy as np

from monitor.baseline import BASELINE_VERSION, Baseline, Line, LineClass
from monitor.errors import BaselineError
from monitor.signal.classing import Classed, classify
from monitor.signal.free_run import FreeRun, checked, decimated
from monitor.signal.lines import Array, detect, mean_log_power, measure_lines, spectrogram
from monitor.signal.speed_ratio import first_shifts, first_turning, speed_shifts, turn_tolerance
from monitor.signal.wander import steadied, steady_speed

__all__ = ["FreeRun", "learn_baseline"]

MAX_LINE_HZ = 10_000.0  # above, wander of 0.1 % smears a line over 10 Hz within a second
MAX_LINES = 60
COARSE_S = 0.5  # 3 Hz resolution; 0.4 % wander at 1 kHz moves 4 Hz


def learn_baseline(recordings: Sequence[FreeRun], created: str) -> Baseline:
    """Learn what the machine sounds like running free, at one or more commanded speeds.

    Parameters
    ----------
    recordings : free-running sound, 3 s or longer, best 10 s to 60 s, each at one commanded speed.
        Recordings at the same speed must be one only. Sample rates may differ: the lowest band
        is used.
    created : UTC time, ISO 8601, to be stored.

    Returns
    -------
    Baseline : speeds ascending; up to 60 lines, the most useful (order^2 x prominence) first.

    Raises
    ------
    BaselineError
        Too short, clipped, silent, not finite, no line stands out, the speed changes within a
        recording, or the speeds contradict the sound; the message says what to do.
    """
    if not recordings:
        raise BaselineError("no recording given: record the spindle turning free at two speeds")
    originals = sorted((checked(run) for run in recordings), key=lambda run: run.rpm)
    _check_speeds_differ(originals)
    fs = min(run.fs for run in originals)
    notes: list[str] = []
    if fs < max(run.fs for run in originals):
        notes.append(
            f"the recordings have different sample rates; sound above {0.45 * fs:.0f} Hz was not used"
        )
    top_hz = min(0.45 * fs, MAX_LINE_HZ)
    runs = [decimated(run, top_hz) for run in originals]
    speeds = _speeds_within(runs, top_hz)
    found = [
        measure_lines(run.x, steadied(run.x, run.fs, t, u), run.fs, float(u.std()), top_hz)
        for run, (t, u) in zip(runs, speeds, strict=True)
    ]
    shifts, doubts = speed_shifts(found, runs)
    classed = classify(found, shifts, runs)
    ratio = np.exp(np.mean(shifts) - np.array(shifts))
    lines = _most_useful([_line(c, runs, ratio) for c in classed])
    sure = _confidence(lines, runs, bool(doubts))
    if len(runs) == 1:
        notes.append("one speed only: give a second speed to be sure which lines turn with the spindle")
    floor_hz = _floor_bands(fs)
    return Baseline(
        version=BASELINE_VERSION,
        created=created,
        sample_rate_hz=float(fs),
        speeds_rpm=tuple(float(run.rpm) for run in runs),
        heard_ratio=tuple(float(r) for r in ratio),
        level_dbfs=tuple(_db(float(np.mean(np.square(run.x)))) for run in originals),
        floor_hz=tuple(float(f) for f in floor_hz),
        floor_dbfs_hz=tuple(_floor_levels(run, floor_hz) for run in originals),
        lines=tuple(lines),
        wander=float(np.sqrt(np.mean([np.var(u) for _, u in speeds]))),
        confidence=sure,
        notes=(*notes, *doubts),
    )


def _check_speeds_differ(runs: Sequence[FreeRun]) -> None:
    for a, b in pairwise(runs):
        if b.rpm < 1.02 * a.rpm:
            raise BaselineError(
                f"{a.name} and {b.name}: commanded speeds {a.rpm:g} and {b.rpm:g} rpm are the same or"
                " within 2 %; give one recording a speed, and speeds that differ by 10 % or more"
            )


def _speeds_within(runs: Sequence[FreeRun], top_hz: float) -> list[tuple[Array, Array]]:
    """Of each recording, times and ln of relative speed at them, mean 0."""
    coarse = [spectrogram(run.x, run.fs, COARSE_S, "hann", 2, top_hz * 1.03) for run in runs]
    first = [detect(c, mean_log_power(c), top_hz) for c in coarse]
    for run, (hz, _) in zip(runs, first, strict=True):
        if not hz.size:
            raise BaselineError(
                f"{run.name}: no line stands out of the noise; bring the microphone nearer to the drive,"
                " check that the spindle turns at a steady speed, and record 10 s or longer"
            )
    turning = first_turning(first, first_shifts(first, runs), runs)
    return [
        steady_speed(run, c, hz, top_hz, len(runs) > 1)
        for run, c, hz in zip(runs, coarse, turning, strict=True)
    ]


def _line(c: Classed, runs: Sequence[FreeRun], ratio: Array) -> Line:
    """One line of the baseline; ``ratio`` is heard over commanded speed of each recording."""
    fixed = c.kind is LineClass.FIXED
    weight = {i: m.z / turn_tolerance(m) ** 2 for i, m in c.members.items()}
    heard = {i: m.hz if c.kind is LineClass.UNKNOWN else m.turning_hz for i, m in c.members.items()}
    order = sum(w * heard[i] * 60 / (runs[i].rpm * ratio[i]) for i, w in weight.items())
    order = float(order / sum(weight.values()))
    hz = float(np.mean([m.fixed_hz for m in c.members.values()])) if fixed else order * runs[0].rpm / 60
    everywhere = [c.members.get(i) for i in range(len(runs))]
    return Line(
        kind=c.kind,
        order=nan if fixed else order,
        frequency_hz=hz if fixed else hz * float(ratio[0]),
        level_dbfs=tuple(_db(m.power) if m else nan for m in everywhere),
        prominence_db=tuple(_db(m.prominence) if m else nan for m in everywhere),
        confidence=c.confidence,
    )


def _most_useful(lines: list[Line]) -> list[Line]:
    """The MAX_LINES most useful, the most useful first; unclassed ones make room for the others."""
    lines = sorted(lines, key=lambda line: (line.kind is LineClass.UNKNOWN, -_usefulness(line)))
    return sorted(lines[:MAX_LINES], key=_usefulness, reverse=True)


def _confidence(lines: Sequence[Line], runs: Sequence[FreeRun], doubtful: bool) -> float:
    """That the set of lines as a whole is right: some line called turning does turn."""
    turning = [line for line in lines if line.kind is LineClass.ORDER]
    if len(runs) > 1 and not turning:
        raise BaselineError(
            f"{' and '.join(run.name for run in runs)}: no line was found that turns with the spindle; bring"
            " the microphone nearer to the drive and record 30 s at each speed"
        )
    sure = 1 - float(np.prod([1 - 0.6 * line.confidence for line in turning])) if turning else 0.2
    return min(sure, 0.5) if doubtful or len(runs) == 1 else sure


def _db(power: float) -> float:
    return 10 * float(np.log10(power))


def _usefulness(line: Line) -> float:
    """order^2 x prominence, the Fisher information on speed; fixed lines by frequency alike."""
    return 20 * log(line.frequency_hz) / log(10) + max(p for p in line.prominence_db if isfinite(p))


def _floor_bands(fs: float) -> Array:
    """Centres of sixth-octave bands (base ten, IEC 61260-1) from 50 Hz to 0.45 fs."""
    k = np.arange(-26, 60)
    hz = 1000 * 10 ** (k / 20)
    return np.asarray(hz[hz * 10 ** (1 / 40) <= 0.45 * fs], np.float64)


def _floor_levels(run: FreeRun, centres: Array) -> tuple[float, ...]:
    """Noise density in each band, dB re full scale squared per Hz, lines excluded."""
    c = spectrogram(run.x, run.fs, COARSE_S, "hann", 1, 0.47 * run.fs, most=60)
    edge = 10 ** (1 / 40)
    inside = [(c.hz >= f / edge) & (c.hz <= f * edge) for f in centres]
    return tuple(_db(float(np.mean(c.floor[band]))) for band in inside)
