"""The advice of `job_advice.py` in plain words with its tables, and as data for JSON."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

import numpy as np

from monitor.evidence.job_advice import Advice, JobAdvice
from monitor.job import Job
from monitor.planning.plan import cutting_speed
from monitor.quantities import format_count, format_length, format_speed
from monitor.tuning.advice import Schedule, most_trapped_mm
from monitor.tuning.intervals import Interval
from monitor.tuning.wear import Trend


def as_text(advice: Advice, unread: int) -> list[str]:
    """The advice in plain words, with its tables."""
    lines = []
    for job in advice.jobs:
        lines += [*job_lines(job), ""]
    lines += _bulking_lines(advice)
    if unread:
        lines.append(f"{format_count(unread, 'batch')} left out: the job stored with it cannot be read.")
    lines.append(
        "All of it is drawn from sound. It is advice, not a safety function: try a new schedule with a hand "
        "on the feed "
        "hold, and look at the flutes."
    )
    return lines


def job_lines(told: JobAdvice) -> list[str]:
    """What is known of one job and what follows."""
    found = told.newest.findings
    job = found.job
    lines = [
        f"{job.name}: {job.material}, {format_length(job.drill_diameter_mm, job.units)} drill with "
        f"{format_length(job.flute_length_mm, job.units)} of flutes, {format_speed(job.spindle_rpm)}",
        f"  {format_count(told.batches, 'batch')}, {format_count(told.blanks, 'blank')}, "
        f"{format_count(told.pecks, 'peck')} used; newest: {told.newest.directory}, batch "
        f"{found.batch.number}"
        + (f", {found.left_out} of its pecks left out" if found.left_out else "")
        + ("; judged by sound, the speed was hardly heard" if found.load == "sound" else ""),
    ]
    if told.critical is None:
        return [*lines, f"  {told.why_none}", *wear_lines(told)]
    lines += [*_table(told), *_climb_lines(told), *_schedule_lines(told), *wear_lines(told)]
    return lines


def _table(told: JobAdvice) -> list[str]:
    job, climb = told.newest.findings.job, told.newest.findings.climb
    assert climb is not None
    unit = "%" if told.newest.findings.load == "sag" else "x"
    lines = [f"    peck  {'from':>9} {'to':>9}  pecks  load, end  climbs in it at (90 % interval)"]
    for like in climb.like:
        at = "chips still leave" if like.to_mm <= job.flute_length_mm else "not seen to climb"
        if like.chance >= 0.5:
            at = interval_text(like.climb_mm, job)
            if like.climb_mm.high > like.to_mm - like.from_mm:
                at = f"{format_length(like.climb_mm.low, job.units)} or deeper"
        length, start = (format_length(mm, job.units) for mm in (like.to_mm, like.from_mm))
        lines.append(
            f"    {like.peck:4d}  {start:>9} {length:>9}  {like.pecks:5d}  "
            f"{like.mean_load:4.1f}, {like.end_load:.1f} {unit}  {at}"
        )
    return lines


def _climb_lines(told: JobAdvice) -> list[str]:
    job, critical, climb = told.newest.findings.job, told.critical, told.newest.findings.climb
    assert critical is not None
    assert climb is not None
    assert told.bulking is not None
    deepest = most_trapped_mm(job.pecks_mm, job.flute_length_mm)
    if float(critical.chance[critical.grid_mm < deepest].sum()) < 0.5:
        lines = [
            f"  The load is not seen to climb up to {format_length(climb.deepest_mm, job.units)} of trapped "
            f"work; by all "
            f"that is known it would at {interval_text(critical.mm, job)}."
        ]
    else:
        lines = [
            f"  The load begins to climb after {interval_text(critical.mm, job)} of work whose chips are "
            f"trapped."
        ]
    lines.append(
        f"  Bulking {told.bulking.value:.2f} ({told.bulking.low:.2f} to {told.bulking.high:.2f}; the table "
        f"says "
        f"{job.properties.bulking:g}), if the load climbs at two thirds of full flutes."
    )
    return lines


def _schedule_lines(told: JobAdvice) -> list[str]:
    job, in_use, better = told.newest.findings.job, told.in_use, told.better
    assert in_use is not None
    lines = [f"  In use:  {_schedule_text(in_use)}"]
    if better is not None:
        gain = in_use.seconds - better.seconds
        words = f"saves {gain:.0f} s a hole" if gain >= 0.5 else f"costs {-gain:.0f} s a hole"
        words = "as fast" if abs(gain) < 0.5 else words
        lines.append(f"  Advised: {_schedule_text(better)}: {words}")
        lines.append(f"           pecks = [{', '.join(_peck_texts(better, job))}]")
    elif told.why_none:
        lines.append(f"  {told.why_none}")
    else:
        lines.append("  Not enough evidence for a schedule.")
    if told.trial_mm is not None:
        lines.append(
            f"  To learn more, let one peck below the flutes trap {format_length(told.trial_mm, job.units)} "
            f"in the next "
            "blanks, watched, and no more."
        )
    elif told.more_blanks is not None:
        lines.append(f"  {told.more_blanks} more blanks at these depths would halve the interval.")
    return lines


def wear_lines(told: JobAdvice) -> list[str]:
    """How the drill wears, in words."""
    trend = told.wear
    since = "since the new drill" if told.marked else "since the first (no new drill is marked)"
    if trend is None:
        return [f"  Wear: too few blanks {since}."]
    rise = f"{100 * trend.rise.value:+.0f} % ({100 * trend.rise.low:+.0f} to {100 * trend.rise.high:+.0f} %)"
    line = f"  Wear: the load of like pecks changed by {rise} over {trend.blanks} blanks {since}"
    if trend.left is None:
        return [line + "; no sure rise."]
    most = "or never" if math.isinf(trend.left.high) else f"to {trend.left.high:.0f}"
    return [
        line + ".",
        f"  At this rate {trend.left.value:.0f} more blanks ({trend.left.low:.0f} {most}) until it is "
        f"{100 * told.wear_limit:.0f} % over a new drill.",
    ]


def _bulking_lines(advice: Advice) -> list[str]:
    if not advice.model.materials:
        return []
    over = format_count(advice.informative, "batch")
    lines = [f"Bulking in a batch yet to be drilled, over {over} (90 % interval):"]
    last: dict[str, Job] = {
        each.newest.findings.job.material: each.newest.findings.job for each in advice.jobs
    }
    for material in advice.model.materials:
        if material in last:
            mean, sd = advice.model.predict(
                material, cutting_speed(last[material]), last[material].drill_diameter_mm
            )
            low, high = (math.exp(mean + z * 1.645 * sd) for z in (-1, 1))
            lines.append(f"  {material}: {math.exp(mean):.2f} ({low:.2f} to {high:.2f})")
    return lines


def interval_text(interval: Interval, job: Job) -> str:
    """A length with its interval, in the person's units."""
    value, low, high = (format_length(mm, job.units) for mm in (interval.value, interval.low, interval.high))
    return f"{value} ({low.rpartition(' ')[0]} to {high})"


