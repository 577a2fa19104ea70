"""The baseline: which lines of a free-running spindle turn with it, which stay, and the noise floor.

The chain, for each recording:

1. short frames (0.5 s), whitened by their own noise floor, give a first list of lines;
2. the lists of the recordings are aligned on a logarithmic frequency axis, which gives the true
   ratio of their speeds and a first guess of which lines turn;
3. those lines give the relative speed in every frame, s(t) (a sum of log-likelihoods over lines,
   tracked by dynamic programming);
4. the recording is resampled so that s(t) becomes constant. Lines that turn become sharp, fixed
   tones smear; in the recording as it is, the other way round. Long frames (2 s) of both give
   frequencies, levels, and evidence of class that needs no second speed;
5. lines are matched over all speeds, and the three explanations (turns, stays, neither) are
   weighed by Bayes' rule, chance coincidences included.

Pure: arrays in, a ``Baseline`` out. Not causal: it sees whole recordings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import exp, inf, isfinite, isnan, log, nan, sqrt

import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy import ndimage, signal
from scipy.special import ndtri

from monitor.baseline import BASELINE_VERSION, Baseline, Line, LineClass
from monitor.errors import BaselineError

Array = NDArray[np.float64]

MIN_SECONDS = 3.0  # six coarse frames, two fine ones: less cannot be averaged
MAX_LINE_HZ = 10_000.0  # above, wander of 0.1 % smears a line over 10 Hz within a second
MIN_LINE_HZ = 20.0  # below, room rumble and microphone roll-off
FALSE_ALARM = 1e-7  # per spectral cell: 40 000 cells make one false line in 250 spectra
MAX_LINES = 60
DIAL_ERROR = 0.10  # the search range of heard over commanded speed
DIAL_SD = 0.03  # its prior standard deviation: a dial is mostly right within 3 %
SAME_SPEED = 8e-4  # lines of two recordings agree on the ratio of speeds within this: 4 sd at 250 Hz
MAX_DEVIATION = 0.03  # of speed within one recording: free running wanders 0.4 % rms, 7 sigma
COARSE_S = 0.5  # 3 Hz resolution; 0.4 % wander at 1 kHz moves 4 Hz

# ln(1 + E), E exponential with mean 1 (the whitened power of noise in one frame): its mean,
# standard deviation and skewness, by numerical integration.
LOG_MEAN, LOG_SD, LOG_SKEW = 0.59635, 0.41988, 0.71859


@dataclass(frozen=True, eq=False)
class FreeRun:
    """A recording of the spindle turning free at one commanded speed.

    ``x`` is (n,), full scale 1; ``rpm`` the commanded speed; ``name`` is used in messages.
    """

    rpm: float
    x: NDArray[np.floating]
    fs: float
    name: str = ""


@dataclass(frozen=True, eq=False)
class _Spectrogram:
    """Power densities ``p`` (frames, bins) in 1/Hz at ``hz``, frame centres ``t``, the noise floor
    ``floor`` (bins,), and ``looks``, the number of independent frames."""

    hz: Array
    t: Array
    p: NDArray[np.float32]
    floor: Array
    looks: float
    enbw_hz: float

    @property
    def df(self) -> float:
        return float(self.hz[1])


@dataclass(frozen=True)
class _Found:
    """A line in one recording.

    Its frequency in the steadied and in the plain time scale (NaN where a stronger line's smeared
    heap hides it there), its power, the noise density around it, its detection statistic, and
    ``sharper``: the log-likelihood that it turns (positive) or stays (negative), from its sharpness
    in the two time scales.
    """

    hz: float
    turning_hz: float
    fixed_hz: float
    power: float
    noise: float
    z: float
    sharper: float

    @property
    def prominence(self) -> float:
        return self.power / self.noise


def log_threshold(false_alarm: float, looks: float) -> float:
    """Threshold, in standard deviations, for the mean over ``looks`` of ln(1 + whitened power).

    The constant-false-alarm idea (a cell against its reference cells) with the logarithm taken
    before averaging, so that a clap or a few words in some frames weigh little. The mean of few
    looks is still skew: second-order Cornish-Fisher correction.

    References
    ----------
    Cell averaging: Finn and Johnson 1968; logarithmic receiver ("log-t"): Goldstein 1973; both
    from memory. The test measures the false-alarm rate in white noise.
    """
    z = float(-ndtri(false_alarm))
    skew = LOG_SKEW / sqrt(looks)
    return z + skew * (z * z - 1) / 6 - skew * skew * (2 * z**3 - 5 * z) / 36


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
    runs = sorted((_checked(run) for run in recordings), key=lambda run: run.rpm)
    for a, b in pairwise(runs):
        if b.rpm < 1.02 * a.rpm:
            raise BaselineError(
                f"{_name(a)} and {_name(b)}: commanded speeds {a.rpm:g} and {b.rpm:g} rpm are the same or"
                " within 2 %; give one recording a speed, and speeds that differ by 10 % or more"
            )
    notes: list[str] = []
    fs = min(run.fs for run in runs)
    if fs < max(run.fs for run in runs):
        notes.append(
            f"the recordings have different sample rates; sound above {0.45 * fs:.0f} Hz was not used"
        )
    top_hz = min(0.45 * fs, MAX_LINE_HZ)

    originals, runs = runs, [_decimated(run, top_hz) for run in runs]
    coarse = [_spectrogram(run.x, run.fs, COARSE_S, "hann", 2, top_hz * 1.03) for run in runs]
    first = [_detect(c, _mean_log(c), top_hz) for c in coarse]
    for run, (hz, _) in zip(runs, first, strict=True):
        if not hz.size:
            raise BaselineError(
                f"{_name(run)}: no line stands out of the noise; bring the microphone nearer to the drive,"
                " check that the spindle turns at a steady speed, and record 10 s or longer"
            )
    shifts = _align_all(
        [np.log(hz * 60 / run.rpm) for run, (hz, _) in zip(runs, first, strict=True)], first, runs
    )
    turning = _turning_first(first, shifts, runs)
    speeds = [
        _steady_speed(run, c, hz, top_hz, len(runs) > 1)
        for run, c, hz in zip(runs, coarse, turning, strict=True)
    ]
    found = [_measure(run, t, u, top_hz) for run, (t, u) in zip(runs, speeds, strict=True)]
    shifts = _speed_shifts(found, runs)
    lines = _classify(found, shifts, runs)
    return _assemble(originals, speeds, lines, shifts, created, fs, notes)


def _name(run: FreeRun) -> str:
    return run.name or f"the {run.rpm:g} rpm recording"


def _checked(run: FreeRun) -> FreeRun:
    """The recording as float64 without its mean; refuses what cannot be used."""
    x = np.asarray(run.x, dtype=np.float64)
    name = _name(run)
    if not (isfinite(run.rpm) and 1 <= run.rpm <= 200_000):
        raise BaselineError(f"{name}: commanded speed {run.rpm:g} rpm is not between 1 and 200000 rpm")
    if not 8000 <= run.fs <= 192_000:
        raise BaselineError(
            f"{name}: sample rate {run.fs:g} Hz is not between 8000 and 192000 Hz; record at 48000 Hz"
        )
    if x.ndim != 1:
        raise BaselineError(f"{name}: has {x.ndim} dimensions, not one channel; choose one with --channel")
    if x.size < MIN_SECONDS * run.fs:
        raise BaselineError(
            f"{name}: {x.size / run.fs:.1f} s is too short; record {MIN_SECONDS:g} s at least,"
            " 10 s or longer is better"
        )
    if not np.isfinite(x).all():
        raise BaselineError(
            f"{name}: contains values that are not numbers (NaN or infinite); record it again"
        )
    silent = np.mean(np.abs(np.diff(x)) == 0)
    if np.std(x) < 1e-6 or silent > 0.5:
        raise BaselineError(
            f"{name}: silent, wholly or in part; check the microphone and its level (`spindlebell check`)"
        )
    peak = float(np.abs(x).max())
    # Two samples in a thousand at the very top: a sine clipped by 0.02 dB has more.
    if peak > 0 and np.mean(np.abs(x) > 0.9999 * peak) > 0.002:
        raise BaselineError(
            f"{name}: clipped (many samples stand at the peak, {peak:.3g}); lower the input gain,"
            " record again"
        )
    x = x - x.mean()
    return replace(run, x=x, name=name)


def _decimated(run: FreeRun, top_hz: float) -> FreeRun:
    """The recording at the lowest whole fraction of its rate that keeps sound up to ``top_hz``."""
    factor = int(run.fs / 2.2 // top_hz)
    x = np.asarray(run.x, np.float32)
    return (
        replace(run, x=signal.resample_poly(x, 1, factor), fs=run.fs / factor)
        if factor > 1
        else replace(run, x=x)
    )


def _spectrogram(
    x: NDArray[np.floating],
    fs: float,
    seconds: float,
    window: str,
    pad: int,
    top_hz: float,
    most: int = 100_000,
) -> _Spectrogram:
    """Half-overlapping frames of ``x`` as one-sided power densities up to ``top_hz``.

    More than ``most`` frames are thinned out evenly.
    """
    n = int(seconds * fs)
    hop = max(n // 2, (x.size - n) // most)
    nfft = scipy.fft.next_fast_len(pad * n, real=True)
    w = signal.get_window(window, n).astype(np.float32)
    gain = np.float32(2 / (fs * float(np.sum(w * w))))
    keep = min(int(top_hz * nfft / fs), nfft // 2) + 1
    starts = np.arange(0, x.size - n + 1, hop)
    x = x.astype(np.float32, copy=False)
    p = np.empty((starts.size, keep), np.float32)
    for row, start in zip(p, starts, strict=True):
        z = scipy.fft.rfft(x[start : start + n] * w, nfft)[:keep]
        row[:] = gain * (z.real**2 + z.imag**2)
    hz = np.arange(keep, dtype=np.float64) * (fs / nfft)
    enbw = fs * float(np.sum(w * w) / np.sum(w) ** 2)
    looks = max(1.0, min(x.size / fs * enbw, starts.size))
    return _Spectrogram(
        hz, np.asarray((starts + n / 2) / fs, np.float64), p, _floor(p, fs / nfft, looks), looks, enbw
    )


def _floor(p: NDArray[np.float32], df: float, looks: float) -> Array:
    """Noise density (bins,): the median over frames, then a low percentile over 60 Hz around.

    The median of an exponential variable is ln 2 of its mean. The 35th percentile instead of the
    median over frequency, so that a dense family of sidebands does not pass for a floor; its bias
    follows from the spread that the median of ``looks`` values has (1 / sqrt(looks), in nepers).
    """
    thin = -(-p.shape[0] // 60)  # 60 frames are enough for a median, and quick
    middle = np.log(np.maximum(np.median(p[::thin], axis=0), 1e-30) / log(2))
    width = 2 * max(15, round(30 / df)) + 1
    level = ndimage.percentile_filter(middle, 35, size=width, mode="nearest")
    level = ndimage.uniform_filter1d(level, width // 2, mode="nearest")
    return np.asarray(np.exp(level + 0.385 / sqrt(min(looks, 60.0))), np.float64)


def _mean_log(s: _Spectrogram, weight: Array | None = None) -> Array:
    """Mean over frames of ln(1 + whitened power) (bins,)."""
    return np.asarray(np.mean(np.log1p(s.p / s.floor.astype(np.float32)), axis=0), np.float64)


def _detect(s: _Spectrogram, mean_log: Array, top_hz: float) -> tuple[Array, Array]:
    """Frequencies (k,) and statistics z (k,) of the peaks above the false-alarm threshold."""
    width = 2 * max(15, round(30 / s.df)) + 1
    low = ndimage.percentile_filter(mean_log, 10, size=width, mode="nearest")
    mid = ndimage.percentile_filter(mean_log, 40, size=width, mode="nearest")
    # Spread from the lower side only: lines cannot widen it. 10th to 40th percentile: 1.028 sd.
    sd = max(float(np.median(mid - low)) / 1.028, 0.5 * LOG_SD / sqrt(s.looks))
    z = (mean_log - (mid + 0.253 * sd)) / sd
    # A peak is the largest within its own main lobe, so that no side of a line counts as another.
    lobe = max(1, round(1.5 * s.enbw_hz / s.df))
    top = ndimage.maximum_filter1d(mean_log, 2 * lobe + 1)
    k = np.flatnonzero((mean_log == top) & (z > log_threshold(FALSE_ALARM, s.looks)))
    k = k[(k > 0) & (k < mean_log.size - 1)]
    k = k[(s.hz[k] >= MIN_LINE_HZ) & (s.hz[k] <= top_hz)]
    return (k + _vertex(mean_log, k)) * s.df, z[k]


def _vertex(y: Array, k: NDArray[np.intp]) -> Array:
    """Offset in bins (-0.5..0.5) of the parabola through y[k-1], y[k], y[k+1]."""
    a, b, c = y[k - 1], y[k], y[k + 1]
    curve = np.minimum(a - 2 * b + c, -1e-12)
    return np.asarray(np.clip(0.5 * (a - c) / curve, -0.5, 0.5), np.float64)


# --- matching recordings -----------------------------------------------------------------------


def _tolerance(hz: Array, resolution_hz: float, relative: float) -> Array:
    """Standard deviation of ln(frequency) with which a line is found again."""
    return np.asarray(np.hypot(resolution_hz / hz, relative), np.float64)


def _overlap(a: Array, wa: Array, ta: Array, b: Array, wb: Array, tb: Array, shifts: Array) -> Array:
    """Sum of matched weights for b moved by each shift against a; each line of b counts once."""
    gap = a[:, None] - b[None, :]
    tol = np.hypot(ta[:, None], tb[None, :])
    pair = np.minimum(wa[:, None], wb[None, :])
    near = np.abs(gap) < np.abs(shifts).max() + 4 * tol
    total = np.zeros(shifts.size)
    for j in range(b.size):
        i = np.flatnonzero(near[:, j])
        if i.size:
            u = (gap[i, j][:, None] - shifts[None, :]) / tol[i, j][:, None]
            total += (pair[i, j][:, None] * np.exp(-0.5 * u * u)).max(axis=0)
    return total


def _align_all(
    log_orders: list[Array], found: Sequence[tuple[Array, Array]], runs: Sequence[FreeRun]
) -> list[float]:
    """Shift of each recording's ln(order) that brings its lines onto those before it.

    The sum of matched weights is searched over +-10 % of the commanded ratio; lines seen at the same
    frequency in both recordings count half, for they may be fixed.
    """
    shifts = [0.0]
    hz0, z0 = found[0]
    merged, weight, tol = log_orders[0], _weight(z0), _tolerance(hz0, 0.5, 1e-3)
    for i in range(1, len(runs)):
        hz, z = found[i]
        lo, w, t = log_orders[i], _weight(z), _tolerance(hz, 0.5, 1e-3)
        w_here = w * np.where(_stays(hz, found[i - 1][0]), 0.5, 1.0)
        w_there = weight.copy()
        w_there[: hz0.size] *= np.where(_stays(hz0, hz), 0.5, 1.0)
        grid = np.arange(-0.6, 0.6, 2.5e-4)
        score = _overlap(merged, w_there, tol, lo, w_here, t, grid)
        near = np.abs(grid) <= DIAL_ERROR
        prior = np.exp(-0.5 * (grid / DIAL_SD) ** 2 * 0.2)
        best = int(np.argmax(np.where(near, score * prior, -inf)))
        shifts.append(float(grid[best]))
        merged = np.concatenate([merged, lo + grid[best]])
        weight = np.concatenate([weight, w])
        tol = np.concatenate([tol, t])
    return shifts


def _contradiction(a: FreeRun, b: FreeRun, heard_rpm: float) -> str:
    return (
        f"{a.name} and {b.name}: if the first ran at {a.rpm:g} rpm, the second sounds like {heard_rpm:.0f}"
        f" rpm and not {b.rpm:g}; check that each file belongs to its speed and that each speed was set,"
        " then record again"
    )


def _weight(z: Array) -> Array:
    """Bounded weight of a line: no single line may decide an alignment."""
    return np.asarray(np.minimum(np.sqrt(z), 6.0), np.float64)


def _stays(hz: Array, others: Array) -> NDArray[np.bool_]:
    """Which of ``hz`` are found at the same frequency among ``others``."""
    if not others.size:
        return np.zeros(hz.size, np.bool_)
    gap = np.abs(hz[:, None] - others[None, :]).min(axis=1)
    return np.asarray(gap < 0.5 + 5e-4 * hz, np.bool_)


def _turning_first(
    found: Sequence[tuple[Array, Array]], shifts: Sequence[float], runs: Sequence[FreeRun]
) -> list[Array]:
    """First guess, per recording, of the lines that turn: found again at another speed, not mains."""
    chosen = []
    for i, (hz, _) in enumerate(found):
        again = np.zeros(hz.size, np.bool_)
        stays = _mains(hz, 0.3) > 0
        for j, (other, _) in enumerate(found):
            if j != i and other.size:
                moved = other * exp(log(runs[i].rpm / runs[j].rpm) + shifts[j] - shifts[i])
                again |= np.abs(np.log(hz[:, None] / moved[None, :])).min(axis=1) < 2 * np.hypot(
                    0.5 / hz, 1e-3
                )
                stays |= _stays(hz, other)
        pick = again & ~stays
        if pick.sum() < 3:
            pick = again if again.sum() >= 3 else ~stays
        chosen.append(hz[pick] if pick.any() else hz)
    return chosen


def _mains(hz: Array, tolerance_hz: float) -> NDArray[np.int_]:
    """50 or 60 where ``hz`` is a multiple of it below 1 kHz, else 0."""
    result = np.zeros(hz.size, np.int_)
    for mains in (50, 60):
        multiple = np.round(hz / mains)
        # The grid may stand 0.1 % off its nominal frequency.
        near = np.abs(hz - multiple * mains) < tolerance_hz + 1e-3 * hz
        result[near & (multiple >= 1) & (hz < 1000)] = mains
    return result


# --- speed within a recording ------------------------------------------------------------------


def _steady_speed(
    run: FreeRun, c: _Spectrogram, hz: Array, top_hz: float, paired: bool
) -> tuple[Array, Array]:
    """Times and ln of relative speed at them, mean 0.

    Lines that fit better standing still are dropped, and the spectrum steadied by the first
    result gives more lines for the second: high ones, smeared before, that say most.
    """
    log_p = np.log1p(c.p / c.floor.astype(np.float32))
    plain, _ = _detect(c, np.mean(log_p, axis=0).astype(np.float64), top_hz)
    first = hz if paired else _wandering_together(log_p, c.df, hz)
    u = _track(log_p, c.df, first)
    for _ in range(2):
        steadied = _steadied_mean(log_p, u)
        more, z = _detect(c, steadied, top_hz / exp(MAX_DEVIATION))
        more = more[np.argsort(-z * more)[:MAX_LINES]]
        more = more[(_mains(more, 0.3) == 0)]
        # A strong fixed tone, smeared by the steadying, looks like lines that follow its errors.
        fixed = plain[_gain(log_p, c.df, plain, u) < -0.1]
        reach = c.enbw_hz + 2 * float(np.abs(u).max()) * fixed
        near = (np.abs(more[:, None] - fixed[None, :]) < reach[None, :]).any(axis=1)
        keep = (_gain(log_p, c.df, more, u) >= 0) & ~near
        hz = more[keep] if keep.sum() >= min(3, first.size) else first
        u = _track(log_p, c.df, hz)
    _check_steady(run, c.t, u, _follow(log_p, c.df, hz, u) - LOG_MEAN)
    return _follow_phase(run, c, u, hz)


def _follow_phase(run: FreeRun, c: _Spectrogram, u: Array, hz: Array) -> tuple[Array, Array]:
    """Speed again, from the phase advance of the lines between frames 1/32 s apart.

    In the steadied sound a line's phase advances by 2 pi f h but for what the first track missed;
    the residual is the mean over lines weighted by the information each carries (f^2 x power
    over noise, bounded, so that one line does not decide alone).
    """
    x = _steadied(run.x, run.fs, c.t, u)
    n, hop = int(0.125 * run.fs), int(run.fs / 32)
    hz = hz[hz < 5000]  # the advance is known modulo 32 Hz: 0.2 % of 5 kHz leaves a margin
    if not hz.size:
        return c.t, u
    w = signal.get_window("hann", n).astype(np.float32)
    bins = np.round(hz * n / run.fs).astype(np.intp)
    starts = np.arange(0, x.size - n + 1, hop)
    z = np.array([scipy.fft.rfft(x[start : start + n] * w)[bins] for start in starts])
    noise = c.floor[np.round(hz / c.df).astype(np.intp)] * run.fs * float(np.sum(w * w)) / 2
    advance = z[1:] * np.conj(z[:-1])
    residual = np.angle(advance * np.conj(advance.sum(axis=0))) * run.fs / (2 * np.pi * hop * hz)
    weight = hz**2 * np.minimum(np.abs(advance) / noise, 1000)
    more = np.sum(weight * residual, axis=1) / np.sum(weight, axis=1)
    more = ndimage.gaussian_filter1d(ndimage.median_filter(more, 3), 1.0)
    t = (starts[1:] + n / 2 - hop / 2) / run.fs
    fine = np.interp(t, c.t, u) + more
    return np.asarray(t, np.float64), np.asarray(fine - fine.mean(), np.float64)


def _wandering_together(log_p: NDArray[np.float32], df: float, hz: Array) -> Array:
    """Which lines share one wander, for a recording with no other to compare.

    Each of the strongest lines is followed alone; the one whose wander sharpens the others most
    is taken for the spindle's, with the lines that it sharpens.
    """
    if hz.size < 3:
        return hz
    still = np.zeros(log_p.shape[0])
    level = np.mean(_follow(log_p, df, hz, still), axis=0)
    best, best_sum = hz, 0.0
    for k in np.argsort(-level * np.log(hz))[:8]:
        gain = _gain(log_p, df, hz, _track(log_p, df, hz[k : k + 1]))
        gain[k] = 0.0
        # What one frame in ten gains by chance is no evidence.
        together = gain > 3 * LOG_SD / sqrt(log_p.shape[0])
        if gain[together].sum() > best_sum:
            best_sum = float(gain[together].sum())
            together[k] = True
            best = hz[together]
    return best


def _gain(log_p: NDArray[np.float32], df: float, hz: Array, u: Array) -> Array:
    """By how much each line (k,) fits better moving by exp(u) than standing still."""
    moving, still = _follow(log_p, df, hz, u), _follow(log_p, df, hz, np.zeros_like(u))
    return np.asarray(np.mean(moving - still, axis=0), np.float64)


def _track(log_p: NDArray[np.float32], df: float, hz: Array) -> Array:
    """ln of relative speed (frames,), mean 0: the most likely path through the sum over lines."""
    grid = np.arange(-MAX_DEVIATION, MAX_DEVIATION + 1e-9, 2e-4)
    score = np.zeros((log_p.shape[0], grid.size))
    for f in hz:
        score += _at(log_p, f * np.exp(grid) / df)
    # Free running, speed moves 0.3 % (1 sd) between frames 0.25 s apart at most.
    jump = -0.5 * ((grid[:, None] - grid[None, :]) / 0.003) ** 2
    best = score[0]
    back = np.zeros(score.shape, np.intp)
    for k in range(1, score.shape[0]):
        total = jump + best[None, :]
        back[k] = total.argmax(axis=1)
        best = total[np.arange(grid.size), back[k]] + score[k]
    path = np.empty(score.shape[0], np.intp)
    path[-1] = int(best.argmax())
    for k in range(score.shape[0] - 1, 0, -1):
        path[k - 1] = back[k, path[k]]
    rows = np.arange(path.size)
    inner = np.clip(path, 1, grid.size - 2)
    a, b, d = score[rows, inner - 1], score[rows, inner], score[rows, inner + 1]
    u = grid[inner] + np.clip(0.5 * (a - d) / np.minimum(a - 2 * b + d, -1e-9), -0.5, 0.5) * 2e-4
    return np.asarray(u - u.mean(), np.float64)


def _at(log_p: NDArray[np.float32], position: Array) -> Array:
    """``log_p`` (frames, bins) at fractional bins (m,), linearly: (frames, m)."""
    k = np.clip(position.astype(np.intp), 0, log_p.shape[1] - 2)
    part = (position - k).astype(np.float32)
    return np.asarray(log_p[:, k] * (1 - part) + log_p[:, k + 1] * part, np.float64)


def _follow(log_p: NDArray[np.float32], df: float, hz: Array, u: Array) -> Array:
    """``log_p`` (frames, k) along each line that moves by exp(u)."""
    position = np.clip(hz[None, :] * np.exp(u)[:, None] / df, 0, log_p.shape[1] - 2)
    k = position.astype(np.intp)
    rows = np.arange(u.size)[:, None]
    part = position - k
    return np.asarray(log_p[rows, k] * (1 - part) + log_p[rows, k + 1] * part, np.float64)


def _steadied_mean(log_p: NDArray[np.float32], u: Array) -> Array:
    """Mean over frames (bins,) with each frame's frequencies divided by its relative speed."""
    bins = np.arange(log_p.shape[1], dtype=np.float64)
    total = np.zeros(bins.size)
    for row, du in zip(log_p, u, strict=True):
        total += np.interp(bins * exp(du), bins, row)
    return total / u.size


