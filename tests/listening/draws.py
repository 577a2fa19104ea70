"""Cases for the listening bench: machine, room, microphone, job and fault, each drawn from a seed.

Machines are split by seed: detectors may be tuned on seeds below `SCORING_FROM` and are scored from there
on. All kinds of fault of one seed happen to the same machine at the same kind of job, so kinds are compared
on equal terms; machines of different seeds share nothing.

The distributions are wider than the published scenes: 300 to 3000 rpm, drills of 3 to 12 mm, every material
of the table, eccentric stock, spot steps, rooms of 0.2 to 1.2 s, a third of the microphones with a
telephone's 300 Hz high-pass, four sample rates, the cut from 2 dB under to 15 dB over the idling machine.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from monitor.planning.flutes import flute_fill, peck_for_fill
from monitor.planning.materials import load_materials, material
from monitor.synth.backgrounds import draw_backgrounds
from monitor.synth.cycle import Cycle, plan_blank
from monitor.synth.faults import (
    Bind,
    Chatter,
    Fault,
    Loosening,
    LostCut,
    Melting,
    MicFault,
    Packing,
    PowerLoss,
)
from monitor.synth.machines import Machine, draw_machine
from monitor.synth.render import Scene
from monitor.synth.rooms import Room
from monitor.synth.scenes import fitted, fitted_room
from monitor.synth.seeds import stream

SCORING_FROM = 10_000
"""First machine seed for scoring; smaller ones are for tuning."""

SNRS_DB = (10.0, 3.0, 0.0)

FAULT_KINDS = ("bind", "stall", "packing", "melting", "chatter", "loosening", "lost_cut", "mic_fault")
FAULTLESS = "faultless"

RATES = ((24_000, 0.7), (16_000, 0.12), (44_100, 0.09), (48_000, 0.09))
FULLEST = 0.7
"""Flute fill that good work stays under: common practice fills the flutes about two thirds."""

FAULTLESS_S = 300.0
"""About how long the faultless work of one machine lasts."""


@dataclass(frozen=True)
class Case:
    """One recording to be judged, and the free-running recordings that its machine is learned from."""

    kind: str
    seed: int
    scene: Scene
    fs: int
    baseline_rpm: tuple[float, ...]
    baseline_s: float

    @property
    def snr_db(self) -> float:
        """Line SNR at the drilling speed."""
        return self.scene.room.snr_db


def draw_case(kind: str, seed: int, snr_db: float) -> Case:
    """Draw the case of this kind on the machine of this seed."""
    rng = stream(seed, "case")
    cycle = _draw_cycle(stream(seed, "cycle", kind), kind)
    sag_pct = float(rng.uniform(0.5, 2.0))
    machine = fitted(draw_machine(seed), cycle, sag_pct)
    room = _draw_room(rng, seed, cycle, snr_db)
    fs = int(rng.choice([fs for fs, _ in RATES], p=[share for _, share in RATES]))
    cut_db = float(rng.uniform(-2.0, 15.0))
    baseline_rpm = _draw_speeds(rng, cycle)
    baseline_s = float(rng.uniform(8.0, 14.0))
    scene = Scene(f"{kind} {seed}", machine, room, cycle, seed, cut_db=cut_db)
    happening = stream(seed, "happening", kind)
    scene = _faultless(happening, scene) if kind == FAULTLESS else _with_fault(happening, kind, scene)
    return Case(kind, seed, scene, fs, baseline_rpm, baseline_s)


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _draw_room(rng: np.random.Generator, seed: int, cycle: Cycle, snr_db: float) -> Room:
    telephone = rng.random() < 1 / 3
    return replace(
        fitted_room(seed, cycle, snr_db),
        rt60_s=float(rng.uniform(0.2, 1.2)),
        high_pass_hz=300.0 if telephone else float(rng.uniform(30.0, 120.0)),
    )


def _draw_speeds(rng: np.random.Generator, cycle: Cycle) -> tuple[float, ...]:
    """Free-running speeds of the baseline: the job's, mostly a second one, sometimes a third.

    The second is that of the spot where there is one, else slower; the third is on the other side.
    """
    slower = cycle.spindle_rpm * float(rng.uniform(0.5, 0.8))
    faster = cycle.spindle_rpm * float(rng.uniform(1.25, 1.7))
    others = [cycle.spot_rpm, slower] if cycle.spot_rpm else [slower, faster]
    count = int(rng.choice([0, 1, 2], p=[0.15, 0.7, 0.15]))
    return (cycle.spindle_rpm, *others[:count])


def _draw_cycle(rng: np.random.Generator, kind: str) -> Cycle:
    """A job: the schedule by time in the cut and by drill diameters, its flutes never overfull."""
    melts = [key for key, entry in load_materials().items() if entry.softens_c is not None]
    key = str(rng.choice(melts if kind == "melting" else sorted(load_materials())))
    diameter = round(float(rng.uniform(3.0, 12.0)), 1)
    rpm = round(_log_uniform(rng, 300.0, 3000.0), -1)
    feed = diameter * _log_uniform(rng, 0.008, 0.03)
    mm_s = feed * rpm / 60.0
    first = float(np.clip(_log_uniform(rng, 1.5, 8.0) * mm_s, 0.5 * diameter, 4.0 * diameter))
    shares = np.sort(rng.uniform(0.35, 1.0, 2))[::-1]
    pecks = (first, *(float(share) * first for share in shares))
    count = int(rng.integers(3, 8))
    while count > 3 and _depth(pecks, count) / mm_s > 45.0:  # keeps a case affordable
        count -= 1
    depth = _depth(pecks, count)
    # In two of five jobs the hole is deeper than the flutes are long.
    flutes_mm = depth * float(rng.uniform(0.35, 0.7) if rng.random() < 0.4 else rng.uniform(1.05, 2.0))
    if kind == "packing":
        pecks, flutes_mm = _deep_schedule(rng, key, mm_s)
        count = len(pecks) + int(rng.integers(2, 6))
        depth = _depth(pecks, count)
    burl = key == "burl"
    cycle = Cycle(
        material=key,
        spindle_rpm=rpm,
        drill_diameter_mm=diameter,
        flutes=2,
        flute_length_mm=flutes_mm,
        feed_mm_per_rev=feed,
        depth_mm=depth,
        pecks_mm=pecks,
        spot_rpm=min(rpm * float(rng.uniform(1.3, 2.5)), 3500.0) if rng.random() < 0.3 else None,
        rapid_mm_s=_log_uniform(rng, 15.0, 80.0),
        approach_mm=float(rng.uniform(0.5, 1.5)),
        clearance_mm=float(rng.uniform(2.0, 8.0)),
        dwell_s=_log_uniform(rng, 0.05, 0.6),
        settle_s=float(rng.uniform(0.7, 2.5)),
        reload_s=float(rng.uniform(1.0, 6.0)),
        stops=rng.random() < 0.85,
        eccentric=float(rng.uniform(0.1, 0.6)) if burl or rng.random() < 0.2 else 0.0,
        through=rng.random() < 0.25,
    )
    while max(_fills(cycle)) > FULLEST:
        cycle = replace(cycle, flute_length_mm=1.05 * cycle.flute_length_mm)
    return cycle


def _deep_schedule(rng: np.random.Generator, key: str, mm_s: float) -> tuple[tuple[float, ...], float]:
    """Pecks and flute length of a deep hole: drilled to the flutes' end, then by pecks that fill them."""
    bulking = material(key).bulking
    short_s = _log_uniform(rng, 1.0, 3.0)
    fill = float(rng.uniform(0.35, 0.65))
    short = short_s * mm_s
    flutes_mm = short / peck_for_fill(fill, 1.0, bulking)
    starts = int(rng.integers(1, 4))  # pecks in which the open flutes still carry the chips out
    first = flutes_mm / starts
    return (*(first for _ in range(starts)), short), flutes_mm


