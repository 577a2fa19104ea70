"""The SQLite store: what is committed when, several batches, and files that are not ours."""

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from monitor.errors import EvidenceError
from monitor.evidence.archive import Archive
from monitor.evidence.recorder import Evidence
from monitor.evidence.store import ROWS_PER_COMMIT, SCHEMA_VERSION, BatchInfo, Store
from monitor.measurements import Severity, TraceRow
from tests.scripted import NAN, event, peck, row

INFO = BatchInfo(
    started=datetime(2026, 11, 25, 10, tzinfo=UTC),
    started_from="given",
    source="rec.wav, channel 1",
    fs=48_000,
    job="[job]",
    baseline="two speeds",
    version="0",
)


def asked(path, query):
    with sqlite3.connect(path) as db:
        answer = db.execute(query).fetchall()
    db.close()
    return answer


@pytest.fixture
def store(tmp_path):
    store = Store(tmp_path / "evidence.db")
    store.begin(1, INFO)
    yield store
    store.close()


def test_wal_foreign_keys_and_version(tmp_path, store):
    path = tmp_path / "evidence.db"
    assert asked(path, "PRAGMA journal_mode") == [("wal",)]
    assert asked(path, "PRAGMA user_version") == [(SCHEMA_VERSION,)]
    store.batch = 7  # no such batch
    with pytest.raises(sqlite3.IntegrityError):
        store.add_act(1.0, "reset", "Ann")


def test_trace_waits_for_company_and_an_event_takes_it_along(tmp_path, store):
    path = tmp_path / "evidence.db"
    assert not store.add([row(0.05)], [], [])
    assert asked(path, "SELECT count(*) FROM trace") == [(0,)]
    assert store.add([row(0.10)], [(event(0.10), "clips/a.flac")], [])
    assert asked(path, "SELECT t FROM trace ORDER BY t") == [(0.05,), (0.10,)]
    assert store.add([row(1 + i / 20) for i in range(ROWS_PER_COMMIT)], [], [])
    assert asked(path, "SELECT count(*) FROM trace") == [(2 + ROWS_PER_COMMIT,)]


def test_a_hold_is_forced_to_the_disk_and_what_else_is_written_while_it_hears_is_not(store):
    forced = []
    for severity in Severity:
        store.add([], [(event(1.0, severity=severity), "")], [])
        forced.append(store._db.execute("PRAGMA synchronous").fetchone()[0])
    assert forced == [1, 1, 2]  # NORMAL, NORMAL, FULL
    store.add([], [], [peck(2.0)])
    assert store._db.execute("PRAGMA synchronous").fetchone() == (1,)
    store.add([], [(event(2.5), "")], [])
    store.add_act(3.0, "reset", "Ann")
    assert store._db.execute("PRAGMA synchronous").fetchone() == (1,)


def test_what_is_not_known_is_null(tmp_path, store):
    unknown = TraceRow(0.05, NAN, 0.0, NAN, float("-inf"), 1.0, NAN, NAN, False)
    store.add([unknown], [(event(0.05), "")], [peck(0.05)])
    path = tmp_path / "evidence.db"
    columns = "speed_rpm, speed_confidence, level_db, cutting"
    assert asked(path, f"SELECT {columns} FROM trace") == [(None, 0.0, None, 0)]
    assert asked(path, "SELECT climb_depth_mm, flute_fill FROM pecks") == [(None, 0.42)]
    said = asked(path, 'SELECT at, kind, severity, value, "limit", onset_t FROM events')
    assert said == [("2026-11-25T10:00:00.050Z", "sag", "hold", 8.7, 8.0, pytest.approx(-0.15))]


def test_batches_follow_each_other_and_a_killed_one_is_marked(tmp_path, store):
    path = tmp_path / "evidence.db"
    store.add([], [(event(1.0), "")], [])
    store.close()
    again = Store(path)
    assert again.newest_batch() == 1
    again.begin(2, INFO)
    again.add([row(0.05)], [], [])
    again.finish("finished", 12.5, "a note")
    again.close()
    said = asked(path, "SELECT id, state, duration_s, note FROM batches ORDER BY id")
    assert said == [(1, "stopped", None, ""), (2, "finished", 12.5, "a note")]
    assert asked(path, "SELECT batch, count(*) FROM trace GROUP BY batch") == [(2, 1)]
    assert asked(path, "SELECT batch, count(*) FROM events GROUP BY batch") == [(1, 1)]


