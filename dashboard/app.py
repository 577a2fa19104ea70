"""The dashboard's server: one page, one WebSocket, and the requests a person makes.

    GET  /                   the page
    GET  /page/NAME          its scripts, styles and pictures, from memory
    GET  /api/session        what this browser may do, and what there is to see
    POST /api/session        come in with a token
    POST /api/session/end    go out again

What is seen and heard of the work is in ``watching.py``, what changes it in ``operating.py``, past work in
``past.py``, and who may ask for what in ``access.py`` and ``entry.py``.

No path and no file name from a client reaches the file system.
"""

from __future__ import annotations

import gzip
import hashlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from importlib import resources

from fastapi import FastAPI, HTTPException, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field
from starlette.types import ASGIApp

from dashboard.access import Guard, Presses
from dashboard.entry import COOKIE, Entry, Right, TooManyTries, Visitor
from dashboard.fleet.readout import add_readouts
from dashboard.fleet.shop import ShopState
from dashboard.live import LiveState
from dashboard.operating import (
    NOT_ALLOWED,
    Done,
    Operator,
    SessionOperator,
    add_operating,
    client_of,
    refused,
)
from dashboard.past import add_past
from dashboard.sound import SoundMemory
from dashboard.watching import add_watching
from monitor.evidence.archive import Archive

__all__ = ["Operator", "SessionOperator", "create_app"]

MEDIA_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}
CHART_LIBRARY = ("uplot/uplot.js", "uplot/uplot.css")  # brought in when the package is built


class Session(BaseModel):
    """What this browser may do (null before it came in), until when, and what there is to see."""

    right: Right | None
    until: float | None
    live: bool
    past: bool


class Token(BaseModel):
    """A token, as a link carries it."""

    model_config = ConfigDict(extra="forbid")
    token: str = Field(max_length=200)


@dataclass(frozen=True, slots=True)
class Asset:
    """One file of the page, as it is sent."""

    content: bytes
    zipped: bytes
    media_type: str
    etag: str


def create_app(
    live: LiveState | None,
    operator: Operator | None,
    *,
    sound: SoundMemory | None = None,
    archive: Archive | None = None,
    batch: int = 0,
    report: Callable[[int], str] | None = None,
    spindle: ShopState | None = None,
    entry: Entry | None = None,
    names: Iterable[str] = (),
    presses: Presses | None = None,
) -> ASGIApp:
    """Put the server together.

    Parameters
    ----------
    live : LiveState, optional
        What there is to show of the work going on; without it only past work is shown.
    operator : Operator, optional
        Carries out what a person asks for; needed with ``live``.
    sound : SoundMemory, optional
        The last seconds heard; without it the page offers no listening.
    archive : Archive, optional
        Evidence of this and earlier batches; without it the page shows no past.
    batch : int
        The batch in the archive that ``live`` shows.
    report : callable, optional
        Gives the report of a batch of the archive as HTML; called from a worker thread, may take minutes, and
        may raise EvidenceError. Without it none is offered.
    spindle : ShopState, optional
        This spindle alone, for the read-outs of other software; without it none are offered.
    entry : Entry, optional
        Who may come in; without it everyone who can reach the page may operate: for loopback only.
    names : iterable of str
        Names, besides addresses and ``localhost``, that this server is reached by.
    presses : Presses, optional
        Replaced in tests, for its clock.
    """
    app = bare_app()
    add_page(app, "index.html")
    add_session(app, entry, has_live=live is not None, has_past=archive is not None)
    if live is not None:
        add_watching(app, live, sound)
        if operator is not None:
            add_operating(app, live, operator, presses or Presses())
    if archive is not None:
        add_past(app, archive, batch, report)
    if spindle is not None:
        add_readouts(app, spindle)
    return Guard(app, names, entry)


def bare_app() -> FastAPI:
    """A server without anything to serve yet."""
    app = FastAPI(title="spindlebell", docs_url=None, redoc_url=None, openapi_url="/api/openapi.json")
    app.add_exception_handler(RequestValidationError, _say_what_is_wrong)
    return app


