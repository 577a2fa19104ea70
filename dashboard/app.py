"""The dashboard's server: one page, one WebSocket, and the few requests a person makes.

    GET  /                   the page
    GET  /page/NAME          its script, style and picture, from memory
    GET  /api/state          everything the page knows, once
    GET  /api/sound.wav      the last seconds of what the microphone hears
    GET  /api/hold.wav       the seconds around the newest hold
    WS   /api/live           the same as /api/state, then what is new, at most 20 times a second
    POST /api/acknowledge    someone has seen the alarms
    POST /api/reset/begin    Reset went down
    POST /api/reset/end      Reset was kept down long enough: the hold ends

No path and no file name from a client reaches the file system.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from importlib import resources
from typing import Annotated, Any, Protocol

import anyio
import anyio.to_thread
from fastapi import FastAPI, HTTPException, Query, Request, Response, WebSocket, WebSocketDisconnect
from pydantic import BaseModel, ConfigDict, Field
from starlette.types import ASGIApp

from dashboard.access import KEEP_PRESSED_S, Guard, Presses
from dashboard.live import Cursor, LiveState
from dashboard.sound import SoundMemory
from monitor.errors import ResetRefused
from monitor.session import Session

UPDATE_INTERVAL_S = 0.05  # one analysis hop: faster would repeat, slower would be seen
# The page calls the data lost after 1.5 s without a message, so two of these may go missing.
HEARTBEAT_S = 0.5
SEND_TIMEOUT_S = 10.0  # a browser that takes nothing for so long is gone, or will come back for it
MAX_WATCHERS = 100  # every phone of a shop; each takes 20 messages a second

MEDIA_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}
ASSETS = ("index.html", "page.css", "page.js", "icon.svg", "uplot/uplot.js", "uplot/uplot.css")


class Operator(Protocol):
    """Who carries out what a person asks for; called from a worker thread, may block shortly."""

    def acknowledge(self) -> None:
        """Someone has seen every alarm there is."""
        ...

    def reset(self, by: str) -> None:
        """A person ends the hold on purpose; ``by`` says from where. Raises ResetRefused."""
        ...


@dataclass(frozen=True, slots=True)
class SessionOperator:
    """Carries a person's wishes to a session, and what came of them back to the page."""

    session: Session
    live: LiveState

    def acknowledge(self) -> None:
        """See `Operator`."""
        self.session.acknowledge()
        self.live.operated(self.session.board)

    def reset(self, by: str) -> None:
        """See `Operator`."""
        self.session.reset(by)
        self.live.operated(self.session.board)


class ResetBegin(BaseModel):
    """The hold that the page was showing when Reset went down."""

    model_config = ConfigDict(extra="forbid")
    hold: int = Field(ge=1, le=2**53)


class Press(BaseModel):
    """A press under way: its name, and how long it has to be kept."""

    press: str
    keep_s: float


class ResetEnd(BaseModel):
    """The press that was kept."""

    model_config = ConfigDict(extra="forbid")
    press: str = Field(max_length=64)


class Done(BaseModel):
    """It was done."""

    done: bool = True


@dataclass(frozen=True, slots=True)
class Asset:
    """One file of the page, as it is sent."""

    content: bytes
    media_type: str
    etag: str


def create_app(
    live: LiveState,
    operator: Operator,
    *,
    sound: SoundMemory | None = None,
    names: Iterable[str] = (),
    presses: Presses | None = None,
) -> ASGIApp:
    """Put the server together.

    Parameters
    ----------
    live : LiveState
        What there is to show.
    operator : Operator
        Carries out acknowledge and reset.
    sound : SoundMemory, optional
        The last seconds heard; without it the page offers no listening.
    names : iterable of str
        Names, besides addresses and ``localhost``, that this server is reached by.
    presses : Presses, optional
        Replaced in tests, for its clock.
    """
    app = FastAPI(title="spindlebell", docs_url=None, redoc_url=None, openapi_url="/api/openapi.json")
    _add_page(app, _load_assets())
    _add_watching(app, live, sound)
    _add_operating(app, live, operator, presses or Presses())
    return Guard(app, names)


def _load_assets() -> dict[str, Asset]:
    page = resources.files("dashboard").joinpath("page")
    assets = {}
    for name in ASSETS:
        try:
            content = page.joinpath(name).read_bytes()
        except FileNotFoundError:
            if not name.startswith("uplot/"):
                raise
            continue  # run from a checkout that was never installed; the page says so in place of curves
        digest = hashlib.sha256(content).hexdigest()[:16]
        assets[name] = Asset(content, MEDIA_TYPES[name[name.rindex(".") :]], f'"{digest}"')
    return assets


