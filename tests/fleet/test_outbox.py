"""The outbox: numbers that never come twice, a bound, and what goes first when it is reached."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboard.fleet.outbox import FIRST, NEVER, NEXT, Outbox, Waiting, outbox_path
from dashboard.fleet.words import RecordKind
from monitor.errors import InputError

BIG = 10**8
RANKS = {RecordKind.CURVES: FIRST, RecordKind.PECK: NEXT, RecordKind.ALARM: NEVER, RecordKind.BATCH: NEVER}


def record(kind: RecordKind, at: float = 0.0, size: int = 400) -> Waiting:
    return Waiting(at, kind, RANKS[kind], json.dumps({"text": "x" * size}))


def kinds(outbox: Outbox) -> list[str]:
    return [str(kept.kind) for kept in outbox.after(0, 10_000)]


def test_numbers_go_on_over_runs_and_what_waits_is_there_again(tmp_path: Path) -> None:
    first = Outbox(tmp_path / "a.db", BIG)
    first.put([record(RecordKind.ALARM), record(RecordKind.CURVES)])
    first.mark_sent(1)
    first.close()
    again = Outbox(tmp_path / "a.db", BIG)
    assert (again.stream, again.sent, again.newest, again.waiting) == (first.stream, 1, 2, 1)
    again.put([record(RecordKind.PECK)])
    assert [(k.seq, k.first) for k in again.after(0)] == [(1, 1), (2, 2), (3, 3)]
    assert [k.seq for k in again.after(again.sent)] == [2, 3]
    again.close()


def test_another_file_is_another_stream(tmp_path: Path) -> None:
    a, b = Outbox(tmp_path / "a.db", BIG), Outbox(tmp_path / "b.db", BIG)
    assert a.stream != b.stream
    a.close()
    b.close()


def test_two_monitors_of_one_name_are_told_so(tmp_path: Path) -> None:
    one = Outbox(tmp_path / "a.db", BIG)
    with pytest.raises(InputError, match="another monitor of that name is running here"):
        Outbox(tmp_path / "a.db", BIG)
    one.close()
    Outbox(tmp_path / "a.db", BIG).close()


def test_a_damaged_file_is_put_aside_and_a_new_stream_begins(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    path.write_bytes(b"no database, whatever its name says" * 100)
    outbox = Outbox(path, BIG)
    outbox.put([record(RecordKind.ALARM)])
    assert outbox.newest == 1
    outbox.close()
    assert (tmp_path / "a.damaged").exists()


def test_a_folder_that_cannot_be_written_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="cannot be kept there"):
        Outbox(tmp_path / "file" / "a.db", BIG)


def test_what_was_sent_goes_first_and_nothing_is_told_of_it(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "a.db", 10_000)
    outbox.put([record(RecordKind.ALARM) for _ in range(20)])
    outbox.mark_sent(15)
    assert outbox.put([record(RecordKind.CURVES) for _ in range(10)]) == 0
    assert outbox.oldest > 10
    assert [k.seq for k in outbox.after(15)] == list(range(16, 31))
    assert "dropped" not in kinds(outbox)
    outbox.close()


def test_curves_go_before_pecks_and_alarms_never(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "a.db", 20_000)
    mixed = [RecordKind.CURVES, RecordKind.CURVES, RecordKind.PECK, RecordKind.ALARM]
    dropped = sum(outbox.put([record(kind, at=float(i))]) for i in range(60) for kind in mixed)
    there = kinds(outbox)
    assert there.count("alarm") == 60  # over the bound, and all there
    assert there.count("curves") < 8
    assert there.count("peck") < 8
    told = [json.loads(k.body) for k in outbox.after(0, 1000) if k.kind is RecordKind.DROPPED]
    assert dropped == outbox.dropped == sum(sum(one["records"].values()) for one in told)
    assert {kind for one in told for kind in one["records"]} == {"curves", "peck"}
    outbox.close()


def test_curves_alone_leave_one_record_that_stands_for_all_that_went(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "a.db", 20_000)
    for i in range(500):
        outbox.put([record(RecordKind.CURVES, at=float(i))])
    first, *others = outbox.after(0, 1000)
    assert (first.kind, first.first) == (RecordKind.DROPPED, 1)
    assert json.loads(first.body) == {"records": {"curves": first.seq}, "until": first.seq - 1.0}
    assert [k.seq for k in others] == list(range(first.seq + 1, 501))
    assert all(k.kind is RecordKind.CURVES for k in others)
    outbox.close()


def test_what_is_on_its_way_is_not_dropped(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "a.db", 10_000)
    outbox.put([record(RecordKind.CURVES) for _ in range(10)])
    outbox.on_the_way = 5
    outbox.put([record(RecordKind.CURVES) for _ in range(30)])
    assert [str(k.kind) for k in outbox.after(0)][:5] == ["curves"] * 5
    assert outbox.after(5)[0].kind is RecordKind.DROPPED
    outbox.close()


@settings(max_examples=40, deadline=None)
@given(
    batches=st.lists(
        st.tuples(st.lists(st.sampled_from(list(RANKS)), max_size=8), st.floats(0, 1)),
        min_size=1,
        max_size=25,
    )
)
def test_every_number_is_accounted_for_whatever_comes(
    tmp_path_factory: pytest.TempPathFactory, batches: list[tuple[list[RecordKind], float]]
) -> None:
    """What is kept or stands for what was dropped joins without a gap or an overlap, up to the newest; and
    every alarm that was not sent is there."""
    outbox = Outbox(tmp_path_factory.mktemp("outbox") / "a.db", 3_000)
    alarms: list[int] = []
    for given_kinds, part_sent in batches:
        before = outbox.newest
        outbox.put([record(kind, size=50) for kind in given_kinds])
        alarms += [before + 1 + i for i, kind in enumerate(given_kinds) if RANKS[kind] == NEVER]
        kept = outbox.after(0, 10_000)
        assert [k.first for k in kept[1:]] == [k.seq + 1 for k in kept[:-1]]
        assert outbox.oldest == (kept[0].first if kept else outbox.newest + 1)
        assert not kept or kept[-1].seq == outbox.newest
        assert {seq for seq in alarms if seq > outbox.sent} <= {k.seq for k in kept}
        outbox.mark_sent(outbox.sent + int(part_sent * (outbox.newest - outbox.sent)))
    outbox.close()


def test_it_stands_where_the_service_manager_says_else_among_the_users_states(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", "/home/me/states")
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    assert outbox_path("lathe-3") == Path("/home/me/states/spindlebell/outbox-lathe-3.db")
    monkeypatch.setenv("STATE_DIRECTORY", "/var/lib/spindlebell:/var/lib/other")
    assert outbox_path("lathe-3") == Path("/var/lib/spindlebell/outbox-lathe-3.db")
