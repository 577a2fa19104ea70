"""From the outbox to the broker: in order, again and again until the broker has it, and nobody waits.

Two threads. One takes what the analysis has appended and keeps it on disk; it never touches the network,
where a look-up of a name alone may take half a minute. The other sends what is on disk, whenever there is a
broker. Neither can raise into the analysis, hold the machine or end a hold: their trouble is told, no more.
"""

from __future__ import annotations

import random
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from dashboard.fleet.broker import KEEP_ALIVE_S, Connection, NotReached, password_of, tls_of
from dashboard.fleet.outbox import Kept, Outbox, outbox_path
from dashboard.fleet.telling import Teller
from dashboard.fleet.words import AGAIN, PRESENCE, RECORDS, STATE, Again, Presence, State, read, write
from monitor.errors import InputError
from monitor.quantities import format_count
from monitor.station import BrokerChoice

KEEP_EVERY_S = 0.2  # what a killed process may not have told the shop; its evidence has it
STATE_EVERY_S = 1.0
# Unacknowledged at a time; a broker takes 20 by default (mosquitto.conf, max_inflight_messages).
WINDOW = 20
RETRY_S = (1.0, 2.0, 5.0, 10.0)
LAST_WORDS_S = 2.0  # at the end the shop is waited for so long; the rest stays on disk for the next run
AGAIN_EVERY_S = 2.0  # who asks more often waits; it costs no more than sending


