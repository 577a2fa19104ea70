"""What the work under way tells the shop. The thread that analyses only appends here, and never waits."""

from __future__ import annotations

import json
import math
import secrets
from collections import deque
from collections.abc import Callable
from dataclasses import asdict
from datetime import datetime
from typing import Any

from dashboard.fleet.outbox import FIRST, NEVER, NEXT, Waiting
from dashboard.fleet.words import AlarmSaid, RecordKind, State
from dashboard.live import LiveState
from monitor.alarm import Alarm, AlarmBoard
from monitor.job import Job
from monitor.measurements import Event, Heard, Severity, TraceRow

POINT_S = 0.5  # a point of the published curves: a peck of two seconds has four
POINTS = 10  # a record of curves every five seconds, as the evidence writes its trace
# Kept in memory while the disk is slow or full: half an hour of curves, and of all the rest what there is.
MAX_PENDING_CURVES = 360

CURVE_FIELDS = ("t", "speed_rpm", "sag_pct", "cut_level_db", "chatter_db", "cutting")
TEXT = 2000  # characters of a sentence


class Teller:
    """Turns what is heard into records for the outbox, and into the state that a page shows.

    Parameters
    ----------
    job : Job
        The job under way.
    started : datetime
        When the batch began, by the clock.
    batch : dict
        What the record of the batch says besides.
    page : str
        Address of this monitor's own page, without its token; "" where only this computer can open it.
    """

    def __init__(
        self, job: Job, live: LiveState, started: datetime, batch: dict[str, Any], page: str = ""
    ) -> None:
        self.run = secrets.token_hex(8)
        self.lost_curves = 0
        self._job = job
        self._live = live
        self._started = started.timestamp()
        self._batch = batch
        self._page = page
        self._pending: deque[Waiting] = deque()
        self._n_curves = 0
        self._curve: list[list[float | int | None]] = []
        self._point: list[TraceRow] = []
        self._board = AlarmBoard()
        self._counts = {"blanks": 0, "pecks": 0, "warnings": 0, "holds": 0}
        self._add(0.0, RecordKind.BATCH, NEVER, {"state": "begun", **batch})

    def heard(self, heard: Heard, board: AlarmBoard) -> None:
        """Take what one block of sound gave, and the alarms after it."""
        for row in heard.trace:
            self._take_row(row)
        for event in heard.events:
            rank = NEXT if event.severity is Severity.INFO else NEVER
            self._add(event.t, RecordKind.EVENT, rank, _event(event))
            self._counts["warnings"] += event.severity is Severity.WARNING
            self._counts["holds"] += event.severity is Severity.HOLD
            self._counts["blanks"] += event.kind == "blank_end"
        for peck in heard.pecks:
            self._add(peck.end_s, RecordKind.PECK, NEXT, _finite(asdict(peck)))
            self._counts["pecks"] += 1
        if board is not self._board:
            t = heard.trace[-1].t if heard.trace else max((e.t for e in heard.events), default=0.0)
            self._take_board(board, t)

    def finish(self, t: float, board: AlarmBoard, note: str) -> None:
        """The batch is over, after so many seconds of signal."""
        self._take_board(board, t)
        self._flush_curve()
        self._add(t, RecordKind.BATCH, NEVER, {"state": "ended", "note": note, **self._batch, **self._counts})

    def taken(self) -> list[Waiting]:
        """What has come since the last call. For the thread that keeps it on disk."""
        given = []
        while self._pending:
            given.append(self._pending.popleft())
        self._n_curves = 0
        return given

    def give_back(self, given: list[Waiting]) -> None:
        """It could not be kept on disk: it goes before what has come since."""
        curves = sum(record.rank == FIRST for record in given)
        self._n_curves += curves
        self._pending.extendleft(reversed(given))

    def state(self, stream: str, seq: int) -> State:
        """Everything a page shows now."""
        now, board = self._live.summary()
        row = now["row"] if now["live"] else None  # what is old is not shown as if it were new
        job = self._job
        return State(
            run=self.run,
            stream=stream,
            seq=seq,
            at=now["now"],
            word=now["word"],
            why=now["why"][:TEXT],
            todo=now["todo"][:TEXT],
            since=now["since"],
            held=now["hold"] is not None,
            over=not now["can_hold"],
            unacknowledged=now["unacknowledged"],
            alarms=[_alarm(alarm) for alarm in board.alarms],
            job=job.name[:200],
            material=job.material[:200],
            synthetic=now["synthetic"],
            batch=now["batch"],
            blanks=job.blanks,
            blank=now["blank"],
            peck=now["peck"],
            blanks_done=now["blanks_done"],
            left_s=now["left_s"],
            commanded_rpm=job.spindle_rpm,
            speed_rpm=_number(row.speed_rpm) if row else None,
            speed_confidence=_number(row.speed_confidence) if row else None,
            sag_pct=_number(row.sag_pct) if row else None,
            sag_warning_pct=now["limits"][0],
            sag_hold_pct=now["limits"][1],
            level_db=_number(row.level_db) if row else None,
            cut_level_db=_number(row.cut_level_db) if row else None,
            chatter_db=_number(row.chatter_db) if row else None,
            cutting=bool(row and row.cutting),
            page=self._page,
        )

    @property
    def version(self) -> int:
        """Grows with every change of the state."""
        return self._live.version

    def _add(self, t: float, kind: RecordKind, rank: int, body: dict[str, Any]) -> None:
        if rank == FIRST:
            if self._n_curves >= MAX_PENDING_CURVES:
                self.lost_curves += 1
                return
            self._n_curves += 1
        text = json.dumps(body, separators=(",", ":"), allow_nan=False, ensure_ascii=False)
        self._pending.append(Waiting(round(self._started + t, 3), kind, rank, text))

    def _take_row(self, row: TraceRow) -> None:
        # Up to the next multiple of a point's length: which block brought the rows changes nothing.
        if self._point and int(row.t / POINT_S) != int(self._point[-1].t / POINT_S):
            self._curve.append(_point(self._point))
            self._point = []
            if len(self._curve) >= POINTS:
                self._flush_curve()
        self._point.append(row)

    def _flush_curve(self) -> None:
        if self._curve:
            t = self._curve[-1][0] or 0.0
            body = {"fields": CURVE_FIELDS, "points": self._curve}
            self._add(float(t), RecordKind.CURVES, FIRST, body)
            self._curve = []

    def _take_board(self, board: AlarmBoard, t: float) -> None:
        """A record for each alarm that has changed its state, and for the hold."""
        before = {alarm.event.kind: alarm for alarm in self._board.alarms}
        after = {alarm.event.kind: alarm for alarm in board.alarms}
        for kind in {**before, **after}:
            old, new = before.get(kind), after.get(kind)
            if new is not None and (old is None or old.state is not new.state or old.event is not new.event):
                self._add(max(t, new.since_s), RecordKind.ALARM, NEVER, _alarm(new).model_dump())
            elif new is None and old is not None:
                body = {"kind": kind, "state": "normal", "severity": old.event.severity, "message": ""}
                self._add(t, RecordKind.ALARM, NEVER, body)
        if self._board.held and not board.held:
            body = {"kind": "hold", "state": "reset", "severity": "hold", "message": board.last_reset_by}
            self._add(t, RecordKind.ALARM, NEVER, body)
        elif board.held and not self._board.held:
            message = board.first_up.message[:TEXT] if board.first_up else ""
            body = {"kind": "hold", "state": "held", "severity": "hold", "message": message}
            self._add(t, RecordKind.ALARM, NEVER, body)
        self._board = board


