"""How much room the evidence takes, and what goes when it is too much: the oldest first, never a hold that
nobody has judged.

What takes room are the curves, the clips and the exports of past batches. What is small stays for good: the
batches themselves, their events, pecks and verdicts, from which pecks and thresholds are tuned. Of a hold
without a verdict its clip stays too, with a minute and a half of curves around it, so that it can still be
judged. The running batch is never touched.

Works beside a writer: the store is written in pieces that keep it waiting for milliseconds.
"""

from __future__ import annotations

import math
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from monitor.evidence.store import BUSY_TIMEOUT_S
from monitor.quantities import format_count

LEAST_FREE_BYTES = 200_000_000
"""With less than this the system itself comes to grief; and it is an hour's evidence with all its clips."""

ROOM_SHARE = 0.05  # make this share of the limit free at once: not a little every minute
BEFORE_HOLD_S, AFTER_HOLD_S = 60.0, 30.0  # of curves: some pecks that led to it, and what was done
PIECE_S = 100.0  # of curves deleted at once: 2000 rows


@dataclass(frozen=True, slots=True)
class Room:
    """What there is: bytes used by the evidence, free on the disk, freed by this call.

    ``unjudged``: holds that wait for a verdict; ``missing_bytes``: by how much it is still too much.
    """

    used_bytes: int
    free_bytes: int
    freed_bytes: int
    unjudged: int
    missing_bytes: int

    @property
    def warning(self) -> str:
        """What a person should know and do; empty while there is room."""
        if self.missing_bytes <= 0:
            return ""
        waiting = format_count(self.unjudged, "hold")
        kept = f" {waiting} that nobody has judged stay: judge them on the page." if self.unjudged else ""
        return (
            f"Space runs low: the evidence takes {_size(self.used_bytes)}, the disk has "
            f"{_size(self.free_bytes)} left.{kept} Or move old evidence away, or give it a larger limit. "
            "When the disk is full the monitor stops, held."
        )


def make_room(directory: Path, limit_bytes: int, running: int) -> Room:
    """Delete the oldest evidence until it is under its limit again and the disk has room.

    Parameters
    ----------
    directory : Path
        The evidence directory.
    limit_bytes : int
        What the evidence may take.
    running : int
        The batch that is being written, and not touched; 0 where there is none.

    Raises
    ------
    OSError, sqlite3.Error
        The directory or its store cannot be read or written.
    """
    with closing(_connect(directory)) as db, _damage_told():
        before = _used(directory, db)
        missing = _missing(directory, before, limit_bytes)
        if missing > 0:
            enough = missing + int(ROOM_SHARE * limit_bytes)
            freed = 0
            for piece in _delete_oldest(directory, db, running):
                freed += piece
                if freed >= enough:
                    break
        used = _used(directory, db)
        return Room(
            used_bytes=used,
            free_bytes=shutil.disk_usage(directory).free,
            freed_bytes=before - used,
            unjudged=_count_unjudged(db),
            missing_bytes=_missing(directory, used, limit_bytes),
        )


def _delete_oldest(directory: Path, db: sqlite3.Connection, running: int) -> Iterator[int]:
    """Delete a piece of the oldest evidence at each step, and tell its bytes."""
    batches = [b for (b,) in db.execute("SELECT id FROM batches WHERE id <> ? ORDER BY id", (running,))]
    for batch in batches:
        kept = _unjudged(db, batch)
        yield from _delete_exports(directory, batch, bool(kept))
        yield from _delete_clips(directory, db, batch, {clip for _, clip in kept})
        yield from _delete_curves(db, batch, [t for t, _ in kept])


def _delete_exports(directory: Path, batch: int, keep_events: bool) -> Iterator[int]:
    folder = directory / "earlier" / f"{batch:04d}"
    for name in ("trace.csv", "pecks.csv", *(() if keep_events else ("events.jsonl",))):
        yield _delete(folder / name)
    with suppress(OSError):
        folder.rmdir()