def _check_steady(run: FreeRun, t: Array, u: Array, over: Array) -> None:
    """Refuse a recording in which the spindle starts, stops or changes speed.

    ``over`` (frames, k) is ln(1 + power) along each line less that of noise.
    """
    if np.ptp(u) > 1.5 * MAX_DEVIATION:
        raise BaselineError(
            f"{run.name}: the speed changes by {100 * np.ptp(u):.1f} % within the recording; let the spindle"
            " settle, then record"
        )
    usual = np.percentile(over, 80, axis=0)
    clear = usual > 8 * LOG_SD  # 14 dB over the noise: a few frames say whether the line is there
    if clear.sum() < 2:
        return  # a single line may fade by a resonance
    smooth = ndimage.median_filter(over[:, clear], (5, 1), mode="nearest")
    absent = (smooth < 0.25 * usual[clear]) @ usual[clear] / usual[clear].sum()
    # Some lines may fade by a resonance; of a few most, of more many at once for a second is the spindle.
    gone = ndimage.binary_opening(absent > (0.4 if clear.sum() >= 4 else 0.6), np.ones(4, np.bool_))
    if gone.any():
        start, end = max(0.0, t[gone][0] - 0.5), min(t[-1] + 0.25, t[gone][-1] + 0.5)
        raise BaselineError(
            f"{run.name}: the spindle's lines are not there between {start:.1f} and {end:.1f} s (starting,"
            " stopping or another speed); cut that part off, or record again at a steady speed"
        )


