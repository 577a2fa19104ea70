"""``spindlebell pecks``: where in each peck the load began to climb, what to drill next, and how the drill
wears."""

from __future__ import annotations

import argparse
import json
import math
import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from tqdm import tqdm

from monitor.cli import EXIT_DONE
from monitor.errors import InputError
from monitor.evidence.archive import Archive
from monitor.evidence.findings import LOADS, Finder, Findings
from monitor.job import Job
from monitor.manual import Manual
from monitor.planning.materials import load_materials
from monitor.planning.pecking import NoSchedule
from monitor.quantities import Dimension, Quantity, format_count, format_length, format_speed, parse_quantity
from monitor.tuning.advice import (
    TELLS_ENOUGH,
    Drilling,
    Schedule,
    blanks_to_halve,
    bulking_for,
    critical_for,
    judged,
    most_trapped_mm,
    recommended,
    trial_mm,
)
from monitor.tuning.bulking import BatchBulking, BulkingModel, fit_bulking
from monitor.tuning.climb import Critical, Interval
from monitor.tuning.load_model import Prior
from monitor.tuning.wear import Trend, fit_trend

NEW_DRILL = "new_drill"
"""The act that marks where a new, or newly sharpened, drill began."""

USUAL_RISK = 0.05
USUAL_WEAR = 0.5


