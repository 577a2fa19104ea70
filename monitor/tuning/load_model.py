"""How the load of a peck grows with its depth, and how the spindle answers to it.

Load over that of free cutting, with ``x`` mm of chips trapped in the flutes::

    P(x) = 1 + rise * (exp(steep * (x / critical - 1)) - 1)     beyond the critical length, 1 before

Below a critical depth chip evacuation costs nothing to speak of; beyond it its torque grows exponentially
(Mellinger et al. 2002, J. Manuf. Sci. Eng. 124:605). ``rise`` and ``steep`` are fitted, not assumed. Around
the corner this is the hinge, of slope ``rise * steep / critical``.

The spindle follows its load with a time constant, and a regulated drive wins part of the fall back::

    sag = level * mean over ear_s of lag(P - won * lag(P, regains_s), answer_s)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.signal import lfilter

from monitor.tuning.peck_curves import Curve, PeckCurves

ENTRY_DIAMETERS = 0.3
"""Height of a 118 degree point in diameters: the first peck bites little by little over it."""

BITE_MM = 0.1
"""Over so much the load of every other peck comes on: the drill meets the bottom that it left, its chip is
whole after the half turn that a lip needs, some 0.04 mm, and slack and spring of the feed take as much again
(no published source)."""

FINE_S = 0.05
"""The answer of a spindle is followed in steps of about so long: the fastest have time constants of 0.1 s."""

_STEEPEST = 12.0  # e to the power of it: beyond every load that a drill survives


@dataclass(frozen=True)
class Answer:
    """How sag follows load: time constant, share won back by a regulated drive, how slowly; and over how long
    the ear averages (its window, and how surely it tells contact)."""

    answer_s: float
    won: float
    regains_s: float
    ear_s: float


def trapped_mm(removed_mm: Curve, from_mm: Curve, flute_length_mm: float) -> Curve:
    """Length of drilled work whose chips are trapped in the flutes, mm.

    While the hole is shallower than the flutes, chips leave at their open end (see planning/flutes.py).
    """
    return np.minimum(removed_mm, np.maximum(from_mm + removed_mm - flute_length_mm, 0.0))


def packing(x: Curve, critical: Curve | float, steep: Curve | float) -> Curve:
    """``exp(steep (x / critical - 1)) - 1`` beyond the critical length, 0 before; all in the same unit."""
    over = np.maximum(np.divide(x, critical) - 1.0, 0.0)
    return np.expm1(np.minimum(steep * over, _STEEPEST))


def answered(load: Curve, answer: Answer, step_s: float, parts: int = 1) -> Curve:
    """Fall of speed, as heard, for a load that was nothing before its first sample.

    Parameters
    ----------
    load : shape (..., n * parts)
        Over that of free cutting; time runs along the last axis, in steps of ``step_s / parts``.
    answer : Answer
    step_s : float
        Time over which each sample of the result is averaged.
    parts : int
        A spindle answers within a step: so many times in each is it followed.

    Returns
    -------
    shape (..., n)
    """
    fall = _followed(load, answer, step_s / parts)
    return fall if parts == 1 else np.asarray(fall.reshape(*fall.shape[:-1], -1, parts).mean(axis=-1))


def heard(load: Curve, answer: Answer | None, step_s: float, parts: int) -> Curve:
    """What is heard of a load: the fall of speed, or, where ``answer`` is None, the sound of the cut, which
    follows it at once. Shapes as in `answered`."""
    if answer is not None:
        return answered(load, answer, step_s, parts)
    return np.asarray(load.reshape(*load.shape[:-1], -1, parts).mean(axis=-1))


def _followed(load: Curve, answer: Answer, step_s: float) -> Curve:
    won = answer.won * _lag(load, answer.regains_s, step_s) if answer.won > 0 else 0.0
    fall = _lag(load - won, answer.answer_s, step_s)
    n = max(answer.ear_s / step_s, 1.0)  # a mean over n samples, of which the last counts in part
    taps = np.clip(n - np.arange(np.ceil(n)), 0.0, 1.0) / n
    told = taps[0] * fall
    for late, tap in enumerate(taps[1:].tolist(), start=1):  # a few; lfilter would go row by row
        told[..., late:] += tap * fall[..., :-late]
    return np.asarray(told)


def _lag(x: Curve, seconds: float, step_s: float) -> Curve:
    keep = float(np.exp(-step_s / max(seconds, 1e-3)))
    return np.asarray(lfilter([1.0 - keep], [1.0, -keep], x, axis=-1))


@dataclass(frozen=True)
class LikePecks:
    """Pecks of one number and depth, over all blanks: the middle of them, and who they are.

    ``point`` (how much of the drill's point is in the work, 0 to 1) and ``trapped`` (mm of chips in the
    flutes) have ``parts`` points to each sample of the curves.
    """

    from_mm: float
    mm_s: float
    point: Curve
    trapped: Curve
    parts: int
    members: NDArray[np.int64]

    def trapped_after(self, samples: int) -> float:
        """Trapped length, mm, at the end of so many samples."""
        return float(self.trapped[samples * self.parts - 1])

    def load(self, packed: Curve, answer: Answer | None, step_s: float) -> Curve:
        """What is heard of the drill's point under a load of ``packed``; ``answer`` is None for sound."""
        return heard(self.point * packed, answer, step_s, self.parts)