def _steadied(x: NDArray[np.floating], fs: float, t: Array, u: Array) -> NDArray[np.float32]:
    """``x`` resampled (cubic splines) so that a line at relative speed exp(u(t)) becomes constant."""
    nodes = np.arange(0, x.size / fs + 0.01, 0.01)
    s = np.exp(np.interp(nodes, t, u))
    turned = np.concatenate([[0.0], np.cumsum(0.5 * (s[1:] + s[:-1]) * 0.01)])
    n = int(min(turned[-1], x.size / fs) * fs)
    when = np.interp(np.arange(n) / fs, turned, nodes) * fs
    y = ndimage.map_coordinates(np.asarray(x, np.float32), [when], np.float32, order=3, mode="nearest")
    return np.asarray(y, np.float32)


# --- lines of one recording ---------------------------------------------------------------------


def _measure(run: FreeRun, t: Array, u: Array, top_hz: float) -> list[_Found]:
    """All lines of one recording, from long frames in the steadied and in the plain time scale."""
    x, fs = run.x, run.fs
    seconds = float(np.clip(x.size / fs / 3, 1.0, 2.0))
    # Blackman-Harris: side lobes at -92 dB, so that a strong line hides only its neighbours within 2 Hz.
    plain = _spectrogram(x, fs, seconds, "blackmanharris", 1, top_hz)
    steady = _spectrogram(_steadied(x, fs, t, u), fs, seconds, "blackmanharris", 1, top_hz)
    mean_plain, mean_steady = _mean_log(plain), _mean_log(steady)
    candidates = [(z, hz, True) for hz, z in zip(*_detect(steady, mean_steady, top_hz), strict=True)]
    candidates += [(z, hz, False) for hz, z in zip(*_detect(plain, mean_plain, top_hz), strict=True)]
    wander = float(u.std())
    taken: list[tuple[float, bool]] = []
    lines = []
    for z, hz, turns in sorted(candidates, reverse=True):
        reach = 1.5 * steady.enbw_hz + 3 * wander * hz
        # In the other time scale a line is a smeared heap: its bumps are not lines.
        if any(abs(hz - other) < reach and turns != domain for other, domain in taken):
            continue
        taken.append((hz, turns))
        covered = any(0 < abs(hz - other) < reach for other, _ in taken)
        line = _measure_line(plain, steady, mean_plain, mean_steady, hz, turns, float(z), wander, covered)
        if line is not None:
            lines.append(line)
    return lines