def _alarm(alarm: Alarm) -> AlarmSaid:
    event = alarm.event
    severity = "hold" if event.severity is Severity.HOLD else "warning"
    return AlarmSaid(kind=event.kind, severity=severity, state=alarm.state, message=event.message[:TEXT])  # type: ignore[arg-type]


def _event(event: Event) -> dict[str, Any]:
    return _finite({**asdict(event), "message": event.message[:TEXT]})


def _finite(values: dict[str, Any]) -> dict[str, Any]:
    return {key: _number(v) if isinstance(v, float) else v for key, v in values.items()}


def _number(value: float) -> float | None:
    return round(value, 3) if math.isfinite(value) else None


def _point(rows: list[TraceRow]) -> list[float | int | None]:
    """Speed and cutting sound in the mean, sag and tones at their worst, cutting where any row does."""

    def known(values: list[float], join: Callable[[list[float]], float]) -> float | None:
        finite = [v for v in values if math.isfinite(v)]
        return round(join(finite), 2) if finite else None

    return [
        round(rows[-1].t, 3),
        known([row.speed_rpm for row in rows], _mean),
        known([row.sag_pct for row in rows], max),
        known([row.cut_level_db for row in rows], _mean),
        known([row.chatter_db for row in rows], max),
        int(any(row.cutting for row in rows)),
    ]


def _mean(values: list[float]) -> float:
    return sum(values) / len(values)
