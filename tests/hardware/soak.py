"""A long day, sped up: ``python tests/hardware/soak.py --hours 24 --output tests/hardware/SOAK.md``.

`spindlebell listen` itself, shift after shift in one process, into one evidence directory: the microphone
with its queue and its watch, the core, mock pins with a hand on the reset button, evidence with a limit, the
page with somebody watching. Only the device at the far end is scripted, and its clock: it gives the next
block as soon as the one before is analysed, so that hours pass as fast as the computer goes. Blocks are of
0.2 s, where PortAudio gives 0.02 s: what is heard does not depend on it, and the day costs a third as much.

One synthetic machine drills batch after batch, with other sound around it and a bind now and then. Batches
are drawn from a pool that was rendered once; their order, gain and the room's noise differ each time. Once an
hour the microphone is unplugged for some seconds. Of ten holds nine get a verdict: those may be deleted.

Watched: memory, open files, threads and the disk; holds that should have come, when, and that should not.
"""

from __future__ import annotations

import argparse
import gc
import io
import math
import os
import platform
import signal
import socket
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, redirect_stdout, suppress
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any, ClassVar
from unittest.mock import patch

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path[0] = str(ROOT)
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np  # noqa: E402
from gpiozero import Device  # noqa: E402
from gpiozero.pins.mock import MockFactory, MockPin  # noqa: E402
from websockets.exceptions import WebSocketException  # noqa: E402
from websockets.sync.client import connect  # noqa: E402

from hardware import wires  # noqa: E402
from hardware.microphone import Microphone  # noqa: E402
from hardware.portaudio import OpenInput, Take  # noqa: E402
from hardware.service import Service  # noqa: E402
from monitor import cli  # noqa: E402
from monitor.baseline import save_baseline  # noqa: E402
from monitor.commands import listen  # noqa: E402
from monitor.errors import DeviceError  # noqa: E402
from monitor.evidence.archive import Archive, PastEvent  # noqa: E402
from monitor.measurements import Event, Heard, Kind, Severity  # noqa: E402
from monitor.planning.job_text import job_text  # noqa: E402
from monitor.session import Session  # noqa: E402
from monitor.signal.orders import FreeRun, learn_baseline  # noqa: E402
from monitor.synth.backgrounds import Background  # noqa: E402
from monitor.synth.faults import Bind  # noqa: E402
from monitor.synth.scenes import SCENES, Scene, free_running, render_scene, scene_job  # noqa: E402

FS = 16_000
BLOCK = FS // 5  # the longest with which the heart does not stand still (`hardware.wires.STOOD_STILL_S`)
SOUNDS = ("speech", "air_gun")
SEED = 3
GONE_S, GONE_EVERY_S = 5.0, 3600.0
PRESS_S = 0.3  # of the real clock
HOLD, HEART, RESET = 17, 27, 23
STATION = f"""
[microphone]
[lines]
hold = {HOLD}
heartbeat = {HEART}
reset = {RESET}
[evidence]
limit = "%d MB"
"""


@dataclass(frozen=True)
class Piece:
    """A batch of the pool, and when the drill binds in it: seconds from its beginning, NaN where never."""

    x: np.ndarray
    bind_s: float


@dataclass(frozen=True)
class Taken:
    """What the process and its directory take, so many hours in, in which shift.

    ``blocks``: of memory that Python has in use for objects, which tells a list that grows from memory that
    is free and not given back.
    """

    shift: int
    hours: float
    megabytes: float
    blocks: int
    files: int
    threads: int
    disk_mb: float


@dataclass
class Shift:
    """One run of `listen`, in its own seconds: binds, times the microphone went, and what was told."""

    binds: list[float] = field(default_factory=list)
    gone: list[float] = field(default_factory=list)
    holds: list[Event] = field(default_factory=list)
    heard_s: float = 0.0


@dataclass
class Day:
    """What happened, shift by shift; ``taken`` and the counts run over the whole day."""

    shifts: list[Shift] = field(default_factory=list)
    taken: list[Taken] = field(default_factory=list)
    beats: int = 0
    resets: int = 0
    told: int = 0
    worst_drift_s: float = 0.0
    deleted: int = 0
    clips_lost: int = 0

    @property
    def hours(self) -> float:
        """Hours of sound heard."""
        return sum(shift.heard_s for shift in self.shifts) / 3600


