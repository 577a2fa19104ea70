"""``spindlebell demo``: the whole job with no hardware, from sound to page.

A synthetic machine drills a synthetic batch; on one blank the drill binds. Its sound goes, block by
block and paced in real time, through the same core, alarms and evidence as a microphone's, and the
hold line (simulated) holds the synthetic machine's feed until a person resets it on the page.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from monitor import __version__
from monitor.baseline import Baseline, describe, learned_orders
from monitor.cli import EXIT_DONE, EXIT_HELD
from monitor.commands.listen import told_of_batch
from monitor.commands.page import PAGE_ENDED, reporter
from monitor.errors import InputError
from monitor.evidence.archive import Archive
from monitor.evidence.recorder import Evidence
from monitor.evidence.store import BatchInfo
from monitor.listener import Listener
from monitor.manual import Manual
from monitor.measurements import Event, Heard, Severity
from monitor.ports import HoldLine
from monitor.quantities import format_count
from monitor.session import Session
from monitor.signal.orders import FreeRun, learn_baseline
from monitor.station import load_station
from monitor.synth.held import HeldScene
from monitor.synth.scenes import (
    Scene,
    SceneStream,
    demo_scene,
    free_running,
    job_toml,
    render_scene,
    scene_job,
)

FS = 48000
BLOCK = 2400  # one 50 ms hop
BASELINE_S = 8.0  # what a person is asked to record at each speed
BIND_ON_BLANK = 3
MOST_BLANKS = 1000
# Synthesis and analysis together run at about ten times real time on one core of a desktop computer.
FASTEST = 10.0


MANUAL = Manual(
    about="""
    Plays a synthetic batch of lamp cord pulls through the same core, alarms, evidence and page as `listen`.
    No sound card and no machine is needed. Open the address that it prints. The hold line is simulated, and
    holds the synthetic machine's feed.

    On the third blank, about a minute and a half in, the drill binds and the hold is raised. It stays until
    somebody presses and keeps Reset on the page; then the batch goes on. After the last blank the page
    stays until Ctrl-C (or SIGTERM).
    """,
    examples=[
        ("spindlebell demo", "The whole batch in real time:"),
        (
            "spindlebell demo --speed 4 --out evidence/demo",
            "Four times as fast, with the evidence kept here:",
        ),
    ],
    files={
        "DIR": "the evidence directory, as `replay` writes it; without --out a new one in the system's "
        "folder for temporary files, whose name is printed"
    },
    statuses={0: "done, and no hold was raised", 10: "done, and a hold was raised"},
    caution="What is shown is computed: it says nothing about your machine.",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument(
        "--speed", type=float, default=1.0, metavar="X", help="times real time, 0.1 to 10 (default: 1)"
    )
    parser.add_argument(
        "--blanks",
        type=int,
        default=6,
        metavar="N",
        help=f"blanks in the batch, 1 to {MOST_BLANKS} (default: 6)",
    )
    parser.add_argument("--port", type=int, default=8765, help="port of the page (default: 8765; 0: any)")
    parser.add_argument(
        "--host", default="127.0.0.1", help="address of the page (default: this computer only)"
    )
    parser.add_argument("--out", metavar="DIR", help="evidence directory (default: a new one, kept)")
    parser.add_argument(
        "--station",
        metavar="FILE.toml",
        help="tell the shop of its [broker]; nothing else of it counts here (default: no shop is told)",
    )
    parser.add_argument(
        "--exit-when-done",
        action="store_true",
        help="end with the batch, not with Ctrl-C; a hold still waits for its Reset",
    )


def run(args: argparse.Namespace) -> int:
    """Play the demo batch and serve its page."""
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
    from hardware.lines import SimulatedHoldLine

    _check(args)
    broker = load_station(args.station).broker if args.station else None
    if broker is not None:
        check_broker(broker)
    scene = demo_scene(args.blanks, bind_on_blank=BIND_ON_BLANK)
    job = scene_job(scene)
    entry = entry_for(args.host)
    with closing(listen(args.host, args.port)) as listening:
        print("SYNTHETIC DEMO: no machine is connected and no microphone is used.")
        print("Recording the synthetic machine running free, and learning from it ...", flush=True)
        waiting, baseline = learn_machine(scene)
        info = BatchInfo(
            started=datetime.now(UTC),
            started_from="clock",
            source="synthetic demo",
            fs=FS,
            job=job_toml(scene),
            baseline=describe(baseline),
            version=__version__,
            orders=learned_orders(baseline),
        )
        out = Path(args.out) if args.out else Path(tempfile.mkdtemp(prefix="spindlebell-demo-"))
        with ExitStack() as opened:
            evidence = opened.enter_context(Evidence(out, info))
            line = SimulatedHoldLine(lambda: session.t)
            session = Session(Listener(baseline, job, FS), evidence, line)
            picture = OrderSpectrogram(baseline, job.spindle_rpm, FS)
            live = LiveState(job, synthetic=True, picture=picture, batch=evidence.batch)
            sound, tally = SoundMemory(FS, picture), Tally()
            session.on_heard += [
                tally.add,
                close_when_heard(line, session),
                lambda heard: live.heard(heard, session.board),
                _tell,
            ]
            url = page_address(args.host, listening.getsockname()[1])
            teller = Teller(
                job,
                live,
                info.started,
                told_of_batch(job, info, evidence.batch),
                "" if entry is None else url,
            )
            session.on_heard.append(lambda heard: teller.heard(heard, session.board))
            spindle = opened.enter_context(telling(teller, broker, lambda text: print(text, flush=True)))
            app = create_app(
                live,
                SessionOperator(session, live),
                sound=sound,
                archive=Archive(out),
                batch=evidence.batch,
                report=reporter(out),
                spindle=spindle,
                entry=entry,
                names=[args.host],
            )
            with serving(app, listening):
                ways_in = invitation(url, entry, qr=sys.stdout.isatty())
                print(
                    "\n".join([*foreword(ways_in, args, out), *(cautions(broker) if broker else [])]),
                    flush=True,
                )
                play(HeldScene(SceneStream(scene, FS), waiting), session, line, sound.take, args.speed)
                session.finish("synthetic demo")
                blanks, holds = format_count(args.blanks, "blank"), format_count(len(tally.holds), "hold")
                ending = f"The batch is over: {blanks}, {holds}."
                live.finish(ending)
                teller.finish(session.t, session.board, ending)
                print(f"{ending} Evidence: {out}", flush=True)
                if not args.exit_when_done:
                    _wait_for_keyboard(url)
    return EXIT_HELD if tally.holds else EXIT_DONE


def learn_machine(scene: Scene) -> tuple[dict[float, NDArray[np.float32]], Baseline]:
    """Record the synthetic machine running free at each speed of its cycle, and learn from that.

    Returns
    -------
    tuple
        Commanded rpm, 0 included, to the sound at it, and the baseline.
    """
    cycle = scene.cycle
    sounds = {
        rpm: free_running(scene.machine, scene.room, rpm, BASELINE_S, seed=scene.seed, fs=FS)
        for rpm in sorted({cycle.spindle_rpm, cycle.spot_rpm or 2 * cycle.spindle_rpm})
    }
    baseline = learn_baseline(
        [FreeRun(rpm, x, FS) for rpm, x in sounds.items()], datetime.now(UTC).isoformat(timespec="seconds")
    )
    at_rest = replace(scene, lead_s=BASELINE_S, seconds=int(BASELINE_S))
    return sounds | {0.0: render_scene(at_rest, FS).x}, baseline


@dataclass
class Tally:
    """What the batch gave, for the last line and the exit status."""

    holds: list[Event] = field(default_factory=list)

    def add(self, heard: Heard) -> None:
        """Count in what one call has heard."""
        self.holds += [event for event in heard.events if event.severity is Severity.HOLD]


def close_when_heard(line: HoldLine, session: Session) -> Callable[[Heard], None]:
    """Energise the line once, when the spindle has first been heard: not before the ear works."""
    waiting = True

    def hear(heard: Heard) -> None:
        nonlocal waiting
        if waiting and any(row.speed_rpm > 0 for row in heard.trace) and not session.board.held:
            line.close()
        waiting = waiting and not line.closed and not session.board.held

    return hear


class Machine(Protocol):
    """What can be played: `HeldScene`."""

    def read(self, n: int, may_run: bool) -> NDArray[np.float32]:
        """The next ``n`` samples, none at the end; without ``may_run`` the machine waits."""
        ...


def play(
    machine: Machine,
    session: Session,
    line: HoldLine,
    keep: Callable[[NDArray[np.float32], bool], None],
    speed: float,
) -> None:
    """Play the machine to the session, paced; the line's opening holds the machine's feed.

    ``keep`` is given each block, and whether a hold was raised in it. Falling behind slows the demo
    down; nothing is left out.
    """
    begun = False  # the machine runs up before the line first closes: it has to be heard for that
    next_at = time.monotonic()
    while True:
        begun = begun or line.closed
        x = machine.read(BLOCK, may_run=line.closed or not (begun or session.board.held))
        if not len(x):
            return
        heard = session.feed(x)
        keep(x, any(event.severity is Severity.HOLD for event in heard.events))
        next_at = max(next_at + len(x) / FS / speed, time.monotonic() - 1.0)
        time.sleep(max(0.0, next_at - time.monotonic()))


def foreword(ways_in: list[str], args: argparse.Namespace, out: Path) -> list[str]:
    """What the person is told before the first sound."""
    lines = [
        *ways_in,
        f"A batch of {format_count(args.blanks, 'lamp cord pull')} is drilled, about half a minute each, "
        f"at {args.speed:g} times real time.",
    ]
    if args.blanks >= BIND_ON_BLANK:
        lines.append(
            f"On blank {BIND_ON_BLANK} the drill binds and the feed is held, until you press and keep Reset "
            "on the page. The spindle goes on turning: a held feed does not stop it."
        )
    lines += [
        f"Evidence goes to {out}. Ctrl-C ends the demo.",
        "A monitor, not a safety function: it replaces no guard, no emergency stop and no person.",
    ]
    return lines


def _check(args: argparse.Namespace) -> None:
    if not 0.1 <= args.speed <= FASTEST:
        raise InputError(f"--speed {args.speed:g}: has to be from 0.1 to {FASTEST:g} times real time")
    if not 1 <= args.blanks <= MOST_BLANKS:
        raise InputError(f"--blanks {args.blanks}: has to be from 1 to {MOST_BLANKS}")
    if not 0 <= args.port <= 65535:
        raise InputError(f"--port {args.port}: has to be from 0 to 65535, such as 8765")


def _tell(heard: Heard) -> None:
    for event in heard.events:
        if event.severity is not Severity.INFO:
            where = f"blank {event.blank}, peck {event.peck}: " if event.blank and event.peck else ""
            print(f"{event.severity.upper():8}{where}{event.message}", flush=True)


def _wait_for_keyboard(url: str) -> None:
    with suppress(KeyboardInterrupt):
        print(f"The page stays at {url} until Ctrl-C.", flush=True)
        threading.Event().wait()
    print(PAGE_ENDED, flush=True)
