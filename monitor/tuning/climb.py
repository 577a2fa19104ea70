"""Where in a peck the load begins to climb: pooled over blanks, with an interval.

Each peck is a hinge regression of load against depth. Its likelihood is computed on a grid of climb depths
(and of the two numbers that say how load climbs), its own level integrated out. Blanks differ: each has a
climb depth of its own, drawn around the batch's (Student's t, so that an odd blank pulls little). On a grid
that integral is a matrix product, so the hierarchical model is exact and quick, and pecks that never climbed
count for what they say: that the climb lies deeper.

The climb is counted in *trapped* length, the depth drilled while chips cannot leave (planning/flutes.py),
because that is what pecks of different number have in common.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular, toeplitz
from scipy.special import logsumexp
from scipy.stats import t as student_t

from monitor.tuning.intervals import CONFIDENCE, Interval
from monitor.tuning.load_model import (
    BITE_MM,
    RISE,
    SPREAD,
    STEEP,
    Answer,
    LikePecks,
    Prior,
    Shape,
    fit_shape,
    like_pecks,
    packing,
)
from monitor.tuning.peck_curves import Curve, PeckCurves

ODD = 0.02
"""Share of pecks of which nothing is to be believed: caps what one peck can say against any climb depth."""

OFFSET = 0.05
"""Error of the free-running reference from peck to peck, over the free load: it moves a peck as a whole."""

NOISY = 4.0
"""Times the middle peck's deviation from the model, beyond which a peck tells of an odd blank and not of the
noise."""

TOGETHER = 0.03
"""What moves all pecks of a batch at once, in the logarithm: depths told late or early, and the answer of
the spindle, the error of its zero and the noise, which are fitted to the same pecks and then taken as known.
With it intervals about hold what they promise on drawn batches (tests/tuning/RESULTS.md)."""

TOGETHER_MM = 0.05
"""What of that does not grow with the depth: how gradually the drill bites, half of `BITE_MM`."""

POINTS = 160
RISES = RISE * np.exp(SPREAD * np.linspace(-2.0, 2.0, 11))
STEEPS = STEEP * np.exp(SPREAD * np.linspace(-1.5, 1.5, 7))
SPREADS = np.array([0.01, 0.025, 0.05, 0.09, 0.14, 0.2, 0.3])
"""Standard deviations of the logarithm of the climb depth from blank to blank."""

_TAIL = 4.0  # degrees of freedom of the blanks' distribution


@dataclass(frozen=True)
class LikeClimb:
    """Climb of like pecks: depth within the peck, mm, and the chance that it lies within them at all."""

    peck: int
    from_mm: float
    to_mm: float
    pecks: int
    climb_mm: Interval
    chance: float
    mean_load: float
    end_load: float


@dataclass(frozen=True)
class Climb:
    """What one batch says of its climb depth.

    Attributes
    ----------
    grid_mm, log_likelihood : shape (k,)
        Critical trapped lengths, and what the pecks alone say of them.
    spread : float
        From blank to blank, standard deviation of the logarithm.
    deepest_mm : float
        Longest trapped length that was drilled.
    """

    grid_mm: Curve
    log_likelihood: Curve
    spread: float
    blanks: int
    pecks: int
    deepest_mm: float
    shape: Shape
    like: tuple[LikeClimb, ...]

    def given(self, prior: Prior) -> Critical:
        """Put together with what is known beforehand."""
        log = np.log(self.grid_mm)
        log_prior = -0.5 * ((log - np.log(prior.middle_mm)) / prior.sd) ** 2
        chance = np.exp(self.log_likelihood + log_prior - logsumexp(self.log_likelihood + log_prior))
        kernel = _kernel(self.grid_mm, self.spread)
        return Critical(
            mm=_interval(self.grid_mm, chance),
            grid_mm=self.grid_mm,
            chance=chance,
            next_chance=kernel @ chance,
            told=max(0.0, 1.0 - _sd(log, chance) / prior.sd),
        )

    def alone(self, prior: Prior) -> tuple[float, float]:
        """Logarithm of the critical length by the pecks alone, and its standard deviation (infinite where
        they say nothing): the normal likelihood that turns ``prior`` into what they give together."""
        log = np.log(self.grid_mm)
        chance = self.given(prior).chance
        mean, variance = float(np.sum(log * chance)), _sd(log, chance) ** 2
        precision = 1.0 / variance - 1.0 / prior.sd**2
        if precision <= 0.05 / prior.sd**2:
            return mean, np.inf
        own = (mean / variance - np.log(prior.middle_mm) / prior.sd**2) / precision
        return float(own), float(precision**-0.5)


@dataclass(frozen=True)
class Critical:
    """The trapped length at which the load begins to climb, of a batch; ``next_chance`` that of one blank yet
    to be drilled, wider by the spread from blank to blank; ``told`` how much of the prior's width is gone, 0
    to 1."""

    mm: Interval
    grid_mm: Curve
    chance: Curve
    next_chance: Curve
    told: float


def climb_to_dict(climb: Climb) -> dict[str, Any]:
    """Plain data for JSON."""
    plain = asdict(climb)
    plain["grid_mm"] = [float(climb.grid_mm[0]), float(climb.grid_mm[-1])]
    plain["log_likelihood"] = [round(float(value), 4) for value in climb.log_likelihood]
    return plain


def climb_from_dict(plain: dict[str, Any]) -> Climb:
    """The inverse of `climb_to_dict`."""
    shape = dict(plain["shape"])
    like = [{**row, "climb_mm": Interval(**row["climb_mm"])} for row in plain["like"]]
    log_likelihood = np.array(plain["log_likelihood"])
    low, high = plain["grid_mm"]
    return Climb(
        **{
            **plain,
            "grid_mm": _even_grid(low, high, log_likelihood.size),
            "log_likelihood": log_likelihood,
            "shape": Shape(**{**shape, "answer": Answer(**shape["answer"])}),
            "like": tuple(LikeClimb(**row) for row in like),
        }
    )


def fit_climb(
    curves: PeckCurves, flute_length_mm: float, diameter_mm: float, prior: Prior, motor: bool = True
) -> Climb | None:
    """Pool the pecks of one batch.

    Parameters
    ----------
    curves : PeckCurves
        Load of its pecks.
    flute_length_mm, diameter_mm : float
        The drill's.
    prior : Prior
        What is known beforehand.
    motor : bool
        Whether the load is the spindle's sag; False: the sound of the cut.

    Returns
    -------
    Climb or None
        None where no peck had trapped chips: such pecks say nothing.
    """
    if not curves.n:
        return None
    bite_mm = BITE_MM if motor else 0.0  # a cut is heard as soon as it touches
    groups = like_pecks(curves, flute_length_mm, diameter_mm, bite_mm)
    deepest = max((g.trapped_after(int(curves.length[g.members].max())) for g in groups), default=0.0)
    if deepest <= 0.02 * flute_length_mm:
        return None
    shape = fit_shape(curves, groups, prior, motor)
    curves = replace(curves, load=curves.load - shape.offset)
    most = max(1.6 * deepest, prior.middle_mm * math.exp(2.5 * prior.sd))
    grid = _even_grid(min(0.02 * flute_length_mm, 0.3 * deepest), most, POINTS)
    told = _likelihoods(curves, groups, shape, grid, motor)
    blanks = np.unique(curves.blank)
    by_blank = np.stack([told[curves.blank == blank].sum(axis=0, dtype=np.float64) for blank in blanks])
    log_prior = -0.5 * (np.log(grid / prior.middle_mm) / prior.sd) ** 2
    joint = _joint(by_blank, grid)  # (spread, rise * steep, grid)
    posterior = joint + log_prior
    posterior -= logsumexp(posterior)
    return Climb(
        grid_mm=grid,
        log_likelihood=_moved_together(grid, logsumexp(joint, axis=(0, 1))),
        spread=float(np.sum(np.exp(logsumexp(posterior, axis=(1, 2))) * SPREADS)),
        blanks=int(blanks.size),
        pecks=curves.n,
        deepest_mm=deepest,
        shape=shape,
        like=tuple(_like(curves, group, told, posterior, grid, flute_length_mm) for group in groups),
    )


def _likelihoods(
    curves: PeckCurves, groups: list[LikePecks], shape: Shape, grid: Curve, motor: bool
) -> NDArray[np.float32]:
    """Log likelihood of each peck, shape (n, rises * steeps, grid), its own level integrated out."""
    answer = shape.answer if motor else None
    bases = [g.load(np.ones_like(g.point), answer, curves.step_s) for g in groups]
    levels, residuals = _own_levels(curves, groups, bases, shape, answer)
    power = np.sum(residuals**2, axis=1) / curves.length
    usual = power <= NOISY**2 * np.median(power)
    covariance = noise_covariance(residuals[usual], curves.inside[usual]) + (OFFSET * shape.level) ** 2
    factor = np.asarray(np.linalg.cholesky(toeplitz(covariance)), dtype=np.float64)
    level, spread = float(np.median(levels)), _level_spread(levels)
    told = np.empty((curves.n, RISES.size * STEEPS.size, grid.size), np.float32)  # the largest array here
    for group, base in zip(groups, bases, strict=True):
        told[group.members] = _group(curves, group, base, grid, factor, (level, spread), answer)
    told -= told.max(axis=(1, 2), keepdims=True)
    return np.asarray(np.logaddexp(told + math.log1p(-ODD), math.log(ODD)))


def _group(
    curves: PeckCurves, group: LikePecks, base: Curve, grid: Curve, factor: Curve,
    level: tuple[float, float], answer: Answer | None,
) -> NDArray[np.float64]:  # fmt: skip
    """Log likelihoods of like pecks, shape (members, rises * steeps, grid)."""
    m = base.size
    extra = group.load(
        packing(group.trapped, grid[None, :, None], STEEPS[:, None, None]), answer, curves.step_s
    )
    columns = np.concatenate([base[None], extra.reshape(-1, m)]).T
    white = solve_triangular(factor, columns, lower=True)
    base_w, extra_w = white[:, 0], white[:, 1:]
    # Whitening is causal (lower triangular), so a shorter peck is the beginning of a longer one.
    y = solve_triangular(
        factor, np.where(curves.inside[group.members], curves.load[group.members], 0.0).T, lower=True
    )
    y = np.where(curves.inside[group.members].T, y, 0.0)
    last = curves.length[group.members] - 1
    yb, ye = y.T @ base_w, y.T @ extra_w
    bb = np.cumsum(base_w**2)[last]
    be = np.cumsum(base_w[:, None] * extra_w, axis=0)[last]
    ee = np.cumsum(extra_w**2, axis=0)[last]
    mean, spread = level
    precision = 1.0 / spread**2
    told = np.empty((last.size, RISES.size, STEEPS.size, grid.size))
    for i, rise in enumerate(RISES):
        my = yb[:, None] + rise * ye
        mm = bb[:, None] + 2 * rise * be + rise**2 * ee
        one = 0.5 * (my + mean * precision) ** 2 / (mm + precision) - 0.5 * np.log(mm + precision)
        told[:, i] = one.reshape(last.size, STEEPS.size, grid.size)
    return told.reshape(last.size, -1, grid.size)


def _own_levels(
    curves: PeckCurves, groups: list[LikePecks], bases: list[Curve], shape: Shape, answer: Answer | None
) -> tuple[Curve, Curve]:
    """Level of each peck under the common shape, shape (n,), and what is left over, shape (n, m)."""
    model = np.empty_like(curves.load)
    for group, base in zip(groups, bases, strict=True):
        extra = group.load(packing(group.trapped, shape.critical_mm, shape.steep), answer, curves.step_s)
        model[group.members] = base + shape.rise * extra
    model = np.where(curves.inside, model, 0.0)
    load = np.where(curves.inside, curves.load, 0.0)
    levels = np.sum(model * load, axis=1) / np.maximum(np.sum(model**2, axis=1), 1e-12)
    return levels, load - levels[:, None] * model


def _level_spread(levels: Curve) -> float:
    """Robust standard deviation of the levels; at least 3 %: no two pecks are quite alike."""
    middle = float(np.median(levels))
    return max(1.4826 * float(np.median(np.abs(levels - middle))), 0.03 * abs(middle), 1e-3)


def noise_covariance(residuals: Curve, inside: NDArray[np.bool_]) -> Curve:
    """Autocovariance of what the model leaves over, shape (m,): noise of the ear and slow wander of the
    machine.

    White noise plus a first-order process, fitted to the pooled autocovariance (least squares over a grid of
    correlation times), so that it is a covariance for certain. The level of each peck was fitted before,
    which takes away part of the slowest wander; the white part is kept at a twentieth of the whole at least.
    """
    m = residuals.shape[1]
    lags = np.arange(min(m, 60))
    pooled = np.array(
        [
            np.sum(residuals[:, : m - k] * residuals[:, k:]) / max(int(np.count_nonzero(inside[:, k:])), 1)
            for k in lags
        ]
    )
    least = max(float(pooled[0]), 1e-8)
    best, found = np.inf, (least, 0.0, 1.0)
    for samples in (1.0, 2.0, 3.5, 6.0, 10.0, 17.0, 30.0):
        decay = np.exp(-lags / samples)
        fitted = float(decay[1:] @ pooled[1:]) / max(float(decay[1:] @ decay[1:]), 1e-12)
        slow = max(fitted, 0.0)
        slow = min(slow, 0.95 * least)
        off = float(np.sum((pooled[1:] - slow * decay[1:]) ** 2))
        if off < best:
            best, found = off, (max(least - slow, 0.05 * least), slow, samples)
    white, slow, samples = found
    covariance = slow * np.exp(-np.arange(m) / samples)
    covariance[0] += white
    return np.asarray(covariance)


def _kernel(grid: Curve, spread: float) -> NDArray[np.float64]:
    """The chance of a blank's climb depth (rows) around the batch's (columns)."""
    apart = np.log(grid)[:, None] - np.log(grid)[None, :]
    step = float(np.log(grid[1] / grid[0]))
    # Narrower than the grid's step, the curve would fall between its points.
    kernel = student_t.pdf(apart / np.hypot(spread, 0.3 * step), _TAIL)
    return np.asarray(kernel / kernel.sum(axis=0, keepdims=True))


def _joint(by_blank: NDArray[np.float64], grid: Curve) -> NDArray[np.float64]:
    """Log of likelihood and priors, shape (spreads, rises * steeps, grid), summed over the blanks.

    ``by_blank`` has shape (blanks, rises * steeps, grid).
    """
    top = by_blank.max(axis=2, keepdims=True)
    likelihood = np.exp(by_blank - top)
    joint = np.empty((SPREADS.size, by_blank.shape[1], grid.size))
    for i, spread in enumerate(SPREADS):
        joint[i] = np.sum(np.log(likelihood @ _kernel(grid, float(spread)) + 1e-300) + top, axis=0)
    how = -0.5 * (np.log(RISES / RISE)[:, None] ** 2 + np.log(STEEPS / STEEP)[None, :] ** 2) / SPREAD**2
    # Blanks of one stock are likelier to be alike than not: half-normal, 10 %.
    alike = -0.5 * (SPREADS / 0.1) ** 2
    return np.asarray(joint + how.reshape(1, -1, 1) + alike[:, None, None])


def _like(
    curves: PeckCurves, group: LikePecks, told: NDArray[np.float32], posterior: NDArray[np.float64],
    grid: Curve, flute_length_mm: float,
) -> LikeClimb:  # fmt: skip
    """What the like pecks say by themselves, given how the batch climbs."""
    how = logsumexp(posterior, axis=(0, 2))
    own = logsumexp(told[group.members].sum(axis=0, dtype=np.float64) + how[:, None], axis=0)
    chance = np.exp(own - logsumexp(own))
    length = int(np.median(curves.length[group.members]))
    to_mm = group.from_mm + group.mm_s * curves.step_s * length
    open_mm = max(flute_length_mm - group.from_mm, 0.0)  # drilled before any chip is trapped
    found = _interval(grid, chance)
    reach = group.trapped_after(length)
    load = np.where(curves.inside[group.members], curves.load[group.members], np.nan)
    end = max(2, length // 6)
    return LikeClimb(
        peck=int(curves.peck[group.members[0]]),
        from_mm=group.from_mm,
        to_mm=to_mm,
        pecks=int(group.members.size),
        climb_mm=Interval(found.value + open_mm, found.low + open_mm, found.high + open_mm),
        chance=float(chance[grid <= reach].sum()),
        mean_load=float(np.nanmedian(load[:, length // 3 :])),
        end_load=float(np.nanmedian(load[:, max(length - end, 0) : length])),
    )


def _moved_together(grid: Curve, log_likelihood: Curve) -> Curve:
    """The likelihood where all pecks may be off together, by `TOGETHER` and `TOGETHER_MM`."""
    apart = np.log(grid)[:, None] - np.log(grid)[None, :]
    step = float(np.log(grid[1] / grid[0]))
    sd = np.sqrt(TOGETHER**2 + (TOGETHER_MM / grid) ** 2 + (0.3 * step) ** 2)
    kernel = np.exp(-0.5 * (apart / sd[:, None]) ** 2)
    kernel /= kernel.sum(axis=1, keepdims=True)
    moved = np.log(kernel @ np.exp(log_likelihood - log_likelihood.max()) + 1e-30)
    return np.asarray(moved - logsumexp(moved))


def _even_grid(low: float, high: float, points: int) -> Curve:
    return np.asarray(np.geomspace(low, high, points), dtype=np.float64)


def _interval(grid: Curve, chance: Curve) -> Interval:
    """Median and central interval of a distribution on a grid, interpolated between its points."""
    middle, low, high = (quantile(grid, chance, q) for q in (0.5, (1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2))
    return Interval(middle, low, high)


def quantile(grid: Curve, chance: Curve, share: float) -> float:
    """Value below which ``share`` of a distribution on a logarithmic grid lies."""
    log = np.log(grid)
    edges = np.concatenate(
        [[1.5 * log[0] - 0.5 * log[1]], (log[1:] + log[:-1]) / 2, [1.5 * log[-1] - 0.5 * log[-2]]]
    )
    total = np.concatenate([[0.0], np.cumsum(chance)])
    return float(np.exp(np.interp(share * total[-1], total, edges)))


def _sd(x: Curve, chance: Curve) -> float:
    mean = float(np.sum(x * chance))
    return float(np.sqrt(max(float(np.sum((x - mean) ** 2 * chance)), 1e-12)))
