"""A long day, sped up: ``python tests/hardware/soak.py --hours 24 --output tests/hardware/SOAK.md``.

One synthetic machine drills batch after batch, with other sound around it and a bind now and then, through
the loop of `listen`: session, evidence, page, sound memory and mock pins, as fast as the computer goes.
Batches are drawn from a pool that was rendered once; their order, gain and the room's noise differ each time.
Every hold is reset as soon as it may be.

Watched: memory; whether the time of an event stays that of its sample; holds that should have come, and that
should not.
"""

from __future__ import annotations

import argparse
import gc
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

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path[0] = str(ROOT)
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np  # noqa: E402
from gpiozero import Device  # noqa: E402
from gpiozero.pins.mock import MockFactory  # noqa: E402

from dashboard.live import LiveState  # noqa: E402
from dashboard.sound import SoundMemory  # noqa: E402
from dashboard.spectrogram import OrderSpectrogram  # noqa: E402
from hardware.wires import wired  # noqa: E402
from monitor.commands import listen  # noqa: E402
from monitor.errors import ResetRefused  # noqa: E402
from monitor.evidence.recorder import Evidence  # noqa: E402
from monitor.evidence.store import BatchInfo  # noqa: E402
from monitor.listener import Listener  # noqa: E402
from monitor.measurements import Heard, Severity  # noqa: E402
from monitor.ports import Block  # noqa: E402
from monitor.session import Session  # noqa: E402
from monitor.signal.orders import FreeRun, learn_baseline  # noqa: E402
from monitor.station import LineChoice  # noqa: E402
from monitor.synth.backgrounds import Background  # noqa: E402
from monitor.synth.faults import Bind  # noqa: E402
from monitor.synth.scenes import SCENES, Scene, free_running, render_scene, scene_job  # noqa: E402

FS = 16_000
BLOCK = FS // 50  # 20 ms, as PortAudio gives them
SOUNDS = ("speech", "air_gun")
SEED = 3


@dataclass(frozen=True)
class Piece:
    """A batch of the pool, and when the drill binds in it: seconds from its beginning, NaN where never."""

    x: np.ndarray
    bind_s: float


@dataclass
class Day:
    """What happened: holds as (seconds of signal, kind), memory as (hours, megabytes), binds as seconds."""

    holds: list[tuple[float, str]] = field(default_factory=list)
    memory: list[tuple[float, float]] = field(default_factory=list)
    binds: list[float] = field(default_factory=list)
    beats: int = 0
    resets: int = 0
    worst_drift_s: float = 0.0


def scene_of(number: int, binds: bool) -> Scene:
    """One batch of two blanks on the same machine, with its own seed and its own disturbance."""
    scene = SCENES["normal_batch"].make(SEED)
    length_s = 25.0
    rng = np.random.default_rng(number)
    around = tuple(
        Background(
            SOUNDS[number % len(SOUNDS)],
            float(rng.uniform(1, length_s)),
            3.0,
            float(rng.uniform(0, 6)),
            number,
        )
        for _ in range(number % 3)
    )
    bind = (Bind(2, peck=2, at=0.3, rate_pct_s=8.0, most_pct=14.0, lasts_s=3.0),) if binds else ()
    return replace(
        scene, seed=scene.seed + 1000 * number, blanks=2, backgrounds=around, faults=bind, seconds=None
    )


def pool(n: int) -> list[Piece]:
    """Render ``n`` batches, every fourth with a bind."""
    pieces = []
    for number in range(n):
        binds = number % 4 == 3
        rendered = render_scene(scene_of(number, binds), FS)
        onsets = [fault.onset_s for fault in rendered.truth.faults] if binds else []
        pieces.append(Piece(rendered.x, float(onsets[0]) if onsets else float("nan")))
    return pieces


