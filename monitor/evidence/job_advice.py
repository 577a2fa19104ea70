"""What follows from all batches at hand: for every job its climb, pecks, bulking and wear."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tqdm import tqdm

from monitor.evidence.archive import Archive
from monitor.evidence.findings import Finder, Findings
from monitor.job import Job
from monitor.planning.materials import load_materials
from monitor.planning.pecking import NoSchedule
from monitor.planning.plan import cutting_speed
from monitor.tuning.advice import (
    TELLS_ENOUGH,
    Drilling,
    Schedule,
    blanks_to_halve,
    bulking_for,
    critical_for,
    judged,
    recommended,
    trial_mm,
)
from monitor.tuning.bulking import BatchBulking, BulkingModel, fit_bulking
from monitor.tuning.climb import Critical
from monitor.tuning.intervals import Interval
from monitor.tuning.load_model import Prior
from monitor.tuning.wear import Trend, drills_began, fit_trend

USUAL_RISK = 0.05  # one blank in twenty
USUAL_WEAR = 0.5  # a drill is called dull at one and a half times its load (judged)


@dataclass(frozen=True)
class BatchFound:
    """One batch with where it comes from, and whether a new drill began in it."""

    directory: Path
    findings: Findings
    new_drill_blanks: tuple[int, ...]


@dataclass(frozen=True)
class JobAdvice:
    """What follows for the newest job of one kind."""

    newest: BatchFound
    batches: int
    blanks: int
    pecks: int
    critical: Critical | None
    bulking: Interval | None
    in_use: Schedule | None
    better: Schedule | None
    why_none: str
    trial_mm: float | None
    more_blanks: int | None
    wear: Trend | None
    wear_limit: float
    marked: bool


@dataclass(frozen=True)
class Advice:
    """All of it: a job at a time, and the bulking of every material over all batches."""

    jobs: tuple[JobAdvice, ...]
    model: BulkingModel
    informative: int


def gather(archives: Sequence[Archive], load: str | None) -> tuple[list[BatchFound], int]:
    """Findings of every batch with pecks, oldest first; and how many had a job that cannot be read."""
    told, unread = [], 0
    coming: dict[Path, list[int]] = {}  # told of after the last peck of the batch before
    waiting = []
    for archive in archives:
        finder, marks = Finder(archive, load), archive.new_drills()
        waiting += [(archive, finder, marks, batch) for batch in archive.batches() if batch.pecks > 0]
    waiting.sort(key=lambda each: each[-1].started)
    for archive, finder, marks, batch in tqdm(waiting, unit=" batches", disable=None, leave=False):
        found = finder.findings(batch)
        if found is None:
            unread += 1
            continue
        new = list(coming.pop(archive.directory, ()))
        if times := marks.get(batch.number):
            rows = archive.pecks(batch.number)
            last = max(row.blank for row in rows)
            for blank in drills_began(rows, times):
                if blank > last:
                    coming[archive.directory] = [1]
                else:
                    new.append(blank)
        told.append(BatchFound(archive.directory, found, tuple(new)))
    return told, unread


def advise(told: Sequence[BatchFound], risk: float, longest_mm: float | None, wear: float) -> Advice:
    """Put the batches together; what a job's newest batch says is joined to what all the others do."""
    table = {key: stock.bulking for key, stock in load_materials().items()}
    table |= {each.findings.job.material: each.findings.job.properties.bulking for each in told}
    known = [_bulking_of(each.findings) for each in told]
    model = fit_bulking([one for one in known if one is not None], table)
    by_job: dict[tuple[Any, ...], list[int]] = {}
    for index, each in enumerate(told):
        by_job.setdefault(_drill_and_stock(each.findings.job), []).append(index)
    jobs = []
    for members in by_job.values():
        newest = members[-1]
        others = fit_bulking([one for i, one in enumerate(known) if one is not None and i != newest], table)
        jobs.append(_job_advice([told[i] for i in members], others, risk, longest_mm, wear))
    return Advice(tuple(jobs), model, sum(one is not None for one in known))


