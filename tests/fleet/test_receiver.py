"""What the receiver lets through, whatever a network does to the order and number of messages."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboard.fleet.openmetrics import openmetrics
from dashboard.fleet.outbox import FIRST, NEVER, Kept, Outbox, Waiting
from dashboard.fleet.publisher import envelope
from dashboard.fleet.receiver import ASK_AFTER_S, Receiver, ShopLog
from dashboard.fleet.shop import MAX_SPINDLES, ShopState
from dashboard.fleet.words import MAX_MESSAGE_BYTES, Again, Record, RecordKind, State, read, write
from dashboard.live import Cursor
from tests.fleet.states import state

TOPIC = "spindlebell/lathe-1/records"
RECORD = {"stream": "ab", "seq": 1, "first": 1, "oldest": 1, "at": 1.0, "kind": "event", "body": {}}


class Desk:
    """A receiver with a clock of its own, and what it asked for."""

    def __init__(self, log: ShopLog | None = None) -> None:
        self.now = 100.0
        self.asked: list[Again] = []
        self.through: list[int] = []
        self.shop = ShopState(monotonic=lambda: self.now)
        self.receiver = Receiver(self.shop, log, lambda _, again: self.asked.append(again), lambda: self.now)
        self.receiver.on_record.append(lambda _, record: self.through.append(record.seq))

    def take(self, seq: int, first: int = 0, oldest: int = 1, stream: str = "ab", **body: Any) -> None:
        said = {"stream": stream, "seq": seq, "first": first or seq, "oldest": oldest, "at": 1.0}
        self.receiver.take(TOPIC, write(said | {"kind": "event", "body": body}), False)


def test_each_once_and_in_order() -> None:
    desk = Desk()
    for seq in (1, 2, 2, 1, 3, 3):
        desk.take(seq)
    assert desk.through == [1, 2, 3]
    assert desk.receiver.counts == {"received": 3, "duplicates": 3}


def test_one_that_is_missing_is_asked_for_and_what_follows_waits_for_it() -> None:
    desk = Desk()
    desk.take(1)
    desk.now += ASK_AFTER_S
    desk.take(4)
    desk.take(5)
    assert desk.asked == [Again(stream="ab", seq=2)]  # once, not for each that follows
    for seq in (2, 3, 4, 5):
        desk.take(seq)
    assert desk.through == [1, 2, 3, 4, 5]
    assert desk.receiver.counts["missing"] == 0


def test_what_the_outbox_no_longer_has_is_counted_and_passed_over() -> None:
    desk = Desk()
    desk.take(1)
    desk.take(8, oldest=8)
    desk.take(9, oldest=8)
    assert desk.through == [1, 8, 9]
    assert desk.receiver.counts["missing"] == 6
    assert desk.shop.spindles()[0].missing == 6


def test_a_state_that_is_ahead_of_the_records_asks_for_them() -> None:
    desk = Desk()
    desk.take(1)
    desk.now += ASK_AFTER_S
    ahead = state("ALL WELL", seq=3)
    desk.receiver.take("spindlebell/lathe-1/state", write(ahead), True)
    assert desk.asked == []  # what is retained tells of the past
    desk.receiver.take("spindlebell/lathe-1/state", write(ahead), False)
    assert desk.asked == [Again(stream="ab", seq=2)]


def test_another_stream_begins_anew() -> None:
    desk = Desk()
    desk.take(7)
    desk.take(1, stream="cd")
    desk.take(2, stream="cd")
    assert desk.through == [7, 1, 2]
    assert desk.receiver.counts["missing"] == 0


def test_what_was_received_is_known_after_a_restart(tmp_path: Path) -> None:
    log = ShopLog(tmp_path / "shop.db", 10**9)
    desk = Desk(log)
    desk.take(1, severity="hold", message="The drill binds.")
    desk.take(2)
    log.close()
    again = ShopLog(tmp_path / "shop.db", 10**9)
    later = Desk(again)
    later.take(2)
    later.take(3)
    assert later.through == [3]
    assert later.receiver.counts["duplicates"] == 1
    recalled = [record.body.get("message") for _, record in again.newest(10)]
    assert recalled == ["The drill binds.", None, None]
    again.close()


def test_the_log_keeps_to_its_bound_and_forgets_the_oldest(tmp_path: Path) -> None:
    log = ShopLog(tmp_path / "shop.db", 200_000)
    desk = Desk(log)
    for seq in range(1, 1001):
        desk.take(seq, message="x" * 500)
    log.write()
    log.prune()
    kept = [record.seq for _, record in log.newest(2000)]
    assert 0 < len(kept) < 600
    assert kept[-1] == 1000
    log.close()


def test_a_log_that_fails_is_told_once_and_the_page_goes_on(tmp_path: Path) -> None:
    log, said = ShopLog(tmp_path / "shop.db", 10**9), []
    desk = Desk()
    receiver = Receiver(desk.shop, log, lambda name, again: None, tell=said.append)
    receiver.take(TOPIC, write(RECORD), False)
    receiver.write()
    log._db.execute("DROP TABLE records")  # as a damaged file would
    for seq in (2, 3):
        receiver.take(TOPIC, write(RECORD | {"seq": seq, "first": seq}), False)
        receiver.write()
    assert receiver.counts["received"] == 3
    assert len(said) == 1
    assert "no longer kept" in said[0]
    log.close()


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_over_any_bad_network_the_same_comes_through_as_was_told(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Messages lost, doubled and delayed in any way; as long as what is asked for is sent again, all arrive,
    once and in order."""
    outbox = Outbox(tmp_path_factory.mktemp("outbox") / "a.db", 10**8)
    n = data.draw(st.integers(1, 30))
    outbox.put(
        Waiting(
            float(i), RecordKind.ALARM if i % 3 else RecordKind.CURVES, FIRST if i % 3 == 0 else NEVER, "{}"
        )
        for i in range(n)
    )
    desk = Desk()
    first = outbox.after(0, 1)
    desk.receiver.take(TOPIC, envelope(outbox.stream, outbox.oldest, first[0]), False)
    sending = [envelope(outbox.stream, outbox.oldest, kept) for kept in outbox.after(0, 100)]
    arriving = data.draw(st.lists(st.sampled_from(sending), max_size=60))
    for _ in range(n + 2):
        for message in arriving:
            desk.now += 0.5
            desk.receiver.take(TOPIC, message, False)
        desk.now += ASK_AFTER_S
        desk.receiver.take(
            "spindlebell/lathe-1/state", write(state("ALL WELL", seq=n, stream=outbox.stream)), False
        )
        if not desk.asked:
            break
        back = desk.asked.pop()
        arriving = [envelope(outbox.stream, outbox.oldest, kept) for kept in outbox.after(back.seq - 1, 100)]
        desk.asked.clear()
    assert desk.through == list(range(1, n + 1))
    outbox.close()


