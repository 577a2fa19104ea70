"""What the page shows now: fed by the analysis thread, read by any number of browsers.

The analysis thread only ever appends under a lock; nothing here waits for a browser. Each browser
keeps a cursor (how many trace rows and events it has seen) and asks for what is new, so a slow one
skips nothing and holds up nobody: it just gets a longer message next time, bounded by the history.
"""

from __future__ import annotations

import math
import secrets
import statistics
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from itertools import islice, pairwise
from typing import Any

from dashboard.band import Seen, Word, judge
from dashboard.peck_depth import PeckDepth
from dashboard.spectrogram import STEP_S, OrderSpectrogram
from monitor.alarm import AlarmBoard, AlarmState
from monitor.job import Job
from monitor.measurements import Event, Heard, Kind, TraceRow
from monitor.signal.frames import HOP_S

HISTORY_ROWS = 6000  # 5 minutes of 50 ms rows: what a reconnecting page can fill in
FRESH_ROWS = 1800  # a new page shows a minute; more would be slow to come over a poor connection
HISTORY_PECKS = 80  # the pecks that the present one is laid over
CYCLES = 20  # blanks whose time tells how long the rest will take
HISTORY_EVENTS = 300
# Analysis reports every 50 ms hop. One second without a report is 20 missed hops: not a late
# scheduler but a stopped microphone or analysis.
STALE_AFTER_S = 1.0

TRACE_FIELDS = (
    "t", "speed_rpm", "speed_confidence", "sag_pct", "level_db", "cut_level_db", "chatter_db", "cutting",
    "depth_mm",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Cursor:
    """How much of the history a reader has seen."""

    rows: int = 0
    events: int = 0
    columns: int = 0


UNSEEN = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED)