class Pin(MockPin):  # type: ignore[misc]  # gpiozero carries no types
    """A pin that counts its changes and does not remember each, as a mock does."""

    changes: ClassVar[Counter[int]] = Counter()

    def _change_state(self, value: Any) -> Any:
        changed = super()._change_state(value)
        if changed:
            self.changes[int(self.info.name.removeprefix("GPIO"))] += 1
            del self.states[:-1]
        return changed


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


class Workshop:
    """The scripted device and its clock: batch after batch, for as long as somebody listens.

    ``analysed`` is called for each block that came through; ``watch`` once a second of sound.
    """

    def __init__(
        self, pieces: Sequence[Piece], seconds: float, shift: Shift, seed: int, watch: Callable[[], None]
    ) -> None:
        self._pieces, self._seconds, self._shift, self._watch = pieces, seconds, shift, watch
        self._rng = np.random.default_rng(seed)
        self._now = 1000.0
        self._begun = self._now
        self._room = threading.Semaphore(1)
        self._away = self._closed = False
        self._take: Take | None = None
        self._thread = threading.Thread(target=self._play, name="workshop")

    def clock(self) -> float:
        """Seconds that the sound has lasted."""
        return self._now

    def open(self, take: Take, ended: Callable[[], None], rate_hz: int | None) -> OpenInput:
        """As `hardware.portaudio.open_input`."""
        if self._away:
            raise DeviceError("unplugged")
        self._take, self._ended = take, ended
        if not self._thread.is_alive():
            self._thread.start()
        return OpenInput(FS, "workshop", lambda: None)

    def analysed(self) -> None:
        """The monitor is through with a block: the next may come."""
        self._room.release()

    def end(self) -> None:
        """Nobody listens any more."""
        self._closed = True
        if self._thread.is_alive():
            self._thread.join()

    def _play(self) -> None:
        next_watch, next_gone, asked = self._now, self._begun + 0.6 * GONE_EVERY_S, False
        for x in self._sound():
            while not self._room.acquire(timeout=0.5):
                if self._closed:
                    return
            if self._closed:
                return
            self._now += BLOCK / FS
            assert self._take is not None
            self._take(x, False)
            if self._now >= next_watch:
                next_watch += 1.0
                self._watch()
            if self._now >= next_gone:
                next_gone += GONE_EVERY_S
                self._unplug()
            if self._now - self._begun >= self._seconds and not asked:
                asked = True
                os.kill(os.getpid(), signal.SIGINT)  # as a person ends it

    def _unplug(self) -> None:
        at, binds = self._now - self._begun, self._shift.binds
        self._shift.gone.append(at)
        self._away, self._take = True, None
        self._ended()
        for _ in range(round(GONE_S / 0.05)):  # the clock goes on, at five times its pace
            time.sleep(0.01)
            self._now += 0.05
        self._away = False
        while self._take is None and not self._closed:
            time.sleep(0.01)
            self._now += 0.05
        # The batch under way went on where it was: what is still to come of it comes later.
        later = self._now - self._begun - at
        binds[:] = [bind + later if bind > at else bind for bind in binds]

    def _sound(self) -> Iterator[np.ndarray]:
        left = np.zeros(0, np.float32)
        while True:
            piece = self._pieces[int(self._rng.integers(len(self._pieces)))]
            if piece.bind_s == piece.bind_s:
                self._shift.binds.append(self._now - self._begun + len(left) / FS + piece.bind_s)
            gain = np.float32(10 ** (self._rng.uniform(-1.5, 1.5) / 20))
            noise = 1e-5 * self._rng.standard_normal(len(piece.x)).astype(np.float32)
            x = np.concatenate([left, gain * piece.x + noise])
            yield from x[: len(x) // BLOCK * BLOCK].reshape(-1, BLOCK)
            left = x[len(x) // BLOCK * BLOCK :]


def taken(shift: int, hours: float, directory: Path) -> Taken:
    """What this process takes now: resident memory, files, threads, and its evidence."""
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
    disk = 0
    for path in directory.rglob("*"):
        with suppress(FileNotFoundError):  # deleted, or given its name, meanwhile
            disk += path.stat().st_size
    return Taken(
        shift,
        hours,
        pages * os.sysconf("SC_PAGE_SIZE") / 1e6,
        sys.getallocatedblocks(),
        sum(1 for _ in Path("/proc/self/fd").iterdir()),
        threading.active_count(),
        disk / 1e6,
    )


@contextmanager
def watching(port: int, told: Callable[[], None]) -> Iterator[None]:
    """Somebody watches the page, for as long as it is there."""
    stop = threading.Event()

    def watch() -> None:
        while not stop.wait(0.2):
            with (
                suppress(OSError, TimeoutError, WebSocketException),
                connect(
                    f"ws://127.0.0.1:{port}/api/live", origin=f"http://127.0.0.1:{port}", max_size=None
                ) as page,
            ):
                while not stop.is_set():
                    page.recv(timeout=5.0)
                    told()

    watcher = threading.Thread(target=watch, name="watcher")
    watcher.start()
    try:
        yield
    finally:
        stop.set()
        watcher.join()


def spend(
    hours: float,
    n_pieces: int,
    directory: Path,
    every_h: float = 0.25,
    shift_h: float = 4.0,
    limit_mb: int = 150,
    most_minutes: float = float("inf"),
) -> Day:
    """Let so many hours of sound pass, or as many as so many minutes allow."""
    scene = scene_of(0, False)
    rpms = (scene.cycle.spindle_rpm, 2000.0)
    runs = [
        FreeRun(rpm, free_running(scene.machine, scene.room, rpm, 8.0, seed=SEED, fs=FS), FS) for rpm in rpms
    ]
    save_baseline(learn_baseline(runs, ""), directory / "baseline.json")
    (directory / "job.toml").write_text(job_text(scene_job(scene)), "utf-8")
    (directory / "station.toml").write_text(STATION % limit_mb, "utf-8")
    pieces, day, until = pool(n_pieces), Day(), time.monotonic() + 60 * most_minutes
    while day.hours < hours - 0.01 and time.monotonic() < until:
        work(min(3600 * shift_h, 3600 * (hours - day.hours)), pieces, directory, day, every_h, until)
        judge_most(directory / "evidence", day)
    return day


def work(
    seconds: float, pieces: Sequence[Piece], directory: Path, day: Day, every_h: float, until: float
) -> None:
    """One shift: `listen`, from its start to Ctrl-C."""
    shift, pressed_at, next_h = Shift(), [0.0], [0.0]
    before_h, evidence, sounds = day.hours, directory / "evidence", [False]
    Device.pin_factory = factory = MockFactory(pin_class=Pin)

    def watch() -> None:
        """Once a second of sound: press the button where it holds, and look what is taken."""
        t = workshop.clock() - 1000.0
        if not factory.pin(HOLD).state and time.monotonic() - pressed_at[0] > 3 * PRESS_S:
            pressed_at[0] = time.monotonic()
            factory.pin(RESET).drive_low()
            threading.Timer(PRESS_S, factory.pin(RESET).drive_high).start()
        if t / 3600 >= next_h[0] and t > 2.0:
            next_h[0] = t / 3600 + every_h
            day.taken.append(now := taken(len(day.shifts), before_h + t / 3600, evidence))
            print(now, file=sys.stderr, flush=True)
        if time.monotonic() > until:
            os.kill(os.getpid(), signal.SIGINT)

    workshop = Workshop(pieces, seconds, shift, len(day.shifts), watch)

    class Watched(Session):
        """Tells the workshop of each block that came through, and looks at the times of events."""

        def feed(self, x: Any) -> Heard:
            heard = super().feed(x)
            for event in heard.events:
                day.worst_drift_s = max(day.worst_drift_s, abs(self.t - event.t))
            shift.heard_s, sounds[0] = self.t, not np.isnan(x).any()
            return heard

        def reset(self, by: str) -> None:
            super().reset(by)
            day.resets += 1

    class Told(Service):
        """Lets the next block come when the one before went all the way through, heartbeat included."""

        def alive(self) -> None:
            super().alive()
            if sounds[0]:
                workshop.analysed()

    def told() -> None:
        day.told += 1

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    Pin.changes.clear()
    words = ["listen", "--job", str(directory / "job.toml"), "--baseline", str(directory / "baseline.json")]
    words += ["--station", str(directory / "station.toml"), "--out", str(evidence), "--port", str(port)]
    with (
        patch(
            "hardware.microphone.live_microphone", lambda _: Microphone(workshop.open, clock=workshop.clock)
        ),
        patch.object(wires, "Heartbeat", partial(wires.Heartbeat, clock=workshop.clock)),
        patch.object(listen, "time", SimpleNamespace(monotonic=workshop.clock)),
        patch("hardware.service.Service", Told),
        patch.object(listen, "Session", Watched),
        patch.object(listen, "ROOM_EVERY_S", 5.0),
        watching(port, told),
        redirect_stdout(said := io.StringIO()),
    ):
        try:
            status = cli.main(words)
        finally:
            workshop.end()
    if status not in (0, 10):
        raise RuntimeError(f"listen ended with {status}: {said.getvalue()[-2000:]}")
    day.beats += Pin.changes[HEART]
    shift.holds = [past.event for past in holds_of(evidence, len(day.shifts) + 1)]
    day.shifts.append(shift)


def holds_of(evidence: Path, batch: int) -> list[PastEvent]:
    """The holds of a shift, as its store tells them."""
    return [p for p in Archive(evidence).events(batch) if p.event.severity is Severity.HOLD]


def judge_most(evidence: Path, day: Day) -> None:
    """A verdict on nine holds of ten of the newest shift; of the others the clips have to stay for ever."""
    archive, n = Archive(evidence), len(day.shifts)
    for past in holds_of(evidence, n):
        if past.number % 10:
            archive.judge(past.number, "real", "soak")
    day.deleted = day.clips_lost = 0
    for batch in range(1, n + 1):
        for past in archive.events(batch):
            if past.clip and not (evidence / past.clip).exists():
                day.deleted += 1
                day.clips_lost += past.event.severity is Severity.HOLD and past.verdict is None


def slope_per_h(took: Sequence[Taken], what: Callable[[Taken], float], after_h: float = 1.0) -> float:
    """Least-squares slope of what is taken within shifts, after the first hour of each; NaN for shorter ones.

    A shift ends a process where `listen` is a service, so what its beginning takes counts once.
    """
    slopes, lengths = [], []
    for shift in {one.shift for one in took}:
        own = [one for one in took if one.shift == shift]
        later = np.array([(t.hours, what(t)) for t in own if t.hours >= own[0].hours + after_h])
        if len(later) > 2:
            slopes.append(float(np.polyfit(later[:, 0], later[:, 1], 1)[0]))
            lengths.append(float(later[-1, 0] - later[0, 0]))
    return float(np.average(slopes, weights=lengths)) if slopes else float("nan")


def judged(day: Day) -> tuple[list[float], list[float], list[tuple[int, Event]]]:
    """Delays of the holds of binds and of unplugging, NaN where none came; the other holds with their shift.

    What comes up to 10 s after an unplugging belongs to it: the peck under way was not heard to its end.
    """
    delays, gone, false = [], [], []
    for number, shift in enumerate(day.shifts, 1):
        binds = [bind for bind in shift.binds if bind < shift.heard_s - 4.0]
        # From a block before, for the clock runs on while that is analysed.
        lost = [(at - BLOCK / FS, at + GONE_S + 10.0) for at in shift.gone]
        for bind in binds:
            if any(low - 4.0 < bind < high for low, high in lost):
                continue
            held = [hold.t for hold in shift.holds if bind - 0.5 <= hold.t <= bind + 4.0]
            delays.append(held[0] - bind if held else float("nan"))
        for at in shift.gone:
            held = [h.t for h in shift.holds if h.kind is Kind.MIC_FAULT and at <= h.t <= at + 1.0]
            gone.append(held[0] - at if held else float("nan"))
        for hold in shift.holds:
            bound = any(bind - 0.5 <= hold.t <= bind + 5.0 for bind in shift.binds)
            if not bound and not any(low <= hold.t <= high for low, high in lost):
                false.append((number, hold))
    return delays, gone, false


def report(day: Day, n_pieces: int, limit_mb: int, shift_h: float, took_s: float) -> list[str]:
    """The result in Markdown."""
    delays, gone, false = judged(day)
    half, took = len(delays) // 2, [t for t in day.taken if t.hours > 0.01]
    hours = day.hours
    kinds = ", ".join(f"{kind} {n}" for kind, n in Counter(hold.kind for _, hold in false).most_common())
    command = (
        f"python tests/hardware/soak.py --hours {hours:.3g} --pool {n_pieces} --limit-mb {limit_mb} "
        f"--shift-hours {shift_h:g}"
    )

    def course(values: Sequence[float], unit: str = "") -> str:
        first, last, most = (f"{value:.0f}{unit}" for value in (values[0], values[-1], max(values)))
        return f"{first} at the start, {last} at the end, most {most}"

    return [
        f"Made by `{command}` on Python {platform.python_version()}, {platform.machine()}: {hours:.2f} hours "
        f"of sound through `listen` in {took_s / 60:.0f} minutes, in {len(day.shifts)} shifts of one "
        f"process, on a computer that did other work too. One machine, a pool of {n_pieces} batches in drawn "
        "order; the microphone is unplugged once an hour.",
        "",
        "| what | result |",
        "|---|---|",
        f"| memory | {course([t.megabytes for t in took], ' MB')}; "
        f"{slope_per_h(took, lambda t: t.megabytes):+.2f} MB an hour within a shift after its first hour |",
        f"| blocks of memory in use for objects | {course([t.blocks / 1000 for t in took], ' thousand')}; "
        f"{slope_per_h(took, lambda t: t.blocks / 1000):+.1f} thousand an hour |",
        f"| open files | {course([t.files for t in took])} |",
        f"| threads | {course([t.threads for t in took])} |",
        f"| evidence on the disk, limit {limit_mb} MB | {course([t.disk_mb for t in took], ' MB')}; "
        f"{day.deleted} clips deleted, of holds without a verdict {day.clips_lost} |",
        f"| event time against sample time | at most {1000 * day.worst_drift_s:.0f} ms apart |",
        f"| binds | {len(delays)}, not held within 4 s: {sum(d != d for d in delays)} |",
        f"| delay of the hold from the bind's onset, median | {np.nanmedian(delays[:half]):.2f} s in the "
        f"first half, {np.nanmedian(delays[half:]):.2f} s in the second |",
        f"| microphone unplugged | {len(gone)} times, held after at most {max(gone, default=math.nan):.2f} s "
        "of a clock that goes five times too fast |",
        f"| holds that belong to neither | {len(false)}, {len(false) / hours:.2f} an hour"
        f"{': ' + kinds if kinds else ''} |",
        f"| resets that closed the line | {day.resets} |",
        f"| beats | {day.beats}, of {round(hours * 3600 * FS / BLOCK)} blocks |",
        f"| messages to the page | {day.told} |",
        *(["", "Holds that belong to neither:", ""] if false else []),
        *(f"- shift {shift}, {hold.t:.2f} s, {hold.kind}: {hold.message}" for shift, hold in false),
    ]


def main(argv: Sequence[str] | None = None) -> int:
    """Spend the day, print and write what came of it."""
    parser = argparse.ArgumentParser(description="A long day of listening, sped up.")
    parser.add_argument("--hours", type=float, default=24.0, help="hours of sound (default: 24)")
    parser.add_argument("--pool", type=int, default=24, help="batches rendered (default: 24)")
    parser.add_argument("--limit-mb", type=int, default=150, help="limit of the evidence (default: 150)")
    parser.add_argument("--shift-hours", type=float, default=4.0, help="of one run of listen (default: 4)")
    parser.add_argument("--minutes", type=float, default=float("inf"), help="stop after so many, with less")
    parser.add_argument("--output", type=Path, help="write the Markdown here as well")
    args = parser.parse_args(argv)
    begun = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="soak-") as directory:
        day = spend(
            args.hours,
            args.pool,
            Path(directory),
            shift_h=args.shift_hours,
            limit_mb=args.limit_mb,
            most_minutes=args.minutes,
        )
    lines = ["# A long day, sped up", ""]
    lines += report(day, args.pool, args.limit_mb, args.shift_hours, time.monotonic() - begun)
    print("\n".join(lines))
    if args.output:
        args.output.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
