"""What the work under way tells the shop: the same whatever the blocks, nothing forgotten, and no waiting."""

from __future__ import annotations

import json
import sqlite3
import threading
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dashboard.fleet import own
from dashboard.fleet.outbox import FIRST, NEVER, NEXT, Outbox, Waiting
from dashboard.fleet.own import telling
from dashboard.fleet.publisher import Publisher, check_broker
from dashboard.fleet.telling import MAX_PENDING_CURVES, Teller
from dashboard.fleet.words import RecordKind, State, read, write
from monitor.alarm import AlarmBoard
from monitor.errors import InputError
from monitor.evidence.recorder import Evidence
from monitor.evidence.store import BatchInfo
from monitor.measurements import Heard, Kind, Severity
from monitor.session import Session
from monitor.station import BrokerChoice
from tests.dashboard.shop import Shop, heard, hold, info, warning
from tests.fleet.monitors import BATCH, wait_for
from tests.scripted import CountingLine, ScriptedListener, event, peck

STARTED = datetime(2026, 11, 25, 10, tzinfo=UTC)


def teller() -> Teller:
    shop = Shop()
    return Teller(shop.job, shop.live, STARTED, BATCH)


def bodies(records: list[Waiting], kind: RecordKind) -> list[dict[str, Any]]:
    return [json.loads(record.body) for record in records if record.kind is kind]


@pytest.mark.parametrize("block_s", [0.05, 0.35, 5.0, 30.0])
def test_curves_are_the_same_whatever_the_blocks(block_s: float) -> None:
    def told(step: float) -> list[str]:
        one, job = teller(), Shop().job
        rows = heard(job, 0.0, 30.0).trace
        n = round(step / 0.05)
        for i in range(0, len(rows), n):
            one.heard(Heard(trace=rows[i : i + n]), AlarmBoard())
        return [record.body for record in one.taken() if record.kind is RecordKind.CURVES]

    assert told(block_s) == told(0.05)
    assert len(told(block_s)) == 5  # of five seconds; the sixth is not full yet


def test_a_point_tells_the_worst_sag_and_the_mean_speed() -> None:
    one, job = teller(), Shop().job
    rows = heard(job, 0.0, 6.0).trace
    one.heard(Heard(trace=rows), AlarmBoard())
    (body,) = bodies(one.taken(), RecordKind.CURVES)
    first = [row for row in rows if row.t < 0.5]
    t, rpm, sag, *_ = body["points"][0]
    assert t == pytest.approx(first[-1].t)
    assert rpm == pytest.approx(sum(row.speed_rpm for row in first) / len(first), abs=0.01)
    assert sag == pytest.approx(max(row.sag_pct for row in first), abs=0.01)


def test_each_change_of_an_alarm_and_of_the_hold_is_a_record() -> None:
    one, board = teller(), AlarmBoard()
    one.taken()

    def step(new: AlarmBoard) -> list[tuple[str, str]]:
        one.heard(Heard(), new)
        return [(body["kind"], body["state"]) for body in bodies(one.taken(), RecordKind.ALARM)]

    board = board.raised(warning(1.0))
    assert step(board) == [("sag", "unacknowledged")]
    assert step(board) == []
    board = board.raised(hold(2.0))
    assert step(board) == [("sag", "unacknowledged"), ("hold", "held")]
    board = board.acknowledged(3.0)
    assert step(board) == [("sag", "acknowledged")]
    board = board.settled([], 4.0)
    assert step(board) == [("sag", "normal")]
    board = board.reset("Ada", 5.0)
    one.heard(Heard(), board)
    (reset,) = bodies(one.taken(), RecordKind.ALARM)
    assert (reset["kind"], reset["state"], reset["message"]) == ("hold", "reset", "Ada")


def test_only_curves_and_what_is_information_may_be_dropped() -> None:
    one = teller()
    given = Heard(
        trace=heard(Shop().job, 0.0, 6.0).trace,
        events=[info(1.0, Kind.PECK_START, "Peck 1.", 1, 1), warning(2.0), hold(3.0)],
        pecks=[peck(4.0)],
    )
    one.heard(given, AlarmBoard().raised(hold(3.0)))
    ranks = [(record.kind, record.rank) for record in one.taken()]
    assert Counter(ranks) == {
        (RecordKind.BATCH, NEVER): 1,
        (RecordKind.CURVES, FIRST): 1,
        (RecordKind.EVENT, NEXT): 1,
        (RecordKind.EVENT, NEVER): 2,
        (RecordKind.PECK, NEXT): 1,
        (RecordKind.ALARM, NEVER): 2,
    }


def test_what_is_told_of_a_batch_at_its_end() -> None:
    one = teller()
    one.heard(
        Heard(events=[info(9.0, Kind.BLANK_END, "Done.", 1), warning(2.0)], pecks=[peck(4.0)]), AlarmBoard()
    )
    one.finish(10.0, AlarmBoard(), "stopped by a person")
    ended = bodies(one.taken(), RecordKind.BATCH)[-1]
    assert (ended["state"], ended["note"], ended["job"]) == ("ended", "stopped by a person", "cord pulls")
    assert (ended["blanks"], ended["pecks"], ended["warnings"], ended["holds"]) == (1, 1, 1, 0)


def test_times_are_those_of_the_batch() -> None:
    one = teller()
    one.heard(Heard(events=[warning(12.5)]), AlarmBoard())
    assert [record.at for record in one.taken()][-1] == STARTED.timestamp() + 12.5


