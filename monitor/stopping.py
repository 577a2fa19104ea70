"""SIGTERM ends a command as Ctrl-C does: what is open is closed, and one line says so."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


class Terminated(KeyboardInterrupt):
    """SIGTERM came, as a service manager or `kill` sends it: for a command the same as Ctrl-C."""


@contextmanager
def sigterm_as_ctrl_c() -> Iterator[None]:
    """SIGTERM ends a command as Ctrl-C does while the block lasts: in good order, and not without a word.

    Only the main thread may say what a signal does: in another one nothing changes.

    Raises
    ------
    Terminated
        once; a second SIGTERM must not disturb what is closed then
    """

    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def end(number: int, frame: FrameType | None) -> None:
        signal.signal(number, signal.SIG_IGN)
        raise Terminated

    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
