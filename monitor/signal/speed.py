"""Spindle speed from what the microphone hears: search, track, refine.

Search: each candidate speed is scored by how likely the spectrum at its learned lines is, line by
line, as a likelihood ratio against noise alone. Track: a forward (Bayesian) filter over a grid of
log speeds with a bounded rate of change and one more state, "the lines are not heard", so that its
posterior probability is the confidence. Refine: ``monitor.signal.refine`` around the tracked speed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.baseline import Baseline, Line, LineClass
from monitor.errors import BaselineError
from monitor.signal.refine import Refined, refine_speed
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

SEARCH_BELOW, SEARCH_ABOVE = 0.35, 1.25
"""Speeds searched, over the lowest and highest commanded: below a third the spindle counts as stalled;
dial errors and the rise when a load is taken off stay far under a quarter."""

# ---- likelihood of one line -------------------------------------------------------------------
_W_STEP_DB, _W_LOW_DB, _W_COUNT = 0.5, -20.0, 161  # power over floor, -20 to +60 dB
_SNR_STEP_DB, _SNR_LOW_DB, _SNR_COUNT = 2.0, -10.0, 36  # expected line over floor, -10 to +60 dB
_GAIN_DB = 6.0  # over the learned ratio: a floor that fell further is the microphone's gain turned down
_LEVEL_BELOW_DB, _LEVEL_ABOVE_DB = 10.0, 8.0
# A line may be weaker than learned (a null of the room moves with speed, a hand near the machine) or
# stronger (load raises it). A wider claim would let any noise peak be a drowned line.
_MISSING = 0.1  # a line may sit in a null of the room altogether
_OTHER_SHARES = (0.02, 0.07, 0.2)
# A bin may hold something else: another of the machine's lines by chance, a radio, a voice. At least 2 %.
_OUTLIER_SPAN_DB = 80.0

# ---- track ------------------------------------------------------------------------------------
_NARROW = 0.003  # wander and ordinary sag, per hop
_BOUND = 0.02  # per hop: 40 % a second, a bit binding hard
_BURST = 0.10  # per hop: spin-up, a jammed drill
_BOUND_SHARE, _BURST_SHARE = 0.10, 0.01  # of all hops, a priori
_STOP_CHANCE, _START_CHANCE = 0.002, 0.02  # per hop: a stop in 25 s, a start within 2.5 s of standing
_ANYWHERE = 0.05  # share of starts at a speed nobody commanded
_DEAF = 0.03  # a frame may say nothing (a tap, a burst of crackle): bounds what it can hold against a speed
_STRONG = int((10.0 - _W_LOW_DB) / _W_STEP_DB)  # 10 dB over the floor, as a column of the table
_PLATEAU_NATS = 6.0  # under the best of the plateau: 1 in 400, so another speed and not its edge
_WIDEST = 0.06  # a plateau wider than this would let a strong tone pull the speed away
_FALLEN = 0.5  # in log speed: to 60 %
_STANDS_DB = 6.0  # over the floor of a Hann bin: weaker lines are drowned in a cut and mislead nobody
_MAINS_HARMONICS = 20  # up to about 1 kHz; hum above is drowned
_OWN = 0.15  # in log speed: what sags less is still this speed, loaded
_DRIFTED = 0.005  # a warm motor, or the usual sag of a cut
_FEW_LINES = (0.0, 0.4, 0.8, 1.0)
# Most confidence by number of lines: one line is any tone, two may be another pair, three agree by chance
# rarely.
_SURE_WITHIN = 0.0075  # confidence counts the posterior within this much of the best speed
_TEMPER = 0.7  # neighbouring frames of two hops share half their samples, and rooms are not the model


@dataclass(frozen=True)
class SpeedLines:
    """The learned lines the tracker listens to.

    ``orders`` has shape (K,), ``lines`` are the same. ``measuring`` are the indices of those far enough
    from others to measure by.
    """

    orders: NDArray[np.float64]
    lines: tuple[Line, ...]
    measuring: NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Speeds:
    """What was heard at each hop, shape (n_hops,) each.

    ``spindle_hz``: rotation frequency at the newest sample, NaN where not known; ``sd_hz`` its
    standard deviation; ``rate_hz_s`` its rate. ``confidence``: posterior probability (0..1) that the
    speed is within 0.75 % of the best candidate, less where few lines are heard. ``running``: posterior
    probability that the lines are heard at all. ``audible``: the evidence (nats a hop) that their absence
    would give now, were they as strong as learned under the present floor; small means that the ear is
    masked. ``support``: the evidence found at the tracked speed over that expected there, near 1 on the
    right speed.
    ``line_db``: median over the lines of their level over the learned one. ``state``: index of the tracked
    speed in the grid. ``posterior``, shape (n_hops, n_states): probability of each grid speed.
    """

    spindle_hz: NDArray[np.float64]
    sd_hz: NDArray[np.float64]
    rate_hz_s: NDArray[np.float64]
    confidence: NDArray[np.float64]
    running: NDArray[np.float64]
    audible: NDArray[np.float64]
    support: NDArray[np.float64]
    line_db: NDArray[np.float64]
    state: NDArray[np.intp]
    posterior: NDArray[np.float64]


def choose_lines(
    baseline: Baseline, speeds_rpm: tuple[float, ...], geometry: SpectrumGeometry, usable_hz: float
) -> SpeedLines:
    """Pick the learned lines that tell most about the speed at each commanded speed.

    Orders first; where the baseline could not class its lines (one speed only), the unclassed ones.
    Strong lines find the speed, high ones measure it: usefulness is log(1 + snr) f^(1/4), lines
    nearer than a main lobe to a better one left out.
    """
    top_hz = min(usable_hz, geometry.n_bins * geometry.bin_hz - geometry.bin_hz)
    classed = [line for line in baseline.lines if line.kind is LineClass.ORDER]
    pool = classed or [line for line in baseline.lines if line.kind is LineClass.UNKNOWN]
    fixed = np.array([line.frequency_hz for line in baseline.lines if line.kind is LineClass.FIXED])
    chosen: dict[float, Line] = {}
    far_apart: set[float] = set()
    for rpm in speeds_rpm:
        rotation = rpm / 60
        ranked: list[tuple[float, float, Line]] = []
        for line in pool:
            f = line.order * rotation
            if not LOWEST_HZ <= f <= top_hz / 1.05 or np.any(np.abs(fixed - f) < geometry.enbw_hz):
                continue
            snr_db = _at_speed(baseline, line.prominence_db, rpm) - 10 * np.log10(geometry.enbw_hz)
            usefulness = np.log1p(10 ** (snr_db / 10)) * f**0.25
            ranked.append((float(usefulness), f, line))
        ranked.sort(key=lambda r: -r[0])
        taken: list[float] = []
        for apart in SEPARATION_HZ:
            for _, f, line in ranked:
                if len(taken) < MAX_LINES and all(abs(f - other) >= apart for other in taken):
                    taken.append(f)
                    chosen.setdefault(line.order, line)
                    if apart == SEPARATION_HZ[0]:
                        far_apart.add(line.order)
    picked = [chosen[order] for order in sorted(chosen)]
    few = len(far_apart) < ENOUGH_LINES
    return SpeedLines(
        np.array([line.order for line in picked]),
        tuple(picked),
        np.array([i for i, line in enumerate(picked) if few or line.order in far_apart], np.intp),
    )


def _at_speed(baseline: Baseline, values: tuple[float, ...], rpm: float) -> float:
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


@dataclass(frozen=True)
class LineLikelihood:
    """What one bin says of one line; see `line_likelihood`.

    ``ratio``: shape (36, 162), nats. ``if_present``, ``if_absent``: shape (36,), its mean where the line
    is there, and minus its mean where it is not: the evidence to be expected for and against.
    """

    ratio: NDArray[np.float32]
    if_present: NDArray[np.float64]
    if_absent: NDArray[np.float64]


def line_likelihood(other_share: float) -> LineLikelihood:
    """Log likelihood ratio of a bin's power over the floor, line present against noise alone.

    Rows: expected line over floor, -10 to +60 dB by 2; columns: power over floor, -20 to +60 dB by
    0.5; one more column of zeros for a bin that says nothing. Noise alone: exponential. With a line
    of ratio a: exponential with mean 1 + a (a line's level fluctuates as the room and the load
    change: Swerling 1), a spread evenly in dB from 10 below to 8 above the expected; with
    probability 0.1 missing. In both cases the bin may hold something else, with probability
    ``other_share`` and spread evenly in dB; that bounds what any single bin can say to a few nats: one
    radio tone proves nothing.

    References
    ----------
    Swerling, Probability of detection for fluctuating targets (1954; from memory).
    """
    power = 10 ** ((_W_LOW_DB + _W_STEP_DB * np.arange(_W_COUNT)) / 10)
    expected = _SNR_LOW_DB + _SNR_STEP_DB * np.arange(_SNR_COUNT)
    per_db = power * np.log(10) / 10  # density per dB = density times power times ln(10)/10
    noise = np.exp(-power) * per_db
    table = np.zeros((_SNR_COUNT, _W_COUNT + 1), np.float32)
    present_mean, absent_mean = np.zeros(_SNR_COUNT), np.zeros(_SNR_COUNT)
    other = other_share / _OUTLIER_SPAN_DB
    for row, snr_db in enumerate(expected):
        levels = snr_db + np.arange(-_LEVEL_BELOW_DB, _LEVEL_ABOVE_DB + 1e-9, 1.0)
        mean = 1 + 10 ** (levels / 10)
        line = np.mean(np.exp(-power[:, None] / mean) / mean, axis=1) * per_db
        present = (1 - _MISSING) * line + _MISSING * noise
        ratio = np.log(((1 - other_share) * present + other) / ((1 - other_share) * noise + other))
        table[row, :_W_COUNT] = ratio
        present_mean[row] = (ratio * present).sum() / present.sum()
        absent_mean[row] = -(ratio * noise).sum() / noise.sum()
    # A line expected 10 dB under the floor and more is drowned: whatever is there says nothing of it.
    table[0], present_mean[0], absent_mean[0] = 0.0, 0.0, 0.0
    return LineLikelihood(table, present_mean, absent_mean)


def occupied_share(baseline: Baseline, rpm: float, geometry: SpectrumGeometry) -> NDArray[np.float64]:
    """Share of the bins within 100 Hz of each bin that hold some learned line, shape (n_bins,).

    Where lines stand thick, at low frequencies, a wrong speed finds one by chance; where they are few, it
    does not.
    """
    g = geometry
    within_hz = 100.0
    f = np.arange(g.n_bins) * g.bin_hz
    share = np.zeros(g.n_bins)
    for line in baseline.lines:
        at = line.frequency_hz if line.kind is LineClass.FIXED else line.order * rpm / 60
        share += np.abs(f - at) < within_hz
    return share * (4 / 3 * g.enbw_hz) / (2 * within_hz)


def mains_found(baseline: Baseline) -> list[float]:
    """Mains frequencies (50, 60 Hz) of which the baseline found two multiples fixed.

    Hum has more multiples than a running machine lets through; they appear when it stops.
    """
    fixed = [line.frequency_hz for line in baseline.lines if line.kind is LineClass.FIXED]

    def multiples(mains_hz: float) -> int:
        return sum(abs(f - mains_hz * round(f / mains_hz)) < 1.0 for f in fixed if f > mains_hz / 2)

    return [mains_hz for mains_hz in (50.0, 60.0) if multiples(mains_hz) >= 2]


class SpeedTracker:
    """Streaming spindle speed; the same hops give the same result however they are grouped.

    Memory: the posterior (a few hundred numbers) and the last three hops. Latency: none beyond the
    frames themselves (0.1 s search, 0.2 s refinement).
    """

    def __init__(
        self,
        baseline: Baseline,
        speeds_rpm: tuple[float, ...],
        geometry: SpectrumGeometry,
        usable_hz: float,
        hop_s: float,
        delay_s: float = 0.0,
    ) -> None:
        self.lines = choose_lines(baseline, speeds_rpm, geometry, usable_hz)
        if not self.lines.lines:
            raise BaselineError(
                f"no learned line of the baseline can be heard at {speeds_rpm[0]:g} rpm between "
                f"{LOWEST_HZ:g} and {usable_hz:.0f} Hz; learn the baseline again at this speed, with the "
                "microphone nearer"
            )
        self._geometry = geometry
        self._hop_s = hop_s
        self._ahead_s = 2 * hop_s + delay_s  # from the middle of the long frame to the newest sample
        self._short_hops = round(geometry.n / geometry.fs / hop_s)
        self._temper = _TEMPER * 2 / self._short_hops
        likelihoods = [line_likelihood(share) for share in _OTHER_SHARES]
        self._ratios = np.stack([one.ratio for one in likelihoods]).ravel()
        self._if_present = np.stack([one.if_present for one in likelihoods])
        self._if_absent = np.stack([one.if_absent for one in likelihoods])
        share = occupied_share(baseline, speeds_rpm[0], geometry)
        crowded = np.digitize(share, np.sqrt(np.multiply(_OTHER_SHARES[:-1], _OTHER_SHARES[1:])))
        self._crowded = np.append(crowded, 0).astype(np.int32)
        self._level_steps, self._most_steps = self._learned_steps(baseline)
        low, high = min(speeds_rpm) / 60 * SEARCH_BELOW, max(speeds_rpm) / 60 * SEARCH_ABOVE
        top_line = max([f for rpm in speeds_rpm for f in self.lines.orders * rpm / 60] + [LOWEST_HZ])
        top_line = min(top_line, geometry.n_bins * geometry.bin_hz)
        # Half a step off the highest line keeps all but 1.2 dB of it (Hann main lobe, 6 dB at one ENBW).
        self._step = float(np.clip(0.75 * geometry.enbw_hz / top_line, 0.001, 0.005))
        n_states = int(np.ceil(np.log(high / low) / self._step)) + 1
        self.grid_hz = low * np.exp(self._step * np.arange(n_states))
        self._bins = self._line_bins(baseline)
        f = self.lines.orders[:, None] * self.grid_hz
        taken = self._explained_at(baseline, speeds_rpm[0], f)
        for mains_hz in mains_found(baseline):
            harmonic = np.rint(f / mains_hz)
            taken |= (np.abs(f - mains_hz * harmonic) < geometry.enbw_hz / 2) & (harmonic <= _MAINS_HARMONICS)
        share_class = np.where(taken, len(_OTHER_SHARES) - 1, self._crowded[self._bins])
        self._offsets = share_class * likelihoods[0].ratio.size
        # Only as short as the highest line asks for: shorter segments part neighbouring lines less well.
        drilling = float((self.lines.orders * speeds_rpm[0] / 60).max())
        self._pull_in = (16, 8) if drilling > 1600 else (8,) if drilling > 800 else (4,)
        # Within a main lobe of the highest line heard at a speed all candidates score alike.
        inside = self._bins < geometry.n_bins
        highest = np.where(inside, self.lines.orders[:, None] * self.grid_hz, LOWEST_HZ).max(axis=0)
        reach = np.ceil(4 / 3 * geometry.enbw_hz / highest / self._step) + 1
        self._plateau = np.minimum(reach, np.ceil(_WIDEST / self._step)).astype(np.intp)
        nominal = self.lines.orders * speeds_rpm[0] / 60
        self._nominal_bins = np.clip(np.rint(nominal / geometry.bin_hz), 0, geometry.n_bins - 1).astype(int)
        entry = np.full(n_states, _ANYWHERE / n_states)
        for rpm in speeds_rpm:
            near = np.abs(np.log(self.grid_hz * 60 / rpm)) < 0.06  # label errors and droop
            entry[near] += (1 - _ANYWHERE) / len(speeds_rpm) / max(1, int(near.sum()))
        self._halves = [max(1, round(width / self._step)) for width in (_NARROW, _BOUND, _BURST)]
        shares = (1 - _BOUND_SHARE - _BURST_SHARE, _BOUND_SHARE, _BURST_SHARE)
        alive = (1 - _STOP_CHANCE) / 2  # the running sum holds the posterior twice: as it is and moved on
        self._shares = [alive * s / (2 * h + 1) for s, h in zip(shares, self._halves, strict=True)]
        self._fallen = round(_FALLEN / self._step)
        self._entry = entry / entry.sum()
        self._posterior = np.zeros(n_states)
        self._silent = 1.0
        self._best = (0, 0, 0)  # most likely state, the last three hops
        self._recent = np.full(2, np.nan)  # tracked speed one and two hops ago

    def _learned_steps(self, baseline: Baseline) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
        """Level of each line, and the most it may stand over the floor, at each bin, in rows of the table.

        A line is in a bin at one speed, so its learned level there is a matter of the bin; (K, n_bins + 1).
        """
        g = self._geometry
        f = np.maximum(np.arange(g.n_bins + 1), 1) * g.bin_hz
        level = np.empty((self.lines.orders.size, f.size), np.int32)
        most = np.empty_like(level)
        for k, line in enumerate(self.lines.lines):
            rpm = 60 * f / line.order
            density = learned_level(baseline, line, rpm) - 10 * np.log10(g.enbw_hz)
            over = density - learned_floor(baseline, f, rpm)
            level[k] = np.rint((density - _SNR_LOW_DB) / _SNR_STEP_DB)
            most[k] = np.rint((over + _GAIN_DB - _SNR_LOW_DB) / _SNR_STEP_DB)
        return level, most

    def _line_bins(self, baseline: Baseline) -> NDArray[np.intp]:
        """Spectrum bin of each line at each candidate speed, shape (K, n_states).

        ``n_bins`` (a bin that says nothing) where the line lies outside the spectrum or on a fixed tone.
        """
        g = self._geometry
        f = self.lines.orders[:, None] * self.grid_hz
        bins = np.rint(f / g.bin_hz).astype(np.intp)
        silent = (bins >= g.n_bins) | (f < LOWEST_HZ / 2)
        for line in baseline.lines:
            if line.kind is LineClass.FIXED:
                # There whether the spindle turns or not, so never evidence of turning, at any strength.
                silent |= np.abs(f - line.frequency_hz) < g.enbw_hz
        return np.where(silent, g.n_bins, bins)

    def _explained_at(self, baseline: Baseline, rpm: float, f: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Where slower candidates would take a line of the machine at a commanded speed for one of theirs.

        A cut drowns the high lines and leaves the low ones standing: half the speed then finds its high
        orders on those. They are explained already, and little evidence for a speed more than ``_OWN`` away.
        """
        g = self._geometry
        slower = np.log(self.grid_hz * 60 / rpm) < -_OWN
        taken = np.zeros(f.shape, np.bool_)
        for line in baseline.lines:
            stands = _at_speed(baseline, line.prominence_db, rpm) >= 10 * np.log10(g.enbw_hz) + _STANDS_DB
            if line.kind is LineClass.ORDER and stands:
                at = line.order * rpm / 60
                taken |= np.abs(f - at) < 2 / 3 * g.enbw_hz + _DRIFTED * at
        mistaken: NDArray[np.bool_] = taken & slower
        return mistaken

    def feed(
        self,
        density_db: NDArray[np.float32],
        floor_db: NDArray[np.float32],
        frames: NDArray[np.float32],
        fs: float,
        deaf: NDArray[np.bool_],
    ) -> Speeds:
        """Track and refine.

        Parameters
        ----------
        density_db, floor_db : shape (n_hops, n_bins)
            Spectra of the short frames and the floor under their lines, dB per Hz.
        frames : shape (n_hops, n_long)
            The long frames, ending with the same hops.
        fs : internal sample rate, Hz
        deaf : shape (n_hops,)
            Hops whose samples say nothing, because the microphone gave none.
        """
        over = density_db - floor_db
        level = np.empty((over.shape[0], over.shape[1] + 1), np.int32)
        scaled = (over - np.float32(_W_LOW_DB)) * np.float32(1 / _W_STEP_DB)
        level[:, :-1] = np.minimum(np.maximum(scaled, 0), _W_COUNT - 1)
        level[:, -1] = _W_COUNT
        floor_steps = np.zeros(level.shape, np.int32)
        floor_steps[:, :-1] = floor_db * np.float32(1 / _SNR_STEP_DB)
        scores = self._score(level, floor_steps)
        scores[deaf] = 0
        track = self._localise(self._follow(scores), level)
        nominal = np.broadcast_to(self._nominal_bins, (level.shape[0], self._nominal_bins.size))
        audible = self._expected(self._if_absent, floor_steps, nominal)
        expected = self._expected(self._if_present, floor_steps, self._bins.T.take(track.state, axis=0))
        # the evidence at the place found, which localising may have moved within the plateau
        found = np.take_along_axis(scores, track.state[:, None], axis=1)[:, 0]
        support = found / np.maximum(expected, 1.0)
        line_db = self._line_levels(track.state, density_db)
        return self._refine(track, floor_db, frames, fs, audible, support, line_db, deaf)

    def _expected(
        self, table: NDArray[np.float64], floor_steps: NDArray[np.int32], bins: NDArray[np.intp]
    ) -> NDArray[np.float64]:
        """Evidence to be expected from all lines at their bins (n_hops, K) under the present floor, nats."""
        lines = np.arange(self.lines.orders.size)
        row = self._level_steps[lines, bins] - np.take_along_axis(floor_steps, bins, axis=1)
        row = np.minimum(np.maximum(np.minimum(row, self._most_steps[lines, bins]), 0), _SNR_COUNT - 1)
        each = np.where(bins < self._geometry.n_bins, table[self._crowded[bins], row], 0.0)
        total: NDArray[np.float64] = np.maximum(np.ascontiguousarray(each), 0).sum(axis=1)
        return total

    def probability_between(self, posterior: NDArray[np.float64], low_hz: float, high_hz: float) -> float:
        """Probability of a speed between two, from a row of ``Speeds.posterior``."""
        low, high = np.searchsorted(self.grid_hz, (low_hz, high_hz))
        return float(posterior[low:high].sum())

    def _line_levels(self, states: NDArray[np.intp], density_db: NDArray[np.float32]) -> NDArray[np.float64]:
        """Median over the lines of their level over the learned one at the tracked speed, dB, (n_hops,)."""
        bins = np.minimum(self._bins.T.take(states, axis=0), self._geometry.n_bins - 1)
        learned = self._level_steps[np.arange(self.lines.orders.size), bins] * _SNR_STEP_DB + _SNR_LOW_DB
        over = np.ascontiguousarray(np.take_along_axis(density_db, bins, axis=1) - learned)
        middle: NDArray[np.float64] = np.median(over, axis=1)
        return middle

    def _score(self, level: NDArray[np.int32], floor_steps: NDArray[np.int32]) -> NDArray[np.float32]:
        """Summed log likelihood ratio of each candidate, shape (n_hops, n_states)."""
        scores = np.zeros((level.shape[0], self.grid_hz.size), np.float32)
        # A floor that has risen leaves a line so much weaker; one that has fallen may as well be the
        # microphone's gain, so it makes the line little stronger than learned.
        for k in range(self.lines.orders.size):
            row = np.minimum(self._level_steps[k] - floor_steps, self._most_steps[k])
            np.maximum(row, 0, out=row)
            np.minimum(row, _SNR_COUNT - 1, out=row)
            row *= _W_COUNT + 1
            row += level
            scores += self._ratios.take(row.take(self._bins[k], axis=1) + self._offsets[k])
        return scores

    def _follow(self, scores: NDArray[np.float32]) -> _Track:
        """Forward filter over the hops; one loop turn a hop."""
        n_hops = scores.shape[0]
        track = _Track(
            np.empty(n_hops, np.intp),
            np.empty(n_hops),
            np.empty(n_hops),
            np.empty(n_hops),
            np.empty((n_hops, self.grid_hz.size)),
        )
        within = max(1, round(_SURE_WITHIN / self._step))
        tempered = scores.astype(np.float64) * self._temper
        tops = np.maximum(tempered.max(axis=1), 0.0)
        none = np.exp(-tops)
        factors = (1 - _DEAF) * np.exp(tempered - tops[:, None]) + _DEAF * none[:, None]
        nothing = none.tolist()
        for i in range(n_hops):
            turning = 1 - self._silent
            silent = (self._silent * (1 - _START_CHANCE) + turning * _STOP_CHANCE) * nothing[i]
            p = self._predict()
            p *= factors[i]
            total = float(p.sum()) + silent
            p *= 1 / total
            self._posterior = track.posterior[i] = p
            self._silent = silent / total
            best = int(p.argmax())
            self._best = (self._best[1], self._best[2], best)
            track.state[i] = best
            track.confidence[i] = p[max(0, best - within) : best + within + 1].sum()
            track.running[i] = 1 - self._silent
        return track

    def _localise(self, track: _Track, level: NDArray[np.int32]) -> _Track:
        """Place each speed on its plateau.

        The score saturates, so that no single bin decides whether the spindle is there; where exactly
        it is, the unsaturated power tells (its sum over the lines is the likelihood of a known signal).
        """
        n = self.grid_hz.size
        reach = int(self._plateau.max())
        at = np.clip(track.state[:, None] + np.arange(-reach, reach + 1), 1, n - 2)
        power = np.zeros(at.shape, np.float32)
        flat = level.ravel()
        row = (np.arange(at.shape[0]) * level.shape[1])[:, None]
        for k in range(self.lines.orders.size):
            db = flat.take(self._bins[k].take(at) + row)
            # From 10 dB over the floor on: weaker is noise. The bin that says nothing counts as floor.
            power += np.where(db < _W_COUNT, np.maximum(db - _STRONG, 0), 0)
        near = np.log(np.maximum(np.take_along_axis(track.posterior, at, axis=1), 1e-300))
        merit = near + power * (_W_STEP_DB * np.log(10) / 10)
        far = np.abs(at - track.state[:, None]) > self._plateau.take(track.state)[:, None]
        merit[far | (near < near.max(axis=1, keepdims=True) - _PLATEAU_NATS)] = -np.inf
        best = merit.argmax(axis=1)
        inner = np.clip(best, 1, 2 * reach - 1)[:, None]
        a, b, c = (np.take_along_axis(merit, inner + i, axis=1)[:, 0] for i in (-1, 0, 1))
        with np.errstate(invalid="ignore"):
            bend = a - 2 * b + c
            shift = np.where((bend < 0) & np.isfinite(bend), 0.5 * (a - c) / np.where(bend < 0, bend, 1), 0.0)
        peak = np.clip(shift, -0.5, 0.5)
        state = np.take_along_axis(at, inner, axis=1)[:, 0]
        spindle = self.grid_hz[state] * np.exp(peak * self._step)
        return _Track(state, spindle, track.confidence, track.running, track.posterior)

    def _predict(self) -> NDArray[np.float64]:
        """One hop on: speed may wander, change within the bound, rarely jump, or start from rest.

        A spindle has inertia: as likely as staying is going on as it went over the last two hops.
        Moving averages of three widths, all differences of one running sum.
        """
        n = self._posterior.size
        widest = self._halves[-1]
        drift = max(-self._halves[1], min(self._halves[1], round((self._best[2] - self._best[0]) / 2)))
        padded = np.zeros(n + 2 * widest + 1)
        inner = padded[widest + 1 : widest + 1 + n]
        inner += self._posterior
        if drift >= 0:
            inner[drift:] += self._posterior[: n - drift]
        else:
            inner[:drift] += self._posterior[-drift:]
        total = padded.cumsum()
        moved = (self._silent * _START_CHANCE * 0.5) * self._entry
        # Lines that were drowned come back where they were, or below: a spindle lost while it was
        # loaded has fallen.
        steps = self._fallen
        near = slice(max(0, self._best[2] - steps), self._best[2] + self._halves[1] + 1)
        moved[near] += self._silent * _START_CHANCE * 0.5 / (near.stop - near.start)
        for half, share in zip(self._halves, self._shares, strict=True):
            low = widest - half
            moved += (total[low + 2 * half + 1 : low + 2 * half + 1 + n] - total[low : low + n]) * share
        predicted: NDArray[np.float64] = np.maximum(moved, 0.0)
        return predicted

    def _refine(
        self,
        track: _Track,
        floor_db: NDArray[np.float32],
        frames: NDArray[np.float32],
        fs: float,
        audible: NDArray[np.float64],
        support: NDArray[np.float64],
        line_db: NDArray[np.float64],
        deaf: NDArray[np.bool_],
    ) -> Speeds:
        n_hops = track.state.size
        seen = np.concatenate([self._recent, track.spindle_hz])
        self._recent = seen[-2:].copy()
        now, before, earlier = seen[2:], seen[1:-1], seen[:-2]
        # The guess is the track of the short frame that is centred where the long frame is.
        guess = now if self._short_hops == 4 else np.where(np.isnan(before), now, before)
        rate = np.where(np.isnan(earlier), 0.0, (now - earlier) / (2 * self._hop_s))
        measuring = self.lines.measuring
        bins = self._bins.take(measuring, axis=0).T.take(track.state, axis=0)
        padded = np.concatenate([floor_db, np.full((n_hops, 1), 60, np.float32)], axis=1)
        # A line outside the spectrum or on a fixed tone gets a huge noise: no vote.
        noise = 10 ** (np.take_along_axis(padded, bins, axis=1).astype(np.float64) / 10)
        # voters: also the number of lines that can be told apart at this speed
        voters = np.count_nonzero(bins < self._geometry.n_bins, axis=1).astype(np.float64)
        orders = self.lines.orders.take(measuring)
        refined = refine_speed(frames, fs, orders, guess, rate, noise, self._pull_in)
        plateau = self._plateau.take(track.state) * self._step
        spindle, sd, slope = _at_newest(
            refined, guess, now, rate, voters, self._step, plateau, self._ahead_s, self._short_hops
        )
        heard = (track.running > 0.5) & (track.confidence > 0.3) & ~deaf
        few = np.asarray(_FEW_LINES).take(np.minimum(voters.astype(np.intp), len(_FEW_LINES) - 1))
        return Speeds(
            np.where(heard, spindle, np.nan),
            np.where(heard, sd, np.nan),
            np.where(heard, slope, np.nan),
            np.where(deaf, 0.0, track.confidence * track.running * few),
            track.running,
            audible,
            support,
            line_db,
            track.state,
            track.posterior,
        )