class LiveState:
    """The state behind the page; every public method may be called from any thread.

    What is in ``on_change`` is called after each change, by the thread that made it, and must not wait.

    Parameters
    ----------
    job : Job
        The job under way: counters, thresholds, commanded speed and the person's units.
    synthetic : bool
        True when every sound is computed; the page says so in a mark that cannot be closed.
    picture : OrderSpectrogram, optional
        The sound by orders; whoever brings the sound gives it to `SoundMemory` too.
    batch : int
        Number of the batch in the evidence, 0 where none is kept.
    blanks_before : int
        Blanks of the batch that were drilled before this run.
    clock : callable
        Wall clock, seconds since the epoch; replaced in tests.
    """

    def __init__(
        self,
        job: Job,
        *,
        synthetic: bool = False,
        picture: OrderSpectrogram | None = None,
        batch: int = 0,
        blanks_before: int = 0,
        clock: Callable[[], float] = time.time,
    ) -> None:
        self.on_change: list[Callable[[], None]] = []
        self.run = secrets.token_hex(8)  # tells a reconnecting page that the server restarted
        self._job = _describe_job(job, synthetic, picture, batch)
        self._limits = (job.sag_warning_pct, job.sag_hold_pct)
        self._blanks = job.blanks
        self._picture = picture
        self._depth = PeckDepth(job)
        self._pecks: deque[dict[str, Any]] = deque(maxlen=HISTORY_PECKS)
        self._starts: deque[float] = deque(maxlen=CYCLES + 1)
        self._clock = clock
        self._lock = threading.Lock()
        self._rows: deque[list[float | int | None]] = deque(maxlen=HISTORY_ROWS)
        self._events: deque[dict[str, Any]] = deque(maxlen=HISTORY_EVENTS)
        self._row_count = 0
        self._event_count = 0
        self._version = 0
        self._heard_at: float | None = None
        self._last: TraceRow | None = None
        self._speed_known_t = -math.inf
        self._blank = 0
        self._peck = 0
        self._blanks_done = blanks_before
        self._board = AlarmBoard()
        self._hold_id: int | None = None
        self._hold_count = 0
        self._note = "Waiting for the first sound."
        self._over = False
        self._band: tuple[Word, str] = (Word.NO_DATA, "")
        self._since = clock()

    # ---- written by the analysis thread

    def heard(self, heard: Heard, board: AlarmBoard) -> None:
        """Take what one block of sound gave, as ``Listener.feed`` returned it, and the alarms after it."""
        now = self._clock()
        with self._lock:
            if heard.trace:  # a person's wish comes without sound
                self._heard_at = now
            events = deque(heard.events)
            for row in heard.trace:
                while events and events[0].t <= row.t:
                    self._take_event(events.popleft(), now)
                self._take_row(row)
            for event in events:
                self._take_event(event, now)
            self._take_board(board)
            self._changed()

    def operated(self, board: AlarmBoard) -> None:
        """Take the alarms after a person acknowledged or reset."""
        with self._lock:
            self._take_board(board)
            self._changed()

    def set_sag_limits(self, warning_pct: float, hold_pct: float) -> None:
        """Other thresholds hold from now on."""
        with self._lock:
            self._limits = (warning_pct, hold_pct)
            self._changed()

    def note(self, text: str) -> None:
        """Say in a sentence what is going on when there is nothing to judge yet."""
        with self._lock:
            self._note = text
            self._changed()

    def finish(self, text: str) -> None:
        """The batch is over: no more sound will come, and that is no fault."""
        with self._lock:
            self._note = text
            self._over = True
            self._changed()

    def _changed(self) -> None:
        self._version += 1
        self._update_band(self._clock())
        for tell in self.on_change:
            tell()

    def _take_row(self, row: TraceRow) -> None:
        self._rows.append([*pack_row(row), _number(self._depth.step(row), 2)])
        self._row_count += 1
        self._last = row
        if not math.isnan(row.speed_rpm):
            self._speed_known_t = row.t
            if self._picture is not None:
                self._picture.turn(row.speed_rpm)

    def _take_event(self, event: Event, now: float) -> None:
        self._event_count += 1
        self._events.append(_pack_event(self._event_count, event, now))
        curve = self._depth.note(event)
        if curve:
            self._pecks.append({"blank": event.blank, "peck": event.peck, "points": curve})
        if event.kind is Kind.BLANK_START:
            self._starts.append(event.t)
        if event.blank:
            if event.blank != self._blank:
                self._peck = 0
            self._blank = event.blank
        if event.peck:
            self._peck = event.peck
        if event.kind is Kind.BLANK_END:
            self._blanks_done += 1

    def _take_board(self, board: AlarmBoard) -> None:
        self._board = board
        if not board.held:
            self._hold_id = None
        elif self._hold_id is None:
            self._hold_count += 1
            self._hold_id = self._hold_count

    # ---- read by the server

    @property
    def version(self) -> int:
        """Grows with every change: cheap to poll."""
        return self._version

    @property
    def hold_id(self) -> int | None:
        """The latched hold's number, None while there is none; a reset must name it."""
        with self._lock:
            return self._hold_id

    def summary(self) -> tuple[dict[str, Any], AlarmBoard]:
        """The state without its history, with the newest row of the curves (None before the first), and the
        alarms: for whoever tells others."""
        with self._lock:
            more = {key: self._job[key] for key in ("synthetic", "batch")}
            return self._state() | more | {"row": self._last}, self._board

    def since(self, cursor: Cursor, run: str = "") -> tuple[dict[str, Any], Cursor]:
        """What a reader with this cursor has not seen, as a JSON-ready dictionary.

        A cursor from another run, or older than the history, gets everything that is kept and
        ``"fresh": true``, which tells the page to forget what it had.
        """
        with self._lock:
            known = run == self.run and cursor.rows <= self._row_count and cursor.events <= self._event_count
            rows_missing = self._row_count - cursor.rows if known else self._row_count
            events_missing = self._event_count - cursor.events if known else self._event_count
            fresh = not known or rows_missing > len(self._rows)
            columns: list[str] = []
            column_count = 0
            if self._picture is not None:
                most = int(FRESH_ROWS * HOP_S / STEP_S)
                columns, column_count = self._picture.since(0 if fresh else cursor.columns, most)
            message: dict[str, Any] = {
                "run": self.run,
                "fresh": fresh,
                "cursor": [self._row_count, self._event_count, column_count],
                "state": self._state(),
                "rows": _newest(self._rows, FRESH_ROWS if fresh else rows_missing),
                "events": _newest(self._events, len(self._events) if fresh else events_missing),
                "columns": columns,
            }
            if fresh:
                message["job"] = self._job
                message["fields"] = TRACE_FIELDS
                message["pecks"] = list(self._pecks)
            return message, Cursor(self._row_count, self._event_count, column_count)

    def _state(self) -> dict[str, Any]:
        now = self._clock()
        word, why, todo = self._update_band(now)
        return {
            "word": word,
            "why": why,
            "todo": todo,
            "since": round(self._since, 1),
            "now": round(now, 2),
            "live": word is not Word.NO_DATA and not self._over and not self._stale(now),
            "hold": self._hold_id,
            "refusal": self._board.refusal(),
            "unacknowledged": sum(a.state in UNSEEN for a in self._board.alarms),
            "blank": self._blank,
            "peck": self._peck,
            "blanks_done": self._blanks_done,
            "left_s": self._left_s(),
            "limits": self._limits,
            "can_hold": not self._over,
        }

    def _left_s(self) -> float | None:
        """Seconds until the batch is through, by the blanks so far; None before two of them have begun.

        The middle one counts: a hold that was waited for lengthens one blank, not the others.
        """
        left = self._blanks - self._blanks_done
        if self._last is None or len(self._starts) < 2 or self._over:
            return None
        cycle = statistics.median(b - a for a, b in pairwise(self._starts))
        under_way = self._blank > self._blanks_done
        spent = min(self._last.t - self._starts[-1], cycle) if under_way else 0.0
        return round(max(0.0, left * cycle - spent))

    def _update_band(self, now: float) -> tuple[Word, str, str]:
        """Judge, and keep since when: for a word, or for the alarm behind it."""
        word, why, todo = self._judge(now)
        alarm = why if word in (Word.HELD, Word.LOOK) else ""
        if (word, alarm) != self._band:
            self._band = (word, alarm)
            lost_at = self._heard_at if word is Word.NO_DATA else None
            self._since = now if lost_at is None else lost_at
        return word, why, todo

    def _judge(self, now: float) -> tuple[Word, str, str]:
        return judge(
            Seen(
                held=self._hold_id is not None,
                board=self._board,
                over=self._over,
                note=self._note,
                stale=self._stale(now),
                last=self._last if self._heard_at is not None else None,
                speed_known_t=self._speed_known_t,
            )
        )

    def _stale(self, now: float) -> bool:
        # Either way: a clock that was set back would make what has stopped look fresh for as long.
        return self._heard_at is not None and abs(now - self._heard_at) > STALE_AFTER_S


