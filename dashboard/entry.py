"""Who may come in: two secret tokens, one to watch and one to operate, and sessions that expire.

A page that only this computer can reach asks for nothing. A page on the network asks for a token, which is
made at the first start and kept in a file that only its owner can read. A token is shown as a link: it
stands behind the # of the address, which browsers keep to themselves, and the page trades it for a session
cookie that scripts cannot read. Sessions are signed and not stored, so that they outlive a restart; a new
keys file ends all of them.
"""

from __future__ import annotations

import hmac
import io
import json
import os
import secrets
import stat
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, dataclass, field, fields
from enum import StrEnum
from pathlib import Path
from urllib.parse import urlsplit

import segno
from itsdangerous import BadData, URLSafeTimedSerializer

from dashboard.serve import is_loopback
from monitor.errors import InputError

SESSION_S = 12 * 3600  # a long shift: who comes back tomorrow opens the link again
COOKIE = "spindlebell"

# A token has 160 bits: nobody guesses it. The limit keeps guessing from costing this computer anything. A
# person with a mistyped token has some tries. There is none for all together: with that, whoever guesses from
# many places would keep everyone out.
TRIES, TRIES_PER_S = 10, 60.0
MAX_CLIENTS = 1000  # places remembered; beyond, the one that guessed longest ago is forgotten


class Right(StrEnum):
    """What a session is good for; whoever may operate may watch."""

    WATCH = "watch"
    OPERATE = "operate"


@dataclass(frozen=True, slots=True)
class Keys:
    """The secrets: a token for each right, and what sessions are signed with."""

    watch: str
    operate: str
    signing: str


@dataclass(frozen=True, slots=True)
class Visitor:
    """Whoever asks: what for, and until when (seconds since the epoch; None without an end)."""

    right: Right
    until: float | None


HERE = Visitor(Right.OPERATE, None)
"""Someone at this computer, of a page that is served to this computer only."""


class TooManyTries(Exception):
    """Too many wrong tokens from one place; come back in ``wait_s`` seconds."""

    def __init__(self, wait_s: float) -> None:
        super().__init__(f"too many wrong tokens; wait {wait_s:.0f} s")
        self.wait_s = wait_s


def keys_path() -> Path:
    """Where the keys are kept: ``spindlebell/keys.json`` among the user's settings (XDG)."""
    settings = os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config"
    return Path(settings) / "spindlebell" / "keys.json"


def load_keys(path: Path) -> Keys:
    """Read the keys; at the first start make them, in a file that only its owner can read.

    Raises
    ------
    InputError
        The file cannot be read or written, or is not ours; one line with the mend.
    """
    try:
        if not path.exists():
            return _make_keys(path)
        with path.open(encoding="utf-8") as file:
            mode = stat.S_IMODE(os.fstat(file.fileno()).st_mode)
            keys = Keys(**json.load(file))
    except OSError as error:
        reason = error.strerror or error
        raise InputError(f"{path}: the page's keys cannot be kept there ({reason}); mend that") from None
    except (ValueError, TypeError):
        raise InputError(f"{path}: is no keys file; delete it, and new keys are made") from None
    if mode & 0o077:
        raise InputError(
            f"{path}: others may read these keys; delete it, and new keys are made (or, if nobody has read "
            f"them: chmod 600 {path})"
        )
    if any(
        not isinstance(getattr(keys, one.name), str) or len(getattr(keys, one.name)) < 20
        for one in fields(Keys)
    ):
        raise InputError(f"{path}: a key in it is too short; delete it, and new keys are made")
    return keys


def _make_keys(path: Path) -> Keys:
    keys = Keys(*(secrets.token_urlsafe(20) for _ in fields(Keys)))
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    part = path.with_name(f".{path.name}.{os.getpid()}")
    with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
        json.dump(asdict(keys), file, indent=1)
    part.replace(path)
    return keys


