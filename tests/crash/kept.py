"""What must still be there of an evidence directory after its process was killed or the power was cut."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

from monitor import cli
from monitor.errors import NoEvidence
from monitor.evidence.archive import Archive, PastEvent
from monitor.evidence.clips import is_whole
from monitor.evidence.exports import FILES
from monitor.measurements import Kind, Severity
from tests.crash.listening import Told

LOST_S = 5.05  # of the curves: what the store gathers before it writes


class Missing(AssertionError):
    """Something that had been told is not there, or cannot be read."""


def check(what: bool, said: str) -> None:
    """Raise Missing unless it holds."""
    if not what:
        raise Missing(said)


def newest(directory: Path) -> int:
    """Number of the newest batch; 0 where none was begun yet."""
    try:
        return max((batch.number for batch in Archive(directory).batches()), default=0)
    except NoEvidence as error:
        if "there is no evidence.db" in str(error) or "is empty" in str(error):
            return 0
        raise


def look(directory: Path, batch: int, told: Told) -> None:
    """Everything that was told of a batch is in the store and in the exports, and can be read."""
    _store_is_sound(directory, batch, told)
    archive = Archive(directory)
    events = archive.events(batch)
    _events_are_told(events, told)
    exported = whole_events(directory / "events.jsonl")
    check(
        [key(one) for one in exported] == [key_of(past) for past in events[: len(exported)]],
        "events.jsonl tells what the store does not",
    )
    check(not told.events or len(exported) >= len(told.events), "events.jsonl lacks what the page was told")
    clips_are_whole(directory, archive, events)
    rows = archive.trace(batch)
    newest_s = rows[-1].t if rows else 0.0
    check(
        newest_s >= told.newest_row_s - LOST_S, f"curves up to {newest_s} s, told up to {told.newest_row_s} s"
    )
    table(directory / "trace.csv", 9)
    table(directory / "pecks.csv", 12)
    archive.pecks(batch)


def look_after_power_cut(directory: Path, batch: int, told: Told) -> None:
    """Holds and what people did are in the store, with their sound, and can be read."""
    _store_is_sound(directory, batch, told)
    archive = Archive(directory)
    events = archive.events(batch)
    _events_are_told(events, told)
    for past in events:
        if past.event.severity is Severity.HOLD and past.clip:
            clip = archive.clip(past.clip)
            check(clip is not None, f"{past.clip} of a hold is named and not there")
            check(clip is not None and is_whole(clip.path), f"{past.clip} of a hold is not whole")
    archive.trace(batch)
    archive.pecks(batch)


def goes_on(directory: Path, before: int) -> None:
    """The newest batch goes on with the one before, and its first blank is numbered after that one's last."""
    archive = Archive(directory)
    batch = archive.batches()[0]
    check(batch.continues == before, f"batch {batch.number} goes on with {batch.continues}, not {before}")
    begun = [past.event.blank for past in archive.events(batch.number) if past.event.kind is Kind.BLANK_START]
    expected = archive.last_blank(before) + 1
    check(begun[:1] == [expected], f"the first blank of batch {batch.number} is {begun[:1]}, not {expected}")


def _store_is_sound(directory: Path, batch: int, told: Told) -> None:
    with closing(sqlite3.connect(directory / "evidence.db")) as db:
        check(db.execute("PRAGMA integrity_check").fetchone() == ("ok",), "the store is damaged")
        check(not db.execute("PRAGMA foreign_key_check").fetchall(), "the store contradicts itself")
        acts = db.execute(
            "SELECT count(*) FROM acts WHERE batch = ? AND act = 'acknowledge'", (batch,)
        ).fetchone()[0]
        verdicts = {n for (n,) in db.execute("SELECT event FROM verdicts")}
    check(acts >= told.acknowledged, f"{acts} acts of {told.acknowledged} that were answered")
    check(verdicts >= set(told.verdicts), f"verdicts {verdicts} of {told.verdicts}")


def _events_are_told(events: Sequence[PastEvent], told: Told) -> None:
    kept = [(round(past.event.t, 3), past.event.message) for past in events]
    for one in told.events:
        check((one["t"], one["message"]) in kept, f"the page was told, the store does not know: {one}")
    printed = [line for line in told.lines if " HOLD " in line or " WARNING " in line]
    sentences = [past.event.message for past in events]
    for line in printed:
        check(any(line.endswith(said) for said in sentences), f"printed, the store does not know: {line}")


def key(line: dict[str, Any]) -> tuple[float, str, str]:
    """What tells one event from another."""
    return line["t"], line["kind"], line["message"]


def key_of(past: PastEvent) -> tuple[float, str, str]:
    """The same of an event in the store."""
    return round(past.event.t, 6), past.event.kind.value, past.event.message


def whole_events(path: Path) -> list[dict[str, Any]]:
    """Every line of an events file, each of which has to be whole."""
    text = path.read_text("utf-8") if path.exists() else ""
    check(not text or text.endswith("\n"), f"{path.name} ends within a line")
    return [json.loads(line) for line in text.splitlines()]


def table(path: Path, columns: int) -> list[list[str]]:
    """Every row of a CSV file, each of which has to be whole."""
    text = path.read_text("utf-8") if path.exists() else ""
    check(not text or text.endswith("\n"), f"{path.name} ends within a row")
    rows = list(csv.reader(io.StringIO(text)))
    check(all(len(row) == columns for row in rows), f"{path.name} has a row that is not whole")
    return rows[1:]


def clips_are_whole(directory: Path, archive: Archive, events: Sequence[PastEvent]) -> None:
    """Every clip that an event names is there, and whatever has a clip's name is a whole clip."""
    for past in events:
        if past.clip:
            check(archive.clip(past.clip) is not None, f"{past.clip} is named and not there")
    for path in (directory / "clips").glob("*.flac"):
        check(is_whole(path), f"{path.name} is no whole FLAC")


def read_by_commands(directory: Path, batch: int) -> None:
    """`report` reads it, and `pecks` where a peck was drilled."""
    commands = [["report", str(directory), "--batch", str(batch)]]
    if Archive(directory).pecks(batch):
        commands.append(["pecks", str(directory)])
    for words in commands:
        out, err = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            status = cli.main(words)
        check(status == 0, f"{words[0]}: exit status {status}, {err.getvalue()}")


def set_aside_whole(directory: Path, batch: int, power_cut: bool = False) -> None:
    """Once a new run has begun, the exports of the killed one are complete.

    After a power cut they may know more than the store: information and curves of the last half minute.
    """
    folder, archive = directory / "earlier" / f"{batch:04d}", Archive(directory)
    check(all((folder / name).exists() for name in FILES), f"exports of batch {batch} are missing")
    exported, events = whole_events(folder / "events.jsonl"), archive.events(batch)
    lines = [key(one) for one in exported]
    n_rows, n_pecks = len(archive.trace(batch)), len(archive.pecks(batch))
    n_lines = [len(lines), len(table(folder / "trace.csv", 9)), len(table(folder / "pecks.csv", 12))]
    beyond = [n - there for n, there in zip(n_lines, (len(events), n_rows, n_pecks), strict=True)]
    check(lines[: len(events)] == [key_of(past) for past in events], "events were not completed")
    check(min(beyond) >= 0, f"exports were not completed: events, curves, pecks lack {beyond}")
    check(power_cut or max(beyond) == 0, f"exports know more than the store: {beyond}")
    state = next(one.state for one in archive.batches() if one.number == batch)
    check(state == "stopped", f"a killed batch is {state}")
