"""What is tonal and not the spindle's: the raw measures from which chatter is judged.

Short spectra over their own floor, averaged over 0.4 s, against what is usual at each frequency: the learned
lines of the baseline at the present speed, and what this machine was heard to do.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import repeat
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.baseline import Baseline, LineClass
from monitor.signal.line_choice import learned_level
from monitor.signal.spectrum import SpectrumGeometry

AVERAGED = 4
"""Spectra averaged, two hops apart: 0.4 s, no samples shared. (Of a slow spindle, whose frames are twice as
long, neighbours share half: 0.5 s, and all but independent under a Hann window.) The strongest of a thousand
noise bins then stands some 6 dB over the floor instead of 9."""

NOISE_SHOWS = 4.0
"""Power over floor (6 dB) that the strongest of all bins shows in noise alone, averaged over 0.4 s."""

SLIP_MOST = 0.05
"""Full-load slip of an induction motor, as a share of its speed."""

_APART = 3  # bins, of a main lobe
_LOBE = 2.0  # half the width of a main lobe, in bins of 1 / length
_MISSED = 10**0.8  # a line so much under its learned power is not there: nulls are seldom deeper
_NO_TONE = np.float32(1e-3)  # -30 dB, so that logarithms stay finite
_NO_LINE = np.float32(1e-30)  # power density: under any floor, so that what is divided by it stays finite
_NULL_DB = 6.0  # under its level at another speed
_WANDERS = 0.002  # a machine's speed wanders by so much within a frame
_GOOD_FORGETS = 0.9  # a peck: half a decibel, so that one odd peck is not remembered all day
_RATIO_STEP = 0.002  # a bin of 0.1 s at 5 kHz, as far as a tone is widened

# ``np.fmax`` and not ``np.maximum``, the same where nothing is NaN: that one resets the flags of the
# processor, which takes longer than the maximum of a spectrum.
_greater, _lesser, _multiply, _divide = np.fmax, np.fmin, np.multiply, np.divide


@dataclass(slots=True)  # not frozen: made at every hop
class Tones:
    """One hop, float32, shape (n_bins,) each.

    ``average``: power over floor, mean of `AVERAGED` spectra; ``newest``: power density of the newest
    spectrum; ``per_floor``: mean of 1 / floor, so that a tone of power density p reads p times it;
    ``heard``: the power density that reads like ``average``. ``sound``: the hop's samples, shape (hop,), none
    where they are not kept.
    """

    average: NDArray[np.float32]
    newest: NDArray[np.float32]
    per_floor: NDArray[np.float32]
    heard: NDArray[np.float32]
    sound: NDArray[np.float32]


_NO_SOUND = np.zeros(0, np.float32)


def tones_of(
    average: NDArray[np.float32],
    newest: NDArray[np.float32],
    per_floor: NDArray[np.float32],
    sound: Iterable[NDArray[np.float32]] | None = None,
) -> Iterator[Tones]:
    """The tones of each hop of a stack, from arrays of shape (n_hops, n_bins); see `Tones`."""
    sounds = repeat(_NO_SOUND) if sound is None else sound
    return map(Tones, average, newest, per_floor, average / per_floor, sounds)


def learned_lines(
    baseline: Baseline, grid_hz: NDArray[np.float64], geometry: SpectrumGeometry
) -> NDArray[np.float32]:
    """Power density of the learned lines at each candidate speed, shape (n_states, n_bins).

    Every learned line at its learned level, fixed ones included, as its Hann main lobe shows it; widened by
    the step of the grid and by the machine's wander. 0 where there is none, infinite below the spectrum.
    """
    g = geometry
    table = np.zeros((grid_hz.size, g.n_bins), np.float32)
    flat, rows = table.reshape(-1), g.n_bins * np.arange(grid_hz.size)[:, None]
    step = math.log(grid_hz[1] / grid_hz[0]) if grid_hz.size > 1 else 0.0
    for line in baseline.lines:
        if line.kind is LineClass.FIXED:
            f = np.full(grid_hz.size, line.frequency_hz)
            level_db = np.full(grid_hz.size, np.nanmax(line.level_dbfs))
            unsure = np.zeros(grid_hz.size)
        else:
            f = line.order * grid_hz
            # A null of the room at one speed says nothing of the next: a line is seldom so much weaker.
            most_db = np.nanmax(line.level_dbfs) - _NULL_DB
            level_db = np.maximum(learned_level(baseline, line, grid_hz * 60), most_db)
            unsure = (step / 2 + _WANDERS) * f
        power = 10 ** (level_db / 10) / g.enbw_hz
        centre = np.rint(f / g.bin_hz).astype(np.intp)
        reach = math.ceil((4 / 3 * g.enbw_hz + min(float(unsure.max()), 0.01 * g.fs)) / g.bin_hz)
        at = centre[:, None] + np.arange(-reach, reach + 1)
        apart = np.maximum(np.abs(at * g.bin_hz - f[:, None]) - unsure[:, None], 0.0) / g.enbw_hz * 1.5
        near = (at >= 0) & (at < g.n_bins) & (apart < _LOBE)
        shown = np.broadcast_to(power[:, None], at.shape)[near] * _lobe(apart[near])
        here = (rows + at)[near]
        flat[here] = np.maximum(flat[here], shown.astype(np.float32))
    table[:, : g.first] = np.inf
    return table


def _lobe(bins: NDArray[np.float64]) -> NDArray[np.float64]:
    """Main lobe of a Hann window, power over that at its middle, ``bins`` (under `_LOBE`) off it."""
    d = np.where(np.abs(bins - 1) < 1e-6, 1 + 1e-6, bins)
    lobe: NDArray[np.float64] = (np.sinc(d) / (1 - d**2)) ** 2
    return lobe


def averaged(seen: NDArray[np.float32]) -> NDArray[np.float32]:
    """Mean of each hop and those two, four and six before, shape (..., n_hops, n_bins).

    Parameters
    ----------
    seen : float32, shape (..., 2 * AVERAGED - 2 + n_hops, n_bins)
        The hops, with those before the first.
    """
    n_hops = seen.shape[-2] - (2 * AVERAGED - 2)
    mean = seen[..., :n_hops, :] + seen[..., 2 : 2 + n_hops, :]
    for k in range(2, AVERAGED):
        mean += seen[..., 2 * k : 2 * k + n_hops, :]
    mean *= np.float32(1 / AVERAGED)
    return mean


def strongest_tone_db(
    average: NDArray[np.float32], unexplained: NDArray[np.float32], states: NDArray[np.intp]
) -> NDArray[np.float32]:
    """The strongest bin not explained by the baseline, in dB over the floor around it.

    Parameters
    ----------
    average : float32, shape (n_hops, n_bins)
        Power over floor, averaged.
    unexplained : float32, shape (n_states, n_bins)
        1 where no line was learned at a speed, else 0: to multiply takes a quarter of the time of choosing.
    states : shape (n_hops,)
        The speed of each hop.

    Returns
    -------
    shape (n_hops,), dB
    """
    left = unexplained.take(states, axis=0)
    left *= average
    top: NDArray[np.float32] = np.maximum.reduce(left, axis=1, initial=_NO_TONE)
    return np.float32(10) * np.log10(top)


class ToneMemory:
    """What tones this machine was heard to make, as power densities.

    Outside of cuts: the most of lately, half of it forgotten every ``FORGETS_S``. In cuts: the most of the
    good pecks; a peck counts as good only once it is over. Both are kept at their frequency and in
    proportion to the speed, since no one knows of which kind a tone is.

    Parameters
    ----------
    lines, grid_hz : shape (n_states, n_bins), (n_states,)
        The learned lines at each speed, see `learned_lines`; the speeds evenly spaced in their logarithm.
    """

    FORGETS_S: Final = 20.0
    LEARNS_EVERY: Final = 4  # hops: the averages overlap by far more

    def __init__(self, lines: NDArray[np.float32], grid_hz: NDArray[np.float64], hop_s: float) -> None:
        self._lines = lines
        # a spindle keeps to a few speeds
        self._most_shown = lru_cache(maxsize=256)(
            lambda low, high: np.fmax.reduce(lines[low : high + 1], axis=0, initial=_NO_LINE)
        )
        self._low_hz, self._states = float(grid_hz[0]), grid_hz.size
        self._step = math.log(grid_hz[-1] / grid_hz[0]) / max(1, grid_hz.size - 1)
        n_bins = lines.shape[1]
        # rows: at their frequency, and at what it would be at the free speed
        self._outside = np.zeros(n_bins, np.float32)
        self._good = np.zeros((2, n_bins), np.float32)
        self._peck: dict[int, NDArray[np.float32]] = {}  # the most heard at each speed; see `_key`
        self._known = np.zeros((2, n_bins), np.float32)  # the larger of outside and good
        self._wide = self._known[1]  # the second, in each bin or one beside it
        self._here = lines[0]  # the learned lines at the present speed
        self._shown = np.fmax(lines[0], _NO_LINE)  # the most of them at the speeds in the average
        self._now = np.zeros(n_bins, np.float32)  # of known, at the present speed
        # the larger of that and the learned lines, over `NOISE_SHOWS`: a power of two, which rounds nothing
        self._usual_share = self._shown / np.float32(NOISE_SHOWS)
        self._key, self._state, self._low, self._high, self._raised = 0, 0, 0, 0, 1.0
        # arrays, since numpy takes longer to make one of a number than to use it
        self._raises, self._share = np.ones((), np.float32), np.full((), 1 / NOISE_SHOWS, np.float32)
        self._keep = np.full((), 0.5 ** (hop_s * self.LEARNS_EVERY / self.FORGETS_S), np.float32)

    def turn(
        self,
        spindle_hz: float,
        reference_hz: float,
        raised: float,
        slowest_hz: float | None = None,
        fastest_hz: float | None = None,
    ) -> None:
        """Take the present speed, the free one, and the power by which load may raise learned lines.

        An average of spectra shows each line wherever it was meanwhile: ``slowest_hz`` and ``fastest_hz`` are
        the bounds of the speeds in it, the present one where not given.
        """
        log_ratio = math.log(spindle_hz / reference_hz)
        key = self._key
        if abs(log_ratio - key * _RATIO_STEP) > 0.75 * _RATIO_STEP:  # noise turns nothing back and forth
            key = round(log_ratio / _RATIO_STEP)
        at = math.log(spindle_hz / self._low_hz) / (self._step or 1.0)
        state = self._state
        if abs(at - state) > 0.75:
            state = self._row(spindle_hz)
        low, high = state, state
        if slowest_hz:
            row = self._row(slowest_hz)
            low = row if row < low else low
        if fastest_hz:
            row = self._row(fastest_hz)
            high = row if row > high else high
        if key != self._key:
            self._key = key
            self._move()
        elif (state, low, high, raised) == (self._state, self._low, self._high, self._raised):
            return
        if state != self._state:
            self._here = self._lines[state]
        if (low, high) != (self._low, self._high):
            self._shown = self._most_shown(low, high)
        if raised != self._raised:
            self._raises[()] = raised
        self._state, self._low, self._high, self._raised = state, low, high, raised
        self._turn()

    def _row(self, spindle_hz: float) -> int:
        row = round(math.log(spindle_hz / self._low_hz) / (self._step or 1.0))
        return 0 if row < 0 else row if row < self._states else self._states - 1

    def departure(self, tones: Tones, out: NDArray[np.float32] | None = None) -> NDArray[np.float32]:
        """`NOISE_SHOWS` times the power over what is usual, at each bin; into ``out`` where it is given."""
        over: NDArray[np.float32] = _divide(tones.heard, self._usual_share, out)
        return _lesser(over, tones.average, over)  # what noise shows is no departure

    def slip(self, tones: Tones, k: int, raised: float) -> float:
        """Share of speed by which a learned line may have slipped down to bin ``k``; 0 where none has.

        The field of an induction motor keeps its speed while the rotor slips under load, by up to 5 % (NEMA
        MG 10, design B). Where the field's lines are taken for the spindle's, the rotor's are then heard
        under the place that they were learned at, and missed there.
        """
        top = math.ceil(k / (1 - SLIP_MOST)) + 1
        learned = self._here[k + _APART : top]
        if not learned.size:
            return 0.0
        at = learned.argmax()
        m, power = k + _APART + int(at), learned.item(at)
        if not power * raised >= tones.heard.item(k):
            return 0.0
        near = slice(max(k + _APART, m - _APART), m + _APART + 1)
        beside = tones.heard[near]
        still = beside.item(beside.argmax())
        return 1 - k / m if still * _MISSED < power else 0.0

    def known(self, tones: Tones, bins: slice) -> float:
        """The most that is known of some bins, as power over the present floor; noise at least."""
        return float((self._now[bins] * tones.per_floor[bins]).max(initial=NOISE_SHOWS))

    def hear_outside(self, tones: Tones, but: slice | None) -> None:
        """Take a hop outside of cuts, but for bins that are still under suspicion."""
        heard = tones.heard
        if but is not None:
            heard = heard.copy()
            heard[but] = 0.0
        _multiply(self._outside, self._keep, self._outside)
        _greater(self._outside, heard, self._outside)
        self._know()

    def hear_peck(self, tones: Tones) -> None:
        """Take a hop of the peck under way."""
        most = self._peck.get(self._key)
        if most is None:
            self._peck[self._key] = tones.heard.copy()
        else:
            np.fmax(most, tones.heard, out=most)

    def begin_peck(self) -> None:
        """Forget the peck that was under way."""
        self._peck.clear()

    def end_peck(self) -> None:
        """The peck was good."""
        self._good *= np.float32(_GOOD_FORGETS)
        here, moved = self._good
        for key, most in self._peck.items():
            np.fmax(here, most, out=here)
            np.fmax(moved, self._moved(_widened(most), key), out=moved)
        self._know()

    def _know(self) -> None:
        _greater(self._outside, self._good, self._known)
        self._wide = _widened(self._known[1])
        self._move()
        self._turn()

    def _move(self) -> None:
        _greater(self._known[0], self._moved(self._wide, -self._key), self._now)

    def _turn(self) -> None:
        usual = self._usual_share
        _multiply(self._shown, self._raises, usual)
        _greater(usual, self._now, usual)
        _multiply(usual, self._share, usual)

    def _moved(self, power: NDArray[np.float32], key: int) -> NDArray[np.float32]:
        """What stands at exp(key steps) times the frequency of each bin."""
        return power.take(_moved_bins(power.size, key * _RATIO_STEP)) if key else power


def _widened(power: NDArray[np.float32]) -> NDArray[np.float32]:
    """The most of each bin and those beside it."""
    widened = power.copy()
    _greater(power[:-1], power[1:], widened[:-1])
    beside = widened[1:]
    _greater(beside, power[:-1], beside)
    return widened


@lru_cache(maxsize=128)  # a spindle keeps to a few speeds
def _moved_bins(n_bins: int, log_ratio: float) -> NDArray[np.intp]:
    """The bin at exp(log_ratio) times the frequency of each bin, the last one beyond."""
    at = np.rint(np.arange(n_bins) * math.exp(log_ratio)).astype(np.intp)
    bins: NDArray[np.intp] = np.minimum(at, n_bins - 1)
    return bins
