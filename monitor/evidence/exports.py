"""The plain files of the newest run: events.jsonl, trace.csv, pecks.csv.

The files at the top of the evidence directory always belong to the newest run; those of an earlier
run are moved to ``earlier/NNNN/``, NNNN being its batch number in the store: untouched, but for those of a
killed run, which are completed from the store first.
"""

from __future__ import annotations

import csv
import io
import json
import math
import os
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from datetime import datetime
from itertools import chain
from pathlib import Path
from typing import Any, BinaryIO

from monitor.evidence.store import PECK_COLUMNS, TRACE_COLUMNS, finite, utc_text
from monitor.measurements import Event, PeckRow, Severity, TraceRow
from monitor.whole_file import sync

FILES = ("events.jsonl", "trace.csv", "pecks.csv")

# Digits: 1 ms, 0.01 rpm, 0.001 of confidence and per cent, 0.01 dB: each below what can be measured.
_TRACE_FORMAT = "%.3f,%.2f,%.3f,%.3f,%.2f,%.2f,%.2f,%.2f,%d\n"
_PECK_FORMATS = dict(
    zip(
        PECK_COLUMNS,
        ("d", "d", ".3f", ".3f", ".2f", ".2f", ".3f", ".3f", ".2f", ".2f", ".3f", "s"),
        strict=True,
    )
)


def trace_line(row: TraceRow) -> str:
    r"""One line of trace.csv; a value that is not known, or not finite, is empty.

    Examples
    --------
    >>> nan = float("nan")
    >>> trace_line(TraceRow(0.25, nan, 0.0, nan, -31.118, 0.5, 2.0, nan, False))
    '0.250,,0.000,,-31.12,0.50,2.00,,0\n'
    """
    return _trace_text((row,))


def _trace_text(rows: Sequence[TraceRow]) -> str:
    """The lines of some rows; of many at once they are made sooner."""
    text = _TRACE_FORMAT * len(rows) % tuple(chain.from_iterable(rows))
    if "n" in text:  # "nan", "inf" or "-inf": no other field can hold the letter
        text = text.replace("nan", "").replace("-inf", "").replace("inf", "")
    return text


def peck_cells(row: PeckRow) -> list[str]:
    """The cells of one row of pecks.csv, empty where not known."""
    return [_cell(getattr(row, name), spec) for name, spec in _PECK_FORMATS.items()]


def event_line(event: Event, clip: str, at: str) -> str:
    """One line of events.jsonl, RFC 8259 JSON: what is not known is null; ``at`` is its time of day, UTC."""
    values: dict[str, Any] = {
        "t": round(event.t, 6),
        "at": at,
        "kind": event.kind.value,
        "severity": event.severity.value,
        "value": _rounded(event.value),
        "limit": _rounded(event.limit),
        "unit": event.unit,
        "blank": event.blank,
        "peck": event.peck,
        "depth_mm": _rounded(event.depth_mm),
        "message": event.message,
        "clip": clip or None,
        "onset_t": finite(round(event.onset_s, 6)) if math.isfinite(event.onset_s) else None,
    }
    return json.dumps(values, ensure_ascii=False, allow_nan=False) + "\n"


def set_aside(directory: Path, batch: int) -> int:
    """Move the exports of an earlier run to ``earlier/NNNN/``.

    Safe to interrupt: whatever was not moved is moved by the next call.

    Parameters
    ----------
    directory : Path
        The evidence directory.
    batch : int
        The newest batch in the store, whose exports they are.

    Returns
    -------
    int
        The newest number in use anywhere in the directory: a new batch takes the next one.
    """
    newest = max([batch, *_numbers(directory / "earlier"), *_numbers(directory / "clips")])
    present = [directory / name for name in FILES if (directory / name).exists()]
    if not present:
        return newest
    # Number 0, or a name that is taken, means that the store was removed: give them a new number.
    target = directory / "earlier" / f"{batch:04d}"
    if batch == 0 or any((target / path.name).exists() for path in present):
        newest += 1
        target = directory / "earlier" / f"{newest:04d}"
    target.mkdir(parents=True, exist_ok=True)
    for path in present:
        path.rename(target / path.name)
    for changed in (target, target.parent, directory):
        sync(changed)
    return newest


