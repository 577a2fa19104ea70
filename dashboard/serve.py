"""Serving the dashboard beside a running analysis: uvicorn in a thread of its own."""

from __future__ import annotations

import asyncio
import errno
import ipaddress
import logging
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

from monitor.errors import InputError

START_TIMEOUT_S = 10.0  # mostly well under a second
STOP_TIMEOUT_S = 5.0  # then it is left alone: the thread ends with the program

# Every connection is an open file, of which a program may have 1024: what the page takes must leave the
# evidence enough, or whoever opens connections ends the monitor.
MOST_CONNECTIONS = 400
MOST_OF_ONE_ADDRESS = 64  # a browser opens some eight; not asked of this computer itself
ACCEPTED_AT_ONCE = 64  # before it is seen which of them have gone again
REQUEST_TIMEOUT_S = 10.0  # for all of its headers
READ_TIMEOUT_S = 60.0  # whoever takes nothing for so long has gone


def listen(host: str = "127.0.0.1", port: int = 8765) -> socket.socket:
    """Take an address for the page, before anything that takes long; port 0 takes any free one.

    Raises
    ------
    InputError
        The address cannot be listened on; the message says why and how to mend it.
    """
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
    except (OSError, UnicodeError):
        raise InputError(f"--host {host}: is no address of this computer; give 127.0.0.1") from None
    family, kind, protocol, _, address = found[0]
    listening = socket.socket(family, kind, protocol)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind(address)
        listening.listen(128)
    except OSError as error:
        listening.close()
        raise InputError(_why_not(host, port, error)) from None
    return listening


@contextmanager
def serving(app: ASGIApp, listening: socket.socket) -> Iterator[None]:
    """Serve in the background for as long as the block lasts."""
    config = uvicorn.Config(
        app,
        http=BoundedHttp,
        backlog=ACCEPTED_AT_ONCE,
        log_level="error",  # warnings tell of what clients send, as often as they like
        access_log=False,
        lifespan="off",
        server_header=False,
        ws_max_size=1024,  # a watching page has nothing to say
        ws_per_message_deflate=False,  # messages are a few hundred bytes; deflating costs more than it saves
        timeout_graceful_shutdown=1,
    )
    logging.getLogger("uvicorn.error").addFilter(_no_fault_of_ours)
    server = uvicorn.Server(config)
    thread = threading.Thread(
        target=server.run, kwargs={"sockets": [listening]}, name="dashboard", daemon=True
    )
    thread.start()
    try:
        _await_start(server, thread)
        yield
    finally:
        server.should_exit = True
        thread.join(STOP_TIMEOUT_S)


class BoundedHttp(H11Protocol):
    """Connections that are few, that say what they want within a time, and that take what they asked for.

    Where there are too many the newest is dropped without a word: an answer would be work.
    """

    _given_up: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take it, or drop it."""
        super().connection_made(transport)
        if len(self.connections) > MOST_CONNECTIONS or self._of_one_address() > MOST_OF_ONE_ADDRESS:
            transport.abort()
        else:
            self._expect_request()

    def connection_lost(self, exc: Exception | None) -> None:
        """It has gone."""
        self._expect_nothing()
        super().connection_lost(exc)

    def on_response_complete(self) -> None:
        """The next request of the same connection has as long as the first."""
        super().on_response_complete()
        self._expect_request()

    def handle_websocket_upgrade(self, event: Any) -> None:
        """From here on it is watched by what sends to it."""
        self._expect_nothing()
        super().handle_websocket_upgrade(event)

    def pause_writing(self) -> None:
        """It takes nothing now."""
        self.flow.pause_writing()
        self._expect_nothing()
        self._given_up = self.loop.call_later(READ_TIMEOUT_S, self.transport.abort)

    def resume_writing(self) -> None:
        """It takes something again."""
        self.flow.resume_writing()
        self._expect_nothing()

    def _of_one_address(self) -> int:
        if self.client is None or is_loopback(self.client[0]):
            return 0
        transports = [getattr(one, "transport", None) for one in self.connections]
        peers = [one.get_extra_info("peername") for one in transports if one is not None]
        return sum(peer is not None and peer[0] == self.client[0] for peer in peers)

    def _expect_request(self) -> None:
        self._expect_nothing()
        self._given_up = self.loop.call_later(REQUEST_TIMEOUT_S, self._give_up)

    def _expect_nothing(self) -> None:
        if self._given_up is not None:
            self._given_up.cancel()
            self._given_up = None

    def _give_up(self) -> None:
        if self.cycle is None or self.cycle.response_complete:
            self.transport.abort()


def _no_fault_of_ours(record: logging.LogRecord) -> bool:
    """What a client sends as text and is none closes its connection; uvicorn would show where in itself."""
    return not (record.exc_info and isinstance(record.exc_info[1], UnicodeDecodeError))


def page_address(host: str, port: int) -> str:
    """The address to open in a browser; for every address of this computer, the one others reach it by.

    Examples
    --------
    >>> page_address("127.0.0.1", 8765), page_address("::1", 80)
    ('http://127.0.0.1:8765/', 'http://[::1]:80/')
    """
    if host in ("0.0.0.0", "::", ""):
        host = _own_address()
    return f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"


def _own_address() -> str:
    """The address from which this computer would speak to another one; nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1, RFC 5737: nobody's
            return str(probe.getsockname()[0])
        except OSError:  # no network
            return "127.0.0.1"


def is_loopback(host: str) -> bool:
    """True when only this computer can reach ``host``.

    Examples
    --------
    >>> is_loopback("127.0.0.1"), is_loopback("localhost"), is_loopback("::1"), is_loopback("0.0.0.0")
    (True, True, True, False)
    """
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _why_not(host: str, port: int, error: OSError) -> str:
    if error.errno == errno.EADDRINUSE:
        return f"--port {port}: is in use by another program; give another, such as --port {port % 65535 + 1}"
    if error.errno == errno.EACCES:
        return f"--port {port}: is not allowed to this user; give one above 1023, such as --port 8765"
    return f"--host {host}, --port {port}: cannot be listened on ({error.strerror})"


def _await_start(server: uvicorn.Server, thread: threading.Thread) -> None:
    until = time.monotonic() + START_TIMEOUT_S
    while not server.started:
        if not thread.is_alive() or time.monotonic() > until:
            raise RuntimeError("the dashboard's server did not start")
        time.sleep(0.01)
