"""``spindlebell shop``: every spindle of a shop on one page, as their monitors tell it by way of the broker.

It watches. It can hold, reset or start nothing, and no monitor depends on it.
"""

from __future__ import annotations

import argparse
import sys
import threading
from contextlib import ExitStack, closing, suppress
from pathlib import Path

from monitor.cli import EXIT_DONE
from monitor.commands.listen import asked_to_stop
from monitor.errors import InputError
from monitor.manual import Manual
from monitor.station import load_station

WAIT_S = 3600.0  # any: a signal ends the wait


MANUAL = Manual(
    about="""
    Shows every spindle of a shop on one page, as their monitors tell it by way of an MQTT 5 broker: what is
    held first, then what has sent no word, with since when, then what to look at. It also reads out to other
    software: OpenMetrics at /metrics, MTConnect at /probe, /current and /sample.

    It watches. It can hold, reset or start nothing, and no monitor depends on it. Ctrl-C ends it.
    """,
    examples=[
        ("spindlebell shop --station shop.toml", "On this computer, at http://127.0.0.1:8765:"),
        ("spindlebell shop --station shop.toml --host 0.0.0.0 --out shop", "For the network, and kept:"),
        ("spindlebell shop --station shop.toml --forget lathe-3", "A monitor that is gone for good:"),
    ],
    files={
        "FILE.toml": "a station file with a [broker] table; its name is not needed here",
        "DIR/shop.db": "records of all monitors, but for curves; the oldest go beyond evidence.limit",
        "keys.json": "in ~/.config/spindlebell: the secret tokens of a page that is open to the network",
    },
    caution="A tile that says ALL WELL is what a monitor said a second or more ago. Look at the machine.",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument(
        "--station",
        required=True,
        metavar="FILE.toml",
        help="its [broker] says where the monitors are heard",
    )
    parser.add_argument(
        "--out", metavar="DIR", help="keep what happens in DIR/shop.db (default: until the command ends)"
    )
    parser.add_argument("--host", help="address of the page (default: the station's, or this computer only)")
    parser.add_argument("--port", type=int, help="port of the page (default: the station's, or 8765; 0: any)")
    parser.add_argument(
        "--forget",
        metavar="NAME",
        help="have the broker forget a monitor that is gone for good, and end (default: serve the page)",
    )


def run(args: argparse.Namespace) -> int:
    """Serve the page until told to stop."""
    from dashboard.entry import entry_for, invitation
    from dashboard.fleet.broker import cautions, password_of, tls_of
    from dashboard.fleet.page import create_shop_app
    from dashboard.fleet.receiver import ShopLog, forget, receiving
    from dashboard.fleet.shop import EVENTS_KEPT, ShopState
    from dashboard.serve import listen, page_address, serving

    station = load_station(args.station)
    broker = station.broker
    if broker is None:
        raise InputError(
            f'{args.station}: has no [broker]; write where it is, for example host = "127.0.0.1"'
        )
    password_of(broker)
    tls_of(broker)
    if args.forget is not None:
        forget(broker, args.forget)
        print(f"{args.forget} is forgotten; a monitor of that name that is running comes back by itself.")
        return EXIT_DONE
    host, port = args.host or station.host, station.port if args.port is None else args.port
    if not 0 <= port <= 65535:
        raise InputError(f"--port {port}: has to be from 0 to 65535, such as 8765")
    entry = entry_for(host)
    stop, shop = threading.Event(), ShopState()
    with ExitStack() as opened:
        listening = opened.enter_context(closing(listen(host, port)))
        log = None
        if args.out:
            path = Path(args.out) / "shop.db"
            log = opened.enter_context(closing(ShopLog(path, station.evidence_limit_bytes)))
            for name, record in log.newest(EVENTS_KEPT):
                shop.recall(name, record)
        opened.enter_context(asked_to_stop(stop))
        app = create_shop_app(shop, entry=entry, names=[host])
        opened.enter_context(serving(app, listening))
        url = page_address(host, listening.getsockname()[1])
        lines = [
            *invitation(url, entry, qr=sys.stdout.isatty(), may_operate=False),
            *cautions(broker),
            "This page watches: a hold is ended at the machine or on its monitor's own page. Ctrl-C ends it.",
        ]
        print("\n".join(lines), flush=True)
        receiver = opened.enter_context(receiving(broker, shop, log, _tell))
        while not stop.wait(WAIT_S):
            pass
    counts = receiver.counts
    print(
        f"Received {counts['received']} records; {counts['duplicates']} came twice and counted once; "
        f"{counts['missing']} could not be had; {counts['malformed']} messages were not understood.",
        flush=True,
    )
    return EXIT_DONE


def _tell(text: str) -> None:
    with suppress(OSError):
        print(text, flush=True)