def _job_advice(
    told: Sequence[BatchFound], others: BulkingModel, risk: float, longest_mm: float | None, wear: float
) -> JobAdvice:
    newest = told[-1]
    job, climb = newest.findings.job, newest.findings.climb
    trend, marked = _wear(told, wear)
    counts: dict[str, Any] = {
        "newest": newest,
        "batches": len(told),
        "blanks": sum(each.findings.batch.blanks for each in told),
        "pecks": sum(each.findings.pecks for each in told),
        "wear": trend,
        "wear_limit": wear,
        "marked": marked,
    }
    if climb is None:
        why = (
            "No peck went deeper than the flutes are long, so that no chip was trapped: nothing can be "
            "learned of the climb."
            if newest.findings.pecks
            else "No peck could be used: its load was not heard, or it was too short."
        )
        return JobAdvice(
            critical=None,
            bulking=None,
            in_use=None,
            better=None,
            why_none=why,
            trial_mm=None,
            more_blanks=None,
            **counts,
        )
    mean, sd = others.predict(job.material, cutting_speed(job), job.drill_diameter_mm)
    critical = climb.given(Prior(critical_for(math.exp(mean), job.flute_length_mm), sd))
    low, high = (bulking_for(mm, job.flute_length_mm) for mm in (critical.mm.high, critical.mm.low))
    bulking = Interval(bulking_for(critical.mm.value, job.flute_length_mm), low, high)
    drilling = Drilling(
        job.depth_mm, job.flute_length_mm, job.feed_mm_per_rev * job.spindle_rpm / 60.0, newest.findings.gaps
    )
    in_use = judged(job.pecks_mm, drilling, critical.mm.value, critical.grid_mm, critical.next_chance)
    half_width = (critical.mm.high - critical.mm.low) / 2 / critical.mm.value
    longest = longest_mm if longest_mm is not None else max(job.pecks_mm)
    increment = 0.127 if job.units == "in" else 0.1  # five thousandths of an inch, a tenth of a millimetre
    better, why = None, ""
    if half_width <= TELLS_ENOUGH:
        try:
            pecks = recommended(drilling, critical.grid_mm, critical.next_chance, risk, longest, increment)
            better = judged(pecks, drilling, critical.mm.value, critical.grid_mm, critical.next_chance)
        except NoSchedule as none:
            why = f"No schedule: {none}."
    reached = float(critical.chance[critical.grid_mm < climb.deepest_mm].sum())
    trial = None
    if half_width > TELLS_ENOUGH and reached < 0.5:
        trial = trial_mm(climb.deepest_mm, critical.grid_mm, critical.next_chance, longest)
    more = blanks_to_halve(climb.blanks) if half_width > TELLS_ENOUGH / 2 else None
    return JobAdvice(
        critical=critical,
        bulking=bulking,
        in_use=in_use,
        better=better,
        why_none=why,
        trial_mm=trial,
        more_blanks=more,
        **counts,
    )


def _wear(told: Sequence[BatchFound], limit: float) -> tuple[Trend | None, bool]:
    """Trend since the newest mark, over batches with the pecks of the newest one; and whether there is a
    mark."""
    loads: list[float] = []
    marked = False
    schedule = told[-1].findings.job.pecks_mm
    for each in told:
        for blank, load in each.findings.loads if each.findings.job.pecks_mm == schedule else ():
            if any(blank >= mark for mark in each.new_drill_blanks) and (
                not marked or blank in each.new_drill_blanks
            ):
                loads, marked = [], True
            loads.append(load)
    return fit_trend(loads, limit), marked


def _bulking_of(found: Findings) -> BatchBulking | None:
    if found.own is None:
        return None
    log_critical, sd = found.own
    log_bulking = math.log(bulking_for(math.exp(log_critical), found.job.flute_length_mm))
    return BatchBulking(
        found.job.material, cutting_speed(found.job), found.job.drill_diameter_mm, log_bulking, sd
    )


def _drill_and_stock(job: Job) -> tuple[Any, ...]:
    return (job.name, job.material, job.spindle_rpm, job.drill_diameter_mm, job.flutes, job.flute_length_mm)
