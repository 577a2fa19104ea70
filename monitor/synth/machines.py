"""Machines: what turns, what it sounds like, and how its speed answers to load.

A machine is drawn from a seed. Its sound is a set of shafts; each shaft carries lines at multiples of its own
rotation, and most shafts turn at a non-integer ratio to the spindle (belts). Modes of the structure, through
which the lines sweep as the speed changes, belong to the path of the sound.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from monitor.synth.seeds import stream

REFERENCE_RPM = 1000.0
"""Speed at which line amplitudes and floor gains are stated."""

Follows = Literal["rotor", "electrical", "fixed"]
Motor = Literal["brushed", "brushless", "induction"]


@dataclass(frozen=True)
class Shaft:
    """Lines at multiples of one rotation.

    ``ratio`` is turns of this shaft per turn of the spindle, or turns a second if it ``follows`` nothing
    ("fixed"). "electrical" follows the commanded speed and not the rotor's: the field of an induction motor
    keeps turning at its own rate while the rotor slips. ``amplitudes`` are linear at REFERENCE_RPM and grow
    as (rpm / REFERENCE_RPM)**growth and as 1 + load_gain * sag / 10 %.
    """

    name: str
    follows: Follows
    ratio: float
    harmonics: tuple[int, ...]
    amplitudes: tuple[float, ...]
    phases: tuple[float, ...]
    growth: float = 0.0
    load_gain: float = 0.0


@dataclass(frozen=True)
class Mode:
    """A structural resonance: frequency, quality factor, gain at its peak over the direct path."""

    hz: float
    q: float
    gain: float


@dataclass(frozen=True)
class Machine:
    """A lathe as seen by the microphone and by the load. Fractions are 1 = 100 %; times are seconds.

    ``droop_rpm_per_nm`` is the fall of the spindle's speed with torque. A regulated drive wins back the share
    ``recovery`` of it with time constant ``recovery_s``, up to ``reserve`` of the speed; beyond that it is at
    its current limit. Its speed loop passes a new speed by the share ``overshoot``, and comes back as fast.
    ``spin_up_s`` is the time from rest to REFERENCE_RPM; ``coast_s`` the time constant of running down.
    ``dial_error`` is true over commanded speed, less one. The floor's amplitude grows as
    (rpm / REFERENCE_RPM)**floor_growth and its density falls by ``floor_slope_db`` an octave.
    ``axis_turns_per_mm`` is the rate at which the axis drive sings as it moves.
    """

    seed: int
    motor: Motor
    shafts: tuple[Shaft, ...]
    modes: tuple[Mode, ...]
    rev_modulation: float
    rev_phase: float
    floor_growth: float
    floor_slope_db: float
    droop_rpm_per_nm: float
    time_constant_s: float
    recovery: float
    recovery_s: float
    reserve: float
    wander_rms: float
    wander_hz: float
    drift: float
    drift_s: float
    dial_error: float
    spin_up_s: float
    coast_s: float
    axis_turns_per_mm: float
    axis_level_db: float
    overshoot: float = 0.0

    def orders(self) -> list[tuple[float, float]]:
        """Return (order, amplitude at REFERENCE_RPM) of every line that follows the rotor, by order."""
        lines = [
            (shaft.ratio * harmonic, amplitude)
            for shaft in self.shafts
            if shaft.follows == "rotor"
            for harmonic, amplitude in zip(shaft.harmonics, shaft.amplitudes, strict=True)
        ]
        return sorted(lines)

    def droop_pct_per_nm(self, rpm: float) -> float:
        """Return the steady fall of speed at ``rpm``, in percent per N m, before any regulation."""
        return 100.0 * self.droop_rpm_per_nm / rpm

    def free_rpm(self, commanded_rpm: float) -> float:
        """Return the mean free-running speed that a commanded one gives when the machine is warm."""
        return commanded_rpm * (1.0 + self.dial_error)


def with_sag(machine: Machine, torque_nm: float, rpm: float, sag_pct: float) -> Machine:
    """Return the machine with its droop set so that ``torque_nm`` at ``rpm`` costs ``sag_pct``."""
    return replace(machine, droop_rpm_per_nm=sag_pct / 100.0 * rpm / torque_nm)


def draw_machine(seed: int, motor: Motor | None = None) -> Machine:
    """Draw a machine; the same seed gives the same machine, another seed a different one."""
    rng = stream(seed, "machine")
    kind: Motor = motor if motor is not None else ("brushed", "brushless", "induction")[rng.integers(3)]
    ratio = float(rng.uniform(1.1, 4.5))  # motor turns per spindle turn
    shafts = [
        _shaft(rng, "spindle", "rotor", 1.0, range(1, 7), 0.5, fall=0.8, growth=1.4),
        _shaft(rng, "motor shaft", "rotor", ratio, range(1, 5), 0.5, fall=0.8, growth=1.2),
        *_motor_shafts(rng, kind, ratio),
        *_transmission_shafts(rng),
        *_bearing_shafts(rng),
        *_fixed_shafts(rng, kind),
    ]
    regulated = rng.random() < 0.4
    return Machine(
        seed=seed,
        motor=kind,
        shafts=tuple(shafts),
        modes=_draw_modes(rng),
        rev_modulation=float(rng.uniform(0.02, 0.15)),
        rev_phase=float(rng.uniform(0, 2 * np.pi)),
        floor_growth=float(rng.uniform(0.5, 1.5)),
        floor_slope_db=float(rng.uniform(2.0, 6.0)),
        droop_rpm_per_nm=float(rng.uniform(60.0, 250.0)),
        time_constant_s=float(rng.uniform(0.08, 0.45)),
        recovery=float(rng.uniform(0.4, 0.9)) if regulated else 0.0,
        recovery_s=float(rng.uniform(0.3, 1.5)),
        reserve=float(rng.uniform(0.01, 0.025)),
        wander_rms=float(np.exp(rng.uniform(np.log(0.0005), np.log(0.004)))),
        wander_hz=float(rng.uniform(0.2, 1.0)),
        drift=float(rng.uniform(-0.008, 0.008)),
        drift_s=float(rng.uniform(200.0, 900.0)),
        dial_error=float(rng.uniform(-0.02, 0.02)),
        spin_up_s=float(rng.uniform(0.5, 2.0)),
        coast_s=float(rng.uniform(0.4, 1.2)),
        axis_turns_per_mm=float(rng.choice([20.0, 25.0, 40.0, 50.0, 66.7])),
        axis_level_db=float(rng.uniform(-10.0, 4.0)),
        overshoot=float(stream(seed, "overshoot").uniform(0.0, 0.05)) if regulated else 0.0,
    )


def demo_machine() -> Machine:
    """Return the machine of the demo: a small belt-driven lathe with a brushed motor, open-loop drive."""
    return replace(draw_machine(7, motor="brushed"), recovery=0.0, time_constant_s=0.15, wander_rms=0.0012)


def _shaft(
    rng: np.random.Generator,
    name: str,
    follows: Follows,
    ratio: float,
    harmonics: range | tuple[int, ...],
    strength: float,
    *,
    fall: float,
    growth: float,
    load_gain: float = 0.0,
) -> Shaft:
    """Return a shaft whose n-th line is about ``strength * n**-fall``, scattered by 4 dB."""
    count = len(harmonics)
    decay = np.arange(1, count + 1, dtype=float) ** -fall
    amplitudes = strength * decay * np.exp(rng.normal(0.0, 0.46, count))
    return Shaft(
        name,
        follows,
        float(ratio),
        tuple(harmonics),
        tuple(float(a) for a in amplitudes),
        tuple(float(p) for p in rng.uniform(0, 2 * np.pi, count)),
        growth,
        load_gain,
    )


def _motor_shafts(rng: np.random.Generator, kind: Motor, ratio: float) -> list[Shaft]:
    """Lines of the motor itself: what the field, the slots and the brushes do each turn."""
    if kind == "brushed":
        bars = int(rng.integers(11, 37))
        # With an odd number of bars two brushes commutate alternately, so the rate doubles.
        passing = bars * (2 if bars % 2 else 1)
        return [
            _shaft(rng, "commutator", "rotor", ratio * passing, range(1, 6), 1.0, fall=0.9, growth=0.6,
                   load_gain=float(rng.uniform(0.0, 0.6))),
        ]  # fmt: skip
    if kind == "brushless":
        pole_pairs, slots = int(rng.integers(2, 8)), int(rng.choice([9, 12, 18, 24]))
        return [
            _shaft(rng, "torque ripple", "rotor", ratio * 6 * pole_pairs, range(1, 5), 0.9, fall=0.9,
                   growth=0.5, load_gain=float(rng.uniform(0.0, 0.8))),
            _shaft(rng, "slots", "rotor", ratio * slots, range(1, 4), 0.6, fall=0.9, growth=0.5),
        ]  # fmt: skip
    pole_pairs, bars = int(rng.integers(1, 4)), int(rng.integers(22, 45))
    slip = float(rng.uniform(0.003, 0.012))
    return [
        _shaft(rng, "rotor bars", "rotor", ratio * bars, range(1, 5), 1.0, fall=0.9, growth=0.7,
               load_gain=float(rng.uniform(0.0, 0.8))),
        _shaft(rng, "field", "electrical", ratio * 2 * pole_pairs / (1 - slip), range(1, 5), 0.4, fall=0.8,
               growth=0.2),
    ]  # fmt: skip


def _transmission_shafts(rng: np.random.Generator) -> list[Shaft]:
    belt = float(rng.uniform(0.18, 0.55))  # turns of the belt per turn of the spindle
    shafts = [_shaft(rng, "belt", "rotor", belt, range(1, 5), 0.3, fall=0.5, growth=1.0)]
    kind = rng.integers(3)
    if kind == 0:
        teeth = int(rng.integers(24, 61))
        shafts.append(_shaft(rng, "gear mesh", "rotor", teeth, range(1, 4), 0.7, fall=0.9, growth=0.9,
                             load_gain=float(rng.uniform(0.1, 0.8))))  # fmt: skip
    elif kind == 1:
        teeth = int(rng.integers(18, 41))
        shafts.append(_shaft(rng, "belt teeth", "rotor", teeth, range(1, 4), 0.5, fall=0.9, growth=0.9))
    return shafts


def _bearing_shafts(rng: np.random.Generator) -> list[Shaft]:
    """Ball passing of the outer and inner race: n/2 (1 -+ d/D cos a), which is never an integer order."""
    balls, geometry = int(rng.integers(8, 15)), float(rng.uniform(0.15, 0.3))
    return [
        _shaft(
            rng, "outer race", "rotor", balls / 2 * (1 - geometry), range(1, 6), 0.15, fall=0.4, growth=1.2
        ),
        _shaft(
            rng, "inner race", "rotor", balls / 2 * (1 + geometry), range(1, 6), 0.12, fall=0.4, growth=1.2
        ),
    ]


def _fixed_shafts(rng: np.random.Generator, kind: Motor) -> list[Shaft]:
    mains = float(rng.choice([50.0, 60.0]))
    blades, fan_rpm = int(rng.integers(5, 12)), float(rng.uniform(1400.0, 3000.0))
    shafts = [
        _shaft(rng, "mains", "fixed", mains, (1, 2, 3, 4, 6, 8, 10), 0.35, fall=0.6, growth=0.0),
        _shaft(
            rng, "fan", "fixed", fan_rpm / 60.0, (blades, 2 * blades, 3 * blades), 0.2, fall=0.8, growth=0.0
        ),
    ]
    if kind != "induction" or rng.random() < 0.7:
        switching = float(rng.uniform(2500.0, 7800.0))
        shafts.append(_shaft(rng, "drive switching", "fixed", switching, (1, 2), 0.3, fall=1.0, growth=0.0))
    return shafts


def _draw_modes(rng: np.random.Generator) -> tuple[Mode, ...]:
    count = int(rng.integers(6, 13))
    hz = np.exp(rng.uniform(np.log(160.0), np.log(5000.0), count))
    q, gain = rng.uniform(6.0, 35.0, count), rng.uniform(0.7, 4.0, count)
    modes = [Mode(float(h), float(a), float(g)) for h, a, g in zip(hz, q, gain, strict=True)]
    return tuple(sorted(modes, key=lambda mode: mode.hz))


TABLE_SIZE = 16384
"""Points of one turn. With 60 lines a turn, linear interpolation errs by (2 pi 60 / 16384)^2 / 8: -84 dB."""


def wave_table(shaft: Shaft, highest: float) -> NDArray[np.float32]:
    """Return one turn of the shaft's sound, lines above the ``highest`` harmonic left out (no aliases)."""
    turn = np.arange(TABLE_SIZE + 1) * (2 * np.pi / TABLE_SIZE)
    table = np.zeros(TABLE_SIZE + 1)
    for harmonic, amplitude, phase in zip(shaft.harmonics, shaft.amplitudes, shaft.phases, strict=True):
        if harmonic <= highest:
            table += amplitude * np.cos(harmonic * turn + phase)
    return table.astype(np.float32)


def read_table(table: NDArray[np.float32], turns: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return the table at each angle (in turns, any size), linearly interpolated."""
    position = turns - np.floor(turns)
    position *= TABLE_SIZE
    index = position.astype(np.int32)
    part = (position - index).astype(np.float32)
    low = table[index]
    result: NDArray[np.float32] = low + part * (table[index + 1] - low)
    return result
