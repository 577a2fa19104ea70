"""Programs side by side: one that ends, hangs or cannot begin is started again, and no other notices."""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from hardware import supervise
from hardware.supervise import Program, keep_running

ALIVE = """
import os, signal, socket, sys, time
def end(*_):
    print("good bye", flush=True)
    sys.exit(10)
signal.signal(signal.SIGTERM, end)
line = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
line.sendto(b"READY=1", os.environ["NOTIFY_SOCKET"])
print("here", os.getpid(), flush=True)
"""
SPEAKS = 'while True: line.sendto(b"WATCHDOG=1", os.environ["NOTIFY_SOCKET"]); time.sleep(0.05)\n'


def program(name: str, code: str, speaks: bool = True) -> Program:
    return Program(name, [sys.executable, "-c", code], speaks)


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tenths where seconds are meant."""
    monkeypatch.setattr(supervise, "RESTART_S", (0.1,))


class Watched:
    """What was told, in a thread that keeps programs running."""

    def __init__(self) -> None:
        self.said: list[str] = []
        self.statuses: dict[str, list[int]] = {}

    def pids(self, name: str) -> list[int]:
        return [int(text.split()[-1]) for text in self.said if text.startswith(f"{name}: here")]

    def until(self, what: Callable[[], bool], seconds: float = 30.0) -> None:
        end = time.monotonic() + seconds
        while not what():
            assert time.monotonic() < end, self.said
            time.sleep(0.02)


@contextmanager
def kept(*programs: Program) -> Iterator[Watched]:
    stop, watched = threading.Event(), Watched()

    def keep() -> None:
        watched.statuses = dict(keep_running(programs, stop, watched.said.append))

    thread = threading.Thread(target=keep)
    thread.start()
    try:
        yield watched
    finally:
        stop.set()
        thread.join(40)


def test_one_that_is_killed_is_started_again_and_the_other_goes_on() -> None:
    with kept(program("a", ALIVE + SPEAKS), program("b", ALIVE + SPEAKS)) as watched:
        watched.until(lambda: bool(watched.pids("a") and watched.pids("b")))
        os.kill(watched.pids("a")[0], signal.SIGKILL)
        watched.until(lambda: len(watched.pids("a")) == 2)
        assert len(watched.pids("b")) == 1
        os.kill(watched.pids("b")[0], 0)  # it is there
    assert watched.statuses == {"a": [-9, 10], "b": [10]}
    assert any("was ended by signal 9; it starts again, held" in text for text in watched.said)
    assert watched.said.count("b: good bye") == 1


def test_one_that_hangs_is_killed_and_started_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supervise, "SILENT_S", 1.0)
    hangs = ALIVE + "time.sleep(600)\n"
    with kept(program("a", hangs), program("b", ALIVE + SPEAKS)) as watched:
        watched.until(lambda: len(watched.pids("a")) >= 2)
        assert any("is alive: killed" in text for text in watched.said)
    assert -9 in watched.statuses["a"]
    assert watched.statuses["b"] == [10]


def test_one_that_cannot_begin_is_told_and_keeps_no_other_from_its_work() -> None:
    wrong = program("a", "import sys; print('no such job', file=sys.stderr); sys.exit(2)")
    with kept(wrong, program("b", ALIVE + SPEAKS)) as watched:
        watched.until(lambda: watched.said.count("a: no such job") >= 2 and bool(watched.pids("b")))
    # it may just have been started again as all are asked to stop
    assert watched.statuses["a"][0] == 2
    assert set(watched.statuses["a"]) <= {2, -signal.SIGTERM}
    assert watched.statuses["b"] == [10]


def test_it_waits_longer_where_nothing_begins(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supervise, "RESTART_S", (0.05, 0.3, 600.0))
    with kept(program("a", "import sys; sys.exit(1)")) as watched:
        watched.until(lambda: any("in 600 s" in text for text in watched.said))
    assert len(watched.statuses["a"]) == 2


def test_one_that_does_not_want_to_end_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supervise, "STOP_S", 0.5)
    stubborn = ALIVE + "signal.signal(signal.SIGTERM, signal.SIG_IGN)\n" + SPEAKS
    with kept(program("a", stubborn)) as watched:
        watched.until(lambda: bool(watched.pids("a")))
        time.sleep(0.3)
    assert watched.statuses == {"a": [-9]}
    with pytest.raises(ProcessLookupError):
        os.kill(watched.pids("a")[0], 0)


def test_what_others_need_ends_last() -> None:
    needed = (
        "import signal, sys, time\n"
        "def end(*_):\n"
        "    print('last', flush=True)\n"
        "    sys.exit(0)\n"
        "signal.signal(signal.SIGTERM, end)\n"
        "print('here 1', flush=True)\n"
        "time.sleep(600)\n"
    )
    with kept(program("sound", needed, speaks=False), program("a", ALIVE + SPEAKS)) as watched:
        watched.until(lambda: bool(watched.pids("a") and watched.pids("sound")))
    assert watched.said.index("a: good bye") < watched.said.index("sound: last")
