"""What goes wrong: each fault changes the curves of a blank, or the recording, from a known onset.

Positions are given as blank and peck (from 1) and a fraction ``at`` of the peck's feed.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log10
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from monitor.synth.cycle import DT, BlankCurves, Cycle
from monitor.synth.machines import Machine


@dataclass(frozen=True)
class Onset:
    """When a fault began, on the curves of its blank, and what else is true of it."""

    kind: str
    index: int
    peck: int
    facts: dict[str, float]


@dataclass(frozen=True)
class Bind:
    """The drill binds: torque climbs so that the speed would fall by ``rate_pct_s`` up to ``most_pct``.

    100 % and above stalls the spindle. The drill stays in the hole until ``lasts_s`` after the onset: if the
    feed ends sooner it is held at the bottom.
    """

    blank: int
    peck: int
    at: float = 0.6
    rate_pct_s: float = 8.0
    most_pct: float = 20.0
    lasts_s: float = 3.0

    def apply(self, curves: BlankCurves, cycle: Cycle, machine: Machine, rng: np.random.Generator) -> Onset:
        k = feed_index(curves, self.peck, self.at)
        end = _last(curves, self.peck)
        t = np.arange(end - k) * DT
        sag = np.minimum(self.rate_pct_s * t, self.most_pct) / 100.0
        curves.torque_extra_nm[k:end] += sag * curves.commanded_rpm[k] / machine.droop_rpm_per_nm
        squeeze = 1.0 + 3.0 * np.minimum(sag, 0.3)  # walls press harder: more rubbing, fewer free chips
        curves.rub[k:end] = np.maximum(curves.rub[k:end], 0.3) * squeeze**2
        curves.crackle[k:end] *= np.exp(-4.0 * sag)
        kind = "stall" if self.most_pct >= 100.0 else "sag"
        return Onset(kind, k, self.peck, {"rate_pct_s": self.rate_pct_s, "most_pct": self.most_pct})


@dataclass(frozen=True)
class Packing:
    """Chips are no longer cleared: each peck from ``peck`` on keeps ``kept`` of its chips for the next."""

    blank: int
    peck: int
    kept: float = 0.35
    at: float = 0.0

    def apply(self, curves: BlankCurves, cycle: Cycle, machine: Machine, rng: np.random.Generator) -> Onset:
        k = feed_index(curves, self.peck, self.at)
        left = 0.0
        for number in range(self.peck, int(curves.peck.max()) + 1):
            here = curves.peck == number
            if not here.any():
                continue
            curves.fill[here] = np.where(
                curves.engaged[here] > 0, curves.fill[here] + left, curves.fill[here]
            )
            left = self.kept * float(curves.fill[here].max())
        return Onset("packing", k, self.peck, {"kept": self.kept})


@dataclass(frozen=True)
class Melting:
    """The work softens: crackle and hiss die within ``takes_s``, the load stays up, the drill squeals."""

    blank: int
    peck: int
    at: float = 0.3
    takes_s: float = 1.5
    load: float = 1.25
    squeal: float = 0.5

    def apply(self, curves: BlankCurves, cycle: Cycle, machine: Machine, rng: np.random.Generator) -> Onset:
        k = feed_index(curves, self.peck, self.at)
        cutting = (np.cumsum(curves.engaged > 0) - np.count_nonzero(curves.engaged[:k] > 0)) * DT
        soft = 1.0 - np.exp(-np.maximum(cutting[k:], 0.0) / (self.takes_s / 3.0))
        curves.crackle[k:] *= 1.0 - 0.95 * soft
        curves.cut[k:] *= 1.0 - 0.7 * soft
        curves.rub[k:] *= 1.0 + 1.0 * soft
        curves.torque_factor[k:] *= 1.0 + (self.load - 1.0) * soft
        slips = np.clip(1.0 + 0.8 * _wander(rng, soft.size, 3.0), 0.0, 2.5)  # stick and slip come and go
        curves.squeal[k:] = self.squeal * soft * slips * (curves.engaged[k:] > 0)
        return Onset("melting", k, self.peck, {"takes_s": self.takes_s, "load": self.load})


@dataclass(frozen=True)
class Chatter:
    """A tone grows by ``growth_db_s`` while the drill cuts, up to ``most_db`` over the sound of the cut.

    At ``hz``, or near the spindle order ``order`` (whirl in drilling lies near integer multiples of rotation:
    Bayly et al. 2002, J. Manuf. Sci. Eng. 124:275).
    """

    blank: int
    peck: int
    at: float = 0.2
    hz: float = 730.0
    order: float | None = None
    growth_db_s: float = 12.0
    from_db: float = -35.0
    most_db: float = 6.0

    def apply(self, curves: BlankCurves, cycle: Cycle, machine: Machine, rng: np.random.Generator) -> Onset:
        k = feed_index(curves, self.peck, self.at)
        end = _last(curves, self.peck)
        db = np.minimum(self.from_db + self.growth_db_s * np.arange(end - k) * DT, self.most_db)
        curves.chatter[k:end] = 10 ** (db / 20) * (curves.engaged[k:end] > 0)
        rotation = curves.commanded_rpm[k:end] / 60.0
        base = self.hz if self.order is None else self.order * 1.001 * rotation
        curves.chatter_hz[k:end] = base * (1.0 + 0.002 * _wander(rng, end - k, 2.0))
        return Onset(
            "chatter", k, self.peck, {"hz": float(curves.chatter_hz[k]), "growth_db_s": self.growth_db_s}
        )


@dataclass(frozen=True)
class Loosening:
    """The work holding backs off: the knock of every revolution grows by ``growth_db_s``, with little sag."""

    blank: int
    peck: int
    at: float = 0.3
    growth_db_s: float = 6.0
    most_db: float = 30.0

    def apply(self, curves: BlankCurves, cycle: Cycle, machine: Machine, rng: np.random.Generator) -> Onset:
        k = feed_index(curves, self.peck, self.at)
        db = np.minimum(self.growth_db_s * np.arange(curves.n - k) * DT, self.most_db)
        turning = curves.commanded_rpm[k:] > 0
        curves.knock[k:] = (
            NORMAL_KNOCK * 10 ** (db / 20) * turning * np.where(curves.engaged[k:] > 0, 1.0, KNOCK_OUTSIDE)
        )
        twice = 20.0 * log10(2.0) / self.growth_db_s
        return Onset("loosening", k, self.peck, {"growth_db_s": self.growth_db_s, "double_after_s": twice})


NORMAL_KNOCK = 0.12
"""Amplitude of the thump of every revolution in good work, over that of the cut."""

KNOCK_OUTSIDE = 0.6
"""Amplitude of a loose work holding's knock with the drill out of the cut, over that in it."""


