"""One batch being heard: the core, the alarms, the hold line and the evidence, put together.

Live, demo and replay differ only in where their blocks come from and in what line they hold.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from monitor.alarm import AlarmBoard
from monitor.errors import InputError, ResetRefused
from monitor.evidence.recorder import Evidence
from monitor.measurements import Event, Heard, Kind, Severity
from monitor.ports import HoldLine

LEAST_SAG_PCT, MOST_SAG_PCT = 0.5, 50.0
"""Sag thresholds that a person may set at work: below, a machine's own wander (0.1 to 0.4 %) would hold
without end; above, it stands still."""


class Core(Protocol):
    """What a session needs of `monitor.listener.Listener`."""

    @property
    def fs(self) -> float:
        """Sample rate in Hz."""
        ...

    @property
    def sag_limits_pct(self) -> tuple[float, float]:
        """The sag that warns and the one that holds, in per cent."""
        ...

    def set_sag_limits(self, warning_pct: float, hold_pct: float) -> None:
        """Judge by other thresholds from now on."""
        ...

    def forget_told(self) -> None:
        """A person has reset: what is found from now on is told anew, however soon it comes."""
        ...

    def feed(self, x: NDArray[np.floating]) -> Heard:
        """Take the next samples, shape (n,), full scale 1."""
        ...

    def finish(self) -> Heard:
        """Say what was still undecided."""
        ...


class Session:
    """Feeds the core and acts on what it hears, holding first and writing afterwards.

    Safe to use from two threads: one that brings the sound and one that brings a person's wishes.

    Parameters
    ----------
    listener : Core
        The signal core.
    evidence : Evidence
        Where it is written; the session finishes it, whoever opened it closes it.
    hold_line : HoldLine
        Opened by the first hold, closed again by `reset` alone.
    spindle_line : HoldLine, optional
        Opened by a hold that asks for the spindle to be stopped too, closed again by `reset` alone.
    held_from_start : str, optional
        Why a person has to reset before the line closes for the first time; without it whoever composes the
        session closes it.

    Attributes
    ----------
    board : AlarmBoard
        The alarms as they stand; a new object after each change.
    on_heard : list of callable
        Each is called, from the thread that feeds, with what each call has heard.
    """

    def __init__(
        self,
        listener: Core,
        evidence: Evidence,
        hold_line: HoldLine,
        spindle_line: HoldLine | None = None,
        held_from_start: str = "",
    ) -> None:
        self.board = AlarmBoard()
        self._started: Event | None = None
        if held_from_start:
            self._started = Event(0.0, Kind.HOLD_NOW, Severity.HOLD, held_from_start)
            self.board = self.board.raised(self._started)
        self.on_heard: list[Callable[[Heard], None]] = []
        self._listener = listener
        self._evidence = evidence
        self._lines = [hold_line] if spindle_line is None else [hold_line, spindle_line]
        self._n = 0
        self._active: frozenset[Kind] = frozenset()
        self._blank = self._peck = 0
        self._failed = self._over = False
        self._lock = threading.RLock()

    @property
    def t(self) -> float:
        """Seconds of signal taken so far."""
        return self._n / self._listener.fs

    def feed(self, x: NDArray[np.floating]) -> Heard:
        """Take the next samples, shape (n,), full scale 1, and act on what is heard in them.

        Any error opens the hold line before it is passed on: who no longer hears, or can no longer
        say what was heard, must not let the machine run on.
        """
        with self._lock, self._held_on_error():
            heard = self._listener.feed(x)
            self._n += len(x)
            return self._act_on(x, heard)

    def finish(self, note: str = "") -> Heard:
        """End the batch; ``note`` goes into the evidence."""
        with self._lock, self._held_on_error():
            heard = self._act_on(np.zeros(0, dtype=np.float32), self._listener.finish())
            self._over = True
            self._evidence.finish(note)
            return heard

    def acknowledge(self) -> None:
        """A person has seen the alarms; a hold stays."""
        with self._lock:
            self.board = self.board.acknowledged(self.t)
            self._evidence.act(self.t, "acknowledge")
        self._evidence.force()

    def reset(self, by: str) -> None:
        """End the hold by the deliberate act of the person named.

        Raises
        ------
        ResetRefused
            Nobody is named, the cause lasts, or the session has failed; the line stays open.
        """
        with self._lock:
            if self._failed:
                raise ResetRefused("the monitor has failed and no longer hears; start it again")
            board = self.board.reset(by, self.t)
            if board is not self.board:
                self._evidence.act(self.t, "reset", by)
                self.board = board
                self._listener.forget_told()
                for line in self._lines:
                    line.close()
        self._evidence.force()

    def hold_now(self, by: str) -> None:
        """Hold because a person asks for it; ``by`` says who. Nobody has to be sure to ask for a hold."""
        self._lines[0].open()  # before anything that could have to wait
        with self._lock:
            if not self._over and not self.board.held:
                self._say(Kind.HOLD_NOW, Severity.HOLD, f"Held by hand ({by}).")

    @property
    def sag_limits_pct(self) -> tuple[float, float]:
        """The sag that warns and the one that holds, in per cent."""
        return self._listener.sag_limits_pct

    def set_sag_limits(self, warning_pct: float, hold_pct: float, by: str) -> None:
        """Judge by other sag thresholds from now on; each that changes is an event of its own.

        The event's ``value`` is the new threshold and its ``limit`` the old one.

        Raises
        ------
        InputError
            The thresholds are out of range, or the warning does not come before the hold.
        """
        if not LEAST_SAG_PCT <= warning_pct < hold_pct <= MOST_SAG_PCT:
            raise InputError(
                f"a warning at {warning_pct:g} % and a hold at {hold_pct:g} % sag cannot be: the warning "
                f"comes before the hold, and both lie between {LEAST_SAG_PCT:g} and {MOST_SAG_PCT:g} %"
            )
        with self._lock:
            if self._over:
                raise InputError("the batch is over; thresholds are set in the next job file")
            before = self._listener.sag_limits_pct
            self._listener.set_sag_limits(warning_pct, hold_pct)
            for noun, old, new in zip(("warning", "hold"), before, (warning_pct, hold_pct), strict=True):
                if new != old:
                    message = f"The sag {noun} was set from {old:g} % to {new:g} % ({by})."
                    self._say(Kind.THRESHOLD, Severity.INFO, message, new, old, "%")

    def new_drill(self, by: str) -> None:
        """A new or sharpened drill goes to work: wear counts from here on.

        Raises
        ------
        InputError
            The batch is over.
        """
        with self._lock:
            if self._over:
                raise InputError("the batch is over; say it when the next one runs")
            self._say(Kind.NEW_DRILL, Severity.INFO, f"A new or sharpened drill ({by}).")

    def say(
        self,
        kind: Kind,
        severity: Severity,
        message: str,
        value: float = math.nan,
        limit: float = math.nan,
        unit: str = "",
    ) -> None:
        """Enter an event that was not heard, such as that of a full disk; after the end it is left out."""
        with self._lock:
            if not self._over:
                self._say(kind, severity, message, value, limit, unit)

    def _say(
        self,
        kind: Kind,
        severity: Severity,
        message: str,
        value: float = math.nan,
        limit: float = math.nan,
        unit: str = "",
    ) -> None:
        event = Event(self.t, kind, severity, message, value, limit, unit, self._blank, self._peck)
        self._act_on(np.zeros(0, dtype=np.float32), Heard(events=[event], active=self._active))

    def _act_on(self, x: NDArray[np.floating], heard: Heard) -> Heard:
        if any(event.severity is Severity.HOLD for event in heard.events):
            self._lines[0].open()
        if any(event.stops_spindle for event in heard.events):
            self._lines[-1].open()
        board = self.board
        for event in heard.events:
            if event.severity is Severity.HOLD and board.held and board.first_up is self._started:
                board = replace(board, first_up=None)  # a cause of its own says more than the start
            board = board.raised(event)
            if event.kind is Kind.BLANK_END:
                self._blank = self._peck = 0
            elif event.blank:
                self._blank, self._peck = event.blank, event.peck
        self.board = board.settled(heard.active, self.t)
        self._active = heard.active
        try:
            self._evidence.record(x, heard)
        finally:
            for tell in self.on_heard:
                tell(heard)
        return heard

    @contextmanager
    def _held_on_error(self) -> Iterator[None]:
        try:
            yield
        except BaseException:
            self._failed = True
            self._lines[0].open()
            raise
