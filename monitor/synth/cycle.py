"""The cycle of one blank, and the spindle's answer to it: moves, load, speed.

A blank is planned as moves of the axis at a commanded spindle speed, sampled at MECHANICS_HZ, and the
spindle's speed is integrated under the load. Everything that is heard later follows from these curves.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from math import ceil, radians, tan
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from monitor.planning.flutes import flute_fill
from monitor.planning.loads import drilling_torque
from monitor.planning.materials import material
from monitor.synth.cutting import packing_factor
from monitor.synth.machines import REFERENCE_RPM, Machine

MECHANICS_HZ = 500
"""Rate of the mechanical curves. The fastest motor here answers in 80 ms."""

DT = 1.0 / MECHANICS_HZ

Curve = NDArray[np.float64]


@dataclass(frozen=True)
class Cycle:
    """One drilling job as the machine runs it. Lengths in mm, times in s; see the job file for the terms.

    ``pecks_mm`` is a schedule whose last entry repeats until ``depth_mm``. ``approach_mm`` is the distance
    above the last depth at which the rapid ends and the feed begins; ``clearance_mm`` how far the drill comes
    out of the hole between pecks. ``eccentric`` is the once-per-revolution share of load and sound.
    ``through`` drills out of the far end.
    """

    material: str
    spindle_rpm: float
    drill_diameter_mm: float
    flutes: int
    flute_length_mm: float
    feed_mm_per_rev: float
    depth_mm: float
    pecks_mm: tuple[float, ...]
    spot_rpm: float | None = None
    spot_mm: float = 1.5
    rapid_mm_s: float = 50.0
    approach_mm: float = 0.8
    clearance_mm: float = 4.0
    park_mm: float = 30.0
    dwell_s: float = 0.15
    settle_s: float = 1.0
    reload_s: float = 3.0
    stops: bool = True
    eccentric: float = 0.0
    through: bool = False

    def peck_depths(self) -> list[tuple[float, float]]:
        """Return (from, to) of every peck."""
        depths: list[tuple[float, float]] = []
        at, index = 0.0, 0
        while at < self.depth_mm - 1e-9:
            step = self.pecks_mm[min(index, len(self.pecks_mm) - 1)]
            to = min(at + step, self.depth_mm)
            depths.append((at, to))
            at, index = to, index + 1
        return depths

    def nominal_torque(self) -> float:
        """Return the torque of free cutting, N m."""
        return drilling_torque(material(self.material).kc, self.feed_mm_per_rev, self.drill_diameter_mm)


@dataclass(frozen=True)
class Move:
    """One stretch of the cycle: its length, commanded speed and axis speed (positive into the work)."""

    what: str  # idle | settle | rapid | spot | feed | held | dwell | retract | stop
    seconds: float
    commanded_rpm: float
    mm_s: float = 0.0
    peck: int = 0


@dataclass
class BlankCurves:
    """One blank at MECHANICS_HZ, every curve of the same length (a whole number of seconds).

    The first group is planned, the second may be changed by faults, the third is found by ``turn``.
    """

    blank: int
    start_s: float
    commanded_rpm: Curve
    mm_s: Curve
    tip_mm: Curve  # drill tip below the face; negative outside
    feeding: NDArray[np.bool_]
    peck: NDArray[np.int64]  # 0 between pecks
    spotting: NDArray[np.bool_]
    powered: NDArray[np.bool_]  # the drive pulls; False after a loss of power or belt
    moves: list[tuple[Move, int, int]]  # with first and last+1 index

    engaged: Curve  # 0..1 of the lips in the work
    fill: Curve
    torque_factor: Curve
    torque_extra_nm: Curve
    cut: Curve  # amplitude of the hiss of the cut, 1 in a normal cut
    crackle: Curve
    rub: Curve
    squeal: Curve
    chatter: Curve
    chatter_hz: Curve
    knock: Curve
    snaps: list[int] = field(default_factory=list)  # indices of single loud cracks
    clunks: list[tuple[int, float]] = field(default_factory=list)  # handling: index and height

    free_rpm: Curve = field(default_factory=lambda: np.zeros(0))
    rpm: Curve = field(default_factory=lambda: np.zeros(0))
    torque_nm: Curve = field(default_factory=lambda: np.zeros(0))

    @property
    def n(self) -> int:
        """Number of samples of every curve."""
        return int(self.tip_mm.size)

    def second(self, k: int) -> BlankCurves:
        """Return the ``k``-th second with the point that ends it: MECHANICS_HZ + 1 points of every curve."""
        begin = k * MECHANICS_HZ
        at = np.minimum(np.arange(begin, begin + MECHANICS_HZ + 1), self.n - 1)
        values = ((f.name, getattr(self, f.name)) for f in fields(self))
        cut: dict[str, Any] = {name: v[at] for name, v in values if isinstance(v, np.ndarray) and v.size}
        inside = range(begin, begin + MECHANICS_HZ)
        return replace(
            self,
            **cut,
            start_s=self.start_s + k,
            snaps=[index - begin for index in self.snaps if index in inside],
            clunks=[(index - begin, height) for index, height in self.clunks if index in inside],
        )


def plan_blank(
    cycle: Cycle,
    machine: Machine,
    lead_s: float,
    held_s: dict[int, float] | None = None,
    *,
    first: bool = True,
    last: bool = True,
) -> list[Move]:
    """Return the moves of one blank: chuck shut and at rest, spindle up, spot, pecks, spindle stop, reload.

    ``lead_s`` is the time at rest before the spindle starts; ``held_s`` the time for which the drill stays at
    the bottom of a peck (by peck number) before it is drawn out. The ``first`` blank finds the spindle at
    rest in any case; the ``last`` one has no reload after it.
    """
    held_s = held_s or {}
    rpm, moves = cycle.spindle_rpm, [Move("idle", lead_s, 0.0 if first or cycle.stops else cycle.spindle_rpm)]
    start_rpm = cycle.spot_rpm or rpm
    spin_up_s = 1.15 * start_rpm / REFERENCE_RPM * machine.spin_up_s
    moves.append(Move("settle", spin_up_s + cycle.settle_s, start_rpm))
    tip = -cycle.park_mm

    def go(to: float, speed: float, what: str, peck: int = 0) -> None:
        nonlocal tip
        moves.append(
            Move(what, abs(to - tip) / speed, moves[-1].commanded_rpm, float(np.sign(to - tip)) * speed, peck)
        )
        tip = to

    if cycle.spot_rpm:
        go(-cycle.approach_mm, cycle.rapid_mm_s, "rapid")
        go(cycle.spot_mm, max(0.03 * cycle.spot_rpm / 60.0, 0.8), "spot")
        go(-cycle.clearance_mm, cycle.rapid_mm_s, "retract")
        change = abs(cycle.spot_rpm - rpm) / REFERENCE_RPM * machine.spin_up_s
        moves.append(Move("settle", 1.15 * change + cycle.settle_s, rpm))
    feed_mm_s = cycle.feed_mm_per_rev * rpm / 60.0
    for number, (start, end) in enumerate(cycle.peck_depths(), start=1):
        go(start - cycle.approach_mm, cycle.rapid_mm_s, "rapid")
        go(end, feed_mm_s, "feed", number)
        if number in held_s:
            moves.append(Move("held", held_s[number], rpm, 0.0, number))
        go(-cycle.clearance_mm, cycle.rapid_mm_s, "retract")
        moves.append(Move("dwell", cycle.dwell_s, rpm))
    go(-cycle.park_mm, cycle.rapid_mm_s, "retract")
    if cycle.stops or last:
        moves.append(Move("stop", 3.0 * machine.coast_s, 0.0))
    if not last:
        moves.append(Move("idle", cycle.reload_s, 0.0 if cycle.stops else rpm))
    used = sum(move.seconds for move in moves)
    moves.append(Move("idle", ceil(used) - used, moves[-1].commanded_rpm))  # whole seconds: see scenes
    return moves


def lay_out(cycle: Cycle, moves: list[Move], blank: int, start_s: float) -> BlankCurves:
    """Return the curves of a blank as planned, before faults and before the spindle answers."""
    edges_s = np.cumsum([0.0] + [move.seconds for move in moves])
    edges = np.rint(edges_s * MECHANICS_HZ).astype(int)
    spans = [(move, int(a), int(b)) for move, a, b in zip(moves, edges[:-1], edges[1:], strict=True)]
    lengths = np.diff(edges)

    def spread(values: list[float]) -> Curve:
        return np.repeat(np.asarray(values, float), lengths)

    n = int(edges[-1])
    mm_s = spread([move.mm_s for move in moves])
    # A controller repeats its program exactly: rapids rounded to whole samples would leave the drill off by a
    # tenth of a millimetre, which a slow feed makes up in half a second.
    edges_mm = -cycle.park_mm + np.cumsum([0.0] + [move.mm_s * move.seconds for move in moves])
    tip = np.interp((np.arange(n) + 1) * DT, edges_s, edges_mm)
    peck = spread([move.peck for move in moves]).astype(int)
    feeding = (peck > 0) & (mm_s > 0)
    spotting = spread([move.what == "spot" for move in moves]).astype(bool)
    engaged, fill = np.zeros(n), np.zeros(n)
    cone = cycle.drill_diameter_mm / 2 / tan(radians(59.0))  # of a 118 degree point
    for number, (start, end) in enumerate(cycle.peck_depths(), start=1):
        here = feeding & (peck == number) & (tip >= start - 1e-9)
        depth = np.minimum(tip[here], end)
        # Entering a flat face the cone bites gradually; later pecks meet a bottom of the drill's own shape.
        bite = np.clip((depth - start) / (cone if number == 1 else 0.15), 0.0, 1.0)
        if cycle.through:
            bite *= np.clip((cycle.depth_mm - depth) / cone, 0.05, 1.0)
        engaged[here] = bite
        fill[(peck == number)] = 0.0
        fill[here] = flute_fill(depth - start, depth, cycle.flute_length_mm, material(cycle.material).bulking)
        held = (peck == number) & ~feeding
        if held.any() and here.any():
            fill[held] = fill[np.flatnonzero(here)[-1]]
    engaged[spotting & (tip >= 0)] = 0.5
    cut = np.where(engaged > 0, engaged**0.7, 0.0)
    return BlankCurves(
        blank=blank,
        start_s=start_s,
        commanded_rpm=spread([move.commanded_rpm for move in moves]),
        mm_s=mm_s,
        tip_mm=tip,
        feeding=feeding,
        peck=peck,
        spotting=spotting,
        powered=np.ones(n, dtype=bool),
        moves=spans,
        engaged=engaged,
        fill=fill,
        torque_factor=np.ones(n),
        torque_extra_nm=np.zeros(n),
        cut=cut,
        crackle=cut.copy(),
        rub=0.25 * cut,
        squeal=np.zeros(n),
        chatter=np.zeros(n),
        chatter_hz=np.zeros(n),
        knock=np.zeros(n),
    )


@dataclass
class SpindleState:
    """What the spindle carries from one blank to the next. Speeds in rpm."""

    rpm: float = 0.0
    free_rpm: float = 0.0
    demand_rpm: float = 0.0
    slewing: float = 0.0
    swing_rpm: float = 0.0
    recovered_rpm: float = 0.0
    stalled: bool = False
    running_s: float = 0.0
    wander: NDArray[np.float64] = field(default_factory=lambda: np.zeros(2))


def wander_curve(machine: Machine, rng: np.random.Generator, n: int, state: SpindleState) -> Curve:
    """Return the relative slow wander of the speed, rms ``machine.wander_rms``, band-limited by two poles."""
    pole = np.exp(-2 * np.pi * machine.wander_hz * DT)
    # Variance of white noise through two equal poles: (1 + p^2) / (1 - p^2)^3.
    gain = np.sqrt((1 - pole**2) ** 3 / (1 + pole**2))
    y, state.wander = lfilter(
        [gain * machine.wander_rms], [1.0, -2 * pole, pole**2], rng.standard_normal(n), zi=state.wander
    )
    return np.asarray(y)


def turn(
    curves: BlankCurves, cycle: Cycle, machine: Machine, state: SpindleState, rng: np.random.Generator
) -> None:
    """Integrate the spindle's speed under the load and set ``free_rpm``, ``rpm`` and ``torque_nm``.

    The drive's demand moves at its spin-up rate; the spindle follows with its time constant, less its droop;
    a regulated drive wins part of the droop back until it reaches its current limit, and overshoots where its
    demand stops moving (a speed loop whose integral has wound up, Astrom and Hagglund 1995, from memory). The
    feed is a rate, so a slower spindle takes a thicker chip and more torque. A spindle brought to rest by the
    load stays so until the command goes to zero. With the command at zero, or without power, it coasts.
    """
    n = curves.n
    commanded = curves.commanded_rpm
    running = state.running_s + np.cumsum(commanded > 0) * DT
    state.running_s = float(running[-1])
    warm = machine.drift * np.exp(-running / machine.drift_s)
    ideal = commanded * (1 + machine.dial_error) * (1 + wander_curve(machine, rng, n, state) + warm)
    unit = drilling_torque(material(cycle.material).kc, 1.0, cycle.drill_diameter_mm)
    load = (
        unit
        * curves.engaged
        * curves.torque_factor
        * packing_factor(curves.fill)
        * np.maximum(curves.mm_s, 0)
        * 60
    )
    if cycle.eccentric:
        turns = np.cumsum(commanded) * DT / 60
        load = load * (1 + cycle.eccentric * np.cos(2 * np.pi * turns))
    slew = REFERENCE_RPM / machine.spin_up_s * DT
    follow = 1 - np.exp(-DT / machine.time_constant_s).item()
    coast = np.exp(-DT / machine.coast_s).item()
    win_back = DT / machine.recovery_s
    thickest = 5 * cycle.feed_mm_per_rev * unit * 4.0
    per_nm, recovery, reserve = machine.droop_rpm_per_nm, machine.recovery, machine.reserve
    rpm, free, demand = state.rpm, state.free_rpm, state.demand_rpm
    recovered, stalled = state.recovered_rpm, state.stalled
    slewing, swing, settle = state.slewing, state.swing_rpm, np.exp(-DT / machine.recovery_s).item()
    out_rpm, out_free, out_torque = [0.0] * n, [0.0] * n, [0.0] * n
    inputs = (commanded, ideal, load, curves.torque_extra_nm, curves.powered)
    steps = zip(range(n), *(curve.tolist() for curve in inputs), strict=True)
    for k, command, wanted, cutting, extra, powered in steps:  # plain numbers: most of the time is spent here
        if command <= 0.0:
            rpm, free, demand, recovered, stalled = rpm * coast, free * coast, free * coast, 0.0, False
            slewing = swing = 0.0
            if free < 5.0:
                rpm = free = demand = 0.0
            out_rpm[k], out_free[k] = rpm, free
            continue
        if abs(wanted - demand) > slew:
            slewing = 1.0 if wanted > demand else -1.0
        elif slewing:
            slewing, swing = 0.0, slewing * machine.overshoot * wanted
        swing *= settle
        if wanted > demand:
            demand = wanted if demand + slew > wanted else demand + slew
        else:
            demand = wanted if demand - slew < wanted else demand - slew
        torque = 0.0
        if rpm > 1.0:
            torque = cutting / rpm
            torque = (thickest if torque > thickest else torque) + extra
        droop = per_nm * torque
        back, limit = recovery * droop, reserve * demand
        recovered += win_back * ((limit if back > limit else back) - recovered)
        free += follow * (demand + swing - free)
        if not powered:
            rpm *= coast
        elif not stalled:
            rpm += follow * (demand + swing - droop + recovered - rpm)
            if torque > 0.0 and rpm < 0.02 * demand:
                stalled = True
        if stalled:
            rpm = 0.0
        out_rpm[k], out_free[k], out_torque[k] = rpm, free, torque
    state.rpm, state.free_rpm, state.demand_rpm = rpm, free, demand
    state.recovered_rpm, state.stalled = recovered, stalled
    state.slewing, state.swing_rpm = slewing, swing
    curves.rpm, curves.free_rpm, curves.torque_nm = (
        np.array(out_rpm),
        np.array(out_free),
        np.array(out_torque),
    )
    # What no longer turns no longer cuts; a thicker chip is louder.
    alive = np.clip(curves.rpm / np.maximum(curves.free_rpm, 1.0) / 0.2, 0.0, 1.0) * (curves.rpm > 5.0)
    for name in ("cut", "crackle", "rub", "squeal", "chatter", "knock"):
        setattr(curves, name, getattr(curves, name) * alive)
    harder = np.clip(curves.torque_nm / max(cycle.nominal_torque(), 1e-9), 0.5, 6.0) ** 0.3
    curves.rub = curves.rub * harder**2
    curves.cut = curves.cut * harder
