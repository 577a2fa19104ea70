"""What a spectrum says of each candidate speed, from the learned lines it would put where.

Arrays over bins and points have one row a bin or point and one column a hop, so that looking something up
for many points copies whole rows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.baseline import Baseline, LineClass
from monitor.signal.line_choice import (
    LOWEST_HZ,
    SpeedLines,
    at_speed,
    hides,
    learned_floor,
    learned_level,
    stands_db,
)
from monitor.signal.line_likelihood import (
    POWER_COUNT,
    POWER_LOW_DB,
    POWER_STEP_DB,
    SNR_COUNT,
    SNR_LOW_DB,
    SNR_STEP_DB,
    line_likelihood,
)
from monitor.signal.spectrum import SpectrumGeometry

_OTHER_SHARES = (0.02, 0.07, 0.2)
# A bin may hold something else: another of the machine's lines by chance, a radio, a voice. At least 2 %.
_GAIN_DB = 6.0  # over the learned ratio: a floor that fell further is the microphone's gain turned down
STRONG_DB = 10.0  # noise passes it once in 20 000 bins
_MAINS_HARMONICS = 20  # up to about 1 kHz; hum above is drowned
_OWN = 0.15  # in log speed: what sags less is still this speed, loaded
_DRIFTED = 0.005  # a warm motor, or the usual sag of a cut

_COLUMNS = POWER_COUNT + 1  # of the table of ratios; the last is for a bin that says nothing
_OVERSTRONG_DB = np.maximum(POWER_LOW_DB + POWER_STEP_DB * np.arange(POWER_COUNT) - STRONG_DB, 0)
_STRONG_POWER = np.append(_OVERSTRONG_DB * (np.log(10) / 10), 0.0).astype(np.float32)


@dataclass(frozen=True, slots=True)
class Steps:
    """Spectra in the steps of the table, shape (n_bins + 1, n_hops); the last row is a bin that says nothing.

    ``power``: over the floor, columns of the table; ``floor``: rows of the table.
    """

    power: NDArray[np.int16]
    floor: NDArray[np.int16]


def spectrum_steps(density_db: NDArray[np.float32], floor_db: NDArray[np.float32]) -> Steps:
    """Spectra and the floor under their lines, dB per Hz, (n_hops, n_bins), in the steps of the table."""
    n_hops, n_bins = density_db.shape
    over = density_db - floor_db
    over -= np.float32(POWER_LOW_DB)
    over *= np.float32(1 / POWER_STEP_DB)
    over.clip(0, POWER_COUNT - 1, out=over)
    power = np.empty((n_bins + 1, n_hops), np.int16)
    power[:-1] = over.astype(np.int16).T
    power[-1] = POWER_COUNT
    floor = np.empty((n_bins + 1, n_hops), np.int16)
    floor[:-1] = (floor_db * np.float32(1 / SNR_STEP_DB)).astype(np.int16).T
    floor[-1] = 0
    return Steps(power, floor)


class LineEvidence:
    """Tables of the learned lines at each candidate speed; no state.

    A pair of line and bin is a point. Neighbouring candidates share the points of low lines, so each is
    looked up once. ``bins``, shape (K, n_states): bin of each line at each speed, ``n_bins`` where it says
    nothing: outside the spectrum, or on a fixed tone.

    Parameters
    ----------
    grid_hz : shape (n_states,)
        The candidate speeds.
    """

    def __init__(
        self,
        baseline: Baseline,
        lines: SpeedLines,
        speeds_rpm: tuple[float, ...],
        grid_hz: NDArray[np.float64],
        geometry: SpectrumGeometry,
    ) -> None:
        self._n_bins = n_bins = geometry.n_bins
        f = lines.orders[:, None] * grid_hz
        self.bins = bins = _line_bins(baseline, lines, f, geometry)
        likelihoods = [line_likelihood(share) for share in _OTHER_SHARES]
        crowded = np.digitize(
            occupied_share(baseline, speeds_rpm[0], geometry),
            np.sqrt(np.multiply(_OTHER_SHARES[:-1], _OTHER_SHARES[1:])),
        )
        crowded = np.append(crowded, 0)
        level, most = _learned_steps(baseline, lines, geometry)
        k = np.arange(lines.orders.size)[:, None]

        taken = _explained_at(baseline, grid_hz, speeds_rpm[0], f, geometry)
        for mains_hz in mains_found(baseline):
            harmonic = np.rint(f / mains_hz)
            taken |= (np.abs(f - mains_hz * harmonic) < geometry.enbw_hz / 2) & (harmonic <= _MAINS_HARMONICS)
        share_class = np.where(taken, len(_OTHER_SHARES) - 1, crowded[bins])
        code = (k * len(_OTHER_SHARES) + share_class) * (n_bins + 1) + bins
        points, self._points_of = np.unique(code, return_inverse=True)
        line_and_class, self._point_bins = np.divmod(points, n_bins + 1)
        line, point_class = np.divmod(line_and_class, len(_OTHER_SHARES))
        table = point_class * (SNR_COUNT * _COLUMNS)
        at = line, self._point_bins
        self._ratios = np.concatenate([one.ratio.ravel() for one in likelihoods])
        # 16 bits are enough, and quick: the table has 17 496 places, and floors of -150 to +50 dB make 16 200
        self._lowest = table[:, None].astype(np.int16)
        self._level = (table + np.clip(level[at], -150, 50) * _COLUMNS)[:, None].astype(np.int16)
        self._highest = (table + np.clip(most[at], 0, SNR_COUNT - 1) * _COLUMNS)[:, None].astype(np.int16)

        # Expected evidence: of absence at the commanded speed, of presence at the tracked one.
        self._expected = np.concatenate(
            [np.maximum([one.if_absent, one.if_present], 0).ravel() for one in likelihoods] + [[0.0]]
        )
        nominal = lines.orders * speeds_rpm[0] / 60
        nominal_bins = np.clip(np.rint(nominal / geometry.bin_hz), 0, n_bins - 1).astype(int)
        both = np.concatenate([np.broadcast_to(nominal_bins, bins.T.shape), bins.T], axis=1)
        present = np.repeat([0, 1], k.size)
        at = np.tile(k.ravel(), 2), both
        says = both < n_bins
        table = np.where(says, (2 * crowded[both] + present) * SNR_COUNT, self._expected.size - 1)
        highest = np.where(says, np.minimum(most[at], SNR_COUNT - 1), 0)
        self._gain_rows = 0
        # each state's in one row: else all of it would be copied before one is taken
        at_state = np.stack([level[at], highest, table, both], axis=1)
        self._at_state = np.ascontiguousarray(at_state, np.int32)
        self._inside = np.ascontiguousarray(np.minimum(bins, n_bins - 1).T)
        self._learned_db = (level[k.ravel(), self._inside] * SNR_STEP_DB + SNR_LOW_DB).astype(np.float32)

    def set_gain(self, gain_db: float) -> None:
        """Expect every line so much louder than learned, to a step of the table."""
        rows = round(gain_db / SNR_STEP_DB) - self._gain_rows
        self._gain_rows += rows
        self._level = self._level + np.int16(rows * _COLUMNS)
        self._at_state[:, 0] += rows

    def scores(self, steps: Steps) -> NDArray[np.float32]:
        """Summed log likelihood ratio of each candidate, shape (n_states, n_hops)."""
        # A floor that has risen leaves a line so much weaker; one that has fallen may as well be the
        # microphone's gain, so it makes the line little stronger than learned.
        at = (steps.floor * -_COLUMNS).take(self._point_bins, axis=0)
        at += self._level
        np.minimum(at, self._highest, out=at)
        np.maximum(at, self._lowest, out=at)
        at += steps.power.take(self._point_bins, axis=0)
        ratios = self._ratios.take(at)
        scores: NDArray[np.float32] = ratios.take(self._points_of[0], axis=0)
        for points in self._points_of[1:]:
            scores += ratios.take(points, axis=0)
        return scores

    def strong_power(self, steps: Steps, at: NDArray[np.intp]) -> NDArray[np.float32]:
        """Summed over the lines, how much each stands over 10 dB over the floor, at some speeds of each hop.

        Weaker is noise. The bin that says nothing counts as floor.

        Parameters
        ----------
        at : shape (n_hops, n_speeds)
            Indices in the grid.

        Returns
        -------
        shape (n_hops, n_speeds), nepers of power
        """
        n_hops = at.shape[0]
        columns = np.arange(n_hops)[:, None]
        power = steps.power.ravel().take(self.bins.take(at, axis=1) * n_hops + columns)
        total: NDArray[np.float32] = np.add.reduce(_STRONG_POWER.take(power), axis=0)
        return total

    def expected(
        self, steps: Steps, states: NDArray[np.intp]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Evidence to be expected under the present floor, nats, shape (n_hops,) each.

        Against turning, were the lines absent at the commanded speed; for it, from lines at the speed found.
        """
        n_hops = states.size
        level, highest, table, bins = self._at_state.take(states, axis=0).transpose(1, 0, 2)
        row = level - steps.floor.ravel().take(bins * n_hops + np.arange(n_hops)[:, None])
        row = np.maximum(np.minimum(row, highest), 0)
        each = self._expected.take(table + row).reshape(n_hops, 2, -1)
        total = np.add.reduce(each, axis=2)
        return total[:, 0], total[:, 1]

    def line_db(self, density_db: NDArray[np.float32], states: NDArray[np.intp]) -> NDArray[np.float64]:
        """Median over the lines of their level over the learned one at the speed found, dB, (n_hops,)."""
        n_hops, n_bins = density_db.shape
        at = self._inside.take(states, axis=0) + (np.arange(n_hops) * n_bins)[:, None]
        over = density_db.ravel().take(at) - self._learned_db.take(states, axis=0)
        over.sort(axis=1)
        n = over.shape[1]
        middle: NDArray[np.float64] = (over[:, (n - 1) // 2] + over[:, n // 2]) * 0.5
        return middle.astype(np.float64)


def _line_bins(
    baseline: Baseline, lines: SpeedLines, f: NDArray[np.float64], geometry: SpectrumGeometry
) -> NDArray[np.intp]:
    """Spectrum bin of each line frequency; ``n_bins`` outside the spectrum or on a fixed tone."""
    g = geometry
    bins = np.rint(f / g.bin_hz).astype(np.intp)
    silent = (bins >= g.n_bins) | (f < LOWEST_HZ / 2)
    for line in baseline.lines:
        if line.kind is LineClass.FIXED:
            # There whether the spindle turns or not, so no evidence of turning.
            hidden = np.array([hides(line, one) for one in lines.lines], np.bool_)
            silent |= hidden[:, None] & (np.abs(f - line.frequency_hz) < g.enbw_hz)
    return np.where(silent, g.n_bins, bins)


def _learned_steps(
    baseline: Baseline, lines: SpeedLines, geometry: SpectrumGeometry
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Level of each line, and the most it may stand over the floor, at each bin, in rows of the table.

    A line is in a bin at one speed, so its learned level there is a matter of the bin; (K, n_bins + 1).
    """
    g = geometry
    f = np.maximum(np.arange(g.n_bins + 1), 1) * g.bin_hz
    level = np.empty((lines.orders.size, f.size), np.int32)
    most = np.empty_like(level)
    for k, line in enumerate(lines.lines):
        rpm = 60 * f / line.order
        density = learned_level(baseline, line, rpm) - 10 * np.log10(g.enbw_hz)
        over = density - learned_floor(baseline, f, rpm)
        level[k] = np.rint((density - SNR_LOW_DB) / SNR_STEP_DB)
        most[k] = np.rint((over + _GAIN_DB - SNR_LOW_DB) / SNR_STEP_DB)
    return level, most


def _explained_at(
    baseline: Baseline,
    grid_hz: NDArray[np.float64],
    rpm: float,
    f: NDArray[np.float64],
    geometry: SpectrumGeometry,
) -> NDArray[np.bool_]:
    """Where slower candidates would take a line of the machine at a commanded speed for one of theirs.

    A cut drowns the high lines and leaves the low ones standing: half the speed then finds its high
    orders on those. They are explained already, and little evidence for a speed more than ``_OWN`` away.
    """
    g = geometry
    slower = np.log(grid_hz * 60 / rpm) < -_OWN
    taken = np.zeros(f.shape, np.bool_)
    for line in baseline.lines:
        stands = at_speed(baseline, line.prominence_db, rpm) >= stands_db(g)
        if line.kind is LineClass.ORDER and stands:
            at = line.order * rpm / 60
            taken |= np.abs(f - at) < 2 / 3 * g.enbw_hz + _DRIFTED * at
    mistaken: NDArray[np.bool_] = taken & slower
    return mistaken


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
