"""`spindlebell listen`: what goes wrong is said in one line, and what beats, shines and holds is what is
heard."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

import hardware.microphone
from monitor import cli
from monitor.alarm import AlarmBoard
from monitor.baseline import load_baseline
from monitor.commands import listen
from monitor.errors import DeviceError
from monitor.evidence.archive import Archive
from monitor.evidence.recorder import Evidence
from monitor.evidence.space import Room
from monitor.evidence.store import BatchInfo
from monitor.job import load_job
from monitor.listener import Listener
from monitor.measurements import Heard, Kind, Severity
from monitor.ports import Block
from monitor.recordings import read_recording
from monitor.session import Session
from monitor.station import MicrophoneChoice
from tests.evidence.test_store import asked
from tests.scripted import CountingLine, ScriptedListener, event

ROOT = Path(__file__).parent.parent
JOB = str(ROOT / "recordings_synthetic" / "bind.toml")
FS = 8_000
INFO = BatchInfo(datetime(2026, 11, 25, 10, tzinfo=UTC), "given", "scripted", FS, "", "", "0")


@pytest.fixture(scope="module")
def baseline(tmp_path_factory: pytest.TempPathFactory) -> str:
    path = tmp_path_factory.mktemp("baseline") / "lamp.json"
    sound = ROOT / "recordings_synthetic" / "baseline_lamp_900rpm.flac"
    assert cli.main(["baseline", "--rpm", "900", str(sound), "-o", str(path)]) == 0
    return str(path)


@pytest.fixture
def evidence(tmp_path: Path) -> Iterator[Evidence]:
    with Evidence(tmp_path, INFO) as evidence:
        yield evidence


# What is wrong is one line, exit status 2, and nothing half-written.


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--rate", "48"], '"48" has no unit; write "48 kHz"'),
        (["--station", "none.toml"], "none.toml: cannot be read"),
        (["--port", "70000"], "--port"),
        (["--materials", "none.toml"], "none.toml: cannot be read"),
    ],
)
def test_wrong_arguments(
    tmp_path: Path, baseline: str, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    out = tmp_path / "out"
    assert cli.main(["listen", "--job", JOB, "--baseline", baseline, "--out", str(out), *words]) == 2
    told = capsys.readouterr().err
    assert said in told
    assert told.count("\n") == 1
    assert not out.exists()


def test_a_missing_microphone(
    tmp_path: Path, baseline: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def none(choice: MicrophoneChoice) -> None:
        raise DeviceError(f'the device "{choice.device}" is no microphone here')

    monkeypatch.setattr(hardware.microphone, "live_microphone", none)
    out = tmp_path / "out"
    words = ["--out", str(out), "--device", "Blue", "--port", "0"]
    assert cli.main(["listen", "--job", JOB, "--baseline", baseline, *words]) == 2
    assert 'the device "Blue" is no microphone here' in capsys.readouterr().err
    assert not out.exists()


# The loop.


class Machine:
    """What the loop acts on."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.beats: list[float] = []
        self.shown: list[bool] = []
        self.kept: list[bool] = []
        self.lives = 0
        self.overflows = 0

    def shine(self, board: AlarmBoard, hearing: bool) -> None:
        self.shown.append(hearing)

    def live(self) -> None:
        self.lives += 1

    def hear(self, blocks: Iterator[Block], stop: threading.Event | None = None) -> None:
        listen.hear(
            blocks,
            self.session,
            self.beats.append,
            self.shine,
            lambda x, held: self.kept.append(held),
            self.live,
            lambda: self.overflows,
            stop or threading.Event(),
        )


def sound(seconds: float, heard: bool = True, begin: float = 0.0) -> Iterator[Block]:
    """Blocks of 25 ms: two of them make a hop of the scripted listener."""
    n = FS // 40
    for i in range(round(seconds * 40)):
        x = np.zeros(n, np.float32) if heard else np.full(n, np.nan, np.float32)
        yield Block(x, begin + (i + 1) / 40, heard)


def test_the_heart_beats_once_a_hop_of_sound_and_never_for_its_stand_in(evidence: Evidence) -> None:
    machine = Machine(Session(ScriptedListener(FS), evidence, CountingLine()))
    machine.hear(sound(1.0))
    assert machine.beats == pytest.approx(np.arange(1, 21) / 20)
    machine.hear(sound(1.0, heard=False, begin=1.0))
    assert len(machine.beats) == 20
    assert machine.shown == [True] * 40 + [False] * 40
    assert machine.lives == 80  # the program runs, and the service manager leaves it alone


