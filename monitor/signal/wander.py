"""Speed within a recording: how a free-running spindle wanders, and the sound with that taken out."""

from __future__ import annotations

from math import exp, log, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, signal

from monitor.errors import BaselineError
from monitor.signal.free_run import FreeRun, decimated
from monitor.signal.lines import LOG_MEAN, LOG_SD, Array, Spectrogram, detect, log_power, mains_multiple

MAX_DEVIATION = 0.03  # of speed within one recording: free running wanders 0.4 % rms, 7 sigma
_STRONGEST = 60  # lines that are followed
GONE = 0.35  # share of lines whose absence is the spindle's and not the room's; see _check_steady


def steady_speed(run: FreeRun, c: Spectrogram, hz: Array, top_hz: float, paired: bool) -> tuple[Array, Array]:
    """Times and ln of relative speed at them, mean 0.

    Lines that fit better standing still are dropped, and the spectrum steadied by the first
    result gives more lines for the second: high ones, smeared before, that say most.
    """
    log_p = log_power(c)
    plain, _ = detect(c, np.mean(log_p, axis=0).astype(np.float64), top_hz)
    first, shared = (hz, True) if paired else _wandering_together(log_p, c.df, hz)
    u = _track(log_p, c.df, first)
    for _ in range(2):
        more, z = detect(c, _steadied_mean(log_p, u), top_hz / exp(MAX_DEVIATION))
        more = more[np.argsort(-z * more)[:_STRONGEST]]
        more = more[(mains_multiple(more, 0.3) == 0)]
        # A strong fixed tone, smeared by the steadying, looks like lines that follow its errors.
        fixed = plain[_gain(log_p, c.df, plain, u) < -0.1]
        reach = c.enbw_hz + 2 * float(np.abs(u).max()) * fixed
        near = (np.abs(more[:, None] - fixed[None, :]) < reach[None, :]).any(axis=1)
        keep = (_gain(log_p, c.df, more, u) >= 0) & ~near
        hz = more[keep] if keep.sum() >= min(3, first.size) else first
        u = _track(log_p, c.df, hz)
        if paired and np.median(_gain(log_p, c.df, first, u)) < 0:
            # Lines found again at another speed do turn, and following the spindle sharpens them; what makes
            # most of them worse is another wander: a narrow mode of the machine, which noise makes waver,
            # follows any track that it helped to find.
            hz = first
            u = _track(log_p, c.df, hz)
            break
    if not shared and not _foretold(log_p, c.df, hz):
        # A track sharpens the noise that it was found in, and smears a spindle that wanders by less than is
        # seen: its lines would pass for fixed ones. Taken as none, it leaves them unclassed.
        hz, u = hz[:0], np.zeros(c.t.size)
    plain = plain[mains_multiple(plain, 0.3) == 0]
    over = np.hstack([_follow(log_p, c.df, hz, u) - LOG_MEAN, _near(log_p, c, plain, np.ptp(u) * plain)])
    _check_steady(run, c.t, u, over)
    return _follow_phase(run, c, u, hz)


