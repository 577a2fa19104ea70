"""The plan of a hole: for each peck its depth, flute fill, time, and what it asks of the spindle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import pi

from monitor.job import Job
from monitor.planning.drilling_cycle import AxisRates, MoveKind, Planes, hole_moves, move_s
from monitor.planning.flutes import fill_range, flute_fill
from monitor.planning.loads import (
    USUAL_POINT_DEG,
    drilling_torque,
    expected_sag,
    specific_force,
    spindle_power,
)


@dataclass(frozen=True)
class PlannedPeck:
    """One peck. ``trapped_mm`` is the length of hole whose chips cannot leave until the drill comes out.

    ``fill`` is that of the flutes at its end, 1 = full, from ``fill_low`` to ``fill_high`` for what is not
    known of chips and drill. Torque (N m), power (W) and sag (%) are those of cutting freely: trapped chips
    come on top. ``rapid_s`` is None where planes or rapid rate are not known, ``sag_pct`` where the motor's
    droop is not; ``feed_s`` then leaves out the approach fed again.
    """

    number: int
    from_mm: float
    to_mm: float
    trapped_mm: float
    fill: float
    fill_low: float
    fill_high: float
    feed_s: float
    rapid_s: float | None
    dwell_s: float
    torque_nm: float
    power_w: float
    sag_pct: float | None

    @property
    def length_mm(self) -> float:
        """Depth drilled by this peck."""
        return self.to_mm - self.from_mm

    @property
    def seconds(self) -> float:
        """Time of the peck, as far as it is known."""
        return self.feed_s + (self.rapid_s or 0.0) + self.dwell_s


@dataclass(frozen=True)
class Plan:
    """A hole as planned: ``missing`` are the job's keys without which its time is that of feeding alone."""

    job: Job
    bulking: float
    pecks: tuple[PlannedPeck, ...]
    missing: tuple[str, ...]

    @property
    def hole_s(self) -> float:
        """Time of one hole, as far as it is known."""
        return sum(peck.seconds for peck in self.pecks)

    @property
    def batch_s(self) -> float:
        """Time of all blanks, with the reload between two where the job says it."""
        return self.job.blanks * self.hole_s + (self.job.blanks - 1) * (self.job.reload_s or 0.0)


def cutting_speed(job: Job) -> float:
    """Return the speed at the drill's rim, m/min."""
    return pi * job.drill_diameter_mm * job.spindle_rpm / 1000.0


def cutting_force(job: Job) -> tuple[float, float, float]:
    """Return the specific cutting force at the job's feed, N/mm^2: reckoned, lowest, highest."""
    material, point = job.properties, job.point_angle_deg or USUAL_POINT_DEG
    low, high = material.span("kc")
    likely, low, high = (
        specific_force(kc, material.kc_exponent, job.feed_mm_per_rev, job.flutes, point)
        for kc in (material.kc, low, high)
    )
    return likely, low, high


def planes_of(job: Job) -> Planes | None:
    """Return the job's planes, None where it does not say them all; clearance may be the retract plane."""
    if job.retract_mm is None or job.approach_mm is None:
        return None
    clearance = job.retract_mm if job.clearance_mm is None else job.clearance_mm
    return Planes(clearance, job.retract_mm, job.approach_mm)


def plan_hole(job: Job, pecks_mm: Sequence[float] | None = None, bulking: float | None = None) -> Plan:
    """Plan the job's hole, with other pecks or another bulking factor where given."""
    pecks_mm = job.pecks_mm if pecks_mm is None else pecks_mm
    own = bulking is not None
    bulking = job.properties.bulking if bulking is None else bulking
    span = (bulking, bulking) if own else job.properties.span("bulking")
    torque = drilling_torque(cutting_force(job)[0], job.feed_mm_per_rev, job.drill_diameter_mm)
    sag = None
    if job.droop_rpm_per_nm is not None:
        sag = expected_sag(torque, 100.0 * job.droop_rpm_per_nm / job.spindle_rpm)
    times = _times(job, pecks_mm)
    planned: list[PlannedPeck] = []
    depth = 0.0
    for number, length in enumerate(pecks_mm, start=1):
        start, depth = depth, depth + length
        fill = flute_fill(length, depth, job.flute_length_mm, bulking)
        low, high = fill_range(fill, bulking, span)
        feed_s, rapid_s = times[number - 1]
        planned.append(
            PlannedPeck(
                number=number,
                from_mm=start,
                to_mm=depth,
                trapped_mm=min(length, max(depth - job.flute_length_mm, 0.0)),
                fill=fill,
                fill_low=low,
                fill_high=high,
                feed_s=feed_s,
                rapid_s=rapid_s,
                dwell_s=job.dwell_s or 0.0,
                torque_nm=torque,
                power_w=1000.0 * spindle_power(torque, job.spindle_rpm),
                sag_pct=sag,
            )
        )
    return Plan(job, bulking, tuple(planned), _missing(job))


def _missing(job: Job) -> tuple[str, ...]:
    needed = {
        "machine.rapid": job.rapid_mm_min,
        "hole.retract": job.retract_mm,
        "hole.approach": job.approach_mm,
    }
    return tuple(key for key, value in needed.items() if value is None)


def _times(job: Job, pecks_mm: Sequence[float]) -> list[tuple[float, float | None]]:
    """Feed and rapid time of each peck; rapids None where not known."""
    feed = job.feed_mm_per_rev * job.spindle_rpm
    planes = planes_of(job)
    if planes is None or job.rapid_mm_min is None:
        return [(length / feed * 60.0, None) for length in pecks_mm]
    rates = AxisRates(feed, job.rapid_mm_min, job.acceleration_mm_s2)
    times = [(0.0, 0.0)] * len(pecks_mm)
    for move in hole_moves(pecks_mm, planes):
        feed_s, rapid_s = times[move.peck - 1]
        seconds = move_s(move, rates)
        is_feed = move.kind is MoveKind.FEED
        times[move.peck - 1] = (feed_s + seconds, rapid_s) if is_feed else (feed_s, rapid_s + seconds)
    return [(feed_s, rapid_s) for feed_s, rapid_s in times]
