"""``spindlebell spindles``: several spindles on one computer, each with a monitor of its own.

One process a spindle: the analysis of one takes a share of a core, and within one process they would wait for
each other (Python runs one thread at a time). So one that fails, or is killed, silences no other.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from monitor.baseline import load_baseline
from monitor.cli import EXIT_DONE, EXIT_HELD, EXIT_OTHER
from monitor.commands.listen import asked_to_stop
from monitor.job import load_job
from monitor.manual import Manual
from monitor.quantities import format_count
from monitor.spindles import Spindle, load_spindles, shared_devices

MANUAL = Manual(
    about="""
    Watches several spindles with one computer: a `listen` for each, in a process of its own, with its own
    hold line, alarms, page and evidence. One that ends or hangs is started again, held, and no other
    notices. A device of several channels is opened once and dealt out to those that hear a channel of it.

    Each monitor begins held, as `listen` does. Ctrl-C (or SIGTERM) ends all in good order and leaves their
    lines open.
    """,
    examples=[("spindlebell spindles spindles.toml", "All spindles of a file:")],
    files={
        "FILE.toml": "a [[spindle]] table for each: name, station, job, baseline, out; paths count from its "
        "own folder",
        "out": "an evidence directory for each, as `listen` writes it",
    },
    statuses={0: "ended, and no hold was raised", 10: "ended, and some monitor raised a hold"},
    caution="A held feed leaves the spindle turning. Each machine has its own line: try each with `check`.",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("file", metavar="FILE.toml", help="the spindles file")


def run(args: argparse.Namespace) -> int:
    """Keep a monitor running for each spindle until told to stop."""
    from hardware.service import Service
    from hardware.supervise import keep_running

    spindles = load_spindles(args.file)
    for spindle in spindles:
        load_job(spindle.job)
        load_baseline(spindle.baseline)
    stop, service = threading.Event(), Service()
    with asked_to_stop(stop), tempfile.TemporaryDirectory(prefix="spindlebell-sound-") as folder:
        programs = programs_of(spindles, Path(folder))
        names = ", ".join(spindle.name for spindle in spindles)
        print(
            f"{format_count(len(spindles), 'spindle')}: {names}. Each is held until its own Reset.",
            flush=True,
        )
        print("Ctrl-C ends all.", flush=True)
        service.ready()  # it keeps them running; one that cannot begin must not end the others
        statuses = keep_running(programs, stop, lambda line: print(line, flush=True), service.alive)
        service.stopping()
    return status_of({spindle.name: statuses[spindle.name] for spindle in spindles})


def programs_of(spindles: list[Spindle], folder: Path) -> list[Any]:
    """A dealer for each shared device, then a monitor for each spindle, as `hardware.supervise.Program`.

    The dealers' sockets stand in ``folder``.
    """
    from hardware.shared import PREFIX
    from hardware.supervise import Program

    programs, sockets = [], {}
    for number, (device, those) in enumerate(shared_devices(spindles).items(), 1):
        sockets[device] = folder / f"sound-{number}"
        chosen = [spindle.station.microphone for spindle in those]
        rate = [] if chosen[0].rate_hz is None else ["--rate", str(chosen[0].rate_hz)]
        words = ["--device", chosen[0].device, "--channels", str(max(one.channel for one in chosen)), *rate]
        command = [sys.executable, "-m", "hardware.shared", str(sockets[device]), *words]
        programs.append(Program(f"sound {number}", command, speaks=False))
    for spindle in spindles:
        files = {
            "--station": spindle.station_file,
            "--job": spindle.job,
            "--baseline": spindle.baseline,
            "--out": spindle.out,
        }
        words = [word for option, path in files.items() for word in (option, str(path))]
        socket = sockets.get(spindle.station.microphone.device.casefold())
        if socket is not None:
            words += ["--device", f"{PREFIX}{socket}"]
        programs.append(Program(spindle.name, [sys.executable, "-m", "monitor.cli", "listen", *words]))
    return programs


def status_of(statuses: Mapping[str, list[int]]) -> int:
    """One exit status for all: a failure at the end before a hold, a hold before none."""
    last = [of_one[-1] if of_one else EXIT_OTHER for of_one in statuses.values()]
    if any(status not in (EXIT_DONE, EXIT_HELD) for status in last):
        return EXIT_OTHER
    return EXIT_HELD if any(EXIT_HELD in of_one for of_one in statuses.values()) else EXIT_DONE
