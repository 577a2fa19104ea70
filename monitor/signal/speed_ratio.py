"""The true ratio of the speeds of two recordings, and whether it is the commanded one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammainc

from monitor.errors import BaselineError
from monitor.signal.free_run import FreeRun
from monitor.signal.lines import Array, FoundLine, mains_multiple

DIAL_ERROR = 0.10  # the search range of heard over commanded speed
MISLABELLED = log(4)  # a speed given wrongly by more than this, two swapped apart, is no likelier than chance
DIAL_SD = 0.03  # its prior standard deviation: a dial is mostly right within 3 %
SAME_SPEED = 8e-4  # lines of two recordings agree on the ratio of speeds within this: 4 sd at 250 Hz

# Refusals. Over 140 drawn machines at 3 and 0 dB line SNR, 8 s each, the true ratio scored 0.94 of its best
# rival in the worst pair and 1.2 or more in nearly all; wrong ratios 0.91 at most, mostly below 0.7. Chance
# does as well as the true ratio with a probability below 1e-3. Right recordings of 300 drawn machines were
# refused, for any reason, once at 3 dB and twice at 0 dB.
RIVAL = 0.85
CHANCE = 0.01  # ten times that
DOUBTFUL = 1e-4  # a tenth of it: accepted with a note


def first_shifts(found: Sequence[tuple[Array, Array]], runs: Sequence[FreeRun]) -> list[float]:
    """Shift of each recording's ln(order) that brings its lines onto those before it.

    ``found`` holds frequencies and statistics of each recording's lines in short frames. The sum of
    matched weights is searched over +-10 % of the commanded ratio; lines seen at the same frequency in
    both recordings count half, for they may be fixed.
    """
    log_orders = [np.log(hz * 60 / run.rpm) for run, (hz, _) in zip(runs, found, strict=True)]
    shifts = [0.0]
    hz0, z0 = found[0]
    merged, weight, tol = log_orders[0], _weight(z0), _tolerance(hz0)
    grid = np.arange(-DIAL_ERROR, DIAL_ERROR, 2.5e-4)
    prior = np.exp(-0.1 * (grid / DIAL_SD) ** 2)
    for i in range(1, len(runs)):
        hz, z = found[i]
        lo, w, t = log_orders[i], _weight(z), _tolerance(hz)
        w_here = w * np.where(_stays(hz, found[i - 1][0]), 0.5, 1.0)
        w_there = weight.copy()
        w_there[: hz0.size] *= np.where(_stays(hz0, hz), 0.5, 1.0)
        score = _overlap(merged, w_there, tol, lo, w_here, t, grid)
        shift = float(grid[np.argmax(score * prior)])
        shifts.append(shift)
        merged = np.concatenate([merged, lo + shift])
        weight = np.concatenate([weight, w])
        tol = np.concatenate([tol, t])
    return shifts


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


def _tolerance(hz: Array) -> Array:
    """Standard deviation of ln(frequency) with which a line is found again in short frames."""
    return np.asarray(np.hypot(0.5 / hz, 1e-3), np.float64)


def _weight(z: Array) -> Array:
    """Bounded weight of a line: no single line may decide an alignment."""
    return np.asarray(np.minimum(np.sqrt(z), 6.0), np.float64)


def _stays(hz: Array, others: Array) -> NDArray[np.bool_]:
    """Which of ``hz`` are found at the same frequency among ``others``."""
    if not others.size:
        return np.zeros(hz.size, np.bool_)
    gap = np.abs(hz[:, None] - others[None, :]).min(axis=1)
    return np.asarray(gap < 0.5 + 5e-4 * hz, np.bool_)


def first_turning(
    found: Sequence[tuple[Array, Array]], shifts: Sequence[float], runs: Sequence[FreeRun]
) -> list[Array]:
    """First guess, per recording, of the lines that turn: found again at another speed, not mains."""
    chosen = []
    for i, (hz, _) in enumerate(found):
        again = np.zeros(hz.size, np.bool_)
        stays = mains_multiple(hz, 0.3) > 0
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


def log_order(line: FoundLine, run: FreeRun, shift: float) -> float:
    """Natural log of the order at which a line of the recording turns, on the common scale of speeds."""
    return log(line.turning_hz * 60 / run.rpm) + shift


def turn_tolerance(line: FoundLine) -> float:
    """Standard deviation of ln(order): a twentieth of a resolution cell, and 1e-4 for the speed."""
    return float(np.hypot(0.05 / line.hz, 1e-4))


def stay_tolerance_hz(line: FoundLine) -> float:
    """Fans and mains stay within some 0.02 % between two recordings."""
    return float(np.hypot(0.05, 2e-4 * line.hz))


def speed_shifts(found: Sequence[list[FoundLine]], runs: Sequence[FreeRun]) -> tuple[list[float], list[str]]:
    """Shift of ln(order) of each recording that brings its sharp lines onto those before it.

    With notes on what is doubtful.

    Raises
    ------
    BaselineError
        Another ratio of speeds explains the lines clearly better than any near the commanded one, or
        no ratio near it explains more lines than chance.
    """
    shifts, doubts = [0.0], []
    for i in range(1, len(runs)):
        gaps, weights, staying = _pairs(found, runs, shifts, i)
        widest = max(MISLABELLED, 2 * log(runs[i].rpm / runs[0].rpm) + DIAL_ERROR)  # swapped at the widest
        match = _best_match(gaps, weights, widest)
        _check_ratio(match, staying, runs[i - 1], runs[i])
        if match.chance > DOUBTFUL or match.score < max(1.2 * match.rival, 0.5 * staying):
            doubts.append(
                f"few lines agree on how {runs[i].name} compares in speed with the others; record longer,"
                " nearer to the drive"
            )
        shifts.append(match.shift)
    return shifts, doubts


@dataclass(frozen=True)
class _Match:
    """The best shift near the commanded ratio, its score, the probability that chance alone scores as
    much anywhere in the range searched, and the best score elsewhere with its shift."""

    shift: float
    score: float
    chance: float
    rival: float
    rival_shift: float


def _best_match(gaps: Array, weights: Array, widest: float) -> _Match:
    """The shift in which most of the pairs agree; ``gaps`` rising.

    By chance pairs fall into a window of SAME_SPEED as a Poisson process whose rate is that of all pairs
    within DIAL_ERROR of it; the windows searched are those as near to the commanded ratio as the one found,
    2 DIAL_ERROR / SAME_SPEED = 250 at the most. So one pair is enough where the dial says exactly what is
    heard, as of a machine with one loud line. Rivals are looked for up to ``widest``.
    """
    near = np.abs(gaps + SAME_SPEED / 2) <= DIAL_ERROR
    if not near.any():
        return _Match(0.0, 0.0, 1.0, 0.0, 0.0)
    score = _together(gaps, weights)
    likely = score * np.exp(-0.1 * (gaps / DIAL_SD) ** 2)
    best = int(np.argmax(np.where(near, likely, -1.0)))
    other = (np.abs(gaps - gaps[best]) > 3 * SAME_SPEED) & (np.abs(gaps) < widest)
    elsewhere = np.where(other, score, 0.0)
    rival = int(elsewhere.argmax())
    around = np.abs(gaps - gaps[best]) < DIAL_ERROR
    expected = around.sum() * SAME_SPEED / (2 * DIAL_ERROR)
    # P(Poisson(m) >= k) is the regularised incomplete gamma function P(k, m).
    chance = float(gammainc(score[best] / weights[around].mean(), expected))
    chance *= min(2 * abs(float(gaps[best])) + SAME_SPEED, 2 * DIAL_ERROR) / SAME_SPEED
    inside = np.abs(gaps - gaps[best] - SAME_SPEED / 2) <= SAME_SPEED
    half = np.cumsum(weights[inside])
    shift = float(gaps[inside][np.searchsorted(half, half[-1] / 2)])
    return _Match(shift, float(likely[best]), chance, float(elsewhere[rival]), float(gaps[rival]))


def _check_ratio(match: _Match, staying: float, before: FreeRun, run: FreeRun) -> None:
    """Refuse a ratio of speeds that the sound clearly contradicts or does not bear out."""
    if match.score < RIVAL * match.rival:
        raise BaselineError(_contradiction(before, run, run.rpm * exp(-match.rival_shift)))
    if match.chance > CHANCE and staying > match.score:
        raise BaselineError(_contradiction(before, run, before.rpm))
    if match.chance > CHANCE:
        raise BaselineError(
            f"{before.name} and {run.name}: no lines move from the one to the other as {before.rpm:g} and"
            f" {run.rpm:g} rpm would have it; check the speeds, or record 30 s nearer to the drive"
        )


def _pairs(
    found: Sequence[list[FoundLine]], runs: Sequence[FreeRun], shifts: Sequence[float], i: int
) -> tuple[Array, Array, float]:
    """Gaps in ln(order) of all pairs of a line of recording i with one before it, rising.

    With their weights (bounded: no single line may decide), and the summed weight of pairs at the same
    frequency, but for mains hum, which stays at any speed. Two lines that both have a partner at their own
    frequency make no pair: when the speed did not change all lines have one, and their harmonics would still
    agree on many a ratio. A line that has one counts half beside one that has none, for it may be fixed:
    else the multiples of an order might pass for moved multiples of mains hum.
    """
    b_hz, b_turning, b_z, b_stay = _columns(found[i])
    gaps, weights, staying = [], [], 0.0
    for j in range(i):
        a_hz, a_turning, a_z, _ = _columns(found[j])
        weight = np.sqrt(np.minimum(np.minimum(a_z[:, None], b_z[None, :]), 36.0))
        weight /= _cluster(a_hz)[:, None] * _cluster(b_hz)[None, :]
        same = np.abs(a_hz[:, None] - b_hz[None, :]) < 4 * b_stay[None, :]
        staying += float(weight[same & (mains_multiple(a_hz, 0.05) == 0)[:, None]].sum())
        a_stays, b_stays = np.asarray(same.any(axis=1))[:, None], np.asarray(same.any(axis=0))[None, :]
        both = a_stays & b_stays
        weight[a_stays ^ b_stays] *= 0.5
        gap = np.log(a_turning / runs[j].rpm)[:, None] - np.log(b_turning / runs[i].rpm)[None, :] + shifts[j]
        use = ~both & np.isfinite(gap)
        gaps.append(gap[use])
        weights.append(weight[use])
    order = np.argsort(np.concatenate(gaps))
    return np.concatenate(gaps)[order], np.concatenate(weights)[order], staying / i


def _cluster(hz: Array) -> Array:
    """How many lines of a recording, itself among them, agree with each on any ratio of speeds: one vote.

    Bumps beside a strong line, where fast wander was not taken out whole, would outvote what they belong to.
    """
    return np.asarray((np.abs(np.log(hz[:, None] / hz[None, :])) < SAME_SPEED).sum(axis=1), np.float64)


def _columns(lines: Sequence[FoundLine]) -> tuple[Array, Array, Array, Array]:
    """Frequency, turning frequency, statistic and tolerance of staying of each line."""
    columns = [(line.hz, line.turning_hz, line.z, stay_tolerance_hz(line)) for line in lines]
    hz, turning_hz, z, stay = np.array(columns, np.float64).reshape(-1, 4).T
    return hz, turning_hz, z, stay


def _together(gaps: Array, weights: Array) -> Array:
    """Summed weight of the pairs from each gap to SAME_SPEED above it."""
    total = np.concatenate([[0.0], np.cumsum(weights)])
    return np.asarray(total[np.searchsorted(gaps, gaps + SAME_SPEED)] - total[np.searchsorted(gaps, gaps)])


def _contradiction(a: FreeRun, b: FreeRun, heard_rpm: float) -> str:
    return (
        f"{a.name} and {b.name}: if the first ran at {a.rpm:g} rpm, the second sounds like {heard_rpm:.0f}"
        f" rpm and not {b.rpm:g}; check that each file belongs to its speed and that each speed was set,"
        " then record again"
    )