@dataclass(frozen=True)
class LostCut:
    """The drill breaks (with a crack) or the blank spins with it: the feed goes on without a cut."""

    blank: int
    peck: int
    at: float = 0.4
    cause: Literal["broken", "spun"] = "broken"

    def apply(self, curves: BlankCurves, cycle: Cycle, machine: Machine, rng: np.random.Generator) -> Onset:
        k = feed_index(curves, self.peck, self.at)
        rubbing = (curves.engaged[k:] > 0) * (0.15 if self.cause == "broken" else 0.3)
        for curve in (curves.cut, curves.crackle):
            curve[k:] = 0.0
        curves.rub[k:] = rubbing if self.cause == "spun" else 0.1 * rubbing
        curves.engaged[k:] = 0.0
        if self.cause == "broken":
            curves.snaps.append(k)
        return Onset("lost_cut", k, self.peck, {})


@dataclass(frozen=True)
class PowerLoss:
    """The spindle loses its drive (belt off, supply gone) while it should turn: it coasts to rest."""

    blank: int
    peck: int
    at: float = 0.5

    def apply(self, curves: BlankCurves, cycle: Cycle, machine: Machine, rng: np.random.Generator) -> Onset:
        k = feed_index(curves, self.peck, self.at)
        curves.powered[k:] = False
        return Onset("stall", k, self.peck, {})


