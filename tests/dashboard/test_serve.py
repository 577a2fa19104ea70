"""Serving beside an analysis: addresses, slow browsers, and an end that leaves nothing behind."""

from __future__ import annotations

import asyncio
import json
import socket
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from functools import partial
from typing import Any

import pytest
from websockets.exceptions import ConnectionClosed
from websockets.sync.client import connect

from dashboard import serve
from dashboard.app import create_app
from dashboard.live import HISTORY_ROWS
from dashboard.serve import listen, serving
from monitor.errors import InputError
from tests.dashboard.shop import Shop, heard


@pytest.fixture
def shop() -> Shop:
    shop = Shop()
    shop.work(2)
    return shop


@pytest.fixture
def port(shop: Shop) -> Iterator[int]:
    with closing(listen("127.0.0.1", 0)) as listening, serving(create_app(shop.live, shop), listening):
        yield listening.getsockname()[1]


def test_the_page_is_there_and_gone_afterwards(shop: Shop) -> None:
    with closing(listen("127.0.0.1", 0)) as listening:
        port = listening.getsockname()[1]
        with (
            serving(create_app(shop.live, shop), listening),
            urllib.request.urlopen(f"http://127.0.0.1:{port}/") as page,
        ):
            assert page.status == 200
    assert not any(thread.name == "dashboard" for thread in threading.enumerate())
    with pytest.raises(OSError, match="refused"):
        socket.create_connection(("127.0.0.1", port), timeout=1)