def _newest(items: deque[Any], count: int) -> list[Any]:
    return list(islice(items, len(items) - min(count, len(items)), None))


def _number(value: float, digits: int) -> float | None:
    return round(value, digits) if math.isfinite(value) else None


def pack_row(row: TraceRow) -> list[float | None]:
    """A row of the curves, in the order of `TRACE_FIELDS` but for the depth; rounded to what can be seen."""
    return [
        round(row.t, 3),
        _number(row.speed_rpm, 1),
        _number(row.speed_confidence, 2),
        _number(row.sag_pct, 2),
        _number(row.level_db, 1),
        _number(row.cut_level_db, 1),
        _number(row.chatter_db, 1),
        int(row.cutting),
    ]


def _pack_event(number: int, event: Event, now: float) -> dict[str, Any]:
    return {
        "id": number,
        "t": round(event.t, 3),
        "at": round(now, 1),
        "kind": event.kind,
        "severity": event.severity,
        "message": event.message,
        "value": _number(event.value, 2),
        "limit": _number(event.limit, 2),
        "unit": event.unit,
        "blank": event.blank,
        "peck": event.peck,
        "depth_mm": _number(event.depth_mm, 2),
    }


def _describe_job(job: Job, synthetic: bool, picture: OrderSpectrogram | None, batch: int) -> dict[str, Any]:
    return {
        "name": job.name,
        "blanks": job.blanks,
        "material": job.material,
        "spindle_rpm": job.spindle_rpm,
        "spot_rpm": job.spot_rpm,
        "pecks_mm": list(job.pecks_mm),
        "depth_mm": job.depth_mm,
        "units": job.units,
        "synthetic": synthetic,
        "batch": batch,
        "top_order": picture.top_order if picture else None,
        "lines": picture.lines if picture else [],
    }