Fault = Bind | Packing | Melting | Chatter | Loosening | LostCut | PowerLoss


@dataclass(frozen=True)
class MicFault:
    """The microphone fails, or changes, between ``start_s`` and ``start_s + seconds`` of the recording.

    silence: digital zeros; stuck: one value; unplugged: the sound is gone, noise and hum of the input
    stay; clipping: the gain is ``gain_db`` too high; dropouts: runs of zeros; gain: a step of ``gain_db``,
    which is no fault.
    """

    mode: Literal["silence", "stuck", "unplugged", "clipping", "dropouts", "gain"]
    start_s: float
    seconds: float = float("inf")
    gain_db: float = 30.0

    def alter(
        self,
        x: NDArray[np.float32],
        t0: float,
        fs: int,
        residue: NDArray[np.float32],
        rng: np.random.Generator,
    ) -> NDArray[np.float32]:
        """Return one second of recording, ``x`` beginning at ``t0``, with the fault.

        ``residue`` is what the input alone would give. Gains come before the converter's limit, which the
        caller applies.
        """
        a = int(np.clip(round((self.start_s - t0) * fs), 0, x.size))
        b = int(np.clip(round((min(self.start_s + self.seconds, t0 + 1.0) - t0) * fs), 0, x.size))
        if a >= b:
            return x
        y = x.copy()
        if self.mode == "silence":
            y[a:b] = 0.0
        elif self.mode == "stuck":
            y[a:b] = np.float32(0.0123)
        elif self.mode == "unplugged":
            y[a:b] = residue[a:b]
        elif self.mode == "dropouts":
            for _ in range(int(rng.poisson(4.0))):
                at, length = int(rng.integers(a, b)), int(rng.uniform(0.005, 0.08) * fs)
                y[at : min(at + length, b)] = 0.0
        else:
            y[a:b] *= np.float32(10 ** (self.gain_db / 20))
        return y


def held_seconds(faults: tuple[Fault, ...], blank: int, cycle: Cycle) -> dict[int, float]:
    """Return for how long the drill is held at the bottom of which peck of this blank."""
    held: dict[int, float] = {}
    for fault in faults:
        if isinstance(fault, Bind) and fault.blank == blank:
            start, end = cycle.peck_depths()[fault.peck - 1]
            feed_mm_s = cycle.feed_mm_per_rev * cycle.spindle_rpm / 60.0
            left = (1.0 - fault.at) * (end - start) / feed_mm_s
            if fault.lasts_s > left:
                held[fault.peck] = fault.lasts_s - left
    return held


def feed_index(curves: BlankCurves, peck: int, at: float) -> int:
    """Return the index at which the fraction ``at`` of the cutting of ``peck`` is done."""
    cutting = np.flatnonzero((curves.peck == peck) & curves.feeding & (curves.engaged > 0))
    if cutting.size == 0:
        raise ValueError(f"blank {curves.blank} has no peck {peck}; it has {int(curves.peck.max())}")
    return int(cutting[min(int(at * cutting.size), cutting.size - 1)])


def _last(curves: BlankCurves, peck: int) -> int:
    return int(np.flatnonzero(curves.peck == peck)[-1]) + 1


def _wander(rng: np.random.Generator, n: int, hz: float) -> NDArray[np.float64]:
    """Return smooth noise of unit rms that changes ``hz`` times a second, by linear interpolation."""
    knots = rng.standard_normal(int(n * DT * hz) + 3) * 1.2
    return np.asarray(np.interp(np.arange(n) * DT * hz, np.arange(knots.size), knots))
