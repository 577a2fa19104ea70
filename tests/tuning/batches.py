"""Batches whose truth is known: the mechanics of the synthesis, as the ear would trace them.

The sound is left out: what the ear adds to the true sag (its noise, measured against the whole chain in
test_pecks_command) is drawn, so that hundreds of batches take seconds each thousand pecks.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from monitor.planning.flutes import FLUTE_AREA_FRACTION
from monitor.planning.materials import material
from monitor.synth.cutting import FILL_FREE, packing_factor
from monitor.synth.cycle import DT, MECHANICS_HZ, Cycle, Move, SpindleState, lay_out, plan_blank, turn
from monitor.synth.machines import Machine, draw_machine, with_sag
from monitor.synth.render import vary
from monitor.synth.seeds import stream
from monitor.tuning.peck_curves import Cut

STEP = MECHANICS_HZ // 20

SHAPE_SD = 0.3
"""Materials and drills differ in how load climbs: spread of both numbers of `packing_factor`, in the
logarithm (no published source)."""

EAR_SD, EAR_TAPS = 0.1, (0.5, 0.7, 0.5)
"""Noise of the ear in the sag, percent: white noise of this deviation through these taps, one a row."""


@dataclass(frozen=True)
class Batch:
    """A batch as told, and its truth: bulking factor, trapped length at which the load climbs, and how it
    does (``rise`` and ``steep`` of tuning/load_model.py)."""

    cycle: Cycle
    pieces: list
    machine: Machine
    bulking: float
    critical_mm: float
    rise: float
    steep: float

    @property
    def cuts(self) -> list[Cut]:
        return [cut for piece in self.pieces for cut in piece[0]]


def draw_batch(
    seed: int,
    blanks: int = 10,
    blank_spread: float = 0.05,
    ear_sd: float = EAR_SD,
    fullest: float | None = None,
) -> Batch:
    """A drawn machine drilling a drawn job in a material whose bulking is not that of the table."""
    rng = stream(seed, "tuning batch")
    key = str(rng.choice(["acrylic", "hardwood", "burl", "softwood"]))
    stock = material(key)
    bulking = stock.bulking * float(np.exp(0.25 * rng.standard_normal()))
    diameter = float(rng.uniform(4.0, 10.0))
    flute_mm = diameter * float(rng.uniform(3.0, 8.0))
    critical = FILL_FREE * FLUTE_AREA_FRACTION * flute_mm / bulking
    rpm = float(rng.uniform(500.0, 2000.0))
    mm_s = min(float(rng.uniform(0.5, 2.0)), critical / 1.5)  # pecks of seconds
    feed = mm_s * 60.0 / rpm
    fill = fullest or float(rng.uniform(0.8, 1.15))  # at the end of the usual peck
    peck = fill / FILL_FREE * critical
    cycle = Cycle(
        key,
        rpm,
        diameter,
        2,
        flute_mm,
        feed,
        flute_mm * float(rng.uniform(1.3, 1.8)),
        (0.5 * flute_mm, 0.3 * flute_mm, peck),
        eccentric=0.4 if key == "burl" else 0.0,
        settle_s=1.5,
        reload_s=0.1,
    )
    machine = with_sag(draw_machine(seed), cycle.nominal_torque(), rpm, float(rng.uniform(0.8, 2.0)))
    rise, steep = np.array([0.2, 4.0]) * np.exp(SHAPE_SD * stream(seed, "tuning climb").standard_normal(2))
    state, pieces = SpindleState(), []
    start = 0.0
    for blank in range(1, blanks + 1):
        moves = [*map(_whole_steps, plan_blank(cycle, machine, 0.2, first=blank == 1, last=blank == blanks))]
        curves = lay_out(cycle, moves, blank, start)
        vary(curves, cycle, rng)
        own = float(np.exp(blank_spread * rng.standard_normal()))
        curves.fill *= bulking / stock.bulking * own
        over = np.clip(curves.fill - FILL_FREE, 0.0, 1.5)
        curves.torque_factor *= (1.0 + rise * np.expm1(steep * over)) / packing_factor(curves.fill)
        turn(curves, cycle, machine, state, rng)
        pieces.append(_traced(curves, cycle, machine, rng, ear_sd, start))
        start += curves.n * DT
    return Batch(cycle, pieces, machine, bulking, critical, float(rise), float(steep) * FILL_FREE)


def _whole_steps(move: Move) -> Move:
    """The same move in a whole number of steps of the mechanics: `lay_out` rounds each move to them, and adds
    up to 0.2 mm of it over the pecks of a hole, a tenth of a short peck."""
    seconds = max(round(move.seconds / DT), 1) * DT
    return replace(move, seconds=seconds, mm_s=move.mm_s * move.seconds / seconds)


def _traced(curves, cycle, machine, rng, ear_sd, start):
    """The pecks of one blank and its rows, 20 a second."""
    # The reference is what was heard before contact: the machine's wander since then looks like sag.
    free = curves.commanded_rpm * (1 + machine.dial_error)
    before = np.flatnonzero(curves.engaged > 0)[0] - MECHANICS_HZ // 2
    reference = curves.rpm[before - MECHANICS_HZ // 2 : before].mean() / free[before]
    sag = 100 * (1 - curves.rpm / np.maximum(free * reference, 1e-9))
    n = curves.n // STEP
    # The ear's answer is that of the last 0.2 s.
    heard = sag[: n * STEP].reshape(n, STEP).mean(axis=1)
    heard = np.convolve(heard, np.ones(2) / 2)[:n]
    noise = np.convolve(rng.standard_normal(n + 2), EAR_TAPS, mode="valid") * ear_sd
    t = start + (np.arange(n) + 1) / 20
    cuts = []
    for number, (top, bottom) in enumerate(cycle.peck_depths(), start=1):
        inside = np.flatnonzero((curves.peck == number) & (curves.engaged > 0))
        if inside.size < MECHANICS_HZ // 2:
            continue  # a last sliver
        a = start + inside[0] * DT + 0.04 * rng.standard_normal()
        b = start + (inside[-1] + 1) * DT + 0.03 * rng.standard_normal()
        slip = 0.1 * rng.standard_normal()
        cuts.append(
            Cut(curves.blank, number, a, b, top + slip * (number > 1), bottom + slip * (number > 1), b)
        )
    return cuts, t, heard + noise, np.ones(n)
