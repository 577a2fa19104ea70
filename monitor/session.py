"""One batch being heard: the core, the alarms, the hold line and the evidence, put together.

Live, demo and replay differ only in where their blocks come from and in what line they hold.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from monitor.alarm import AlarmBoard
from monitor.errors import ResetRefused
from monitor.evidence.recorder import Evidence
from monitor.measurements import Heard, Severity
from monitor.ports import HoldLine


class Core(Protocol):
    """What a session needs of `monitor.listener.Listener`."""

    @property
    def fs(self) -> float:
        """Sample rate in Hz."""
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

    Attributes
    ----------
    board : AlarmBoard
        The alarms as they stand; a new object after each change.
    on_heard : list of callable
        Each is called, from the thread that feeds, with what each call has heard.
    """

    def __init__(self, listener: Core, evidence: Evidence, hold_line: HoldLine) -> None:
        self.board = AlarmBoard()
        self.on_heard: list[Callable[[Heard], None]] = []
        self._listener = listener
        self._evidence = evidence
        self._hold_line = hold_line
        self._n = 0
        self._failed = False
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
            self._evidence.finish(note)
            return heard

    def acknowledge(self) -> None:
        """A person has seen the alarms; a hold stays."""
        with self._lock:
            self.board = self.board.acknowledged(self.t)
            self._evidence.act(self.t, "acknowledge")

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
                self._hold_line.close()

    def _act_on(self, x: NDArray[np.floating], heard: Heard) -> Heard:
        if any(event.severity is Severity.HOLD for event in heard.events):
            self._hold_line.open()
        board = self.board
        for event in heard.events:
            board = board.raised(event)
        self.board = board.settled(heard.active, self.t)
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
            self._hold_line.open()
            raise
