"""What is known of every spindle of a shop, and since when; and what happened in it.

What is old is never shown as if it were new: a spindle is live only while its own state comes in, once a
second. A retained state, which a broker gives to whoever asks, says what was last known and no more.

This is a watcher. Nothing here can hold, reset or start anything.
"""

from __future__ import annotations

import math
import secrets
import threading
import time
from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from dashboard.band import Word
from dashboard.fleet.words import MAX_COUNT, Presence, Record, RecordKind, State
from dashboard.live import Cursor

STALE_S = 4.0  # three states in a row that did not come
MAX_SPINDLES = 1000
EVENTS_KEPT = 300
COALESCE_S = 0.25  # a hundred spindles change a hundred times a second: a page is told four times


@dataclass(slots=True)
class Spindle:
    """One monitor, as last known.

    ``heard_at`` is when its state last came live, on this computer's clock, None where only a retained one is
    known; ``lost_at`` when the broker said that it was lost.
    """

    name: str
    state: State | None = None
    presence: Presence | None = None
    heard_at: float | None = None
    heard_mono: float = -math.inf
    told_lost: bool = False
    live: bool = False
    version: int = 0
    missing: int = 0
    dropped: Counter[str] = field(default_factory=Counter)

    @property
    def ended(self) -> bool:
        """Ended in good order: nothing is expected of it."""
        return bool(self.presence and self.presence.here == "ended")

    @property
    def word(self) -> Word:
        """What its tile says: its own word while it is live."""
        return Word(self.state.word) if self.live and self.state else Word.NO_DATA

    @property
    def last_word_at(self) -> float | None:
        """When it was last heard of: on this computer's clock, or by its own where only a retained word is
        known."""
        if self.heard_at is not None:
            return self.heard_at
        return self.state.at if self.state else self.presence.at if self.presence else None


class ShopState:
    """The state behind the shop's page and read-outs; every method may be called from any thread.

    Parameters
    ----------
    clock, monotonic : callable
        Seconds since the epoch, and seconds for what lasts; replaced in tests.

    Attributes
    ----------
    on_change : list of callable
        Called after each change that is shown, and must not wait.
    on_state : list of callable
        Given each spindle when its state has come live or its being live has changed.
    """

    def __init__(
        self, clock: Callable[[], float] = time.time, monotonic: Callable[[], float] = time.monotonic
    ) -> None:
        self.on_change: list[Callable[[], None]] = []
        self.on_state: list[Callable[[Spindle], None]] = []
        self.run = secrets.token_hex(8)
        self._clock, self._monotonic = clock, monotonic
        self._lock = threading.RLock()
        self._spindles: dict[str, Spindle] = {}
        self._forgotten: dict[str, int] = {}
        self._events: deque[dict[str, Any]] = deque(maxlen=EVENTS_KEPT)
        self._event_count = 0
        self._version = 0
        self._shown = 0
        self._shown_at = self._looked_at = -math.inf
        self._reached: bool | None = None
        self._broker_why = "Waiting for the broker."
        self._broker_since = clock()

    # ---- what comes in

    def take_state(self, name: str, state: State, retained: bool) -> None:
        """A state has come; a retained one tells of the past only."""
        with self._lock:
            spindle = self._spindle(name)
            if spindle is None:
                return
            urgent = spindle.state is None or state.word != spindle.state.word or not spindle.live
            spindle.state = state
            if not retained:
                spindle.heard_at, spindle.heard_mono = self._clock(), self._monotonic()
                spindle.told_lost = False
                if not state.over:
                    spindle.presence = None
            self._changed(spindle)
            self._tick(urgent=urgent)

    def take_presence(self, name: str, presence: Presence) -> None:
        """A monitor is there, has ended, or its connection was lost (the broker says so)."""
        with self._lock:
            spindle = self._spindle(name)
            if spindle is not None:
                spindle.presence = presence
                spindle.told_lost = presence.here != "here"
                self._changed(spindle)
                self._tick(urgent=True)

    def take_record(self, name: str, record: Record) -> None:
        """A record has come, for the first time."""
        with self._lock:
            spindle = self._spindle(name)
            if spindle is None:
                return
            if record.kind is RecordKind.DROPPED:
                spindle.dropped.update(_dropped(record))
                self._changed(spindle)
            self._note(name, record)
            self._tick()

    def recall(self, name: str, record: Record) -> None:
        """A record of an earlier run of this page: it happened, and says nothing of the present."""
        with self._lock:
            self._note(name, record)

    def miss(self, name: str, count: int) -> None:
        """So many records of a monitor cannot be had any more."""
        with self._lock:
            spindle = self._spindle(name)
            if spindle is not None:
                spindle.missing += count
                self._changed(spindle)

    def has_room(self, name: str) -> bool:
        """Whether a monitor of that name is, or can still be, shown."""
        with self._lock:
            return name in self._spindles or len(self._spindles) < MAX_SPINDLES

    def forget(self, name: str) -> None:
        """Its retained words were taken off the broker."""
        with self._lock:
            if self._spindles.pop(name, None) is not None:
                self._version += 1
                self._forgotten[name] = self._version
                self._tick(urgent=True)

    def broker(self, reached: bool, why: str = "") -> None:
        """The broker is reached, or not, and why not."""
        with self._lock:
            if reached != self._reached:
                self._broker_since = self._clock()
            self._reached, self._broker_why = reached, why
            self._version += 1
            self._tick(urgent=True)

    def tick(self) -> None:
        """Time has passed: who is silent for too long is no longer live. Call it a few times a second."""
        with self._lock:
            self._tick()

    # ---- what is shown

    @property
    def version(self) -> int:
        """Grows with every change that is shown: cheap to poll."""
        return self._shown

    def spindles(self) -> list[Spindle]:
        """Every spindle that is known, by name."""
        with self._lock:
            return [self._spindles[name] for name in sorted(self._spindles)]

    def since(self, cursor: Cursor, run: str = "") -> tuple[dict[str, Any], Cursor]:
        """What a page with this cursor has not seen, as a JSON-ready dictionary."""
        with self._lock:
            fresh = run != self.run or cursor.rows > self._version or cursor.events > self._event_count
            seen, seen_events = (0, 0) if fresh else (cursor.rows, cursor.events)
            newest = Cursor(self._version, self._event_count)
            message = {
                "run": self.run,
                "fresh": fresh,
                "cursor": [newest.rows, newest.events, 0],
                "now": round(self._clock(), 2),
                "broker": {
                    "reached": bool(self._reached),
                    "why": self._broker_why,
                    "since": round(self._broker_since, 1),
                },
                "spindles": [_tile(s) for s in self.spindles() if s.version > seen],
                "forgotten": [name for name, version in self._forgotten.items() if version > seen],
                "events": [e for e in self._events if e["id"] > seen_events],
            }
            return message, newest

    def _spindle(self, name: str) -> Spindle | None:
        if name not in self._spindles and len(self._spindles) >= MAX_SPINDLES:
            return None
        self._forgotten.pop(name, None)
        return self._spindles.setdefault(name, Spindle(name))

    def _note(self, name: str, record: Record) -> None:
        event = happened(name, record)
        if event is not None:
            self._event_count += 1
            self._events.append(event | {"id": self._event_count})

    def _changed(self, spindle: Spindle) -> None:
        self._version += 1
        spindle.version = self._version
        self._judge(spindle)

    def _is_live(self, spindle: Spindle) -> bool:
        fresh = self._monotonic() - spindle.heard_mono <= STALE_S
        return bool(self._reached) and fresh and not spindle.told_lost and not spindle.ended

    def _judge(self, spindle: Spindle) -> None:
        live = self._is_live(spindle)
        if live != spindle.live:
            spindle.live = live
            self._version += 1
            spindle.version = self._version
        for tell in self.on_state:
            tell(spindle)

    def _tick(self, urgent: bool = False) -> None:
        now = self._monotonic()
        if urgent or now - self._looked_at >= COALESCE_S:
            self._looked_at = now
            for spindle in self._spindles.values():
                if spindle.live and not self._is_live(spindle):
                    self._judge(spindle)
                    urgent = True
        newest = self._version + self._event_count
        if newest != self._shown and (urgent or now - self._shown_at >= COALESCE_S):
            self._shown, self._shown_at = newest, now
            for tell in self.on_change:
                tell()