@dataclass
class Entry:
    """Trades tokens for sessions, and says what a session is good for. Used from the event loop only."""

    keys: Keys
    clock: Callable[[], float] = time.time
    _wrong: dict[str, list[float]] = field(default_factory=dict)

    def admit(self, token: str, client: str) -> tuple[str, Visitor] | None:
        """A session for a token, as the cookie's value; None for a wrong one.

        Raises
        ------
        TooManyTries
            Whatever the token.
        """
        self._check_tries(client)
        right = self._right_of(token)
        if right is None:
            self._count_wrong(client)
            return None
        until = self.clock() + SESSION_S
        return self._signer.dumps([right.value, round(until)]), Visitor(right, until)

    def visitor(self, cookie: str) -> Visitor | None:
        """What a cookie is good for now; None for one that is forged, from other keys, or has expired."""
        try:
            right, until = self._signer.loads(cookie)
            visitor = Visitor(Right(right), float(until))
        except (BadData, ValueError, TypeError):
            return None
        return visitor if visitor.until is not None and self.clock() < visitor.until else None

    def reader(self, token: str, client: str) -> Visitor | None:
        """A program that shows a token with each request (RFC 6750): it may watch, whatever its token is good
        for. None for a wrong one, and where there were too many of them."""
        try:
            self._check_tries(client)
        except TooManyTries:
            return None
        if self._right_of(token) is None:
            self._count_wrong(client)
            return None
        return Visitor(Right.WATCH, None)

    @property
    def _signer(self) -> URLSafeTimedSerializer:
        return URLSafeTimedSerializer(self.keys.signing, salt="spindlebell session")

    def _right_of(self, token: str) -> Right | None:
        given = token.encode()
        operate = hmac.compare_digest(given, self.keys.operate.encode())
        watch = hmac.compare_digest(given, self.keys.watch.encode())
        return Right.OPERATE if operate else Right.WATCH if watch else None

    def _check_tries(self, client: str) -> None:
        """Few wrong tokens a minute from one place."""
        since = self.clock() - TRIES_PER_S
        own = [t for t in self._wrong.get(client, ()) if t > since]
        if len(own) >= TRIES:
            raise TooManyTries(max(1.0, own[0] - since))

    def _count_wrong(self, client: str) -> None:
        since = self.clock() - TRIES_PER_S
        own = [t for t in self._wrong.pop(client, ()) if t > since]
        self._wrong[client] = [*own, self.clock()]  # at the end: the first one guessed longest ago
        while len(self._wrong) > MAX_CLIENTS:
            del self._wrong[next(iter(self._wrong))]


def entry_for(host: str) -> Entry | None:
    """What a page at this address asks of its visitors: nothing where only this computer can reach it."""
    return None if is_loopback(host) else Entry(load_keys(keys_path()))


def invitation(url: str, entry: Entry | None, qr: bool, *, may_operate: bool = True) -> list[str]:
    """Lines for the terminal: how to get in, as links and, on a terminal that can show it, QR codes.

    Run as a service it names a file that holds the links instead, for its terminal is the journal. Without
    ``may_operate`` there is nothing to operate, and one link does.
    """
    if entry is None:
        return [
            f"Open {url} in a browser.",
            "Only this computer can open it; for a phone or another computer start it with --host 0.0.0.0.",
        ]
    ways = [("To watch", entry.keys.watch)]
    if may_operate:
        ways.append(("To operate (reset, thresholds)", entry.keys.operate))
    links = {what: f"{url}#enter={token}" for what, token in ways}
    if "JOURNAL_STREAM" in os.environ:  # whoever may read the journal, or gets a copy, is not thereby let in
        shown = [
            f"The links to the page stand in a file that only its owner can read: sudo cat {_kept(links)}"
        ]
    else:
        shown = [
            line
            for what, link in links.items()
            for line in ("", f"{what}, open {link}", *(_qr(link) if qr else []))
        ]
    return [
        *shown,
        "",
        "Caution: whoever has a link can use it, and others on this network may overhear it. Use a network "
        "that you trust.",
        f"New links: delete {keys_path()} and start again; that ends every session too.",
    ]


def _kept(links: dict[str, str]) -> Path:
    """Write the links to a file of this page's address, readable by its owner only."""
    port = urlsplit(next(iter(links.values()))).port
    path = keys_path().with_name(f"links-{port}.txt")
    with suppress(FileNotFoundError):
        path.unlink()
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
        file.writelines(f"{what}, open {link}\n" for what, link in links.items())
    return path


def _qr(link: str) -> list[str]:
    drawn = io.StringIO()
    segno.make(link, micro=False).terminal(out=drawn, border=2, compact=True)
    return [f"\x1b[97;40m{line}\x1b[0m" for line in drawn.getvalue().splitlines()]
