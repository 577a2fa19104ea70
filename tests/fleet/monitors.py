"""Monitors without sound: scripted work, told to a broker the way `listen` tells its own."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from dashboard.fleet.outbox import Outbox
from dashboard.fleet.publisher import Publisher
from dashboard.fleet.telling import Teller
from monitor.measurements import Event, Heard
from monitor.station import BrokerChoice
from tests.dashboard.shop import Shop, heard

BATCH: dict[str, Any] = {"batch": 1, "job": "cord pulls", "material": "acrylic", "blanks_of_job": 24}
KEEP_ALIVE_S = 2  # a cut network is noticed in three seconds instead of fifteen


class Monitor:
    """One monitor of a shop; its work is a matter of calling `work`."""

    def __init__(self, choice: BrokerChoice, path: Path, limit_bytes: int = 50_000_000) -> None:
        self.said: list[str] = []
        self.shop = Shop()
        self.teller = Teller(self.shop.job, self.shop.live, datetime.now(UTC), BATCH)
        self.outbox = Outbox(path, limit_bytes)
        self.publisher = Publisher(choice, self.teller, self.outbox, self.said.append, KEEP_ALIVE_S)

    def work(self, seconds: float, *events: Event) -> None:
        """Let so much signal pass, with these events at its end."""
        begin = self.shop.t
        self.shop.work(seconds, *events)
        self.teller.heard(
            Heard(heard(self.shop.job, begin, self.shop.t).trace, list(events)), self.shop.board
        )

    def finish(self) -> None:
        """End in good order."""
        self.shop.live.finish("The monitor was stopped.")
        self.teller.finish(self.shop.t, self.shop.board, "stopped by a person")
        self.publisher.close()


def wait_for(what: Callable[[], bool], seconds: float = 15.0) -> bool:
    """Whether it has come true within so many seconds."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if what():
            return True
        time.sleep(0.05)
    return what()
