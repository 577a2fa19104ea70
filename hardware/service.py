"""Telling systemd that the monitor runs, so that it is started again when it no longer does.

Only the process is started again, never the machine: a monitor that starts holds until a person resets.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable

import sdnotify

ALIVE_EVERY_S = 1.0  # far below WatchdogSec of the unit


def _systemd() -> Callable[[str], None]:
    if "NOTIFY_SOCKET" not in os.environ:
        return lambda message: None
    notify: Callable[[str], None] = sdnotify.SystemdNotifier().notify
    return notify


class Service:
    """Does nothing where no systemd waits for it.

    Parameters
    ----------
    notify : callable, optional
        Sends one message of the sd_notify protocol; replaced in tests.
    clock : callable
        Monotonic seconds; replaced in tests.
    """

    def __init__(
        self, notify: Callable[[str], None] | None = None, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._notify = notify or _systemd()
        self._clock = clock
        self._last = float("-inf")

    def ready(self) -> None:
        """It hears."""
        self._notify("READY=1")

    def alive(self) -> None:
        """A block has gone all the way through; call it for every one."""
        now = self._clock()
        if now - self._last >= ALIVE_EVERY_S:
            self._last = now
            self._notify("WATCHDOG=1")

    def stopping(self) -> None:
        """It was asked to end, and does."""
        self._notify("STOPPING=1")