def test_an_analysis_that_raises_opens_the_line_and_beats_no_more(evidence: Evidence) -> None:
    line = CountingLine()
    listener = ScriptedListener(FS)
    machine = Machine(Session(listener, evidence, line))
    machine.hear(sound(0.5))

    def fail(x: np.ndarray) -> Heard:
        raise ArithmeticError("broken")

    listener.feed = fail  # type: ignore[method-assign]
    beats = len(machine.beats)
    with pytest.raises(ArithmeticError):
        machine.hear(sound(0.5))
    assert (line.closed, len(machine.beats)) == (False, beats)


def test_an_analysis_that_is_stuck_beats_no_more_and_is_not_alive(evidence: Evidence) -> None:
    listener = ScriptedListener(FS)
    machine = Machine(Session(listener, evidence, CountingLine()))
    feed, go_on, stuck = listener.feed, threading.Event(), threading.Event()

    def stick(x: np.ndarray) -> Heard:
        if len(listener.blocks) == 20:
            stuck.set()
            go_on.wait(10.0)
        return feed(x)

    listener.feed = stick  # type: ignore[method-assign]
    thread = threading.Thread(target=machine.hear, args=(sound(1.0),))
    thread.start()
    assert stuck.wait(10.0)
    time.sleep(0.1)
    assert (len(machine.beats), machine.lives) == (10, 20)
    go_on.set()
    thread.join()
    assert len(machine.beats) == 20


def test_a_hold_marks_its_sound(evidence: Evidence) -> None:
    machine = Machine(Session(ScriptedListener(FS, [event(0.5)]), evidence, CountingLine()))
    machine.hear(sound(1.0))
    assert [i for i, held in enumerate(machine.kept) if held] == [19]


def test_overflows_are_told_once_in_a_while(tmp_path: Path, evidence: Evidence) -> None:
    machine = Machine(Session(ScriptedListener(FS), evidence, CountingLine()))

    def overflowing() -> Iterator[Block]:
        for block in sound(25.0):
            machine.overflows += 1
            yield block

    machine.hear(overflowing())
    said = asked(tmp_path / "evidence.db", "SELECT t, kind, severity, message FROM events")
    assert [(kind, severity) for _, kind, severity, _ in said] == [(Kind.MIC_FAULT, Severity.INFO)] * 3
    assert [t for t, *_ in said] == pytest.approx([0.0, 10.0, 20.0], abs=0.06)
    assert said[1][3].startswith("Sound was lost before it came here: 40")


def test_a_terminal_is_told_that_the_microphone_went_and_came(
    evidence: Evidence, capsys: pytest.CaptureFixture[str]
) -> None:
    machine = Machine(Session(ScriptedListener(FS), evidence, CountingLine()))
    for heard in (True, False, True):
        machine.hear(sound(0.5, heard))

    def all_of_it() -> Iterator[Block]:
        for heard in (True, False, True):
            yield from sound(0.5, heard)

    capsys.readouterr()
    machine.hear(all_of_it())
    gone, back = capsys.readouterr().out.splitlines()
    assert "gone: held until it is back" in gone
    assert "back. When it has been heard" in back


@pytest.mark.parametrize("number", listen.STOPS)
def test_a_signal_ends_it_in_good_order(evidence: Evidence, number: int) -> None:
    stop = threading.Event()
    machine = Machine(Session(ScriptedListener(FS), evidence, CountingLine()))

    def interrupted() -> Iterator[Block]:
        for i, block in enumerate(sound(1.0)):
            if i == 9:
                os.kill(os.getpid(), number)
            yield block

    with listen.asked_to_stop(stop):
        machine.hear(interrupted(), stop)
    assert stop.is_set()
    assert machine.lives == 10
    machine.session.finish()


