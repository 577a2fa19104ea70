"""Room for evidence: the oldest goes first, the running batch never, and no hold that nobody has judged."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from monitor.errors import NoEvidence
from monitor.evidence import space
from monitor.evidence.archive import Archive
from monitor.evidence.recorder import Evidence
from monitor.evidence.space import AFTER_HOLD_S, BEFORE_HOLD_S, make_room
from monitor.evidence.store import BatchInfo, Store
from monitor.measurements import Event, Heard, Severity
from tests.evidence.test_store import asked
from tests.scripted import event, peck, row

FS = 8_000
INFO = BatchInfo(datetime(2026, 11, 25, 10, tzinfo=UTC), "given", "scripted", FS, "[job]", "", "0")
PLENTY = 10**12
LENGTH_S = 300
RNG = np.random.default_rng(1)


class Usage(NamedTuple):
    total: int
    used: int
    free: int


@pytest.fixture(autouse=True)
def roomy(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda path: Usage(PLENTY, 0, PLENTY))


def write(evidence: Evidence, events: Sequence[Event], begin: int = 0, end: int = LENGTH_S) -> None:
    """Five minutes of curves and noise, a second at a time."""
    for second in range(begin, end):
        heard = Heard(
            trace=[row(second + 0.05 * i) for i in range(1, 21)],
            events=[e for e in events if second < e.t <= second + 1],
            pecks=[peck(second + 0.9)] if second % 60 == 50 else [],
        )
        evidence.record(RNG.standard_normal(FS).astype(np.float32) * 0.1, heard)


@pytest.fixture
def directory(tmp_path: Path) -> Path:
    """Three finished batches, each with a warning and a hold with its clips, and a fourth that runs."""
    for _ in range(3):
        with Evidence(tmp_path, INFO) as evidence:
            write(evidence, [event(50.5, severity=Severity.WARNING), event(200.5)])
            evidence.finish()
    return tmp_path


def size(directory: Path) -> int:
    return make_room(directory, PLENTY, 0).used_bytes


def holds(directory: Path) -> list[tuple[int, str]]:
    return asked(directory / "evidence.db", "SELECT batch, clip FROM events WHERE severity = 'hold'")


def rows(directory: Path) -> dict[int, int]:
    return dict(asked(directory / "evidence.db", "SELECT batch, count(*) FROM trace GROUP BY batch"))


def judge_all(directory: Path, batch: int) -> None:
    archive = Archive(directory)
    for told in archive.events(batch):
        if told.event.severity is Severity.HOLD:
            archive.judge(told.number, "false", "Ann")


def test_under_its_limit_nothing_is_touched(directory: Path) -> None:
    before = size(directory), rows(directory), len(list(directory.rglob("*.flac")))
    room = make_room(directory, PLENTY, 0)
    assert (room.freed_bytes, room.warning, room.unjudged) == (0, "", 3)
    assert (size(directory), rows(directory), len(list(directory.rglob("*.flac")))) == before


def test_the_oldest_goes_first_and_only_as_much_as_is_needed(directory: Path) -> None:
    for batch in (1, 2, 3):
        judge_all(directory, batch)
    used = size(directory)
    room = make_room(directory, round(used * 0.8), 0)
    assert room.used_bytes <= used * 0.8
    assert room.warning == ""
    assert room.freed_bytes == used - room.used_bytes
    left = rows(directory)
    assert left.get(1, 0) < left[2] or not Archive(directory).clips(1)
    assert left[3] == 20 * LENGTH_S
    assert len(Archive(directory).clips(3)) == 2
    # What is small stays: from it pecks and thresholds are tuned.
    assert asked(directory / "evidence.db", "SELECT count(*) FROM events") == [(6,)]
    assert asked(directory / "evidence.db", "SELECT count(*) FROM pecks") == [(15,)]


def test_a_hold_that_nobody_has_judged_keeps_its_clip_and_the_curves_around_it(directory: Path) -> None:
    judge_all(directory, 2)
    room = make_room(directory, 1, 0)  # far too little: everything that may go goes
    assert [(directory / clip).exists() for _, clip in holds(directory)] == [True, False, True]
    left = rows(directory)
    assert (left[1], left.get(2), left[3]) == (pytest.approx(1800, abs=2), None, pytest.approx(1800, abs=2))
    kept = Archive(directory).trace(1)
    assert kept[0].t == pytest.approx(200.5 - BEFORE_HOLD_S, abs=0.1)
    assert kept[-1].t == pytest.approx(200.5 + AFTER_HOLD_S, abs=0.1)
    assert (directory / "earlier" / "0001" / "events.jsonl").exists()
    assert not (directory / "earlier" / "0001" / "trace.csv").exists()
    assert not (directory / "earlier" / "0002").exists()
    assert room.unjudged == 2
    assert "2 holds that nobody has judged stay: judge them on the page" in room.warning
    assert "Space runs low" in room.warning


def test_the_running_batch_is_not_touched_while_it_is_written(directory: Path) -> None:
    with Evidence(directory, INFO) as evidence:
        write(evidence, [event(60.5, severity=Severity.WARNING)], end=200)
        make_room(directory, 1, evidence.batch)
        assert len(Archive(directory).clips(evidence.batch)) == 1
        write(evidence, [], begin=200)  # and the writer goes on
        evidence.finish()
    assert rows(directory)[4] == 20 * LENGTH_S
    assert (directory / "trace.csv").exists()


def test_a_nearly_full_disk_is_warned_of_however_small_the_evidence(
    directory: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda path: Usage(PLENTY, PLENTY, 50_000_000))
    room = make_room(directory, PLENTY, 0)
    assert room.freed_bytes > 0
    assert "the disk has 50 MB left" in room.warning
    assert "the monitor stops, held" in room.warning


def test_what_is_freed_in_the_store_is_used_again(directory: Path) -> None:
    for batch in (1, 2, 3):
        judge_all(directory, batch)
    make_room(directory, 1, 0)
    before = (directory / "evidence.db").stat().st_size
    with Evidence(directory, INFO) as evidence:
        write(evidence, [])
        evidence.finish()
    assert (directory / "evidence.db").stat().st_size <= before + 100_000


def test_a_missing_store_is_an_error_of_the_caller(tmp_path: Path) -> None:
    with pytest.raises(sqlite3.Error):
        make_room(tmp_path, 1, 0)
    assert space.LEAST_FREE_BYTES > 0


@pytest.mark.parametrize("far", ["1e300", "1e12", "-1e300", "9e999", "'x'"])
def test_a_damaged_store_is_tidied_in_the_time_of_a_sound_one(directory: Path, far: str) -> None:
    path = directory / "evidence.db"
    asked(path, f"UPDATE trace SET t = {far} WHERE batch = 1 AND t > 299.99")
    asked(path, f"UPDATE events SET t = {far} WHERE id = 1")
    make_room(directory, 1, 0)
    assert rows(directory).get(1, 0) <= 20 * (BEFORE_HOLD_S + AFTER_HOLD_S) + 2


def test_a_schema_damaged_beyond_text_is_a_damaged_store(directory: Path) -> None:
    path = directory / "evidence.db"
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    path.write_bytes(path.read_bytes().replace(b"PRIMARY KEY (batch, t)", b"PRIMARY \xffEY (batch, t)", 1))
    with pytest.raises(sqlite3.Error):
        make_room(directory, 1, 0)
    with pytest.raises(NoEvidence, match="holds what spindlebell did not write"):
        Archive(directory).batches()
    with pytest.raises(NoEvidence, match="is no evidence store"):
        Store(path)
