"""Whoever watches the page holds up nobody: the heart beats on with a hundred pages open and one that never
reads."""

from __future__ import annotations

import asyncio
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import websockets

from dashboard.app import SessionOperator, create_app
from dashboard.live import LiveState
from dashboard.serve import listen as take_address
from dashboard.serve import serving
from monitor.commands import listen
from monitor.evidence.recorder import Evidence
from monitor.evidence.store import BatchInfo
from monitor.job import default_job
from monitor.ports import Block
from monitor.session import Session
from tests.scripted import CountingLine, ScriptedListener

FS = 8_000
WATCHERS = 100
SECONDS = 4.0
INFO = BatchInfo(datetime(2026, 11, 25, 10, tzinfo=UTC), "given", "scripted", FS, "", "", "0")


def in_real_time(seconds: float) -> Iterator[Block]:
    """A hop of 50 ms every 50 ms, as near as this computer can."""
    next_at = time.monotonic()
    for _ in range(round(seconds * 20)):
        next_at += 0.05
        time.sleep(max(0.0, next_at - time.monotonic()))
        yield Block(np.zeros(FS // 20, np.float32), time.monotonic(), True)


def never_reading(port: int) -> socket.socket:
    """Asks for the live data, and takes none of it."""
    asleep = socket.create_connection(("127.0.0.1", port))
    asleep.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    asleep.sendall(
        f"GET /api/live HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nOrigin: http://127.0.0.1:{port}\r\n"
        "Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n".encode()
    )
    return asleep


async def watch(port: int, counts: list[int], done: threading.Event) -> None:
    """Open the live data of so many pages, and read it all."""

    async def one(number: int) -> None:
        address = f"ws://127.0.0.1:{port}"
        async with websockets.connect(f"{address}/api/live", origin=f"http://127.0.0.1:{port}") as page:  # type: ignore[arg-type]
            while not done.is_set():
                await asyncio.wait_for(page.recv(), 10.0)
                counts[number] += 1

    await asyncio.gather(*(one(number) for number in range(len(counts))))


def test_a_hundred_pages_and_one_that_never_reads(tmp_path: Path) -> None:
    live, done, counts = LiveState(default_job()), threading.Event(), [0] * (WATCHERS - 1)
    beats: list[float] = []
    with closing(take_address(port=0)) as listening, Evidence(tmp_path, INFO) as evidence:
        session = Session(ScriptedListener(FS), evidence, CountingLine())
        session.on_heard.append(lambda heard: live.heard(heard, session.board))
        port = listening.getsockname()[1]
        with serving(create_app(live, SessionOperator(session, live)), listening):
            watchers = threading.Thread(target=lambda: asyncio.run(watch(port, counts, done)))
            with closing(never_reading(port)):
                watchers.start()
                listen.hear(
                    in_real_time(SECONDS),
                    session,
                    lambda at: beats.append(time.monotonic()),
                    lambda board, hearing: None,
                    lambda x, held: None,
                    lambda: None,
                    lambda: 0,
                    threading.Event(),
                )
                done.set()
                watchers.join(15.0)
    assert len(beats) == round(SECONDS * 20)
    # A tenth is usual with all of them; what is asked leaves room for a computer that tests.
    assert np.max(np.diff(beats)) < 1.0
    assert min(counts) > 0
