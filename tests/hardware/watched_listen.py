"""`spindlebell listen` with mock pins whose every change is written down as it happens, and a hand on the
button.

    python watched_listen.py LOG ARGUMENTS...

Each change of a pin is one line of LOG: monotonic seconds, pin, level. SIGUSR1 presses the reset button.
"""

from __future__ import annotations

import signal
import sys
import threading
import time
from pathlib import Path
from typing import Any, TextIO

from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPin

from monitor import cli

RESET_PIN = 23
PRESS_S = 0.4


class WatchedPin(MockPin):  # type: ignore[misc]  # gpiozero carries no types
    """Writes its changes down."""

    log: TextIO

    def _change_state(self, value: Any) -> Any:
        changed = super()._change_state(value)
        if changed:
            self.log.write(f"{time.monotonic():.6f} {self.info.name.removeprefix('GPIO')} {int(value)}\n")
            self.log.flush()
        return changed


def press(*_: object) -> None:
    """Press the button at the machine for a moment.

    From a thread of its own, as real pins tell their changes: a signal handler runs in the middle of what the
    main thread does, and that may be writing down a change of the heart beat.
    """
    button = Device.pin_factory.pin(RESET_PIN)
    threading.Timer(0.0, button.drive_low).start()
    threading.Timer(PRESS_S, button.drive_high).start()


def main() -> int:
    """Listen."""
    Device.pin_factory = MockFactory(pin_class=WatchedPin)
    signal.signal(signal.SIGUSR1, press)
    with Path(sys.argv[1]).open("w", encoding="utf-8") as WatchedPin.log:
        return cli.main(["listen", *sys.argv[2:]])


if __name__ == "__main__":
    sys.exit(main())
