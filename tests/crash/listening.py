"""A running `listen` to be killed: its own process, its own evidence, a microphone that hears recordings
over and over faster than time, and a client on its page that writes down what it was told.

Processes are forked from one that has imported everything: a start takes tenths of a second.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import select
import signal
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from websockets.exceptions import WebSocketException
from websockets.sync.client import connect

import hardware.microphone
from hardware.microphone import Losses
from monitor import cli
from monitor.commands import baseline, listen, page, pecks, replay, report  # noqa: F401  # loaded before the fork
from monitor.ports import Block
from monitor.recordings import read_recording
from monitor.station import MicrophoneChoice

SCENES = Path(__file__).parents[2] / "recordings_synthetic"
BLOCK = 960
PACE = 40.0  # times real time, where the computer can: no more than leaves others some of it
LATE_S = 60.0  # a busy computer

# System calls that change what is on the disk, or tell somebody.
WRITES = "write,writev,pwrite64,pwritev,fsync,fdatasync,rename,renameat,renameat2,ftruncate,unlink,sendto"


class Played:
    """A microphone that hears recordings one after the other without end, or once and then asks to stop."""

    name = "played"
    fs = 48_000

    def __init__(self, x: np.ndarray, once: bool) -> None:
        self.x, self.once = x, once
        self.losses = Losses()

    def __enter__(self) -> Played:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def blocks(self) -> Iterator[Block]:
        """See `hardware.microphone.Microphone`."""
        begun, n = time.monotonic(), 0
        while True:
            for i in range(0, len(self.x), BLOCK):
                x = self.x[i : i + BLOCK]
                n += len(x)
                time.sleep(max(0.0, begun + n / self.fs / PACE - time.monotonic()))
                yield Block(x, time.monotonic(), True)
            if self.once:
                os.kill(os.getpid(), signal.SIGTERM)


def sounds() -> np.ndarray:
    """Good work, a bind, packing, a work holding that backs off: events and clips of many kinds."""
    return np.concatenate(
        [read_recording(SCENES / f"{name}.flac")[0] for name in ("bind", "packing", "loosening")]
    )


def learn(path: Path) -> None:
    """The baseline of the machine in these sounds."""
    words = ["baseline", "-o", str(path)]
    for rpm in (900, 2000):
        words += ["--rpm", str(rpm), str(SCENES / f"baseline_lamp_{rpm}rpm.flac")]
    with contextlib.redirect_stdout(None):
        assert cli.main(words) == 0


@dataclass
class Told:
    """What others were told: lines of the terminal, events of the page, the newest row of the curves, and
    what a person did that was answered with "done".

    ``marks`` are what `mark` said just after each event, acknowledgement and verdict was told.
    """

    lines: list[str] = field(default_factory=list)
    events: list[dict[str, Any]] = field(default_factory=list)
    newest_row_s: float = 0.0
    acknowledged: int = 0
    verdicts: list[int] = field(default_factory=list)
    status: int | None = None
    mark: Callable[[], int] = int
    marks: dict[str, list[int]] = field(
        default_factory=lambda: {"events": [], "acknowledged": [], "verdicts": []}
    )

    def until(self, mark: int) -> Told:
        """What was told before that mark and has to outlive a power cut: holds, what people did."""
        events = zip(self.events, self.marks["events"], strict=True)
        verdicts = zip(self.verdicts, self.marks["verdicts"], strict=True)
        return Told(
            events=[one for one, at in events if at <= mark and one["severity"] == "hold"],
            acknowledged=sum(at <= mark for at in self.marks["acknowledged"]),
            verdicts=[one for one, at in verdicts if at <= mark],
        )


@dataclass
class Running:
    """A forked `listen`."""

    pid: int
    out: int
    release: int
    told: Told = field(default_factory=Told)
    rest: bytes = b""

    def read(self, seconds: float) -> bool:
        """Take what it prints within some time; whether it still may print more."""
        until = time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0:
            if not select.select([self.out], [], [], left)[0]:
                return True
            if not (data := os.read(self.out, 65536)):
                return False
            *lines, self.rest = (self.rest + data).split(b"\n")
            self.told.lines += [line.decode() for line in lines]
        return True

    def until_listening(self) -> int:
        """Wait for its first lines; the port of its page."""
        until = time.monotonic() + LATE_S
        while time.monotonic() < until:
            on = self.read(0.05)
            for line in self.told.lines:
                if found := re.search(r"http://127\.0\.0\.1:([0-9]+)", line):
                    return int(found[1])
            if not on:
                break
        raise AssertionError(f"listen did not begin: {self.told.lines}")

    def end(self) -> None:
        """Kill it, if it is not dead yet, and take the last that it said."""
        with contextlib.suppress(ProcessLookupError):
            os.kill(self.pid, signal.SIGKILL)
        _, status = os.waitpid(self.pid, 0)
        self.told.status = os.waitstatus_to_exitcode(status)
        while self.read(1.0):
            pass
        os.close(self.out)


def start(
    out: Path,
    baseline_file: Path,
    x: np.ndarray,
    once: bool = False,
    held_back: bool = False,
    goes_on: bool = False,
) -> Running:
    """Fork a `listen` that writes into ``out``; ``held_back``: it waits to be let go; ``goes_on``: with the
    batch before."""
    read_end, write_end = os.pipe()
    gate_out, gate_in = os.pipe()
    sys.stdout.flush()
    pid = os.fork()
    if pid == 0:
        status = 1
        try:
            os.close(read_end)
            os.dup2(write_end, 1)
            os.dup2(write_end, 2)
            sys.stdout = os.fdopen(1, "w", buffering=1, closefd=False)
            sys.stderr = os.fdopen(2, "w", buffering=1, closefd=False)
            os.close(gate_in)
            if held_back:
                os.read(gate_out, 1)
            hardware.microphone.live_microphone = lambda choice: _played(choice, x, once)
            words = ["--job", str(SCENES / "bind.toml"), "--baseline", str(baseline_file), "--out", str(out)]
            words += ["--continue"] if goes_on else []
            status = cli.main(["listen", *words, "--port", "0"])
        finally:
            os._exit(status)
    os.close(write_end)
    os.close(gate_out)
    return Running(pid, read_end, gate_in)


def _played(choice: MicrophoneChoice, x: np.ndarray, once: bool) -> Played:
    return Played(x, once)


def killed_at_random(running: Running, seconds: float, starting: bool) -> None:
    """Kill it so long after it was started, or after it listens and a client watches it."""
    os.close(running.release)
    if starting:
        running.read(seconds)
    else:
        watch(running, seconds)
    running.end()


def killed_in_a_call(running: Running, nth: int) -> bool:
    """Kill it as it makes its nth system call that writes; whether that call was reached."""
    with contextlib.ExitStack() as opened:
        inject = f"inject={WRITES}:signal=SIGKILL:when={nth}"
        tracer = opened.enter_context(
            subprocess.Popen(
                [
                    "strace",
                    "-f",
                    "-q",
                    "-o",
                    "/dev/null",
                    "-e",
                    f"trace={WRITES}",
                    "-e",
                    inject,
                    "-p",
                    str(running.pid),
                ],
                stderr=subprocess.PIPE,
            )
        )
        attached(running.pid, tracer)
        os.write(running.release, b"x")
        os.close(running.release)
        died = watch(running, LATE_S)
        running.end()
        tracer.terminate()
    return died


def attached(pid: int, tracer: subprocess.Popen[bytes]) -> None:
    """Wait until the tracer holds the process."""
    until = time.monotonic() + LATE_S
    while "TracerPid:\t0\n" in Path(f"/proc/{pid}/status").read_text():
        if tracer.poll() is not None or time.monotonic() > until:
            raise AssertionError(f"strace cannot attach: {tracer.stderr and tracer.stderr.read()!r}")
        time.sleep(0.01)


def watch(running: Running, seconds: float) -> bool:
    """Be its terminal and a client of its page for so long; whether it died meanwhile."""
    with contextlib.suppress(AssertionError):
        port = running.until_listening()
        until = time.monotonic() + seconds
        done = threading.Event()
        client = threading.Thread(target=_be_client, args=(port, running.told, done), daemon=True)
        client.start()
        alive = True
        while alive and (left := until - time.monotonic()) > 0:
            alive = running.read(min(left, 0.1))
        if alive:  # killed while the client looks on
            with contextlib.suppress(ProcessLookupError):
                os.kill(running.pid, signal.SIGKILL)
        done.set()
        client.join(LATE_S)
        return not alive
    return True


def _be_client(port: int, told: Told, done: threading.Event) -> None:
    address, origin = f"ws://127.0.0.1:{port}/api/live", f"http://127.0.0.1:{port}"
    begun, judged = time.monotonic(), 0
    with (
        contextlib.suppress(OSError, WebSocketException, EOFError),
        connect(address, origin=origin) as socket,
    ):
        while not done.is_set():
            with contextlib.suppress(TimeoutError):
                message = json.loads(socket.recv(timeout=0.1))
                told.events += message["events"]
                told.marks["events"] += [told.mark()] * len(message["events"])
                if message["rows"]:
                    told.newest_row_s = message["rows"][-1][0]
            # Thresholds are moved, alarms seen and holds judged, as fast as the server answers.
            percent = 4.0 + (time.monotonic() - begun) % 3.0
            _post(port, "/api/limits", {"warning_pct": percent, "hold_pct": 8.0})
            if _post(port, "/api/acknowledge"):
                told.acknowledged += 1
                told.marks["acknowledged"].append(told.mark())
            holds = [event for event in told.events if event["severity"] == "hold"]
            if len(holds) > judged:
                number = _newest_hold(port)
                if number and _post(port, f"/api/events/{number}/verdict", {"verdict": "real"}):
                    told.verdicts.append(number)
                    told.marks["verdicts"].append(told.mark())
                    judged = len(holds)


def _newest_hold(port: int) -> int | None:
    with contextlib.suppress(OSError, ValueError, StopIteration):
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/api/batches", timeout=5) as answer:
            running = json.load(answer)["running"]
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/api/batches/{running}", timeout=5) as answer:
            events = json.load(answer)["events"]
        return next(int(event["number"]) for event in reversed(events) if event["severity"] == "hold")
    return None


def _post(port: int, path: str, body: dict[str, Any] | None = None) -> bool:
    origin = f"http://127.0.0.1:{port}"
    headers = {"Origin": origin, "Content-Type": "application/json"}
    data = json.dumps(body).encode() if body is not None else b""
    with contextlib.suppress(OSError, ValueError):
        request = urllib.request.Request(origin + path, data, headers, method="POST")
        with urllib.request.urlopen(request, timeout=5) as answer:
            return answer.status == 200
    return False
