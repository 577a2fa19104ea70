"""From a sample that enters PortAudio to the edge of the pin: ``python tests/hardware/latency.py [--events
N]``.

A synthetic batch in which the drill binds in every blank is played, in real time, into a virtual microphone
(see `sound_server`), and `listen`'s own loop hears it through PortAudio with mock pins. Each hold is reset as
soon as it may be. A hundred events take about a quarter of an hour; other work on the computer shows in the
result.

What cannot be seen from here is when a sample enters the sound server. The earliest delivery of the run
stands for a delivery without delay: arrival times are counted from there.
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
from contextlib import suppress
from dataclasses import dataclass, field, replace
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
from scipy import signal  # noqa: E402

from hardware.microphone import live_microphone  # noqa: E402
from hardware.wires import wired  # noqa: E402
from monitor.commands import listen  # noqa: E402
from monitor.errors import ResetRefused  # noqa: E402
from monitor.evidence.recorder import Evidence  # noqa: E402
from monitor.evidence.store import BatchInfo  # noqa: E402
from monitor.listener import Listener  # noqa: E402
from monitor.measurements import Heard, Kind, Severity  # noqa: E402
from monitor.ports import Block  # noqa: E402
from monitor.session import Session  # noqa: E402
from monitor.signal.orders import FreeRun, learn_baseline  # noqa: E402
from monitor.station import LineChoice, MicrophoneChoice  # noqa: E402
from monitor.synth.faults import Bind  # noqa: E402
from monitor.synth.scenes import SCENES, Scene, free_running, render_scene, scene_job  # noqa: E402
from tests.hardware.sound_server import FS, NAME, sound_server  # noqa: E402

HOLD, BEAT = 17, 27
SAG_HOLD_PCT = 8.0
RATE_PCT_S = 8.0  # sag a second: from the first load to the hold threshold in a second
BUDGET_S = 0.4


class TimedPin(MockPin):  # type: ignore[misc]  # gpiozero carries no types
    """Knows when it changed."""

    edges: list[tuple[float, int, bool]] = []  # noqa: RUF012  # of all pins together

    def _change_state(self, value: Any) -> Any:
        changed = super()._change_state(value)
        if changed:
            self.edges.append((time.monotonic(), int(self.info.name.removeprefix("GPIO")), bool(value)))
        return changed


def scene_of(blanks: int, rate_pct_s: float, seed: int = 1) -> Scene:
    """Every blank binds in its first peck; everything else is over quickly."""
    scene = SCENES["bind"].make(seed)
    cycle = replace(scene.cycle, depth_mm=6.0, pecks_mm=(6.0,), settle_s=0.6, reload_s=0.5)
    binds = tuple(
        Bind(b, peck=1, at=0.5, rate_pct_s=rate_pct_s, most_pct=14.0, lasts_s=SAG_HOLD_PCT / rate_pct_s + 1.0)
        for b in range(1, blanks + 1)
    )
    return replace(scene, cycle=cycle, blanks=blanks, faults=binds, seconds=None)


def crossings(truth: Any) -> np.ndarray:
    """When the speed falls through the hold threshold, from the truth, seconds into the scene.

    Measured like the monitor measures: against the free speed just before the cut.
    """
    rpm, t = truth.curve("rpm"), truth.times()
    found = []
    for blank in truth.blanks:
        inside = (t >= blank.start_s) & (t < blank.end_s)
        free = np.max(rpm[inside])
        at = rpm[inside] / free - (1 - SAG_HOLD_PCT / 100)
        below = np.flatnonzero((at[1:] <= 0) & (at[:-1] > 0) & (rpm[inside][1:] > 0.7 * free))
        if below.size:
            k = below[0]
            found.append(t[inside][k] + (at[k] / (at[k] - at[k + 1])) * (t[1] - t[0]))
    return np.array(found)


@dataclass
class Stages:
    """Times of one hold, seconds: in the sample stream, and on the clock."""

    t: float  # of the newest sample used
    begun: float  # the block's turn
    at: float  # the block's arrival


@dataclass
class Clocked:
    """What the loop is given, with its times written down."""

    fs: int
    arrived: list[tuple[int, float]] = field(default_factory=list)  # samples so far, and when they came
    parts: list[np.ndarray] = field(default_factory=list)
    begun: float = 0.0
    at: float = 0.0
    holds: list[Stages] = field(default_factory=list)
    n: int = 0

    def blocks(self, blocks: Iterator[Block]) -> Iterator[Block]:
        for block in blocks:
            self.n += len(block.x)
            self.arrived.append((self.n, block.at))
            self.parts.append(block.x)
            self.begun, self.at = time.monotonic(), block.at
            yield block

    def heard(self, heard: Heard) -> None:
        for event in heard.events:
            if event.severity is Severity.HOLD and event.kind is not Kind.MIC_FAULT:
                self.holds.append(Stages(event.t, self.begun, self.at))


def measure(n_events: int, rate_pct_s: float, run: Path) -> list[str]:
    """Play, listen, and lay the times side by side."""
    scene = scene_of(n_events, rate_pct_s)
    rendered = render_scene(scene, FS)
    runs = [
        FreeRun(rpm, free_running(scene.machine, scene.room, rpm, 8.0, seed=scene.seed, fs=FS), FS)
        for rpm in (scene.cycle.spindle_rpm, 2 * scene.cycle.spindle_rpm)
    ]
    baseline, job = learn_baseline(runs, ""), scene_job(scene)
    Device.pin_factory = MockFactory(pin_class=TimedPin)
    stop = threading.Event()
    with sound_server(run / "sound") as server:
        os.environ.update(server.env)
        with (
            wired(LineChoice(HOLD, BEAT)) as wires,
            live_microphone(MicrophoneChoice(NAME, FS)) as microphone,
        ):
            info = BatchInfo(datetime.now(UTC), "clock", "bench", FS, "", "", "0")
            with Evidence(run / "evidence", info) as evidence:
                session = Session(Listener(baseline, job, FS), evidence, wires.hold, held_from_start="bench")
                clocked = Clocked(FS)
                session.on_heard.append(clocked.heard)
                ends = time.monotonic() + len(rendered.x) / FS + 5.0
                server.play(rendered.x)

                def turn(x: np.ndarray, held: bool) -> None:
                    if session.board.held and not held:
                        with suppress(ResetRefused):
                            session.reset("bench")
                    if time.monotonic() > ends:
                        stop.set()

                listen.hear(
                    clocked.blocks(microphone.blocks()),
                    session,
                    wires.heartbeat.beat,
                    wires.beacon.show,
                    turn,
                    lambda: None,
                    lambda: microphone.losses.overflows,
                    stop,
                )
                losses = str(microphone.losses)
    opened = np.array([at for at, pin, high in TimedPin.edges if pin == HOLD and not high])
    return table(clocked, opened, rendered, rate_pct_s, losses)


def table(clocked: Clocked, opened: np.ndarray, rendered: Any, rate_pct_s: float, losses: str) -> list[str]:
    """Stages by percentile."""
    fs = clocked.fs
    heard = np.concatenate(clocked.parts)
    start = first_sound(heard, rendered.x)
    n, at = (np.array(column) for column in zip(*clocked.arrived, strict=True))
    origin = float(np.min(at - n / fs))  # clock time of sample 0 entering, were the earliest delivery at once
    true = start / fs + crossings(rendered.truth)
    rows = []
    missed = early = 0
    for cross in true:
        hold = next((h for h in clocked.holds if cross - 0.5 < h.t < cross + 3.0), None)
        if hold is None:
            missed += 1
            continue
        early += hold.t < cross
        edges = opened[opened >= hold.begun]
        if not len(edges):
            continue
        arrival = hold.at - (origin + hold.t)
        rows.append((hold.t - cross, arrival, hold.begun - hold.at, edges[0] - hold.begun))
    stages = np.array(rows)
    total = stages.sum(axis=1)
    intervals = 1000 * np.diff(at)
    lines = [
        "# From sample to pin",
        "",
        f"Made by `python tests/hardware/latency.py --events {len(true)} --rate {rate_pct_s:g}` on Python "
        f"{platform.python_version()}, "
        f"{platform.machine()}, {os.cpu_count()} cores that did other work too, through PortAudio and "
        f"PulseAudio with a "
        "virtual microphone, and mock pins. No real sound card, no real pin.",
        "",
        f"{len(true)} binds at {rate_pct_s:g} % a second; {missed} not held within 3 s, {early} held "
        f"before the true sag "
        f"reached {SAG_HOLD_PCT:g} %. {losses}",
        f"Blocks of 20 ms came {np.percentile(intervals, 50):.0f} ms apart (95th percentile "
        f"{np.percentile(intervals, 95):.0f} ms).",
        "",
        "| stage | median | 95th percentile | worst |",
        "|---|---|---|---|",
    ]
    names = [
        "detector: true crossing of 8 % to the newest sample of the decision",
        "delivery: that sample enters to its block being handed over",
        "queue: handed over to its turn",
        "analysis, decision and pin: its turn to the edge",
    ]
    for name, column in zip([*names, "**all of it**"], [*stages.T, total], strict=True):
        shown = " | ".join(f"{1000 * v:.0f} ms" for v in (*np.percentile(column, [50, 95]), column.max()))
        lines.append(f"| {name} | {shown} |")
    within = np.percentile(total, 95) < BUDGET_S
    lines += ["", f"Budget: 95 % under {BUDGET_S:g} s: {'kept' if within else 'NOT kept'}."]
    return lines


def first_sound(heard: np.ndarray, played: np.ndarray) -> int:
    """The sample of ``heard`` at which ``played`` began, by correlation. Says how much came unchanged."""
    piece = np.nan_to_num(heard[5 * FS : 10 * FS])
    lag = int(np.argmax(signal.correlate(played[: 20 * FS], piece, "valid", "fft")))
    begins = 5 * FS - lag
    n = min(len(played) - lag, len(heard) - 5 * FS)
    here, there = heard[5 * FS : 5 * FS + n], played[lag : lag + n]
    same = np.mean(np.abs(here - there) <= 2 / 32768)
    print(f"{100 * same:.2f} % of the samples came as they were played")
    return begins


def main(argv: Sequence[str] | None = None) -> int:
    """Measure, print, and write the table."""
    parser = argparse.ArgumentParser(description="Latency from sample to pin.")
    parser.add_argument("--events", type=int, default=100, help="binds (default: 100)")
    parser.add_argument(
        "--rate", type=float, default=RATE_PCT_S, help=f"sag in per cent a second (default: {RATE_PCT_S:g})"
    )
    parser.add_argument("--output", type=Path, help="write the Markdown here as well")
    args = parser.parse_args(argv)
    with tempfile.TemporaryDirectory(prefix="latency-") as run:
        lines = measure(args.events, args.rate, Path(run))
    print("\n".join(lines))
    if args.output:
        args.output.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
