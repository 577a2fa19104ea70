"""Serving beside an analysis: addresses, slow browsers, and an end that leaves nothing behind."""

from __future__ import annotations

import json
import socket
import threading
import time
import urllib.request
from collections.abc import Iterator
from contextlib import closing, suppress

import pytest
from websockets.exceptions import ConnectionClosed
from websockets.sync.client import connect

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
        assert sorted(taken)[15] < 0.2
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
