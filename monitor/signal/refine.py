"""Maximum-likelihood speed of a spindle from one frame, given roughly where it is.

The model: lines at known orders of one rotation frequency that may change linearly within the
frame, each with its own unknown amplitude and phase, in noise of known density around each line.
"""

from __future__ import annotations

from dataclasses import dataclass

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
    """Refine guesses of the rotation frequency: a `Refinement` made and used once.

    Parameters
    ----------
    frames : shape (n_frames, n)
    fs : sample rate, Hz
    orders : shape (K,)
    guess_hz, guess_rate : shape (n_frames,), Hz and Hz/s at mid-frame; the rate defaults to 0
    noise_density : shape (n_frames, K), one-sided, per Hz; default 1: equal for all lines
    pull_in : see `Refinement`
    """
    n_frames, n = frames.shape
    rate = np.zeros(n_frames) if guess_rate is None else np.asarray(guess_rate, np.float64)
    density = np.ones((n_frames, len(orders))) if noise_density is None else np.asarray(noise_density)
    refinement = Refinement(n, fs, np.asarray(orders, np.float64), pull_in)
    return refinement.apply(frames, np.asarray(guess_hz, np.float64), rate, density)


class Refinement:
    """Maximum-likelihood speed and rate of frames of one length, from the lines at some orders. No state.

    Non-linear least squares: a rectangular window (Hann would cost 1.5 times the deviation), each
    line demodulated at the guess in sub-blocks; first the phase steps between short segments pull
    the guess in (unambiguous while the error is under 40 Hz at the highest line), then Gauss-Newton
    steps on the whole frame. Lines that contradict the rest (a radio's tone beside one) lose weight.

    Parameters
    ----------
    n, fs : samples in a frame, and sample rate, Hz
    orders : shape (K,)
    pull_in : number of segments (4, 8, 16 or 32) whose phase steps are used, stage by stage; of a
        0.2 s frame, 16 are 12.5 ms each, unambiguous up to 40 Hz at the highest line

    Notes
    -----
    Error against the Cramer-Rao bound is measured in tests/benchmarks. Block sums have shape
    (n_frames, K, n_blocks); a step of speed and rate has shape (n_frames, 2).
    """

    def __init__(self, n: int, fs: float, orders: NDArray[np.float64], pull_in: tuple[int, ...]) -> None:
        length = n // _BLOCKS
        self._length, self._used = length, length * _BLOCKS
        self._ones = np.ones(self._used, np.float32)  # to sum by a product, in a third of the time
        self._block_noise = length * fs / 2  # of one block sum, over the density
        o = self._orders = orders
        self._within = (-2 * np.pi * o[:, None] * _centres(length, 1 / fs)[0]).astype(np.float32)
        self._half_step = np.pi * o / fs  # half the angle from sample to sample, for 1 Hz of the spindle
        turns = _turns(o, _BLOCKS, length / fs)
        self._turns = turns.reshape(2, -1)  # as a matrix: angles are products
        self._fine = _radians(turns)
        self._coarse = _radians(_turns(o, _BLOCKS // 2, 2 * length / fs))
        self._stages = [_stage(segments, self._used / fs / segments) for segments in pull_in]
        self._order_powers = np.stack([o**2, o])
        self._pair = np.stack([o, o**2])
        self._moments, self._squares = _moments(_BLOCKS // 2, 2 * length / fs)
        self._per_power = 2 * np.pi * self._squares[0] * o
        self._per_information = 2 * self._squares[0] * (2 * np.pi * o) ** 2

    def apply(
        self,
        frames: NDArray[np.floating],
        guess: NDArray[np.float64],
        rate: NDArray[np.float64],
        density: NDArray[np.floating],
    ) -> Refined:
        """Refine guesses.

        Parameters
        ----------
        frames : shape (n_frames, n)
        guess, rate : shape (n_frames,)
            Rotation frequency, Hz, and its rate, Hz/s, at mid-frame.
        density : shape (n_frames, K)
            Noise density around each line, one-sided, per Hz.
        """
        y = self._demodulated(frames, guess, rate)
        sharpness = 1 / (density * self._block_noise)
        moved, z = self._pulled_in(y, sharpness)
        sharpness /= 2  # of two blocks in one
        squares = self._squares
        pair = sharpness[:, None] * self._pair
        for iteration in range(_ITERATIONS):
            phasors = np.matmul(z, self._moments).astype(np.complex128)
            # Against its mean phasor, how the phase of each line leans over time and along the curve
            products = _product(phasors, np.conj(phasors[:, :, :1]))
            sums = np.matmul(pair, products)
            fisher = np.maximum(2 * np.pi * sums[:, 1, :1].real, 1e-300)
            step = sums[:, 0, 1:].imag / (fisher * squares)
            moved = moved + step
            if iteration == 0:
                spread2 = self._disagreement(products, step, sharpness, guess)
                weights = 1 / (1 + np.square(spread2 / _OUTLIER_Z**2))
                pair *= weights[:, None]
            if iteration + 1 < _ITERATIONS:
                z = _turned_back(z, step, self._coarse)
        votes = np.add.reduce(weights, axis=1)
        excess = np.add.reduce(weights * spread2, axis=1) / np.maximum(votes, 1e-9)
        information = np.maximum(4 * np.pi * fisher[:, 0], 1e-30)  # digital silence: know nothing
        sd = np.sqrt(np.maximum(1.0, excess) / information)
        return Refined(
            spindle_hz=guess + moved[:, 0],
            rate_hz_s=rate + moved[:, 1],
            sd_hz=sd / np.sqrt(squares[0]),
            sd_rate=sd / np.sqrt(squares[1]),
            votes=votes,
        )

    def _demodulated(
        self, frames: NDArray[np.floating], guess: NDArray[np.float64], rate: NDArray[np.float64]
    ) -> NDArray[np.complex64]:
        """Block sums of each line, demodulated at the guess."""
        n_frames, n_lines = guess.size, self._orders.size
        used = frames[:, : self._used].astype(np.float32, copy=False)
        blocks = used.reshape(n_frames, _BLOCKS, self._length)
        angle = guess.astype(np.float32)[:, None, None] * self._within
        basis = np.empty((n_frames, 2, n_lines, self._length), np.float32)
        np.cos(angle, out=basis[:, 0])
        np.sin(angle, out=basis[:, 1])
        rows = basis.reshape(n_frames, 2 * n_lines, self._length)
        sums = np.matmul(rows, blocks.transpose(0, 2, 1))
        # A rectangular window lets DC leak everywhere: off with what the mean adds to each block, that is the
        # sum of the cosines of a block (Dirichlet's kernel). Of the sines it is 0.
        half_step = guess[:, None] * self._half_step
        total = np.matmul(used[:, None], self._ones)
        leaks = total * np.sin(self._length * half_step) / np.sin(half_step)
        sums[:, :n_lines] -= (leaks / self._used).astype(np.float32)[:, :, None]
        y = np.empty((n_frames, n_lines, _BLOCKS), np.complex64)
        y.real, y.imag = sums[:, :n_lines], sums[:, n_lines:]
        # float64 turns, reduced before the cosine: a high line makes hundreds of turns in a frame
        motion = np.empty((n_frames, 1, 2))
        motion[:, 0, 0], motion[:, 0, 1] = guess, rate
        turns = np.matmul(motion, self._turns)
        turns -= np.rint(turns)
        y *= _phasors(turns.astype(np.float32) * np.float32(-2 * np.pi)).reshape(y.shape)
        return y

    def _pulled_in(
        self, y: NDArray[np.complex64], sharpness: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.complex64]]:
        """Step of speed and rate from the phase steps, and what it leaves of the block sums, two in one."""
        by_line = (sharpness[:, None] * self._order_powers).astype(np.float32)[:, :, None]
        moved = np.zeros((y.shape[0], 2))
        z = y
        for segments, regression in self._stages:
            moved = moved + _phase_steps(z, segments, by_line, regression)
            z = _turned_back(y, moved, self._fine)
        # The guess is near now, so that two blocks can be one.
        both = np.empty((2, *y.shape[:2], y.shape[2] // 2), y.dtype)
        _halved(z, both[0])
        _halved(y, both[1])
        # Noise may have pulled the wrong way: keep the guess where it explains more power.
        pulled, guessed = _explained(both, sharpness)
        worse = pulled < guessed
        if worse.any():
            moved[worse] = 0.0
            both[0, worse] = both[1, worse]
        return moved, both[0]

    def _disagreement(
        self,
        products: NDArray[np.complexfloating],
        step: NDArray[np.float64],
        sharpness: NDArray[np.float64],
        guess: NDArray[np.float64],
    ) -> NDArray[np.float64]:
        """Square of how far each line would move alone beyond the joint step, in deviations, (n_frames, K).

        One line alone would move by lean / (2 pi o power sum t^2), with variance noise / (2 power
        (2 pi o)^2 sum t^2).
        """
        power = products[:, :, 0].real
        own = products[:, :, 1].imag / np.maximum(power * self._per_power, 1e-300)
        own -= step[:, :1]
        own_var = 1 / np.maximum(power * sharpness * self._per_information, 1e-30)
        # Other lines leak in: at high SNR that, not noise, sets how well one line can agree.
        own_var += np.square(_LEAKAGE * guess)[:, None]
        disagreement: NDArray[np.float64] = np.square(own) / own_var
        return disagreement


def _centres(n: int, step_s: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Times of the centres of ``n`` blocks from mid-frame, s, and the turns there of a rate of 1 Hz/s."""
    times = ((np.arange(n) - (n - 1) / 2) * step_s).astype(np.float64)
    return times, times**2 / 2


def _turns(orders: NDArray[np.float64], n: int, step_s: float) -> NDArray[np.float64]:
    """Turns of each line at the block centres for 1 Hz and for 1 Hz/s of the spindle, (2, K, n)."""
    return orders[:, None] * np.stack(_centres(n, step_s))[:, None]


def _radians(turns: NDArray[np.float64]) -> NDArray[np.float32]:
    """Angle by which such turns are undone, a matrix of two rows."""
    return (-2 * np.pi * turns).reshape(2, -1).astype(np.float32)


def _moments(n: int, step_s: float) -> tuple[NDArray[np.complex64], NDArray[np.float64]]:
    """Columns that give the mean of ``n`` blocks, their moment in time and that along the curve of a rate.

    And the sums of the squares of the last two.
    """
    times, curve = _centres(n, step_s)
    curve = curve - curve.mean()
    moments = np.stack([np.full(n, 1 / n), times, curve], axis=1).astype(np.complex64)
    return moments, np.array([times @ times, curve @ curve])


def _stage(segments: int, segment_s: float) -> tuple[int, NDArray[np.float64]]:
    """Number of segments, and the sums over their steps: (2, segments - 1, 3).

    Of the weights: all, times time, times its square; of what they weigh, angles over orders, the same in Hz.
    """
    at = _centres(segments - 1, segment_s)[0]
    sums = np.stack([np.ones(at.size), at, at**2], axis=1)
    return segments, np.stack([sums, sums / (2 * np.pi * segment_s)])


def _halved(y: NDArray[np.complex64], out: NDArray[np.complex64] | None = None) -> NDArray[np.complex64]:
    """Neighbouring blocks summed, (n_frames, K, n_blocks / 2); into ``out`` where it is given."""
    halved: NDArray[np.complex64] = np.add(y[:, :, ::2], y[:, :, 1::2], out=out)
    return halved


def _explained(z: NDArray[np.complex64], sharpness: NDArray[np.float64]) -> NDArray[np.float64]:
    """Log likelihood (up to constants) of lines at rest in ``z``: power over the noise, (..., n_frames)."""
    total = np.add.reduce(z, axis=-1)
    power = np.square(total.real)
    power += np.square(total.imag)
    likelihood: NDArray[np.float64] = np.add.reduce(power * sharpness, axis=-1)
    return likelihood


def _turned_back(
    y: NDArray[np.complex64], step: NDArray[np.float64], radians: NDArray[np.float32]
) -> NDArray[np.complex64]:
    """Block sums with a step of speed and rate undone."""
    angle = np.matmul(step.astype(np.float32)[:, None], radians)
    turned = _phasors(angle.reshape(y.shape))
    turned *= y
    return turned


def _phasors(angle: NDArray[np.float32]) -> NDArray[np.complex64]:
    """exp(j angle), of the shape of ``angle``."""
    phasors = np.empty(angle.shape, np.complex64)
    phasors.real, phasors.imag = np.cos(angle), np.sin(angle)  # sooner than into every other number at once
    return phasors


def _product(a: NDArray[np.complexfloating], b: NDArray[np.complexfloating]) -> NDArray[np.complexfloating]:
    """Product into an array of its own, of the shape of ``a``.

    numpy multiplies a large unnamed operand in place, which for complex numbers rounds differently: the
    result would depend on the number of frames.
    """
    product: NDArray[np.complexfloating] = np.multiply(a, b, out=np.empty(a.shape, a.dtype))
    return product


def _phase_steps(
    y: NDArray[np.complex64],
    segments: int,
    by_line: NDArray[np.float32],
    regression: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Speed (Hz) and rate (Hz/s) still missing, from phase steps between segments, (n_frames, 2).

    A step's angle, which measures order times speed, has variance ~ noise / |segment|^2: it is weighed by
    |step| over the noise. The weighted straight line over the time of the steps gives its slope, and its
    height at mid-frame.
    """
    while y.shape[2] > segments:
        y = _halved(y)
    steps = _product(y[:, :, 1:], np.conj(y[:, :, :-1]))
    weighed = np.empty((steps.shape[0], 2, *steps.shape[1:]), np.float32)
    np.abs(steps, out=weighed[:, 0])
    np.arctan2(steps.imag, steps.real, out=weighed[:, 1])
    weighed[:, 1] *= weighed[:, 0]
    sums = np.matmul(np.matmul(by_line, weighed).astype(np.float64), regression)
    (total, first, second), (height, lean, _) = sums.transpose(1, 3, 0, 2)[..., 0]
    total = np.maximum(total, 1e-30)
    middle = first / total
    missing = np.empty((steps.shape[0], 2))
    rate = (lean - height * middle) / np.maximum(second - first * middle, 1e-300)
    missing[:, 0], missing[:, 1] = height / total - rate * middle, rate
    return missing
