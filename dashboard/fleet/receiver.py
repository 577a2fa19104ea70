"""From the broker to the shop's state: each record once, in order, and none passed over in silence.

QoS 1 delivers at least once, and a broker that is killed loses what it had not handed on; so the numbers
decide. What was had already is counted and let be; where one is missing the monitor is asked to send from
there on again; and what its outbox no longer holds is counted as missing and shown.
"""

from __future__ import annotations

import json
import re
import secrets
import sqlite3
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from dashboard.fleet.broker import KEEP_ALIVE_S, Connection, NotReached
from dashboard.fleet.shop import MAX_SPINDLES, ShopState
from dashboard.fleet.words import (
    AGAIN,
    NAME,
    PRESENCE,
    RECORDS,
    STATE,
    Again,
    Presence,
    Record,
    RecordKind,
    State,
    read,
    write,
)
from monitor.errors import InputError
from monitor.station import BrokerChoice

ASK_AFTER_S = 3.0  # a record that was sent arrives by then, and an answer to a question too
RETRY_S = (1.0, 2.0, 5.0)  # a broker that is started again is back within some seconds
WRITE_EVERY_S = 0.5  # one transaction for all spindles; what a kill takes is asked for again
PRUNE_EVERY_S = 600.0  # a hundred monitors write some 8 MB in that time
FORGET_S = 5.0  # for the broker to take the empty retained messages

_TABLES = """
CREATE TABLE IF NOT EXISTS monitors (name TEXT PRIMARY KEY, stream TEXT NOT NULL, last INTEGER NOT NULL,
    missing INTEGER NOT NULL);
CREATE TABLE IF NOT EXISTS records (monitor TEXT NOT NULL, stream TEXT NOT NULL, seq INTEGER NOT NULL,
    at REAL NOT NULL, kind TEXT NOT NULL, body TEXT NOT NULL, UNIQUE (monitor, stream, seq));
"""


@dataclass(slots=True)
class Track:
    """How far a monitor's stream was received: ``last`` is the newest number of an unbroken row."""

    stream: str
    last: int
    missing: int = 0
    moved_at: float = 0.0


