"""The session: hold before anything else, latched until a person's reset, whatever goes wrong."""

import json
import threading
from datetime import UTC, datetime

import numpy as np
import pytest

from monitor.alarm import AlarmState
from monitor.errors import EvidenceError, InputError, ResetRefused
from monitor.evidence.recorder import Evidence
from monitor.evidence.store import BatchInfo
from monitor.measurements import Kind, Severity
from monitor.session import Session
from tests.evidence.test_store import asked
from tests.scripted import CountingLine, ScriptedListener, event, peck

FS = 8_000
START = datetime(2026, 11, 25, 10, tzinfo=UTC)
INFO = BatchInfo(START, "given", "scripted", FS, "", "", "0")
SECOND = np.zeros(FS, dtype=np.float32)


@pytest.fixture
def line():
    return CountingLine()


@pytest.fixture
def evidence(tmp_path):
    with Evidence(tmp_path, INFO) as evidence:
        yield evidence


def session_of(evidence, line, *events, lasting=frozenset()):
    listener = ScriptedListener(FS, events, [peck(2.5)], lasting)
    return Session(listener, evidence, line)


def test_a_warning_leaves_the_line_closed_and_a_hold_opens_it(evidence, line):
    session = session_of(evidence, line, event(1.5, severity=Severity.WARNING), event(3.5))
    for _ in range(3):
        session.feed(SECOND)
    assert (line.acts, session.board.held) == ([], False)
    session.feed(SECOND)
    assert (line.closed, session.board.held) == (False, True)
    assert session.t == 4.0


def test_the_hold_outlives_its_cause_and_ends_by_a_persons_reset(tmp_path, evidence, line):
    session = session_of(evidence, line, event(1.5))
    for _ in range(4):
        session.feed(SECOND)
    assert session.board.state(Kind.SAG) is AlarmState.RETURNED
    assert not line.closed
    session.acknowledge()
    assert session.board.state(Kind.SAG) is AlarmState.NORMAL
    assert not line.closed
    with pytest.raises(ResetRefused):
        session.reset("  ")
    assert not line.closed
    session.reset("Ann")
    assert (line.closed, line.acts, session.board.held) == (True, ["open", "close"], False)
    assert session._listener.forgot == 1
    said = asked(tmp_path / "evidence.db", "SELECT t, act, by FROM acts")
    assert said == [(4.0, "acknowledge", ""), (4.0, "reset", "Ann")]


@pytest.mark.parametrize("act", ["acknowledge", "reset"])
def test_who_acts_waits_for_the_disk_and_the_sound_does_not(evidence, line, monkeypatch, act):
    session = session_of(evidence, line, event(0.5))
    session.feed(SECOND)
    forced = []

    def slow():
        hearing = threading.Thread(target=session.feed, args=(SECOND,))
        hearing.start()
        hearing.join(20.0)
        forced.append(not hearing.is_alive())

    monkeypatch.setattr(evidence, "force", slow)
    if act == "reset":
        session.reset("Ann")
    else:
        session.acknowledge()
    assert forced == [True]


def test_a_reset_is_refused_while_the_cause_lasts(evidence, line):
    session = session_of(evidence, line, event(0.5, Kind.MIC_FAULT), lasting=frozenset({Kind.MIC_FAULT}))
    session.feed(SECOND)
    with pytest.raises(ResetRefused, match="mic_fault"):
        session.reset("Ann")
    assert (line.closed, line.acts) == (False, ["open"])


def test_a_reset_without_a_hold_does_not_touch_the_line(tmp_path, evidence, line):
    session = session_of(evidence, line)
    session.feed(SECOND)
    session.reset("Ann")
    assert line.acts == []
    assert asked(tmp_path / "evidence.db", "SELECT count(*) FROM acts") == [(0,)]


def test_everyone_is_told_after_the_line_has_opened(evidence, line):
    told = []
    session = session_of(evidence, line, event(1.5))
    session.on_heard.append(lambda heard: told.append((len(heard.trace), len(heard.events), line.closed)))
    session.feed(SECOND)
    session.feed(SECOND)
    session.finish()
    assert told == [(20, 0, True), (20, 1, False), (0, 0, False)]


def test_finishing_finishes_the_listener_and_the_evidence(tmp_path, evidence, line):
    session = session_of(evidence, line, event(1.5))
    for _ in range(3):
        session.feed(SECOND)
    session.finish("cut short")
    assert asked(tmp_path / "evidence.db", "SELECT state, duration_s, note FROM batches") == [
        ("finished", 3.0, "cut short")
    ]
    assert [
        json.loads(text)["t"] for text in (tmp_path / "events.jsonl").read_text("utf-8").splitlines()
    ] == [1.5]
    assert len((tmp_path / "pecks.csv").read_text().splitlines()) == 2
    session.reset("Ann")  # the hold can be ended afterwards
    assert line.closed


def test_a_core_that_fails_opens_the_line_for_good(evidence, line):
    session = session_of(evidence, line)
    session._listener.feed = None  # any fault of the program
    with pytest.raises(TypeError):
        session.feed(SECOND)
    assert not line.closed
    with pytest.raises(ResetRefused, match="start it again"):
        session.reset("Ann")
    assert not line.closed


