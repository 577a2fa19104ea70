"""Hold lines: what the monitor opens to ask a machine to hold its feed.

A hold line is fail-safe: energised (closed) only while all is well, so that a broken wire, a dead
process or a lost supply means hold. It is no safety function and replaces no guard, no emergency
stop and no person; a held feed leaves the spindle turning.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Transition:
    """The line changed at ``t``, in seconds of signal: to closed, or to open."""

    t: float
    closed: bool


class SimulatedHoldLine:
    """A hold line with no wire: it remembers what a real one would have done.

    It begins open, as a real one is before it has power: whoever composes a session closes it once
    the machine is heard. Safe to use from several threads.

    Parameters
    ----------
    now : callable, optional
        Seconds of signal at this moment, for the history; without it every time is 0.

    Examples
    --------
    >>> line = SimulatedHoldLine()
    >>> line.close(), line.open(), line.open()
    (None, None, None)
    >>> line.closed, [transition.closed for transition in line.history]
    (False, [True, False])
    """

    def __init__(self, now: Callable[[], float] = lambda: 0.0) -> None:
        self._now = now
        self._closed = False
        self._history: list[Transition] = []
        self._lock = threading.Lock()

    @property
    def closed(self) -> bool:
        """True while energised, so that the machine may run."""
        return self._closed

    @property
    def history(self) -> tuple[Transition, ...]:
        """Every change so far, in order."""
        return tuple(self._history)

    def open(self) -> None:
        """De-energise: ask the machine to hold its feed; again and again changes nothing."""
        self._set(False)

    def close(self) -> None:
        """Energise. Moves nothing by itself: the machine's own control resumes."""
        self._set(True)

    def _set(self, closed: bool) -> None:
        with self._lock:
            if closed != self._closed:
                self._closed = closed
                self._history.append(Transition(self._now(), closed))
