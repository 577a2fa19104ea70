"""From a sample that enters PortAudio to the edge of the pin: ``python tests/hardware/latency.py [--binds
N]``.

Two measurements that add up. The way through: a machine running free is played, in real time, into a virtual
microphone (see `sound_server`), `listen`'s own loop hears it through PortAudio with mock pins, and each beat
of the heart is the end of one hop's way, from its newest sample to a pin. The detector: drawn machines bind,
as in tests/benchmarks, and the delay from the true crossing of the hold threshold to the newest sample of the
decision is counted in samples. A hold goes the way that a beat goes, and before it: the line is opened first.

What cannot be seen from here is when a sample enters the sound server. The earliest delivery of the run
stands for a delivery without delay. Other work on the computer shows in the result.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path[0] = str(ROOT)
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np  # noqa: E402
from gpiozero import Device  # noqa: E402
from gpiozero.pins.mock import MockFactory, MockPin  # noqa: E402

from hardware.microphone import live_microphone  # noqa: E402
from hardware.wires import wired  # noqa: E402
from monitor.commands import listen  # noqa: E402
from monitor.evidence.recorder import Evidence  # noqa: E402
from monitor.evidence.store import BatchInfo  # noqa: E402
from monitor.listener import Listener  # noqa: E402
from monitor.measurements import Heard  # noqa: E402
from monitor.ports import Block  # noqa: E402
from monitor.session import Session  # noqa: E402
from monitor.signal.orders import FreeRun, learn_baseline  # noqa: E402
from monitor.station import LineChoice, MicrophoneChoice  # noqa: E402
from monitor.synth.scenes import SCENES, free_running, scene_job  # noqa: E402
from tests.benchmarks import behaviour  # noqa: E402
from tests.hardware.sound_server import FS, NAME, sound_server  # noqa: E402

HOLD, BEAT = 17, 27
BUDGET_S = 0.4
PIECE_S = 20.0


class TimedPin(MockPin):  # type: ignore[misc]  # gpiozero carries no types
    """Knows when it last changed."""

    changed_at = 0.0

    def _change_state(self, value: Any) -> Any:
        changed = super()._change_state(value)
        self.changed_at = time.monotonic() if changed else self.changed_at
        return changed


@dataclass
class Way:
    """Times on the way of each hop: its newest sample in seconds of signal, then on the monotonic clock.

    Where the sound server stalled a new piece begins: what entered when is known within one opening only.
    """

    fs: int
    n: int = 0
    begun: float = 0.0
    newest_t: float = 0.0
    heard_before: bool = False
    arrivals: list[list[tuple[float, float]]] = field(
        default_factory=list
    )  # seconds of signal, when they came
    hops: list[list[tuple[float, float, float, float]]] = field(
        default_factory=list
    )  # t, arrived, begun, edge

    def blocks(self, blocks: Iterator[Block]) -> Iterator[Block]:
        """Pass blocks on, with the times of their coming."""
        for block in blocks:
            self.n += len(block.x)
            if block.heard and not self.heard_before:
                self.arrivals.append([])
                self.hops.append([])
            self.heard_before = block.heard
            if block.heard:
                self.arrivals[-1].append((self.n / self.fs, block.at))
            self.begun = time.monotonic()
            yield block

    def heard(self, heard: Heard) -> None:
        """Keep the newest sample that was used."""
        self.newest_t = heard.trace[-1].t if heard.trace else self.newest_t

    def stages(self) -> np.ndarray:
        """Seconds of delivery, of waiting and of analysis to the pin, shape (n_hops, 3)."""
        pieces = []
        for arrivals, hops in zip(self.arrivals, self.hops, strict=True):
            if len(hops) < 20:  # too short a piece to know its earliest delivery
                continue
            t, at = np.array(arrivals).T
            origin = np.min(at - t)  # when sample 0 entered, were the earliest delivery at once
            newest, arrived, begun, edge = np.array(hops).T
            pieces.append(np.column_stack([arrived - origin - newest, begun - arrived, edge - begun]))
        return np.concatenate(pieces)


def live(seconds: float, run: Path) -> tuple[np.ndarray, str]:
    """Stages of each hop of so many seconds, shape (n_hops, 3), and what was lost meanwhile."""
    scene = SCENES["bind"].make(1)
    rpm = scene.cycle.spindle_rpm
    x = free_running(scene.machine, scene.room, rpm, PIECE_S, seed=1, fs=FS)
    baseline = learn_baseline([FreeRun(rpm, x, FS)], "")
    Device.pin_factory = MockFactory(pin_class=TimedPin)
    stop = threading.Event()
    with sound_server(run / "sound") as server:
        os.environ.update(server.env)
        server.play(np.tile(x, int(seconds / PIECE_S) + 2))
        with (
            wired(LineChoice(HOLD, BEAT)) as wires,
            live_microphone(MicrophoneChoice(NAME, FS)) as microphone,
        ):
            info = BatchInfo(datetime.now(UTC), "clock", "latency", FS, "", "", "0")
            with Evidence(run / "evidence", info) as evidence:
                session = Session(Listener(baseline, scene_job(scene), FS), evidence, wires.hold)
                way = Way(FS)
                session.on_heard.append(way.heard)
                ends = time.monotonic() + seconds

                def beat(at: float) -> None:
                    wires.heartbeat.beat(at)
                    way.hops[-1].append(
                        (way.newest_t, at, way.begun, Device.pin_factory.pin(BEAT).changed_at)
                    )

                def turn(x: np.ndarray, held: bool) -> None:
                    if time.monotonic() > ends:
                        stop.set()

                listen.hear(
                    way.blocks(microphone.blocks()),
                    session,
                    beat,
                    wires.beacon.show,
                    turn,
                    lambda: None,
                    lambda: microphone.losses.overflows,
                    stop,
                )
                losses = str(microphone.losses)
    return way.stages(), losses


def report(stages: np.ndarray, delays: np.ndarray, losses: str) -> Iterator[str]:
    """The table: each stage, the way through, the detector, and their sum."""
    yield "# From sample to pin"
    yield ""
    yield f"Made by `python tests/hardware/latency.py --binds {len(delays)}` on Python"
    yield f"{platform.python_version()}, {platform.machine()}, {os.cpu_count()} cores that did other work"
    yield "too: PortAudio and PulseAudio with a virtual microphone, and mock pins. No real sound card and no"
    yield "real pin. The detector's delay was counted in samples on drawn machines"
    yield "(`tests/benchmarks/behaviour.py`, seeds 0 on), the rest on the clock, hop by hop; the sum takes"
    yield "every delay with every way."
    yield ""
    yield f"{len(delays)} binds, {int(np.isinf(delays).sum())} without a hold in 3 s; {len(stages)} hops."
    yield losses
    yield ""
    yield "| stage | median | 95th percentile | worst |"
    yield "|---|---|---|---|"
    way = stages.sum(axis=1)
    total = np.add.outer(delays, way).ravel()
    rows = {
        "delivery: the hop's newest sample enters, to its block being handed over": stages[:, 0],
        "queue: handed over, to its turn": stages[:, 1],
        "analysis, alarms, evidence, line: its turn, to the edge of the pin": stages[:, 2],
        "the way through": way,
        "detector: true sag of 8 %, to the newest sample of the decision": delays,
        "**all of it**": total,
    }
    for name, column in rows.items():
        shown = (f"{1000 * v:.0f} ms" for v in np.quantile(column, [0.5, 0.95, 1.0], method="higher"))
        yield f"| {name} | {' | '.join(shown)} |"
    kept = np.quantile(total, 0.95, method="higher") < BUDGET_S
    yield ""
    yield f"Budget, the 95th percentile under {BUDGET_S:g} s: {'kept' if kept else 'NOT kept'}."


def main(argv: Sequence[str] | None = None) -> int:
    """Measure, print, and write the table."""
    parser = argparse.ArgumentParser(description="Latency from sample to pin.")
    parser.add_argument("--binds", type=int, default=100, help="drawn binds for the detector (default: 100)")
    parser.add_argument("--seconds", type=float, default=120.0, help="of live sound (default: 120)")
    parser.add_argument("--jobs", type=int, default=1, help="processes for the binds (default: 1)")
    parser.add_argument("--output", type=Path, help="write the Markdown here as well")
    args = parser.parse_args(argv)
    with tempfile.TemporaryDirectory(prefix="latency-") as run:
        stages, losses = live(args.seconds, Path(run))
    with ProcessPoolExecutor(args.jobs) as pool:
        found = list(pool.map(behaviour.binding, range(args.binds)))
    lines = list(report(stages, behaviour.delays([bind for bind in found if not bind.never_8]), losses))
    print("\n".join(lines))
    if args.output:
        args.output.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
