"""``spindlebell listen``: the monitor at the machine, from microphone to hold line and page.

It begins held, and a person's reset closes the line for the first time: whoever starts it, a person, the
computer's start or the service manager after a fault, the machine waits until somebody has looked at it.
"""

from __future__ import annotations

import argparse
import os
import signal
import sqlite3
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import FrameType

import numpy as np
from numpy.typing import NDArray

from monitor import __version__
from monitor.alarm import AlarmBoard
from monitor.baseline import describe, learned_orders, load_baseline
from monitor.cli import EXIT_DONE, EXIT_HELD
from monitor.commands.page import reporter
from monitor.commands.replay import Tally, clock_text, off_speed, told
from monitor.errors import InputError, ResetRefused
from monitor.evidence.archive import Archive
from monitor.evidence.recorder import Evidence
from monitor.evidence.space import make_room
from monitor.evidence.store import BatchInfo
from monitor.job import Job, parse_job, read_job, with_material
from monitor.listener import Listener
from monitor.manual import Manual
from monitor.measurements import Heard, Kind, Severity
from monitor.meter import meter
from monitor.ports import Block
from monitor.quantities import Dimension, format_count, parse_quantity
from monitor.session import Session
from monitor.station import Station, load_station

STARTED = (
    "The monitor has just started and holds. Look at the machine, then press Reset: until then the line "
    "stays open."
)
STOPS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
METER_EVERY_S = 0.25
ROOM_EVERY_S = 60.0  # a minute of evidence is under a megabyte, and its clips some ten
TOLD_AGAIN_AFTER_S = 10.0  # overflows come in bursts; each is counted, not each is an event