@dataclass(frozen=True, slots=True)
class _Track:
    state: NDArray[np.intp]
    spindle_hz: NDArray[np.float64]
    confidence: NDArray[np.float64]
    running: NDArray[np.float64]
    posterior: NDArray[np.float64]


def _at_newest(
    refined: Refined,
    guess: NDArray[np.float64],
    now: NDArray[np.float64],
    rate: NDArray[np.float64],
    voters: NDArray[np.float64],
    step: float,
    plateau: NDArray[np.float64],
    ahead_s: float,
    short_hops: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Speed, deviation and rate at the newest sample, ``ahead_s`` after mid-frame.

    The rate enters as far as it is significant (positive-part James-Stein): a steady spindle is not
    made noisy by it. Where the refinement left the neighbourhood of the track, or the speed changed too
    fast for one linear rate in 0.2 s, the track speaks for itself, extrapolated from its mid-frame.
    """
    variance = refined.sd_rate**2
    keep = np.maximum(0.0, 1 - variance / np.maximum(refined.rate_hz_s**2, variance))
    slope = refined.rate_hz_s * keep
    spindle = refined.spindle_hz + slope * ahead_s
    sd = np.sqrt(refined.sd_hz**2 + keep * variance * ahead_s**2)
    # A jump of the track is no rate: what it would extrapolate to is bounded to half and twice.
    coarse = np.clip(now + rate * (ahead_s * short_hops / 4), 0.5 * now, 2 * now)
    # The track may lie anywhere on its plateau.
    apart = np.maximum(plateau, max(4 * step, 0.012)) * guess
    trusted = (
        (np.abs(refined.spindle_hz - guess) < apart)
        & (np.abs(spindle - coarse) < 2 * apart)
        & (refined.votes > 0.6 * voters)
    )
    return (
        np.where(trusted, spindle, coarse),
        np.where(trusted, sd, step * guess),
        np.where(trusted, slope, rate),
    )