def _depth(pecks: tuple[float, ...], count: int) -> float:
    return sum(pecks[min(i, len(pecks) - 1)] for i in range(count))


def _fills(cycle: Cycle) -> list[float]:
    """Flute fill at the end of each peck when all chips are cleared between pecks."""
    bulking = material(cycle.material).bulking
    return [flute_fill(to - begin, to, cycle.flute_length_mm, bulking) for begin, to in cycle.peck_depths()]


def _peck_s(cycle: Cycle, peck: int) -> float:
    begin, to = cycle.peck_depths()[peck - 1]
    return (to - begin) / (cycle.feed_mm_per_rev * cycle.spindle_rpm / 60.0)


def _blank_s(cycle: Cycle, machine: Machine) -> float:
    return sum(move.seconds for move in plan_blank(cycle, machine, 0.5, first=False, last=False))


def _faultless(rng: np.random.Generator, scene: Scene) -> Scene:
    """Good work with other sound in a fifth of the time; on one machine in ten the gain is turned."""
    blank_s = _blank_s(scene.cycle, scene.machine)
    blanks = max(2, round(FAULTLESS_S / blank_s))
    gain = MicFault(
        "gain", float(rng.uniform(0.2, 0.8)) * blanks * blank_s, gain_db=float(rng.uniform(-8, 4))
    )
    return replace(
        scene,
        blanks=blanks,
        backgrounds=draw_backgrounds(scene.seed, 1.0, blanks * blank_s),
        mic_faults=(gain,) if rng.random() < 0.1 else (),
    )