def _measure_line(
    plain: _Spectrogram, steady: _Spectrogram, mean_plain: Array, mean_steady: Array,
    hz: float, turns: bool, z: float, wander: float, near_stronger: bool,
) -> _Found | None:  # fmt: skip
    """One line, or None when it is no line: too broad, or no power above the floor."""
    own, mean_own = (steady, mean_steady) if turns else (plain, mean_plain)
    k = round(hz / own.df)
    lobe = round(2 * own.enbw_hz / own.df)
    low, high = max(0, k - lobe), min(own.hz.size, k + lobe + 1)
    floor = float(own.floor[k])
    band = np.median(np.sum(own.p[:, low:high], axis=1, dtype=np.float64))
    power = (float(band) - float(np.sum(own.floor[low:high]))) * own.df
    # Beside its main lobe a line falls by 6 dB or back into the noise. A room's own peaks, which noise
    # excites, are broader (2.2 / reverberation time, some 4 Hz), and so are resonances of the machine.
    aside = lobe + 1 + round(0.5 * wander * hz / own.df)
    beside = 0.5 * float(mean_own[max(0, k - aside)] + mean_own[min(k + aside, mean_own.size - 1)])
    if power <= 0 or mean_own[k] - beside < min(1.4, 0.6 * (mean_own[k] - LOG_MEAN)):
        return None
    reach = own.enbw_hz + 2 * wander * hz
    there_steady, peak_steady = (
        (hz, float(mean_own[k])) if turns else _peak_near(steady, mean_steady, hz, reach)
    )
    there_plain, peak_plain = _peak_near(plain, mean_plain, hz, reach) if turns else (hz, float(mean_own[k]))
    # What smearing by the wander would cost the sharper of the two.
    sharp = max(np.expm1(max(peak_steady, peak_plain)), 1e-3)
    smeared = sharp / sqrt(1 + (2.35 * wander * hz / own.enbw_hz) ** 2)
    loss = log((1 + sharp) / (1 + smeared))
    sd = float(np.hypot(0.15, 1.4 * LOG_SD / sqrt(own.looks)))
    sharper = float(np.clip(2 * loss * (peak_steady - peak_plain) / sd**2, -8, 8))
    if near_stronger:  # in the other time scale its neighbour's smeared heap covers it
        there_steady, there_plain = (hz, nan) if turns else (nan, hz)
        sharper = 0.0
    return _Found(hz, float(there_steady), float(there_plain), power, floor, z, sharper)


