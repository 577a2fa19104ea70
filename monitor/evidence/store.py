"""The evidence store: one SQLite file that holds the batches of one directory.

Write-ahead logging lets a page or a report read while a batch is being written, and leaves the
file openable after a killed process or a power cut. Trace rows are gathered and written some seconds
at a time, which spares an SD card; an event is committed at once, with everything before it.

What survives what: a killed process loses at most the curves of the last seconds. A power cut may besides
lose what was committed without being forced to the disk (SQLite: in WAL mode synchronous = NORMAL loses the
last transactions, and never damages the file). So a hold is forced to the disk (synchronous = FULL) before
anybody is told. That may take tenths of a second on a slow card, in which nothing is heard: with a hold the
line has opened before. Where the machine runs on, the thread that hears waits for no disk: what people did is
forced out by the thread that answers them (`force`), and warnings, curves and information are not.

Where a value is not known, or not finite, the column is NULL.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from itertools import chain
from operator import attrgetter
from pathlib import Path

from monitor.errors import NoEvidence
from monitor.evidence.clips import WrittenClip
from monitor.measurements import Event, PeckRow, Severity, TraceRow
from monitor.whole_file import sync

SCHEMA_VERSION = 4  # 1 had other words for the verdicts, 2 no learned orders, 3 no batches that go on
VERDICTS = ("real", "false", "unsure")  # what a person can say of a warning or a hold
ROWS_PER_COMMIT = 100  # 5 s of trace: what a killed process loses at most
BUSY_TIMEOUT_S = 10.0  # longer than any reader's query takes; a checkpoint waits for readers

TRACE_COLUMNS = TraceRow._fields
PECK_COLUMNS = tuple(field.name for field in fields(PeckRow))

Value = float | int | str | None

_SCHEMA = """
CREATE TABLE batches (
    id INTEGER PRIMARY KEY,
    started_at TEXT NOT NULL,        -- UTC, ISO 8601
    started_from TEXT NOT NULL,      -- how started_at is known
    source TEXT NOT NULL,            -- the recording, or the microphone
    sample_rate_hz INTEGER NOT NULL,
    job TEXT NOT NULL,               -- the job file as it stood
    baseline TEXT NOT NULL,          -- what the baseline said, in words
    orders TEXT NOT NULL DEFAULT '', -- learned lines of what turns, comma between, the strongest first
    version TEXT NOT NULL,           -- of the program
    continues INTEGER NOT NULL DEFAULT 0,  -- the batch whose blanks this one goes on to drill; 0: none
    state TEXT NOT NULL DEFAULT 'running' CHECK (state IN ('running', 'finished', 'stopped')),
    duration_s REAL,                 -- signal heard, once the batch is over
    note TEXT NOT NULL DEFAULT ''
);
CREATE TABLE trace (
    batch INTEGER NOT NULL REFERENCES batches(id),
    t REAL NOT NULL, speed_rpm REAL, speed_confidence REAL, sag_pct REAL, level_db REAL,
    cut_level_db REAL, chatter_db REAL, rise_db_per_s REAL, cutting INTEGER,
    PRIMARY KEY (batch, t)
) WITHOUT ROWID;
CREATE TABLE events (
    id INTEGER PRIMARY KEY,
    batch INTEGER NOT NULL REFERENCES batches(id),
    t REAL NOT NULL, at TEXT NOT NULL, kind TEXT NOT NULL, severity TEXT NOT NULL,
    value REAL, "limit" REAL, unit TEXT NOT NULL, blank INTEGER NOT NULL, peck INTEGER NOT NULL,
    depth_mm REAL, message TEXT NOT NULL, clip TEXT NOT NULL, onset_t REAL
);
CREATE INDEX events_by_time ON events (batch, t);
CREATE TABLE pecks (
    id INTEGER PRIMARY KEY,
    batch INTEGER NOT NULL REFERENCES batches(id),
    blank INTEGER NOT NULL, peck INTEGER NOT NULL, start_s REAL, end_s REAL, depth_from_mm REAL,
    depth_to_mm REAL, mean_sag_pct REAL, max_sag_pct REAL, climb_depth_mm REAL,
    mean_cut_level_db REAL, flute_fill REAL, worst_event TEXT NOT NULL
);
CREATE INDEX pecks_by_number ON pecks (batch, blank, peck);
CREATE TABLE clips (
    name TEXT PRIMARY KEY,           -- path below the evidence directory
    batch INTEGER NOT NULL REFERENCES batches(id),
    start_s REAL NOT NULL, end_s REAL NOT NULL
);
CREATE TABLE acts (                  -- what a person did: 'acknowledge', 'reset'
    id INTEGER PRIMARY KEY,
    batch INTEGER NOT NULL REFERENCES batches(id),
    t REAL NOT NULL, at TEXT NOT NULL, act TEXT NOT NULL, by TEXT NOT NULL
);
"""

_VERDICTS_SCHEMA = f"""
CREATE TABLE verdicts (              -- what a person later said about an event; the newest counts
    id INTEGER PRIMARY KEY,
    event INTEGER NOT NULL REFERENCES events(id),
    at TEXT NOT NULL, by TEXT NOT NULL,
    verdict TEXT NOT NULL CHECK (verdict IN {VERDICTS}),
    note TEXT NOT NULL DEFAULT ''
);
"""

OLD_VERDICTS = {"right": "real", "wrong": "false", "unclear": "unsure"}
"""Words of version 1, and what they are now: for whoever reads a file without making it a `Store`."""

_TRANSLATED = "CASE verdict {} ELSE verdict END".format(
    " ".join(f"WHEN '{old}' THEN '{new}'" for old, new in OLD_VERDICTS.items())
)
_FROM_VERSION_1 = f"""
ALTER TABLE verdicts RENAME TO old_verdicts;
{_VERDICTS_SCHEMA}
INSERT INTO verdicts SELECT id, event, at, by, {_TRANSLATED}, note FROM old_verdicts;
DROP TABLE old_verdicts;
"""
_FROM_VERSION_2 = "ALTER TABLE batches ADD COLUMN orders TEXT NOT NULL DEFAULT '';"
_FROM_VERSION_3 = "ALTER TABLE batches ADD COLUMN continues INTEGER NOT NULL DEFAULT 0;"

_peck_values = attrgetter(*PECK_COLUMNS)


@dataclass(frozen=True)
class BatchInfo:
    """What is known when a batch begins.

    ``started`` is the UTC time of sample 0; ``started_from`` says how it is known; ``fs`` is the
    sample rate of the sound in Hz; ``orders`` the learned lines of what turns, the strongest first;
    ``continues`` the batch whose blanks it goes on to drill, 0 for none.
    """

    started: datetime
    started_from: str
    source: str
    fs: int
    job: str
    baseline: str
    version: str
    orders: tuple[float, ...] = ()
    continues: int = 0


def utc_text(started: datetime, t: float) -> str:
    """UTC, ISO 8601 with milliseconds, of the instant ``t`` seconds after ``started``.

    Examples
    --------
    >>> from datetime import UTC
    >>> utc_text(datetime(2026, 11, 25, 10, tzinfo=UTC), 61.25)
    '2026-11-25T10:01:01.250Z'
    """
    at = (started + timedelta(seconds=t)).replace(tzinfo=None)
    return at.isoformat(timespec="milliseconds") + "Z"


def finite(value: float) -> float | None:
    """The value, or None where it is NaN or infinite."""
    return value if math.isfinite(value) else None


def peck_values(row: PeckRow) -> tuple[Value, ...]:
    """One peck as column values, None where not known."""
    return _known(_peck_values(row))


class Store:
    """The open database, writing one batch."""

    def __init__(self, path: Path) -> None:
        # One thread writes at a time, but a reset may come from another one than the sound.
        self._db = sqlite3.connect(
            path, timeout=BUSY_TIMEOUT_S, isolation_level=None, check_same_thread=False
        )
        try:
            prepare(self._db, path)
        except BaseException:
            self._db.close()
            raise
        self.batch = 0
        self._started = datetime.min
        self._rows: list[TraceRow] = []

    def newest_batch(self) -> int:
        """Number of the newest batch in the file, 0 where there is none."""
        newest: int = self._db.execute("SELECT coalesce(max(id), 0) FROM batches").fetchone()[0]
        return newest

    def begin(self, number: int, info: BatchInfo) -> None:
        """Open batch ``number``; what follows belongs to it.

        Whoever begins holds the directory, so a batch that still runs by the store was killed.
        """
        self.batch = number
        self._started = info.started
        values = (number, utc_text(info.started, 0.0), info.started_from, info.source, info.fs)
        self._force_to_disk(True)
        self._db.execute("UPDATE batches SET state = 'stopped' WHERE state = 'running'")
        self._db.execute(
            "INSERT INTO batches (id, started_at, started_from, source, sample_rate_hz, job, baseline,"
            " version, orders, continues) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (*values, info.job, info.baseline, info.version, ",".join(map(str, info.orders)), info.continues),
        )

    def add(
        self,
        trace: Sequence[TraceRow],
        events: Sequence[tuple[Event, str]],
        pecks: Sequence[PeckRow],
        clips: Sequence[WrittenClip] = (),
    ) -> bool:
        """Take rows, events with the names of their clips, pecks, and clips that were written or have grown.

        All of it in one transaction, so that no event names a clip that is not entered.

        Returns
        -------
        bool
            Whether they, and all before them, are committed now.
        """
        batch = self.batch
        self._rows += trace
        if not (events or pecks or clips) and len(self._rows) < ROWS_PER_COMMIT:
            return False
        event_rows = [self._event_values(event, clip) for event, clip in events]
        peck_rows = [(batch, *peck_values(row)) for row in pecks]
        self._force_to_disk(any(event.severity is Severity.HOLD for event, _ in events))
        with self._db:
            self._db.execute("BEGIN")
            self._write_rows()
            self._db.executemany(
                'INSERT INTO events (batch, t, at, kind, severity, value, "limit", unit, blank, peck,'
                " depth_mm, message, clip, onset_t) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                event_rows,
            )
            self._db.executemany(_INSERT_PECK, peck_rows)
            self._db.executemany(_INSERT_CLIP, [(c.name, batch, c.start_s, c.end_s) for c in clips])
        return True

    def add_act(self, t: float, act: str, by: str) -> None:
        """Enter what a person did; `force` it to the disk before telling them so."""
        self._force_to_disk(False)
        self._db.execute(
            "INSERT INTO acts (batch, t, at, act, by) VALUES (?, ?, ?, ?, ?)",
            (self.batch, t, utc_text(self._started, t), act, by),
        )

    def finish(self, state: str, duration_s: float, note: str) -> None:
        """Write what is left and close the batch as 'finished' or 'stopped'."""
        self._force_to_disk(True)
        with self._db:
            self._db.execute("BEGIN")
            self._write_rows()
            self._db.execute(
                "UPDATE batches SET state = ?, duration_s = ?, note = ? WHERE id = ?",
                (state, duration_s, note, self.batch),
            )

    def close(self) -> None:
        """Close the file; harmless when closed already."""
        self._db.close()

    def _force_to_disk(self, yes: bool) -> None:
        self._db.execute(f"PRAGMA synchronous = {'FULL' if yes else 'NORMAL'}")

    def _write_rows(self) -> None:
        rows, n = self._rows, _ROWS_AT_ONCE
        whole = len(rows) // n * n
        marks = f"({self.batch:d}, {_marks(len(TRACE_COLUMNS))})"
        sets = [_known(tuple(chain.from_iterable(rows[i : i + n]))) for i in range(0, whole, n)]
        self._db.executemany(_INSERT_TRACE + ", ".join([marks] * n), sets)
        self._db.executemany(_INSERT_TRACE + marks, map(_known, rows[whole:]))
        rows.clear()

    def _event_values(self, event: Event, clip: str) -> tuple[Value, ...]:
        return (
            self.batch,
            event.t,
            utc_text(self._started, event.t),
            event.kind.value,
            event.severity.value,
            finite(event.value),
            finite(event.limit),
            event.unit,
            event.blank,
            event.peck,
            finite(event.depth_mm),
            event.message,
            clip,
            finite(event.onset_s),
        )


def _marks(n: int) -> str:
    return ", ".join("?" * n)


_INSERT_TRACE = f"INSERT INTO trace (batch, {', '.join(TRACE_COLUMNS)}) VALUES "
# in one statement, which takes two thirds of the time of as many; any SQLite takes 999 values in one
_ROWS_AT_ONCE = 20
_INSERT_PECK = (
    f"INSERT INTO pecks (batch, {', '.join(PECK_COLUMNS)}) VALUES ({_marks(1 + len(PECK_COLUMNS))})"
)
_INSERT_CLIP = (
    "INSERT INTO clips (name, batch, start_s, end_s) VALUES (?, ?, ?, ?)"
    " ON CONFLICT (name) DO UPDATE SET end_s = excluded.end_s"
)


def _known(values: tuple[Value, ...]) -> tuple[Value, ...]:
    # SQLite stores NaN as NULL by itself, infinity not.
    if math.inf in values or -math.inf in values:
        return tuple(None if v in (math.inf, -math.inf) else v for v in values)
    return values


def force(path: Path) -> None:
    """Force to the disk what was committed to a store so far, by whichever connection. Raises OSError."""
    with suppress(FileNotFoundError):  # the last connection that closed has done so
        sync(path.with_name(f"{path.name}-wal"))


def prepare(db: sqlite3.Connection, path: Path) -> None:
    """Make a new file a store, or an older one of the present version; others are refused.

    Raises
    ------
    NoEvidence
        The file is not ours, or newer than this program.
    """
    try:
        version = db.execute("PRAGMA user_version").fetchone()[0]
        tables = db.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
    except (
        sqlite3.DatabaseError,
        UnicodeDecodeError,
    ) as error:  # or a message made of a damaged schema's bytes
        if isinstance(error, sqlite3.OperationalError):
            raise
        raise NoEvidence(
            f"{path} is no evidence store ({error}); move it away or give another directory"
        ) from error
    if version > SCHEMA_VERSION:
        raise NoEvidence(
            f"{path} was written by a newer version of spindlebell (store version {version}, this one knows "
            f"{SCHEMA_VERSION}); update, or give another directory"
        )
    if version < 0 or (version == 0 and tables):
        raise NoEvidence(f"{path} is another program's database; move it away or give another directory")
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = NORMAL")
    db.execute("PRAGMA foreign_keys = ON")
    if version < SCHEMA_VERSION:
        steps = (_FROM_VERSION_1, _FROM_VERSION_2, _FROM_VERSION_3)
        script = "".join(steps[version - 1 :]) if version else _SCHEMA + _VERDICTS_SCHEMA
        db.executescript(f"BEGIN IMMEDIATE; {script} PRAGMA user_version = {SCHEMA_VERSION}; COMMIT;")
