"""What a monitor has to tell its shop, on disk: numbered, bounded, and kept after it was sent.

A record gets its number when it is put in. Numbers never come twice: with the stream's own name they tell a
receiver what it has had. What has been sent stays as long as there is room, so that whoever missed it, since
a broker lost it or they were away, can have it again.

When the bound is reached, room is made in this order: what was sent (the oldest first), then curves, then
pecks and the events that are mere information. Alarms, warnings, holds and batches that were not sent are
never dropped, whatever the bound. What was dropped unsent leaves a record in its place that says how much.
"""

from __future__ import annotations

import json
import os
import secrets
import sqlite3
import threading
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

from dashboard.fleet.words import RecordKind
from monitor.errors import InputError

FIRST, NEXT, NEVER = 0, 1, 2
"""Ranks: what is dropped first, what next, and what never."""

ROW_BYTES = 64  # what a record takes in the file besides its text
DOWN_TO = 0.9  # of the bound, so that not every record that comes makes room for itself alone
PAGE_ROWS = 500

_TABLES = """
CREATE TABLE IF NOT EXISTS stream (id TEXT NOT NULL, sent INTEGER NOT NULL, newest INTEGER NOT NULL);
CREATE TABLE IF NOT EXISTS records (
    seq INTEGER PRIMARY KEY, first INTEGER NOT NULL, at REAL NOT NULL, kind TEXT NOT NULL,
    rank INTEGER NOT NULL, body TEXT NOT NULL, size INTEGER NOT NULL);
"""


@dataclass(frozen=True, slots=True)
class Waiting:
    """A record to be kept: its rank (`FIRST`, `NEXT`, `NEVER`), and its body as JSON."""

    at: float
    kind: RecordKind
    rank: int
    body: str


@dataclass(frozen=True, slots=True)
class Kept:
    """A record in the outbox: its number, and the first of those that it stands for."""

    seq: int
    first: int
    at: float
    kind: RecordKind
    body: str