def _peak_near(s: _Spectrogram, mean_log: Array, hz: float, reach: float) -> tuple[float, float]:
    """Frequency and height of the largest value within ``reach`` of ``hz``."""
    low = max(1, int((hz - reach) / s.df))
    high = min(mean_log.size - 1, int((hz + reach) / s.df) + 2)
    k = low + int(np.argmax(mean_log[low:high]))
    return (k + float(_vertex(mean_log, np.array([k]))[0])) * s.df, float(mean_log[k])


# --- all recordings together --------------------------------------------------------------------


def _log_order(line: _Found, run: FreeRun, shift: float) -> float:
    return log(line.turning_hz * 60 / run.rpm) + shift


def _turn_tolerance(line: _Found) -> float:
    """Standard deviation of ln(order): a twentieth of a resolution cell, and 1e-4 for the speed."""
    return float(np.hypot(0.05 / line.hz, 1e-4))


def _stay_tolerance_hz(line: _Found) -> float:
    """Fans and mains stay within some 0.02 % between two recordings."""
    return float(np.hypot(0.05, 2e-4 * line.hz))


def _speed_shifts(found: Sequence[list[_Found]], runs: Sequence[FreeRun]) -> list[float]:
    """Shift of ln(order) of each recording that brings its sharp lines onto those before it.

    Raises
    ------
    BaselineError
        Another ratio of speeds explains the lines better than any near the commanded one, or
        nearly all lines stay where they are.
    """
    shifts = [0.0]
    for i in range(1, len(runs)):
        gaps, weights, staying = _pairs(found, runs, shifts, i)
        near = np.abs(gaps + SAME_SPEED / 2) <= DIAL_ERROR
        together = _together(gaps, weights)
        prior = np.exp(-0.1 * (gaps / DIAL_SD) ** 2)
        best = int(np.argmax(np.where(near, together * prior, -1.0))) if near.any() else -1
        score = float(together[best]) if best >= 0 else 0.0
        elsewhere = np.where(
            np.abs(gaps - (gaps[best] if best >= 0 else 0.0)) > 3 * SAME_SPEED, together, 0.0
        )
        rival = float(elsewhere.max(initial=0.0))
        # At the true ratio all turning lines agree, at another only chance and some harmonics: over 24
        # drawn machines the true ratio scored 0.87 to 3.5 of its best rival, wrong ones 0.06 to 0.52.
        if score < 0.8 * rival or (score < 1.3 * rival and score < 0.5 * staying):
            same = staying > max(score, rival)
            heard = runs[i - 1].rpm if same else runs[i].rpm * exp(-float(gaps[int(elsewhere.argmax())]))
            raise BaselineError(_contradiction(runs[i - 1], runs[i], heard))
        inside = np.abs(gaps - gaps[best] - SAME_SPEED / 2) <= SAME_SPEED
        order = np.argsort(gaps[inside])
        half = np.cumsum(weights[inside][order])
        shifts.append(float(gaps[inside][order][np.searchsorted(half, half[-1] / 2)]))
    return shifts