def _follow_phase(run: FreeRun, c: Spectrogram, u: Array, hz: Array) -> tuple[Array, Array]:
    """Speed again, from the phase advance of the lines between frames 1/32 s apart.

    In the steadied sound a line's phase advances by 2 pi f h but for what the first track missed;
    the residual is the mean over lines weighted by the information each carries (f^2 x power
    over noise, bounded, so that one line does not decide alone).
    """
    hz = hz[hz < 5000]  # the advance is known modulo 32 Hz: 0.2 % of 5 kHz leaves a margin
    if not hz.size:
        return c.t, u
    low = decimated(run, 5000)
    x, fs = steadied(low.x, low.fs, c.t, u), low.fs
    n, hop = int(0.125 * fs), int(fs / 32)
    w = signal.get_window("hann", n).astype(np.float32)
    starts = np.arange(0, x.size - n + 1, hop)
    turn = np.exp(-2j * np.pi * np.outer(np.arange(n), np.round(hz * n / fs) / n)).T * w
    cosine, sine = turn.real.T.astype(np.float32), turn.imag.T.astype(np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(x, n)[::hop]
    pieces = (np.ascontiguousarray(frames[k : k + 256]) for k in range(0, len(frames), 256))
    z = np.concatenate([piece @ cosine + 1j * (piece @ sine) for piece in pieces])
    noise = c.floor[np.round(hz / c.df).astype(np.intp)] * fs * float(np.sum(w * w)) / 2
    advance = z[1:] * np.conj(z[:-1])
    residual = np.angle(advance * np.conj(advance.sum(axis=0))) * fs / (2 * np.pi * hop * hz)
    weight = hz**2 * np.minimum(np.abs(advance) / noise, 1000)
    more = np.sum(weight * residual, axis=1) / np.sum(weight, axis=1)
    more = ndimage.gaussian_filter1d(ndimage.median_filter(more, 3), 1.0)
    t = (starts[1:] + n / 2 - hop / 2) / fs
    fine = np.interp(t, c.t, u) + more
    return np.asarray(t, np.float64), np.asarray(fine - fine.mean(), np.float64)


def _wandering_together(log_p: NDArray[np.float32], df: float, hz: Array) -> tuple[Array, bool]:
    """Which lines share one wander, for a recording with no other to compare; and whether any do.

    Each of the strongest lines is followed alone; the one whose wander sharpens the others most
    is taken for the spindle's, with the lines that it sharpens. All where it sharpens none, since each may
    say too little alone.
    """
    if hz.size < 3:
        return hz, False
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
    return best, best_sum > 0


def _foretold(log_p: NDArray[np.float32], df: float, hz: Array) -> bool:
    """Whether lines move as the others do, rather than stand still: each judged by a track without it.

    Leave-one-out cross-validation (Stone 1974, from memory) of the log-likelihood, summed over lines.
    """
    if hz.size < 2:
        return False
    tracks = [_track(log_p, df, np.delete(hz, k)) for k in range(hz.size)]
    return sum(float(_gain(log_p, df, hz[k : k + 1], u)[0]) for k, u in enumerate(tracks)) > 0


def _gain(log_p: NDArray[np.float32], df: float, hz: Array, u: Array) -> Array:
    """By how much each line (k,) fits better moving by exp(u) than standing still."""
    moving, still = _follow(log_p, df, hz, u), _follow(log_p, df, hz, np.zeros_like(u))
    return np.asarray(np.mean(moving - still, axis=0), np.float64)


def _near(log_p: NDArray[np.float32], c: Spectrogram, hz: Array, reach_hz: Array) -> Array:
    """The highest value (frames, k) within reach of each frequency, less what noise reaches there.

    For lines that are not followed: they may stand still, turn, or be a bump in the smeared heap of one
    that turns.
    """
    columns = []
    for f, reach in zip(hz, reach_hz, strict=True):
        low, high = max(0, round((f - reach) / c.df)), round((f + reach) / c.df) + 1
        # The largest of n exponential variables of mean 1 is ln n + 0.577 on average (n = 1: LOG_MEAN).
        n = 1 + 2 * reach / c.enbw_hz
        columns.append(log_p[:, low:high].max(axis=1) - max(LOG_MEAN, log(1.577 + log(n))))
    return np.array(columns, np.float64).reshape(hz.size, -1).T if hz.size else np.zeros((len(log_p), 0))


def _track(log_p: NDArray[np.float32], df: float, hz: Array) -> Array:
    """ln of relative speed (frames,), mean 0: the most likely path through the sum over lines."""
    grid = np.arange(-MAX_DEVIATION, MAX_DEVIATION + 1e-9, 2e-4)
    score = np.zeros((log_p.shape[0], grid.size), np.float32)
    for f in hz:
        score += _at(log_p, f * np.exp(grid) / df)
    # Free running, speed moves 0.3 % (1 sd) between frames 0.25 s apart at most.
    jump = (-0.5 * ((grid[:, None] - grid[None, :]) / 0.003) ** 2).astype(np.float32)
    best = score[0]
    back = np.zeros(score.shape, np.intp)
    for k in range(1, score.shape[0]):
        total = jump + best[None, :]
        back[k] = total.argmax(axis=1)
        best = total[np.arange(grid.size), back[k]] + score[k]
        best -= best.max()  # float32 holds small numbers well
    path = np.empty(score.shape[0], np.intp)
    path[-1] = int(best.argmax())
    for k in range(score.shape[0] - 1, 0, -1):
        path[k - 1] = back[k, path[k]]
    rows = np.arange(path.size)
    inner = np.clip(path, 1, grid.size - 2)
    a, b, d = score[rows, inner - 1], score[rows, inner], score[rows, inner + 1]
    u = grid[inner] + np.clip(0.5 * (a - d) / np.minimum(a - 2 * b + d, -1e-9), -0.5, 0.5) * 2e-4
    return np.asarray(u - u.mean(), np.float64)


def _at(log_p: NDArray[np.float32], position: Array) -> NDArray[np.float32]:
    """``log_p`` (frames, bins) at fractional bins (m,), linearly: (frames, m)."""
    k = np.clip(position.astype(np.intp), 0, log_p.shape[1] - 2)
    part = (position - k).astype(np.float32)
    return np.asarray(log_p[:, k] * (1 - part) + log_p[:, k + 1] * part)


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

    ``over`` (frames, k) is ln(1 + power) along each line less that of noise. A line is gone when it stays
    below 0.3 of its usual height for 1.5 s. Single ones do so when wander moves them into a notch of the
    room; of 180 recordings of drawn machines at 3 and 0 dB line SNR at most 0.27 of the lines did, in
    recordings with a start, a stop or a step of speed 0.40 to 1. Of few lines more may do so by chance. No
    steady recording of 300 drawn machines was refused at 3 or 0 dB; of 80 starts and 80 stops all were.
    """
    if np.ptp(u) > 1.5 * MAX_DEVIATION:
        raise BaselineError(
            f"{run.name}: the speed changes by {100 * np.ptp(u):.1f} % within the recording; let the spindle"
            " settle, then record"
        )
    usual = np.percentile(over, 80, axis=0)
    clear = usual > 1.5  # 5 dB over noise: smoothed over 5 frames, 0.3 of it is over 4 sd of noise below
    if clear.sum() < 4:
        return  # so few lines may fade together by chance
    weight = np.minimum(usual[clear], 3.0)
    smooth = ndimage.median_filter(over[:, clear], (5, 1), mode="nearest")
    gone = ndimage.binary_opening(smooth < 0.3 * usual[clear], np.ones((6, 1), np.bool_))
    if gone.any(axis=0) @ weight < (GONE + 1 / weight.size) * weight.sum():
        return
    many = gone @ weight
    when = t[many > 0.5 * many.max()]
    start, end = max(0.0, when[0] - 0.25), min(t[-1] + 0.25, when[-1] + 0.25)
    raise BaselineError(
        f"{run.name}: the spindle's lines are not there between {start:.1f} and {end:.1f} s (starting,"
        " stopping or another speed); cut that part off, or record again at a steady speed"
    )


def steadied(x: NDArray[np.floating], fs: float, t: Array, u: Array) -> NDArray[np.float32]:
    """``x`` resampled (cubic splines) so that a line at relative speed exp(u(t)) becomes constant."""
    nodes = np.arange(0, x.size / fs + 0.01, 0.01)
    s = np.exp(np.interp(nodes, t, u))
    turned = np.concatenate([[0.0], np.cumsum(0.5 * (s[1:] + s[:-1]) * 0.01)])
    n = int(min(turned[-1], x.size / fs) * fs)
    when = np.interp(np.arange(n) / fs, turned, nodes) * fs
    y = ndimage.map_coordinates(np.asarray(x, np.float32), [when], np.float32, order=3, mode="nearest")
    return np.asarray(y, np.float32)
