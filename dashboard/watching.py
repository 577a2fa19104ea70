"""What a page sees and hears of the work that is going on.

GET  /api/state          everything the page knows, once
GET  /api/sound.wav      the last seconds of what the microphone hears
GET  /api/hold.wav       the seconds around the newest hold
WS   /api/live           the same as /api/state, then what is new, at most 20 times a second
"""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from typing import Annotated, Any, Protocol

import anyio
from fastapi import FastAPI, HTTPException, Query, Response, WebSocket, WebSocketDisconnect

from dashboard.entry import Visitor
from dashboard.live import Cursor
from dashboard.operating import NOT_ALLOWED, refused
from dashboard.sound import SoundMemory

UPDATE_INTERVAL_S = 0.05  # one analysis hop: faster would repeat, slower would be seen
# The page calls the data lost after 1.5 s without a message, so two of these may go missing.
HEARTBEAT_S = 0.5
SEND_TIMEOUT_S = 10.0  # a browser that takes nothing for so long is gone, or will come back for it
MAX_WATCHERS = 100  # every phone of a shop; each takes 20 messages a second
MOST_SAID = 100  # messages from a watcher, who has nothing to say
SESSION_OVER = 4401  # WebSocket close code of our own: come in again

Number = Annotated[int, Query(ge=0, le=2**53)]


class Watched(Protocol):
    """What can be watched: the work of a monitor (`LiveState`), or a shop of them."""

    on_change: list[Callable[[], None]]
    run: str

    @property
    def version(self) -> int:
        """Grows with every change."""
        ...

    def since(self, cursor: Cursor, run: str = "") -> tuple[dict[str, Any], Cursor]:
        """What a reader with this cursor has not seen, and the cursor that this makes."""
        ...


@dataclass
class Broadcast:
    """The messages to all who watch, put into text once for all who have seen as much.

    Watchers wake together, at once after a change: while the analysis waits for the next sound, and so
    does not compete with them for the interpreter.
    """

    live: Watched
    can_listen: bool
    _changed: anyio.Event | None = None
    _beat: tuple[int, int] = (-1, -1)
    _texts: dict[Cursor, tuple[str, Cursor]] = field(default_factory=dict)

    async def change(self, version: int) -> None:
        """Wait until there is something newer than this."""
        if self._changed is None:
            loop = asyncio.get_running_loop()
            self._changed = anyio.Event()
            self.live.on_change.append(partial(_from_outside, loop, self._wake))
        if self.live.version == version:
            await self._changed.wait()

    def _wake(self) -> None:
        if self._changed is not None:
            self._changed.set()
        self._changed = anyio.Event()

    def whole(self) -> dict[str, Any]:
        """Everything the page knows."""
        message, _ = self.live.since(Cursor())
        return message | {"can_listen": self.can_listen}

    def step(self, cursor: Cursor, run: str, beat: int) -> tuple[str, Cursor]:
        """What is new to whoever has seen this much, as text, and how much that makes."""
        now = (beat, self.live.version)
        if now != self._beat:
            self._beat = now
            self._texts.clear()
        if run == self.live.run and cursor in self._texts:
            return self._texts[cursor]
        message, newest = self.live.since(cursor, run)
        if message["fresh"]:
            message["can_listen"] = self.can_listen
        told = json.dumps(message, separators=(",", ":"), allow_nan=False), newest
        if run == self.live.run:
            self._texts[cursor] = told
        return told


def _from_outside(loop: asyncio.AbstractEventLoop, wake: Callable[[], None]) -> None:
    """Wake whoever waits in the loop of the server, from the thread of the analysis."""
    with suppress(RuntimeError):  # the server has gone
        loop.call_soon_threadsafe(wake)


def add_watching(app: FastAPI, live: Watched, sound: SoundMemory | None = None) -> None:
    """Add what is seen and heard."""
    watchers: set[WebSocket] = set()
    broadcast = Broadcast(live, sound is not None)

    @app.get("/api/state", responses=NOT_ALLOWED)
    async def state() -> dict[str, Any]:
        return broadcast.whole()

    if sound is not None:
        wav: dict[int | str, dict[str, Any]] = {200: {"content": {"audio/wav": {}}}}

        @app.get("/api/sound.wav", response_class=Response, responses=wav | NOT_ALLOWED)
        def recent_sound() -> Response:
            return Response(sound.recent(), media_type="audio/wav")

        no_hold = wav | NOT_ALLOWED | refused(404, "no hold yet")

        @app.get("/api/hold.wav", response_class=Response, responses=no_hold)
        def hold_sound() -> Response:
            content = sound.hold()
            if content is None:
                raise HTTPException(404, "No hold was raised yet.")
            return Response(content, media_type="audio/wav")

    @app.websocket("/api/live")
    async def watch(
        socket: WebSocket,
        run: Annotated[str, Query(max_length=32)] = "",
        rows: Number = 0,
        events: Number = 0,
        columns: Number = 0,
    ) -> None:
        if len(watchers) >= MAX_WATCHERS:
            await socket.close(code=1013, reason="Too many are watching.")
            return
        await socket.accept()
        watchers.add(socket)
        try:
            await _watch(socket, broadcast, Cursor(rows, events, columns), run)
        finally:
            watchers.discard(socket)


async def _watch(socket: WebSocket, broadcast: Broadcast, cursor: Cursor, run: str) -> None:
    """Send what is new until the browser goes away, takes nothing any more, or its session ends."""
    async with anyio.create_task_group() as group:
        group.start_soon(_until_gone, socket, group.cancel_scope)
        await _send_updates(socket, broadcast, cursor, run)
        group.cancel_scope.cancel()


async def _until_gone(socket: WebSocket, scope: anyio.CancelScope) -> None:
    """Receive, which notices that the browser left. Nothing that a watcher says matters; much is a flood."""
    for _ in range(MOST_SAID):
        if (await socket.receive())["type"] == "websocket.disconnect":
            break
    else:
        await socket.close(code=1008, reason="A watcher has nothing to say.")
    scope.cancel()


async def _send_updates(socket: WebSocket, broadcast: Broadcast, cursor: Cursor, run: str) -> None:
    visitor: Visitor = socket.state.visitor
    version, due = -1, 0.0
    while True:
        with anyio.move_on_after(HEARTBEAT_S):
            await broadcast.change(version)
        # On average no faster than the interval; a change that comes a little early need not wait.
        due = max(due + UPDATE_INTERVAL_S, anyio.current_time() - UPDATE_INTERVAL_S / 2)
        await anyio.sleep(max(0.0, due - anyio.current_time()))
        version = broadcast.live.version
        text, cursor = broadcast.step(cursor, run, round(anyio.current_time() / UPDATE_INTERVAL_S))
        run = broadcast.live.run
        try:
            with anyio.fail_after(SEND_TIMEOUT_S):
                await socket.send_text(text)
        except (TimeoutError, WebSocketDisconnect, RuntimeError, OSError):
            return  # too slow or gone: its next connection says where it had got to
        if visitor.until is not None and time.time() >= visitor.until:
            await socket.close(code=SESSION_OVER, reason="The session is over.")
            return
