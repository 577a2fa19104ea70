"""The demo command: what it refuses, when it closes the line, and that the line rules the machine."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from hardware.lines import SimulatedHoldLine
from monitor import cli
from monitor.commands import demo
from monitor.evidence.archive import Archive
from monitor.evidence.recorder import Evidence
from monitor.evidence.store import BatchInfo
from monitor.session import Session
from tests.scripted import ScriptedListener, event

FS = demo.FS
INFO = BatchInfo(datetime(2026, 11, 25, 10, tzinfo=UTC), "given", "scripted", FS, "", "", "0")


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (["--speed", "0"], "--speed 0: has to be from 0.1"),
        (["--speed", "1000"], "--speed 1000: has to be"),
        (["--speed", "nan"], "--speed nan: has to be"),
        (["--blanks", "0"], "--blanks 0: has to be from 1"),
        (["--port", "70000"], "--port 70000: has to be from 0 to 65535, such as 8765"),
        (["--host", "no host"], "--host no host: is no address of this computer"),
    ],
)
def test_wrong_arguments_are_one_line_and_nothing_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], wrong: list[str], said: str
) -> None:
    out = tmp_path / "out"
    assert cli.main(["demo", "--out", str(out), *wrong]) == 2
    told = capsys.readouterr().err
    assert said in told
    assert told.count("\n") == 1
    assert not out.exists()


def test_a_port_in_use_is_said_before_anything_else(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        assert cli.main(["demo", "--port", str(port), "--out", str(tmp_path / "out")]) == 2
    assert f"--port {port}: is in use by another program; give another" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("ended_by", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize("stage", ["playing", "over"])
def test_it_ends_in_good_order_with_a_line(tmp_path: Path, stage: str, ended_by: signal.Signals) -> None:
    out = tmp_path / "out"
    words = ["demo", "--blanks", "1", "--speed", "10", "--port", "0", "--out", str(out)]
    with subprocess.Popen(
        [sys.executable, "-m", "monitor.cli", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONUNBUFFERED": "1"},
    ) as process:
        try:
            assert process.stdout is not None
            waited_for = {"playing": "Ctrl-C ends the demo", "over": "The page stays at"}[stage]
            assert any(waited_for in line for line in process.stdout)
            process.send_signal(ended_by)
            said, complained = process.communicate(timeout=20)
        finally:
            process.kill()
    if stage == "over":
        assert (process.returncode, said, complained) == (0, "The page has ended.\n", "")
    else:
        by = "SIGTERM" if ended_by == signal.SIGTERM else "the keyboard"
        assert (process.returncode, complained) == (1, f"spindlebell demo: stopped by {by}\n")
    assert Archive(out).batches()  # its evidence can be read


class ScriptedMachine:
    """So many blocks, and a record of whether each of them was let run."""

    def __init__(self, blocks: int) -> None:
        self.let_run: list[bool] = []
        self._left = blocks

    def read(self, n: int, may_run: bool) -> NDArray[np.float32]:
        if self._left == 0:
            return np.zeros(0, np.float32)
        self._left -= 1
        self.let_run.append(may_run)
        return np.zeros(n, np.float32)


@pytest.fixture
def evidence(tmp_path: Path) -> Iterator[Evidence]:
    with Evidence(tmp_path, INFO) as evidence:
        yield evidence


def test_the_hold_lines_opening_stops_the_machine_and_the_reset_lets_it_go_on(evidence: Evidence) -> None:
    line = SimulatedHoldLine(lambda: session.t)
    session = Session(ScriptedListener(FS, [event(0.5)]), evidence, line)
    session.on_heard.append(demo.close_when_heard(line, session))
    machine, kept = ScriptedMachine(40), []

    def keep(x: NDArray[np.float32], held: bool) -> None:
        kept.append(held)
        if session.t == pytest.approx(1.5):
            session.reset("a person")

    demo.play(machine, session, line, keep, speed=100.0)
    assert machine.let_run == [True] * 10 + [False] * 20 + [True] * 10
    assert kept == [i == 9 for i in range(40)]
    assert [(round(change.t, 2), change.closed) for change in line.history] == [
        (0.05, True),  # the first block in which the spindle was heard
        (0.5, False),
        (1.5, True),
    ]


def test_a_hold_before_the_spindle_was_heard_keeps_the_line_open(evidence: Evidence) -> None:
    line = SimulatedHoldLine()
    session = Session(ScriptedListener(FS, [event(0.05)]), evidence, line)
    session.on_heard.append(demo.close_when_heard(line, session))
    machine = ScriptedMachine(5)
    demo.play(machine, session, line, lambda x, held: None, speed=100.0)
    assert machine.let_run == [True, False, False, False, False]
    assert line.history == ()


def test_it_is_paced(evidence: Evidence, monkeypatch: pytest.MonkeyPatch) -> None:
    now = [0.0]
    monkeypatch.setattr(demo.time, "monotonic", lambda: now[0])
    monkeypatch.setattr(demo.time, "sleep", lambda s: now.__setitem__(0, now[0] + s))
    line = SimulatedHoldLine()
    session = Session(ScriptedListener(FS), evidence, line)
    demo.play(ScriptedMachine(200), session, line, lambda x, held: None, speed=4.0)
    assert now[0] == pytest.approx(200 * 0.05 / 4.0)