class ShopLog:
    """Every record but the curves, in SQLite, with how far each stream was received: in one transaction, so
    that after a crash nothing is passed over and nothing is entered twice.

    Parameters
    ----------
    path : Path
        Made where it is not there.
    limit_bytes : int
        Beyond it the oldest records go.

    Raises
    ------
    InputError
        It cannot be made or read.
    """

    def __init__(self, path: Path, limit_bytes: int) -> None:
        self._limit = limit_bytes
        self._pruned_at = time.monotonic()
        self._added_bytes = 0
        self._open = False
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._db = sqlite3.connect(path, check_same_thread=False, isolation_level=None)
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = NORMAL")
            self._db.executescript(_TABLES)
        except (OSError, sqlite3.Error) as error:
            raise InputError(f"{path}: what happens in the shop cannot be kept there ({error})") from None

    def tracks(self) -> dict[str, Track]:
        """How far each monitor was received."""
        found = self._db.execute("SELECT name, stream, last, missing FROM monitors")
        return {name: Track(stream, last, missing) for name, stream, last, missing in found}

    def newest(self, count: int) -> Iterator[tuple[str, Record]]:
        """The last records that are shown as having happened, the oldest first."""
        found = self._db.execute(
            "SELECT monitor, stream, seq, at, kind, body FROM records "
            "WHERE kind IN ('event', 'alarm', 'batch', 'dropped') ORDER BY rowid DESC LIMIT ?",
            (count,),
        ).fetchall()
        for name, stream, seq, at, kind, body in reversed(found):
            yield (
                name,
                Record(
                    stream=stream,
                    seq=seq,
                    first=seq,
                    oldest=1,
                    at=at,
                    kind=RecordKind(kind),
                    body=json.loads(body),
                ),
            )

    def add(self, name: str, record: Record, track: Track) -> None:
        """Enter a record, to be written with the next `write`."""
        if not self._open:
            self._db.execute("BEGIN")
            self._open = True
        if record.kind is not RecordKind.CURVES:
            body = json.dumps(record.body)
            self._added_bytes += len(body)
            row = (name, record.stream, record.seq, record.at, record.kind, body)
            self._db.execute("INSERT OR IGNORE INTO records VALUES (?, ?, ?, ?, ?, ?)", row)
        reached = (name, track.stream, track.last, track.missing)
        self._db.execute("INSERT OR REPLACE INTO monitors VALUES (?, ?, ?, ?)", reached)

    def write(self) -> None:
        """Write what was entered, and make room where there is too much."""
        if self._open:
            self._db.execute("COMMIT")
            self._open = False
        full = self._added_bytes >= self._limit / 10  # a flood does not wait
        if full or time.monotonic() - self._pruned_at >= PRUNE_EVERY_S:
            self._pruned_at, self._added_bytes = time.monotonic(), 0
            self.prune()

    def prune(self) -> None:
        """Delete the oldest tenth of the records for as long as they take more room than they may."""
        while self._bytes() > self._limit:
            (n,) = self._db.execute("SELECT count(*) FROM records").fetchone()
            if n == 0:
                return
            self._db.execute(
                "DELETE FROM records WHERE rowid IN (SELECT rowid FROM records ORDER BY rowid LIMIT ?)",
                (n // 10 + 1,),
            )

    def close(self) -> None:
        """Write what is open, and close."""
        with suppress(sqlite3.Error):
            self.write()
        self._db.close()

    def _bytes(self) -> int:
        pages, free, size = (
            int(self._db.execute(f"PRAGMA {what}").fetchone()[0])
            for what in ("page_count", "freelist_count", "page_size")
        )
        return (pages - free) * size


class Receiver:
    """Takes messages apart and decides what counts; knows no network.

    Parameters
    ----------
    shop : ShopState
        Told of everything once.
    log : ShopLog, optional
        Keeps the records; without it nothing is kept beyond the run.
    ask : callable
        Given a monitor's name and what to ask of it.
    clock : callable
        Monotonic seconds; replaced in tests.
    tell : callable
        Given a sentence where the log cannot be kept any more.

    Attributes
    ----------
    counts : Counter
        ``received``, ``duplicates``, ``ahead`` (came before one that is missing, and will come again),
        ``missing``, ``malformed``, ``crowded`` (of a name for which there was no room).
    on_record : list of callable
        Given each monitor's name and record, once and in order.
    """

    def __init__(
        self,
        shop: ShopState,
        log: ShopLog | None,
        ask: Callable[[str, Again], None],
        clock: Callable[[], float] = time.monotonic,
        tell: Callable[[str], None] = lambda text: None,
    ) -> None:
        self._tell = tell
        self.counts: Counter[str] = Counter()
        self.on_record: list[Callable[[str, Record], None]] = []
        self._shop, self._log, self._ask, self._clock = shop, log, ask, clock
        self._tracks = log.tracks() if log else {}

    def write(self) -> None:
        """Have the log written. Where it cannot be, the page goes on without it."""
        if self._log is not None:
            try:
                self._log.write()
            except sqlite3.Error as error:
                self._without_log(error)

    def take(self, topic: str, payload: bytes, retained: bool) -> None:
        """Take one message."""
        *_, name, what = topic.split("/")
        if not re.fullmatch(NAME, name):
            self.counts["malformed"] += 1
        elif what in (STATE, PRESENCE) and not payload:
            self._shop.forget(name)
        elif not self._shop.has_room(name):
            self.counts["crowded"] += 1
            if self.counts["crowded"] == 1:
                self._tell(
                    f"More than {MAX_SPINDLES} names are at the broker; the rest is not shown. Take off what "
                    "is no monitor's with --forget NAME, and let each user write below its own name only."
                )
        elif what == STATE and (state := read(State, payload)):
            self._shop.take_state(name, state, retained)
            if not retained:
                self._take_newest(name, state)
        elif what == PRESENCE and (presence := read(Presence, payload)):
            self._shop.take_presence(name, presence)
        elif what == RECORDS and (record := read(Record, payload)) and record.first <= record.seq:
            self._take_record(name, record)
        else:
            self.counts["malformed"] += 1

    def _take_record(self, name: str, record: Record) -> None:
        track = self._tracks.get(name)
        if track is None and len(self._tracks) >= MAX_SPINDLES:
            self.counts["malformed"] += 1
            return
        if track is None or track.stream != record.stream:
            track = self._tracks[name] = Track(record.stream, record.first - 1)
        if record.seq <= track.last:
            self.counts["duplicates"] += 1
            return
        if record.first > track.last + 1:
            if record.first > record.oldest:  # what is missing can still be had
                self.counts["ahead"] += 1
                self._ask_again(name, track)
                return
            missing = record.first - track.last - 1
            track.missing += missing
            self.counts["missing"] += missing
            self._shop.miss(name, missing)
        track.last, track.moved_at = record.seq, self._clock()
        self.counts["received"] += 1
        if self._log is not None:
            try:
                self._log.add(name, record, track)
            except sqlite3.Error as error:
                self._without_log(error)
        self._shop.take_record(name, record)
        for tell in self.on_record:
            tell(name, record)

    def _without_log(self, error: Exception) -> None:
        self._log = None
        self._tell(f"What happens in the shop is no longer kept ({error}). The page goes on without it.")

    def _take_newest(self, name: str, state: State) -> None:
        """A state says how many records there are: one that does not come is asked for."""
        track = self._tracks.get(name)
        if track is not None and track.stream == state.stream and state.seq > track.last:
            self._ask_again(name, track)

    def _ask_again(self, name: str, track: Track) -> None:
        now = self._clock()
        if now - track.moved_at >= ASK_AFTER_S:
            track.moved_at = now
            self._ask(name, Again(stream=track.stream, seq=track.last + 1))


@contextmanager
def receiving(
    choice: BrokerChoice,
    shop: ShopState,
    log: ShopLog | None,
    tell: Callable[[str], None],
    on_record: Callable[[str, Record], None] | None = None,
    keep_alive_s: int = KEEP_ALIVE_S,
) -> Iterator[Receiver]:
    """Listen to the broker, in a thread, for as long as the block lasts."""
    stop = threading.Event()
    line: list[Connection] = []

    def ask(name: str, again: Again) -> None:
        line[0].send(f"{choice.topic}/{name}/{AGAIN}", write(again))

    receiver = Receiver(shop, log, ask, tell=tell)
    if on_record is not None:
        receiver.on_record.append(on_record)
    thread = threading.Thread(
        target=_receive,
        args=(choice, shop, receiver, line, tell, stop, keep_alive_s),
        name="shop",
        daemon=True,
    )
    thread.start()
    try:
        yield receiver
    finally:
        stop.set()
        thread.join(5.0)


def _receive(
    choice: BrokerChoice,
    shop: ShopState,
    receiver: Receiver,
    line: list[Connection],
    tell: Callable[[str], None],
    stop: threading.Event,
    keep_alive_s: int,
) -> None:
    client_id = f"{choice.topic}-shop-{secrets.token_hex(4)}"  # several pages may watch one shop
    trouble, tries = "", 0
    while not stop.is_set():
        connection = None
        try:
            connection = Connection(choice, client_id, on_message=receiver.take, keep_alive_s=keep_alive_s)
            connection.open()
            line[:] = [connection]
            connection.subscribe(*(f"{choice.topic}/+/{what}" for what in (PRESENCE, STATE, RECORDS)))
            shop.broker(True)
            tell(f"The broker is reached ({choice.host}).")
            trouble, tries = "", 0
            written = time.monotonic()
            while not stop.is_set():
                connection.step()
                shop.tick()
                if time.monotonic() - written >= WRITE_EVERY_S:
                    written = time.monotonic()
                    receiver.write()
            connection.close()
            return
        except (NotReached, InputError, OSError, ValueError) as error:
            why = str(error)
            shop.broker(False, why)
            if why != trouble:
                tell(f"The broker is not reached: {why}. Trying again.")
            trouble = why
        finally:
            if connection is not None:
                connection.drop()
        shop.tick()
        stop.wait(RETRY_S[min(tries, len(RETRY_S) - 1)])
        tries += 1


def forget(choice: BrokerChoice, name: str) -> None:
    """Take what is retained of a monitor off the broker: it is gone for good.

    Raises
    ------
    InputError
        The name cannot be one, or the broker is not reached.
    """
    if not re.fullmatch(NAME, name):
        raise InputError(f"--forget {name}: is no monitor's name; give it as the page shows it")
    acknowledged: set[int] = set()
    client_id = f"{choice.topic}-forget-{secrets.token_hex(4)}"
    connection = Connection(choice, client_id, on_acknowledged=acknowledged.add)
    try:
        connection.open()
        sent = {
            connection.send(f"{choice.topic}/{name}/{what}", b"", retain=True) for what in (STATE, PRESENCE)
        }
        until = time.monotonic() + FORGET_S
        while not sent <= acknowledged and time.monotonic() < until:
            connection.step()
        connection.close()
    except NotReached as reason:
        raise InputError(f"the broker is not reached: {reason}") from None
    finally:
        connection.drop()
    if not sent <= acknowledged:
        raise InputError("the broker did not confirm that it has forgotten; try again")