async def _say_what_is_wrong(_: Request, error: Exception) -> Response:
    """Where and what, without giving back what was sent: it may not even be text."""
    assert isinstance(error, RequestValidationError)
    wrong = [{key: one[key] for key in ("loc", "msg", "type")} for one in error.errors()]
    return JSONResponse({"detail": wrong}, 422)


def _load_assets() -> dict[str, Asset]:
    """Every file of the page, by name. Without the chart library, in a checkout that was never installed, the
    page says so in place of curves."""
    page = resources.files("dashboard").joinpath("page")
    own = [file.name for file in page.iterdir() if file.is_file() and _suffix(file.name) in MEDIA_TYPES]
    names = [*own, *(name for name in CHART_LIBRARY if page.joinpath(name).is_file())]
    return {name: _asset(name, page.joinpath(name).read_bytes()) for name in names}


def _suffix(name: str) -> str:
    return name[name.rindex(".") :]


def _asset(name: str, content: bytes) -> Asset:
    digest = hashlib.sha256(content).hexdigest()[:16]
    return Asset(content, gzip.compress(content, mtime=0), MEDIA_TYPES[_suffix(name)], f'"{digest}"')


def add_page(app: FastAPI, first: str) -> None:
    """Add the page's files, and one of them as the page itself."""
    assets = _load_assets()

    def answer(request: Request, asset: Asset | None) -> Response:
        if asset is None:
            raise HTTPException(404)
        headers = {"ETag": asset.etag, "Cache-Control": "no-cache", "Vary": "Accept-Encoding"}
        if request.headers.get("if-none-match") == asset.etag:
            return Response(status_code=304, headers=headers)
        if "gzip" in request.headers.get("accept-encoding", ""):
            headers["Content-Encoding"] = "gzip"
            return Response(asset.zipped, media_type=asset.media_type, headers=headers)
        return Response(asset.content, media_type=asset.media_type, headers=headers)

    @app.get("/", include_in_schema=False)
    async def index(request: Request) -> Response:
        return answer(request, assets[first])

    @app.get("/page/{name:path}", include_in_schema=False)
    async def asset(request: Request, name: str) -> Response:
        return answer(request, assets.get(name))


def add_session(app: FastAPI, entry: Entry | None, *, has_live: bool, has_past: bool) -> None:
    """Add coming in, going out, and what there is to see."""

    def session(visitor: Visitor | None) -> Session:
        right, until = (None, None) if visitor is None else (visitor.right, visitor.until)
        return Session(right=right, until=until, live=has_live, past=has_past)

    @app.get("/api/session", responses=refused(403, "not this server's own name"))
    async def look(request: Request) -> Session:
        return session(request.state.visitor)

    refusals = NOT_ALLOWED | refused(429, "too many wrong tokens")

    @app.post("/api/session", responses=refusals)
    async def come_in(given: Token, request: Request, response: Response) -> Session:
        if entry is None:
            return session(request.state.visitor)
        try:
            admitted = entry.admit(given.token, client_of(request))
        except TooManyTries as error:
            wait = f"{error.wait_s:.0f}"
            raise HTTPException(
                429, f"Too many wrong tokens; wait {wait} s.", {"Retry-After": wait}
            ) from None
        if admitted is None:
            raise HTTPException(401, "That token is not right. Open the link that the terminal shows.")
        cookie, visitor = admitted
        secure = request.url.scheme == "https"
        response.set_cookie(
            COOKIE, cookie, expires=None, httponly=True, samesite="strict", secure=secure, path="/",
            max_age=round((visitor.until or 0) - entry.clock()),
        )  # fmt: skip
        return session(visitor)

    @app.post("/api/session/end", responses=NOT_ALLOWED)
    async def go_out(response: Response) -> Done:
        response.delete_cookie(COOKIE, path="/")
        return Done()
