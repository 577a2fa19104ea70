"""What is known of a shop: what is old is never live, and what needs somebody is told at once."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from dashboard.fleet.shop import COALESCE_S, STALE_S, ShopState, Spindle
from dashboard.fleet.words import Presence, Record, RecordKind
from dashboard.live import Cursor
from tests.fleet.states import state


class Clocks:
    """The time of day, and the time that passes."""

    day, passed = 1_764_000_000.0, 50.0

    def go(self, seconds: float) -> None:
        self.day += seconds
        self.passed += seconds


@pytest.fixture
def clocks() -> Clocks:
    return Clocks()


@pytest.fixture
def shop(clocks: Clocks) -> ShopState:
    shop = ShopState(lambda: clocks.day, lambda: clocks.passed)
    shop.broker(True)
    return shop


def only(shop: ShopState) -> Spindle:
    (spindle,) = shop.spindles()
    return spindle


def presence(here: str, at: float | None = None) -> Presence:
    return Presence.model_validate({"here": here, "run": "ab", "at": at})


def test_a_word_that_is_retained_is_no_sign_of_life(shop: ShopState) -> None:
    shop.take_state("a", state("ALL WELL", at=1_763_990_000.0), True)
    assert not only(shop).live
    assert only(shop).word == "NO DATA"
    assert only(shop).last_word_at == 1_763_990_000.0  # by its own clock: no other is known
    shop.take_state("a", state("ALL WELL"), False)
    assert only(shop).word == "ALL WELL"


def test_silence_ends_a_life_and_its_time_stays(shop: ShopState, clocks: Clocks) -> None:
    shop.take_state("a", state("ALL WELL"), False)
    heard_at = clocks.day
    clocks.go(STALE_S - 0.1)
    shop.tick()
    assert only(shop).live
    clocks.go(0.1 + COALESCE_S)
    shop.tick()
    assert not only(shop).live
    assert only(shop).last_word_at == heard_at
    clocks.go(3600)
    shop.take_state("a", state("STOPPED"), False)
    assert only(shop).word == "STOPPED"


def test_the_last_will_counts_at_once_and_life_counts_more(shop: ShopState) -> None:
    shop.take_state("a", state("ALL WELL"), False)
    shop.take_presence("a", presence("lost"))
    assert not only(shop).live
    shop.take_state("a", state("ALL WELL"), False)  # connected again; the will came late
    assert only(shop).live


def test_a_clock_that_is_set_back_keeps_nobody_alive(shop: ShopState, clocks: Clocks) -> None:
    shop.take_state("a", state("ALL WELL"), False)
    clocks.day -= 86_400
    clocks.passed += STALE_S + 0.1
    shop.tick()
    assert not only(shop).live


def test_without_the_broker_nobody_is_live(shop: ShopState) -> None:
    shop.take_state("a", state("ALL WELL"), False)
    shop.broker(False, "it does not answer")
    assert not only(shop).live
    message, _ = shop.since(Cursor())
    assert message["broker"] == {"reached": False, "why": "it does not answer", "since": 1_764_000_000.0}


def test_ended_in_good_order_is_neither_alive_nor_lost(shop: ShopState) -> None:
    shop.take_state("a", state("STOPPED", over=True), False)
    shop.take_presence("a", presence("ended", 1_764_000_000.0))
    assert only(shop).ended
    assert not only(shop).live
    shop.take_state("a", state("ALL WELL"), False)  # and begins again
    assert only(shop).live
    assert not only(shop).ended


def test_a_page_is_told_what_is_new_and_no_more(shop: ShopState, clocks: Clocks) -> None:
    for name in ("a", "b"):
        shop.take_state(name, state("ALL WELL"), False)
    first, cursor = shop.since(Cursor())
    assert first["fresh"]
    assert [s["name"] for s in first["spindles"]] == ["a", "b"]
    shop.take_state("b", state("HELD"), False)
    news, cursor = shop.since(cursor, shop.run)
    assert [(s["name"], s["word"]) for s in news["spindles"]] == [("b", "HELD")]
    shop.forget("a")
    news, cursor = shop.since(cursor, shop.run)
    assert news["forgotten"] == ["a"]
    again, _ = shop.since(cursor, "another run")
    assert again["fresh"]
    assert [s["name"] for s in again["spindles"]] == ["b"]


def test_numbers_wait_for_each_other_and_a_word_does_not(shop: ShopState, clocks: Clocks) -> None:
    shop.take_state("a", state("ALL WELL"), False)
    told: list[int] = []
    shop.on_change.append(lambda: told.append(shop.version))
    clocks.go(COALESCE_S / 10)
    shop.take_state("a", state("ALL WELL", sag_pct=1.0), False)
    assert told == []
    shop.take_state("a", state("HELD"), False)
    assert len(told) == 1
    clocks.go(COALESCE_S)
    shop.take_state("a", state("HELD", sag_pct=9.0), False)
    assert len(told) == 2


@pytest.mark.parametrize(
    ("kind", "body", "said"),
    [
        (RecordKind.EVENT, {"severity": "hold", "message": "It binds."}, "It binds."),
        (RecordKind.EVENT, {"severity": "info", "message": "Peck 1."}, None),
        (
            RecordKind.ALARM,
            {"state": "reset", "severity": "hold", "message": "Ada"},
            "The hold was ended by Ada.",
        ),
        (RecordKind.BATCH, {"state": "begun", "job": "pulls"}, "A batch began: pulls."),
        (RecordKind.BATCH, {"state": "ended", "job": "pulls"}, "A batch ended: pulls."),
        (RecordKind.DROPPED, {"records": {"curves": 3, "peck": 1}}, "3 of curves, 1 of peck"),
        (RecordKind.CURVES, {"points": []}, None),
    ],
)
def test_what_is_listed_as_having_happened(
    shop: ShopState, kind: RecordKind, body: dict[str, object], said: str | None
) -> None:
    shop.take_record("a", Record(stream="ab", seq=1, first=1, oldest=1, at=5.0, kind=kind, body=body))
    events = shop.since(Cursor())[0]["events"]
    assert [said in e["message"] if said else e for e in events] == ([True] if said else [])


def test_an_earlier_run_is_recalled_without_saying_that_anybody_is_there(shop: ShopState) -> None:
    body = {"severity": "hold", "message": "It binds."}
    shop.recall("a", Record(stream="ab", seq=1, first=1, oldest=1, at=5.0, kind=RecordKind.EVENT, body=body))
    assert shop.spindles() == []
    assert len(shop.since(Cursor())[0]["events"]) == 1


def test_what_reads_out_is_told_of_each_state_and_of_each_loss(shop: ShopState, clocks: Clocks) -> None:
    seen: list[bool] = []
    tell: Callable[[Spindle], None] = lambda spindle: seen.append(spindle.live)  # noqa: E731
    shop.on_state.append(tell)
    shop.take_state("a", state("ALL WELL"), False)
    clocks.go(STALE_S + 1)
    shop.tick()
    assert seen == [True, False]