# What no monitor sends is counted and changes nothing: anyone on the broker can publish.


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"\x00",
        b"[]",
        b"null",
        b'{"stream": "ab"}',
        b"[" * 100_000,
        b"x" * (MAX_MESSAGE_BYTES + 1),
        *(
            json.dumps(RECORD | wrong).encode()
            for wrong in (
                {"first": 2},
                {"seq": "1"},
                {"stream": "../x"},
                {"at": 1e300},
                {"kind": "reset"},
                {"body": "reset"},
            )
        ),
    ],
)
@pytest.mark.parametrize("what", ["records", "state", "presence"])
def test_nonsense_is_counted_and_harmless(payload: bytes, what: str) -> None:
    desk = Desk()
    desk.receiver.take(f"spindlebell/lathe-1/{what}", payload, False)
    assert desk.through == []
    assert desk.shop.spindles() == []
    if payload or what == "records":
        assert desk.receiver.counts == {"malformed": 1}


@given(st.binary(max_size=300), st.text(max_size=60))
def test_no_message_and_no_topic_breaks_the_receiver(payload: bytes, topic: str) -> None:
    desk = Desk()
    for what in ("records", "state", "presence", ""):
        desk.receiver.take(f"spindlebell/{topic}/{what}", payload, False)
    desk.receiver.take(TOPIC, json.dumps(RECORD).encode(), False)
    assert desk.through == [1]  # and what is well formed is still taken


