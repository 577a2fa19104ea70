"""Who may ask for what: addresses that are really ours, rights, and a reset that is really meant.

Two attacks matter for a server on loopback. A page on the web can send requests to it (so the
Origin of whatever changes something must be ours), and a name on the web can be made to resolve to
127.0.0.1 (DNS rebinding: then the Origin matches, so the Host must not be a foreign name). A picture on a
foreign page may ask for what takes long, such as a report: browsers say where a request comes from
(Sec-Fetch-Site, W3C Fetch Metadata), and from elsewhere there is the page itself and no more. On a network,
nothing but the page's own files is given to anyone without a session (`dashboard.entry`); what is not named
here needs the right to operate.
"""

from __future__ import annotations

import ipaddress
import math
import secrets
import time
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from urllib.parse import urlsplit

import anyio
from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from starlette.websockets import WebSocketClose

from dashboard.entry import COOKIE, HERE, Entry, Right, Visitor

# Long enough that neither a stumble against the screen nor a double tap ends a hold; short enough
# to keep a finger still.
KEEP_PRESSED_S = 1.5
# A press that has been begun and not ended by then was let go without the page being able to say so.
PRESS_EXPIRES_S = 10.0
MAX_OPEN_PRESSES = 32  # more fingers than a shop has: the oldest is forgotten
MAX_BODY_BYTES = 16_384  # the longest request there is holds a note of 2000 characters
BODY_TIMEOUT_S = 10.0  # a request that dribbles in more slowly is not a person's

OPEN_PATHS = ("/", "/api/session", "/api/session/end")
OPEN_FOLDER = "/page/"
WATCHERS_MAY_POST = ("/api/hold",)  # nobody has to be sure to ask for a hold

SECURITY_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "media-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


def host_is_ours(host: str, names: Collection[str]) -> bool:
    """True for an IP address, ``localhost`` or a listed name; a foreign name is DNS rebinding.

    Parameters
    ----------
    host : str
        The Host header, with or without a port.
    names : collection of str
        Further names this server is reached by, lower case.
    """
    if set(host) & set("@/\\?#"):
        return False
    try:
        name = urlsplit(f"//{host}").hostname
    except ValueError:
        return False
    if not name:
        return False
    if name == "localhost" or name in names:
        return True
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def same_origin(headers: Headers, scheme: str) -> bool:
    """True when the Origin header is there and names the very host that was asked.

    Browsers always send it with a WebSocket and with a POST. Its absence means a program, which
    can set it if it means to operate the machine's hold.
    """
    return headers.get("origin", "").lower() == f"{scheme}://{headers.get('host', '')}".lower()


class Guard:
    """ASGI wrapper: our own Host only, bounded bodies, same origin for changes, rights, security headers.

    Leaves the `Visitor` in the request's state, None where nobody has come in yet.
    """

    def __init__(self, app: ASGIApp, names: Iterable[str] = (), entry: Entry | None = None) -> None:
        self._app = app
        self._names = frozenset(name.lower() for name in names)
        self._entry = entry

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer or pass on one request or WebSocket."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        visitor = self._visitor(scope, headers)
        status, refusal = 403, self._refusal(scope, headers)
        if refusal is None:
            status, refusal = self._missing_right(scope, visitor)
        if not refusal:
            scope.setdefault("state", {})["visitor"] = visitor
            await self._app(scope, _bounded(scope, receive), _with_headers(scope, send))
        elif scope["type"] == "websocket":
            await WebSocketClose(code=1008, reason=refusal)(scope, receive, send)
        else:
            response = JSONResponse({"detail": refusal}, status_code=status)
            await response(scope, receive, _with_headers(scope, send))

    def _visitor(self, scope: Scope, headers: Headers) -> Visitor | None:
        if self._entry is None:
            return HERE
        kind, _, token = headers.get("authorization", "").partition(" ")
        if kind.lower() == "bearer" and scope["type"] == "http":
            client = scope.get("client")
            return self._entry.reader(token.strip(), client[0] if client else "unknown")
        return self._entry.visitor(_cookie(headers))

    def _missing_right(self, scope: Scope, visitor: Visitor | None) -> tuple[int, str]:
        path = scope["path"]
        if path in OPEN_PATHS or path.startswith(OPEN_FOLDER):
            return 0, ""
        if visitor is None:
            return 401, "Open the link that the terminal shows, or enter its token."
        watching = scope["type"] == "websocket" or scope["method"] in ("GET", "HEAD")
        if watching or path in WATCHERS_MAY_POST or visitor.right is Right.OPERATE:
            return 0, ""
        return 403, "This session may watch, not operate; open the link for operating."

    def _refusal(self, scope: Scope, headers: Headers) -> str | None:
        if not host_is_ours(headers.get("host", ""), self._names):
            return "This server answers to its own address only, not to that name."
        secure = scope.get("scheme") in ("https", "wss")
        changes = scope["type"] == "websocket" or scope["method"] not in ("GET", "HEAD")
        if changes and not same_origin(headers, "https" if secure else "http"):
            return "Requests from another page are refused; open this server's own page."
        if scope["path"] not in OPEN_PATHS and headers.get("sec-fetch-site") in ("cross-site", "same-site"):
            return "What another page asks for is refused; open this server's own page."
        if int_or_zero(headers.get("content-length", "")) > MAX_BODY_BYTES:
            return f"A request here is never longer than {MAX_BODY_BYTES} bytes."
        return None