def _tile(spindle: Spindle) -> dict[str, Any]:
    """What a page shows of one spindle."""
    state = spindle.state
    tile: dict[str, Any] = {
        "name": spindle.name,
        "word": spindle.word,
        "live": spindle.live,
        "ended": spindle.ended,
        "heard_at": spindle.last_word_at,
        "missing": spindle.missing,
        "dropped": sum(spindle.dropped.values()),
    }
    if state is not None:
        tile |= state.model_dump(include=_SHOWN, mode="json")
        tile["last_word"] = state.word
        tile["state_since"] = state.since
    return tile


_SHOWN = {
    "why", "todo", "job", "material", "synthetic", "blanks", "blank", "peck", "blanks_done", "left_s",
    "speed_rpm", "commanded_rpm", "sag_pct", "sag_warning_pct", "sag_hold_pct", "cutting", "unacknowledged",
    "page",
}  # fmt: skip


def happened(name: str, record: Record) -> dict[str, Any] | None:
    """A line for the list of what happened; None for what is not listed."""
    body = record.body
    severity, message = body.get("severity"), body.get("message")
    if not isinstance(severity, str) or not isinstance(message, str):
        severity = message = ""
    message = message[:2000]
    if record.kind is RecordKind.EVENT and severity in ("warning", "hold"):
        return _line(name, record, severity, message)
    if record.kind is RecordKind.ALARM and body.get("state") == "reset":
        return _line(name, record, "info", f"The hold was ended by {message}.")
    if record.kind is RecordKind.BATCH:
        job = str(body.get("job", ""))[:200]
        word = "began" if body.get("state") == "begun" else "ended"
        return _line(name, record, "info", f"A batch {word}: {job}.")
    if record.kind is RecordKind.DROPPED:
        of = ", ".join(f"{n} of {kind}s".replace("ss", "s") for kind, n in _dropped(record).items())
        return _line(
            name, record, "info", f"Its queue was full while the broker was away: {of} were dropped."
        )
    return None


def _dropped(record: Record) -> dict[str, int]:
    """How many records of each kind a monitor says that it had to drop."""
    counts = record.body.get("records")
    if not isinstance(counts, dict):
        return {}
    return {
        kind: n
        for kind, n in counts.items()
        if kind in set(RecordKind) and type(n) is int and 0 <= n <= MAX_COUNT
    }


def _line(name: str, record: Record, severity: str, message: str) -> dict[str, Any]:
    return {"name": name, "at": record.at, "severity": severity, "message": message, "seq": record.seq}
