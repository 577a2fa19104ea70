"""What the best possible estimate could reach on the batches of coverage.py: Fisher information of the climb.

    python tests/tuning/bound.py --seeds 1000 1040

Whoever knew the model exactly (packing, the spindle's answer, every source of noise with its covariance) but
none of its numbers beyond the priors that `climb.py` has too could not do better than this standard deviation
of the logarithm of the climb depth (Cramer and Rao). It is taken at the truth, where the climb is seen as
such; where no climb at all fits nearly as well, nobody reaches it.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

sys.path.insert(0, str(Path(__file__).resolve().parent.parent.parent))

from monitor.planning.materials import material
from monitor.synth.cutting import cut_sound
from monitor.synth.machines import Machine
from monitor.tuning.bulking import MATERIAL_SD
from monitor.tuning.load_model import SPREAD, Answer, LikePecks, answered, like_pecks, packing
from monitor.tuning.peck_curves import peck_curves, step_for
from tests.tuning.batches import EAR_SD, EAR_TAPS, Batch, draw_batch

Array = NDArray[np.float64]
STEP = 0.02
"""Of the numerical derivatives, in the logarithm."""

ALIKE, CONTACT_S, SLIP_MM, GRAIN_S = 0.04, 0.04, 0.1, 0.1
"""What the batches draw (`vary`, `batches.py`): load of a peck, when contact is told, depth told, and how
long a knot of the grain lasts."""


def wander_covariance(machine: Machine, t: Array) -> Array:
    """Of the speed's slow wander, percent squared: two equal poles (`wander_curve`)."""
    a = 2 * np.pi * machine.wander_hz
    apart = a * np.abs(t[:, None] - t[None, :])
    return np.asarray((100 * machine.wander_rms) ** 2 * (1 + apart) * np.exp(-apart))


def least_sd(batch: Batch, blank_spread: float = 0.05) -> float:
    """Smallest standard deviation of the logarithm of the climb depth."""
    cycle, machine = batch.cycle, batch.machine
    curves = peck_curves(batch.pieces, step_for(batch.cuts, 0.05))
    groups = like_pecks(curves, cycle.flute_length_mm, cycle.drill_diameter_mm)
    of = {int(i): group for group in groups for i in group.members}
    level = machine.droop_pct_per_nm(cycle.spindle_rpm) * cycle.nominal_torque()
    # climb, rise, steep, time constant, won back, how slowly, the ear's window, level; error of the zero
    truth = np.array(
        [np.log(batch.critical_mm), np.log(batch.rise), np.log(batch.steep), np.log(machine.time_constant_s),
         machine.recovery, np.log(machine.recovery_s), np.log(0.15), np.log(level), 0.0]
    )  # fmt: skip
    before = np.array([MATERIAL_SD, SPREAD, SPREAD, 0.7, 0.5, 0.7, 0.7, 10.0, 0.2 * level])
    information = np.diag(before**-2.0)
    start = {(cut.blank, cut.peck): cut.start_s for cut in batch.cuts}
    grain = 0.5 * cut_sound(material(cycle.material).chip_form, material(cycle.material).crackle).uneven
    step = curves.step_s

    def model(theta: Array, members: list[int]) -> Array:
        return np.concatenate([_load(theta, of[i], step)[: curves.length[i]] for i in members])

    for blank in np.unique(curves.blank):
        members = [i for i in of if curves.blank[i] == blank]
        derivatives = [
            (model(truth + change, members) - model(truth - change, members)) / (2 * STEP)
            for change in STEP * np.eye(truth.size)
        ]
        jacobian = np.array(derivatives).T
        begin = [start[int(blank), int(curves.peck[i])] for i in members]
        lengths = [int(curves.length[i]) for i in members]
        t = np.concatenate([a + (np.arange(n) + 0.5) * step for a, n in zip(begin, lengths, strict=True)])
        # the sag is against the mean of half a second, a second before the blank's first contact
        free = t.min() - 1.0 - 0.5 * (np.arange(10) + 0.5) / 10
        wander = wander_covariance(machine, np.concatenate([t, free]))
        against = np.hstack([np.eye(t.size), -np.full((t.size, free.size), 1 / free.size)])
        noise = against @ wander @ against.T
        at = 0
        for i, n in zip(members, lengths, strict=True):
            here = slice(at, at + n)
            noise[here, here] += _own_noise(_load(truth, of[i], step)[:n], step, curves.mm_s[i], grain, truth)
            at += n
        noise += blank_spread**2 * np.outer(jacobian[:, 0], jacobian[:, 0])
        noise[np.diag_indices_from(noise)] += 1e-8
        information += jacobian.T @ np.linalg.solve(noise, jacobian)
    return float(np.sqrt(np.linalg.inv(information)[0, 0]))


def _load(theta: Array, group: LikePecks, step_s: float) -> Array:
    critical, rise, steep, answer_s = np.exp(theta[:4])
    answer = Answer(float(answer_s), float(theta[4]), float(np.exp(theta[5])), float(np.exp(theta[6])))
    packed = 1.0 + rise * packing(group.trapped, critical, steep)
    return np.asarray(np.exp(theta[7]) * group.load(packed, answer, step_s) + theta[8])


def _own_noise(load: Array, step_s: float, mm_s: float, grain: float, theta: Array) -> Array:
    """Covariance of one peck's own noise: ear, load and depth, and the grain, which the motor smooths."""
    n = load.size
    rows = max(1, round(step_s / 0.05))
    taps = np.convolve(EAR_TAPS, np.ones(rows) / rows) * EAR_SD
    lags = np.correlate(taps, taps, "full")[taps.size - 1 :: rows]
    apart = np.abs(np.arange(n)[:, None] - np.arange(n)[None, :])
    noise = np.where(apart < lags.size, lags[np.minimum(apart, lags.size - 1)], 0.0)
    slope = np.gradient(load, step_s)
    noise += ALIKE**2 * np.outer(load, load)
    noise += (CONTACT_S**2 + (SLIP_MM / mm_s) ** 2) * np.outer(slope, slope)
    fine = max(1, round(step_s / GRAIN_S))  # knots to a step: they average out
    answer = Answer(float(np.exp(theta[3])), 0.0, 1.0, float(np.exp(theta[6])))
    through = np.array([answered(row, answer, step_s) for row in np.eye(n)])
    noise += grain**2 / fine * max(GRAIN_S / step_s, 1.0) * (through.T * load**2) @ through
    return np.asarray(noise)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs=2, default=(1000, 1040), metavar=("FROM", "TO"))
    parser.add_argument("--blanks", type=int, default=10)
    args = parser.parse_args()
    found = []
    for seed in range(*args.seeds):
        found.append(least_sd(draw_batch(seed, args.blanks)))
        print(seed, f"{found[-1]:.3f}", flush=True)
    within = 2 * norm.cdf(np.log(1.1) / np.array(found)) - 1
    print(f"{len(found)} batches: least deviation median {np.median(found):.1%}")
    print(f"bulking within 10 % in {within.mean():.0%}")