def like_pecks(
    curves: PeckCurves, flute_length_mm: float, diameter_mm: float, bite_mm: float = BITE_MM
) -> list[LikePecks]:
    """Group pecks that begin at the same depth (within 3 % of the deepest, at least 0.3 mm) at the same
    feed."""
    if not curves.n:
        return []
    tolerance = max(0.3, 0.03 * float(curves.from_mm.max()))
    order = np.lexsort((curves.from_mm, curves.peck))
    new = (np.diff(curves.peck[order]) != 0) | (np.diff(curves.from_mm[order]) > tolerance)
    parts = max(1, round(curves.step_s / FINE_S))
    fine_s = (np.arange(curves.load.shape[1] * parts) + 0.5) * curves.step_s / parts
    groups = []
    for members in np.split(order, np.flatnonzero(new) + 1):
        from_mm = float(np.median(curves.from_mm[members]))
        mm_s = float(np.median(curves.mm_s[members]))
        removed = fine_s * mm_s
        entry_mm = ENTRY_DIAMETERS * diameter_mm if from_mm < tolerance else bite_mm
        point = np.clip(removed / max(entry_mm, 1e-9), 0.0, 1.0)
        trapped = trapped_mm(removed, np.full(removed.size, from_mm), flute_length_mm)
        groups.append(LikePecks(from_mm, mm_s, point, trapped, parts, np.sort(members)))
    return groups


def middle_curve(curves: PeckCurves, members: NDArray[np.int64]) -> tuple[Curve, NDArray[np.int64]]:
    """Median load of like pecks at each sample, and how many pecks it is of; NaN where of none."""
    load = np.where(curves.inside[members], curves.load[members], np.nan)
    count = np.count_nonzero(np.isfinite(load), axis=0)
    middle = np.full(load.shape[1], np.nan)
    some = count > 0
    middle[some] = np.nanmedian(load[:, some], axis=0)
    return middle, count


@dataclass(frozen=True)
class Shape:
    """What a whole batch has in common: the free level, the error of its zero, the packing and the spindle's
    answer."""

    level: float
    offset: float
    critical_mm: float
    rise: float
    steep: float
    answer: Answer


RISE, STEEP, SPREAD = 0.3, 2.5, 0.5
"""Where nothing else is known: flutes filled half as far again as the critical fill raise the load by 0.75 of
it, give or take a factor of 1.6 in each of the two (standard deviation of the logarithm; the load is then 1.4
to 3 times that of free cutting, two times in three). From memory: chips that are packed tight double or
triple the torque of a small drill. It matters: where the load begins to climb, and how steeply, are told by
the same few millimetres."""


@dataclass(frozen=True)
class Prior:
    """What is known of the critical length beforehand: about ``middle_mm``, standard deviation of the
    logarithm."""

    middle_mm: float
    sd: float


