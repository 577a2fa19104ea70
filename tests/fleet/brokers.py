"""A real broker (Debian's mosquitto) that can be killed, and a network between that can be cut."""

from __future__ import annotations

import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from multiprocessing.connection import wait
from pathlib import Path

import pytest

MOSQUITTO = shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin:/usr/local/bin")
needs_broker = pytest.mark.skipif(MOSQUITTO is None, reason="no mosquitto here: apt-get install mosquitto")

PLAIN = "allow_anonymous true\n"


def free_port() -> int:
    """A port that nobody uses now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Mosquitto:
    """Debian's broker, with its settings, on a port of its own; keeps nothing on disk."""

    def __init__(self, folder: Path, settings: str = PLAIN, port: int = 0) -> None:
        self.port = port or free_port()
        self._config = folder / "mosquitto.conf"
        # As whoever starts it: as root it would change its user, who may not read a test's files.
        self._config.write_text(f"user root\nlistener {self.port} 127.0.0.1\n{settings}")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it answers."""
        assert MOSQUITTO is not None
        self._process = subprocess.Popen(
            [MOSQUITTO, "-c", str(self._config)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        until = time.monotonic() + 10
        while time.monotonic() < until:
            with suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1):
                return
            time.sleep(0.02)
        raise AssertionError("the broker did not start")

    def kill(self) -> None:
        """SIGKILL: what it had not handed on is gone."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None


@contextmanager
def mosquitto(folder: Path, settings: str = PLAIN) -> Iterator[Mosquitto]:
    """A running broker for as long as the block lasts."""
    broker = Mosquitto(folder, settings)
    broker.start()
    try:
        yield broker
    finally:
        broker.kill()


class Network:
    """A cable between a port of ours and a broker's. Cut, it swallows what is sent and says nothing, as a
    pulled plug does; ``broken`` closes every connection, as a switch that reboots does."""

    def __init__(self, to_port: int) -> None:
        self._to_port = to_port
        self._listening = socket.create_server(("127.0.0.1", 0), backlog=256)
        self.port = int(self._listening.getsockname()[1])
        self.whole = threading.Event()
        self.whole.set()
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        """From now on nothing arrives, in either direction."""
        self.whole.clear()

    def mend(self) -> None:
        """The plug is in again; what was under way is lost, and so are the connections of before."""
        self.broken()
        self.whole.set()

    def broken(self) -> None:
        """Close every connection."""
        pairs, self._pairs = self._pairs, []
        for pair in pairs:
            for end in pair:
                with suppress(OSError):
                    end.shutdown(socket.SHUT_RDWR)
                end.close()

    def close(self) -> None:
        """No cable any more."""
        self._listening.close()
        self.broken()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listening.accept()
            except OSError:
                return
            try:
                far = socket.create_connection(("127.0.0.1", self._to_port), 2)
            except OSError:
                near.close()
                continue
            self._pairs.append((near, far))
            threading.Thread(target=self._carry, args=(near, far), daemon=True).start()

    def _carry(self, near: socket.socket, far: socket.socket) -> None:
        """Both directions, until one end is closed; of a cut cable no end learns that."""
        other = {near: far, far: near}
        with suppress(OSError, ValueError):
            near.setblocking(True)
            far.setblocking(True)
            ends = [near, far]
            while ends:
                for end in wait(ends):
                    assert isinstance(end, socket.socket)
                    data = end.recv(65536)
                    if data and self.whole.is_set():
                        other[end].sendall(data)
                    elif not data:
                        ends.remove(end)
                        if self.whole.is_set():
                            raise OSError
        for end in (near, far):
            end.close()


@contextmanager
def network(to_port: int) -> Iterator[Network]:
    """A cable for as long as the block lasts."""
    cable = Network(to_port)
    try:
        yield cable
    finally:
        cable.close()
