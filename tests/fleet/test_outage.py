"""A hundred monitors and a real broker that is killed, and a network that is cut: every record arrives once.

The count is of records by monitor, stream and number, their content included, against what each monitor's
outbox holds. The broker keeps nothing on disk, so that a killed one has lost what it had not handed on.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from dashboard.fleet.receiver import ShopLog, receiving
from dashboard.fleet.shop import ShopState
from dashboard.fleet.words import Record
from monitor.measurements import Kind
from monitor.station import BrokerChoice
from tests.dashboard.shop import hold, info, warning
from tests.fleet.brokers import mosquitto, needs_broker, network
from tests.fleet.monitors import KEEP_ALIVE_S, Monitor, wait_for

pytestmark = needs_broker

MONITORS = 100
LATE_S = 90.0  # on a machine with much else to do
Numbers = dict[tuple[str, str], list[tuple[int, int]]]


class Received:
    """Everything that a receiver let through, in its order."""

    def __init__(self) -> None:
        self.records: list[tuple[str, Record]] = []

    def take(self, name: str, record: Record) -> None:
        self.records.append((name, record))

    def numbers(self) -> Counter[tuple[str, str, int]]:
        return Counter((name, record.stream, record.seq) for name, record in self.records)


def told(monitors: dict[str, Monitor]) -> Counter[tuple[str, str, int]]:
    """What the monitors have put into their outboxes."""
    return Counter(
        (name, monitor.outbox.stream, kept.seq)
        for name, monitor in monitors.items()
        for kept in monitor.outbox.after(0, 100_000)
    )


def all_kept(monitors: dict[str, Monitor]) -> bool:
    return all(not monitor.teller._pending for monitor in monitors.values())


def some_work(monitors: dict[str, Monitor]) -> None:
    """Fifteen seconds of signal each, with a warning, a hold on some, and a blank that ends."""
    for i, monitor in enumerate(monitors.values()):
        t = monitor.shop.t
        monitor.work(5.0, info(t + 5, Kind.BLANK_END, "A blank is done.", blank=1))
        monitor.work(5.0, warning(t + 10))
        monitor.work(5.0, *([hold(t + 15)] if i % 10 == 0 else []))


def test_a_hundred_monitors_through_a_killed_broker_and_a_cut_network(tmp_path: Path) -> None:
    received, shop, log = Received(), ShopState(), ShopLog(tmp_path / "shop.db", 10**9)
    with mosquitto(tmp_path) as broker, network(broker.port) as cable, network(broker.port) as shops_cable:
        choice = {"host": "127.0.0.1", "port": cable.port}
        monitors = {
            f"lathe-{i}": Monitor(BrokerChoice(**choice, name=f"lathe-{i}"), tmp_path / f"{i}.db")
            for i in range(MONITORS)
        }
        watcher = BrokerChoice(host="127.0.0.1", port=shops_cable.port)
        with receiving(watcher, shop, log, lambda text: None, received.take, KEEP_ALIVE_S) as receiver:
            for monitor in monitors.values():
                monitor.publisher.start()

            def everything() -> bool:
                n = sum(monitor.outbox.newest for monitor in monitors.values())
                return (
                    all_kept(monitors) and len(received.records) == n and received.numbers() == told(monitors)
                )

            some_work(monitors)
            assert wait_for(everything, LATE_S)
            assert sum(s.live for s in shop.spindles()) == MONITORS

            broker.kill()  # between records, and with some on their way
            some_work(monitors)
            assert wait_for(lambda: not any(s.live for s in shop.spindles()), LATE_S)
            broker.start()
            assert wait_for(everything, LATE_S)

            some_work(monitors)
            broker.kill()
            broker.start()
            assert wait_for(everything, LATE_S)

            cable.cut()
            some_work(monitors)
            assert wait_for(lambda: not any(s.live for s in shop.spindles()), LATE_S)
            cable.mend()
            assert wait_for(everything, LATE_S)

            shops_cable.broken()  # the shop alone is cut off for a moment
            some_work(monitors)
            assert wait_for(everything, LATE_S)

            for monitor in monitors.values():
                monitor.publisher._ending.set()
            for monitor in monitors.values():
                monitor.finish()
        counts = receiver.counts
        n = len(received.records)
    print(f"{n} records of {MONITORS} monitors, each once and in order; at the receiver: {dict(counts)}")
    assert max(received.numbers().values()) == 1
    assert counts["missing"] == counts["malformed"] == 0
    by_monitor: Numbers = {}
    for name, record in received.records:
        by_monitor.setdefault((name, record.stream), []).append((record.first, record.seq))
    for ranges in by_monitor.values():
        assert [first for first, _ in ranges] == [1, *(seq + 1 for _, seq in ranges[:-1])]
    log.close()