def _with_fault(rng: np.random.Generator, kind: str, scene: Scene) -> Scene:
    """After none, one or two good blanks something goes wrong; one more peck is always to follow."""
    if kind == "mic_fault":
        return _with_lost_microphone(rng, scene)
    cycle = scene.cycle
    blank = int(rng.integers(1, 3 if kind == "packing" else 4))  # deep holes take long
    fault = _draw_fault(rng, kind, cycle, blank)
    return replace(scene, blanks=blank, faults=(fault,))


def _draw_fault(rng: np.random.Generator, kind: str, cycle: Cycle, blank: int) -> Fault:
    earliest = 2 if blank == 1 else 1  # the first peck of the first blank is all that is known of the work
    peck = int(rng.integers(earliest, len(cycle.peck_depths())))
    at = float(rng.uniform(0.1, 0.8))
    if kind == "bind":
        rate, most = _log_uniform(rng, 3.0, 60.0), float(rng.uniform(16.0, 35.0))
        return Bind(blank, peck, at, rate_pct_s=rate, most_pct=most, lasts_s=most / rate + 1.5)
    if kind == "stall":
        if rng.random() < 0.5:
            return PowerLoss(blank, peck, at)
        return Bind(blank, peck, at, rate_pct_s=_log_uniform(rng, 60.0, 200.0), most_pct=130.0, lasts_s=4.0)
    if kind == "packing":
        filled = [number for number, fill in enumerate(_fills(cycle), start=1) if fill > 0.2]
        return Packing(blank, int(rng.choice(filled[:-2])), kept=float(rng.uniform(0.35, 0.9)))
    if kind == "melting":
        squeal = 0.0 if rng.random() < 0.4 else float(rng.uniform(0.1, 0.8))
        return Melting(blank, peck, at, _log_uniform(rng, 0.8, 5.0), float(rng.uniform(1.0, 1.5)), squeal)
    if kind == "chatter":
        length_s = _peck_s(cycle, peck)
        growth = float(np.clip(40.0 / (float(rng.uniform(0.15, 0.6)) * length_s), 4.0, 80.0))
        order = float(rng.integers(5, 40)) if rng.random() < 0.3 else None
        if order is not None and order * cycle.spindle_rpm / 60 > 4500:
            order = None
        return Chatter(
            blank, peck, float(rng.uniform(0.0, 0.3)), hz=_log_uniform(rng, 350.0, 4500.0), order=order,
            growth_db_s=growth, most_db=float(rng.uniform(0.0, 10.0)),
        )  # fmt: skip
    if kind == "loosening":
        return Loosening(blank, peck, at, growth_db_s=_log_uniform(rng, 2.0, 15.0))
    if kind == "lost_cut":
        return LostCut(blank, peck, at, "broken" if rng.random() < 0.5 else "spun")
    raise ValueError(f'"{kind}" is none of {", ".join(FAULT_KINDS)}')


def _with_lost_microphone(rng: np.random.Generator, scene: Scene) -> Scene:
    """The microphone is lost at any time from the settled spindle to the last retract of the first blank."""
    mode = str(rng.choice(["unplugged", "unplugged", "silence", "stuck"]))
    at, moves = 0.0, plan_blank(scene.cycle, scene.machine, scene.lead_s, last=False)
    begin = end = 0.0
    for move in moves:
        at += move.seconds
        if move.what == "settle" and not begin:
            begin = at
        if move.what == "retract":
            end = at
    fault = MicFault(mode, float(rng.uniform(begin, end)))  # type: ignore[arg-type]
    return replace(scene, blanks=2, mic_faults=(fault,))
