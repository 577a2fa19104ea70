"""Replaying recordings with other thresholds: the whole ear, in minutes, on as many processes as there are.

`replay_events` is one self-contained task, so any executor of the `concurrent.futures` kind can run it:
processes of this machine, or those of many through Dask's ``Client.get_executor()``.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor, as_completed
from dataclasses import dataclass
from pathlib import Path

from monitor.baseline import load_baseline
from monitor.evidence.archive import Batch
from monitor.job import parse_job
from monitor.listener import Listener
from monitor.measurements import Event, Severity
from monitor.recordings import open_recording

_SOURCE = re.compile(r"(?P<path>.+), channel (?P<channel>[0-9]+)")
_BLOCK_S = 10.0  # any: the result does not depend on it


@dataclass(frozen=True)
class Task:
    """One recording to be heard with one pair of thresholds, in percent.

    Files by absolute paths: another machine has to see them under the same ones.
    """

    recording: str
    channel: int
    baseline: str
    job: str
    warning_pct: float
    hold_pct: float


@dataclass(frozen=True)
class Replayed:
    """Warnings and holds of a task, and the hours heard."""

    task: Task
    hours: float
    events: tuple[Event, ...]


def recording_of(batch: Batch, directory: Path) -> tuple[Path, int] | None:
    """Recording and channel that a batch was replayed from; None where it was live, or the file is not found.

    A relative path is looked for from here, then from the evidence directory.
    """
    match = _SOURCE.fullmatch(batch.source)
    if match is None:
        return None
    for path in (Path(match["path"]), directory / match["path"]):
        if path.is_file():
            return path.absolute(), int(match["channel"])
    return None


def replay_events(task: Task) -> Replayed:
    """Hear one recording to its end. Raises what opening its files raises."""
    job = parse_job(task.job, f"job of {task.recording}")
    job = job.model_copy(update={"sag_warning_pct": task.warning_pct, "sag_hold_pct": task.hold_pct})
    recording = open_recording(task.recording, task.channel)
    listener = Listener(load_baseline(task.baseline), job, recording.fs)
    events: list[Event] = []
    n = 0
    for x in recording.blocks(int(_BLOCK_S * recording.fs)):
        events += [event for event in listener.feed(x).events if event.severity is not Severity.INFO]
        n += len(x)
    events += [event for event in listener.finish().events if event.severity is not Severity.INFO]
    return Replayed(task, n / recording.fs / 3600.0, tuple(events))


def replay_all(tasks: Sequence[Task], executor: Executor) -> Iterator[Replayed]:
    """Run every task; results come as they are done."""
    waiting = [executor.submit(replay_events, task) for task in tasks]
    try:
        for done in as_completed(waiting):
            yield done.result()
    finally:
        for future in waiting:
            future.cancel()