def _cookie(headers: Headers) -> str:
    try:
        cookies = SimpleCookie(headers.get("cookie", ""))
    except CookieError:
        return ""
    return cookies[COOKIE].value if COOKIE in cookies else ""


def int_or_zero(text: str) -> int:
    """The number in ``text``; 0 where there is none."""
    return int(text) if text.isascii() and text.isdigit() and len(text) < 20 else 0


def _bounded(scope: Scope, receive: Receive) -> Receive:
    """Cut off a body that is longer than it may be, whatever its headers said, or that dribbles in."""
    if scope["type"] != "http":
        return receive
    seen, complete = 0, False

    async def limited() -> Message:
        nonlocal seen, complete
        message: Message = {"type": "http.disconnect"}
        with anyio.move_on_after(math.inf if complete else BODY_TIMEOUT_S):
            message = await receive()
        seen += len(message.get("body", b""))
        complete = not message.get("more_body", False)
        if seen > MAX_BODY_BYTES:
            return {"type": "http.disconnect"}
        return message

    return limited


def _with_headers(scope: Scope, send: Send) -> Send:
    if scope["type"] != "http":
        return send

    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in SECURITY_HEADERS.items():
                headers[name] = value
            headers.setdefault("Cache-Control", "no-store")
        await send(message)

    return sending


@dataclass
class Presses:
    """The press-and-keep of the reset button, timed by the server and not by the page.

    Used from the server's event loop only.
    """

    clock: Callable[[], float] = time.monotonic
    _open: dict[str, tuple[int, float]] = field(default_factory=dict)

    def begin(self, hold_id: int) -> str:
        """The button went down on this hold; returns the name of the press."""
        now = self.clock()
        self._open = {k: v for k, v in self._open.items() if now - v[1] <= PRESS_EXPIRES_S}
        while len(self._open) >= MAX_OPEN_PRESSES:
            del self._open[next(iter(self._open))]
        press = secrets.token_urlsafe(12)
        self._open[press] = (hold_id, now)
        return press

    def end(self, press: str, hold_id: int | None) -> str | None:
        """The button is still down and the time is up; returns why not, or None when it counts.

        A press counts once, for the hold it was begun on.
        """
        begun_hold, begun_at = self._open.pop(press, (None, 0.0))
        kept = self.clock() - begun_at
        if begun_hold is None or kept > PRESS_EXPIRES_S:
            return "That press is not known any more; press Reset again and keep it pressed."
        if kept < KEEP_PRESSED_S:
            return f"Reset was pressed for {kept:.1f} s; keep it pressed for {KEEP_PRESSED_S:g} s."
        if begun_hold != hold_id:
            return "The hold that Reset was pressed for is over; look at the page again."
        return None
