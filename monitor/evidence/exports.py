"""The plain files of the newest run: events.jsonl, trace.csv, pecks.csv.

The files at the top of the evidence directory always belong to the newest run; those of an earlier
run are moved, untouched, to ``earlier/NNNN/``, NNNN being its batch number in the store.
"""

from __future__ import annotations

import csv
import json
import math
import os
from collections.abc import Iterable, Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any, TextIO

from monitor.evidence.store import PECK_COLUMNS, TRACE_COLUMNS, finite, utc_text
from monitor.measurements import Event, PeckRow, Severity, TraceRow

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
    line = _TRACE_FORMAT % row
    if "n" in line[:-1]:  # "nan", "inf" or "-inf": no other field can hold the letter
        line = line.replace("nan", "").replace("-inf", "").replace("inf", "")
    return line


def peck_cells(row: PeckRow) -> list[str]:
    """The cells of one row of pecks.csv, empty where not known."""
    return [_cell(getattr(row, name), spec) for name, spec in _PECK_FORMATS.items()]


def event_line(event: Event, clip: str, started: datetime) -> str:
    """One line of events.jsonl, RFC 8259 JSON: what is not known is null."""
    values: dict[str, Any] = {
        "t": round(event.t, 6),
        "at": utc_text(started, event.t),
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
    return newest


class Exports:
    """The open export files of one run."""

    def __init__(self, directory: Path, started: datetime) -> None:
        self._started = started
        self._files: list[TextIO] = []
        try:
            # "x": never write over a file that is there.
            self._events, self._trace, self._pecks = (self._create(directory / name) for name in FILES)
            self._trace.write(",".join(TRACE_COLUMNS) + "\n")
            self._peck_rows = csv.writer(self._pecks, lineterminator="\n")
            self._peck_rows.writerow(PECK_COLUMNS)
            self.flush()
        except BaseException:
            self.close()
            raise

    def add_trace(self, rows: Iterable[TraceRow]) -> None:
        """Append rows to trace.csv; they reach the disk with the next `flush`."""
        self._trace.write("".join(map(trace_line, rows)))

    def add_pecks(self, rows: Iterable[PeckRow]) -> None:
        """Append rows to pecks.csv; they reach the disk with the next `flush`."""
        self._peck_rows.writerows(map(peck_cells, rows))

    def add_events(self, events: Sequence[tuple[Event, str]]) -> None:
        """Append events with the names of their clips, each handed to the system as it is written.

        Warnings and holds are forced to the disk: the emergency stop that may follow one may cut
        this computer's power too.
        """
        for event, clip in events:
            self._events.write(event_line(event, clip, self._started))
            self._events.flush()
        if any(event.severity is not Severity.INFO for event, _ in events):
            os.fsync(self._events.fileno())

    def flush(self) -> None:
        """Hand everything to the system, so that a killed process does not lose it."""
        for file in self._files:
            file.flush()

    def close(self) -> None:
        """Close all files. Never raises: what has to be known to be written is flushed before."""
        for file in self._files:
            with suppress(OSError):
                file.close()
        self._files.clear()

    def _create(self, path: Path) -> TextIO:
        file = path.open("x", encoding="utf-8", newline="")
        self._files.append(file)
        return file


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