def _pairs(
    found: Sequence[list[_Found]], runs: Sequence[FreeRun], shifts: Sequence[float], i: int
) -> tuple[Array, Array, float]:
    """Gaps in ln(order) of all pairs of a line of recording i with one before it, rising.

    With their weights (bounded: no single line may decide), and the summed weight of the pairs
    left out because they stand at the same frequency.
    """
    gaps: list[float] = []
    weights: list[float] = []
    staying = 0.0
    for j in range(i):
        for a in found[j]:
            for b in found[i]:
                weight = min(a.z, b.z, 36.0) ** 0.5
                if abs(a.hz - b.hz) < 4 * _stay_tolerance_hz(b):
                    staying += weight
                elif not isnan(a.turning_hz + b.turning_hz):
                    gap = _log_order(a, runs[j], shifts[j]) - _log_order(b, runs[i], 0.0)
                    gaps.append(gap)
                    weights.append(weight)
    order = np.argsort(gaps)
    return np.array(gaps)[order], np.array(weights)[order], staying / i


def _together(gaps: Array, weights: Array) -> Array:
    """Summed weight of the pairs from each gap to SAME_SPEED above it."""
    total = np.concatenate([[0.0], np.cumsum(weights)])
    return np.asarray(total[np.searchsorted(gaps, gaps + SAME_SPEED)] - total[np.searchsorted(gaps, gaps)])