def test_a_bogus_body_is_shown_as_nothing(tmp_path: Path) -> None:
    desk = Desk()
    for seq, body in enumerate(
        (
            {"severity": ["hold"], "message": 1},
            {"severity": "hold"},
            {"records": "x"},
            {"a": {"b": {"c": 1}}},
        ),
        1,
    ):
        for kind in RecordKind:
            said = {"stream": "ab", "seq": seq * 10, "first": 1, "oldest": 1, "at": 1.0}
            desk.receiver.take(TOPIC, write(said | {"kind": kind, "body": body}), False)
    assert desk.receiver.counts["malformed"] == 0


def test_a_flood_of_names_is_bounded() -> None:
    desk = Desk()
    for i in range(MAX_SPINDLES + 50):
        desk.receiver.take(f"spindlebell/n{i}/state", write(state("ALL WELL")), False)
        desk.receiver.take(f"spindlebell/n{i}/records", write(RECORD), False)
    assert len(desk.shop.spindles()) == MAX_SPINDLES


def test_a_sentence_cannot_command_a_terminal_or_break_a_document() -> None:
    said = state("ALL WELL").model_dump(mode="json") | {"why": "red \x1b[31m\x00 \ufffe"}
    read_back = read(State, json.dumps(said).encode())
    assert read_back is not None
    assert read_back.why.isprintable()


def test_an_envelope_is_the_record_that_was_kept() -> None:
    kept = Kept(7, 5, 12.5, RecordKind.DROPPED, '{"records": {"curves": 3}, "text": "“Späne”"}')
    record = read(Record, envelope("ab", 3, kept))
    assert record == Record(
        stream="ab", seq=7, first=5, oldest=3, at=12.5, kind=RecordKind.DROPPED,
        body={"records": {"curves": 3}, "text": "“Späne”"},
    )  # fmt: skip


# ---- what ill will can send


def test_no_count_of_dropped_records_spoils_the_page_or_its_read_outs() -> None:
    desk = Desk()
    for seq, counts in enumerate(
        (
            *({"event": 10**4000}, {"event": -5}, {"event": True}, {"a" * 60_000: 1}),
            *({"event": {"y": [1] * 20_000}}, {"event": 2, "peck": 3}, [], None),
        ),
        start=1,
    ):
        said = RECORD | {"seq": seq, "first": seq, "kind": "dropped", "body": {"records": counts}}
        desk.receiver.take(TOPIC, json.dumps(said).encode(), False)
    (spindle,) = desk.shop.spindles()
    assert spindle.dropped == {"event": 2, "peck": 3}
    assert b"records_dropped_total" in openmetrics(desk.shop.spindles())[0]
    message, _ = desk.shop.since(Cursor())
    assert len(json.dumps(message)) < 5000


def test_a_name_ends_where_it_ends() -> None:
    desk = Desk()
    for name in ("lathe-1\n", "\n", "a" * 41, "<b>", "lathe 1", "..", "lathe-1\0"):
        desk.receiver.take(f"spindlebell/{name}/state", write(state("ALL WELL")), False)
    assert desk.shop.spindles() == []
    assert desk.receiver.counts == {"malformed": 7}


def test_a_flood_of_names_is_told_once_and_those_known_go_on() -> None:
    told: list[str] = []
    shop = ShopState()
    receiver = Receiver(shop, None, lambda *_: None, tell=told.append)
    for i in range(2 * MAX_SPINDLES):
        receiver.take(f"spindlebell/flood-{i}/state", write(state("ALL WELL")), True)
    assert len(shop.spindles()) == MAX_SPINDLES
    assert receiver.counts["crowded"] == MAX_SPINDLES
    assert len(told) == 1
    receiver.take("spindlebell/flood-7/state", write(state("HELD")), False)
    assert next(s for s in shop.spindles() if s.name == "flood-7").state == state("HELD")


def test_a_flood_of_records_stays_within_the_limit_of_the_log(tmp_path: Path) -> None:
    log = ShopLog(tmp_path / "shop.db", 2_000_000)
    desk = Desk(log)
    most = 0
    for seq in range(1, 401):
        desk.take(seq, message="a" * 50_000)
        desk.receiver.write()
        most = max(most, log._bytes())
    log.close()
    assert desk.through == list(range(1, 401))
    assert most < 2.5e6  # of 20 MB