def blocks(pieces: Sequence[Piece], seconds: float, day: Day) -> Iterator[Block]:
    """Batch after batch, in an order and with levels of their own."""
    rng = np.random.default_rng(SEED)
    n, left = 0, np.zeros(0, np.float32)
    while n < seconds * FS:
        piece = pieces[int(rng.integers(len(pieces)))]
        if piece.bind_s == piece.bind_s:
            day.binds.append((n + len(left)) / FS + piece.bind_s)
        gain = np.float32(10 ** (rng.uniform(-1.5, 1.5) / 20))
        noise = 1e-5 * rng.standard_normal(len(piece.x)).astype(np.float32)
        x = np.concatenate([left, gain * piece.x + noise])
        for i in range(0, len(x) - BLOCK + 1, BLOCK):
            n += BLOCK
            yield Block(x[i : i + BLOCK], time.monotonic(), True)
        left = x[len(x) // BLOCK * BLOCK :]


def megabytes() -> float:
    """Resident memory of this process."""
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def spend(hours: float, n_pieces: int, directory: Path, every_h: float = 0.25) -> Day:
    """Let so many hours of sound pass."""
    scene = scene_of(0, False)
    job = scene_job(scene)
    rpms = (scene.cycle.spindle_rpm, 2000.0)
    runs = [
        FreeRun(rpm, free_running(scene.machine, scene.room, rpm, 8.0, seed=SEED, fs=FS), FS) for rpm in rpms
    ]
    baseline = learn_baseline(runs, "")
    pieces, day = pool(n_pieces), Day()
    Device.pin_factory = MockFactory()
    info = BatchInfo(datetime.now(UTC), "clock", "soak", FS, "", "", "0")
    with wired(LineChoice(17, 27)) as wires, Evidence(directory, info) as evidence:
        Device.pin_factory.pin(27).clear_states()
        session = Session(
            Listener(baseline, job, FS, live=True), evidence, wires.hold, held_from_start="soak"
        )
        picture = OrderSpectrogram(baseline, job.spindle_rpm, FS)
        live, sound = LiveState(job, picture=picture), SoundMemory(FS, picture)
        session.on_heard.append(lambda heard: live.heard(heard, session.board))
        next_h = [0.0]

        def watch(heard: Heard) -> None:
            for event in heard.events:
                day.worst_drift_s = max(day.worst_drift_s, abs(session.t - event.t))
                if event.severity is Severity.HOLD:
                    day.holds.append((event.t, event.kind.value))

        session.on_heard.append(watch)

        def turn(x: np.ndarray, held: bool) -> None:
            sound.take(x, held)
            if session.board.held and not held:
                with suppress(ResetRefused):
                    session.reset("soak")
                    day.resets += 1
            if session.t / 3600 >= next_h[0]:
                day.beats += len(Device.pin_factory.pin(27).states) - 1
                Device.pin_factory.pin(
                    27
                ).clear_states()  # mock pins remember every change: not the monitor's
                Device.pin_factory.pin(17).clear_states()
                day.memory.append((session.t / 3600, megabytes()))
                print(
                    f"{session.t / 3600:.2f} h: {day.memory[-1][1]:.1f} MB, {len(day.holds)} holds",
                    flush=True,
                )
                next_h[0] += every_h

        listen.hear(
            blocks(pieces, 3600 * hours, day),
            session,
            wires.heartbeat.beat,
            wires.beacon.show,
            turn,
            lambda: None,
            lambda: 0,
            threading.Event(),
        )
        day.beats += len(Device.pin_factory.pin(27).states) - 1
        session.finish()
    return day


def slope_mb_per_h(memory: Sequence[tuple[float, float]], after_h: float = 1.0) -> float:
    """Least-squares slope of the memory after the first hour."""
    later = np.array([m for m in memory if m[0] >= after_h])
    return float(np.polyfit(later[:, 0], later[:, 1], 1)[0]) if len(later) > 1 else float("nan")


def judged(day: Day) -> tuple[list[float], int]:
    """Delay of the hold of each bind, NaN where none came within 4 s; and holds that belong to none."""
    delays = []
    for bind in day.binds:
        held = [t for t, _ in day.holds if bind - 0.5 <= t <= bind + 4.0]
        delays.append(held[0] - bind if held else float("nan"))
    false = sum(not any(bind - 0.5 <= t <= bind + 5.0 for bind in day.binds) for t, _ in day.holds)
    return delays, false


def report(day: Day, hours: float, n_pieces: int, took_s: float) -> list[str]:
    """The result in Markdown."""
    delays, false = judged(day)
    half = len(delays) // 2
    return [
        "# A long day, sped up",
        "",
        f"Made by `python tests/hardware/soak.py --hours {hours:g} --pool {n_pieces}` on Python "
        f"{platform.python_version()}, {platform.machine()}: {hours:g} hours of sound in {took_s / 60:.0f} "
        "minutes on a computer that did other work too. One synthetic machine, a pool of "
        f"{n_pieces} batches in drawn order.",
        "",
        "| what | result |",
        "|---|---|",
        f"| memory | {day.memory[0][1]:.0f} MB at the start, {day.memory[-1][1]:.0f} MB at the end; "
        f"{slope_mb_per_h(day.memory):+.2f} MB an hour after the first |",
        f"| event time against sample time | at most {1000 * day.worst_drift_s:.0f} ms apart |",
        f"| binds | {len(delays)}, not held within 4 s: {sum(d != d for d in delays)} |",
        f"| delay of the hold from the bind's onset, median | "
        f"{np.nanmedian(delays[:half]):.2f} s in the first half, "
        f"{np.nanmedian(delays[half:]):.2f} s in the second |",
        f"| holds that belong to no bind | {false}, {false / hours:.2f} an hour |",
        f"| resets that closed the line | {day.resets} |",
        f"| beats | {day.beats}, of {round(hours * 3600 * 20)} hops |",
    ]


def main(argv: Sequence[str] | None = None) -> int:
    """Spend the day, print and write what came of it."""
    parser = argparse.ArgumentParser(description="A long day of listening, sped up.")
    parser.add_argument("--hours", type=float, default=24.0, help="hours of sound (default: 24)")
    parser.add_argument("--pool", type=int, default=24, help="batches rendered (default: 24)")
    parser.add_argument("--output", type=Path, help="write the Markdown here as well")
    args = parser.parse_args(argv)
    begun = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="soak-") as directory:
        day = spend(args.hours, args.pool, Path(directory))
    lines = report(day, args.hours, args.pool, time.monotonic() - begun)
    print("\n".join(lines))
    if args.output:
        args.output.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