@dataclass(frozen=True)
class _Classed:
    kind: LineClass
    confidence: float
    members: dict[int, _Found]  # by recording


def _classify(
    found: Sequence[list[_Found]], shifts: Sequence[float], runs: Sequence[FreeRun]
) -> list[_Classed]:
    """Weigh, for every line, "turns", "stays" and "neither", strongest lines first.

    A match in another recording multiplies the odds by its probability if true over its
    probability by chance (density of lines there times the tolerance); a missing one by the
    probability that resonance or noise hides it. Sharpness adds its log-likelihood.
    """
    left = [list(lines) for lines in found]
    everything = sorted(
        ((line.z, i, line) for i, lines in enumerate(found) for line in lines), key=lambda e: -e[0]
    )
    classed = []
    for _, i, line in everything:
        if not any(line is other for other in left[i]):
            continue
        turn = {i: line} | _matches(line, i, left, shifts, runs, turning=True)
        stay = {i: line} | _matches(line, i, left, shifts, runs, turning=False)
        odds = {
            LineClass.ORDER: log(0.6) + _match_odds(line, i, turn, found, 0.7),
            LineClass.FIXED: log(0.25) + _match_odds(line, i, stay, found, 0.95),
            LineClass.UNKNOWN: log(0.15),
        }
        # Sharpness alone, without a second recording that agrees, is trusted less.
        odds[LineClass.ORDER] += 0.5 * _sharpness(turn, 12 if len(turn) > 1 else 4 if len(runs) > 1 else 8)
        odds[LineClass.FIXED] -= 0.5 * _sharpness(stay, 12 if len(stay) > 1 else 4 if len(runs) > 1 else 8)
        for kind, hz in ((LineClass.ORDER, line.turning_hz), (LineClass.FIXED, line.fixed_hz)):
            odds[kind] = -inf if isnan(hz) else odds[kind]
        if _mains(np.array([line.fixed_hz]), 0.05)[0]:
            odds[LineClass.FIXED] += 3.0  # by chance 1 in 20 or less at these widths
        top = max(odds.values())
        p = {kind: exp(value - top) for kind, value in odds.items()}
        kind = max(p, key=lambda k: p[k])
        confidence = p[kind] / sum(p.values())
        # A line heard at one speed only must be strong: noise makes no cell 4 times over the threshold.
        single = kind is LineClass.ORDER and len(turn) == 1 < len(runs)
        if confidence < 0.8 or (single and line.z < 4 * log_threshold(FALSE_ALARM, 10)):
            kind, confidence = LineClass.UNKNOWN, 1 - confidence
        members = {LineClass.ORDER: turn, LineClass.FIXED: stay}.get(kind, {i: line})
        if len(runs) == 1:
            confidence = min(confidence, 0.8)  # no second speed to confirm it
        for j, member in members.items():
            left[j] = [other for other in left[j] if other is not member]
        classed.append(_Classed(kind, confidence, members))
    return classed