class Publisher:
    """Two threads beside a `Teller`; see the module.

    Parameters
    ----------
    choice : BrokerChoice
        The broker, and this monitor's name there.
    teller : Teller
        What there is to tell.
    outbox : Outbox
        Where it waits; closed here.
    tell : callable
        Given a sentence when the broker is lost or found, or something had to be dropped.
    """

    def __init__(
        self,
        choice: BrokerChoice,
        teller: Teller,
        outbox: Outbox,
        tell: Callable[[str], None],
        keep_alive_s: int = KEEP_ALIVE_S,
    ) -> None:
        self._choice = choice
        self._teller = teller
        self._outbox = outbox
        self._tell = tell
        self._keep_alive_s = keep_alive_s
        self._base = f"{choice.topic}/{choice.name}"
        self._stop = threading.Event()
        self._ending = threading.Event()
        self._trouble = self._disk_trouble = ""
        self._n_dropped = 0
        self._on_the_way: deque[tuple[int, int]] = deque()  # message and record, in order
        self._acknowledged: set[int] = set()
        self._again_at = 0.0
        self._n_connections = self._rivals = 0
        self._chance = random.Random()
        self._cursor = 0  # the newest record given to the broker, or asked for again
        self._threads = [
            threading.Thread(target=self._keep, name="records to disk", daemon=True),
            threading.Thread(target=self._send, name="records to the broker", daemon=True),
        ]

    def start(self) -> None:
        """Begin."""
        for thread in self._threads:
            thread.start()

    def close(self) -> None:
        """Say the last words, for a short while; what is not said stays on disk."""
        self._ending.set()
        self._threads[0].join(LAST_WORDS_S)
        self._threads[1].join(LAST_WORDS_S)
        self._stop.set()
        for thread in self._threads:
            thread.join(LAST_WORDS_S)
        with suppress(sqlite3.Error, OSError):
            self._outbox.close()

    # ---- the disk

    def _keep(self) -> None:
        while True:
            ending = self._ending.wait(KEEP_EVERY_S)
            given = self._teller.taken()
            try:
                dropped = self._outbox.put(given) if given else 0
                self._disk_trouble = ""
            except (sqlite3.Error, OSError) as error:
                self._teller.give_back(given)
                self._say_disk(
                    f"Records for the broker cannot be kept on disk ({error}); they wait in memory."
                )
                dropped = 0
            if self._teller.lost_curves and not self._disk_trouble:
                lost, self._teller.lost_curves = self._teller.lost_curves, 0
                self._say(f"{format_count(lost, 'record')} of curves found no room while the disk hung.")
            if dropped:
                self._n_dropped += dropped
                self._say(
                    f"The queue for the broker is full: {format_count(self._n_dropped, 'record')} of curves "
                    "and pecks were dropped so far. The evidence here is complete."
                )
            if ending or self._stop.is_set():
                return

    def _say_disk(self, text: str) -> None:
        if not self._disk_trouble:
            self._say(text)
        self._disk_trouble = text

    # ---- the broker

    def _send(self) -> None:
        tries = 0
        while not self._stop.is_set():
            connection = None
            try:
                connection = self._connection()
                connection.open()
                tries = 0 if self._rivals == 0 else len(RETRY_S)
                self._serve(connection)
                return
            except NotReached as reason:
                self._lost(str(reason))
            except (sqlite3.Error, OSError, ValueError, InputError) as error:
                self._lost(str(error))
            finally:
                if connection is not None:
                    connection.drop()
            if self._ending.is_set():
                return
            # Not all of a shop at the same moment, when its broker comes back.
            self._ending.wait(RETRY_S[min(tries, len(RETRY_S) - 1)] * self._chance.uniform(0.7, 1.3))
            tries += 1

    def _connection(self) -> Connection:
        lost = Presence(here="lost", run=self._teller.run)
        return Connection(
            self._choice,
            f"{self._choice.topic}-{self._choice.name}",
            will=(f"{self._base}/{PRESENCE}", write(lost)),
            on_message=self._received,
            on_acknowledged=self._acknowledge,
            keep_alive_s=self._keep_alive_s,
        )

    def _serve(self, connection: Connection) -> None:
        """Send for as long as the connection lasts; returns when everything is said at the end."""
        self._n_connections += 1
        self._on_the_way.clear()
        self._acknowledged.clear()
        self._outbox.on_the_way = 0
        connection.subscribe(f"{self._base}/{AGAIN}", f"{self._base}/{PRESENCE}")
        connection.send(f"{self._base}/{PRESENCE}", write(self._presence("here")), retain=True)
        self._found()
        self._cursor = self._outbox.sent
        version, shown, due = -1, "", 0.0
        while not self._stop.is_set():
            now = time.monotonic()
            if now >= due or self._teller.version != version:
                version = self._teller.version
                state = self._teller.state(self._outbox.stream, self._outbox.newest)
                key = _what_matters(state)
                if now >= due or key != shown:
                    shown, due = key, now + STATE_EVERY_S
                    connection.send(f"{self._base}/{STATE}", write(state), qos=0, retain=True)
            self._send_records(connection)
            connection.step()
            if self._ending.is_set() and not self._threads[0].is_alive() and self._all_said():
                break
        self._last_words(connection)

    def _all_said(self) -> bool:
        return not self._on_the_way and self._cursor >= self._outbox.newest

    def _send_records(self, connection: Connection) -> None:
        """Give the broker more, as far as it has acknowledged what it was given."""
        room = WINDOW - len(self._on_the_way)
        if room <= WINDOW // 2 or self._cursor >= self._outbox.newest:
            return
        oldest = self._outbox.oldest
        for kept in self._outbox.after(self._cursor, room):
            record = envelope(self._outbox.stream, oldest, kept)
            self._on_the_way.append((connection.send(f"{self._base}/{RECORDS}", record), kept.seq))
            self._cursor = self._outbox.on_the_way = kept.seq

    def _acknowledge(self, message: int) -> None:
        self._acknowledged.add(message)
        while self._on_the_way and self._on_the_way[0][0] in self._acknowledged:
            acknowledged, seq = self._on_the_way.popleft()
            self._acknowledged.discard(acknowledged)
            self._outbox.mark_sent(seq)
        if not self._on_the_way:
            self._acknowledged = {message}  # the rest were states, and what is settled

    def _received(self, topic: str, payload: bytes, _: bool) -> None:
        if topic.endswith(f"/{PRESENCE}"):
            self._meet(payload)
        else:
            self._go_back(payload)

    def _meet(self, payload: bytes) -> None:
        """What is retained under our name. At the first time it is of our own last run; later another monitor
        was there in our place, and there we take its place, in turns for ever."""
        met = read(Presence, payload)
        if met and met.run != self._teller.run and self._n_connections > 1:
            self._rivals += 1
            if self._rivals == 1:
                name = self._choice.name
                self._say(
                    f"Another monitor at the broker calls itself {name}: give each its own broker.name."
                )

    def _go_back(self, payload: bytes) -> None:
        """Somebody misses records: go back, no further than what is kept."""
        asked = read(Again, payload)
        now = time.monotonic()
        if asked and asked.stream == self._outbox.stream and now - self._again_at >= AGAIN_EVERY_S:
            self._again_at = now
            self._cursor = min(self._cursor, asked.seq - 1)

    def _last_words(self, connection: Connection) -> None:
        state = self._teller.state(self._outbox.stream, self._outbox.newest)
        connection.send(f"{self._base}/{STATE}", write(state), qos=0, retain=True)
        farewell = connection.send(f"{self._base}/{PRESENCE}", write(self._presence("ended")), retain=True)
        until = time.monotonic() + LAST_WORDS_S
        while farewell not in self._acknowledged and time.monotonic() < until:
            connection.step()
        connection.close()

    def _presence(self, here: str) -> Presence:
        return Presence.model_validate({"here": here, "run": self._teller.run, "at": time.time()})

    # ---- what is told

    def _lost(self, why: str) -> None:
        if why != self._trouble:
            self._trouble = why
            self._say(
                f"The broker is not reached: {why}. Records wait on disk; the monitor goes on listening."
            )

    def _found(self) -> None:
        waiting = self._outbox.waiting
        behind = f" {format_count(waiting, 'record')} go to it now." if waiting and self._trouble else ""
        self._say(f"The broker is reached ({self._choice.host}, as {self._choice.name}).{behind}")
        self._trouble = ""

    def _say(self, text: str) -> None:
        with suppress(Exception):  # a terminal that has gone must not end this thread
            self._tell(text)