class Outbox:
    """One monitor's records; every method may be called from any thread.

    Parameters
    ----------
    path : Path
        Made where it is not there; what is there of an earlier run is gone on with.
    limit_bytes : int
        The bound, of the records' text.

    Raises
    ------
    InputError
        Another monitor uses the file, or it cannot be made.
    sqlite3.Error, OSError
        By every other method, where the disk does not do what it should.

    Attributes
    ----------
    stream : str
        Name of this sequence of numbers: another file is another stream.
    dropped : int
        Records dropped unsent since it was opened.
    on_the_way : int
        Set by whoever sends: up to this number records have been given to the broker, which has not yet said
        that it has them; these are not dropped.
    """

    def __init__(self, path: Path, limit_bytes: int) -> None:
        self.dropped = 0
        self.on_the_way = 0
        self._limit = self._full_at = limit_bytes
        self._mutex = threading.RLock()
        self._db = _opened(path)
        self.stream, self.sent, self.newest = self._db.execute(
            "SELECT id, sent, newest FROM stream"
        ).fetchone()
        self._bytes: int = self._db.execute("SELECT coalesce(sum(size), 0) FROM records").fetchone()[0]

    def close(self) -> None:
        """Close the file; what waits stays in it."""
        with self._mutex:
            with self._db:
                self._db.execute("UPDATE stream SET sent = ?", (self.sent,))
            self._db.close()

    def put(self, records: Iterable[Waiting]) -> int:
        """Number records and keep them; returns how many were dropped to make room."""
        with self._mutex:
            newest, size = self.newest, self._bytes
            with self._db:
                for record in records:
                    newest += 1
                    taken = len(record.body.encode()) + ROW_BYTES
                    size += taken
                    row = (newest, newest, record.at, record.kind, record.rank, record.body, taken)
                    self._db.execute("INSERT INTO records VALUES (?, ?, ?, ?, ?, ?, ?)", row)
                self._db.execute("UPDATE stream SET newest = ?, sent = ?", (newest, self.sent))
            self.newest, self._bytes = newest, size
            return self._make_room() if size > self._full_at else 0

    def after(self, seq: int, most: int = PAGE_ROWS) -> list[Kept]:
        """The records after this number, in order."""
        with self._mutex:
            found = self._db.execute(
                "SELECT seq, first, at, kind, body FROM records WHERE seq > ? ORDER BY seq LIMIT ?",
                (seq, most),
            )
            return [Kept(n, first, at, RecordKind(kind), body) for n, first, at, kind, body in found]

    @property
    def oldest(self) -> int:
        """The lowest number that can still be had; the next one to come where there is none."""
        with self._mutex:
            found = self._db.execute("SELECT first FROM records ORDER BY seq LIMIT 1").fetchone()
            return int(found[0]) if found else int(self.newest) + 1

    @property
    def waiting(self) -> int:
        """How many were not sent yet."""
        with self._mutex:
            return int(
                self._db.execute("SELECT count(*) FROM records WHERE seq > ?", (self.sent,)).fetchone()[0]
            )

    def mark_sent(self, seq: int) -> None:
        """The broker has everything up to this number. Written to disk with the next records."""
        with self._mutex:
            self.sent = max(self.sent, seq)

    def _make_room(self) -> int:
        """Down to a part of the bound, in the order that the module says; returns how many went unsent."""
        spare = self._bytes - int(DOWN_TO * self._limit)
        dropped = 0
        given = max(self.sent, self.on_the_way)
        with self._db:
            gone, spare = self._oldest("seq <= ?", self.sent, spare)
            self._db.executemany("DELETE FROM records WHERE seq = ?", [(seq,) for seq in gone])
            for rank in (0, 1):
                if spare > 0:
                    gone, spare = self._oldest(f"rank = {rank} AND seq > ?", given, spare)
                    self._drop(gone)
                    dropped += len(gone)
            if dropped:
                self._join_dropped(given)
        self.dropped += dropped
        self._bytes = int(self._db.execute("SELECT coalesce(sum(size), 0) FROM records").fetchone()[0])
        self._full_at = max(self._limit, self._bytes + int((1 - DOWN_TO) * self._limit))
        return dropped

    def _oldest(self, where: str, given: int, spare: int) -> tuple[list[int], int]:
        """The oldest records of a sort that make so many bytes of room, and what is then still lacking."""
        gone: list[int] = []
        for seq, size in self._db.execute(
            f"SELECT seq, size FROM records WHERE {where} ORDER BY seq", (given,)
        ):
            if spare <= 0:
                break
            gone.append(seq)
            spare -= size
        return gone, spare

    def _drop(self, gone: list[int]) -> None:
        """Put in the place of each of these records one that says what was there."""
        for seq in gone:
            at, kind = self._db.execute("SELECT at, kind FROM records WHERE seq = ?", (seq,)).fetchone()
            self._put_dropped(seq, seq, at, Counter({kind: 1}), at)

    def _join_dropped(self, given: int) -> None:
        """Neighbours that were dropped become one record that stands for all of them."""
        rows = self._db.execute(
            "SELECT seq, first, at, kind, body FROM records WHERE seq > ? ORDER BY seq", (given,)
        ).fetchall()
        for kind, run in groupby(rows, key=lambda row: row[3]):
            neighbours = list(run)
            if kind == RecordKind.DROPPED and len(neighbours) > 1:
                said = [json.loads(row[4]) for row in neighbours]
                counts: Counter[str] = sum((Counter(one["records"]) for one in said), Counter())
                (_, first, at, _, _), (seq, _, _, _, _) = neighbours[0], neighbours[-1]
                self._db.executemany("DELETE FROM records WHERE seq = ?", [(row[0],) for row in neighbours])
                self._put_dropped(seq, first, at, counts, said[-1]["until"])

    def _put_dropped(self, seq: int, first: int, at: float, counts: Counter[str], until: float) -> None:
        body = json.dumps({"records": counts, "until": until})
        row = (seq, first, at, RecordKind.DROPPED, NEVER, body, len(body) + ROW_BYTES)
        self._db.execute("INSERT OR REPLACE INTO records VALUES (?, ?, ?, ?, ?, ?, ?)", row)


def _opened(path: Path) -> sqlite3.Connection:
    """Open the file for this process alone; one that is damaged is put aside, and a new stream begins."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        try:
            return _connect(path)
        except sqlite3.OperationalError:
            raise  # in use, or no room: nothing is wrong with what stands in it
        except sqlite3.DatabaseError:
            path.replace(path.with_suffix(".damaged"))
            path.with_name(f"{path.name}-wal").unlink(missing_ok=True)
            return _connect(path)
    except sqlite3.OperationalError as error:
        if "locked" in str(error):
            raise InputError(
                f"{path}: another monitor of that name is running here; give each its own broker.name"
            ) from None
        raise InputError(f"{path}: records for the broker cannot be kept there ({error})") from None
    except (OSError, sqlite3.Error) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError(f"{path}: records for the broker cannot be kept there ({reason})") from None


def _connect(path: Path) -> sqlite3.Connection:
    db = sqlite3.connect(path, check_same_thread=False, timeout=1.0)
    try:
        db.execute("PRAGMA locking_mode = EXCLUSIVE")  # the system lets go of it however the process ends
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = NORMAL")
        db.executescript(_TABLES)
        with db:
            if db.execute("SELECT 1 FROM stream").fetchone() is None:
                db.execute("INSERT INTO stream VALUES (?, 0, 0)", (secrets.token_hex(8),))
            db.execute("SELECT seq, first, at, kind, rank, body, size FROM records LIMIT 1").fetchone()
    except sqlite3.Error:
        db.close()
        raise
    return db


def outbox_path(name: str) -> Path:
    """Where a monitor's outbox is kept: where systemd says, else among the user's states (XDG)."""
    folder = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    if folder:
        return Path(folder) / f"outbox-{name}.db"
    states = os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state"
    return Path(states) / "spindlebell" / f"outbox-{name}.db"
