"""``spindlebell replay``: the monitor on a recording, as fast as it goes."""

from __future__ import annotations

import argparse
import gc
import sys
import time
from bisect import bisect_left
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import accumulate, islice
from pathlib import Path
from threading import RLock

import numpy as np
from tqdm import tqdm

from monitor import __version__
from monitor.baseline import Baseline, describe, learned_orders, load_baseline
from monitor.cli import EXIT_DONE, EXIT_HELD, EXIT_OTHER
from monitor.errors import InputError
from monitor.evidence.recorder import Evidence
from monitor.evidence.store import BatchInfo
from monitor.job import Job, parse_job, read_job, with_material
from monitor.listener import Listener
from monitor.manual import Manual
from monitor.measurements import Event, Heard, Kind, Severity
from monitor.quantities import format_count, format_length
from monitor.recordings import Recording, open_recording
from monitor.session import Session

MANUAL = Manual(
    about="""
    The same core as `listen`, on a recording. It ends with every hold and warning in a sentence, with its
    time, blank, peck and depth. It never looks ahead: an event's time is when the decision was possible. It
    waits for nobody: a cause that was gone for 5 s and comes back is told again.

    Everything is checked before the evidence directory is touched. A later run into the same directory adds
    to it and destroys nothing.
    """,
    examples=[
        (
            "spindlebell replay batch.flac --job job.toml --baseline baseline.json --out evidence",
            "A batch that was recorded with the microphone of the baseline:",
        ),
    ],
    files={
        "REC": "WAV or FLAC, 8 to 192 kHz, 16, 24 or 32 bit or float",
        "DIR": "the evidence: events.jsonl, trace.csv, pecks.csv, clips/, evidence.db",
    },
    statuses={
        0: "done, and no hold was raised",
        10: "done, and a hold was raised",
        1: "the spindle was heard at another speed than the job's, or hardly ever and no blank to its end, "
        "so that nothing was watched; or anything else, an interruption included",
    },
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("recording", metavar="REC", help="WAV or FLAC, 8 to 192 kHz")
    parser.add_argument("--job", required=True, metavar="JOB.toml", help="the job that was drilled")
    parser.add_argument("--baseline", required=True, metavar="FILE", help="made by spindlebell baseline")
    parser.add_argument(
        "--out", required=True, metavar="DIR", help="evidence directory; earlier runs are kept"
    )
    parser.add_argument(
        "--materials",
        type=Path,
        metavar="FILE.toml",
        help="materials of your own, in the form of monitor/planning/materials.toml (default: the table that "
        "comes with it)",
    )
    parser.add_argument(
        "--channel", type=int, default=1, metavar="N", help="channel to use, from 1 (default: 1)"
    )
    parser.add_argument(
        "--started",
        metavar="TIME",
        help="when the recording began, ISO 8601 with its offset, such as 2026-11-25T10:00:00Z "
        "(default: the file's modification time less its length, which is wrong for a copied file)",
    )


def run(args: argparse.Namespace) -> int:
    """Replay one recording; everything is checked before the directory is touched."""
    from hardware.lines import SimulatedHoldLine

    text = read_job(args.job)
    job = parse_job(text, args.job, args.materials)
    baseline = load_baseline(args.baseline)
    recording = open_recording(args.recording, args.channel)
    started, started_from = _start(recording, args.started)
    listener = Listener(baseline, job, recording.fs)
    info = BatchInfo(
        started=started,
        started_from=started_from,
        source=f"{recording.path.absolute()}, channel {recording.channel}",
        fs=recording.fs,
        job=with_material(text, job),
        baseline=describe(baseline),
        version=__version__,
        orders=learned_orders(baseline),
    )
    with Evidence(args.out, info) as evidence:
        session = Session(listener, evidence, SimulatedHoldLine())
        _keep_memory()
        tally = play(recording, session)
    if recording.cut_short:
        print(f"spindlebell replay: {recording.cut_short}", file=sys.stderr)
    print("\n".join(summary(tally, job, evidence.directory, evidence.batch)))
    elsewhere = heard_elsewhere(recording, baseline, job) if strange(tally) else None
    unheard = None if elsewhere else deaf(tally)
    if elsewhere:
        print(f"spindlebell replay: {args.job}: {elsewhere}", file=sys.stderr)
    elif unheard:
        print(f"spindlebell replay: {args.recording}: {unheard}", file=sys.stderr)
    return EXIT_HELD if tally.holds else EXIT_OTHER if elsewhere or unheard else EXIT_DONE


def _keep_memory() -> None:
    """Spare what Python and the C library do again and again with memory in a long run.

    What was loaded so far stays, so that the collector need not go through it; and it looks for what keeps
    itself alive, of which hearing makes none, only among more than a block ever holds. And the C library of
    Linux gives freed memory back to the system, to ask for it again at the next block, unless pieces of that
    size were freed before (`man mallopt`, M_MMAP_THRESHOLD: up to 32 MiB): one, never written to, costs
    nothing.
    """
    gc.freeze()
    gc.set_threshold(_LIVING)
    np.empty(31 << 20, np.uint8)


@dataclass
class Tally:
    """What was heard, for the summary of it; times in seconds. Only holds and warnings make it grow.

    ``blanks``: those that ended, for what began as one may prove to be none. ``rows``: of the trace,
    ``rows_at_rpm``: how many of them at each speed, in whole rpm.
    """

    heard_s: float = 0.0
    took_s: float = 0.0
    blanks: int = 0
    pecks: int = 0
    rows: int = 0
    rows_at_rpm: Counter[int] = field(default_factory=Counter)
    warnings: list[Event] = field(default_factory=list)
    holds: list[Event] = field(default_factory=list)

    def add(self, heard: Heard) -> None:
        """Count in what one call has heard."""
        self.pecks += len(heard.pecks)
        self.rows += len(heard.trace)
        self.rows_at_rpm.update(round(row.speed_rpm) for row in heard.trace if row.speed_rpm > 0)
        self.blanks += sum(event.kind is Kind.BLANK_END for event in heard.events)
        self.warnings += [event for event in heard.events if event.severity is Severity.WARNING]
        self.holds += [event for event in heard.events if event.severity is Severity.HOLD]


def play(recording: Recording, session: Session) -> Tally:
    """Feed a whole recording to a session and finish it."""
    tally = Tally()
    session.on_heard.append(tally.add)
    began = time.perf_counter()
    tqdm.set_lock(RLock())  # by itself it would make one for processes too, and load what that takes
    # disable=None: a bar on a terminal only
    with tqdm(total=recording.duration_s, unit=" s", disable=None, bar_format=_BAR) as bar:
        for x in recording.blocks(blocksize=int(_BLOCK_S * recording.fs)):
            session.feed(x)
            bar.update(len(x) / recording.fs)
    session.finish(note=recording.cut_short or "")
    tally.heard_s = session.t
    tally.took_s = time.perf_counter() - began
    return tally


def summary(tally: Tally, job: Job, directory: Path, batch: int) -> list[str]:
    """Lines in plain words: what was heard, every hold and warning, where the evidence is."""
    factor = tally.heard_s / max(tally.took_s, 1e-9)
    return [
        f"Heard {clock_text(tally.heard_s)} of sound in {tally.took_s:.1f} s, {factor:.0f} times real time: "
        f"{tally.blanks} of {format_count(job.blanks, 'blank')}, {format_count(tally.pecks, 'peck')}.",
        *strange(tally),
        *off_speed(tally, job),
        *told("hold", tally.holds, job),
        *told("warning", tally.warnings, job),
        f"Evidence: {directory}, batch {batch} (events.jsonl, trace.csv, pecks.csv, clips, evidence.db)",
    ]


LEAST_TURNING = 0.2
"""Share of a batch in which the spindle turns, at least: a blank is drilled for longer than it is changed."""

AT_SPEED_WITHIN = 0.06
"""A dial may be off by 3 %, and a loaded motor by as much again (common practice, no published source)."""

AT_ONE_SPEED, LIKE_SPEED = 0.4, 0.03
"""Share of a recording at one speed, within so much (the most that a dial is off), that tells of a spindle:
it drills at one speed for longer than it is changed. Ten other sounds over five baselines without a spindle
had 0.37 at most; of fourteen batches two had less: a clipped microphone, and a centre drill's long work."""

_LONGEST_SEARCH = 30  # blocks, 10 min: a job drills for most of that
_FEW_ROWS = 400  # 20 s: less may be a piece between two blanks
_FEW_TURNING = 200  # 10 s: less may be a spindle that runs up or down
_LIVING = 20_000  # objects; a block of 400 hops makes some 4000
_BLOCK_S = 20.0  # large blocks are cheaper: what a call costs is shared by all hops in it
_BAR = "{percentage:3.0f} %|{bar}| {n:.0f} of {total:.0f} s, {remaining} left"


def strange(tally: Tally) -> list[str]:
    """A line where the spindle was hardly heard: by another machine's baseline nothing else is sure."""
    turning = tally.rows_at_rpm.total()
    if tally.rows < _FEW_ROWS or turning >= LEAST_TURNING * tally.rows:
        return []
    share = 100 * turning / tally.rows
    return [
        f"The spindle was heard in {share:.0f} % of the recording only. If it turned for longer, baseline, "
        "job and recording are not of one machine, or the microphone was another: nothing here is sure then."
    ]


def deaf(tally: Tally) -> str | None:
    """What is wrong where the spindle was hardly heard (``strange``) and no blank was, to its end.

    Where one was, the rest may be a machine that stood. Otherwise nothing was watched, which no hold told: a
    script would take it for a good batch, a recording of a spindle that stood included.
    """
    if not strange(tally) or tally.blanks:
        return None
    share = 100 * tally.rows_at_rpm.total() / tally.rows
    return (
        f"the spindle was heard in {share:.0f} % of the recording and no blank to its end, so that nothing "
        "was watched: if it turned, give the job and the baseline of this machine and microphone; where "
        "they are, learn the baseline again at two speeds, with the microphone nearer to the headstock"
    )


def heard_elsewhere(recording: Recording, baseline: Baseline, job: Job) -> str | None:
    """What is wrong with the job where the spindle turned at a speed at which it was not listened for.

    The ear looks from about a third of the job's speeds to a quarter over them; here it looks about those of
    the baseline, in the first ten minutes. None where no steady speed is found there.
    """
    fastest, *others = sorted(baseline.speeds_rpm, reverse=True)
    speeds = {"spindle_rpm": fastest, "spot_rpm": others[-1] if others else None}
    listener = Listener(baseline, job.model_copy(update=speeds), recording.fs)
    tally = Tally()
    for x in islice(recording.blocks(blocksize=int(_BLOCK_S * recording.fs)), _LONGEST_SEARCH):
        tally.add(listener.feed(x))
    if not tally.rows_at_rpm:
        return None
    heard = _median(tally.rows_at_rpm)
    near = sum(rows for rpm, rows in tally.rows_at_rpm.items() if abs(rpm / heard - 1) <= LIKE_SPEED)
    if near < AT_ONE_SPEED * tally.rows:
        return None
    return (
        f"the spindle was not heard near the job's {job.spindle_rpm:g} rpm: by this baseline it turned at "
        f"{heard} rpm for {100 * near / tally.rows:.0f} % of the recording; mend spindle.speed in the job, "
        "or give the job and the baseline of this machine"
    )


def off_speed(tally: Tally, job: Job) -> list[str]:
    """A line where the spindle mostly turned at another speed than the job says: depths are wrong then."""
    if tally.rows_at_rpm.total() < _FEW_TURNING:
        return []
    rpm = _median(tally.rows_at_rpm)
    commanded = [job.spindle_rpm] if job.spot_rpm is None else [job.spindle_rpm, job.spot_rpm]
    if min(abs(rpm / speed - 1) for speed in commanded) <= AT_SPEED_WITHIN:
        return []
    says = " and ".join(f"{speed:g}" for speed in commanded)
    return [
        f"The spindle mostly turned at {rpm:.0f} rpm, and the job says {says} rpm: mend one of them. Depths "
        "are reckoned from the job's feed and speed."
    ]


def _median(counts: Counter[int]) -> int:
    values = sorted(counts)
    below = list(accumulate(counts[value] for value in values))
    return values[bisect_left(below, below[-1] / 2)]


def told(noun: str, events: Sequence[Event], job: Job) -> list[str]:
    if not events:
        return [f"No {noun} was raised."]
    return [f"{format_count(len(events), noun)}:", *(f"  {_sentence(event, job)}" for event in events)]


def _sentence(event: Event, job: Job) -> str:
    where = [f"blank {event.blank}"] if event.blank else []
    where += [f"peck {event.peck}"] if event.peck else []
    where += [f"at {format_length(event.depth_mm, job.units)}"] if event.depth_mm == event.depth_mm else []
    place = f" ({', '.join(where)})" if where else ""
    return f"{clock_text(event.t)}  {event.kind.value}{place}: {event.message}"


def clock_text(t: float) -> str:
    """Minutes and seconds into the recording.

    Examples
    --------
    >>> clock_text(83.456), clock_text(3661)
    ('1:23.46', '1:01:01.00')
    """
    minutes, hundredths = divmod(round(t * 100), 6000)
    hours, minutes = divmod(minutes, 60)
    seconds = f"{hundredths // 100:02d}.{hundredths % 100:02d}"
    return f"{hours}:{minutes:02d}:{seconds}" if hours else f"{minutes}:{seconds}"


def _start(recording: Recording, given: str | None) -> tuple[datetime, str]:
    """UTC time of the first sample, and how it is known."""
    if given is None:
        closed = datetime.fromtimestamp(recording.path.stat().st_mtime, UTC)
        began = closed - timedelta(seconds=recording.duration_s or 0.0)
        return began, "modification time of the file less its length"
    with suppress(ValueError):
        began = datetime.fromisoformat(given)
        if began.tzinfo is not None:
            return began.astimezone(UTC), "given"
    raise InputError(f'--started: "{given}" is no time with an offset; write it like 2026-11-25T10:00:00Z')
