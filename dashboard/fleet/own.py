"""A monitor's own spindle: told to the shop where there is one, and read out on its own page in any case."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager

from dashboard.fleet.publisher import STATE_EVERY_S, publishing
from dashboard.fleet.shop import ShopState
from dashboard.fleet.telling import Teller
from monitor.station import BrokerChoice

NO_STREAM = "0"  # what is read out directly has no records


@contextmanager
def telling(
    teller: Teller, choice: BrokerChoice | None, tell: Callable[[str], None], name: str = "spindle"
) -> Iterator[ShopState]:
    """Tell the broker, if any, for as long as the block lasts; gives this spindle as a shop of one.

    Raises
    ------
    InputError
        The records cannot be kept on disk.
    """
    own = ShopState()
    own.broker(True)
    stop = threading.Event()

    def look() -> None:
        while True:
            own.take_state(choice.name if choice else name, teller.state(NO_STREAM, 0), retained=False)
            if choice is None:
                teller.taken()  # nobody else takes its records: kept, they would grow for ever
            if stop.wait(STATE_EVERY_S):
                return

    thread = threading.Thread(target=look, name="own spindle", daemon=True)
    with ExitStack() as opened:
        if choice is not None:
            opened.enter_context(publishing(choice, teller, tell))
        thread.start()
        try:
            yield own
        finally:
            stop.set()
            thread.join()
