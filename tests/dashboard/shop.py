"""Scripted work: what a listener would hand out, from a formula: drives the page alone."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager

import numpy as np

from dashboard.live import LiveState
from dashboard.spectrogram import OrderSpectrogram
from monitor.alarm import AlarmBoard
from monitor.errors import InputError
from monitor.job import Job, default_job
from monitor.measurements import Event, Heard, Kind, Severity, TraceRow

HOP_S = 0.05
PECK_S = 3.0  # 2 s in the material, 1 s out of it


def rows(job: Job, t_from: float, t_to: float, bind_at: float = np.inf) -> Iterator[TraceRow]:
    """Trace rows of a job whose load rises in each peck, and runs away from ``bind_at`` on."""
    rng = np.random.default_rng(round(t_from / HOP_S))
    for i in range(round(t_from / HOP_S), round(t_to / HOP_S)):
        t = i * HOP_S
        in_peck = t % PECK_S
        cutting = in_peck > 1.0 and t > 2
        sag = (0.6 + 0.9 * (in_peck - 1.0) if cutting else 0.0) + rng.normal(0, 0.12)
        if t > bind_at:
            sag += 9.0 * (t - bind_at)
        sag = min(sag, 60.0)
        yield TraceRow(
            t=t,
            speed_rpm=job.spindle_rpm * (1 - sag / 100),
            speed_confidence=0.95,
            sag_pct=sag,
            level_db=-31.0 + (9.0 if cutting else 0.0),
            cut_level_db=14.0 if cutting else 0.4,
            chatter_db=3.0,
            rise_db_per_s=0.0,
            cutting=cutting,
        )


def heard(job: Job, t_from: float, t_to: float, *events: Event, bind_at: float = np.inf) -> Heard:
    """One block's worth of the above."""
    return Heard(trace=list(rows(job, t_from, t_to, bind_at)), events=list(events))


def warning(t: float, blank: int = 2, peck: int = 3) -> Event:
    """A sag warning."""
    message = "The spindle slows under load: 4.6 % below its free speed (warning at 4 %)."
    return Event(t, Kind.SAG, Severity.WARNING, message, 4.6, 4.0, "%", blank, peck, 33.5)


def hold(t: float, blank: int = 2, peck: int = 3) -> Event:
    """A sag hold."""
    message = "The drill is binding: the spindle is 8.7 % below its free speed (hold at 8 %)."
    return Event(t, Kind.SAG, Severity.HOLD, message, 8.7, 8.0, "%", blank, peck, 34.1)


def info(t: float, kind: Kind, message: str, blank: int = 0, peck: int = 0) -> Event:
    """A line in the diary."""
    return Event(t, kind, Severity.INFO, message, blank=blank, peck=peck)


class Shop:
    """A session without sound: feeds a live state and carries out what the page asks for."""

    def __init__(
        self,
        job: Job | None = None,
        clock: Callable[[], float] = time.time,
        picture: OrderSpectrogram | None = None,
        batch: int = 0,
    ) -> None:
        self.job = job or default_job()
        self.picture = picture
        self.live = LiveState(self.job, synthetic=True, picture=picture, batch=batch, clock=clock)
        self.board = AlarmBoard()
        self.resets: list[str] = []
        self.limits: list[tuple[float, float, str]] = []
        self.t = 0.0
        self.coming: tuple[Event, ...] = ()  # events of the next block while busy
        self.lasting = False  # while busy: whatever was raised goes on being heard

    def work(
        self, seconds: float, *events: Event, active: Collection[Kind] = (), bind_at: float = np.inf
    ) -> None:
        """Let so much signal pass, with these events at its end and these causes lasting."""
        given = heard(self.job, self.t, self.t + seconds, *events, bind_at=bind_at)
        for event in events:
            self.board = self.board.raised(event)
        self.t += seconds
        self.board = self.board.settled(active, self.t)
        self.live.heard(given, self.board)

    def hold_now(self, by: str) -> None:
        """As a session's operator does."""
        message = f"Held by hand ({by})."
        self.board = self.board.raised(Event(self.t, Kind.HOLD_NOW, Severity.HOLD, message, blank=1, peck=2))
        self.live.heard(Heard(events=[self.board.first_up] if self.board.first_up else []), self.board)

    def set_sag_limits(self, warning_pct: float, hold_pct: float, by: str) -> None:
        """As a session's operator does."""
        if not warning_pct < hold_pct:
            raise InputError("the warning comes before the hold")
        self.limits.append((warning_pct, hold_pct, by))
        self.live.set_sag_limits(warning_pct, hold_pct)

    def new_drill(self, by: str) -> None:
        """As a session's operator does."""
        self.work(0.0, info(self.t, Kind.NEW_DRILL, f"A new or sharpened drill ({by})."))

    def acknowledge(self) -> None:
        """As a session's operator does."""
        self.board = self.board.acknowledged(self.t)
        self.live.operated(self.board)

    def reset(self, by: str) -> None:
        """As a session's operator does."""
        self.board = self.board.reset(by, self.t)
        self.resets.append(by)
        self.live.operated(self.board)

    @contextmanager
    def busy(self) -> Iterator[None]:
        """Go on working in real time, in a thread, for as long as the block lasts."""
        stop = threading.Event()

        def go_on() -> None:
            while not stop.wait(HOP_S):
                events, self.coming = self.coming, ()
                heard_still = [a.event.kind for a in self.board.alarms if a.active]
                active = [*heard_still, *(event.kind for event in events)] if self.lasting else []
                self.work(HOP_S, *events, active=active)

        thread = threading.Thread(target=go_on)
        thread.start()
        try:
            yield
        finally:
            stop.set()
            thread.join()