def _schedule_text(schedule: Schedule) -> str:
    n = len(schedule.pecks_mm)
    return (
        f"{format_count(n, 'peck')}, {schedule.seconds:.0f} s a hole, flutes at most "
        f"{100 * schedule.fullest:.0f} % full, "
        f"the load climbs in {100 * schedule.risk:.0f} % of blanks"
    )


def _peck_texts(schedule: Schedule, job: Job) -> list[str]:
    """The pecks as the job file has them: the last repeats."""
    texts = [f'"{format_length(mm, job.units)}"' for mm in schedule.pecks_mm]
    while len(texts) > 2 and texts[-2] == texts[-3] and schedule.pecks_mm[-1] <= schedule.pecks_mm[-2] + 1e-9:
        texts.pop(-2)
    if len(texts) > 1 and schedule.pecks_mm[-1] <= schedule.pecks_mm[-2] + 1e-9:
        texts.pop()
    return texts


def as_json(advice: Advice) -> dict[str, Any]:
    """The advice as plain data for JSON."""
    return {"jobs": [_job_json(job) for job in advice.jobs], "informative_batches": advice.informative}


def _job_json(told: JobAdvice) -> dict[str, Any]:
    found = told.newest.findings
    climb = found.climb
    return {
        "job": found.job.name,
        "material": found.job.material,
        "directory": str(told.newest.directory),
        "batch": found.batch.number,
        "batches": told.batches,
        "blanks": told.blanks,
        "pecks": told.pecks,
        "load": found.load,
        "critical_mm": None if told.critical is None else asdict(told.critical.mm),
        "bulking": None if told.bulking is None else asdict(told.bulking),
        "like_pecks": [] if climb is None else [asdict(like) for like in climb.like],
        "in_use": None if told.in_use is None else asdict(told.in_use),
        "advised": None if told.better is None else asdict(told.better),
        "trial_mm": told.trial_mm,
        "more_blanks": told.more_blanks,
        "wear": None if told.wear is None else _wear_json(told.wear),
    }


def _wear_json(trend: Trend) -> dict[str, Any]:
    left = None
    if trend.left is not None:
        left = {k: v if np.isfinite(v) else None for k, v in asdict(trend.left).items()}
    return {"blanks": trend.blanks, "rise": asdict(trend.rise), "called": trend.called, "blanks_left": left}
