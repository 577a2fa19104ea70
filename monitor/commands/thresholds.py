"""``spindlebell thresholds``: what other thresholds of sag would have done, and which to use."""

from __future__ import annotations

import argparse
import importlib
import json
import math
import multiprocessing
import os
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from tqdm import tqdm

from monitor.baseline import load_baseline
from monitor.cli import EXIT_DONE
from monitor.commands.options import percentage
from monitor.errors import InputError, JobError
from monitor.evidence.archive import Archive, Batch
from monitor.evidence.past_recordings import Replayed, Task, recording_of, replay_all
from monitor.evidence.store import finite
from monitor.job import Job, parse_job
from monitor.manual import Manual
from monitor.measurements import Severity
from monitor.quantities import format_count
from monitor.signal.frames import HOP_S
from monitor.tuning.intervals import likely_rate
from monitor.tuning.thresholds import (
    GRID,
    LOAD_KINDS,
    Judged,
    Tally,
    crossings,
    hours_needed,
    judged,
    recommend,
    tally,
)

FALSE_HOLDS, FALSE_WARNINGS = 0.1, 1.0
"""An hour: a false hold in ten hours, and a false warning in one (warnings should stay under one an hour)."""

_PIECE_S = 1800.0  # of curves in memory at once


MANUAL = Manual(
    about="""
    Replays the stored curves with every threshold of sag. From the verdicts that you gave on the page it
    says how often an hour each would have held falsely and how soon it would have found what was real, with
    intervals; and which to write into the job file. It changes nothing.

    From curves it knows the rule on sag alone. With --recordings it hears the recordings again, all kinds
    of fault included.
    """,
    examples=[
        ("spindlebell thresholds evidence", "From the curves, in seconds:"),
        (
            'spindlebell thresholds evidence --warning "3 %" --hold "6 %"',
            "Thresholds of your own, judged too:",
        ),
        (
            "spindlebell thresholds evidence --recordings --baseline baseline.json",
            "From the recordings, in minutes:",
        ),
    ],
    files={"DIR/evidence.db": "read: curves, events and verdicts", "FILE": "the baseline of that machine"},
    caution="A higher threshold holds later. Change one thing at a time, with a hand on the feed hold.",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("directories", metavar="DIR", nargs="+", help="evidence directories; may be in use")
    parser.add_argument(
        "--false-holds", type=float, default=FALSE_HOLDS, metavar="RATE",
        help=f"false holds an hour that you put up with (default: {FALSE_HOLDS:g})",
    )  # fmt: skip
    parser.add_argument(
        "--false-warnings", type=float, default=FALSE_WARNINGS, metavar="RATE",
        help=f"false warnings an hour that you put up with (default: {FALSE_WARNINGS:g})",
    )  # fmt: skip
    parser.add_argument(
        "--warning", metavar="SAG", help='judge this warning threshold too, such as "3 %%" (default: none)'
    )
    parser.add_argument(
        "--hold", metavar="SAG", help='judge this hold threshold too, such as "6 %%" (default: none)'
    )
    parser.add_argument(
        "--recordings", action="store_true",
        help="hear the recordings again with the advised thresholds (minutes); needs --baseline",
    )  # fmt: skip
    parser.add_argument(
        "--baseline",
        metavar="FILE",
        help="of the machine that was recorded, for --recordings (default: none)",
    )
    parser.add_argument(
        "--processes", type=int, default=os.cpu_count() or 1, metavar="N",
        help="how many recordings to hear at once (default: one a processor)",
    )  # fmt: skip
    parser.add_argument(
        "--dask",
        metavar="ADDRESS",
        help="hear them on a Dask cluster that sees the same files (pip install spindlebell[dask]; default: "
        "this computer)",
    )
    parser.add_argument("--json", action="store_true", help="write JSON instead of text")


def run(args: argparse.Namespace) -> int:
    """Replay the curves for every threshold; say what each did and which to use."""
    for name in ("false_holds", "false_warnings"):
        if not 0 < getattr(args, name) < math.inf:
            raise InputError(f"--{name.replace('_', '-')}: has to be above 0, such as 0.1")
    if args.recordings and not args.baseline:
        raise InputError("--recordings needs --baseline FILE: the machine as it sounds running free")
    if args.baseline:
        load_baseline(args.baseline)  # what is wrong with it is told before hours of hearing
    if args.processes < 1:
        raise InputError("--processes: has to be 1 or more")
    archives = [Archive(Path(directory)) for directory in args.directories]
    wanted = [
        percentage(getattr(args, name), f"--{name}", 50.0)
        for name in ("warning", "hold")
        if getattr(args, name)
    ]
    told = read_batches(archives, wanted)
    if not told:
        raise InputError(
            f"{', '.join(args.directories)}: no batch with curves and a job is in it; replay one first"
        )
    advice = advise(told, args.false_warnings, args.false_holds)
    again: list[Replayed] = []
    if args.recordings:
        again = hear_again(told, advice, args)
    print(
        json.dumps(as_json(advice, again), indent=1) if args.json else "\n".join(as_text(advice, args, again))
    )
    return EXIT_DONE


@dataclass(frozen=True)
class BatchJudged:
    """One batch: where it is, its job, its curves judged, and its verdicts."""

    directory: Path
    batch: Batch
    job: Job
    judged: Judged
    verdicts: tuple[tuple[str, str], ...]  # severity and verdict of each warning and hold of a load kind


@dataclass(frozen=True)
class Advice:
    """What each threshold did over all batches, and the advised ones (None: none can be shown to be good)."""

    told: Sequence[BatchJudged]
    tallies: dict[float, Tally]
    in_use: tuple[float, float]
    warning: Tally | None
    hold: Tally | None


def read_batches(archives: Sequence[Archive], wanted: Sequence[float]) -> list[BatchJudged]:
    """Replay the stored curves of every batch, a piece in memory at a time."""
    waiting: list[tuple[Archive, Batch, Job]] = []
    for archive in archives:
        for batch in archive.batches():
            try:
                waiting.append((archive, batch, parse_job(batch.job, f"batch {batch.number}")))
            except JobError:
                continue
    waiting.sort(key=lambda each: each[1].started)
    in_use = {value for _, _, job in waiting for value in (job.sag_warning_pct, job.sag_hold_pct)}
    in_use |= {100 * share for share in wanted}
    limits = np.unique(np.round(np.concatenate([GRID, np.array(sorted(in_use), dtype=float)]), 4))
    told = []
    for archive, batch, job in tqdm(waiting, unit=" batches", disable=None, leave=False):
        past = archive.events(batch.number)
        at = np.array([each.event.t for each in past])
        kept = np.zeros(at.size, dtype=bool)
        found, rows = [], 0
        for t, sag, sure, cutting in curve_pieces(archive, batch.number):
            found += crossings(t, sag, sure, cutting > 0, limits)
            rows += t.size
            near = np.searchsorted(t, at - 1.0), np.searchsorted(t, at + 1.0)
            kept |= near[1] > near[0]
        if not rows:
            continue
        # Old curves may have been deleted for space: what no curve tells of is not asked of a threshold.
        events = [
            (each.event, each.verdict.verdict if each.verdict else "")
            for each, tells in zip(past, kept, strict=True)
            if tells
        ]
        hours = rows * HOP_S / 3600.0
        verdicts = tuple(
            (event.severity.value, verdict)
            for event, verdict in events
            if event.kind in LOAD_KINDS and event.severity is not Severity.INFO
        )
        told.append(
            BatchJudged(archive.directory, batch, job, judged(hours, events, found, limits), verdicts)
        )
    return told


def curve_pieces(archive: Archive, batch: int) -> Iterator[Any]:
    """Time, sag, confidence and cutting of a batch, half an hour at a time.

    A crossing on the border may be told twice; pieces are so long that it does not matter.
    """
    start = -math.inf
    names = ("t", "sag_pct", "speed_confidence", "cutting")
    while True:
        end = (0.0 if math.isinf(start) else start) + _PIECE_S
        piece = archive.curves(batch, names, start, end)
        if not piece.shape[1]:
            following = archive.first_time(batch, end)
            if following is None:
                return
            start = following
            continue
        yield piece
        start = math.nextafter(end, math.inf)


def advise(told: Sequence[BatchJudged], most_warnings: float, most_holds: float) -> Advice:
    """Tally every threshold and choose."""
    limits = sorted(told[0].judged.by_limit)
    tallies = {limit: tally((each.judged for each in told), limit) for limit in limits}
    job = told[-1].job
    hold = recommend(list(tallies.values()), most_holds)
    warning = recommend(list(tallies.values()), most_warnings)
    if hold is not None and (warning is None or warning.limit >= hold.limit):
        lower = [each for limit, each in tallies.items() if limit < hold.limit]
        warning = lower[-1] if lower else None
    return Advice(told, tallies, (job.sag_warning_pct, job.sag_hold_pct), warning, hold)


def hear_again(told: Sequence[BatchJudged], advice: Advice, args: argparse.Namespace) -> list[Replayed]:
    """Hear every recording that is still there, with the thresholds in use and with others."""
    warning = 100 * percentage(args.warning, "--warning", 50.0) if args.warning else None
    hold = 100 * percentage(args.hold, "--hold", 50.0) if args.hold else None
    pairs = {advice.in_use}
    other = (
        warning or (advice.warning.limit if advice.warning else advice.in_use[0]),
        hold or (advice.hold.limit if advice.hold else advice.in_use[1]),
    )
    if other[0] < other[1]:
        pairs.add(other)
    tasks = []
    for each in told:
        found = recording_of(each.batch, each.directory)
        if found is not None:
            tasks += [
                Task(str(found[0]), found[1], str(Path(args.baseline).absolute()), each.batch.job, *pair)
                for pair in sorted(pairs)
            ]
    if not tasks:
        raise InputError(
            "--recordings: none of the recordings that these batches were replayed from is found"
        )
    with _executor(args) as executor:
        return list(tqdm(replay_all(tasks, executor), total=len(tasks), unit=" replays", disable=None))


@contextmanager
def _executor(args: argparse.Namespace) -> Iterator[Executor]:
    if args.dask:
        try:
            distributed = importlib.import_module("distributed")
        except ImportError:
            raise InputError("--dask: Dask is not installed; pip install spindlebell[dask]") from None
        with distributed.Client(args.dask) as client:
            yield client.get_executor()
        return
    # Fresh processes: what a fork would copy of threads and open files is nobody's wish.
    with ProcessPoolExecutor(args.processes, mp_context=multiprocessing.get_context("spawn")) as executor:
        yield executor


def as_text(advice: Advice, args: argparse.Namespace, again: Sequence[Replayed]) -> list[str]:
    """What each threshold did, the advice, and every past batch."""
    hours = sum(each.judged.hours for each in advice.told)
    said = [verdict for each in advice.told for _, verdict in each.verdicts]
    lines = [
        f"{format_count(len(advice.told), 'batch')}, {hours:.2f} h of curves; of "
        f"{format_count(len(said), 'warning or hold')} by load, "
        f"{said.count('real')} were called real, {said.count('false')} false, {said.count('unsure')} unsure, "
        f"{said.count('')} not judged.".replace("warning or holds", "warnings and holds"),
        "",
        "  sag      false an hour (90 %)    judged false, nobody asked   real found    delay, s (90 %)",
        *(_row(each, advice) for each in _shown(advice)),
        "",
        *_advice_lines(advice, args),
        "",
        "What it would have done on every past batch (real causes found, false, nobody asked):",
        *_past_lines(advice),
    ]
    if again:
        lines += ["", "Heard again, all kinds of hold:", *_again_lines(again)]
    lines += [
        "",
        "Curves tell the rule on sag alone; what nobody called real counts as false. A threshold is no "
        "safety function.",
    ]
    return lines


def _shown(advice: Advice) -> list[Tally]:
    chosen = {each.limit for each in (advice.warning, advice.hold) if each is not None} | set(advice.in_use)
    return [each for limit, each in advice.tallies.items() if limit == int(limit) or limit in chosen]


def _row(each: Tally, advice: Advice) -> str:
    rate, low, high = each.rate
    found, of, _ = each.found
    middle, soonest, latest = each.delay_s
    delay = (
        "" if not of else "missed" if math.isinf(middle) else f"{middle:.2f} ({_s(soonest)} to {_s(latest)})"
    )
    uses = {advice.in_use[0]: "warns now", advice.in_use[1]: "holds now"}
    real = f"{found} of {of}" if of else "none known"
    words = [uses[each.limit]] if each.limit in uses else []
    words += ["advised to warn"] if advice.warning is not None and each.limit == advice.warning.limit else []
    words += ["advised to hold"] if advice.hold is not None and each.limit == advice.hold.limit else []
    return (
        f"  {each.limit:4g} %  {rate:6.2f} ({low:.2f} to {high:.2f})".ljust(34)
        + f"{each.false:6d}, {each.unjudged:<14d}  {real:>12}    {delay:<22} "
        + ", ".join(words)
    ).rstrip()


def _s(value: float) -> str:
    return "?" if math.isinf(value) and value < 0 else "never" if math.isinf(value) else f"{value:.2f}"


def _advice_lines(advice: Advice, args: argparse.Namespace) -> list[str]:
    hours = sum(each.judged.hours for each in advice.told)
    if advice.hold is None:
        worst = advice.tallies[max(advice.tallies)]
        if likely_rate(0, hours) > args.false_holds:
            need = hours_needed(args.false_holds)
            return [
                f"Not enough evidence: {need:.1f} h without a false crossing are needed to say that a "
                f"threshold holds falsely "
                f"at most {args.false_holds:g} times an hour; {hours:.2f} h were heard. Keep what is in use."
            ]
        return [
            f"Even at {worst.limit:g} % there were more than {args.false_holds:g} false holds an hour: "
            f"look for their cause first "
            "(a slipping belt, another machine), thresholds do not mend it."
        ]
    now = advice.tallies[advice.in_use[1]]
    advised = f'sag_hold = "{advice.hold.limit:g} %"'
    if advice.warning is not None:
        advised = f'sag_warning = "{advice.warning.limit:g} %", {advised}'
    lines = [f"Advised: {advised}"]
    lost = now.found[0] - advice.hold.found[0]
    if lost > 0:
        lines.append(
            f"It would have missed {format_count(lost, 'real cause')} that the threshold in use found: "
            f"weigh that against its "
            f"{now.at_most_false - advice.hold.at_most_false} fewer false holds."
        )
    sooner = now.delay_s[0] - advice.hold.delay_s[0]
    if math.isfinite(sooner) and abs(sooner) >= 0.01:
        lines.append(
            f"Real causes would be held {abs(sooner):.2f} s {'sooner' if sooner > 0 else 'later'} (middle "
            f"value)."
        )
    return lines


def _past_lines(advice: Advice) -> list[str]:
    lines = []
    limits = [advice.in_use[1]] + ([advice.hold.limit] if advice.hold is not None else [])
    for each in advice.told:
        cells = []
        for limit in dict.fromkeys(limits):
            own = tally([each.judged], limit)
            cells.append(
                f"at {limit:g} %: {own.found[0]} of {own.found[1]} real, {own.false} false, {own.unjudged} "
                f"unasked"
            )
        lines.append(
            f"  {each.directory} batch {each.batch.number}, {each.judged.hours:.2f} h; " + "; ".join(cells)
        )
    return lines


def _again_lines(again: Sequence[Replayed]) -> list[str]:
    lines = []
    for each in sorted(again, key=lambda one: (one.task.recording, one.task.hold_pct)):
        holds = [event for event in each.events if event.severity is Severity.HOLD]
        told = ", ".join(f"{event.kind.value} at {event.t:.1f} s" for event in holds[:6]) or "none"
        more = f" and {len(holds) - 6} more" if len(holds) > 6 else ""
        lines.append(
            f"  {each.task.recording} at {each.task.warning_pct:g} and {each.task.hold_pct:g} %: "
            f"{format_count(len(holds), 'hold')} ({told}{more}), "
            f"{format_count(len(each.events) - len(holds), 'warning')}"
        )
    return lines


def as_json(advice: Advice, again: Sequence[Replayed]) -> dict[str, Any]:
    """The same as plain data for JSON; what is infinite is null."""
    return {
        "in_use_pct": list(advice.in_use),
        "advised_warning_pct": None if advice.warning is None else advice.warning.limit,
        "advised_hold_pct": None if advice.hold is None else advice.hold.limit,
        "thresholds": [
            {
                "limit_pct": each.limit,
                "hours": each.hours,
                "judged_false": each.false,
                "not_judged": each.unjudged,
                "false_an_hour": [finite(value) for value in each.rate],
                "real": each.found[1],
                "real_found": each.found[0],
                "delay_s": [finite(value) for value in each.delay_s],
            }
            for each in advice.tallies.values()
        ],
        "replays": [
            {
                "recording": each.task.recording,
                "warning_pct": each.task.warning_pct,
                "hold_pct": each.task.hold_pct,
                "holds": [[e.kind.value, e.t] for e in each.events if e.severity is Severity.HOLD],
            }
            for each in again
        ],
    }