def fit_shape(curves: PeckCurves, groups: list[LikePecks], prior: Prior, motor: bool) -> Shape:
    """Fit what the batch has in common to the median curves of its like pecks.

    Parameters
    ----------
    curves, groups
        The pecks, and how they are grouped.
    prior : Prior
        What is known of the critical length beforehand.
    motor : bool
        Whether the load is a fall of speed, to which the spindle's answer belongs; sound has none.

    Notes
    -----
    Robust least squares (soft L1) with the level found in closed form and weak priors, from two starts for
    each kind of drive.
    """
    middles, counts = map(
        np.stack, zip(*(middle_curve(curves, group.members) for group in groups), strict=True)
    )
    known = np.isfinite(middles)
    y, weight = middles[known], np.sqrt(counts[known])
    point, trapped = np.stack([g.point for g in groups]), np.stack([g.trapped for g in groups])
    parts = groups[0].parts

    def unpacked(theta: Curve) -> tuple[float, float, float, Answer]:
        critical, rise, steep = np.exp(theta[:3])
        answer = Answer(
            float(np.exp(theta[3])), float(theta[4]), float(np.exp(theta[5])), float(np.exp(theta[6]))
        )
        return float(critical), float(rise), float(steep), answer

    def model(theta: Curve) -> Curve:
        critical, rise, steep, answer = unpacked(theta)
        load = point * (1.0 + rise * packing(trapped, critical, steep))
        one: Curve = heard(load, answer if motor else None, curves.step_s, parts)[known]
        return one

    def straight(theta: Curve) -> tuple[Curve, float, float]:
        """Best fit for the rest of the model: the curves, the common level, and the error of its zero.

        Each group may be off the common level by itself: the speed running free is heard anew before each
        peck, and the first one is told later than the others.
        """
        one = model(theta)
        columns = np.column_stack([one, np.ones(one.size), np.where(own, one[:, None], 0.0)])
        scaled = columns * (weight / noise)[:, None]
        normal = scaled.T @ scaled + np.diag([1e-9, offset_sd**-2, *[own_sd**-2] * len(groups)])
        found = np.linalg.solve(normal, scaled.T @ (y * weight / noise))
        return columns @ found, max(float(found[0]), 1e-6), float(found[1])

    usual = max(float(np.median(np.abs(y))), 1e-3)
    noise = max(1.4826 * float(np.median(np.abs(np.diff(y)))) * float(np.median(weight)), 0.02 * usual)
    offset_sd, own_sd = 0.2 * usual, 0.1 * usual
    own = np.nonzero(known)[0][:, None] == np.arange(len(groups))

    def off(theta: Curve) -> Curve:
        fit, _, _ = straight(theta)
        known_before = [
            (theta[0] - np.log(prior.middle_mm)) / prior.sd,
            (theta[1] - np.log(RISE)) / SPREAD,
            (theta[2] - np.log(STEEP)) / SPREAD,
            (theta[3] - np.log(0.2)) / 0.7,  # small machines answer in 0.1 to 0.5 s
            (theta[5] - np.log(0.7)) / 0.7,
            (theta[6] - np.log(0.15)) / 0.7,
        ]
        return np.concatenate([(y - fit) * weight / noise, known_before])

    middle = np.log(prior.middle_mm)
    low = np.array([middle - 1.6, np.log(0.02), np.log(0.3), np.log(0.02), 0.0, np.log(0.15), np.log(0.02)])
    high = np.array([middle + 1.6, np.log(4.0), np.log(10.0), np.log(1.0), 0.95, np.log(4.0), np.log(0.8)])
    starts = [(away, won) for away in (-0.3, 0.3) for won in ((0.02, 0.6) if motor else (0.0,))]
    best = None
    for away, won in starts:
        start = np.array(
            [middle + away, np.log(RISE), np.log(STEEP), np.log(0.2), won, np.log(0.7), np.log(0.15)]
        )
        start = np.clip(start, low + 1e-6, high - 1e-6)
        found = least_squares(
            off,
            start,
            bounds=(low, high),
            loss="soft_l1",
            x_scale=[0.3, 0.5, 0.5, 0.5, 0.3, 0.5, 0.5],
            max_nfev=60,
        )
        if best is None or found.cost < best.cost:
            best = found
    assert best is not None
    critical, rise, steep, answer = unpacked(best.x)
    _, level, offset = straight(best.x)
    return Shape(level, offset, critical, rise, steep, answer)