def test_the_journal_gets_importance(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("JOURNAL_STREAM", "8:1")
    events = [event(1.0, severity=Severity.INFO), event(2.0, severity=Severity.WARNING), event(3.0)]
    listen.tell(Heard(events=events), INFO.started)
    warning, hold = capsys.readouterr().out.splitlines()
    assert warning.startswith("<4>")
    assert hold.startswith("<2>")
    assert "blank 1, peck 2: Something at 3.00 s" in hold


def test_an_events_time_of_day_is_the_clocks_at_the_start_and_samples_from_there() -> None:
    now, before = datetime.now(UTC), time.monotonic()
    first = Block(np.zeros(800, np.float32), before - 0.5, True)
    began = listen.began(first, FS)
    assert (now - began).total_seconds() == pytest.approx(0.6, abs=0.05)


def test_low_space_is_an_event_once_and_no_hold(
    tmp_path: Path, evidence: Evidence, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = Session(ScriptedListener(FS), evidence, line := CountingLine())
    looked = threading.Semaphore(0)
    warnings = iter(["", "Space runs low.", "Space runs low.", "", "Space runs low again."])

    def room(directory: Path, limit: int, batch: int) -> Room:
        assert (directory, limit, batch) == (tmp_path, 10**9, 1)
        looked.release()
        return Said(next(warnings, ""))  # type: ignore[return-value]

    monkeypatch.setattr(listen, "make_room", room)
    with listen.kept_in_bounds(evidence, 10**9, lambda text: listen.warn_of_space(session, text), 0.01):
        for _ in range(6):
            assert looked.acquire(timeout=10.0)
    said = asked(tmp_path / "evidence.db", "SELECT kind, severity, message FROM events")
    assert said == [
        ("low_space", "warning", "Space runs low."),
        ("low_space", "warning", "Space runs low again."),
    ]
    assert (line.closed, session.board.held) == (True, False)


@dataclass(frozen=True)
class Said:
    warning: str


def test_a_store_that_cannot_be_tidied_is_said_and_the_monitor_goes_on(
    tmp_path: Path, evidence: Evidence, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked = threading.Semaphore(0)

    def broken(directory: Path, limit: int, batch: int) -> Room:
        looked.release()
        raise OSError("no such disk")

    monkeypatch.setattr(listen, "make_room", broken)
    said: list[str] = []
    with listen.kept_in_bounds(evidence, 10**9, said.append, 0.01):
        for _ in range(3):
            assert looked.acquire(timeout=10.0)
    assert said == ["The evidence cannot be kept within its limit: no such disk."]


# Going on with a batch that was cut off.


def drilled(directory: Path, *blanks: int, continues: int = 0) -> None:
    """A batch of the scene's job in which these blanks were begun, and that was then cut off."""
    job = Path(JOB).read_text("utf-8")
    with Evidence(directory, replace(INFO, job=job, continues=continues)) as evidence:
        told = [replace(event(1.0 + n, Kind.BLANK_START, Severity.INFO), blank=n) for n in blanks]
        evidence.record(np.zeros(FS, np.float32), Heard(events=told))


def test_it_goes_on_after_the_last_blank_that_was_begun(tmp_path: Path) -> None:
    job = load_job(JOB)
    drilled(tmp_path, 1, 2, 3)
    earlier = listen.earlier_blanks(tmp_path, job, JOB)
    assert earlier == listen.Earlier(1, 3)
    assert earlier.told(job) == [f"Goes on with batch 1: the next blank is 4 of {job.blanks}."]
    drilled(tmp_path, continues=1)  # cut off again before a blank was begun
    assert listen.earlier_blanks(tmp_path, job, JOB) == listen.Earlier(2, 3)
    drilled(tmp_path, 4, 5, continues=2)
    assert listen.earlier_blanks(tmp_path, job, JOB) == listen.Earlier(3, 5)


def test_the_blanks_heard_are_numbered_on(baseline: str) -> None:
    x, fs = read_recording(ROOT / "recordings_synthetic" / "bind.flac")
    numbers = []
    for before in (0, 7):
        heard = Listener(load_baseline(baseline), load_job(JOB), fs, blanks_before=before).feed(x)
        numbers.append([one.blank for one in heard.events if one.kind is Kind.BLANK_START])
    assert numbers[0]
    assert numbers[1] == [number + 7 for number in numbers[0]]


def test_there_has_to_be_a_batch_of_this_job_to_go_on_with(
    tmp_path: Path, baseline: str, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["listen", "--continue", "--baseline", baseline, "--port", "0"]
    out = tmp_path / "none"
    assert cli.main([*words, "--job", JOB, "--out", str(out)]) == 2
    assert "there is no evidence.db" in capsys.readouterr().err
    assert not out.exists()
    drilled(tmp_path, 1)
    other = str(ROOT / "recordings_synthetic" / "melting.toml")
    assert cli.main([*words, "--job", other, "--out", str(tmp_path)]) == 2
    told = capsys.readouterr().err
    assert "leave --continue away" in told
    assert told.count("\n") == 1
    assert [batch.number for batch in Archive(tmp_path).batches()] == [1]