def test_a_port_in_use_is_said_with_the_mend() -> None:
    with closing(listen("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(InputError, match=f"--port {port}: is in use .* such as --port {port + 1}"):
            listen("127.0.0.1", port)


def test_an_address_that_is_not_ours_is_said() -> None:
    with pytest.raises(InputError, match="--host no host: is no address"):
        listen("no host", 0)
    with pytest.raises(InputError, match=r"--host 192\.0\.2\.1"):  # TEST-NET-1, RFC 5737: nobody's
        listen("192.0.2.1", 0)


def test_a_slow_browser_holds_up_neither_the_analysis_nor_another_browser(shop: Shop, port: int) -> None:
    address, origin = f"ws://127.0.0.1:{port}/api/live", f"http://127.0.0.1:{port}"
    plenty = heard(shop.job, 0, 100)  # 2000 rows: what the slow one leaves unread soon fills its pipe
    taken = []
    narrow = socket.socket()
    narrow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    narrow.connect(("127.0.0.1", port))
    with (
        connect(address, origin=origin, sock=narrow, max_queue=1) as slow,
        connect(address, origin=origin) as quick,
    ):
        slow.recv()
        for i in range(30):
            began = time.perf_counter()
            shop.live.heard(plenty, shop.board)
            taken.append(time.perf_counter() - began)
            cursor = json.loads(quick.recv(timeout=5))["cursor"]
            assert cursor[0] >= 40 + 2000 * (i - 1)  # the quick one is at most one message behind
        last = json.loads(quick.recv(timeout=5))
        # Taking 2000 rows is some milliseconds of work; waiting for a browser would be seconds.
        assert sorted(taken)[15] < 1.0
        assert max(taken) < 2.0
        # The slow one, when it reads again, comes to the present by messages that the history bounds.
        newest = 0
        while newest < last["cursor"][0]:
            message = json.loads(slow.recv(timeout=5))
            assert len(message["rows"]) <= HISTORY_ROWS
            newest = message["cursor"][0]


def test_text_that_is_none_closes_its_connection_and_shows_no_traceback(
    port: int, caplog: pytest.LogCaptureFixture
) -> None:
    address, origin = f"ws://127.0.0.1:{port}/api/live", f"http://127.0.0.1:{port}"
    with connect(address, origin=origin) as one:
        one.socket.sendall(b"\x81\x81\0\0\0\0\xff")  # RFC 6455, 5.6: a text frame has to be UTF-8
        with suppress(ConnectionClosed):
            while True:
                one.recv(timeout=5)
    assert one.close_code == 1007
    assert not [record for record in caplog.records if record.exc_info]


def test_a_browser_that_vanishes_is_forgotten(shop: Shop, port: int) -> None:
    address, origin = f"ws://127.0.0.1:{port}/api/live", f"http://127.0.0.1:{port}"
    for _ in range(120):  # more than may watch at once
        with connect(address, origin=origin, close_timeout=0) as one:
            one.recv()
            one.socket.shutdown(socket.SHUT_RDWR)
    with connect(address, origin=origin) as another:
        assert json.loads(another.recv(timeout=2))["fresh"]


# ---- connections: each is an open file, and a monitor without files left is a monitor that ends


def is_closed(one: socket.socket) -> bool:
    """Whether the other end has let go."""
    one.settimeout(0.05)
    try:
        return one.recv(1) == b""
    except TimeoutError:
        return False
    except OSError:
        return True


def eventually(true: Callable[[], bool], within_s: float = 10.0) -> bool:
    until = time.monotonic() + within_s
    while not true():
        if time.monotonic() > until:
            return False
        time.sleep(0.02)
    return True


def answers(port: int) -> bool:
    """Whether an honest browser gets the page."""
    with suppress(OSError), urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=2) as page:
        return bool(page.status == 200)
    return False


def test_connections_are_no_more_than_may_be(port: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serve, "MOST_CONNECTIONS", 20)
    opened = [socket.create_connection(("127.0.0.1", port)) for _ in range(60)]
    assert eventually(lambda: sum(map(is_closed, opened)) == 40)
    assert not answers(port)
    for one in opened:
        one.close()
    assert eventually(lambda: answers(port))


def test_one_address_cannot_take_them_all(port: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serve, "is_loopback", lambda host: host != "127.0.0.2")
    monkeypatch.setattr(serve, "MOST_OF_ONE_ADDRESS", 5)
    opened = [
        socket.create_connection(("127.0.0.1", port), source_address=("127.0.0.2", 0)) for _ in range(12)
    ]
    assert eventually(lambda: sum(map(is_closed, opened)) == 7)
    assert answers(port)
    for one in opened:
        one.close()


@pytest.mark.parametrize("said", [b"", b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: "])
def test_a_request_that_is_never_ended_is_given_up(
    port: int, monkeypatch: pytest.MonkeyPatch, said: bytes
) -> None:
    monkeypatch.setattr(serve, "REQUEST_TIMEOUT_S", 0.3)
    whole = f"GET /api/session HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode()
    for before in (b"", whole):  # also after one that was answered
        with socket.create_connection(("127.0.0.1", port)) as one:
            one.sendall(before)
            if before:
                assert one.recv(10_000).startswith(b"HTTP/1.1 200")
            one.sendall(said)
            for _ in range(3):  # dribbling does not help
                with suppress(OSError):
                    time.sleep(0.05)
                    one.sendall(said and b"a")
            assert eventually(partial(is_closed, one))


def test_whoever_takes_nothing_is_given_up(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serve, "READ_TIMEOUT_S", 0.3)
    gone = threading.Event()

    async def app(scope: Any, receive: Any, send: Any) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})
        for _ in range(1000):
            await send({"type": "http.response.body", "body": b"0" * 1_000_000, "more_body": True})
            if receive_now.done():
                gone.set()
                return

    async def wrapped(scope: Any, receive: Any, send: Any) -> None:
        nonlocal receive_now
        await receive()
        receive_now = asyncio.ensure_future(receive())  # answers when the connection is lost
        await app(scope, receive, send)

    receive_now: asyncio.Future[Any]
    with closing(listen("127.0.0.1", 0)) as listening, serving(wrapped, listening):
        port = listening.getsockname()[1]
        with socket.create_connection(("127.0.0.1", port)) as one:
            one.sendall(f"GET / HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
            assert gone.wait(10.0)


def test_nobody_fills_the_log(port: int, capfd: pytest.CaptureFixture[str]) -> None:
    for said in (
        b"x\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: upgrade\r\nUpgrade: h2c\r\n\r\n",
    ):
        for _ in range(20):
            with socket.create_connection(("127.0.0.1", port)) as one:
                one.sendall(said)
                one.recv(1000)
    assert capfd.readouterr() == ("", "")
