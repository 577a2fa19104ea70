"""How long the evidence of years takes to read: ``python tests/benchmarks/million_pecks.py`` prints a table.

A drawn batch of some hundred pecks, copied in the store until there are a million of them, with what the
tuning found of each kept as it would be. Curves and sound are left out: nothing over all batches reads them.
"""

from __future__ import annotations

import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from starlette.testclient import TestClient

from dashboard.app import create_app
from monitor.evidence.archive import Archive
from monitor.evidence.findings import Finder
from monitor.evidence.job_advice import advise, gather
from monitor.evidence.store import PECK_COLUMNS
from tests.tuning.batches import draw_batch
from tests.tuning.evidence import write_batch

PECKS = 1_000_000


def fill(directory: Path) -> int:
    """Write one batch and copy it; gives the number of batches."""
    write_batch(directory, draw_batch(5000, 12), datetime(2026, 1, 5, 7, tzinfo=UTC))
    columns = ", ".join(PECK_COLUMNS)
    with closing(sqlite3.connect(directory / "evidence.db")) as db, db:
        own = db.execute("SELECT count(*) FROM pecks").fetchone()[0]
        batches = PECKS // own
        names = [row[1] for row in db.execute("PRAGMA table_info(batches)") if row[1] != "id"]
        counted = f"WITH RECURSIVE n(k) AS (SELECT 2 UNION ALL SELECT k + 1 FROM n WHERE k < {batches})"
        db.execute(
            f"{counted} INSERT INTO batches (id, {', '.join(names)}) "
            f"SELECT k, {', '.join(names)} FROM n, batches WHERE id = 1"
        )
        db.execute(
            f"{counted} INSERT INTO pecks (batch, {columns}) "
            f"SELECT k, {columns} FROM n, pecks WHERE batch = 1"
        )
    archive = Archive(directory)
    Finder(archive).findings(archive.batch(1) or archive.batches()[-1])
    with closing(sqlite3.connect(directory / "tuning.db")) as db, db:
        db.execute(f"{counted} INSERT INTO findings SELECT k, key, content FROM n, findings WHERE batch = 1")
    return batches


def took(what: Callable[[], object]) -> str:
    """Wall and processor seconds of the faster of two calls: the first one reads the disk."""

    def once() -> tuple[float, float]:
        began = time.perf_counter(), time.process_time()
        what()
        return time.perf_counter() - began[0], time.process_time() - began[1]

    wall, processor = min(once(), once())
    return f"{wall:.3f} s | {processor:.3f} s"


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as place:
        directory = Path(place)
        batches = fill(directory)
        archive = Archive(directory)
        print(f"| {batches} batches, {PECKS:,} pecks | wall | processor | aim |\n|---|---|---|---|")
        over_all = {
            "every batch in a list": archive.batches,
            "`pecks` over all of them": lambda: advise(gather([archive], None)[0], 0.05, None, 0.5),
        }
        over_one = {
            "one batch with its pecks and events": lambda: (
                archive.batch(batches // 2), archive.pecks(batches // 2), archive.events(batches // 2)
            ),
            "what is known of one batch, kept": lambda: Finder(archive, only=batches // 2).findings(
                archive.batch(batches // 2) or archive.batches()[0]
            ),
        }  # fmt: skip
        client = TestClient(create_app(None, None, archive=archive), base_url="http://127.0.0.1:8765")

        def asks(path: str) -> Callable[[], object]:
            return lambda: client.get(f"/api/{path}").raise_for_status()

        over_all["the page's list of batches"] = asks("batches")
        middle = f"batches/{batches // 2}"
        over_one |= {
            f"the page: {path}": asks(path) for path in (middle, f"{middle}/wear", "batches/1/curve")
        }
        for what, work in over_all.items():
            print(f"| {what} | {took(work)} | under 2 s |", flush=True)
        for what, work in over_one.items():
            print(f"| {what} | {took(work)} | under 0.2 s |", flush=True)
        with tempfile.TemporaryDirectory() as new:
            write_batch(Path(new), draw_batch(5000, 12), datetime(2026, 1, 5, 7, tzinfo=UTC))
            first = Archive(Path(new))
            began = time.perf_counter(), time.process_time()
            Finder(first).findings(first.batches()[0])
            wall, processor = time.perf_counter() - began[0], time.process_time() - began[1]
        print(f"| one new batch, fitted for the first time | {wall:.3f} s | {processor:.3f} s | |")


if __name__ == "__main__":
    main()
