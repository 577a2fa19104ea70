"""Reading an evidence directory back: its batches, pecks, events, curves and clips, and verdicts on them.

May be used while a batch is being written, by this process or another one. Every call opens the store for
itself, so that any thread may call; what is read stands in the store, some seconds of the newest curves
excepted.
"""

from __future__ import annotations

import math
import re
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
from numpy.typing import NDArray

from monitor.errors import EvidenceError, NoEvidence, SpindlebellError
from monitor.evidence.store import (
    BUSY_TIMEOUT_S,
    OLD_VERDICTS,
    PECK_COLUMNS,
    SCHEMA_VERSION,
    TRACE_COLUMNS,
    VERDICTS,
    force,
    prepare,
    utc_text,
)
from monitor.measurements import Event, Kind, PeckRow, Severity, TraceRow

MAX_NOTE = 2000  # characters of a note: a page of text

_CLIP_NAME = re.compile(r"clips/[0-9]{4,}-[0-9.]+-[a-z_]+\.flac")


@dataclass(frozen=True, slots=True)
class Batch:
    """One batch; ``started`` in UTC, ``duration_s`` NaN while it runs or where it was cut off.

    ``state``: 'running', 'finished' or 'stopped'; ``job``: the job file as it stood; ``note``: what was
    said of it at its end; ``continues``: the batch whose blanks it went on to drill, 0 for none. The rest
    counts what stands in the store.
    """

    number: int
    started: datetime
    source: str
    fs: int
    job: str
    state: str
    duration_s: float
    note: str
    version: str
    continues: int
    blanks: int
    pecks: int
    holds: int
    warnings: int


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a person said of an event: one of `VERDICTS`, and a note; ``at`` in UTC."""

    verdict: str
    note: str
    by: str
    at: str


@dataclass(frozen=True, slots=True)
class Clip:
    """A sound file below the evidence directory, and the seconds of its batch that it holds."""

    path: Path
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class PastEvent:
    """An event of a batch: ``number`` is its own in the whole store; ``verdict`` the newest one."""

    number: int
    batch: int
    at: str
    event: Event
    clip: str
    verdict: Verdict | None


@dataclass(frozen=True, slots=True)
class Act:
    """What a person did during a batch, ``t`` seconds in."""

    t: float
    at: str
    act: str
    by: str


NEW_DRILL = Kind.NEW_DRILL.value
"""The act that marks afterwards where a new, or newly sharpened, drill began."""


class Archive:
    """The evidence of one directory.

    Every method may raise `EvidenceError`: the store is missing, is not ours, or cannot be read.
    """

    def __init__(self, directory: Path) -> None:
        self.directory = directory

    def batches(self) -> list[Batch]:
        """Every batch, the newest first."""
        with self._reading() as db:
            return [_batch(row) for row in db.execute(f"{_batches(db)} ORDER BY id DESC")]

    def batch(self, number: int) -> Batch | None:
        """One batch; None where there is none of that number."""
        with self._reading() as db:
            row = db.execute(f"{_batches(db)} WHERE id = ?", (number,)).fetchone()
            return None if row is None else _batch(row)

    def last_blank(self, batch: int) -> int:
        """Number of the last blank that was begun in it; where none was, the last of what it continues."""
        continues = {each.number: each.continues for each in self.batches()}
        while batch in continues:
            with self._reading() as db:
                found = db.execute("SELECT max(blank) FROM events WHERE batch = ?", (batch,)).fetchone()[0]
            if found:
                return _count_of(found)
            batch = continues.pop(batch)  # no batch twice, whatever the store says
        return 0

    def events(self, batch: int) -> list[PastEvent]:
        """Its events in time order, with the newest verdict on each."""
        with self._reading() as db:
            rows = db.execute(f"{_EVENTS} WHERE events.batch = ? ORDER BY events.t, events.id", (batch,))
            return [_event(row) for row in rows]

    def event(self, number: int) -> PastEvent | None:
        """One event by its number in the store."""
        with self._reading() as db:
            row = db.execute(f"{_EVENTS} WHERE events.id = ?", (number,)).fetchone()
            return None if row is None else _event(row)

    def pecks(self, batch: int) -> list[PeckRow]:
        """Its pecks in the order in which they were drilled."""
        with self._reading() as db:
            rows = db.execute(f"SELECT {_PECKS} FROM pecks WHERE batch = ? ORDER BY id", (batch,))
            return [_peck(row) for row in rows]

    def trace(self, batch: int, from_s: float = -math.inf, to_s: float = math.inf) -> list[TraceRow]:
        """Its measured curves, or what lies between two times of them."""
        with self._reading() as db:
            return list(_trace(db, batch, from_s, to_s))

    def trace_pages(self, batch: int, page: int = 12_000, skip: int = 0) -> Iterator[list[TraceRow]]:
        """Its measured curves, less the first rows, in pieces of some minutes: a long batch need not fit into
        memory."""
        after = -math.inf
        if skip:
            query = "SELECT t FROM trace WHERE batch = ? ORDER BY t LIMIT 1 OFFSET ?"
            with self._reading() as db:
                found = db.execute(query, (batch, skip - 1)).fetchone()
            after = math.inf if found is None else found[0]
        while True:
            with self._reading() as db:
                rows = list(islice(_trace(db, batch, math.nextafter(after, math.inf), math.inf), page))
            if not rows:
                return
            yield rows
            after = rows[-1].t

    def curves(
        self, batch: int, names: Sequence[str], from_s: float = -math.inf, to_s: float = math.inf
    ) -> NDArray[np.float64]:
        """Some columns of its measured curves, shape (len(names), n), NaN where not known."""
        unknown = set(names) - set(TRACE_COLUMNS)
        if unknown:
            raise ValueError(f"no such curves: {', '.join(sorted(unknown))}")
        with self._reading() as db:
            rows = db.execute(
                f"SELECT {', '.join(names)} FROM trace WHERE batch = ? AND t BETWEEN ? AND ? ORDER BY t",
                (batch, from_s, to_s),
            ).fetchall()
            found = _numbers(rows, len(names))
            if "t" in names and (np.diff(found[names.index("t")]) <= 0).any():
                raise ValueError("curves that do not follow each other in time")
            return found

    def first_time(self, batch: int, after_s: float) -> float | None:
        """Time of the first row of its curves after a time; None where there is none."""
        with self._reading() as db:
            found = db.execute(
                "SELECT min(t) FROM trace WHERE batch = ? AND t > ?", (batch, after_s)
            ).fetchone()
            return None if found[0] is None else _number(found[0])

    def envelope(self, batch: int, names: Sequence[str], pieces: int) -> NDArray[np.float64]:
        """The largest value of some curves in each of so many pieces of the batch, shape (1 + len(names), n).

        The first row is the time of each piece's middle. Summed up by the store, so that memory does not grow
        with the batch.
        """
        if set(names) - set(TRACE_COLUMNS):
            raise ValueError(f"no such curves: {', '.join(names)}")
        with self._reading() as db:
            row = db.execute("SELECT min(t), max(t) FROM trace WHERE batch = ?", (batch,)).fetchone()
            if row[0] is None:
                return np.zeros((1 + len(names), 0))
            first, last = map(_number, row)
            step = max((last - first) / pieces, 0.05)
            rows = db.execute(
                f"SELECT CAST((t - ?) / ? AS INTEGER) AS piece, {', '.join(f'max({name})' for name in names)}"
                " FROM trace WHERE batch = ? GROUP BY piece ORDER BY piece",
                (first, step, batch),
            ).fetchall()
            found = _numbers(rows, 1 + len(names))
        found[0] = first + (found[0] + 0.5) * step
        return found

    def mark(self, batch: int, t: float, act: str, by: str) -> None:
        """Enter afterwards what a person did during a batch, such as 'new_drill', at ``t`` seconds.

        Raises
        ------
        ValueError
            No such batch.
        """
        found = self.batch(batch)
        if found is None:
            raise ValueError(f"there is no batch {batch}")
        with self._writing() as db:
            db.execute(
                "INSERT INTO acts (batch, t, at, act, by) VALUES (?, ?, ?, ?, ?)",
                (batch, t, utc_text(found.started, t), act, by),
            )

    def acts(self, batch: int) -> list[Act]:
        """What people did during it, in time order."""
        with self._reading() as db:
            rows = db.execute("SELECT t, at, act, by FROM acts WHERE batch = ? ORDER BY t, id", (batch,))
            return [Act(_number(t), *map(_text, said)) for t, *said in rows]

    def orders(self, batch: int) -> list[float]:
        """The learned lines of what turns, times the rotation, the strongest first; none where they were not
        kept, as in old stores."""
        with self._reading() as db:
            if db.execute("PRAGMA user_version").fetchone()[0] < 3:
                return []
            row = db.execute("SELECT orders FROM batches WHERE id = ?", (batch,)).fetchone()
            return (
                [] if row is None else [_number(float(order)) for order in _text(row[0]).split(",") if order]
            )

    def new_drills(self) -> dict[int, list[float]]:
        """When a new or sharpened drill began, by batch: said during it, or entered afterwards."""
        with self._reading() as db:
            rows = db.execute(
                "SELECT batch, t FROM acts WHERE act = :kind UNION "
                "SELECT batch, t FROM events WHERE kind = :kind ORDER BY batch, t",
                {"kind": NEW_DRILL},
            )
            found: dict[int, list[float]] = {}
            for batch, t in rows:
                found.setdefault(_count_of(batch), []).append(_number(t))
        return found

    def clip(self, name: str) -> Clip | None:
        """A clip by the name that an event gives it; None where its file is not there.

        The name is looked up in the store and has to be one of ours; nothing else reaches a file.
        """
        if not _CLIP_NAME.fullmatch(name):
            return None
        with self._reading() as db:
            row = db.execute("SELECT start_s, end_s FROM clips WHERE name = ?", (name,)).fetchone()
            span = None if row is None else [_number(t, _LATEST_S) for t in row]
        path = self.directory / name
        if span is None or not path.is_file() or path.is_symlink():
            return None
        return Clip(path, *span)

    def clips(self, batch: int) -> list[Clip]:
        """Every clip of a batch whose file is there, in time order."""
        with self._reading() as db:
            rows = db.execute("SELECT name FROM clips WHERE batch = ? ORDER BY start_s", (batch,))
            names = [_text(name) for (name,) in rows]
        found = map(self.clip, names)
        return [clip for clip in found if clip is not None]

    def judge(self, event: int, verdict: str, by: str, note: str = "") -> None:
        """Enter a person's verdict on an event; earlier ones stay, the newest counts.

        Raises
        ------
        ValueError
            No such event, none of `VERDICTS`, or too long a note.
        """
        if verdict not in VERDICTS:
            raise ValueError(f'"{verdict}" is no verdict; say one of {", ".join(VERDICTS)}')
        if len(note) > MAX_NOTE:
            raise ValueError(f"the note has {len(note)} characters; write at most {MAX_NOTE}")
        with self._writing() as db:
            if db.execute("SELECT 1 FROM events WHERE id = ?", (event,)).fetchone() is None:
                raise ValueError(f"there is no event {event}")
            at = utc_text(datetime.now(UTC), 0.0)
            db.execute(
                "INSERT INTO verdicts (event, at, by, verdict, note) VALUES (?, ?, ?, ?, ?)",
                (event, at, by, verdict, note),
            )

    @property
    def _path(self) -> Path:
        return self.directory / "evidence.db"

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        with self._open("ro") as db:
            try:
                version = db.execute("PRAGMA user_version").fetchone()[0]
                if version == 0 and not db.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]:
                    raise NoEvidence(f"{self._path} is empty; give a directory that spindlebell has written")
                if not 1 <= version <= SCHEMA_VERSION:
                    prepare(db, self._path)  # says what is wrong
                yield db
            except SpindlebellError:
                raise
            except (ValueError, TypeError) as error:
                raise NoEvidence(
                    f"{self._path} holds what spindlebell did not write ({error}); give another directory"
                ) from error

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        with self._open("rw") as db:
            prepare(db, self._path)
            yield db
            try:
                force(self._path)
            except OSError as error:
                raise EvidenceError(
                    f"{self.directory}: the evidence cannot be written ({error.strerror})"
                ) from error

    @contextmanager
    def _open(self, mode: str) -> Iterator[sqlite3.Connection]:
        address = f"file:{quote(str(self._path.absolute()))}?mode={mode}"
        try:
            with closing(
                sqlite3.connect(address, uri=True, timeout=BUSY_TIMEOUT_S, isolation_level=None)
            ) as db:
                yield db
        except sqlite3.Error as error:
            if not self._path.exists():
                raise NoEvidence(
                    f"{self.directory}: there is no evidence.db; give a directory that spindlebell has "
                    "written"
                ) from error
            passing = isinstance(error, sqlite3.OperationalError)  # locked, or not readable for us
            raise (EvidenceError if passing else NoEvidence)(
                f"{self.directory}: the evidence cannot be read ({error}); give a directory that "
                "spindlebell has written"
            ) from error


def _count(what: str) -> str:
    return f"(SELECT count(*) FROM {what})"


_COUNTS = ", ".join(
    (
        _count("events WHERE batch = batches.id AND kind = 'blank_end'"),
        _count("pecks WHERE batch = batches.id"),
        _count("events WHERE batch = batches.id AND severity = 'hold'"),
        _count("events WHERE batch = batches.id AND severity = 'warning'"),
    )
)


def _batches(db: sqlite3.Connection) -> str:
    """The query for what a `Batch` is made of; a store of before version 4 knows none that goes on."""
    continues = "continues" if db.execute("PRAGMA user_version").fetchone()[0] >= 4 else "0"
    return (
        "SELECT id, started_at, source, sample_rate_hz, job, state, duration_s, note, version, "
        f"{continues}, {_COUNTS} FROM batches"
    )


_EVENTS = (
    'SELECT events.id, events.batch, events.at, t, kind, severity, message, value, "limit", unit, blank,'
    " peck, depth_mm, onset_t, clip, v.verdict, v.note, v.by, v.at FROM events LEFT JOIN verdicts v"
    " ON v.id = (SELECT max(id) FROM verdicts WHERE event = events.id)"
)
_PECKS = ", ".join(PECK_COLUMNS)


# A store may be damaged, or changed by other hands: SQLite keeps text in a column of numbers. What does not
# belong is refused here, so that nothing beyond has to expect it.

_MOST = 1e30  # no quantity of a batch comes near, and powers of it are still numbers
_HIGHEST_COUNT = 2**31
_LATEST_S = 1e9  # thirty years; times of day are reckoned from it


def _number(value: Any, most: float = _MOST) -> float:
    if value is None:
        return math.nan
    if isinstance(value, int | float) and abs(value) <= most:
        return float(value)
    raise ValueError(f"{_short(value)} where a number belongs")


def _known(value: Any, most: float = _MOST) -> float:
    number = _number(value, most)
    if math.isnan(number):
        raise ValueError("nothing where a number belongs")
    return number


def _count_of(value: Any) -> int:
    if isinstance(value, int) and 0 <= value <= _HIGHEST_COUNT:
        return value
    raise ValueError(f"{_short(value)} where a whole number belongs")


def _text(value: Any) -> str:
    if isinstance(value, str):
        return value
    raise ValueError(f"{_short(value)} where text belongs")


def _short(value: Any) -> str:
    return repr(value)[:40]


def _numbers(rows: Sequence[Sequence[Any]], n: int) -> NDArray[np.float64]:
    """Columns of numbers, shape (n, len(rows)), NaN where not known."""
    found = np.array(rows, dtype=float).reshape(len(rows), n).T
    if (np.abs(found) > _MOST).any():
        raise ValueError("a number beyond every measure in the curves")
    return found


def _time_of_day(written: Any) -> datetime:
    at = datetime.fromisoformat(_text(written))
    if at.tzinfo is None or not 1970 < at.year < 9000:
        raise ValueError(f"{_short(written)} where a time in UTC belongs")
    return at


def _batch(row: Sequence[Any]) -> Batch:
    number, started, source, fs, job, state, duration_s, note, version, continues, *counts = row
    return Batch(
        _count_of(number),
        _time_of_day(started),
        _text(source),
        _count_of(fs),
        _text(job),
        _text(state),
        _number(duration_s, _LATEST_S),
        _text(note),
        _text(version),
        _count_of(continues),
        *counts,
    )


def _peck(row: Sequence[Any]) -> PeckRow:
    blank, peck, start_s, end_s, from_mm, to_mm, mean, most, climb_mm, level_db, fill, worst_event = row
    return PeckRow(
        _count_of(blank),
        _count_of(peck),
        _known(start_s, _LATEST_S),
        _known(end_s, _LATEST_S),
        _known(from_mm),
        _known(to_mm),
        _number(mean),
        _number(most),
        _number(climb_mm),
        _number(level_db),
        _number(fill),
        _text(worst_event),
    )


def _event(row: Sequence[Any]) -> PastEvent:
    number, batch, at, t, kind, severity, message, *rest = row
    value, limit, unit, blank, peck, depth_mm, onset_s, clip, *said = rest
    event = Event(
        t=_known(t, _LATEST_S),
        kind=Kind(kind),
        severity=Severity(severity),
        message=_text(message),
        value=_number(value),
        limit=_number(limit),
        unit=_text(unit),
        blank=_count_of(blank),
        peck=_count_of(peck),
        depth_mm=_number(depth_mm),
        onset_s=_number(onset_s),
    )
    return PastEvent(_count_of(number), batch, _text(at), event, _text(clip), _verdict(*said))


def _verdict(verdict: Any, note: Any, by: Any, judged_at: Any) -> Verdict | None:
    if verdict is None:
        return None
    word = OLD_VERDICTS.get(verdict, verdict)
    if word not in VERDICTS:
        raise ValueError(f"{_short(verdict)} where a verdict belongs")
    return Verdict(word, _text(note), _text(by), _text(judged_at))


def _trace(db: sqlite3.Connection, batch: int, from_s: float, to_s: float) -> Iterator[TraceRow]:
    rows = db.execute(
        f"SELECT {', '.join(TRACE_COLUMNS)} FROM trace WHERE batch = ? AND t BETWEEN ? AND ? ORDER BY t",
        (batch, from_s, to_s),
    )
    before = -math.inf
    for *numbers, cutting in rows:
        row = TraceRow._make([*map(_number, numbers), bool(cutting)])
        if not row.t > before:
            raise ValueError("curves that do not follow each other in time")
        before = row.t
        yield row
