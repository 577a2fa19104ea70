"""Maximum-likelihood speed of a spindle from one frame, given roughly where it is.

The model: lines at known orders of one rotation frequency that may change linearly within the
frame, each with its own unknown amplitude and phase, in noise of known density around each line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_BLOCKS = 32  # sub-blocks of a frame: short enough (6 ms of 200) that no line turns far within one
_ITERATIONS = 3  # Gauss-Newton steps; the third changes nothing visible at any SNR tried
_LEAKAGE = 3e-4  # relative: neighbours 80 Hz off in a 0.2 s rectangular window, -34 dB, at half their order
_OUTLIER_Z = 4.0  # a line this many deviations off the others is losing its vote: 6e-5 in pure noise


def speed_bound(
    fs: float,
    n: int,
    orders: NDArray[np.floating],
    amplitudes: NDArray[np.floating],
    noise_var: float | NDArray[np.floating],
) -> float:
    """Cramer-Rao bound: the least standard deviation of the rotation frequency, in Hz.

    For x[i] = sum_k A_k cos(2 pi o_k f i / fs + phi_k) + noise, phases and amplitudes unknown, lines
    well apart. With time counted from the middle of the frame, f is orthogonal to every phase and
    amplitude, and (also when a linear rate is estimated beside it) its Fisher information is

        sum_k A_k^2 / (2 sigma_k^2) (2 pi o_k / fs)^2 sum_i (i - (n-1)/2)^2,

    where the last sum is n (n^2 - 1) / 12; hence

        var(f) >= 6 fs^2 / (pi^2 n (n^2 - 1) sum_k o_k^2 A_k^2 / sigma_k^2).

    Parameters
    ----------
    fs, n : sample rate in Hz and number of samples
    orders, amplitudes : shape (K,)
    noise_var : scalar for white noise, or shape (K,): noise density (one-sided, per Hz) around each
        line times fs / 2

    References
    ----------
    One line: Rife and Boorstyn 1974 (IEEE Trans. Inf. Theory 20:591); harmonics: Christensen and
    Jakobsson 2009, Multi-Pitch Estimation. Both from memory; checked against a numerical Fisher
    matrix in the tests.
    """
    information = float(np.sum(np.asarray(orders) ** 2 * np.asarray(amplitudes) ** 2 / noise_var))
    return float(np.sqrt(6 * fs**2 / (np.pi**2 * n * (n**2 - 1.0) * information)))


@dataclass(frozen=True, slots=True)
class Refined:
    """Speed in the middle of each frame, shape (n_frames,) each.

    ``spindle_hz`` and ``rate_hz_s`` with their standard deviations from the Fisher information,
    widened where the lines disagree more than noise explains. ``votes`` is the sum of the lines'
    weights (1 each when they agree).
    """

    spindle_hz: NDArray[np.float64]
    rate_hz_s: NDArray[np.float64]
    sd_hz: NDArray[np.float64]
    sd_rate: NDArray[np.float64]
    votes: NDArray[np.float64]


def refine_speed(
    frames: NDArray[np.floating],
    fs: float,
    orders: NDArray[np.floating],
    guess_hz: NDArray[np.floating],
    guess_rate: NDArray[np.floating] | None = None,
    noise_density: NDArray[np.floating] | None = None,
    pull_in: tuple[int, ...] = (16, 8),
) -> Refined:
    """Refine guesses of the rotation frequency to the maximum-likelihood estimate.

    Non-linear least squares: a rectangular window (Hann would cost 1.5 times the deviation), each
    line demodulated at the guess in sub-blocks; first the phase steps between short segments pull
    the guess in (unambiguous while the error is under 40 Hz at the highest line), then Gauss-Newton
    steps on the whole frame. Lines that contradict the rest (a radio's tone beside one) lose weight.

    Parameters
    ----------
    frames : shape (n_frames, n)
    fs : sample rate, Hz
    orders : shape (K,)
    guess_hz, guess_rate : shape (n_frames,), Hz and Hz/s at mid-frame; the rate defaults to 0
    noise_density : shape (n_frames, K), one-sided, per Hz; default 1: equal for all lines
    pull_in : number of segments (4, 8, 16 or 32) whose phase steps are used, stage by stage; of a
        0.2 s frame, 16 are 12.5 ms each, unambiguous up to 40 Hz at the highest line

    Notes
    -----
    Error against the Cramer-Rao bound is measured in tests/benchmarks.
    """
    n_frames, n = frames.shape
    length = n // _BLOCKS
    orders32 = np.asarray(orders, np.float32)
    n_lines = orders32.size
    guess = np.asarray(guess_hz, np.float64)
    rate = np.zeros(n_frames) if guess_rate is None else np.asarray(guess_rate, np.float64)
    density = np.ones((n_frames, n_lines)) if noise_density is None else np.asarray(noise_density)
    used = frames[:, : length * _BLOCKS].astype(np.float32)
    used = used - used.mean(axis=1, keepdims=True)  # a rectangular window lets DC leak everywhere
    blocks = used.reshape(n_frames, _BLOCKS, length)

    within = (np.arange(length) - (length - 1) / 2) / fs
    between = (np.arange(_BLOCKS) - (_BLOCKS - 1) / 2) * (length / fs)
    curve = between**2 / 2
    turns = guess[:, None] * between + rate[:, None] * curve  # of the spindle, at block centres
    inner = np.float32(2 * np.pi) * ((guess[:, None] * within)[:, :, None].astype(np.float32) * orders32)
    basis = np.concatenate([np.cos(inner), -np.sin(inner)], axis=-1)
    sums = np.matmul(blocks, basis)
    # float64 turns, reduced before the cosine: a high line makes hundreds of turns in a frame
    line_turns = turns[:, :, None] * np.asarray(orders, np.float64)
    outer = np.float32(2 * np.pi) * (line_turns - np.rint(line_turns)).astype(np.float32)
    y = _product(sums[:, :, :n_lines] + 1j * sums[:, :, n_lines:], _phasors(outer))

    # Noise in one block sum: length samples of variance fs/2 times the density.
    block_var = density * (length * fs / 2)
    shift, shift_rate = np.zeros(n_frames), np.zeros(n_frames)
    z = y
    for segments in pull_in:
        step, step_rate = _phase_steps(z, segments, orders32, length / fs, block_var)
        shift, shift_rate = shift + step, shift_rate + step_rate
        z = _product(y, _turn_back(shift, shift_rate, between, orders32))
    # Noise may have pulled the wrong way: keep the guess where it explains more power.
    worse = _explained(z, block_var) < _explained(y, block_var)
    shift, shift_rate = np.where(worse, 0.0, shift), np.where(worse, 0.0, shift_rate)
    z = np.where(worse[:, None, None], y, z)
    weights = np.ones((n_frames, n_lines))
    curve = curve - curve.mean()
    sum_t2, sum_c2 = float(between @ between), float(curve @ curve)
    # One row a moment: mean, first moment in time, moment along the curve of a linear rate.
    moments = np.stack([np.full(_BLOCKS, 1 / _BLOCKS), between, curve]).astype(np.float32)
    for iteration in range(_ITERATIONS):
        if iteration:
            z = _product(y, _turn_back(shift, shift_rate, between, orders32))
        # contiguous, or matmul may sum in another order for another number of frames
        re = np.matmul(moments, np.ascontiguousarray(z.real)).astype(np.float64)
        im = np.matmul(moments, np.ascontiguousarray(z.imag)).astype(np.float64)
        power = re[:, 0] ** 2 + im[:, 0] ** 2
        # How the phase of each line leans over time and along the curve, against its mean phasor
        slope = im[:, 1] * re[:, 0] - re[:, 1] * im[:, 0]
        bend = im[:, 2] * re[:, 0] - re[:, 2] * im[:, 0]
        base = weights * orders32 / block_var
        fisher = (base * orders32 * power).sum(axis=1) * 2 * np.pi
        fisher = np.maximum(fisher, 1e-300)
        shift = shift + (base * slope).sum(axis=1) / (fisher * sum_t2)
        shift_rate = shift_rate + (base * bend).sum(axis=1) / (fisher * sum_c2)
        if iteration == 0:
            # One line alone would move by slope / (2 pi o power sum t^2) more, with variance
            # block_var / (2 power (2 pi o)^2 sum t^2): compare with the joint step.
            own = slope / np.maximum(power * orders32 * (2 * np.pi * sum_t2), 1e-300)
            own = own - (base * slope).sum(axis=1, keepdims=True) / (fisher * sum_t2)[:, None]
            own_sd = np.sqrt(block_var / np.maximum(2 * power * sum_t2, 1e-30)) / (2 * np.pi * orders32)
            # Other lines leak in: at high SNR that, not noise, sets how well one line can agree.
            spread = own / np.hypot(own_sd, _LEAKAGE * guess[:, None])
            weights = 1 / (1 + (spread / _OUTLIER_Z) ** 4)
    excess = (weights * spread**2).sum(axis=1) / np.maximum(weights.sum(axis=1), 1e-9)
    widen = np.sqrt(np.maximum(1.0, excess))
    information = 2 * (2 * np.pi) ** 2 * (weights * orders32**2 * power / block_var).sum(axis=1)
    information = np.maximum(information, 1e-30)  # digital silence: know nothing, overflow nothing
    return Refined(
        spindle_hz=guess + shift,
        rate_hz_s=rate + shift_rate,
        sd_hz=widen / np.sqrt(information * sum_t2),
        sd_rate=widen / np.sqrt(information * sum_c2),
        votes=weights.sum(axis=1),
    )


def _explained(z: NDArray[np.complexfloating], block_var: NDArray[np.floating]) -> NDArray[np.float64]:
    """Log likelihood (up to constants) of lines at rest in ``z``: their power over the noise, (n_frames,)."""
    mean = z.sum(axis=1)
    likelihood: NDArray[np.float64] = ((mean.real**2 + mean.imag**2) / block_var).sum(axis=1)
    return likelihood


def _turn_back(
    shift: NDArray[np.float64],
    shift_rate: NDArray[np.float64],
    times: NDArray[np.float64],
    orders: NDArray[np.float32],
) -> NDArray[np.complex64]:
    """Phasors that undo a change of speed (Hz) and rate (Hz/s), shape (n_frames, n_times, K)."""
    turns = shift[:, None] * times + shift_rate[:, None] * (times**2 / 2)
    angle = np.float32(2 * np.pi) * (turns.astype(np.float32)[:, :, None] * orders)
    return _phasors(angle)


def _phasors(angle: NDArray[np.float32]) -> NDArray[np.complex64]:
    """exp(-j angle), of the shape of ``angle``."""
    phasors = np.empty(angle.shape, np.complex64)
    np.cos(angle, out=phasors.real)
    np.negative(np.sin(angle), out=phasors.imag)
    return phasors


def _product(a: NDArray[np.complexfloating], b: NDArray[np.complexfloating]) -> NDArray[np.complexfloating]:
    """Product into an array of its own.

    numpy multiplies a large unnamed operand in place, which for complex numbers rounds differently: the
    result would depend on the number of frames.
    """
    product: NDArray[np.complexfloating] = np.multiply(
        a, b, out=np.empty(np.broadcast_shapes(a.shape, b.shape), a.dtype)
    )
    return product


def _phase_steps(
    y: NDArray[np.complexfloating],
    n_segments: int,
    orders: NDArray[np.float32],
    block_s: float,
    block_var: NDArray[np.floating],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Speed (Hz) and rate (Hz/s) still missing, from phase steps between neighbouring segments."""
    n_frames, n_blocks, n_lines = y.shape
    per = n_blocks // n_segments
    segments = y.reshape(n_frames, n_segments, per, n_lines).sum(axis=2)
    steps = _product(segments[:, 1:], np.conj(segments[:, :-1]))
    seconds = per * block_s
    centre = (np.arange(n_segments - 1) - (n_segments - 2) / 2) * seconds
    # A step's angle has variance ~ noise / |segment|^2: weight by |step| over the noise; the angle
    # measures order times speed.
    weight = np.abs(steps) / block_var[:, None, :].astype(np.float32)
    value = np.angle(steps) * np.float32(1 / (2 * np.pi * seconds))
    along = (weight * orders * value).sum(axis=2).astype(np.float64)
    norm = np.maximum((weight * orders**2).sum(axis=2), np.float32(1e-30)).astype(np.float64)
    total = norm.sum(axis=1)
    middle = (norm * centre).sum(axis=1) / total
    mean = along.sum(axis=1) / total
    offset = centre[None, :] - middle[:, None]
    rate = (along * offset).sum(axis=1) / np.maximum((norm * offset**2).sum(axis=1), 1e-300)
    return mean - rate * middle, rate