def place_of(directory: Path, batch: int, name: str) -> Path:
    """Where an export of the newest batch in the store lies: at the top, unless it was set aside already."""
    aside = directory / "earlier" / f"{batch:04d}" / name
    return aside if aside.exists() else directory / name


def header(name: str) -> str:
    """The first line of an export; events.jsonl has none."""
    columns = {"trace.csv": TRACE_COLUMNS, "pecks.csv": PECK_COLUMNS}.get(name, ())
    return ",".join(columns) + "\n" if columns else ""


def peck_line(row: PeckRow) -> str:
    """One line of pecks.csv."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(peck_cells(row))
    return text.getvalue()


class Exports:
    """The open export files of one run.

    Lines are gathered, and handed to the system whole and only after the store has them: what an export
    tells, the store knows.
    """

    def __init__(self, directory: Path, started: datetime) -> None:
        self._started = started
        self._files: list[BinaryIO] = []
        self._trace: list[str] = []
        self._pecks: list[str] = []
        try:
            for name in FILES:
                # "x": never write over a file that is there.
                file = (directory / name).open("xb", buffering=0)
                self._files.append(file)
                _write(file, header(name))
        except BaseException:
            self.close()
            raise

    def add_trace(self, rows: Sequence[TraceRow]) -> None:
        """Gather rows of trace.csv; they are written with the next `flush`."""
        self._trace.append(_trace_text(rows))

    def add_pecks(self, rows: Iterable[PeckRow]) -> None:
        """Gather rows of pecks.csv; they are written with the next `flush`."""
        self._pecks += map(peck_line, rows)

    def add_events(self, events: Sequence[tuple[Event, str]]) -> None:
        """Write events with the names of their clips.

        Holds are forced to the disk, as they are in the store.
        """
        lines = [event_line(event, clip, utc_text(self._started, event.t)) for event, clip in events]
        _write(self._files[0], "".join(lines))
        if any(event.severity is Severity.HOLD for event, _ in events):
            os.fsync(self._files[0].fileno())

    def flush(self) -> None:
        """Hand what was gathered to the system, so that a killed process does not lose it."""
        for file, lines in zip(self._files[1:], (self._trace, self._pecks), strict=True):
            _write(file, "".join(lines))
            lines.clear()

    def close(self) -> None:
        """Close all files. Never raises: what has to be known to be written is flushed before."""
        for file in self._files:
            with suppress(OSError):
                file.close()
        self._files.clear()


def complete(path: Path, lines_from: Callable[[int], Iterable[str]]) -> None:
    """Make the export of a killed run what it would have been.

    A last line that is not whole is cut off, and lines are added that the store has beyond it. Nothing that
    is whole is changed: after a power cut the file may know more than the store. Safe to interrupt.

    Parameters
    ----------
    path : Path
        The file, which need not be there.
    lines_from : callable
        Gives, for a number of lines below the header, those that follow by the store.

    Raises
    ------
    OSError
        The file cannot be read or written.
    """
    with path.open("r+b" if path.exists() else "w+b") as file:
        n, end = 0, 0
        for line in file:
            if not line.endswith(b"\n") or b"\0" in line:  # some file systems leave zeros after a power cut
                break
            n, end = n + 1, end + len(line)
        file.truncate(end)
        file.seek(end)
        first = header(path.name)
        if first and n == 0:
            file.write(first.encode())
        file.writelines(line.encode() for line in lines_from(max(0, n - bool(first))))
        file.flush()
        os.fsync(file.fileno())


def _write(file: BinaryIO, text: str) -> None:
    """All of a text in one go; a disk that is nearly full takes a part first, and then says so."""
    left = memoryview(text.encode())
    while left:
        left = left[file.write(left) :]


def _numbers(directory: Path) -> Iterable[int]:
    """Leading batch numbers of the names in a directory of ours."""
    if not directory.is_dir():
        return []
    leading = (path.name[:4] for path in directory.iterdir())
    return [int(text) for text in leading if text.isdecimal()]


def _cell(value: float | int | str, spec: str) -> str:
    if isinstance(value, float) and not math.isfinite(value):
        return ""
    return format(value, spec)


def _rounded(value: float) -> float | None:
    return float(f"{value:.6g}") if math.isfinite(value) else None