def envelope(stream: str, oldest: int, kept: Kept) -> bytes:
    """A record as it is sent. Its body is JSON already, and is not taken apart again."""
    outside = {
        "stream": stream,
        "seq": kept.seq,
        "first": kept.first,
        "oldest": oldest,
        "at": kept.at,
        "kind": kept.kind,
    }
    return write(outside)[:-1] + b',"body":' + kept.body.encode() + b"}"


def _what_matters(state: State) -> str:
    """What a page has to show at once; the rest can wait for the next second."""
    return repr((state.word, state.why, state.held, state.unacknowledged, state.over, state.alarms))


def check_broker(choice: BrokerChoice) -> None:
    """Whether the choice can be used at all, before anything begins; the broker itself need not be there.

    Raises
    ------
    InputError
        No name, or a file that cannot be used.
    """
    if not choice.name:
        raise InputError(
            'broker.name: is missing: what the shop calls this monitor; write for example name = "lathe-3"'
        )
    password_of(choice)
    tls_of(choice)


@contextmanager
def publishing(
    choice: BrokerChoice, teller: Teller, tell: Callable[[str], None], keep_alive_s: int = KEEP_ALIVE_S
) -> Iterator[Outbox]:
    """Tell the shop for as long as the block lasts. Raises InputError where the outbox cannot be had."""
    outbox = Outbox(outbox_path(choice.name), choice.queue_limit_bytes)
    publisher = Publisher(choice, teller, outbox, tell, keep_alive_s)
    publisher.start()
    try:
        yield outbox
    finally:
        publisher.close()