def _delete_clips(directory: Path, db: sqlite3.Connection, batch: int, keep: set[str]) -> Iterator[int]:
    names = [n for (n,) in db.execute("SELECT name FROM clips WHERE batch = ? ORDER BY start_s", (batch,))]
    for name in names:
        if name not in keep:
            db.execute("DELETE FROM clips WHERE name = ?", (name,))
            yield _delete(directory / name)


def _delete_curves(db: sqlite3.Connection, batch: int, holds_s: list[float]) -> Iterator[int]:
    begin = -math.inf
    # Between the kept stretches, each reaching from before a hold to after it, and after the last one.
    for hold_s in [*sorted(holds_s), math.inf]:
        end = hold_s - BEFORE_HOLD_S
        # From row to row: in a damaged store the next one may lie ages away.
        while (first := _first_row(db, batch, begin, end)) is not None:
            begin = max(min(first + PIECE_S, end), math.nextafter(first, math.inf))
            before = _in_store(db)
            db.execute("DELETE FROM trace WHERE batch = ? AND t >= ? AND t < ?", (batch, first, begin))
            yield before - _in_store(db)
        begin = max(begin, hold_s + AFTER_HOLD_S)


def _first_row(db: sqlite3.Connection, batch: int, begin: float, end: float) -> float | None:
    """Time of the first row of the curves between two times; None where there is none."""
    found = db.execute(
        "SELECT min(t) FROM trace WHERE batch = ? AND t >= ? AND t < ?", (batch, begin, end)
    ).fetchone()[0]
    return float(found) if isinstance(found, int | float) and found >= begin else None


_WITHOUT_VERDICT = "severity = 'hold' AND NOT EXISTS (SELECT 1 FROM verdicts WHERE event = events.id)"


def _unjudged(db: sqlite3.Connection, batch: int) -> list[tuple[float, str]]:
    """Time and clip of each hold of a batch that has no verdict."""
    found = db.execute(f"SELECT t, clip FROM events WHERE batch = ? AND {_WITHOUT_VERDICT}", (batch,))
    return [(t, clip) for t, clip in found if isinstance(t, int | float)]


def _count_unjudged(db: sqlite3.Connection) -> int:
    n: int = db.execute(f"SELECT count(*) FROM events WHERE {_WITHOUT_VERDICT}").fetchone()[0]
    return n


def _connect(directory: Path) -> sqlite3.Connection:
    path = directory / "evidence.db"
    db = sqlite3.connect(path, timeout=BUSY_TIMEOUT_S, isolation_level=None)
    with _damage_told():
        db.execute("PRAGMA synchronous = NORMAL")
    return db


@contextmanager
def _damage_told() -> Iterator[None]:
    """Of a damaged schema SQLite tells in its own bytes, which Python may fail to read."""
    try:
        yield
    except UnicodeDecodeError as error:
        raise sqlite3.DatabaseError(f"damaged: {error}") from error


def _delete(path: Path) -> int:
    """Delete a file, if it is there; its bytes."""
    try:
        size = path.stat().st_size
        path.unlink()
    except FileNotFoundError:
        return 0
    return size


def _used(directory: Path, db: sqlite3.Connection) -> int:
    """Bytes of all files; of the store what is in use, for the rest of it is used again."""
    files = 0
    for path in directory.rglob("*"):
        if not path.name.startswith("evidence.db"):
            with suppress(FileNotFoundError):  # a clip under way has just been given its name
                files += path.stat().st_size if path.is_file() else 0
    return files + _in_store(db)


def _in_store(db: sqlite3.Connection) -> int:
    size, n, n_free = (
        int(db.execute(f"PRAGMA {name}").fetchone()[0])
        for name in ("page_size", "page_count", "freelist_count")
    )
    return size * (n - n_free)


def _missing(directory: Path, used: int, limit_bytes: int) -> int:
    return max(used - limit_bytes, LEAST_FREE_BYTES - shutil.disk_usage(directory).free)


def _size(n: int) -> str:
    return f"{n / 1e9:.1f} GB" if n >= 1e9 else f"{n / 1e6:.0f} MB"