def test_the_line_opens_and_everyone_is_told_even_when_nothing_can_be_written(evidence, line, monkeypatch):
    told = []

    def full(x, heard):
        assert not line.closed, "evidence before safety"
        raise EvidenceError("full")

    monkeypatch.setattr(evidence, "record", full)
    session = session_of(evidence, line, event(0.5))
    session.on_heard.append(told.append)
    with pytest.raises(EvidenceError):
        session.feed(SECOND)
    assert len(told) == 1
    assert not line.closed


def test_a_hold_by_hand_opens_the_line_latches_and_is_told(tmp_path, evidence, line):
    session = session_of(evidence, line, event(0.5, Kind.PECK_START, Severity.INFO))
    session.feed(SECOND)
    session.hold_now("dashboard at 127.0.0.1")
    assert (line.closed, session.board.first_up.kind) == (False, Kind.HOLD_NOW)
    session.hold_now("someone else")  # held already: nothing to add
    session.feed(SECOND)
    session.reset("Ann")  # a person's wish is no cause that lasts
    assert line.closed
    told = [json.loads(text) for text in (tmp_path / "events.jsonl").read_text("utf-8").splitlines()]
    held = [e for e in told if e["kind"] == "hold_now"]
    assert [(e["t"], e["severity"], e["blank"], e["peck"]) for e in held] == [(1.0, "hold", 1, 2)]
    assert "dashboard at 127.0.0.1" in held[0]["message"]
    assert (tmp_path / held[0]["clip"]).exists()


def test_after_the_end_a_hold_by_hand_still_opens_the_line(evidence, line):
    session = session_of(evidence, line)
    session.feed(SECOND)
    session.finish()
    session.hold_now("Ann")
    assert not line.closed


def test_thresholds_set_at_work_are_events_with_the_old_and_the_new_value(tmp_path, evidence, line):
    session = session_of(evidence, line)
    session.feed(SECOND)
    session.set_sag_limits(4.0, 6.5, "Ann")
    assert session.sag_limits_pct == (4.0, 6.5)
    (told,) = [json.loads(text) for text in (tmp_path / "events.jsonl").read_text("utf-8").splitlines()]
    assert (told["kind"], told["severity"], told["value"], told["limit"]) == ("threshold", "info", 6.5, 8.0)
    assert told["message"] == "The sag hold was set from 8 % to 6.5 % (Ann)."


def test_a_new_drill_is_an_event_until_the_batch_is_over(tmp_path, evidence, line):
    session = session_of(evidence, line)
    session.feed(SECOND)
    session.new_drill("Ann")
    (told,) = [json.loads(text) for text in (tmp_path / "events.jsonl").read_text("utf-8").splitlines()]
    assert (told["kind"], told["severity"], told["t"]) == ("new_drill", "info", 1.0)
    assert told["message"] == "A new or sharpened drill (Ann)."
    session.finish()
    with pytest.raises(InputError, match="batch is over"):
        session.new_drill("Ann")


@pytest.mark.parametrize("limits", [(8.0, 8.0), (9.0, 8.0), (0.1, 8.0), (4.0, 90.0), (float("nan"), 8.0)])
def test_thresholds_that_cannot_be_are_refused(evidence, line, limits):
    session = session_of(evidence, line)
    with pytest.raises(InputError, match="cannot be"):
        session.set_sag_limits(*limits, "Ann")
    assert session.sag_limits_pct == (4.0, 8.0)


def test_loosening_opens_the_spindle_line_too_and_a_reset_closes_both(evidence):
    hold, spindle = CountingLine(), CountingLine()
    listener = ScriptedListener(FS, [event(0.5), event(2.5, Kind.LOOSENING)])
    session = Session(listener, evidence, hold, spindle)
    session.feed(SECOND)
    assert (hold.closed, spindle.closed) == (False, True)  # a bind leaves the spindle turning
    session.reset("Ann")
    session.feed(SECOND)
    session.feed(SECOND)
    assert (hold.closed, spindle.closed) == (False, False)
    session.reset("Ann")
    assert (hold.closed, spindle.closed) == (True, True)


def test_a_session_that_begins_held_waits_for_a_person_and_counts_no_hold(tmp_path, evidence):
    line = CountingLine(closed=False)
    session = Session(ScriptedListener(FS), evidence, line, held_from_start="Look first.")
    assert session.board.held
    session.feed(SECOND)
    assert (line.acts, session.board.first_up.message) == ([], "Look first.")
    session.reset("Ann")
    assert (line.closed, session.board.held) == (True, False)
    assert asked(tmp_path / "evidence.db", "SELECT count(*) FROM events") == [(0,)]


def test_a_real_cause_takes_the_place_of_having_just_started(evidence):
    line = CountingLine(closed=False)
    session = Session(ScriptedListener(FS, [event(1.5)]), evidence, line, held_from_start="Look first.")
    session.feed(SECOND)
    session.feed(SECOND)
    assert session.board.first_up == event(1.5)
    assert session.board.held
    session.reset("Ann")
    assert line.closed


def test_what_was_not_heard_can_be_said_until_the_end(tmp_path, evidence, line):
    session = session_of(evidence, line)
    session.say(Kind.MIC_FAULT, Severity.INFO, "Sound was lost.")
    session.finish()
    session.say(Kind.MIC_FAULT, Severity.INFO, "Too late.")
    assert asked(tmp_path / "evidence.db", "SELECT message FROM events") == [("Sound was lost.",)]
