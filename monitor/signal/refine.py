"""Maximum-likelihood speed of a spindle from one frame, given roughly where it is.

The model: lines at known orders of one rotation frequency that may change linearly within the
frame, each with its own unknown amplitude and phase, in noise of known density around each line.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

_BLOCKS = 32  # sub-blocks of a frame: short enough (6 ms of 200) that no line turns far within one
_ITERATIONS = 3  # Gauss-Newton steps; a fourth changes nothing visible at any SNR tried
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
    o = np.asarray(orders, np.float64)
    guess = np.asarray(guess_hz, np.float64)
    rate = np.zeros(n_frames) if guess_rate is None else np.asarray(guess_rate, np.float64)
    density = np.ones((n_frames, o.size)) if noise_density is None else np.asarray(noise_density)
    used = frames[:, : length * _BLOCKS].astype(np.float32, copy=False)
    mean = np.add.reduce(used, axis=1, keepdims=True) / np.float32(used.shape[1])
    used = np.subtract(used, mean)  # a rectangular window lets DC leak everywhere
    blocks = used.reshape(n_frames, _BLOCKS, length)

    turns = guess[:, None] * _centres(length, 1 / fs)[0]
    basis = _phasors(turns.astype(np.float32)[:, :, None] * (2 * np.pi * o).astype(np.float32))
    sums = np.matmul(blocks, basis.view(np.float32)).view(np.complex64)
    times, curve = _centres(_BLOCKS, length / fs)
    turns = guess[:, None] * times + rate[:, None] * curve  # of the spindle, at block centres
    # float64 turns, reduced before the cosine: a high line makes hundreds of turns in a frame
    line_turns = turns[:, :, None] * o
    line_turns -= np.rint(line_turns)
    y = _product(sums, _phasors(line_turns.astype(np.float32) * np.float32(2 * np.pi)))

    # Noise in one block sum: length samples of variance fs/2 times the density.
    sharpness = 1 / (density * (length * fs / 2))
    shift, shift_rate = np.zeros(n_frames), np.zeros(n_frames)
    z = y
    for segments in pull_in:
        step, step_rate = _phase_steps(z, segments, o, length * _BLOCKS / fs / segments, sharpness)
        shift, shift_rate = shift + step, shift_rate + step_rate
        z = _turned_back(y, shift, shift_rate, o, length / fs)
    # The guess is near now, so that two blocks can be one.
    y, z, sharpness = _halved(y), _halved(z), sharpness / 2
    # Noise may have pulled the wrong way: keep the guess where it explains more power.
    worse = _explained(z, sharpness) < _explained(y, sharpness)
    if worse.any():
        shift, shift_rate = np.where(worse, 0.0, shift), np.where(worse, 0.0, shift_rate)
        z = np.where(worse[:, None, None], y, z)
    moments, squares = _moments(_BLOCKS // 2, 2 * length / fs)
    weights = np.ones((n_frames, o.size))
    moved, moved_rate = np.zeros(n_frames), np.zeros(n_frames)
    for iteration in range(_ITERATIONS):
        if iteration:
            z = _turned_back(z, moved, moved_rate, o, 2 * length / fs)
        phasors = np.matmul(moments, z.view(np.float32)).astype(np.float64).view(np.complex128)
        # Against its mean phasor, how the phase of each line leans over time and along the curve
        products = _product(phasors, np.conj(phasors[:, :1]))
        power: NDArray[np.floating] = products[:, 0].real
        leans: NDArray[np.floating] = products[:, 1:].imag
        base = weights * o * sharpness
        fisher = np.maximum((base * o * power).sum(axis=1) * (2 * np.pi), 1e-300)
        moved, moved_rate = ((base[:, None] * leans).sum(axis=2) / fisher[:, None] / squares).T
        shift, shift_rate = shift + moved, shift_rate + moved_rate
        if iteration == 0:
            # One line alone would move by lean / (2 pi o power sum t^2) more, with variance
            # noise / (2 power (2 pi o)^2 sum t^2): compare with the joint step.
            own = leans[:, 0] / np.maximum(power * o * (2 * np.pi * squares[0]), 1e-300)
            own -= moved[:, None]
            own_var = 1 / np.maximum(power * sharpness * (2 * squares[0] * (2 * np.pi * o) ** 2), 1e-30)
            # Other lines leak in: at high SNR that, not noise, sets how well one line can agree.
            spread2 = own**2 / (own_var + (_LEAKAGE * guess[:, None]) ** 2)
            weights = 1 / (1 + (spread2 / _OUTLIER_Z**2) ** 2)
    votes = weights.sum(axis=1)
    excess = (weights * spread2).sum(axis=1) / np.maximum(votes, 1e-9)
    information = 2 * (2 * np.pi) ** 2 * (weights * sharpness * power * o**2).sum(axis=1)
    information = np.maximum(information, 1e-30)  # digital silence: know nothing, overflow nothing
    sd = np.sqrt(np.maximum(1.0, excess) / information)
    return Refined(
        spindle_hz=guess + shift,
        rate_hz_s=rate + shift_rate,
        sd_hz=sd / np.sqrt(squares[0]),
        sd_rate=sd / np.sqrt(squares[1]),
        votes=votes,
    )


@cache
def _centres(n: int, step_s: float) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    """Times of the centres of ``n`` blocks from mid-frame, s, and the turns there of a rate of 1 Hz/s."""
    times = (np.arange(n) - (n - 1) / 2) * step_s
    return times, times**2 / 2


@cache
def _moments(n: int, step_s: float) -> tuple[NDArray[np.float32], NDArray[np.floating]]:
    """Rows that give the mean of ``n`` blocks, their first moment in time and that along the curve of a rate.

    And the sums of the squares of the last two.
    """
    times, curve = _centres(n, step_s)
    curve = curve - curve.mean()
    moments = np.stack([np.full(n, 1 / n), times, curve]).astype(np.float32)
    return moments, np.array([times @ times, curve @ curve])


def _halved(y: NDArray[np.complexfloating]) -> NDArray[np.complexfloating]:
    """Neighbouring blocks summed, (n_frames, n_blocks / 2, K)."""
    return y[:, ::2] + y[:, 1::2]


def _explained(z: NDArray[np.complexfloating], sharpness: NDArray[np.floating]) -> NDArray[np.float64]:
    """Log likelihood (up to constants) of lines at rest in ``z``: their power over the noise, (n_frames,)."""
    total = z.sum(axis=1)
    likelihood: NDArray[np.float64] = ((total.real**2 + total.imag**2) * sharpness).sum(axis=1)
    return likelihood


def _turned_back(
    y: NDArray[np.complexfloating],
    shift: NDArray[np.float64],
    shift_rate: NDArray[np.float64],
    orders: NDArray[np.float64],
    block_s: float,
) -> NDArray[np.complexfloating]:
    """Block sums with a change of speed (Hz) and rate (Hz/s) undone, (n_frames, n_blocks, K)."""
    times, curve = _centres(y.shape[1], block_s)
    turns = shift[:, None] * times + shift_rate[:, None] * curve
    angle = turns.astype(np.float32)[:, :, None] * (2 * np.pi * orders).astype(np.float32)
    return _product(y, _phasors(angle))


def _phasors(angle: NDArray[np.float32]) -> NDArray[np.complex64]:
    """exp(-j angle), of the shape of ``angle``."""
    phasors = np.empty(angle.shape, np.complex64)
    np.cos(angle, out=phasors.real)
    np.negative(np.sin(angle), out=phasors.imag)
    return phasors


def _product(a: NDArray[np.complexfloating], b: NDArray[np.complexfloating]) -> NDArray[np.complexfloating]:
    """Product into an array of its own, of the shape of ``a``.

    numpy multiplies a large unnamed operand in place, which for complex numbers rounds differently: the
    result would depend on the number of frames.
    """
    product: NDArray[np.complexfloating] = np.multiply(a, b, out=np.empty(a.shape, a.dtype))
    return product


def _phase_steps(
    y: NDArray[np.complexfloating],
    n_segments: int,
    orders: NDArray[np.float64],
    segment_s: float,
    sharpness: NDArray[np.floating],
) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    """Speed (Hz) and rate (Hz/s) still missing, from phase steps between neighbouring segments."""
    while y.shape[1] > n_segments:
        y = _halved(y)
    before = np.conj(y[:, :-1])
    steps = _product(y[:, 1:], before)
    # A step's angle has variance ~ noise / |segment|^2: weight by |step| over the noise; the angle
    # measures order times speed.
    size = np.sqrt(steps.real**2 + steps.imag**2)
    angle = np.arctan2(steps.imag, steps.real)
    by_line = (sharpness * orders)[:, :, None].astype(np.float32)
    along = np.matmul(angle * size, by_line)[:, :, 0].astype(np.float64)
    norm = np.matmul(size, by_line * orders.astype(np.float32)[:, None])[:, :, 0].astype(np.float64)
    norm = np.maximum(norm, 1e-30)
    # Weighted straight line over the time of the steps: its slope, and its height at mid-frame
    at = _centres(n_segments - 1, segment_s)[0]
    total, height = norm.sum(axis=1), along.sum(axis=1)
    middle = (norm * at).sum(axis=1) / total
    offset = at - middle[:, None]
    rate = (along * offset).sum(axis=1) / np.maximum((norm * offset**2).sum(axis=1), 1e-300)
    radians = 2 * np.pi * segment_s
    return (height / total - rate * middle) / radians, rate / radians
