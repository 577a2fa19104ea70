"""Machines drawn from seeds at drilling jobs, learned from their own free-running sound."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, replace

import numpy as np

from monitor.baseline import Baseline
from monitor.job import Job
from monitor.listener import Listener
from monitor.measurements import Event, Kind, PeckRow, Severity, TraceRow
from monitor.signal.orders import FreeRun, learn_baseline
from monitor.synth.cycle import Cycle
from monitor.synth.machines import draw_machine
from monitor.synth.scenes import Rendered, Scene, fitted, fitted_room, free_running, render_scene, scene_job

FS = 24_000  # decimated by two to the internal 12 kHz, at half the cost of 48 kHz
CYCLE = Cycle(
    "acrylic", 900.0, 6.0, 2, 15.0, 0.15, 12.0, (6.0, 3.0), settle_s=0.8, reload_s=1.0
)  # three pecks, some 14 s a blank


@dataclass(frozen=True)
class Setup:
    """One machine in one room, with what was learned of it."""

    scene: Scene
    baseline: Baseline
    job: Job
    fs: int = FS

    def render(self, **changes: object) -> Rendered:
        """Sound and truth of the scene with changes (blanks, faults, backgrounds, ...)."""
        if changes:
            return render_scene(replace(self.scene, **changes), self.fs)  # type: ignore[arg-type]
        return _rendered(self.scene, self.fs)

    def hear(self, x: np.ndarray, block: int = 4_801) -> Told:
        """What a listener makes of the samples."""
        return listen(Listener(self.baseline, self.job, self.fs), x, block)


@dataclass
class Told:
    """Everything a listener gave."""

    trace: list[TraceRow]
    events: list[Event]
    pecks: list[PeckRow]
    active: frozenset[Kind] = frozenset()

    def times(self, kind: Kind, severity: Severity | None = None) -> list[float]:
        """Times of the events of a kind."""
        return [e.t for e in self.events if e.kind is kind and severity in (None, e.severity)]

    def holds(self) -> list[tuple[float, Kind]]:
        """Time and kind of every hold."""
        return [(e.t, e.kind) for e in self.events if e.severity is Severity.HOLD]

    def count(self, kind: Kind) -> int:
        """Number of events of a kind."""
        return len(self.times(kind))

    def curve(self, name: str) -> np.ndarray:
        """One column of the trace, shape (n_hops,)."""
        return np.array([getattr(row, name) for row in self.trace])

    def speed_at(self, t: float) -> float:
        """Speed in the newest row at ``t``."""
        return next((row.speed_rpm for row in reversed(self.trace) if row.t <= t + 1e-9), math.nan)


@functools.cache
def _rendered(scene: Scene, fs: int) -> Rendered:
    rendered = render_scene(scene, fs)
    rendered.x.flags.writeable = False
    return rendered


def listen(listener: Listener, x: np.ndarray, block: int | list[int]) -> Told:
    """Feed samples in blocks of one size, or cut at the given samples."""
    cuts = list(range(block, x.size, block)) if isinstance(block, int) else block
    told = Told([], [], [])
    for part in np.split(x, cuts):
        _take(told, listener.feed(part))
    _take(told, listener.finish())
    return told


def _take(told: Told, heard: object) -> None:
    told.trace += heard.trace  # type: ignore[attr-defined]
    told.events += heard.events  # type: ignore[attr-defined]
    told.pecks += heard.pecks  # type: ignore[attr-defined]
    told.active = heard.active  # type: ignore[attr-defined]


@functools.cache
def setup(
    seed: int, snr_db: float = 10.0, cycle: Cycle = CYCLE, fs: int = FS, level_dbfs: float | None = None
) -> Setup:
    """A machine of this seed, learned at its drilling speed and at another; in digital sound so loud."""
    machine = replace(fitted(draw_machine(seed), cycle, 1.3), spin_up_s=0.6, coast_s=0.5)
    room = fitted_room(seed + 100, cycle, snr_db)
    if level_dbfs is not None:
        room = replace(room, level_dbfs=level_dbfs)
    other = cycle.spot_rpm or 1.8 * cycle.spindle_rpm
    runs = [
        FreeRun(rpm, free_running(machine, room, rpm, 6, seed, fs), fs) for rpm in (cycle.spindle_rpm, other)
    ]
    scene = Scene(f"drawn {seed}", machine, room, cycle, seed, blanks=1, cut_db=9.0)
    return Setup(scene, learn_baseline(runs, "2025-01-01T00:00:00Z"), scene_job(scene), fs)
