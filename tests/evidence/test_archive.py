"""Reading evidence back: what went in comes out, verdicts are kept, and nothing else is reached."""

import math
import sqlite3
from contextlib import closing
from datetime import UTC, datetime

import numpy as np
import pytest

from monitor.errors import NoEvidence
from monitor.evidence.archive import MAX_NOTE, Archive
from monitor.evidence.recorder import Evidence
from monitor.evidence.store import BatchInfo
from monitor.measurements import Heard, Kind, Severity
from tests.evidence.test_store import asked
from tests.scripted import event, peck, row

FS = 8000
INFO = BatchInfo(datetime(2026, 11, 25, 10, tzinfo=UTC), "given", "scripted", FS, "[job]", "", "0")


@pytest.fixture
def archive(tmp_path):
    """Two batches: one that was finished, with a hold, and one that still runs."""
    with Evidence(tmp_path, INFO) as evidence:
        heard = Heard(
            trace=[row(0.05 * i) for i in range(1, 41)],
            events=[
                event(0.5, Kind.BLANK_START, Severity.INFO),
                event(1.0),
                event(1.5, Kind.BLANK_END, Severity.INFO),
            ],
            pecks=[peck(1.9)],
        )
        evidence.record(np.zeros(2 * FS, np.float32), heard)
        evidence.act(1.2, "reset", "Ann")
        evidence.finish("a note")
    with Evidence(tmp_path, INFO):
        yield Archive(tmp_path)


def test_batches_newest_first_with_their_counts(archive):
    running, finished = archive.batches()
    assert (running.number, running.state, running.holds) == (2, "running", 0)
    assert math.isnan(running.duration_s)
    assert (finished.number, finished.state, finished.duration_s, finished.note) == (
        1,
        "finished",
        2.0,
        "a note",
    )
    assert (finished.blanks, finished.pecks, finished.holds, finished.warnings) == (1, 1, 1, 0)
    assert finished.started == INFO.started
    assert archive.batch(1) == finished
    assert archive.batch(3) is None


def test_what_went_in_comes_out(archive):
    assert [told.event.kind for told in archive.events(1)] == [Kind.BLANK_START, Kind.SAG, Kind.BLANK_END]
    told = archive.event(archive.events(1)[1].number)
    assert told.event == event(1.0)
    assert (told.batch, told.at, told.verdict) == (1, "2026-11-25T10:00:01.000Z", None)
    (read,) = archive.pecks(1)
    assert read.end_s == 1.9
    assert math.isnan(read.climb_depth_mm)
    assert archive.trace(1) == [row(0.05 * i) for i in range(1, 41)]
    assert [r.t for r in archive.trace(1, 0.99, 1.11)] == pytest.approx([1.0, 1.05, 1.1])
    assert [(act.t, act.act, act.by) for act in archive.acts(1)] == [(1.2, "reset", "Ann")]
    assert archive.events(2) == archive.pecks(2) == archive.trace(2) == []


def test_a_clip_is_found_by_its_events_name(archive, tmp_path):
    (_, hold, _) = archive.events(1)
    clip = archive.clip(hold.clip)
    assert clip.path == tmp_path / hold.clip
    assert (clip.start_s, clip.end_s) == (0.0, 2.0)
    assert archive.clips(1) == [clip]
    clip.path.unlink()
    assert archive.clip(hold.clip) is None


@pytest.mark.parametrize(
    "name",
    ["", "evidence.db", "../secret.flac", "clips/../evidence.db", "clips/0001-1-sag.flac\0", "/etc/passwd"],
)
def test_no_other_name_reaches_a_file(archive, tmp_path, name):
    assert archive.clip(name) is None


def test_a_link_in_place_of_a_clip_is_not_followed(archive, tmp_path):
    hold = archive.events(1)[1]
    (tmp_path / hold.clip).unlink()
    (tmp_path / hold.clip).symlink_to("/etc/hostname")
    assert archive.clip(hold.clip) is None


def test_the_newest_verdict_counts_and_the_others_stay(archive, tmp_path):
    number = archive.events(1)[1].number
    archive.judge(number, "false", "Ann", "a door: '; DROP TABLE verdicts; --")
    archive.judge(number, "real", "Bert")
    verdict = archive.event(number).verdict
    assert (verdict.verdict, verdict.by, verdict.note) == ("real", "Bert", "")
    assert asked(tmp_path / "evidence.db", "SELECT verdict, note FROM verdicts ORDER BY id") == [
        ("false", "a door: '; DROP TABLE verdicts; --"),
        ("real", ""),
    ]


@pytest.mark.parametrize(
    ("verdict", "note", "number", "said"),
    [
        ("perhaps", "", 2, "real, false, unsure"),
        ("real", "x" * (MAX_NOTE + 1), 2, "at most"),
        ("real", "", 99, "no event 99"),
    ],
)
def test_a_verdict_that_cannot_be_is_refused(archive, verdict, note, number, said):
    with pytest.raises(ValueError, match=said):
        archive.judge(number, verdict, "Ann", note)


def test_a_directory_without_evidence_says_so(tmp_path):
    with pytest.raises(NoEvidence, match=r"there is no evidence\.db; give"):
        Archive(tmp_path).batches()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        ("PRAGMA user_version = 99", "newer version"),
        ("UPDATE batches SET started_at = 'yesterday'", "did not write"),
        (b"", "is empty"),
        (b"mine" * 5000, "cannot be read"),
    ],
)
def test_what_is_no_evidence_of_ours_is_told_as_a_wrong_input(archive, tmp_path, damage, said):
    store = tmp_path / "evidence.db"
    if isinstance(damage, bytes):
        store.with_name("evidence.db-wal").unlink(missing_ok=True)
        store.write_bytes(damage)
    else:
        with closing(sqlite3.connect(store)) as db, db:
            db.execute(damage)
    with pytest.raises(NoEvidence, match=said) as refusal:
        Archive(tmp_path).batches()
    assert "\n" not in str(refusal.value)


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE pecks SET start_s = 'x'",
        "UPDATE pecks SET depth_to_mm = NULL",
        "UPDATE pecks SET blank = x'00ff'",
        "UPDATE pecks SET max_sag_pct = 9e999",
        "UPDATE events SET t = 1e300",
        "UPDATE events SET message = x'00'",
        "UPDATE batches SET started_at = '2026-11-25T10:00:00'",
        "UPDATE batches SET sample_rate_hz = -1",
        "UPDATE trace SET sag_pct = 'x'",
        "UPDATE acts SET t = 'x'",
        "INSERT INTO clips VALUES ('clips/0001-1.0-sag.flac', 1, 'x', 2)",
    ],
)
def test_a_value_that_does_not_belong_is_refused_in_one_line(archive, change):
    """SQLite keeps text in a column of numbers, so what is read is checked."""
    with closing(sqlite3.connect(archive.directory / "evidence.db")) as db, db:
        db.execute(change)
    with pytest.raises(NoEvidence, match="holds what spindlebell did not write") as refusal:
        read_all(archive)
    assert "\n" not in str(refusal.value)


@pytest.mark.parametrize("page", [1, 7, 1000])
@pytest.mark.parametrize("skip", [0, 1, 39, 40, 99])
def test_curves_come_in_pages_less_the_first_rows(archive, page, skip):
    rows = [row for rows in archive.trace_pages(1, page, skip) for row in rows]
    assert rows == archive.trace(1)[skip:]


def read_all(archive):
    for batch in archive.batches():
        for read in (archive.events, archive.pecks, archive.trace, archive.acts, archive.clips):
            read(batch.number)