def test_a_disk_that_hangs_costs_curves_and_no_alarm() -> None:
    one, job = teller(), Shop().job
    for i in range(MAX_PENDING_CURVES + 40):
        one.heard(
            Heard(trace=heard(job, 5.0 * i, 5.0 * i + 5).trace, events=[warning(5.0 * i)]), AlarmBoard()
        )
    told = Counter(record.kind for record in one.taken())
    assert told[RecordKind.CURVES] == MAX_PENDING_CURVES
    assert told[RecordKind.EVENT] == MAX_PENDING_CURVES + 40
    assert one.lost_curves >= 39


def test_what_could_not_be_kept_comes_before_what_has_come_since() -> None:
    one = teller()
    one.heard(Heard(events=[warning(1.0)]), AlarmBoard())
    given = one.taken()
    one.heard(Heard(events=[warning(2.0)]), AlarmBoard())
    one.give_back(given)
    assert [body.get("t") for body in bodies(one.taken(), RecordKind.EVENT)] == [1.0, 2.0]


def test_the_state_is_what_the_page_shows_and_survives_the_way() -> None:
    shop = Shop()
    one = Teller(shop.job, shop.live, STARTED, BATCH, "http://192.168.1.7:8765/")
    assert one.state("ab", 1).word == "NO DATA"
    shop.work(4.0)
    well = one.state("ab", 1)
    assert (well.word, well.held, well.sag_hold_pct) == ("ALL WELL", False, 8.0)
    assert well.speed_rpm is not None
    shop.work(1.0, hold(5.0))
    held = one.state("ab", 2)
    assert (held.word, held.held, held.unacknowledged) == ("HELD", True, 1)
    assert [(a.kind, a.severity) for a in held.alarms] == [("sag", "hold")]
    assert read(State, write(held)) == held


def test_numbers_that_are_old_are_not_told() -> None:
    now = 1000.0
    shop = Shop(clock=lambda: now)
    one = Teller(shop.job, shop.live, STARTED, BATCH)
    shop.work(4.0)
    assert one.state("ab", 1).speed_rpm is not None
    now += 5.0
    silent = one.state("ab", 1)
    assert (silent.word, silent.speed_rpm, silent.sag_pct, silent.cutting) == ("NO DATA", None, None, False)


def test_without_a_broker_no_record_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(own, "STATE_EVERY_S", 0.02)
    one = teller()
    with telling(one, None, print) as spindles:
        for t in range(100):
            one.heard(Heard(events=[warning(float(t))]), AlarmBoard())
        assert wait_for(lambda: not one._pending)
        assert [spindle.name for spindle in spindles.spindles()] == ["spindle"]


# The analysis never waits, and the broker's trouble is the broker's.


class Stuck:
    """An outbox on a disk that hangs, or that is full."""

    stream, sent, newest, oldest, waiting, on_the_way = "ab", 0, 0, 1, 0, 0

    def __init__(self, put: Callable[[], int]) -> None:
        self._put = put

    def put(self, records: list[Waiting]) -> int:
        return self._put()

    def after(self, seq: int, most: int) -> list[Any]:
        return []

    def mark_sent(self, seq: int) -> None:
        pass

    def close(self) -> None:
        pass


NOWHERE = BrokerChoice("127.0.0.1", 1, "lathe-1")


def test_a_disk_that_hangs_makes_no_block_late_and_no_hold(tmp_path: Path) -> None:
    let_go, hangs = threading.Event(), threading.Event()

    def hang() -> int:
        hangs.set()
        let_go.wait(20)
        return 0

    fs, n_blocks = 8000, 40
    blank = BatchInfo(STARTED, "given", "scripted", fs, "", "", "0")
    shop = Shop()
    one = Teller(shop.job, shop.live, STARTED, BATCH)
    publisher = Publisher(NOWHERE, one, Stuck(hang), lambda text: None)  # type: ignore[arg-type]
    publisher.start()
    assert hangs.wait(20)  # with the record that the batch begins
    line = CountingLine()
    with Evidence(tmp_path, blank) as evidence:
        session = Session(
            ScriptedListener(fs, events=[event(1.0, Kind.SAG, Severity.WARNING)]), evidence, line
        )
        session.on_heard.append(lambda given: one.heard(given, session.board))
        for _ in range(n_blocks):
            session.feed(np.zeros(fs // 20, np.float32))
        assert session.t == pytest.approx(2.0)
        session.finish()
    assert line.acts == []
    assert one._pending  # all of it waits in memory
    let_go.set()
    publisher.close()


def test_a_full_disk_is_told_once_and_what_waits_is_kept(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "a.db", 10**7)
    full, said = threading.Event(), []
    full.set()

    def put() -> int:
        if full.is_set():
            raise sqlite3.OperationalError("database or disk is full")
        return outbox.put(given[-1])

    given: list[list[Waiting]] = []

    class Filling(Stuck):
        def put(self, records: list[Waiting]) -> int:
            given.append(records)
            return self._put()

    one = teller()
    publisher = Publisher(NOWHERE, one, Filling(put), said.append)  # type: ignore[arg-type]
    publisher.start()
    one.heard(Heard(events=[warning(1.0)]), AlarmBoard())
    assert wait_for(lambda: len(given) > 2)
    one.heard(Heard(events=[warning(2.0)]), AlarmBoard())
    full.clear()
    assert wait_for(lambda: outbox.newest == 3)
    publisher.close()
    told = [json.loads(kept.body).get("t") for kept in outbox.after(0)]
    assert told == [None, 1.0, 2.0]
    assert sum("cannot be kept on disk" in text for text in said) == 1
    outbox.close()


def test_a_monitor_without_a_name_is_refused_before_anything_begins() -> None:
    with pytest.raises(InputError, match=r"broker\.name: is missing"):
        check_broker(BrokerChoice("127.0.0.1", 1883))
    with pytest.raises(InputError, match="password"):
        check_broker(BrokerChoice("127.0.0.1", 1883, "a", user="me", password_file="/no/such/file"))
    check_broker(NOWHERE)
