"""Serving the dashboard beside a running analysis: uvicorn in a thread of its own."""

from __future__ import annotations

import errno
import ipaddress
import logging
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import uvicorn
from starlette.types import ASGIApp

from monitor.errors import InputError

START_TIMEOUT_S = 10.0
STOP_TIMEOUT_S = 5.0


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
        log_level="warning",
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


def _no_fault_of_ours(record: logging.LogRecord) -> bool:
    """What a client sends as text and is none closes its connection; uvicorn would show where in itself."""
    if record.exc_info and isinstance(record.exc_info[1], UnicodeDecodeError):
        record.exc_info = None
        record.levelno, record.levelname = logging.WARNING, "WARNING"
    return True


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