MANUAL = Manual(
    about="""
    Lays the load of every recorded peck over its depth and says where the load begins to climb, with an
    interval: how much work the flutes hold before chips pack. From that follow the bulking factor of the
    material, pecks for the next batch with their time, fill and risk beside those in use, and how the drill
    wears. Where the evidence does not reach so far it says what would: more blanks, or which depth to try.

    Any number of directories, also while a batch is being written.
    """,
    examples=[
        ("spindlebell pecks evidence", "All batches of a directory:"),
        ('spindlebell pecks evidence --longest "8 mm" --risk "2 %"', "Longer pecks allowed, at less risk:"),
        ("spindlebell pecks evidence --new-drill 3:5", "A new drill began with blank 5 of batch 3:"),
    ],
    files={
        "DIR/evidence.db": "read; --new-drill adds to it",
        "DIR/tuning.db": "what was worked out of finished batches; delete it whenever you like",
    },
    caution="It is advice: try a new schedule with a hand on the feed hold.",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("directories", metavar="DIR", nargs="+", help="evidence directories; may be in use")
    parser.add_argument(
        "--load",
        choices=LOADS,
        help="judge by the sag, or by the sound of the cut (default: sag where it is known)",
    )
    parser.add_argument(
        "--longest", metavar="LENGTH", help='longest peck to advise, "8 mm" (default: the longest in use)'
    )
    parser.add_argument(
        "--risk", default="5 %", metavar="SHARE",
        help="chance that the next blank's load climbs all the same (default: 5 %%)",
    )  # fmt: skip
    parser.add_argument(
        "--wear", default="50 %", metavar="RISE",
        help="rise of the load over a new drill at which it is sharpened (default: 50 %%)",
    )  # fmt: skip
    parser.add_argument(
        "--new-drill", metavar="BATCH[:BLANK]",
        help="enter that a new or sharpened drill began there (with one DIR), and go on (default: none)",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="write JSON instead of text")


def run(args: argparse.Namespace) -> int:
    """Read the evidence, put it together, and say what follows."""
    risk = percentage(args.risk, "--risk", 50.0)
    wear = percentage(args.wear, "--wear", 1000.0)
    longest = None
    if args.longest is not None:
        longest = _quantity(args.longest, "--longest", Dimension.LENGTH).value
    archives = [Archive(Path(directory)) for directory in args.directories]
    if args.new_drill is not None:
        _mark(archives, args.new_drill)
    told, unread = gather(archives, args.load)
    if not told:
        raise InputError(
            f"{', '.join(args.directories)}: no batch with a job that can be read; replay one first"
        )
    advice = advise(told, risk, longest, wear)
    text = json.dumps(as_json(advice), indent=1) if args.json else "\n".join(as_text(advice, unread))
    print(text)
    return EXIT_DONE


@dataclass(frozen=True)
class Told:
    """One batch with where it comes from, and whether a new drill began in it."""

    directory: Path
    findings: Findings
    new_drill_blanks: tuple[int, ...]


@dataclass(frozen=True)
class JobAdvice:
    """What follows for the newest job of one kind."""

    newest: Told
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


def gather(archives: Sequence[Archive], load: str | None) -> tuple[list[Told], int]:
    """Findings of every batch with pecks, oldest first; and how many had a job that cannot be read."""
    told, unread = [], 0
    waiting = []
    for archive in archives:
        finder, marks = Finder(archive, load), archive.acts_of_kind(NEW_DRILL)
        waiting += [(archive, finder, marks, batch) for batch in archive.batches() if batch.pecks > 0]
    waiting.sort(key=lambda each: each[-1].started)
    for archive, finder, marks, batch in tqdm(waiting, unit=" batches", disable=None, leave=False):
        found = finder.findings(batch)
        if found is None:
            unread += 1
            continue
        new = _blanks_at(archive, batch.number, marks.get(batch.number, ()))
        told.append(Told(archive.directory, found, new))
    return told, unread


def advise(told: Sequence[Told], risk: float, longest_mm: float | None, wear: float) -> Advice:
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
    told: Sequence[Told], others: BulkingModel, risk: float, longest_mm: float | None, wear: float
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
    mean, sd = others.predict(job.material, _rim(job), job.drill_diameter_mm)
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


def _wear(told: Sequence[Told], limit: float) -> tuple[Trend | None, bool]:
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
    return BatchBulking(found.job.material, _rim(found.job), found.job.drill_diameter_mm, log_bulking, sd)


def _rim(job: Job) -> float:
    """Speed at the drill's rim, m/min."""
    return math.pi * job.drill_diameter_mm * job.spindle_rpm / 1000.0


def _drill_and_stock(job: Job) -> tuple[Any, ...]:
    return (job.name, job.material, job.spindle_rpm, job.drill_diameter_mm, job.flutes, job.flute_length_mm)


def _mark(archives: Sequence[Archive], written: str) -> None:
    batch, _, blank = written.partition(":")
    if re.fullmatch(r"[0-9]{1,9}(:[0-9]{1,9})?", written) is None or len(archives) != 1:
        raise InputError(
            f'--new-drill: "{written}" cannot be used; give one DIR and write the batch, or batch:blank, '
            f"such as 3:12"
        )
    archive, t = archives[0], 0.0
    if blank:
        starts = [row.start_s for row in archive.pecks(int(batch)) if row.blank == int(blank)]
        if not starts:
            raise InputError(f"--new-drill: batch {batch} has no blank {blank}")
        t = starts[0]
    try:
        archive.mark(int(batch), t, NEW_DRILL, "by hand")
    except ValueError as error:
        raise InputError(f"--new-drill: {error}") from None


def _blanks_at(archive: Archive, batch: int, times: Sequence[float]) -> tuple[int, ...]:
    if not times:
        return ()
    ends = [(row.end_s, row.blank) for row in archive.pecks(batch)]
    return tuple(next((blank for end, blank in ends if end >= t), 1) for t in times)


def percentage(written: str, where: str, most_pct: float) -> float:
    """A share written in per cent, such as "5 %"; raises InputError that names the option ``where``."""
    value = _quantity(written, where, Dimension.PERCENT).value
    if value > most_pct:
        raise InputError(f"{where}: {written} is too much; write at most {most_pct:g} %")
    return value / 100.0


def _quantity(written: str, where: str, dimension: Dimension) -> Quantity:
    try:
        return parse_quantity(written, dimension)
    except InputError as error:
        raise InputError(f"{where}: {error}") from None


# In words.


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
            mean, sd = advice.model.predict(material, _rim(last[material]), last[material].drill_diameter_mm)
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