def _sharpness(members: dict[int, _Found], limit: float) -> float:
    return float(np.clip(sum(m.sharper for m in members.values()), -limit, limit))


def _matches(
    line: _Found,
    i: int,
    left: Sequence[list[_Found]],
    shifts: Sequence[float],
    runs: Sequence[FreeRun],
    turning: bool,
) -> dict[int, _Found]:
    """The nearest line in each other recording, within three standard deviations."""
    result = {}
    for j, others in enumerate(left):
        if j == i:
            continue
        best, nearest = None, 3.0
        for other in others:
            if turning:
                gap = abs(_log_order(line, runs[i], shifts[i]) - _log_order(other, runs[j], shifts[j]))
                gap /= float(np.hypot(_turn_tolerance(line), _turn_tolerance(other)))
            else:
                gap = abs(line.fixed_hz - other.fixed_hz) / (sqrt(2) * _stay_tolerance_hz(line))
            if gap < nearest:
                best, nearest = other, gap
        if best is not None:
            result[j] = best
    return result


def _match_odds(
    line: _Found, i: int, members: dict[int, _Found], found: Sequence[list[_Found]], p_seen: float
) -> float:
    """Log-likelihood ratio of the matches found and missed, against chance."""
    total = 0.0
    for j, others in enumerate(found):
        if j == i:
            continue
        if j in members:
            hz = members[j].hz
            dense = sum(abs(log(other.hz / hz)) < 0.2 for other in others) / 0.4
            # Within three standard deviations of the difference, on either side.
            chance = 1 - exp(-dense * 6 * sqrt(2) * float(np.hypot(0.05 / hz, 2e-4)))
            total += log(p_seen / max(chance, 1e-4))
        else:
            total += log(1 - p_seen)
    return total


def _assemble(
    runs: Sequence[FreeRun], speeds: Sequence[tuple[Array, Array]], classed: Sequence[_Classed],
    shifts: Sequence[float], created: str, fs: float, notes: list[str],
) -> Baseline:  # fmt: skip
    """The baseline from what was found."""
    n = len(runs)
    floor_hz = _floor_bands(fs)
    ratio = np.exp(-(np.array(shifts) - np.mean(shifts)))
    lines = []
    for c in classed:
        weight = {i: m.z / _turn_tolerance(m) ** 2 for i, m in c.members.items()}
        heard = {i: m.hz if c.kind is LineClass.UNKNOWN else m.turning_hz for i, m in c.members.items()}
        order = sum(w * heard[i] * 60 / (runs[i].rpm * ratio[i]) for i, w in weight.items())
        order = float(order / sum(weight.values()))
        if c.kind is LineClass.FIXED:
            hz = float(np.mean([m.fixed_hz for m in c.members.values()]))
        else:
            hz = order * runs[0].rpm / 60 * float(ratio[0])
        level = tuple(10 * float(np.log10(c.members[i].power)) if i in c.members else nan for i in range(n))
        prominence = tuple(
            10 * float(np.log10(c.members[i].prominence)) if i in c.members else nan for i in range(n)
        )
        lines.append(
            Line(c.kind, nan if c.kind is LineClass.FIXED else order, hz, level, prominence, c.confidence)
        )
    turning = [line for line in lines if line.kind is LineClass.ORDER]
    if n > 1 and not turning:
        raise BaselineError(_contradiction(runs[0], runs[-1], runs[0].rpm))
    lines.sort(key=_usefulness, reverse=True)
    lines.sort(key=lambda line: line.kind is LineClass.UNKNOWN)  # unclassed ones make room for the others
    lines = sorted(lines[:MAX_LINES], key=_usefulness, reverse=True)
    sure = 1 - float(np.prod([1 - 0.6 * line.confidence for line in turning])) if turning else 0.2
    if n == 1:
        sure = min(sure, 0.5)
        notes.append("one speed only: give a second speed to be sure which lines turn with the spindle")
    return Baseline(
        version=BASELINE_VERSION,
        created=created,
        sample_rate_hz=float(fs),
        speeds_rpm=tuple(float(run.rpm) for run in runs),
        heard_ratio=tuple(float(r) for r in ratio),
        level_dbfs=tuple(10 * float(np.log10(np.mean(np.square(run.x)))) for run in runs),
        floor_hz=tuple(float(f) for f in floor_hz),
        floor_dbfs_hz=tuple(_floor_levels(run, floor_hz) for run in runs),
        lines=tuple(lines),
        wander=float(np.sqrt(np.mean([np.var(u) for _, u in speeds]))),
        confidence=sure,
        notes=tuple(notes),
    )


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
    c = _spectrogram(run.x, run.fs, COARSE_S, "hann", 1, 0.47 * run.fs, most=60)
    edge = 10 ** (1 / 40)
    inside = [(c.hz >= f / edge) & (c.hz <= f * edge) for f in centres]
    return tuple(10 * float(np.log10(np.mean(c.floor[band]))) for band in inside)