def test_a_verdict_belongs_to_an_event_and_is_one_of_three(tmp_path, store):
    store.add([], [(event(1.0), "")], [])
    insert = "INSERT INTO verdicts (event, at, by, verdict) VALUES (1, '2026-11-25T11:00:00Z', 'Ann', ?)"
    db = sqlite3.connect(tmp_path / "evidence.db")
    db.execute(insert, ("false",))
    with pytest.raises(sqlite3.IntegrityError):
        db.execute(insert, ("perhaps",))
    db.close()


def test_a_store_of_the_first_version_keeps_its_verdicts_in_the_words_of_now(tmp_path, store):
    store.add([], [(event(1.0), "")], [])
    store.close()
    path = tmp_path / "evidence.db"
    db = sqlite3.connect(path)
    db.executescript("""
        DROP TABLE verdicts;
        CREATE TABLE verdicts (
            id INTEGER PRIMARY KEY, event INTEGER NOT NULL REFERENCES events(id), at TEXT NOT NULL,
            by TEXT NOT NULL, verdict TEXT NOT NULL CHECK (verdict IN ('right', 'wrong', 'unclear')),
            note TEXT NOT NULL DEFAULT '');
        INSERT INTO verdicts VALUES (1, 1, 'then', 'Ann', 'wrong', 'a door');
        INSERT INTO verdicts VALUES (5, 1, 'then', '', 'unclear', '');
        ALTER TABLE batches DROP COLUMN orders;
        ALTER TABLE batches DROP COLUMN continues;
        PRAGMA user_version = 1;
    """)
    db.close()
    assert Archive(tmp_path).events(1)[0].verdict.verdict == "unsure"  # reading changes nothing
    assert Archive(tmp_path).orders(1) == []
    assert asked(path, "PRAGMA user_version") == [(1,)]
    Store(path).close()
    said = asked(path, "SELECT id, event, by, verdict, note FROM verdicts ORDER BY id")
    assert said == [(1, 1, "Ann", "false", "a door"), (5, 1, "", "unsure", "")]
    assert asked(path, "PRAGMA user_version") == [(SCHEMA_VERSION,)]


def test_a_store_without_learned_orders_is_taken_over(tmp_path):
    info = replace(INFO, orders=(66.5, 7.0))
    with Evidence(tmp_path, info) as evidence:
        evidence.finish()
    assert Archive(tmp_path).orders(1) == [66.5, 7.0]
    path = tmp_path / "evidence.db"
    with closing(sqlite3.connect(path)) as db:
        db.executescript("""
            ALTER TABLE batches DROP COLUMN orders;
            ALTER TABLE batches DROP COLUMN continues;
            PRAGMA user_version = 2;
        """)
    assert Archive(tmp_path).orders(1) == []
    with Evidence(tmp_path, info) as evidence:
        evidence.finish()
    assert [Archive(tmp_path).orders(n) for n in (1, 2, 3)] == [[], [66.5, 7.0], []]


def test_a_store_whose_batches_go_on_with_none_is_taken_over(tmp_path):
    with Evidence(tmp_path, INFO) as evidence:
        evidence.finish()
    path = tmp_path / "evidence.db"
    with closing(sqlite3.connect(path)) as db:
        db.executescript("ALTER TABLE batches DROP COLUMN continues; PRAGMA user_version = 3;")
    assert Archive(tmp_path).batch(1).continues == 0
    with Evidence(tmp_path, replace(INFO, continues=1)) as evidence:
        evidence.finish()
    assert [batch.continues for batch in Archive(tmp_path).batches()] == [1, 0]


def test_a_file_that_is_no_store_is_left_alone(tmp_path):
    path = tmp_path / "evidence.db"
    path.write_bytes(b"shopping list\n" * 500)
    with pytest.raises(EvidenceError, match="no evidence store"):
        Store(path)
    assert path.read_bytes() == b"shopping list\n" * 500


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("CREATE TABLE recipes (id)", "another program"),
        ("PRAGMA user_version = -1", "another program"),
        (f"PRAGMA user_version = {SCHEMA_VERSION + 1}", "newer"),
    ],
)
def test_a_database_of_another_kind_is_left_alone(tmp_path, statement, said):
    path = tmp_path / "evidence.db"
    asked(path, statement)
    before = path.read_bytes()
    with pytest.raises(EvidenceError, match=said):
        Store(path)
    assert path.read_bytes() == before