MANUAL = Manual(
    about="""
    The monitor itself: the microphone in, the hold line, the page and the evidence out. It always begins
    held: look at the machine, then press Reset on the page or the button at the machine. After a hold, too,
    only a person's Reset closes the line, and it is refused while the cause is still heard. When the
    microphone is lost it holds, and opens the microphone again by itself; the hold stays.

    Ctrl-C (or SIGTERM) ends it in good order and leaves the line open. Without a station file it uses the
    system's own microphone and no wires: the hold is then shown and written, and no machine is held.
    """,
    examples=[
        ("spindlebell listen --job job.toml --baseline baseline.json --out evidence", "Without wires:"),
        (
            "spindlebell listen --station station.toml --job job.toml --baseline baseline.json "
            "--out evidence",
            "With the microphone, lines and page of a station file:",
        ),
        (
            "spindlebell listen --continue --job job.toml --baseline baseline.json --out evidence",
            "After a power cut in the middle of a batch:",
        ),
    ],
    files={
        "DIR/events.jsonl": "one event a line, as it happens",
        "DIR/trace.csv": "the measured curves, 20 rows a second",
        "DIR/pecks.csv": "one row a peck",
        "DIR/clips/": "the sound around each warning and hold, FLAC",
        "DIR/evidence.db": "all of it in SQLite, over every run into this directory",
        "DIR/earlier/NNNN/": "the three files of earlier runs",
        "keys.json": "in ~/.config/spindlebell: the secret tokens of a page that is open to the network",
    },
    statuses={0: "ended, and no hold was raised", 10: "ended, and a hold was raised"},
    caution="A held feed leaves the spindle turning, and in acrylic a drill that stays in the hole goes on "
    "rubbing. The monitor starts nothing. Wire it as hardware/WIRING.md says, by the machine maker's manual "
    "and local codes.",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("--job", required=True, metavar="JOB.toml", help="the job that is drilled")
    parser.add_argument(
        "--materials",
        type=Path,
        metavar="FILE.toml",
        help="materials of your own, in the form of monitor/planning/materials.toml (default: the table that "
        "comes with it)",
    )
    parser.add_argument("--baseline", required=True, metavar="FILE", help="made by spindlebell baseline")
    parser.add_argument(
        "--out", required=True, metavar="DIR", help="evidence directory; earlier runs are kept"
    )
    add_station_arguments(parser)
    parser.add_argument(
        "--continue",
        dest="goes_on",
        action="store_true",
        help="go on with the newest batch in DIR, which was cut off or ended: its blanks are counted on; the "
        "one that was under way counts as drilled",
    )
    parser.add_argument("--host", help="address of the page (default: the station's, or this computer only)")
    parser.add_argument("--port", type=int, help="port of the page (default: the station's, or 8765; 0: any)")


def add_station_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what every command at the machine takes."""
    parser.add_argument(
        "--station", metavar="FILE.toml", help="which microphone and which wires (default: no wires)"
    )
    parser.add_argument(
        "--device", metavar="NAME", help="microphone, by part of its name (default: the system's)"
    )
    parser.add_argument(
        "--rate", metavar="RATE", help='sample rate, such as "48 kHz" (default: the best it offers)'
    )
    parser.add_argument(
        "--channel", type=int, metavar="N", help="channel, from 1 (default: the station's, or 1)"
    )


def station_of(args: argparse.Namespace) -> Station:
    """The station file, if there is one, with what the command line says otherwise. Raises InputError."""
    station = load_station(args.station) if args.station else Station()
    said = {"device": args.device, "channel": args.channel}
    if args.rate is not None:
        said["rate_hz"] = round(parse_quantity(args.rate, Dimension.SAMPLE_RATE).value)
    microphone = replace(station.microphone, **{key: v for key, v in said.items() if v is not None})
    return replace(station, microphone=microphone)


def run(args: argparse.Namespace) -> int:
    """Listen until told to stop."""
    from dashboard.app import SessionOperator, create_app
    from dashboard.entry import entry_for, invitation
    from dashboard.fleet.broker import cautions
    from dashboard.fleet.own import telling
    from dashboard.fleet.publisher import check_broker
    from dashboard.fleet.telling import Teller
    from dashboard.live import LiveState
    from dashboard.serve import listen, page_address, serving
    from dashboard.sound import SoundMemory
    from dashboard.spectrogram import OrderSpectrogram
    from hardware import automatic_gain
    from hardware.microphone import live_microphone
    from hardware.service import Service
    from hardware.wires import STOOD_STILL_S, unwired, wired

    station = station_of(args)
    host, port = args.host or station.host, station.port if args.port is None else args.port
    if not 0 <= port <= 65535:
        raise InputError(f"--port {port}: has to be from 0 to 65535, such as 8765")
    written = read_job(args.job)
    job, baseline = parse_job(written, args.job, args.materials), load_baseline(args.baseline)
    if station.broker:
        check_broker(station.broker)
    job_text = with_material(written, job)
    before = earlier_blanks(Path(args.out), job, args.job) if args.goes_on else Earlier()
    entry = entry_for(host)
    stop, service = threading.Event(), Service()
    with ExitStack() as opened:
        listening = opened.enter_context(closing(listen(host, port)))
        wires = opened.enter_context(wired(station.lines)) if station.lines else unwired()
        microphone = opened.enter_context(live_microphone(station.microphone))
        switches = automatic_gain.cautions(microphone.name)
        listener = Listener(baseline, job, microphone.fs, live=True, blanks_before=before.blanks)
        opened.enter_context(asked_to_stop(stop))
        blocks = microphone.blocks()
        first = next(blocks)
        info = BatchInfo(
            started=began(first, microphone.fs),
            started_from="clock",
            source=f"microphone {microphone.name}, channel {station.microphone.channel}",
            fs=microphone.fs,
            job=job_text,
            baseline=describe(baseline),
            version=__version__,
            orders=learned_orders(baseline),
            continues=before.batch,
        )
        evidence = opened.enter_context(Evidence(args.out, info))
        session = Session(listener, evidence, wires.hold, wires.spindle_stop, STARTED)
        picture = OrderSpectrogram(baseline, job.spindle_rpm, microphone.fs)
        live = LiveState(job, picture=picture, batch=evidence.batch, blanks_before=before.blanks)
        sound, tally = SoundMemory(microphone.fs, picture), Tally()
        session.on_heard += [
            tally.add,
            lambda heard: live.heard(heard, session.board),
            lambda heard: tell(heard, info.started),
        ]
        url = page_address(host, listening.getsockname()[1])
        teller = Teller(
            job, live, info.started, told_of_batch(job, info, evidence.batch), "" if entry is None else url
        )
        session.on_heard.append(lambda heard: teller.heard(heard, session.board))
        spindle = opened.enter_context(telling(teller, station.broker, tell_of_broker))
        operator = SessionOperator(session, live)
        wires.on_reset(lambda: reset_by_button(operator.reset))
        if station.lines:
            wires.heartbeat.on_stood_still = lambda s: hold_after_standstill(session, s, STOOD_STILL_S)
        app = create_app(
            live,
            operator,
            sound=sound,
            archive=Archive(evidence.directory),
            batch=evidence.batch,
            report=reporter(evidence.directory),
            spindle=spindle,
            entry=entry,
            names=[host],
        )
        opened.enter_context(
            kept_in_bounds(evidence, station.evidence_limit_bytes, lambda text: warn_of_space(session, text))
        )
        with serving(app, listening):
            ways_in = invitation(url, entry, qr=sys.stdout.isatty())
            warned = [
                *before.told(job),
                *only_warned(job),
                *switches,
                *(cautions(station.broker) if station.broker else []),
            ]
            print("\n".join([*foreword(ways_in, station, info.source, microphone.fs), *warned]), flush=True)
            service.ready()

            def sounding() -> Iterator[Block]:
                yield first
                yield from blocks

            hear(
                sounding(),
                session,
                wires.heartbeat.beat,
                wires.beacon.show,
                sound.take,
                service.alive,
                lambda: microphone.losses.overflows,
                stop,
            )
            service.stopping()
            session.finish("stopped by a person")
            wires.hold.open()
            live.finish("The monitor was stopped.")
            teller.finish(session.t, session.board, "stopped by a person")
    print("\n".join(summary(tally, session.t, job, evidence, str(microphone.losses), before)), flush=True)
    return EXIT_HELD if tally.holds else EXIT_DONE


def hear(
    blocks: Iterator[Block],
    session: Session,
    beat: Callable[[float], None],
    shine: Callable[[AlarmBoard, bool], None],
    keep: Callable[[NDArray[np.float32], bool], None],
    alive: Callable[[], None],
    overflows: Callable[[], int],
    stop: threading.Event,
) -> None:
    """Take every block through the session, and let the heart beat for each hop of fresh sound.

    Parameters
    ----------
    blocks : iterator of Block
        Sound, and NaN in its place.
    beat : callable
        Given when the newest sample of a hop came, once it is analysed; never for what stands in for sound.
    shine : callable
        Given the alarms, and whether there is sound, after each block.
    keep : callable
        Given each block and whether a hold was raised in it.
    alive : callable
        Called when a block has gone through, whether it was sound or not: the program runs.
    overflows : callable
        How often sound was lost before it came here.
    stop : Event
        Ends it, after the block under way.
    """
    status, told_at, n_told = Status(), -TOLD_AGAIN_AFTER_S, 0
    for block in blocks:
        heard = session.feed(block.x)
        if heard.trace and block.heard:
            beat(block.at)
        shine(session.board, block.heard)
        alive()
        keep(block.x, any(event.severity is Severity.HOLD for event in heard.events))
        if overflows() > n_told and session.t - told_at >= TOLD_AGAIN_AFTER_S:
            told_at, n_told = session.t, overflows()
            message = f"Sound was lost before it came here: {format_count(n_told, 'overflow')} so far."
            session.say(Kind.MIC_FAULT, Severity.INFO, message)
        status.show(heard, block.heard)
        if stop.is_set():
            return


class Status:
    """What a terminal shows: level and speed, and when the microphone goes and comes."""

    def __init__(self) -> None:
        self._next_at = 0.0
        self._heard = True
        self._meter = sys.stdout.isatty()

    def show(self, heard: Heard, sounding: bool) -> None:
        """Take what one block gave."""
        if sounding != self._heard:
            self._heard = sounding
            print(
                "The microphone is back. When it has been heard for 2 s, press Reset."
                if sounding
                else "The microphone is gone: held until it is back, checked and reset.",
                flush=True,
            )
        now = time.monotonic()
        if self._meter and heard.trace and now >= self._next_at:
            self._next_at = now + METER_EVERY_S
            row = heard.trace[-1]
            speed = "speed not heard" if row.speed_rpm != row.speed_rpm else f"{row.speed_rpm:.0f} rpm"
            level = row.level_db if sounding else float("nan")
            print(f"\r{meter(level)}  {speed:16}", end="\r", flush=True)


def tell(heard: Heard, started: datetime) -> None:
    """Print warnings and holds; for the journal with their importance (sd-daemon(3))."""
    journal = "JOURNAL_STREAM" in os.environ
    for event in heard.events:
        if event.severity is Severity.INFO:
            continue
        importance = ("<2>" if event.severity is Severity.HOLD else "<4>") if journal else ""
        at = (started + timedelta(seconds=event.t)).astimezone().strftime("%H:%M:%S")
        where = f"blank {event.blank}, peck {event.peck}: " if event.blank and event.peck else ""
        print(f"{importance}{at} {event.severity.upper():8}{where}{event.message}", flush=True)


@contextmanager
def kept_in_bounds(
    evidence: Evidence, limit_bytes: int, warn: Callable[[str], None], every_s: float = ROOM_EVERY_S
) -> Iterator[None]:
    """Make room for evidence now and then, in a thread of its own, for as long as the block lasts.

    ``warn`` is told once that space runs low, and again only after there was room.
    """
    stop = threading.Event()

    def look() -> None:
        said = ""
        while True:
            try:
                warning = make_room(evidence.directory, limit_bytes, evidence.batch).warning
            except (OSError, sqlite3.Error) as error:
                warning = f"The evidence cannot be kept within its limit: {error}."
            if warning and not said:
                warn(warning)
            said = warning
            if stop.wait(every_s):
                return

    thread = threading.Thread(target=look, name="room for evidence", daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def warn_of_space(session: Session, text: str) -> None:
    """An event on the page and in the evidence; no hold, for the machine is still heard."""
    session.say(Kind.LOW_SPACE, Severity.WARNING, text)


def hold_after_standstill(session: Session, seconds: float, limit_s: float) -> None:
    """Latch the hold before the heart goes on: its relay may have dropped, and would close by itself."""
    if not session.board.held:
        message = (
            f"The monitor stood still for {seconds:.2f} s: nothing was heard meanwhile, and the heartbeat's "
            "relay may have let go. Let the computer do nothing else, look at the machine, then reset."
        )
        session.say(Kind.MIC_FAULT, Severity.HOLD, message, seconds, limit_s, "s")


def told_of_batch(job: Job, info: BatchInfo, batch: int) -> dict[str, object]:
    """What the shop is told of the batch as a whole."""
    return {
        "batch": batch,
        "job": job.name,
        "material": job.material,
        "blanks_of_job": job.blanks,
        "source": info.source,
        "version": info.version,
    }


def tell_of_broker(text: str) -> None:
    """Trouble with the broker is told, and is no event: the machine is heard and held all the same."""
    journal = "<5>" if "JOURNAL_STREAM" in os.environ else ""
    print(f"{journal}{text}", flush=True)


def reset_by_button(reset: Callable[[str], None]) -> None:
    """Somebody at the machine pressed and let go of the button."""
    try:
        reset("the button at the machine")
    except ResetRefused as refused:
        print(f"The button at the machine: {refused}.", flush=True)


def began(first: Block, fs: int) -> datetime:
    """The time of day of the first sample."""
    ago = time.monotonic() - first.at + len(first.x) / fs
    return datetime.now(UTC) - timedelta(seconds=ago)


@contextmanager
def asked_to_stop(stop: threading.Event) -> Iterator[None]:
    """Ctrl-C, SIGTERM and a terminal that goes away end the batch in good order while the block lasts."""

    def ask(number: int, frame: FrameType | None) -> None:
        stop.set()

    before = {number: signal.signal(number, ask) for number in STOPS}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def foreword(ways_in: list[str], station: Station, source: str, fs: int) -> list[str]:
    """What the person is told before the first sound."""
    lines = [f"Listening: {source}, {fs / 1000:g} kHz.", *ways_in, STARTED]
    if station.lines is None:
        lines.append("No lines are wired: the hold is shown and written, and no machine is held.")
    elif station.lines.hold_input == "normally open":
        lines.append(
            "Caution: the machine's hold input is normally open. A broken wire, a lost supply or a program "
            "that has ended will NOT hold it; only the heartbeat's relay can (hardware/WIRING.md)."
        )
    lines += [
        "Ctrl-C ends it, and leaves the line open.",
        "A monitor, not a safety function: it replaces no guard, no emergency stop and no person. A held "
        "feed leaves the spindle turning.",
    ]
    return lines


def only_warned(job: Job) -> list[str]:
    """What the person is told at each start of kinds that the job lets only warn."""
    if not job.warn_only:
        return []
    return [f"Caution: {', '.join(job.warn_only)} will only warn and hold nothing, as the job file says."]


@dataclass(frozen=True)
class Earlier:
    """What was drilled before: the number of the batch in the evidence, and that of its last blank."""

    batch: int = 0
    blanks: int = 0

    def told(self, job: Job) -> list[str]:
        """What the person is told where a batch goes on."""
        if not self.batch:
            return []
        return [f"Goes on with batch {self.batch}: the next blank is {self.blanks + 1} of {job.blanks}."]


def earlier_blanks(directory: Path, job: Job, file: str) -> Earlier:
    """What is gone on with: the newest batch of a directory, if it is of this job. Raises InputError."""
    archive = Archive(directory)
    newest = next(iter(archive.batches()), None)
    if newest is None:
        raise InputError(f"--continue: {directory} holds no batch to go on with; leave --continue away")
    before = parse_job(newest.job, f"{directory}, batch {newest.number}")
    if before.name != job.name:
        raise InputError(
            f'--continue: batch {newest.number} in {directory} is of the job "{before.name}", and {file} is '
            f'"{job.name}"; leave --continue away to begin a new batch, or give the job file of that one'
        )
    return Earlier(newest.number, archive.last_blank(newest.number))


def summary(
    tally: Tally, heard_s: float, job: Job, evidence: Evidence, losses: str, before: Earlier
) -> list[str]:
    """Lines in plain words: what was heard, every hold and warning, what was lost, where the evidence is."""
    earlier = f" after {before.blanks} in batch {before.batch}" if before.batch else ""
    return [
        f"Listened for {clock_text(heard_s)}: {tally.blanks} of "
        f"{format_count(job.blanks, 'blank')}{earlier}, "
        f"{format_count(tally.pecks, 'peck')}.",
        *off_speed(tally, job),
        *told("hold", tally.holds, job),
        *told("warning", tally.warnings, job),
        losses,
        f"Evidence: {evidence.directory}, batch {evidence.batch}",
    ]