def _add_page(app: FastAPI, assets: dict[str, Asset]) -> None:
    def answer(request: Request, asset: Asset | None) -> Response:
        if asset is None:
            raise HTTPException(404)
        headers = {"ETag": asset.etag, "Cache-Control": "no-cache"}
        if request.headers.get("if-none-match") == asset.etag:
            return Response(status_code=304, headers=headers)
        return Response(asset.content, media_type=asset.media_type, headers=headers)

    @app.get("/", include_in_schema=False)
    async def index(request: Request) -> Response:
        return answer(request, assets["index.html"])

    @app.get("/page/{name:path}", include_in_schema=False)
    async def asset(request: Request, name: str) -> Response:
        return answer(request, assets.get(name))


def _add_watching(app: FastAPI, live: LiveState, sound: SoundMemory | None) -> None:
    watchers: set[WebSocket] = set()
    can_listen = sound is not None

    @app.get("/api/state")
    async def state() -> dict[str, Any]:
        return _message(live, Cursor(), "", can_listen)[0]

    if sound is not None:
        wav: dict[int | str, dict[str, Any]] = {200: {"content": {"audio/wav": {}}}}

        @app.get("/api/sound.wav", response_class=Response, responses=wav)
        def recent_sound() -> Response:
            return Response(sound.recent(), media_type="audio/wav")

        @app.get(
            "/api/hold.wav", response_class=Response, responses=wav | {404: {"description": "no hold yet"}}
        )
        def hold_sound() -> Response:
            content = sound.hold()
            if content is None:
                raise HTTPException(404, "No hold was raised yet.")
            return Response(content, media_type="audio/wav")

    @app.websocket("/api/live")
    async def watch(
        socket: WebSocket,
        run: Annotated[str, Query(max_length=32)] = "",
        rows: Annotated[int, Query(ge=0, le=2**53)] = 0,
        events: Annotated[int, Query(ge=0, le=2**53)] = 0,
    ) -> None:
        if len(watchers) >= MAX_WATCHERS:
            await socket.close(code=1013, reason="Too many are watching.")
            return
        await socket.accept()
        watchers.add(socket)
        try:
            await _watch(socket, live, Cursor(rows, events), run, can_listen)
        finally:
            watchers.discard(socket)


def _message(live: LiveState, cursor: Cursor, run: str, can_listen: bool) -> tuple[dict[str, Any], Cursor]:
    message, cursor = live.since(cursor, run)
    if message["fresh"]:
        message["can_listen"] = can_listen
    return message, cursor


async def _watch(socket: WebSocket, live: LiveState, cursor: Cursor, run: str, can_listen: bool) -> None:
    """Send what is new until the browser goes away or takes nothing any more."""
    async with anyio.create_task_group() as group:
        group.start_soon(_until_gone, socket, group.cancel_scope)
        await _send_updates(socket, live, cursor, run, can_listen)
        group.cancel_scope.cancel()


async def _until_gone(socket: WebSocket, scope: anyio.CancelScope) -> None:
    """Receive, which notices that the browser left; nothing that a watcher says matters."""
    while (await socket.receive())["type"] != "websocket.disconnect":
        pass
    scope.cancel()


async def _send_updates(
    socket: WebSocket, live: LiveState, cursor: Cursor, run: str, can_listen: bool
) -> None:
    version, sent_at = -1, 0.0
    while True:
        if live.version != version or anyio.current_time() - sent_at >= HEARTBEAT_S:
            version, sent_at = live.version, anyio.current_time()
            message, cursor = _message(live, cursor, run, can_listen)
            run = live.run
            text = json.dumps(message, separators=(",", ":"), allow_nan=False)
            try:
                with anyio.fail_after(SEND_TIMEOUT_S):
                    await socket.send_text(text)
            except (TimeoutError, WebSocketDisconnect, RuntimeError, OSError):
                return  # too slow or gone: its next connection says where it had got to
        await anyio.sleep(UPDATE_INTERVAL_S)


def _add_operating(app: FastAPI, live: LiveState, operator: Operator, presses: Presses) -> None:
    @app.post("/api/acknowledge")
    def acknowledge() -> Done:
        operator.acknowledge()
        return Done()

    @app.post("/api/reset/begin", responses={409: {"description": "that hold is not the one there is"}})
    async def begin_reset(asked: ResetBegin) -> Press:
        if asked.hold != live.hold_id:
            raise HTTPException(409, "There is no such hold; look at the page again.")
        return Press(press=presses.begin(asked.hold), keep_s=KEEP_PRESSED_S)

    @app.post("/api/reset/end", responses={409: {"description": "not kept long enough, or another hold"}})
    async def end_reset(asked: ResetEnd, request: Request) -> Done:
        refusal = presses.end(asked.press, live.hold_id)
        if refusal is not None:
            raise HTTPException(409, refusal)
        client = request.client.host if request.client else "unknown"
        try:
            await anyio.to_thread.run_sync(operator.reset, f"dashboard at {client}")
        except ResetRefused as error:
            raise HTTPException(409, f"{error}.".capitalize()) from None
        return Done()
