"""Several programs kept running side by side: one that ends or hangs is started again, and no other notices.

As systemd does for one (hardware/spindlebell.service): a monitor says every second that it is alive, by the
same messages (sd_notify(3)), over a socket of its own. Only programs are started again, never a machine: a
monitor that starts holds until a person resets.
"""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO

# As the unit has them: TimeoutStartSec, WatchdogSec, TimeoutStopSec, RestartSec.
START_S, SILENT_S, STOP_S = 60.0, 30.0, 20.0
RESTART_S = (5.0, 10.0, 30.0, 60.0)  # longer while it does not even begin: what is wrong is told each time
LOOK_S = 0.2


@dataclass(frozen=True)
class Program:
    """What is kept running: its name, its command, and whether it says that it is alive."""

    name: str
    command: Sequence[str]
    speaks: bool = True


class Kept:
    """One program, as often as it has to be started."""

    def __init__(self, program: Program, folder: Path, tell: Callable[[str], None]) -> None:
        self.program = program
        self.statuses: list[int] = []
        self._tell = tell
        self._address = folder / f"{program.name}.alive"
        self._heard = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._heard.bind(str(self._address))
        self._heard.setblocking(False)
        self._process: subprocess.Popen[str] | None = None
        self._due = 0.0
        self._tries = 0
        self._alive_at = 0.0
        self._begun = False

    @property
    def running(self) -> bool:
        """Whether there is a process."""
        return self._process is not None

    def start(self) -> None:
        """Start it."""
        env = {**os.environ, "PYTHONUNBUFFERED": "1"}
        env.pop("NOTIFY_SOCKET", None)
        if self.program.speaks:
            env["NOTIFY_SOCKET"] = str(self._address)
        self._listen()  # what an earlier one still said
        self._begun = not self.program.speaks
        self._alive_at = time.monotonic()
        self._process = subprocess.Popen(
            self.program.command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="replace",
            env=env,
        )
        reader = threading.Thread(target=self._pass_on, args=(self._process.stdout,), daemon=True)
        reader.start()

    def look(self, stopping: bool) -> None:
        """See how it is; start it again, or end it, as it needs."""
        now = time.monotonic()
        self._listen()
        if self._process is None:
            if not stopping and now >= self._due:
                self.start()
            return
        status = self._process.poll()
        if status is not None:
            self._ended(status, stopping, now)
        elif self.program.speaks and now - self._alive_at > (SILENT_S if self._begun else START_S):
            silent_s = now - self._alive_at
            self._tell(f"{self.program.name}: has not said for {silent_s:.0f} s that it is alive: killed.")
            self._process.kill()

    def ask_to_stop(self) -> None:
        """In good order."""
        if self._process is not None:
            self._process.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        """Not in good order; and nothing is left open."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self.statuses.append(self._process.returncode)
            self._process = None
        self._heard.close()

    def _ended(self, status: int, stopping: bool, now: float) -> None:
        self.statuses.append(status)
        self._process = None
        if stopping:
            return
        self._tries = 0 if self._begun and self.program.speaks else self._tries + 1
        wait_s = RESTART_S[min(self._tries, len(RESTART_S) - 1)]
        self._due = now + wait_s
        how = f"was ended by signal {-status}" if status < 0 else f"ended with exit status {status}"
        self._tell(f"{self.program.name}: {how}; it starts again, held, in {wait_s:.0f} s. The others go on.")

    def _listen(self) -> None:
        with suppress(BlockingIOError):
            while True:
                said = self._heard.recv(4096)
                self._alive_at = time.monotonic()
                self._begun = self._begun or b"READY=1" in said

    def _pass_on(self, lines: IO[str] | None) -> None:
        assert lines is not None
        with lines:
            for line in lines:
                if line.strip():
                    self._tell(f"{self.program.name}: {line.rstrip()}")


def keep_running(
    programs: Sequence[Program],
    stop: threading.Event,
    tell: Callable[[str], None],
    alive: Callable[[], None] = lambda: None,
) -> Mapping[str, list[int]]:
    """Keep programs running until ``stop``; then end them in good order.

    Parameters
    ----------
    programs : sequence of Program
        Those that the others need come first, and are ended last.
    stop : Event
        Ends it.
    tell : callable
        Given each line that a program says, with its name before it, and what was done to it.
    alive : callable
        Called a few times a second.

    Returns
    -------
    mapping
        By name, the exit statuses in their order; negative where a signal ended it.
    """
    one_at_a_time = threading.Lock()

    def say(text: str) -> None:
        with one_at_a_time:
            tell(text)

    with tempfile.TemporaryDirectory(prefix="spindlebell-") as folder:
        kept = [Kept(program, Path(folder), say) for program in programs]
        try:
            while not stop.is_set():
                for one in kept:
                    one.look(stopping=False)
                alive()
                stop.wait(LOOK_S)
            _end([one for one in kept if one.program.speaks])
            _end([one for one in kept if not one.program.speaks])
        finally:
            for one in kept:
                one.kill()
    return {one.program.name: one.statuses for one in kept}


def _end(kept: Sequence[Kept]) -> None:
    for one in kept:
        one.ask_to_stop()
    until = time.monotonic() + STOP_S
    while any(one.running for one in kept) and time.monotonic() < until:
        for one in kept:
            one.look(stopping=True)
        time.sleep(LOOK_S / 4)
