"""What the page would show: the word, the reason, the counters, and increments that miss nothing."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest

from dashboard.live import FRESH_ROWS, HISTORY_ROWS, STALE_AFTER_S, Cursor, LiveState
from monitor.alarm import AlarmBoard
from monitor.job import default_job
from monitor.measurements import Event, Heard, Kind
from tests.dashboard.shop import Shop, heard, hold, info, rows, warning

NAN = float("nan")


class Clock:
    """A wall clock that stands until it is moved."""

    def __init__(self) -> None:
        self.now = 1_000_000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def shop(clock: Clock) -> Shop:
    return Shop(clock=clock)


def shown(shop: Shop) -> dict:
    return shop.live.since(Cursor())[0]["state"]


def test_before_the_first_sound_nothing_is_well(shop: Shop) -> None:
    assert shown(shop)["word"] == "NO DATA"
    assert shown(shop)["why"] == "Waiting for the first sound."
    shop.live.note("Learning the machine.")
    assert shown(shop)["why"] == "Learning the machine."


def test_normal_work_is_all_well_since_it_began(shop: Shop, clock: Clock) -> None:
    shop.work(3)
    clock.now += 0.5
    shop.work(0.05)
    assert shown(shop)["word"] == "ALL WELL"
    assert shown(shop)["since"] == 1_000_000.0


@pytest.mark.parametrize(
    ("age", "word"), [(STALE_AFTER_S - 0.01, "ALL WELL"), (STALE_AFTER_S + 0.01, "NO DATA")]
)
def test_sound_that_stops_coming_is_no_data_since_the_last_of_it(
    shop: Shop, clock: Clock, age: float, word: str
) -> None:
    shop.work(3)
    clock.now += age
    assert shown(shop)["word"] == word
    assert shown(shop)["live"] == (word == "ALL WELL")
    assert shown(shop)["since"] == 1_000_000.0


def test_a_warning_is_look_until_it_has_passed_and_was_seen(shop: Shop, clock: Clock) -> None:
    shop.work(3, warning(3), active=[Kind.SAG])
    state = shown(shop)
    assert (state["word"], state["unacknowledged"]) == ("LOOK", 1)
    assert state["why"].startswith("The spindle slows under load: 4.6 %")
    assert state["todo"]
    clock.now += 0.5
    shop.work(0.5)
    assert shown(shop)["word"] == "LOOK"
    assert shown(shop)["why"].endswith("It has passed by itself.")
    shop.acknowledge()
    assert shown(shop)["word"] == "ALL WELL"


def test_a_hold_stays_held_after_its_cause_has_gone_until_the_reset(shop: Shop, clock: Clock) -> None:
    shop.work(3, warning(3), hold(3), active=[Kind.SAG])
    assert shown(shop)["refusal"]  # the cause lasts
    clock.now += 0.5
    shop.work(0.5)
    state = shown(shop)
    assert (state["word"], state["hold"], state["refusal"]) == ("HELD", 1, "")
    assert state["since"] == 1_000_000.0
    assert "Stop the spindle" in state["todo"]
    assert "it starts no motion" in state["todo"]
    shop.acknowledge()
    assert shown(shop)["word"] == "HELD"
    shop.reset("a person")
    assert (shown(shop)["word"], shown(shop)["hold"]) == ("ALL WELL", None)
    shop.work(1, hold(4.5), active=[Kind.SAG])
    assert shown(shop)["hold"] == 2  # another hold: an old press cannot end it


def test_a_hold_outranks_lost_sound_and_the_end_of_the_batch(shop: Shop, clock: Clock) -> None:
    shop.work(3, hold(3))
    clock.now += 60
    assert (shown(shop)["word"], shown(shop)["live"]) == ("HELD", False)
    shop.live.finish("The batch is over.")
    assert shown(shop)["word"] == "HELD"


def test_the_end_of_a_batch_is_stopped_and_no_fault(shop: Shop, clock: Clock) -> None:
    shop.work(3)
    shop.live.finish("The batch is over.")
    clock.now += 3600
    assert (shown(shop)["word"], shown(shop)["why"], shown(shop)["live"]) == (
        "STOPPED",
        "The batch is over.",
        False,
    )


def feed(live: LiveState, t_from: float, t_to: float, **changes: float) -> None:
    live.heard(Heard([row._replace(**changes) for row in rows(default_job(), t_from, t_to)]), AlarmBoard())


def test_a_spindle_at_rest_is_stopped(clock: Clock) -> None:
    live = LiveState(default_job(), clock=clock)
    feed(live, 0, 2, speed_rpm=0.0, sag_pct=NAN)
    assert live.since(Cursor())[0]["state"]["word"] == "STOPPED"


def test_not_hearing_the_speed_for_a_second_is_not_all_well(clock: Clock) -> None:
    live = LiveState(default_job(), clock=clock)
    feed(live, 0, 2)
    feed(live, 2, 2.9, speed_rpm=NAN, sag_pct=NAN, speed_confidence=0.1)
    assert live.since(Cursor())[0]["state"]["word"] == "ALL WELL"
    feed(live, 2.9, 3.2, speed_rpm=NAN, sag_pct=NAN, speed_confidence=0.1)
    assert live.since(Cursor())[0]["state"]["word"] == "LOOK"
    assert live.since(Cursor())[0]["rows"][-1][1] is None


def test_counters_follow_the_events(shop: Shop) -> None:
    shop.work(1, info(1, Kind.BLANK_START, "Blank 1 begins.", 1), info(1, Kind.PECK_START, "Peck 1.", 1, 1))
    shop.work(1, info(2, Kind.PECK_START, "Peck 2.", 1, 2))
    assert (shown(shop)["blank"], shown(shop)["peck"], shown(shop)["blanks_done"]) == (1, 2, 0)
    shop.work(1, info(3, Kind.BLANK_END, "Blank 1 ends.", 1), info(3, Kind.BLANK_START, "Blank 2 begins.", 2))
    assert (shown(shop)["blank"], shown(shop)["peck"], shown(shop)["blanks_done"]) == (2, 0, 1)


def test_increments_put_together_are_the_whole(shop: Shop) -> None:
    cursor, run, seen, events = Cursor(), "", [], []
    for i in range(40):
        shop.work(0.05 * (1 + i % 3), warning(shop.t) if i % 10 == 0 else info(shop.t, Kind.PECK_START, "x"))
        if i % 4 == 0:  # reads now and then, like a slow browser
            message, cursor = shop.live.since(cursor, run)
            run = message["run"]
            assert message["fresh"] == (i == 0)
            seen += message["rows"]
            events += message["events"]
    message, _ = shop.live.since(cursor, run)
    whole = shop.live.since(Cursor())[0]
    assert seen + message["rows"] == whole["rows"]
    assert events + message["events"] == whole["events"]
    assert [event["id"] for event in whole["events"]] == list(range(1, 41))


@pytest.mark.parametrize("cursor", [Cursor(0, 0), Cursor(10**9, 0), Cursor(5, 10**9)])
def test_a_cursor_of_another_run_gets_everything(shop: Shop, cursor: Cursor) -> None:
    shop.work(1)
    message, _ = shop.live.since(cursor, "another run")
    assert message["fresh"]
    assert len(message["rows"]) == 20
    message, _ = shop.live.since(replace(cursor, rows=10**9), shop.live.run)
    assert message["fresh"]


def test_history_is_bounded_and_a_reader_behind_it_begins_anew(shop: Shop) -> None:
    shop.work(1)
    _, cursor = shop.live.since(Cursor())
    shop.work(0.05 * (HISTORY_ROWS + 100))
    message, _ = shop.live.since(cursor, shop.live.run)
    assert message["fresh"]
    assert len(message["rows"]) == FRESH_ROWS
    behind = Cursor(message["cursor"][0] - HISTORY_ROWS, 0)
    message, _ = shop.live.since(behind, shop.live.run)
    assert (message["fresh"], len(message["rows"])) == (False, HISTORY_ROWS)


def test_every_message_is_strict_json(shop: Shop) -> None:
    shop.live.heard(heard(shop.job, 0, 0.1, replace(hold(0), value=math.inf, depth_mm=NAN)), AlarmBoard())
    feed(shop.live, 1, 2, speed_rpm=NAN, cut_level_db=-math.inf)
    text = json.dumps(shop.live.since(Cursor())[0], allow_nan=False)
    assert json.loads(text)["events"][0]["value"] is None


def test_time_left_is_told_by_the_blanks_so_far(shop: Shop) -> None:
    def begin(blank: int) -> Event:
        return info(shop.t, Kind.BLANK_START, "A blank begins.", blank)

    shop.work(1, begin(1))
    assert shown(shop)["left_s"] is None
    shop.work(30)
    shop.work(9, info(shop.t, Kind.BLANK_END, "It ends.", 1), begin(2))
    left = shop.job.blanks - 1
    assert shown(shop)["left_s"] == left * 31 - 9  # the second blank began 31 s after the first, 9 s ago
    before = shown(shop)["left_s"]
    shop.work(10)
    assert shown(shop)["left_s"] == pytest.approx(before - 10, abs=1)
    shop.work(300)  # held: the blank under way takes longer, the others do not
    assert shown(shop)["left_s"] == pytest.approx((left - 1) * (before + 30) / left, rel=0.1)
    shop.live.finish("The batch is over.")
    assert shown(shop)["left_s"] is None


def test_depth_grows_with_the_turns_in_a_peck_and_the_peck_is_kept_as_a_curve(clock: Clock) -> None:
    job = default_job()
    live = LiveState(job, clock=clock)
    cutting = [row._replace(cutting=True, speed_rpm=job.spindle_rpm, sag_pct=1.5) for row in rows(job, 1, 3)]
    begins = replace(info(1.3, Kind.PECK_START, "Peck 2 begins.", 1, 2), depth_mm=14.5)
    ends = replace(info(2.95, Kind.PECK_END, "Peck 2 ends.", 1, 2), depth_mm=18.0)
    live.heard(Heard(cutting, [begins, ends]), AlarmBoard())
    message, _ = live.since(Cursor())
    depth = {row[0]: row[-1] for row in message["rows"]}
    assert depth[1.25] is None
    per_s = job.spindle_rpm / 60 * job.feed_mm_per_rev
    assert depth[2.3] == pytest.approx(14.5 + 1.0 * per_s, abs=0.02)
    assert depth[2.95] is None
    (peck,) = message["pecks"]
    assert (peck["blank"], peck["peck"]) == (1, 2)
    assert len(peck["points"]) == 17  # ten a second
    assert peck["points"][10] == [pytest.approx(14.5 + 1.0 * per_s, abs=0.1), 1.5]


@pytest.mark.parametrize("step_s", [-3600.0, 3600.0])
def test_a_clock_that_is_set_hides_no_silence(shop: Shop, clock: Clock, step_s: float) -> None:
    shop.work(3)
    clock.now += step_s
    assert shown(shop)["word"] == "NO DATA"
    shop.work(0.05)
    assert shown(shop)["word"] == "ALL WELL"


def test_a_wish_without_sound_is_no_sign_of_life(shop: Shop, clock: Clock) -> None:
    shop.work(3)
    clock.now += STALE_AFTER_S + 0.1
    shop.live.heard(Heard(events=[info(3, Kind.THRESHOLD, "Moved.")]), shop.board)
    assert shown(shop)["word"] == "NO DATA"


def test_limits_that_were_moved_are_told_to_every_page(shop: Shop) -> None:
    assert shown(shop)["limits"] == (shop.job.sag_warning_pct, shop.job.sag_hold_pct)
    before = shop.live.version
    shop.set_sag_limits(2.5, 5.0, "Ann")
    assert shown(shop)["limits"] == (2.5, 5.0)
    assert shop.live.version > before


def test_a_hold_by_hand_is_held_and_says_by_whom(shop: Shop) -> None:
    shop.work(3)
    shop.hold_now("dashboard at 10.0.0.7")
    assert shown(shop)["word"] == "HELD"
    assert "10.0.0.7" in shown(shop)["why"]
